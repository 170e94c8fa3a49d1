use super::*;
use crate::advise::document::tests::{AT, alert, condition};
use crate::advise::document::{Contribution, Evidence, Measured};
use crate::advise::wording::message;
use crate::asset::spec::{Detection, Quantity};
use crate::keep::plate::PlatePoint;

fn point(name: &str, quantity: Quantity, detection: Detection, unit: &str) -> PlatePoint {
    let role = crate::asset::spec::Role::Condition;
    let own_limits = crate::asset::spec::OwnLimits::default();
    PlatePoint {
        name: name.into(),
        quantity,
        detection,
        unit: unit.into(),
        role,
        axis: None,
        bearing: None,
        own_limits,
    }
}

fn plate() -> Plate {
    let points = vec![
        point("de-vib", Quantity::VibrationVelocity, Detection::Rms, "mm/s"),
        point("de-temp", Quantity::Temperature, Detection::Unstated, "Cel"),
    ];
    Plate { points, ..Plate::default() }
}

fn hot(observed: f64) -> Alert {
    let celsius = |value| Measured { value, unit: "Cel".into() };
    let part = Contribution {
        point: "de-temp".into(),
        evidence: Evidence::Drift,
        observed: celsius(observed),
        expected: Some(celsius(60.0)),
        band: None,
        sigmas: None,
        share: 1.0,
        limit: None,
        onset: None,
    };
    let mut alert =
        Alert { contributions: vec![part], remaining_life: None, onset: None, operating_state: None, ..alert() };
    alert.message = message_for(&alert, &|name| plate().kind(name), false, Audience::of_documents());
    alert
}

fn berlin() -> TimeZone {
    TimeZone::get("Europe/Berlin").expect("the time zone database")
}

/// Source: NIST SP 811 (2008), appendix B.8 (from memory): 1 in = 25.4 mm, so 5.4, 1.8 and 4.5 mm/s are 0.2126, 0.0709 and
/// 0.1772 in/s; 80 °C = 176 °F, and 20 K are 36 °F.
#[test]
fn a_sentence_is_in_the_units_and_by_the_clock_of_the_site() {
    let zone = berlin();
    let inch = Audience { units: Units::Inch, zone: &zone };
    let text = inch.alert(&alert(), Some(&plate()));
    assert!(
        text.starts_with(
            "Vibration velocity (rms) at de-vib is 0.213 in/s, 3 times the 0.0709 in/s expected, above the limit of 0.177 in/s"
        ),
        "{text}"
    );
    assert!(!text.contains("mm/s"), "{text}");
    let text = inch.alert(&hot(80.0), Some(&plate()));
    assert!(
        text.starts_with("Temperature at de-temp is slowly rising: 176 °F, 36 °F above the 140 °F expected."),
        "{text}"
    );

    let metric = Audience { units: Units::Metric, zone: &zone };
    let silent = Alert { onset: Some(AT), contributions: vec![], ..hot(80.0) };
    let (there, here) = (Audience::of_documents().minute(AT), metric.minute(AT));
    // Berlin is an hour ahead in March (IANA time zone database).
    assert!(there == "2031-03-04 06:15Z" && here == "2031-03-04 07:15+01:00", "{there} {here}");
    let text = metric.alert(&silent, Some(&plate()));
    assert!(text.contains(&format!("since about {here}")), "{text}");
}

#[test]
fn who_reads_documents_reads_what_is_published_and_so_does_who_knows_no_points() {
    let zone = berlin();
    let published = Alert { message: "As it was published.".into(), ..alert() };
    let site = Audience { units: Units::Inch, zone: &zone };
    assert_eq!(Audience::of_documents().alert(&published, Some(&plate())), published.message);
    assert_eq!(site.alert(&published, of_plate(&Plate::default())), published.message);
    let stated = crate::advise::document::Condition { message: "As it was published.".into(), ..condition() };
    assert_eq!(Audience::of_documents().condition(&stated), stated.message);
}

/// The engine alone knows that; its sentence is where it says so.
#[test]
fn a_change_in_one_state_only_stays_one() {
    let spec = crate::advise::wording::tests::spec();
    let mut seen = Alert { operating_state: Some("high load".into()), ..alert() };
    let zone = berlin();
    let inch = Audience { units: Units::Inch, zone: &zone };
    for only in [true, false] {
        seen.message = message(&seen, &spec, only);
        let text = inch.alert(&seen, Some(&spec));
        assert_eq!(text.contains(", only in operating state high load"), only, "{text}");
        let published = Audience { units: Units::Metric, zone: &UTC };
        assert_eq!(message_for(&seen, &|name| spec.kind(name), only_in_one_state(&seen), published), seen.message);
    }
}

#[test]
fn a_limit_that_was_set_is_told_in_the_units_of_the_site() {
    let row = |old: &str, new: &str, accepted| AuditRow {
        at: Some(AT),
        received: AT,
        asset: Some("pump-7".into()),
        by: "A. Berg".into(),
        note: None,
        action: r#"{"action":"set-limit","point":"de-vib","limit":"alarm-high","value":7.62}"#.into(),
        accepted,
        answer: "de-vib: limit changed from none to 7.62 mm/s".into(),
        topic: None,
        old: Some(old.into()),
        new: Some(new.into()),
    };
    let zone = berlin();
    let inch = Audience { units: Units::Inch, zone: &zone };
    let (said, old, new) = inch.deed(&row("none", "7.62 mm/s", true));
    assert_eq!(said, "de-vib: limit changed from none to 0.3 in/s");
    assert_eq!((old.as_deref(), new.as_deref()), (Some("none"), Some("0.3 in/s")));
    // Refused, not understood, or metric: as it is kept.
    let metric = Audience { units: Units::Metric, zone: &zone };
    for (audience, row) in [
        (inch, row("none", "7.62 mm/s", false)),
        (inch, row("none", "much", true)),
        (inch, AuditRow { action: "{}".into(), ..row("none", "7.62 mm/s", true) }),
        (metric, row("none", "7.62 mm/s", true)),
    ] {
        assert_eq!(audience.deed(&row).0, row.answer);
    }
}

use super::*;
use crate::advise::document::Thresholds;
use crate::advise::document::tests::{AT, alert};
use crate::asset::spec::{OwnLimits, PointSpec, Role, VibrationSpec};
use proptest::prelude::*;

fn point(name: &str, quantity: Quantity, detection: Detection, unit: &str) -> PointSpec {
    PointSpec {
        name: name.into(),
        quantity,
        detection,
        unit: unit.into(),
        role: Role::Condition,
        range: (f64::MIN, f64::MAX),
        stuck_after_secs: None,
        limits: OwnLimits::default(),
    }
}

pub(crate) fn spec() -> AssetSpec {
    AssetSpec {
        name: "pump-7".into(),
        area: None,
        class: Some("pump".into()),
        zones: None,
        rating_kw: None,
        rated_speed_rpm: None,
        configured: true,
        cadence_secs: None,
        states: vec![],
        vibration: VibrationSpec::default(),
        points: vec![
            point("de-vib", Quantity::VibrationVelocity, Detection::Rms, "mm/s"),
            point("de-acc", Quantity::VibrationAcceleration, Detection::Peak, "m/s2"),
            point("de-temp", Quantity::Temperature, Detection::Unstated, "Cel"),
            point("suction", Quantity::Pressure, Detection::Unstated, "bar"),
        ],
    }
}

fn seen(point: &str, evidence: Evidence, observed: f64, expected: f64, unit: &str) -> Contribution {
    let measured = |value| Measured { value, unit: unit.to_owned() };
    Contribution {
        point: point.into(),
        evidence,
        observed: measured(observed),
        expected: Some(measured(expected)),
        band: None,
        sigmas: None,
        share: 0.5,
        limit: None,
        onset: None,
    }
}

fn bare(contributions: Vec<Contribution>) -> Alert {
    Alert { contributions, remaining_life: None, onset: None, operating_state: None, ..alert() }
}

#[test]
fn a_limit_alert_reads_on_its_own() {
    assert_eq!(
        message(&alert(), &spec(), false),
        "Vibration velocity (rms) at de-vib is 5.4 mm/s, 3 times the 1.8 mm/s expected, above the limit of 4.5 mm/s \
         (ISO 20816-3:2022 group 2, rigid) since about 2031-03-01. May be imbalance, alignment or bearing wear: check \
         fastening and lubrication, take a spectrum. Follow site procedures."
    );
}

#[test]
fn temperature_without_vibration_points_at_lubrication_and_is_a_difference() {
    let text = message(&bare(vec![seen("de-temp", Evidence::Drift, 81.0, 61.0, "Cel")]), &spec(), false);
    assert_eq!(
        text,
        "Temperature at de-temp is slowly rising: 81 °C, 20 °C above the 61 °C expected. Without more vibration it may \
         be lubrication or cooling: check oil or grease, cooling and surroundings. Follow site procedures."
    );
}

#[test]
fn advice_follows_what_was_seen() {
    let vib = |evidence, observed| seen("de-vib", evidence, observed, 2.0, "mm/s");
    let hot = seen("de-temp", Evidence::Pattern, 90.0, 60.0, "Cel");
    for (contributions, only_in_state, word) in [
        (vec![vib(Evidence::Limit, 6.0), hot], false, "bearing or its lubrication"),
        (vec![vib(Evidence::Step, 6.0)], false, "imbalance, looseness"),
        (vec![vib(Evidence::Step, 6.0)], true, "compare with the other states"),
        (vec![seen("de-acc", Evidence::Drift, 9.0, 4.0, "m/s2")], false, "early bearing"),
        (vec![vib(Evidence::Step, 0.4)], false, "loose sensor"),
        (vec![seen("suction", Evidence::Drift, 0.2, 0.9, "bar")], false, "suction side"),
        (vec![seen("nobody-knows", Evidence::Step, 2.0, 1.0, "")], false, "recent work"),
        (vec![], false, "recent work"),
    ] {
        let text = message(&bare(contributions), &spec(), only_in_state);
        assert!(text.contains(word), "{word} in {text}");
        assert!(text.ends_with("Follow site procedures."), "{text}");
    }
}

#[test]
fn a_change_in_one_state_only_is_said_as_such() {
    let mut alert = bare(vec![seen("de-vib", Evidence::Step, 6.0, 2.0, "mm/s")]);
    alert.operating_state = Some("high load".into());
    let text = message(&alert, &spec(), true);
    assert!(text.contains(", only in operating state high load."), "{text}");
}

#[test]
fn sensor_findings_speak_of_the_sensor_and_not_of_the_machine() {
    for (evidence, words) in [
        (Evidence::Stuck, "Sensor de-temp has shown exactly 61 °C since about 2031-03-01."),
        (Evidence::OutOfRange, "Sensor de-temp reads 61 °C, outside what it can measure"),
        (Evidence::Silent, "No data from sensor de-temp since about"),
        (Evidence::NeverSeen, "Sensor de-temp is configured and has never sent a value."),
    ] {
        let mut alert = bare(vec![seen("de-temp", evidence, 61.0, f64::NAN, "Cel")]);
        alert.finding = Finding::Sensor("de-temp".into());
        alert.onset = Some(AT.plus_secs(-3.0 * 86_400.0));
        let text = message(&alert, &spec(), false);
        assert!(text.starts_with(words), "{text}");
        assert!(!text.contains("lubrication"), "{text}");
    }
    let silence = Alert { finding: Finding::Silence, onset: Some(AT), ..bare(vec![]) };
    assert!(message(&silence, &spec(), false).starts_with("No data from pump-7 since about 2031-03-04 06:15Z. Check"));
}

#[test]
fn other_changes_say_what_happened() {
    for (change, words) in [
        (Change::Escalated, "Worse: vibration velocity (rms) at de-vib is 5.4 mm/s"),
        (Change::Eased, "Milder: "),
        (Change::Recurred, "Back again: "),
        (Change::Thawed, "Data are back, the alert goes on: "),
        (Change::Returned, "No longer seen: vibration velocity (rms) at de-vib. Nobody has acknowledged it yet."),
        (Change::Frozen, "No data any more; the alert stands as it was: vibration velocity (rms) at de-vib."),
        (Change::Closed, "Episode over, its highest severity was alarm: vibration velocity (rms) at de-vib."),
        (Change::Acknowledged, "Acknowledged by M. Okoro: vibration velocity (rms) at de-vib."),
        (Change::Unshelved, "Shelving ended by M. Okoro: "),
    ] {
        let alert = Alert {
            change,
            worst: Severity::Alarm,
            state: LifeState::ReturnedUnacknowledged,
            by: Some("M. Okoro".into()),
            ..alert()
        };
        let text = message(&alert, &spec(), false);
        assert!(text.starts_with(words), "{text}");
    }
}

#[test]
fn a_forecast_is_an_interval_or_an_earliest_time() {
    let mut forecast = Forecast {
        point: "de-vib".into(),
        target: "alarm".into(),
        limit: LimitSource { limit: Measured { value: 7.1, unit: "mm/s".into() }, source: "own".into() },
        p10_hours: Some(120.0),
        p50_hours: Some(200.0),
        p90_hours: Some(480.0),
    };
    let words = |f: &Forecast| forecast_words(f).unwrap_or_default();
    assert_eq!(words(&forecast), " If it goes on, the alarm limit is reached in 5 to 20 days.");
    forecast.p90_hours = None;
    assert_eq!(words(&forecast), " If it goes on, the alarm limit is reached in 5 days at the earliest.");
    (forecast.p10_hours, forecast.p90_hours) = (Some(6.04), Some(30.0));
    assert_eq!(words(&forecast), " If it goes on, the alarm limit is reached in 6 to 30 h.");
    forecast.p10_hours = None;
    assert_eq!(words(&forecast), "", "no number without an interval");
}

#[test]
fn how_earlier_intervals_held_is_said_from_the_fifth_on() {
    let life = |past_intervals, past_intervals_held| RemainingLife {
        forecasts: vec![],
        model: None,
        none_because: None,
        past_intervals,
        past_intervals_held,
        history: None,
    };
    assert_eq!(record_words(&life(4, 4)), None);
    assert_eq!(record_words(&life(12, 9)).as_deref(), Some(" Its earlier intervals held in 9 of 12 cases."));
}

#[test]
fn numbers_have_three_digits_and_units_the_signs_people_read() {
    for (value, text) in [
        (7.1, "7.1"),
        (7.126, "7.13"),
        (9.996, "10"),
        (61.04, "61"),
        (1487.4, "1487"),
        (0.012_34, "0.0123"),
        (0.0, "0"),
        (-3.5, "-3.5"),
        (300.0, "300"),
        (1.0e-5, "1.00e-5"),
        (f64::NAN, "no value"),
    ] {
        assert_eq!(number(value), text);
    }
    for (code, sign) in
        [("Cel", "°C"), ("/min", "rpm"), ("m/s2", "m/s²"), ("m3/h", "m³/h"), ("um", "µm"), ("bar", "bar")]
    {
        assert_eq!(unit_sign(code), sign);
    }
}

#[test]
fn a_condition_is_said_in_a_sentence() {
    let mut condition = Condition {
        site: "north".into(),
        asset: "pump-7".into(),
        at: AT,
        zone: Zone::Warning,
        operating_state: Some("state 2".into()),
        run_hours: 9.0,
        learned: f64::NAN,
        deviation: None,
        thresholds: None,
        open_alerts: vec!["a".into(), "b".into()],
        sensor_faults: vec![("x".into(), "failure".into()), ("y".into(), "failure".into())],
        points: Vec::new(),
        maintenance: None,
        told_by: None,
        message: String::new(),
    };
    assert_eq!(
        condition_message(&condition),
        "Running in state 2 past a warning limit. 2 alerts are open. Sensor at fault: x and 1 more."
    );
    condition.zone = Zone::Learning;
    assert!(condition_message(&condition).starts_with("Learning what is normal: 0 % done."));
    condition.learned = 0.416;
    assert!(condition_message(&condition).starts_with("Learning what is normal: 41 % done."));
}

#[test]
fn text_from_outside_stays_on_one_line_and_short() {
    assert_eq!(plain("a\nb\x1b[2Jc\u{202e}", 40), "a b [2Jc ");
    assert_eq!(plain("abcdef", 4), "abc…");
    assert_eq!(plain("abcd", 4), "abcd");
}

const CHANGES: [Change; 16] = [
    Change::Joined,
    Change::Reminded,
    Change::Raised,
    Change::Escalated,
    Change::Eased,
    Change::Returned,
    Change::Recurred,
    Change::Acknowledged,
    Change::Shelved,
    Change::Unshelved,
    Change::TakenOutOfService,
    Change::ReturnedToService,
    Change::Frozen,
    Change::Thawed,
    Change::Diagnosed,
    Change::Closed,
];

const EVIDENCE: [Evidence; 9] = [
    Evidence::Limit,
    Evidence::Pattern,
    Evidence::Step,
    Evidence::Drift,
    Evidence::NewState,
    Evidence::Stuck,
    Evidence::OutOfRange,
    Evidence::Silent,
    Evidence::NeverSeen,
];

fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![8 => -1e4..1e4, 1 => any::<f64>(), 1 => Just(f64::NAN)]
}

proptest! {
    #[test]
    fn a_message_is_one_line_of_bounded_length(
        change in prop::sample::select(&CHANGES[..]),
        evidence in prop::sample::select(&EVIDENCE[..]),
        known in prop::sample::select(vec!["de-vib", "de-acc", "de-temp", "suction", "?"]),
        name in ".{0,80}",
        (observed, expected, limit) in (any_number(), any_number(), any_number()),
        only_in_state in any::<bool>(),
        own_words in any::<bool>(),
    ) {
        let mut alert = Alert { change, asset: name.clone(), by: Some(name.clone()), ..alert() };
        alert.operating_state = Some(name.clone());
        let lead = &mut alert.contributions[0];
        lead.point = if own_words { name.clone() } else { known.to_owned() };
        (lead.evidence, lead.observed.value) = (evidence, observed);
        lead.expected = Some(Measured { value: expected, unit: name.clone() });
        lead.limit = Some(LimitSource { limit: Measured { value: limit, unit: name.clone() }, source: name });
        let text = message(&alert, &spec(), only_in_state);
        prop_assert!(text.chars().count() <= LONGEST, "{} characters: {text}", text.chars().count());
        prop_assert!(!text.contains(|c: char| c.is_control()), "{text:?}");
        prop_assert!(!text.is_empty());
        if !own_words {
            prop_assert!(!text.contains("NaN") && !text.contains("inf "), "{text}");
        }
    }
}

#[test]
fn thresholds_say_what_they_rest_on() {
    let mut thresholds = Thresholds {
        false_warnings_per_year: 1.0,
        deviation: 4.82,
        step_limit: 6.3,
        drift_significance: 8.4e-5,
        rows: 300,
        independent_rows: 214.0,
        widened: 1.03,
        message: String::new(),
    };
    let said = thresholds_message(&thresholds);
    assert!(said.contains("1 false warning a year") && said.contains("4.8") && said.contains("300 rows"), "{said}");
    assert!(!said.contains("wide"), "three per cent are not worth a word: {said}");
    (thresholds.independent_rows, thresholds.widened) = (8.2, 2.14);
    let said = thresholds_message(&thresholds);
    assert!(said.contains("about 8 independent") && said.contains("2.1 times as wide"), "{said}");
}

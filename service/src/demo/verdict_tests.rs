use super::*;
use crate::advise::document::Change;
use crate::advise::document::tests::alert;

const ABOUT: &str = r#"
site = "s"
start = "2031-03-03T00:00:00Z"
end = "2031-05-02T00:00:00Z"
readings = 1

[[faults]]
asset = "pump"
kind = "bearing-wear"
of_sensor = false
point = "vib"
start = "2031-03-20T00:00:00Z"
[faults.limit]
reaches_alarm_at = "2031-04-19T00:00:00Z"

[[faults]]
asset = "fan"
kind = "stuck-sensor"
of_sensor = true
point = "temp"
start = "2031-03-22T00:00:00Z"

[[outages]]
area = "hall"
start = "2031-03-29T17:40:00Z"
end = "2031-03-29T18:40:00Z"

[[assets]]
name = "pump"
area = "hall"
healthy = false
[[assets]]
name = "fan"
area = "yard"
healthy = false
[[assets]]
name = "mill"
area = "hall"
healthy = true
"#;

fn about() -> About {
    About::parse(ABOUT).expect("it is as the file is")
}

fn at(text: &str) -> EventTime {
    crate::advise::forms::parse_rfc3339(text).expect("a time")
}

fn said(asset: &str, finding: Finding, when: &str, change: Change, severity: Severity) -> Alert {
    let id = format!("s/{asset}/{}/1", finding.key());
    let raised_at = at(when);
    Alert { id, asset: asset.into(), finding, change, severity, worst: severity, at: raised_at, raised_at, ..alert() }
}

#[test]
fn a_fault_is_found_by_its_own_kind_of_finding_and_not_before_it_began() {
    let end = about().end;
    let alerts = [
        said("fan", Finding::Machine, "2031-03-23T00:00:00Z", Change::Raised, Severity::Advisory),
        said("fan", Finding::Sensor("temp".into()), "2031-03-22T06:00:00Z", Change::Raised, Severity::Warning),
        said("pump", Finding::Machine, "2031-03-19T00:00:00Z", Change::Raised, Severity::Advisory),
    ];
    let verdict = judge(&about(), &alerts, &[], end);
    assert_eq!(verdict.faults[0].planted.asset, "pump");
    assert_eq!(verdict.faults[0].found_at(), None, "raised before, and silent since");
    assert_eq!(verdict.faults[1].found_at(), Some(at("2031-03-22T06:00:00Z")));
    let why: Vec<&str> = verdict.unexplained.iter().map(|(_, why)| why.as_str()).collect();
    assert_eq!(why, ["before its fault began", "not about its planted fault (stuck-sensor)"]);
    let text = verdict.to_string();
    assert!(text.contains("NOT FOUND") && text.contains("1 of 2 planted faults found, 2 false reports."), "{text}");
}

#[test]
fn an_episode_that_was_open_counts_from_where_it_grows_worse() {
    let mut worse = said("pump", Finding::Machine, "2031-03-25T00:00:00Z", Change::Escalated, Severity::Alarm);
    worse.raised_at = at("2031-03-19T00:00:00Z");
    let alerts = [said("pump", Finding::Machine, "2031-03-19T00:00:00Z", Change::Raised, Severity::Advisory), worse];
    let verdict = judge(&about(), &alerts, &[], about().end);
    assert_eq!(verdict.faults[0].found_at(), Some(at("2031-03-25T00:00:00Z")));
    assert_eq!(verdict.unexplained.len(), 1, "it is a false report all the same");
}

#[test]
fn silence_is_the_outages_only_in_its_area_and_time() {
    let silence = |asset, when| said(asset, Finding::Silence, when, Change::Raised, Severity::Warning);
    let inside = silence("mill", "2031-03-29T18:10:00Z");
    let elsewhere = silence("fan", "2031-03-29T18:10:00Z");
    let later = Alert { id: "s/mill/silence/2".into(), ..silence("mill", "2031-04-10T00:00:00Z") };
    let verdict = judge(&about(), &[inside, elsewhere, later], &[], about().end);
    assert_eq!(verdict.outages[0].1, ["mill"]);
    assert_eq!(verdict.outages[0].2, 2);
    assert_eq!(verdict.unexplained.len(), 2);
}

#[test]
fn forecasts_are_judged_in_the_last_third_only() {
    let forecast = |when: &str, p10: Option<f64>, p90| Said {
        asset: "pump".into(),
        point: "vib".into(),
        at: at(when),
        p10_hours: p10,
        p90_hours: p90,
    };
    let all = [
        // The last third begins on 9 April; there are 240 hours left on that day.
        forecast("2031-04-08T23:59:00Z", Some(1.0), Some(2.0)),
        forecast("2031-04-09T00:00:00Z", Some(240.0), Some(300.0)),
        forecast("2031-04-10T00:00:00Z", Some(217.0), None),
        forecast("2031-04-11T00:00:00Z", Some(100.0), None),
        forecast("2031-04-12T00:00:00Z", None, None),
        forecast("2031-04-19T00:00:00Z", Some(0.0), Some(1.0)),
    ];
    let verdict = judge(&about(), &[], &all, about().end);
    assert_eq!(verdict.faults[0].forecasts, Some((4, 2)));
    assert_eq!(verdict.faults[1].forecasts, None);
}

#[test]
fn no_line_is_wider_than_the_screen() {
    let mut long = said("mill", Finding::Machine, "2031-03-23T00:00:00Z", Change::Raised, Severity::Advisory);
    long.message = "word ".repeat(60);
    let text = judge(&about(), &[long], &[], about().end).to_string();
    assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
}

//! The first four weeks of the demo, through its own broker to its summary.

use roundsman::advise::document::{Change, Finding};
use roundsman::cli::DemoArgs;
use roundsman::demo::play;
use std::collections::{BTreeMap, BTreeSet};

/// Up to 31 March: the gateway outage and the first three faults are in it.
const DAYS: u16 = 28;

#[test]
fn four_weeks_go_through_the_broker_to_the_summary() {
    let args = DemoArgs { pace: None, port: None, days: Some(DAYS), data: None };
    let outcome = play(&args).unwrap_or_else(|error| panic!("{error}"));
    let text = outcome.to_string();
    println!("{text}");

    // Twelve machines each five minutes, less what dropouts and the outage took.
    let rounds = u64::from(DAYS) * 288 * 12;
    assert!(outcome.messages > rounds * 9 / 10 && outcome.messages <= rounds, "{} of {rounds}", outcome.messages);
    assert!(outcome.readings > outcome.messages * 5, "{} readings", outcome.readings);

    // Each transition came once, and those of one alert in their order.
    let mut revisions: BTreeMap<&str, u32> = BTreeMap::new();
    for alert in &outcome.alerts {
        let last = revisions.entry(&alert.id).or_default();
        assert_eq!(alert.revision, *last + 1, "{}", alert.id);
        *last = alert.revision;
    }

    // An hour without a reading from a whole area: what is said of it depends on no tuning.
    let silent: BTreeSet<&str> = outcome
        .alerts
        .iter()
        .filter(|alert| alert.finding == Finding::Silence && alert.change == Change::Raised)
        .map(|alert| alert.asset.as_str())
        .collect();
    let (_, reported, of) = outcome.verdict.outages.first().expect("the outage is before day 28");
    assert_eq!((reported.len(), silent.len()), (*of, *of), "{silent:?}");

    assert_eq!(outcome.verdict.faults.len() + outcome.verdict.not_reached, 7);
    assert_eq!(outcome.verdict.faults.len(), 3, "vacuum-pump, stock-pump and blower-1 began by then");
    assert!(!outcome.verdict.complete);
    for line in ["What was planted", "misalignment", "gateway of effluent", "False reports", "planted faults found"] {
        assert!(text.contains(line), "{line} is missing");
    }
    assert!(text.lines().all(|line| line.chars().count() <= 100), "a line is wider than 100 columns");
}

#[test]
fn data_that_are_not_there_are_a_fault_that_names_the_place() {
    let args = DemoArgs { pace: None, port: None, days: None, data: Some("/nowhere/quillhaven".into()) };
    let error = play(&args).expect_err("there is no such folder");
    assert_eq!(error.fault().code(), 74);
    assert!(error.to_string().contains("/nowhere/quillhaven/about.toml"), "{error}");
}

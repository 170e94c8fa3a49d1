//! The first five weeks of the demo, through its own broker to its summary.

use roundsman::advise::diagnosis::Basis;
use roundsman::advise::document::{Change, Finding};
use roundsman::cli::DemoArgs;
use roundsman::demo::play;
use roundsman_models::assess::likely_fault::Fault;
use std::collections::{BTreeMap, BTreeSet};

/// Up to 9 April: the gateway outage and the first six faults are in it, and with them both that waveforms tell of.
const DAYS: u16 = 37;

#[test]
fn five_weeks_go_through_the_broker_to_the_summary() {
    let args = DemoArgs { days: Some(DAYS), ..DemoArgs::default() };
    let outcome = play(&args).unwrap_or_else(|error| panic!("{error}"));
    let text = outcome.to_string();
    println!("{text}");

    // Twelve machines each five minutes, less what dropouts and the outage took.
    let rounds = u64::from(DAYS) * 288 * 12;
    let telegrams = outcome.messages - outcome.waveforms;
    assert!(telegrams > rounds * 9 / 10 && telegrams <= rounds, "{telegrams} of {rounds}");
    assert!(outcome.readings > telegrams * 5, "{} readings", outcome.readings);

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
    let (_, reported, of) = outcome.verdict.outages.first().expect("the outage is before day 37");
    assert_eq!((reported.len(), silent.len()), (*of, *of), "{silent:?}");

    assert_eq!(outcome.verdict.faults.len() + outcome.verdict.not_reached, 7);
    assert_eq!(outcome.verdict.faults.len(), 6, "steam-turbine begins later");

    // The plant was asked for waveforms and sent them; alerts name what is in them, the summary too.
    assert!(outcome.waveforms >= 6, "{} waveforms", outcome.waveforms);
    for (asset, fault, words) in [
        ("id-fan", Fault::Imbalance, "likely imbalance"),
        ("stock-pump", Fault::BearingOuter, "likely bearing defect, outer race"),
    ] {
        let named = outcome.alerts.iter().filter(|alert| alert.asset == asset).find_map(|alert| {
            let likely = alert.likely_fault.as_ref().filter(|likely| likely.basis == Basis::Waveform)?;
            likely.named().map(|explanation| (explanation.fault, alert.message.clone()))
        });
        let (got, message) = named.unwrap_or_else(|| panic!("no alert of {asset} names a fault by its waveforms"));
        assert_eq!(got, fault, "{asset}: {message}");
        assert!(message.contains(words) && text.contains(words), "{asset}: {message}");
    }
    assert!(!outcome.verdict.complete);
    for line in ["What was planted", "misalignment", "gateway of effluent", "False reports", "planted faults found"] {
        assert!(text.contains(line), "{line} is missing");
    }
    assert!(text.lines().all(|line| line.chars().count() <= 100), "a line is wider than 100 columns");
}

#[test]
fn data_that_are_not_there_are_a_fault_that_names_the_place() {
    let args = DemoArgs { data: Some("/nowhere/quillhaven".into()), ..DemoArgs::default() };
    let error = play(&args).expect_err("there is no such folder");
    assert_eq!(error.fault().code(), 74);
    assert!(error.to_string().contains("/nowhere/quillhaven/about.toml"), "{error}");
}

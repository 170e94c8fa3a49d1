//! The false-alarm budget on simulated healthy machines, some years of each kind. Two hundred machine-years of each, and
//! the delays beside published ones: `cargo bench -p roundsman --bench budget`.

#[path = "support/healthy.rs"]
mod healthy;

use healthy::{Added, Came, Kind, a_year, play};
use roundsman::asset::settings::Settings;
use std::sync::Arc;

/// Machine-years of each kind: together enough that twice the budget is no accident.
const YEARS: u64 = 4;

/// Source: the budget itself; with 24 expected, more than 48 come by chance once in 10,000 (Poisson).
#[test]
fn healthy_machines_keep_to_the_budget() {
    let settings = Arc::new(Settings::default());
    let budget = settings.detect.false_warnings_per_year;
    let (mut years, mut warnings, mut alarms) = (0.0, 0, 0);
    println!("\n| kind | machine-years | false warnings | false alarms |\n|---|---|---|---|");
    for kind in Kind::ALL {
        let came: Vec<Came> =
            (0..YEARS).map(|seed| play(kind, Added::Nothing, 1000 + seed, a_year(), &settings)).collect();
        let (y, w, a) = came.iter().fold((0.0, 0, 0), |(y, w, a), c| (y + c.years, w + c.warnings, a + c.alarms));
        println!("| {} | {y:.1} | {w} | {a} |", kind.name());
        (years, warnings, alarms) = (years + y, warnings + w, alarms + a);
    }
    assert!(f64::from(warnings) <= 2.0 * budget * years, "{warnings} false warnings in {years:.1} machine-years");
    assert!(f64::from(alarms) <= 0.2 * budget * years + 4.0, "{alarms} false alarms in {years:.1} machine-years");
}

/// What must be found, and by when: sizes at which a running mean of ten is five or ten of its own deviations away.
#[test]
fn steps_are_found_within_hours() {
    let settings = Arc::new(Settings::default());
    for (size, hours) in [(2.0, 12.0), (4.0, 3.0)] {
        let found: Vec<u64> = (0..8)
            .filter_map(|seed| play(Kind::Normal, Added::Step(size), 2000 + seed, 8 * 288, &settings).delay)
            .collect();
        assert!(found.len() >= 7, "{size} standard deviations: {} of 8 found", found.len());
        let mean = found.iter().sum::<u64>() as f64 / found.len() as f64 / 12.0;
        assert!(mean <= hours, "{size} standard deviations: found after {mean:.1} h");
    }
}

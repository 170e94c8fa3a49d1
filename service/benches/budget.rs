//! The false-alarm budget kept or not, and what it costs in delay:
//! `cargo bench -p roundsman --bench budget -- [--years 200]`.
//!
//! Simulated healthy machines of every kind for so many machine-years each through the whole engine with its default
//! settings; then steps and slow drifts on 60 machines of each kind, beside a plain 3-sigma rule and beside the best
//! CUSUM on independent normal readings for the same budget, whose delays are exact ([`roundsman_models::detect::arl`],
//! which is held to published tables). Years, not seconds: not divan.

#[path = "../../tests/support/healthy.rs"]
mod healthy;

use healthy::{Added, Came, Kind, PER_DAY, a_year, play};
use roundsman::asset::settings::Settings;
use roundsman_models::detect::arl;
use roundsman_models::detect::tail::normal_cdf;
use std::sync::Arc;

/// The least that tells a budget of one a year from half or twice of it.
const YEARS: u64 = 200;
/// Machines for each delay: good to some per cent.
const MACHINES: u64 = 60;
const STEPS: [f64; 3] = [1.0, 2.0, 4.0];
/// Standard deviations a day.
const DRIFTS: [f64; 2] = [0.1, 0.5];

fn main() {
    if std::env::args().any(|a| a == "--test" || a == "--list") || !std::env::args().any(|a| a == "--bench") {
        return;
    }
    let mut args = std::env::args().skip_while(|a| a != "--years").skip(1);
    let years = args.next().and_then(|n| n.parse().ok()).unwrap_or(YEARS);
    let settings = Arc::new(Settings::default());
    let budget = settings.detect.false_warnings_per_year;
    println!("budget: {budget} false warnings per machine and year, {} false alarms", 0.1 * budget);
    println!("| kind | machine-years | false warnings a year | false alarms a year | within a factor of 2 |");
    println!("|---|---|---|---|---|");
    for kind in Kind::ALL {
        let came = machines(years, |seed| play(kind, Added::Nothing, seed, a_year(), &settings));
        let total = came.iter().fold((0.0, 0, 0), |(y, w, a), c| (y + c.years, w + c.warnings, a + c.alarms));
        let (rate, alarms) = (f64::from(total.1) / total.0, f64::from(total.2) / total.0);
        let kept = rate >= 0.5 * budget && rate <= 2.0 * budget;
        let word = if kept {
            "yes"
        } else if rate < budget {
            "fewer"
        } else {
            "more"
        };
        println!("| {} | {:.1} | {rate:.2} | {alarms:.3} | {word} |", kind.name(), total.0);
    }

    println!("\n| kind | what is added | found | mean delay, snapshots | median | worst |");
    println!("|---|---|---|---|---|---|");
    for kind in Kind::ALL {
        let added = STEPS.map(Added::Step).into_iter().chain(DRIFTS.map(Added::Drift));
        for added in added {
            let most = if matches!(added, Added::Step(_)) { 30 * PER_DAY } else { 90 * PER_DAY };
            let came = machines(MACHINES, |seed| play(kind, added, 500_000 + seed, 1204 + most, &settings));
            let mut delays: Vec<u64> = came.iter().filter_map(|c| c.delay).collect();
            delays.sort_unstable();
            let mean = delays.iter().sum::<u64>() as f64 / delays.len().max(1) as f64;
            let (median, worst) = (delays.get(delays.len() / 2), delays.last());
            let show = |d: Option<&u64>| d.map_or_else(|| "-".into(), ToString::to_string);
            println!(
                "| {} | {added:?} σ | {} of {MACHINES} | {mean:.0} | {} | {} |",
                kind.name(),
                delays.len(),
                show(median),
                show(worst)
            );
        }
    }

    let snapshots = 365.25 * PER_DAY as f64;
    println!("\nFor scale, one point with independent normal readings:");
    println!("| rule | false signals a year | mean delay at 1 σ | 2 σ | 4 σ |\n|---|---|---|---|---|");
    let beyond = |shift: f64| 1.0 - normal_cdf(3.0 - shift) + normal_cdf(-3.0 - shift);
    let [one, two, four] = STEPS.map(|s| 1.0 / beyond(s));
    println!("| one reading beyond 3 σ | {:.0} | {one:.1} | {two:.1} | {four:.1} |", beyond(0.0) * snapshots);
    for shift in STEPS {
        let k = shift / 2.0;
        let h = arl::limit_for_arl(k, snapshots / budget).expect("in range");
        let [one, two, four] = STEPS.map(|s| arl::average_run_length(k, h, s).expect("in range"));
        println!("| CUSUM best for {shift} σ (h {h:.1}) | {budget} | {one:.1} | {two:.1} | {four:.1} |");
    }
}

/// Machines of this many seeds, on two threads; in the order of their seeds.
fn machines(count: u64, of: impl Fn(u64) -> Came + Sync) -> Vec<Came> {
    let half = |odd: u64| (0..count).filter(move |n| n % 2 == odd).map(&of).collect::<Vec<_>>();
    std::thread::scope(|scope| {
        let other = scope.spawn(|| half(1));
        let mut all = half(0);
        all.extend(other.join().expect("no machine panics"));
        all
    })
}

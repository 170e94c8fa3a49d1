//! Cost of one forecast: once per block and drifting point, so microseconds, not nanoseconds, are fine.

use divan::{Bencher, black_box};
use roundsman_models::prognose::{RemainingParams, Side, Target, forecast};
use roundsman_models::{EventTime, Reading};

fn main() {
    divan::main();
}

/// The fewest blocks a forecast takes, a week, the usual bound, and the most the service keeps.
const BLOCKS: [usize; 4] = [12, 64, 200, 256];

/// Accelerating wear with a fixed ripple for noise; `jitter_secs` makes the spacing uneven.
fn blocks(n: usize, jitter_secs: f64) -> Vec<Reading> {
    (0..n)
        .map(|i| {
            let passed = i as f64 / n as f64;
            let ripple = ((i * 7919) % 101) as f64 / 101.0 - 0.5;
            let at = EventTime(0).plus_secs(3600.0 * i as f64 + jitter_secs * ripple);
            Reading { at, value: 2.0 + 0.1 * (3.0 * passed).exp() + 0.2 * ripple }
        })
        .collect()
}

fn bench(bencher: Bencher, blocks: &[Reading], limits: &[f64]) {
    let params = RemainingParams::default().check().expect("defaults are in range");
    let now = blocks.last().map_or(EventTime(0), |b| b.at);
    let targets: Vec<Target> = limits.iter().map(|&limit| Target::exact(limit, Side::Upper)).collect();
    assert!(forecast(blocks, now, &targets, None, &params).is_ok());
    bencher.bench(|| forecast(black_box(blocks), now, black_box(&targets), None, &params));
}

#[divan::bench(args = BLOCKS)]
fn one_limit(bencher: Bencher, n: usize) {
    bench(bencher, &blocks(n, 0.0), &[5.0]);
}

#[divan::bench(args = BLOCKS)]
fn three_limits(bencher: Bencher, n: usize) {
    bench(bencher, &blocks(n, 0.0), &[4.5, 5.0, 7.0]);
}

#[divan::bench(args = BLOCKS)]
fn uneven_spacing(bencher: Bencher, n: usize) {
    bench(bencher, &blocks(n, 600.0), &[5.0]);
}

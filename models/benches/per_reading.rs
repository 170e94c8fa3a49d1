//! Cost of one update per block; `cargo bench -p roundsman-models`. Allocations are counted and shown beside the times:
//! in steady state there must be none.

use divan::counter::ItemsCount;
use divan::{AllocProfiler, Bencher, black_box};

#[global_allocator]
static ALLOCATIONS: AllocProfiler = AllocProfiler::system();

/// Readings per sample: long against the clock's grain, short enough to stay in the first-level cache.
const READINGS: usize = 1200;

fn main() {
    divan::main();
}

/// A wave with a trickle of disorder, the same every time: no generator, no seed.
fn values() -> Vec<f64> {
    (0..READINGS).map(|i| (i as f64 * 0.7).sin() + (i as f64 * 0.618_033_988_749_894_9).fract()).collect()
}

mod manipulate {
    use super::*;
    use roundsman_models::manipulate::{
        AlignParams, Aligner, Ewma, EwmaParams, Moments, QuantileSketch, RateOfChange, RateParams, RollingMedian,
        ThinParams, ThinnedRows, WindowParams, robust,
    };
    use roundsman_models::{EventTime, Reading};

    /// One reading a second.
    fn readings() -> Vec<Reading> {
        let of = |(i, value)| Reading { at: EventTime(i as i64 * 1_000_000), value };
        values().into_iter().enumerate().map(of).collect()
    }

    /// Six points: what a pump has (bar of the whole replay is set at six as well). Time goes on from sample to sample.
    fn align(bencher: Bencher, allowed_lateness_secs: f64) {
        const POINTS: u16 = 6;
        let params = AlignParams { cadence_secs: Some(300.0), allowed_lateness_secs, ..AlignParams::default() };
        let mut aligner = Aligner::new(params.check().expect("in range"));
        aligner.ensure_points(POINTS);
        let (values, mut at, mut snapshot) = (values(), 0, Vec::with_capacity(usize::from(POINTS)));
        bencher.counter(ItemsCount::new(READINGS)).bench_local(|| {
            for (i, &value) in values.iter().enumerate() {
                let point = (i % usize::from(POINTS)) as u16;
                if point == 0 {
                    at += 300_000_000;
                }
                black_box(aligner.push(point, EventTime(at), value, &mut |view| {
                    view.values_into(&mut snapshot);
                    black_box(&snapshot);
                }));
            }
        });
    }

    #[divan::bench]
    fn align_six_points_in_order(bencher: Bencher) {
        align(bencher, 0.0);
    }

    #[divan::bench]
    fn align_six_points_lateness_two_cadences(bencher: Bencher) {
        align(bencher, 600.0);
    }

    #[divan::bench]
    fn moments(bencher: Bencher) {
        let (values, mut state) = (values(), Moments::new());
        bencher.counter(ItemsCount::new(READINGS)).bench_local(|| {
            values.iter().for_each(|&v| {
                black_box(state.update(v));
            });
        });
    }

    #[divan::bench]
    fn ewma(bencher: Bencher) {
        let params = EwmaParams { time_constant_secs: 3600.0 }.check().expect("in range");
        let readings = readings();
        bencher.counter(ItemsCount::new(READINGS)).with_inputs(|| Ewma::new(params)).bench_local_values(|mut state| {
            readings.iter().for_each(|&r| {
                black_box(state.update(r));
            });
        });
    }

    #[divan::bench]
    fn quantile_sketch(bencher: Bencher) {
        let (values, mut state) = (values(), QuantileSketch::new());
        bencher.counter(ItemsCount::new(READINGS)).bench_local(|| {
            values.iter().for_each(|&v| {
                black_box(state.update(v));
            });
        });
    }

    #[divan::bench(args = [8, 64])]
    fn rolling_median_and_mad(bencher: Bencher, length: usize) {
        let params = WindowParams { length }.check().expect("in range");
        let (values, mut state) = (values(), RollingMedian::new(params));
        bencher.counter(ItemsCount::new(READINGS)).bench_local(|| {
            values.iter().for_each(|&v| {
                state.update(v);
                black_box(state.centre());
            });
        });
    }

    #[divan::bench]
    fn rate_of_change(bencher: Bencher) {
        let params = RateParams { window_secs: 60.0 }.check().expect("in range");
        let readings = readings();
        bencher.counter(ItemsCount::new(READINGS)).with_inputs(|| RateOfChange::new(params)).bench_local_values(
            |mut state| {
                readings.iter().for_each(|&r| {
                    black_box(state.update(r));
                });
            },
        );
    }

    #[divan::bench]
    fn thinned_rows_of_six(bencher: Bencher) {
        let params = ThinParams { capacity: 256, columns: 6 }.check().expect("in range");
        let (values, mut at, mut state) = (values(), 0, ThinnedRows::new(params));
        let row: Vec<f32> = values.iter().take(6).map(|&v| v as f32).collect();
        bencher.counter(ItemsCount::new(READINGS)).bench_local(|| {
            for _ in 0..READINGS {
                at += 1;
                black_box(state.push(EventTime(at), &row));
            }
        });
    }

    #[divan::bench(args = [30, 300])]
    fn location_and_scale(bencher: Bencher, length: usize) {
        let (values, mut scratch) = (values(), Vec::with_capacity(length));
        let some = &values[..length];
        bencher.counter(ItemsCount::new(length)).bench_local(|| robust::location_scale(black_box(some), &mut scratch));
    }
}

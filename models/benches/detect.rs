//! Cost of one update of each detector, and of learning. Build the data outside the timed part; seeds are fixed.

use divan::{Bencher, black_box};
use ndarray::Array2;
use roundsman_models::detect::cusum::{Cusum, CusumParams};
use roundsman_models::detect::mixture::{Mixture, MixtureParams};
use roundsman_models::detect::pca::{Pca, PcaParams, PcaScratch, Statistic};
use roundsman_models::detect::regression::{Regression, RegressionParams};
use roundsman_models::detect::tail::{chi2_deviate, chi2_score};
use roundsman_models::detect::trend_test::{TrendScratch, trend_test};
use roundsman_models::{EventTime, Reading};

/// 25 hours at 5 minutes: what a baseline is learned from.
const LEARNED_ROWS: usize = 300;
/// Points of a machine.
const POINTS: usize = 6;
/// Readings in one timed pass.
const READINGS: usize = 1000;

fn main() {
    divan::main();
}

/// Rows that share a cause, with noise; xorshift with a fixed seed.
fn rows(n: usize, p: usize) -> Array2<f64> {
    let mut state = 0x9e37_79b9_7f4a_7c15_u64;
    let mut noise = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5
    };
    let mut rows = Array2::zeros((n, p));
    for mut row in rows.rows_mut() {
        let cause = noise() * 4.0;
        row.iter_mut().enumerate().for_each(|(j, v)| *v = cause * (1.0 + j as f64) + noise());
    }
    rows
}

mod per_reading {
    use super::*;

    #[divan::bench]
    fn cusum(bencher: Bencher) {
        let z: Vec<f64> = rows(READINGS, 1).iter().copied().collect();
        let mut cusum = Cusum::new(CusumParams::default().check().expect("defaults"));
        bencher.counter(divan::counter::ItemsCount::new(READINGS)).bench_local(|| {
            for (i, &value) in z.iter().enumerate() {
                black_box(cusum.update(Reading { at: EventTime(i as i64), value }));
            }
        });
    }

    #[divan::bench]
    fn regression(bencher: Bencher) {
        let x = rows(READINGS, 3);
        let y: Vec<f64> = x.rows().into_iter().map(|r| r[0] + 2.0 * r[1] - r[2]).collect();
        let model = Regression::fit(x.view(), &y, RegressionParams::default().check().expect("defaults"));
        let flat: Vec<f64> = x.iter().copied().collect();
        bencher.counter(divan::counter::ItemsCount::new(READINGS)).bench_local(|| {
            for row in flat.chunks_exact(3) {
                black_box(model.predict(row));
            }
        });
    }
}

mod per_snapshot {
    use super::*;

    #[divan::bench(args = [false, true])]
    fn pca_deviation_and_shares(bencher: Bencher, one_missing: bool) {
        let model = Pca::fit(rows(LEARNED_ROWS, POINTS).view(), PcaParams::default().check().expect("defaults"))
            .expect("rows vary");
        let mut flat: Vec<f64> = rows(READINGS, POINTS).iter().copied().collect();
        if one_missing {
            flat.iter_mut().step_by(POINTS).for_each(|v| *v = f64::NAN);
        }
        let mut scratch = PcaScratch::default();
        let mut shares = [0.0; POINTS];
        bencher.counter(divan::counter::ItemsCount::new(READINGS)).bench_local(|| {
            for row in flat.chunks_exact(POINTS) {
                if let Some(scored) = model.score(row, &mut scratch) {
                    black_box(model.deviation(scored));
                    model.shares(&scratch, Statistic::Combined, &mut shares);
                    black_box(&shares);
                }
            }
        });
    }

    #[divan::bench]
    fn mixture_assignment(bencher: Bencher) {
        let mut learned = rows(LEARNED_ROWS, 2);
        learned.rows_mut().into_iter().step_by(2).for_each(|mut row| row[0] += 50.0);
        let model = Mixture::fit(learned.view(), MixtureParams::default().check().expect("defaults")).expect("rows");
        let flat: Vec<f64> = rows(READINGS, 2).iter().copied().collect();
        bencher.counter(divan::counter::ItemsCount::new(READINGS)).bench_local(|| {
            for row in flat.chunks_exact(2) {
                black_box(model.assign(row));
            }
        });
    }
}

mod score_of_chi_square {
    use super::*;

    fn values() -> Vec<f64> {
        (0..READINGS).map(|i| i as f64 * 0.06).collect()
    }

    #[divan::bench]
    fn two_sided(bencher: Bencher) {
        let values = values();
        bencher
            .counter(divan::counter::ItemsCount::new(READINGS))
            .bench_local(|| values.iter().map(|x| chi2_score(black_box(*x), 5.5)).sum::<f64>());
    }

    #[divan::bench]
    fn one_sided_by_expansion(bencher: Bencher) {
        let values = values();
        bencher
            .counter(divan::counter::ItemsCount::new(READINGS))
            .bench_local(|| values.iter().map(|x| chi2_deviate(black_box(*x), 5.5)).sum::<f64>());
    }
}

mod seldom {
    use super::*;

    #[divan::bench(args = [60, 200, 400])]
    fn trend(bencher: Bencher, n: usize) {
        let y: Vec<f64> = rows(n, 1).iter().copied().collect();
        let t: Vec<f64> = (0..n).map(|i| i as f64).collect();
        let mut scratch = TrendScratch::default();
        bencher.bench_local(|| black_box(trend_test(&t, &y, 0.95, true, &mut scratch)));
    }

    #[divan::bench]
    fn learn_pca(bencher: Bencher) {
        let rows = rows(LEARNED_ROWS, POINTS);
        let params = PcaParams::default().check().expect("defaults");
        bencher.bench_local(|| black_box(Pca::fit(rows.view(), params)));
    }

    #[divan::bench]
    fn learn_regression(bencher: Bencher) {
        let x = rows(LEARNED_ROWS, 3);
        let y: Vec<f64> = rows(LEARNED_ROWS, 1).iter().copied().collect();
        let params = RegressionParams::default().check().expect("defaults");
        bencher.bench_local(|| black_box(Regression::fit(x.view(), &y, params)));
    }

    /// Worst and usual case: one smooth hump that every number of components crawls over; two separate states.
    #[divan::bench(args = [1, 2], sample_count = 10)]
    fn learn_mixture(bencher: Bencher, states: usize) {
        let mut rows = rows(LEARNED_ROWS, 2);
        rows.rows_mut().into_iter().step_by(2).for_each(|mut row| row[0] += 50.0 * (states - 1) as f64);
        let params = MixtureParams::default().check().expect("defaults");
        bencher.bench_local(|| black_box(Mixture::fit(rows.view(), params)));
    }

    #[divan::bench]
    fn run_length_design(bencher: Bencher) {
        bencher.bench_local(|| black_box(roundsman_models::detect::arl::limit_for_arl(0.5, 10_000.0)));
    }
}

//! Laws of the rolling statistics.

use super::{BAD, stored};
use proptest::prelude::*;
use roundsman_models::manipulate::{
    Ewma, EwmaParams, Moments, QuantileSketch, RateOfChange, RateParams, RollingMedian, ThinParams, ThinnedRows,
    WindowParams, robust,
};
use roundsman_models::{EventTime, Reading};
use serde::{Serialize, de::DeserializeOwned};
use std::fmt::Debug;

/// Readings in time order, gaps from a microsecond to half an hour.
fn readings() -> impl Strategy<Value = Vec<Reading>> {
    prop::collection::vec((1i64..1_800_000_000, -1e4..1e4f64), 1..200).prop_map(|steps| {
        let mut at = 1_700_000_000_000_000;
        steps
            .into_iter()
            .map(|(gap, value)| {
                at += gap;
                Reading { at: EventTime(at), value }
            })
            .collect()
    })
}

/// Both laws at once: cut anywhere, with bad readings in between, must equal straight through.
fn holds<S>(new: impl Fn() -> S, step: impl Fn(&mut S, Reading), readings: &[Reading], cut: usize)
where
    S: Serialize + DeserializeOwned + PartialEq + Debug,
{
    let cut = cut % readings.len();
    let (mut straight, mut resumed) = (new(), new());
    for (i, &reading) in readings.iter().enumerate() {
        step(&mut straight, reading);
        if i == cut {
            resumed = stored(&resumed);
            for value in BAD {
                let before = stored(&resumed);
                step(&mut resumed, Reading { value, ..reading });
                assert_eq!(resumed, before, "{value} changed the state");
            }
        }
        step(&mut resumed, reading);
    }
    // Through the binary form: bit for bit, not merely equal.
    assert_eq!(postcard::to_stdvec(&straight), postcard::to_stdvec(&resumed));
    let text = serde_json::to_string(&straight).expect("formats for people take it too");
    serde_json::from_str::<S>(&text).expect("and give it back");
}

proptest! {
    #[test]
    fn every_statistic_resumes_and_ignores_bad_input(readings in readings(), cut in any::<prop::sample::Index>()) {
        let cut = cut.index(readings.len());
        holds(Moments::new, |s, r| { s.update(r.value); }, &readings, cut);
        holds(QuantileSketch::new, |s, r| { s.update(r.value); }, &readings, cut);
        let ewma = EwmaParams { time_constant_secs: 3600.0 }.check().expect("in range");
        holds(|| Ewma::new(ewma), |s, r| { s.update(r); }, &readings, cut);
        let window = WindowParams { length: 7 }.check().expect("in range");
        holds(|| RollingMedian::new(window), |s, r| { s.update(r.value); }, &readings, cut);
        let rate = RateParams { window_secs: 7200.0 }.check().expect("in range");
        holds(|| RateOfChange::new(rate), |s, r| { s.update(r); }, &readings, cut);
    }

    /// Here a value that is not finite is a missing cell, so only resuming is asked for.
    #[test]
    fn thinned_rows_resume(readings in readings(), capacity in 2usize..40, cut in any::<prop::sample::Index>()) {
        let cut = cut.index(readings.len());
        let params = ThinParams { capacity, columns: 3 }.check().expect("in range");
        let (mut straight, mut resumed) = (ThinnedRows::new(params), ThinnedRows::new(params));
        for (i, r) in readings.iter().enumerate() {
            let row = [r.value as f32, f32::NAN, if i % 3 == 0 { f32::INFINITY } else { 1.0 }];
            straight.push(r.at, &row);
            if i == cut {
                resumed = stored(&resumed);
                let text = serde_json::to_string(&resumed).expect("missing cells are null");
                prop_assert_eq!(&serde_json::from_str::<ThinnedRows>(&text).expect("and come back"), &resumed);
            }
            resumed.push(r.at, &row);
        }
        prop_assert_eq!(straight, resumed);
    }

    /// Tolerance: rounding of 400 additions (1e-13 of each sum), times the 1e4 or so that a mean 170 standard deviations
    /// from zero costs the central sums.
    #[test]
    fn merged_moments_equal_one_chain(
        values in prop::collection::vec(-1e3..1e3f64, 0..400),
        offset in prop::sample::select(vec![0.0, 1e3, 1e5]),
        cut in any::<prop::sample::Index>(),
    ) {
        let values: Vec<f64> = values.into_iter().map(|v| v + offset).collect();
        let cut = cut.index(values.len() + 1);
        let of = |part: &[f64]| {
            let mut moments = Moments::new();
            part.iter().for_each(|&v| { moments.update(v); });
            moments
        };
        let (chain, mut merged) = (of(&values), of(&values[..cut]));
        merged.merge(&of(&values[cut..]));
        prop_assert_eq!((chain.count(), chain.min(), chain.max()), (merged.count(), merged.min(), merged.max()));
        let near = |a: Option<f64>, b: Option<f64>, scale: f64| match (a, b) {
            (Some(a), Some(b)) => (a - b).abs() <= 1e-9 * scale.max(b.abs()),
            (a, b) => a.is_none() == b.is_none(),
        };
        prop_assert!(near(chain.mean(), merged.mean(), 1.0));
        prop_assert!(near(chain.variance(), merged.variance(), 1e-3));
        prop_assert!(near(chain.skewness(), merged.skewness(), 1.0), "{:?} {:?}", chain.skewness(), merged.skewness());
        prop_assert!(near(chain.kurtosis(), merged.kurtosis(), 1.0), "{:?} {:?}", chain.kurtosis(), merged.kurtosis());
    }

    /// A change of unit by a power of two changes nothing but the exponent: to the last bit.
    #[test]
    fn robust_location_and_scale_follow_the_unit(values in prop::collection::vec(-1e4..1e4f64, 1..80)) {
        let mut scratch = Vec::new();
        let (location, scale) = robust::location_scale(&values, &mut scratch).expect("not empty");
        let other: Vec<f64> = values.iter().map(|v| v * -8.0).collect();
        prop_assert_eq!(robust::location_scale(&other, &mut scratch), Some((location * -8.0, scale * 8.0)));
    }
}

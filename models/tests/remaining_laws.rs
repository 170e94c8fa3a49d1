//! What every forecast obeys, whatever the machine; and each reason there is for none.

use proptest::prelude::*;
use roundsman_models::prognose::{
    CheckedRemaining, DegradationModel, NoForecast, RemainingLife, RemainingParams, Side, Target, TimeToLimit, forecast,
};
use roundsman_models::{EventTime, Reading};

fn checked(params: RemainingParams) -> CheckedRemaining {
    params.check().expect("in range")
}

fn defaults() -> CheckedRemaining {
    checked(RemainingParams::default())
}

fn upper(limit: f64) -> Target {
    Target::exact(limit, Side::Upper)
}

fn lower(limit: f64) -> Target {
    Target::exact(limit, Side::Lower)
}

/// Uniform on −1 … 1 from a multiplicative generator written out here: the same on every machine.
fn noise(seed: u64) -> impl FnMut() -> f64 {
    let mut state = seed.wrapping_mul(2).wrapping_add(1);
    move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    }
}

/// Blocks every `step_hours` with value `level(i)` and uniform noise.
fn series(n: usize, step_hours: f64, amplitude: f64, seed: u64, level: impl Fn(f64) -> f64) -> Vec<Reading> {
    let mut noise = noise(seed);
    (0..n)
        .map(|i| Reading {
            at: EventTime(1_700_000_000_000_000).plus_secs(step_hours * 3600.0 * i as f64),
            value: level(i as f64) + amplitude * noise(),
        })
        .collect()
}

/// Flat at 2 for 40 blocks, then up to `rise` more over 100.
fn wearing(step_hours: f64, amplitude: f64, rise: f64, seed: u64) -> Vec<Reading> {
    series(140, step_hours, amplitude, seed, |i| 2.0 + rise * (i - 40.0).max(0.0) / 100.0)
}

fn last(blocks: &[Reading]) -> EventTime {
    blocks.iter().map(|b| b.at).max().expect("blocks")
}

fn life(blocks: &[Reading], target: Target) -> Result<RemainingLife, NoForecast> {
    forecast(blocks, last(blocks), &[target], None, &defaults())
}

fn time(blocks: &[Reading], target: Target) -> TimeToLimit {
    life(blocks, target).and_then(|l| l.targets[0].time).unwrap_or_else(|why| panic!("{why}"))
}

/// Quantiles are found to 1e-4.
fn alike(a: TimeToLimit, b: TimeToLimit, factor: f64) {
    let pairs = [
        (a.p10_hours, b.p10_hours),
        (a.p50_hours, b.p50_hours),
        (a.p90_hours.expect("p90"), b.p90_hours.expect("p90")),
    ];
    for (a, b) in pairs {
        assert!((a * factor - b).abs() <= 1e-3 * b, "{a} × {factor} against {b}");
    }
}

#[test]
fn a_straight_line_is_continued() {
    let blocks = wearing(1.0, 0.01, 1.0, 1);
    let got = life(&blocks, upper(3.3)).expect("a clear trend");
    assert_eq!(got.model, DegradationModel::Linear);
    let time = got.targets[0].time.expect("near");
    // 0.01 per hour, 0.31 to go from the last block.
    assert!((time.p50_hours - 31.0).abs() < 3.0, "{time:?}");
    assert!(time.p10_hours > 20.0 && time.p90_hours.is_some_and(|p90| p90 < 45.0), "{time:?}");
    assert!((got.degradation.healthy - 2.0).abs() < 0.02 && (got.degradation.rise - 1.0).abs() < 0.1);
    assert!(got.degradation.onset.hours_since(blocks[40].at).abs() < 12.0);
}

#[test]
fn exponential_growth_is_continued() {
    // 2 + 0.02 exp(0.03 h): from 1.31 above the foot at 139.5 h to 3 above it at ln(150)/0.03 = 167.0 h.
    let blocks = series(140, 1.0, 0.01, 2, |h| 2.0 + 0.02 * (0.03 * h).exp());
    let got = life(&blocks, upper(5.0)).expect("a clear trend");
    assert_eq!(got.model, DegradationModel::Exponential);
    let time = got.targets[0].time.expect("near");
    assert!((time.p50_hours - 28.0).abs() < 2.0, "{time:?}");
}

#[test]
fn a_longer_step_scales_the_hours() {
    let horizon = |hours| checked(RemainingParams { horizon_hours: hours, ..RemainingParams::default() });
    let (hourly, daily) = (wearing(1.0, 0.1, 1.0, 3), wearing(24.0, 0.1, 1.0, 3));
    let in_hours = forecast(&hourly, last(&hourly), &[upper(3.5)], None, &horizon(1000.0)).expect("trend");
    let in_days = forecast(&daily, last(&daily), &[upper(3.5)], None, &horizon(24_000.0)).expect("trend");
    alike(in_hours.targets[0].time.expect("near"), in_days.targets[0].time.expect("near"), 24.0);
}

#[test]
fn the_unit_of_the_value_does_not_matter_and_a_fall_mirrors_a_rise() {
    let blocks = wearing(1.0, 0.1, 1.0, 4);
    let wanted = time(&blocks, upper(3.5));
    for (factor, offset) in [(25.4, 0.0), (1e-6, 0.0), (1.8, 32.0), (1e9, -7.0)] {
        let other: Vec<_> = blocks.iter().map(|b| Reading { at: b.at, value: b.value * factor + offset }).collect();
        alike(wanted, time(&other, upper(3.5 * factor + offset)), 1.0);
    }
    let mirrored: Vec<_> = blocks.iter().map(|b| Reading { at: b.at, value: -b.value }).collect();
    alike(wanted, time(&mirrored, lower(-3.5)), 1.0);
}

#[test]
fn more_noise_never_narrows_the_interval_on_average() {
    let width = |amplitude: f64| -> f64 {
        let widths = (0..60).map(|seed| {
            let t = time(&wearing(1.0, amplitude, 1.0, seed), upper(3.3));
            (t.p90_hours.expect("near") / t.p10_hours).ln()
        });
        widths.sum::<f64>() / 60.0
    };
    let widths: Vec<f64> = [0.02, 0.05, 0.1, 0.2, 0.3].into_iter().map(width).collect();
    assert!(widths.is_sorted(), "{widths:?}");
    assert!(widths[4] > 2.0 * widths[0], "{widths:?}");
}

#[test]
fn order_and_not_finite_blocks_change_nothing() {
    let blocks = wearing(1.0, 0.1, 1.0, 5);
    let wanted = life(&blocks, upper(3.5));
    let mut mixed: Vec<Reading> = blocks.iter().rev().copied().collect();
    for (i, value) in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY].into_iter().enumerate() {
        mixed.insert(7 * i, Reading { at: blocks[20 + i].at.plus_secs(60.0), value });
    }
    // Blocks after "now" are not known yet.
    mixed.push(Reading { at: last(&blocks).plus_secs(3600.0), value: 90.0 });
    assert_eq!(forecast(&mixed, last(&blocks), &[upper(3.5)], None, &defaults()), wanted);
}

#[test]
fn a_later_now_leaves_less() {
    let blocks = wearing(1.0, 0.02, 1.0, 6);
    let at = |hours: f64| {
        let now = last(&blocks).plus_secs(3600.0 * hours);
        let got = forecast(&blocks, now, &[upper(3.6)], None, &defaults()).expect("trend");
        got.targets[0].time.expect("near").p50_hours
    };
    assert!((at(0.0) - at(10.0) - 10.0).abs() < 0.5, "{} {}", at(0.0), at(10.0));
}

#[test]
fn a_right_hint_and_a_search_agree() {
    let blocks = wearing(1.0, 0.1, 1.0, 7);
    let hinted = forecast(&blocks, last(&blocks), &[upper(3.5)], Some(blocks[42].at), &defaults()).expect("trend");
    let (hinted, found) = (hinted.targets[0].time.expect("near"), time(&blocks, upper(3.5)));
    assert!((hinted.p50_hours / found.p50_hours).ln().abs() < 0.2, "{hinted:?} {found:?}");
    // A hint outside of the blocks, before or after, is no reason to fail.
    for hint in [blocks[0].at.plus_secs(-1e6), last(&blocks), last(&blocks).plus_secs(1e6), EventTime(i64::MIN)] {
        let got = forecast(&blocks, last(&blocks), &[upper(3.5)], Some(hint), &defaults());
        assert!(got.is_ok(), "{hint:?}: {got:?}");
    }
}

#[test]
fn a_forecast_survives_being_stored() {
    let blocks = wearing(1.0, 0.1, 1.0, 8);
    // One of each: a time and a reason.
    let got = forecast(&blocks, last(&blocks), &[upper(3.5), lower(0.0)], None, &defaults()).expect("trend");
    let json = serde_json::to_string(&got).expect("plain data");
    assert_eq!(serde_json::from_str::<RemainingLife>(&json).expect("the same").targets[1], got.targets[1]);
    let bytes = postcard::to_allocvec(&got).expect("plain data");
    assert_eq!(postcard::from_bytes::<RemainingLife>(&bytes).expect("the same"), got);
}

#[test]
fn each_reason_is_found_and_said_in_plain_words() {
    let blocks = wearing(1.0, 0.1, 1.0, 9);
    let cases: Vec<(&str, Result<RemainingLife, NoForecast>)> = vec![
        ("no limit is set", forecast(&blocks, last(&blocks), &[], None, &defaults())),
        ("no limit is set", life(&blocks, upper(f64::NAN))),
        ("too few blocks: 8 of the 12 needed", life(&blocks[..8], upper(3.5))),
        ("no significant trend", life(&series(140, 1.0, 0.3, 10, |_| 2.0), upper(3.0))),
        ("no significant trend", life(&series(140, 1.0, 0.0, 10, |_| 2.0), upper(3.0))),
        ("goes away from the limit", life(&blocks, lower(1.5))),
        ("reached already", life(&blocks, upper(2.5))),
        ("not within 365 days", life(&wearing(24.0, 0.1, 1.0, 11), upper(30.0))),
        ("hours old", forecast(&blocks, last(&blocks).plus_secs(3600.0 * 100.0), &[upper(3.9)], None, &defaults())),
        ("jumped", life(&series(140, 1.0, 0.05, 12, |h| if h < 132.0 { 2.0 } else { 3.0 }), upper(4.0))),
    ];
    for (words, got) in cases {
        let why = got.expect_err(words);
        assert!(why.to_string().contains(words), "wanted {words:?}, got {why}");
    }
}

/// A rise that has ended must not be continued, whichever of the reasons says so.
#[test]
fn a_rise_that_stopped_or_turned_is_not_continued() {
    let limit = upper(5.0);
    for seed in 0..20 {
        // Up by 1 over 60 blocks, then level for 60; up and back down by half; a step that stays.
        let stopped = series(160, 1.0, 0.1, seed, |i| 2.0 + ((i - 40.0) / 60.0).clamp(0.0, 1.0));
        let turned =
            series(160, 1.0, 0.1, seed, |i| 2.0 + ((i - 40.0) / 60.0).clamp(0.0, 1.0) - ((i - 100.0) / 120.0).max(0.0));
        let stepped = series(160, 1.0, 0.1, seed, |i| if i < 80.0 { 2.0 } else { 3.0 });
        for (name, blocks) in [("stopped", stopped), ("turned", turned), ("stepped", stepped)] {
            let got = life(&blocks, limit);
            assert!(got.is_err(), "{name}, seed {seed}: {got:?}");
        }
    }
}

#[test]
fn targets_are_answered_each_by_itself() {
    let blocks = wearing(24.0, 0.1, 1.0, 13);
    let targets = [upper(2.5), upper(3.4), lower(1.0), upper(40.0)];
    let got = forecast(&blocks, last(&blocks), &targets, None, &defaults()).expect("one has a forecast");
    assert_eq!(got.targets.iter().map(|t| t.target).collect::<Vec<_>>(), targets);
    assert!(matches!(got.targets[0].time, Err(NoForecast::AlreadyPast { .. })), "{:?}", got.targets[0]);
    assert!(got.targets[1].time.is_ok());
    assert_eq!(got.targets[2].time, Err(NoForecast::TrendAway));
    assert!(matches!(got.targets[3].time, Err(NoForecast::BeyondHorizon { .. })), "{:?}", got.targets[3]);
}

#[test]
fn settings_out_of_range_are_named_all_at_once() {
    let bad =
        RemainingParams { min_blocks: f64::NAN, min_trend_t: 0.0, horizon_hours: f64::INFINITY, rate_spread: -0.1 };
    let names: Vec<_> = bad.check().expect_err("all bad").iter().map(|f| f.name).collect();
    assert_eq!(names, ["min_blocks", "min_trend_t", "horizon_hours", "rate_spread"]);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_wear_gives_ordered_quantiles(
        n in 12_usize..256, amplitude in 0.0..0.4_f64, power in 0.5..4.0_f64, onset in 0.0..0.8_f64, ahead in 1.01..4.0_f64, seed: u64,
    ) {
        let shape = |i: f64| ((i / n as f64 - onset) / (1.0 - onset)).max(0.0).powf(power);
        let blocks = series(n, 1.0, amplitude, seed, |i| 2.0 + shape(i));
        if let Ok(t) = life(&blocks, upper(2.0 + ahead)).and_then(|l| l.targets[0].time) {
            prop_assert!(t.p10_hours >= 0.0 && t.p10_hours <= t.p50_hours, "{t:?}");
            prop_assert!(t.p90_hours.is_none_or(|p90| p90 >= t.p50_hours && p90 <= 8760.0), "{t:?}");
            prop_assert!(t.within_horizon >= 0.5 && t.within_horizon <= 1.0, "{t:?}");
        }
    }

    #[test]
    fn no_input_brings_it_down(
        blocks in prop::collection::vec((any::<i64>(), any::<f64>()), 0..80), now: i64, limit: f64, hint: Option<i64>,
    ) {
        let blocks: Vec<_> = blocks.into_iter().map(|(at, value)| Reading { at: EventTime(at), value }).collect();
        if let Ok(l) = forecast(&blocks, EventTime(now), &[upper(limit), lower(limit)], hint.map(EventTime), &defaults()) {
            for t in l.targets.iter().filter_map(|t| t.time.ok()) {
                prop_assert!(t.p10_hours >= 0.0 && t.p10_hours <= t.p50_hours, "{t:?}");
            }
        }
    }
}

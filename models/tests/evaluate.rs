//! Metrics of detection and of remaining life against outside values and against examples worked out by hand.

use roundsman_models::EventTime;
use roundsman_models::evaluate::{Confusion, Forecast, LifeParams, LifeScore, Truth, match_episodes, score, spread};

fn at(hours: f64) -> EventTime {
    EventTime(0).plus_secs(hours * 3600.0)
}

fn close(got: Option<f64>, want: f64) {
    let got = got.expect("there is something to share");
    assert!((got - want).abs() <= 1e-15, "got {got}, want {want}");
}

fn counted(rows: impl IntoIterator<Item = (bool, bool)>) -> Confusion {
    let mut counts = Confusion::default();
    for (abnormal, said) in rows {
        counts.count(said, abnormal);
    }
    counts
}

/// Source: scikit-learn 1.9.1, `confusion_matrix(t, s)`, `precision_recall_fscore_support(t, s, average="binary")` and, for
/// the false-alarm rate, one minus `recall_score(t, s, pos_label=0)`, with t, s =
/// `[int(i * 7 % 31 < 10) for i in range(200)]`, `[int(i * 11 % 29 < 9) for i in range(200)]`.
#[test]
fn two_hundred_rows_as_scikit_learn_counts_them() {
    let counts = counted((0..200).map(|i| (i * 7 % 31 < 10, i * 11 % 29 < 9)));
    let want = Confusion { true_positive: 21, false_positive: 41, false_negative: 44, true_negative: 94 };
    assert_eq!(counts, want);
    close(counts.precision(), 0.3387096774193548);
    close(counts.recall(), 0.3230769230769231);
    close(counts.f1(), 0.33070866141732286);
    close(counts.false_alarm_rate(), 1.0 - 0.6962962962962963);
    close(counts.missed_rate(), 1.0 - 0.3230769230769231);
}

/// Source: scikit-learn 1.9.1, the same calls with `zero_division=nan`, which is our `None`:
/// t, s = `[0]*6`, `[0,1,0,0,1,0]` give precision 0, recall nan, F1 0; t, s = `[1]*4`, `[0]*4` give nan, 0, 0 and a
/// specificity of nan.
#[test]
fn a_share_of_nothing_is_none() {
    let healthy = counted([false, true, false, false, true, false].map(|said| (false, said)));
    assert_eq!((healthy.precision(), healthy.recall(), healthy.f1()), (Some(0.0), None, Some(0.0)));
    close(healthy.false_alarm_rate(), 1.0 - 0.6666666666666666);
    let missed = counted([(true, false); 4]);
    assert_eq!((missed.precision(), missed.recall(), missed.f1()), (None, Some(0.0), Some(0.0)));
    assert_eq!((missed.false_alarm_rate(), missed.missed_rate()), (None, Some(1.0)));
}

/// By hand: pooled F1 of (TP 8, FN 2) and (FP 6, FN 4) is 16 / (16 + 6 + 6) = 4/7, not the mean of 8/9 and 0.
#[test]
fn pooling_adds_counts() {
    let mut pooled = Confusion { true_positive: 8, false_negative: 2, ..Confusion::default() };
    pooled.add(Confusion { false_positive: 6, false_negative: 4, ..Confusion::default() });
    close(pooled.f1(), 4.0 / 7.0);
    assert_eq!(pooled.rows(), 20);
}

/// By hand. Truths: A 10 to 20 h, B 30 to 40 h. Alerts: 0 rises at 5 and again at 12 (false, and finds A at 12); 1 rises at
/// 15 (finds A, later than 0 does); 2 rises at 25 (false); 3 rises at 40, the last moment of B; 4 never rises.
#[test]
fn an_alert_raised_too_early_is_false_and_may_yet_find_when_it_rises_again() {
    let truths = [Truth { from: at(10.0), to: at(20.0) }, Truth { from: at(30.0), to: at(40.0) }];
    let alerts = [vec![at(5.0), at(12.0)], vec![at(15.0)], vec![at(25.0)], vec![at(40.0)], vec![]];
    let matched = match_episodes(&truths, &alerts, 0.0, |_, _| true);
    assert_eq!(matched.found_at, [Some(at(12.0)), Some(at(40.0))]);
    assert_eq!(matched.is_false, [true, false, true, false, false]);
    // With five hours of grace after an end, 25 h still belongs to A.
    let matched = match_episodes(&truths, &alerts, 5.0 * 3600.0, |_, _| true);
    assert_eq!(matched.is_false, [true, false, false, false, false]);
    // Alerts about something else find nothing.
    let matched = match_episodes(&truths, &alerts, 0.0, |alert, _| alert == 2);
    assert_eq!(matched.found_at, [None, None]);
    assert_eq!(matched.is_false, [true, true, true, true, false]);
}

/// By hand.
#[test]
fn the_middle_of_an_even_number_lies_between_two() {
    let got = spread([3.0, f64::NAN, 1.0, 10.0, 4.0]).expect("four values");
    assert_eq!((got.least, got.median, got.most), (1.0, 3.5, 10.0));
    assert_eq!(spread([f64::INFINITY, f64::NAN]), None);
}

fn said(hours: f64, p10: f64, p50: f64, p90: Option<f64>) -> Forecast {
    Forecast { at: at(hours), p10_hours: Some(p10), p50_hours: Some(p50), p90_hours: p90 }
}

/// A life of 100 h with forecasts at 20, 40, 60 and 80 h: 80, 60, 40 and 20 h remain.
fn four() -> [Forecast; 4] {
    [
        said(20.0, 60.0, 105.0, Some(140.0)),
        said(40.0, 50.0, 66.0, Some(90.0)),
        said(60.0, 45.0, 55.0, Some(70.0)),
        said(80.0, 10.0, 25.0, None),
    ]
}

/// Source: definitions of Saxena et al. (2010), from memory; worked out by hand:
///
/// | left | P10, P50, P90 | held | width / left | factor 2 | within 20 % | RA |
/// |---|---|---|---|---|---|---|
/// | 80 | 60, 105, 140 | yes | 80/80 | yes | 64..96: no | 1 − 25/80 = 0.6875 |
/// | 60 | 50, 66, 90 | yes | 40/60 | yes | 48..72: yes | 1 − 6/60 = 0.9 |
/// | 40 | 45, 55, 70 | no | 25/40 | yes | 32..48: no | 1 − 15/40 = 0.625 |
/// | 20 | 10, 25, open | yes | | yes | 16..24: no | 1 − 5/20 = 0.75 |
///
/// t_P = 20 h, so λ = 0.5 looks at 60 h. Horizon: |r − r*| ≤ 0.2 · 100 h first at 60 h left.
#[test]
fn four_forecasts_by_hand() {
    let got = score(&four(), at(0.0), at(100.0), LifeParams::default());
    assert_eq!((got.forecasts, got.held, got.closed, got.factor_two, got.within_alpha), (4, 3, 3, 4, 1));
    close(got.coverage(), 0.75);
    close(got.mean_width(), (1.0 + 40.0 / 60.0 + 25.0 / 40.0) / 3.0);
    close(got.open_share(), 0.25);
    close(got.cumulative_relative_accuracy(), (0.6875 + 0.9 + 0.625 + 0.75) / 4.0);
    assert_eq!((got.at_lambda, got.alpha_lambda), (1, 0));
    close(got.relative_at_lambda, 0.625);
    close(got.first_hours, 80.0);
    close(got.horizon_hours, 60.0);
    close(got.useful_hours, 80.0);
}

/// As above with λ = 0.25: 40 h, where P50 is within 20 %.
#[test]
fn lambda_moves_the_place_looked_at() {
    let params = LifeParams { lambda: 0.25, ..LifeParams::default() };
    let got = score(&four(), at(0.0), at(100.0), params);
    assert_eq!((got.at_lambda, got.alpha_lambda), (1, 1));
    close(got.relative_at_lambda, 0.9);
}

/// By hand: 50, 40, 30, 20, 10 h left, P50 right, wrong, right, right, right. From 50 h left on 4 of 5 are within a factor
/// of two (80 %); with a wrong one more at 30 h only 3 of 5, and then 20 h is the earliest from which on 80 % are.
#[test]
fn a_lucky_forecast_is_not_yet_a_useful_one() {
    let life = |p50: [f64; 5]| -> Vec<Forecast> {
        (1..).zip(p50).map(|(n, p50)| said(f64::from(n) * 10.0 + 40.0, 0.0, p50, None)).collect()
    };
    let got = score(&life([50.0, 400.0, 30.0, 20.0, 10.0]), at(0.0), at(100.0), LifeParams::default());
    close(got.useful_hours, 50.0);
    let got = score(&life([50.0, 400.0, 300.0, 20.0, 10.0]), at(0.0), at(100.0), LifeParams::default());
    close(got.useful_hours, 20.0);
    let got = score(&life([1000.0; 5]), at(0.0), at(100.0), LifeParams::default());
    assert_eq!(got.useful_hours, None);
}

/// Hours that cannot be are out of sight, those outside the life are not judged, and nothing becomes NaN.
#[test]
fn what_cannot_be_is_no_hit() {
    let forecasts = [
        said(-1.0, 0.0, 101.0, None),
        said(10.0, f64::NAN, f64::NAN, Some(f64::NAN)),
        said(20.0, -1.0, -80.0, Some(f64::INFINITY)),
        said(100.0, 0.0, 0.0, Some(1.0)),
    ];
    let got = score(&forecasts, at(0.0), at(100.0), LifeParams::default());
    let want = LifeScore { forecasts: 2, at_lambda: 1, first_hours: got.first_hours, ..LifeScore::default() };
    assert_eq!(got, want);
    assert_eq!((got.mean_width(), got.cumulative_relative_accuracy()), (None, None));
    assert_eq!(score(&forecasts, at(50.0), at(50.0), LifeParams::default()), LifeScore::default());
    assert!(LifeParams { alpha: f64::NAN, lambda: 2.0, useful_share: 0.5 }.check().is_err_and(|f| f.len() == 2));
}

/// Sums keep what can be summed: two ends, one right at λ.
#[test]
fn ends_are_pooled_by_their_forecasts() {
    let mut pooled = score(&four(), at(0.0), at(100.0), LifeParams::default());
    let right: Vec<_> = [20.0, 60.0].map(|t| said(t, 0.0, 100.0 - t, Some(200.0))).to_vec();
    pooled.add(&score(&right, at(0.0), at(100.0), LifeParams::default()));
    close(pooled.coverage(), 5.0 / 6.0);
    close(pooled.alpha_lambda_share(), 0.5);
    close(pooled.alpha_share(), 0.5);
    assert_eq!((pooled.relative_at_lambda, pooled.useful_hours), (None, None));
}

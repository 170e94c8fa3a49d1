//! Warning and alarm limits of one point, each with where it came from, and their crossing with a deadband.
//!
//! Three sources: the learned baseline (location ± k · scale), severity zones ([`crate::detect::zones`]), and the
//! operator's own. For each severity and side:
//!
//! 1. the operator's own limit, when there is one, is the only one;
//! 2. else the tightest of baseline and zones, but none that would turn the order round: no automatic alarm
//!    limit inside the operator's own warning limit, no automatic warning limit outside the operator's own alarm.
//!
//! So a warning limit is never reached after the alarm limit of its side, and an operator who says "warn at 8"
//! is not alarmed at 6.
//!
//! A value is past a limit when it is *beyond* it. It is back when it has come back inside by the deadband: a
//! share of the limit's span. The span is the limit's distance from what is expected where that is known (so the
//! way back never asks for more than normal), else the limit's own size: an own limit of 0 on a point without a
//! baseline has no deadband.

use crate::detect::alarm::Severity;
use crate::detect::zones::Preset;
use crate::param::{ParamFault, positive, within};
use serde::{Deserialize, Serialize};

/// Where a limit came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Source {
    /// Learned from the machine.
    Baseline,
    /// Severity zones.
    Zones,
    /// The operator's own.
    Own,
}

/// Which side of normal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// Too much.
    High,
    /// Too little.
    Low,
}

/// One limit, in the point's kept unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Limit {
    /// The value that must not be passed.
    pub value: f64,
    /// Where it came from.
    pub source: Source,
    /// What the deadband is a share of, same unit, at least 0.
    pub span: f64,
}

/// How far from the baseline the limits lie.
///
/// | setting | default | unit | range |
/// |---|---|---|---|
/// | `warning_sigmas` | 6 | baseline standard deviations | above 0 |
/// | `alarm_sigmas` | 10 | baseline standard deviations | at least `warning_sigmas` |
/// | `least_change` | 0.1 | share of the expected value | 0 to 10 |
///
/// `least_change`: the warning limit is at least this share of the expected value away, and the alarm limit
/// farther in the ratio of the two sigmas, so that a very steady machine does not alarm on nothing.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BaselineRule {
    /// Distance of the warning limit.
    pub warning_sigmas: f64,
    /// Distance of the alarm limit.
    pub alarm_sigmas: f64,
    /// Floor of the warning distance.
    pub least_change: f64,
}

impl Default for BaselineRule {
    fn default() -> Self {
        Self { warning_sigmas: 6.0, alarm_sigmas: 10.0, least_change: 0.1 }
    }
}

/// Only [`BaselineRule::check`] makes one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CheckedBaselineRule(BaselineRule);

impl BaselineRule {
    /// All faults at once.
    pub fn check(self) -> Result<CheckedBaselineRule, Vec<ParamFault>> {
        let ordered = self.alarm_sigmas.is_finite() && self.alarm_sigmas >= self.warning_sigmas;
        let faults = [
            positive("warning_sigmas", self.warning_sigmas),
            (!ordered).then(|| ParamFault {
                name: "alarm_sigmas",
                want: format!("finite and at least warning_sigmas ({})", self.warning_sigmas),
                got: self.alarm_sigmas,
            }),
            within("least_change", self.least_change, 0.0, 10.0),
        ];
        // Asked anew for every point of every snapshot: no list is made of nothing.
        if faults.iter().all(Option::is_none) {
            return Ok(CheckedBaselineRule(self));
        }
        Err(faults.into_iter().flatten().collect())
    }
}

/// What is expected of a point now: at this operating state and load.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Expected {
    /// Location, kept unit.
    pub location: f64,
    /// Scale (one baseline standard deviation), kept unit, at least 0.
    pub scale: f64,
}

/// The operator's own limits, kept unit.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Own {
    /// Warning when above.
    pub warning_high: Option<f64>,
    /// Alarm when above.
    pub alarm_high: Option<f64>,
    /// Warning when below.
    pub warning_low: Option<f64>,
    /// Alarm when below.
    pub alarm_low: Option<f64>,
}

impl Own {
    /// Wants finite limits in the order alarm_low ≤ warning_low < warning_high ≤ alarm_high, as far as given.
    pub fn check(self) -> Result<Own, Vec<ParamFault>> {
        let named = [
            ("alarm_low", self.alarm_low),
            ("warning_low", self.warning_low),
            ("warning_high", self.warning_high),
            ("alarm_high", self.alarm_high),
        ];
        let mut faults = Vec::new();
        let mut below: Option<(usize, &str, f64)> = None;
        for (place, (name, limit)) in named.into_iter().enumerate() {
            let Some(got) = limit else { continue };
            if !got.is_finite() {
                faults.push(ParamFault { name, want: "finite".into(), got });
                continue;
            }
            if let Some((before, lower, value)) = below {
                // The two of one side may coincide; a low limit must lie below a high one.
                let same_side = (before < 2) == (place < 2);
                if !(got > value || (same_side && got >= value)) {
                    let rule = if same_side { "at least" } else { "above" };
                    faults.push(ParamFault { name, want: format!("{rule} {lower} ({value})"), got });
                }
            }
            below = Some((place, name, got));
        }
        if faults.is_empty() { Ok(self) } else { Err(faults) }
    }
}

/// The limits that apply to a point at one snapshot. Cheap to make anew for each.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct PointLimits {
    /// Warning when above.
    pub warning_high: Option<Limit>,
    /// Alarm when above.
    pub alarm_high: Option<Limit>,
    /// Warning when below.
    pub warning_low: Option<Limit>,
    /// Alarm when below.
    pub alarm_low: Option<Limit>,
}

impl PointLimits {
    /// Puts the three sources together by the rule of the module page. An expectation that is not finite (or a
    /// scale below 0) counts as none; so does an own limit that is not finite. `zones` only for a point the
    /// preset speaks of: vibration velocity, mm/s r.m.s.
    pub fn compose(
        rule: &CheckedBaselineRule,
        expected: Option<Expected>,
        zones: Option<&Preset>,
        own: &Own,
    ) -> PointLimits {
        let expected = expected.filter(|e| e.location.is_finite() && e.scale.is_finite() && e.scale >= 0.0);
        let location = expected.map(|e| e.location);
        let from_baseline = |sigmas: f64, sign: f64| {
            expected.map(|e| {
                let BaselineRule { warning_sigmas, least_change, .. } = rule.0;
                let span = sigmas * e.scale.max(least_change * e.location.abs() / warning_sigmas);
                Limit { value: e.location + sign * span, source: Source::Baseline, span }
            })
        };
        // Most points, at every snapshot: with one source there is nothing to choose among, and the rules below give just this.
        if zones.is_none() && *own == Own::default() {
            let BaselineRule { warning_sigmas, alarm_sigmas, .. } = rule.0;
            return PointLimits {
                warning_high: from_baseline(warning_sigmas, 1.0),
                alarm_high: from_baseline(alarm_sigmas, 1.0),
                warning_low: from_baseline(warning_sigmas, -1.0),
                alarm_low: from_baseline(alarm_sigmas, -1.0),
            };
        }
        let fixed = |value: Option<f64>, sign: f64, source: Source| {
            value.filter(|v| v.is_finite()).map(|value| {
                let inside = location.filter(|l| sign * (value - l) > 0.0);
                Limit { value, source, span: inside.map_or(value.abs(), |l| (value - l).abs()) }
            })
        };
        let (warning_high, alarm_high) = one_side(
            1.0,
            fixed(own.warning_high, 1.0, Source::Own),
            fixed(own.alarm_high, 1.0, Source::Own),
            [from_baseline(rule.0.warning_sigmas, 1.0), fixed(zones.map(|z| z.warning(location)), 1.0, Source::Zones)],
            [from_baseline(rule.0.alarm_sigmas, 1.0), fixed(zones.map(Preset::alarm), 1.0, Source::Zones)],
        );
        let (warning_low, alarm_low) = one_side(
            -1.0,
            fixed(own.warning_low, -1.0, Source::Own),
            fixed(own.alarm_low, -1.0, Source::Own),
            [
                from_baseline(rule.0.warning_sigmas, -1.0),
                fixed(zones.and_then(|z| z.fallen(location)), -1.0, Source::Zones),
            ],
            [from_baseline(rule.0.alarm_sigmas, -1.0), None],
        );
        PointLimits { warning_high, alarm_high, warning_low, alarm_low }
    }
}

/// Warning and alarm limit of one side; `sign` turns the low side into a high one.
fn one_side(
    sign: f64,
    own_warning: Option<Limit>,
    own_alarm: Option<Limit>,
    warnings: [Option<Limit>; 2],
    alarms: [Option<Limit>; 2],
) -> (Option<Limit>, Option<Limit>) {
    let tightest = |candidates: [Option<Limit>; 2], fits: &dyn Fn(f64) -> bool| {
        candidates
            .into_iter()
            .flatten()
            .filter(|limit| fits(sign * limit.value))
            .min_by(|a, b| (sign * a.value).total_cmp(&(sign * b.value)))
    };
    let warning =
        own_warning.or_else(|| tightest(warnings, &|value| own_alarm.is_none_or(|alarm| value <= sign * alarm.value)));
    let alarm = own_alarm
        .or_else(|| tightest(alarms, &|value| own_warning.is_none_or(|warning| value >= sign * warning.value)));
    (warning, alarm)
}

/// A limit that is passed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Crossed {
    /// [`Severity::Warning`] or [`Severity::Alarm`].
    pub severity: Severity,
    /// Which side.
    pub side: Side,
    /// The limit.
    pub limit: Limit,
}

/// Which limits of a point are passed, with a deadband. One per point and operating state, a few bytes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LimitState {
    deadband: f64,
    high: Option<Severity>,
    low: Option<Severity>,
}

impl LimitState {
    /// `deadband`: share of a limit's span, 0 to below 1.
    pub fn new(deadband: f64) -> Result<Self, ParamFault> {
        if !(deadband.is_finite() && (0.0..1.0).contains(&deadband)) {
            return Err(ParamFault { name: "deadband", want: "at least 0 and below 1".into(), got: deadband });
        }
        Ok(Self { deadband, high: None, low: None })
    }

    /// The most severe limit that is passed now, `None` when none is. A value that is not finite leaves the
    /// state as it was, and what stood is given again.
    pub fn update(&mut self, value: f64, limits: &PointLimits) -> Option<Crossed> {
        if value.is_finite() {
            self.high = self.judge(value, 1.0, self.high, limits.warning_high, limits.alarm_high);
            self.low = self.judge(value, -1.0, self.low, limits.warning_low, limits.alarm_low);
        }
        let high = named(self.high, Side::High, limits.warning_high, limits.alarm_high);
        let low = named(self.low, Side::Low, limits.warning_low, limits.alarm_low);
        match (high, low) {
            (Some(h), Some(l)) => Some(if l.severity > h.severity { l } else { h }),
            (high, low) => high.or(low),
        }
    }

    fn judge(
        &self,
        value: f64,
        sign: f64,
        before: Option<Severity>,
        warning: Option<Limit>,
        alarm: Option<Limit>,
    ) -> Option<Severity> {
        let past = |limit: Option<Limit>, was_past: bool| {
            limit.is_some_and(|limit| {
                let slack = if was_past { self.deadband * limit.span } else { 0.0 };
                sign * (value - limit.value) > -slack
            })
        };
        if past(alarm, before == Some(Severity::Alarm)) {
            Some(Severity::Alarm)
        } else if past(warning, before.is_some()) {
            Some(Severity::Warning)
        } else {
            None
        }
    }
}

fn named(severity: Option<Severity>, side: Side, warning: Option<Limit>, alarm: Option<Limit>) -> Option<Crossed> {
    let severity = severity?;
    let limit = if severity == Severity::Alarm { alarm } else { warning }?;
    Some(Crossed { severity, side, limit })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::zones::Boundaries;

    fn rule(warning_sigmas: f64, alarm_sigmas: f64, least_change: f64) -> CheckedBaselineRule {
        BaselineRule { warning_sigmas, alarm_sigmas, least_change }.check().expect("in range")
    }

    fn expected(location: f64, scale: f64) -> Option<Expected> {
        Some(Expected { location, scale })
    }

    fn value_and_source(limit: Option<Limit>) -> Option<(f64, Source)> {
        limit.map(|l| (l.value, l.source))
    }

    fn zones() -> Preset {
        Preset::custom("test", Boundaries { ab: 1.0, bc: 4.0, cd: 8.0 }).expect("ordered")
    }

    #[test]
    fn baseline_limits_lie_k_sigmas_either_side() {
        let limits = PointLimits::compose(&rule(6.0, 10.0, 0.0), expected(50.0, 0.5), None, &Own::default());
        assert_eq!(value_and_source(limits.warning_high), Some((53.0, Source::Baseline)));
        assert_eq!(value_and_source(limits.alarm_high), Some((55.0, Source::Baseline)));
        assert_eq!(value_and_source(limits.warning_low), Some((47.0, Source::Baseline)));
        assert_eq!(value_and_source(limits.alarm_low), Some((45.0, Source::Baseline)));
    }

    #[test]
    fn a_very_steady_point_keeps_the_least_change_and_still_warns_before_it_alarms() {
        let limits = PointLimits::compose(&rule(6.0, 12.0, 0.1), expected(-50.0, 0.0), None, &Own::default());
        assert_eq!(value_and_source(limits.warning_high), Some((-45.0, Source::Baseline)));
        assert_eq!(value_and_source(limits.alarm_high), Some((-40.0, Source::Baseline)));
    }

    #[test]
    fn the_tightest_of_baseline_and_zones_applies_to_each_severity() {
        // Zones: warning min(2 + 1, 5) = 3, alarm 8. Baseline: warning 3.2, alarm 4.
        let limits = PointLimits::compose(&rule(6.0, 10.0, 0.0), expected(2.0, 0.2), Some(&zones()), &Own::default());
        assert_eq!(value_and_source(limits.warning_high), Some((3.0, Source::Zones)));
        assert_eq!(value_and_source(limits.alarm_high), Some((4.0, Source::Baseline)));
        // A fall by a quarter of zone B's upper limit is significant as well: 2 - 1, before the baseline's 0.8.
        assert_eq!(value_and_source(limits.warning_low), Some((1.0, Source::Zones)));
    }

    #[test]
    fn zones_act_before_a_baseline_is_learned() {
        let limits = PointLimits::compose(&rule(6.0, 10.0, 0.1), None, Some(&zones()), &Own::default());
        assert_eq!(value_and_source(limits.warning_high), Some((4.0, Source::Zones)));
        assert_eq!(value_and_source(limits.alarm_high), Some((8.0, Source::Zones)));
        assert_eq!((limits.warning_low, limits.alarm_low), (None, None));
    }

    #[test]
    fn an_own_limit_is_the_only_one_and_no_automatic_one_turns_the_order_round() {
        let rule = rule(6.0, 10.0, 0.0);
        let looser = Own { warning_high: Some(6.0), ..Own::default() };
        let limits = PointLimits::compose(&rule, expected(2.0, 0.2), Some(&zones()), &looser);
        assert_eq!(value_and_source(limits.warning_high), Some((6.0, Source::Own)));
        assert_eq!(value_and_source(limits.alarm_high), Some((8.0, Source::Zones)), "4 of the baseline is inside 6");

        let tighter = Own { alarm_high: Some(2.5), ..Own::default() };
        let limits = PointLimits::compose(&rule, expected(2.0, 0.2), Some(&zones()), &tighter);
        assert_eq!(limits.warning_high, None, "every automatic warning would come after the alarm");
        assert_eq!(value_and_source(limits.alarm_high), Some((2.5, Source::Own)));

        let low = Own { warning_low: Some(-5.0), ..Own::default() };
        let limits = PointLimits::compose(&rule, expected(2.0, 0.2), None, &low);
        assert_eq!(value_and_source(limits.warning_low), Some((-5.0, Source::Own)));
        assert_eq!(limits.alarm_low, None, "0 of the baseline is inside -5");
    }

    #[test]
    fn what_is_not_finite_makes_no_limit() {
        let own = Own { warning_high: Some(f64::NAN), ..Own::default() };
        for e in [expected(f64::NAN, 1.0), expected(1.0, f64::NAN), expected(1.0, -1.0), expected(f64::INFINITY, 1.0)] {
            assert_eq!(PointLimits::compose(&rule(6.0, 10.0, 0.1), e, None, &own), PointLimits::default());
        }
    }

    #[test]
    fn own_limits_out_of_order_are_all_named() {
        let own =
            Own { alarm_low: Some(5.0), warning_low: Some(4.0), warning_high: Some(4.0), alarm_high: Some(f64::NAN) };
        let faults: Vec<_> = own.check().expect_err("all wrong").iter().map(ToString::to_string).collect();
        assert_eq!(
            faults,
            [
                "warning_low: must be at least alarm_low (5), got 4",
                "warning_high: must be above warning_low (4), got 4",
                "alarm_high: must be finite, got NaN"
            ]
        );
        assert!(Own { warning_high: Some(2.0), alarm_high: Some(2.0), ..Own::default() }.check().is_ok());
        assert!(BaselineRule { alarm_sigmas: 5.0, ..BaselineRule::default() }.check().is_err());
        assert!(BaselineRule { alarm_sigmas: f64::NAN, ..BaselineRule::default() }.check().is_err());
    }

    fn severities(state: &mut LimitState, limits: &PointLimits, values: &[f64]) -> Vec<Option<(Severity, Side)>> {
        values.iter().map(|&v| state.update(v, limits).map(|c| (c.severity, c.side))).collect()
    }

    #[test]
    fn a_limit_is_passed_beyond_it_and_left_below_the_deadband() {
        let own = Own { warning_high: Some(100.0), alarm_high: Some(200.0), ..Own::default() };
        let limits = PointLimits::compose(&rule(6.0, 10.0, 0.0), None, None, &own);
        let mut state = LimitState::new(0.05).expect("in range");
        let got = severities(&mut state, &limits, &[100.0, 100.1, 95.1, 95.0, 201.0, 190.1, 189.0, 99.0, 94.0]);
        let (w, a) = (Some((Severity::Warning, Side::High)), Some((Severity::Alarm, Side::High)));
        assert_eq!(got, [None, w, w, None, a, a, w, w, None]);
    }

    #[test]
    fn the_low_side_is_the_mirror_of_the_high_one() {
        let own = Own { warning_low: Some(10.0), alarm_low: Some(5.0), ..Own::default() };
        let limits = PointLimits::compose(&rule(6.0, 10.0, 0.0), None, None, &own);
        let mut state = LimitState::new(0.1).expect("in range");
        let got = severities(&mut state, &limits, &[10.0, 9.9, 10.9, 11.0, 4.9, 5.4, 5.6]);
        let (w, a) = (Some((Severity::Warning, Side::Low)), Some((Severity::Alarm, Side::Low)));
        assert_eq!(got, [None, w, w, None, a, a, w]);
    }

    /// A limit 1 % above a large value with a deadband of 5 %: the way back must not lie below what is normal.
    #[test]
    fn a_value_back_at_what_is_expected_is_always_back() {
        let own = Own { warning_high: Some(101.0), ..Own::default() };
        for own in [own, Own::default()] {
            let limits = PointLimits::compose(&rule(5.0, 10.0, 0.0), expected(100.0, 0.2), None, &own);
            let mut state = LimitState::new(0.9).expect("in range");
            assert!(state.update(101.5, &limits).is_some());
            assert!(state.update(100.2, &limits).is_some());
            assert!(state.update(100.0, &limits).is_none());
        }
    }

    #[test]
    fn a_value_that_is_not_finite_leaves_what_stood() {
        let limits = PointLimits::compose(&rule(6.0, 10.0, 0.0), expected(2.0, 0.1), None, &Own::default());
        let mut state = LimitState::new(0.0).expect("in range");
        let before = state.update(9.0, &limits);
        assert!(before.is_some_and(|c| c.severity == Severity::Alarm));
        for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            let copy = state;
            assert_eq!((state.update(value, &limits), state), (before, copy));
        }
        assert!(LimitState::new(f64::NAN).is_err() && LimitState::new(1.0).is_err());
    }
}

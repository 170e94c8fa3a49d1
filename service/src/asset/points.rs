//! What the condition document shows of each condition point: where it stands, what was expected, how it has been lately.

use super::Context;
use super::machine::Machine;
use super::now::Now;
use super::shown::BAND_SIGMAS;
use super::statistics::Statistics;
use crate::advise::document::{LimitSource, NamedLimit, PointNow, Statistic};
use crate::engine::LimitName;
use roundsman_models::detect::limits::PointLimits;
use roundsman_models::detect::zones::Preset;

/// One row per condition point, in the layout's order.
pub(super) fn points(machine: &Machine, now: &Now, context: &Context<'_>) -> Vec<PointNow> {
    let scored = &now.watched.scored;
    let rows = machine.layout().conditions.iter().zip(machine.statistics()).enumerate();
    rows.filter_map(|(i, (point, statistics))| {
        let spec = context.spec.points.get(usize::from(*point))?;
        let expected = now.state.and_then(|s| machine.expected(i, s, *scored.expected.get(i)?));
        let score = now.state.and_then(|_| scored.z.get(i).copied());
        Some(PointNow {
            point: spec.name.clone(),
            unit: spec.unit.clone(),
            observed: now.values.get(i).copied(),
            expected: expected.map(|e| e.location),
            band: expected.map(|e| BAND_SIGMAS * e.scale),
            sigmas: score,
            lately: lately(statistics),
            all: all(statistics),
            per_hour: statistics.rate.as_ref().and_then(|r| r.per_hour()),
            limits: limits(machine.limits(i, now, context), &spec.unit, context),
        })
    })
    .collect()
}

/// The limits in force, each with its source.
fn limits(limits: PointLimits, unit: &str, context: &Context<'_>) -> Vec<NamedLimit> {
    let zones = context.spec.zones.as_deref().and_then(Preset::by_name);
    let named = [
        (LimitName::AlarmHigh, limits.alarm_high),
        (LimitName::WarningHigh, limits.warning_high),
        (LimitName::WarningLow, limits.warning_low),
        (LimitName::AlarmLow, limits.alarm_low),
    ];
    let named = named.into_iter().filter_map(|(name, limit)| Some((name, limit?)));
    named.map(|(name, limit)| NamedLimit { name, limit: LimitSource::of(&limit, unit, zones.as_ref()) }).collect()
}

/// The last values only: robust, so that one spike does not show.
fn lately(s: &Statistics) -> Statistic {
    let centre = s.window.as_ref().and_then(|w| w.centre());
    Statistic { middle: centre.map(|c| c.median), spread: centre.map(|c| c.sigma()), p95: None }
}

/// Everything since the asset was registered or relearned.
fn all(s: &Statistics) -> Statistic {
    Statistic { middle: s.moments.mean(), spread: s.moments.std_dev(), p95: s.quantiles.quantile(0.95) }
}

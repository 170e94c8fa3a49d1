//! Remaining life of one asset: at the end of every block, for each point that moves away from its baseline, hours to
//! each of its limits; where nobody has set one, hours to the level at which such machines fail; and what past cases of
//! its class say of the whole asset.
//!
//! How earlier statements came out widens or narrows the next ones, over the whole life of the asset.

use super::Context;
use super::evidence::limit_source;
use super::layout::Layout;
use super::machine::{Watch, limits_of};
use super::spec::{PointSpec, Quantity};
use super::standing::{Grounds, Reach, Said, Standing, later};
use crate::advise::document::{Forecast, LimitSource, Measured, RemainingLife};
use crate::engine::Output;
use roundsman_models::detect::learned::Learned;
use roundsman_models::detect::limits::{Expected, Limit, Source};
use roundsman_models::detect::zones::Preset;
use roundsman_models::manipulate::blocks::Blocks;
use roundsman_models::prognose::{
    CheckedRemaining, Known, LevelDoubt, RemainingParams, Side, Target, TimeToLimit, TrackRecord, course,
    forecast_knowing, unknown_failure,
};
use roundsman_models::{EventTime, Reading};
use serde::{Deserialize, Serialize};

/// The target where nobody has set a limit.
const FAILURE: &str = "failure";
/// Blocks whose mean is taken for the level when an earlier statement is judged.
const JUDGED_BLOCKS: usize = 3;
/// Blocks in a row beyond a limit that leave nothing to be forecast.
const PAST_BLOCKS: usize = 6;
/// A level is one with a zero, and so fails at a multiple of its healthy value, when it lies this many of its standard
/// deviations above zero.
const CLEAR_OF_ZERO: f64 = 3.0;

/// The last statement of an asset's remaining life, and how its statements have come out.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Forecaster {
    last: Option<Box<RemainingLife>>,
    record: TrackRecord,
    standing: Standing,
}

/// What a point can be forecast to.
struct Named {
    name: &'static str,
    limit: LimitSource,
    target: Target,
}

/// What is known of a moving point.
struct Moving {
    /// Its place among the condition points.
    place: usize,
    /// Where it is now.
    level: Option<f64>,
    /// Baseline level these days, and its standard deviation.
    normal: f64,
    scale: f64,
    steady: bool,
}

impl Named {
    fn is_of_baseline(&self) -> bool {
        self.limit.source == "baseline"
    }
}

impl Forecaster {
    /// The last statement; `None` before any point moved.
    pub fn statement(&self) -> Option<&RemainingLife> {
        self.last.as_deref()
    }

    /// The machine is learned anew: what was said of its trends is over, how well it was said is not.
    pub fn restart(&mut self) {
        self.last = None;
        self.record.forget_all();
        self.standing.forget_all();
    }

    /// A block has ended: states the remaining life anew. Says it when there is a forecast, or when the reason there is
    /// none has changed.
    #[expect(clippy::too_many_arguments, reason = "everything the asset knows of its level over time")]
    pub fn renew(
        &mut self,
        at: EventTime,
        state: u16,
        learned: Option<&Learned>,
        blocks: &Blocks,
        watches: &[Watch],
        layout: &Layout,
        context: &Context<'_>,
        out: &mut Vec<Output>,
    ) {
        let Some(learned) = learned else { return };
        let Ok(params) = RemainingParams::default().check() else { return };
        let mut moving = Vec::new();
        for (place, watch) in watches.iter().enumerate() {
            let moves = watch.drift.is_some() || watch.odd_since.is_some() || watch.crossed.is_some();
            let model =
                || learned.baseline(watch.leading).or_else(|| learned.baseline(state)).and_then(|b| b.point(place));
            let Some(model) = moves.then(model).flatten() else {
                self.record.forget(place as u16);
                self.standing.forget(place as u16);
                continue;
            };
            // What would be normal these days: a summer's temperatures are not the spring's it was learned in.
            let normal = if watch.normal.is_finite() { watch.normal } else { model.reference };
            let level = blocks.recent_mean(place, JUDGED_BLOCKS).map(|residual| normal + residual);
            if let Some(level) = level {
                self.record.judge(place as u16, at, level);
            }
            moving.push(Moving { place, level, normal, scale: model.scale, steady: model.steady });
        }
        if moving.is_empty() {
            if self.last.take().is_some() {
                let none = self.empty(Some("no point moves away from its baseline"));
                out.push(Output::RemainingLife(context.id, at, Box::new(none)));
            }
            return;
        }
        let mut statement = self.empty(None);
        let by_class = context.settings.history.as_deref();
        let mut foreseen = false;
        if let (Some(class), Some(lead)) = (by_class, moving.first()) {
            let normals: Vec<f64> = (0..watches.len()).map(|i| normal_of(i, state, watches, learned)).collect();
            match class.forecast(at, blocks, &normals, lead.place, &layout.conditions, context) {
                Ok((forecast, basis)) => {
                    foreseen = true;
                    statement.forecasts.push(forecast);
                    statement.model = Some("past-cases".into());
                    statement.history = Some(basis);
                }
                Err(why) => statement.history = Some(why),
            }
        }
        for point in &moving {
            let Some(watch) = watches.get(point.place) else { continue };
            self.point(at, point, watch, foreseen, blocks, layout, context, &params, &mut statement);
        }
        let nearest = |f: &Forecast| f.p50_hours.unwrap_or(f64::INFINITY);
        statement.forecasts.sort_by(|a, b| nearest(a).total_cmp(&nearest(b)));
        if !statement.forecasts.is_empty() {
            statement.none_because = None;
        }
        let news = !statement.forecasts.is_empty() || self.last.as_deref() != Some(&statement);
        if news {
            out.push(Output::RemainingLife(context.id, at, Box::new(statement.clone())));
        }
        self.last = Some(Box::new(statement));
    }

    #[expect(clippy::too_many_arguments, reason = "everything the asset knows of one point's level over time")]
    fn point(
        &mut self,
        at: EventTime,
        moving: &Moving,
        watch: &Watch,
        foreseen: bool,
        blocks: &Blocks,
        layout: &Layout,
        context: &Context<'_>,
        params: &CheckedRemaining,
        statement: &mut RemainingLife,
    ) {
        let point = layout.conditions.get(moving.place).copied().unwrap_or(u16::MAX);
        let Some(spec) = context.spec.points.get(usize::from(point)) else { return };
        let mut series = Vec::new();
        blocks.longest(moving.place, &mut series);
        let levels: Vec<Reading> = series.iter().map(|(at, r)| Reading { at: *at, value: moving.normal + r }).collect();
        let named = targets(moving, point, context);
        let targets: Vec<Target> = named.iter().map(|n| n.target).collect();
        let past = are_past(&targets, &levels);
        let given = |n: &Named| (n.target.side, (!n.is_of_baseline()).then_some(n.target.limit));
        let grounds = Grounds::of(watch, past, foreseen, named.iter().map(given).collect());
        if let Some(told) = self.standing.tell(moving.place, at, moving.level, &grounds) {
            // It is a statement of this hour as well, and how it comes out as telling.
            if let Some(milestone) = &told.milestone {
                self.record.bet(moving.place as u16, at, milestone);
            }
            let stated = self.last.iter().flat_map(|last| &last.forecasts);
            // What past cases say is of the asset, and said anew every time.
            let of_point = stated.filter(|f| f.point == spec.name && !(foreseen && f.target == FAILURE));
            statement.forecasts.extend(of_point.map(|f| later(f, told.hours)));
            note(statement, spec, told.said);
            return;
        }
        // What has just begun to move is looked at every hour, however long it stood still before.
        let age_hours = watch.moving_since().map_or(0.0, |since| at.hours_since(since));
        let mut reach = Reach { age_hours, p10_hours: f64::INFINITY, failure_p10_hours: f64::INFINITY };
        if !foreseen && let Some(failure) = failure(at, moving, spec, &levels, &named) {
            reach.failure_p10_hours = failure.p10_hours.unwrap_or(f64::INFINITY);
            statement.forecasts.push(failure);
        }
        let mut milestone = None;
        let said = if past {
            Said::Past
        } else {
            // Degrees Celsius have no zero of their own.
            let has_zero = spec.quantity != Quantity::Temperature;
            let known = Known { correction: self.record.correction(), has_zero, ..Known::default() };
            match forecast_knowing(&levels, at, &targets, &known, params) {
                Err(why) => Said::Nothing(why),
                Ok(life) => {
                    milestone = life.milestone;
                    if let Some(milestone) = &milestone {
                        self.record.bet(moving.place as u16, at, milestone);
                    }
                    reach.age_hours = at.hours_since(life.degradation.onset);
                    for (named, target) in named.into_iter().zip(&life.targets) {
                        let Ok(time) = &target.time else { continue };
                        reach.p10_hours = reach.p10_hours.min(time.p10_hours);
                        statement.forecasts.push(stated(spec, named.name, named.limit, time));
                    }
                    Said::Times(life.model)
                }
            }
        };
        note(statement, spec, said);
        self.standing.begin(moving.place, at, reach, (said, milestone), grounds);
    }

    fn empty(&self, why: Option<&str>) -> RemainingLife {
        let (judged, held) = self.record.held();
        RemainingLife {
            forecasts: Vec::new(),
            model: None,
            none_because: why.map(str::to_owned),
            past_intervals: judged,
            past_intervals_held: held,
            history: None,
        }
    }
}

/// Takes down how a point's times were found, or why there are none.
fn note(statement: &mut RemainingLife, spec: &PointSpec, said: Said) {
    if statement.forecasts.iter().any(|f| f.point == spec.name && f.target == FAILURE) {
        statement.model.get_or_insert_with(|| "power".to_owned());
    }
    match said {
        Said::Times(model) => {
            statement.model.get_or_insert_with(|| model.name().to_owned());
        }
        Said::Nothing(why) => statement.none_because = Some(format!("{}: {why}", spec.name)),
        Said::Past => statement.none_because = Some(format!("{}: its limits are reached already", spec.name)),
    }
}

fn stated(spec: &PointSpec, target: &str, limit: LimitSource, time: &TimeToLimit) -> Forecast {
    Forecast {
        point: spec.name.clone(),
        target: target.to_owned(),
        limit,
        p10_hours: Some(time.p10_hours),
        p50_hours: Some(time.p50_hours),
        p90_hours: time.p90_hours,
    }
}

/// Baseline level of a condition point these days; NaN without a baseline.
pub(super) fn normal_of(place: usize, state: u16, watches: &[Watch], learned: &Learned) -> f64 {
    let Some(watch) = watches.get(place) else { return f64::NAN };
    if watch.normal.is_finite() {
        return watch.normal;
    }
    let baseline = learned.baseline(watch.leading).or_else(|| learned.baseline(state));
    baseline.and_then(|b| b.point(place)).map_or(f64::NAN, |p| p.reference)
}

/// Whether the level has been beyond every limit of one side for a while: no fit would say how long until then, and what
/// it might have left to the other side is nobody's question.
fn are_past(targets: &[Target], levels: &[Reading]) -> bool {
    let Some(lately) = levels.last_chunk::<PAST_BLOCKS>() else { return false };
    let past = |target: &Target| match target.side {
        Side::Upper => lately.iter().all(|level| level.value >= target.limit),
        Side::Lower => lately.iter().all(|level| level.value <= target.limit),
    };
    [Side::Upper, Side::Lower].into_iter().any(|side| {
        let mut of_side = targets.iter().filter(|target| target.side == side).peekable();
        of_side.peek().is_some() && of_side.all(past)
    })
}

/// The limits of a point as targets.
fn targets(moving: &Moving, point: u16, context: &Context<'_>) -> Vec<Named> {
    let Some(spec) = context.spec.points.get(usize::from(point)) else { return Vec::new() };
    let wander = if moving.steady { 1.0 } else { 2.0 };
    let expected = Expected { location: moving.normal, scale: moving.scale * wander };
    let limits = limits_of(point, Some(expected), context);
    let mut named = Vec::new();
    let mut add = |name, limit: Option<Limit>, side| {
        named.extend(limit.map(|l| Named {
            name,
            limit: limit_source(&l, &spec.unit, context),
            target: Target::exact(l.value, side),
        }));
    };
    add("warning", limits.warning_high, Side::Upper);
    add("alarm", limits.alarm_high, Side::Upper);
    add("warning", limits.warning_low, Side::Lower);
    add("alarm", limits.alarm_low, Side::Lower);
    if limits.alarm_high.is_some_and(|l| l.source == Source::Own) {
        let zone_d = context.spec.zones.as_deref().and_then(Preset::by_name).map(|z| z.alarm());
        let is_velocity = spec.quantity == Quantity::VibrationVelocity;
        let limit = zone_d.filter(|_| is_velocity).map(|value| Limit { value, source: Source::Zones, span: value });
        add("zone-d", limit, Side::Upper);
    }
    named
}

/// Hours to the level at which such machines fail, where nobody has set an alarm limit. One from the baseline says that
/// something has changed, not that the machine is at its end.
fn failure(at: EventTime, moving: &Moving, spec: &PointSpec, levels: &[Reading], named: &[Named]) -> Option<Forecast> {
    let limit_known = named.iter().any(|n| n.name == "alarm" && !n.is_of_baseline() && n.target.side == Side::Upper);
    let has_zero = matches!(
        spec.quantity,
        Quantity::VibrationVelocity
            | Quantity::VibrationAcceleration
            | Quantity::VibrationDisplacement
            | Quantity::Other
    );
    let clear_of_zero = moving.normal > CLEAR_OF_ZERO * moving.scale;
    if limit_known || !has_zero || !clear_of_zero {
        return None;
    }
    let (factor, ln_sd) = unknown_failure();
    let doubt = LevelDoubt { healthy: moving.normal, ln_sd };
    let found = course::to_failure(levels, at, factor * moving.normal, Side::Upper, &doubt, moving.scale).ok()?;
    let limit = Measured { value: found.level, unit: spec.unit.clone() };
    Some(stated(spec, FAILURE, LimitSource { limit, source: "assumed".into() }, &found.time))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_past_all_limits_of_a_side_is_past() {
        let levels = |value: f64| -> Vec<Reading> {
            (0..8).map(|hour| Reading { at: EventTime(0).plus_secs(3600.0 * f64::from(hour)), value }).collect()
        };
        let warning = Target::exact(4.0, Side::Upper);
        let alarm = Target::exact(6.0, Side::Upper);
        let low = Target::exact(1.0, Side::Lower);
        assert!(!are_past(&[warning, alarm, low], &levels(5.0)), "the alarm is still ahead");
        assert!(are_past(&[warning, alarm, low], &levels(6.5)));
        assert!(are_past(&[warning, alarm, low], &levels(0.5)));
        assert!(!are_past(&[], &levels(6.5)));
        assert!(!are_past(&[warning], &levels(6.5)[..PAST_BLOCKS - 1]), "not for long enough");
        let mut back = levels(6.5);
        back[6].value = 3.9;
        assert!(!are_past(&[warning], &back));
    }
}

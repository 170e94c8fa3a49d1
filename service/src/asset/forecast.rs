//! Remaining life of one asset: at the end of every block, for each point that moves away from its baseline, hours to
//! each of its limits.

use super::Context;
use super::findings::limit_source;
use super::layout::Layout;
use super::machine::{Watch, limits_of};
use crate::advise::document::{Forecast, RemainingLife};
use crate::engine::Output;
use roundsman_models::detect::learned::Learned;
use roundsman_models::detect::limits::{Expected, Limit, Source};
use roundsman_models::detect::zones::Preset;
use roundsman_models::manipulate::blocks::Blocks;
use roundsman_models::prognose::remaining::{self, RemainingParams, Side, Target};
use roundsman_models::{EventTime, Reading};
use serde::{Deserialize, Serialize};

/// The last statement of an asset's remaining life.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Forecaster {
    last: Option<RemainingLife>,
}

impl Forecaster {
    /// The last statement; `None` before any point moved.
    pub fn statement(&self) -> Option<&RemainingLife> {
        self.last.as_ref()
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
        let moves = |w: &Watch| w.drift.is_some() || w.odd_since.is_some() || w.crossed.is_some();
        if !watches.iter().any(moves) {
            if self.last.take().is_some() {
                let none = none("no point moves away from its baseline");
                out.push(Output::RemainingLife(context.id, at, Box::new(none)));
            }
            return;
        }
        let mut statement = none("");
        let mut series = Vec::new();
        for (i, watch) in watches.iter().enumerate().filter(|(_, w)| moves(w)) {
            let model = learned.baseline(watch.leading).or_else(|| learned.baseline(state)).and_then(|b| b.point(i));
            let Some(model) = model else { continue };
            // What would be normal these days: a summer's temperatures are not the spring's it was learned in.
            let normal = if watch.normal.is_finite() { watch.normal } else { model.reference };
            let point = layout.conditions.get(i).copied().unwrap_or(u16::MAX);
            let Some(spec) = context.spec.points.get(usize::from(point)) else { continue };
            blocks.longest(i, watch.trend_since, &mut series);
            let levels: Vec<Reading> = series.iter().map(|(at, r)| Reading { at: *at, value: normal + r }).collect();
            let wander = if model.steady { 1.0 } else { 2.0 };
            let expected = Expected { location: normal, scale: model.scale * wander };
            let limits = limits_of(point, Some(expected), context);
            let mut named: Vec<(&str, Limit, Side)> = Vec::new();
            let mut add = |name, limit: Option<Limit>, side| named.extend(limit.map(|l| (name, l, side)));
            add("warning", limits.warning_high, Side::Upper);
            add("alarm", limits.alarm_high, Side::Upper);
            add("warning", limits.warning_low, Side::Lower);
            add("alarm", limits.alarm_low, Side::Lower);
            if limits.alarm_high.is_some_and(|l| l.source == Source::Own) {
                let zone_d = context.spec.zones.as_deref().and_then(Preset::by_name).map(|z| z.alarm());
                let is_velocity = spec.quantity == super::spec::Quantity::VibrationVelocity;
                let limit =
                    zone_d.filter(|_| is_velocity).map(|value| Limit { value, source: Source::Zones, span: value });
                add("zone-d", limit, Side::Upper);
            }
            let targets: Vec<Target> =
                named.iter().map(|(_, l, side)| Target::exact(l.value, *side)).collect();
            let Ok(params) = RemainingParams::default().check() else { return };
            match remaining::forecast(&levels, at, &targets, None, &params) {
                Ok(life) => {
                    let mut any = false;
                    let mut reason = None;
                    for ((name, limit, _), target) in named.iter().zip(&life.targets) {
                        match &target.time {
                            Ok(time) => {
                                any = true;
                                statement.forecasts.push(Forecast {
                                    point: spec.name.clone(),
                                    target: (*name).to_owned(),
                                    limit: limit_source(limit, &spec.unit, context),
                                    p10_hours: Some(time.p10_hours),
                                    p50_hours: Some(time.p50_hours),
                                    p90_hours: time.p90_hours,
                                });
                            }
                            Err(why) => reason = Some(why.to_string()),
                        }
                    }
                    if any {
                        statement.model = Some(life.model.name().to_owned());
                    } else if let Some(why) = reason {
                        statement.none_because = Some(format!("{}: {why}", spec.name));
                    }
                }
                Err(why) => statement.none_because = Some(format!("{}: {why}", spec.name)),
            }
        }
        let nearest = |f: &Forecast| f.p50_hours.unwrap_or(f64::INFINITY);
        statement.forecasts.sort_by(|a, b| nearest(a).total_cmp(&nearest(b)));
        if !statement.forecasts.is_empty() {
            statement.none_because = None;
        }
        let news = !statement.forecasts.is_empty() || self.last.as_ref() != Some(&statement);
        if news {
            out.push(Output::RemainingLife(context.id, at, Box::new(statement.clone())));
        }
        self.last = Some(statement);
    }
}

fn none(why: &str) -> RemainingLife {
    RemainingLife { forecasts: Vec::new(), model: None, none_because: Some(why.to_owned()) }
}

//! Memory of the fleet: what past cases of an asset's class say of it, and what it leaves behind for the next.

use super::Context;
use super::machine::Machine;
use crate::advise::document::{Forecast, History, LimitSource, Measured};
use roundsman_models::prognose::RemainingParams;
use roundsman_models::prognose::fleet::case::MOST_ROWS;
use roundsman_models::prognose::fleet::{Case, Fleet, NoFleet};
use roundsman_models::{EventTime, Reading, manipulate::blocks::Blocks};
use std::collections::BTreeMap;
use std::sync::Arc;

/// What was learned from the histories of one class.
#[derive(Debug, Clone, PartialEq)]
pub struct ClassHistory {
    /// Names of the points that all cases have, in the order of the cases' columns.
    points: Vec<String>,
    /// Mean level of each at the end.
    ends: Vec<f64>,
    /// The cases, or why they say nothing.
    fleet: Result<Fleet, String>,
}

/// Learns from histories, by class; those without a class are nobody's.
pub fn learn(histories: &[History]) -> BTreeMap<String, Arc<ClassHistory>> {
    let mut classes: BTreeMap<&str, Vec<&History>> = BTreeMap::new();
    for history in histories {
        if let Some(class) = &history.class {
            classes.entry(class).or_default().push(history);
        }
    }
    classes.into_iter().map(|(class, of_it)| (class.to_owned(), Arc::new(ClassHistory::learn(&of_it)))).collect()
}

impl ClassHistory {
    fn learn(histories: &[&History]) -> Self {
        let first = histories.first().map(|h| h.points.as_slice()).unwrap_or_default();
        let points: Vec<String> =
            first.iter().filter(|p| histories.iter().all(|h| h.points.contains(p))).cloned().collect();
        let cases: Vec<Case> = histories.iter().map(|h| columns(h, &points)).collect();
        let ends = (0..points.len())
            .map(|p| {
                let last = cases.iter().filter_map(|c| c.levels.iter().skip(p).step_by(points.len()).next_back());
                let (n, sum) = last.filter(|v| v.is_finite()).fold((0.0, 0.0), |(n, s), v| (n + 1.0, s + v));
                sum / n
            })
            .collect();
        Self { fleet: Fleet::learn(&cases).map_err(|why| why.to_string()), points, ends }
    }

    /// Remaining life of an asset by its likeness to past cases, as a forecast of its point `lead`, with a sentence on
    /// what it rests on; or the sentence why there is none.
    pub(super) fn forecast(
        &self,
        at: EventTime,
        blocks: &Blocks,
        normals: &[f64],
        lead: usize,
        conditions: &[u16],
        context: &Context<'_>,
    ) -> Result<(Forecast, String), String> {
        let fleet = self.fleet.as_ref().map_err(Clone::clone)?;
        let spec = |i: usize| conditions.get(i).and_then(|p| context.spec.points.get(usize::from(*p)));
        let place = |name: &String| (0..conditions.len()).find(|i| spec(*i).is_some_and(|s| s.name == *name));
        let places: Vec<Option<usize>> = self.points.iter().map(place).collect();
        let normal: Vec<f64> =
            places.iter().map(|p| p.and_then(|i| normals.get(i)).copied().unwrap_or(f64::NAN)).collect();
        let grid = Grid { last: at, step_hours: fleet.step_hours(), rows: fleet.window() };
        let rows = levels(blocks, &places, &normal, &grid);
        let lead_spec = spec(lead).ok_or("its leading point is not defined")?;
        let end = places.iter().position(|p| *p == Some(lead)).and_then(|c| self.ends.get(c));
        let to_end = |p10_hours, p50_hours, p90_hours| Forecast {
            point: lead_spec.name.clone(),
            target: "failure".into(),
            limit: LimitSource {
                limit: Measured { value: end.copied().unwrap_or(f64::NAN), unit: lead_spec.unit.clone() },
                source: "history".into(),
            },
            p10_hours: Some(p10_hours),
            p50_hours: Some(p50_hours),
            p90_hours,
        };
        match fleet.life(&rows, &normal, None) {
            Ok(life) => {
                let alike = life.alike.iter().filter(|(_, w)| *w > 0.0).map(|(name, _)| name.as_str());
                let basis = format!(
                    "{} past cases of its class, most like {}",
                    life.cases,
                    alike.collect::<Vec<_>>().join(", ")
                );
                Ok((to_end(life.p10_hours, life.p50_hours, Some(life.p90_hours)), basis))
            }
            Err(few @ NoFleet::TooFewCases { have, .. }) => {
                let Some(growth) = fleet.growth() else { return Err(few.to_string()) };
                let params = RemainingParams::default().check().map_err(|_| few.to_string())?;
                let index = course(fleet, blocks, &places, &normal, at);
                let time =
                    growth.time_to_end(&index, at, &params).map_err(|why| format!("{few} to compare with; {why}"))?;
                let basis =
                    format!("the level and the growth of {have} past cases of its class, too few to compare it with");
                Ok((to_end(time.p10_hours, time.p50_hours, time.p90_hours), basis))
            }
            Err(why) => Err(why.to_string()),
        }
    }
}

/// The wear index of an asset as far back as its blocks reach, at most as many rows as a past case keeps.
fn course(fleet: &Fleet, blocks: &Blocks, places: &[Option<usize>], normal: &[f64], at: EventTime) -> Vec<Reading> {
    let mut series = Vec::new();
    let mut first = at;
    for place in places.iter().flatten() {
        blocks.longest(*place, &mut series);
        first = series.first().map_or(first, |(t, _)| first.min(*t));
    }
    let step_hours = fleet.step_hours();
    let rows = ((at.hours_since(first) / step_hours) as usize + 1).min(MOST_ROWS);
    let grid = Grid { last: at, step_hours, rows };
    let index = fleet.index_of(&levels(blocks, places, normal, &grid), normal);
    let readings = index.into_iter().enumerate().map(|(row, value)| Reading { at: grid.at(row), value });
    readings.filter(|reading| reading.value.is_finite()).collect()
}

/// A case with these points only.
fn columns(history: &History, points: &[String]) -> Case {
    let case = &history.case;
    let places: Vec<usize> = points.iter().filter_map(|p| history.points.iter().position(|own| own == p)).collect();
    let of = |row: &[f64]| places.iter().map(|p| row.get(*p).copied().unwrap_or(f64::NAN)).collect::<Vec<f64>>();
    Case {
        normal: of(&case.normal),
        levels: case.levels.chunks_exact(case.points().max(1)).flat_map(of).collect(),
        ..case.clone()
    }
}

/// Evenly spaced times, the last one first said.
struct Grid {
    last: EventTime,
    step_hours: f64,
    rows: usize,
}

impl Grid {
    fn at(&self, row: usize) -> EventTime {
        self.last.plus_secs(-3600.0 * self.step_hours * (self.rows - 1 - row) as f64)
    }
}

/// Levels of points at the times of a grid, row after row, by straight lines between block means; NaN before the first
/// block and for points that are not there.
fn levels(blocks: &Blocks, places: &[Option<usize>], normals: &[f64], grid: &Grid) -> Vec<f64> {
    let mut levels = vec![f64::NAN; grid.rows * places.len()];
    let mut series = Vec::new();
    for (column, (place, normal)) in places.iter().zip(normals).enumerate() {
        let Some(point) = *place else { continue };
        blocks.longest(point, &mut series);
        let (Some(first), Some(last)) = (series.first().copied(), series.last().copied()) else { continue };
        let mut next = 0;
        for row in 0..grid.rows {
            let at = grid.at(row);
            while series.get(next).is_some_and(|(t, _)| *t <= at) {
                next += 1;
            }
            let residual = match (next.checked_sub(1).and_then(|b| series.get(b)), series.get(next)) {
                (Some((t, before)), Some((u, after))) => {
                    let share = at.secs_since(*t) / u.secs_since(*t);
                    before + share * (after - before)
                }
                (Some(_), None) => last.1,
                // The first block is dated at its middle.
                (None, _) if first.0.hours_since(at) <= grid.step_hours => first.1,
                (None, _) => f64::NAN,
            };
            if let Some(slot) = levels.get_mut(row * places.len() + column) {
                *slot = normal + residual;
            }
        }
    }
    levels
}

/// The asset's life as a past case that ended with its last block, or with the last one before `until`; `None` before it
/// has a baseline and a day of blocks.
pub(super) fn of_asset(machine: &Machine, until: Option<EventTime>, context: &Context<'_>) -> Option<History> {
    let conditions = &machine.layout().conditions;
    let blocks = machine.blocks();
    let places: Vec<Option<usize>> = (0..conditions.len()).map(Some).collect();
    let normal: Vec<f64> = (0..conditions.len()).map(|i| machine.normal(i)).collect();
    let mut series = Vec::new();
    let (mut first, mut last) = (None::<EventTime>, None::<EventTime>);
    for point in 0..conditions.len() {
        blocks.longest(point, &mut series);
        first = first.into_iter().chain(series.first().map(|s| s.0)).min();
        last = last.into_iter().chain(series.last().map(|s| s.0)).max();
    }
    let (first, last) = (first?, last?);
    // What came after it is another life: the machine was repaired.
    let last = until.map_or(last, |until| last.min(until));
    let span_hours = last.hours_since(first);
    let step_hours = blocks.block_hours().max(span_hours / (MOST_ROWS - 1) as f64);
    let rows = (span_hours / step_hours) as usize + 1;
    let grid = Grid { last, step_hours, rows };
    let case = Case {
        name: context.spec.name.clone(),
        step_hours,
        end_age_hours: None,
        levels: levels(blocks, &places, &normal, &grid),
        normal,
    };
    case.check().ok()?;
    let specs = || conditions.iter().filter_map(|p| context.spec.points.get(usize::from(*p)));
    Some(History {
        site: context.site.to_owned(),
        asset: context.spec.name.clone(),
        class: context.spec.class.clone(),
        ended_at: last,
        points: specs().map(|s| s.name.clone()).collect(),
        units: specs().map(|s| s.unit.clone()).collect(),
        case,
    })
}

//! All that was learned of one asset: its operating states, a baseline for each, and the running memories that
//! follow. Learned once; a state that turns up later is learned beside the others and touches none of them.

use super::baseline::{Baseline, LearnRow, Learning, MAX_POINTS, PointModel, PointTraits, Scored, Smoothed, Still};
use super::budget::{self, BudgetParams, Circumstances, Thresholds};
use super::cusum::{CheckedCusum, CusumParams, Sums};
use super::day_cycle::part_of_day;
use super::operating_state::{MAX_VARIABLES, Place, StateMap};
use crate::{EventTime, Reading};
use serde::{Deserialize, Serialize};

/// States a mixture may find; more would each rest on too few rows of a day.
const MAX_STATES: u32 = 5;
/// Rows a state that turned up later needs before it is learned.
pub const LEAST_NEW_ROWS: usize = 60;
/// States kept at most, so that memory is bounded whatever the machine does.
pub const MAX_KEPT_STATES: usize = 12;

/// What one reading counts for in a cumulative sum at most, standard deviations: less than any limit, so that a single
/// wild one is no step.
const MOST_OF_ONE: f64 = 5.0;

/// A sum whose readings lie on average this many slacks away since its onset rose suddenly.
const SUDDEN_SLACKS: f64 = 2.0;

/// A state counts for forecasts when this share of the learning was spent in it.
const FAIR_PART: f64 = 0.15;

/// Learned rows, as kept while learning: per row the condition points, then the drivers of every lag.
#[derive(Debug, Clone, Copy)]
pub struct Rows<'a> {
    /// Row-major table, `points + lags * drivers` wide, in time order.
    pub table: &'a [f32],
    /// When each row was; a row without has no part of the day.
    pub times: &'a [EventTime],
    /// Condition points.
    pub points: usize,
    /// Operating variables per lag; the first `state_drivers` of them form operating states.
    pub drivers: usize,
    /// How many of the drivers form states.
    pub state_drivers: usize,
    /// Lags kept of each driver.
    pub lags: usize,
}

impl<'a> Rows<'a> {
    fn split(&self) -> Vec<LearnRow<'a>> {
        let width = self.points + self.lags * self.drivers;
        self.table
            .chunks_exact(width.max(1))
            .enumerate()
            .map(|(n, r)| LearnRow {
                points: &r[..self.points],
                drivers: &r[self.points..],
                day: self.times.get(n).map_or(f64::NAN, |at| part_of_day(*at)),
            })
            .collect()
    }
}

/// How it is to be learned and followed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Shape {
    /// Traits of the condition points.
    pub traits: Vec<PointTraits>,
    /// Operating variables per lag.
    pub drivers: usize,
    /// How many of them form states.
    pub state_drivers: usize,
    /// Lags kept of each driver.
    pub lags: usize,
    /// Weight of the newest snapshot in the running means.
    pub weight: f64,
    /// Weight of the newest snapshot in the followed levels.
    pub follow: f64,
}

/// How often it may cry wolf, and what that hangs on besides what is learned.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Allowed {
    /// The budget; one out of range counts as the default.
    pub budget: BudgetParams,
    /// Seconds from one snapshot to the next.
    pub cadence_secs: f64,
    /// Snapshots a condition must persist.
    pub persistence: u32,
    /// Slack of the cumulative sums, standard deviations.
    pub step_slack: f64,
    /// Running time of a coarse block of the drift test, seconds.
    pub block_secs: f64,
    /// Distance of the warning limits, standard deviations: given, and only widened where the budget needs it.
    pub warning_sigmas: f64,
    /// The same for the alarm limits.
    pub alarm_sigmas: f64,
    /// A threshold of the deviation that stands over the budget's.
    pub deviation: Option<f64>,
    /// A limit of the cumulative sums that stands over the budget's.
    pub step_limit: Option<f64>,
    /// A significance of the drift test that stands over the budget's.
    pub drift_significance: Option<f64>,
}

/// What the thresholds of an asset rest on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Basis {
    /// Rows learned from.
    pub rows: u32,
    /// The fewest independent rows any point's spread rests on, over all points and states; NaN without a point.
    pub independent_rows: f64,
    /// Mean correlation of a point's residual with the one before.
    pub correlation: f64,
    /// The most any point's running mean was widened for want of independent rows, a factor of at least 1.
    pub widened: f64,
}

/// One state: its baseline and what runs along.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct State {
    baseline: Baseline,
    smoothed: Smoothed,
    steps: Vec<Sums>,
    /// When it was last seen.
    last_at: Option<EventTime>,
}

/// A sudden, lasting change of one point.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Step {
    /// State it was seen in.
    pub state: u16,
    /// When it began, as far as the cumulative sum tells.
    pub onset: EventTime,
    /// Size in learned standard deviations, signed.
    pub sigmas: f64,
}

/// What one snapshot says. Reused from snapshot to snapshot.
#[derive(Debug, Clone, Default)]
pub struct Watched {
    /// Scores of the points and together.
    pub scored: Scored,
    /// Largest cumulative sum as a share of its limit, signed.
    pub step_share: f64,
    /// Points whose cumulative sum crossed its limit with this snapshot.
    pub stepped: Vec<(usize, Step)>,
}

impl Watched {
    /// Forgets the last snapshot's results for this many points.
    pub fn clear(&mut self, points: usize) {
        self.scored.clear(points);
        self.step_share = 0.0;
        self.stepped.clear();
    }
}

/// Everything learned of one asset.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Learned {
    shape: Shape,
    map: StateMap,
    pooled: Baseline,
    states: Vec<State>,
    allowed: Allowed,
    thresholds: Thresholds,
    steps: CheckedCusum,
}

impl Learned {
    /// Learns states and baselines from the rows. `given`: the state of each row where configuration or a controller
    /// says it (then no mixture is fitted).
    pub fn learn(shape: Shape, rows: Rows<'_>, given: Option<&[u16]>, allowed: Allowed) -> Self {
        let all = rows.split();
        let drivers: Vec<Vec<f64>> = all
            .iter()
            .map(|r| r.drivers[..shape.state_drivers.min(MAX_VARIABLES)].iter().map(|v| f64::from(*v)).collect())
            .collect();
        let map = match given {
            Some(_) => StateMap::learn(&[], 1),
            None => {
                let whole: Vec<Vec<f64>> =
                    drivers.iter().filter(|r| r.iter().all(|v| v.is_finite())).cloned().collect();
                StateMap::learn(&whole, MAX_STATES)
            }
        };
        let pooled = Baseline::learn_apart(&Self::learning(&shape, &all, None));
        let thresholds = thresholds_of(&allowed, &shape, pooled.correlation());
        let steps = steps_of(&allowed, &thresholds);
        let mut learned = Self { shape, map, pooled, states: Vec::new(), allowed, thresholds, steps };
        let places: Vec<u16> = match given {
            Some(given) => given.to_vec(),
            None => drivers
                .iter()
                .map(|d| match learned.map.place(d) {
                    Place::Known(s) => s,
                    Place::Novel | Place::Unknown => 0,
                })
                .collect(),
        };
        let count = given.map_or(learned.map.len(), |g| g.iter().max().map_or(1, |m| usize::from(*m) + 1));
        for s in 0..count.min(MAX_KEPT_STATES) {
            let rows: Vec<LearnRow<'_>> =
                all.iter().zip(&places).filter(|(_, p)| usize::from(**p) == s).map(|(r, _)| *r).collect();
            learned.push_state(&rows);
        }
        learned
    }

    /// Takes another budget: what was learned stays, the thresholds follow.
    pub fn allow(&mut self, allowed: Allowed) {
        self.allowed = allowed;
        self.thresholds = thresholds_of(&allowed, &self.shape, self.pooled.correlation());
        self.steps = steps_of(&allowed, &self.thresholds);
        for state in &mut self.states {
            let means = (self.shape.weight, self.shape.follow);
            state.baseline.give_room(&self.thresholds, means, allowed.warning_sigmas, allowed.alarm_sigmas);
        }
    }

    /// What it was allowed last.
    pub fn allowed(&self) -> &Allowed {
        &self.allowed
    }

    /// The thresholds in force.
    pub fn thresholds(&self) -> &Thresholds {
        &self.thresholds
    }

    /// What they rest on.
    pub fn basis(&self) -> Basis {
        let models = || self.states.iter().flat_map(|s| s.baseline.models());
        Basis {
            rows: self.pooled.rows(),
            independent_rows: models().map(|m| f64::from(m.independent)).fold(f64::NAN, f64::min),
            correlation: self.pooled.correlation(),
            widened: models().map(|m| m.widened).fold(1.0, f64::max),
        }
    }

    fn learning<'a>(shape: &'a Shape, rows: &'a [LearnRow<'a>], pooled: Option<&'a Baseline>) -> Learning<'a> {
        Learning {
            rows,
            traits: &shape.traits,
            drivers: shape.drivers,
            lags: shape.lags,
            weight: shape.weight,
            follow: shape.follow,
            pooled,
        }
    }

    fn push_state(&mut self, rows: &[LearnRow<'_>]) {
        let mut baseline = Baseline::learn(&Self::learning(&self.shape, rows, Some(&self.pooled)));
        let means = (self.shape.weight, self.shape.follow);
        baseline.give_room(&self.thresholds, means, self.allowed.warning_sigmas, self.allowed.alarm_sigmas);
        let steps = vec![Sums::new(&self.steps); self.shape.traits.len()];
        // One more is all there may ever be; doubling would keep room for four.
        self.states.reserve_exact(1);
        self.states.push(State { baseline, smoothed: Smoothed::default(), steps, last_at: None });
    }

    /// Learns a state that turned up later from its own rows. Returns its number, or `None` when as many states are
    /// kept as may be.
    pub fn add_state(&mut self, rows: Rows<'_>) -> Option<u16> {
        if self.states.len() >= MAX_KEPT_STATES {
            return None;
        }
        let all = rows.split();
        let drivers: Vec<Vec<f64>> = all
            .iter()
            .map(|r| r.drivers[..self.shape.state_drivers.min(MAX_VARIABLES)].iter().map(|v| f64::from(*v)).collect())
            .collect();
        let number = self.map.add(&drivers);
        self.push_state(&all);
        Some(number)
    }

    /// States known.
    pub fn states(&self) -> usize {
        self.states.len()
    }

    /// Where operating variables belong.
    pub fn place(&self, drivers: &[f64]) -> Place {
        self.map.place(&drivers[..drivers.len().min(self.shape.state_drivers.min(MAX_VARIABLES))])
    }

    /// Whether the operating variables are in a transient between two snapshots.
    pub fn moved(&self, before: &[f64], now: &[f64]) -> bool {
        self.map.moved(before, now, 0.2)
    }

    /// Baseline of a state.
    pub fn baseline(&self, state: u16) -> Option<&Baseline> {
        self.states.get(usize::from(state)).map(|s| &s.baseline)
    }

    /// The state where a point's level is highest (lowest with `lowest`) among those a fair part of the learning was
    /// spent in: there a limit is reached first.
    pub fn leading_state(&self, point: usize, lowest: bool) -> Option<u16> {
        let total: u32 = self.states.iter().map(|s| s.baseline.rows()).sum();
        let fair = (FAIR_PART * f64::from(total)) as u32;
        let level = |m: &PointModel| if lowest { -m.reference } else { m.reference };
        (0..)
            .zip(&self.states)
            .filter(|(_, s)| s.baseline.rows() >= fair)
            .filter_map(|(number, s)| Some((number, level(s.baseline.point(point)?))))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(number, _)| number)
    }

    /// Scores a snapshot in a known state. An unknown state number scores nothing.
    /// A point whose smoothed score reaches `still` is not followed.
    pub fn watch(
        &mut self,
        state: u16,
        at: EventTime,
        values: &[f64],
        drivers: &[f64],
        still: Still,
        out: &mut Watched,
    ) {
        out.stepped.clear();
        out.step_share = 0.0;
        let Some(s) = self.states.get_mut(usize::from(state)) else {
            out.scored = Scored::default();
            return;
        };
        s.last_at = Some(at);
        let like = Self::learning(&self.shape, &[], None);
        s.baseline.score(values, drivers, part_of_day(at), &like, still, &mut s.smoothed, &mut out.scored);
        for (i, cusum) in s.steps.iter_mut().enumerate().take(MAX_POINTS) {
            let Some(model) = s.baseline.point(i).filter(|m| m.judged()) else { continue };
            let z = out.scored.beyond[i] / model.inflation;
            let reading = Reading { at, value: z.clamp(-MOST_OF_ONE, MOST_OF_ONE) };
            let Some(sums) = cusum.update(&self.steps, reading) else { continue };
            let side = sums.leading();
            let share = side.share_of_limit * side.shift_sigmas.signum();
            if share.abs() > out.step_share.abs() {
                out.step_share = share;
            }
            if side.crossed {
                let size = side.shift_sigmas * model.inflation;
                let meaningful = size.abs() * model.scale >= model.least;
                // A slow change crosses too, but with many readings that are each only a little over the slack; that is
                // the drift test's business.
                let sudden = side.shift_sigmas.abs() >= SUDDEN_SLACKS * self.steps.get().slack_sigmas;
                if sudden && meaningful {
                    out.stepped.push((i, Step { state, onset: side.onset.unwrap_or(at), sigmas: size }));
                }
                *cusum = Sums::new(&self.steps);
            }
        }
    }

    /// Smoothed residual of a point in a state, in learned standard deviations.
    pub fn smoothed(&self, state: u16, point: usize) -> Option<f64> {
        self.states.get(usize::from(state))?.smoothed.get(point)
    }

    /// Whether a point looks as learned in every other state visited since a time, with at least one such.
    pub fn quiet_elsewhere(&self, state: u16, point: usize, since: EventTime) -> bool {
        let mut others = self
            .states
            .iter()
            .enumerate()
            .filter(|(n, s)| *n != usize::from(state) && s.last_at.is_some_and(|at| at > since))
            .filter_map(|(_, s)| Some((s.smoothed.get(point)?, s.baseline.point(point)?.inflation)))
            .peekable();
        // Twice the spread of a running mean of a dozen values, about.
        others.peek().is_some() && others.all(|(z, inflation)| z.abs() < 0.7 * inflation)
    }
}

fn thresholds_of(allowed: &Allowed, shape: &Shape, correlation: f64) -> Thresholds {
    let budget = match allowed.budget.check().or_else(|_| BudgetParams::default().check()) {
        Ok(checked) => checked,
        Err(_) => unreachable!("the default is in range"),
    };
    let points = shape.traits.len().max(1) as u32;
    let mut found = budget::thresholds(
        budget,
        &Circumstances {
            cadence_secs: allowed.cadence_secs,
            persistence: allowed.persistence,
            weight: shape.weight,
            points,
            correlation,
            step_slack: allowed.step_slack,
            block_secs: allowed.block_secs,
        },
    );
    if let Some(deviation) = allowed.deviation {
        found.deviation = deviation;
        found.running_mean = (deviation * deviation + 2.0 * f64::from(points).ln()).sqrt();
    }
    found.step_limit = allowed.step_limit.unwrap_or(found.step_limit);
    found.drift_significance = allowed.drift_significance.unwrap_or(found.drift_significance);
    found
}

fn steps_of(allowed: &Allowed, thresholds: &Thresholds) -> CheckedCusum {
    let params =
        CusumParams { slack_sigmas: allowed.step_slack, limit_sigmas: thresholds.step_limit, ..CusumParams::default() };
    match params.check().or_else(|_| CusumParams::default().check()) {
        Ok(checked) => checked,
        Err(_) => unreachable!("the default is in range"),
    }
}

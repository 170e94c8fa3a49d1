//! All that was learned of one asset: its operating states, a baseline for each, and the running memories that
//! follow. Learned once; a state that turns up later is learned beside the others and touches none of them.

use super::baseline::{Baseline, LearnRow, Learning, MAX_POINTS, PointModel, PointTraits, Scored, Smoothed};
use super::cusum::{CheckedCusum, Cusum};
use super::operating_state::{MAX_VARIABLES, Place, StateMap};
use crate::{EventTime, Reading};
use serde::{Deserialize, Serialize};

/// States a mixture may find; more would each rest on too few rows of a day.
const MAX_STATES: u32 = 5;
/// Rows a state that turned up later needs before it is learned.
pub const LEAST_NEW_ROWS: usize = 60;
/// States kept at most, so that memory is bounded whatever the machine does.
pub const MAX_KEPT_STATES: usize = 12;

/// A sum whose readings lie on average this many slacks away since its onset rose suddenly.
const SUDDEN_SLACKS: f64 = 2.0;

/// A state counts for forecasts when this share of the learning was spent in it.
const FAIR_PART: f64 = 0.15;

/// Learned rows, as kept while learning: per row the condition points, then the drivers of every lag.
#[derive(Debug, Clone, Copy)]
pub struct Rows<'a> {
    /// Row-major table, `points + lags * drivers` wide, in time order.
    pub table: &'a [f32],
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
            .map(|r| LearnRow { points: &r[..self.points], drivers: &r[self.points..] })
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
}

/// One state: its baseline and what runs along.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct State {
    baseline: Baseline,
    smoothed: Smoothed,
    steps: Vec<Cusum>,
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
    steps: CheckedCusum,
}

impl Learned {
    /// Learns states and baselines from the rows. `given`: the state of each row where configuration or a controller
    /// says it (then no mixture is fitted).
    pub fn learn(shape: Shape, rows: Rows<'_>, given: Option<&[u16]>, steps: CheckedCusum) -> Self {
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
        let pooled = Baseline::learn(&Self::learning(&shape, &all, None));
        let mut learned = Self { shape, map, pooled, states: Vec::new(), steps };
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

    fn learning<'a>(shape: &'a Shape, rows: &'a [LearnRow<'a>], pooled: Option<&'a Baseline>) -> Learning<'a> {
        Learning { rows, traits: &shape.traits, drivers: shape.drivers, lags: shape.lags, weight: shape.weight, pooled }
    }

    fn push_state(&mut self, rows: &[LearnRow<'_>]) {
        let baseline = Baseline::learn(&Self::learning(&self.shape, rows, Some(&self.pooled)));
        let steps = (0..self.shape.traits.len()).map(|_| Cusum::new(self.steps)).collect();
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
    pub fn watch(&mut self, state: u16, at: EventTime, values: &[f64], drivers: &[f64], out: &mut Watched) {
        out.stepped.clear();
        out.step_share = 0.0;
        let Some(s) = self.states.get_mut(usize::from(state)) else {
            out.scored = Scored::default();
            return;
        };
        s.last_at = Some(at);
        let like = Self::learning(&self.shape, &[], None);
        s.baseline.score(values, drivers, &like, &mut s.smoothed, &mut out.scored);
        for (i, cusum) in s.steps.iter_mut().enumerate().take(MAX_POINTS) {
            let Some(model) = s.baseline.point(i).filter(|m| m.steady) else { continue };
            let z = out.scored.z[i] / model.inflation;
            let Some(sums) = cusum.update(Reading { at, value: z.clamp(-8.0, 8.0) }) else { continue };
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
                let sudden = side.shift_sigmas.abs() >= SUDDEN_SLACKS * cusum.params().slack_sigmas;
                if sudden && meaningful {
                    out.stepped.push((i, Step { state, onset: side.onset.unwrap_or(at), sigmas: size }));
                }
                cusum.reset();
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

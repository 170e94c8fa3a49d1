//! What is normal in one operating state: learned once, then frozen.
//!
//! For every point a model of its expected value (location, and regression on the operating variables so that load
//! explains what load causes), a robust scale of what is left, and how much that remainder wanders; for the points
//! together their correlation by principal components. Scoring follows the exponentially weighted mean of the
//! standardised residuals, because a lasting change shows there first and a single odd reading does not.
//!
//! *Following.* A day of learning cannot show how far a point wanders with the seasons, with wear that nobody minds or
//! with a loop that warms up for hours. So a sudden change is judged against what was normal lately: a level that
//! follows the residuals slowly, point by point, and stands still while the point is odd. How far running mean and
//! followed level part in ordinary running is learned from the record and goes on being learned (*wobble*), so that a
//! point that turns out to wander more than its record said is given more room. What creeps away slower than the level
//! follows is a drift, and drift and limits look at the residuals themselves: the baseline is frozen for them. A change
//! that has gone seldom leaves a machine exactly where it was: what is left of it, when it is little of what it was, is
//! taken for the new level.
//!
//! *Inflation.* Residuals of machines are autocorrelated, so their running mean spreads more than that of independent
//! values: [`super::running_mean`] says by how much, and scores are divided by it, with the room that
//! [`super::budget`] gives to what a short record leaves unknown. *Steadiness.* A point of which more than half the
//! variance lies between twentieths of the learning record has no known steady level. Where that is a cycle of the day
//! ([`super::day_cycle`]) scores go by the cycle; where it is no more than values wander that resemble the one before,
//! their spread says so; where it is neither (a loop that warms up while it is learned) no step and no pattern can be
//! judged, and the point is left to limits and drift.
//!
//! Sources: EWMA and its variance λ/(2−λ): NIST/SEMATECH e-Handbook 6.3.2.4; multivariate EWMA: Lowry et al. (1992),
//! Technometrics 34(1); T² and SPE: see [`super::pca`]; inflation by variance of block means: Kendall & Stuart,
//! batch means (from memory).
//!
//! Memory: about 150 bytes per point and state, p² × 8 for the components.

use super::autocorrelation;
use super::budget::{self, Thresholds};
use super::day_cycle::DayCycle;
use super::pca::{Pca, PcaParams, PcaScratch, T2Spe};
use super::regression::{PredictorUse, Regression, RegressionParams};
use super::running_mean::{self, Spread, Tails};
use super::tail;
use crate::manipulate::robust;
use ndarray::{Array2, ArrayView2};
use serde::{Deserialize, Serialize};

/// Points of an asset that can be scored together; more are scored one by one.
pub const MAX_TOGETHER: usize = 32;
/// The most points an asset may have.
pub const MAX_POINTS: usize = 64;
/// Number of stretches the learning record is cut into to see how it wanders.
const STRETCHES: usize = 20;
/// A level that wanders by more than this share of the variance beyond a first-order series has causes of its own.
const ORDINARY_WITHIN: f64 = 0.1;
/// Inflation taken over from the pooled record at most: it also holds what the states' own levels explain.
const MOST_POOLED_INFLATION: f64 = 3.0;
/// A richer model is taken when it leaves less than this share of the plainer one's spread.
const EARNS: f64 = 0.9;
/// One reading counts for this many learned standard deviations in a running mean at most.
const MOST_SIGMAS: f64 = 5.0;
/// The wobble is learned this much slower than the level is followed: over some 60 independent running means.
const WOBBLE_SHARE: f64 = 0.25;
/// Square of a smoothed score as it counts for the wobble at most, so that a beginning fault hardly widens its own room.
const MOST_WOBBLE: f64 = 9.0;
/// A point whose smoothed change has gone back to this share of its largest has come back...
const BACK: f64 = 0.3;
/// ...once that has lasted so many spans of the running mean, when 5 % of the way is left at most.
const BACK_FOR: f64 = 3.0;
/// Share of the record that is passed before following is judged.
const WARMED_UP: f64 = 1.0 / 6.0;
/// Share of the threshold of a deviation from which on a point's level is no longer followed, while nothing is wrong.
pub const STILL_SHARE: f64 = 0.7;
/// In the learning record nothing counts as odd: it is what normal is learned from.
const LEARNING_STILL: Still = Still { from: f64::INFINITY };
/// A point has its part in a deviation from this score.
const PART_FROM: f64 = 3.0;
/// A state with fewer rows than this takes the asset's pooled model, shifted to its own level.
const LEAST_OWN_ROWS: usize = 60;

/// How a point follows the operating variables.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Follows {
    /// At once (vibration, current, pressure).
    AtOnce,
    /// With thermal lag: the best of the offered lags is taken.
    WithLag,
}

/// What the learner is told of a point.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PointTraits {
    /// How it follows the operating variables.
    pub follows: Follows,
    /// Changes below this share of the level mean nothing to anybody (0: any change counts).
    pub least_share: f64,
    /// Changes below this, in the point's unit, mean nothing to anybody.
    pub least_change: f64,
    /// A slow change below this share of the level means nothing either.
    pub least_drift_share: f64,
    /// The same in the point's unit.
    pub least_drift: f64,
    /// Column among the operating variables that this point rides on one to one (a bearing temperature on the
    /// ambient one), if any.
    pub rides_on: Option<usize>,
}

/// One learned row: condition points, and the operating variables now and under each lag.
#[derive(Debug, Clone, Copy)]
pub struct LearnRow<'a> {
    /// Values of the condition points, NaN when missing.
    pub points: &'a [f32],
    /// `lags` × q operating variables, the unlagged ones first.
    pub drivers: &'a [f32],
    /// Part of the day, 0 to 1; NaN where it is not known.
    pub day: f64,
}

/// Model of one point in one operating state.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PointModel {
    /// Index of the lag whose operating variables explain it.
    lag: u8,
    rides_on: Option<u8>,
    line: Line,
    /// Median observed in this state, kept unit.
    pub reference: f64,
    /// Robust standard deviation of the residuals, kept unit.
    pub scale: f64,
    /// Ratio of the spread of the running mean to what independent residuals would give, at least 1.
    pub inflation: f64,
    /// Whether the learning record has a steady level.
    pub steady: bool,
    /// Whether its level wanders no more than values do that resemble the one before as its own do.
    ordinary: bool,
    /// What the point does in a day, as a multiple of `scale`; only scores know of it.
    cycle: DayCycle,
    /// Standard deviation that a smoothed residual is measured in, as a multiple of `scale`.
    smoothed_sd: f32,
    /// Correlation of a residual with the one before.
    pub correlation: f32,
    /// Rows that would tell as much of the spread if they were independent.
    pub independent: f32,
    /// How much farther than a normal one its running mean strays.
    tails: Tails,
    /// Factor on its learned spread for want of independent rows and for heavy tails.
    pub widened: f64,
    /// Factor on any spread for what a level that stands still leaves to the running mean.
    room: f32,
    /// Factor on the distance of the baseline's limits, likewise.
    pub limits_widened: f64,
    /// Followed level at the end of the record, as a multiple of `scale`.
    level_at_end: f32,
    /// The least change that means anything to anybody, kept unit; 0 when any does.
    pub least: f64,
    /// The least slow change that does, kept unit.
    pub least_drift: f64,
    /// Rows it rests on.
    pub rows: u32,
}

impl PointModel {
    /// Index of the lag whose operating variables explain it.
    pub fn lag(&self) -> usize {
        usize::from(self.lag)
    }

    /// Whether its running mean can be judged: of a level that wanders for causes of its own nothing is known.
    pub(super) fn judged(&self) -> bool {
        self.steady || self.ordinary || self.cycle.is_any()
    }

    /// What its day brings at this part of it, as a multiple of `scale`.
    fn day(&self, part: f64) -> f64 {
        if self.cycle.is_any() { self.cycle.at(part) } else { 0.0 }
    }

    /// Expected value under these operating variables (`lags` × q as in [`LearnRow::drivers`]).
    pub fn expected(&self, drivers: &[f64], q: usize) -> f64 {
        let own = drivers.get(usize::from(self.lag) * q..(usize::from(self.lag) + 1) * q).unwrap_or(&[]);
        let ridden = self.rides_on.map_or(0.0, |j| own.get(usize::from(j)).copied().unwrap_or(0.0));
        ridden + self.line.at(own)
    }
}

/// What is kept of a [`Regression`] with straight terms: one for each predictor in use, in single precision, which has
/// more digits than a sensor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Line {
    level: f64,
    terms: Box<[Term]>,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Term {
    column: u8,
    low: f32,
    high: f32,
    center: f32,
    slope: f32,
}

impl Line {
    fn of(regression: &Regression) -> Self {
        let predictors = regression.predictors();
        let terms = (0u8..).zip(predictors).filter(|(_, p)| p.used == PredictorUse::Used).map(|(column, p)| Term {
            column,
            low: p.low as f32,
            high: p.high as f32,
            center: p.center as f32,
            slope: (p.linear / p.scale) as f32,
        });
        // At the centre of every predictor, so that what is left is the intercept.
        let centers: Vec<f64> = predictors.iter().map(|p| p.center).collect();
        Self { level: regression.predict(&centers), terms: terms.collect() }
    }

    /// NaN where an operating variable that counts is missing.
    fn at(&self, x: &[f64]) -> f64 {
        self.terms.iter().fold(self.level, |sum, t| {
            let x = x.get(usize::from(t.column)).copied().unwrap_or(f64::NAN);
            // Not `clamp`: a stored state with its ends crossed must not panic. `max` and `min` would lose a NaN.
            let held = if x.is_nan() { f64::NAN } else { x.max(f64::from(t.low)).min(f64::from(t.high)) };
            sum + f64::from(t.slope) * (held - f64::from(t.center))
        })
    }
}

/// Baseline of one operating state.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Baseline {
    points: Vec<Option<PointModel>>,
    /// Indices of the points the components speak of.
    together: Vec<u8>,
    pca: Option<Pca>,
    /// Factor that brings T² and SPE of the running scores to their theoretical spread, at least 1.
    factor: f64,
    rows: u32,
    /// Factor on the squares of the pattern for what its few independent rows leave unknown, at least 1.
    pattern_room: f64,
}

/// Running memory of one operating state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Smoothed(Vec<Memory>);

/// Running memory of one point, all in learned standard deviations.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Memory {
    /// Level lately, followed slowly.
    level: f32,
    /// Smoothed residual beyond that level.
    held: f32,
    /// Largest `held`, without its sign, since the point is odd; 0 while it is not.
    peak: f32,
    /// Snapshots that it has been back to a small part of that peak.
    back: u16,
    /// Running mean square of `held` in units of what the record led to expect; 1 is as expected.
    wobble: f32,
}

/// From which smoothed score on a point counts as odd: its level is not followed then.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Still {
    /// Smoothed score, its own standard deviations.
    pub from: f64,
}

/// What one snapshot gives, per point and together. Fixed size, reused.
#[derive(Debug, Clone)]
pub struct Scored {
    /// Expected value per point; NaN without a model.
    pub expected: [f64; MAX_POINTS],
    /// Residual in the point's unit; NaN without a model or a value.
    pub residual: [f64; MAX_POINTS],
    /// Residual in learned standard deviations; NaN likewise.
    pub z: [f64; MAX_POINTS],
    /// Residual beyond the followed level, learned standard deviations; NaN without a model or a value.
    pub beyond: [f64; MAX_POINTS],
    /// Smoothed standardised residual in its own standard deviations; 0 likewise.
    pub smoothed: [f64; MAX_POINTS],
    /// Whether the smoothed residual is large enough to mean anything.
    pub telling: [bool; MAX_POINTS],
    /// Share of each point in the deviation, summing to 1 (all 0 when nothing could be scored).
    pub share: [f64; MAX_POINTS],
    /// Whether a point that has its part in the deviation changed by enough to mean anything: what is odd and what
    /// matters are two questions.
    pub matters: bool,
    /// Equivalent standard score of the whole snapshot; NaN when nothing could be scored.
    pub deviation: f64,
    /// Whether the points together, rather than one of them, make the deviation.
    pub by_pattern: bool,
    /// Room for the components.
    pca: PcaScratch,
}

impl Smoothed {
    /// Smoothed standardised residual of a point, in learned standard deviations.
    pub fn get(&self, point: usize) -> Option<f64> {
        self.0.get(point).map(|m| f64::from(m.level) + f64::from(m.held))
    }
}

impl Scored {
    /// Forgets the last snapshot's results for this many points.
    pub fn clear(&mut self, points: usize) {
        let n = points.min(MAX_POINTS);
        for list in [&mut self.expected, &mut self.residual, &mut self.z, &mut self.beyond] {
            list[..n].fill(f64::NAN);
        }
        self.smoothed[..n].fill(0.0);
        self.share[..n].fill(0.0);
        self.telling[..n].fill(false);
        self.deviation = f64::NAN;
        self.matters = false;
        self.by_pattern = false;
    }
}

impl Default for Scored {
    fn default() -> Self {
        Self {
            expected: [f64::NAN; MAX_POINTS],
            residual: [f64::NAN; MAX_POINTS],
            z: [f64::NAN; MAX_POINTS],
            beyond: [f64::NAN; MAX_POINTS],
            smoothed: [0.0; MAX_POINTS],
            telling: [false; MAX_POINTS],
            share: [0.0; MAX_POINTS],
            matters: false,
            deviation: f64::NAN,
            by_pattern: false,
            pca: PcaScratch::default(),
        }
    }
}

/// Everything a baseline is learned from.
pub struct Learning<'a> {
    /// The rows of one state (or of all, for the pooled one), in time order.
    pub rows: &'a [LearnRow<'a>],
    /// Condition points.
    pub traits: &'a [PointTraits],
    /// Operating variables per lag.
    pub drivers: usize,
    /// Lags offered, at least 1.
    pub lags: usize,
    /// Weight of the newest value in the running mean, 0 to 1.
    pub weight: f64,
    /// Weight of the newest value in the followed level, 0 to 1; much smaller.
    pub follow: f64,
    /// The asset's pooled baseline, when this one is of a single state.
    pub pooled: Option<&'a Baseline>,
}

impl Baseline {
    /// Learns from what is there: points without enough values get no model.
    pub fn learn(from: &Learning<'_>) -> Self {
        let mut baseline = Self::learn_apart(from);
        baseline.learn_pattern(from);
        baseline
    }

    /// The same without how the points move together: for a record that nothing is scored by, and whose points only lend
    /// what they know to the states'.
    pub fn learn_apart(from: &Learning<'_>) -> Self {
        let p = from.traits.len();
        let mut scratch = Vec::with_capacity(from.rows.len());
        let points: Vec<Option<PointModel>> = (0..p).map(|i| learn_point(from, i, &mut scratch)).collect();
        Self {
            points,
            together: Vec::new(),
            pca: None,
            factor: 1.0,
            rows: u32::try_from(from.rows.len()).unwrap_or(u32::MAX),
            pattern_room: 1.0,
        }
    }

    /// Rows it rests on.
    pub fn rows(&self) -> u32 {
        self.rows
    }

    /// Model of a point.
    pub fn point(&self, i: usize) -> Option<&PointModel> {
        self.points.get(i).and_then(|m| m.as_ref())
    }

    /// Models of the points that have one.
    pub fn models(&self) -> impl Iterator<Item = &PointModel> {
        self.points.iter().flatten()
    }

    /// Mean correlation of a residual with the one before, over the points that are scored; 0 without any.
    pub fn correlation(&self) -> f64 {
        let (sum, n) =
            self.models().fold((0.0, 0u32), |(sum, n), m| (sum + f64::from(m.correlation).clamp(0.0, 0.99), n + 1));
        sum / f64::from(n.max(1))
    }

    /// Gives points whose spread rests on few independent rows the room that keeps the thresholds' promise.
    /// `weight` and `follow` as in [`Learning`].
    pub fn give_room(
        &mut self,
        thresholds: &Thresholds,
        (weight, follow): (f64, f64),
        warning_sigmas: f64,
        alarm_sigmas: f64,
    ) {
        self.pattern_room = self.room_of_pattern(thresholds);
        for model in self.points.iter_mut().flatten() {
            let mean = thresholds.running_mean;
            let rho = f64::from(model.correlation);
            let going_on = 2.0 / (WOBBLE_SHARE * follow) / running_mean::memory(weight, rho);
            let round = Spread::of(weight, follow, rho);
            let still = STILL_SHARE * thresholds.deviation / mean;
            // Tails are of the record; a spread that has grown since is wander, which they do not describe.
            model.widened =
                budget::room_beside(mean, f64::from(model.independent), going_on) * model.tails.factor(mean);
            model.room = (round.to_threshold(still) / round.followed).sqrt() as f32;
            // Limits lie about the frozen baseline, round which a point wanders more than round a followed level.
            let rows = f64::from(model.rows) / (model.inflation * model.inflation);
            let of = |needed: f64| budget::widened(needed, rows);
            model.limits_widened =
                (of(thresholds.limit_warning) / warning_sigmas).max(of(thresholds.limit_alarm) / alarm_sigmas).max(1.0);
        }
    }

    /// The pattern's components come from rows that resemble each other; in the far tail what they leave unknown is much.
    /// Hotelling's T² of new rows is distributed as F where the covariance is estimated and as χ² where it is known.
    fn room_of_pattern(&self, thresholds: &Thresholds) -> f64 {
        let Some(pca) = &self.pca else { return 1.0 };
        let rho = self.correlation();
        let rows = f64::from(self.rows) * (1.0 - rho * rho) / (1.0 + rho * rho);
        let squares = thresholds.deviation * thresholds.deviation + 2.0 * 2f64.ln();
        pca.room(rows, tail::two_sided_p(squares.sqrt()))
    }

    fn learn_pattern(&mut self, from: &Learning<'_>) {
        let together: Vec<u8> = self
            .points
            .iter()
            .enumerate()
            .filter(|(_, m)| m.as_ref().is_some_and(PointModel::judged))
            .map(|(i, _)| i as u8)
            .take(MAX_TOGETHER)
            .collect();
        if together.len() < 2 || from.rows.len() < (10 * together.len()).max(LEAST_OWN_ROWS) {
            return;
        }
        let q = from.drivers;
        let mut drivers = vec![0.0; q * from.lags];
        let mut table = Array2::<f64>::zeros((from.rows.len(), together.len()));
        let mut kept = 0;
        for row in from.rows {
            widen(row.drivers, &mut drivers);
            let mut whole = true;
            for (j, i) in together.iter().enumerate() {
                let i = usize::from(*i);
                let z = self.points[i].as_ref().map_or(f64::NAN, |m| {
                    (f64::from(row.points[i]) - m.expected(&drivers, q)) / m.scale - m.day(row.day)
                });
                whole &= z.is_finite();
                // Winsorised: a few odd rows must not turn the components.
                table[(kept, j)] = z.clamp(-4.0, 4.0);
            }
            kept += usize::from(whole);
        }
        let table = table.slice_axis(ndarray::Axis(0), ndarray::Slice::from(..kept));
        let Some(pca) = PcaParams::default().check().ok().and_then(|c| Pca::fit(table, c).ok()) else { return };
        self.together = together;
        self.pca = Some(pca);
        // The record's own running scores say how far theory is from this machine's autocorrelation.
        let mut memory = Smoothed::default();
        let mut scored = Scored::default();
        let (mut index, mut squares, mut seen) = (0.0, 0.0, 0u32);
        let mut values = vec![f64::NAN; self.points.len()];
        for (n, row) in from.rows.iter().enumerate() {
            widen(row.drivers, &mut drivers);
            widen(row.points, &mut values);
            self.score(&values, &drivers, row.day, from, LEARNING_STILL, &mut memory, &mut scored);
            if (n as f64) < WARMED_UP * from.rows.len() as f64 {
                continue;
            }
            if let (Some(row), Some(pca)) = (self.pattern(&mut scored), &self.pca) {
                index += pca.combined(row);
                squares += self.together.iter().map(|i| scored.smoothed[usize::from(*i)].powi(2)).sum::<f64>();
                seen += 1;
            }
        }
        if let Some(pca) = &self.pca {
            self.factor = 1.0;
            let (mean, dof) = pca.combined_moments();
            let points = self.together.len() as f64;
            // What of the pattern's spread is not that of its points, if it is more than chance.
            let apart = (index / mean / (squares / points)).ln();
            let means = f64::from(seen) / running_mean::memory(from.weight, self.correlation());
            let doubt = 2.0 / (dof * means.max(1.0));
            if apart.is_finite() && apart > 0.0 {
                self.factor = (apart * (1.0 - doubt / (apart * apart)).max(0.0)).exp();
            }
        }
    }

    fn pattern(&self, scored: &mut Scored) -> Option<T2Spe> {
        let pca = self.pca.as_ref()?;
        let mut z = [0.0; MAX_TOGETHER];
        for (z, i) in z.iter_mut().zip(&self.together) {
            *z = scored.smoothed[usize::from(*i)];
        }
        pca.score(&z[..self.together.len()], &mut scored.pca)
    }

    /// Scores one snapshot and moves the running memory on. `values`: condition points, NaN when missing; `drivers`
    /// and `day` as in [`LearnRow`]. `like` gives traits and weights (its rows are not looked at). Allocates only on the
    /// first call of a memory.
    #[expect(clippy::too_many_arguments, reason = "a snapshot, how it is followed, and where to put what it says")]
    pub fn score(
        &self,
        values: &[f64],
        drivers: &[f64],
        day: f64,
        like: &Learning<'_>,
        still: Still,
        memory: &mut Smoothed,
        out: &mut Scored,
    ) {
        let q = like.drivers;
        let p = self.points.len().min(values.len()).min(MAX_POINTS);
        if memory.0.len() != self.points.len() {
            let start = |m: &Option<PointModel>| Memory {
                level: m.as_ref().map_or(0.0, |m| m.level_at_end),
                held: 0.0,
                peak: 0.0,
                back: 0,
                wobble: 1.0,
            };
            memory.0 = self.points.iter().map(start).collect();
        }
        let (mut worst, mut sum, mut counted) = (0.0_f64, 0.0, 0u32);
        for (i, value) in values.iter().enumerate().take(p) {
            (out.smoothed[i], out.telling[i], out.beyond[i]) = (0.0, false, f64::NAN);
            let Some(model) = &self.points[i] else {
                (out.expected[i], out.residual[i], out.z[i]) = (f64::NAN, f64::NAN, f64::NAN);
                continue;
            };
            let expected = model.expected(drivers, q);
            let residual = value - expected;
            (out.expected[i], out.residual[i], out.z[i]) = (expected, residual, residual / model.scale);
            if !residual.is_finite() {
                continue;
            }
            let z = out.z[i] - model.day(day);
            out.beyond[i] = z - f64::from(memory.0[i].level);
            let (s, held) = memory.0[i].step(z, model, like, still);
            if !model.judged() {
                continue;
            }
            out.smoothed[i] = s;
            out.telling[i] = held.abs() * model.scale >= model.least;
            worst = worst.max(s.abs());
            sum += s * s;
            counted += 1;
        }
        for i in 0..p {
            out.share[i] = if sum > 0.0 { out.smoothed[i] * out.smoothed[i] / sum } else { 0.0 };
        }
        if counted == 0 {
            (out.deviation, out.by_pattern, out.matters) = (f64::NAN, false, false);
            return;
        }
        out.matters = (0..p).any(|i| out.telling[i] && out.smoothed[i].abs() >= PART_FROM);
        // The largest of p scores: P(max > s) ≈ p · P(|z| > s), so z² = s² − 2 ln p to the leading order of the tail.
        let single = (worst * worst - 2.0 * f64::from(counted).ln()).max(0.0).sqrt();
        out.deviation = single;
        out.by_pattern = false;
        if let (Some(pca), Some(row)) = (&self.pca, self.pattern(out)) {
            let room = self.factor * self.pattern_room;
            let row = T2Spe { t2: row.t2 / room, spe: row.spe / room, ..row };
            let together = pca.deviation(row);
            // Two statistics are looked at, the largest point and this one.
            let together = (together * together - 2.0 * 2f64.ln()).max(0.0).sqrt();
            if together > out.deviation {
                out.deviation = together;
                out.by_pattern = true;
            }
        }
    }
}

impl Memory {
    /// Takes a standardised residual; gives the smoothed score in its own standard deviations, and the smoothed change in
    /// learned ones.
    fn step(&mut self, z: f64, model: &PointModel, like: &Learning<'_>, still: Still) -> (f64, f64) {
        let level = f64::from(self.level);
        // One reading counts for no more than a few standard deviations, so that a spike does not look lasting; but for
        // enough that a change that matters is not held down.
        let most = MOST_SIGMAS.max(2.0 * model.least / model.scale);
        let beyond = (z - level).clamp(-most, most);
        let held = f64::from(self.held) + like.weight * (beyond - f64::from(self.held));
        let expected = held / f64::from(model.smoothed_sd);
        let wobble = f64::from(self.wobble);
        let score = expected / (f64::from(model.room) * model.widened.max(wobble.sqrt()));
        self.held = held as f32;
        if score.abs() < still.from {
            let moved = like.follow * beyond;
            self.level = (level + moved) as f32;
            self.held = (held - moved) as f32;
            let square = (expected * expected).min(MOST_WOBBLE);
            self.wobble = (wobble + WOBBLE_SHARE * like.follow * (square - wobble)) as f32;
            (self.peak, self.back) = (0.0, 0);
        } else {
            self.peak = self.peak.max(held.abs() as f32);
            let back = held.abs() < BACK * f64::from(self.peak);
            self.back = if back { self.back.saturating_add(1) } else { 0 };
            // What a change leaves behind when it goes is not the change.
            if f64::from(self.back) * like.weight > BACK_FOR {
                (self.level, self.held) = ((level + held) as f32, 0.0);
                (self.peak, self.back) = (0.0, 0);
            }
        }
        (score, held)
    }
}

fn widen(from: &[f32], to: &mut [f64]) {
    for (t, f) in to.iter_mut().zip(from) {
        *t = f64::from(*f);
    }
}

/// Learns the model of one point: location, regression, scale, inflation, steadiness.
fn learn_point(from: &Learning<'_>, i: usize, scratch: &mut Vec<f64>) -> Option<PointModel> {
    let traits = from.traits.get(i)?;
    let q = from.drivers;
    let usable: Vec<&LearnRow<'_>> =
        from.rows.iter().filter(|r| r.points.get(i).is_some_and(|v| v.is_finite())).collect();
    if usable.len() < 10 {
        return None;
    }
    let y: Vec<f64> = usable.iter().map(|r| f64::from(r.points[i])).collect();
    let reference = robust::median(&y, scratch)?;
    let lags = match traits.follows {
        Follows::AtOnce => 0..1,
        Follows::WithLag => 0..from.lags,
    };
    let pooled = from.pooled.and_then(|b| b.point(i));
    // A thermal point remembers hours of other states: only the pooled model can know it.
    let own_model = pooled.is_none() || (traits.follows == Follows::AtOnce && usable.len() >= LEAST_OWN_ROWS);
    let mut best: Option<(f64, u8, Regression)> = None;
    if own_model {
        let params = RegressionParams::default().check().ok()?;
        for lag in lags {
            let mut x: Vec<f64> =
                usable.iter().flat_map(|r| r.drivers[lag * q..(lag + 1) * q].iter().map(|v| f64::from(*v))).collect();
            let target: Vec<f64> = match traits.rides_on {
                Some(j) => y.iter().enumerate().map(|(n, v)| v - x[n * q + j]).collect(),
                None => y.clone(),
            };
            if best.is_none() {
                let flat = Regression::fit(ArrayView2::from_shape((target.len(), 0), &[]).ok()?, &target, params);
                let spread = residual_scale(&residuals(&flat, &[], 0, &target), scratch);
                best = Some((spread, lag as u8, flat));
            }
            // Load, and a lag of it, must earn their place: every coefficient is one more thing that may be wrong.
            let mut try_with = |x: &[f64]| {
                let table = ArrayView2::from_shape((target.len(), q), x).ok()?;
                let regression = Regression::fit(table, &target, params);
                let spread = residual_scale(&residuals(&regression, x, q, &target), scratch);
                if best.as_ref().is_none_or(|b| spread < EARNS * b.0) {
                    best = Some((spread, lag as u8, regression));
                }
                Some(())
            };
            // What is ridden on one to one comes in once more only if that earns its place too: a day shows too little of
            // the weather to know a slope by, and the weather goes far beyond it.
            if let Some(j) = traits.rides_on {
                let with = x.clone();
                x.iter_mut().skip(j).step_by(q).for_each(|v| *v = f64::NAN);
                try_with(&x)?;
                try_with(&with)?;
            } else {
                try_with(&x)?;
            }
        }
    }
    let (lag, line) = match (best, pooled) {
        (Some((_, lag, regression)), _) => (lag, Line::of(&regression)),
        (None, Some(model)) => (model.lag, model.line.clone()),
        (None, None) => return None,
    };
    let mut model = PointModel {
        lag,
        rides_on: traits.rides_on.and_then(|j| u8::try_from(j).ok()),
        line,
        reference,
        scale: 1.0,
        inflation: 1.0,
        steady: true,
        ordinary: false,
        cycle: DayCycle::NONE,
        smoothed_sd: 1.0,
        correlation: 0.0,
        independent: 0.0,
        tails: Tails::NORMAL,
        widened: 1.0,
        room: 1.0,
        limits_widened: 1.0,
        level_at_end: 0.0,
        least: 0.0,
        least_drift: 0.0,
        rows: u32::try_from(usable.len()).unwrap_or(u32::MAX),
    };
    let mut drivers = vec![0.0; q * from.lags];
    let mut left: Vec<f64> = usable
        .iter()
        .zip(&y)
        .map(|(r, y)| {
            widen(r.drivers, &mut drivers);
            y - model.expected(&drivers, q)
        })
        .collect();
    if !own_model && traits.follows == Follows::AtOnce {
        // The pooled slope with this state's own level.
        let level = robust::median(&left, scratch)?;
        model.line.level += level;
        left.iter_mut().for_each(|v| *v -= level);
    }
    // What is followed is a running mean, and on a coarse sensor the middle value lies a good part of a step beside the
    // mean: the level is the mean, with wild rows held in.
    let held = 3.0 * residual_scale(&left, scratch);
    let level = left.iter().map(|v| v.max(-held).min(held)).sum::<f64>() / left.len() as f64;
    model.line.level += level;
    left.iter_mut().for_each(|v| *v -= level);
    let spread = residual_scale(&left, scratch);
    let resolution = least_step(&y);
    // A channel that never moved in the whole record can't be scored: any change would be infinitely odd.
    if spread <= 0.0 || !spread.is_finite() {
        return None;
    }
    // A value spread evenly over one step of the sensor has this standard deviation.
    model.scale = spread.max(resolution / 12f64.sqrt());
    if let (Some(p), false) = (pooled, own_model) {
        // Few rows see little of the spread.
        model.scale = model.scale.max(0.5 * p.scale);
    }
    let z: Vec<f64> = left.iter().map(|v| (v / model.scale).clamp(-MOST_SIGMAS, MOST_SIGMAS)).collect();
    let weight = from.weight;
    let alone = (weight / (2.0 - weight)).sqrt();
    // How a point wanders is its own, not the state's, and the longer record knows it better: a state's visits are
    // short and its level was fitted to them.
    model.inflation = match pooled {
        Some(p) if z.len() < LEAST_OWN_ROWS => p.inflation,
        Some(p) => inflation(&z, weight, alone).max(p.inflation.min(MOST_POOLED_INFLATION)),
        None => inflation(&z, weight, alone),
    };
    model.steady = match (pooled, z.len() >= LEAST_OWN_ROWS) {
        (Some(p), false) => p.steady,
        _ => between_share(&z) < 0.5,
    };
    model.ordinary = match (pooled, z.len() >= LEAST_OWN_ROWS) {
        (Some(p), false) => p.ordinary,
        _ => between_share(&z) < between_share_of(running_mean::residuals(&z).rho, z.len()) + ORDINARY_WITHIN,
    };
    // One day may show what every day brings; a state's visits are too short for it.
    model.cycle = match pooled {
        Some(p) => p.cycle.times(p.scale / model.scale),
        None if model.steady => DayCycle::NONE,
        None => {
            let parts: Vec<f64> = usable.iter().map(|r| r.day).collect();
            DayCycle::of(&z, &parts).unwrap_or(DayCycle::NONE)
        }
    };
    let z: Vec<f64> = usable.iter().zip(&z).map(|(r, z)| z - model.day(r.day)).collect();
    let followed = follow_record(&z, weight, from.follow);
    let residuals = running_mean::residuals(&z);
    let known = running_mean::combined(weight, from.follow, residuals, followed.square, followed.seen);
    let fitted = model.line.terms.len() + if model.cycle.is_any() { 2 } else { 0 };
    let mut spread = (known.variance + fitted as f64 / z.len().max(1) as f64 * residuals.square).sqrt();
    let mut independent = known.independent;
    model.level_at_end = followed.level as f32;
    model.correlation = residuals.rho as f32;
    model.tails = Tails::of(&z, running_mean::weight_as_long(weight, residuals.rho));
    if let Some(p) = pooled {
        // What a state with few rows rests on is the asset's record.
        let there = f64::from(p.smoothed_sd);
        if z.len() < LEAST_OWN_ROWS {
            spread = there * p.scale / model.scale;
            (model.correlation, model.tails) = (p.correlation, p.tails);
        } else {
            spread = spread.max(there.min(MOST_POOLED_INFLATION * alone));
        }
        independent = independent.max(0.5 * f64::from(p.independent));
    }
    (model.smoothed_sd, model.independent) = (spread as f32, independent as f32);
    model.least = traits.least_change.max(traits.least_share * reference.abs());
    model.least_drift = traits.least_drift.max(traits.least_drift_share * reference.abs());
    Some(model)
}

fn residuals(regression: &Regression, x: &[f64], q: usize, y: &[f64]) -> Vec<f64> {
    y.iter().enumerate().map(|(n, y)| y - regression.predict(&x[n * q..(n + 1) * q])).collect()
}

/// Robust standard deviation that does not vanish on coarse sensors: the larger of the scaled MAD and the standard
/// deviation of the inner 98 %.
fn residual_scale(values: &[f64], scratch: &mut Vec<f64>) -> f64 {
    let mad = robust::location_scale(values, scratch).map_or(0.0, |s| s.1);
    let mut sorted = values.to_vec();
    sorted.sort_by(|a, b| a.abs().total_cmp(&b.abs()));
    let inner = &sorted[..sorted.len() - sorted.len() / 50];
    let mean = inner.iter().sum::<f64>() / inner.len().max(1) as f64;
    let sd = (inner.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / inner.len().max(1) as f64).sqrt();
    mad.max(sd)
}

/// The smallest step between two different values: the sensor's resolution as far as the record shows it.
fn least_step(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let size = sorted.last().map_or(0.0, |v| v.abs()).max(sorted.first().map_or(0.0, |v| v.abs()));
    sorted.windows(2).map(|w| w[1] - w[0]).filter(|d| *d > 1e-6 * size).fold(f64::INFINITY, f64::min).min(size)
}

/// Spread of the running mean over the record against that of independent values.
fn inflation(z: &[f64], weight: f64, alone: f64) -> f64 {
    let mut held = 0.0;
    let skip = ((3.0 / weight) as usize).min(z.len() / 4);
    let (mut sum, mut n) = (0.0, 0u32);
    for (i, v) in z.iter().enumerate() {
        held += weight * (v - held);
        if i >= skip {
            sum += held * held;
            n += 1;
        }
    }
    if n == 0 { 1.0 } else { ((sum / f64::from(n)).sqrt() / alone).max(1.0) }
}

/// What following the learning record showed.
struct Followed {
    /// Mean square of the running mean round the followed level.
    square: f64,
    /// Its values that rests on.
    seen: f64,
    /// Followed level at the end, standard deviations.
    level: f64,
}

/// Follows the record as scoring will.
fn follow_record(z: &[f64], weight: f64, follow: f64) -> Followed {
    let skip = (WARMED_UP * z.len() as f64) as usize;
    let mut level = z[..skip].iter().sum::<f64>() / skip.max(1) as f64;
    let (mut held, mut sum, mut n) = (0.0, 0.0, 0u32);
    for (i, v) in z.iter().enumerate() {
        held += weight * (v - level - held);
        if i >= skip {
            sum += held * held;
            n += 1;
        }
        let moved = follow * (v - level);
        level += moved;
        held -= moved;
    }
    Followed { square: sum / f64::from(n), seen: f64::from(n), level }
}

/// Share of the variance that lies between the stretches of the record, 0 to 1.
fn between_share(z: &[f64]) -> f64 {
    let len = z.len() / STRETCHES;
    if len < 2 {
        return 0.0;
    }
    let used = &z[..len * STRETCHES];
    let mean = used.iter().sum::<f64>() / used.len() as f64;
    let total: f64 = used.iter().map(|v| (v - mean) * (v - mean)).sum();
    let between: f64 = used
        .chunks_exact(len)
        .map(|c| {
            let m = c.iter().sum::<f64>() / len as f64 - mean;
            len as f64 * m * m
        })
        .sum();
    if total > 0.0 { between / total } else { 0.0 }
}

/// The same of a first-order series with this correlation, to be expected of a record as long.
fn between_share_of(rho: f64, rows: usize) -> f64 {
    let mean = |n: usize| autocorrelation::first_order_inflation(rho, n) / n.max(1) as f64;
    let (whole, stretch) = (mean(rows), mean(rows / STRETCHES));
    if whole < 1.0 { ((stretch - whole) / (1.0 - whole)).max(0.0) } else { 0.0 }
}

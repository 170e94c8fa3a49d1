//! Remaining life from likeness: the stretch behind us against every stretch of every past case.
//!
//! With the wear index x of the last n rows, every past case c and every row τ of it, the weight is
//! w(c, τ) ∝ exp(−½ · ρ · Σᵢ (x₋ᵢ − x_c(τ−i))² / v) · exp(−½ · (ln(age/age_c(τ)) / α)²), the second factor where ages are known, and the life that followed τ gets
//! it. v: variance of single rows about a smooth course. ρ = [`ROW_WORTH`]: no past case is the true course, so rows
//! count for less than independent witnesses. α = [`AGE_SPREAD`]. The lives are smeared in the logarithm, the more the
//! fewer cases carry the weight. Both constants, the window and the cap of the index were chosen on held-out engines of
//! the open turbofan set with seeds other than those of the test.
//!
//! Calibration by leaving out: each past case (at most [`MOST_LEFT_OUT`]) is asked about at [`CUTS`] of its life with all
//! others as its past. How the truth fell in the stated distributions gives the [`Correction`]; how far its nearest
//! likeness was gives the distance beyond which a machine is like none of the cases. The index itself is learned with it
//! included, which flatters a little.
//!
//! Cost of a statement: cases × rows × window; memory: 8 bytes per row of a case.
//!
//! Sources: Wang, Yu, Siegel & Lee (2008), PHM 2008 (trajectory similarity); likelihoods raised to a power under
//! misspecification: Bissiri, Holmes & Walker (2016), JRSS B 78; calibration by residuals of left-out cases: Barber,
//! Candès, Ramdas & Tibshirani (2021), Annals of Statistics 49 (jackknife+) (from memory).

use super::case::{Case, CaseFault};
use super::growth::Growth;
use super::index::{Index, median};
use super::{FEWEST_CASES, FEWEST_SIMILAR};
use crate::prognose::first_passage::{normal_cdf, rising_root};
use crate::prognose::remaining::{Correction, Z90, normal_score};
use serde::{Deserialize, Serialize};
use std::fmt;

/// What one row of the window counts for.
pub const ROW_WORTH: f64 = 0.3;
/// Standard deviation of the logarithm of the age at which alike machines are alike.
pub const AGE_SPREAD: f64 = 0.3;
/// Window as a share of the median life.
const WINDOW_SHARE: f64 = 0.3;
/// Shorter windows are not compared, rows.
const FEWEST_ROWS: usize = 10;
/// Cases left out in turn.
pub const MOST_LEFT_OUT: usize = 24;
/// Shares of life at which a case left out is asked about.
pub const CUTS: [f64; 3] = [0.55, 0.75, 0.92];
/// A machine further from all cases than this many times the farthest case left out is like none.
const FAR_FACTOR: f64 = 1.5;
/// Smearing, standard deviation of the logarithm, when one case carries all weight.
const LONE_SPREAD: f64 = 0.5;
/// Answers of left-out cases that "the intervals are right as they are" counts for.
const PRIOR_ANSWERS: f64 = 8.0;
/// Weights below this share of the largest are left out.
const NEGLIGIBLE_LN: f64 = -16.0;

/// A past case as its wear index.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Course {
    name: String,
    smooth: Vec<f64>,
    /// Age at its first row; `None`: nobody knows.
    start_age_hours: Option<f64>,
}

/// What the past cases of one class taught.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fleet {
    index: Index,
    courses: Vec<Course>,
    step_hours: f64,
    window: usize,
    row_var: f64,
    /// Mean squared distance per row, in `row_var`, beyond which nothing is alike; infinite when never calibrated.
    far: f64,
    correction: Correction,
    growth: Option<Growth>,
}

/// Why the fleet says nothing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[expect(missing_docs, reason = "fields are said by Display and the variants' own lines")]
pub enum NoFleet {
    /// Not enough past cases.
    TooFewCases { have: usize, need: usize },
    /// A case is malformed.
    Unusable { case: String, why: String },
    /// Cases with different points.
    UnlikePoints { case: String },
    /// No point tells how much life is left.
    NoIndex,
    /// The machine was not watched for long enough, or a point of the index is missing.
    TooShort { have: usize, need: usize },
    /// The machine is like none of the past cases.
    LikeNone { times: f64 },
}

impl fmt::Display for NoFleet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooFewCases { have, need } => write!(f, "{have} past cases of its class, {need} needed"),
            Self::Unusable { case, why } => write!(f, "past case {case:?}: {why}"),
            Self::UnlikePoints { case } => write!(f, "past case {case:?} has other points than the first"),
            Self::NoIndex => write!(f, "no point of the past cases tells how much life is left"),
            Self::TooShort { have, need } => {
                write!(f, "too short a stretch to compare with past cases: {have} of {need} rows")
            }
            Self::LikeNone { times } => {
                write!(f, "like none of the past cases: {times:.1} times as far from the nearest as any of them is")
            }
        }
    }
}

impl From<(&Case, CaseFault)> for NoFleet {
    fn from((case, fault): (&Case, CaseFault)) -> Self {
        Self::Unusable { case: case.name.clone(), why: fault.to_string() }
    }
}

/// Remaining life by likeness, hours.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FleetLife {
    /// 10 % of the distribution.
    pub p10_hours: f64,
    /// Median.
    pub p50_hours: f64,
    /// 90 %.
    pub p90_hours: f64,
    /// The most alike cases with their weights, at most three.
    pub alike: Vec<(String, f64)>,
    /// Number of cases compared with.
    pub cases: usize,
}

/// Weighted lives on the fleet's grid.
struct Lives {
    /// By rows left.
    weights: Vec<f64>,
    by_case: Vec<f64>,
    /// Least mean squared distance per row.
    nearest: f64,
}

impl Fleet {
    /// Learns from past cases of one class, all with the same points in the same order.
    ///
    /// # Errors
    /// Too few or unusable cases.
    pub fn learn(cases: &[Case]) -> Result<Self, NoFleet> {
        if cases.len() < FEWEST_CASES {
            return Err(NoFleet::TooFewCases { have: cases.len(), need: FEWEST_CASES });
        }
        for case in cases {
            case.check().map_err(|fault| NoFleet::from((case, fault)))?;
            if case.points() != cases[0].points() {
                return Err(NoFleet::UnlikePoints { case: case.name.clone() });
            }
        }
        let index = Index::learn(cases).ok_or(NoFleet::NoIndex)?;
        let mut steps: Vec<f64> = cases.iter().map(|c| c.step_hours).collect();
        let step_hours = median(&mut steps);
        let mut courses = Vec::with_capacity(cases.len());
        let mut raw = Vec::with_capacity(cases.len());
        let (mut off, mut lengths) = (0.0, Vec::with_capacity(cases.len()));
        for case in cases {
            let (smooth, var) = index.curve(case);
            let smooth = resample(&smooth, case.step_hours / step_hours);
            if !(var.is_finite() && smooth.iter().all(|v| v.is_finite())) {
                let why = "its rows have gaps longer than can be bridged".to_owned();
                return Err(NoFleet::Unusable { case: case.name.clone(), why });
            }
            off += var / cases.len() as f64;
            lengths.push(smooth.len() as f64);
            let rows_hours = step_hours * (smooth.len() - 1) as f64;
            let start_age_hours = case.end_age_hours.map(|age| (age - rows_hours).max(0.0));
            raw.push(index_rows(&index, &case.levels, &case.normal, case.step_hours / step_hours));
            courses.push(Course { name: case.name.clone(), smooth, start_age_hours });
        }
        let window = ((WINDOW_SHARE * median(&mut lengths)) as usize).max(FEWEST_ROWS);
        // Without any scatter the nearest row would take all the weight.
        let spread = courses
            .iter()
            .flat_map(|c| [c.smooth[0], c.smooth[c.smooth.len() - 1]])
            .fold((f64::MAX, f64::MIN), |m, v| (m.0.min(v), m.1.max(v)));
        let row_var = off.max(1e-6 * (spread.1 - spread.0) * (spread.1 - spread.0)).max(f64::MIN_POSITIVE);
        let growth = Growth::learn(&courses.iter().map(|c| c.smooth.as_slice()).collect::<Vec<_>>(), step_hours);
        let mut fleet = Self {
            index,
            courses,
            step_hours,
            window,
            row_var,
            far: f64::INFINITY,
            correction: Correction::default(),
            growth,
        };
        fleet.calibrate(&raw);
        Ok(fleet)
    }

    fn calibrate(&mut self, raw: &[Vec<f64>]) {
        if raw.len() < FEWEST_SIMILAR {
            return;
        }
        let stride = raw.len().div_ceil(MOST_LEFT_OUT);
        let (mut scores, mut far) = (Vec::new(), 0.0_f64);
        for (out, rows) in raw.iter().enumerate().step_by(stride) {
            for cut in CUTS {
                let until = (cut * rows.len() as f64) as usize;
                let left = (rows.len() - until) as f64 * self.step_hours;
                let age = self.courses[out].start_age_hours.map(|start| start + until as f64 * self.step_hours);
                let Some(lives) = self.lives(&rows[..until], age, Some(out)) else { continue };
                far = far.max(lives.nearest);
                let p = self.cdf(&lives, left).clamp(1e-3, 1.0 - 1e-3);
                scores.push(normal_score(p));
            }
        }
        let n = scores.len() as f64;
        let shift = scores.iter().sum::<f64>() / (n + PRIOR_ANSWERS);
        let squares: f64 = scores.iter().map(|s| (s - shift) * (s - shift)).sum();
        self.correction = Correction { shift, scale: ((PRIOR_ANSWERS + squares) / (PRIOR_ANSWERS + n)).sqrt() };
        if far > 0.0 {
            self.far = FAR_FACTOR * far;
        }
    }

    /// Hours between two rows of what it is asked with.
    pub fn step_hours(&self) -> f64 {
        self.step_hours
    }

    /// Rows looked back over.
    pub fn window(&self) -> usize {
        self.window
    }

    /// At which index past cases ended and how fast they grew; for cases that are too few to be compared with.
    pub fn growth(&self) -> Option<&Growth> {
        self.growth.as_ref()
    }

    /// Wear index of rows of levels (row-major, as many points as the cases have).
    pub fn index_of(&self, levels: &[f64], normal: &[f64]) -> Vec<f64> {
        index_rows(&self.index, levels, normal, 1.0)
    }

    /// Remaining life of a machine of `age_hours` (`None`: nobody knows, and age is no witness) with these last rows of levels (row-major, [`Fleet::step_hours`]
    /// apart, the last one now; NaN where there is none) and these healthy levels.
    ///
    /// # Errors
    /// Why the past cases do not help.
    pub fn life(&self, levels: &[f64], normal: &[f64], age_hours: Option<f64>) -> Result<FleetLife, NoFleet> {
        if self.courses.len() < FEWEST_SIMILAR {
            return Err(NoFleet::TooFewCases { have: self.courses.len(), need: FEWEST_SIMILAR });
        }
        let rows = self.index_of(levels, normal);
        let have = rows.iter().filter(|v| v.is_finite()).count();
        let short = NoFleet::TooShort { have, need: FEWEST_ROWS };
        let age_hours = age_hours.filter(|age| age.is_finite() && *age > 0.0);
        let lives = self.lives(&rows, age_hours, None).ok_or(short)?;
        if lives.nearest > self.far {
            return Err(NoFleet::LikeNone { times: FAR_FACTOR * lives.nearest / self.far });
        }
        let longest = 4.0 * self.step_hours * lives.weights.len() as f64;
        let at = |z: f64| {
            let p = self.correction.probability(z);
            rising_root(1e-3 * self.step_hours, longest, 1e-4, |t| self.cdf(&lives, t) - p)
        };
        let mut alike: Vec<(String, f64)> =
            self.courses.iter().zip(&lives.by_case).map(|(c, w)| (c.name.clone(), *w)).collect();
        alike.sort_by(|a, b| b.1.total_cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
        alike.truncate(3);
        Ok(FleetLife { p10_hours: at(-Z90), p50_hours: at(0.0), p90_hours: at(Z90), alike, cases: self.courses.len() })
    }

    fn lives(&self, rows: &[f64], age_hours: Option<f64>, left_out: Option<usize>) -> Option<Lives> {
        let query = &rows[rows.len().saturating_sub(self.window)..];
        let n = query.len();
        let known: Vec<(usize, f64)> = query.iter().copied().enumerate().filter(|(_, v)| v.is_finite()).collect();
        if known.len() < FEWEST_ROWS {
            return None;
        }
        let longest = self.courses.iter().map(|c| c.smooth.len()).max()?;
        let mut ln_weights: Vec<(usize, usize, f64)> = Vec::new();
        let mut nearest = f64::INFINITY;
        for (c, course) in self.courses.iter().enumerate().filter(|(c, _)| Some(*c) != left_out) {
            for (from, stretch) in course.smooth.windows(n).enumerate() {
                let end = from + n - 1;
                let square: f64 = known.iter().map(|(i, v)| (v - stretch[*i]) * (v - stretch[*i])).sum();
                let square = square / self.row_var;
                let off_age = match (course.start_age_hours, age_hours) {
                    (Some(start), Some(age)) => ((start + (end + 1) as f64 * self.step_hours) / age).ln() / AGE_SPREAD,
                    _ => 0.0,
                };
                nearest = nearest.min(square / known.len() as f64);
                ln_weights.push((c, course.smooth.len() - 1 - end, -0.5 * (ROW_WORTH * square + off_age * off_age)));
            }
        }
        let top = ln_weights.iter().fold(f64::NEG_INFINITY, |m, w| m.max(w.2));
        if !top.is_finite() {
            return None;
        }
        let mut lives = Lives { weights: vec![0.0; longest], by_case: vec![0.0; self.courses.len()], nearest };
        let mut sum = 0.0;
        for (c, left, ln) in ln_weights {
            if ln - top > NEGLIGIBLE_LN {
                let weight = (ln - top).exp();
                lives.weights[left] += weight;
                lives.by_case[c] += weight;
                sum += weight;
            }
        }
        lives.weights.iter_mut().chain(&mut lives.by_case).for_each(|w| *w /= sum);
        Some(lives)
    }

    fn cdf(&self, lives: &Lives, hours: f64) -> f64 {
        let spread = LONE_SPREAD * lives.by_case.iter().map(|w| w * w).sum::<f64>();
        let ln = hours.ln();
        let part = |(left, weight): (usize, &f64)| {
            let life = (left as f64 + 0.5) * self.step_hours;
            if *weight > 0.0 { weight * normal_cdf((ln - life.ln()) / spread) } else { 0.0 }
        };
        lives.weights.iter().enumerate().map(part).sum()
    }
}

/// To another spacing by straight lines, the last value kept in place: `per_step` new steps per old one.
fn resample(values: &[f64], per_step: f64) -> Vec<f64> {
    if (per_step - 1.0).abs() < 1e-6 || values.is_empty() {
        return values.to_vec();
    }
    let last = values.len() - 1;
    let count = ((last as f64 * per_step) as usize).min(8 * super::case::MOST_ROWS) + 1;
    (0..count)
        .map(|i| {
            let back = (count - 1 - i) as f64 / per_step;
            let place = (last as f64 - back).max(0.0);
            let at = (place as usize).min(last);
            let share = place - at as f64;
            values[at] + share * (values[(at + 1).min(last)] - values[at])
        })
        .collect()
}

fn index_rows(index: &Index, levels: &[f64], normal: &[f64], per_step: f64) -> Vec<f64> {
    let rows: Vec<f64> = levels.chunks_exact(normal.len().max(1)).map(|row| index.of(row, normal)).collect();
    resample(&rows, per_step)
}

//! The states a machine is run in, learned from its operating variables: a mixture of normal distributions.
//!
//! Input: snapshots of the operating variables (n × q), q at most [`MOST_COLUMNS`] that vary. Columns are centred and
//! scaled by mean and standard deviation, so nothing feels the unit; columns that do not vary are left out and watched
//! ([`Assignment::constant_broken`]). The number of components, 1 to `most_components`, is the one with the least
//! BIC = -2 ln L + parameters · ln n among those that make sense: every component holds its share of the rows, and no
//! two lie so close that they are one hump (Ashman's D) or have no valley of rows between them. One component is always
//! possible, so a fit fails only without rows.
//!
//! Components are ordered by their first mean, then the second, so ids do not depend on the start. Kept are plain
//! numbers, q (q + 7)/2 + 3 for each component.
//!
//! linfa's EM fits the chosen number. What chooses it is a plain EM of our own, stopped early: a fit by linfa costs 10 to
//! 70 ms on 300 rows, most of it ten k-means runs before the first step, and a plant of a thousand machines would wait
//! minutes for numbers that are thrown away. Should linfa fail or end at a lesser optimum, ours stands. All starts come
//! from Xoshiro256+ with the fixed seed [`SEED`]: equal rows give an equal mixture.
//!
//! When *not* to use it: to cut up a load that glides over its whole range. BIC alone does that, into pieces of D 3.5;
//! the valley rule leaves it whole. Regress on the load instead.
//! Sources: Schwarz (1978) for BIC; Ashman, Bird and Zepf (1994), Astronomical J. 108, for D; the valley rule and the
//! floor on a component's share are ours.

mod choose;

use crate::param::{ParamFault, positive, within};
use choose::choose;
use linfa::traits::Fit;
use linfa::{DatasetBase, ParamGuard};
use linfa_clustering::GaussianMixtureModel;
use ndarray::{Array2, ArrayView2};
use rand_xoshiro::Xoshiro256Plus;
use rand_xoshiro::rand_core::SeedableRng;
use serde::{Deserialize, Serialize};

/// Most columns that may vary: an assignment keeps its working numbers on the stack.
pub const MOST_COLUMNS: usize = 8;
/// Start `i` with k components is seeded with `SEED + 1000 k + i`.
pub const SEED: u64 = 20_240_117;
/// Standardised values are held within this, so that no square overflows.
const FARTHEST: f64 = 1e6;

/// Settings of the fit.
///
/// | setting | default | unit | range |
/// |---|---|---|---|
/// | `most_components` | 5 | | 1 to 12 |
/// | `starts` | 3 | of the EM that chooses, for each number of components | 1 to 100 |
/// | `tolerance` | 1e-6 | rise of the mean log-likelihood at which linfa's EM stops; choosing, 1e-4 at least | 1e-14 to 0.1 |
/// | `most_iterations` | 500 | of EM, in one start | 1 to 100,000 |
/// | `smallest_sd_share` | 0.05 | of a column's standard deviation, added (in square) to a component's | 1e-6 to 1 |
/// | `smallest_share` | 0.05 | of the rows, for each component | 0 to 0.5 |
/// | `fewest_rows` | 20 | for each component | 0 to 1e6 |
/// | `smallest_separation` | 2 | Ashman's D between any two components; 0 for BIC alone | 0 to 20 |
/// | `fullest_valley` | 0.5 | rows in the middle third of the way between two means, over those as near to the emptier mean; 1e6: any | 0 to 1e6 |
/// | `rows_per_independent` | 1 | rows worth one independent row: divides ln L, so that autocorrelated rows do not buy components | 1 to 1e6 |
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MixtureParams {
    /// Most components tried.
    pub most_components: u32,
    /// Starts of the EM that chooses, for each number of components.
    pub starts: u32,
    /// Rise of the mean log-likelihood at which linfa's EM stops.
    pub tolerance: f64,
    /// Iterations of EM; linfa's fit does not count if it is not at rest by then.
    pub most_iterations: u32,
    /// Keeps a component from shrinking onto a few equal rows, and a speed held by a controller from being a state of
    /// zero width.
    pub smallest_sd_share: f64,
    /// Least share of the rows in a component.
    pub smallest_share: f64,
    /// Fewest rows in a component.
    pub fewest_rows: f64,
    /// Least separation of two components.
    pub smallest_separation: f64,
    /// How full the valley between two components may be.
    pub fullest_valley: f64,
    /// How many rows are worth one independent row.
    pub rows_per_independent: f64,
}

impl Default for MixtureParams {
    fn default() -> Self {
        Self {
            most_components: 5,
            starts: 3,
            tolerance: 1e-6,
            most_iterations: 500,
            smallest_sd_share: 0.05,
            smallest_share: 0.05,
            fewest_rows: 20.0,
            smallest_separation: 2.0,
            fullest_valley: 0.5,
            rows_per_independent: 1.0,
        }
    }
}

/// Settings that passed [`MixtureParams::check`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CheckedMixture(MixtureParams);

impl MixtureParams {
    /// All faults at once, or settings that can be used.
    ///
    /// # Errors
    /// Every setting out of its range.
    pub fn check(self) -> Result<CheckedMixture, Vec<ParamFault>> {
        let faults: Vec<_> = [
            within("most_components", f64::from(self.most_components), 1.0, 12.0),
            within("starts", f64::from(self.starts), 1.0, 100.0),
            within("tolerance", self.tolerance, 1e-14, 0.1),
            within("most_iterations", f64::from(self.most_iterations), 1.0, 1e5),
            within("smallest_sd_share", self.smallest_sd_share, 1e-6, 1.0),
            within("smallest_share", self.smallest_share, 0.0, 0.5),
            within("fewest_rows", self.fewest_rows, 0.0, 1e6),
            within("smallest_separation", self.smallest_separation, 0.0, 20.0),
            within("fullest_valley", self.fullest_valley, 0.0, 1e6),
            positive("rows_per_independent", self.rows_per_independent).or(within(
                "rows_per_independent",
                self.rows_per_independent,
                1.0,
                1e6,
            )),
        ]
        .into_iter()
        .flatten()
        .collect();
        if faults.is_empty() { Ok(CheckedMixture(self)) } else { Err(faults) }
    }
}

/// Why there is no mixture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum MixtureRefusal {
    /// No row is finite in every column.
    NoRows,
    /// More than [`MOST_COLUMNS`] columns vary.
    TooManyColumns,
}

/// What became of one number of components.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Tried {
    /// It could have been chosen, at this BIC.
    Bic(f64),
    /// A component held too few rows.
    TooSmall,
    /// Two components lay too close, or without a valley between them.
    TooClose,
    /// EM failed from every start: fewer different rows than components, say.
    NoFit,
}

/// One column as it was learned.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Column {
    center: f64,
    scale: f64,
    used: bool,
}

/// One component, in standardised columns.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Component {
    weight: f64,
    mean: Vec<f64>,
    /// Inverse of the lower Cholesky factor of the covariance, by rows, lower triangle only.
    whiten: Vec<f64>,
    /// ln weight - q/2 ln 2π - ½ ln det: what ½ Mahalanobis² is taken from.
    log_normaliser: f64,
}

/// The learned states.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Mixture {
    columns: Vec<Column>,
    components: Vec<Component>,
    tried: Vec<Tried>,
    rows: usize,
    log_likelihood: f64,
}

/// Where a snapshot belongs.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Assignment {
    /// The most likely component.
    pub component: usize,
    /// Its probability given the snapshot, 0 to 1.
    pub responsibility: f64,
    /// Squared Mahalanobis distance to it, its covariance with the floor in it: about χ² with [`Mixture::dimension`] degrees of freedom for its own rows.
    pub mahalanobis2: f64,
    /// Log density under the whole mixture, in standardised columns (so that it does not feel the unit).
    pub log_density: f64,
    /// A column that never varied while learning now has another value: a state not seen before, whatever the rest says.
    pub constant_broken: bool,
}

impl Mixture {
    /// Learns from `rows` (n × q); rows with a value that is not finite are left out.
    ///
    /// # Errors
    /// A [`MixtureRefusal`]; any other trouble ends in fewer components, and [`Mixture::tried`] says which.
    pub fn fit(rows: ArrayView2<f64>, params: CheckedMixture) -> Result<Self, MixtureRefusal> {
        let params = params.0;
        let (columns, data) = standardise(rows)?;
        let mut best = Mixture::of(vec![single(&data, params.smallest_sd_share)], &data, &columns);
        let mut least = best.bic(params.rows_per_independent);
        let mut tried = vec![Tried::Bic(least)];
        let widest = if data.ncols() == 0 { 1 } else { params.most_components as usize };
        for k in 2..=widest {
            let outcome = match choose(&data, k, params) {
                None => Tried::NoFit,
                Some(components) => {
                    let mixture = Mixture::of(components, &data, &columns);
                    let outcome = mixture.judged(&data, params);
                    if let Tried::Bic(bic) = outcome
                        && bic < least
                    {
                        (least, best) = (bic, mixture);
                    }
                    outcome
                }
            };
            tried.push(outcome);
            // Two numbers in a row that are no better: larger ones hardly ever are.
            if k >= best.len() + 2 {
                break;
            }
        }
        if best.len() > 1
            && let Some(components) = by_linfa(&data, best.len(), params)
        {
            let fitted = Mixture::of(components, &data, &columns);
            if fitted.log_likelihood >= best.log_likelihood
                && let outcome @ Tried::Bic(_) = fitted.judged(&data, params)
            {
                best = fitted;
                tried[best.len() - 1] = outcome;
            }
        }
        best.tried = tried;
        Ok(best)
    }

    fn of(mut components: Vec<Component>, data: &Array2<f64>, columns: &[Column]) -> Self {
        components.sort_by(|a, b| {
            a.mean
                .iter()
                .zip(&b.mean)
                .map(|(a, b)| a.total_cmp(b))
                .find(|o| o.is_ne())
                .unwrap_or(std::cmp::Ordering::Equal)
        });
        let mut mixture = Mixture {
            columns: columns.to_vec(),
            components,
            tried: Vec::new(),
            rows: data.nrows(),
            log_likelihood: 0.0,
        };
        mixture.log_likelihood = data
            .rows()
            .into_iter()
            .map(|row| {
                let mut x = [0.0; MOST_COLUMNS];
                x.iter_mut().zip(row).for_each(|(x, v)| *x = *v);
                mixture.place(&x[..data.ncols()]).log_density
            })
            .sum();
        mixture
    }

    /// Where the snapshot `x` (q values, in the unit of the rows learned from) belongs. `None` when the length differs
    /// or a column that varied has no finite value.
    pub fn assign(&self, x: &[f64]) -> Option<Assignment> {
        if x.len() != self.columns.len() {
            return None;
        }
        let mut z = [0.0; MOST_COLUMNS];
        let mut slots = z.iter_mut();
        let (mut count, mut constant_broken) = (0, false);
        for (value, column) in x.iter().zip(&self.columns) {
            if !column.used {
                // Two in a hundred is more than rounding and jitter, less than any state worth the name.
                constant_broken |= (value - column.center).abs() > 0.02 * column.center.abs() + 1e-9;
                continue;
            }
            let standard = (value - column.center) / column.scale;
            if !standard.is_finite() {
                return None;
            }
            *slots.next()? = standard.clamp(-FARTHEST, FARTHEST);
            count += 1;
        }
        Some(Assignment { constant_broken, ..self.place(z.get(..count)?) })
    }

    /// [`Mixture::assign`] for a standardised row of the used columns.
    fn place(&self, z: &[f64]) -> Assignment {
        let mut best = Assignment {
            component: 0,
            responsibility: 0.0,
            mahalanobis2: f64::MAX,
            log_density: f64::NEG_INFINITY,
            constant_broken: false,
        };
        let mut highest = f64::NEG_INFINITY;
        // Sum of exp(log joint - highest), rescaled whenever a higher one comes.
        let mut sum = 0.0;
        for (i, component) in self.components.iter().enumerate() {
            let mahalanobis2 = component.mahalanobis2(z);
            let log_joint = component.log_normaliser - 0.5 * mahalanobis2;
            if log_joint > highest {
                sum = sum * (highest - log_joint).exp() + 1.0;
                highest = log_joint;
                (best.component, best.mahalanobis2) = (i, mahalanobis2);
            } else {
                sum += (log_joint - highest).exp();
            }
        }
        best.responsibility = 1.0 / sum;
        best.log_density = highest + sum.ln();
        best
    }

    /// Number of components.
    pub fn len(&self) -> usize {
        self.components.len()
    }

    /// Never true of a mixture that was fitted.
    pub fn is_empty(&self) -> bool {
        self.components.is_empty()
    }

    /// Columns that varied, the degrees of freedom of [`Assignment::mahalanobis2`].
    pub fn dimension(&self) -> usize {
        self.columns.iter().filter(|c| c.used).count()
    }

    /// Rows learned from.
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// What became of 1, 2, … components; shorter than `most_components` when two numbers in a row were no better.
    pub fn tried(&self) -> &[Tried] {
        &self.tried
    }

    /// Log-likelihood of the rows learned from, in standardised columns.
    pub fn log_likelihood(&self) -> f64 {
        self.log_likelihood
    }

    /// -2 ln L + (number of parameters) ln n, with ln L and n divided by `rows_per_independent`; standardised columns.
    pub fn bic(&self, rows_per_independent: f64) -> f64 {
        let (k, q) = (self.components.len() as f64, self.dimension() as f64);
        let parameters = k - 1.0 + k * q + k * q * (q + 1.0) / 2.0;
        let n = (self.rows as f64 / rows_per_independent).max(1.0);
        -2.0 * self.log_likelihood / rows_per_independent + parameters * n.ln()
    }

    /// Sum of ln scale over the used columns: the log-likelihood in the rows' own units is lower by `rows` times this.
    pub fn log_scale(&self) -> f64 {
        self.columns.iter().filter(|c| c.used).map(|c| c.scale.ln()).sum()
    }

    /// Share of the rows in a component; NaN when there is none of that number.
    pub fn weight(&self, component: usize) -> f64 {
        self.components.get(component).map_or(f64::NAN, |c| c.weight)
    }

    /// Mean of a component in all q columns, in their units; empty when there is none of that number.
    pub fn mean(&self, component: usize) -> Vec<f64> {
        let Some(component) = self.components.get(component) else { return Vec::new() };
        let mut means = component.mean.iter();
        self.columns
            .iter()
            .map(|c| if c.used { c.center + c.scale * means.next().copied().unwrap_or(0.0) } else { c.center })
            .collect()
    }

    /// Covariance of a component in the used columns, in their units, row-major; empty when there is none of that
    /// number. The floor is in it.
    pub fn covariance(&self, component: usize) -> Vec<f64> {
        let Some(component) = self.components.get(component) else { return Vec::new() };
        let scales: Vec<f64> = self.columns.iter().filter(|c| c.used).map(|c| c.scale).collect();
        let q = scales.len();
        let covariance = component.covariance();
        (0..q * q).map(|i| covariance[i] * scales[i / q] * scales[i % q]).collect()
    }

    /// Ashman's D of the closest two components: distance of the means in the mean of their covariances. Above 2 the
    /// two are separate humps. Infinite for one component.
    pub fn separation(&self) -> f64 {
        let mut closest = f64::INFINITY;
        for (i, a) in self.components.iter().enumerate() {
            for b in &self.components[i + 1..] {
                let pooled: Vec<f64> = a.covariance().iter().zip(b.covariance()).map(|(a, b)| 0.5 * (a + b)).collect();
                let apart = Component::new(1.0, a.mean.clone(), &pooled)
                    .map_or(0.0, |pooled| pooled.mahalanobis2(&b.mean).sqrt());
                closest = closest.min(apart);
            }
        }
        closest
    }
}

impl Mixture {
    /// Its BIC if it makes sense, or what keeps it from being chosen.
    fn judged(&self, data: &Array2<f64>, params: MixtureParams) -> Tried {
        let n = data.nrows() as f64;
        let wanted = (params.smallest_share * n).max(params.fewest_rows);
        if !self.components.iter().all(|c| c.weight * n >= wanted) {
            Tried::TooSmall
        } else if !self.are_apart(data, params) {
            Tried::TooClose
        } else {
            Tried::Bic(self.bic(params.rows_per_independent))
        }
    }

    fn are_apart(&self, data: &Array2<f64>, params: MixtureParams) -> bool {
        self.separation() >= params.smallest_separation && self.has_valleys(data, params.fullest_valley)
    }

    /// Whether the rows thin out between every two components. Rows of the two are laid along the line that parts them
    /// best (Fisher's), one mean at 0 and the other at 1.
    fn has_valleys(&self, data: &Array2<f64>, fullest: f64) -> bool {
        let owner: Vec<usize> = data.rows().into_iter().map(|row| self.place(&row.to_vec()).component).collect();
        for (i, a) in self.components.iter().enumerate() {
            for (j, b) in self.components.iter().enumerate().skip(i + 1) {
                let pooled: Vec<f64> = a.covariance().iter().zip(b.covariance()).map(|(a, b)| 0.5 * (a + b)).collect();
                let Some(pooled) = Component::new(1.0, a.mean.clone(), &pooled) else { return false };
                let across = pooled.whitened(&b.mean);
                let length: f64 = across.iter().map(|v| v * v).sum();
                let (mut near_a, mut middle, mut near_b) = (0.0, 0.0, 0.0);
                for (row, _) in data.rows().into_iter().zip(&owner).filter(|(_, o)| **o == i || **o == j) {
                    let along =
                        pooled.whitened(&row.to_vec()).iter().zip(&across).map(|(u, v)| u * v).sum::<f64>() / length;
                    let thirds = [(&mut near_a, 0.0), (&mut middle, 0.5), (&mut near_b, 1.0)];
                    for (count, centre) in thirds {
                        if (along - centre).abs() <= 1.0 / 6.0 {
                            *count += 1.0;
                        }
                    }
                }
                if middle > fullest * f64::min(near_a, near_b) {
                    return false;
                }
            }
        }
        true
    }
}

impl Component {
    /// `None` unless `covariance` (row-major) is positive definite and all is finite.
    fn new(weight: f64, mean: Vec<f64>, covariance: &[f64]) -> Option<Self> {
        let q = mean.len();
        let at = |i: usize, j: usize| i * (i + 1) / 2 + j;
        let mut factor = vec![0.0; q * (q + 1) / 2];
        for i in 0..q {
            for j in 0..=i {
                let known: f64 = (0..j).map(|k| factor[at(i, k)] * factor[at(j, k)]).sum();
                let rest = covariance[i * q + j] - known;
                factor[at(i, j)] = if i == j { rest.sqrt() } else { rest / factor[at(j, j)] };
            }
            let definite = factor[at(i, i)] > 0.0;
            if !definite {
                return None;
            }
        }
        let log_root_det: f64 = (0..q).map(|i| factor[at(i, i)].ln()).sum();
        let mut whiten = vec![0.0; factor.len()];
        for j in 0..q {
            whiten[at(j, j)] = 1.0 / factor[at(j, j)];
            for i in j + 1..q {
                let known: f64 = (j..i).map(|k| factor[at(i, k)] * whiten[at(k, j)]).sum();
                whiten[at(i, j)] = -known / factor[at(i, i)];
            }
        }
        let log_normaliser = weight.ln() - 0.5 * q as f64 * (2.0 * std::f64::consts::PI).ln() - log_root_det;
        let finite = log_normaliser.is_finite() && mean.iter().chain(&whiten).all(|v| v.is_finite());
        finite.then_some(Self { weight, mean, whiten, log_normaliser })
    }

    fn mahalanobis2(&self, z: &[f64]) -> f64 {
        let (mut sum, mut from) = (0.0, 0);
        for i in 0..self.mean.len().min(z.len()) {
            let row = self.whiten.get(from..=from + i).unwrap_or(&[]);
            let along: f64 = row.iter().zip(z).zip(&self.mean).map(|((w, z), m)| w * (z - m)).sum();
            sum += along * along;
            from += i + 1;
        }
        sum
    }

    /// The row in the coordinates in which this component is a unit sphere round the origin. For fitting only.
    fn whitened(&self, z: &[f64]) -> Vec<f64> {
        let q = self.mean.len();
        let row = |i: usize| &self.whiten[i * (i + 1) / 2..=i * (i + 1) / 2 + i];
        (0..q).map(|i| row(i).iter().zip(z).zip(&self.mean).map(|((w, z), m)| w * (z - m)).sum()).collect()
    }

    /// Row-major, from the inverse of `whiten`.
    fn covariance(&self) -> Vec<f64> {
        let q = self.mean.len();
        let at = |i: usize, j: usize| i * (i + 1) / 2 + j;
        let mut factor = vec![0.0; q * q];
        for j in 0..q {
            factor[j * q + j] = 1.0 / self.whiten[at(j, j)];
            for i in j + 1..q {
                let known: f64 = (j..i).map(|k| self.whiten[at(i, k)] * factor[k * q + j]).sum();
                factor[i * q + j] = -known / self.whiten[at(i, i)];
            }
        }
        (0..q * q).map(|cell| (0..q).map(|k| factor[cell / q * q + k] * factor[cell % q * q + k]).sum()).collect()
    }
}

/// The finite rows, in the columns that vary, centred and scaled.
fn standardise(rows: ArrayView2<f64>) -> Result<(Vec<Column>, Array2<f64>), MixtureRefusal> {
    let finite: Vec<usize> = (0..rows.nrows()).filter(|&i| rows.row(i).iter().all(|v| v.is_finite())).collect();
    if finite.is_empty() {
        return Err(MixtureRefusal::NoRows);
    }
    let count = finite.len() as f64;
    let columns: Vec<Column> = (0..rows.ncols())
        .map(|j| {
            let values = || finite.iter().map(|&i| rows[[i, j]]);
            // From the first value on: a constant then is its own mean to the last digit.
            let first = values().next().unwrap_or(0.0);
            let center = first + values().map(|v| (v - first) / count).sum::<f64>();
            let scale = (values().map(|v| (v - center).powi(2)).sum::<f64>() / count).sqrt();
            Column { center, scale, used: scale.is_finite() && scale > 1e-9 * center.abs() && scale > 0.0 }
        })
        .collect();
    let used: Vec<usize> = (0..columns.len()).filter(|&j| columns[j].used).collect();
    if used.len() > MOST_COLUMNS {
        return Err(MixtureRefusal::TooManyColumns);
    }
    let data = Array2::from_shape_fn((finite.len(), used.len()), |(i, j)| {
        let column = columns[used[j]];
        (rows[[finite[i], used[j]]] - column.center) / column.scale
    });
    Ok((columns, data))
}

/// All rows as one component: its mean is 0 by construction.
fn single(data: &Array2<f64>, smallest_sd_share: f64) -> Component {
    let q = data.ncols();
    let floor = smallest_sd_share * smallest_sd_share;
    let mut covariance: Vec<f64> = (data.t().dot(data) / data.nrows() as f64).iter().copied().collect();
    (0..q).for_each(|i| covariance[i * q + i] += floor);
    let mean = data.columns().into_iter().map(|c| c.sum() / data.nrows() as f64).collect();
    // Positive definite by its floor. Were it not, by rounding of huge values, columns without their correlation are.
    Component::new(1.0, mean, &covariance).unwrap_or_else(|| {
        let log_normaliser = -0.5 * q as f64 * (2.0 * std::f64::consts::PI).ln();
        let whiten = (0..q).flat_map(|i| (0..=i).map(move |j| f64::from(u8::from(i == j)))).collect();
        Component { weight: 1.0, mean: vec![0.0; q], whiten, log_normaliser }
    })
}

/// linfa's EM from one start; `None` if it fails: an empty cluster, a matrix that is not definite, no rest in time.
fn by_linfa(data: &Array2<f64>, k: usize, params: MixtureParams) -> Option<Vec<Component>> {
    let settings = GaussianMixtureModel::params_with_rng(k, Xoshiro256Plus::seed_from_u64(SEED + 1000 * k as u64))
        .tolerance(params.tolerance)
        .max_n_iterations(u64::from(params.most_iterations))
        .reg_covariance(params.smallest_sd_share * params.smallest_sd_share);
    let model = settings.check().ok()?.fit(&DatasetBase::from(data.view())).ok()?;
    let components: Vec<Component> = model
        .covariances()
        .outer_iter()
        .zip(model.means().rows())
        .zip(model.weights())
        .map(|((covariance, mean), weight)| {
            let covariance: Vec<f64> = covariance.iter().copied().collect();
            Component::new(*weight, mean.to_vec(), &covariance)
        })
        .collect::<Option<_>>()?;
    (components.len() == k && components.iter().all(|c| c.mean.len() == data.ncols())).then_some(components)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn checked(change: impl FnOnce(&mut MixtureParams)) -> CheckedMixture {
        let mut params = MixtureParams::default();
        change(&mut params);
        params.check().unwrap()
    }

    fn default() -> CheckedMixture {
        checked(|_| ())
    }

    /// Rows round the given centres in turn, from a fixed generator; the spread is ±`spread`.
    fn made(centres: &[[f64; 2]], each: usize, spread: f64, seed: u64) -> Array2<f64> {
        let mut state = seed | 1;
        let mut noise = move || {
            (0..4)
                .map(|_| {
                    state ^= state << 13;
                    state ^= state >> 7;
                    state ^= state << 17;
                    (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5
                })
                .sum::<f64>()
        };
        Array2::from_shape_fn((each * centres.len(), 2), |(i, j)| centres[i % centres.len()][j] + spread * noise())
    }

    #[test]
    fn three_ways_of_running_are_found_in_order_of_speed() {
        let rows = made(&[[3000.0, 40.0], [1500.0, 80.0], [1500.0, 20.0]], 150, 3.0, 7);
        let mixture = Mixture::fit(rows.view(), default()).unwrap();
        assert_eq!((mixture.len(), mixture.dimension(), mixture.rows()), (3, 2, 450));
        // The second state of 1500 may come first or last of the two: their first means differ by noise only.
        assert!(mixture.mean(0)[0] < 1510.0 && mixture.mean(2)[0] > 2990.0);
        for row in rows.rows() {
            let row = row.to_vec();
            let placed = mixture.assign(&row).unwrap();
            let mean = mixture.mean(placed.component);
            assert!((mean[0] - row[0]).abs() < 20.0 && (mean[1] - row[1]).abs() < 20.0, "{row:?} in {mean:?}");
            assert!(placed.responsibility > 0.99);
        }
        let new = mixture.assign(&[2200.0, 60.0]).unwrap();
        assert!(new.mahalanobis2 > 30.0, "{new:?}");
    }

    #[test]
    fn one_hump_stays_one_state() {
        let rows = made(&[[1500.0, 60.0]], 400, 50.0, 3);
        assert_eq!(Mixture::fit(rows.view(), default()).unwrap().len(), 1);
        // A load that glides evenly over its range: BIC alone cuts it up, with the valley rule it stays whole; a stop
        // beside it is still a state.
        let glide = Array2::from_shape_fn((600, 1), |(i, _)| i as f64);
        let by_bic_alone = checked(|p| p.fullest_valley = 1e6);
        assert!(Mixture::fit(glide.view(), by_bic_alone).unwrap().len() > 2);
        assert_eq!(Mixture::fit(glide.view(), default()).unwrap().len(), 1);
        let with_stop = Array2::from_shape_fn((800, 1), |(i, _)| if i < 600 { 400.0 + i as f64 } else { 0.0 });
        let mixture = Mixture::fit(with_stop.view(), default()).unwrap();
        assert_eq!(mixture.len(), 2, "{:?}", mixture.tried());
        assert!((mixture.weight(0) - 0.25).abs() < 0.01);
    }

    /// A speed set by a controller takes a few exact values; equal rows must neither fail nor panic.
    #[test]
    fn exact_set_points_are_states() {
        let rows = Array2::from_shape_fn((300, 2), |(i, j)| if j == 0 { [990.0, 1480.0, 2950.0][i % 3] } else { 7.0 });
        let mixture = Mixture::fit(rows.view(), default()).unwrap();
        assert_eq!((mixture.len(), mixture.dimension()), (3, 1));
        let placed = mixture.assign(&[1483.0, 7.0]).unwrap();
        assert!(placed.component == 1 && placed.mahalanobis2 < 1.0 && !placed.constant_broken);
        assert!(mixture.assign(&[1483.0, 8.0]).unwrap().constant_broken);
        // The floor of 5 % (42 r/min) lets the tails overlap a little.
        assert!((mixture.mean(1)[0] - 1480.0).abs() < 0.01 && mixture.mean(1)[1] == 7.0, "{:?}", mixture.mean(1));
    }

    #[test]
    fn too_little_gives_one_state_and_nothing_is_refused() {
        assert_eq!(Mixture::fit(Array2::zeros((0, 2)).view(), default()), Err(MixtureRefusal::NoRows));
        assert_eq!(Mixture::fit(Array2::from_elem((5, 2), f64::NAN).view(), default()), Err(MixtureRefusal::NoRows));
        let wide = Array2::from_shape_fn((50, 9), |(i, j)| ((i * (j + 3)) % 17) as f64);
        assert_eq!(Mixture::fit(wide.view(), default()), Err(MixtureRefusal::TooManyColumns));
        for n in [1, 2, 3, 7, 30] {
            let rows = made(&[[1500.0, 60.0], [3000.0, 10.0]], n, 1.0, 5);
            let mixture = Mixture::fit(rows.view(), default()).unwrap();
            assert_eq!(mixture.len(), if n < 20 { 1 } else { 2 }, "{n}: {:?}", mixture.tried());
            assert!(mixture.assign(&[1500.0, 60.0]).unwrap().log_density.is_finite());
        }
        let constant = Mixture::fit(Array2::from_elem((40, 2), 3.0).view(), default()).unwrap();
        assert_eq!((constant.len(), constant.dimension()), (1, 0));
        assert_eq!(constant.assign(&[3.0, 3.0]).unwrap().mahalanobis2, 0.0);
        // Columns of no width at all: Mixture of nothing.
        assert_eq!(Mixture::fit(Array2::zeros((4, 0)).view(), default()).unwrap().assign(&[]).unwrap().component, 0);
    }

    #[test]
    fn one_wild_row_does_not_take_the_states_away() {
        let mut rows = made(&[[3000.0, 40.0], [1500.0, 80.0]], 200, 3.0, 9);
        rows[[17, 1]] = 5e4;
        let mixture = Mixture::fit(rows.view(), default()).unwrap();
        assert_eq!(mixture.len(), 2, "{:?}", mixture.tried());
    }

    #[test]
    fn settings_out_of_range_are_named() {
        let faults = MixtureParams {
            most_components: 0,
            tolerance: f64::NAN,
            rows_per_independent: 0.5,
            ..MixtureParams::default()
        };
        let names: Vec<_> = faults.check().unwrap_err().iter().map(|f| f.name).collect();
        assert_eq!(names, ["most_components", "tolerance", "rows_per_independent"]);
    }

    #[test]
    fn a_snapshot_that_cannot_be_placed_gives_nothing() {
        let mixture = Mixture::fit(made(&[[1.0, 2.0]], 50, 1.0, 2).view(), default()).unwrap();
        assert_eq!(mixture.assign(&[f64::NAN, 1.0]), None);
        assert_eq!(mixture.assign(&[1.0]), None);
        let far = mixture.assign(&[1e300, -1e300]).unwrap();
        assert!(far.log_density.is_finite() && far.mahalanobis2.is_finite() && far.responsibility == 1.0);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(12))]
        #[test]
        fn a_change_of_unit_is_not_felt_and_a_stored_mixture_assigns_the_same(
            seed in 1u64..1000, scale in 0.01..100.0f64, shift in -50.0..50.0f64,
        ) {
            let rows = made(&[[10.0, 4.0], [20.0, 8.0]], 60, 3.0, seed);
            let mut other = rows.clone();
            other.column_mut(1).mapv_inplace(|v| v * scale + shift);
            let params = checked(|p| p.most_components = 3);
            let a = Mixture::fit(rows.view(), params).unwrap();
            let b = Mixture::fit(other.view(), params).unwrap();
            let stored: Mixture = postcard::from_bytes(&postcard::to_stdvec(&a).unwrap()).unwrap();
            prop_assert_eq!(&a, &Mixture::fit(rows.view(), params).unwrap());
            prop_assert_eq!(a.len(), b.len());
            for i in 0..20 {
                let (row, same) = (rows.row(i).to_vec(), other.row(i).to_vec());
                let (x, y) = (a.assign(&row).unwrap(), b.assign(&same).unwrap());
                prop_assert_eq!(Some(x), stored.assign(&row));
                prop_assert_eq!(x.component, y.component);
                prop_assert!((x.mahalanobis2 - y.mahalanobis2).abs() < 1e-4 * (1.0 + x.mahalanobis2), "{x:?} {y:?}");
                prop_assert!((x.log_density - y.log_density).abs() < 1e-4 * (1.0 + x.log_density.abs()));
            }
        }
    }
}

//! The plain EM that chooses how many states there are: several starts from k-means, stopped early.
//!
//! One body for each number of columns, so that a row and a component are arrays of a known length: a fit goes over the
//! rows some hundred times.

use super::{Component, MOST_COLUMNS, MixtureParams, SEED};
use ndarray::Array2;
use rand_xoshiro::Xoshiro256Plus;
use rand_xoshiro::rand_core::{RngCore, SeedableRng};

/// The best of several starts; `None` if each fails.
pub(super) fn choose(data: &Array2<f64>, k: usize, params: MixtureParams) -> Option<Vec<Component>> {
    const { assert!(MOST_COLUMNS == 8) };
    match data.ncols() {
        1 => best_start::<1>(data, k, params),
        2 => best_start::<2>(data, k, params),
        3 => best_start::<3>(data, k, params),
        4 => best_start::<4>(data, k, params),
        5 => best_start::<5>(data, k, params),
        6 => best_start::<6>(data, k, params),
        7 => best_start::<7>(data, k, params),
        8 => best_start::<8>(data, k, params),
        _ => None,
    }
}

fn best_start<const Q: usize>(data: &Array2<f64>, k: usize, params: MixtureParams) -> Option<Vec<Component>> {
    if data.nrows() < 2 * k {
        return None;
    }
    let flat: Vec<f64> = data.iter().copied().collect();
    let (rows, _) = flat.as_chunks::<Q>();
    let mut best: Option<(f64, Vec<Component>)> = None;
    for start in 0..u64::from(params.starts) {
        let owners = k_means(rows, k, SEED + 1000 * k as u64 + start);
        if let Some((value, components)) = expect_and_maximise(rows, k, &owners, params)
            && best.as_ref().is_none_or(|(highest, _)| value > *highest)
        {
            best = Some((value, components));
        }
    }
    best.map(|(_, components)| components)
}

/// A few rounds of k-means from spread-out first centres (Arthur and Vassilvitskii 2007): the centre nearest to each row.
fn k_means<const Q: usize>(rows: &[[f64; Q]], k: usize, seed: u64) -> Vec<usize> {
    let mut rng = Xoshiro256Plus::seed_from_u64(seed);
    let mut uniform = || (rng.next_u64() >> 11) as f64 / (1u64 << 53) as f64;
    let n = rows.len();
    let square =
        |row: &[f64; Q], centre: &[f64; Q]| -> f64 { row.iter().zip(centre).map(|(x, c)| (x - c).powi(2)).sum() };
    let mut centres = vec![rows[((uniform() * n as f64) as usize).min(n - 1)]];
    let mut nearest = vec![f64::INFINITY; n];
    while centres.len() < k {
        let last = centres[centres.len() - 1];
        nearest.iter_mut().zip(rows).for_each(|(nearest, row)| *nearest = nearest.min(square(row, &last)));
        let mut left = uniform() * nearest.iter().sum::<f64>();
        let next = nearest.iter().position(|distance| {
            left -= distance;
            left < 0.0
        });
        centres.push(rows[next.unwrap_or(n - 1)]);
    }
    let mut owners = vec![0; n];
    for round in 0..10 {
        let mut moved = round == 0;
        for (row, owner) in rows.iter().zip(&mut owners) {
            let (mut to, mut least) = (0, square(row, &centres[0]));
            for (c, centre) in centres.iter().enumerate().skip(1) {
                let distance = square(row, centre);
                if distance.total_cmp(&least).is_lt() {
                    (to, least) = (c, distance);
                }
            }
            moved |= *owner != to;
            *owner = to;
        }
        // The same owners have the same centres: nothing more would change.
        if !moved {
            break;
        }
        let mut sums = vec![([0.0; Q], 0.0_f64); k];
        for (row, owner) in rows.iter().zip(&owners) {
            let (sum, count) = &mut sums[*owner];
            sum.iter_mut().zip(row).for_each(|(sum, x)| *sum += x);
            *count += 1.0;
        }
        for (centre, (sum, count)) in centres.iter_mut().zip(&sums).filter(|(_, (_, count))| *count > 0.0) {
            *centre = sum.map(|sum| sum / count);
        }
    }
    owners
}

/// What a component is to the rows.
struct Bell<const Q: usize> {
    log_normaliser: f64,
    mean: [f64; Q],
    whiten: [[f64; Q]; Q],
}

impl<const Q: usize> Bell<Q> {
    fn of(component: &Component) -> Self {
        let mut bell = Self { log_normaliser: component.log_normaliser, mean: [0.0; Q], whiten: [[0.0; Q]; Q] };
        bell.mean.iter_mut().zip(&component.mean).for_each(|(to, from)| *to = *from);
        let mut packed = component.whiten.iter();
        for (i, row) in bell.whiten.iter_mut().enumerate() {
            row.iter_mut().take(i + 1).zip(&mut packed).for_each(|(to, from)| *to = *from);
        }
        bell
    }

    #[inline]
    fn off(&self, row: &[f64; Q]) -> [f64; Q] {
        let mut off = [0.0; Q];
        (0..Q).for_each(|i| off[i] = row[i] - self.mean[i]);
        off
    }

    /// Of a row this far off the mean. As [`Component::mahalanobis2`], in its order.
    #[inline]
    fn log_joint(&self, off: &[f64; Q]) -> f64 {
        let mut square = 0.0;
        for i in 0..Q {
            let along: f64 = (0..=i).map(|j| self.whiten[i][j] * off[j]).sum();
            square += along * along;
        }
        self.log_normaliser - 0.5 * square
    }
}

/// The exponential of a number that is not above 0. Most rows are plainly of one component, and far from all others: below
/// the last digit of any sum over rows nothing is asked for.
#[inline]
fn exp(x: f64) -> f64 {
    if x == 0.0 {
        1.0
    } else if x < -60.0 {
        0.0
    } else {
        x.exp()
    }
}

/// What a component has of the rows: their shares in it, and these times how far the rows lie off its last mean.
#[derive(Clone, Copy)]
struct Part<const Q: usize> {
    count: f64,
    off: [f64; Q],
    /// Lower triangle.
    square: [[f64; Q]; Q],
}

impl<const Q: usize> Part<Q> {
    const NONE: Self = Self { count: 0.0, off: [0.0; Q], square: [[0.0; Q]; Q] };

    #[inline]
    fn add(&mut self, share: f64, off: &[f64; Q]) {
        self.count += share;
        for i in 0..Q {
            let part = share * off[i];
            self.off[i] += part;
            (0..=i).for_each(|j| self.square[i][j] += part * off[j]);
        }
    }

    /// The component these rows make; `None` when there are none.
    fn component(&self, last_mean: &[f64; Q], rows: f64, floor: f64) -> Option<Component> {
        if self.count < 1e-3 {
            return None;
        }
        let off = self.off.map(|off| off / self.count);
        let mut covariance = [[0.0; Q]; Q];
        for i in 0..Q {
            (0..=i).for_each(|j| covariance[i][j] = self.square[i][j] / self.count - off[i] * off[j]);
            // The difference of two large numbers; a square all the same.
            covariance[i][i] = covariance[i][i].max(0.0) + floor;
        }
        let mean = last_mean.iter().zip(off).map(|(mean, off)| mean + off).collect();
        Component::new(self.count / rows, mean, covariance.as_flattened())
    }
}

/// EM from hard assignments: (log-likelihood, components). `None` when a component runs empty. Each round passes the rows
/// once: what the next components follow from is summed up while the shares are made.
/// Source: Dempster, Laird and Rubin (1977).
fn expect_and_maximise<const Q: usize>(
    rows: &[[f64; Q]],
    k: usize,
    owners: &[usize],
    params: MixtureParams,
) -> Option<(f64, Vec<Component>)> {
    let n = rows.len() as f64;
    let floor = params.smallest_sd_share * params.smallest_sd_share;
    let mut parts = vec![Part::<Q>::NONE; k];
    let mut means = vec![[0.0; Q]; k];
    rows.iter().zip(owners).for_each(|(row, owner)| parts[*owner].add(1.0, row));
    let mut offs = vec![([0.0; Q], 0.0); k];
    let mut before = f64::NEG_INFINITY;
    for _ in 0..params.most_iterations {
        let made = parts.iter().zip(&means).map(|(part, mean)| part.component(mean, n, floor));
        let components: Vec<Component> = made.collect::<Option<_>>()?;
        let bells: Vec<Bell<Q>> = components.iter().map(Bell::of).collect();
        means.iter_mut().zip(&bells).for_each(|(mean, bell)| *mean = bell.mean);
        parts.fill(Part::NONE);
        let mut log_likelihood = 0.0;
        for row in rows {
            let mut highest = f64::NEG_INFINITY;
            for ((off, joint), bell) in offs.iter_mut().zip(&bells) {
                *off = bell.off(row);
                *joint = bell.log_joint(off);
                highest = highest.max(*joint);
            }
            let mut sum = 0.0;
            for (_, joint) in &mut offs {
                *joint = exp(*joint - highest);
                sum += *joint;
            }
            log_likelihood += highest;
            let mut of_one = 1.0;
            if sum != 1.0 {
                log_likelihood += sum.ln();
                of_one = 1.0 / sum;
            }
            for (part, (off, joint)) in parts.iter_mut().zip(&offs).filter(|(_, (_, joint))| *joint > 0.0) {
                part.add(joint * of_one, off);
            }
        }
        if !log_likelihood.is_finite() {
            return None;
        }
        // The floor makes EM's climb not quite strict, hence the absolute value.
        if (log_likelihood - before).abs() < params.tolerance.max(1e-4) * n {
            return Some((log_likelihood, components));
        }
        before = log_likelihood;
    }
    None
}

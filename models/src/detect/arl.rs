//! Average run lengths of the two-sided cumulative sum: how often it cries wolf and how fast it answers.
//!
//! Readings are taken as independent and normal with standard deviation 1 and mean `shift`; autocorrelation makes
//! false signals more frequent than these numbers say. The run length counts readings, whatever their spacing.
//! The average run length L(s) from a sum at s solves L(s) = 1 + L(0) Φ(k - s - shift) + ∫₀ʰ L(x) φ(x - s + k - shift) dx,
//! done here by Gauss-Legendre nodes (Nyström). For settings and reports, not for the path of a reading: some
//! milliseconds a call.
//! Sources: Goel and Wu (1971), Technometrics 13, and Vance (1986), J. Quality Technology 18, for the method; Lucas and
//! Crosier (1982), Technometrics 24(3), for head starts.

use super::legendre::node;
use super::tail::{normal_cdf, normal_density};
use crate::param::{ParamFault, positive, within};

/// Run lengths above this are returned as infinite: the linear system no longer resolves them.
const LONGEST: f64 = 1e12;

/// Average number of readings until the *upper* sum, started at `start_sigmas`, exceeds `h`.
///
/// `k`: slack, `h`: limit, `shift`: mean of the readings, all in standard deviations; infinite above 1e12.
///
/// # Errors
/// `k` not in `[0, 10]`, `h` not in `(0, 60]`, `shift` not in `[-40, 40]`, `start_sigmas` not in `[0, h]`.
pub fn one_sided_run_length(k: f64, h: f64, shift: f64, start_sigmas: f64) -> Result<f64, ParamFault> {
    if let Some(fault) = check(k, h, shift).or(within("start_sigmas", start_sigmas, 0.0, h)) {
        return Err(fault);
    }
    let (from_zero, from_start) = solve(k, h, shift, start_sigmas);
    // L(0) is the longest of all; lost in rounding, it comes out negative or beyond what the system resolves.
    let resolved = |length: f64| if (1.0..LONGEST).contains(&length) { length } else { f64::INFINITY };
    Ok(if resolved(from_zero).is_finite() { resolved(from_start) } else { f64::INFINITY })
}

/// Average number of readings until either sum exceeds `h`, both started at zero.
///
/// `k`: slack, `h`: limit, `shift`: mean of the readings, all in standard deviations. `shift` 0 gives the average time
/// between false signals.
///
/// # Errors
/// As [`one_sided_run_length`].
pub fn average_run_length(k: f64, h: f64, shift: f64) -> Result<f64, ParamFault> {
    average_run_length_with_head_start(k, h, shift, 0.0)
}

/// [`average_run_length`] with both sums started at `start_sigmas` (usually half of `h`).
///
/// The two sums cannot both be above zero for long, which gives the closed combination of Lucas and Crosier (1982),
/// appendix: (L⁺ₛ L⁻₀ + L⁺₀ L⁻ₛ - L⁺₀ L⁻₀) / (L⁺₀ + L⁻₀); without a head start 1/L = 1/L⁺ + 1/L⁻.
///
/// # Errors
/// As [`one_sided_run_length`].
pub fn average_run_length_with_head_start(k: f64, h: f64, shift: f64, start_sigmas: f64) -> Result<f64, ParamFault> {
    let up = one_sided_run_length(k, h, shift, 0.0)?;
    let down = one_sided_run_length(k, h, -shift, 0.0)?;
    let up_started = one_sided_run_length(k, h, shift, start_sigmas)?;
    let down_started = one_sided_run_length(k, h, -shift, start_sigmas)?;
    if up.is_infinite() && down.is_infinite() {
        return Ok(f64::INFINITY);
    }
    // A side that never signals leaves the other alone: the limits of the formula.
    if down.is_infinite() {
        return Ok(up_started);
    }
    if up.is_infinite() {
        return Ok(down_started);
    }
    Ok((up_started * down + up * down_started - up * down) / (up + down))
}

/// The limit h, in standard deviations, at which the two-sided sum with slack `k` gives `run_length` readings between
/// false signals, to 1e-9.
///
/// # Errors
/// `k` not in `[0.05, 3]`, `run_length` not in `[10, 1e7]`.
pub fn limit_for_arl(k: f64, run_length: f64) -> Result<f64, ParamFault> {
    if let Some(fault) = within("k", k, 0.05, 3.0).or(within("run_length", run_length, 10.0, 1e7)) {
        return Err(fault);
    }
    let gap = |h: f64| average_run_length(k, h, 0.0).map(|length| (length / run_length).ln());
    let (mut low, mut high) = (0.05, 60.0);
    // Siegmund (1985): two-sided run length ≈ (exp(2kb) - 2kb - 1) / (4k²), b = h + 1.166: start where it says.
    let mut h = (((4.0 * k * k * run_length + 1.0).ln()) / (2.0 * k) - 1.166).clamp(0.1, 59.0);
    for _ in 0..60 {
        let miss = gap(h)?;
        if miss > 0.0 {
            high = h
        } else {
            low = h
        }
        // ln(run length) grows by nearly 2k per unit of h.
        let mut next = h - miss / (2.0 * k);
        if !(next > low && next < high) {
            next = 0.5 * (low + high);
        }
        let moved = (next - h).abs();
        h = next;
        if moved < 1e-9 {
            break;
        }
    }
    Ok(h)
}

fn check(k: f64, h: f64, shift: f64) -> Option<ParamFault> {
    within("k", k, 0.0, 10.0).or(positive("h", h)).or(within("h", h, 0.0, 60.0)).or(within("shift", shift, -40.0, 40.0))
}

/// (L(0), L(start)).
fn solve(k: f64, h: f64, shift: f64, start: f64) -> (f64, f64) {
    // The kernel is a normal density of width 1: some eight nodes for each unit of h hold ten digits.
    let nodes = (24.0 + 6.0 * h).ceil() as usize;
    let (x, weight) = gauss_legendre(nodes, h);
    let size = nodes + 1;
    let stay = |from: f64| normal_cdf(k - from - shift);
    let kernel = |from: f64, to: f64| normal_density(to - from + k - shift);
    // Unknowns: L(0), then L at the nodes; (I - K) L = 1.
    let mut matrix = vec![0.0; size * size];
    let mut rhs = vec![1.0; size];
    for row in 0..size {
        let from = if row == 0 { 0.0 } else { x[row - 1] };
        matrix[row * size] = -stay(from);
        for node in 0..nodes {
            matrix[row * size + node + 1] = -weight[node] * kernel(from, x[node]);
        }
        matrix[row * size + row] += 1.0;
    }
    eliminate(&mut matrix, &mut rhs);
    let from_start = 1.0
        + rhs[0] * stay(start)
        + x.iter().zip(&weight).zip(&rhs[1..]).map(|((&x, w), l)| w * l * kernel(start, x)).sum::<f64>();
    (rhs[0], from_start)
}

/// Nodes and weights on `[0, top]`.
fn gauss_legendre(n: usize, top: f64) -> (Vec<f64>, Vec<f64>) {
    (0..n).map(|i| node(i, n)).map(|(root, divisor)| (0.5 * top * (1.0 - root), top / divisor)).unzip()
}

/// Gaussian elimination with partial pivoting, row-major, answer in `rhs`.
fn eliminate(matrix: &mut [f64], rhs: &mut [f64]) {
    let n = rhs.len();
    for col in 0..n {
        let pivot =
            (col..n).max_by(|&a, &b| matrix[a * n + col].abs().total_cmp(&matrix[b * n + col].abs())).unwrap_or(col);
        if pivot != col {
            for j in 0..n {
                matrix.swap(pivot * n + j, col * n + j);
            }
            rhs.swap(pivot, col);
        }
        let (above, below) = matrix.split_at_mut((col + 1) * n);
        let head = &above[col * n..];
        for (i, row) in below.chunks_exact_mut(n).enumerate() {
            let factor = row[col] / head[col];
            if factor != 0.0 {
                row[col..].iter_mut().zip(&head[col..]).for_each(|(a, b)| *a -= factor * b);
                rhs[col + 1 + i] -= factor * rhs[col];
            }
        }
    }
    for row in (0..n).rev() {
        let known: f64 = (row + 1..n).map(|j| matrix[row * n + j] * rhs[j]).sum();
        rhs[row] = (rhs[row] - known) / matrix[row * n + row];
    }
}

//! A family of evenly spaced lines, and how surprising it is.
//!
//! Input: a power spectrum divided by its noise floor, so that a line of noise is exponential with mean 1. The sum over
//! the K harmonics of a frequency is then Erlang distributed, P(sum > s) = e^(−s) Σ_{j<K} s^j / j!, and the best of n
//! trial frequencies is at most n times as likely (Bonferroni; neighbouring trials are dependent, so this is on the safe
//! side). Source: exponential power lines of Gaussian noise, Erlang tail: closed forms, common textbooks.

/// The best frequency near a wanted one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CombFit {
    /// Relative distance from the wanted frequency.
    pub slip: f64,
    /// log10 of the probability that noise alone does as well, corrected for the trials of this search; at most 0.
    pub log10_p: f64,
    /// Harmonics that lie inside the spectrum.
    pub harmonics: usize,
}

/// log10 P(sum > `sum`) for the sum of `count` exponential values of mean 1; 0 for `count` 0.
pub fn log10_erlang_tail(sum: f64, count: usize) -> f64 {
    let some = sum > 0.0;
    if count == 0 || !some {
        return 0.0;
    }
    let (mut term, mut total) = (1.0, 1.0);
    for j in 1..count {
        term *= sum / j as f64;
        total += term;
    }
    ((total.ln() - sum) / std::f64::consts::LN_10).min(0.0)
}

/// Sum of `ratio` at the first `harmonics` multiples of `hz`, and how many of them lie inside.
pub fn comb_sum(ratio: &[f64], step_hz: f64, hz: f64, harmonics: usize) -> (f64, usize) {
    let mut sum = 0.0;
    let mut inside = 0;
    for k in 1..=harmonics {
        match ratio.get((k as f64 * hz / step_hz).round() as usize) {
            Some(x) => sum += x,
            None => break,
        }
        inside = k;
    }
    (sum, inside)
}

/// The trial frequencies of a search, as relative distances: so close that the highest harmonic moves half a line a time.
fn slip_step(step_hz: f64, hz: f64, harmonics: usize) -> f64 {
    0.5 * step_hz / (harmonics.max(1) as f64 * hz)
}

/// Searches `hz` × (1 ± `tolerance`) for the strongest comb of up to `harmonics` lines. `None` when not even the first
/// harmonic lies inside the spectrum or the frequency is below two lines.
pub fn fit(ratio: &[f64], step_hz: f64, hz: f64, tolerance: f64, harmonics: usize) -> Option<CombFit> {
    let resolved = hz >= 2.0 * step_hz;
    if !resolved {
        return None;
    }
    let top_hz = (ratio.len().checked_sub(1)?) as f64 * step_hz;
    let inside = ((top_hz / (hz * (1.0 + tolerance))).floor() as usize).min(harmonics);
    if inside == 0 {
        return None;
    }
    let step = slip_step(step_hz, hz, inside);
    let half = (tolerance / step).floor() as i64;
    let mut best: Option<(f64, f64)> = None;
    for trial in -half..=half {
        let slip = trial as f64 * step;
        let (sum, _) = comb_sum(ratio, step_hz, hz * (1.0 + slip), inside);
        if best.is_none_or(|(_, b)| sum > b) {
            best = Some((slip, sum));
        }
    }
    let (slip, sum) = best?;
    let trials = (2 * half + 1) as f64;
    let log10_p = (log10_erlang_tail(sum, inside) + trials.log10()).min(0.0);
    Some(CombFit { slip, log10_p, harmonics: inside })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: closed form; P(Exp > s) = e^(−s), P(Erlang2 > s) = e^(−s) (1 + s).
    #[test]
    fn erlang_tails_in_closed_form() {
        assert!((log10_erlang_tail(10.0, 1) + 10.0 * std::f64::consts::LOG10_E).abs() < 1e-12);
        let two = (-10.0_f64).exp() * 11.0;
        assert!((log10_erlang_tail(10.0, 2) - two.log10()).abs() < 1e-12);
        // Far beyond what a double can hold as a probability.
        assert!(log10_erlang_tail(5000.0, 5) < -2000.0);
        assert_eq!(log10_erlang_tail(f64::NAN, 3), 0.0);
    }
}

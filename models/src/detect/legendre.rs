//! Nodes of Gauss-Legendre quadrature, for the integral equations behind run lengths and run rates.
//!
//! Source: Abramowitz & Stegun (1964), 25.4.29 and 25.4.30; roots by Newton's method on the recurrence 22.7.10. Formula
//! numbers from memory.

use std::f64::consts::PI;

/// Root `i` of `n` of the Legendre polynomial on `[-1, 1]`, greatest first, and the divisor of its weight: on an interval
/// of length `l` the node stands `l (1 - root) / 2` from its beginning and weighs `l / divisor`.
pub(super) fn node(i: usize, n: usize) -> (f64, f64) {
    let count = n as f64;
    let mut root = (PI * (i as f64 + 0.75) / (count + 0.5)).cos();
    let mut slope = 1.0;
    for _ in 0..100 {
        let (mut p, mut before) = (1.0, 0.0);
        for j in 0..n {
            let j = j as f64;
            (p, before) = (((2.0 * j + 1.0) * root * p - j * before) / (j + 1.0), p);
        }
        slope = count * (root * p - before) / (root * root - 1.0);
        let step = p / slope;
        root -= step;
        if step.abs() < 1e-15 {
            break;
        }
    }
    (root, (1.0 - root * root) * slope * slope)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the closed forms of three nodes, 0 and ±√(3/5) with weights 8/9 and 5/9 on an interval of length 2.
    #[test]
    fn three_nodes_have_closed_forms() {
        let wanted = [(0.6_f64.sqrt(), 5.0 / 9.0), (0.0, 8.0 / 9.0), (-(0.6_f64.sqrt()), 5.0 / 9.0)];
        for (i, (root, weight)) in wanted.into_iter().enumerate() {
            let (found, divisor) = node(i, 3);
            assert!((found - root).abs() < 1e-14 && (2.0 / divisor - weight).abs() < 1e-14, "{i}: {found} {divisor}");
        }
    }
}

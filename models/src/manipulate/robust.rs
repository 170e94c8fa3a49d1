//! Median, median absolute deviation and quantiles of a slice: half the values may be wild and the answer holds.
//!
//! Values that are not finite are left out, so a column with missing cells can be given as it is. Every function
//! takes a scratch buffer of the caller, which it overwrites; once it has the capacity nothing is allocated. Cost is
//! linear in the number of values (selection, no sort), `quantiles` excepted.
//!
//! Quantiles are type 7 of Hyndman & Fan (1996), The American Statistician 50(4): linear between order statistics,
//! position (n − 1)·p counted from zero; the default of numpy and R.

/// Times this, the median absolute deviation of normal data estimates their standard deviation: 1 / Φ⁻¹(3/4).
pub const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;

/// Median of the finite values; `None` when there is none.
pub fn median(values: &[f64], scratch: &mut Vec<f64>) -> Option<f64> {
    gather(values, scratch);
    median_in_place(scratch)
}

/// Median absolute deviation from the median, as it is (not scaled), of the finite values.
pub fn raw_mad(values: &[f64], scratch: &mut Vec<f64>) -> Option<f64> {
    gather(values, scratch);
    centre_in_place(scratch).map(|(_, mad)| mad)
}

/// Robust location and scale of the finite values: median, and MAD times [`MAD_TO_SIGMA`]. The scale is 0 when more
/// than half the values are equal; what that means is the caller's decision.
pub fn location_scale(values: &[f64], scratch: &mut Vec<f64>) -> Option<(f64, f64)> {
    gather(values, scratch);
    centre_in_place(scratch).map(|(median, mad)| (median, MAD_TO_SIGMA * mad))
}

/// Quantile at `p` in `[0, 1]` of the finite values; `None` when there is none or `p` is outside.
pub fn quantile(values: &[f64], p: f64, scratch: &mut Vec<f64>) -> Option<f64> {
    gather(values, scratch);
    quantile_in_place(scratch, p)
}

/// Several quantiles with one sort: `out[i]` becomes the quantile at `ps[i]`, NaN where `ps[i]` is outside `[0, 1]` or
/// no value is finite. Gives the number of finite values. Shorter of the two slices wins.
pub fn quantiles(values: &[f64], ps: &[f64], out: &mut [f64], scratch: &mut Vec<f64>) -> usize {
    gather(values, scratch);
    scratch.sort_unstable_by(f64::total_cmp);
    for (slot, &p) in out.iter_mut().zip(ps) {
        *slot = quantile_of_sorted(scratch, p).unwrap_or(f64::NAN);
    }
    scratch.len()
}

/// Quantile at `p` of values already in ascending order and finite; `None` when empty or `p` is outside `[0, 1]`.
pub fn quantile_of_sorted(sorted: &[f64], p: f64) -> Option<f64> {
    let (low, share) = position(sorted.len(), p)?;
    let below = *sorted.get(low)?;
    let above = *sorted.get(low + 1).unwrap_or(&below);
    Some(between(below, above, share))
}

/// Median of the values, which are reordered; all must be finite. `None` when empty.
pub fn median_in_place(values: &mut [f64]) -> Option<f64> {
    quantile_in_place(values, 0.5)
}

/// Quantile at `p` of the values, which are reordered; all must be finite. `None` when empty or `p` is outside.
pub fn quantile_in_place(values: &mut [f64], p: f64) -> Option<f64> {
    let (low, share) = position(values.len(), p)?;
    let (_, below, rest) = values.select_nth_unstable_by(low, f64::total_cmp);
    let below = *below;
    if share == 0.0 {
        return Some(below);
    }
    let above = rest.iter().copied().min_by(f64::total_cmp).unwrap_or(below);
    Some(between(below, above, share))
}

/// Median and raw MAD; the values are overwritten by their distances from the median.
fn centre_in_place(values: &mut [f64]) -> Option<(f64, f64)> {
    let median = median_in_place(values)?;
    values.iter_mut().for_each(|v| *v = (*v - median).abs());
    Some((median, median_in_place(values)?))
}

fn gather(values: &[f64], scratch: &mut Vec<f64>) {
    scratch.clear();
    scratch.extend(values.iter().copied().filter(|v| v.is_finite()));
}

/// Index of the order statistic at or below the quantile and the share of the way to the next.
fn position(count: usize, p: f64) -> Option<(usize, f64)> {
    if count == 0 || !(0.0..=1.0).contains(&p) {
        return None;
    }
    let place = (count - 1) as f64 * p;
    let low = place.floor();
    Some((low as usize, place - low))
}

/// Weighted rather than `below + share·(above − below)`: no overflow when the two are far apart.
fn between(below: f64, above: f64, share: f64) -> f64 {
    if below == above { below } else { below * (1.0 - share) + above * share }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn missing_cells_are_left_out() {
        let mut scratch = Vec::new();
        let with = [f64::NAN, 3.0, f64::INFINITY, 1.0, 2.0, f64::NEG_INFINITY];
        assert_eq!(median(&with, &mut scratch), Some(2.0));
        assert_eq!(location_scale(&with, &mut scratch), location_scale(&[3.0, 1.0, 2.0], &mut scratch));
        assert_eq!(location_scale(&[f64::NAN], &mut scratch), None);
        assert_eq!(raw_mad(&[], &mut scratch), None);
    }

    #[test]
    fn probabilities_outside_the_unit_interval_have_no_quantile() {
        let mut scratch = Vec::new();
        for p in [-0.1, 1.1, f64::NAN] {
            assert_eq!(quantile(&[1.0, 2.0], p, &mut scratch), None);
        }
        assert_eq!(quantile(&[1.0, 2.0], 1.0, &mut scratch), Some(2.0));
    }

    #[test]
    fn one_sort_gives_what_selection_gives() {
        let values: Vec<f64> = (0..97).map(|i| f64::from((i * 37) % 101) * 0.25 - 7.0).collect();
        let ps = [0.0, 0.013, 0.25, 0.5, 0.77, 1.0, 2.0];
        let (mut out, mut scratch) = ([0.0; 7], Vec::new());
        assert_eq!(quantiles(&values, &ps, &mut out, &mut scratch), 97);
        for (p, got) in ps.into_iter().zip(out).take(6) {
            assert_eq!(Some(got), quantile(&values, p, &mut scratch), "p {p}");
        }
        assert!(out[6].is_nan());
    }

    #[test]
    fn nothing_is_allocated_once_the_scratch_is_large_enough() {
        let mut scratch = Vec::with_capacity(64);
        let before = scratch.as_ptr();
        let values: Vec<f64> = (0..64).map(f64::from).collect();
        location_scale(&values, &mut scratch);
        assert_eq!((before, scratch.capacity()), (scratch.as_ptr(), 64));
    }
}

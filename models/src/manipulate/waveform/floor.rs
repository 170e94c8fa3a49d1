//! The local noise floor of a power spectrum: what a line would be if nothing but noise were there.
//!
//! Power lines of noise follow an exponential distribution, whose mean is its median / ln 2; a median over the
//! neighbourhood does not feel the few lines that stand out. Taken every half reach and joined by straight lines,
//! which costs a tenth of a running median and differs from it by less than its own scatter.

use std::f64::consts::LN_2;

/// Writes to `floor` the expected power of noise at each line of `power`, from the lines within `± reach` of it.
/// `window` is scratch memory. Both vectors are resized; nothing is allocated once they have grown.
pub fn noise_floor(power: &[f64], reach: usize, floor: &mut Vec<f64>, window: &mut Vec<f64>) {
    floor.clear();
    let count = power.len();
    if count == 0 {
        return;
    }
    let reach = reach.max(2);
    let step = (reach / 2).max(1);
    let mut median_at = |at: usize| {
        // At the ends the window is moved inside rather than cut, so that every median has the same scatter.
        let width = (2 * reach + 1).min(count);
        let low = at.saturating_sub(reach).min(count - width);
        window.clear();
        window.extend(power.iter().skip(low).take(width));
        let middle = width / 2;
        let (_, median, _) = window.select_nth_unstable_by(middle, f64::total_cmp);
        *median / LN_2
    };
    let (mut left_at, mut left) = (0, median_at(0));
    floor.push(left);
    while left_at + 1 < count {
        let right_at = (left_at + step).min(count - 1);
        let right = median_at(right_at);
        let gap = (right_at - left_at) as f64;
        floor.extend((1..=right_at - left_at).map(|k| left + (right - left) * k as f64 / gap));
        (left_at, left) = (right_at, right);
    }
    let top = floor.iter().fold(0.0_f64, |m, x| m.max(*x));
    // A floor of nothing (silence, or a spectrum of rounding) would make every line infinite.
    let least = (top * 1e-12).max(f64::MIN_POSITIVE);
    for x in floor {
        *x = x.max(least);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_that_stand_out_do_not_lift_the_floor() {
        let mut power = vec![2.0 * LN_2; 500];
        for k in (50..500).step_by(40) {
            power[k] = 1e6;
        }
        let (mut floor, mut window) = (Vec::new(), Vec::new());
        noise_floor(&power, 30, &mut floor, &mut window);
        assert_eq!(floor.len(), 500);
        assert!(floor.iter().all(|x| (x - 2.0).abs() < 1e-12));
    }
}

//! Block means → few, clean, equally weighted points in hours, ready for a fit.

use crate::reading::{EventTime, Reading};

/// More points than this add cost, not knowledge: a trend of two or three numbers is spread over all of them.
pub(super) const MAX_POINTS: usize = 64;
/// A lone block further than this many local scales from its neighbours' median is left out.
const OUTLYING_SCALES: f64 = 8.0;

/// A change within two blocks below this many of its usual size is scatter.
const JUMP_SCATTERS: f64 = 6.0;

/// Points in time order, times in hours before `last_at` (so ≤ 0), values centred and scaled.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Points {
    pub(super) hours: Vec<f64>,
    pub(super) values: Vec<f64>,
    /// Time of the last point.
    pub(super) last_at: EventTime,
    /// value = centre + scale · values\[i\].
    pub(super) centre: f64,
    pub(super) scale: f64,
    /// Median spacing of the points, hours.
    pub(super) step_hours: f64,
    /// How many blocks make a point.
    pub(super) pooled: usize,
    /// Largest change within two blocks, scaled; 0 when it is within the blocks' scatter.
    pub(super) jump: f64,
    /// Index of the first block after that change.
    pub(super) after_jump: usize,
}

/// The lower one of an even number: of the steps around a lone spike, two of four are the spike's.
fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return f64::NAN;
    }
    let middle = (values.len() - 1) / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Finite blocks up to `now`, in time order, one per time (the later given one wins).
pub(super) fn usable(blocks: &[Reading], now: EventTime) -> Vec<Reading> {
    let mut kept: Vec<Reading> = blocks.iter().filter(|b| b.value.is_finite() && b.at <= now).copied().collect();
    if !kept.is_sorted_by(|a, b| a.at < b.at) {
        kept.sort_by_key(|b| b.at);
        kept.reverse();
        kept.dedup_by_key(|b| b.at);
        kept.reverse();
    }
    kept
}

/// Leaves out blocks that stand alone: far from the median of the five around them, by the scatter of all blocks and
/// by the steps around them (so that a steep trend is not mistaken for an outlier). A level that stays is believed from
/// its third block on.
pub(super) fn without_outliers(blocks: &[Reading]) -> Vec<Reading> {
    let n = blocks.len();
    if n < 7 {
        return blocks.to_vec();
    }
    let window = |i: usize| &blocks[i.saturating_sub(2).min(n - 5)..][..5];
    let mut offs: Vec<f64> = Vec::with_capacity(n);
    for (i, block) in blocks.iter().enumerate() {
        let mut near = [0.0; 5];
        near.iter_mut().zip(window(i)).for_each(|(v, b)| *v = b.value);
        offs.push((block.value - median(&mut near)).abs());
    }
    let scatter = 1.4826 * median(&mut offs.clone());
    let alone = |i: usize| {
        let mut steps = [0.0; 4];
        steps.iter_mut().zip(window(i).windows(2)).for_each(|(s, w)| *s = (w[1].value - w[0].value).abs());
        let scale = scatter.max(median(&mut steps));
        scale > 0.0 && offs[i] > OUTLYING_SCALES * scale
    };
    (0..n).filter(|&i| !alone(i)).map(|i| blocks[i]).collect()
}

/// Largest change and the index of the first block after it. Over two blocks, since a step seldom falls on the border of
/// one.
fn jump(blocks: &[Reading]) -> (f64, usize) {
    let mut changes: Vec<f64> = blocks.windows(3).map(|w| (w[2].value - w[0].value).abs()).collect();
    let (at, largest) = changes.iter().enumerate().fold((0, 0.0_f64), |m, (i, c)| if *c > m.1 { (i, *c) } else { m });
    let scatter = 1.4826 * median(&mut changes);
    (if largest > JUMP_SCATTERS * scatter { largest } else { 0.0 }, at + 2)
}

impl Points {
    /// `None` when fewer than two blocks are given, all are equal or a difference overflows.
    pub(super) fn pool(blocks: &[Reading]) -> Option<Self> {
        let pooled = blocks.len().div_ceil(MAX_POINTS).max(1);
        // Whole groups counted from the end: the last ones matter most. The rest joins the oldest group.
        let groups = blocks.len() / pooled;
        let spare = blocks.len() - groups * pooled;
        let first_at = blocks.first()?.at;
        let mut hours = Vec::with_capacity(groups);
        let mut values = Vec::with_capacity(groups);
        let mut from = 0;
        for group in 0..groups {
            let to = spare + (group + 1) * pooled;
            let part = &blocks[from..to];
            from = to;
            let count = part.len() as f64;
            hours.push(part.iter().map(|b| b.at.hours_since(first_at)).sum::<f64>() / count);
            values.push(part.iter().map(|b| b.value / count).sum::<f64>());
        }
        let last = *hours.last()?;
        hours.iter_mut().for_each(|h| *h -= last);
        let n = values.len() as f64;
        let centre = values.iter().map(|v| v / n).sum::<f64>();
        let largest = values.iter().fold(0.0_f64, |m, v| m.max((v - centre).abs()));
        let scale = largest * (values.iter().map(|v| ((v - centre) / largest).powi(2)).sum::<f64>() / n).sqrt();
        // Its square and the square's inverse must be numbers, too, and it must be more than rounding of the centre.
        if !(scale > 1e-140 && scale < 1e140 && scale > 1e-13 * centre.abs()) {
            return None;
        }
        values.iter_mut().for_each(|v| *v = (*v - centre) / scale);
        let mut steps: Vec<f64> = hours.windows(2).map(|w| w[1] - w[0]).collect();
        let step_hours = median(&mut steps);
        if !(step_hours.is_finite() && step_hours > 0.0) {
            return None;
        }
        let (jump, after_jump) = jump(blocks);
        let last_at = first_at.plus_secs(last * 3600.0);
        Some(Self { hours, values, last_at, centre, scale, step_hours, pooled, jump: jump / scale, after_jump })
    }

    pub(super) fn len(&self) -> usize {
        self.hours.len()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hourly(values: impl IntoIterator<Item = f64>) -> Vec<Reading> {
        let at = |i: usize| EventTime(0).plus_secs(3600.0 * i as f64);
        values.into_iter().enumerate().map(|(i, value)| Reading { at: at(i), value }).collect()
    }

    fn ripple(i: usize) -> f64 {
        ((i * 37) % 11) as f64 / 11.0
    }

    #[test]
    fn a_lone_spike_goes_and_a_step_stays() {
        let spiky = hourly((0..40).map(|i| ripple(i) + if i == 20 || i == 39 { 50.0 } else { 0.0 }));
        assert_eq!(without_outliers(&spiky).len(), 38);
        let stepped = hourly((0..40).map(|i| ripple(i) + if i >= 20 { 50.0 } else { 0.0 }));
        assert_eq!(without_outliers(&stepped), stepped);
    }

    #[test]
    fn steep_growth_is_no_outlier() {
        let growing = hourly((0..60).map(|i| (i as f64 * 0.2).exp()));
        assert_eq!(without_outliers(&growing), growing);
    }

    #[test]
    fn not_finite_late_and_doubled_blocks_are_left_out() {
        let mut blocks = hourly([1.0, f64::NAN, 2.0, f64::INFINITY, 3.0, 4.0]);
        blocks.push(Reading { at: blocks[2].at, value: 2.5 });
        let now = blocks[4].at;
        let kept: Vec<f64> = usable(&blocks, now).iter().map(|b| b.value).collect();
        assert_eq!(kept, [1.0, 2.5, 3.0]);
    }

    #[test]
    fn pooling_keeps_mean_and_time_and_never_more_than_the_most_points() {
        for n in [12, 64, 65, 200, 256, 1000] {
            let points = Points::pool(&hourly((0..n).map(ripple))).expect("enough");
            assert!(points.len() <= MAX_POINTS && points.len() * points.pooled <= n, "{n}: {}", points.len());
            assert_eq!(points.hours.last(), Some(&0.0));
            assert!(points.hours.is_sorted_by(|a, b| a < b));
        }
        assert_eq!(Points::pool(&hourly([3.0; 30])), None);
        assert_eq!(Points::pool(&[]), None);
    }
}

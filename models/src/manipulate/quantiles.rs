//! Quantiles of a stream in bounded memory: a merging t-digest of at most 32 centroids.
//!
//! Values are gathered 32 at a time, sorted and merged into centroids that are small at the ends of the distribution
//! and large in its middle (scale function k1, arcsine), so an extreme quantile is known better than the median. While
//! no more than 32 values have come the answer is exact (type 7). After that the error is one of rank: below 0.003 on
//! the continuous distributions the tests try, below 0.01 where the tail is so heavy that there is no mean; smallest and
//! largest value stay exact. Of values on a few levels a quantile may fall between two neighbouring levels, and between
//! two modes with nothing in between it may fall in the gap.
//!
//! Memory: 544 bytes. No randomness: the same values in the same order give the same state. Order matters a little,
//! spacing not at all. Not for a level that wanders (every value weighs the same for ever) and not for a handful of
//! values at hand (see `robust`).
//!
//! Source: Dunning & Ertl (2019), "Computing extremely accurate quantiles using t-digests", arXiv:1902.04023.

use super::{robust, usable};
use serde::{Deserialize, Serialize};
use std::f64::consts::PI;

/// Most centroids a sketch keeps, and values it gathers before it merges them.
pub const CENTROIDS: usize = 32;

/// Compression the merge starts with. It may leave more than [`CENTROIDS`]; then it is lowered and tried again.
const COMPRESSION: f64 = 2.0 * CENTROIDS as f64;

/// Share of all values within which two ways to the same limit may differ, and far more than they do.
const DOUBT: f64 = 1e-9;

/// Tries until the compression is far below CENTROIDS − 1: 64 × 0.9³² is 2.2.
const MOST_TRIES: usize = 32;

#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Centroid {
    mean: f64,
    weight: f64,
}

/// State of one sketch. `Default` is the empty one.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct QuantileSketch {
    // As shares of the way from `min` to `max`: half the room, and the error stays far below that of rank.
    shares: [f32; CENTROIDS],
    // Numbers of values: whole, and in half the room of the floats they are reckoned with.
    weights: [u32; CENTROIDS],
    used: u8,
    waiting: u8,
    gathered: [f64; CENTROIDS],
    // Of the values merged into centroids; zero while there are none.
    min: f64,
    max: f64,
    merged: u64,
}

impl QuantileSketch {
    /// Nothing seen yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes one value. One that is not [`usable()`] changes nothing and gives `false`.
    #[inline]
    pub fn update(&mut self, value: f64) -> bool {
        if !usable(value) {
            return false;
        }
        if usize::from(self.waiting) == CENTROIDS {
            self.compress();
        }
        let Some(slot) = self.gathered.get_mut(usize::from(self.waiting)) else { return false };
        *slot = value;
        self.waiting += 1;
        true
    }

    /// Values taken.
    pub fn count(&self) -> u64 {
        self.merged.saturating_add(u64::from(self.waiting))
    }

    /// Estimated quantile at `p`; `None` when nothing was seen or `p` is outside `[0, 1]`.
    pub fn quantile(&self, p: f64) -> Option<f64> {
        if !(0.0..=1.0).contains(&p) || self.count() == 0 {
            return None;
        }
        if self.merged == 0 {
            let mut values = self.gathered;
            return robust::quantile_in_place(values.get_mut(..usize::from(self.waiting))?, p);
        }
        if self.waiting == 0 {
            return Some(self.interpolated(p));
        }
        let mut whole = self.clone();
        whole.compress();
        Some(whole.interpolated(p))
    }

    /// Linear between centroids, each standing at the middle of its ranks; order statistic j stands at j + ½, so that
    /// a centroid of one value is met exactly and everything agrees with type 7.
    fn interpolated(&self, p: f64) -> f64 {
        let wanted = (self.merged - 1) as f64 * p + 0.5;
        let (mut place, mut value) = (0.5, self.min);
        let mut before = 0.0;
        for c in (0..usize::from(self.used).min(CENTROIDS)).map(|i| self.centroid(i)) {
            let middle = before + 0.5 * c.weight;
            if wanted < middle {
                return between(place, value, middle, c.mean, wanted);
            }
            (place, value) = (middle, c.mean);
            before += c.weight;
        }
        between(place, value, self.merged as f64 - 0.5, self.max, wanted)
    }

    #[inline]
    fn centroid(&self, i: usize) -> Centroid {
        let mean = self.min + f64::from(self.shares[i]) * (self.max - self.min);
        Centroid { mean, weight: f64::from(self.weights[i]) }
    }

    /// `as` saturates: in a middle centroid after some 10¹¹ values, and of weights in a damaged stored sketch.
    fn keep(&mut self, centroids: &[Centroid]) {
        let range = self.max - self.min;
        for ((share, weight), c) in self.shares.iter_mut().zip(&mut self.weights).zip(centroids) {
            let on_way = if c.weight > 0.0 && range > 0.0 { (c.mean - self.min) / range } else { 0.0 };
            (*share, *weight) = (on_way as f32, c.weight as u32);
        }
    }

    fn compress(&mut self) {
        let waiting = usize::from(self.waiting);
        let Some(values) = self.gathered.get_mut(..waiting) else { return };
        values.sort_unstable_by(f64::total_cmp);
        let (Some(&low), Some(&high)) = (values.first(), values.last()) else { return };
        // Both sorted: one pass of a merge sort into an array on the stack.
        let mut all = [Centroid::default(); 2 * CENTROIDS];
        let used = usize::from(self.used).min(CENTROIDS);
        let (mut old, mut new) = (0, 0);
        for slot in all.iter_mut().take(used + waiting) {
            let next = self.centroid(old.min(CENTROIDS - 1));
            let take_old = old < used && (new >= waiting || next.mean <= self.gathered[new]);
            if take_old {
                *slot = next;
                old += 1;
            } else {
                *slot = Centroid { mean: self.gathered[new], weight: 1.0 };
                new += 1;
            }
        }
        // Only now, since what is kept is told by them.
        (self.min, self.max) = if self.merged == 0 { (low, high) } else { (self.min.min(low), self.max.max(high)) };
        self.merged = self.merged.saturating_add(waiting as u64);

        let mut count = used + waiting;
        let mut compression = COMPRESSION;
        // Neighbours together always exceed one step of the scale, so at a compression of CENTROIDS − 1 or less no
        // more than that many can be left: the loop ends. Not so for weights that no update makes, in a stored sketch
        // that is damaged: then the rest is given up.
        for _ in 0..MOST_TRIES {
            count = squeeze(&mut all, count, self.merged as f64, compression);
            if count <= CENTROIDS {
                break;
            }
            compression *= 0.9;
        }
        count = count.min(CENTROIDS);
        // What is left over would make two equal sketches differ.
        all[count..].fill(Centroid::default());
        self.keep(&all[..CENTROIDS]);
        self.gathered = [0.0; CENTROIDS];
        (self.used, self.waiting) = (count as u8, 0);
    }
}

/// Merges neighbours in place as far as the scale function allows; gives how many are left.
fn squeeze(all: &mut [Centroid; 2 * CENTROIDS], count: usize, total: f64, compression: f64) -> usize {
    // k1(q) = δ/2π·asin(2q − 1), one step on, and back.
    let step = 2.0 * PI / compression;
    let limit_after = |weight_before: f64| {
        let q = (weight_before / total).clamp(0.0, 1.0);
        let angle = (2.0 * q - 1.0).asin() + step;
        if angle >= 0.5 * PI { total } else { total * 0.5 * (1.0 + angle.sin()) }
    };
    // The same by the addition theorem, five times as fast and equal but for the last digits; where those would decide,
    // the sketch must be the same on every path, and the long way says.
    let (step_sin, step_cos) = step.sin_cos();
    let about = |weight_before: f64| {
        let q = (weight_before / total).clamp(0.0, 1.0);
        let sine = 2.0 * q - 1.0;
        if sine >= step_cos {
            return total;
        }
        total * 0.5 * (1.0 + sine * step_cos + 2.0 * (q * (1.0 - q)).sqrt() * step_sin)
    };
    let doubt = DOUBT * total;
    let mut kept = 0;
    let mut before = 0.0;
    let mut limit = about(0.0);
    for i in 1..count {
        let next = all[i];
        let c = &mut all[kept];
        let weight = before + c.weight + next.weight;
        let sure = (weight - limit).abs() > doubt;
        let fits = if sure { weight < limit } else { weight <= limit_after(before) };
        if fits {
            c.weight += next.weight;
            c.mean += (next.mean - c.mean) * next.weight / c.weight;
        } else {
            before += c.weight;
            limit = about(before);
            kept += 1;
            all[kept] = next;
        }
    }
    kept + 1
}

fn between(x0: f64, y0: f64, x1: f64, y1: f64, x: f64) -> f64 {
    if x1 <= x0 { y0 } else { y0 + (y1 - y0) * ((x - x0) / (x1 - x0)).clamp(0.0, 1.0) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_damaged_sketch_comes_to_an_end() {
        for (share, weight) in [(f32::NAN, 1), (f32::INFINITY, 0), (-1.0, u32::MAX), (0.5, 3)] {
            for (used, merged) in [(32, 5), (255, u64::MAX), (1, 1)] {
                for waiting in [32, 255] {
                    let (shares, weights, gathered) = ([share; CENTROIDS], [weight; CENTROIDS], [2.0; CENTROIDS]);
                    let (min, max) = (f64::NAN, 0.0);
                    let mut sketch = QuantileSketch { shares, weights, used, waiting, gathered, min, max, merged };
                    let _ = sketch.quantile(0.5);
                    for n in 0..100 {
                        sketch.update(f64::from(n));
                    }
                    assert!(usize::from(sketch.used) <= CENTROIDS || waiting > 32, "{sketch:?}");
                }
            }
        }
    }

    /// A recovery goes on from what was stored: it must be what was, to the bit, also far from zero in a narrow range.
    #[test]
    fn what_is_stored_goes_on_as_if_it_had_not_been() {
        let mut sketch = QuantileSketch::new();
        for share in shares(5000) {
            sketch.update(101_325.0 + 0.003 * share);
            let stored = postcard::to_allocvec(&sketch).expect("plain data");
            assert_eq!(postcard::from_bytes::<QuantileSketch>(&stored).expect("the same form"), sketch);
        }
    }

    /// Source: the scale function as the paper writes it, its limit after each centroid by arcsine and sine.
    #[test]
    fn the_short_way_to_a_limit_decides_as_the_long_one() {
        fn by_definition(all: &[Centroid], total: f64, compression: f64) -> Vec<Centroid> {
            let limit_after = |before: f64| {
                let angle = (2.0 * (before / total).clamp(0.0, 1.0) - 1.0).asin() + 2.0 * PI / compression;
                if angle >= 0.5 * PI { total } else { total * 0.5 * (1.0 + angle.sin()) }
            };
            let (mut kept, mut before) = (vec![all[0]], 0.0);
            for next in &all[1..] {
                let last = kept.len() - 1;
                let c = &mut kept[last];
                if before + c.weight + next.weight <= limit_after(before) {
                    c.weight += next.weight;
                    c.mean += (next.mean - c.mean) * next.weight / c.weight;
                } else {
                    before += c.weight;
                    kept.push(*next);
                }
            }
            kept
        }
        let mut noise = shares(400_000);
        for round in 0..3000 {
            let (count, heaviest) = (2 + round % 63, [1.0, 3.0, 50.0, 1e4][round % 4]);
            let mut all = [Centroid::default(); 2 * CENTROIDS];
            for c in &mut all[..count] {
                let weight = 1.0 + (noise.next().unwrap_or(0.5) * heaviest).floor();
                *c = Centroid { mean: noise.next().unwrap_or(0.5), weight };
            }
            let total = all.iter().map(|c| c.weight).sum();
            for compression in [64.0, 57.6, 31.0, 8.0, 4.0] {
                let expected = by_definition(&all[..count], total, compression);
                let mut squeezed = all;
                let kept = squeeze(&mut squeezed, count, total, compression);
                assert_eq!(&squeezed[..kept], &expected[..], "round {round}, compression {compression}");
            }
        }
    }

    /// Share of the values below and up to the estimate: the estimate's rank, as an interval because of ties.
    fn rank_error(sorted: &[f64], estimate: f64, p: f64) -> f64 {
        let n = sorted.len() as f64;
        let below = sorted.partition_point(|&v| v < estimate) as f64 / n;
        let up_to = sorted.partition_point(|&v| v <= estimate) as f64 / n;
        (below - p).max(p - up_to).max(0.0)
    }

    /// Low-discrepancy shares in (0, 1), shuffled in time by a multiplier: no generator, no seed.
    fn shares(n: u32) -> impl Iterator<Item = f64> {
        (0..n).map(|i| (f64::from(i) * 0.754_877_666_246_692_7 + 0.31).fract())
    }

    /// Estimates at the usual probabilities, exact order statistics beside them.
    fn sketched(name: &str, values: Vec<f64>) -> (Vec<f64>, impl Iterator<Item = (f64, f64)>) {
        let mut sketch = QuantileSketch::new();
        values.iter().for_each(|&v| assert!(sketch.update(v)));
        let mut sorted = values;
        sorted.sort_unstable_by(f64::total_cmp);
        assert_eq!(sketch.quantile(0.0), sorted.first().copied(), "{name}");
        assert_eq!(sketch.quantile(1.0), sorted.last().copied(), "{name}");
        assert_eq!(sketch.count(), sorted.len() as u64);
        assert!(usize::from(sketch.used) <= CENTROIDS);
        let ps = [0.001, 0.01, 0.02, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.98, 0.99, 0.999];
        (sorted, ps.into_iter().map(move |p| (p, sketch.quantile(p).expect("values were seen"))))
    }

    fn check(name: &str, tolerance: f64, values: Vec<f64>) {
        let (sorted, estimates) = sketched(name, values);
        for (p, got) in estimates {
            let error = rank_error(&sorted, got, p);
            assert!(error <= tolerance, "{name}: p {p} gave {got}, rank off by {error}");
        }
    }

    /// Source: the exact ranks among the same values. Tolerances are those the module page promises.
    #[test]
    fn rank_error_stays_within_the_promise() {
        const N: u32 = 20_000;
        check("uniform", 0.003, shares(N).collect());
        check("exponential", 0.003, shares(N).map(|u| -(1.0 - u).ln()).collect());
        check("ascending", 0.003, (0..N).map(f64::from).collect());
        check("descending", 0.003, (0..N).rev().map(f64::from).collect());
        check("two modes", 0.003, shares(N).map(|u| if u < 0.3 { u } else { 100.0 + u }).collect());
        check("large level, small scatter", 0.003, shares(N).map(|u| 1e9 + u).collect());
        check("no mean", 0.01, shares(N).map(|u| (1.0 - u).powf(-1.5)).collect());
    }

    #[test]
    fn on_a_few_levels_the_estimate_is_less_than_a_level_off() {
        let (sorted, estimates) = sketched("levels", shares(20_000).map(|u| (u * 7.0).floor()).collect());
        for (p, got) in estimates {
            let exact = robust::quantile_of_sorted(&sorted, p).expect("not empty");
            assert!((got - exact).abs() < 1.0, "p {p}: {got} for {exact}");
        }
    }

    #[test]
    fn up_to_32_values_the_answer_is_exact() {
        let values: Vec<f64> = shares(32).collect();
        let mut sketch = QuantileSketch::new();
        let mut scratch = Vec::new();
        for (i, &v) in values.iter().enumerate() {
            sketch.update(v);
            for p in [0.0, 0.2, 0.5, 0.9, 1.0] {
                assert_eq!(sketch.quantile(p), robust::quantile(&values[..=i], p, &mut scratch));
            }
        }
    }

    #[test]
    fn memory_is_as_the_page_says() {
        assert_eq!(size_of::<QuantileSketch>(), 544);
    }

    #[test]
    fn asking_does_not_change_the_state() {
        let (mut asked, mut left_alone) = (QuantileSketch::new(), QuantileSketch::new());
        for v in shares(1000) {
            asked.update(v);
            left_alone.update(v);
            asked.quantile(0.5);
        }
        assert_eq!(asked, left_alone);
    }

    #[test]
    fn nothing_seen_or_no_probability_is_none() {
        let mut sketch = QuantileSketch::new();
        assert_eq!(sketch.quantile(0.5), None);
        sketch.update(1.0);
        assert_eq!((sketch.quantile(f64::NAN), sketch.quantile(1.5)), (None, None));
    }
}

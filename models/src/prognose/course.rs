//! Time to a failure at a level nobody knows, from how far the level has come since it left the healthy one.
//!
//! Such levels lie at several times the rise seen so far, and damage gets there in steps and quiet stretches; the bend of
//! the past says nothing of the bend to come. So nothing is fitted but two numbers: s, the time since the level left its
//! healthy band for good, and d, the highest rise it has held. With rise ∝ (time since onset)^p, a failure at rise D comes
//! after T = s · ((D/d)^(1/p) − 1) more. p is log-normal about [`EXPONENT`]: most wear lies between steady (1) and cubic
//! (3). D is log-normal ([`LevelDoubt`]), what was survived ruled out. Scale-free: double s and all of it doubles. A level
//! that falls back for a while is not a bearing that heals, so d never falls.
//!
//! One rise and one time: use it only where no limit is set. Pure; order of the blocks does not matter.
//!
//! Source: damage growing as a power of time: Paris & Erdogan (1963) for cracks and Archard (1953) for steady wear, both
//! from memory, and far from telling p for a whole bearing; the spread of p is our judgement, made with one bearing of the
//! IMS set in view.

use super::points::usable;
use super::remaining::{LevelDoubt, NoForecast, RemainingParams, Side, TimeToLimit, stated, survived_parts};
use crate::prognose::first_passage::{normal_cdf, rising_root};
use crate::reading::{EventTime, Reading};

/// Median of the exponent p.
pub const EXPONENT: f64 = 2.0;
/// Standard deviation of ln p: 80 % between 1.36 and 2.94.
const LN_EXPONENT_SD: f64 = 0.3;
/// Blocks a level is the median of.
const LEVEL_BLOCKS: usize = 5;
/// The healthy band is this many standard deviations of the scatter wide.
const BAND: f64 = 3.0;
/// Blocks after the onset from which there is a course.
const FEWEST_SINCE: usize = 8;

/// A failure at a level nobody knows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Failure {
    /// Median of the levels that are left, now that those up to the highest were survived.
    pub level: f64,
    /// Hours from now.
    pub time: TimeToLimit,
}

/// Hours to a failure at a level in doubt, whose median was `limit` while the machine was healthy. `scatter`: standard deviation of healthy blocks.
///
/// # Errors
/// Why nobody can say.
pub fn to_failure(
    blocks: &[Reading],
    now: EventTime,
    limit: f64,
    side: Side,
    doubt: &LevelDoubt,
    scatter: f64,
) -> Result<Failure, NoForecast> {
    let horizon_hours = RemainingParams::default().horizon_hours;
    let sign = if side == Side::Upper { 1.0 } else { -1.0 };
    let LevelDoubt { healthy, ln_sd } = *doubt;
    let to_limit = sign * (limit - healthy);
    if !(to_limit.is_finite() && to_limit > 0.0 && ln_sd.is_finite() && ln_sd > 0.0 && scatter >= 0.0) {
        return Err(NoForecast::NoLimit);
    }
    let blocks = usable(blocks, now);
    let rises: Vec<f64> = blocks
        .windows(LEVEL_BLOCKS)
        .map(|w| {
            let mut five: Vec<f64> = w.iter().map(|b| sign * (b.value - healthy)).collect();
            five.sort_by(f64::total_cmp);
            five[LEVEL_BLOCKS / 2]
        })
        .collect();
    let since = rises.iter().rev().take_while(|rise| **rise > BAND * scatter).count();
    if since < FEWEST_SINCE {
        return Err(NoForecast::TooFewBlocks { have: since, need: FEWEST_SINCE });
    }
    let highest = rises.iter().skip(rises.len() - since).fold(0.0_f64, |m, r| m.max(*r));
    // The median of five leaves the band when the third of them has.
    let onset = blocks[blocks.len() - since - LEVEL_BLOCKS / 2].at;
    let age_hours = now.hours_since(onset);
    let parts = survived_parts(highest / to_limit, ln_sd);
    let level = healthy + sign * to_limit * parts[parts.len() / 2];
    let limits = parts.map(|part| to_limit * part / highest);
    let cdf = |hours: f64| {
        let grown = (1.0 + hours / age_hours).ln();
        let one = |ratio: &f64| normal_cdf((EXPONENT.ln() - (ratio.ln() / grown).ln()) / LN_EXPONENT_SD);
        limits.iter().map(one).sum::<f64>() / limits.len() as f64
    };
    let least = 1e-6 * horizon_hours;
    let within_horizon = cdf(horizon_hours);
    let at = |z: f64| {
        let p = normal_cdf(z);
        (within_horizon >= p)
            .then(|| if cdf(least) >= p { least } else { rising_root(least, horizon_hours, 1e-4, |t| cdf(t) - p) })
    };
    Ok(Failure { level, time: stated(at, within_horizon, horizon_hours, age_hours)? })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn squares(hours: usize, step_hours: f64) -> Vec<Reading> {
        // Healthy at 1 for 20 blocks, then a rise of (blocks since)² / 400.
        let level = |i: usize| 1.0 + (i as f64 - 20.0).max(0.0).powi(2) / 400.0;
        (0..hours)
            .map(|i| Reading { at: EventTime(0).plus_secs(3600.0 * step_hours * i as f64), value: level(i) })
            .collect()
    }

    fn failure(blocks: &[Reading], limit: f64, ln_sd: f64) -> Result<Failure, NoForecast> {
        let doubt = LevelDoubt { healthy: 1.0, ln_sd };
        to_failure(blocks, blocks[blocks.len() - 1].at, limit, Side::Upper, &doubt, 0.002)
    }

    fn asked(blocks: &[Reading], limit: f64, ln_sd: f64) -> Result<TimeToLimit, NoForecast> {
        failure(blocks, limit, ln_sd).map(|found| found.time)
    }

    /// Source: by hand: with p = 2 a rise of 1 after 20 h is 4 after 40 h. The level is the median of the last five blocks
    /// and leaves the band two blocks after the onset, hence the tolerance of a quarter.
    #[test]
    fn a_square_course_is_followed_to_four_times_its_rise() {
        let time = asked(&squares(41, 1.0), 5.0, 0.01).expect("a course");
        assert!((time.p50_hours - 20.0).abs() < 5.0, "{time:?}");
        assert!(time.p10_hours < time.p50_hours && time.p90_hours.is_some_and(|p90| p90 > time.p50_hours));
    }

    #[test]
    fn it_is_free_of_scale() {
        let (one, ten) = (asked(&squares(41, 1.0), 5.0, 0.8), asked(&squares(41, 2.0), 5.0, 0.8));
        let (one, ten) = (one.expect("a course"), ten.expect("a course"));
        assert!((ten.p50_hours / one.p50_hours - 2.0).abs() < 1e-2, "{one:?} {ten:?}");
    }

    #[test]
    fn what_was_survived_is_ruled_out_and_health_has_no_course() {
        // Far beyond the median of the levels: still a time ahead, and a level above the highest, which is 1 + 59²/400.
        let found = failure(&squares(80, 1.0), 2.0, 0.5).expect("a course");
        assert!(found.time.p10_hours > 0.0 && found.level > 9.7, "{found:?}");
        let far = failure(&squares(41, 1.0), 50.0, 0.5).expect("a course");
        assert!((far.level - 50.0).abs() < 0.01, "nothing near it was survived: {far:?}");
        assert!(asked(&squares(21, 1.0), 5.0, 0.5).is_err());
        assert!(asked(&squares(41, 1.0), f64::NAN, 0.5).is_err());
        assert!(asked(&squares(41, 1.0), 5.0, f64::NAN).is_err());
        let mut odd = squares(41, 1.0);
        odd[30].value = f64::NAN;
        assert!(asked(&odd, 5.0, 0.5).is_ok());
    }
}

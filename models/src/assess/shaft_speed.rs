//! Shaft speed from the waveform itself: the speed whose harmonics stand out together.
//!
//! Scored on two spectra, each divided by its noise floor: of the waveform and of its squared envelope. Every line is
//! capped, so that one strong tone (mains, a gear) cannot carry a speed alone; multiples of 50 and 60 Hz do not count.
//! The estimate is believed only when it beats every speed more than 0.6 % away by a clear ratio. When not to use it:
//! records of fewer than 60 revolutions (refused), and speeds that vary within the record.

use crate::manipulate::waveform::comb::comb_sum;
use serde::{Deserialize, Serialize};

/// Harmonics that are looked at.
const HARMONICS: usize = 16;
/// A line counts at most this many times its floor.
const CAP: f64 = 12.0;
/// Two speeds nearer than this are one.
const SAME: f64 = 0.006;
/// Turns a record must have: below, the lines of the shaft and of the mains lie within each other's width.
const LEAST_TURNS: f64 = 60.0;
/// A line stands out when noise alone would reach it once in a thousand: ln 1000.
const STANDS_OUT: f64 = 6.9;
/// Harmonics that must stand out in the waveform's own spectrum, one of them at 1× to 3×: the envelope alone would take
/// the rate of a bearing's impacts, or a fraction of it, for a shaft.
const OWN_LINES: usize = 5;
/// How much better than every other speed the best must be.
const CLEAR: f64 = 1.3;

/// Where a speed came from; everything downstream says which.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum SpeedSource {
    /// Sent with the waveform.
    Message,
    /// The asset's speed point.
    Point,
    /// Given by the person at the command line.
    Given,
    /// The nameplate: near, not exact.
    Rating,
    /// Estimated from the waveform, near one of the others.
    Waveform,
}

/// A speed with what is known of it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ShaftSpeed {
    /// Revolutions a minute.
    pub rpm: f64,
    /// Where from.
    pub source: SpeedSource,
    /// How far off it may be, as a part of it.
    pub uncertainty: f64,
    /// 0 to 1: for an estimate how clearly it beat other speeds, else 0 for a speed that the waveform does not confirm.
    pub confidence: f64,
}

impl ShaftSpeed {
    /// A speed with the usual uncertainty of its source: measured 0.5 %, nameplate or told by a person 3.5 % (slip of an
    /// induction motor).
    pub fn new(rpm: f64, source: SpeedSource) -> Self {
        let uncertainty = match source {
            // A person gives what is on the nameplate as often as what was measured.
            SpeedSource::Rating | SpeedSource::Given => 0.035,
            SpeedSource::Waveform => 0.001,
            SpeedSource::Message | SpeedSource::Point => 0.005,
        };
        Self { rpm, source, uncertainty, confidence: 0.0 }
    }

    /// Revolutions a second.
    pub fn hz(&self) -> f64 {
        self.rpm / 60.0
    }

    /// How far the estimate looks around it: twice its uncertainty, at least 2 %, at most 4 %.
    pub fn search_span(&self) -> f64 {
        (2.0 * self.uncertainty).clamp(0.02, 0.04)
    }
}

/// A spectrum divided by its noise floor.
#[derive(Debug, Clone, Copy)]
pub struct LineRatios<'a> {
    /// Lines from 0 Hz up.
    pub ratio: &'a [f64],
    /// Their distance, Hz.
    pub step_hz: f64,
}

/// What a search for the speed found.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SpeedEstimate {
    /// The best speed.
    pub rpm: f64,
    /// Best score over the best of any speed more than 0.6 % away.
    pub lead: f64,
}

impl SpeedEstimate {
    /// 0 to 1; 0 when another speed does as well. A score, not a probability.
    pub fn confidence(&self) -> f64 {
        (1.0 - 1.0 / self.lead).clamp(0.0, 1.0)
    }
}

/// Capped copy of the lines a speed may be read from; mains multiples are set to what noise gives.
fn capped(lines: &LineRatios<'_>, without_mains: bool, top_hz: f64, out: &mut Vec<f64>) {
    let count = ((top_hz / lines.step_hz).ceil().max(0.0) as usize).min(lines.ratio.len());
    out.clear();
    out.extend(lines.ratio.iter().take(count).map(|x| x.min(CAP)));
    if without_mains {
        for mains in [50.0, 60.0] {
            for k in 1..=((top_hz / mains) as usize) {
                let at = (k as f64 * mains / lines.step_hz).round() as usize;
                for line in out.iter_mut().skip(at.saturating_sub(1)).take(3) {
                    *line = line.min(1.0);
                }
            }
        }
    }
}

/// Searches around `near` (see [`ShaftSpeed::search_span`]). `None` when the spectra do not reach a few harmonics, or
/// the waveform itself shows too few of them.
pub fn estimate(near: &ShaftSpeed, waveform: LineRatios<'_>, envelope: LineRatios<'_>) -> Option<SpeedEstimate> {
    let hz = near.hz();
    if !(hz.is_finite() && hz >= LEAST_TURNS * waveform.step_hz) {
        return None;
    }
    let span = near.search_span();
    let top_hz = hz * (HARMONICS as f64 + 1.0) * (1.0 + span);
    let (mut direct, mut squared) = (Vec::new(), Vec::new());
    capped(&waveform, true, top_hz, &mut direct);
    capped(&envelope, false, top_hz, &mut squared);
    let step = 0.25 * waveform.step_hz / (HARMONICS as f64 * hz);
    let half = (span / step).floor() as i64;
    let score = |trial: i64| {
        let hz = hz * (1.0 + trial as f64 * step);
        comb_sum(&direct, waveform.step_hz, hz, HARMONICS).0 + comb_sum(&squared, envelope.step_hz, hz, HARMONICS).0
    };
    let scores: Vec<f64> = (-half..=half).map(score).collect();
    let top = scores.iter().fold(0.0_f64, |m, x| m.max(*x));
    // The middle of a flat top, not its edge.
    let first = scores.iter().position(|x| *x == top)?;
    let plateau = scores.iter().skip(first).take_while(|x| **x == top).count();
    let best = first + plateau / 2;
    let apart = (SAME / step).ceil() as usize;
    let rival =
        scores.iter().enumerate().filter(|(k, _)| k.abs_diff(best) > apart).fold(0.0_f64, |m, (_, x)| m.max(*x));
    let comparable = rival > 0.0;
    if !comparable {
        return None;
    }
    let slip = (best as i64 - half) as f64 * step;
    let own = |k: usize| {
        let at = (k as f64 * hz * (1.0 + slip) / waveform.step_hz).round() as usize;
        direct.get(at).is_some_and(|line| *line >= STANDS_OUT)
    };
    if (1..=HARMONICS).filter(|k| own(*k)).count() < OWN_LINES || !(1..=3).any(own) {
        return None;
    }
    let coarse_hz = hz * (1.0 + slip);
    let own_lines = (1..=HARMONICS).filter(|k| own(*k));
    let fine_hz = refine(own_lines, coarse_hz, &waveform).filter(|f| (f / coarse_hz - 1.0).abs() < SAME);
    Some(SpeedEstimate { rpm: 60.0 * fine_hz.unwrap_or(coarse_hz), lead: top / rival })
}

/// Least squares through the exact places of the lines that stand out: f_k = k f. Each place is the top of the parabola
/// through the logarithms of a Hann line's three highest values.
fn refine(lines: impl Iterator<Item = usize>, hz: f64, waveform: &LineRatios<'_>) -> Option<f64> {
    let (mut along, mut square) = (0.0, 0.0);
    for k in lines {
        let wanted = (k as f64 * hz / waveform.step_hz).round() as usize;
        let height = |at: usize| waveform.ratio.get(at).copied().unwrap_or(0.0);
        let top = (wanted.saturating_sub(1)..=wanted + 1).max_by(|a, b| height(*a).total_cmp(&height(*b)))?;
        let [left, middle, right] =
            [top.checked_sub(1)?, top, top + 1].map(|at| height(at).max(f64::MIN_POSITIVE).ln());
        let bend = left - 2.0 * middle + right;
        let shift = if bend < 0.0 { (0.5 * (left - right) / bend).clamp(-0.5, 0.5) } else { 0.0 };
        along += k as f64 * (top as f64 + shift) * waveform.step_hz;
        square += (k * k) as f64;
    }
    (square > 0.0).then(|| along / square)
}

/// The speed to go on with: the estimate when it is clear, else the one that was told.
pub fn settle(told: ShaftSpeed, estimate: Option<SpeedEstimate>) -> ShaftSpeed {
    match estimate {
        Some(found) if found.lead >= CLEAR => ShaftSpeed {
            rpm: found.rpm,
            source: SpeedSource::Waveform,
            uncertainty: 0.001,
            confidence: found.confidence(),
        },
        _ => told,
    }
}

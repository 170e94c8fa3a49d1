//! Whether a waveform can be diagnosed at all: dead, clipped, stuck and too short ones are reported as such.
//!
//! A diagnosis from a clipped waveform is wrong in a convincing way: clipping makes harmonics and flattens impacts.

use super::signal::Signal;
use super::statistics::Shape;
use crate::param::{ParamFault, positive, within};
use serde::{Deserialize, Serialize};

/// | setting | default | unit | range |
/// |---|---|---|---|
/// | `clipped_share` | 0.001 | part of the samples | 0 to 1 |
/// | `stuck_share` | 0.005 | part of the samples | 0 to 1 |
/// | `least_secs` | 0.5 | s | above 0 |
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct QualityParams {
    /// More samples than this at the highest or lowest value, in runs, is clipping.
    pub clipped_share: f64,
    /// One value held for longer than this part of the record is a sensor or a link that hung.
    pub stuck_share: f64,
    /// A shorter record is not diagnosed.
    pub least_secs: f64,
}

impl Default for QualityParams {
    fn default() -> Self {
        Self { clipped_share: 0.001, stuck_share: 0.005, least_secs: 0.5 }
    }
}

impl QualityParams {
    /// Every fault of the settings.
    ///
    /// # Errors
    /// One [`ParamFault`] for each setting out of range.
    pub fn check(self) -> Result<Self, Vec<ParamFault>> {
        let faults: Vec<_> = [
            within("clipped_share", self.clipped_share, 0.0, 1.0),
            within("stuck_share", self.stuck_share, 0.0, 1.0),
            positive("least_secs", self.least_secs),
        ]
        .into_iter()
        .flatten()
        .collect();
        if faults.is_empty() { Ok(self) } else { Err(faults) }
    }
}

/// Why there is no diagnosis.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "reason")]
pub enum Unusable {
    /// Nothing varies: no sensor, no supply, or silence.
    Flat,
    /// The range of the converter or sensor was left.
    Clipped {
        /// Samples at the limits.
        samples: usize,
    },
    /// One value was held: a hole filled by the sender, or a sensor that hung.
    Stuck {
        /// Samples of the longest hold.
        samples: usize,
        /// Where it begins.
        first: usize,
    },
    /// Too short for the question.
    TooShort {
        /// What came, s.
        secs: f64,
        /// What is needed, s.
        needed_secs: f64,
    },
}

impl std::fmt::Display for Unusable {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Unusable::Flat => f.write_str("flat: nothing varies (sensor, cable or supply)"),
            Unusable::Clipped { samples } => write!(f, "clipped: {samples} samples lie at the limits of the range"),
            Unusable::Stuck { samples, first } => {
                write!(f, "truncated: one value is held for {samples} samples from sample {first} on")
            }
            Unusable::TooShort { secs, needed_secs } => {
                write!(f, "too short: {secs:.3} s, and the question needs {needed_secs:.3} s")
            }
        }
    }
}

/// What was found out about a waveform before looking into it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Quality {
    /// Why it cannot be diagnosed, the gravest reason; `None` when it can.
    pub unusable: Option<Unusable>,
    /// Samples in runs at the highest or lowest value.
    pub clipped: usize,
    /// Mean over standard deviation: an offset, which is removed and only told.
    pub offset_sigmas: f64,
}

impl Quality {
    /// Looks at a waveform.
    pub fn of(signal: &Signal<'_>, shape: &Shape, params: &QualityParams) -> Self {
        let samples = signal.samples();
        let count = samples.len() as f64;
        let spread = shape.peak_to_peak;
        // What is left of a constant after decoding is rounding of the constant.
        let varies = spread > 1e-9 * shape.peak.max(f64::MIN_POSITIVE) && shape.std > 0.0;
        let flat = !varies;
        let (low, high) = samples.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(*x), h.max(*x)));
        let near = 1e-6 * spread;
        let mut clipped = 0;
        let mut run_at_limit = 0;
        let mut longest = (0, 0);
        let mut run = (1, 0);
        let mut before: Option<f64> = None;
        for (at, x) in samples.iter().enumerate() {
            if *x - low <= near || high - *x <= near {
                run_at_limit += 1;
                // One or two samples at the top is what every waveform has.
                clipped += match run_at_limit {
                    0..=2 => 0,
                    3 => 3,
                    _ => 1,
                };
            } else {
                run_at_limit = 0;
            }
            run = if before == Some(*x) { (run.0 + 1, run.1) } else { (1, at) };
            before = Some(*x);
            if run.0 > longest.0 {
                longest = run;
            }
        }
        let unusable = if flat {
            Some(Unusable::Flat)
        } else if longest.0 as f64 > (params.stuck_share * count).max(32.0) && !at_limit(samples, longest, low, high) {
            Some(Unusable::Stuck { samples: longest.0, first: longest.1 })
        } else if clipped as f64 > (params.clipped_share * count).max(8.0) {
            Some(Unusable::Clipped { samples: clipped })
        } else if signal.secs() < params.least_secs {
            Some(Unusable::TooShort { secs: signal.secs(), needed_secs: params.least_secs })
        } else {
            None
        };
        let offset_sigmas = if flat { 0.0 } else { shape.mean.abs() / shape.std };
        Self { unusable, clipped, offset_sigmas }
    }
}

fn at_limit(samples: &[f64], run: (usize, usize), low: f64, high: f64) -> bool {
    samples.get(run.1).is_some_and(|x| *x == low || *x == high)
}

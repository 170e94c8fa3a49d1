//! A waveform that may be computed with: finite samples, a sample rate, at least 64 samples.

use std::fmt;

/// The shortest waveform anything is computed from, samples.
pub const SHORTEST: usize = 64;

/// The longest waveform that is accepted, samples: ten minutes at 48 kHz, about 230 MB of `f64`.
pub const LONGEST: usize = 48_000 * 600;

/// Why samples are no [`Signal`].
#[derive(Debug, Clone, PartialEq)]
pub enum SignalFault {
    /// The sample rate is not finite and above zero; the value that came.
    Rate(f64),
    /// Fewer than [`SHORTEST`] samples; how many came.
    TooShort(usize),
    /// More than [`LONGEST`] samples; how many came.
    TooLong(usize),
    /// A sample is not finite; its place, counted from 0.
    NotFinite(usize),
}

impl fmt::Display for SignalFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            SignalFault::Rate(got) => write!(f, "sample rate must be finite and above 0 Hz, got {got}"),
            SignalFault::TooShort(got) => write!(f, "a waveform needs at least {SHORTEST} samples, got {got}"),
            SignalFault::TooLong(got) => write!(f, "a waveform has at most {LONGEST} samples, got {got}"),
            SignalFault::NotFinite(at) => write!(f, "sample {at} is not a finite number"),
        }
    }
}

impl std::error::Error for SignalFault {}

/// Borrowed samples with their rate; finite and long enough.
#[derive(Debug, Clone, Copy)]
pub struct Signal<'a> {
    samples: &'a [f64],
    rate_hz: f64,
}

impl<'a> Signal<'a> {
    /// Checks the samples once, so that nothing behind needs to.
    ///
    /// # Errors
    /// The first [`SignalFault`] found.
    pub fn new(samples: &'a [f64], rate_hz: f64) -> Result<Self, SignalFault> {
        if !(rate_hz.is_finite() && rate_hz > 0.0) {
            return Err(SignalFault::Rate(rate_hz));
        }
        if samples.len() < SHORTEST {
            return Err(SignalFault::TooShort(samples.len()));
        }
        if samples.len() > LONGEST {
            return Err(SignalFault::TooLong(samples.len()));
        }
        match samples.iter().position(|x| !x.is_finite()) {
            Some(at) => Err(SignalFault::NotFinite(at)),
            None => Ok(Self { samples, rate_hz }),
        }
    }

    /// The samples.
    pub fn samples(&self) -> &'a [f64] {
        self.samples
    }

    /// Samples a second.
    pub fn rate_hz(&self) -> f64 {
        self.rate_hz
    }

    /// Length in seconds.
    pub fn secs(&self) -> f64 {
        self.samples.len() as f64 / self.rate_hz
    }
}

/// The longest length up to `len` that is a multiple of 64 and otherwise only of 2, 3 and 5, so that halving it six
/// times stays whole and transforms are fast; `len` itself when it is below 64. Cutting to it loses a few per cent at most.
pub fn fast_length(len: usize) -> usize {
    let mut blocks = len / 64;
    while blocks > 1 {
        let mut rest = blocks;
        for factor in [2, 3, 5] {
            while rest.is_multiple_of(factor) {
                rest /= factor;
            }
        }
        if rest == 1 {
            break;
        }
        blocks -= 1;
    }
    if blocks == 0 { len } else { blocks * 64 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_waveform_is_refused_by_name() {
        let good = vec![0.5; 100];
        let mut hole = good.clone();
        hole[7] = f64::NAN;
        assert_eq!(Signal::new(&good, f64::NAN).err().map(|f| f.to_string().contains("NaN")), Some(true));
        assert_eq!(Signal::new(&good[..10], 1e3).err(), Some(SignalFault::TooShort(10)));
        assert_eq!(Signal::new(&hole, 1e3).err(), Some(SignalFault::NotFinite(7)));
        assert!(Signal::new(&good, 1e3).is_ok());
    }

    #[test]
    fn a_fast_length_is_close_below_and_smooth() {
        assert_eq!(fast_length(48_000), 48_000);
        assert_eq!(fast_length(12_000), 11_520);
        assert_eq!(fast_length(50), 50);
        for len in [64, 100, 1000, 4099, 65_537, 1_000_003] {
            let fast = fast_length(len);
            assert!(fast <= len && fast as f64 >= 0.5 * len as f64, "{len} {fast}");
            assert_eq!(fast % 64, 0);
        }
    }
}

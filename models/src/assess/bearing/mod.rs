//! Bearing defects from envelope analysis, with one fixed setting for every machine.
//!
//! 1. The waveform is prewhitened ([`prewhiten`]): tones and resonances no longer weigh more than noise.
//! 2. Its shaft speed is confirmed or corrected from the waveform where that is clear ([`shaft_speed`]).
//! 3. In every band of the dyadic tree the squared envelope's spectrum is divided by its local floor, and the harmonics
//!    of each part's frequency are summed, over the slip allowed. The sum's probability under noise is known exactly
//!    ([`comb`]); it is corrected for all slips, bands and parts tried, and compared with one **false-detection
//!    probability**. Lines at multiples of shaft speed do not count.
//! 4. Significant is not yet important: sound races show faint lines too. A family is named only when it modulates the
//!    squared envelope by at least half of its mean, and when no family *unrelated* to it explains more.
//! 5. Without a regular family, impacts that come back in at least three eighths of the record and are sharper than any
//!    smooth modulation of noise can be (spectral kurtosis above 17/9, the value of full sinusoidal modulation) are
//!    told as irregular.
//!
//! When not to use it: speed that varies by more than about 0.5 % within the record (lines smear), records under about
//! 20 revolutions, sensors whose range ends below about 20 × shaft speed.
//! Sources: Randall & Antoni (2011), MSSP 25(2); Smith & Randall (2015), MSSP 64-65; both from memory.

mod findings;
mod geometry;
mod search;

pub use findings::{BearingFindings, BearingVerdict, EnvelopeSpectrum, EvidenceLine, Family, Irregular, LineKind};
pub use geometry::{Bearing, BearingGeometry, BearingOrders, BearingPart};
pub use search::{BearingAnalyser, BearingParams};

#[cfg(doc)]
use super::shaft_speed;
#[cfg(doc)]
use crate::manipulate::waveform::{comb, prewhiten};

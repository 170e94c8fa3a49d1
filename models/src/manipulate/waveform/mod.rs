//! Waveforms: a short, evenly sampled record of vibration → spectra, envelopes, overall values.
//!
//! Conventions, the same in every file here:
//!
//! - Samples are `f64`, evenly spaced, in any unit; results are in that unit (or its square per Hz for densities) unless
//!   a name says otherwise. Nothing here depends on the unit, so thresholds further on are all relative.
//! - Amplitudes of lines are **peak** amplitudes (a sine of amplitude 1 shows as 1), never RMS, unless the name says so.
//! - A transform is planned once for a length and keeps its scratch memory; no line of a spectrum allocates.
//! - Samples that are not finite are refused by [`Signal::new`]; everything behind it may rely on finite numbers.

pub mod bands;
pub mod butterworth;
pub mod comb;
pub mod envelope;
pub mod floor;
pub mod hilbert;
pub mod integrate;
pub mod overall;
pub mod prewhiten;
pub mod quality;
pub mod signal;
pub mod spectrum;
pub mod statistics;
pub mod transform;
pub mod welch;
pub mod window;

pub use bands::{Band, dyadic_bands};
pub use envelope::{BandEnvelope, BandEnvelopes};
pub use integrate::{Motion, MotionConverter};
pub use overall::{Overall, OverallBand, Overalls};
pub use quality::{Quality, QualityParams, Unusable};
pub use signal::{Signal, SignalFault, fast_length};
pub use spectrum::{AmplitudeSpectrum, SpectrumPlan};
pub use statistics::Shape;
pub use welch::{PowerScaling, WelchPlan};
pub use window::Window;

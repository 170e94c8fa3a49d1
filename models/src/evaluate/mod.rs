//! How well it did, against what turned out to be true. No block of ISO 13374: it stands beside them and judges them.
//!
//! | module | question |
//! |---|---|
//! | [`confusion`] | of the rows that were judged, how many rightly? |
//! | [`detection`] | of the episodes that were true, how many were found, when, and what was said for nothing? |
//! | [`life`] | of the remaining lives that were said, how many held, how wide were they, from when on were they of use? |
//!
//! A share of nothing is `None`, never 0 or 1: a recording without a fault has no recall.

pub mod confusion;
pub mod detection;
pub mod life;

pub use confusion::Confusion;
pub use detection::{Matched, Spread, Truth, match_episodes, spread};
pub use life::{Forecast, LifeParams, LifeScore, score};

/// `part / whole`, `None` of nothing.
pub(crate) fn share(part: u64, whole: u64) -> Option<f64> {
    (whole > 0).then(|| part as f64 / whole as f64)
}

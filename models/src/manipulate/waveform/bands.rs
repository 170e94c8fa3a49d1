//! The bands in which impacts are looked for: the whole width, then halves, quarters and eighths, the finer ones
//! overlapping by half so that no resonance is cut at an edge.
//!
//! Source: the dyadic tree of the fast kurtogram, Antoni (2007), MSSP 21(1), from memory; overlap added.

use serde::{Deserialize, Serialize};

/// A band as bins of the transform of the whole waveform.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Band {
    /// How often the width was halved.
    pub level: u32,
    /// First bin.
    pub first: usize,
    /// Number of bins.
    pub bins: usize,
}

/// The bands over `bins` bins (a multiple of 2^`levels`), down to a width of `bins` / 2^`levels`.
pub fn dyadic_bands(bins: usize, levels: u32) -> Vec<Band> {
    let mut bands = Vec::new();
    for level in 0..=levels {
        let parts = 1_usize << level;
        let width = bins / parts;
        bands.extend((0..parts).map(|i| Band { level, first: i * width, bins: width }));
        if level >= 2 {
            bands.extend((0..parts - 1).map(|i| Band { level, first: i * width + width / 2, bins: width }));
        }
    }
    bands.retain(|band| band.bins > 0);
    bands
}

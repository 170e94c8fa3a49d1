//! Cepstral prewhitening: every line of the spectrum gets the same magnitude and keeps its phase.
//!
//! In one step it takes away what hides impacts: the regular tones of shaft, mains and gears (their lines weigh no more
//! than a line of noise) and the colour of the structure (no resonance outweighs the rest). What is left is impulsive or
//! it is noise. Price: levels are gone, so it is for asking *when* things strike, never *how hard*.
//! Source: Sawalhi & Randall (2011); used throughout by Smith & Randall (2015), MSSP 64-65; both from memory.

use realfft::num_complex::Complex;

/// Lines weaker than this part of the strongest are rounding, not signal, and stay weak.
const ROUNDING: f64 = 1e-9;

/// Sets the magnitude of every bin to 1; bins at the level of rounding are scaled like the weakest signal.
pub fn cepstral(bins: &mut [Complex<f64>]) {
    let strongest = bins.iter().fold(0.0_f64, |m, bin| m.max(bin.norm_sqr())).sqrt();
    let least = ROUNDING * strongest;
    if !(least > 0.0) {
        return;
    }
    for bin in bins {
        *bin /= bin.norm().max(least);
    }
}

//! Squared envelopes of many bands of one waveform, each with its spectrum, its noise floor and its kurtosis.
//!
//! Per band: its bins → inverse transform (twice as many points as bins, so that squaring does not fold back) → |z|²,
//! divided by its mean → Hann window → lines. A line's amplitude is therefore the **modulation depth**: 1 is a squared
//! envelope that swings by its own mean. Source: squared envelope spectrum, Borghesani et al. (2013), MSSP 36; spectral
//! kurtosis E|z|⁴ / (E|z|²)² − 2, Antoni (2006), MSSP 20(2); both from memory.
//!
//! Memory: about 12 times the waveform. One analyser per waveform length; nothing is allocated per band or line.

use super::bands::{Band, dyadic_bands};
use super::floor::noise_floor;
use super::transform::Fourier;
use super::window::Window;
use realfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};
use std::fmt;
use std::sync::Arc;

/// Parts of the record whose kurtosis is told apart.
const PARTS: usize = 8;

/// One band's squared envelope as its visitor sees it.
#[derive(Debug, Clone, Copy)]
pub struct BandEnvelope<'a> {
    /// The band.
    pub band: Band,
    /// Lower edge, Hz.
    pub low_hz: f64,
    /// Upper edge, Hz.
    pub high_hz: f64,
    /// Distance of the lines, Hz.
    pub step_hz: f64,
    /// Spectral kurtosis of the whole record: 0 for Gaussian noise.
    pub kurtosis: f64,
    /// Third-highest kurtosis of the record's eighths: high only when impacts come back, not for one or two knocks.
    pub repeated_kurtosis: f64,
    /// Squared modulation depth of each line from 0 Hz up.
    pub power: &'a [f64],
    /// What noise alone would show, same unit.
    pub floor: &'a [f64],
    /// `power / floor`.
    pub ratio: &'a [f64],
}

#[derive(Clone)]
struct Width {
    bins: usize,
    inverse: Arc<dyn Fft<f64>>,
    lines: Fourier,
    weights: Vec<f64>,
}

/// All bands of waveforms of one length.
#[derive(Clone)]
pub struct BandEnvelopes {
    bands: Vec<Band>,
    widths: Vec<Width>,
    analytic: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
    squared: Vec<f64>,
    power: Vec<f64>,
    floor: Vec<f64>,
    ratio: Vec<f64>,
    window: Vec<f64>,
}

impl fmt::Debug for BandEnvelopes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("BandEnvelopes").field("bands", &self.bands.len()).finish()
    }
}

impl BandEnvelopes {
    /// Plans for waveforms of `len` samples (see [`super::fast_length`]), bands down to half the rate / 2^`levels`.
    pub fn new(len: usize, levels: u32) -> Self {
        let bins = len / 2;
        let bands = dyadic_bands(bins, levels);
        let mut planner = FftPlanner::new();
        let mut widths: Vec<Width> = Vec::new();
        for band in &bands {
            if widths.iter().any(|w| w.bins == band.bins) {
                continue;
            }
            let points = 2 * band.bins;
            widths.push(Width {
                bins: band.bins,
                inverse: planner.plan_fft_inverse(points),
                lines: Fourier::new(points),
                weights: Window::Hann.weights(points),
            });
        }
        let scratch = widths.iter().map(|w| w.inverse.get_inplace_scratch_len()).max().unwrap_or(0);
        Self {
            bands,
            widths,
            analytic: vec![Complex::default(); 2 * bins],
            scratch: vec![Complex::default(); scratch],
            squared: vec![0.0; 2 * bins],
            power: Vec::new(),
            floor: Vec::new(),
            ratio: Vec::new(),
            window: Vec::new(),
        }
    }

    /// The bands in the order they are visited.
    pub fn bands(&self) -> &[Band] {
        &self.bands
    }

    /// Computes band `index` from `bins`, the transform of the whole waveform (0 Hz up, `step_hz` apart), with lines up to
    /// `max_hz` and a floor from `± reach_hz` around each. `None` for an index out of range or a band without energy.
    pub fn band(
        &mut self,
        index: usize,
        bins: &[Complex<f64>],
        step_hz: f64,
        max_hz: f64,
        reach_hz: f64,
    ) -> Option<BandEnvelope<'_>> {
        let band = *self.bands.get(index)?;
        let width = self.widths.iter_mut().find(|w| w.bins == band.bins)?;
        let points = 2 * band.bins;
        let source = bins.get(band.first..band.first + band.bins)?;
        let analytic = self.analytic.get_mut(..points)?;
        for (slot, bin) in analytic.iter_mut().zip(source.iter().chain(std::iter::repeat(&Complex::default()))) {
            *slot = *bin;
        }
        width.inverse.process_with_scratch(analytic, &mut self.scratch);
        let squared = self.squared.get_mut(..points)?;
        let mut sum = 0.0;
        for (e, z) in squared.iter_mut().zip(analytic.iter()) {
            *e = z.norm_sqr();
            sum += *e;
        }
        let mean = sum / points as f64;
        let loud = mean > 0.0;
        if !loud {
            return None;
        }
        for e in squared.iter_mut() {
            *e /= mean;
        }
        let kurtosis = squared.iter().map(|e| e * e).sum::<f64>() / points as f64 - 2.0;
        let repeated_kurtosis = third_highest(squared);
        let weights = &width.weights;
        let lines = width.lines.forward_of(|n| match (squared.get(n), weights.get(n)) {
            (Some(e), Some(w)) => (e - 1.0) * w,
            _ => 0.0,
        });
        // A Hann window's weights sum to half their number, and a line has two sides.
        let scale = (4.0 / points as f64).powi(2);
        let count = ((max_hz / step_hz).ceil().max(0.0) as usize).saturating_add(1).min(lines.len());
        self.power.clear();
        self.power.extend(lines.iter().take(count).map(|line| scale * line.norm_sqr()));
        noise_floor(&self.power, (reach_hz / step_hz).round() as usize, &mut self.floor, &mut self.window);
        self.ratio.clear();
        self.ratio.extend(self.power.iter().zip(&self.floor).map(|(p, f)| p / f));
        Some(BandEnvelope {
            band,
            low_hz: band.first as f64 * step_hz,
            high_hz: (band.first + band.bins) as f64 * step_hz,
            step_hz,
            kurtosis,
            repeated_kurtosis,
            power: &self.power,
            floor: &self.floor,
            ratio: &self.ratio,
        })
    }
}

/// The kurtosis of each eighth by its own mean; the third of them from the top.
fn third_highest(squared: &[f64]) -> f64 {
    let size = (squared.len() / PARTS).max(1);
    let mut top = [f64::NEG_INFINITY; 3];
    for part in squared.chunks_exact(size).take(PARTS) {
        let (sum, square) = part.iter().fold((0.0, 0.0), |(s, q), e| (s + e, q + e * e));
        let loud = sum > 0.0;
        if !loud {
            continue;
        }
        let mut value = square * part.len() as f64 / (sum * sum) - 2.0;
        for slot in &mut top {
            if value > *slot {
                std::mem::swap(slot, &mut value);
            }
        }
    }
    let [_, _, third] = top;
    if third.is_finite() { third } else { 0.0 }
}

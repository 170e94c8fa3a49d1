//! Butterworth filters as second-order sections: for a band that must be cut in the time domain.
//!
//! Analogue prototype poles → band → bilinear transform with prewarped edges; gain 1 at the middle of the pass band.
//! Source: Oppenheim & Schafer, Discrete-Time Signal Processing, ch. 7, from memory; checked against `scipy.signal.butter`.

use realfft::num_complex::Complex;
use std::f64::consts::{PI, TAU};

/// b0 b1 b2 a1 a2 of one section (a0 is 1).
pub type Section = [f64; 5];

/// What passes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pass {
    /// Below the edge, Hz.
    Low(f64),
    /// Above the edge, Hz.
    High(f64),
    /// Between the edges, Hz; the filter then has twice the order.
    Band(f64, f64),
}

/// The filter with its state.
#[derive(Debug, Clone, PartialEq)]
pub struct Butterworth {
    sections: Vec<(Section, [f64; 2])>,
}

impl Butterworth {
    /// A filter of `order` 1 to 12 at rest. `None` when the order or an edge is not possible: edges lie above 0 and below
    /// half the sample rate, in rising order.
    pub fn new(order: u32, pass: Pass, rate_hz: f64) -> Option<Self> {
        let inside = |hz: f64| hz.is_finite() && hz > 0.0 && hz < 0.5 * rate_hz;
        let possible = match pass {
            Pass::Low(hz) | Pass::High(hz) => inside(hz),
            Pass::Band(low, high) => inside(low) && inside(high) && low < high,
        };
        if !possible || !(1..=12).contains(&order) {
            return None;
        }
        // In units where the bilinear transform is s = 2 (z − 1) / (z + 1).
        let warp = |hz: f64| 2.0 * (PI * hz / rate_hz).tan();
        let prototype =
            (0..order).map(|k| Complex::from_polar(1.0, PI * (2 * k + order + 1) as f64 / (2 * order) as f64));
        let (poles, numerator, middle): (Vec<Complex<f64>>, [f64; 3], f64) = match pass {
            Pass::Low(hz) => (prototype.map(|p| p * warp(hz)).collect(), [1.0, 2.0, 1.0], 0.0),
            Pass::High(hz) => {
                (prototype.map(|p| Complex::from(warp(hz)) / p).collect(), [1.0, -2.0, 1.0], 0.5 * rate_hz)
            }
            Pass::Band(low, high) => {
                let (low, high) = (warp(low), warp(high));
                let (width, centre) = (high - low, (low * high).sqrt());
                let poles = prototype
                    .flat_map(|p| {
                        let half = p * (0.5 * width);
                        let root = (half * half - centre * centre).sqrt();
                        [half + root, half - root]
                    })
                    .collect();
                (poles, [1.0, 0.0, -1.0], rate_hz / PI * (0.5 * centre).atan())
            }
        };
        let digital: Vec<Complex<f64>> = poles.iter().map(|s| (s + 2.0) / (2.0 - s)).collect();
        let mut sections: Vec<(Section, [f64; 2])> = digital
            .iter()
            .filter(|z| z.im > 1e-12)
            .map(|z| ([numerator[0], numerator[1], numerator[2], -2.0 * z.re, z.norm_sqr()], [0.0; 2]))
            .collect();
        let real: Vec<f64> = digital.iter().filter(|z| z.im.abs() <= 1e-12).map(|z| z.re).collect();
        for pair in real.chunks(2) {
            sections.push(match *pair {
                [a, b] => ([numerator[0], numerator[1], numerator[2], -(a + b), a * b], [0.0; 2]),
                [a] => ([1.0, 0.5 * numerator[1], 0.0, -a, 0.0], [0.0; 2]),
                _ => continue,
            });
        }
        let mut filter = Self { sections };
        let gain = 1.0 / filter.gain(middle, rate_hz);
        if let Some((section, _)) = filter.sections.first_mut() {
            for b in section.iter_mut().take(3) {
                *b *= gain;
            }
        }
        Some(filter)
    }

    /// Amplitude gain at `hz`.
    pub fn gain(&self, hz: f64, rate_hz: f64) -> f64 {
        let z = Complex::from_polar(1.0, -TAU * hz / rate_hz);
        self.sections
            .iter()
            .map(|([b0, b1, b2, a1, a2], _)| ((z * *b2 + *b1) * z + *b0).norm() / ((z * *a2 + *a1) * z + 1.0).norm())
            .product()
    }

    /// The next sample, filtered. A sample that is not finite is passed on as it is and changes no state.
    pub fn next(&mut self, sample: f64) -> f64 {
        if !sample.is_finite() {
            return sample;
        }
        let mut x = sample;
        for ([b0, b1, b2, a1, a2], [s0, s1]) in &mut self.sections {
            let y = *b0 * x + *s0;
            *s0 = *b1 * x - *a1 * y + *s1;
            *s1 = *b2 * x - *a2 * y;
            x = y;
        }
        x
    }
}

//! Simulated waveforms for the tests: textbook signals in noise, none from the models under test.

#![allow(dead_code, unreachable_pub, reason = "each test target uses its own part")]

use roundsman::acquire::waveform::{Capture, encode};
use roundsman_models::assess::likely_fault::Axis;
use std::f64::consts::TAU;

/// Samples a second.
pub const RATE: usize = 10_240;
/// Shaft speed of the tests' machine.
pub const RPM: f64 = 1480.0;
/// 9 elements of 7.94 on 39.04: ratio of the outer race's rate to the shaft's.
pub const BPFO: f64 = 9.0 * 0.5 * (1.0 - 7.94 / 39.04);

/// What a waveform shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Noise and a little of the shaft.
    Healthy,
    /// Once a turn, across the shaft.
    Imbalance,
    /// Impacts at the outer race's rate, each a little early or late, ringing.
    OuterRace,
}

/// Numbers that look random, the same every time.
pub struct Noise(pub u64);

impl Noise {
    pub fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Twelve uniform numbers less six are normal enough.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// Acceleration in g.
pub fn samples(kind: Kind, axis: Axis, secs: f64, seed: u64) -> Vec<f64> {
    let mut noise = Noise(seed.wrapping_mul(977) ^ axis as u64);
    let hz = RPM / 60.0;
    let count = (secs * RATE as f64) as usize;
    let mut samples: Vec<f64> = (0..count).map(|_| 0.03 * noise.normal()).collect();
    // 1 mm/s peak at shaft speed is 2π f · 1e-3 / 9.81 g.
    let per_mm_s = TAU * hz * 1e-3 / 9.806_65;
    let once = match (kind, axis) {
        (Kind::Imbalance, Axis::Axial) => 1.0,
        (Kind::Imbalance, Axis::Vertical) => 9.0,
        (Kind::Imbalance, Axis::Horizontal) => 11.0,
        _ => 0.6,
    };
    for (n, x) in samples.iter_mut().enumerate() {
        *x += once * per_mm_s * (TAU * hz * n as f64 / RATE as f64).sin();
    }
    if kind == Kind::OuterRace {
        let mut at = 0.003;
        while at < secs {
            let start = (at * RATE as f64).ceil() as usize;
            for (n, x) in samples.iter_mut().enumerate().skip(start).take(100) {
                let since = n as f64 / RATE as f64 - at;
                *x += 0.8 * (-since / 0.0009).exp() * (TAU * 3050.0 * since).sin();
            }
            at += (1.0 + 0.006 * noise.normal()) / (BPFO * hz);
        }
    }
    samples
}

/// The point of a direction.
pub fn point(axis: Axis) -> &'static str {
    match axis {
        Axis::Horizontal => "de-h",
        Axis::Vertical => "de-v",
        Axis::Axial => "de-a",
    }
}

/// All three.
pub const AXES: [Axis; 3] = [Axis::Horizontal, Axis::Vertical, Axis::Axial];

/// A binary message.
pub fn message(kind: Kind, axis: Axis, seed: u64, request: Option<&str>) -> Vec<u8> {
    encode(&Capture {
        asset: None,
        point: None,
        axis: Some(axis),
        start: None,
        rate_hz: RATE as f64,
        rpm: None,
        request: request.map(str::to_owned),
        samples_g: samples(kind, axis, 4.0, seed),
    })
}

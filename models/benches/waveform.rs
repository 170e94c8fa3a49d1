//! Cost of one waveform, from samples to findings, and of its parts.
//!
//! 48,000 samples (4 s at 12 kHz) is the size the limit of 25 ms on one core is stated for. Plans are made outside, as
//! the service keeps them; data are seeded noise with impacts, so every stage has work. `waveform_scipy.py` beside this
//! runs the same chain in scipy. Allocations are counted and shown beside the times: there is none per line of a spectrum.

use divan::{AllocProfiler, Bencher};
use roundsman_models::assess::bearing::{Bearing, BearingAnalyser, BearingGeometry, BearingParams};
use roundsman_models::assess::likely_fault::{Axis, AxisSpectrum, Case, MachineFacts, Picture, diagnose};
use roundsman_models::assess::shaft_speed::{ShaftSpeed, SpeedSource};
use roundsman_models::manipulate::waveform::{
    MotionConverter, OverallBand, Overalls, PowerScaling, Quality, QualityParams, Shape, Signal, SpectrumPlan,
    WelchPlan, Window,
};
use std::f64::consts::TAU;

#[global_allocator]
static ALLOCATIONS: AllocProfiler = AllocProfiler::system();

const SAMPLES: usize = 48_000;
const RATE_HZ: f64 = 12_000.0;
const SHAFT_HZ: f64 = 29.5;

fn main() {
    divan::main();
}

/// A linear congruential generator is random enough to keep branches honest.
fn samples() -> Vec<f64> {
    let mut state = 42_u64;
    (0..SAMPLES)
        .map(|n| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let noise = (state >> 11) as f64 / (1_u64 << 53) as f64 - 0.5;
            let since = (n % 113) as f64 / RATE_HZ;
            noise + 2.0 * (-since / 0.0008).exp() * (TAU * 3000.0 * since).sin()
        })
        .collect()
}

fn bearings() -> Vec<Bearing> {
    let geometry =
        BearingGeometry { elements: 9, element_diameter: 7.94, pitch_diameter: 39.04, contact_angle_deg: 0.0 };
    let orders = geometry.orders().expect("a possible geometry");
    vec![Bearing { name: "drive end".to_owned(), here: true, orders }]
}

#[divan::bench]
fn all_of_it(bencher: Bencher<'_, '_>) {
    let samples = samples();
    let bearings = bearings();
    let mut analyser = BearingAnalyser::new(SAMPLES, BearingParams::default()).expect("defaults");
    let mut spectrum = SpectrumPlan::new(SAMPLES, Window::Hann);
    let mut welch = WelchPlan::new(4096, 2048, Window::Hann, true, PowerScaling::Density);
    let mut converter = MotionConverter::new(SAMPLES);
    bencher.bench_local(|| {
        let signal = Signal::new(&samples, RATE_HZ).expect("finite");
        let shape = Shape::of(&samples);
        let quality = Quality::of(&signal, &shape, &QualityParams::default());
        let overalls = Overalls::of_g(&mut converter, &samples, RATE_HZ, OverallBand::USUAL);
        let density = welch.power(&samples, RATE_HZ);
        let lines = spectrum.amplitudes(&samples, RATE_HZ);
        let findings =
            analyser.analyse(&signal, ShaftSpeed::new(60.0 * SHAFT_HZ, SpeedSource::Given), &bearings).expect("usable");
        let shaft_hz = findings.speed.hz();
        let axes = vec![AxisSpectrum::from_acceleration_g(Axis::Vertical, &lines, shaft_hz, (10.0, 1000.0))];
        let now = Picture { shaft_hz, axes };
        let diagnosis = diagnose(&Case {
            now: &now,
            reference: None,
            facts: &MachineFacts::default(),
            matters_from_mm_s: 2.8,
            bearings: Some((&findings, &bearings)),
        });
        (quality, overalls, density.len(), diagnosis)
    });
}

#[divan::bench]
fn envelopes_and_bearings(bencher: Bencher<'_, '_>) {
    let samples = samples();
    let bearings = bearings();
    let mut analyser = BearingAnalyser::new(SAMPLES, BearingParams::default()).expect("defaults");
    bencher.bench_local(|| {
        let signal = Signal::new(&samples, RATE_HZ).expect("finite");
        analyser.analyse(&signal, ShaftSpeed::new(60.0 * SHAFT_HZ, SpeedSource::Given), &bearings).expect("usable")
    });
}

#[divan::bench]
fn amplitude_spectrum(bencher: Bencher<'_, '_>) {
    let samples = samples();
    let mut plan = SpectrumPlan::new(SAMPLES, Window::Hann);
    bencher.bench_local(|| plan.amplitudes(&samples, RATE_HZ));
}

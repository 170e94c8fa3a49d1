//! What every computation on waveforms obeys, whatever the waveform: energy, linearity, units; and what is said of
//! waveforms that carry nothing.

use proptest::prelude::*;
use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{RngCore, SeedableRng};
use roundsman_models::assess::bearing::{
    Bearing, BearingAnalyser, BearingFindings, BearingGeometry, BearingParams, BearingPart, BearingVerdict,
};
use roundsman_models::assess::shaft_speed::{ShaftSpeed, SpeedSource};
use roundsman_models::manipulate::waveform::transform::Fourier;
use roundsman_models::manipulate::waveform::{
    Motion, MotionConverter, Overall, PowerScaling, Quality, QualityParams, Shape, Signal, SpectrumPlan, Unusable,
    WelchPlan, Window,
};
use std::f64::consts::TAU;

const RATE_HZ: f64 = 12_000.0;
const SHAFT_HZ: f64 = 24.7;

fn waveform() -> impl Strategy<Value = Vec<f64>> {
    prop::collection::vec(-100.0..100.0_f64, 64..700)
}

fn relative(a: f64, b: f64, tolerance: f64) -> bool {
    (a - b).abs() <= tolerance * a.abs().max(b.abs()).max(1e-300)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    /// Parseval: the energy in time is the energy in frequency. 1e-10 leaves room for 700 roundings.
    #[test]
    fn energy_survives_the_transform(samples in waveform()) {
        let len = samples.len();
        let mut fourier = Fourier::new(len);
        let bins = fourier.forward(&samples);
        let last = bins.len() - 1;
        let spectrum: f64 = bins.iter().enumerate()
            .map(|(k, b)| if k == 0 || (len % 2 == 0 && k == last) { b.norm_sqr() } else { 2.0 * b.norm_sqr() })
            .sum::<f64>() / len as f64;
        let time: f64 = samples.iter().map(|x| x * x).sum();
        prop_assert!(relative(spectrum, time, 1e-10), "{spectrum} {time}");
    }

    /// Averaged density integrates to the mean square for one rectangular segment (mean left in).
    #[test]
    fn density_integrates_to_the_mean_square(samples in waveform()) {
        let len = samples.len();
        let mut plan = WelchPlan::new(len, 0, Window::Rectangular, false, PowerScaling::Density);
        let sum: f64 = plan.power(&samples, 500.0).iter().sum::<f64>() * plan.step_hz(500.0);
        let rms = Overall::of(&samples, 1.0).rms;
        prop_assert!(relative(sum, rms * rms, 1e-10), "{sum} {}", rms * rms);
    }

    #[test]
    fn integration_is_linear(a in waveform(), gain in -50.0..50.0_f64) {
        let b: Vec<f64> = a.iter().enumerate().map(|(n, x)| (n as f64 * 0.7).sin() - 0.1 * x).collect();
        let sum: Vec<f64> = a.iter().zip(&b).map(|(x, y)| x + gain * y).collect();
        let mut converter = MotionConverter::new(a.len());
        let mut velocity = |x: &[f64]| {
            converter.convert(x, 1000.0, (Motion::Acceleration, Motion::Velocity), (5.0, 400.0)).to_vec()
        };
        let (va, vb, vs) = (velocity(&a), velocity(&b), velocity(&sum));
        let scale = vs.iter().chain(&va).fold(1e-300_f64, |m, x| m.max(x.abs())) * (1.0 + gain.abs());
        for ((x, y), s) in va.iter().zip(&vb).zip(&vs) {
            prop_assert!((x + gain * y - s).abs() <= 1e-10 * scale);
        }
    }

    /// Down to velocity and up again gives back what lay inside the band.
    #[test]
    fn differentiation_undoes_integration(samples in waveform()) {
        let mut converter = MotionConverter::new(samples.len());
        let band = (5.0, 400.0);
        let inside = converter.convert(&samples, 1000.0, (Motion::Acceleration, Motion::Acceleration), band).to_vec();
        let velocity = converter.convert(&samples, 1000.0, (Motion::Acceleration, Motion::Velocity), band).to_vec();
        let back = converter.convert(&velocity, 1000.0, (Motion::Velocity, Motion::Acceleration), band);
        let scale = inside.iter().fold(1e-300_f64, |m, x| m.max(x.abs()));
        for (a, b) in inside.iter().zip(back) {
            prop_assert!((a - b).abs() <= 1e-9 * scale);
        }
    }

    /// Shape numbers do not feel a change of unit; level numbers follow it.
    #[test]
    fn a_change_of_unit_changes_levels_only(samples in waveform(), unit in 1e-3..1e3_f64) {
        let scaled: Vec<f64> = samples.iter().map(|x| unit * x).collect();
        let (a, b) = (Shape::of(&samples), Shape::of(&scaled));
        prop_assert!(relative(a.kurtosis, b.kurtosis, 1e-9) && relative(a.crest_factor, b.crest_factor, 1e-9));
        prop_assert!(relative(unit * a.rms, b.rms, 1e-9) && relative(unit * a.peak_to_peak, b.peak_to_peak, 1e-9));
        let mut plan = SpectrumPlan::new(samples.len(), Window::Hann);
        let (x, y) = (plan.amplitudes(&samples, 1e3), plan.amplitudes(&scaled, 1e3));
        let top = y.amplitudes.iter().fold(0.0_f64, |m, v| m.max(*v));
        for (p, q) in x.amplitudes.iter().zip(&y.amplitudes) {
            prop_assert!((unit * p - q).abs() <= 1e-10 * top);
        }
    }

    /// Nothing that comes from outside makes the analyser panic or name a defect out of thin air.
    #[test]
    fn arbitrary_waveforms_are_survived(samples in prop::collection::vec(-1e6..1e6_f64, 64..4000), rpm in 1.0..20_000.0_f64) {
        let signal = Signal::new(&samples, RATE_HZ).expect("finite");
        let mut analyser = BearingAnalyser::new(samples.len(), BearingParams::default()).expect("defaults");
        if let Ok(found) = analyser.analyse(&signal, ShaftSpeed::new(rpm, SpeedSource::Given), &bearings()) {
            prop_assert!(found.confidence.is_finite());
            prop_assert!(!matches!(found.verdict, BearingVerdict::Defect { .. }), "{:?}", found.families.first());
        }
    }
}

fn bearings() -> Vec<Bearing> {
    let orders = BearingGeometry { elements: 11, element_diameter: 12.0, pitch_diameter: 70.0, contact_angle_deg: 0.0 }
        .orders()
        .expect("a possible geometry");
    vec![Bearing { name: "near".to_owned(), here: true, orders }]
}

/// Seeded Gaussian noise (Box and Muller).
fn gaussian(seed: u64) -> impl FnMut() -> f64 {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
    move || {
        let mut uniform = || ((random.next_u64() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64;
        (-2.0 * uniform().ln()).sqrt() * (TAU * uniform()).cos()
    }
}

/// Impacts at `order` × shaft speed with slip that jitters from one to the next, ringing at 3.1 kHz, in noise; with an
/// offset and a strong tone that must not matter.
fn impacts(order: f64, seed: u64) -> Vec<f64> {
    let mut noise = gaussian(seed);
    let mut samples: Vec<f64> =
        (0..48_000).map(|n| 3.0 + 2.0 * (TAU * SHAFT_HZ * n as f64 / RATE_HZ).sin() + 0.3 * noise()).collect();
    let mut at = 0.01;
    while at < 4.0 {
        let start = (at * RATE_HZ).ceil() as usize;
        for (n, x) in samples.iter_mut().enumerate().skip(start).take(120) {
            let since = n as f64 / RATE_HZ - at;
            *x += 3.0 * (-since / 0.0008).exp() * (TAU * 3100.0 * since).sin();
        }
        at += (1.0 + 0.005 * noise()) / (order * SHAFT_HZ * 1.004);
    }
    samples
}

fn analyse(samples: &[f64]) -> BearingFindings {
    let signal = Signal::new(samples, RATE_HZ).expect("finite");
    BearingAnalyser::new(samples.len(), BearingParams::default())
        .expect("defaults")
        .analyse(&signal, ShaftSpeed::new(60.0 * SHAFT_HZ, SpeedSource::Given), &bearings())
        .expect("usable")
}

#[test]
fn planted_impacts_are_named_with_their_slip() {
    for part in [BearingPart::Outer, BearingPart::Inner, BearingPart::Element] {
        let order = bearings()[0].orders.of(part);
        let found = analyse(&impacts(order, 5));
        assert_eq!(found.verdict, BearingVerdict::Defect { bearing: 0, part }, "{:?}", found.families.first());
        let family = found.named().expect("named by a family");
        // Planted 0.4 %; half a line at the fifth harmonic and the shaft's own 0.1 % are what can be resolved.
        assert!((family.slip - 0.004).abs() < 0.0025, "{}", family.slip);
        assert!(family.lines.iter().filter(|l| l.db > 12.0).count() >= 3, "{:?}", family.lines);
    }
}

/// Shaft harmonics planted 2.3 % off the nameplate are found to a part in a thousand, past the strong mains tones; where
/// the shaft shows no lines, the nameplate stands and says that it is one.
#[test]
fn the_speed_is_read_where_it_shows_and_only_there() {
    let told = ShaftSpeed::new(1500.0, SpeedSource::Rating);
    let analyse = |lines: usize| {
        let mut noise = gaussian(11);
        let true_hz = 25.0 * 0.977;
        let samples: Vec<f64> = (0..48_000)
            .map(|n| n as f64 / RATE_HZ)
            .map(|t| {
                let shaft: f64 = (1..=lines).map(|k| 0.1 * (TAU * k as f64 * true_hz * t + k as f64).sin()).sum();
                let mains: f64 = (1..=4).map(|k| 2.0 * (TAU * 50.0 * f64::from(k) * t).sin()).sum();
                shaft + mains + noise()
            })
            .collect();
        let signal = Signal::new(&samples, RATE_HZ).expect("finite");
        let mut analyser = BearingAnalyser::new(samples.len(), BearingParams::default()).expect("defaults");
        analyser.analyse(&signal, told, &bearings()).expect("usable").speed
    };
    let found = analyse(8);
    assert_eq!(found.source, SpeedSource::Waveform);
    assert!((found.rpm / (1500.0 * 0.977) - 1.0).abs() < 0.001 && found.confidence > 0.2, "{found:?}");
    assert_eq!(analyse(0), told);
}

#[test]
fn impacts_at_a_strange_rate_are_no_bearing_of_ours() {
    let found = analyse(&impacts(3.31, 6));
    assert_eq!(found.verdict, BearingVerdict::UnknownRate, "{:?}", found.families.first());
    assert!((found.named().expect("the family").order / 3.31 - 1.0).abs() < 0.01);
}

/// The unit of the waveform must not matter, to the last decision and nearly to the last digit.
#[test]
fn a_change_of_unit_changes_no_finding() {
    let samples = impacts(bearings()[0].orders.bpfo, 7);
    let scaled: Vec<f64> = samples.iter().map(|x| 9806.65 * x).collect();
    let (a, b) = (analyse(&samples), analyse(&scaled));
    assert_eq!(a.verdict, b.verdict);
    assert_eq!(a.families.len(), b.families.len());
    for (x, y) in a.families.iter().zip(&b.families) {
        assert_eq!(x.part, y.part);
        assert!((x.log10_p - y.log10_p).abs() < 1e-6 * x.log10_p.abs().max(1.0) && relative(x.depth, y.depth, 1e-6));
    }
}

/// The stated false-detection probability holds where it can be counted: in 200 waveforms of noise, families as rare
/// as 1 in 100 of them must not be common. (Bonferroni keeps them rarer still.)
#[test]
fn noise_shows_no_family_more_often_than_stated() {
    let mut analyser = BearingAnalyser::new(24_000, BearingParams::default()).expect("defaults");
    let mut rare = 0;
    for seed in 0..200 {
        let mut noise = gaussian(1000 + seed);
        let samples: Vec<f64> = (0..24_000).map(|_| noise()).collect();
        let signal = Signal::new(&samples, RATE_HZ).expect("finite");
        let found = analyser
            .analyse(&signal, ShaftSpeed::new(60.0 * SHAFT_HZ, SpeedSource::Given), &bearings())
            .expect("usable");
        assert_eq!(found.verdict, BearingVerdict::Nothing, "seed {seed}: {:?}", found.families.first());
        rare += usize::from(found.families.iter().any(|f| f.log10_p < -2.0));
    }
    // Binomial(200, 0.01): 8 or more happens once in a thousand.
    assert!(rare < 8, "{rare} of 200");
}

fn quality(samples: &[f64]) -> Option<Unusable> {
    let signal = Signal::new(samples, RATE_HZ).expect("finite");
    Quality::of(&signal, &Shape::of(samples), &QualityParams::default()).unusable
}

#[test]
fn flat_clipped_stuck_and_short_waveforms_are_told_not_diagnosed() {
    let good = impacts(4.0, 8);
    assert_eq!(quality(&good), None);
    assert_eq!(quality(&vec![0.0; 12_000]), Some(Unusable::Flat));
    assert_eq!(quality(&vec![2.5; 12_000]), Some(Unusable::Flat), "a constant is as flat as silence");
    let clipped: Vec<f64> = good.iter().map(|x| x.clamp(1.5, 4.5)).collect();
    assert!(matches!(quality(&clipped), Some(Unusable::Clipped { .. })), "{:?}", quality(&clipped));
    let mut cut = good.clone();
    cut[30_000..].fill(2.9);
    assert!(matches!(quality(&cut), Some(Unusable::Stuck { first: 30_000, .. })), "{:?}", quality(&cut));
    assert!(matches!(quality(&good[..3000]), Some(Unusable::TooShort { .. })));
    let touched: Vec<f64> = good.iter().map(|x| x.min(11.0)).collect();
    assert_eq!(quality(&touched), None, "a waveform that hardly touches the limit is still good");
    let few_turns = Signal::new(&good[..6000], RATE_HZ).expect("finite");
    let mut analyser = BearingAnalyser::new(6000, BearingParams::default()).expect("defaults");
    let told = analyser.analyse(&few_turns, ShaftSpeed::new(600.0, SpeedSource::Given), &bearings());
    assert!(matches!(told, Err(Unusable::TooShort { .. })), "{told:?}");
}

#[test]
fn an_offset_is_told_and_changes_nothing() {
    let samples = impacts(bearings()[0].orders.bpfi, 9);
    let lifted: Vec<f64> = samples.iter().map(|x| x + 500.0).collect();
    assert_eq!(analyse(&samples).verdict, analyse(&lifted).verdict);
    let signal = Signal::new(&lifted, RATE_HZ).expect("finite");
    let quality = Quality::of(&signal, &Shape::of(&lifted), &QualityParams::default());
    assert!(quality.offset_sigmas > 100.0 && quality.unusable.is_none());
}

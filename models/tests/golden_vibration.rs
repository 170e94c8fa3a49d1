//! Source: `../shared/data/golden/vibration.json`, made with numpy 2.4.6 and scipy 1.17.1 and closed forms; the calls are
//! in the README beside it. Tolerances as that README states: 1e-9 relative for sums and closed forms, 1e-8 through a
//! transform or filter; entries below 1e-12 stand for 0.

use roundsman_models::assess::bearing::BearingGeometry;
use roundsman_models::manipulate::waveform::butterworth::{Butterworth, Pass};
use roundsman_models::manipulate::waveform::hilbert::Envelope;
use roundsman_models::manipulate::waveform::statistics::{median_and_mad, quantile_of_sorted};
use roundsman_models::manipulate::waveform::transform::Fourier;
use roundsman_models::manipulate::waveform::{
    Motion, MotionConverter, Overall, OverallBand, Overalls, PowerScaling, Shape, SpectrumPlan, WelchPlan, Window,
};
use serde_json::Value;
use std::f64::consts::TAU;
use std::path::PathBuf;

const SUM: f64 = 1e-9;
const TRANSFORM: f64 = 1e-8;

fn shared() -> PathBuf {
    std::env::var_os("ROUNDSMAN_SHARED")
        .map_or_else(|| PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../shared/data")), PathBuf::from)
}

fn golden() -> Option<Value> {
    let path = shared().join("golden/vibration.json");
    match std::fs::read_to_string(&path) {
        Ok(text) => Some(serde_json::from_str(&text).expect("vibration.json is JSON")),
        Err(error) => {
            eprintln!(
                "\n*** SKIPPED: {} cannot be read ({error}). Make it with scipy by the calls that \
                 tests/golden_vibration.rs names, and set ROUNDSMAN_SHARED. ***\n",
                path.display()
            );
            None
        }
    }
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("not a number: {value}"))
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap_or_else(|| panic!("not a list: {value}")).iter().map(number).collect()
}

fn by_index(value: &Value) -> Vec<(usize, f64)> {
    let map = value.as_object().unwrap_or_else(|| panic!("not a map: {value}"));
    map.iter().map(|(k, v)| (k.parse().expect("an index"), number(v))).collect()
}

fn close(what: &str, got: f64, want: f64, tolerance: f64) {
    let apart = (got - want).abs();
    assert!(apart <= tolerance * want.abs() || apart <= 1e-12, "{what}: got {got:e}, want {want:e}");
}

fn noise(golden: &Value) -> Vec<f64> {
    numbers(&golden["signals"]["noise"])
}

#[test]
fn hann_window_and_its_bandwidth() {
    let Some(golden) = golden() else { return };
    for (n, want) in numbers(&golden["hann_periodic_8"]).into_iter().enumerate() {
        close("hann", Window::Hann.weight(n, 8), want, SUM);
    }
    let weights = Window::Hann.weights(64);
    let (sum, square) = weights.iter().fold((0.0, 0.0), |(s, q), w| (s + w, q + w * w));
    let entry = &golden["hann_periodic"];
    close("gain", Window::Hann.coherent_gain(), number(&entry["coherent_gain"]), SUM);
    close("gain as summed", sum / 64.0, number(&entry["coherent_gain"]), SUM);
    close("bandwidth", Window::Hann.noise_bandwidth_bins(), number(&entry["equivalent_noise_bandwidth_bins"]), SUM);
    close("bandwidth as summed", 64.0 * square / (sum * sum), number(&entry["equivalent_noise_bandwidth_bins"]), SUM);
}

#[test]
fn transform_of_odd_and_even_length() {
    let Some(golden) = golden() else { return };
    let noise = noise(&golden);
    for len in [15_usize, 16] {
        let mut fourier = Fourier::new(len);
        let (re, im) = (&golden["rfft"][len.to_string()]["re"], &golden["rfft"][len.to_string()]["im"]);
        let bins = fourier.forward(&noise).to_vec();
        assert_eq!(bins.len(), numbers(re).len());
        for (bin, (re, im)) in bins.iter().zip(numbers(re).into_iter().zip(numbers(im))) {
            close("re", bin.re, re, TRANSFORM);
            close("im", bin.im, im, TRANSFORM);
        }
        for (got, want) in fourier.inverse().iter().zip(&noise) {
            close("back", *got, *want, TRANSFORM);
        }
    }
}

#[test]
fn amplitude_spectrum_of_two_tones() {
    let Some(golden) = golden() else { return };
    for case in golden["amplitude_spectrum"].as_array().expect("cases") {
        let (rate, len) = (number(&case["fs"]), number(&case["n"]) as usize);
        let dc = number(&case["dc"]);
        let tones: Vec<Vec<f64>> = case["tones_hz_amp_phase"].as_array().expect("tones").iter().map(numbers).collect();
        let samples: Vec<f64> = (0..len)
            .map(|n| dc + tones.iter().map(|t| t[1] * (TAU * t[0] * n as f64 / rate + t[2]).sin()).sum::<f64>())
            .collect();
        for (key, window) in [("hann_amplitude_at_bin", Window::Hann), ("boxcar_amplitude_at_bin", Window::Rectangular)]
        {
            let spectrum = SpectrumPlan::new(len, window).amplitudes(&samples, rate);
            for (bin, want) in by_index(&case[key]) {
                close(&format!("{key} {bin}"), spectrum.amplitudes[bin], want, TRANSFORM);
            }
        }
    }
}

#[test]
fn velocity_from_acceleration() {
    let Some(golden) = golden() else { return };
    let entry = &golden["velocity_rms"];
    let mm_s = number(&entry["g_m_s2"]) * 1e3;
    let convert = (Motion::Acceleration, Motion::Velocity);

    let single = &entry["single_tone"];
    let (hz, peak) = (number(&single["hz"]), number(&single["acc_peak_g"]));
    let samples: Vec<f64> = (0..8192).map(|n| peak * (TAU * hz * f64::from(n) / 8192.0).sin()).collect();
    let rms = MotionConverter::new(8192).rms(&samples, 8192.0, convert, (10.0, 1000.0)) * mm_s;
    close("one tone", rms, number(&single["velocity_rms"]), TRANSFORM);

    let multi = &entry["multi_tone"];
    let (rate, len) = (number(&multi["fs"]), number(&multi["n"]) as usize);
    let tones: Vec<Vec<f64>> = multi["tones_hz_peak_g"].as_array().expect("tones").iter().map(numbers).collect();
    let tone = |t: &[f64], n: usize| t[1] * (TAU * t[0] * n as f64 / rate).sin();
    let samples: Vec<f64> = (0..len).map(|n| tones.iter().map(|t| tone(t, n)).sum()).collect();
    let band = numbers(&multi["band_hz"]);
    let mut converter = MotionConverter::new(len);
    let rms = converter.rms(&samples, rate, convert, (band[0], band[1])) * mm_s;
    close("tones", rms, number(&multi["velocity_rms_analytic"]), TRANSFORM);
    close("tones by transform", rms, number(&multi["velocity_rms_fft"]), TRANSFORM);
    for t in &tones {
        let alone: Vec<f64> = (0..len).map(|n| tone(t, n)).collect();
        let rms = converter.rms(&alone, rate, convert, (0.5 * t[0], 2.0 * t[0])) * mm_s;
        close("each tone", rms, number(&multi["velocity_rms_of_each_tone"][format!("{}", t[0])]), TRANSFORM);
    }
    let overalls = Overalls::of_g(&mut converter, &samples, rate, OverallBand { low_hz: band[0], high_hz: band[1] });
    close("as overall", overalls.velocity_mm_s.rms, number(&multi["velocity_rms_fft"]), TRANSFORM);

    let random = &entry["noise"];
    let noise = noise(&golden);
    let band = numbers(&random["band_hz"]);
    let mut converter = MotionConverter::new(noise.len());
    let rate = number(&random["fs"]);
    close(
        "noise",
        converter.rms(&noise, rate, convert, (band[0], band[1])) * mm_s,
        number(&random["velocity_rms_fft"]),
        TRANSFORM,
    );
    let by_time = Overall::of(converter.convert(&noise, rate, convert, (band[0], band[1])), mm_s);
    close("noise in time", by_time.rms, number(&random["velocity_rms_fft"]), TRANSFORM);
}

#[test]
fn shape_of_waveforms() {
    let Some(golden) = golden() else { return };
    let noise = noise(&golden);
    let mut hit = noise.clone();
    for n in (64..1024).step_by(128) {
        hit[n] += 8.0;
    }
    let cases = [
        ("sine", (0..1000).map(|n| 2.0 * (TAU * 5.0 * f64::from(n) / 1000.0).sin()).collect()),
        ("square", (0..1000).map(|n| if (n % 200) < 100 { 1.0 } else { -1.0 }).collect()),
        ("pulses", (0..1000).map(|n| if n % 100 == 0 { 5.0 } else { 0.0 }).collect()),
        ("noise", noise),
        ("noise_with_impacts", hit),
    ];
    assert_eq!(cases.len(), golden["time_domain"].as_object().expect("cases").len());
    for (name, samples) in cases {
        check_shape(name, &samples, &golden["time_domain"][name]);
    }
}

fn check_shape(name: &str, samples: &[f64], want: &Value) {
    let shape = Shape::of(samples);
    for (key, got) in [
        ("mean", shape.mean),
        ("rms", shape.rms),
        ("std_population", shape.std),
        ("peak", shape.peak),
        ("peak_to_peak", shape.peak_to_peak),
        ("crest_factor", shape.crest_factor),
        ("skewness", shape.skewness),
        ("kurtosis_pearson", shape.kurtosis),
    ] {
        close(&format!("{name} {key}"), got, number(&want[key]), SUM);
    }
}

#[test]
fn robust_numbers_of_the_noise() {
    let Some(golden) = golden() else { return };
    let (noise, want) = (noise(&golden), &golden["robust"]);
    let (median, mad) = median_and_mad(&noise).expect("values");
    close("median", median, number(&want["median"]), SUM);
    close("mad", mad, number(&want["mad_raw"]), SUM);
    close("mad scaled", 1.4826 * mad, number(&want["mad_times_1.4826"]), SUM);
    let mut sorted = noise;
    sorted.sort_by(f64::total_cmp);
    for (p, want) in want["quantile_linear"].as_object().expect("quantiles") {
        let got = quantile_of_sorted(&sorted, p.parse().expect("a number")).expect("values");
        close(&format!("quantile {p}"), got, number(want), SUM);
    }
}

fn envelope(samples: &[f64]) -> Vec<f64> {
    let mut out = vec![0.0; samples.len()];
    Envelope::new(samples.len()).write(samples, &mut out);
    out
}

fn less_mean(samples: &[f64]) -> Vec<f64> {
    let mean = samples.iter().sum::<f64>() / samples.len() as f64;
    samples.iter().map(|x| x - mean).collect()
}

fn mean(samples: &[f64]) -> f64 {
    samples.iter().sum::<f64>() / samples.len() as f64
}

#[test]
fn hilbert_envelopes_and_their_spectra() {
    let Some(golden) = golden() else { return };
    let entry = &golden["envelope"];
    let am = &entry["am_tone"];
    let rate = number(&am["fs"]);
    let samples: Vec<f64> = (0..number(&am["n"]) as usize)
        .map(|n| n as f64 / rate)
        .map(|t| (1.0 + 0.5 * (TAU * 8.0 * t).cos()) * (TAU * 200.0 * t).cos())
        .collect();
    let env = envelope(&samples);
    for (at, want) in by_index(&am["envelope_at"]) {
        close("AM envelope", env[at], want, TRANSFORM);
        close("AM closed form", env[at], 1.0 + 0.5 * (TAU * 8.0 * at as f64 / rate).cos(), TRANSFORM);
    }
    close("AM mean", mean(&env), number(&am["envelope_mean"]), TRANSFORM);
    let squared: Vec<f64> = env.iter().map(|e| e * e).collect();
    close("AM squared mean", mean(&squared), number(&am["squared_envelope_mean"]), TRANSFORM);
    let mut plan = SpectrumPlan::new(samples.len(), Window::Rectangular);
    for (key, of) in [("envelope_spectrum_at_bin", &env), ("squared_envelope_spectrum_at_bin", &squared)] {
        let spectrum = plan.amplitudes(&less_mean(of), rate);
        for (bin, want) in by_index(&am[key]) {
            close(key, spectrum.amplitudes[bin], want, TRANSFORM);
        }
    }
    let noise = noise(&golden);
    for (key, samples) in [("noise", &noise[..]), ("noise_first_1001", &noise[..1001])] {
        let env = envelope(samples);
        for (at, want) in by_index(&entry[key]["envelope_at"]) {
            close(key, env[at], want, TRANSFORM);
        }
        close(key, mean(&env), number(&entry[key]["envelope_mean"]), TRANSFORM);
    }
}

#[test]
fn welch_density_spectrum_and_without_detrending() {
    let Some(golden) = golden() else { return };
    let (entry, noise) = (&golden["welch"], noise(&golden));
    let mut cases = 0;
    for (name, case) in entry.as_object().expect("cases").iter().filter(|(_, case)| case.is_object()) {
        let call = &case["call"];
        let size = |key: &str| number(&call[key]) as usize;
        let scaling = if call["scaling"] == "density" { PowerScaling::Density } else { PowerScaling::Spectrum };
        let mut plan =
            WelchPlan::new(size("nperseg"), size("noverlap"), Window::Hann, call["detrend"] == "constant", scaling);
        let rate = number(&entry["fs"]);
        close(name, plan.step_hz(rate), number(&case["df"]), SUM);
        let (got, want) = (plan.power(&noise, rate), numbers(&case["psd"]));
        assert_eq!(got.len(), want.len());
        for (got, want) in got.iter().zip(want) {
            close(name, *got, want, TRANSFORM);
        }
        cases += 1;
    }
    assert_eq!(cases, 3);
}

#[test]
fn butterworth_band_pass_and_high_pass() {
    let Some(golden) = golden() else { return };
    let (entry, noise) = (&golden["butterworth"], noise(&golden));
    let band = Butterworth::new(4, Pass::Band(2000.0, 5000.0), 12_000.0).expect("possible");
    for (hz, want) in by_index(&entry["bandpass"]["gain_at_hz"]) {
        close("gain", band.gain(hz as f64, 12_000.0), want, TRANSFORM);
    }
    let high = Butterworth::new(2, Pass::High(10.0), 1024.0).expect("possible");
    for (key, mut filter) in [("bandpass", band), ("highpass", high)] {
        let out: Vec<f64> = noise.iter().map(|x| filter.next(*x)).collect();
        for (at, want) in by_index(&entry[key]["sosfilt_of_noise_at"]) {
            close(&format!("{key} {at}"), out[at], want, TRANSFORM);
        }
        if !entry[key]["sosfilt_rms"].is_null() {
            close("rms", Overall::of(&out, 1.0).rms, number(&entry[key]["sosfilt_rms"]), TRANSFORM);
        }
    }
}

#[test]
fn bearing_orders_from_geometry() {
    let Some(golden) = golden() else { return };
    let entry = &golden["bearing_orders"];
    for key in ["formula_6205", "formula_angular_15deg"] {
        let case = &entry[key];
        let orders = BearingGeometry {
            elements: number(&case["balls"]) as u32,
            element_diameter: number(&case["ball_diameter"]),
            pitch_diameter: number(&case["pitch_diameter"]),
            contact_angle_deg: number(&case["contact_angle_deg"]),
        }
        .orders()
        .expect("a possible geometry");
        for (name, got) in
            [("ftf", orders.ftf), ("bpfo", orders.bpfo), ("bpfi", orders.bpfi), ("bsf_x2", orders.element_strike)]
        {
            close(&format!("{key} {name}"), got, number(&case[name]), SUM);
            if key == "formula_6205" {
                // The published table differs in the fifth digit.
                close(&format!("published {name}"), got, number(&entry["published_6205"][name]), 1e-4);
            }
        }
        close("bsf", 0.5 * orders.element_strike, number(&case["bsf"]), SUM);
    }
}

#[test]
fn synthetic_defect_has_its_lines_and_no_others() {
    let Some(golden) = golden() else { return };
    let entry = &golden["synthetic_defect"];
    let (rate, len) = (number(&entry["fs"]), number(&entry["n"]) as usize);
    let samples: Vec<f64> =
        (0..len).map(|n| (n % 120) as f64 / 12_000.0).map(|p| (-p / 0.0008).exp() * (TAU * 3000.0 * p).sin()).collect();
    check_shape("synthetic", &samples, &entry["stats"]);
    let squared: Vec<f64> = envelope(&samples).iter().map(|e| e * e).collect();
    close("mean", mean(&squared), number(&entry["squared_envelope_mean"]), TRANSFORM);
    let spectrum = SpectrumPlan::new(len, Window::Hann).amplitudes(&less_mean(&squared), rate);
    for (hz, want) in by_index(&entry["squared_envelope_spectrum_hann_at_hz"]) {
        let bin = spectrum.index(hz as f64).expect("inside");
        close(&format!("{hz} Hz"), spectrum.amplitudes[bin], want, TRANSFORM);
    }
}

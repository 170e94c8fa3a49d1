//! Rolling statistics against numbers made by scipy 1.17.1, numpy 2.4.6 and the NIST/SEMATECH e-Handbook. The files
//! (`golden/statistics.json`, `golden/vibration.json`) are looked for under `ROUNDSMAN_SHARED`, else beside the
//! workspace; their README names the calls.

use roundsman_models::manipulate::{Ewma, EwmaParams, Moments, RollingMedian, WindowParams, robust};
use roundsman_models::{EventTime, Reading};
use serde_json::Value;
use std::path::PathBuf;

/// The file, or `None` and a loud word about it.
fn golden(file: &str) -> Option<Value> {
    let shared = std::env::var_os("ROUNDSMAN_SHARED")
        .map_or_else(|| PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../shared/data")), PathBuf::from);
    let path = shared.join("golden").join(file);
    let Ok(text) = std::fs::read_to_string(&path) else {
        eprintln!(
            "SKIPPED: no {}. It holds values of scipy.stats.median_abs_deviation(scale=1), numpy.quantile(method=\
             \"linear\"), scipy.stats.skew and kurtosis(fisher=False), and of the NIST/SEMATECH e-Handbook, section \
             6.3.2.4; set ROUNDSMAN_SHARED to the folder that has golden/{file}.",
            path.display()
        );
        return None;
    };
    Some(serde_json::from_str(&text).expect("golden file is JSON"))
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("a number, not {value}"))
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap_or_else(|| panic!("a list, not {value}")).iter().map(number).collect()
}

#[track_caller]
fn near(what: &str, got: Option<f64>, want: f64, relative: f64) {
    let got = got.unwrap_or(f64::NAN);
    assert!((got - want).abs() <= relative * want.abs().max(1.0), "{what}: {got}, want {want}");
}

/// Source: `scipy.stats.median_abs_deviation(scale=1)` and `numpy.quantile(method="linear")`; tolerance of its README.
#[test]
fn median_mad_and_quantiles_equal_scipy() {
    let Some(data) = golden("statistics.json") else { return };
    let mad = &data["mad"];
    near("scale", Some(robust::MAD_TO_SIGMA), number(&mad["scale_factor"]), 1e-15);
    let mut scratch = Vec::new();
    for case in mad["cases"].as_array().expect("cases") {
        let (name, x) = (case["name"].to_string(), numbers(&case["x"]));
        near(&name, robust::median(&x, &mut scratch), number(&case["median"]), 1e-12);
        near(&name, robust::raw_mad(&x, &mut scratch), number(&case["mad"]), 1e-12);
        let both = robust::location_scale(&x, &mut scratch);
        near(&name, both.map(|b| b.0), number(&case["median"]), 1e-12);
        near(&name, both.map(|b| b.1), number(&case["mad_scaled"]), 1e-12);
        let (ps, qs) = (numbers(&case["quantiles_type7"]["p"]), numbers(&case["quantiles_type7"]["q"]));
        for (&p, &q) in ps.iter().zip(&qs) {
            near(&name, robust::quantile(&x, p, &mut scratch), q, 1e-12);
        }
        let mut window = RollingMedian::new(WindowParams { length: x.len() }.check().expect("short"));
        // Something else before, so that the window has to forget.
        [9.0, -9.0, 1e9].iter().chain(&x).for_each(|&v| {
            window.update(v);
        });
        near(&name, window.centre().map(|c| c.median), number(&case["median"]), 1e-12);
        near(&name, window.centre().map(|c| c.raw_mad), number(&case["mad"]), 1e-12);
        near(&name, window.centre().map(|c| c.sigma()), number(&case["mad_scaled"]), 1e-12);
    }
}

/// Source: numpy and scipy on the stored noise, block `robust`.
#[test]
fn quantiles_of_the_stored_noise_equal_numpy() {
    let Some(data) = golden("vibration.json") else { return };
    let (want, noise) = (&data["robust"], numbers(&data["signals"]["noise"]));
    let mut scratch = Vec::new();
    near("median", robust::median(&noise, &mut scratch), number(&want["median"]), 1e-12);
    near("mad", robust::raw_mad(&noise, &mut scratch), number(&want["mad_raw"]), 1e-12);
    for (p, q) in want["quantile_linear"].as_object().expect("quantiles") {
        let p_value = p.parse().expect("a probability");
        near(p, robust::quantile(&noise, p_value, &mut scratch), number(q), 1e-12);
    }
}

/// Source: `scipy.stats.skew(bias=True)`, `kurtosis(fisher=False, bias=True)`, numpy, block `time_domain`; the signals
/// from the closed forms given beside the values. Skewness of the symmetric signals is 0 but for rounding.
#[test]
fn moments_of_five_signals_equal_scipy() {
    let Some(data) = golden("vibration.json") else { return };
    let noise = numbers(&data["signals"]["noise"]);
    let turn = |k: usize| (5.0 * k as f64 / 1000.0).fract();
    let signals: [(&str, Vec<f64>); 5] = [
        ("sine", (0..1000).map(|k| 2.0 * (std::f64::consts::TAU * 5.0 * k as f64 / 1000.0).sin()).collect()),
        ("square", (0..1000).map(|k| if turn(k) < 0.5 { 1.0 } else { -1.0 }).collect()),
        ("pulses", (0..1000).map(|k| if k % 100 == 0 { 5.0 } else { 0.0 }).collect()),
        ("noise", noise.clone()),
        (
            "noise_with_impacts",
            noise.iter().enumerate().map(|(k, v)| if k % 128 == 64 { v + 8.0 } else { *v }).collect(),
        ),
    ];
    for (name, x) in signals {
        let want = &data["time_domain"][name];
        let mut moments = Moments::new();
        x.iter().for_each(|&v| assert!(moments.update(v)));
        near(name, moments.mean(), number(&want["mean"]), 1e-12);
        near(name, moments.rms(), number(&want["rms"]), 1e-12);
        near(name, moments.population_variance().map(f64::sqrt), number(&want["std_population"]), 1e-12);
        near(name, moments.skewness(), number(&want["skewness"]), 1e-9);
        near(name, moments.kurtosis(), number(&want["kurtosis_pearson"]), 1e-9);
        let (min, max) = (moments.min().expect("values"), moments.max().expect("values"));
        near(name, Some(max - min), number(&want["peak_to_peak"]), 1e-12);
        near(name, Some(max.max(-min)), number(&want["peak"]), 1e-12);
    }
}

/// λ = 1 − exp(−Δ/τ) = 0.3 at one reading a minute.
fn chart() -> Ewma {
    let tau = -60.0 / 0.7f64.ln();
    Ewma::starting_at(EwmaParams { time_constant_secs: tau }.check().expect("in range"), EventTime(0), 50.0)
}

fn minute(i: usize, value: f64) -> Reading {
    Reading { at: EventTime(60_000_000 * (i as i64 + 1)), value }
}

/// Source: NIST/SEMATECH e-Handbook 6.3.2.4, table to two digits, and the same recomputed; recalled, see the README.
#[test]
fn the_handbook_ewma_chart_is_met() {
    let Some(data) = golden("statistics.json") else { return };
    let nist = &data["ewma_nist"];
    let (x, exact, printed) = (numbers(&nist["x"]), &nist["ewma_from_start"], numbers(&nist["published_2dp"]));
    let mut ewma = chart();
    let mut got = vec![ewma.current().expect("starts from a level").mean];
    got.extend(x.iter().enumerate().map(|(i, &v)| ewma.update(minute(i, v)).expect("later each time").mean));
    assert_eq!(got.len(), printed.len());
    for ((got, exact), printed) in got.into_iter().zip(numbers(exact)).zip(printed) {
        near("recomputed", Some(got), exact, 1e-12);
        assert!((got - printed).abs() <= 0.0051, "printed to two digits: {got} {printed}");
    }
}

/// Source: pandas 3.1.1, `Series([50.0] + x).ewm(alpha=0.3, adjust=False).var(bias=True)`, x the data of the handbook's
/// section 6.3.2.4; run once, values copied.
#[test]
fn the_exponentially_weighted_variance_equals_pandas() {
    let x = [
        52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4,
        53.6, 52.1,
    ];
    let variance = [
        0.839_999_999_999_999_9,
        3.309_600_000_000_002,
        4.859_903_999_999_997,
        3.737_448_959_999_999,
        2.617_724_390_399_999,
        3.928_533_751_295_989_3,
        3.421_668_338_135_039_5,
        2.421_174_904_886_170_6,
        2.075_474_755_074_228_3,
        1.465_175_292_946_374,
        1.137_621_751_721_321_6,
        2.120_627_416_565_352,
        1.546_165_175_586_797_6,
        1.747_312_813_544_701_8,
        2.290_352_540_554_847,
        2.300_349_463_803_657_4,
        3.113_343_490_774_115,
        2.766_947_032_910_736_6,
        3.117_339_942_936_653_5,
        2.187_490_632_586_389_4,
    ];
    let mut ewma = chart();
    for (i, (&v, want)) in x.iter().zip(variance).enumerate() {
        near("variance", ewma.update(minute(i, v)).map(|w| w.variance), want, 1e-12);
    }
}

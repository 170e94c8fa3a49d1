//! Average run lengths against published tables and exact values.

mod golden;

use golden::{close_relative, number, statistics};
use roundsman_models::detect::arl::{average_run_length, limit_for_arl, one_sided_run_length};
use roundsman_models::detect::cusum::{Cusum, CusumParams};
use roundsman_models::{EventTime, Reading};

/// Source: Vance (1986), J. Quality Technology 18, Table 1 (k 0, h 10, one-sided), read as quoted in the manual page
/// `xcusum.arl` of R's package spc. Tolerance: half of the last printed digit, and 5e-5.
/// DIFFERENCE: he prints 2071.51 where more nodes give 2071.572 and keep to it.
#[test]
fn vance_table_1() {
    for (shift, want) in [
        (-0.25, 2071.51),
        (-0.125, 400.28),
        (0.0, 124.66),
        (0.125, 59.30),
        (0.25, 36.71),
        (0.5, 20.37),
        (0.75, 14.06),
        (1.0, 10.75),
    ] {
        let got = one_sided_run_length(0.0, 10.0, shift, 0.0).unwrap();
        assert!((got - want).abs() < 0.0051 + 5e-5 * want, "shift {shift}: got {got}, printed {want}");
    }
}

/// Source: Waldmann (1986), Technometrics 28, Tables 1, 3, 5 and 6, and the SAS/QC manual of 1999 (one-sided, two-sided,
/// head start 0.1), read as quoted in the manual page `xcusum.arl` of R's package spc.
#[test]
fn single_published_values() {
    for (k, h, shift, start, want, half_digit) in [
        (0.5, 3.0, -0.5, 0.0, 1963.0, 0.5),
        (0.5, 3.0, 0.0, 0.0, 117.4, 0.2), // DIFFERENCE: exact 117.60 (Brook and Evans print 117.59); his is a bound
        (0.5, 3.0, 0.5, 0.0, 17.35, 0.005),
        // Computed there with 24 nodes, which leaves some 3e-8 on h = 8.
        (0.25, 8.0, 2.5, 0.0, 4.1500836225, 2e-7),
        (0.25, 8.0, 2.5, 0.1, 4.1061588131, 2e-7),
    ] {
        let got = one_sided_run_length(k, h, shift, start).unwrap();
        assert!((got - want).abs() <= half_digit, "k {k} h {h} shift {shift}: got {got}, printed {want}");
    }
    let got = average_run_length(0.25, 8.0, 2.5).unwrap();
    // DIFFERENCE: the manual lets the falling side take 9.5e-7 off, which would need it to signal every 1.8e7 readings;
    // 2.5 standard deviations the other way it signals never.
    assert!((got - 4.1500826715).abs() < 2e-6, "two-sided: {got}");
    // One unit of his last digit: he gives bounds, the exact value is 65.46.
    let got = average_run_length(0.6, 3.0, -0.2).unwrap();
    assert!((got - 65.4).abs() <= 0.1, "Waldmann, Table 6: {got}");
}

/// Source: R's spc 0.6.7, `xcusum.arl(k, h, mu, hs = 0, sided = "two", r = 100)`, and `xcusum.crit` for the designs;
/// block `arl` of statistics.json. The README there allows 1e-4 and 1e-3; both methods are exact, so 1e-7 here (the
/// values are printed to ten digits), and 1e-6 for the limits (printed to eight).
#[test]
fn exact_run_lengths_and_designs() {
    let Some(all) = statistics("exact_run_lengths_and_designs") else { return };
    let mut seen = 0;
    for case in all["arl"]["values"].as_array().unwrap().iter().filter(|c| c["chart"] == "cusum") {
        let got = average_run_length(number(&case["k"]), number(&case["h"]), number(&case["mu"])).unwrap();
        close_relative(got, number(&case["arl"]), 1e-7, &case.to_string());
        seen += 1;
    }
    for case in all["arl"]["design"].as_array().unwrap().iter().filter(|c| c["chart"] == "cusum") {
        let got = limit_for_arl(number(&case["k"]), number(&case["target_in_control_arl"])).unwrap();
        close_relative(got, number(&case["h"]), 1e-6, &case.to_string());
        seen += 1;
    }
    assert!(seen >= 50, "only {seen} cases in the file");
}

/// The detector itself has the run length that the tables give (465.44 in control, 10.376 one standard deviation off,
/// k 0.5, h 5; spc as above and the textbooks). Simulated with a fixed generator; tolerance four standard errors, the
/// run length being close to exponential in control.
#[test]
fn the_detector_has_the_run_length_of_the_tables() {
    for (shift, want, runs, spread) in [(0.0, 465.443506, 4000, 465.0), (1.0, 10.37596992, 20_000, 6.0)] {
        let mut state = 0x9e37_79b9_7f4a_7c15_u64;
        let mut uniform = || {
            // xorshift64*, enough for a mean of run lengths.
            state ^= state >> 12;
            state ^= state << 25;
            state ^= state >> 27;
            (state.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 11) as f64 / (1u64 << 53) as f64
        };
        let mut normal =
            move || (-2.0 * (1.0 - uniform()).ln()).sqrt() * (2.0 * std::f64::consts::PI * uniform()).cos();
        let mut total = 0u64;
        for _ in 0..runs {
            let mut cusum = Cusum::new(CusumParams::default().check().unwrap());
            for n in 1.. {
                let reading = Reading { at: EventTime(n), value: shift + normal() };
                if cusum.update(reading).unwrap().crossed() {
                    total += n as u64;
                    break;
                }
            }
        }
        let mean = total as f64 / f64::from(runs);
        let error = spread / f64::from(runs).sqrt();
        assert!((mean - want).abs() < 4.0 * error, "shift {shift}: mean {mean}, table {want}, standard error {error}");
    }
}

#[test]
fn settings_out_of_range_are_refused_and_the_unreachable_is_infinite() {
    assert_eq!(average_run_length(f64::NAN, 5.0, 0.0).unwrap_err().name, "k");
    assert_eq!(average_run_length(0.5, -1.0, 0.0).unwrap_err().name, "h");
    assert_eq!(limit_for_arl(0.5, f64::NAN).unwrap_err().name, "run_length");
    // A limit 40 standard deviations away in control: e^40 readings.
    assert!(average_run_length(0.5, 40.0, 0.0).unwrap().is_infinite());
    assert!(one_sided_run_length(0.5, 5.0, -8.0, 0.0).unwrap().is_infinite());
}

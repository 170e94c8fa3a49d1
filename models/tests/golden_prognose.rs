//! First passage against published and independently computed values.
//!
//! Values of `quantiles` in `../shared/data/golden/statistics.json` (beside the project, not in it).

use roundsman_models::prognose::first_passage::{InverseGaussian, Passage};
use serde_json::Value;
use std::path::PathBuf;

fn golden() -> Option<Value> {
    let shared = std::env::var("ROUNDSMAN_SHARED")
        .map_or_else(|_| PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../shared/data")), PathBuf::from);
    let path = shared.join("golden/statistics.json");
    match std::fs::read_to_string(&path) {
        Ok(text) => Some(serde_json::from_str(&text).expect("the golden file is JSON")),
        Err(e) => {
            eprintln!(
                "SKIPPED: {} ({e}). It holds inverse Gaussian values made with scipy.stats.invgauss 1.17.1 and mpmath; \
                 set ROUNDSMAN_SHARED to the folder with golden/statistics.json.",
                path.display()
            );
            None
        }
    }
}

fn number(value: &Value, key: &str) -> f64 {
    value[key].as_f64().unwrap_or_else(|| panic!("{key} in {value}"))
}

fn close(got: f64, want: f64, relative: f64, what: &Value) {
    assert!((got - want).abs() <= relative * want.abs(), "got {got}, want {want}: {what}");
}

fn rows<'a>(golden: &'a Value, block: &str) -> &'a [Value] {
    let rows = golden["quantiles"][block].as_array().expect(block);
    assert!(!rows.is_empty());
    rows
}

/// Source: mpmath 1.4.1 at 40 digits against `scipy.stats.invgauss(mean/shape, scale=shape)` 1.17.1; among them a shape
/// of 20,000, where the textbook formula overflows. Tolerance as the file's README suggests.
#[test]
fn inverse_gaussian_cdf_and_density_agree_with_scipy() {
    let Some(golden) = golden() else { return };
    for row in rows(&golden, "inverse_gaussian_cdf") {
        let ig = InverseGaussian::new(number(row, "mean"), number(row, "shape")).expect("positive");
        let x = number(row, "x");
        close(ig.cdf(x), number(row, "cdf"), 1e-9, row);
        close(ig.pdf(x), number(row, "pdf"), 1e-9, row);
        // The same by the process: distance = mean at drift 1.
        let process = Passage::certain(number(row, "mean"), 1.0, number(row, "mean") / number(row, "shape").sqrt());
        close(process.cdf(x), number(row, "cdf"), 1e-9, row);
    }
}

/// Source: as above, root of the distribution function.
#[test]
fn inverse_gaussian_quantiles_agree_with_scipy() {
    let Some(golden) = golden() else { return };
    let of_it: Vec<_> = rows(&golden, "values").iter().filter(|r| r["dist"] == "invgauss").collect();
    assert!(!of_it.is_empty());
    for row in of_it {
        let ig = InverseGaussian::new(number(row, "mean"), number(row, "shape")).expect("positive");
        close(ig.quantile(number(row, "p")).expect("p in (0, 1)"), number(row, "q"), 1e-9, row);
    }
}

/// Source: as above; level, limit, drift and sigma of a Wiener process.
#[test]
fn first_passage_quantiles_agree_with_scipy() {
    let Some(golden) = golden() else { return };
    for row in rows(&golden, "wiener_first_passage") {
        let passage =
            Passage::certain(number(row, "limit") - number(row, "level"), number(row, "drift"), number(row, "sigma"));
        let (ps, qs) = (row["p"].as_array().expect("p"), row["q"].as_array().expect("q"));
        for (p, q) in ps.iter().zip(qs) {
            close(passage.quantile(p.as_f64().expect("p")).expect("reached"), q.as_f64().expect("q"), 1e-8, row);
        }
    }
}

/// Source: Cox & Miller (1965), The Theory of Stochastic Processes, sec. 5.7 (from memory): against the drift, a Wiener
/// process ever reaches distance d with probability exp(−2 |drift| d / σ²).
#[test]
fn never_has_the_probability_of_the_closed_form() {
    for (distance, drift, sigma) in [(1.0, -0.5, 1.0), (2.0, -0.1, 0.7), (0.3, -2.0, 1.5)] {
        let passage = Passage::certain(distance, drift, sigma);
        let ever = (2.0 * drift * distance / (sigma * sigma)).exp();
        assert!((passage.reach_probability() - ever).abs() < 1e-9);
        assert!(passage.quantile(ever * 0.99).is_some());
        assert_eq!(passage.quantile(ever * 1.01), None);
    }
    assert_eq!(Passage::certain(1.0, -1.0, 0.0).quantile(0.5), None);
    assert_eq!(Passage::certain(1.0, 0.0, 0.0).reach_probability(), 0.0);
    assert!((Passage::certain(1.0, 0.0, 1.0).reach_probability() - 1.0).abs() < 1e-5);
}

/// P(T ≤ t) with distance and drift bivariate normal, by brute force: midpoint rule over both, ±8 standard deviations.
fn by_brute_force(passage: &Passage, t: f64) -> f64 {
    const STEPS: i32 = 600;
    let step = 16.0 / f64::from(STEPS);
    let density = |z: f64| (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt() * step;
    let distance_sd = passage.distance_var.sqrt();
    let slope = if distance_sd > 0.0 { passage.covariance / distance_sd } else { 0.0 };
    let rest_sd = (passage.drift_var - slope * slope).sqrt();
    let at = |i: i32| (f64::from(i) + 0.5) * step - 8.0;
    (0..STEPS)
        .map(|i| {
            let distance = passage.distance + at(i) * distance_sd;
            let inner: f64 = (0..STEPS)
                .map(|j| {
                    let drift = passage.drift + slope * at(i) + at(j) * rest_sd;
                    let reached = if distance <= 0.0 {
                        1.0
                    } else {
                        Passage::certain(distance, drift, passage.wander_var.sqrt()).cdf(t)
                    };
                    density(at(j)) * reached
                })
                .sum();
            density(at(i)) * inner
        })
        .sum()
}

/// Source: the definition, integrated numerically; the integrand is the golden inverse Gaussian. Exact but for the
/// five-node quadrature in the distance, which is worst where the level may be across already: hence 1e-2 in probability,
/// and 1e-4 where the distance is known.
#[test]
fn an_uncertain_level_and_drift_agree_with_integration() {
    let cases = [
        Passage { distance: 8.0, distance_var: 0.0, drift: 0.04, drift_var: 1e-4, covariance: 0.0, wander_var: 0.09 },
        Passage { distance: 3.0, distance_var: 0.25, drift: 0.1, drift_var: 4e-4, covariance: -5e-3, wander_var: 0.02 },
        Passage { distance: 1.0, distance_var: 0.3, drift: 0.05, drift_var: 9e-4, covariance: 0.0, wander_var: 0.05 },
        Passage { distance: 1.0, distance_var: 0.1, drift: -0.05, drift_var: 9e-4, covariance: 2e-3, wander_var: 0.05 },
    ];
    for passage in cases {
        for t in [2.0, 10.0, 30.0, 90.0, 400.0] {
            let (got, want) = (passage.cdf(t), by_brute_force(&passage, t));
            assert!(
                (got - want).abs() < if passage.distance_var > 0.0 { 1e-2 } else { 1e-4 },
                "{passage:?} at {t}: {got}, by integration {want}"
            );
        }
    }
}

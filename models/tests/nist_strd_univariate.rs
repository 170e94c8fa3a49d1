//! Source: NIST Statistical Reference Datasets, univariate summary statistics, NumAcc1 to NumAcc4. The sets are made by
//! rule and their certified values follow from it in closed form; rule and values from memory, checked by hand: n values
//! alternating by ±d about the mean with one value on it have a standard deviation of d·√((n−1)/(n−1)) = d.

use roundsman_models::manipulate::{Moments, robust};

/// First value, then `pairs` times the two others.
fn set(first: f64, odd: f64, even: f64, pairs: usize) -> Vec<f64> {
    std::iter::once(first).chain((0..pairs).flat_map(|_| [odd, even])).collect()
}

/// `spacing`: distance between neighbouring `f64` at the size of the data, which the data themselves are off by.
fn certified(name: &str, values: &[f64], mean: f64, std_dev: f64, spacing: f64) {
    let mut chain = Moments::new();
    values.iter().for_each(|&v| assert!(chain.update(v)));
    // Merged from pieces of uneven length as well: that path must be no worse.
    let mut merged = Moments::new();
    for piece in values.chunks(7) {
        let mut part = Moments::new();
        piece.iter().for_each(|&v| assert!(part.update(v)));
        merged.merge(&part);
    }
    for (how, moments) in [("chain", chain), ("merged", merged)] {
        let got = (moments.mean().unwrap_or(f64::NAN), moments.std_dev().unwrap_or(f64::NAN));
        assert!((got.0 - mean).abs() <= 2.0 * spacing, "{name} {how}: mean {} for {mean}", got.0);
        assert!((got.1 - std_dev).abs() <= 2.0 * spacing, "{name} {how}: sd {} for {std_dev}", got.1);
    }
    assert_eq!(robust::median(values, &mut Vec::new()), Some(mean), "{name}: symmetric, so median and mean are one");
}

#[test]
fn num_acc_1_three_large_integers() {
    certified("NumAcc1", &[10_000_001.0, 10_000_003.0, 10_000_002.0], 10_000_002.0, 1.0, 2e-9);
}

#[test]
fn num_acc_2_a_tenth_about_one() {
    certified("NumAcc2", &set(1.2, 1.1, 1.3, 500), 1.2, 0.1, 2.3e-16 * 8.0);
}

#[test]
fn num_acc_3_a_tenth_about_a_million() {
    certified("NumAcc3", &set(1_000_000.2, 1_000_000.1, 1_000_000.3, 500), 1_000_000.2, 0.1, 1.2e-10);
}

#[test]
fn num_acc_4_a_tenth_about_ten_million() {
    certified("NumAcc4", &set(10_000_000.2, 10_000_000.1, 10_000_000.3, 500), 10_000_000.2, 0.1, 1.9e-9);
}

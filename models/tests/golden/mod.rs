//! Finds the check values kept outside the repository and compares numbers.
#![allow(dead_code)] // each test file uses some of it

use serde_json::Value;
use std::path::PathBuf;

/// `statistics.json`, or `None` after saying loudly what is missing and where to get it.
pub(crate) fn statistics(suite: &str) -> Option<Value> {
    let shared = std::env::var_os("ROUNDSMAN_SHARED")
        .map_or_else(|| PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../shared/data")), PathBuf::from);
    let path = shared.join("golden/statistics.json");
    match std::fs::read(&path) {
        Ok(bytes) => Some(serde_json::from_slice(&bytes).expect("statistics.json is JSON")),
        Err(why) => {
            eprintln!(
                "\n*** SKIPPED: {suite}: {} cannot be read ({why}). Set ROUNDSMAN_SHARED, or make the values again with \
                 scipy 1.17, scikit-learn 1.9, pymannkendall 1.4, mpmath 1.4 and R's spc 0.6.7, calls as each test \
                 names them. ***\n",
                path.display()
            );
            None
        }
    }
}

/// The list of numbers at `value`.
pub(crate) fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(|v| v.as_f64().expect("a number")).collect()
}

/// The number at `value`.
pub(crate) fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

/// Fails with both numbers unless `got` is within `relative` of `want` (absolute for |want| below 1).
#[track_caller]
pub(crate) fn close(got: f64, want: f64, relative: f64, what: &str) {
    let gap = (got - want).abs() / want.abs().max(1.0);
    assert!(gap <= relative, "{what}: got {got}, want {want}, gap {gap:e} above {relative:e}");
}

/// Fails unless `got` is within `relative` of `want`, relative at any size.
#[track_caller]
pub(crate) fn close_relative(got: f64, want: f64, relative: f64, what: &str) {
    let gap = (got / want - 1.0).abs();
    assert!(gap <= relative, "{what}: got {got}, want {want}, gap {gap:e} above {relative:e}");
}

//! Range checks of settings, made so that NaN fails: each asks for what it wants.

use serde::Serialize;
use std::fmt;

/// A setting that cannot be used: which, what was wanted, what came.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ParamFault {
    /// The field's name as the parameter struct spells it.
    pub name: &'static str,
    /// The rule, readable after "must be".
    pub want: String,
    /// The value that came.
    pub got: f64,
}

impl fmt::Display for ParamFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: must be {}, got {}", self.name, self.want, self.got)
    }
}

impl std::error::Error for ParamFault {}

/// Wants a finite value above zero.
pub fn positive(name: &'static str, got: f64) -> Option<ParamFault> {
    if got.is_finite() && got > 0.0 {
        return None;
    }
    Some(ParamFault { name, want: "finite and above 0".into(), got })
}

/// Wants a finite value in `[low, high]`.
pub fn within(name: &'static str, got: f64, low: f64, high: f64) -> Option<ParamFault> {
    if got.is_finite() && got >= low && got <= high {
        return None;
    }
    Some(ParamFault { name, want: format!("between {low} and {high}"), got })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nan_fails_every_check() {
        assert!(positive("x", f64::NAN).is_some());
        assert!(within("x", f64::NAN, 0.0, 1.0).is_some());
    }

    #[test]
    fn a_fault_names_the_field_the_rule_and_the_value() {
        let fault = positive("slack_sigmas", -1.0).map(|f| f.to_string());
        assert_eq!(fault.as_deref(), Some("slack_sigmas: must be finite and above 0, got -1"));
    }
}

//! What a value must be before any state of this block takes it.

/// Largest size a value may have. No physical quantity comes near, and its fourth power, summed over every
/// reading a sensor can send, still fits an `f64`: so no state can be driven to infinity or NaN from outside.
pub const LARGEST: f64 = 1e60;

/// Finite and not absurdly large ([`LARGEST`]). Asks for what it wants, so NaN fails.
#[inline]
pub fn usable(value: f64) -> bool {
    value.abs() <= LARGEST
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nan_infinities_and_absurd_sizes_are_refused() {
        for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e61, -f64::MAX] {
            assert!(!usable(value), "{value}");
        }
        for value in [0.0, -0.0, f64::MIN_POSITIVE, 1e60, -1e60] {
            assert!(usable(value), "{value}");
        }
    }
}

//! The last value of a function, for one that is asked for the same again and again: how much of a lag has passed from one
//! snapshot to the next costs an exponential, and most snapshots are evenly apart.

/// Argument and value; nothing at first.
#[derive(Debug, Clone, Copy)]
pub struct Remembered {
    x: f64,
    y: f64,
}

impl Default for Remembered {
    fn default() -> Self {
        Self { x: f64::NAN, y: f64::NAN }
    }
}

impl Remembered {
    /// `f(x)`, which must depend on `x` alone and be the same function every time.
    #[inline]
    pub fn of(&mut self, x: f64, f: impl FnOnce(f64) -> f64) -> f64 {
        if x != self.x {
            *self = Self { x, y: f(x) };
        }
        self.y
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_asked_once_for_each_change() {
        let (mut remembered, mut asked) = (Remembered::default(), 0);
        for x in [0.0, 0.0, -0.0, 2.0, 2.0, 0.0, f64::NAN, f64::NAN, 1.0] {
            let y = remembered.of(x, |x| {
                asked += 1;
                x + 1.0
            });
            assert!(y == x + 1.0 || x.is_nan() && y.is_nan());
        }
        assert_eq!(asked, 6, "nothing equals what is not a number");
    }
}

//! Takes the correlation out of the noise: a filter under which trend and data can be fitted by plain least squares.
//!
//! Noise = autoregressive part (variance 1, correlation `memory` over one step, decaying with time) + wander (a Wiener
//! process starting at 0, variance `wander` per step). The innovations of its Kalman filter, divided by their standard
//! deviations, are independent with variance 1; the filter is linear, so a trend's shape passes through it like the
//! data do. Source: Harvey (1989), Forecasting, Structural Time Series Models and the Kalman Filter, ch. 3 (from memory).

/// The two numbers that say how noise is correlated, both relative to one step (the median spacing of the points).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Noise {
    pub(super) memory: f64,
    pub(super) wander: f64,
}

/// Filter gains at one point.
#[derive(Debug, Clone, Copy)]
pub(super) struct Gain {
    /// Correlation of the autoregressive part with the point before.
    pub(super) decay: f64,
    pub(super) wander: f64,
    pub(super) memory: f64,
    /// 1 / variance of the innovation.
    pub(super) precision: f64,
}

/// Gains at all points, ln of the product of the innovation variances, and the variance of the wander at the last point
/// given all data.
#[derive(Debug, Clone)]
pub(super) struct Whitener {
    pub(super) noise: Noise,
    pub(super) gains: Vec<Gain>,
    pub(super) ln_det: f64,
    pub(super) wander_var: f64,
}

impl Whitener {
    /// `steps[i]`: time from point i−1 to i in steps; `steps[0]` is not used.
    pub(super) fn new(noise: Noise, steps: &[f64]) -> Self {
        let mut gains = Vec::with_capacity(steps.len());
        let (mut ww, mut wm, mut mm) = (0.0, 0.0, 1.0);
        let mut det = 1.0_f64;
        let mut ln_det = 0.0;
        for (i, &step) in steps.iter().enumerate() {
            let mut decay = 0.0;
            if i > 0 {
                decay = if step == 1.0 { noise.memory } else { noise.memory.powf(step) };
                ww += noise.wander * step;
                wm *= decay;
                mm = decay * decay * mm + 1.0 - decay * decay;
            }
            let var = ww + 2.0 * wm + mm;
            let precision = 1.0 / var;
            let (gain_w, gain_m) = ((ww + wm) * precision, (wm + mm) * precision);
            gains.push(Gain { decay, wander: gain_w, memory: gain_m, precision });
            ww -= gain_w * gain_w * var;
            wm -= gain_w * gain_m * var;
            mm -= gain_m * gain_m * var;
            // One logarithm for several points; variances are near 1, so eight of them cannot under- or overflow.
            det *= var;
            if i % 8 == 7 {
                ln_det += det.ln();
                det = 1.0;
            }
        }
        Self { noise, gains, ln_det: ln_det + det.ln(), wander_var: ww.max(0.0) }
    }
}

/// One column on its way through the filter: what of it is taken for wander and for memory so far.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Filtered {
    pub(super) wander: f64,
    pub(super) memory: f64,
}

impl Filtered {
    /// Takes the next value, gives the innovation (variance 1/precision).
    pub(super) fn step(&mut self, gain: &Gain, value: f64) -> f64 {
        let memory = gain.decay * self.memory;
        let innovation = value - self.wander - memory;
        self.wander += gain.wander * innovation;
        self.memory = memory + gain.memory * innovation;
        innovation
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Cholesky factor's solution and ln determinant of the covariance written down in full.
    fn dense(noise: Noise, times: &[f64], values: &[f64]) -> (f64, f64) {
        let n = times.len();
        let mut low = vec![vec![0.0_f64; n]; n];
        let (mut ln_det, mut square) = (0.0, 0.0);
        let mut solved = vec![0.0; n];
        for i in 0..n {
            for j in 0..=i {
                let (a, b) = (times[i], times[j]);
                let covariance = noise.memory.powf((a - b).abs()) + noise.wander * a.min(b);
                let rest: f64 = covariance - (0..j).map(|k| low[i][k] * low[j][k]).sum::<f64>();
                low[i][j] = if i == j { rest.sqrt() } else { rest / low[j][j] };
            }
            solved[i] = (values[i] - (0..i).map(|k| low[i][k] * solved[k]).sum::<f64>()) / low[i][i];
            ln_det += 2.0 * low[i][i].ln();
            square += solved[i] * solved[i];
        }
        (ln_det, square)
    }

    /// Source: the definition: covariance memory^|t−u| + wander·min(t, u), factored by Cholesky.
    #[test]
    fn the_filter_agrees_with_the_covariance_matrix() {
        let times = [0.0, 1.0, 2.0, 2.5, 4.5, 5.5, 6.5, 10.0, 11.0, 12.0];
        let values = [0.3, -1.0, 0.8, 0.1, 2.0, -0.7, 0.0, 1.1, 1.5, -0.2];
        let steps: Vec<f64> = std::iter::once(0.0).chain(times.windows(2).map(|w| w[1] - w[0])).collect();
        for (memory, wander) in [(0.0, 0.0), (0.6, 0.0), (0.0, 0.2), (0.8, 0.1), (0.3, 2.0)] {
            let noise = Noise { memory, wander };
            let whitener = Whitener::new(noise, &steps);
            let mut filtered = Filtered::default();
            let square: f64 =
                whitener.gains.iter().zip(values).map(|(g, v)| filtered.step(g, v).powi(2) * g.precision).sum();
            let (ln_det, wanted) = dense(noise, &times, &values);
            assert!((square - wanted).abs() < 1e-9 * wanted, "{noise:?}: {square}, dense {wanted}");
            assert!((whitener.ln_det - ln_det).abs() < 1e-9, "{noise:?}: {}, dense {ln_det}", whitener.ln_det);
        }
    }
}

//! Least squares against certified and published coefficients.
//!
//! The data of the three sets were written down from memory. That they are right is shown by the certified values: no
//! wrong digit in the data would reproduce ten digits of every coefficient.

use ndarray::Array2;
use roundsman_models::detect::regression::{Regression, RegressionParams};

/// Few rows and near-dependent predictors are what these sets are for: the caution of the defaults is switched off.
fn fit<const Q: usize>(rows: &[([f64; Q], f64)], huber_sigmas: f64) -> Regression {
    let x = Array2::from_shape_fn((rows.len(), Q), |(i, j)| rows[i].0[j]);
    let y: Vec<f64> = rows.iter().map(|r| r.1).collect();
    let params =
        RegressionParams { huber_sigmas, rows_per_coefficient: 1.0, own_share: 1e-9, ..RegressionParams::default() };
    let model = Regression::fit(x.view(), &y, params.check().unwrap());
    assert_eq!(model.intercept_only(), None);
    model
}

#[track_caller]
fn close(got: f64, want: f64, relative: f64) {
    assert!((got / want - 1.0).abs() <= relative, "got {got}, certified {want}, off {:e}", got / want - 1.0);
}

/// Source: NIST StRD, linear regression, Norris (lower difficulty), certified values; data and values from memory.
/// Tolerance: 1e-9, four digits above what double precision can lose here.
#[test]
fn norris() {
    let model = fit(&NORRIS.map(|(y, x)| ([x], y)), 0.0);
    let (intercept, slopes) = model.coefficients();
    close(intercept, -0.262323073774029, 1e-9);
    close(slopes[0].0, 1.00211681802045, 1e-12);
    close(model.residual_sd(), 0.884796396144373, 1e-9);
    close(model.r_squared(), 0.999993745883712, 1e-12);
}

/// Source: NIST StRD, linear regression, Longley (higher difficulty: condition 5e9 unscaled), certified values; data and
/// values from memory. Tolerance 1e-8: predictors are centred, which leaves a condition of some 1e2.
#[test]
fn longley() {
    let model = fit(&LONGLEY.map(|(y, x)| (x, y)), 0.0);
    let (intercept, slopes) = model.coefficients();
    close(intercept, -3482258.63459582, 1e-8);
    for (slope, want) in slopes.iter().zip([
        15.0618722713733,
        -0.358191792925910e-1,
        -2.02022980381683,
        -1.03322686717359,
        -0.511041056535807e-1,
        1829.15146461355,
    ]) {
        close(slope.0, want, 1e-8);
    }
    close(model.residual_sd(), 304.854073561965, 1e-9);
    close(model.r_squared(), 0.995479004577296, 1e-9);
}

/// Source: statsmodels documentation, robust linear models, `sm.RLM(endog, exog, M=sm.robust.norms.HuberT()).fit()` on
/// the stack loss data (Brownlee 1965): constant, air flow, water temperature, acid concentration; values and data from
/// memory. Tolerance 1e-6: their iteration stops there. The plain fit of the same (-39.9197, 0.7156, 1.2953, -0.1521, from
/// memory) guards the data.
#[test]
fn huber_on_stack_loss() {
    let (intercept, slopes) = fit(&STACK_LOSS, 0.0).coefficients();
    for (got, want) in
        std::iter::once(intercept).chain(slopes.iter().map(|s| s.0)).zip([-39.9197, 0.7156, 1.2953, -0.1521])
    {
        assert!((got - want).abs() <= 0.51e-4, "plain: got {got}, published {want}");
    }
    let (intercept, slopes) = fit(&STACK_LOSS, 1.345).coefficients();
    for (got, want) in std::iter::once(intercept).chain(slopes.iter().map(|s| s.0)).zip([
        -41.02649835,
        0.82938433,
        0.92606597,
        -0.12784672,
    ]) {
        close(got, want, 1e-6);
    }
}

/// y, x.
const NORRIS: [(f64, f64); 36] = [
    (0.1, 0.2),
    (338.8, 337.4),
    (118.1, 118.2),
    (888.0, 884.6),
    (9.2, 10.1),
    (228.1, 226.5),
    (668.5, 666.3),
    (998.5, 996.3),
    (449.1, 448.6),
    (778.9, 777.0),
    (559.2, 558.2),
    (0.3, 0.4),
    (0.1, 0.6),
    (778.1, 775.5),
    (668.8, 666.9),
    (339.3, 338.0),
    (448.9, 447.5),
    (10.8, 11.6),
    (557.7, 556.0),
    (228.3, 228.1),
    (998.0, 995.8),
    (888.8, 887.6),
    (119.6, 120.2),
    (0.3, 0.3),
    (0.6, 0.3),
    (557.6, 556.8),
    (339.3, 339.1),
    (888.0, 887.2),
    (998.5, 999.0),
    (778.9, 779.0),
    (10.2, 11.1),
    (117.6, 118.3),
    (228.9, 229.2),
    (668.4, 669.1),
    (449.2, 448.9),
    (0.2, 0.5),
];

/// Employment; deflator, product, unemployed, armed forces, population, year.
const LONGLEY: [(f64, [f64; 6]); 16] = [
    (60323.0, [83.0, 234289.0, 2356.0, 1590.0, 107608.0, 1947.0]),
    (61122.0, [88.5, 259426.0, 2325.0, 1456.0, 108632.0, 1948.0]),
    (60171.0, [88.2, 258054.0, 3682.0, 1616.0, 109773.0, 1949.0]),
    (61187.0, [89.5, 284599.0, 3351.0, 1650.0, 110929.0, 1950.0]),
    (63221.0, [96.2, 328975.0, 2099.0, 3099.0, 112075.0, 1951.0]),
    (63639.0, [98.1, 346999.0, 1932.0, 3594.0, 113270.0, 1952.0]),
    (64989.0, [99.0, 365385.0, 1870.0, 3547.0, 115094.0, 1953.0]),
    (63761.0, [100.0, 363112.0, 3578.0, 3350.0, 116219.0, 1954.0]),
    (66019.0, [101.2, 397469.0, 2904.0, 3048.0, 117388.0, 1955.0]),
    (67857.0, [104.6, 419180.0, 2822.0, 2857.0, 118734.0, 1956.0]),
    (68169.0, [108.4, 442769.0, 2936.0, 2798.0, 120445.0, 1957.0]),
    (66513.0, [110.8, 444546.0, 4681.0, 2637.0, 121950.0, 1958.0]),
    (68655.0, [112.6, 482704.0, 3813.0, 2552.0, 123366.0, 1959.0]),
    (69564.0, [114.2, 502601.0, 3931.0, 2514.0, 125368.0, 1960.0]),
    (69331.0, [115.7, 518173.0, 4806.0, 2572.0, 127852.0, 1961.0]),
    (70551.0, [116.9, 554894.0, 4007.0, 2827.0, 130081.0, 1962.0]),
];

/// Air flow, water temperature, acid concentration; stack loss.
const STACK_LOSS: [([f64; 3], f64); 21] = [
    ([80.0, 27.0, 89.0], 42.0),
    ([80.0, 27.0, 88.0], 37.0),
    ([75.0, 25.0, 90.0], 37.0),
    ([62.0, 24.0, 87.0], 28.0),
    ([62.0, 22.0, 87.0], 18.0),
    ([62.0, 23.0, 87.0], 18.0),
    ([62.0, 24.0, 93.0], 19.0),
    ([62.0, 24.0, 93.0], 20.0),
    ([58.0, 23.0, 87.0], 15.0),
    ([58.0, 18.0, 80.0], 14.0),
    ([58.0, 18.0, 89.0], 14.0),
    ([58.0, 17.0, 88.0], 13.0),
    ([58.0, 18.0, 82.0], 11.0),
    ([58.0, 19.0, 93.0], 12.0),
    ([50.0, 18.0, 89.0], 8.0),
    ([50.0, 18.0, 86.0], 7.0),
    ([50.0, 19.0, 72.0], 8.0),
    ([50.0, 19.0, 79.0], 8.0),
    ([50.0, 20.0, 80.0], 9.0),
    ([56.0, 20.0, 82.0], 15.0),
    ([70.0, 20.0, 91.0], 15.0),
];

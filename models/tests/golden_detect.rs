//! `detect` against the outside values of statistics.json; each test names the call that made them.

mod golden;

use golden::{close, close_relative, number, numbers, statistics};
use roundsman_models::detect::cusum::{Cusum, CusumParams};
use roundsman_models::detect::mixture::{Mixture, MixtureParams, Tried};
use roundsman_models::detect::pca::{Pca, PcaParams, PcaScratch};
use roundsman_models::detect::tail::{
    beta_quantile, chi2_deviate, chi2_deviate_exact, chi2_quantile, chi2_score, chi2_upper_tail, f_quantile,
    normal_quantile, normal_upper_tail, students_t_quantile, z_of_two_sided, z_of_upper_tail,
};
use roundsman_models::detect::trend_test::{TrendScratch, trend_test};
use roundsman_models::{EventTime, Reading};

/// Source: NIST/SEMATECH e-Handbook 6.3.2.3, its two-digit table (recalled, see the README of the values; tolerance its
/// double rounding) and the same recomputed from the data. k and h there are in units of the data: z is x - 325.
#[test]
fn nist_cusum_signals_at_the_fourteenth_sample() {
    let Some(all) = statistics("nist_cusum_signals_at_the_fourteenth_sample") else { return };
    let case = &all["cusum_nist"];
    let params =
        CusumParams { slack_sigmas: number(&case["k"]), limit_sigmas: number(&case["h"]), ..CusumParams::default() };
    let mut cusum = Cusum::new(params.check().unwrap());
    let (mut first, mut steps) = (None, 0);
    for (i, x) in numbers(&case["x"]).into_iter().enumerate() {
        let step = cusum.update(Reading { at: EventTime(i as i64), value: x - number(&case["target"]) }).unwrap();
        close(step.high.sum_sigmas, number(&case["s_hi"][i]), 1e-12, "s_hi");
        close(step.low.sum_sigmas, number(&case["s_lo"][i]), 1e-12, "s_lo");
        assert!((step.high.sum_sigmas - number(&case["published_s_hi_2dp"][i])).abs() <= 0.0101);
        assert!((step.low.sum_sigmas - number(&case["published_s_lo_2dp"][i])).abs() <= 0.0101);
        if step.crossed() && first.is_none() {
            first = Some(i + 1);
            // Samples 1 to 12 end with the high sum at zero.
            assert_eq!(step.high.onset, Some(EventTime(11)));
        }
        steps += 1;
    }
    assert_eq!((first, steps), (Some(14), 20));
    assert_eq!(case["first_signal_1based"], 14);
}

/// Source: mpmath 1.4.1, root of the distribution function at 40 digits; block `quantiles.values`.
#[test]
fn quantiles_to_nine_digits() {
    let Some(all) = statistics("quantiles_to_nine_digits") else { return };
    let mut seen = 0;
    for case in all["quantiles"]["values"].as_array().unwrap() {
        let p = number(&case["p"]);
        let got = match case["dist"].as_str().unwrap() {
            "f" => f_quantile(p, number(&case["df1"]), number(&case["df2"])),
            "chi2" => chi2_quantile(p, number(&case["df"])),
            "beta" => beta_quantile(p, number(&case["a"]), number(&case["b"])),
            "t" => students_t_quantile(p, number(&case["df"])),
            "normal" => normal_quantile(p),
            _ => continue,
        };
        close_relative(got, number(&case["q"]), 1e-11, &case.to_string());
        seen += 1;
    }
    assert!(seen >= 20, "only {seen} cases in the file");
}

/// Source: upper tails of the standard normal, mpmath 1.3.0, `erfc(z/sqrt(2))/2` at 40 digits.
#[test]
fn normal_tails_to_the_end_of_the_range() {
    for (z, p) in NORMAL_TAILS {
        close_relative(normal_upper_tail(z), p, 1e-12, &format!("tail at {z}"));
        close(z_of_upper_tail(p), z, 1e-13, &format!("z of {p:e}"));
        close(z_of_two_sided(2.0 * p), z, 1e-13, &format!("two-sided z of {:e}", 2.0 * p));
    }
}

/// Source: upper tails of the chi-square, mpmath 1.3.0, `gammainc(dof/2, x/2, inf, regularized=True)` at 40 digits, with
/// x at the z named beside it.
#[test]
fn chi_square_tails_and_scores() {
    for (dof, z, x, p) in CHI2_TAILS {
        let what = format!("dof {dof} z {z} x {x}");
        close_relative(chi2_upper_tail(x, dof), p, 1e-11, &what);
        close(chi2_deviate_exact(x, dof), z, 1e-10, &what);
        // The bounds its documentation promises.
        let bound = match dof {
            d if d < 2.0 => 0.02,
            d if d < 3.0 => 0.0045,
            d if d < 5.0 => 0.0016,
            _ => 0.0005,
        };
        let fast = chi2_deviate(x, dof);
        assert!((fast - z).abs() <= bound, "{what}: fast {fast}, off {:e}, promised {bound}", fast - z);
        close(chi2_score(x, dof), z_of_two_sided(p), 1e-10, &what);
    }
}

/// One degree of freedom is a single point: the score of z² is |z|.
#[test]
fn one_degree_of_freedom_scores_as_a_single_point() {
    for z in [0.0, 0.3, 1.0, 3.0, 7.5, 37.0] {
        close(chi2_score(z * z, 1.0), z, 1e-15, "score");
    }
}

/// Source: pymannkendall 1.4.3 `original_test`, scipy 1.17.1 `kendalltau(variant="b")` and
/// `theilslopes(x, t, alpha, method)`; block `trend.cases`. One case is a real bearing running to failure.
#[test]
fn trends_with_and_without_ties() {
    let Some(all) = statistics("trends_with_and_without_ties") else { return };
    let scratch = &mut TrendScratch::default();
    let cases = all["trend"]["cases"].as_array().unwrap();
    assert_eq!(cases.len(), 4);
    for case in cases {
        let name = case["name"].as_str().unwrap();
        let (t, x) = (numbers(&case["t"]), numbers(&case["x"]));
        let (mk, ts) = (&case["mann_kendall"], &case["theil_sen"]);
        for (confidence, ends) in [(0.95, &ts["ci95"]), (0.90, &ts["ci90"])] {
            let got = trend_test(&t, &x, confidence, false, scratch).unwrap();
            assert_eq!(got.plain.s, mk["s"].as_i64().unwrap(), "{name}");
            close_relative(got.plain.var_s, number(&mk["var_s"]), 1e-12, name);
            close_relative(got.plain.z, number(&mk["z"]), 1e-12, name);
            close_relative(got.plain.p_two_sided, number(&mk["p_two_sided"]), 1e-10, name);
            close_relative(got.plain.tau_a, number(&mk["tau_a"]), 1e-12, name);
            close_relative(got.plain.tau_b, number(&mk["tau_b"]), 1e-12, name);
            close_relative(got.line.slope, number(&ts["slope"]), 1e-12, name);
            close_relative(got.line.intercept_separate, number(&ts["intercept_separate"]), 1e-12, name);
            close_relative(got.line.intercept_joint, number(&ts["intercept_joint"]), 1e-12, name);
            close(got.line.slope_low, number(&ends[0]), 1e-12, name);
            close(got.line.slope_high, number(&ends[1]), 1e-12, name);
            assert_eq!((got.z, got.variance_factor), (got.plain.z, 1.0));
        }
    }
}

/// Source: pymannkendall 1.4.3 `hamed_rao_modification_test`; block `trend.hamed_rao`.
#[test]
fn autocorrelation_takes_the_trend_away() {
    let Some(all) = statistics("autocorrelation_takes_the_trend_away") else { return };
    let case = &all["trend"]["hamed_rao"];
    let x = numbers(&case["x"]);
    let t: Vec<f64> = (0..x.len()).map(|i| i as f64).collect();
    let got = trend_test(&t, &x, 0.95, true, &mut TrendScratch::default()).unwrap();
    assert_eq!(got.plain.s, case["s"].as_i64().unwrap());
    close_relative(got.plain.var_s, number(&case["var_s"]), 1e-12, "var_s");
    close_relative(got.plain.z, number(&case["z_plain"]), 1e-12, "z_plain");
    close_relative(got.plain.p_two_sided, number(&case["p_plain"]), 1e-10, "p_plain");
    close_relative(got.variance_factor, number(&case["variance_factor"]), 1e-9, "variance_factor");
    close_relative(got.z, number(&case["z_corrected"]), 1e-9, "z");
    close_relative(got.p_two_sided, number(&case["p_corrected"]), 1e-9, "p");
}

/// A list of rows as a matrix.
fn matrix(value: &serde_json::Value) -> ndarray::Array2<f64> {
    let rows: Vec<Vec<f64>> = value.as_array().unwrap().iter().map(numbers).collect();
    ndarray::Array2::from_shape_fn((rows.len(), rows[0].len()), |(i, j)| rows[i][j])
}

/// Source: numpy 2.4.6 (`eigh` of the correlation matrix) and the limits written out in the README; block `pca_t2_spe`.
#[test]
fn principal_components_t2_and_spe() {
    let Some(all) = statistics("principal_components_t2_and_spe") else { return };
    let case = &all["pca_t2_spe"];
    let x = matrix(&case["x"]);
    // They keep two of five, which explain 96 %; one explains 62 %.
    let pca = Pca::fit(x.view(), PcaParams::default().check().unwrap()).unwrap();
    assert_eq!(pca.components() as u64, case["components"].as_u64().unwrap());
    for (j, column) in pca.columns().iter().enumerate() {
        close_relative(column.center, number(&case["mean"][j]), 1e-12, "mean");
        close_relative(column.scale, number(&case["std_ddof1"][j]), 1e-12, "std");
        close_relative(pca.eigenvalues()[j], number(&case["eigenvalues"][j]), 1e-10, "eigenvalue");
        for component in 0..2 {
            let got = pca.loadings()[2 * j + component];
            close(got, number(&case["loadings_columns"][j][component]), 1e-10, "loading, sign as they fix it");
        }
    }
    let scratch = &mut PcaScratch::default();
    let mut scored = |row: Vec<f64>| pca.score(&row, scratch).unwrap();
    for (i, row) in x.rows().into_iter().enumerate() {
        let got = scored(row.to_vec());
        close(got.t2, number(&case["t2"][i]), 1e-10, "t2");
        close(got.spe, number(&case["spe"][i]), 1e-10, "spe");
    }
    for (i, row) in case["new_rows"].as_array().unwrap().iter().enumerate() {
        let got = scored(numbers(row));
        close(got.t2, number(&case["new_t2"][i]), 1e-10, "new t2");
        close(got.spe, number(&case["new_spe"][i]), 1e-10, "new spe");
    }
    for limit in case["limits"].as_array().unwrap() {
        let alpha = number(&limit["alpha"]);
        close_relative(pca.t2_limit(alpha), number(&limit["t2_new_observation_F"]), 1e-9, "F");
        close_relative(pca.t2_limit_training(alpha), number(&limit["t2_training_beta"]), 1e-9, "beta");
        close_relative(pca.spe_limit(alpha).unwrap(), number(&limit["spe_jackson_mudholkar"]), 1e-9, "Jackson");
        close_relative(pca.spe_limit_box(alpha).unwrap(), number(&limit["spe_box_chi2"]), 1e-9, "Box");
        close_relative(chi2_quantile(1.0 - alpha, 2.0), number(&limit["t2_chi2"]), 1e-9, "chi2");
    }
    // All five variables without PCA: the sum over every dimension.
    let n = x.nrows() as f64;
    for limit in case["limits"].as_array().unwrap() {
        let got =
            5.0 * (n - 1.0) * (n + 1.0) / (n * (n - 5.0)) * f_quantile(1.0 - number(&limit["alpha"]), 5.0, n - 5.0);
        close_relative(got, number(&limit["t2_new_observation_F_all_variables"]), 1e-9, "F, all variables");
    }
}

/// Source: scikit-learn 1.9.1 `GaussianMixture(covariance_type="full", tol=1e-10, reg_covar=1e-9)`, best of many starts;
/// block `gaussian_mixture`. Tolerances of its README: 1e-4 for the parameters, 1e-3 for log-likelihood and BIC. For the
/// comparison our floor is made as small as theirs and the rules on share, separation and valley are off; the choice is tested
/// with the defaults too.
#[test]
fn mixtures_and_the_choice_of_three() {
    let Some(all) = statistics("mixtures_and_the_choice_of_three") else { return };
    let case = &all["gaussian_mixture"];
    let x = matrix(&case["x"]);
    let n = x.nrows() as f64;
    let exact = MixtureParams {
        tolerance: 1e-12,
        most_iterations: 20_000,
        smallest_sd_share: 1e-5,
        smallest_share: 0.0,
        fewest_rows: 0.0,
        smallest_separation: 0.0,
        fullest_valley: 1e6,
        ..MixtureParams::default()
    };
    for fit in case["fits"]["full"].as_array().unwrap().iter().take(3) {
        assert_eq!(fit["unique_optimum"], true);
        let k = fit["k"].as_u64().unwrap() as usize;
        // With at most k components the least BIC is at k, for k = 1, 2, 3.
        let params = MixtureParams { most_components: k as u32, ..exact };
        let got = Mixture::fit(x.view(), params.check().unwrap()).unwrap();
        assert_eq!(got.len(), k);
        let log_likelihood = got.log_likelihood() - n * got.log_scale();
        assert!((log_likelihood - number(&fit["log_likelihood"])).abs() < 1e-3, "ln L {log_likelihood}, {fit}");
        let bic = got.bic(1.0) + 2.0 * n * got.log_scale();
        assert!((bic - number(&fit["bic"])).abs() < 1e-3, "BIC {bic}, {fit}");
        for c in 0..k {
            close(got.weight(c), number(&fit["weights"][c]), 1e-4, "weight");
            for i in 0..2 {
                close(got.mean(c)[i], number(&fit["means"][c][i]), 1e-4, "mean");
                for j in 0..2 {
                    close(got.covariance(c)[2 * i + j], number(&fit["covariances"][c][i][j]), 1e-4, "covariance");
                }
            }
        }
    }
    assert_eq!(case["best_k_full"], 3);
    let chosen = Mixture::fit(x.view(), exact.check().unwrap()).unwrap();
    assert_eq!(chosen.len(), 3, "{:?}", chosen.tried());
    // Four and five were in the running and lost on BIC, not for want of a fit.
    assert!(chosen.tried().iter().all(|t| matches!(t, Tried::Bic(_))), "{:?}", chosen.tried());
    let usual = Mixture::fit(x.view(), MixtureParams::default().check().unwrap()).unwrap();
    assert_eq!(usual.len(), 3, "{:?}", usual.tried());
}

const NORMAL_TAILS: [(f64, f64); 10] = [
    (0.0, 0.5),
    (0.5, 0.3085375387259869),
    (1.0, 0.15865525393145705),
    (2.0, 0.02275013194817921),
    (3.0, 0.0013498980316300946),
    (5.0, 2.866515718791939e-07),
    (8.0, 6.220960574271784e-16),
    (15.0, 3.670966199312751e-51),
    (25.0, 3.056696706382561e-138),
    (37.0, 5.725571222524577e-300),
];

/// Degrees of freedom, z, x, upper tail.
const CHI2_TAILS: [(f64, f64, f64, f64); 80] = [
    (1.0, 0.0, 0.45493642311957017, 0.5000000000000012),
    (1.0, 0.02, 0.47210210926082463, 0.4920216862830981),
    (1.0, 0.5, 1.036925757824811, 0.3085375387259869),
    (1.0, 1.5, 3.3597748633334423, 0.06680720126885811),
    (1.0, 3.0, 10.273018065039551, 0.0013498980316300963),
    (1.0, 4.5, 21.57776924209339, 3.397673124730059e-06),
    (1.0, 6.0, 37.351227504778706, 9.865876450376993e-10),
    (1.0, 7.1, 51.77061440172695, 6.237844463331587e-13),
    (1.0, 12.0, 145.37690516269012, 1.776482112077673e-33),
    (1.0, 30.0, 901.3847603161245, 4.9067139271480535e-198),
    (1.4, 0.0, 0.814847496952882, 0.5000000000000001),
    (1.4, 0.02, 0.8388741469226059, 0.4920216862830988),
    (1.4, 0.5, 1.5740878553013802, 0.30853753872598744),
    (1.4, 1.5, 4.2386948587078805, 0.06680720126885817),
    (1.4, 3.0, 11.552879872783036, 0.0013498980316300959),
    (1.4, 4.5, 23.146397071208217, 3.3976731247300645e-06),
    (1.4, 6.0, 39.13838992519939, 9.865876450376973e-10),
    (1.4, 7.1, 53.688708907557825, 6.2378444633316e-13),
    (1.4, 12.0, 147.710346617568, 1.7764821120776818e-33),
    (1.4, 30.0, 904.4509214873593, 4.90671392714829e-198),
    (2.0, 0.0, 1.3862943611198872, 0.5000000000000009),
    (2.0, 0.02, 1.418464971300104, 0.4920216862830981),
    (2.0, 0.5, 2.351823523187236, 0.30853753872598705),
    (2.0, 1.5, 5.4118888016477795, 0.06680720126885807),
    (2.0, 3.0, 13.215452443020698, 0.001349898031630095),
    (2.0, 4.5, 25.184839471426155, 3.397673124730064e-06),
    (2.0, 6.0, 41.473537899949406, 9.865876450377008e-10),
    (2.0, 7.1, 56.20594304957512, 6.237844463331589e-13),
    (2.0, 12.0, 150.8213460031376, 1.776482112077679e-33),
    (2.0, 30.0, 908.6424879126864, 4.906713927148124e-198),
    (3.0, 0.0, 2.3659738843753373, 0.5000000000000002),
    (3.0, 0.02, 2.4086757048866168, 0.4920216862830984),
    (3.0, 0.5, 3.5958841194541935, 0.3085375387259873),
    (3.0, 1.5, 7.165448930092716, 0.06680720126885809),
    (3.0, 3.0, 15.630563498450059, 0.001349898031630096),
    (3.0, 4.5, 28.138004348895286, 3.397673124730061e-06),
    (3.0, 6.0, 44.868871022066564, 9.865876450377002e-10),
    (3.0, 7.1, 59.879292506961384, 6.23784446333159e-13),
    (3.0, 12.0, 155.42869607597038, 1.7764821120776725e-33),
    (3.0, 30.0, 915.0120246059421, 4.906713927148125e-198),
    (4.5, 0.0, 3.8537537676844695, 0.5000000000000004),
    (4.5, 0.02, 3.908714114867918, 0.4920216862830982),
    (4.5, 0.5, 5.390351697901051, 0.30853753872598716),
    (4.5, 1.5, 9.55602046445788, 0.06680720126885813),
    (4.5, 3.0, 18.82612431959728, 0.0013498980316300952),
    (4.5, 4.5, 32.020702341988994, 3.3976731247300666e-06),
    (4.5, 6.0, 49.337443083393865, 9.865876450376985e-10),
    (4.5, 7.1, 64.72505991277005, 6.237844463331614e-13),
    (4.5, 12.0, 161.58206808022487, 1.7764821120776742e-33),
    (4.5, 30.0, 923.7363516802759, 4.906713927148188e-198),
    (6.0, 0.0, 5.34812062744712, 0.5000000000000001),
    (6.0, 0.02, 5.413097175970636, 0.49202168628309845),
    (6.0, 0.5, 7.135058829314408, 0.3085375387259871),
    (6.0, 1.5, 11.790576986444576, 0.06680720126885811),
    (6.0, 3.0, 21.73923087719863, 0.0013498980316300957),
    (6.0, 4.5, 35.532451079702675, 3.3976731247300624e-06),
    (6.0, 6.0, 53.37367971287675, 9.86587645037698e-10),
    (6.0, 7.1, 69.10528849128711, 6.237844463331587e-13),
    (6.0, 12.0, 167.18675504129587, 1.7764821120776722e-33),
    (6.0, 30.0, 931.8408380621221, 4.906713927148129e-198),
    (12.0, 0.0, 11.34032237742414, 0.5),
    (12.0, 0.02, 11.43536301672626, 0.49202168628309817),
    (12.0, 0.5, 13.878450065381315, 0.308537538725987),
    (12.0, 1.5, 20.014763537821626, 0.0668072012688581),
    (12.0, 3.0, 32.0697515621974, 0.0013498980316300946),
    (12.0, 4.5, 47.79165846084874, 3.3976731247300636e-06),
    (12.0, 6.0, 67.38073959863641, 9.865876450376956e-10),
    (12.0, 7.1, 84.28758245242172, 6.23784446333158e-13),
    (12.0, 12.0, 186.7198191552889, 1.7764821120776845e-33),
    (12.0, 30.0, 960.8349392192331, 4.906713927148142e-198),
    (40.0, 0.0, 39.335344846611335, 0.5),
    (40.0, 0.02, 39.512752598624274, 0.49202168628309806),
    (40.0, 0.5, 43.931871333955215, 0.308537538725987),
    (40.0, 1.5, 54.159516373490995, 0.06680720126885807),
    (40.0, 3.0, 72.20894044201403, 0.0013498980316300946),
    (40.0, 4.5, 93.67664746267029, 3.397673124730054e-06),
    (40.0, 6.0, 118.7217671394112, 9.865876450376993e-10),
    (40.0, 7.1, 139.4386802805487, 6.237844463331592e-13),
    (40.0, 12.0, 256.980999055464, 1.776482112077679e-33),
    (40.0, 30.0, 1068.7154758833144, 4.906713927148011e-198),
];

//! The reading against worked examples and reference libraries. Each block names its source.
//!
//! The reading is a Bayesian model, so where a textbook test has no counterpart in it, the test's formula is first checked
//! against its printed answer and then used as the yardstick for the posterior where both must agree: with the scatter
//! known, or with so many shots that the priors no longer matter.

mod reading_support;
mod reference_statistics;

use bossmark::reading::{Assumptions, Conditions, Offset, Posterior, Shot, posterior};
use bossmark::record::ArrowKind::{Bare, Fletched};
use reading_support::shot;
use reference_statistics::{
    Welch, equivalence_pooled, f_quantile, geometric_median, hotelling_one, hotelling_two,
    isotropic, krishnamoorthy_yu,
};

fn near(got: f64, expected: f64, tolerance: f64) {
    assert!(
        (got - expected).abs() <= tolerance,
        "got {got}, expected {expected}"
    );
}

/// The clinic data of statsmodels' test_tost.py (values there from R), var1: groups 1 and 2.
#[expect(clippy::approx_constant, reason = "a measured 3.14, not π")]
const CLINIC_1: [f64; 15] = [
    2.84, 2.51, 2.41, 2.95, 3.14, 3.79, 4.14, 3.85, 3.02, 3.45, 5.37, 3.81, 4.19, 3.16, 3.84,
];
const CLINIC_2: [f64; 15] = [
    2.60, 2.82, 2.18, 3.46, 4.01, 3.04, 3.47, 4.06, 2.91, 3.59, 4.51, 3.16, 3.86, 3.31, 3.02,
];
/// The same data's var2.
const CLINIC_1_VAR2: [f64; 15] = [
    4.00, 3.26, 4.14, 3.42, 3.25, 4.34, 4.97, 4.31, 3.11, 3.41, 5.02, 4.21, 4.59, 5.30, 4.32,
];
const CLINIC_2_VAR2: [f64; 15] = [
    3.76, 3.66, 3.65, 3.60, 3.48, 2.87, 3.24, 3.92, 3.99, 4.21, 4.21, 3.31, 3.61, 2.97, 2.73,
];

fn rows(columns: &[&[f64]]) -> Vec<Vec<f64>> {
    (0..columns[0].len())
        .map(|i| columns.iter().map(|column| column[i]).collect())
        .collect()
}

fn pairs(values: &[(f64, f64)]) -> Vec<Vec<f64>> {
    values.iter().map(|&(x, y)| vec![x, y]).collect()
}

/// Fletched and bare groups of one end, without error of measuring.
fn groups(fletched: &[(f64, f64)], bare: &[(f64, f64)]) -> Vec<Shot> {
    let kinds = [(Fletched, fletched), (Bare, bare)];
    kinds
        .iter()
        .flat_map(|&(kind, group)| group.iter().map(move |p| shot(0, kind, p.0, p.1, 0.0)))
        .collect()
}

/// No outliers, both kinds scatter alike, arrows don't differ: what the textbook tests assume.
fn textbook() -> Assumptions {
    let mut assumptions = Assumptions::embedded().unwrap_or_else(|error| panic!("{error}"));
    assumptions.outlier_probability = 0.0;
    assumptions.bare_scatter = vec![[1.0, 1.0]];
    assumptions.arrow_own_sd_mm = 0.0;
    assumptions.offset_prior = [vec![[1e5, 1.0]], vec![[1e5, 1.0]]];
    assumptions.centre_sd_mm = 0.0;
    assumptions
}

/// And the scatter known.
fn known_scatter(sigma: f64) -> Assumptions {
    let mut assumptions = textbook();
    assumptions.scatter_grid.steps = 1;
    assumptions.scatter_grid.lowest = sigma / assumptions.scatter_median_mm;
    assumptions.scatter_grid.highest = assumptions.scatter_grid.lowest;
    assumptions
}

fn read(shots: &[Shot], assumptions: &Assumptions) -> Posterior {
    posterior(shots, Conditions::at(Some(30.0), assumptions), assumptions)
        .unwrap_or_else(|| panic!("both kinds are there"))
}

fn offset(x_mm: f64, y_mm: f64, cov_mm2: [[f64; 2]; 2]) -> Offset {
    Offset {
        x_mm,
        y_mm,
        sd_x_mm: cov_mm2[0][0].sqrt(),
        sd_y_mm: cov_mm2[1][1].sqrt(),
        cov_mm2,
    }
}

/// Johnson & Wichern, *Applied Multivariate Statistical Analysis*, exercises 5.1 and 5.3 (published solutions): T² =
/// 150/11 with critical value 57.00 for four points against (7, 11). n times the Mahalanobis distance of the offset's own
/// region, given the sample's covariance, is that T².
#[test]
fn hotelling_one_sample() {
    let points = [(2.0, 12.0), (8.0, 9.0), (6.0, 9.0), (8.0, 10.0)];
    let test = hotelling_one(&pairs(&points), &[7.0, 11.0]);
    near(test.statistic, 150.0 / 11.0, 1e-9);
    near(3.0 * f_quantile(0.95, 2.0, 2.0), 57.00, 5e-3);
    // S of those points; scipy.spatial.distance.mahalanobis gives d² 3.4090909, d 1.8463724
    let s = [[8.0, -10.0 / 3.0], [-10.0 / 3.0, 2.0]];
    let distance = offset(6.0, 10.0, s).distance_squared(7.0, 11.0);
    near(distance.unwrap(), 3.4090909, 5e-8);
    near(distance.unwrap().sqrt(), 1.8463724, 5e-8);
    near(4.0 * distance.unwrap(), test.statistic, 1e-9);
}

/// The same book, exercises 5.5 and 5.8: from the rounded mean and covariance printed there T² is 1.150 (1.17 printed from
/// unrounded data), critical value 6.62.
#[test]
fn hotelling_from_summary() {
    let s = [[0.0144, 0.0117], [0.0117, 0.0146]];
    let distance = offset(0.564, 0.603, s).distance_squared(0.55, 0.60);
    near(42.0 * distance.unwrap(), 1.150, 5e-4);
    // the book rounds F to 3.23 first
    near(2.0 * 41.0 / 40.0 * f_quantile(0.95, 2.0, 40.0), 6.62, 6e-3);
}

/// statsmodels' test_multivariate data (values there from Stata), columns 2 and 3: against (21, 21), and the first twelve
/// rows against the last twelve (statsmodels 0.15 `test_mvmean_2indep`).
#[test]
fn hotelling_of_statsmodels() {
    let x = pairs(&[
        (24.0, 23.5),
        (25.0, 24.5),
        (21.0, 20.5),
        (22.0, 20.5),
        (23.0, 22.5),
        (18.0, 16.5),
        (17.0, 16.5),
        (28.0, 27.5),
        (24.0, 23.5),
        (27.0, 25.5),
        (21.0, 20.5),
        (23.0, 22.5),
        (20.0, 19.0),
        (23.0, 22.0),
        (21.0, 20.0),
        (25.0, 24.0),
        (18.0, 17.0),
        (17.0, 16.0),
        (18.0, 17.0),
        (24.0, 23.0),
        (20.0, 19.0),
        (24.0, 22.0),
        (23.0, 22.0),
        (19.0, 18.0),
    ]);
    let one = hotelling_one(&x, &[21.0, 21.0]);
    near(one.statistic, 125.2791095890, 1e-8);
    near(one.f, 59.9160958904, 1e-8);
    near(one.p, 1.2506e-9, 1e-13);
    let two = hotelling_two(&x[..12], &x[12..]);
    near(two.statistic, 7.1347583953, 1e-8);
    near(two.f, 3.4052255977, 1e-8);
    near(two.p, 0.0523742996, 1e-8);
    let clinic = hotelling_two(
        &rows(&[&CLINIC_1, &CLINIC_1_VAR2]),
        &rows(&[&CLINIC_2, &CLINIC_2_VAR2]),
    );
    near(clinic.statistic, 7.4046967745, 1e-8);
    near(clinic.p, 0.0421028557, 1e-8);
}

/// The same file with all four columns of x and y (Stata by way of statsmodels): T² 2.5428944576; and columns 2 and 3 paired,
/// first twelve rows minus the last: T² 9.6980676329.
#[test]
fn hotelling_of_four_columns_and_of_pairs() {
    #[rustfmt::skip]
    let y: [[f64; 4]; 24] = [
        [1.1, 24.1, 23.4, 1.1], [1.9, 25.2, 24.3, 1.2], [3.2, 20.9, 20.2, 1.3], [4.1, 21.8, 20.6, 0.9], [5.2, 23.0, 22.7, 0.8],
        [6.3, 18.1, 16.8, 0.7], [7.1, 17.2, 16.5, 1.0], [7.8, 28.3, 27.4, 1.1], [9.5, 23.9, 23.3, 1.2], [10.1, 26.8, 25.2, 1.3],
        [10.5, 26.7, 20.6, 0.9], [12.1, 23.0, 22.7, 0.8], [1.1, 20.1, 19.0, 0.7], [1.8, 23.2, 22.0, 0.1], [3.2, 21.3, 20.3, 0.2],
        [4.3, 24.9, 24.2, 0.3], [5.5, 17.9, 17.1, 0.0], [5.5, 17.8, 16.0, 0.6], [7.1, 17.7, 16.7, 0.0], [7.7, 24.0, 22.8, 0.5],
        [9.1, 20.1, 18.9, 0.0], [10.2, 24.2, 22.3, 0.3], [11.3, 23.3, 22.2, 0.0], [11.7, 18.8, 18.1, 0.1],
    ];
    #[rustfmt::skip]
    let middle: [[f64; 2]; 24] = [
        [24.0, 23.5], [25.0, 24.5], [21.0, 20.5], [22.0, 20.5], [23.0, 22.5], [18.0, 16.5], [17.0, 16.5], [28.0, 27.5],
        [24.0, 23.5], [27.0, 25.5], [21.0, 20.5], [23.0, 22.5], [20.0, 19.0], [23.0, 22.0], [21.0, 20.0], [25.0, 24.0],
        [18.0, 17.0], [17.0, 16.0], [18.0, 17.0], [24.0, 23.0], [20.0, 19.0], [24.0, 22.0], [23.0, 22.0], [19.0, 18.0],
    ];
    let x: Vec<Vec<f64>> = middle
        .iter()
        .zip(0u8..)
        .map(|(row, i)| {
            let first = f64::from(i % 12 + 1);
            vec![first, row[0], row[1], f64::from(u8::from(i < 12))]
        })
        .collect();
    let y: Vec<Vec<f64>> = y.iter().map(|row| row.to_vec()).collect();
    let two = hotelling_two(&x, &y);
    near(two.statistic, 2.5428944576, 1e-9);
    near(two.f, 0.5942633787, 1e-9);
    near(two.p, 0.6686659172, 1e-9);
    let paired: Vec<Vec<f64>> = middle[..12]
        .iter()
        .zip(&middle[12..])
        .map(|(a, b)| vec![a[0] - b[0], a[1] - b[1]])
        .collect();
    let one = hotelling_one(&paired, &[0.0, 0.0]);
    near(one.statistic, 9.6980676329, 1e-9);
    near(one.f, 4.4082125604, 1e-9);
    near(one.p, 0.0423949783, 1e-9);
}

/// Fever and aches under a drug and a placebo (pingouin's data set `multivariate`, two of its columns): T² 3.8990737885; with
/// unequal covariances ν 32.38026, F 1.889329, p 0.167972. With the blood pressure as a third column, values of pingouin's own
/// documentation: two samples T² 4.228679, F 1.326644, p 0.282898; paired T² 4.468456; the drug group
/// against (37.5, 70, 5) T² 253.230991.
#[test]
fn two_groups_with_unequal_covariances() {
    let drug = pairs(&[
        (38.4, 18.0),
        (36.8, 14.0),
        (40.0, 20.0),
        (39.8, 20.0),
        (38.6, 25.0),
        (39.1, 27.0),
        (38.9, 26.0),
        (36.8, 8.0),
        (40.4, 21.0),
        (39.4, 22.0),
        (38.0, 15.0),
        (38.6, 14.0),
        (40.1, 28.0),
        (38.1, 22.0),
        (37.2, 16.0),
        (39.5, 18.0),
        (37.3, 13.0),
        (39.1, 16.0),
    ]);
    let placebo = pairs(&[
        (40.9, 14.0),
        (39.5, 18.0),
        (39.4, 24.0),
        (38.2, 24.0),
        (39.7, 22.0),
        (38.9, 30.0),
        (38.6, 25.0),
        (39.9, 17.0),
        (41.3, 18.0),
        (38.1, 20.0),
        (39.6, 19.0),
        (37.1, 15.0),
        (39.5, 13.0),
        (40.3, 25.0),
        (41.5, 27.0),
        (39.3, 14.0),
        (37.6, 16.0),
        (40.6, 21.0),
    ]);
    let pooled = hotelling_two(&drug, &placebo);
    near(pooled.statistic, 3.8990737885, 1e-9);
    near(pooled.f, 1.8921975738, 1e-9);
    near(pooled.p, 0.1667363500, 1e-9);
    let unequal = krishnamoorthy_yu(&drug, &placebo);
    near(unequal.statistic, 32.38026, 5e-6);
    near(unequal.f, 1.889329, 5e-7);
    near(unequal.p, 0.167972, 5e-7);
    let pressure = |group: &[Vec<f64>], pressure: [f64; 18]| -> Vec<Vec<f64>> {
        group
            .iter()
            .zip(pressure)
            .map(|(row, pressure)| vec![row[0], pressure, row[1]])
            .collect()
    };
    let drug = pressure(
        &drug,
        [
            73.0, 85.0, 58.0, 80.0, 68.0, 52.0, 79.0, 100.0, 64.0, 53.0, 70.0, 75.0, 48.0, 57.0,
            78.0, 65.0, 77.0, 67.0,
        ],
    );
    let placebo = pressure(
        &placebo,
        [
            54.0, 75.0, 57.0, 71.0, 65.0, 49.0, 58.0, 52.0, 62.0, 57.0, 78.0, 92.0, 63.0, 52.0,
            46.0, 56.0, 86.0, 48.0,
        ],
    );
    let three = hotelling_two(&drug, &placebo);
    near(three.statistic, 4.228679, 5e-7);
    near(three.f, 1.326644, 5e-7);
    near(three.p, 0.282898, 5e-7);
    let paired: Vec<Vec<f64>> = drug
        .iter()
        .zip(&placebo)
        .map(|(a, b)| a.iter().zip(b).map(|(a, b)| a - b).collect())
        .collect();
    near(hotelling_one(&paired, &[0.0; 3]).statistic, 4.468456, 5e-7);
    near(
        hotelling_one(&drug, &[37.5, 70.0, 5.0]).statistic,
        253.230991,
        5e-7,
    );
}

/// The geometric median (scipy): of five points with one far off (2.594154, 1.118545), of the corners of a right triangle both
/// coordinates (3 − √3)/6.
#[test]
fn geometric_medians() {
    let five = [
        (0.0, 0.0),
        (8.0, -5.0),
        (-6.0, 9.0),
        (3.0, 4.0),
        (70.0, -40.0),
    ];
    let middle = geometric_median(&five);
    near(middle.0, 2.594154, 1e-6);
    near(middle.1, 1.118545, 3e-6);
    let corner = geometric_median(&[(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)]);
    near(corner.0, (3.0 - 3f64.sqrt()) / 6.0, 1e-9);
    near(corner.1, corner.0, 1e-9);
}

/// T² critical values of two dimensions (scipy): one sample of n, two samples of n and m. They are why the reading pools
/// the scatter: a full covariance from three arrows says nothing.
#[test]
fn critical_values() {
    for (n, expected, digits) in [
        (3.0, 798.0, 0.6),
        (4.0, 57.0, 0.05),
        (5.0, 25.47, 0.005),
        (6.0, 17.36, 0.005),
        (8.0, 12.00, 0.005),
        (12.0, 9.03, 0.005),
    ] {
        near(
            2.0 * (n - 1.0) / (n - 2.0) * f_quantile(0.95, 2.0, n - 2.0),
            expected,
            digits,
        );
    }
    for (n, m, expected, digits) in [
        (3.0, 2.0, 57.0, 0.05),
        (3.0, 3.0, 25.47, 0.005),
        (4.0, 3.0, 17.36, 0.005),
        (6.0, 3.0, 12.00, 0.005),
        (6.0, 6.0, 9.46, 0.005),
    ] {
        let free: f64 = n + m - 3.0;
        near(
            2.0 * (free + 1.0) / free * f_quantile(0.95, 2.0, free),
            expected,
            digits,
        );
    }
}

/// χ² of two degrees of freedom (tables, scipy): 95 % at 5.991465 (radius 2.447747), 50 % at radius 1.177410. With the
/// scatter known the 95 % region about one mean of n has the radius 1.413, 1.224, 0.999, 0.707 σ for n = 3, 4, 6, 12; the
/// difference of two means with n and n the √2-fold.
#[test]
fn region_of_the_offset() {
    let unit = offset(0.0, 0.0, [[1.0, 0.0], [0.0, 1.0]]);
    near(
        unit.region(0.95).unwrap().semi_axes_mm[0].powi(2),
        5.991465,
        1e-6,
    );
    near(unit.region(0.50).unwrap().semi_axes_mm[1], 1.177410, 1e-6);
    let assumptions = known_scatter(20.0);
    for (n, radius) in [(3u8, 1.413), (4, 1.224), (6, 0.999), (12, 0.707)] {
        let group: Vec<(f64, f64)> = (0..n).map(|i| (7.0 * f64::from(i), 3.0)).collect();
        let posterior = read(&groups(&group, &group), &assumptions);
        let [x, y] = &posterior.axes;
        let offset = offset(
            x.mean_mm,
            y.mean_mm,
            [
                [x.variance_mm2, posterior.covariance_mm2],
                [posterior.covariance_mm2, y.variance_mm2],
            ],
        );
        let region = offset.region(0.95).unwrap();
        near(region.semi_axes_mm[0] / 20.0 / 2f64.sqrt(), radius, 6e-4);
        near(region.semi_axes_mm[1] / 20.0 / 2f64.sqrt(), radius, 6e-4);
    }
}

/// Welch's t on the clinic data (R by way of statsmodels): t 0.6504383635, df 26.7484787582, p one-sided 0.2604786501. TOST
/// at ±0.6: p 0.0485308398 (var1, equivalent), 0.4317936813 (var2, not).
#[test]
fn welch_and_equivalence() {
    let one = Welch::of(&CLINIC_1, &CLINIC_2);
    near(one.t(), 0.6504383635, 1e-9);
    near(one.df, 26.7484787582, 1e-8);
    near(one.above(0.0), 0.2604786501, 1e-9);
    near(one.equivalence(0.6), 0.0485308398, 1e-9);
    let two = Welch::of(&CLINIC_1_VAR2, &CLINIC_2_VAR2);
    near(two.difference, 0.5626667, 1e-7);
    near(two.standard_error, 0.2149872, 1e-7);
    near(two.df, 24.1100015, 1e-6);
    near(two.equivalence(0.6), 0.4317936813, 1e-9);
    // with pooled variance p 0.0482731510 on 28
    let (p, df) = equivalence_pooled(&CLINIC_1, &CLINIC_2, 0.6);
    near(p, 0.0482731510, 1e-9);
    near(df, 28.0, 1e-12);
}

/// The posterior on the same data, a unit taken as 50 mm: with fifteen of each kind P(d < 0) is Welch's one-sided p and
/// P(d > 0.6) the equivalence test's, up to what is left of the scatter's prior.
#[test]
fn posterior_agrees_with_welch_and_equivalence() {
    let unit = 50.0;
    let place = |one: &[f64; 15], two: &[f64; 15]| -> Vec<(f64, f64)> {
        one.iter()
            .zip(two)
            .map(|(x, y)| (unit * x, unit * y))
            .collect()
    };
    let (bare, fletched) = (
        place(&CLINIC_1, &CLINIC_1_VAR2),
        place(&CLINIC_2, &CLINIC_2_VAR2),
    );
    let posterior = read(&groups(&fletched, &bare), &textbook());
    let [x, y] = &posterior.axes;
    let (one, two) = (
        Welch::of(&CLINIC_1, &CLINIC_2),
        Welch::of(&CLINIC_1_VAR2, &CLINIC_2_VAR2),
    );
    for (axis, welch) in [(x, &one), (y, &two)] {
        near(axis.mean_mm, unit * welch.difference, 0.01);
        // the sd of Student's t is √(df/(df − 2)) standard errors
        let sd = unit * welch.standard_error * (welch.df / (welch.df - 2.0)).sqrt();
        near(axis.sd_mm() / sd, 1.0, 0.04);
        near(axis.below(0.0), welch.above(0.0), 0.01);
        near(axis.above(0.6 * unit), 1.0 - welch.above(0.6), 0.015);
    }
    // equivalent on x: the mass inside ±0.6 is what both one-sided tests leave
    near(x.within(0.6 * unit), 1.0 - one.equivalence(0.6), 0.015);
}

/// Six fletched and three bare shots, mm.
const FLETCHED: [(f64, f64); 6] = [
    (-12.0, 8.0),
    (5.0, -3.0),
    (9.0, 14.0),
    (-4.0, -10.0),
    (2.0, 6.0),
    (-6.0, -9.0),
];
const BARE: [(f64, f64); 3] = [(-48.0, -20.0), (-61.0, -5.0), (-40.0, -31.0)];

/// With the scatter known and no outliers the posterior is the closed form of the normal model: precision 1/V = 1/300² +
/// n m/((n + m) σ²), mean V · pairs · (difference)/σ².
#[test]
fn known_scatter_gives_the_closed_form() {
    let mut assumptions = known_scatter(25.0);
    assumptions.offset_prior = [vec![[300.0, 1.0]], vec![[300.0, 1.0]]];
    let posterior = read(&groups(&FLETCHED, &BARE), &assumptions);
    // means (−1, 1) and (−49.6667, −18.6667)
    for (axis, difference) in posterior.axes.iter().zip([-146.0 / 3.0, -59.0 / 3.0]) {
        let data = 6.0 * 3.0 / 9.0 / 625.0;
        let variance = 1.0 / (1.0 / 9e4 + data);
        let mean = variance * data * difference;
        near(axis.mean_mm, mean, 1e-9);
        near(axis.variance_mm2, variance, 1e-9);
        let normal = statrs::distribution::Normal::new(mean, variance.sqrt()).unwrap();
        for limit in [-80.0, -50.0, 0.0, 50.0] {
            let expected = statrs::distribution::ContinuousCDF::cdf(&normal, limit);
            near(axis.below(limit), expected, 1e-10);
            near(axis.above(limit), 1.0 - expected, 1e-10);
        }
        near(
            axis.quantile(0.025),
            mean - 1.959964 * variance.sqrt(),
            1e-4,
        );
    }
}

/// Six fletched and three bare shots, mm (statsmodels and scipy): T² 83.4113688, F 35.7477295, p 4.64114e-4; Welch x: t
/// −7.065435, df 3.121831, y: t −2.305321, df 3.184859. The reading must see the same: the offset, x surely to the left,
/// y probably below but, as with Welch (two-sided p 0.099), not called.
#[test]
fn six_and_three_shots() {
    let test = hotelling_two(&pairs(&BARE), &pairs(&FLETCHED));
    near(test.statistic, 83.4113688, 1e-7);
    near(test.f, 35.7477295, 1e-7);
    near(test.p, 4.64114e-4, 1e-9);
    // isotropic s² 96.0952, F 28.671787, p 1.1205e-5; unequal covariances ν 4.701355, F 62.560626, p 1.4026e-3
    let round = isotropic(&pairs(&BARE), &pairs(&FLETCHED));
    near(round.statistic, 96.0952, 5e-5);
    near(round.f, 28.671787, 5e-7);
    near(round.p, 1.1205e-5, 5e-10);
    let unequal = krishnamoorthy_yu(&pairs(&BARE), &pairs(&FLETCHED));
    near(unequal.statistic, 4.701355, 5e-7);
    near(unequal.f, 62.560626, 5e-7);
    near(unequal.p, 1.4026e-3, 5e-8);
    let column = |group: &[(f64, f64)], pick: fn(&(f64, f64)) -> f64| -> Vec<f64> {
        group.iter().map(pick).collect()
    };
    let x = Welch::of(&column(&BARE, |p| p.0), &column(&FLETCHED, |p| p.0));
    let y = Welch::of(&column(&BARE, |p| p.1), &column(&FLETCHED, |p| p.1));
    near(x.t(), -7.065435, 1e-6);
    near(x.df, 3.121831, 1e-6);
    near(y.t(), -2.305321, 1e-6);
    near(y.df, 3.184859, 1e-6);
    let assumptions = Assumptions::embedded().unwrap();
    let posterior = read(&groups(&FLETCHED, &BARE), &assumptions);
    let [px, py] = &posterior.axes;
    near(px.mean_mm, -48.6667, 2.0);
    near(py.mean_mm, -19.6667, 2.0);
    assert!(px.below(0.0) > 0.99, "{}", px.below(0.0));
    assert!((0.85..0.995).contains(&py.below(0.0)), "{}", py.below(0.0));
    // the isotropic pooled scatter of these groups is √96.0952 = 9.80 mm: a close group for the prior, so somewhat wider
    let isotropic = (96.0952f64 * (1.0 / 6.0 + 1.0 / 3.0)).sqrt();
    for axis in [px, py] {
        let ratio = axis.variance_mm2.sqrt() / isotropic;
        assert!((0.95..1.5).contains(&ratio), "{ratio}");
    }
}

//! The sums behind the reading: against brute force and against the plain densities.

mod reading_support;

use bossmark::reading::{Assumptions, Conditions, ln_weights, posterior, posterior_over};
use bossmark::record::ArrowKind;
use nalgebra::{DMatrix, DVector};
use reading_support::{Random, session};
use statrs::function::beta::ln_beta;

fn at_30m(assumptions: &Assumptions) -> Conditions {
    Conditions::at(Some(30.0), assumptions)
}

/// A normal prior of the offset on each axis, mm.
const OFFSET_SD: [f64; 2] = [300.0, 170.0];

/// ln of the prior of one set of k outliers among n: the rate integrated over its beta distribution.
fn ln_set_prior(assumptions: &Assumptions, k: f64, n: f64) -> f64 {
    let alpha = assumptions.outlier_probability * assumptions.outlier_prior_shots;
    let beta = assumptions.outlier_prior_shots - alpha;
    ln_beta(alpha + k, beta + n - k) - ln_beta(alpha, beta)
}

/// All sets of at most `most` of `n`.
fn sets(n: usize, most: usize) -> Vec<Vec<usize>> {
    let mut all = vec![Vec::new()];
    let mut last = all.clone();
    for _ in 0..most {
        last = last
            .iter()
            .flat_map(|set: &Vec<usize>| {
                let from = set.last().map_or(0, |last| last + 1);
                (from..n).map(move |next| {
                    let mut set = set.clone();
                    set.push(next);
                    set
                })
            })
            .collect();
        all.extend(last.iter().cloned());
    }
    all
}

/// ln of N(z; 0, V) without 2π, by Cholesky.
fn ln_normal(z: &DVector<f64>, covariance: DMatrix<f64>) -> f64 {
    let factor = covariance.cholesky().expect("a covariance");
    let ln_det: f64 = factor.l().diagonal().iter().map(|v| 2.0 * v.ln()).sum();
    -0.5 * (ln_det + z.dot(&factor.solve(z)))
}

/// The evidence of a set from the model as written: z ~ N(0, diag(v) + K Kᵀ sd_m² + b bᵀ sd_d²) with a centre for each end
/// (K) and the offset (b). Constants that all sets share drop out of differences.
#[test]
fn evidence_equals_the_plain_normal_density() {
    let mut assumptions = Assumptions::embedded().unwrap();
    assumptions.bare_scatter = vec![[1.25, 1.0]];
    assumptions.offset_prior = OFFSET_SD.map(|sd| vec![[sd, 1.0]]);
    assumptions.scatter_grid.steps = 1;
    assumptions.scatter_grid.lowest = 0.8;
    let sigma = assumptions.scatter_values_mm()[0];
    let mut random = Random(5);
    let shots = session(&mut random, 2, 3, 28.0, [70.0, -20.0]);
    let sets = sets(12, 3);
    let got = ln_weights(&shots, at_30m(&assumptions), &assumptions, &sets).unwrap();
    let centre_variance = assumptions.centre_sd_mm.powi(2);
    let n = shots.len();
    let expected: Vec<f64> = sets
        .iter()
        .map(|set| {
            let k = set.len() as f64;
            let prior = ln_set_prior(&assumptions, k, n as f64);
            let axes: f64 = (0..2)
                .map(|axis| {
                    let z = DVector::from_iterator(n, shots.iter().map(|s| s.place_mm[axis]));
                    let bare = |i: usize| f64::from(u8::from(shots[i].kind == ArrowKind::Bare));
                    let covariance = DMatrix::from_fn(n, n, |i, j| {
                        let mut value = bare(i) * bare(j) * OFFSET_SD[axis].powi(2);
                        if shots[i].end == shots[j].end {
                            value += centre_variance;
                        }
                        if i == j {
                            let ratio = if bare(i) > 0.5 { 1.25 } else { 1.0 };
                            let wide = if set.contains(&i) {
                                assumptions.outlier_widening
                            } else {
                                1.0
                            };
                            value += (sigma * ratio * wide).powi(2) + shots[i].variance_mm2[axis];
                        }
                        value
                    });
                    ln_normal(&z, covariance)
                })
                .sum();
            prior + axes
        })
        .collect();
    let mut worst: f64 = 0.0;
    for (got_one, expected_one) in got.iter().zip(&expected) {
        worst = worst.max(((got_one - got[0]) - (expected_one - expected[0])).abs());
    }
    assert!(worst < 1e-6, "differences between sets differ by {worst}");
}

/// The same with the centres taken out exactly: contrasts against the first shot of each end don't know the centre, and
/// their density is the marginal of a flat prior up to one constant.
#[test]
fn evidence_equals_the_density_of_contrasts() {
    let mut assumptions = Assumptions::embedded().unwrap();
    assumptions.bare_scatter = vec![[1.6, 1.0]];
    assumptions.offset_prior = OFFSET_SD.map(|sd| vec![[sd, 1.0]]);
    // flat
    assumptions.centre_sd_mm = 0.0;
    assumptions.scatter_grid.steps = 1;
    assumptions.scatter_grid.lowest = 1.1;
    let sigma = assumptions.scatter_values_mm()[0];
    let mut random = Random(6);
    let shots = session(&mut random, 2, 3, 33.0, [-90.0, 40.0]);
    let n = shots.len();
    let first = |i: usize| shots.iter().position(|s| s.end == shots[i].end).unwrap();
    let rows: Vec<usize> = (0..n).filter(|&i| first(i) != i).collect();
    let contrast = DMatrix::from_fn(rows.len(), n, |r, j| {
        f64::from(i8::from(rows[r] == j) - i8::from(first(rows[r]) == j))
    });
    let sets = sets(n, 4);
    let got = ln_weights(&shots, at_30m(&assumptions), &assumptions, &sets).unwrap();
    let expected: Vec<f64> = sets
        .iter()
        .map(|set| {
            let k = set.len() as f64;
            let mut value = ln_set_prior(&assumptions, k, n as f64);
            for (axis, offset_sd) in OFFSET_SD.iter().enumerate() {
                let z = DVector::from_iterator(n, shots.iter().map(|s| s.place_mm[axis]));
                let bare = |i: usize| f64::from(u8::from(shots[i].kind == ArrowKind::Bare));
                let covariance = DMatrix::from_fn(n, n, |i, j| {
                    let mut value = bare(i) * bare(j) * offset_sd.powi(2);
                    if i == j {
                        let ratio = if bare(i) > 0.5 { 1.6 } else { 1.0 };
                        let wide = if set.contains(&i) {
                            assumptions.outlier_widening
                        } else {
                            1.0
                        };
                        value += (sigma * ratio * wide).powi(2) + shots[i].variance_mm2[axis];
                    }
                    value
                });
                value += ln_normal(
                    &(&contrast * z),
                    &contrast * covariance * contrast.transpose(),
                );
            }
            value
        })
        .collect();
    for (set, (got_one, expected_one)) in sets.iter().zip(got.iter().zip(&expected)) {
        let difference = (got_one - got[0]) - (expected_one - expected[0]);
        assert!(difference.abs() < 1e-6, "{set:?}: {difference}");
    }
}

/// Beyond a dozen shots only the sets near two modes are summed; against all sets of at most five outliers.
#[test]
fn near_the_modes_is_near_all_sets() {
    let assumptions = Assumptions::embedded().unwrap();
    let conditions = at_30m(&assumptions);
    let mut random = Random(7);
    for (case, n) in [13usize, 14, 15, 16, 17, 18].into_iter().enumerate() {
        let mut shots = session(&mut random, 1 + case % 2, 9, 30.0, [60.0, -25.0]);
        // an uneven number: take from the first end's fletched shots
        while shots.len() > n {
            shots.remove(0);
        }
        shots.truncate(n);
        let quick = posterior(&shots, conditions, &assumptions).unwrap();
        let brute =
            posterior_over(&shots, conditions, &assumptions, &sets(shots.len(), 5)).unwrap();
        for (quick, brute) in quick.axes.iter().zip(&brute.axes) {
            let sd = brute.sd_mm();
            let shift = (quick.mean_mm - brute.mean_mm).abs() / sd;
            assert!(shift < 0.05, "n {n}: mean off by {shift} sd");
            let ratio = quick.sd_mm() / sd;
            assert!((ratio - 1.0).abs() < 0.02, "n {n}: sd {ratio}");
        }
        for (quick, brute) in quick.outliers.iter().zip(&brute.outliers) {
            assert!(
                (quick - brute).abs() < 0.03,
                "n {n}: P(outlier) {quick} {brute}"
            );
        }
    }
}

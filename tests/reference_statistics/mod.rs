//! Textbook statistics that the reading is checked against, from their formulas and statrs' distributions. `recipe.py` beside
//! this prints the reference values with scipy.

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, FisherSnedecor, StudentsT};

/// A test's statistic, its degrees of freedom and its p.
#[derive(Debug)]
pub(crate) struct Test {
    pub(crate) statistic: f64,
    pub(crate) f: f64,
    pub(crate) p: f64,
}

fn mean(rows: &[Vec<f64>]) -> DVector<f64> {
    let mut sum = DVector::zeros(rows[0].len());
    for row in rows {
        sum += DVector::from_row_slice(row);
    }
    sum / rows.len() as f64
}

/// Sum of squares and products about the mean.
fn products(rows: &[Vec<f64>]) -> DMatrix<f64> {
    let mean = mean(rows);
    let mut sum = DMatrix::zeros(mean.len(), mean.len());
    for row in rows {
        let deviation = DVector::from_row_slice(row) - &mean;
        sum += &deviation * deviation.transpose();
    }
    sum
}

/// Upper tail of F.
fn f_tail(f: f64, first: f64, second: f64) -> f64 {
    FisherSnedecor::new(first, second)
        .expect("degrees of freedom")
        .sf(f)
}

/// The value that F stays below with this probability.
pub(crate) fn f_quantile(probability: f64, first: f64, second: f64) -> f64 {
    FisherSnedecor::new(first, second)
        .expect("degrees of freedom")
        .inverse_cdf(probability)
}

/// Hotelling's one-sample T² = n (x̄ − μ)ᵀ S⁻¹ (x̄ − μ); F = T² (n − p)/(p (n − 1)) on (p, n − p).
pub(crate) fn hotelling_one(rows: &[Vec<f64>], centre: &[f64]) -> Test {
    let (n, p) = (rows.len() as f64, centre.len() as f64);
    let deviation = mean(rows) - DVector::from_row_slice(centre);
    let inverse = (products(rows) / (n - 1.0)).try_inverse().expect("rank");
    let statistic = n * deviation.dot(&(inverse * &deviation));
    let f = statistic * (n - p) / (p * (n - 1.0));
    Test {
        statistic,
        f,
        p: f_tail(f, p, n - p),
    }
}

/// Hotelling's two-sample T² with the pooled covariance; F = T² (n + m − p − 1)/(p (n + m − 2)) on (p, n + m − p − 1).
pub(crate) fn hotelling_two(a: &[Vec<f64>], b: &[Vec<f64>]) -> Test {
    let (n, m, p) = (a.len() as f64, b.len() as f64, a[0].len() as f64);
    let difference = mean(a) - mean(b);
    let pooled = (products(a) + products(b)) / (n + m - 2.0);
    let inverse = (pooled * (1.0 / n + 1.0 / m)).try_inverse().expect("rank");
    let statistic = difference.dot(&(inverse * &difference));
    let second = n + m - p - 1.0;
    let f = statistic * second / (p * (n + m - 2.0));
    Test {
        statistic,
        f,
        p: f_tail(f, p, second),
    }
}

/// Unequal covariances (Krishnamoorthy & Yu 2004): T² with S₁/n + S₂/m, ν from how each weighs in it (`statistic` is ν), F =
/// T²(ν − p + 1)/(p ν) on (p, ν − p + 1). Welch's for p = 1.
pub(crate) fn krishnamoorthy_yu(a: &[Vec<f64>], b: &[Vec<f64>]) -> Test {
    let p = a[0].len() as f64;
    let of_mean = |rows: &[Vec<f64>]| {
        let n = rows.len() as f64;
        products(rows) / ((n - 1.0) * n)
    };
    let (one, two) = (of_mean(a), of_mean(b));
    let difference = mean(a) - mean(b);
    let inverse = (&one + &two).try_inverse().expect("rank");
    let squared = difference.dot(&(&inverse * &difference));
    let spread: f64 = [(&one, a.len()), (&two, b.len())]
        .into_iter()
        .map(|(share, n)| {
            let share = share * &inverse;
            ((&share * &share).trace() + share.trace().powi(2)) / (n as f64 - 1.0)
        })
        .sum();
    let nu = (p + p * p) / spread;
    let f = squared * (nu - p + 1.0) / (p * nu);
    Test {
        statistic: nu,
        f,
        p: f_tail(f, p, nu - p + 1.0),
    }
}

/// One scatter for both axes and both groups: F = |d|²/(2 s² (1/n + 1/m)) on (2, 2 (n + m − 2)); `statistic` is s².
pub(crate) fn isotropic(a: &[Vec<f64>], b: &[Vec<f64>]) -> Test {
    let (n, m) = (a.len() as f64, b.len() as f64);
    let second = 2.0 * (n + m - 2.0);
    let variance = (products(a).trace() + products(b).trace()) / second;
    let f = (mean(a) - mean(b)).norm_squared() / (2.0 * variance * (1.0 / n + 1.0 / m));
    Test {
        statistic: variance,
        f,
        p: f_tail(f, 2.0, second),
    }
}

/// Two one-sided tests with pooled variance: p and degrees of freedom.
pub(crate) fn equivalence_pooled(a: &[f64], b: &[f64], limit: f64) -> (f64, f64) {
    let column = |values: &[f64]| -> Vec<Vec<f64>> { values.iter().map(|v| vec![*v]).collect() };
    let (a, b) = (column(a), column(b));
    let (n, m) = (a.len() as f64, b.len() as f64);
    let df = n + m - 2.0;
    let error = ((products(&a) + products(&b)).trace() / df * (1.0 / n + 1.0 / m)).sqrt();
    let difference = (mean(&a) - mean(&b))[0];
    let t = StudentsT::new(0.0, 1.0, df).expect("degrees of freedom");
    let p = t
        .sf((difference + limit) / error)
        .max(t.cdf((difference - limit) / error));
    (p, df)
}

/// The place with the least sum of distances, by Weiszfeld's steps (1937).
pub(crate) fn geometric_median(points: &[(f64, f64)]) -> (f64, f64) {
    let mut at = (0.1, 0.1);
    for _ in 0..20_000 {
        let (mut weight, mut x, mut y) = (0.0, 0.0, 0.0);
        for point in points {
            let w = 1.0 / (point.0 - at.0).hypot(point.1 - at.1).max(1e-12);
            weight += w;
            x += w * point.0;
            y += w * point.1;
        }
        at = (x / weight, y / weight);
    }
    at
}

/// Welch's comparison of two means.
#[derive(Debug)]
pub(crate) struct Welch {
    pub(crate) difference: f64,
    pub(crate) standard_error: f64,
    pub(crate) df: f64,
}

impl Welch {
    pub(crate) fn of(a: &[f64], b: &[f64]) -> Self {
        let moments = |values: &[f64]| {
            let n = values.len() as f64;
            let mean = values.iter().sum::<f64>() / n;
            let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
            (n, mean, squares / (n - 1.0) / n)
        };
        let ((n, mean_a, a), (m, mean_b, b)) = (moments(a), moments(b));
        Self {
            difference: mean_a - mean_b,
            standard_error: (a + b).sqrt(),
            df: (a + b).powi(2) / (a * a / (n - 1.0) + b * b / (m - 1.0)),
        }
    }

    pub(crate) fn t(&self) -> f64 {
        self.difference / self.standard_error
    }

    /// P(T > (difference − limit)/SE).
    pub(crate) fn above(&self, limit: f64) -> f64 {
        StudentsT::new(0.0, 1.0, self.df)
            .expect("degrees of freedom")
            .sf((self.difference - limit) / self.standard_error)
    }

    /// Two one-sided tests of |difference| < limit (Schuirmann 1987): the larger p.
    pub(crate) fn equivalence(&self, limit: f64) -> f64 {
        (1.0 - self.above(limit)).max(self.above(-limit))
    }
}

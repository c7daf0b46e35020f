//! Damped, iteratively reweighted least squares.

use super::{TUKEY_95, tukey_loss, tukey_weight};
use nalgebra::{DMatrix, DVector};

/// Residuals of a least-squares problem, each already divided by its standard deviation.
pub trait Problem {
    /// Residuals at `x`. The first, one for each of [`observation_weights`](Self::observation_weights), are measurements and weighted by Tukey's
    /// biweight; the rest are prior knowledge and count in full. A residual that cannot be computed is infinite and gets no weight.
    fn residuals(&self, x: &DVector<f64>) -> DVector<f64>;
    /// Derivatives of the residuals, one row each.
    fn jacobian(&self, x: &DVector<f64>, residuals: &DVector<f64>) -> DMatrix<f64>;
    /// For each measurement as how much of an independent one it counts, 0–1.
    fn observation_weights(&self) -> &[f64];
    /// Normal matrix JᵀWJ and gradient JᵀWr at `x` for the weights W of the residuals. To be given by problems that can do
    /// it without writing down the whole Jacobian.
    fn normal_equations(
        &self,
        x: &DVector<f64>,
        r: &DVector<f64>,
        weights: &[f64],
    ) -> (DMatrix<f64>, DVector<f64>) {
        let mut j = self.jacobian(x, r);
        let mut weighted = r.clone();
        for (i, w) in weights.iter().enumerate() {
            if *w > 0.0 {
                weighted[i] *= w.sqrt();
                j.row_mut(i).scale_mut(w.sqrt());
            } else {
                weighted[i] = 0.0;
                j.row_mut(i).fill(0.0);
            }
        }
        (j.tr_mul(&j), j.tr_mul(&weighted))
    }
}

/// Where the search ended.
#[derive(Clone, Debug)]
pub struct Solution {
    /// The parameters.
    pub x: DVector<f64>,
    /// Residuals there, in standard deviations.
    pub residuals: DVector<f64>,
    /// Half the sum of squared priors plus Tukey's loss of the measurements.
    pub cost: f64,
    /// Weighted normal matrix JᵀWJ there.
    pub information: DMatrix<f64>,
}

/// Relative fall of the cost below which the search has converged.
const CONVERGENCE_TOLERANCE: f64 = 1e-6;
/// Range of Levenberg–Marquardt's damping factor.
const DAMPING: (f64, f64) = (1e-10, 1e10);

/// Levenberg–Marquardt with Tukey weights renewed in every step (iteratively reweighted least squares).
pub fn least_squares(problem: &impl Problem, start: DVector<f64>, iterations: usize) -> Solution {
    let mut x = start;
    let mut r = problem.residuals(&x);
    let mut best = cost(problem, &r);
    let mut damping: f64 = 1e-3;
    for _ in 0..iterations {
        let (normal, gradient) = normal_equations(problem, &x, &r);
        let before = best;
        while damping < DAMPING.1 {
            let mut damped = normal.clone();
            for i in 0..damped.nrows() {
                damped[(i, i)] += damping * normal[(i, i)].max(1e-12);
            }
            let step = damped.cholesky().map(|c| c.solve(&gradient));
            if let Some(step) = step.filter(|s| s.iter().all(|v| v.is_finite())) {
                let tried = &x - step;
                let at = problem.residuals(&tried);
                let c = cost(problem, &at);
                if c < best {
                    (x, r, best) = (tried, at, c);
                    damping = (damping / 10.0).max(DAMPING.0);
                    break;
                }
            }
            damping *= 10.0;
        }
        if damping >= DAMPING.1 || before - best <= CONVERGENCE_TOLERANCE * before {
            break;
        }
    }
    let (information, _) = normal_equations(problem, &x, &r);
    Solution {
        x,
        residuals: r,
        cost: best,
        information,
    }
}

fn cost(problem: &impl Problem, r: &DVector<f64>) -> f64 {
    let observation_weights = problem.observation_weights();
    r.iter()
        .enumerate()
        .map(|(i, v)| match observation_weights.get(i) {
            Some(weight) => weight * tukey_loss(*v, TUKEY_95),
            None => 0.5 * v * v,
        })
        .sum()
}

fn normal_equations(
    problem: &impl Problem,
    x: &DVector<f64>,
    r: &DVector<f64>,
) -> (DMatrix<f64>, DVector<f64>) {
    let weights: Vec<f64> = r
        .iter()
        .enumerate()
        .map(|(i, v)| match problem.observation_weights().get(i) {
            None => 1.0,
            Some(weight) if v.is_finite() => weight * tukey_weight(*v, TUKEY_95),
            Some(_) => 0.0,
        })
        .collect();
    problem.normal_equations(x, r, &weights)
}

/// Forward differences of `problem`'s residuals in the parameters `from`‥`to`, with one step size for each; written into
/// the columns of `into`.
pub fn difference_columns(
    problem: &impl Problem,
    x: &DVector<f64>,
    r: &DVector<f64>,
    steps: &[f64],
    into: &mut DMatrix<f64>,
) {
    for (k, step) in steps.iter().enumerate() {
        let mut moved = x.clone();
        moved[k] += step;
        let there = problem.residuals(&moved);
        for i in 0..r.len() {
            let d = (there[i] - r[i]) / step;
            into[(i, k)] = if d.is_finite() { d } else { 0.0 };
        }
    }
}

/// Inverse of a symmetric, positive semidefinite matrix through its eigenvalues: directions without information (below
/// 1e-12 of the largest, after scaling to a unit diagonal) get the variance `unknown` in scaled units.
#[must_use]
pub fn covariance(information: &DMatrix<f64>, unknown: f64) -> DMatrix<f64> {
    let scale: Vec<f64> = (0..information.nrows())
        .map(|i| 1.0 / information[(i, i)].max(1e-300).sqrt())
        .collect();
    let scaled = DMatrix::from_fn(information.nrows(), information.ncols(), |i, j| {
        information[(i, j)] * scale[i] * scale[j]
    });
    let eigen = scaled.symmetric_eigen();
    let largest = eigen.eigenvalues.amax();
    let inverse = eigen.eigenvalues.map(|v| {
        if v > 1e-12 * largest {
            1.0 / v
        } else {
            unknown
        }
    });
    let c = &eigen.eigenvectors * DMatrix::from_diagonal(&inverse) * eigen.eigenvectors.transpose();
    DMatrix::from_fn(c.nrows(), c.ncols(), |i, j| c[(i, j)] * scale[i] * scale[j])
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Line(Vec<(f64, f64)>, Vec<f64>);

    impl Problem for Line {
        fn residuals(&self, x: &DVector<f64>) -> DVector<f64> {
            let fit = self.0.iter().map(|(t, y)| x[0] + x[1] * t - y);
            DVector::from_iterator(self.0.len() + 1, fit.chain([(x[1] - 2.0) / 1e3]))
        }
        fn jacobian(&self, x: &DVector<f64>, r: &DVector<f64>) -> DMatrix<f64> {
            let mut j = DMatrix::zeros(r.len(), 2);
            difference_columns(self, x, r, &[1e-6, 1e-6], &mut j);
            j
        }
        fn observation_weights(&self) -> &[f64] {
            &self.1
        }
    }

    #[test]
    fn an_outlier_does_not_move_the_line() {
        let mut points: Vec<(f64, f64)> = (0..20)
            .map(|i| (f64::from(i), 3.0 + 0.5 * f64::from(i)))
            .collect();
        points[7].1 += 500.0;
        let s = least_squares(
            &Line(points, vec![0.5; 20]),
            DVector::from_vec(vec![2.0, 0.6]),
            50,
        );
        assert!(
            (s.x[0] - 3.0).abs() < 1e-5 && (s.x[1] - 0.5).abs() < 1e-6,
            "{}",
            s.x
        );
        // 19 points weigh in, each for a half
        assert!((s.information[(0, 0)] - 9.5).abs() < 1e-3);
    }

    #[test]
    fn covariance_is_the_inverse_where_there_is_one() {
        let m = DMatrix::from_row_slice(2, 2, &[4.0, 1.0, 1.0, 2.0]);
        assert!((covariance(&m, 0.0) * m - DMatrix::identity(2, 2)).amax() < 1e-10);
    }
}

//! Weight of a set of outliers over both axes, all scatters and all ratios of bare to fletched scatter.

use super::axis_likelihood::{AxisData, AxisShot, GridPoint, OffsetPrior};
use super::em::median;
use super::{Assumptions, Shot};
use crate::record::ArrowKind;

/// Most standard deviations of its prior by which a centre lies off that is nothing unusual.
const USUAL_CENTRE_SDS: f64 = 2.0;

/// Marginal likelihoods of sets of outliers. Shots are referred to by their index in the sorted order that [`sort_order`] gives.
pub(super) struct MarginalLikelihood {
    axes: [AxisData; 2],
    /// Prior of (σ_x, σ_y), row by row; symmetric.
    scatter_prior: Vec<f64>,
    /// ln of the sum of that prior: no ratio counts for more than its unit times this.
    ln_prior_mass: f64,
    /// ln of the prior of each ratio.
    ln_ratio_prior: Vec<f64>,
    /// σ of each column of the parameter grid, mm.
    pub(super) scatters: Vec<f64>,
    /// ρ of each row of the parameter grid.
    pub(super) ratios: Vec<f64>,
    /// ln of the prior of a set, by how many outliers it holds.
    ln_set_prior: Vec<f64>,
    /// Prior of the offset on each axis.
    pub(super) priors: [OffsetPrior; 2],
    /// The grid points of the set evaluated last: [x, y], ratio by ratio.
    pub(super) grid: [Vec<GridPoint>; 2],
    /// The weights of the set evaluated last, ratio by ratio.
    pub(super) by_ratio: Vec<RatioWeights>,
    scratch: Scratch,
}

/// Room for one ratio's sums.
struct Scratch {
    /// Likelihood of each σ, over the largest.
    likelihood: [Vec<f64>; 2],
    /// For each σ, prior times likelihood summed over the other axis' σ,
    other: [Vec<f64>; 2],
    /// and for x the same times the mean of d_y.
    other_mean: Vec<f64>,
}

/// The weights of one ratio of the scatters, of a set of outliers.
#[derive(Clone, Default)]
pub(super) struct RatioWeights {
    /// ln of the unit that the other weights are in.
    pub(super) ln_unit: f64,
    /// Weight of the ratio.
    pub(super) total: f64,
    /// Σ weight · mean of d_x · mean of d_y.
    pub(super) cross: f64,
    /// Weight of each σ of the axis, the other axis' summed over.
    pub(super) marginal: [Vec<f64>; 2],
}

impl MarginalLikelihood {
    /// Prepares sorted shots; `distance_ratio` is the distance over the reference distance.
    pub(super) fn new(sorted: &[&Shot], distance_ratio: f64, assumptions: &Assumptions) -> Self {
        let scatters: Vec<f64> = assumptions
            .scatter_values_mm()
            .into_iter()
            .map(|value| value * distance_ratio)
            .collect();
        let ratios: Vec<f64> = assumptions
            .bare_scatter
            .iter()
            .map(|pair| pair[0])
            .collect();
        let priors = [0, 1]
            .map(|axis: usize| OffsetPrior::new(&assumptions.offset_prior[axis], distance_ratio));
        let total: f64 = assumptions.bare_scatter.iter().map(|pair| pair[1]).sum();
        let axes = [0, 1].map(|axis| {
            let shots: Vec<AxisShot> = sorted
                .iter()
                .map(|shot| AxisShot {
                    end: shot.end,
                    bare: shot.kind == ArrowKind::Bare,
                    z: shot.place_mm[axis],
                    variance: shot.variance_mm2[axis],
                })
                .collect();
            AxisData::new(
                &shots,
                &ratios,
                &scatters,
                assumptions.outlier_widening,
                priors[axis].clone(),
                centre_precision(sorted, axis, distance_ratio, assumptions),
            )
        });
        let grid = vec![GridPoint::default(); ratios.len() * scatters.len()];
        let scatter_prior = scatter_prior(&scatters, distance_ratio, assumptions);
        Self {
            axes,
            ln_prior_mass: scatter_prior.iter().sum::<f64>().ln(),
            scatter_prior,
            ln_ratio_prior: assumptions
                .bare_scatter
                .iter()
                .map(|pair| (pair[1] / total).ln())
                .collect(),
            by_ratio: vec![
                RatioWeights {
                    marginal: [vec![0.0; scatters.len()], vec![0.0; scatters.len()]],
                    ..RatioWeights::default()
                };
                ratios.len()
            ],
            scratch: Scratch {
                likelihood: [0, 1].map(|_| vec![0.0; scatters.len()]),
                other: [0, 1].map(|_| vec![0.0; scatters.len()]),
                other_mean: vec![0.0; scatters.len()],
            },
            scatters,
            ratios,
            ln_set_prior: ln_set_prior(sorted.len(), assumptions),
            priors,
            grid: [grid.clone(), grid],
        }
    }

    /// Computes sets of outliers as differences from this one from now on: the cost of a set grows with the shots in which it differs.
    pub(super) fn set_reference(&mut self, outliers: &[usize]) {
        self.axes
            .iter_mut()
            .for_each(|axis| axis.set_reference(outliers));
    }

    /// ln of the weight (prior times marginal likelihood) of a set of outliers (ascending indices); the details stay in `grid` and `by_ratio`.
    /// Ratios that can't reach `floor` are not computed and count as nothing.
    pub(super) fn ln_weight(&mut self, outliers: &[usize], floor: f64) -> f64 {
        for (axis, grid) in self.axes.iter_mut().zip(&mut self.grid) {
            axis.bound(outliers, grid);
        }
        let ln_set = self.ln_set_prior[outliers.len()];
        let width = self.scatters.len();
        let mut ln_totals = Vec::with_capacity(self.by_ratio.len());
        for (ratio, weights) in self.by_ratio.iter_mut().enumerate() {
            let grid = ratio * width..(ratio + 1) * width;
            let ln_prior = self.ln_ratio_prior[ratio] + ln_set + self.ln_prior_mass;
            let most = best(&self.grid[0][grid.clone()]) + best(&self.grid[1][grid.clone()]);
            if most + ln_prior < floor {
                weights.total = 0.0;
                continue;
            }
            for (axis, all) in self.axes.iter().zip(&mut self.grid) {
                axis.finish(&mut all[grid.clone()]);
            }
            let (x, y) = (&self.grid[0][grid.clone()], &self.grid[1][grid]);
            let (best_x, best_y) = (best(x), best(y));
            weights.ln_unit = best_x + best_y + self.ln_ratio_prior[ratio] + ln_set;
            weights.fill(
                [x, y],
                [best_x, best_y],
                &self.scatter_prior,
                &mut self.scratch,
            );
            ln_totals.push(weights.ln_unit + weights.total.ln());
        }
        ln_sum(&ln_totals)
    }
}

/// The largest log likelihood of the grid.
fn best(grid: &[GridPoint]) -> f64 {
    grid.iter()
        .map(|point| point.ln_likelihood)
        .fold(f64::NEG_INFINITY, f64::max)
}

impl RatioWeights {
    /// Weights of the scatters of both axes: likelihoods (over their largest) times the prior of the pair.
    fn fill(
        &mut self,
        grid: [&[GridPoint]; 2],
        best: [f64; 2],
        prior: &[f64],
        scratch: &mut Scratch,
    ) {
        let width = grid[0].len();
        let Scratch {
            likelihood,
            other,
            other_mean,
        } = scratch;
        for axis in 0..2 {
            for (value, point) in likelihood[axis].iter_mut().zip(grid[axis]) {
                *value = (point.ln_likelihood - best[axis]).exp();
            }
        }
        // prior · likelihood of the other axis; the prior is symmetric, so its rows are its columns
        other.iter_mut().for_each(|sums| sums.fill(0.0));
        other_mean.fill(0.0);
        for (k, row) in prior.chunks_exact(width).enumerate() {
            let (in_x, in_y) = (likelihood[0][k], likelihood[1][k]);
            if in_x == 0.0 && in_y == 0.0 {
                continue;
            }
            let in_y_mean = in_y * grid[1][k].mean;
            for (value, weight) in other[0].iter_mut().zip(row) {
                *value += weight * in_y;
            }
            for (value, weight) in other[1].iter_mut().zip(row) {
                *value += weight * in_x;
            }
            for (value, weight) in other_mean.iter_mut().zip(row) {
                *value += weight * in_y_mean;
            }
        }
        self.total = 0.0;
        self.cross = 0.0;
        for j in 0..width {
            self.marginal[0][j] = likelihood[0][j] * other[0][j];
            self.marginal[1][j] = likelihood[1][j] * other[1][j];
            self.total += self.marginal[0][j];
            self.cross += likelihood[0][j] * grid[0][j].mean * other_mean[j];
        }
    }
}

/// ln Σ e^v.
pub(super) fn ln_sum(values: &[f64]) -> f64 {
    let largest = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if largest == f64::NEG_INFINITY {
        return largest;
    }
    largest + values.iter().map(|v| (v - largest).exp()).sum::<f64>().ln()
}

/// ln of the prior of a set of k outliers among n shots: the rate itself isn't known, so it is integrated over its beta prior,
/// B(α + k, β + n − k)/B(α, β).
fn ln_set_prior(n: usize, assumptions: &Assumptions) -> Vec<f64> {
    let rate = assumptions.outlier_probability;
    if rate <= 0.0 {
        // outliers are ruled out
        return (0..=n)
            .map(|k| if k == 0 { 0.0 } else { f64::NEG_INFINITY })
            .collect();
    }
    let worth = assumptions.outlier_prior_shots;
    // ln of the rising products α(α + 1)…, of 0 to n factors
    let rising = |from: f64| -> Vec<f64> {
        std::iter::once(0.0)
            .chain((0..n).scan(0.0, |sum, i| {
                *sum += (from + i as f64).ln();
                Some(*sum)
            }))
            .collect()
    };
    let (bad, good, all) = (
        rising(rate * worth),
        rising((1.0 - rate) * worth),
        rising(worth),
    );
    (0..=n).map(|k| bad[k] + good[n - k] - all[n]).collect()
}

/// Prior precision of an end's centre about the point aimed at, 1/mm². Where the fletched shots lie far from that (a sight that isn't set, places
/// measured from elsewhere) the prior is as wide as their distance.
fn centre_precision(
    sorted: &[&Shot],
    axis: usize,
    distance_ratio: f64,
    assumptions: &Assumptions,
) -> f64 {
    let sd = assumptions.centre_sd_mm * distance_ratio;
    if sd <= 0.0 {
        return 0.0;
    }
    let places: Vec<f64> = sorted
        .iter()
        .filter(|shot| shot.kind == ArrowKind::Fletched)
        .map(|shot| shot.place_mm[axis])
        .collect();
    let far = median(&places).unwrap_or(0.0);
    1.0 / (sd * sd + (far * far - (USUAL_CENTRE_SDS * sd).powi(2)).max(0.0))
}

fn scatter_prior(scatters: &[f64], distance_ratio: f64, assumptions: &Assumptions) -> Vec<f64> {
    let centre = (assumptions.scatter_median_mm * distance_ratio).ln();
    let mut prior = Vec::with_capacity(scatters.len() * scatters.len());
    for x in scatters {
        for y in scatters {
            let size = ((x.ln() + y.ln()) / 2.0 - centre) / assumptions.scatter_log_sd;
            let shape = (y.ln() - x.ln()) / assumptions.scatter_axis_log_sd;
            prior.push((-0.5 * (size * size + shape * shape)).exp());
        }
    }
    prior
}

/// The shots' indices in an order that doesn't depend on how they were listed: by end, kind, place and variance.
pub(super) fn sort_order(shots: &[Shot]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..shots.len()).collect();
    order.sort_by(|&a, &b| {
        let (a, b) = (&shots[a], &shots[b]);
        a.end
            .cmp(&b.end)
            .then(a.kind.cmp(&b.kind))
            .then(a.place_mm[0].total_cmp(&b.place_mm[0]))
            .then(a.place_mm[1].total_cmp(&b.place_mm[1]))
            .then(a.variance_mm2[0].total_cmp(&b.variance_mm2[0]))
            .then(a.variance_mm2[1].total_cmp(&b.variance_mm2[1]))
            .then(a.id.cmp(&b.id))
    });
    order
}

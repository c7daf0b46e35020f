//! Weight of a set of fliers over both axes, all scatters and all ratios of bare to fletched scatter.

use super::evidence::{AxisData, AxisShot, Lane};
use super::{Assumptions, Shot};
use crate::record::EntryKind;

/// Weighs sets of fliers. Shots are referred to by their place in the sorted order that [`sort_order`] gives.
pub(super) struct Weigher {
    axes: [AxisData; 2],
    /// Prior of (σ_x, σ_y), row by row; symmetric.
    scatter_prior: Vec<f64>,
    /// ln of the prior of each ratio.
    ln_ratio_prior: Vec<f64>,
    /// σ of each column, mm.
    pub(super) scatters: Vec<f64>,
    /// ρ of each row of lanes.
    pub(super) ratios: Vec<f64>,
    shots: usize,
    flier_probability: f64,
    /// Lanes of the set weighed last: [x, y], ratio by ratio.
    pub(super) lanes: [Vec<Lane>; 2],
    /// What the set weighed last came to, ratio by ratio.
    pub(super) blocks: Vec<Block>,
}

/// One ratio's share of a set.
#[derive(Clone, Default)]
pub(super) struct Block {
    /// ln of the unit that the other weights are in.
    pub(super) ln_unit: f64,
    /// Weight of the block.
    pub(super) total: f64,
    /// Σ weight · mean of d_x · mean of d_y.
    pub(super) cross: f64,
    /// Weight of each σ of the axis, the other axis' summed over.
    pub(super) marginal: [Vec<f64>; 2],
}

impl Weigher {
    /// Prepares sorted shots; `scale` is the distance over the reference distance.
    pub(super) fn new(sorted: &[&Shot], scale: f64, assumptions: &Assumptions) -> Self {
        let scatters: Vec<f64> = assumptions
            .scatter_values_mm()
            .into_iter()
            .map(|value| value * scale)
            .collect();
        let ratios: Vec<f64> = assumptions
            .bare_scatter
            .iter()
            .map(|pair| pair[0])
            .collect();
        let total: f64 = assumptions.bare_scatter.iter().map(|pair| pair[1]).sum();
        let axes = [0, 1].map(|axis| {
            let shots: Vec<AxisShot> = sorted
                .iter()
                .map(|shot| AxisShot {
                    end: shot.end,
                    bare: shot.kind == EntryKind::Bare,
                    z: shot.place_mm[axis],
                    variance: shot.variance_mm2[axis],
                })
                .collect();
            AxisData::new(
                &shots,
                &ratios,
                &scatters,
                assumptions.flier_widening,
                assumptions.offset_prior_sd_mm * scale,
            )
        });
        let lanes = vec![Lane::default(); ratios.len() * scatters.len()];
        Self {
            axes,
            scatter_prior: scatter_prior(&scatters, scale, assumptions),
            ln_ratio_prior: assumptions
                .bare_scatter
                .iter()
                .map(|pair| (pair[1] / total).ln())
                .collect(),
            blocks: vec![
                Block {
                    marginal: [vec![0.0; scatters.len()], vec![0.0; scatters.len()]],
                    ..Block::default()
                };
                ratios.len()
            ],
            scatters,
            ratios,
            shots: sorted.len(),
            flier_probability: assumptions.flier_probability,
            lanes: [lanes.clone(), lanes],
        }
    }

    /// ln of the weight of a set of fliers (ascending places); the details stay in `lanes` and `blocks`.
    pub(super) fn weigh(&mut self, fliers: &[usize]) -> f64 {
        for (axis, lanes) in self.axes.iter_mut().zip(&mut self.lanes) {
            axis.weigh(fliers, lanes);
        }
        let ln_set = self.ln_set_prior(fliers.len());
        let width = self.scatters.len();
        let (mut likelihood_x, mut likelihood_y) = (vec![0.0; width], vec![0.0; width]);
        let mut ln_totals = Vec::with_capacity(self.blocks.len());
        for (ratio, block) in self.blocks.iter_mut().enumerate() {
            let lanes = ratio * width..(ratio + 1) * width;
            let (x, y) = (&self.lanes[0][lanes.clone()], &self.lanes[1][lanes]);
            let unit = exponentials(x, &mut likelihood_x) + exponentials(y, &mut likelihood_y);
            block.ln_unit = unit + self.ln_ratio_prior[ratio] + ln_set;
            block.total = 0.0;
            block.cross = 0.0;
            for (j, row) in self.scatter_prior.chunks_exact(width).enumerate() {
                let (mut by_y, mut by_x, mut by_y_mean) = (0.0, 0.0, 0.0);
                for k in 0..width {
                    let weight = row[k] * likelihood_y[k];
                    by_y += weight;
                    by_y_mean += weight * y[k].mean;
                    // the prior is symmetric, so its row is its column
                    by_x += row[k] * likelihood_x[k];
                }
                block.marginal[0][j] = likelihood_x[j] * by_y;
                block.marginal[1][j] = likelihood_y[j] * by_x;
                block.total += block.marginal[0][j];
                block.cross += likelihood_x[j] * x[j].mean * by_y_mean;
            }
            ln_totals.push(block.ln_unit + block.total.ln());
        }
        ln_sum(&ln_totals)
    }

    fn ln_set_prior(&self, fliers: usize) -> f64 {
        let good = self.shots - fliers;
        let bad = if fliers == 0 {
            0.0 // and not 0 · ln 0 when fliers are ruled out
        } else {
            fliers as f64 * self.flier_probability.ln()
        };
        bad + good as f64 * (-self.flier_probability).ln_1p()
    }
}

/// e to the lanes' evidence less the largest, which is returned.
fn exponentials(lanes: &[Lane], out: &mut [f64]) -> f64 {
    let largest = lanes
        .iter()
        .map(|lane| lane.ln_evidence)
        .fold(f64::NEG_INFINITY, f64::max);
    for (value, lane) in out.iter_mut().zip(lanes) {
        *value = (lane.ln_evidence - largest).exp();
    }
    largest
}

/// ln Σ e^v.
pub(super) fn ln_sum(values: &[f64]) -> f64 {
    let largest = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if largest == f64::NEG_INFINITY {
        return largest;
    }
    largest + values.iter().map(|v| (v - largest).exp()).sum::<f64>().ln()
}

fn scatter_prior(scatters: &[f64], scale: f64, assumptions: &Assumptions) -> Vec<f64> {
    let centre = (assumptions.scatter_centre_mm * scale).ln();
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

/// The shots' places in an order that doesn't depend on how they were listed: by end, kind, place and variance.
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

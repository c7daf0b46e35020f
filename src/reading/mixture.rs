//! The sum over sets of outliers, ratios and scatters: on each axis a mixture of normals.

use super::marginal_likelihood::{MarginalLikelihood, ln_sum};
use super::sets::OutlierSet;
use crate::math::round_i64;

/// ln of the weight, against the heaviest set's, below which a ratio of scatters isn't computed (10⁻¹⁰).
const LN_NEGLIGIBLE_RATIO: f64 = -23.0;
/// ln of the weight, against all sets', below which a set is left out of the mixture (10⁻⁸; there are some hundred).
const LN_NEGLIGIBLE_SET: f64 = -18.4;
/// Least share of the whole weight with which a normal counts at all (there are some ten thousand).
const MIN_SHARE: f64 = 1e-15;
/// Least share with which a normal is a component of its own; lighter ones count in the moments alone (there are some thousand).
const MIN_COMPONENT_SHARE: f64 = 1e-9;
/// Normals whose sd differ by less than this share,
const SD_STEP: f64 = 0.02;
/// and whose means by less than this many sd, become one of the same moments: P(d < x) moves by less than 10⁻⁵.
const MEAN_STEP: f64 = 0.1;

/// What the shots say, before roll and the arrows' own differences.
pub(super) struct Mixture {
    pub(super) axes: [AxisMixture; 2],
    /// Probability of each set.
    pub(super) set_weights: Vec<f64>,
    /// E[d_x d_y].
    pub(super) cross: f64,
}

/// One axis of it.
#[derive(Default)]
pub(super) struct AxisMixture {
    pub(super) mean: f64,
    pub(super) variance: f64,
    /// The same under the widest part of the offset's prior alone.
    pub(super) wide_mean: f64,
    pub(super) wide_variance: f64,
    /// The sd of that part, mm.
    pub(super) widest_sd: f64,
    /// Geometric means of the fletched and the bare scatter, mm.
    pub(super) scatter: [f64; 2],
    pub(super) components: Vec<MixtureComponent>,
}

/// A normal of the mixture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct MixtureComponent {
    pub(super) weight: f64,
    pub(super) mean: f64,
    pub(super) variance: f64,
}

impl MixtureComponent {
    /// Its standard deviation.
    pub(super) fn sd(&self) -> f64 {
        self.variance.sqrt()
    }
}

impl Mixture {
    /// `None` if no set has any weight.
    pub(super) fn over(
        marginal_likelihood: &mut MarginalLikelihood,
        sets: &[OutlierSet],
    ) -> Option<Self> {
        // the heaviest set so far, in whose weight all others are counted
        let mut heaviest = f64::NEG_INFINITY;
        let mut ln_sets = Vec::with_capacity(sets.len());
        let mut sums = [Sums::default(), Sums::default()];
        let mut cross = 0.0;
        for set in sets {
            let ln_weight = marginal_likelihood.ln_weight(set, heaviest + LN_NEGLIGIBLE_RATIO);
            ln_sets.push(ln_weight);
            if !ln_weight.is_finite() {
                continue;
            }
            if ln_weight > heaviest {
                let lighter = (heaviest - ln_weight).exp();
                sums.iter_mut().for_each(|sums| sums.scale(lighter));
                cross *= lighter;
                heaviest = ln_weight;
            } else if ln_weight < heaviest + sums[0].total.ln() + LN_NEGLIGIBLE_SET {
                continue;
            }
            for (ratio, weights) in marginal_likelihood.by_ratio.iter().enumerate() {
                let unit = (weights.ln_unit - heaviest).exp();
                if weights.total <= 0.0 || unit <= 0.0 {
                    continue;
                }
                cross += unit * weights.cross;
                for (axis, sums) in sums.iter_mut().enumerate() {
                    sums.add(
                        marginal_likelihood,
                        axis,
                        ratio,
                        unit,
                        &weights.marginal[axis],
                    );
                }
            }
        }
        let ln_all = ln_sum(&ln_sets);
        if !ln_all.is_finite() {
            return None;
        }
        let total = sums[0].total;
        Some(Self {
            axes: {
                let [x, y] = sums;
                let widest = |axis: usize| marginal_likelihood.priors[axis].widest().sqrt().recip();
                [x.finish(widest(0)), y.finish(widest(1))]
            },
            set_weights: ln_sets.iter().map(|ln| (ln - ln_all).exp()).collect(),
            cross: cross / total,
        })
    }
}

/// Moments about zero of one axis on the way.
#[derive(Default)]
struct Sums {
    total: f64,
    moments: [f64; 2],
    /// Weight and moments under the widest part of the offset's prior.
    wide: [f64; 3],
    /// Σ weight · ln of the fletched scatter and of the ratio.
    ln_scatter: [f64; 2],
    components: Vec<MixtureComponent>,
}

impl Sums {
    /// Counts all in a unit heavier by 1/`factor` from now on.
    fn scale(&mut self, factor: f64) {
        self.total *= factor;
        let Self {
            moments,
            wide,
            ln_scatter,
            ..
        } = self;
        for value in moments.iter_mut().chain(wide).chain(ln_scatter) {
            *value *= factor;
        }
        self.components
            .iter_mut()
            .for_each(|component| component.weight *= factor);
    }

    /// Adds one ratio of one set; `unit` is what its weights are in.
    fn add(
        &mut self,
        marginal_likelihood: &MarginalLikelihood,
        axis: usize,
        ratio: usize,
        unit: f64,
        marginal: &[f64],
    ) {
        let width = marginal_likelihood.scatters.len();
        let prior = &marginal_likelihood.priors[axis];
        let last = prior.len() - 1;
        for (scatter, &weight) in marginal.iter().enumerate() {
            let weight = unit * weight;
            if weight <= MIN_SHARE * self.total {
                continue;
            }
            self.total += weight;
            self.ln_scatter[0] += weight * marginal_likelihood.scatters[scatter].ln();
            self.ln_scatter[1] += weight * marginal_likelihood.ratios[ratio].ln();
            let point = &marginal_likelihood.grid[axis][ratio * width + scatter];
            for (at, (share, mean, variance)) in prior.parts_of(point).enumerate() {
                let weight = weight * share;
                let square = variance + mean * mean;
                self.moments[0] += weight * mean;
                self.moments[1] += weight * square;
                if at == last {
                    self.wide[0] += weight;
                    self.wide[1] += weight * mean;
                    self.wide[2] += weight * square;
                }
                if weight >= MIN_COMPONENT_SHARE * self.total {
                    self.components.push(MixtureComponent {
                        weight,
                        mean,
                        variance,
                    });
                }
            }
        }
    }

    fn finish(mut self, widest_sd: f64) -> AxisMixture {
        let least = MIN_COMPONENT_SHARE * self.total;
        self.components
            .retain(|component| component.weight >= least);
        let [first, second] = self.moments.map(|moment| moment / self.total);
        let [wide, wide_first, wide_second] = self.wide;
        let (wide_first, wide_second) = (wide_first / wide, wide_second / wide);
        let [fletched, ratio] = self.ln_scatter.map(|sum| sum / self.total);
        let mut components = merged(self.components);
        let kept: f64 = components.iter().map(|component| component.weight).sum();
        components
            .iter_mut()
            .for_each(|component| component.weight /= kept);
        AxisMixture {
            mean: first,
            variance: (second - first * first).max(0.0),
            widest_sd,
            wide_mean: wide_first,
            wide_variance: (wide_second - wide_first * wide_first).max(0.0),
            scatter: [fletched.exp(), (fletched + ratio).exp()],
            components,
        }
    }
}

/// Fewer normals that say the same: those of a like sd and mean are put together.
fn merged(components: Vec<MixtureComponent>) -> Vec<MixtureComponent> {
    // the step of a mean is that of its class of sd, so that a mirrored or scaled mixture is merged alike
    let least = components
        .iter()
        .map(|p| p.variance)
        .fold(f64::INFINITY, f64::min);
    let mut keyed: Vec<(i64, i64, MixtureComponent)> = components
        .into_iter()
        .map(|component| {
            let class = (0.5 * (component.variance / least).ln() / SD_STEP).round();
            let step = MEAN_STEP * least.sqrt() * (class * SD_STEP).exp();
            (
                round_i64(class),
                round_i64(component.mean / step),
                component,
            )
        })
        .collect();
    keyed.sort_by_key(|&(class, place, _)| (class, place));
    keyed
        .chunk_by(|a, b| (a.0, a.1) == (b.0, b.1))
        .map(|same| {
            let weight: f64 = same.iter().map(|(_, _, p)| p.weight).sum();
            let mean = same.iter().map(|(_, _, p)| p.weight * p.mean).sum::<f64>() / weight;
            let variance = same
                .iter()
                .map(|(_, _, p)| p.weight * (p.variance + (p.mean - mean).powi(2)))
                .sum::<f64>()
                / weight;
            MixtureComponent {
                weight,
                mean,
                variance,
            }
        })
        .collect()
}

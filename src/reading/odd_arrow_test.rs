//! Whether an arrow's residuals share an offset as wide as an odd arrow's rather than any arrow's, some of its shots being outliers.

use super::Assumptions;
use super::em::median;
use super::marginal_likelihood::ln_sum;
use super::sets::all_up_to;
use std::collections::BTreeSet;

/// Most outliers among an arrow's own shots in one hypothesis.
const MAX_OUTLIERS: usize = 3;
/// Most shots of an arrow that may be outliers: of more, those farthest out.
const MAX_CANDIDATES: usize = 16;
/// The scatter is known from some shots only: values about it that are averaged over, in sd of its logarithm, with their
/// weights (three points of Gauss and Hermite).
const SCATTERS: [(f64, f64); 3] = [(-1.732, 1.0 / 6.0), (0.0, 2.0 / 3.0), (1.732, 1.0 / 6.0)];

/// Where a shot lies from where the others say it should.
#[derive(Clone, Copy, Default)]
pub(super) struct Residual {
    pub(super) value: [f64; 2],
    /// Variance of the shot's own scatter,
    pub(super) scatter: [f64; 2],
    /// and of all else.
    pub(super) error: [f64; 2],
}

/// What an arrow's own shots say about it.
pub(super) struct OddArrowTest {
    /// Its own offset on each axis, mm.
    pub(super) offset_mm: [f64; 2],
    /// ln of the Bayes factor of its being odd.
    pub(super) ln_factor: f64,
    /// P(outlier) of each of its shots, were it odd.
    pub(super) outliers: Vec<f64>,
}

impl OddArrowTest {
    /// Probability that the arrow is odd, of all arrows that may be.
    pub(super) fn p_odd(&self, assumptions: &Assumptions) -> f64 {
        let prior = assumptions.odd_arrow_prior;
        let ln_odds = prior.ln() - (-prior).ln_1p() + self.ln_factor;
        1.0 / (1.0 + (-ln_odds).exp())
    }
}

/// Odd or not, from the residuals of the arrow's shots: an own offset as wide as an odd arrow's against one as wide as any
/// arrow's, each summed over which of the shots are outliers, so that one bad loose doesn't make an odd arrow; the scatter is
/// known to `ln_sd` in its logarithm.
pub(super) fn common_offset(
    residuals: &[Residual],
    ln_sd: f64,
    distance_ratio: f64,
    assumptions: &Assumptions,
) -> Option<OddArrowTest> {
    if residuals.is_empty() {
        return None;
    }
    let ordinary = (assumptions.arrow_own_sd_mm * distance_ratio).powi(2);
    let odd = ordinary + (assumptions.odd_arrow_sd_mm * distance_ratio).powi(2);
    let rate = assumptions.outlier_probability;
    let mut ln_weights = [Vec::new(), Vec::new()];
    let mut offsets = Vec::new();
    let (doubtful, sound) = doubtful_and_sound(residuals);
    let scatters = SCATTERS.map(|(at, share)| ((2.0 * at * ln_sd).exp(), share));
    let base = [0, 1].map(|axis| scatters.map(|(wider, _)| fit_of(&sound, axis, wider)));
    let sets = all_up_to(doubtful.len(), doubtful.len().min(MAX_OUTLIERS));
    for set in &sets {
        let ln_set =
            set.len() as f64 * rate.ln() + (residuals.len() - set.len()) as f64 * (-rate).ln_1p();
        let mut ln = [ln_set; 2];
        let mut offset = [0.0; 2];
        for (axis, offset) in offset.iter_mut().enumerate() {
            let fits = [0, 1, 2].map(|at: usize| {
                let (wider, share) = scatters[at];
                let mut fit = base[axis][at];
                for (index, (_, residual)) in doubtful.iter().enumerate() {
                    let widening = if set.contains(&index) {
                        assumptions.outlier_widening.powi(2)
                    } else {
                        1.0
                    };
                    fit.add(
                        residual.value[axis],
                        residual.scatter[axis] * wider * widening + residual.error[axis],
                    );
                }
                (share, fit)
            });
            *offset = fits.iter().map(|(share, fit)| share * fit.mean()).sum();
            for (ln, own) in ln.iter_mut().zip([ordinary, odd]) {
                *ln += ln_sum(&fits.map(|(share, fit)| share.ln() + fit.ln_density(own)));
            }
        }
        for (weights, ln) in ln_weights.iter_mut().zip(ln) {
            weights.push(ln);
        }
        offsets.push(offset);
    }
    let [ordinary, odd] = [ln_sum(&ln_weights[0]), ln_sum(&ln_weights[1])];
    let mut test = OddArrowTest {
        offset_mm: [0.0; 2],
        ln_factor: odd - ordinary,
        outliers: vec![0.0; residuals.len()],
    };
    for ((set, ln), offset) in sets.iter().zip(&ln_weights[1]).zip(&offsets) {
        let p = (ln - odd).exp();
        for (sum, value) in test.offset_mm.iter_mut().zip(offset) {
            *sum += p * value;
        }
        for &index in set {
            test.outliers[doubtful[index].0] += p;
        }
    }
    Some(test)
}

/// Residuals, each with its index among all.
type IndexedResiduals<'a> = Vec<(usize, &'a Residual)>;

/// The shots that may be outliers, with their places, and the others: beyond [`MAX_CANDIDATES`] those nearer to the middle.
fn doubtful_and_sound(residuals: &[Residual]) -> (IndexedResiduals<'_>, IndexedResiduals<'_>) {
    let all = residuals.iter().enumerate();
    if residuals.len() <= MAX_CANDIDATES {
        return (all.collect(), Vec::new());
    }
    let middle = [0, 1].map(|axis: usize| {
        let values: Vec<f64> = residuals.iter().map(|r| r.value[axis]).collect();
        median(&values).unwrap_or(0.0)
    });
    let away = |r: &Residual| -> f64 {
        let axis = |k: usize| (r.value[k] - middle[k]).powi(2) / (r.scatter[k] + r.error[k]);
        axis(0) + axis(1)
    };
    let mut order: Vec<(f64, usize)> = all.clone().map(|(at, r)| (away(r), at)).collect();
    order.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    order.truncate(MAX_CANDIDATES);
    let far: BTreeSet<usize> = order.into_iter().map(|(_, at)| at).collect();
    all.partition(|(at, _)| far.contains(at))
}

/// The mean of these residuals on one axis, none of them an outlier's.
fn fit_of(residuals: &[(usize, &Residual)], axis: usize, wider: f64) -> Fit {
    let mut fit = Fit::default();
    for (_, residual) in residuals {
        fit.add(
            residual.value[axis],
            residual.scatter[axis] * wider + residual.error[axis],
        );
    }
    fit
}

/// Values with variances, and a mean that they have in common.
#[derive(Clone, Copy, Default)]
struct Fit {
    weight: f64,
    sum: f64,
    /// Σ (ln variance + value²/variance).
    deviance: f64,
}

impl Fit {
    fn add(&mut self, value: f64, variance: f64) {
        let variance = variance.max(1e-6);
        self.weight += 1.0 / variance;
        self.sum += value / variance;
        self.deviance += variance.ln() + value * value / variance;
    }

    fn mean(&self) -> f64 {
        self.sum / self.weight
    }

    /// ln of their density, up to a constant, when the common mean is N(0, `own`).
    fn ln_density(&self, own: f64) -> f64 {
        let explained = own * self.sum * self.sum / (1.0 + own * self.weight);
        -0.5 * (self.deviance + (own * self.weight).ln_1p() - explained)
    }
}

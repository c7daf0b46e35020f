//! How precise a number of shots will be: the reading's own model, looked at before shooting.

use super::{CallProbability, Precision};
use crate::math::rounded;
use crate::reading::{Assumptions, Thresholds};

/// Points to either side of the middle over which the scatter's prior is averaged.
const POINTS_EITHER_SIDE: i32 = 20;
/// How far they reach, standard deviations of the prior.
const REACH_SDS: f64 = 2.5;
/// Scatters that archers have (sd per axis at the distance shot, mm) with their weights: the reading's log-normal prior.
pub(super) fn prior_scatters(distance_ratio: f64, a: &Assumptions) -> Vec<(f64, f64)> {
    let points: Vec<(f64, f64)> = (-POINTS_EITHER_SIDE..=POINTS_EITHER_SIDE)
        .map(|i| {
            let z = REACH_SDS * f64::from(i) / f64::from(POINTS_EITHER_SIDE);
            (
                a.scatter_median_mm * distance_ratio * (a.scatter_log_sd * z).exp(),
                (-z * z / 2.0).exp(),
            )
        })
        .collect();
    let sum: f64 = points.iter().map(|p| p.1).sum();
    points.into_iter().map(|(sd, w)| (sd, w / sum)).collect()
}

/// Sampling and posterior variance of the offset on an axis after this many shots of each kind, with `arrows` of each.
///
/// An outlier has 1/κ² of the information of another shot; the same arrows shot again keep their own differences; of the offset's prior only
/// the widest part is taken, so that nothing is promised that the shots themselves don't show.
fn variances(pairs: u32, arrows: u32, sd: f64, distance_ratio: f64, a: &Assumptions) -> (f64, f64) {
    let good = 1.0 - a.outlier_probability
        + a.outlier_probability / (a.outlier_widening * a.outlier_widening);
    let n = f64::from(pairs) * good;
    let ratio = a.more_pairs_bare_ratio;
    let shots = sd * sd * (1.0 + ratio * ratio) / n;
    let own =
        2.0 * (a.arrow_own_sd_mm * distance_ratio).powi(2) / f64::from(arrows.min(pairs).max(1));
    let prior = (a.widest_offset_sd_mm() * distance_ratio).powi(2);
    let posterior = 1.0 / (1.0 / shots + 1.0 / prior) + own;
    (shots + own, posterior)
}

/// What a forecast of the precision rests on.
pub(super) struct PrecisionForecast<'a> {
    /// Arrows of each kind.
    pub(super) arrows: u32,
    /// Scatters with their weights.
    pub(super) spreads: &'a [(f64, f64)],
    /// Tolerance, mm.
    pub(super) tolerance: f64,
    /// Distance over the reference distance.
    pub(super) distance_ratio: f64,
    pub(super) assumptions: &'a Assumptions,
}

/// Steps in which an offset is sought, shares of the tolerance, and how many at most.
const OFFSET_STEP: f64 = 0.05;
const OFFSET_STEPS: u32 = 200;

impl PrecisionForecast<'_> {
    /// Precision, and probabilities of the calls, for a number of shots of each kind, averaged over the scatters.
    pub(super) fn of_pairs(&self, pairs: u32, offsets: &[f64]) -> Precision {
        let mut variance = 0.0;
        let mut sums = vec![(0.0, 0.0); offsets.len()];
        for &(sd, weight) in self.spreads {
            let (sampling, posterior) = variances(
                pairs,
                self.arrows,
                sd,
                self.distance_ratio,
                self.assumptions,
            );
            variance += weight * posterior;
            let calls = Thresholds::of(
                posterior.sqrt(),
                f64::from(pairs),
                self.tolerance,
                self.assumptions,
            );
            for (sum, &offset) in sums.iter_mut().zip(offsets) {
                let p = calls.call_probabilities(offset, sampling.sqrt());
                sum.0 += weight * p.positive;
                sum.1 += weight * p.neutral;
            }
        }
        Precision {
            pairs,
            sd_mm: rounded(variance.sqrt(), 1),
            chances: offsets
                .iter()
                .zip(sums)
                .map(|(&offset, (side, neutral))| CallProbability {
                    offset_mm: rounded(offset, 1),
                    p_side: rounded(side, 3),
                    p_neutral: rounded(neutral, 3),
                })
                .collect(),
        }
    }

    /// Fewest shots of each kind after which a far offset gets its side and none at all is called neutral, each with this
    /// probability; `None` if people don't shoot as many.
    pub(super) fn pairs_needed(&self, certainty: f64, far_mm: f64) -> Option<u32> {
        (1..=self.assumptions.more_pairs_most).find(|&pairs| {
            let precision = self.of_pairs(pairs, &[far_mm, 0.0]);
            precision.chances[0].p_side >= certainty && precision.chances[1].p_neutral >= certainty
        })
    }

    /// The smallest offset whose side is called with this probability after so many pairs, mm.
    pub(super) fn told_apart(&self, pairs: u32, certainty: f64) -> Option<f64> {
        let offsets: Vec<f64> = (1..=OFFSET_STEPS)
            .map(|step| self.tolerance * OFFSET_STEP * f64::from(step))
            .collect();
        self.of_pairs(pairs, &offsets)
            .chances
            .iter()
            .find(|chance| chance.p_side >= certainty)
            .map(|chance| chance.offset_mm)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn precision_follows_the_root_of_the_number() {
        let a = Assumptions::embedded().expect("assumptions");
        let sampling = |pairs| variances(pairs, 3, 30.0, 1.0, &a).0 - 2.0 * 100.0 / 3.0;
        assert!((sampling(4) / sampling(16) - 4.0).abs() < 1e-9);
        // never better than the arrows' own differences
        assert!(variances(10_000, 3, 30.0, 1.0, &a).1 > 2.0 * 100.0 / 3.0);
    }
}

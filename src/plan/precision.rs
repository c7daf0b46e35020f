//! How precise a number of shots will be: the reading's own model, looked at before shooting.

use super::{Chance, Precision};
use crate::reading::Assumptions;
use crate::units::rounded;
use statrs::function::erf::erfc;

/// Points of the scatter's prior that are averaged over, and how many sds they reach.
const POINTS: i32 = 20;
const REACH: f64 = 2.5;
/// Halvings of a threshold: far below a millimetre.
const HALVINGS: u32 = 60;

fn normal_cdf(z: f64) -> f64 {
    0.5 * erfc(-z * std::f64::consts::FRAC_1_SQRT_2)
}

/// Scatters that archers have (sd per axis at this scale, mm) with their weights: the reading's log-normal prior.
pub(super) fn prior_spreads(scale: f64, a: &Assumptions) -> Vec<(f64, f64)> {
    let points: Vec<(f64, f64)> = (-POINTS..=POINTS)
        .map(|i| {
            let z = REACH * f64::from(i) / f64::from(POINTS);
            (
                a.scatter_centre_mm * scale * (a.scatter_log_sd * z).exp(),
                (-z * z / 2.0).exp(),
            )
        })
        .collect();
    let sum: f64 = points.iter().map(|p| p.1).sum();
    points.into_iter().map(|(sd, w)| (sd, w / sum)).collect()
}

/// Sampling and posterior variance of the offset on an axis after this many shots of each kind, with `arrows` of each.
///
/// A bad shot tells 1/κ² of a good one; the same arrows shot again keep their own differences; of the offset's prior only the
/// widest part is taken, so that nothing is promised that the shots themselves don't show.
fn variances(pairs: u32, arrows: u32, sd: f64, scale: f64, a: &Assumptions) -> (f64, f64) {
    let good =
        1.0 - a.flier_probability + a.flier_probability / (a.flier_widening * a.flier_widening);
    let n = f64::from(pairs) * good;
    let ratio = a.more_pairs_bare_ratio;
    let shots = sd * sd * (1.0 + ratio * ratio) / n;
    let own = 2.0 * (a.arrow_own_sd_mm * scale).powi(2) / f64::from(arrows.min(pairs).max(1));
    let prior = (a.widest_offset_sd_mm() * scale).powi(2);
    let posterior = 1.0 / (1.0 / shots + 1.0 / prior) + own;
    (shots + own, posterior)
}

/// Precision and chances for a number of shots of each kind, averaged over the scatters given.
pub(super) fn of_pairs(
    pairs: u32,
    arrows: u32,
    spreads: &[(f64, f64)],
    offsets: &[f64],
    tolerance: f64,
    scale: f64,
    a: &Assumptions,
) -> Precision {
    let mut variance = 0.0;
    let mut sums = vec![(0.0, 0.0); offsets.len()];
    for &(sd, weight) in spreads {
        let (sampling, posterior) = variances(pairs, arrows, sd, scale, a);
        variance += weight * posterior;
        let calls = Thresholds::of(posterior.sqrt(), tolerance, a);
        for (sum, &offset) in sums.iter_mut().zip(offsets) {
            let spread = sampling.sqrt();
            sum.0 += weight * (1.0 - normal_cdf((calls.side - offset) / spread));
            sum.1 += weight
                * calls.neutral.map_or(0.0, |limit| {
                    normal_cdf((limit - offset) / spread) - normal_cdf((-limit - offset) / spread)
                });
        }
    }
    Precision {
        pairs,
        sd_mm: rounded(variance.sqrt(), 1),
        chances: offsets
            .iter()
            .zip(sums)
            .map(|(&offset, (side, neutral))| Chance {
                offset_mm: rounded(offset, 1),
                p_side: rounded(side, 3),
                p_neutral: rounded(neutral, 3),
            })
            .collect(),
    }
}

/// From which mean on a side is called, and up to which neutral, with a posterior of this sd.
struct Thresholds {
    side: f64,
    neutral: Option<f64>,
}

impl Thresholds {
    fn of(sd: f64, tolerance: f64, a: &Assumptions) -> Self {
        let inside =
            |mean: f64| normal_cdf((tolerance - mean) / sd) - normal_cdf((-tolerance - mean) / sd);
        let far = tolerance + 10.0 * sd;
        // both conditions of a side grow with the mean
        let side = threshold(far, |mean| {
            inside(mean) < a.side_outside_probability
                && normal_cdf(mean / sd) >= a.side_sign_probability
        });
        let neutral = (inside(0.0) >= a.neutral_probability)
            .then(|| threshold(far, |mean| inside(mean) < a.neutral_probability));
        Self { side, neutral }
    }
}

/// Smallest value from 0 to `far` for which `holds`, which is false below and true above.
fn threshold(far: f64, holds: impl Fn(f64) -> bool) -> f64 {
    let (mut low, mut high) = (0.0, far);
    for _ in 0..HALVINGS {
        let middle = f64::midpoint(low, high);
        if holds(middle) {
            high = middle;
        } else {
            low = middle;
        }
    }
    high
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sharp_reading_calls_at_the_tolerance() {
        let a = Assumptions::embedded().expect("assumptions");
        let sharp = Thresholds::of(1.0, 50.0, &a);
        assert!((sharp.side - 50.0).abs() < 1e-6);
        // one-sided 90 % point of the normal: 1.281552 (any table)
        assert!((sharp.neutral.expect("neutral") - (50.0 - 1.281_552)).abs() < 1e-4);
        // with a wide posterior the sign decides, 1.644854 sd, and neutral can't be shown
        let wide = Thresholds::of(100.0, 50.0, &a);
        assert!((wide.side - 164.485_4).abs() < 1e-3 && wide.neutral.is_none());
    }

    #[test]
    fn precision_follows_the_root_of_the_number() {
        let a = Assumptions::embedded().expect("assumptions");
        let sampling = |pairs| variances(pairs, 3, 30.0, 1.0, &a).0 - 2.0 * 100.0 / 3.0;
        assert!((sampling(4) / sampling(16) - 4.0).abs() < 1e-9);
        // never better than the arrows' own differences
        assert!(variances(10_000, 3, 30.0, 1.0, &a).1 > 2.0 * 100.0 / 3.0);
    }
}

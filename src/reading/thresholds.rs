//! The rule of the calls inverted, for looking ahead: the posterior mean from which a side is called, and up to which neutral is.

use super::Assumptions;
use crate::math::normal_cdf;

/// Halvings of a threshold: far below a millimetre.
const BISECTION_ITERATIONS: u32 = 60;

/// What a normal posterior of one sd is called, by its mean.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Thresholds {
    /// A side from this mean on, mm.
    pub(crate) side: f64,
    /// Neutral up to this mean, mm; `None` if it can't be shown at all.
    pub(crate) neutral: Option<f64>,
}

/// Probability of each call.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct CallProbabilities {
    /// The side of positive offsets.
    pub(crate) positive: f64,
    /// The other side.
    pub(crate) negative: f64,
    /// Neutral.
    pub(crate) neutral: f64,
}

impl Thresholds {
    /// For a posterior of this sd after so many shots of each kind.
    pub(crate) fn of(sd: f64, shots: f64, tolerance: f64, assumptions: &Assumptions) -> Self {
        let neutral_from = assumptions.neutral_from(shots);
        let odds = assumptions.side_odds;
        let inside =
            |mean: f64| normal_cdf((tolerance - mean) / sd) - normal_cdf((-tolerance - mean) / sd);
        let far = tolerance + 10.0 * sd;
        // both conditions of a side grow with the mean
        let side = threshold(far, |mean| {
            1.0 - inside(mean) > assumptions.side_outside_probability
                && normal_cdf((mean - tolerance) / sd) >= odds * normal_cdf(-mean / sd)
        });
        let neutral = (inside(0.0) >= neutral_from)
            .then(|| threshold(far, |mean| inside(mean) < neutral_from));
        Self { side, neutral }
    }

    /// Probability of each call when the mean will be normal about `mean` with this sd.
    pub(crate) fn call_probabilities(&self, mean: f64, sd: f64) -> CallProbabilities {
        CallProbabilities {
            positive: 1.0 - normal_cdf((self.side - mean) / sd),
            negative: normal_cdf((-self.side - mean) / sd),
            neutral: self.neutral.map_or(0.0, |limit| {
                normal_cdf((limit - mean) / sd) - normal_cdf((-limit - mean) / sd)
            }),
        }
    }
}

/// Smallest value from 0 to `far` for which `holds`, which is false below and true above.
fn threshold(far: f64, holds: impl Fn(f64) -> bool) -> f64 {
    let (mut low, mut high) = (0.0, far);
    for _ in 0..BISECTION_ITERATIONS {
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
        let mut a = Assumptions::embedded().unwrap();
        a.side_odds = 8.0;
        a.neutral_probability = vec![[3.0, 0.95], [5.0, 0.9]];
        let sharp = Thresholds::of(1.0, 6.0, 50.0, &a);
        assert!((sharp.side - 50.0).abs() < 1e-6);
        // one-sided 90 % point of the normal: 1.281552 (any table)
        assert!((sharp.neutral.unwrap() - (50.0 - 1.281_552)).abs() < 1e-4);
        // with a wide posterior the odds decide, 1 − Φ(0.5 − m) = 8 Φ(−m) (bisection in Python), and neutral can't be shown
        let wide = Thresholds::of(100.0, 6.0, 50.0, &a);
        assert!((wide.side - 129.1767).abs() < 1e-3 && wide.neutral.is_none());
        // with few shots more is asked: the 92.5 % point between the rows, 95 % before the first
        for (shots, point) in [(4.0, 1.439_531), (2.0, 1.644_854)] {
            let few = Thresholds::of(1.0, shots, 50.0, &a);
            assert!((few.neutral.unwrap() - (50.0 - point)).abs() < 1e-4);
        }
        let p = sharp.call_probabilities(50.0, 3.0);
        assert!((p.positive - 0.5).abs() < 1e-6 && p.negative < 1e-9);
    }
}

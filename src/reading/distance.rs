//! How a reading at one distance speaks about 30 m.

use super::Assumptions;
use crate::math::normal_cdf;

/// Distance to which offsets are projected where distances are compared, m: that of the assumptions.
pub const REFERENCE_DISTANCE_M: f64 = 30.0;

/// Shortest and longest distance that is taken as given, m: anything else is a slip. Wider than what a session may state
/// (`calibration/setting-ranges.json`): records also come from elsewhere.
const SHOT_FROM_M: std::ops::RangeInclusive<f64> = 1.0..=300.0;

/// The distance if it is one that people shoot from; anything else counts as not stated.
#[must_use]
pub fn plausible_distance(distance_m: Option<f64>) -> Option<f64> {
    distance_m.filter(|distance| SHOT_FROM_M.contains(distance))
}

impl Assumptions {
    /// Whether a reading from this distance counts as one from the reference distance (30 yards do for 30 m).
    #[must_use]
    pub fn is_full_distance(&self, distance_m: f64) -> bool {
        distance_m >= self.full_distance_m
    }

    /// Mean and mean square of the factor by which an offset grows when the distance grows by `ratio`.
    ///
    /// The factor is ratio^p, p = least + |N(0, sd²)|: the bare shaft flies on at the angle at which it left, so that its offset
    /// grows at least in proportion to the distance, and how much more hangs on its yaw rate. With l = ln(ratio) and the moment
    /// generating function of the half-normal, E = 2 e^{least·l + sd²l²/2} Φ(sd·l), and E₂ the same at 2l.
    #[must_use]
    pub(crate) fn growth(&self, ratio: f64) -> [f64; 2] {
        let [least, sd] = self.growth_power;
        let moment = |l: f64| 2.0 * (least * l + sd * sd * l * l / 2.0).exp() * normal_cdf(sd * l);
        let l = ratio.ln();
        [moment(l), moment(2.0 * l)]
    }

    /// What an offset known as a normal of this mean and variance at a distance is at 30 m: (mean, variance), mm, mm².
    ///
    /// From short distances by the growth of `calibration/reading.json`: the mean becomes m·E and the variance V·E₂ + m²(E₂ − E²). From 27 m on
    /// lengths are proportional to the distance. A distance nobody shoots from says nothing: the variance is infinite.
    #[must_use]
    pub fn at_30m(&self, mean_mm: f64, variance_mm2: f64, distance_m: f64) -> (f64, f64) {
        let Some(distance) = plausible_distance(Some(distance_m)) else {
            return (0.0, f64::INFINITY);
        };
        let factor = self.reference_distance_m / distance;
        if self.is_full_distance(distance) {
            return (mean_mm * factor, variance_mm2 * factor * factor);
        }
        let [first, second] = self.growth(factor);
        (
            mean_mm * first,
            variance_mm2 * second + mean_mm * mean_mm * (second - first * first),
        )
    }
}

/// [`Assumptions::at_30m`] with the assumptions that come with the program.
#[must_use]
pub fn at_30m(mean_mm: f64, variance_mm2: f64, distance_m: f64) -> (f64, f64) {
    Assumptions::embedded().map_or((0.0, f64::INFINITY), |assumptions| {
        assumptions.at_30m(mean_mm, variance_mm2, distance_m)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_assumptions_are_made_for_the_reference_distance() {
        let stated = Assumptions::embedded().unwrap().reference_distance_m;
        assert!((stated - REFERENCE_DISTANCE_M).abs() < f64::EPSILON);
    }

    /// A thousand equal parts of the half-normal, summed.
    #[test]
    fn from_18_m_the_factor_is_that_of_the_mixture() {
        let n = 1000;
        let part = |i: i32| (f64::from(i) + 0.5) / f64::from(n) * 6.0;
        let density = |z: f64| (-z * z / 2.0).exp();
        let whole: f64 = (0..n).map(|i| density(part(i))).sum();
        let sum = |power: f64| -> f64 {
            let factor = |z: f64| (30.0f64 / 18.0).powf(power * (1.0 + 0.5 * z));
            (0..n)
                .map(|i| density(part(i)) * factor(part(i)))
                .sum::<f64>()
                / whole
        };
        let (mean, variance) = at_30m(100.0, 0.0, 18.0);
        assert!((mean / 100.0 - sum(1.0)).abs() < 1e-3, "{mean}");
        let expected = sum(2.0) - sum(1.0) * sum(1.0);
        assert!((variance / 1e4 - expected).abs() < 1e-3, "{variance}");
        assert!(mean > 100.0 * 30.0 / 18.0, "no less than in proportion");
    }

    #[test]
    fn from_27_m_on_lengths_are_proportional() {
        for distance in [27.0, 27.432, 30.0, 50.0, 70.0] {
            let (mean, variance) = at_30m(distance, distance * distance, distance);
            assert!((mean - 30.0).abs() < 1e-9 && (variance - 900.0).abs() < 1e-6);
        }
    }

    #[test]
    fn a_distance_nobody_shoots_from_tells_nothing() {
        for distance in [0.0, -5.0, f64::NAN, f64::INFINITY, 1e9] {
            assert!(at_30m(50.0, 9.0, distance).1.is_infinite());
        }
    }
}

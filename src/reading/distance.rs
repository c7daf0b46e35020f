//! How a reading at one distance speaks about 30 m.

use super::Assumptions;

/// Shortest and longest distance that is taken as told, m: anything else is a slip.
const SHOT_FROM_M: std::ops::RangeInclusive<f64> = 1.0..=300.0;

/// The distance if it is one that people shoot from.
#[must_use]
pub(super) fn usable(distance_m: Option<f64>) -> Option<f64> {
    distance_m.filter(|distance| SHOT_FROM_M.contains(distance))
}

impl Assumptions {
    /// Whether a reading from this distance counts as one from the reference distance (30 yards do for 30 m).
    #[must_use]
    pub fn is_full_distance(&self, distance_m: f64) -> bool {
        distance_m >= self.full_distance_m
    }

    /// What an offset known as a normal of this mean and variance at a distance is at 30 m: (mean, variance), mm, mm².
    ///
    /// From short distances offset(30) = offset(D)·(30/D)^p with p ~ N(1.1, 1.0²): a vaneless shaft is close to neutrally
    /// stable, so how its offset grows hangs on its yaw rate. With l = ln(30/D) the factor's moments are those of a
    /// lognormal, E = e^{1.1 l + l²/2} and E₂ = e^{2.2 l + 2 l²}; the mean becomes m·E and the variance
    /// V·E₂ + m²(E₂ − E²). From 27 m on lengths are proportional to the distance. A distance nobody shoots from tells
    /// nothing: the variance is infinite.
    #[must_use]
    pub fn at_30m(&self, mean_mm: f64, variance_mm2: f64, distance_m: f64) -> (f64, f64) {
        let Some(distance) = usable(Some(distance_m)) else {
            return (0.0, f64::INFINITY);
        };
        let factor = self.reference_distance_m / distance;
        if self.is_full_distance(distance) {
            return (mean_mm * factor, variance_mm2 * factor * factor);
        }
        let l = factor.ln();
        let [power, sd] = self.growth_power;
        let spread = sd * sd * l * l;
        let first = (power * l + spread / 2.0).exp();
        let second = (2.0 * power * l + 2.0 * spread).exp();
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
    fn from_18_m_the_median_factor_is_1_75() {
        // (30/18)^1.1 = 1.754; the mean of the lognormal is e^{l²/2} higher
        let l = (30.0f64 / 18.0).ln();
        let (mean, variance) = at_30m(100.0, 0.0, 18.0);
        assert!((mean - 175.4 * (l * l / 2.0).exp()).abs() < 0.1, "{mean}");
        // the sd of a lognormal is its mean times √(e^{l²} − 1)
        let sd = mean * ((l * l).exp() - 1.0).sqrt();
        assert!((variance.sqrt() - sd).abs() < 1e-9);
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

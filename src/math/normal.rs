//! The normal distribution.

use statrs::function::erf::erfc;

/// Φ(z), the probability that a standard normal lies below `z`.
#[must_use]
pub fn normal_cdf(z: f64) -> f64 {
    0.5 * erfc(-z * std::f64::consts::FRAC_1_SQRT_2)
}

/// A normal distribution.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Normal {
    /// Its mean.
    pub mean: f64,
    /// Its standard deviation.
    pub sd: f64,
}

impl Normal {
    /// P(|x| ≤ `limit`).
    #[must_use]
    pub fn within(self, limit: f64) -> f64 {
        normal_cdf((limit - self.mean) / self.sd) - normal_cdf((-limit - self.mean) / self.sd)
    }

    /// Probability of the side on which the mean lies.
    #[must_use]
    pub fn p_side(self) -> f64 {
        normal_cdf(self.mean.abs() / self.sd)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_sided_95_percent() {
        // standard normal quantile 0.975: 1.959964 (any table)
        let x = Normal { mean: 0.0, sd: 2.0 };
        assert!((x.within(2.0 * 1.959_964) - 0.95).abs() < 1e-6);
        let y = Normal {
            mean: -3.289_707,
            sd: 2.0,
        };
        assert!((y.p_side() - 0.95).abs() < 1e-6);
    }
}

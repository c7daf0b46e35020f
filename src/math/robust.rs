//! Robust statistics: quantiles, the median absolute deviation, Tukey's biweight.

use super::{count, floor_index};

/// Median absolute deviation of a normal distribution → standard deviation.
pub const SD_FROM_MAD: f64 = 1.4826;

/// The quantile `q` (0–1) by linear interpolation between order statistics; NaN when empty. Sorts its argument.
pub fn quantile(values: &mut [f64], q: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    let Some(last) = values.len().checked_sub(1) else {
        return f64::NAN;
    };
    let at = q.clamp(0.0, 1.0) * count(last);
    let low = floor_index(at).min(last);
    let high = (low + 1).min(last);
    values[low] + (at - count(low)) * (values[high] - values[low])
}

/// The median; NaN when empty. Sorts its argument.
pub fn median(values: &mut [f64]) -> f64 {
    quantile(values, 0.5)
}

/// Robust standard deviation about zero, 1.4826 · median |v|; NaN when empty.
#[must_use]
pub fn robust_sd_about_zero(values: &[f64]) -> f64 {
    let mut size: Vec<f64> = values.iter().map(|v| v.abs()).collect();
    SD_FROM_MAD * median(&mut size)
}

/// Tukey's biweight: weight of a residual given in standard deviations, 0 beyond `c` (4.685 for 95 % efficiency; Beaton
/// and Tukey 1974).
#[must_use]
pub fn tukey_weight(residual: f64, c: f64) -> f64 {
    let u = residual / c;
    if u.abs() >= 1.0 {
        0.0
    } else {
        (1.0 - u * u).powi(2)
    }
}

/// Tukey's biweight: the loss whose weight is [`tukey_weight`], comparable to ½ r² for small residuals.
#[must_use]
pub fn tukey_loss(residual: f64, c: f64) -> f64 {
    let u = (residual / c).abs().min(1.0);
    c * c / 6.0 * (1.0 - (1.0 - u * u).powi(3))
}

/// Tukey's tuning constant for 95 % efficiency on normal errors.
pub const TUKEY_95: f64 = 4.685;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_interpolate() {
        assert!((quantile(&mut [4.0, 1.0, 3.0, 2.0], 0.5) - 2.5).abs() < 1e-12);
        assert!((quantile(&mut [1.0, 2.0, 3.0], 0.25) - 1.5).abs() < 1e-12);
        assert!(median(&mut []).is_nan());
    }

    #[test]
    fn weight_is_the_slope_of_the_loss() {
        for r in [-4.0, -0.3, 0.7, 2.5, 4.6, 9.0] {
            let slope = (tukey_loss(r + 1e-6, TUKEY_95) - tukey_loss(r - 1e-6, TUKEY_95)) / 2e-6;
            assert!((slope - r * tukey_weight(r, TUKEY_95)).abs() < 1e-6);
        }
    }
}

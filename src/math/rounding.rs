//! Rounding and saturating conversions between numbers.

/// Rounds to `digits` decimals and never returns −0, so that written numbers are the same on every run.
#[must_use]
pub fn rounded(value: f64, digits: i32) -> f64 {
    let scale = 10f64.powi(digits);
    (value * scale).round() / scale + 0.0
}

/// The whole number nearest below, as an index; negative and NaN become 0, too large the largest.
#[must_use]
#[inline]
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "saturating is what is wanted"
)]
pub fn floor_index(value: f64) -> usize {
    // the cast cuts off the fraction and saturates, which for an index is the floor
    value as usize
}

/// A whole number that is no larger, for values from 0 to 2³¹.
#[must_use]
#[inline]
#[expect(
    clippy::cast_possible_truncation,
    reason = "saturating is what is wanted"
)]
pub fn floor_i32(value: f64) -> i32 {
    value as i32
}

/// The nearest whole number; NaN becomes 0, out of range the nearest limit.
#[must_use]
#[inline]
#[expect(
    clippy::cast_possible_truncation,
    reason = "saturating is what is wanted"
)]
pub fn round_i64(value: f64) -> i64 {
    value.round() as i64
}

/// A byte from a value on the 0–255 scale, rounded and kept in range.
#[must_use]
#[inline]
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "saturating is what is wanted"
)]
pub fn byte(value: f32) -> u8 {
    // the cast cuts off the fraction and saturates; without a call of a rounding function, of which there are millions a photo
    (value + 0.5) as u8
}

/// The nearest single-precision number.
#[must_use]
#[inline]
#[expect(
    clippy::cast_possible_truncation,
    reason = "rounding is what is wanted"
)]
pub fn single(value: f64) -> f32 {
    value as f32
}

/// A count as a number (exact up to 2⁵³).
#[must_use]
#[inline]
#[expect(
    clippy::cast_precision_loss,
    reason = "counts here stay far below 2^53"
)]
pub fn count(n: usize) -> f64 {
    n as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounding_has_no_negative_zero() {
        assert_eq!(rounded(-0.0001, 3).to_bits(), 0f64.to_bits());
        assert!((rounded(1.23456, 3) - 1.235).abs() < 1e-12);
    }
}

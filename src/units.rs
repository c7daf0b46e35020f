//! Points with their frame in the type, and the few conversions the road needs.
//!
//! Two frames exist. *Picture*: pixels of the upright photo, the origin at the **centre** of the top-left pixel, x right,
//! y down. *Face*: millimetres on the face plane, the origin at the face's centre (three-spot: the middle of the spots),
//! x to the right and y up as the archer sees the face; z, where it appears, points from the face to the archer.

use nalgebra::Vector3;

/// Millimetres in an inch (exact, international inch of 1959).
pub const MM_PER_INCH: f64 = 25.4;

/// A point of the upright photo in pixels: (0, 0) is the centre of the top-left pixel, x right, y down.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ImagePoint {
    /// To the right, px.
    pub x: f64,
    /// Down, px.
    pub y: f64,
}

impl ImagePoint {
    /// A point at `x`, `y` pixels.
    #[must_use]
    pub const fn new(x: f64, y: f64) -> Self {
        Self { x, y }
    }

    /// Distance to another point of the picture, px.
    #[must_use]
    pub fn distance(self, other: Self) -> f64 {
        (self.x - other.x).hypot(self.y - other.y)
    }

    /// The same place in a copy of the picture reduced by `factor` (2 = half the width). Pixel centres sit at whole
    /// numbers in both, so the half pixel moves: x' = (x + ½)/factor − ½.
    #[must_use]
    pub fn reduced(self, factor: f64) -> Self {
        Self::new((self.x + 0.5) / factor - 0.5, (self.y + 0.5) / factor - 0.5)
    }

    /// The inverse of [`reduced`](Self::reduced): from a copy reduced by `factor` to the full picture.
    #[must_use]
    pub fn enlarged(self, factor: f64) -> Self {
        Self::new((self.x + 0.5) * factor - 0.5, (self.y + 0.5) * factor - 0.5)
    }
}

/// A point of the face plane in millimetres: origin at the face's centre, x right, y up as the archer sees the face.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct FacePoint {
    /// To the right, mm.
    pub x: f64,
    /// Up, mm.
    pub y: f64,
}

impl FacePoint {
    /// A point at `x`, `y` millimetres.
    #[must_use]
    pub const fn new(x: f64, y: f64) -> Self {
        Self { x, y }
    }

    /// Distance to another point of the face, mm.
    #[must_use]
    pub fn distance(self, other: Self) -> f64 {
        (self.x - other.x).hypot(self.y - other.y)
    }

    /// The same point in space, `z` mm in front of the face plane.
    #[must_use]
    pub fn at_height(self, z: f64) -> Vector3<f64> {
        Vector3::new(self.x, self.y, z)
    }
}

/// Rounds to `digits` decimals and never returns −0, so that written numbers are the same on every run.
#[must_use]
pub fn rounded(value: f64, digits: i32) -> f64 {
    let scale = 10f64.powi(digits);
    (value * scale).round() / scale + 0.0
}

/// The whole number nearest below, as an index; negative and NaN become 0, too large the largest.
#[must_use]
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "saturating is what is wanted"
)]
pub fn floor_index(value: f64) -> usize {
    // the cast cuts off the fraction and saturates, which for an index is the floor
    value as usize
}

/// The nearest whole number; NaN becomes 0, out of range the nearest limit.
#[must_use]
#[expect(
    clippy::cast_possible_truncation,
    reason = "saturating is what is wanted"
)]
pub fn round_i64(value: f64) -> i64 {
    value.round() as i64
}

/// A byte from a value on the 0–255 scale, rounded and kept in range.
#[must_use]
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
#[expect(
    clippy::cast_possible_truncation,
    reason = "rounding is what is wanted"
)]
pub(crate) fn single(value: f64) -> f32 {
    value as f32
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reducing_keeps_the_place() {
        // the centre of a 4 px wide picture (1.5) is the centre of its 2 px wide copy (0.5)
        let half = ImagePoint::new(1.5, 3.5).reduced(2.0);
        assert_eq!(half, ImagePoint::new(0.5, 1.5));
        assert_eq!(half.enlarged(2.0), ImagePoint::new(1.5, 3.5));
    }

    #[test]
    fn rounding_has_no_negative_zero() {
        assert_eq!(rounded(-0.0001, 3).to_bits(), 0f64.to_bits());
        assert!((rounded(1.23456, 3) - 1.235).abs() < 1e-12);
    }
}

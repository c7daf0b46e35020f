//! Points with their frame in the type.
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
}

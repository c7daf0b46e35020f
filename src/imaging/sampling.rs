//! Reading a picture between its pixels.

use super::LINEAR_FROM_BYTE;
use crate::geometry::ImagePoint;
use crate::math::{count, floor_index, single};
use image::RgbImage;

/// The four pixels around a place, for bilinear interpolation.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Neighbours {
    /// Indices, row after row: above left, above right, below left, below right.
    pixels: [usize; 4],
    /// How far the place lies to the right of the first and below it, 0–1.
    fraction: [f32; 2],
}

impl Neighbours {
    /// Around a place of a picture of that size, px; `None` where one of the four lies outside.
    pub(crate) fn of(width: usize, height: usize, p: ImagePoint) -> Option<Self> {
        if !(p.x >= 0.0 && p.y >= 0.0) {
            return None;
        }
        let (x, y) = (floor_index(p.x), floor_index(p.y));
        // a direction that grazes the plane is seen infinitely far away
        if x.checked_add(1)? >= width || y.checked_add(1)? >= height {
            return None;
        }
        let first = y * width + x;
        Some(Self {
            pixels: [first, first + 1, first + width, first + width + 1],
            fraction: [single(p.x - count(x)), single(p.y - count(y))],
        })
    }

    /// The interpolated value, from the value of the pixel at an index.
    pub(crate) fn blend(&self, value: impl Fn(usize) -> f32) -> f32 {
        let [a, b, c, d] = self.pixels.map(value);
        let [right, down] = self.fraction;
        let (above, below) = (a + right * (b - a), c + right * (d - c));
        above + down * (below - above)
    }

    /// The same for each channel of an 8-bit picture with three of them, whose bytes may be looked up in a table.
    pub(crate) fn blend_rgb(&self, raw: &[u8], level: impl Fn(u8) -> f32) -> [f32; 3] {
        [0, 1, 2].map(|k| self.blend(|i| level(raw[3 * i + k])))
    }
}

/// Red, green and blue of a place in linear light, 0–1; `None` outside the picture.
pub(crate) fn linear_light(pixels: &RgbImage, p: ImagePoint) -> Option<[f32; 3]> {
    let around = Neighbours::of(pixels.width() as usize, pixels.height() as usize, p)?;
    let table = &*LINEAR_FROM_BYTE;
    Some(around.blend_rgb(pixels.as_raw(), |v| table[usize::from(v)]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::Rgb;

    #[test]
    fn samples_are_linear_light_between_pixel_centres() {
        let p = RgbImage::from_fn(2, 2, |x, _| Rgb([if x == 0 { 0 } else { 255 }; 3]));
        assert!((linear_light(&p, ImagePoint::new(0.25, 0.5)).unwrap()[0] - 0.25).abs() < 1e-6);
        for away in [1.2, 1e30, f64::INFINITY, f64::NAN] {
            assert!(linear_light(&p, ImagePoint::new(away, 0.0)).is_none());
            assert!(linear_light(&p, ImagePoint::new(0.0, away)).is_none());
        }
    }
}

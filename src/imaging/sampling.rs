//! Reading a picture between its pixels.

use super::LINEAR_FROM_BYTE;
use crate::geometry::ImagePoint;
use crate::math::{count, floor_i32, single};
use image::RgbImage;

/// The four pixels around a place, for bilinear interpolation.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Neighbours {
    /// Index of the one above and to the left.
    first: usize,
    /// Pixels of a row.
    width: usize,
    /// How far the place lies to the right of the first and below it, 0–1.
    fraction: [f32; 2],
}

impl Neighbours {
    /// Around a place of a picture of that size, px; `None` where one of the four lies outside.
    #[inline(always)]
    pub(crate) fn of(width: usize, height: usize, p: ImagePoint) -> Option<Self> {
        let (last_x, last_y) = (count(width) - 1.0, count(height) - 1.0);
        if !(p.x >= 0.0 && p.y >= 0.0 && p.x < last_x && p.y < last_y) {
            return None;
        }
        let (x, y) = (floor_i32(p.x), floor_i32(p.y));
        Some(Self {
            first: y.unsigned_abs() as usize * width + x.unsigned_abs() as usize,
            width,
            fraction: [single(p.x - f64::from(x)), single(p.y - f64::from(y))],
        })
    }

    /// The interpolated value, from the value of the pixel at an index.
    #[inline]
    pub(crate) fn blend(&self, value: impl Fn(usize) -> f32) -> f32 {
        let (above, below) = (self.first, self.first + self.width);
        self.between(
            [value(above), value(above + 1)],
            [value(below), value(below + 1)],
        )
    }

    #[inline(always)]
    fn between(&self, [a, b]: [f32; 2], [c, d]: [f32; 2]) -> f32 {
        let [right, down] = self.fraction;
        let (above, below) = (a + right * (b - a), c + right * (d - c));
        above + down * (below - above)
    }

    /// The four pixels of an 8-bit picture with three channels: the upper two, then the lower two.
    #[inline]
    pub(crate) fn rgb<'a>(&self, raw: &'a [u8]) -> [&'a [u8; 6]; 2] {
        [self.first, self.first + self.width].map(|at| {
            let two = raw.get(3 * at..).and_then(|r| r.first_chunk());
            two.unwrap_or(&[0; 6])
        })
    }

    /// The interpolated value of each channel of an 8-bit picture with three of them, 0–255.
    #[inline(always)]
    pub(crate) fn blend_bytes(&self, raw: &[u8]) -> [f32; 3] {
        /// Bytes of two neighbouring pixels, and one more: a fourth number makes vectors of the three channels.
        const TWO_PIXELS: usize = 7;
        let (above, below) = (3 * self.first, 3 * (self.first + self.width));
        let (Some(above), Some(below)) = (
            raw.get(above..above + TWO_PIXELS),
            raw.get(below..below + TWO_PIXELS),
        ) else {
            // the last pixel has nothing behind it
            return self.blend_rgb(raw, f32::from);
        };
        let mut blended = [0.0; 4];
        for (k, value) in blended.iter_mut().enumerate() {
            *value = self.between(
                [f32::from(above[k]), f32::from(above[k + 3])],
                [f32::from(below[k]), f32::from(below[k + 3])],
            );
        }
        let [red, green, blue, _] = blended;
        [red, green, blue]
    }

    /// The interpolated value of each channel of an 8-bit picture with three of them, whose bytes may be looked up in a table.
    #[inline]
    pub(crate) fn blend_rgb(&self, raw: &[u8], level: impl Fn(u8) -> f32) -> [f32; 3] {
        let [a, b] = self.rgb(raw);
        let channel = |k: usize| {
            self.between(
                [level(a[k]), level(a[k + 3])],
                [level(b[k]), level(b[k + 3])],
            )
        };
        [channel(0), channel(1), channel(2)]
    }
}

/// Red, green and blue of a place in linear light, 0–1; `None` outside the picture.
#[inline]
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

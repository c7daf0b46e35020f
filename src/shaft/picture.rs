//! The photo at the resolution that the shaft search works at, and reading colours between its pixels.

use super::lanes;
use crate::geometry::ImagePoint;
use crate::geometry::camera::Lens;
use crate::imaging::Neighbours;
use crate::math::{byte, floor_index, single};
use fearless_simd::dispatch;
use image::RgbImage;
use rayon::prelude::*;
use std::borrow::Cow;

/// A colour, 0–255 per channel, red, green, blue.
pub(crate) type Colour = [f32; 3];

/// A copy of the photo, area-averaged to fewer pixels. Places are still given in pixels of the full photo.
pub(crate) struct ReducedPhoto<'a> {
    width: usize,
    height: usize,
    /// Pixels of the copy per full pixel.
    share: (f64, f64),
    data: Cow<'a, [u8]>,
}

/// Share of every input pixel that falls into an output pixel: first input, weights that add to 1.
fn shares(from: usize, to: usize) -> Vec<(usize, Vec<f32>)> {
    let (n, m) = (
        f64::from(u32::try_from(from).unwrap_or(u32::MAX)),
        f64::from(u32::try_from(to).unwrap_or(u32::MAX)),
    );
    let step = n / m;
    (0..u32::try_from(to).unwrap_or(u32::MAX))
        .map(|k| {
            let (a, b) = (f64::from(k) * step, (f64::from(k + 1) * step).min(n));
            let first = floor_index(a).min(from - 1);
            let last = floor_index((b - 1e-9).max(a)).min(from - 1);
            let weight = |i: usize| {
                let i = f64::from(u32::try_from(i).unwrap_or(u32::MAX));
                single((b.min(i + 1.0) - a.max(i)).max(0.0) / (b - a))
            };
            (first, (first..=last).map(weight).collect())
        })
        .collect()
}

/// Adds a row times its weight.
#[inline(always)]
fn add(row: &[u8], weight: f32, sums: &mut [f32]) {
    for (s, &v) in sums.iter_mut().zip(row) {
        *s += weight * f32::from(v);
    }
}

impl<'a> ReducedPhoto<'a> {
    /// A copy with some `factor` times fewer pixels along each side (never more pixels than the photo).
    pub(crate) fn new(photo: &'a RgbImage, factor: f64) -> Self {
        let (w, h) = (photo.width() as usize, photo.height() as usize);
        let size = |n: usize| floor_index((n as f64 / factor.max(1.0)).round()).clamp(1, n.max(1));
        let (width, height) = if factor > 1.05 {
            (size(w), size(h))
        } else {
            (w, h)
        };
        let ratio = |a: usize, b: usize| a as f64 / b.max(1) as f64;
        if w == 0 || h == 0 || (width, height) == (w, h) {
            return Self {
                width: w,
                height: h,
                share: (1.0, 1.0),
                data: Cow::Borrowed(photo.as_raw()),
            };
        }
        let (columns, rows) = (shares(w, width), shares(h, height));
        let raw = photo.as_raw();
        let mut data = vec![0u8; width * height * 3];
        let level = lanes::level();
        data.par_chunks_exact_mut(width * 3)
            .zip(&rows)
            .for_each(|(out, (first, weights))| {
                let mut sums = vec![0f32; w * 3];
                for (row, &weight) in raw[first * w * 3..].chunks_exact(w * 3).zip(weights) {
                    dispatch!(level, _simd => add(row, weight, &mut sums));
                }
                for (pixel, (first, weights)) in out.chunks_exact_mut(3).zip(&columns) {
                    let mut colour = [0f32; 3];
                    for (c, weight) in sums[first * 3..].chunks_exact(3).zip(weights) {
                        for (k, v) in colour.iter_mut().enumerate() {
                            *v += weight * c[k];
                        }
                    }
                    for (p, v) in pixel.iter_mut().zip(colour) {
                        *p = byte(v);
                    }
                }
            });
        Self {
            width,
            height,
            share: (ratio(width, w), ratio(height, h)),
            data: Cow::Owned(data),
        }
    }

    /// Whether a place of the full photo lies between its pixels' centres.
    pub(crate) fn contains(&self, p: ImagePoint) -> bool {
        let ImagePoint { x, y } = self.place(p);
        x > 0.0 && y > 0.0 && x < self.width as f64 - 1.0 && y < self.height as f64 - 1.0
    }

    /// A place of the full photo as one of the copy.
    #[inline]
    pub(crate) fn place(&self, p: ImagePoint) -> ImagePoint {
        ImagePoint::new(
            (p.x + 0.5) * self.share.0 - 0.5,
            (p.y + 0.5) * self.share.1 - 0.5,
        )
    }

    /// A lens that shows this copy as the photo's own shows the photo: focal lengths across and down, and the principal point.
    pub(crate) fn lens(&self, lens: &Lens) -> ([f64; 2], ImagePoint) {
        let centre = self.place(ImagePoint::new(lens.cx_px, lens.cy_px));
        ([lens.f_px * self.share.0, lens.f_px * self.share.1], centre)
    }

    /// The colour at a place of the full photo, between its pixels by bilinear interpolation; `None` outside.
    #[inline]
    pub(crate) fn colour(&self, p: ImagePoint) -> Option<Colour> {
        self.colour_at(self.place(p))
    }

    /// The colour at a place of the copy, likewise.
    #[inline]
    pub(crate) fn colour_at(&self, p: ImagePoint) -> Option<Colour> {
        let around = Neighbours::of(self.width, self.height, p)?;
        Some(around.blend_rgb(&self.data, f32::from))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_is_seen_far_outside() {
        let photo = RgbImage::from_pixel(40, 30, image::Rgb([200, 100, 50]));
        let small = ReducedPhoto::new(&photo, 2.0);
        assert!(small.colour(ImagePoint::new(20.0, 15.0)).is_some());
        for away in [-1.0, 41.0, 1e30, f64::INFINITY, f64::NAN] {
            assert!(
                small.colour(ImagePoint::new(away, 15.0)).is_none(),
                "{away}"
            );
            assert!(
                small.colour(ImagePoint::new(20.0, away)).is_none(),
                "{away}"
            );
        }
    }
}

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

/// Shares of the input pixels that fall into each output pixel.
struct Shares {
    /// First input pixel of each output pixel.
    first: Vec<usize>,
    /// Weights of it and of those that follow, which add to 1: `most` for each output pixel.
    weights: Vec<f32>,
    most: usize,
}

impl Shares {
    fn new(from: usize, to: usize) -> Self {
        let (n, m) = (from as f64, to as f64);
        let step = n / m;
        let ranges: Vec<(f64, f64, usize, usize)> = (0..to)
            .map(|k| {
                let (a, b) = (k as f64 * step, ((k + 1) as f64 * step).min(n));
                let first = floor_index(a).min(from - 1);
                let last = floor_index((b - 1e-9).max(a)).min(from - 1);
                (a, b, first, last)
            })
            .collect();
        let most = ranges.iter().map(|(_, _, first, last)| last + 1 - first);
        let most = most.max().unwrap_or(1);
        let (mut firsts, mut weights) = (Vec::with_capacity(to), Vec::with_capacity(most * to));
        for (a, b, first, last) in ranges {
            // the same number of pixels for all: those before and behind have no weight
            let from = first.min(from - most);
            firsts.push(from);
            weights.extend((from..from + most).map(|i| {
                let weight = single((b.min(i as f64 + 1.0) - a.max(i as f64)).max(0.0) / (b - a));
                if (first..=last).contains(&i) {
                    weight
                } else {
                    0.0
                }
            }));
        }
        Self {
            first: firsts,
            weights,
            most,
        }
    }

    /// The first input pixel of each output pixel, with the weights.
    fn iter(&self) -> impl Iterator<Item = (usize, &[f32])> {
        let first = self.first.iter().copied();
        first.zip(self.weights.chunks_exact(self.most))
    }

    /// The output pixels of a row of sums: red, green, blue of each input pixel, and one number more.
    #[inline(always)]
    fn reduce(&self, sums: &[f32], out: &mut [u8]) {
        let (pixels, _) = out.as_chunks_mut::<3>();
        for (pixel, (first, weights)) in pixels.iter_mut().zip(self.iter()) {
            let mut colour = [0f32; 4];
            let inputs = &sums[3 * first..3 * (first + weights.len()) + 1];
            for (i, weight) in weights.iter().enumerate() {
                // a fourth number makes vectors of the three colours
                for (sum, v) in colour.iter_mut().zip(&inputs[3 * i..3 * i + 4]) {
                    *sum += weight * v;
                }
            }
            for (p, v) in pixel.iter_mut().zip(colour) {
                *p = byte(v);
            }
        }
    }
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
        let (columns, rows) = (Shares::new(w, width), Shares::new(h, height));
        let rows: Vec<(usize, &[f32])> = rows.iter().collect();
        let raw = photo.as_raw();
        let mut data = vec![0u8; width * height * 3];
        let level = lanes::level();
        data.par_chunks_exact_mut(width * 3)
            .zip(&rows)
            .for_each_init(
                || vec![0f32; w * 3 + 1],
                |sums, (out, (first, weights))| {
                    sums.fill(0.0);
                    dispatch!(level, _simd => {
                        for (row, &weight) in raw[first * w * 3..].chunks_exact(w * 3).zip(*weights) {
                            add(row, weight, sums);
                        }
                        columns.reduce(sums, out);
                    });
                },
            );
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

    /// The colour at a place of the copy, likewise. Inlined, so that it is compiled for the vectors of the function that asks.
    #[inline(always)]
    pub(crate) fn colour_at(&self, p: ImagePoint) -> Option<Colour> {
        let around = Neighbours::of(self.width, self.height, p)?;
        Some(around.blend_bytes(&self.data))
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

//! Copies of the photo at half the size, a quarter, an eighth: soft edges and large deformations are measured on the copy on
//! which they are a few pixels wide.

use crate::geometry::ImagePoint;
use crate::geometry::camera::{Camera, Lens};
use image::RgbImage;
use std::sync::OnceLock;

/// Number of copies, the photo itself counted.
pub(crate) const LEVELS: usize = 5;

/// The photo and its reduced copies, each made when it is first asked for.
pub(crate) struct Pyramid<'a> {
    full: &'a RgbImage,
    reduced: [OnceLock<RgbImage>; LEVELS - 1],
}

impl<'a> Pyramid<'a> {
    pub(crate) const fn new(full: &'a RgbImage) -> Self {
        Self {
            full,
            reduced: [const { OnceLock::new() }; LEVELS - 1],
        }
    }

    /// The copy at level `k`: reduced by 2ᵏ each way.
    pub(crate) fn level(&self, k: usize) -> &RgbImage {
        match k.min(LEVELS - 1).checked_sub(1) {
            None => self.full,
            Some(below) => self.reduced[below].get_or_init(|| halved(self.level(below))),
        }
    }
}

/// Pixels of the photo per pixel at level `k`, each way.
pub(crate) fn factor(k: usize) -> f64 {
    f64::from(1u32 << k.min(LEVELS - 1))
}

/// The camera as it sees the copy at level `k`.
pub(crate) fn camera_at(camera: &Camera, k: usize) -> Camera {
    let (lens, n) = (camera.lens, factor(k));
    let centre = ImagePoint::new(lens.cx_px, lens.cy_px).enlarged(1.0 / n);
    Camera {
        lens: Lens {
            f_px: lens.f_px / n,
            cx_px: centre.x,
            cy_px: centre.y,
            ..lens
        },
        ..*camera
    }
}

/// The picture at half the size, by means over 2 × 2 pixels; an odd last row or column is left out.
fn halved(pixels: &RgbImage) -> RgbImage {
    let (width, height) = (pixels.width() / 2, pixels.height() / 2);
    let stride = 3 * pixels.width() as usize;
    let mut half = RgbImage::new(width, height);
    let mut sums = vec![0u16; stride];
    let rows = pixels.as_raw().chunks_exact((2 * stride).max(1));
    let halves = half.chunks_exact_mut((3 * width as usize).max(1));
    for (rows, half) in rows.zip(halves) {
        let (above, below) = rows.split_at(stride);
        for ((sum, a), b) in sums.iter_mut().zip(above).zip(below) {
            *sum = u16::from(*a) + u16::from(*b);
        }
        let (cells, _) = sums.as_chunks::<6>();
        for (pixel, cell) in half.as_chunks_mut::<3>().0.iter_mut().zip(cells) {
            for k in 0..3 {
                // at most 255: the lower byte is all of it
                [pixel[k], _] = ((cell[k] + cell[k + 3] + 2) / 4).to_le_bytes();
            }
        }
    }
    half
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::Rgb;

    #[test]
    fn each_level_is_the_mean_of_the_one_below() {
        let full = RgbImage::from_fn(9, 6, |x, y| {
            Rgb([
                u8::try_from(10 * x).expect("small"),
                u8::try_from(20 * y).expect("small"),
                7,
            ])
        });
        let pyramid = Pyramid::new(&full);
        assert_eq!(pyramid.level(1).dimensions(), (4, 3));
        assert_eq!(pyramid.level(1).get_pixel(1, 2), &Rgb([25, 90, 7]));
        assert_eq!(pyramid.level(2).dimensions(), (2, 1));
        assert_eq!(pyramid.level(2).get_pixel(0, 0), &Rgb([15, 30, 7]));
        assert_eq!(pyramid.level(4).dimensions(), (0, 0));
    }

    #[test]
    fn a_reduced_camera_sees_the_same_places() {
        let camera = Camera {
            lens: Lens {
                f_px: 3000.0,
                cx_px: 1999.5,
                cy_px: 1499.5,
                k1: -0.02,
                k2: 0.01,
            },
            pose: crate::geometry::camera::Pose {
                rotation: nalgebra::Matrix3::new(1.0, 0.0, 0.0, 0.0, -1.0, 0.0, 0.0, 0.0, -1.0),
                translation_mm: nalgebra::Vector3::new(100.0, 50.0, 2000.0),
            },
        };
        let at = crate::geometry::FacePoint::new(300.0, -200.0);
        let full = camera.image_from_face(at).expect("in front");
        let reduced = camera_at(&camera, 2).image_from_face(at).expect("in front");
        assert!(reduced.enlarged(factor(2)).distance(full) < 1e-9);
    }
}

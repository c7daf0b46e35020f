//! The printed "+" in the middle of a face, where the picture resolves it: its four arms show the turn but for quarter turns.

use super::print_model::CentreMark;
use super::upright::{Roll, Upright, UprightSource};
use crate::geometry::FacePoint;
use crate::geometry::camera::Camera;
use crate::imaging::{linear_light, luminance};
use crate::math::count;
use image::RgbImage;
use std::f64::consts::TAU;

/// Least length of an arm in the picture, px: below, its two sides run together.
const MIN_ARM_PX: f64 = 5.0;
/// Where darkness is looked at, in lengths of an arm: outside the square in which the arms meet, inside their ends.
const ARM_SHARES: (f64, f64) = (0.4, 0.9);
/// Places along an arm, directions around the middle.
const PLACES: usize = 6;
const DIRECTIONS: usize = 180;
/// What has four arms alike shows in the harmonics 4, 8, …; holes, shafts and noise in these as well.
const NOISE_HARMONICS: [f64; 6] = [1.0, 2.0, 3.0, 5.0, 6.0, 7.0];
/// The fourth harmonic stands out from those by this factor.
const MIN_HARMONIC_RATIO: f64 = 4.0;
/// Least depth of the arms against what is between them, relative to that.
const MIN_DEPTH: f64 = 0.04;

/// The turn (rad, to be added to the camera's roll) of a "+" about the face's centre; `least_sd` is the error that remains
/// however well it is seen.
pub(super) fn upright(
    pixels: &RgbImage,
    camera: &Camera,
    mark: CentreMark,
    least_sd: f64,
) -> Option<Roll> {
    let middle = camera.image_from_face(FacePoint::default())?;
    let ends = [(mark.arm_mm, 0.0), (0.0, mark.arm_mm)];
    for (x, y) in ends {
        let end = camera.image_from_face(FacePoint::new(x, y))?;
        if end.distance(middle) < MIN_ARM_PX {
            return None;
        }
    }
    let mut light = Vec::with_capacity(DIRECTIONS);
    for k in 0..DIRECTIONS {
        let (sin, cos) = (TAU * count(k) / count(DIRECTIONS)).sin_cos();
        let mut sum = 0.0;
        for i in 0..PLACES {
            let share = count(i) / count(PLACES - 1);
            let r = mark.arm_mm * (ARM_SHARES.0 + share * (ARM_SHARES.1 - ARM_SHARES.0));
            let p = camera.image_from_face(FacePoint::new(r * cos, r * sin))?;
            sum += f64::from(luminance(linear_light(pixels, p)?)) / count(PLACES);
        }
        light.push(sum);
    }
    let harmonic = |n: f64| -> (f64, f64) {
        let parts = light.iter().enumerate().map(|(k, l)| {
            let (sin, cos) = (n * TAU * count(k) / count(DIRECTIONS)).sin_cos();
            (l * cos, l * sin)
        });
        let (a, b) = parts.fold((0.0, 0.0), |s, p| (s.0 + p.0, s.1 + p.1));
        (2.0 * a / count(DIRECTIONS), 2.0 * b / count(DIRECTIONS))
    };
    let mean = light.iter().sum::<f64>() / count(DIRECTIONS);
    let (a, b) = harmonic(4.0);
    let size = a.hypot(b);
    let others = NOISE_HARMONICS.map(|n| {
        let (a, b) = harmonic(n);
        a * a + b * b
    });
    let noise = (others.iter().sum::<f64>() / count(NOISE_HARMONICS.len())).sqrt();
    if size < MIN_HARMONIC_RATIO * noise || size < MIN_DEPTH * mean {
        return None;
    }
    // darkest along the arms; the noise of either part of a harmonic is its size over √2
    let turn_rad = (-b).atan2(-a) / 4.0;
    let by_noise = noise / std::f64::consts::SQRT_2 / size / 4.0;
    Some(Roll {
        turn_rad,
        upright: Upright {
            from: UprightSource::CentreMark,
            sd_rad: least_sd.hypot(by_noise),
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::camera::{Lens, Pose};
    use image::Rgb;
    use nalgebra::{Matrix3, Vector3};

    const MARK: CentreMark = CentreMark { arm_mm: 2.0 };
    const SD: f64 = 0.017;

    /// A camera that sees `scale` px per mm, straight on.
    fn camera(scale: f64) -> Camera {
        Camera {
            lens: Lens {
                f_px: 1000.0 * scale,
                cx_px: 40.0,
                cy_px: 40.0,
                k1: 0.0,
                k2: 0.0,
            },
            pose: Pose {
                rotation: Matrix3::new(1.0, 0.0, 0.0, 0.0, -1.0, 0.0, 0.0, 0.0, -1.0),
                translation_mm: Vector3::new(0.0, 0.0, 1000.0),
            },
        }
    }

    /// A "+" of lines 1 mm wide and 4 mm long on yellow, turned counter-clockwise, beside a hole of `hole` mm.
    fn middle(scale: f64, turn: f64, hole: f64) -> RgbImage {
        RgbImage::from_fn(81, 81, |px, py| {
            let mut ink = 0.0f32;
            for i in 0..16u8 {
                let (dx, dy) = (
                    f64::from(i % 4) / 4.0 - 0.375,
                    f64::from(i / 4) / 4.0 - 0.375,
                );
                let x = (f64::from(px) + dx - 40.0) / scale;
                let y = (40.0 - f64::from(py) - dy) / scale;
                let (sin, cos) = turn.sin_cos();
                let (u, v) = (x * cos + y * sin, y * cos - x * sin);
                let arm = |a: f64, b: f64| a.abs() < 2.0 && b.abs() < 0.5;
                let dark = arm(u, v) || arm(v, u) || (x - 1.2).hypot(y - 0.5) < hole;
                ink += if dark { 1.0 / 16.0 } else { 0.0 };
            }
            Rgb([235.0, 200.0, 60.0].map(|c| crate::math::byte(c * (1.0 - 0.8 * ink))))
        })
    }

    #[test]
    fn the_arms_show_the_turn() {
        for turn in [-0.3, -0.05, 0.0, 0.1, 0.4] {
            let roll = upright(&middle(4.0, turn, 0.0), &camera(4.0), MARK, SD).unwrap();
            assert!(
                (roll.turn_rad - turn).abs() < 0.02,
                "{} for {turn}",
                roll.turn_rad
            );
            assert_eq!(roll.upright.from, UprightSource::CentreMark);
            assert!(roll.upright.sd_rad >= SD && roll.upright.sd_rad < 0.06);
        }
    }

    #[test]
    fn what_is_too_small_or_shot_away_shows_nothing() {
        assert!(upright(&middle(2.0, 0.1, 0.0), &camera(2.0), MARK, SD).is_none());
        assert!(upright(&middle(4.0, 0.1, 2.8), &camera(4.0), MARK, SD).is_none());
        let plain = RgbImage::from_pixel(81, 81, Rgb([235, 200, 60]));
        assert!(upright(&plain, &camera(4.0), MARK, SD).is_none());
        // nor does grain
        let grain = RgbImage::from_fn(81, 81, |x, y| {
            Rgb([x * 37 + y * 91, x * 53 + y, y * 71].map(|v| (v % 200).to_le_bytes()[0]))
        });
        assert!(upright(&grain, &camera(4.0), MARK, SD).is_none());
    }
}

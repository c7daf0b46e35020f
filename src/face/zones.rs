//! Whether the zones between the rings have the face's colours.

use super::colour::{log_colour, log_step};
use super::spec::FaceSpec;
use crate::camera::Camera;
use crate::numeric::{count, median};
use crate::units::{FacePoint, floor_index};
use image::RgbImage;
use std::f64::consts::TAU;

/// Places looked at in a zone.
const PLACES: usize = 96;
/// Least part of the step between two zones of different colour that print of full contrast makes.
const LEAST_STEP: f32 = 0.25;
/// Least cosine between the step seen and the step printed.
const LEAST_COSINE: f32 = 0.7;
/// Most that two neighbouring zones of one colour may differ, log colour.
const SAME: f32 = 0.45;
/// Zones narrower than this in the picture are not judged, px.
const NARROW_PX: f64 = 3.0;

/// Number of pairs of neighbouring zones (the paper as the last) that were judged, and of those that don't look as printed.
pub(super) fn wrong_pairs(
    pixels: &RgbImage,
    camera: &Camera,
    spec: &FaceSpec,
    px_per_mm: f64,
    contrast: f32,
) -> (usize, usize) {
    let mut inner = 0.0;
    let mut zones = Vec::new();
    for zone in &spec.zones {
        let wide = (zone.radius_mm() - inner) * px_per_mm >= NARROW_PX;
        let seen = if wide {
            median_colour(pixels, camera, spec, 0.5 * (inner + zone.radius_mm()))
        } else {
            None
        };
        zones.push((zone.colour, seen));
        inner = zone.radius_mm();
    }
    // a trimmed face has no paper outside: only what is printed is judged
    let (mut judged, mut wrong) = (0, 0);
    // shafts and holes crowd the innermost colour: pairs within it say little
    let first = zones.first().map(|z| z.0);
    for pair in zones.windows(2).filter(|p| Some(p[1].0) != first) {
        let ((inside, Some(a)), (outside, Some(b))) = (pair[0], pair[1]) else {
            continue;
        };
        let step = [b[0] - a[0], b[1] - a[1], b[2] - a[2]];
        let size = step.iter().map(|v| v * v).sum::<f32>().sqrt();
        judged += 1;
        let right = if inside == outside {
            size < SAME
        } else {
            let printed = log_step(inside, outside);
            let full = printed.iter().map(|v| v * v).sum::<f32>().sqrt();
            let along = (0..3).map(|k| step[k] * printed[k]).sum::<f32>() / full;
            along > LEAST_STEP * contrast * full && along > LEAST_COSINE * size
        };
        wrong += usize::from(!right);
    }
    (judged, wrong)
}

/// Median log colour around a circle of `radius` on all spots; `None` when too little of it is in the picture.
fn median_colour(
    pixels: &RgbImage,
    camera: &Camera,
    spec: &FaceSpec,
    radius: f64,
) -> Option<[f32; 3]> {
    let mut seen: Vec<[f32; 3]> = Vec::new();
    for spot in &spec.spots_mm {
        for k in 0..PLACES {
            let (sin, cos) = (TAU * count(k) / count(PLACES)).sin_cos();
            let Some(p) = camera
                .image_from_face(FacePoint::new(spot.x + radius * cos, spot.y + radius * sin))
            else {
                continue;
            };
            let (x, y) = (p.x + 0.5, p.y + 0.5);
            if x >= 0.0
                && y >= 0.0
                && x < f64::from(pixels.width())
                && y < f64::from(pixels.height())
            {
                let i = 3 * (floor_index(y) * pixels.width() as usize + floor_index(x));
                if let Some([r, g, b]) = pixels.as_raw().get(i..i + 3) {
                    seen.push(log_colour([f32::from(*r), f32::from(*g), f32::from(*b)]));
                }
            }
        }
    }
    if seen.len() < PLACES / 3 {
        return None;
    }
    let mut out = [0.0; 3];
    for (k, o) in out.iter_mut().enumerate() {
        let mut channel: Vec<f64> = seen.iter().map(|c| f64::from(c[k])).collect();
        #[expect(clippy::cast_possible_truncation, reason = "a colour")]
        let value = median(&mut channel) as f32;
        *o = value;
    }
    Some(out)
}

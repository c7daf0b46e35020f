//! What the light and the camera make of the face's printed colours: the white of a photo.

use super::colour::printed_linear;
use super::spec::FaceSpec;
use crate::geometry::FacePoint;
use crate::geometry::camera::Camera;
use crate::imaging::LINEAR_FROM_BYTE;
use crate::math::{count, floor_index, median};
use image::RgbImage;
use std::f64::consts::TAU;

/// Places looked at in a zone; and the least share of them that must be in the picture.
const PLACES: usize = 64;
const MIN_SHARE: usize = 3;

/// Linear light, per channel, that a perfectly white face would show, as a share of the picture's white: the factor between the
/// printed colours and what is seen of them, the brighter colours with more weight. `None` where hardly a zone is in the picture
/// or all are dark.
#[must_use]
pub fn white(pixels: &RgbImage, camera: &Camera, spec: &FaceSpec) -> Option<[f64; 3]> {
    let (mut both, mut own) = ([0.0; 3], [0.0; 3]);
    let mut inner = 0.0;
    for zone in &spec.zones {
        let radius = 0.5 * (inner + zone.radius_mm());
        inner = zone.radius_mm();
        let Some(seen) = median_linear(pixels, camera, spec, radius) else {
            continue;
        };
        let printed = printed_linear(zone.colour).map(f64::from);
        for k in 0..3 {
            both[k] += printed[k] * seen[k];
            own[k] += printed[k] * printed[k];
        }
    }
    let white: [f64; 3] = std::array::from_fn(|k| both[k] / own[k]);
    white
        .iter()
        .all(|w| w.is_finite() && *w > 0.01)
        .then_some(white)
}

/// Median linear light around a circle of `radius` on all spots.
fn median_linear(
    pixels: &RgbImage,
    camera: &Camera,
    spec: &FaceSpec,
    radius: f64,
) -> Option<[f64; 3]> {
    let mut seen: [Vec<f64>; 3] = Default::default();
    for spot in &spec.spots_mm {
        for k in 0..PLACES {
            let (sin, cos) = (TAU * count(k) / count(PLACES)).sin_cos();
            let at = FacePoint::new(spot.x + radius * cos, spot.y + radius * sin);
            let Some(p) = camera.image_from_face(at) else {
                continue;
            };
            let (x, y) = (p.x + 0.5, p.y + 0.5);
            let (w, h) = (f64::from(pixels.width()), f64::from(pixels.height()));
            if !(x >= 0.0 && y >= 0.0 && x < w && y < h) {
                continue;
            }
            let i = 3 * (floor_index(y) * pixels.width() as usize + floor_index(x));
            if let Some(rgb) = pixels.as_raw().get(i..i + 3) {
                for (all, v) in seen.iter_mut().zip(rgb) {
                    all.push(f64::from(LINEAR_FROM_BYTE[usize::from(*v)]));
                }
            }
        }
    }
    (seen[0].len() >= PLACES / MIN_SHARE).then(|| seen.map(|mut all| median(&mut all)))
}

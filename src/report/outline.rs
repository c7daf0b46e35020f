//! The rings of a face as they lie in the photo, for drawing over it.

use crate::geometry::FacePoint;
use crate::math::rounded;
use crate::record::CameraRecord;
use crate::timeline::FaceLook;
use serde::Serialize;

/// Points along a ring: the chord of 1/96 of a turn stays within 0.0006 of the radius of its arc.
const POINTS: u32 = 96;
/// Decimals of a pixel.
const DIGITS: i32 = 1;

/// One ring in the photo.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RingOutline {
    /// Its radius, mm.
    pub radius_mm: f64,
    /// Which spot's, from 1.
    pub spot: usize,
    /// Points along it, px, in equal steps anticlockwise on the face from "right"; those that the camera can't see left out.
    pub px: Vec<[f64; 2]>,
}

/// All rings of a face in the photo: each spot's, the innermost first.
#[must_use]
pub fn outlines(camera: &CameraRecord, look: &FaceLook) -> Vec<RingOutline> {
    let mut all = Vec::new();
    for (spot, centre) in (1..).zip(&look.spots_mm) {
        for zone in look.zones.iter().filter(|z| z.radius_mm > 0.0) {
            let px = (0..POINTS).filter_map(|i| {
                let turn = f64::from(i) / f64::from(POINTS) * std::f64::consts::TAU;
                let at = FacePoint::new(
                    centre[0] + zone.radius_mm * turn.cos(),
                    centre[1] + zone.radius_mm * turn.sin(),
                );
                let p = camera.image_from_face(at)?;
                Some([rounded(p.x, DIGITS), rounded(p.y, DIGITS)])
            });
            all.push(RingOutline {
                radius_mm: zone.radius_mm,
                spot,
                px: px.collect(),
            });
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn points_lie_on_their_ring() {
        let camera: CameraRecord = serde_json::from_value(json!({"fx_px": 1000.0, "fy_px": 1000.0, "cx_px": 500.0,
            "cy_px": 400.0, "k1": 0.05, "k2": 0.0,
            "face_to_camera": {"rotation": [[1,0,0],[0,-1,0],[0,0,-1]], "translation_mm": [0, 0, 2000]},
            "image_to_face": [[2,0,-1000],[0,-2,800],[0,0,1]], "tilt_deg": 0, "distance_mm": 2000, "fit_rms_px": 0.3,
            "upright": {"from": "camera", "sd_deg": 1.0}, "focal_from": "exif"}))
        .expect("camera");
        let mut look = FaceLook::plain(800.0);
        look.spots_mm = vec![[0.0, 0.0], [0.0, -900.0]];
        let all = outlines(&camera, &look);
        assert_eq!(all.len(), 20);
        for ring in &all {
            assert_eq!(ring.px.len(), 96);
            let centre = look.spots_mm[ring.spot - 1];
            for p in &ring.px {
                let at = camera
                    .face_from_image(crate::geometry::ImagePoint::new(p[0], p[1]))
                    .expect("place");
                let r = at.distance(FacePoint::new(centre[0], centre[1]));
                assert!((r - ring.radius_mm).abs() < 0.2, "{r} {}", ring.radius_mm);
            }
        }
    }
}

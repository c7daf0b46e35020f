//! Another camera for a record: the places in the picture stay, the millimetres follow.

use crate::record::{CameraRecord, End};
use crate::units::ImagePoint;

/// The record with this camera, one revision on. Entries keep their place in the picture; their millimetres and spots follow
/// from it. What was told of a shaft's lean rests on the old camera
/// and is dropped.
#[must_use]
pub fn refitted(end: &End, camera: CameraRecord) -> End {
    let mut new = end.clone();
    for entry in &mut new.entries {
        let Some(at) = entry
            .px
            .and_then(|[x, y]| camera.face_from_image(ImagePoint::new(x, y)))
        else {
            continue;
        };
        (entry.x_mm, entry.y_mm) = (at.x, at.y);
        entry.lean = None;
        if let Some([x, y]) = entry.found_mm
            && let Some(found) = end
                .camera
                .as_ref()
                .and_then(|old| old.image_from_face(crate::units::FacePoint::new(x, y)))
                .and_then(|px| camera.face_from_image(px))
        {
            entry.found_mm = Some([found.x, found.y]);
        }
        entry.spot = super::nearest_spot(end, at).or(entry.spot);
    }
    new.camera = Some(camera);
    new.revision += 1;
    new
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn places_in_the_picture_stay_and_millimetres_follow() {
        let camera = |f: f64| {
            json!({"fx_px": 1000.0, "fy_px": 1000.0, "cx_px": 500.0, "cy_px": 400.0, "k1": 0.0, "k2": 0.0,
                "face_to_camera": {"rotation": [[1,0,0],[0,-1,0],[0,0,-1]], "translation_mm": [0, 0, 1000.0 * f]},
                "image_to_face": [[f,0,-500.0 * f],[0,-f,400.0 * f],[0,0,1]], "tilt_deg": 0, "distance_mm": 1000.0 * f,
                "fit_rms_px": 0.3, "upright": {"from": "camera", "sd_deg": 1.0}, "focal_from": "exif"})
        };
        let end: End = serde_json::from_value(
            json!({"schema": "bossmark/end/1", "camera": camera(1.0), "revision": 3, "entries": [
            {"id": 1, "x_mm": 10, "y_mm": 20, "px": [510, 380], "kind": "bare", "found_mm": [0, 0]},
            {"id": 2, "x_mm": 7, "y_mm": 8, "kind": "bare"}]}),
        )
        .expect("record");
        let new = refitted(&end, serde_json::from_value(camera(2.0)).expect("camera"));
        let (a, b) = (&new.entries[0], &new.entries[1]);
        assert!(
            (a.x_mm - 20.0).abs() < 1e-9 && (a.y_mm - 40.0).abs() < 1e-9,
            "{a:?}"
        );
        assert_eq!((a.px, a.found_mm), (end.entries[0].px, Some([0.0, 0.0])));
        assert_eq!((b.x_mm, b.y_mm, new.revision), (7.0, 8.0, 4));
    }
}

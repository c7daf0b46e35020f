//! A new measurement of a record's photo: the places in the picture stay, the millimetres follow.

use super::apply::{LAST_ID_KEY, last_id};
use super::position::nearest_spot;
use crate::geometry::{FacePoint, ImagePoint};
use crate::record::{CameraRecord, End, Entry, FaceRecord};

/// The record with the camera, the face and the notes of `measured`, one revision on. Entries keep their place in the
/// picture; their millimetres and spots follow from it. A shaft's lean was computed with the old camera and is
/// dropped. A record in which nothing could be measured before takes the new entries too.
#[must_use]
pub fn refitted(end: &End, measured: &End) -> End {
    let mut new = end.clone();
    new.revision += 1;
    let Some(camera) = &measured.camera else {
        return new;
    };
    new.camera = Some(camera.clone());
    new.notes.clone_from(&measured.notes);
    if let Some(face) = &measured.face {
        let extra = end.face.as_ref().map(|f| f.extra.clone());
        new.face = Some(FaceRecord {
            extra: extra.unwrap_or_default(),
            ..face.clone()
        });
    }
    if new.failure.take().is_some() && new.entries.is_empty() {
        let used = last_id(end);
        new.entries.clone_from(&measured.entries);
        for entry in &mut new.entries {
            entry.id += used;
        }
        new.extra.remove(LAST_ID_KEY);
        return new;
    }
    let mut entries = std::mem::take(&mut new.entries);
    for entry in &mut entries {
        follow(entry, end.camera.as_ref(), camera, &new);
    }
    new.entries = entries;
    new
}

/// An entry's millimetres by another camera.
fn follow(entry: &mut Entry, old: Option<&CameraRecord>, camera: &CameraRecord, new: &End) {
    let at = |[x, y]: [f64; 2]| camera.face_from_image(ImagePoint::new(x, y));
    let Some(place) = entry.px.and_then(at) else {
        return;
    };
    (entry.x_mm, entry.y_mm) = (place.x, place.y);
    entry.lean = None;
    let found = entry
        .found_mm
        .and_then(|[x, y]| old?.image_from_face(FacePoint::new(x, y)))
        .and_then(|px| camera.face_from_image(px));
    entry.found_mm = found.map(|f| [f.x, f.y]).or(entry.found_mm);
    entry.spot = nearest_spot(new, place).or(entry.spot);
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
        let measured: End = serde_json::from_value(json!({"schema": "bossmark/end/1", "camera": camera(2.0),
            "face": {"name": "wa-60", "diameter_mm": 600}, "entries": [{"id": 1, "x_mm": 1, "y_mm": 1, "kind": "bare"}]}))
        .expect("record");
        let new = refitted(&end, &measured);
        assert_eq!((new.entries.len(), &new.face), (2, &measured.face));
        let (a, b) = (&new.entries[0], &new.entries[1]);
        assert!(
            (a.x_mm - 20.0).abs() < 1e-9 && (a.y_mm - 40.0).abs() < 1e-9,
            "{a:?}"
        );
        assert_eq!((a.px, a.found_mm), (end.entries[0].px, Some([0.0, 0.0])));
        assert_eq!((b.x_mm, b.y_mm, new.revision), (7.0, 8.0, 4));
    }

    #[test]
    fn where_nothing_was_measured_before_the_new_entries_come_with_the_camera() {
        let failed: End = serde_json::from_value(json!({"schema": "bossmark/end/1", "revision": 2, "last_id": 3,
            "failure": {"code": "no-face", "text": "no face"}, "entries": [], "missed": [{"kind": "bare"}]}))
        .expect("record");
        let measured: End = serde_json::from_value(json!({"schema": "bossmark/end/1", "entries": [
            {"id": 1, "x_mm": 1, "y_mm": 1, "kind": "bare"}],
            "camera": {"fx_px": 1000.0, "fy_px": 1000.0, "cx_px": 500.0, "cy_px": 400.0, "k1": 0.0, "k2": 0.0,
                "face_to_camera": {"rotation": [[1,0,0],[0,-1,0],[0,0,-1]], "translation_mm": [0, 0, 1000.0]},
                "image_to_face": [[1,0,-500.0],[0,-1,400.0],[0,0,1]], "tilt_deg": 0, "distance_mm": 1000.0,
                "fit_rms_px": 0.3, "upright": {"from": "person", "sd_deg": 1.0}, "focal_from": "exif"}}))
        .expect("record");
        let new = refitted(&failed, &measured);
        assert_eq!(
            (
                new.failure.is_none(),
                new.entries[0].id,
                new.missed.len(),
                new.revision
            ),
            (true, 4, 1, 3)
        );
    }
}

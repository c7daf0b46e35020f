//! Names of the fields of documents, and the likely correction of a misspelt one.

use super::{End, Extra, Session, Setup};

/// Fields of an end record.
pub const END: &[&str] = &[
    "schema", "photo", "face", "camera", "entries", "missed", "revision", "session", "notes",
    "failure", "bossmark",
];
/// Fields of `photo`.
pub const PHOTO: &[&str] = &[
    "file",
    "sha256",
    "width_px",
    "height_px",
    "taken",
    "taken_local",
];
/// Fields of `face`.
pub const FACE: &[&str] = &["name", "diameter_mm", "spot_centres_mm", "zones", "seen"];
/// Fields of `camera`.
pub const CAMERA: &[&str] = &[
    "fx_px",
    "fy_px",
    "cx_px",
    "cy_px",
    "k1",
    "k2",
    "face_to_camera",
    "image_to_face",
    "tilt_deg",
    "distance_mm",
    "fit_rms_px",
    "upright",
    "focal_from",
    "lens_profile",
    "fitted_to",
];
/// Fields of an entry.
pub const ENTRY: &[&str] = &[
    "id",
    "x_mm",
    "y_mm",
    "cov_mm2",
    "px",
    "kind",
    "kind_probability",
    "confidence",
    "arrow",
    "arrow_proposed",
    "state",
    "source",
    "lean",
    "spot",
    "thickness_mm",
    "segment_px",
    "found_mm",
];
/// Fields of a missed shot.
pub const MISSED: &[&str] = &["kind", "note", "direction"];
/// Fields of `session`.
pub const SESSION: &[&str] = &[
    "archer",
    "hand",
    "distance_m",
    "date",
    "end",
    "shot_order",
    "fletched",
    "bare",
    "note",
    "setup",
    "checked",
];
/// Fields of `setup`.
pub const SETUP: &[&str] = &[
    "bow",
    "draw_weight_lb",
    "bolt_turns_out",
    "bolt_lb_per_turn",
    "shafts",
    "shaft_spine",
    "shaft_gr_per_in",
    "shaft_diameter_mm",
    "shaft_length_mm",
    "point_gr",
    "rear_gr",
    "bare_rear_gr",
    "plunger_clicks",
    "plunger_clicks_per_turn",
    "nocking_point_mm",
    "rest_height_mm",
    "brace_height_mm",
    "draw_length_mm",
    "tolerance_30m_mm",
    "keep",
    "limits",
    "arrows",
    "growing",
    "goal",
    "checklist",
];
/// Fields of an arrow in `setup.arrows`.
pub const ARROW: &[&str] = &["arrow", "kind", "nock", "vanes"];
/// Fields of a limit.
pub const LIMIT: &[&str] = &["min", "max", "step", "owned", "obtainable", "usual"];
/// Fields of a session file.
pub const SESSION_FILE: &[&str] = &[
    "schema", "face", "lens", "fletched", "bare", "session", "ends",
];

/// Least similarity (Jaro–Winkler, 0 to 1) at which a name counts as a misspelling: one or two wrong letters in a name of usual
/// length.
const MIN_SIMILARITY: f64 = 0.87;
/// From this length on a name with one letter added, left out, swapped or wrong is a misspelling, however low its similarity: in
/// short names one letter lowers it more.
const ONE_LETTER_FROM: usize = 3;

/// The known name that `name` probably means; `None` if none is near. Case, spaces and hyphens don't count.
#[must_use]
pub fn likely<'a>(name: &str, known: &[&'a str]) -> Option<&'a str> {
    let normalised = |s: &str| s.to_lowercase().replace([' ', '-', '.'], "_");
    let name = normalised(name);
    known
        .iter()
        .filter(|k| {
            strsim::jaro_winkler(&name, &normalised(k)) >= MIN_SIMILARITY
                || (k.len() >= ONE_LETTER_FROM
                    && strsim::damerau_levenshtein(&name, &normalised(k)) <= 1)
        })
        .map(|k| (strsim::jaro_winkler(&name, &normalised(k)), *k))
        .max_by(|a, b| a.0.total_cmp(&b.0).then_with(|| b.1.cmp(a.1)))
        .map(|(_, k)| k)
}

/// Up to `most` known names nearest to `name`, best first: for "did you mean".
#[must_use]
pub fn nearest<'a>(name: &str, known: &[&'a str], most: usize) -> Vec<&'a str> {
    let name = name.to_lowercase();
    let mut scored: Vec<(f64, &str)> = known
        .iter()
        .map(|k| (strsim::jaro_winkler(&name, &k.to_lowercase()), *k))
        .collect();
    scored.sort_by(|a, b| b.0.total_cmp(&a.0).then_with(|| a.1.cmp(b.1)));
    scored.into_iter().take(most).map(|(_, k)| k).collect()
}

/// An unknown name, and the known one that it probably stands for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnknownField {
    /// Its path in the document (`session.setup.point_gram`).
    pub path: String,
    /// The likely name.
    pub likely: Option<&'static str>,
}

/// Unknown names among `extra` at `path`.
pub(super) fn unknown_fields(
    extra: &Extra,
    known: &'static [&'static str],
    path: &str,
) -> Vec<UnknownField> {
    extra
        .keys()
        .map(|key| UnknownField {
            path: if path.is_empty() {
                key.clone()
            } else {
                format!("{path}.{key}")
            },
            likely: likely(key, known),
        })
        .collect()
}

/// Unknown names in a session, with those of its set-up and limits.
#[must_use]
pub fn unknown_fields_in_session(session: &Session, path: &str) -> Vec<UnknownField> {
    let mut found = unknown_fields(&session.extra, SESSION, path);
    if let Some(setup) = &session.setup {
        found.extend(unknown_fields_in_setup(setup, &format!("{path}.setup")));
    }
    found
}

fn unknown_fields_in_setup(setup: &Setup, path: &str) -> Vec<UnknownField> {
    let mut found = unknown_fields(&setup.extra, SETUP, path);
    for (name, limit) in setup.limits.iter().flatten() {
        let path = format!("{path}.limits.{name}");
        if setup_setting(name).is_none() {
            found.push(UnknownField {
                path: path.clone(),
                likely: likely(name, &SETTINGS),
            });
        }
        found.extend(unknown_fields(&limit.extra, LIMIT, &path));
    }
    for (k, arrow) in setup.arrows.iter().flatten().enumerate() {
        let path = format!("{path}.arrows[{k}]");
        found.extend(unknown_fields(&arrow.extra, ARROW, &path));
    }
    found
}

/// Settings that can have a limit.
pub const SETTINGS: [&str; 15] = [
    "draw_weight_lb",
    "bolt_turns_out",
    "shafts",
    "shaft_spine",
    "shaft_gr_per_in",
    "shaft_diameter_mm",
    "shaft_length_mm",
    "point_gr",
    "rear_gr",
    "bare_rear_gr",
    "plunger_clicks",
    "nocking_point_mm",
    "rest_height_mm",
    "brace_height_mm",
    "draw_length_mm",
];

fn setup_setting(name: &str) -> Option<&'static str> {
    SETTINGS.into_iter().find(|s| *s == name)
}

/// Unknown names anywhere in a record.
#[must_use]
pub fn unknown_fields_in_record(end: &End) -> Vec<UnknownField> {
    let mut found = unknown_fields(&end.extra, END, "");
    if let Some(photo) = &end.photo {
        found.extend(unknown_fields(&photo.extra, PHOTO, "photo"));
    }
    if let Some(face) = &end.face {
        found.extend(unknown_fields(&face.extra, FACE, "face"));
    }
    if let Some(camera) = &end.camera {
        found.extend(unknown_fields(&camera.extra, CAMERA, "camera"));
    }
    for (i, entry) in end.entries.iter().enumerate() {
        found.extend(unknown_fields(
            &entry.extra,
            ENTRY,
            &format!("entries[{i}]"),
        ));
    }
    for (i, missed) in end.missed.iter().enumerate() {
        found.extend(unknown_fields(
            &missed.extra,
            MISSED,
            &format!("missed[{i}]"),
        ));
    }
    found.extend(unknown_fields_in_session(&end.session, "session"));
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::Value;

    #[test]
    fn likely_names_are_found_and_strange_ones_left() {
        assert_eq!(likely("draw_wieght_lb", SETUP), Some("draw_weight_lb"));
        assert_eq!(likely("draw_weight", SETUP), Some("draw_weight_lb"));
        assert_eq!(likely("Distance", SESSION), Some("distance_m"));
        assert_eq!(likely("point-gr", SETUP), Some("point_gr"));
        assert_eq!(likely("mx", LIMIT), Some("max"));
        assert_eq!(likely("weather", SESSION), None);
        assert_eq!(likely("wind", SESSION), None);
        assert_eq!(likely("sight_pin", SETUP), None);
        assert_eq!(
            nearest("wa80", &["wa-122", "wa-80", "field-80"], 1),
            ["wa-80"]
        );
    }

    /// Every name in the lists is a field of the type, and a value under it is understood (doesn't land in `extra`).
    #[test]
    fn the_lists_are_those_of_the_types() {
        fn names<T: serde::Serialize>(value: &T) -> Vec<String> {
            match serde_json::to_value(value).expect("json") {
                Value::Object(map) => map.keys().cloned().collect(),
                other => panic!("{other}"),
            }
        }
        fn sorted(list: &[&str]) -> Vec<String> {
            let mut list: Vec<String> = list.iter().map(|s| (*s).to_owned()).collect();
            list.sort();
            list
        }
        let end: End = serde_json::from_str(r#"{
            "schema": "s", "photo": {"file": "f", "sha256": "a", "width_px": 1, "height_px": 1, "taken": "t", "taken_local": "l"},
            "face": {"name": "n", "diameter_mm": 1.0, "spot_centres_mm": [[0, 1]],
                "zones": [{"radius_mm": 1, "colour": "red"}],
                "seen": [{"px": [1, 2], "radius_px": 3, "shafts": 0, "taken": true}]},
            "camera": {"fx_px": 1, "fy_px": 1, "cx_px": 1, "cy_px": 1, "k1": 0, "k2": 0, "tilt_deg": 1, "distance_mm": 1,
                "fit_rms_px": 1, "face_to_camera": {"rotation": [[1,0,0],[0,1,0],[0,0,1]], "translation_mm": [0,0,1]},
                "image_to_face": [[1,0,0],[0,1,0],[0,0,1]], "upright": {"from": "camera", "sd_deg": 1}, "focal_from": "exif",
                "lens_profile": "p", "fitted_to": "points"},
            "entries": [{"id": 1, "x_mm": 1, "y_mm": 1, "kind": "bare", "arrow_proposed": {"arrow": "7", "p": 1}}],
            "missed": [{"kind": "bare", "note": "n", "direction": "low"}], "revision": 1,
            "session": {"archer": "a", "hand": "right", "distance_m": 1, "date": "d", "end": 1, "shot_order": [1], "fletched": 1,
                "bare": 1, "note": "n", "checked": [], "setup": {"growing": true, "goal": "g", "checklist": [], "bow": "b", "draw_weight_lb": 1, "bolt_turns_out": 1, "bolt_lb_per_turn": 1,
                "shafts": "s", "shaft_spine": 1, "shaft_gr_per_in": 1, "shaft_diameter_mm": 1, "shaft_length_mm": 1,
                "point_gr": 1, "rear_gr": 1, "bare_rear_gr": 1, "plunger_clicks": 1, "plunger_clicks_per_turn": 1,
                "nocking_point_mm": 1, "rest_height_mm": 1, "brace_height_mm": 1, "draw_length_mm": 1, "tolerance_30m_mm": 1,
                "keep": [], "limits": {"point_gr": {"min": 1, "max": 1, "step": 1, "owned": [], "obtainable": [], "usual": 1}},
                "arrows": [{"arrow": "7", "kind": "bare", "nock": "red", "vanes": []}]}},
            "notes": [], "failure": {"code": "c", "text": "t"}, "bossmark": "v"
        }"#).expect("record");
        assert_eq!(unknown_fields_in_record(&end), []);
        assert_eq!(names(&end), sorted(END));
        assert_eq!(names(&end.photo), sorted(PHOTO));
        assert_eq!(names(&end.face), sorted(FACE));
        assert_eq!(names(&end.camera), sorted(CAMERA));
        assert_eq!(names(&end.entries[0]), sorted(ENTRY));
        assert_eq!(names(&end.missed[0]), sorted(MISSED));
        assert_eq!(names(&end.session), sorted(SESSION));
        let setup = end.session.setup.expect("set-up");
        assert_eq!(names(&setup), sorted(SETUP));
        assert_eq!(names(&setup.arrows.expect("arrows")[0]), sorted(ARROW));
        assert_eq!(
            names(&setup.limits.expect("limits")["point_gr"]),
            sorted(LIMIT)
        );
    }
}

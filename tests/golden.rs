//! What the program makes of the sample photos, written down: a change of any stage shows here.
//!
//! Numbers are rounded so far that another machine's last bits don't show: 0.1 mm, 1 mm of distance, 0.1°, tenths of confidence.

use serde_json::{Value, json};
use std::path::Path;
use std::process::Command;

fn rounded(value: &Value, step: f64) -> Value {
    value.as_f64().map_or(Value::Null, |v| {
        json!((v / step).round() / (1.0 / step).round() + 0.0)
    })
}

/// The record of a photo, as far as it is held on to.
fn golden(photo: &str, face: Option<&str>) -> Value {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("sample-photos")
        .join(photo);
    let mut command = Command::new(env!("CARGO_BIN_EXE_bossmark"));
    command.arg("measure").arg(&path).arg("--json");
    if let Some(face) = face {
        command.args(["--face", face]);
    }
    let out = command.output().expect("the program runs");
    let record: Value = serde_json::from_slice(&out.stdout).expect("JSON on stdout");
    let camera = &record["camera"];
    let entries: Vec<Value> = record["entries"]
        .as_array()
        .expect("entries")
        .iter()
        .filter(|e| e["confidence"].as_f64() >= Some(0.5))
        .map(|e| {
            let at = [rounded(&e["x_mm"], 0.1), rounded(&e["y_mm"], 0.1)];
            json!({"mm": at, "kind": e["kind"], "confidence": rounded(&e["confidence"], 0.1), "spot": e["spot"]})
        })
        .collect();
    let notes: Vec<&Value> = record["notes"]
        .as_array()
        .expect("notes")
        .iter()
        .map(|n| &n["code"])
        .collect();
    json!({
        "status": out.status.code(),
        "face": record["face"]["name"],
        "distance_mm": rounded(&camera["distance_mm"], 1.0),
        "tilt_deg": rounded(&camera["tilt_deg"], 0.1),
        "upright": camera["upright"]["from"],
        "focal_from": camera["focal_from"],
        "entries": entries,
        "notes": notes,
        "failure": record["failure"]["code"],
    })
}

#[test]
fn evening() {
    for n in 1..=7 {
        insta::assert_json_snapshot!(
            format!("evening-{n}"),
            golden(&format!("evening/evening-{n}.jpg"), None)
        );
    }
}

#[test]
fn student() {
    for n in 1..=3 {
        insta::assert_json_snapshot!(
            format!("student-{n}"),
            golden(&format!("student/student-{n}.jpg"), None)
        );
    }
}

#[test]
fn odd() {
    for (name, face) in [
        ("three-spot", "wa-40-3spot"),
        ("no-face", "wa-80"),
        ("no-arrows", "wa-122"),
    ] {
        insta::assert_json_snapshot!(name, golden(&format!("odd/{name}.jpg"), Some(face)));
    }
}

/// Hedges, straw and old holes have edges everywhere: none of the known faces may be seen in them.
#[test]
fn no_face_of_any_kind_in_a_photo_without_one() {
    for spec in bossmark::face::spec::known() {
        let seen = golden("odd/no-face.jpg", Some(&spec.name));
        assert_eq!(seen["failure"], json!("no-face"), "{}", spec.name);
    }
}

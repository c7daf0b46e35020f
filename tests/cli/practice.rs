//! Practice photos, and faces that shafts speak against.

use super::program::{run, sample, text};
use super::{folder, json_lines, names, one_sentence, put};
use serde_json::{Value, json};
use std::fs;

#[test]
fn practice_photos_come_with_truth_and_never_replace_a_session_file() {
    let folder = folder();
    let out = text(folder.path());
    let arguments = [
        "rehearse",
        "--face",
        "wa-60",
        "--fletched",
        "2",
        "--bare",
        "1",
        "--offset",
        "-60,20",
        "--seed",
        "7",
        "--count",
        "2",
        "--size",
        "480x360",
        "--hand",
        "left",
        "--distance",
        "18",
        "--with-session",
        "--out",
        out,
        "--json",
    ];
    let ran = run(&arguments);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let truths = json_lines(&ran.stdout);
    assert_eq!(truths.len(), 2);
    assert_eq!(truths[0]["schema"], "photo-truth/1");
    assert_eq!(truths[0]["photo"], "practice-0007.jpg");
    assert_eq!(truths[1]["shafts"].as_array().map(Vec::len), Some(3));
    assert_eq!(
        names(&folder),
        [
            "practice-0007.jpg",
            "practice-0007.truth.json",
            "practice-0008.jpg",
            "practice-0008.truth.json",
            "session.json"
        ]
    );
    let session: Value =
        serde_json::from_slice(&fs::read(folder.path().join("session.json")).expect("written"))
            .expect("JSON");
    assert_eq!(session["face"], "wa-60");
    assert_eq!(
        (&session["fletched"], &session["bare"]),
        (&json!(2), &json!(1))
    );
    assert_eq!(session["session"]["hand"], "left");
    // a folder to work through like any other
    let ran = run(&[
        "measure",
        text(&folder.path().join("practice-0007.jpg")),
        "--json",
    ]);
    assert!(ran.status <= 1, "{}", ran.stderr);
    // a second time the session file stays as it is
    let again = run(&arguments);
    assert_eq!(again.status, 2);
    assert!(one_sentence(&again).contains("left alone"));
    for (flag, value, words) in [
        ("--tilt", "100", "tilt"),
        ("--size", "big", "4032x3024"),
        ("--offset", "90", "90,-20"),
        ("--fletched", "99", "number of shafts"),
    ] {
        let ran = run(&["rehearse", "--out", out, flag, value]);
        assert_eq!(ran.status, 2, "{flag}: {}", ran.stderr);
        assert!(ran.stderr.contains(words), "{}", ran.stderr);
    }
}

/// All ring faces are scaled copies: only the shafts can tell that another size was named.
#[test]
fn shafts_that_cannot_be_so_thick_speak_against_the_face_named() {
    let folder = folder();
    let photo = sample("evening/evening-1.jpg");
    let doubts = |face: &str, given: Option<f64>| {
        let session = json!({"schema": "bossmark/session/1", "session": {"setup": {"shaft_diameter_mm": given}}});
        let file = put(&folder, "session.json", session.to_string());
        let ran = run(&[
            "measure",
            text(&photo),
            "--face",
            face,
            "--session",
            text(&file),
            "--json",
        ]);
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        let notes = json_lines(&ran.stdout)[0]["notes"].clone();
        let notes = notes.as_array().expect("notes").clone();
        notes.iter().any(|n| n["code"] == "face-size-doubtful")
    };
    assert!(!doubts("wa-80", Some(5.5)), "as it is");
    assert!(doubts("wa-40", None), "thinner than any shaft");
    assert!(doubts("wa-122", Some(5.5)), "thicker than the archer's");
}

//! A record belongs to the photo whose fingerprint it holds: what fits by name alone is never edited, confirmed, replaced or shown.

mod program;

use bossmark::photo::fingerprint;
use program::{run, text};
use serde_json::{Value, json};
use std::fs;
use std::path::{Path, PathBuf};

/// A file with the name of a photo. It can't be decoded, so that nothing is measured here.
fn photo(folder: &Path, name: &str, content: &str) -> PathBuf {
    let path = folder.join(name);
    fs::create_dir_all(path.parent().expect("folder")).expect("made");
    fs::write(&path, format!("\u{fffd}{content}")).expect("written");
    path
}

/// A confirmed record of that photo, with one entry at `x_mm`.
fn record(path: &Path, photo: &Path, x_mm: f64) -> Vec<u8> {
    let bytes = fs::read(photo).expect("photo");
    let record = json!({
        "schema": "bossmark/end/1", "revision": 1,
        "photo": {"file": photo.file_name().and_then(|n| n.to_str()), "sha256": fingerprint(&bytes), "width_px": 10, "height_px": 10},
        "entries": [{"id": 1, "x_mm": x_mm, "y_mm": 0, "kind": "bare", "state": "confirmed"}]
    });
    fs::create_dir_all(path.parent().expect("folder")).expect("made");
    fs::write(path, record.to_string()).expect("written");
    fs::read(path).expect("record")
}

fn edits(folder: &Path) -> PathBuf {
    let path = folder.join("edits.json");
    let edits = json!({"schema": "bossmark/edits/1", "edits": [{"do": "tag", "id": 1, "kind": "fletched"}]});
    fs::write(&path, edits.to_string()).expect("written");
    path
}

#[test]
fn a_namesake_s_record_is_neither_edited_nor_confirmed_nor_shown() {
    let folder = tempfile::tempdir().expect("folder");
    let at = |name: &str| folder.path().join(name);
    let jpg = photo(folder.path(), "a.jpg", "one");
    let png = photo(folder.path(), "a.png", "another");
    let before = record(&at("a.end.json"), &jpg, 77.0);
    let edits = edits(folder.path());
    for arguments in [
        vec!["confirm", text(&png), "--edits", text(&edits)],
        vec!["confirm", text(&png), "--accept", "--face", "wa-80"],
        vec![
            "confirm",
            text(&png),
            "--accept",
            "--face",
            "wa-80",
            "--json",
        ],
    ] {
        let ran = run(&arguments);
        assert!(ran.status >= 2, "{arguments:?}: {}", ran.stderr);
        assert!(
            ran.stderr
                .contains("a.end.json is the name of another photo's record"),
            "{}",
            ran.stderr
        );
        assert!(!ran.stdout.contains("77"), "{}", ran.stdout);
        assert!(
            fs::read(at("a.end.json")).expect("record") == before,
            "{arguments:?}"
        );
    }
    // its own photo's it is, under any name
    fs::rename(&jpg, at("b.jpg")).expect("renamed");
    let ran = run(&[
        "confirm",
        text(folder.path()),
        "--accept",
        "--json",
        "--face",
        "wa-80",
    ]);
    let lines: Vec<Value> = ran
        .stdout
        .lines()
        .map(|l| serde_json::from_str(l).expect("JSON"))
        .collect();
    assert_eq!(lines.len(), 1, "{}", ran.stdout);
    assert_eq!(lines[0]["entries"][0]["x_mm"], 77.0);
}

#[test]
fn one_folder_of_records_for_two_archers_mixes_no_ends() {
    let folder = tempfile::tempdir().expect("folder");
    let at = |name: &str| folder.path().join(name);
    for (archer, file) in [("ann", "e.end.json"), ("jonte", "e.jpg.end.json")] {
        let own = photo(&at(archer), "e.jpg", archer);
        let bytes = record(&at("records").join(file), &own, 77.0);
        let mut end: Value = serde_json::from_slice(&bytes).expect("record");
        end["session"] = json!({"archer": archer});
        fs::write(at("records").join(file), end.to_string()).expect("written");
    }
    let (jonte, records) = (at("jonte"), at("records"));
    let ran = run(&["day", text(&jonte), "--out", text(&records), "--json"]);
    assert!(
        ran.stderr.contains("e.end.json: an end of another archer"),
        "{}",
        ran.stderr
    );
    let lines: Vec<&str> = ran.stdout.lines().collect();
    assert_eq!(lines.len(), 1, "{}", ran.stdout);
    assert!(
        lines[0].contains("jonte") && !lines[0].contains("ann"),
        "{}",
        lines[0]
    );
}

#[test]
fn a_photo_replaced_under_its_name_doesn_t_get_the_old_entries() {
    let folder = tempfile::tempdir().expect("folder");
    let at = |name: &str| folder.path().join(name);
    let path = photo(folder.path(), "a.jpg", "old");
    let before = record(&at("a.end.json"), &path, 77.0);
    photo(folder.path(), "a.jpg", "new");
    let edits = edits(folder.path());
    let ran = run(&["confirm", text(&path), "--edits", text(&edits)]);
    assert_eq!(ran.status, 2, "{}", ran.stderr);
    assert!(ran.stderr.contains("no record yet"), "{}", ran.stderr);
    let ran = run(&[
        "day",
        text(folder.path()),
        "--face",
        "wa-80",
        "--again",
        "--json",
    ]);
    assert_eq!(
        ran.status, 3,
        "the new one can't be decoded: {}",
        ran.stderr
    );
    assert!(ran.stderr.contains("another photo"), "{}", ran.stderr);
    assert!(fs::read(at("a.end.json")).expect("record") == before);
}

#[test]
fn equal_names_from_two_folders_share_no_record() {
    let folder = tempfile::tempdir().expect("folder");
    let at = |name: &str| folder.path().join(name);
    let one = photo(folder.path(), "one/photo-1.jpg", "one");
    let two = photo(folder.path(), "two/photo-1.jpg", "two");
    let before = record(&at("out/photo-1.end.json"), &one, 77.0);
    let day = run(&[
        "day",
        text(&at("two")),
        "--out",
        text(&at("out")),
        "--face",
        "wa-80",
        "--again",
    ]);
    assert_eq!(day.status, 3, "{}", day.stderr);
    assert!(fs::read(at("out/photo-1.end.json")).expect("record") == before);
    record(&at("out/any.end.json"), &two, 55.0);
    let ran = run(&[
        "confirm",
        text(&one),
        text(&two),
        "--out",
        text(&at("out")),
        "--accept",
        "--json",
    ]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let places: Vec<f64> = ran
        .stdout
        .lines()
        .filter_map(|l| serde_json::from_str::<Value>(l).ok()?["entries"][0]["x_mm"].as_f64())
        .collect();
    assert_eq!(places, [77.0, 55.0]);
}

#[test]
fn edits_reach_the_record_that_they_were_made_on_or_none() {
    let folder = tempfile::tempdir().expect("folder");
    let at = |name: &str| folder.path().join(name);
    let path = photo(folder.path(), "a.jpg", "one");
    let bytes = record(&at("a.end.json"), &path, 77.0);
    let list = |record: &str| {
        let edits = json!({"schema": "bossmark/edits/1", "record": record, "edits": [{"do": "tag", "id": 1, "kind": "fletched"}]});
        fs::write(at("edits.json"), edits.to_string()).expect("written");
        run(&[
            "confirm",
            text(&at("a.end.json")),
            "--edits",
            text(&at("edits.json")),
        ])
    };
    let other = list(&fingerprint(b"another record"));
    assert_eq!(other.status, 2, "{}", other.stderr);
    assert!(other.stderr.contains("another record"), "{}", other.stderr);
    assert!(fs::read(at("a.end.json")).expect("record") == bytes);
    let own = list(&fingerprint(&bytes));
    assert_eq!(own.status, 0, "{}", own.stderr);
    assert_eq!(
        list(&fingerprint(&bytes)).status,
        2,
        "it is another state now"
    );
    let now = fs::read(at("a.end.json")).expect("record");
    assert_eq!(list(&fingerprint(&now)).status, 0);
}

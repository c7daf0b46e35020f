//! The command line as its users meet it: answers, messages, exit statuses, files.

#[path = "cli/help.rs"]
mod help;
#[path = "cli/measuring.rs"]
mod measuring;
#[path = "cli/practice.rs"]
mod practice;
mod program;
#[path = "cli/records.rs"]
mod records;

use program::{Ran, program, ran, run, sample, text};
use serde_json::{Value, json};
use std::fs;
use std::path::PathBuf;
use tempfile::TempDir;

fn run_with(arguments: &[&str], stdin: &str) -> Ran {
    ran(program().args(arguments).write_stdin(stdin))
}

/// One sentence: one line that names the program.
fn one_sentence(ran: &Ran) -> &str {
    let lines: Vec<&str> = ran.stderr.lines().collect();
    assert_eq!(lines.len(), 1, "{}", ran.stderr);
    assert!(lines[0].starts_with("bossmark: "), "{}", ran.stderr);
    assert!(!ran.stderr.contains("panicked"));
    lines[0]
}

fn put(folder: &TempDir, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
    let path = folder.path().join(name);
    fs::write(&path, bytes).expect("written");
    path
}

fn folder() -> TempDir {
    tempfile::tempdir().expect("temporary folder")
}

fn names(folder: &TempDir) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder.path())
        .expect("folder")
        .map(|e| e.expect("item").file_name().into_string().expect("UTF-8"))
        .collect();
    names.sort();
    names
}

fn json_lines(text: &str) -> Vec<Value> {
    text.lines()
        .map(|l| serde_json::from_str(l).unwrap_or_else(|e| panic!("{e}: {l}")))
        .collect()
}

/// An end without photo: three fletched about the centre, three bare `x` mm to the right.
fn tape_end(x: f64, session: Value) -> Value {
    let places = [
        [-12.0, 8.0],
        [3.0, -11.0],
        [15.0, 6.0],
        [x - 9.0, 4.0],
        [x + 14.0, -7.0],
        [x + 2.0, 12.0],
    ];
    let entries: Vec<Value> = places
        .iter()
        .zip(1..)
        .map(|(p, id)| {
            json!({"id": id, "x_mm": p[0], "y_mm": p[1], "cov_mm2": [[4.0, 0.0], [0.0, 4.0]], "px": null, "lean": null,
                "kind": if id <= 3 { "fletched" } else { "bare" }, "state": "proposed", "source": "tape", "confidence": 0.9})
        })
        .collect();
    json!({"schema": "bossmark/end/1", "photo": null, "camera": null, "entries": entries, "session": session, "moon": "full"})
}

fn right_handed() -> Value {
    json!({"hand": "right", "distance_m": 30.0, "date": "2026-05-03", "end": 1, "setup": {"draw_weight_lb": 36.0}})
}

// ------------------------------------------------------------------------------------------------ bad input

#[test]
fn files_that_are_no_photo_are_told_in_one_sentence_with_status_3() {
    let folder = folder();
    let whole = fs::read(sample("evening/evening-1.jpg")).expect("sample");
    let cases = [
        ("text.jpg", b"this is no picture".to_vec(), "not a photo"),
        (
            "half.jpg",
            whole[..whole.len() / 2].to_vec(),
            "ends before the picture does",
        ),
        ("empty.jpg", Vec::new(), "empty"),
        (
            "phone.heic",
            b"\0\0\0\x18ftypheic\0\0\0\0mif1heic".to_vec(),
            "export it as JPEG",
        ),
    ];
    for (name, bytes, words) in cases {
        let path = put(&folder, name, bytes);
        let ran = run(&["measure", text(&path), "--face", "wa-80"]);
        assert_eq!(ran.status, 3, "{name}: {}", ran.stderr);
        assert!(one_sentence(&ran).contains(words), "{name}: {}", ran.stderr);
        assert!(
            ran.stderr.contains(name),
            "the file is named: {}",
            ran.stderr
        );
        assert_eq!(ran.stdout, "", "{name}");
    }
}

#[test]
fn a_missing_file_and_a_folder_are_status_3() {
    let folder = folder();
    let missing = folder.path().join("none.jpg");
    let ran = run(&["measure", text(&missing), "--face", "wa-80"]);
    assert_eq!(ran.status, 3);
    assert!(one_sentence(&ran).contains("no file or folder of that name"));
    for command in [
        ["measure", "--face=wa-80"],
        ["read", "--hand=right"],
        ["confirm", "--accept"],
    ] {
        if command[0] == "confirm" {
            continue; // takes folders
        }
        let ran = run(&[command[0], command[1], text(folder.path())]);
        assert_eq!(ran.status, 3, "{command:?}: {}", ran.stderr);
        assert!(one_sentence(&ran).contains("folder"));
    }
}

#[test]
fn a_photo_without_a_face_is_status_1_and_the_json_says_why() {
    let photo = sample("odd/no-face.jpg");
    let ran = run(&["measure", text(&photo), "--face", "wa-80", "--json"]);
    assert_eq!(ran.status, 1, "{}", ran.stderr);
    let records = json_lines(&ran.stdout);
    assert_eq!(records.len(), 1);
    assert_eq!(records[0]["failure"]["code"], "no-face");
    assert_eq!(records[0]["camera"], Value::Null);
    assert_eq!(records[0]["entries"], json!([]));
    assert!(one_sentence(&ran).contains("Photograph"));
}

#[test]
fn a_face_without_arrows_is_measured() {
    let photo = sample("odd/no-arrows.jpg");
    let truth: Value =
        serde_json::from_slice(&fs::read(sample("odd/no-arrows.truth.json")).expect("truth"))
            .expect("JSON");
    let face = truth["face"]
        .as_str()
        .or(truth["face"]["name"].as_str())
        .expect("face")
        .to_owned();
    let ran = run(&["measure", text(&photo), "--face", &face, "--json"]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let record = &json_lines(&ran.stdout)[0];
    assert_eq!(record["entries"], json!([]));
    assert!(record["camera"].is_object());
    let notes = record["notes"].as_array().expect("notes");
    assert!(notes.iter().any(|n| n["code"] == "no-shafts"), "{notes:?}");
}

#[test]
fn an_unknown_face_names_the_likely_ones() {
    let photo = sample("odd/no-face.jpg");
    let ran = run(&["measure", text(&photo), "--face", "wa80"]);
    assert_eq!(ran.status, 2);
    let said = one_sentence(&ran);
    assert!(
        said.contains("wa-80") && said.contains("bossmark faces"),
        "{said}"
    );
    let ran = run(&["measure", text(&photo)]);
    assert_eq!(ran.status, 2);
    assert!(one_sentence(&ran).contains("--face"));
    let ran = run(&["measure", text(&photo), "--face", "./none.json"]);
    assert_eq!(ran.status, 3);
    let folder = folder();
    let broken = put(
        &folder,
        "face.json",
        "{\"schema\": \"bossmark/face/1\", \"colour\": 3}",
    );
    let ran = run(&["measure", text(&photo), "--face", text(&broken)]);
    assert_eq!(ran.status, 2);
    one_sentence(&ran);
}

#[test]
fn records_of_a_newer_schema_and_broken_ones_are_status_3() {
    let folder = folder();
    let cases = [
        (
            "newer.json",
            "{\"schema\": \"bossmark/end/2\"}".to_owned(),
            "update bossmark",
        ),
        (
            "reading.json",
            "{\"schema\": \"bossmark/reading/1\"}".to_owned(),
            "no bossmark/end/1 document",
        ),
        (
            "half.json",
            tape_end(60.0, right_handed()).to_string()[..200].to_owned(),
            "not JSON",
        ),
        ("zero.json", String::new(), "empty"),
    ];
    for (name, content, words) in cases {
        let path = put(&folder, name, &content);
        for command in [vec!["read"], vec!["confirm", "--accept"]] {
            let mut arguments = command.clone();
            arguments.push(text(&path));
            let ran = run(&arguments);
            assert_eq!(ran.status, 3, "{name} {command:?}: {}", ran.stderr);
            assert!(one_sentence(&ran).contains(words), "{name}: {}", ran.stderr);
        }
        assert_eq!(
            fs::read_to_string(&path).expect("file"),
            content,
            "left as it was"
        );
    }
}

#[test]
fn a_misspelt_key_in_a_session_file_is_status_2_with_the_likely_name() {
    let folder = folder();
    let photo = put(&folder, "a.jpg", b"never looked at");
    let cases = [
        (
            r#"{"schema": "bossmark/session/1", "face": "wa-80", "session": {"distnce_m": 30}}"#,
            "`distance_m`",
        ),
        (
            r#"{"schema": "bossmark/session/1", "face": "wa-80", "session": {"setup": {"draw_wieght_lb": 30}}}"#,
            "`draw_weight_lb`",
        ),
        (
            r#"{"schema": "bossmark/session/1", "face": "wa-80", "session": {"setup": {"shaft_length_mm": 29}}}"#,
            "inches",
        ),
        (
            r#"{"schema": "bossmark/session/1", "face": "wa-80", "session": {"setup": {"limits": {"point_gr": {"min": 9e1, "max": 80}}}}}"#,
            "contradicts",
        ),
    ];
    for (content, words) in cases {
        put(&folder, "session.json", content);
        let ran = run(&["measure", text(&photo)]);
        assert_eq!(ran.status, 2, "{}", ran.stderr);
        assert!(one_sentence(&ran).contains(words), "{}", ran.stderr);
    }
    put(
        &folder,
        "session.json",
        r#"{"schema": "bossmark/session/2"}"#,
    );
    let ran = run(&["measure", text(&photo)]);
    assert_eq!(ran.status, 3);
    assert!(one_sentence(&ran).contains("update bossmark"));
}

#[test]
fn several_inputs_are_each_handled_and_the_highest_status_counts() {
    let folder = folder();
    let bad = put(&folder, "bad.jpg", b"no picture");
    let good = sample("odd/no-face.jpg");
    let ran = run(&[
        "measure",
        text(&bad),
        text(&good),
        "--face",
        "wa-80",
        "--json",
    ]);
    assert_eq!(ran.status, 3);
    let records = json_lines(&ran.stdout);
    assert_eq!(records.len(), 2, "one for each photo, in their order");
    assert_eq!(records[0]["failure"]["code"], "unreadable");
    assert_eq!(records[1]["failure"]["code"], "no-face");
    assert!(ran.stderr.contains("bad.jpg") && ran.stderr.contains("no-face.jpg"));
}

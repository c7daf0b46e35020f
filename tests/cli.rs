//! The command line as its users meet it: answers, messages, exit statuses, files.

mod program;

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

// ------------------------------------------------------------------------------------------------ help and use

#[test]
fn without_arguments_a_short_help_with_two_examples() {
    let ran = run(&[]);
    assert_eq!((ran.status, ran.stderr.as_str()), (0, ""));
    assert_eq!(
        ran.stdout
            .lines()
            .filter(|l| l.starts_with("  bossmark "))
            .count(),
        2
    );
}

#[test]
fn wrong_use_is_status_2_and_help_is_0() {
    for wrong in [
        vec!["shoot"],
        vec!["measure"],
        vec!["measure", "--fase", "x"],
        vec!["read"],
        vec!["measure", "a.jpg", "--date", "May"],
        vec!["measure", "a.jpg", "--distance", "far"],
        vec!["confirm", "a.json", "--json"],
        vec!["confirm", "a.json", "--accept", "--port", "4200"],
        vec!["confirm", "a.json", "--accept", "--edits", "b.json"],
    ] {
        let ran = run(&wrong);
        assert_eq!(ran.status, 2, "{wrong:?}: {}", ran.stderr);
        assert_eq!(ran.stdout, "");
        assert!(!ran.stderr.is_empty());
    }
    for command in [
        "measure",
        "confirm",
        "read",
        "advise",
        "day",
        "history",
        "plan",
        "rehearse",
        "lens",
        "faces",
        "completions",
        "man",
    ] {
        let ran = run(&[command, "--help"]);
        assert_eq!(ran.status, 0);
        let example = ran.stdout.find("Examples:").expect("examples");
        assert!(
            example < ran.stdout.find("Usage:").expect("usage"),
            "examples first"
        );
    }
    assert!(
        run(&["--version"])
            .stdout
            .contains(env!("CARGO_PKG_VERSION"))
    );
}

#[test]
fn the_page_needs_files_and_says_what_goes_without_it() {
    let ran = run(&["confirm", "a.json", "--json"]);
    let said = one_sentence(&ran);
    assert!(said.contains("--accept") && said.contains("--edits"));
    let missing = run(&["confirm", "none-here.jpg"]);
    assert_eq!(missing.status, 3, "{}", missing.stderr);
    // nothing to show: no page that shows nothing
    let stream = run_with(&["confirm", "-"], "{}");
    assert_eq!(stream.status, 2, "{}", stream.stderr);
    let folder = folder();
    let notes = put(&folder, "notes.json", "my notes");
    let ran = run(&["confirm", text(&notes), "--no-open"]);
    assert_eq!(ran.status, 3, "{}", ran.stderr);
    assert!(one_sentence(&ran).contains("notes.json"));
}

#[test]
fn faces_are_listed_with_sources() {
    let ran = run(&["faces", "--json"]);
    assert_eq!(ran.status, 0);
    let document = &json_lines(&ran.stdout)[0];
    let listed: Vec<&str> = document["faces"]
        .as_array()
        .expect("faces")
        .iter()
        .filter_map(|f| f["name"].as_str())
        .collect();
    for name in [
        "wa-122",
        "wa-80",
        "wa-60",
        "wa-40",
        "wa-80-6zone",
        "wa-40-3spot",
    ] {
        assert!(listed.contains(&name), "{name} is missing from {listed:?}");
    }
    let lines = run(&["faces"]).stdout;
    assert!(lines.contains("wa-40-3spot") && !lines.contains("rings, mm"));
    assert!(lines.lines().all(|l| l.chars().count() <= 80), "{lines}");
    assert!(run(&["faces", "--sources"]).stdout.contains("rings, mm"));
}

// ------------------------------------------------------------------------------------------------ measuring

#[test]
fn measure_writes_json_only_and_the_session_is_in_the_record() {
    let folder = folder();
    let photo = folder.path().join("evening-1.jpg");
    fs::copy(sample("evening/evening-1.jpg"), &photo).expect("copied");
    put(
        &folder,
        "session.json",
        r#"{"schema": "bossmark/session/1", "face": "wa-80", "fletched": 3, "bare": 3,
        "session": {"archer": "A", "hand": "right", "distance_m": 30.0, "setup": {"point_gr": 100}}}"#,
    );
    let marked = folder.path().join("look.png");
    let stages = folder.path().join("stages");
    let ran = run(&[
        "measure",
        text(&photo),
        "--json",
        "--hand",
        "left",
        "--bow",
        "B",
        "--marked",
        text(&marked),
        "--debug-dir",
        text(&stages),
    ]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let records = json_lines(&ran.stdout);
    let record = &records[0];
    assert_eq!(records.len(), 1);
    assert_eq!(record["schema"], "bossmark/end/1");
    assert_eq!(record["photo"]["file"], "evening-1.jpg");
    let session = &record["session"];
    assert_eq!(
        (&session["hand"], &session["archer"], &session["end"]),
        (&json!("left"), &json!("A"), &json!(1))
    );
    assert_eq!(
        (&session["setup"]["bow"], &session["setup"]["point_gr"]),
        (&json!("B"), &json!(100.0))
    );
    assert!(!record["entries"].as_array().expect("entries").is_empty());
    assert!(
        fs::read(&marked)
            .expect("marked photo")
            .starts_with(b"\x89PNG")
    );
    let mut pictures: Vec<String> = fs::read_dir(&stages)
        .expect("stages")
        .map(|e| e.expect("item").file_name().into_string().expect("UTF-8"))
        .collect();
    pictures.sort();
    assert_eq!(
        pictures,
        [
            "01-upright.png",
            "02-edges.png",
            "03-rectified.png",
            "04-shafts.png",
            "05-result.png"
        ]
    );
}

/// Two points that a person marks one above the other, in the record and against the other signs.
#[test]
fn up_is_what_a_person_marks() {
    let photo = sample("odd/no-arrows.jpg");
    let measured = |up: &str| {
        let ran = run(&[
            "measure",
            text(&photo),
            "--face",
            "wa-122",
            "--up",
            up,
            "--json",
        ]);
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        json_lines(&ran.stdout).remove(0)
    };
    let notes = |record: &Value| -> Vec<(String, String)> {
        let told = |n: &Value, key: &str| n[key].as_str().expect("text").to_owned();
        let all = record["notes"].as_array().expect("notes");
        all.iter()
            .map(|n| (told(n, "code"), told(n, "text")))
            .collect()
    };
    let differs = |record: &Value| -> Vec<String> {
        let of_code = notes(record)
            .into_iter()
            .filter(|n| n.0 == "upright-differs");
        of_code.map(|n| n.1).collect()
    };
    // the truth's places of (0, -610) and (0, 610) mm
    let right = measured("625.95,709.59,629.29,240.08");
    assert_eq!(right["camera"]["upright"]["from"], "fused");
    assert!(differs(&right).is_empty());
    let shares = measured("0.48941,0.73968,0.49202,0.25060");
    let rotation = |r: &Value| {
        r["camera"]["face_to_camera"]["rotation"][0][0]
            .as_f64()
            .expect("number")
    };
    assert!((rotation(&right) - rotation(&shares)).abs() < 1e-4);
    // eight degrees off the paper's edges: the person is believed, and the paper named
    let askew = measured("658.7,707.4,595.9,242.1");
    let upright = &askew["camera"]["upright"];
    assert_eq!(upright["from"], "person");
    let sd = upright["sd_deg"].as_f64().expect("number");
    assert!((0.3..1.0).contains(&sd), "{sd}");
    let said = differs(&askew);
    assert!(
        said.iter()
            .any(|t| t.contains("the paper's edge") && t.contains("the line that was marked")),
        "{said:?}"
    );
    // the upper point first
    let reversed = measured("629.29,240.08,625.95,709.59");
    assert!(
        differs(&reversed)
            .iter()
            .any(|t| t.contains("the lower was the first"))
    );
    let near = measured("626,500,626,496");
    assert_eq!(near["camera"]["upright"]["from"], "paper-edge");
    assert!(notes(&near).iter().any(|n| n.0 == "upright-marks-unused"));
    for wrong in [
        vec![
            "measure",
            text(&photo),
            text(&photo),
            "--face",
            "wa-122",
            "--up",
            "1,2,3,4",
        ],
        vec!["measure", text(&photo), "--face", "wa-122", "--up", "1,2,3"],
        vec![
            "measure",
            text(&photo),
            "--face",
            "wa-122",
            "--up",
            "1,2,3,4",
            "--points",
            "p.json",
        ],
    ] {
        let ran = run(&wrong);
        assert_eq!(ran.status, 2, "{wrong:?}");
        assert!(ran.stderr.contains("--up"), "{}", ran.stderr);
    }
}

#[test]
fn the_same_photo_gives_the_same_bytes_with_1_and_8_threads() {
    let photo = sample("student/student-1.jpg");
    let with = |threads: &str| {
        let output = program()
            .args(["measure", text(&photo), "--json"])
            .env("RAYON_NUM_THREADS", threads)
            .output()
            .expect("the program runs");
        assert_eq!(output.status.code(), Some(0));
        output.stdout
    };
    let one = with("1");
    assert!(!one.is_empty());
    assert_eq!(one, with("8"));
    assert_eq!(one, with("1"));
}

#[test]
fn out_writes_a_whole_file_or_none() {
    let folder = folder();
    let photo = sample("odd/no-face.jpg");
    let out = folder.path().join("end.json");
    let ran = run(&[
        "measure",
        text(&photo),
        "--face",
        "wa-80",
        "--out",
        text(&out),
    ]);
    assert_eq!((ran.status, ran.stdout.as_str()), (1, ""));
    assert!(fs::read_to_string(&out).expect("file").ends_with("}\n"));
    assert_eq!(names(&folder), ["end.json"], "nothing else stays");
    // a folder that isn't there, a folder in the place of the file, and a file that is something else
    let notes = put(&folder, "notes.txt", "mine");
    for (place, status) in [
        (folder.path().join("none/end.json"), 3),
        (folder.path().to_owned(), 3),
        (notes.clone(), 2),
    ] {
        let ran = run(&[
            "measure",
            text(&photo),
            "--face",
            "wa-80",
            "--out",
            text(&place),
        ]);
        assert_eq!(ran.status, status, "{}", ran.stderr);
    }
    assert_eq!(fs::read_to_string(&notes).expect("file"), "mine");
    assert_eq!(names(&folder), ["end.json", "notes.txt"]);
}

// ------------------------------------------------------------------------------------------------ records

#[test]
fn accept_confirms_and_keeps_unknown_fields() {
    let folder = folder();
    let mut record = tape_end(60.0, right_handed());
    record["entries"][0]["nock"] = json!("red");
    record["session"]["weather"] = json!({"wind": 2});
    let path = put(&folder, "a.end.json", record.to_string());
    let ran = run(&["confirm", text(&path), "--accept"]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let written: Value = serde_json::from_slice(&fs::read(&path).expect("file")).expect("JSON");
    assert_eq!(written["revision"], 1);
    assert!(
        written["entries"]
            .as_array()
            .expect("entries")
            .iter()
            .all(|e| e["state"] == "confirmed")
    );
    assert_eq!(
        (&written["moon"], &written["entries"][0]["nock"]),
        (&json!("full"), &json!("red"))
    );
    assert_eq!(written["session"]["weather"]["wind"], 2);
    let before = fs::read(&path).expect("file");
    assert_eq!(run(&["confirm", text(&path), "--accept"]).status, 0);
    assert_eq!(
        fs::read(&path).expect("file"),
        before,
        "confirmed once is confirmed"
    );
    assert_eq!(names(&folder), ["a.end.json"]);
}

#[test]
fn edits_are_applied_all_or_none() {
    let folder = folder();
    let path = put(
        &folder,
        "a.end.json",
        tape_end(60.0, right_handed()).to_string(),
    );
    let edits = put(
        &folder,
        "edits.json",
        r#"{"schema": "bossmark/edits/1", "revision": 0, "edits": [
        {"do": "move", "id": 1, "x_mm": 5, "y_mm": 6}, {"do": "remove", "id": 2}, {"do": "tag", "id": 3, "kind": "bare"},
        {"do": "add", "kind": "fletched", "x_mm": 1, "y_mm": 2}, {"do": "missed", "kind": "bare", "note": "low"}]}"#,
    );
    let ran = run(&["confirm", text(&path), "--edits", text(&edits), "--json"]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let written: Value = serde_json::from_slice(&fs::read(&path).expect("file")).expect("JSON");
    assert_eq!(json_lines(&ran.stdout)[0], written);
    let ids: Vec<u64> = written["entries"]
        .as_array()
        .expect("entries")
        .iter()
        .filter_map(|e| e["id"].as_u64())
        .collect();
    assert_eq!(ids, [1, 3, 4, 5, 6, 7]);
    assert_eq!(written["missed"][0]["note"], "low");
    // made on revision 0, which it no longer is
    let before = fs::read(&path).expect("file");
    let ran = run(&["confirm", text(&path), "--edits", text(&edits)]);
    assert_eq!(ran.status, 2);
    assert!(one_sentence(&ran).contains("revision 0"));
    let wrong = put(
        &folder,
        "wrong.json",
        r#"{"schema": "bossmark/edits/1", "edits": [{"do": "remove", "id": 1}, {"do": "remove", "id": 99}]}"#,
    );
    let ran = run(&["confirm", text(&path), "--edits", text(&wrong)]);
    assert_eq!(ran.status, 2);
    assert!(one_sentence(&ran).contains("no entry 99"));
    assert_eq!(fs::read(&path).expect("file"), before);
}

#[test]
fn records_come_from_stdin_and_lines_and_reading_is_one_document_a_run() {
    let mut second = right_handed();
    second["end"] = json!(2);
    let mut changed = second.clone();
    changed["end"] = json!(3);
    changed["setup"]["draw_weight_lb"] = json!(34.0);
    let lines = format!(
        "{}\n{}\n{}\n",
        tape_end(40.0, changed),
        tape_end(160.0, second),
        tape_end(160.0, right_handed())
    );
    let ran = run_with(&["read", "-", "--json"], &lines);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let readings = json_lines(&ran.stdout);
    assert_eq!(readings.len(), 2);
    assert_eq!(
        (&readings[0]["ends"], &readings[1]["ends"]),
        (&json!(2), &json!(1))
    );
    assert!(
        readings[0]["offset"]["x_mm"]
            .as_f64()
            .is_some_and(|x| (x - 160.0).abs() < 15.0),
        "{}",
        readings[0]["offset"]
    );
    assert_eq!(readings[0]["horizontal"]["call"], "weak");
    let text = run_with(&["read", "-"], &lines);
    assert_eq!(text.status, 0);
    assert!(serde_json::from_str::<Value>(&text.stdout).is_err() && !text.stdout.is_empty());
}

#[test]
fn reading_without_one_kind_is_status_1_and_says_why() {
    let mut record = tape_end(60.0, right_handed());
    let entries = record["entries"].as_array_mut().expect("entries");
    entries.truncate(3);
    let ran = run_with(&["read", "-", "--json"], &record.to_string());
    assert_eq!(ran.status, 1, "{}", ran.stderr);
    let reading = &json_lines(&ran.stdout)[0];
    assert!(reading["failure"]["text"].is_string() && reading["offset"].is_null());
}

#[test]
fn a_record_is_never_lost_to_a_slip_of_the_file_name() {
    let folder = folder();
    let path = put(
        &folder,
        "a.end.json",
        tape_end(60.0, right_handed()).to_string(),
    );
    let before = fs::read(&path).expect("file");
    let ran = run(&["read", text(&path), "--out", text(&path)]);
    assert_eq!(ran.status, 2);
    assert_eq!(fs::read(&path).expect("file"), before);
    // a proposal over a person's work
    assert_eq!(run(&["confirm", text(&path), "--accept"]).status, 0);
    let confirmed = fs::read(&path).expect("file");
    let ran = run(&[
        "measure",
        text(&sample("odd/no-face.jpg")),
        "--face",
        "wa-80",
        "--out",
        text(&path),
    ]);
    assert_eq!(ran.status, 2);
    assert!(ran.stderr.contains("confirmed"));
    assert_eq!(fs::read(&path).expect("file"), confirmed);
}

#[test]
fn advice_is_one_document_for_the_newest_bow() {
    let mut other = right_handed();
    other["archer"] = json!("somebody else");
    other["date"] = json!("2026-05-01");
    let mut second = right_handed();
    second["end"] = json!(2);
    let lines = format!(
        "{}\n{}\n{}\n",
        tape_end(150.0, second),
        tape_end(40.0, other),
        tape_end(160.0, right_handed())
    );
    let ran = run_with(&["advise", "-", "--json"], &lines);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let documents = json_lines(&ran.stdout);
    assert_eq!(documents.len(), 1);
    let advice = &documents[0];
    assert_eq!(advice["schema"], "bossmark/advice/1");
    assert_eq!(advice["reading"]["ends"], 2);
    assert!(advice["next"]["change"].is_string());
    let cautions = advice["cautions"].as_array().expect("cautions");
    assert_eq!(
        cautions.iter().filter(|c| c["code"] == "other-bow").count(),
        1
    );
    let why = run_with(&["advise", "-", "--why", "--both"], &lines);
    assert_eq!(why.status, 0, "{}", why.stderr);
    assert!(why.stdout.contains("How that comes about"));
}

#[test]
fn completions_and_manual_know_every_command() {
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let ran = run(&["completions", shell]);
        assert_eq!((ran.status, ran.stderr.as_str()), (0, ""), "{shell}");
        for word in ["measure", "history", "--shard"] {
            // some shells' scripts write options without the dashes
            assert!(
                ran.stdout.contains(word.trim_start_matches('-')),
                "{shell}: {word}"
            );
        }
    }
    let page = run(&["man"]).stdout;
    assert!(page.contains(".TH bossmark 1") && page.contains("Exit status: 0 done"));
    let folder = folder();
    let ran = run(&["man", "--out", text(folder.path())]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let all = names(&folder);
    assert!(all.contains(&"bossmark.1".to_owned()) && all.contains(&"bossmark-day.1".to_owned()));
    let day = fs::read_to_string(folder.path().join("bossmark-day.1")).expect("page");
    assert!(
        day.contains("\nbossmark day evening/ \\-\\-report evening.html\n"),
        "{day}"
    );
}

#[test]
fn a_note_for_a_student_asks_for_what_is_open() {
    let note = run(&["plan", "--for-student"]).stdout;
    assert!(note.contains("which hand") && note.contains("one step to the side"));
    let told = run(&[
        "plan",
        "--for-student",
        "--hand",
        "left",
        "--distance",
        "18",
        "--face",
        "wa-60",
    ]);
    assert_eq!(told.status, 0, "{}", told.stderr);
    assert!(!told.stdout.contains("which hand") && told.stdout.contains("wa-60"));
    assert_eq!(run(&["plan", "--for-student", "--face", "wa-61"]).status, 2);
}

#[test]
fn a_plan_needs_nothing_and_uses_what_there_is() {
    let ran = run(&["plan", "--json", "--distance", "30", "--scatter", "25"]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let plan = &json_lines(&ran.stdout)[0];
    assert_eq!(
        (&plan["schema"], &plan["distance_m"]),
        (&json!("bossmark/plan/1"), &json!(30.0))
    );
    assert_eq!(plan["scatter"]["sd_mm"], 25.0);
    assert!(run(&["plan"]).stdout.contains("fletched"));
    let told = run_with(
        &["plan", "-", "--json"],
        &tape_end(60.0, right_handed()).to_string(),
    );
    assert_eq!(json_lines(&told.stdout)[0]["scatter"]["from"], "told");
}

#[cfg(unix)]
#[test]
fn a_reader_that_goes_away_is_no_error() {
    use std::process::{Command, Stdio};
    let mut child = Command::new(env!("CARGO_BIN_EXE_bossmark"))
        .arg("faces")
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program runs");
    drop(child.stdout.take());
    let output = child.wait_with_output().expect("ended");
    assert_eq!(output.status.code(), Some(0));
    assert_eq!(String::from_utf8_lossy(&output.stderr), "");
}

// ------------------------------------------------------------------------------------------------ practice photos

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
    let doubts = |face: &str, told: Option<f64>| {
        let session = json!({"schema": "bossmark/session/1", "session": {"setup": {"shaft_diameter_mm": told}}});
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

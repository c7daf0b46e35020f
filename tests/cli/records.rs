//! Records: confirmed, edited, read, advised on; the manual and plans.

use super::program::{run, sample, text};
use super::{folder, json_lines, names, one_sentence, put, right_handed, run_with, tape_end};
use serde_json::{Value, json};
use std::fs;

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
    let given = run(&[
        "plan",
        "--for-student",
        "--hand",
        "left",
        "--distance",
        "18",
        "--face",
        "wa-60",
    ]);
    assert_eq!(given.status, 0, "{}", given.stderr);
    assert!(!given.stdout.contains("which hand") && given.stdout.contains("wa-60"));
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
    let given = run_with(
        &["plan", "-", "--json"],
        &tape_end(60.0, right_handed()).to_string(),
    );
    assert_eq!(json_lines(&given.stdout)[0]["scatter"]["from"], "told");
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

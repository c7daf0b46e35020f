//! Help, wrong use, and the lists of faces.

use super::program::{run, text};
use super::{folder, json_lines, one_sentence, put, run_with};

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
        for line in ran.stdout.lines() {
            assert!(line.chars().count() <= 80, "{command}: {line}");
        }
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

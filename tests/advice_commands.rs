//! What stands around the advice: the plan before it, the history and the log card after it, and what both refuse.

#![allow(clippy::unwrap_used, reason = "a test may fail on the spot")]

#[allow(dead_code, reason = "only records as files are made here")]
mod common;
mod program;

use bossmark::advice::Knowledge;
use common::{Shoot, club_setup};
use program::{Ran, program, ran, run, text};
use serde_json::{Value, json};
use std::fs;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// These ends as a file of records, one a line.
fn records(folder: &TempDir, ends: &[Shoot]) -> PathBuf {
    let lines = common::history(ends).runs.into_iter().flat_map(|r| r.ends);
    let lines: Vec<String> = lines
        .map(|f| serde_json::to_string(&f.end).unwrap())
        .collect();
    let path = folder.path().join("ends.jsonl");
    fs::write(&path, lines.join("\n")).unwrap();
    path
}

fn with(changes: &Value) -> Value {
    let mut setup = club_setup();
    for (key, value) in changes.as_object().unwrap() {
        setup[key] = value.clone();
    }
    setup
}

fn output(ran: &Ran) -> &str {
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    &ran.stdout
}

/// A number that no bow has is refused where the set-up is made, and just so where somebody wrote it into a record.
#[test]
fn numbers_that_no_bow_has_are_refused_alike() {
    for (flag, field, value) in [
        ("--rest-height", "rest_height_mm", 40.0),
        ("--length", "shaft_length_mm", 508.0),
        ("--draw-weight", "draw_weight_lb", 300.0),
        ("--spine", "shaft_spine", 3.0),
    ] {
        let folder = TempDir::new().unwrap();
        let given = format!("{value}");
        let made = ran(program()
            .current_dir(folder.path())
            .args(["setup", "--face", "wa-80", "--hand", "right", flag, &given]));
        let path = records(&folder, &[Shoot::new(1, with(&json!({ field: value })))]);
        for refused in [
            made,
            run(&["advise", text(&path)]),
            run(&["read", text(&path)]),
        ] {
            assert_eq!(refused.status, 2, "{field}: {}", refused.stderr);
            let sentence = refused.stderr.trim();
            assert!(sentence.contains(field), "{field}: {sentence}");
            assert_eq!(sentence.lines().count(), 1, "{sentence}");
            assert!(refused.stdout.is_empty(), "{}", refused.stdout);
        }
    }
}

/// The plan asks for as many ends as the advice wants before a step that can't be undone, says how many more a certainty takes, and
/// fits a terminal.
#[test]
fn the_plan_asks_for_what_the_advice_wants() {
    let plan = run(&["plan", "--distance", "30", "--json"]);
    let plan: Value = serde_json::from_str(output(&plan)).unwrap();
    let wanted = Knowledge::embedded().min_ends_before_irreversible_step();
    assert_eq!(plan["ends"].as_u64(), u64::try_from(wanted).ok(), "{plan}");
    assert!(
        plan["needed"]["ends"].as_u64() > plan["ends"].as_u64(),
        "{plan}"
    );
    assert!(plan["fletched"].as_u64().unwrap() >= 3 && plan["bare"].as_u64().unwrap() >= 3);
    let plan = run(&["plan", "--distance", "30"]);
    let said = output(&plan);
    for words in [
        "of each",
        "[ ] centre-shot",
        "[ ] clearance",
        "[ ] brace-height",
        "[ ] nock-fit",
    ] {
        assert!(said.contains(words), "no {words}: {said}");
    }
    for line in said.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
}

fn season(folder: &TempDir) -> PathBuf {
    let softer = || with(&json!({"bolt_turns_out": 2.0, "draw_weight_lb": 35.0}));
    records(
        folder,
        &[
            Shoot::new(1, club_setup()).offset(180.0, 0.0).scatter(0.6),
            Shoot::new(2, club_setup()).offset(180.0, 0.0).scatter(0.6),
            Shoot::new(3, softer()).offset(60.0, 0.0).scatter(2.4),
            Shoot::new(4, softer()).offset(60.0, 0.0).scatter(2.4),
        ],
    )
}

#[test]
fn the_history_names_the_best_set_up_and_groups_that_have_grown() {
    let folder = TempDir::new().unwrap();
    let history = run(&["history", text(&season(&folder))]);
    let said = output(&history);
    assert!(
        said.contains("The best set-up so far is number 2"),
        "{said}"
    );
    assert!(said.contains("The groups have grown"), "{said}");
}

/// One page: the set-up, what each lever does, the history in ten lines, and what comes next.
#[test]
fn the_card_holds_the_bow_on_one_page() {
    let folder = TempDir::new().unwrap();
    let path = season(&folder);
    let card = run(&["card", text(&path)]);
    let said = output(&card);
    for words in [
        "Set-up",
        "What each lever does",
        "History",
        "Now:",
        "Draw weight",
        "learned from 1 change",
    ] {
        assert!(said.contains(words), "no {words}: {said}");
    }
    assert!(said.lines().count() <= 60, "{said}");
    assert!(
        said.lines().all(|line| line.chars().count() <= 80),
        "{said}"
    );
    let card = run(&["card", text(&path), "--json"]);
    let card: Value = serde_json::from_str(output(&card)).unwrap();
    assert_eq!(card["schema"], "bossmark/card/1");
    assert_eq!(card["best"]["number"], 2);
}

/// Without flags the answer to the sample evening is one of a hundred words or so.
#[test]
fn the_sample_evening_is_answered_in_a_hundred_words() {
    let folder = TempDir::new().unwrap();
    let evening = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-photos/evening");
    for file in fs::read_dir(evening).unwrap() {
        let from = file.unwrap().path();
        fs::copy(&from, folder.path().join(from.file_name().unwrap())).unwrap();
    }
    output(&run(&["confirm", text(folder.path()), "--accept"]));
    let ran = run(&["advise", text(folder.path())]);
    let said = output(&ran);
    let words = said.split_whitespace().count();
    assert!((30..=120).contains(&words), "{words} words:\n{said}");
    for part in ["Groups", "Next", "--why"] {
        assert!(said.contains(part), "no {part}: {said}");
    }
}

//! Set-ups of a day's photos, and a coach's evening with several archers.

use super::program::{Ran, run, text};
use super::{copy, files, folder, lines, practice, put, records, run_with, tape_end};
use serde_json::{Value, json};
use std::fs;

#[test]
fn set_up_files_hold_from_their_photo_on_and_flags_over_all() {
    let folder = folder();
    practice(folder.path(), 3);
    let session = json!({"schema": "bossmark/session/1", "face": "wa-40",
        "session": {"hand": "right", "distance_m": 30.0, "date": "2026-05-03", "setup": {"draw_weight_lb": 36.0, "plunger_clicks": 0}}});
    put(folder.path(), "session.json", session.to_string());
    put(
        folder.path(),
        "practice-0002.setup.json",
        r#"{"plunger_clicks": 2}"#,
    );
    put(
        folder.path(),
        "elsewhere.setup.json",
        r#"{"plunger_clicks": 9}"#,
    );
    let ran = run(&["day", text(folder.path()), "--json"]);
    assert!(
        ran.stderr
            .contains("elsewhere.setup.json: belongs to no photo"),
        "{}",
        ran.stderr
    );
    let clicks = |ran: &Ran| -> Vec<(u64, f64)> {
        lines(&ran.stdout)
            .iter()
            .map(|e| {
                let session = &e["session"];
                (
                    session["end"].as_u64().expect("end"),
                    session["setup"]["plunger_clicks"].as_f64().expect("clicks"),
                )
            })
            .collect()
    };
    let seen = clicks(&ran);
    // practice photos may bear any date: the number of the end says which come after the second
    let from = seen[1].0;
    for (number, clicks) in &seen {
        let wanted = if *number >= from { 2.0 } else { 0.0 };
        assert!((clicks - wanted).abs() < 1e-9, "{seen:?}");
    }
    let flag = put(
        folder.path(),
        "night.json",
        r#"{"plunger_clicks": -3, "bow": "b"}"#,
    );
    let ran = run(&[
        "day",
        text(folder.path()),
        "--again",
        "--json",
        "--setup",
        text(&flag),
    ]);
    assert!(clicks(&ran).iter().all(|(_, c)| (c + 3.0).abs() < 1e-9));
    put(folder.path(), "night.json", r#"{"plunger_clix": -3}"#);
    let ran = run(&["day", text(folder.path()), "--setup", text(&flag)]);
    assert_eq!(ran.status, 2);
    assert!(ran.stderr.contains("plunger_clicks"), "{}", ran.stderr);
}

#[test]
fn photos_without_exif_ask_for_nothing_when_flags_tell() {
    let photos = folder();
    for n in 1..=3 {
        copy(
            &format!("student/student-{n}.jpg"),
            &photos.path().join(format!("wa{n}.jpg")),
        );
    }
    let report = photos.path().join("r.html");
    let ran = run(&[
        "day",
        text(photos.path()),
        "--hand",
        "left",
        "--distance",
        "18",
        "--face",
        "wa-60",
        "--report",
        text(&report),
    ]);
    assert_eq!((ran.status, ran.stderr.as_str()), (0, ""));
    for (name, bytes) in records(photos.path()) {
        let end: Value = serde_json::from_slice(&bytes).expect("JSON");
        assert_eq!(end["session"]["hand"], "left", "{name}");
        assert_eq!(end["session"]["archer"], Value::Null, "names are optional");
    }
    assert!(
        fs::read_to_string(&report)
            .expect("report")
            .contains("left-handed")
    );
}

#[test]
fn several_archers_stand_side_by_side_and_each_has_a_report() {
    let club = folder();
    let at = |name: &str| club.path().join(name);
    copy("student/student-1.jpg", &at("ana/IMG_1.jpg"));
    copy("student/student-2.jpg", &at("ben/IMG_1.jpg"));
    put(
        club.path(),
        "ben/session.json",
        r#"{"schema": "bossmark/session/1", "session": {"archer": "Ben, who isn't named", "note": "slept badly", "setup": {"bow": "Ben's blue one"}}}"#,
    );
    let out = folder();
    let reports = out.path().join("reports");
    let whole = out.path().join("all.html");
    let arguments = [
        "day",
        text(club.path()),
        "--hand",
        "left",
        "--distance",
        "18",
        "--face",
        "wa-60",
        "--out",
        text(out.path()),
        "--reports",
        text(&reports),
        "--report",
        text(&whole),
    ];
    let ran = run(&arguments);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let line_of = |name: &str| ran.stdout.find(&format!("\n  {name}"));
    let (ana, ben) = (line_of("ana: "), line_of("Ben, who"));
    assert!(
        ana.is_some() && ana < ben,
        "in the order of their folders: {}",
        ran.stdout
    );
    let names: Vec<String> = records(out.path()).into_keys().collect();
    assert_eq!(names, ["ana/IMG_1.end.json", "ben/IMG_1.end.json"]);
    let all = files(&reports);
    assert_eq!(all.len(), 2, "{:?}", all.keys());
    let private = ["ana", "Ben, who", "Ben's", "Ben&#39;s", "slept", "IMG_1"];
    for page in all.values().chain([&fs::read(&whole).expect("report")]) {
        let page = String::from_utf8(page.clone()).expect("UTF-8");
        let seen = without_pictures(&page);
        for word in private {
            assert!(
                !seen.contains(&format!(">{word}")) && !seen.contains(&format!(" {word} ")),
                "{word}"
            );
        }
        assert!(!seen.contains("blue one"), "what the bow is called");
        assert!(page.contains("data:image/jpeg"));
    }
    let mut named = arguments.to_vec();
    named.push("--names");
    assert_eq!(run(&named).status, 0);
    let page = fs::read_to_string(&whole).expect("report");
    assert!(page.contains("Ben, who") && page.contains("ana/IMG_1.jpg"));
    assert!(page.contains("blue one"));
}

fn without_pictures(page: &str) -> String {
    page.split("data:image/jpeg;base64,")
        .map(|part| part.split_once('"').map_or(part, |(_, rest)| rest))
        .collect()
}

#[test]
fn units_and_dates_are_told_by_flag_and_never_by_the_machine() {
    let folder = folder();
    let end = tape_end(
        160.0,
        json!({"hand": "right", "distance_m": 30.0, "date": "2031-06-13", "end": 1}),
    );
    put(folder.path(), "1.end.json", end.to_string());
    let report = folder.path().join("r.html");
    let day = |more: &[&str], locale: &str| {
        let mut arguments = vec!["day", text(folder.path()), "--report", text(&report)];
        arguments.extend(more);
        let ran = run_with(
            &arguments,
            &[("LANG", locale), ("LC_ALL", locale), ("TZ", "Asia/Tokyo")],
        );
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        (ran.stdout, fs::read_to_string(&report).expect("report"))
    };
    let plain = day(&[], "C");
    assert_eq!(day(&[], "en_US.UTF-8"), plain);
    assert!(plain.1.contains("2031-06-13") && plain.0.contains(" mm right"));
    let (said, page) = day(&["--units", "in", "--dates", "dmy"], "C");
    assert!(page.contains("13 June 2031") && !page.contains("2031-06-13"));
    assert!(
        said.contains(" in right") && !said.contains(" mm right"),
        "{said}"
    );
}

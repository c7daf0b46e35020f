//! A day's folders worked through: what is measured, kept, told, reported; other machines' shares; and kills at any moment.

#[path = "day/history.rs"]
mod history;
#[path = "day/kills.rs"]
mod kills;
mod program;
#[path = "day/set_ups.rs"]
mod set_ups;

use program::{Ran, program, ran, run, sample, text};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

fn run_with(arguments: &[&str], environment: &[(&str, &str)]) -> Ran {
    ran(program().args(arguments).envs(environment.iter().copied()))
}

fn folder() -> TempDir {
    tempfile::tempdir().expect("temporary folder")
}

fn put(folder: &Path, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
    let path = folder.join(name);
    fs::create_dir_all(path.parent().expect("folder")).expect("made");
    fs::write(&path, bytes).expect("written");
    path
}

fn copy(name: &str, to: &Path) {
    fs::create_dir_all(to.parent().expect("folder")).expect("made");
    fs::copy(sample(name), to).expect("copied");
}

/// Every file of a folder and those below it, by its path from there.
fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut left = vec![folder.to_owned()];
    while let Some(next) = left.pop() {
        for item in fs::read_dir(&next).expect("folder") {
            let path = item.expect("item").path();
            if path.is_dir() {
                left.push(path);
            } else {
                let name = text(path.strip_prefix(folder).expect("inside")).to_owned();
                found.insert(name, fs::read(&path).expect("read"));
            }
        }
    }
    found
}

fn records(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut all = files(folder);
    all.retain(|name, _| name.ends_with(".end.json"));
    all
}

fn lines(stdout: &str) -> Vec<Value> {
    stdout
        .lines()
        .map(|l| serde_json::from_str(l).unwrap_or_else(|e| panic!("{e}: {l}")))
        .collect()
}

/// Small practice photos with a session file, quick to measure.
fn practice(folder: &Path, count: u32) {
    let ran = run(&[
        "rehearse",
        "--face",
        "wa-40",
        "--count",
        &count.to_string(),
        "--size",
        "480x360",
        "--with-session",
        "--hand",
        "right",
        "--distance",
        "30",
        "--out",
        text(folder),
    ]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
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
                "kind": if id <= 3 { "fletched" } else { "bare" }, "state": "confirmed", "source": "tape"})
        })
        .collect();
    json!({"schema": "bossmark/end/1", "photo": null, "camera": null, "entries": entries, "session": session})
}

// ------------------------------------------------------------------------------------------------ working through

#[test]
fn a_day_s_folder_becomes_records_advice_and_a_report() {
    let folder = folder();
    let at = |name: &str| folder.path().join(name);
    copy("evening/evening-1.jpg", &at("evening-1.jpg"));
    copy("evening/session.json", &at("session.json"));
    put(folder.path(), "broken.jpg", b"no picture");
    let tape = tape_end(
        160.0,
        json!({"hand": "right", "distance_m": 30.0, "date": "2031-06-13", "end": 1, "setup": {"draw_weight_lb": 36.0}}),
    );
    put(folder.path(), "tape.end.json", tape.to_string());
    let report = at("report.html");
    let day = |more: &[&str]| {
        let mut arguments = vec!["day", text(folder.path())];
        arguments.extend(more);
        run(&arguments)
    };
    let ran = day(&["--json", "--report", text(&report)]);
    assert_eq!(ran.status, 3, "one photo is broken: {}", ran.stderr);
    assert!(
        ran.stderr.contains("broken.jpg") && ran.stderr.contains("evening-2.jpg"),
        "{}",
        ran.stderr
    );
    let ends = lines(&ran.stdout);
    assert_eq!(
        ends.len(),
        3,
        "a line for each photo and each end without one"
    );
    assert!(ends.iter().all(|e| e["schema"] == "bossmark/end/1"));
    assert_eq!(ends[0]["failure"]["code"], "unreadable");
    assert_eq!(ends[1]["photo"]["file"], "evening-1.jpg");
    assert_eq!(ends[2]["session"]["date"], "2031-06-13");
    let page = fs::read_to_string(&report).expect("report");
    assert!(
        page.contains("<html")
            && page.trim_end().ends_with("</html>")
            && page.contains("data:image/jpeg")
    );
    let names: Vec<String> = files(folder.path()).into_keys().collect();
    assert_eq!(
        names,
        [
            "broken.jpg",
            "evening-1.end.json",
            "evening-1.jpg",
            "report.html",
            "session.json",
            "tape.end.json"
        ]
    );

    // again: nothing is measured twice, the report is the same
    let record = at("evening-1.end.json");
    let first = fs::read(&record).expect("record");
    let ran = day(&["--report", text(&report)]);
    assert!(
        ran.stdout.contains("0 measured now, 2 done before"),
        "{}",
        ran.stdout
    );
    assert!(
        ran.stdout
            .contains(&format!("bossmark confirm {}", text(folder.path()))),
        "{}",
        ran.stdout
    );
    assert_eq!(fs::read(&record).expect("record"), first);
    assert_eq!(fs::read_to_string(&report).expect("report"), page);

    // a record that somebody spoiled is made again when asked for, the same as before
    let mut spoilt: Value = serde_json::from_slice(&first).expect("JSON");
    spoilt["entries"] = json!([]);
    fs::write(&record, spoilt.to_string()).expect("written");
    day(&[]);
    assert_ne!(
        fs::read(&record).expect("record"),
        first,
        "it is there, so it is kept"
    );
    day(&["--again"]);
    assert_eq!(fs::read(&record).expect("record"), first);

    // a person's work stays, whatever is asked for and whatever the session file says now
    assert_eq!(run(&["confirm", text(&record), "--accept"]).status, 0);
    let confirmed = fs::read(&record).expect("record");
    let ran = day(&["--again", "--distance", "18", "--face", "wa-122"]);
    assert!(
        ran.stderr
            .contains("its record has distance_m 30.0, the session file or the flags say 18.0"),
        "{}",
        ran.stderr
    );
    assert_eq!(fs::read(&record).expect("record"), confirmed);
    assert_eq!(
        day(&["--report", text(&record)]).status,
        2,
        "no report over a record"
    );
    assert_eq!(fs::read(&record).expect("record"), confirmed);
}

/// Of several archers each keeps what their own session file says; a photo beside their folders is nobody's.
#[test]
fn flags_don_t_overrule_an_archer_s_session_file() {
    let folder = folder();
    for archer in ["mara", "tom"] {
        fs::create_dir(folder.path().join(archer)).expect("folder");
        put(
            folder.path(),
            &format!("{archer}/a.jpg"),
            b"never looked at",
        );
    }
    put(
        folder.path(),
        "mara/session.json",
        br#"{"schema": "bossmark/session/1", "face": "wa-60", "fletched": 4, "session": {"hand": "left"}}"#,
    );
    put(folder.path(), "stray.jpg", b"never looked at");
    let flags = ["--hand", "right", "--face", "wa-80", "--fletched", "4"];
    let ran = run(&[&["day", text(folder.path())], flags.as_slice()].concat());
    assert_eq!(ran.status, 2, "{}", ran.stderr);
    for words in [
        "says hand left, the flags say right",
        "says face wa-60, the flags say wa-80",
        "stray.jpg: in none of the archers' folders",
    ] {
        assert!(ran.stderr.contains(words), "{words}: {}", ran.stderr);
    }
    assert!(!ran.stderr.contains("fletched"), "{}", ran.stderr);
    // what nobody has said is filled
    let ran = run(&[
        "day",
        text(folder.path()),
        "--distance",
        "18",
        "--face",
        "wa-60",
    ]);
    assert!(!ran.stderr.contains("the flags say"), "{}", ran.stderr);
}

#[test]
fn a_day_without_a_face_or_photos_says_so_once() {
    let folder = folder();
    let once = |ran: &Ran, words: &str| {
        assert_eq!(ran.stderr.lines().count(), 1, "{}", ran.stderr);
        assert!(ran.stderr.contains(words), "{}", ran.stderr);
    };
    let ran = run(&["day", text(folder.path())]);
    assert_eq!(ran.status, 1);
    once(&ran, "no photo");
    for name in ["a.jpg", "b.jpg"] {
        put(folder.path(), name, b"never looked at");
    }
    let ran = run(&["day", text(folder.path())]);
    assert_eq!(ran.status, 2);
    once(&ran, "--face");
    let ran = run(&["day", text(&folder.path().join("a.jpg")), "--face", "wa-80"]);
    assert_eq!(ran.status, 3);
    once(&ran, "folder");
}

#[test]
fn the_same_bytes_come_out_with_1_and_8_threads() {
    let (one, eight) = (folder(), folder());
    for (out, threads) in [(&one, "1"), (&eight, "8")] {
        let out = out.path();
        let ran = run(&[
            "day",
            text(&sample("student")),
            "--out",
            text(&out.join("records")),
            "--threads",
            threads,
            "--report",
            text(&out.join("report.html")),
            "--csv",
            text(&out.join("table.csv")),
            "--svg",
            text(&out.join("svg")),
        ]);
        assert_eq!(ran.status, 0, "{}", ran.stderr);
    }
    let (one, eight) = (files(one.path()), files(eight.path()));
    assert!(one.contains_key("svg/setup-1.svg"));
    assert_eq!(
        one.keys().collect::<Vec<_>>(),
        eight.keys().collect::<Vec<_>>()
    );
    for (name, bytes) in &one {
        assert!(*bytes == eight[name], "{name} differs");
    }
}

#[cfg(feature = "png")]
#[test]
fn drawings_as_png_have_the_same_bytes_with_1_and_8_threads() {
    let records = folder();
    let student = text(&sample("student")).to_owned();
    let out = text(records.path()).to_owned();
    let drawings = ["1", "8"].map(|threads| {
        let png = folder();
        let folder = text(png.path()).to_owned();
        let ran = run(&[
            "day",
            &student,
            "--out",
            &out,
            "--threads",
            threads,
            "--png",
            &folder,
        ]);
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        files(png.path())
    });
    assert!(drawings[0].contains_key("setup-1.png"));
    assert!(drawings[0] == drawings[1], "the drawings differ");
}

#[cfg(not(feature = "png"))]
#[test]
fn png_without_its_feature_is_refused_before_anything_is_measured() {
    let (photos, png) = (folder(), folder());
    practice(photos.path(), 1);
    let ran = run(&["day", text(photos.path()), "--png", text(png.path())]);
    assert_eq!(ran.status, 2, "{}", ran.stderr);
    assert!(ran.stderr.contains("--features png"), "{}", ran.stderr);
    assert!(records(photos.path()).is_empty() && files(png.path()).is_empty());
}

#[test]
fn a_photo_counts_once_under_any_name() {
    let folder = folder();
    practice(folder.path(), 2);
    let at = |name: &str| folder.path().join(name);
    fs::copy(at("practice-0001.jpg"), at("zz-copy.jpg")).expect("copied");
    let ran = run(&["day", text(folder.path())]);
    assert!(
        ran.stderr
            .contains("zz-copy.jpg: the same photo as practice-0001.jpg"),
        "{}",
        ran.stderr
    );
    let first = records(folder.path());
    assert_eq!(first.len(), 2, "{:?}", first.keys());
    // a copy that comes first by name: the one with the record counts
    fs::copy(at("practice-0002.jpg"), at("aa-copy.jpg")).expect("copied");
    let ran = run(&["day", text(folder.path())]);
    assert!(
        ran.stderr
            .contains("aa-copy.jpg: the same photo as practice-0002.jpg"),
        "{}",
        ran.stderr
    );
    assert_eq!(records(folder.path()), first, "nothing is measured anew");
    fs::remove_file(at("aa-copy.jpg")).expect("removed");
    // renamed: its record is found by what the photo holds
    fs::remove_file(at("zz-copy.jpg")).expect("removed");
    fs::rename(at("practice-0001.jpg"), at("renamed.jpg")).expect("renamed");
    let ran = run(&["day", text(folder.path())]);
    assert!(
        ran.stdout.contains("0 measured now, 2 done before"),
        "{}",
        ran.stdout
    );
    assert_eq!(records(folder.path()), first);
}

#[test]
fn shares_together_do_what_one_does_alone() {
    let photos = folder();
    practice(photos.path(), 6);
    let (whole, shared) = (folder(), folder());
    let day = |out: &TempDir, more: &[&str]| {
        let mut arguments = vec!["day", text(photos.path()), "--out", text(out.path())];
        arguments.extend(more);
        run(&arguments)
    };
    assert!(day(&whole, &[]).status <= 1);
    for share in ["1/3", "2/3", "3/3"] {
        let ran = day(&shared, &["--shard", share, "--threads", "1"]);
        assert!(ran.status <= 1, "{}", ran.stderr);
    }
    assert_eq!(records(whole.path()), records(shared.path()));
    let ran = day(&shared, &[]);
    assert!(ran.stdout.contains("0 measured now"), "{}", ran.stdout);
    assert_eq!(day(&shared, &["--shard", "4/3"]).status, 2);
    assert_eq!(
        day(&shared, &["--shard", "1/3", "--report", "x.html"]).status,
        2
    );
}

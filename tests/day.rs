//! A day's folders worked through: what is measured, kept, told, reported; other machines' shares; and kills at any moment.

mod program;

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
        ran.stderr.contains("its record says something else"),
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

// ------------------------------------------------------------------------------------------------ set-ups

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

// ------------------------------------------------------------------------------------------------ a coach's evening

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

// ------------------------------------------------------------------------------------------------ history

#[test]
fn records_below_a_folder_are_the_history() {
    let season = folder();
    for (n, (day, clicks, x)) in [
        ("2026-04-05", 0, 140.0),
        ("2026-04-12", 0, 150.0),
        ("2026-04-19", 2, 90.0),
        ("2026-05-03", 2, 80.0),
    ]
    .into_iter()
    .enumerate()
    {
        let session = json!({"hand": "right", "distance_m": 30.0, "date": day, "end": n + 1,
            "setup": {"bow": "b", "plunger_clicks": clicks}});
        put(
            season.path(),
            &format!("{}/{day}/1.end.json", &day[..7]),
            tape_end(x, session).to_string(),
        );
    }
    let other = tape_end(
        0.0,
        json!({"hand": "right", "date": "2026-01-01", "setup": {"bow": "=another"}}),
    );
    put(season.path(), "other.end.json", other.to_string());
    let ran = run(&["history", text(season.path())]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert!(ran.stderr.contains("1 other bow"), "{}", ran.stderr);
    for words in [
        "Set-up 2: plunger 2 clicks stiffer",
        "2026-04-05",
        "mean radius",
    ] {
        assert!(ran.stdout.contains(words), "{words}: {}", ran.stdout);
    }
    let ran = run(&["history", text(season.path()), "--compare", "1,2", "--json"]);
    let compared = &lines(&ran.stdout)[0];
    assert_eq!(compared["changes"][0]["setting"], "plunger_clicks");
    let moved = compared["moved"]["x_mm"].as_f64().expect("moved");
    assert!(
        (-80.0..-35.0).contains(&moved),
        "145 to 85 mm, drawn in by the prior: {moved}"
    );
    assert_eq!(
        run(&["history", text(season.path()), "--compare", "1,5"]).status,
        2
    );

    // everything as a table, formulas defused
    let table = season.path().join("all.csv");
    let drawing = season.path().join("trend.svg");
    let ran = run(&[
        "history",
        text(season.path()),
        "--csv",
        text(&table),
        "--svg",
        text(&drawing),
        "--dates",
        "mdy",
    ]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let table = fs::read_to_string(&table).expect("table");
    assert_eq!(table.matches("\r\n").count(), 1 + 5 * 6);
    assert!(table.contains(",'=another,"));
    let drawing = fs::read_to_string(&drawing).expect("drawing");
    assert!(drawing.contains("April 5, 2026") && drawing.contains("</svg>"));

    // the day's advice knows the season, its report shows the trend and only its own day
    let day = season.path().join("2026-05/2026-05-03");
    let report = season.path().join("r.html");
    let ran = run(&[
        "day",
        text(&day),
        "--history",
        text(season.path()),
        "--report",
        text(&report),
        "--json",
    ]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert_eq!(lines(&ran.stdout).len(), 1);
    let page = fs::read_to_string(&report).expect("report");
    assert!(page.contains("Over the dates") && page.contains("1 end of earlier days"));
    assert!(
        page.contains("plunger, clicks"),
        "learned from the change before"
    );
    assert!(
        !page.contains("Set-up 1:"),
        "an earlier set-up isn't told again"
    );
    let alone = run(&["advise", text(&day), "--json"]);
    let both = run(&["advise", text(season.path()), "--json"]);
    let learned = |ran: &Ran| {
        lines(&ran.stdout)[0]["learned"]
            .as_array()
            .expect("learned")
            .iter()
            .filter_map(|l| l["from_changes"].as_u64())
            .sum::<u64>()
    };
    assert_eq!((learned(&alone), learned(&both)), (0, 1));
}

// ------------------------------------------------------------------------------------------------ kills

/// A generator of numbers that anybody can repeat (xorshift, Marsaglia 2003).
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, n: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % n
    }
}

/// How many kills: `BOSSMARK_KILLS`, or a few.
fn kills() -> u32 {
    let told = std::env::var("BOSSMARK_KILLS").ok();
    told.and_then(|n| n.parse().ok()).unwrap_or(40)
}

/// A kill at any moment, at random: every record that stands is whole and the one an undisturbed run makes, none
/// that was finished is lost, and the report is a whole one or none.
const PHOTOS: u32 = 3;

#[test]
fn kills_lose_no_record_and_leave_no_broken_file() {
    let photos = folder();
    practice(photos.path(), PHOTOS);
    let whole = folder();
    let started = std::time::Instant::now();
    let report = |out: &TempDir| out.path().join("report.html");
    let arguments = |out: &TempDir| -> Vec<String> {
        [
            "day",
            text(photos.path()),
            "--out",
            text(out.path()),
            "--report",
            text(&report(out)),
        ]
        .map(str::to_owned)
        .to_vec()
    };
    let run_whole = |out: &TempDir| {
        let list = arguments(out);
        run(&list.iter().map(String::as_str).collect::<Vec<_>>())
    };
    assert!(run_whole(&whole).status <= 1);
    let usual = u64::try_from(started.elapsed().as_micros())
        .expect("short")
        .max(1);
    let wanted = records(whole.path());
    let wanted_report = fs::read(report(&whole)).expect("report");
    let all = wanted.len();
    assert_eq!(all, 3);

    let out = folder();
    let mut numbers = Numbers(0x00b0_55ed);
    let (mut killed, mut seen_parts, mut leftovers) = (0, [0; 4], 0);
    while killed < kills() {
        let before = records(out.path());
        let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_bossmark"))
            .current_dir(env!("CARGO_MANIFEST_DIR"))
            .args(arguments(&out))
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .expect("the program runs");
        std::thread::sleep(std::time::Duration::from_micros(numbers.below(usual)));
        let ended = child.try_wait().expect("asked").is_some();
        // SIGKILL: nothing of the program runs any more after it
        child.kill().expect("killed or ended");
        child.wait().expect("ended");
        if !ended {
            killed += 1;
        }
        let after = records(out.path());
        for (name, bytes) in &after {
            assert!(*bytes == wanted[name], "{name} isn't whole");
        }
        assert!(
            before.keys().all(|n| after.contains_key(n)),
            "a record was lost"
        );
        if let Ok(page) = fs::read(report(&out)) {
            assert!(page == wanted_report || after.len() < all || page.ends_with(b"</html>\n"));
        }
        seen_parts[after.len()] += 1;
        leftovers += files(out.path())
            .keys()
            .filter(|n| n.starts_with(".bossmark-"))
            .count();
        // all done: begin again, at times from the middle
        if after.len() == all {
            let keep = usize::try_from(numbers.below(2)).expect("small");
            for name in after.keys().skip(keep) {
                fs::remove_file(out.path().join(name)).expect("removed");
            }
            let _ = fs::remove_file(report(&out));
        }
    }
    println!("records at each kill {seen_parts:?}, unfinished files seen {leftovers}");
    assert!(
        seen_parts.iter().filter(|n| **n > 0).count() >= 3,
        "the kills came while records were written: {seen_parts:?}"
    );
    assert!(run_whole(&out).status <= 1);
    assert_eq!(
        files(out.path()),
        files(whole.path()),
        "nothing is left over"
    );
}

#[test]
fn a_picture_made_of_a_photo_is_no_photo() {
    let folder = folder();
    practice(folder.path(), 1);
    let photo = folder.path().join("practice-0001.jpg");
    for name in ["look.jpg", "look.png"] {
        let look = folder.path().join(name);
        let (photo, look) = (text(&photo), text(&look));
        let ran = run(&[
            "measure", photo, "--face", "wa-40", "--marked", look, "--json",
        ]);
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        let again = run(&["measure", look, "--face", "wa-40"]);
        assert_ne!(again.status, 0);
        assert!(
            again.stderr.contains("name the photo itself"),
            "{}",
            again.stderr
        );
    }
    let day = run(&["day", text(folder.path()), "--json"]);
    assert_eq!(day.status, 0, "{}", day.stderr);
    for name in ["look.jpg", "look.png"] {
        assert!(
            day.stderr.contains(&format!(
                "{name}: a picture that bossmark made of a photo, left out"
            )),
            "{}",
            day.stderr
        );
    }
    assert_eq!(records(folder.path()).len(), 1);

    // nor on the page or without it, where the record of a photo is found under any name
    let renamed = folder.path().join("evening.end.json");
    fs::rename(folder.path().join("practice-0001.end.json"), &renamed).expect("renamed");
    let accepted = run(&["confirm", text(folder.path()), "--accept"]);
    assert_eq!(accepted.status, 0, "{}", accepted.stderr);
    let names: Vec<_> = records(folder.path()).into_keys().collect();
    assert_eq!(names, ["evening.end.json"]);
    let record: Value = serde_json::from_slice(&fs::read(renamed).expect("read")).expect("JSON");
    assert_eq!(record["entries"][0]["state"], "confirmed");
}

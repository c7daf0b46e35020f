//! No output of any command replaces an input, or anything that the program didn't write.

mod program;

use program::{run, sample, text};
use std::fs;
use std::path::{Path, PathBuf};

const SESSION: &str = r#"{"schema": "bossmark/session/1", "face": "wa-80"}"#;

fn record(end: u32) -> String {
    let entries: Vec<String> = (1..=6)
        .map(|id| {
            let kind = if id < 4 { "fletched" } else { "bare" };
            format!(
                r#"{{"id": {id}, "x_mm": {}, "y_mm": {}, "kind": "{kind}", "state": "confirmed", "source": "tape"}}"#,
                7 * id,
                40 - 11 * id
            )
        })
        .collect();
    format!(
        r#"{{"schema": "bossmark/end/1", "entries": [{}],
        "session": {{"hand": "right", "distance_m": 30, "date": "2026-05-{end:02}", "end": {end}}}}}"#,
        entries.join(",")
    )
}

struct Files {
    folder: tempfile::TempDir,
}

impl Files {
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("folder");
        fs::copy(sample("odd/no-face.jpg"), folder.path().join("photo.jpg")).expect("copied");
        let files = Self { folder };
        for (name, content) in [
            ("session.json", SESSION.to_owned()),
            ("notes.txt", "my notes".to_owned()),
            ("a.end.json", record(3)),
            ("b.end.json", record(4)),
        ] {
            fs::write(files.at(name), content).expect("written");
        }
        files
    }

    fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn list(&self) -> Vec<(PathBuf, Vec<u8>)> {
        let mut all: Vec<_> = fs::read_dir(self.folder.path())
            .expect("list")
            .map(|item| item.expect("item").path())
            .map(|path| (path.clone(), fs::read(path).expect("file")))
            .collect();
        all.sort();
        all
    }
}

#[test]
fn every_output_of_every_command_leaves_other_files_alone() {
    let files = Files::new();
    let before = files.list();
    let at = |name: &str| text(&files.at(name)).to_owned();
    let (photo, record, folder) = (
        at("photo.jpg"),
        at("a.end.json"),
        text(files.folder.path()).to_owned(),
    );
    let commands: Vec<(Vec<&str>, &str)> = vec![
        (vec!["measure", &photo, "--face=wa-80"], "--out"),
        (vec!["read", &record], "--out"),
        (vec!["advise", &record], "--out"),
        (vec!["plan", "--distance=30"], "--out"),
        (vec!["faces"], "--out"),
        (vec!["history", &record], "--out"),
        (vec!["history", &record], "--csv"),
        (vec!["history", &record], "--svg"),
        (vec!["lens", "fit", &photo], "--out"),
        (vec!["lens", "sheet"], "--out"),
        (vec!["setup", "--session", &folder, "--hand=left"], "--out"),
        (
            vec!["measure", "--face=wa-80", "--points-template=csv"],
            "--out",
        ),
        (vec!["day", &folder], "--report"),
        (vec!["day", &folder], "--csv"),
    ];
    for (arguments, flag) in commands {
        for there in [
            "photo.jpg",
            "notes.txt",
            "a.end.json",
            "b.end.json",
            "session.json",
        ] {
            if arguments[0] == "setup" && there == "session.json" {
                continue; // that is the file to be changed
            }
            let path = at(there);
            let mut arguments = arguments.clone();
            arguments.extend([flag, &path]);
            let ran = run(&arguments);
            assert_eq!(ran.status, 2, "{arguments:?}: {}", ran.stderr);
            assert!(
                ran.stderr.contains("choose another") || ran.stderr.contains("move it away"),
                "{arguments:?}: {}",
                ran.stderr
            );
            assert!(ran.stderr.contains(there), "{arguments:?}: {}", ran.stderr);
            assert!(files.list() == before, "{arguments:?}");
        }
    }
}

#[test]
fn a_folder_that_is_not_there_is_named_before_any_work() {
    let files = Files::new();
    let (photo, folder) = (files.at("photo.jpg"), text(files.folder.path()).to_owned());
    let path = files.at("nowhere/out");
    for command in [
        vec!["measure", text(&photo), "--face", "wa-80", "--out"],
        vec!["day", &folder, "--report"],
        vec!["day", &folder, "--csv"],
    ] {
        let ran = run(&[command, vec![text(&path)]].concat());
        assert_eq!(ran.status, 3, "{}", ran.stderr);
        assert!(ran.stderr.contains("there is no folder"), "{}", ran.stderr);
        assert!(!files.at("photo.end.json").exists(), "nothing was measured");
    }
}

#[test]
fn a_file_where_a_folder_belongs_is_refused_before_any_work() {
    let files = Files::new();
    let before = files.list();
    let (folder, file) = (text(files.folder.path()).to_owned(), files.at("notes.txt"));
    for flag in ["--out", "--svg", "--reports"] {
        let ran = run(&["day", &folder, flag, text(&file)]);
        assert_eq!(ran.status, 2, "{flag}: {}", ran.stderr);
        assert!(ran.stderr.contains("a folder is needed"), "{}", ran.stderr);
        assert!(files.list() == before, "{flag}");
    }
}

#[test]
fn a_marked_photo_never_replaces_a_photo() {
    let files = Files::new();
    let photo = files.at("photo.jpg");
    fs::copy(sample("odd/no-face.jpg"), files.at("other.jpg")).expect("copied");
    fs::hard_link(&photo, files.at("link.jpg")).expect("linked");
    let before = files.list();
    for there in ["photo.jpg", "other.jpg", "link.jpg"] {
        let ran = run(&[
            "measure",
            text(&photo),
            "--face",
            "wa-80",
            "--marked",
            text(&files.at(there)),
        ]);
        assert_eq!(ran.status, 2, "{there}: {}", ran.stderr);
        assert!(files.list() == before, "{there}");
    }
    // the stage pictures neither
    let stages = files.at("stages");
    fs::create_dir(&stages).expect("folder");
    fs::copy(&photo, stages.join("01-upright.png")).expect("copied");
    let ran = run(&[
        "measure",
        text(&photo),
        "--face",
        "wa-80",
        "--debug-dir",
        text(&stages),
    ]);
    assert_eq!(ran.status, 2, "{}", ran.stderr);
    assert!(
        fs::read(stages.join("01-upright.png")).expect("file") == fs::read(&photo).expect("file")
    );
}

#[test]
fn an_older_output_of_the_same_kind_is_replaced() {
    let files = Files::new();
    let (one, other) = (files.at("a.end.json"), files.at("b.end.json"));
    let twice = |arguments: &[&str], path: &Path| {
        for record in [&one, &other] {
            let mut all = vec![arguments[0], text(record)];
            all.extend(&arguments[1..]);
            all.push(text(path));
            let ran = run(&all);
            assert!(ran.status <= 1, "{all:?}: {}", ran.stderr);
        }
    };
    twice(&["read", "--out"], &files.at("reading.json"));
    twice(&["advise", "--out"], &files.at("advice.json"));
    twice(&["history", "--csv"], &files.at("entries.csv"));
    let ran = run(&[
        "history",
        text(&one),
        "--csv",
        text(&files.at("x")),
        "--out",
        text(&files.at("x")),
    ]);
    assert_eq!(ran.status, 2, "{}", ran.stderr);
    assert!(ran.stderr.contains("two outputs"), "{}", ran.stderr);
    assert!(!files.at("x").exists());
}

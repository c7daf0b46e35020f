//! Exit statuses and messages of broken files, and what reaches a terminal.

mod program;

use program::{program, ran, run, sample, text};
use std::fs;

const RECORD: &str = r#"{"schema": "bossmark/end/1", "entries": [
    {"id": 1, "x_mm": 1, "y_mm": 2, "kind": "bare", "state": "confirmed"}]}"#;

#[test]
fn broken_files_are_named_as_what_they_are() {
    let folder = tempfile::tempdir().expect("folder");
    let put = |name: &str, content: &str| {
        let path = folder.path().join(name);
        fs::write(&path, content).expect("written");
        text(&path).to_owned()
    };
    let photo = text(&sample("odd/no-face.jpg")).to_owned();
    let record = put("a.end.json", RECORD);
    for (content, word) in [
        ("", "empty"),
        ("{oops", "not JSON"),
        ("\u{0}\u{1}", "not JSON"),
    ] {
        let broken = put("broken.json", content);
        let cases: [(&[&str], &str); 5] = [
            (
                &["measure", &photo, "--face=wa-80", "--session", &broken],
                "session file",
            ),
            (
                &["measure", &photo, "--face=wa-80", "--setup", &broken],
                "set-up file",
            ),
            (
                &["measure", &photo, "--face=wa-80", "--lens", &broken],
                "lens profile",
            ),
            (&["confirm", &record, "--edits", &broken], "list of edits"),
            (&["setup", "--session", &broken], "session file"),
        ];
        for (arguments, name) in cases {
            let ran = run(arguments);
            assert_eq!(ran.status, 3, "{arguments:?}: {}", ran.stderr);
            assert!(
                ran.stderr.contains(name) && ran.stderr.contains(word),
                "{arguments:?}: {}",
                ran.stderr
            );
            assert!(ran.stderr.contains("broken.json"), "{}", ran.stderr);
            assert!(!ran.stderr.contains("give a record"), "{}", ran.stderr);
        }
        let face = run(&["measure", &photo, "--face", &broken]);
        assert_eq!(face.status, 3, "{}", face.stderr);
        assert!(face.stderr.contains("face file"), "{}", face.stderr);
    }
    assert_eq!(fs::read_to_string(&record).expect("file"), RECORD);
}

/// Names and labels may hold anything; a terminal gets to see it spelt out.
#[cfg(unix)]
#[test]
fn no_control_character_of_a_name_or_a_file_reaches_the_terminal() {
    let folder = tempfile::tempdir().expect("folder");
    let name = "a\u{1b}]0;title\u{7}\u{9b}31m\u{202e}\n.end.json";
    let path = folder.path().join(name);
    let record = RECORD.replace(
        r#""entries""#,
        r#""session": {"hand": "right", "archer": "\u001b[2J\u009b1m", "date": "\u001b[31m"}, "nots\u001b": 1, "entries""#,
    );
    fs::write(&path, record).expect("written");
    fs::write(folder.path().join("b\u{1b}[31m.jpg"), "no photo").expect("written");
    let path = text(&path);
    let other = folder.path().join("b\u{1b}[31m.jpg");
    for arguments in [
        vec!["read", path],
        vec!["advise", path],
        vec!["history", path],
        vec!["confirm", path, "--accept"],
        vec!["confirm", path, "--accept", "--json"],
        vec!["measure", text(&other), "--face", "wa-80"],
        vec!["day", text(folder.path()), "--face", "wa-80"],
        vec!["measure", text(&other), "--face", "\u{1b}[31m"],
        vec!["\u{1b}[31m"],
    ] {
        let ran = run(&arguments);
        for stream in [&ran.stdout, &ran.stderr] {
            let bad = stream
                .chars()
                .find(|c| (c.is_control() && *c != '\n') || *c == '\u{202e}');
            assert_eq!(bad, None, "{arguments:?}: {stream:?}");
        }
    }
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_stdout_is_status_3() {
    for arguments in [
        &["faces"][..],
        &["faces", "--json"],
        &["--help"],
        &["--version"],
        &["man"],
    ] {
        let full = fs::OpenOptions::new()
            .write(true)
            .open("/dev/full")
            .expect("device");
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_bossmark"));
        let status = command
            .args(arguments)
            .stdout(full)
            .stderr(std::process::Stdio::null())
            .status()
            .expect("ran");
        assert_eq!(status.code(), Some(3), "{arguments:?}");
    }
    assert_eq!(ran(program().arg("faces")).status, 0);
}

/// The least of three times: other programs' work only adds.
fn fastest(run: impl Fn() -> std::time::Duration) -> std::time::Duration {
    (0..3).map(|_| run()).min().unwrap_or_default()
}

/// Reading and advice take time that grows with the number of records, no faster.
#[test]
fn many_records_in_one_file_are_read_in_time() {
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("all.jsonl");
    let line = RECORD.replace('\n', "");
    let lines = |count: usize| {
        let all: String = (0..count)
            .map(|k| {
                line.replace(
                    "\"entries\"",
                    &format!(
                        "\"session\": {{\"date\": \"2026-05-03\", \"end\": {k}}}, \"entries\""
                    ),
                ) + "\n"
            })
            .collect();
        fs::write(&path, all).expect("written");
        let start = std::time::Instant::now();
        let ran = run(&["read", text(&path), "--json"]);
        assert!(ran.status <= 1, "{}", ran.stderr);
        start.elapsed()
    };
    let (few, many) = (fastest(|| lines(2_500)), fastest(|| lines(10_000)));
    assert!(many < few * 12, "{few:?} for 2 500, {many:?} for 10 000");
}

/// The same of one set-up with numbered arrows, in one file on the page too.
#[test]
fn thousands_of_ends_of_the_same_arrows_are_read_in_time() {
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("all.jsonl");
    let entry = |end: usize, arrow: usize| {
        let kind = if arrow < 4 { "fletched" } else { "bare" };
        // some pattern that fills a group
        let (x, y) = ((end * 37 + arrow * 61) % 83, (end * 53 + arrow * 29) % 79);
        format!(
            r#"{{"id": {arrow}, "x_mm": {x}, "y_mm": {y}, "kind": "{kind}", "arrow": "{arrow}", "state": "confirmed"}}"#
        )
    };
    let lines = |count: usize| {
        let all: String = (0..count)
            .map(|end| {
                let entries: Vec<String> = (1..=6).map(|arrow| entry(end, arrow)).collect();
                format!(
                    r#"{{"schema": "bossmark/end/1", "session": {{"hand": "right", "distance_m": 30, "date": "2026-05-03", "end": {end}}}, "entries": [{}]}}"#,
                    entries.join(",")
                ) + "\n"
            })
            .collect();
        fs::write(&path, all).expect("written");
        let start = std::time::Instant::now();
        for command in ["read", "advise"] {
            let ran = run(&[command, text(&path), "--json"]);
            assert!(ran.status <= 1, "{}", ran.stderr);
        }
        start.elapsed()
    };
    let (few, many) = (fastest(|| lines(500)), fastest(|| lines(4_000)));
    assert!(many < few * 24, "{few:?} for 500, {many:?} for 4 000");
}

//! Several programs that write the same files at the same time: nothing that was acknowledged is lost.
//!
//! Each of four processes adds entries to one record, or settings to one session file, and counts what the program acknowledged. In
//! the end the files hold all of it. `BOSSMARK_WRITES=10000` makes more of them.

mod http_client;
mod program;

use bossmark::record::End;
use bossmark::server::{App, EndSource, Guard, InitialState, listen, serve};
use http_client::Client;
use program::{program, ran, text};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::fs;
use std::net::Ipv4Addr;
use std::path::Path;
use std::process::Command;

/// How many writes are tried, all processes together.
fn writes(usual: usize) -> usize {
    let wanted = std::env::var("BOSSMARK_WRITES").ok();
    wanted.and_then(|n| n.parse().ok()).unwrap_or(usual)
}

const RECORD: &str = r#"{"schema": "bossmark/end/1", "entries": [], "kept": {"digits": 1.50}}"#;

fn missed(note: &str) -> Value {
    json!({"do": "missed", "kind": "bare", "note": note})
}

/// Adds `count` remarks to the record over a page of its own, from this process. Returns those that were acknowledged.
fn by_page(record: &Path, name: &str, count: usize) -> Vec<String> {
    let listening = listen(Ipv4Addr::LOCALHOST, 0).expect("a free port");
    let address = listening.address;
    let start = EndSource {
        photo: None,
        record: record.to_owned().into(),
        session: bossmark::record::Session::default(),
        face: None,
        measuring: bossmark::measure::MeasureOptions::default(),
    };
    let opening = InitialState {
        ends: vec![start],
        folder: record.parent().expect("folder").to_owned(),
        ..InitialState::default()
    };
    let app = App::new(Guard::local(address.port()), opening);
    std::thread::spawn(move || serve(listening, &app));
    let client = Client::new(address);
    let mut acknowledged = Vec::new();
    let mut revision = 0;
    for k in 0..count {
        let note = format!("{name}-{k}");
        let edits =
            json!({"schema": "bossmark/edits/1", "revision": revision, "edits": [missed(&note)]});
        let reply = client.post("/api/ends/1/edits", &edits);
        let view = reply.json();
        match reply.status {
            200 => {
                acknowledged.push(note);
                revision = view["record"]["revision"].as_u64().expect("revision");
            }
            // somebody else was faster: that is told, with the record as it is
            409 => {
                revision = view["end"]["record"]["revision"]
                    .as_u64()
                    .expect("revision")
            }
            other => panic!("{other}: {}", reply.text()),
        }
    }
    acknowledged
}

/// The same by `confirm --edits`, each time a process of its own.
fn by_command(record: &Path, name: &str, count: usize) -> Vec<String> {
    let folder = tempfile::tempdir().expect("folder");
    let file = folder.path().join("edits.json");
    let mut acknowledged = Vec::new();
    for k in 0..count {
        let note = format!("{name}-{k}");
        let edits = json!({"schema": "bossmark/edits/1", "edits": [missed(&note)]});
        fs::write(&file, edits.to_string()).expect("written");
        let ran = ran(program().args(["confirm", text(record), "--edits", text(&file), "--json"]));
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        acknowledged.push(note);
    }
    acknowledged
}

const ROLE: &str = "BOSSMARK_TEST_WRITER";

/// What one of the four processes does: this test started again, with its part in the environment.
#[test]
#[ignore = "the part of one process, started by the test below"]
fn part_of_one_process() {
    let Ok(role) = std::env::var(ROLE) else {
        return;
    };
    let parts: Vec<&str> = role.split('|').collect();
    let (name, record, count) = (
        parts[0],
        Path::new(parts[1]),
        parts[2].parse().expect("count"),
    );
    let done = if name.starts_with("page") {
        by_page(record, name, count)
    } else {
        by_command(record, name, count)
    };
    fs::write(parts[3], done.join("\n")).expect("written");
}

#[test]
fn four_processes_lose_nothing_that_was_acknowledged() {
    /// Writes to one record: it grows with each.
    const OF_ONE_RECORD: usize = 400;
    let (mut left, mut acknowledged) = (writes(160), 0);
    while left > 0 {
        let tried = left.min(OF_ONE_RECORD);
        acknowledged += written_by_four(tried);
        left -= tried;
    }
    println!("{acknowledged} acknowledged, none lost");
}

/// Lets four processes try `all` writes of one record, and returns how many were acknowledged.
fn written_by_four(all: usize) -> usize {
    let folder = tempfile::tempdir().expect("folder");
    let record = folder.path().join("a.end.json");
    fs::write(&record, RECORD).expect("written");
    let own = std::env::current_exe().expect("this test");
    let mut running = Vec::new();
    for name in ["page-1", "page-2", "edits-1", "edits-2"] {
        let out = folder.path().join(format!("{name}.txt"));
        // a process for each edit takes longer than a request
        let count = if name.starts_with("page") {
            all * 2 / 5
        } else {
            all / 10
        };
        let role = [name, text(&record), &count.to_string(), text(&out)].join("|");
        let child = Command::new(&own)
            .args(["part_of_one_process", "--exact", "--ignored", "--nocapture"])
            .env(ROLE, role)
            .stdout(std::process::Stdio::null())
            .spawn()
            .expect("started");
        running.push((child, out));
    }
    let mut acknowledged = BTreeSet::new();
    for (mut child, out) in running {
        assert!(child.wait().expect("ended").success());
        let notes = fs::read_to_string(out).expect("notes");
        acknowledged.extend(notes.lines().map(str::to_owned));
    }
    let bytes = fs::read(&record).expect("record");
    let end: End = serde_json::from_slice(&bytes).expect("record");
    let there: BTreeSet<String> = end.missed.iter().filter_map(|m| m.note.clone()).collect();
    let lost: Vec<&String> = acknowledged.difference(&there).collect();
    assert!(
        lost.is_empty(),
        "lost {} of {}: {lost:?}",
        lost.len(),
        acknowledged.len()
    );
    assert_eq!(
        end.missed.len(),
        acknowledged.len(),
        "and nothing is there twice"
    );
    assert_eq!(end.revision, acknowledged.len() as u64);
    assert!(String::from_utf8_lossy(&bytes).contains("\"digits\": 1.50"));
    assert!(acknowledged.len() > all / 5, "{}", acknowledged.len());
    acknowledged.len()
}

#[test]
fn three_programs_that_change_one_session_file_lose_no_change() {
    let folder = tempfile::tempdir().expect("folder");
    let session = folder.path().join("session.json");
    fs::write(
        &session,
        r#"{"schema": "bossmark/session/1", "session": {"note": "x"}, "own": 1.0}"#,
    )
    .expect("written");
    let flags = [
        ["--plunger", "--point"],
        ["--nocking-point", "--rest-height"],
        ["--brace-height", "--distance"],
    ];
    std::thread::scope(|scope| {
        for pair in flags {
            let session = &session;
            scope.spawn(move || {
                for flag in pair {
                    for value in ["100", "200", "150"] {
                        let value = if flag == "--distance" {
                            "30"
                        } else if flag == "--brace-height" {
                            "215"
                        } else {
                            &value[..1]
                        };
                        let value = if flag == "--point" { "100" } else { value };
                        let ran =
                            ran(program().args(["setup", "--session", text(session), flag, value]));
                        assert_eq!(ran.status, 0, "{flag}: {}", ran.stderr);
                    }
                }
            });
        }
    });
    let bytes = fs::read(&session).expect("file");
    let file: Value = serde_json::from_slice(&bytes).expect("JSON");
    let setup = &file["session"]["setup"];
    for name in [
        "plunger_clicks",
        "point_gr",
        "nocking_point_mm",
        "rest_height_mm",
        "brace_height_mm",
    ] {
        assert!(setup[name].is_number(), "{name} is lost: {file}");
    }
    assert_eq!(file["session"]["distance_m"], 30.0);
    assert!(String::from_utf8_lossy(&bytes).contains("\"own\": 1.0"));
}

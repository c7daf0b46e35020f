//! The page's server over a real socket: who is let in, what is refused, and that every edit reaches the disk.

#[path = "server/access.rs"]
mod access;
#[path = "server/editing.rs"]
mod editing;
#[path = "server/files.rs"]
mod files;
mod http_client;

use bossmark::record::{End, canonical};
use bossmark::server::{App, EndSource, Guard, InitialState, Secret, listen, serve};
use http_client::Client;
use serde_json::{Value, json};
use std::fs;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;

/// A server of its own for each test, in a folder of its own.
struct Served {
    folder: tempfile::TempDir,
    client: Client,
    code: Secret,
}

fn record() -> End {
    serde_json::from_value(json!({
        "schema": "bossmark/end/1", "face": {"name": "wa-80", "diameter_mm": 800.0},
        "session": {"hand": "right", "distance_m": 30, "date": "2026-05-03", "end": 1},
        "entries": (1..=6).map(|i| json!({"id": i, "x_mm": 10 * i, "y_mm": 7 * (i % 3), "kind": if i % 2 == 0 { "bare" } else { "fletched" },
            "confidence": 0.95, "kind_probability": 0.99})).collect::<Vec<_>>(),
        "from_elsewhere": {"kept": true}
    }))
    .expect("record")
}

fn start(record: PathBuf) -> EndSource {
    EndSource {
        photo: None,
        record: record.into(),
        session: bossmark::record::Session::default(),
        face: None,
        measuring: bossmark::measure::MeasureOptions::default(),
    }
}

/// Another program for the record that is there.
fn serve_folder(folder: &tempfile::TempDir) -> Client {
    let listening = listen(Ipv4Addr::LOCALHOST, 0).expect("a free port");
    let address = listening.address;
    let opening = InitialState {
        ends: vec![start(folder.path().join("a.end.json"))],
        folder: folder.path().to_owned(),
        ..InitialState::default()
    };
    let app = App::new(Guard::local(address.port()), opening);
    std::thread::spawn(move || serve(listening, &app));
    Client::new(address)
}

fn served_with(shared: bool, with_record: bool) -> Served {
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("a.end.json");
    let mut ends = Vec::new();
    if with_record {
        fs::write(&path, canonical::to_bytes(&record()).expect("bytes")).expect("written");
        ends.push(start(path));
    }
    let listening = listen(Ipv4Addr::LOCALHOST, 0).expect("a free port");
    let address = listening.address;
    let code = Secret::new().expect("random");
    let guard = if shared {
        Guard::shared(address, code.clone()).expect("random")
    } else {
        Guard::local(address.port())
    };
    let opening = InitialState {
        ends,
        session_file: folder.path().join("session.json"),
        folder: folder.path().to_owned(),
        ..InitialState::default()
    };
    let app = App::new(guard, opening);
    std::thread::spawn(move || serve(listening, &app));
    Served {
        folder,
        client: Client::new(address),
        code,
    }
}

fn served() -> Served {
    served_with(false, true)
}

impl Served {
    fn on_disk(&self) -> Value {
        let bytes = fs::read(self.folder.path().join("a.end.json")).expect("record");
        serde_json::from_slice(&bytes).expect("JSON")
    }

    fn names(&self) -> Vec<String> {
        let list = fs::read_dir(self.folder.path()).expect("folder");
        let mut names: Vec<String> = list
            .map(|i| i.expect("item").file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }
}

fn edits(revision: u64, list: Value) -> Value {
    json!({"schema": "bossmark/edits/1", "revision": revision, "edits": list})
}

#[test]
fn a_busy_port_gives_way_to_the_next() {
    let first = listen(Ipv4Addr::LOCALHOST, 0).expect("free");
    let second = listen(Ipv4Addr::LOCALHOST, first.address.port()).expect("the next one");
    assert!(second.address.port() > first.address.port());
    let SocketAddr::V4(v4) = second.address else {
        panic!("not v4");
    };
    assert!(v4.ip().is_loopback());
}

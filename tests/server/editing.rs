//! Edits: kept on disk, taken back, refused where the record is another, answered with reading and advice.

use super::{edits, record, serve_folder, served};
use bossmark::record::canonical;
use serde_json::{Value, json};
use std::fs;
use std::path::Path;

#[test]
fn an_edit_is_on_disk_before_it_is_answered_and_the_way_back_too() {
    let s = served();
    let reply = s.client.post(
        "/api/ends/1/edits",
        &edits(0, json!([{"do": "tag", "id": 1, "kind": "bare"}])),
    );
    assert_eq!(reply.status, 200, "{}", reply.text());
    let disk = s.on_disk();
    assert_eq!(disk, reply.json()["record"]);
    assert_eq!(
        (&disk["revision"], &disk["entries"][0]["kind"]),
        (&json!(1), &json!("bare"))
    );
    assert_eq!(disk["from_elsewhere"]["kept"], true);
    assert_eq!(reply.json()["undo"], 1);
    let back = s.client.post("/api/ends/1/undo", &json!({"revision": 1}));
    assert_eq!(back.status, 200, "{}", back.text());
    assert_eq!(
        (&s.on_disk()["entries"][0]["kind"], &s.on_disk()["revision"]),
        (&json!("fletched"), &json!(2))
    );
    let forth = s.client.post("/api/ends/1/redo", &json!({"revision": 2}));
    assert_eq!(
        (forth.status, &s.on_disk()["entries"][0]["kind"]),
        (200, &json!("bare"))
    );
    assert_eq!(
        s.client
            .post("/api/ends/1/redo", &json!({"revision": 3}))
            .status,
        409
    );
    assert_eq!(
        s.names(),
        [".a.end.json.steps", "a.end.json"],
        "no temporary file stays"
    );
}

/// A program that is started again can undo, if the record is still the one that the undo journal belongs to.
#[test]
fn the_way_back_outlives_the_program() {
    let s = served();
    let tag = |revision: u64, kind: &str| {
        let edits = edits(revision, json!([{"do": "tag", "id": 1, "kind": kind}]));
        assert_eq!(s.client.post("/api/ends/1/edits", &edits).status, 200);
    };
    tag(0, "bare");
    tag(1, "unknown");
    let again = serve_folder(&s.folder);
    let view = again.get("/api/ends/1/view").json();
    assert_eq!((&view["undo"], &view["redo"]), (&json!(2), &json!(0)));
    let back = again.post("/api/ends/1/undo", &json!({"revision": 2}));
    assert_eq!((back.status, &back.json()["redo"]), (200, &json!(1)));
    assert_eq!(s.on_disk()["entries"][0]["kind"], "bare");
    // the older program gets a conflict, and doesn't undo what it hasn't seen
    assert_eq!(
        s.client
            .post("/api/ends/1/undo", &json!({"revision": 2}))
            .status,
        409
    );
    let forth = serve_folder(&s.folder).post("/api/ends/1/redo", &json!({"revision": 3}));
    assert_eq!(forth.status, 200, "{}", forth.text());
    assert_eq!(s.on_disk()["entries"][0]["kind"], "unknown");
    // changed elsewhere: not the way to this record any more
    let path = s.folder.path().join("a.end.json");
    let mut record = s.on_disk();
    record["revision"] = json!(5);
    fs::write(&path, record.to_string()).expect("written");
    let view = serve_folder(&s.folder).get("/api/ends/1/view").json();
    assert_eq!((&view["undo"], &view["redo"]), (&json!(0), &json!(0)));
}

/// The page and the command line give the same bytes for the same edits.
#[test]
fn the_page_writes_what_the_command_line_writes() {
    let s = served();
    let list = json!([{"do": "tag", "id": 2, "kind": "fletched"}, {"do": "add", "kind": "bare", "x_mm": 12.34567, "y_mm": -3},
        {"do": "remove", "id": 4}, {"do": "missed", "kind": "bare", "note": "low"}, {"do": "accept"}]);
    let reply = s.client.post("/api/ends/1/edits", &edits(0, list.clone()));
    assert_eq!(reply.status, 200, "{}", reply.text());
    let other = tempfile::tempdir().expect("folder");
    let path = other.path().join("a.end.json");
    fs::write(&path, canonical::to_bytes(&record()).expect("bytes")).expect("written");
    let edits_file = other.path().join("edits.json");
    fs::write(&edits_file, edits(0, list).to_string()).expect("written");
    let ran = std::process::Command::new(env!("CARGO_BIN_EXE_bossmark"))
        .args([
            "confirm".as_ref(),
            path.as_os_str(),
            "--edits".as_ref(),
            edits_file.as_os_str(),
        ])
        .output()
        .expect("ran");
    assert!(
        ran.status.success(),
        "{}",
        String::from_utf8_lossy(&ran.stderr)
    );
    let bytes = |p: &Path| String::from_utf8(fs::read(p).expect("file")).expect("UTF-8");
    assert_eq!(bytes(&s.folder.path().join("a.end.json")), bytes(&path));
}

#[test]
fn the_later_writer_is_told_and_shown_both() {
    let s = served();
    assert_eq!(
        s.client
            .post(
                "/api/ends/1/edits",
                &edits(0, json!([{"do": "confirm", "id": 1}]))
            )
            .status,
        200
    );
    let late = s.client.post(
        "/api/ends/1/edits",
        &edits(0, json!([{"do": "remove", "id": 1}])),
    );
    assert_eq!(
        (late.status, &late.json()["error"]["code"]),
        (409, &json!("changed"))
    );
    assert_eq!(
        late.json()["end"]["record"]["entries"][0]["state"],
        "confirmed"
    );
    assert_eq!(s.on_disk()["entries"][0]["state"], "confirmed");
    // without a revision nobody can tell whose turn it is
    let blind = json!({"schema": "bossmark/edits/1", "edits": [{"do": "accept"}]});
    assert_eq!(s.client.post("/api/ends/1/edits", &blind).status, 422);
    // another program has written meanwhile
    let mut disk = s.on_disk();
    disk["revision"] = json!(9);
    fs::write(s.folder.path().join("a.end.json"), disk.to_string()).expect("written");
    assert_eq!(
        s.client
            .post("/api/ends/1/edits", &edits(1, json!([{"do": "accept"}])))
            .status,
        409
    );
}

/// A proposal that was measured again has the same revision, and other shafts under the same numbers.
#[test]
fn edits_on_a_record_that_was_measured_again_are_refused() {
    let s = served();
    let seen = s.client.get("/api/ends/1/view").json()["fingerprint"].clone();
    assert!(seen.is_string(), "{seen}");
    let path = s.folder.path().join("a.end.json");
    let mut disk = s.on_disk();
    disk["entries"][0]["x_mm"] = json!(-250);
    fs::write(&path, disk.to_string()).expect("written");
    let on = |record: &Value, revision: u64| {
        let mut edits = edits(revision, json!([{"do": "confirm", "id": 1}]));
        edits["record"] = record.clone();
        s.client.post("/api/ends/1/edits", &edits)
    };
    let late = on(&seen, 0);
    assert_eq!(
        (late.status, &late.json()["error"]["code"]),
        (409, &json!("measured-again")),
        "{}",
        late.text()
    );
    assert_eq!(late.json()["end"]["record"]["entries"][0]["x_mm"], -250.0);
    assert_eq!(s.on_disk(), disk, "nothing was made");
    // on what is there now they are made, and each answer names the record for the next ones
    let first = on(&late.json()["end"]["fingerprint"], 0);
    assert_eq!(first.status, 200, "{}", first.text());
    let now = s.client.get("/api/ends/1/view").json()["fingerprint"].clone();
    assert_eq!(first.json()["fingerprint"], now);
    assert_eq!(on(&now, 1).status, 200);
}

#[test]
fn the_reading_and_the_advice_follow_the_edits() {
    let s = served();
    let read = || s.client.get("/api/ends/1/reading").json();
    assert_eq!(
        (&read()["reading"]["fletched"], &read()["reading"]["bare"]),
        (&json!(3), &json!(3))
    );
    assert!(
        read()["plot"]
            .as_str()
            .expect("drawing")
            .starts_with("<svg")
    );
    s.client.post(
        "/api/ends/1/edits",
        &edits(0, json!([{"do": "tag", "id": 1, "kind": "bare"}])),
    );
    assert_eq!(
        (&read()["reading"]["fletched"], &read()["reading"]["bare"]),
        (&json!(2), &json!(4))
    );
    let advice = s.client.get("/api/ends/1/advice").json();
    assert!(
        advice["next"]["headline"]
            .as_str()
            .is_some_and(|h| !h.is_empty()),
        "{advice}"
    );
    assert_eq!(advice["newest"], true);
}

#[test]
fn wrong_edits_are_said_in_words_and_change_nothing() {
    let s = served();
    let before = s.on_disk();
    for (list, says) in [
        (json!([{"do": "remove", "id": 99}]), "no entry 99"),
        (json!([{"do": "move", "id": 1, "px": [1, 2]}]), "px"),
        (json!([{"do": "shoot"}]), "can't be understood"),
        (
            json!([{"do": "accept"}, {"do": "tag", "id": 1, "kind": "feathered"}]),
            "can't be understood",
        ),
        (
            json!([{"do": "session", "set": {"distance_m": -4}}]),
            "distance_m",
        ),
    ] {
        let reply = s.client.post("/api/ends/1/edits", &edits(0, list));
        assert_eq!(reply.status, 422);
        assert!(
            reply.text().contains(says),
            "{} says not {says}",
            reply.text()
        );
    }
    assert_eq!(
        s.client
            .send("POST", "/api/ends/1/edits", &s.client.own(), b"{")
            .status,
        422
    );
    assert_eq!(
        s.client
            .send("POST", "/api/ends/1/undo", &s.client.own(), b"{")
            .status,
        400
    );
    assert_eq!(s.on_disk(), before);
}

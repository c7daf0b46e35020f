//! The page's server over a real socket: who is let in, what is refused, and that every edit reaches the disk.

mod http_client;

use bossmark::record::{End, canonical};
use bossmark::server::{
    App, EndSource, Guard, InitialState, MAX_PHOTO_BYTES, MAX_REQUEST_BYTES, Secret, listen, serve,
};
use http_client::{Client, Reply};
use serde_json::{Value, json};
use std::fs;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};

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

/// A program that is started again finds the way back, if the record is still the one it leads to.
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
    // the older program is told, and doesn't take back what it hasn't seen
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

#[test]
fn foreign_hosts_are_refused_before_anything_else() {
    let s = served();
    let port = s.client.address.port();
    for host in [
        format!("photos.example:{port}"),
        "127.0.0.1".to_owned(),
        "127.0.0.1:1".to_owned(),
    ] {
        for path in ["/", "/api/queue", "/web/main.js", "/photo/1/whole"] {
            let reply = s.client.send("GET", path, &[("Host", &host)], b"");
            assert_eq!(reply.status, 421, "{host}{path}");
        }
    }
    let absolute = format!(
        "GET http://photos.example:{port}/api/queue HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\r\n"
    );
    assert_eq!(
        s.client.raw(absolute.as_bytes()).status,
        421,
        "the address in the request line counts too"
    );
    let twice = format!(
        "GET /api/queue HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nHost: photos.example\r\nConnection: close\r\n\r\n"
    );
    assert!(matches!(s.client.raw(twice.as_bytes()).status, 400 | 421));
    let none = "GET /api/queue HTTP/1.0\r\n\r\n";
    assert_eq!(s.client.raw(none.as_bytes()).status, 421);
}

#[test]
fn posts_from_other_sites_are_refused() {
    let s = served();
    let host = s.client.address.to_string();
    let own = format!("http://{host}");
    let json_kind = ("Content-Type", "application/json");
    let body = edits(0, json!([{"do": "remove", "id": 1}])).to_string();
    for headers in [
        vec![("Host", host.as_str()), json_kind],
        vec![
            ("Host", &host),
            json_kind,
            ("Origin", "http://photos.example"),
        ],
        vec![("Host", &host), json_kind, ("Origin", "null")],
        vec![
            ("Host", &host),
            json_kind,
            ("Origin", &own),
            ("Sec-Fetch-Site", "cross-site"),
        ],
        vec![
            ("Host", &host),
            ("Content-Type", "text/plain"),
            ("Origin", &own),
        ],
        vec![
            ("Host", &host),
            ("Content-Type", "application/x-www-form-urlencoded"),
            ("Origin", &own),
        ],
    ] {
        let reply = s
            .client
            .send("POST", "/api/ends/1/edits", &headers, body.as_bytes());
        assert!(
            matches!(reply.status, 403 | 415),
            "{headers:?} {}",
            reply.status
        );
    }
    // a preflight gets no leave
    let preflight = s.client.send(
        "OPTIONS",
        "/api/ends/1/edits",
        &[
            ("Host", &host),
            ("Origin", "http://photos.example"),
            ("Access-Control-Request-Method", "POST"),
        ],
        b"",
    );
    assert!(
        preflight.status >= 400
            && !preflight
                .headers
                .keys()
                .any(|h| h.starts_with("access-control"))
    );
    assert_eq!(s.on_disk()["revision"], 0);
}

#[test]
fn every_answer_carries_the_page_s_policy() {
    let s = served_with(true, true);
    let replies = [
        s.client.get("/"),
        s.client.get("/web/style.css"),
        s.client.get("/api/queue"),
        s.client.get("/nowhere"),
        s.client
            .send("GET", "/", &[("Host", "photos.example")], b""),
    ];
    for reply in &replies {
        let policy = &reply.headers["content-security-policy"];
        for part in [
            "default-src 'self'",
            "img-src 'self' blob:",
            "object-src 'none'",
            "base-uri 'none'",
            "frame-ancestors 'none'",
        ] {
            assert!(policy.contains(part), "{policy}");
        }
        assert!(
            !policy.contains("unsafe") && !policy.contains("://"),
            "{policy}"
        );
        assert_eq!(reply.headers["x-content-type-options"], "nosniff");
        assert_eq!(reply.headers["referrer-policy"], "no-referrer");
        assert_eq!(reply.headers["cross-origin-opener-policy"], "same-origin");
        assert_eq!(reply.headers["cross-origin-resource-policy"], "same-origin");
        assert!(
            !reply
                .headers
                .keys()
                .any(|h| h.starts_with("access-control"))
        );
    }
    assert_eq!(replies[2].headers["cache-control"], "no-store");
}

#[test]
fn a_shared_page_shows_nothing_without_its_code() {
    let s = served_with(true, true);
    for path in [
        "/api/queue",
        "/api/ends/1/view",
        "/photo/1/whole",
        "/web/main.js",
        "/web/core.js",
    ] {
        assert_eq!(s.client.get(path).status, 401, "{path}");
    }
    assert_eq!(
        s.client
            .post("/api/ends/1/edits", &edits(0, json!([{"do": "accept"}])))
            .status,
        401
    );
    let door = s.client.get("/");
    assert_eq!(door.status, 200);
    assert!(door.text().contains("id=\"code\"") && !door.text().contains(s.code.text()));
    assert_eq!(
        s.client
            .post("/api/enter", &json!({"code": "AAAAAAAAAAAAAAAAAAAAAAAAAA"}))
            .status,
        403
    );
    let entered = s.client.post("/api/enter", &json!({"code": s.code.text()}));
    assert_eq!(entered.status, 200);
    let cookie = &entered.headers["set-cookie"];
    assert!(
        cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"),
        "{cookie}"
    );
    let pass = cookie.split(';').next().expect("pass").to_owned();
    let host = s.client.address.to_string();
    let with = s.client.send(
        "GET",
        "/api/queue",
        &[("Host", &host), ("Cookie", &pass)],
        b"",
    );
    assert_eq!(with.status, 200);
    // the pass doesn't replace the origin
    let body = edits(0, json!([{"do": "accept"}])).to_string();
    let forged = s.client.send(
        "POST",
        "/api/ends/1/edits",
        &[
            ("Host", &host),
            ("Cookie", &pass),
            ("Content-Type", "application/json"),
            ("Origin", "http://photos.example"),
        ],
        body.as_bytes(),
    );
    assert_eq!(forged.status, 403);
    // the code is no pass
    let code = format!(
        "{}={}",
        pass.split('=').next().expect("name"),
        s.code.text()
    );
    assert_eq!(
        s.client
            .send(
                "GET",
                "/api/queue",
                &[("Host", &host), ("Cookie", &code)],
                b""
            )
            .status,
        401
    );
}

#[test]
fn guessing_is_slowed_down() {
    let s = served_with(true, true);
    let mut last = None;
    for _ in 0..12 {
        last = Some(s.client.post("/api/enter", &json!({"code": "A"})));
    }
    let last = last.expect("an answer");
    assert_eq!(
        (last.status, last.headers["retry-after"].as_str()),
        (429, "60")
    );
    // whoever has the link comes in all the same
    let reply = s.client.post("/api/enter", &json!({"code": s.code.text()}));
    assert_eq!(reply.status, 200, "{}", reply.text());
}

#[test]
fn what_is_too_large_is_refused_without_being_read() {
    let s = served();
    let host = s.client.address.to_string();
    let origin = format!("http://{host}");
    let claims = |path: &str, kind: &str, size: usize| {
        let head = format!(
            "POST {path} HTTP/1.1\r\nHost: {host}\r\nOrigin: {origin}\r\nContent-Type: {kind}\r\nContent-Length: {size}\r\nConnection: close\r\n\r\n"
        );
        s.client.raw(head.as_bytes()).status
    };
    assert_eq!(
        claims("/api/photos", "image/jpeg", MAX_PHOTO_BYTES + 1),
        413
    );
    assert_eq!(
        claims(
            "/api/ends/1/edits",
            "application/json",
            MAX_REQUEST_BYTES + 1
        ),
        413
    );
    // without a length, in pieces
    let mut chunked = format!("POST /api/ends/1/edits HTTP/1.1\r\nHost: {host}\r\nOrigin: {origin}\r\nContent-Type: application/json\r\nTransfer-Encoding: chunked\r\nConnection: close\r\n\r\n").into_bytes();
    for _ in 0..20 {
        chunked.extend(format!("{:x}\r\n", 1 << 16).bytes());
        chunked.extend(std::iter::repeat_n(b' ', 1 << 16));
        chunked.extend(b"\r\n");
    }
    chunked.extend(b"0\r\n\r\n");
    assert_eq!(s.client.raw(&chunked).status, 413);
    let long = "x".repeat(200_000);
    assert!(matches!(
        s.client
            .send("GET", "/", &[("Host", &host), ("X-Long", &long)], b"")
            .status,
        400 | 431
    ));
}

#[test]
fn what_is_no_photo_is_refused_by_its_bytes() {
    let s = served_with(false, false);
    let heic = b"\0\0\0\x18ftypheic\0\0\0\0mif1heic";
    for (bytes, says) in [
        (&b"GIF89a\x01\0\x01\0\0\0\0"[..], "GIF"),
        (b"<html>", "not a photo"),
        (heic, "HEIC"),
        (b"", "empty"),
    ] {
        let reply = s.client.upload(bytes);
        assert_eq!(reply.status, 422, "{}", reply.text());
        assert!(reply.text().contains(says), "{}", reply.text());
    }
    assert!(s.names().is_empty());
}

#[test]
fn new_photos_get_names_of_the_program_s_own() {
    let s = served_with(false, false);
    fs::write(s.folder.path().join("photo-1.jpg"), b"somebody's").expect("written");
    let picture = image::RgbImage::from_pixel(40, 30, image::Rgb([9, 9, 9]));
    let mut png = Vec::new();
    picture
        .write_with_encoder(image::codecs::png::PngEncoder::new(&mut png))
        .expect("PNG");
    let reply = s.client.upload(&png);
    assert_eq!(reply.status, 200, "{}", reply.text());
    assert_eq!(s.names(), ["photo-1.jpg", "photo-2.png"]);
    assert_eq!(
        fs::read(s.folder.path().join("photo-1.jpg")).expect("file"),
        b"somebody's"
    );
    let queue = s.client.get("/api/queue").json();
    assert_eq!(queue["ends"][0]["state"], "which-face");
    // what holds for all that follow
    assert_eq!(
        s.client
            .post(
                "/api/remember",
                &json!({"face": "wa-80", "session": {"hand": "left", "fletched": 3}})
            )
            .status,
        200
    );
    assert_eq!(
        s.client
            .post("/api/remember", &json!({"face": "wa-81", "session": {}}))
            .status,
        422
    );
    let told: Value =
        serde_json::from_slice(&fs::read(s.folder.path().join("session.json")).expect("file"))
            .expect("JSON");
    assert_eq!(
        (&told["face"], &told["session"]["hand"], &told["fletched"]),
        (&json!("wa-80"), &json!("left"), &json!(3))
    );
}

#[test]
fn paths_lead_nowhere_but_where_they_should() {
    let s = served();
    fs::write(s.folder.path().join("secret.txt"), b"mine").expect("written");
    for path in [
        "/../Cargo.toml",
        "/web/../Cargo.toml",
        "/web/%2e%2e/Cargo.toml",
        "/web/..%2fCargo.toml",
        "/web//etc/passwd",
        "/secret.txt",
        "/a.end.json",
        "/photo/1/../../secret.txt",
        "/photo/..%2f..%2fsecret.txt/whole",
        "/photo/1/secret.txt",
        "/photo/-1/whole",
        "/photo/+1/whole",
        "/photo/1/4294967296-0",
        "/api/ends/1",
        "/api/ends/1/view/",
        "/api/ends/..%2f1/view",
        "/api/ends/99999999999999999999/view",
        "/web/",
        "/web",
    ] {
        let reply = s.client.get(path);
        assert!(matches!(reply.status, 400 | 404), "{path} {}", reply.status);
        assert!(!reply.text().contains("mine"), "{path}");
    }
    for method in ["PUT", "DELETE", "PATCH", "TRACE"] {
        let reply = s
            .client
            .send(method, "/api/ends/1/view", &s.client.own(), b"");
        assert!(reply.status >= 400, "{method}");
    }
}

/// A record may name any file as its photo: only one beside it is looked at.
#[test]
fn a_record_can_t_name_a_photo_elsewhere() {
    let folder = tempfile::tempdir().expect("folder");
    let inner = folder.path().join("inner");
    fs::create_dir(&inner).expect("folder");
    fs::write(folder.path().join("outside.jpg"), b"x").expect("written");
    fs::write(inner.join("beside.jpg"), b"x").expect("written");
    let end = |file: &str| -> End {
        serde_json::from_value(json!({"schema": "bossmark/end/1", "entries": [],
            "photo": {"file": file, "sha256": "", "width_px": 1, "height_px": 1}}))
        .expect("record")
    };
    let of = |file: &str| bossmark::store::photo_of(&inner.join("a.end.json"), &end(file));
    assert_eq!(of("beside.jpg"), Some(inner.join("beside.jpg")));
    assert_eq!(of("../outside.jpg"), None::<PathBuf>);
    assert_eq!(of("..\\outside.jpg"), None);
    assert_eq!(
        of(&folder.path().join("outside.jpg").display().to_string()),
        None
    );
    assert_eq!(of("a.end.json"), None);
    assert_eq!(of(".."), None);
}

#[test]
fn the_page_s_files_are_the_program_s_own() {
    let s = served();
    let index = s.client.get("/");
    assert_eq!(
        (index.status, index.headers["content-type"].as_str()),
        (200, "text/html; charset=utf-8")
    );
    let mut seen = 0;
    for name in index
        .text()
        .split("\"/web/")
        .skip(1)
        .filter_map(|t| t.split('"').next())
    {
        let file = s.client.get(&format!("/web/{name}"));
        assert_eq!(file.status, 200, "{name}");
        assert!(!file.body.is_empty());
        seen += 1;
    }
    assert!(seen >= 4);
    let head: Reply = s.client.send("HEAD", "/", &s.client.own(), b"");
    assert_eq!((head.status, head.body.len()), (200, 0));
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

/// A photo that is sent twice, at the same time or later, before or after it is measured, is one end.
#[test]
fn the_same_photo_twice_is_one_end() {
    let s = served_with(false, false);
    let photo = fs::read("sample-photos/odd/no-face.jpg").expect("photo");
    let ids: Vec<u64> = std::thread::scope(|scope| {
        let sent: Vec<_> = (0..3)
            .map(|_| scope.spawn(|| s.client.upload(&photo).json()["id"].as_u64()))
            .collect();
        sent.into_iter()
            .filter_map(|t| t.join().expect("answered"))
            .collect()
    });
    assert_eq!(ids, [ids[0]; 3]);
    let again = s.client.upload(&photo);
    assert_eq!(again.json()["id"], ids[0], "{}", again.text());
    let photos = s.names().into_iter().filter(|n| n.ends_with(".jpg"));
    assert_eq!(photos.count(), 1, "{:?}", s.names());
}

/// Who sends more than is taken gets to read why.
#[test]
fn a_photo_that_is_too_large_is_answered_with_413() {
    let s = served_with(false, false);
    let reply = s.client.upload(&vec![0; MAX_PHOTO_BYTES + 1]);
    assert_eq!(reply.status, 413, "{}", reply.text());
    assert!(s.names().is_empty(), "{:?}", s.names());
}

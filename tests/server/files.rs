//! What is sent and asked for: sizes, photos, names and paths.

use super::http_client::Reply;
use super::{served, served_with};
use bossmark::record::End;
use bossmark::server::{MAX_REQUEST_BYTES, MAX_UPLOAD_BYTES};
use serde_json::{Value, json};
use std::fs;
use std::path::PathBuf;

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
        claims("/api/photos", "image/jpeg", MAX_UPLOAD_BYTES + 1),
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
    let session: Value =
        serde_json::from_slice(&fs::read(s.folder.path().join("session.json")).expect("file"))
            .expect("JSON");
    assert_eq!(
        (
            &session["face"],
            &session["session"]["hand"],
            &session["fletched"]
        ),
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
    let reply = s.client.upload(&vec![0; MAX_UPLOAD_BYTES + 1]);
    assert_eq!(reply.status, 413, "{}", reply.text());
    assert!(s.names().is_empty(), "{:?}", s.names());
}

//! Who is let in: foreign hosts, other sites, shared pages without their code, guessing.

use super::{edits, served, served_with};
use serde_json::json;

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
    let sign_in = s.client.get("/");
    assert_eq!(sign_in.status, 200);
    assert!(sign_in.text().contains("id=\"code\"") && !sign_in.text().contains(s.code.text()));
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
    // the link lets one in all the same
    let reply = s.client.post("/api/enter", &json!({"code": s.code.text()}));
    assert_eq!(reply.status, 200, "{}", reply.text());
}

//! Who may ask what: the checks that every request passes before anything else looks at it.
//!
//! The page is for the person at this machine, or for those who were shown the code. Against the rest of the world stand: a
//! list of names under which this server may be addressed (a foreign name that resolves here, "DNS rebinding", is refused),
//! the same origin for everything that changes something, and with `--share` a code of 128 random bits.

use super::http::{Answer, JSON, Request};
use std::net::SocketAddr;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Wrong codes that are let through in [`PERIOD`], from all sides together: nobody mistypes more often, and at this pace
/// 128 bits are never guessed.
const TRIES: usize = 10;
/// See [`TRIES`].
const PERIOD: Duration = Duration::from_secs(60);
/// What scripts, styles and requests of the page may come from: here and nowhere else.
const POLICY: &str = "default-src 'self'; img-src 'self' blob:; object-src 'none'; base-uri 'none'; form-action 'none'; \
                      frame-ancestors 'none'";
/// Alphabet of codes: RFC 4648 base 32, whose letters and digits can't be mistaken for each other.
const ALPHABET: &[u8; 32] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZ234567";
/// Bytes of randomness in a code.
const CODE_BYTES: usize = 16;

/// A secret of 128 random bits, as letters and digits.
#[derive(Clone)]
pub struct Secret(String);

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Secret(…)")
    }
}

impl Secret {
    /// A new one from the system's random source.
    ///
    /// # Errors
    /// When the system has none.
    pub fn new() -> Result<Self, getrandom::Error> {
        let mut bytes = [0_u8; CODE_BYTES];
        getrandom::fill(&mut bytes)?;
        Ok(Self(base32(&bytes)))
    }

    /// The letters and digits.
    #[must_use]
    pub fn text(&self) -> &str {
        &self.0
    }

    /// Whether `tried` is this secret, in a time that doesn't tell how much of it was right. Spaces, dashes and case don't
    /// count.
    #[must_use]
    pub fn is(&self, tried: &str) -> bool {
        let tried: Vec<u8> = tried
            .bytes()
            .filter(|b| !matches!(b, b' ' | b'-'))
            .map(|b| b.to_ascii_uppercase())
            .collect();
        let own = self.0.as_bytes();
        let mut apart = usize::from(own.len() != tried.len());
        for (i, byte) in own.iter().enumerate() {
            apart |= usize::from(byte ^ tried.get(i).copied().unwrap_or(0));
        }
        std::hint::black_box(apart) == 0
    }
}

fn base32(bytes: &[u8]) -> String {
    let (mut out, mut kept, mut bits) = (String::new(), 0_u32, 0_u32);
    for byte in bytes {
        kept = (kept << 8) | u32::from(*byte);
        bits += 8;
        while bits >= 5 {
            bits -= 5;
            let index = (kept >> bits) & 31;
            out.push(char::from(ALPHABET[index as usize]));
        }
    }
    if bits > 0 {
        out.push(char::from(ALPHABET[((kept << (5 - bits)) & 31) as usize]));
    }
    out
}

/// The code of a shared page and the pass that a browser gets for it.
#[derive(Debug)]
struct Door {
    code: Secret,
    pass: Secret,
    cookie: String,
    tried: Mutex<Vec<Instant>>,
}

/// The checks.
#[derive(Debug)]
pub struct Guard {
    /// Authorities (`host:port`) under which this server answers.
    names: Vec<String>,
    door: Option<Door>,
}

/// What a request that passed may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pass {
    /// Everything.
    In,
    /// See the door: the page that asks for the code, and its style.
    Door,
}

impl Guard {
    /// Checks for a server on this port of this machine alone.
    #[must_use]
    pub fn local(port: u16) -> Self {
        let names = ["127.0.0.1", "localhost", "[::1]"];
        Self {
            names: names.iter().map(|n| format!("{n}:{port}")).collect(),
            door: None,
        }
    }

    /// Checks for a server that others reach under `address` too, with this code.
    ///
    /// # Errors
    /// When the system has no random source.
    pub fn shared(address: SocketAddr, code: Secret) -> Result<Self, getrandom::Error> {
        let mut guard = Self::local(address.port());
        guard.names.push(address.to_string());
        guard.door = Some(Door {
            code,
            pass: Secret::new()?,
            // cookies know no ports: the name keeps two of these apart
            cookie: format!("bossmark-{}", address.port()),
            tried: Mutex::new(Vec::new()),
        });
        Ok(guard)
    }

    /// Lets a request pass, or answers it.
    ///
    /// # Errors
    /// The answer to a request that doesn't pass.
    pub fn check(&self, request: &Request) -> Result<Pass, Answer> {
        let host = self.host(request)?;
        same_origin(request, host)?;
        let Some(door) = &self.door else {
            return Ok(Pass::In);
        };
        let cookies = request.header("cookie").unwrap_or_default();
        let shown = cookies
            .split(';')
            .filter_map(|c| c.trim().split_once('='))
            .find(|(name, _)| *name == door.cookie)
            .map(|(_, value)| value);
        Ok(match shown {
            Some(value) if door.pass.is(value) => Pass::In,
            _ => Pass::Door,
        })
    }

    /// The name by which the server was called, if it is one of its own.
    fn host<'a>(&self, request: &'a Request) -> Result<&'a str, Answer> {
        let foreign = || {
            Answer::problem(
                421,
                "host",
                "this address is not the page's own: open the link that the program printed",
            )
        };
        let host = request.header("host").ok_or_else(foreign)?;
        let known = |n: &String| n.eq_ignore_ascii_case(host);
        if request.repeated.iter().any(|n| n == "host") || !self.names.iter().any(known) {
            return Err(foreign());
        }
        Ok(host)
    }

    /// Trades the code for the pass.
    #[must_use]
    pub fn enter(&self, code: &str) -> Answer {
        let Some(door) = &self.door else {
            return Answer::json(&serde_json::json!({"in": true}));
        };
        let now = Instant::now();
        let mut tried = door.tried.lock().unwrap_or_else(PoisonError::into_inner);
        tried.retain(|t| now.duration_since(*t) < PERIOD);
        if tried.len() >= TRIES {
            return Answer::problem(
                429,
                "tries",
                "too many wrong codes: wait a minute, then open the link from the terminal again",
            )
            .with("Retry-After", PERIOD.as_secs().to_string());
        }
        if !door.code.is(code) {
            tried.push(now);
            return Answer::problem(
                403,
                "code",
                "this is not the code: open the link, or scan the code, that the program shows now",
            );
        }
        let cookie = format!(
            "{}={}; HttpOnly; SameSite=Strict; Path=/",
            door.cookie,
            door.pass.text()
        );
        Answer::json(&serde_json::json!({"in": true})).with("Set-Cookie", cookie)
    }
}

/// Everything that changes something must come from the page itself and say so; everything else must not come from another
/// site's page either, opening the page apart.
fn same_origin(request: &Request, host: &str) -> Result<(), Answer> {
    let refused = |text: &str| Err(Answer::problem(403, "origin", text));
    let reads = matches!(request.method.as_str(), "GET" | "HEAD");
    let site = request.header("sec-fetch-site");
    let opens = reads && request.header("sec-fetch-mode") == Some("navigate");
    if site.is_some_and(|s| !matches!(s, "same-origin" | "none")) && !opens {
        return refused("this request comes from another site and is refused");
    }
    if reads {
        return Ok(());
    }
    if request.header("origin") != Some(&format!("http://{host}")) {
        return refused("this request doesn't come from the page and is refused");
    }
    let kind = request.header("content-type").unwrap_or_default();
    let photo = request.path == super::UPLOAD && matches!(kind, "image/jpeg" | "image/png");
    if kind != JSON && !photo {
        return Err(Answer::problem(
            415,
            "type",
            "only JSON is understood here, and JPEG or PNG where photos go: reload the page",
        ));
    }
    Ok(())
}

/// The header fields that every answer carries.
#[must_use]
pub(super) fn headers() -> [(&'static str, &'static str); 7] {
    [
        ("Content-Security-Policy", POLICY),
        ("X-Content-Type-Options", "nosniff"),
        ("Referrer-Policy", "no-referrer"),
        ("Cross-Origin-Opener-Policy", "same-origin"),
        ("Cross-Origin-Resource-Policy", "same-origin"),
        ("X-Frame-Options", "DENY"),
        (
            "Permissions-Policy",
            "geolocation=(), microphone=(), camera=()",
        ),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn request(method: &str, headers: &[(&str, &str)]) -> Request {
        Request {
            method: method.to_owned(),
            path: "/api/queue".to_owned(),
            headers: headers
                .iter()
                .map(|(n, v)| ((*n).to_owned(), (*v).to_owned()))
                .collect(),
            ..Request::default()
        }
    }

    fn status(guard: &Guard, method: &str, headers: &[(&str, &str)]) -> u16 {
        guard
            .check(&request(method, headers))
            .map_or_else(|a| a.status, |_| 200)
    }

    #[test]
    fn only_its_own_names_are_answered() {
        let guard = Guard::local(4117);
        for host in [
            "127.0.0.1:4117",
            "localhost:4117",
            "[::1]:4117",
            "LOCALHOST:4117",
        ] {
            assert_eq!(status(&guard, "GET", &[("host", host)]), 200, "{host}");
        }
        for host in [
            "127.0.0.1",
            "127.0.0.1:80",
            "photos.example:4117",
            "localhost.example:4117",
            "",
        ] {
            assert_eq!(status(&guard, "GET", &[("host", host)]), 421, "{host}");
        }
        assert_eq!(status(&guard, "GET", &[]), 421);
        let mut twice = request("GET", &[("host", "127.0.0.1:4117")]);
        twice.repeated.push("host".to_owned());
        assert!(guard.check(&twice).is_err());
    }

    #[test]
    fn changes_come_from_the_page_alone() {
        let guard = Guard::local(4117);
        let host = ("host", "127.0.0.1:4117");
        let own = ("origin", "http://127.0.0.1:4117");
        let json = ("content-type", "application/json");
        assert_eq!(status(&guard, "POST", &[host, own, json]), 200);
        for (wrong, expected) in [
            (vec![host, json], 403),
            (vec![host, json, ("origin", "http://photos.example")], 403),
            (vec![host, json, ("origin", "null")], 403),
            // right port, other name of this machine: another origin
            (vec![host, json, ("origin", "http://localhost:4117")], 403),
            (vec![host, json, own, ("sec-fetch-site", "cross-site")], 403),
            (vec![host, json, own, ("sec-fetch-site", "same-site")], 403),
            (vec![host, own], 415),
            (vec![host, own, ("content-type", "text/plain")], 415),
            (vec![host, own, ("content-type", "image/jpeg")], 415),
        ] {
            assert_eq!(status(&guard, "POST", &wrong), expected, "{wrong:?}");
        }
        // rebinding: foreign name, origin of that name
        let rebound = [
            ("host", "photos.example:4117"),
            json,
            ("origin", "http://photos.example:4117"),
        ];
        assert_eq!(status(&guard, "POST", &rebound), 421);
    }

    #[test]
    fn pages_of_other_sites_may_link_here_and_read_nothing() {
        let guard = Guard::local(4117);
        let host = ("host", "127.0.0.1:4117");
        let cross = ("sec-fetch-site", "cross-site");
        assert_eq!(
            status(
                &guard,
                "GET",
                &[host, cross, ("sec-fetch-mode", "navigate")]
            ),
            200
        );
        assert_eq!(
            status(&guard, "GET", &[host, cross, ("sec-fetch-mode", "no-cors")]),
            403
        );
        assert_eq!(
            status(
                &guard,
                "POST",
                &[host, cross, ("sec-fetch-mode", "navigate")]
            ),
            403
        );
    }

    #[test]
    fn a_shared_page_opens_with_the_code_and_not_by_guessing() {
        let code = Secret::new().expect("random");
        let address: SocketAddr = "192.0.2.7:4117".parse().expect("address");
        let guard = Guard::shared(address, code.clone()).expect("random");
        let host = ("host", "192.0.2.7:4117");
        assert_eq!(guard.check(&request("GET", &[host])), Ok(Pass::Door));
        let entered = guard.enter(&code.text().to_lowercase());
        let (_, cookie) = entered
            .headers
            .iter()
            .find(|(n, _)| *n == "Set-Cookie")
            .expect("cookie");
        assert!(
            cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"),
            "{cookie}"
        );
        assert!(!cookie.contains(code.text()), "the pass isn't the code");
        let pass = cookie.split(';').next().expect("pass");
        assert_eq!(
            guard.check(&request("GET", &[host, ("cookie", pass)])),
            Ok(Pass::In)
        );
        assert_eq!(
            guard.check(&request("GET", &[host, ("cookie", "bossmark-4117=AAAA")])),
            Ok(Pass::Door)
        );
        for _ in 0..TRIES {
            assert_eq!(guard.enter("AAAA").status, 403);
        }
        assert_eq!(guard.enter("AAAA").status, 429);
        assert_eq!(
            guard.enter(code.text()).status,
            429,
            "not even the right one, for a minute"
        );
    }

    /// RFC 4648, section 10.
    #[test]
    fn codes_are_written_in_base_32() {
        for (bytes, text) in [
            ("f", "MY"),
            ("fo", "MZXQ"),
            ("foo", "MZXW6"),
            ("foobar", "MZXW6YTBOI"),
        ] {
            assert_eq!(base32(bytes.as_bytes()), text);
        }
        let (a, b) = (
            Secret::new().expect("random"),
            Secret::new().expect("random"),
        );
        assert_eq!(a.text().len(), 26);
        assert!(!a.is(b.text()) && a.is(a.text()) && !a.is("") && !a.is(&a.text()[..25]));
        assert_eq!(format!("{a:?}"), "Secret(…)");
    }
}

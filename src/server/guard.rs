//! Who may ask for what: the checks that every request passes before it is handled.
//!
//! The page is for the person at this machine, or for those who were given the code. Three checks keep everybody else out. The
//! server answers only under its own host names (a foreign name that resolves to it, "DNS rebinding", is refused). Requests that
//! change something must come from the page's own origin. With `--share` a code of 128 random bits is asked for.

use super::http::{Answer, JSON, Request};
use std::net::{IpAddr, SocketAddr};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// How many wrong codes are accepted from one address within [`TRY_PERIOD`]. Nobody mistypes more often. The right code is taken at
/// any time: 128 bits are never guessed, and a client that tries keeps nobody else out.
const MAX_TRIES: usize = 10;
/// See [`MAX_TRIES`].
const TRY_PERIOD: Duration = Duration::from_secs(60);
/// How many addresses are remembered for their wrong codes; of more the oldest is forgotten.
const MAX_ADDRESSES: usize = 256;
/// Content security policy: scripts, styles and requests of the page only from this server.
#[cfg(not(target_family = "wasm"))]
const CONTENT_POLICY: &str = "default-src 'self'; img-src 'self' blob:; object-src 'none'; base-uri 'none'; form-action 'none'; \
                      frame-ancestors 'none'";
/// Alphabet of codes, RFC 4648 base 32: none of its letters and digits look alike.
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

    /// Whether `tried` is this secret; the time taken is the same however much of it is right. Spaces, dashes and case are
    /// ignored.
    #[must_use]
    pub fn is(&self, tried: &str) -> bool {
        let tried: Vec<u8> = tried
            .bytes()
            .filter(|b| !matches!(b, b' ' | b'-'))
            .map(|b| b.to_ascii_uppercase())
            .collect();
        let own = self.0.as_bytes();
        let mut difference = usize::from(own.len() != tried.len());
        for (i, byte) in own.iter().enumerate() {
            difference |= usize::from(byte ^ tried.get(i).copied().unwrap_or(0));
        }
        std::hint::black_box(difference) == 0
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

/// The code of a shared page, and the cookie that a browser gets for it.
#[derive(Debug)]
struct SignIn {
    code: Secret,
    cookie_name: String,
    cookie_value: Secret,
    /// From which address wrong codes were entered, and when.
    wrong_codes: Mutex<Vec<(Option<IpAddr>, Instant)>>,
}

impl SignIn {
    /// The answer to a wrong code.
    fn wrong_code(&self, peer: Option<IpAddr>) -> Answer {
        let now = Instant::now();
        let mut wrong_codes = self
            .wrong_codes
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        wrong_codes.retain(|(_, t)| now.duration_since(*t) < TRY_PERIOD);
        if wrong_codes.iter().filter(|(p, _)| *p == peer).count() >= MAX_TRIES {
            return Answer::problem(
                429,
                "tries",
                "too many wrong codes: wait a minute, or open the link from the terminal",
            )
            .with("Retry-After", TRY_PERIOD.as_secs().to_string());
        }
        if wrong_codes.len() >= MAX_ADDRESSES * MAX_TRIES {
            wrong_codes.remove(0);
        }
        wrong_codes.push((peer, now));
        Answer::problem(
            403,
            "code",
            "this is not the code: open the link, or scan the code, that the program shows now",
        )
    }
}

/// The checks of one server.
#[derive(Debug)]
pub struct Guard {
    /// Authorities (`host:port`) under which this server answers.
    names: Vec<String>,
    /// `None` for a page that isn't shared.
    sign_in: Option<SignIn>,
}

/// What a request that passed the checks may see.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Access {
    /// Everything.
    Full,
    /// Only the page that asks for the code, and its style.
    SignInPage,
}

impl Guard {
    /// Checks for a server that only this machine can reach, on this port.
    #[must_use]
    pub fn local(port: u16) -> Self {
        let names = ["127.0.0.1", "localhost", "[::1]"];
        Self {
            names: names.iter().map(|n| format!("{n}:{port}")).collect(),
            sign_in: None,
        }
    }

    /// Checks for a server that others can also reach, at `address`, with this code.
    ///
    /// # Errors
    /// When the system has no random source.
    pub fn shared(address: SocketAddr, code: Secret) -> Result<Self, getrandom::Error> {
        let mut guard = Self::local(address.port());
        guard.names.push(address.to_string());
        guard.sign_in = Some(SignIn {
            code,
            // a cookie is sent to every port of the host: the name distinguishes two servers
            cookie_name: format!("bossmark-{}", address.port()),
            cookie_value: Secret::new()?,
            wrong_codes: Mutex::new(Vec::new()),
        });
        Ok(guard)
    }

    /// Checks a request.
    ///
    /// # Errors
    /// The answer to a request that is refused.
    pub fn check(&self, request: &Request) -> Result<Access, Answer> {
        let host = self.host(request)?;
        same_origin(request, host)?;
        let Some(sign_in) = &self.sign_in else {
            return Ok(Access::Full);
        };
        let cookies = request.header("cookie").unwrap_or_default();
        let value = cookies
            .split(';')
            .filter_map(|c| c.trim().split_once('='))
            .find(|(name, _)| *name == sign_in.cookie_name)
            .map(|(_, value)| value);
        Ok(match value {
            Some(value) if sign_in.cookie_value.is(value) => Access::Full,
            _ => Access::SignInPage,
        })
    }

    /// The host name that the request was sent to; refused if it isn't one of the server's own.
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

    /// Exchanges the code for the cookie; `peer` is the client's address.
    #[must_use]
    pub fn enter(&self, code: &str, peer: Option<IpAddr>) -> Answer {
        let Some(sign_in) = &self.sign_in else {
            return Answer::json(&serde_json::json!({"in": true}));
        };
        if !sign_in.code.is(code) {
            return sign_in.wrong_code(peer);
        }
        let cookie = format!(
            "{}={}; HttpOnly; SameSite=Strict; Path=/",
            sign_in.cookie_name,
            sign_in.cookie_value.text()
        );
        Answer::json(&serde_json::json!({"in": true})).with("Set-Cookie", cookie)
    }
}

/// A request that changes something must come from the page itself. One that only reads must not come from another site, except to
/// open the page.
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
#[cfg(not(target_family = "wasm"))]
#[must_use]
pub(super) fn headers() -> [(&'static str, &'static str); 7] {
    [
        ("Content-Security-Policy", CONTENT_POLICY),
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
        assert_eq!(
            guard.check(&request("GET", &[host])),
            Ok(Access::SignInPage)
        );
        let entered = guard.enter(&code.text().to_lowercase(), None);
        let (_, cookie) = entered
            .headers
            .iter()
            .find(|(n, _)| *n == "Set-Cookie")
            .expect("cookie");
        assert!(
            cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"),
            "{cookie}"
        );
        assert!(!cookie.contains(code.text()), "the cookie isn't the code");
        let session_cookie = cookie.split(';').next().expect("cookie");
        assert_eq!(
            guard.check(&request("GET", &[host, ("cookie", session_cookie)])),
            Ok(Access::Full)
        );
        assert_eq!(
            guard.check(&request("GET", &[host, ("cookie", "bossmark-4117=AAAA")])),
            Ok(Access::SignInPage)
        );
        let (one, other) = ("192.0.2.8".parse().ok(), "192.0.2.9".parse().ok());
        for _ in 0..MAX_TRIES {
            assert_eq!(guard.enter("AAAA", one).status, 403);
        }
        assert_eq!(guard.enter("AAAA", one).status, 429);
        assert_eq!(guard.enter("AAAA", other).status, 403, "another client");
        for peer in [one, other] {
            assert_eq!(guard.enter(code.text(), peer).status, 200, "the right one");
        }
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

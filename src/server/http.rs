//! Requests and answers as plain values, so that everything but the socket can be tested without one.

use crate::text::{Commands, DateOrder, LengthUnit, Locale};
use serde::Serialize;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::net::IpAddr;

/// The header field in which the page says its reader's units: `mm` or `in`, `ymd`, `dmy` or `mdy`.
const LOCALE_HEADER: &str = "bossmark-locale";

/// A request as it arrived.
#[derive(Clone, Debug, Default)]
pub struct Request {
    /// `GET`, `POST`, …
    pub method: String,
    /// The path, as sent, without the query.
    pub path: String,
    /// Header fields by their lower-case names; of several with one name the first.
    pub headers: BTreeMap<String, String>,
    /// Names of header fields that came more than once.
    pub repeated: Vec<String>,
    /// The body.
    pub body: Vec<u8>,
    /// The client's address.
    pub peer: Option<IpAddr>,
}

impl Request {
    /// A header field.
    #[must_use]
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.get(name).map(String::as_str)
    }

    /// Unit of lengths and order of dates that the page's reader has chosen: the words of the header `LOCALE_HEADER`. The page names
    /// no commands.
    #[must_use]
    pub fn locale(&self) -> Locale {
        let chosen = self.header(LOCALE_HEADER).unwrap_or_default();
        let has = |word: &str| chosen.split_ascii_whitespace().any(|w| w == word);
        Locale {
            lengths: if has("in") {
                LengthUnit::Inches
            } else {
                LengthUnit::Millimetres
            },
            dates: match (has("dmy"), has("mdy")) {
                (true, _) => DateOrder::DayFirst,
                (false, true) => DateOrder::MonthFirst,
                (false, false) => DateOrder::YearFirst,
            },
            commands: Commands::Omitted,
        }
    }

    /// The body as JSON of this type.
    ///
    /// # Errors
    /// The answer that says what is wrong.
    pub fn json<T: serde::de::DeserializeOwned>(&self) -> Result<T, Answer> {
        serde_json::from_slice(&self.body).map_err(|e| {
            Answer::problem(
                400,
                "request",
                &format!("the request can't be understood ({e}): reload the page"),
            )
        })
    }
}

/// An answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    /// Status code.
    pub status: u16,
    /// Media type of the body.
    pub kind: &'static str,
    /// Whether a browser may cache it; it then asks whether it is still valid.
    pub cacheable: bool,
    /// Further header fields.
    pub headers: Vec<(&'static str, String)>,
    /// The body.
    pub body: Vec<u8>,
}

/// Media type of JSON.
pub(super) const JSON: &str = "application/json";

impl Answer {
    /// Bytes of some type.
    #[must_use]
    pub fn bytes(kind: &'static str, body: Vec<u8>) -> Self {
        Self {
            status: 200,
            kind,
            cacheable: false,
            headers: Vec::new(),
            body,
        }
    }

    /// A document.
    #[must_use]
    pub fn json(document: &impl Serialize) -> Self {
        match serde_json::to_vec(document) {
            Ok(body) => Self::bytes(JSON, body),
            Err(_) => Self::problem(
                500,
                "internal",
                "the answer can't be written: reload the page",
            ),
        }
    }

    /// A sentence that says what is wrong, with a code for programs.
    #[must_use]
    pub fn problem(status: u16, code: &str, text: &str) -> Self {
        Self::problem_with(status, code, text, Value::Null)
    }

    /// The same, with further fields.
    #[must_use]
    pub fn problem_with(status: u16, code: &str, text: &str, more: Value) -> Self {
        let mut document = json!({"error": {"code": code, "text": text}});
        if let Value::Object(more) = more {
            for (name, value) in more {
                document[name] = value;
            }
        }
        Self {
            status,
            ..Self::bytes(JSON, document.to_string().into_bytes())
        }
    }

    /// With one more header field.
    #[must_use]
    pub fn with(mut self, name: &'static str, value: String) -> Self {
        self.headers.push((name, value));
        self
    }
}

/// A number in digits only: no sign, no space, no path.
pub(super) fn number(text: &str) -> Option<u64> {
    let only_digits =
        !text.is_empty() && text.len() < 10 && text.bytes().all(|b| b.is_ascii_digit());
    only_digits.then(|| text.parse().ok()).flatten()
}

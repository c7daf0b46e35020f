//! Bytes → end records: one document, or JSON Lines.

use super::keys::{UnknownField, unknown_fields_in_record};
use super::{
    CameraRecord, End, Entry, FaceRecord, Missed, Note, PhotoRecord, RecordError, SCHEMA, Session,
    Setup, When,
};
use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::Value;

/// A record with its line and warnings.
#[derive(Clone, Debug, PartialEq)]
pub struct ParsedRecord {
    /// Line at which the record starts, from 1.
    pub line: usize,
    /// The record.
    pub end: End,
    /// Warnings for the user: names that look misspelt, dates that can't be read. The record keeps them unchanged.
    pub warnings: Vec<String>,
}

/// Reads one record or several (JSON Lines, or documents one after the other). Unknown fields are kept.
///
/// # Errors
/// When any of them isn't JSON, has a newer or another schema, or a field of the wrong type.
pub fn parse_records(bytes: &[u8]) -> Result<Vec<ParsedRecord>, RecordError> {
    let all = records_with_text(bytes)?;
    Ok(all.into_iter().map(|(_, record)| record).collect())
}

/// The same, each with its part of `bytes`.
///
/// # Errors
/// As [`parse_records`].
pub fn records_with_text(bytes: &[u8]) -> Result<Vec<(&[u8], ParsedRecord)>, RecordError> {
    let mut found = Vec::new();
    let mut documents = Documents::new(bytes, SCHEMA);
    while let Some(document) = documents.next_document()? {
        found.push((document.text, record(document.line, document.value)?));
    }
    if found.is_empty() {
        return Err(RecordError::Empty { known: SCHEMA });
    }
    Ok(found)
}

/// The first JSON document in `bytes`, which must have the schema `known`.
///
/// # Errors
/// When there is none, or it has a newer or another schema.
pub fn document(bytes: &[u8], known: &'static str) -> Result<Value, RecordError> {
    let (line, value) = first_document(bytes, known)?;
    check_schema(line, &value, known)?;
    Ok(value)
}

/// The first JSON document in `bytes` as a `T`. The message of an error calls it `what`.
///
/// # Errors
/// As [`document`], and when a field is missing or has the wrong type.
pub fn typed<T: DeserializeOwned>(
    bytes: &[u8],
    known: &'static str,
    what: &str,
) -> Result<T, RecordError> {
    serde_json::from_value(document(bytes, known)?).map_err(|e| RecordError::Shape {
        line: 1,
        place: what.to_owned(),
        detail: message_without_place(&e),
        known,
    })
}

/// The first JSON document in `bytes`, with the line at which it starts. What follows must be JSON too.
pub(super) fn first_document(
    bytes: &[u8],
    known: &'static str,
) -> Result<(usize, Value), RecordError> {
    let mut documents = Documents::new(bytes, known);
    let first = documents
        .next_document()?
        .ok_or(RecordError::Empty { known })?;
    while documents.next_document()?.is_some() {}
    Ok((first.line, first.value))
}

/// A JSON document among others.
struct Document<'a> {
    /// The line at which it starts, from 1.
    line: usize,
    text: &'a [u8],
    value: Value,
}

/// The JSON documents in some bytes, one after the other: each is gone before the next one is read. A byte-order mark is skipped.
struct Documents<'a> {
    bytes: &'a [u8],
    /// The schema wanted, for messages.
    known: &'static str,
    stream: serde_json::StreamDeserializer<'a, serde_json::de::SliceRead<'a>, Value>,
    /// How far line feeds have been counted, and how many there were.
    counted: usize,
    feeds: usize,
}

impl<'a> Documents<'a> {
    fn new(bytes: &'a [u8], known: &'static str) -> Self {
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        Self {
            bytes,
            known,
            stream: serde_json::Deserializer::from_slice(bytes).into_iter(),
            counted: 0,
            feeds: 0,
        }
    }

    fn next_document(&mut self) -> Result<Option<Document<'a>>, RecordError> {
        let rest = self
            .bytes
            .get(self.stream.byte_offset()..)
            .unwrap_or_default();
        let blank = rest.iter().take_while(|b| b.is_ascii_whitespace()).count();
        let start = self.stream.byte_offset() + blank;
        let passed = self.bytes.get(self.counted..start).unwrap_or_default();
        self.feeds += passed.iter().filter(|b| **b == b'\n').count();
        self.counted = start;
        let more = self.bytes.get(start..).unwrap_or_default();
        if values_of_first(more) > MAX_VALUES {
            return Err(RecordError::TooLarge {
                line: 1 + self.feeds,
                values: MAX_VALUES,
            });
        }
        match self.stream.next() {
            None => Ok(None),
            Some(Ok(value)) => Ok(Some(Document {
                line: 1 + self.feeds,
                text: self
                    .bytes
                    .get(start..self.stream.byte_offset())
                    .unwrap_or_default(),
                value,
            })),
            Some(Err(error)) => Err(RecordError::NotJson {
                line: error.line().max(1),
                detail: message_without_place(&error),
                known: self.known,
            }),
        }
    }
}

/// Most values of one document. A record has some hundreds; a parsed value takes many times the memory of its text.
const MAX_VALUES: usize = 1_000_000;

/// About how many values the first document of some JSON holds, counted without keeping any of them.
fn values_of_first(bytes: &[u8]) -> usize {
    let (mut values, mut depth, mut in_text, mut escaped) = (1, 0_usize, false, false);
    for byte in bytes {
        match byte {
            _ if escaped => escaped = false,
            b'\\' if in_text => escaped = true,
            b'"' => in_text = !in_text,
            _ if in_text => {}
            b'[' | b'{' => {
                depth += 1;
                values += 1;
            }
            b']' | b'}' => {
                depth = depth.saturating_sub(1);
                if depth == 0 {
                    break;
                }
            }
            b',' => values += 1,
            _ if depth == 0 && byte.is_ascii_whitespace() => break,
            _ => {}
        }
    }
    values
}

/// The parser's message without its "at line … column …": the program's own message names the line.
pub(super) fn message_without_place(error: &serde_json::Error) -> String {
    let text = error.to_string();
    text.split(" at line ").next().unwrap_or(&text).to_owned()
}

/// A document of one type; `what` names it in the error, together with the field whose value is of the wrong type.
pub(super) fn of_type<T: DeserializeOwned>(
    value: Value,
    line: usize,
    what: &str,
    known: &'static str,
) -> Result<T, RecordError> {
    serde_path_to_error::deserialize(value).map_err(|e| {
        let path = e.path().to_string();
        // inside a flattened part no path is known
        let place = if path == "." || path.contains('?') {
            what.to_owned()
        } else {
            format!("`{path}` of {what}")
        };
        RecordError::Shape {
            line,
            place,
            detail: message_without_place(e.inner()),
            known,
        }
    })
}

/// Checks that `value` is a document of the schema `known`.
pub(super) fn check_schema(
    line: usize,
    value: &Value,
    known: &'static str,
) -> Result<(), RecordError> {
    let schema = value.get("schema").and_then(Value::as_str);
    if schema == Some(known) {
        return Ok(());
    }
    let number = |s: &str| -> Option<(String, u64)> {
        let (name, number) = s.rsplit_once('/')?;
        Some((name.to_owned(), number.parse().ok()?))
    };
    if let (Some(found), Some(own)) = (schema.and_then(number), number(known))
        && found.0 == own.0
        && found.1 > own.1
    {
        return Err(RecordError::NewerSchema {
            line,
            schema: schema.unwrap_or_default().to_owned(),
            known,
        });
    }
    Err(RecordError::OtherSchema {
        line,
        schema: schema.unwrap_or("missing").to_owned(),
        known,
    })
}

fn record(line: usize, mut value: Value) -> Result<ParsedRecord, RecordError> {
    check_schema(line, &value, SCHEMA)?;
    drop_nulls(&mut value);
    let end: End = match End::deserialize(&value) {
        Ok(end) => end,
        Err(error) => {
            let (place, detail) = locate(&value)
                .unwrap_or_else(|| ("the record".to_owned(), message_without_place(&error)));
            return Err(RecordError::Shape {
                line,
                place,
                detail,
                known: SCHEMA,
            });
        }
    };
    let mut ids: Vec<u64> = end.entries.iter().map(|e| e.id).collect();
    ids.sort_unstable();
    if let Some(pair) = ids.windows(2).find(|w| w[0] == w[1]) {
        return Err(RecordError::SameId { line, id: pair[0] });
    }
    let warnings = warnings(&end);
    Ok(ParsedRecord {
        line,
        end,
        warnings,
    })
}

/// Removes lists and objects that are `null`: they count as absent.
fn drop_nulls(value: &mut Value) {
    let Some(object) = value.as_object_mut() else {
        return;
    };
    for key in [
        "entries", "missed", "revision", "session", "notes", "bossmark",
    ] {
        if object.get(key).is_some_and(Value::is_null) {
            object.remove(key);
        }
    }
}

/// The first part of a record that can't be understood, and why.
fn locate(value: &Value) -> Option<(String, String)> {
    fn fault<T: DeserializeOwned>(value: Option<&Value>) -> Option<String> {
        T::deserialize(value?)
            .err()
            .map(|e| message_without_place(&e))
    }
    let part = |name: &str, detail: Option<String>| detail.map(|d| (format!("`{name}`"), d));
    let list = |name: &str| value.get(name).and_then(Value::as_array);
    part("photo", fault::<Option<PhotoRecord>>(value.get("photo")))
        .or_else(|| part("face", fault::<Option<FaceRecord>>(value.get("face"))))
        .or_else(|| part("camera", fault::<Option<CameraRecord>>(value.get("camera"))))
        .or_else(|| {
            list("entries")?
                .iter()
                .enumerate()
                .find_map(|(i, e)| part(&format!("entries[{i}]"), fault::<Entry>(Some(e))))
        })
        .or_else(|| part("missed", fault::<Vec<Missed>>(value.get("missed"))))
        .or_else(|| {
            let setup = value.get("session")?.get("setup");
            part("session.setup", fault::<Option<Setup>>(setup))
        })
        .or_else(|| part("session", fault::<Session>(value.get("session"))))
        .or_else(|| part("notes", fault::<Vec<Note>>(value.get("notes"))))
}

fn warnings(end: &End) -> Vec<String> {
    let mut all: Vec<String> = unknown_fields_in_record(end)
        .into_iter()
        .filter_map(|UnknownField { path, likely }| {
            likely.map(|likely| {
                format!("`{path}` is not known and not used: did you mean `{likely}`?")
            })
        })
        .collect();
    if let Some(date) = &end.session.date
        && When::parse(date).is_none()
    {
        all.push(format!(
            "the date {date:?} can't be read, so the record sorts before all dates: write it as 2026-05-03 or 2026-05-03T10:12:00+02:00"
        ));
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn one_document_or_lines_of_them() {
        let pretty = b"\xef\xbb\xbf{\n \"schema\": \"bossmark/end/1\"\n}\n";
        assert_eq!(parse_records(pretty).expect("one").len(), 1);
        let lines = b"{\"schema\": \"bossmark/end/1\", \"revision\": 1}\n\n{\"schema\": \"bossmark/end/1\"}\n";
        let found = parse_records(lines).expect("two");
        assert_eq!(found.iter().map(|r| r.line).collect::<Vec<_>>(), [1, 3]);
        assert_eq!(found[0].end.revision, 1);
    }

    #[test]
    fn each_fault_has_its_sentence() {
        let says = |text: &str| {
            parse_records(text.as_bytes())
                .expect_err("fault")
                .to_string()
        };
        assert!(says("").contains("empty"));
        assert!(says(" \n ").contains("empty"));
        assert!(says("{\"schema\": \"bossmark/end/1\"}\n{oops").contains("line 2 is not JSON"));
        assert!(says("{\"schema\": \"bossmark/end/2\"}").contains("newer schema bossmark/end/2"));
        assert!(
            says("{\"schema\": \"bossmark/reading/1\"}").contains("no bossmark/end/1 document")
        );
        assert!(says("{}").contains("missing"));
        assert!(says("[1]").contains("missing"));
        let entry = |e: &str| {
            says(&format!(
                "{{\"schema\": \"bossmark/end/1\", \"entries\": [{e}]}}"
            ))
        };
        assert!(
            entry("{\"id\": 1, \"x_mm\": \"a\", \"y_mm\": 1, \"kind\": \"bare\"}")
                .contains("`entries[0]`")
        );
        assert!(
            entry("{\"id\": 1, \"x_mm\": 1, \"y_mm\": 1, \"kind\": \"wooden\"}").contains("wooden")
        );
        let one = "{\"id\": 1, \"x_mm\": 1, \"y_mm\": 1, \"kind\": \"bare\"}";
        assert!(entry(&format!("{one},{one}")).contains("entry 1 is there twice"));
        assert!(
            says(
                "{\"schema\": \"bossmark/end/1\", \"session\": {\"setup\": {\"point_gr\": \"x\"}}}"
            )
            .contains("`session.setup`")
        );
        assert!(parse_records(b"\xff\xfe\x00").is_err());
    }

    #[test]
    fn misspelt_names_are_told_and_kept() {
        let text = "{\"schema\": \"bossmark/end/1\", \"entries\": null, \"session\": {\"distnce_m\": 30, \"weather\": \"rain\", \"date\": \"May\"}}";
        let found = parse_records(text.as_bytes()).expect("record");
        let warnings = found[0].warnings.join("\n");
        assert!(
            warnings.contains("`session.distnce_m`") && warnings.contains("`distance_m`"),
            "{warnings}"
        );
        assert!(warnings.contains("May") && !warnings.contains("weather"));
        assert_eq!(found[0].end.session.extra.len(), 2);
    }

    proptest! {
        #[test]
        fn any_bytes_are_an_answer_or_an_error(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _ = parse_records(&bytes);
        }
    }
}

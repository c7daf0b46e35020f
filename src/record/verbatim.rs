//! Rewriting a document without touching what didn't change: unknown fields at any depth, and the digits of every number, stay as
//! they are written.
//!
//! A document is compared in three states: the text that was read, the same document as this version would have written it, and the
//! changed document. Where the latter two agree, the text is kept; what stands in the text alone is unknown here, and kept too.

use super::RecordError;
use super::canonical;
use serde::Serialize;
use std::collections::BTreeMap;

/// How a document is laid out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Layout {
    /// Indented, for a file of its own.
    Pretty,
    /// One line, for JSON Lines.
    Line,
}

/// The bytes of `new`, which was made from the document that `text` holds and that was read as `old`.
///
/// # Errors
/// When a type can't be written as JSON.
pub fn rewritten<T: Serialize>(
    text: &[u8],
    old: &T,
    new: &T,
    layout: Layout,
) -> Result<Vec<u8>, RecordError> {
    let (before, after) = (canonical::line(old)?, canonical::line(new)?);
    let trees = [text, &before, &after].map(|bytes| {
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        std::str::from_utf8(bytes).ok().and_then(tree)
    });
    let [text, before, after] = trees;
    let Some(after) = after else {
        return Err(RecordError::Write {
            detail: "it is no JSON".to_owned(),
        });
    };
    let merged = match (text, before) {
        (Some(text), Some(before)) => merged(&text, &before, after),
        _ => after,
    };
    let mut out = String::new();
    write(&merged, layout, 0, &mut out);
    out.push('\n');
    Ok(out.into_bytes())
}

/// JSON with its strings and numbers as they are written.
#[derive(Clone, Debug, PartialEq)]
enum Tree<'a> {
    Scalar(&'a str),
    Array(Vec<Tree<'a>>),
    /// Each name as it is written, with its quotes.
    Object(Vec<(&'a str, Tree<'a>)>),
}

/// The tree of one valid JSON document; `None` for any other text, and for one that is nested deeper than the reader goes.
fn tree(text: &str) -> Option<Tree<'_>> {
    let mut reader = Reader { text, at: 0 };
    let tree = reader.value(0)?;
    reader.blanks();
    (reader.at == text.len()).then_some(tree)
}

/// Deepest nesting that `serde_json` reads.
const MAX_DEPTH: usize = 128;

struct Reader<'a> {
    text: &'a str,
    at: usize,
}

impl<'a> Reader<'a> {
    fn peek(&self) -> Option<u8> {
        self.text.as_bytes().get(self.at).copied()
    }

    fn blanks(&mut self) {
        while self.peek().is_some_and(|b| b.is_ascii_whitespace()) {
            self.at += 1;
        }
    }

    fn take(&mut self, byte: u8) -> Option<()> {
        self.blanks();
        (self.peek() == Some(byte)).then(|| self.at += 1)
    }

    fn value(&mut self, depth: usize) -> Option<Tree<'a>> {
        if depth > MAX_DEPTH {
            return None;
        }
        self.blanks();
        match self.peek()? {
            b'{' => {
                let mut fields = Vec::new();
                self.items(b'}', |reader| {
                    reader.blanks();
                    let name = reader.string()?;
                    reader.take(b':')?;
                    fields.push((name, reader.value(depth + 1)?));
                    Some(())
                })?;
                Some(Tree::Object(fields))
            }
            b'[' => {
                let mut items = Vec::new();
                self.items(b']', |reader| {
                    items.push(reader.value(depth + 1)?);
                    Some(())
                })?;
                Some(Tree::Array(items))
            }
            b'"' => Some(Tree::Scalar(self.string()?)),
            _ => {
                let start = self.at;
                let ends = |b: u8| b.is_ascii_whitespace() || matches!(b, b',' | b']' | b'}');
                while self.peek().is_some_and(|b| !ends(b)) {
                    self.at += 1;
                }
                Some(Tree::Scalar(self.text.get(start..self.at)?))
            }
        }
    }

    /// The items between an opening bracket, which is next, and `end`.
    fn items(&mut self, end: u8, mut item: impl FnMut(&mut Self) -> Option<()>) -> Option<()> {
        self.at += 1;
        self.blanks();
        if self.peek()? == end {
            self.at += 1;
            return Some(());
        }
        loop {
            item(self)?;
            self.blanks();
            let next = self.peek()?;
            self.at += 1;
            if next == end {
                return Some(());
            }
            if next != b',' {
                return None;
            }
        }
    }

    fn string(&mut self) -> Option<&'a str> {
        let start = self.at;
        if self.peek()? != b'"' {
            return None;
        }
        self.at += 1;
        loop {
            match self.peek()? {
                b'"' => break,
                b'\\' => self.at += 2,
                _ => self.at += 1,
            }
        }
        self.at += 1;
        self.text.get(start..self.at)
    }
}

/// Whether two names or texts are the same, however they are escaped.
fn same_text(one: &str, other: &str) -> bool {
    let unescaped = |s: &str| serde_json::from_str::<String>(s).ok();
    one == other
        || ((one.contains('\\') || other.contains('\\')) && unescaped(one) == unescaped(other))
}

fn field<'t, 'a>(fields: &'t [(&'a str, Tree<'a>)], name: &str) -> Option<&'t Tree<'a>> {
    // of names that are there twice the last counts
    let found = fields.iter().rev().find(|(n, _)| same_text(n, name));
    found.map(|(_, value)| value)
}

/// `after`, with the text of what agrees with `before`, and with what `before` doesn't know.
fn merged<'a>(text: &Tree<'a>, before: &Tree<'a>, after: Tree<'a>) -> Tree<'a> {
    match (text, before, after) {
        (Tree::Object(text), Tree::Object(before), Tree::Object(after)) => {
            let mut fields: Vec<(&str, Tree)> = after
                .into_iter()
                .map(
                    |(name, new)| match (field(text, name), field(before, name)) {
                        (Some(text), Some(before)) => (name, merged(text, before, new)),
                        _ => (name, new),
                    },
                )
                .collect();
            for (name, unknown) in text {
                if field(before, name).is_none() && field(&fields, name).is_none() {
                    fields.push((name, unknown.clone()));
                }
            }
            Tree::Object(fields)
        }
        (Tree::Array(text), Tree::Array(before), Tree::Array(after))
            if text.len() == before.len() =>
        {
            let partners = partners(&before[..], &after[..]);
            let items = after.into_iter().zip(partners);
            Tree::Array(
                items
                    .map(
                        |(new, at)| match at.and_then(|k| text.get(k).zip(before.get(k))) {
                            Some((text, before)) => merged(text, before, new),
                            None => new,
                        },
                    )
                    .collect(),
            )
        }
        (Tree::Scalar(text), Tree::Scalar(before), Tree::Scalar(after)) if before == &after => {
            Tree::Scalar(text)
        }
        (_, _, after) => after,
    }
}

/// For each item of a changed list its index in the list before: of the same `id`, else what is equal from the start and from the
/// end, else what has the same place in a list of the same length.
fn partners(before: &[Tree], after: &[Tree]) -> Vec<Option<usize>> {
    if before
        .iter()
        .chain(after)
        .all(|item| label(item, "\"id\"").is_some())
    {
        let ids: BTreeMap<&str, usize> = before
            .iter()
            .enumerate()
            .filter_map(|(k, item)| Some((label(item, "\"id\"")?, k)))
            .collect();
        let of = |item| ids.get(label(item, "\"id\"")?).copied();
        return after.iter().map(of).collect();
    }
    if before.len() == after.len() {
        // another remark is not the same remark changed
        let same = |k: usize| {
            let code = |list: &[Tree]| {
                list.get(k)
                    .and_then(|i| label(i, "\"code\""))
                    .map(str::to_owned)
            };
            (code(before) == code(after)).then_some(k)
        };
        return (0..after.len()).map(same).collect();
    }
    let count = before.len().min(after.len());
    let start = (0..count).take_while(|k| before[*k] == after[*k]).count();
    let end = (0..count - start)
        .take_while(|k| before[before.len() - 1 - k] == after[after.len() - 1 - k])
        .count();
    (0..after.len())
        .map(|k| {
            if k < start {
                Some(k)
            } else if k >= after.len() - end {
                Some(before.len() + k - after.len())
            } else {
                None
            }
        })
        .collect()
}

/// The scalar of this name in an object.
fn label<'a>(item: &Tree<'a>, name: &str) -> Option<&'a str> {
    match item {
        Tree::Object(fields) => match field(fields, name)? {
            Tree::Scalar(value) => Some(value),
            _ => None,
        },
        _ => None,
    }
}

fn write(tree: &Tree, layout: Layout, depth: usize, out: &mut String) {
    let (open, close, count) = match tree {
        Tree::Scalar(text) => {
            out.push_str(text);
            return;
        }
        Tree::Array(items) => ('[', ']', items.len()),
        Tree::Object(fields) => ('{', '}', fields.len()),
    };
    let feed = |depth: usize, out: &mut String| {
        if layout == Layout::Pretty {
            out.push('\n');
            out.extend(std::iter::repeat_n("  ", depth));
        }
    };
    out.push(open);
    for k in 0..count {
        if k > 0 {
            out.push(',');
        }
        feed(depth + 1, out);
        match tree {
            Tree::Array(items) => items.iter().skip(k).take(1).for_each(|item| {
                write(item, layout, depth + 1, out);
            }),
            Tree::Object(fields) => fields.iter().skip(k).take(1).for_each(|(name, item)| {
                out.push_str(name);
                out.push_str(if layout == Layout::Pretty { ": " } else { ":" });
                write(item, layout, depth + 1, out);
            }),
            Tree::Scalar(_) => {}
        }
    }
    if count > 0 {
        feed(depth, out);
    }
    out.push(close);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{End, Note, parse_records};
    use crate::review::{Edit, apply};
    use proptest::prelude::*;

    const RECORD: &str = r#"{"schema":"bossmark/end/1",
      "entries": [
        {"id": 1, "x_mm": 1.23456, "y_mm": -0.0, "kind": "bare", "nock": "red",
         "lean": {"right_deg": 1.0, "up_deg": 2, "sd_deg": 0.5, "by": "eye"}, "weight": 123456789012345678901234567890},
        {"id": 2, "x_mm": 3, "y_mm": 4e0, "kind": "fletched", "\u0066ar": -0.0}],
      "notes": [{"code": "a", "text": "b", "since": {"x": [1.10, null]}}],
      "session": {"setup": {"point_gr": 100.0, "sight": 3.50}}, "failure": null}"#;

    fn rewritten_by(edit: impl Fn(&End) -> End) -> String {
        let old = parse_records(RECORD.as_bytes())
            .expect("record")
            .remove(0)
            .end;
        let bytes = rewritten(RECORD.as_bytes(), &old, &edit(&old), Layout::Line).expect("bytes");
        String::from_utf8(bytes).expect("UTF-8")
    }

    #[test]
    fn what_an_edit_doesn_t_touch_keeps_its_digits_and_unknown_fields() {
        let text = rewritten_by(|end| apply(end, &[Edit::Confirm { id: 2 }]).expect("applied"));
        for kept in [
            "\"x_mm\":1.23456,\"y_mm\":-0.0",
            "\"lean\":{\"right_deg\":1.0,\"up_deg\":2,\"sd_deg\":0.5,\"by\":\"eye\"}",
            "\"weight\":123456789012345678901234567890",
            "\"x_mm\":3,\"y_mm\":4e0",
            "far\":-0.0",
            "\"since\":{\"x\":[1.10,null]}",
            "\"point_gr\":100.0,\"sight\":3.50",
            "\"failure\":null",
            "\"revision\":1",
            "\"state\":\"confirmed\"",
        ] {
            assert!(text.contains(kept), "{kept} is not in {text}");
        }
        assert_eq!(
            text.matches("far").count() + text.matches("0066ar").count(),
            1,
            "{text}"
        );
    }

    #[test]
    fn what_is_removed_is_gone_and_the_rest_stays_in_place() {
        let text = rewritten_by(|end| apply(end, &[Edit::Remove { id: 1 }]).expect("applied"));
        assert!(
            !text.contains("nock") && !text.contains("1.23456"),
            "{text}"
        );
        assert!(text.contains("\"x_mm\":3,\"y_mm\":4e0"), "{text}");
        let other = |end: &End| End {
            notes: vec![Note::new("c", "d")],
            ..end.clone()
        };
        assert!(!rewritten_by(other).contains("since"), "another note");
        let more = |end: &End| End {
            notes: [end.notes.clone(), vec![Note::new("c", "d")]].concat(),
            ..end.clone()
        };
        assert!(rewritten_by(more).contains("since"), "one more note");
    }

    #[test]
    fn without_anything_to_keep_the_bytes_are_the_canonical_ones() {
        let old = parse_records(RECORD.as_bytes())
            .expect("record")
            .remove(0)
            .end;
        let (old, new) = (
            canonical::rounded_record(&old).expect("finite"),
            apply(&old, &[Edit::Accept]).expect("applied"),
        );
        let new = canonical::rounded_record(&new).expect("finite");
        let text = canonical::to_bytes(&old).expect("bytes");
        let bytes = rewritten(&text, &old, &new, Layout::Pretty).expect("bytes");
        assert_eq!(bytes, canonical::to_bytes(&new).expect("bytes"));
        let line = rewritten(&text, &old, &new, Layout::Line).expect("line");
        assert_eq!(line, canonical::to_line(&new).expect("line"));
    }

    proptest! {
        #[test]
        fn any_text_is_read_or_refused(text in "[\\[\\]{}:,\"0-9a-z\\\\ -]{0,60}") {
            let valid = serde_json::from_str::<serde_json::Value>(&text);
            if valid.is_ok() {
                prop_assert!(tree(&text).is_some());
            }
        }
    }
}

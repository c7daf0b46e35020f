//! Names that an object of a JSON document has more than once. Parsers take the last value and say nothing.

use serde::Deserializer;
use serde::de::{DeserializeSeed, MapAccess, SeqAccess, Visitor};
use std::collections::BTreeSet;
use std::fmt;

/// Most names that are reported.
const MAX_FOUND: usize = 5;

/// A message for each name that is there more than once in the first document of `bytes`.
pub(super) fn notes(bytes: &[u8]) -> Vec<String> {
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    let mut found = BTreeSet::new();
    let search = Search {
        path: &mut Vec::new(),
        found: &mut found,
    };
    // what is no JSON is reported by whatever reads the document
    let _ = search.deserialize(&mut serde_json::Deserializer::from_slice(bytes));
    let note = |path: &String| {
        format!("`{path}` is there more than once: the last one counts, remove the others")
    };
    found.iter().map(note).collect()
}

struct Search<'a> {
    /// Names and places in lists that lead to the present value.
    path: &'a mut Vec<String>,
    found: &'a mut BTreeSet<String>,
}

impl Search<'_> {
    /// A search within the present value.
    fn within(&mut self) -> Search<'_> {
        Search {
            path: self.path,
            found: self.found,
        }
    }

    /// Notes the present path: `session.setup.point_gr`, `ends[2].photo`.
    fn note(&mut self) {
        if self.found.len() < MAX_FOUND {
            let path = self.path.join(".").replace(".[", "[");
            self.found.insert(path);
        }
    }
}

impl<'de> DeserializeSeed<'de> for Search<'_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, json: D) -> Result<(), D::Error> {
        json.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Search<'_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str("JSON")
    }

    fn visit_bool<E>(self, _: bool) -> Result<(), E> {
        Ok(())
    }

    fn visit_i64<E>(self, _: i64) -> Result<(), E> {
        Ok(())
    }

    fn visit_u64<E>(self, _: u64) -> Result<(), E> {
        Ok(())
    }

    fn visit_f64<E>(self, _: f64) -> Result<(), E> {
        Ok(())
    }

    fn visit_str<E>(self, _: &str) -> Result<(), E> {
        Ok(())
    }

    fn visit_unit<E>(self) -> Result<(), E> {
        Ok(())
    }

    fn visit_seq<A: SeqAccess<'de>>(mut self, mut list: A) -> Result<(), A::Error> {
        for place in 0_usize.. {
            self.path.push(format!("[{place}]"));
            let value = list.next_element_seed(self.within())?;
            self.path.pop();
            if value.is_none() {
                break;
            }
        }
        Ok(())
    }

    fn visit_map<A: MapAccess<'de>>(mut self, mut object: A) -> Result<(), A::Error> {
        let mut seen = BTreeSet::new();
        while let Some(name) = object.next_key::<String>()? {
            let is_new = seen.insert(name.clone());
            self.path.push(name);
            if !is_new {
                self.note();
            }
            object.next_value_seed(self.within())?;
            self.path.pop();
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_are_there_twice_are_found_wherever_they_are() {
        let paths = |text: &str| -> Vec<String> {
            let path = |note: &String| note.split('`').nth(1).expect("a path").to_owned();
            notes(text.as_bytes()).iter().map(path).collect()
        };
        let twice = r#"{"a": 1, "b": [{"c": null}, {"c": 2, "d": "x", "c": 3.5}], "a": true}"#;
        assert_eq!(paths(twice), ["a", "b[1].c"]);
        assert!(paths(r#"{"a": {"c": 1}, "b": {"c": 1}}"#).is_empty());
        assert!(paths("{\"a\": 1, \"a\"").len() <= 1, "no JSON");
        // a byte order mark, and more names than are reported
        let many: String = (0..20).map(|k| format!("\"{k}\":1,\"{k}\":2,")).collect();
        assert_eq!(
            paths(&format!("\u{FEFF}{{{many}\"z\":0}}")).len(),
            MAX_FOUND
        );
    }
}

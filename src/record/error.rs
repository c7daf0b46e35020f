//! What can be wrong with a document.

use super::SCHEMA;

/// Why a record could not be read or written. Each message is one sentence: what is wrong, and what to do.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RecordError {
    /// No bytes, or only blank ones.
    #[error(
        "{} is empty: {}",
        name_of(known),
        way_out(
            known,
            "take it from a backup, or move it away and measure the photo again"
        )
    )]
    Empty {
        /// The schema wanted.
        known: &'static str,
    },
    /// Not UTF-8 or not JSON.
    #[error(
        "{}line {line} is not JSON ({detail}): {}",
        if *known == SCHEMA { String::new() } else { format!("{} is broken: ", name_of(known)) },
        way_out(known, "give a record that bossmark wrote, or JSON Lines of them; one that is broken, take from a backup, or move it away and measure its photo again")
    )]
    NotJson {
        /// Line, from 1.
        line: usize,
        /// What the parser says.
        detail: String,
        /// The schema wanted.
        known: &'static str,
    },
    /// A later version of a known document.
    #[error(
        "line {line} has the newer schema {schema}, this version reads {known}: update bossmark"
    )]
    NewerSchema {
        /// Line, from 1.
        line: usize,
        /// The schema found.
        schema: String,
        /// The schema that this version reads.
        known: &'static str,
    },
    /// Another kind of document, or none at all.
    #[error(
        "line {line} is no {known} document (its schema is {schema}): give a file that holds one"
    )]
    OtherSchema {
        /// Line, from 1.
        line: usize,
        /// The schema found, or `missing`.
        schema: String,
        /// The schema wanted.
        known: &'static str,
    },
    /// A field has the wrong type or is missing.
    #[error(
        "line {line}: {place} can't be understood ({detail}): correct it as the documentation of {known} says"
    )]
    Shape {
        /// Line, from 1.
        line: usize,
        /// The part of the document.
        place: String,
        /// What the parser says.
        detail: String,
        /// The schema.
        known: &'static str,
    },
    /// A document longer than any of this program's.
    #[error(
        "line {line} holds a document of more than {values} values, and no document of bossmark is that long: give a record"
    )]
    TooLarge {
        /// Line, from 1.
        line: usize,
        /// The largest number of values that is read.
        values: usize,
    },
    /// Two entries share an id.
    #[error("line {line}: entry {id} is there twice: give every entry an id of its own")]
    SameId {
        /// Line, from 1.
        line: usize,
        /// The id.
        id: u64,
    },
    /// A number that a record must have is not finite.
    #[error(
        "{what} is not a finite number, so the record can't be written: this is a fault of the program, report it with the photo"
    )]
    NotFinite {
        /// Which number.
        what: String,
    },
    /// Serialising failed.
    #[error(
        "the document can't be written as JSON ({detail}): this is a fault of the program, report it"
    )]
    Write {
        /// What the serialiser says.
        detail: String,
    },
}

/// What a document of a schema is called.
fn name_of(known: &str) -> &'static str {
    match known {
        "bossmark/session/1" => "the session file",
        "session.setup" => "the set-up file",
        "bossmark/edits/1" => "the list of edits",
        "bossmark/lens/1" => "the lens profile",
        "bossmark/points/1" => "the list of points",
        "bossmark/advice/1" => "the advice",
        _ => "the file",
    }
}

/// What to do about a document that can't be read; `record`: where it should be a record.
fn way_out(known: &str, record: &'static str) -> &'static str {
    match known {
        SCHEMA => record,
        "bossmark/session/1" => {
            "correct it, or move it away and make a new one with `bossmark setup`"
        }
        "session.setup" => "write it like `setup` in a session file",
        "bossmark/edits/1" => "correct it as the documentation of bossmark/edits/1 says",
        "bossmark/lens/1" => "make it anew with `bossmark lens fit`",
        "bossmark/points/1" => "`--points-template` prints one to fill in",
        _ => "give the document as bossmark wrote it",
    }
}

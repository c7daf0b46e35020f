//! What can be wrong with a document.

/// Why a record could not be read or written. Each message is one sentence: what is wrong, and what to do.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RecordError {
    /// No bytes, or only blank ones.
    #[error("the file is empty: measure the photo again, or take the record from a backup")]
    Empty,
    /// Not UTF-8 or not JSON.
    #[error(
        "line {line} is not JSON ({detail}): give a record that bossmark wrote, or JSON Lines of them"
    )]
    NotJson {
        /// Line, from 1.
        line: usize,
        /// What the parser says.
        detail: String,
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

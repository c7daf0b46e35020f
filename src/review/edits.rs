//! The document of edits, and why edits are refused.

use crate::record::check::SessionFault;
use crate::record::{ArrowKind, RecordError};
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// Schema name of a list of edits.
pub const SCHEMA: &str = "bossmark/edits/1";

/// A list of edits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Edits {
    /// Always [`SCHEMA`].
    pub schema: String,
    /// Revision of the record that the edits were made on; `None` applies to any.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub revision: Option<u64>,
    /// SHA-256 of the bytes of that record, of its file or of its line, lower-case hexadecimal; `None` applies to any.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub record: Option<String>,
    /// The edits, in order.
    pub edits: Vec<Edit>,
}

impl Edits {
    /// Whether they say on which state of a record they were made.
    #[must_use]
    pub const fn name_a_record(&self) -> bool {
        self.record.is_some() || self.revision.is_some()
    }

    /// Whether any of them is about an entry that has to be there.
    #[must_use]
    pub fn name_entries(&self) -> bool {
        self.edits.iter().any(|edit| {
            matches!(
                edit,
                Edit::Move { .. }
                    | Edit::Remove { .. }
                    | Edit::Tag { .. }
                    | Edit::Arrow { .. }
                    | Edit::Confirm { .. }
            )
        })
    }
}

/// One edit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Edit {
    /// The entry is moved.
    Move {
        /// Its id.
        id: u64,
        /// Its position, mm to the right.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        x_mm: Option<f64>,
        /// Its position, mm up.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        y_mm: Option<f64>,
        /// Its position in the photo, px.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        px: Option<[f64; 2]>,
    },
    /// A shaft that the program didn't find.
    Add {
        /// Its kind.
        kind: ArrowKind,
        /// Its position, mm to the right.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        x_mm: Option<f64>,
        /// Its position, mm up.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        y_mm: Option<f64>,
        /// Its position in the photo, px.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        px: Option<[f64; 2]>,
        /// The arrow's own mark.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        arrow: Option<String>,
    },
    /// The entry is removed: there is no shaft.
    Remove {
        /// The entry's id.
        id: u64,
    },
    /// The entry's kind is set.
    Tag {
        /// The entry's id.
        id: u64,
        /// The kind.
        kind: ArrowKind,
    },
    /// The arrow's own mark is set.
    Arrow {
        /// The entry's id.
        id: u64,
        /// The mark; `None` removes it.
        arrow: Option<String>,
    },
    /// A shot that left no entry.
    Missed {
        /// Its kind.
        kind: ArrowKind,
        /// Where it went.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        note: Option<String>,
    },
    /// Removes a missed shot from the list.
    NotMissed {
        /// Its number in `missed`, from 1.
        index: usize,
    },
    /// The session is changed: who shot, from where, with which set-up.
    Session {
        /// The fields that change, as in a record's `session`; null removes one (RFC 7396).
        set: Value,
    },
    /// One entry is confirmed as it is.
    Confirm {
        /// Its id.
        id: u64,
    },
    /// Every entry is confirmed as it is.
    Accept,
}

/// Why edits can't be applied. Each message says in one sentence what is wrong and what to do.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ReviewError {
    /// Not a list of edits.
    #[error(transparent)]
    Document(#[from] RecordError),
    /// An edit that can't be understood.
    #[error(
        "the edits can't be understood ({detail}): correct them as the documentation of {SCHEMA} says"
    )]
    Shape {
        /// What the parser says.
        detail: String,
    },
    /// No such entry.
    #[error("there is no entry {id} in this record: its entries are {known}")]
    NoEntry {
        /// The id.
        id: u64,
        /// The ids that there are.
        known: String,
    },
    /// No such missed shot.
    #[error("there is no missed shot number {index} in this record: it has {count}")]
    NoMissed {
        /// The number, from 1.
        index: usize,
        /// How many there are.
        count: usize,
    },
    /// A position that no boss reaches.
    #[error(
        "edit {edit} puts an entry {} m from the face's middle, where no boss is: `x_mm` and `y_mm` are millimetres (a shot beside the boss is `missed`)",
        distance_mm / 1000.0
    )]
    TooFar {
        /// The edit's number, from 1.
        edit: usize,
        /// Distance from the face's middle, mm.
        distance_mm: f64,
    },
    /// No position, half of one, or two.
    #[error("edit {edit} needs a place: give both `x_mm` and `y_mm`, or `px`")]
    Position {
        /// The edit's number, from 1.
        edit: usize,
    },
    /// A position in the photo that can't be turned into millimetres: there is no camera, or it lies outside the face plane.
    #[error(
        "edit {edit} gives `px`, which this record's camera can't turn into millimetres: give `x_mm` and `y_mm`"
    )]
    NoCamera {
        /// The edit's number, from 1.
        edit: usize,
    },
    /// A session that can't be understood.
    #[error("edit {edit} makes a session that can't be understood ({detail}): correct it")]
    Session {
        /// The edit's number, from 1.
        edit: usize,
        /// What the parser says.
        detail: String,
    },
    /// A session with a misspelt name, a number in the wrong unit, or limits that contradict each other.
    #[error(transparent)]
    Fault(#[from] SessionFault),
    /// Another record than that on which the edits were made.
    #[error(
        "the edits were made on another record, or on another state of this one (its bytes have the SHA-256 {now}): look at it and redo them"
    )]
    OtherRecord {
        /// SHA-256 of the record's bytes now.
        now: String,
    },
    /// Edits of entries of a record that nobody can have seen.
    #[error(
        "the edits name entries, and this photo has no record yet in which they were seen: make it first (`bossmark day FOLDER`), or name in `record` what `measure --json` gave"
    )]
    NoRecord,
    /// The record has changed since.
    #[error(
        "the edits were made on revision {seen}, the record is at {now}: look at it again and redo them"
    )]
    Revision {
        /// The revision that the edits name.
        seen: u64,
        /// That of the record.
        now: u64,
    },
}

impl Edits {
    /// Reads a list of edits.
    ///
    /// # Errors
    /// When it isn't JSON, has another schema, or an edit that isn't known.
    pub fn parse(bytes: &[u8]) -> Result<Self, ReviewError> {
        let value = crate::record::document(bytes, SCHEMA)?;
        serde_json::from_value(value).map_err(|e| ReviewError::Shape {
            detail: e.to_string(),
        })
    }
}

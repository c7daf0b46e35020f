//! Documents: the end record, sessions and set-ups, and the order that a history of records has.
//!
//! The end record ([`End`]) is the only thing that is stored; readings and advice are recomputed from records. Fields that
//! this version doesn't know are kept on rewriting.

mod camera;
pub mod canonical;
pub mod check;
mod compare;
mod count;
mod duplicate_keys;
mod end;
mod entry;
mod error;
pub mod history;
pub mod keys;
mod merge;
mod parse;
mod remark;
pub mod session_file;
mod setup;
pub mod tape;
mod verbatim;
mod when;

pub use crate::face::{FocalSource, UprightSource};
pub use crate::shaft::ArrowKind;
pub use compare::{Comparison, Lever, LeverChange, Setting, SettingChange, compare};
pub use count::{ShotCount, entries_to_check};
pub use end::{
    CameraRecord, End, EvidenceRecord, FaceInPhoto, FaceRecord, FaceToCamera, Failure, FittedTo,
    Note, PhotoRecord, PrintedZone, SCHEMA, SheetRecord, UprightRecord,
};
pub use entry::{
    ArrowProposal, Entry, EntrySource, EntryState, Lean, MIN_COUNTED_CONFIDENCE, Missed,
};
pub use error::RecordError;
pub use history::{
    Bow, ExcludedRecord, History, HistoryRemark, HistoryRemarkKind, RecordExclusion, RecordFile,
    Run, Runs,
};
pub use parse::{ParsedRecord, document, parse_records, records_with_text, typed};
pub use remark::Remark;
pub(crate) use remark::written;
pub use session_file::{PlannedEnd, SessionError, SessionFile};
pub use setup::{Hand, Limit, NamedArrow, Session, Setup};
pub use verbatim::{Layout, rewritten};
pub use when::When;

use serde_json::Value;
use std::collections::BTreeMap;

/// Fields of a document that this version doesn't know: kept in their place and written back.
pub type Extra = BTreeMap<String, Value>;

//! What files hold, and whose work it is.

use super::error::StoreError;
use super::files::{is_device, read};
use crate::record::{End, EntryState, RecordError, parse_records};
use std::path::Path;

/// The record in a file that holds exactly one; `None` if there is no such file.
///
/// # Errors
/// When the file exists and can't be read as one record.
pub fn record_at(path: &Path) -> Result<Option<End>, StoreError> {
    // some devices never end
    if is_device(path) {
        return Ok(None);
    }
    let bytes = match read(path) {
        Err(StoreError::Missing) => return Ok(None),
        other => other?,
    };
    let mut records = parse_records(&bytes)?;
    match (records.pop(), records.is_empty()) {
        (Some(one), true) => Ok(Some(one.end)),
        _ => Err(StoreError::Foreign),
    }
}

/// Whether a person has worked on this record: it was revised, or an entry is confirmed.
#[must_use]
pub fn has_manual_changes(end: &End) -> bool {
    end.revision > 0 || end.entries.iter().any(|e| e.state == EntryState::Confirmed)
}

/// Whether both records name the same photo by its content.
pub(super) fn is_of_same_photo(one: &End, other: &End) -> bool {
    match (&one.photo, &other.photo) {
        (Some(one), Some(other)) => !one.sha256.is_empty() && one.sha256 == other.sha256,
        _ => false,
    }
}

/// The records in these bytes, as far as they are records: none of a newer schema, which this version can't read.
pub(super) fn parse_known_records(bytes: &[u8]) -> Option<Vec<End>> {
    match parse_records(bytes) {
        Ok(records) => Some(records.into_iter().map(|r| r.end).collect()),
        Err(RecordError::NewerSchema { .. }) => Some(Vec::new()),
        Err(_) => None,
    }
}

//! Saving: a proposal never replaces a person's work, a revision never replaces a later one, and another document never replaces
//! a record.

use super::error::StoreError;
use super::files::{is_special, read, write};
use crate::record::{End, EntryState, RecordError, canonical, parse_records};
use std::path::Path;

/// The record in a file that holds exactly one; `None` if there is no such file.
///
/// # Errors
/// When the file exists and can't be read as one record.
pub fn record_at(path: &Path) -> Result<Option<End>, StoreError> {
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
pub fn is_touched(end: &End) -> bool {
    end.revision > 0 || end.entries.iter().any(|e| e.state == EntryState::Confirmed)
}

/// Saves a record that the program proposes: over an older proposal, never over a person's work.
///
/// # Errors
/// [`StoreError::Confirmed`] where a person has worked on the record that is there, [`StoreError::Foreign`] where the
/// file holds something else; also when it can't be read or written.
pub fn save_proposal(path: &Path, end: &End) -> Result<(), StoreError> {
    save_proposals(path, &canonical::to_bytes(end)?)
}

/// Saves a file of proposed records: over older proposals, never over a person's work or a file that holds anything else.
///
/// # Errors
/// As [`save_proposal`].
pub fn save_proposals(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    match content(path)? {
        Content::Nothing => {}
        Content::Records(there) if there.iter().any(is_touched) => {
            return Err(StoreError::Confirmed);
        }
        // records of a newer schema, which this version can't read
        Content::Records(there) if there.is_empty() => return Err(StoreError::Foreign),
        Content::Records(_) => {}
        Content::Other => return Err(StoreError::Foreign),
    }
    write(path, bytes)
}

/// Saves any other document or page. It replaces whatever is there except a record: a mistyped file name must not destroy one.
///
/// # Errors
/// [`StoreError::HoldsRecords`]; also when the file can't be read or written.
pub fn save_document(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    if let Content::Records(_) = content(path)? {
        return Err(StoreError::HoldsRecords);
    }
    write(path, bytes)
}

/// What a file holds.
enum Content {
    /// The file doesn't exist, or is empty.
    Nothing,
    /// End records.
    Records(Vec<End>),
    /// Anything else.
    Other,
}

fn content(path: &Path) -> Result<Content, StoreError> {
    if is_special(path) {
        return Ok(Content::Nothing);
    }
    let bytes = match read(path) {
        Err(StoreError::Missing) => return Ok(Content::Nothing),
        other => other?,
    };
    Ok(match parse_records(&bytes) {
        Ok(records) => Content::Records(records.into_iter().map(|r| r.end).collect()),
        Err(RecordError::Empty) => Content::Nothing,
        // a record of a newer schema is still a record
        Err(RecordError::NewerSchema { .. }) => Content::Records(Vec::new()),
        Err(_) => Content::Other,
    })
}

/// Saves a record that a person has changed: only over an older revision.
///
/// # Errors
/// [`StoreError::Newer`] where the record in the file has this revision or a later one; also when the file can't be read or
/// written.
pub fn save_revision(path: &Path, end: &End) -> Result<(), StoreError> {
    if let Some(there) = record_at(path)? {
        check_older(&there, end)?;
    }
    write(path, &canonical::to_bytes(end)?)
}

/// Saves a file of several records that a person has changed, whose text is `bytes`: only over as many records, none of a later
/// revision.
///
/// # Errors
/// As [`save_revision`], and [`StoreError::Foreign`] where the file holds another number of records or anything else.
pub fn save_revisions(path: &Path, records: &[End], bytes: &[u8]) -> Result<(), StoreError> {
    match content(path)? {
        Content::Nothing => {}
        Content::Records(there) if there.len() == records.len() => {
            let newer = there
                .iter()
                .zip(records)
                .find(|(t, n)| t.revision > n.revision);
            if let Some((there, new)) = newer {
                return Err(StoreError::Newer {
                    there: there.revision,
                    new: new.revision,
                });
            }
        }
        Content::Records(_) | Content::Other => return Err(StoreError::Foreign),
    }
    write(path, bytes)
}

/// Refuses to replace `there` unless it is of an older revision than `new`.
pub(super) fn check_older(there: &End, new: &End) -> Result<(), StoreError> {
    if there.revision >= new.revision {
        return Err(StoreError::Newer {
            there: there.revision,
            new: new.revision,
        });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::photos;
    use crate::store::test_records::with;

    fn folder() -> tempfile::TempDir {
        tempfile::tempdir().expect("temporary folder")
    }

    #[test]
    fn a_person_s_work_is_never_overwritten() {
        let folder = folder();
        let path = folder.path().join("a.end.json");
        save_proposal(&path, &with(EntryState::Proposed, 0)).expect("first");
        save_proposal(&path, &with(EntryState::Proposed, 0)).expect("again");
        save_revision(&path, &with(EntryState::Confirmed, 1)).expect("revision 1");
        let before = read(&path).expect("file");
        assert!(matches!(
            save_proposal(&path, &with(EntryState::Proposed, 0)),
            Err(StoreError::Confirmed)
        ));
        assert!(matches!(
            save_revision(&path, &with(EntryState::Confirmed, 1)),
            Err(StoreError::Newer { there: 1, new: 1 })
        ));
        assert_eq!(read(&path).expect("file"), before);
        save_revision(&path, &with(EntryState::Confirmed, 2)).expect("revision 2");
        let count = std::fs::read_dir(folder.path()).expect("list").count();
        assert_eq!(count, 1, "no temporary file stays");
    }

    #[test]
    fn other_files_are_left_alone() {
        let folder = folder();
        let path = folder.path().join("a.end.json");
        write(&path, b"my notes").expect("written");
        assert!(matches!(
            save_proposal(&path, &End::default()),
            Err(StoreError::Foreign)
        ));
        assert_eq!(read(&path).expect("file"), b"my notes");
        assert!(matches!(read(folder.path()), Err(StoreError::Folder)));
        assert!(matches!(write(folder.path(), b""), Err(StoreError::Folder)));
        assert!(matches!(photos(&path), Err(StoreError::NoFolder)));
        assert!(matches!(
            read(&folder.path().join("none")),
            Err(StoreError::Missing)
        ));
        assert!(write(&folder.path().join("none/a.json"), b"").is_err());
    }
}

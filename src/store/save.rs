//! Saving records and session files: a proposal never replaces a person's work, and a revision never a later one.

use super::content::{is_of_same_photo, parse_known_records, record_at};
use super::error::StoreError;
use super::files::{is_device, read, write};
use super::lock::lock;
use super::output::save_proposals_locked;
use super::rewriting::records_text;
use crate::record::{End, Layout, ParsedRecord, SessionFile, canonical, rewritten};
use crate::review::with_ids_of;
use std::path::Path;

/// Saves a record that the program proposes: over an older proposal for the same photo, never over a person's work. Returns the
/// record as it is saved: entries that were there before keep their ids.
///
/// # Errors
/// [`StoreError::Confirmed`] where a person has worked on the record that is there, [`StoreError::OtherPhoto`] where it is another
/// photo's, [`StoreError::Foreign`] where the file holds something else; also when it can't be read or written.
pub fn save_proposal(path: &Path, end: &End) -> Result<End, StoreError> {
    let _lock = lock(path)?;
    let end = with_ids_at(path, end);
    save_proposals_locked(path, &canonical::to_bytes(&end)?)?;
    Ok(end)
}

/// The record with the ids that its entries have in the file at `path`, if the record there is of the same photo.
#[must_use]
pub fn with_ids_at(path: &Path, end: &End) -> End {
    match record_at(path) {
        Ok(Some(there)) if is_of_same_photo(&there, end) => with_ids_of(end, &there),
        _ => end.clone(),
    }
}

/// Saves a session file that was read as `old`: over that state of it or where there is none, and over nothing else. What this
/// version doesn't know stays as it is. The caller holds the [`lock`] since before reading.
///
/// # Errors
/// [`StoreError::NotOurs`] where the file holds anything else; also when it can't be read or written.
pub fn save_session(path: &Path, old: &SessionFile, new: &SessionFile) -> Result<(), StoreError> {
    let there = match read(path) {
        _ if is_device(path) => Vec::new(),
        Err(StoreError::Missing) => Vec::new(),
        other => other?,
    };
    let bytes = if there.iter().all(u8::is_ascii_whitespace) {
        canonical::pretty(new)?
    } else if SessionFile::parse(&there).is_ok_and(|(file, _)| file == *old) {
        rewritten(&there, old, new, Layout::Pretty)?
    } else {
        return Err(StoreError::NotOurs);
    };
    write(path, &bytes)
}

/// Saves records that a person has changed to a file that they don't come from, with the text from which they were made (none: they
/// were just measured). There may be nothing, the same, or an older revision of records of the same photos.
///
/// # Errors
/// [`StoreError::Newer`], [`StoreError::OtherPhoto`] or [`StoreError::Foreign`]; also when the file can't be read or written.
pub fn save_copy(
    path: &Path,
    from: &[(&[u8], ParsedRecord)],
    new: &[End],
) -> Result<(), StoreError> {
    let _lock = lock(path)?;
    let bytes = match new {
        [one] if from.is_empty() => canonical::to_bytes(one)?,
        _ => records_text(from, new)?,
    };
    let there = match read(path) {
        _ if is_device(path) => Vec::new(),
        Err(StoreError::Missing) => Vec::new(),
        other => other?,
    };
    if there == bytes {
        return Ok(());
    }
    if !there.iter().all(u8::is_ascii_whitespace) {
        let there = parse_known_records(&there).filter(|t| t.len() == new.len());
        for (there, new) in there.ok_or(StoreError::Foreign)?.iter().zip(new) {
            if !is_of_same_photo(there, new) {
                let photo = there.photo.as_ref().map(|p| p.file.clone());
                return Err(StoreError::OtherPhoto {
                    file: photo.unwrap_or_else(|| "an end without one".to_owned()),
                });
            }
            check_older(there, new)?;
        }
    }
    write(path, &bytes)
}

/// Refuses to replace `there` unless it is of an older revision than `new`.
fn check_older(there: &End, new: &End) -> Result<(), StoreError> {
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
    use crate::record::EntryState;
    use crate::store::test_records::with;
    use crate::store::{RecordLocation, photos};

    fn folder() -> tempfile::TempDir {
        tempfile::tempdir().expect("temporary folder")
    }

    #[test]
    fn a_person_s_work_is_never_overwritten() {
        let folder = folder();
        let path = folder.path().join("a.end.json");
        save_proposal(&path, &with(EntryState::Proposed, 0)).expect("first");
        save_proposal(&path, &with(EntryState::Proposed, 0)).expect("again");
        let revise = |revision| {
            RecordLocation::from(path.clone())
                .change(|_, _| Ok::<_, StoreError>(with(EntryState::Confirmed, revision)))
        };
        revise(1).expect("revision 1");
        let before = read(&path).expect("file");
        assert!(matches!(
            save_proposal(&path, &with(EntryState::Proposed, 0)),
            Err(StoreError::Confirmed)
        ));
        let other = [with(EntryState::Confirmed, 2)];
        assert!(matches!(
            save_copy(&path, &[], &other),
            Err(StoreError::OtherPhoto { .. })
        ));
        assert_eq!(read(&path).expect("file"), before);
        revise(2).expect("revision 2");
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

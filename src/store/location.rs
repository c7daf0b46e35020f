//! Where a record is: in a file of its own, or among several in one file.

use super::content::{has_manual_changes, record_at};
use super::error::StoreError;
use super::files::{read, write};
use super::lock::lock;
use super::rewriting::{record_text, records_text};
use super::save::save_proposal;
use crate::record::{End, ParsedRecord, canonical, parse_records, records_with_text};
use crate::review::with_ids_of;
use std::ffi::OsString;
use std::path::{Path, PathBuf};

/// Where one record is: in a file of its own, or one of several in a file (JSON Lines).
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RecordLocation {
    /// The file.
    pub file: PathBuf,
    /// Which of the file's records it is; `None` where the file holds only this one.
    pub among: Option<RecordIndex>,
}

/// Names one of several records in a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RecordIndex {
    /// Its number among them, from 0.
    pub index: usize,
    /// SHA-256 of its photo. If the file has been rewritten in another order, this keeps one record from being taken for another.
    pub photo: Option<String>,
}

impl From<PathBuf> for RecordLocation {
    fn from(file: PathBuf) -> Self {
        Self { file, among: None }
    }
}

impl RecordLocation {
    /// The locations of the records in a file.
    ///
    /// # Errors
    /// When the file can't be read as records.
    pub fn all(file: &Path) -> Result<Vec<Self>, StoreError> {
        let located = Self::all_with_records(file)?.into_iter();
        Ok(located.map(|(location, _)| location).collect())
    }

    /// The locations of the records in a file, each with its record.
    ///
    /// # Errors
    /// When the file can't be read as records.
    pub fn all_with_records(file: &Path) -> Result<Vec<(Self, End)>, StoreError> {
        let ends = all_records(file)?;
        let alone = ends.len() == 1;
        let located = |(index, end): (usize, End)| {
            let among = (!alone).then(|| RecordIndex {
                index,
                photo: end.photo.as_ref().map(|p| p.sha256.clone()),
            });
            let file = file.to_owned();
            (Self { file, among }, end)
        };
        Ok(ends.into_iter().enumerate().map(located).collect())
    }

    /// Number of the record in its file, from 1.
    #[must_use]
    pub fn number(&self) -> usize {
        1 + self.among.as_ref().map_or(0, |r| r.index)
    }

    /// The record, if there is one.
    ///
    /// # Errors
    /// When the file exists and can't be read, or no longer holds this record.
    pub fn record(&self) -> Result<Option<End>, StoreError> {
        if self.among.is_none() {
            return record_at(&self.file);
        }
        match all_records(&self.file) {
            Err(StoreError::Missing) => Ok(None),
            other => self.among_these(&other?),
        }
    }

    /// This record among all of its file.
    ///
    /// # Errors
    /// When it isn't among them.
    pub(super) fn among_these(&self, records: &[End]) -> Result<Option<End>, StoreError> {
        let Some(index) = &self.among else {
            return match records {
                [one] => Ok(Some(one.clone())),
                _ => Err(StoreError::Foreign),
            };
        };
        let found = records.get(index.index).ok_or(StoreError::Moved)?;
        if found.photo.as_ref().map(|p| &p.sha256) == index.photo.as_ref() {
            Ok(Some(found.clone()))
        } else {
            Err(StoreError::Moved)
        }
    }

    /// Saves a record that the program proposes: over an older proposal for the same photo, never over a person's work. Returns the
    /// record as it is saved: entries that were there before keep their ids.
    ///
    /// # Errors
    /// As [`save_proposal`].
    pub fn propose(&self, end: &End) -> Result<End, StoreError> {
        if self.among.is_none() {
            return save_proposal(&self.file, end);
        }
        self.change(|there, _| {
            let there = there.ok_or(StoreError::Missing)?;
            if has_manual_changes(there) {
                return Err(StoreError::Confirmed);
            }
            Ok(with_ids_of(end, there))
        })
    }

    /// Changes the record while nobody else can: `change` gets it as it is now, with its text in the file, and returns the new one,
    /// whose revision must be a later one unless the record stays as it is. Returns what is saved.
    ///
    /// # Errors
    /// What `change` says; also when the file can't be read or written, or no longer holds this record.
    pub fn change<E: From<StoreError>>(
        &self,
        change: impl FnOnce(Option<&End>, &[u8]) -> Result<End, E>,
    ) -> Result<End, E> {
        let _lock = lock(&self.file)?;
        let bytes = match read(&self.file) {
            Err(StoreError::Missing) => Vec::new(),
            other => other?,
        };
        let records = if bytes.iter().all(u8::is_ascii_whitespace) {
            Vec::new()
        } else {
            records_with_text(&bytes).map_err(StoreError::from)?
        };
        let found = self.find(&records)?;
        let (text, there) = match found.and_then(|k| records.get(k)) {
            Some((text, record)) => (*text, Some(&record.end)),
            None => (&bytes[..0], None),
        };
        let new = change(there, text)?;
        if there == Some(&new) {
            return Ok(new);
        }
        let mut out = Vec::new();
        match there {
            None => out = canonical::to_bytes(&new).map_err(StoreError::from)?,
            Some(_) => {
                for (k, (text, record)) in records.iter().enumerate() {
                    let changed = if found == Some(k) { &new } else { &record.end };
                    out.extend(record_text(text, &record.end, changed, records.len())?);
                }
            }
        }
        write(&self.file, &out)?;
        Ok(new)
    }

    /// Index of the record among those of its file; `None` where the file holds nothing yet.
    fn find(&self, records: &[(&[u8], ParsedRecord)]) -> Result<Option<usize>, StoreError> {
        match (&self.among, records.len()) {
            (_, 0) => Ok(None),
            (None, 1) => Ok(Some(0)),
            (None, _) => Err(StoreError::Foreign),
            (Some(index), _) => {
                let end = records.get(index.index).map(|(_, r)| &r.end);
                let photo = end.map(|e| e.photo.as_ref().map(|p| &p.sha256));
                if photo == Some(index.photo.as_ref()) {
                    Ok(Some(index.index))
                } else {
                    Err(StoreError::Moved)
                }
            }
        }
    }

    /// Path of a hidden file beside the record's, for data that belongs to it and may be lost.
    #[must_use]
    pub fn hidden_file(&self, ending: &str) -> PathBuf {
        let mut name = OsString::from(".");
        name.push(self.file.file_name().unwrap_or_default());
        if self.among.is_some() {
            name.push(format!(".{}", self.number()));
        }
        name.push(ending);
        self.file.with_file_name(name)
    }
}

pub(super) fn all_records(file: &Path) -> Result<Vec<End>, StoreError> {
    let records = parse_records(&read(file)?)?;
    Ok(records.into_iter().map(|r| r.end).collect())
}

/// Changes all records of a file while nobody else can: `change` gets them as they are now, each with its text, and returns as many
/// new ones. Returns what is saved.
///
/// # Errors
/// What `change` says; also when the file can't be read or written.
pub fn change_records<E: From<StoreError>>(
    file: &Path,
    change: impl FnOnce(&[(&[u8], ParsedRecord)]) -> Result<Vec<End>, E>,
) -> Result<Vec<End>, E> {
    let _lock = lock(file)?;
    let bytes = read(file)?;
    let records = records_with_text(&bytes).map_err(StoreError::from)?;
    let new = change(&records)?;
    if records.iter().map(|(_, r)| &r.end).ne(&new) {
        write(file, &records_text(&records, &new)?)?;
    }
    Ok(new)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{EntryState, PhotoRecord};
    use crate::store::name_of;
    use crate::store::test_records::with;

    #[test]
    fn one_of_several_records_is_changed_and_the_others_stay() {
        let folder = tempfile::tempdir().expect("temporary folder");
        let path = folder.path().join("day.jsonl");
        let of = |photo: &str, revision| End {
            photo: Some(PhotoRecord {
                sha256: photo.to_owned(),
                ..Default::default()
            }),
            ..with(EntryState::Proposed, revision)
        };
        let mut lines = Vec::new();
        for end in [of("a", 0), of("b", 0)] {
            lines.extend(canonical::to_line(&end).expect("line"));
        }
        write(&path, &lines).expect("written");
        let locations = RecordLocation::all(&path).expect("locations");
        assert_eq!(locations.len(), 2);
        locations[1].propose(&of("b", 0)).expect("a proposal");
        let revise = |location: &RecordLocation, end: End| {
            location.change(|_, _| Ok::<_, StoreError>(end.clone()))
        };
        revise(&locations[1], of("b", 1)).expect("a revision");
        assert!(matches!(
            locations[1].propose(&of("b", 0)),
            Err(StoreError::Confirmed)
        ));
        let now = |l: &RecordLocation| l.record().expect("read").map(|e| e.revision);
        assert_eq!((now(&locations[0]), now(&locations[1])), (Some(0), Some(1)));
        assert_eq!(
            name_of(&locations[1].hidden_file(".steps")),
            ".day.jsonl.2.steps",
            "each has its own"
        );
        // in the opposite order neither is taken for the other
        let text = String::from_utf8(read(&path).expect("file")).expect("text");
        let reversed: String = text.lines().rev().map(|l| format!("{l}\n")).collect();
        write(&path, reversed.as_bytes()).expect("written");
        for location in &locations {
            assert!(matches!(location.record(), Err(StoreError::Moved)));
            assert!(matches!(
                revise(location, of("a", 9)),
                Err(StoreError::Moved)
            ));
        }
    }
}

//! Where a record is: in a file of its own, or among several in one file.

use super::error::StoreError;
use super::files::{read, write};
use super::save::{check_older, is_touched, record_at, save_proposal, save_revision};
use crate::record::{End, canonical, parse_records};
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
        let records = parse_records(&read(file)?)?;
        if records.len() == 1 {
            return Ok(vec![Self::from(file.to_owned())]);
        }
        let location = |(index, end): (usize, &End)| Self {
            file: file.to_owned(),
            among: Some(RecordIndex {
                index,
                photo: end.photo.as_ref().map(|p| p.sha256.clone()),
            }),
        };
        Ok(records
            .iter()
            .map(|r| &r.end)
            .enumerate()
            .map(location)
            .collect())
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
        let Some(index) = &self.among else {
            return record_at(&self.file);
        };
        match all_records(&self.file) {
            Err(StoreError::Missing) => Ok(None),
            other => {
                let mut all = other?;
                index.find(&mut all).map(|end| Some(end.clone()))
            }
        }
    }

    /// Saves a record that the program proposes: over an older proposal, never over a person's work.
    ///
    /// # Errors
    /// As [`save_proposal`].
    pub fn propose(&self, end: &End) -> Result<(), StoreError> {
        let Some(index) = &self.among else {
            return save_proposal(&self.file, end);
        };
        self.replace(index, end, |there| {
            if is_touched(there) {
                Err(StoreError::Confirmed)
            } else {
                Ok(())
            }
        })
    }

    /// Saves a record that a person has changed: over an older revision only.
    ///
    /// # Errors
    /// As [`save_revision`].
    pub fn revise(&self, end: &End) -> Result<(), StoreError> {
        let Some(index) = &self.among else {
            return save_revision(&self.file, end);
        };
        self.replace(index, end, |there| check_older(there, end))
    }

    fn replace(
        &self,
        index: &RecordIndex,
        end: &End,
        check: impl FnOnce(&End) -> Result<(), StoreError>,
    ) -> Result<(), StoreError> {
        let mut all = all_records(&self.file)?;
        let there = index.find(&mut all)?;
        check(there)?;
        *there = end.clone();
        let mut lines = Vec::new();
        for end in &all {
            lines.extend(canonical::to_line(end)?);
        }
        write(&self.file, &lines)
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

impl RecordIndex {
    fn find<'a>(&self, all: &'a mut [End]) -> Result<&'a mut End, StoreError> {
        let found = all.get_mut(self.index).ok_or(StoreError::Moved)?;
        let photo = found.photo.as_ref().map(|p| &p.sha256);
        if photo == self.photo.as_ref() {
            Ok(found)
        } else {
            Err(StoreError::Moved)
        }
    }
}

fn all_records(file: &Path) -> Result<Vec<End>, StoreError> {
    let records = parse_records(&read(file)?)?;
    Ok(records.into_iter().map(|r| r.end).collect())
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
        locations[1].revise(&of("b", 1)).expect("a revision");
        assert!(matches!(
            locations[1].revise(&of("b", 1)),
            Err(StoreError::Newer { there: 1, new: 1 })
        ));
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
                location.revise(&of("a", 9)),
                Err(StoreError::Moved)
            ));
        }
    }
}

//! The ends on the page: where each comes from, its record on disk, edits, undo and redo.

use super::measure_request::MeasureRequest;
use super::undo_journal::{JournalOperation, UndoJournal};
use crate::face::spec::{self, FaceSpec};
use crate::measure::{MeasureOptions, Stage};
use crate::record::{End, Session, canonical};
use crate::review::{Edits, ReviewError, restore};
use crate::store::{self, RecordCache, RecordLocation, StoreError};
use std::path::PathBuf;
use std::sync::Arc;

/// Ending of the hidden file beside a record that holds its undo journal.
const STEPS_ENDING: &str = ".steps";

/// An end that the page starts with.
#[derive(Clone, Debug)]
pub struct EndSource {
    /// Its photo, where there is one.
    pub photo: Option<PathBuf>,
    /// Where its record is, or will be.
    pub record: RecordLocation,
    /// Its session: fills what the record leaves open.
    pub session: Session,
    /// Its face, if it is known.
    pub face: Option<FaceSpec>,
    /// How it is measured: lens profiles, and what a person marks on the page.
    pub measuring: MeasureOptions,
}

/// The state of an end.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Progress {
    /// Its photo waits to be measured.
    Waiting,
    /// It is being measured; the last stage that has ended.
    Measuring(Option<Stage>),
    /// It has a record.
    Ready,
    /// Its face isn't known.
    NoFace,
    /// Its photo or record can't be used.
    Failed(String),
}

/// An end on the page.
#[derive(Debug)]
pub(super) struct OpenEnd {
    pub(super) id: u64,
    pub(super) start: EndSource,
    pub(super) progress: Progress,
    /// What a person said about measuring it.
    pub(super) marked: MeasureRequest,
    /// Why measuring it again failed, where the old record remains.
    pub(super) failure: Option<String>,
    /// SHA-256 of its photo, once it was needed.
    photo_sha256: Option<String>,
    journal: UndoJournal,
    /// Records as they were last read.
    cache: Arc<RecordCache>,
}

/// Why an edit was not made.
#[derive(Debug)]
pub(super) enum EditError {
    /// Somebody else has changed the record since; this is the record now.
    Changed(Box<End>),
    /// The edit can't be made.
    Review(ReviewError),
    /// The file can't be read or written.
    Store(StoreError),
    /// There is nothing to undo or redo.
    NothingToUndo,
}

impl From<StoreError> for EditError {
    fn from(error: StoreError) -> Self {
        Self::Store(error)
    }
}

impl OpenEnd {
    pub(super) fn new(id: u64, start: EndSource, cache: Arc<RecordCache>) -> Self {
        let there = cache.record(&start.record);
        let record = there.as_ref().ok().and_then(Option::as_ref);
        let journal = UndoJournal::open(start.record.hidden_file(STEPS_ENDING), record);
        let progress = match there {
            Ok(Some(_)) => Progress::Ready,
            Ok(None) => match (&start.photo, &start.face) {
                (Some(_), Some(_)) => Progress::Waiting,
                (Some(_), None) => Progress::NoFace,
                (None, _) => Progress::Failed(StoreError::Missing.to_string()),
            },
            Err(error) => Progress::Failed(error.to_string()),
        };
        Self {
            id,
            start,
            progress,
            marked: MeasureRequest::default(),
            failure: None,
            photo_sha256: None,
            journal,
            cache,
        }
    }

    /// The end's name on the page: that of its photo, else that of its record.
    pub(super) fn name(&self) -> String {
        match (&self.start.photo, &self.start.record) {
            (Some(photo), _) => store::name_of(photo),
            (None, location) if location.among.is_some() => {
                format!("{}, {}", store::name_of(&location.file), location.number())
            }
            (None, location) => store::name_of(&location.file),
        }
    }

    /// Notes the SHA-256 of its photo.
    pub(super) fn set_photo_sha256(&mut self, sha256: String) {
        self.photo_sha256 = Some(sha256);
    }

    /// Whether this end shows the photo with this SHA-256.
    pub(super) fn shows(&mut self, sha256: &str) -> bool {
        let there = self.cache.record(&self.start.record).ok().flatten();
        if let Some(photo) = there.and_then(|r| r.photo) {
            return photo.sha256 == sha256;
        }
        if self.photo_sha256.is_none() {
            // not measured yet
            let bytes = self.start.photo.as_ref().and_then(|p| store::read(p).ok());
            self.photo_sha256 = bytes.map(|b| crate::photo::fingerprint(&b));
        }
        self.photo_sha256.as_deref() == Some(sha256)
    }

    /// The record as it is on disk now, gaps filled from the end's session.
    pub(super) fn record(&self) -> Result<Option<End>, StoreError> {
        let there = self.cache.record(&self.start.record)?;
        Ok(there.map(|mut end| {
            end.session = end.session.or(&self.start.session);
            end
        }))
    }

    /// Its face: the one given, else the one that the record was measured with.
    pub(super) fn face(&self) -> Option<FaceSpec> {
        let of_record = || self.record().ok().flatten()?.face;
        let given = self.start.face.clone();
        given.or_else(|| spec::by_name(&of_record()?.name).cloned())
    }

    /// How many steps can be undone and redone from this revision.
    pub(super) fn depths(&self, revision: u64) -> (usize, usize) {
        self.journal.depths(revision)
    }

    /// Applies edits and saves the record.
    pub(super) fn edit(&mut self, edits: &Edits) -> Result<End, EditError> {
        self.change(JournalOperation::Edit, edits.revision, |now, text, _| {
            edits.apply(now, text).map_err(EditError::Review)
        })
    }

    /// Gives the record the camera of a new measurement; the entries keep their pixels.
    pub(super) fn refit(&mut self, measured: &End) -> Result<End, EditError> {
        self.change(JournalOperation::Edit, None, |now, _, _| {
            Ok(crate::review::refitted(now, measured))
        })
    }

    /// Undoes the last step, or redoes it.
    pub(super) fn step(&mut self, back: bool, shown: u64) -> Result<End, EditError> {
        let step = if back {
            JournalOperation::Undo
        } else {
            JournalOperation::Redo
        };
        self.change(step, Some(shown), |now, _, journal| {
            let to = journal
                .next(step, now.revision)
                .ok_or(EditError::NothingToUndo)?;
            Ok(restore(now, to))
        })
    }

    /// Makes a step and saves its result while no other program can write the record; refused if its revision isn't the one that
    /// the page showed. The undo journal is written first, so that the record is never ahead of it.
    fn change(
        &mut self,
        step: JournalOperation,
        shown: Option<u64>,
        make: impl FnOnce(&End, &[u8], &UndoJournal) -> Result<End, EditError>,
    ) -> Result<End, EditError> {
        let (session, journal) = (&self.start.session, &mut self.journal);
        let mut was = None;
        let saved = self.start.record.change(|there, text| {
            let mut now = there.cloned().ok_or(StoreError::Missing)?;
            if shown.is_some_and(|shown| shown != now.revision) {
                now.session = now.session.or(session);
                return Err(EditError::Changed(Box::new(now)));
            }
            now.session = now.session.or(session);
            let new =
                canonical::rounded_record(&make(&now, text, journal)?).map_err(StoreError::from)?;
            journal.write(step, &now, &new);
            was = Some(now);
            Ok(new)
        });
        match (&saved, was) {
            (Ok(new), Some(was)) => journal.commit(step, was, new.revision),
            (Err(_), Some(_)) => journal.failed(),
            _ => {}
        }
        saved
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{ArrowKind, Entry};
    use serde_json::json;

    fn opened(folder: &tempfile::TempDir) -> OpenEnd {
        let record = folder.path().join("a.end.json");
        let end = End {
            entries: vec![Entry {
                id: 1,
                kind: ArrowKind::Bare,
                ..Entry::default()
            }],
            ..End::default()
        };
        store::save_proposal(&record, &end).expect("saved");
        OpenEnd::new(
            1,
            EndSource {
                photo: None,
                record: record.into(),
                session: Session::default(),
                face: None,
                measuring: MeasureOptions::default(),
            },
            Arc::default(),
        )
    }

    fn edits(revision: u64, list: serde_json::Value) -> Edits {
        serde_json::from_value(
            json!({"schema": crate::review::SCHEMA, "revision": revision, "edits": list}),
        )
        .expect("edits")
    }

    #[test]
    fn steps_are_saved_undone_and_redone() {
        let folder = tempfile::tempdir().expect("folder");
        let mut end = opened(&folder);
        let kind = |e: &OpenEnd| e.record().expect("read").expect("record").entries[0].kind;
        end.edit(&edits(
            0,
            json!([{"do": "tag", "id": 1, "kind": "fletched"}]),
        ))
        .expect("one");
        end.edit(&edits(
            1,
            json!([{"do": "tag", "id": 1, "kind": "unknown"}]),
        ))
        .expect("two");
        assert_eq!(end.depths(2), (2, 0));
        assert_eq!(end.step(true, 2).expect("back").revision, 3);
        assert_eq!(kind(&end), ArrowKind::Fletched);
        end.step(true, 3).expect("back");
        assert_eq!((kind(&end), end.depths(4)), (ArrowKind::Bare, (0, 2)));
        assert!(matches!(end.step(true, 4), Err(EditError::NothingToUndo)));
        end.step(false, 4).expect("forth");
        assert_eq!(kind(&end), ArrowKind::Fletched);
        end.edit(&edits(5, json!([{"do": "confirm", "id": 1}])))
            .expect("three");
        assert_eq!(end.depths(6), (2, 0), "a new edit ends redo");
    }

    #[test]
    fn undo_outlives_the_program() {
        let folder = tempfile::tempdir().expect("folder");
        let mut end = opened(&folder);
        for (revision, kind) in [(0, "fletched"), (1, "unknown")] {
            end.edit(&edits(
                revision,
                json!([{"do": "tag", "id": 1, "kind": kind}]),
            ))
            .expect("edit");
        }
        end.step(true, 2).expect("back");
        let mut reopened = OpenEnd::new(1, end.start.clone(), Arc::default());
        assert_eq!(reopened.depths(3), (1, 1));
        let kind = |e: &End| e.entries[0].kind;
        assert_eq!(
            kind(&reopened.step(false, 3).expect("forth")),
            ArrowKind::Unknown
        );
        reopened.step(true, 4).expect("back");
        assert_eq!(
            kind(&reopened.step(true, 5).expect("back")),
            ArrowKind::Bare
        );
        // the journal is not taken for a record, and can be deleted
        let hidden = folder.path().join(".a.end.json.steps");
        assert!(hidden.is_file());
        assert_eq!(store::records_below(folder.path()).expect("list").len(), 1);
        // the record has been changed elsewhere: the journal no longer belongs to it
        let mut now = reopened.record().expect("read").expect("record");
        now.revision += 1;
        let bytes = canonical::to_bytes(&now).expect("bytes");
        store::write(&folder.path().join("a.end.json"), &bytes).expect("saved");
        assert_eq!(
            OpenEnd::new(1, end.start.clone(), Arc::default()).depths(7),
            (0, 0)
        );
        std::fs::remove_file(hidden).expect("removed");
        assert_eq!(
            OpenEnd::new(1, end.start.clone(), Arc::default()).depths(7),
            (0, 0)
        );
    }

    #[test]
    fn the_later_of_two_writers_is_refused_and_gets_the_record() {
        let folder = tempfile::tempdir().expect("folder");
        let (mut one, mut other) = (opened(&folder), opened(&folder));
        one.edit(&edits(
            0,
            json!([{"do": "tag", "id": 1, "kind": "fletched"}]),
        ))
        .expect("one");
        let late = other.edit(&edits(0, json!([{"do": "remove", "id": 1}])));
        let Err(EditError::Changed(now)) = late else {
            panic!("{late:?}");
        };
        assert_eq!(
            (now.revision, now.entries[0].kind),
            (1, ArrowKind::Fletched)
        );
        other
            .edit(&edits(1, json!([{"do": "remove", "id": 1}])))
            .expect("again");
        assert!(
            matches!(one.step(true, 2), Err(EditError::NothingToUndo)),
            "nobody undoes another's edit without having seen it"
        );
    }

    #[test]
    fn an_edit_that_the_disk_refuses_changes_nothing_and_can_be_made_again() {
        let folder = tempfile::tempdir().expect("folder");
        let mut end = opened(&folder);
        let tag = |revision| {
            edits(
                revision,
                json!([{"do": "tag", "id": 1, "kind": "fletched"}]),
            )
        };
        for step in store::faults::STEPS {
            let before = end.record().expect("read");
            let failed = store::faults::failing_at(step, || end.edit(&tag(0)));
            assert!(
                matches!(failed, Err(EditError::Store(_))),
                "{step:?}: {failed:?}"
            );
            assert_eq!(end.record().expect("read"), before, "{step:?}");
            assert_eq!(end.depths(0), (0, 0), "{step:?}");
        }
        end.edit(&tag(0)).expect("again");
        assert_eq!(end.depths(1), (1, 0));
        end.step(true, 1).expect("back");
    }
}

//! The undo journal of an end: the record as it was before each step, in a file beside it, so that undo outlives the program.
//!
//! The file `.NAME.end.json.steps` is hidden, since it is not a document for people. It gets one line per step; deleting it loses
//! only undo and redo. Each line holds the fingerprint of the record after its step. A line counts only if it, or a later line,
//! holds the fingerprint of the record as it is now. Lines that were cut off, whose step then failed, or that belong to another
//! record are ignored.

use crate::photo::fingerprint;
use crate::record::{End, RecordError, canonical};
use crate::store;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// The `schema` of each line.
const SCHEMA: &str = "bossmark/steps/1";

/// A step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum JournalOperation {
    /// An edit.
    Edit,
    /// The last edit was undone.
    #[serde(rename = "back")]
    Undo,
    /// An undone edit was redone.
    #[serde(rename = "forth")]
    Redo,
}

/// A step, and the record before it.
#[derive(Serialize)]
struct StepLine<'a> {
    schema: &'static str,
    /// Fingerprint of the record after it.
    now: &'a str,
    step: JournalOperation,
    was: &'a End,
}

/// Both stacks, where the lines before don't lead to this record.
#[derive(Serialize)]
struct StacksLine<'a> {
    schema: &'static str,
    now: &'a str,
    past: Vec<&'a End>,
    future: Vec<&'a End>,
}

/// A line of either kind, as it is read.
#[derive(Deserialize)]
struct AnyLine {
    schema: String,
    now: String,
    step: Option<JournalOperation>,
    was: Option<End>,
    past: Option<Vec<End>>,
    future: Option<Vec<End>>,
}

/// The records to which undo and redo lead from the one that is there now.
#[derive(Debug, Default)]
pub(super) struct UndoJournal {
    file: PathBuf,
    past: Vec<End>,
    future: Vec<End>,
    /// The revision to which the stacks apply: that after the last step.
    last: Option<u64>,
    /// Whether the file's last line names this record, so that the next one can follow it.
    continued: bool,
}

impl UndoJournal {
    /// The journal of this record, as far as the file holds it.
    pub(super) fn open(file: PathBuf, record: Option<&End>) -> Self {
        let known = record.and_then(|r| Some((r.revision, read(&file, &fingerprint_of(r).ok()?)?)));
        let Some((revision, (past, future, continued))) = known else {
            return Self {
                file,
                ..Self::default()
            };
        };
        Self {
            file,
            past,
            future,
            last: Some(revision),
            continued,
        }
    }

    /// How many steps can be undone and redone from this revision.
    pub(super) fn depths(&self, revision: u64) -> (usize, usize) {
        if self.last == Some(revision) {
            (self.past.len(), self.future.len())
        } else {
            (0, 0)
        }
    }

    /// The record that a step from this revision leads to.
    pub(super) fn next(&self, step: JournalOperation, revision: u64) -> Option<&End> {
        let from = match step {
            JournalOperation::Edit => return None,
            JournalOperation::Undo => &self.past,
            JournalOperation::Redo => &self.future,
        };
        from.last().filter(|_| self.last == Some(revision))
    }

    /// Writes a step from `was` to `now`, which is about to be saved. Where that fails undo ends with the program: no reason to
    /// refuse the step.
    pub(super) fn write(&mut self, step: JournalOperation, was: &End, now: &End) {
        let follows = self.continued && self.last == Some(was.revision);
        // until the step is made the file is ahead
        self.continued = false;
        let Ok(name) = fingerprint_of(now) else {
            return;
        };
        let appended = follows
            && line(&StepLine {
                schema: SCHEMA,
                now: &name,
                step,
                was,
            })
            .is_some_and(|l| store::append(&self.file, &l).is_ok());
        self.continued = appended || {
            let (past, future) = self.after(step, was);
            let whole = StacksLine {
                schema: SCHEMA,
                now: &name,
                past,
                future,
            };
            line(&whole).is_some_and(|l| store::write(&self.file, &l).is_ok())
        };
    }

    /// The step that was written has failed.
    pub(super) fn failed(&mut self) {
        self.continued = false;
    }

    /// The step that was written is saved.
    pub(super) fn commit(&mut self, step: JournalOperation, was: End, now: u64) {
        if self.last != Some(was.revision) {
            // the record no longer comes from the steps made on this page
            self.past.clear();
            self.future.clear();
        }
        advance(&mut self.past, &mut self.future, step, was);
        self.last = Some(now);
    }

    /// Both stacks after a step.
    fn after<'a>(&'a self, step: JournalOperation, was: &'a End) -> (Vec<&'a End>, Vec<&'a End>) {
        let holds = self.last == Some(was.revision);
        let list = |l: &'a [End]| -> Vec<&'a End> {
            if holds {
                l.iter().collect()
            } else {
                Vec::new()
            }
        };
        let (mut past, mut future) = (list(&self.past), list(&self.future));
        advance(&mut past, &mut future, step, was);
        (past, future)
    }
}

fn advance<T>(past: &mut Vec<T>, future: &mut Vec<T>, step: JournalOperation, was: T) {
    match step {
        JournalOperation::Edit => {
            past.push(was);
            future.clear();
        }
        JournalOperation::Undo => {
            past.pop();
            future.push(was);
        }
        JournalOperation::Redo => {
            future.pop();
            past.push(was);
        }
    }
}

/// The fingerprint that names a record.
fn fingerprint_of(record: &End) -> Result<String, RecordError> {
    Ok(fingerprint(&canonical::to_line(record)?))
}

fn line(document: &impl Serialize) -> Option<Vec<u8>> {
    canonical::line(document).ok()
}

/// The stacks of the record with this fingerprint, and whether the file ends there.
fn read(file: &Path, name: &str) -> Option<(Vec<End>, Vec<End>, bool)> {
    let bytes = store::read(file).ok()?;
    let (mut past, mut future) = (Vec::new(), Vec::new());
    let mut found = None;
    for text in bytes.split_inclusive(|b| *b == b'\n') {
        let whole = text.ends_with(b"\n");
        let line = serde_json::from_slice::<AnyLine>(text).ok();
        let Some(line) = line.filter(|l| whole && l.schema == SCHEMA) else {
            // nothing that follows can be placed, and nothing may be written after it
            found = found.map(|(past, future, _)| (past, future, false));
            break;
        };
        match (line.step, line.was) {
            (Some(step), Some(was)) => advance(&mut past, &mut future, step, was),
            _ => {
                past = line.past.unwrap_or_default();
                future = line.future.unwrap_or_default();
            }
        }
        if line.now == name {
            found = Some((past.clone(), future.clone(), true));
        } else if let Some((.., last)) = &mut found {
            *last = false;
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    fn end(revision: u64) -> End {
        End {
            revision,
            ..End::default()
        }
    }

    fn revisions(list: &[End]) -> Vec<u64> {
        list.iter().map(|e| e.revision).collect()
    }

    /// Steps from revision 0, each made.
    fn journal_after(file: &Path, steps: &[JournalOperation]) -> UndoJournal {
        let mut journal = UndoJournal::open(file.to_owned(), Some(&end(0)));
        for (was, step) in (0..).zip(steps) {
            journal.write(*step, &end(was), &end(was + 1));
            journal.commit(*step, end(was), was + 1);
        }
        journal
    }

    #[test]
    fn the_file_leads_where_the_program_was() {
        use JournalOperation::{Edit, Redo, Undo};
        let folder = tempfile::tempdir().expect("folder");
        for (n, steps) in [
            [Edit, Edit, Edit].as_slice(),
            &[Edit, Edit, Undo, Undo],
            &[Edit, Edit, Undo, Redo, Undo],
            &[Edit, Undo, Edit, Edit],
        ]
        .iter()
        .enumerate()
        {
            let file = folder.path().join(format!(".{n}.steps"));
            let journal = journal_after(&file, steps);
            let now = end(u64::try_from(steps.len()).expect("few"));
            let reopened = UndoJournal::open(file, Some(&now));
            assert_eq!(
                revisions(&reopened.past),
                revisions(&journal.past),
                "{steps:?}"
            );
            assert_eq!(
                revisions(&reopened.future),
                revisions(&journal.future),
                "{steps:?}"
            );
            assert!(reopened.continued && reopened.last == Some(now.revision));
        }
    }

    #[test]
    fn only_what_leads_to_the_record_is_believed() {
        use JournalOperation::Edit;
        let folder = tempfile::tempdir().expect("folder");
        let file = folder.path().join(".a.steps");
        journal_after(&file, &[Edit, Edit, Edit]);
        let whole = fs::read(&file).expect("file");
        // another record of the same revision, and none
        let other = End {
            notes: vec![crate::record::Note::new("x", "y")],
            ..end(3)
        };
        for record in [Some(&other), None] {
            assert_eq!(UndoJournal::open(file.clone(), record).depths(3), (0, 0));
        }
        // a step that was written down and never made: the record is still the one before
        let mut journal = UndoJournal::open(file.clone(), Some(&end(2)));
        assert_eq!(journal.depths(2), (2, 0));
        assert!(
            !journal.continued,
            "the next step can't follow the last line"
        );
        journal.write(Edit, &end(2), &end(4));
        journal.commit(Edit, end(2), 4);
        let reopened = UndoJournal::open(file.clone(), Some(&end(4)));
        assert_eq!(revisions(&reopened.past), [0, 1, 2]);
        // broken off anywhere: no more than what is whole, never a fault
        for length in 0..whole.len() {
            fs::write(&file, &whole[..length]).expect("written");
            let journal = UndoJournal::open(file.clone(), Some(&end(3)));
            assert_eq!(journal.depths(3), (0, 0), "cut at {length}");
        }
        // the file is gone: the program still knows the steps and writes them again
        let mut journal = journal_after(&file, &[Edit, Edit]);
        fs::remove_file(&file).expect("removed");
        journal.write(Edit, &end(2), &end(3));
        journal.commit(Edit, end(2), 3);
        assert_eq!(UndoJournal::open(file, Some(&end(3))).depths(3), (3, 0));
    }
}

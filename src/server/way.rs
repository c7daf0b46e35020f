//! The way back and forth of an end: its record as it was before each step, kept beside the record too, so that it outlives
//! the program.
//!
//! The file (`.NAME.end.json.steps`, hidden: it is neither a record nor anybody's document) gets one line a step and can be
//! deleted without loss of anything but the way back. Each line names the record that its step left by that record's
//! fingerprint. Only a line that names the record as it is now is believed, with those before it: whatever broke off in the
//! middle of a line, was written for a step that then failed, or belongs to another record is passed over.

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
pub(super) enum Step {
    /// Something was done.
    Edit,
    /// The last thing was taken back.
    Back,
    /// What was taken back was made again.
    Forth,
}

/// What was done, and the record before it.
#[derive(Serialize)]
struct Line<'a> {
    schema: &'static str,
    /// Fingerprint of the record after it.
    now: &'a str,
    step: Step,
    was: &'a End,
}

/// The whole way, where the lines before don't lead here.
#[derive(Serialize)]
struct Whole<'a> {
    schema: &'static str,
    now: &'a str,
    past: Vec<&'a End>,
    future: Vec<&'a End>,
}

/// A line of either kind as it is read.
#[derive(Deserialize)]
struct Read {
    schema: String,
    now: String,
    step: Option<Step>,
    was: Option<End>,
    past: Option<Vec<End>>,
    future: Option<Vec<End>>,
}

/// The records before and after the one that is there now.
#[derive(Debug, Default)]
pub(super) struct Way {
    file: PathBuf,
    past: Vec<End>,
    future: Vec<End>,
    /// The revision that the way holds for: the one that its last step left.
    last: Option<u64>,
    /// Whether the file's last line leads here, so that the next one can follow it.
    told: bool,
}

impl Way {
    /// The way to this record, as far as the file knows it.
    pub(super) fn open(file: PathBuf, record: Option<&End>) -> Self {
        let known = record.and_then(|r| Some((r.revision, read(&file, &name(r).ok()?)?)));
        let Some((revision, (past, future, told))) = known else {
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
            told,
        }
    }

    /// How many steps there are back and forth from this revision.
    pub(super) fn ways(&self, revision: u64) -> (usize, usize) {
        if self.last == Some(revision) {
            (self.past.len(), self.future.len())
        } else {
            (0, 0)
        }
    }

    /// The record that a step from this revision leads to.
    pub(super) fn next(&self, step: Step, revision: u64) -> Option<&End> {
        let from = match step {
            Step::Edit => return None,
            Step::Back => &self.past,
            Step::Forth => &self.future,
        };
        from.last().filter(|_| self.last == Some(revision))
    }

    /// Writes down a step from `was` to `now`, which is about to be saved. A way that can't be written down is one that ends
    /// with the program, and no reason to refuse the step.
    pub(super) fn note(&mut self, step: Step, was: &End, now: &End) {
        let follows = self.told && self.last == Some(was.revision);
        // until the step is made the file is ahead
        self.told = false;
        let Ok(name) = name(now) else {
            return;
        };
        let appended = follows
            && line(&Line {
                schema: SCHEMA,
                now: &name,
                step,
                was,
            })
            .is_some_and(|l| store::append(&self.file, &l).is_ok());
        self.told = appended || {
            let (past, future) = self.after(step, was);
            let whole = Whole {
                schema: SCHEMA,
                now: &name,
                past,
                future,
            };
            line(&whole).is_some_and(|l| store::write(&self.file, &l).is_ok())
        };
    }

    /// The step that was noted has failed.
    pub(super) fn failed(&mut self) {
        self.told = false;
    }

    /// The step that was noted is made.
    pub(super) fn made(&mut self, step: Step, was: End, now: u64) {
        if self.last != Some(was.revision) {
            // what was done before on this page is no longer what the record comes from
            self.past.clear();
            self.future.clear();
        }
        walk(&mut self.past, &mut self.future, step, was);
        self.last = Some(now);
    }

    /// The way after a step.
    fn after<'a>(&'a self, step: Step, was: &'a End) -> (Vec<&'a End>, Vec<&'a End>) {
        let holds = self.last == Some(was.revision);
        let list = |l: &'a [End]| -> Vec<&'a End> {
            if holds {
                l.iter().collect()
            } else {
                Vec::new()
            }
        };
        let (mut past, mut future) = (list(&self.past), list(&self.future));
        walk(&mut past, &mut future, step, was);
        (past, future)
    }
}

fn walk<T>(past: &mut Vec<T>, future: &mut Vec<T>, step: Step, was: T) {
    match step {
        Step::Edit => {
            past.push(was);
            future.clear();
        }
        Step::Back => {
            past.pop();
            future.push(was);
        }
        Step::Forth => {
            future.pop();
            past.push(was);
        }
    }
}

/// What a record is known by.
fn name(record: &End) -> Result<String, RecordError> {
    Ok(fingerprint(&canonical::to_line(record)?))
}

fn line(document: &impl Serialize) -> Option<Vec<u8>> {
    canonical::line(document).ok()
}

/// The way to the record of this fingerprint, and whether the file ends there.
fn read(file: &Path, name: &str) -> Option<(Vec<End>, Vec<End>, bool)> {
    let bytes = store::read(file).ok()?;
    let (mut past, mut future) = (Vec::new(), Vec::new());
    let mut found = None;
    for text in bytes.split_inclusive(|b| *b == b'\n') {
        let whole = text.ends_with(b"\n");
        let line = serde_json::from_slice::<Read>(text).ok();
        let Some(line) = line.filter(|l| whole && l.schema == SCHEMA) else {
            // nothing that follows can be placed, and nothing may be written after it
            found = found.map(|(past, future, _)| (past, future, false));
            break;
        };
        match (line.step, line.was) {
            (Some(step), Some(was)) => walk(&mut past, &mut future, step, was),
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
    fn walked(file: &Path, steps: &[Step]) -> Way {
        let mut way = Way::open(file.to_owned(), Some(&end(0)));
        for (was, step) in (0..).zip(steps) {
            way.note(*step, &end(was), &end(was + 1));
            way.made(*step, end(was), was + 1);
        }
        way
    }

    #[test]
    fn the_file_leads_where_the_program_was() {
        use Step::{Back, Edit, Forth};
        let folder = tempfile::tempdir().expect("folder");
        for (n, steps) in [
            [Edit, Edit, Edit].as_slice(),
            &[Edit, Edit, Back, Back],
            &[Edit, Edit, Back, Forth, Back],
            &[Edit, Back, Edit, Edit],
        ]
        .iter()
        .enumerate()
        {
            let file = folder.path().join(format!(".{n}.steps"));
            let way = walked(&file, steps);
            let now = end(u64::try_from(steps.len()).expect("few"));
            let again = Way::open(file, Some(&now));
            assert_eq!(revisions(&again.past), revisions(&way.past), "{steps:?}");
            assert_eq!(
                revisions(&again.future),
                revisions(&way.future),
                "{steps:?}"
            );
            assert!(again.told && again.last == Some(now.revision));
        }
    }

    #[test]
    fn only_what_leads_to_the_record_is_believed() {
        use Step::Edit;
        let folder = tempfile::tempdir().expect("folder");
        let file = folder.path().join(".a.steps");
        walked(&file, &[Edit, Edit, Edit]);
        let whole = fs::read(&file).expect("file");
        // another record of the same revision, and none
        let other = End {
            notes: vec![crate::record::Note::new("x", "y")],
            ..end(3)
        };
        for record in [Some(&other), None] {
            assert_eq!(Way::open(file.clone(), record).ways(3), (0, 0));
        }
        // a step that was written down and never made: the record is still the one before
        let mut way = Way::open(file.clone(), Some(&end(2)));
        assert_eq!(way.ways(2), (2, 0));
        assert!(!way.told, "the next step can't follow the last line");
        way.note(Edit, &end(2), &end(4));
        way.made(Edit, end(2), 4);
        let again = Way::open(file.clone(), Some(&end(4)));
        assert_eq!(revisions(&again.past), [0, 1, 2]);
        // broken off anywhere: no more than what is whole, never a fault
        for length in 0..whole.len() {
            fs::write(&file, &whole[..length]).expect("written");
            let way = Way::open(file.clone(), Some(&end(3)));
            assert_eq!(way.ways(3), (0, 0), "cut at {length}");
        }
        // gone: the steps since are still known to the program, and written anew
        let mut way = walked(&file, &[Edit, Edit]);
        fs::remove_file(&file).expect("removed");
        way.note(Edit, &end(2), &end(3));
        way.made(Edit, end(2), 3);
        assert_eq!(Way::open(file, Some(&end(3))).ways(3), (3, 0));
    }
}

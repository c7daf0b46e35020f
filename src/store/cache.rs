//! Records as they were last read, for as long as their files stay as they were.

use super::error::StoreError;
use super::location::{RecordLocation, all_records};
use crate::record::End;
use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::ThreadId;
use std::time::{Duration, SystemTime};

/// Least age of a file from which its state is trusted: file systems resolve times to milliseconds, the coarsest to two seconds, so that a
/// younger file may be written again without a newer time.
const MIN_FILE_AGE: Duration = Duration::from_secs(3);

/// What distinguishes one state of a file from another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct FileState {
    length: u64,
    modified: SystemTime,
}

impl FileState {
    /// The state of the file now; `None` where it is too new to be distinguished from the next.
    fn of(path: &Path) -> Option<Self> {
        let data = std::fs::metadata(path).ok()?;
        let modified = data.modified().ok()?;
        let age = SystemTime::now().duration_since(modified).ok()?;
        (age > MIN_FILE_AGE).then_some(Self {
            length: data.len(),
            modified,
        })
    }
}

/// The records of files, each with the state of its file when it was read.
#[derive(Debug, Default)]
pub struct RecordCache {
    files: Mutex<BTreeMap<PathBuf, FileRecords>>,
    /// By thread, while it looks at many records at once: what it read of files too young for their state to be trusted.
    young_files: Mutex<HashMap<ThreadId, RecordsByFile>>,
}

/// What was read of files during one look.
type RecordsByFile = BTreeMap<PathBuf, Arc<Vec<End>>>;

/// The state of a file when it was read, and its records.
type FileRecords = (FileState, Arc<Vec<End>>);

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl RecordCache {
    /// The record, if there is one: as it was last read, where its file hasn't changed since.
    ///
    /// # Errors
    /// As [`RecordLocation::record`].
    pub fn record(&self, location: &RecordLocation) -> Result<Option<End>, StoreError> {
        let Some(state) = FileState::of(&location.file) else {
            return self.record_of_young_file(location);
        };
        let known = {
            let files = locked(&self.files);
            files
                .get(&location.file)
                .filter(|(s, _)| *s == state)
                .map(|(_, r)| Arc::clone(r))
        };
        let records = match known {
            Some(records) => records,
            None => {
                let read = Arc::new(all_records(&location.file)?);
                locked(&self.files).insert(location.file.clone(), (state, Arc::clone(&read)));
                read
            }
        };
        location.among_these(&records)
    }

    /// Looks at many records: while `look` runs, this thread reads no file twice, however new it is. Nothing may be written meanwhile.
    pub fn with_stable_files<T>(&self, look: impl FnOnce() -> T) -> T {
        let thread = std::thread::current().id();
        let outermost = locked(&self.young_files)
            .insert(thread, BTreeMap::new())
            .is_none();
        let seen = look();
        if outermost {
            locked(&self.young_files).remove(&thread);
        }
        seen
    }

    /// The record of a file too young for its state to be trusted.
    fn record_of_young_file(&self, location: &RecordLocation) -> Result<Option<End>, StoreError> {
        let thread = std::thread::current().id();
        let known = match locked(&self.young_files).get(&thread) {
            None => return location.record(),
            Some(read) => read.get(&location.file).map(Arc::clone),
        };
        let records = match known {
            Some(records) => records,
            None => {
                let read = match all_records(&location.file) {
                    Err(StoreError::Missing) => return Ok(None),
                    other => Arc::new(other?),
                };
                if let Some(look) = locked(&self.young_files).get_mut(&thread) {
                    look.insert(location.file.clone(), Arc::clone(&read));
                }
                read
            }
        };
        location.among_these(&records)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::EntryState;
    use crate::store::test_records::with;
    use crate::store::{save_proposal, write};

    #[test]
    fn one_look_reads_a_new_file_once() {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("a.end.json");
        let location = RecordLocation::from(path.clone());
        let cache = RecordCache::default();
        save_proposal(&path, &with(EntryState::Proposed, 0)).expect("saved");
        let text = String::from_utf8(std::fs::read(&path).expect("file")).expect("text");
        let newer = text.replace("\"revision\": 0", "\"revision\": 7");
        let revision = || cache.record(&location).expect("read").map(|e| e.revision);
        cache.with_stable_files(|| {
            assert_eq!(revision(), Some(0));
            write(&path, newer.as_bytes()).expect("written");
            assert_eq!(revision(), Some(0), "as it was when the look began");
        });
        assert_eq!(revision(), Some(7), "and anew after it");
    }

    #[test]
    fn what_was_read_counts_until_the_file_changes() {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("a.end.json");
        let location = RecordLocation::from(path.clone());
        let cache = RecordCache::default();
        assert_eq!(cache.record(&location).expect("read"), None);
        save_proposal(&path, &with(EntryState::Proposed, 0)).expect("saved");
        let old = SystemTime::now() - Duration::from_secs(60);
        let date = |time| {
            let file = std::fs::File::options()
                .write(true)
                .open(&path)
                .expect("file");
            file.set_modified(time).expect("dated");
        };
        let revision = || cache.record(&location).expect("read").map(|e| e.revision);
        date(old);
        assert_eq!((revision(), revision()), (Some(0), Some(0)));
        // the same length, just now: not the old one
        let text = String::from_utf8(std::fs::read(&path).expect("file")).expect("text");
        let newer = text.replace("\"revision\": 0", "\"revision\": 7");
        write(&path, newer.as_bytes()).expect("written");
        assert_eq!(revision(), Some(7));
        date(old + Duration::from_secs(1));
        assert_eq!(revision(), Some(7), "another state of the file");
        std::fs::remove_file(&path).expect("removed");
        assert_eq!(revision(), None);
    }
}

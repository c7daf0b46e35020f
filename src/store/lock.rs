//! One writer at a time: an advisory lock for each record and session file, held from reading to renaming, across processes.
//!
//! The file itself can't carry the lock, since each write replaces it. So a hidden file beside it does, `.NAME.bossmark-lock`, which is there
//! only while somebody writes. A process that ends for whatever reason gives its lock up; a lock file that it leaves is taken over
//! by the next writer.

use super::error::StoreError;
use super::files::{LOCK_ENDING, TEMPORARY_PREFIX, TEMPORARY_SUFFIX, is_device, is_folder};
use std::ffi::OsString;
use std::fs::{File, OpenOptions, TryLockError};
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// How long a writer waits for another one. Each holds the lock for some milliseconds, on slow network disks for seconds.
const LOCK_TIMEOUT: Duration = Duration::from_secs(30);
/// First and longest pause between two attempts.
const RETRY_PAUSES: [Duration; 2] = [Duration::from_millis(1), Duration::from_millis(20)];

/// The right to write a file, until it is dropped.
#[derive(Debug)]
pub struct FileLock {
    /// `None` where the file system has no locks: then there is only the revision check.
    held: Option<(PathBuf, File)>,
}

/// Waits for the lock of the file at `path`, which need not exist.
///
/// # Errors
/// When another process keeps it, or the lock file can't be made.
pub fn lock(path: &Path) -> Result<FileLock, StoreError> {
    let path = std::fs::canonicalize(path).unwrap_or_else(|_| path.to_path_buf());
    if is_device(&path) {
        return Ok(FileLock { held: None });
    }
    let beside = lock_file(&path);
    let start = Instant::now();
    let mut pause = RETRY_PAUSES[0];
    loop {
        if let Some(lock) = try_lock(&beside)? {
            return Ok(lock);
        }
        if start.elapsed() > LOCK_TIMEOUT {
            return Err(StoreError::Busy {
                seconds: LOCK_TIMEOUT.as_secs(),
            });
        }
        std::thread::sleep(pause);
        pause = (pause * 2).min(RETRY_PAUSES[1]);
    }
}

fn lock_file(path: &Path) -> PathBuf {
    let mut name = OsString::from(".");
    name.push(path.file_name().unwrap_or(path.as_os_str()));
    name.push(LOCK_ENDING);
    path.with_file_name(name)
}

/// One try; `None`: somebody else has it.
fn try_lock(beside: &Path) -> Result<Option<FileLock>, StoreError> {
    let made = OpenOptions::new().create(true).append(true).open(beside);
    // what another user left can be locked all the same
    let opened = match made.or_else(|error| File::open(beside).map_err(|_| error)) {
        Ok(opened) => opened,
        // it was removed while it was being opened
        Err(error) if error.kind() == io::ErrorKind::NotFound && has_folder(beside) => {
            return Ok(None);
        }
        // nothing can be written there either, and the attempt to write reports it
        Err(error) if is_unwritable(&error) => return Ok(Some(FileLock { held: None })),
        Err(error) => {
            return Err(StoreError::System {
                what: "written",
                error,
            });
        }
    };
    match opened.try_lock() {
        // the one before may have removed the file between our opening and locking it
        Ok(()) if is_still(beside, &opened) => Ok(Some(FileLock {
            held: Some((beside.to_owned(), opened)),
        })),
        Ok(()) | Err(TryLockError::WouldBlock) => Ok(None),
        Err(TryLockError::Error(_)) => {
            let _ = std::fs::remove_file(beside);
            Ok(Some(FileLock { held: None }))
        }
    }
}

fn has_folder(path: &Path) -> bool {
    path.parent().is_some_and(is_folder)
}

fn is_unwritable(error: &io::Error) -> bool {
    use io::ErrorKind::{NotADirectory, NotFound, PermissionDenied, ReadOnlyFilesystem};
    matches!(
        error.kind(),
        NotADirectory | NotFound | PermissionDenied | ReadOnlyFilesystem
    )
}

#[cfg(unix)]
fn is_still(path: &Path, opened: &File) -> bool {
    use std::os::unix::fs::MetadataExt;
    let id = |m: std::fs::Metadata| (m.dev(), m.ino());
    let there = std::fs::symlink_metadata(path).map(id);
    matches!((there, opened.metadata().map(id)), (Ok(a), Ok(b)) if a == b)
}

/// Elsewhere the file is never removed while others may wait for it.
#[cfg(not(unix))]
fn is_still(_path: &Path, _opened: &File) -> bool {
    true
}

/// Removes the temporary and lock files that killed processes left in this folder, and returns how many there were. Those of
/// running processes are locked, also by other machines, and stay.
pub fn clear_unfinished(folder: &Path) -> usize {
    let Ok(items) = std::fs::read_dir(folder) else {
        return 0;
    };
    let mut cleared = 0;
    for item in items.flatten() {
        let name = item.file_name();
        let name = name.to_string_lossy();
        let temporary = name.starts_with(TEMPORARY_PREFIX) && name.ends_with(TEMPORARY_SUFFIX);
        // where they stay after use, others may wait for them
        let lock = cfg!(unix) && name.starts_with('.') && name.ends_with(LOCK_ENDING);
        if !temporary && !lock {
            continue;
        }
        // another file may have the name by the time that this one is locked: a lock file that somebody else holds
        let abandoned = File::open(item.path()).is_ok_and(|file| {
            file.try_lock().is_ok() && is_still(&item.path(), &file) && {
                std::fs::remove_file(item.path()).is_ok()
            }
        });
        cleared += usize::from(abandoned);
    }
    cleared
}

impl Drop for FileLock {
    fn drop(&mut self) {
        if let Some((path, file)) = self.held.take() {
            // removed while still locked, so that nobody's lock file is removed
            if cfg!(unix) {
                let _ = std::fs::remove_file(path);
            }
            let _ = file.unlock();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicUsize, Ordering};

    #[test]
    fn one_at_a_time_holds_it_and_nothing_stays() {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("a.end.json");
        let (inside, sum) = (AtomicUsize::new(0), AtomicUsize::new(0));
        std::thread::scope(|scope| {
            for _ in 0..4 {
                scope.spawn(|| {
                    for _ in 0..100 {
                        let _lock = lock(&path).expect("lock");
                        assert_eq!(inside.fetch_add(1, Ordering::SeqCst), 0);
                        sum.fetch_add(1, Ordering::SeqCst);
                        inside.fetch_sub(1, Ordering::SeqCst);
                    }
                });
            }
        });
        assert_eq!(sum.into_inner(), 400);
        let left = std::fs::read_dir(folder.path()).expect("list").count();
        assert_eq!(left, usize::from(!cfg!(unix)));
    }

    #[test]
    fn what_a_killed_writer_left_is_taken_over() {
        let folder = tempfile::tempdir().expect("folder");
        std::fs::write(folder.path().join(".a.json.bossmark-lock"), "").expect("written");
        drop(lock(&folder.path().join("a.json")).expect("lock"));
        lock(&folder.path().join("none/a.json")).expect("nothing can be written there");
    }

    #[test]
    fn temporary_files_of_killed_processes_go_and_those_of_running_ones_stay() {
        let folder = tempfile::tempdir().expect("folder");
        let at = |name: &str| folder.path().join(name);
        std::fs::write(at(".bossmark-dead.tmp"), b"half").expect("written");
        std::fs::write(at(".bossmark-alive.tmp"), b"half").expect("written");
        std::fs::write(at(".other.tmp"), b"not ours").expect("written");
        let alive = std::fs::File::open(at(".bossmark-alive.tmp")).expect("file");
        alive.lock().expect("locked");
        assert_eq!(clear_unfinished(folder.path()), 1);
        assert!(!at(".bossmark-dead.tmp").exists());
        assert!(at(".bossmark-alive.tmp").exists() && at(".other.tmp").exists());
        drop(alive);
        assert_eq!(clear_unfinished(folder.path()), 1);
        assert_eq!(clear_unfinished(&at("none")), 0);
    }

    /// Clearing away never removes a lock file that a writer is about to use.
    #[test]
    fn clearing_away_disturbs_no_writer() {
        /// Counts a writer that has ended, whether it got all its locks or panicked.
        struct Ended<'a>(&'a AtomicUsize);
        impl Drop for Ended<'_> {
            fn drop(&mut self) {
                self.0.fetch_add(1, Ordering::SeqCst);
            }
        }
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("a.json");
        let (inside, done) = (AtomicUsize::new(0), AtomicUsize::new(0));
        std::thread::scope(|scope| {
            for _ in 0..3 {
                scope.spawn(|| {
                    let _ended = Ended(&done);
                    for _ in 0..300 {
                        let _lock = lock(&path).expect("lock");
                        assert_eq!(inside.fetch_add(1, Ordering::SeqCst), 0);
                        std::thread::yield_now();
                        inside.fetch_sub(1, Ordering::SeqCst);
                    }
                });
            }
            scope.spawn(|| {
                while done.load(Ordering::SeqCst) < 3 {
                    clear_unfinished(folder.path());
                }
            });
        });
    }
}

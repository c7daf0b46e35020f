//! Reading and writing whole files.
//!
//! A file is written under another name in the same folder, flushed to the disk, and then renamed. So there is always either the
//! old file or the new one, never half of one. What is not a regular file, such as `/dev/null`, is written to directly.

use super::error::StoreError;
use std::fs;
use std::io::{self, Read, Seek, Write};
use std::path::{Path, PathBuf};

/// The start and the end of a file's name while it is being written.
pub(super) const TEMPORARY_PREFIX: &str = ".bossmark-";
pub(super) const TEMPORARY_SUFFIX: &str = ".tmp";

/// The end of a lock file's name.
pub(super) const LOCK_ENDING: &str = ".bossmark-lock";

/// How many times a write is tried when another process has cleared its temporary file away.
const MAX_ATTEMPTS: usize = 20;

/// Reads a whole file.
///
/// # Errors
/// When it isn't there, is a folder, or can't be read.
pub fn read(path: &Path) -> Result<Vec<u8>, StoreError> {
    if path.is_dir() {
        return Err(StoreError::Folder);
    }
    fs::read(path).map_err(|error| match error.kind() {
        io::ErrorKind::NotFound | io::ErrorKind::NotADirectory => StoreError::Missing,
        _ => StoreError::System {
            what: "read",
            error,
        },
    })
}

/// Writes a whole file, or leaves the old one untouched. A link stays a link: the file that it leads to is written. A device or a
/// pipe can't be replaced, so it is written to directly.
///
/// # Errors
/// When the path is a folder, its folder doesn't exist, or the system refuses.
pub fn write(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    let path = &fs::canonicalize(path).unwrap_or_else(|_| path.to_path_buf());
    if path.is_dir() {
        return Err(StoreError::Folder);
    }
    if is_device(path) {
        let written = fs::OpenOptions::new().write(true).open(path);
        let written = written.and_then(|mut file| file.write_all(bytes));
        return written.map_err(|error| StoreError::System {
            what: "written",
            error,
        });
    }
    let mut attempt = 1;
    loop {
        match write_once(path, bytes) {
            Ok(()) => return Ok(()),
            // another process ran `clear_unfinished` between our creating the file and locking it
            Err(error) if error.kind() == io::ErrorKind::NotFound && attempt < MAX_ATTEMPTS => {
                attempt += 1;
            }
            Err(error) => {
                return Err(StoreError::System {
                    what: "written",
                    error,
                });
            }
        }
    }
}

/// Writes a new file, whole or not at all; `false` where there is one of that name already.
///
/// # Errors
/// When the folder doesn't exist or the system refuses.
pub fn write_new(path: &Path, bytes: &[u8]) -> Result<bool, StoreError> {
    let file = temporary(path, bytes).map_err(unwritten)?;
    unlock_for_readers(&file);
    match file.persist_noclobber(path) {
        Ok(_) => Ok(true),
        Err(e) if e.error.kind() == io::ErrorKind::AlreadyExists => Ok(false),
        Err(e) => Err(unwritten(e.error)),
    }
}

/// Whether this is a device or a pipe: it holds nothing that could be lost, and reading it may block forever.
#[must_use]
pub fn is_device(path: &Path) -> bool {
    path.exists() && !path.is_file() && !path.is_dir()
}

/// Whether there is anything of this path.
#[must_use]
pub fn exists(path: &Path) -> bool {
    path.exists()
}

/// Whether files can be made in a folder of this path: it is there.
pub(super) fn is_folder(path: &Path) -> bool {
    path == Path::new("") || path.is_dir()
}

/// Whether there is a file of this path.
pub(super) fn is_file(path: &Path) -> bool {
    path.is_file()
}

/// The files in a folder, or the folders in it without links, hidden ones too, in no particular order.
///
/// # Errors
/// When the folder isn't there, is a file, or can't be read.
pub(super) fn list(folder: &Path, folders: bool) -> Result<Vec<PathBuf>, StoreError> {
    if folder.is_file() {
        return Err(StoreError::NoFolder);
    }
    let mut found = Vec::new();
    for item in fs::read_dir(folder).map_err(list_error)? {
        let item = item.map_err(list_error)?;
        // most systems list the type with the name; only a link has to be followed
        let wanted = item.file_type().is_ok_and(|kind| {
            if folders {
                kind.is_dir()
            } else {
                kind.is_file() || (kind.is_symlink() && item.path().is_file())
            }
        });
        if wanted {
            found.push(item.path());
        }
    }
    Ok(found)
}

fn list_error(error: io::Error) -> StoreError {
    match error.kind() {
        io::ErrorKind::NotFound => StoreError::Missing,
        _ => StoreError::System {
            what: "read",
            error,
        },
    }
}

fn write_once(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let file = temporary(path, bytes)?;
    attempt(WriteStep::Rename)?;
    unlock_for_readers(&file);
    file.persist(path).map_err(|e| e.error)?;
    Ok(())
}

/// Windows' locks keep readers out too: the file must have none when it gets its name.
fn unlock_for_readers(file: &tempfile::NamedTempFile) {
    if cfg!(windows) {
        let _ = file.as_file().unlock();
    }
}

/// A step of a write.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum WriteStep {
    /// The temporary file is made.
    Create,
    /// It is filled.
    Fill,
    /// It goes to the disk.
    Sync,
    /// It gets the file's name.
    Rename,
}

/// Comes before each step, for tests in which the system fails.
#[cfg(not(test))]
const fn attempt(_step: WriteStep) -> io::Result<()> {
    Ok(())
}

#[cfg(test)]
fn attempt(step: WriteStep) -> io::Result<()> {
    if faults::FAILING.get() == Some(step) {
        return Err(io::ErrorKind::StorageFull.into());
    }
    Ok(())
}

#[cfg(test)]
pub(crate) mod faults {
    //! Lets writes of this thread fail.
    use super::WriteStep;
    use std::cell::Cell;

    thread_local! {
        /// The step at which they fail.
        pub(super) static FAILING: Cell<Option<WriteStep>> = const { Cell::new(None) };
    }

    /// All steps.
    pub(crate) const STEPS: [WriteStep; 4] = [
        WriteStep::Create,
        WriteStep::Fill,
        WriteStep::Sync,
        WriteStep::Rename,
    ];

    /// Calls `then` while writes fail at this step.
    pub(crate) fn failing_at<T>(step: WriteStep, then: impl FnOnce() -> T) -> T {
        FAILING.set(Some(step));
        let result = then();
        FAILING.set(None);
        result
    }
}

/// The bytes in a temporary file beside `path`, on the disk.
fn temporary(path: &Path, bytes: &[u8]) -> io::Result<tempfile::NamedTempFile> {
    let folder = match path.parent() {
        Some(folder) if folder != Path::new("") => folder,
        _ => Path::new("."),
    };
    let mut builder = tempfile::Builder::new();
    builder.prefix(TEMPORARY_PREFIX).suffix(TEMPORARY_SUFFIX);
    // permissions of an ordinary file; `tempfile` would let only the owner read it
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    attempt(WriteStep::Create)?;
    let mut file = builder.tempfile_in(folder)?;
    // the lock ends with the process, so a temporary file without one can be cleared away. A file system without locks
    // just keeps such files
    let _ = file.as_file().try_lock();
    attempt(WriteStep::Fill)?;
    file.write_all(bytes)?;
    // those of the file that is replaced stay, such as that only its owner may read it
    if let Ok(there) = fs::metadata(path) {
        file.as_file().set_permissions(there.permissions())?;
    }
    attempt(WriteStep::Sync)?;
    file.as_file().sync_all()?;
    Ok(file)
}

/// A file that arrives piece by piece. It has no name that anybody looks for, and goes when this is dropped.
#[derive(Debug)]
pub struct IncomingFile(tempfile::NamedTempFile);

impl IncomingFile {
    /// An empty one in this folder.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn new(folder: &Path) -> Result<Self, StoreError> {
        let mut builder = tempfile::Builder::new();
        let made = builder
            .prefix(TEMPORARY_PREFIX)
            .suffix(TEMPORARY_SUFFIX)
            .tempfile_in(folder);
        let file = made.map_err(unwritten)?;
        let _ = file.as_file().try_lock();
        Ok(Self(file))
    }

    /// Adds a piece.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn append(&mut self, piece: &[u8]) -> Result<(), StoreError> {
        self.0.write_all(piece).map_err(unwritten)
    }

    /// All of it.
    ///
    /// # Errors
    /// When it can't be read.
    pub fn read(&self) -> Result<Vec<u8>, StoreError> {
        // by the handle that has the lock: some systems let no other one read
        let (mut file, mut bytes) = (self.0.as_file(), Vec::new());
        let read = file.rewind().and_then(|()| file.read_to_end(&mut bytes));
        read.map_err(|error| StoreError::System {
            what: "read",
            error,
        })?;
        Ok(bytes)
    }
}

fn unwritten(error: io::Error) -> StoreError {
    StoreError::System {
        what: "written",
        error,
    }
}

/// Appends to an existing file, without flushing to the disk: for data whose loss does no harm.
///
/// # Errors
/// When there is no such file, or the system refuses.
pub fn append(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    let appended = fs::OpenOptions::new()
        .append(true)
        .open(path)
        .and_then(|mut file| file.write_all(bytes));
    appended.map_err(|error| match error.kind() {
        io::ErrorKind::NotFound => StoreError::Missing,
        _ => StoreError::System {
            what: "written",
            error,
        },
    })
}

/// Makes a folder, and those above it that don't exist.
///
/// # Errors
/// When a file is in the way or the system refuses.
pub fn make_folder(path: &Path) -> Result<(), StoreError> {
    if path.is_file() {
        return Err(StoreError::NoFolder);
    }
    fs::create_dir_all(path).map_err(|error| StoreError::System {
        what: "written",
        error,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::save_output;

    fn folder() -> tempfile::TempDir {
        tempfile::tempdir().expect("temporary folder")
    }

    #[cfg(unix)]
    #[test]
    fn a_link_stays_a_link_and_a_pipe_a_pipe() {
        use std::os::unix::fs::{FileTypeExt, symlink};
        let folder = folder();
        let at = |name: &str| folder.path().join(name);
        fs::create_dir(at("elsewhere")).expect("folder");
        fs::write(at("elsewhere/there"), "old").expect("file");
        symlink("elsewhere/there", at("link")).expect("link");
        write(&at("link"), b"new").expect("written");
        assert!(at("link").is_symlink());
        assert_eq!(read(&at("elsewhere/there")).expect("file"), b"new");

        let made = std::process::Command::new("mkfifo")
            .arg(at("pipe"))
            .status();
        assert!(made.expect("mkfifo").success());
        let pipe = at("pipe");
        let reader = std::thread::spawn(move || fs::read(pipe));
        save_output(&at("pipe"), b"through").expect("written");
        let kind = fs::symlink_metadata(at("pipe")).expect("there").file_type();
        assert!(kind.is_fifo());
        assert_eq!(reader.join().expect("thread").expect("read"), b"through");
    }

    #[test]
    fn a_system_that_fails_leaves_the_old_file_and_nothing_else() {
        let folder = folder();
        let path = folder.path().join("a.json");
        write(&path, b"old").expect("written");
        for step in faults::STEPS {
            let failed = faults::failing_at(step, || write(&path, b"new"));
            assert!(
                matches!(
                    failed,
                    Err(StoreError::System {
                        what: "written",
                        ..
                    })
                ),
                "{step:?}"
            );
            assert_eq!(read(&path).expect("file"), b"old", "{step:?}");
            assert_eq!(
                fs::read_dir(folder.path()).expect("list").count(),
                1,
                "{step:?}"
            );
        }
        write(&path, b"new").expect("written");
    }

    #[cfg(unix)]
    #[test]
    fn permissions_of_a_file_that_is_rewritten_stay() {
        use std::os::unix::fs::PermissionsExt;
        let folder = folder();
        let path = folder.path().join("a.json");
        write(&path, b"old").expect("written");
        for mode in [0o600, 0o640, 0o664] {
            fs::set_permissions(&path, fs::Permissions::from_mode(mode)).expect("set");
            write(&path, b"new").expect("written");
            let now = fs::metadata(&path).expect("there").permissions().mode();
            assert_eq!(now & 0o777, mode);
        }
    }

    #[test]
    fn a_new_file_never_replaces_one() {
        let folder = folder();
        let path = folder.path().join("photo-1.jpg");
        assert!(write_new(&path, b"one").expect("written"));
        assert!(!write_new(&path, b"two").expect("not written"));
        assert_eq!(read(&path).expect("file"), b"one");
        assert_eq!(fs::read_dir(folder.path()).expect("list").count(), 1);
    }
}

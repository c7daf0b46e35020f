//! Reading and writing whole files.
//!
//! A file is written under another name in the same folder, flushed to the disk, and then renamed. So there is always either the
//! old file or the new one, never half of one. What is not a regular file, such as `/dev/null`, is written to directly.

use super::error::StoreError;
use std::fs;
use std::io::{self, Write};
use std::path::Path;

/// The start and the end of a file's name while it is being written.
const TEMPORARY_PREFIX: &str = ".bossmark-";
const TEMPORARY_SUFFIX: &str = ".tmp";

/// How many times a write is tried when another process has cleared its temporary file away.
const MAX_ATTEMPTS: usize = 3;

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
    if is_special(path) {
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

/// Whether this is a device or a pipe: it holds nothing that could be lost, and reading it may block forever.
pub(super) fn is_special(path: &Path) -> bool {
    path.exists() && !path.is_file() && !path.is_dir()
}

fn write_once(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let folder = match path.parent() {
        Some(folder) if folder != Path::new("") => folder,
        _ => Path::new("."),
    };
    let mut builder = tempfile::Builder::new();
    builder.prefix(TEMPORARY_PREFIX).suffix(TEMPORARY_SUFFIX);
    // permissions of an ordinary file; `tempfile` would let only the owner read it
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    let mut file = builder.tempfile_in(folder)?;
    // the lock ends with the process, so a temporary file without one can be cleared away. A file system without locks
    // just keeps such files
    let _ = file.as_file().try_lock();
    file.write_all(bytes)?;
    file.as_file().sync_all()?;
    file.persist(path).map_err(|e| e.error)?;
    Ok(())
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

/// Removes the temporary files that killed processes left in this folder, and returns how many there were. Those of running
/// processes are locked, also by other machines, and stay.
pub fn clear_unfinished(folder: &Path) -> usize {
    let Ok(items) = fs::read_dir(folder) else {
        return 0;
    };
    let mut cleared = 0;
    for item in items.flatten() {
        let name = item.file_name();
        let name = name.to_string_lossy();
        if !name.starts_with(TEMPORARY_PREFIX) || !name.ends_with(TEMPORARY_SUFFIX) {
            continue;
        }
        let abandoned = fs::File::open(item.path()).is_ok_and(|file| file.try_lock().is_ok());
        if abandoned && fs::remove_file(item.path()).is_ok() {
            cleared += 1;
        }
    }
    cleared
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
    use crate::store::save_document;

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
        save_document(&at("pipe"), b"through").expect("written");
        let kind = fs::symlink_metadata(at("pipe")).expect("there").file_type();
        assert!(kind.is_fifo());
        assert_eq!(reader.join().expect("thread").expect("read"), b"through");
    }

    #[test]
    fn temporary_files_of_killed_processes_go_and_those_of_running_ones_stay() {
        let folder = folder();
        let at = |name: &str| folder.path().join(name);
        fs::write(at(".bossmark-dead.tmp"), b"half").expect("written");
        fs::write(at(".bossmark-alive.tmp"), b"half").expect("written");
        fs::write(at(".other.tmp"), b"not ours").expect("written");
        let alive = fs::File::open(at(".bossmark-alive.tmp")).expect("file");
        alive.lock().expect("locked");
        assert_eq!(clear_unfinished(folder.path()), 1);
        assert!(!at(".bossmark-dead.tmp").exists());
        assert!(at(".bossmark-alive.tmp").exists() && at(".other.tmp").exists());
        drop(alive);
        assert_eq!(clear_unfinished(folder.path()), 1);
        assert_eq!(clear_unfinished(&at("none")), 0);
    }
}

//! Reading and writing in a browser, where all files are in memory.

use crate::store::error::StoreError;
use crate::store::memory::{ChangedFile, MemoryFiles};
use std::cell::RefCell;
use std::path::{Path, PathBuf};

thread_local! {
    /// The files of this worker.
    static FILES: RefCell<MemoryFiles> = RefCell::default();
}

/// Puts a file in as it is kept outside. `None`: its bytes are not needed now.
pub fn put(path: PathBuf, bytes: Option<Vec<u8>>) {
    FILES.with_borrow_mut(|f| f.insert_stored(path, bytes));
}

/// Forgets the bytes of a file that is kept outside.
pub fn put_away(path: &Path) {
    FILES.with_borrow_mut(|f| f.drop_bytes(path));
}

/// The files that were written or removed since the last call.
pub fn take_changes() -> Vec<ChangedFile> {
    FILES.with_borrow_mut(MemoryFiles::take_changes)
}

/// Reads a whole file.
///
/// # Errors
/// When it isn't there, is a folder, or its bytes are not at hand.
pub fn read(path: &Path) -> Result<Vec<u8>, StoreError> {
    FILES.with_borrow(|f| f.read(path))
}

/// Writes a whole file.
///
/// # Errors
/// When the path is a folder.
pub fn write(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    FILES.with_borrow_mut(|f| f.write(path, bytes))
}

/// Writes a new file; `false` where there is one of that name already.
///
/// # Errors
/// When the path is a folder.
pub fn write_new(path: &Path, bytes: &[u8]) -> Result<bool, StoreError> {
    if is_file(path) {
        return Ok(false);
    }
    write(path, bytes).map(|()| true)
}

/// Files have paths alone: a folder is wherever one is made.
pub(super) fn is_folder(_path: &Path) -> bool {
    true
}

/// There are no devices here.
#[must_use]
pub fn is_device(_path: &Path) -> bool {
    false
}

/// Appends to an existing file.
///
/// # Errors
/// When there is no such file.
pub fn append(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    FILES.with_borrow_mut(|f| f.append(path, bytes))
}

/// Folders come with the files in them.
///
/// # Errors
/// When a file is in the way.
pub fn make_folder(path: &Path) -> Result<(), StoreError> {
    if is_file(path) {
        return Err(StoreError::NoFolder);
    }
    Ok(())
}

/// Whether there is anything of this path.
#[must_use]
pub fn exists(path: &Path) -> bool {
    is_file(path)
}

/// Whether there is a file of this path.
pub(in crate::store) fn is_file(path: &Path) -> bool {
    FILES.with_borrow(|f| f.is_file(path))
}

/// The files in a folder, or the folders in it, hidden ones too, in no particular order.
///
/// # Errors
/// When the folder is a file.
pub(in crate::store) fn list(folder: &Path, folders: bool) -> Result<Vec<PathBuf>, StoreError> {
    if is_file(folder) {
        return Err(StoreError::NoFolder);
    }
    if folders {
        return Ok(Vec::new());
    }
    Ok(FILES.with_borrow(|f| f.in_folder(folder)))
}

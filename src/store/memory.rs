//! Files kept in memory, for a browser: it has no disk, and what it keeps it gives and takes only while the program waits.
//!
//! What runs the program there puts the files in before a call, and takes what the call has changed after it. A file may be
//! known by its name alone, as a photo whose bytes are not needed.

use super::error::StoreError;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// A file that was written or removed: its path, and its bytes unless it is gone.
pub(super) type ChangedFile = (PathBuf, Option<Vec<u8>>);

/// The files. There are no empty folders, and a folder is there while it holds a file.
#[derive(Debug, Default)]
pub(super) struct MemoryFiles {
    /// The bytes of each; `None` where only the name is known.
    files: BTreeMap<PathBuf, Option<Vec<u8>>>,
    changed: BTreeSet<PathBuf>,
}

impl MemoryFiles {
    /// Puts a file in as it is kept outside. `None`: its bytes are not needed now.
    pub(super) fn insert_stored(&mut self, path: PathBuf, bytes: Option<Vec<u8>>) {
        self.changed.remove(&path);
        self.files.insert(path, bytes);
    }

    /// Forgets the bytes of a file that is kept outside.
    pub(super) fn drop_bytes(&mut self, path: &Path) {
        if let Some(bytes) = self
            .files
            .get_mut(path)
            .filter(|_| !self.changed.contains(path))
        {
            *bytes = None;
        }
    }

    /// The files that were written or removed since the last call.
    pub(super) fn take_changes(&mut self) -> Vec<ChangedFile> {
        let changed = std::mem::take(&mut self.changed);
        let with_bytes = |path: PathBuf| {
            let bytes = self.files.get(&path).cloned().flatten();
            (path, bytes)
        };
        changed.into_iter().map(with_bytes).collect()
    }

    /// A file's bytes.
    pub(super) fn read(&self, path: &Path) -> Result<Vec<u8>, StoreError> {
        match self.files.get(path) {
            Some(Some(bytes)) => Ok(bytes.clone()),
            Some(None) => Err(unread()),
            None if self.is_folder(path) => Err(StoreError::Folder),
            None => Err(StoreError::Missing),
        }
    }

    /// Writes a file.
    pub(super) fn write(&mut self, path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
        if self.is_folder(path) {
            return Err(StoreError::Folder);
        }
        self.files.insert(path.to_owned(), Some(bytes.to_vec()));
        self.changed.insert(path.to_owned());
        Ok(())
    }

    /// Appends to a file that is there.
    pub(super) fn append(&mut self, path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
        match self.files.get_mut(path) {
            Some(Some(there)) => there.extend_from_slice(bytes),
            Some(None) => return Err(unread()),
            None => return Err(StoreError::Missing),
        }
        self.changed.insert(path.to_owned());
        Ok(())
    }

    /// Whether there is a file of this path.
    pub(super) fn is_file(&self, path: &Path) -> bool {
        self.files.contains_key(path)
    }

    fn is_folder(&self, path: &Path) -> bool {
        self.files.keys().any(|f| f.parent() == Some(path))
    }

    /// The files in a folder.
    pub(super) fn in_folder(&self, folder: &Path) -> Vec<PathBuf> {
        let own = |f: &&PathBuf| f.parent() == Some(folder);
        self.files.keys().filter(own).cloned().collect()
    }
}

/// A file of which only the name is known.
fn unread() -> StoreError {
    StoreError::System {
        what: "read",
        error: std::io::Error::other("its bytes are not at hand"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_written_is_taken_once() {
        let mut files = MemoryFiles::default();
        let at = |name: &str| PathBuf::from("day").join(name);
        files.insert_stored(at("photo-1.jpg"), None);
        files.insert_stored(at("session.json"), Some(b"{}".to_vec()));
        assert!(files.take_changes().is_empty());
        files.write(&at("a.end.json"), b"a").expect("written");
        files.append(&at("a.end.json"), b"b").expect("appended");
        assert_eq!(
            files.take_changes(),
            [(at("a.end.json"), Some(b"ab".to_vec()))]
        );
        assert!(files.take_changes().is_empty());
        assert_eq!(
            files.in_folder(Path::new("day")),
            [at("a.end.json"), at("photo-1.jpg"), at("session.json")]
        );
    }

    #[test]
    fn a_file_known_by_its_name_is_there_and_cant_be_read() {
        let mut files = MemoryFiles::default();
        let photo = Path::new("photo-1.jpg");
        files.insert_stored(photo.to_owned(), Some(b"pixels".to_vec()));
        assert_eq!(files.read(photo).expect("bytes"), b"pixels");
        files.drop_bytes(photo);
        assert!(files.is_file(photo));
        assert!(matches!(files.read(photo), Err(StoreError::System { .. })));
        // what is kept nowhere else stays
        files.write(photo, b"new").expect("written");
        files.drop_bytes(photo);
        assert_eq!(files.read(photo).expect("bytes"), b"new");
        assert!(matches!(
            files.read(Path::new("none")),
            Err(StoreError::Missing)
        ));
        assert!(matches!(
            files.append(Path::new("none"), b""),
            Err(StoreError::Missing)
        ));
    }
}

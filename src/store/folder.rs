//! What is in a folder: photos, records, set-up files, lens profiles, and which name belongs to which.

use super::error::StoreError;
use super::files::{is_file, list};
use crate::record::End;
use std::cmp::Ordering;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};

/// Endings of files that are taken for photos, in lower case. HEIC is one of them: its message says how to convert it.
const PHOTO_ENDINGS: [&str; 7] = ["jpg", "jpeg", "jpe", "png", "heic", "heif", "avif"];
/// Endings of other pictures, in lower case: scans, exports, and what cameras save unprocessed.
const OTHER_PICTURE_ENDINGS: [&str; 8] = ["webp", "tif", "tiff", "gif", "bmp", "jxl", "jp2", "dng"];
/// Ending of a record's file name. The rest is the photo's name without its own ending.
pub const RECORD_ENDING: &str = ".end.json";
/// Ending of a set-up file's name. The rest is the photo's name without its own ending.
pub const SETUP_ENDING: &str = ".setup.json";

/// How many levels of folders are searched below the one named. Nobody files records so deep, but mounts may form a loop.
const MAX_DEPTH: usize = 32;

/// The photo of a record, if it lies beside it under the name that the record gives. Anybody may have written that name, so only
/// its last component is used.
#[must_use]
pub fn photo_of(record: &Path, end: &End) -> Option<PathBuf> {
    let named = end
        .photo
        .as_ref()?
        .file
        .rsplit(['/', '\\'])
        .next()?
        .to_owned();
    let path = record.with_file_name(named);
    (is_photo_name(&path) && is_file(&path)).then_some(path)
}

/// Names that start with a dot belong to the system or to other programs.
fn is_hidden(name: &OsStr) -> bool {
    name.as_encoded_bytes().starts_with(b".")
}

fn files(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    Ok(named(list(folder, false)?))
}

/// Those without hidden names, ordered: the system lists them in no particular order.
fn named(mut found: Vec<PathBuf>) -> Vec<PathBuf> {
    found.retain(|p| p.file_name().is_some_and(|name| !is_hidden(name)));
    found.sort_by(|a, b| by_bytes(a, b));
    found
}

fn by_bytes(a: &Path, b: &Path) -> Ordering {
    a.as_os_str()
        .as_encoded_bytes()
        .cmp(b.as_os_str().as_encoded_bytes())
}

/// Whether a file's ending says that it is a photo.
#[must_use]
pub fn is_photo_name(path: &Path) -> bool {
    has_ending(path, &PHOTO_ENDINGS)
}

fn has_ending(path: &Path, endings: &[&str]) -> bool {
    let ending = path.extension().and_then(OsStr::to_str);
    ending.is_some_and(|e| endings.contains(&e.to_ascii_lowercase().as_str()))
}

/// The photos of a folder (not of those below it), ordered by the bytes of their names.
///
/// # Errors
/// When the folder isn't there, is a file, or can't be read.
pub fn photos(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut found = files(folder)?;
    found.retain(|p| is_photo_name(p));
    Ok(found)
}

/// The pictures of a folder that aren't read, for their format, ordered by the bytes of their names.
///
/// # Errors
/// As [`photos`].
pub fn pictures_in_other_formats(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut found = files(folder)?;
    found.retain(|p| has_ending(p, &OTHER_PICTURE_ENDINGS));
    Ok(found)
}

/// The folders in a folder that hold photos themselves, ordered by the bytes of their names, without hidden ones and links.
///
/// # Errors
/// As [`photos`].
pub fn folders_with_photos(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut found = Vec::new();
    for inner in folders(folder)? {
        if !photos(&inner)?.is_empty() {
            found.push(inner);
        }
    }
    Ok(found)
}

/// The folders in a folder, ordered by the bytes of their names, without hidden ones and links.
fn folders(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    Ok(named(list(folder, true)?))
}

/// All record files in a folder and the folders below it: first a folder's own, then those of its folders, each ordered by name.
///
/// # Errors
/// When the folder itself can't be read. Folders below it that can't be read are skipped.
pub fn records_below(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut found = records(folder)?;
    let mut pending: Vec<(PathBuf, usize)> = Vec::new();
    let push = |pending: &mut Vec<(PathBuf, usize)>, folder: &Path, depth: usize| {
        if depth < MAX_DEPTH {
            let inner = folders(folder).unwrap_or_default();
            pending.extend(inner.into_iter().rev().map(|f| (f, depth + 1)));
        }
    };
    push(&mut pending, folder, 0);
    while let Some((next, depth)) = pending.pop() {
        found.extend(records(&next).unwrap_or_default());
        push(&mut pending, &next, depth);
    }
    Ok(found)
}

/// The record files of a folder (`NAME.end.json`), ordered by the bytes of their names.
///
/// # Errors
/// As [`photos`].
pub fn records(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut found = files(folder)?;
    found.retain(|p| name_of(p).ends_with(RECORD_ENDING));
    Ok(found)
}

/// The set-up files of a folder (`NAME.setup.json`), ordered by the bytes of their names.
///
/// # Errors
/// As [`photos`].
pub fn setup_files(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut found = files(folder)?;
    found.retain(|p| name_of(p).ends_with(SETUP_ENDING));
    Ok(found)
}

/// The lens profiles of a folder (`NAME.lens.json`), ordered by the bytes of their names.
///
/// # Errors
/// As [`photos`].
pub fn lens_profiles(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut found = files(folder)?;
    found.retain(|p| name_of(p).ends_with(crate::lens::ENDING));
    Ok(found)
}

/// The last component of a path, for records and messages.
#[must_use]
pub fn name_of(path: &Path) -> String {
    path.file_name()
        .unwrap_or(path.as_os_str())
        .to_string_lossy()
        .into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{make_folder, write};

    fn folder() -> tempfile::TempDir {
        tempfile::tempdir().expect("temporary folder")
    }

    #[test]
    fn records_are_found_below_a_folder_but_not_behind_hidden_names() {
        let folder = folder();
        for name in [
            "b/two.end.json",
            "b/c/three.end.json",
            "a/photo.jpg",
            ".hidden/four.end.json",
            "one.end.json",
        ] {
            let path = folder.path().join(name);
            make_folder(path.parent().expect("folder")).expect("made");
            write(&path, b"x").expect("written");
        }
        let names = |found: Vec<PathBuf>| found.iter().map(|p| name_of(p)).collect::<Vec<_>>();
        assert_eq!(
            names(records_below(folder.path()).expect("records")),
            ["one.end.json", "two.end.json", "three.end.json"]
        );
        assert_eq!(
            names(folders_with_photos(folder.path()).expect("folders")),
            ["a"]
        );
    }

    #[test]
    fn photos_are_ordered_by_name() {
        let folder = folder();
        for name in [
            "b.JPG",
            "a.jpg",
            "a.png",
            "a.end.json",
            ".hidden.jpg",
            "notes.txt",
        ] {
            write(&folder.path().join(name), b"x").expect("written");
        }
        let found = photos(folder.path()).expect("photos");
        assert_eq!(
            found.iter().map(|p| name_of(p)).collect::<Vec<_>>(),
            ["a.jpg", "a.png", "b.JPG"]
        );
        assert_eq!(records(folder.path()).expect("records").len(), 1);
    }
}

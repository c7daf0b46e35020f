//! Which record belongs to which photo: the one that holds the photo's fingerprint, whatever the files are called.

use super::content::record_at;
use super::error::StoreError;
use super::files::exists;
use super::folder::{RECORD_ENDING, records};
use std::collections::{BTreeMap, BTreeSet};
use std::ffi::{OsStr, OsString};
use std::path::{Path, PathBuf};

/// A photo, and the SHA-256 of its bytes; `None` where they can't be read.
pub type PhotoFile = (PathBuf, Option<String>);

/// Where a photo's record is, or will be.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RecordPath {
    /// The path.
    pub path: PathBuf,
    /// Whether this photo's record is there.
    pub exists: bool,
    /// Whether the path is one that the photo's own name leads to.
    pub own_name: bool,
    /// The path of the photo's name, where another photo's record is in the way, or will be.
    pub taken: Option<PathBuf>,
}

impl RecordPath {
    /// What to tell the user where another photo's record has the name.
    #[must_use]
    pub fn message(&self) -> Option<String> {
        let name = |path: &Path| super::name_of(path);
        let taken = self.taken.as_deref().map(name)?;
        let kept = if self.exists { "is in" } else { "goes to" };
        Some(format!(
            "{taken} is the name of another photo's record, so this one's {kept} {}",
            name(&self.path)
        ))
    }
}

/// The record of each photo: the one that holds its fingerprint. A photo without one gets a free path beside it, or in `folder`:
/// `NAME.end.json`, or where that is another's, `NAME.ENDING.end.json` or `NAME.FINGERPRINT.end.json`.
#[must_use]
pub fn record_paths(photos: &[PhotoFile], folder: Option<&Path>) -> Vec<RecordPath> {
    let mut indexes: BTreeMap<PathBuf, BTreeMap<String, PathBuf>> = BTreeMap::new();
    let mut taken: BTreeSet<PathBuf> = BTreeSet::new();
    let mut paths: Vec<RecordPath> = Vec::new();
    for (nth, (photo, fingerprint)) in photos.iter().enumerate() {
        let names = names(photo, fingerprint.as_deref(), folder);
        let mut found = by_name(&names, fingerprint.as_deref(), &taken);
        if !found.exists
            && let Some(fingerprint) = fingerprint
        {
            let place = found.path.parent().unwrap_or(Path::new("")).to_owned();
            // the same photo twice has one record
            let mut before = photos.iter().take(nth).zip(&paths);
            let twin = before.find(|((_, f), p)| {
                f.as_ref() == Some(fingerprint) && p.path.parent() == Some(&place)
            });
            let index = indexes.entry(place).or_insert_with_key(|p| index(p));
            if let Some(path) = index.get(fingerprint) {
                found = RecordPath {
                    path: path.clone(),
                    exists: true,
                    own_name: false,
                    taken: None,
                };
            } else if let Some((_, there)) = twin {
                found = there.clone();
            }
        }
        taken.insert(found.path.clone());
        paths.push(found);
    }
    paths
}

/// The paths that a photo's name leads to, the shortest first.
fn names(photo: &Path, fingerprint: Option<&str>, folder: Option<&Path>) -> Vec<PathBuf> {
    let path = |name: OsString| match folder {
        Some(folder) => folder.join(name),
        None => photo.with_file_name(name),
    };
    let with = |name: &OsStr, more: &str| {
        let mut name = name.to_os_string();
        name.push(more);
        name.push(RECORD_ENDING);
        path(name)
    };
    let stem = photo.file_stem().unwrap_or(photo.as_os_str());
    let mut names = vec![
        with(stem, ""),
        with(photo.file_name().unwrap_or(photo.as_os_str()), ""),
    ];
    if let Some(print) = fingerprint {
        names.extend([8, 64].map(|n| with(stem, &format!(".{}", print.get(..n).unwrap_or(print)))));
    }
    names
}

/// What a path holds.
#[derive(PartialEq, Eq)]
enum PathContent {
    Nothing,
    /// The record of this photo, or one that names none by its content.
    Own,
    Other,
    /// A file that can't be read as a record; using it is an error.
    Unreadable,
}

fn content_of(path: &Path, fingerprint: Option<&str>) -> PathContent {
    match record_at(path) {
        Ok(None) => PathContent::Nothing,
        Ok(Some(end)) => match (end.photo, fingerprint) {
            (Some(photo), _) if photo.sha256.is_empty() => PathContent::Own,
            (Some(photo), Some(own)) if photo.sha256 == own => PathContent::Own,
            // a photo that can't be read is shown with the record of its name
            (Some(_), None) => PathContent::Own,
            _ => PathContent::Other,
        },
        Err(StoreError::Foreign) => PathContent::Other,
        Err(_) => PathContent::Unreadable,
    }
}

fn by_name(names: &[PathBuf], fingerprint: Option<&str>, taken: &BTreeSet<PathBuf>) -> RecordPath {
    let mut free = None;
    for path in names {
        let one = |exists| RecordPath {
            path: path.clone(),
            exists,
            own_name: true,
            taken: None,
        };
        match content_of(path, fingerprint) {
            PathContent::Own => {
                free = Some(one(true));
                break;
            }
            PathContent::Nothing if !taken.contains(path) => {
                free.get_or_insert_with(|| one(false));
            }
            PathContent::Unreadable => {
                free.get_or_insert_with(|| one(false));
            }
            PathContent::Nothing | PathContent::Other => {}
        }
    }
    // each name is taken only where the photo can't be read
    let mut found = free.unwrap_or_else(|| RecordPath {
        path: names.last().cloned().unwrap_or_default(),
        own_name: true,
        ..RecordPath::default()
    });
    found.taken = names
        .first()
        .filter(|first| **first != found.path && (exists(first) || taken.contains(*first)))
        .cloned();
    found
}

/// The records of a folder by the fingerprints of their photos.
fn index(folder: &Path) -> BTreeMap<String, PathBuf> {
    let folder = if folder == Path::new("") {
        Path::new(".")
    } else {
        folder
    };
    let mut found = BTreeMap::new();
    for path in records(folder).unwrap_or_default() {
        let end = record_at(&path).ok().flatten();
        if let Some(photo) = end.and_then(|end| end.photo) {
            found.entry(photo.sha256).or_insert(path);
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{End, PhotoRecord};
    use crate::store::{name_of, save_proposal};

    fn photo(folder: &Path, name: &str, content: &str) -> PhotoFile {
        (folder.join(name), Some(content.repeat(64)))
    }

    fn save(found: &RecordPath, photo: &PhotoFile) {
        let end = End {
            photo: Some(PhotoRecord {
                file: name_of(&photo.0),
                sha256: photo.1.clone().expect("fingerprint"),
                ..PhotoRecord::default()
            }),
            ..End::default()
        };
        save_proposal(&found.path, &end).expect("saved");
    }

    fn names(found: &[RecordPath]) -> Vec<String> {
        found.iter().map(|f| name_of(&f.path)).collect()
    }

    #[test]
    fn each_photo_finds_its_own_record_and_never_another_s() {
        let folder = tempfile::tempdir().expect("folder");
        let at = folder.path();
        let [jpg, png] = [photo(at, "a.jpg", "1"), photo(at, "a.png", "2")];
        let both = record_paths(&[jpg.clone(), png.clone()], None);
        assert_eq!(names(&both), ["a.end.json", "a.png.end.json"]);
        save(&both[0], &jpg);
        // alone, it doesn't get the record of its namesake
        let alone = record_paths(std::slice::from_ref(&png), None);
        assert_eq!(names(&alone), ["a.png.end.json"]);
        assert!(!alone[0].exists && alone[0].message().is_some_and(|m| m.contains("a.end.json")));
        save(&alone[0], &png);
        let found = record_paths(&[png.clone(), jpg.clone()], None);
        assert_eq!(names(&found), ["a.png.end.json", "a.end.json"]);
        assert!(found.iter().all(|f| f.exists && f.own_name));
        // replaced under its name, and renamed
        let new = photo(at, "a.jpg", "3");
        let moved = photo(at, "b.jpg", "1");
        let found = record_paths(&[new, moved], None);
        assert_eq!(names(&found), ["a.jpg.end.json", "a.end.json"]);
        assert!(!found[0].exists && found[1].exists && !found[1].own_name);
    }

    #[test]
    fn equal_names_from_several_folders_get_records_of_their_own() {
        let folder = tempfile::tempdir().expect("folder");
        let out = Some(folder.path());
        let photos: Vec<PhotoFile> = ["1", "2", "3", "4"]
            .iter()
            .map(|c| photo(Path::new(c), "photo-1.jpg", c))
            .collect();
        let together = record_paths(&photos, out);
        let expected = [
            "photo-1.end.json",
            "photo-1.jpg.end.json",
            "photo-1.33333333.end.json",
            "photo-1.44444444.end.json",
        ];
        assert_eq!(names(&together), expected);
        let said: Vec<bool> = together.iter().map(|f| f.message().is_some()).collect();
        assert_eq!(said, [false, true, true, true], "also before any is saved");
        for (one, expected) in photos.iter().zip(expected) {
            let found = record_paths(std::slice::from_ref(one), out);
            assert_eq!(names(&found), [expected], "one after the other");
            save(&found[0], one);
        }
        let again = record_paths(&photos, out);
        assert_eq!(names(&again), expected);
        assert!(again.iter().all(|f| f.exists));
    }
}

//! Files: reading, atomic writing, and the rule that a person's work is never overwritten by a proposal.
//!
//! Every file is written beside its place under another name, flushed to the disk and renamed, so that there is the old file
//! or the new one and never half of one.

use crate::record::{End, EntryState, RecordError, canonical, parse_records};
use std::cmp::Ordering;
use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Endings of files that are taken for photos, lower case. HEIC is among them so that it is told what to do about it.
const PHOTO_ENDINGS: [&str; 7] = ["jpg", "jpeg", "jpe", "png", "heic", "heif", "avif"];
/// What a photo's record is called: the photo's name without its ending, and this.
pub const RECORD_ENDING: &str = ".end.json";
/// What a set-up file is called: the photo's name without its ending, and this.
pub const SETUP_ENDING: &str = ".setup.json";
/// How files are called while they are written: the start and the end of the name.
const UNFINISHED: [&str; 2] = [".bossmark-", ".tmp"];
/// Folders deeper than this below the one named are not looked into: nobody files records so deep, a loop of mounts may.
const DEEPEST: usize = 32;
/// How often a file is written again whose unfinished copy somebody cleared away.
const ATTEMPTS: usize = 3;

/// Why a file could not be read or written. Each message is one sentence: what is wrong, and what to do.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// There is no such file.
    #[error("there is no file of that name: check the path")]
    Missing,
    /// A folder where a file belongs.
    #[error(
        "this is a folder, and a file is needed here: name a file in it, or use `bossmark day FOLDER` for all its photos"
    )]
    Folder,
    /// A file where a folder belongs.
    #[error("this is a file, and a folder is needed here: name the folder that holds the photos")]
    NoFolder,
    /// The system refused.
    #[error("the file can't be {what} ({error}): check its permissions and the disk")]
    System {
        /// `read` or `written`.
        what: &'static str,
        /// What the system says.
        error: io::Error,
    },
    /// A file that holds no record.
    #[error("{0}")]
    Record(#[from] RecordError),
    /// A proposal over a record that a person has worked on.
    #[error(
        "it holds a record that a person has confirmed, which a new proposal never replaces: move it away to measure anew"
    )]
    Confirmed,
    /// A record over a newer one.
    #[error(
        "it holds revision {there}, not older than the {new} to be written: somebody has changed it since, look at it again"
    )]
    Newer {
        /// Revision of the file.
        there: u64,
        /// Revision to be written.
        new: u64,
    },
    /// Records in the place of another document.
    #[error("it holds an end record, which is not to be lost: choose another file name")]
    HoldsRecords,
    /// Something else than a record in the place of one.
    #[error(
        "it exists and holds no end record, so it is left alone: choose another place, or move it away"
    )]
    Foreign,
}

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

/// Writes a whole file, or leaves what was there: a temporary file in the same folder, flushed to the disk, then renamed.
///
/// # Errors
/// When the place is a folder, its folder doesn't exist, or the system refuses.
pub fn write(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    if path.is_dir() {
        return Err(StoreError::Folder);
    }
    let mut attempt = 1;
    loop {
        match write_once(path, bytes) {
            Ok(()) => return Ok(()),
            // `clear_unfinished` of another process came between making the file and locking it
            Err(error) if error.kind() == io::ErrorKind::NotFound && attempt < ATTEMPTS => {
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

fn write_once(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let folder = match path.parent() {
        Some(folder) if folder != Path::new("") => folder,
        _ => Path::new("."),
    };
    let mut builder = tempfile::Builder::new();
    builder.prefix(UNFINISHED[0]).suffix(UNFINISHED[1]);
    // like any file the user makes, not readable for the owner alone
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    let mut file = builder.tempfile_in(folder)?;
    // the lock goes with the process: a file without one is nobody's any more. Where a file system has no locks, such
    // files are just not cleared away
    let _ = file.as_file().try_lock();
    file.write_all(bytes)?;
    file.as_file().sync_all()?;
    file.persist(path).map_err(|e| e.error)?;
    Ok(())
}

/// Removes the unfinished files of processes that were killed while they wrote into this folder, and returns how many.
/// Those of running processes, on other machines too, stay: they are locked.
pub fn clear_unfinished(folder: &Path) -> usize {
    let Ok(items) = fs::read_dir(folder) else {
        return 0;
    };
    let mut cleared = 0;
    for item in items.flatten() {
        let name = item.file_name();
        let name = name.to_string_lossy();
        if !name.starts_with(UNFINISHED[0]) || !name.ends_with(UNFINISHED[1]) {
            continue;
        }
        let dead = fs::File::open(item.path()).is_ok_and(|file| file.try_lock().is_ok());
        if dead && fs::remove_file(item.path()).is_ok() {
            cleared += 1;
        }
    }
    cleared
}

/// Makes a folder, with those above it.
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

/// The record in a file that holds one, if there is such a file.
///
/// # Errors
/// When there is a file that can't be read as one record.
pub fn record_at(path: &Path) -> Result<Option<End>, StoreError> {
    let bytes = match read(path) {
        Err(StoreError::Missing) => return Ok(None),
        other => other?,
    };
    let mut records = parse_records(&bytes)?;
    match (records.pop(), records.is_empty()) {
        (Some(one), true) => Ok(Some(one.end)),
        _ => Err(StoreError::Foreign),
    }
}

/// Whether a person has worked on this record.
#[must_use]
pub fn is_touched(end: &End) -> bool {
    end.revision > 0 || end.entries.iter().any(|e| e.state == EntryState::Confirmed)
}

/// Saves a record that the program proposes: over an older proposal, never over a person's work.
///
/// # Errors
/// [`StoreError::Confirmed`] where a person has worked on the record that is there, [`StoreError::Foreign`] where something
/// else is there, and trouble with the file.
pub fn save_proposal(path: &Path, end: &End) -> Result<(), StoreError> {
    save_proposals(path, &canonical::to_bytes(end)?)
}

/// Saves a file of proposed records: over older proposals, never over a person's work or a file that holds something else.
///
/// # Errors
/// As [`save_proposal`].
pub fn save_proposals(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    match records_in(path)? {
        InFile::Nothing => {}
        InFile::Records(there) if there.iter().any(is_touched) => {
            return Err(StoreError::Confirmed);
        }
        // none that this version can read: a newer one, whose state nobody here knows
        InFile::Records(there) if there.is_empty() => return Err(StoreError::Foreign),
        InFile::Records(_) => {}
        InFile::Other => return Err(StoreError::Foreign),
    }
    write(path, bytes)
}

/// Saves any other document or page, over what is there unless that is a record: a slip of the file name must not cost one.
///
/// # Errors
/// [`StoreError::HoldsRecords`], and trouble with the file.
pub fn save_document(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    if let InFile::Records(_) = records_in(path)? {
        return Err(StoreError::HoldsRecords);
    }
    write(path, bytes)
}

/// What a file holds.
enum InFile {
    /// It isn't there, or is empty.
    Nothing,
    /// End records.
    Records(Vec<End>),
    /// Anything else.
    Other,
}

fn records_in(path: &Path) -> Result<InFile, StoreError> {
    let bytes = match read(path) {
        Err(StoreError::Missing) => return Ok(InFile::Nothing),
        other => other?,
    };
    Ok(match parse_records(&bytes) {
        Ok(records) => InFile::Records(records.into_iter().map(|r| r.end).collect()),
        Err(RecordError::Empty) => InFile::Nothing,
        // a record of a newer version is a record all the same
        Err(RecordError::NewerSchema { .. }) => InFile::Records(Vec::new()),
        Err(_) => InFile::Other,
    })
}

/// Saves a record that a person has changed: over an older revision only.
///
/// # Errors
/// [`StoreError::Newer`] where the record that is there has this revision or a later one, and trouble with the file.
pub fn save_revision(path: &Path, end: &End) -> Result<(), StoreError> {
    if let Some(there) = record_at(path)?
        && there.revision >= end.revision
    {
        return Err(StoreError::Newer {
            there: there.revision,
            new: end.revision,
        });
    }
    write(path, &canonical::to_bytes(end)?)
}

/// Saves a file of several records that a person has changed (`bytes` are theirs): over as many of older or equal revisions.
///
/// # Errors
/// As [`save_revision`], and [`StoreError::Foreign`] where other records are there.
pub fn save_revisions(path: &Path, records: &[End], bytes: &[u8]) -> Result<(), StoreError> {
    match records_in(path)? {
        InFile::Nothing => {}
        InFile::Records(there) if there.len() == records.len() => {
            let newer = there
                .iter()
                .zip(records)
                .find(|(t, n)| t.revision > n.revision);
            if let Some((there, new)) = newer {
                return Err(StoreError::Newer {
                    there: there.revision,
                    new: new.revision,
                });
            }
        }
        InFile::Records(_) | InFile::Other => return Err(StoreError::Foreign),
    }
    write(path, bytes)
}

/// Where the photo of a record is, if it lies beside it under the name that the record gives. That name comes from a file that
/// anybody may have written: only its last part counts.
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
    (is_photo_name(&path) && path.is_file()).then_some(path)
}

/// Names that start with a dot are the system's or other programs'.
fn is_hidden(name: &OsStr) -> bool {
    name.as_encoded_bytes().starts_with(b".")
}

fn files(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    if folder.is_file() {
        return Err(StoreError::NoFolder);
    }
    let mut found = Vec::new();
    for item in fs::read_dir(folder).map_err(listed)? {
        let item = item.map_err(listed)?;
        // the system mostly tells the kind with the name; a link has to be followed to know
        let is_file = item
            .file_type()
            .is_ok_and(|kind| kind.is_file() || (kind.is_symlink() && item.path().is_file()));
        if is_file && !is_hidden(&item.file_name()) {
            found.push(item.path());
        }
    }
    // the order in which the system lists them means nothing
    found.sort_by(|a, b| by_bytes(a, b));
    Ok(found)
}

fn by_bytes(a: &Path, b: &Path) -> Ordering {
    a.as_os_str()
        .as_encoded_bytes()
        .cmp(b.as_os_str().as_encoded_bytes())
}

fn listed(error: io::Error) -> StoreError {
    match error.kind() {
        io::ErrorKind::NotFound => StoreError::Missing,
        _ => StoreError::System {
            what: "read",
            error,
        },
    }
}

/// Whether a file's ending says that it is a photo.
#[must_use]
pub fn is_photo_name(path: &Path) -> bool {
    path.extension()
        .and_then(OsStr::to_str)
        .is_some_and(|e| PHOTO_ENDINGS.contains(&e.to_ascii_lowercase().as_str()))
}

/// The photos of a folder (not of folders in it), by the bytes of their names.
///
/// # Errors
/// When the folder isn't there, is a file, or can't be read.
pub fn photos(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut found = files(folder)?;
    found.retain(|p| is_photo_name(p));
    Ok(found)
}

/// The folders in a folder that hold photos themselves, by the bytes of their names; hidden ones and links aren't followed.
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

/// The folders in a folder, by the bytes of their names; hidden ones and links to folders aren't followed.
fn folders(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let items = fs::read_dir(folder).map_err(listed)?;
    let mut found: Vec<PathBuf> = items
        .flatten()
        .filter(|item| {
            item.file_type().is_ok_and(|kind| kind.is_dir()) && !is_hidden(&item.file_name())
        })
        .map(|item| item.path())
        .collect();
    found.sort_by(|a, b| by_bytes(a, b));
    Ok(found)
}

/// All record files in a folder and the folders below it: those of a folder first, by name, then its folders', by name.
///
/// # Errors
/// When the folder itself can't be read; folders below it that can't be are passed over.
pub fn records_below(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut found = records(folder)?;
    let mut left: Vec<(PathBuf, usize)> = Vec::new();
    let push = |left: &mut Vec<(PathBuf, usize)>, folder: &Path, depth: usize| {
        if depth < DEEPEST {
            let inner = folders(folder).unwrap_or_default();
            left.extend(inner.into_iter().rev().map(|f| (f, depth + 1)));
        }
    };
    push(&mut left, folder, 0);
    while let Some((next, depth)) = left.pop() {
        found.extend(records(&next).unwrap_or_default());
        push(&mut left, &next, depth);
    }
    Ok(found)
}

/// The record files of a folder (`NAME.end.json`), by the bytes of their names.
///
/// # Errors
/// As [`photos`].
pub fn records(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut found = files(folder)?;
    found.retain(|p| name_of(p).ends_with(RECORD_ENDING));
    Ok(found)
}

/// The set-up files of a folder (`NAME.setup.json`), by the bytes of their names.
///
/// # Errors
/// As [`photos`].
pub fn setup_files(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut found = files(folder)?;
    found.retain(|p| name_of(p).ends_with(SETUP_ENDING));
    Ok(found)
}

/// The lens profiles of a folder (`NAME.lens.json`), by the bytes of their names.
///
/// # Errors
/// As [`photos`].
pub fn lens_profiles(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut found = files(folder)?;
    found.retain(|p| name_of(p).ends_with(crate::lens::ENDING));
    Ok(found)
}

/// The last part of a path, for records and messages.
#[must_use]
pub fn name_of(path: &Path) -> String {
    path.file_name()
        .unwrap_or(path.as_os_str())
        .to_string_lossy()
        .into_owned()
}

/// Where each photo's record goes: `NAME.end.json` beside it, or in `folder`. Photos that differ in their ending only keep it
/// (`NAME.png.end.json`), all but the first.
#[must_use]
pub fn record_places(photos: &[PathBuf], folder: Option<&Path>) -> Vec<PathBuf> {
    let mut places: Vec<PathBuf> = Vec::new();
    let mut taken: BTreeSet<PathBuf> = BTreeSet::new();
    for photo in photos {
        let place = |name: &OsStr| {
            let mut name = name.to_os_string();
            name.push(RECORD_ENDING);
            match folder {
                Some(folder) => folder.join(name),
                None => photo.with_file_name(name),
            }
        };
        let short = place(photo.file_stem().unwrap_or(photo.as_os_str()));
        let free = if taken.contains(&short) {
            place(photo.file_name().unwrap_or(photo.as_os_str()))
        } else {
            short
        };
        taken.insert(free.clone());
        places.push(free);
    }
    places
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::Entry;

    fn folder() -> tempfile::TempDir {
        tempfile::tempdir().expect("temporary folder")
    }

    fn with(state: EntryState, revision: u64) -> End {
        End {
            entries: vec![Entry {
                id: 1,
                state,
                ..Entry::default()
            }],
            revision,
            ..End::default()
        }
    }

    #[test]
    fn a_person_s_work_is_never_overwritten() {
        let folder = folder();
        let path = folder.path().join("a.end.json");
        save_proposal(&path, &with(EntryState::Proposed, 0)).expect("first");
        save_proposal(&path, &with(EntryState::Proposed, 0)).expect("again");
        save_revision(&path, &with(EntryState::Confirmed, 1)).expect("revision 1");
        let before = read(&path).expect("file");
        assert!(matches!(
            save_proposal(&path, &with(EntryState::Proposed, 0)),
            Err(StoreError::Confirmed)
        ));
        assert!(matches!(
            save_revision(&path, &with(EntryState::Confirmed, 1)),
            Err(StoreError::Newer { there: 1, new: 1 })
        ));
        assert_eq!(read(&path).expect("file"), before);
        save_revision(&path, &with(EntryState::Confirmed, 2)).expect("revision 2");
        let names: Vec<_> = files(folder.path()).expect("list");
        assert_eq!(names.len(), 1, "no temporary file stays: {names:?}");
    }

    #[test]
    fn other_files_are_left_alone() {
        let folder = folder();
        let path = folder.path().join("a.end.json");
        write(&path, b"my notes").expect("written");
        assert!(matches!(
            save_proposal(&path, &End::default()),
            Err(StoreError::Foreign)
        ));
        assert_eq!(read(&path).expect("file"), b"my notes");
        assert!(matches!(read(folder.path()), Err(StoreError::Folder)));
        assert!(matches!(write(folder.path(), b""), Err(StoreError::Folder)));
        assert!(matches!(photos(&path), Err(StoreError::NoFolder)));
        assert!(matches!(
            read(&folder.path().join("none")),
            Err(StoreError::Missing)
        ));
        assert!(write(&folder.path().join("none/a.json"), b"").is_err());
    }

    #[test]
    fn unfinished_files_of_the_dead_go_and_those_of_the_living_stay() {
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
    fn photos_come_by_name_and_their_records_have_places() {
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
        let places = record_places(&found, None);
        assert_eq!(
            places.iter().map(|p| name_of(p)).collect::<Vec<_>>(),
            ["a.end.json", "a.png.end.json", "b.end.json"]
        );
        assert_eq!(
            record_places(&found[..1], Some(Path::new("out")))[0],
            Path::new("out/a.end.json")
        );
        assert_eq!(records(folder.path()).expect("records").len(), 1);
    }
}

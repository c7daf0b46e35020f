//! Files: reading, atomic writing, and the rule that a person's work is never overwritten by a proposal.
//!
//! Every file is written beside its place under another name, flushed to the disk and renamed, so that there is the old file
//! or the new one and never half of one. What is no file, `/dev/null` for one, is written to as it is.

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
    #[error("there is no file or folder of that name: check the path")]
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
    /// Other records than those of before in a file of several.
    #[error(
        "the records in this file are not those that were opened: somebody has written it anew, open the page again"
    )]
    Moved,
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

/// Writes a whole file, or leaves what was there: a temporary file in the same folder, flushed to the disk, then renamed. A link
/// stays one, and what it leads to is written; a device or a pipe is written to, as it can't be replaced.
///
/// # Errors
/// When the place is a folder, its folder doesn't exist, or the system refuses.
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

/// A device or a pipe: it holds nothing to lose, and reading may wait for ever.
fn is_special(path: &Path) -> bool {
    path.exists() && !path.is_file() && !path.is_dir()
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

/// Adds bytes to the end of a file that is there. Not flushed to the disk: for what can be done without.
///
/// # Errors
/// When it isn't there, or the system refuses.
pub fn append(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    let done = fs::OpenOptions::new()
        .append(true)
        .open(path)
        .and_then(|mut file| file.write_all(bytes));
    done.map_err(|error| match error.kind() {
        io::ErrorKind::NotFound => StoreError::Missing,
        _ => StoreError::System {
            what: "written",
            error,
        },
    })
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
    if is_special(path) {
        return Ok(InFile::Nothing);
    }
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
    if let Some(there) = record_at(path)? {
        not_newer(&there, end)?;
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

/// Where one record is: in a file of its own, or in one of several (JSON Lines).
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Place {
    /// The file.
    pub file: PathBuf,
    /// Which of the file's records it is, where there are several.
    pub one_of: Option<OneOf>,
}

/// One of a file's records.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OneOf {
    /// Its place among them, from 0.
    pub index: usize,
    /// Fingerprint of its photo: where the file was written anew in another order, no record is taken for another.
    pub photo: Option<String>,
}

impl From<PathBuf> for Place {
    fn from(file: PathBuf) -> Self {
        Self { file, one_of: None }
    }
}

impl Place {
    /// The places of the records in a file.
    ///
    /// # Errors
    /// When the file can't be read as records.
    pub fn all(file: &Path) -> Result<Vec<Self>, StoreError> {
        let records = parse_records(&read(file)?)?;
        if records.len() == 1 {
            return Ok(vec![Self::from(file.to_owned())]);
        }
        let place = |(index, end): (usize, &End)| Self {
            file: file.to_owned(),
            one_of: Some(OneOf {
                index,
                photo: end.photo.as_ref().map(|p| p.sha256.clone()),
            }),
        };
        Ok(records
            .iter()
            .map(|r| &r.end)
            .enumerate()
            .map(place)
            .collect())
    }

    /// Number of the record in its file, from 1.
    #[must_use]
    pub fn number(&self) -> usize {
        1 + self.one_of.as_ref().map_or(0, |o| o.index)
    }

    /// The record, if there is one.
    ///
    /// # Errors
    /// When there is a file that can't be read, or one that holds other records than before.
    pub fn record(&self) -> Result<Option<End>, StoreError> {
        let Some(one) = &self.one_of else {
            return record_at(&self.file);
        };
        match several(&self.file) {
            Err(StoreError::Missing) => Ok(None),
            other => {
                let mut all = other?;
                one.of(&mut all).map(|end| Some(end.clone()))
            }
        }
    }

    /// Saves a record that the program proposes: over an older proposal, never over a person's work.
    ///
    /// # Errors
    /// As [`save_proposal`].
    pub fn propose(&self, end: &End) -> Result<(), StoreError> {
        let Some(one) = &self.one_of else {
            return save_proposal(&self.file, end);
        };
        self.replace(one, end, |there| {
            if is_touched(there) {
                Err(StoreError::Confirmed)
            } else {
                Ok(())
            }
        })
    }

    /// Saves a record that a person has changed: over an older revision only.
    ///
    /// # Errors
    /// As [`save_revision`].
    pub fn revise(&self, end: &End) -> Result<(), StoreError> {
        let Some(one) = &self.one_of else {
            return save_revision(&self.file, end);
        };
        self.replace(one, end, |there| not_newer(there, end))
    }

    fn replace(
        &self,
        one: &OneOf,
        end: &End,
        may: impl FnOnce(&End) -> Result<(), StoreError>,
    ) -> Result<(), StoreError> {
        let mut all = several(&self.file)?;
        let there = one.of(&mut all)?;
        may(there)?;
        *there = end.clone();
        let mut lines = Vec::new();
        for end in &all {
            lines.extend(canonical::to_line(end)?);
        }
        write(&self.file, &lines)
    }

    /// A hidden file beside the record, for what belongs to it and can be done without.
    #[must_use]
    pub fn beside(&self, ending: &str) -> PathBuf {
        let mut name = std::ffi::OsString::from(".");
        name.push(self.file.file_name().unwrap_or_default());
        if self.one_of.is_some() {
            name.push(format!(".{}", self.number()));
        }
        name.push(ending);
        self.file.with_file_name(name)
    }
}

impl OneOf {
    fn of<'a>(&self, all: &'a mut [End]) -> Result<&'a mut End, StoreError> {
        let found = all.get_mut(self.index).ok_or(StoreError::Moved)?;
        let photo = found.photo.as_ref().map(|p| &p.sha256);
        if photo == self.photo.as_ref() {
            Ok(found)
        } else {
            Err(StoreError::Moved)
        }
    }
}

fn several(file: &Path) -> Result<Vec<End>, StoreError> {
    let records = parse_records(&read(file)?)?;
    Ok(records.into_iter().map(|r| r.end).collect())
}

fn not_newer(there: &End, new: &End) -> Result<(), StoreError> {
    if there.revision >= new.revision {
        return Err(StoreError::Newer {
            there: there.revision,
            new: new.revision,
        });
    }
    Ok(())
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
    fn one_of_several_records_is_changed_and_the_others_stay() {
        let folder = folder();
        let path = folder.path().join("day.jsonl");
        let of = |photo: &str, revision| End {
            photo: Some(crate::record::PhotoRecord {
                sha256: photo.to_owned(),
                ..Default::default()
            }),
            ..with(EntryState::Proposed, revision)
        };
        let mut lines = Vec::new();
        for end in [of("a", 0), of("b", 0)] {
            lines.extend(canonical::to_line(&end).expect("line"));
        }
        write(&path, &lines).expect("written");
        let places = Place::all(&path).expect("places");
        assert_eq!(places.len(), 2);
        places[1].propose(&of("b", 0)).expect("a proposal");
        places[1].revise(&of("b", 1)).expect("a revision");
        assert!(matches!(
            places[1].revise(&of("b", 1)),
            Err(StoreError::Newer { there: 1, new: 1 })
        ));
        assert!(matches!(
            places[1].propose(&of("b", 0)),
            Err(StoreError::Confirmed)
        ));
        let now = |p: &Place| p.record().expect("read").map(|e| e.revision);
        assert_eq!((now(&places[0]), now(&places[1])), (Some(0), Some(1)));
        assert_eq!(
            name_of(&places[1].beside(".steps")),
            ".day.jsonl.2.steps",
            "each has its own"
        );
        // the other way round: nothing is taken for the other
        let text = String::from_utf8(read(&path).expect("file")).expect("text");
        let turned: String = text.lines().rev().map(|l| format!("{l}\n")).collect();
        write(&path, turned.as_bytes()).expect("written");
        for place in &places {
            assert!(matches!(place.record(), Err(StoreError::Moved)));
            assert!(matches!(place.revise(&of("a", 9)), Err(StoreError::Moved)));
        }
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

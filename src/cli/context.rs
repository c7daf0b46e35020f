//! What is told about a photo: flags, session file, face.

use super::args::SessionArgs;
use super::lens;
use super::status::CliError;
use crate::face::spec::{self, FaceSpec};
use crate::lens::LensProfile;
use crate::measure::MeasureOptions;
use crate::photo;
use crate::record::{Session, SessionFile, Setup, keys};
use crate::store::{self, StoreError};
use jiff::civil::DateTime;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Name of the session file beside the photos.
pub(super) const SESSION_FILE: &str = "session.json";
/// Photos this near to one another show one end, s: nobody pulls the arrows, walks back, shoots at least two of each kind and
/// returns to the boss within it (common practice).
const SAME_END_S: i64 = 60;
/// Known faces named to somebody who misspelt one.
const MOST_LIKELY: usize = 3;

/// A session file and where it stands.
#[derive(Clone, Debug)]
struct Told {
    path: PathBuf,
    file: SessionFile,
}

/// Flags and session files, as far as they have been needed.
#[derive(Debug)]
pub(super) struct Context {
    flags: Session,
    face: Option<String>,
    /// Profiles that the flag names.
    lens: Option<Vec<LensProfile>>,
    /// Profiles of a session file or beside photos, and whether a person named them, by folder.
    lenses: BTreeMap<PathBuf, (Vec<LensProfile>, bool)>,
    given: Option<Told>,
    /// Session files beside photos, by folder.
    beside: BTreeMap<PathBuf, Option<Told>>,
    /// Set-up files beside photos by the number of their photo's end, in that order, by folder.
    setups: BTreeMap<PathBuf, Vec<(u64, Setup)>>,
    /// Places of photos in their folder, by folder.
    places: BTreeMap<PathBuf, BTreeMap<String, u64>>,
    /// Ends are numbered without a session file too: where the whole folder is worked through.
    numbering: bool,
    /// What to tell the user, once.
    messages: Vec<String>,
}

impl Context {
    /// The context that these flags make; reads the session file that they name.
    ///
    /// # Errors
    /// When that file can't be read or is wrong.
    pub(super) fn new(args: &SessionArgs, face: Option<&str>) -> Result<Self, CliError> {
        let mut context = Self {
            flags: args.to_session(),
            face: face.map(str::to_owned),
            lens: None,
            lenses: BTreeMap::new(),
            given: None,
            beside: BTreeMap::new(),
            setups: BTreeMap::new(),
            places: BTreeMap::new(),
            numbering: false,
            messages: Vec::new(),
        };
        if let Some(path) = &args.setup {
            let told = context.setup_file(path)?;
            let flags = context.flags.setup.take().unwrap_or_default();
            context.flags.setup = Some(flags.or(&told));
        }
        if let Some(path) = &args.session {
            let bytes = store::read(path).map_err(|e| CliError::from(e).about(path))?;
            context.given = Some(context.told(path, &bytes)?);
        }
        Ok(context)
    }

    /// The context with the lens profile, or folder of profiles, that a flag names.
    ///
    /// # Errors
    /// When there is none, or it can't be read.
    pub(super) fn with_lens(mut self, path: Option<&Path>) -> Result<Self, CliError> {
        self.lens = path.map(lens::profiles_at).transpose()?;
        Ok(self)
    }

    /// The context for folders that are worked through as a whole: their photos are ends 1, 2, … without a session file too.
    #[must_use]
    pub(super) const fn numbering_ends(mut self) -> Self {
        self.numbering = true;
        self
    }

    /// What is told about the measuring of a photo: the lens profiles of the flag, of the session file, or beside the photo.
    ///
    /// # Errors
    /// When the session file, or a profile that it names, can't be read.
    pub(super) fn options(&mut self, photo: &Path) -> Result<MeasureOptions, CliError> {
        let (lenses, lens_named) = match &self.lens {
            Some(lenses) => (lenses.clone(), true),
            None => self.lenses_told(&folder_of(photo))?,
        };
        Ok(MeasureOptions {
            lenses,
            lens_named,
            ..MeasureOptions::default()
        })
    }

    fn lenses_told(&mut self, folder: &Path) -> Result<(Vec<LensProfile>, bool), CliError> {
        if let Some(known) = self.lenses.get(folder) {
            return Ok(known.clone());
        }
        let told = self.session_file(folder)?;
        let named = told.and_then(|t| Some(folder_of(&t.path).join(t.file.lens?)));
        let found = match named {
            Some(path) => (lens::profiles_at(&path)?, true),
            None => (self.lenses_beside(folder), false),
        };
        self.lenses.insert(folder.to_owned(), found.clone());
        Ok(found)
    }

    /// The profiles that lie beside the photos; one that can't be used is told and costs nothing.
    fn lenses_beside(&mut self, folder: &Path) -> Vec<LensProfile> {
        let mut found = Vec::new();
        for path in store::lens_profiles(folder).unwrap_or_default() {
            match lens::profile(&path) {
                Ok(profile) => found.push(profile),
                Err(error) => self.messages.push(error.line()),
            }
        }
        found
    }

    /// What the user has to be told that wasn't told yet.
    pub(super) fn messages(&mut self) -> Vec<String> {
        std::mem::take(&mut self.messages)
    }

    fn told(&mut self, path: &Path, bytes: &[u8]) -> Result<Told, CliError> {
        let (file, notes) = SessionFile::parse(bytes).map_err(|e| CliError::from(e).about(path))?;
        let name = path.display();
        self.messages
            .extend(notes.into_iter().map(|n| format!("{name}: {n}")));
        Ok(Told {
            path: path.to_owned(),
            file,
        })
    }

    /// A set-up file: the fields that `session.setup` of a session file holds, checked in the same way.
    fn setup_file(&mut self, path: &Path) -> Result<Setup, CliError> {
        let bytes = store::read(path).map_err(|e| CliError::from(e).about(path))?;
        let (setup, notes) =
            SessionFile::parse_setup(&bytes).map_err(|e| CliError::from(e).about(path))?;
        let name = path.display();
        self.messages
            .extend(notes.into_iter().map(|n| format!("{name}: {n}")));
        Ok(setup)
    }

    /// What the set-up files beside the photos say at this photo: each holds from its own photo's end on, the later over the
    /// earlier. `None` without any.
    fn setup_beside(&mut self, folder: &Path, name: &str) -> Result<Option<Setup>, CliError> {
        if !self.setups.contains_key(folder) {
            let mut found = Vec::new();
            for path in store::setup_files(folder).unwrap_or_default() {
                let stem = store::name_of(&path)
                    .strip_suffix(store::SETUP_ENDING)
                    .unwrap_or_default()
                    .to_owned();
                let photos = store::photos(folder).unwrap_or_default();
                let of = photos
                    .iter()
                    .find(|p| p.file_stem().is_some_and(|s| s.to_string_lossy() == stem))
                    .and_then(|p| self.place(folder, &store::name_of(p)));
                match of {
                    Some(number) => found.push((number, self.setup_file(&path)?)),
                    None => self.messages.push(format!(
                        "{}: belongs to no photo here: call it as the photo from which on it holds",
                        path.display()
                    )),
                }
            }
            found.sort_by_key(|(number, _)| *number);
            self.setups.insert(folder.to_owned(), found);
        }
        let files = self.setups.get(folder).cloned().unwrap_or_default();
        if files.is_empty() {
            return Ok(None);
        }
        let number = self.place(folder, name);
        let until = files.into_iter().filter(|(n, _)| Some(*n) <= number);
        Ok(until
            .map(|(_, setup)| setup)
            .reduce(|earlier, later| later.or(&earlier)))
    }

    fn session_file(&mut self, folder: &Path) -> Result<Option<Told>, CliError> {
        if let Some(given) = &self.given {
            return Ok(Some(given.clone()));
        }
        if let Some(known) = self.beside.get(folder) {
            return Ok(known.clone());
        }
        let path = folder.join(SESSION_FILE);
        let told = match store::read(&path) {
            Ok(bytes) => Some(self.told(&path, &bytes)?),
            Err(StoreError::Missing) => None,
            Err(other) => return Err(CliError::from(other).about(&path)),
        };
        self.beside.insert(folder.to_owned(), told.clone());
        Ok(told)
    }

    /// What the flags say alone: fills what records leave open.
    #[must_use]
    pub(super) const fn flags(&self) -> &Session {
        &self.flags
    }

    /// What is told about a photo, flags first.
    ///
    /// # Errors
    /// When the session file beside it can't be read or is wrong.
    pub(super) fn session(&mut self, photo: &Path) -> Result<Session, CliError> {
        let folder = folder_of(photo);
        let name = store::name_of(photo);
        let mut own = self.flags.clone();
        if let Some(beside) = self.setup_beside(&folder, &name)? {
            own.setup = Some(own.setup.map_or_else(|| beside.clone(), |s| s.or(&beside)));
        }
        let Some(told) = self.session_file(&folder)? else {
            if self.numbering {
                own.end = own.end.or_else(|| self.place(&folder, &name));
            }
            return Ok(own);
        };
        if told.file.leaves_out(&name) {
            if let Some(number) = self.after_all(&folder, &name, &told.file) {
                return Ok(own.or(&told.file.session_next(Some(number))));
            }
            self.messages.push(format!(
                "{}: not among the `ends` of {}: what holds for all ends is taken, without a number",
                photo.display(),
                told.path.display()
            ));
        }
        let place = match told.file.ends {
            Some(_) => None,
            None => self.place(&folder, &name),
        };
        Ok(own.or(&told.file.session_of(&name, place)))
    }

    /// Photos that a folder's session file names and the folder doesn't hold.
    ///
    /// # Errors
    /// When the session file can't be read or is wrong.
    pub(super) fn missing_photos(
        &mut self,
        folder: &Path,
        photos: &[PathBuf],
    ) -> Result<Vec<String>, CliError> {
        let Some(told) = self.session_file(folder)? else {
            return Ok(Vec::new());
        };
        let there: Vec<String> = photos.iter().map(|p| store::name_of(p)).collect();
        Ok(told
            .file
            .photos()
            .filter(|p| !there.iter().any(|t| t == p))
            .map(str::to_owned)
            .collect())
    }

    /// The number of the end on a photo that comes after all those that the session file names; `None` if it doesn't.
    fn after_all(&mut self, folder: &Path, name: &str, file: &SessionFile) -> Option<u64> {
        let place = self.place(folder, name)?;
        let named = file
            .photos()
            .filter_map(|p| self.places.get(folder)?.get(p));
        let last = named.copied().max().unwrap_or(0);
        let numbered = file.ends.iter().flatten().filter_map(|e| e.session.end);
        (place > last).then(|| numbered.max().unwrap_or(last) + place - last)
    }

    /// The photo's place in its folder, from 1: by time taken where all photos have one, else by name.
    fn place(&mut self, folder: &Path, name: &str) -> Option<u64> {
        if !self.places.contains_key(folder) {
            let places = numbered(timed(folder));
            self.places.insert(folder.to_owned(), places);
        }
        self.places.get(folder)?.get(name).copied()
    }

    /// The face of a photo: the flag's, else the session file's.
    ///
    /// # Errors
    /// When none is named, the name isn't known, or its file can't be used.
    pub(super) fn face(&mut self, photo: &Path) -> Result<FaceSpec, CliError> {
        self.face_if_named(photo)?.ok_or_else(|| {
            CliError::usage(
                "no face is named: add --face NAME, or `face` to the session file (`bossmark faces` lists them)",
            )
        })
    }

    /// The same, `None` where none is named.
    ///
    /// # Errors
    /// When the name isn't known or its file can't be used.
    pub(super) fn face_if_named(&mut self, photo: &Path) -> Result<Option<FaceSpec>, CliError> {
        if let Some(name) = &self.face {
            return face_named(name, Path::new("")).map(Some);
        }
        let folder = folder_of(photo);
        let told = self.session_file(&folder)?;
        let named = told.and_then(|t| Some((t.file.face?, folder_of(&t.path))));
        named
            .map(|(name, folder)| face_named(&name, &folder))
            .transpose()
    }
}

/// Names of the photos of a folder in the order shot: by time taken where all have one, else by name.
pub(super) fn in_order(folder: &Path) -> Vec<String> {
    let photos = timed(folder);
    photos.into_iter().map(|(_, name)| name).collect()
}

/// The photos of a folder in the order shot, with their times.
fn timed(folder: &Path) -> Vec<(Option<DateTime>, String)> {
    let photos = store::photos(folder).unwrap_or_default();
    let mut timed: Vec<(Option<DateTime>, String)> = photos
        .par_iter()
        .map(|p| {
            let facts = store::read(p).ok().and_then(|b| photo::facts(&b).ok());
            // the camera's own clock orders the photos of one camera; the zone adds nothing to that
            let time = facts.and_then(|f| f.taken_local.or(f.taken_rfc3339));
            (
                time.and_then(|t| t.get(..19)?.parse().ok()),
                store::name_of(p),
            )
        })
        .collect();
    if timed.iter().all(|(time, _)| time.is_some()) {
        timed.sort();
    }
    timed
}

/// The number of each photo's end. In order of time taken the photos are ends 1, 2, …; one taken within
/// [`SAME_END_S`] of the first of an end shows that end once more. Without times on all of them each is an end, by name.
fn numbered(photos: Vec<(Option<DateTime>, String)>) -> BTreeMap<String, u64> {
    let all_timed = photos.iter().all(|(time, _)| time.is_some());
    let mut number = 0;
    let mut began: Option<DateTime> = None;
    let mut numbers = BTreeMap::new();
    for (time, name) in photos {
        let again = time
            .zip(began)
            .is_some_and(|(time, began)| time.duration_since(began).as_secs() <= SAME_END_S);
        if !(all_timed && again) {
            number += 1;
            began = time;
        }
        numbers.insert(name, number);
    }
    numbers
}

/// The folder that a file stands in.
pub(super) fn folder_of(path: &Path) -> PathBuf {
    match path.parent() {
        Some(folder) if folder != Path::new("") => folder.to_owned(),
        _ => PathBuf::from("."),
    }
}

/// A built-in face, or one from a file (relative paths start at `folder`).
///
/// # Errors
/// When the name isn't known or the file can't be used.
pub(super) fn face_named(name: &str, folder: &Path) -> Result<FaceSpec, CliError> {
    if let Some(face) = spec::by_name(name) {
        return Ok(face.clone());
    }
    let is_path = name.contains(['/', '\\']) || name.to_ascii_lowercase().ends_with(".json");
    if is_path {
        let path = folder.join(name);
        let bytes = store::read(&path).map_err(|e| CliError::from(e).about(&path))?;
        let text = String::from_utf8_lossy(&bytes);
        return FaceSpec::parse(&text).map_err(|e| CliError::usage(e).about(&path));
    }
    let known: Vec<&str> = spec::known().iter().map(|f| f.name.as_str()).collect();
    let mut likely = of_that_size(name, &known);
    if likely.is_empty() {
        likely = keys::nearest(name, &known, MOST_LIKELY);
    }
    Err(CliError::usage(format!(
        "{name:?} is no known face: did you mean {}? (`bossmark faces` lists all; your own needs the path of its file, like ./{name}.json)",
        likely.join(", ")
    )))
}

/// The faces of the size that a person may have meant by `80cm` or `full 122`.
fn of_that_size<'a>(name: &str, known: &[&'a str]) -> Vec<&'a str> {
    let mut numbers = name
        .split(|c: char| !c.is_ascii_digit())
        .filter(|n| !n.is_empty());
    let Some(size) = numbers.next() else {
        return Vec::new();
    };
    let of_size = |face: &&&str| face.split('-').any(|part| part == size);
    known.iter().filter(of_size).copied().collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    #[test]
    fn a_size_names_the_faces_of_that_size() {
        let known: Vec<&str> = spec::known().iter().map(|f| f.name.as_str()).collect();
        for name in ["80cm", "80 cm", "WA 80", "80-cm"] {
            let likely = of_that_size(name, &known);
            assert!(likely.contains(&"wa-80"), "{name}: {likely:?}");
            assert!(likely.iter().all(|face| face.contains("80")));
        }
        assert!(of_that_size("full size", &known).is_empty());
        let told = face_named("80cm", Path::new("")).expect_err("no such face");
        assert!(told.text.contains("did you mean wa-80,"), "{}", told.text);
    }

    /// Photos whose time nobody knows go by name: those after all that `ends` names are told by its end, one between isn't.
    #[test]
    fn photos_after_the_last_end_are_told_by_what_was_changed() {
        let folder = tempfile::tempdir().expect("folder");
        for photo in ["a.jpg", "b.jpg", "c.jpg", "d.jpg", "e.jpg"] {
            fs::write(folder.path().join(photo), "no picture").expect("written");
        }
        let file = r#"{"schema": "bossmark/session/1", "session": {"setup": {"point_gr": 100}},
            "ends": [{"photo": "a.jpg", "end": 4}, {"photo": "c.jpg", "end": 5}, {"setup": {"point_gr": 90}}]}"#;
        fs::write(folder.path().join(SESSION_FILE), file).expect("written");
        let mut context = Context::new(&SessionArgs::default(), None).expect("context");
        let mut told = |photo: &str| {
            let session = context
                .session(&folder.path().join(photo))
                .expect("session");
            (session.end, session.setup.and_then(|s| s.point_gr))
        };
        assert_eq!(told("c.jpg"), (Some(5), Some(100.0)));
        assert_eq!(told("d.jpg"), (Some(6), Some(90.0)));
        assert_eq!(told("e.jpg"), (Some(7), Some(90.0)));
        assert_eq!(told("b.jpg"), (None, Some(100.0)));
        assert_eq!(context.messages().len(), 1);
    }

    #[test]
    fn photos_seconds_apart_show_one_end_and_those_without_times_go_by_name() {
        let numbers = |photos: &[(&str, &str)]| -> Vec<u64> {
            let list = photos
                .iter()
                .map(|(name, time)| (time.parse().ok(), (*name).to_owned()))
                .collect();
            let numbers = numbered(list);
            photos.iter().map(|(name, _)| numbers[*name]).collect()
        };
        let outcome = [
            ("d", "2031-06-14T18:05:00"),
            ("b", "2031-06-14T18:05:20"),
            ("c", "2031-06-14T18:16:00"),
            ("a", "2031-06-14T18:16:59"),
            ("e", "2031-06-14T18:17:01"),
        ];
        assert_eq!(numbers(&outcome), [1, 1, 2, 2, 3]);
        let mut untimed = outcome;
        untimed[2].1 = "";
        assert_eq!(numbers(&untimed), [1, 2, 3, 4, 5]);
    }
}

//! What is known about a photo: from flags, session files, set-up files and lens profiles.

mod faces;
mod photo_order;

pub(super) use faces::face_named;
pub(super) use photo_order::photos_in_order;

use super::args::SessionArgs;
use super::lens_profiles;
use super::status::CliError;
use crate::face::spec::FaceSpec;
use crate::lens::LensProfile;
use crate::measure::MeasureOptions;
use crate::record::{Session, SessionFile, Setup};
use crate::store::{self, StoreError};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Name of the session file beside the photos.
pub(super) const SESSION_FILE: &str = "session.json";

/// A session file, and its path.
#[derive(Clone, Debug)]
struct SessionSource {
    path: PathBuf,
    file: SessionFile,
}

/// Flags, and the files read so far.
#[derive(Debug)]
pub(super) struct Context {
    flags: Session,
    face: Option<String>,
    /// Profiles that the flag names.
    lens: Option<Vec<LensProfile>>,
    /// Profiles that the session file names or that are beside the photos, and whether a person named them, by folder.
    lenses: BTreeMap<PathBuf, (Vec<LensProfile>, bool)>,
    /// The session file that a flag names.
    named_session: Option<SessionSource>,
    /// Session files beside photos, by folder.
    folder_sessions: BTreeMap<PathBuf, Option<SessionSource>>,
    /// Set-up files beside photos, each with the number of its photo's end and ordered by it, by folder.
    setups: BTreeMap<PathBuf, Vec<(u64, Setup)>>,
    /// Number of the end on each photo, by folder.
    end_numbers: BTreeMap<PathBuf, BTreeMap<String, u64>>,
    /// Whether ends are numbered without a session file too, as where a whole folder is measured.
    numbering: bool,
    /// Messages for the user that haven't been shown yet.
    messages: Vec<String>,
}

impl Context {
    /// A context with these flags; reads the files that they name.
    ///
    /// # Errors
    /// When one of the files can't be read or is wrong.
    pub(super) fn new(args: &SessionArgs, face: Option<&str>) -> Result<Self, CliError> {
        let mut context = Self {
            flags: args.to_session(),
            face: face.map(str::to_owned),
            lens: None,
            lenses: BTreeMap::new(),
            named_session: None,
            folder_sessions: BTreeMap::new(),
            setups: BTreeMap::new(),
            end_numbers: BTreeMap::new(),
            numbering: false,
            messages: Vec::new(),
        };
        if let Some(path) = &args.setup {
            let setup = context.setup_file(path)?;
            let flags = context.flags.setup.take().unwrap_or_default();
            context.flags.setup = Some(flags.or(&setup));
        }
        if let Some(path) = &args.session {
            let bytes = store::read(path).map_err(|e| CliError::from(e).about(path))?;
            context.named_session = Some(context.parse_session(path, &bytes)?);
        }
        Ok(context)
    }

    /// The context with the lens profile, or folder of profiles, that a flag names.
    ///
    /// # Errors
    /// When there is none, or it can't be read.
    pub(super) fn with_lens(mut self, path: Option<&Path>) -> Result<Self, CliError> {
        self.lens = path.map(lens_profiles::profiles_at).transpose()?;
        Ok(self)
    }

    /// The same for folders that are measured as a whole: without a session file too, their photos are ends 1, 2, …
    #[must_use]
    pub(super) const fn numbering_ends(mut self) -> Self {
        self.numbering = true;
        self
    }

    /// How a photo is measured: with the lens profiles that a flag names, the session file names, or that are beside the photo.
    ///
    /// # Errors
    /// When the session file, or a profile that it names, can't be read.
    pub(super) fn options(&mut self, photo: &Path) -> Result<MeasureOptions, CliError> {
        let (lenses, lens_named) = match &self.lens {
            Some(lenses) => (lenses.clone(), true),
            None => self.folder_lenses(&folder_of(photo))?,
        };
        Ok(MeasureOptions {
            lenses,
            lens_named,
            ..MeasureOptions::default()
        })
    }

    fn folder_lenses(&mut self, folder: &Path) -> Result<(Vec<LensProfile>, bool), CliError> {
        if let Some(known) = self.lenses.get(folder) {
            return Ok(known.clone());
        }
        let source = self.session_file(folder)?;
        let named = source.and_then(|t| Some(folder_of(&t.path).join(t.file.lens?)));
        let found = match named {
            Some(path) => (lens_profiles::profiles_at(&path)?, true),
            None => (self.lenses_beside(folder), false),
        };
        self.lenses.insert(folder.to_owned(), found.clone());
        Ok(found)
    }

    /// The profiles beside the photos. One that can't be used only leads to a message.
    fn lenses_beside(&mut self, folder: &Path) -> Vec<LensProfile> {
        let mut found = Vec::new();
        for path in store::lens_profiles(folder).unwrap_or_default() {
            match lens_profiles::profile(&path) {
                Ok(profile) => found.push(profile),
                Err(error) => self.messages.push(error.line()),
            }
        }
        found
    }

    /// The messages for the user since the last call.
    pub(super) fn messages(&mut self) -> Vec<String> {
        std::mem::take(&mut self.messages)
    }

    fn parse_session(&mut self, path: &Path, bytes: &[u8]) -> Result<SessionSource, CliError> {
        let (file, notes) = SessionFile::parse(bytes).map_err(|e| CliError::from(e).about(path))?;
        let name = path.display();
        self.messages
            .extend(notes.into_iter().map(|n| format!("{name}: {n}")));
        Ok(SessionSource {
            path: path.to_owned(),
            file,
        })
    }

    /// A set-up file: the fields of `session.setup`, checked in the same way as in a session file.
    fn setup_file(&mut self, path: &Path) -> Result<Setup, CliError> {
        let bytes = store::read(path).map_err(|e| CliError::from(e).about(path))?;
        let (setup, notes) =
            SessionFile::parse_setup(&bytes).map_err(|e| CliError::from(e).about(path))?;
        let name = path.display();
        self.messages
            .extend(notes.into_iter().map(|n| format!("{name}: {n}")));
        Ok(setup)
    }

    /// The set-up of a photo as the set-up files beside it give it. Each holds from its own photo's end on, and later files override
    /// earlier ones. `None` without any.
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
                    .and_then(|p| self.end_number(folder, &store::name_of(p)));
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
        let number = self.end_number(folder, name);
        let until = files.into_iter().filter(|(n, _)| Some(*n) <= number);
        Ok(until
            .map(|(_, setup)| setup)
            .reduce(|earlier, later| later.or(&earlier)))
    }

    fn session_file(&mut self, folder: &Path) -> Result<Option<SessionSource>, CliError> {
        if let Some(named) = &self.named_session {
            return Ok(Some(named.clone()));
        }
        if let Some(known) = self.folder_sessions.get(folder) {
            return Ok(known.clone());
        }
        let path = folder.join(SESSION_FILE);
        let source = match store::read(&path) {
            Ok(bytes) => Some(self.parse_session(&path, &bytes)?),
            Err(StoreError::Missing) => None,
            Err(other) => return Err(CliError::from(other).about(&path)),
        };
        self.folder_sessions
            .insert(folder.to_owned(), source.clone());
        Ok(source)
    }

    /// The settings that the session file of this photo's or record's folder notes after every photo that it names.
    ///
    /// # Errors
    /// When the session file can't be read or is wrong.
    pub(super) fn changed_after_last_photo(
        &mut self,
        beside: &Path,
    ) -> Result<Option<Setup>, CliError> {
        let source = self.session_file(&folder_of(beside))?;
        Ok(source.and_then(|s| s.file.changed_after_last_photo()))
    }

    /// The session of the flags alone: fills what records leave open.
    #[must_use]
    pub(super) const fn flags(&self) -> &Session {
        &self.flags
    }

    /// The session of a photo; flags take precedence.
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
        let Some(source) = self.session_file(&folder)? else {
            if self.numbering {
                own.end = own.end.or_else(|| self.end_number(&folder, &name));
            }
            return Ok(own);
        };
        if source.file.leaves_out(&name) {
            if let Some(number) = self.number_after_named(&folder, &name, &source.file) {
                return Ok(own.or(&source.file.session_next(Some(number))));
            }
            self.messages.push(format!(
                "{}: not among the `ends` of {}: what holds for all ends is taken, without a number; rename it back, or add it to `ends`",
                photo.display(),
                source.path.display()
            ));
        }
        let number = match source.file.ends {
            Some(_) => None,
            None => self.end_number(&folder, &name),
        };
        Ok(own.or(&source.file.session_of(&name, number)))
    }

    /// Whether the number of this photo's end, where it has one, is only counted: neither a flag nor the session file gives it.
    ///
    /// # Errors
    /// When the session file can't be read or is wrong.
    pub(super) fn end_is_counted(&mut self, photo: &Path) -> Result<bool, CliError> {
        let Some(source) = self.session_file(&folder_of(photo))? else {
            return Ok(self.flags.end.is_none());
        };
        let file = &source.file;
        let named = file.ends.is_some() && !file.leaves_out(&store::name_of(photo));
        Ok(self.flags.end.is_none() && file.session.end.is_none() && !named)
    }

    /// What the flags say otherwise than the folder's own session file, one line each.
    ///
    /// # Errors
    /// When the session file can't be read or is wrong.
    pub(super) fn conflicts(&mut self, folder: &Path) -> Result<Vec<String>, CliError> {
        let Some(source) = self.session_file(folder)? else {
            return Ok(Vec::new());
        };
        let path = source.path.display();
        let mut own = source.file.session.clone();
        own.fletched = own.fletched.or(source.file.fletched);
        own.bare = own.bare.or(source.file.bare);
        let mut lines: Vec<String> = differences(&self.flags, &own)
            .into_iter()
            .map(|(field, flag, there)| {
                format!("{path} says {field} {there}, the flags say {flag}")
            })
            .collect();
        if let (Some(flag), Some(there)) = (&self.face, &source.file.face)
            && flag != there
        {
            lines.push(format!("{path} says face {there}, the flags say {flag}"));
        }
        Ok(lines)
    }

    /// Photos that the folder's session file names but the folder doesn't hold.
    ///
    /// # Errors
    /// When the session file can't be read or is wrong.
    pub(super) fn missing_photos(
        &mut self,
        folder: &Path,
        photos: &[PathBuf],
    ) -> Result<Vec<String>, CliError> {
        let Some(source) = self.session_file(folder)? else {
            return Ok(Vec::new());
        };
        let there: Vec<String> = photos.iter().map(|p| store::name_of(p)).collect();
        Ok(source
            .file
            .photos()
            .filter(|p| !there.iter().any(|t| t == p))
            .map(str::to_owned)
            .collect())
    }

    /// The number of the end on a photo that was taken after all those that the session file names; `None` for other photos.
    fn number_after_named(&mut self, folder: &Path, name: &str, file: &SessionFile) -> Option<u64> {
        let number = self.end_number(folder, name)?;
        let named = file
            .photos()
            .filter_map(|p| self.end_numbers.get(folder)?.get(p));
        let last = named.copied().max().unwrap_or(0);
        let numbered = file.ends.iter().flatten().filter_map(|e| e.session.end);
        (number > last).then(|| numbered.max().unwrap_or(last) + number - last)
    }

    /// Number of the end on a photo of this folder, from 1: by time taken if all photos have one, else by name.
    fn end_number(&mut self, folder: &Path, name: &str) -> Option<u64> {
        if !self.end_numbers.contains_key(folder) {
            let numbers = photo_order::end_numbers(folder);
            self.end_numbers.insert(folder.to_owned(), numbers);
        }
        self.end_numbers.get(folder)?.get(name).copied()
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
        let source = self.session_file(&folder)?;
        let named = source.and_then(|t| Some((t.file.face?, folder_of(&t.path))));
        named
            .map(|(name, folder)| face_named(&name, &folder))
            .transpose()
    }
}

fn json_of(session: &Session) -> Value {
    serde_json::to_value(session).unwrap_or_default()
}

/// Fields that both sessions give, with different values: the field, and both values.
pub(super) fn differences(one: &Session, other: &Session) -> Vec<(String, String, String)> {
    differing_fields(&json_of(one), &json_of(other))
}

fn differing_fields(one: &Value, other: &Value) -> Vec<(String, String, String)> {
    let (Some(one), Some(other)) = (one.as_object(), other.as_object()) else {
        return Vec::new();
    };
    let words = |v: &Value| v.as_str().map_or_else(|| v.to_string(), str::to_owned);
    let mut found = Vec::new();
    for (field, a) in one.iter().filter(|(_, a)| !a.is_null()) {
        match other.get(field).filter(|b| !b.is_null()) {
            Some(b) if a.is_object() && b.is_object() => found.extend(differing_fields(a, b)),
            Some(b) if a != b && !a.is_object() => {
                found.push((field.clone(), words(a), words(b)));
            }
            _ => {}
        }
    }
    found
}

/// The folder of a file.
pub(super) fn folder_of(path: &Path) -> PathBuf {
    match path.parent() {
        Some(folder) if folder != Path::new("") => folder.to_owned(),
        _ => PathBuf::from("."),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    /// Photos without a time are ordered by name. Those after all that `ends` names get its last set-up; one between doesn't.
    #[test]
    fn photos_after_the_last_end_get_the_changed_setup() {
        let folder = tempfile::tempdir().expect("folder");
        for photo in ["a.jpg", "b.jpg", "c.jpg", "d.jpg", "e.jpg"] {
            fs::write(folder.path().join(photo), "no picture").expect("written");
        }
        let file = r#"{"schema": "bossmark/session/1", "session": {"setup": {"point_gr": 100}},
            "ends": [{"photo": "a.jpg", "end": 4}, {"photo": "c.jpg", "end": 5}, {"setup": {"point_gr": 90}}]}"#;
        fs::write(folder.path().join(SESSION_FILE), file).expect("written");
        let mut context = Context::new(&SessionArgs::default(), None).expect("context");
        let mut end_and_point = |photo: &str| {
            let session = context
                .session(&folder.path().join(photo))
                .expect("session");
            (session.end, session.setup.and_then(|s| s.point_gr))
        };
        assert_eq!(end_and_point("c.jpg"), (Some(5), Some(100.0)));
        assert_eq!(end_and_point("d.jpg"), (Some(6), Some(90.0)));
        assert_eq!(end_and_point("e.jpg"), (Some(7), Some(90.0)));
        assert_eq!(end_and_point("b.jpg"), (None, Some(100.0)));
        assert_eq!(context.messages().len(), 1);
    }
}

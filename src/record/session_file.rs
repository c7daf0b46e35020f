//! The session file, `bossmark/session/1`: what the photos of a folder can't show.

use super::check::{SessionFault, check_session, outside_limits};
use super::duplicate_keys;
use super::keys::{SESSION, SESSION_FILE, likely};
use super::parse::{check_schema, first_document, of_type};
use super::{Extra, RecordError, Session, Setup};
use serde::{Deserialize, Serialize};

/// Schema name of the session file.
pub const SCHEMA: &str = "bossmark/session/1";

/// What was shot: defaults for all photos of the folder, and the ends with what changed at each.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SessionFile {
    /// Always [`SCHEMA`].
    pub schema: String,
    /// Name of the face, or path of a face file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub face: Option<String>,
    /// Lens profile, or folder of them: a path from this file's folder.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lens: Option<String>,
    /// Fletched shafts shot in each end; used as a prior, not as a constraint.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fletched: Option<u32>,
    /// Bare shafts shot in each end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bare: Option<u32>,
    /// What holds for all ends, and the set-up at the first.
    #[serde(default)]
    pub session: Session,
    /// The ends as shot. Without it the photos, in order of time taken (else name), are ends 1, 2, ….
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ends: Option<Vec<PlannedEnd>>,
    /// Fields that this version doesn't know.
    #[serde(flatten)]
    pub extra: Extra,
}

impl Default for SessionFile {
    fn default() -> Self {
        Self {
            schema: SCHEMA.to_owned(),
            face: None,
            lens: None,
            fletched: None,
            bare: None,
            session: Session::default(),
            ends: None,
            extra: Extra::new(),
        }
    }
}

/// One end of a session file. Its `setup` changes the settings it names from this end on; all else is this end's alone.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlannedEnd {
    /// File name of the photo.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub photo: Option<String>,
    /// Its session.
    #[serde(flatten)]
    pub session: Session,
}

/// Why a session file can't be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SessionError {
    /// It can't be read as JSON of this schema.
    #[error(transparent)]
    File(#[from] RecordError),
    /// It can be read, but its content is wrong.
    #[error(transparent)]
    Fault(#[from] SessionFault),
    /// A field that belongs elsewhere.
    #[error("`{name}` belongs inside `session`: move it there")]
    Misplaced {
        /// The field.
        name: String,
    },
    /// A photo named for two ends.
    #[error("{photo:?} is named for two ends: give each photo one line in `ends`")]
    SamePhoto {
        /// The file name.
        photo: String,
    },
}

impl SessionError {
    /// Whether the user wrote something wrong (exit status 2), as against a file that can't be decoded (3).
    #[must_use]
    pub const fn is_wrong_use(&self) -> bool {
        !matches!(self, Self::File(_))
    }
}

impl SessionFile {
    /// Reads and checks a session file. The second value holds messages for the user that are not errors.
    ///
    /// # Errors
    /// When it isn't JSON, has a newer schema, a misspelt name, a number in another unit, or limits that contradict.
    pub fn parse(bytes: &[u8]) -> Result<(Self, Vec<String>), SessionError> {
        let (line, value) = first_document(bytes, SCHEMA)?;
        check_schema(line, &value, SCHEMA)?;
        let file: Self = of_type(value, line, "the session file", SCHEMA)?;
        let mut warnings = file.check()?;
        warnings.extend(duplicate_keys::notes(bytes));
        Ok((file, warnings))
    }

    /// Reads and checks a set-up file: an object of the fields that `session.setup` holds.
    ///
    /// # Errors
    /// As [`parse`](Self::parse).
    pub fn parse_setup(bytes: &[u8]) -> Result<(Setup, Vec<String>), SessionError> {
        let (line, value) = first_document(bytes, "session.setup")?;
        let setup: Setup = of_type(value, line, "the set-up file", "session.setup")?;
        let file = Self {
            session: Session {
                setup: Some(setup),
                ..Session::default()
            },
            ..Self::default()
        };
        let mut warnings = file.check()?;
        warnings.extend(duplicate_keys::notes(bytes));
        Ok((file.session.setup.unwrap_or_default(), warnings))
    }

    fn check(&self) -> Result<Vec<String>, SessionError> {
        let mut warnings = Vec::new();
        for name in self.extra.keys() {
            if SESSION.contains(&name.as_str()) {
                return Err(SessionError::Misplaced { name: name.clone() });
            }
            match likely(name, SESSION_FILE).or_else(|| likely(name, SESSION)) {
                Some(likely) => {
                    return Err(SessionFault::Misspelt {
                        path: name.clone(),
                        likely: likely.to_owned(),
                    }
                    .into());
                }
                None => warnings.push(format!("`{name}` is not known and not used")),
            }
        }
        first(check_session(&self.session, "session"))?;
        let mut photos: Vec<&str> = Vec::new();
        for (i, end) in self.ends.iter().flatten().enumerate() {
            for name in end.session.extra.keys() {
                if let Some(likely) = likely(name, &["photo"]) {
                    return Err(SessionFault::Misspelt {
                        path: format!("ends[{i}].{name}"),
                        likely: likely.to_owned(),
                    }
                    .into());
                }
            }
            first(check_session(&end.session, &format!("ends[{i}]")))?;
            let Some(photo) = end.photo.as_deref().map(base_name) else {
                // a change alone, from the next photo on, is whole with its remark
                let change = Session {
                    setup: end.session.setup.clone(),
                    note: end.session.note.clone(),
                    ..Session::default()
                };
                if change.setup.is_none() || end.session != change {
                    warnings.push(format!(
                        "ends[{i}] names no `photo`, so only its `setup` is used"
                    ));
                }
                continue;
            };
            if photos.contains(&photo) {
                return Err(SessionError::SamePhoto {
                    photo: photo.to_owned(),
                });
            }
            photos.push(photo);
        }
        warnings.extend(self.session.setup.iter().flat_map(outside_limits));
        Ok(warnings)
    }

    /// The set-up after all changes in `ends`: what the end after them is shot with.
    #[must_use]
    pub fn setup_now(&self) -> Setup {
        let first = self.session.setup.clone().unwrap_or_default();
        let changes = self.ends.iter().flatten();
        changes
            .filter_map(|e| e.session.setup.as_ref())
            .fold(first, |now, change| change.or(&now))
    }

    /// The settings that changed after every photo that `ends` names, with their values now: they may not have been shot with yet.
    #[must_use]
    pub fn changed_after_last_photo(&self) -> Option<Setup> {
        let newest_first = self.ends.iter().flatten().rev();
        newest_first
            .take_while(|end| end.photo.is_none())
            .filter_map(|end| end.session.setup.clone())
            .reduce(|newer, older| newer.or(&older))
    }

    /// Takes back the last change, where it is noted after every photo that `ends` names. Returns what was noted with it.
    pub fn take_back_change(&mut self) -> Option<PlannedEnd> {
        let is_change = |end: &mut PlannedEnd| end.photo.is_none() && end.session.setup.is_some();
        self.ends.as_mut()?.pop_if(is_change)
    }

    /// Settings that hold from the next end on. `so_far`: the photos already shot, in their order; those that `ends` doesn't
    /// name yet are named before the change.
    pub fn change(&mut self, so_far: &[String], setup: Setup, note: Option<String>) {
        let named: Vec<String> = self.photos().map(str::to_owned).collect();
        let ends = self.ends.get_or_insert_default();
        let last = ends.iter().filter_map(|e| e.session.end).max();
        let last = last.unwrap_or_else(|| u64::try_from(named.len()).unwrap_or(0));
        let new = so_far
            .iter()
            .filter(|photo| !named.iter().any(|n| n == base_name(photo)));
        ends.extend((last + 1..).zip(new).map(|(n, photo)| PlannedEnd {
            photo: Some(photo.clone()),
            session: Session {
                end: Some(n),
                ..Session::default()
            },
        }));
        ends.push(PlannedEnd {
            photo: None,
            session: Session {
                setup: Some(setup),
                note,
                ..Session::default()
            },
        });
    }

    /// What this file says about an end shot after all that it names; `number` if it has one.
    #[must_use]
    pub fn session_next(&self, number: Option<u64>) -> Session {
        let setup = self.setup_now();
        Session {
            fletched: self.session.fletched.or(self.fletched),
            bare: self.session.bare.or(self.bare),
            end: self.session.end.or(number),
            setup: (setup != Setup::default()).then_some(setup),
            ..self.session.clone()
        }
    }

    /// Whether `ends` leaves this photo out although it names others.
    #[must_use]
    pub fn leaves_out(&self, photo: &str) -> bool {
        self.ends.is_some() && self.planned(photo).is_none()
    }

    /// File names of the photos in `ends`, in their order.
    pub fn photos(&self) -> impl Iterator<Item = &str> {
        self.ends
            .iter()
            .flatten()
            .filter_map(|e| e.photo.as_deref().map(base_name))
    }

    fn planned(&self, photo: &str) -> Option<usize> {
        let ends = self.ends.as_ref()?;
        ends.iter()
            .position(|e| e.photo.as_deref().map(base_name) == Some(base_name(photo)))
    }

    /// What this file says about the photo of that name. `place` is the photo's place among those of its folder, from 1, in
    /// order of time taken (else name): the number of the end where `ends` is left out. A photo that `ends` leaves out gets
    /// what holds for all.
    #[must_use]
    pub fn session_of(&self, photo: &str, place: Option<u64>) -> Session {
        let mut common = Session {
            fletched: self.session.fletched.or(self.fletched),
            bare: self.session.bare.or(self.bare),
            ..self.session.clone()
        };
        let Some(ends) = &self.ends else {
            common.end = common.end.or(place);
            return common;
        };
        let Some(at) = self.planned(photo) else {
            return common;
        };
        let mut setup: Option<Setup> = common.setup.take();
        for change in ends
            .iter()
            .take(at + 1)
            .filter_map(|e| e.session.setup.as_ref())
        {
            setup = Some(setup.map_or_else(|| change.clone(), |s| change.or(&s)));
        }
        let mut session = ends
            .get(at)
            .map_or_else(Session::default, |e| e.session.clone());
        session.setup = setup;
        session.or(&common)
    }
}

fn first(faults: Vec<SessionFault>) -> Result<(), SessionError> {
    faults.into_iter().next().map_or(Ok(()), |f| Err(f.into()))
}

fn base_name(file: &str) -> &str {
    file.rsplit(['/', '\\']).next().unwrap_or(file)
}

#[cfg(test)]
mod tests {
    use super::*;

    const FILE: &str = r#"{"schema": "bossmark/session/1", "face": "wa-80", "fletched": 3, "bare": 3,
        "session": {"archer": "A", "distance_m": 30.0, "date": "2026-05-03", "setup": {"point_gr": 100, "plunger_clicks": 0}},
        "ends": [{"photo": "1.jpg", "end": 1, "distance_m": 18},
                 {"photo": "b/2.jpg", "end": 2, "setup": {"plunger_clicks": 2}, "note": "two clicks stiffer", "bare": 2},
                 {"photo": "3.jpg", "end": 3}]}"#;

    fn parse(text: &str) -> Result<(SessionFile, Vec<String>), SessionError> {
        SessionFile::parse(text.as_bytes())
    }

    #[test]
    fn a_value_of_the_wrong_type_is_named_by_its_field() {
        for (json, field) in [
            (r#"{"fletched": "three"}"#, "`fletched`"),
            (
                r#"{"session": {"distance_m": "far"}}"#,
                "`session.distance_m`",
            ),
            (r#"{"ends": {}}"#, "`ends`"),
        ] {
            let json = json.replacen('{', r#"{"schema": "bossmark/session/1", "#, 1);
            let error = parse(&json).expect_err(field).to_string();
            assert!(error.contains(field), "{error}");
        }
    }

    #[test]
    fn a_change_after_the_last_photo_is_known_and_can_be_taken_back() {
        let (before, _) = parse(FILE).expect("session file");
        assert_eq!(before.changed_after_last_photo(), None);
        let mut file = before.clone();
        let softer = Setup {
            plunger_clicks: Some(-1.0),
            ..Setup::default()
        };
        let photos = ["1.jpg", "2.jpg", "3.jpg"].map(str::to_owned);
        file.change(
            &photos,
            softer.clone(),
            Some("three clicks softer".to_owned()),
        );
        let points = Setup {
            point_gr: Some(110.0),
            ..Setup::default()
        };
        file.change(&photos, points.clone(), None);
        let now = file.changed_after_last_photo().expect("two changes");
        assert_eq!(now, points.or(&softer));
        let taken = file.take_back_change().expect("a change");
        assert_eq!(taken.session.setup, Some(points));
        let taken = file.take_back_change().expect("a change");
        assert_eq!(taken.session.note.as_deref(), Some("three clicks softer"));
        assert_eq!(file, before);
        assert_eq!(file.take_back_change(), None);
    }

    #[test]
    fn setups_are_carried_forward_and_the_rest_is_not() {
        let (file, warnings) = parse(FILE).expect("session file");
        assert!(warnings.is_empty());
        let of = |photo: &str| file.session_of(photo, Some(9));
        let clicks = |photo: &str| of(photo).setup.and_then(|s| s.plunger_clicks);
        assert_eq!(
            (clicks("1.jpg"), clicks("2.jpg"), clicks("x/3.jpg")),
            (Some(0.0), Some(2.0), Some(2.0))
        );
        assert_eq!(
            (of("1.jpg").distance_m, of("3.jpg").distance_m),
            (Some(18.0), Some(30.0))
        );
        assert_eq!((of("2.jpg").bare, of("3.jpg").bare), (Some(2), Some(3)));
        assert_eq!((of("2.jpg").note.is_some(), of("3.jpg").note), (true, None));
        assert_eq!(
            (of("3.jpg").end, of("3.jpg").setup.and_then(|s| s.point_gr)),
            (Some(3), Some(100.0))
        );
        assert!(file.leaves_out("4.jpg") && of("4.jpg").end.is_none());
        assert_eq!(
            file.photos().collect::<Vec<_>>(),
            ["1.jpg", "2.jpg", "3.jpg"]
        );
    }

    #[test]
    fn a_change_holds_for_what_comes_after_all_that_is_named() {
        let (mut file, _) = parse(FILE).expect("session file");
        let setup = Setup {
            point_gr: Some(90.0),
            ..Setup::default()
        };
        let so_far = ["1.jpg", "2.jpg", "3.jpg", "4.jpg"].map(str::to_owned);
        file.change(&so_far, setup, Some("lighter".to_owned()));
        assert_eq!(file.session_of("4.jpg", None).end, Some(4));
        let next = file.session_next(Some(5));
        let now = next.setup.expect("set-up");
        assert_eq!((now.point_gr, now.plunger_clicks), (Some(90.0), Some(2.0)));
        assert_eq!((next.end, next.bare, next.note), (Some(5), Some(3), None));
        let point = |photo: &str| file.session_of(photo, None).setup.and_then(|s| s.point_gr);
        assert_eq!((point("4.jpg"), point("3.jpg")), (Some(100.0), Some(100.0)));
    }

    #[test]
    fn without_ends_the_place_is_the_end() {
        let (file, _) = parse(r#"{"schema": "bossmark/session/1", "session": {"hand": "left"}}"#)
            .expect("session file");
        assert_eq!(file.session_of("a.jpg", Some(2)).end, Some(2));
        assert!(!file.leaves_out("a.jpg"));
    }

    #[test]
    fn faults_are_told_with_their_kind() {
        let fault = |inner: &str| {
            parse(&format!("{{\"schema\": \"bossmark/session/1\", {inner}}}")).expect_err("fault")
        };
        for (inner, words) in [
            (r#""sesion": {}"#, "did you mean `session`"),
            (r#""hand": "left""#, "belongs inside `session`"),
            (
                r#""session": {"distance": 30}"#,
                "did you mean `distance_m`",
            ),
            (r#""ends": [{"photos": "a.jpg"}]"#, "did you mean `photo`"),
            (
                r#""ends": [{"photo": "a.jpg"}, {"photo": "a.jpg"}]"#,
                "two ends",
            ),
            (
                r#""ends": [{"setup": {"point_gram": 1}}]"#,
                "did you mean `point_gr`",
            ),
        ] {
            let error = fault(inner);
            assert!(error.to_string().contains(words), "{inner}: {error}");
            assert!(error.is_wrong_use());
        }
        assert!(!fault(r#""session": {"hand": "both"}"#).is_wrong_use());
        assert!(!parse("").expect_err("empty").is_wrong_use());
        let newer = parse(r#"{"schema": "bossmark/session/7"}"#).expect_err("newer");
        assert!(newer.to_string().contains("update bossmark") && !newer.is_wrong_use());
        let (_, warnings) =
            parse(r#"{"schema": "bossmark/session/1", "weather": "rain"}"#).expect("kept");
        assert_eq!(warnings.len(), 1);
    }
}

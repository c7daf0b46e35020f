//! The session file that applies to new photos: read, and updated by what is done on the page.

use super::http::Answer;
use crate::record::{PlannedEnd, Session, SessionFile, Setup};
use crate::store::{self, StoreError};
use std::path::PathBuf;

/// The session file of the page's folder.
#[derive(Clone, Debug)]
pub(super) struct StoredSessionFile {
    /// Its path; the file may not exist yet.
    pub(super) path: PathBuf,
}

impl StoredSessionFile {
    /// Its contents; empty if there is no such file.
    ///
    /// # Errors
    /// The answer to the page when it can't be read or is wrong.
    pub(super) fn read(&self) -> Result<SessionFile, Answer> {
        let failed = |text: String| {
            let name = store::name_of(&self.path);
            Answer::problem(409, "session-file", &format!("{name}: {text}"))
        };
        match store::read(&self.path) {
            Ok(bytes) => SessionFile::parse(&bytes)
                .map(|(file, _)| file)
                .map_err(|e| failed(e.to_string())),
            Err(StoreError::Missing) => Ok(SessionFile::default()),
            Err(error) => Err(failed(error.to_string())),
        }
    }

    /// Changes the file while no other program can; `change` says whether there is anything to write.
    fn change_file<T>(
        &self,
        change: impl FnOnce(&mut SessionFile) -> (bool, T),
    ) -> Result<T, Answer> {
        let failed = |e: StoreError| Answer::problem(500, "session-file", &e.to_string());
        let _lock = store::lock(&self.path).map_err(failed)?;
        let old = self.read()?;
        let mut file = old.clone();
        let (changed, value) = change(&mut file);
        if changed {
            store::save_session(&self.path, &old, &file).map_err(failed)?;
        }
        Ok(value)
    }

    /// Adds a new photo as end number `end`, and returns the session that applies to it.
    pub(super) fn add_photo(&self, photo: &str, end: u64) -> Result<Session, Answer> {
        self.change_file(|file| {
            let listed = file.ends.is_some();
            if let Some(ends) = &mut file.ends {
                ends.push(PlannedEnd {
                    photo: Some(photo.to_owned()),
                    session: Session {
                        end: Some(end),
                        ..Session::default()
                    },
                });
            }
            (listed, file.session_of(photo, Some(end)))
        })
    }

    /// Sets settings that hold from the next end on. `photos_before`: the photos up to then, in their order.
    pub(super) fn change(
        &self,
        photos_before: &[String],
        setup: Setup,
        note: &str,
    ) -> Result<(), Answer> {
        let note = (!note.is_empty()).then(|| note.to_owned());
        self.change_file(|file| {
            let now = file.setup_now();
            // entered before: a second click, or another page
            if setup.or(&now) == now {
                return (false, ());
            }
            file.change(photos_before, setup, note);
            (true, ())
        })
    }

    /// Takes back the change noted last, unless a photo came after it.
    ///
    /// # Errors
    /// The answer to the page where there is none, or the file can't be written.
    pub(super) fn take_back_change(&self) -> Result<(), Answer> {
        let taken = self.change_file(|file| {
            let taken = file.take_back_change();
            (taken.is_some(), taken)
        })?;
        taken.map(|_| ()).ok_or_else(|| {
            Answer::problem(409, "no-change", "no change is noted after the last photo")
        })
    }

    /// Sets the face and the session that apply to all photos that follow.
    pub(super) fn remember(&self, face: Option<&str>, session: &Session) -> Result<(), Answer> {
        self.change_file(|file| {
            if let Some(face) = face {
                file.face = Some(face.to_owned());
            }
            let mut common = session.clone();
            // these belong to one end
            (common.end, common.shot_order, common.note) = (None, None, None);
            // in this file the numbers of shafts stand beside the session
            file.fletched = common.fletched.take().or(file.fletched);
            file.bare = common.bare.take().or(file.bare);
            if let (Some(setup), Some(ends)) = (&common.setup, &mut file.ends) {
                ends.push(PlannedEnd {
                    photo: None,
                    session: Session {
                        setup: Some(setup.clone()),
                        ..Session::default()
                    },
                });
                common.setup = None;
            }
            file.session = common.or(&file.session);
            (true, ())
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn stored() -> (tempfile::TempDir, StoredSessionFile) {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("session.json");
        (folder, StoredSessionFile { path })
    }

    fn setup(value: serde_json::Value) -> Setup {
        serde_json::from_value(value).expect("set-up")
    }

    #[test]
    fn a_change_holds_for_the_photos_that_follow_and_not_for_those_before() {
        let (_folder, stored) = stored();
        let session: Session =
            serde_json::from_value(json!({"hand": "left", "distance_m": 18, "fletched": 3,
            "setup": {"plunger_clicks": 0, "point_gr": 90}}))
            .expect("session");
        stored.remember(Some("wa-60"), &session).unwrap();
        let clicks = |photo: &str, place| {
            let session = stored.read().unwrap().session_of(photo, place);
            (
                session.setup.unwrap().plunger_clicks,
                session.end,
                session.hand,
            )
        };
        assert_eq!(clicks("a.jpg", Some(1)).0, Some(0.0));
        let photos_before = ["a.jpg".to_owned(), "b.jpg".to_owned()];
        stored
            .change(
                &photos_before,
                setup(json!({"plunger_clicks": 2})),
                "two clicks",
            )
            .unwrap();
        let session = stored.add_photo("c.jpg", 3).unwrap();
        let third = session.setup.expect("set-up");
        assert_eq!(
            (third.plunger_clicks, third.point_gr, session.end),
            (Some(2.0), Some(90.0), Some(3))
        );
        assert_eq!(session.fletched, Some(3));
        let left = Some(crate::record::Hand::Left);
        assert_eq!(clicks("b.jpg", None), (Some(0.0), Some(2), left));
        assert_eq!(clicks("c.jpg", None), (Some(2.0), Some(3), left));
        stored
            .change(&[], setup(json!({"plunger_clicks": 4})), "")
            .unwrap();
        stored.add_photo("d.jpg", 4).unwrap();
        assert_eq!(clicks("d.jpg", None).0, Some(4.0));
        assert_eq!(clicks("c.jpg", None).0, Some(2.0));
    }

    #[test]
    fn a_step_that_is_entered_twice_is_entered_once() {
        let (_folder, stored) = stored();
        let before = ["a.jpg".to_owned()];
        for _ in 0..2 {
            stored
                .change(&before, setup(json!({"plunger_clicks": 2})), "two clicks")
                .unwrap();
        }
        let file = stored.read().unwrap();
        let changes = file
            .ends
            .iter()
            .flatten()
            .filter(|e| e.session.setup.is_some());
        assert_eq!(changes.count(), 1);
    }

    #[test]
    fn a_session_file_that_is_wrong_is_left_alone() {
        let (_folder, stored) = stored();
        store::write(
            &stored.path,
            b"{\"schema\": \"bossmark/session/1\", \"sesion\": {}}",
        )
        .expect("written");
        assert_eq!(
            stored
                .remember(None, &Session::default())
                .unwrap_err()
                .status,
            409
        );
        assert!(
            store::read(&stored.path)
                .expect("file")
                .starts_with(b"{\"schema\"")
        );
    }
}

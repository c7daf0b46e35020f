//! The page without a server: the same handlers over a folder's files, called from a worker of the browser. Measuring takes seconds, so
//! another worker does it, and gets and gives documents.

use super::app::App;
use super::ends::{EndSource, Progress};
use super::guard::Guard;
use super::http::{Answer, Request};
use super::measure_request::MeasureRequest;
use super::measured::{MeasuredPhoto, finish, keep, next_waiting};
use super::state::InitialState;
use crate::face::spec;
use crate::lens::LensProfile;
use crate::measure::{MeasureOptions, Stage};
use crate::record::{Session, SessionFile};
use crate::store::{self, PhotoFile, RecordLocation, StoreError};
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Name of the session file in the folder.
const SESSION_FILE: &str = "session.json";

/// The page of a folder.
#[derive(Debug)]
pub struct LocalPage {
    app: Arc<App>,
}

/// A photo to measure, as one worker asks it of another.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct MeasureTask {
    /// The end's id.
    pub id: u64,
    /// Path of the photo.
    pub photo: PathBuf,
    /// Name of its face.
    face: String,
    session: Session,
    marked: MeasureRequest,
    lenses: Vec<LensProfile>,
    lens_named: bool,
}

/// Measures a photo with these bytes; the result is a document for [`LocalPage::keep`].
///
/// # Errors
/// A sentence for the user when it can't be decoded.
pub fn measure_task(
    task: &MeasureTask,
    bytes: &[u8],
    stage_ended: &mut dyn FnMut(Stage),
) -> Result<Vec<u8>, String> {
    let face = spec::by_name(&task.face).ok_or("this face is not known")?;
    let mut options = MeasureOptions {
        lenses: task.lenses.clone(),
        lens_named: task.lens_named,
        ..MeasureOptions::default()
    };
    let entered = task.marked.enter_into(&mut options, Some(face));
    entered.map_err(|_| "the points marked by hand can't be used")?;
    let name = store::name_of(&task.photo);
    let session = task.session.clone();
    let (measured, _) = MeasuredPhoto::of(bytes, &name, face, session, &options, stage_ended)?;
    serde_json::to_vec(&measured).map_err(|e| e.to_string())
}

impl LocalPage {
    /// The page of a folder. `photos`: its photos, each with the SHA-256 of its bytes.
    ///
    /// # Errors
    /// A sentence for the user when the session file can't be used, or a record can't be read.
    pub fn open(folder: &Path, photos: &[PhotoFile]) -> Result<Self, String> {
        let session_file = folder.join(SESSION_FILE);
        let session = session(&session_file).map_err(|e| format!("{SESSION_FILE}: {e}"))?;
        let lenses: Vec<LensProfile> = store::lens_profiles(folder)
            .unwrap_or_default()
            .iter()
            .filter_map(|path| LensProfile::parse(&store::read(path).ok()?).ok())
            .collect();
        let measuring = MeasureOptions {
            lenses,
            ..MeasureOptions::default()
        };
        let ends = ends(folder, photos, &session, &measuring).map_err(|e| e.to_string())?;
        let initial = InitialState {
            ends,
            folder: folder.to_owned(),
            session_file,
            measuring,
            ..InitialState::default()
        };
        let app = App::new(Guard::local(0), initial);
        app.note_photos(photos);
        Ok(Self { app })
    }

    /// Answers a request, as the server would.
    #[must_use]
    pub fn answer(&self, request: &Request) -> Answer {
        let answered = self.app.route(request);
        answered.unwrap_or_else(|| Answer::problem(404, "not-found", "there is no such page"))
    }

    /// The photos whose bytes a request needs.
    #[must_use]
    pub fn photos_for(&self, path: &str) -> Vec<PathBuf> {
        let parts: Vec<&str> = path.trim_start_matches('/').split('/').collect();
        let ids: Vec<u64> = match parts.as_slice() {
            ["photo", id, _] | ["api", "ends", id, "rings" | "likely"] => {
                id.parse().into_iter().collect()
            }
            ["api", "report"] => self.app.state().ends().iter().map(|e| e.id).collect(),
            _ => Vec::new(),
        };
        let ends = self.app.state().ends();
        let named = ends.iter().filter(|e| ids.contains(&e.id));
        named.filter_map(|e| e.start.photo.clone()).collect()
    }

    /// The photo to measure next; it then counts as being measured.
    #[must_use]
    pub fn next_task(&self) -> Option<MeasureTask> {
        let state = self.app.state();
        let mut ends = state.ends();
        let end = next_waiting(&mut ends, state.shown_id())?;
        let start = &end.start;
        let task = MeasureTask {
            id: end.id,
            photo: start.photo.clone()?,
            face: start.face.as_ref()?.name.clone(),
            session: start.session.clone(),
            marked: end.marked.clone(),
            lenses: start.measuring.lenses.clone(),
            lens_named: start.measuring.lens_named,
        };
        end.progress = Progress::Measuring(None);
        Some(task)
    }

    /// Notes that a stage of measuring an end's photo has ended.
    pub fn stage_ended(&self, id: u64, stage: Stage) {
        let progress = Progress::Measuring(Some(stage));
        self.app.state().with_end(id, |end| end.progress = progress);
    }

    /// Saves what [`measure_task`] returned for an end, or notes why there is nothing.
    pub fn keep(&self, id: u64, measured: Result<&[u8], String>) {
        let state = self.app.state();
        let outcome = measured
            .and_then(|m| serde_json::from_slice::<MeasuredPhoto>(m).map_err(|e| e.to_string()))
            .and_then(|m| keep(state, id, m, || Ok(())));
        finish(state, id, outcome);
    }
}

/// The session file; where there is none, one that goes on to list each photo with the number of its end.
fn session(path: &Path) -> Result<SessionFile, String> {
    let bytes = match store::read(path) {
        Ok(bytes) => bytes,
        Err(StoreError::Missing) => {
            let new = SessionFile {
                ends: Some(Vec::new()),
                ..SessionFile::default()
            };
            let saved = store::save_session(path, &SessionFile::default(), &new);
            return saved.map(|()| new).map_err(|e| e.to_string());
        }
        Err(error) => return Err(error.to_string()),
    };
    let parsed = SessionFile::parse(&bytes).map_err(|e| e.to_string())?;
    Ok(parsed.0)
}

/// The ends of a folder: the records without a photo first, then the photos, each with its record.
fn ends(
    folder: &Path,
    photos: &[PhotoFile],
    file: &SessionFile,
    measuring: &MeasureOptions,
) -> Result<Vec<EndSource>, StoreError> {
    let paths = store::record_paths(photos, None);
    let mut found = Vec::new();
    for path in store::records(folder)? {
        if paths.iter().any(|p| p.path == path) {
            continue;
        }
        for record in RecordLocation::all(&path)? {
            found.push(EndSource {
                photo: None,
                record,
                session: Session::default(),
                face: None,
                measuring: MeasureOptions::default(),
            });
        }
    }
    let face = file.face.as_deref().and_then(spec::by_name);
    for ((place, (photo, _)), record) in (1..).zip(photos).zip(paths) {
        let name = store::name_of(photo);
        let session = if file.leaves_out(&name) {
            file.session_next(None)
        } else {
            file.session_of(&name, Some(place))
        };
        found.push(EndSource {
            photo: Some(photo.clone()),
            record: record.path.into(),
            session,
            face: face.cloned(),
            measuring: measuring.clone(),
        });
    }
    Ok(found)
}

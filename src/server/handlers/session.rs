//! The page as a whole: signing in, the list of ends, and what applies to the photos that follow.

use super::ends::advice_view;
use crate::face::spec::{self, FaceSpec};
use crate::record::check::check_session;
use crate::record::{Session, Setup};
use crate::server::ends::{OpenEnd, Progress};
use crate::server::http::{Answer, Request};
use crate::server::state::State;
use crate::server::view;
use crate::store;
use serde::Deserialize;
use serde_json::{Value, json};

/// Exchanges the code of a shared page for the session cookie.
pub(in crate::server) fn enter(state: &State, request: &Request) -> Result<Answer, Answer> {
    #[derive(Deserialize)]
    struct Code {
        code: String,
    }
    Ok(state
        .guard
        .enter(&request.json::<Code>()?.code, request.peer))
}

/// The ends, the faces, and what applies to the next photo.
pub(in crate::server) fn queue(state: &State) -> Answer {
    let all = || state.ends().iter().map(view::line).collect();
    let lines: Vec<view::QueueLine> = state.cache.with_stable_files(all);
    let own = state.opening.face.iter();
    let own = own.filter(|f| spec::by_name(&f.name).is_none());
    let faces: Vec<Value> = spec::known().iter().chain(own).map(face_view).collect();
    let file = state.session_file().read();
    let file = file.unwrap_or_default();
    let mut session = file.session.clone();
    session.fletched = session.fletched.or(file.fletched);
    session.bare = session.bare.or(file.bare);
    // the set-up after all planned changes
    let changes = file
        .ends
        .iter()
        .flatten()
        .filter_map(|e| e.session.setup.clone());
    session.setup = changes.fold(session.setup, |now, new| {
        Some(now.map_or_else(|| new.clone(), |now| new.or(&now)))
    });
    let face = state
        .opening
        .face
        .as_ref()
        .map(|f| f.name.clone())
        .or(file.face);
    Answer::json(&json!({
        "folder": state.opening.folder.display().to_string(),
        "session_file": store::name_of(&state.opening.session_file),
        "ends": lines,
        "faces": faces,
        "next": {"face": face, "session": state.opening.flags.or(&session)},
    }))
}

/// A face as the page draws it.
fn face_view(f: &FaceSpec) -> Value {
    let zones: Vec<Value> = f
        .zones
        .iter()
        .map(|z| json!({"diameter_mm": z.diameter_mm, "colour": z.colour.name()}))
        .collect();
    let spots: Vec<[f64; 2]> = f.spots_mm.iter().map(|p| [p.x, p.y]).collect();
    json!({"name": f.name, "title": f.words, "diameter_mm": f.diameter_mm, "zones": zones, "spots": spots})
}

/// A change that the archer names, with the settings after it; without them it is the step advised.
#[derive(Deserialize)]
struct ArcherChange {
    setup: Option<Setup>,
    words: Option<String>,
    /// Take back the change that is noted after the last photo.
    #[serde(default)]
    take_back: bool,
}

/// The archer has made the step advised, or another change: the settings after it apply to the photos that follow.
pub(in crate::server) fn enter_change(
    state: &State,
    id: u64,
    request: &Request,
) -> Result<Answer, Answer> {
    let given: ArcherChange = request.json()?;
    if given.take_back {
        state.session_file().take_back_change()?;
        return Ok(Answer::json(&json!({})));
    }
    let own = Session {
        setup: given.setup.clone(),
        ..Session::default()
    };
    if let Some(fault) = check_session(&own, "session").first() {
        return Err(Answer::problem(422, "session", &fault.to_string()));
    }
    let view = advice_view(state, id, request.locale())?;
    let (Some(setup), true) = (given.setup.or(view.settings_after), view.newest) else {
        return Err(Answer::problem(
            409,
            "no-step",
            "the step can't be carried into the next set-up: the present value is not known, or something was shot since",
        ));
    };
    let advised = view.next.map(|n| n.headline);
    let words = given.words.or(advised).unwrap_or_default();
    let photos_before: Vec<String> = state
        .ends()
        .iter()
        .filter(|e| e.start.photo.is_some())
        .map(OpenEnd::name)
        .collect();
    let stored = state.session_file();
    stored.change(&photos_before, setup.clone(), &words)?;
    Ok(Answer::json(&json!({"setup": setup, "words": words})))
}

/// A face and a session, as the page sends them.
#[derive(Deserialize)]
struct FaceAndSession {
    face: Option<String>,
    session: Session,
}

/// Sets the face and the session that apply to the photos that follow.
pub(in crate::server) fn remember(state: &State, request: &Request) -> Result<Answer, Answer> {
    remembered(state, &request.json()?)
}

/// The same, and fills the gaps of the ends that are there: photos that waited for their face are measured.
pub(in crate::server) fn essentials(state: &State, request: &Request) -> Result<Answer, Answer> {
    let given: FaceAndSession = request.json()?;
    let answer = remembered(state, &given)?;
    let face = given.face.as_deref().and_then(|f| state.face_named(f));
    for open in state.ends().iter_mut() {
        open.start.session = open.start.session.or(&given.session);
        if open.progress == Progress::NoFace && face.is_some() {
            open.start.face = face.cloned();
            open.progress = Progress::Waiting;
        }
    }
    state.notify();
    Ok(answer)
}

fn remembered(state: &State, next: &FaceAndSession) -> Result<Answer, Answer> {
    if next
        .face
        .as_deref()
        .is_some_and(|f| state.face_named(f).is_none())
    {
        return Err(Answer::problem(
            422,
            "face",
            "this face is not known: choose one of the list",
        ));
    }
    let faults = check_session(&next.session, "session");
    if let Some(fault) = faults.first() {
        return Err(Answer::problem(422, "session", &fault.to_string()));
    }
    let stored = state.session_file();
    // a face file is named by a flag; in the session file its path would be needed
    let face = next.face.as_deref();
    let face = face.filter(|f| spec::by_name(f).is_some());
    stored.remember(face, &next.session)?;
    Ok(Answer::json(&json!({})))
}

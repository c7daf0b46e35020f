//! One end: as the page shows it, its reading and advice, edits, undo and redo.

use super::photos::prepare;
use crate::record::{End, RecordFile, Session};
use crate::review::{Edits, ReviewError};
use crate::server::ends::{EditError, OpenEnd, Progress};
use crate::server::http::{Answer, Request};
use crate::server::state::State;
use crate::server::view;
use crate::store::{RecordLocation, StoreError};
use crate::text::Locale;
use crate::timeline::{EndInHistory, end_in_history};
use serde::Deserialize;
use serde_json::json;
use std::sync::Arc;

pub(in crate::server) fn view(state: &Arc<State>, id: u64) -> Result<Answer, Answer> {
    if state.set_shown_id(id) != id {
        let next = state.ends().iter().map(|e| e.id).find(|i| *i > id);
        prepare(state, [Some(id), next].into_iter().flatten().collect());
    }
    state.find(id, |open| {
        let ready = open.progress == Progress::Ready;
        match open.record() {
            Ok(Some(record)) if ready => Ok(Answer::json(&view::end_view(open, record))),
            Ok(_) => Ok(Answer::json(&view::line(open))),
            Err(error) => Err(Answer::problem(500, "record", &error.to_string())),
        }
    })
}

pub(in crate::server) fn edit(state: &State, id: u64, request: &Request) -> Result<Answer, Answer> {
    let edits =
        Edits::parse(&request.body).map_err(|e| Answer::problem(422, "edit", &e.to_string()))?;
    if edits.revision.is_none() {
        return Err(Answer::problem(
            422,
            "edit",
            "say on which `revision` the edits were made",
        ));
    }
    state.find(id, |open| {
        let result = open.edit(&edits);
        edit_answer(open, result)
    })
}

pub(in crate::server) fn step(
    state: &State,
    id: u64,
    back: bool,
    request: &Request,
) -> Result<Answer, Answer> {
    #[derive(Deserialize)]
    struct ShownRevision {
        revision: u64,
    }
    let shown: ShownRevision = request.json()?;
    state.find(id, |open| {
        let result = open.step(back, shown.revision);
        edit_answer(open, result)
    })
}

/// How things stand with an end. After an edit the page asks for the reading and for the advice; both need this, so the last
/// result is kept.
fn current_end(state: &State, id: u64) -> Result<Option<Arc<EndInHistory>>, Answer> {
    let locations: Vec<(u64, RecordLocation, Session)> = state
        .ends()
        .iter()
        .filter(|e| e.progress == Progress::Ready)
        .map(|e| (e.id, e.start.record.clone(), e.start.session.clone()))
        .collect();
    let named =
        |location: &RecordLocation| (location.file.display().to_string(), location.number());
    let Some(own) = locations
        .iter()
        .find(|(i, ..)| *i == id)
        .map(|(_, location, _)| named(location))
    else {
        return Err(Answer::problem(404, "no-end", "this end has no record yet"));
    };
    let filed = |(_, location, session): &(u64, RecordLocation, Session)| {
        let mut end: End = state.cache.record(location).ok().flatten()?;
        end.session = end.session.or(session);
        let (file, line) = named(location);
        Some(RecordFile { file, line, end })
    };
    let all = || locations.iter().filter_map(filed).collect();
    let records: Vec<RecordFile> = state.cache.with_stable_files(all);
    // a second request at the same time waits here for the result of the first
    let mut cached = state.cached_history();
    if cached.own != own || cached.records != records {
        cached.end = end_in_history(records.clone(), (&own.0, own.1)).map(Arc::new);
        (cached.own, cached.records) = (own, records);
    }
    Ok(cached.end.clone())
}

pub(in crate::server) fn reading(
    state: &State,
    id: u64,
    request: &Request,
) -> Result<Answer, Answer> {
    let end = current_end(state, id)?;
    let mut readings = state.reading_cache();
    Ok(Answer::json(&view::reading_view(
        id,
        end.as_deref(),
        &mut readings,
        request.locale(),
    )))
}

/// The advice for an end, with the step that can be carried into the next set-up.
pub(super) fn advice_view(
    state: &State,
    id: u64,
    locale: Locale,
) -> Result<view::AdviceView, Answer> {
    let end = current_end(state, id)?;
    // a session file that can't be read is reported when it is next written
    let session_file = state.session_file().read().unwrap_or_default();
    let mut readings = state.reading_cache();
    Ok(view::advice_view(
        id,
        end.as_deref(),
        &mut readings,
        &session_file,
        locale,
    ))
}

pub(in crate::server) fn advice(
    state: &State,
    id: u64,
    request: &Request,
) -> Result<Answer, Answer> {
    Ok(Answer::json(&advice_view(state, id, request.locale())?))
}

fn edit_answer(open: &OpenEnd, result: Result<End, EditError>) -> Result<Answer, Answer> {
    match result {
        Ok(record) => Ok(Answer::json(&view::end_view(open, record))),
        Err(EditError::Changed(now)) => {
            let view = view::end_view(open, *now);
            Err(Answer::problem_with(
                409,
                "changed",
                "somebody else has changed this end since: look at both",
                json!({"end": view}),
            ))
        }
        Err(EditError::Review(ReviewError::OtherRecord { .. })) => Err(other_record(open)),
        Err(EditError::Review(error @ ReviewError::Revision { .. })) => {
            Err(Answer::problem(409, "changed", &error.to_string()))
        }
        Err(EditError::Store(error @ StoreError::Moved)) => {
            Err(Answer::problem(409, "moved", &error.to_string()))
        }
        Err(EditError::Store(error @ StoreError::Busy { .. })) => {
            Err(Answer::problem(503, "busy", &error.to_string()))
        }
        Err(EditError::Review(error)) => Err(Answer::problem(422, "edit", &error.to_string())),
        Err(EditError::Store(error)) => Err(Answer::problem(500, "record", &error.to_string())),
        Err(EditError::NothingToUndo) => Err(Answer::problem(
            409,
            "no-step",
            "there is nothing to undo or redo",
        )),
    }
}

/// The answer to edits that were made on another record than the one that is there: its photo was measured again since.
fn other_record(open: &OpenEnd) -> Answer {
    let now = open.record().ok().flatten();
    let view = now.map(|record| view::end_view(open, record));
    Answer::problem_with(
        409,
        "measured-again",
        "the photo has been measured again since: look at its shafts once more",
        json!({"end": view}),
    )
}

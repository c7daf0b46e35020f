//! Measuring a photo anew, and points marked by hand.

use crate::manual_points;
use crate::measure::{self, MeasureOptions};
use crate::report::outlines;
use crate::server::ends::Progress;
use crate::server::http::{Answer, Request};
use crate::server::measure_request::{MeasureRequest, parse_points};
use crate::server::state::{LikelyPlace, State};
use crate::server::view;
use crate::store;
use crate::timeline::FaceLook;
use serde::Deserialize;
use serde_json::{Value, json};

/// Measures a photo, for the first time or with another face, another of several faces, or another upright.
pub(in crate::server) fn measure(
    state: &State,
    id: u64,
    request: &Request,
) -> Result<Answer, Answer> {
    let how: MeasureRequest = request.json()?;
    let face = match &how.face {
        Some(name) => Some(state.face_named(name).cloned().ok_or_else(|| {
            Answer::problem(
                422,
                "face",
                "this face is not known: choose one of the list",
            )
        })?),
        None => None,
    };
    let answer = state.find(id, |open| {
        if matches!(open.progress, Progress::Waiting | Progress::Measuring(_)) {
            return Err(Answer::problem(
                409,
                "busy",
                "this photo is being measured: wait a moment",
            ));
        }
        if open.start.photo.is_none() {
            return Err(no_photo());
        }
        open.start.face = face.or_else(|| open.face());
        let how = how.or(&open.marked);
        how.enter_into(&mut open.start.measuring, open.start.face.as_ref())?;
        open.marked = how;
        open.progress = if open.start.face.is_some() {
            Progress::Waiting
        } else {
            Progress::NoFace
        };
        Ok(Answer::json(&view::line(open)))
    });
    state.notify();
    answer
}

/// Points of the face that are easy to mark in a photo.
pub(in crate::server) fn places(state: &State, id: u64) -> Result<Answer, Answer> {
    let face = state.find(id, |open| open.face().ok_or_else(unknown_face))?;
    let list: Vec<Value> = manual_points::easy_places(&face)
        .into_iter()
        .map(|(at, mm)| json!({"at": at, "mm": [mm.x, mm.y]}))
        .collect();
    Ok(Answer::json(
        &json!({"places": list, "reach_mm": face.reach_mm()}),
    ))
}

/// The rings as a camera fitted to points marked by hand sees them; nothing is saved.
pub(in crate::server) fn rings(
    state: &State,
    id: u64,
    request: &Request,
) -> Result<Answer, Answer> {
    #[derive(Deserialize)]
    struct MarkedPoints {
        points: Value,
    }
    let marked: MarkedPoints = request.json()?;
    let (path, face, options) = state.find(id, |open| {
        let face = open.face().ok_or_else(unknown_face)?;
        let Some(path) = open.start.photo.clone() else {
            return Err(no_photo());
        };
        let marked_points = parse_points(&marked.points, &face)?;
        let options = MeasureOptions {
            points: Some(marked_points),
            ..open.start.measuring.clone()
        };
        Ok((path, face, options))
    })?;
    let refused = |code: &str, text: &str| Answer::problem(422, code, text);
    let shown = state
        .pictures
        .of(id, &path)
        .map_err(|text| refused("photo", &text))?;
    let (camera, notes) = measure::camera(&shown.photo, &face, &options)
        .map_err(|failure| refused(&failure.code, &failure.text))?;
    let rings = outlines(&camera, &FaceLook::from(&face));
    Ok(Answer::json(
        &json!({"rings": rings, "camera": camera, "notes": notes}),
    ))
}

/// Places of the photo where a shaft may enter: a tap that adds one is helped to the nearest of them.
pub(in crate::server) fn likely(state: &State, id: u64) -> Result<Answer, Answer> {
    let answer = |places: Vec<_>| Ok(Answer::json(&json!({"places": places})));
    if let Some(places) = state.likely(id) {
        return answer(places);
    }
    let (path, face, session, options) = state.find(id, |open| {
        let face = open.face().ok_or_else(unknown_face)?;
        let start = &open.start;
        let path = start.photo.clone().ok_or_else(no_photo)?;
        Ok((path, face, start.session.clone(), start.measuring.clone()))
    })?;
    let refused = |text: String| Answer::problem(422, "photo", &text);
    let bytes = store::read(&path).map_err(|e| refused(e.to_string()))?;
    let name = store::name_of(&path);
    let _turn = state.pictures.turn_of(&bytes);
    let measured = measure::measure(&bytes, &name, &face, session, &options, &mut |_| ())
        .map_err(|e| refused(e.to_string()))?;
    let places = LikelyPlace::all(&measured);
    state.keep_likely(id, places.clone());
    answer(places)
}

fn no_photo() -> Answer {
    Answer::problem(422, "photo", "there is no photo to measure")
}

fn unknown_face() -> Answer {
    Answer::problem(
        422,
        "face",
        "it is not known which target face this is: choose one of the list and measure anew",
    )
}

//! Photos: shown whole and in parts, and uploaded.

use crate::face::spec;
use crate::photo;
use crate::server::UPLOAD;
use crate::server::ends::{EndSource, OpenEnd, Progress};
use crate::server::http::{Answer, Request, number};
use crate::server::pictures::ShownPhoto;
use crate::server::state::State;
use crate::server::view;
use crate::store::{self, StoreError};
use serde_json::json;
use std::path::PathBuf;
use std::sync::Arc;

/// How many photos one run of the page takes: a mistake in a file chooser must not fill the disk.
const MAX_PHOTOS: usize = 500;
/// How many names are tried for a new photo.
const MAX_NAME_ATTEMPTS: u64 = 100_000;
/// Decodes the photos of these ends in the background, so that they are ready when the page asks for them.
pub(super) fn prepare(state: &Arc<State>, ids: Vec<u64>) {
    let wanted: Vec<(u64, PathBuf)> = state
        .ends()
        .iter()
        .filter(|e| ids.contains(&e.id) && e.progress == Progress::Ready)
        .filter_map(|e| Some((e.id, e.start.photo.clone()?)))
        .collect();
    let state = Arc::clone(state);
    // if this fails, they are decoded when asked for
    let _ = std::thread::Builder::new()
        .name("prepare".to_owned())
        .spawn(move || {
            for id in ids {
                if let Some((_, path)) = wanted.iter().find(|(i, _)| *i == id) {
                    let _ = state.pictures.of(id, path);
                }
            }
        });
}

/// Decodes the photo of the end that the page shows first.
pub(in crate::server) fn prepare_first(state: &Arc<State>) {
    let first = {
        let ends = state.ends();
        let due = || ends.iter().find(|e| view::is_due(e));
        let due = state.cache.with_stable_files(due).or(ends.first());
        due.map(|e| e.id)
    };
    prepare(state, first.into_iter().collect());
}

pub(in crate::server) fn photo(state: &State, id: u64, part: &str) -> Result<Answer, Answer> {
    const NONE: &str = "there is no photo here";
    let none = || Answer::problem(404, "photo", NONE);
    let (path, record) = state.find(id, |open| {
        let record = open.record().ok().flatten();
        Ok((open.start.photo.clone().ok_or_else(none)?, record))
    })?;
    let shown: Arc<ShownPhoto> = state
        .pictures
        .of(id, &path)
        .map_err(|text| Answer::problem(404, "photo", &text))?;
    // pixels of the photo measured mean nothing in another one
    let of_record = record.and_then(|r| r.photo).map(|p| p.sha256);
    if of_record.is_some_and(|sha| !sha.is_empty() && sha != shown.photo.sha256) {
        return Err(Answer::problem(
            404,
            "other-photo",
            "the file of this name is another photo than the record was made from",
        ));
    }
    let bytes = if part == "whole" {
        Some(shown.reduced())
    } else {
        part.split_once('-')
            .and_then(|(c, r)| Some((number(c)?, number(r)?)))
            .and_then(|(c, r)| shown.tile(u32::try_from(c).ok()?, u32::try_from(r).ok()?))
    };
    bytes
        .map(|b| Answer::bytes("image/jpeg", b))
        .ok_or_else(none)
}

/// Saves a new photo in the folder under a name that the server chooses, and has it measured.
pub(in crate::server) fn upload(state: &State, request: &Request) -> Result<Answer, Answer> {
    debug_assert_eq!(request.path, UPLOAD);
    let refused = |status, text: &str| Err(Answer::problem(status, "photo", text));
    // the bytes say whether it is a photo; it is decoded later, one at a time
    if let Err(error) = photo::facts(&request.body) {
        return refused(422, &error.to_string());
    }
    let ending = if request.body.starts_with(b"\x89PNG") {
        "png"
    } else {
        "jpg"
    };
    let stored = state.session_file();
    if state.ends().len() >= MAX_PHOTOS {
        return refused(
            409,
            "there are too many photos on this page: start the program anew for the next ones",
        );
    }
    let sha256 = photo::fingerprint(&request.body);
    let shown = || {
        let mut ends = state.ends();
        ends.iter_mut()
            .find_map(|e| e.shows(&sha256).then_some(e.id))
    };
    if let Some(there) = state.cache.with_stable_files(shown) {
        return Ok(Answer::json(&json!({"id": there, "known": true})));
    }
    let session_file = stored.read()?;
    let path = save_new(state, ending, &request.body)?;
    let number = next_end(state);
    let session = stored.add_photo(&store::name_of(&path), number)?;
    let named = session_file
        .face
        .as_deref()
        .and_then(spec::by_name)
        .cloned();
    let paths = store::record_paths(
        &[(path.clone(), Some(sha256.clone()))],
        state.opening.records.as_deref(),
    );
    let start = EndSource {
        record: paths.into_iter().next().unwrap_or_default().path.into(),
        photo: Some(path),
        session: state.opening.flags.or(&session),
        face: state.opening.face.clone().or(named),
        measuring: state.opening.measuring.clone(),
    };
    let mut ends = state.ends();
    let id = ends.iter().map(|e| e.id).max().unwrap_or(0) + 1;
    let mut open = OpenEnd::new(id, start, Arc::clone(&state.cache));
    open.set_photo_sha256(sha256);
    ends.push(open);
    drop(ends);
    state.notify();
    Ok(Answer::json(&json!({"id": id})))
}

/// The number of the next end: one more than the highest so far.
fn next_end(state: &State) -> u64 {
    let ends = state.ends();
    let number = |e: &OpenEnd| {
        let record = e.record().ok().flatten();
        record.and_then(|r| r.session.end).or(e.start.session.end)
    };
    let numbers = || ends.iter().filter_map(number).max();
    let highest = state.cache.with_stable_files(numbers).unwrap_or(0);
    highest.max(
        ends.iter()
            .filter(|e| e.start.photo.is_some())
            .map(|_| 1)
            .sum(),
    ) + 1
}

/// Saves a photo under the first free name of the folder. Another program may take photos for the same folder at the same time.
fn save_new(state: &State, ending: &str, bytes: &[u8]) -> Result<PathBuf, Answer> {
    let failed = |e: StoreError| Answer::problem(500, "photo", &e.to_string());
    store::make_folder(&state.opening.folder).map_err(failed)?;
    for n in 1..MAX_NAME_ATTEMPTS {
        let path = state.opening.folder.join(format!("photo-{n}.{ending}"));
        let taken = ["jpg", "png", "end.json"]
            .iter()
            .any(|e| store::exists(&path.with_extension(e)));
        if !taken && store::write_new(&path, bytes).map_err(failed)? {
            return Ok(path);
        }
    }
    Err(Answer::problem(
        409,
        "photo",
        "no free name is left for a photo in this folder: start the page in another one",
    ))
}

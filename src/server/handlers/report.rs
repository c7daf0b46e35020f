//! What is given away: the report on the page's ends, as `day` writes it, without names; the bow's log card.

use crate::advice::{AdviceOptions, advise, levers};
use crate::record::{End, History, RecordFile};
use crate::report::{html, marked};
use crate::server::ends::{OpenEnd, Progress};
use crate::server::http::{Answer, Request};
use crate::server::state::State;
use crate::text;
use crate::timeline::{FaceLook, ReportInput, ReportRecords, label_of, trend};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Most bytes of a marked photo: a report must stay small enough to be sent.
const MAX_SHOWN_PHOTO_BYTES: usize = 120_000;

/// An end's id, its photo, and its record.
type ShownEnd = (u64, Option<PathBuf>, RecordFile);

/// The ends that are measured; what a record leaves open comes from the session file.
fn measured(state: &State) -> Vec<ShownEnd> {
    let shown = |e: &OpenEnd| {
        let mut end = e.record().ok().flatten()?;
        end.session = end.session.or(&e.start.session);
        let location = &e.start.record;
        let file = location.file.display().to_string();
        let line = location.number();
        Some((e.id, e.start.photo.clone(), RecordFile { file, line, end }))
    };
    let ends = state.ends();
    let ready = ends.iter().filter(|e| e.progress == Progress::Ready);
    state
        .cache
        .with_stable_files(|| ready.filter_map(shown).collect())
}

/// The bow's log card, as text.
pub(in crate::server) fn card(state: &State, request: &Request) -> Result<Answer, Answer> {
    let records = measured(state).into_iter().map(|(.., filed)| filed);
    let history = History::new(records.collect());
    let Some(run) = history.newest() else {
        return Err(Answer::problem(
            409,
            "no-ends",
            "there is no measured end yet",
        ));
    };
    let options = AdviceOptions {
        noted_since: state.session_file().read()?.changed_after_last_photo(),
        ..AdviceOptions::default()
    };
    let advice = advise(&history, &options);
    let words = text::card(
        &label_of(&history),
        &run.setup,
        &advice,
        &levers(&history),
        &trend(&history),
        request.locale(),
    );
    Ok(Answer::bytes(
        "text/plain; charset=utf-8",
        words.into_bytes(),
    ))
}

/// The report as an HTML document.
///
/// # Errors
/// The answer to the page when the session file can't be read.
pub(in crate::server) fn report(state: &State, request: &Request) -> Result<Answer, Answer> {
    let ends = measured(state);
    let marked: BTreeMap<String, Vec<u8>> = ends
        .iter()
        .filter_map(|(id, photo, filed)| {
            let picture = marked_photo(state, *id, photo.as_ref()?, &filed.end)?;
            Some((filed.file.clone(), picture))
        })
        .collect();
    let records: Vec<RecordFile> = ends.into_iter().map(|(_, _, filed)| filed).collect();
    let noted = state.session_file().read()?.changed_after_last_photo();
    let noted = records
        .iter()
        .filter_map(|filed| Some((filed.file.clone(), noted.clone()?)))
        .collect();
    let mut shown =
        ReportRecords::new(records, Vec::new(), Vec::new(), marked).with_noted_settings(noted);
    let _ = shown.remove_names();
    let input = ReportInput {
        title: String::new(),
        bows: shown.bow_reports(&AdviceOptions::default()),
        problems: Vec::new(),
        full: false,
    };
    let page = html::report(&input, request.locale());
    Ok(Answer::bytes("text/html; charset=utf-8", page.into_bytes()))
}

/// The marked photo of an end; `None` where it can't be drawn.
fn marked_photo(state: &State, id: u64, path: &Path, end: &End) -> Option<Vec<u8>> {
    let shown = state.pictures.of(id, path).ok()?;
    let of_record = end.photo.as_ref().map(|p| p.sha256.as_str());
    if of_record != Some(shown.photo.sha256.as_str()) {
        return None;
    }
    let look = end.face.as_ref().map(FaceLook::of_record);
    let look = look.unwrap_or_else(|| FaceLook::plain(0.0));
    marked::for_report(&shown.photo.pixels, end, &look, MAX_SHOWN_PHOTO_BYTES).ok()
}

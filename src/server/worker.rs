//! The thread that measures waiting photos, one after the other, the one that the page shows first.

use super::ends::{EditError, OpenEnd, Progress};
use super::state::State;
use crate::face::spec::FaceSpec;
use crate::measure::{self, MeasureOptions};
use crate::photo;
use crate::record::{Session, canonical};
use crate::store::{self, RecordLocation};
use std::path::PathBuf;

/// One photo to measure.
struct MeasureJob {
    id: u64,
    photo: PathBuf,
    record: RecordLocation,
    face: FaceSpec,
    session: Session,
    options: MeasureOptions,
}

/// Measures waiting photos until the process ends.
pub(super) fn work(state: &State) {
    loop {
        let job = next(state);
        let outcome = measure(state, &job);
        state.with_end(job.id, |end| match outcome {
            Ok(()) => {
                end.progress = Progress::Ready;
                end.failure = None;
            }
            Err(text) if end.record().is_ok_and(|r| r.is_some()) => {
                end.progress = Progress::Ready;
                end.failure = Some(text);
            }
            Err(text) => end.progress = Progress::Failed(text),
        });
    }
}

fn next(state: &State) -> MeasureJob {
    let mut ends = state.ends();
    loop {
        let shown = state.shown_id();
        let waits = |e: &&OpenEnd| e.progress == Progress::Waiting;
        let id = ends
            .iter()
            .filter(waits)
            .min_by_key(|e| (e.id != shown, e.id))
            .map(|e| e.id);
        if let Some(end) = ends.iter_mut().find(|e| Some(e.id) == id) {
            if let (Some(photo), Some(face)) = (end.start.photo.clone(), end.start.face.clone()) {
                end.progress = Progress::Measuring(None);
                return MeasureJob {
                    id: end.id,
                    photo,
                    record: end.start.record.clone(),
                    face,
                    session: end.start.session.clone(),
                    options: end.start.measuring.clone(),
                };
            }
            end.progress = Progress::NoFace;
            continue;
        }
        ends = state.wait(ends);
    }
}

/// Measures a photo and saves its record. Where a person has already worked on the record, only the camera is replaced, and the
/// entries keep their pixels.
fn measure(state: &State, job: &MeasureJob) -> Result<(), String> {
    let bytes = store::read(&job.photo).map_err(|e| e.to_string())?;
    let there = job.record.record().map_err(|e| e.to_string())?;
    let of_other = there
        .as_ref()
        .and_then(|end| end.photo.as_ref())
        .is_some_and(|p| !p.sha256.is_empty() && p.sha256 != photo::fingerprint(&bytes));
    if of_other {
        return Err(
            "the file of this name is another photo than the record was made from".to_owned(),
        );
    }
    let keep_entries = there.as_ref().is_some_and(store::is_touched);
    let measured = measure::measure(
        &bytes,
        &store::name_of(&job.photo),
        &job.face,
        job.session.clone(),
        &job.options,
        &mut |stage| {
            state.with_end(job.id, |end| {
                end.progress = Progress::Measuring(Some(stage))
            })
        },
    )
    .map_err(|e| e.to_string())?;
    let end = canonical::tidied(&measured.end).map_err(|e| e.to_string())?;
    state.keep_likely(job.id, &measured);
    state.pictures.keep(job.id, measured.photo)?;
    // the old record stays if no camera fits the points marked by hand
    let failed = end.failure.as_ref().filter(|_| end.camera.is_none());
    if let Some(failure) = failed.filter(|_| keep_entries || job.options.points.is_some()) {
        return Err(failure.text.clone());
    }
    if !keep_entries {
        let mut saved = Ok(());
        state.with_end(job.id, |_| {
            saved = job
                .record
                .propose(&end)
                .map(|_| ())
                .map_err(|e| e.to_string());
        });
        return saved;
    }
    let mut outcome = Ok(());
    state.with_end(job.id, |open| {
        outcome = open.refit(&end).map(|_| ()).map_err(|e| match e {
            EditError::Store(e) => e.to_string(),
            EditError::Review(e) => e.to_string(),
            EditError::Changed(_) | EditError::NothingToUndo => {
                "the record has changed: try once more".to_owned()
            }
        });
    });
    outcome
}

//! The thread that measures waiting photos, one after the other, the one that the page shows first.

use super::ends::Progress;
use super::measured::{MeasuredPhoto, finish, keep, next_waiting};
use super::state::State;
use crate::face::spec::FaceSpec;
use crate::measure::MeasureOptions;
use crate::record::Session;
use crate::store;
use std::path::PathBuf;

/// One photo to measure.
struct MeasureJob {
    id: u64,
    photo: PathBuf,
    face: FaceSpec,
    session: Session,
    options: MeasureOptions,
}

/// Measures waiting photos until the process ends.
pub(super) fn work(state: &State) {
    loop {
        let job = next(state);
        let outcome = measure(state, &job);
        finish(state, job.id, outcome);
    }
}

fn next(state: &State) -> MeasureJob {
    let mut ends = state.ends();
    loop {
        if let Some(end) = next_waiting(&mut ends, state.shown_id()) {
            if let (Some(photo), Some(face)) = (end.start.photo.clone(), end.start.face.clone()) {
                end.progress = Progress::Measuring(None);
                return MeasureJob {
                    id: end.id,
                    photo,
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

/// Measures a photo and saves its record.
fn measure(state: &State, job: &MeasureJob) -> Result<(), String> {
    let bytes = store::read(&job.photo).map_err(|e| e.to_string())?;
    let _turn = state.pictures.turn_of(&bytes);
    let (measured, photo) = MeasuredPhoto::of(
        &bytes,
        &store::name_of(&job.photo),
        &job.face,
        job.session.clone(),
        &job.options,
        &mut |stage| {
            state.with_end(job.id, |end| {
                end.progress = Progress::Measuring(Some(stage))
            });
        },
    )?;
    keep(state, job.id, measured, || {
        state.pictures.keep(job.id, photo).map(|_| ())
    })
}

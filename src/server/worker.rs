//! Photos that wait: measured one after the other, the one that is being looked at first.

use super::app::App;
use super::ends::{EditError, Progress};
use crate::face::spec::FaceSpec;
use crate::measure::{self, MeasureOptions};
use crate::record::{Session, canonical};
use crate::store::{self, RecordLocation};
use std::path::PathBuf;
use std::sync::Arc;

/// One photo to measure.
struct Job {
    id: u64,
    photo: PathBuf,
    record: RecordLocation,
    face: FaceSpec,
    session: Session,
    options: MeasureOptions,
}

/// Measures whatever waits, until the process ends.
pub(super) fn work(app: &Arc<App>) {
    loop {
        let job = next(app);
        let outcome = measure(app, &job);
        app.with_end(job.id, |end| match outcome {
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

fn next(app: &App) -> Job {
    let mut ends = app.ends();
    loop {
        let looked_at = app.looked_at();
        let waits = |e: &&super::ends::OpenEnd| e.progress == Progress::Waiting;
        let id = ends
            .iter()
            .filter(waits)
            .min_by_key(|e| (e.id != looked_at, e.id))
            .map(|e| e.id);
        if let Some(end) = ends.iter_mut().find(|e| Some(e.id) == id) {
            if let (Some(photo), Some(face)) = (end.start.photo.clone(), end.start.face.clone()) {
                end.progress = Progress::Measuring(None);
                return Job {
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
        ends = app.wait(ends);
    }
}

/// Measures a photo and saves what was found; where a person has worked on the record already, only the camera is fitted
/// anew and the entries keep their places in the picture.
fn measure(app: &App, job: &Job) -> Result<(), String> {
    let bytes = store::read(&job.photo).map_err(|e| e.to_string())?;
    let there = job.record.record().map_err(|e| e.to_string())?;
    let keeps = there.as_ref().is_some_and(store::is_touched);
    let measured = measure::measure(
        &bytes,
        &store::name_of(&job.photo),
        &job.face,
        job.session.clone(),
        &job.options,
        &mut |stage| {
            app.with_end(job.id, |end| {
                end.progress = Progress::Measuring(Some(stage))
            })
        },
    )
    .map_err(|e| e.to_string())?;
    let end = canonical::tidied(&measured.end).map_err(|e| e.to_string())?;
    app.pictures.keep(job.id, measured.photo)?;
    // what was found before stays where points marked by hand fit no camera
    let failed = end.failure.as_ref().filter(|_| end.camera.is_none());
    if let Some(failure) = failed.filter(|_| keeps || job.options.points.is_some()) {
        return Err(failure.text.clone());
    }
    if !keeps {
        let mut saved = Ok(());
        app.with_end(job.id, |_| {
            saved = job.record.propose(&end).map_err(|e| e.to_string());
        });
        return saved;
    }
    let mut outcome = Ok(());
    app.with_end(job.id, |open| {
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

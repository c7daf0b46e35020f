//! What measuring a photo gave, and what becomes of it: the thread of the server or a worker of a browser measures.

use super::ends::{EditError, OpenEnd, Progress};
use super::state::{LikelyPlace, State};
use crate::face::spec::FaceSpec;
use crate::measure::{self, MeasureOptions, Stage};
use crate::photo::Photo;
use crate::record::{End, Session, canonical};
use crate::store;
use serde::{Deserialize, Serialize};

/// What measuring a photo gave.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct MeasuredPhoto {
    /// The record with proposed entries.
    end: End,
    /// Places where a shaft may enter.
    likely: Vec<LikelyPlace>,
}

impl MeasuredPhoto {
    /// Measures a photo; returns it decoded too.
    ///
    /// # Errors
    /// A sentence for the user when it can't be decoded.
    pub(super) fn of(
        bytes: &[u8],
        name: &str,
        face: &FaceSpec,
        session: Session,
        options: &MeasureOptions,
        stage_ended: &mut dyn FnMut(Stage),
    ) -> Result<(Self, Photo), String> {
        let measured = measure::measure(bytes, name, face, session, options, stage_ended)
            .map_err(|e| e.to_string())?;
        let found = Self {
            end: canonical::rounded_record(&measured.end).map_err(|e| e.to_string())?,
            likely: LikelyPlace::all(&measured),
        };
        Ok((found, measured.photo))
    }
}

/// The end whose photo is measured next: the one that the page shows, else the first that waits.
pub(super) fn next_waiting(ends: &mut [OpenEnd], shown: u64) -> Option<&mut OpenEnd> {
    let waiting = ends.iter_mut().filter(|e| e.progress == Progress::Waiting);
    waiting.min_by_key(|e| (e.id != shown, e.id))
}

/// Saves what measuring the photo of an end gave. Where a person has already worked on the record, only the camera is replaced, and
/// the entries keep their pixels. `show` makes the photo ready to be shown.
pub(super) fn keep(
    state: &State,
    id: u64,
    measured: MeasuredPhoto,
    show: impl FnOnce() -> Result<(), String>,
) -> Result<(), String> {
    let MeasuredPhoto { end, likely } = measured;
    let mut known = None;
    state.with_end(id, |open| {
        known = Some((open.start.record.clone(), open.start.measuring.clone()));
    });
    let (record, options) = known.ok_or("this end is not on the page any more")?;
    let there = record.record().map_err(|e| e.to_string())?;
    let sha256 = |end: &End| end.photo.as_ref().map(|p| p.sha256.clone());
    let of_other = there.as_ref().and_then(sha256);
    if of_other.is_some_and(|sha| !sha.is_empty() && Some(sha) != sha256(&end)) {
        return Err(
            "the file of this name is another photo than the record was made from".to_owned(),
        );
    }
    let keep_entries = there.as_ref().is_some_and(store::has_manual_changes);
    state.keep_likely(id, likely);
    show()?;
    // the old record stays if no camera fits the points marked by hand
    let failed = end.failure.as_ref().filter(|_| end.camera.is_none());
    if let Some(failure) = failed.filter(|_| keep_entries || options.points.is_some()) {
        return Err(failure.text.clone());
    }
    let mut outcome = Ok(());
    state.with_end(id, |open| {
        outcome = if keep_entries {
            open.refit(&end).map(|_| ()).map_err(|e| match e {
                EditError::Store(e) => e.to_string(),
                EditError::Review(e) => e.to_string(),
                EditError::Changed(_) | EditError::NothingToUndo => {
                    "the record has changed: try once more".to_owned()
                }
            })
        } else {
            record.propose(&end).map(|_| ()).map_err(|e| e.to_string())
        };
    });
    outcome
}

/// Notes how measuring an end's photo ended.
pub(super) fn finish(state: &State, id: u64, outcome: Result<(), String>) {
    state.with_end(id, |end| match outcome {
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

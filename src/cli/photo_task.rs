//! A photo to measure, with all that is known about it.

use super::context::Context;
use super::input;
use super::progress::Progress;
use super::status::CliError;
use crate::face::spec::FaceSpec;
use crate::measure::{self, MeasureOptions, Measurement, Stage};
use crate::record::{End, Failure, Session, canonical};
use crate::store;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// A photo to measure.
#[derive(Debug)]
pub(super) struct PhotoTask {
    /// Its file.
    pub(super) path: PathBuf,
    /// Its face.
    pub(super) face: FaceSpec,
    /// The session of the end that it shows.
    pub(super) session: Session,
    /// How it is measured.
    pub(super) options: MeasureOptions,
}

impl PhotoTask {
    /// Looks up the face, the session and the options of a photo.
    ///
    /// # Errors
    /// When no face is named, or a file that is needed can't be read or is wrong.
    pub(super) fn new(path: &Path, context: &mut Context) -> Result<Self, CliError> {
        Ok(Self {
            path: path.to_owned(),
            face: context.face(path)?,
            session: context.session(path)?,
            options: context.options(path)?,
        })
    }

    /// Measures the photo. The record's numbers are rounded as they will be written.
    ///
    /// # Errors
    /// When the photo can't be read or decoded.
    pub(super) fn run(&self, bytes: &[u8], progress: &Progress) -> Result<Measurement, CliError> {
        let name = store::name_of(&self.path);
        self.measure(bytes, &mut |stage| progress.stage(&name, stage))
    }

    fn measure(
        &self,
        bytes: &[u8],
        stage_ended: &mut dyn FnMut(Stage),
    ) -> Result<Measurement, CliError> {
        let mut measurement = measure::measure(
            bytes,
            &store::name_of(&self.path),
            &self.face,
            self.session.clone(),
            &self.options,
            stage_ended,
        )
        .map_err(|e| CliError::from(e).about(&self.path))?;
        measurement.end = canonical::rounded_record(&measurement.end)
            .map_err(|e| CliError::from(e).about(&self.path))?;
        Ok(measurement)
    }

    /// Reads and measures the photo; also returns when each stage ended.
    pub(super) fn run_timed(
        &self,
        progress: &Progress,
    ) -> Result<(Measurement, StageTimes), CliError> {
        let (bytes, name) = (input::bytes(&self.path)?, store::name_of(&self.path));
        let start = Instant::now();
        let mut times = Vec::new();
        let measurement = self.measure(&bytes, &mut |stage| {
            times.push((stage, start.elapsed()));
            progress.stage(&name, stage);
        })?;
        Ok((measurement, times))
    }
}

/// When each stage ended, counted from the start of decoding.
pub(super) type StageTimes = Vec<(Stage, Duration)>;

/// The record of a photo that could not be read or decoded; it holds only the failure.
#[must_use]
pub(super) fn unreadable_record(error: &CliError) -> End {
    End {
        failure: Some(Failure {
            code: "unreadable".to_owned(),
            text: error.line(),
        }),
        ..End::default()
    }
}

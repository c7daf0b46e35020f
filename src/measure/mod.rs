//! From the bytes of a photo to an end record, in one call.

mod choice;
mod document;
mod entries;
mod fit;
mod notes;
mod options;

pub use document::face_record;
pub use options::{MeasureOptions, PhotoPoint, Pick};

use crate::face::spec::{self, FaceSpec};
use crate::face::{FaceError, FaceFit, pattern};
use crate::photo::{self, Photo, PhotoError};
use crate::record::{CameraRecord, End, FaceRecord, Failure, Note, Session};
use crate::shaft::{Shafts, WeightsError};
use crate::text;
use choice::{ChosenFace, choose_face};
use fit::{FitFailure, OTHER_FACE, fit_faces, fit_options_with_lens};
use thiserror::Error;

/// A stage of the pipeline.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// The photo is decoded and upright.
    Photo,
    /// The camera is fitted, or no face was found.
    Camera,
    /// The shafts are found.
    Shafts,
}

/// The result for a photo. Where no face is accepted the record carries a failure, and there is no fit.
#[derive(Debug)]
pub struct Measurement {
    /// The end record with proposed entries.
    pub end: End,
    /// The upright photo.
    pub photo: Photo,
    /// The camera, and the edges that it was fitted to.
    pub fit: Option<FaceFit>,
    /// The fits of the other faces of this kind, in the order of the record's `face.seen`.
    pub others: Vec<FaceFit>,
    /// The shafts, including those that are too doubtful to count.
    pub shafts: Option<Shafts>,
}

/// Why a photo could not be measured at all.
#[derive(Debug, Error)]
pub enum MeasureError {
    /// The bytes can't be decoded as a photo.
    #[error(transparent)]
    Photo(#[from] PhotoError),
    /// The program's weights of the shaft nets are damaged.
    #[error("the built-in shaft data cannot be used ({0}): build the program again")]
    Weights(#[from] WeightsError),
    /// The program's calibration data is damaged.
    #[error(transparent)]
    Calibration(FaceError),
}

/// Measures a photo: decodes it, fits the camera to the rings of the face `spec` (or to points marked by hand), finds the shafts,
/// and makes the record.
///
/// `file` is the photo's name for the record. `stage_ended` is called at the end of each stage.
///
/// # Errors
/// [`MeasureError`] when the bytes cannot be decoded. A photo without the face is no error: its record says so.
pub fn measure(
    bytes: &[u8],
    file: &str,
    spec: &FaceSpec,
    session: Session,
    options: &MeasureOptions,
    stage_ended: &mut dyn FnMut(Stage),
) -> Result<Measurement, MeasureError> {
    let photo = photo::open(bytes)?;
    stage_ended(Stage::Photo);
    let mut end = End {
        photo: Some(document::photo_record(&photo, file)),
        face: Some(FaceRecord {
            pattern: spec.pattern.clone(),
            ..face_record(spec)
        }),
        session,
        ..End::default()
    };
    let (fit_options, profile) = fit_options_with_lens(&photo, options, &mut end);
    let faces = match fit_faces(&photo, spec, options, &fit_options) {
        Ok(faces) => faces,
        Err(FitFailure::Photo(failure)) => {
            stage_ended(Stage::Camera);
            return Ok(failed(end, photo, failure));
        }
        Err(FitFailure::DamagedData(error)) => return Err(error),
    };
    stage_ended(Stage::Camera);
    let ChosenFace {
        fit,
        shafts,
        others,
        seen,
    } = match choose_face(&photo, spec, faces, options, &end.session)? {
        Ok(chosen) => chosen,
        Err(failure) => return Ok(failed(end, photo, failure)),
    };
    stage_ended(Stage::Shafts);
    end.camera = document::camera_record(&fit, profile, options);
    end.notes.extend(fit.notes.iter().map(text::notes::of_fit));
    if !others.is_empty() {
        end.notes.push(notes::several_faces(&seen, options));
        if let Some(face) = &mut end.face {
            face.seen = Some(seen);
        }
    }
    end.entries = entries::entries(&shafts, spec, &fit);
    entries::doubt_misfit(&mut end.entries, &fit);
    entries::propose_arrows(&mut end, &photo, &fit, spec, &shafts);
    if end.entries.is_empty() {
        end.notes.push(text::notes::no_shafts(shafts.shafts.len()));
    }
    end.notes.extend(notes::shafts_too_small(&fit));
    let setup = end.session.setup.as_ref();
    let given_mm = setup.and_then(|s| s.shaft_diameter_mm);
    if shafts.face_size_doubtful(given_mm) {
        end.notes.push(text::notes::face_size(
            &spec.name,
            shafts.thickness_mm.unwrap_or_default(),
            given_mm,
        ));
    }
    end.notes.extend(notes::count_differs(&end));
    Ok(Measurement {
        end,
        photo,
        fit: Some(fit),
        others,
        shafts: Some(shafts),
    })
}

/// The camera alone, with its notes: a preview of what points marked by hand lead to.
///
/// # Errors
/// Why there is no camera.
pub fn camera(
    photo: &Photo,
    spec: &FaceSpec,
    options: &MeasureOptions,
) -> Result<(CameraRecord, Vec<Note>), Failure> {
    let mut end = End::default();
    let (fit_options, profile) = fit_options_with_lens(photo, options, &mut end);
    let faces = fit_faces(photo, spec, options, &fit_options).map_err(|failure| match failure {
        FitFailure::Photo(failure) => failure,
        FitFailure::DamagedData(error) => Failure {
            code: "calibration".to_owned(),
            text: error.to_string(),
        },
    })?;
    let found = faces
        .first()
        .and_then(|fit| Some((document::camera_record(fit, profile, options)?, fit)));
    let Some((camera, fit)) = found else {
        return Err(Failure {
            code: "edge-on".to_owned(),
            text: "the face is seen edge-on: check where the points are marked".to_owned(),
        });
    };
    let notes = fit.notes.iter().map(text::notes::of_fit);
    end.notes.extend(notes);
    Ok((camera, end.notes))
}

fn failed(mut end: End, photo: Photo, mut failure: Failure) -> Measurement {
    if failure.code == OTHER_FACE {
        end.notes.push(Note::new(OTHER_FACE, failure.text.clone()));
        "no-face".clone_into(&mut failure.code);
    }
    if let Some(face) = &mut end.face {
        face.pattern = None;
    }
    end.failure = Some(failure);
    Measurement {
        end,
        photo,
        fit: None,
        others: Vec::new(),
        shafts: None,
    }
}

/// The built-in face of this nominal diameter whose pattern the photo shows, for a person who knows only the size.
///
/// # Errors
/// Why there is no such face.
pub fn face_of_size(
    photo: &Photo,
    size_mm: f64,
    options: &MeasureOptions,
) -> Result<&'static FaceSpec, Failure> {
    let failure = |code: &str, text: String| Failure {
        code: code.to_owned(),
        text,
    };
    let mut fit = options.fit.clone();
    fit.near = fit.near.or(options.point_px(photo));
    let Some(seen) = pattern::read(photo, &fit) else {
        return Err(failure(
            "no-face",
            "no face of any known pattern found: photograph the whole face with its rings free, or name it with --face".to_owned(),
        ));
    };
    let pattern = seen.pattern.clone().unwrap_or_default();
    let of_size = |f: &&FaceSpec| (f.diameter_mm - size_mm).abs() < 0.5;
    spec::of_pattern(&pattern).find(of_size).ok_or_else(|| {
        let sizes: Vec<String> = spec::of_pattern(&pattern)
            .map(|f| format!("{:.0}cm", f.diameter_mm / 10.0))
            .collect();
        failure(
            "no-such-face",
            format!(
                "the rings are those of a {pattern} face, which is known in {}: give one of these sizes, or name the face with --face",
                sizes.join(", ")
            ),
        )
    })
}

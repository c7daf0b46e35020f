//! The camera of each face in the photo: fitted to its rings, or to points marked by hand.

use super::{MeasureError, MeasureOptions};
use crate::face::spec::FaceSpec;
use crate::face::{self, FaceError, FaceFit, FitOptions, pattern};
use crate::lens;
use crate::manual_points::{self, ManualFitError};
use crate::photo::Photo;
use crate::record::{End, Failure};
use crate::text::notes;

/// Code of the note that the photo shows another pattern than that of the face named.
pub(super) const OTHER_FACE: &str = "other-face";

/// The options of the fit with the photo's lens profile, and the profile's name. A named profile that belongs to another camera
/// leads to a note.
pub(super) fn fit_options_with_lens(
    photo: &Photo,
    options: &MeasureOptions,
    end: &mut End,
) -> (FitOptions, Option<String>) {
    let mut fit = options.fit.clone();
    if fit.lens.is_some() || options.lenses.is_empty() {
        return (fit, None);
    }
    let picked = lens::pick(&options.lenses, photo, options.lens_named);
    let prior = picked
        .zip(lens::assumptions())
        .and_then(|(p, a)| Some((p.prior(photo, &a.at_the_range)?, p.name.clone())));
    if let Some((prior, name)) = prior {
        fit.lens = Some(prior);
        return (fit, Some(name));
    }
    if options.lens_named {
        let names: Vec<&str> = options.lenses.iter().map(|l| l.name.as_str()).collect();
        end.notes.push(notes::lens_other(&names));
    }
    (fit, None)
}

/// Why there is no camera.
pub(super) enum FitFailure {
    /// The photo can't be measured.
    Photo(Failure),
    /// The program's own data is damaged.
    DamagedData(MeasureError),
}

/// The faces that are accepted, at least one.
pub(super) fn fit_faces(
    photo: &Photo,
    spec: &FaceSpec,
    options: &MeasureOptions,
    fit: &FitOptions,
) -> Result<Vec<FaceFit>, FitFailure> {
    let failure = |code: &str, text: String| {
        FitFailure::Photo(Failure {
            code: code.to_owned(),
            text,
        })
    };
    if let Some(points) = &options.points {
        return match manual_points::fit(photo, spec, points, fit) {
            Ok(fit) => Ok(vec![fit]),
            Err(ManualFitError::Calibration) => Err(FitFailure::DamagedData(
                MeasureError::Calibration(FaceError::Calibration),
            )),
            Err(error) => Err(failure(error.code(), error.to_string())),
        };
    }
    let mut fit = fit.clone();
    fit.near = fit.near.or(options.point_px(photo));
    let up = options.up.map(|ends| ends.map(|p| p.in_px(photo)));
    fit.vertical = fit.vertical.or(up);
    face::fit_all(photo, spec, &fit).map_err(|error| match error {
        FaceError::NoFace {
            other: Some(face), ..
        } => {
            let words = pattern::words(face);
            failure(OTHER_FACE, format!("no {} found: {words}", spec.name))
        }
        FaceError::NoFace { .. } => failure("no-face", error.to_string()),
        FaceError::Calibration => FitFailure::DamagedData(MeasureError::Calibration(error)),
    })
}

//! The camera from points of the face that a person marked in the photo, for photos whose rings can't be read: `points` is
//! the file, `places` the names of places on a face, `solve` the camera, `outlier_test` which point doesn't fit.

mod assumptions;
mod outlier_test;
mod places;
mod points;
mod solve;

pub use points::{Mark, Points, PointsError, SCHEMA, template_csv, template_json};

use crate::face::{
    self, FaceFit, FitOptions, FitRemark, FitRemarkKind, FocalSource, Upright, UprightSource,
    spec::FaceSpec,
};
use crate::geometry::camera::{LN_F, ROLL};
use crate::geometry::{FacePoint, ImagePoint};
use crate::photo::Photo;
use solve::{CameraSolution, Correspondence};

/// Why no camera could be made of the points.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ManualFitError {
    /// Fewer than four.
    #[error(
        "{0} point(s) have a place in the picture, and four are needed: mark more of them, wide apart"
    )]
    TooFew(usize),
    /// They leave the camera open.
    #[error(
        "the points marked lie in a line or in one place, which leaves the camera open: mark some all around the face"
    )]
    InALine,
    /// Left and right, or up and down, are interchanged.
    #[error(
        "the points show the face as in a mirror: left and right, or up and down, are interchanged in their places; x is to the right and y up as the archer sees the face"
    )]
    Mirrored,
    /// Two points would fit if they changed places.
    #[error("{first} and {second} seem to be interchanged: mark them again")]
    Interchanged {
        /// One point.
        first: String,
        /// The other.
        second: String,
    },
    /// They don't fit one another.
    #[error(
        "the points don't fit one another; the worst is {worst}, {residual_px:.0} px off: look at that first, then check the others and the face's name"
    )]
    DoNotFit {
        /// The point that is farthest off.
        worst: String,
        /// By how much, px.
        residual_px: f64,
    },
    /// They fit no view of the face at all.
    #[error(
        "no camera sees the points where they are marked: some are interchanged or in the wrong place; check each, and mark more of them, so that the wrong one can be named"
    )]
    Contradiction,
    /// A point outside the picture.
    #[error(
        "{0} lies outside the picture of {1} × {2} px: its `px` must be those of the upright photo"
    )]
    Outside(String, u32, u32),
    /// The program's own data is damaged.
    #[error("the built-in calibration data cannot be read: build the program again")]
    Calibration,
}

impl ManualFitError {
    /// Stable code for the record's failure.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Self::TooFew(_) => "too-few-points",
            Self::InALine => "points-in-a-line",
            Self::Mirrored => "points-mirrored",
            Self::Interchanged { .. } => "points-interchanged",
            Self::DoNotFit { .. } | Self::Contradiction => "points-do-not-fit",
            Self::Outside(..) => "point-outside",
            Self::Calibration => "calibration",
        }
    }
}

/// Fits the camera to points that a person marked. Points that don't fit the others are left out and named in the notes,
/// where enough are left to tell.
///
/// # Errors
/// [`ManualFitError`]: what is wrong with the points, and what to do.
pub fn fit(
    photo: &Photo,
    spec: &FaceSpec,
    points: &Points,
    options: &FitOptions,
) -> Result<FaceFit, ManualFitError> {
    let assumed = assumptions::assumptions().ok_or(ManualFitError::Calibration)?;
    let prior = face::lens_prior(photo, options).ok_or(ManualFitError::Calibration)?;
    let known = known(photo, points, assumed)?;
    let tested = outlier_test::sound(&known, &prior)?;
    let notes = by_hand(&tested, &known);
    Ok(finished(tested.solved, notes, photo, spec, options))
}

/// Places on a face that are easy to find in a photo, by the names that [`Points`] know, with where they are.
#[must_use]
pub fn easy_places(spec: &FaceSpec) -> Vec<(String, FacePoint)> {
    places::easy(spec)
        .into_iter()
        .filter_map(|name| {
            let place = places::place(&name, spec).ok()?;
            Some((name, place.mm))
        })
        .collect()
}

fn known(
    photo: &Photo,
    points: &Points,
    assumed: &assumptions::Assumptions,
) -> Result<Vec<Correspondence>, ManualFitError> {
    let (w, h) = (f64::from(photo.width), f64::from(photo.height));
    let sd_px = points.sd_px.unwrap_or(assumed.tap_sd_px);
    let direction = points
        .direction_sd_deg
        .unwrap_or(assumed.direction_sd_deg)
        .to_radians();
    let mut out = Vec::new();
    for mark in &points.marks {
        let [x, y] = mark.px;
        if !(x >= -0.5 && y >= -0.5 && x <= w - 0.5 && y <= h - 0.5) {
            return Err(ManualFitError::Outside(
                mark.name(),
                photo.width,
                photo.height,
            ));
        }
        out.push(Correspondence {
            name: mark.name(),
            px: ImagePoint::new(x, y),
            mm: mark.mm,
            sd_px: mark.sd_px.unwrap_or(sd_px),
            along: mark
                .ring_centre
                .map(|c| (mark.mm.x - c.x, mark.mm.y - c.y))
                .map(|(dx, dy)| [-dy * direction, dx * direction]),
        });
    }
    if out.len() < solve::MIN_POINTS {
        return Err(ManualFitError::TooFew(out.len()));
    }
    Ok(out)
}

/// Code of the note on points that don't belong together.
pub(crate) const MISFIT_CODE: &str = "points-misfit";
/// Largest rms residual of points that belong together, in their stated standard deviations. Of eight points marked as stated
/// that happens about once in ten thousand times (chi-square of the residuals, eight degrees of freedom).
const MAX_MISFIT: f64 = 2.0;

fn by_hand(tested: &outlier_test::TestedFit, known: &[Correspondence]) -> Vec<FitRemark> {
    let by_hand = FitRemarkKind::ByHand {
        points: known.len() - tested.left_out.len(),
        rms_px: tested.solved.rms_px,
    };
    let mut notes = vec![FitRemark::new("by-hand", by_hand)];
    let kept = known.iter().enumerate();
    let kept = kept.filter(|(i, _)| !tested.left_out.iter().any(|(out, _)| out == i));
    let stated_px = kept.map(|(_, k)| k.sd_px).fold(0.0, f64::max);
    let rms_px = tested.solved.rms_px;
    if rms_px > MAX_MISFIT * stated_px {
        let misfit = FitRemarkKind::PointsMisfit { rms_px, stated_px };
        notes.push(FitRemark::new(MISFIT_CODE, misfit));
    }
    if !tested.left_out.is_empty() {
        let points = tested.left_out.iter();
        let left_out = FitRemarkKind::PointsLeftOut {
            points: points
                .map(|(i, miss)| (known[*i].name.clone(), *miss))
                .collect(),
            interchanged: tested.interchanged,
        };
        notes.push(FitRemark::new("points-left-out", left_out));
    }
    notes
}

/// The covariance as fits to rings state it: the roll apart from the rest.
fn finished(
    solved: CameraSolution,
    mut notes: Vec<FitRemark>,
    photo: &Photo,
    spec: &FaceSpec,
    options: &FitOptions,
) -> FaceFit {
    let mut covariance = solved.covariance;
    let roll = covariance[(ROLL, ROLL)].max(0.0);
    covariance.fill_row(ROLL, 0.0);
    covariance.fill_column(ROLL, 0.0);
    covariance[(ROLL, ROLL)] = roll;
    let focal_from = if options.lens.is_some() {
        FocalSource::Profile
    } else if photo.focal_from_exif_px().is_some() {
        FocalSource::Exif
    } else {
        FocalSource::Assumed
    };
    debug_assert!(covariance[(LN_F, LN_F)] >= 0.0);
    let mut fit = FaceFit {
        camera: solved.camera,
        covariance,
        fit_rms_px: solved.rms_px,
        upright: Upright {
            from: UprightSource::Person,
            sd_rad: roll.sqrt(),
        },
        focal_from,
        notes: Vec::new(),
        edges: Vec::new(),
        candidates: Vec::new(),
        sheet: None,
        evidence: None,
    };
    // what is said of rings that scatter isn't about points
    let remarks = face::remarks(&fit, photo, spec);
    notes.extend(remarks.into_iter().filter(|n| n.code != "rings-rough"));
    fit.notes = notes;
    fit
}

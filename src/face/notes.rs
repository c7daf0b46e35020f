//! Remarks about a fit that a person should know of: codes with their values.

use super::priors::equivalent_mm;
use super::spec::FaceSpec;
use super::{FaceFit, Sheet, UprightSource};
use crate::geometry::{FacePoint, ImagePoint};
use crate::math::count;
use crate::photo::Photo;
use std::f64::consts::TAU;

/// Below this tilt nocks hide entries and the rings don't show the focal length, degrees.
const SMALL_TILT_DEG: f64 = 8.0;
/// Above this tilt the far side is seen at a poor slant, degrees.
const LARGE_TILT_DEG: f64 = 50.0;
/// Share of the outer ring outside the picture from which it is said.
const CUT_SHARE: f64 = 0.05;
/// Roll less sure than this turns left and right into high and low noticeably, degrees (5 % at 3°).
const UNSURE_ROLL_DEG: f64 = 1.5;
/// Change of the focal length against EXIF (natural logarithm) that a good EXIF field does not need.
const FOCAL_LN_DIFFERENCE: f64 = 0.1;
/// Least difference of height of a sheet that is worth a note, mm.
const MIN_BULGE_MM: f64 = 3.0;
/// Scatter of ring edges that flat paper in focus does not show, px.
pub(super) const NOTED_RMS_PX: f64 = 1.0;

/// A remark about a fit: a code for programs, and the values of its sentence, which `text::notes` makes.
#[derive(Clone, Debug, PartialEq)]
pub struct FitRemark {
    /// Short code in kebab case.
    pub code: &'static str,
    /// What the sentence names.
    pub about: FitRemarkKind,
}

impl FitRemark {
    /// A remark of this code.
    #[must_use]
    pub const fn new(code: &'static str, about: FitRemarkKind) -> Self {
        Self { code, about }
    }
}

/// What a remark about a fit names. Angles in degrees.
#[derive(Clone, Debug, PartialEq)]
pub enum FitRemarkKind {
    /// Taken from almost straight ahead, by this angle.
    TiltSmall(f64),
    /// Taken from far to the side, by this angle.
    TiltLarge(f64),
    /// Share of the outer ring outside the picture.
    FaceCut(f64),
    /// The roll isn't known well.
    UprightUnsure {
        /// Its source.
        from: UprightSource,
        /// Its standard deviation.
        sd_deg: f64,
    },
    /// A source of the upright that contradicts the one taken.
    UprightDiffers {
        /// The source.
        source: UprightSource,
        /// The one taken.
        taken: UprightSource,
        /// The angle between them.
        off_deg: f64,
    },
    /// The rings show another focal length than the photo's own data; both as on 35 mm film, mm.
    FocalDoubtful {
        /// From the rings.
        rings_mm: f64,
        /// From the photo's data.
        exif_mm: f64,
    },
    /// The photo carries no focal length.
    NoFocalLength,
    /// Scatter of the rings about the fit, px.
    RingsRough(f64),
    /// Spots of the face that were seen and that were not, counted from the top.
    SpotsMissing {
        /// Seen.
        seen: Vec<usize>,
        /// Not seen.
        missing: Vec<usize>,
    },
    /// Little speaks for the face.
    FaceDoubtful,
    /// By how much the sheet stands off its plane, mm.
    SheetBends(f64),
    /// The picture is a part of a larger one.
    PhotoCropped,
    /// The two points marked for the upright were of no use.
    UprightMarksUnused,
    /// The camera was fitted to points that a person marked.
    ByHand {
        /// So many.
        points: usize,
        /// How far they miss the fit, rms, px.
        rms_px: f64,
    },
    /// The marked points don't belong together: they miss the fit by much more than was stated for them.
    PointsMisfit {
        /// How far they miss the fit, rms, px.
        rms_px: f64,
        /// What was stated, px.
        stated_px: f64,
    },
    /// Marked points that were left out, by name, with how far each is off, px.
    PointsLeftOut {
        /// The points.
        points: Vec<(String, f64)>,
        /// Two of them seem to be interchanged.
        interchanged: bool,
    },
}

/// All remarks, in a fixed order.
pub(super) fn notes(
    fit: &FaceFit,
    photo: &Photo,
    spec: &FaceSpec,
    against: &[(UprightSource, f64)],
    focal_freed: bool,
) -> Vec<FitRemark> {
    let mut out = Vec::new();
    let tilt = fit.camera.tilt_rad().to_degrees();
    if tilt < SMALL_TILT_DEG {
        out.push(FitRemark::new("tilt-small", FitRemarkKind::TiltSmall(tilt)));
    }
    if tilt > LARGE_TILT_DEG {
        out.push(FitRemark::new("tilt-large", FitRemarkKind::TiltLarge(tilt)));
    }
    let cut = outside(fit, photo, spec);
    if cut > CUT_SHARE {
        out.push(FitRemark::new("face-cut", FitRemarkKind::FaceCut(cut)));
    }
    let (taken, sd_deg) = (fit.upright.from, fit.upright.sd_rad.to_degrees());
    if sd_deg > UNSURE_ROLL_DEG {
        let about = FitRemarkKind::UprightUnsure {
            from: taken,
            sd_deg,
        };
        out.push(FitRemark::new("upright-unsure", about));
    }
    for &(source, off) in against {
        let about = FitRemarkKind::UprightDiffers {
            source,
            taken,
            off_deg: off.to_degrees().abs(),
        };
        out.push(FitRemark::new("upright-differs", about));
    }
    if let Some(exif_px) = photo.focal_from_exif_px() {
        let rings_px = fit.camera.lens.f_px;
        if focal_freed || (rings_px / exif_px).ln().abs() > FOCAL_LN_DIFFERENCE {
            let about = FitRemarkKind::FocalDoubtful {
                rings_mm: equivalent_mm(photo, rings_px),
                exif_mm: equivalent_mm(photo, exif_px),
            };
            out.push(FitRemark::new("focal-doubtful", about));
        }
    } else {
        out.push(FitRemark::new(
            "no-focal-length",
            FitRemarkKind::NoFocalLength,
        ));
    }
    if fit.fit_rms_px > NOTED_RMS_PX {
        out.push(FitRemark::new(
            "rings-rough",
            FitRemarkKind::RingsRough(fit.fit_rms_px),
        ));
    }
    out
}

/// Says which spots of the face were not seen, so that a person can tell whether the others are the right ones.
pub(super) fn spots_missing(members: &[Option<usize>]) -> Option<FitRemark> {
    let numbers = |seen: bool| -> Vec<usize> {
        let which = (1..).zip(members).filter(|(_, m)| m.is_some() == seen);
        which.map(|(number, _)| number).collect()
    };
    let about = FitRemarkKind::SpotsMissing {
        seen: numbers(true),
        missing: numbers(false),
    };
    members
        .contains(&None)
        .then(|| FitRemark::new("spots-missing", about))
}

/// Says that little speaks for the face.
pub(super) const fn doubtful() -> FitRemark {
    FitRemark::new("face-doubtful", FitRemarkKind::FaceDoubtful)
}

/// Says by how much the sheet stands off its plane; `None` where that is less than is worth a note.
pub(super) fn sheet(sheet: &Sheet, spec: &FaceSpec) -> Option<FitRemark> {
    let (low, high) = sheet.range_mm(spec);
    let by = high - low;
    (by > MIN_BULGE_MM).then(|| FitRemark::new("sheet-bends", FitRemarkKind::SheetBends(by)))
}

/// Says that the picture is a part of a larger one.
pub(super) const fn cropped() -> FitRemark {
    FitRemark::new("photo-cropped", FitRemarkKind::PhotoCropped)
}

/// Says that two points marked for the upright were of no use.
pub(super) const fn marks_too_near() -> FitRemark {
    FitRemark::new("upright-marks-unused", FitRemarkKind::UprightMarksUnused)
}

/// Share of the outermost rings outside the picture.
fn outside(fit: &FaceFit, photo: &Photo, spec: &FaceSpec) -> f64 {
    let (w, h) = (f64::from(photo.width) - 0.5, f64::from(photo.height) - 0.5);
    let inside = |p: ImagePoint| p.x > -0.5 && p.y > -0.5 && p.x < w && p.y < h;
    let r = spec.outer_radius_mm();
    let mut places = 0usize;
    let mut seen = 0usize;
    for spot in &spec.spots_mm {
        for k in 0..72u32 {
            let (sin, cos) = (TAU * f64::from(k) / 72.0).sin_cos();
            places += 1;
            let p = fit
                .camera
                .image_from_face(FacePoint::new(spot.x + r * cos, spot.y + r * sin));
            seen += usize::from(p.is_some_and(inside));
        }
    }
    1.0 - count(seen) / count(places.max(1))
}

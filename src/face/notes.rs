//! Remarks about a fit that a person should know of.

use super::priors::equivalent_mm;
use super::spec::FaceSpec;
use super::{FaceFit, Note, Sheet, UprightSource};
use crate::geometry::{FacePoint, ImagePoint};
use crate::math::count;
use crate::photo::Photo;
use std::f64::consts::TAU;

/// Below this tilt nocks hide entries and the rings don't show the focal length, degrees.
const SMALL_TILT_DEG: f64 = 8.0;
/// Above this tilt the far side is seen at a poor slant, degrees.
const LARGE_TILT_DEG: f64 = 50.0;
/// Share of the outer ring outside the picture from which it is said.
const CUT: f64 = 0.05;
/// Roll less sure than this turns left and right into high and low noticeably, degrees (5 % at 3°).
const UNSURE_ROLL_DEG: f64 = 1.5;
/// Change of the focal length against EXIF (natural logarithm) that a good EXIF field does not need.
const FOCAL_OFF: f64 = 0.1;
/// Least difference of height of a sheet that is worth a note, mm.
const LEAST_BULGE_MM: f64 = 3.0;
/// Scatter of ring edges that flat paper in focus does not show, px.
pub(super) const ROUGH_PX: f64 = 1.0;

fn note(code: &'static str, text: String) -> Note {
    Note { code, text }
}

/// All remarks, in a fixed order.
pub(super) fn notes(
    fit: &FaceFit,
    photo: &Photo,
    spec: &FaceSpec,
    against: &[(UprightSource, f64)],
    focal_freed: bool,
) -> Vec<Note> {
    let mut out = Vec::new();
    let tilt = fit.camera.tilt_rad().to_degrees();
    if tilt < SMALL_TILT_DEG {
        out.push(note(
            "tilt-small",
            format!("the photo was taken from {tilt:.0}° off the middle: nocks may hide the entries; next time step aside until you see the shafts from the side, 20° or so"),
        ));
    }
    if tilt > LARGE_TILT_DEG {
        out.push(note(
            "tilt-large",
            format!("the photo was taken from {tilt:.0}° to the side: the far part of the face is measured poorly; next time stand nearer to the front"),
        ));
    }
    let cut = outside(fit, photo, spec);
    if cut > CUT {
        out.push(note(
            "face-cut",
            format!(
                "{:.0} % of the outer ring lies outside the picture",
                100.0 * cut
            ),
        ));
    }
    let sd = fit.upright.sd_rad.to_degrees();
    if sd > UNSURE_ROLL_DEG {
        let from = match fit.upright.from {
            UprightSource::Camera => {
                "no straight edge of the paper or the boss was found, so the phone is taken to have been held upright"
            }
            _ => "the edges that show which way is up are few",
        };
        out.push(note(
            "upright-unsure",
            format!(
                "{from}: up may be off by {sd:.1}°; mark two points above each other to settle it"
            ),
        ));
    }
    for (source, off) in against {
        let off = off.to_degrees().abs();
        let look = if off > 45.0 {
            "which way up the photo lies, and whether of two marked points the lower was the first"
        } else {
            "whether the face hangs straight"
        };
        out.push(note(
            "upright-differs",
            format!(
                "{} would have up {off:.1}° elsewhere than {}: look {look}",
                says(*source),
                says(fit.upright.from)
            ),
        ));
    }
    if let Some(f) = photo.focal_from_exif_px() {
        let off = (fit.camera.lens.f_px / f).ln();
        if focal_freed || off.abs() > FOCAL_OFF {
            out.push(note(
                "focal-doubtful",
                format!(
                    "the rings show a lens of {:.0} mm (35 mm equivalent), the photo's own data says {:.0} mm: it was cropped or zoomed",
                    equivalent_mm(photo, fit.camera.lens.f_px),
                    equivalent_mm(photo, f)
                ),
            ));
        }
    } else {
        out.push(note(
            "no-focal-length",
            "the photo carries no focal length (copies sent through a messenger lose it): the camera's place is less sure; send the original".to_owned(),
        ));
    }
    if fit.fit_rms_px > ROUGH_PX {
        out.push(note(
            "rings-rough",
            format!(
                "the rings scatter by {:.1} px about the fit: blurred photo or crumpled paper",
                fit.fit_rms_px
            ),
        ));
    }
    out
}

/// Says which spots of the face were not seen, so that a person can tell whether the others are the right ones.
pub(super) fn spots_missing(members: &[Option<usize>]) -> Option<Note> {
    let numbers = |seen: bool| -> String {
        let which = members.iter().enumerate();
        let which = which.filter(|(_, m)| m.is_some() == seen);
        let which: Vec<String> = which.map(|(i, _)| (i + 1).to_string()).collect();
        which.join(" and ")
    };
    members.contains(&None).then(|| {
        note(
            "spots-missing",
            format!(
                "of the {} spots, counted from the top, number {} was not seen; those seen are taken for {}",
                members.len(),
                numbers(false),
                numbers(true)
            ),
        )
    })
}

/// Says that little speaks for the face.
pub(super) fn doubtful() -> Note {
    note(
        "face-doubtful",
        "what is seen is only somewhat more like this face than like anything else: look at the rings drawn over the photo (`--marked`), and mark points by hand if they lie off the print".to_owned(),
    )
}

/// Says by how much the sheet stands off its plane; `None` where that is less than is worth a note.
pub(super) fn sheet(sheet: &Sheet, spec: &FaceSpec) -> Option<Note> {
    let (low, high) = sheet.range_mm(spec);
    let by = high - low;
    (by > LEAST_BULGE_MM).then(|| {
        note(
            "sheet-bends",
            format!("the sheet is not flat: over the rings it bulges or sags by {by:.0} mm, which the millimetres allow for as far as the rings show it"),
        )
    })
}

/// Says that the picture is a part of a larger one.
pub(super) fn cropped() -> Note {
    note(
        "photo-cropped",
        "the rings fit only where the lens's middle isn't the picture's: it was cut out of a larger photo, and what is measured outside the rings is less sure; send the whole photo".to_owned(),
    )
}

/// Says that two points marked for the upright were of no use.
pub(super) fn marks_too_near() -> Note {
    note(
        "upright-marks-unused",
        "the two points marked one above the other are too near each other to show which way is up: mark them at least a quarter of the face apart".to_owned(),
    )
}

/// A source of the upright in words.
fn says(source: UprightSource) -> &'static str {
    match source {
        UprightSource::PaperEdge => "the paper's edge",
        UprightSource::BossEdge => "the boss's edge",
        UprightSource::Layout => "the layout of the spots",
        UprightSource::CentreMark => "the mark in the middle",
        UprightSource::Camera => "a phone held upright",
        UprightSource::Person => "the line that was marked",
        UprightSource::Fused => "what was taken",
    }
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

//! Notes of a record: what a person should know of how a photo was measured. Records keep them as they are written here, in
//! millimetres.

use super::numbers::percent;
use super::{Locale, Sentence};
use crate::face::{self, FitRemarkKind, UprightSource};
use crate::record::{FaceInPhoto, Note};

/// A remark about the fit as a note of the record.
pub(crate) fn of_fit(note: &face::FitRemark) -> Note {
    Note::new(note.code, note.text(Locale::default()))
}

impl Sentence for face::FitRemark {
    fn text(&self, locale: Locale) -> String {
        match &self.about {
            FitRemarkKind::TiltSmall(tilt) => format!(
                "the photo was taken from {tilt:.0}° off the middle: nocks may hide the entries; next time step aside until you see the shafts from the side, 20° or so"
            ),
            FitRemarkKind::TiltLarge(tilt) => format!(
                "the photo was taken from {tilt:.0}° to the side: the far part of the face is measured poorly; next time stand nearer to the front"
            ),
            FitRemarkKind::FaceCut(share) => format!(
                "{} of the outer ring lies outside the picture",
                percent(*share)
            ),
            FitRemarkKind::UprightUnsure { from, sd_deg } => format!(
                "{}: up may be off by {sd_deg:.1}°; mark two points above each other to settle it",
                match from {
                    UprightSource::Camera => {
                        "no straight edge of the paper or the boss was found, so the phone is taken to have been held upright"
                    }
                    _ => "the edges that show which way is up are few",
                }
            ),
            FitRemarkKind::UprightDiffers { source, taken, off_deg } => format!(
                "{} would have up {off_deg:.1}° elsewhere than {}: look {}",
                upright(*source),
                upright(*taken),
                if *off_deg > 45.0 {
                    "which way up the photo lies, and whether of two marked points the lower was the first"
                } else {
                    "whether the face hangs straight"
                }
            ),
            FitRemarkKind::FocalDoubtful { rings_mm, exif_mm } => format!(
                "the rings show a lens of {rings_mm:.0} mm (35 mm equivalent), the photo's own data says {exif_mm:.0} mm: it was cropped or zoomed"
            ),
            FitRemarkKind::NoFocalLength => {
                "the photo carries no focal length (copies sent through a messenger lose it): the camera's place is less sure; send the original".to_owned()
            }
            FitRemarkKind::RingsRough(px) => format!(
                "the rings scatter by {px:.1} px about the fit: blurred photo or crumpled paper"
            ),
            FitRemarkKind::SpotsMissing { seen, missing } => format!(
                "of the {} spots, counted from the top, number {} was not seen; those seen are taken for {}",
                seen.len() + missing.len(),
                list(missing),
                list(seen)
            ),
            FitRemarkKind::FaceDoubtful => {
                "what is seen is only somewhat more like this face than like anything else: look at the rings drawn over the photo (`--marked`), and mark points by hand if they lie off the print".to_owned()
            }
            FitRemarkKind::SheetBends(mm) => format!(
                "the sheet is not flat: over the rings it bulges or sags by {}, which the millimetres allow for as far as the rings show it",
                locale.length(*mm, 0)
            ),
            FitRemarkKind::PhotoCropped => {
                "the rings fit only if the picture was cropped from a larger photo: what is measured outside the rings is less sure; send the whole photo".to_owned()
            }
            FitRemarkKind::UprightMarksUnused => {
                "the two points marked one above the other are too near each other to show which way is up: mark them at least a quarter of the face apart".to_owned()
            }
            FitRemarkKind::ByHand { points, rms_px } => format!(
                "the camera was fitted to {points} points marked by a person, not to the rings; they miss the fit by {rms_px:.1} px (root mean square)"
            ),
            FitRemarkKind::PointsMisfit { rms_px, stated_px } => format!(
                "the points marked by hand don't belong together: they miss the fit by {rms_px:.1} px where {stated_px:.0} px were stated, so no millimetre here can be relied on; mark them again, or check that this is the right face"
            ),
            FitRemarkKind::PointsLeftOut { points, interchanged } => {
                let names: Vec<String> = points.iter().map(|(name, px)| format!("{name} ({px:.0} px off)")).collect();
                let [fit, out, them] = match names.len() {
                    1 => ["doesn't fit", "was", "it"],
                    _ => ["don't fit", "were", "them"],
                };
                format!(
                    "{} {fit} the other points and {out} left out{}; mark {them} again",
                    names.join(" and "),
                    if *interchanged { ": they seem to be interchanged" } else { "" }
                )
            }
        }
    }
}

fn list(numbers: &[usize]) -> String {
    let numbers: Vec<String> = numbers.iter().map(usize::to_string).collect();
    numbers.join(" and ")
}

/// A source of the upright that is held against another.
const fn upright(source: UprightSource) -> &'static str {
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

/// Which of several faces was taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum FaceChoice {
    /// The largest of those that hold shafts.
    Largest,
    /// The one of a number.
    ByNumber,
    /// The one nearest to a point.
    Nearest,
}

/// Several faces are in the photo.
pub(crate) fn several_faces(seen: &[FaceInPhoto], taken: FaceChoice) -> Note {
    let list = (1..).zip(seen).map(|(number, face)| {
        let [x, y] = face.px;
        let taken = if face.taken { ", taken" } else { "" };
        format!(
            "{number} at {x:.0},{y:.0} with {} shaft(s){taken}",
            face.shafts
        )
    });
    let why = match taken {
        FaceChoice::Largest => {
            "of those that hold shafts the largest is taken (of several about as large the nearest to the middle); --which N or --at X,Y takes another"
        }
        FaceChoice::ByNumber => "taken by its number",
        FaceChoice::Nearest => "the nearest to the point given is taken",
    };
    Note::new(
        "several-faces",
        format!(
            "{} faces of this kind are in the photo ({}): {why}",
            seen.len(),
            list.collect::<Vec<_>>().join("; ")
        ),
    )
}

/// None of these lens profiles is for the photo.
pub(crate) fn lens_other(profiles: &[&str]) -> Note {
    Note::new(
        "lens-other",
        format!(
            "the lens profile ({}) is for another camera, lens, zoom or shape of picture than this photo's, so it wasn't used",
            profiles.join("; ")
        ),
    )
}

/// No shaft was found, but so many places that might be one.
pub(crate) fn no_shafts(doubtful: usize) -> Note {
    let seen = match doubtful {
        0 => String::new(),
        n => format!(" ({n} doubtful place(s) looked at)"),
    };
    Note::new(
        "no-shafts",
        format!(
            "the face was found, but no shaft in it{seen}; if there are shafts, add them by hand or photograph again from one step to the side"
        ),
    )
}

/// A shaft would be only so wide in the picture.
pub(crate) fn shafts_too_small(width_px: f64) -> Note {
    Note::new(
        "shafts-too-small",
        format!(
            "the face is found, but a shaft would be only {width_px:.1} px wide: what is said of shafts can't be relied on; go nearer, or send the original photo instead of a reduced copy"
        ),
    )
}

/// On a face of this size the shafts would be thicker or thinner than shafts are, or than those given.
pub(crate) fn face_size(face: &str, thickness_mm: f64, given_mm: Option<f64>) -> Note {
    let given = given_mm.map_or_else(String::new, |mm| format!(" (stated: {mm} mm)"));
    Note::new(
        "face-size-doubtful",
        format!(
            "on a {face} face the shafts would be {thickness_mm:.1} mm thick{given}; check the face's size, since every millimetre hangs on it"
        ),
    )
}

/// The photo shows other numbers of shafts ([fletched, bare]) than were given.
pub(crate) fn count_differs(given: [u32; 2], seen: [usize; 2]) -> Note {
    Note::new(
        "count-differs",
        format!(
            "{} fletched and {} bare shafts were stated, {} and {} were found; check the entries before you rely on them, and note shots that missed",
            given[0], given[1], seen[0], seen[1]
        ),
    )
}

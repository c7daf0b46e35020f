//! The notes of a record that concern several faces, or the shafts found.

use super::entries::MIN_COUNTED_CONFIDENCE;
use super::{MeasureOptions, Pick};
use crate::face::FaceFit;
use crate::face::spec::FaceSpec;
use crate::geometry::FacePoint;
use crate::record::{End, Entry, EntryKind, Note, SeenFace};
use crate::shaft::Shafts;

/// The photo shows several faces of this kind.
pub(super) fn several_faces(seen: &[SeenFace], options: &MeasureOptions) -> Note {
    let list: Vec<String> = (1..)
        .zip(seen)
        .map(|(i, f)| {
            format!(
                "{i} at {:.0},{:.0} with {} shaft(s){}",
                f.px[0],
                f.px[1],
                f.shafts,
                if f.taken { ", taken" } else { "" }
            )
        })
        .collect();
    let why = match options.pick {
        None if options.fit.near.is_none() => {
            "of those that hold shafts the largest is taken (of several about as large the nearest to the middle); --which N or --at X,Y takes another"
        }
        Some(Pick::Number(_)) => "taken by its number",
        _ => "the nearest to the point told is taken",
    };
    Note::new(
        "several-faces",
        format!(
            "{} faces of this kind are in the photo ({}): {why}",
            seen.len(),
            list.join("; ")
        ),
    )
}

/// The face holds no shaft; `doubtful` places were considered.
pub(super) fn no_shafts(doubtful: usize) -> Note {
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

/// Width of a usual shaft, mm.
const SHAFT_WIDTH_MM: f64 = 5.5;
/// Width in the picture below which shafts can't be measured, px. On drawn photos (`examples/sweep.rs`) 58 % of shafts 1.0 px wide
/// (from 9 m) were found, and 93 % of those 1.5 px wide (from 6 m).
const MIN_SHAFT_WIDTH_PX: f64 = 1.25;

/// The shafts are too small in the picture to be measured.
pub(super) fn shafts_too_small(fit: &FaceFit) -> Option<Note> {
    let at = |x, y| fit.camera.image_from_face(FacePoint::new(x, y));
    let (middle, right, up) = (at(0.0, 0.0)?, at(10.0, 0.0)?, at(0.0, 10.0)?);
    let px_per_mm = 0.1 * middle.distance(right).max(middle.distance(up));
    let wide = SHAFT_WIDTH_MM * px_per_mm;
    (wide < MIN_SHAFT_WIDTH_PX).then(|| {
        Note::new(
            "shafts-too-small",
            format!(
                "the face is found, but a shaft would be only {wide:.1} px wide: what is said of shafts can't be relied on; go nearer, or send the original photo instead of a reduced copy"
            ),
        )
    })
}

/// On a face of the size named, the shafts would be thicker or thinner than any shaft, or than `given_mm`.
pub(super) fn face_size(shafts: &Shafts, spec: &FaceSpec, given_mm: Option<f64>) -> Note {
    let thick = shafts.thickness_mm.unwrap_or_default();
    let given = given_mm.map_or_else(String::new, |t| format!(" (told: {t} mm)"));
    Note::new(
        "face-size-doubtful",
        format!(
            "on a {} face the shafts would be {thick:.1} mm thick{given}; check the face's size, since every millimetre hangs on it",
            spec.name
        ),
    )
}

/// The photo shows another number of shafts than the session gives.
pub(super) fn count_differs(end: &End) -> Option<Note> {
    let (fletched, bare) = end.session.fletched.zip(end.session.bare)?;
    let of = |kind| {
        let counted =
            |e: &&Entry| e.kind == kind && e.confidence.is_none_or(|c| c >= MIN_COUNTED_CONFIDENCE);
        end.entries.iter().filter(counted).count()
    };
    let seen = (of(EntryKind::Fletched), of(EntryKind::Bare));
    (seen != (fletched as usize, bare as usize)).then(|| {
        Note::new(
            "count-differs",
            format!(
                "{fletched} fletched and {bare} bare shafts were told, {} and {} were found; check the entries before you rely on them, and note shots that missed",
                seen.0, seen.1
            ),
        )
    })
}

//! The notes of a record that concern several faces, or the shafts found.

use super::{MeasureOptions, Pick};
use crate::face::FaceFit;
use crate::geometry::FacePoint;
use crate::record::{ArrowKind, End, Entry, FaceInPhoto, Note};
use crate::text::notes;

/// The photo shows several faces of this kind.
pub(super) fn several_faces(seen: &[FaceInPhoto], options: &MeasureOptions) -> Note {
    let taken = match options.pick {
        None if options.fit.near.is_none() => notes::FaceChoice::Largest,
        Some(Pick::Number(_)) => notes::FaceChoice::ByNumber,
        _ => notes::FaceChoice::Nearest,
    };
    notes::several_faces(seen, taken)
}

/// Width of a usual shaft, mm.
const SHAFT_WIDTH_MM: f64 = 5.5;
/// Width in the picture below which shafts can't be measured, px. On drawn photos (`examples/measuring/sweep.rs`) 58 % of shafts 1.0 px wide
/// (from 9 m) were found, and 93 % of those 1.5 px wide (from 6 m).
const MIN_SHAFT_WIDTH_PX: f64 = 1.25;

/// The shafts are too small in the picture to be measured.
pub(super) fn shafts_too_small(fit: &FaceFit) -> Option<Note> {
    let at = |x, y| fit.camera.image_from_face(FacePoint::new(x, y));
    let (middle, right, up) = (at(0.0, 0.0)?, at(10.0, 0.0)?, at(0.0, 10.0)?);
    let px_per_mm = 0.1 * middle.distance(right).max(middle.distance(up));
    let wide = SHAFT_WIDTH_MM * px_per_mm;
    (wide < MIN_SHAFT_WIDTH_PX).then(|| notes::shafts_too_small(wide))
}

/// The photo shows another number of shafts than the session gives.
pub(super) fn count_differs(end: &End) -> Option<Note> {
    let (fletched, bare) = end.session.fletched.zip(end.session.bare)?;
    let of = |kind| {
        let counted = |e: &&Entry| e.kind == kind && e.counts();
        end.entries.iter().filter(counted).count()
    };
    let seen = [of(ArrowKind::Fletched), of(ArrowKind::Bare)];
    (seen != [fletched, bare].map(|n| n as usize))
        .then(|| notes::count_differs([fletched, bare], seen))
}

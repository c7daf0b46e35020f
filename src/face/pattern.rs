//! Which pattern of colours and ratios a photo shows, whatever the face is called.

use super::projection::Projection;
use super::spec::{self, FaceSpec};
use super::{Copies, Effort, FaceFit, FitOptions, Sheet, accepted, evidence};
use crate::geometry::FacePoint;
use crate::imaging::pyramid::{self, Pyramid};
use crate::photo::Photo;

/// A pattern explains a face better than another when it is likelier by this, nats: about one change of colour that is there
/// against one that is not.
const BETTER_NATS: f64 = 15.0;
/// Each spot that stands where a layout has it speaks for that layout by this, nats.
const SPOT_NATS: f64 = 10.0;
/// Outer radius, px, of the copy on which colours are looked at.
const RADIUS_PX: f64 = 250.0;

/// Looks for faces of every built-in pattern of whole sheets, and gives one face of the pattern that explains the photo best. `None`
/// where none is accepted. The size can't be seen.
#[must_use]
pub fn read(photo: &Photo, options: &FitOptions) -> Option<&'static FaceSpec> {
    likeliest(&Copies::of(photo), whole_patterns(), options).map(|(_, face)| face)
}

/// A face of another pattern than that of `named`, which was not found, where it explains the photo best.
pub(super) fn instead_of(
    copies: &Copies,
    named: &FaceSpec,
    options: &FitOptions,
) -> Option<&'static FaceSpec> {
    let is_named = |face: &&FaceSpec| face.pattern == named.pattern;
    let others = whole_patterns().filter(|f| !is_named(f));
    let (nats, other) = likeliest(copies, others, options)?;
    // what was refused at full size may still explain the small copy better
    let refused = likeliest(copies, whole_patterns().filter(is_named), options);
    refused.is_none_or(|(r, _)| r < nats).then_some(other)
}

/// One face of each pattern. A trimmed sheet has the rings of the whole one, but for those that are cut away.
fn whole_patterns() -> impl Iterator<Item = &'static FaceSpec> {
    spec::patterns().filter(|face| !face.trimmed)
}

/// The face that explains the photo best, and by how much, nats.
fn likeliest(
    copies: &Copies,
    faces: impl Iterator<Item = &'static FaceSpec>,
    options: &FitOptions,
) -> Option<(f64, &'static FaceSpec)> {
    let mut best: Option<(f64, &FaceSpec)> = None;
    for face in faces {
        let Ok(fits) = accepted(copies, face, options, &Effort::PATTERN) else {
            continue;
        };
        for fit in &fits {
            let Some(evidence) = fit.evidence else {
                continue;
            };
            let spots = fit.candidates.first().map_or(1, |c| c.spots);
            let nats = evidence.total() + SPOT_NATS * crate::math::count(spots.max(1) - 1);
            // a pattern listed later must explain more
            if best.is_none_or(|b| nats > b.0) {
                best = Some((nats, face));
            }
        }
    }
    best
}

/// The pattern of a face in words, with the faces that have it.
#[must_use]
pub fn words(seen: &FaceSpec) -> String {
    let pattern = seen.pattern.clone().unwrap_or_default();
    let names: Vec<String> = spec::of_pattern(&pattern)
        .map(|f| format!("--face {}", f.name))
        .collect();
    format!(
        "the rings are those of a {pattern} face, which has {}; the size can't be seen, so name the right one",
        names.join(" or ")
    )
}

/// A face whose pattern explains the colours around a fitted camera clearly better than the face that was fitted: its rings would
/// stand at the same places, but in other colours. Only among faces of one centre.
pub(super) fn better(
    pyramid: &Pyramid,
    named: &FaceSpec,
    fit: &FaceFit,
) -> Option<&'static FaceSpec> {
    // of a trimmed sheet only the rings that are left are known
    if named.spots_mm.len() > 1 || named.trimmed {
        return None;
    }
    let outer = FacePoint::new(0.0, named.outer_radius_mm());
    let radius_px = fit
        .camera
        .image_from_face(outer)?
        .distance(fit.camera.image_from_face(FacePoint::default())?);
    let level = (0..pyramid::LEVELS - 1)
        .take_while(|k| radius_px / pyramid::factor(k + 1) >= RADIUS_PX)
        .count();
    let projection = Projection {
        camera: pyramid::camera_at(&fit.camera, level),
        sheet: fit.sheet.unwrap_or_else(Sheet::flat),
    };
    let nats = |face: &FaceSpec| evidence::of_colour(pyramid.level(level), &projection, face).0;
    let of_named = nats(named);
    let colour_changes = |face: &FaceSpec| -> Vec<f64> {
        let boundaries = face.boundaries().into_iter();
        boundaries
            .filter(|b| !b.is_line())
            .map(|b| b.radius_mm)
            .collect()
    };
    let mut best: Option<(f64, &'static FaceSpec)> = None;
    let others = spec::patterns()
        .filter(|f| f.spots_mm.len() == 1 && !f.trimmed && f.pattern != named.pattern);
    for face in others {
        // the size isn't known: any change of colour of the one may be any of the other
        for there in colour_changes(named) {
            for here in colour_changes(face) {
                let n = nats(&face.enlarged(there / here));
                if n > of_named + BETTER_NATS && best.is_none_or(|b| n > b.0) {
                    best = Some((n, face));
                }
            }
        }
    }
    best.map(|b| b.1)
}

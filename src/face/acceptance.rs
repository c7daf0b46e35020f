//! Whether a fitted camera stands on the face: what speaks for it, and the bars that it has to pass.

use super::evidence::{self, Evidence};
use super::fit::CameraFit;
use super::refine::{MAX_SHARP_BLUR_SD_PX, RefinedFit, Refiner, Round};
use super::start::SpotAssignment;
use super::weights::median_scale;
use super::{Refusal, edges};
use crate::geometry::FacePoint;
use crate::imaging::pyramid;

/// Below this many px per mm shafts can't be seen, nor a face be distinguished from other rings.
const MIN_PX_PER_MM: f64 = 0.08;
/// Width that printed lines have at least in practice, mm, and the width in the picture from which some must show, px.
const LINE_MM: f64 = 0.8;
const LINE_SHOWS_PX: f64 = 0.12;
/// Most that a face out of focus is blurred, share of its radius: beyond it there are no rings.
const MAX_BLUR: f64 = 0.03;

impl Refiner<'_> {
    /// What the colours say of a fit, nats, and how many changes of colour show; on the copy on which the face is small.
    pub(super) fn colour(&self, fitted: &CameraFit) -> (f64, usize) {
        let mut projection = fitted.projection(self.spec.reach_mm());
        let scale = self.spec.spots_mm.first().and_then(|spot| {
            let beside = FacePoint::new(spot.x, spot.y + 0.5 * self.spec.outer_radius_mm());
            let (a, b) = (
                projection.image_from_print(*spot)?,
                projection.image_from_print(beside)?,
            );
            Some(2.0 * a.distance(b))
        });
        let level = Self::rounds(scale.unwrap_or(0.0))
            .first()
            .map_or(0, |r| r.level);
        projection.camera = pyramid::camera_at(&fitted.camera, level);
        evidence::of_colour(self.pyramid.level(level), &projection, self.spec)
    }

    /// What speaks for the face where the fit has it.
    pub(super) fn evidence(
        &self,
        fitted: &CameraFit,
        found: &edges::FoundEdges,
        sd_px: &[f64],
        round: Round,
    ) -> Evidence {
        let (colour, boundaries) = self.colour(fitted);
        let mut out = Evidence::none(self.spec);
        out.colour = colour;
        out.boundaries = boundaries;
        let reach_px = round.reach_px * pyramid::factor(round.level);
        for (b, boundary) in self.spec.boundaries().iter().enumerate() {
            let on_ring = found.edges.iter().zip(&fitted.residuals_px);
            let residuals: Vec<f64> = on_ring
                .filter(|(e, _)| e.boundary == b)
                .map(|(_, r)| *r)
                .collect();
            let nats =
                evidence::of_edges(&residuals, found.profiles_searched[b], reach_px, sd_px[b]);
            if boundary.is_line() {
                out.lines += nats;
            } else {
                out.edges += nats;
            }
        }
        out
    }

    /// Whether the rings are those of the face.
    pub(super) fn check(
        &self,
        refined: &RefinedFit,
        assignment: &SpotAssignment,
    ) -> Result<(), Refusal> {
        let px_per_mm = median_scale(&refined.edges);
        if px_per_mm < MIN_PX_PER_MM {
            return Err(Refusal::TooSmall {
                width_px: 2.0 * self.spec.outer_radius_mm() * px_per_mm,
            });
        }
        let evidence = refined.evidence;
        if !evidence.is_enough() {
            return Err(Refusal::Unlikely { evidence });
        }
        let lined = self.spec.boundaries().iter().any(|b| b.is_line());
        let blur_px = refined.found.blur_px * pyramid::factor(refined.level);
        let radius_px = self.spec.outer_radius_mm() * px_per_mm;
        let soft = (MAX_SHARP_BLUR_SD_PX..MAX_BLUR * radius_px).contains(&blur_px);
        let enough = if soft {
            // blur hides lines: the rest must then be beyond doubt
            evidence.has_lines() || !evidence.is_doubtful()
        } else if LINE_MM * px_per_mm > LINE_SHOWS_PX {
            evidence.has_lines()
        } else {
            evidence.does_without_lines()
        };
        // several spots in the layout of the face, beyond doubt, need no lines
        let one_spot = assignment.members.iter().flatten().count() == 1;
        if lined && (one_spot || evidence.is_doubtful()) && !enough {
            return Err(Refusal::NoLines { evidence });
        }
        Ok(())
    }
}

//! The first stage: peaks of the face map, and one net along each.

use super::nets::Nets;
use super::view_geometry::ViewGeometry;
use super::{View, choose, map, peaks, picture, strip, tensor};
use crate::geometry::FacePoint;
use image::RgbImage;
use rayon::prelude::*;

/// Pixels of the reduced photo per millimetre of the face.
pub(super) const PX_PER_MM: f64 = 1.25;
/// Whether a place belongs to this face and not to one of the `others` that hang beside it: to the nearest.
pub(super) fn is_own(view: &View, others: &[FacePoint], p: FacePoint) -> bool {
    let nearest = |centres: &[FacePoint]| {
        let distances = centres.iter().map(|c| c.distance(p));
        distances.fold(f64::INFINITY, f64::min)
    };
    others.is_empty() || nearest(view.spot_centres) <= nearest(others)
}

/// Candidates whose map score is less are not asked how shafts stand on the whole, and how large they are ([`super::pose`]).
pub(super) const LEAST_POSE_SCORE: f64 = 0.15;
/// Most of those.
pub(super) const MOST_POSE_CANDIDATES: usize = 14;

/// The first stage of a photo: every candidate with one net along it.
pub(super) struct FirstStage<'a> {
    pub(super) geometry: ViewGeometry<'a>,
    pub(super) photo: picture::Reduced<'a>,
    pub(super) map: map::FaceMap,
    pub(super) scores: tensor::Tensor,
    pub(super) peaks: Vec<peaks::Peak>,
    pub(super) candidates: Vec<choose::ScoredCandidate>,
}

impl<'a> FirstStage<'a> {
    pub(super) fn new(
        nets: &Nets,
        pixels: &'a RgbImage,
        geometry: ViewGeometry<'a>,
        view: &View,
        others: &[FacePoint],
    ) -> Option<Self> {
        let photo = picture::Reduced::new(pixels, geometry.scale_px_per_mm()? / PX_PER_MM);
        let map = map::FaceMap::new(&photo, &geometry)?;
        let scores = nets.map.run(map.cells(&photo, &geometry));
        let peaks = peaks::find(&map, &scores);
        let mut seen = Self {
            geometry,
            photo,
            map,
            scores,
            peaks,
            candidates: Vec::new(),
        };
        let own = |k: &usize| {
            is_own(
                view,
                others,
                seen.geometry.to_nominal_scale(seen.peaks[*k].point),
            )
        };
        let own = (0..seen.peaks.len()).filter(own).collect();
        seen.candidates =
            seen.candidates_along(own, &|_, strip| strip::first_stage(&nets.strips[0], strip));
        Some(seen)
    }

    /// The peaks of these numbers, with what `scorer` makes of the strips along them.
    pub(super) fn candidates_along(
        &self,
        numbers: Vec<usize>,
        scorer: StripScorer,
    ) -> Vec<choose::ScoredCandidate> {
        // shafts in a neighbouring face don't belong to this one, but their images cross the strips all the same
        let axes = strip::ProjectedAxes::new(&self.peaks, self.map.foot(), self.map.distance_mm());
        let candidate = |own: usize| {
            let peak = self.peaks[own].clone();
            let axis = strip::axis(peaks::away(peak.point, self.map.foot()), peak.slope);
            let place = (peak.point, axis);
            let strip = strip::cut(&self.photo, &self.geometry, place, (own, &axes));
            let output = scorer(&peak, &strip);
            choose::ScoredCandidate {
                number: own,
                peak,
                axis,
                output,
            }
        };
        numbers.into_par_iter().map(candidate).collect()
    }

    /// The candidates that are plain on the map.
    pub(super) fn plain(&self) -> impl Iterator<Item = &choose::ScoredCandidate> {
        let plain = self
            .candidates
            .iter()
            .filter(|c| c.peak.score >= LEAST_POSE_SCORE);
        plain.take(MOST_POSE_CANDIDATES)
    }

    /// How well the net recognises along the plain candidates what the map takes for shafts, for each of them: as shafts, and with their
    /// nocks where shafts of one usual length have them. `None` where there are hardly any.
    pub(super) fn mean_detection_score(&self) -> Option<f64> {
        let plain: Vec<choose::ScoredCandidate> = self.plain().cloned().collect();
        let number: f64 = plain.iter().map(|c| c.peak.score).sum();
        let both = strip_evidence(&plain) + NOCK_FIT_WEIGHT * choose::of_usual_length(&plain);
        (number >= LEAST_TO_DOUBT).then(|| both / number)
    }
}

/// What the strips along candidates say for their being shafts.
pub(super) fn strip_evidence(candidates: &[choose::ScoredCandidate]) -> f64 {
    let part = |c: &choose::ScoredCandidate| c.peak.score * c.output.shaft.clamp(-4.0, 4.0);
    candidates.iter().map(part).sum()
}

/// Weight of where the nocks lie beside the strips' log-odds of being shafts, where it is asked whether the net recognises what it sees.
pub(super) const NOCK_FIT_WEIGHT: f64 = 2.5;
/// Where the first nets recognise as much as this, the second aren't asked: of 56 rendered photos each has -8.6 at least, of 27 real
/// photographs 12 have less than -9.
pub(super) const LEAST_MEAN_DETECTION_SCORE: f64 = -9.0;
/// Of fewer candidates nothing is said.
pub(super) const LEAST_TO_DOUBT: f64 = 1.0;

/// How the strip along a peak is scored.
pub(super) type StripScorer<'a> =
    &'a (dyn Fn(&peaks::Peak, &tensor::Tensor) -> strip::StripOutput + Sync);

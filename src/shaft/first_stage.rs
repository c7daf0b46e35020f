//! The first stage: the map net scores the face map, the peaks of its score are candidates, and one strip net looks along each. How well the
//! strip net confirms the candidates ([`FirstStage::mean_detection_score`]) decides which set of nets is used.

use super::nets::Nets;
use super::view_geometry::ViewGeometry;
use super::{View, choose, map, peaks, picture, strip, tensor};
use crate::geometry::FacePoint;
use image::RgbImage;
use rayon::prelude::*;

/// Pixels of the reduced photo per millimetre of the face.
pub(super) const PX_PER_MM: f64 = 1.25;

/// Whether a place belongs to this face: the nearest spot is one of its own, not one of a face beside it (`neighbour_centres`).
fn is_own(view: &View, neighbour_centres: &[FacePoint], p: FacePoint) -> bool {
    let nearest = |centres: &[FacePoint]| {
        let distances = centres.iter().map(|c| c.distance(p));
        distances.fold(f64::INFINITY, f64::min)
    };
    neighbour_centres.is_empty() || nearest(view.spot_centres) <= nearest(neighbour_centres)
}

/// Least map score of a clear candidate. Clear candidates decide which set of nets is used, how shafts lean in common, and the face's scale
/// ([`super::scale_and_lean`]).
const MIN_CLEAR_SCORE: f64 = 0.15;
/// Most clear candidates, best first.
const MAX_CLEAR_CANDIDATES: usize = 14;

/// The first stage of a photo: every candidate with one net along it.
pub(super) struct FirstStage<'a> {
    pub(super) geometry: ViewGeometry<'a>,
    pub(super) photo: picture::ReducedPhoto<'a>,
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
        neighbour_centres: &[FacePoint],
    ) -> Option<Self> {
        let photo = picture::ReducedPhoto::new(pixels, geometry.scale_px_per_mm()? / PX_PER_MM);
        let map = map::FaceMap::new(&photo, &geometry)?;
        let scores = nets.map.run(map.cells(&photo, &geometry));
        let peaks = peaks::find(&map, &scores);
        let mut stage = Self {
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
                neighbour_centres,
                stage.geometry.to_nominal_scale(stage.peaks[*k].point),
            )
        };
        let own = (0..stage.peaks.len()).filter(own).collect();
        stage.candidates = stage.candidates_along(own, &|_, strip, spare| {
            strip::by_one_net(&nets.strips[0], strip, spare)
        });
        Some(stage)
    }

    /// The peaks of these numbers, with what `scorer` makes of the strips along them.
    pub(super) fn candidates_along(
        &self,
        numbers: Vec<usize>,
        scorer: StripScorer,
    ) -> Vec<choose::ScoredCandidate> {
        // shafts in a neighbouring face don't belong to this one, but their images cross the strips all the same
        let axes = strip::ProjectedAxes::new(&self.peaks, self.map.foot(), self.map.distance_mm());
        let candidate = |spare: &mut tensor::BufferPool, own: usize| {
            let peak = self.peaks[own].clone();
            let axis = strip::axis(
                peaks::radial_direction(peak.point, self.map.foot()),
                peak.slope,
            );
            let place = (peak.point, axis);
            let strip = strip::sample(&self.photo, &self.geometry, place, (own, &axes));
            let output = scorer(&peak, &strip, spare);
            choose::ScoredCandidate {
                number: own,
                peak,
                axis,
                output,
            }
        };
        numbers
            .into_par_iter()
            .map_init(tensor::BufferPool::default, candidate)
            .collect()
    }

    /// The candidates that are clear on the map, best first.
    pub(super) fn clear_candidates(&self) -> impl Iterator<Item = &choose::ScoredCandidate> {
        let clear = self
            .candidates
            .iter()
            .filter(|c| c.peak.score >= MIN_CLEAR_SCORE);
        clear.take(MAX_CLEAR_CANDIDATES)
    }

    /// How well the strip net confirms the clear candidates of the map, as a mean over them weighted by map score: its log-odds of a shaft, and
    /// how well its nocks agree with one usual length. `None` where there are too few.
    pub(super) fn mean_detection_score(&self) -> Option<f64> {
        let clear: Vec<choose::ScoredCandidate> = self.clear_candidates().cloned().collect();
        let number: f64 = clear.iter().map(|c| c.peak.score).sum();
        let both = strip_log_odds(&clear) + NOCK_FIT_WEIGHT * choose::usual_length_fit(&clear);
        (number >= MIN_SCORE_SUM).then(|| both / number)
    }
}

/// The strip nets' log-odds of a shaft, summed over candidates, each weighted by its map score.
pub(super) fn strip_log_odds(candidates: &[choose::ScoredCandidate]) -> f64 {
    let part = |c: &choose::ScoredCandidate| c.peak.score * c.output.shaft.clamp(-4.0, 4.0);
    candidates.iter().map(part).sum()
}

/// Weight of the nocks' agreement in the mean detection score; the strips' log-odds have weight 1.
const NOCK_FIT_WEIGHT: f64 = 2.5;
/// Least mean detection score of the rendered set with which the real set isn't tried: of 56 rendered photos each has -8.6 at least, of 27
/// real photographs 12 have less than -9.
pub(super) const MIN_MEAN_DETECTION_SCORE: f64 = -9.0;
/// Least sum of the clear candidates' map scores (their expected number) with which there is a mean detection score.
const MIN_SCORE_SUM: f64 = 1.0;

/// How the strip along a peak is scored.
pub(super) type StripScorer<'a> = &'a (
        dyn Fn(&peaks::Peak, &tensor::Tensor, &mut tensor::BufferPool) -> strip::StripOutput + Sync
    );

//! The common lean of a photo's shafts and the scale of its face, estimated from the clear candidates together.
//!
//! Soft bosses let all shafts lean the same way, and the face may have been named in a wrong size. Either shifts nocks and vanes in the
//! strips, so the first stage is run again with both corrected ([`ViewGeometry`]). The lean is the one that best explains the directions that
//! the map net reads; of a few scales the one with the largest posterior is taken, by nock places, strip scores and thickness.

use super::first_stage::{FirstStage, strip_log_odds};
use super::model::UsualThickness;
use super::nets::Nets;
use super::tensor::BufferPool;
use super::view_geometry::ViewGeometry;
use super::{View, choose, edges, peaks, strip};
use crate::geometry::FacePoint;
use image::RgbImage;
use nalgebra::Vector2;
use rayon::prelude::*;

/// Scales that are tried, with their log prior, nats. A scale is the number of millimetres of the face as named in a true one, which shafts
/// show: faces come in sizes of 122, 80, 60 and 40 cm, and most are named rightly.
const SCALES: [(f64, f64); 4] = [(1.0, 0.0), (1.5, -1.2), (2.0, -1.5), (3.0, -1.8)];
/// The same for a face of the next larger size (one of 122 cm named 80, one of 60 named 40). It is tried where, by the size named, the camera
/// would be nearer to the face plane than nocks are, and where the shafts' thickness is known: rings alone don't show the size, and the length
/// by which shafts stand out says little about it.
const OF_A_LARGER_FACE: (f64, f64) = (0.66, -1.5);
/// Weight of the strips' log-odds of being shafts beside where their nocks are.
const STRIP_WEIGHT: f64 = 0.1;

/// The first stage with one set of nets, with the common lean and the scale corrected.
pub(super) fn first_stage_in_true_scale_and_lean<'a>(
    nets: &Nets,
    pixels: &'a RgbImage,
    view: &View<'a>,
    neighbour_centres: &[FacePoint],
) -> Option<FirstStage<'a>> {
    let upright = ViewGeometry::new(view, 1.0, Vector2::zeros());
    let stage = FirstStage::new(nets, pixels, upright, view, neighbour_centres)?;
    let (scale, lean) = scale_and_lean(nets, view, &stage);
    if (scale - 1.0).abs() > f64::EPSILON || lean != Vector2::zeros() {
        let geometry = ViewGeometry::new(view, scale, lean);
        // what was seen so far takes as much memory as what comes now
        drop(stage);
        return FirstStage::new(nets, pixels, geometry, view, neighbour_centres);
    }
    Some(stage)
}

/// The scale and the common lean (right and up per height): 1 and none unless the shafts show otherwise.
fn scale_and_lean(nets: &Nets, view: &View, stage: &FirstStage) -> (f64, Vector2<f64>) {
    let peaks: Vec<peaks::Peak> = stage.clear_candidates().map(|c| c.peak.clone()).collect();
    let lean = peaks::common_lean(&stage.map, &stage.scores, &peaks);
    let thickness = ThicknessLikelihood {
        seen_mm: seen_thickness_mm(nets, stage, &ViewGeometry::new(view, 1.0, lean), &peaks),
        usual: nets.model.usual_thickness_mm,
    };
    let nearer_than_nocks = stage.map.distance_mm() < choose::RIGHT_SIZE_LENGTH_MM.0;
    let larger = (nearer_than_nocks || thickness.seen_mm.is_some()).then_some(OF_A_LARGER_FACE);
    let mut best = (1.0, f64::NEG_INFINITY);
    for (scale, prior) in SCALES.into_iter().chain(larger) {
        let geometry = ViewGeometry::new(view, scale, lean);
        let candidates = candidates_in(nets, stage, &geometry, &peaks);
        let log_posterior = choose::usual_length_fit(&candidates)
            + STRIP_WEIGHT * strip_log_odds(&candidates)
            + thickness.gain_nats(scale)
            + prior;
        if log_posterior > best.1 {
            best = (scale, log_posterior);
        }
    }
    (best.0, lean)
}

/// Peaks as candidates of a geometry of another scale or lean, with the first strip net along each.
fn candidates_in(
    nets: &Nets,
    stage: &FirstStage,
    geometry: &ViewGeometry,
    peaks: &[peaks::Peak],
) -> Vec<choose::ScoredCandidate> {
    let mut own = peaks.to_vec();
    for p in &mut own {
        p.point = FacePoint::new(p.point.x / geometry.scale, p.point.y / geometry.scale);
        p.slope = 0.0;
    }
    let axes = strip::ProjectedAxes::new(&own, geometry.foot, geometry.distance_mm);
    let candidate = |spare: &mut BufferPool, k: usize| {
        let axis = strip::axis(peaks::radial_direction(own[k].point, geometry.foot), 0.0);
        let strip = strip::sample(&stage.photo, geometry, (own[k].point, axis), (k, &axes));
        choose::ScoredCandidate {
            number: k,
            peak: own[k].clone(),
            axis,
            output: strip::by_one_net(&nets.strips[0], &strip, spare),
        }
    };
    (0..own.len())
        .into_par_iter()
        .map_init(BufferPool::default, candidate)
        .collect()
}

/// Thickness that the shafts at these peaks have in common, in the face's millimetres by its nominal size. `None` where the edges of fewer
/// than half of them are clear.
fn seen_thickness_mm(
    nets: &Nets,
    stage: &FirstStage,
    geometry: &ViewGeometry,
    peaks: &[peaks::Peak],
) -> Option<f64> {
    let length_mm = nets.model.usual_length_mm.mean;
    let edges_of = |p: &peaks::Peak| {
        let axis = strip::axis(peaks::radial_direction(p.point, geometry.foot), 0.0);
        let edges = edges::Edges::new(&stage.photo, geometry, p.point, axis, length_mm);
        let edge_pairs = edges.edge_pairs();
        (p.score, edges, edge_pairs)
    };
    let all: Vec<_> = peaks.par_iter().map(edges_of).collect();
    let edge_distance =
        edges::common_edge_distance_mm(all.iter().map(|(score, _, pairs)| (*score, pairs)))?;
    let is_clear = |edges: &edges::Edges, pairs: &edges::EdgePairs| {
        let pair = edges.edge_pair(pairs, edge_distance);
        pair.is_some_and(|p| p.is_clear())
    };
    let clear = all.iter().filter(|(_, e, pairs)| is_clear(e, pairs));
    let clear: f64 = clear.map(|(score, ..)| score).sum();
    let number: f64 = all.iter().map(|(score, ..)| score).sum();
    (2.0 * clear > number).then_some(edge_distance + nets.model.width_bias_mm)
}

/// What the shafts' thickness says of the scale.
struct ThicknessLikelihood {
    seen_mm: Option<f64>,
    usual: UsualThickness,
}

/// No thickness speaks more against a scale than this, nats: edges of something else are now and then taken for the shafts'.
const MIN_GAIN_NATS: f64 = -4.0;

impl ThicknessLikelihood {
    /// How much likelier the thickness is with this scale than with 1, nats.
    fn gain_nats(&self, scale: f64) -> f64 {
        let log_density =
            |mm: f64| -0.5 * ((mm / self.usual.median).ln() / self.usual.ln_sd).powi(2);
        let gain = |mm: f64| log_density(mm / scale) - log_density(mm);
        self.seen_mm.map_or(0.0, gain).max(MIN_GAIN_NATS)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thin_shafts_speak_for_a_larger_face_and_ordinary_ones_against_it() {
        let gain = |seen_mm: Option<f64>| {
            let usual = UsualThickness {
                median: 6.0,
                ln_sd: 0.28,
            };
            ThicknessLikelihood { seen_mm, usual }.gain_nats(OF_A_LARGER_FACE.0)
        };
        assert!(gain(Some(3.6)) > 1.0);
        assert!(gain(Some(6.0)) < -1.0);
        assert!(gain(Some(9.3)) >= MIN_GAIN_NATS);
        assert!(gain(None).abs() < f64::EPSILON);
    }
}

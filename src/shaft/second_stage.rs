//! The second stage: likely candidates between their edges, two nets along each, and what all say together.

use super::first_stage::FirstStage;
use super::nets::{NetSets, Nets};
use super::view_geometry::ViewGeometry;
use super::{HeatMap, Lean, WeightsError, choose, edges, lean, model, peaks, strip};
use crate::geometry::FacePoint;
use rayon::prelude::*;

/// The candidates of a photo with their scores, before they are given shaft by shaft.
pub(super) struct SecondStage {
    /// Where the map shows the entries, before the edges moved them.
    pub(super) map_entries: Vec<FacePoint>,
    pub(super) candidates: Vec<choose::ScoredCandidate>,
    pub(super) features: Vec<model::Features>,
    /// Of being the entry of a shaft, before the joint choice.
    pub(super) probability: Vec<f64>,
    /// The shaft's two edges, where they are clear.
    pub(super) edge_pairs: Vec<Option<edges::EdgePair>>,
    /// Length and thickness that the shafts have in common, mm.
    pub(super) length_mm: f64,
    pub(super) thickness_mm: Option<f64>,
    pub(super) heat: HeatMap,
}

/// Least weight with which the real set is asked about vanes.
const MIN_REAL_SET_WEIGHT: f64 = 0.02;
/// Least probability of a candidate of the second stage.
const MIN_PROBABILITY: f64 = 0.03;

/// The likely candidates, centred between their shafts' edges, with both strip nets along them. `real_set`, beside the rendered set as `nets`,
/// is asked about the vanes of the same strips where the rendered set recognises little.
pub(super) fn second_stage<'a, 'n>(
    nets: &'n Nets,
    mut stage: FirstStage<'a>,
    real_set: Option<&NetSets>,
) -> Result<(&'n Nets, ViewGeometry<'a>, SecondStage), WeightsError> {
    let odds = nets.model.real_set.zip(stage.mean_detection_score());
    let weight = odds.map_or(0.0, |(odds, score)| odds.weight(score));
    let real_set = real_set.filter(|_| weight >= MIN_REAL_SET_WEIGHT);
    let real_set = real_set.map(NetSets::real).transpose()?;
    let heat = HeatMap::new(&stage.map, &stage.scores);
    let mut candidates = std::mem::take(&mut stage.candidates);
    let (mut features, mut probability, mut common) = score(&nets.model, &candidates);
    let likely: Vec<bool> = probability.iter().map(|p| *p >= MIN_PROBABILITY).collect();
    for list_index in (0..candidates.len()).rev().filter(|&k| !likely[k]) {
        candidates.remove(list_index);
        features.remove(list_index);
        probability.remove(list_index);
    }
    let edges: Vec<(edges::Edges, edges::EdgePairs)> = candidates
        .par_iter()
        .map(|c| {
            let edges =
                edges::Edges::new(&stage.photo, &stage.geometry, c.peak.point, c.axis, common);
            let edge_pairs = edges.edge_pairs();
            (edges, edge_pairs)
        })
        .collect();
    let edge_distance =
        edges::common_edge_distance_mm(probability.iter().copied().zip(edges.iter().map(|e| &e.1)));
    let edge_pairs: Vec<Option<edges::EdgePair>> = edges
        .iter()
        .map(|(edges, edge_pairs)| {
            edges
                .edge_pair(edge_pairs, edge_distance?)
                .filter(edges::EdgePair::is_clear)
        })
        .collect();
    let map_entries: Vec<FacePoint> = candidates.iter().map(|c| c.peak.point).collect();
    for (candidate, edge_pair) in candidates.iter_mut().zip(&edge_pairs) {
        let Some(edge_pair) = edge_pair else { continue };
        move_onto(&mut candidate.peak, edge_pair, stage.map.foot());
        stage.peaks[candidate.number] = candidate.peak.clone();
    }
    // now that the projected axes are known better, the candidate's own and its neighbours'
    let numbers = candidates.iter().map(|c| c.number).collect();
    candidates = stage.candidates_along(numbers, &|peak, strip, spare| {
        let mut output = strip::by_two_nets(&nets.strips, strip, spare);
        let (low, high) = output.kind_range();
        let asked = real_set.filter(|_| {
            let kind = |fletched| {
                nets.model
                    .kind_settled_without_real_set(fletched, peak.fletched_log_odds, weight)
            };
            kind(low) == 0 || kind(low) != kind(high)
        });
        output.vanes_by_real_set = asked.map(|real_set| strip::RealSetVanes {
            fletched: strip::by_two_nets(&real_set.strips, strip, spare).fletched,
            weight,
        });
        output
    });
    (features, probability, common) = score(&nets.model, &candidates);
    let length_mm = true_length(&features, &probability, common);
    let found = SecondStage {
        map_entries,
        candidates,
        features,
        probability,
        edge_pairs,
        length_mm,
        thickness_mm: edge_distance.map(|w| w + nets.model.width_bias_mm),
        heat,
    };
    Ok((nets, stage.geometry, found))
}

/// Factor on the entry's standard deviation along the axis where something stands between the camera and the entry.
pub(super) const HIDDEN_ENTRY_SD_FACTOR: f64 = 2.5;
/// Projected axes that show shorter than this on the face plane hide their own entry behind nock and vanes, mm.
const END_ON_MM: f64 = 25.0;
/// Another shaft hides an entry this near to its axis, mm.
const HIDING_MM: f64 = 6.0;

impl SecondStage {
    pub(super) fn leans(&self, model: &model::Model, geometry: &ViewGeometry) -> Vec<Lean> {
        let shown = |k: usize| lean::LeanObservation {
            peak: &self.candidates[k].peak,
            features: &self.features[k],
            probability: self.probability[k],
            edges: self.edge_pairs[k].is_some(),
        };
        let shown: Vec<lean::LeanObservation> = (0..self.candidates.len()).map(shown).collect();
        let mut leans = lean::leans(
            &shown,
            self.length_mm,
            model.usual_length_mm,
            geometry.foot,
            geometry.distance_mm,
        );
        for lean in &mut leans {
            lean.right_rad += geometry.lean.x.atan();
            lean.up_rad += geometry.lean.y.atan();
        }
        leans
    }

    /// Whether another shaft, or the shaft's own tail, stands between the camera and the entry.
    pub(super) fn entry_is_hidden(&self, geometry: &ViewGeometry, k: usize) -> bool {
        let (foot, distance) = (geometry.foot, geometry.distance_mm);
        let far = |k: usize| {
            choose::project_to_face_plane(
                &self.candidates[k],
                self.features[k].length_mm,
                foot,
                distance,
            )
        };
        let entry = self.candidates[k].peak.point;
        let covers = |other: usize| {
            let start = self.candidates[other].peak.point;
            let end = far(other);
            let axis = nalgebra::Vector2::new(end.x - start.x, end.y - start.y);
            let here = nalgebra::Vector2::new(entry.x - start.x, entry.y - start.y);
            axis.try_normalize(1.0).is_some_and(|u| {
                let forward = here.dot(&u);
                forward > HIDING_MM && forward < axis.norm() && u.perp(&here).abs() < HIDING_MM
            })
        };
        entry.distance(far(k)) < END_ON_MM
            || (0..self.candidates.len()).any(|o| o != k && self.probability[o] > 0.5 && covers(o))
    }
}

/// Moves an entry sideways onto the axis between its shaft's edges.
fn move_onto(peak: &mut peaks::Peak, edge_pair: &edges::EdgePair, foot: FacePoint) {
    let away = peaks::radial_direction(peak.point, foot);
    peak.point = FacePoint::new(
        peak.point.x - away.y * edge_pair.offset_mm,
        peak.point.y + away.x * edge_pair.offset_mm,
    );
    peak.slope += edge_pair.slope;
}

/// Features of each candidate, the probability that it is the entry of a shaft, and the common length, mm.
fn score(
    model: &model::Model,
    candidates: &[choose::ScoredCandidate],
) -> (Vec<model::Features>, Vec<f64>, f64) {
    let lengths = choose::CommonLength::new(candidates, model.usual_length_mm);
    let mut features: Vec<model::Features> = candidates
        .iter()
        .enumerate()
        .map(|(k, c)| choose::features_of(c, &lengths.nock_prior_without(k)))
        .collect();
    let each_alone: Vec<f64> = features.iter().map(|v| model.shaft(v)).collect();
    choose::set_likelier_neighbours(candidates, &mut features, &each_alone);
    let mut probability: Vec<f64> = features.iter().map(|v| model.shaft(v)).collect();
    choose::penalise_isolated(&mut probability, model.isolated_odds_factor);
    (features, probability, lengths.common_mm())
}

/// The length by which this photo's shafts stand out: the median of those more likely than not, mm.
fn true_length(features: &[model::Features], probability: &[f64], common: f64) -> f64 {
    let mut lengths: Vec<f64> = features
        .iter()
        .zip(probability)
        .filter(|(_, p)| **p > 0.5)
        .map(|(v, _)| v.length_mm)
        .collect();
    lengths.sort_by(f64::total_cmp);
    match lengths.len() {
        0 => common,
        n if n % 2 == 1 => lengths[n / 2],
        n => (lengths[n / 2 - 1] + lengths[n / 2]) / 2.0,
    }
}

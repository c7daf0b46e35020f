//! An analysis → shafts with kinds, confidence and covariance.

use super::nets::Nets;
use super::second_stage::{HIDDEN_ENTRY_SD_FACTOR, SecondStage};
use super::view_geometry::ViewGeometry;
use super::{ArrowKind, Candidate, Lean, Shaft, Shafts, View, choose, model, peaks};
use crate::geometry::FacePoint;

/// Least confidence of a shaft that is handed on for a person to look at; from one half on the reading uses it. Below this four in five
/// are none, and hardly a shaft is found there that isn't found above (practice photos).
const MIN_CONFIDENCE: f64 = 0.35;
/// A shaft of unknown kind is never handed on as sure.
const MAX_UNKNOWN_CONFIDENCE: f64 = 0.85;
/// Least share of the tail inside the picture with which fletched and bare are distinguished.
const MIN_TAIL: f64 = 0.25;
/// The shafts that are given of an analysis.
pub(super) fn shafts_of(
    nets: &Nets,
    view: &View,
    geometry: &ViewGeometry,
    mut found: SecondStage,
) -> Shafts {
    let camera = geometry.centre_mm();
    choose::suppress_duplicates(
        &found.candidates,
        &found.features,
        &mut found.probability,
        geometry.foot,
        camera.z,
    );
    let mut kinds: Vec<(f64, f64)> = found
        .features
        .iter()
        .zip(&found.probability)
        .map(|(v, p)| {
            let fletched = nets.model.fletched(v);
            (p * fletched, p * (1.0 - fletched))
        })
        .collect();
    if let Some(given) = view.expected {
        kinds = choose::condition_on_counts(&kinds, given);
    }
    let leans = found.leans(&nets.model, geometry);
    let mut shafts: Vec<Shaft> = (0..found.candidates.len())
        .filter_map(|k| shaft(&nets.model, (view, geometry), &found, k, kinds[k], leans[k]))
        .filter(|s| s.confidence >= MIN_CONFIDENCE)
        .collect();
    shafts.sort_by(|a, b| {
        let by_place = a
            .entry
            .x
            .total_cmp(&b.entry.x)
            .then(a.entry.y.total_cmp(&b.entry.y));
        b.confidence.total_cmp(&a.confidence).then(by_place)
    });
    let candidates = found
        .candidates
        .iter()
        .zip(&found.features)
        .zip(&kinds)
        .map(|((c, v), k)| Candidate {
            entry: geometry.to_nominal_scale(c.peak.point),
            projected_nock: geometry.to_nominal_scale(choose::project_to_face_plane(
                c,
                v.length_mm,
                geometry.foot,
                camera.z,
            )),
            probability: k.0 + k.1,
        })
        .collect();
    let width = found
        .thickness_mm
        .map(|w| w * geometry.scale)
        .filter(|_| shafts.iter().any(|s| s.confidence >= 0.5));
    Shafts {
        shafts,
        thickness_mm: width,
        candidates,
        heat: Some(found.heat.into_nominal_scale(geometry.scale)),
    }
}

/// Everything that is given of one candidate; `kinds`: probabilities of a fletched and of a bare shaft.
fn shaft(
    model: &model::Model,
    (view, geometry): (&View, &ViewGeometry),
    found: &SecondStage,
    k: usize,
    kinds: (f64, f64),
    lean: Lean,
) -> Option<Shaft> {
    let (c, v, edge_pair) = (
        &found.candidates[k],
        &found.features[k],
        found.edge_pairs[k],
    );
    let entry = c.peak.point;
    let entry_px = geometry.image_from_face(entry)?;
    let p_shaft = kinds.0 + kinds.1;
    let fletched = if p_shaft > 0.0 {
        kinds.0 / p_shaft
    } else {
        0.5
    };
    let (kind, kind_probability) = match fletched {
        _ if v.tail_seen < MIN_TAIL => (ArrowKind::Unknown, 0.5),
        // surely a shaft, but of which kind is anyone's guess: better handed on as such than dropped
        f if p_shaft >= 0.5 && (p_shaft * f.max(1.0 - f) < 0.5 || !model.says_kind(f)) => {
            (ArrowKind::Unknown, 0.5)
        }
        f if f >= 0.5 => (ArrowKind::Fletched, f),
        f => (ArrowKind::Bare, 1.0 - f),
    };
    let confidence = match kind {
        ArrowKind::Unknown => p_shaft.min(MAX_UNKNOWN_CONFIDENCE),
        _ => p_shaft * kind_probability,
    };
    let along = peaks::radial_direction(entry, geometry.foot);
    let across = nalgebra::Vector2::new(-along.y, along.x);
    let next = geometry.image_from_face(FacePoint::new(entry.x + across.x, entry.y + across.y))?;
    let mm_per_px = 1.0 / entry_px.distance(next).max(1e-3);
    let (mut sd_along, sd_across) = model.entry_sd_mm(p_shaft, mm_per_px, edge_pair.is_some());
    if found.entry_is_hidden(geometry, k) {
        sd_along *= HIDDEN_ENTRY_SD_FACTOR;
    }
    let own_cov_mm2 = along * along.transpose() * sd_along.powi(2)
        + across * across.transpose() * sd_across.powi(2);
    let cov_mm2 = own_cov_mm2 * geometry.scale.powi(2) + (view.point_cov_mm2)(entry_px);
    let nock = geometry.project(entry.at_height(0.0) + c.axis * v.length_mm);
    Some(Shaft {
        entry: geometry.to_nominal_scale(entry),
        cov_mm2,
        entry_px,
        kind,
        kind_probability,
        confidence,
        lean: Some(lean),
        thickness_mm: edge_pair
            .map(|b| (b.edge_distance_mm + model.width_bias_mm) * geometry.scale),
        segment_px: nock.map(|n| [entry_px, n]),
    })
}

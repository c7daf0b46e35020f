//! What the ring edges count in the fit: their scatter, and how many of a ring are independent.

use super::edges::RingEdge;
use super::fit::WeightedEdge;
use crate::math::{SD_FROM_MAD, count, median, robust_sd_about_zero};

/// Smallest standard deviation that an edge is taken to have, px.
const MIN_SD_PX: f64 = 0.08;
/// Part of an edge's standard deviation that is the picture's, px; what is beyond it is the paper's, the same in mm all round.
const PIXEL_SD_PX: f64 = 0.15;
/// Edges of one ring err together (waves of the paper, the lens): a ring counts as at most this many independent ones.
pub(super) const EFFECTIVE_EDGES_PER_RING: f64 = 8.0;
/// Scatter about the rings that the small waves of paper on a flat boss leave at most, mm; beyond it the sheet may hang.
pub(super) const FLAT_MM: f64 = 0.5;

/// Median scale across the rings, px per mm.
pub(super) fn median_scale(edges: &[RingEdge]) -> f64 {
    let mut scales: Vec<f64> = edges.iter().map(|e| e.px_per_mm).collect();
    median(&mut scales)
}

/// Edges with the standard deviation that makes each ring count as no more than so many independent ones: `sd` is that of each
/// boundary at its mean scale.
pub(super) fn weight_edges(edges: &[RingEdge], sd: &[f64], independent: f64) -> Vec<WeightedEdge> {
    let mut seen = std::collections::BTreeMap::new();
    for e in edges {
        let (n, scale) = seen.entry((e.spot, e.boundary)).or_insert((0usize, 0.0));
        *n += 1;
        *scale += e.px_per_mm;
    }
    edges
        .iter()
        .map(|e| {
            let (n, sum) = seen
                .get(&(e.spot, e.boundary))
                .copied()
                .unwrap_or((1, e.px_per_mm));
            let sd = sd[e.boundary];
            let pixel = sd.min(PIXEL_SD_PX);
            let paper = (sd * sd - pixel * pixel).max(0.0).sqrt() * e.px_per_mm * count(n) / sum;
            WeightedEdge {
                edge: *e,
                sd_px: pixel.hypot(paper),
                weight: (independent / count(n)).min(1.0),
            }
        })
        .collect()
}

/// Scatter of the edges about their rings, mm.
pub(super) fn scatter_mm(edges: &[RingEdge], residuals_px: &[f64]) -> f64 {
    let on_ring = edges.iter().zip(residuals_px);
    let mm: Vec<f64> = on_ring.map(|(e, r)| r / e.px_per_mm).collect();
    robust_sd_about_zero(&mm)
}

/// Robust standard deviation of the residuals on each boundary, px. The less flat the paper seems, the nearer it is at least to that
/// of all: a sheet that bends stands still in the middle and moves at the rim, and a quiet inner ring must not outweigh the outer ones.
pub(super) fn ring_sds_px(edges: &[RingEdge], residuals_px: &[f64], boundaries: usize) -> Vec<f64> {
    let size: Vec<f64> = residuals_px.iter().map(|r| r.abs()).collect();
    let overall = SD_FROM_MAD * median(&mut size.clone());
    let least = overall * (scatter_mm(edges, residuals_px) / FLAT_MM).powi(2).min(1.0);
    (0..boundaries)
        .map(|b| {
            let mut own: Vec<f64> = edges
                .iter()
                .zip(&size)
                .filter(|(e, _)| e.boundary == b)
                .map(|(_, r)| *r)
                .collect();
            let sd = if own.len() >= 24 {
                SD_FROM_MAD * median(&mut own)
            } else {
                overall
            };
            if sd.is_finite() {
                sd.max(least).max(MIN_SD_PX)
            } else {
                1.0
            }
        })
        .collect()
}

//! The two edges of a shaft: how thick it is, and exactly where its axis runs across.
//!
//! A shaft is a bar of constant width before a background that is much the same on both sides of it: its edges are steps of
//! opposite sign, parallel in millimetres. Rings, creases and the edge of the paper are single steps, and a neighbour's edge
//! lies at another distance.

use super::lanes;
use super::picture::ReducedPhoto;
use super::view_geometry::ViewGeometry;
use crate::geometry::FacePoint;
use crate::math::{floor_i32, floor_index, single};
use fearless_simd::dispatch;
use nalgebra::Vector3;

/// Heights over the face between which edges are looked for, mm; the upper end is also kept this far below the nock, so that
/// vanes and their wrap stay out.
const MIN_HEIGHT_MM: f64 = 12.0;
const MAX_HEIGHT_MM: f64 = 420.0;
const TAIL_MM: f64 = 140.0;
const STEP_MM: f64 = 6.0;
/// Sampling across, mm, and how many samples there are to either side at the face: 13 mm; further up as many more as the slopes reach.
const ACROSS_MM: f64 = 0.4;
const SAMPLES_BESIDE: usize = 32;
/// Thicknesses that are tried, in samples across: 3 to 12 mm; the rules allow 9.3 mm (facts: World Archery, from memory).
const WIDTH_SAMPLES: std::ops::RangeInclusive<usize> = 7..=30;
/// Largest offset of the axis from the candidate's, in samples across, and largest difference of slope, in steps of [`SLOPE_STEP`].
const OFFSET_SAMPLES: i32 = 8;
const SLOPE_STEPS: i32 = 24;
const SLOPE_STEP: f64 = 0.0025;
/// Stride in offsets and slopes of the first, coarse search.
const COARSE_STRIDE: usize = 2;
/// How far the map's own axis usually is off: a stronger pair further away is rather a neighbour. The slope now and then is off by far
/// more, where the axes projected onto the map run together.
const OFFSET_SD_MM: f64 = 2.0;
const SLOPE_SD: f64 = 0.015;
/// Least number of rows along the shaft for an answer.
const MIN_ROWS: usize = 8;

/// Where the axis really runs, and how thick the shaft is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct EdgePair {
    /// To be added to the entry, across (to the left of the direction away from the foot), mm.
    pub(crate) offset_mm: f64,
    /// To be added to the slope.
    pub(crate) slope: f64,
    /// Distance between the two edges, mm: the thickness less `width_bias_mm` of the model.
    pub(crate) edge_distance_mm: f64,
    /// Mean strength of the two edges, grey levels per mm.
    pub(crate) strength: f64,
}

impl EdgePair {
    /// Whether both edges are strong and near the axis: most weak edges are those of adjacent shafts or shadows (practice photos).
    pub(crate) fn is_clear(&self) -> bool {
        self.strength >= MIN_EDGE_STRENGTH && self.offset_mm.abs() <= MAX_DISTANCE_MM
    }
}

/// Least strength of clear edges, grey levels per mm, and how far they may lie off, mm.
const MIN_EDGE_STRENGTH: f64 = 25.0;
const MAX_DISTANCE_MM: f64 = 2.5;

/// Pairs of edges of one width in a row.
struct PairsOfRow {
    /// By the sample of the left edge: the geometric mean of both.
    means: Vec<f32>,
    /// The sample of the left edge where the pair lies in the middle of the row.
    middle: f64,
}

/// Steps of colour across the shaft, row by row along it.
pub(crate) struct Edges {
    heights: Vec<f64>,
    /// `[row][sample across]`: change of colour per mm.
    steps: Vec<Vec<[f32; 3]>>,
}

impl Edges {
    /// Samples the photo about a candidate's axis.
    pub(crate) fn new(
        photo: &ReducedPhoto,
        geometry: &ViewGeometry,
        entry: FacePoint,
        axis: Vector3<f64>,
        length_mm: f64,
    ) -> Self {
        let centre = geometry.centre_mm();
        let highest = (length_mm - TAIL_MM).min(MAX_HEIGHT_MM);
        let (mut heights, mut steps) = (Vec::new(), Vec::new());
        let mut height = MIN_HEIGHT_MM;
        while height <= highest {
            let point = entry.at_height(0.0) + axis * height;
            // to the left of the direction away from the foot, square to the view
            let across = (centre - point).cross(&axis).try_normalize(1e-9);
            let reach = f64::from(SLOPE_STEPS) * SLOPE_STEP * height / ACROSS_MM;
            let beside = SAMPLES_BESIDE + floor_index(reach) + 1;
            let colours = across.map(|w| {
                (0..2 * beside + 3)
                    .map(|k| {
                        let q = (k as f64 - (beside as f64 + 1.0)) * ACROSS_MM;
                        photo.colour(geometry.project(point + w * q)?)
                    })
                    .collect::<Vec<_>>()
            });
            // what steep slopes alone would reach may lie outside the picture, where there is no step
            let near = beside - SAMPLES_BESIDE..=beside + SAMPLES_BESIDE + 2;
            if let Some(row) = colours.filter(|row| row[near].iter().all(Option::is_some)) {
                let step = |k: usize| match (row[k], row[k + 2]) {
                    (Some(a), Some(b)) => {
                        std::array::from_fn(|c| (b[c] - a[c]) / (2.0 * single(ACROSS_MM)))
                    }
                    _ => [0.0; 3],
                };
                heights.push(height);
                steps.push((0..2 * beside + 1).map(step).collect());
            }
            height += STEP_MM;
        }
        Self { heights, steps }
    }

    /// The geometric mean of the edges at each sample of each row and `width` samples further, 0 where they are of one sign.
    fn pairs(&self, width: usize) -> Vec<PairsOfRow> {
        let level = lanes::level();
        let row = |steps: &Vec<[f32; 3]>| {
            let mut means = vec![0.0; steps.len().saturating_sub(width)];
            dispatch!(level, _simd => geometric_means(steps, width, &mut means));
            PairsOfRow {
                middle: (means.len() as f64 - 1.0) / 2.0,
                means,
            }
        };
        self.steps.iter().map(row).collect()
    }

    /// How far each row is shifted by a slope, in samples.
    fn shifts(&self, slope: f64) -> Vec<f64> {
        let shift = |height: &f64| slope * height / ACROSS_MM;
        self.heights.iter().map(shift).collect()
    }

    /// Strength of a pair about sample `offset` + shift: the mean over the rows.
    fn strength(&self, pairs: &[PairsOfRow], offset: f64, shifts: &[f64]) -> f64 {
        let mut sum = 0f32;
        for (row, shift) in pairs.iter().zip(shifts) {
            let at = floor_i32(row.middle + offset + shift + 0.5).max(0);
            let mean = row.means.get(at.unsigned_abs() as usize);
            sum += mean.copied().unwrap_or(0.0);
        }
        f64::from(sum) / self.heights.len() as f64
    }

    /// The strongest pair of every width tried: its strength, less the further it lies from the candidate's own axis, with its
    /// offset (in samples, at the rows' middle) and slope.
    fn strongest(&self) -> Vec<(f64, f64, f64)> {
        let middle = self.middle_mm();
        // one beyond the largest of the coarse search
        let slopes = -SLOPE_STEPS - 1..=SLOPE_STEPS + 1;
        let shifts: Vec<Vec<f64>> = slopes
            .map(|s| self.shifts(f64::from(s) * SLOPE_STEP))
            .collect();
        let shifts = |s: i32| &shifts[(s + SLOPE_STEPS + 1).unsigned_abs() as usize];
        let value = |o: i32, s: i32, pairs: &[PairsOfRow]| {
            let (offset, slope) = (f64::from(o), f64::from(s) * SLOPE_STEP);
            let near = (-0.5 * (offset * ACROSS_MM / OFFSET_SD_MM).powi(2)).exp()
                / (1.0 + (slope / SLOPE_SD).powi(2)).sqrt();
            near * self.strength(pairs, offset, shifts(s))
        };
        WIDTH_SAMPLES
            .map(|width| {
                let pairs = self.pairs(width);
                let mut best = (0.0, 0, 0);
                let consider = |best: &mut (f64, i32, i32), o: i32, s: i32| {
                    let v = value(o, s, &pairs);
                    if v > best.0 {
                        *best = (v, o, s);
                    }
                };
                for s in (-SLOPE_STEPS..=SLOPE_STEPS).step_by(COARSE_STRIDE) {
                    for o in (-OFFSET_SAMPLES..=OFFSET_SAMPLES).step_by(COARSE_STRIDE) {
                        consider(&mut best, o, s);
                    }
                }
                let (_, o, s) = best;
                for (o, s) in (o - 1..=o + 1).flat_map(|o| (s - 1..=s + 1).map(move |s| (o, s))) {
                    consider(&mut best, o, s);
                }
                let (v, o, s) = best;
                let slope = f64::from(s) * SLOPE_STEP;
                (v, f64::from(o) + slope * middle / ACROSS_MM, slope)
            })
            .collect()
    }

    /// Slope and offset belong together: lines are turned about the rows' middle, mm.
    fn middle_mm(&self) -> f64 {
        self.heights.iter().sum::<f64>() / self.heights.len().max(1) as f64
    }

    /// Strength by width; empty where too little of the shaft is in the picture.
    pub(crate) fn edge_pairs(&self) -> EdgePairs {
        if self.heights.len() < MIN_ROWS {
            EdgePairs(Vec::new())
        } else {
            EdgePairs(self.strongest())
        }
    }

    /// The pair of edges of about this width.
    pub(crate) fn edge_pair(
        &self,
        edge_pairs: &EdgePairs,
        edge_distance_mm: f64,
    ) -> Option<EdgePair> {
        let wanted = floor_index((edge_distance_mm / ACROSS_MM).round());
        let near = WIDTH_SAMPLES
            .zip(&edge_pairs.0)
            .filter(|(w, _)| w.abs_diff(wanted) <= 1);
        let (width, &(best, o, s)) =
            near.max_by(|a, b| a.1.0.total_cmp(&b.1.0).then(b.0.cmp(&a.0)))?;
        if best <= 0.0 {
            return None;
        }
        let middle = self.middle_mm();
        let [narrower, pairs, wider] = [width - 1, width, width + 1].map(|w| self.pairs(w));
        let at = |o: f64, s: f64, pairs: &[PairsOfRow]| {
            self.strength(pairs, o - s * middle / ACROSS_MM, &self.shifts(s))
        };
        let strength = at(o, s, &pairs);
        let offset = o + peak(at(o - 1.0, s, &pairs), strength, at(o + 1.0, s, &pairs));
        let slope = s + SLOPE_STEP
            * peak(
                at(o, s - SLOPE_STEP, &pairs),
                strength,
                at(o, s + SLOPE_STEP, &pairs),
            );
        let wide = peak(at(o, s, &narrower), strength, at(o, s, &wider));
        Some(EdgePair {
            offset_mm: offset * ACROSS_MM - slope * middle,
            slope,
            edge_distance_mm: (width as f64 + wide) * ACROSS_MM,
            strength,
        })
    }
}

/// The geometric means of the steps of a row and those `width` samples further, where they are of opposite sign.
#[inline(always)]
fn geometric_means(steps: &[[f32; 3]], width: usize, means: &mut [f32]) {
    let pairs = steps.iter().zip(steps.get(width..).unwrap_or_default());
    for (mean, (a, b)) in means.iter_mut().zip(pairs) {
        let product = -(a[0] * b[0] + a[1] * b[1] + a[2] * b[2]);
        *mean = product.max(0.0).sqrt();
    }
}

/// The strongest pair of edges of every width at one candidate.
#[derive(Clone, Debug)]
pub(crate) struct EdgePairs(Vec<(f64, f64, f64)>);

/// The distance between edges that the candidates agree on, each weighted by its probability, mm: one archer's shafts are alike.
pub(crate) fn common_edge_distance_mm<'a>(
    edge_pairs: impl Iterator<Item = (f64, &'a EdgePairs)>,
) -> Option<f64> {
    let mut sums = vec![0.0; WIDTH_SAMPLES.count()];
    for (weight, EdgePairs(edge_pairs)) in edge_pairs {
        let most = edge_pairs.iter().fold(0.0, |m: f64, b| m.max(b.0));
        if most > 0.0 {
            sums.iter_mut()
                .zip(edge_pairs)
                .for_each(|(s, b)| *s += weight * b.0 / most);
        }
    }
    let (k, most) = sums
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(b.1).then(b.0.cmp(&a.0)))?;
    if *most <= 0.0 {
        return None;
    }
    let side = |k: Option<usize>| k.and_then(|k| sums.get(k)).copied().unwrap_or(*most);
    let width =
        (WIDTH_SAMPLES.start() + k) as f64 + peak(side(k.checked_sub(1)), *most, side(Some(k + 1)));
    Some(width * ACROSS_MM)
}

/// Where between −½ and ½ a parabola through three values has its top.
fn peak(before: f64, here: f64, after: f64) -> f64 {
    let bend = before - 2.0 * here + after;
    if bend < -1e-12 {
        (0.5 * (before - after) / bend).clamp(-0.5, 0.5)
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parabola_top() {
        // −(x − 0.3)² at −1, 0, 1
        let f = |x: f64| -(x - 0.3) * (x - 0.3);
        assert!((peak(f(-1.0), f(0.0), f(1.0)) - 0.3).abs() < 1e-12);
        assert!(peak(1.0, 1.0, 1.0).abs() < 1e-12);
    }
}

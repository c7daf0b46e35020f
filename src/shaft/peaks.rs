//! Candidates: the peaks of the map net's entry score, and where the shaft of each seems to run.

use super::map::FaceMap;
use super::tensor::Tensor;
use crate::geometry::FacePoint;
use nalgebra::Vector2;

/// Least entry score of a candidate: far below that of most shafts, so that the strip nets decide.
const MIN_SCORE: f32 = 0.04;
/// Most candidates of one photo, best first; a boss holds some 14 shafts, rarely twice as many.
const MAX_CANDIDATES: usize = 60;
/// A peak is the largest score within so many cells (2 mm each).
const SUPPRESSION_CELLS: usize = 2;
/// Directions tried: lateral slopes of the shaft up to this, and their spacing. Shafts stand within some 7° of the normal.
const MAX_SLOPE: f64 = 0.12;
const SLOPE_STEP: f64 = 0.01;
/// Scatter of the lateral slope of real shafts, rad: about 1.5° (measured on the practice photos).
const SLOPE_SD: f64 = 0.026;
/// Length of the shaft that is taken for granted when its direction is looked for on the map, mm.
const MIN_LENGTH_MM: f64 = 350.0;

/// One place where a shaft may enter.
#[derive(Clone, Debug)]
pub(crate) struct Peak {
    /// Entry score of the map net, 0–1.
    pub(crate) score: f64,
    /// Where, mm.
    pub(crate) point: FacePoint,
    /// Slope of the shaft across the direction away from the foot (tangent of the sideways lean), to the left of that
    /// direction positive.
    pub(crate) slope: f64,
    /// Mean log-odds of "shaft" along the shaft's axis on the map.
    pub(crate) axis_log_odds: f64,
    /// Log-odds of fletched, by the map.
    pub(crate) fletched_log_odds: f64,
    /// The direction in which the shaft runs over the face plane by the map, at most one long.
    pub(crate) direction: Vector2<f64>,
}

/// Numbers per cell of the map net, by place in its output.
const ENTRY: usize = 0;
const OFFSET: usize = 1;
const TAG: usize = 3;
const DIRECTION: usize = 4;
const MASK: usize = 6;

/// The direction of a perpendicular shaft on the map, seen from its entry: unit vector away from the foot.
pub(crate) fn radial_direction(entry: FacePoint, foot: FacePoint) -> Vector2<f64> {
    let v = Vector2::new(entry.x - foot.x, entry.y - foot.y);
    v.try_normalize(1e-6).unwrap_or_else(Vector2::x)
}

/// Log-odds → probability.
pub(crate) fn logistic(x: f64) -> f64 {
    1.0 / (1.0 + (-x).exp())
}

/// The peaks of the score, best first.
pub(crate) fn find(map: &FaceMap, out: &Tensor) -> Vec<Peak> {
    let (w, h) = (out.width, out.height);
    let logit = |x: usize, y: usize| out.pixel(x, y)[ENTRY];
    let least = (MIN_SCORE / (1.0 - MIN_SCORE)).ln();
    let mut cells: Vec<(f32, usize, usize)> = Vec::new();
    for y in 0..h {
        for x in 0..w {
            let v = logit(x, y);
            if v.is_nan() || v <= least {
                continue;
            }
            let (xs, ys) = (
                x.saturating_sub(SUPPRESSION_CELLS)..(x + SUPPRESSION_CELLS + 1).min(w),
                y.saturating_sub(SUPPRESSION_CELLS)..(y + SUPPRESSION_CELLS + 1).min(h),
            );
            // of equal neighbours the first counts
            let beaten = ys
                .flat_map(|j| xs.clone().map(move |i| (i, j)))
                .any(|(i, j)| {
                    let u = logit(i, j);
                    u > v || (u >= v && (j, i) < (y, x))
                });
            if !beaten {
                cells.push((v, x, y));
            }
        }
    }
    cells.sort_by(|a, b| b.0.total_cmp(&a.0).then((a.2, a.1).cmp(&(b.2, b.1))));
    cells.truncate(MAX_CANDIDATES);
    cells
        .into_iter()
        .map(|(v, x, y)| {
            let p = out.pixel(x, y);
            // cell (i, j) covers map pixels 2i and 2i + 1
            let column = 2.0 * (x as f64 + f64::from(p[OFFSET])) + 0.5;
            let row = 2.0 * (y as f64 + f64::from(p[OFFSET + 1])) + 0.5;
            let point = map.point(column, row);
            let (slope, axis_log_odds) = axis_towards_nock(map, out, point);
            Peak {
                score: logistic(f64::from(v)),
                point,
                slope,
                axis_log_odds,
                fletched_log_odds: f64::from(p[TAG]),
                direction: {
                    // rows go down, the face's y goes up
                    let d = Vector2::new(f64::from(p[DIRECTION]), -f64::from(p[DIRECTION + 1]));
                    d / d.norm().max(1.0)
                },
            }
        })
        .collect()
}

/// How far beside the perpendicular all shafts of a photo may seem to stand, as slopes: soft bosses, and rings that lie on no plane.
const MAX_LEAN: f64 = 0.36;
const LEAN_STEP: f64 = 0.03;
/// Scatter of that.
const LEAN_SD: f64 = 0.1;
/// Concentration of the directions that the map net reads about the true ones (von Mises): 1/√κ is some 9 degrees.
const VON_MISES_KAPPA: f64 = 40.0;
/// Weight of the mean log-odds of "shaft" along a projected axis.
const MASK_WEIGHT: f64 = 1.0;
/// What the shafts must gain by it, as a logarithm of likelihoods.
const MIN_GAIN: f64 = 2.0;

/// The slopes right and up that shafts at `peaks` have on the whole; none where that explains the directions in which they run over the
/// map hardly better.
pub(crate) fn common_lean(map: &FaceMap, out: &Tensor, peaks: &[Peak]) -> Vector2<f64> {
    let (foot, distance) = (map.foot(), map.distance_mm());
    let end = MIN_LENGTH_MM / (distance - MIN_LENGTH_MM).max(1.0);
    let likelihood = |lean: Vector2<f64>| {
        let sum: f64 = peaks
            .iter()
            .map(|p| {
                let from_foot = Vector2::new(p.point.x - foot.x, p.point.y - foot.y);
                let axis = from_foot / distance + lean;
                // a short projection has hardly a direction
                let cosine = axis.dot(&p.direction) / axis.norm().max(0.03);
                // as long for every lean, so that none is liked for the length it gives
                let length = (from_foot * end).norm();
                let run = axis * (length / axis.norm().max(0.03));
                let sure = (length / 60.0).min(1.0);
                p.score
                    * (VON_MISES_KAPPA * (cosine - 1.0)
                        + MASK_WEIGHT * sure * mean_mask(map, out, p.point, run))
            })
            .sum();
        sum - 0.5 * lean.norm_squared() / LEAN_SD.powi(2)
    };
    let steps = (MAX_LEAN / LEAN_STEP).round();
    let mut best = (likelihood(Vector2::zeros()) + MIN_GAIN, Vector2::zeros());
    let mut i = -steps;
    while i <= steps {
        let mut j = -steps;
        while j <= steps {
            let lean = Vector2::new(i, j) * LEAN_STEP;
            if lean.norm() <= MAX_LEAN {
                let l = likelihood(lean);
                if l > best.0 {
                    best = (l, lean);
                }
            }
            j += 1.0;
        }
        i += 1.0;
    }
    best.1
}

/// Mean log-odds of "shaft" from `entry` along `axis` on the face plane, mm.
fn mean_mask(map: &FaceMap, out: &Tensor, entry: FacePoint, axis: Vector2<f64>) -> f64 {
    let steps = floor_steps(axis.norm());
    let sum: f64 = (0..steps)
        .map(|k| {
            let t = (f64::from(k) + 0.5) / f64::from(steps);
            let (x, y) = map.cell(FacePoint::new(entry.x + axis.x * t, entry.y + axis.y * t));
            cell_value(out, x, y, MASK).clamp(-4.0, 4.0)
        })
        .sum();
    sum / f64::from(steps)
}

/// The lateral slope at which the most of "shaft" lies along the shaft's axis on the map, and its mean log-odds there.
fn axis_towards_nock(map: &FaceMap, out: &Tensor, entry: FacePoint) -> (f64, f64) {
    let (foot, distance) = (map.foot(), map.distance_mm());
    let u = radial_direction(entry, foot);
    let tan_view_angle = entry.distance(foot) / distance;
    // a point at height z of a shaft with slope s shows on the map at entry + (u·tan_view_angle·D + w·s·D)·z/(D − z)
    let mean = |slope: f64| {
        let axis = Vector2::new(
            u.x * tan_view_angle - u.y * slope,
            u.y * tan_view_angle + u.x * slope,
        ) * distance;
        let end = MIN_LENGTH_MM / (distance - MIN_LENGTH_MM).max(1.0);
        mean_mask(map, out, entry, axis * end)
    };
    let tries = (2.0 * MAX_SLOPE / SLOPE_STEP).round();
    let (mut best, mut slopes) = ((f64::NEG_INFINITY, 0.0), Vec::new());
    let mut k = 0.0;
    while k <= tries {
        let slope = -MAX_SLOPE + k * SLOPE_STEP;
        // eight independent cells along the axis weigh as much as the prior's log density
        let score = 8.0 * mean(slope) - 0.5 * (slope / SLOPE_SD).powi(2);
        slopes.push((slope, score));
        if score > best.0 {
            best = (score, slope);
        }
        k += 1.0;
    }
    // centre of mass about the best: finer than the steps, calm where the axis is short
    let (mut weight, mut sum) = (0.0, 0.0);
    for (slope, score) in slopes {
        let w = (score - best.0).exp();
        weight += w;
        sum += w * slope;
    }
    let slope = sum / weight;
    (slope, mean(slope))
}

fn floor_steps(length_mm: f64) -> u16 {
    // one sample per 3 mm
    u16::try_from(crate::math::round_i64((length_mm / 3.0).clamp(8.0, 400.0))).unwrap_or(8)
}

/// A number of the cells at a place between their centres, by bilinear interpolation; far outside: −4 (no shaft).
fn cell_value(out: &Tensor, x: f64, y: f64, channel: usize) -> f64 {
    let (i, j) = (x.floor(), y.floor());
    if i.is_nan() || j.is_nan() || i < 0.0 || j < 0.0 {
        return -4.0;
    }
    let (ci, cj) = (crate::math::floor_index(i), crate::math::floor_index(j));
    if ci >= out.width.saturating_sub(1) || cj >= out.height.saturating_sub(1) {
        return -4.0;
    }
    let (fx, fy) = (x - i, y - j);
    let v = |a: usize, b: usize| f64::from(out.pixel(a, b)[channel]);
    (1.0 - fy) * ((1.0 - fx) * v(ci, cj) + fx * v(ci + 1, cj))
        + fy * ((1.0 - fx) * v(ci, cj + 1) + fx * v(ci + 1, cj + 1))
}

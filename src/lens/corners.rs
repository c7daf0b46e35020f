//! Corners at which four squares meet, dark and bright in turn: saddle points of the brightness.
//!
//! On a small circle about a corner the brightness goes dark, bright, dark, bright, and is the same on opposite sides
//! (compare Bennett and Lasenby 2014, "ChESS – Quick and robust detection of chess-board features", CVIU 118). The two
//! lines on which it changes are the edges of the squares; they lead to the next corners.

use super::grey::Grey;
use crate::geometry::ImagePoint;
use crate::math::{count, floor_index};
use nalgebra::{Matrix2, Vector2};
use std::f64::consts::{PI, TAU};

/// Blur before derivatives are taken, px.
const SMOOTHING_PX: f32 = 1.2;
/// Radius of the circle on which the four sectors are looked at, px.
const CIRCLE_PX: f64 = 3.5;
/// Samples on the circle: an even number, so that each has its opposite.
const CIRCLE_PLACES: usize = 32;
/// Radius within which a corner's saddle is the strongest, px.
const SUPPRESSION_PX: usize = 2;
/// Least determinant of the (negative) Hessian: that of a corner of 12 grey levels after the blur (C/(πσ²))².
const MIN_SADDLE_STRENGTH: f32 = 5.0;
/// Most corners of a picture, strongest first: no sheet has as many.
const MAX_CORNERS: usize = 4000;
/// Least difference between the bright and the dark sectors, grey levels.
const MIN_CONTRAST: f32 = 10.0;
/// Largest difference of opposite sides, as a share of that of neighbouring sectors (sums of squares).
const MAX_ASYMMETRY: f32 = 0.35;

/// A corner as seen on a reduced copy.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Corner {
    /// Where, px of the copy.
    pub(super) at: ImagePoint,
    /// Directions of the two edges, rad in 0‥π: at the first, brightness rises as the angle grows (x towards y), at the
    /// second it falls.
    pub(super) edges: [f64; 2],
    /// Difference between bright and dark sectors, grey levels.
    pub(super) contrast: f32,
}

/// All corners of a picture, strongest first. `blurred` is [`smoothed`] of it.
pub(super) fn find(blurred: &Grey) -> Vec<Corner> {
    let (w, h) = (blurred.width, blurred.height);
    let margin = floor_index(CIRCLE_PX) + 2;
    if w <= 2 * margin || h <= 2 * margin {
        return Vec::new();
    }
    let saddle: Vec<f32> = (0..h)
        .flat_map(|y| (0..w).map(move |x| (x, y)))
        .map(|(x, y)| {
            let inside = x > 0 && y > 0 && x + 1 < w && y + 1 < h;
            if inside {
                saddleness(blurred, x, y)
            } else {
                0.0
            }
        })
        .collect();
    let mut places: Vec<(f32, usize, usize)> = Vec::new();
    for y in margin..h - margin {
        for x in margin..w - margin {
            let v = saddle[y * w + x];
            if v < MIN_SADDLE_STRENGTH {
                continue;
            }
            let mut around = (y - SUPPRESSION_PX..=y + SUPPRESSION_PX)
                .flat_map(|j| (x - SUPPRESSION_PX..=x + SUPPRESSION_PX).map(move |i| (i, j)));
            // of equal neighbours the first counts
            let beaten = around.any(|(i, j)| {
                let u = saddle[j * w + i];
                u > v || (u >= v && (j, i) < (y, x))
            });
            if !beaten {
                places.push((v, x, y));
            }
        }
    }
    places.sort_by(|a, b| b.0.total_cmp(&a.0).then((a.2, a.1).cmp(&(b.2, b.1))));
    places
        .into_iter()
        .take(MAX_CORNERS)
        .filter_map(|(_, x, y)| corner(blurred, ImagePoint::new(count(x), count(y))))
        .collect()
}

/// The blurred picture for [`find`].
pub(super) fn smoothed(grey: &Grey) -> Grey {
    grey.blurred(SMOOTHING_PX)
}

/// −det of the Hessian: positive at saddles, largest where edges cross.
fn saddleness(g: &Grey, x: usize, y: usize) -> f32 {
    let c = 2.0 * g.at(x, y);
    let xx = g.at(x + 1, y) - c + g.at(x - 1, y);
    let yy = g.at(x, y + 1) - c + g.at(x, y - 1);
    let xy =
        0.25 * (g.at(x + 1, y + 1) - g.at(x - 1, y + 1) - g.at(x + 1, y - 1) + g.at(x - 1, y - 1));
    xy * xy - xx * yy
}

/// The corner near a place, if there is one: the saddle of the quadric through the 5 × 5 pixels about it, and four sectors.
pub(super) fn corner(blurred: &Grey, near: ImagePoint) -> Option<Corner> {
    let at = saddle_point(blurred, near)?;
    let ring = circle(blurred, at, CIRCLE_PX)?;
    let (edges, contrast) = sectors(&ring)?;
    Some(Corner {
        at,
        edges,
        contrast,
    })
}

/// The saddle of the quadric that fits the pixels about a place. `None` if there is none within a pixel and a half.
fn saddle_point(g: &Grey, near: ImagePoint) -> Option<ImagePoint> {
    const HALF: usize = 2;
    if !(near.x >= 0.0 && near.y >= 0.0) {
        return None;
    }
    let (x, y) = (floor_index(near.x + 0.5), floor_index(near.y + 0.5));
    if x < HALF || y < HALF || x.checked_add(HALF)? >= g.width || y.checked_add(HALF)? >= g.height {
        return None;
    }
    // least squares on a 5 × 5 grid: the quadric's terms are orthogonal but for the constant
    let (mut sx, mut sy, mut sxx, mut syy, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for j in 0..=2 * HALF {
        for i in 0..=2 * HALF {
            let v = f64::from(g.at(x + i - HALF, y + j - HALF));
            let (dx, dy) = (count(i) - count(HALF), count(j) - count(HALF));
            sx += v * dx;
            sy += v * dy;
            sxy += v * dx * dy;
            sxx += v * (dx * dx - 2.0);
            syy += v * (dy * dy - 2.0);
        }
    }
    // Σdx² = 50, Σdx²dy² = 100, Σ(dx² − 2)² = 70
    let gradient = Vector2::new(sx / 50.0, sy / 50.0);
    let hessian = Matrix2::new(sxx / 35.0, sxy / 100.0, sxy / 100.0, syy / 35.0);
    if hessian.determinant() >= 0.0 {
        return None;
    }
    let step = -(hessian.try_inverse()? * gradient);
    (step.amax() <= 1.5).then(|| ImagePoint::new(count(x) + step.x, count(y) + step.y))
}

fn circle(g: &Grey, at: ImagePoint, radius: f64) -> Option<[f32; CIRCLE_PLACES]> {
    let mut ring = [0.0; CIRCLE_PLACES];
    for (k, v) in ring.iter_mut().enumerate() {
        let (sin, cos) = (TAU * count(k) / count(CIRCLE_PLACES)).sin_cos();
        *v = g.sample(ImagePoint::new(at.x + radius * cos, at.y + radius * sin))?;
    }
    Some(ring)
}

/// Directions of the two edges and the contrast, if the circle has two bright and two dark sectors that face each other.
fn sectors(ring: &[f32; CIRCLE_PLACES]) -> Option<([f64; 2], f32)> {
    const HALF: usize = CIRCLE_PLACES / 2;
    let high = ring.iter().copied().fold(f32::MIN, f32::max);
    let low = ring.iter().copied().fold(f32::MAX, f32::min);
    let contrast = high - low;
    if contrast < MIN_CONTRAST {
        return None;
    }
    // the sectors' widths differ where the sheet is seen at a slant: halfway between bright and dark, not the mean
    let middle = 0.5 * (high + low);
    let (mut odd, mut even) = (0.0, 0.0);
    for k in 0..HALF {
        let (a, b) = (ring[k] - middle, ring[k + HALF] - middle);
        odd += (a - b) * (a - b);
        even += (a + b) * (a + b);
    }
    if odd > MAX_ASYMMETRY * even {
        return None;
    }
    let mut crossings: Vec<(f64, bool)> = Vec::new();
    for k in 0..CIRCLE_PLACES {
        let (a, b) = (ring[k] - middle, ring[(k + 1) % CIRCLE_PLACES] - middle);
        if (a < 0.0) != (b < 0.0) {
            let part = f64::from(a / (a - b));
            crossings.push((TAU * (count(k) + part) / count(CIRCLE_PLACES), b >= 0.0));
        }
    }
    let [p, q, r, s] = crossings.as_slice() else {
        return None;
    };
    // the same edge is crossed on either side of the corner
    let (first, second) = (line(p.0, r.0)?, line(q.0, s.0)?);
    let edges = if p.1 {
        [first, second]
    } else {
        [second, first]
    };
    Some((edges, contrast))
}

/// The direction (0‥π) of a line whose two halves point to `a` and `b`, if these are opposite within 40°.
fn line(a: f64, b: f64) -> Option<f64> {
    let bend = b - a - PI;
    (bend.abs() < 0.7).then(|| (a + 0.5 * bend).rem_euclid(PI))
}

/// Angle between two directions of lines, rad, 0‥π/2.
pub(super) fn between_lines(a: f64, b: f64) -> f64 {
    let d = (a - b).rem_euclid(PI);
    d.min(PI - d)
}

/// Most steps of [`refine`], and the step below which it has converged, px.
const REFINE_STEPS: usize = 40;
const CONVERGED_PX: f64 = 1e-3;

/// A corner to a fraction of a pixel, on the full picture: the point to which all gradients within `radius` px stand at right
/// angles (Förstner and Gülch 1987). `None` where it runs away or the gradients point one way only.
pub(super) fn refine(g: &Grey, start: ImagePoint, radius: f64) -> Option<ImagePoint> {
    let mut at = start;
    for _ in 0..REFINE_STEPS {
        let next = crossing(g, at, radius)?;
        let step = next.distance(at);
        at = next;
        if at.distance(start) > radius {
            return None;
        }
        if step < CONVERGED_PX {
            break;
        }
    }
    Some(at)
}

fn crossing(g: &Grey, at: ImagePoint, radius: f64) -> Option<ImagePoint> {
    let (x0, y0) = (at.x - radius, at.y - radius);
    if !(x0 >= 1.0 && y0 >= 1.0) {
        return None;
    }
    let (left, top) = (floor_index(x0), floor_index(y0));
    let (right, bottom) = (
        floor_index(at.x + radius) + 1,
        floor_index(at.y + radius) + 1,
    );
    if right.checked_add(1)? >= g.width || bottom.checked_add(1)? >= g.height {
        return None;
    }
    let mut normal = Matrix2::zeros();
    let mut side = Vector2::zeros();
    for y in top..=bottom {
        for x in left..=right {
            let d = Vector2::new(count(x) - at.x, count(y) - at.y);
            let share = d.norm_squared() / (radius * radius);
            if share >= 1.0 {
                continue;
            }
            // Sobel's derivative
            let v = |i: usize, j: usize| f64::from(g.at(x + i - 1, y + j - 1));
            let gx = v(2, 0) + 2.0 * v(2, 1) + v(2, 2) - v(0, 0) - 2.0 * v(0, 1) - v(0, 2);
            let gy = v(0, 2) + 2.0 * v(1, 2) + v(2, 2) - v(0, 0) - 2.0 * v(1, 0) - v(2, 0);
            let gradient = Vector2::new(gx, gy);
            let outer = gradient * gradient.transpose() * (1.0 - share).powi(2);
            normal += outer;
            side += outer * d;
        }
    }
    let eigen = normal.symmetric_eigenvalues();
    let (low, high) = (eigen.min(), eigen.max());
    // one direction only, nothing at all, or no number
    if low.is_nan() || low <= 0.02 * high {
        return None;
    }
    let step = normal.try_inverse()? * side;
    Some(ImagePoint::new(at.x + step.x, at.y + step.y))
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::{Rgb, RgbImage};

    /// Four sectors about a place, the first edge at `turn` and the second `spread` further, smoothed by averaging.
    fn drawn(at: ImagePoint, turn: f64, spread: f64) -> Grey {
        Grey::new(&RgbImage::from_fn(60, 50, |x, y| {
            let mut sum = 0.0;
            for (i, j) in (0..64).map(|k| (k % 8, k / 8)) {
                let dx = f64::from(x) + (f64::from(i) - 3.5) / 8.0 - at.x;
                let dy = f64::from(y) + (f64::from(j) - 3.5) / 8.0 - at.y;
                let angle = (dy.atan2(dx) - turn).rem_euclid(PI);
                sum += if angle < spread { 200.0 } else { 40.0 };
            }
            #[expect(clippy::cast_possible_truncation, reason = "a byte")]
            Rgb([crate::math::byte((sum / 64.0) as f32); 3])
        }))
    }

    #[test]
    fn a_drawn_corner_is_found_with_its_edges() {
        for (at, turn, spread) in [
            (ImagePoint::new(30.3, 24.6), 0.4, PI / 2.0),
            (ImagePoint::new(28.0, 25.5), 2.9, 1.1),
            (ImagePoint::new(30.75, 22.25), 1.2, 2.2),
        ] {
            let grey = drawn(at, turn, spread);
            let found = find(&smoothed(&grey));
            assert_eq!(found.len(), 1, "{found:?}");
            let c = found[0];
            assert!(c.at.distance(at) < 0.3, "{c:?} {at:?}");
            // bright between `turn` and `turn` + `spread`: it rises at the first
            assert!(between_lines(c.edges[0], turn) < 0.15, "{c:?} {turn}");
            assert!(between_lines(c.edges[1], turn + spread) < 0.15, "{c:?}");
            let sharp = refine(&grey, c.at, 8.0).unwrap();
            assert!(sharp.distance(at) < 0.05, "{sharp:?} {at:?}");
        }
    }

    #[test]
    fn edges_spots_and_flat_pictures_have_no_corner() {
        let picture = |f: &dyn Fn(f64, f64) -> u8| {
            Grey::new(&RgbImage::from_fn(40, 40, |x, y| {
                Rgb([f(f64::from(x), f64::from(y)); 3])
            }))
        };
        let pictures = [
            picture(&|_, _| 128),
            picture(&|x, _| if x < 20.0 { 20 } else { 220 }),
            picture(&|x, y| if x < 20.0 && y < 20.0 { 20 } else { 220 }),
            picture(&|x, y| {
                if (x - 20.0).hypot(y - 20.0) < 6.0 {
                    20
                } else {
                    220
                }
            }),
        ];
        for p in &pictures {
            assert!(find(&smoothed(p)).is_empty());
        }
        assert!(refine(&pictures[1], ImagePoint::new(20.0, 20.0), 6.0).is_none());
    }
}

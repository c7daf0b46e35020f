//! Straight edges around the rings: the paper's, or the boss's where the paper is cut round or its edges don't show.
//!
//! The surroundings are resampled in the face frame, one picture for each of the four sides. A line with nearly the side's
//! direction is supported where steps of one sign lie on it along its length; the four sides of a square share one turn. The
//! innermost supported line of each side is then measured on the photo itself.

use super::upright::{Roll, Upright, UprightSource};
use crate::geometry::camera::Camera;
use crate::geometry::{FacePoint, ImagePoint};
use crate::imaging::linear_light;
use crate::math::{SD_FROM_MAD, count, floor_index, median, quantile, round_i64, tukey_weight};
use image::RgbImage;
use nalgebra::Vector2;

/// Cells per outer radius of the rings.
const CELLS_PER_RADIUS: usize = 100;
/// Half width of the surroundings looked at, in outer radii.
const REACH: f64 = 2.4;
/// Where lines may begin: just outside the rings, in outer radii.
const INNERMOST: f64 = 1.01;
/// Largest turn against the first guess, rad (a phone held by hand, seen from the side, is off by up to 8°).
const LARGEST_TURN: f64 = 0.21;
/// Step of the turn in the search, rad.
const TURN_STEP: f64 = 0.005;
/// Step of the log colour that counts in full.
const FULL_STEP: f32 = 0.25;
/// Step of the log colour below which nothing is seen.
const LEAST_STEP: f32 = 0.06;
/// Least share of a line's length on which it must be seen.
const LEAST_SUPPORT: f64 = 0.45;
/// Share of the half side along which a line is looked at: corners curl.
const ALONG: f64 = 0.85;
/// Cells from one look to the next in the search for the turn.
const STRIDE: usize = 3;
/// Sides are one square's when their turns lie within this, rad.
const AGREE: f64 = 0.009;
/// A shared turn must be the best among this many steps on either side, reach this share of the best score, and be among
/// so many.
const PEAK: usize = 2;
const RUNNER_UP: f64 = 0.4;
const MOST_TURNS: usize = 4;
/// Straight edges lie on their line so well that its turn is known this well, rad; grain and the rim of a round face don't.
const STRAIGHT: f64 = 0.0035;
/// A paper's edge that curls or is covered in part isn't as straight as this, rad.
const SHARP: f64 = 0.001;
/// An edge is further in than others from this part of their distance.
const FURTHER_IN: f64 = 0.995;
/// Factor on the standard deviation when only two sides agree.
const TWO_SIDES: f64 = 4.0;
/// Added to linear light before taking logarithms.
const DARK: f32 = 0.01;
/// Largest difference of log colour, and of its blue against red, between places of the same paper in different light. A boss
/// taken for paper would claim too sure an upright, paper taken for a boss only too unsure a one.
const SAME_PAPER: (f32, f32) = (0.5, 0.2);
/// Where the paper's colour is taken from, in outer radii: the outermost zone where that is bare paper, else just outside.
const PAPER_AT: (f64, f64) = (0.95, 1.03);

/// A straight edge as measured.
#[derive(Clone, Copy, Debug)]
struct Side {
    /// Turn of the line against its side's direction, rad.
    turn: f64,
    /// Standard deviation of that from the scatter of its points.
    sd: f64,
    /// Distance from the middle, mm.
    at_mm: f64,
    /// True when the paper ends here.
    paper: bool,
}

/// Standard deviations to state, rad, and what the face is like.
#[derive(Clone, Copy, Debug)]
pub(super) struct Trust {
    /// The outermost zone has the paper's own colour.
    pub(super) white_outermost: bool,
    pub(super) paper_sd: f64,
    pub(super) boss_sd: f64,
}

/// Surroundings in the frame of one side: `u` outwards, `v` along, in cells; log colours.
struct Map {
    n: usize,
    cells: Vec<[f32; 3]>,
}

impl Map {
    fn at(&self, x: usize, y: usize) -> [f32; 3] {
        self.cells[y * self.n + x]
    }

    /// Side 0 right, 1 top, 2 left, 3 bottom.
    fn turned(&self, side: usize, u: usize, v: usize) -> [f32; 3] {
        let last = self.n - 1;
        match side {
            0 => self.at(u, v),
            1 => self.at(last - v, u),
            2 => self.at(last - u, last - v),
            _ => self.at(v, last - u),
        }
    }
}

/// Face direction of a side's outward normal.
fn normal(side: usize) -> Vector2<f64> {
    match side {
        0 => Vector2::new(1.0, 0.0),
        1 => Vector2::new(0.0, 1.0),
        2 => Vector2::new(-1.0, 0.0),
        _ => Vector2::new(0.0, -1.0),
    }
}

/// The turn (rad, to be added to the camera's roll) that straight edges around rings of `outer_mm` about the origin show, and a
/// standard deviation (rad) for the doubt whether these are the edges they are taken for.
pub(super) fn upright(
    pixels: &RgbImage,
    camera: &Camera,
    outer_mm: f64,
    trust: Trust,
) -> Option<(Roll, f64)> {
    let cell = outer_mm / count(CELLS_PER_RADIUS);
    let map = resample(pixels, camera, cell);
    let paper = paper_colour(
        &map,
        if trust.white_outermost {
            PAPER_AT.0
        } else {
            PAPER_AT.1
        },
    );
    let steps: Vec<Steps> = (0..4).map(|side| steps_of(&map, side)).collect();
    // paper may hang askew on a boss whose edges show better: every shared turn is measured, the innermost paper wins
    let measured: Vec<Vec<Side>> = common_turns(&steps)
        .into_iter()
        .map(|turn| {
            (0..4)
                .filter_map(|side| {
                    let (turn, at) = innermost(&steps[side], turn)?;
                    measure(pixels, camera, side, turn, at * cell, paper)
                })
                .filter(|side| side.sd < STRAIGHT)
                .collect()
        })
        .collect();
    let found: Vec<Square> = measured
        .iter()
        .flat_map(|sides| {
            let (papers, others): (Vec<Side>, Vec<Side>) = sides.iter().partition(|s| s.paper);
            let paper = agreed(&papers, trust.paper_sd, UprightSource::PaperEdge);
            let boss = agreed(&others, trust.boss_sd, UprightSource::BossEdge);
            // edges of which it isn't clear what ends there are trusted as a boss's
            let mixed = if paper.is_none() && boss.is_none() {
                agreed(sides, trust.boss_sd, UprightSource::BossEdge)
            } else {
                None
            };
            [paper, boss, mixed]
        })
        .flatten()
        .collect();
    let rank = |s: &Square| (s.roll.upright.from != UprightSource::PaperEdge, s.sides < 3);
    let best = found
        .into_iter()
        .min_by(|a, b| rank(a).cmp(&rank(b)).then(a.at_mm.total_cmp(&b.at_mm)));
    best.map(|s| (s.roll, s.doubt_rad(measured.iter().flatten())))
}

/// Sides of one square.
struct Square {
    roll: Roll,
    /// Mean distance of the sides from the middle, mm.
    at_mm: f64,
    sides: usize,
}

impl Square {
    /// Paper ends within a boss of its own colour. Where a side of what is taken for paper is missing, and a sharp edge of paper lies
    /// a little further in, turned otherwise, that may be the paper's and these the boss's: half the difference of their turns, rad.
    fn doubt_rad<'a>(&self, seen: impl Iterator<Item = &'a Side>) -> f64 {
        if self.roll.upright.from != UprightSource::PaperEdge || self.sides == 4 {
            return 0.0;
        }
        let within = seen.filter(|s| s.paper && s.sd < SHARP && s.at_mm < FURTHER_IN * self.at_mm);
        within
            .map(|s| (s.turn - self.roll.turn_rad).abs())
            .filter(|off| *off > AGREE)
            .fold(0.0, |most, off| f64::max(most, 0.5 * off))
    }
}

/// Mean turn of the sides that agree; at least two of them.
fn agreed(sides: &[Side], least_sd: f64, from: UprightSource) -> Option<Square> {
    let best = sides.iter().map(|s| {
        sides
            .iter()
            .filter(|o| (o.turn - s.turn).abs() < AGREE)
            .collect::<Vec<_>>()
    });
    let group = best.max_by_key(Vec::len)?;
    if group.len() < 2 {
        return None;
    }
    let weight = |s: &Side| 1.0 / (s.sd * s.sd + least_sd * least_sd);
    let total: f64 = group.iter().map(|s| weight(s)).sum();
    let turn_rad = group.iter().map(|s| weight(s) * s.turn).sum::<f64>() / total;
    let scatter = group
        .iter()
        .map(|s| (s.turn - turn_rad).powi(2))
        .sum::<f64>()
        / count(group.len() - 1);
    // two lines may agree by chance, three hardly
    let trusted = if group.len() > 2 {
        least_sd
    } else {
        TWO_SIDES * least_sd
    };
    let sd_rad = trusted.hypot((scatter / count(group.len())).sqrt());
    let at_mm = group.iter().map(|s| s.at_mm).sum::<f64>() / count(group.len());
    Some(Square {
        roll: Roll {
            turn_rad,
            upright: Upright { from, sd_rad },
        },
        at_mm,
        sides: group.len(),
    })
}

/// Cells from one place that is projected to the next; between them the way into the picture is taken for straight.
const PROJECTED: usize = 8;

fn resample(pixels: &RgbImage, camera: &Camera, cell: f64) -> Map {
    let half = REACH * count(CELLS_PER_RADIUS);
    let n = 2 * floor_index(half) + 1;
    let middle = count(n / 2);
    let knots = n.div_ceil(PROJECTED) + 1;
    // a quarter of a cell ahead, where the first sample lies
    let knot = |k: usize| (count(k * PROJECTED) - middle - 0.25) * cell;
    let projected: Vec<Option<ImagePoint>> = (0..knots * knots)
        .map(|i| camera.image_from_face(FacePoint::new(knot(i % knots), knot(i / knots))))
        .collect();
    let mut cells = vec![[f32::NAN; 3]; n * n];
    for (y, row) in cells.chunks_exact_mut(n).enumerate() {
        for (square, cells) in row.chunks_mut(PROJECTED).enumerate() {
            let first = y / PROJECTED * knots + square;
            let corners = [first, first + 1, first + knots, first + knots + 1];
            let [Some(a), Some(b), Some(c), Some(d)] = corners.map(|i| projected[i]) else {
                continue;
            };
            // bilinear: place = a + u·right + v·(down + u·twist), u and v from 0 to 1 across the square
            let vector = |p: ImagePoint| Vector2::new(p.x, p.y);
            let (a, b, c, d) = (vector(a), vector(b), vector(c), vector(d));
            let (right, down, twist) = (b - a, c - a, (d - c) - (b - a));
            let row = count(y % PROJECTED);
            for (x, seen) in cells.iter_mut().enumerate() {
                // two samples a cell, on its diagonal, tame the noise
                let mut sum = [0.0; 3];
                for o in [0.0, 0.5] {
                    let (u, v) = (
                        (count(x) + o) / count(PROJECTED),
                        (row + o) / count(PROJECTED),
                    );
                    let p = a + right * u + (down + twist * u) * v;
                    let c =
                        linear_light(pixels, ImagePoint::new(p.x, p.y)).unwrap_or([f32::NAN; 3]);
                    for k in 0..3 {
                        sum[k] += 0.5 * c[k];
                    }
                }
                *seen = sum.map(|v| (v + DARK).ln());
            }
        }
    }
    Map { n, cells }
}

/// Median log colour of a circle, its radius in outer radii.
fn paper_colour(map: &Map, at: f64) -> [f32; 3] {
    let middle = count(map.n / 2);
    let r = at * count(CELLS_PER_RADIUS);
    let mut out = [0.0; 3];
    for (k, o) in out.iter_mut().enumerate() {
        let mut values: Vec<f64> = (0..120)
            .map(|i| f64::from(i) * std::f64::consts::TAU / 120.0)
            .map(|a| {
                let (x, y) = (
                    floor_index(middle + r * a.cos() + 0.5),
                    floor_index(middle + r * a.sin() + 0.5),
                );
                f64::from(map.at(x.min(map.n - 1), y.min(map.n - 1))[k])
            })
            .filter(|v| v.is_finite())
            .collect();
        #[expect(clippy::cast_possible_truncation, reason = "a colour")]
        let value = median(&mut values) as f32;
        *o = value;
    }
    out
}

/// Steps across lines of one side, thinned to their maxima and a little widened: for each place how much it gets darker
/// outwards there, and how much brighter, 0–1. NaN where nothing can be seen.
struct Steps {
    n: usize,
    /// Place (u, v) at u · n + v, since they are looked at along v.
    cells: Vec<[f32; 2]>,
}

fn steps_of(map: &Map, side: usize) -> Steps {
    const BESIDE: f32 = 0.8;
    let n = map.n;
    let mut cells = vec![[f32::NAN; 2]; n * n];
    let mut colours = vec![[0.0f32; 3]; n];
    let mut raw = vec![f32::NAN; n];
    let mut thin = vec![f32::NAN; n];
    for v in 0..n {
        for (u, c) in colours.iter_mut().enumerate() {
            *c = map.turned(side, u, v);
        }
        for u in 2..n - 2 {
            let mut change = [0.0; 3];
            let (a, b, c, d) = (
                colours[u - 2],
                colours[u - 1],
                colours[u + 1],
                colours[u + 2],
            );
            for k in 0..3 {
                change[k] = 0.5 * (a[k] + b[k] - c[k] - d[k]);
            }
            let size = (change[0] * change[0] + change[1] * change[1] + change[2] * change[2])
                .sqrt()
                / 1.732;
            raw[u] = size.copysign(change[0] + change[1] + change[2]);
        }
        for u in 1..n - 1 {
            let (before, here, after) = (raw[u - 1].abs(), raw[u].abs(), raw[u + 1].abs());
            thin[u] = if here.is_nan() {
                f32::NAN
            } else if here >= before && here > after && here > LEAST_STEP {
                (here / FULL_STEP).min(1.0).copysign(raw[u])
            } else {
                0.0
            };
        }
        for u in 1..n - 1 {
            let near = [BESIDE * thin[u - 1], thin[u], BESIDE * thin[u + 1]];
            if near.iter().all(|s| !s.is_nan()) {
                cells[u * n + v] = [
                    near.iter().copied().fold(0.0, f32::max),
                    -near.iter().copied().fold(0.0, f32::min),
                ];
            }
        }
    }
    Steps { n, cells }
}

impl Steps {
    /// Share of a line's length on which steps of one sign lie: the line at `d` cells from the middle, turned by `turn`,
    /// looked at in every `stride`-th cell.
    fn support(&self, d: f64, turn: f64, stride: usize) -> f64 {
        // whole numbers of a small part of a cell: exact steps, and no conversion at every place
        const PARTS: u32 = 24;
        let parts = |cells: f64| round_i64(cells * f64::from(1 << PARTS));
        let n = self.n;
        let along = floor_index(ALONG * d).min(n / 2);
        let (mut darker, mut brighter, mut seen) = (0.0f32, 0.0f32, 0);
        // turned counter-clockwise, the outward end of the side moves inwards as v grows
        let slope = turn.tan();
        let mut u = parts(count(n / 2) + d / turn.cos() + 0.5 + slope * count(along));
        let step = parts(slope * count(stride));
        for v in (n / 2 - along..=n / 2 + along).step_by(stride) {
            let at = usize::try_from(u >> PARTS).unwrap_or(n);
            u -= step;
            if at >= n - 2 {
                continue;
            }
            let [dark, bright] = self.cells[at * n + v];
            if dark.is_nan() {
                continue;
            }
            seen += 1;
            darker += dark;
            brighter += bright;
        }
        // half of the side must be in the picture
        if seen * stride < along {
            0.0
        } else {
            f64::from(darker.max(brighter)) / count(seen)
        }
    }
}

fn distances(n: usize) -> impl Iterator<Item = f64> {
    let first = floor_index(INNERMOST * count(CELLS_PER_RADIUS));
    (first..n / 2 - 4).map(count)
}

/// The turns that the four sides share, best first: local maxima that are not far behind the best.
fn common_turns(steps: &[Steps]) -> Vec<f64> {
    let turns = floor_index(LARGEST_TURN / TURN_STEP);
    let turn = |k: usize| (count(k) - count(turns)) * TURN_STEP;
    let scores: Vec<f64> = (0..=2 * turns)
        .map(|k| {
            steps
                .iter()
                .map(|s| {
                    distances(s.n)
                        .map(|d| s.support(d, turn(k), STRIDE))
                        .fold(0.0, f64::max)
                })
                .map(|s| if s < LEAST_SUPPORT { 0.0 } else { s * s })
                .sum()
        })
        .collect();
    let best = scores.iter().copied().fold(0.0, f64::max);
    let mut peaks: Vec<(f64, f64)> = (0..scores.len())
        .filter(|k| {
            let near = k.saturating_sub(PEAK)..(k + PEAK + 1).min(scores.len());
            let top = scores[near].iter().copied().fold(0.0, f64::max);
            scores[*k] > 0.0 && scores[*k] >= top && scores[*k] >= RUNNER_UP * best
        })
        .map(|k| (scores[k], turn(k)))
        .collect();
    peaks.sort_by(|a, b| b.0.total_cmp(&a.0));
    peaks.into_iter().take(MOST_TURNS).map(|p| p.1).collect()
}

/// The innermost supported line of a side near the common turn: its turn and distance (cells).
fn innermost(steps: &Steps, common: f64) -> Option<(f64, f64)> {
    const TURNS: [f64; 7] = [0.0, -1.0, 1.0, -2.0, 2.0, -3.0, 3.0];
    let at = |d: f64| {
        let tried = TURNS
            .iter()
            .map(|k| common + k * TURN_STEP)
            .map(|t| (t, steps.support(d, t, 1)));
        tried
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .filter(|t| t.1 >= LEAST_SUPPORT)
    };
    let first = distances(steps.n).find(|d| at(*d).is_some())?;
    // the best of the next cells: the first one that passes may be the edge's flank
    let near = [first, first + 1.0, first + 2.0, first + 3.0];
    near.into_iter()
        .filter_map(|d| at(d).map(|(turn, s)| (turn, d, s)))
        .max_by(|a, b| a.2.total_cmp(&b.2))
        .map(|(turn, d, _)| (turn, d))
}

/// Measures a line on the photo: steepest steps along its normals, then a robust straight line through them.
fn measure(
    pixels: &RgbImage,
    camera: &Camera,
    side: usize,
    turn: f64,
    at_mm: f64,
    paper: [f32; 3],
) -> Option<Side> {
    const POINTS: usize = 160;
    const HALF: usize = 12;
    let (sin, cos) = turn.sin_cos();
    let n = normal(side);
    let n = Vector2::new(n.x * cos - n.y * sin, n.x * sin + n.y * cos);
    let along = Vector2::new(-n.y, n.x);
    let place = |d: f64, t: f64| {
        let p = n * d + along * t;
        camera.image_from_face(FacePoint::new(p.x, p.y))
    };
    let half_mm = 0.025 * at_mm;
    let mut points = Vec::with_capacity(POINTS);
    let mut inside: Vec<[f32; 3]> = Vec::with_capacity(POINTS);
    for i in 0..POINTS {
        let t = ALONG * at_mm * (2.0 * count(i) / count(POINTS - 1) - 1.0);
        let profile: Option<Vec<[f32; 3]>> = (0..=2 * HALF)
            .map(|j| {
                let d = at_mm + half_mm * (count(j) / count(HALF) - 1.0);
                let p: ImagePoint = place(d, t)?;
                linear_light(pixels, p).map(|c| c.map(|v| (v + DARK).ln()))
            })
            .collect();
        let Some(profile) = profile else { continue };
        inside.push(profile[2]);
        if let Some(j) = steepest(&profile) {
            points.push((t, at_mm + half_mm * (j / count(HALF) - 1.0)));
        }
    }
    if points.len() < POINTS / 4 {
        return None;
    }
    let (slope, sd) = line(&points)?;
    let own = median_of(&inside);
    let difference = (0..3)
        .map(|k| (own[k] - paper[k]).abs())
        .fold(0.0, f32::max);
    let chroma = ((own[0] - own[2]) - (paper[0] - paper[2])).abs();
    Some(Side {
        turn: turn - slope.atan(),
        sd,
        at_mm,
        paper: difference < SAME_PAPER.0 && chroma < SAME_PAPER.1,
    })
}

fn median_of(colours: &[[f32; 3]]) -> [f32; 3] {
    let mut out = [0.0; 3];
    for (k, o) in out.iter_mut().enumerate() {
        let mut v: Vec<f64> = colours.iter().map(|c| f64::from(c[k])).collect();
        #[expect(clippy::cast_possible_truncation, reason = "a colour")]
        let value = median(&mut v) as f32;
        *o = value;
    }
    out
}

/// Index (with fraction) of the largest change of colour over three samples.
fn steepest(profile: &[[f32; 3]]) -> Option<f64> {
    let change = |i: usize| -> f64 {
        let (a, b) = (profile[i - 1], profile[i + 1]);
        f64::from((0..3).map(|k| (b[k] - a[k]).powi(2)).sum::<f32>().sqrt())
    };
    let i = (1..profile.len() - 1).max_by(|a, b| change(*a).total_cmp(&change(*b)))?;
    if i < 2 || i + 2 >= profile.len() || change(i) < f64::from(LEAST_STEP) {
        return None;
    }
    let (before, top, after) = (change(i - 1), change(i), change(i + 1));
    let bend = before - 2.0 * top + after;
    let shift = if bend < 0.0 {
        (0.5 * (before - after) / bend).clamp(-0.5, 0.5)
    } else {
        0.0
    };
    Some(count(i) + shift)
}

/// Robust straight line y = a + b t (Theil–Sen start, then Tukey weights): slope and its standard deviation.
fn line(points: &[(f64, f64)]) -> Option<(f64, f64)> {
    let half = points.len() / 2;
    let mut slopes: Vec<f64> = (0..half)
        .map(|i| (points[i + half].1 - points[i].1) / (points[i + half].0 - points[i].0))
        .collect();
    let mut b = median(&mut slopes);
    let mut rest: Vec<f64> = points.iter().map(|p| p.1 - b * p.0).collect();
    let mut a = median(&mut rest);
    let mut result = None;
    for _ in 0..10 {
        let residuals: Vec<f64> = points.iter().map(|p| p.1 - a - b * p.0).collect();
        let mut size: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
        let sd = (SD_FROM_MAD * quantile(&mut size, 0.5)).max(1e-6);
        let w: Vec<f64> = residuals
            .iter()
            .map(|r| tukey_weight(r / sd, 4.685))
            .collect();
        let total: f64 = w.iter().sum();
        let (mt, my) = (
            points.iter().zip(&w).map(|(p, w)| w * p.0).sum::<f64>() / total,
            points.iter().zip(&w).map(|(p, w)| w * p.1).sum::<f64>() / total,
        );
        let stt: f64 = points
            .iter()
            .zip(&w)
            .map(|(p, w)| w * (p.0 - mt).powi(2))
            .sum();
        let sty: f64 = points
            .iter()
            .zip(&w)
            .map(|(p, w)| w * (p.0 - mt) * (p.1 - my))
            .sum();
        if !(stt > 0.0 && sty.is_finite()) {
            return None;
        }
        b = sty / stt;
        a = my - b * mt;
        // neighbouring points share the paper's waves: count a quarter of them
        result = Some((b, sd * 2.0 / stt.sqrt()));
    }
    result
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::camera::{Lens, Pose};
    use image::Rgb;
    use nalgebra::{Matrix3, Vector3};

    fn camera() -> Camera {
        let rotation = Matrix3::new(1.0, 0.0, 0.0, 0.0, -1.0, 0.0, 0.0, 0.0, -1.0);
        Camera {
            lens: Lens {
                f_px: 500.0,
                cx_px: 300.0,
                cy_px: 300.0,
                k1: 0.0,
                k2: 0.0,
            },
            pose: Pose {
                rotation,
                translation_mm: Vector3::new(0.0, 0.0, 500.0),
            },
        }
    }

    /// White square of half side `half` px turned by `turn` (counter-clockwise as seen) on a grey ground.
    fn square(half: f64, turn: f64) -> RgbImage {
        RgbImage::from_fn(601, 601, |x, y| {
            let mut inside = 0u32;
            for (dx, dy) in [(-0.25, -0.25), (0.25, -0.25), (-0.25, 0.25), (0.25, 0.25)] {
                let (px, py) = (f64::from(x) + dx - 300.0, 300.0 - f64::from(y) - dy);
                let (sin, cos) = turn.sin_cos();
                let (u, v) = (px * cos + py * sin, py * cos - px * sin);
                inside += u32::from(u.abs() < half && v.abs() < half);
            }
            Rgb([crate::math::byte(90.0 + 35.0 * f32::from(u8::try_from(inside).unwrap())); 3])
        })
    }

    #[test]
    fn a_square_of_paper_gives_its_turn() {
        for turn in [-0.15, 0.0, 0.02, 0.1] {
            let trust = Trust {
                white_outermost: false,
                paper_sd: 0.002,
                boss_sd: 0.02,
            };
            let (roll, doubt) = upright(&square(130.0, turn), &camera(), 110.0, trust).unwrap();
            assert!(
                (roll.turn_rad - turn).abs() < 0.001,
                "{} for {turn}",
                roll.turn_rad
            );
            assert_eq!(roll.upright.from, UprightSource::PaperEdge);
            assert!(doubt.abs() < 1e-12);
        }
    }

    #[test]
    fn an_edge_of_paper_within_others_makes_them_doubtful() {
        // three sides of a boss of the paper's colour, and one of paper that hangs askew on it
        let askew = |at: f64| {
            let picture = RgbImage::from_fn(601, 601, |x, y| {
                let (px, py) = (f64::from(x) - 300.0, 300.0 - f64::from(y));
                let right = px * 0.03f64.cos() + py * 0.03f64.sin();
                let white = px > -130.0 && py.abs() < 130.0 && right < at;
                Rgb([if white { 230 } else { 90 }; 3])
            });
            let trust = Trust {
                white_outermost: false,
                paper_sd: 0.002,
                boss_sd: 0.02,
            };
            upright(&picture, &camera(), 110.0, trust).unwrap()
        };
        let (roll, doubt) = askew(127.0);
        assert!(roll.turn_rad.abs() < 0.001, "{}", roll.turn_rad);
        assert_eq!(roll.upright.from, UprightSource::PaperEdge);
        assert!((doubt - 0.015).abs() < 0.001, "{doubt}");
        // further out than the others it is the boss's, or torn
        let (roll, doubt) = askew(133.0);
        assert!(
            roll.turn_rad.abs() < 0.001 && doubt.abs() < 1e-12,
            "{doubt}"
        );
    }

    #[test]
    fn a_disc_has_no_upright() {
        let disc = RgbImage::from_fn(601, 601, |x, y| {
            let r = (f64::from(x) - 300.0).hypot(f64::from(y) - 300.0);
            Rgb([if r < 130.0 { 230 } else { 90 }; 3])
        });
        assert!(
            upright(
                &disc,
                &camera(),
                110.0,
                Trust {
                    white_outermost: false,
                    paper_sd: 0.002,
                    boss_sd: 0.02
                }
            )
            .is_none()
        );
    }
}

//! Where steps of colour lie on straight lines: the search for the sides of a square.

use super::surroundings::{CELLS_PER_RADIUS, Map};
use crate::math::{count, floor_index, round_i64};

/// Where lines may begin: just outside the rings, in outer radii.
const MIN_DISTANCE_RADII: f64 = 1.01;
/// Largest turn against the first guess, rad (a phone held by hand, seen from the side, is off by up to 8°).
const MAX_TURN: f64 = 0.21;
/// Step of the turn in the search, rad.
const TURN_STEP: f64 = 0.005;
/// Step of the log colour that counts in full.
const FULL_STEP: f32 = 0.25;
/// Step of the log colour below which nothing is seen.
pub(super) const MIN_STEP: f32 = 0.06;
/// Least share of a line's length on which it must be seen.
const MIN_SUPPORT: f64 = 0.45;
/// Share of the half side along which a line is looked at: corners curl.
pub(super) const LENGTH_SHARE: f64 = 0.85;
/// Cells from one look to the next in the search for the turn.
const STRIDE: usize = 3;

/// Steps across lines of one side, thinned to their maxima and a little widened: for each place how much it gets darker
/// outwards there, and how much brighter, 0–1. NaN where nothing can be seen.
pub(super) struct Steps {
    pub(super) n: usize,
    /// Place (u, v) at u · n + v, since they are looked at along v.
    pub(super) cells: Vec<[f32; 2]>,
}

pub(super) fn steps_of(map: &Map, side: usize) -> Steps {
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
            } else if here >= before && here > after && here > MIN_STEP {
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
        let along = floor_index(LENGTH_SHARE * d).min(n / 2);
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
    let first = floor_index(MIN_DISTANCE_RADII * count(CELLS_PER_RADIUS));
    (first..n / 2 - 4).map(count)
}

/// A shared turn must be the best among this many steps on either side, reach this share of the best score, and be among
/// so many.
const PEAK_STEPS: usize = 2;
const MIN_PEAK_SHARE: f64 = 0.4;
const MAX_PEAKS: usize = 4;

/// The turns that the four sides share, best first: local maxima that are not far behind the best.
pub(super) fn common_turns(steps: &[Steps]) -> Vec<f64> {
    let turns = floor_index(MAX_TURN / TURN_STEP);
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
                .map(|s| if s < MIN_SUPPORT { 0.0 } else { s * s })
                .sum()
        })
        .collect();
    let best = scores.iter().copied().fold(0.0, f64::max);
    let mut peaks: Vec<(f64, f64)> = (0..scores.len())
        .filter(|k| {
            let near = k.saturating_sub(PEAK_STEPS)..(k + PEAK_STEPS + 1).min(scores.len());
            let top = scores[near].iter().copied().fold(0.0, f64::max);
            scores[*k] > 0.0 && scores[*k] >= top && scores[*k] >= MIN_PEAK_SHARE * best
        })
        .map(|k| (scores[k], turn(k)))
        .collect();
    peaks.sort_by(|a, b| b.0.total_cmp(&a.0));
    peaks.into_iter().take(MAX_PEAKS).map(|p| p.1).collect()
}

/// The innermost supported line of a side near the common turn: its turn and distance (cells).
pub(super) fn innermost(steps: &Steps, common: f64) -> Option<(f64, f64)> {
    const TURNS: [f64; 7] = [0.0, -1.0, 1.0, -2.0, 2.0, -3.0, 3.0];
    let at = |d: f64| {
        let tried = TURNS
            .iter()
            .map(|k| common + k * TURN_STEP)
            .map(|t| (t, steps.support(d, t, 1)));
        tried
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .filter(|t| t.1 >= MIN_SUPPORT)
    };
    let first = distances(steps.n).find(|d| at(*d).is_some())?;
    // the best of the next cells: the first one that passes may be the edge's flank
    let near = [first, first + 1.0, first + 2.0, first + 3.0];
    near.into_iter()
        .filter_map(|d| at(d).map(|(turn, s)| (turn, d, s)))
        .max_by(|a, b| a.2.total_cmp(&b.2))
        .map(|(turn, d, _)| (turn, d))
}

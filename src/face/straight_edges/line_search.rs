//! Where steps of colour lie on straight lines: the search for the sides of a square.

use super::surroundings::{CELLS_PER_RADIUS, Map};
use crate::math::{count, floor_index, round_i64};
use fearless_simd::{Level, dispatch};

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
    let n = map.n;
    let mut cells = vec![[f32::NAN; 2]; n * n];
    let mut row = StepRow::new(n);
    let level = Level::new();
    for v in 0..n {
        for u in 0..n {
            let colour = map.turned(side, u, v);
            for (channel, value) in row.colours.iter_mut().zip(colour) {
                channel[u] = value;
            }
        }
        dispatch!(level, _simd => row.find());
        for (u, step) in row.darker.iter().zip(&row.brighter).enumerate() {
            cells[u * n + v] = [*step.0, *step.1];
        }
    }
    Steps { n, cells }
}

/// One row of cells outwards across a side, channel by channel so that vectors work on it.
struct StepRow {
    colours: [Vec<f32>; 3],
    /// Change of the log colour, positive where it gets darker outwards.
    change: Vec<f32>,
    /// The same at its maxima alone, as a share of a full step.
    thin: Vec<f32>,
    darker: Vec<f32>,
    brighter: Vec<f32>,
}

impl StepRow {
    fn new(n: usize) -> Self {
        let row = || vec![f32::NAN; n];
        Self {
            colours: [row(), row(), row()],
            change: row(),
            thin: row(),
            darker: row(),
            brighter: row(),
        }
    }

    /// Finds the steps of the colours. The outermost cells have none.
    #[inline(always)]
    fn find(&mut self) {
        const BESIDE: f32 = 0.8;
        let n = self.change.len();
        if n < 5 {
            return;
        }
        let of_channel = |channel: &[f32], u: usize| {
            0.5 * (channel[u] + channel[u + 1] - channel[u + 3] - channel[u + 4])
        };
        let [red, green, blue] = self.colours.each_ref().map(|c| &c[..n]);
        for (u, change) in self.change[2..n - 2].iter_mut().enumerate() {
            let (r, g, b) = (
                of_channel(red, u),
                of_channel(green, u),
                of_channel(blue, u),
            );
            let size = (r * r + g * g + b * b).sqrt() / 1.732;
            *change = size.copysign(r + g + b);
        }
        let change = &self.change[..n];
        for (u, thin) in self.thin[1..n - 1].iter_mut().enumerate() {
            let (before, here, after) = (change[u].abs(), change[u + 1].abs(), change[u + 2].abs());
            let share = here / FULL_STEP;
            let step = if share < 1.0 { share } else { 1.0 }.copysign(change[u + 1]);
            let is_peak = (here >= before) & (here > after) & (here > MIN_STEP);
            let flat = if here.is_nan() { f32::NAN } else { 0.0 };
            *thin = if is_peak { step } else { flat };
        }
        let thin = &self.thin[..n];
        let both = self.darker[1..n - 1]
            .iter_mut()
            .zip(&mut self.brighter[1..n - 1]);
        for (u, (darker, brighter)) in both.enumerate() {
            let (a, b, c) = (BESIDE * thin[u], thin[u + 1], BESIDE * thin[u + 2]);
            // NaN where one of the three is
            let unseen = 0.0 * (a + b + c);
            let larger = |a: f32, b: f32| if a > b { a } else { b };
            *darker = larger(larger(a, b), larger(c, 0.0)) + unseen;
            *brighter = larger(larger(-a, -b), larger(-c, 0.0)) + unseen;
        }
    }
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
            // no branch: whether something can be seen here is hard to predict
            let is_seen = !dark.is_nan();
            seen += usize::from(is_seen);
            darker += if is_seen { dark } else { 0.0 };
            brighter += if is_seen { bright } else { 0.0 };
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

//! Corners → a chessboard: which corners are neighbours.
//!
//! The edges of a corner lead to its neighbours, at which dark and bright change sides. From one corner the board grows along the
//! edges. Two corners are neighbours where each lies on an edge of the other, with the right colours between them. Only a
//! chessboard grows so, with any number of squares, in the picture as a whole or in part.

use super::corners::{self, Corner, between_lines};
use super::grey::Grey;
use crate::geometry::ImagePoint;
use crate::math::count;
use image::RgbImage;
use nalgebra::Vector2;
use std::collections::{BTreeMap, VecDeque};
use std::f64::consts::PI;

/// A corner of the board that was seen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BoardCorner {
    /// Column, from 0.
    pub column: i32,
    /// Row, from 0.
    pub row: i32,
    /// Where in the picture, px.
    pub at: ImagePoint,
}

/// A chessboard that was seen, or the part of it that is in the picture. Which corner is (0, 0), and which way columns run,
/// means nothing; neighbours have neighbouring numbers.
#[derive(Clone, Debug, PartialEq)]
pub struct Board {
    /// The corners seen, row by row.
    pub corners: Vec<BoardCorner>,
    /// Columns and rows that they span: inner corners, the larger first.
    pub size: [u32; 2],
}

impl Board {
    /// Whether every corner of the rectangle was seen.
    #[must_use]
    pub fn is_whole(&self) -> bool {
        self.corners.len() == (self.size[0] * self.size[1]) as usize
    }
}

/// Longer sides of the copies on which corners are looked for, px: the middle one first, a coarser one for pictures out of
/// focus, a finer one for small boards.
const SEARCH_SIDES: [usize; 3] = [1000, 480, 2000];
/// A board has this many columns and rows at least: fewer may be anything.
const MIN_SIDE: u32 = 3;
/// And this many corners.
const MIN_CORNERS: usize = 12;
/// Share of the distance to the neighbouring corners within which gradients belong to a corner alone.
const SHARE_OF_SPACING: f64 = 0.4;
/// Radius within which gradients are looked at, px of the full picture: least and most.
const RADIUS_PX: (f64, f64) = (2.6, 16.0);

/// Looks for the largest chessboard in a picture. `None`: there is none, or too little of it.
#[must_use]
pub fn find(picture: &RgbImage) -> Option<Board> {
    let grey = Grey::new(picture);
    let longest = grey.width.max(grey.height);
    let mut tried = Vec::new();
    let mut best: Option<Board> = None;
    for side in SEARCH_SIDES {
        let k = longest.div_ceil(side).max(1);
        if tried.contains(&k) {
            continue;
        }
        tried.push(k);
        let seen = on_copy(&grey, k);
        let count = |b: &Option<Board>| b.as_ref().map_or(0, |b| b.corners.len());
        if count(&seen) > count(&best) {
            best = seen;
        }
    }
    best
}

fn on_copy(grey: &Grey, k: usize) -> Option<Board> {
    let blurred = corners::smoothed(&grey.reduced(k));
    let found = corners::find(&blurred);
    let links = Links::new(&blurred, &found);
    let mut cells = largest(&found, &links);
    fill(&blurred, &mut cells);
    let cells = refined_corners(grey, &cells, k);
    board(&cells)
}

/// Column, row → corner.
type Cells = BTreeMap<(i32, i32), Corner>;

/// Most that a neighbour may lie off the edge that leads to it, rad.
const MAX_OFF_EDGE_RAD: f64 = 0.22;
/// Most that a neighbour's own edge may differ in direction, rad: lenses bend lines, slants turn them.
const MAX_EDGE_TURN_RAD: f64 = 0.3;
/// Nearest that neighbours may be, px of the copy.
const MIN_DISTANCE_PX: f64 = 5.0;
/// Least contrast across the edge between neighbours, as a share of the corner's.
const MIN_ACROSS: f32 = 0.25;

/// For each corner its neighbours: along the first edge forwards and backwards, then along the second.
struct Links(Vec<[Option<usize>; 4]>);

impl Links {
    fn new(blurred: &Grey, found: &[Corner]) -> Self {
        let buckets = Buckets::new(found);
        let one_way: Vec<[Option<usize>; 4]> = (0..found.len())
            .map(|i| {
                [0, 1, 2, 3].map(|d| neighbour(blurred, found, &buckets, i, d / 2, d % 2 == 1))
            })
            .collect();
        // only those that find each other
        let both = |i: usize, j: usize| one_way[j].contains(&Some(i));
        Self(
            one_way
                .iter()
                .enumerate()
                .map(|(i, of)| of.map(|n| n.filter(|j| both(i, *j))))
                .collect(),
        )
    }
}

/// Corners by the square of the picture that they lie in.
struct Buckets(BTreeMap<(i64, i64), Vec<usize>>);

impl Buckets {
    const SIDE_PX: f64 = 24.0;

    fn of(p: ImagePoint) -> (i64, i64) {
        let cell = |v: f64| crate::math::round_i64((v / Self::SIDE_PX).floor());
        (cell(p.x), cell(p.y))
    }

    fn new(found: &[Corner]) -> Self {
        let mut map: BTreeMap<(i64, i64), Vec<usize>> = BTreeMap::new();
        for (i, c) in found.iter().enumerate() {
            map.entry(Self::of(c.at)).or_default().push(i);
        }
        Self(map)
    }

    /// Corners in the squares at `ring` squares' distance from that of `p`.
    fn ring(&self, p: ImagePoint, ring: i64) -> impl Iterator<Item = usize> {
        let (x, y) = Self::of(p);
        (-ring..=ring)
            .flat_map(move |dy| (-ring..=ring).map(move |dx| (dx, dy)))
            .filter(move |(dx, dy)| dx.abs().max(dy.abs()) == ring)
            .filter_map(move |(dx, dy)| self.0.get(&(x + dx, y + dy)))
            .flatten()
            .copied()
    }
}

/// Squares of [`Buckets`] looked through for a neighbour: up to some 300 px of the copy.
const MAX_RING: i64 = 12;

/// The nearest corner along one edge that continues it.
fn neighbour(
    blurred: &Grey,
    found: &[Corner],
    buckets: &Buckets,
    i: usize,
    edge: usize,
    backwards: bool,
) -> Option<usize> {
    let from = &found[i];
    let angle = from.edges[edge] + if backwards { PI } else { 0.0 };
    let along = Vector2::new(angle.cos(), angle.sin());
    let mut best: Option<(f64, usize)> = None;
    for ring in 0..=MAX_RING {
        for j in buckets.ring(from.at, ring) {
            let to = &found[j];
            let d = Vector2::new(to.at.x - from.at.x, to.at.y - from.at.y);
            let distance = d.norm();
            if j == i || distance < MIN_DISTANCE_PX || best.is_some_and(|b| b.0 <= distance) {
                continue;
            }
            let off = along.perp(&d).atan2(along.dot(&d)).abs();
            // the next corner has its colours the other way round: its other edge continues this one
            if off < MAX_OFF_EDGE_RAD
                && between_lines(to.edges[1 - edge], d.y.atan2(d.x)) < MAX_EDGE_TURN_RAD
                && edge_between(blurred, from, to, edge)
            {
                best = Some((distance, j));
            }
        }
        // nothing in a farther ring can be nearer than this
        if best.is_some_and(|b| b.0 <= count(usize::try_from(ring).unwrap_or(0)) * Buckets::SIDE_PX)
        {
            break;
        }
    }
    best.map(|b| b.1)
}

/// Whether dark and bright lie on the same sides of the line between two corners as they do at the first one.
fn edge_between(g: &Grey, from: &Corner, to: &Corner, edge: usize) -> bool {
    let d = Vector2::new(to.at.x - from.at.x, to.at.y - from.at.y);
    let length = d.norm();
    // in the direction of growing angle: (x, y) turned from x towards y
    let side = Vector2::new(-d.y, d.x) / length * (0.15 * length).clamp(1.5, 4.0);
    // at the first edge it rises with the angle; on the other half of the edge likewise
    let sign = if edge == 0 { 1.0 } else { -1.0 };
    [0.3, 0.5, 0.7].into_iter().all(|t| {
        let p = ImagePoint::new(from.at.x + t * d.x, from.at.y + t * d.y);
        let at = |s: f64| g.sample(ImagePoint::new(p.x + s * side.x, p.y + s * side.y));
        match (at(1.0), at(-1.0)) {
            (Some(up), Some(down)) => {
                sign * (up - down) > MIN_ACROSS * from.contrast.min(to.contrast)
            }
            _ => false,
        }
    })
}

/// The board with most corners that grows from any corner.
fn largest(found: &[Corner], links: &Links) -> Cells {
    let mut used = vec![false; found.len()];
    let mut best = Cells::new();
    for seed in 0..found.len() {
        if used[seed] {
            continue;
        }
        let grown = grow(found, links, seed);
        for i in grown.values() {
            used[*i] = true;
        }
        if grown.len() > best.len() {
            best = grown
                .into_iter()
                .map(|(cell, i)| (cell, found[i]))
                .collect();
        }
    }
    best
}

/// Which of a corner's four edges leads to which neighbour: column +1, row +1, column −1, row −1.
#[derive(Clone, Copy)]
struct Frame {
    right: usize,
    down: usize,
}

/// The same edge in the other direction.
const fn opposite(direction: usize) -> usize {
    direction ^ 1
}

fn direction(corner: &Corner, d: usize) -> Vector2<f64> {
    let angle = corner.edges[d / 2] + if d % 2 == 1 { PI } else { 0.0 };
    Vector2::new(angle.cos(), angle.sin())
}

fn grow(found: &[Corner], links: &Links, seed: usize) -> BTreeMap<(i32, i32), usize> {
    let mut cells = BTreeMap::from([((0, 0), seed)]);
    let mut placed: BTreeMap<usize, (i32, i32)> = BTreeMap::from([(seed, (0, 0))]);
    let mut queue = VecDeque::from([(seed, Frame { right: 0, down: 2 })]);
    while let Some((i, frame)) = queue.pop_front() {
        let Some(&(column, row)) = placed.get(&i) else {
            continue;
        };
        let steps = [
            (frame.right, (1, 0)),
            (opposite(frame.right), (-1, 0)),
            (frame.down, (0, 1)),
            (opposite(frame.down), (0, -1)),
        ];
        for (d, (dc, dr)) in steps {
            let Some(j) = links.0[i][d] else { continue };
            let cell = (column + dc, row + dr);
            if placed.contains_key(&j) || cells.contains_key(&cell) {
                continue;
            }
            let frame = carried(&found[i], frame, &found[j]);
            cells.insert(cell, j);
            placed.insert(j, cell);
            queue.push_back((j, frame));
        }
    }
    cells
}

/// The frame of a corner's neighbour: its edges that run the same way. Edge 0 there continues edge 1 here.
fn carried(from: &Corner, frame: Frame, to: &Corner) -> Frame {
    let same_way = |d: usize| {
        let edge = 1 - d / 2;
        let forward = direction(to, 2 * edge).dot(&direction(from, d)) >= 0.0;
        2 * edge + usize::from(!forward)
    };
    Frame {
        right: same_way(frame.right),
        down: same_way(frame.down),
    }
}

/// Largest distance of a corner from the position that its neighbours predict, as a share of their distance.
const MAX_PREDICTION_ERROR: f64 = 0.2;

/// Adds corners that the search missed: each continues the line of two others.
fn fill(blurred: &Grey, cells: &mut Cells) {
    const WAYS: [(i32, i32); 4] = [(1, 0), (-1, 0), (0, 1), (0, -1)];
    loop {
        let mut new: Cells = Cells::new();
        for (cell, corner) in cells.iter() {
            for (dc, dr) in WAYS {
                let next = (cell.0 + dc, cell.1 + dr);
                let before = cells.get(&(cell.0 - dc, cell.1 - dr));
                if cells.contains_key(&next) || new.contains_key(&next) {
                    continue;
                }
                if let Some(found) = before.and_then(|b| continued(blurred, b, corner)) {
                    new.insert(next, found);
                }
            }
        }
        if new.is_empty() {
            return;
        }
        cells.extend(new);
    }
}

/// The corner that follows two in a line.
fn continued(blurred: &Grey, first: &Corner, second: &Corner) -> Option<Corner> {
    let step = Vector2::new(second.at.x - first.at.x, second.at.y - first.at.y);
    let near = ImagePoint::new(second.at.x + step.x, second.at.y + step.y);
    // a saddle near the place where it should be, by small steps of the search
    let found = [(0.0, 0.0), (1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)]
        .into_iter()
        .find_map(|(u, v)| {
            let r = 0.08 * step.norm();
            corners::corner(blurred, ImagePoint::new(near.x + u * r, near.y + v * r))
        })?;
    // colours as at the first: two steps away they are the same again
    let alike = |k: usize| between_lines(found.edges[k], first.edges[k]) < MAX_EDGE_TURN_RAD;
    let edge = usize::from(
        between_lines(second.edges[1], step.y.atan2(step.x))
            < between_lines(second.edges[0], step.y.atan2(step.x)),
    );
    (found.at.distance(near) < MAX_PREDICTION_ERROR * step.norm()
        && alike(0)
        && alike(1)
        && edge_between(blurred, second, &found, edge))
    .then_some(found)
}

/// The corners refined on the full picture, to a fraction of a pixel, without those where that fails.
fn refined_corners(grey: &Grey, cells: &Cells, k: usize) -> BTreeMap<(i32, i32), ImagePoint> {
    const WAYS: [(i32, i32); 4] = [(1, 0), (-1, 0), (0, 1), (0, -1)];
    let factor = count(k);
    cells
        .iter()
        .filter_map(|(cell, corner)| {
            let spacing = WAYS
                .iter()
                .filter_map(|(dc, dr)| cells.get(&(cell.0 + dc, cell.1 + dr)))
                .map(|n| n.at.distance(corner.at))
                .fold(f64::INFINITY, f64::min);
            // slanting squares are narrower than their edges are long
            let slant = (corner.edges[1] - corner.edges[0]).sin().abs();
            let radius =
                (SHARE_OF_SPACING * spacing * slant * factor).clamp(RADIUS_PX.0, RADIUS_PX.1);
            if !spacing.is_finite() {
                return None;
            }
            let at = corners::refine(grey, corner.at.enlarged(factor), radius)?;
            Some((*cell, at))
        })
        .collect()
}

/// Most that a corner may lie off the middle between its neighbours on either side, as a share of half their distance.
/// Perspective at 60° and a strong lens stay below a fifth.
const MAX_OFF_MIDDLE: f64 = 0.25;

/// Removes corners that violate the board's even spacing, the one with most violations first.
fn straightened(cells: &mut BTreeMap<(i32, i32), ImagePoint>) {
    loop {
        let mut broken: BTreeMap<(i32, i32), (usize, usize)> = BTreeMap::new();
        for ((c, r), at) in cells.iter() {
            for (dc, dr) in [(1, 0), (0, 1)] {
                let triple = [(c - dc, r - dr), (*c, *r), (c + dc, r + dr)];
                let (Some(a), Some(b)) = (cells.get(&triple[0]), cells.get(&triple[2])) else {
                    continue;
                };
                let middle = ImagePoint::new(0.5 * (a.x + b.x), 0.5 * (a.y + b.y));
                let breaks = middle.distance(*at) > MAX_OFF_MIDDLE * 0.5 * a.distance(*b);
                for cell in triple {
                    let tally = broken.entry(cell).or_default();
                    tally.0 += usize::from(breaks);
                    tally.1 += 1;
                }
            }
        }
        // of equal numbers of violations, the one on fewer evenly spaced lines
        let worst = broken
            .into_iter()
            .filter(|(_, t)| t.0 > 0)
            .max_by_key(|(cell, t)| (t.0, std::cmp::Reverse(t.1), *cell));
        match worst {
            Some((cell, _)) => cells.remove(&cell),
            None => return,
        };
    }
}

/// A corner with fewer neighbours than this in its row and column together is there by chance.
const MIN_NEIGHBOURS: usize = 2;

/// The board of these corners, numbered from 0, its longer side as columns.
fn board(cells: &BTreeMap<(i32, i32), ImagePoint>) -> Option<Board> {
    let mut cells = cells.clone();
    straightened(&mut cells);
    loop {
        let beside = |c: &(i32, i32)| {
            [(1, 0), (-1, 0), (0, 1), (0, -1)]
                .iter()
                .filter(|(dc, dr)| cells.contains_key(&(c.0 + dc, c.1 + dr)))
                .count()
        };
        let lonely: Vec<(i32, i32)> = cells
            .keys()
            .filter(|c| beside(c) < MIN_NEIGHBOURS)
            .copied()
            .collect();
        if lonely.is_empty() {
            break;
        }
        for c in lonely {
            cells.remove(&c);
        }
    }
    if cells.len() < MIN_CORNERS {
        return None;
    }
    let columns = cells.keys().map(|c| c.0);
    let rows = cells.keys().map(|c| c.1);
    let (left, right) = (columns.clone().min()?, columns.max()?);
    let (top, bottom) = (rows.clone().min()?, rows.max()?);
    let wide = right - left >= bottom - top;
    let mut corners: Vec<BoardCorner> = cells
        .iter()
        .map(|((c, r), at)| {
            let (c, r) = (c - left, r - top);
            let (column, row) = if wide { (c, r) } else { (r, c) };
            BoardCorner {
                column,
                row,
                at: *at,
            }
        })
        .collect();
    corners.sort_by_key(|c| (c.row, c.column));
    let side = |from: i32, to: i32| u32::try_from(to - from + 1).unwrap_or(0);
    let (a, b) = (side(left, right), side(top, bottom));
    let size = [a.max(b), a.min(b)];
    (size[1] >= MIN_SIDE).then_some(Board { corners, size })
}

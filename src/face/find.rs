//! Finding spots: places from which the colours follow each other outwards in the face's own order and ratios.
//!
//! Candidates are patches of one strong colour. From each, rays are cast; where the log colour steps as a boundary of the
//! face would, a hit is noted with that boundary's radius. Circles of radius ρ about a common centre, seen by a camera,
//! satisfy xᵀMx − 2bᵀx + d = ρ² (1 + 2gᵀx) to first order of the perspective g: one linear fit over *all* rings. A spot is
//! accepted when hits of two boundaries at least agree with one such fit.

use super::colour::{LogColourCopy, PrintAppearance, bit};
use super::patches::patches;
use super::pencil::{Pencil, agreeing_hits, fit};
use super::rays::{Hit, Target, cast, targets};
use super::spec::{Colour, FaceSpec};
use crate::geometry::ImagePoint;
use crate::math::{SplitMix, count};
use fearless_simd::{Level, dispatch};
use nalgebra::{Matrix2, Vector2};
use std::f64::consts::TAU;

/// Rays cast from a centre that a fit has confirmed.
const RAYS: usize = 72;
/// Rays cast from a patch at first: two of them cross a quarter of the way round.
const FIRST_RAYS: usize = 8;
/// Rays cast from a patch, and from a centre that was fitted, before all of them.
const FEW_RAYS: usize = 24;
/// Length of the first rays from a patch, in radii of a disc of its area (the innermost colour is a fifth of the face), and at
/// least, px.
const FIRST_REACH: (f64, f64) = (8.0, 40.0);
/// Rays from a patch are cast on the coarsest copy on which it still has this radius, px.
const MIN_PATCH_RADIUS_ON_COPY_PX: f64 = 24.0;
/// Rays from a fitted centre are cast on the coarsest copy on which the face still has this radius, px.
const MIN_FACE_RADIUS_ON_COPY_PX: f64 = 120.0;
/// Patches whose centres and radii differ by less than this share of the radius are the same one, found by another colour.
const SAME_PATCH_SHARE: f64 = 0.2;
/// Rays that reach farther from a patch, and their length against that of the first.
const MORE_RAYS: usize = 36;
const SECOND_REACH: f64 = 3.0;
/// Length of rays from a fitted centre against the farthest place that the outermost boundary should have.
const REACH_BEYOND: f64 = 1.15;
/// Fits one after the other: relative tolerance of a hit, rays cast, and the least excess of hits over what chance puts within the
/// tolerance, in standard deviations. Among textures the first fit gathers 1 by itself; every face of 146 rendered and 28 real
/// photos had 1.4, 3.1, 3.7 and 5.1 at least.
const STAGES: [(f64, usize, f64); 4] = [
    (0.12, FEW_RAYS, 0.5),
    (0.08, FEW_RAYS, 2.0),
    (0.08, RAYS, 2.5),
    (0.05, RAYS, 3.5),
];
/// Share of all rays, in the picture or not, on which two changes of colour must be seen: a quarter of the way round shows an
/// ellipse, and two of them with one centre show which face it is.
const MIN_COVERAGE: f64 = 0.25;
/// The same while few rays are cast, which may miss some, and the least mean over all changes of colour.
const MIN_EARLY: f64 = 0.2;
const MIN_EARLY_MEAN: f64 = 0.2;
/// Share beyond which a spot is sure: most rays show all its rings.
const SURE_SHARE: f64 = 0.7;
/// Share beyond which no second one is looked for near the centre.
const LIKELY_SHARE: f64 = 0.5;
/// Smallest outer radius, px of the reduced picture.
const MIN_FACE_RADIUS_PX: f64 = 16.0;

/// An edge point with the boundary that it is taken for (index into [`FaceSpec::boundaries`]).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct CoarseEdge {
    pub(super) at: ImagePoint,
    pub(super) boundary: usize,
}

/// A spot as found on the reduced picture, in pixels of the photo.
#[derive(Clone, Debug)]
pub(super) struct Spot {
    /// Image of the rings' common centre.
    pub(super) centre: ImagePoint,
    /// (p − centre)ᵀ · metric · (p − centre) = (radius in mm)² near the centre.
    pub(super) metric: Matrix2<f64>,
    /// Edge points that agree.
    pub(super) edges: Vec<CoarseEdge>,
    /// Mean share of rays on which boundaries were seen, 0–1.
    pub(super) support: f64,
}

impl Spot {
    /// Whether a place lies within its rings; near its centre, where it isn't sure itself.
    fn holds(&self, at: ImagePoint, outer_mm: f64) -> bool {
        let from = Vector2::new(at.x - self.centre.x, at.y - self.centre.y);
        let share = if self.support > SURE_SHARE {
            0.9
        } else if self.support > LIKELY_SHARE {
            0.35
        } else {
            return false;
        };
        from.dot(&(self.metric * from)) < (share * outer_mm).powi(2)
    }

    /// Geometric mean of the axes at the centre, px per mm.
    pub(super) fn px_per_mm(&self) -> f64 {
        self.metric.determinant().max(1e-300).powf(-0.25)
    }
}

/// The result of a search, with what the message needs when nothing is accepted.
#[derive(Clone, Debug, Default)]
pub(super) struct SpotSearch {
    /// Accepted spots, best support first.
    pub(super) spots: Vec<Spot>,
    /// Patches of strong colour that were tried.
    pub(super) patches: usize,
    /// Share of rays for each colour boundary at the best place that was not accepted.
    pub(super) near_miss: Option<Vec<f64>>,
}

/// Looks for spots of `spec` on the whole photo as its print is expected to look.
pub(super) fn find(
    reduced: &LogColourCopy,
    spec: &FaceSpec,
    appearance: PrintAppearance,
) -> SpotSearch {
    let targets = targets(spec, appearance);
    let mut search = SpotSearch::default();
    let mut colours: Vec<Colour> = Vec::new();
    for zone in &spec.zones {
        if !colours.contains(&zone.colour) {
            colours.push(zone.colour);
        }
    }
    // black and white are everywhere: only where a face has nothing else
    let strong = |c: &Colour| !matches!(c, Colour::Black | Colour::White);
    if colours.iter().any(strong) {
        colours.retain(strong);
    }
    let possible = reduced.possible_colours(appearance.contrast);
    // all colours at once, unless they are black and white, then one by one
    let all = colours.iter().fold(0, |bits, c| bits | bit(*c));
    let all = strong(&colours[0]).then_some(all);
    let groups = all.into_iter().chain(colours.iter().map(|c| bit(*c)));
    let mut tried: Vec<(Vector2<f64>, f64)> = Vec::new();
    for group in groups {
        for (start, radius) in patches(possible, group, reduced.width) {
            search.patches += 1;
            let at = reduced.in_photo(ImagePoint::new(start.x, start.y));
            // no spot stands within another's rings
            if search
                .spots
                .iter()
                .any(|s| s.holds(at, spec.outer_radius_mm()))
            {
                continue;
            }
            let same = |t: &(Vector2<f64>, f64)| {
                (t.0 - start).norm() < SAME_PATCH_SHARE * radius
                    && (t.1 / radius - 1.0).abs() < SAME_PATCH_SHARE
            };
            if tried.iter().any(same) {
                continue;
            }
            tried.push((start, radius));
            match examine(reduced, spec, &targets, start, radius) {
                Ok(spot) => keep(&mut search.spots, spot, spec.outer_radius_mm()),
                Err(coverage) => note_miss(&mut search.near_miss, coverage),
            }
        }
    }
    search.spots.sort_by(|a, b| b.support.total_cmp(&a.support));
    search
}

fn note_miss(best: &mut Option<Vec<f64>>, coverage: Vec<f64>) {
    let total = |c: &[f64]| c.iter().sum::<f64>();
    if best.as_ref().is_none_or(|b| total(b) < total(&coverage)) && total(&coverage) > 0.0 {
        *best = Some(coverage);
    }
}

/// Adds a spot unless a better one stands there already.
fn keep(spots: &mut Vec<Spot>, spot: Spot, outer_mm: f64) {
    let same = |s: &Spot| {
        s.centre.distance(spot.centre) < 0.4 * outer_mm * s.px_per_mm().max(spot.px_per_mm())
    };
    if spots.iter().any(|s| same(s) && s.support >= spot.support) {
        return;
    }
    spots.retain(|s| !same(s));
    spots.push(spot);
}

/// Tests one candidate. `Err` holds the share of rays on which each boundary was seen.
fn examine(
    reduced: &LogColourCopy,
    spec: &FaceSpec,
    targets: &[Target],
    start: Vector2<f64>,
    radius: f64,
) -> Result<Spot, Vec<f64>> {
    let nothing = vec![0.0; targets.len()];
    let reach = (FIRST_REACH.0 * radius).max(FIRST_REACH.1);
    let coarse = reduced.for_length(radius, MIN_PATCH_RADIUS_ON_COPY_PX);
    // most patches are no face: few rays show that
    for (rays, least) in [(FIRST_RAYS, 1), (FEW_RAYS, FEW_RAYS / 6)] {
        let cast = cast(reduced, coarse, targets, start, rays, reach);
        if !at_least(least, rays, cast.map(|hits| has_chain(&hits, targets))) {
            return Err(nothing);
        }
    }
    let reach = SECOND_REACH * reach;
    let rays = cast(reduced, coarse, targets, start, MORE_RAYS, reach);
    let chains: Vec<Vec<Hit>> = rays.filter_map(|hits| chain(&hits, targets)).collect();
    if chains.len() < MORE_RAYS / 6 {
        return Err(nothing);
    }
    let Some(mut pencil) = ransac(&chains, targets, start) else {
        return Err(nothing);
    };
    for (tolerance, rays, least_excess) in STAGES {
        let Some(centre) = pencil.centre() else {
            return Err(nothing);
        };
        let seen_in = if rays < RAYS {
            reduced.for_length(pencil.radius(), MIN_FACE_RADIUS_ON_COPY_PX)
        } else {
            reduced
        };
        let reach = REACH_BEYOND * pencil.farthest();
        let cast: Vec<Vec<Hit>> = cast(reduced, seen_in, targets, centre, rays, reach).collect();
        if excess(&cast, targets, &pencil, tolerance) < least_excess {
            return Err(nothing);
        }
        let hits = agreeing(&cast, targets, &pencil, tolerance);
        if rays < RAYS {
            let each = seen_shares(&hits, targets, rays);
            let mean = each.iter().sum::<f64>() / count(each.len().max(1));
            if second_largest(&each) < MIN_EARLY || mean < MIN_EARLY_MEAN {
                return Err(each);
            }
        }
        let Some(better) = fit(&hits, targets, centre, pencil.radius(), true) else {
            return Err(nothing);
        };
        if !better.is_sound() {
            return Err(nothing);
        }
        pencil = better;
    }
    let centre = pencil.centre().ok_or_else(|| nothing.clone())?;
    if pencil.radius() < MIN_FACE_RADIUS_PX
        || reduced.near(ImagePoint::new(centre.x, centre.y)).is_none()
    {
        return Err(nothing);
    }
    let reach = REACH_BEYOND * pencil.farthest();
    let rays: Vec<Vec<Hit>> = cast(reduced, reduced, targets, centre, RAYS, reach).collect();
    let hits = agreeing(&rays, targets, &pencil, 0.05);
    let coverage = coverage(reduced, targets, &pencil, centre, &hits);
    if second_largest(&seen_shares(&hits, targets, RAYS)) < MIN_COVERAGE {
        return Err(coverage);
    }
    let mean = coverage.iter().sum::<f64>() / count(coverage.len().max(1));
    let scale = pencil.unit * reduced.factor / spec.outer_radius_mm();
    let over = 1.0 + 2.0 * pencil.g.dot(&((centre - pencil.origin) / pencil.unit));
    Ok(Spot {
        centre: reduced.in_photo(ImagePoint::new(centre.x, centre.y)),
        metric: pencil.m / (scale * scale * over),
        edges: hits
            .iter()
            .map(|h| CoarseEdge {
                at: reduced.in_photo(ImagePoint::new(h.at.x, h.at.y)),
                boundary: targets[h.target].boundary,
            })
            .collect(),
        support: mean,
    })
}

/// For each boundary, in order, the hit with the least of `off`, where that is below `limit`. The hits come boundary by boundary.
fn nearest(hits: &[Hit], limit: f64, off: impl Fn(&Hit) -> f64) -> impl Iterator<Item = &Hit> {
    hits.chunk_by(|a, b| a.target == b.target)
        .filter_map(move |of_one| {
            let mut best = (limit, None);
            for h in of_one {
                let off = off(h);
                if off < best.0 {
                    best = (off, Some(h));
                }
            }
            best.1
        })
}

/// Whether at least so many of `all` are true: no more are asked than that takes.
fn at_least(least: usize, all: usize, mut of: impl Iterator<Item = bool>) -> bool {
    let (mut n, mut left) = (0, all);
    while n < least && n + left >= least {
        let Some(is_true) = of.next() else { break };
        n += usize::from(is_true);
        left -= 1;
    }
    n >= least
}

/// The hits of one ray that agree with the scale of one of them, at most one of each boundary.
fn members<'a>(
    hits: &'a [Hit],
    targets: &'a [Target],
    seed: &Hit,
) -> impl Iterator<Item = &'a Hit> + use<'a> {
    const OFF: f64 = 0.3;
    let scale = seed.ln_r - targets[seed.target].ln_rho;
    nearest(hits, OFF, move |h| {
        (h.ln_r - targets[h.target].ln_rho - scale).abs()
    })
}

/// Whether some hits of one ray agree on a scale: at least two boundaries, in their order.
fn has_chain(hits: &[Hit], targets: &[Target]) -> bool {
    hits.iter().any(|seed| {
        let (mut n, mut before) = (0, 0.0);
        for h in members(hits, targets, seed) {
            if h.r <= before {
                return false;
            }
            before = h.r;
            n += 1;
        }
        n >= 2
    })
}

/// The hits of one ray that agree best on a scale: at least two boundaries.
fn chain(hits: &[Hit], targets: &[Target]) -> Option<Vec<Hit>> {
    let members = |seed: &Hit| members(hits, targets, seed);
    let mut best: Option<(usize, f32, &Hit)> = None;
    for seed in hits {
        let (mut n, mut strength, mut rising, mut before) = (0, 0.0, true, 0.0);
        for h in members(seed) {
            n += 1;
            strength += h.strength.min(1.0);
            rising &= h.r > before;
            before = h.r;
        }
        let better = best.is_none_or(|(m, s, _)| (n, strength) > (m, s));
        if rising && n >= 2 && better {
            best = Some((n, strength, seed));
        }
    }
    best.map(|(_, _, seed)| members(seed).copied().collect())
}

/// Random sampling consensus over whole rays (Fischler and Bolles 1981): four rays make a fit, the most agreeing hits win.
fn ransac(chains: &[Vec<Hit>], targets: &[Target], origin: Vector2<f64>) -> Option<Pencil> {
    const ITERATIONS: usize = 120;
    const TOLERANCE: f64 = 0.12;
    let mut random = SplitMix::new(chains.len() as u64);
    let mut best: Option<(usize, Pencil)> = None;
    let all: Vec<[f64; 3]> = chains
        .iter()
        .flatten()
        .map(|h| [h.at.x, h.at.y, targets[h.target].rho])
        .collect();
    let level = Level::new();
    let mut hits = Vec::new();
    for _ in 0..ITERATIONS {
        hits.clear();
        for _ in 0..4 {
            hits.extend_from_slice(&chains[random.below(chains.len())]);
        }
        let unit = hits
            .iter()
            .map(|h| h.r / targets[h.target].rho)
            .sum::<f64>()
            / count(hits.len());
        let Some(p) = fit(&hits, targets, origin, unit, false).filter(Pencil::is_sound) else {
            continue;
        };
        let least = best.as_ref().map_or(0, |b| b.0 + 1);
        let n = dispatch!(level, _simd => agreeing_hits(&all, &p, TOLERANCE, least));
        if n >= least {
            best = Some((n, p));
        }
    }
    best.filter(|b| b.0 >= MORE_RAYS / 3).map(|b| b.1)
}

/// For every ray and boundary the hit nearest to where the fit expects it, if within a relative `tolerance`.
fn agreeing(rays: &[Vec<Hit>], targets: &[Target], pencil: &Pencil, tolerance: f64) -> Vec<Hit> {
    let off = |h: &Hit| (pencil.rho(h.at) / targets[h.target].rho - 1.0).abs();
    rays.iter()
        .flat_map(|hits| nearest(hits, tolerance, off))
        .copied()
        .collect()
}

/// How many more hits lie within a relative `tolerance` of where the fit expects them than chance would put there, in standard
/// deviations: of hits anywhere within three times the tolerance a third would (binomial distribution). Rings gather them.
fn excess(rays: &[Vec<Hit>], targets: &[Target], pencil: &Pencil, tolerance: f64) -> f64 {
    const SHARE: f64 = 1.0 / 3.0;
    let (mut near, mut all) = (0, 0);
    for hit in rays.iter().flatten() {
        let off = (pencil.rho(hit.at) / targets[hit.target].rho).ln().abs();
        near += usize::from(off < tolerance);
        all += usize::from(off < tolerance / SHARE);
    }
    let n = count(all.max(1));
    (count(near) - SHARE * n) / (n * SHARE * (1.0 - SHARE)).sqrt()
}

/// For each boundary the share of all rays that saw it.
fn seen_shares(hits: &[Hit], targets: &[Target], rays: usize) -> Vec<f64> {
    let seen = |t: usize| hits.iter().filter(|h| h.target == t).count();
    (0..targets.len())
        .map(|t| count(seen(t)) / count(rays))
        .collect()
}

/// The second largest of some shares: how much is seen at least of two boundaries.
fn second_largest(shares: &[f64]) -> f64 {
    let mut sorted = shares.to_vec();
    sorted.sort_by(|a, b| b.total_cmp(a));
    sorted.get(1).copied().unwrap_or(0.0)
}

/// For each boundary the share of rays that saw it, of those on which it lies in the picture.
fn coverage(
    reduced: &LogColourCopy,
    targets: &[Target],
    pencil: &Pencil,
    centre: Vector2<f64>,
    hits: &[Hit],
) -> Vec<f64> {
    let mut share = Vec::with_capacity(targets.len());
    for (t, target) in targets.iter().enumerate() {
        let possible = (0..RAYS)
            .filter(|k| {
                let angle = TAU * count(*k) / count(RAYS);
                let along = Vector2::new(angle.cos(), angle.sin());
                // where this ray meets the boundary: bisection, the radius grows along the ray
                let (mut low, mut high) = (0.0, 4.0 * pencil.radius());
                for _ in 0..24 {
                    let middle = 0.5 * (low + high);
                    if pencil.rho(centre + along * middle) < target.rho {
                        low = middle
                    } else {
                        high = middle
                    }
                }
                let p = centre + along * (high + 2.0);
                reduced.near(ImagePoint::new(p.x, p.y)).is_some()
            })
            .count();
        let seen = hits.iter().filter(|h| h.target == t).count();
        share.push((count(seen) / count(possible.max(1))).min(1.0));
    }
    share
}

/// The metric's eigenvectors and axes: px per mm along the longer axis, along the shorter, and the direction of the shorter
/// (unit vector in the picture).
pub(super) fn axes(metric: &Matrix2<f64>) -> (f64, f64, Vector2<f64>) {
    let e = metric.symmetric_eigen();
    let (short, long) = if e.eigenvalues[0] > e.eigenvalues[1] {
        (0, 1)
    } else {
        (1, 0)
    };
    let px = |i: usize| 1.0 / e.eigenvalues[i].max(1e-300).sqrt();
    (
        px(long),
        px(short),
        e.eigenvectors.column(short).into_owned(),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::RgbImage;

    #[test]
    fn in_a_picture_that_is_nothing_but_a_line_nothing_is_found() {
        let face = super::super::spec::by_name("wa-80").unwrap();
        for (width, height) in [(1, 3000), (3000, 1), (1, 1)] {
            let pixels = RgbImage::from_pixel(width, height, image::Rgb([230, 200, 40]));
            let reduced = LogColourCopy::new(&pixels, 1000);
            assert!(
                find(&reduced, face, super::super::colour::PRINT_APPEARANCES[0])
                    .spots
                    .is_empty()
            );
        }
    }
}

//! How much better a face explains the picture than no face does: a log likelihood ratio, in nats.
//!
//! *Colour.* Across each change of colour, all the way round, the step of the log colour is either that of two inks, in light that
//! may have taken some of the contrast, with a share of places hidden (shafts, holes, shadow), or what two places of any picture
//! differ by. *Edges.* Along each ring the edges found lie about it with a scatter and a share of strays that are estimated, or
//! anywhere within the search. Both are sums over places; neighbours aren't independent, so each ring counts as a few.
//! The figures are data: `calibration/face-evidence.json`.

use super::colour::{dot, log_colour, log_steps};
use super::projection::Projection;
use super::spec::{Colour, FaceSpec, Zone};
use crate::geometry::FacePoint;
use crate::math::{count, floor_index};
use image::RgbImage;
use serde::Deserialize;
use std::f64::consts::TAU;
use std::sync::LazyLock;

/// Directions in which a boundary is looked at.
const DIRECTIONS: usize = 72;
/// Where the colour on either side of a boundary is taken, share of the way to the next change of colour.
const BESIDE: [f64; 4] = [0.15, 0.3, 0.45, 0.6];
/// How far outside the outermost zone the paper is taken to reach, share of its radius: sheets are cut close.
const PAPER_BEYOND: f64 = 0.07;
/// A direction shows a boundary when the inks explain it better by this much, nats.
const SHOWS_NATS: f64 = 1.0;

#[derive(Clone, Debug, Deserialize)]
struct Printed {
    lightness_sd: f64,
    chroma_sd: f64,
    contrasts: Vec<f32>,
    hidden: f64,
}

#[derive(Clone, Copy, Debug, Deserialize)]
struct Scales {
    lightness: f64,
    chroma: f64,
}

#[derive(Clone, Copy, Debug, Deserialize)]
struct Background {
    narrow: Scales,
    wide: Scales,
    wide_share: f64,
}

#[derive(Clone, Debug, Deserialize)]
struct Document {
    printed: Printed,
    background: Background,
    independent_per_ring: f64,
    /// For faces of black and white alone, of others those with two changes of colour, and those with more.
    black_and_white: Thresholds,
    two_changes: Thresholds,
    more_changes: Thresholds,
    /// Evidence of the printed lines that shows the ratios of the face as a second change of colour does, nats.
    lines_show_nats: f64,
    /// Evidence asked of faces so small that no line would show, nats.
    without_lines_nats: f64,
}

#[derive(Clone, Copy, Debug, Deserialize)]
struct Thresholds {
    /// Evidence of the printed lines without which discs are no face, where lines would show, nats.
    least_lines_nats: f64,
    least_nats: f64,
    doubtful_nats: f64,
}

static DATA: LazyLock<Option<Document>> = LazyLock::new(|| {
    serde_json::from_str(include_str!("../../calibration/face-evidence.json")).ok()
});

/// The evidence for a face, nats: each part is the logarithm of a likelihood ratio, of the face against no face.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Evidence {
    /// From the changes of colour.
    pub colour: f64,
    /// From where edges lie along them.
    pub edges: f64,
    /// From where printed lines lie.
    pub lines: f64,
    /// Changes of colour that show on a quarter of the way round or more.
    pub boundaries: usize,
    /// Total from which the face is accepted, nats.
    required_nats: f64,
    /// Least evidence of the lines where they would show, nats.
    required_lines_nats: f64,
    /// Least total with which no person needs to look, nats.
    beyond_doubt: f64,
}

impl Evidence {
    /// The sum of the parts, nats.
    #[must_use]
    pub fn total(&self) -> f64 {
        self.colour + self.edges + self.lines
    }

    /// Total from which this face is accepted, nats.
    #[must_use]
    pub const fn required_nats(&self) -> f64 {
        self.required_nats
    }

    /// The total less what is required, nats; negative where the face is not accepted.
    #[must_use]
    pub fn margin(&self) -> f64 {
        self.total() - self.required_nats
    }

    /// Whether the face is accepted.
    #[must_use]
    pub fn is_enough(&self) -> bool {
        // one ellipse shows no ratio: a second change of colour does, or the lines
        let lines = DATA
            .as_ref()
            .is_some_and(|d| self.lines >= d.lines_show_nats);
        (self.boundaries >= 2 || self.boundaries == 1 && lines) && self.margin() >= 0.0
    }

    /// Whether the printed lines speak for the face as far as they must where they would show.
    pub(super) fn has_lines(&self) -> bool {
        self.lines >= self.required_lines_nats
    }

    /// Whether so much speaks for the face that no lines are needed: where it is so small in the picture that none would show.
    pub(super) fn does_without_lines(&self) -> bool {
        DATA.as_ref()
            .is_some_and(|d| self.total() >= d.without_lines_nats)
    }

    /// Accepted, but with so little that a person should look.
    #[must_use]
    pub fn is_doubtful(&self) -> bool {
        self.total() < self.beyond_doubt
    }

    /// Nothing seen yet of a face.
    pub(super) fn none(spec: &FaceSpec) -> Self {
        let thresholds = DATA.as_ref().map(|d| {
            let grey = |z: &Zone| matches!(z.colour, Colour::Black | Colour::White);
            if spec.zones.iter().all(grey) {
                d.black_and_white
            } else if changes(spec).len() > 2 {
                d.more_changes
            } else {
                d.two_changes
            }
        });
        Self {
            required_nats: thresholds.map_or(f64::INFINITY, |t| t.least_nats),
            required_lines_nats: thresholds.map_or(f64::INFINITY, |t| t.least_lines_nats),
            beyond_doubt: thresholds.map_or(f64::INFINITY, |t| t.doubtful_nats),
            ..Self::default()
        }
    }
}

/// Share of the way round on which a change of colour must show to count as seen.
const MIN_BOUNDARY_SHARE: f64 = 0.25;

/// One change of colour between two bands of the face.
struct Change {
    radius_mm: f64,
    inside_mm: f64,
    outside_mm: f64,
    steps: Vec<[f32; 3]>,
}

fn changes(spec: &FaceSpec) -> Vec<Change> {
    let boundaries = spec.boundaries();
    let of_colour: Vec<_> = boundaries.iter().filter(|b| !b.is_line()).collect();
    (0..of_colour.len())
        .map(|i| {
            let b = of_colour[i];
            let before = i.checked_sub(1).map_or(0.0, |j| of_colour[j].radius_mm);
            let after = of_colour.get(i + 1).map_or_else(
                || {
                    let outer = spec.outer_radius_mm();
                    if b.radius_mm < outer {
                        outer
                    } else {
                        (1.0 + PAPER_BEYOND) * outer
                    }
                },
                |c| c.radius_mm,
            );
            Change {
                radius_mm: b.radius_mm,
                inside_mm: before,
                outside_mm: after,
                steps: log_steps(b.inside, b.outside),
            }
        })
        .collect()
}

/// The evidence of the colours on a picture that `projection` sees, and how many changes of colour show.
pub(super) fn of_colour(
    pixels: &RgbImage,
    projection: &Projection,
    spec: &FaceSpec,
) -> (f64, usize) {
    let Some(data) = DATA.as_ref() else {
        return (0.0, 0);
    };
    let weight = data.independent_per_ring / count(DIRECTIONS * spec.spots_mm.len());
    let (mut nats, mut seen) = (0.0, 0);
    for change in changes(spec) {
        let mut shown = 0usize;
        for spot in &spec.spots_mm {
            for k in 0..DIRECTIONS {
                let angle = TAU * count(k) / count(DIRECTIONS);
                let Some(step) = step_seen(pixels, projection, *spot, angle, &change) else {
                    continue;
                };
                let ratio = data.log_ratio(step, &change.steps);
                nats += weight * ratio;
                shown += usize::from(ratio > SHOWS_NATS);
            }
        }
        let share = count(shown) / count(DIRECTIONS * spec.spots_mm.len());
        seen += usize::from(share >= MIN_BOUNDARY_SHARE);
    }
    (nats, seen)
}

/// The step of the mean log colour across a boundary in one direction; `None` where it isn't in the picture.
fn step_seen(
    pixels: &RgbImage,
    projection: &Projection,
    spot: FacePoint,
    angle: f64,
    change: &Change,
) -> Option<[f32; 3]> {
    let (sin, cos) = angle.sin_cos();
    let mean = |towards: f64| -> Option<[f32; 3]> {
        let mut sum = [0.0; 3];
        for share in BESIDE {
            let r = change.radius_mm + share * (towards - change.radius_mm);
            let at = FacePoint::new(spot.x + r * cos, spot.y + r * sin);
            let c = log_at(pixels, projection, at)?;
            for k in 0..3 {
                sum[k] += 0.25 * c[k];
            }
        }
        Some(sum)
    };
    let (inside, outside) = (mean(change.inside_mm)?, mean(change.outside_mm)?);
    Some([0, 1, 2].map(|k| outside[k] - inside[k]))
}

fn log_at(pixels: &RgbImage, projection: &Projection, at: FacePoint) -> Option<[f32; 3]> {
    let p = projection.image_from_print(at)?;
    let (x, y) = (p.x + 0.5, p.y + 0.5);
    if !(x >= 0.0 && y >= 0.0) {
        return None;
    }
    let (x, y) = (floor_index(x), floor_index(y));
    if x >= pixels.width() as usize || y >= pixels.height() as usize {
        return None;
    }
    let i = 3 * (y * pixels.width() as usize + x);
    match pixels.as_raw().get(i..i + 3) {
        Some([r, g, b]) => Some(log_colour([f32::from(*r), f32::from(*g), f32::from(*b)])),
        _ => None,
    }
}

/// Lightness and two chroma axes of a step of log colour, an orthonormal turn of it.
fn opponent(c: &[f32; 3]) -> [f64; 3] {
    let [r, g, b] = c.map(f64::from);
    [
        (r + g + b) / 3f64.sqrt(),
        (r - b) / 2f64.sqrt(),
        (r - 2.0 * g + b) / 6f64.sqrt(),
    ]
}

impl Document {
    /// ln p(step | two inks, or hidden) − ln p(step | any two places).
    fn log_ratio(&self, step: [f32; 3], inks: &[[f32; 3]]) -> f64 {
        let d = opponent(&step);
        let laplace = |s: &Scales| {
            let axis = |v: f64, scale: f64| (-v.abs() / scale).exp() / (2.0 * scale);
            axis(d[0], s.lightness) * axis(d[1], s.chroma) * axis(d[2], s.chroma)
        };
        let b = &self.background;
        let anywhere = (1.0 - b.wide_share) * laplace(&b.narrow) + b.wide_share * laplace(&b.wide);
        let p = &self.printed;
        let normal = |v: f64, sd: f64| (-0.5 * (v / sd).powi(2)).exp() / (sd * TAU.sqrt());
        let mut printed = 0.0;
        for ink in inks.iter().filter(|ink| dot(ink, ink) > 0.0) {
            for contrast in &p.contrasts {
                let e = opponent(&[0, 1, 2].map(|k| step[k] - contrast * ink[k]));
                printed += normal(e[0], p.lightness_sd)
                    * normal(e[1], p.chroma_sd)
                    * normal(e[2], p.chroma_sd);
            }
        }
        printed /= count((inks.len() * p.contrasts.len()).max(1));
        ((1.0 - p.hidden) * printed / anywhere.max(1e-300) + p.hidden).ln()
    }
}

/// The evidence of edges found along one ring: residuals from it (px), of so many profiles searched, within `reach_px`, scattered
/// by `sd_px`.
pub(super) fn of_edges(
    residuals_px: &[f64],
    profiles_searched: usize,
    reach_px: f64,
    sd_px: f64,
) -> f64 {
    let Some(data) = DATA.as_ref() else {
        return 0.0;
    };
    if profiles_searched == 0 || residuals_px.is_empty() {
        return 0.0;
    }
    let near = residuals_px
        .iter()
        .filter(|r| r.abs() < 3.0 * sd_px)
        .count();
    // a share of one would make a single stray impossible
    let share = (count(near) / count(residuals_px.len())).min(0.98);
    let peak = 2.0 * reach_px / (sd_px * TAU.sqrt());
    let sum: f64 = residuals_px
        .iter()
        .map(|r| (1.0 - share + share * peak * (-0.5 * (r / sd_px).powi(2)).exp()).ln())
        .sum();
    sum * data.independent_per_ring / count(profiles_searched)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn printed_steps_speak_for_a_face_in_any_light_and_no_step_against_it() {
        let data = DATA.as_ref().expect("built in");
        let inks = log_steps(Colour::Yellow, Colour::Red);
        for contrast in [1.0, 0.5] {
            let ratio = data.log_ratio(inks[0].map(|v| contrast * v), &inks);
            assert!(ratio > SHOWS_NATS, "{ratio}");
        }
        assert!(data.log_ratio([0.02, -0.01, 0.0], &inks) < -0.5);
        // the other way round: red inside yellow
        assert!(data.log_ratio(inks[0].map(|v| -v), &inks) < -0.5);
    }

    #[test]
    fn edges_on_a_ring_speak_for_it_and_edges_all_over_the_search_do_not() {
        let on: Vec<f64> = (0..72).map(|k| 0.3 * (f64::from(k) * 1.7).sin()).collect();
        let all_over: Vec<f64> = (0..72).map(|k| f64::from(k) / 6.0 - 6.0).collect();
        assert!(of_edges(&on, 72, 6.0, 0.2) > 10.0);
        assert!(of_edges(&all_over, 72, 6.0, 4.5) < 1.0);
        assert!(of_edges(&[], 72, 6.0, 1.0).abs() < 1e-12);
    }
}

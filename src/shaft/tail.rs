//! The colours of a shaft's nock and vanes, as likelihoods of colours' names.
//!
//! The photo is sampled in millimetres along and across the tail. Where the nock ends, and how far the tail lies beside the projected
//! axis, is found from where the middle differs from both its sides and where that stops; the places that remain possible are summed over
//! with their weights. Vanes are what differs, beside the tube, from the background on both sides.

use super::Shaft;
use crate::colours::{ColourName, Likeness};
use crate::geometry::camera::Camera;
use crate::geometry::{FacePoint, ImagePoint};
use crate::imaging::{lab_from_linear, linear_light};
use crate::math::{count, floor_index};
use image::RgbImage;
use nalgebra::Vector3;
use std::collections::BTreeMap;

/// Distance between samples along the tail, mm.
const ALONG_MM: f64 = 2.5;
/// The first of them, before the vanes, mm from the estimated end of the nock.
const FIRST_MM: f64 = -130.0;
/// Number of them: the last lie beyond the nock.
const ALONG: usize = 66;
/// Distance between samples across the tail, mm.
const ACROSS_MM: f64 = 1.25;
/// Number of them; the middle one lies on the axis.
const ACROSS: usize = 29;
/// Largest deviation of the nock's end from its estimated place, steps along and across, and its standard deviation.
const SHIFT_STEPS: (usize, usize) = (11, 4);
const SHIFT_SD_STEPS: (f64, f64) = (3.0, 2.0);
/// Stretches that show where the nock ends, steps: before the end the middle differs from its sides, after it it doesn't.
const STEPS_BEFORE_END: usize = 10;
const STEPS_AFTER_END: usize = 6;
/// The sides that the middle is compared with, steps across.
const SIDE_STEPS: usize = 5;
/// A difference (of square roots of linear light, white 1) that is as likely of a tube as of the ground, and how much more is
/// plain: these hold best on drawn practice photos (other seeds than those that test them); half as much and twice cost little.
const UNDECIDED_DIFFERENCE: f64 = 0.12;
const CLEAR_DIFFERENCE_STEP: f64 = 0.08;
/// What one step along says at most, in log-odds, for a tube and against one: neighbouring steps agree with each other.
const LOG_ODDS_PER_STEP: (f64, f64) = (0.8, -0.6);
/// Where a nock shows its colour, steps before its end: behind its edge, before the tube (nocks are 11 mm long at least).
const NOCK_STEPS: std::ops::RangeInclusive<usize> = 1..=3;
/// Where vanes are, steps before the end (25 to 105 mm: `calibration/rehearse.json`, common practice).
const VANE_STEPS_ALONG: std::ops::RangeInclusive<usize> = 10..=42;
/// Where vanes show beside the tube, steps from the axis, and the ground beyond them.
const VANE_STEPS_ACROSS: std::ops::RangeInclusive<usize> = 4..=8;
const GROUND_STEPS_ACROSS: usize = 11;
/// Samples that are surely vane beyond which more of them add nothing: they err together.
const MAX_VANE_SAMPLES: f64 = 25.0;
/// Least posterior probability of a place of the nock's end that is kept.
const MIN_POSTERIOR_SHARE: f64 = 0.02;
/// Width of a nock in the picture, px, from which its colours count in full.
const WIDE_PX: f64 = 5.0;
/// Width of a nock, mm.
const NOCK_MM: f64 = 6.0;
/// Half width that a neighbour covers, mm: of its vanes, near its nock, and of its tube, elsewhere.
const NEIGHBOUR_MM: (f64, f64) = (11.0, 5.0);
/// Length from its nock along which it is as wide as its vanes, mm.
const NEIGHBOUR_TAIL_MM: f64 = 115.0;

/// What the picture shows of a tail.
#[derive(Clone, Debug, Default)]
pub(super) struct Tail {
    /// Of every sample that counts.
    likeness: Vec<Likeness>,
    /// Weights of the places where the nock may be, and the samples of each.
    nock: Vec<(f64, Vec<usize>)>,
    /// Weight of the nock's samples, 0 to 1: less where the nock is small in the picture.
    nock_weight: f64,
    /// Weights of the samples that may be vane.
    vanes: Vec<(f64, usize)>,
}

impl Tail {
    /// How much likelier this tail looks as it does with a nock and vanes of these names than with ones of any.
    pub(super) fn ratio(&self, nock: Option<ColourName>, vanes: &[ColourName]) -> f64 {
        let nock = nock.map_or(1.0, |name| self.nock_ratio(name));
        nock * self.vane_ratio(vanes)
    }

    fn nock_ratio(&self, name: ColourName) -> f64 {
        let all: f64 = self.nock.iter().map(|n| n.0).sum();
        if all <= 0.0 {
            return 1.0;
        }
        let each = self.nock.iter().map(|(weight, samples)| {
            let logs: f64 = samples
                .iter()
                .map(|s| self.likeness[*s].ratio(name).ln())
                .sum();
            weight * (self.nock_weight * logs / count(samples.len().max(1))).exp()
        });
        each.sum::<f64>() / all
    }

    fn vane_ratio(&self, names: &[ColourName]) -> f64 {
        let all: f64 = self.vanes.iter().map(|v| v.0).sum();
        if names.is_empty() || all <= 0.0 {
            return 1.0;
        }
        let shares = shares(names.len());
        let logs: f64 = self
            .vanes
            .iter()
            .map(|(weight, s)| {
                let seen = &self.likeness[*s];
                let mixed: f64 = names
                    .iter()
                    .zip(&shares)
                    .map(|(n, p)| p * seen.ratio(*n))
                    .sum();
                weight * mixed.ln()
            })
            .sum();
        (logs / all * (all / MAX_VANE_SAMPLES).min(1.0)).exp()
    }
}

/// Share of the vanes that has each of the colours given: of three vanes the first colour is the index vane's.
fn shares(colours: usize) -> Vec<f64> {
    match colours {
        2 => vec![1.0 / 3.0, 2.0 / 3.0],
        n => vec![1.0 / count(n.max(1)); n],
    }
}

/// The tail in millimetres: linear light as a share of the face's white.
struct Samples {
    light: Vec<Option<[f64; 3]>>,
    /// Pixels per millimetre across, at the nock.
    scale: f64,
}

impl Samples {
    fn new(
        pixels: &RgbImage,
        camera: &Camera,
        white: [f64; 3],
        shaft: &Shaft,
        neighbour_axes: &[[ImagePoint; 2]],
    ) -> Option<Self> {
        let (end, axis) = nock(camera, shaft)?;
        let across = axis
            .cross(&(camera.centre_mm() - end))
            .try_normalize(1e-9)?;
        let at = |along: f64, aside: f64| camera.project(end + axis * along + across * aside);
        let scale = at(0.0, 0.5)?.distance(at(0.0, -0.5)?);
        let mut samples = Vec::with_capacity(ALONG * ACROSS);
        for k in 0..ALONG {
            let along = FIRST_MM + ALONG_MM * count(k);
            for j in 0..ACROSS {
                let aside = ACROSS_MM * (count(j) - count(ACROSS / 2));
                let seen = at(along, aside)
                    .filter(|p| !neighbour_axes.iter().any(|n| covers(*n, *p, scale)))
                    .and_then(|p| linear_light(pixels, p));
                samples.push(seen.map(|c| std::array::from_fn(|i| f64::from(c[i]) / white[i])));
            }
        }
        Some(Self {
            light: samples,
            scale,
        })
    }

    fn at(&self, along: usize, across: usize) -> Option<[f64; 3]> {
        if across >= ACROSS {
            return None;
        }
        self.light.get(along * ACROSS + across).copied().flatten()
    }

    /// Mean of square roots over three samples across.
    fn mean(&self, along: usize, across: usize) -> Option<[f64; 3]> {
        let mut sum = [0.0; 3];
        for j in across.checked_sub(1)?..=across + 1 {
            let c = self.at(along, j)?;
            for k in 0..3 {
                sum[k] += c[k].max(0.0).sqrt() / 3.0;
            }
        }
        Some(sum)
    }

    /// Log-odds that a tube, not the ground, shows at a place; 0 where that can't be seen.
    fn tube(&self, along: usize, across: usize) -> f64 {
        let Some(middle) = self.mean(along, across) else {
            return 0.0;
        };
        let sides = [across.checked_sub(SIDE_STEPS), Some(across + SIDE_STEPS)];
        let gaps = sides.into_iter().flatten();
        let gaps = gaps.filter_map(|j| Some(apart(middle, self.mean(along, j)?)));
        gaps.min_by(f64::total_cmp).map_or(0.0, |d| {
            ((d - UNDECIDED_DIFFERENCE) / CLEAR_DIFFERENCE_STEP)
                .clamp(LOG_ODDS_PER_STEP.1, LOG_ODDS_PER_STEP.0)
        })
    }
}

fn apart(a: [f64; 3], b: [f64; 3]) -> f64 {
    (0..3).map(|k| (a[k] - b[k]).powi(2)).sum::<f64>().sqrt()
}

/// Samples that count, each with its likeness once.
#[derive(Default)]
struct CountedSamples {
    likeness: Vec<Likeness>,
    /// Number in `likeness` of the sample at a place.
    at: BTreeMap<(usize, usize), usize>,
}

impl CountedSamples {
    fn sample(&mut self, samples: &Samples, place: (usize, usize)) -> Option<usize> {
        let light = samples.at(place.0, place.1)?;
        let Self { likeness, at } = self;
        Some(*at.entry(place).or_insert_with(|| {
            likeness.push(Likeness::of(lab_from_linear(light)));
            likeness.len() - 1
        }))
    }
}

/// The nock's end and the unit vector towards it, from the axis in the picture and the lean.
fn nock(camera: &Camera, shaft: &Shaft) -> Option<(Vector3<f64>, Vector3<f64>)> {
    let [_, end_px] = shaft.segment_px?;
    let (right, up) = shaft
        .lean
        .map_or((0.0, 0.0), |l| (l.right_rad.tan(), l.up_rad.tan()));
    // on the ray of the nock's image the point nearest to the leaning axis, at equal heights
    let ground = camera.plane_from_image(end_px, 0.0)?;
    let above = camera.plane_from_image(end_px, 100.0)?;
    let per_mm = [
        (above.x - ground.x) / 100.0 - right,
        (above.y - ground.y) / 100.0 - up,
    ];
    let off = [ground.x - shaft.entry.x, ground.y - shaft.entry.y];
    let square = per_mm[0].powi(2) + per_mm[1].powi(2);
    let height = -(off[0] * per_mm[0] + off[1] * per_mm[1]) / square.max(1e-9);
    if !(MIN_NOCK_HEIGHT_MM..=MAX_NOCK_HEIGHT_MM).contains(&height) {
        return None;
    }
    let place = FacePoint::new(
        ground.x + (above.x - ground.x) * height / 100.0,
        ground.y + (above.y - ground.y) * height / 100.0,
    );
    let end = place.at_height(height);
    let axis = (end - shaft.entry.at_height(0.0)).try_normalize(1e-9)?;
    Some((end, axis))
}

/// Heights of a nock over the face plane that make sense, mm: not in the boss, and no arrow is longer.
const MIN_NOCK_HEIGHT_MM: f64 = 120.0;
const MAX_NOCK_HEIGHT_MM: f64 = 1000.0;

/// Whether a neighbour, from entry to nock in the picture, may show at `p`.
fn covers([entry, nock]: [ImagePoint; 2], p: ImagePoint, scale: f64) -> bool {
    let (dx, dy) = (nock.x - entry.x, nock.y - entry.y);
    let length = dx.hypot(dy);
    let (x, y) = (p.x - entry.x, p.y - entry.y);
    let along = (x * dx + y * dy) / length.max(1e-9);
    let from_nock = (along - length) / scale.max(1e-9);
    let half = if from_nock > -NEIGHBOUR_TAIL_MM {
        NEIGHBOUR_MM.0
    } else {
        NEIGHBOUR_MM.1
    };
    let aside = (x * dy - y * dx).abs() / length.max(1e-9);
    aside < half * scale && along > 0.0 && from_nock < NEIGHBOUR_MM.1
}

/// Looks at the tail of a shaft. `white` is what a white face would show, `neighbour_axes` are the axes of the photo's other shafts in
/// the picture, entry and nock. Empty where nothing of it is seen.
pub(super) fn look(
    pixels: &RgbImage,
    camera: &Camera,
    white: [f64; 3],
    shaft: &Shaft,
    neighbour_axes: &[[ImagePoint; 2]],
) -> Tail {
    let Some(samples) = Samples::new(pixels, camera, white, shaft, neighbour_axes) else {
        return Tail::default();
    };
    let places = ends(&samples);
    let mean = |f: fn(&End) -> usize| {
        let sum: f64 = places.iter().map(|e| e.weight * count(f(e))).sum();
        let all: f64 = places.iter().map(|e| e.weight).sum();
        floor_index(sum / all.max(1e-9) + 0.5)
    };
    let (along, across) = (mean(|e| e.along), mean(|e| e.across));
    let mut looked = CountedSamples::default();
    let vanes = vanes(&samples, along, across)
        .into_iter()
        .filter_map(|(weight, place)| Some((weight, looked.sample(&samples, place)?)))
        .collect();
    let nock = places
        .iter()
        .map(|e| {
            let rows = NOCK_STEPS.filter_map(|back| e.along.checked_sub(back));
            let seen = rows.flat_map(|k| (e.across - 1..=e.across + 1).map(move |j| (k, j)));
            let seen = seen.filter_map(|place| looked.sample(&samples, place));
            (e.weight, seen.collect())
        })
        .filter(|(_, seen): &(f64, Vec<usize>)| !seen.is_empty())
        .collect();
    Tail {
        vanes,
        nock,
        nock_weight: (NOCK_MM * samples.scale / WIDE_PX).min(1.0),
        likeness: looked.likeness,
    }
}

/// A place where the nock may end: the first sample beyond it, and its weight.
struct End {
    along: usize,
    across: usize,
    weight: f64,
}

/// The places where the nock may end, with weights that add to 1 (less what is slight).
fn ends(samples: &Samples) -> Vec<End> {
    let expected_end = floor_index(-FIRST_MM / ALONG_MM);
    let middle = ACROSS / 2;
    let (far, aside) = SHIFT_STEPS;
    let mut places = Vec::new();
    for across in middle - aside..=middle + aside {
        let first = expected_end - far - STEPS_BEFORE_END;
        let tube: Vec<f64> = (first..expected_end + far + STEPS_AFTER_END)
            .map(|k| samples.tube(k, across))
            .collect();
        for along in expected_end - far..=expected_end + far {
            let at = along - first;
            let before: f64 = tube[at - STEPS_BEFORE_END..at].iter().sum();
            let after: f64 = tube[at..(at + STEPS_AFTER_END).min(tube.len())]
                .iter()
                .sum();
            let shift = (
                (count(along) - count(expected_end)) / SHIFT_SD_STEPS.0,
                (count(across) - count(middle)) / SHIFT_SD_STEPS.1,
            );
            let weight = before - after - 0.5 * (shift.0.powi(2) + shift.1.powi(2));
            places.push(End {
                along,
                across,
                weight,
            });
        }
    }
    let best = places
        .iter()
        .map(|e| e.weight)
        .fold(f64::NEG_INFINITY, f64::max);
    for e in &mut places {
        e.weight = (e.weight - best).exp();
    }
    let all: f64 = places.iter().map(|e| e.weight).sum();
    for e in &mut places {
        e.weight /= all;
    }
    places.retain(|e| e.weight > MIN_POSTERIOR_SHARE);
    places
}

/// Samples beside the tube that differ from the ground on both sides, by how plainly they do.
fn vanes(samples: &Samples, along: usize, across: usize) -> Vec<(f64, (usize, usize))> {
    let mut found = Vec::new();
    for k in VANE_STEPS_ALONG.filter_map(|back| along.checked_sub(back)) {
        let ground = [
            across.checked_sub(GROUND_STEPS_ACROSS),
            Some(across + GROUND_STEPS_ACROSS),
        ];
        let ground: Vec<[f64; 3]> = ground
            .into_iter()
            .flatten()
            .filter_map(|j| samples.mean(k, j))
            .collect();
        if ground.is_empty() {
            continue;
        }
        for aside in VANE_STEPS_ACROSS {
            let sides = [across.checked_sub(aside), Some(across + aside)];
            for j in sides.into_iter().flatten() {
                let Some(seen) = samples.at(k, j) else {
                    continue;
                };
                let roots = seen.map(|c| c.max(0.0).sqrt());
                let gap = ground.iter().map(|g| apart(roots, *g));
                let gap = gap.fold(f64::INFINITY, f64::min);
                let weight = ((gap - UNDECIDED_DIFFERENCE) / CLEAR_DIFFERENCE_STEP).clamp(0.0, 1.0);
                if weight > 0.0 {
                    found.push((weight, (k, j)));
                }
            }
        }
    }
    found
}

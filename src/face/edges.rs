//! Sub-pixel edges of the printed rings: profiles along the normals of the rings that a camera predicts.

use super::colour::{printed, printed_linear};
use super::projection::Projection;
use super::spec::{Boundary, FaceSpec};
use crate::geometry::{FacePoint, ImagePoint};
use crate::imaging::{LINEAR_FROM_BYTE, Neighbours, luminance};
use crate::math::{count, floor_index, median};
use image::RgbImage;
use nalgebra::Vector2;
use std::f64::consts::TAU;
use std::sync::LazyLock;

/// A place where a ring was seen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RingEdge {
    /// Where, px.
    pub at: ImagePoint,
    /// Which spot, index into the specification's centres.
    pub spot: usize,
    /// Which boundary, index into [`FaceSpec::boundaries`].
    pub boundary: usize,
    /// True where a printed line was seen, false for a step of colour.
    pub line: bool,
    /// Pixels per millimetre across the ring here.
    pub px_per_mm: f64,
}

/// How a search is done.
#[derive(Clone, Copy, Debug)]
pub(super) struct EdgeSearch {
    /// Half length of a profile, px.
    pub(super) reach_px: f64,
    /// Look for printed lines too.
    pub(super) lines: bool,
    /// Most profiles on one ring.
    pub(super) profiles: usize,
}

/// What came of a search.
#[derive(Clone, Debug, Default)]
pub(super) struct FoundEdges {
    pub(super) edges: Vec<RingEdge>,
    /// Number of profiles searched, for each boundary.
    pub(super) profiles_searched: Vec<usize>,
    /// Whether each boundary was seen in grey; in colour alone it lies less surely.
    pub(super) sharp: Vec<bool>,
    /// Width of the changes of colour, standard deviation of the blur, px: median over the boundaries.
    pub(super) blur_px: f64,
}

/// Distance between samples of a profile, px.
const STEP_PX: f64 = 0.5;
/// Distance between profiles along a ring, px.
const SPACING_PX: f64 = 6.0;
/// Fewest profiles on one ring.
const MIN_PROFILES: usize = 48;
/// Most profiles on one ring in a search that others follow.
pub(super) const MAX_PROFILES_EARLY: usize = 110;
/// Most profiles on one ring in the last search.
pub(super) const MAX_PROFILES_LAST: usize = 220;
/// Least half length of a profile, mm: room for a line of the widest kind and what lies beside it.
const MIN_REACH_MM: f64 = 3.0;
/// Half length of the kernel [`GAUSSIAN_DERIVATIVE`], px: no edge is found nearer than this to a profile's ends.
const KERNEL_PX: f64 = 3.0;
/// Half width of the stretch that a printed line may take, mm, and in samples at least.
const LINE_HALF: (f64, usize) = (1.3, 4);
/// Least step of grey, relative to its brighter side, that is measured in grey.
const MIN_GREY_STEP: f32 = 0.15;
/// Least height of an edge relative to the ring's median edge.
const MIN_HEIGHT: f64 = 0.4;
/// Most that the two sides of a line may differ, relative to the brighter: else it is the paper's border.
const MAX_INEQUALITY: f32 = 0.25;
/// Least contrast of a line against its surroundings.
const MIN_LINE_CONTRAST: f32 = 0.03;
/// A line stands out from the scatter of its surroundings by this factor at least.
const LINE_OVER_NOISE: f32 = 3.0;

/// Bilinear sample in linear light, with a fourth value: the light of a grey of the same luma (ITU-R BT.601). JPEG keeps luma
/// sharper than colour, so that edges between colours lie where they should in it. `None` outside the picture.
#[inline]
fn sample_with_grey(pixels: &RgbImage, table: &[f32; 256], p: ImagePoint) -> Option<Sample> {
    let around = Neighbours::of(pixels.width() as usize, pixels.height() as usize, p)?;
    let raw = pixels.as_raw();
    let [red, green, blue] = around.blend_rgb(raw, |v| table[usize::from(v)]);
    let luma = |i: usize| {
        let v = |k: usize| usize::from(raw[3 * i + k]);
        table[(77 * v(0) + 150 * v(1) + 29 * v(2)) >> 8]
    };
    Some([red, green, blue, around.blend(luma)])
}

/// Red, green, blue and grey of a place in linear light.
type Sample = [f32; 4];
/// Index of the grey.
const GREY: usize = 3;

struct Profile {
    at: ImagePoint,
    normal: Vector2<f64>,
    px_per_mm: f64,
    samples: Vec<Sample>,
}

/// Looks for all boundaries of all spots around where `projection` has them, each that far (mm) from its nominal radius.
pub(super) fn search(
    pixels: &RgbImage,
    projection: &Projection,
    spec: &FaceSpec,
    offsets_mm: &[f64],
    how: EdgeSearch,
) -> FoundEdges {
    let boundaries = spec.boundaries();
    let mut found = FoundEdges {
        edges: Vec::new(),
        profiles_searched: vec![0; boundaries.len()],
        sharp: vec![true; boundaries.len()],
        blur_px: 0.0,
    };
    let mut blurs = Vec::new();
    for (b, boundary) in boundaries.iter().enumerate() {
        if boundary.is_line() && !how.lines {
            continue;
        }
        for (s, spot) in spec.spots_mm.iter().enumerate() {
            let room = room_mm(&boundaries, b);
            let profiles = profiles(
                pixels,
                projection,
                *spot,
                boundary.radius_mm + offsets_mm.get(b).copied().unwrap_or(0.0),
                room,
                how,
            );
            found.profiles_searched[b] += profiles.len();
            let (places, sharp) = if boundary.is_line() {
                (lines(&profiles, boundary), true)
            } else {
                let steps = steps(&profiles, boundary);
                blurs.extend(steps.blur_px);
                (steps.places, steps.in_grey)
            };
            found.sharp[b] &= sharp;
            found
                .edges
                .extend(profiles.iter().zip(places).filter_map(|(p, place)| {
                    let at = place?;
                    Some(RingEdge {
                        at: ImagePoint::new(p.at.x + at * p.normal.x, p.at.y + at * p.normal.y),
                        spot: s,
                        boundary: b,
                        line: boundary.is_line(),
                        px_per_mm: p.px_per_mm,
                    })
                }));
        }
    }
    if !blurs.is_empty() {
        found.blur_px = median(&mut blurs);
    }
    found
}

/// Distance to the nearest other boundary, mm.
fn room_mm(boundaries: &[Boundary], b: usize) -> f64 {
    let r = boundaries[b].radius_mm;
    let others = boundaries
        .iter()
        .enumerate()
        .filter(|(i, _)| *i != b)
        .map(|(_, o)| (o.radius_mm - r).abs());
    others.fold(r, f64::min)
}

fn profiles(
    pixels: &RgbImage,
    projection: &Projection,
    spot: FacePoint,
    radius: f64,
    room_mm: f64,
    how: EdgeSearch,
) -> Vec<Profile> {
    // stay clear of the neighbouring boundary
    const SHARE_OF_ROOM: f64 = 0.7;
    let place = |angle: f64, r: f64| {
        projection.image_from_print(FacePoint::new(
            spot.x + r * angle.cos(),
            spot.y + r * angle.sin(),
        ))
    };
    let rough: f64 = (0..16)
        .filter_map(|k| {
            let a = TAU * count(k) / 16.0;
            Some(place(a, radius)?.distance(place(a + TAU / 16.0, radius)?))
        })
        .sum();
    let n = floor_index(rough / SPACING_PX).clamp(MIN_PROFILES, how.profiles);
    let table = &*LINEAR_FROM_BYTE;
    (0..n)
        .filter_map(|k| {
            let angle = TAU * count(k) / count(n);
            let at = place(angle, radius)?;
            let (before, after) = (place(angle - 0.01, radius)?, place(angle + 0.01, radius)?);
            let tangent =
                Vector2::new(after.x - before.x, after.y - before.y).try_normalize(1e-9)?;
            let out = place(angle, radius * 1.01)?;
            let mut normal = Vector2::new(tangent.y, -tangent.x);
            let across = normal.dot(&Vector2::new(out.x - at.x, out.y - at.y));
            if across < 0.0 {
                normal = -normal;
            }
            let px_per_mm = across.abs() / (0.01 * radius);
            let reach = (how.reach_px.max(MIN_REACH_MM * px_per_mm) + KERNEL_PX)
                .min(SHARE_OF_ROOM * room_mm * px_per_mm)
                .max(2.0);
            let half = floor_index(reach / STEP_PX);
            let samples: Vec<Sample> = (0..=2 * half)
                .map_while(|i| {
                    let s = (count(i) - count(half)) * STEP_PX;
                    let p = ImagePoint::new(at.x + s * normal.x, at.y + s * normal.y);
                    sample_with_grey(pixels, table, p)
                })
                .collect();
            (samples.len() == 2 * half + 1).then_some(Profile {
                at,
                normal,
                px_per_mm,
                samples,
            })
        })
        .collect()
}

/// Median colour over profiles of the samples in one part of them.
fn median_colour(profiles: &[Profile], part: impl Fn(&Profile) -> Sample) -> Sample {
    let all: Vec<Sample> = profiles.iter().map(part).collect();
    let mut out = [0.0; 4];
    for (k, o) in out.iter_mut().enumerate() {
        let mut channel: Vec<f64> = all.iter().map(|c| f64::from(c[k])).collect();
        #[expect(clippy::cast_possible_truncation, reason = "a colour")]
        let middle = median(&mut channel) as f32;
        *o = middle;
    }
    out
}

fn mean(samples: &[Sample]) -> Sample {
    let mut sum = [0.0; 4];
    let mut n = 0.0;
    for s in samples {
        for (k, v) in sum.iter_mut().enumerate() {
            *v += s[k];
        }
        n += 1.0;
    }
    sum.map(|v| if n > 0.0 { v / n } else { 0.0 })
}

fn inner_third(p: &Profile) -> &[Sample] {
    &p.samples[..p.samples.len() / 3]
}

fn outer_third(p: &Profile) -> &[Sample] {
    &p.samples[p.samples.len() - p.samples.len() / 3..]
}

/// What the profiles across a change of colour show.
struct Steps {
    /// Where each steps as the ring's median does, offset along the normal, px.
    places: Vec<Option<f64>>,
    /// Whether grey showed it.
    in_grey: bool,
    /// Standard deviation of the blur, px; `None` where it can't be measured.
    blur_px: Option<f64>,
}

fn steps(profiles: &[Profile], boundary: &Boundary) -> Steps {
    if profiles.is_empty() {
        return Steps {
            places: Vec::new(),
            in_grey: true,
            blur_px: None,
        };
    }
    let (inside, outside) = (
        median_colour(profiles, |p| mean(inner_third(p))),
        median_colour(profiles, |p| mean(outer_third(p))),
    );
    let (a, b) = (
        printed_linear(boundary.inside),
        printed_linear(boundary.outside),
    );
    let grey_step = outside[GREY] - inside[GREY];
    let in_grey = grey_step * (luminance(b) - luminance(a)) > 0.0
        && grey_step.abs() > MIN_GREY_STEP * inside[GREY].max(outside[GREY]);
    let mut step = [0.0; 4];
    if in_grey {
        step[GREY] = grey_step;
    } else {
        for k in 0..3 {
            let seen = outside[k] - inside[k];
            // channels that go the other way than print does are light, not print
            if seen * (b[k] - a[k]) > 0.0 {
                step[k] = seen;
            }
        }
    }
    let size: f32 = step.iter().map(|v| v * v).sum();
    if size <= 0.0 {
        return Steps {
            places: vec![None; profiles.len()],
            in_grey,
            blur_px: None,
        };
    }
    let peaks: Vec<Option<(f64, f64)>> = profiles
        .iter()
        .map(|p| {
            let v: Vec<f32> = p
                .samples
                .iter()
                .map(|c| (0..4).map(|k| c[k] * step[k]).sum::<f32>() / size)
                .collect();
            steepest(&v)
        })
        .collect();
    let mut heights: Vec<f64> = peaks.iter().flatten().map(|p| p.1).collect();
    let usual = median(&mut heights);
    let places = peaks
        .into_iter()
        .map(|p| p.filter(|p| p.1 >= MIN_HEIGHT * usual).map(|p| p.0))
        .collect();
    // a step of height 1 blurred by a Gaussian of that width, after the smoothing: the peak falls as 1/√(1 + b²)
    let sharpest = GAUSSIAN_DERIVATIVE
        .iter()
        .filter(|w| **w > 0.0)
        .sum::<f32>();
    let blur_px = (usual > 0.0).then(|| {
        let ratio = f64::from(sharpest) / usual;
        SMOOTHING_PX * (ratio * ratio - 1.0).max(0.0).sqrt()
    });
    Steps {
        places,
        in_grey,
        blur_px,
    }
}

/// Smoothing of profiles before they are differentiated, px.
const SMOOTHING_PX: f64 = 1.0;

/// Derivative of a Gaussian with standard deviation [`SMOOTHING_PX`], up to a factor: x·exp(−x²/2), x in standard deviations. Thirteen samples,
/// [`STEP_PX`] apart as the profile's are, reach [`KERNEL_PX`] (3 standard deviations) to either side. Correlated with a profile it gives the
/// slope of the smoothed profile, positive where it rises.
static GAUSSIAN_DERIVATIVE: LazyLock<Vec<f32>> = LazyLock::new(|| {
    (-6i32..=6)
        .map(|i| {
            let x = f64::from(i) * STEP_PX / SMOOTHING_PX;
            #[expect(clippy::cast_possible_truncation, reason = "a kernel's weight")]
            let w = (x * (-0.5 * x * x).exp()) as f32;
            w
        })
        .collect()
});

/// The steepest rise of a profile: place (px from the middle) and height.
fn steepest(v: &[f32]) -> Option<(f64, f64)> {
    let kernel = &*GAUSSIAN_DERIVATIVE;
    let margin = kernel.len() / 2;
    if v.len() < 2 * margin + 5 {
        // too short for the kernel: central differences
        let i = (1..v.len().checked_sub(1)?)
            .max_by(|a, b| (v[a + 1] - v[a - 1]).total_cmp(&(v[b + 1] - v[b - 1])))?;
        let d = |j: usize| f64::from(v[(j + 1).min(v.len() - 1)] - v[j.saturating_sub(1)]);
        return (d(i) > 0.0).then(|| (place(d(i - 1), d(i), d(i + 1), i, v.len()), d(i)));
    }
    let slope: Vec<f32> = (margin..v.len() - margin)
        .map(|i| {
            kernel
                .iter()
                .zip(&v[i - margin..])
                .map(|(k, s)| k * s)
                .sum()
        })
        .collect();
    let i = (0..slope.len()).max_by(|a, b| slope[*a].total_cmp(&slope[*b]))?;
    if i == 0 || i + 1 == slope.len() || slope[i] <= 0.0 {
        return None;
    }
    let at = place(
        f64::from(slope[i - 1]),
        f64::from(slope[i]),
        f64::from(slope[i + 1]),
        i + margin,
        v.len(),
    );
    Some((at, f64::from(slope[i])))
}

/// Vertex of the parabola through three samples around index `i` of `n`, as px from the middle of the profile.
fn place(before: f64, top: f64, after: f64, i: usize, n: usize) -> f64 {
    let bend = before - 2.0 * top + after;
    let shift = if bend < 0.0 {
        (0.5 * (before - after) / bend).clamp(-0.5, 0.5)
    } else {
        0.0
    };
    (count(i) + shift - 0.5 * count(n - 1)) * STEP_PX
}

/// Where each profile shows a thin printed line with the same colour on both sides: offset along the normal, px.
fn lines(profiles: &[Profile], boundary: &Boundary) -> Vec<Option<f64>> {
    let darker = printed(boundary.line)[1] < printed(boundary.inside)[1];
    profiles
        .iter()
        .map(|p| {
            let v: Vec<f32> = p.samples.iter().map(|c| c[GREY]).collect();
            thin_line(
                &v,
                darker,
                (floor_index(LINE_HALF.0 * p.px_per_mm / STEP_PX)).max(LINE_HALF.1),
            )
        })
        .collect()
}

fn thin_line(v: &[f32], darker: bool, half: usize) -> Option<f64> {
    let third = v.len() / 3;
    if third < 2 {
        return None;
    }
    let level = |part: &[f32]| {
        let mut values = part.to_vec();
        let middle = values.len() / 2;
        *values.select_nth_unstable_by(middle, f32::total_cmp).1
    };
    let (left, right) = (level(&v[..third]), level(&v[v.len() - third..]));
    let bright = left.max(right);
    if bright <= 0.0 || (left - right).abs() > MAX_INEQUALITY * bright {
        return None;
    }
    #[expect(clippy::cast_precision_loss, reason = "samples of a profile")]
    let base = |i: usize| left + (right - left) * i as f32 / (v.len() - 1) as f32;
    let sign = if darker { -1.0 } else { 1.0 };
    let d: Vec<f32> = v
        .iter()
        .enumerate()
        .map(|(i, s)| sign * (s - base(i)))
        .collect();
    let smooth: Vec<f32> = (0..d.len())
        .map(|i| {
            let (a, b) = (d[i.saturating_sub(1)], d[(i + 1).min(d.len() - 1)]);
            0.25 * a + 0.5 * d[i] + 0.25 * b
        })
        .collect();
    let i = (1..smooth.len() - 1).max_by(|a, b| smooth[*a].total_cmp(&smooth[*b]))?;
    let top = smooth[i];
    // scatter away from the line
    let mut rest: Vec<f32> = smooth
        .iter()
        .enumerate()
        .filter(|(j, _)| j.abs_diff(i) > half)
        .map(|(_, s)| s.abs())
        .collect();
    let upper_quartile = rest.len() * 3 / 4;
    let noise = if rest.is_empty() {
        0.0
    } else {
        *rest
            .select_nth_unstable_by(upper_quartile, f32::total_cmp)
            .1
    };
    if top < MIN_LINE_CONTRAST * bright || top < LINE_OVER_NOISE * noise {
        return None;
    }
    let (mut weight, mut at) = (0.0, 0.0);
    for (j, s) in smooth
        .iter()
        .enumerate()
        .filter(|(j, _)| j.abs_diff(i) <= half)
    {
        let w = f64::from(s - 0.3 * top).max(0.0);
        weight += w;
        at += w * count(j);
    }
    // a line whose flank is cut off by the profile's end is not measured
    let inner = i >= 2 && i + 2 < d.len();
    (weight > 0.0 && inner).then(|| (at / weight - 0.5 * count(v.len() - 1)) * STEP_PX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_blurred_step_is_found_to_a_hundredth_of_a_pixel() {
        // logistic step of scale 0.6 px centred 0.37 px from the middle
        let v: Vec<f32> = (0..41)
            .map(|i| {
                let s = (f64::from(i) - 20.0) * STEP_PX - 0.37;
                #[expect(clippy::cast_possible_truncation, reason = "test signal")]
                let value = (1.0 / (1.0 + (-s / 0.6).exp())) as f32;
                value
            })
            .collect();
        let (at, _) = steepest(&v).unwrap();
        assert!((at - 0.37).abs() < 0.01, "{at}");
    }

    #[test]
    fn a_step_is_found_in_profiles_of_every_length() {
        for half in 4..20i32 {
            let v: Vec<f32> = (-half..=half)
                .map(|i| {
                    #[expect(clippy::cast_possible_truncation, reason = "test signal")]
                    let value = (1.0 / (1.0 + (-f64::from(i) * STEP_PX / 0.5).exp())) as f32;
                    value
                })
                .collect();
            let at = steepest(&v).map(|s| s.0);
            assert!(at.is_some_and(|at| at.abs() < 0.01), "{half}: {at:?}");
        }
    }

    #[test]
    fn lines_need_equal_sides() {
        let line = |right: f32| -> Vec<f32> {
            (0..33)
                .map(|i| {
                    if i == 15 || i == 16 {
                        0.1
                    } else if i > 16 {
                        right
                    } else {
                        0.8
                    }
                })
                .collect()
        };
        let at = thin_line(&line(0.78), true, 4).unwrap();
        assert!((at + 0.25).abs() < 0.05, "{at}");
        assert!(thin_line(&line(0.3), true, 4).is_none());
        assert!(thin_line(&line(0.8), false, 4).is_none());
    }
}

//! Rays over the reduced picture: where the log colour changes along them as a boundary of the face would.

use super::colour::{LogColourCopy, PrintAppearance, dot, log_steps};
use super::spec::FaceSpec;
use crate::math::{count, floor_index};
use fearless_simd::{Level, dispatch};
use nalgebra::Vector2;
use std::f64::consts::TAU;

/// Least part of the step that print of full contrast makes that counts as a hit.
const MIN_STEP: f32 = 0.3;
/// Least cosine between the step seen and the step printed.
const MIN_COSINE: f32 = 0.78;

/// A colour boundary as looked for along a ray.
pub(super) struct Target {
    pub(super) boundary: usize,
    /// Radius over that of the outermost zone.
    pub(super) rho: f64,
    pub(super) ln_rho: f64,
    /// The steps of log colour that its inks make.
    steps: Vec<[f32; 3]>,
}

#[derive(Clone, Copy)]
pub(super) struct Hit {
    pub(super) target: usize,
    pub(super) r: f64,
    pub(super) ln_r: f64,
    pub(super) at: Vector2<f64>,
    pub(super) strength: f32,
}

/// The changes of colour of a face as they are looked for, in the order of its boundaries.
pub(super) fn targets(spec: &FaceSpec, appearance: PrintAppearance) -> Vec<Target> {
    let outer = spec.outer_radius_mm();
    spec.boundaries()
        .iter()
        .enumerate()
        .filter(|(_, b)| !b.is_line())
        .map(|(boundary, b)| {
            let steps = log_steps(b.inside, b.outside);
            Target {
                boundary,
                rho: b.radius_mm / outer,
                ln_rho: (b.radius_mm / outer).ln(),
                steps: steps
                    .iter()
                    .take(if appearance.all_inks { steps.len() } else { 1 })
                    .map(|s| s.map(|v| appearance.contrast.share() * v))
                    .collect(),
            }
        })
        .collect()
}

/// Steps along rays from `centre` that look like boundaries, as seen in `copy`, which may be coarser than `reduced`; lengths and
/// places are those of `reduced`.
pub(super) fn cast<'a>(
    reduced: &LogColourCopy,
    copy: &'a LogColourCopy,
    targets: &'a [Target],
    centre: Vector2<f64>,
    rays: usize,
    reach: f64,
) -> impl Iterator<Item = Vec<Hit>> + use<'a> {
    let times = copy.factor / reduced.factor;
    let longest = copy.width.max(copy.height).min(floor_index(reach / times));
    let start = (centre + Vector2::repeat(0.5)) / times - Vector2::repeat(0.5);
    let mut ray = Ray::default();
    let level = Level::new();
    (0..rays).map(move |k| {
        let angle = TAU * count(k) / count(rays);
        let along = Vector2::new(angle.cos(), angle.sin());
        copy.sums_along(start, along, longest, &mut ray.sums);
        let line = Line {
            from: centre,
            along,
            step: times,
        };
        let mut hits = Vec::new();
        // in the widest vectors that there are: sums and products one by one, so that the bits don't depend on them
        dispatch!(level, _simd => ray.look());
        for (t, target) in targets.iter().enumerate() {
            dispatch!(level, _simd => ray.agree(target));
            ray.hits(t, &line, &mut hits);
        }
        hits
    })
}

/// Where a ray runs, and the distance between its samples.
struct Line {
    from: Vector2<f64>,
    along: Vector2<f64>,
    step: f64,
}

/// Changes of colour along one ray.
#[derive(Default)]
struct Ray {
    /// Entry i is the sum over the first i samples, channel by channel.
    sums: [Vec<f32>; 3],
    /// Change of the mean colour across each place, channel by channel, and its square.
    steps: [Vec<f32>; 4],
    /// Agreement of each place with one boundary.
    agreement: Vec<f32>,
}

/// Most samples on either side of a step.
const MAX_HALF_WINDOW: usize = 5;
/// Least distance of a step from the centre, in such half windows.
const MIN_RADIUS_PER_HALF_WINDOW: usize = 9;

impl Ray {
    #[inline(always)]
    fn look(&mut self) {
        let n = self.sums[0].len() - 1;
        for steps in &mut self.steps {
            steps.clear();
            steps.resize(n, 0.0);
        }
        // mean of the samples i+1‥i+w against i−w‥i−1, the middle one left out
        for w in 1..=MAX_HALF_WINDOW {
            let first = if w == 1 {
                1
            } else {
                MIN_RADIUS_PER_HALF_WINDOW * w
            };
            let end = if w == MAX_HALF_WINDOW {
                n
            } else {
                MIN_RADIUS_PER_HALF_WINDOW * (w + 1)
            };
            let end = end.min(n.saturating_sub(w));
            if first >= end {
                break;
            }
            #[expect(clippy::cast_precision_loss, reason = "w is at most 5")]
            let share = 1.0 / w as f32;
            let m = end - first;
            for (sums, steps) in self.sums.iter().zip(&mut self.steps) {
                let (far, near) = (&sums[first + w + 1..][..m], &sums[first + 1..][..m]);
                let (here, before) = (&sums[first..][..m], &sums[first - w..][..m]);
                for (i, step) in steps[first..end].iter_mut().enumerate() {
                    *step = share * ((far[i] - near[i]) - (here[i] - before[i]));
                }
            }
            let [x, y, z, size] = self.steps.each_mut().map(|s| &mut s[first..end]);
            for (((x, y), z), size) in x.iter().zip(&*y).zip(&*z).zip(size) {
                *size = x * x + y * y + z * z;
            }
        }
    }

    /// The steps' agreement with one boundary.
    #[inline(always)]
    fn agree(&mut self, target: &Target) {
        let [x, y, z, size] = &self.steps;
        self.agreement.clear();
        self.agreement.resize(x.len(), 0.0);
        for step in &target.steps {
            let size2 = dot(step, step);
            let least = MIN_STEP * size2;
            let cosine2 = MIN_COSINE * MIN_COSINE * size2;
            let per_step = 1.0 / size2;
            let [sx, sy, sz] = *step;
            let steps = x.iter().zip(y).zip(z).zip(size);
            for ((((x, y), z), size), agreement) in steps.zip(&mut self.agreement) {
                let dot = x * sx + y * sy + z * sz;
                // without branches, so that several are worked out at once
                let agrees = (dot > least) & (dot * dot > cosine2 * size);
                let here = if agrees { dot * per_step } else { 0.0 };
                *agreement = agreement.max(here);
            }
        }
    }

    /// Local maxima of the agreement with boundary `t`.
    fn hits(&self, t: usize, line: &Line, hits: &mut Vec<Hit>) {
        let a = &self.agreement;
        let n = a.len();
        let mut i = 2;
        while i + 1 < n {
            if a[i] <= 0.0 {
                i += 1;
                // nothing in many places
                while let Some(next) = a[i..].first_chunk::<8>()
                    && next.iter().fold(0.0, |sum, v| sum + v) <= 0.0
                {
                    i += 8;
                }
                continue;
            }
            let end = (i..n).find(|j| a[*j] <= 0.0).unwrap_or(n);
            hits.push(hit(&a[i..end], i, t, line));
            i = end;
        }
    }
}

/// The centroid of a run of agreement around its maximum.
fn hit(run: &[f32], start: usize, target: usize, line: &Line) -> Hit {
    let strength = run.iter().copied().fold(0.0, f32::max);
    let (mut weight, mut at) = (0.0, 0.0);
    for (j, v) in run.iter().enumerate() {
        if *v > 0.7 * strength {
            weight += f64::from(*v);
            at += f64::from(*v) * count(start + j);
        }
    }
    let r = line.step * at / weight;
    Hit {
        target,
        r,
        ln_r: r.ln(),
        at: line.from + line.along * r,
        strength,
    }
}

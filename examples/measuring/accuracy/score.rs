//! Compares one end record with the truth of its photo (`photo-truth/1`, described in `sample-photos/README.md`).

use crate::camera::CameraScore;
use bossmark::geometry::camera::Lens;
use bossmark::geometry::{FacePoint, ImagePoint};
use bossmark::record::{ArrowKind, CameraRecord, End};
use serde::Deserialize;

/// An entry belongs to a shaft at most this far away, mm.
const GATE_MM: f64 = 10.0;
/// Entries below this confidence are not counted.
const COUNTS: f64 = 0.5;
/// Entries from this confidence on must be right.
const SURE: f64 = 0.9;
/// Shafts of which less is visible are optional.
const VISIBLE: f64 = 0.15;
/// The rear part of a shaft that tells its kind, mm.
const TAIL_MM: f64 = 100.0;
/// Share of that part that must be in the picture for `unknown` to be wrong.
const TAIL_SEEN: f64 = 0.25;

/// The truth beside a photo.
#[derive(Deserialize)]
pub(crate) struct Truth {
    pub photo: String,
    pub difficulty: String,
    pub negative: Option<String>,
    pub face: Option<TruthFace>,
    pub image: TruthImage,
    pub camera: Option<TruthCamera>,
    #[serde(default)]
    pub ring_probe: Vec<Probe>,
    #[serde(default)]
    shafts: Vec<TruthShaft>,
    bare_minus_fletched_mm: Option<[f64; 2]>,
}

#[derive(Deserialize)]
pub(crate) struct TruthFace {
    pub name: String,
    pub centres_mm: Vec<[f64; 2]>,
}

#[derive(Deserialize)]
pub(crate) struct TruthImage {
    pub width_px: f64,
    pub height_px: f64,
}

#[derive(Deserialize)]
pub(crate) struct TruthCamera {
    pub fx_px: f64,
    cx_px: f64,
    cy_px: f64,
    pub k1: f64,
    pub k2: f64,
    rotation: [[f64; 3]; 3],
    translation_mm: [f64; 3],
}

#[derive(Deserialize)]
pub(crate) struct Probe {
    pub mm: [f64; 2],
    pub px: [f64; 2],
}

#[derive(Deserialize)]
struct TruthShaft {
    id: u64,
    kind: String,
    protruding_mm: f64,
    entry_mm: [f64; 2],
    axis: [f64; 3],
    lean_right_deg: f64,
    lean_up_deg: f64,
    visible_fraction: f64,
    entry_hidden: bool,
    in_picture: bool,
}

impl TruthShaft {
    fn must_be_found(&self) -> bool {
        self.in_picture && !self.entry_hidden && self.visible_fraction >= VISIBLE
    }
}

/// An entry and the shaft that it belongs to.
pub(crate) struct Match {
    pub shaft: u64,
    /// False for shafts that may be missed (hidden or outside the picture).
    pub must: bool,
    pub error_mm: f64,
    pub tag_right: bool,
    pub lean_error_deg: Option<[f64; 2]>,
    /// Squared Mahalanobis distance of the error.
    pub chi2: Option<f64>,
}

/// Everything that is measured on one photo.
#[derive(Default)]
pub(crate) struct PhotoScore {
    pub photo: String,
    pub group: String,
    pub negative: Option<String>,
    pub failure: Option<String>,
    pub breaks: Vec<String>,
    pub face_found: bool,
    pub right: bool,
    /// Counted entries.
    pub entries: usize,
    pub shafts: usize,
    pub probe_rms_mm: Option<f64>,
    pub probe_max_mm: Option<f64>,
    pub upright_deg: Option<f64>,
    pub px_mismatch_mm: Option<f64>,
    pub matches: Vec<Match>,
    pub missed: Vec<u64>,
    pub falses: usize,
    pub confident: usize,
    pub confident_right: usize,
    pub offset_error_mm: Option<f64>,
    pub offset_as_is_error_mm: Option<f64>,
    /// The camera against the truth and its own standard deviations.
    pub camera: Option<CameraScore>,
    pub seconds: f64,
    /// Seconds of each stage, in order.
    pub stages: Vec<(&'static str, f64)>,
}

impl PhotoScore {
    pub(crate) fn found(&self) -> usize {
        self.matches.iter().filter(|m| m.must).count()
    }

    pub(crate) fn tags_right(&self) -> usize {
        self.matches
            .iter()
            .filter(|m| m.must && m.tag_right)
            .count()
    }

    pub(crate) fn everything_right(&self) -> bool {
        self.face_found
            && self.failure.is_none()
            && self.missed.is_empty()
            && self.falses == 0
            && self.tags_right() == self.found()
    }
}

struct Counted {
    at: [f64; 2],
    xy: [f64; 2],
    px: Option<[f64; 2]>,
    kind: ArrowKind,
    confidence: f64,
    cov: Option<[[f64; 2]; 2]>,
    lean: Option<[f64; 2]>,
}

/// Compares a record with the truth. `status` is the exit status that the program gives it.
pub(crate) fn compare(truth: &Truth, status: i32, end: &End) -> PhotoScore {
    let mut r = PhotoScore {
        photo: truth.photo.clone(),
        group: if truth.negative.is_some() {
            "negatives".to_owned()
        } else {
            truth.difficulty.clone()
        },
        negative: truth.negative.clone(),
        shafts: truth.shafts.iter().filter(|s| s.must_be_found()).count(),
        ..PhotoScore::default()
    };
    if !matches!(status, 0 | 1) {
        r.failure = Some(
            end.failure
                .as_ref()
                .map_or_else(|| "failed".to_owned(), |f| f.code.clone()),
        );
    }
    let mut counted: Vec<Counted> = end
        .entries
        .iter()
        .map(|e| Counted {
            at: [e.x_mm, e.y_mm],
            xy: [e.x_mm, e.y_mm],
            px: e.px,
            kind: e.kind,
            confidence: e.confidence.unwrap_or(1.0),
            cov: e.cov_mm2,
            lean: e.lean.map(|l| [l.right_deg, l.up_deg]),
        })
        .filter(|e| e.confidence >= COUNTS)
        .collect();
    r.entries = counted.len();
    let camera = end.camera.as_ref().filter(|_| status == 0);
    r.face_found = camera.is_some();
    if let Some(kind) = &truth.negative {
        r.right = r.failure.is_none()
            && if kind == "no face" {
                status == 1 && end.entries.is_empty()
            } else {
                counted.is_empty()
            };
        return r;
    }
    let (Some(camera), Some(face)) = (camera, &truth.face) else {
        r.missed = truth
            .shafts
            .iter()
            .filter(|s| s.must_be_found())
            .map(|s| s.id)
            .collect();
        return r;
    };
    let single = face.centres_mm.len() == 1;
    let turn = probe_errors(&mut r, truth, camera, single);
    let gaps = counted
        .iter()
        .filter_map(|e| e.px.map(|px| distance(face_from_px(camera, px), e.xy)));
    r.px_mismatch_mm = gaps.fold(None, |m: Option<f64>, g| Some(m.map_or(g, |m| m.max(g))));
    if r.px_mismatch_mm.is_some_and(|g| g > 0.05) {
        r.breaks.push("px and mm of an entry differ".to_owned());
    }
    for e in &mut counted {
        e.at = turned(e.xy, turn);
    }
    match_shafts(&mut r, truth, &counted, turn);
    offsets(&mut r, truth, &counted, turn);
    r
}

/// Ring points through the record's camera; returns the turn about the centre that is taken out.
fn probe_errors(r: &mut PhotoScore, truth: &Truth, camera: &CameraRecord, single: bool) -> f64 {
    let pairs: Vec<([f64; 2], [f64; 2])> = truth
        .ring_probe
        .iter()
        .map(|p| (face_from_px(camera, p.px), p.mm))
        .collect();
    if pairs.is_empty() {
        return 0.0;
    }
    let best = best_turn(&pairs);
    r.upright_deg = Some(best.to_degrees());
    let turn = if single { best } else { 0.0 };
    let d: Vec<f64> = pairs
        .iter()
        .map(|&(p, q)| distance(turned(p, turn), q))
        .collect();
    r.probe_rms_mm = Some((d.iter().map(|v| v * v).sum::<f64>() / d.len() as f64).sqrt());
    r.probe_max_mm = Some(d.iter().copied().fold(0.0, f64::max));
    turn
}

fn match_shafts(r: &mut PhotoScore, truth: &Truth, counted: &[Counted], turn: f64) {
    let mut order: Vec<&TruthShaft> = truth.shafts.iter().collect();
    order.sort_by_key(|s| !s.must_be_found());
    let mut belongs = vec![None; counted.len()];
    for (i, j) in pair_up(counted, &order) {
        let (e, s) = (&counted[i], order[j]);
        let error = [e.at[0] - s.entry_mm[0], e.at[1] - s.entry_mm[1]];
        let kind = match e.kind {
            ArrowKind::Fletched => "fletched",
            ArrowKind::Bare => "bare",
            ArrowKind::Unknown => "unknown",
        };
        let tag_right =
            kind == s.kind || e.kind == ArrowKind::Unknown && !tail_in_picture(truth, s);
        let lean_error_deg = e
            .lean
            .filter(|l| l.iter().all(|v| v.abs() < 89.0))
            .map(|l| {
                let t = turned([l[0].to_radians().tan(), l[1].to_radians().tan()], turn);
                [
                    t[0].atan().to_degrees() - s.lean_right_deg,
                    t[1].atan().to_degrees() - s.lean_up_deg,
                ]
            });
        let chi2 = e.cov.map(|[[a, b], [c, d]]| {
            let [x, y] = turned(error, -turn);
            (d * x * x - (b + c) * x * y + a * y * y) / (a * d - b * c)
        });
        belongs[i] = Some(tag_right);
        r.matches.push(Match {
            shaft: s.id,
            must: s.must_be_found(),
            error_mm: error[0].hypot(error[1]),
            tag_right,
            lean_error_deg,
            chi2,
        });
    }
    r.matches.sort_by_key(|m| (!m.must, m.shaft));
    r.missed = truth
        .shafts
        .iter()
        .filter(|s| s.must_be_found() && !r.matches.iter().any(|m| m.must && m.shaft == s.id))
        .map(|s| s.id)
        .collect();
    r.falses = belongs.iter().filter(|b| b.is_none()).count();
    let sure = counted
        .iter()
        .zip(&belongs)
        .filter(|(e, _)| e.confidence >= SURE);
    r.confident = sure.clone().count();
    r.confident_right = sure.filter(|(_, b)| **b == Some(true)).count();
}

fn offsets(r: &mut PhotoScore, truth: &Truth, counted: &[Counted], turn: f64) {
    let mean = |kind| {
        let of: Vec<[f64; 2]> = counted
            .iter()
            .filter(|e| e.kind == kind)
            .map(|e| e.at)
            .collect();
        (!of.is_empty())
            .then(|| [0, 1].map(|i| of.iter().map(|p| p[i]).sum::<f64>() / of.len() as f64))
    };
    if let (Some(b), Some(f), Some(t)) = (
        mean(ArrowKind::Bare),
        mean(ArrowKind::Fletched),
        truth.bare_minus_fletched_mm,
    ) {
        let off = [b[0] - f[0], b[1] - f[1]];
        r.offset_error_mm = Some(distance(off, t));
        r.offset_as_is_error_mm = Some(distance(turned(off, -turn), t));
    }
}

/// A pixel on the face plane, through the record's own numbers as the contract describes: undistort, then `image_to_face`.
pub(crate) fn plane_from_px(c: &CameraRecord, px: [f64; 2]) -> [f64; 2] {
    let lens = Lens {
        f_px: c.fx_px,
        cx_px: c.cx_px,
        cy_px: c.cy_px,
        k1: c.k1,
        k2: c.k2,
    };
    let Some(u) = lens.normalised_from_pixel(ImagePoint::new(px[0], px[1])) else {
        return [1e6, 1e6];
    };
    let p = [u.x * c.fx_px + c.cx_px, u.y * c.fy_px + c.cy_px];
    let [x, y, w] = c.image_to_face.map(|a| a[0] * p[0] + a[1] * p[1] + a[2]);
    if w.abs() < 1e-12 {
        [1e6, 1e6]
    } else {
        [x / w, y / w]
    }
}

/// The same on the print, where the record has a sheet that stands off the plane.
fn face_from_px(c: &CameraRecord, px: [f64; 2]) -> [f64; 2] {
    let [x, y] = plane_from_px(c, px);
    let at = FacePoint::new(x, y);
    let at = c
        .sheet
        .as_ref()
        .map_or(at, |s| s.sheet().on_print(at, c.camera().centre_mm()));
    [at.x, at.y]
}

/// Whether enough of a shaft's rear is inside the picture to tell its kind.
fn tail_in_picture(truth: &Truth, s: &TruthShaft) -> bool {
    let Some(c) = &truth.camera else { return false };
    let steps = 20;
    let seen = (0..steps)
        .filter(|i| {
            let k = s.protruding_mm - TAIL_MM * (f64::from(*i) + 0.5) / f64::from(steps);
            let p = [
                s.entry_mm[0] + k * s.axis[0],
                s.entry_mm[1] + k * s.axis[1],
                k * s.axis[2],
            ];
            let q: Vec<f64> = (0..3)
                .map(|a| (0..3).map(|b| c.rotation[a][b] * p[b]).sum::<f64>() + c.translation_mm[a])
                .collect();
            if q[2] <= 0.0 {
                return false;
            }
            let (x, y) = (q[0] / q[2], q[1] / q[2]);
            let r2 = x * x + y * y;
            let d = 1.0 + c.k1 * r2 + c.k2 * r2 * r2;
            let (u, v) = (c.fx_px * x * d + c.cx_px, c.fx_px * y * d + c.cy_px);
            (-0.5..truth.image.width_px - 0.5).contains(&u)
                && (-0.5..truth.image.height_px - 0.5).contains(&v)
        })
        .count();
    seen as f64 >= TAIL_SEEN * f64::from(steps)
}

pub(crate) fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

pub(crate) fn turned(p: [f64; 2], a: f64) -> [f64; 2] {
    let (s, c) = a.sin_cos();
    [c * p[0] - s * p[1], s * p[0] + c * p[1]]
}

/// The rotation about the origin that brings the first points nearest to the second.
pub(crate) fn best_turn(pairs: &[([f64; 2], [f64; 2])]) -> f64 {
    let cross: f64 = pairs.iter().map(|(p, q)| p[0] * q[1] - p[1] * q[0]).sum();
    let dot: f64 = pairs.iter().map(|(p, q)| p[0] * q[0] + p[1] * q[1]).sum();
    cross.atan2(dot)
}

/// One-to-one pairs (index in found, index in true) within the gate, of least total distance; leaving a pair apart costs
/// as much as the gate.
fn pair_up(found: &[Counted], shafts: &[&TruthShaft]) -> Vec<(usize, usize)> {
    if found.is_empty() || shafts.is_empty() {
        return Vec::new();
    }
    let gain: Vec<Vec<f64>> = found
        .iter()
        .map(|e| {
            let near = shafts
                .iter()
                .map(|s| (distance(e.at, s.entry_mm) - GATE_MM).min(0.0));
            near.chain(found.iter().map(|_| 0.0)).collect()
        })
        .collect();
    assign(&gain)
        .into_iter()
        .enumerate()
        .filter(|&(i, j)| j < shafts.len() && gain[i][j] < 0.0)
        .collect()
}

/// Least-cost assignment of rows to columns (Hungarian method with potentials); rows must not outnumber columns.
fn assign(cost: &[Vec<f64>]) -> Vec<usize> {
    let (n, m) = (cost.len(), cost.first().map_or(0, Vec::len));
    let (mut u, mut v, mut taken) = (vec![0.0; n + 1], vec![0.0; m + 1], vec![0usize; m + 1]);
    for i in 1..=n {
        taken[0] = i;
        let mut column = 0;
        let (mut least, mut way, mut used) = (
            vec![f64::INFINITY; m + 1],
            vec![0usize; m + 1],
            vec![false; m + 1],
        );
        while taken[column] != 0 {
            used[column] = true;
            let row = taken[column];
            let (mut delta, mut next) = (f64::INFINITY, 0);
            for j in 1..=m {
                if !used[j] {
                    let c = cost[row - 1][j - 1] - u[row] - v[j];
                    if c < least[j] {
                        least[j] = c;
                        way[j] = column;
                    }
                    if least[j] < delta {
                        delta = least[j];
                        next = j;
                    }
                }
            }
            for j in 0..=m {
                if used[j] {
                    u[taken[j]] += delta;
                    v[j] -= delta;
                } else {
                    least[j] -= delta;
                }
            }
            column = next;
        }
        while column != 0 {
            taken[column] = taken[way[column]];
            column = way[column];
        }
    }
    let mut out = vec![0; n];
    for j in 1..=m {
        if taken[j] != 0 {
            out[taken[j] - 1] = j - 1;
        }
    }
    out
}

//! Photo + camera → shafts: where each enters the boss, fletched or bare, how it stands, and how sure that is.
//!
//! The road inside: the face map shows the face plane straight on; a small net scores every place of it; `peaks` of
//! the score are candidates; along each candidate a `strip` of the photo gets a second look (vanes or none, where the nock is,
//! whether it is a shaft at all); then one joint choice is made in which no two entries stand for one shaft.

mod choose;
mod colours;
mod conv;
mod edges;
mod identity;
mod lean;
mod map;
mod model;
mod net;
mod peaks;
mod picture;
mod strip;
mod tail;
mod weights;
mod winograd;

use crate::camera::Camera;
use crate::units::{FacePoint, ImagePoint};
pub use colours::{ArrowLook, Proposal, identify};
use image::RgbImage;
use nalgebra::Matrix2;
use rayon::prelude::*;
pub use weights::WeightsError;

const MAP_WEIGHTS: &[u8] = include_bytes!("../../calibration/shaft-net/map.bin");
const STRIP_WEIGHTS: [&[u8]; 2] = [
    include_bytes!("../../calibration/shaft-net/strip-1.bin"),
    include_bytes!("../../calibration/shaft-net/strip-2.bin"),
];

/// What the shaft search needs to know of a photo besides its pixels.
pub struct View<'a> {
    /// Lens and pose.
    pub camera: &'a Camera,
    /// Centres of the face's spots, mm.
    pub spot_centres: &'a [FacePoint],
    /// Radius of what is printed about each centre, mm.
    pub outer_radius_mm: f64,
    /// Covariance that the camera's own error gives to a place on the face, mm².
    pub point_cov_mm2: &'a (dyn Fn(ImagePoint) -> Matrix2<f64> + Sync),
    /// How many fletched and bare shafts were shot, if told: a prior, never a force.
    pub expected: Option<(usize, usize)>,
}

/// Fletched or bare.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ShaftKind {
    /// With vanes.
    Fletched,
    /// Without vanes.
    Bare,
    /// The picture doesn't tell: the tail is hidden or outside.
    Unknown,
}

/// How a shaft stands in the boss, against the face's normal, from the entry towards the nock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lean {
    /// To the right as the archer sees it, rad.
    pub right_rad: f64,
    /// Up, rad.
    pub up_rad: f64,
    /// Standard deviation of each, rad.
    pub sd_rad: f64,
}

/// One shaft.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shaft {
    /// Where the shaft's axis crosses the face plane, mm.
    pub entry: FacePoint,
    /// Its covariance, mm²; the roll of the photo is left out.
    pub cov_mm2: Matrix2<f64>,
    /// The entry's image, px.
    pub entry_px: ImagePoint,
    /// Fletched or bare.
    pub kind: ShaftKind,
    /// Probability of `kind`, given that this is a shaft.
    pub kind_probability: f64,
    /// Probability that a shaft enters within 10 mm and is of this kind.
    pub confidence: f64,
    /// How it stands, where its nock was seen.
    pub lean: Option<Lean>,
    /// Thickness, mm.
    pub thickness_mm: Option<f64>,
    /// The image of the shaft's axis from entry to nock, px.
    pub segment_px: Option<[ImagePoint; 2]>,
}

/// The shafts of one photo.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Shafts {
    /// By confidence, highest first.
    pub shafts: Vec<Shaft>,
    /// Thickness that the shafts have in common, mm, where there are any.
    pub thickness_mm: Option<f64>,
    /// Every place that was considered, for a look at how the choice came about.
    pub candidates: Vec<Candidate>,
    /// The score of every place, likewise; `None` where no part of the face's surroundings is in the picture.
    pub heat: Option<HeatMap>,
}

/// A place that was considered.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Candidate {
    /// The entry, mm.
    pub entry: FacePoint,
    /// Where the nock shows on the face plane, mm.
    pub far: FacePoint,
    /// Probability that this is the entry of a shaft that no better candidate stands for.
    pub probability: f64,
}

/// How much every place of the face plane looks like the entry of a shaft.
#[derive(Clone, Debug, PartialEq)]
pub struct HeatMap {
    /// Left edge, mm.
    pub left_mm: f64,
    /// Upper edge, mm.
    pub top_mm: f64,
    /// Size of a cell, mm.
    pub cell_mm: f64,
    /// Cells across.
    pub width: usize,
    /// Cells down.
    pub height: usize,
    /// Row by row from the top left, 0 (nothing) to 1 (certain).
    pub values: Vec<f32>,
}

impl HeatMap {
    fn new(map: &map::FaceMap, scores: &conv::Picture) -> Self {
        let cells = (0..scores.height).flat_map(|y| (0..scores.width).map(move |x| (x, y)));
        Self {
            left_mm: map.left_mm - 0.5,
            top_mm: map.top_mm + 0.5,
            cell_mm: 2.0,
            width: scores.width,
            height: scores.height,
            values: cells
                .map(|(x, y)| {
                    crate::units::single(peaks::logistic(f64::from(scores.pixel(x, y)[0])))
                })
                .collect(),
        }
    }
}

/// Least thickness that a face of the right size gives, and largest, mm: shafts of 4.5 to 9.3 mm are in use (World Archery's
/// limit is 9.3 mm, from memory) and reading is good to a millimetre.
const THICKNESS_MM: (f64, f64) = (3.2, 11.5);
/// How far the thickness seen may lie beside the one told, as a share of it: it is read to a few per cent, and faces of the same
/// look are a third larger or smaller than each other at least (60 and 80 cm).
const OF_TOLD: (f64, f64) = (0.83, 1.2);

impl Shafts {
    /// Whether the shafts' thickness speaks against the size of the face that was named: no shaft is that thin or that thick, or
    /// not those whose diameter was told.
    #[must_use]
    pub fn face_size_doubtful(&self, told_mm: Option<f64>) -> bool {
        // out of focus most shafts show no edges, and the few that do are blurred into thicker ones
        let sharp = self.shafts.iter().filter(|s| s.thickness_mm.is_some());
        let sharp = 2 * sharp.count() > self.shafts.len();
        self.thickness_mm.is_some_and(|seen| {
            let as_told =
                |told: f64| !sharp || (OF_TOLD.0 * told..=OF_TOLD.1 * told).contains(&seen);
            !(THICKNESS_MM.0..=THICKNESS_MM.1).contains(&seen)
                || told_mm.is_some_and(|told| !as_told(told))
        })
    }
}

/// The nets with their weights and the fitted model, as built in.
struct Nets {
    map: net::MapNet,
    strips: [net::StripNet; 2],
    model: model::Model,
}

static NETS: std::sync::LazyLock<Result<Nets, WeightsError>> = std::sync::LazyLock::new(|| {
    Ok(Nets {
        map: net::MapNet::from_bytes(MAP_WEIGHTS)?,
        strips: [
            net::StripNet::from_bytes(STRIP_WEIGHTS[0], strip::PLANES, strip::OUTPUTS)?,
            net::StripNet::from_bytes(STRIP_WEIGHTS[1], strip::PLANES, strip::OUTPUTS)?,
        ],
        model: model::Model::parse(include_str!("../../calibration/shaft-net/model.json"))?,
    })
});

/// Pixels of the reduced photo per millimetre of the face.
const PX_PER_MM: f64 = 1.25;
/// Least confidence of a shaft that is handed on for a person to look at; from one half on the reading uses it. Below this four in five
/// are none, and hardly a shaft is found there that isn't found above (practice photos).
const LEAST_CONFIDENCE: f64 = 0.35;
/// A shaft of unknown kind is never handed on as sure.
const MOST_OF_UNKNOWN: f64 = 0.85;
/// A tail of which less is in the picture doesn't tell fletched from bare.
const LEAST_TAIL: f64 = 0.25;
/// What was made of a photo, before it is written down shaft by shaft.
struct Analysis {
    /// Where the map shows the entries.
    before: Vec<FacePoint>,
    candidates: Vec<choose::Candidate>,
    verdicts: Vec<choose::Verdict>,
    /// Of being the entry of a shaft, before the joint choice.
    probability: Vec<f64>,
    /// The shaft's two edges, where they are plain to see.
    bars: Vec<Option<edges::Bar>>,
    /// Length and thickness that the shafts have in common, mm.
    length_mm: f64,
    width_mm: Option<f64>,
    heat: HeatMap,
}

/// Candidates less likely than this are not looked at any closer.
const LEAST_PROBABILITY: f64 = 0.03;

/// Whether a place belongs to this face and not to one of the `others` that hang beside it: to the nearest.
fn is_own(view: &View, others: &[FacePoint], p: FacePoint) -> bool {
    let nearest = |centres: &[FacePoint]| {
        let distances = centres.iter().map(|c| c.distance(p));
        distances.fold(f64::INFINITY, f64::min)
    };
    others.is_empty() || nearest(view.spot_centres) <= nearest(others)
}

fn analyse(nets: &Nets, pixels: &RgbImage, view: &View, others: &[FacePoint]) -> Option<Analysis> {
    let photo = picture::Reduced::new(pixels, scale_px_per_mm(view)? / PX_PER_MM);
    let map = map::FaceMap::new(&photo, view)?;
    let scores = nets.map.run(map.cells());
    let heat = HeatMap::new(&map, &scores);
    let mut peaks = peaks::find(&map, &scores);
    drop(scores);
    let look_along = |peaks: &[peaks::Peak], numbers: Vec<usize>, look: LookAlong| {
        // shafts in a face beside this one are none of its shafts, but company all the same
        let courses = strip::Courses::new(peaks, map.foot(), map.distance_mm());
        let look = |own: usize| {
            let peak = peaks[own].clone();
            let axis = strip::axis(peaks::away(peak.point, map.foot()), peak.slope);
            let place = (peak.point, axis);
            let strip = strip::cut(&photo, view.camera, place, (own, &courses));
            let look = look(&strip);
            choose::Candidate {
                number: own,
                peak,
                axis,
                look,
            }
        };
        numbers.into_par_iter().map(look).collect::<Vec<_>>()
    };
    let own = (0..peaks.len()).filter(|&k| is_own(view, others, peaks[k].point));
    let own = own.collect();
    let mut candidates = look_along(&peaks, own, &|strip| strip::glance(&nets.strips[0], strip));
    let (mut verdicts, mut probability, mut common) = weigh(&nets.model, &candidates);
    let likely: Vec<bool> = probability
        .iter()
        .map(|p| *p >= LEAST_PROBABILITY)
        .collect();
    for list_index in (0..candidates.len()).rev().filter(|&k| !likely[k]) {
        candidates.remove(list_index);
        verdicts.remove(list_index);
        probability.remove(list_index);
    }
    let edges: Vec<(edges::Edges, edges::Bars)> = candidates
        .par_iter()
        .map(|c| {
            let edges = edges::Edges::new(&photo, view.camera, c.peak.point, c.axis, common);
            let bars = edges.bars();
            (edges, bars)
        })
        .collect();
    let width = edges::common_width_mm(probability.iter().copied().zip(edges.iter().map(|e| &e.1)));
    let bars: Vec<Option<edges::Bar>> = edges
        .iter()
        .map(|(edges, bars)| edges.bar(bars, width?).filter(edges::Bar::is_plain))
        .collect();
    let before: Vec<FacePoint> = candidates.iter().map(|c| c.peak.point).collect();
    for (candidate, bar) in candidates.iter_mut().zip(&bars) {
        let Some(bar) = bar else { continue };
        move_onto(&mut candidate.peak, bar, map.foot());
        peaks[candidate.number] = candidate.peak.clone();
    }
    // now that the courses are known better, the candidate's own and its company's
    let numbers = candidates.iter().map(|c| c.number).collect();
    candidates = look_along(&peaks, numbers, &|strip| strip::look(&nets.strips, strip));
    (verdicts, probability, common) = weigh(&nets.model, &candidates);
    let length_mm = true_length(&verdicts, &probability, common);
    Some(Analysis {
        before,
        candidates,
        verdicts,
        probability,
        bars,
        length_mm,
        width_mm: width.map(|w| w + nets.model.width_bias_mm),
        heat,
    })
}

/// Finds the shafts of a photo.
///
/// Shafts of low confidence are handed on too, so that a person can take them up; the list is empty where there is no shaft,
/// or where the camera shows nothing of the face.
///
/// # Errors
/// When the built-in weights are damaged.
pub fn find(pixels: &RgbImage, view: &View) -> Result<Shafts, WeightsError> {
    find_beside(pixels, view, &[])
}

/// Finds the shafts of a face that hangs beside others: `others` are the centres of their spots on this face's plane, mm.
/// Shafts nearer to one of them are not this face's.
///
/// # Errors
/// As [`find`].
pub fn find_beside(
    pixels: &RgbImage,
    view: &View,
    others: &[FacePoint],
) -> Result<Shafts, WeightsError> {
    let nets = NETS.as_ref().map_err(Clone::clone)?;
    let Some(mut found) = analyse(nets, pixels, view, others) else {
        return Ok(Shafts::default());
    };
    let camera = view.camera.centre_mm();
    choose::explain_away(
        &found.candidates,
        &found.verdicts,
        &mut found.probability,
        view.camera.foot(),
        camera.z,
    );
    let mut kinds: Vec<(f64, f64)> = found
        .verdicts
        .iter()
        .zip(&found.probability)
        .map(|(v, p)| {
            let fletched = nets.model.fletched(v);
            (p * fletched, p * (1.0 - fletched))
        })
        .collect();
    if let Some(told) = view.expected {
        kinds = choose::with_told_numbers(&kinds, told);
    }
    let leans = found.leans(&nets.model, view);
    let mut shafts: Vec<Shaft> = (0..found.candidates.len())
        .filter_map(|k| shaft(&nets.model, view, &found, k, kinds[k], leans[k]))
        .filter(|s| s.confidence >= LEAST_CONFIDENCE)
        .collect();
    shafts.sort_by(|a, b| {
        let by_place = a
            .entry
            .x
            .total_cmp(&b.entry.x)
            .then(a.entry.y.total_cmp(&b.entry.y));
        b.confidence.total_cmp(&a.confidence).then(by_place)
    });
    let candidates = found
        .candidates
        .iter()
        .zip(&found.verdicts)
        .zip(&kinds)
        .map(|((c, v), k)| Candidate {
            entry: c.peak.point,
            far: choose::shown(c, v.length_mm, view.camera.foot(), camera.z),
            probability: k.0 + k.1,
        })
        .collect();
    let width = found
        .width_mm
        .filter(|_| shafts.iter().any(|s| s.confidence >= 0.5));
    Ok(Shafts {
        shafts,
        thickness_mm: width,
        candidates,
        heat: Some(found.heat),
    })
}

/// How much further off along its course an entry may be when something stands before it.
const HIDDEN_BASE: f64 = 2.5;
/// Courses that show shorter than this on the face plane hide their own entry behind nock and vanes, mm.
const END_ON_MM: f64 = 25.0;
/// Another shaft hides an entry this near to its course, mm.
const HIDING_MM: f64 = 6.0;

impl Analysis {
    fn leans(&self, model: &model::Model, view: &View) -> Vec<Lean> {
        let shown = |k: usize| lean::Shown {
            peak: &self.candidates[k].peak,
            verdict: &self.verdicts[k],
            probability: self.probability[k],
            edges: self.bars[k].is_some(),
        };
        let shown: Vec<lean::Shown> = (0..self.candidates.len()).map(shown).collect();
        let (foot, distance_mm) = (view.camera.foot(), view.camera.centre_mm().z);
        lean::leans(
            &shown,
            self.length_mm,
            model.usual_length_mm,
            foot,
            distance_mm,
        )
    }

    /// Whether another shaft, or the shaft's own tail, stands between the camera and the entry.
    fn base_is_hidden(&self, view: &View, k: usize) -> bool {
        let (foot, distance) = (view.camera.foot(), view.camera.centre_mm().z);
        let far = |k: usize| {
            choose::shown(
                &self.candidates[k],
                self.verdicts[k].length_mm,
                foot,
                distance,
            )
        };
        let entry = self.candidates[k].peak.point;
        let covers = |other: usize| {
            let start = self.candidates[other].peak.point;
            let end = far(other);
            let course = nalgebra::Vector2::new(end.x - start.x, end.y - start.y);
            let here = nalgebra::Vector2::new(entry.x - start.x, entry.y - start.y);
            course.try_normalize(1.0).is_some_and(|u| {
                let forward = here.dot(&u);
                forward > HIDING_MM && forward < course.norm() && u.perp(&here).abs() < HIDING_MM
            })
        };
        entry.distance(far(k)) < END_ON_MM
            || (0..self.candidates.len()).any(|o| o != k && self.probability[o] > 0.5 && covers(o))
    }
}

/// Moves an entry sideways onto the axis between its shaft's edges.
fn move_onto(peak: &mut peaks::Peak, bar: &edges::Bar, foot: FacePoint) {
    let away = peaks::away(peak.point, foot);
    peak.point = FacePoint::new(
        peak.point.x - away.y * bar.offset_mm,
        peak.point.y + away.x * bar.offset_mm,
    );
    peak.slope += bar.slope;
}

/// What is done with a strip.
type LookAlong<'a> = &'a (dyn Fn(&conv::Picture) -> strip::Look + Sync);

/// What the candidates say together: a verdict on each, the probability that it is the entry of a shaft, and the common length, mm.
fn weigh(
    model: &model::Model,
    candidates: &[choose::Candidate],
) -> (Vec<choose::Verdict>, Vec<f64>, f64) {
    let lengths = choose::Lengths::new(candidates, model.usual_length_mm);
    let mut verdicts: Vec<choose::Verdict> = candidates
        .iter()
        .enumerate()
        .map(|(k, c)| choose::verdict(c, &lengths.by_the_others(k)))
        .collect();
    let alone: Vec<f64> = verdicts.iter().map(|v| model.shaft(v)).collect();
    choose::note_crowds(candidates, &mut verdicts, &alone);
    let mut probability: Vec<f64> = verdicts.iter().map(|v| model.shaft(v)).collect();
    choose::want_company(&mut probability, model.alone);
    (verdicts, probability, lengths.common_mm())
}

/// The length by which this photo's shafts stand out: the median of those believed in, mm.
fn true_length(verdicts: &[choose::Verdict], probability: &[f64], common: f64) -> f64 {
    let mut lengths: Vec<f64> = verdicts
        .iter()
        .zip(probability)
        .filter(|(_, p)| **p > 0.5)
        .map(|(v, _)| v.length_mm)
        .collect();
    lengths.sort_by(f64::total_cmp);
    match lengths.len() {
        0 => common,
        n if n % 2 == 1 => lengths[n / 2],
        n => (lengths[n / 2 - 1] + lengths[n / 2]) / 2.0,
    }
}

/// Everything that is handed on about one candidate; `kinds`: probabilities of a fletched and of a bare shaft.
fn shaft(
    model: &model::Model,
    view: &View,
    found: &Analysis,
    k: usize,
    kinds: (f64, f64),
    lean: Lean,
) -> Option<Shaft> {
    let (c, v, bar) = (&found.candidates[k], &found.verdicts[k], found.bars[k]);
    let entry = c.peak.point;
    let entry_px = view.camera.image_from_face(entry)?;
    let is_shaft = kinds.0 + kinds.1;
    let fletched = if is_shaft > 0.0 {
        kinds.0 / is_shaft
    } else {
        0.5
    };
    let (kind, kind_probability) = match fletched {
        _ if v.tail_seen < LEAST_TAIL => (ShaftKind::Unknown, 0.5),
        // surely a shaft, but of which kind is anyone's guess: better handed on as such than dropped
        f if is_shaft >= 0.5 && is_shaft * f.max(1.0 - f) < 0.5 => (ShaftKind::Unknown, 0.5),
        f if f >= 0.5 => (ShaftKind::Fletched, f),
        f => (ShaftKind::Bare, 1.0 - f),
    };
    let confidence = match kind {
        ShaftKind::Unknown => is_shaft.min(MOST_OF_UNKNOWN),
        _ => is_shaft * kind_probability,
    };
    let along = peaks::away(entry, view.camera.foot());
    let across = nalgebra::Vector2::new(-along.y, along.x);
    let next = view
        .camera
        .image_from_face(FacePoint::new(entry.x + across.x, entry.y + across.y))?;
    let mm_per_px = 1.0 / entry_px.distance(next).max(1e-3);
    let (mut sd_along, sd_across) = model.entry_sd_mm(is_shaft, mm_per_px, bar.is_some());
    if found.base_is_hidden(view, k) {
        sd_along *= HIDDEN_BASE;
    }
    let cov_mm2 = along * along.transpose() * sd_along.powi(2)
        + across * across.transpose() * sd_across.powi(2)
        + (view.point_cov_mm2)(entry_px);
    let nock = view
        .camera
        .project(entry.at_height(0.0) + c.axis * v.length_mm);
    Some(Shaft {
        entry,
        cov_mm2,
        entry_px,
        kind,
        kind_probability,
        confidence,
        lean: Some(lean),
        thickness_mm: bar.map(|b| b.width_mm + model.width_bias_mm),
        segment_px: nock.map(|n| [entry_px, n]),
    })
}

/// Pixels per millimetre at the face's middle.
fn scale_px_per_mm(view: &View) -> Option<f64> {
    let n = view.spot_centres.len().max(1) as f64;
    let sum = view
        .spot_centres
        .iter()
        .fold((0.0, 0.0), |a, p| (a.0 + p.x, a.1 + p.y));
    let (x, y) = (sum.0 / n, sum.1 / n);
    let a = view.camera.image_from_face(FacePoint::new(x - 5.0, y))?;
    let b = view.camera.image_from_face(FacePoint::new(x + 5.0, y))?;
    Some(a.distance(b) / 10.0).filter(|s| s.is_finite() && *s > 0.0)
}

/// Names of the numbers that [`features`] gives.
#[doc(hidden)]
pub const FEATURES: [&str; 17] = [
    "x",
    "y",
    "score",
    "agreement",
    "mask",
    "length",
    "fletched",
    "tail_seen",
    "slope",
    "common",
    "shaft",
    "probability",
    "x_before",
    "y_before",
    "strength",
    "width",
    "likeliest",
];

/// Numbers behind the candidates of a photo, for fitting the model: one row per candidate.
///
/// # Errors
/// When the built-in weights are damaged.
#[doc(hidden)]
pub fn features(
    pixels: &RgbImage,
    view: &View,
) -> Result<Vec<[f64; FEATURES.len()]>, WeightsError> {
    let nets = NETS.as_ref().map_err(Clone::clone)?;
    let Some(found) = analyse(nets, pixels, view, &[]) else {
        return Ok(Vec::new());
    };
    let row = |k: usize| {
        let (c, v, bar) = (&found.candidates[k], &found.verdicts[k], found.bars[k]);
        [
            c.peak.point.x,
            c.peak.point.y,
            v.score,
            v.agreement,
            v.mask,
            v.length_mm,
            v.fletched,
            v.tail_seen,
            c.peak.slope,
            found.length_mm,
            v.shaft,
            found.probability[k],
            found.before[k].x,
            found.before[k].y,
            bar.map_or(0.0, |b| b.strength),
            found.width_mm.unwrap_or(0.0),
            c.look.likeliest_mm(),
        ]
    };
    Ok((0..found.candidates.len()).map(row).collect())
}

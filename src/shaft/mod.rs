//! Photo + camera → shafts: where each enters the boss, fletched or bare, how it stands, and how sure that is.
//!
//! The road inside: the [face map](map) shows the face plane straight on; a small net scores every place of it; [peaks] of
//! the score are candidates; along each candidate a [strip] of the photo gets a second look (vanes or none, where the nock is,
//! whether it is a shaft at all); then one joint [choice](choose) is made in which no two entries stand for one shaft.

mod choose;
mod conv;
mod map;
mod model;
mod net;
mod peaks;
mod picture;
mod strip;
mod weights;

use crate::camera::Camera;
use crate::units::{FacePoint, ImagePoint};
use image::RgbImage;
use nalgebra::Matrix2;
pub use weights::WeightsError;

const MAP_WEIGHTS: &[u8] = include_bytes!("../../calibration/shaft-net/map.bin");
const STRIP_WEIGHTS: &[u8] = include_bytes!("../../calibration/shaft-net/strip.bin");

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
}

/// The nets with their weights and the fitted model, as built in.
struct Nets {
    map: net::MapNet,
    strip: net::StripNet,
    model: model::Model,
}

static NETS: std::sync::LazyLock<Result<Nets, WeightsError>> = std::sync::LazyLock::new(|| {
    Ok(Nets {
        map: net::MapNet::from_bytes(MAP_WEIGHTS)?,
        strip: net::StripNet::from_bytes(STRIP_WEIGHTS, strip::OUTPUTS)?,
        model: model::Model::parse(include_str!("../../calibration/shaft-net/model.json"))?,
    })
});

/// Pixels of the reduced photo per millimetre of the face.
const PX_PER_MM: f64 = 1.25;
/// Least confidence of a shaft that is handed on; from one half on the reading uses it.
const LEAST_CONFIDENCE: f64 = 0.1;
/// A tail of which less is in the picture doesn't tell fletched from bare.
const LEAST_TAIL: f64 = 0.25;
/// Scatter of the lengths by which the shafts of one photo stand out, mm (practice photos: 8 mm in the median).
const LENGTH_SCATTER_MM: f64 = 9.0;
/// Scatter of a shaft's lean about the boss's normal, rad: 1.4° on each axis (practice photos).
const LEAN_SD: f64 = 0.025;
/// Error of the sideways lean read from the picture, rad.
const SIDEWAYS_SD: f64 = 0.007;

/// Finds the shafts of a photo.
///
/// Shafts of low confidence are handed on too, so that a person can take them up; the list is empty where there is no shaft,
/// or where the camera shows nothing of the face.
///
/// # Errors
/// When the built-in weights are damaged.
pub fn find(pixels: &RgbImage, view: &View) -> Result<Shafts, WeightsError> {
    let nets = NETS.as_ref().map_err(Clone::clone)?;
    let candidates = candidates(nets, pixels, view);
    let Some(common) = choose::common_length(&candidates) else {
        return Ok(Shafts::default());
    };
    let verdicts: Vec<choose::Verdict> = candidates
        .iter()
        .map(|c| choose::verdict(c, common))
        .collect();
    let mut probability: Vec<f64> = verdicts.iter().map(|v| nets.model.shaft(v)).collect();
    let camera = view.camera.centre_mm();
    choose::explain_away(
        &candidates,
        &verdicts,
        &mut probability,
        view.camera.foot(),
        camera.z,
    );
    let mut kinds: Vec<(f64, f64)> = verdicts
        .iter()
        .zip(&probability)
        .map(|(v, p)| {
            let fletched = nets.model.fletched(v);
            (p * fletched, p * (1.0 - fletched))
        })
        .collect();
    if let Some(told) = view.expected {
        kinds = choose::with_told_numbers(&kinds, told);
    }
    let length = true_length(&verdicts, &probability, common);
    let mut shafts: Vec<Shaft> = candidates
        .iter()
        .zip(&verdicts)
        .zip(&kinds)
        .filter_map(|((c, v), k)| shaft(&nets.model, view, c, v, *k, length))
        .filter(|s| s.confidence >= LEAST_CONFIDENCE)
        .collect();
    shafts.sort_by(|a, b| {
        b.confidence
            .total_cmp(&a.confidence)
            .then(a.entry.x.total_cmp(&b.entry.x))
            .then(a.entry.y.total_cmp(&b.entry.y))
    });
    Ok(Shafts { shafts })
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
    c: &choose::Candidate,
    v: &choose::Verdict,
    kinds: (f64, f64),
    length: f64,
) -> Option<Shaft> {
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
        f if f >= 0.5 => (ShaftKind::Fletched, f),
        f => (ShaftKind::Bare, 1.0 - f),
    };
    let confidence = if kind == ShaftKind::Unknown {
        is_shaft
    } else {
        is_shaft * kind_probability
    };
    let along = peaks::away(entry, view.camera.foot());
    let across = nalgebra::Vector2::new(-along.y, along.x);
    let next = view
        .camera
        .image_from_face(FacePoint::new(entry.x + across.x, entry.y + across.y))?;
    let mm_per_px = 1.0 / entry_px.distance(next).max(1e-3);
    let (sd_along, sd_across) = model.entry_sd_mm(is_shaft, mm_per_px);
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
        lean: Some(lean(view, c, v, length)),
        thickness_mm: None,
        segment_px: nock.map(|n| [entry_px, n]),
    })
}

/// How a shaft stands. Sideways (square to the direction away from the foot) the picture shows it; along that direction a lean
/// shows as another length than the others', weighed against what shafts usually do.
fn lean(view: &View, c: &choose::Candidate, v: &choose::Verdict, length: f64) -> Lean {
    let camera = view.camera.centre_mm();
    let entry = c.peak.point;
    let away = peaks::away(entry, view.camera.foot());
    let reach = entry.distance(view.camera.foot());
    // a nock at the common length that shows where one at `length_mm` would: small-angle form
    let per_mm = reach / ((camera.z - v.length_mm).max(1.0) * length.max(1.0));
    let measured = per_mm * (v.length_mm - length);
    let sd = (per_mm * v.length_sd_mm.hypot(LENGTH_SCATTER_MM)).max(1e-6);
    let weight = LEAN_SD.powi(2) / (LEAN_SD.powi(2) + sd * sd);
    let axis = nalgebra::Vector3::new(
        c.axis.x / c.axis.z + away.x * measured * weight,
        c.axis.y / c.axis.z + away.y * measured * weight,
        1.0,
    );
    let sd_along = sd * weight.sqrt();
    Lean {
        right_rad: axis.x.atan2(axis.z),
        up_rad: axis.y.atan2(axis.z),
        sd_rad: ((sd_along.powi(2) + SIDEWAYS_SD.powi(2)) / 2.0).sqrt(),
    }
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

fn candidates(nets: &Nets, pixels: &RgbImage, view: &View) -> Vec<choose::Candidate> {
    let Some(scale) = scale_px_per_mm(view) else {
        return Vec::new();
    };
    let photo = picture::Reduced::new(pixels, scale / PX_PER_MM);
    let Some(map) = map::FaceMap::new(&photo, view) else {
        return Vec::new();
    };
    let scores = nets.map.run(map.cells());
    let peaks = peaks::find(&map, &scores);
    drop(scores);
    use rayon::prelude::*;
    peaks
        .into_par_iter()
        .map(|peak| {
            let axis = strip::axis(peaks::away(peak.point, map.foot()), peak.slope);
            let look = strip::look(&nets.strip, &photo, view.camera, peak.point, axis);
            choose::Candidate { peak, axis, look }
        })
        .collect()
}

/// Numbers behind the candidates of a photo, for fitting the confidence: one row per candidate.
#[doc(hidden)]
pub fn features(pixels: &RgbImage, view: &View) -> Result<Vec<Vec<f64>>, WeightsError> {
    let nets = NETS.as_ref().map_err(Clone::clone)?;
    let candidates = candidates(nets, pixels, view);
    let Some(common) = choose::common_length(&candidates) else {
        return Ok(Vec::new());
    };
    Ok(candidates
        .iter()
        .map(|c| {
            let v = choose::verdict(c, common);
            vec![
                c.peak.point.x,
                c.peak.point.y,
                v.score,
                v.agreement,
                v.mask,
                v.length_mm,
                v.fletched,
                v.tail_seen,
                v.fletched_on_map,
                c.peak.slope,
                common,
                v.shaft,
                nets.model.shaft(&v),
            ]
        })
        .collect())
}

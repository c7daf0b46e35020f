//! Photo + camera → shafts: where each enters the boss, fletched or bare, how it stands, and how sure that is.
//!
//! The road inside: the [face map](map) shows the face plane straight on; a small net scores every place of it; [peaks] of
//! the score are candidates; along each candidate a [strip] of the photo gets a second look (vanes or none, where the nock is,
//! whether it is a shaft at all); then one joint [choice](choose) is made in which no two entries stand for one shaft.

mod choose;
mod conv;
mod map;
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

/// The nets with their weights as built in.
struct Nets {
    map: net::MapNet,
    strip: net::StripNet,
}

static NETS: std::sync::LazyLock<Result<Nets, WeightsError>> =
    std::sync::LazyLock::new(|| Ok(Nets { map: net::MapNet::from_bytes(MAP_WEIGHTS)?, strip: net::StripNet::from_bytes(STRIP_WEIGHTS, strip::OUTPUTS)? }));

/// Pixels of the reduced photo per millimetre of the face.
const PX_PER_MM: f64 = 1.25;

/// Finds the shafts of a photo.
///
/// # Errors
/// When the built-in weights are damaged.
pub fn find(pixels: &RgbImage, view: &View) -> Result<Shafts, WeightsError> {
    let nets = NETS.as_ref().map_err(Clone::clone)?;
    let candidates = candidates(nets, pixels, view);
    let _ = candidates;
    Ok(Shafts::default())
}

/// Pixels per millimetre at the face's middle.
fn scale_px_per_mm(view: &View) -> Option<f64> {
    let n = view.spot_centres.len().max(1) as f64;
    let sum = view.spot_centres.iter().fold((0.0, 0.0), |a, p| (a.0 + p.x, a.1 + p.y));
    let (x, y) = (sum.0 / n, sum.1 / n);
    let a = view.camera.image_from_face(FacePoint::new(x - 5.0, y))?;
    let b = view.camera.image_from_face(FacePoint::new(x + 5.0, y))?;
    Some(a.distance(b) / 10.0).filter(|s| s.is_finite() && *s > 0.0)
}

fn candidates(nets: &Nets, pixels: &RgbImage, view: &View) -> Vec<choose::Candidate> {
    let Some(scale) = scale_px_per_mm(view) else { return Vec::new() };
    let photo = picture::Reduced::new(pixels, scale / PX_PER_MM);
    let Some(map) = map::FaceMap::new(&photo, view) else { return Vec::new() };
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
    let Some(common) = choose::common_length(&candidates) else { return Ok(Vec::new()) };
    Ok(candidates
        .iter()
        .map(|c| {
            let v = choose::verdict(c, common);
            vec![c.peak.point.x, c.peak.point.y, v.score, v.agreement, v.mask, v.length_mm, v.fletched, v.tail_seen, f64::from(c.peak.fletched), c.peak.slope, common]
        })
        .collect())
}

//! What the nets of the first stage are given of a photo, for the comparison with the cuts of the training programs
//! (`calibration/training/compare_cuts.py`): nets see what they were fitted on only if both cut alike.

use super::first_stage::{FirstStage, PX_PER_MM};
use super::map::FaceMap;
use super::nets::Nets;
use super::peaks::{self, Peak};
use super::picture::ReducedPhoto;
use super::strip::{self, ProjectedAxes};
use super::tensor::Tensor;
use super::view_geometry::ViewGeometry;
use super::{View, WeightsError};
use crate::geometry::FacePoint;
use image::RgbImage;
use nalgebra::Vector2;

/// Numbers of a picture of many channels.
#[doc(hidden)]
pub struct InputTensor {
    /// Pixels across.
    pub width: usize,
    /// Pixels down.
    pub height: usize,
    /// Numbers per pixel.
    pub channels: usize,
    /// Row by row, all numbers of a pixel together.
    pub values: Vec<f32>,
}

impl InputTensor {
    fn new(tensor: &Tensor) -> Self {
        let places = (0..tensor.height).flat_map(|y| (0..tensor.width).map(move |x| (x, y)));
        Self {
            width: tensor.width,
            height: tensor.height,
            channels: tensor.channels,
            values: places
                .flat_map(|(x, y)| tensor.pixel(x, y).iter().copied())
                .collect(),
        }
    }
}

/// A place where a shaft may enter, and its sideways slope.
#[doc(hidden)]
#[derive(Clone, Copy, Debug)]
pub struct InputCandidate {
    /// Where, mm.
    pub entry: FacePoint,
    /// Tangent of the sideways lean against the direction away from the foot.
    pub slope: f64,
    /// Score of the map net, 0–1.
    pub score: f64,
}

/// Everything that the nets of the first stage are given of one photo.
#[doc(hidden)]
pub struct NetInputs {
    /// Face x of the map's first column, mm.
    pub left_mm: f64,
    /// Face y of the map's first row, mm.
    pub top_mm: f64,
    /// Input of the map net, a cell per 2 mm.
    pub map: InputTensor,
    /// The candidates, best first.
    pub candidates: Vec<InputCandidate>,
    /// Input of the strip nets, along each of them.
    pub strips: Vec<InputTensor>,
}

/// The strips along candidates, each with the others as its neighbours.
fn strips(
    photo: &ReducedPhoto,
    geometry: &ViewGeometry,
    candidates: &[InputCandidate],
) -> Vec<InputTensor> {
    let peak = |c: &InputCandidate| Peak {
        score: c.score,
        point: c.entry,
        slope: c.slope,
        axis_log_odds: 0.0,
        fletched_log_odds: 0.0,
        direction: Vector2::zeros(),
    };
    let all: Vec<Peak> = candidates.iter().map(peak).collect();
    let axes = ProjectedAxes::new(&all, geometry.foot, geometry.distance_mm);
    let input = |(own, c): (usize, &InputCandidate)| {
        let axis = strip::axis(peaks::radial_direction(c.entry, geometry.foot), c.slope);
        InputTensor::new(&strip::sample(
            photo,
            geometry,
            (c.entry, axis),
            (own, &axes),
        ))
    };
    candidates.iter().enumerate().map(input).collect()
}

/// Samples the face map, and the strips along `candidates`, or along the map net's own where there are none given. `None` where no
/// part of the face's surroundings is in the picture.
///
/// # Errors
/// When the built-in weights are damaged.
#[doc(hidden)]
pub fn net_inputs(
    pixels: &RgbImage,
    view: &View,
    candidates: Option<&[InputCandidate]>,
) -> Result<Option<NetInputs>, WeightsError> {
    let nets: &Nets = &super::NetSets::built_in()?.rendered;
    Ok(net_inputs_with(nets, pixels, view, candidates))
}

fn net_inputs_with(
    nets: &Nets,
    pixels: &RgbImage,
    view: &View,
    candidates: Option<&[InputCandidate]>,
) -> Option<NetInputs> {
    let upright = || ViewGeometry::new(view, 1.0, Vector2::zeros());
    let geometry = upright();
    let photo = ReducedPhoto::new(pixels, geometry.scale_px_per_mm()? / PX_PER_MM);
    let map = FaceMap::new(&photo, &geometry)?;
    let candidates = match candidates {
        Some(given) => given.to_vec(),
        None => FirstStage::new(nets, pixels, upright(), view, &[])?
            .peaks
            .iter()
            .map(|p| InputCandidate {
                entry: p.point,
                slope: p.slope,
                score: p.score,
            })
            .collect(),
    };
    Some(NetInputs {
        left_mm: map.left_mm,
        top_mm: map.top_mm,
        map: InputTensor::new(&map.cells(&photo, &geometry)),
        strips: strips(&photo, &geometry, &candidates),
        candidates,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::face::spec;
    use crate::geometry::ImagePoint;
    use crate::geometry::camera::{Camera, Lens, Pose};
    use crate::photo;
    use nalgebra::{Matrix2, Matrix3, Vector3};
    use serde::Deserialize;

    /// What `calibration/training/compare_cuts.py --write` wrote.
    #[derive(Deserialize)]
    struct Written {
        photo: String,
        face: String,
        /// fx, fy, cx, cy (px), k1, k2.
        lens: [f64; 6],
        rotation: [[f64; 3]; 3],
        translation_mm: [f64; 3],
        /// Entry (mm), slope, score.
        candidates: Vec<[f64; 4]>,
        /// Left and top, mm.
        map_corner_mm: [f64; 2],
        /// Column, row, channel.
        map_places: Vec<[usize; 3]>,
        map_values: Vec<f32>,
        /// Candidate, column, row, channel.
        strip_places: Vec<[usize; 4]>,
        strip_values: Vec<f32>,
    }

    /// Decoders of JPEG differ by a step or two of 255 in a pixel.
    const MAX_ERROR: f32 = 0.03;
    const MAX_MEAN_ERROR: f32 = 0.003;

    fn assert_alike(what: &str, got: &[f32], want: &[f32]) {
        assert_eq!(got.len(), want.len());
        assert!(got.len() >= 300, "{what}: {} places", got.len());
        let errors: Vec<f32> = got.iter().zip(want).map(|(g, w)| (g - w).abs()).collect();
        let mean = errors.iter().sum::<f32>() / as_single(errors.len());
        let largest = errors.iter().copied().fold(0.0, f32::max);
        assert!(mean <= MAX_MEAN_ERROR, "{what}: {mean} on average");
        assert!(largest <= MAX_ERROR, "{what}: {largest} at most");
    }

    fn as_single(n: usize) -> f32 {
        f32::from(u16::try_from(n).unwrap())
    }

    #[test]
    fn cuts_agree_with_those_of_the_training_programs() {
        let text = include_str!("../../calibration/shaft-net/cuts-vector.json");
        let written: Written = serde_json::from_str(text).unwrap();
        let path = format!(
            "{}/sample-photos/evening/{}",
            env!("CARGO_MANIFEST_DIR"),
            written.photo
        );
        let photo = photo::open(&std::fs::read(path).unwrap()).unwrap();
        let face = spec::by_name(&written.face).unwrap();
        let [fx_px, fy_px, cx_px, cy_px, k1, k2] = written.lens;
        let lens = Lens {
            f_px: fx_px,
            cx_px,
            cy_px,
            k1,
            k2,
        };
        assert!((fx_px - fy_px).abs() < 1e-9);
        let pose = Pose {
            rotation: Matrix3::from_fn(|i, j| written.rotation[i][j]),
            translation_mm: Vector3::from(written.translation_mm),
        };
        let camera = Camera { lens, pose };
        let centres = &face.spots_mm;
        let no_error = |_: ImagePoint| Matrix2::zeros();
        let view = View {
            camera: &camera,
            spot_centres: centres,
            outer_radius_mm: face.outer_radius_mm(),
            point_cov_mm2: &no_error,
            paper_bends: false,
            expected: None,
        };
        let candidate = |c: &[f64; 4]| InputCandidate {
            entry: FacePoint::new(c[0], c[1]),
            slope: c[2],
            score: c[3],
        };
        let candidates: Vec<InputCandidate> = written.candidates.iter().map(candidate).collect();
        let inputs = net_inputs(&photo.pixels, &view, Some(&candidates))
            .unwrap()
            .unwrap();
        assert!((inputs.left_mm - written.map_corner_mm[0]).abs() < 1e-9);
        assert!((inputs.top_mm - written.map_corner_mm[1]).abs() < 1e-9);
        let at = |t: &InputTensor, x: usize, y: usize, c: usize| {
            t.values[(y * t.width + x) * t.channels + c]
        };
        let map = written.map_places.iter();
        let map: Vec<f32> = map.map(|&[x, y, c]| at(&inputs.map, x, y, c)).collect();
        assert_alike("map", &map, &written.map_values);
        let strips = written.strip_places.iter();
        let strips: Vec<f32> = strips
            .map(|&[k, x, y, c]| at(&inputs.strips[k], x, y, c))
            .collect();
        assert_alike("strips", &strips, &written.strip_values);
    }
}

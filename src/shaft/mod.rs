//! Photo + camera → shafts: where each enters the boss, fletched or bare, how it stands, and how sure that is.
//!
//! The stages: the face map shows the face plane straight on; a small net scores every place of it; `peaks` of
//! the score are candidates; along each candidate a `strip` of the photo is looked at by the nets of the second stage (vanes or none, where the nock is,
//! whether it is a shaft at all); then one joint choice is made in which no two entries stand for one shaft.

mod choose;
mod colours;
mod conv;
mod edges;
mod first_stage;
mod identity;
mod kind;
mod lanes;
mod lean;
mod map;
mod model;
mod net;
mod net_inputs;
mod nets;
mod output;
mod peaks;
mod picture;
mod scale_and_lean;
mod second_stage;
mod strip;
mod tail;
mod tensor;
mod view_geometry;
mod weights;
mod winograd;

use crate::geometry::camera::Camera;
use crate::geometry::{FacePoint, ImagePoint};
pub use colours::{ArrowLook, Proposal, identify};
use first_stage::{FirstStage, MIN_MEAN_DETECTION_SCORE};
use image::RgbImage;
pub use kind::ArrowKind;
use nalgebra::{Matrix2, Vector2};
#[doc(hidden)]
pub use net_inputs::{InputCandidate, InputTensor, NetInputs, net_inputs};
pub use nets::{NetSets, Nets};
use output::shafts_of;
use scale_and_lean::first_stage_in_true_scale_and_lean;
use second_stage::{SecondStage, second_stage};
use view_geometry::ViewGeometry;
pub use weights::WeightsError;

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
    /// Whether the print is seen to stand off the face plane ([`crate::face::FaceFit::sheet`]), as paper on a range does.
    pub paper_bends: bool,
    /// How many fletched and bare shafts were shot, if given: a soft constraint.
    pub expected: Option<(usize, usize)>,
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
    pub kind: ArrowKind,
    /// Probability of `kind`, given that this is a shaft.
    pub kind_probability: f64,
    /// Probability that a shaft enters within 10 mm and is of this kind.
    pub confidence: f64,
    /// How it stands, where its nock was seen.
    pub lean: Option<Lean>,
    /// Thickness, which is the shaft's outer diameter, mm.
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
    pub projected_nock: FacePoint,
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
    /// In millimetres of the face as it was named: `scale` of them are one of those it was in.
    fn into_nominal_scale(self, scale: f64) -> Self {
        Self {
            left_mm: self.left_mm * scale,
            top_mm: self.top_mm * scale,
            cell_mm: self.cell_mm * scale,
            ..self
        }
    }

    fn new(map: &map::FaceMap, scores: &tensor::Tensor) -> Self {
        let cells = (0..scores.height).flat_map(|y| (0..scores.width).map(move |x| (x, y)));
        Self {
            left_mm: map.left_mm - 0.5,
            top_mm: map.top_mm + 0.5,
            cell_mm: 2.0,
            width: scores.width,
            height: scores.height,
            values: cells
                .map(|(x, y)| {
                    crate::math::single(peaks::logistic(f64::from(scores.pixel(x, y)[0])))
                })
                .collect(),
        }
    }
}

/// Least thickness that a face of the right size gives, and largest, mm: shafts of 4.5 to 9.3 mm are in use (World Archery's
/// limit is 9.3 mm, from memory) and reading is good to a millimetre.
const THICKNESS_MM: (f64, f64) = (3.2, 11.5);
/// How far the thickness seen may lie beside the one given, as a share of it: it is read to a few per cent, and faces of the same
/// look are a third larger or smaller than each other at least (60 and 80 cm).
const GIVEN_THICKNESS_SHARES: (f64, f64) = (0.83, 1.2);

impl Shafts {
    /// Whether the shafts' thickness speaks against the size of the face that was named: no shaft is that thin or that thick, or
    /// not those whose diameter was given.
    #[must_use]
    pub fn face_size_doubtful(&self, given_mm: Option<f64>) -> bool {
        // out of focus most shafts show no edges, and the few that do are blurred into thicker ones
        let sharp = self.shafts.iter().filter(|s| s.thickness_mm.is_some());
        let sharp = 2 * sharp.count() > self.shafts.len();
        self.thickness_mm.is_some_and(|seen| {
            let as_given = |given: f64| {
                !sharp
                    || (GIVEN_THICKNESS_SHARES.0 * given..=GIVEN_THICKNESS_SHARES.1 * given)
                        .contains(&seen)
            };
            !(THICKNESS_MM.0..=THICKNESS_MM.1).contains(&seen)
                || given_mm.is_some_and(|given| !as_given(given))
        })
    }
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

/// Finds the shafts of a face with other faces beside it: `neighbour_centres` are the centres of their spots on this face's plane, mm.
/// Shafts nearer to one of those are not this face's.
///
/// # Errors
/// As [`find`].
pub fn find_beside(
    pixels: &RgbImage,
    view: &View,
    neighbour_centres: &[FacePoint],
) -> Result<Shafts, WeightsError> {
    let analysed = analyse(NetSets::built_in()?, pixels, view, neighbour_centres)?;
    Ok(
        analysed.map_or_else(Shafts::default, |(nets, geometry, found)| {
            shafts_of(nets, view, &geometry, found)
        }),
    )
}

/// The nets used, the view geometry and the analysis; `None` where no part of the face's surroundings is in the picture.
type Analysed<'a, 'n> = Option<(&'n Nets, ViewGeometry<'a>, SecondStage)>;

fn analyse<'a, 'n>(
    sets: &'n NetSets,
    pixels: &'a RgbImage,
    view: &View<'a>,
    neighbour_centres: &[FacePoint],
) -> Result<Analysed<'a, 'n>, WeightsError> {
    // no photo that the rendered set was fitted on shows paper that bends
    if view.paper_bends {
        let nets = sets.real()?;
        let stage = first_stage_in_true_scale_and_lean(nets, pixels, view, neighbour_centres);
        return stage.map(|s| second_stage(nets, s, None)).transpose();
    }
    let upright = ViewGeometry::new(view, 1.0, Vector2::zeros());
    let Some(by_rendered) =
        FirstStage::new(&sets.rendered, pixels, upright, view, neighbour_centres)
    else {
        return Ok(None);
    };
    let score = by_rendered.mean_detection_score();
    let Some(rendered_score) = score.filter(|s| *s < MIN_MEAN_DETECTION_SCORE) else {
        return second_stage(&sets.rendered, by_rendered, Some(sets)).map(Some);
    };
    let Some(by_real) =
        first_stage_in_true_scale_and_lean(sets.real()?, pixels, view, neighbour_centres)
    else {
        return Ok(None);
    };
    let better = |real_score: f64| real_score > rendered_score;
    if by_real.mean_detection_score().is_some_and(better) {
        second_stage(sets.real()?, by_real, None).map(Some)
    } else {
        second_stage(&sets.rendered, by_rendered, Some(sets)).map(Some)
    }
}

/// Names of the numbers that [`candidate_features`] gives.
#[doc(hidden)]
pub const FEATURES: [&str; 20] = [
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
    "tag",
    "fletched_by_others",
    "others_weight",
];

/// The features of one photo's candidates, and the shafts found.
#[doc(hidden)]
pub struct CandidateFeatures {
    /// One row of [`FEATURES`] per candidate.
    pub rows: Vec<[f64; FEATURES.len()]>,
    /// What is handed on.
    pub shafts: Shafts,
    /// The face's millimetres in one of the shafts' own, and what they lean by on the whole, right and up.
    pub scale_and_lean: [f64; 3],
    /// Whether the real set of nets was used.
    pub real_set: bool,
}

/// Numbers behind the candidates of a photo, for fitting the model, and what is handed on with these nets.
///
/// # Errors
/// When the built-in weights are damaged.
#[doc(hidden)]
pub fn candidate_features(
    sets: &NetSets,
    pixels: &RgbImage,
    view: &View,
) -> Result<Option<CandidateFeatures>, WeightsError> {
    let Some((nets, geometry, found)) = analyse(sets, pixels, view, &[])? else {
        return Ok(None);
    };
    let row = |k: usize| {
        let (c, v, edge_pair) = (
            &found.candidates[k],
            &found.features[k],
            found.edge_pairs[k],
        );
        [
            c.peak.point.x * geometry.scale,
            c.peak.point.y * geometry.scale,
            v.map_entry_log_odds,
            v.agreement,
            v.map_axis_log_odds,
            v.length_mm,
            v.strip_fletched_log_odds,
            v.tail_seen,
            c.peak.slope,
            found.length_mm,
            v.strip_shaft_log_odds,
            found.probability[k],
            found.map_entries[k].x * geometry.scale,
            found.map_entries[k].y * geometry.scale,
            edge_pair.map_or(0.0, |b| b.strength),
            found.thickness_mm.unwrap_or(0.0),
            c.output.most_likely_nock_mm(),
            v.map_fletched_log_odds,
            v.fletched_by_real_set.unwrap_or(f64::NAN),
            v.real_set_weight,
        ]
    };
    let rows = (0..found.candidates.len()).map(row).collect();
    Ok(Some(CandidateFeatures {
        rows,
        scale_and_lean: [geometry.scale, geometry.lean.x, geometry.lean.y],
        real_set: !std::ptr::eq(nets, &raw const sets.rendered),
        shafts: shafts_of(nets, view, &geometry, found),
    }))
}

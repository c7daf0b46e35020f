//! Photo + camera → shafts: where each enters the boss, fletched or bare, how it stands, and how sure that is.
//!
//! The stages: the face map shows the face plane straight on; a small net scores every place of it; `peaks` of
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
mod sight;
mod strip;
mod tail;
mod weights;
mod winograd;

use crate::geometry::camera::Camera;
use crate::geometry::{FacePoint, ImagePoint};
pub use colours::{ArrowLook, Proposal, identify};
use image::RgbImage;
use nalgebra::{Matrix2, Vector2};
use rayon::prelude::*;
use sight::Sight;
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
    /// How many fletched and bare shafts were shot, if given: a prior, never a force.
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
    /// In millimetres of which `unit` are one of those it was in.
    fn called(self, unit: f64) -> Self {
        Self {
            left_mm: self.left_mm * unit,
            top_mm: self.top_mm * unit,
            cell_mm: self.cell_mm * unit,
            ..self
        }
    }

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
                    crate::math::single(peaks::logistic(f64::from(scores.pixel(x, y)[0])))
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

/// One set of nets with their weights and the fitted model.
#[doc(hidden)]
pub struct Nets {
    map: net::MapNet,
    strips: [net::StripNet; 2],
    model: model::Model,
}

impl Nets {
    /// From the contents of their files.
    ///
    /// # Errors
    /// When one is damaged or holds another net.
    pub fn new(map: &[u8], strips: [&[u8]; 2], model: &str) -> Result<Self, WeightsError> {
        let strip = |bytes| net::StripNet::from_bytes(bytes, strip::PLANES, strip::OUTPUTS);
        Ok(Self {
            map: net::MapNet::from_bytes(map)?,
            strips: [strip(strips[0])?, strip(strips[1])?],
            model: model::Model::parse(model)?,
        })
    }
}

/// Both sets of nets. The first knows shafts as they are drawn and rendered, to a fraction of a millimetre; the second was fitted on from it
/// on real photographs and knows more looks, less exactly.
#[doc(hidden)]
pub struct BothNets {
    /// Those asked first.
    pub first: Nets,
    /// Those asked where the first ones hardly recognise what they find.
    pub second: Nets,
}

impl BothNets {
    /// Those built in.
    ///
    /// # Errors
    /// When they are damaged.
    pub fn built_in() -> Result<&'static Self, WeightsError> {
        NETS.as_ref().map_err(Clone::clone)
    }
}

const MAP_WEIGHTS: &[u8] = include_bytes!("../../calibration/shaft-net/map.bin");
const STRIP_WEIGHTS: [&[u8]; 2] = [
    include_bytes!("../../calibration/shaft-net/strip-1.bin"),
    include_bytes!("../../calibration/shaft-net/strip-2.bin"),
];
const SECOND_MAP_WEIGHTS: &[u8] = include_bytes!("../../calibration/shaft-net/real/map.bin");
const SECOND_STRIP_WEIGHTS: [&[u8]; 2] = [
    include_bytes!("../../calibration/shaft-net/real/strip-1.bin"),
    include_bytes!("../../calibration/shaft-net/real/strip-2.bin"),
];

static NETS: std::sync::LazyLock<Result<BothNets, WeightsError>> = std::sync::LazyLock::new(|| {
    let first = include_str!("../../calibration/shaft-net/model.json");
    let second = include_str!("../../calibration/shaft-net/real/model.json");
    Ok(BothNets {
        first: Nets::new(MAP_WEIGHTS, STRIP_WEIGHTS, first)?,
        second: Nets::new(SECOND_MAP_WEIGHTS, SECOND_STRIP_WEIGHTS, second)?,
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

/// Candidates whose map score is less are not asked how shafts stand on the whole, and how large they are.
const PLAIN_SCORE: f64 = 0.15;
/// Most of those.
const ASKED: usize = 14;

/// A photo looked over once: every candidate with a look of one net along it.
struct Overview<'a> {
    sight: Sight<'a>,
    photo: picture::Reduced,
    map: map::FaceMap,
    scores: conv::Picture,
    peaks: Vec<peaks::Peak>,
    candidates: Vec<choose::Candidate>,
}

impl<'a> Overview<'a> {
    fn new(
        nets: &Nets,
        pixels: &RgbImage,
        sight: Sight<'a>,
        view: &View,
        others: &[FacePoint],
    ) -> Option<Self> {
        let photo = picture::Reduced::new(pixels, sight.scale_px_per_mm()? / PX_PER_MM);
        let map = map::FaceMap::new(&photo, &sight)?;
        let scores = nets.map.run(map.cells());
        let peaks = peaks::find(&map, &scores);
        let mut seen = Self {
            sight,
            photo,
            map,
            scores,
            peaks,
            candidates: Vec::new(),
        };
        let own = |k: &usize| is_own(view, others, seen.sight.called(seen.peaks[*k].point));
        let own = (0..seen.peaks.len()).filter(own).collect();
        seen.candidates = seen.look_along(own, &|strip| strip::first_stage(&nets.strips[0], strip));
        Some(seen)
    }

    /// The peaks of these numbers, with what `look` makes of the strips along them.
    fn look_along(&self, numbers: Vec<usize>, look: LookAlong) -> Vec<choose::Candidate> {
        // shafts in a neighbouring face don't belong to this one, but their images cross the strips all the same
        let axes = strip::ProjectedAxes::new(&self.peaks, self.map.foot(), self.map.distance_mm());
        let look = |own: usize| {
            let peak = self.peaks[own].clone();
            let axis = strip::axis(peaks::away(peak.point, self.map.foot()), peak.slope);
            let place = (peak.point, axis);
            let strip = strip::cut(&self.photo, &self.sight, place, (own, &axes));
            let look = look(&strip);
            choose::Candidate {
                number: own,
                peak,
                axis,
                look,
            }
        };
        numbers.into_par_iter().map(look).collect()
    }

    /// The candidates that are plain on the map.
    fn plain(&self) -> impl Iterator<Item = &choose::Candidate> {
        let plain = self
            .candidates
            .iter()
            .filter(|c| c.peak.score >= PLAIN_SCORE);
        plain.take(ASKED)
    }

    /// How well the net recognises along the plain candidates what the map takes for shafts, for each of them: as shafts, and with their
    /// nocks where shafts of one usual length have them. `None` where there are hardly any.
    fn recognised(&self) -> Option<f64> {
        let plain: Vec<choose::Candidate> = self.plain().cloned().collect();
        let number: f64 = plain.iter().map(|c| c.peak.score).sum();
        let both = strip_evidence(&plain) + BY_NOCKS * choose::of_usual_length(&plain);
        (number >= LEAST_TO_DOUBT).then(|| both / number)
    }
}

/// What the strips along candidates say for their being shafts.
fn strip_evidence(candidates: &[choose::Candidate]) -> f64 {
    let part = |c: &choose::Candidate| c.peak.score * c.look.shaft.clamp(-4.0, 4.0);
    candidates.iter().map(part).sum()
}

/// Weight of where the nocks lie beside the strips' log-odds of being shafts, where it is asked whether the net recognises what it sees.
const BY_NOCKS: f64 = 2.5;
/// Where the first nets recognise as much as this, the second aren't asked: of 56 rendered photos each has -8.6 at least, of 27 real
/// photographs 12 have less than -9.
const FAMILIAR: f64 = -9.0;
/// Of fewer candidates nothing is said.
const LEAST_TO_DOUBT: f64 = 1.0;

/// How the shafts stand on the whole and how large their millimetres are, in those of the face: 1 and no lean unless they show otherwise.
fn stance(nets: &Nets, view: &View, seen: &Overview) -> (f64, Vector2<f64>) {
    let peaks: Vec<peaks::Peak> = seen.plain().map(|c| c.peak.clone()).collect();
    let lean = peaks::common_lean(&seen.map, &seen.scores, &peaks);
    let mut best = (1.0, f64::NEG_INFINITY);
    for (unit, prior) in UNITS {
        let sight = Sight::new(view, unit, lean);
        let mut own = peaks.clone();
        for p in &mut own {
            p.point = FacePoint::new(p.point.x / unit, p.point.y / unit);
            p.slope = 0.0;
        }
        let axes = strip::ProjectedAxes::new(&own, sight.foot, sight.distance_mm);
        let candidates: Vec<choose::Candidate> = (0..own.len())
            .into_par_iter()
            .map(|k| {
                let axis = strip::axis(peaks::away(own[k].point, sight.foot), 0.0);
                let strip = strip::cut(&seen.photo, &sight, (own[k].point, axis), (k, &axes));
                choose::Candidate {
                    number: k,
                    peak: own[k].clone(),
                    axis,
                    look: strip::first_stage(&nets.strips[0], &strip),
                }
            })
            .collect();
        let lengths = choose::of_usual_length(&candidates);
        let evidence = lengths + BY_STRIP * strip_evidence(&candidates) + prior;
        if evidence > best.1 {
            best = (unit, evidence);
        }
    }
    (best.0, lean)
}

/// The face's millimetres in one of the shafts' own that are tried, and how likely each is beforehand, as a logarithm: faces come in sizes of
/// 122, 80, 60 and 40 cm, and most are called what they are.
const UNITS: [(f64, f64); 4] = [(1.0, 0.0), (1.5, -1.2), (2.0, -1.5), (3.0, -1.8)];
/// Weight of the strips' log-odds of being shafts beside where their nocks are.
const BY_STRIP: f64 = 0.1;

/// What is seen of a photo's shafts, and the nets that saw it.
fn analyse<'a, 'n>(
    nets: &'n BothNets,
    pixels: &RgbImage,
    view: &View<'a>,
    others: &[FacePoint],
) -> Option<(&'n Nets, Sight<'a>, Analysis)> {
    // no photo that the first set was fitted on shows paper that bends
    if view.paper_bends {
        let second = in_own_stance(&nets.second, pixels, view, others)?;
        return Some(look_closer(&nets.second, second));
    }
    let upright = Sight::new(view, 1.0, Vector2::zeros());
    let first = Overview::new(&nets.first, pixels, upright, view, others)?;
    let of_first = first.recognised();
    let Some(of_first) = of_first.filter(|r| *r < FAMILIAR) else {
        return Some(look_closer(&nets.first, first));
    };
    let second = in_own_stance(&nets.second, pixels, view, others)?;
    let better = |r: f64| r > of_first;
    Some(if second.recognised().is_some_and(better) {
        look_closer(&nets.second, second)
    } else {
        look_closer(&nets.first, first)
    })
}

/// The photo as one set of nets sees it, from the foot point that the shafts' common lean asks for, and in their own millimetres.
fn in_own_stance<'a>(
    nets: &Nets,
    pixels: &RgbImage,
    view: &View<'a>,
    others: &[FacePoint],
) -> Option<Overview<'a>> {
    let upright = Sight::new(view, 1.0, Vector2::zeros());
    let seen = Overview::new(nets, pixels, upright, view, others)?;
    let (unit, lean) = stance(nets, view, &seen);
    if unit > 1.0 || lean != Vector2::zeros() {
        let sight = Sight::new(view, unit, lean);
        return Overview::new(nets, pixels, sight, view, others);
    }
    Some(seen)
}

/// The likely candidates, put between their shafts' edges and looked at again.
fn look_closer<'a, 'n>(nets: &'n Nets, mut seen: Overview<'a>) -> (&'n Nets, Sight<'a>, Analysis) {
    let heat = HeatMap::new(&seen.map, &seen.scores);
    let mut candidates = std::mem::take(&mut seen.candidates);
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
            let edges = edges::Edges::new(&seen.photo, &seen.sight, c.peak.point, c.axis, common);
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
        move_onto(&mut candidate.peak, bar, seen.map.foot());
        seen.peaks[candidate.number] = candidate.peak.clone();
    }
    // now that the projected axes are known better, the candidate's own and its neighbours'
    let numbers = candidates.iter().map(|c| c.number).collect();
    candidates = seen.look_along(numbers, &|strip| strip::second_stage(&nets.strips, strip));
    (verdicts, probability, common) = weigh(&nets.model, &candidates);
    let length_mm = true_length(&verdicts, &probability, common);
    let found = Analysis {
        before,
        candidates,
        verdicts,
        probability,
        bars,
        length_mm,
        width_mm: width.map(|w| w + nets.model.width_bias_mm),
        heat,
    };
    (nets, seen.sight, found)
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
    let seen = analyse(BothNets::built_in()?, pixels, view, others);
    Ok(seen.map_or_else(Shafts::default, |(nets, sight, found)| {
        written_down(nets, view, &sight, found)
    }))
}

/// What is handed on of an analysis.
fn written_down(nets: &Nets, view: &View, sight: &Sight, mut found: Analysis) -> Shafts {
    let camera = sight.centre_mm();
    choose::explain_away(
        &found.candidates,
        &found.verdicts,
        &mut found.probability,
        sight.foot,
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
    let leans = found.leans(&nets.model, sight);
    let mut shafts: Vec<Shaft> = (0..found.candidates.len())
        .filter_map(|k| shaft(&nets.model, (view, sight), &found, k, kinds[k], leans[k]))
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
            entry: sight.called(c.peak.point),
            far: sight.called(choose::shown(c, v.length_mm, sight.foot, camera.z)),
            probability: k.0 + k.1,
        })
        .collect();
    let width = found
        .width_mm
        .map(|w| w * sight.unit)
        .filter(|_| shafts.iter().any(|s| s.confidence >= 0.5));
    Shafts {
        shafts,
        thickness_mm: width,
        candidates,
        heat: Some(found.heat.called(sight.unit)),
    }
}

/// How much further off along its course an entry may be when something stands before it.
const HIDDEN_BASE: f64 = 2.5;
/// Projected axes that show shorter than this on the face plane hide their own entry behind nock and vanes, mm.
const END_ON_MM: f64 = 25.0;
/// Another shaft hides an entry this near to its course, mm.
const HIDING_MM: f64 = 6.0;

impl Analysis {
    fn leans(&self, model: &model::Model, sight: &Sight) -> Vec<Lean> {
        let shown = |k: usize| lean::Shown {
            peak: &self.candidates[k].peak,
            verdict: &self.verdicts[k],
            probability: self.probability[k],
            edges: self.bars[k].is_some(),
        };
        let shown: Vec<lean::Shown> = (0..self.candidates.len()).map(shown).collect();
        let mut leans = lean::leans(
            &shown,
            self.length_mm,
            model.usual_length_mm,
            sight.foot,
            sight.distance_mm,
        );
        for lean in &mut leans {
            lean.right_rad += sight.lean.x.atan();
            lean.up_rad += sight.lean.y.atan();
        }
        leans
    }

    /// Whether another shaft, or the shaft's own tail, stands between the camera and the entry.
    fn base_is_hidden(&self, sight: &Sight, k: usize) -> bool {
        let (foot, distance) = (sight.foot, sight.distance_mm);
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
    (view, sight): (&View, &Sight),
    found: &Analysis,
    k: usize,
    kinds: (f64, f64),
    lean: Lean,
) -> Option<Shaft> {
    let (c, v, bar) = (&found.candidates[k], &found.verdicts[k], found.bars[k]);
    let entry = c.peak.point;
    let entry_px = sight.image_from_face(entry)?;
    let is_shaft = kinds.0 + kinds.1;
    let fletched = if is_shaft > 0.0 {
        kinds.0 / is_shaft
    } else {
        0.5
    };
    let (kind, kind_probability) = match fletched {
        _ if v.tail_seen < LEAST_TAIL => (ShaftKind::Unknown, 0.5),
        // surely a shaft, but of which kind is anyone's guess: better handed on as such than dropped
        f if is_shaft >= 0.5 && (is_shaft * f.max(1.0 - f) < 0.5 || !model.says_kind(f)) => {
            (ShaftKind::Unknown, 0.5)
        }
        f if f >= 0.5 => (ShaftKind::Fletched, f),
        f => (ShaftKind::Bare, 1.0 - f),
    };
    let confidence = match kind {
        ShaftKind::Unknown => is_shaft.min(MOST_OF_UNKNOWN),
        _ => is_shaft * kind_probability,
    };
    let along = peaks::away(entry, sight.foot);
    let across = nalgebra::Vector2::new(-along.y, along.x);
    let next = sight.image_from_face(FacePoint::new(entry.x + across.x, entry.y + across.y))?;
    let mm_per_px = 1.0 / entry_px.distance(next).max(1e-3);
    let (mut sd_along, sd_across) = model.entry_sd_mm(is_shaft, mm_per_px, bar.is_some());
    if found.base_is_hidden(sight, k) {
        sd_along *= HIDDEN_BASE;
    }
    let own_cov_mm2 = along * along.transpose() * sd_along.powi(2)
        + across * across.transpose() * sd_across.powi(2);
    let cov_mm2 = own_cov_mm2 * sight.unit.powi(2) + (view.point_cov_mm2)(entry_px);
    let nock = sight.project(entry.at_height(0.0) + c.axis * v.length_mm);
    Some(Shaft {
        entry: sight.called(entry),
        cov_mm2,
        entry_px,
        kind,
        kind_probability,
        confidence,
        lean: Some(lean),
        thickness_mm: bar.map(|b| (b.width_mm + model.width_bias_mm) * sight.unit),
        segment_px: nock.map(|n| [entry_px, n]),
    })
}

/// Names of the numbers that [`study`] gives.
#[doc(hidden)]
pub const FEATURES: [&str; 18] = [
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
];

/// What one photo's shafts look like from inside.
#[doc(hidden)]
pub struct Study {
    /// One row of [`FEATURES`] per candidate.
    pub rows: Vec<[f64; FEATURES.len()]>,
    /// What is handed on.
    pub shafts: Shafts,
    /// The face's millimetres in one of the shafts' own, and what they lean by on the whole, right and up.
    pub stance: [f64; 3],
}

/// Numbers behind the candidates of a photo, for fitting the model, and what is handed on with these nets.
#[doc(hidden)]
#[must_use]
pub fn study(nets: &BothNets, pixels: &RgbImage, view: &View) -> Option<Study> {
    let (nets, sight, found) = analyse(nets, pixels, view, &[])?;
    let row = |k: usize| {
        let (c, v, bar) = (&found.candidates[k], &found.verdicts[k], found.bars[k]);
        [
            c.peak.point.x * sight.unit,
            c.peak.point.y * sight.unit,
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
            found.before[k].x * sight.unit,
            found.before[k].y * sight.unit,
            bar.map_or(0.0, |b| b.strength),
            found.width_mm.unwrap_or(0.0),
            c.look.likeliest_mm(),
            v.tag,
        ]
    };
    let rows = (0..found.candidates.len()).map(row).collect();
    Some(Study {
        rows,
        stance: [sight.unit, sight.lean.x, sight.lean.y],
        shafts: written_down(nets, view, &sight, found),
    })
}

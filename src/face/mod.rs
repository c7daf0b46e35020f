//! The target face in the photo: where it is, and the camera that its rings give.
//!
//! [`fit()`] looks for the face by the order of its colours on a reduced copy (`find`), makes a first camera of what it
//! found (`start`), measures the rings' edges to a fraction of a pixel (`edges`) and fits lens and pose to all of them at
//! once (`fit`); what the rings can't show, which way is up, comes from elsewhere in the picture (`upright`).

mod acceptance;
mod centre_mark;
mod colour;
mod edges;
mod evidence;
mod find;
mod finish;
mod fit;
mod free_lens;
#[cfg(test)]
mod many_cameras;
mod notes;
mod patches;
pub mod pattern;
mod pencil;
mod print_model;
mod priors;
mod projection;
mod rays;
mod refine;
mod sheet;
pub mod spec;
mod start;
mod straight_edges;
mod upright;
mod weights;
mod white;

pub use edges::RingEdge;
pub use evidence::Evidence;
pub use fit::LensPrior;
pub use sheet::Sheet;
pub use upright::{Upright, UprightSource};
pub use white::white;

pub use notes::{FitRemark, FitRemarkKind};

use crate::geometry::camera::{Camera, CameraDelta, PARAMETERS, ROLL};
use crate::geometry::{FacePoint, ImagePoint};
use crate::imaging::pyramid::Pyramid;
use crate::math::count;
use crate::photo::Photo;
use colour::{LogColourCopy, PrintAppearance};
use nalgebra::{Matrix2, Matrix2x1, SMatrix};
use refine::Refiner;
use serde::{Deserialize, Serialize};
use spec::FaceSpec;
use start::SpotAssignment;
use thiserror::Error;

/// Covariance of [`CameraDelta`].
pub type CameraCovariance = SMatrix<f64, PARAMETERS, PARAMETERS>;

/// What a caller knows beyond the photo.
#[derive(Clone, Debug, Default)]
pub struct FitOptions {
    /// Take the face nearest to this point instead of the largest in the picture, px.
    pub near: Option<ImagePoint>,
    /// What is known of the lens, from a profile; without it EXIF and the usual priors are taken.
    pub lens: Option<LensPrior>,
    /// Two points marked by a person on a line that is vertical on the face, the lower first, px.
    pub vertical: Option<[ImagePoint; 2]>,
}

/// Where the focal length comes from; records name it so.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FocalSource {
    /// EXIF, the rings agreeing.
    Exif,
    /// The rings' own perspective.
    Rings,
    /// A lens profile.
    Profile,
    /// Nothing but what is usual.
    Assumed,
}

/// A face that was seen.
#[derive(Clone, Debug, PartialEq)]
pub struct FaceCandidate {
    /// Its middle in the picture, px.
    pub centre: ImagePoint,
    /// Number of spots seen.
    pub spots: usize,
    /// Size in the picture: pixels per millimetre at its middle, if it is the face that was named.
    pub px_per_mm: f64,
    /// Share of the colour boundaries seen, 0–1.
    pub support: f64,
}

/// The camera that the rings of a face give.
#[derive(Clone, Debug)]
pub struct FaceFit {
    /// Lens and pose.
    pub camera: Camera,
    /// Covariance of the camera's parameters ([`crate::geometry::camera::LN_F`] to [`crate::geometry::camera::TRANSLATION`]), scaled by the robust
    /// variance of the residuals. The roll stands apart: its variance is that of the upright, uncorrelated with the rest.
    pub covariance: CameraCovariance,
    /// Robust rms of the ring edges about the fit, px.
    pub fit_rms_px: f64,
    /// Which way is up, from what, how sure.
    pub upright: Upright,
    /// Where the focal length comes from.
    pub focal_from: FocalSource,
    /// Remarks.
    pub notes: Vec<FitRemark>,
    /// The ring edges that the fit rests on.
    pub edges: Vec<RingEdge>,
    /// All faces seen, the one taken first, then the largest (or the nearest to the point asked for).
    pub candidates: Vec<FaceCandidate>,
    /// How the paper stands off the face plane, where the rings show that it does by more than paper on a boss always does.
    pub sheet: Option<Sheet>,
    /// What speaks for the face; `None` where a person marked it.
    pub evidence: Option<Evidence>,
}

impl FaceFit {
    /// Covariance of the face point that a pixel shows, mm², from the camera alone; the roll is left out. Zero where the
    /// pixel shows no point of the face plane.
    #[must_use]
    pub fn point_cov_mm2(&self, px: ImagePoint) -> Matrix2<f64> {
        let Some((_, mut by)) = self.camera.face_with_jacobian(px) else {
            return Matrix2::zeros();
        };
        by.fill_column(ROLL, 0.0);
        let cov = by * self.covariance * by.transpose();
        (cov + cov.transpose()) * 0.5
    }

    /// Covariance of any face point that is a function of the camera (foot point, far end of a shaft), mm², by linear
    /// propagation; the roll is left out.
    #[must_use]
    pub fn cov_of(&self, point: impl Fn(&Camera) -> Option<FacePoint>) -> Matrix2<f64> {
        let mut columns = [Matrix2x1::zeros(); PARAMETERS];
        for (k, column) in columns.iter_mut().enumerate() {
            let sd = self.covariance[(k, k)].max(0.0).sqrt();
            if k == ROLL || sd <= 0.0 {
                continue;
            }
            let mut delta = CameraDelta::zeros();
            delta[k] = 0.5 * sd;
            let (up, down) = (
                point(&self.camera.retract(&delta)),
                point(&self.camera.retract(&-delta)),
            );
            let (Some(up), Some(down)) = (up, down) else {
                return Matrix2::zeros();
            };
            *column = Matrix2x1::new(up.x - down.x, up.y - down.y) / sd;
        }
        let mut cov = Matrix2::zeros();
        for (i, a) in columns.iter().enumerate() {
            for (j, b) in columns.iter().enumerate() {
                if i != ROLL && j != ROLL {
                    cov += a * b.transpose() * self.covariance[(i, j)];
                }
            }
        }
        (cov + cov.transpose()) * 0.5
    }
}

/// Why no face is accepted.
#[derive(Debug, Error)]
pub enum FaceError {
    /// The named face is not in the photo, or too little of it.
    #[error(
        "no {face} found: {seen}. Photograph the whole face with its rings free, and check that `--face` names it"
    )]
    NoFace {
        /// Name of the face looked for.
        face: String,
        /// What was seen instead.
        seen: String,
        /// What speaks for the likeliest place; `None` where nothing was worth a fit.
        evidence: Option<Evidence>,
        /// A face whose pattern the photo shows, where it is another.
        other: Option<&'static FaceSpec>,
    },
    /// The program's own calibration data is broken.
    #[error("the built-in calibration data cannot be read: build the program again")]
    Calibration,
}

/// Longer side of the picture in which faces are looked for, px: a 40 cm face from 5 m is still some 40 px wide.
const SEARCH_SIDE: u32 = 1000;
/// Places tried in turn until one is accepted: most that are none cost little.
const MAX_TRIED: usize = 16;
/// Faces wanted where all are: more don't hang on one boss in practice.
const MAX_FACES: usize = 8;
/// Least size of a large face in the picture, share of the largest one's: of two sizes side by side the smaller is seldom
/// smaller than that, nor is the far one on a wall that is seen from the side.
pub const LARGE_FACE_SHARE: f64 = 0.4;

/// What is known of a photo's lens beforehand: what the options state, else EXIF and what is usual. `None`: the built-in data
/// is broken.
#[must_use]
pub fn lens_prior(photo: &Photo, options: &FitOptions) -> Option<LensPrior> {
    let usual = || Some(priors::lens_prior(priors::priors()?, photo));
    options.lens.or_else(usual)
}

/// What a person should know of a fit, however it was made.
#[must_use]
pub fn remarks(fit: &FaceFit, photo: &Photo, spec: &FaceSpec) -> Vec<FitRemark> {
    notes::notes(fit, photo, spec, &[], false)
}

/// Finds the face that `spec` describes and fits the camera to its rings.
///
/// # Errors
/// [`FaceError::NoFace`] when no place in the photo has the evidence that accepting the face asks for.
pub fn fit(photo: &Photo, spec: &FaceSpec, options: &FitOptions) -> Result<FaceFit, FaceError> {
    let one = Effort {
        most: 1,
        ..Effort::FULL
    };
    let mut fits = accepted(&Copies::of(photo), spec, options, &one)?;
    Ok(fits.swap_remove(0))
}

/// Finds every face that `spec` describes, the largest in the picture (or the nearest to the point asked for) first.
///
/// # Errors
/// As [`fit()`]: never an empty list.
pub fn fit_all(
    photo: &Photo,
    spec: &FaceSpec,
    options: &FitOptions,
) -> Result<Vec<FaceFit>, FaceError> {
    let copies = Copies::of(photo);
    let found = accepted(&copies, spec, options, &Effort::FULL).map_err(|error| match error {
        FaceError::NoFace {
            face,
            seen,
            evidence,
            other,
        } => FaceError::NoFace {
            face,
            seen,
            evidence,
            // one spot of several looks like a face of one centre: the layout is looked for as well
            other: pattern::instead_of(&copies, spec, options).or(other),
        },
        FaceError::Calibration => FaceError::Calibration,
    })?;
    let mut fits: Vec<FaceFit> = Vec::new();
    for fit in found {
        if !fits.iter().any(|f| same_place(f, &fit, spec)) {
            fits.push(fit);
        }
    }
    Ok(fits)
}

/// Whether two fits stand on one face.
fn same_place(a: &FaceFit, b: &FaceFit, spec: &FaceSpec) -> bool {
    let middle = b.camera.image_from_face(FacePoint::default());
    middle
        .and_then(|p| a.camera.face_from_image(p))
        .is_some_and(|p| p.distance(FacePoint::default()) < spec.outer_radius_mm())
}

/// A photo with its reduced copies: made once for all faces that are looked for in it.
struct Copies<'a> {
    photo: &'a Photo,
    /// The copy in which faces are looked for.
    reduced: LogColourCopy,
    /// The copies on which they are measured.
    pyramid: Pyramid<'a>,
}

impl<'a> Copies<'a> {
    fn of(photo: &'a Photo) -> Self {
        Self {
            photo,
            reduced: LogColourCopy::new(&photo.pixels, SEARCH_SIDE),
            pyramid: Pyramid::new(&photo.pixels),
        }
    }
}

/// How hard faces are looked for.
struct Effort {
    /// Look on a copy of half the size.
    halved: bool,
    /// Appearances of the print that are tried in turn.
    appearances: &'static [PrintAppearance],
    /// Faces wanted.
    most: usize,
}

impl Effort {
    const FULL: Self = Self {
        halved: false,
        appearances: &colour::PRINT_APPEARANCES,
        most: MAX_FACES,
    };
    /// For reading the pattern of a photo: of several faces one is enough, and a small copy shows it.
    const PATTERN: Self = Self {
        halved: true,
        appearances: &[colour::PRINT_APPEARANCES[1]],
        most: 1,
    };
}

/// Faces that are accepted, the largest or the nearest to the point asked for first; at least one.
fn accepted(
    copies: &Copies,
    spec: &FaceSpec,
    options: &FitOptions,
    effort: &Effort,
) -> Result<Vec<FaceFit>, FaceError> {
    let photo = copies.photo;
    let priors = priors::priors().ok_or(FaceError::Calibration)?;
    let print_model = print_model::print_model(spec).ok_or(FaceError::Calibration)?;
    let prior = options
        .lens
        .unwrap_or_else(|| priors::lens_prior(priors, photo));
    let lens = crate::geometry::camera::Lens {
        f_px: prior.f_px,
        cx_px: prior.cx_px,
        cy_px: prior.cy_px,
        k1: prior.k1,
        k2: prior.k2,
    };
    let reduced = if effort.halved {
        copies.reduced.halved()
    } else {
        &copies.reduced
    };
    let (mut seen, mut best) = (None, Vec::new());
    for appearance in effort.appearances {
        let search = find::find(reduced, spec, *appearance);
        let mut spot_assignments =
            start::spot_assignments(&search.spots, spec, lens, (photo.width, photo.height));
        let size = |assignment: &SpotAssignment| candidate(assignment, &search.spots).px_per_mm;
        let largest = spot_assignments.iter().map(size).fold(0.0, f64::max);
        let target = options
            .near
            .unwrap_or(ImagePoint::new(prior.cx_px, prior.cy_px));
        let rank = |assignment: &SpotAssignment| {
            let small = options.near.is_none() && size(assignment) < LARGE_FACE_SHARE * largest;
            (
                small,
                crate::math::round_i64(assignment.centre.distance(target)),
            )
        };
        spot_assignments.sort_by_cached_key(rank);
        let task = Refiner {
            photo,
            pyramid: &copies.pyramid,
            spec,
            print_model: &print_model,
            priors,
            prior,
            from_profile: options.lens.is_some(),
            factor: reduced.factor,
        };
        let mut fits = Vec::new();
        let mut refusals = Vec::new();
        for (i, assignment) in spot_assignments.iter().enumerate().take(MAX_TRIED) {
            if fits.len() == effort.most {
                break;
            }
            match task.refine(&search.spots, assignment) {
                Ok(refined) => {
                    let mut order: Vec<&SpotAssignment> = vec![assignment];
                    order.extend(
                        spot_assignments
                            .iter()
                            .enumerate()
                            .filter(|(j, _)| *j != i)
                            .map(|(_, l)| l),
                    );
                    let candidates = order.iter().map(|l| candidate(l, &search.spots)).collect();
                    let evidence = refined.evidence;
                    let fit = task.finish(refined, assignment, candidates, options);
                    match pattern::better(&copies.pyramid, spec, &fit) {
                        Some(seen) => refusals.push(Refusal::OtherPattern { evidence, seen }),
                        None => fits.push(fit),
                    }
                }
                Err(refusal) => refusals.push(refusal),
            }
        }
        if most_spots(&fits) > most_spots(&best) {
            best = fits;
        }
        // two spots of three may be seen where the third needs another look of the print
        if most_spots(&best) >= spec.spots_mm.len() {
            return Ok(best);
        }
        // the likeliest place first; what was seen at full contrast says more
        refusals.sort_by(|a, b| b.nats().total_cmp(&a.nats()));
        let evidence = refusals.iter().find_map(Refusal::evidence);
        let other = refusals.iter().find_map(|r| match r {
            Refusal::OtherPattern { seen, .. } => Some(*seen),
            _ => None,
        });
        seen.get_or_insert_with(|| (what_was_seen(&search, spec, &refusals), evidence, other));
    }
    if !best.is_empty() {
        return Ok(best);
    }
    let (seen, evidence, other) = seen.unwrap_or_default();
    Err(FaceError::NoFace {
        face: spec.name.clone(),
        seen,
        evidence,
        other,
    })
}

/// The most spots of one face among some fits.
fn most_spots(fits: &[FaceFit]) -> usize {
    let spots = fits.iter().filter_map(|f| f.candidates.first());
    spots.map(|c| c.spots).max().unwrap_or(0)
}

fn candidate(assignment: &SpotAssignment, spots: &[find::Spot]) -> FaceCandidate {
    let members: Vec<&find::Spot> = assignment
        .members
        .iter()
        .flatten()
        .map(|i| &spots[*i])
        .collect();
    let n = count(members.len().max(1));
    FaceCandidate {
        centre: assignment.centre,
        spots: members.len(),
        px_per_mm: members.iter().map(|s| s.px_per_mm()).sum::<f64>() / n,
        support: members.iter().map(|s| s.support).sum::<f64>() / n,
    }
}

fn what_was_seen(search: &find::SpotSearch, spec: &FaceSpec, refusals: &[Refusal]) -> String {
    if let Some(refusal) = refusals.first() {
        return refusal.words();
    }
    if !search.spots.is_empty() {
        return format!(
            "{} single spot(s) seen, but not {} in the face's layout",
            search.spots.len(),
            spec.spots_mm.len()
        );
    }
    let steps: Vec<_> = spec
        .boundaries()
        .into_iter()
        .filter(|b| !b.is_line())
        .collect();
    match &search.near_miss {
        Some(shares) => {
            let parts: Vec<String> = steps
                .iter()
                .zip(shares)
                .map(|(b, s)| {
                    format!(
                        "{:?} to {:?} on {:.0} % of the rays",
                        b.inside,
                        b.outside,
                        100.0 * s
                    )
                })
                .collect();
            format!("the best place shows {}", parts.join(", ").to_lowercase())
        }
        None => format!(
            "{} patches of its colours looked at, none with its rings around it",
            search.patches
        ),
    }
}

/// Why a place isn't taken for the face.
enum Refusal {
    /// Too few edges where its rings should be.
    NoEdges,
    /// Too small in the picture.
    TooSmall { width_px: f64 },
    /// The face explains what is seen there hardly better than anything else.
    Unlikely { evidence: Evidence },
    /// No line between zones of one colour, where some would show.
    NoLines { evidence: Evidence },
    /// Another pattern explains it better.
    OtherPattern {
        evidence: Evidence,
        seen: &'static FaceSpec,
    },
}

impl Refusal {
    const fn evidence(&self) -> Option<Evidence> {
        match self {
            Self::Unlikely { evidence }
            | Self::NoLines { evidence }
            | Self::OtherPattern { evidence, .. } => Some(*evidence),
            Self::NoEdges | Self::TooSmall { .. } => None,
        }
    }

    fn nats(&self) -> f64 {
        self.evidence().map_or(f64::NEG_INFINITY, |e| e.total())
    }

    fn words(&self) -> String {
        match self {
            Self::NoLines { .. } => {
                "discs in its colours seen, without the lines between the zones".to_owned()
            }
            Self::OtherPattern { seen, .. } => pattern::words(seen),
            Self::NoEdges => "something round seen, but neither its colours nor its edges are those of the rings"
                .to_owned(),
            Self::TooSmall { width_px } => format!(
                "rings in its colours seen, but only {width_px:.0} px wide, too small to tell what they are; go nearer"
            ),
            Self::Unlikely { evidence } if evidence.margin() >= 0.0 => {
                "something round in its colours seen, but fewer than two of its changes of colour on a quarter of the way round"
                    .to_owned()
            }
            Self::Unlikely { evidence } => format!(
                "something round in its colours seen, but it hardly looks more like the face than anything else does ({:.0} of the {:.0} nats asked for)",
                evidence.total(),
                evidence.required_nats()
            ),
        }
    }
}

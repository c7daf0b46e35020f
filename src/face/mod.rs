//! The target face in the photo: where it is, and the camera that its rings give.
//!
//! [`fit()`] looks for the face by the order of its colours on a reduced copy (`find`), makes a first camera of what it
//! found (`start`), measures the rings' edges to a fraction of a pixel (`edges`) and fits lens and pose to all of them at
//! once (`fit`); what the rings can't show, which way is up, comes from elsewhere in the picture (`upright`).

mod centre_mark;
mod colour;
mod edges;
mod find;
mod fit;
#[cfg(test)]
mod many_cameras;
mod marks;
mod notes;
mod paper;
mod priors;
pub mod spec;
mod start;
mod upright;
mod white;
mod zones;

pub use edges::RingEdge;
pub(crate) use edges::sample as linear_light;
pub use fit::LensPrior;
pub use upright::{Upright, UprightSource};
pub use white::white;

use crate::camera::{Camera, CameraDelta, LN_F, PARAMETERS, ROLL};
use crate::numeric::{SD_FROM_MAD, count, median, robust_sd_about_zero};
use crate::photo::Photo;
use crate::units::{FacePoint, ImagePoint};
use colour::Reduced;
use fit::{Fitted, Print, Weighed};
use marks::Marks;
use nalgebra::{Matrix2, Matrix2x1, SMatrix};
use priors::Priors;
use serde::{Deserialize, Serialize};
use spec::FaceSpec;
use start::Layout;
use thiserror::Error;

/// Covariance of [`CameraDelta`].
pub type CameraCovariance = SMatrix<f64, PARAMETERS, PARAMETERS>;

/// What a caller knows beyond the photo.
#[derive(Clone, Debug, Default)]
pub struct FitOptions {
    /// Take the face nearest to this point instead of the one nearest to the picture's middle, px.
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

/// A remark about a fit: a code for programs and a sentence for people.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    /// Short code in kebab case.
    pub code: &'static str,
    /// What it means and what to do.
    pub text: String,
}

/// A face that was seen.
#[derive(Clone, Debug, PartialEq)]
pub struct Candidate {
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
    /// Covariance of the camera's parameters ([`crate::camera::LN_F`] to [`crate::camera::SHIFT`]), scaled by the robust
    /// variance of the residuals. The roll stands apart: its variance is that of the upright, uncorrelated with the rest.
    pub covariance: CameraCovariance,
    /// Robust rms of the ring edges about the fit, px.
    pub fit_rms_px: f64,
    /// Which way is up, from what, how sure.
    pub upright: Upright,
    /// Where the focal length comes from.
    pub focal_from: FocalSource,
    /// Remarks.
    pub notes: Vec<Note>,
    /// The ring edges that the fit rests on.
    pub edges: Vec<RingEdge>,
    /// All faces seen, the one taken first, then by distance from the picture's middle (or the point asked for).
    pub candidates: Vec<Candidate>,
    /// Radial offset of each boundary from its nominal radius, mm, in the order of [`FaceSpec::boundaries`].
    pub offsets_mm: Vec<f64>,
}

impl FaceFit {
    /// The camera moved by `delta`, for propagating [`covariance`](Self::covariance) into anything that depends on it.
    #[must_use]
    pub fn camera_at(&self, delta: &CameraDelta) -> Camera {
        self.camera.moved(delta)
    }

    /// Covariance of the face point that a pixel shows, mm², from the camera alone; the roll is left out. Zero where the
    /// pixel shows no point of the face plane.
    #[must_use]
    pub fn point_cov_mm2(&self, px: ImagePoint) -> Matrix2<f64> {
        let Some((_, mut by)) = self.camera.face_with_derivatives(px) else {
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
                point(&self.camera.moved(&delta)),
                point(&self.camera.moved(&-delta)),
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

/// Why no face is believed.
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
    },
    /// The program's own calibration data is broken.
    #[error("the built-in calibration data cannot be read: build the program again")]
    Calibration,
}

/// Longer side of the picture in which faces are looked for, px: a 40 cm face from 5 m is still some 40 px wide.
const SEARCH_SIDE: u32 = 1000;
/// Faces tried in turn until one is believed.
const MOST_TRIED: usize = 4;
/// Faces tried where all are wanted: more don't hang on one boss in practice.
const MOST_OF_ALL_TRIED: usize = 8;

/// What is known of a photo's lens beforehand: what the options tell, else EXIF and what is usual. `None`: the built-in data
/// is broken.
#[must_use]
pub fn lens_prior(photo: &Photo, options: &FitOptions) -> Option<LensPrior> {
    let usual = || Some(priors::lens_prior(priors::priors()?, photo));
    options.lens.or_else(usual)
}

/// What a person should know of a fit, however it was made.
#[must_use]
pub fn remarks(fit: &FaceFit, photo: &Photo, spec: &FaceSpec) -> Vec<Note> {
    notes::notes(fit, photo, spec, &[], false)
}

/// Finds the face that `spec` describes and fits the camera to its rings.
///
/// # Errors
/// [`FaceError::NoFace`] when nothing in the photo can be believed to be that face.
pub fn fit(photo: &Photo, spec: &FaceSpec, options: &FitOptions) -> Result<FaceFit, FaceError> {
    let mut fits = believed(photo, spec, options, MOST_TRIED, 1)?;
    Ok(fits.swap_remove(0))
}

/// Finds every face that `spec` describes, the nearest to the picture's middle (or the point asked for) first.
///
/// # Errors
/// As [`fit()`]: never an empty list.
pub fn fit_all(
    photo: &Photo,
    spec: &FaceSpec,
    options: &FitOptions,
) -> Result<Vec<FaceFit>, FaceError> {
    let mut fits: Vec<FaceFit> = Vec::new();
    for fit in believed(photo, spec, options, MOST_OF_ALL_TRIED, MOST_OF_ALL_TRIED)? {
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

/// Up to `most` faces that are believed, of the `tried` nearest to the target; at least one.
fn believed(
    photo: &Photo,
    spec: &FaceSpec,
    options: &FitOptions,
    tried: usize,
    most: usize,
) -> Result<Vec<FaceFit>, FaceError> {
    let priors = priors::priors().ok_or(FaceError::Calibration)?;
    let marks = marks::marks(spec).ok_or(FaceError::Calibration)?;
    let prior = options
        .lens
        .unwrap_or_else(|| priors::lens_prior(priors, photo));
    let lens = crate::camera::Lens {
        f_px: prior.f_px,
        cx_px: prior.cx_px,
        cy_px: prior.cy_px,
        k1: prior.k1,
        k2: prior.k2,
    };
    let reduced = Reduced::new(&photo.pixels, SEARCH_SIDE);
    let target = options
        .near
        .unwrap_or(ImagePoint::new(prior.cx_px, prior.cy_px));
    let mut seen = None;
    for contrast in colour::CONTRASTS {
        let search = find::find(&reduced, spec, contrast);
        let mut layouts = start::layouts(&search.spots, spec, lens, (photo.width, photo.height));
        layouts.sort_by(|a, b| {
            a.centre
                .distance(target)
                .total_cmp(&b.centre.distance(target))
        });
        let task = Task {
            photo,
            spec,
            marks: &marks,
            priors,
            prior,
            from_profile: options.lens.is_some(),
            factor: reduced.factor,
            contrast,
        };
        let mut fits = Vec::new();
        let mut doubts = Vec::new();
        for (i, layout) in layouts.iter().enumerate().take(tried) {
            if fits.len() == most {
                break;
            }
            match task.refine(&search.spots, layout) {
                Ok(refined) => {
                    let mut order: Vec<&Layout> = vec![layout];
                    order.extend(
                        layouts
                            .iter()
                            .enumerate()
                            .filter(|(j, _)| *j != i)
                            .map(|(_, l)| l),
                    );
                    let candidates = order.iter().map(|l| candidate(l, &search.spots)).collect();
                    fits.push(task.finish(refined, layout, candidates, options));
                }
                Err(doubt) => doubts.push(doubt),
            }
        }
        if !fits.is_empty() {
            return Ok(fits);
        }
        // what was seen at full contrast says more
        seen.get_or_insert_with(|| what_was_seen(&search, spec, &doubts));
    }
    Err(FaceError::NoFace {
        face: spec.name.clone(),
        seen: seen.unwrap_or_default(),
    })
}

fn candidate(layout: &Layout, spots: &[find::Spot]) -> Candidate {
    let members: Vec<&find::Spot> = layout
        .members
        .iter()
        .flatten()
        .map(|i| &spots[*i])
        .collect();
    let n = count(members.len().max(1));
    Candidate {
        centre: layout.centre,
        spots: members.len(),
        px_per_mm: members.iter().map(|s| s.px_per_mm()).sum::<f64>() / n,
        support: members.iter().map(|s| s.support).sum::<f64>() / n,
    }
}

fn what_was_seen(search: &find::Search, spec: &FaceSpec, doubts: &[String]) -> String {
    if let Some(doubt) = doubts.first() {
        return doubt.clone();
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

struct Task<'a> {
    photo: &'a Photo,
    spec: &'a FaceSpec,
    marks: &'a Marks,
    priors: &'a Priors,
    prior: LensPrior,
    from_profile: bool,
    /// Pixels of the photo per pixel of the reduced picture.
    factor: f64,
    /// Share of the print's contrast with which the face was found.
    contrast: f32,
}

struct Refined {
    fitted: Fitted,
    edges: Vec<RingEdge>,
    /// For each boundary the share of places in the picture at which it was seen where the fit has it.
    seen: Vec<f64>,
    rms_px: f64,
    prior: LensPrior,
    /// The focal length of EXIF was set aside.
    freed: bool,
    /// The middle of the picture isn't that of the lens.
    cropped: bool,
}

/// Half lengths of the search along the normals, px, in turn; the first is at least this many pixels of the reduced picture.
const REACHES_PX: [f64; 4] = [12.0, 8.0, 6.0, 5.0];
const FIRST_REACH_REDUCED: f64 = 2.5;
/// Standard deviation of an edge on the reduced picture, px there.
const COARSE_SD: f64 = 0.7;
/// Standard deviation of an edge before residuals tell, px.
const FIRST_SD_PX: f64 = 1.5;
/// Two fits are told apart when their residuals differ by this factor.
const UNDECIDED: f64 = 1.3;
/// Scatter about a ring that is beyond doubt, px: that of faces small in the picture, at most 0.23 on photos with known truth.
/// In larger ones the paper's waves show, up to [`BESIDE_MM`]. Edges found where no ring is scatter all over the search.
const SMOOTH_PX: f64 = 0.32;
/// Least share of the way round on which each change of colour but the innermost must be seen, and the mean of all.
const LEAST_STEP_SEEN: f64 = 0.3;
const LEAST_STEPS_SEEN: f64 = 0.45;
/// A printed line beside a change of colour may be taken for it: an edge this far off still shows that the ring is there, mm.
const BESIDE_MM: f64 = 1.5;
/// Width that printed lines have at least in practice, mm, and the width in the picture from which they must show, px: even
/// there half of them are seen in photos with known truth.
const LINE_MM: f64 = 0.8;
const LINE_SHOWS_PX: f64 = 0.12;
/// Below this many px per mm shafts can't be seen, nor a face be told from other rings.
const SMALLEST_PX_PER_MM: f64 = 0.08;
/// Least share of the way round on which printed lines must be seen, mean of all.
const LEAST_LINES_SEEN: f64 = 0.2;
/// Smallest standard deviation that an edge is believed to have, px.
const LEAST_SD_PX: f64 = 0.08;
/// Edges of one ring err together (waves of the paper, the lens): a ring counts as at most this many independent ones.
const INDEPENDENT_PER_RING: f64 = 8.0;
/// The rings pull the focal length away from EXIF's by this many of its standard deviations before they are asked alone.
const PULLED: f64 = 1.0;
/// With the lens's middle free the rings must scatter less than this part of what they do without, to be believed.
const SMOOTHED: f64 = 0.5;
/// Difference between the focal lengths of the rings and of EXIF, in standard deviations, that is no chance.
const CONTRADICTED: f64 = 3.0;
/// Residuals beyond this many standard deviations are no edges of the ring.
const OUTLIER_SD: f64 = 4.0;

impl Task<'_> {
    /// The best camera for one face, or why it isn't one.
    fn refine(&self, spots: &[find::Spot], layout: &Layout) -> Result<Refined, String> {
        let coarse: Vec<Weighed> = layout
            .members
            .iter()
            .enumerate()
            .filter_map(|(centre, member)| Some((centre, &spots[(*member)?])))
            .flat_map(|(spot, found)| {
                let px_per_mm = found.px_per_mm();
                found.edges.iter().map(move |e| Weighed {
                    edge: RingEdge {
                        at: e.at,
                        spot,
                        boundary: e.boundary,
                        line: false,
                        px_per_mm,
                    },
                    sd_px: COARSE_SD * self.factor,
                    share: 1.0,
                })
            })
            .collect();
        let best = self
            .best(&coarse, layout, self.prior)
            .ok_or("rings seen, but their edges can't be measured")?;
        // a focal length that is wrong bends the rings: they are judged without it
        let best = self.freed(&best).unwrap_or(best);
        if let Some(free) = self.uncentred(&coarse, layout, &best) {
            return Ok(free);
        }
        self.check(&best)?;
        Ok(best)
    }

    /// The best camera from edges on the reduced picture.
    fn best(&self, coarse: &[Weighed], layout: &Layout, prior: LensPrior) -> Option<Refined> {
        let mut starts: Vec<Fitted> = layout
            .cameras
            .iter()
            .map(|c| {
                let print = Print::expected(self.marks);
                fit::fit(*c, prior, self.spec, self.marks, coarse, &print, 40)
            })
            .collect();
        starts.sort_by(|a, b| a.cost.total_cmp(&b.cost));
        // several spots give as many starts that come to the same
        let mut distinct: Vec<Fitted> = Vec::new();
        for start in starts {
            if !distinct
                .iter()
                .any(|d| self.is_same(&d.camera, &start.camera))
            {
                distinct.push(start);
            }
        }
        // a face turned one way or the other looks alike to first order: let full-size edges decide
        let mut refined: Vec<Refined> = distinct
            .into_iter()
            .filter_map(|s| self.sharpen(s, prior, 0..2))
            .collect();
        refined.sort_by(|a, b| a.rms_px.total_cmp(&b.rms_px));
        let limit = UNDECIDED * refined.first().map_or(0.0, |r| r.rms_px);
        let mut refined: Vec<Refined> = refined
            .into_iter()
            .filter(|r| r.rms_px <= limit)
            .filter_map(|r| self.sharpen(r.fitted, prior, 2..REACHES_PX.len()))
            .collect();
        refined.sort_by(|a, b| a.rms_px.total_cmp(&b.rms_px));
        refined.into_iter().next()
    }

    /// The fit of a picture that was cut out of a larger one, so that the lens's middle isn't its own: where rings that scatter
    /// with the middle held lie on the fit with it free.
    fn uncentred(&self, coarse: &[Weighed], layout: &Layout, held: &Refined) -> Option<Refined> {
        let focal = (held.fitted.camera.lens.f_px / self.prior.f_px).ln().abs();
        // a lens that isn't the expected one can make good for a part of it
        let least = if held.freed || focal > PULLED * self.prior.ln_f_sd {
            SMOOTH_PX
        } else {
            notes::ROUGH_PX
        };
        if self.from_profile || held.rms_px < least {
            return None;
        }
        let prior = LensPrior {
            ln_f_sd: self.priors.focal.without_exif_ln_sd,
            c_sd_px: self.priors.principal_point.cropped_sd_of_width
                * f64::from(self.photo.width.max(self.photo.height)),
            ..self.prior
        };
        let free = self.best(coarse, layout, prior)?;
        (free.rms_px < SMOOTHED * held.rms_px && self.check(&free).is_ok()).then_some(Refined {
            freed: true,
            cropped: true,
            ..free
        })
    }

    /// Whether two cameras see the face alike, to less than a pixel of the reduced picture.
    fn is_same(&self, a: &Camera, b: &Camera) -> bool {
        let r = self.spec.reach_mm();
        [(r, 0.0), (0.0, r), (-r, 0.0), (0.0, -r)]
            .into_iter()
            .all(|(x, y)| {
                let p = FacePoint::new(x, y);
                let seen = a.image_from_face(p).zip(b.image_from_face(p));
                seen.is_some_and(|(a, b)| a.distance(b) < 0.5 * self.factor)
            })
    }

    /// The fit without the focal length of EXIF, where the rings by themselves contradict that.
    fn freed(&self, held: &Refined) -> Option<Refined> {
        let told = self.photo.focal_from_exif_px()?;
        let off = |r: &Refined| (r.fitted.camera.lens.f_px / told).ln().abs();
        if self.from_profile || off(held) < PULLED * self.prior.ln_f_sd {
            return None;
        }
        let prior = LensPrior {
            ln_f_sd: self.priors.focal.without_exif_ln_sd,
            ..self.prior
        };
        let last = REACHES_PX.len() - 1..REACHES_PX.len();
        let free = self.sharpen(held.fitted.clone(), prior, last)?;
        let by_rings = fit::camera_covariance(&free.fitted)[(LN_F, LN_F)].sqrt();
        (off(&free) > CONTRADICTED * by_rings.hypot(self.prior.ln_f_sd)).then_some(Refined {
            freed: true,
            ..free
        })
    }

    /// Measures edges around a camera and fits again, with a shorter search each time.
    fn sharpen(
        &self,
        start: Fitted,
        mut prior: LensPrior,
        rounds: std::ops::Range<usize>,
    ) -> Option<Refined> {
        let mut fitted = start;
        let mut out = None;
        for round in rounds {
            let reach = REACHES_PX.get(round).copied().unwrap_or(4.0);
            let reach_px = if round == 0 {
                reach.max(FIRST_REACH_REDUCED * self.factor)
            } else {
                reach
            };
            let how = edges::Search {
                reach_px,
                lines: round > 0,
            };
            let edges::Found {
                edges: found,
                looked,
                sharp,
            } = edges::search(&self.photo.pixels, &fitted.camera, self.spec, how);
            if found.len() < 3 * PARAMETERS {
                return None;
            }
            if !self.from_profile {
                prior = self.with_radial(prior, fitted.camera.lens.f_px);
            }
            let marks = self.marks.where_sharp(&sharp);
            let mut sd = vec![FIRST_SD_PX; self.spec.boundaries().len()];
            for _ in 0..2 {
                let weighed = weigh(&found, &sd);
                fitted = fit::fit(
                    fitted.camera,
                    prior,
                    self.spec,
                    &marks,
                    &weighed,
                    &fitted.print,
                    15,
                );
                sd = spread(&found, &fitted.residuals_px, sd.len());
            }
            out = Some((found, sd, looked));
        }
        let (found, sd, looked) = out?;
        let rms_px = robust_sd_about_zero(&fitted.residuals_px);
        let kept = found
            .iter()
            .zip(&fitted.residuals_px)
            .filter(|(e, r)| r.abs() < OUTLIER_SD * sd[e.boundary]);
        let edges: Vec<RingEdge> = kept.map(|(e, _)| *e).collect();
        let near = |(e, r): &(&RingEdge, &f64)| {
            r.abs() < (OUTLIER_SD * sd[e.boundary]).max(BESIDE_MM * e.px_per_mm)
        };
        let seen_edges: Vec<&RingEdge> = found
            .iter()
            .zip(&fitted.residuals_px)
            .filter(near)
            .map(|(e, _)| e)
            .collect();
        let on = |b: usize| count(seen_edges.iter().filter(|e| e.boundary == b).count());
        let seen = looked
            .iter()
            .enumerate()
            .map(|(b, n)| on(b) / count((*n).max(1)))
            .collect();
        Some(Refined {
            fitted,
            edges,
            seen,
            rms_px,
            prior,
            freed: false,
            cropped: false,
        })
    }

    fn with_radial(&self, prior: LensPrior, f_px: f64) -> LensPrior {
        // EXIF says which lens it was; without it, or where it was set aside, the rings do
        let told = self.photo.focal_from_exif_px();
        let f_px = told
            .filter(|_| prior.ln_f_sd <= self.prior.ln_f_sd)
            .unwrap_or(f_px);
        let t = priors::radial(self.priors, priors::equivalent_mm(self.photo, f_px));
        LensPrior {
            k1: t.k1,
            k1_sd: t.k1_sd,
            k2: t.k2,
            k2_sd: t.k2_sd,
            ..prior
        }
    }

    /// Whether the rings are those of the face.
    fn check(&self, refined: &Refined) -> Result<(), String> {
        let boundaries = self.spec.boundaries();
        let share = |lines: bool| -> Vec<f64> {
            let of_kind = boundaries
                .iter()
                .zip(&refined.seen)
                .filter(|(b, _)| b.is_line() == lines);
            of_kind.map(|(_, s)| *s).collect()
        };
        let (steps, lines) = (share(false), share(true));
        let mean = |v: &[f64]| v.iter().sum::<f64>() / count(v.len().max(1));
        // shafts in the middle may hide the innermost boundary where there are three or more
        let must = steps
            .get(usize::from(steps.len() > 2)..)
            .unwrap_or_default();
        if mean(&steps) < LEAST_STEPS_SEEN || must.iter().any(|s| *s < LEAST_STEP_SEEN) {
            return Err(format!(
                "rings in its colours seen, but their edges lie on them only for {:.0} % of the way round",
                100.0 * mean(&steps)
            ));
        }
        let px_per_mm = Self::px_per_mm(refined);
        if px_per_mm < SMALLEST_PX_PER_MM {
            return Err(format!(
                "rings in its colours seen, but only {:.0} px wide, too small to tell what they are; go nearer",
                2.0 * self.spec.outer_radius_mm() * px_per_mm
            ));
        }
        let (judged, wrong) = zones::wrong_pairs(
            &self.photo.pixels,
            &refined.fitted.camera,
            self.spec,
            px_per_mm,
            self.contrast,
        );
        if judged > 0 && 3 * wrong >= judged {
            return Err(format!(
                "rings seen, but {wrong} of {judged} neighbouring zones have other colours than the face's"
            ));
        }
        if refined.rms_px > SMOOTH_PX.max(BESIDE_MM * px_per_mm) {
            return Err(format!(
                "rings in its colours seen, but what lies along them is scattered by {:.1} px, as where there is no ring",
                refined.rms_px
            ));
        }
        let line_px = LINE_MM * px_per_mm;
        if !lines.is_empty() && line_px > LINE_SHOWS_PX && mean(&lines) < LEAST_LINES_SEEN {
            return Err(
                "discs in its colours seen, without the lines between the zones".to_owned(),
            );
        }
        Ok(())
    }

    fn px_per_mm(refined: &Refined) -> f64 {
        let mut scales: Vec<f64> = refined.edges.iter().map(|e| e.px_per_mm).collect();
        median(&mut scales)
    }

    fn finish(
        &self,
        refined: Refined,
        layout: &Layout,
        candidates: Vec<Candidate>,
        options: &FitOptions,
    ) -> FaceFit {
        let Refined {
            fitted,
            edges,
            seen: _,
            rms_px,
            prior,
            freed,
            cropped,
        } = refined;
        let mut covariance = fit::camera_covariance(&fitted);
        let marked = options
            .vertical
            .and_then(|ends| upright::from_person(&fitted.camera, ends, &self.priors.upright));
        let upright::Joined { roll: up, against } =
            self.upright(&fitted.camera, covariance[(ROLL, ROLL)], marked);
        let camera = upright::rolled(&fitted.camera, up.turn_rad);
        covariance = turned(&covariance, up.turn_rad, up.upright.sd_rad);
        let focal_from = if self.from_profile {
            FocalSource::Profile
        } else if self.photo.exif.focal_35mm.is_some() && !freed {
            FocalSource::Exif
        } else if covariance[(LN_F, LN_F)].sqrt() < 0.5 * prior.ln_f_sd {
            FocalSource::Rings
        } else {
            FocalSource::Assumed
        };
        let mut fit = FaceFit {
            camera,
            covariance,
            fit_rms_px: rms_px,
            upright: up.upright,
            focal_from,
            notes: Vec::new(),
            edges,
            candidates,
            offsets_mm: fitted.print.offsets_mm,
        };
        fit.notes = notes::notes(&fit, self.photo, self.spec, &against, freed);
        fit.notes.extend(notes::spots_missing(&layout.members));
        if cropped {
            fit.notes.push(notes::cropped());
        }
        if options.vertical.is_some() && marked.is_none() {
            fit.notes.push(notes::marks_too_near());
        }
        fit
    }

    /// Every source of the upright that the photo has, the most trusted first, joined where they agree.
    fn upright(
        &self,
        camera: &Camera,
        roll_variance: f64,
        marked: Option<upright::Roll>,
    ) -> upright::Joined {
        let trust = &self.priors.upright;
        let held = upright::from_camera(camera, trust);
        if self.spec.spots_mm.len() > 1 {
            // the spots stand where the layout has them, whatever anybody says of up
            let layout = upright::Roll {
                turn_rad: 0.0,
                upright: Upright {
                    from: UprightSource::Layout,
                    sd_rad: trust
                        .layout_sd_deg
                        .to_radians()
                        .hypot(roll_variance.max(0.0).sqrt()),
                },
            };
            let others: Vec<upright::Roll> = marked.into_iter().chain([held]).collect();
            return upright::joined(layout, &others);
        }
        // a square looks the same from four sides: which of them is up the person says
        let guess = marked.map_or(held.turn_rad, |m| {
            upright::nearest_quarter(held.turn_rad, m.turn_rad)
        });
        let edges = self.straight_edges(camera, guess);
        let mark = self.centre_mark(camera, guess);
        let of_edges = edges.iter().map(|e| e.0);
        let mut seen: Vec<upright::Roll> = of_edges.chain(mark).chain([held]).collect();
        // two lines may be anything: where the phone is surer it comes first
        seen.sort_by(|a, b| a.upright.sd_rad.total_cmp(&b.upright.sd_rad));
        let mut sources = marked.into_iter().chain(seen);
        let first = sources.next().unwrap_or(held);
        let mut joined = upright::joined(first, &sources.collect::<Vec<_>>());
        // doubt is said, but doesn't change what is taken: the phone is hardly ever nearer the truth than edges that agree
        if let Some((_, doubt)) = edges.filter(|e| e.0.upright == first.upright) {
            joined.roll.upright.sd_rad = joined.roll.upright.sd_rad.hypot(doubt);
        }
        joined
    }

    /// The upright of the "+" in the middle, near a first guess.
    fn centre_mark(&self, camera: &Camera, guess_rad: f64) -> Option<upright::Roll> {
        let mark = centre_mark::upright(
            &self.photo.pixels,
            &upright::rolled(camera, guess_rad),
            marks::centre_mark()?,
            self.priors.upright.centre_mark_sd_deg.to_radians(),
        )?;
        Some(upright::Roll {
            turn_rad: guess_rad + mark.turn_rad,
            ..mark
        })
    }

    /// The upright of the paper's or the boss's edges, looked for around a first guess, and a standard deviation for the doubt
    /// whether they are what they are taken for, rad.
    fn straight_edges(&self, camera: &Camera, guess_rad: f64) -> Option<(upright::Roll, f64)> {
        let trust = &self.priors.upright;
        let sure = paper::Trust {
            white_outermost: self
                .spec
                .zones
                .last()
                .is_some_and(|z| z.colour == self.spec.paper),
            paper_sd: trust.paper_sd_deg.to_radians(),
            boss_sd: trust.boss_sd_deg.to_radians(),
        };
        let (edge, doubt) = paper::upright(
            &self.photo.pixels,
            &upright::rolled(camera, guess_rad),
            self.spec.outer_radius_mm(),
            sure,
        )?;
        let roll = upright::Roll {
            turn_rad: guess_rad + edge.turn_rad,
            ..edge
        };
        Some((roll, doubt))
    }
}

/// Edges with the standard deviation that makes each ring count as no more than [`INDEPENDENT_PER_RING`] of them.
fn weigh(edges: &[RingEdge], sd: &[f64]) -> Vec<Weighed> {
    let mut seen = std::collections::BTreeMap::new();
    for e in edges {
        *seen.entry((e.spot, e.boundary)).or_insert(0usize) += 1;
    }
    edges
        .iter()
        .map(|e| {
            let n = seen.get(&(e.spot, e.boundary)).copied().unwrap_or(1);
            Weighed {
                edge: *e,
                sd_px: sd[e.boundary],
                share: (INDEPENDENT_PER_RING / count(n)).min(1.0),
            }
        })
        .collect()
}

/// Robust standard deviation of the residuals on each boundary, px.
fn spread(edges: &[RingEdge], residuals_px: &[f64], boundaries: usize) -> Vec<f64> {
    let size: Vec<f64> = residuals_px.iter().map(|r| r.abs()).collect();
    let overall = SD_FROM_MAD * median(&mut size.clone());
    (0..boundaries)
        .map(|b| {
            let mut own: Vec<f64> = edges
                .iter()
                .zip(&size)
                .filter(|(e, _)| e.boundary == b)
                .map(|(_, r)| *r)
                .collect();
            let sd = if own.len() >= 24 {
                SD_FROM_MAD * median(&mut own)
            } else {
                overall
            };
            if sd.is_finite() {
                sd.max(LEAST_SD_PX)
            } else {
                1.0
            }
        })
        .collect()
}

/// The covariance after the face frame was turned about its normal by `turn`, with the roll's own variance set.
fn turned(covariance: &CameraCovariance, turn: f64, roll_sd: f64) -> CameraCovariance {
    use crate::camera::{TURN_X, TURN_Y};
    let mut j = CameraCovariance::identity();
    let (sin, cos) = turn.sin_cos();
    j[(TURN_X, TURN_X)] = cos;
    j[(TURN_X, TURN_Y)] = sin;
    j[(TURN_Y, TURN_X)] = -sin;
    j[(TURN_Y, TURN_Y)] = cos;
    let mut c = j * covariance * j.transpose();
    c.fill_row(ROLL, 0.0);
    c.fill_column(ROLL, 0.0);
    c[(ROLL, ROLL)] = roll_sd * roll_sd;
    c
}

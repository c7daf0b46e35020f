//! From a found face to its camera: edges measured on finer and finer copies of the photo, and the fit to them.

use super::Refusal;
use super::edges::{self, RingEdge};
use super::evidence::Evidence;
use super::find::Spot;
use super::fit::{self, CameraFit, LensPrior, PrintEstimate, WeightedEdge};
use super::print_model::{self, PrintModel};
use super::priors::{self, Priors};
use super::spec::FaceSpec;
use super::start::SpotAssignment;
use super::weights::{EFFECTIVE_EDGES_PER_RING, FLAT_MM, ring_sds_px, scatter_mm, weight_edges};
use crate::geometry::FacePoint;
use crate::geometry::camera::{Camera, PARAMETERS};
use crate::imaging::pyramid::{self, Pyramid};
use crate::math::{median, robust_sd_about_zero};
use crate::photo::Photo;

/// A photo and what a face is fitted with.
pub(super) struct Refiner<'a> {
    pub(super) photo: &'a Photo,
    pub(super) pyramid: &'a Pyramid<'a>,
    pub(super) spec: &'a FaceSpec,
    pub(super) print_model: &'a PrintModel,
    pub(super) priors: &'a Priors,
    pub(super) prior: LensPrior,
    pub(super) from_profile: bool,
    /// Pixels of the photo per pixel of the copy in which faces are looked for.
    pub(super) factor: f64,
}

/// A camera fitted to all edges of a face.
pub(super) struct RefinedFit {
    pub(super) fitted: CameraFit,
    /// The edges that lie on their rings.
    pub(super) edges: Vec<RingEdge>,
    pub(super) rms_px: f64,
    pub(super) prior: LensPrior,
    /// What speaks for the face.
    pub(super) evidence: Evidence,
    /// Scale of the sheet's deformation: index for [`PrintModel::with_sheet_scale`], 0 for flat.
    pub(super) sheet_scale: usize,
    /// What the last search found.
    pub(super) found: edges::FoundEdges,
    /// Level of the last search.
    pub(super) level: usize,
    /// The focal length of EXIF was set aside.
    pub(super) focal_free: bool,
    /// The middle of the picture isn't that of the lens.
    pub(super) cropped: bool,
}

/// What a fit to edges rests on.
struct EdgeFit<'a> {
    found: &'a edges::FoundEdges,
    print_model: &'a PrintModel,
    /// What is known of the lens; without it the camera stays as it is.
    lens: Option<LensPrior>,
    /// Edges of a ring that count as independent.
    independent: f64,
}

/// One search for edges: level of the pyramid, and half length of the search along the normals, px at that level.
#[derive(Clone, Copy)]
pub(super) struct Round {
    pub(super) level: usize,
    pub(super) reach_px: f64,
    lines: bool,
    /// Most profiles on one ring.
    profiles: usize,
    /// Compare the scales of the sheet's deformation; else it stays as before.
    compare: bool,
}

/// Least outer radius of the face on the copy of the first search, px: the coarsest such copy is taken. There the first reach
/// ([`FIRST_REACHES_PX`]) is a twentieth of the radius, as far as sheets curl.
const FIRST_RADIUS_PX: f64 = 250.0;
/// Half lengths of the profiles, px of the copy searched: on the first copy, search by search; on each finer copy; in the last search. They
/// shrink as the camera becomes better known; [`REACH_SD`] widens them again where edges scatter.
const FIRST_REACHES_PX: [f64; 3] = [12.0, 8.0, 6.0];
const FINER_REACH_PX: f64 = 6.0;
const LAST_REACH_PX: f64 = 5.0;
/// Standard deviation of the blur of colour changes, px of the copy searched, beyond which no finer copy is searched: it would show no more.
pub(super) const MAX_SHARP_BLUR_SD_PX: f64 = 2.5;
/// Least half length of the profiles, in standard deviations of the edges about their rings in the search before.
const REACH_SD: f64 = 3.0;
/// Searches made from each start before the starts are compared: two of those on the first copy, which are cheap.
const ROUNDS_OF_STARTS: usize = 2;
/// Least evidence of the colours at one of the starts for any search, and of all that the first searches found for finer ones, nats.
/// Every face of 72 rendered and 26 real photos had 19 and 36; nineteen in twenty places that are none have less than 4 of the first.
const MIN_COLOUR_NATS: f64 = 6.0;
const MIN_FIRST_NATS: f64 = 10.0;
/// Standard deviation of an edge found on the copy in which faces are looked for, px of that copy.
const COARSE_SD: f64 = 0.7;
/// Factors on [`COARSE_SD`] for the two ways to fit a start: once as it is; or from 16 times down to 1, one fit after the other, so that at first
/// no edge is an outlier (graduated non-convexity). Each way finds cameras that the other misses.
const COARSE_WIDENED: [&[f64]; 2] = [&[1.0], &[16.0, 4.0, 1.0]];
/// Standard deviation of an edge in the first fit to a search, px of the copy searched; later fits estimate it from the residuals.
const FIRST_SD_PX: f64 = 1.5;
/// A fit from one start is dropped when that from another has a log posterior larger by more than this, nats, or when its own edges scatter
/// more than those of another by this factor. Both leave room for what finer copies may still change.
const UNDECIDED_NATS: f64 = 10.0;
const SCATTER_RATIO: f64 = 1.3;
/// Largest scatter of edges about their rings on flat paper in focus, px of the photo: below it the
/// principal point stays in the middle of the picture.
pub(super) const MAX_FLAT_RMS_PX: f64 = 0.32;
/// Edges of a ring that count as independent in the fit of the sheet: three times [`EFFECTIVE_EDGES_PER_RING`], since the sheet's shape takes up
/// most of the errors that neighbouring edges share.
const EFFECTIVE_EDGES_PER_RING_BESIDE_SHEET: f64 = 24.0;
/// Most Gauss–Newton iterations of each fit in a row that re-estimates the edges' standard deviations in between.
const ITERATIONS: [usize; 3] = [6, 4, 3];
/// The same for the sheet alone: fewer, since it is nearly linear.
const SHEET_ITERATIONS: [usize; 2] = [4, 3];
/// Largest scatter of edges about their rings that a sheet of paper makes, share of the face's diameter (5 mm on a face of 122 cm): more means
/// that the camera is wrong.
pub(super) const MAX_SCATTER_SHARE: f64 = 0.004;
/// Largest residual of an edge that belongs to its ring, in the ring's standard deviations.
const OUTLIER_SD: f64 = 4.0;

impl Round {
    /// The last search, at the level where the one before it ended.
    pub(super) const fn last(level: usize) -> Self {
        Self {
            level,
            reach_px: LAST_REACH_PX,
            lines: true,
            profiles: edges::MAX_PROFILES_LAST,
            compare: true,
        }
    }
}

impl RefinedFit {
    /// Logarithm of the posterior density up to a constant, nats: what speaks for the face, less what lens, paper and print would
    /// have to be.
    pub(super) fn posterior_nats(&self) -> f64 {
        self.evidence.total() - self.fitted.prior_nats
    }
}

impl Refiner<'_> {
    /// The best camera for one face, or why it isn't one.
    pub(super) fn refine(
        &self,
        spots: &[Spot],
        assignment: &SpotAssignment,
    ) -> Result<RefinedFit, Refusal> {
        let coarse: Vec<WeightedEdge> = assignment
            .members
            .iter()
            .enumerate()
            .filter_map(|(centre, member)| Some((centre, &spots[(*member)?])))
            .flat_map(|(spot, found)| {
                let px_per_mm = found.px_per_mm();
                found.edges.iter().map(move |e| WeightedEdge {
                    edge: RingEdge {
                        at: e.at,
                        spot,
                        boundary: e.boundary,
                        line: false,
                        px_per_mm,
                    },
                    sd_px: COARSE_SD * self.factor,
                    weight: 1.0,
                })
            })
            .collect();
        let best = match self.best(&coarse, assignment, self.prior) {
            // a focal length that is wrong bends the rings: they are looked at without it
            Some(best) => self
                .with_free_focal_length(&coarse, assignment, &best)
                .unwrap_or(best),
            // one that is far off leads away from them
            None => self
                .without_odd_focal_length(&coarse, assignment)
                .ok_or(Refusal::NoEdges)?,
        };
        if let Some(free) = self.with_free_principal_point(&coarse, assignment, &best) {
            return Ok(free);
        }
        self.check(&best, assignment)?;
        Ok(best)
    }

    /// The searches for a face of that outer radius, px: from the copy on which it is small to the photo itself.
    pub(super) fn rounds(radius_px: f64) -> Vec<Round> {
        let mut top = 0;
        while top + 1 < pyramid::LEVELS && radius_px / pyramid::factor(top + 1) >= FIRST_RADIUS_PX {
            top += 1;
        }
        let round = |level: usize, reach_px: f64, lines: bool| Round {
            level,
            reach_px,
            lines,
            profiles: edges::MAX_PROFILES_EARLY,
            compare: false,
        };
        let first = FIRST_REACHES_PX.iter().enumerate();
        let mut rounds: Vec<Round> = first.map(|(i, r)| round(top, *r, i > 0)).collect();
        rounds.extend((0..top).rev().map(|level| Round {
            profiles: edges::MAX_PROFILES_LAST,
            ..round(level, FINER_REACH_PX, true)
        }));
        // the scales in which the sheet may hang once where it is cheap, and once where all is measured
        rounds[FIRST_REACHES_PX.len() - 1].compare = true;
        rounds.push(Round::last(0));
        rounds
    }

    /// The best camera from edges on the reduced picture.
    pub(super) fn best(
        &self,
        coarse: &[WeightedEdge],
        assignment: &SpotAssignment,
        prior: LensPrior,
    ) -> Option<RefinedFit> {
        let mut starts: Vec<CameraFit> = assignment
            .cameras
            .iter()
            .flat_map(|c| COARSE_WIDENED.map(|w| self.coarse_fit(*c, coarse, prior, w)))
            .collect();
        // most places are nothing: their colours show that at once
        let mut most = f64::NEG_INFINITY;
        starts.retain(|start| {
            let (nats, _) = self.colour(start);
            most = most.max(nats);
            nats > 0.0
        });
        if most < MIN_COLOUR_NATS {
            return None;
        }
        starts.sort_by(|a, b| a.cost.total_cmp(&b.cost));
        // several spots give as many starts that come to the same
        let mut distinct: Vec<CameraFit> = Vec::new();
        for start in starts {
            if !distinct
                .iter()
                .any(|d| self.is_same(&d.camera, &start.camera))
            {
                distinct.push(start);
            }
        }
        let scales = coarse.iter().map(|w| w.edge.px_per_mm);
        let px_per_mm = median(&mut scales.collect::<Vec<f64>>());
        let rounds = Self::rounds(self.spec.outer_radius_mm() * px_per_mm);
        let (first, rest) = rounds.split_at(ROUNDS_OF_STARTS);
        // a face turned one way or the other looks alike to first order: let measured edges decide
        let mut refined: Vec<RefinedFit> = distinct
            .into_iter()
            .filter_map(|s| self.measure(s, prior, first))
            .collect();
        let likeliest_first =
            |a: &RefinedFit, b: &RefinedFit| b.posterior_nats().total_cmp(&a.posterior_nats());
        refined.sort_by(likeliest_first);
        if refined.first()?.evidence.total() < MIN_FIRST_NATS {
            return refined.into_iter().next();
        }
        let least = refined.first().map_or(0.0, RefinedFit::posterior_nats) - UNDECIDED_NATS;
        let smallest = refined
            .iter()
            .map(|r| r.rms_px)
            .fold(f64::INFINITY, f64::min);
        let mut undecided: Vec<RefinedFit> = Vec::new();
        for r in refined {
            let camera = &r.fitted.camera;
            let known = |u: &RefinedFit| self.is_same(&u.fitted.camera, camera);
            if r.posterior_nats() >= least
                && r.rms_px <= SCATTER_RATIO * smallest
                && !undecided.iter().any(known)
            {
                undecided.push(r);
            }
        }
        let mut refined: Vec<RefinedFit> = undecided
            .into_iter()
            .filter_map(|r| self.measure(r.fitted, prior, rest))
            .collect();
        refined.sort_by(likeliest_first);
        refined.into_iter().next()
    }

    /// The fit to edges on the reduced picture. The first camera may be far off where the face is seen from the side: edges may be
    /// taken to be less sure at first, so that none is an outlier (graduated non-convexity: Blake and Zisserman 1987).
    fn coarse_fit(
        &self,
        start: Camera,
        coarse: &[WeightedEdge],
        prior: LensPrior,
        widened: &[f64],
    ) -> CameraFit {
        let mut fitted = None;
        for widened in widened {
            let edges: Vec<WeightedEdge> = coarse
                .iter()
                .map(|w| WeightedEdge {
                    sd_px: widened * w.sd_px,
                    ..*w
                })
                .collect();
            let from = fitted.as_ref().map_or(start, |f: &CameraFit| f.camera);
            let print = PrintEstimate::expected(self.print_model);
            let (spec, print_model) = (self.spec, self.print_model);
            fitted = Some(fit::fit(
                from,
                Some(prior),
                spec,
                print_model,
                &edges,
                &print,
                25,
            ));
        }
        fitted.unwrap_or_else(|| {
            let print = PrintEstimate::expected(self.print_model);
            fit::fit(
                start,
                Some(prior),
                self.spec,
                self.print_model,
                coarse,
                &print,
                40,
            )
        })
    }

    /// Whether two cameras see the face alike, to a pixel of the reduced picture.
    fn is_same(&self, a: &Camera, b: &Camera) -> bool {
        let r = self.spec.reach_mm();
        [(r, 0.0), (0.0, r), (-r, 0.0), (0.0, -r)]
            .into_iter()
            .all(|(x, y)| {
                let p = FacePoint::new(x, y);
                let seen = a.image_from_face(p).zip(b.image_from_face(p));
                seen.is_some_and(|(a, b)| a.distance(b) < self.factor)
            })
    }

    /// Measures edges around a camera and fits again, round by round, until finer copies show no more.
    pub(super) fn measure(
        &self,
        start: CameraFit,
        mut prior: LensPrior,
        rounds: &[Round],
    ) -> Option<RefinedFit> {
        let mut fitted = start;
        let mut out = None;
        let (mut finest, mut rms_px, mut sheet_scale) = (0, 0.0, 0);
        for round in rounds {
            if round.level < finest {
                continue;
            }
            let factor = pyramid::factor(round.level);
            // as far as the edges found before scatter
            let reach_px = round.reach_px.max(REACH_SD * rms_px / factor);
            let how = edges::EdgeSearch {
                reach_px,
                lines: round.lines,
                profiles: round.profiles,
            };
            let mut projection = fitted.projection(self.spec.reach_mm());
            projection.camera = pyramid::camera_at(&fitted.camera, round.level);
            let pixels = self.pyramid.level(round.level);
            let mut found = edges::search(
                pixels,
                &projection,
                self.spec,
                &fitted.print.offsets_mm,
                how,
            );
            for e in &mut found.edges {
                e.at = e.at.enlarged(factor);
                e.px_per_mm *= factor;
            }
            if found.edges.len() < 3 * PARAMETERS {
                return None;
            }
            if found.blur_px > MAX_SHARP_BLUR_SD_PX {
                finest = round.level;
            }
            if !self.from_profile {
                prior = self.with_radial(prior, fitted.camera.lens.f_px);
            }
            let (best, sd);
            (best, sd, sheet_scale) = self.fit(
                &fitted,
                &found,
                prior,
                factor,
                if round.compare {
                    0..print_model::SHEET_SCALES
                } else {
                    sheet_scale..sheet_scale + 1
                },
            );
            fitted = best;
            rms_px = robust_sd_about_zero(&fitted.residuals_px);
            out = Some((found, sd, Round { reach_px, ..*round }));
        }
        let (found, sd, round) = out?;
        let kept = found
            .edges
            .iter()
            .zip(&fitted.residuals_px)
            .filter(|(e, r)| r.abs() < OUTLIER_SD * sd[e.boundary]);
        let edges: Vec<RingEdge> = kept.map(|(e, _)| *e).collect();
        let evidence = self.evidence(&fitted, &found, &sd, round);
        Some(RefinedFit {
            fitted,
            edges,
            rms_px,
            prior,
            evidence,
            sheet_scale,
            found,
            level: round.level,
            focal_free: false,
            cropped: false,
        })
    }

    /// Fits camera, print and sheet to edges, starting from a fit before. The camera explains as much as it can; then the sheet
    /// what is left, at the scale of deformation that makes that likeliest.
    fn fit(
        &self,
        before: &CameraFit,
        found: &edges::FoundEdges,
        prior: LensPrior,
        factor: f64,
        scales: std::ops::Range<usize>,
    ) -> (CameraFit, Vec<f64>, usize) {
        let (flat, sd) = self.camera_fit(before, found, prior, factor);
        let with_scale = |sheet_scale: usize| {
            let print_model = self.print_model.where_sharp(&found.sharp);
            let print_model = print_model.with_sheet_scale(self.spec, sheet_scale);
            let task = EdgeFit {
                found,
                print_model: &print_model,
                lens: None,
                independent: EFFECTIVE_EDGES_PER_RING_BESIDE_SHEET,
            };
            self.reweighted(&task, flat.clone(), sd.clone(), &SHEET_ITERATIONS)
        };
        if scales.end == 1 || scatter_mm(&found.edges, &flat.residuals_px) < FLAT_MM {
            return (flat, sd, 0);
        }
        let mut best: Option<((CameraFit, Vec<f64>), usize)> = None;
        for sheet_scale in scales {
            let tried = with_scale(sheet_scale);
            let least = best
                .as_ref()
                .map_or(f64::NEG_INFINITY, |b| b.0.0.log_evidence);
            if tried.0.log_evidence > least {
                best = Some((tried, sheet_scale));
            }
        }
        let Some(((sheet, sheet_sd), sheet_scale)) = best.filter(|b| b.1 > 0) else {
            return (flat, sd, 0);
        };
        let fitted = CameraFit {
            camera: flat.camera,
            information: flat.information,
            ..sheet
        };
        (fitted, sheet_sd, sheet_scale)
    }

    /// Fits the camera to edges, the sheet nearly flat.
    pub(super) fn camera_fit(
        &self,
        before: &CameraFit,
        found: &edges::FoundEdges,
        prior: LensPrior,
        factor: f64,
    ) -> (CameraFit, Vec<f64>) {
        let print_model = self.print_model.where_sharp(&found.sharp);
        let fitted = CameraFit {
            print: PrintEstimate::expected(&print_model),
            ..before.clone()
        };
        let task = EdgeFit {
            found,
            print_model: &print_model,
            lens: Some(prior),
            independent: EFFECTIVE_EDGES_PER_RING,
        };
        let sd = vec![FIRST_SD_PX * factor; self.spec.boundaries().len()];
        self.reweighted(&task, fitted, sd, &ITERATIONS)
    }

    /// Fits several times, each time with the deviations of the rings, px, that the fit before left.
    fn reweighted(
        &self,
        task: &EdgeFit,
        mut fitted: CameraFit,
        mut sd: Vec<f64>,
        iterations: &[usize],
    ) -> (CameraFit, Vec<f64>) {
        let edges = &task.found.edges;
        for most in iterations {
            fitted = fit::fit(
                fitted.camera,
                task.lens,
                self.spec,
                task.print_model,
                &weight_edges(edges, &sd, task.independent),
                &fitted.print,
                *most,
            );
            sd = ring_sds_px(edges, &fitted.residuals_px, sd.len());
        }
        (fitted, sd)
    }

    fn with_radial(&self, prior: LensPrior, f_px: f64) -> LensPrior {
        // EXIF says which lens it was; without it, or where it was set aside, the rings do
        let stated = priors::stated_focal_px(self.priors, self.photo);
        let f_px = stated
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
}

//! From a fitted camera to what is handed on: which way is up, how sure all is, and what a person should know.

use super::priors;
use super::refine::{RefinedFit, Refiner};
use super::start::SpotAssignment;
use super::upright::{self, Upright, UprightSource};
use super::{
    CameraCovariance, FaceCandidate, FaceFit, FitOptions, FocalSource, centre_mark, fit, notes,
    print_model, straight_edges,
};
use crate::geometry::camera::{Camera, LN_F, ROLL};

/// A doubtful fit is trusted this many times less, in standard deviations.
const DOUBTFUL_SD_FACTOR: f64 = 2.0;

impl Refiner<'_> {
    /// The fit with its covariance, its upright and its remarks.
    pub(super) fn finish(
        &self,
        refined: RefinedFit,
        assignment: &SpotAssignment,
        candidates: Vec<FaceCandidate>,
        options: &FitOptions,
    ) -> FaceFit {
        let fitted = refined.fitted;
        let mut covariance = fit::camera_covariance(&fitted);
        let marked = options
            .vertical
            .and_then(|ends| upright::from_person(&fitted.camera, ends, &self.priors.upright));
        let upright::CombinedUpright { roll: up, against } =
            self.upright(&fitted.camera, covariance[(ROLL, ROLL)], marked);
        let camera = upright::rolled(&fitted.camera, up.turn_rad);
        covariance = turned(&covariance, up.turn_rad, up.upright.sd_rad);
        let focal_from = if self.from_profile {
            FocalSource::Profile
        } else if priors::stated_focal_px(self.priors, self.photo).is_some() && !refined.focal_free
        {
            FocalSource::Exif
        } else if covariance[(LN_F, LN_F)].sqrt() < 0.5 * refined.prior.ln_f_sd {
            FocalSource::Rings
        } else {
            FocalSource::Assumed
        };
        let doubtful = refined.evidence.is_doubtful();
        if doubtful {
            covariance *= DOUBTFUL_SD_FACTOR * DOUBTFUL_SD_FACTOR;
        }
        let mut fit = FaceFit {
            camera,
            covariance,
            fit_rms_px: refined.rms_px,
            upright: up.upright,
            focal_from,
            notes: Vec::new(),
            edges: refined.edges,
            candidates,
            sheet: (refined.sheet_scale > 0).then(|| {
                fitted
                    .projection(self.spec.reach_mm())
                    .sheet
                    .rolled(up.turn_rad)
            }),
            evidence: Some(refined.evidence),
        };
        fit.notes = notes::notes(&fit, self.photo, self.spec, &against, refined.focal_free);
        fit.notes.extend(notes::spots_missing(&assignment.members));
        if doubtful {
            fit.notes.push(notes::doubtful());
        }
        fit.notes
            .extend(fit.sheet.and_then(|s| notes::sheet(&s, self.spec)));
        if refined.cropped {
            fit.notes.push(notes::cropped());
        }
        if options.vertical.is_some() && marked.is_none() {
            fit.notes.push(notes::marks_too_near());
        }
        fit
    }

    /// Every source of the upright that the photo has, the most trusted first, fused where they agree.
    fn upright(
        &self,
        camera: &Camera,
        roll_variance: f64,
        marked: Option<upright::Roll>,
    ) -> upright::CombinedUpright {
        let priors = &self.priors.upright;
        let held = upright::prior_held_upright(camera, priors);
        if self.spec.spots_mm.len() > 1 {
            // the spots stand where the layout has them, whatever anybody says of up
            let by_layout = upright::Roll {
                turn_rad: 0.0,
                upright: Upright {
                    from: UprightSource::Layout,
                    sd_rad: priors
                        .layout_sd_deg
                        .to_radians()
                        .hypot(roll_variance.max(0.0).sqrt()),
                },
            };
            let others: Vec<upright::Roll> = marked.into_iter().chain([held]).collect();
            return upright::fused(by_layout, &others);
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
        let mut fused = upright::fused(first, &sources.collect::<Vec<_>>());
        // doubt is said, but doesn't change what is taken: the phone is hardly ever nearer the truth than edges that agree
        if let Some((_, doubt)) = edges.filter(|e| e.0.upright == first.upright) {
            fused.roll.upright.sd_rad = fused.roll.upright.sd_rad.hypot(doubt);
        }
        fused
    }

    /// The upright of the "+" in the middle, near a first guess.
    fn centre_mark(&self, camera: &Camera, guess_rad: f64) -> Option<upright::Roll> {
        let mark = centre_mark::upright(
            &self.photo.pixels,
            &upright::rolled(camera, guess_rad),
            print_model::centre_mark()?,
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
        let priors = &self.priors.upright;
        let sure = straight_edges::EdgePriors {
            white_outermost: self
                .spec
                .zones
                .last()
                .is_some_and(|z| z.colour == self.spec.paper),
            paper_sd: priors.paper_sd_deg.to_radians(),
            boss_sd: priors.boss_sd_deg.to_radians(),
        };
        let (edge, doubt) = straight_edges::upright(
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

/// The covariance after the face frame was turned about its normal by `turn`, with the roll's own variance set.
fn turned(covariance: &CameraCovariance, turn: f64, roll_sd: f64) -> CameraCovariance {
    use crate::geometry::camera::{ROTATION_X, ROTATION_Y};
    let mut j = CameraCovariance::identity();
    let (sin, cos) = turn.sin_cos();
    j[(ROTATION_X, ROTATION_X)] = cos;
    j[(ROTATION_X, ROTATION_Y)] = sin;
    j[(ROTATION_Y, ROTATION_X)] = -sin;
    j[(ROTATION_Y, ROTATION_Y)] = cos;
    let mut c = j * covariance * j.transpose();
    c.fill_row(ROLL, 0.0);
    c.fill_column(ROLL, 0.0);
    c[(ROLL, ROLL)] = roll_sd * roll_sd;
    c
}

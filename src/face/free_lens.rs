//! Fits without what is stated of the lens: where the rings contradict the focal length of EXIF, and where the picture was cut out of a
//! larger one.

use super::fit::{self, LensPrior, WeightedEdge};
use super::priors;
use super::refine::{MAX_FLAT_RMS_PX, MAX_SCATTER_SHARE, RefinedFit, Refiner, Round};
use super::start::SpotAssignment;
use super::weights::scatter_mm;
use crate::geometry::camera::{Camera, LN_F};

/// The rings pull the focal length away from EXIF's by this many of its standard deviations before they are asked alone.
const FOCAL_PULL_SDS: f64 = 1.0;
/// How much likelier the edges must be with the principal point free, nats: most photos are whole.
const CROPPED_NATS: f64 = 3.0;
/// Difference between the focal lengths of the rings and of EXIF, in standard deviations, that is no chance.
const FOCAL_CONTRADICTION_SDS: f64 = 3.0;

impl Refiner<'_> {
    /// The fit with a free principal point, for a picture that may be a crop: `None` unless the edges are likelier by `CROPPED_NATS`.
    pub(super) fn with_free_principal_point(
        &self,
        coarse: &[WeightedEdge],
        assignment: &SpotAssignment,
        fixed: &RefinedFit,
    ) -> Option<RefinedFit> {
        if self.from_profile || fixed.rms_px < MAX_FLAT_RMS_PX {
            return None;
        }
        let prior = LensPrior {
            ln_f_sd: self.priors.focal.without_exif_ln_sd,
            c_sd_px: self.priors.principal_point.cropped_sd_of_width
                * f64::from(self.photo.width.max(self.photo.height)),
            ..self.prior
        };
        let last = Round::last(fixed.level);
        let mut free = self.measure(fixed.fitted.clone(), prior, &[last, last])?;
        if scatter_mm(&fixed.found.edges, &fixed.fitted.residuals_px)
            > MAX_SCATTER_SHARE * self.spec.diameter_mm
        {
            // too far astray to be found from there
            let anew = self.best(coarse, assignment, prior);
            free = anew
                .filter(|a| a.evidence.total() > free.evidence.total())
                .unwrap_or(free);
        }
        // the same edges under either prior
        let log_evidence = |from: &RefinedFit, prior: LensPrior| {
            let (fit, _) = self.camera_fit(&from.fitted, &free.found, prior, 1.0);
            fit.log_evidence
        };
        let gain = log_evidence(&free, free.prior) - log_evidence(fixed, fixed.prior);
        (gain > CROPPED_NATS && self.check(&free, assignment).is_ok()).then_some(RefinedFit {
            focal_free: true,
            cropped: true,
            ..free
        })
    }

    /// The fit without the focal length of EXIF, where the rings by themselves contradict that.
    pub(super) fn with_free_focal_length(
        &self,
        coarse: &[WeightedEdge],
        assignment: &SpotAssignment,
        fixed: &RefinedFit,
    ) -> Option<RefinedFit> {
        let stated = priors::stated_focal_px(self.priors, self.photo)?;
        let off = |r: &RefinedFit| (r.fitted.camera.lens.f_px / stated).ln().abs();
        // far from a lens's true focal length the rings hardly pull at it
        let pulled = off(fixed) >= FOCAL_PULL_SDS * self.prior.ln_f_sd
            || !priors::is_usual(self.priors, self.photo, stated);
        if self.from_profile || !pulled {
            return None;
        }
        let prior = priors::lens_prior_unstated(self.priors, self.photo);
        let last = Round::last(fixed.level);
        // a focal length that is far off leads the fit astray: it is begun anew, too
        let free = [
            self.measure(fixed.fitted.clone(), prior, &[last, last]),
            self.begun_anew(coarse, assignment, prior),
        ];
        let free = free
            .into_iter()
            .flatten()
            .max_by(|a, b| a.posterior_nats().total_cmp(&b.posterior_nats()))?;
        let by_rings = fit::camera_covariance(&free.fitted)[(LN_F, LN_F)].sqrt();
        (off(&free) > FOCAL_CONTRADICTION_SDS * by_rings.hypot(self.prior.ln_f_sd)).then_some(
            RefinedFit {
                focal_free: true,
                ..free
            },
        )
    }

    /// The fit from the start with another focal length to expect than the one stated.
    fn begun_anew(
        &self,
        coarse: &[WeightedEdge],
        assignment: &SpotAssignment,
        prior: LensPrior,
    ) -> Option<RefinedFit> {
        let starts = assignment.cameras.iter();
        let anew = SpotAssignment {
            cameras: starts.map(|c| with_focal_length(*c, prior.f_px)).collect(),
            ..assignment.clone()
        };
        self.best(coarse, &anew, prior)
    }

    /// The fit without a focal length of EXIF that hardly any photo has.
    pub(super) fn without_odd_focal_length(
        &self,
        coarse: &[WeightedEdge],
        assignment: &SpotAssignment,
    ) -> Option<RefinedFit> {
        let stated = priors::stated_focal_px(self.priors, self.photo)?;
        if self.from_profile || priors::is_usual(self.priors, self.photo, stated) {
            return None;
        }
        let prior = priors::lens_prior_unstated(self.priors, self.photo);
        Some(RefinedFit {
            focal_free: true,
            ..self.begun_anew(coarse, assignment, prior)?
        })
    }
}

/// A camera of another focal length that sees the middle of the face at the same place and in the same size.
fn with_focal_length(camera: Camera, f_px: f64) -> Camera {
    let mut out = camera;
    out.pose.translation_mm.z *= f_px / camera.lens.f_px;
    out.lens.f_px = f_px;
    out
}

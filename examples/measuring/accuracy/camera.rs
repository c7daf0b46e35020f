//! The camera stage by itself: errors of ring points against the sds that the fit states, and what the true lens would give.

use crate::score::{Truth, best_turn, distance, turned};
use bossmark::face::{FaceFit, LensPrior};
use bossmark::geometry::ImagePoint;

/// Errors beyond this many predicted standard deviations are none that the fit foresaw.
const FORESEEN_SD: f64 = 3.0;

/// How the camera of one photo compares with the truth.
pub(crate) struct CameraScore {
    /// Rms over ring points, mm, the turn taken out.
    pub rms_mm: f64,
    /// That over the rms of the standard deviations that the fit states for the same points.
    pub over_sd: f64,
    /// Errors divided by their standard deviations, two for each ring point.
    pub normalised: Vec<f64>,
    /// Error of the upright, degrees.
    pub upright_deg: f64,
    /// Its stated standard deviation, degrees.
    pub upright_sd_deg: f64,
    /// What the upright is from.
    pub upright_from: String,
    /// Focal length over the true one.
    pub focal: f64,
    /// Codes of the notes.
    pub notes: Vec<&'static str>,
    pub tilt_deg: f64,
}

impl CameraScore {
    /// Whether the error over the ring points is one that the fit foresaw.
    pub(crate) fn foreseen(&self) -> bool {
        self.over_sd <= FORESEEN_SD
    }

    /// Whether the error of the upright is one that the fit foresaw.
    pub(crate) fn upright_foreseen(&self) -> bool {
        self.upright_deg.abs() <= FORESEEN_SD * self.upright_sd_deg
    }
}

/// Compares a fit with the truth; `None` where no ring point is in the picture.
pub(crate) fn compare(truth: &Truth, fit: &FaceFit) -> Option<CameraScore> {
    let camera = truth.camera.as_ref()?;
    let pairs: Vec<([f64; 2], [f64; 2])> = truth
        .ring_probe
        .iter()
        .filter_map(|p| {
            let q = fit
                .camera
                .face_from_image(ImagePoint::new(p.px[0], p.px[1]))?;
            Some(([q.x, q.y], p.mm))
        })
        .collect();
    if pairs.is_empty() {
        return None;
    }
    let turn = best_turn(&pairs);
    let single = truth.face.as_ref().is_none_or(|f| f.centres_mm.len() == 1);
    let taken_out = if single { turn } else { 0.0 };
    let (mut squares, mut expected) = (0.0, 0.0);
    let mut normalised = Vec::with_capacity(2 * pairs.len());
    for ((p, q), probe) in pairs.iter().zip(&truth.ring_probe) {
        let cov = fit.point_cov_mm2(ImagePoint::new(probe.px[0], probe.px[1]));
        squares += distance(turned(*p, taken_out), *q).powi(2);
        expected += cov.trace();
        // the error in the fit's own frame, in which its covariance is stated
        let own = turned(*q, -taken_out);
        let error = nalgebra::Vector2::new(p[0] - own[0], p[1] - own[1]);
        if let Some(root) = cov.cholesky() {
            normalised.extend(
                root.l()
                    .solve_lower_triangular(&error)
                    .iter()
                    .flat_map(|v| v.iter().copied().collect::<Vec<_>>()),
            );
        }
    }
    let n = pairs.len() as f64;
    Some(CameraScore {
        rms_mm: (squares / n).sqrt(),
        over_sd: (squares / expected.max(1e-12)).sqrt(),
        normalised,
        upright_deg: turn.to_degrees(),
        upright_sd_deg: fit.upright.sd_rad.to_degrees(),
        upright_from: format!("{:?}", fit.upright.from),
        focal: fit.camera.lens.f_px / camera.fx_px,
        notes: fit.notes.iter().map(|n| n.code).collect(),
        tilt_deg: fit.camera.tilt_rad().to_degrees(),
    })
}

/// The true focal length and radial terms, as a profile of the lens would give them.
pub(crate) fn true_lens(truth: &Truth) -> Option<LensPrior> {
    let camera = truth.camera.as_ref()?;
    let (w, h) = (truth.image.width_px, truth.image.height_px);
    Some(LensPrior {
        f_px: camera.fx_px,
        ln_f_sd: 1e-4,
        cx_px: 0.5 * (w - 1.0),
        cy_px: 0.5 * (h - 1.0),
        c_sd_px: 0.005 * w.max(h),
        k1: camera.k1,
        k1_sd: 1e-4,
        k2: camera.k2,
        k2_sd: 1e-4,
    })
}

//! Lens and pose from ring edges: robust least squares over all rings of all spots at once.

use super::edges::RingEdge;
use super::spec::{FaceSpec, LineSide};
use crate::camera::{CX, CY, Camera, CameraDelta, K1, K2, LN_F, PARAMETERS, ROLL};
use crate::numeric::{self, Problem, Solution, least_squares};
use nalgebra::{DMatrix, DVector, SMatrix};

/// What is known of the lens before the rings are looked at: means and standard deviations.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LensPrior {
    /// Focal length, px.
    pub f_px: f64,
    /// Standard deviation of its logarithm.
    pub ln_f_sd: f64,
    /// Principal point, px.
    pub cx_px: f64,
    /// Principal point, px.
    pub cy_px: f64,
    /// Standard deviation of either coordinate of the principal point, px.
    pub c_sd_px: f64,
    /// Radial term of r².
    pub k1: f64,
    /// Its standard deviation.
    pub k1_sd: f64,
    /// Radial term of r⁴.
    pub k2: f64,
    /// Its standard deviation.
    pub k2_sd: f64,
}

/// A ring edge with the standard deviation that it is believed to have.
#[derive(Clone, Copy, Debug)]
pub(super) struct Weighed {
    pub(super) edge: RingEdge,
    pub(super) sd_px: f64,
    /// How much of an independent measurement it counts as, 0–1.
    pub(super) share: f64,
}

/// The camera that fits, with everything about how well.
#[derive(Clone, Debug)]
pub(super) struct Fitted {
    pub(super) camera: Camera,
    /// Radial offset of each boundary, mm.
    pub(super) offsets_mm: Vec<f64>,
    /// Residual of each edge, px, in the order given.
    pub(super) residuals_px: Vec<f64>,
    pub(super) cost: f64,
    /// Weighted normal matrix of the camera's parameters and the offsets.
    pub(super) information: DMatrix<f64>,
}

struct Rings<'a> {
    base: Camera,
    prior: LensPrior,
    spec: &'a FaceSpec,
    edges: &'a [Weighed],
    shares: Vec<f64>,
    radii: Vec<f64>,
    /// Prior of the boundaries' radial offsets, mm: mean and standard deviation.
    offset: (f64, f64),
    /// Standard deviation of the roll, rad: tiny where nothing shows it.
    roll_sd: f64,
}

/// Step sizes of the numerical derivatives, in the order of [`CameraDelta`].
const STEPS: [f64; PARAMETERS] = [
    1e-6, 1e-3, 1e-3, 1e-6, 1e-6, 1e-6, 1e-6, 1e-6, 1e-2, 1e-2, 1e-2,
];

impl Rings<'_> {
    fn camera(&self, x: &DVector<f64>) -> Camera {
        self.base.moved(&CameraDelta::from_iterator(
            x.iter().copied().take(PARAMETERS),
        ))
    }

    fn priors(&self, x: &DVector<f64>) -> Vec<f64> {
        let (lens, p) = (&self.base.lens, &self.prior);
        let mut out = vec![
            ((lens.f_px / p.f_px).ln() + x[LN_F]) / p.ln_f_sd,
            (lens.cx_px + x[CX] - p.cx_px) / p.c_sd_px,
            (lens.cy_px + x[CY] - p.cy_px) / p.c_sd_px,
            (lens.k1 + x[K1] - p.k1) / p.k1_sd,
            (lens.k2 + x[K2] - p.k2) / p.k2_sd,
            x[ROLL] / self.roll_sd,
        ];
        out.extend(
            x.iter()
                .skip(PARAMETERS)
                .map(|d| (d - self.offset.0) / self.offset.1),
        );
        out
    }
}

impl Problem for Rings<'_> {
    fn residuals(&self, x: &DVector<f64>) -> DVector<f64> {
        let camera = self.camera(x);
        let fit = self.edges.iter().map(|w| {
            let e = &w.edge;
            let spot = self.spec.spots_mm[e.spot];
            camera.face_from_image(e.at).map_or(f64::INFINITY, |p| {
                (p.distance(spot) - self.radii[e.boundary] - x[PARAMETERS + e.boundary])
                    * e.px_per_mm
                    / w.sd_px
            })
        });
        let priors = self.priors(x);
        let n = self.edges.len() + priors.len();
        DVector::from_iterator(n, fit.chain(priors))
    }

    fn jacobian(&self, x: &DVector<f64>, residuals: &DVector<f64>) -> DMatrix<f64> {
        let mut j = DMatrix::zeros(residuals.len(), x.len());
        numeric::difference_columns(self, x, residuals, &STEPS, &mut j);
        for (i, w) in self.edges.iter().enumerate() {
            j[(i, PARAMETERS + w.edge.boundary)] = -w.edge.px_per_mm / w.sd_px;
        }
        // the offsets' priors follow the six of the camera
        for b in 0..self.radii.len() {
            j[(self.edges.len() + 6 + b, PARAMETERS + b)] = 1.0 / self.offset.1;
        }
        j
    }

    fn shares(&self) -> &[f64] {
        &self.shares
    }
}

/// Where the visible edge of a boundary lies against its nominal radius, mm: mean and standard deviation.
fn offset_prior(spec: &FaceSpec) -> (f64, f64) {
    let mean = match spec.line.side {
        LineSide::Inside => spec.line.offset_mm,
        LineSide::Centred => 0.0,
        LineSide::Outside => -spec.line.offset_mm,
    };
    (mean, spec.line.offset_sd_mm.max(1e-3))
}

/// Standard deviation of a roll that nothing in the picture shows, rad: keeps it where it is.
const ROLL_HELD: f64 = 1e-6;
/// Standard deviation of a roll that the layout of several spots shows.
const ROLL_FREE: f64 = 1.0;

/// Fits camera and ring offsets to `edges`, starting from `base`.
pub(super) fn fit(
    base: Camera,
    prior: LensPrior,
    spec: &FaceSpec,
    edges: &[Weighed],
    offsets_mm: &[f64],
    iterations: usize,
) -> Fitted {
    let radii: Vec<f64> = spec.boundaries().iter().map(|b| b.radius_mm).collect();
    let roll_sd = if spec.spots_mm.len() > 1 {
        ROLL_FREE
    } else {
        ROLL_HELD
    };
    let offset = offset_prior(spec);
    let mut start = DVector::zeros(PARAMETERS + radii.len());
    for b in 0..radii.len() {
        start[PARAMETERS + b] = offsets_mm.get(b).copied().unwrap_or(offset.0);
    }
    let problem = Rings {
        base,
        prior,
        spec,
        edges,
        shares: edges.iter().map(|e| e.share).collect(),
        radii,
        offset,
        roll_sd,
    };
    let Solution {
        x,
        residuals,
        cost,
        information,
    } = least_squares(&problem, start, iterations);
    Fitted {
        camera: problem.camera(&x),
        offsets_mm: x.iter().skip(PARAMETERS).copied().collect(),
        residuals_px: edges
            .iter()
            .zip(residuals.iter())
            .map(|(w, r)| r * w.sd_px)
            .collect(),
        cost,
        information,
    }
}

/// Covariance of the camera's parameters, ring offsets taken into account, roll left out (its row and column are 0 where
/// nothing but the upright shows it).
pub(super) fn camera_covariance(fitted: &Fitted) -> SMatrix<f64, PARAMETERS, PARAMETERS> {
    let all = numeric::covariance(&fitted.information, 0.0);
    SMatrix::from_fn(|i, j| all[(i, j)])
}

//! Lens and pose from ring edges: robust least squares over all rings of all spots at once.

use super::edges::RingEdge;
use super::print_model::PrintModel;
use super::projection::Projection;
use super::sheet::{SHEET_TERMS, Sheet, sheet_terms};
use super::spec::FaceSpec;
use crate::geometry::FacePoint;
use crate::geometry::camera::{
    CX, CY, Camera, CameraDelta, K1, K2, LN_F, Lens, PARAMETERS, ROLL, ROTATION_X, ROTATION_Y,
    TRANSLATION,
};
use crate::math::{self, Problem, Solution, least_squares};
use fearless_simd::{Level, dispatch};
use nalgebra::{DMatrix, DVector, SMatrix, SVector, Vector2, Vector3};

/// Prior of the lens: means and standard deviations.
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

/// A ring edge with the standard deviation given it.
#[derive(Clone, Copy, Debug)]
pub(super) struct WeightedEdge {
    pub(super) edge: RingEdge,
    pub(super) sd_px: f64,
    /// How much of an independent measurement it counts as, 0–1.
    pub(super) weight: f64,
}

/// The fitted camera with its print, residuals and information.
#[derive(Clone, Debug)]
pub(super) struct CameraFit {
    pub(super) camera: Camera,
    /// The print.
    pub(super) print: PrintEstimate,
    /// Residual of each edge, px, in the order given.
    pub(super) residuals_px: Vec<f64>,
    pub(super) cost: f64,
    /// What the priors of lens, paper and print hold against the fit, nats.
    pub(super) prior_nats: f64,
    /// Weighted normal matrix of the camera's parameters, the paper's, the offsets and the width of the lines.
    pub(super) information: DMatrix<f64>,
    /// Logarithm of the marginal likelihood of the edges under the priors of paper and print, up to a constant (Laplace's
    /// approximation: MacKay 1992, "Bayesian interpolation", eq. 2.7).
    pub(super) log_evidence: f64,
}

impl CameraFit {
    /// How points of the print come into the picture.
    pub(super) fn projection(&self, reach_mm: f64) -> Projection {
        Projection {
            camera: self.camera,
            sheet: Sheet {
                z_mm: self.print.sheet_mm,
                reach_mm,
            },
        }
    }
}

/// Where paper shows a point of the face when it stands off the face plane as the factors of the terms say: for made-up edges.
#[cfg(test)]
pub(super) fn sheet_displaced(
    at: FacePoint,
    camera: &Camera,
    factors_mm: &[f64],
    reach_mm: f64,
) -> FacePoint {
    let sheet = Sheet {
        z_mm: SVector::from_iterator(factors_mm.iter().copied()),
        reach_mm,
    };
    sheet.apparent(at, camera.centre_mm())
}

/// What the fit estimates of the face along with the camera.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct PrintEstimate {
    /// Where the visible edge of each boundary lies against its nominal radius, mm.
    pub(super) offsets_mm: Vec<f64>,
    /// Width of the printed lines, mm.
    pub(super) line_mm: f64,
    /// How far the paper stands off the face plane, mm, towards the archer: factors of the terms.
    pub(super) sheet_mm: SVector<f64, SHEET_TERMS>,
}

impl PrintEstimate {
    /// The means of the priors.
    pub(super) fn expected(print_model: &PrintModel) -> Self {
        let line_mm = print_model.line_mm.0;
        Self {
            offsets_mm: print_model
                .edges
                .iter()
                .map(|e| e.offset_mm(line_mm))
                .collect(),
            line_mm,
            sheet_mm: SVector::zeros(),
        }
    }
}

struct Rings<'a> {
    base: Camera,
    prior: LensPrior,
    spec: &'a FaceSpec,
    print_model: &'a PrintModel,
    edges: &'a [WeightedEdge],
    observation_weights: Vec<f64>,
    radii: Vec<f64>,
    /// Standard deviation of the roll, rad: tiny where nothing shows it.
    roll_sd: f64,
    /// Standard deviation of the prior of the pose, rad and mm: so large that it says nothing, or so small that the pose stays where it is.
    pose_sd: f64,
    reach_mm: f64,
}

/// Parameters that every edge depends on: the camera's and the paper's.
const COMMON: usize = PARAMETERS + SHEET_TERMS;

/// Parameters of the pose besides the roll.
const POSE: [usize; 5] = [
    ROTATION_X,
    ROTATION_Y,
    TRANSLATION,
    TRANSLATION + 1,
    TRANSLATION + 2,
];

/// Number of the priors of the camera's own parameters.
const CAMERA_PRIORS: usize = PARAMETERS;

impl Rings<'_> {
    fn camera(&self, x: &DVector<f64>) -> Camera {
        self.base.retract(&CameraDelta::from_iterator(
            x.iter().copied().take(PARAMETERS),
        ))
    }

    /// Index of a boundary's offset among the parameters.
    fn offset(b: usize) -> usize {
        COMMON + b
    }

    /// Index of the lines' width among the parameters.
    fn line(&self) -> usize {
        COMMON + self.radii.len()
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
        out.extend(POSE.map(|k| x[k] / self.pose_sd));
        let line = x[self.line()];
        out.extend(
            self.print_model
                .edges
                .iter()
                .enumerate()
                .map(|(b, e)| (x[Self::offset(b)] - e.offset_mm(line)) / e.sd_mm),
        );
        out.push((line - self.print_model.line_mm.0) / self.print_model.line_mm.1);
        out.extend((PARAMETERS..COMMON).map(|k| x[k] / self.print_model.sheet_sd_mm));
        out
    }

    /// The entries of each prior's row that are not 0: (parameter, derivative).
    fn prior_rows(&self) -> Vec<Vec<(usize, f64)>> {
        let p = &self.prior;
        let [turn_x, turn_y, right, down, away] = POSE.map(|k| (k, self.pose_sd));
        let camera: [(usize, f64); CAMERA_PRIORS] = [
            (LN_F, p.ln_f_sd),
            (CX, p.c_sd_px),
            (CY, p.c_sd_px),
            (K1, p.k1_sd),
            (K2, p.k2_sd),
            (ROLL, self.roll_sd),
            turn_x,
            turn_y,
            right,
            down,
            away,
        ];
        let mut rows: Vec<Vec<(usize, f64)>> =
            camera.iter().map(|(k, sd)| vec![(*k, 1.0 / sd)]).collect();
        rows.extend(self.print_model.edges.iter().enumerate().map(|(b, e)| {
            vec![
                (Self::offset(b), 1.0 / e.sd_mm),
                (self.line(), -e.of_line / e.sd_mm),
            ]
        }));
        rows.push(vec![(self.line(), 1.0 / self.print_model.line_mm.1)]);
        rows.extend((PARAMETERS..COMMON).map(|k| vec![(k, 1.0 / self.print_model.sheet_sd_mm)]));
        rows
    }

    /// Derivatives of one edge's residual with respect to the common parameters; `None` where it cannot be computed.
    fn row(
        &self,
        camera: &Camera,
        foot: Vector3<f64>,
        w: &WeightedEdge,
    ) -> Option<SVector<f64, COMMON>> {
        let (at, j) = camera.face_with_jacobian(w.edge.at)?;
        let spot = self.spec.spots_mm[w.edge.spot];
        let out = Vector2::new(at.x - spot.x, at.y - spot.y).try_normalize(1e-9)?;
        let size = w.edge.px_per_mm / w.sd_px;
        let slant = (out.x * (at.x - foot.x) + out.y * (at.y - foot.y)) / foot.z;
        let mut row = SVector::<f64, COMMON>::zeros();
        row.fixed_rows_mut::<PARAMETERS>(0)
            .copy_from(&(j.tr_mul(&out) * size));
        row.fixed_rows_mut::<SHEET_TERMS>(PARAMETERS)
            .copy_from(&(sheet_terms(at, self.reach_mm) * (-slant * size)));
        Some(row)
    }

    /// The place of the paper that is seen at a point of the face plane: paper that stands off by z appears displaced by
    /// z · (X − F)/D, away from the camera's foot point F; D is its distance from the plane.
    fn on_paper(&self, at: FacePoint, foot: Vector3<f64>, x: &DVector<f64>) -> FacePoint {
        let terms = sheet_terms(at, self.reach_mm);
        let factors = &x.as_slice()[PARAMETERS..COMMON];
        let z: f64 = terms.iter().zip(factors).map(|(t, c)| t * c).sum();
        let k = z / foot.z;
        FacePoint::new(at.x - k * (at.x - foot.x), at.y - k * (at.y - foot.y))
    }
}

/// The common parameters with as many zeros as whole vectors take.
const PADDED: usize = COMMON.next_multiple_of(VECTOR);
const VECTOR: usize = 4;

/// Sums over edges that belong to the common parameters.
struct CommonSums {
    /// Products of two derivatives: `[one][the other]`, where the other isn't the smaller index.
    block: [[f64; PADDED]; COMMON],
    /// Products of derivatives and residuals.
    right: [f64; PADDED],
}

impl CommonSums {
    const fn new() -> Self {
        Self {
            block: [[0.0; PADDED]; COMMON],
            right: [0.0; PADDED],
        }
    }

    #[inline(always)]
    fn add(&mut self, row: &[f64; PADDED], weight: f64, weighted_residual: f64) {
        for (k, sums) in self.block.iter_mut().enumerate() {
            let from = k - k % VECTOR;
            let factor = weight * row[k];
            for (sum, v) in sums[from..].iter_mut().zip(&row[from..]) {
                *sum += factor * v;
            }
        }
        add_times(&mut self.right, weighted_residual, row);
    }
}

#[inline(always)]
fn add_times(sums: &mut [f64; PADDED], factor: f64, row: &[f64; PADDED]) {
    for (sum, v) in sums.iter_mut().zip(row) {
        *sum += factor * v;
    }
}

impl Problem for Rings<'_> {
    fn residuals(&self, x: &DVector<f64>) -> DVector<f64> {
        let camera = self.camera(x);
        let foot = camera.centre_mm();
        let fit = self.edges.iter().map(|w| {
            let e = &w.edge;
            let spot = self.spec.spots_mm[e.spot];
            camera.face_from_image(e.at).map_or(f64::INFINITY, |p| {
                let p = self.on_paper(p, foot, x);
                (p.distance(spot) - self.radii[e.boundary] - x[Self::offset(e.boundary)])
                    * e.px_per_mm
                    / w.sd_px
            })
        });
        let priors = self.priors(x);
        let n = self.edges.len() + priors.len();
        DVector::from_iterator(n, fit.chain(priors))
    }

    fn jacobian(&self, x: &DVector<f64>, residuals: &DVector<f64>) -> DMatrix<f64> {
        let camera = self.camera(x);
        let foot = camera.centre_mm();
        let mut j = DMatrix::zeros(residuals.len(), x.len());
        for (i, w) in self.edges.iter().enumerate() {
            if let Some(row) = self.row(&camera, foot, w) {
                j.view_mut((i, 0), (1, COMMON)).copy_from(&row.transpose());
                j[(i, Self::offset(w.edge.boundary))] = -w.edge.px_per_mm / w.sd_px;
            }
        }
        for (i, row) in self.prior_rows().iter().enumerate() {
            for (k, v) in row {
                j[(self.edges.len() + i, *k)] = *v;
            }
        }
        j
    }

    fn observation_weights(&self) -> &[f64] {
        &self.observation_weights
    }

    /// A row touches the camera and one offset only: block by block, without the whole Jacobian.
    fn normal_equations(
        &self,
        x: &DVector<f64>,
        r: &DVector<f64>,
        weights: &[f64],
    ) -> (DMatrix<f64>, DVector<f64>) {
        let camera = self.camera(x);
        let foot = camera.centre_mm();
        let n = x.len();
        let (mut normal, mut gradient) = (DMatrix::zeros(n, n), DVector::zeros(n));
        let mut common = CommonSums::new();
        let mut of_offset = vec![[0.0; PADDED]; self.radii.len()];
        let level = Level::new();
        for (i, e) in self.edges.iter().enumerate() {
            let weight = weights[i];
            if weight <= 0.0 {
                continue;
            }
            let Some(row) = self.row(&camera, foot, e) else {
                continue;
            };
            let (b, own) = (Self::offset(e.edge.boundary), -e.edge.px_per_mm / e.sd_px);
            let mut padded = [0.0; PADDED];
            padded[..COMMON].copy_from_slice(row.as_slice());
            let of_offset = &mut of_offset[e.edge.boundary];
            // sums and products one by one, so that the bits don't depend on the vectors
            dispatch!(level, _simd => {
                common.add(&padded, weight, weight * r[i]);
                add_times(of_offset, weight * own, &padded);
            });
            normal[(b, b)] += weight * own * own;
            gradient[b] += weight * own * r[i];
        }
        for (i, row) in self.prior_rows().iter().enumerate() {
            for (k, v) in row {
                for (l, u) in row {
                    normal[(*k, *l)] += v * u;
                }
                gradient[*k] += v * r[self.edges.len() + i];
            }
        }
        for k in 0..COMMON {
            for l in 0..COMMON {
                normal[(k, l)] += common.block[k.min(l)][k.max(l)];
            }
            gradient[k] += common.right[k];
            for (b, part) in of_offset.iter().enumerate() {
                normal[(Self::offset(b), k)] += part[k];
            }
            for b in COMMON..n {
                normal[(k, b)] = normal[(b, k)];
            }
        }
        (normal, gradient)
    }
}

/// Standard deviation of a roll that nothing in the picture shows, rad: keeps it where it is.
const FIXED_ROLL_SD_RAD: f64 = 1e-6;
/// Standard deviation of a roll that the layout of several spots shows.
const FREE_ROLL_SD_RAD: f64 = 1.0;

/// Standard deviation of a pose of which nothing is known.
const FREE_POSE_SD: f64 = 1e9;
/// Standard deviation that keeps a parameter where it is.
const FIXED_SD: f64 = 1e-9;

/// The prior that keeps a lens as it is.
fn fixed(lens: &Lens) -> LensPrior {
    LensPrior {
        f_px: lens.f_px,
        ln_f_sd: FIXED_SD,
        cx_px: lens.cx_px,
        cy_px: lens.cy_px,
        c_sd_px: FIXED_SD,
        k1: lens.k1,
        k1_sd: FIXED_SD,
        k2: lens.k2,
        k2_sd: FIXED_SD,
    }
}

/// Fits camera and print to `edges`, starting from `base` and `print`; without a prior of the lens the camera stays as it is.
pub(super) fn fit(
    base: Camera,
    prior: Option<LensPrior>,
    spec: &FaceSpec,
    print_model: &PrintModel,
    edges: &[WeightedEdge],
    print: &PrintEstimate,
    iterations: usize,
) -> CameraFit {
    let pose_sd = if prior.is_some() {
        FREE_POSE_SD
    } else {
        FIXED_SD
    };
    let prior = prior.unwrap_or_else(|| fixed(&base.lens));
    let radii: Vec<f64> = spec.boundaries().iter().map(|b| b.radius_mm).collect();
    let roll_sd = if spec.spots_mm.len() > 1 && pose_sd > 1.0 {
        FREE_ROLL_SD_RAD
    } else {
        FIXED_ROLL_SD_RAD
    };
    let start = DVector::from_iterator(
        COMMON + radii.len() + 1,
        std::iter::repeat_n(0.0, PARAMETERS)
            .chain(print.sheet_mm.iter().copied())
            .chain(print.offsets_mm.iter().copied())
            .chain([print.line_mm]),
    );
    let problem = Rings {
        base,
        prior,
        spec,
        print_model,
        edges,
        observation_weights: edges.iter().map(|e| e.weight).collect(),
        radii,
        roll_sd,
        pose_sd,
        reach_mm: spec.reach_mm(),
    };
    let Solution {
        x,
        residuals,
        cost,
        information,
    } = least_squares(&problem, start, iterations);
    let log_evidence = log_evidence(&problem, cost, &information);
    let priors = problem.priors(&x);
    CameraFit {
        prior_nats: 0.5 * priors.iter().map(|r| r * r).sum::<f64>(),
        log_evidence,
        camera: problem.camera(&x),
        print: PrintEstimate {
            offsets_mm: x
                .iter()
                .copied()
                .skip(COMMON)
                .take(problem.radii.len())
                .collect(),
            line_mm: x[problem.line()],
            sheet_mm: SVector::from_iterator(x.iter().copied().skip(PARAMETERS)),
        },
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
pub(super) fn camera_covariance(fitted: &CameraFit) -> SMatrix<f64, PARAMETERS, PARAMETERS> {
    let all = math::covariance(&fitted.information, 0.0);
    SMatrix::from_fn(|i, j| all[(i, j)])
}

/// Laplace's approximation to the log marginal likelihood, without what is the same for all priors of paper and print.
fn log_evidence(problem: &Rings, cost: f64, information: &DMatrix<f64>) -> f64 {
    let n = information.nrows();
    // to a unit diagonal first: parameters have units of their own
    let scale: Vec<f64> = (0..n)
        .map(|i| information[(i, i)].max(1e-300).sqrt())
        .collect();
    let scaled = DMatrix::from_fn(n, n, |i, j| information[(i, j)] / (scale[i] * scale[j]));
    let Some(cholesky) = scaled.cholesky() else {
        return f64::NEG_INFINITY;
    };
    let half_log_det: f64 = (0..n)
        .map(|i| cholesky.l_dirty()[(i, i)].ln() + scale[i].ln())
        .sum();
    let likelihood: f64 = problem.edges.iter().map(|e| -e.weight * e.sd_px.ln()).sum();
    let count = crate::math::count(SHEET_TERMS);
    let priors: f64 = problem
        .print_model
        .edges
        .iter()
        .map(|e| -e.sd_mm.ln())
        .sum::<f64>()
        - count * problem.print_model.sheet_sd_mm.ln();
    let p = &problem.prior;
    let lens = -p.ln_f_sd.ln() - 2.0 * p.c_sd_px.ln() - p.k1_sd.ln() - p.k2_sd.ln();
    likelihood - cost + priors + lens - half_log_det
}

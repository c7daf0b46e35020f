//! Lens and pose from ring edges: robust least squares over all rings of all spots at once.

use super::edges::RingEdge;
use super::marks::Marks;
use super::spec::FaceSpec;
use crate::camera::{CX, CY, Camera, CameraDelta, K1, K2, LN_F, PARAMETERS, ROLL};
use crate::numeric::{self, Problem, Solution, least_squares};
use crate::units::FacePoint;
use nalgebra::{DMatrix, DVector, SMatrix, SVector, Vector2, Vector3};

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
    /// The print.
    pub(super) print: Print,
    /// Residual of each edge, px, in the order given.
    pub(super) residuals_px: Vec<f64>,
    pub(super) cost: f64,
    /// Weighted normal matrix of the camera's parameters, the paper's, the offsets and the width of the lines.
    pub(super) information: DMatrix<f64>,
}

/// Number of terms that describe how the paper stands off the face plane: all products xⁱyʲ up to the fourth degree.
const PAPER: usize = 15;

/// The terms at a place, lengths in reaches of the face.
fn paper_terms(at: FacePoint, reach_mm: f64) -> SVector<f64, PAPER> {
    let (x, y) = (at.x / reach_mm, at.y / reach_mm);
    let (x2, y2, xy) = (x * x, y * y, x * y);
    SVector::from([
        1.0,
        x,
        y,
        x2,
        xy,
        y2,
        x2 * x,
        x2 * y,
        x * y2,
        y2 * y,
        x2 * x2,
        x2 * xy,
        x2 * y2,
        xy * y2,
        y2 * y2,
    ])
}

/// Where paper shows a point of the face when it stands off the face plane as the factors of the terms say: for made-up edges.
#[cfg(test)]
pub(super) fn paper_displaced(
    at: FacePoint,
    camera: &Camera,
    factors_mm: &[f64],
    reach_mm: f64,
) -> FacePoint {
    let foot = camera.centre_mm();
    let terms = paper_terms(at, reach_mm);
    let z: f64 = terms.iter().zip(factors_mm).map(|(t, c)| t * c).sum();
    let k = z / (foot.z - z);
    FacePoint::new(at.x + k * (at.x - foot.x), at.y + k * (at.y - foot.y))
}

/// What is found out about the face along with the camera.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Print {
    /// Where the visible edge of each boundary lies against its nominal radius, mm.
    pub(super) offsets_mm: Vec<f64>,
    /// Width of the printed lines, mm.
    pub(super) line_mm: f64,
    /// How far the paper stands off the face plane, mm, towards the archer: factors of the terms.
    paper_mm: SVector<f64, PAPER>,
}

impl Print {
    /// What is expected before a photo is looked at.
    pub(super) fn expected(marks: &Marks) -> Self {
        let line_mm = marks.line_mm.0;
        Self {
            offsets_mm: marks.edges.iter().map(|e| e.offset_mm(line_mm)).collect(),
            line_mm,
            paper_mm: SVector::zeros(),
        }
    }
}

struct Rings<'a> {
    base: Camera,
    prior: LensPrior,
    spec: &'a FaceSpec,
    marks: &'a Marks,
    edges: &'a [Weighed],
    shares: Vec<f64>,
    radii: Vec<f64>,
    /// Standard deviation of the roll, rad: tiny where nothing shows it.
    roll_sd: f64,
    reach_mm: f64,
}

/// Parameters that every edge depends on: the camera's and the paper's.
const COMMON: usize = PARAMETERS + PAPER;

/// Number of the priors of the camera's own parameters.
const CAMERA_PRIORS: usize = 6;

impl Rings<'_> {
    fn camera(&self, x: &DVector<f64>) -> Camera {
        self.base.moved(&CameraDelta::from_iterator(
            x.iter().copied().take(PARAMETERS),
        ))
    }

    /// Place of a boundary's offset among the parameters.
    fn offset(b: usize) -> usize {
        COMMON + b
    }

    /// Place of the lines' width among the parameters.
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
        let line = x[self.line()];
        out.extend(
            self.marks
                .edges
                .iter()
                .enumerate()
                .map(|(b, e)| (x[Self::offset(b)] - e.offset_mm(line)) / e.sd_mm),
        );
        out.push((line - self.marks.line_mm.0) / self.marks.line_mm.1);
        out.extend((PARAMETERS..COMMON).map(|k| x[k] / self.marks.paper_sd_mm));
        out
    }

    /// The entries of each prior's row that are not 0: (parameter, derivative).
    fn prior_rows(&self) -> Vec<Vec<(usize, f64)>> {
        let p = &self.prior;
        let camera: [(usize, f64); CAMERA_PRIORS] = [
            (LN_F, p.ln_f_sd),
            (CX, p.c_sd_px),
            (CY, p.c_sd_px),
            (K1, p.k1_sd),
            (K2, p.k2_sd),
            (ROLL, self.roll_sd),
        ];
        let mut rows: Vec<Vec<(usize, f64)>> =
            camera.iter().map(|(k, sd)| vec![(*k, 1.0 / sd)]).collect();
        rows.extend(self.marks.edges.iter().enumerate().map(|(b, e)| {
            vec![
                (Self::offset(b), 1.0 / e.sd_mm),
                (self.line(), -e.of_line / e.sd_mm),
            ]
        }));
        rows.push(vec![(self.line(), 1.0 / self.marks.line_mm.1)]);
        rows.extend((PARAMETERS..COMMON).map(|k| vec![(k, 1.0 / self.marks.paper_sd_mm)]));
        rows
    }

    /// Derivatives of one edge's residual in the common parameters; `None` where it cannot be computed.
    fn row(
        &self,
        camera: &Camera,
        foot: Vector3<f64>,
        w: &Weighed,
    ) -> Option<SVector<f64, COMMON>> {
        let (at, j) = camera.face_with_derivatives(w.edge.at)?;
        let spot = self.spec.spots_mm[w.edge.spot];
        let out = Vector2::new(at.x - spot.x, at.y - spot.y).try_normalize(1e-9)?;
        let size = w.edge.px_per_mm / w.sd_px;
        let slant = (out.x * (at.x - foot.x) + out.y * (at.y - foot.y)) / foot.z;
        let mut row = SVector::<f64, COMMON>::zeros();
        row.fixed_rows_mut::<PARAMETERS>(0)
            .copy_from(&(j.tr_mul(&out) * size));
        row.fixed_rows_mut::<PAPER>(PARAMETERS)
            .copy_from(&(paper_terms(at, self.reach_mm) * (-slant * size)));
        Some(row)
    }

    /// The place of the paper that is seen at a point of the face plane: paper that stands off by z appears displaced by
    /// z · (X − F)/D, away from the camera's foot point F; D is its distance from the plane.
    fn on_paper(&self, at: FacePoint, foot: Vector3<f64>, x: &DVector<f64>) -> FacePoint {
        let terms = paper_terms(at, self.reach_mm);
        let z: f64 = terms
            .iter()
            .zip(x.iter().skip(PARAMETERS))
            .map(|(t, c)| t * c)
            .sum();
        let k = z / foot.z;
        FacePoint::new(at.x - k * (at.x - foot.x), at.y - k * (at.y - foot.y))
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

    fn shares(&self) -> &[f64] {
        &self.shares
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
        let mut block = SMatrix::<f64, COMMON, COMMON>::zeros();
        let mut right = SVector::<f64, COMMON>::zeros();
        let mut of_offset = vec![SVector::<f64, COMMON>::zeros(); self.radii.len()];
        for (i, e) in self.edges.iter().enumerate() {
            let weight = weights[i];
            if weight <= 0.0 {
                continue;
            }
            let Some(row) = self.row(&camera, foot, e) else {
                continue;
            };
            let (b, own) = (Self::offset(e.edge.boundary), -e.edge.px_per_mm / e.sd_px);
            // the lower half
            block.syger(weight, &row, &row, 1.0);
            right.axpy(weight * r[i], &row, 1.0);
            of_offset[e.edge.boundary].axpy(weight * own, &row, 1.0);
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
                normal[(k, l)] += block[(k.max(l), k.min(l))];
            }
            gradient[k] += right[k];
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
const ROLL_HELD: f64 = 1e-6;
/// Standard deviation of a roll that the layout of several spots shows.
const ROLL_FREE: f64 = 1.0;

/// Fits camera and print to `edges`, starting from `base` and `print`.
pub(super) fn fit(
    base: Camera,
    prior: LensPrior,
    spec: &FaceSpec,
    marks: &Marks,
    edges: &[Weighed],
    print: &Print,
    iterations: usize,
) -> Fitted {
    let radii: Vec<f64> = spec.boundaries().iter().map(|b| b.radius_mm).collect();
    let roll_sd = if spec.spots_mm.len() > 1 {
        ROLL_FREE
    } else {
        ROLL_HELD
    };
    let start = DVector::from_iterator(
        COMMON + radii.len() + 1,
        std::iter::repeat_n(0.0, PARAMETERS)
            .chain(print.paper_mm.iter().copied())
            .chain(print.offsets_mm.iter().copied())
            .chain([print.line_mm]),
    );
    let problem = Rings {
        base,
        prior,
        spec,
        marks,
        edges,
        shares: edges.iter().map(|e| e.share).collect(),
        radii,
        roll_sd,
        reach_mm: spec.reach_mm(),
    };
    let Solution {
        x,
        residuals,
        cost,
        information,
    } = least_squares(&problem, start, iterations);
    Fitted {
        camera: problem.camera(&x),
        print: Print {
            offsets_mm: x
                .iter()
                .copied()
                .skip(COMMON)
                .take(problem.radii.len())
                .collect(),
            line_mm: x[problem.line()],
            paper_mm: SVector::from_iterator(x.iter().copied().skip(PARAMETERS)),
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
pub(super) fn camera_covariance(fitted: &Fitted) -> SMatrix<f64, PARAMETERS, PARAMETERS> {
    let all = numeric::covariance(&fitted.information, 0.0);
    SMatrix::from_fn(|i, j| all[(i, j)])
}

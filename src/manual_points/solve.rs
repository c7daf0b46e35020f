//! Points → camera: homography by the normalised DLT, then least squares with what is known of the lens.

use crate::face::{CameraCovariance, LensPrior};
use crate::geometry::camera::{Camera, CameraDelta, Lens, PARAMETERS, Pose};
use crate::geometry::homography::homography;
use crate::geometry::{FacePoint, ImagePoint};
use crate::lens::zhang::pose_of_plane;
use crate::math::{self, Problem, count, least_squares};
use nalgebra::{DMatrix, DVector, Matrix2, Vector2};

/// Fewest points of which a camera can be made.
pub(super) const MIN_POINTS: usize = 4;

/// A point of the face in the picture.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Correspondence {
    pub(super) name: String,
    pub(super) px: ImagePoint,
    pub(super) mm: FacePoint,
    pub(super) sd_px: f64,
    /// One standard deviation along the ring that it lies on, mm; `None` for a point sharp in every direction.
    pub(super) along: Option<[f64; 2]>,
}

/// A camera that was fitted to points.
#[derive(Clone, Debug)]
pub(super) struct CameraSolution {
    pub(super) camera: Camera,
    pub(super) covariance: CameraCovariance,
    /// Distance of each point from the fit, px.
    pub(super) residual_px: Vec<f64>,
    /// The same in standard deviations.
    pub(super) normalised_residual: Vec<f64>,
    pub(super) rms_px: f64,
    /// Root of the residuals' sum of squares over the degrees of freedom: 1 where the stated deviations are true.
    pub(super) scale: f64,
}

/// Why there is no camera.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum NoCamera {
    InALine,
    /// They fit no view of a plane from before it.
    Contradiction,
    Mirrored,
}

struct Fit<'a> {
    base: Camera,
    prior: &'a LensPrior,
    points: &'a [&'a Correspondence],
    /// Takes a residual in px to standard deviations, for each point.
    whitening: Vec<Matrix2<f64>>,
}

/// Step sizes of the numerical derivatives, in the order of [`CameraDelta`].
const STEPS: [f64; PARAMETERS] = [
    1e-6, 1e-3, 1e-3, 1e-6, 1e-6, 1e-6, 1e-6, 1e-6, 1e-2, 1e-2, 1e-2,
];

impl Fit<'_> {
    fn camera(&self, x: &DVector<f64>) -> Camera {
        self.base
            .retract(&CameraDelta::from_iterator(x.iter().copied()))
    }
}

impl Problem for Fit<'_> {
    fn residuals(&self, x: &DVector<f64>) -> DVector<f64> {
        let camera = self.camera(x);
        let mut out = Vec::with_capacity(2 * self.points.len() + 5);
        for (point, whitening) in self.points.iter().zip(&self.whitening) {
            let residual = camera.image_from_face(point.mm).map_or_else(
                || Vector2::repeat(f64::INFINITY),
                |p| whitening * Vector2::new(p.x - point.px.x, p.y - point.px.y),
            );
            out.extend([residual.x, residual.y]);
        }
        let (l, p) = (&camera.lens, self.prior);
        out.extend([
            (l.f_px / p.f_px).ln() / p.ln_f_sd,
            (l.cx_px - p.cx_px) / p.c_sd_px,
            (l.cy_px - p.cy_px) / p.c_sd_px,
            (l.k1 - p.k1) / p.k1_sd,
            (l.k2 - p.k2) / p.k2_sd,
        ]);
        DVector::from_vec(out)
    }

    fn jacobian(&self, x: &DVector<f64>, residuals: &DVector<f64>) -> DMatrix<f64> {
        let mut j = DMatrix::zeros(residuals.len(), x.len());
        math::difference_columns(self, x, residuals, &STEPS, &mut j);
        j
    }

    // every point counts in full: which don't fit is decided by trying without them
    fn observation_weights(&self) -> &[f64] {
        &[]
    }
}

/// Fits a camera to the points.
pub(super) fn solve(
    points: &[&Correspondence],
    prior: &LensPrior,
) -> Result<CameraSolution, NoCamera> {
    let base = first(points, prior)?;
    let mut fit = Fit {
        base,
        prior,
        points,
        whitening: Vec::new(),
    };
    let mut information = DMatrix::zeros(PARAMETERS, PARAMETERS);
    // the deviation along a ring is carried into the picture by the camera: twice, with the better one
    for _ in 0..2 {
        fit.whitening = points.iter().map(|p| whitening(&fit.base, p)).collect();
        let solution = least_squares(&fit, DVector::zeros(PARAMETERS), 60);
        fit.base = fit.camera(&solution.x);
        information = solution.information;
    }
    let residuals = fit.residuals(&DVector::zeros(PARAMETERS));
    let of_points = residuals.rows(0, 2 * points.len());
    if !of_points.iter().all(|r| r.is_finite()) {
        return Err(NoCamera::Contradiction);
    }
    let camera = fit.base;
    let residual = |p: &&Correspondence| {
        camera
            .image_from_face(p.mm)
            .map_or(f64::INFINITY, |q| q.distance(p.px))
    };
    let residual_px: Vec<f64> = points.iter().map(residual).collect();
    let normalised_residual = (0..points.len())
        .map(|i| of_points[2 * i].hypot(of_points[2 * i + 1]))
        .collect();
    // the priors of the lens's five numbers hold them: six of the pose are free
    let freedom = count((2 * points.len()).saturating_sub(6).max(1));
    let scale = (residuals.norm_squared() / freedom).sqrt();
    let covariance = math::covariance(&information, 0.0) * scale.max(1.0).powi(2);
    let squares: f64 = residual_px.iter().map(|m| m * m).sum();
    Ok(CameraSolution {
        camera,
        covariance: CameraCovariance::from_fn(|i, j| covariance[(i, j)]),
        rms_px: (squares / count(points.len())).sqrt(),
        residual_px,
        normalised_residual,
        scale,
    })
}

/// The camera that the points' homography shows, with the lens as expected.
fn first(points: &[&Correspondence], prior: &LensPrior) -> Result<Camera, NoCamera> {
    let lens = Lens {
        f_px: prior.f_px,
        cx_px: prior.cx_px,
        cy_px: prior.cy_px,
        k1: prior.k1,
        k2: prior.k2,
    };
    let pairs: Vec<(Vector2<f64>, Vector2<f64>)> = points
        .iter()
        .filter_map(|p| {
            let u = lens.normalised_from_pixel(p.px)?;
            Some((Vector2::new(p.mm.x, p.mm.y), u))
        })
        .collect();
    if pairs.len() < MIN_POINTS {
        return Err(NoCamera::Contradiction);
    }
    if in_a_line(&pairs) {
        return Err(NoCamera::InALine);
    }
    let h = homography(&pairs).ok_or(NoCamera::Contradiction)?;
    let pose: Pose = pose_of_plane(&h).ok_or(NoCamera::Contradiction)?;
    let camera = Camera { lens, pose };
    // seen from the archer's side
    if camera.centre_mm().z > 0.0 {
        Ok(camera)
    } else {
        Err(NoCamera::Mirrored)
    }
}

/// Whether all the points but one lie nearly in a line, on the face.
fn in_a_line(pairs: &[(Vector2<f64>, Vector2<f64>)]) -> bool {
    const NARROW: f64 = 0.03;
    let narrow = |leave: usize| {
        let kept = || pairs.iter().enumerate().filter(|(i, _)| *i != leave);
        let n = count(pairs.len() - 1).max(1.0);
        let mean = kept().map(|(_, p)| p.0).sum::<Vector2<f64>>() / n;
        let scatter_matrix: Matrix2<f64> = kept()
            .map(|(_, p)| (p.0 - mean) * (p.0 - mean).transpose())
            .sum();
        let e = scatter_matrix.symmetric_eigenvalues();
        e.min().max(0.0).sqrt() <= NARROW * e.max().max(0.0).sqrt()
    };
    (0..pairs.len()).any(narrow)
}

fn whitening(camera: &Camera, point: &Correspondence) -> Matrix2<f64> {
    let mut cov = Matrix2::identity() * point.sd_px * point.sd_px;
    if let Some([dx, dy]) = point.along {
        let at = |s: f64| {
            camera.image_from_face(FacePoint::new(point.mm.x + s * dx, point.mm.y + s * dy))
        };
        if let (Some(a), Some(b)) = (at(0.5), at(-0.5)) {
            let along = Vector2::new(a.x - b.x, a.y - b.y);
            cov += along * along.transpose();
        }
    }
    // symmetric inverse root
    let e = cov.symmetric_eigen();
    let root = Matrix2::from_diagonal(&e.eigenvalues.map(|v| 1.0 / v.max(1e-12).sqrt()));
    e.eigenvectors * root * e.eigenvectors.transpose()
}

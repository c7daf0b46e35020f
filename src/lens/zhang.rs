//! Calibration of a lens from several views of one flat board: Zhang 2000, "A flexible new technique for camera
//! calibration", IEEE TPAMI 22(11).
//!
//! Homographies give focal length and principal point in closed form (his section 3.1, with square pixels and no skew), the
//! poses follow from them, and all is refined together by robust least squares on the corners' image coordinates
//! (his section 3.3), now with the distortion terms.

use crate::geometry::camera::{Lens, Pose};
use crate::geometry::homography::homography;
use crate::math::{self, Problem, SD_FROM_MAD, Solution, count, least_squares, median};
use nalgebra::{DMatrix, DVector, Matrix3, Rotation3, Vector2, Vector3};

/// Index of a parameter among those of the lens: logarithm of the focal length, principal point, radial and tangential terms.
pub(super) const LN_F: usize = 0;
pub(super) const CX: usize = 1;
pub(super) const CY: usize = 2;
pub(super) const K1: usize = 3;
pub(super) const K2: usize = 4;
pub(super) const P1: usize = 5;
pub(super) const P2: usize = 6;
pub(super) const K3: usize = 7;
/// The parameters without the tangential and the third radial terms, as measuring uses them.
pub(super) const PLAIN: [usize; 5] = [LN_F, CX, CY, K1, K2];
/// All parameters.
pub(super) const ALL: [usize; 8] = [LN_F, CX, CY, K1, K2, P1, P2, K3];
const POSE: usize = 6;

/// A lens with all the terms that are fitted: x′ = x (1 + k1 r² + k2 r⁴ + k3 r⁶) + 2 p1 x y + p2 (r² + 2x²),
/// y′ = y (1 + …) + p1 (r² + 2y²) + 2 p2 x y (Brown–Conrady).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FullLens {
    /// Focal length, principal point, k1 and k2.
    pub lens: Lens,
    /// Tangential terms p1, p2.
    pub tangential: [f64; 2],
    /// Radial term of r⁶.
    pub k3: f64,
}

impl FullLens {
    /// Normalised direction → pixel.
    #[must_use]
    pub fn pixel(&self, u: Vector2<f64>) -> Vector2<f64> {
        let (r2, l, [p1, p2]) = (u.norm_squared(), &self.lens, self.tangential);
        let q = 1.0 + r2 * (l.k1 + r2 * (l.k2 + r2 * self.k3));
        let x = u.x * q + 2.0 * p1 * u.x * u.y + p2 * (r2 + 2.0 * u.x * u.x);
        let y = u.y * q + p1 * (r2 + 2.0 * u.y * u.y) + 2.0 * p2 * u.x * u.y;
        Vector2::new(l.cx_px + l.f_px * x, l.cy_px + l.f_px * y)
    }

    fn retract(&self, which: &[usize], by: &[f64]) -> Self {
        let mut out = *self;
        for (parameter, d) in which.iter().zip(by) {
            match *parameter {
                LN_F => out.lens.f_px *= d.exp(),
                CX => out.lens.cx_px += d,
                CY => out.lens.cy_px += d,
                K1 => out.lens.k1 += d,
                K2 => out.lens.k2 += d,
                P1 => out.tangential[0] += d,
                P2 => out.tangential[1] += d,
                _ => out.k3 += d,
            }
        }
        out
    }

    fn value(&self, parameter: usize) -> f64 {
        match parameter {
            LN_F => self.lens.f_px.ln(),
            CX => self.lens.cx_px,
            CY => self.lens.cy_px,
            K1 => self.lens.k1,
            K2 => self.lens.k2,
            P1 => self.tangential[0],
            P2 => self.tangential[1],
            _ => self.k3,
        }
    }
}

/// A corner of the board: its position on the board (squares) and in the picture (px).
pub type Pair = (Vector2<f64>, Vector2<f64>);

/// The result of a calibration.
#[derive(Clone, Debug)]
pub struct Calibration {
    /// The lens.
    pub lens: FullLens,
    /// Covariance of the parameters fitted (ln f, cx, cy, k1, k2, then p1, p2, k3 if these were), scaled by the residuals.
    pub covariance: DMatrix<f64>,
    /// The board before the camera in each view; lengths in squares.
    pub poses: Vec<Pose>,
    /// Root mean square residual of the corners in each view, px, without weights.
    pub rms_px: Vec<f64>,
    /// The same over all views.
    pub overall_px: f64,
    /// Robust standard deviation of a coordinate, px.
    pub sd_px: f64,
    /// Minus twice the logarithm of the likelihood, but for a constant, in standard deviations of `scale_px`.
    pub(super) deviance: f64,
}

/// First estimate of the lens of a picture of that size: from the homographies, or a usual lens where these don't determine one.
fn closed_form(homographies: &[Matrix3<f64>], size: [f64; 2]) -> Lens {
    let unit = 0.5 * (size[0] + size[1]);
    let middle = Vector2::new(0.5 * (size[0] - 1.0), 0.5 * (size[1] - 1.0));
    let to_unit = Matrix3::new(
        1.0 / unit,
        0.0,
        -middle.x / unit,
        0.0,
        1.0 / unit,
        -middle.y / unit,
        0.0,
        0.0,
        1.0,
    );
    let lens = |f: f64, x: f64, y: f64| Lens {
        f_px: f * unit,
        cx_px: middle.x + x * unit,
        cy_px: middle.y + y * unit,
        k1: 0.0,
        k2: 0.0,
    };
    // rows for (a, c, d, e) of the image of the absolute conic [[a, 0, c], [0, a, d], [c, d, e]]
    let mut rows: Vec<[f64; 4]> = Vec::new();
    for h in homographies {
        let h = to_unit * h;
        let (p, q) = (h.column(0).into_owned(), h.column(1).into_owned());
        let scale = (p.norm() * q.norm()).max(1e-300);
        let row = |u: Vector3<f64>, v: Vector3<f64>| {
            [
                u.x * v.x + u.y * v.y,
                u.x * v.z + u.z * v.x,
                u.y * v.z + u.z * v.y,
                u.z * v.z,
            ]
            .map(|x| x / scale)
        };
        rows.push(row(p, q));
        let (a, b) = (row(p, p), row(q, q));
        rows.push([0, 1, 2, 3].map(|k| a[k] - b[k]));
    }
    let plausible = |f: f64| (0.3..12.0).contains(&f);
    let null = |columns: &[usize]| -> Option<Vec<f64>> {
        let n = rows.len().max(columns.len());
        let a = DMatrix::from_fn(n, columns.len(), |i, j| {
            rows.get(i).map_or(0.0, |r| r[columns[j]])
        });
        let svd = a.try_svd(false, true, 1e-15, 500)?;
        let v = svd.v_t?;
        let last = (0..svd.singular_values.len())
            .min_by(|a, b| svd.singular_values[*a].total_cmp(&svd.singular_values[*b]))?;
        Some(v.row(last).iter().copied().collect())
    };
    if let Some([a, c, d, e]) = null(&[0, 1, 2, 3]).as_deref() {
        let (x, y) = (-c / a, -d / a);
        let f = (e / a - x * x - y * y).sqrt();
        if plausible(f) && x.abs() < 0.25 && y.abs() < 0.25 {
            return lens(f, x, y);
        }
    }
    if let Some([a, e]) = null(&[0, 3]).as_deref() {
        let f = (e / a).sqrt();
        if plausible(f) {
            return lens(f, 0.0, 0.0);
        }
    }
    lens(1.0, 0.0, 0.0)
}

/// The pose that a homography (board → pixels) means for a lens without distortion (Zhang's section 3.1).
fn pose(h: &Matrix3<f64>, lens: &Lens) -> Option<Pose> {
    let k = Matrix3::new(
        lens.f_px, 0.0, lens.cx_px, 0.0, lens.f_px, lens.cy_px, 0.0, 0.0, 1.0,
    );
    pose_of_plane(&(k.try_inverse()? * h))
}

/// The pose of the plane z = 0 that a homography to normalised directions shows. `None` when there is none.
#[must_use]
pub fn pose_of_plane(h: &Matrix3<f64>) -> Option<Pose> {
    let size = 0.5 * (h.column(0).norm() + h.column(1).norm());
    let sign = if h[(2, 2)] < 0.0 { -1.0 } else { 1.0 };
    let a = h * (sign / size);
    if !a.iter().all(|v| v.is_finite()) {
        return None;
    }
    let (x, y) = (a.column(0).into_owned(), a.column(1).into_owned());
    let svd = Matrix3::from_columns(&[x, y, x.cross(&y)]).try_svd(true, true, 1e-15, 500)?;
    let rotation = svd.u? * svd.v_t?;
    (rotation.determinant() > 0.0).then(|| Pose {
        rotation,
        translation_mm: a.column(2).into_owned(),
    })
}

struct Bundle<'a> {
    lens: FullLens,
    poses: Vec<Pose>,
    which: &'a [usize],
    views: &'a [Vec<Pair>],
    middle: Vector2<f64>,
    size_px: f64,
    sd_px: f64,
    observation_weights: Vec<f64>,
}

/// Step sizes of the numerical derivatives: the lens in the order of its parameters, then turn and shift of a pose.
const LENS_STEPS: [f64; 8] = [1e-6, 1e-3, 1e-3, 1e-6, 1e-6, 1e-6, 1e-6, 1e-6];
const POSE_STEPS: [f64; POSE] = [1e-6, 1e-6, 1e-6, 1e-5, 1e-5, 1e-5];
/// Prior standard deviations, so wide that a few corners outweigh them: logarithm of the focal length against the first estimate,
/// principal point in diagonals, the terms of distortion.
const PRIOR_SDS: [f64; 8] = [2.0, 0.2, 0.2, 1.0, 2.0, 0.1, 0.1, 4.0];

impl Bundle<'_> {
    fn at(&self, x: &DVector<f64>) -> (FullLens, Vec<Pose>) {
        let n = self.which.len();
        let lens = self.lens.retract(self.which, &x.as_slice()[..n]);
        let poses = self
            .poses
            .iter()
            .zip(x.as_slice()[n..].chunks_exact(POSE))
            .map(|(p, d)| Pose {
                rotation: p.rotation * Rotation3::new(Vector3::new(d[0], d[1], d[2])).into_inner(),
                translation_mm: p.translation_mm + Vector3::new(d[3], d[4], d[5]),
            })
            .collect();
        (lens, poses)
    }

    fn reprojection_residuals(
        &self,
        lens: &FullLens,
        pose: &Pose,
        view: usize,
    ) -> impl Iterator<Item = f64> {
        let (lens, pose, sd) = (*lens, *pose, self.sd_px);
        self.views[view].iter().flat_map(move |(at, seen)| {
            let c = pose.rotation * Vector3::new(at.x, at.y, 0.0) + pose.translation_mm;
            if c.z > 1e-6 {
                let residual = lens.pixel(Vector2::new(c.x / c.z, c.y / c.z)) - seen;
                [residual.x / sd, residual.y / sd]
            } else {
                [f64::INFINITY; 2]
            }
        })
    }

    fn prior_residuals(&self, lens: &FullLens) -> Vec<f64> {
        let first = [0.0, self.middle.x, self.middle.y, 0.0, 0.0, 0.0, 0.0, 0.0];
        self.which
            .iter()
            .map(|p| {
                let (value, unit) = match *p {
                    LN_F => (lens.value(LN_F) - self.size_px.ln(), 1.0),
                    CX | CY => (lens.value(*p) - first[*p], self.size_px),
                    _ => (lens.value(*p), 1.0),
                };
                value / (PRIOR_SDS[*p] * unit)
            })
            .collect()
    }
}

impl Problem for Bundle<'_> {
    fn residuals(&self, x: &DVector<f64>) -> DVector<f64> {
        let (lens, poses) = self.at(x);
        let mut out = Vec::with_capacity(self.observation_weights.len() + self.which.len());
        for (i, pose) in poses.iter().enumerate() {
            out.extend(self.reprojection_residuals(&lens, pose, i));
        }
        out.extend(self.prior_residuals(&lens));
        DVector::from_vec(out)
    }

    fn jacobian(&self, x: &DVector<f64>, residuals: &DVector<f64>) -> DMatrix<f64> {
        let n = self.which.len();
        let mut j = DMatrix::zeros(residuals.len(), x.len());
        let steps: Vec<f64> = self.which.iter().map(|p| LENS_STEPS[*p]).collect();
        math::difference_columns(self, x, residuals, &steps, &mut j);
        // a pose moves the corners of its own view only
        let (lens, _) = self.at(x);
        for (k, step) in POSE_STEPS.iter().enumerate() {
            let mut moved = x.clone();
            for v in 0..self.views.len() {
                moved[n + POSE * v + k] += step;
            }
            let (_, poses) = self.at(&moved);
            let mut row = 0;
            for (v, pose) in poses.iter().enumerate() {
                for residual in self.reprojection_residuals(&lens, pose, v) {
                    let d = (residual - residuals[row]) / step;
                    j[(row, n + POSE * v + k)] = if d.is_finite() { d } else { 0.0 };
                    row += 1;
                }
            }
        }
        j
    }

    fn observation_weights(&self) -> &[f64] {
        &self.observation_weights
    }
}

/// Iterations in which the residuals' scale is estimated anew, and most Gauss–Newton iterations in each.
const RESCALING_ITERATIONS: usize = 4;
const ITERATIONS: usize = 30;
/// Least standard deviation of a corner, px.
const MIN_SD_PX: f64 = 0.01;

/// Calibrates the lens of pictures of that size (px) from views of one board, with the plain terms. `None`: some view shows
/// no plane, or the search didn't end.
#[must_use]
pub fn calibrate(views: &[Vec<Pair>], size: [f64; 2]) -> Option<Calibration> {
    let homographies: Vec<Matrix3<f64>> =
        views.iter().map(|v| homography(v)).collect::<Option<_>>()?;
    if homographies.is_empty() {
        return None;
    }
    let lens = closed_form(&homographies, size);
    let poses: Vec<Pose> = homographies
        .iter()
        .map(|h| pose(h, &lens))
        .collect::<Option<_>>()?;
    let start = FullLens {
        lens,
        tangential: [0.0; 2],
        k3: 0.0,
    };
    refined(views, size, start, poses, &PLAIN, None)
}

/// The calibration with tangential terms and k3 as well, from one without; its residuals are scaled by the other's scale.
#[must_use]
pub fn with_all_terms(
    views: &[Vec<Pair>],
    size: [f64; 2],
    plain: &Calibration,
) -> Option<Calibration> {
    refined(
        views,
        size,
        plain.lens,
        plain.poses.clone(),
        &ALL,
        Some(plain.sd_px),
    )
}

fn refined(
    views: &[Vec<Pair>],
    size: [f64; 2],
    lens: FullLens,
    poses: Vec<Pose>,
    which: &[usize],
    scale: Option<f64>,
) -> Option<Calibration> {
    let n = which.len();
    let mut problem = Bundle {
        lens,
        poses,
        which,
        views,
        middle: Vector2::new(0.5 * (size[0] - 1.0), 0.5 * (size[1] - 1.0)),
        size_px: size[0].hypot(size[1]),
        sd_px: 1.0,
        observation_weights: vec![1.0; 2 * views.iter().map(Vec::len).sum::<usize>()],
    };
    let mut end: Option<Solution> = None;
    for round in 0..RESCALING_ITERATIONS {
        let start = DVector::zeros(n + POSE * views.len());
        problem.sd_px = 1.0;
        let before = problem.residuals(&start);
        // the first poses are without distortion, so that no corner is down-weighted yet
        let factor = if round == 0 && scale.is_none() {
            3.0
        } else {
            1.0
        };
        problem.sd_px =
            (factor * robust_sd_px(&before, problem.observation_weights.len())).max(MIN_SD_PX);
        let solution = least_squares(&problem, start, ITERATIONS);
        let (lens, poses) = problem.at(&solution.x);
        (problem.lens, problem.poses) = (lens, poses);
        end = Some(solution);
    }
    let solution = end?;
    let scale = scale.unwrap_or(problem.sd_px);
    let measured = problem.observation_weights.len();
    let reprojection_residuals: Vec<f64> = solution
        .residuals
        .iter()
        .take(measured)
        .map(|r| r * problem.sd_px)
        .collect();
    if !reprojection_residuals.iter().all(|m| m.is_finite()) {
        return None;
    }
    let deviance: f64 = reprojection_residuals
        .iter()
        .map(|m| 2.0 * math::tukey_loss(m / scale, math::TUKEY_95))
        .sum();
    let all = math::covariance(&solution.information, 0.0);
    let mut rms_px = Vec::new();
    let mut at = 0;
    for view in views {
        let own = &reprojection_residuals[at..at + 2 * view.len()];
        at += 2 * view.len();
        rms_px.push(rms(own));
    }
    Some(Calibration {
        lens: problem.lens,
        covariance: DMatrix::from_fn(n, n, |i, j| all[(i, j)]),
        poses: problem.poses,
        rms_px,
        overall_px: rms(&reprojection_residuals),
        sd_px: problem.sd_px,
        deviance,
    })
}

/// Root mean square of the corners' residuals, given those in x and in y.
fn rms(reprojection_residuals: &[f64]) -> f64 {
    let n = count(reprojection_residuals.len() / 2).max(1.0);
    (reprojection_residuals.iter().map(|m| m * m).sum::<f64>() / n).sqrt()
}

/// Robust standard deviation of the first `n` residuals.
fn robust_sd_px(residuals: &DVector<f64>, n: usize) -> f64 {
    let mut size: Vec<f64> = residuals.iter().take(n).map(|r| r.abs()).collect();
    let sd = SD_FROM_MAD * median(&mut size);
    if sd.is_finite() { sd } else { 1.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Zhang's own camera (facts published with the method: 640 × 480 px, α 832.5, u₀ 303.959, v₀ 206.585, k₁ −0.2286,
    /// k₂ 0.19035), seen from five sides.
    fn views() -> (FullLens, Vec<Vec<Pair>>) {
        let lens = FullLens {
            lens: Lens {
                f_px: 832.5,
                cx_px: 303.959,
                cy_px: 206.585,
                k1: -0.228_601,
                k2: 0.190_353,
            },
            tangential: [0.0; 2],
            k3: 0.0,
        };
        let turns = [
            (0.3, 0.2, 0.1),
            (-0.4, 0.1, 1.0),
            (0.1, 0.5, -0.3),
            (0.0, -0.5, 0.0),
            (-0.3, -0.3, 0.7),
        ];
        let views = turns.iter().map(|(a, b, c)| {
            let r = Rotation3::from_euler_angles(*a, *b, *c).into_inner();
            let t = Vector3::new(0.0, 0.0, 14.0) - r * Vector3::new(3.5, 3.5, 0.0);
            (0..64)
                .map(|i| {
                    let at = Vector2::new(f64::from(i % 8), f64::from(i / 8));
                    let p = r * Vector3::new(at.x, at.y, 0.0) + t;
                    (at, lens.pixel(Vector2::new(p.x / p.z, p.y / p.z)))
                })
                .collect()
        });
        (lens, views.collect())
    }

    #[test]
    fn exact_corners_give_the_exact_camera() {
        let (lens, views) = views();
        let c = calibrate(&views, [640.0, 480.0]).unwrap();
        let (a, b) = (c.lens.lens, lens.lens);
        assert!((a.f_px - b.f_px).abs() < 1e-3, "{a:?}");
        assert!((a.cx_px - b.cx_px).abs() < 1e-3 && (a.cy_px - b.cy_px).abs() < 1e-3);
        assert!((a.k1 - b.k1).abs() < 1e-5 && (a.k2 - b.k2).abs() < 1e-4);
        assert!(c.overall_px < 1e-4 && c.rms_px.len() == 5);
    }

    #[test]
    fn a_wrong_corner_moves_nothing() {
        let (lens, mut views) = views();
        views[1][20].1.x += 9.0;
        views[3][5].1.y -= 30.0;
        let c = calibrate(&views, [640.0, 480.0]).unwrap();
        assert!(
            (c.lens.lens.f_px - lens.lens.f_px).abs() < 0.05,
            "{:?}",
            c.lens
        );
        assert!(
            c.rms_px[3] > 3.0,
            "but it shows in the residuals: {:?}",
            c.rms_px
        );
    }

    #[test]
    fn the_closed_form_is_near_without_distortion() {
        let (_, views) = views();
        let straight: Vec<Vec<Pair>> = views
            .iter()
            .map(|v| {
                let h = homography(v).unwrap();
                v.iter()
                    .map(|(at, _)| (*at, crate::geometry::homography::mapped(&h, *at)))
                    .collect()
            })
            .collect();
        let hs: Vec<_> = straight.iter().map(|v| homography(v).unwrap()).collect();
        let lens = closed_form(&hs, [640.0, 480.0]);
        // distortion of a quarter at the corners leaves the first guess within some per cent
        assert!((lens.f_px / 832.5 - 1.0).abs() < 0.15, "{lens:?}");
        assert!(calibrate(&[], [640.0, 480.0]).is_none());
    }
}

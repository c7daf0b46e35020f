//! One linear fit to all rings of a spot as the search has them.
//!
//! Circles of radius ρ about a common centre, seen by a camera, satisfy xᵀMx − 2bᵀx + d = ρ² (1 + 2gᵀx) to first order of the
//! perspective g. Sums and products are worked out one by one in the widest vectors that there are: the bits don't depend on them.

use super::rays::{Hit, Target};
use fearless_simd::{Level, dispatch};
use nalgebra::{Matrix2, SMatrix, SVector, Vector2};

/// Most that the face may be foreshortened, longest to shortest axis (cos 70°).
const MAX_FORESHORTENING: f64 = 3.0;

/// Linear fit of all rings, in coordinates about `origin` divided by `unit`, radii relative to the outer zone.
#[derive(Clone, Copy)]
pub(super) struct Pencil {
    pub(super) origin: Vector2<f64>,
    pub(super) unit: f64,
    pub(super) m: Matrix2<f64>,
    pub(super) b: Vector2<f64>,
    pub(super) d: f64,
    pub(super) g: Vector2<f64>,
}

impl Pencil {
    #[inline(always)]
    pub(super) fn rho(&self, p: Vector2<f64>) -> f64 {
        let x = (p - self.origin) / self.unit;
        let over = 1.0 + 2.0 * self.g.dot(&x);
        let value = (x.dot(&(self.m * x)) - 2.0 * self.b.dot(&x) + self.d) / over.max(0.05);
        value.max(0.0).sqrt()
    }

    pub(super) fn centre(&self) -> Option<Vector2<f64>> {
        Some(self.m.try_inverse()? * self.b * self.unit + self.origin)
    }

    /// Plausible as circles seen by a camera: an ellipse, not too flat, and its centre has radius 0.
    pub(super) fn is_sound(&self) -> bool {
        let e = self.m.symmetric_eigenvalues();
        let (low, high) = (e.min(), e.max());
        low > 0.0
            && (high / low).sqrt() < MAX_FORESHORTENING
            && self.g.norm() < 0.6
            && self
                .m
                .try_inverse()
                .is_some_and(|i| (self.d - self.b.dot(&(i * self.b))).abs() < 0.04)
    }

    /// Largest distance of the outermost boundary from the centre, px: the longer axis, and what perspective adds to it (the
    /// larger root of x² = 1 + 2qx along that axis).
    pub(super) fn farthest(&self) -> f64 {
        let long = 1.0 / self.m.symmetric_eigenvalues().min().max(1e-12).sqrt();
        let q = self.g.norm() * long;
        self.unit * long * (q + (1.0 + q * q).sqrt())
    }

    /// Outer radius, px: geometric mean of the axes.
    pub(super) fn radius(&self) -> f64 {
        self.unit * self.m.determinant().max(1e-300).powf(-0.25)
    }
}

/// How many of some hits (place and radius of their boundary) lie within a relative `tolerance` of where the fit expects them; any
/// number below `least` once so many can't be reached.
#[inline(always)]
pub(super) fn agreeing_hits(
    hits: &[[f64; 3]],
    pencil: &Pencil,
    tolerance: f64,
    least: usize,
) -> usize {
    const HITS_AT_ONCE: usize = 16;
    let (mut n, mut remaining) = (0, hits.len());
    for hits in hits.chunks(HITS_AT_ONCE) {
        if n + remaining < least {
            break;
        }
        // without branches, so that several are worked out at once
        for [x, y, rho] in hits {
            let off = (pencil.rho(Vector2::new(*x, *y)) / rho - 1.0).abs();
            n += usize::from(off < tolerance);
        }
        remaining -= hits.len();
    }
    n
}

/// Least squares over hits of all boundaries.
pub(super) fn fit(
    hits: &[Hit],
    targets: &[Target],
    origin: Vector2<f64>,
    unit: f64,
    perspective: bool,
) -> Option<Pencil> {
    // the perspective of a face that fills the picture is some 0.3; this keeps it from running away where rings are few
    const PERSPECTIVE_SD: f64 = 0.3;
    const HIT_SD: f64 = 0.03;
    if hits.len() < 6 || !(unit.is_finite() && unit > 1.0) {
        return None;
    }
    let (mut normal, mut right) = ([[0.0; 8]; 8], [0.0; 8]);
    let level = Level::new();
    dispatch!(level, _simd => for h in hits {
        let x = (h.at - origin) / unit;
        let rho = targets[h.target].rho;
        let gain = if perspective { -2.0 * rho * rho } else { 0.0 };
        let row = [
            x.x * x.x,
            2.0 * x.x * x.y,
            x.y * x.y,
            -2.0 * x.x,
            -2.0 * x.y,
            1.0,
            gain * x.x,
            gain * x.y,
        ]
        .map(|v: f64| v / rho);
        for (sums, a) in normal.iter_mut().zip(row) {
            for (sum, b) in sums.iter_mut().zip(row) {
                *sum += a * b;
            }
        }
        for (sum, a) in right.iter_mut().zip(row) {
            *sum += a * rho;
        }
    });
    let mut normal = SMatrix::<f64, 8, 8>::from(normal);
    let right = SVector::<f64, 8>::from(right);
    let ridge = (HIT_SD / PERSPECTIVE_SD).powi(2);
    normal[(6, 6)] += ridge;
    normal[(7, 7)] += ridge;
    let s = normal.cholesky()?.solve(&right);
    s.iter().all(|v| v.is_finite()).then(|| Pencil {
        origin,
        unit,
        m: Matrix2::new(s[0], s[1], s[1], s[2]),
        b: Vector2::new(s[3], s[4]),
        d: s[5],
        g: Vector2::new(s[6], s[7]),
    })
}

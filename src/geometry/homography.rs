//! Homographies between planes: the normalised direct linear transformation.

use crate::math::count;
use nalgebra::{DMatrix, Matrix3, Vector2, Vector3};

/// Homography that takes each first point to its second: the normalised DLT (Hartley and Zisserman 2004, "Multiple View
/// Geometry", algorithm 4.2). `None` with fewer than four points, or when they don't fix one (three of four in a line).
#[must_use]
pub fn homography(pairs: &[(Vector2<f64>, Vector2<f64>)]) -> Option<Matrix3<f64>> {
    if pairs.len() < 4 {
        return None;
    }
    let from = normaliser(pairs.iter().map(|p| p.0))?;
    let to = normaliser(pairs.iter().map(|p| p.1))?;
    // nine rows at least, so that the singular vector of the null space is among those computed
    let mut a = DMatrix::zeros((2 * pairs.len()).max(9), 9);
    for (i, (p, q)) in pairs.iter().enumerate() {
        let x = from * Vector3::new(p.x, p.y, 1.0);
        let y = to * Vector3::new(q.x, q.y, 1.0);
        for k in 0..3 {
            a[(2 * i, k)] = x[k];
            a[(2 * i, k + 6)] = -y.x * x[k];
            a[(2 * i + 1, k + 3)] = x[k];
            a[(2 * i + 1, k + 6)] = -y.y * x[k];
        }
    }
    if !a.iter().all(|v| v.is_finite()) {
        return None;
    }
    let svd = a.try_svd(false, true, 1e-15, 500)?;
    let v = svd.v_t?;
    let mut order: Vec<usize> = (0..svd.singular_values.len()).collect();
    order.sort_by(|a, b| svd.singular_values[*a].total_cmp(&svd.singular_values[*b]));
    let (last, before) = (*order.first()?, *order.get(1)?);
    // a second null direction: the points leave it open
    if svd.singular_values[before] < 1e-9 * svd.singular_values.amax() {
        return None;
    }
    let h = Matrix3::from_fn(|r, c| v[(last, 3 * r + c)]);
    let h = to.try_inverse()? * h * from;
    let size = h.norm();
    (size.is_finite() && size > 0.0 && h.determinant().abs() > 1e-14 * size.powi(3))
        .then(|| h / size)
}

/// Similarity that brings points to mean 0 and mean distance √2.
fn normaliser(points: impl Iterator<Item = Vector2<f64>> + Clone) -> Option<Matrix3<f64>> {
    let n = count(points.clone().count());
    let mean = points.clone().sum::<Vector2<f64>>() / n;
    let mean_distance = points.map(|p| (p - mean).norm()).sum::<f64>() / n;
    let s = std::f64::consts::SQRT_2 / mean_distance;
    (s.is_finite() && mean_distance > 1e-12)
        .then(|| Matrix3::new(s, 0.0, -s * mean.x, 0.0, s, -s * mean.y, 0.0, 0.0, 1.0))
}

/// The image of a point; not finite on the horizon.
#[must_use]
pub fn mapped(h: &Matrix3<f64>, p: Vector2<f64>) -> Vector2<f64> {
    let q = h * Vector3::new(p.x, p.y, 1.0);
    Vector2::new(q.x / q.z, q.y / q.z)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn unit_square_to(q: [(f64, f64); 4]) -> Option<Matrix3<f64>> {
        let p = [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)];
        let pairs: Vec<_> = p
            .iter()
            .zip(q)
            .map(|(p, q)| (Vector2::new(p.0, p.1), Vector2::new(q.0, q.1)))
            .collect();
        homography(&pairs)
    }

    #[test]
    fn four_points_fix_it() {
        let corners = [
            (100.0, 80.0),
            (900.0, 140.0),
            (820.0, 700.0),
            (160.0, 650.0),
        ];
        let h = unit_square_to(corners).unwrap();
        for (p, q) in [((0.0, 0.0), corners[0]), ((1.0, 1.0), corners[2])] {
            let m = mapped(&h, Vector2::new(p.0, p.1));
            assert!((m - Vector2::new(q.0, q.1)).norm() < 1e-8, "{m}");
        }
        // the diagonals of the square meet where those of its image do
        let m = mapped(&h, Vector2::new(0.5, 0.5));
        let on =
            |a: (f64, f64), b: (f64, f64)| (b.0 - a.0) * (m.y - a.1) - (b.1 - a.1) * (m.x - a.0);
        assert!(on(corners[0], corners[2]).abs() < 1e-5 && on(corners[1], corners[3]).abs() < 1e-5);
    }

    #[test]
    fn points_that_leave_it_open_are_refused() {
        // all four in a line; two of them the same; three in a line
        assert!(unit_square_to([(0.0, 0.0), (1.0, 1.0), (2.0, 2.0), (3.0, 3.0)]).is_none());
        assert!(unit_square_to([(0.0, 0.0), (0.0, 0.0), (0.0, 0.0), (0.0, 0.0)]).is_none());
        assert!(unit_square_to([(0.0, 0.0), (1.0, 0.0), (2.0, 0.0), (0.0, f64::NAN)]).is_none());
        assert!(homography(&[]).is_none());
    }
}

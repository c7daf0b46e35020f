//! The surface of the paper: how far it stands off the face plane, and where its print is seen because of that.
//!
//! Paper that stands off the plane by z appears displaced by z · (X − F)/(D − z), away from the camera's foot point F; D is the
//! camera's distance from the plane.

use super::spec::FaceSpec;
use crate::geometry::FacePoint;
use nalgebra::{SMatrix, SVector, Vector3};

/// Number of terms that describe how the paper stands off the face plane: all products xⁱyʲ up to the fourth degree.
pub(crate) const SHEET_TERMS: usize = 15;

/// The surface of the paper: how far it stands off the face plane, mm, towards the archer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sheet {
    /// Factors of the terms xⁱyʲ, i + j ≤ 4, in the order 1, x, y, x², xy, y², x³, x²y, xy², y³, x⁴, x³y, x²y², xy³, y⁴; mm.
    pub z_mm: SVector<f64, SHEET_TERMS>,
    /// Length that x and y are divided by, mm.
    pub reach_mm: f64,
}

impl Sheet {
    /// A sheet that lies in the face plane.
    #[must_use]
    pub fn flat() -> Self {
        Self {
            z_mm: SVector::zeros(),
            reach_mm: 1.0,
        }
    }

    /// The same sheet in a face frame that is turned about its normal by `turn_rad`, counter-clockwise.
    #[must_use]
    pub fn rolled(&self, turn_rad: f64) -> Self {
        // a polynomial of the fourth degree is one in any frame: through as many places as it has terms, and more
        let (sin, cos) = turn_rad.sin_cos();
        let mut normal = SMatrix::<f64, SHEET_TERMS, SHEET_TERMS>::zeros();
        let mut right = SVector::<f64, SHEET_TERMS>::zeros();
        for i in -3i32..=3 {
            for j in -3i32..=3 {
                let (x, y) = (f64::from(i) / 4.0, f64::from(j) / 4.0);
                let here = sheet_terms(FacePoint::new(x, y), 1.0);
                let before = FacePoint::new(cos * x - sin * y, sin * x + cos * y);
                normal += here * here.transpose();
                right += here * sheet_terms(before, 1.0).dot(&self.z_mm);
            }
        }
        let z_mm = normal.cholesky().map_or(self.z_mm, |c| c.solve(&right));
        Self { z_mm, ..*self }
    }

    /// Height over the face plane at a place of the print, mm. Beyond the print it stays what it is at its rim.
    fn height_mm(&self, at: FacePoint) -> f64 {
        let inside = (self.reach_mm / at.x.hypot(at.y)).min(1.0);
        let at = FacePoint::new(inside * at.x, inside * at.y);
        sheet_terms(at, self.reach_mm).dot(&self.z_mm)
    }

    /// Lowest and highest place of the sheet on the rings of a face, mm.
    #[must_use]
    pub fn range_mm(&self, spec: &FaceSpec) -> (f64, f64) {
        let radii = spec.boundaries().into_iter().map(|b| b.radius_mm);
        let radii: Vec<f64> = radii.chain([0.0]).collect();
        let mut range = (f64::INFINITY, f64::NEG_INFINITY);
        for spot in &spec.spots_mm {
            for r in &radii {
                for k in 0..24u32 {
                    let (sin, cos) = (std::f64::consts::TAU * f64::from(k) / 24.0).sin_cos();
                    let z = self.height_mm(FacePoint::new(spot.x + r * cos, spot.y + r * sin));
                    range = (range.0.min(z), range.1.max(z));
                }
            }
        }
        range
    }

    /// Where a point of the print appears on the face plane, seen from `camera_mm` (face frame).
    #[must_use]
    pub fn apparent(&self, at: FacePoint, camera_mm: Vector3<f64>) -> FacePoint {
        let z = self.height_mm(at);
        let k = z / (camera_mm.z - z);
        FacePoint::new(
            at.x + k * (at.x - camera_mm.x),
            at.y + k * (at.y - camera_mm.y),
        )
    }

    /// The point of the print that is seen at a point of the face plane, the inverse of [`apparent`](Self::apparent).
    #[must_use]
    pub fn on_print(&self, seen: FacePoint, camera_mm: Vector3<f64>) -> FacePoint {
        let mut at = seen;
        // a contraction wherever the sheet's slope is less than the view's
        for _ in 0..20 {
            let k = self.height_mm(at) / camera_mm.z;
            at = FacePoint::new(
                seen.x - k * (seen.x - camera_mm.x),
                seen.y - k * (seen.y - camera_mm.y),
            );
        }
        at
    }
}

/// The terms at a place, lengths in reaches of the face.
pub(super) fn sheet_terms(at: FacePoint, reach_mm: f64) -> SVector<f64, SHEET_TERMS> {
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

#[cfg(test)]
mod tests {
    use super::*;

    fn bulge() -> Sheet {
        let mut z_mm = SVector::zeros();
        (z_mm[0], z_mm[1], z_mm[3], z_mm[4], z_mm[11]) = (12.0, 3.0, -10.0, 4.0, 2.0);
        Sheet {
            z_mm,
            reach_mm: 610.0,
        }
    }

    #[test]
    fn what_is_seen_of_the_print_leads_back_to_it() {
        let camera = Vector3::new(900.0, -300.0, 2500.0);
        for (x, y) in [(0.0, 0.0), (400.0, -300.0), (-580.0, 150.0), (700.0, 500.0)] {
            let at = FacePoint::new(x, y);
            let seen = bulge().apparent(at, camera);
            assert!(bulge().on_print(seen, camera).distance(at) < 1e-6);
        }
        let seen = bulge().apparent(FacePoint::default(), camera);
        // 12 mm nearer to a camera that stands 900 mm to the right: seen to the left of where it is
        assert!((seen.x + 900.0 * 12.0 / 2488.0).abs() < 1e-9);
    }

    #[test]
    fn a_turned_frame_has_the_same_heights() {
        let turn = 0.7f64;
        let turned = bulge().rolled(turn);
        for (x, y) in [(100.0, 50.0), (-400.0, 300.0)] {
            let (sin, cos) = turn.sin_cos();
            let before = FacePoint::new(cos * x - sin * y, sin * x + cos * y);
            let (a, b) = (
                turned.height_mm(FacePoint::new(x, y)),
                bulge().height_mm(before),
            );
            assert!((a - b).abs() < 1e-9, "{a} {b}");
        }
    }
}

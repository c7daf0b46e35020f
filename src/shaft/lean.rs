//! How the shafts of one photo stand, all of them together.
//!
//! Square to the direction away from the camera's foot the picture shows a shaft's lean. Along that direction a lean looks like
//! another length. What separates the two is that the shafts have a length in common, that they lean by little, and that the camera
//! looks at each of them at an angle of its own: a linear estimate (Gauss and Markov's, with what is usual as prior) of the common
//! length and the common lean, then of each shaft's own part.

use super::Lean;
use super::model::Features;
use super::model::UsualLength;
use super::peaks::Peak;
use crate::geometry::FacePoint;
use nalgebra::{Matrix3, Vector2, Vector3};

/// Scatter of the lengths by which the shafts of one photo stand out, mm (practice photos: 9 mm; with the errors of nocks that are
/// read badly).
const LENGTH_SCATTER_MM: f64 = 15.0;
/// Scatter of a shaft's lean, rad: 1.4° on each axis (practice photos).
const LEAN_SD: f64 = 0.025;
/// Scatter of what all shafts of a photo lean together, rad. Practice photos have 0.017; chosen, as these constants are, for the
/// least error of the lean there.
const COMMON_LEAN_SD: f64 = 0.011;
/// Error of the sideways lean read from the picture, rad.
const SIDEWAYS_SD: f64 = 0.008;
/// The same where both edges of the shaft are clear.
const SIDEWAYS_SD_BY_EDGES: f64 = 0.004;

/// What the picture shows of one shaft.
pub(super) struct LeanObservation<'a> {
    pub(super) peak: &'a Peak,
    pub(super) features: &'a Features,
    /// Probability of being a shaft.
    pub(super) probability: f64,
    /// Whether both edges are clear.
    pub(super) edges: bool,
}

/// A shaft's own numbers: `along · (length − common)` = along · δ + u · lean, slope = w · lean, each with its variance.
struct Row {
    u: Vector2<f64>,
    w: Vector2<f64>,
    along: f64,
    length: f64,
    slope: f64,
    length_var: f64,
    slope_var: f64,
}

impl Row {
    fn new(s: &LeanObservation, foot: FacePoint, distance_mm: f64, common_mm: f64) -> Self {
        let u = super::peaks::radial_direction(s.peak.point, foot);
        // a lean by this many radians along u shows as a millimetre of length: small-angle form
        let along =
            s.peak.point.distance(foot) / ((distance_mm - common_mm).max(1.0) * common_mm.max(1.0));
        let sideways = if s.edges {
            SIDEWAYS_SD_BY_EDGES
        } else {
            SIDEWAYS_SD
        };
        let length_sd = along * s.features.length_sd_mm.hypot(LENGTH_SCATTER_MM);
        Self {
            u,
            w: Vector2::new(-u.y, u.x),
            along,
            length: along * (s.features.length_mm - common_mm),
            slope: s.peak.slope,
            length_var: length_sd.powi(2) + LEAN_SD.powi(2),
            slope_var: sideways.powi(2) + LEAN_SD.powi(2),
        }
    }

    /// Derivatives of the two numbers with respect to common length and common lean.
    fn by_length(&self) -> Vector3<f64> {
        Vector3::new(self.along, self.u.x, self.u.y)
    }

    fn by_slope(&self) -> Vector3<f64> {
        Vector3::new(0.0, self.w.x, self.w.y)
    }
}

/// The leans of all shafts; `common_mm` is a first guess of the length that they have in common, seen from `distance_mm` above the
/// place `foot` of the face plane.
pub(super) fn leans(
    shown: &[LeanObservation],
    common_mm: f64,
    usual: UsualLength,
    foot: FacePoint,
    distance_mm: f64,
) -> Vec<Lean> {
    let rows: Vec<Row> = shown
        .iter()
        .map(|s| Row::new(s, foot, distance_mm, common_mm))
        .collect();
    let prior = [usual.sd, COMMON_LEAN_SD, COMMON_LEAN_SD].map(|sd: f64| sd.powi(-2));
    let mut normal = Matrix3::from_diagonal(&Vector3::from(prior));
    let mut right = Vector3::new((usual.mean - common_mm) * prior[0], 0.0, 0.0);
    for (row, s) in rows.iter().zip(shown).filter(|(_, s)| s.probability > 0.5) {
        for (by, value, var) in [
            (row.by_length(), row.length, row.length_var),
            (row.by_slope(), row.slope, row.slope_var),
        ] {
            normal += by * by.transpose() * (s.probability / var);
            right += by * (value * s.probability / var);
        }
    }
    // the prior makes it positive definite
    let cov = normal.try_inverse().unwrap_or_else(Matrix3::zeros);
    let common = cov * right;
    rows.iter().map(|row| row.lean(&common, &cov)).collect()
}

impl Row {
    /// This shaft's lean, given what all have in common.
    fn lean(&self, common: &Vector3<f64>, cov: &Matrix3<f64>) -> Lean {
        let own = LEAN_SD.powi(2);
        let part = |by: Vector3<f64>, value: f64, var: f64, direction: Vector2<f64>| {
            let gain = own / var;
            let lean = Vector3::new(0.0, direction.x, direction.y);
            let change = lean - by * gain;
            let sd2 = own * (1.0 - gain) + change.dot(&(cov * change));
            (lean.dot(common) + gain * (value - by.dot(common)), sd2)
        };
        let (along, along_var) = part(self.by_length(), self.length, self.length_var, self.u);
        let (across, across_var) = part(self.by_slope(), self.slope, self.slope_var, self.w);
        let lean = self.u * along + self.w * across;
        Lean {
            right_rad: lean.x.atan(),
            up_rad: lean.y.atan(),
            sd_rad: f64::midpoint(along_var, across_var).max(0.0).sqrt(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const USUAL: UsualLength = UsualLength {
        mean: 570.0,
        sd: 120.0,
    };
    const DISTANCE_MM: f64 = 2500.0;

    /// What a camera sees of shafts of `length_mm` that lean by `lean` each, without errors.
    fn seen(
        entries: &[(f64, f64)],
        foot: FacePoint,
        lean: Vector2<f64>,
        length_mm: f64,
    ) -> Vec<(Peak, Features)> {
        let shaft = |&(x, y): &(f64, f64)| {
            let point = FacePoint::new(x, y);
            let u = super::super::peaks::radial_direction(point, foot);
            let tan_view_angle = point.distance(foot) / DISTANCE_MM;
            // as in `peaks`: what a lean along u adds to the axis of a perpendicular shaft on the face plane
            let slope = lean.dot(&Vector2::new(-u.y, u.x));
            let axis = tan_view_angle + lean.dot(&u);
            let on_face = axis * DISTANCE_MM * length_mm / (DISTANCE_MM - length_mm);
            let length = on_face / (tan_view_angle + on_face / DISTANCE_MM);
            let peak = Peak {
                score: 0.99,
                point,
                slope,
                axis_log_odds: 2.0,
                fletched_log_odds: 0.0,
                direction: Vector2::zeros(),
            };
            let features = Features {
                length_mm: length,
                length_sd_mm: 6.0,
                ..Features::default()
            };
            (peak, features)
        };
        entries.iter().map(shaft).collect()
    }

    fn found(seen: &[(Peak, Features)], foot: FacePoint, common_mm: f64) -> Vec<Lean> {
        let shown: Vec<LeanObservation> = seen
            .iter()
            .map(|(peak, features)| LeanObservation {
                peak,
                features,
                probability: 0.99,
                edges: true,
            })
            .collect();
        leans(&shown, common_mm, USUAL, foot, DISTANCE_MM)
    }

    #[test]
    fn perpendicular_shafts_stand_straight_whatever_their_length() {
        let foot = FacePoint::new(900.0, -200.0);
        for length in [500.0, 570.0, 640.0] {
            let all = seen(
                &[(0.0, 0.0), (120.0, 80.0), (-150.0, 60.0)],
                foot,
                Vector2::zeros(),
                length,
            );
            for lean in found(&all, foot, length) {
                // a length beside the usual one may be a common lean: weighed, within what is said
                assert!(
                    lean.right_rad.hypot(lean.up_rad) < lean.sd_rad,
                    "{length}: {lean:?}"
                );
            }
        }
    }

    #[test]
    fn a_lean_across_the_view_is_read_and_one_along_it_is_said_to_be_unsure() {
        let foot = FacePoint::new(900.0, 0.0);
        let entries = [(0.0, 0.0), (60.0, 40.0), (-80.0, -30.0), (20.0, -90.0)];
        let up = found(
            &seen(&entries, foot, Vector2::new(0.0, 0.03), 570.0),
            foot,
            570.0,
        );
        for lean in &up {
            assert!((lean.up_rad - 0.03).abs() < 0.004, "{lean:?}");
        }
        let right = found(
            &seen(&entries, foot, Vector2::new(0.03, 0.0), 570.0),
            foot,
            570.0,
        );
        for lean in &right {
            assert!(
                (lean.right_rad - 0.03).abs() < 3.0 * lean.sd_rad,
                "{lean:?}"
            );
        }
    }

    #[test]
    fn one_shaft_that_leans_along_the_view_is_told_from_the_others() {
        let foot = FacePoint::new(900.0, 0.0);
        let entries = [
            (0.0, 0.0),
            (60.0, 40.0),
            (-80.0, -30.0),
            (20.0, -90.0),
            (40.0, 10.0),
        ];
        let mut all = seen(&entries, foot, Vector2::zeros(), 570.0);
        all[2] = seen(&entries[2..3], foot, Vector2::new(0.04, 0.0), 570.0)[0].clone();
        let leans = found(&all, foot, 570.0);
        let mean =
            |k: &[usize]| k.iter().map(|&k| leans[k].right_rad).sum::<f64>() / k.len() as f64;
        assert!(mean(&[2]) - mean(&[0, 1, 3, 4]) > 0.02, "{leans:?}");
    }

    #[test]
    fn a_camera_straight_in_front_gives_numbers_too() {
        let foot = FacePoint::new(0.5, 0.0);
        let all = seen(&[(0.0, 0.0), (30.0, 10.0)], foot, Vector2::zeros(), 570.0);
        for lean in found(&all, foot, 570.0) {
            assert!(
                lean.right_rad.abs() < lean.sd_rad && lean.sd_rad < 0.03,
                "{lean:?}"
            );
        }
    }
}

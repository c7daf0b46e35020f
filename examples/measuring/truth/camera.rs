//! The camera of a photo with known truth (`photo-truth/1`).

use bossmark::geometry::camera::{Camera, Lens, Pose};
use nalgebra::{Matrix3, Vector3};
use serde_json::Value;

/// A number of the truth; 0 where there is none.
pub(crate) fn number(v: &Value) -> f64 {
    v.as_f64().unwrap_or(0.0)
}

/// The camera as the truth has it.
pub(crate) fn camera_of(c: &Value) -> Camera {
    Camera {
        lens: Lens {
            f_px: number(&c["fx_px"]),
            cx_px: number(&c["cx_px"]),
            cy_px: number(&c["cy_px"]),
            k1: number(&c["k1"]),
            k2: number(&c["k2"]),
        },
        pose: Pose {
            rotation: Matrix3::from_fn(|i, j| number(&c["rotation"][i][j])),
            translation_mm: Vector3::from_fn(|i, _| number(&c["translation_mm"][i])),
        },
    }
}

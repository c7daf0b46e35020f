//! Writes the numbers behind every shaft candidate of photos with truth, true camera, for fitting the confidence.
use bossmark::camera::{Camera, Lens, Pose};
use bossmark::shaft::{View, features};
use bossmark::units::FacePoint;
use nalgebra::{Matrix2, Matrix3, Vector3};
use std::io::Write;

fn main() -> anyhow::Result<()> {
    for path in std::env::args().skip(1) {
        let truth: serde_json::Value = serde_json::from_slice(&std::fs::read(&path)?)?;
        let c = &truth["camera"];
        if truth["face"].is_null() {
            continue;
        }
        let f = |v: &serde_json::Value| v.as_f64().unwrap_or(0.0);
        let r = &c["rotation"];
        let camera = Camera {
            lens: Lens {
                f_px: f(&c["fx_px"]),
                cx_px: f(&c["cx_px"]),
                cy_px: f(&c["cy_px"]),
                k1: f(&c["k1"]),
                k2: f(&c["k2"]),
            },
            pose: Pose {
                rotation: Matrix3::from_fn(|i, j| f(&r[i][j])),
                translation_mm: Vector3::from_fn(|i, _| f(&c["translation_mm"][i])),
            },
        };
        let jpg = path.replace(".truth.json", ".jpg");
        let image = image::open(&jpg)?.to_rgb8();
        let image = match truth["image"]["stored_orientation"].as_i64() {
            Some(3) => image::imageops::rotate180(&image),
            Some(6) => image::imageops::rotate90(&image),
            Some(8) => image::imageops::rotate270(&image),
            _ => image,
        };
        let centres: Vec<FacePoint> = truth["face"]["centres_mm"]
            .as_array()
            .into_iter()
            .flatten()
            .map(|p| FacePoint::new(f(&p[0]), f(&p[1])))
            .collect();
        let cov = |_| Matrix2::zeros();
        let view = View {
            camera: &camera,
            spot_centres: &centres,
            outer_radius_mm: f(&truth["face"]["outer_radius_mm"]),
            point_cov_mm2: &cov,
            expected: None,
        };
        let start = std::time::Instant::now();
        let rows = features(&image, &view)?;
        let seconds = start.elapsed().as_secs_f64();
        let line = serde_json::json!({"photo": truth["photo"], "seconds": seconds, "rows": rows});
        writeln!(std::io::stdout(), "{line}")?;
    }
    Ok(())
}

//! Writes the numbers behind every shaft candidate of photos with truth, a line of JSON per photo: what
//! `calibration/shaft-net/train/fit_model.py` fits the model on.
//!
//! `cargo run --release --example shaft_candidates -- [--true-camera] NAME.truth.json…` (the photo is `NAME.jpg` beside it)

use bossmark::camera::{Camera, Lens, Pose};
use bossmark::face::{self, FitOptions, spec};
use bossmark::photo;
use bossmark::shaft::{FEATURES, View, features};
use nalgebra::{Matrix2, Matrix3, Vector3};
use serde_json::Value;
use std::io::Write;

fn number(v: &Value) -> f64 {
    v.as_f64().unwrap_or(0.0)
}

fn true_camera(c: &Value) -> Camera {
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

fn main() -> anyhow::Result<()> {
    let (flags, paths): (Vec<String>, Vec<String>) =
        std::env::args().skip(1).partition(|a| a.starts_with("--"));
    let out = &mut std::io::stdout();
    writeln!(out, "{}", serde_json::json!({ "features": FEATURES }))?;
    for path in paths {
        let truth: Value = serde_json::from_slice(&std::fs::read(&path)?)?;
        let Some(face_spec) = truth["face"]["name"].as_str().and_then(spec::by_name) else {
            continue;
        };
        let photo = photo::open(&std::fs::read(path.replace(".truth.json", ".jpg"))?)?;
        let fit = if flags.is_empty() {
            face::fit(&photo, face_spec, &FitOptions::default()).ok()
        } else {
            None
        };
        let camera = match &fit {
            Some(f) => f.camera,
            None if flags.is_empty() => continue,
            None => true_camera(&truth["camera"]),
        };
        let cov = |p| {
            fit.as_ref()
                .map_or_else(Matrix2::zeros, |f| f.point_cov_mm2(p))
        };
        let view = View {
            camera: &camera,
            spot_centres: &face_spec.spots_mm,
            outer_radius_mm: face_spec.outer_radius_mm(),
            point_cov_mm2: &cov,
            expected: None,
        };
        let start = std::time::Instant::now();
        let rows: Vec<Vec<f64>> = features(&photo.pixels, &view)?
            .iter()
            .map(|r| r.to_vec())
            .collect();
        let seconds = start.elapsed().as_secs_f64();
        let centre = camera.centre_mm();
        // where each true entry and nock shows on the face plane of the camera used
        let shown = |key: &str| -> Vec<Value> {
            let shafts = truth["shafts"].as_array().into_iter().flatten();
            let place = |s: &Value| {
                let px = bossmark::units::ImagePoint::new(number(&s[key][0]), number(&s[key][1]));
                camera.face_from_image(px).map(|p| [p.x, p.y])
            };
            shafts.map(|s| serde_json::json!(place(s))).collect()
        };
        let line = serde_json::json!({
            "truth": path, "seconds": seconds, "camera_mm": [centre.x, centre.y, centre.z],
            "entries": shown("entry_px"), "nocks": shown("nock_px"), "rows": rows,
        });
        writeln!(out, "{line}")?;
    }
    Ok(())
}

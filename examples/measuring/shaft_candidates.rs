//! Writes the numbers behind every shaft candidate of photos with truth, a line of JSON per photo: what
//! `calibration/training/fit_probabilities.py` fits the model on.
//!
//! `cargo run --release --example shaft_candidates -- [--true-camera] [--bent] [--nets=DIR] NAME.truth.json…` (the photo is `NAME.jpg` beside it;
//! DIR holds `map.bin`, `strip-1.bin`, `strip-2.bin`, `model.json` to be tried without building, and the same in `DIR/real`; `--bent`: as
//! if the paper of every photo stood off the face plane, so that the real set of nets looks)

#[path = "truth/camera.rs"]
mod truth;

use bossmark::face::{self, FitOptions, spec};
use bossmark::geometry::FacePoint;
use bossmark::photo;
use bossmark::shaft::{FEATURES, NetSets, Nets, View, candidate_features};
use nalgebra::Matrix2;
use serde_json::Value;
use std::io::Write;
use truth::{camera_of, number};

fn nets_from(folder: &str) -> anyhow::Result<Nets> {
    let read = |name: &str| std::fs::read(std::path::Path::new(folder).join(name));
    let model = String::from_utf8(read("model.json")?)?;
    let strips = [read("strip-1.bin")?, read("strip-2.bin")?];
    Ok(Nets::new(
        &read("map.bin")?,
        [&strips[0], &strips[1]],
        &model,
    )?)
}

fn main() -> anyhow::Result<()> {
    let (flags, paths): (Vec<String>, Vec<String>) =
        std::env::args().skip(1).partition(|a| a.starts_with("--"));
    let true_cameras = flags.iter().any(|f| f == "--true-camera");
    let bent = flags.iter().any(|f| f == "--bent");
    let folder = flags.iter().find_map(|f| f.strip_prefix("--nets="));
    let tried = folder
        .map(|folder| {
            anyhow::Ok(NetSets::new(
                nets_from(folder)?,
                nets_from(&format!("{folder}/real"))?,
            ))
        })
        .transpose()?;
    let nets = match &tried {
        Some(nets) => nets,
        None => NetSets::built_in()?,
    };
    let out = &mut std::io::stdout();
    writeln!(out, "{}", serde_json::json!({ "features": FEATURES }))?;
    for path in paths {
        let truth: Value = serde_json::from_slice(&std::fs::read(&path)?)?;
        let face_spec = truth["face"]["name"].as_str().and_then(spec::by_name);
        let told_centres = truth["face"]["centres_mm"].as_array();
        let centres: Vec<FacePoint> = told_centres
            .into_iter()
            .flatten()
            .map(|c| FacePoint::new(number(&c[0]), number(&c[1])))
            .collect();
        if centres.is_empty() {
            continue;
        }
        let photo = photo::open(&std::fs::read(path.replace(".truth.json", ".jpg"))?)?;
        let fit = face_spec
            .filter(|_| !true_cameras)
            .and_then(|face| face::fit(&photo, face, &FitOptions::default()).ok());
        let camera = match &fit {
            Some(f) => f.camera,
            None if !true_cameras => continue,
            None => camera_of(&truth["camera"]),
        };
        let cov = |p| {
            fit.as_ref()
                .map_or_else(Matrix2::zeros, |f| f.point_cov_mm2(p))
        };
        let view = View {
            camera: &camera,
            spot_centres: &centres,
            outer_radius_mm: number(&truth["face"]["outer_radius_mm"]),
            point_cov_mm2: &cov,
            paper_bends: bent || fit.as_ref().is_some_and(|f| f.sheet.is_some()),
            expected: None,
        };
        let start = std::time::Instant::now();
        let Some(found) = candidate_features(nets, &photo.pixels, &view)? else {
            continue;
        };
        let rows: Vec<Vec<f64>> = found.rows.iter().map(|r| r.to_vec()).collect();
        let shafts: Vec<Value> = found.shafts.shafts.iter().map(|s| {
            serde_json::json!({ "px": [s.entry_px.x, s.entry_px.y], "kind": format!("{:?}", s.kind), "confidence": s.confidence, "of_kind": s.kind_probability, "thickness_mm": s.thickness_mm })
        }).collect();
        let seconds = start.elapsed().as_secs_f64();
        let centre = camera.centre_mm();
        // where each true entry and nock shows on the face plane of the camera used
        let shown = |key: &str| -> Vec<Value> {
            let shafts = truth["shafts"].as_array().into_iter().flatten();
            let place = |s: &Value| {
                let px =
                    bossmark::geometry::ImagePoint::new(number(&s[key][0]), number(&s[key][1]));
                camera.face_from_image(px).map(|p| [p.x, p.y])
            };
            shafts.map(|s| serde_json::json!(place(s))).collect()
        };
        let line = serde_json::json!({
            "truth": path, "seconds": seconds, "camera_mm": [centre.x, centre.y, centre.z],
            "entries": shown("entry_px"), "nocks": shown("nock_px"), "rows": rows, "stance": found.scale_and_lean, "second_set": found.real_set, "shafts": shafts,
        });
        writeln!(out, "{line}")?;
    }
    Ok(())
}

//! Writes what the shaft nets are given of a photo with a known camera, for the comparison with the cuts of the training programs:
//! the gate runs `calibration/training/compare_cuts.py` on it.
//!
//! `cargo run --release --example shaft_cuts -- NAME.truth.json OUT` (the photo is `NAME.jpg` beside it) writes `OUT/cuts.json`, and
//! `OUT/map.f32` and `OUT/strips.f32`: 32-bit floats, little endian, row by row, all channels of a pixel together.

use anyhow::Context;
use bossmark::face::spec;
use bossmark::geometry::FacePoint;
use bossmark::geometry::camera::{Camera, Lens, Pose};
use bossmark::photo;
use bossmark::shaft::{CutTensor, View, cuts};
use nalgebra::{Matrix2, Matrix3, Vector3};
use serde_json::{Value, json};
use std::path::Path;

fn number(v: &Value) -> f64 {
    v.as_f64().unwrap_or(f64::NAN)
}

fn camera_of(c: &Value) -> Camera {
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

fn bytes_of<'a>(tensors: impl IntoIterator<Item = &'a CutTensor>) -> Vec<u8> {
    let values = tensors.into_iter().flat_map(|t| &t.values);
    values.flat_map(|v| v.to_le_bytes()).collect()
}

fn main() -> anyhow::Result<()> {
    let mut args = std::env::args().skip(1);
    let (path, out) = args
        .next()
        .zip(args.next())
        .context("use: shaft_cuts NAME.truth.json OUT")?;
    let truth: Value = serde_json::from_slice(&std::fs::read(&path)?)?;
    let name = truth["face"]["name"]
        .as_str()
        .context("a photo without a face")?;
    spec::by_name(name).with_context(|| format!("unknown face {name}"))?;
    let centres = truth["face"]["centres_mm"]
        .as_array()
        .context("no centres")?;
    let centres: Vec<FacePoint> = centres
        .iter()
        .map(|c| FacePoint::new(number(&c[0]), number(&c[1])))
        .collect();
    let photo = photo::open(&std::fs::read(path.replace(".truth.json", ".jpg"))?)?;
    let camera = camera_of(&truth["camera"]);
    let no_error = |_| Matrix2::zeros();
    let view = View {
        camera: &camera,
        spot_centres: &centres,
        outer_radius_mm: number(&truth["face"]["outer_radius_mm"]),
        point_cov_mm2: &no_error,
        paper_bends: false,
        expected: None,
    };
    let cuts =
        cuts(&photo.pixels, &view, None)?.context("nothing of the face is in the picture")?;
    let out = Path::new(&out);
    std::fs::create_dir_all(out)?;
    std::fs::write(out.join("map.f32"), bytes_of([&cuts.map]))?;
    std::fs::write(out.join("strips.f32"), bytes_of(&cuts.strips))?;
    let candidates: Vec<[f64; 4]> = cuts
        .candidates
        .iter()
        .map(|c| [c.entry.x, c.entry.y, c.slope, c.score])
        .collect();
    let header = json!({
        "truth": path,
        "left_mm": cuts.left_mm,
        "top_mm": cuts.top_mm,
        "map": [cuts.map.height, cuts.map.width, cuts.map.channels],
        "candidates": candidates,
    });
    std::fs::write(out.join("cuts.json"), header.to_string())?;
    Ok(())
}

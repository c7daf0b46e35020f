//! Writes what the shaft nets are given of a photo with a known camera, for the comparison with the cuts of the training programs:
//! the gate runs `calibration/training/compare_cuts.py` on it.
//!
//! `cargo run --release --example shaft_cuts -- NAME.truth.json OUT` (the photo is `NAME.jpg` beside it) writes `OUT/cuts.json`, and
//! `OUT/map.f32` and `OUT/strips.f32`: 32-bit floats, little endian, row by row, all channels of a pixel together.

#[path = "truth/camera.rs"]
mod truth;

use anyhow::Context;
use bossmark::face::spec;
use bossmark::geometry::FacePoint;
use bossmark::photo;
use bossmark::shaft::{InputTensor, View, net_inputs};
use nalgebra::Matrix2;
use serde_json::{Value, json};
use std::path::Path;
use truth::{camera_of, number};

fn bytes_of<'a>(tensors: impl IntoIterator<Item = &'a InputTensor>) -> Vec<u8> {
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
    let inputs =
        net_inputs(&photo.pixels, &view, None)?.context("nothing of the face is in the picture")?;
    let out = Path::new(&out);
    std::fs::create_dir_all(out)?;
    std::fs::write(out.join("map.f32"), bytes_of([&inputs.map]))?;
    std::fs::write(out.join("strips.f32"), bytes_of(&inputs.strips))?;
    let candidates: Vec<[f64; 4]> = inputs
        .candidates
        .iter()
        .map(|c| [c.entry.x, c.entry.y, c.slope, c.score])
        .collect();
    let header = json!({
        "truth": path,
        "left_mm": inputs.left_mm,
        "top_mm": inputs.top_mm,
        "map": [inputs.map.height, inputs.map.width, inputs.map.channels],
        "candidates": candidates,
    });
    std::fs::write(out.join("cuts.json"), header.to_string())?;
    Ok(())
}

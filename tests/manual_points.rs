//! The camera from points that a person marked: recovered within its own uncertainty, wrong points named, and the command.

#![allow(clippy::unwrap_used, reason = "helpers of tests may panic")]

#[allow(dead_code, reason = "only the camera is of use here")]
mod drawn;

mod program;

use bossmark::face::spec::{self, FaceSpec};
use bossmark::face::{FaceFit, FitOptions};
use bossmark::geometry::FacePoint;
use bossmark::geometry::camera::{Camera, Lens, ROLL};
use bossmark::manual_points::{self, ManualFitError, Points};
use bossmark::math::SplitMix;
use bossmark::photo::{ExifFacts, Photo};
use bossmark::record::{End, FittedTo};
use bossmark::text::{Locale, Sentence};
use drawn::camera;
use image::RgbImage;
use nalgebra::{Matrix2, Vector2};
use program::bossmark;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};

const WIDTH: u32 = 2000;
const HEIGHT: u32 = 1500;

fn photo() -> Photo {
    let exif = ExifFacts {
        focal_35mm: Some(26.0),
        ..ExifFacts::default()
    };
    Photo::from_pixels(RgbImage::new(WIDTH, HEIGHT), exif)
}

fn lens() -> Lens {
    Lens {
        f_px: 1530.0,
        cx_px: 1004.0,
        cy_px: 746.0,
        k1: 0.008,
        k2: 0.0,
    }
}

fn normal(random: &mut SplitMix) -> f64 {
    let mut unit = || {
        let n = u32::try_from(random.below(1 << 30)).unwrap();
        (f64::from(n) + 0.5) / f64::from(1u32 << 30)
    };
    let (a, b) = (unit(), unit());
    (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()
}

/// A points file: each place with its name, or none, as the camera sees it, off by `sd` px.
fn file(truth: &Camera, places: &[(&str, f64, f64)], sd: f64, random: &mut SplitMix) -> Value {
    let points: Vec<Value> = places
        .iter()
        .map(|(name, x, y)| {
            let p = truth.image_from_face(FacePoint::new(*x, *y)).unwrap();
            let px = [p.x + sd * normal(random), p.y + sd * normal(random)];
            if name.is_empty() {
                json!({"mm": [x, y], "px": px})
            } else {
                json!({"at": name, "px": px})
            }
        })
        .collect();
    json!({"schema": "bossmark/points/1", "sd_px": 3.0, "points": points})
}

fn parsed(file: &Value, face: &FaceSpec) -> Points {
    Points::parse(file.to_string().as_bytes(), face).unwrap()
}

fn fitted(file: &Value) -> Result<FaceFit, ManualFitError> {
    let face = spec::by_name("wa-80").unwrap();
    manual_points::fit(&photo(), face, &parsed(file, face), &FitOptions::default())
}

const NINE: [(&str, f64, f64); 9] = [
    ("white outer edge, up", 0.0, 400.0),
    ("white outer edge, right", 400.0, 0.0),
    ("white outer edge, down", 0.0, -400.0),
    ("white outer edge, left", -400.0, 0.0),
    ("red outer edge, up", 0.0, 160.0),
    ("red outer edge, left", -160.0, 0.0),
    ("", 410.0, 415.0),
    ("", -412.0, -414.0),
    ("centre", 0.0, 0.0),
];

#[test]
fn errors_are_as_large_as_stated() {
    let truth = camera(lens(), 2000.0, 22.0, 6.0);
    let (mut sum, mut n, mut worst) = (0.0, 0.0, 0.0f64);
    for seed in 0..40 {
        let mut random = SplitMix::new(seed);
        let mut marked = file(&truth, &NINE, 3.0, &mut random);
        // places of rings are also taken a little to the side: 3° sd
        for i in 0..6 {
            let (x, y) = (NINE[i].1, NINE[i].2);
            let (s, c) = (3f64.to_radians() * normal(&mut random)).sin_cos();
            let p = truth
                .image_from_face(FacePoint::new(c * x - s * y, s * x + c * y))
                .unwrap();
            marked["points"][i]["px"] = json!([
                p.x + 3.0 * normal(&mut random),
                p.y + 3.0 * normal(&mut random)
            ]);
        }
        let fit = fitted(&marked).unwrap();
        assert!(fit.notes.iter().any(|n| n.code == "by-hand"));
        for at in [(0.0, 0.0), (300.0, 100.0), (-150.0, 250.0), (100.0, -380.0)] {
            let at = FacePoint::new(at.0, at.1);
            let px = truth.image_from_face(at).unwrap();
            let p = fit.camera.face_from_image(px).unwrap();
            let error = Vector2::new(p.x - at.x, p.y - at.y);
            let roll = Vector2::new(-at.y, at.x) * fit.covariance[(ROLL, ROLL)].sqrt();
            let cov: Matrix2<f64> = fit.point_cov_mm2(px) + roll * roll.transpose();
            let q = error.dot(&(cov.try_inverse().unwrap() * error));
            sum += q;
            n += 1.0;
            worst = worst.max(error.norm());
        }
    }
    // two degrees of freedom each; the four places of a photo err together
    let mean = sum / n;
    assert!((1.0..3.2).contains(&mean), "{mean} {worst}");
    assert!(worst < 25.0, "{worst} mm");
}

#[test]
fn a_swapped_pair_and_a_slip_are_named_and_left_out() {
    let truth = camera(lens(), 2000.0, 22.0, 6.0);
    let good = file(&truth, &NINE, 2.0, &mut SplitMix::new(5));
    let mut swapped = good.clone();
    let px = swapped["points"][1]["px"].take();
    swapped["points"][1]["px"] = swapped["points"][6]["px"].take();
    swapped["points"][6]["px"] = px;
    let fit = fitted(&swapped).unwrap();
    let note = fit
        .notes
        .iter()
        .find(|n| n.code == "points-left-out")
        .unwrap();
    let text = note.text(Locale::default());
    assert!(
        text.contains("point 2 (white outer edge, right)")
            && text.contains("point 7")
            && text.contains("interchanged"),
        "{text}"
    );
    let mut slip = good.clone();
    slip["points"][4]["px"] = json!([900.0, 900.0]);
    let fit = fitted(&slip).unwrap();
    let note = fit
        .notes
        .iter()
        .find(|n| n.code == "points-left-out")
        .unwrap();
    let text = note.text(Locale::default());
    assert!(text.starts_with("point 5 (red outer edge, up)"), "{text}");
    let at = truth.image_from_face(FacePoint::new(200.0, 200.0)).unwrap();
    let p = fit.camera.face_from_image(at).unwrap();
    assert!(p.distance(FacePoint::new(200.0, 200.0)) < 15.0, "{p:?}");
}

#[test]
fn with_few_points_it_is_said_what_is_wrong() {
    let truth = camera(lens(), 2000.0, 22.0, 6.0);
    let some =
        |which: &[usize]| -> Vec<(&str, f64, f64)> { which.iter().map(|i| NINE[*i]).collect() };
    let five = [0, 1, 2, 3, 6];
    let mut random = SplitMix::new(8);
    assert!(fitted(&file(&truth, &some(&five[..4]), 2.0, &mut random)).is_ok());
    let mut swapped = file(&truth, &some(&five), 2.0, &mut random);
    let px = swapped["points"][0]["px"].take();
    swapped["points"][0]["px"] = swapped["points"][1]["px"].take();
    swapped["points"][1]["px"] = px;
    match fitted(&swapped) {
        Err(ManualFitError::Interchanged { first, second }) => {
            assert!(
                first.contains("edge, up") && second.contains("edge, right"),
                "{first} {second}"
            );
        }
        other => panic!("{other:?}"),
    }
    let three = file(&truth, &some(&[0, 1, 2]), 2.0, &mut random);
    assert_eq!(fitted(&three).unwrap_err(), ManualFitError::TooFew(3));
    let line = file(
        &truth,
        &[
            ("", 0.0, 0.0),
            ("", 10.0, 0.0),
            ("", 200.0, 0.0),
            ("", -300.0, 0.0),
        ],
        0.0,
        &mut random,
    );
    assert_eq!(fitted(&line).unwrap_err(), ManualFitError::InALine);
    // as in a mirror: left and right interchanged throughout
    let mut mirrored = file(
        &truth,
        &[
            ("", 400.0, 300.0),
            ("", -400.0, 300.0),
            ("", -400.0, -300.0),
            ("", 400.0, -300.0),
            ("", 100.0, 50.0),
        ],
        1.0,
        &mut random,
    );
    for point in mirrored["points"].as_array_mut().unwrap() {
        point["mm"][0] = json!(-point["mm"][0].as_f64().unwrap());
    }
    assert_eq!(fitted(&mirrored).unwrap_err(), ManualFitError::Mirrored);
    let mut outside = file(&truth, &NINE, 2.0, &mut random);
    outside["points"][2]["px"] = json!([100.0, 5000.0]);
    assert!(matches!(fitted(&outside), Err(ManualFitError::Outside(..))));
    // any points at all: no panic
    for _ in 0..200 {
        let points: Vec<Value> = (0..4 + random.below(5))
            .map(|_| {
                let mut at = |n: usize| f64::from(u16::try_from(random.below(n)).unwrap());
                json!({"mm": [at(8) * 50.0, at(8) * 50.0], "px": [at(2000), at(1500)]})
            })
            .collect();
        let _ = fitted(&json!({"schema": "bossmark/points/1", "points": points}));
    }
}

#[test]
fn the_command_measures_by_hand_as_by_the_rings() {
    let folder = tempfile::tempdir().unwrap();
    let photo = "sample-photos/evening/evening-1.jpg";
    let put = |name: &str, text: &str| -> PathBuf {
        let path = folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        path
    };
    let text = |path: &Path| path.to_str().unwrap().to_owned();
    let (status, template, _) = bossmark(&["measure", "--points-template", "--face", "wa-80"]);
    assert_eq!(status, 0);
    let mut points: Value = serde_json::from_str(&template).unwrap();
    let (_, csv, _) = bossmark(&["measure", "--points-template", "csv", "--face", "wa-80"]);
    assert!(csv.starts_with("at,x_mm,y_mm,x_px,y_px\r\n"));
    let (status, by_rings, _) = bossmark(&["measure", photo, "--face", "wa-80", "--json"]);
    assert_eq!(status, 0);
    let rings: End = serde_json::from_str(&by_rings).unwrap();
    // a person fills the template in: marked where the rings' camera has them, to the pixel
    let truth = rings.camera.as_ref().unwrap().camera();
    let face = spec::by_name("wa-80").unwrap();
    let mut filled = points.clone();
    filled["points"] = Value::Array(
        points["points"]
            .as_array_mut()
            .unwrap()
            .iter()
            .map(|p| {
                let mut p = p.clone();
                p["px"] = json!([0.0, 0.0]);
                let one = json!({"schema": "bossmark/points/1", "points": [p]});
                let mm = parsed(&one, face).marks[0].mm;
                let px = truth.image_from_face(mm).unwrap();
                p["px"] = json!([px.x.round(), px.y.round()]);
                p
            })
            .collect(),
    );
    let path = put("points.json", &filled.to_string());
    let measure = |points: &Path, more: &[&str]| {
        let points = text(points);
        let mut arguments = vec!["measure", photo, "--face", "wa-80", "--points", &points];
        arguments.extend(more);
        bossmark(&arguments)
    };
    let (status, by_hand, said) = measure(&path, &["--json"]);
    assert_eq!(status, 0, "{said}");
    let hand: End = serde_json::from_str(&by_hand).unwrap();
    let camera = hand.camera.as_ref().unwrap();
    assert_eq!(camera.fitted_to, Some(FittedTo::Points));
    assert!(by_hand.contains(r#""from":"person""#));
    assert!(hand.notes.iter().any(|n| n.code == "by-hand"));
    let sure = |e: &End| {
        e.entries
            .iter()
            .filter(|e| e.confidence >= Some(0.6))
            .cloned()
            .collect::<Vec<_>>()
    };
    assert!(sure(&rings).len() >= 3);
    for entry in sure(&rings) {
        let near = hand
            .entries
            .iter()
            .map(|e| (e.x_mm - entry.x_mm).hypot(e.y_mm - entry.y_mm));
        assert!(near.fold(f64::INFINITY, f64::min) < 5.0, "{entry:?}");
    }
    let (status, _, said) = measure(&path, &[photo]);
    assert!(status == 2 && said.contains("one photo"), "{said}");
    let wrong = put("wrong.csv", "at,x_px,y_px\n\"red outer rim, up\",1,2\n");
    let (status, _, said) = measure(&wrong, &[]);
    assert!(status == 2 && said.contains("outer edge, up"), "{said}");
    let few = put("few.csv", "at,x_px,y_px\n\"red outer edge, up\",100,200\n");
    let (status, out, _) = measure(&few, &["--json"]);
    assert!(status == 1 && out.contains("too-few-points"), "{out}");
}

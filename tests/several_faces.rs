//! Several faces in one picture: all are found, one is taken, and the record says which.

#![allow(clippy::unwrap_used, reason = "helpers of tests may panic")]

mod drawn;

use bossmark::face::{self, FaceFit, FitOptions, LensPrior, spec};
use bossmark::geometry::camera::{Camera, Lens, Pose};
use bossmark::geometry::{FacePoint, ImagePoint};
use bossmark::measure::{self, MeasureOptions, Measurement, PhotoPoint, Pick};
use bossmark::photo::{self, ExifFacts, Photo};
use bossmark::record::{End, Session};
use drawn::{Scene, camera, draw};
use image::{RgbImage, imageops};
use nalgebra::Vector3;
use std::io::Cursor;
use std::path::Path;

fn png(picture: &RgbImage) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    picture
        .write_to(&mut bytes, image::ImageFormat::Png)
        .unwrap();
    bytes.into_inner()
}

fn measured(bytes: &[u8], face: &str, options: &MeasureOptions) -> Measurement {
    let spec = spec::by_name(face).unwrap();
    let session = Session::default();
    measure::measure(bytes, "drawn.png", spec, session, options, &mut |_| {}).unwrap()
}

/// The camera as seen from a face that hangs `right` mm beside the first.
fn beside(camera: &Camera, right: f64) -> Camera {
    let shift = camera.pose.rotation * Vector3::new(right, 0.0, 0.0);
    Camera {
        lens: camera.lens,
        pose: Pose {
            rotation: camera.pose.rotation,
            translation_mm: camera.pose.translation_mm + shift,
        },
    }
}

/// A sample photo of a face with shafts at a third of its size, and the fit to it.
fn with_shafts() -> (RgbImage, FaceFit) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-photos/evening/evening-1.jpg");
    let photo = photo::open(&std::fs::read(path).unwrap()).unwrap();
    let (w, h) = (photo.width / 3, photo.height / 3);
    let small = imageops::resize(&photo.pixels, w, h, imageops::FilterType::Triangle);
    let exif = ExifFacts {
        focal_35mm: photo.exif.focal_35mm,
        ..ExifFacts::default()
    };
    let photo = Photo::from_pixels(small.clone(), exif);
    let face = spec::by_name("wa-80").unwrap();
    let fit = face::fit(&photo, face, &FitOptions::default()).unwrap();
    (small, fit)
}

fn picked(pick: Pick) -> MeasureOptions {
    MeasureOptions {
        pick: Some(pick),
        ..MeasureOptions::default()
    }
}

fn taken(end: &End) -> usize {
    let seen = end.face.as_ref().unwrap().seen.as_ref().unwrap();
    assert_eq!(seen.iter().filter(|f| f.taken).count(), 1);
    1 + seen.iter().position(|f| f.taken).unwrap()
}

const APART_MM: f64 = 450.0;

#[test]
fn of_two_bare_faces_the_middle_one_is_taken_unless_told() {
    let (width, height) = (1200, 900);
    let lens = Lens {
        f_px: 910.0,
        cx_px: 602.0,
        cy_px: 447.0,
        k1: 0.0,
        k2: 0.0,
    };
    // the first face left of the middle, the second further right of it
    let first = beside(&camera(lens, 1150.0, 18.0, 6.0), -150.0);
    let second = beside(&first, APART_MM);
    let face = spec::by_name("wa-40").unwrap();
    let scene = Scene {
        paper_mm: 212.0,
        ..Scene::default()
    };
    let mut picture = draw(face, &first, &scene, width, height);
    let other = draw(face, &second, &scene, width, height);
    for (x, y, pixel) in other.enumerate_pixels() {
        let p = first.face_from_image(ImagePoint::new(f64::from(x), f64::from(y)));
        if p.is_some_and(|p| p.x > 0.5 * APART_MM) {
            picture.put_pixel(x, y, *pixel);
        }
    }
    let bytes = png(&picture);
    let m = measured(&bytes, "wa-40", &MeasureOptions::default());
    let seen = m.end.face.as_ref().unwrap().seen.clone().unwrap();
    assert_eq!((seen.len(), taken(&m.end), m.others.len()), (2, 1, 1));
    assert!(seen.iter().all(|f| f.shafts == 0));
    let note = m
        .end
        .notes
        .iter()
        .find(|n| n.code == "several-faces")
        .unwrap();
    assert!(
        note.text.starts_with("2 faces of this kind"),
        "{}",
        note.text
    );
    let centre = |m: &Measurement| m.fit.as_ref().unwrap().camera.pose.translation_mm;
    let off = |m: &Measurement, truth: &Camera| (centre(m) - truth.pose.translation_mm).xy().norm();
    assert!(
        off(&m, &first) < 15.0,
        "{} {}",
        centre(&m),
        first.pose.translation_mm
    );
    assert!(m.end.entries.is_empty());
    // by number, by share of the picture
    let there = seen[1].px;
    for pick in [
        Pick::Number(2),
        Pick::At(PhotoPoint::Fraction([there[0] / 1200.0, there[1] / 900.0])),
    ] {
        let m = measured(&bytes, "wa-40", &picked(pick));
        assert_eq!(taken(&m.end), 2, "{pick:?}");
        assert!(off(&m, &second) < 15.0, "{pick:?}");
        // the numbers stay
        let again = m.end.face.unwrap().seen.unwrap()[0].px;
        assert!((again[0] - seen[0].px[0]).hypot(again[1] - seen[0].px[1]) < 1.0);
    }
    let none = measured(&bytes, "wa-40", &picked(Pick::Number(3)));
    let failure = none.end.failure.unwrap();
    assert_eq!(failure.code, "no-such-face");
    assert!(failure.text.contains("2 face(s)"), "{}", failure.text);
}

#[test]
fn the_face_that_the_shafts_are_in_goes_before_one_nearer_to_the_middle() {
    let (small, alone) = with_shafts();
    let face = spec::by_name("wa-80").unwrap();
    let (w, h) = small.dimensions();
    // a second face hangs right of it, and the picture goes on there
    let lens = alone.camera.lens;
    let neighbour = beside(&alone.camera, 900.0);
    let width = 2 * w;
    let right = Camera {
        lens: Lens {
            cx_px: lens.cx_px - f64::from(w),
            ..lens
        },
        ..neighbour
    };
    let scene = Scene {
        paper_mm: 420.0,
        ..Scene::default()
    };
    let part = draw(face, &right, &scene, width - w, h);
    let mut picture = RgbImage::new(width, h);
    imageops::replace(&mut picture, &small, 0, 0);
    imageops::replace(&mut picture, &part, i64::from(w), 0);
    // the part of it that lies over the photo
    let over = draw(face, &neighbour, &scene, w, h);
    for (x, y, pixel) in over.enumerate_pixels() {
        let p = neighbour.face_from_image(ImagePoint::new(f64::from(x), f64::from(y)));
        if p.is_some_and(|p| p.x > -scene.paper_mm) {
            picture.put_pixel(x, y, *pixel);
        }
    }
    let options = |pick: Option<Pick>| MeasureOptions {
        fit: FitOptions {
            lens: Some(LensPrior {
                f_px: lens.f_px,
                ln_f_sd: 0.01,
                cx_px: lens.cx_px,
                cy_px: lens.cy_px,
                c_sd_px: 3.0,
                k1: lens.k1,
                k1_sd: 0.01,
                k2: lens.k2,
                k2_sd: 0.01,
            }),
            ..FitOptions::default()
        },
        pick,
        ..MeasureOptions::default()
    };
    let bytes = png(&picture);
    let m = measured(&bytes, "wa-80", &options(None));
    let seen = m.end.face.as_ref().unwrap().seen.clone().unwrap();
    assert_eq!(seen.len(), 2, "{seen:?}");
    let middle = f64::from(width) / 2.0;
    assert!(
        (seen[0].px[0] - middle).abs() > (seen[1].px[0] - middle).abs(),
        "{seen:?}"
    );
    assert!(
        seen[0].taken && seen[0].shafts >= 3 && seen[1].shafts == 0,
        "{seen:?}"
    );
    let sure = |m: &Measurement| {
        let counts = m.end.entries.iter().filter(|e| e.confidence >= Some(0.5));
        counts.count()
    };
    assert!(sure(&m) >= 4, "{:?}", m.end.entries.len());
    // the other one has none: shafts of the first are not its own
    let m = measured(&bytes, "wa-80", &options(Some(Pick::Number(2))));
    assert_eq!((taken(&m.end), sure(&m)), (2, 0));
    assert!(m.end.notes.iter().any(|n| n.code == "no-shafts"));
}

/// The sample photo in the middle of a wider picture, in which a bare face hangs right of the one with shafts.
fn with_a_neighbour() -> RgbImage {
    let (middle, alone) = with_shafts();
    let face = spec::by_name("wa-80").unwrap();
    let (w, h) = middle.dimensions();
    let lens = Lens {
        cx_px: alone.camera.lens.cx_px + f64::from(w),
        ..alone.camera.lens
    };
    let neighbour = Camera {
        lens,
        ..beside(&alone.camera, 900.0)
    };
    let scene = Scene {
        paper_mm: 420.0,
        ..Scene::default()
    };
    let mut picture = draw(face, &neighbour, &scene, 3 * w, h);
    for (x, y, pixel) in middle.enumerate_pixels() {
        let at = ImagePoint::new(f64::from(x + w), f64::from(y));
        let p = neighbour.face_from_image(at);
        if p.is_none_or(|p| p.x < -scene.paper_mm) {
            picture.put_pixel(x + w, y, *pixel);
        }
    }
    picture
}

#[test]
fn on_the_command_line_a_face_is_picked_by_its_number_or_its_place() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("two.png");
    with_a_neighbour().save(&path).unwrap();
    let measure = |flags: &[&str]| {
        let ran = assert_cmd::Command::new(env!("CARGO_BIN_EXE_bossmark"))
            .args(["measure", "--face", "wa-80", "--json"])
            .args(flags)
            .arg(&path)
            .output()
            .unwrap();
        let end: End = serde_json::from_slice(&ran.stdout).unwrap();
        (ran.status.code(), end)
    };
    let sure = |end: &End| {
        let counts = end.entries.iter().filter(|e| e.confidence >= Some(0.5));
        counts.count()
    };
    // the middle of the face that was taken is at 0, 0
    let off_mm = |end: &End, px: [f64; 2]| {
        let camera = end.camera.as_ref().unwrap();
        let at = camera.face_from_image(ImagePoint::new(px[0], px[1]));
        at.unwrap().distance(FacePoint::default())
    };
    let (code, first) = measure(&[]);
    let seen = first.face.as_ref().unwrap().seen.clone().unwrap();
    assert_eq!((code, seen.len(), taken(&first)), (Some(0), 2, 1));
    assert!(sure(&first) >= 4, "{}", sure(&first));
    assert!(first.notes.iter().any(|n| n.code == "several-faces"));
    let (code, same) = measure(&["--which", "1"]);
    assert_eq!((code, taken(&same)), (Some(0), 1));
    assert_eq!(same.entries.len(), first.entries.len());
    let at = format!("{},{}", seen[1].px[0] + 40.0, seen[1].px[1] - 30.0);
    for flags in [["--which", "2"], ["--at", &at]] {
        let (code, second) = measure(&flags);
        assert_eq!((code, taken(&second)), (Some(0), 2), "{flags:?}");
        assert_eq!(sure(&second), 0, "{flags:?}");
        assert!(second.notes.iter().any(|n| n.code == "no-shafts"));
        assert!(off_mm(&second, seen[1].px) < 10.0, "{flags:?}");
        assert!(off_mm(&second, seen[0].px) > 700.0, "{flags:?}");
    }
    assert!(off_mm(&first, seen[0].px) < 10.0);
    for flags in [["--which", "3"], ["--at", "9000,100"]] {
        let (code, none) = measure(&flags);
        assert_eq!(code, Some(1));
        assert_eq!(none.failure.unwrap().code, "no-such-face");
    }
}

#[test]
fn three_spots_called_one_face_are_named_as_three() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-photos/odd/three-spot.jpg");
    let bytes = std::fs::read(path).unwrap();
    let end = measured(&bytes, "wa-40", &MeasureOptions::default()).end;
    let failure = end.failure.expect("another face");
    assert!(
        failure.text.contains("--face wa-40-3spot"),
        "{}",
        failure.text
    );
    assert!(!failure.text.contains("5zone"), "{}", failure.text);
}

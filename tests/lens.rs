//! Lens calibration: real photographs with a published camera, drawn boards with a known one, sets that don't suffice, and
//! pictures of anything.

#![allow(clippy::unwrap_used, reason = "helpers of tests may panic")]

use bossmark::geometry::camera::{Camera, Lens, Pose};
use bossmark::geometry::{FacePoint, ImagePoint};
use bossmark::lens::sheet::{self, Paper};
use bossmark::lens::zhang::{self, FullLens, Pair};
use bossmark::lens::{self, BoardDetection, LensOptions, LensProfile, board};
use bossmark::math::SplitMix;
use bossmark::photo::{self, ExifFacts, Photo};
use bossmark::text::{Locale, Sentence};
use image::{Rgb, RgbImage};
use nalgebra::{Rotation3, Vector2, Vector3};
use rayon::prelude::*;
use std::fs;
use std::path::Path;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

#[test]
fn the_kept_sheets_are_those_the_program_makes() {
    for (paper, name) in [(Paper::A4, "a4"), (Paper::Letter, "letter")] {
        let kept = root().join(format!("calibration/sheet-{name}.svg"));
        assert_eq!(
            fs::read_to_string(kept).unwrap(),
            sheet::svg(paper),
            "{name}"
        );
    }
}

fn chessboards() -> Vec<BoardDetection> {
    let mut files: Vec<_> = fs::read_dir(root().join("tests/chessboard"))
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|p| p.extension().is_some_and(|e| e == "jpg"))
        .collect();
    files.sort();
    files
        .iter()
        .map(|p| {
            let name = p.file_name().unwrap().to_string_lossy().into_owned();
            lens::detect_board(&photo::open(&fs::read(p).unwrap()).unwrap(), &name)
        })
        .collect()
}

/// The published camera (`tests/chessboard/left_intrinsics.yml`), mean error 0.39 px.
const PUBLISHED_F: f64 = 535.915_733_961_632;
const PUBLISHED_C: (f64, f64) = (342.283_154_733_083_7, 235.570_829_097_881_7);
const PUBLISHED_K: [f64; 3] = [
    -0.266_372_609_096_606_8,
    -0.038_588_898_922_304_65,
    0.238_391_530_808_784_86,
];
const PUBLISHED_RMS: f64 = 0.392_590_989_755_813_64;

/// Undistorted radius (tangent of the angle to the axis) of what is seen at `px` from the principal point.
fn undistorted(f: f64, k: [f64; 3], px: f64) -> f64 {
    let mut r = px / f;
    for _ in 0..50 {
        let r2 = r * r;
        let value = f * r * (1.0 + r2 * (k[0] + r2 * (k[1] + r2 * k[2])));
        let slope = f * (1.0 + r2 * (3.0 * k[0] + r2 * (5.0 * k[1] + r2 * 7.0 * k[2])));
        r -= (value - px) / slope;
    }
    r
}

/// Largest difference of two radial curves up to `reach` px, in px of the published camera. A scale common to all radii is
/// left out: for a plane it is distance, and focal lengths are compared apart.
fn curves_differ(f: f64, k: [f64; 3], reach: f64) -> f64 {
    let radii: Vec<f64> = (1..=100).map(|i| reach * f64::from(i) / 100.0).collect();
    let published: Vec<f64> = radii
        .iter()
        .map(|p| PUBLISHED_F * undistorted(PUBLISHED_F, PUBLISHED_K, *p))
        .collect();
    let own: Vec<f64> = radii.iter().map(|p| f * undistorted(f, k, *p)).collect();
    (0..=4000)
        .map(|i| 0.98 + 1e-5 * f64::from(i))
        .map(|s| {
            let pairs = published.iter().zip(&own);
            pairs.map(|(a, b)| (a - s * b).abs()).fold(0.0, f64::max)
        })
        .fold(f64::INFINITY, f64::min)
}

#[test]
fn real_photographs_give_the_published_camera() {
    let detections = chessboards();
    assert_eq!(detections.len(), 13);
    for detection in &detections {
        let board = detection.board.as_ref().unwrap();
        assert!(
            board.is_whole() && board.size == [9, 6],
            "{}",
            detection.file
        );
    }
    let profile = lens::fit(&detections, &LensOptions::default());
    assert!(profile.failure.is_none(), "{:?}", profile.failure);
    assert_eq!(profile.board, Some([9, 6]));
    let l = profile.lens.unwrap();
    assert!((l.f_px / PUBLISHED_F - 1.0).abs() < 0.01, "{l:?}");
    assert!(
        (l.cx_px - PUBLISHED_C.0).hypot(l.cy_px - PUBLISHED_C.1) < 5.0,
        "{l:?}"
    );
    let rms = profile.rms_px.unwrap();
    assert!(rms < PUBLISHED_RMS, "{rms}");
    // to the outermost corner seen: beyond it either curve is a guess
    let reach = detections
        .iter()
        .flat_map(|l| &l.board.as_ref().unwrap().corners)
        .map(|c| c.at.distance(ImagePoint::new(PUBLISHED_C.0, PUBLISHED_C.1)))
        .fold(0.0, f64::max);
    assert!(reach > 270.0);
    let plain = curves_differ(l.f_px, [l.k1, l.k2, 0.0], reach);
    let more = profile.more_terms.unwrap();
    let all = curves_differ(more.lens.f_px, [more.lens.k1, more.lens.k2, more.k3], reach);
    println!(
        "f {} rms {rms} {} curve {plain:.3} {all:.3} to {reach:.0} px",
        l.f_px, more.rms_px
    );
    assert!(plain < 0.3 && all < 0.3, "{plain} {all}");
    // and it is said that the picture's corners are a guess, and how far the squares reach
    assert!((profile.reach_px.unwrap() - reach).abs() < 4.0);
    let guess = profile.notes.iter().find(|n| n.code == "corners-empty");
    let reach = format!("reach out to {:.0} px", profile.reach_px.unwrap());
    assert!(
        guess.unwrap().text(Locale::default()).contains(&reach),
        "{guess:?}"
    );
}

/// How far from the middle a lens sees what the published one sees at `px`, less `px`. The scale, which is distance, is that
/// which makes the curves agree best up to 250 px.
fn seen_apart(l: &FullLens, px: &[f64]) -> Vec<f64> {
    let f = l.lens.f_px;
    let seen = |r: f64| f * r * (1.0 + r * r * (l.lens.k1 + r * r * (l.lens.k2 + r * r * l.k3)));
    let direction = |px: f64| undistorted(PUBLISHED_F, PUBLISHED_K, px);
    let inner: Vec<(f64, f64)> = (1..=50)
        .map(|i| 5.0 * f64::from(i))
        .map(|px| (px, direction(px)))
        .collect();
    let worst = |s: f64| {
        let off = inner.iter().map(|(px, r)| (seen(s * r) - px).abs());
        off.fold(0.0, f64::max)
    };
    let scale = (0..=800)
        .map(|i| 0.98 + 5e-5 * f64::from(i))
        .min_by(|a, b| worst(*a).total_cmp(&worst(*b)))
        .unwrap();
    px.iter()
        .map(|px| seen(scale * direction(*px)) - px)
        .collect()
}

/// Out to the outermost corner seen, the thirteen photographs give the published curve within 0.3 px. Beyond it they don't say
/// what the lens does (the sd by leaving out one photograph in turn, Tukey 1958, grows to many pixels), and there the
/// published curve lies where they allow it to.
#[test]
fn beyond_the_squares_the_published_curve_is_met_as_well_as_the_photographs_know_it() {
    let views: Vec<Vec<Pair>> = chessboards()
        .iter()
        .map(|l| {
            let at = |c: &board::BoardCorner| {
                let on_board = Vector2::new(f64::from(c.column), f64::from(c.row));
                (on_board, Vector2::new(c.at.x, c.at.y))
            };
            l.board.as_ref().unwrap().corners.iter().map(at).collect()
        })
        .collect();
    // the outermost corner, and the picture's own corner that is farthest from the published principal point
    let radii = [278.0, PUBLISHED_C.0.hypot(479.0 - PUBLISHED_C.1)];
    let off = |views: &[Vec<Pair>]| {
        let plain = zhang::calibrate(views, [640.0, 480.0]).unwrap();
        let all = zhang::with_all_terms(views, [640.0, 480.0], &plain).unwrap();
        seen_apart(&all.lens, &radii)
    };
    let whole = off(&views);
    let without: Vec<Vec<f64>> = (0..views.len())
        .into_par_iter()
        .map(|i| {
            let mut kept = views.clone();
            kept.remove(i);
            off(&kept)
        })
        .collect();
    let sd = |k: usize| {
        let n = 13.0;
        let mean = without.iter().map(|o| o[k]).sum::<f64>() / n;
        let squares: f64 = without.iter().map(|o| (o[k] - mean).powi(2)).sum();
        (squares * (n - 1.0) / n).sqrt()
    };
    println!("off {whole:.2?}, sd {:.2} {:.2}", sd(0), sd(1));
    assert!(
        whole[0].abs() < 0.3 && sd(0) < 0.3,
        "{} {}",
        whole[0],
        sd(0)
    );
    assert!(sd(1) > 3.0, "{}", sd(1));
    assert!(whole[1].abs() < sd(1), "{} {}", whole[1], sd(1));
}

#[test]
fn a_board_told_and_photos_of_something_else() {
    let mut detections = chessboards();
    detections.truncate(6);
    detections.push(BoardDetection {
        file: "no board".to_owned(),
        board: None,
        ..detections[0].clone()
    });
    let mut other = detections[0].clone();
    other.file = "another camera".to_owned();
    other.camera.width_px = 800;
    detections.push(other);
    let profile = lens::fit(&detections, &LensOptions::default());
    assert!(profile.failure.is_none(), "{:?}", profile.failure);
    let unused: Vec<&str> = profile
        .photos
        .iter()
        .filter(|p| !p.used && p.reason.is_some())
        .map(|p| p.file.as_str())
        .collect();
    assert_eq!(unused, ["no board", "another camera"]);
    assert!(profile.notes.iter().any(|n| n.code == "few-photos"));
    let given = LensOptions {
        board: Some([5, 8]),
        ..LensOptions::default()
    };
    let profile = lens::fit(&detections, &given);
    assert_eq!(profile.failure.unwrap().code, "no-board");
    assert!(
        profile.photos[0]
            .reason
            .as_ref()
            .unwrap()
            .text(Locale::default())
            .contains("9 × 6")
    );
}

/// A view of a board that is `distance` squares away and turned.
fn pose(turn: (f64, f64, f64), centre: (f64, f64), distance: f64, shift: (f64, f64)) -> Pose {
    let rotation = Rotation3::from_euler_angles(turn.0, turn.1, turn.2).into_inner();
    let middle = rotation * Vector3::new(centre.0, centre.1, 0.0);
    Pose {
        rotation,
        translation_mm: Vector3::new(shift.0, shift.1, distance) - middle,
    }
}

/// A normal number (Box and Muller).
fn normal(random: &mut SplitMix) -> f64 {
    let mut unit = || {
        let n = u32::try_from(random.below(1 << 30)).unwrap();
        (f64::from(n) + 0.5) / f64::from(1u32 << 30)
    };
    let (a, b) = (unit(), unit());
    (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()
}

const TRUE_LENS: Lens = Lens {
    f_px: 780.0,
    cx_px: 492.0,
    cy_px: 371.0,
    k1: -0.09,
    k2: 0.04,
};
const SIZE: [f64; 2] = [1000.0, 750.0];
const TURNS: [(f64, f64, f64); 8] = [
    (0.5, 0.0, 0.0),
    (-0.5, 0.1, 0.1),
    (0.0, 0.55, -0.1),
    (0.1, -0.55, 0.0),
    (0.4, 0.4, 1.5),
    (-0.4, -0.35, 1.6),
    (0.05, 0.0, 0.8),
    (0.4, -0.4, -0.4),
];

/// Corners as a lens sees them, each coordinate off by a normal error of `sd` px.
fn seen(lens: Lens, sd: f64, random: &mut SplitMix) -> Vec<Vec<Pair>> {
    let lens = FullLens {
        lens,
        tangential: [0.0; 2],
        k3: 0.0,
    };
    TURNS
        .iter()
        .zip(
            [(-1.5, 1.0), (1.5, -1.0), (0.0, 0.0), (1.0, 1.0)]
                .iter()
                .cycle(),
        )
        .map(|(turn, shift)| {
            let p = pose(*turn, (5.0, 3.0), 10.5, *shift);
            (0..77)
                .map(|i| {
                    let at = Vector2::new(f64::from(i % 11), f64::from(i / 11));
                    let c = p.rotation * Vector3::new(at.x, at.y, 0.0) + p.translation_mm;
                    let px = lens.pixel(Vector2::new(c.x / c.z, c.y / c.z));
                    let error = Vector2::new(normal(random), normal(random)) * sd;
                    (at, px + error)
                })
                .collect()
        })
        .collect()
}

/// The stated standard deviations are those of the errors: over 40 sets the squares of error ÷ sd average to 1.
#[test]
fn stated_deviations_are_true() {
    let mut squares = [0.0; 5];
    for seed in 0..40 {
        let mut random = SplitMix::new(1000 + seed);
        let c = zhang::calibrate(&seen(TRUE_LENS, 0.2, &mut random), SIZE).unwrap();
        let (l, t) = (c.lens.lens, TRUE_LENS);
        let errors = [
            (l.f_px / t.f_px).ln(),
            l.cx_px - t.cx_px,
            l.cy_px - t.cy_px,
            l.k1 - t.k1,
            l.k2 - t.k2,
        ];
        for (i, (sum, e)) in squares.iter_mut().zip(errors).enumerate() {
            *sum += e * e / c.covariance[(i, i)] / 40.0;
        }
        assert!((c.sd_px / 0.2 - 1.0).abs() < 0.15, "{}", c.sd_px);
    }
    // chi-square with 40 degrees of freedom over 40: 0.46 to 1.84 holds 99.9 %
    for (i, s) in squares.iter().enumerate() {
        assert!((0.46..1.84).contains(s), "parameter {i}: {s}");
    }
}

/// The sheet's board as a camera sees it, in a room of mid grey; mm.
fn drawn(camera: &Camera, width: u32, height: u32, seed: u64) -> Photo {
    let side = sheet::SQUARE_MM;
    let [columns, rows] = sheet::SQUARES.map(f64::from);
    let mut random = SplitMix::new(seed);
    let ink = |p: FacePoint| -> f64 {
        let (x, y) = (p.x / side, p.y / side);
        let on_paper = x > -1.0 && y > -0.6 && x < columns + 1.0 && y < rows + 2.0;
        let on_board = x >= 0.0 && y >= 0.0 && x < columns && y < rows;
        match (on_paper, on_board) {
            (false, _) => 120.0,
            (true, false) => 225.0,
            _ if (x.floor() + y.floor()).rem_euclid(2.0) < 0.5 => 30.0,
            _ => 225.0,
        }
    };
    let picture = RgbImage::from_fn(width, height, |u, v| {
        let mut sum = 0.0;
        for (i, j) in (0..9).map(|k| (k % 3, k / 3)) {
            let p = ImagePoint::new(
                f64::from(u) + (f64::from(i) - 1.0) / 3.0,
                f64::from(v) + (f64::from(j) - 1.0) / 3.0,
            );
            sum += camera.face_from_image(p).map_or(120.0, ink) / 9.0;
        }
        // light from one side, and noise
        let level = sum * (1.0 - 0.4 * f64::from(u) / f64::from(width)) + 3.0 * normal(&mut random);
        #[expect(clippy::cast_possible_truncation, reason = "a byte")]
        Rgb([bossmark::math::byte(level as f32); 3])
    });
    Photo::from_pixels(picture, ExifFacts::default())
}

const DRAWN_LENS: Lens = Lens {
    f_px: 560.0,
    cx_px: 322.0,
    cy_px: 236.0,
    k1: -0.06,
    k2: 0.02,
};

fn sheet_seen(
    turn: (f64, f64, f64),
    shift: (f64, f64),
    distance: f64,
    seed: u64,
) -> BoardDetection {
    // the camera model looks at its plane from z > 0: half a turn about x
    let turn = (turn.0 + std::f64::consts::PI, turn.1, turn.2);
    let camera = Camera {
        lens: DRAWN_LENS,
        pose: pose(turn, (120.0, 80.0), distance, shift),
    };
    lens::detect_board(&drawn(&camera, 640, 480, seed), &format!("drawn {seed}"))
}

#[test]
fn the_sheet_in_drawn_photos_gives_the_drawn_lens() {
    let views = [
        ((0.5, 0.0, 0.0), (0.0, -20.0), 300.0),
        ((-0.5, 0.1, 0.2), (-40.0, 20.0), 310.0),
        ((0.0, 0.6, 0.0), (40.0, 30.0), 320.0),
        ((0.1, -0.6, 0.1), (-30.0, -30.0), 320.0),
        ((0.4, 0.4, 1.5), (0.0, 0.0), 330.0),
        ((-0.3, -0.4, -1.5), (20.0, 10.0), 330.0),
        // runs out of the picture on two sides
        ((0.1, 0.2, 0.05), (-70.0, -60.0), 260.0),
        ((0.2, -0.3, 0.0), (70.0, 60.0), 260.0),
    ];
    let detections: Vec<BoardDetection> = (0..)
        .zip(views)
        .map(|(seed, (turn, shift, distance))| sheet_seen(turn, shift, distance, seed))
        .collect();
    for detection in &detections[..6] {
        let board = detection.board.as_ref().unwrap();
        assert!(
            board.size == [11, 7] && board.is_whole(),
            "{}: {:?} {}",
            detection.file,
            board.size,
            board.corners.len()
        );
    }
    for detection in &detections[6..] {
        let board = detection.board.as_ref().unwrap();
        assert!(
            board.corners.len() >= 30 && !board.is_whole(),
            "{}",
            board.corners.len()
        );
    }
    let profile = lens::fit(&detections, &LensOptions::default());
    assert!(profile.failure.is_none(), "{:?}", profile.failure);
    let (l, sd) = (profile.lens.unwrap(), profile.sd.unwrap());
    for (name, found, truth, sd) in [
        ("f", l.f_px, DRAWN_LENS.f_px, sd.f_px),
        ("cx", l.cx_px, DRAWN_LENS.cx_px, sd.cx_px),
        ("cy", l.cy_px, DRAWN_LENS.cy_px, sd.cy_px),
        ("k1", l.k1, DRAWN_LENS.k1, sd.k1),
        ("k2", l.k2, DRAWN_LENS.k2, sd.k2),
    ] {
        assert!(
            (found - truth).abs() < 3.5 * sd,
            "{name}: {found} ± {sd}, true {truth}"
        );
    }
    assert!(profile.rms_px.unwrap() < 0.2);
    // it survives being written and read; a sentence that was read stays as it stands
    let text = serde_json::to_vec(&profile).unwrap();
    let read = LensProfile::parse(&text).unwrap();
    assert_eq!(serde_json::to_vec(&read).unwrap(), text);
    let notes = Vec::new();
    let [read, profile] = [read, profile].map(|p| LensProfile {
        notes: notes.clone(),
        ..p
    });
    assert_eq!(read, profile);
}

#[test]
fn photos_that_do_not_suffice_are_refused() {
    let code = |detections: &[BoardDetection]| {
        let profile = lens::fit(detections, &LensOptions::default());
        assert!(profile.lens.is_none(), "{profile:?}");
        profile.failure.unwrap().code
    };
    assert_eq!(code(&[]), "no-board");
    let mut random = SplitMix::new(3);
    let detection = |i: usize, corners: Vec<Pair>| BoardDetection {
        file: format!("{i}"),
        camera: lens::CameraKey {
            width_px: 1000,
            height_px: 750,
            ..Default::default()
        },
        board: Some(board::Board {
            size: [11, 7],
            corners: corners
                .iter()
                .zip(0..)
                .map(|((_, px), k)| board::BoardCorner {
                    column: k % 11,
                    row: k / 11,
                    at: ImagePoint::new(px.x, px.y),
                })
                .collect(),
        }),
    };
    let good = seen(TRUE_LENS, 0.1, &mut random);
    let three: Vec<BoardDetection> = (0..3).map(|i| detection(i, good[i].clone())).collect();
    assert_eq!(code(&three), "too-few");
    // the same photo again and again
    let same: Vec<BoardDetection> = (0..8).map(|i| detection(i, good[0].clone())).collect();
    assert_eq!(code(&same), "all-alike");
    // straight on, only nearer and further
    let straight: Vec<BoardDetection> = (0..8)
        .map(|i| {
            let lens = FullLens {
                lens: TRUE_LENS,
                tangential: [0.0; 2],
                k3: 0.0,
            };
            let n = f64::from(u8::try_from(i).unwrap());
            let p = pose(
                (0.01 * n, -0.005 * n, 0.2 * n),
                (5.0, 3.0),
                10.0 + n,
                (0.1 * n, 0.0),
            );
            let corners = (0..77).map(|k| {
                let at = Vector2::new(f64::from(k % 11), f64::from(k / 11));
                let c = p.rotation * Vector3::new(at.x, at.y, 0.0) + p.translation_mm;
                let error = Vector2::new(normal(&mut random), normal(&mut random)) * 0.1;
                (at, lens.pixel(Vector2::new(c.x / c.z, c.y / c.z)) + error)
            });
            detection(i, corners.collect())
        })
        .collect();
    assert_eq!(code(&straight), "all-alike");
    // another zoom in half of the photos
    let zoomed = seen(
        Lens {
            f_px: 1000.0,
            ..TRUE_LENS
        },
        0.1,
        &mut random,
    );
    let mixed: Vec<BoardDetection> = (0..8)
        .map(|i| {
            detection(
                i,
                if i % 2 == 0 {
                    good[i].clone()
                } else {
                    zoomed[i].clone()
                },
            )
        })
        .collect();
    assert_eq!(code(&mixed), "does-not-fit");
}

#[test]
fn no_picture_makes_it_panic_and_none_but_a_board_is_one() {
    let mut random = SplitMix::new(9);
    for (w, h) in [(0, 0), (1, 1), (3, 900), (17, 12), (120, 90), (333, 250)] {
        let mut level = || u8::try_from(random.below(256)).unwrap();
        let noise = RgbImage::from_fn(w, h, |_, _| Rgb([level(), level(), level()]));
        assert!(board::find(&noise).is_none());
        let steps = RgbImage::from_fn(w, h, |x, y| {
            Rgb([if (x / 7 + y / 5) % 3 == 0 { 250 } else { 3 }; 3])
        });
        assert!(board::find(&steps).is_none_or(|b| b.corners.len() < 300));
        let stripes = RgbImage::from_fn(w, h, |x, _| Rgb([if x % 16 < 8 { 250 } else { 3 }; 3]));
        assert!(board::find(&stripes).is_none());
    }
    for photo in ["no-face.jpg", "three-spot.jpg"] {
        let found = fs::read_dir(root().join("sample-photos"))
            .unwrap()
            .map(|e| e.unwrap().path())
            .filter(|p| p.is_dir())
            .map(|d| d.join(photo))
            .find(|p| p.is_file());
        if let Some(path) = found {
            let photo = photo::open(&fs::read(path).unwrap()).unwrap();
            assert!(board::find(&photo.pixels).is_none());
        }
    }
    // corners anywhere, points on one another, wild numbers
    for _ in 0..60 {
        let mut number = |n: usize| f64::from(u16::try_from(random.below(n)).unwrap());
        let views: Vec<Vec<Pair>> = (0..5)
            .map(|_| {
                (0..12)
                    .map(|_| {
                        let px = Vector2::new(number(1000), number(800));
                        (Vector2::new(number(4), number(3)), px)
                    })
                    .collect()
            })
            .collect();
        let _ = zhang::calibrate(&views, SIZE);
    }
}

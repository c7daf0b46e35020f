//! Faces as they hang on a range and as phones send them: drawn with known truth, each must be found, its millimetres must
//! hold, and its error must be one that the fit's own covariance foresees.

#![allow(clippy::unwrap_used, reason = "helpers of tests may panic")]

mod drawn;

use bossmark::face::spec::{self, FaceSpec};
use bossmark::face::{self, FitOptions};
use bossmark::geometry::camera::{Camera, Lens, Pose};
use bossmark::geometry::{FacePoint, ImagePoint};
use bossmark::photo::{self, Photo};
use drawn::{Scene, camera, draw};
use exif::experimental::Writer;
use exif::{Field, In, Tag, Value};
use image::codecs::jpeg::JpegEncoder;
use image::metadata::Orientation;
use image::{DynamicImage, ExtendedColorType, ImageEncoder, RgbImage, imageops};
use nalgebra::{Rotation2, Rotation3, Vector2, Vector3};
use rayon::prelude::*;
use std::f64::consts::TAU;

/// One look of a face. Angles in degrees, lengths in mm.
struct Look {
    what: &'static str,
    face: &'static str,
    /// The lens over the picture as it is, 35 mm equivalent, and what the file says of it.
    f35: f64,
    told: Option<u16>,
    k1: f64,
    /// Distance, to the right, above.
    from: (f64, f64, f64),
    /// Turn of the camera away from the face: to the right, up.
    aside: (f64, f64),
    /// Size as drawn, and the longer side to which a messenger reduced it.
    size: (u32, u32),
    reduced: Option<u32>,
    noise: f64,
    quality: u8,
    scene: Scene,
    /// Largest rms over the outermost rings.
    within_mm: f64,
    /// A note that must be there.
    note: Option<&'static str>,
}

fn look(what: &'static str, face: &'static str) -> Look {
    let spec = spec::by_name(face).unwrap();
    Look {
        what,
        face,
        f35: 26.5,
        told: Some(26),
        k1: 0.012,
        from: (3.0 * spec.reach_mm(), 20.0, 5.0),
        aside: (0.0, 0.0),
        size: (1400, 1050),
        reduced: None,
        noise: 2.5,
        quality: 88,
        scene: Scene {
            paper_mm: 1.07 * spec.reach_mm(),
            turn: 0.02,
            ..Scene::default()
        },
        within_mm: 0.4,
        note: None,
    }
}

fn as_seen(
    what: &'static str,
    face: &'static str,
    over: fn(FacePoint, [f64; 3]) -> [f64; 3],
) -> Look {
    let usual = look(what, face);
    Look {
        scene: Scene {
            over,
            ..usual.scene
        },
        within_mm: 0.8,
        ..usual
    }
}

fn dimmed(c: [f64; 3], by: [f64; 3]) -> [f64; 3] {
    [c[0] * by[0], c[1] * by[1], c[2] * by[2]]
}

/// Some number between 0 and 1 for a place of a grid.
fn grain(x: f64, y: f64) -> f64 {
    ((x.floor() * 12.9898 + y.floor() * 78.233).sin() * 43_758.545).rem_euclid(1.0)
}

/// What is left of a middle that was shot to pieces: dark straw, with shreds of paper.
fn shot_out(q: FacePoint, c: [f64; 3], radius: f64) -> [f64; 3] {
    let ragged = radius * (1.0 + 0.25 * (5.0 * q.y.atan2(q.x)).sin());
    if q.x.hypot(q.y) > ragged || grain(q.x / 9.0, q.y / 7.0) > 0.8 {
        return c;
    }
    let straw = 0.06 + 0.2 * grain(q.x / 4.0, q.y / 2.0);
    [straw, 0.8 * straw, 0.5 * straw]
}

fn looks() -> Vec<Look> {
    let mut all: Vec<Look> = spec::known()
        .iter()
        // a face in black and white alone has no strong colour that the search starts from
        .map(|f| look("as it is", f.name.as_str()))
        .collect();
    for face in ["wa-80", "wa-40-3spot", "field-60", "wa-80-6zone"] {
        for (what, light) in [
            ("candle-warm", [1.0, 0.42, 0.10]),
            ("shade-blue", [0.42, 0.66, 1.0]),
            ("dusk", [0.05, 0.05, 0.06]),
        ] {
            let l = look(what, face);
            all.push(Look {
                scene: Scene { light, ..l.scene },
                within_mm: 0.8,
                ..l
            });
        }
        all.push(as_seen("a shadow's edge across the rings", face, |q, c| {
            if 0.5 * q.x + q.y > 30.0 {
                dimmed(c, [0.14, 0.17, 0.22])
            } else {
                c
            }
        }));
        all.push(as_seen("stripes of shadow from a fence", face, |q, c| {
            if (q.x - 0.3 * q.y).rem_euclid(140.0) < 45.0 {
                dimmed(c, [0.2, 0.23, 0.3])
            } else {
                c
            }
        }));
        all.push(as_seen("backlight", face, |q, c| {
            let veil = 0.10 + 0.05 * (q.y / 600.0).clamp(-1.0, 1.0);
            dimmed(c, [0.22, 0.24, 0.28]).map(|v| v + veil)
        }));
        all.push(as_seen("rain-dark in blotches", face, |q, c| {
            let wet = ((q.x / 130.0).sin() + (q.y / 90.0 + 1.0).cos()).clamp(0.0, 1.0);
            let by = 1.0 - 0.5 * wet;
            dimmed(c, [by, by, by])
        }));
        all.push(as_seen("middle shot out", face, |q, c| {
            shot_out(q, c, 55.0)
        }));
        all.push(as_seen("shafts across the rings", face, |q, c| {
            let hidden = (0..9).map(f64::from).any(|k| {
                let (x, y) = (q.x - 25.0 * (k - 4.0), q.y - 20.0 * (k * 1.7).sin());
                x > 0.0 && (y - 0.25 * x).abs() < 3.0 + 0.01 * x
            });
            if hidden { [0.02; 3] } else { c }
        }));
        all.push(as_seen("pasted over", face, |q, c| {
            let (i, j) = ((q.x / 50.0).floor(), (q.y / 50.0).floor());
            let here = grain(i, j) < 0.25;
            let (x, y) = (q.x - 50.0 * i, q.y - 50.0 * j);
            if here && x < 22.0 && y < 22.0 {
                [0.75, 0.7, 0.6]
            } else {
                c
            }
        }));
        let faded = look("bleached by the sun", face);
        all.push(Look {
            scene: Scene {
                fade: 0.5,
                ..faded.scene
            },
            within_mm: 0.8,
            ..faded
        });
        let creased = look("creased and wavy", face);
        all.push(Look {
            scene: Scene {
                stands_off_mm: |q| {
                    let fold = |d: f64| 3.0 * (-d.abs() / 20.0).exp();
                    fold(q.x - 50.0) + fold(q.y + 0.2 * q.x + 40.0) + (q.x / 110.0).sin()
                },
                over: |q, c| {
                    let by = if q.x > 50.0 { 0.85 } else { 1.0 };
                    dimmed(c, [by, by, by])
                },
                ..creased.scene
            },
            within_mm: 0.8,
            ..creased
        });
    }
    for face in ["wa-80", "wa-40-3spot", "wa-122"] {
        let reach = spec::by_name(face).unwrap().reach_mm();
        all.push(Look {
            told: None,
            size: (2400, 1800),
            reduced: Some(1280),
            quality: 60,
            ..look("a messenger's copy", face)
        });
        all.push(Look {
            f35: 52.0,
            from: (5.5 * reach, 28.0, 6.0),
            note: (face != "wa-40-3spot").then_some("focal-doubtful"),
            ..look("zoomed digitally", face)
        });
        all.push(Look {
            f35: 13.2,
            told: Some(13),
            k1: -0.12,
            from: (1.5 * reach, 20.0, 5.0),
            ..look("ultra-wide from close by", face)
        });
        all.push(Look {
            f35: 13.2,
            told: None,
            k1: -0.12,
            from: (1.5 * reach, 24.0, 5.0),
            within_mm: 0.8,
            ..look("ultra-wide that isn't told", face)
        });
        all.push(Look {
            f35: 76.0,
            told: Some(77),
            from: (8.5 * reach, 22.0, 4.0),
            ..look("tele", face)
        });
        all.push(Look {
            from: (14.0 * reach, 15.0, 5.0),
            within_mm: 0.8,
            ..look("small in the picture", face)
        });
        all.push(Look {
            size: (1050, 1400),
            ..look("phone upright", face)
        });
        all.push(Look {
            from: (3.0 * reach, 50.0, 5.0),
            within_mm: 0.8,
            ..look("from far to the side", face)
        });
    }
    for (face, aside) in [
        ("wa-80", (22.0, 0.0)),
        ("wa-122", (0.0, 14.0)),
        ("wa-60", (-18.0, -6.0)),
        ("wa-40-3spot", (0.0, 13.0)),
        ("field-80", (19.0, 8.0)),
    ] {
        all.push(Look {
            aside,
            within_mm: 0.8,
            note: Some(if face == "wa-40-3spot" {
                "spots-missing"
            } else {
                "face-cut"
            }),
            ..look("partly out of the picture", face)
        });
    }
    all
}

fn truth(l: &Look) -> Camera {
    let (w, h) = (f64::from(l.size.0), f64::from(l.size.1));
    let lens = Lens {
        f_px: l.f35 * w.hypot(h) / photo::DIAGONAL_35MM,
        cx_px: 0.5 * w + 1.5,
        cy_px: 0.5 * h - 2.0,
        k1: l.k1,
        k2: 0.0,
    };
    let at = camera(lens, l.from.0, l.from.1, l.from.2);
    let turn = Rotation3::from_axis_angle(&Vector3::y_axis(), -l.aside.0.to_radians())
        * Rotation3::from_axis_angle(&Vector3::x_axis(), l.aside.1.to_radians());
    Camera {
        lens,
        pose: Pose {
            rotation: turn * at.pose.rotation,
            translation_mm: turn * at.pose.translation_mm,
        },
    }
}

/// Noise of a small sensor, 8-bit levels.
fn noisy(picture: &mut RgbImage, sd: f64) {
    let mut state = 1u64;
    let mut next = || {
        // Steele, Lea and Flood 2014 (splitmix64)
        state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (state ^ (state >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        f64::from(u16::try_from((z ^ (z >> 31)) & 0xFFFF).unwrap()) / 65_536.0 - 0.5
    };
    for v in picture.iter_mut() {
        // the sum of three is nearly normal, with variance ¼
        let n = 2.0 * sd * (next() + next() + next());
        #[expect(clippy::cast_possible_truncation, reason = "a byte")]
        let value = bossmark::math::byte((f64::from(*v) + n) as f32);
        *v = value;
    }
}

/// The file that a phone would have written, with that EXIF orientation.
fn file(upright: RgbImage, told: Option<u16>, orientation: u8, quality: u8) -> Vec<u8> {
    // stored turned back: a quarter turn undoes the other one, all else undoes itself
    let back = match orientation {
        6 => 8,
        8 => 6,
        o => o,
    };
    let mut stored = DynamicImage::from(upright);
    stored.apply_orientation(Orientation::from_exif(back).unwrap());
    let mut jpeg = Vec::new();
    let mut encoder = JpegEncoder::new_with_quality(&mut jpeg, quality);
    if let Some(f35) = told {
        let field = |tag, value| Field {
            tag,
            ifd_num: In::PRIMARY,
            value: Value::Short(vec![value]),
        };
        let fields = [
            field(Tag::Orientation, u16::from(orientation)),
            field(Tag::FocalLengthIn35mmFilm, f35),
        ];
        let mut writer = Writer::new();
        fields.iter().for_each(|f| writer.push_field(f));
        let mut block = std::io::Cursor::new(Vec::new());
        writer.write(&mut block, true).unwrap();
        encoder.set_exif_metadata(block.into_inner()).unwrap();
    }
    let (w, h) = (stored.width(), stored.height());
    encoder
        .write_image(stored.as_bytes(), w, h, ExtendedColorType::Rgb8)
        .unwrap();
    jpeg
}

/// The photo of a look, and how many of its pixels one drawn pixel is.
fn taken(l: &Look, truth: &Camera, orientation: u8) -> (Photo, f64) {
    let spec = spec::by_name(l.face).unwrap();
    let mut picture = draw(spec, truth, &l.scene, l.size.0, l.size.1);
    noisy(&mut picture, l.noise);
    let mut scale = 1.0;
    if let Some(side) = l.reduced {
        scale = f64::from(side) / f64::from(l.size.0.max(l.size.1));
        let small = |v: u32| {
            u32::try_from(bossmark::math::floor_index(f64::from(v) * scale + 0.5)).unwrap()
        };
        picture = imageops::resize(
            &picture,
            small(l.size.0),
            small(l.size.1),
            imageops::FilterType::CatmullRom,
        );
    }
    let bytes = file(picture, l.told, orientation, l.quality);
    (photo::open(&bytes).unwrap(), scale)
}

/// How a fit compares with the truth over the outermost rings as far as they are in the picture.
struct Outcome {
    rms_mm: f64,
    /// Error over what the covariance foresees.
    sds: f64,
    /// Error of the upright over its own standard deviation.
    upright_sds: f64,
    visible: f64,
}

fn compare(l: &Look, truth: &Camera, scale: f64, fit: &face::FaceFit, spec: &FaceSpec) -> Outcome {
    let r = spec.outer_radius_mm();
    let (sin, cos) = l.scene.turn.sin_cos();
    let (mut pairs, mut places) = (Vec::new(), 0.0);
    for spot in &spec.spots_mm {
        for k in 0..48 {
            let (s, c) = (TAU * f64::from(k) / 48.0).sin_cos();
            let own = Vector2::new(spot.x + r * c, spot.y + r * s);
            let seen = FacePoint::new(cos * own.x - sin * own.y, sin * own.x + cos * own.y);
            places += 1.0;
            let Some(px) = truth.image_from_face(seen) else {
                continue;
            };
            let (w, h) = (f64::from(l.size.0), f64::from(l.size.1));
            if px.x < 0.0 || px.y < 0.0 || px.x > w - 1.0 || px.y > h - 1.0 {
                continue;
            }
            let px = ImagePoint::new((px.x + 0.5) * scale - 0.5, (px.y + 0.5) * scale - 0.5);
            let p = fit.camera.face_from_image(px).unwrap();
            pairs.push((Vector2::new(p.x, p.y), own, fit.point_cov_mm2(px)));
        }
    }
    let cross: f64 = pairs.iter().map(|(p, q, _)| p.perp(q)).sum();
    let dot: f64 = pairs.iter().map(|(p, q, _)| p.dot(q)).sum();
    let turn = cross.atan2(dot);
    // rings don't show the turn; several spots do
    let back = Rotation2::new(if spec.spots_mm.len() == 1 { -turn } else { 0.0 });
    let (error, foreseen) = pairs.iter().fold((0.0, 0.0), |s, (p, q, cov)| {
        (s.0 + (p - back * q).norm_squared(), s.1 + cov.trace())
    });
    Outcome {
        rms_mm: (error / f64::from(u32::try_from(pairs.len()).unwrap())).sqrt(),
        sds: (error / foreseen).sqrt(),
        upright_sds: turn.abs() / fit.upright.sd_rad,
        visible: f64::from(u32::try_from(pairs.len()).unwrap()) / places,
    }
}

/// What is wrong with the measurement of a look; nothing when all holds.
fn complaint(l: &Look, orientation: u8) -> Option<String> {
    let spec = spec::by_name(l.face).unwrap();
    let truth = truth(l);
    let (photo, scale) = taken(l, &truth, orientation);
    let name = format!("{}, {}", l.face, l.what);
    let fit = match face::fit(&photo, spec, &FitOptions::default()) {
        Ok(fit) => fit,
        Err(e) => return Some(format!("{name}: {e}")),
    };
    let o = compare(l, &truth, scale, &fit, spec);
    let codes: Vec<_> = fit.notes.iter().map(|n| n.code).collect();
    let holds = o.visible > 0.6
        && o.rms_mm < l.within_mm
        && o.sds < 3.0
        && o.upright_sds < 3.0
        && l.note.is_none_or(|n| codes.contains(&n));
    (!holds).then(|| {
        format!(
            "{name}: {:.2} mm, {:.1} sd, upright {:.1} sd, {:.2} visible, {codes:?}",
            o.rms_mm, o.sds, o.upright_sds, o.visible
        )
    })
}

#[test]
fn faces_are_measured_however_they_look() {
    let looks = looks();
    assert!(looks.len() > 80);
    let bad: Vec<String> = looks.par_iter().filter_map(|l| complaint(l, 1)).collect();
    assert!(bad.is_empty(), "{}", bad.join("\n"));
}

#[test]
fn photos_are_measured_however_the_phone_was_held() {
    for size in [(1000, 750), (750, 1000)] {
        for orientation in 1..=8 {
            let l = Look {
                size,
                ..look("held some way", "wa-80")
            };
            assert_eq!(complaint(&l, orientation), None, "{orientation}");
        }
    }
}

//! Practice photos: the truth beside them is true, the same options give the same bytes, and measuring works on them.
//!
//! Where a point of the face or of a shaft lies in the picture is worked out here from the numbers of the truth file alone, by the
//! formulas that `sample-photos/README.md` states, and compared with what the drawn scene shows there.

use bossmark::face::spec::{self, FaceSpec};
use bossmark::face::{self, FaceFit, FitOptions};
use bossmark::geometry::ImagePoint;
use bossmark::measure::{self, MeasureOptions};
use bossmark::photo;
use bossmark::record::Session;
use bossmark::rehearse::{LightKind, Options, Part, Scene, Truth, VisibleSurface, rehearse};
use rayon::prelude::*;
use serde_json::Value;

/// The waves of the sheet reach so far from its plane at most, mm (`calibration/rehearse.json`).
const WAVE_MM: f64 = 1.4;

fn small(face: &str, seed: u64) -> Options<'_> {
    Options {
        size: Some((1200, 900)),
        ..Options::new(spec::by_name(face).expect("a known face"), seed)
    }
}

/// The truth as a reader of the file gets it.
fn truth_of(scene: &Scene) -> Value {
    serde_json::from_str(&serde_json::to_string(&scene.truth("p.jpg")).expect("JSON"))
        .expect("JSON")
}

fn numbers<const N: usize>(value: &Value) -> [f64; N] {
    std::array::from_fn(|k| value[k].as_f64().expect("a number"))
}

/// A point of the face frame → pixel, from the truth's numbers: rotate, shift, divide, distort, scale.
fn project(truth: &Value, p: [f64; 3]) -> [f64; 2] {
    let c = &truth["camera"];
    let number = |name: &str| c[name].as_f64().expect("a number");
    let t: [f64; 3] = numbers(&c["translation_mm"]);
    let x: [f64; 3] = std::array::from_fn(|i| {
        let row: [f64; 3] = numbers(&c["rotation"][i]);
        row[0] * p[0] + row[1] * p[1] + row[2] * p[2] + t[i]
    });
    let (u, v) = (x[0] / x[2], x[1] / x[2]);
    let r2 = u * u + v * v;
    let d = 1.0 + number("k1") * r2 + number("k2") * r2 * r2;
    [
        number("fx_px") * u * d + number("cx_px"),
        number("fy_px") * v * d + number("cy_px"),
    ]
}

fn apart(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// Angle at which the camera sees a shaft's axis at its entry, rad.
fn slant(truth: &Value, entry: [f64; 2], axis: [f64; 3]) -> f64 {
    let c = &truth["camera"];
    let t: [f64; 3] = numbers(&c["translation_mm"]);
    let rows: [[f64; 3]; 3] = std::array::from_fn(|i| numbers(&c["rotation"][i]));
    // the camera's centre is −Rᵀt
    let view: [f64; 3] = std::array::from_fn(|j| {
        let centre: f64 = (0..3).map(|i| -rows[i][j] * t[i]).sum();
        centre - if j < 2 { entry[j] } else { 0.0 }
    });
    let norm = view.iter().map(|v| v * v).sum::<f64>().sqrt();
    let cosine: f64 = (0..3).map(|j| view[j] * axis[j]).sum::<f64>() / norm;
    cosine.acos()
}

fn image(p: [f64; 2]) -> ImagePoint {
    ImagePoint::new(p[0], p[1])
}

#[test]
fn ring_points_lie_where_the_truth_says() {
    for (face, seed) in [
        ("wa-80", 1),
        ("wa-40-3spot", 2),
        ("wa-122", 3),
        ("field-60", 4),
        ("wa-60-3spot-triangle", 5),
    ] {
        let scene = Scene::new(&small(face, seed)).unwrap();
        let truth = truth_of(&scene);
        let outer = truth["face"]["outer_radius_mm"].as_f64().unwrap();
        let tilt = truth["camera"]["tilt_deg"].as_f64().unwrap().to_radians();
        let (mut sum, mut seen) = ([0.0; 2], 0.0);
        for probe in truth["ring_probe"].as_array().unwrap() {
            let (mm, px): ([f64; 2], [f64; 2]) = (numbers(&probe["mm"]), numbers(&probe["px"]));
            assert!(apart(project(&truth, [mm[0], mm[1], 0.0]), px) < 0.002);
            let from_spot = spec::by_name(face).unwrap().spots_mm.iter();
            let r = from_spot
                .map(|s| apart([s.x, s.y], mm))
                .fold(f64::INFINITY, f64::min);
            assert!((r - outer).abs() < 0.002, "{face}: {r}");
            // a shaft may stand before it
            if let VisibleSurface::Paper(place) = scene.seen(image(px)) {
                let gap = [place.x - mm[0], place.y - mm[1]];
                // the farthest from the axis is seen flatter than the middle
                assert!(
                    gap[0].hypot(gap[1]) < WAVE_MM * (tilt + 0.45).tan(),
                    "{face}: {gap:?}"
                );
                sum = [sum[0] + gap[0], sum[1] + gap[1]];
                seen += 1.0;
            }
        }
        assert!(seen > 10.0, "{face}: {seen} of the ring points are seen");
        assert!(
            sum[0].hypot(sum[1]) / seen < 0.4,
            "{face}: {sum:?} over {seen}"
        );
    }
}

#[test]
fn the_picture_has_its_rings_there_too() {
    // no noise; the step from black to white at the ring of the four, along the line from the centre
    let options = Options {
        noise: Some(0.0),
        wear: Some(0.0),
        fletched: 0,
        bare: 0,
        light: Some(LightKind::Overcast),
        size: Some((1600, 1200)),
        ..small("wa-80", 11)
    };
    let scene = Scene::new(&options).unwrap();
    let truth = truth_of(&scene);
    assert_eq!(truth["negative"], "no arrows");
    let photo = scene.photo();
    let green = |p: [f64; 2]| {
        let (x, y) = (p[0].floor(), p[1].floor());
        let (u, v) = (p[0] - x, p[1] - y);
        let at = |i: f64, j: f64| {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "inside the picture"
            )]
            let byte = photo.get_pixel((x + i) as u32, (y + j) as u32)[1];
            // light, not its encoding, is half-way at an edge
            (f64::from(byte) / 255.0).powf(2.2)
        };
        (1.0 - v) * ((1.0 - u) * at(0.0, 0.0) + u * at(1.0, 0.0))
            + v * ((1.0 - u) * at(0.0, 1.0) + u * at(1.0, 1.0))
    };
    // World Archery: the black ends at 640 mm on the 80 cm face
    let radius = 320.0;
    let mut gaps = Vec::new();
    for k in 0..72 {
        let (sin, cos) = (f64::from(k) * 5f64.to_radians()).sin_cos();
        let at = |r: f64| green(project(&truth, [r * cos, r * sin, 0.0]));
        let (dark, bright) = (at(radius - 9.0), at(radius + 9.0));
        assert!(bright > dark + 0.2, "{k}: {dark} {bright}");
        let half = (dark + bright) / 2.0;
        // outermost crossing: a printed line may lie inside the edge
        let crossing = (0..240)
            .map(|s| radius + 8.0 - 0.0625 * f64::from(s))
            .find(|r| at(*r) < half);
        gaps.push(crossing.unwrap() - radius);
    }
    let mean = gaps.iter().sum::<f64>() / 72.0;
    let sd = (gaps.iter().map(|g| (g - mean).powi(2)).sum::<f64>() / 72.0).sqrt();
    // a pixel is about a millimetre here; the tone curve isn't quite a power
    assert!(mean.abs() < 0.35 && sd < 0.5, "{mean} ± {sd} mm");
}

#[test]
fn shafts_stand_where_the_truth_says() {
    let (mut checked, mut seen, mut places) = (0, 0, 0);
    for (face, seed) in [("wa-80", 21), ("wa-40-3spot", 22), ("wa-60", 23)] {
        let scene = Scene::new(&small(face, seed)).unwrap();
        let truth = truth_of(&scene);
        for (k, shaft) in truth["shafts"].as_array().unwrap().iter().enumerate() {
            let entry: [f64; 2] = numbers(&shaft["entry_mm"]);
            let axis: [f64; 3] = numbers(&shaft["axis"]);
            let length = shaft["protruding_mm"].as_f64().unwrap();
            assert!((axis.iter().map(|v| v * v).sum::<f64>() - 1.0).abs() < 1e-5);
            let lean = axis[0].atan2(axis[2]).to_degrees();
            assert!((lean - shaft["lean_right_deg"].as_f64().unwrap()).abs() < 1e-3);
            let at = |along: f64| {
                project(
                    &truth,
                    [
                        entry[0] + along * axis[0],
                        entry[1] + along * axis[1],
                        along * axis[2],
                    ],
                )
            };
            assert!(apart(at(0.0), numbers(&shaft["entry_px"])) < 0.01);
            assert!(apart(at(length), numbers(&shaft["nock_px"])) < 0.01);
            let mut own = 0;
            for tenth in 1..10 {
                let along = length * f64::from(tenth) / 10.0;
                match scene.seen(image(at(along))) {
                    // a ray at the axis enters the tube nearer to the nock, by less than the view is steep
                    VisibleSurface::Shaft(i, Part::Tube | Part::Band, there) if i == k => {
                        assert!((0.0..40.0).contains(&(there - along)), "{along} {there}");
                        own += 1;
                    }
                    // vanes and other shafts may stand before it
                    VisibleSurface::Shaft(..) => {}
                    other => panic!("{face} shaft {k} at {along}: {other:?}"),
                }
            }
            seen += own;
            places += 9;
            // well beyond the nock (a ray just beyond still meets its end) is something else
            let beyond = scene.seen(image(at(length + 60.0)));
            assert!(
                !matches!(beyond, VisibleSurface::Shaft(i, ..) if i == k),
                "{beyond:?}"
            );
            // where nothing hides the entry, the foot is seen there: a little outwards it is the shaft, a little inwards not
            if shaft["visible_fraction"].as_f64().unwrap() > 0.95 && shaft["on_paper"] == true {
                // a ray at the axis enters the tube so far nearer to the nock
                let radius = shaft["diameter_mm"].as_f64().unwrap() / 2.0;
                let ahead = radius / slant(&truth, entry, axis).tan();
                let foot = scene.seen(image(at(3.0)));
                let foot = matches!(foot, VisibleSurface::Shaft(i, _, there) if i == k && (there - 3.0 - ahead).abs() < 1.0);
                let inwards = scene.seen(image(at(-ahead - 3.0)));
                let inwards = matches!(inwards, VisibleSurface::Shaft(i, ..) if i == k);
                assert!(foot && !inwards, "{face} shaft {k}");
                checked += 1;
            }
        }
    }
    assert!(10 * seen > 7 * places, "{seen} of {places} places seen");
    assert!(checked >= 8, "{checked} entries checked");
}

#[test]
fn numbers_kinds_and_groups_are_as_asked() {
    let options = Options {
        fletched: 9,
        bare: 12,
        offset_mm: Some([150.0, -40.0]),
        scatter_mm: Some(25.0),
        ..small("wa-122", 31)
    };
    let truth = truth_of(&Scene::new(&options).unwrap());
    let shafts = truth["shafts"].as_array().unwrap();
    let of = |kind: &str| shafts.iter().filter(|s| s["kind"] == kind).count();
    assert_eq!((of("fletched"), of("bare")), (9, 12));
    let offset: [f64; 2] = numbers(&truth["bare_minus_fletched_mm"]);
    // the means of 9 and 12 shots of sd 25 mm differ by 11 mm sd on each axis
    assert!(
        (offset[0] - 150.0).abs() < 45.0 && (offset[1] + 40.0).abs() < 45.0,
        "{offset:?}"
    );
    let one_kind = Options {
        bare: 0,
        ..small("wa-80", 32)
    };
    assert!(truth_of(&Scene::new(&one_kind).unwrap())["bare_minus_fletched_mm"].is_null());
}

#[test]
fn what_hides_an_entry_is_told() {
    let hidden = |tilt_deg: f64| {
        let options = Options {
            tilt_rad: Some(tilt_deg.to_radians()),
            scatter_mm: Some(70.0),
            offset_mm: Some([0.0, 0.0]),
            ..small("wa-122", 41)
        };
        let truth = truth_of(&Scene::new(&options).unwrap());
        let shafts = truth["shafts"].as_array().unwrap().clone();
        shafts.iter().filter(|s| s["entry_hidden"] == true).count()
    };
    assert_eq!(hidden(25.0), 0);
    // one shaft, seen along its axis: its own nock hides the entry
    let options = Options {
        fletched: 0,
        bare: 1,
        tilt_rad: Some(0.0),
        scatter_mm: Some(0.5),
        offset_mm: Some([0.0, 0.0]),
        camera_mm: Some(2000.0),
        ..small("wa-40", 42)
    };
    let on_axis = (42..60).find(|seed| {
        let scene = Scene::new(&Options {
            seed: *seed,
            ..options.clone()
        })
        .unwrap();
        let truth = truth_of(&scene);
        truth["shafts"][0]["entry_hidden"] == true
    });
    assert!(on_axis.is_some(), "no entry is hidden by its own shaft");
}

#[test]
fn what_cant_be_drawn_is_refused_in_words() {
    let said = |options: &Options| rehearse(options, "p.jpg").unwrap_err().to_string();
    assert!(
        said(&Options {
            fletched: 99,
            ..small("wa-80", 1)
        })
        .contains("number of shafts")
    );
    assert!(
        said(&Options {
            tilt_rad: Some(2.0),
            ..small("wa-80", 1)
        })
        .contains("tilt")
    );
    assert!(
        said(&Options {
            noise: Some(f64::NAN),
            ..small("wa-80", 1)
        })
        .contains("noise")
    );
    assert!(
        said(&Options {
            size: Some((1, 1)),
            ..small("wa-80", 1)
        })
        .contains("size")
    );
    let tight = Options {
        fletched: 20,
        scatter_mm: Some(0.5),
        ..small("wa-80", 1)
    };
    assert!(said(&tight).contains("room"));
}

#[test]
fn the_same_options_give_the_same_bytes_on_any_number_of_threads() {
    let options = Options {
        size: Some((640, 480)),
        ..small("wa-80", 51)
    };
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| rehearse(&options, "p.jpg").unwrap())
    };
    let (one, eight) = (on(1), on(8));
    assert!(one.jpeg == eight.jpeg);
    let other = rehearse(
        &Options {
            seed: 52,
            ..options.clone()
        },
        "p.jpg",
    )
    .unwrap();
    assert!(one.jpeg != other.jpeg);
}

#[test]
fn the_file_turns_upright_and_tells_its_focal_length() {
    let mut orientations = Vec::new();
    for seed in 60..72 {
        let options = Options {
            size: Some((480, 320)),
            ..small("wa-80", seed)
        };
        let scene = Scene::new(&options).unwrap();
        let upright = scene.photo();
        let decoded = photo::open(&scene.file(&upright).unwrap()).unwrap();
        let truth = truth_of(&scene);
        assert_eq!(
            decoded.exif.orientation,
            truth["image"]["stored_orientation"]
        );
        let f35 = truth["camera"]["f35_mm"].as_f64().unwrap();
        assert_eq!(decoded.exif.focal_35mm, Some(f35.round()));
        assert!(
            decoded.exif.taken_local.is_some() && decoded.exif.make.as_deref() == Some("Practice")
        );
        assert_eq!(decoded.pixels.dimensions(), (480, 320));
        let gap: f64 = decoded
            .pixels
            .as_raw()
            .iter()
            .zip(upright.as_raw())
            .map(|(a, b)| f64::from(a.abs_diff(*b)))
            .sum::<f64>()
            / (480.0 * 320.0 * 3.0);
        assert!(gap < 6.0, "orientation {}: {gap}", decoded.exif.orientation);
        orientations.push(decoded.exif.orientation);
    }
    orientations.sort_unstable();
    orientations.dedup();
    assert!(orientations.len() >= 3, "{orientations:?}");
}

/// The mean turn (rad) of ring points as measured against the truth, and for each point its error beside what is stated, mm.
/// Where rings show no roll, that turn is taken out.
fn errors(fit: &FaceFit, truth: &Truth, take_turn_out: bool) -> (f64, Vec<(f64, f64)>) {
    let at = |p: [f64; 2]| fit.camera.face_from_image(image(p)).expect("on the face");
    let turns = truth.ring_probe.iter().map(|p| {
        let (at, mm) = (at(p.px), p.mm);
        (at.x * mm[1] - at.y * mm[0]).atan2(at.x * mm[0] + at.y * mm[1])
    });
    let turn = turns.sum::<f64>() / truth.ring_probe.len() as f64;
    let (sin, cos) = if take_turn_out { turn } else { 0.0 }.sin_cos();
    let points = truth.ring_probe.iter().map(|p| {
        let at = at(p.px);
        let turned = [cos * at.x - sin * at.y, sin * at.x + cos * at.y];
        let stated = fit.point_cov_mm2(image(p.px)).trace().sqrt();
        (apart(turned, p.mm), stated)
    });
    (turn, points.collect())
}

/// All faces that are known, nearly straight on and steeply from the side: found, to half a millimetre (0.6 mm in black and white),
/// with errors of the mapping and of the upright that were foreseen.
#[test]
fn every_face_is_measured_as_well_as_is_said() {
    let looks: Vec<(&FaceSpec, f64)> = spec::known()
        .iter()
        .flat_map(|face| [(face, 0.12), (face, 0.6)])
        .collect();
    assert_eq!(looks.len(), 48);
    let rms = |values: &mut dyn Iterator<Item = f64>| {
        let squares: Vec<f64> = values.map(|v| v * v).collect();
        (squares.iter().sum::<f64>() / squares.len() as f64).sqrt()
    };
    let wrong: Vec<String> = looks
        .into_par_iter()
        .filter_map(|(face, tilt)| {
            let options = Options {
                tilt_rad: Some(tilt),
                ..small(&face.name, 77)
            };
            let made = rehearse(&options, "p.jpg").unwrap();
            let photo = photo::open(&made.jpeg).unwrap();
            let fit = match face::fit(&photo, face, &FitOptions::default()) {
                Ok(fit) => fit,
                Err(error) => return Some(error.to_string()),
            };
            let (turn, errors) = errors(&fit, &made.truth, face.spots_mm.len() == 1);
            let error = rms(&mut errors.iter().map(|e| e.0));
            let stated = rms(&mut errors.iter().map(|e| e.1));
            let up = turn / fit.upright.sd_rad;
            println!(
                "{} from {tilt} rad: {error:.2} mm ({stated:.2} stated), up {:.2}° ({up:.1} sd) by {:?}",
                face.name,
                turn.to_degrees(),
                fit.upright.from
            );
            // three changes of tone and thin lines show less than four changes of colour
            let most_mm = if face.name.starts_with("national-field") {
                0.6
            } else {
                0.5
            };
            let right = error < most_mm && error < 2.0 * stated && up.abs() < 3.0;
            (!right).then(|| format!("{} from {tilt}: {error} of {stated}, up {up}", face.name))
        })
        .collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn measuring_finds_the_face_as_well_as_it_says() {
    let mut normed = Vec::new();
    for (face, seed) in [("wa-80", 71), ("wa-40", 72), ("wa-122", 73)] {
        let spec = spec::by_name(face).unwrap();
        let options = Options {
            size: Some((1600, 1200)),
            tilt_rad: Some(0.35),
            light: Some(LightKind::Overcast),
            wear: Some(0.2),
            ..small(face, seed)
        };
        let made = rehearse(&options, "p.jpg").unwrap();
        let options = MeasureOptions::default();
        let measured = measure::measure(
            &made.jpeg,
            "p.jpg",
            spec,
            Session::default(),
            &options,
            &mut |_| {},
        )
        .unwrap();
        assert!(
            measured.end.failure.is_none(),
            "{face}: {:?}",
            measured.end.failure
        );
        let fit = measured.fit.unwrap();
        let (_, errors) = errors(&fit, &made.truth, true);
        for (gap, sd) in errors {
            assert!(gap < 4.0, "{face}: {gap} mm");
            normed.push(gap / sd);
        }
    }
    normed.sort_by(f64::total_cmp);
    let median = normed[normed.len() / 2];
    assert!(median < 2.0, "errors are {median} times what is stated");
}

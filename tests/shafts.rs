//! The shaft search on drawn pictures: a cylinder of known place, and pictures that hold nothing.

use bossmark::geometry::camera::{Camera, Lens, Pose};
use bossmark::geometry::{FacePoint, ImagePoint};
use bossmark::math::round_i64;
use bossmark::shaft::{ArrowKind, Shafts, View, find};
use image::{Rgb, RgbImage};
use nalgebra::{Matrix2, Matrix3, Vector3};

/// A camera that looks at the face's middle from `tilt` rad to the side, `distance` mm away.
fn camera(tilt: f64, distance: f64, f_px: f64, width: u32, height: u32) -> Camera {
    let (s, c) = tilt.sin_cos();
    // rows: camera x (right), y (down), z (into the picture) in the face frame
    let rotation = Matrix3::new(c, 0.0, -s, 0.0, -1.0, 0.0, -s, 0.0, -c);
    Camera {
        lens: Lens {
            f_px,
            cx_px: (f64::from(width) - 1.0) / 2.0,
            cy_px: (f64::from(height) - 1.0) / 2.0,
            k1: 0.0,
            k2: 0.0,
        },
        pose: Pose {
            rotation,
            translation_mm: Vector3::new(0.0, 0.0, distance),
        },
    }
}

fn search(pixels: &RgbImage, camera: &Camera, radius: f64) -> Shafts {
    let cov = |_: ImagePoint| Matrix2::identity() * 0.04;
    let view = View {
        camera,
        spot_centres: &[FacePoint::new(0.0, 0.0)],
        outer_radius_mm: radius,
        point_cov_mm2: &cov,
        paper_bends: false,
        expected: None,
    };
    find(pixels, &view).expect("the built-in weights are whole")
}

/// A face of 60 cm in its colours on a straw-coloured ground, and one dark shaft with a bright nock and vanes.
fn drawn(
    camera: &Camera,
    width: u32,
    height: u32,
    entry: FacePoint,
    axis: Vector3<f64>,
    length: f64,
    vanes: bool,
) -> RgbImage {
    let rings = [
        (60.0, [250, 220, 60]),
        (120.0, [220, 60, 60]),
        (180.0, [70, 150, 220]),
        (240.0, [35, 35, 35]),
        (300.0, [240, 240, 235]),
    ];
    let mut picture = RgbImage::from_fn(width, height, |x, y| {
        let at = camera.face_from_image(ImagePoint::new(f64::from(x), f64::from(y)));
        let r = at.map_or(1e9, |p| p.x.hypot(p.y));
        let ground = [190, 165, 110];
        Rgb(rings
            .iter()
            .find(|(radius, _)| r < *radius)
            .map_or(ground, |(_, c)| *c))
    });
    let centre = camera.centre_mm();
    let mut along = 0.0;
    while along < length {
        let point = entry.at_height(0.0) + axis * along;
        let across = axis.cross(&(centre - point)).normalize();
        // the near side of a cylinder of 3 mm radius
        let toward = across.cross(&axis);
        let nock = along > length - 14.0;
        let vane = vanes && (length - 90.0..length - 30.0).contains(&along);
        let half: f64 = if vane { 11.0 } else { 3.0 };
        let mut q: f64 = -half;
        while q <= half {
            let shade = if q.abs() < 3.0 {
                if nock { [240, 60, 160] } else { [30, 30, 32] }
            } else {
                [60, 220, 90]
            };
            if let Some(p) =
                camera.project(point + across * q + toward * (9.0 - q * q).max(0.0).sqrt())
                && p.x >= 0.0
                && p.y >= 0.0
            {
                let (Ok(x), Ok(y)) = (u32::try_from(round_i64(p.x)), u32::try_from(round_i64(p.y)))
                else {
                    q += 0.3;
                    continue;
                };
                if x < width && y < height {
                    picture.put_pixel(x, y, Rgb(shade));
                }
            }
            q += 0.3;
        }
        along += 0.4;
    }
    picture
}

#[test]
fn a_drawn_shaft_is_found_where_it_stands() {
    let (w, h) = (1600, 1200);
    let camera = camera(0.42, 2400.0, 2600.0, w, h);
    let entry = FacePoint::new(-80.0, 40.0);
    let (right, up) = (0.02f64, -0.03f64);
    let axis = Vector3::new(right.tan(), up.tan(), 1.0).normalize();
    let picture = drawn(&camera, w, h, entry, axis, 560.0, true);
    let found = search(&picture, &camera, 300.0);
    let best = found.shafts.first().expect("the shaft is found");
    assert!(best.confidence > 0.5, "{best:?}");
    assert!(
        best.entry.distance(entry) < 3.0,
        "entry {:?} where {entry:?} is",
        best.entry
    );
    assert_eq!(best.kind, ArrowKind::Fletched);
    let lean = best.lean.expect("a lean");
    assert!(
        (lean.up_rad - up).abs() < 0.02,
        "up {} where {up} is",
        lean.up_rad
    );
    let [_, nock] = best.segment_px.expect("a segment");
    let true_nock = camera.project(entry.at_height(0.0) + axis * 560.0).unwrap();
    assert!(
        nock.distance(true_nock) < 40.0,
        "nock {nock:?} where {true_nock:?} is"
    );
    let back = camera.face_from_image(best.entry_px).unwrap();
    assert!(
        back.distance(best.entry) < 1e-6,
        "the entry's pixel maps back to the entry"
    );
    assert!(
        found.shafts.iter().filter(|s| s.confidence >= 0.5).count() == 1,
        "one shaft, one entry: {:?}",
        found.shafts
    );
}

#[test]
fn same_answer_on_one_and_eight_threads() {
    let (w, h) = (900, 700);
    let camera = camera(-0.35, 2300.0, 1400.0, w, h);
    let axis = Vector3::new(0.0, 0.02, 1.0).normalize();
    let picture = drawn(
        &camera,
        w,
        h,
        FacePoint::new(50.0, -30.0),
        axis,
        600.0,
        false,
    );
    let run = |threads| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        format!("{:?}", pool.install(|| search(&picture, &camera, 300.0)))
    };
    let one = run(1);
    assert_eq!(one, run(8));
    assert_eq!(one, run(1));
}

#[test]
fn pictures_without_content_give_no_shafts() {
    let camera = camera(0.3, 2000.0, 1000.0, 640, 480);
    for (w, h) in [(0, 0), (1, 1), (2, 300), (33, 17), (640, 480)] {
        let found = search(&RgbImage::new(w, h), &camera, 200.0);
        assert!(
            found.shafts.iter().all(|s| s.confidence < 0.5),
            "{w}×{h}: {:?}",
            found.shafts
        );
    }
    // a face that is absurdly large, absurdly small, or not a number; a camera behind the face
    let grey = RgbImage::from_pixel(640, 480, Rgb([128, 128, 128]));
    for radius in [0.0, 1e9, f64::NAN] {
        let _ = search(&grey, &camera, radius);
    }
    let mut behind = camera;
    behind.pose.translation_mm = Vector3::new(0.0, 0.0, -500.0);
    assert!(search(&grey, &behind, 200.0).shafts.is_empty());
    behind.pose.translation_mm = Vector3::new(f64::NAN, 0.0, 1000.0);
    assert!(search(&grey, &behind, 200.0).shafts.is_empty());
}

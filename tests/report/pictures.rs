//! Marked photos, and the picture after each stage.

use super::{camera_record, end, photo, wa80};
use bossmark::face::RingEdge;
use bossmark::geometry::camera::Camera;
use bossmark::geometry::{FacePoint, ImagePoint};
use bossmark::record::{CameraRecord, End};
use bossmark::report::marked::{Format, Framing};
use bossmark::report::{debug, marked};
use image::{Rgb, RgbImage};

fn camera() -> Camera {
    camera_record().camera()
}

fn pixel(picture: &RgbImage, at: ImagePoint) -> [u8; 3] {
    picture
        .get_pixel(at.x.round() as u32, at.y.round() as u32)
        .0
}

#[test]
fn rings_and_entries_are_drawn_where_the_camera_sees_them() {
    let end = end(1, 150.0, -120.0);
    let picture = marked::draw(&photo(), &end, &wa80(), Framing::Whole, None);
    assert_eq!(picture.dimensions(), (800, 600));
    for ring in &wa80().zones {
        for t in [0.4f64, 3.6, 4.5, 5.2] {
            let p = FacePoint::new(ring.radius_mm * t.cos(), ring.radius_mm * t.sin());
            let at = camera().image_from_face(p).unwrap();
            let [r, g, b] = pixel(&picture, at);
            let green = g > r.saturating_add(15) && g > b;
            // a ring may lie under a mark or a label
            let covered = end
                .entries
                .iter()
                .any(|e| p.distance(FacePoint::new(e.x_mm, e.y_mm)) < 60.0);
            assert!(
                green || covered,
                "ring {} at {t}: {r} {g} {b}",
                ring.radius_mm
            );
        }
    }
    for e in &end.entries {
        let at = camera()
            .image_from_face(FacePoint::new(e.x_mm, e.y_mm))
            .unwrap();
        let [r, g, b] = pixel(&picture, at);
        assert!(
            r > 150 && g > 150 && b > 120,
            "middle of mark {}: {r} {g} {b}",
            e.id
        );
    }
}

#[test]
fn a_reduced_picture_has_its_marks_in_the_same_place() {
    let end = end(1, 150.0, -120.0);
    let small = marked::draw(&photo(), &end, &wa80(), Framing::Whole, Some(400));
    assert_eq!(small.dimensions(), (400, 300));
    let at = camera()
        .image_from_face(FacePoint::new(400.0, 0.0))
        .unwrap()
        .reduced(2.0);
    let [r, g, _] = pixel(&small, at);
    assert!(g > r, "outermost ring in the reduced picture");
}

#[test]
fn a_close_up_holds_the_whole_face_and_every_shaft() {
    let mut end = end(1, 150.0, -120.0);
    end.entries[5].segment_px = Some([[400.0, 300.0], [790.0, 300.0]]);
    let cut = marked::draw(&photo(), &end, &wa80(), Framing::CloseUp, None);
    let (w, h) = cut.dimensions();
    // the face is about 2 × 260 px high; the shaft reaches almost to the right edge
    assert!(h > 520 && h < 600, "{w} × {h}");
    assert!(w > 620 && w < 800, "{w} × {h}");
}

#[test]
fn a_record_without_camera_or_entries_is_drawn_without_fuss() {
    let picture = marked::draw(
        &photo(),
        &End::default(),
        &wa80(),
        Framing::CloseUp,
        Some(300),
    );
    assert_eq!(picture.dimensions(), (300, 225));
    let mut odd = end(1, f64::NAN, f64::INFINITY);
    odd.entries[0].px = Some([f64::NAN, -1e300]);
    let _ = marked::draw(&photo(), &odd, &wa80(), Framing::CloseUp, None);
    let mut broken = end(1, 0.0, 0.0);
    broken.camera = broken.camera.map(|c| CameraRecord {
        fx_px: 0.0,
        k1: f64::NAN,
        ..c
    });
    let _ = marked::draw(&photo(), &broken, &wa80(), Framing::CloseUp, None);
    let _ = marked::draw(
        &RgbImage::new(1, 1),
        &end(1, 0.0, 0.0),
        &wa80(),
        Framing::Whole,
        Some(1),
    );
    let _ = marked::draw(
        &RgbImage::new(0, 0),
        &end(1, 0.0, 0.0),
        &wa80(),
        Framing::CloseUp,
        Some(9),
    );
}

#[test]
fn marked_files_hold_nothing_of_the_photo_s_own_data_and_are_the_same_twice() {
    let bytes = || marked::for_report(&photo(), &end(2, 90.0, 20.0), &wa80(), 200_000).unwrap();
    let jpeg = bytes();
    assert_eq!(jpeg, bytes());
    for text in [b"Exif".as_slice(), b"GPS", b"http"] {
        assert!(!jpeg.windows(text.len()).any(|w| w == text));
    }
    for (format, start) in [
        (Format::Png, b"\x89PNG".as_slice()),
        (Format::Jpeg, b"\xff\xd8"),
    ] {
        let file = marked::bytes(&photo(), format).unwrap();
        assert_eq!(file, marked::bytes(&photo(), format).unwrap());
        assert!(file.starts_with(start));
        // what drew it, so that it isn't taken for a photo, and no other field
        let read = exif::Reader::new().read_from_container(&mut std::io::Cursor::new(&file));
        let fields: Vec<_> = read.unwrap().fields().map(|f| f.tag).collect();
        assert_eq!(fields, [exif::Tag::Software]);
    }
}

#[test]
fn rectified_face_shows_things_in_their_place() {
    // a red spot 60 mm wide at (150, −80) mm, seen by the camera
    let mut picture = photo();
    let centre = FacePoint::new(150.0, -80.0);
    for (x, y, p) in picture.enumerate_pixels_mut() {
        let at = ImagePoint::new(f64::from(x), f64::from(y));
        if camera()
            .face_from_image(at)
            .is_some_and(|f| f.distance(centre) < 30.0)
        {
            *p = Rgb([250, 10, 10]);
        }
    }
    let flat = debug::rectified(&picture, &camera(), &wa80());
    let area = debug::Area::around(&wa80());
    let at = |x: f64, y: f64| {
        pixel(
            &flat,
            ImagePoint::new(
                (x - area.x0_mm) / area.mm_per_px - 0.5,
                (area.y1_mm - y) / area.mm_per_px - 0.5,
            ),
        )
    };
    assert_eq!(at(150.0, -80.0), [250, 10, 10]);
    assert_eq!(at(165.0, -80.0), [250, 10, 10]);
    assert_eq!(at(150.0, -115.0), [90, 90, 90]);
    assert_eq!(at(-150.0, 85.0), [90, 90, 90]);
}

#[test]
fn evidence_and_edges_are_drawn_for_odd_input_too() {
    let values = [0.0_f32, 1.0, f32::NAN, 0.5];
    let map = debug::EntryHeatMap {
        width: 2,
        height: 2,
        x0_mm: -100.0,
        y1_mm: 100.0,
        mm_per_cell: 100.0,
        values: &values,
    };
    let found = [debug::EntryMark {
        entry: FacePoint::new(10.0, 10.0),
        far: FacePoint::new(300.0, f64::NAN),
        probability: 0.8,
    }];
    let picture = debug::entry_heat_map(&photo(), &camera(), &wa80(), Some(&map), &found);
    let area = debug::Area::around(&wa80());
    let hot = pixel(
        &picture,
        ImagePoint::new(50.0 - area.x0_mm, area.y1_mm - 30.0),
    );
    assert!(hot[0] > 200 && hot[2] < 100, "{hot:?}");
    let points = [RingEdge {
        at: ImagePoint::new(100.0, 100.0),
        spot: 0,
        boundary: 0,
        line: false,
        px_per_mm: 0.6,
    }];
    let edges = debug::edges(&photo(), &camera(), &wa80(), &points, &[]);
    assert_eq!(pixel(&edges, ImagePoint::new(100.0, 100.0)), [255, 40, 200]);
}

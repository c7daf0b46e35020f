//! What people look at: marked photo, stage pictures, face plot, text and HTML report, on documents made here.

#![expect(
    clippy::unwrap_used,
    clippy::cast_possible_truncation,
    reason = "helpers of tests"
)]

use bossmark::advice::{self, Advice, Change, Expect, Learned, Step, StepKind};
use bossmark::face::{RingEdge, spec};
use bossmark::geometry::camera::Camera;
use bossmark::geometry::{FacePoint, ImagePoint};

use bossmark::measure::face_record;
use bossmark::reading::{
    self, Horizontal, HorizontalCall, MoreShots, Offset, Reading, Vertical, VerticalCall,
};
use bossmark::record::{
    ArrowKind, CameraRecord, End, Entry, Extra, FaceRecord, FaceToCamera, FocalSource, Hand,
    PhotoRecord, Remark, Setting, Setup, UprightRecord, UprightSource, compare,
};
use bossmark::report::marked::{self, Format, Framing};
use bossmark::report::svg::FacePlot;
use bossmark::report::{Embedding, charts, debug, html};
use bossmark::text::{Locale, plain};
use bossmark::timeline::{
    BowStory, Effect, EndStory, FaceLook, Ink, Problem, ReportInput, RunStory, TrendPoint,
};
use image::{Rgb, RgbImage};
use std::collections::BTreeSet;

const HOSTILE: &str = "<script>alert('x')</script>&\"Mara\"";

/// A phone 2 m away, 20° to the right, of a picture 800 × 600 px.
fn camera_record() -> CameraRecord {
    let (s, c) = 20f64.to_radians().sin_cos();
    CameraRecord {
        fx_px: 1300.0,
        fy_px: 1300.0,
        cx_px: 399.5,
        cy_px: 299.5,
        k1: 0.02,
        k2: 0.0,
        face_to_camera: FaceToCamera {
            rotation: [[c, 0.0, s], [0.0, -1.0, 0.0], [s, 0.0, -c]],
            translation_mm: [0.0, 0.0, 2000.0],
        },
        image_to_face: [[0.0; 3]; 3],
        tilt_deg: 20.0,
        distance_mm: 2000.0,
        fit_rms_px: 0.31,
        upright: UprightRecord {
            from: UprightSource::PaperEdge,
            sd_deg: 0.1,
        },
        focal_from: FocalSource::Exif,
        lens_profile: None,
        fitted_to: None,
        sheet: None,
        evidence: None,
        extra: Extra::new(),
    }
}

fn entry(id: u64, kind: ArrowKind, x_mm: f64, y_mm: f64) -> Entry {
    Entry {
        id,
        x_mm,
        y_mm,
        cov_mm2: Some([[0.64, 0.0], [0.0, 0.36]]),
        kind,
        kind_probability: Some(0.97),
        confidence: Some(0.93),
        thickness_mm: Some(5.6),
        ..Entry::default()
    }
}

/// An end whose fletched shafts lie about the centre and whose bare ones lie `dx`, `dy` from there.
fn end(number: u64, dx: f64, dy: f64) -> End {
    use ArrowKind::{Bare, Fletched, Unknown};
    let mut end = End {
        photo: Some(PhotoRecord {
            file: format!("end-{number}.jpg"),
            width_px: 800,
            height_px: 600,
            ..PhotoRecord::default()
        }),
        face: Some(FaceRecord {
            name: "wa-80".into(),
            diameter_mm: 800.0,
            ..FaceRecord::default()
        }),
        camera: Some(camera_record()),
        entries: vec![
            entry(1, Fletched, -30.0, 12.0),
            entry(2, Fletched, 25.0, 30.0),
            entry(3, Fletched, 8.0, -36.0),
            entry(4, Bare, dx - 20.0, dy + 8.0),
            entry(5, Bare, dx + 28.0, dy - 18.0),
            entry(6, Bare, dx - 5.0, dy + 16.0),
        ],
        bossmark: "0.1.0".into(),
        ..End::default()
    };
    end.session.end = Some(number);
    end.session.date = Some("2031-06-14".into());
    if number == 2 {
        end.entries[4].confidence = Some(0.4);
        end.entries.push(entry(7, Unknown, -210.0, 190.0));
    }
    end
}

fn reading(x_mm: f64, y_mm: f64, ends: u32) -> Reading {
    let weak = x_mm > 50.0;
    let high = y_mm < -50.0;
    Reading {
        schema: reading::SCHEMA.into(),
        hand: Some(Hand::Right),
        distance_m: Some(30.0),
        ends,
        fletched: 3 * ends,
        bare: 3 * ends,
        offset: Some(Offset {
            x_mm,
            y_mm,
            sd_x_mm: 22.0,
            sd_y_mm: 18.0,
            cov_mm2: [[484.0, 60.0], [60.0, 324.0]],
        }),
        plain_mm: None,
        horizontal: Horizontal {
            call: if weak {
                HorizontalCall::Weak
            } else {
                HorizontalCall::Undecided
            },
            p_weak: Some(if weak { 0.96 } else { 0.3 }),
            p_stiff: Some(0.0),
            p_neutral: Some(if weak { 0.04 } else { 0.7 }),
        },
        vertical: Vertical {
            call: if high {
                VerticalCall::NockHigh
            } else {
                VerticalCall::Neutral
            },
            p_high: Some(if high { 0.995 } else { 0.06 }),
            p_low: Some(0.0),
            p_neutral: Some(if high { 0.005 } else { 0.94 }),
        },
        tolerance_mm: Some(50.0),
        in_tune: false,
        scatter: None,
        outliers: vec![],
        arrows: vec![],
        sorted: vec![],
        groups: None,
        more_shots: Some(MoreShots {
            pairs: Some(4),
            why: "so many more shots of each kind would probably decide left and right".into(),
        }),
        lean: None,
        cautions: vec![Remark::new("not-checked", reading::About::NotChecked(6))],
        failure: None,
    }
}

fn step(change: Change, setting: &str, from: f64, to: f64, detail: &str, expect: [f64; 2]) -> Step {
    Step {
        kind: StepKind::of(change),
        change,
        amount: Some(to - from),
        unit: Some("mm".into()),
        setting: Some(setting.into()),
        from: Some(from),
        to: Some(to),
        bolt_quarter_turns: None,
        pairs: None,
        distance_m: None,
        when: None,
        checks: vec![],
        probability_right: Some(0.97),
        gates: vec![],
        detail: detail.into(),
        expect: Some(Expect {
            x_mm: expect[0],
            y_mm: expect[1],
            sd_x_mm: (expect[0] != 0.0).then_some(25.0),
            sd_y_mm: (expect[1] != 0.0).then_some(40.0),
        }),
        reversible: true,
        why: "The bare shafts land low: the nocking point stands too high.".into(),
        cautions: vec![Remark::new("care", "Mark where it was before moving it.")],
    }
}

fn nock() -> Step {
    let detail = "lower the nocking point by 1 mm";
    step(
        Change::NockingPoint,
        "nocking_point_mm",
        9.0,
        8.0,
        detail,
        [0.0, 70.0],
    )
}

fn bolts() -> Step {
    let mut s = step(
        Change::DrawWeight,
        "draw_weight_lb",
        36.0,
        35.4,
        "both limb bolts out half a turn",
        [-49.0, 0.0],
    );
    s.bolt_quarter_turns = Some(-2);
    s.unit = Some("lb".into());
    s.why = "The bare shafts land right: the arrow acts weak.".into();
    s
}

fn advice(reading: Reading, next: Step, other: Step) -> Advice {
    Advice {
        schema: advice::SCHEMA.into(),
        reading,
        next: Some(next),
        also: vec![],
        others: vec![other],
        learned: vec![Learned {
            change: Change::NockingPoint,
            unit: "mm".into(),
            mm_per_unit: 64.2,
            sd: 21.0,
            from_changes: 1,
            prior_mm_per_unit: 70.0,
        }],
        done: false,
        best: None,
        cautions: vec![],
        failure: None,
    }
}

fn wa80() -> FaceLook {
    FaceLook::from(spec::by_name("wa-80").unwrap())
}

fn run(ends: Vec<EndStory>, reading: Reading, next: Step, nocking: f64) -> RunStory {
    RunStory {
        number: 1,
        setup: Some(Setup {
            draw_weight_lb: Some(36.0),
            nocking_point_mm: Some(nocking),
            ..Setup::default()
        }),
        face: Some(wa80()),
        changes: vec![],
        ends,
        advice: advice(reading.clone(), next, bolts()),
        reading,
        effect: None,
    }
}

/// Each run as a day of its own.
fn trend_of(runs: &[(&RunStory, &str)]) -> Vec<TrendPoint> {
    let point = |(run, day): &(&RunStory, &str)| TrendPoint {
        number: run.number,
        day: Some((*day).to_owned()),
        changes: run.changes.clone(),
        reading: run.reading.clone(),
    };
    runs.iter().map(point).collect()
}

fn story(label: &str, picture: &[u8]) -> ReportInput {
    let one = |number, dx, dy| EndStory {
        file: format!("end-{number}.jpg"),
        earlier: false,
        end: end(number, dx, dy),
        marked_jpeg: Some(picture.to_vec()),
    };
    let first = run(
        vec![one(1, 100.0, -85.0), one(2, 108.0, -70.0)],
        reading(104.0, -78.0, 2),
        nock(),
        9.0,
    );
    let mut second = run(
        vec![one(3, 96.0, -8.0)],
        reading(96.0, -8.0, 1),
        bolts(),
        8.0,
    );
    let compared = compare(
        &first.setup.clone().unwrap(),
        &second.setup.clone().unwrap(),
    );
    second.number = 2;
    second.changes = compared.settings();
    second.effect = Effect::between(
        &first.reading,
        &first.advice,
        &second.changes,
        &second.reading,
    );
    ReportInput {
        title: String::new(),
        full: false,
        bows: vec![BowStory {
            label: label.into(),
            advice_now: second.advice.clone(),
            trend: trend_of(&[(&first, "2026-05-03"), (&second, "2026-05-10")]),
            runs: vec![first, second],
        }],
        problems: vec![Problem {
            file: "IMG_0001.heic".into(),
            text: "HEIC is not read here; send the photo as a JPEG.".into(),
        }],
    }
}

fn small_jpeg() -> Vec<u8> {
    let grey = RgbImage::from_pixel(32, 24, Rgb([120, 130, 140]));
    marked::bytes(&grey, Format::Jpeg).unwrap()
}

fn photo() -> RgbImage {
    RgbImage::from_pixel(800, 600, Rgb([90, 90, 90]))
}

// ---- marked photo and stage pictures -------------------------------------------------------------------------------

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

// ---- face plot and charts ------------------------------------------------------------------------------------------

fn plot(ends: &[&End], reading: &Reading) -> String {
    FacePlot::of_run(ends, reading, None, "Both groups").svg(
        "p",
        Embedding::Standalone,
        Locale::default(),
    )
}

/// The drawing without its style sheet.
fn without_style(svg: &str) -> String {
    let (from, to) = (svg.find("<style>").unwrap(), svg.find("</style>").unwrap());
    format!("{}{}", &svg[..from], &svg[to + 8..]).replace("><", ">\n<")
}

#[test]
fn face_plot_of_two_ends() {
    let ends = [end(1, 100.0, -85.0), end(2, 108.0, -70.0)];
    let svg = plot(&[&ends[0], &ends[1]], &reading(104.0, -78.0, 2));
    insta::assert_snapshot!(without_style(&svg));
}

#[test]
fn bare_shafts_far_off_the_paper_stay_in_view() {
    let far = end(1, 900.0, -1200.0);
    let svg = plot(&[&far], &reading(900.0, -1200.0, 1));
    // marks of bare shafts are squares with their corner in the drawing
    let mut squares = 0;
    for rect in svg
        .split("<rect ")
        .skip(1)
        .filter(|r| r.contains("class=\"bm-b\""))
    {
        let value = |name: &str| {
            let rest = rect.split(&format!("{name}=\"")).nth(1).unwrap();
            rest.split('"').next().unwrap().parse::<f64>().unwrap()
        };
        assert!((0.0..=530.0).contains(&value("x")) && (0.0..=530.0).contains(&value("y")));
        squares += 1;
    }
    assert_eq!(squares, 4, "three shafts and the legend");
}

#[test]
fn shots_on_spots_count_from_their_own_centre() {
    let spec = spec::by_name("wa-40-3spot").unwrap();
    let look = FaceLook::from(spec);
    let mut end = End::default();
    for (i, s) in (1u32..).zip(&spec.spots_mm) {
        let mut e = entry(u64::from(i), ArrowKind::Fletched, s.x + 5.0, s.y - 3.0);
        e.spot = Some(i);
        end.entries.push(e);
    }
    let plot = FacePlot::of_run(&[&end], &reading(0.0, 0.0, 1), Some(&look), "Spots");
    for shot in &plot.shots {
        assert!(shot.at.distance(FacePoint::new(5.0, -3.0)) < 1e-9);
    }
}

#[test]
fn every_known_face_is_plotted() {
    for face in spec::known() {
        let mut end = end(1, 20.0, 10.0);
        end.face = Some(FaceRecord {
            name: face.name.clone(),
            diameter_mm: face.diameter_mm,
            ..FaceRecord::default()
        });
        let svg = plot(&[&end], &reading(20.0, 10.0, 1));
        let zones = svg.matches("class=\"bm-zone").count();
        assert_eq!(zones, face.zones.len(), "{}", face.name);
        assert!(
            !svg.contains("NaN") && !svg.contains("inf"),
            "{}",
            face.name
        );
    }
}

#[test]
fn plots_survive_odd_numbers() {
    let mut r = reading(f64::NAN, f64::INFINITY, 1);
    r.tolerance_mm = Some(f64::NAN);
    let odd = end(1, f64::NAN, f64::NEG_INFINITY);
    for svg in [
        plot(&[&odd], &r),
        charts::gauge(&r, "g", Embedding::Standalone, Locale::default()),
        plot(&[], &r),
    ] {
        assert!(!svg.contains("NaN") && !svg.contains("inf\""), "{svg}");
    }
}

#[test]
fn what_stands_out_is_named_in_the_plot() {
    let ends = [end(1, 100.0, -85.0), end(2, 108.0, -70.0)];
    let mut numbered = ends.clone();
    numbered[0].entries[2].arrow = Some("7".into());
    let mut r = reading(104.0, -78.0, 2);
    r.outliers = vec![bossmark::reading::Outlier {
        end: 2,
        id: 4,
        p_outlier: 0.9,
    }];
    r.arrows = vec![bossmark::reading::ArrowReading {
        arrow: "7".into(),
        offset_mm: [40.0, 0.0],
        p_odd: 0.8,
    }];
    let drawing = without_style(&plot(&[&numbered[0], &numbered[1]], &r));
    let kind = letter_of(&numbered[1], 4);
    assert!(drawing.contains(&format!(">{kind}4, end 2<")), "{drawing}");
    assert!(drawing.contains(">arrow 7<") && drawing.contains(">odd arrow<"));
    let plain = without_style(&plot(&[&ends[0], &ends[1]], &reading(104.0, -78.0, 2)));
    assert!(!plain.contains("end 2") && !plain.contains("odd"));
}

fn letter_of(end: &End, id: u64) -> &'static str {
    match end.entries.iter().find(|e| e.id == id).unwrap().kind {
        ArrowKind::Fletched => "F",
        ArrowKind::Bare => "B",
        ArrowKind::Unknown => "?",
    }
}

/// The trend over days: every change, day and set-up has its place; one point is no trend.
#[test]
fn the_trend_shows_days_and_changes() {
    let bow = &story("Mara", &[]).bows[0];
    let drawing = charts::trend(&bow.trend, "t", Embedding::Standalone, Locale::default());
    for words in ["2026-05-03", "2026-05-10", "bm-change", "group size:"] {
        assert!(drawing.contains(words), "{words}");
    }
    assert!(
        charts::trend(
            &bow.trend[..1],
            "t",
            Embedding::Standalone,
            Locale::default()
        )
        .is_empty()
    );
    let mut far = bow.trend.clone();
    far[1].reading.distance_m = Some(18.0);
    let scaled = charts::trend(&far, "t", Embedding::Standalone, Locale::default());
    assert!(scaled.contains("scaled to 30 m"));
}

#[test]
fn outlined_drawings_need_no_font() {
    let bow = &story("Mara", &[]).bows[0];
    let ends = [end(1, 100.0, -85.0)];
    let plot = FacePlot::of_run(&[&ends[0]], &reading(100.0, -85.0, 1), None, "Both groups");
    for svg in [
        plot.svg("p", Embedding::Outlined, Locale::default()),
        charts::timeline(&bow.runs, "t", Embedding::Outlined, Locale::default()),
        charts::gauge(
            &bow.runs[0].reading,
            "g",
            Embedding::Outlined,
            Locale::default(),
        ),
    ] {
        assert!(!svg.contains("<text") && !svg.contains("var("));
        #[cfg(feature = "png")]
        has_pixels(&svg);
    }
    #[cfg(feature = "png")]
    assert!(bossmark::report::png::picture("no drawing").is_err());
}

#[cfg(feature = "png")]
fn has_pixels(svg: &str) {
    let bytes = bossmark::report::png::picture(svg).unwrap();
    assert_eq!(bytes, bossmark::report::png::picture(svg).unwrap());
    let picture = image::load_from_memory(&bytes).unwrap().to_rgb8();
    assert_eq!(picture.width(), 960);
    // paper, ink, and the colour of the fletched shafts are all there
    for colour in [[255, 255, 255], [30, 40, 51]] {
        assert!(picture.pixels().any(|p| p.0 == colour), "{colour:?}");
    }
}

#[test]
fn the_gauge_speaks_to_the_hand_that_draws() {
    let mut r = reading(60.0, 0.0, 1);
    let right = charts::gauge(&r, "g", Embedding::Inline, Locale::default());
    assert!(right.contains("bare right: weak") && right.contains("bare left: stiff"));
    r.hand = Some(Hand::Left);
    let left = charts::gauge(&r, "g", Embedding::Inline, Locale::default());
    assert!(left.contains("bare right: stiff") && left.contains("bare left: weak"));
    r.hand = None;
    let untold = charts::gauge(&r, "g", Embedding::Inline, Locale::default());
    assert!(!untold.contains("weak") && !untold.contains("stiff"));
    r.offset = None;
    assert!(charts::gauge(&r, "g", Embedding::Inline, Locale::default()).is_empty());
}

// ---- text ----------------------------------------------------------------------------------------------------------

#[test]
fn texts_for_people() {
    let failed = End {
        failure: Some(bossmark::record::Failure {
            code: "no-face".into(),
            text: "No target face was found; photograph the whole face and try again.".into(),
        }),
        ..End::default()
    };
    let two = end(2, 108.0, -70.0);
    let all = [
        plain::end(&two),
        plain::end(&failed),
        plain::reading(&reading(104.0, -78.0, 2), Locale::default()),
        plain::advice(
            &advice(reading(104.0, -78.0, 2), nock(), bolts()),
            Locale::default(),
        ),
        plain::faces(&spec::known()[..1]),
        plain::day(&plain::DayInShort {
            ends: vec![("end-2.jpg", &two), ("boss.jpg", &failed)],
            problems: &story("", &[]).problems,
            measured: 2,
            kept: 1,
            again: 0,
            confirm: vec!["bossmark confirm evening".to_owned()],
        }),
        plain::history(
            "Mara, club riser",
            &story("", &[]).bows[0].trend,
            Locale::default(),
        ),
    ]
    .join("\n----\n\n");
    for line in all.lines() {
        assert!(line.chars().count() <= 80, "{line}");
        assert_eq!(line, line.trim_end());
    }
    insta::assert_snapshot!(all);
}

// ---- the HTML report -----------------------------------------------------------------------------------------------

/// The page without style, guide and pictures: its bones.
fn skeleton(page: &str) -> String {
    let (head, rest) = page.split_once("<style>").unwrap();
    let (_, rest) = rest.split_once("</style>").unwrap();
    let (body, _) = rest.split_once("<section id=\"guide\">").unwrap();
    let out = format!("{head}{body}");
    let mut bones = String::new();
    for (i, part) in out.split("<svg").enumerate() {
        if i == 0 {
            bones.push_str(part);
            continue;
        }
        let title = part
            .split("<title")
            .nth(1)
            .and_then(|t| t.split('>').nth(1))
            .unwrap();
        let tail = part.split_once("</svg>").unwrap().1;
        bones.push_str(&format!(
            "[drawing: {}]{tail}",
            title.trim_end_matches("</title")
        ));
    }
    let mut plain = String::new();
    for (i, part) in bones.split("base64,").enumerate() {
        plain.push_str(if i == 0 {
            part
        } else {
            part.split_once('"').unwrap().1
        });
        if i == 0 || bones.matches("base64,").count() > i {
            plain.push_str("base64,[picture]\"");
        }
    }
    plain
}

#[test]
fn the_report_has_its_bones() {
    let page = html::report(&story("Mara, club riser", &small_jpeg()), Locale::default());
    insta::assert_snapshot!(skeleton(&page));
}

#[test]
fn the_report_is_the_same_twice_and_stands_alone() {
    let input = story("Mara", &small_jpeg());
    let page = html::report(&input, Locale::default());
    assert_eq!(page, html::report(&input, Locale::default()));
    let lower = page.to_lowercase();
    assert!(!lower.contains("http:") && !lower.contains("https:") && !lower.contains("//www"));
    assert!(!lower.contains("<script") && !lower.contains("<link") && !lower.contains("<iframe"));
    assert!(!lower.contains("@import") && !lower.contains("javascript:"));
    for (name, good) in [
        ("src=\"", "data:image/jpeg;base64,"),
        ("href=\"", "#"),
        ("url(", "#"),
    ] {
        for part in page.split(name).skip(1) {
            assert!(
                part.starts_with(good),
                "{name}{}",
                &part[..40.min(part.len())]
            );
        }
    }
}

#[test]
fn labels_from_outside_stay_text() {
    let mut input = story(HOSTILE, &small_jpeg());
    input.title = HOSTILE.into();
    let bow = &mut input.bows[0];
    bow.advice_now.next.as_mut().unwrap().detail = HOSTILE.into();
    bow.advice_now.cautions.push(Remark::new("x", HOSTILE));
    for run in &mut bow.runs {
        for change in &mut run.changes {
            change.to = Setting::Text(HOSTILE.into());
        }
        run.setup.as_mut().unwrap().shafts = Some(HOSTILE.into());
        for e in &mut run.ends {
            e.file = HOSTILE.into();
            e.end.session.note = Some(HOSTILE.into());
            e.end.session.date = Some(HOSTILE.into());
            e.end.entries[0].arrow = Some(HOSTILE.into());
        }
    }
    input.problems[0].text = HOSTILE.into();
    input.problems[0].file = HOSTILE.into();
    let page = html::report(&input, Locale::default());
    assert!(!page.contains("<script"), "markup came through");
    assert!(!page.contains("\"Mara\""), "a quote came through");
    assert!(page.contains("&lt;script&gt;alert(&#39;x&#39;)"));
    balanced(&page);
}

/// Every element is closed in its order, and ids are used once.
fn balanced(page: &str) {
    const EMPTY: [&str; 5] = ["meta", "img", "input", "br", "hr"];
    let style = page.find("<style>").unwrap()..page.find("</style>").unwrap();
    let page = format!("{}{}", &page[..style.start], &page[style.end + 8..]);
    let mut open: Vec<&str> = Vec::new();
    let mut ids = BTreeSet::new();
    for tag in page.split('<').skip(1) {
        let inside = tag.split('>').next().unwrap();
        let name = inside.split([' ', '/']).next().unwrap();
        if let Some(id) = inside
            .split(" id=\"")
            .nth(1)
            .and_then(|r| r.split('"').next())
        {
            assert!(ids.insert(id.to_owned()), "id {id} twice");
        }
        if inside.starts_with('!') || inside.ends_with('/') || EMPTY.contains(&name) {
            continue;
        }
        match inside.strip_prefix('/') {
            Some(closed) => assert_eq!(open.pop(), Some(closed), "closing in {inside}"),
            None => open.push(name),
        }
    }
    assert!(open.is_empty(), "left open: {open:?}");
    for part in page.split("href=\"#").skip(1) {
        let target = part.split('"').next().unwrap();
        assert!(ids.contains(target), "link to nowhere: #{target}");
    }
    for part in page.split("aria-labelledby=\"").skip(1) {
        for id in part.split('"').next().unwrap().split(' ') {
            assert!(ids.contains(id), "label nowhere: {id}");
        }
    }
}

#[test]
fn the_page_is_well_formed_in_all_its_states() {
    let full = story("Mara", &small_jpeg());
    balanced(&html::report(&full, Locale::default()));
    balanced(&html::report(&ReportInput::default(), Locale::default()));
    let mut two = full.clone();
    two.bows.push(full.bows[0].clone());
    balanced(&html::report(&two, Locale::default()));
    let mut bare = full.clone();
    let bow = &mut bare.bows[0];
    bow.advice_now.next = None;
    bow.advice_now.learned.clear();
    bow.advice_now.reading.offset = None;
    bow.runs.truncate(1);
    bow.runs[0].setup = None;
    bow.runs[0].reading.offset = None;
    bow.runs[0].ends[0].marked_jpeg = Some(b"not a picture".to_vec());
    bow.runs[0].ends[1].marked_jpeg = None;
    bow.runs[0].ends[1].end.photo = None;
    let page = html::report(&bare, Locale::default());
    balanced(&page);
    assert!(page.contains("can\u{2019}t be shown") && page.contains("without a photo"));
}

#[test]
fn pictures_in_the_report_carry_no_metadata() {
    let plain = small_jpeg();
    let mut tagged = plain[..2].to_vec();
    tagged.extend(b"\xff\xe1\x00\x16Exif\0\0GPS 47.1 N 8.5");
    tagged.extend(&plain[2..]);
    let page = html::report(&story("Mara", &tagged), Locale::default());
    assert_eq!(
        page,
        html::report(&story("Mara", &plain), Locale::default())
    );
}

#[test]
fn the_next_step_comes_before_everything_else() {
    let page = html::report(&story("Mara", &small_jpeg()), Locale::default());
    let at = |what: &str| page.find(what).unwrap_or_else(|| panic!("no {what}"));
    let step = at("Next: Both limb bolts out half a turn");
    assert!(step < at("Against the fletched ones the bare shafts land"));
    assert!(step < at("<h2>The ends</h2>"));
    assert!(at("Nocking point 1 mm lower (9 to 8 mm)") < at("What needs a person"));
    assert!(at("What needs a person") < at("The shooting in order"));
    assert!(at("The shooting in order") < at("What was learned"));
    assert!(
        page.contains("A look at them makes the reading surer."),
        "the caution of the shots"
    );
    assert!(
        !page.contains("bossmark confirm"),
        "no commands in a report"
    );
    assert!(page.contains("it did what was expected"));
}

// ---- what a change did ---------------------------------------------------------------------------------------------

#[test]
fn expected_shift_follows_what_was_really_changed() {
    let before = reading(104.0, -78.0, 2);
    let after = reading(30.0, -70.0, 1);
    let advised = advice(before.clone(), bolts(), nock());
    let turned = |from: f64, to: f64| {
        let set = |turns| Setup {
            bolt_turns_out: Some(turns),
            draw_weight_lb: Some(36.0 - 1.2 * (turns - 1.0)),
            ..Setup::default()
        };
        compare(&set(from), &set(to)).settings()
    };
    // advised: two quarter turns out, −49 mm; made: a whole turn
    let effect = Effect::between(&before, &advised, &turned(1.0, 2.0), &after).unwrap();
    let expected = effect.expected.unwrap();
    assert!((expected.x_mm + 98.0).abs() < 1e-9, "{expected:?}");
    assert!((expected.sd_x_mm.unwrap() - 50.0).abs() < 1e-9);
    assert!((effect.seen.x_mm + 74.0).abs() < 1e-9 && (effect.seen.y_mm - 8.0).abs() < 1e-9);
    assert!((effect.seen.sd_x_mm.unwrap() - 22.0 * 2f64.sqrt()).abs() < 1e-9);
    // turned in instead of out: the expectation turns round
    let effect = Effect::between(&before, &advised, &turned(1.0, 0.5), &after).unwrap();
    assert!((effect.expected.unwrap().x_mm - 49.0).abs() < 1e-9);
    // something that the advice doesn't speak of: nothing to expect
    let point = |gr| Setup {
        point_gr: Some(gr),
        ..Setup::default()
    };
    let other = compare(&point(100.0), &point(90.0)).settings();
    let effect = Effect::between(&before, &advised, &other, &after).unwrap();
    assert!(effect.expected.is_none());
    // from another distance nothing can be compared
    let mut far = after.clone();
    far.distance_m = Some(18.0);
    assert!(Effect::between(&before, &advised, &other, &far).is_none());
}

#[test]
fn a_face_of_one_s_own_is_drawn_from_the_record_alone() {
    let mut own = spec::by_name("wa-40-3spot").expect("face").clone();
    let built_in = FaceLook::of_record(&face_record(&own));
    assert_eq!(built_in, FaceLook::from(&own));
    own.name = "club face".to_owned();
    own.zones.truncate(4);
    for (zone, colour) in own.zones.iter_mut().zip(spec::Colour::ALL) {
        zone.colour = colour;
    }
    let mut record = face_record(&own);
    assert_eq!(FaceLook::of_record(&record), FaceLook::from(&own));
    // the same name as one that is built in: what the record tells counts
    record.name = "wa-80".to_owned();
    assert_eq!(FaceLook::of_record(&record), FaceLook::from(&own));
    if let Some(zones) = &mut record.zones {
        zones[0].colour = "teal".to_owned();
    }
    assert_eq!(FaceLook::of_record(&record).zones[0].ink, Ink::White);
}

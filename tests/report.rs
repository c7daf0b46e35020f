//! What people look at: marked photo, stage pictures, face plot, text and HTML report, on documents made here.

#![expect(
    clippy::unwrap_used,
    clippy::cast_possible_truncation,
    reason = "helpers of tests"
)]

#[path = "report/page.rs"]
mod page;
#[path = "report/pictures.rs"]
mod pictures;
#[path = "report/plots.rs"]
mod plots;

use bossmark::advice::{Action, Advice, Expect, Learned, Step, StepKind};
use bossmark::face::spec;
use bossmark::measure::face_record;
use bossmark::reading::{
    Horizontal, HorizontalCall, MoreShots, Offset, Reading, Vertical, VerticalCall,
};
use bossmark::record::{
    ArrowKind, CameraRecord, End, Entry, Extra, FaceRecord, FaceToCamera, FocalSource, Hand,
    PhotoRecord, Remark, Setup, UprightRecord, UprightSource, compare,
};
use bossmark::report::marked::{self, Format};
use bossmark::text::{Locale, plain};
use bossmark::timeline::{
    BowReport, Effect, EndReport, FaceLook, Ink, Problem, ReportInput, RunReport, TrendPoint,
};
use bossmark::{advice, reading};
use image::{Rgb, RgbImage};

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
            p_nock_high: Some(if high { 0.995 } else { 0.06 }),
            p_nock_low: Some(0.0),
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
        cautions: vec![Remark::new(
            "not-checked",
            reading::CautionKind::NotChecked(6),
        )],
        failure: None,
    }
}

fn step(change: Action, setting: &str, from: f64, to: f64, detail: &str, expect: [f64; 2]) -> Step {
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
        Action::NockingPoint,
        "nocking_point_mm",
        9.0,
        8.0,
        detail,
        [0.0, 70.0],
    )
}

fn bolts() -> Step {
    let mut s = step(
        Action::DrawWeight,
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
            change: Action::NockingPoint,
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

fn run(ends: Vec<EndReport>, reading: Reading, next: Step, nocking: f64) -> RunReport {
    RunReport {
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
fn trend_of(runs: &[(&RunReport, &str)]) -> Vec<TrendPoint> {
    let point = |(run, day): &(&RunReport, &str)| TrendPoint {
        number: run.number,
        day: Some((*day).to_owned()),
        changes: run.changes.clone(),
        reading: run.reading.clone(),
    };
    runs.iter().map(point).collect()
}

fn story(label: &str, picture: &[u8]) -> ReportInput {
    let one = |number, dx, dy| EndReport {
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
        bows: vec![BowReport {
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

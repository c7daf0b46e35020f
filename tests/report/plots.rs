//! The plot of a face, the gauge and the trend.

use super::{end, entry, reading, story};
use bossmark::face::spec;
use bossmark::geometry::FacePoint;
use bossmark::reading::Reading;
use bossmark::record::{ArrowKind, End, FaceRecord, Hand};
use bossmark::report::face_plot::FacePlot;
use bossmark::report::{Embedding, charts};
use bossmark::text::Locale;
use bossmark::timeline::FaceLook;

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

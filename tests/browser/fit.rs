//! What goes beyond the shafts: rings set by hand, another of several faces, the upright, zooming, set-up and shot order.

use super::webdriver::{Browser, Screen, key};
use super::{
    LAPTOP, PHONE, Program, centre, measured, on_screen, opened, pair, put, ready, sample, serious,
    settled, tab_to,
};
use bossmark::geometry::FacePoint;
use bossmark::record::{CameraRecord, End};
use image::{RgbImage, imageops};
use serde_json::{Value, json};
use std::fs;

fn end_of(record: &Value) -> End {
    serde_json::from_value(record.clone()).expect("record")
}

fn camera() -> CameraRecord {
    end_of(measured()).camera.expect("camera")
}

/// Where a place of the face is in the photo, px, by the rings as the program found them.
fn place(x_mm: f64, y_mm: f64) -> [f64; 2] {
    let p = camera()
        .image_from_face(FacePoint::new(x_mm, y_mm))
        .expect("seen");
    [p.x, p.y]
}

/// The easy places of the 80 cm face (white to 400 mm, blue to 240) in the page's order.
const PLACES: [(f64, f64); 9] = [
    (0.0, 400.0),
    (400.0, 0.0),
    (0.0, -400.0),
    (-400.0, 0.0),
    (0.0, 240.0),
    (240.0, 0.0),
    (0.0, -240.0),
    (-240.0, 0.0),
    (0.0, 0.0),
];

fn number(b: &Browser, expression: &str) -> f64 {
    let v = b.js(&format!("return {expression}"));
    v.as_f64().unwrap_or_else(|| panic!("{expression}: {v}"))
}

/// A record of a photo in which no face was found.
fn without_a_face() -> Value {
    let mut record = measured().clone();
    let map = record.as_object_mut().expect("a record");
    map.remove("camera");
    map.insert("entries".to_owned(), json!([]));
    map.insert(
        "failure".to_owned(),
        json!({"code": "no-face", "text": "no face was found"}),
    );
    record
}

#[test]
fn rings_by_hand_where_no_face_was_found_by_finger() {
    let program = Program::with(|folder| put(folder, "end", &without_a_face()), &[]);
    let Some(b) = Browser::start(PHONE) else {
        return;
    };
    b.open(&program.link);
    b.wait("document.querySelector('#instead button:last-of-type')");
    b.js("[...document.querySelectorAll('#instead button')].pop().id = 'start'; return 1");
    b.press(true, "#start");
    b.wait("bossmark.byHand.active && bossmark.photo.whole");
    b.wait("document.querySelectorAll('.handle').length === 9");
    b.picture("rings-phone-start");
    assert_eq!(serious(&b), Vec::<String>::new());
    // tap after tap; what is dragged last is brought to its place
    for (x, y) in &PLACES[..4] {
        b.tap(true, on_screen(&b, place(*x, *y)));
    }
    b.wait("bossmark.byHand.set.size === 4 && bossmark.byHand.found");
    b.wait("bossmark.byHand.current === 4");
    let dot = |i: usize| {
        let at = b.js(&format!(
            "const p = bossmark.byHand.at({i}); return [p.x, p.y]"
        ));
        on_screen(&b, pair(&at))
    };
    let to = on_screen(&b, place(0.0, 240.0));
    let from = dot(4);
    b.drag(true, &[from, (from.0 + 30.0, from.1 + 20.0), to]);
    b.wait("bossmark.byHand.set.size === 5 && bossmark.byHand.found && !bossmark.byHand.busy");
    // two taps enlarge and set nothing
    let scale = number(&b, "bossmark.photo.frame.scale");
    b.tap_twice(true, (120.0, 200.0));
    b.wait(&format!("bossmark.photo.frame.scale > {}", 2.0 * scale));
    b.wait("bossmark.byHand.set.size === 5 && bossmark.byHand.found && !bossmark.byHand.busy");
    b.picture("rings-phone-found");
    assert_eq!(
        serious(&b),
        Vec::<String>::new(),
        "with the rings laid by hand"
    );
    assert_eq!(
        program.record("end"),
        without_a_face(),
        "nothing is saved before it is used"
    );
    b.press(true, "#rings-use");
    ready(&b);
    let record = end_of(&program.record("end"));
    assert!(record.failure.is_none());
    let found = record.camera.expect("camera");
    assert!(found.fitted_to.is_some());
    for (x, y) in PLACES {
        let [u, v] = place(x, y);
        let p = found
            .face_from_image(bossmark::geometry::ImagePoint::new(u, v))
            .expect("seen");
        // a pixel of this screen is some 2 mm on the face
        let off = (p.x - x).hypot(p.y - y);
        assert!(off < 10.0, "{x}, {y}: {off:.1} mm");
    }
    let shafts = end_of(measured()).entries.len();
    assert!(record.entries.len() + 1 >= shafts, "the shafts are found");
    // a point that doesn't fit (the first half of the double tap) is answered 422, which the browser notes
    let complaints = b.complaints();
    assert!(
        complaints.iter().all(|c| c.contains("422")),
        "{complaints:?}"
    );
}

#[test]
fn rings_by_hand_keep_a_person_s_work_by_keys() {
    let mut record = measured().clone();
    record["revision"] = json!(3);
    record["entries"][0]["state"] = json!("confirmed");
    let program = Program::with(|folder| put(folder, "end", &record), &[]);
    let Some(b) = opened(LAPTOP, &program) else {
        return;
    };
    settled(&b);
    tab_to(&b, "#by-hand");
    b.keys(&[], &[key::ENTER]);
    b.wait("document.activeElement.matches('.handle')");
    // given up: nothing has changed
    b.keys(&[], &[key::ENTER, key::ESCAPE]);
    b.wait("!bossmark.byHand.active && document.activeElement.id === 'by-hand'");
    b.keys(&[], &[key::ENTER]);
    b.wait("document.activeElement.matches('.handle')");
    assert_eq!(b.js("return bossmark.byHand.set.size"), 0);
    // four places, each 20 px further right than the rings were; a slip is taken back and made again
    for i in 0..4 {
        b.wait(&format!("bossmark.byHand.current === {i}"));
        b.keys(&[key::SHIFT], &[key::RIGHT, key::RIGHT]);
        if i == 0 {
            b.keys(&[], &[key::DELETE]);
            assert_eq!(b.js("return bossmark.byHand.set.size"), 0);
            b.keys(&[key::SHIFT], &[key::RIGHT, key::RIGHT]);
        }
        b.keys(&[], &[key::TAB]);
    }
    b.wait("bossmark.byHand.found && !bossmark.byHand.busy");
    // those that follow lie by the new rings already
    for i in 4..8 {
        b.wait(&format!("bossmark.byHand.current === {i}"));
        b.keys(&[], &[key::ENTER]);
        b.keys(&[], &[key::TAB]);
    }
    b.wait("bossmark.byHand.set.size === 8 && bossmark.byHand.found && !bossmark.byHand.busy");
    b.picture("rings-laptop");
    assert_eq!(serious(&b), Vec::<String>::new());
    tab_to(&b, "#rings-use");
    b.keys(&[], &[key::ENTER]);
    b.wait("bossmark.end.view?.record.revision === 4");
    ready(&b);
    let (old, new) = (end_of(&record), end_of(&program.record("end")));
    assert_eq!(new.entries.len(), old.entries.len());
    assert!(new.camera.as_ref().is_some_and(|c| c.fitted_to.is_some()));
    let (c, shift) = (old.camera.as_ref().expect("camera"), 20.0);
    for (was, is) in old.entries.iter().zip(&new.entries) {
        assert_eq!((was.px, was.state, was.kind), (is.px, is.state, is.kind));
        // the place that lay 20 px further left before lies here now
        let [x, y] = is.px.expect("px");
        let wanted = c
            .face_from_image(bossmark::geometry::ImagePoint::new(x - shift, y))
            .expect("seen");
        let off = (is.x_mm - wanted.x).hypot(is.y_mm - wanted.y);
        assert!(off < 2.0, "{}: {off:.2} mm", is.id);
    }
    // and the way back is one step
    b.press(false, "#undo");
    b.wait("!bossmark.end.view.record.camera.fitted_to");
    let back = end_of(&program.record("end"));
    assert_eq!(back.camera, old.camera);
}

/// Two faces beside each other: the same photo twice, smaller.
fn two_faces() -> RgbImage {
    let photo = bossmark::photo::open(&fs::read(sample("evening/evening-1.jpg")).expect("photo"))
        .expect("photo");
    let (w, h) = (photo.width / 3, photo.height / 3);
    let small = imageops::resize(&photo.pixels, w, h, imageops::FilterType::Triangle);
    let mut both = RgbImage::new(2 * w, h);
    imageops::replace(&mut both, &small, 0, 0);
    imageops::replace(&mut both, &small, i64::from(w), 0);
    both
}

#[test]
fn another_of_two_faces_is_chosen_by_a_tap() {
    let picture = two_faces();
    let (width, height) = picture.dimensions();
    let program = Program::with(
        |folder| picture.save(folder.join("end.png")).expect("photo"),
        &["--face", "wa-80"],
    );
    let Some(b) = opened(LAPTOP, &program) else {
        return;
    };
    settled(&b);
    let taken = |record: &Value| {
        let seen = record["face"]["seen"].as_array().expect("faces").clone();
        assert_eq!(seen.len(), 2, "{seen:?}");
        let at = |taken: bool| {
            let face = seen.iter().find(|f| f["taken"] == taken);
            pair(&face.expect("one of each")["px"])
        };
        (at(true), at(false))
    };
    let (first, other) = taken(&program.record("end"));
    b.press(false, "#another-face");
    b.wait("bossmark.marks.aim !== null");
    centre(&b, [f64::from(width) / 2.0, f64::from(height) / 2.0], 0.3);
    b.picture("another-face");
    b.tap(false, on_screen(&b, [other[0] + 20.0, other[1] - 15.0]));
    b.wait("!bossmark.end.view");
    ready(&b);
    let (now, was) = taken(&program.record("end"));
    let near = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).hypot(a[1] - b[1]) < 20.0;
    assert!(near(now, other) && near(was, first), "{now:?} {was:?}");
    let px = end_of(&program.record("end")).entries[0].px.expect("px");
    assert!(
        (px[0] - now[0]).abs() < (px[0] - was[0]).abs(),
        "its own shafts"
    );
}

#[test]
fn the_upright_is_turned_by_a_line_that_hangs_straight_down() {
    let program = Program::with(|folder| put(folder, "end", measured()), &[]);
    let Some(b) = opened(LAPTOP, &program) else {
        return;
    };
    settled(&b);
    b.press(false, "#turn-upright");
    b.wait("bossmark.marks.aim !== null");
    // a line 3 degrees from what was taken for upright
    let turn = 3.0_f64.to_radians();
    for (far, last) in [(-300.0, false), (300.0, true)] {
        let at = place(far * turn.sin(), far * turn.cos());
        b.tap(false, on_screen(&b, at));
        if last {
            b.wait("!bossmark.end.view");
        } else {
            b.wait("document.getElementById('placing-words').textContent.includes('upper end')");
        }
    }
    ready(&b);
    let end = end_of(&program.record("end"));
    let camera = end.camera.expect("camera");
    // what hung 3 degrees over hangs upright now
    let [x, y] = place(300.0 * turn.sin(), 300.0 * turn.cos());
    let up = camera
        .face_from_image(bossmark::geometry::ImagePoint::new(x, y))
        .expect("seen");
    let lean = up.x.atan2(up.y).to_degrees();
    assert!(lean.abs() < 0.7, "{lean:.2}° from upright");
    assert!(camera.upright.sd_deg < 2.0);
}

#[test]
fn a_double_tap_enlarges_where_it_is_and_another_shows_the_whole_face() {
    let program = Program::with(|folder| put(folder, "end", measured()), &[]);
    let Some(b) = opened(
        Screen {
            touch: true,
            ..PHONE
        },
        &program,
    ) else {
        return;
    };
    settled(&b);
    // it is open on its group: from the whole face on
    b.press(true, "#zoom-face");
    b.js("window.scrollTo(0, 0); return 1");
    let scale = number(&b, "bossmark.photo.frame.scale");
    let at = (150.0, 220.0);
    let under = |what: &str| {
        let box_of = format!(
            "(() => {{ const r = document.getElementById('frame').getBoundingClientRect(); return bossmark.photo.frame.toPhoto({} - r.left, {} - r.top).{what}; }})()",
            at.0, at.1
        );
        number(&b, &box_of)
    };
    let (x, y) = (under("x"), under("y"));
    b.tap_twice(true, at);
    b.wait(&format!("bossmark.photo.frame.scale > {}", 2.4 * scale));
    let moved = (under("x") - x).hypot(under("y") - y);
    assert!(
        moved < 3.0 / scale,
        "{moved:.1} px: what is under the finger stays there"
    );
    // once it is large, the next one shows the whole face again
    let mut now = number(&b, "bossmark.photo.frame.scale");
    for _ in 0..4 {
        // not the other half of the last one
        std::thread::sleep(std::time::Duration::from_millis(500));
        b.tap_twice(true, at);
        b.wait(&format!(
            "Math.abs(bossmark.photo.frame.scale - {now}) > 1e-9"
        ));
        now = number(&b, "bossmark.photo.frame.scale");
        if now < 1.1 * scale {
            break;
        }
    }
    assert!((now / scale - 1.0).abs() < 0.02, "{now} {scale}");
    assert_eq!(
        program.record("end"),
        *measured(),
        "looking changes nothing"
    );
}

#[test]
fn set_up_from_a_file_and_the_order_shot() {
    let program = Program::with(|folder| put(folder, "end", measured()), &[]);
    let Some(b) = opened(LAPTOP, &program) else {
        return;
    };
    settled(&b);
    let file = program.folder.join("bow.json");
    let setup = json!({"shaft_spine": 600, "point_gr": 110, "plunger_clicks": 4, "bow": "blue club bow", "keep": ["plunger"]});
    fs::write(
        &file,
        json!({"schema": "bossmark/session/1", "session": {"setup": setup}}).to_string(),
    )
    .expect("file");
    b.js("document.querySelectorAll('details').forEach((d) => { d.open = true; }); return 1");
    let input = b.js("return document.getElementById('setup-file')");
    b.fill_file(&input, &file);
    b.wait("document.getElementById('told-setup-point_gr').value === '110'");
    b.picture("set-up");
    // an order that can't be is said so at its field
    b.press(false, "#told-shot_order");
    b.write("3 1 x");
    b.keys(&[], &[key::ENTER]);
    b.wait("document.activeElement.id === 'told-shot_order' && document.activeElement.getAttribute('aria-invalid') === 'true'");
    b.js("document.getElementById('told-shot_order').value = ''; return 1");
    b.write("3 1 2");
    b.keys(&[], &[key::ENTER]);
    b.wait("bossmark.end.view.record.session.shot_order?.length === 3");
    let session = &program.record("end")["session"];
    assert_eq!(session["shot_order"], json!([3, 1, 2]));
    for (name, value) in setup.as_object().expect("settings") {
        let same = &session["setup"][name] == value
            || session["setup"][name].as_f64() == value.as_f64() && value.is_number();
        assert!(same, "{name}: {} {value}", session["setup"][name]);
    }
    // what the file didn't speak of stays
    assert_eq!(session["setup"]["nocking_point_mm"], 9.0);
}

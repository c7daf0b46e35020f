//! The whole journey through an end with one fault of each sort: by mouse, by keyboard alone, by finger.

use super::webdriver::{Browser, key};
use super::{
    LAPTOP, PHONE, Program, assert_kept, assert_right, centre, faults, mark, on_screen, opened,
    pair, put, ready, settled,
};
use serde_json::json;

#[test]
fn the_journey_by_mouse() {
    let f = faults();
    let program = Program::with(|folder| put(folder, "end", &f.record), &[]);
    let Some(b) = opened(LAPTOP, &program) else {
        return;
    };
    b.picture("laptop");
    // unsure ones first, the most doubtful before the others
    b.press(false, "#look");
    b.wait(&format!("bossmark.end.selected === {}", f.false_one));
    b.press(false, "#look");
    b.wait(&format!("bossmark.end.selected === {}", f.wrong.0));
    b.press(false, &format!(".kinds input[value={}]", f.wrong.1));
    settled(&b);
    b.picture("laptop-chosen");
    // the entry that is off: chosen, then dragged
    centre(&b, f.off.1, 1.0);
    let from = mark(&b, f.off.0);
    b.tap(false, from);
    b.wait(&format!("bossmark.end.selected === {}", f.off.0));
    let (from, to) = (mark(&b, f.off.0), on_screen(&b, f.off.1));
    b.drag(false, &[from, (f64::midpoint(from.0, to.0), to.1), to]);
    settled(&b);
    // the missing one
    b.press(false, "#add");
    let nth = if f.missing.1 == "bare" { 2 } else { 1 };
    b.press(false, &format!("#selection button:nth-of-type({nth})"));
    centre(&b, f.missing.0, 1.0);
    b.tap(false, on_screen(&b, f.missing.0));
    b.wait("bossmark.end.entries.some((e) => e.source === 'added')");
    // the false one
    centre(&b, [2420.0, 1860.0], 0.5);
    b.tap(false, mark(&b, f.false_one));
    b.wait(&format!("bossmark.end.selected === {}", f.false_one));
    b.press(false, "#remove");
    b.wait(&format!(
        "!bossmark.end.entries.some((e) => e.id === {})",
        f.false_one
    ));
    // back and forth again
    b.press(false, "#undo");
    b.wait(&format!(
        "bossmark.end.entries.some((e) => e.id === {})",
        f.false_one
    ));
    b.press(false, "#redo");
    b.wait(&format!(
        "!bossmark.end.entries.some((e) => e.id === {})",
        f.false_one
    ));
    b.press(false, "#accept");
    b.wait("document.getElementById('accept').classList.contains('done')");
    settled(&b);
    assert_right(&program, &f, 1.5);
    b.picture("laptop-confirmed");
    assert_kept(&b, &program);
    // away and back loses nothing either
    b.open("about:blank");
    b.back();
    ready(&b);
    assert_eq!(
        b.js("return bossmark.end.view.record.revision"),
        program.record("end")["revision"]
    );
    // nothing came from elsewhere
    let origins = b.js("return [...new Set(performance.getEntriesByType('resource').map((r) => new URL(r.name).origin))]");
    assert_eq!(origins, json!([program.link.trim_end_matches('/')]));
    // a step of the way back that was made before the reload is still there
    b.press(false, "#undo");
    b.wait("!document.getElementById('accept').classList.contains('done')");
}

/// Presses Tab until the focus is where it should be.
pub(super) fn tab_to(b: &Browser, what: &str) {
    let there = format!("return Boolean(document.activeElement?.matches({what:?}))");
    for _ in 0..140 {
        if b.js(&there) == true {
            // WCAG 2.2, 2.4.11: the focus is not hidden
            let seen = b.js("const e = document.activeElement; const r = e.getBoundingClientRect(); if (e.classList.contains('mark')) return r.bottom > 0 && r.top < innerHeight;
                const at = document.elementFromPoint(r.left + r.width / 2, r.top + r.height / 2); return Boolean(at) && (e.contains(at) || at.contains(e))");
            assert_eq!(seen, true, "the focus on {what} is hidden");
            return;
        }
        b.keys(&[], &[key::TAB]);
    }
    panic!("{what} is not reached by Tab");
}

#[test]
fn the_journey_by_keyboard_alone() {
    let f = faults();
    let program = Program::with(|folder| put(folder, "end", &f.record), &[]);
    let Some(b) = opened(LAPTOP, &program) else {
        return;
    };
    tab_to(&b, &format!(".mark[data-id='{}']", f.wrong.0));
    b.keys(&[], &[if f.wrong.1 == "bare" { "b" } else { "f" }]);
    settled(&b);
    // where it belongs in mm is what the camera makes of its pixel
    let target = b.js(&format!("const p = bossmark.camera.toFace(bossmark.end.view.record.camera, {}, {}); return [p.x, p.y]", f.off.1[0], f.off.1[1]));
    tab_to(&b, &format!(".mark[data-id='{}']", f.off.0));
    let at = b.js("return [bossmark.end.entry.x_mm, bossmark.end.entry.y_mm]");
    let (target, at) = (pair(&target), pair(&at));
    for (axis, keys) in [(0, [key::LEFT, key::RIGHT]), (1, [key::DOWN, key::UP])] {
        let by = target[axis] - at[axis];
        let way = keys[usize::from(by > 0.0)];
        // steps of half a millimetre; ten of them at once with shift
        let steps = times(by / 0.5);
        let far = std::iter::repeat_n(way, steps / 10).collect::<Vec<_>>();
        let near = std::iter::repeat_n(way, steps % 10).collect::<Vec<_>>();
        b.keys(&[key::SHIFT], &far);
        b.keys(&[], &near);
    }
    settled(&b);
    tab_to(&b, &format!(".mark[data-id='{}']", f.false_one));
    b.keys(&[], &[key::DELETE]);
    b.wait(&format!(
        "!bossmark.end.entries.some((e) => e.id === {})",
        f.false_one
    ));
    // the missing one, by the table
    let missing = b.js(&format!("const p = bossmark.camera.toFace(bossmark.end.view.record.camera, {}, {}); return [p.x, p.y]", f.missing.0[0], f.missing.0[1]));
    tab_to(&b, "#add-kind");
    b.write(&f.missing.1[..1]);
    b.keys(&[], &[key::TAB]);
    b.write(&format!("{:.2}", pair(&missing)[0]));
    b.keys(&[], &[key::TAB]);
    b.write(&format!("{:.2}", pair(&missing)[1]));
    b.keys(&[], &[key::ENTER]);
    b.wait("bossmark.end.entries.some((e) => e.source === 'added')");
    // a slip, taken back
    tab_to(&b, ".cell-kind select");
    let kind = b.js("return document.activeElement.value");
    b.write(if kind == "bare" { "f" } else { "b" });
    b.wait(&format!("bossmark.end.entries[0].kind !== {kind}"));
    settled(&b);
    b.keys(&[key::CONTROL], &["z"]);
    b.wait(&format!("bossmark.end.entries[0].kind === {kind}"));
    b.js("document.activeElement.blur(); return 1");
    tab_to(&b, "#accept");
    b.keys(&[], &[key::ENTER]);
    b.wait("document.getElementById('accept').classList.contains('done')");
    settled(&b);
    assert_right(&program, &f, 2.0);
    assert_kept(&b, &program);
    // adding by the cross, without any pointer; given up, then made
    tab_to(&b, "#add");
    b.keys(&[], &[key::ENTER, key::ENTER]);
    b.wait("bossmark.marks.cross !== null");
    b.keys(&[], &[key::RIGHT, key::ESCAPE]);
    b.wait("bossmark.marks.aim === null");
    tab_to(&b, "#add");
    b.keys(&[], &[key::ENTER, key::ENTER]);
    b.wait("bossmark.marks.cross !== null");
    let before = b.js("return bossmark.marks.cross");
    b.keys(&[], &[key::RIGHT, key::RIGHT, key::DOWN, key::ENTER]);
    b.wait("bossmark.end.entries.filter((e) => e.source === 'added').length === 2");
    let px = pair(&b.js("return bossmark.end.entry.px"));
    let (x, y) = (
        before["x"].as_f64().expect("x"),
        before["y"].as_f64().expect("y"),
    );
    assert!(
        (px[0] - x - 4.0).abs() < 0.01 && (px[1] - y - 2.0).abs() < 0.01,
        "{px:?} {before}"
    );
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a small number of keys"
)]
fn times(v: f64) -> usize {
    v.abs().round().min(60.0) as usize
}

#[test]
fn the_journey_by_finger() {
    let f = faults();
    let program = Program::with(|folder| put(folder, "end", &f.record), &[]);
    let Some(b) = opened(PHONE, &program) else {
        return;
    };
    assert_eq!(
        b.js("return document.documentElement.scrollWidth"),
        390,
        "nothing sticks out"
    );
    b.picture("phone");
    b.press(true, "#look");
    b.press(true, "#look");
    b.wait(&format!("bossmark.end.selected === {}", f.wrong.0));
    b.picture("phone-chosen");
    b.press(true, &format!(".kinds input[value={}]", f.wrong.1));
    settled(&b);
    // tap to choose, tap to place
    centre(&b, f.off.1, 0.8);
    b.tap(true, mark(&b, f.off.0));
    b.wait(&format!("bossmark.end.selected === {}", f.off.0));
    b.press(true, "#move");
    b.wait("bossmark.marks.aim !== null");
    centre(&b, f.off.1, 0.8);
    b.tap(true, on_screen(&b, f.off.1));
    b.wait(&format!(
        "bossmark.end.entries.find((e) => e.id === {}).source === 'moved'",
        f.off.0
    ));
    // the missing one: finger down elsewhere, seen in the loupe, brought to its place, lifted
    b.press(true, "#add");
    let nth = if f.missing.1 == "bare" { 2 } else { 1 };
    b.press(true, &format!("#selection button:nth-of-type({nth})"));
    centre(&b, f.missing.0, 0.8);
    let to = on_screen(&b, f.missing.0);
    b.drag(true, &[(to.0 - 60.0, to.1 + 40.0), (to.0 - 20.0, to.1), to]);
    b.wait("bossmark.end.entries.some((e) => e.source === 'added')");
    // a shot that left no mark
    b.js("document.getElementById('missed-note').value = 'low left, off the boss'; return 1");
    // what comes in above would move the button away from under the finger
    settled(&b);
    b.press(true, "#table .part:last-child form button");
    b.wait("bossmark.end.view.record.missed.length === 1");
    // two fingers zoom, and change nothing; last before a tap on the photo, as the driver makes no click of the first touch after two fingers
    centre(&b, f.missing.0, 0.8);
    let scale = b
        .js("return bossmark.photo.frame.scale")
        .as_f64()
        .expect("scale");
    b.pinch((195.0, 260.0), 40.0, 90.0);
    b.wait(&format!("bossmark.photo.frame.scale > {}", scale * 1.5));
    centre(&b, [2420.0, 1860.0], 0.4);
    b.tap(true, mark(&b, f.false_one));
    b.wait(&format!("bossmark.end.selected === {}", f.false_one));
    b.press(true, "#remove");
    b.wait(&format!(
        "!bossmark.end.entries.some((e) => e.id === {})",
        f.false_one
    ));
    b.press(true, "#accept");
    b.wait("document.getElementById('accept').classList.contains('done')");
    settled(&b);
    assert_right(&program, &f, 2.5);
    assert_eq!(
        program.record("end")["missed"][0]["note"],
        "low left, off the boss"
    );
    b.picture("phone-confirmed");
    assert_kept(&b, &program);
}

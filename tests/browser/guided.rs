//! Checking guided: what is asked once, doubts first, a count that differs, keys, what is armed; taps counted as a person makes them.

use super::webdriver::{Browser, Screen, key};
use super::{
    Faults, PHONE, Program, centre, faults, mark, measured, on_screen, opened, put, ready, sample,
    settled,
};
use serde_json::{Value, json};
use std::fs;

const LAPTOP: Screen = Screen {
    width: 1440,
    height: 900,
    touch: false,
    dark: false,
};

/// A person's taps, counted.
struct Taps<'a> {
    browser: &'a Browser,
    touch: bool,
    made: usize,
}

impl<'a> Taps<'a> {
    fn new(browser: &'a Browser, touch: bool) -> Self {
        Self {
            browser,
            touch,
            made: 0,
        }
    }

    fn press(&mut self, what: &str) {
        self.browser.press(self.touch, what);
        self.made += 1;
    }

    fn at(&mut self, place: (f64, f64)) {
        self.browser.tap(self.touch, place);
        self.made += 1;
    }
}

/// The answer is wholly on the screen, in two lines, without scrolling; and the toolbar's main button is there too.
fn assert_in_sight(b: &Browser, state: &str) {
    b.js("window.scrollTo(0, 0); return 1");
    let seen = b.js(
        "const inside = (e) => { const r = e.getBoundingClientRect(); return r.width > 0 && r.top >= 0 && r.left >= 0 && r.bottom <= innerHeight && r.right <= innerWidth; };
         const [v, s] = ['answer-verdict', 'answer-step'].map((id) => document.getElementById(id));
         return [inside(document.getElementById('answer')), v.textContent !== '', v.scrollWidth <= v.clientWidth + 1, document.getElementById('answer').getBoundingClientRect().height < 64];",
    );
    assert_eq!(seen, json!([true, true, true, true]), "{state}");
}

fn with_counts(mut record: Value, fletched: u32, bare: u32) -> Value {
    record["session"]["fletched"] = json!(fletched);
    record["session"]["bare"] = json!(bare);
    record
}

/// A mark that was to be moved, given up, doesn't move with the next click, whatever was armed in between.
#[test]
fn what_was_given_up_moves_nothing() {
    let program = Program::with(|folder| put(folder, "end", measured()), &[]);
    let Some(b) = opened(LAPTOP, &program) else {
        return;
    };
    settled(&b);
    let armed = |b: &Browser| b.js("return bossmark.marks.aim !== null");
    let arm = |b: &Browser| {
        b.js("bossmark.end.select(null); bossmark.end.select(1); return 1");
        b.press(false, "#move");
        assert_eq!(armed(b), true);
    };
    let elsewhere = [2420.0, 1860.0];
    let nothing_moved = |b: &Browser, how: &str| {
        assert_eq!(armed(b), false, "{how}");
        centre(b, elsewhere, 0.4);
        b.tap(false, on_screen(b, elsewhere));
        std::thread::sleep(std::time::Duration::from_millis(400));
        settled(b);
        assert_eq!(program.record("end")["revision"], 0, "{how}");
    };
    arm(&b);
    b.press(false, "#add");
    assert_eq!(armed(&b), false, "arming Add disarms Move");
    b.keys(&[], &[key::ESCAPE]);
    nothing_moved(&b, "Add after Move, then Escape");
    arm(&b);
    b.js("document.activeElement.blur(); return 1");
    b.keys(&[], &[key::ESCAPE]);
    nothing_moved(&b, "Escape with the focus on the page");
    arm(&b);
    b.js("bossmark.end.select(2); return 1");
    nothing_moved(&b, "another shaft is chosen");
    arm(&b);
    b.press(false, "#placing-cancel");
    nothing_moved(&b, "Cancel");
    assert_eq!(b.complaints(), Vec::<String>::new());
}

/// Six shots, of which one isn't marked, one is tagged wrongly, one mark is no shaft: confirmed in twelve taps.
#[test]
fn an_end_with_three_faults_in_twelve_taps() {
    let mut f: Faults = faults();
    let off = f.off;
    // the one that lies beside its shaft is no matter here
    for e in f.record["entries"].as_array_mut().expect("entries") {
        if e["id"] == off.0 {
            *e = measured()["entries"][3].clone();
        }
    }
    f.record = with_counts(f.record, 3, 3);
    let program = Program::with(|folder| put(folder, "end", &f.record), &[]);
    let Some(b) = opened(PHONE, &program) else {
        return;
    };
    settled(&b);
    assert_in_sight(&b, "opened");
    b.picture("guided-opened");
    let mut taps = Taps::new(&b, true);
    taps.press("#accept");
    b.wait(&format!("bossmark.end.selected === {}", f.false_one));
    assert_in_sight(&b, "a doubt");
    b.picture("guided-doubt");
    taps.press("#remove");
    b.wait(&format!("bossmark.end.selected === {}", f.wrong.0));
    taps.press(&format!(".kinds input[value={}]", f.wrong.1));
    b.wait("bossmark.end.view.look.length === 0");
    settled(&b);
    let state = b.js("return document.getElementById('state').textContent");
    let state = state.as_str().expect("text");
    assert!(
        state.contains(&format!("5 of 6: one {} missing", f.missing.1)),
        "{state}"
    );
    // nothing is accepted silently
    taps.press("#accept");
    b.wait("document.getElementById('add-missing')");
    assert_eq!(
        program.record("end")["entries"][1]["state"],
        "proposed",
        "a count that differs is asked about"
    );
    b.picture("guided-count");
    taps.press("#add-missing");
    b.wait("bossmark.marks.aim !== null && bossmark.selection.likely.size === 1");
    // a thumb is not exact: the tap is helped to the shaft nearby
    centre(&b, f.missing.0, 0.8);
    let at = on_screen(&b, f.missing.0);
    taps.at((at.0 + 9.0, at.1 - 8.0));
    b.wait("bossmark.end.entries.some((e) => e.source === 'added')");
    let added = program.record("end");
    let added = added["entries"]
        .as_array()
        .expect("entries")
        .last()
        .expect("one");
    assert_eq!(added["kind"], f.missing.1.as_str());
    let px: [f64; 2] = serde_json::from_value(added["px"].clone()).expect("px");
    let off = (px[0] - f.missing.0[0]).hypot(px[1] - f.missing.0[1]);
    assert!(off < 6.0, "{off:.1} px off");
    settled(&b);
    taps.press("#accept");
    b.wait("document.getElementById('accept').classList.contains('done')");
    settled(&b);
    assert_in_sight(&b, "confirmed");
    b.picture("guided-confirmed");
    assert!(taps.made <= 12, "{} taps", taps.made);
    assert_eq!(b.complaints(), Vec::<String>::new());
}

/// A missing shot can have missed the boss, or be accepted as missing; both are said in the list of ends.
#[test]
fn a_missing_shot_missed_the_boss_or_is_accepted() {
    let mut short = with_counts(measured().clone(), 3, 3);
    let gone = short["entries"].as_array_mut().expect("entries").remove(5);
    let kind = gone["kind"].as_str().expect("kind").to_owned();
    for e in short["entries"].as_array_mut().expect("entries") {
        e["confidence"] = json!(0.97);
    }
    let mut second = short.clone();
    second["session"]["end"] = json!(2);
    second["photo"]["sha256"] = json!("0".repeat(64));
    let program = Program::with(
        |folder| {
            put(folder, "a", &short);
            fs::write(folder.join("b.end.json"), second.to_string()).expect("record");
        },
        &[],
    );
    let Some(b) = opened(LAPTOP, &program) else {
        return;
    };
    settled(&b);
    let list = |b: &Browser| {
        let text = b.js("return document.getElementById('ends').textContent");
        text.as_str().expect("text").to_owned()
    };
    assert!(
        list(&b).contains(&format!("5 of 6: one {kind} missing, not confirmed")),
        "{}",
        list(&b)
    );
    b.press(false, "#accept");
    b.press(false, "#it-missed");
    b.wait("bossmark.end.view?.id === 2");
    assert_eq!(program.record("a")["missed"][0]["kind"], kind.as_str());
    settled(&b);
    b.press(false, "#accept");
    b.press(false, "#accept-anyway");
    b.wait("bossmark.queue.ends.every((e) => e.state === 'confirmed')");
    b.wait("document.getElementById('ends').textContent.includes('6 of 6, confirmed')");
    assert!(
        list(&b).contains(&format!("5 of 6: one {kind} missing, confirmed")),
        "{}",
        list(&b)
    );
}

/// Seven ends in which all is correct take seven keys, or seven taps; the toolbar stays where it is.
#[test]
fn seven_clean_ends_in_seven_actions() {
    let clean = |n: u64| {
        let mut record = with_counts(measured().clone(), 3, 3);
        record["session"]["end"] = json!(n);
        record["photo"]["sha256"] = json!(format!("{n}").repeat(64)[..64]);
        record["photo"]["file"] = json!(format!("elsewhere-{n}.jpg"));
        for e in record["entries"].as_array_mut().expect("entries") {
            e["confidence"] = json!(0.97);
        }
        record
    };
    let folder_of = |folder: &std::path::Path| {
        for n in 1..=7 {
            fs::write(folder.join(format!("e{n}.end.json")), clean(n).to_string()).expect("record");
        }
    };
    for by_keys in [true, false] {
        let program = Program::with(folder_of, &[]);
        let Some(b) = Browser::start(if by_keys { LAPTOP } else { PHONE }) else {
            return;
        };
        b.open(&program.link);
        b.wait("window.bossmark?.end.view && document.querySelector('#plot svg')");
        let place = |b: &Browser| {
            b.js("window.scrollTo(0, 0); const r = document.getElementById('accept').getBoundingClientRect(); return [r.left, r.top, r.width, r.height]")
        };
        let before = place(&b);
        for n in 1..=7 {
            b.wait(&format!("bossmark.end.view?.id === {n}"));
            settled(&b);
            assert_in_sight(&b, "a clean end");
            assert_eq!(place(&b), before, "end {n}");
            if by_keys {
                b.keys(&[], &["a"]);
            } else {
                b.press(true, "#accept");
            }
            if n < 7 {
                b.wait(&format!("bossmark.end.view?.id === {}", n + 1));
            }
        }
        b.wait("bossmark.queue.ends.every((e) => e.state === 'confirmed')");
        // where a shaft is chosen the toolbar stays too
        b.js("bossmark.end.select(2); return 1");
        b.wait("document.getElementById('keep')");
        assert_eq!(place(&b), before, "with a shaft chosen");
        b.picture(if by_keys {
            "seven-laptop"
        } else {
            "seven-phone"
        });
    }
}

/// A photo of which nothing is known: the questions with pictures, then the answer, in eight taps.
#[test]
fn a_fresh_photo_to_its_answer_in_eight_taps() {
    let program = Program::with(|_| (), &[]);
    let Some(b) = Browser::start(PHONE) else {
        return;
    };
    b.open(&program.link);
    b.wait("document.querySelector('#choose')");
    let input = b.js("return document.getElementById('choose')");
    b.fill_file(&input, &sample("evening/evening-1.jpg"));
    b.wait("document.querySelector('#essentials form')");
    b.wait("document.querySelector('#essentials img').complete");
    b.picture("essentials-phone");
    assert_in_sight(&b, "asking");
    assert_eq!(super::serious(&b), Vec::<String>::new());
    let mut taps = Taps::new(&b, true);
    taps.made = 1; // the photo itself
    for (name, value) in [
        ("face", "wa-80"),
        ("hand", "right"),
        ("distance_m", "30"),
        ("fletched", "3"),
        ("bare", "3"),
    ] {
        taps.press(&format!("#essentials input[name={name}][value='{value}']"));
    }
    taps.press("#essentials-go");
    ready(&b);
    settled(&b);
    assert_in_sight(&b, "measured");
    let answer = b.js("return document.getElementById('answer').innerText");
    let answer = answer.as_str().expect("text");
    assert!(
        answer.contains("→") && !answer.contains("not known"),
        "{answer}"
    );
    assert!(taps.made <= 8, "{} taps", taps.made);
    b.picture("essentials-answer");
    // kept for the folder: the next photo isn't asked about
    let kept: Value =
        serde_json::from_slice(&fs::read(program.folder.join("session.json")).expect("file"))
            .expect("JSON");
    assert_eq!(
        (
            &kept["face"],
            &kept["fletched"],
            &kept["session"]["distance_m"]
        ),
        (&json!("wa-80"), &json!(3), &json!(30.0)),
        "{kept}"
    );
    let input = b.js("return document.getElementById('choose')");
    b.fill_file(&input, &sample("evening/evening-2.jpg"));
    b.wait("bossmark.end.view?.id === 2");
    assert_eq!(
        b.js("return document.getElementById('essentials').hidden"),
        true
    );
    // the photo opens on the group, enlarged, and names keep off the shafts
    ready(&b);
    let large = b
        .js("return bossmark.photo.frame.scale / bossmark.photo.frame.fitting")
        .as_f64()
        .expect("scale");
    assert!(large > 1.4, "{large}");
}

/// A change whose values nobody knows is noted with the value before and after it: the ends before have the one, the photos
/// that follow the other.
#[test]
fn a_change_of_unknown_values_is_noted() {
    let mut record = with_counts(measured().clone(), 3, 3);
    let session = record["session"].as_object_mut().expect("session");
    session.remove("setup");
    for e in record["entries"].as_array_mut().expect("entries") {
        e["state"] = json!("confirmed");
    }
    let program = Program::with(|folder| put(folder, "end", &record), &[]);
    let Some(b) = opened(LAPTOP, &program) else {
        return;
    };
    settled(&b);
    b.wait("document.getElementById('change-what')?.value === 'rest_height_mm'");
    // without a value nothing is noted
    b.press(false, "#change-made");
    b.wait("document.getElementById('change').textContent.includes('Give both values')");
    b.press(false, "#change-after");
    b.write("0.5");
    b.press(false, "#change-made");
    b.wait("document.getElementById('made-said')?.textContent.includes('0 to 0.5')");
    b.wait("document.getElementById('answer-step').textContent.includes('shoot an end with the change')");
    settled(&b);
    let kept: Value =
        serde_json::from_slice(&fs::read(program.folder.join("session.json")).expect("file"))
            .expect("JSON");
    let ends = kept["ends"].as_array().expect("ends");
    assert_eq!(
        ends.last().expect("a change")["setup"]["rest_height_mm"],
        0.5,
        "{kept}"
    );
    assert_eq!(
        program.record("end")["session"]["setup"]["rest_height_mm"],
        0.0
    );
    assert_eq!(b.complaints(), Vec::<String>::new());
}

/// Answer and marks are told from their ground at 7 : 1 (WCAG 2.2, 1.4.6), light and dark.
#[test]
fn answer_and_marks_stand_out() {
    let program = Program::with(
        |folder| put(folder, "end", &with_counts(measured().clone(), 3, 3)),
        &[],
    );
    for dark in [false, true] {
        let Some(b) = opened(Screen { dark, ..LAPTOP }, &program) else {
            return;
        };
        settled(&b);
        let worst = b.js(
            "const light = (c) => { const p = c.match(/[\\d.]+/g).slice(0, 3).map((v) => v / 255).map((v) => (v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)); return 0.2126 * p[0] + 0.7152 * p[1] + 0.0722 * p[2]; };
             const contrast = (a, b) => { const [x, y] = [light(a), light(b)].sort((p, q) => q - p); return (x + 0.05) / (y + 0.05); };
             const style = (e) => getComputedStyle(e);
             const ground = style(document.querySelector('.top')).backgroundColor;
             const text = ['answer-verdict', 'answer-step'].map((id) => contrast(style(document.getElementById(id)).color, ground));
             const marks = [...document.querySelectorAll('.mark .badge')].map((s) => contrast(style(s.firstChild).fill, style(s.querySelector('text')).fill));
             return [Math.min(...text), Math.min(...marks), marks.length]",
        );
        let (text, marks) = (
            worst[0].as_f64().expect("text"),
            worst[1].as_f64().expect("marks"),
        );
        assert!(text >= 7.0 && marks >= 7.0, "{worst}");
        assert!(worst[2].as_u64() > Some(3));
    }
}

/// The keys are shown by "?", work for the whole page, and can be switched off.
#[test]
fn keys_for_everything() {
    let program = Program::with(
        |folder| put(folder, "end", &with_counts(measured().clone(), 3, 3)),
        &[],
    );
    let Some(b) = opened(LAPTOP, &program) else {
        return;
    };
    settled(&b);
    b.keys(&[], &["?"]);
    b.wait("document.getElementById('keys').open");
    assert_eq!(super::serious(&b), Vec::<String>::new());
    b.picture("keys");
    b.keys(&[], &[key::ESCAPE]);
    b.wait("!document.getElementById('keys').open");
    b.tap(false, mark(&b, 1));
    b.wait("bossmark.end.selected === 1");
    let kind = b.js("return bossmark.end.entry.kind");
    let other = if kind == "bare" { "f" } else { "b" };
    b.keys(&[], &[other]);
    b.wait(&format!("bossmark.end.entry.kind !== {kind}"));
    settled(&b);
    b.keys(&[], &["z"]);
    b.wait(&format!(
        "bossmark.end.entries.find((e) => e.id === 1).kind === {kind}"
    ));
    settled(&b);
    b.js("localStorage.setItem('bossmark-no-keys', '1'); bossmark.end.select(1); return 1");
    b.keys(&[], &["u"]);
    std::thread::sleep(std::time::Duration::from_millis(300));
    assert_eq!(
        b.js("return bossmark.end.entries.find((e) => e.id === 1).kind"),
        kind
    );
}

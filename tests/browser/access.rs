//! What shuts people out: axe, sizes of targets, narrow screens, large text, few colours.

use super::webdriver::{Browser, Screen};
use super::{LAPTOP, PHONE, Program, faults, opened, put, settled};
use serde_json::json;

/// axe-core's findings, of every weight.
pub(super) fn serious(b: &Browser) -> Vec<String> {
    b.js(include_str!("../axe/axe.min.js"));
    let found = b.js_later(
        "const done = arguments[0];
         axe.run(document, {resultTypes: ['violations']}).then((r) => done(r.violations.map((v) => v.id + ': ' + v.nodes.map((n) => n.target.join(' ') + ' ' + n.any.map((a) => a.message).join('; ')).join(' | '))), (e) => done(['axe failed: ' + e]));",
    );
    serde_json::from_value(found).expect("a list")
}

#[test]
fn nobody_is_shut_out() {
    let f = faults();
    let program = Program::with(|folder| put(folder, "end", &f.record), &[]);
    for (name, screen) in [
        ("light", LAPTOP),
        ("phone", PHONE),
        (
            "dark",
            Screen {
                dark: true,
                ..LAPTOP
            },
        ),
    ] {
        let Some(b) = opened(screen, &program) else {
            return;
        };
        settled(&b);
        assert_eq!(serious(&b), Vec::<String>::new(), "{name}");
        b.js("document.querySelectorAll('details').forEach((d) => { d.open = true; }); return 1");
        b.press(screen.touch, "#look");
        b.wait("bossmark.end.selected !== null");
        assert_eq!(
            serious(&b),
            Vec::<String>::new(),
            "{name}, with a shaft chosen and everything unfolded"
        );
        if name == "dark" {
            b.js("window.scrollTo(0, 0); return 1");
            b.picture("dark");
        }
        // every control can be hit by a thumb: 44 px, marks too
        let small = b.js(
            "return [...document.querySelectorAll('button, .button, select, input:not([type=radio], [type=checkbox], [type=file]), .choice, summary')]
               .filter((e) => e.offsetParent && !e.closest('[hidden]')).map((e) => [e.id || e.textContent.trim().slice(0, 20), e.getBoundingClientRect()])
               .filter(([, r]) => r.height < 43.9 || r.width < 43.9).map(([n, r]) => `${n} ${r.width}x${r.height}`)",
        );
        assert_eq!(small, json!([]), "{name}");
    }
}

/// WCAG 2.2: 1.4.10 at 320 px, 1.4.4 at 200 % text; and without motion and in forced colours.
#[test]
fn narrow_screens_large_text_and_few_colours_lose_nothing() {
    let f = faults();
    let program = Program::with(|folder| put(folder, "end", &f.record), &[]);
    let Some(b) = opened(
        Screen {
            width: 320,
            height: 640,
            ..PHONE
        },
        &program,
    ) else {
        return;
    };
    let fits = |what: &str| {
        let out = b.js("return [document.documentElement.scrollWidth, innerWidth, [...document.querySelectorAll('main *')].filter((e) => e.offsetParent && e.getBoundingClientRect().right > innerWidth + 1 && !e.closest('#frame, .hidden, dialog')).slice(0, 3).map((e) => e.outerHTML.slice(0, 120))]");
        assert_eq!(out[0], out[1], "{what}: {}", out[2]);
    };
    fits("320 px");
    b.press(true, "#look");
    b.wait("bossmark.end.selected !== null");
    fits("320 px with a shaft chosen");
    b.picture("narrow");
    b.js("document.documentElement.style.fontSize = '200%'; document.querySelectorAll('details').forEach((d) => { d.open = true; }); return 1");
    fits("200 % text at 320 px");
    b.js("window.scrollTo(0, 0); return 1");
    b.picture("large-text");
    b.js("document.documentElement.style.fontSize = ''; return 1");
    b.tool("Emulation.setEmulatedMedia", &json!({"features": [{"name": "forced-colors", "value": "active"}, {"name": "prefers-reduced-motion", "value": "reduce"}]}));
    assert_eq!(b.js("return matchMedia('(forced-colors: active)').matches && matchMedia('(prefers-reduced-motion: reduce)').matches"), true);
    assert_eq!(b.js("return document.getAnimations().length"), 0);
    b.picture("forced-colours");
    let badge = b.js("const s = getComputedStyle(document.querySelector('.badge-bare :first-child')); return [s.stroke, s.strokeWidth]");
    assert_ne!(badge[0], "none");
}

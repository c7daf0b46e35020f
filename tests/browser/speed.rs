//! How fast the page is: figures for a quiet machine, not checks. Run with
//! `cargo test --release --test browser -- --ignored --nocapture speed`.

#![allow(clippy::print_stderr, reason = "figures for a person to read")]

use super::webdriver::Browser;
use super::{LAPTOP, PHONE, Program, measured, put, settled};

/// Numbers that a script gave, sorted.
fn sorted(list: &serde_json::Value) -> Vec<f64> {
    let mut all: Vec<f64> = serde_json::from_value(list.clone()).expect("numbers");
    all.sort_by(f64::total_cmp);
    all
}

fn report(what: &str, all: &[f64]) {
    let at = |share: usize| all[(all.len() * share / 100).min(all.len() - 1)];
    eprintln!(
        "{what}: median {:.1}, 95 % {:.1}, worst {:.1} ms ({} times)",
        at(50),
        at(95),
        at(100),
        all.len()
    );
}

#[test]
#[ignore = "measures: run it alone on a quiet machine"]
fn speed() {
    let load = std::fs::read_to_string("/proc/loadavg").unwrap_or_default();
    eprintln!("load {}", load.trim());
    for (name, screen) in [("laptop", LAPTOP), ("phone", PHONE)] {
        let program = Program::with(|folder| put(folder, "end", measured()), &[]);
        let Some(b) = Browser::start(screen) else {
            return;
        };
        // from the address being opened until photo, marks and reading are there, the photo not decoded yet, then kept
        for state in ["first time", "again"] {
            b.open(&program.link);
            let ms = b.js_later(
                "const done = arguments[0]; const look = () => (window.bossmark?.photo.whole && document.querySelector('.mark') && document.querySelector('#plot svg'))
                   ? done(performance.now()) : setTimeout(look, 5); look();",
            );
            eprintln!("{name}: page usable, {state}: {ms} ms");
        }
        settled(&b);
        let edits = b.js_later(
            "const done = arguments[0]; const took = [];
             const one = (i) => { if (i === 25) { done(took.slice(5)); return; }
               performance.clearMarks('meaning'); const t = performance.now();
               bossmark.end.edit([{do: 'tag', id: 2, kind: i % 2 ? 'bare' : 'fletched'}]);
               const wait = () => { if (performance.getEntriesByName('meaning').length) { took.push(performance.now() - t); setTimeout(() => one(i + 1), 150); } else requestAnimationFrame(wait); };
               wait(); };
             one(0);",
        );
        report(
            &format!("{name}: edit to new reading on screen"),
            &sorted(&edits),
        );
        // 12 million pixels, enlarged so far that parts at full resolution are drawn, moved with every frame
        for scale in [0.3, 1.0] {
            let pans = b.js_later(&format!(
                "const done = arguments[0]; const view = bossmark.photo; view.frame.scale = {scale}; view.frame.centre(2000, 1500); view.redraw();
                 setTimeout(() => {{ const gaps = [], draws = []; let last = 0, i = 0; const draw = view.draw.bind(view);
                   view.draw = (all) => {{ const t = performance.now(); draw(all); draws.push(performance.now() - t); }};
                   const step = (now) => {{ if (last) gaps.push(now - last); last = now; i += 1;
                     if (i > 120) {{ delete view.draw; done([gaps, draws]); return; }}
                     view.pan(i % 80 < 40 ? 14 : -14, i % 40 < 20 ? 9 : -9); requestAnimationFrame(step); }};
                   requestAnimationFrame(step); }}, 1500);"
            ));
            report(
                &format!("{name}: between frames of a pan at scale {scale}"),
                &sorted(&pans[0]),
            );
            report(
                &format!("{name}: drawing a frame at scale {scale}"),
                &sorted(&pans[1]),
            );
        }
    }
}

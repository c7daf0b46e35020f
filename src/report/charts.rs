//! Small drawings beside the face plot: where the offset stands on each axis, and how it moved over the evening.

use super::svg_kit::{Drawing, Embedding, nice_length, num, text_of_mm};
use super::words::{self, Axis};
use super::{FaceLook, RunStory};
use crate::reading::Reading;
use crate::record::{End, EntryKind, Hand};

/// Width of every chart, in its own units: the same as the face plot's, so that text has one size.
const WIDTH: f64 = 480.0;
/// From the middle to either end of a 95 % interval of a normal value, in standard deviations.
const Z_95: f64 = 1.959_963_985;

/// Where the offset stands on both axes, against the tolerance; empty without an offset.
#[must_use]
pub fn gauge(reading: &Reading, id: &str, embedding: Embedding) -> String {
    let Some(o) = reading.offset else {
        return String::new();
    };
    let t = reading.tolerance_mm.unwrap_or(0.0);
    let reach = (o.x_mm.abs() + Z_95 * o.sd_x_mm)
        .max(o.y_mm.abs() + Z_95 * o.sd_y_mm)
        .max(2.2 * t)
        .clamp(1.0, 1e6);
    let mut d = Drawing::new(WIDTH, 158.0, id, embedding);
    d.describe(
        "Where the bare shafts land against the fletched ones",
        &words::offset(reading),
    );
    for (axis, top) in [(Axis::Horizontal, 0.0), (Axis::Vertical, 80.0)] {
        let (value, sd) = match axis {
            Axis::Horizontal => (o.x_mm, o.sd_x_mm),
            Axis::Vertical => (o.y_mm, o.sd_y_mm),
        };
        gauge_row(&mut d, top, axis, reading.hand, [value, sd, t, reach]);
    }
    d.finish()
}

fn gauge_row(
    d: &mut Drawing,
    top: f64,
    axis: Axis,
    hand: Option<Hand>,
    [value, sd, t, reach]: [f64; 4],
) {
    let place = |mm: f64| WIDTH / 2.0 + (mm / reach).clamp(-1.0, 1.0) * (WIDTH / 2.0 - 12.0);
    let (low, high) = words::ends_of_axis(axis, hand);
    d.text(2.0, top + 15.0, low, "bm-text");
    d.text(WIDTH - 2.0, top + 15.0, high, "bm-text bm-end");
    let y = top + 38.0;
    d.rect(1.0, y - 13.0, WIDTH - 2.0, 26.0, "bm-track");
    if t > 0.0 {
        d.rect(place(-t), y - 13.0, place(t) - place(-t), 26.0, "bm-band");
    }
    d.line(place(0.0), y - 13.0, place(0.0), y + 13.0, "bm-zero");
    let (from, to) = (place(value - Z_95 * sd), place(value + Z_95 * sd));
    d.line(from, y, to, y, "bm-err");
    d.line(from, y - 5.0, from, y + 5.0, "bm-err");
    d.line(to, y - 5.0, to, y + 5.0, "bm-err");
    let inside = t > 0.0 && value.abs() <= t;
    d.circle(
        place(value),
        y,
        8.0,
        if inside { "bm-dot-in" } else { "bm-dot" },
    );
    let side = words::side(axis, value);
    let text = format!("{} {side}", text_of_mm(value.abs()));
    let x = place(value).clamp(60.0, WIDTH - 60.0);
    d.text(x, y + 30.0, &text, "bm-bold bm-mid");
}

/// How the offset moved over the runs, on both axes, with 95 % intervals, single ends, and the changes between runs;
/// empty without any offset.
#[must_use]
pub fn timeline(runs: &[RunStory], id: &str, embedding: Embedding) -> String {
    if runs.iter().all(|r| r.reading.offset.is_none()) {
        return String::new();
    }
    let mut d = Drawing::new(WIDTH, 400.0, id, embedding);
    let told: Vec<String> = (1_u32..)
        .zip(runs)
        .map(|(i, r)| format!("Set-up {i}: {}", words::offset(&r.reading)))
        .collect();
    d.describe(
        "Offset of the bare shafts from set-up to set-up",
        &told.join(" "),
    );
    let columns = Columns::of(runs);
    for (axis, top) in [(Axis::Horizontal, 24.0), (Axis::Vertical, 208.0)] {
        panel(&mut d, runs, &columns, axis, top);
    }
    for (i, x) in (1_u32..).zip(&columns.middles) {
        d.text(*x, 388.0, &format!("set-up {i}"), "bm-text bm-mid");
    }
    for (i, x) in (1_u32..).zip(&columns.borders) {
        d.line(*x, 16.0, *x, 372.0, "bm-change");
        d.text(*x, 12.0, &format!("change {i}"), "bm-small bm-mid");
    }
    d.finish()
}

/// Where each run's column stands.
struct Columns {
    middles: Vec<f64>,
    borders: Vec<f64>,
    half: f64,
}

impl Columns {
    fn of(runs: &[RunStory]) -> Self {
        let n = runs.iter().map(|_| 1.0).sum::<f64>();
        let (left, right) = (LEFT, RIGHT);
        let step = (right - left) / f64::max(n, 1.0);
        let at = |part: f64| left + step * part;
        let mut middles = Vec::new();
        let mut borders = Vec::new();
        let mut i = 0.0;
        for _ in runs {
            middles.push(at(i + 0.5));
            i += 1.0;
            borders.push(at(i));
        }
        borders.pop();
        Self {
            middles,
            borders,
            half: step / 2.0,
        }
    }
}

/// Left and right edge of a panel, and its height.
const LEFT: f64 = 96.0;
const RIGHT: f64 = WIDTH - 2.0;
const PANEL: f64 = 160.0;

fn panel(d: &mut Drawing, runs: &[RunStory], columns: &Columns, axis: Axis, top: f64) {
    let reach = reach(runs, axis);
    let place = |mm: f64| top + PANEL / 2.0 - (mm / reach).clamp(-1.0, 1.0) * (PANEL / 2.0 - 4.0);
    d.rect(LEFT, top, RIGHT - LEFT, PANEL, "bm-track");
    for (run, x) in runs.iter().zip(&columns.middles) {
        if let Some(t) = run.reading.tolerance_mm {
            let (w, h) = (2.0 * columns.half, place(-t) - place(t));
            d.rect(x - columns.half, place(t), w, h, "bm-band");
        }
    }
    let step = nice_length(reach * 0.75);
    for mm in [-step, 0.0, step] {
        d.line(LEFT, place(mm), RIGHT, place(mm), "bm-grid");
        let text = match mm {
            0.0 => "0".to_owned(),
            mm => format!("{} {}", text_of_mm(mm.abs()), words::side(axis, mm)),
        };
        d.text(LEFT - 8.0, place(mm) + 4.5, &text, "bm-small bm-end");
    }
    let pick = |o: &crate::reading::Offset| match axis {
        Axis::Horizontal => (o.x_mm, o.sd_x_mm),
        Axis::Vertical => (o.y_mm, o.sd_y_mm),
    };
    let join: Vec<String> = runs
        .iter()
        .zip(&columns.middles)
        .filter_map(|(r, x)| {
            let (v, _) = pick(r.reading.offset.as_ref()?);
            Some(format!("{} {}", num(*x), num(place(v))))
        })
        .collect();
    if join.len() > 1 {
        d.path(&format!("M{}", join.join("L")), "bm-join");
    }
    for (run, x) in runs.iter().zip(&columns.middles) {
        single_ends(d, run, *x, columns.half, axis, place);
        let Some(o) = &run.reading.offset else {
            continue;
        };
        let (v, sd) = pick(o);
        d.line(*x, place(v - Z_95 * sd), *x, place(v + Z_95 * sd), "bm-err");
        let inside = run.reading.tolerance_mm.is_some_and(|t| v.abs() <= t);
        d.circle(
            *x,
            place(v),
            6.5,
            if inside { "bm-dot-in" } else { "bm-dot" },
        );
    }
}

/// The offset of each end by itself, as small hollow dots beside the pooled one.
fn single_ends(
    d: &mut Drawing,
    run: &RunStory,
    x: f64,
    half: f64,
    axis: Axis,
    place: impl Fn(f64) -> f64,
) {
    if run.ends.len() < 2 {
        return;
    }
    let n = run.ends.iter().map(|_| 1.0).sum::<f64>();
    let mut i = 0.0;
    for end in &run.ends {
        i += 1.0;
        let part = i / (n + 1.0) * 2.0 - 1.0;
        // never on the pooled dot itself
        let aside = if part.abs() < 0.2 { 0.3 } else { part };
        let Some([dx, dy]) = offset_of_end(&end.end, run.face.as_ref()) else {
            continue;
        };
        let v = match axis {
            Axis::Horizontal => dx,
            Axis::Vertical => dy,
        };
        d.circle(x + aside * half * 0.8, place(v), 4.0, "bm-one");
    }
}

fn reach(runs: &[RunStory], axis: Axis) -> f64 {
    runs.iter()
        .map(|r| {
            let t = 1.3 * r.reading.tolerance_mm.unwrap_or(0.0);
            let o = r.reading.offset.as_ref().map_or(0.0, |o| match axis {
                Axis::Horizontal => o.x_mm.abs() + Z_95 * o.sd_x_mm,
                Axis::Vertical => o.y_mm.abs() + Z_95 * o.sd_y_mm,
            });
            t.max(o)
        })
        .fold(10.0, f64::max)
        .clamp(1.0, 1e6)
}

/// Middle of the bare minus middle of the fletched shots of one end, mm, each from its spot's centre.
fn offset_of_end(end: &End, face: Option<&FaceLook>) -> Option<[f64; 2]> {
    let middle = |kind: EntryKind| {
        let used: Vec<[f64; 2]> = end
            .entries
            .iter()
            .filter(|e| e.kind == kind && !super::marked::is_unsure(e))
            .map(|e| {
                let c = face.map_or([0.0, 0.0], |f| f.centre_of(e.spot));
                [e.x_mm - c[0], e.y_mm - c[1]]
            })
            .collect();
        let n = used.iter().map(|_| 1.0).sum::<f64>();
        (n > 0.0).then(|| [0, 1].map(|i| used.iter().filter_map(|p| p.get(i)).sum::<f64>() / n))
    };
    let (f, b) = (middle(EntryKind::Fletched)?, middle(EntryKind::Bare)?);
    Some([b[0] - f[0], b[1] - f[1]])
}

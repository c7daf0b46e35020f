//! Small drawings beside the face plot: where the offset stands on each axis, and how it moved over the evening.

use super::face_plot::mark_small;
use super::svg_kit::{Drawing, Embedding, nice_length, num};
use crate::advice::Axis;
use crate::reading::{REFERENCE_DISTANCE_M, Reading};
use crate::record::{ArrowKind, End, SettingChange};
use crate::text::numbers::several;
use crate::text::terms::{changed_levers, ends_of_axis};
use crate::text::{self, Locale};
use crate::timeline::{FaceLook, RunReport, TrendPoint};

/// Width of every chart, in its own units: the same as the face plot's, so that text has one size.
const WIDTH: f64 = 480.0;
/// From the middle to either end of a 95 % interval of a normal value, in standard deviations.
const Z_95: f64 = 1.959_963_985;

/// Where the offset stands on both axes, against the tolerance; empty without an offset.
#[must_use]
pub fn gauge(reading: &Reading, id: &str, embedding: Embedding, locale: Locale) -> String {
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
        &text::offset(reading, locale),
    );
    for (axis, top) in [(Axis::Horizontal, 0.0), (Axis::Vertical, 80.0)] {
        let (value, sd) = match axis {
            Axis::Horizontal => (o.x_mm, o.sd_x_mm),
            Axis::Vertical => (o.y_mm, o.sd_y_mm),
        };
        let label = text::at_side(axis, value, locale);
        gauge_row(
            &mut d,
            top,
            ends_of_axis(axis, reading.hand),
            &label,
            [value, sd, t, reach],
        );
    }
    d.finish()
}

fn gauge_row(
    d: &mut Drawing,
    top: f64,
    (low, high): (&str, &str),
    label: &str,
    [value, sd, t, reach]: [f64; 4],
) {
    let place = |mm: f64| WIDTH / 2.0 + (mm / reach).clamp(-1.0, 1.0) * (WIDTH / 2.0 - 12.0);
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
    let x = place(value).clamp(60.0, WIDTH - 60.0);
    d.text(x, y + 30.0, label, "bm-bold bm-mid");
}

/// How the offset moved over the ends and set-ups, on both axes, with 95 % intervals, the changes between set-ups, and how
/// large the groups were; empty without any offset.
#[must_use]
pub fn timeline(runs: &[RunReport], id: &str, embedding: Embedding, locale: Locale) -> String {
    if runs.iter().all(|r| r.reading.offset.is_none()) {
        return String::new();
    }
    let mut d = Drawing::new(WIDTH, GROUPS_TOP + GROUPS + 28.0, id, embedding);
    let sentences: Vec<String> = runs
        .iter()
        .map(|r| format!("Set-up {}: {}", r.number, text::offset(&r.reading, locale)))
        .collect();
    d.describe(
        "Offset of the bare shafts from end to end and set-up to set-up",
        &sentences.join(" "),
    );
    let columns = Columns::of(runs.len());
    for (axis, top) in [(Axis::Horizontal, TOPS[0]), (Axis::Vertical, TOPS[1])] {
        let dots: Vec<Dot> = runs
            .iter()
            .map(|r| Dot::of(&r.reading, axis, 1.0))
            .collect();
        let place = panel(&mut d, &dots, &columns, (axis, top), locale);
        for (run, x) in runs.iter().zip(&columns.middles) {
            single_ends(&mut d, run, *x, columns.half, axis, &place);
        }
        pooled(&mut d, &dots, &columns, &place);
    }
    let readings: Vec<&Reading> = runs.iter().map(|r| &r.reading).collect();
    group_sizes(&mut d, &readings, &columns, |_| 1.0, locale);
    let labels: Vec<String> = runs
        .iter()
        .map(|r| format!("set-up {}", r.number))
        .collect();
    columns.labels(&mut d, &labels);
    let changed = runs.iter().skip(1).zip(&columns.borders);
    let changed = changed.filter(|(r, _)| !r.changes.is_empty());
    columns.changes(
        &mut d,
        &changed
            .map(|(r, x)| (*x, r.number, r.changes.as_slice()))
            .collect::<Vec<_>>(),
    );
    d.finish()
}

/// How offset and group size moved over the dates; empty with fewer than two points with an offset. At several distances all
/// is scaled to 30 m.
#[must_use]
pub fn trend(points: &[TrendPoint], id: &str, embedding: Embedding, locale: Locale) -> String {
    if points.iter().filter(|p| p.reading.offset.is_some()).count() < 2 {
        return String::new();
    }
    let scale = TrendScale::of(points);
    let mut d = Drawing::new(WIDTH, GROUPS_TOP + GROUPS + 28.0, id, embedding);
    d.describe(
        "Offset and group size over the dates",
        &format!(
            "{} from {} to {}{}.",
            several(points.len(), "point"),
            locale.date(points.first().map_or("an unknown day", day_of)),
            locale.date(points.last().map_or("an unknown day", day_of)),
            scale.words()
        ),
    );
    let columns = Columns::of(points.len());
    for (axis, top) in [(Axis::Horizontal, TOPS[0]), (Axis::Vertical, TOPS[1])] {
        let dots: Vec<Dot> = points
            .iter()
            .map(|p| Dot::of(&p.reading, axis, scale.of_reading(&p.reading)))
            .collect();
        let place = panel(&mut d, &dots, &columns, (axis, top), locale);
        pooled(&mut d, &dots, &columns, &place);
    }
    let readings: Vec<&Reading> = points.iter().map(|p| &p.reading).collect();
    group_sizes(&mut d, &readings, &columns, |r| scale.of_reading(r), locale);
    let mut before = "";
    let labels: Vec<String> = points
        .iter()
        .map(|p| {
            let day = day_of(p);
            let label = if day == before {
                String::new()
            } else {
                locale.date(day)
            };
            before = day;
            label
        })
        .collect();
    columns.labels(&mut d, &labels);
    let changed = points.iter().skip(1).zip(&columns.borders);
    let changed = changed.filter(|(p, _)| !p.changes.is_empty());
    columns.changes(
        &mut d,
        &changed
            .map(|(p, x)| (*x, p.number, p.changes.as_slice()))
            .collect::<Vec<_>>(),
    );
    d.finish()
}

fn day_of(point: &TrendPoint) -> &str {
    point.day.as_deref().unwrap_or("no date")
}

/// By what lengths are multiplied so that distances can be compared.
pub(super) struct TrendScale {
    one_distance: bool,
}

impl TrendScale {
    pub(super) fn of(points: &[TrendPoint]) -> Self {
        let mut all = points.iter().map(|p| p.reading.distance_m);
        let first = all.next().flatten();
        Self {
            one_distance: all.all(|d| d == first),
        }
    }

    pub(super) fn of_reading(&self, reading: &Reading) -> f64 {
        match reading.distance_m {
            Some(m) if !self.one_distance && m > 0.0 => REFERENCE_DISTANCE_M / m,
            _ => 1.0,
        }
    }

    pub(super) const fn words(&self) -> &'static str {
        if self.one_distance {
            ""
        } else {
            ", scaled to 30 m"
        }
    }
}

/// Where each column stands.
struct Columns {
    middles: Vec<f64>,
    borders: Vec<f64>,
    half: f64,
}

impl Columns {
    fn of(columns: usize) -> Self {
        let n = (0..columns).map(|_| 1.0).sum::<f64>();
        let step = (RIGHT - LEFT) / f64::max(n, 1.0);
        let at = |part: f64| LEFT + step * part;
        let mut middles = Vec::new();
        let mut borders = Vec::new();
        let mut i = 0.0;
        for _ in 0..columns {
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

    /// Labels below the columns; those without room are left out.
    fn labels(&self, d: &mut Drawing, labels: &[String]) {
        let mut free = LEFT - 40.0;
        for (x, label) in self.middles.iter().zip(labels) {
            let half = 3.6 * label.chars().map(|_| 1.0).sum::<f64>();
            let x = x.min(RIGHT - half);
            if label.is_empty() || x - half < free {
                continue;
            }
            d.text(x, GROUPS_TOP + GROUPS + 18.0, label, "bm-text bm-mid");
            free = x + half + 8.0;
        }
    }

    /// Lines where something was changed, and above them what it was; where there is no room for that the set-up's number.
    fn changes(&self, d: &mut Drawing, changes: &[(f64, usize, &[SettingChange])]) {
        let half = |label: &str| 3.2 * label.chars().map(|_| 1.0).sum::<f64>();
        let mut free = 0.0;
        for (place, (x, number, changed)) in changes.iter().enumerate() {
            d.line(*x, 16.0, *x, GROUPS_TOP + GROUPS, "bm-change");
            let end = match changes.get(place + 1) {
                Some((next, ..)) => next - half("00") - 6.0,
                None => RIGHT,
            };
            let named = changed_levers(changed);
            let fits = |label: &String| *x - half(label) >= free && *x + half(label) <= end;
            if let Some(label) = [named, number.to_string()].iter().find(|l| fits(l)) {
                d.text(*x, 12.0, label, "bm-small bm-mid");
                free = x + half(label) + 6.0;
            }
        }
    }
}

/// Left and right edge of a panel, and its height.
const LEFT: f64 = 96.0;
const RIGHT: f64 = WIDTH - 2.0;
const PANEL: f64 = 104.0;
/// Where the two panels of the offset begin.
const TOPS: [f64; 2] = [24.0, 138.0];
/// The panel of the group sizes: where it begins, and its height.
const GROUPS_TOP: f64 = 270.0;
const GROUPS: f64 = 64.0;

/// A column's offset on one axis: value, standard deviation and tolerance, mm.
struct Dot {
    value: Option<(f64, f64)>,
    tolerance: Option<f64>,
}

impl Dot {
    fn of(reading: &Reading, axis: Axis, scale: f64) -> Self {
        let value = reading.offset.map(|o| match axis {
            Axis::Horizontal => (scale * o.x_mm, scale * o.sd_x_mm),
            Axis::Vertical => (scale * o.y_mm, scale * o.sd_y_mm),
        });
        Self {
            value,
            tolerance: reading.tolerance_mm.map(|t| scale * t),
        }
    }
}

/// The ground of an offset's panel; returns where a value stands in it.
fn panel(
    d: &mut Drawing,
    dots: &[Dot],
    columns: &Columns,
    (axis, top): (Axis, f64),
    locale: Locale,
) -> impl Fn(f64) -> f64 + use<> {
    let reach = reach(dots);
    let place =
        move |mm: f64| top + PANEL / 2.0 - (mm / reach).clamp(-1.0, 1.0) * (PANEL / 2.0 - 4.0);
    d.rect(LEFT, top, RIGHT - LEFT, PANEL, "bm-track");
    for (dot, x) in dots.iter().zip(&columns.middles) {
        if let Some(t) = dot.tolerance {
            let (w, h) = (2.0 * columns.half, place(-t) - place(t));
            d.rect(x - columns.half, place(t), w, h, "bm-band");
        }
    }
    let step = nice_length(reach * 0.75);
    for mm in [-step, 0.0, step] {
        d.line(LEFT, place(mm), RIGHT, place(mm), "bm-grid");
        let text = match mm {
            0.0 => "0".to_owned(),
            mm => text::at_side(axis, mm, locale),
        };
        d.text(LEFT - 8.0, place(mm) + 4.5, &text, "bm-small bm-end");
    }
    place
}

/// The pooled offsets with their 95 % intervals, joined.
fn pooled(d: &mut Drawing, dots: &[Dot], columns: &Columns, place: impl Fn(f64) -> f64) {
    let join: Vec<String> = dots
        .iter()
        .zip(&columns.middles)
        .filter_map(|(dot, x)| Some(format!("{} {}", num(*x), num(place(dot.value?.0)))))
        .collect();
    if join.len() > 1 {
        d.path(&format!("M{}", join.join("L")), "bm-join");
    }
    let radius = (0.6 * columns.half).clamp(2.0, 6.5);
    for (dot, x) in dots.iter().zip(&columns.middles) {
        let Some((v, sd)) = dot.value else { continue };
        d.line(*x, place(v - Z_95 * sd), *x, place(v + Z_95 * sd), "bm-err");
        let inside = dot.tolerance.is_some_and(|t| v.abs() <= t);
        let class = if inside { "bm-dot-in" } else { "bm-dot" };
        d.circle(*x, place(v), radius, class);
    }
}

/// The offset of each end by itself, as small hollow dots beside the pooled one, with 95 % intervals from the scatter of
/// the set-up's shots.
fn single_ends(
    d: &mut Drawing,
    run: &RunReport,
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
        let Some(one) = offset_of_end(&end.end, run.face.as_ref()) else {
            continue;
        };
        let at = x + aside * half * 0.8;
        let axis_index = match axis {
            Axis::Horizontal => 0,
            Axis::Vertical => 1,
        };
        let v = one.offset.get(axis_index).copied().unwrap_or(0.0);
        if let Some(scatter) = run.reading.scatter {
            let var = |sd: [f64; 2], n: f64| {
                sd.get(axis_index).map_or(0.0, |sd| sd * sd) / f64::max(n, 1.0)
            };
            let sd = (var(scatter.fletched_sd_mm, one.shots[0])
                + var(scatter.bare_sd_mm, one.shots[1]))
            .sqrt();
            d.line(
                at,
                place(v - Z_95 * sd),
                at,
                place(v + Z_95 * sd),
                "bm-one-err",
            );
        }
        d.circle(at, place(v), 4.0, "bm-one");
    }
}

fn reach(dots: &[Dot]) -> f64 {
    dots.iter()
        .map(|dot| {
            let t = 1.3 * dot.tolerance.unwrap_or(0.0);
            let o = dot.value.map_or(0.0, |(v, sd)| v.abs() + Z_95 * sd);
            t.max(o)
        })
        .fold(10.0, f64::max)
        .clamp(1.0, 1e6)
}

/// How large the groups are: mean distance from their own middle, fletched and bare, with 95 % intervals.
fn group_sizes(
    d: &mut Drawing,
    readings: &[&Reading],
    columns: &Columns,
    scale: impl Fn(&Reading) -> f64,
    locale: Locale,
) {
    let sizes: Vec<[Option<(f64, f64)>; 2]> = readings
        .iter()
        .map(|r| {
            let k = scale(r);
            let size = |g: Option<crate::reading::Group>| {
                g.map(|g| (k * g.mean_radius_mm, k * g.mean_radius_error_mm))
            };
            r.groups
                .map_or([None, None], |g| [size(g.fletched), size(g.bare)])
        })
        .collect();
    let most = sizes
        .iter()
        .flatten()
        .flatten()
        .map(|(v, e)| v + Z_95 * e)
        .fold(10.0, f64::max)
        .clamp(1.0, 1e6);
    let low = GROUPS_TOP + GROUPS;
    let place = |mm: f64| low - (mm / most).clamp(0.0, 1.0) * (GROUPS - 6.0);
    d.rect(LEFT, GROUPS_TOP, RIGHT - LEFT, GROUPS, "bm-track");
    let step = nice_length(most * 0.9);
    for mm in [0.0, step] {
        d.line(LEFT, place(mm), RIGHT, place(mm), "bm-grid");
    }
    d.text(
        LEFT - 8.0,
        place(step) + 4.5,
        &locale.length(step, 0),
        "bm-small bm-end",
    );
    d.text(
        LEFT,
        GROUPS_TOP - 8.0,
        "group size: mean radius",
        "bm-small",
    );
    let aside = (0.3 * columns.half).min(12.0);
    for (both, x) in sizes.iter().zip(&columns.middles) {
        for (size, kind, side) in [
            (both[0], ArrowKind::Fletched, -1.0),
            (both[1], ArrowKind::Bare, 1.0),
        ] {
            let Some((v, e)) = size else { continue };
            let x = x + side * aside;
            d.line(x, place(v - Z_95 * e), x, place(v + Z_95 * e), "bm-one-err");
            mark_small(d, x, place(v), kind, (0.35 * columns.half).clamp(2.0, 5.0));
        }
    }
}

/// Middle of the bare minus middle of the fletched shots of one end, mm, each from its spot's centre.
struct OneEnd {
    offset: [f64; 2],
    /// How many fletched and bare shots it is made of.
    shots: [f64; 2],
}

fn offset_of_end(end: &End, face: Option<&FaceLook>) -> Option<OneEnd> {
    let middle = |kind: ArrowKind| {
        let used: Vec<[f64; 2]> = end
            .entries
            .iter()
            .filter(|e| e.kind == kind && e.counts())
            .map(|e| {
                let c = face.map_or([0.0, 0.0], |f| f.centre_of(e.spot));
                [e.x_mm - c[0], e.y_mm - c[1]]
            })
            .collect();
        let n = used.iter().map(|_| 1.0).sum::<f64>();
        (n > 0.0).then(|| {
            (
                [0, 1].map(|i| used.iter().filter_map(|p| p.get(i)).sum::<f64>() / n),
                n,
            )
        })
    };
    let (f, b) = (middle(ArrowKind::Fletched)?, middle(ArrowKind::Bare)?);
    Some(OneEnd {
        offset: [b.0[0] - f.0[0], b.0[1] - f.0[1]],
        shots: [f.1, b.1],
    })
}

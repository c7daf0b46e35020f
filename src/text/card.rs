//! The log card of a bow: its set-up, what each lever does, and its history, on one page.

use super::brief::kind_name;
use super::layout::{heading, paragraph, paragraph_after};
use super::numbers::{capital, number};
use super::settings::settings;
use super::step::headline;
use super::terms::lever_name;
use super::{Locale, at_side, before_change};
use crate::advice::{Advice, Axis, BestSetup, Learned};
use crate::math::rounded;
use crate::record::Setup;
use crate::timeline::TrendPoint;

/// Lines of history on a card.
const HISTORY_LINES: usize = 10;

/// The card, for a terminal or a printer.
#[must_use]
pub fn card(
    label: &str,
    setup: &Setup,
    advice: &Advice,
    levers: &[Learned],
    points: &[TrendPoint],
    locale: Locale,
) -> String {
    let mut out = String::new();
    heading(&mut out, label);
    out.push_str("\nSet-up\n");
    for (name, value) in settings(setup, locale) {
        out.push_str(&format!("  {:<16} {value}\n", capital(name)));
    }
    if let Some(goal) = &setup.goal {
        paragraph_after(&mut out, "  Tuned for        ", goal);
    }
    if !levers.is_empty() {
        out.push_str("\nWhat each lever does on this bow (bare shafts, at 30 m)\n");
        levers.iter().for_each(|l| out.push_str(&lever(l, locale)));
    }
    out.push_str("\nHistory\n");
    let from = points.len().saturating_sub(HISTORY_LINES);
    for point in points.iter().skip(from) {
        out.push_str(&line(point, locale));
    }
    if let Some(best) = &advice.best {
        paragraph(&mut out, 2, &before_change::best(best, locale));
    }
    if let Some(next) = &advice.next {
        let text = format!("{}. {}", kind_name(next.kind), headline(next, locale));
        paragraph_after(&mut out, "\nNow: ", &text);
    }
    out
}

/// Below a history: the set-up nearest to tune, and where the groups have grown.
#[must_use]
pub fn history_summary(best: Option<&BestSetup>, points: &[TrendPoint], locale: Locale) -> String {
    let mut out = String::new();
    if let Some(best) = best {
        out.push('\n');
        paragraph(&mut out, 0, &before_change::best(best, locale));
    }
    if let Some(text) = grown(points, locale) {
        paragraph(&mut out, 0, &text);
    }
    out
}

/// The fletched groups of the newest point against those before it at the same distance, where they are clearly wider.
fn grown(points: &[TrendPoint], locale: Locale) -> Option<String> {
    let size = |p: &TrendPoint| p.reading.groups?.fletched;
    let (last, earlier) = points.split_last()?;
    let now = size(last)?;
    let same = |p: &&TrendPoint| p.reading.distance_m == last.reading.distance_m;
    let least = |a: &f64, b: &f64| a.total_cmp(b);
    let before = earlier
        .iter()
        .filter(same)
        .filter_map(|p| Some((p, size(p)?)))
        .min_by(|a, b| least(&a.1.mean_radius_mm, &b.1.mean_radius_mm))?;
    let (point, then) = before;
    let error = now.mean_radius_error_mm.hypot(then.mean_radius_error_mm);
    let clear = now.mean_radius_mm - then.mean_radius_mm > 2.0 * error;
    clear.then(|| {
        format!(
            "The groups have grown: the fletched lie {} from their middle on average in set-up {}, and {} now.",
            locale.length(then.mean_radius_mm, 0),
            point.number,
            locale.length(now.mean_radius_mm, 0)
        )
    })
}

/// "Plunger, 1 click: 8 mm (usual on such bows)".
fn lever(row: &Learned, locale: Locale) -> String {
    let unit = match row.unit.as_str() {
        "mm" => locale.length(1.0, 0),
        "clicks" => "1 click".to_owned(),
        unit => format!("1 {unit}"),
    };
    let from = match row.from_changes {
        0 => "usual on such bows".to_owned(),
        1 => "learned from 1 change".to_owned(),
        n => format!("learned from {n} changes"),
    };
    let name = format!("{}, {unit}", capital(lever_name(row.change)));
    format!(
        "  {name:<24} {:>8}  ({from})\n",
        locale.length(rounded(row.mm_per_unit, 0), 0)
    )
}

fn line(point: &TrendPoint, locale: Locale) -> String {
    let day = locale.date(point.day.as_deref().unwrap_or("no date"));
    let r = &point.reading;
    let from = r
        .distance_m
        .map_or_else(String::new, |d| format!(" at {} m", number(d, 1)));
    let place = r.offset.as_ref().map_or_else(
        || "no offset".to_owned(),
        |o| {
            format!(
                "bare {}, {}",
                at_side(Axis::Horizontal, o.x_mm, locale),
                at_side(Axis::Vertical, o.y_mm, locale)
            )
        },
    );
    format!("  {day}  set-up {}{from}: {place}\n", point.number)
}

//! Words that several formats share: settings with their units, calls, offsets, dates.

use super::marked::is_unsure;
use crate::math::rounded;
use crate::reading::{Grade, HorizontalCall, MoreShots, Reading, VerticalCall};
use crate::record::{End, Entry, EntryKind, Hand, Setup};

/// An axis of the face.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Axis {
    /// Left and right.
    Horizontal,
    /// Low and high.
    Vertical,
}

/// A number as people write it: `digits` decimals at most, a real minus sign left to the reader's font.
pub(super) fn number(v: f64, digits: i32) -> String {
    if !v.is_finite() {
        return "?".to_owned();
    }
    format!("{}", rounded(v, digits))
}

/// The same with its sign.
pub(super) fn signed(v: f64, digits: i32) -> String {
    let sign = if rounded(v, digits) > 0.0 { "+" } else { "" };
    format!("{sign}{}", number(v, digits))
}

/// "97 %", never a certainty that nobody has.
pub(super) fn percent(p: f64) -> String {
    if p > 0.99 {
        "more than 99 %".to_owned()
    } else if p < 0.01 {
        "less than 1 %".to_owned()
    } else {
        format!("{} %", rounded(100.0 * p, 0))
    }
}

/// To which side a value on this axis lies.
pub(super) fn side(axis: Axis, v: f64) -> &'static str {
    match (axis, v < 0.0) {
        (Axis::Horizontal, true) => "left",
        (Axis::Horizontal, false) => "right",
        (Axis::Vertical, true) => "low",
        (Axis::Vertical, false) => "high",
    }
}

/// What bare shafts at the lower and the upper end of an axis mean.
pub(super) const fn ends_of_axis(axis: Axis, hand: Option<Hand>) -> (&'static str, &'static str) {
    match (axis, hand) {
        (Axis::Horizontal, Some(Hand::Right)) => ("bare left: stiff", "bare right: weak"),
        (Axis::Horizontal, Some(Hand::Left)) => ("bare left: weak", "bare right: stiff"),
        (Axis::Horizontal, None) => ("bare left", "bare right"),
        (Axis::Vertical, _) => (
            "bare low: nocking point high",
            "bare high: nocking point low",
        ),
    }
}

/// Where the bare shafts land, in a sentence.
pub(super) fn offset(reading: &Reading) -> String {
    let Some(o) = reading.offset else {
        return "No offset could be read.".to_owned();
    };
    format!(
        "Against the fletched shafts the bare ones land {} mm {} (\u{b1} {}) and {} mm {} (\u{b1} {}).",
        number(o.x_mm.abs(), 0),
        side(Axis::Horizontal, o.x_mm),
        number(o.sd_x_mm, 0),
        number(o.y_mm.abs(), 0),
        side(Axis::Vertical, o.y_mm),
        number(o.sd_y_mm, 0),
    )
}

/// The one line that says which way the bow is out.
pub(super) fn verdict(reading: &Reading) -> String {
    use HorizontalCall as H;
    use VerticalCall as V;
    if reading.failure.is_some() || reading.offset.is_none() {
        return "No reading yet".to_owned();
    }
    if reading.cautions.iter().any(|c| c.code == "no-distance") {
        return "Tell the distance: without it nothing is called".to_owned();
    }
    if reading.in_tune {
        return "In tune".to_owned();
    }
    // as firm as the probability of lying beyond the tolerance
    let verb = |p: Option<f64>, firm: &str, open: &str| match Grade::of(p.unwrap_or(0.0)) {
        Grade::Firm => firm.to_owned(),
        Grade::Probable => format!("probably {firm}"),
        Grade::Possible => format!("may {open}"),
    };
    let nock = |p, way: &str| format!("the nocking point {} too {way}", verb(p, "is", "be"));
    let nock = match reading.vertical.call {
        V::NockHigh => Some(nock(reading.vertical.p_high, "high")),
        V::NockLow => Some(nock(reading.vertical.p_low, "low")),
        V::Neutral | V::Undecided => None,
    };
    let arrow = |p, way: &str| format!("the arrow {} too {way}", verb(p, "acts", "act"));
    let arrow = match reading.horizontal.call {
        H::Weak => Some(arrow(reading.horizontal.p_weak, "weak")),
        H::Stiff => Some(arrow(reading.horizontal.p_stiff, "stiff")),
        H::Neutral | H::Undecided => None,
    };
    let line = match (arrow, nock) {
        (Some(a), Some(n)) => format!("{a}, and {n}"),
        (Some(a), None) => match reading.vertical.call {
            V::Neutral => format!("{a}; the height is fine"),
            _ => format!("{a}; the height isn\u{2019}t decided yet"),
        },
        (None, Some(n)) => match reading.horizontal.call {
            H::Neutral => format!("{n}; left and right are fine"),
            _ => format!("{n}; left and right aren\u{2019}t decided yet"),
        },
        (None, None) => match (reading.horizontal.call, reading.vertical.call) {
            (H::Neutral, V::Neutral) => "in tune as far as these shots can show".to_owned(),
            (H::Neutral, _) => {
                "left and right are fine; the height isn\u{2019}t decided yet".to_owned()
            }
            (_, V::Neutral) => {
                "the height is fine; left and right aren\u{2019}t decided yet".to_owned()
            }
            _ => "not decided yet: more shots are needed".to_owned(),
        },
    };
    capital(&line)
}

/// The plain means, where the offset that is read differs from them, and why it does.
pub(super) fn plain_means(reading: &Reading) -> Option<String> {
    let (offset, [x, y]) = (reading.offset?, reading.plain_mm?);
    let (dx, dy) = (offset.x_mm - x, offset.y_mm - y);
    if dx.abs().max(dy.abs()) < PULL_SAID_MM {
        return None;
    }
    let part = |by: f64, negative: &str, positive: &str| {
        (by.abs() >= PULL_SAID_MM).then(|| {
            format!(
                "{} mm {}",
                number(by.abs(), 0),
                if by < 0.0 { negative } else { positive }
            )
        })
    };
    let pulled: Vec<String> = [
        part(dx, "to the left", "to the right"),
        part(dy, "down", "up"),
    ]
    .into_iter()
    .flatten()
    .collect();
    Some(format!(
        "{} mm {} and {} mm {}. What is read lies {} of that: few shots are weighed against how far bows usually are out, and shots \
         that may be bad count for less. The more is shot, the less it differs",
        number(x.abs(), 0),
        side(Axis::Horizontal, x),
        number(y.abs(), 0),
        side(Axis::Vertical, y),
        pulled.join(" and "),
    ))
}

/// A smaller difference between the offset read and the plain means isn't worth a word, mm.
const PULL_SAID_MM: f64 = 4.0;

/// With a capital first letter.
pub(super) fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| {
        c.to_uppercase().collect::<String>() + chars.as_str()
    })
}

/// How sure the call on each axis is: (axis, call, probability of that call).
pub(super) fn calls(reading: &Reading) -> [(&'static str, String, Option<f64>); 2] {
    let (h, v) = (&reading.horizontal, &reading.vertical);
    let horizontal = match h.call {
        HorizontalCall::Weak => ("arrow too weak", h.p_weak),
        HorizontalCall::Stiff => ("arrow too stiff", h.p_stiff),
        HorizontalCall::Neutral => ("within your tolerance", h.p_neutral),
        HorizontalCall::Undecided => ("not decided", None),
    };
    let vertical = match v.call {
        VerticalCall::NockHigh => ("nocking point too high", v.p_high),
        VerticalCall::NockLow => ("nocking point too low", v.p_low),
        VerticalCall::Neutral => ("within your tolerance", v.p_neutral),
        VerticalCall::Undecided => ("not decided", None),
    };
    [
        ("Left and right", horizontal.0.to_owned(), horizontal.1),
        ("Low and high", vertical.0.to_owned(), vertical.1),
    ]
}

/// What more shooting would bring.
pub(super) fn more_shots(more: &MoreShots) -> String {
    let text = match more.pairs {
        Some(n) => format!("{n} more of each kind: {}", more.why),
        None => more.why.clone(),
    };
    let stop = if text.ends_with(['.', '!']) { "" } else { "." };
    format!("{}{stop}", capital(text.trim()))
}

/// The name of a set-up field and its unit, as people say it.
pub(super) fn setting(field: &str) -> (&str, &str) {
    match field {
        "draw_weight_lb" => ("draw weight", "lb"),
        "bolt_turns_out" => ("limb bolts", "turns out"),
        "shafts" => ("shafts", ""),
        "shaft_spine" => ("spine", ""),
        "shaft_gr_per_in" => ("tube weight", "gr/in"),
        "shaft_diameter_mm" => ("tube diameter", "mm"),
        "shaft_length_mm" => ("shaft length", "mm"),
        "point_gr" => ("point", "gr"),
        "rear_gr" => ("rear, fletched", "gr"),
        "bare_rear_gr" => ("rear, bare", "gr"),
        "plunger_clicks" => ("plunger", "clicks"),
        "nocking_point_mm" => ("nocking point", "mm"),
        "rest_height_mm" => ("rest height", "mm"),
        "brace_height_mm" => ("brace height", "mm"),
        "draw_length_mm" => ("draw length", "mm"),
        other => (other, ""),
    }
}

/// The known settings of a set-up as (name, value with unit), in the order in which a bow is set.
pub(super) fn settings(setup: &Setup) -> Vec<(&'static str, String)> {
    let fields: [(&'static str, Option<f64>); 14] = [
        ("draw_weight_lb", setup.draw_weight_lb),
        ("bolt_turns_out", setup.bolt_turns_out),
        ("nocking_point_mm", setup.nocking_point_mm),
        ("rest_height_mm", setup.rest_height_mm),
        ("plunger_clicks", setup.plunger_clicks),
        ("brace_height_mm", setup.brace_height_mm),
        ("draw_length_mm", setup.draw_length_mm),
        ("shaft_spine", setup.shaft_spine),
        ("shaft_length_mm", setup.shaft_length_mm),
        ("point_gr", setup.point_gr),
        ("shaft_gr_per_in", setup.shaft_gr_per_in),
        ("shaft_diameter_mm", setup.shaft_diameter_mm),
        ("rear_gr", setup.rear_gr),
        ("bare_rear_gr", setup.bare_rear_gr),
    ];
    let mut out: Vec<(&'static str, String)> = Vec::new();
    if let Some(shafts) = &setup.shafts {
        out.push(("shafts", shafts.clone()));
    }
    for (field, value) in fields {
        if let Some(v) = value {
            let (name, unit) = setting(field);
            let value = number(v, 3);
            // one turn, one click; the other units have no plural
            let unit = match (unit, value.as_str()) {
                ("turns out", "1") => "turn out",
                ("clicks", "1" | "-1") => "click",
                (unit, _) => unit,
            };
            out.push((name, format!("{value} {unit}").trim_end().to_owned()));
        }
    }
    out
}

/// The day of an end as its record has it, `YYYY-MM-DD`.
pub(super) fn day(end: &End) -> Option<&str> {
    let photo = end.photo.as_ref();
    let date = end
        .session
        .date
        .as_deref()
        .or(photo.and_then(|p| p.taken.as_deref()))
        .or(photo.and_then(|p| p.taken_local.as_deref()))?;
    date.get(..10)
}

/// "3 fletched, 3 bare, 1 of unknown kind": those that count, unsure ones left out.
pub(super) fn counts(end: &End) -> String {
    let count = |kind| {
        let counted = |e: &&Entry| e.kind == kind && !is_unsure(e);
        end.entries.iter().filter(counted).count()
    };
    let mut out = format!(
        "{} fletched, {} bare",
        count(EntryKind::Fletched),
        count(EntryKind::Bare)
    );
    let unknown = count(EntryKind::Unknown);
    if unknown > 0 {
        out.push_str(&format!(", {unknown} of unknown kind"));
    }
    if !end.missed.is_empty() {
        out.push_str(&format!(", {} missed the boss", end.missed.len()));
    }
    out
}

/// How large a group is, in words.
pub(super) fn group_size(group: &crate::reading::Group) -> String {
    format!(
        "{} mm between the farthest two of an end, mean radius {} mm (\u{b1}\u{a0}{})",
        number(group.extreme_spread_mm, 0),
        number(group.mean_radius_mm, 0),
        number(group.mean_radius_error_mm, 0),
    )
}

/// "1 end", "2 ends".
pub(super) fn several(n: usize, one: &str) -> String {
    let s = if n == 1 { "" } else { "s" };
    format!("{n} {one}{s}")
}

/// "ends 1 to 3": the numbers of ends where the records have them, else how many.
pub(super) fn end_numbers(ends: &[&End]) -> String {
    let numbers: Option<Vec<u64>> = ends.iter().map(|e| e.session.end).collect();
    match numbers.as_deref() {
        Some([one]) => format!("end {one}"),
        Some([first, last]) => format!("ends {first} and {last}"),
        Some([first, .., last]) => format!("ends {first} to {last}"),
        _ => several(ends.len(), "end"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn reading(weak: f64, read_mm: f64, plain_mm: f64) -> Reading {
        let mut r = serde_json::to_value(crate::reading::read(&[])).expect("JSON");
        r["failure"] = json!(null);
        r["cautions"] = json!([]);
        r["offset"] = json!({"x_mm": read_mm, "y_mm": 1.0, "sd_x_mm": 20.0, "sd_y_mm": 20.0, "cov_mm2": [[400.0, 0.0], [0.0, 400.0]]});
        r["plain_mm"] = json!([plain_mm, 2.0]);
        r["horizontal"] =
            json!({"call": "weak", "p_weak": weak, "p_stiff": 0.0, "p_neutral": 1.0 - weak});
        r["vertical"] = json!({"call": "neutral", "p_high": 0.0, "p_low": 0.0, "p_neutral": 1.0});
        serde_json::from_value(r).expect("a reading")
    }

    /// A headline is as firm as its probability.
    #[test]
    fn a_headline_is_graded() {
        for (p, words) in [
            (0.96, "The arrow acts too weak; the height is fine"),
            (0.8, "The arrow probably acts too weak; the height is fine"),
            (0.55, "The arrow may act too weak; the height is fine"),
        ] {
            assert_eq!(verdict(&reading(p, 80.0, 80.0)), words);
        }
    }

    /// More shots don't help where it is the distance that nobody told.
    #[test]
    fn a_headline_asks_for_what_is_missing() {
        let mut undecided = reading(0.1, 80.0, 80.0);
        undecided.horizontal.call = HorizontalCall::Undecided;
        undecided.vertical.call = VerticalCall::Undecided;
        assert!(verdict(&undecided).contains("more shots"));
        undecided.cautions = vec![crate::record::Note::new("no-distance", "")];
        assert!(verdict(&undecided).starts_with("Tell the distance"));
    }

    /// What is read and what the eye sees: the difference is told with its reason, where there is one.
    #[test]
    fn plain_means_are_told_where_they_differ() {
        assert_eq!(plain_means(&reading(0.9, 80.0, 83.0)), None);
        let told = plain_means(&reading(0.9, 73.0, 82.0)).expect("a difference");
        assert!(
            told.starts_with(
                "82 mm right and 2 mm high. What is read lies 9 mm to the left of that: few shots"
            ),
            "{told}"
        );
    }
}

//! The reading in words: one or two sentences, and what stands beside them.

use super::answer::landing;
use super::numbers::{capital, chance, maybe, number, several};
use super::terms::FaceSide;
use super::{Locale, Sentence};
use crate::advice::Axis;
use crate::reading::{
    Group, HorizontalCall, MoreShots, MoreShotsReason, Offset, Reading, TwoMoreEnds, VerticalCall,
};

/// Which way, how far, how sure, and what it means: one sentence on what was seen, one on what it says.
#[must_use]
pub fn sentence(reading: &Reading, locale: Locale) -> String {
    if let Some(failure) = &reading.failure {
        return failure.text(locale);
    }
    let Some(offset) = &reading.offset else {
        return "There is nothing to read yet.".to_owned();
    };
    format!(
        "{} {}",
        seen(offset, reading.distance_m, locale),
        meaning(reading, locale)
    )
}

/// The same with ranges instead of standard deviations, as a report says it.
pub(crate) fn sentence_with_ranges(reading: &Reading, locale: Locale) -> String {
    landing(reading, locale).map_or_else(
        || sentence(reading, locale),
        |words| format!("{words} {}", meaning(reading, locale)),
    )
}

/// "On average the bare shafts hit 61 mm right of and 18 mm below the fletched ones at 30 m (± 11, ± 9)."
fn seen(offset: &Offset, distance_m: Option<f64>, locale: Locale) -> String {
    let (x, y) = (offset.x_mm.round(), offset.y_mm.round());
    let right = FaceSide::of(Axis::Horizontal, x).name();
    let above = if y > 0.0 { "above" } else { "below" };
    let level = |value: f64| value.abs() < 0.5;
    let (x_mm, y_mm) = (locale.length(x.abs(), 0), locale.length(y.abs(), 0));
    let place = match (level(x), level(y)) {
        (false, false) => format!("{x_mm} {right} of and {y_mm} {above} the fletched ones"),
        (false, true) => format!("{x_mm} {right} of the fletched ones, at their height"),
        (true, false) => format!("{y_mm} straight {above} the fletched ones"),
        (true, true) => "where the fletched ones hit".to_owned(),
    };
    let distance = distance_m.map_or(String::new(), |distance| format!(" at {distance} m"));
    format!(
        "On average the bare shafts hit {place}{distance} (\u{b1} {}, \u{b1} {}).",
        locale.length_without_unit(offset.sd_x_mm.round_ties_even(), 0),
        locale.length_without_unit(offset.sd_y_mm.round_ties_even(), 0)
    )
}

fn meaning(reading: &Reading, locale: Locale) -> String {
    let Some(tolerance) = reading
        .tolerance_mm
        .map(|mm| locale.length(mm.round_ties_even(), 0))
    else {
        return "Give the distance to know what that means.".to_owned();
    };
    if reading.in_tune {
        return format!(
            "That is in tune: both left–right and height are within your tolerance of {tolerance}."
        );
    }
    let both_neutral = reading.horizontal.call == HorizontalCall::Neutral
        && reading.vertical.call == VerticalCall::Neutral;
    if both_neutral {
        // in tune needs 30 m and both axes together
        return if reading
            .cautions
            .iter()
            .any(|note| note.code == "short-distance")
            || reading.more_shots.is_none()
        {
            format!(
                "Left–right and height are each within your tolerance of {tolerance}, as far as this distance can show."
            )
        } else {
            format!(
                "Left–right and height are each within your tolerance of {tolerance}, but it isn't yet sure of both \
                 together."
            )
        };
    }
    let (across, upright) = (
        horizontal(reading, &tolerance),
        vertical(reading, &tolerance),
    );
    format!("{across}; {upright}.")
}

fn horizontal(reading: &Reading, tolerance: &str) -> String {
    let h = &reading.horizontal;
    let (Some(weak), Some(stiff), Some(neutral)) = (h.p_weak, h.p_stiff, h.p_neutral) else {
        return "Give the drawing hand to know what left and right mean".to_owned();
    };
    match h.call {
        HorizontalCall::Weak => format!(
            "That {} weak ({})",
            Grade::of(weak).reads(),
            out(weak, tolerance)
        ),
        HorizontalCall::Stiff => format!(
            "That {} stiff ({})",
            Grade::of(stiff).reads(),
            out(stiff, tolerance)
        ),
        HorizontalCall::Neutral => format!(
            "Left and right are fine ({} sure it is {tolerance} or less)",
            chance(neutral)
        ),
        HorizontalCall::Undecided => format!(
            "Left and right aren't decided yet: {}",
            maybe([
                (Some(neutral), "fine"),
                (Some(weak), "weak"),
                (Some(stiff), "stiff")
            ])
        ),
    }
}

fn vertical(reading: &Reading, tolerance: &str) -> String {
    let v = &reading.vertical;
    let (Some(high), Some(low), Some(neutral)) = (v.p_nock_high, v.p_nock_low, v.p_neutral) else {
        return "the height isn't read".to_owned();
    };
    match v.call {
        VerticalCall::NockLow => format!(
            "the nocking point {} too low ({})",
            Grade::of(low).reads(),
            out(low, tolerance)
        ),
        VerticalCall::NockHigh => format!(
            "the nocking point {} too high ({})",
            Grade::of(high).reads(),
            out(high, tolerance)
        ),
        VerticalCall::Neutral => {
            format!("the height is fine ({} sure)", chance(neutral))
        }
        VerticalCall::Undecided => format!(
            "the height isn't decided yet: {}",
            maybe([
                (Some(neutral), "fine"),
                (Some(low), "nocking point too low"),
                (Some(high), "nocking point too high"),
            ])
        ),
    }
}

/// How firmly a side is said. A side is called by its odds against the other side; that it lies beyond the tolerance can then
/// still be little more likely than not.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Grade {
    /// As good as sure.
    Firm,
    /// Three times in four or more.
    Probable,
    /// Likelier than not.
    Possible,
}

impl Grade {
    /// By the probability of lying beyond the tolerance on that side.
    fn of(probability: f64) -> Self {
        match probability {
            p if p >= 0.9 => Self::Firm,
            p if p >= 0.75 => Self::Probable,
            _ => Self::Possible,
        }
    }

    const fn reads(self) -> &'static str {
        match self {
            Self::Firm => "reads",
            Self::Probable => "probably reads",
            Self::Possible => "perhaps reads",
        }
    }
}

/// "97 % sure it is more than 50 mm out".
fn out(probability: f64, tolerance: &str) -> String {
    format!(
        "{} sure it is more than {tolerance} out",
        chance(probability)
    )
}

/// Where the bare shafts land, in a sentence.
pub(crate) fn offset(reading: &Reading, locale: Locale) -> String {
    landing(reading, locale).unwrap_or_else(|| "No offset could be read.".to_owned())
}

/// "61 mm right".
pub(crate) fn at_side(axis: Axis, mm: f64, locale: Locale) -> String {
    let side = FaceSide::of(axis, mm).name();
    format!("{} {side}", locale.length(mm.abs(), 0))
}

/// The one line that says which way the bow is out.
pub(crate) fn verdict(reading: &Reading) -> String {
    use HorizontalCall as H;
    use VerticalCall as V;
    if reading.failure.is_some() || reading.offset.is_none() {
        return "No reading yet".to_owned();
    }
    if reading.cautions.iter().any(|c| c.code == "no-distance") {
        return "Give the distance: without it nothing is called".to_owned();
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
        V::NockHigh => Some(nock(reading.vertical.p_nock_high, "high")),
        V::NockLow => Some(nock(reading.vertical.p_nock_low, "low")),
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
pub(crate) fn plain_means(reading: &Reading, locale: Locale) -> Option<String> {
    let (offset, [x, y]) = (reading.offset?, reading.plain_mm?);
    let (dx, dy) = (offset.x_mm - x, offset.y_mm - y);
    if dx.abs().max(dy.abs()) < MIN_MEANS_DIFFERENCE_MM {
        return None;
    }
    let part = |axis, by: f64| {
        (by.abs() >= MIN_MEANS_DIFFERENCE_MM).then(|| {
            format!(
                "{} {}",
                locale.length(by.abs(), 0),
                FaceSide::of(axis, by).towards()
            )
        })
    };
    let pulled: Vec<String> = [part(Axis::Horizontal, dx), part(Axis::Vertical, dy)]
        .into_iter()
        .flatten()
        .collect();
    Some(format!(
        "{} and {}. What is read lies {} of that: with few shots it also counts how far bows usually are out, and shots \
         that may be bad count for less. The more is shot, the less it differs",
        at_side(Axis::Horizontal, x, locale),
        at_side(Axis::Vertical, y, locale),
        pulled.join(" and "),
    ))
}

/// Least difference between the offset read and the difference of the means that is mentioned, mm.
const MIN_MEANS_DIFFERENCE_MM: f64 = 4.0;

/// How sure the call on each axis is: (axis, call, probability of that call).
pub(crate) fn calls(reading: &Reading) -> [(&'static str, String, Option<f64>); 2] {
    let (h, v) = (&reading.horizontal, &reading.vertical);
    let horizontal = match h.call {
        HorizontalCall::Weak => ("arrow too weak", h.p_weak),
        HorizontalCall::Stiff => ("arrow too stiff", h.p_stiff),
        HorizontalCall::Neutral => ("within your tolerance", h.p_neutral),
        HorizontalCall::Undecided => ("not decided", None),
    };
    let vertical = match v.call {
        VerticalCall::NockHigh => ("nocking point too high", v.p_nock_high),
        VerticalCall::NockLow => ("nocking point too low", v.p_nock_low),
        VerticalCall::Neutral => ("within your tolerance", v.p_neutral),
        VerticalCall::Undecided => ("not decided", None),
    };
    [
        ("Left and right", horizontal.0.to_owned(), horizontal.1),
        ("Low and high", vertical.0.to_owned(), vertical.1),
    ]
}

/// What more shooting would bring.
pub(crate) fn more_shots(more: &MoreShots, locale: Locale) -> String {
    let why = more.why.text(locale);
    let text = match more.pairs {
        Some(n) => format!("{n} more of each kind: {why}"),
        None => why,
    };
    let stop = if text.ends_with(['.', '!']) { "" } else { "." };
    format!("{}{stop}", capital(text.trim()))
}

/// What the axes are called in an outlook.
const AXES: [&str; 2] = ["left and right", "the height"];
/// Least probability that is called "probably".
const MIN_PROBABLE: f64 = 0.55;
/// Largest probability that is called "hardly".
const MAX_IMPROBABLE: f64 = 0.3;

impl Sentence for MoreShotsReason {
    fn text(&self, locale: Locale) -> String {
        match self {
            Self::Pairs { open, ahead } => {
                let what: Vec<&str> = open.iter().map(|&axis| AXES[axis]).collect();
                format!(
                    "with so many {} would be decided four times in five even if the offset is just what it looks like now; {}",
                    what.join(" and "),
                    two_more_ends(ahead)
                )
            }
            Self::TooWide {
                axis,
                scatter_mm,
                enough_mm,
            } => format!(
                "{} won't be decided by shooting more tonight: the groups are wider than the tune error that is left. Two fletched shots in three now lie \
                 within {} of the middle, within about {} would do",
                AXES[*axis],
                locale.length(*scatter_mm, 0),
                locale.length(*enough_mm, 0)
            ),
            Self::Close { axis, ahead } => format!(
                "if the offset is just what it looks like now, {} {} too close to the limit of the tolerance to be decided by shooting; {}",
                AXES[*axis],
                ["lie", "lies"][*axis],
                two_more_ends(ahead)
            ),
            Self::BothInside { in_reach } => format!(
                "each axis is inside the tolerance; {}",
                if *in_reach {
                    "so many more of each kind would probably show it for both together"
                } else {
                    "the groups are too wide to show it for both together"
                }
            ),
            Self::Written(text) => text.clone(),
        }
    }
}

/// "two more ends like these, 6 of each kind, would probably settle left and right (64 %; if so, more likely as beyond the tolerance)".
fn two_more_ends(ahead: &TwoMoreEnds) -> String {
    let parts = ahead.axes.iter().map(|&(axis, chance, beyond)| {
        let how = match chance {
            chance if chance > MIN_PROBABLE => "would probably settle",
            chance if chance > MAX_IMPROBABLE => "may or may not settle",
            _ => "would hardly settle",
        };
        format!(
            "{how} {} ({}; if so, more likely as {} the tolerance)",
            AXES[axis],
            super::numbers::percent(chance),
            if beyond { "beyond" } else { "within" }
        )
    });
    format!(
        "two more ends like these, {} of each kind, {}",
        number(ahead.pairs, 0),
        parts.collect::<Vec<_>>().join(" and ")
    )
}

/// How large a group is, in words.
pub(crate) fn group_size(group: &Group, locale: Locale) -> String {
    format!(
        "{} between the farthest two of an end, mean radius {} (likely {})",
        locale.length(group.extreme_spread_mm, 0),
        locale.length(group.mean_radius_mm, 0),
        locale.range(
            group.mean_radius_mm - group.mean_radius_error_mm,
            group.mean_radius_mm + group.mean_radius_error_mm
        ),
    )
}

/// "3 fletched and 3 bare shots in 1 end at 30 m".
pub(super) fn shots(r: &Reading) -> String {
    let distance = r
        .distance_m
        .map_or_else(String::new, |d| format!(" at {} m", number(d, 1)));
    let ends = several(usize::try_from(r.ends).unwrap_or(0), "end");
    format!(
        "{} fletched and {} bare shots in {ends}{distance}",
        r.fletched, r.bare
    )
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

    /// More shots don't help where it is the distance that nobody stated.
    #[test]
    fn a_headline_asks_for_what_is_missing() {
        let mut undecided = reading(0.1, 80.0, 80.0);
        undecided.horizontal.call = HorizontalCall::Undecided;
        undecided.vertical.call = VerticalCall::Undecided;
        assert!(verdict(&undecided).contains("more shots"));
        undecided.cautions = vec![crate::reading::Caution::new("no-distance", "")];
        assert!(verdict(&undecided).starts_with("Give the distance"));
    }

    /// What is read and what the eye sees: the difference is stated with its reason, where there is one.
    #[test]
    fn plain_means_are_told_where_they_differ() {
        assert_eq!(
            plain_means(&reading(0.9, 80.0, 83.0), Locale::default()),
            None
        );
        let said = plain_means(&reading(0.9, 73.0, 82.0), Locale::default()).expect("a difference");
        assert!(
            said.starts_with(
                "82 mm right and 2 mm high. What is read lies 9 mm to the left of that: with few shots"
            ),
            "{said}"
        );
    }
}

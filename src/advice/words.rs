//! The advice in plain words.

use super::knowledge::{Axis, Knowledge};
use super::situation::{AxisState, Situation};
use super::slopes::lb_per_quarter_turn;
use super::{Change, Step};
use crate::math::round_i64;
use crate::record::Hand;

/// Eighths of an inch in a millimetre.
const EIGHTHS_PER_MM: f64 = 8.0 / 25.4;

/// Name of a change, as in the advice's JSON and in `keep`.
pub(super) const fn name(change: Change) -> &'static str {
    match change {
        Change::DrawWeight => "draw-weight",
        Change::ShaftLength => "shaft-length",
        Change::PointWeight => "point-weight",
        Change::RearWeight => "rear-weight",
        Change::Plunger => "plunger",
        Change::NockingPoint => "nocking-point",
        Change::RestHeight => "rest-height",
        Change::ShaftSpine => "shaft-spine",
        Change::ShootMore => "shoot-more",
        Change::Verify => "verify",
        Change::None => "none",
    }
}

/// A number with at most this many decimals and no trailing zeros.
pub(super) fn number(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    let text = if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    };
    if text == "-0" { "0".to_owned() } else { text }
}

/// Small counts as words.
pub(super) fn count(n: i64) -> String {
    const WORDS: [&str; 13] = [
        "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
        "eleven", "twelve",
    ];
    usize::try_from(n)
        .ok()
        .and_then(|i| WORDS.get(i))
        .map_or_else(|| n.to_string(), |word| (*word).to_owned())
}

/// A number of ends, rounded, in words.
pub(super) fn ends(n: f64) -> String {
    let n = round_i64(n).max(1);
    format!("{} {}", count(n), if n == 1 { "end" } else { "ends" })
}

/// Quarter turns as turns: "half a turn", "one and a quarter turns".
pub(super) fn turns(quarters: i64) -> String {
    let (whole, rest) = (quarters.abs() / 4, quarters.abs() % 4);
    let part = ["", "a quarter", "a half", "three quarters"][usize::try_from(rest).unwrap_or(0)];
    match (whole, rest) {
        (0, 1) => "a quarter turn".to_owned(),
        (0, 2) => "half a turn".to_owned(),
        (0, _) => format!("{part} of a turn"),
        (1, 0) => "one turn".to_owned(),
        (n, 0) => format!("{} turns", count(n)),
        (n, _) => format!("{} and {part} turns", count(n)),
    }
}

/// A length of shaft with its eighths of an inch, where it is whole ones: "6.4 mm (1/4 in)".
fn cut_length(mm: f64) -> String {
    let eighths = mm.abs() * EIGHTHS_PER_MM;
    let length = format!("{} mm", number(mm.abs(), 1));
    if (eighths - eighths.round()).abs() > 0.01 || eighths > 40.0 {
        return length;
    }
    let n = round_i64(eighths);
    let inches = match (n / 8, n % 8) {
        (whole, 0) => format!("{whole}"),
        (whole, part) => {
            let fraction = match part {
                4 => "1/2".to_owned(),
                2 | 6 => format!("{}/4", part / 2),
                _ => format!("{part}/8"),
            };
            if whole == 0 {
                fraction
            } else {
                format!("{whole} {fraction}")
            }
        }
    };
    format!("{length} ({inches} in)")
}

/// Which way the bare shafts lie for this offset of an axis (u or v), as the archer sees the face.
pub(super) fn side(axis: Axis, value: f64, hand: Option<Hand>) -> &'static str {
    match axis {
        Axis::Vertical if value > 0.0 => "high",
        Axis::Vertical => "low",
        Axis::Horizontal if (value > 0.0) == (hand != Some(Hand::Left)) => "right",
        Axis::Horizontal => "left",
    }
}

/// What to do, in one line.
pub(super) fn detail(step: &Step, setup_shaft_look: Option<[f64; 2]>) -> String {
    let amount = step.amount.unwrap_or(0.0);
    let to = |decimals| step.to.map(|to| number(to, decimals));
    match step.change {
        Change::DrawWeight => {
            let quarters = step.bolt_quarter_turns.unwrap_or(0);
            let way = if amount < 0.0 { "out" } else { "in" };
            let less = if amount < 0.0 { "less" } else { "more" };
            format!(
                "Both limb bolts {way} by {} (about {} lb {less}{})",
                turns(quarters),
                number(amount.abs(), 2),
                to(2).map_or_else(String::new, |to| format!(", to some {to} lb")),
            )
        }
        Change::ShaftLength => format!(
            "Cut all shafts, fletched and bare, by {}, to {} mm; then shoot before you cut again",
            cut_length(amount),
            to(1).unwrap_or_else(|| "their new length".to_owned()),
        ),
        Change::PointWeight => format!(
            "Points of {} gr instead of {} gr, on fletched and bare shafts alike",
            to(0).unwrap_or_default(),
            step.from.map_or_else(String::new, |f| number(f, 0)),
        ),
        Change::RearWeight => format!(
            "Nock ends {} gr {}, on fletched and bare shafts alike{}",
            number(amount.abs(), 1),
            if amount > 0.0 { "heavier" } else { "lighter" },
            to(1).map_or_else(String::new, |to| format!(" ({to} gr on the fletched)")),
        ),
        Change::Plunger => {
            let n = round_i64(amount.abs());
            let clicks = if n == 1 { "click" } else { "clicks" };
            let way = if amount > 0.0 { "stiffer" } else { "softer" };
            format!("Plunger {} {clicks} {way}", count(n))
        }
        Change::NockingPoint | Change::RestHeight => {
            let what = if step.change == Change::NockingPoint {
                "Nocking point"
            } else {
                "Rest"
            };
            let way = if amount > 0.0 { "higher" } else { "lower" };
            format!("{what} {} mm {way}", number(amount.abs(), 2))
        }
        Change::ShaftSpine => {
            let range = setup_shaft_look.map_or_else(String::new, |[a, b]| {
                format!(
                    " (worth trying: {} to {})",
                    number((a / 5.0).round() * 5.0, 0),
                    number((b / 5.0).round() * 5.0, 0)
                )
            });
            format!(
                "Shafts of spine {}{range} instead of {}, otherwise as now",
                to(0).unwrap_or_else(|| "another".to_owned()),
                step.from
                    .map_or_else(|| "these".to_owned(), |f| number(f, 0)),
            )
        }
        Change::ShootMore | Change::Verify | Change::None => step.detail.clone(),
    }
}

/// Which way a change goes where its size can't be told.
pub(super) fn detail_unknown(change: Change, positive: bool) -> String {
    let (what, up, down) = match change {
        Change::DrawWeight => (
            "Draw weight",
            "a little more (both limb bolts in, by the same turns)",
            "a little less (both limb bolts out, by the same turns)",
        ),
        Change::PointWeight => ("Points", "heavier", "lighter"),
        Change::Plunger => ("Plunger", "stiffer", "softer"),
        Change::RestHeight => ("Rest", "higher", "lower"),
        Change::NockingPoint => ("Nocking point", "higher", "lower"),
        Change::ShaftSpine => (
            "Shafts",
            "weaker (a larger spine number)",
            "stiffer (a smaller spine number)",
        ),
        Change::ShaftLength => ("Shafts", "longer", "shorter"),
        Change::RearWeight => ("Nock ends", "heavier", "lighter"),
        Change::ShootMore | Change::Verify | Change::None => ("", "", ""),
    };
    format!("{what} {}", if positive { up } else { down })
}

/// What people usually begin with where the size isn't known, as a sentence; the shots after it then tell the size.
pub(super) fn usual_first_step(change: Change) -> &'static str {
    match change {
        Change::DrawWeight => {
            "How far isn't known without the set-up: half a turn of both bolts or less is a usual first step (common practice); \
             the next end then tells how much it did."
        }
        Change::PointWeight => {
            "How far isn't known without the set-up: the next weight there is is a usual first step (common practice); the next \
             end then tells how much it did."
        }
        Change::Plunger => {
            "How far isn't known without the set-up: three clicks are a usual first step (common practice); the next end then \
             tells how much it did."
        }
        Change::RestHeight => {
            "How far isn't known without the set-up: half a millimetre is a usual first step (common practice); the next end \
             then tells how much it did."
        }
        Change::NockingPoint => {
            "How far isn't known without the set-up: a millimetre is a usual first step (common practice); the next end then \
             tells how much it did."
        }
        Change::ShaftSpine
        | Change::ShaftLength
        | Change::RearWeight
        | Change::ShootMore
        | Change::Verify
        | Change::None => "",
    }
}

/// What has to be found out before a change can be sized.
pub(super) fn find_out(change: Change) -> &'static str {
    match change {
        Change::DrawWeight => {
            "your draw weight on the fingers (a bow scale) and how many turns the limb bolts are out, with the maker's limits"
        }
        Change::PointWeight => "what your points weigh and which others you own",
        Change::Plunger => "where the plunger stands, in clicks from its usual place",
        Change::RestHeight | Change::NockingPoint => {
            "the height of the nocking point above square and of the rest, with a bow square"
        }
        Change::ShaftSpine => {
            "the spine and length of your shafts, printed on them or told by the shop"
        }
        Change::ShaftLength => {
            "the length of your shafts and the shortest that is safe at your full draw"
        }
        Change::RearWeight => "what nock, wrap and vanes weigh",
        Change::ShootMore | Change::Verify | Change::None => "",
    }
}

/// "84 mm right (likely 60 to 108)" of the offset now, at 30 m.
pub(super) fn offset(state: &AxisState, hand: Option<Hand>) -> String {
    let (m, sd) = (state.offset.mean, state.offset.sd);
    let s = m.signum();
    if m.abs() < 0.5 {
        let level = match state.axis {
            Axis::Vertical => "at the height",
            Axis::Horizontal => "neither left nor right",
        };
        return format!("{level} of the fletched ones at 30 m (likely within {sd:.0} mm)");
    }
    format!(
        "{:.0} mm {} of the fletched ones at 30 m (likely {})",
        m.abs(),
        match side(state.axis, m, hand) {
            "high" => "above the height",
            "low" => "below the height",
            "right" => "to the right",
            _ => "to the left",
        },
        range(s * (m - s * sd), s * (m + s * sd)),
    )
}

/// "60 to 108", or "−5 to 40" as "0 to 40 or a little to the other side".
fn range(low: f64, high: f64) -> String {
    if low < 0.0 {
        format!("up to {high:.0}, or {:.0} the other way", -low)
    } else {
        format!("{low:.0} to {high:.0}")
    }
}

/// What an offset means; inside the tolerance (mm at 30 m) nothing is "too" much.
pub(super) fn meaning(state: &AxisState, tolerance_mm: f64) -> &'static str {
    let positive = state.offset.mean > 0.0;
    if state.offset.mean.abs() <= tolerance_mm {
        return match (state.axis, positive) {
            (Axis::Horizontal, true) => "the arrow acts a little weak",
            (Axis::Horizontal, false) => "the arrow acts a little stiff",
            (Axis::Vertical, true) => "the nocking point is a little low for the rest",
            (Axis::Vertical, false) => "the nocking point is a little high for the rest",
        };
    }
    match (state.axis, positive) {
        (Axis::Horizontal, true) => "the arrow acts too weak",
        (Axis::Horizontal, false) => "the arrow acts too stiff",
        (Axis::Vertical, true) => "the nocking point is too low for the rest",
        (Axis::Vertical, false) => "the nocking point is too high for the rest",
    }
}

/// Why a change helps.
pub(super) fn reason(change: Change, amount_positive: bool) -> &'static str {
    match (change, amount_positive) {
        (Change::DrawWeight, false) => {
            "Less draw weight bends the arrow less; it is quick to turn and to turn back, so it comes first."
        }
        (Change::DrawWeight, true) => {
            "More draw weight bends the arrow more; it is quick to turn and to turn back, so it comes first."
        }
        (Change::ShaftLength, _) => {
            "A shorter shaft acts stiffer. A cut can't be taken back, so it is taken only as far as it will hardly be too much."
        }
        (Change::PointWeight, false) => "A lighter point makes the arrow act stiffer.",
        (Change::PointWeight, true) => "A heavier point makes the arrow act weaker.",
        (Change::RearWeight, true) => "More weight at the nock makes the arrow act stiffer.",
        (Change::RearWeight, false) => "Less weight at the nock makes the arrow act weaker.",
        (Change::Plunger, true) => {
            "A stiffer plunger moves the bare shafts the stiff way; it is for what is left at the end."
        }
        (Change::Plunger, false) => {
            "A softer plunger moves the bare shafts the weak way; it is for what is left at the end."
        }
        (Change::RestHeight, true) => "A higher rest brings the bare shafts up.",
        (Change::RestHeight, false) => "A lower rest brings the bare shafts down.",
        (Change::NockingPoint, true) => "A higher nocking point brings the bare shafts down.",
        (Change::NockingPoint, false) => "A lower nocking point brings the bare shafts up.",
        (Change::ShaftSpine, false) => "Stiffer shafts (a smaller spine number) bend less.",
        (Change::ShaftSpine, true) => "Weaker shafts (a larger spine number) bend more.",
        (Change::ShootMore | Change::Verify | Change::None, _) => "",
    }
}

/// What it means if the shift to expect doesn't come.
pub(super) fn otherwise(change: Change) -> &'static str {
    match change {
        Change::DrawWeight => {
            "If the bare shafts hardly move or go the other way: check with a scale that the weight changed and that no bolt \
             stands at its stop; else look for contact at the rest or arm and at the release, and shoot another end before \
             anything else."
        }
        Change::ShaftLength => {
            "If they hardly move or go the other way, don't cut again: look for contact at the rest or arm, check that all \
             shafts got the same length and shoot another end."
        }
        Change::PointWeight | Change::RearWeight => {
            "If they hardly move or go the other way: check that all shafts carry the new weight, fletched and bare, then \
             look for contact and at the release, and shoot another end."
        }
        Change::Plunger => {
            "If they hardly move or go the other way: the plunger may stand at its stop, stick, or have play when turned \
             back; take it out, check it, and shoot another end."
        }
        Change::RestHeight | Change::NockingPoint => {
            "If they hardly move or go the other way: measure again with a bow square, look for vanes or nock touching the \
             rest or plate, and shoot another end; then put it back."
        }
        Change::ShaftSpine => {
            "If they still land on the same side by as much: check the spine printed on the shafts, that length and points \
             are as before, and look for contact before buying others."
        }
        Change::ShootMore | Change::Verify | Change::None => "",
    }
}

/// Where the bare shafts should go, how far, and in which range two of three times; `None` where nothing is to be expected.
#[must_use]
pub fn expectation(step: &Step) -> Option<String> {
    let e = step.expect.as_ref()?;
    let part = |value: f64, sd: Option<f64>, plus: &str, minus: &str| {
        if value.abs() < 0.5 {
            return None;
        }
        let way = if value > 0.0 { plus } else { minus };
        let sd = sd.unwrap_or(0.0);
        Some(format!(
            "{:.0} mm {way} (two times in three {})",
            value.abs(),
            range(value.abs() - sd, value.abs() + sd)
        ))
    };
    let parts: Vec<String> = [
        part(e.x_mm, e.sd_x_mm, "to the right", "to the left"),
        part(e.y_mm, e.sd_y_mm, "higher", "lower"),
    ]
    .into_iter()
    .flatten()
    .collect();
    (!parts.is_empty()).then(|| {
        format!(
            "Expect the bare shafts about {} against the fletched ones, at the distance shot.",
            parts.join(" and ")
        )
    })
}

/// One step for a person: what to do, what to expect, why, and what it means if it doesn't come.
#[must_use]
pub fn sentence(step: &Step) -> String {
    let mut text = format!("{}.", step.detail.trim_end_matches('.'));
    for part in [expectation(step), Some(step.why.clone())]
        .into_iter()
        .flatten()
        .filter(|part| !part.is_empty())
    {
        text.push(' ');
        text.push_str(&part);
    }
    text
}

/// Pounds that the bolts bring, in words with where the figure comes from.
pub(super) fn bolts_rate(situation: &Situation, k: &Knowledge) -> String {
    let each = lb_per_quarter_turn(&situation.setup, k);
    let from = if situation.setup.bolt_lb_per_turn.is_some() {
        "told in the set-up"
    } else {
        "common practice, 0.7 % of the draw weight; only a scale tells"
    };
    format!(
        "a quarter turn of both bolts is about {} lb ({from})",
        number(each, 2)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn turns_and_cuts_in_words() {
        let words: Vec<String> = [1, 2, 3, 4, 5, -6, 7, 8, 54]
            .iter()
            .map(|q| turns(*q))
            .collect();
        assert_eq!(
            words,
            [
                "a quarter turn",
                "half a turn",
                "three quarters of a turn",
                "one turn",
                "one and a quarter turns",
                "one and a half turns",
                "one and three quarters turns",
                "two turns",
                "13 and a half turns"
            ]
        );
        assert_eq!(cut_length(-3.175), "3.2 mm (1/8 in)");
        assert_eq!(cut_length(-6.35), "6.3 mm (1/4 in)");
        assert_eq!(cut_length(28.575), "28.6 mm (1 1/8 in)");
        assert_eq!(cut_length(5.0), "5 mm");
        assert_eq!(
            (number(-0.001, 1), number(2.50, 2), number(100.0, 0)),
            ("0".into(), "2.5".into(), "100".into())
        );
    }

    #[test]
    fn left_handers_see_weak_on_the_left() {
        assert_eq!(side(Axis::Horizontal, 1.0, Some(Hand::Right)), "right");
        assert_eq!(side(Axis::Horizontal, 1.0, Some(Hand::Left)), "left");
        assert_eq!(side(Axis::Vertical, 1.0, Some(Hand::Left)), "high");
    }
}

//! An advised step in words: its headline, and from where to where, what to expect, why.

use super::words::{self, Axis};
use crate::advice::{Change, Expect, Step, VerifyWhen};

/// The step in plain words.
pub(super) fn headline(step: &Step) -> String {
    if !step.detail.trim().is_empty() {
        return words::capital(step.detail.trim());
    }
    match step.change {
        Change::ShootMore => format!(
            "Change nothing; shoot {} more of each kind",
            step.pairs.unwrap_or(3)
        ),
        Change::Verify => match step.when {
            Some(VerifyWhen::AnotherDay) => "Check once more on another day".to_owned(),
            _ => "Check once more".to_owned(),
        },
        Change::None => "Nothing to change".to_owned(),
        _ => {
            let (name, unit) = words::setting(step.setting.as_deref().unwrap_or("set-up"));
            match step.amount {
                Some(a) => format!("{}: {} {unit}", words::capital(name), words::signed(a, 3)),
                None => format!("Change the {name}"),
            }
        }
    }
}

/// What there is to know about a step, as (name, text).
pub(super) fn facts(step: &Step) -> Vec<(String, String)> {
    let mut out = Vec::new();
    if let (Some(setting), Some(from), Some(to)) = (&step.setting, step.from, step.to) {
        let (name, unit) = words::setting(setting);
        let text = format!(
            "{} to {} {unit}",
            words::number(from, 3),
            words::number(to, 3)
        );
        out.push((words::capital(name), text.trim_end().to_owned()));
    }
    if let Some(e) = &step.expect {
        out.push(("Expect".to_owned(), format!("the bare shafts {}", shift(e))));
    }
    if !step.why.trim().is_empty() {
        out.push(("Why".to_owned(), step.why.trim().to_owned()));
    }
    if !matches!(
        step.change,
        Change::ShootMore | Change::Verify | Change::None
    ) {
        let back = if step.reversible {
            "can be taken back"
        } else {
            "can\u{2019}t be taken back"
        };
        out.push(("Way back".to_owned(), back.to_owned()));
    }
    out
}

/// A shift of the offset: "70 mm higher (± 49)"; the larger part first.
pub(super) fn shift(e: &Expect) -> String {
    let part = |axis: Axis, v: f64, sd: Option<f64>| {
        let word = match words::side(axis, v) {
            "left" => "to the left",
            "right" => "to the right",
            "low" => "lower",
            _ => "higher",
        };
        let sd = sd.map_or_else(String::new, |s| {
            format!(" (\u{b1}\u{a0}{})", words::number(s, 0))
        });
        format!("{} mm {word}{sd}", words::number(v.abs(), 0))
    };
    let x = (e.x_mm.abs() >= 0.5).then(|| part(Axis::Horizontal, e.x_mm, e.sd_x_mm));
    let y = (e.y_mm.abs() >= 0.5).then(|| part(Axis::Vertical, e.y_mm, e.sd_y_mm));
    match (x, y) {
        (Some(x), Some(y)) if e.y_mm.abs() > e.x_mm.abs() => format!("{y} and {x}"),
        (Some(x), Some(y)) => format!("{x} and {y}"),
        (Some(one), None) | (None, Some(one)) => one,
        (None, None) => "where they are".to_owned(),
    }
}

/// The change as people call it.
pub(super) const fn name(change: Change) -> &'static str {
    match change {
        Change::DrawWeight => "draw weight",
        Change::ShaftLength => "shaft length",
        Change::PointWeight => "point weight",
        Change::RearWeight => "rear weight",
        Change::Plunger => "plunger",
        Change::NockingPoint => "nocking point",
        Change::RestHeight => "rest height",
        Change::ShaftSpine => "spine",
        Change::ShootMore => "more shots",
        Change::Verify => "a check",
        Change::None => "nothing",
    }
}

/// A change that was made, in words: the set-up's field, its value before and after.
#[must_use]
pub fn made(setting: &str, from: f64, to: f64) -> String {
    let (name, unit) = words::setting(setting);
    let span = format!("{} to {}", words::number(from, 3), words::number(to, 3));
    let by = words::number((to - from).abs(), 3);
    let pick = |more: &'static str, less: &'static str| if to > from { more } else { less };
    match setting {
        "bolt_turns_out" => format!(
            "both limb bolts {} {} ({span} turns out)",
            turns((to - from).abs()),
            pick("out", "in")
        ),
        "nocking_point_mm" | "rest_height_mm" => {
            format!("{name} {by} mm {} ({span} mm)", pick("higher", "lower"))
        }
        "plunger_clicks" => format!("plunger {by} clicks {} ({span})", pick("stiffer", "softer")),
        "shaft_length_mm" => format!("shafts {by} mm {} ({span} mm)", pick("longer", "shorter")),
        _ => format!("{name} {span} {unit}").trim_end().to_owned(),
    }
}

/// Turns of a bolt as people say them.
fn turns(v: f64) -> String {
    let quarters = crate::math::round_i64(4.0 * v);
    if (4.0 * v - crate::math::rounded(4.0 * v, 0)).abs() > 0.01 {
        return format!("{} turns", words::number(v, 3));
    }
    match quarters {
        1 => "a quarter turn".to_owned(),
        2 => "half a turn".to_owned(),
        3 => "three quarter turns".to_owned(),
        4 => "one turn".to_owned(),
        _ => format!("{} turns", words::number(v, 2)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn changes_are_said_as_they_are_made() {
        assert_eq!(
            made("bolt_turns_out", 1.0, 1.5),
            "both limb bolts half a turn out (1 to 1.5 turns out)"
        );
        assert_eq!(
            made("nocking_point_mm", 9.0, 8.0),
            "nocking point 1 mm lower (9 to 8 mm)"
        );
        assert_eq!(made("point_gr", 100.0, 90.0), "point 100 to 90 gr");
        assert_eq!(
            made("plunger_clicks", 0.0, -3.0),
            "plunger 3 clicks softer (0 to -3)"
        );
    }

    #[test]
    fn shifts_name_the_larger_part_first() {
        let e = Expect {
            x_mm: -10.0,
            y_mm: 70.4,
            sd_x_mm: None,
            sd_y_mm: Some(49.0),
        };
        assert_eq!(
            shift(&e),
            "70 mm higher (\u{b1}\u{a0}49) and 10 mm to the left"
        );
    }
}

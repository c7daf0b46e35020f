//! A step of the advice as headline and facts, for report and page.

use super::numbers::capital;
use super::settings::{signed, span};
use super::short_step::short_step;
use super::terms::{FaceSide, setting};
use super::{Locale, Sentence};
use crate::advice::{Action, Axis, Expect, Step, VerifyWhen};
use crate::record::Remark;
use serde::Serialize;

/// A step in words, for those who lay out text themselves.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StepText {
    /// What to do.
    pub headline: String,
    /// The same in few words.
    pub short: String,
    /// What there is to know about it, each with its name.
    pub facts: Vec<(String, String)>,
    /// What to mind when doing it.
    pub cautions: Vec<RemarkText>,
}

/// A caution in words, in a reader's locale; documents have it in their own.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct RemarkText {
    /// Stable code.
    pub code: String,
    /// The sentence.
    pub text: String,
}

impl RemarkText {
    /// The remark in words.
    #[must_use]
    pub fn of<V: Sentence>(remark: &Remark<V>, locale: Locale) -> Self {
        Self {
            code: remark.code.clone(),
            text: remark.values.text(locale),
        }
    }
}

/// The step in words.
#[must_use]
pub fn step_text(step: &Step, locale: Locale) -> StepText {
    let headline = headline(step, locale);
    StepText {
        short: short_step(step, &headline, locale),
        headline,
        facts: facts(step, locale),
        cautions: step
            .cautions
            .iter()
            .map(|c| RemarkText::of(c, locale))
            .collect(),
    }
}

/// What to do, in a line.
pub(crate) fn headline(step: &Step, locale: Locale) -> String {
    let detail = step.detail.text(locale);
    if !detail.trim().is_empty() {
        return capital(detail.trim());
    }
    match step.change {
        Action::ShootMore => format!(
            "Change nothing; shoot {} more of each kind",
            step.pairs.unwrap_or(3)
        ),
        Action::Verify => match step.when {
            Some(VerifyWhen::AnotherDay) => "Check once more on another day".to_owned(),
            _ => "Check once more".to_owned(),
        },
        Action::None => "Nothing to change".to_owned(),
        _ => {
            let field = step.setting.as_deref().unwrap_or("set-up");
            let name = setting(field).0;
            match step.amount {
                Some(a) => format!("{}: {}", capital(name), signed(field, a, locale)),
                None => format!("Change the {name}"),
            }
        }
    }
}

/// What there is to know about a step, as (name, text).
pub(crate) fn facts(step: &Step, locale: Locale) -> Vec<(String, String)> {
    let mut out = Vec::new();
    if let (Some(field), Some(from), Some(to)) = (&step.setting, step.from, step.to) {
        out.push((capital(setting(field).0), span(field, [from, to], locale)));
    }
    if let Some(e) = &step.expect {
        let text = format!("the bare shafts {}", likely_shift(e, locale));
        out.push(("Expect".to_owned(), text));
    }
    let why = step.why.text(locale);
    if !why.trim().is_empty() {
        out.push(("Why".to_owned(), why.trim().to_owned()));
    }
    if step.change.adjusts_a_lever() {
        let undo = if step.reversible {
            "Reversible"
        } else {
            "Can\u{2019}t be undone"
        };
        out.push(("Undo".to_owned(), undo.to_owned()));
    }
    out
}

/// A shift of the offset: "70 mm higher (± 49)"; the larger part first.
pub(crate) fn shift(e: &Expect, locale: Locale) -> String {
    shift_with(e, locale, &|_, sd| {
        format!(" (\u{b1}\u{a0}{})", locale.length_without_unit(sd, 0))
    })
}

/// The same with a range of one standard deviation to either side: "70 mm higher (likely 21 to 119)".
pub(crate) fn likely_shift(e: &Expect, locale: Locale) -> String {
    shift_with(e, locale, &|size, sd| {
        format!(" (likely {})", locale.range(size - sd, size + sd))
    })
}

/// A shift with what `known` says of each part's size and standard deviation.
pub(super) fn shift_with(e: &Expect, locale: Locale, known: &dyn Fn(f64, f64) -> String) -> String {
    let part = |axis: Axis, v: f64, sd: Option<f64>| {
        let known = sd.map_or_else(String::new, |sd| known(v.abs(), sd));
        let moved = FaceSide::of(axis, v).moved();
        format!("{} {moved}{known}", locale.length(v.abs(), 0))
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shifts_name_the_larger_part_first() {
        let e = Expect {
            x_mm: -10.0,
            y_mm: 70.4,
            sd_x_mm: None,
            sd_y_mm: Some(49.0),
        };
        assert_eq!(
            shift(&e, Locale::default()),
            "70 mm higher (\u{b1}\u{a0}49) and 10 mm to the left"
        );
        assert_eq!(
            likely_shift(&e, Locale::default()),
            "70 mm higher (likely 21 to 119) and 10 mm to the left"
        );
    }
}

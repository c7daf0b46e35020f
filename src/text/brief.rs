//! The answer in a hundred words: what the groups say, one step, what to expect, the one caution that matters, how to undo it.

use super::layout::{heading, paragraph_after};
use super::numbers::{capital, maybe, number};
use super::step::{headline, shift_with};
use super::terms::{FaceSide, lever_name};
use super::{Locale, Sentence};
use crate::advice::{
    Action, Advice, Axis, Expect, Instruction, Reason, ShootCause, Step, StepKind, VerifyWhen,
};
use crate::reading::{HorizontalCall, Reading, VerticalCall};

/// Codes of cautions, those that matter most first; of the others none is said here.
const IMPORTANT: [&str; 22] = [
    "light-arrow",
    "short-shafts",
    "safe-length",
    "new-shafts",
    "several-changes",
    "crooked-bare",
    "contradiction",
    "missed-shots",
    "nocking-point-out",
    "draw-weight-form",
    "setup-incomplete",
    "limb-bolts",
    "after-rest-step",
    "different-mass",
    "count-differs",
    "odd-arrow",
    "wide-scatter",
    "at-limits",
    "goal",
    "flier",
    "long-distance",
    "short-distance",
];

/// The answer in short, for a terminal.
#[must_use]
pub fn brief(advice: &Advice, locale: Locale) -> String {
    let mut out = String::new();
    let Some(next) = &advice.next else {
        let failure = advice.failure.as_ref().or(None);
        let text = failure.map(|f| f.text(locale));
        let of_reading = advice.reading.failure.as_ref().map(|f| f.text(locale));
        let text = text.or(of_reading).unwrap_or_default();
        paragraph_after(&mut out, "", &text);
        return out;
    };
    heading(&mut out, kind_name(next.kind));
    let mut line = |name: &str, text: &str| {
        if !text.is_empty() {
            paragraph_after(&mut out, &format!("  {name:<8} "), text);
        }
    };
    line("Groups", &groups(&advice.reading, next, locale));
    line("Next", &headline(next, locale));
    for also in &advice.also {
        line("and", &headline(also, locale));
    }
    line("Expect", &expected(next, locale));
    if is_explained(next) {
        line("Why", &first_sentences(&next.why.text(locale), 2));
    }
    line("Mind", &caution(advice, locale));
    line("Undo", undo(next));
    line("Missing", &missing(next, advice));
    line("Instead", &others(advice));
    paragraph_after(&mut out, "  ", "All the reasons: --why");
    out
}

/// "Do this next: change one thing".
pub(crate) fn next_heading(advice: &Advice) -> String {
    let kind = advice.next.as_ref().map(|step| step_kind(step.kind));
    kind.map_or_else(
        || "Do this next".to_owned(),
        |kind| format!("Do this next: {kind}"),
    )
}

/// A kind of step within a sentence.
fn step_kind(kind: StepKind) -> String {
    let name = kind_name(kind);
    let mut letters = name.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_lowercase().collect::<String>() + letters.as_str()
    })
}

/// What a kind of step is called.
pub(crate) const fn kind_name(kind: StepKind) -> &'static str {
    match kind {
        StepKind::Shoot => "Shoot more first",
        StepKind::Check => "Check something first",
        StepKind::PutBack => "Put the last change back",
        StepKind::Reversible => "Change one thing",
        StepKind::Irreversible => "Change one thing that can't be undone",
        StepKind::Done => "In tune",
    }
}

/// Kinds of which the reason is half of the answer.
const fn is_explained(next: &Step) -> bool {
    let undecided = matches!(next.detail, Instruction::ShootMore { .. });
    !undecided
        && matches!(
            next.kind,
            StepKind::Shoot | StepKind::Check | StepKind::PutBack
        )
}

/// What the groups say: one number with its range.
fn groups(reading: &Reading, next: &Step, locale: Locale) -> String {
    let Some(offset) = &reading.offset else {
        return "too few shots of both kinds to say anything".to_owned();
    };
    let upright = match next.change {
        Action::RestHeight | Action::NockingPoint => true,
        _ if next.change.adjusts_a_lever() => false,
        _ => offset.y_mm.abs() > offset.x_mm.abs(),
    };
    let (axis, value, sd) = if upright {
        (Axis::Vertical, offset.y_mm, offset.sd_y_mm)
    } else {
        (Axis::Horizontal, offset.x_mm, offset.sd_x_mm)
    };
    let from = reading
        .distance_m
        .map_or_else(String::new, |d| format!(" at {} m", number(d, 1)));
    format!(
        "bare shafts {}{from}; {}",
        about(axis, value, sd, locale),
        call(reading, upright)
    )
}

/// To 5 mm, as a person would say it.
fn round(mm: f64) -> f64 {
    (mm / 5.0).round() * 5.0
}

/// "about 60 mm right, likely 25 to 130 mm".
fn about(axis: Axis, value: f64, sd: f64, locale: Locale) -> String {
    let size = round(value.abs());
    if size <= 0.0 {
        let within = locale.length(round(sd).max(5.0), 0);
        return match axis {
            Axis::Horizontal => format!("in line with the fletched, likely within {within}"),
            Axis::Vertical => format!("level with the fletched, likely within {within}"),
        };
    }
    let side = FaceSide::of(axis, value).name();
    let (low, high) = (round(value.abs() - sd), round(value.abs() + sd));
    if low <= 0.0 {
        return format!(
            "about {} {side}, likely within {}",
            locale.length(size, 0),
            locale.length(high.max(5.0), 0)
        );
    }
    format!(
        "about {} {side}, likely {} to {}",
        locale.length(size, 0),
        locale.length_without_unit(low, 0),
        locale.length(high, 0)
    )
}

/// "the arrow is weak", "probably fine (60 %), maybe weak (39 %)".
fn call(reading: &Reading, upright: bool) -> String {
    let (decided, parts) = if upright {
        let v = &reading.vertical;
        let decided = match v.call {
            VerticalCall::NockHigh => Some("nocking point high"),
            VerticalCall::NockLow => Some("nocking point low"),
            VerticalCall::Neutral => Some("height fine"),
            VerticalCall::Undecided => None,
        };
        let parts = [
            (v.p_neutral, "fine"),
            (v.p_nock_high, "nocking point high"),
            (v.p_nock_low, "nocking point low"),
        ];
        (decided, parts)
    } else {
        let h = &reading.horizontal;
        let decided = match h.call {
            HorizontalCall::Weak => Some("the arrow is weak"),
            HorizontalCall::Stiff => Some("the arrow is stiff"),
            HorizontalCall::Neutral => Some("left and right fine"),
            HorizontalCall::Undecided => None,
        };
        let parts = [
            (h.p_neutral, "fine"),
            (h.p_weak, "weak"),
            (h.p_stiff, "stiff"),
        ];
        (decided, parts)
    };
    decided.map_or_else(|| maybe(parts), str::to_owned)
}

fn expected(next: &Step, locale: Locale) -> String {
    match (&next.expect, next.kind) {
        (Some(e), StepKind::Reversible | StepKind::Irreversible) => {
            let rounded = Expect {
                x_mm: round(e.x_mm),
                y_mm: round(e.y_mm),
                ..*e
            };
            let near = shift_with(&rounded, locale, &|size, sd| {
                let (low, high) = (round(size - sd).max(0.0), round(size + sd));
                format!(
                    ", likely {} to {}",
                    locale.length_without_unit(low, 0),
                    locale.length(high, 0)
                )
            });
            format!("the bare shafts about {near}")
        }
        _ => String::new(),
    }
}

const fn undo(next: &Step) -> &'static str {
    match next.kind {
        StepKind::Reversible => "Reversible: note where it stood",
        StepKind::Irreversible => "Can't be undone",
        _ => "",
    }
}

/// What a cut or new shafts that are named still need.
fn missing(next: &Step, advice: &Advice) -> String {
    let named = advice
        .others
        .iter()
        .find(|s| s.kind == StepKind::Irreversible);
    if next.gates.is_empty() || named.is_none() {
        return String::new();
    }
    let gates: Vec<String> = next
        .gates
        .iter()
        .map(|g| super::before_change::gate(g.code))
        .collect();
    let what = named.map_or("", |s| lever_name(s.change));
    format!("for {what}: {}", gates.join(", "))
}

fn others(advice: &Advice) -> String {
    let names: Vec<&str> = advice.others.iter().map(|s| lever_name(s.change)).collect();
    capital(&names.join(", "))
}

/// The one caution that matters.
fn caution(advice: &Advice, locale: Locale) -> String {
    let steps = advice.next.iter().chain(&advice.also);
    let of_steps = steps.flat_map(|s| s.cautions.iter());
    let own: Vec<_> = of_steps.chain(&advice.cautions).collect();
    let explained = advice.next.as_ref().is_some_and(is_explained);
    for code in IMPORTANT {
        if explained && matches!(code, "contradiction" | "crooked-bare" | "different-mass")
            || advice.next.as_ref().is_some_and(|next| says(next, code))
        {
            continue;
        }
        if let Some(found) = own.iter().find(|c| c.code == code) {
            return first_sentences(&found.text(locale), 1);
        }
        if let Some(found) = advice.reading.cautions.iter().find(|c| c.code == code) {
            return first_sentences(&found.text(locale), 1);
        }
    }
    String::new()
}

/// Whether the step says itself what a caution would say again.
fn says(next: &Step, code: &str) -> bool {
    let shoots = |wanted: fn(&ShootCause) -> bool| {
        let mut why = next.why.0.iter();
        why.any(|reason| matches!(reason, Reason::Shoot { cause, .. } if wanted(cause)))
    };
    match code {
        "long-distance" => shoots(|cause| matches!(cause, ShootCause::TooFar)),
        "short-distance" => next.when == Some(VerifyWhen::Now),
        "missed-shots" => shoots(|cause| matches!(cause, ShootCause::Missed(_))),
        "at-limits" => matches!(next.detail, Instruction::NothingLeft),
        _ => false,
    }
}

/// The first sentences of a text.
fn first_sentences(text: &str, most: usize) -> String {
    let mut end = 0;
    for _ in 0..most {
        match text[end..].find(". ") {
            Some(at) => end += at + 2,
            None => return text.trim().to_owned(),
        }
    }
    text[..end].trim().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_open_is_said_as_a_person_would() {
        let text = maybe([
            (Some(0.6), "fine"),
            (Some(0.39), "weak"),
            (Some(0.01), "stiff"),
        ]);
        assert_eq!(text, "probably fine (60 %), maybe weak (39 %)");
        let sure = maybe([(Some(0.98), "fine"), (Some(0.02), "weak"), (None, "stiff")]);
        assert_eq!(sure, "probably fine (98 %)");
    }

    #[test]
    fn one_number_with_its_range() {
        let text = about(Axis::Horizontal, 61.0, 37.0, Locale::default());
        assert_eq!(text, "about 60 mm right, likely 25 to 100 mm");
        let text = about(Axis::Horizontal, -1.0, 8.0, Locale::default());
        assert_eq!(text, "in line with the fletched, likely within 10 mm");
    }
}

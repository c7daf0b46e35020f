//! The advice in words: what to do, what to expect, and why.

use super::numbers::{capital, chance, count, ends, number, turns};
use super::terms::FaceSide;
use super::{Locale, Sentence, before_change};
use crate::advice::{
    Action, Advice, Axis, DifferenceCause, Instruction, OffsetEstimate, Reason, Reasons, Step,
    VerifyWhen,
};
use crate::math::round_i64;

/// Sixteenths of an inch in a millimetre.
const SIXTEENTHS_PER_MM: f64 = 16.0 / 25.4;
/// So many pairs are shot at a stretch (two ends of three); beyond that the archer looks again in between.
const PAIRS_AT_A_STRETCH: u32 = 6;

/// A length of shaft with its sixteenths of an inch, where it is whole ones: "6.4 mm (1/4 in)".
fn cut_length(mm: f64, locale: Locale) -> String {
    let sixteenths = mm.abs() * SIXTEENTHS_PER_MM;
    let length = locale.length(mm.abs(), 1);
    if (sixteenths - sixteenths.round()).abs() > 0.02 || sixteenths > 80.0 {
        return length;
    }
    let n = round_i64(sixteenths);
    let (whole, mut part, mut of) = (n / 16, n % 16, 16);
    while part > 0 && part % 2 == 0 {
        (part, of) = (part / 2, of / 2);
    }
    let inches = match (whole, part) {
        (whole, 0) => format!("{whole}"),
        (0, part) => format!("{part}/{of}"),
        (whole, part) => format!("{whole} {part}/{of}"),
    };
    format!("{length} ({inches} in)")
}

impl Sentence for Instruction {
    fn text(&self, locale: Locale) -> String {
        match self {
            Self::Amount {
                change,
                amount,
                from,
                to,
                quarter_turns,
                spines,
            } => match change {
                Action::DrawWeight => bolts(*amount, *to, quarter_turns.unwrap_or(0)),
                Action::ShaftSpine => other_shafts([*from, *to], *spines),
                _ => amount_of(*change, *amount, [*from, *to], locale),
            },
            Self::Direction { change, more } => {
                let (what, ways) = ways(*change);
                format!("{what} {}", ways[usize::from(!more)])
            }
            Self::OtherSpines(spines) => format!(
                "Other shafts: spine {} is worth trying; none of those owned or obtainable goes that way",
                spine_range(*spines)
            ),
            Self::ShootMore {
                pairs,
                distance_m,
                look_first,
            } => shoot_more(*pairs, *distance_m, *look_first),
            Self::Verify {
                when: VerifyWhen::Now,
                pairs,
                distance_m,
            } => format!(
                "In tune as far as {} m can show: shoot {} of each kind at 30 m",
                number(*distance_m, 1),
                count(i64::from(*pairs))
            ),
            Self::Verify { pairs, .. } => format!(
                "In tune. Change nothing, and shoot {} of each kind again on another day",
                count(i64::from(*pairs))
            ),
            Self::Shoot {
                pairs,
                distance_m,
                cause,
                hand,
            } => before_change::shoot(*pairs, *distance_m, *cause, *hand, locale),
            Self::Check { checks, cause } => before_change::check(checks, *cause, locale),
            Self::PutBack {
                change,
                span,
                quarter_turns,
            } => before_change::put_back(*change, *span, *quarter_turns, locale),
            Self::ThenNearer { step, distance_m } => format!(
                "{}; then shoot the next end nearer, from {} m",
                step.text(locale),
                number(*distance_m, 1)
            ),
            Self::GoalReached { pairs, distance_m } => format!(
                "In tune as far as {} m can show, and that is what you tune for. Change nothing, and shoot {} of each kind \
                 again on another day",
                number(*distance_m, 1),
                count(i64::from(*pairs))
            ),
            Self::InTune => "In tune, on more than one day: leave the bow alone".to_owned(),
            Self::NothingLeft => {
                "Nothing that may still be changed on this set-up brings the bare shafts nearer"
                    .to_owned()
            }
            Self::Written(text) => text.clone(),
        }
    }
}

fn bolts(amount: f64, to: Option<f64>, quarter_turns: i64) -> String {
    let (way, less) = if amount < 0.0 {
        ("out", "less")
    } else {
        ("in", "more")
    };
    format!(
        "Both limb bolts {way} by {} (about {} lb {less}{})",
        turns(quarter_turns),
        number(quarter_pounds(amount.abs()).max(0.25), 2),
        to.map_or_else(String::new, |to| format!(
            ", to some {} lb",
            number(quarter_pounds(to), 2)
        )),
    )
}

/// Draw weight to the nearest quarter of a pound: the effect of the bolts is not known more closely.
fn quarter_pounds(lb: f64) -> f64 {
    (lb * 4.0).round() / 4.0
}

fn amount_of(change: Action, amount: f64, [from, to]: [Option<f64>; 2], locale: Locale) -> String {
    let (what, ways) = ways(change);
    let way = ways[usize::from(amount <= 0.0)];
    let known = |value: Option<f64>| value.map_or_else(String::new, |value| number(value, 0));
    match change {
        Action::ShaftLength => format!(
            "Cut all shafts, fletched and bare, by {}, to {}; then shoot before you cut again",
            cut_length(amount, locale),
            to.map_or_else(|| "their new length".to_owned(), |to| locale.length(to, 1)),
        ),
        Action::PointWeight => format!(
            "Points of {} gr instead of {} gr, on fletched and bare shafts alike",
            known(to),
            known(from),
        ),
        Action::RearWeight => {
            let to = to.map(|to| format!(" ({} gr on the fletched)", number(to, 1)));
            format!(
                "{what} {} gr {way}, on fletched and bare shafts alike{}",
                number(amount.abs(), 1),
                to.unwrap_or_default(),
            )
        }
        Action::Plunger => {
            let n = round_i64(amount.abs());
            let clicks = if n == 1 { "click" } else { "clicks" };
            format!("{what} {} {clicks} {way}", count(n))
        }
        _ => format!("{what} {} {way}", locale.length(amount.abs(), 2)),
    }
}

fn other_shafts([from, to]: [Option<f64>; 2], spines: Option<[f64; 2]>) -> String {
    let range = spines.map_or_else(String::new, |spines| {
        format!(" (worth trying: {})", spine_range(spines))
    });
    format!(
        "Shafts of spine {}{range} instead of {}, otherwise as now",
        to.map_or_else(|| "another".to_owned(), |to| number(to, 0)),
        from.map_or_else(|| "these".to_owned(), |from| number(from, 0)),
    )
}

/// "500 to 550", in the steps that spines come in.
fn spine_range(spines: [f64; 2]) -> String {
    let [low, high] = spines.map(|spine| number((spine / 5.0).round() * 5.0, 0));
    format!("{low} to {high}")
}

fn shoot_more(pairs: u32, distance_m: f64, look_first: bool) -> String {
    let from = number(distance_m, 1);
    let first = if look_first {
        "First look at the entries that are in doubt and were left out. Then: "
    } else {
        ""
    };
    if pairs > PAIRS_AT_A_STRETCH {
        return format!(
            "{first}Change nothing yet; shoot the next end from {from} m, bare and fletched in turn, and ask again. It may take several \
             ends: about {pairs} more shots of each kind, as it looks now"
        );
    }
    format!(
        "{first}Change nothing; shoot {} more bare {} and as many fletched arrows from {from} m, one of each in turn",
        count(i64::from(pairs)),
        if pairs == 1 { "shaft" } else { "shafts" },
    )
}

/// What a change moves, and what that is called for a positive and for a negative amount.
const fn ways(change: Action) -> (&'static str, [&'static str; 2]) {
    match change {
        Action::DrawWeight => (
            "Draw weight",
            [
                "a little more (both limb bolts in, by the same turns)",
                "a little less (both limb bolts out, by the same turns)",
            ],
        ),
        Action::PointWeight => ("Points", ["heavier", "lighter"]),
        Action::RearWeight => ("Nock ends", ["heavier", "lighter"]),
        Action::Plunger => ("Plunger", ["stiffer", "softer"]),
        Action::RestHeight => ("Rest", ["higher", "lower"]),
        Action::NockingPoint => ("Nocking point", ["higher", "lower"]),
        Action::ShaftSpine => (
            "Shafts",
            [
                "weaker (a larger spine number)",
                "stiffer (a smaller spine number)",
            ],
        ),
        Action::ShaftLength => ("Shafts", ["longer", "shorter"]),
        Action::ShootMore | Action::Verify | Action::Check | Action::None => ("", [""; 2]),
    }
}

/// What people usually begin with where the size isn't known, as a sentence; the shots after it then tell the size.
fn usual_first_step(change: Action) -> String {
    let step = match change {
        Action::DrawWeight => "half a turn of both bolts or less is a usual first step",
        Action::PointWeight => "the next weight there is is a usual first step",
        Action::Plunger => "three clicks are a usual first step",
        Action::RestHeight => "half a millimetre is a usual first step",
        Action::NockingPoint => "a millimetre is a usual first step",
        _ => return String::new(),
    };
    format!(
        "How far isn't known without the set-up: {step} (common practice); the next end then tells how much it did."
    )
}

/// "84 mm to the right of the fletched ones at 30 m (likely 60 to 108)".
pub(super) fn landed(seen: &OffsetEstimate, locale: Locale) -> String {
    let from = number(seen.distance_m, 1);
    let (m, sd) = (seen.offset_mm, seen.sd_mm);
    let s = m.signum();
    if m.abs() < 0.5 {
        let level = match seen.axis {
            Axis::Vertical => "at the height",
            Axis::Horizontal => "neither left nor right",
        };
        let within = locale.length(sd, 0);
        return format!("{level} of the fletched ones at {from} m (likely within {within})");
    }
    format!(
        "{} {} of the fletched ones at {from} m (likely {})",
        locale.length(m.abs(), 0),
        FaceSide::of_signed_offset(seen.axis, m, seen.hand).beside(),
        locale.range(s * (m - s * sd), s * (m + s * sd)),
    )
}

/// What an offset means; inside the tolerance nothing is "too" much.
fn meaning(seen: &OffsetEstimate) -> &'static str {
    let inside = seen.offset_mm.abs() <= seen.tolerance_mm;
    match (seen.axis, seen.offset_mm > 0.0, inside) {
        (Axis::Horizontal, true, true) => "the arrow acts a little weak",
        (Axis::Horizontal, false, true) => "the arrow acts a little stiff",
        (Axis::Vertical, true, true) => "the nocking point is a little low for the rest",
        (Axis::Vertical, false, true) => "the nocking point is a little high for the rest",
        (Axis::Horizontal, true, false) => "the arrow acts too weak",
        (Axis::Horizontal, false, false) => "the arrow acts too stiff",
        (Axis::Vertical, true, false) => "the nocking point is too low for the rest",
        (Axis::Vertical, false, false) => "the nocking point is too high for the rest",
    }
}

impl Sentence for Reasons {
    fn text(&self, locale: Locale) -> String {
        let parts: Vec<String> = self.0.iter().map(|reason| reason.text(locale)).collect();
        parts.join(" ")
    }
}

impl Sentence for Reason {
    fn text(&self, locale: Locale) -> String {
        match self {
            Self::Offset(seen) => format!(
                "The bare shafts land {}: {}.",
                landed(seen, locale),
                meaning(seen)
            ),
            Self::WrongSpine => "So far out that no other change would do: change the shafts before anything else, after checking \
                                 that the spine printed on them is what the set-up says."
                .to_owned(),
            Self::ShownSooner([now, then]) => format!(
                "That is near the middle, but to show it in tune from here would take about {} more; with this small step about {}.",
                ends(*now),
                ends(*then)
            ),
            Self::Effect { change, more } => effect(*change, *more).to_owned(),
            Self::PastZero(p) => {
                format!("The chance that this goes past the middle is {}.", chance(*p))
            }
            Self::Otherwise(change) => otherwise(*change).to_owned(),
            Self::Together {
                takes_back,
                both_mm,
                axis,
                hand,
            } => format!(
                "Made together with the other change, {}. Both together should bring the bare shafts about {} {} at 30 m.",
                if *takes_back {
                    "which alone would probably go past the middle: this takes part of it back"
                } else {
                    "since neither goes far enough alone"
                },
                locale.length(both_mm.abs(), 0),
                FaceSide::of_signed_offset(*axis, *both_mm, *hand).towards(),
            ),
            Self::ReadingUndecided(side) => format!(
                "How far it is out isn't decided yet, but it is {} sure that it is to this side: enough for a change that can be undone.",
                chance(*side)
            ),
            Self::ReadingDiffers {
                axis,
                offset_mm,
                because,
            } => format!(
                "(The reading says {}: {}.)",
                super::at_side(*axis, offset_mm.round_ties_even(), locale),
                match because {
                    DifferenceCause::Distance => "that is where it was shot, this what it probably is at 30 m",
                    DifferenceCause::EarlierEnds => {
                        "that is this set-up's ends alone, this counts the ends before the changes too"
                    }
                    DifferenceCause::Prior => {
                        "that also counts how far bows usually are out, this goes by this bow's shots alone"
                    }
                }
            ),
            Self::FirstStep(change) => usual_first_step(*change),
            Self::ShouldCome { axis, shift, hand } => format!(
                "The bare shafts should come {}.",
                FaceSide::of_signed_offset(*axis, *shift, *hand).towards()
            ),
            Self::MoreShots { outlook, decide } => {
                let outlook = outlook.text(locale);
                let why = format!("{}.", capital(outlook.trim().trim_end_matches('.')));
                if *decide {
                    why
                } else {
                    format!("{why} More ends still show how wide the groups really are, and with it what can be decided.")
                }
            }
            Self::Shoot { cause, .. } => before_change::why_shoot(*cause, locale),
            Self::Check { cause, hand } => before_change::why_check(*cause, *hand, locale),
            Self::PutBack { cause, hand } => before_change::why_put_back(*cause, *hand, locale),
            Self::Best(best) => before_change::best(best, locale),
            Self::NotDecided => {
                "The shots so far show neither which way the bow is out nor that it is in tune.".to_owned()
            }
            Self::WithinTolerance(next) => format!(
                "Left and right and the height are both fine{}",
                match next {
                    Some(VerifyWhen::Now) => {
                        ", but a bow can look in tune at a short distance and not be at 30 m."
                    }
                    Some(VerifyWhen::AnotherDay) => {
                        ". Form differs from day to day; if another day shows the same, leave the bow alone."
                    }
                    None => ". Look again when shafts, string or form have changed.",
                }
            ),
            Self::Written(text) => text.clone(),
        }
    }
}

/// Why a change helps.
fn effect(change: Action, amount_positive: bool) -> &'static str {
    match (change, amount_positive) {
        (Action::DrawWeight, false) => {
            "Less draw weight bends the arrow less, and the bolts are quickly turned back."
        }
        (Action::DrawWeight, true) => {
            "More draw weight bends the arrow more, and the bolts are quickly turned back."
        }
        (Action::ShaftLength, _) => {
            "A shorter shaft acts stiffer. A cut can't be undone, so it goes only so far that it is hardly too much."
        }
        (Action::PointWeight, false) => "A lighter point makes the arrow act stiffer.",
        (Action::PointWeight, true) => "A heavier point makes the arrow act weaker.",
        (Action::RearWeight, true) => "More weight at the nock makes the arrow act stiffer.",
        (Action::RearWeight, false) => "Less weight at the nock makes the arrow act weaker.",
        (Action::Plunger, true) => {
            "A stiffer plunger moves the bare shafts the stiff way; it is for what is left at the end."
        }
        (Action::Plunger, false) => {
            "A softer plunger moves the bare shafts the weak way; it is for what is left at the end."
        }
        (Action::RestHeight, true) => "A higher rest brings the bare shafts up.",
        (Action::RestHeight, false) => "A lower rest brings the bare shafts down.",
        (Action::NockingPoint, true) => "A higher nocking point brings the bare shafts down.",
        (Action::NockingPoint, false) => "A lower nocking point brings the bare shafts up.",
        (Action::ShaftSpine, false) => "Stiffer shafts (a smaller spine number) bend less.",
        (Action::ShaftSpine, true) => "Weaker shafts (a larger spine number) bend more.",
        (Action::ShootMore | Action::Verify | Action::Check | Action::None, _) => "",
    }
}

/// What it means if the shift to expect doesn't come.
fn otherwise(change: Action) -> &'static str {
    match change {
        Action::DrawWeight => {
            "If the bare shafts hardly move or go the other way: check with a scale that the weight changed and that no bolt \
             stands at its stop; else look for contact at the rest or arm and at the release, and shoot another end before \
             anything else."
        }
        Action::ShaftLength => {
            "If they hardly move or go the other way, don't cut again: look for contact at the rest or arm, check that all \
             shafts got the same length and shoot another end."
        }
        Action::PointWeight | Action::RearWeight => {
            "If they hardly move or go the other way: check that all shafts carry the new weight, fletched and bare, then \
             look for contact and at the release, and shoot another end."
        }
        Action::Plunger => {
            "If they hardly move or go the other way: the plunger may stand at its stop, stick, or have play when turned \
             back; take it out, check it, and shoot another end."
        }
        Action::RestHeight | Action::NockingPoint => {
            "If they hardly move or go the other way: measure again with a bow square, look for vanes or nock touching the \
             rest or plate, and shoot another end; then put it back."
        }
        Action::ShaftSpine => {
            "If they still land on the same side by as much: check the spine printed on the shafts, that length and points \
             are as before, and look for contact before buying others."
        }
        Action::ShootMore | Action::Verify | Action::Check | Action::None => "",
    }
}

/// Where the bare shafts should go, how far, and in which range two of three times; `None` where nothing is to be expected.
#[must_use]
pub fn expectation(step: &Step, locale: Locale) -> Option<String> {
    let e = step.expect.as_ref()?;
    let part = |axis, value: f64, sd: Option<f64>| {
        if value.abs() < 0.5 {
            return None;
        }
        let sd = sd.unwrap_or(0.0);
        Some(format!(
            "{} {} (two times in three {})",
            locale.length(value.abs().round_ties_even(), 0),
            FaceSide::of(axis, value).moved(),
            locale.range(value.abs() - sd, value.abs() + sd)
        ))
    };
    let parts: Vec<String> = [
        part(Axis::Horizontal, e.x_mm, e.sd_x_mm),
        part(Axis::Vertical, e.y_mm, e.sd_y_mm),
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
pub fn step_sentence(step: &Step, locale: Locale) -> String {
    let detail = step.detail.text(locale);
    let mut text = format!("{}.", detail.trim_end_matches('.'));
    for part in [expectation(step, locale), Some(step.why.text(locale))]
        .into_iter()
        .flatten()
        .filter(|part| !part.is_empty())
    {
        text.push(' ');
        text.push_str(&part);
    }
    text
}

/// The changes of an advice in a line, `next` and what belongs to it; empty where nothing is changed.
#[must_use]
pub fn changes(advice: &Advice, locale: Locale) -> String {
    let steps = advice.next.iter().chain(&advice.also);
    let changed = steps.filter(|step| step.change.adjusts_a_lever());
    let details: Vec<String> = changed.map(|step| step.detail.text(locale)).collect();
    details.join("; ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn draw_weight_is_said_in_quarter_pounds() {
        assert_eq!(
            bolts(-1.51, Some(34.49), -6),
            "Both limb bolts out by one and a half turns (about 1.5 lb less, to some 34.5 lb)"
        );
        // a quarter turn of a light bow
        assert_eq!(
            bolts(0.11, Some(16.11), 1),
            "Both limb bolts in by a quarter turn (about 0.25 lb more, to some 16 lb)"
        );
    }

    #[test]
    fn more_shots_come_with_a_bow_left_as_it_is() {
        let shoot_more = |pairs| Instruction::ShootMore {
            pairs,
            distance_m: 30.0,
            look_first: false,
        };
        let reached = Instruction::GoalReached {
            pairs: 3,
            distance_m: 18.0,
        };
        let again = Instruction::Verify {
            when: VerifyWhen::AnotherDay,
            pairs: 3,
            distance_m: 30.0,
        };
        for detail in [shoot_more(2), shoot_more(12), reached, again] {
            let text = detail.text(Locale::default());
            assert!(text.contains("Change nothing"), "{text}");
        }
    }

    #[test]
    fn cuts_have_their_sixteenths() {
        let mm = |length| cut_length(length, Locale::default());
        assert_eq!(mm(-1.5875), "1.6 mm (1/16 in)");
        assert_eq!(mm(-3.175), "3.2 mm (1/8 in)");
        assert_eq!(mm(-6.35), "6.3 mm (1/4 in)");
        assert_eq!(mm(28.575), "28.6 mm (1 1/8 in)");
        assert_eq!(mm(5.0), "5 mm");
    }
}

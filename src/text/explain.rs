//! Sentences of the chain from reading to step.

use super::advice::landed;
use super::numbers::{chance, count, ends, number};
use super::terms::{axis_name, lever_in_sentence};
use super::{Locale, Sentence, before_change, sentence};
use crate::advice::{ExplanationItem, Knowledge, LeverObstacle, StepSize};

impl Sentence for ExplanationItem {
    fn text(&self, locale: Locale) -> String {
        match self {
            Self::Reading(reading) => sentence(reading, locale),
            Self::NoRecord => "No record can be used.".to_owned(),
            Self::ShortDistance(distance_m) => format!(
                "Shot at {} m only: carried to 30 m with the offset growing at least in proportion to the distance (physics; how much more is loosely known), \
                 so it may name a side, but neither \"in tune\" nor a cut.",
                number(*distance_m, 1)
            ),
            Self::Tolerance { mm, own } => format!(
                "In tune at 30 m: within {} on each axis ({}).",
                locale.length(*mm, 0),
                if *own {
                    "the archer's own"
                } else {
                    "as is usual"
                }
            ),
            Self::Now {
                seen,
                p_inside,
                p_side,
                setups,
            } => format!(
                "Now, {}: the bare shafts land {}; {} sure of this side, {} that it is in tune (from {}).",
                axis_name(seen.axis),
                landed(seen, locale),
                chance(*p_side),
                chance(*p_inside),
                match setups {
                    0 | 1 => "this set-up alone".to_owned(),
                    n => format!("this set-up and the {} before it", count(*n as i64 - 1)),
                },
            ),
            Self::NoRates(lacking) => format!(
                "What settings are worth against each other could not be worked out: {}. The usual figures stand instead.",
                if lacking.is_empty() {
                    "with these settings the shaft would buckle at full draw or has no stroke"
                        .to_owned()
                } else {
                    format!("the set-up lacks {}", lacking.join(", "))
                }
            ),
            Self::Rates { index, pounds } => rates(*index, *pounds),
            Self::InFlight(hz) => format!(
                "Physics: in flight the bare shaft swings at {hz:.0} Hz (free–free with its end masses); this decides nothing."
            ),
            Self::RearEnds(mm) => format!(
                "Physics: the fletched arrows' nock end differs in weight from the bare shafts'; that alone is worth about {} \
                 to the {} side of the bare shafts. Tape on the bare shafts takes it away.",
                locale.length(mm.abs(), 0),
                if *mm > 0.0 { "weak" } else { "stiff" }
            ),
            Self::Slope {
                change,
                unit,
                prior: [mm, factor],
                source,
                learned,
            } => format!(
                "One {} of {}: {} at 30 m, a factor of {factor:.2} either way ({}){}.",
                match unit.as_str() {
                    "clicks" => "click",
                    "spine" => "unit of spine",
                    unit => unit,
                },
                lever_in_sentence(*change),
                locale.length(*mm, 1),
                match source.as_str() {
                    "physics" => "physics, on a scale of common practice",
                    source => source,
                },
                learned.map_or_else(String::new, |[mm, factor]| format!(
                    "; learned on this bow: {}, a factor of {factor:.2} either way",
                    locale.length(mm, 1)
                ))
            ),
            Self::Bolts { lb, own } => format!(
                "Bolts: a quarter turn of both bolts is about {} lb ({}).",
                number(*lb, 2),
                if *own {
                    "from the set-up".to_owned()
                } else {
                    format!(
                        "common practice, {} % of the draw weight; only a scale tells",
                        number(100.0 * Knowledge::embedded().stated().bolts_share, 1)
                    )
                }
            ),
            Self::InTune {
                p_inside,
                by_earlier_ends,
            } => format!(
                "Height and left and right are both in tune ({} sure), shown by {} from about 30 m or more.",
                chance(*p_inside),
                if *by_earlier_ends {
                    "this set-up's ends together with those of earlier set-ups,"
                } else {
                    "this set-up's own ends"
                }
            ),
            Self::NeutralHere => {
                "Height and left and right are both fine, as far as this distance can show."
                    .to_owned()
            }
            Self::NoChange {
                p_inside,
                p_side,
                horizon_ends,
            } => format!(
                "Neither height nor left and right is out surely enough for a change (less than {} that it is in tune, and more than {} \
                 of one side), in tune isn't shown either, and no small change would show it clearly sooner (looking {horizon_ends} ends \
                 ahead): shoot more.",
                chance(*p_inside),
                chance(*p_side),
            ),
            Self::ShootFirst(cause, _) => before_change::why_shoot(*cause, locale),
            Self::CheckFirst(cause, hand) => before_change::why_check(*cause, *hand, locale),
            Self::PutBack(cause, hand) => before_change::why_put_back(*cause, *hand, locale),
            Self::NothingLeft => "Nothing is left within the limits.".to_owned(),
            Self::SizeUnknown => {
                "Without a set-up the change can be named, but not how far.".to_owned()
            }
            Self::WrongSpine => {
                format!(
                    "More than {} out: the spine is wrong (common practice).",
                    locale.length(600.0, 0)
                )
            }
            Self::Not(change, obstacle) => {
                format!(
                    "Not {}: {}.",
                    lever_in_sentence(*change),
                    why_not(*obstacle, locale)
                )
            }
            Self::Chosen(size) => chosen(size, locale),
            Self::WithOtherAxis(size) => format!("Together with it. {}", chosen(size, locale)),
            Self::WithSameAxis(size) => format!(
                "Together with it: {}, which brings {} {} (give or take {}); both leave about {}.",
                by(size, locale),
                locale.length(size.shift_mm, 0),
                if size.other_way {
                    "the other way"
                } else {
                    "more"
                },
                locale.length_without_unit(size.sd_mm, 0),
                locale.length(size.remaining_mm, 0)
            ),
        }
    }
}

fn rates(index: f64, pounds: [Option<f64>; 4]) -> String {
    let [length, point, nock, spine] =
        pounds.map(|lb| lb.map_or_else(String::new, |lb| number(lb, 2)));
    format!(
        "Physics: the arrow swings {index:.3} times while the string drives it. For this set-up 1/4 in of length does as much as {length} lb, \
         10 gr at the point as {point} lb, 10 gr at the nock as {nock} lb the other way, 50 of spine as {spine} lb (point and nock only to a \
         factor of three and two)."
    )
}

fn why_not(obstacle: LeverObstacle, locale: Locale) -> String {
    let text = match obstacle {
        LeverObstacle::Kept => "the archer keeps it as it is",
        LeverObstacle::Gates => "it can't be undone, and there isn't enough to go by yet",
        LeverObstacle::Contradicted => "moved that way it did not do what it should have",
        LeverObstacle::LongerIsNew => "longer shafts would have to be new ones",
        LeverObstacle::SafeLength => "the shortest safe length isn't known, or it is reached",
        LeverObstacle::NoneAtHand => "none that goes this way is owned, obtainable or known",
        LeverObstacle::Limit => "it is at its limit",
        LeverObstacle::Cut(risk) => {
            return format!(
                "a cut is for a clearly weak arrow only, shown from 30 m, with at most {} risk of going past the middle",
                chance(risk)
            );
        }
        LeverObstacle::NotSooner => "it would not show the bow in tune clearly sooner",
        LeverObstacle::Overshoot => {
            "none that can be had fits what is left, or it isn't shown from 30 m"
        }
        LeverObstacle::PointFirst => {
            return format!(
                "the plunger is for the last {} or so",
                locale.length(Knowledge::embedded().stated().plunger_within_mm, 0)
            );
        }
        LeverObstacle::TooMuch => "its smallest step is too much for what is left",
    };
    text.to_owned()
}

/// "the plunger by -3 clicks".
fn by(size: &StepSize, locale: Locale) -> String {
    let amount = match size.unit.as_str() {
        "mm" => locale.length(size.amount, 2),
        unit => format!("{} {unit}", number(size.amount, 2)),
    };
    format!("{} by {amount}", lever_in_sentence(size.change))
}

/// How far a change goes, and why so far.
fn chosen(size: &StepSize, locale: Locale) -> String {
    let here = size.here_mm.map_or_else(String::new, |(mm, distance_m)| {
        format!(", {} at {} m", locale.length(mm, 0), number(distance_m, 1))
    });
    let risk = size.past_zero.map_or_else(String::new, |p| {
        format!("; risk of going past the middle {}", chance(p))
    });
    let sooner = size.sooner.map_or_else(String::new, |[now, then]| {
        format!(
            " To show it in tune would take about {} more as it is, and about {} after this.",
            ends(now),
            ends(then)
        )
    });
    format!(
        "Chosen: {}. All ends together, {} to go at 30 m; one unit brings {} on average, so this brings {} (give or take {}){here}, \
         and leaves about {}{risk}.{sooner}",
        by(size, locale),
        locale.length(size.to_go_mm, 0),
        locale.length(size.each_mm, 1),
        locale.length(size.shift_mm, 0),
        locale.length_without_unit(size.sd_mm, 0),
        locale.length(size.remaining_mm, 0),
    )
}

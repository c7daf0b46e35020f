//! Sentences of an advice's cautions and failures.

use super::terms::{Side, axis_name, lever_in_sentence};
use super::{Locale, Sentence};
use crate::advice::{About, Axis, Change, Contradiction, LookUp};
use crate::record::Hand;

impl Sentence for About {
    fn text(&self, locale: Locale) -> String {
        let text = match self {
            Self::WhoDecides => {
                "The bow maker's limits, the range's rules and a qualified coach decide, not this program. Inspect carbon shafts before \
                 every session, and never loose without an arrow."
            }
            Self::BareShaftsStray => {
                "A bare shaft can miss the boss: if you don't know the tune yet, start at 18 m, on a full-size boss with clear ground \
                 behind it, within the range's rules."
            }
            Self::LimbBolts => {
                "Turn limb bolts only within the maker's limits, with the bow unstrung, both by the same turns; check brace \
                 height and tiller afterwards and the weight with a scale."
            }
            Self::DrawWeightForm => {
                "Only as much draw weight as is held with good form to the end of the session."
            }
            Self::SafeLength => {
                "Before cutting, check at full draw that the shorter shaft still clears the rest and the bow hand safely: one \
                 that is too short can drop off the rest and be driven into the hand. A cut can't be taken back."
            }
            Self::CuttingCarbon => {
                "Carbon shafts are cut with an abrasive wheel, with water or dust extraction, mask, glasses and gloves; the dust \
                 is harmful."
            }
            Self::NewShafts => {
                "Leave new shafts long at first: length, point and nock end count as much as the spine. Try one borrowed shaft \
                 before buying a set, and check that it clears the rest and the bow hand at full draw."
            }
            Self::ArrowWeight => {
                "Keep the arrow at 5 grains or more for each pound of draw weight: weigh one afterwards."
            }
            Self::NoHand => {
                "Height is within the tolerance; left–right can't be judged without the drawing hand. Add hand to the session \
                 (or --hand)."
            }
            Self::NoDistance => {
                "Without the distance nothing can be called. Add distance_m to the session (or --distance)."
            }
            Self::NoRecords => {
                "No record can be used; measure an end with fletched and bare shafts first."
            }
            Self::LookUp(what) => return find_out_first(what),
            Self::Contradiction { found, hand } => return contradiction(found, *hand, locale),
            Self::UnknownSetup {
                draw_weight_lb,
                shaft_spine,
            } => {
                return format!(
                    "No set-up is told, so the advice names the change but not how far; it takes a middle bow ({draw_weight_lb} lb, spine {shaft_spine}) and \
                     trusts that less. Write draw weight, bolts, spine, length, point and their limits into session.json."
                );
            }
            Self::AtLimits {
                axes,
                weak,
                no_safe_length,
            } => return at_limits(axes, *weak, *no_safe_length),
            Self::Reading(about) => return about.text(locale),
            Self::History(about) => return about.text(locale),
            Self::Written(text) => text,
        };
        text.to_owned()
    }
}

fn find_out_first(what: &[LookUp]) -> String {
    let what: Vec<&str> = what.iter().copied().map(look_up).collect();
    format!(
        "Find out first, and note in the set-up: {}. No limit told is no permission.",
        what.join("; ")
    )
}

const fn look_up(what: LookUp) -> &'static str {
    match what {
        LookUp::BoltTravel => "how far the bolts are out and how far out the bow's maker allows",
        LookUp::Points => "which points you own or can get for these shafts",
        LookUp::Plunger => "where the plunger stands now, in clicks from its usual place",
        LookUp::Height => "where it stands now, measured, so that you can go back",
        LookUp::Spines => "which spines can be had for your shafts' make and length",
        LookUp::ToSize(change) => find_out(change),
    }
}

/// What has to be found out before a change can be sized.
const fn find_out(change: Change) -> &'static str {
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

fn contradiction(found: &Contradiction, hand: Option<Hand>, locale: Locale) -> String {
    let side = |value: f64| {
        let towards = Side::of_tune(found.axis, value, hand).towards();
        format!("{} {towards}", locale.length(value.abs(), 0))
    };
    let axis = axis_name(found.axis);
    let causes = "Usual causes: contact at the rest or the bow arm, the release, a mixed-up shaft, plunger or bolt at its stop, \
                  or a change that wasn't made as noted. Check these and shoot another end";
    if found.wrong_axis {
        return format!(
            "The last change was not one of {axis}, yet the bare shafts moved {} at 30 m. {causes}.",
            side(found.seen_mm)
        );
    }
    let what = found.lever.map_or("the changes".to_owned(), |(c, _)| {
        format!("the change of {}", lever_in_sentence(c))
    });
    let how = if found.wrong_way {
        "went the wrong way"
    } else {
        "did far from what it should have"
    };
    let rest = if found.lever.is_some() {
        "; until then it is not proposed again that way, nor anything that can't be taken back."
    } else {
        "."
    };
    format!(
        "After {what} {axis} {how}: {} was to be expected at 30 m, {} was seen. {causes}{rest}",
        side(found.expected_mm),
        side(found.seen_mm)
    )
}

fn at_limits(axes: &[Axis], weak: bool, no_safe_length: bool) -> String {
    let mut ways: Vec<&str> = Vec::new();
    if axes.contains(&Axis::Vertical) {
        ways.push(
            "for height, more room at the nocking point or rest (limits in the set-up, or another rest)",
        );
    }
    if axes.contains(&Axis::Horizontal) {
        if weak && no_safe_length {
            ways.push(
                "the shafts' length and the shortest that is safe at full draw (limits.shaft_length_mm.min), so that a cut \
                 can be thought of",
            );
        }
        ways.push(if weak {
            "stiffer shafts, lighter points, or weaker limbs"
        } else {
            "weaker or longer shafts, heavier points, or stronger limbs"
        });
    }
    format!(
        "Nothing is left within the limits told. What would open the way: {}.",
        ways.join("; ")
    )
}

//! Sentences of an advice's cautions and failures.

use super::numbers::percent;
use super::terms::{FaceSide, along, axis_name, lever_in_sentence};
use super::{Locale, Sentence};
use crate::advice::{Action, Axis, CautionKind, Contradiction, LookUp};
use crate::record::{Hand, Lever};

impl Sentence for CautionKind {
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
                 that is too short can drop off the rest and be driven into the hand."
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
            Self::NoHand => locale.either(
                "Height is within the tolerance; left–right can't be judged without the drawing hand. Add hand to the session \
                 (or --hand).",
                "Height is within the tolerance; left–right can't be judged without the drawing hand. Say which it is.",
            ),
            Self::NoDistance => locale.either(
                "Without the distance nothing can be called. Add distance_m to the session (or --distance).",
                "Without the distance nothing can be called. Say how far it was.",
            ),
            Self::NoRecords => {
                "No record can be used; measure an end with fletched and bare shafts first."
            }
            Self::LookUp(what) => return find_out_first(what),
            Self::Contradiction { found, hand } => return contradiction(found, *hand, locale),
            Self::AfterDrawWeight {
                higher_mm,
                distance_m,
            } => {
                let sight = higher_mm.map_or_else(
                    || "the sight mark moves".to_owned(),
                    |mm| {
                        format!(
                            "arrows land about {} {} at {} m, so set the sight",
                            locale.length((mm.abs() / 5.0).round() * 5.0, 0),
                            if mm > 0.0 { "higher" } else { "lower" },
                            super::numbers::number(*distance_m, 0)
                        )
                    },
                );
                return format!(
                    "Afterwards {sight}; measure nocking point and brace height again."
                );
            }
            Self::AfterCut => "Afterwards set the clicker to the new length, and the sight.",
            Self::AfterRest => {
                "Afterwards see that the plunger meets the middle of the shaft, and that the arrow still clears the plate."
            }
            Self::ByEarlierEnds { ends, own, all } => {
                return format!(
                    "The {ends} ends with this set-up alone make it {} sure that the bow is in tune; together with the ends before \
                     the changes it is {} sure.",
                    percent(*own),
                    percent(*all)
                );
            }
            Self::AfterTune => {
                return format!(
                    "What comes next: three ends with fletched arrows only; then the plunger in single clicks for the size of the \
                     group (some 40 shots with each setting tell a difference of a third); then longer distances; and write the \
                     log card{}.",
                    locale.either(" (`bossmark card`)", "")
                );
            }
            Self::SightOff {
                x_mm,
                y_mm,
                distance_m,
            } => {
                let part = |axis, v: f64| {
                    let size = (v.abs() / 5.0).round() * 5.0;
                    format!("{} {}", locale.length(size, 0), FaceSide::of(axis, v).name())
                };
                let mut parts = Vec::new();
                if y_mm.abs() >= 10.0 {
                    parts.push(part(Axis::Vertical, *y_mm));
                }
                if x_mm.abs() >= 10.0 {
                    parts.push(part(Axis::Horizontal, *x_mm));
                }
                return format!(
                    "The fletched group sits about {} of the middle at {} m: move the sight the same way (follow the arrows).",
                    parts.join(" and "),
                    super::numbers::number(*distance_m, 0)
                );
            }
            Self::Several(levers) => {
                let names: Vec<&str> = levers.iter().map(|l| lever_of(*l)).collect();
                return format!(
                    "Several things were changed at once ({}), so the shots can't tell which of them did what. Change one at a time.",
                    names.join(", ")
                );
            }
            Self::Crooked(degrees) => {
                return format!(
                    "The bare shafts stand {degrees} degrees crooked against the fletched ones while they land close: possibly a false \
                     tune. Shoot from another distance, and look at the nocking point."
                );
            }
            Self::LightArrow(per_lb) => {
                return format!(
                    "The arrow has only {per_lb:.1} grains for each pound of draw weight; 5 is the least that is safe for the bow. \
                     Use a heavier point or shaft, or less draw weight, before you shoot on."
                );
            }
            Self::ShortShafts([now, min]) => {
                return format!(
                    "The shafts are {} long, below the shortest that you call safe ({}): don't shoot them before someone has \
                     checked the clearance at full draw.",
                    locale.length(*now, 1),
                    locale.length(*min, 1)
                );
            }
            Self::NockingPointOut([now, low, high]) => {
                return format!(
                    "The nocking point stands {} above square; usual are {} to {}. Measure it again with a bow square, and check \
                     rest height and tiller before you tune.",
                    locale.length(*now, 1),
                    locale.length_without_unit(*low, 0),
                    locale.length(*high, 0)
                );
            }
            Self::Goal(metres) => {
                return format!(
                    "Tuned for {metres} m: there bare shafts show side and height roughly, and thick shafts little of the spine; \
                     what counts is the size of the fletched group."
                );
            }
            Self::UnknownSetup {
                draw_weight_lb,
                shaft_spine,
            } => {
                let where_to = locale.either(
                    "Write draw weight, bolts, spine, length, point and their limits into session.json.",
                    "Note draw weight, bolts, spine, length, point and their limits with the bow.",
                );
                return format!(
                    "Without a set-up the advice names the change but not how far; it assumes a typical bow ({draw_weight_lb} lb, spine {shaft_spine}). \
                     {where_to}"
                );
            }
            Self::AtLimits {
                axes,
                weak,
                no_safe_length,
                growing,
            } => return at_limits(axes, *weak, *no_safe_length, *growing),
            Self::Reading(about) => return about.text(locale),
            Self::History(about) => return about.text(locale),
            Self::Written(text) => text,
        };
        text.to_owned()
    }
}

/// A lever as people call it.
pub(super) const fn lever_of(lever: Lever) -> &'static str {
    match lever {
        Lever::DrawWeight => "draw weight",
        Lever::ShaftSpine => "shafts",
        Lever::ShaftLength => "shaft length",
        Lever::PointWeight => "points",
        Lever::RearWeight => "nock ends",
        Lever::Plunger => "plunger",
        Lever::NockingPoint => "nocking point",
        Lever::RestHeight => "rest",
        Lever::BraceHeight => "brace height",
        Lever::DrawLength => "draw length",
    }
}

fn find_out_first(what: &[LookUp]) -> String {
    let what: Vec<&str> = what.iter().copied().map(look_up).collect();
    format!(
        "Find out first, and note in the set-up: {}. Check the maker's limits first.",
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
const fn find_out(change: Action) -> &'static str {
    match change {
        Action::DrawWeight => {
            "your draw weight on the fingers (a bow scale) and how many turns the limb bolts are out, with the maker's limits"
        }
        Action::PointWeight => "what your points weigh and which others you own",
        Action::Plunger => "where the plunger stands, in clicks from its usual place",
        Action::RestHeight | Action::NockingPoint => {
            "the height of the nocking point above square and of the rest, with a bow square"
        }
        Action::ShaftSpine => {
            "the spine and length of your shafts, printed on them or known to the shop"
        }
        Action::ShaftLength => {
            "the length of your shafts and the shortest that is safe at your full draw"
        }
        Action::RearWeight => "what nock, wrap and vanes weigh",
        Action::ShootMore | Action::Verify | Action::Check | Action::None => "",
    }
}

fn contradiction(found: &Contradiction, hand: Option<Hand>, locale: Locale) -> String {
    let side = |value: f64| {
        let towards = FaceSide::of_signed_offset(found.axis, value, hand).towards();
        format!("{} {towards}", locale.length(value.abs(), 0))
    };
    let axis = axis_name(found.axis);
    let causes = "Usual causes: contact at the rest or the bow arm, the release, a mixed-up shaft, plunger or bolt at its stop, \
                  or a change that wasn't made as noted. Check these and shoot another end";
    if found.wrong_axis {
        return format!(
            "The last change should not have moved the bare shafts {}, yet they moved {} at 30 m. {causes}.",
            along(found.axis),
            side(found.seen_mm)
        );
    }
    let what = found.lever.map_or("the changes".to_owned(), |(c, _)| {
        format!("the change of {}", lever_in_sentence(c))
    });
    let how = if found.wrong_way {
        "went the wrong way"
    } else {
        "did something else than it should have"
    };
    let rest = if found.lever.is_some() {
        "; until then it stays as it is, and nothing is done that can't be undone."
    } else {
        "."
    };
    format!(
        "After {what}, {axis} {how}: it should have brought the bare shafts {} at 30 m, and brought them {}. {causes}{rest}",
        side(found.expected_mm),
        side(found.seen_mm)
    )
}

fn at_limits(axes: &[Axis], weak: bool, no_safe_length: bool, growing: bool) -> String {
    let mut ways: Vec<&str> = Vec::new();
    if axes.contains(&Axis::Vertical) {
        ways.push(
            "for height, more room at the nocking point or rest (limits in the set-up, or another rest)",
        );
    }
    if axes.contains(&Axis::Horizontal) {
        if weak && growing {
            ways.push("a cut, which is left out while the archer is growing unless you ask for it (growing in the set-up)");
        } else if weak && no_safe_length {
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
        "Nothing is left within the limits. What would open the way: {}.",
        ways.join("; ")
    )
}

//! Cautions: what to take care of with a step, and what to keep in mind with the advice as a whole.

use super::contradictions::Contradiction;
use super::knowledge::Axis;
use super::situation::Situation;
use super::{Change, Step, VerifyWhen, words};
use crate::record::Note;

/// The line that goes with every advice.
pub(crate) fn general() -> Note {
    Note::new(
        "who-decides",
        "The bow maker's limits, the range's rules and a qualified coach decide, not this program. Inspect carbon shafts before \
         every session, and never loose without an arrow.",
    )
}

/// A bare shaft can miss: where the newest set-up or its tune is new, or the distance is long.
pub(crate) fn bare_shafts() -> Note {
    Note::new(
        "bare-shafts-stray",
        "A bare shaft can miss the boss: if you don't know the tune yet, start at 18 m, on a full-size boss with clear ground \
         behind it, within the range's rules.",
    )
}

/// Cautions of one step: those that it needs and no others.
pub(super) fn of_step(step: &Step, weight_known: bool) -> Vec<Note> {
    let more = step.amount.is_some_and(|a| a > 0.0);
    let mut notes = Vec::new();
    match step.change {
        Change::DrawWeight => {
            notes.push(Note::new(
                "limb-bolts",
                "Turn limb bolts only within the maker's limits, with the bow unstrung, both by the same turns; check brace \
                 height and tiller afterwards and the weight with a scale.",
            ));
            if more {
                notes.push(Note::new(
                    "draw-weight-form",
                    "Only as much draw weight as is held with good form to the end of the session.",
                ));
            }
        }
        Change::ShaftLength => {
            notes.push(Note::new(
                "safe-length",
                "Before cutting, check at full draw that the shorter shaft still clears the rest and the bow hand safely: one \
                 that is too short can drop off the rest and be driven into the hand. A cut can't be taken back.",
            ));
            notes.push(Note::new(
                "cutting-carbon",
                "Carbon shafts are cut with an abrasive wheel, with water or dust extraction, mask, glasses and gloves; the dust \
                 is harmful.",
            ));
        }
        Change::ShaftSpine => {
            notes.push(Note::new(
                "new-shafts",
                "Leave new shafts long at first: length, point and nock end count as much as the spine. Try one borrowed shaft \
                 before buying a set, and check that it clears the rest and the bow hand at full draw.",
            ));
            notes.push(bare_shafts());
        }
        Change::PointWeight | Change::RearWeight | Change::Plunger => {}
        Change::NockingPoint | Change::RestHeight => {}
        Change::ShootMore => notes.push(bare_shafts()),
        // back to the place where they were in tune needs no such warning
        Change::Verify if step.when == Some(VerifyWhen::AnotherDay) => {}
        Change::Verify => notes.push(bare_shafts()),
        Change::None => {}
    }
    let lighter = match step.change {
        Change::DrawWeight => more,
        Change::PointWeight | Change::RearWeight | Change::ShaftLength => !more,
        Change::ShaftSpine => true,
        _ => false,
    };
    if lighter && !weight_known {
        notes.push(Note::new(
            "arrow-weight",
            "Keep the arrow at 5 grains or more for each pound of draw weight: weigh one afterwards.",
        ));
    }
    notes
}

/// What has to be looked up before a step is taken.
pub(super) fn look_up(what: &[&str]) -> Option<Note> {
    (!what.is_empty()).then(|| {
        Note::new(
            "setup-incomplete",
            format!(
                "Find out first, and note in the set-up: {}. No limit told is no permission.",
                what.join("; ")
            ),
        )
    })
}

/// Contradictions that concern the present: of the newest change, or of a lever that is therefore left alone.
pub(super) fn contradiction(found: &Contradiction, situation: &Situation) -> Note {
    let side = |value: f64| {
        format!(
            "{:.0} mm {}",
            value.abs(),
            match words::side(found.axis, value, situation.hand) {
                "high" => "up",
                "low" => "down",
                "right" => "to the right",
                _ => "to the left",
            }
        )
    };
    let axis = match found.axis {
        Axis::Vertical => "height",
        Axis::Horizontal => "left–right",
    };
    let causes = "Usual causes: contact at the rest or the bow arm, the release, a mixed-up shaft, plunger or bolt at its stop, \
                  or a change that wasn't made as noted. Check these and shoot another end";
    let text = if found.wrong_axis {
        format!(
            "The last change was not one of {axis}, yet the bare shafts moved {} at 30 m. {causes}.",
            side(found.seen_mm)
        )
    } else {
        let what = found.lever.map_or("the changes".to_owned(), |(c, _)| {
            format!("the change of {}", plain(c))
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
    };
    Note::new("contradiction", text)
}

/// A lever's name in a sentence.
pub(super) fn plain(change: Change) -> &'static str {
    match change {
        Change::DrawWeight => "draw weight",
        Change::ShaftLength => "shaft length",
        Change::PointWeight => "point weight",
        Change::RearWeight => "rear weight",
        Change::Plunger => "the plunger",
        Change::NockingPoint => "the nocking point",
        Change::RestHeight => "the rest's height",
        Change::ShaftSpine => "the shafts",
        Change::ShootMore | Change::Verify | Change::None => "nothing",
    }
}

/// Nothing left within the limits on these axes: what would open the way.
pub(super) fn at_limits(axes: &[Axis], situation: &Situation) -> Note {
    let mut ways: Vec<&str> = Vec::new();
    if axes.contains(&Axis::Vertical) {
        ways.push(
            "for height, more room at the nocking point or rest (limits in the set-up, or another rest)",
        );
    }
    if axes.contains(&Axis::Horizontal) {
        let weak = situation.u.as_ref().is_some_and(|u| u.offset.mean > 0.0);
        let setup = &situation.setup;
        let no_min = setup
            .limits
            .as_ref()
            .and_then(|l| l.get("shaft_length_mm"))
            .and_then(|l| l.min)
            .is_none();
        if weak && (no_min || setup.shaft_length_mm.is_none()) {
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
    Note::new(
        "at-limits",
        format!(
            "Nothing is left within the limits told. What would open the way: {}.",
            ways.join("; ")
        ),
    )
}

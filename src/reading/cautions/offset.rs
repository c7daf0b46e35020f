//! Cautions on the offset: what its size, its surroundings and the shafts' lean say about it.

use super::Seen;
use crate::reading::Posterior;
use crate::reading::calls::AxisCall;
use crate::record::Note;

/// A lean contradicts only when it is this many of its own sd.
const LEAN_SURE: f64 = 2.0;

pub(super) fn either_side(seen: &Seen<'_>) -> Option<Note> {
    let where_ = match seen.calls.either_side {
        [false, false] => return None,
        [true, false] => "left and right",
        [false, true] => "above and below",
        [true, true] => "left and right, above and below",
    };
    Some(Note::new(
        "either-side",
        format!(
            "Only two shots of one kind, and they lie {where_} of the other group: nothing is called there. Shoot at least \
             three of each kind."
        ),
    ))
}

pub(super) fn wrong_spine(seen: &Seen<'_>, posterior: &Posterior) -> Option<Note> {
    let distance = seen.distance_m?;
    let assumptions = seen.assumptions;
    let limit = assumptions.wrong_spine_mm * (distance / assumptions.reference_distance_m).max(1.0);
    let offset = posterior.axes[0].mean_mm.abs();
    (offset > limit).then(|| {
        Note::new(
            "wrong-spine",
            format!(
                "{offset:.0} mm to the side at {distance} m is more than tuning takes up: the shafts are probably of the wrong \
                 spine. Try other shafts before anything else, and go closer until they all hit the boss."
            ),
        )
    })
}

pub(super) fn wide_scatter(seen: &Seen<'_>, posterior: &Posterior) -> Option<Note> {
    seen.too_wide.then(|| {
        Note::new(
        "wide-scatter",
        format!(
            "The groups are wider than the difference that is left (fletched shots {:.0} by {:.0} mm standard deviation). More \
             shots tonight won't settle it: shoot closer groups another day, or with rested arms.",
            posterior.fletched_sd_mm[0], posterior.fletched_sd_mm[1]
        ),
        )
    })
}

pub(super) fn roll(seen: &Seen<'_>, posterior: &Posterior) -> Option<Note> {
    posterior
        .axes
        .iter()
        .any(|axis| axis.roll_mm2 > seen.assumptions.roll_share * axis.whole_variance_mm2())
        .then(|| {
            Note::new(
                "roll",
                "How upright the photo is isn't known well enough, and a turned photo mixes left-right with high-low. Tap two \
                 points of a level or upright line with `bossmark confirm`, or photograph the whole paper with its edges.",
            )
        })
}

/// A weak shaft (bare right, right-handed) stands nock left, and bare shafts that hit high stand nock low: the lean
/// points the other way than the offset. \[practice\]
pub(super) fn contradicting_lean(seen: &Seen<'_>, posterior: &Posterior) -> Option<Note> {
    let lean = seen.lean?;
    let leans = [lean.right_deg, lean.up_deg];
    let contradicts = (0..2).any(|axis: usize| {
        let called = matches!(
            seen.calls.axes[axis],
            AxisCall::Positive | AxisCall::Negative
        );
        called
            && leans[axis].abs()
                > (LEAN_SURE * lean.sd_deg).max(seen.assumptions.lean_contradiction_deg)
            && leans[axis].signum() * posterior.axes[axis].mean_mm > 0.0
    });
    contradicts.then(|| {
        Note::new(
            "lean",
            "The bare shafts stand in the boss the other way round than where they hit suggests. Look for contact at the rest \
             or the arm, and shoot one bare shaft from a few paces to see how it stands before changing much.",
        )
    })
}

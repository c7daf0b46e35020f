//! Cautions on the offset: what its size, its surroundings and the shafts' lean say about it.

use super::CautionInput;
use crate::reading::Posterior;
use crate::reading::about::{Caution, CautionKind};
use crate::reading::calls::AxisCall;

/// A lean contradicts only when it is this many of its own sd.
const LEAN_SIGMAS: f64 = 2.0;

pub(super) fn either_side(input: &CautionInput<'_>) -> Option<Caution> {
    let axes = input.calls.either_side;
    (axes != [false; 2]).then(|| Caution::new("either-side", CautionKind::EitherSide(axes)))
}

pub(super) fn wrong_spine(input: &CautionInput<'_>, posterior: &Posterior) -> Option<Caution> {
    let distance_m = input.distance_m?;
    let assumptions = input.assumptions;
    let limit =
        assumptions.wrong_spine_mm * (distance_m / assumptions.reference_distance_m).max(1.0);
    let offset_mm = posterior.axes[0].mean_mm.abs();
    let about = CautionKind::WrongSpine {
        offset_mm,
        distance_m,
    };
    (offset_mm > limit).then(|| Caution::new("wrong-spine", about))
}

pub(super) fn wide_scatter(input: &CautionInput<'_>, posterior: &Posterior) -> Option<Caution> {
    let about = CautionKind::WideScatter(posterior.fletched_sd_mm);
    input.too_wide.then(|| Caution::new("wide-scatter", about))
}

pub(super) fn roll(input: &CautionInput<'_>, posterior: &Posterior) -> Option<Caution> {
    posterior
        .axes
        .iter()
        .any(|axis| {
            axis.roll_variance_mm2 > input.assumptions.roll_share * axis.whole_variance_mm2()
        })
        .then(|| Caution::new("roll", CautionKind::Roll))
}

/// A weak shaft (bare right, right-handed) stands nock left, and bare shafts that hit high stand nock low: the lean
/// points the other way than the offset. \[practice\]
pub(super) fn contradicting_lean(
    input: &CautionInput<'_>,
    posterior: &Posterior,
) -> Option<Caution> {
    let lean = input.lean?;
    let leans = [lean.right_deg, lean.up_deg];
    let contradicts = (0..2).any(|axis: usize| {
        let called = matches!(
            input.calls.axes[axis],
            AxisCall::Positive | AxisCall::Negative
        );
        called
            && leans[axis].abs()
                > (LEAN_SIGMAS * lean.sd_deg).max(input.assumptions.lean_contradiction_deg)
            && leans[axis].signum() * posterior.axes[axis].mean_mm > 0.0
    });
    contradicts.then(|| Caution::new("lean", CautionKind::Lean))
}

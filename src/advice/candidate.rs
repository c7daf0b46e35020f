//! One step with what it is expected to do.

use super::adjustments::Adjustment;
use super::bow_state::AxisState;
use super::knowledge::{Axis, Knowledge};
use super::learn::LearnedSlope;
use super::{Action, LookUp, MissedBare};

/// An adjustment of one lever with its expected effect.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Candidate {
    pub(super) action: Action,
    pub(super) axis: Axis,
    pub(super) step: Adjustment,
    /// Shift of the signed offset to expect at 30 m, mm, and its variance.
    pub(super) shift_mm: f64,
    pub(super) variance_mm2: f64,
    /// The variance that is stated to the archer, mm²: see `prediction_sd` in `calibration/advice.json`.
    pub(super) predicted_variance_mm2: f64,
    /// What has to be looked up first.
    pub(super) look_up: Vec<LookUp>,
    /// Spines worth trying, lowest first (`shaft-spine`).
    pub(super) spines: Option<[f64; 2]>,
    /// A cut's probability of going past zero.
    pub(super) past_zero: Option<f64>,
    /// Bare shafts that missed, where they are the reason.
    pub(super) missed: Option<MissedBare>,
    /// A tweak: ends still needed to show the bow in tune, without it and with it.
    pub(super) tweak: Option<[f64; 2]>,
}

/// What an adjustment adds to the variance of the offset: the variance of its shift, and twice its covariance with the offset.
pub(super) fn added_variance_mm2(state: &AxisState, choice: &Candidate) -> f64 {
    let cov = state
        .learned_slope(choice.action)
        .map_or(0.0, |b| b.median * b.cov_offset);
    let sign = state.slope(choice.action).map_or(0.0, |s| s.sign);
    choice.variance_mm2 + 2.0 * sign * choice.step.amount * cov
}

/// The step nearest to a target; `None` when zero is nearer.
pub(super) fn nearest(steps: &[Adjustment], target: f64) -> Option<Adjustment> {
    let off = |amount: f64| (amount.abs() - target).abs();
    steps
        .iter()
        .copied()
        .filter(|step| off(step.amount) <= off(0.0))
        .min_by(|a, b| off(a.amount).total_cmp(&off(b.amount)))
}

/// An adjustment with the shift to expect of it.
pub(super) fn candidate(
    state: &AxisState,
    action: Action,
    step: Adjustment,
    beta: LearnedSlope,
    look_up: Vec<LookUp>,
    k: &Knowledge,
) -> Candidate {
    let a = &k.learning;
    let n = step.amount;
    let shafts = if action == Action::ShaftSpine {
        a.new_shafts_sd_mm * a.new_shafts_sd_mm
    } else {
        0.0
    };
    let variance_mm2 = n * n * beta.variance()
        + (a.shift_relative_sd * n * beta.median).powi(2)
        + a.repeat_setup_sd_mm * a.repeat_setup_sd_mm
        + shafts;
    let factor = if state.times_tried(action) > 0 {
        k.prediction_sd.tried
    } else {
        k.prediction_sd.untried
    };
    Candidate {
        action,
        axis: state.axis,
        step,
        shift_mm: state.slope(action).map_or(0.0, |s| s.sign) * n * beta.mean(),
        variance_mm2,
        predicted_variance_mm2: factor * factor * variance_mm2,
        look_up,
        spines: None,
        past_zero: None,
        missed: None,
        tweak: None,
    }
}

/// The pair of changes with the least expected square of what is left, if that is a clear gain.
pub(super) fn best_pair(
    state: &AxisState,
    pairs: impl Iterator<Item = [Candidate; 2]>,
    k: &Knowledge,
) -> Option<Vec<Candidate>> {
    let m = state.offset.mean;
    let square = |pair: &[Candidate; 2]| {
        (m + pair[0].shift_mm + pair[1].shift_mm).powi(2)
            + pair[0].variance_mm2
            + pair[1].variance_mm2
    };
    pairs
        .map(|pair| (square(&pair), pair))
        .filter(|(square, _)| *square < k.policy.pair_gain * m * m)
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, pair)| pair.to_vec())
}

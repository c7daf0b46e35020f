//! How many ends it takes to show this bow in tune, as it is and after an adjustment, by `ends_to_in_tune`.

use super::bow_state::{AxisState, BowState};
use super::candidate::{Candidate, added_variance_mm2};
use super::ends_to_in_tune::{AllEndsCriterion, AxisForecast, Goal, ends_to_in_tune};
use super::knowledge::{Axis, Knowledge};
use super::learn::Observation;
use crate::math::Normal;

/// Expected number of ends until the bow is shown to be in tune: after these adjustments, or without any.
pub(super) fn ends_after_step(
    bow: &BowState,
    state: &AxisState,
    choices: &[Candidate],
    k: &Knowledge,
) -> f64 {
    let other = match state.axis {
        Axis::Vertical => bow.horizontal.as_ref(),
        Axis::Horizontal => Some(&bow.vertical),
    };
    let found = other.and_then(|o| Some((o, state.forecast?, o.forecast?)));
    let Some((other_state, this, other)) = found else {
        return k.policy.horizon_ends as f64;
    };
    let goal = Goal {
        tolerance_mm: bow.tolerance_mm,
        probability: bow.in_tune_probability(k),
        horizon: k.policy.horizon_ends,
        by_all: AllEndsCriterion {
            probability: k.policy.in_tune_by_all,
            own: k.policy.in_tune_by_all_own,
            ends: k.policy.in_tune_by_all_ends as usize,
        },
    };
    if choices.is_empty() {
        return ends_to_in_tune([&this, &other], bow.own_ends, goal);
    }
    let changed = this.at(offset_after(state, choices, k));
    // ends shot before with the same settings count again
    let before = match choices {
        [one] => bow.earlier_runs_after(one.action, &one.step),
        _ => Vec::new(),
    };
    let ends: usize = before.iter().map(|&run| bow.ends_of_runs[run]).sum();
    let forecasts = [(state, changed), (other_state, other)]
        .map(|(state, forecast)| with_own(state, forecast, &before, ends));
    match forecasts {
        [Some(this), Some(other)] => ends_to_in_tune([&this, &other], ends, goal),
        _ => ends_to_in_tune([&changed, &other], 0, goal),
    }
}

/// The offset after these adjustments, by the slopes; for a lever that was adjusted on this bow before, by the whole history, in which the same
/// settings may have been shot.
fn offset_after(state: &AxisState, choices: &[Candidate], k: &Knowledge) -> Normal {
    if let [one] = choices
        && state.times_tried(one.action) > 0
    {
        let there = state.offset_by_history_after(one.action, &one.step, k);
        let arrows = state.forecast.map_or(0.0, |f| f.arrow_variance_mm2);
        return Normal {
            sd: (there.sd.powi(2) + arrows).sqrt(),
            ..there
        };
    }
    let shift: f64 = choices.iter().map(|c| c.shift_mm).sum();
    let known: f64 = choices.iter().map(|c| added_variance_mm2(state, c)).sum();
    Normal {
        mean: state.offset.mean + shift,
        sd: (state.offset.sd.powi(2) + known).max(1.0).sqrt(),
    }
}

/// The same with what these runs' own ends say of the axis.
fn with_own(
    state: &AxisState,
    forecast: AxisForecast,
    runs: &[usize],
    ends: usize,
) -> Option<AxisForecast> {
    let observations = runs
        .iter()
        .map(|&run| state.interventions.get(run)?.observed);
    let all: Option<Vec<Observation>> = observations.collect();
    let own = all?.into_iter().reduce(Observation::and)?;
    Some(AxisForecast {
        own_mm: own.mean_mm,
        end_mm2: own.variance_mm2 * ends as f64,
        ..forecast
    })
}

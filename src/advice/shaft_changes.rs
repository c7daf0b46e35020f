//! Changes of the shafts themselves: a cut, another spine.

use super::Change;
use super::choice::{Choice, best_pair, choice};
use super::knowledge::Knowledge;
use super::learn::Beta;
use super::moves::{Move, moves};
use super::situation::{AxisState, Situation};
use crate::math::normal_cdf;

/// A cut, if everything that allows one holds: weak, clearly, at 30 m or more, and with little risk of going past zero.
/// Where the risk forbids even the shortest cut and the bolts are at their limit, a cut made good by more draw weight.
pub(super) fn cut(situation: &Situation, state: &AxisState, k: &Knowledge) -> Option<Vec<Choice>> {
    let p = &k.policy;
    let m = state.offset.mean;
    let allowed =
        m > p.cut_above_mm && state.offset.side() >= p.cut_side && !state.is_contradicted();
    if !allowed {
        return None;
    }
    let beta = state.beta(Change::ShaftLength)?;
    let cuts = situation.towards_zero(state, Change::ShaftLength, k);
    let risk = |step: &Move, less: Option<&Choice>| past_zero(state, beta, step.amount, less, k);
    // the risk grows with the length, so the last one that is small enough is the longest
    let longest = cuts
        .steps
        .iter()
        .take(p.cut_portion_steps)
        .take_while(|step| risk(step, None) <= p.cut_past_zero)
        .last();
    if let Some(&step) = longest {
        let past_zero = Some(risk(&step, None));
        let chosen = choice(state, Change::ShaftLength, step, beta, Vec::new(), k);
        return Some(vec![Choice {
            past_zero,
            ..chosen
        }]);
    }
    let bolts = Change::DrawWeight;
    if !situation.towards_zero(state, bolts, k).steps.is_empty() {
        return None;
    }
    let back = -state.direction(bolts)?;
    if situation.blocked(state, bolts, back) {
        return None;
    }
    let bolt_beta = state.beta(bolts)?;
    let up = moves(&situation.setup, bolts, back, k);
    let weights: Vec<Choice> = up
        .steps
        .iter()
        .map(|&step| choice(state, bolts, step, bolt_beta, up.look_up.clone(), k))
        .collect();
    let pairs = cuts
        .steps
        .iter()
        .take(p.cut_portion_steps)
        .flat_map(|&step| {
            weights
                .iter()
                .map(move |weight| (step, weight))
                .filter(|(step, weight)| risk(step, Some(weight)) <= p.cut_past_zero)
                .map(|(step, weight)| {
                    let past_zero = Some(risk(&step, Some(weight)));
                    let cut = choice(state, Change::ShaftLength, step, beta, Vec::new(), k);
                    [Choice { past_zero, ..cut }, weight.clone()]
                })
                .collect::<Vec<_>>()
        });
    best_pair(state, pairs, k)
}

/// Probability that the offset goes past zero with a cut (`amount` < 0), `less` being done together with it.
pub(super) fn past_zero(
    state: &AxisState,
    beta: Beta,
    amount: f64,
    less: Option<&Choice>,
    k: &Knowledge,
) -> f64 {
    let n = amount.abs();
    let m = state.offset.mean;
    let (back, more) = less.map_or((0.0, 0.0), |c| (c.shift_mm, c.variance_mm2));
    let left = m - n * beta.mean() + back;
    let variance = state.offset.sd.powi(2)
        + n * n * beta.variance()
        + (k.learning.shift_share * n * beta.median).powi(2)
        - 2.0 * n * beta.median * beta.cov_offset
        + more;
    normal_cdf(-left / variance.max(1.0).sqrt())
}

/// The spine that leaves least of the offset, if that is a clear gain.
pub(super) fn next_spine(
    situation: &Situation,
    state: &AxisState,
    k: &Knowledge,
) -> Option<Choice> {
    if state.is_contradicted() {
        return None;
    }
    let beta = state.beta(Change::ShaftSpine)?;
    let found = situation.towards_zero(state, Change::ShaftSpine, k);
    let m = state.offset.mean;
    let left = |choice: &Choice| (m + choice.shift_mm).abs();
    found
        .steps
        .iter()
        .map(|&step| {
            choice(
                state,
                Change::ShaftSpine,
                step,
                beta,
                found.look_up.clone(),
                k,
            )
        })
        .min_by(|a, b| left(a).total_cmp(&left(b)))
        .filter(|best| left(best) <= k.evidence.spine_left_share * m.abs())
}

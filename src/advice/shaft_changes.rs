//! Changes of the shafts themselves: a cut, another spine.

use super::Action;
use super::adjustments::{Adjustment, adjustments, present};
use super::bow_state::{AxisState, BowState};
use super::candidate::{Candidate, best_pair, candidate, nearest};
use super::knowledge::Knowledge;
use super::learn::LearnedSlope;
use crate::math::normal_cdf;

/// Horizontal changes that can be undone, the plunger aside.
const REVERSIBLE: [Action; 3] = [Action::DrawWeight, Action::PointWeight, Action::RearWeight];

/// A cut, if everything that allows one holds: weak, clearly, and with little risk of going past zero (from where is a gate of `policy`); or,
/// once all that can be undone is used up, of going past the tolerance, since that could be turned back then.
/// Where the risk forbids even the shortest cut and the bolts are at their limit, a cut made good by more draw weight.
pub(super) fn cut(bow: &BowState, state: &AxisState, k: &Knowledge) -> Option<Vec<Candidate>> {
    let p = &k.policy;
    let m = state.offset.mean;
    let used_up = is_used_up(bow, state, k);
    let allowed =
        (m > p.cut_above_mm || used_up && m > 0.0) && state.offset.p_side() >= p.cut_from_p_side;
    if !allowed {
        return None;
    }
    let beta = state.learned_slope(Action::ShaftLength)?;
    let cuts = bow.towards_zero(state, Action::ShaftLength, k);
    let risk = |step: &Adjustment, less: Option<&Candidate>| {
        p_overshoot(state, beta, step.amount, less, 0.0, k)
    };
    let far_past = |step: &Adjustment| {
        let tolerance = bow.tolerance_mm;
        p_overshoot(state, beta, step.amount, None, tolerance, k)
    };
    let small_enough = |step: &Adjustment| {
        risk(step, None) <= p.cut_past_zero || used_up && far_past(step) <= p.cut_past_tolerance
    };
    // the risk grows with the length, so the last one that is small enough is the longest
    let longest = cuts
        .steps
        .iter()
        .take(p.cut_portion_steps)
        .take_while(|step| small_enough(step))
        .last()
        .copied();
    let finest = || finest_cut(bow, &cuts.steps, k).filter(small_enough);
    if let Some(step) = longest.or_else(finest) {
        let past_zero = Some(risk(&step, None));
        let chosen = candidate(state, Action::ShaftLength, step, beta, Vec::new(), k);
        return Some(vec![Candidate {
            past_zero,
            ..chosen
        }]);
    }
    let bolts = Action::DrawWeight;
    if !bow.towards_zero(state, bolts, k).steps.is_empty() {
        return None;
    }
    let back = -state.direction(bolts)?;
    if bow.blocked(state, bolts, back) {
        return None;
    }
    let bolt_beta = state.learned_slope(bolts)?;
    let up = adjustments(&bow.setup, bolts, back, k);
    let weights: Vec<Candidate> = up
        .steps
        .iter()
        .map(|&step| candidate(state, bolts, step, bolt_beta, up.look_up.clone(), k))
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
                    let cut = candidate(state, Action::ShaftLength, step, beta, Vec::new(), k);
                    [Candidate { past_zero, ..cut }, weight.clone()]
                })
                .collect::<Vec<_>>()
        });
    best_pair(state, pairs, k)
}

/// The shortest cut there is, where an ordinary one is possible and the archer names no step.
fn finest_cut(bow: &BowState, ordinary: &[Adjustment], k: &Knowledge) -> Option<Adjustment> {
    let limits = bow.setup.limits.as_ref();
    let own = limits.and_then(|all| all.get("shaft_length_mm")?.step);
    let possible = own.is_none() && !ordinary.is_empty();
    possible.then_some(Adjustment {
        amount: -k.increments.finest_cut_mm,
        quarter_turns: None,
    })
}

/// Whether no change that can be undone brings the offset nearer to zero.
fn is_used_up(bow: &BowState, state: &AxisState, k: &Knowledge) -> bool {
    REVERSIBLE.iter().all(|&action| {
        let steps = bow.towards_zero(state, action, k).steps;
        let step = |beta: LearnedSlope| nearest(&steps, state.offset.mean.abs() / beta.mean());
        state.learned_slope(action).and_then(step).is_none()
    })
}

/// Probability that the offset goes past zero by more than `by_mm` with a cut (`amount` < 0), `less` being done together
/// with it.
fn p_overshoot(
    state: &AxisState,
    beta: LearnedSlope,
    amount: f64,
    less: Option<&Candidate>,
    by_mm: f64,
    k: &Knowledge,
) -> f64 {
    let n = amount.abs();
    let m = state.offset.mean;
    let (back, more) = less.map_or((0.0, 0.0), |c| (c.shift_mm, c.variance_mm2));
    let remaining_mm = m - n * beta.mean() + back;
    let variance = state.offset.sd.powi(2)
        + n * n * beta.variance()
        + (k.learning.shift_relative_sd * n * beta.median).powi(2)
        - 2.0 * n * beta.median * beta.cov_offset
        + more;
    normal_cdf(-(remaining_mm + by_mm) / variance.max(1.0).sqrt())
}

/// The spine after which the offset is smallest, if that is a clear gain: alone, or together with levers that are at their limits now and can
/// undo its overshoot. Spines that were shot before are left out.
pub(super) fn next_spine(bow: &BowState, state: &AxisState, k: &Knowledge) -> Option<Candidate> {
    let rules = &k.step_rules;
    let beta = state.learned_slope(Action::ShaftSpine)?;
    let found = bow.towards_zero(state, Action::ShaftSpine, k);
    let m = state.offset.mean;
    let remaining_mm = |choice: &Candidate| (m + choice.shift_mm).abs();
    let now = present(&bow.setup, Action::ShaftSpine)?;
    let new = |step: &&Adjustment| {
        let mut shot = bow.findings.spines.iter();
        shot.all(|spine| (now + step.amount - spine).abs() > 1.0)
    };
    found
        .steps
        .iter()
        .filter(new)
        .map(|&step| {
            candidate(
                state,
                Action::ShaftSpine,
                step,
                beta,
                found.look_up.clone(),
                k,
            )
        })
        .min_by(|a, b| remaining_mm(a).total_cmp(&remaining_mm(b)))
        .filter(|best| {
            let goes_past = (m + best.shift_mm) * m < 0.0;
            let room = rules.usable_range_share * room_back(bow, state, k);
            let comes_back = goes_past && remaining_mm(best) <= room;
            let share = if comes_back {
                rules.spine_overshoot_max_ratio
            } else {
                rules.spine_remaining_share
            };
            remaining_mm(best) <= share * m.abs()
        })
}

/// Whether the longest cut allowed brings the offset to within the tolerance, or nearly.
pub(super) fn cuts_suffice(bow: &BowState, state: &AxisState, k: &Knowledge) -> bool {
    let cuts = bow.towards_zero(state, Action::ShaftLength, k).steps;
    let longest = cuts.iter().map(|step| step.amount.abs()).reduce(f64::max);
    let each = state.learned_slope(Action::ShaftLength);
    let reach = longest.zip(each).map_or(0.0, |(mm, beta)| {
        mm * beta.median * (0.5 * beta.ln_variance).exp()
    });
    state.offset.mean.abs() <= reach + bow.tolerance_mm
}

/// How far the offset can be brought back once it lies on the other side, mm: by what can be undone, and by cutting shafts that
/// are too long.
fn room_back(bow: &BowState, state: &AxisState, k: &Knowledge) -> f64 {
    let farthest = |action: Action| {
        let (direction, beta) = (-state.direction(action)?, state.learned_slope(action)?);
        let steps = adjustments(&bow.setup, action, direction, k).steps;
        let amounts = steps.iter().map(|step| step.amount.abs());
        Some(amounts.reduce(f64::max)? * beta.median)
    };
    let all = REVERSIBLE.into_iter().chain([Action::ShaftLength]);
    all.filter_map(farthest).sum()
}

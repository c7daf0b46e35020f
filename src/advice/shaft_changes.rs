//! Changes of the shafts themselves: a cut, another spine.

use super::Change;
use super::bow_state::{AxisState, BowState};
use super::choice::{Choice, best_pair, choice, nearest};
use super::knowledge::Knowledge;
use super::learn::LearnedSlope;
use super::moves::{Move, moves, present};
use crate::math::normal_cdf;

/// Horizontal changes that can be undone, the plunger aside.
const REVERSIBLE: [Change; 3] = [Change::DrawWeight, Change::PointWeight, Change::RearWeight];

/// A cut, if everything that allows one holds: weak, clearly, at 30 m or more, and with little risk of going past zero; or,
/// once all that can be undone is used up, of going past the tolerance, since that could be turned back then.
/// Where the risk forbids even the shortest cut and the bolts are at their limit, a cut made good by more draw weight.
pub(super) fn cut(bow: &BowState, state: &AxisState, k: &Knowledge) -> Option<Vec<Choice>> {
    let p = &k.policy;
    let m = state.offset.mean;
    let used_up = is_used_up(bow, state, k);
    let allowed = (m > p.cut_above_mm || used_up && m > 0.0) && state.offset.side() >= p.cut_side;
    if !allowed {
        return None;
    }
    let beta = state.learned_slope(Change::ShaftLength)?;
    let cuts = bow.towards_zero(state, Change::ShaftLength, k);
    let risk = |step: &Move, less: Option<&Choice>| past(state, beta, step.amount, less, 0.0, k);
    let far_past = |step: &Move| {
        let tolerance = bow.tolerance_mm;
        past(state, beta, step.amount, None, tolerance, k)
    };
    let small_enough = |step: &Move| {
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
        let chosen = choice(state, Change::ShaftLength, step, beta, Vec::new(), k);
        return Some(vec![Choice {
            past_zero,
            ..chosen
        }]);
    }
    let bolts = Change::DrawWeight;
    if !bow.towards_zero(state, bolts, k).steps.is_empty() {
        return None;
    }
    let back = -state.direction(bolts)?;
    if bow.blocked(state, bolts, back) {
        return None;
    }
    let bolt_beta = state.learned_slope(bolts)?;
    let up = moves(&bow.setup, bolts, back, k);
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

/// The shortest cut there is, where an ordinary one is possible and the archer names no step.
fn finest_cut(bow: &BowState, ordinary: &[Move], k: &Knowledge) -> Option<Move> {
    let limits = bow.setup.limits.as_ref();
    let own = limits.and_then(|all| all.get("shaft_length_mm")?.step);
    let possible = own.is_none() && !ordinary.is_empty();
    possible.then_some(Move {
        amount: -k.steps.finest_cut_mm,
        quarter_turns: None,
    })
}

/// Whether no change that can be undone brings the offset nearer to zero.
fn is_used_up(bow: &BowState, state: &AxisState, k: &Knowledge) -> bool {
    REVERSIBLE.iter().all(|&change| {
        let steps = bow.towards_zero(state, change, k).steps;
        let step = |beta: LearnedSlope| nearest(&steps, state.offset.mean.abs() / beta.mean());
        state.learned_slope(change).and_then(step).is_none()
    })
}

/// Probability that the offset goes past zero by more than `by_mm` with a cut (`amount` < 0), `less` being done together
/// with it.
fn past(
    state: &AxisState,
    beta: LearnedSlope,
    amount: f64,
    less: Option<&Choice>,
    by_mm: f64,
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
    normal_cdf(-(left + by_mm) / variance.max(1.0).sqrt())
}

/// The spine that leaves least of the offset, if that is a clear gain: by itself, or because what it goes too far can be taken
/// back with the settings that were moved as far as they go before it. None that was shot before.
pub(super) fn next_spine(bow: &BowState, state: &AxisState, k: &Knowledge) -> Option<Choice> {
    let rules = &k.step_rules;
    let beta = state.learned_slope(Change::ShaftSpine)?;
    let found = bow.towards_zero(state, Change::ShaftSpine, k);
    let m = state.offset.mean;
    let left = |choice: &Choice| (m + choice.shift_mm).abs();
    let now = present(&bow.setup, Change::ShaftSpine)?;
    let new = |step: &&Move| {
        let mut shot = bow.findings.spines.iter();
        shot.all(|spine| (now + step.amount - spine).abs() > 1.0)
    };
    found
        .steps
        .iter()
        .filter(new)
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
        .filter(|best| {
            let goes_past = (m + best.shift_mm) * m < 0.0;
            let room = rules.room_share * room_back(bow, state, k);
            let comes_back = goes_past && left(best) <= room;
            let share = if comes_back {
                rules.spine_back_share
            } else {
                rules.spine_left_share
            };
            left(best) <= share * m.abs()
        })
}

/// Whether all that may still be cut brings the offset to within the tolerance, or nearly.
pub(super) fn cuts_suffice(bow: &BowState, state: &AxisState, k: &Knowledge) -> bool {
    let cuts = bow.towards_zero(state, Change::ShaftLength, k).steps;
    let longest = cuts.iter().map(|step| step.amount.abs()).reduce(f64::max);
    let each = state.learned_slope(Change::ShaftLength);
    let reach = longest.zip(each).map_or(0.0, |(mm, beta)| {
        mm * beta.median * (0.5 * beta.ln_variance).exp()
    });
    state.offset.mean.abs() <= reach + bow.tolerance_mm
}

/// How far the offset can be brought back once it lies on the other side, mm: by what can be undone, and by cutting shafts that
/// are too long.
fn room_back(bow: &BowState, state: &AxisState, k: &Knowledge) -> f64 {
    let farthest = |change: Change| {
        let (direction, beta) = (-state.direction(change)?, state.learned_slope(change)?);
        let steps = moves(&bow.setup, change, direction, k).steps;
        let amounts = steps.iter().map(|step| step.amount.abs());
        Some(amounts.reduce(f64::max)? * beta.median)
    };
    let all = REVERSIBLE.into_iter().chain([Change::ShaftLength]);
    all.filter_map(farthest).sum()
}

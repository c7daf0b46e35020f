//! Which change comes next, and how far it goes.

use super::about::{CheckCause, PutBackCause, ShootCause};
use super::adjustments::{Adjustment, Adjustments, adjustments, present};
use super::bow_state::{AxisState, BowState};
use super::candidate::{Candidate, best_pair, candidate, nearest};
use super::ends_after_step::ends_after_step;
use super::kind::StepKind;
use super::knowledge::{Axis, Knowledge};
use super::shaft_changes::{cut, cuts_suffice, next_spine};
use super::{Action, Check, LookUp};

/// Alternatives that are named beside the next change.
const MAX_OTHERS: usize = 3;

/// What to do next.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Decision {
    /// In tune; `again` = look again on another day.
    Done { again: bool },
    /// In tune as far as the distance shows.
    VerifyAtFullDistance,
    /// In tune as far as the distance shows, and no longer one is tuned for.
    GoalReached,
    /// An adjustment, what is to be done with it, and what could be done instead.
    Adjust {
        next: Box<Candidate>,
        also: Vec<Candidate>,
        others: Vec<Candidate>,
    },
    /// The direction of an adjustment where the set-up isn't known, with what could be done instead.
    Unknown {
        action: Action,
        axis: Axis,
        others: Vec<Action>,
    },
    /// The shafts are the wrong ones, but no other spine is at hand or known.
    WrongSpine { spines: Option<[f64; 2]> },
    /// Nothing changed.
    ShootMore,
    /// Nothing changed, more shots, for a reason of its own.
    Shoot { cause: ShootCause },
    /// Something is looked at first.
    Check {
        checks: Vec<Check>,
        cause: CheckCause,
    },
    /// These levers of the newest change are put back.
    PutBack {
        levers: Vec<Action>,
        cause: PutBackCause,
    },
    /// Nothing left within the limits; the axes that are still out.
    AtLimits { axes: Vec<Axis> },
}

/// Whether an axis needs an adjustment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Need {
    None,
    /// It is likely inside the tolerance, but so near its edge that a small step shows in tune sooner.
    Tweak,
    /// It is likely outside the tolerance.
    Adjustment,
}

fn need(state: &AxisState, bow: &BowState, k: &Knowledge) -> Need {
    let p = &k.policy;
    if !state.is_observed {
        return Need::None;
    }
    if state.p_inside < p.adjust_below_p_inside && state.offset.p_side() >= p.adjust_from_p_side {
        return Need::Adjustment;
    }
    // from less than the full distance nothing is tweaked: it can't be shown in tune from here
    let shows = bow.full_distance && bow.ends >= p.tweak_ends as usize;
    if shows && state.offset.p_side() >= p.tweak_from_p_side {
        return Need::Tweak;
    }
    Need::None
}

/// The step that the offset calls for; `policy` decides whether the findings permit it.
pub(super) fn decide(bow: &BowState, both: bool, k: &Knowledge) -> Decision {
    let p = &k.policy;
    if let Some(horizontal) = &bow.horizontal {
        if bow.shows_in_tune(k) {
            return Decision::Done {
                again: bow.days < 2,
            };
        }
        if !bow.full_distance && neutral_here(bow) {
            let reached = |goal: f64| bow.distance_m >= goal - 1.0;
            if bow.goal_m().is_some_and(reached) {
                return Decision::GoalReached;
            }
            return Decision::VerifyAtFullDistance;
        }
        if bow.wrong_spine
            && horizontal.is_observed
            && horizontal.offset.p_side() >= p.wrong_spine_from_p_side
        {
            // no other spine to be had, but known which it should be: the other levers still help
            let decision = wrong_spine(bow, horizontal, k);
            let unreachable = matches!(decision, Decision::WrongSpine { spines: Some(_) });
            let ordinary = unreachable.then(|| ordinary(bow, both, k));
            return match ordinary {
                Some(action @ Decision::Adjust { .. }) => action,
                _ => decision,
            };
        }
    }
    ordinary(bow, both, k)
}

/// One axis after the other, in the customary order.
pub(super) fn ordinary(bow: &BowState, both: bool, k: &Knowledge) -> Decision {
    let needs: Vec<(&AxisState, Need)> = bow
        .axes()
        .map(|state| (state, need(state, bow, k)))
        .filter(|(_, need)| *need != Need::None)
        .collect();
    if let Some((state, _)) = needs.first().filter(|_| bow.is_setup_unknown) {
        return unknown_setup(state, k);
    }
    let mut found: Vec<Vec<Vec<Candidate>>> = needs
        .iter()
        .map(|(state, need)| ranked(bow, state, *need == Need::Tweak, k))
        .filter(|ranked| !ranked.is_empty())
        .collect();
    if found.is_empty() {
        found.extend(needs.iter().find_map(|(state, need)| {
            let is_out = *need == Need::Adjustment;
            is_out.then(|| weak_lever_fallback(bow, state, k)).flatten()
        }));
    }
    if found.is_empty() {
        return nothing_left(bow, &needs, k);
    }
    let mut first = found.remove(0).into_iter();
    let mut together = first.next().unwrap_or_default().into_iter();
    let Some(next) = together.next() else {
        return Decision::ShootMore;
    };
    let mut also: Vec<Candidate> = together.collect();
    let mut others: Vec<Candidate> = first.filter_map(|c| c.into_iter().next()).collect();
    for axis in found {
        let mut ranked = axis.into_iter();
        if both && also.is_empty() {
            also.extend(ranked.next().into_iter().flatten().take(1));
        }
        others.extend(ranked.filter_map(|c| c.into_iter().next()));
    }
    others.truncate(MAX_OTHERS);
    Decision::Adjust {
        next: Box::new(next),
        also,
        others,
    }
}

/// Both axes called neutral by the reading at the distance shot.
fn neutral_here(bow: &BowState) -> bool {
    use crate::reading::{HorizontalCall, VerticalCall};
    bow.reading.horizontal.call == HorizontalCall::Neutral
        && bow.reading.vertical.call == VerticalCall::Neutral
}

/// No lever is left to adjust, or none needs it: more shots, or, after enough ends that show the bow out of tune, the limits are reached.
fn nothing_left(bow: &BowState, needs: &[(&AxisState, Need)], k: &Knowledge) -> Decision {
    let p = &k.policy;
    let undecidable = bow
        .reading
        .more_shots
        .as_ref()
        .is_some_and(|m| m.pairs.is_none());
    let enough = bow.ends >= p.at_limits_ends as usize;
    let axes: Vec<Axis> = needs
        .iter()
        .filter(|(state, need)| {
            let most = if undecidable {
                p.at_limits_below_p_inside_undecidable
            } else {
                p.at_limits_below_p_inside
            };
            *need == Need::Adjustment && state.p_inside < most
        })
        .map(|(state, _)| state.axis)
        .collect();
    if enough && !axes.is_empty() {
        Decision::AtLimits { axes }
    } else {
        Decision::ShootMore
    }
}

/// The ways to bring one axis nearer to zero, best first; each is one change, or a combination at a limit.
fn ranked(bow: &BowState, state: &AxisState, tweak: bool, k: &Knowledge) -> Vec<Vec<Candidate>> {
    let mut ranked = match state.axis {
        Axis::Vertical => vertical(bow, state, tweak, k),
        Axis::Horizontal => horizontal(bow, state, tweak, k),
    };
    if tweak {
        let now = ends_after_step(bow, state, &[], k);
        ranked.retain_mut(|choices| {
            let then = ends_after_step(bow, state, choices, k);
            choices.iter_mut().for_each(|c| c.tweak = Some([now, then]));
            // clearly fewer ends, since a change is work too
            then + k.policy.tweak_saves_ends <= now
        });
    }
    ranked
}

fn vertical(bow: &BowState, state: &AxisState, tweak: bool, k: &Knowledge) -> Vec<Vec<Candidate>> {
    let mut order = [Action::RestHeight, Action::NockingPoint];
    if state.offset.mean.abs() >= k.policy.rest_up_to_mm {
        order.reverse();
    }
    let alone: Vec<Vec<Candidate>> = order
        .iter()
        .filter_map(|&action| reversible(bow, state, action, tweak, k))
        .map(|choice| vec![choice])
        .collect();
    if alone.is_empty() {
        return heights_together(bow, state, k).into_iter().collect();
    }
    alone
}

/// An adjustment that can be undone: the real step nearest to offset over slope; a tweak: the step with which the fewest ends show the bow in
/// tune.
fn reversible(
    bow: &BowState,
    state: &AxisState,
    action: Action,
    tweak: bool,
    k: &Knowledge,
) -> Option<Candidate> {
    let beta = state.learned_slope(action)?;
    let mut found = bow.towards_zero(state, action, k);
    found
        .steps
        .retain(|step| !bow.is_known_out(state, action, step, k));
    let typical = beta.median * (k.policy.sizing_log_variance_factor * beta.ln_variance).exp();
    let target = state.offset.mean.abs() / typical;
    if tweak {
        // steps beyond twice the offset gain nothing
        let near = found
            .steps
            .into_iter()
            .take_while(|step| step.amount.abs() <= 2.0 * target);
        return near
            .map(|step| candidate(state, action, step, beta, found.look_up.clone(), k))
            .map(|c| (ends_after_step(bow, state, std::slice::from_ref(&c), k), c))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, c)| c);
    }
    let step = nearest(&found.steps, target)?;
    Some(candidate(state, action, step, beta, found.look_up, k))
}

/// The last resort: a lever that does little on this bow, sized by its learned slope, if it brings the axis to within the tolerance.
fn weak_lever_fallback(
    bow: &BowState,
    state: &AxisState,
    k: &Knowledge,
) -> Option<Vec<Vec<Candidate>>> {
    let steps = state.slopes.iter().filter_map(|slope| {
        let action = slope.action;
        let direction = state.direction(action)?;
        let may = StepKind::of(action) == StepKind::Reversible && action != Action::Plunger;
        if !may || !bow.does_little(state, action, direction) {
            return None;
        }
        let beta = state.learned_slope(action)?;
        let found = adjustments(&bow.setup, action, direction, k);
        let step = nearest(&found.steps, state.offset.mean.abs() / beta.mean())?;
        let chosen = candidate(state, action, step, beta, found.look_up, k);
        let remaining_mm = (state.offset.mean + chosen.shift_mm).abs();
        (remaining_mm <= bow.tolerance_mm).then(|| vec![chosen])
    });
    let steps: Vec<_> = steps.collect();
    (!steps.is_empty()).then_some(steps)
}

/// Both heights at once, where neither helps alone: the pair with the least expected square, if that is a clear gain.
fn heights_together(bow: &BowState, state: &AxisState, k: &Knowledge) -> Option<Vec<Candidate>> {
    let p = &k.policy;
    let within = |action: Action, most: f64| -> Vec<Candidate> {
        let Some(beta) = state.learned_slope(action) else {
            return Vec::new();
        };
        [-1.0, 1.0]
            .into_iter()
            .filter(|&direction| !bow.blocked(state, action, direction))
            .flat_map(|direction| {
                let Adjustments { steps, look_up } = adjustments(&bow.setup, action, direction, k);
                steps
                    .into_iter()
                    .filter(move |step| step.amount.abs() <= most)
                    .map(move |step| (step, look_up.clone()))
            })
            .map(|(step, look_up)| candidate(state, action, step, beta, look_up, k))
            .collect()
    };
    let nocks = within(Action::NockingPoint, p.pair_nocking_point_mm);
    let rests = within(Action::RestHeight, p.pair_rest_mm);
    let pairs = nocks
        .iter()
        .flat_map(|n| rests.iter().map(move |r| [n.clone(), r.clone()]));
    best_pair(state, pairs, k)
}

fn horizontal(
    bow: &BowState,
    state: &AxisState,
    tweak: bool,
    k: &Knowledge,
) -> Vec<Vec<Candidate>> {
    let alone = |action| reversible(bow, state, action, tweak, k).map(|c| vec![c]);
    let bolts = alone(Action::DrawWeight);
    let weights: Vec<Vec<Candidate>> = [Action::PointWeight, Action::RearWeight]
        .into_iter()
        .filter_map(alone)
        .collect();
    let irreversible = if tweak {
        Vec::new()
    } else {
        irreversible(bow, state, bolts.is_none() && weights.is_empty(), k)
    };
    // what can be undone goes first; customarily a cut comes after the bolts and before the points
    let mut ways: Vec<Vec<Candidate>> = if bolts.is_some() {
        bolts
            .into_iter()
            .chain(irreversible)
            .chain(weights)
            .collect()
    } else {
        weights.into_iter().chain(irreversible).collect()
    };
    if ways.is_empty() && !tweak {
        ways.extend(weights_together(bow, state, k));
    }
    // the plunger is for what is left at the end
    if state.offset.mean.abs() <= k.step_rules.plunger_within_mm {
        ways.extend(alone(Action::Plunger));
    }
    ways
}

/// Bolts and points at once, where each alone goes in steps too long, or leads back to where the bow was out: the pair with the least
/// expected square, if that is a clear gain.
fn weights_together(bow: &BowState, state: &AxisState, k: &Knowledge) -> Option<Vec<Candidate>> {
    let all = |action: Action| -> Vec<Candidate> {
        let beta = state
            .learned_slope(action)
            .filter(|_| state.times_tried(action) > 0);
        let directions = [-1.0, 1.0]
            .into_iter()
            .filter(|&direction| !bow.blocked(state, action, direction));
        let steps = directions.flat_map(|direction| {
            let Adjustments { steps, look_up } = adjustments(&bow.setup, action, direction, k);
            steps.into_iter().map(move |step| (step, look_up.clone()))
        });
        beta.map_or_else(Vec::new, |beta| {
            steps
                .map(|(step, look_up)| candidate(state, action, step, beta, look_up, k))
                .collect()
        })
    };
    let (bolts, points) = (all(Action::DrawWeight), all(Action::PointWeight));
    let pairs = bolts
        .iter()
        .flat_map(|bolt| points.iter().map(|point| [bolt.clone(), point.clone()]));
    best_pair(state, pairs, k)
}

/// A cut, another spine: both where the offset is far out. A cut alone else, unless it leads nowhere.
fn irreversible(
    bow: &BowState,
    state: &AxisState,
    used_up: bool,
    k: &Knowledge,
) -> Vec<Vec<Candidate>> {
    let far = state.offset.mean.abs() > k.step_rules.spine_above_mm;
    let cut = cut(bow, state, k);
    let leads_nowhere = used_up && cut.is_some() && !cuts_suffice(bow, state, k);
    let spine = (far || leads_nowhere || used_up && cut.is_none())
        .then(|| next_spine(bow, state, k))
        .flatten()
        .map(|c| vec![c]);
    // shafts that have to be other ones are not cut before
    let cut = cut.filter(|_| !(leads_nowhere && spine.is_some()));
    cut.into_iter().chain(spine).collect()
}

/// The shafts have the wrong spine: the range of spines that would suit the offset, and the nearest that can be had.
fn wrong_spine(bow: &BowState, horizontal: &AxisState, k: &Knowledge) -> Decision {
    let nothing = |spines| Decision::WrongSpine { spines };
    let Some((now, beta)) = present(&bow.setup, Action::ShaftSpine)
        .filter(|s| *s > 0.0)
        .zip(horizontal.learned_slope(Action::ShaftSpine))
    else {
        return nothing(None);
    };
    // per unit of ln spine the slope is the same on every spine
    let per_log = beta.median * now;
    let m = horizontal.offset.mean;
    let log = m / per_log;
    let sd = (horizontal.offset.sd / per_log).hypot(log * beta.ln_variance.sqrt());
    let spine = |log: f64| now * (-log).exp();
    let mut spines = [spine(log + sd), spine(log - sd)];
    // the range never reaches back to the spine that is wrong
    if m > 0.0 {
        spines[1] = spines[1].min(now);
    } else {
        spines[0] = spines[0].max(now);
    }
    let wanted = spine(log);
    let direction = -m.signum();
    let has_list = bow
        .setup
        .limits
        .as_ref()
        .and_then(|l| l.get("shaft_spine"))
        .is_some_and(|l| l.owned.is_some() || l.obtainable.is_some());
    let mut found = bow.towards_zero(horizontal, Action::ShaftSpine, k);
    if !has_list {
        if bow.blocked(horizontal, Action::ShaftSpine, direction) || is_kept(bow) {
            return nothing(Some(spines));
        }
        let grid = k.increments.spine_grid;
        let on_grid = (wanted / grid).round().max(1.0) * grid;
        found.steps = vec![Adjustment {
            amount: on_grid - now,
            quarter_turns: None,
        }];
        found.steps.retain(|m| m.amount * direction > 0.0);
        found.look_up.push(LookUp::Spines);
    }
    let off = |m: &Adjustment| ((now + m.amount) / wanted).ln().abs();
    let Some(step) = found
        .steps
        .iter()
        .copied()
        .filter(|m| now + m.amount > 0.0)
        .min_by(|a, b| off(a).total_cmp(&off(b)))
    else {
        return nothing(Some(spines));
    };
    let chosen = candidate(horizontal, Action::ShaftSpine, step, beta, found.look_up, k);
    Decision::Adjust {
        next: Box::new(Candidate {
            spines: Some(spines),
            ..chosen
        }),
        also: Vec::new(),
        others: Vec::new(),
    }
}

fn is_kept(bow: &BowState) -> bool {
    let kept = bow.setup.keep.iter().flatten();
    kept.into_iter().any(|keep| keep == "shaft-spine")
}

/// Without a set-up: the lever that is customarily adjusted first.
fn unknown_setup(state: &AxisState, k: &Knowledge) -> Decision {
    let (action, others) = match state.axis {
        Axis::Vertical if state.offset.mean.abs() < k.policy.rest_up_to_mm => {
            (Action::RestHeight, vec![Action::NockingPoint])
        }
        Axis::Vertical => (Action::NockingPoint, vec![Action::RestHeight]),
        Axis::Horizontal => (Action::DrawWeight, vec![Action::PointWeight]),
    };
    Decision::Unknown {
        action,
        axis: state.axis,
        others,
    }
}

//! The adjustments that each lever of a set-up allows: real steps from the present value, within every stated limit.

use super::knowledge::Knowledge;
use super::sensitivities::arrow_grains;
use super::slopes::lb_per_quarter_turn;
use super::{Action, LookUp};
use crate::math::{floor_index, round_i64};
use crate::record::{Limit, Setup};

/// Quarter turns in a turn of a bolt.
const QUARTERS_PER_TURN: f64 = 4.0;
/// Tolerance for rounding errors where settings are compared with limits and increments are counted, in the setting's unit.
const STEP_EPSILON: f64 = 1e-6;
/// Most steps of one lever that are looked at, whatever a file's limits say.
const MAX_STEPS: usize = 400;

/// By how much a lever is adjusted. The lever itself is an [`Action`] beside it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Adjustment {
    /// In the lever's unit, signed.
    pub(super) amount: f64,
    /// Quarter turns of each bolt, + = in.
    pub(super) quarter_turns: Option<i64>,
}

/// The adjustments that a lever allows in one direction.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Adjustments {
    /// Smallest first.
    pub(super) steps: Vec<Adjustment>,
    /// What the set-up doesn't hold and has to be looked up before the change.
    pub(super) look_up: Vec<LookUp>,
}

/// The present value of the set-up's field that an action changes.
pub(super) fn present(setup: &Setup, action: Action) -> Option<f64> {
    setup
        .number(action.setting()?)
        .filter(|value| value.is_finite())
}

/// The set-up after an adjustment; `None` where the present value isn't known.
pub(super) fn after(setup: &Setup, action: Action, step: &Adjustment) -> Option<Setup> {
    let mut then = setup.clone();
    let by = |value: &mut Option<f64>| {
        let moved = value.map(|v| v + step.amount);
        *value = moved;
        moved
    };
    match action {
        Action::DrawWeight => {
            by(&mut then.draw_weight_lb);
            let turned = then.bolt_turns_out.zip(step.quarter_turns);
            // a quarter turn in is a quarter turn less out
            let out = turned.map(|(out, quarters)| out - quarters as f64 / QUARTERS_PER_TURN)?;
            then.bolt_turns_out = Some(out);
        }
        Action::ShaftLength => _ = by(&mut then.shaft_length_mm)?,
        Action::PointWeight => _ = by(&mut then.point_gr)?,
        Action::RearWeight => {
            by(&mut then.rear_gr)?;
            by(&mut then.bare_rear_gr);
        }
        Action::Plunger => _ = by(&mut then.plunger_clicks)?,
        Action::NockingPoint => _ = by(&mut then.nocking_point_mm)?,
        Action::RestHeight => _ = by(&mut then.rest_height_mm)?,
        Action::ShaftSpine => _ = by(&mut then.shaft_spine)?,
        Action::ShootMore | Action::Verify | Action::Check | Action::None => return None,
    }
    Some(then)
}

fn limit<'a>(setup: &'a Setup, setting: &str) -> Option<&'a Limit> {
    setup.limits.as_ref()?.get(setting)
}

/// Lowest and highest value that a limit allows.
fn bounds(limit: Option<&Limit>) -> (Option<f64>, Option<f64>) {
    limit.map_or((None, None), |l| (l.min, l.max))
}

fn within(value: f64, (min, max): (Option<f64>, Option<f64>)) -> bool {
    min.is_none_or(|m| value >= m - STEP_EPSILON) && max.is_none_or(|m| value <= m + STEP_EPSILON)
}

/// Step of a limit where it is one.
fn step(limit: Option<&Limit>, usual: f64) -> f64 {
    limit
        .and_then(|l| l.step)
        .filter(|s| s.is_finite() && *s > 0.0)
        .unwrap_or(usual)
}

/// Values that are owned or can be had; `None` where no list is given.
fn listed(limit: Option<&Limit>) -> Option<(Vec<f64>, Vec<f64>)> {
    let l = limit?;
    if l.owned.is_none() && l.obtainable.is_none() {
        return None;
    }
    Some((
        l.owned.clone().unwrap_or_default(),
        l.obtainable.clone().unwrap_or_default(),
    ))
}

/// Every value that a lever can take in a direction (+1 or −1 of its amount), smallest change first. Empty: it can't.
pub(super) fn adjustments(
    setup: &Setup,
    action: Action,
    direction: f64,
    k: &Knowledge,
) -> Adjustments {
    let kept = setup.keep.iter().flatten();
    let named = action.name();
    if kept.into_iter().any(|keep| keep == named) {
        return Adjustments::default();
    }
    let mut found = match action {
        Action::DrawWeight => bolts(setup, direction, k),
        Action::ShaftLength => cuts(setup, direction, k),
        Action::PointWeight => points(setup, direction, k),
        Action::RearWeight => from_list(setup, action, direction),
        Action::ShaftSpine => from_list(setup, action, direction),
        Action::Plunger => plunger(setup, direction, k),
        Action::NockingPoint => height(
            setup,
            action,
            direction,
            k.increments.nocking_point_mm,
            k.bounds_when_unknown.nocking_point_mm,
        ),
        Action::RestHeight => height(
            setup,
            action,
            direction,
            k.increments.rest_height_mm,
            k.bounds_when_unknown.rest_height_mm,
        ),
        Action::ShootMore | Action::Verify | Action::Check | Action::None => Adjustments::default(),
    };
    found
        .steps
        .retain(|m| m.amount.is_finite() && heavy_enough(setup, action, m.amount, k));
    found.steps.truncate(MAX_STEPS);
    found
}

/// Whether the arrow stays as heavy for its bow as is customary, where the set-up gives its weight. An adjustment that makes that no worse is
/// let through.
fn heavy_enough(setup: &Setup, action: Action, amount: f64, k: &Knowledge) -> bool {
    let mut after = setup.clone();
    let worse = match action {
        Action::DrawWeight => {
            after.draw_weight_lb = setup.draw_weight_lb.map(|lb| lb + amount);
            amount > 0.0
        }
        Action::ShaftLength => {
            after.shaft_length_mm = setup.shaft_length_mm.map(|mm| mm + amount);
            amount < 0.0
        }
        Action::PointWeight => {
            after.point_gr = setup.point_gr.map(|gr| gr + amount);
            amount < 0.0
        }
        Action::RearWeight => {
            after.rear_gr = setup.rear_gr.map(|gr| gr + amount);
            amount < 0.0
        }
        _ => false,
    };
    !worse
        || arrow_grains(&after)
            .zip(after.draw_weight_lb)
            .is_none_or(|(grains, lb)| grains >= k.safety.least_gr_per_lb * lb)
}

/// How many whole steps from 1 a value may take.
fn step_counts(most: usize) -> impl Iterator<Item = f64> {
    (1..=most.min(MAX_STEPS)).map(|n| n as f64)
}

fn bolts(setup: &Setup, direction: f64, k: &Knowledge) -> Adjustments {
    let turn_limit = limit(setup, "bolt_turns_out");
    let weight_limit = bounds(limit(setup, "draw_weight_lb"));
    let (least, most) = bounds(turn_limit);
    // 0 is fully in: there is nothing beyond
    let turn_bounds = (Some(least.unwrap_or(0.0).max(0.0)), most);
    let quarter = k.increments.quarter_turns;
    let each = (step(turn_limit, quarter / 4.0) * 4.0 / quarter)
        .round()
        .max(1.0)
        * quarter;
    let lb_each = lb_per_quarter_turn(setup, k);
    let mut found = Adjustments::default();
    let turns = setup.bolt_turns_out;
    if turns.is_none() || (direction < 0.0 && most.is_none()) {
        found.look_up.push(LookUp::BoltTravel);
    }
    let unbounded = turns.is_none() || (direction < 0.0 && most.is_none());
    for n in step_counts(MAX_STEPS) {
        let quarters = n * each * direction;
        let amount = quarters * lb_each;
        let turned = turns.is_none_or(|t| within(t - quarters / 4.0, turn_bounds));
        let weighs = setup
            .draw_weight_lb
            .is_none_or(|lb| within(lb + amount, weight_limit));
        let usual = !unbounded || n * each <= k.bounds_when_unknown.quarter_turns + STEP_EPSILON;
        if !(turned && weighs && usual) {
            break;
        }
        found.steps.push(Adjustment {
            amount,
            quarter_turns: Some(round_i64(quarters)),
        });
    }
    found
}

/// Cuts: only down to a stated shortest safe length; longer than now needs new shafts.
fn cuts(setup: &Setup, direction: f64, k: &Knowledge) -> Adjustments {
    let limit = limit(setup, "shaft_length_mm");
    let known = present(setup, Action::ShaftLength)
        .zip(bounds(limit).0)
        .filter(|_| direction < 0.0);
    let Some((now, min)) = known else {
        return Adjustments::default();
    };
    let each = step(limit, k.increments.shaft_length_mm);
    Adjustments {
        steps: step_counts(floor_index((now - min + STEP_EPSILON) / each))
            .map(|n| Adjustment {
                amount: -n * each,
                quarter_turns: None,
            })
            .collect(),
        look_up: Vec::new(),
    }
}

fn points(setup: &Setup, direction: f64, k: &Knowledge) -> Adjustments {
    let limit = limit(setup, "point_gr");
    if listed(limit).is_some() {
        return from_list(setup, Action::PointWeight, direction);
    }
    let Some(now) = present(setup, Action::PointWeight) else {
        return Adjustments::default();
    };
    // no list: stock points within the bounds stated, to be looked for
    let steps = sorted_steps(now, direction, k.increments.stock_points_gr.iter().copied())
        .filter(|step| within(now + step.amount, bounds(limit)))
        .filter(|m| {
            limit
                .and_then(|l| l.step)
                .is_none_or(|s| whole(m.amount, s))
        })
        .collect();
    Adjustments {
        steps,
        look_up: vec![LookUp::Points],
    }
}

/// Whether an amount is a whole number of steps.
fn whole(amount: f64, step: f64) -> bool {
    let n = amount / step;
    (n - n.round()).abs() < 1e-6
}

/// Differences of these values from the present one in a direction, smallest first.
fn sorted_steps(
    now: f64,
    direction: f64,
    values: impl Iterator<Item = f64>,
) -> impl Iterator<Item = Adjustment> {
    let mut amounts: Vec<f64> = values
        .map(|v| v - now)
        .filter(|a| a * direction > STEP_EPSILON)
        .collect();
    amounts.sort_by(|a, b| a.abs().total_cmp(&b.abs()));
    amounts.dedup();
    amounts.into_iter().map(|amount| Adjustment {
        amount,
        quarter_turns: None,
    })
}

/// Levers that go only to values owned or obtainable: owned ones if there are any in this direction.
fn from_list(setup: &Setup, action: Action, direction: f64) -> Adjustments {
    let limit = action.setting().and_then(|setting| limit(setup, setting));
    let Some((now, (owned, obtainable))) = present(setup, action).zip(listed(limit)) else {
        return Adjustments::default();
    };
    let allowed = |values: Vec<f64>| -> Vec<Adjustment> {
        sorted_steps(now, direction, values.into_iter())
            .filter(|step| within(now + step.amount, bounds(limit)))
            .filter(|m| {
                limit
                    .and_then(|l| l.step)
                    .is_none_or(|s| whole(m.amount, s))
            })
            .collect()
    };
    let mut steps = allowed(owned);
    if steps.is_empty() {
        steps = allowed(obtainable);
    }
    Adjustments {
        steps,
        look_up: Vec::new(),
    }
}

fn plunger(setup: &Setup, direction: f64, k: &Knowledge) -> Adjustments {
    let limit = limit(setup, "plunger_clicks");
    let p = &k.plunger;
    let usual = limit.and_then(|l| l.usual).unwrap_or(p.usual);
    let per_turn = setup
        .plunger_clicks_per_turn
        .filter(|c| c.is_finite() && *c > 0.0)
        .unwrap_or(p.clicks_per_turn);
    let half = p.turns_either_side * per_turn;
    let each = step(limit, k.increments.plunger_clicks).ceil().max(1.0);
    let most = k.step_rules.plunger_clicks.max(each);
    let now = setup.plunger_clicks.unwrap_or(usual);
    let (min, max) = bounds(limit);
    let range = (
        Some(min.unwrap_or(f64::NEG_INFINITY).max(usual - half)),
        Some(max.unwrap_or(f64::INFINITY).min(usual + half)),
    );
    let mut look_up = Vec::new();
    if setup.plunger_clicks.is_none() {
        look_up.push(LookUp::Plunger);
    }
    Adjustments {
        steps: step_counts(MAX_STEPS)
            .map(|n| n * each * direction)
            .take_while(|amount| amount.abs() <= most + STEP_EPSILON)
            .take_while(|amount| {
                // back towards the usual place is allowed from outside the range too
                let after = now + amount;
                within(after, range) && within(after, (min, max))
                    || (amount * (usual - now) > 0.0
                        && amount.abs() <= (usual - now).abs()
                        && within(after, (min, max)))
            })
            .map(|amount| Adjustment {
                amount,
                quarter_turns: None,
            })
            .collect(),
        look_up,
    }
}

fn height(setup: &Setup, action: Action, direction: f64, usual: f64, unknown: f64) -> Adjustments {
    let limit = action.setting().and_then(|setting| limit(setup, setting));
    let range = bounds(limit);
    let each = step(limit, usual);
    let now = present(setup, action);
    let open = now.is_none()
        || if direction > 0.0 {
            range.1.is_none()
        } else {
            range.0.is_none()
        };
    let mut look_up = Vec::new();
    if now.is_none() {
        look_up.push(LookUp::Height);
    }
    Adjustments {
        steps: step_counts(MAX_STEPS)
            .map(|n| n * each * direction)
            .take_while(|amount| {
                now.is_none_or(|now| within(now + amount, range))
                    && (!open || amount.abs() <= unknown + STEP_EPSILON)
            })
            .map(|amount| Adjustment {
                amount,
                quarter_turns: None,
            })
            .collect(),
        look_up,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advice::knowledge::knowledge;
    use serde_json::json;

    fn setup(value: serde_json::Value) -> Setup {
        serde_json::from_value(value).unwrap()
    }

    fn amounts(setup: &Setup, action: Action, direction: f64) -> Vec<f64> {
        adjustments(setup, action, direction, knowledge())
            .steps
            .iter()
            .map(|m| (m.amount * 1000.0).round() / 1000.0)
            .collect()
    }

    #[test]
    fn bolts_go_in_quarter_turns_within_both_limits() {
        let bow = setup(json!({
            "draw_weight_lb": 36, "bolt_turns_out": 1.0, "bolt_lb_per_turn": 1.0,
            "limits": {"bolt_turns_out": {"max": 2.0, "step": 0.25}, "draw_weight_lb": {"min": 35.4, "max": 37}}
        }));
        assert_eq!(amounts(&bow, Action::DrawWeight, -1.0), [-0.25, -0.5]);
        assert_eq!(
            amounts(&bow, Action::DrawWeight, 1.0),
            [0.25, 0.5, 0.75, 1.0]
        );
        let all_in = setup(json!({"draw_weight_lb": 36, "bolt_turns_out": 0.0}));
        assert!(amounts(&all_in, Action::DrawWeight, 1.0).is_empty());
        let out = adjustments(&all_in, Action::DrawWeight, -1.0, knowledge());
        assert_eq!((out.steps.len(), out.look_up.len()), (4, 1));
        assert_eq!(out.steps[3].quarter_turns, Some(-4));
    }

    #[test]
    fn no_cut_below_the_safe_length_and_none_without_one() {
        let mut shafts =
            setup(json!({"shaft_length_mm": 720, "limits": {"shaft_length_mm": {"min": 711}}}));
        assert_eq!(amounts(&shafts, Action::ShaftLength, -1.0), [-3.175, -6.35]);
        assert!(amounts(&shafts, Action::ShaftLength, 1.0).is_empty());
        shafts.limits = None;
        assert!(amounts(&shafts, Action::ShaftLength, -1.0).is_empty());
    }

    #[test]
    fn points_only_from_the_list_owned_first() {
        let some = setup(
            json!({"point_gr": 100, "limits": {"point_gr": {"owned": [80, 90, 100], "obtainable": [70, 110]}}}),
        );
        assert_eq!(amounts(&some, Action::PointWeight, -1.0), [-10.0, -20.0]);
        assert_eq!(amounts(&some, Action::PointWeight, 1.0), [10.0]);
        let stock = setup(json!({"point_gr": 95}));
        assert_eq!(amounts(&stock, Action::PointWeight, 1.0), [5.0]);
    }

    #[test]
    fn the_plunger_stays_within_half_a_turn_of_its_usual_place() {
        let bow = setup(
            json!({"plunger_clicks": 6, "plunger_clicks_per_turn": 16, "limits": {"plunger_clicks": {"usual": 0}}}),
        );
        assert_eq!(amounts(&bow, Action::Plunger, 1.0), [1.0, 2.0]);
        // never more than three clicks at a time
        assert_eq!(amounts(&bow, Action::Plunger, -1.0), [-1.0, -2.0, -3.0]);
        let far = setup(json!({"plunger_clicks": 15, "plunger_clicks_per_turn": 16}));
        assert!(amounts(&far, Action::Plunger, 1.0).is_empty());
        assert!(!amounts(&far, Action::Plunger, -1.0).is_empty());
    }

    #[test]
    fn a_light_arrow_stops_what_makes_it_lighter() {
        // 5.4 gr/in × 28.5 in + 80 gr = 234 gr: 46.8 lb at five grains a pound
        let bow = setup(json!({
            "draw_weight_lb": 46.5, "bolt_turns_out": 3, "shaft_gr_per_in": 5.4, "shaft_length_mm": 723.9, "point_gr": 80,
            "limits": {"point_gr": {"owned": [60, 100]}}
        }));
        assert!(amounts(&bow, Action::DrawWeight, 1.0).is_empty());
        assert!(!amounts(&bow, Action::DrawWeight, -1.0).is_empty());
        assert!(amounts(&bow, Action::PointWeight, -1.0).is_empty());
        assert_eq!(amounts(&bow, Action::PointWeight, 1.0), [20.0]);
    }

    #[test]
    fn what_is_kept_does_not_move_and_nonsense_limits_do_no_harm() {
        let kept = setup(json!({"plunger_clicks": 0, "keep": ["plunger"]}));
        assert!(amounts(&kept, Action::Plunger, 1.0).is_empty());
        let odd = setup(
            json!({"rest_height_mm": 1, "limits": {"rest_height_mm": {"min": 5, "max": -5, "step": 0}}}),
        );
        assert!(amounts(&odd, Action::RestHeight, 1.0).is_empty());
        let tiny = setup(
            json!({"rest_height_mm": 1, "limits": {"rest_height_mm": {"min": -1e9, "max": 1e9, "step": 1e-12}}}),
        );
        assert!(amounts(&tiny, Action::RestHeight, 1.0).len() <= MAX_STEPS);
    }
}

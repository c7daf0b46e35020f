//! From what was chosen to the steps of the advice.

use super::about::{
    CheckCause, DifferenceCause, Instruction, LookUp, PutBackCause, Reason, Reasons, ShootCause,
};
use super::adjustments::{Adjustment, present};
use super::bow_state::{AxisState, BowState};
use super::candidate::{Candidate, candidate};
use super::interventions::sign;
use super::knowledge::{Axis, Knowledge};
use super::slopes::lb_per_quarter_turn;
use super::{Action, Check, Expect, Step, StepKind, VerifyWhen, cautions};
use crate::math::{round_i64, rounded};
use crate::reading::Assumptions;
use crate::record::Setup;

/// Pairs asked for where the reading makes no forecast: an end of three and three.
const USUAL_PAIRS: u32 = 3;
/// Pairs to verify with: two ends of three and three.
const VERIFY_PAIRS: u32 = 6;

/// Mean and variance at a distance of a shift known at 30 m (the inverse of the reading's projection to 30 m).
pub(super) fn from_30m(mean: f64, variance: f64, distance_m: f64, a: &Assumptions) -> (f64, f64) {
    let factor = distance_m / a.reference_distance_m;
    if a.is_full_distance(distance_m) {
        return (mean * factor, variance * factor * factor);
    }
    let [first, second] = a.growth(factor);
    (
        mean * first,
        variance * second + mean * mean * (second - first * first),
    )
}

/// An empty step of this change.
fn blank(change: Action) -> Step {
    Step {
        kind: StepKind::of(change),
        change,
        amount: None,
        unit: None,
        setting: None,
        from: None,
        to: None,
        bolt_quarter_turns: None,
        pairs: None,
        distance_m: None,
        when: None,
        checks: Vec::new(),
        probability_right: None,
        gates: Vec::new(),
        detail: String::new().into(),
        expect: None,
        reversible: true,
        why: Reasons::default(),
        cautions: Vec::new(),
    }
}

/// Whether a change can be taken back.
fn reversible(change: Action) -> bool {
    change != Action::ShaftLength
}

/// The shift to expect at the distance shot.
fn expect(choice: &Candidate, bow: &BowState, k: &Knowledge) -> Option<Expect> {
    let assumptions = Assumptions::embedded().ok()?;
    let at = |mean, variance| from_30m(mean, variance, bow.distance_m, &assumptions);
    let (mean, variance) = at(choice.shift_mm, choice.predicted_variance_mm2);
    let sd = |v: f64| Some(rounded(v.sqrt(), 1));
    Some(match choice.axis {
        Axis::Vertical => Expect {
            x_mm: 0.0,
            y_mm: rounded(mean, 1),
            sd_x_mm: None,
            sd_y_mm: sd(variance),
        },
        Axis::Horizontal => Expect {
            x_mm: rounded(mean * bow.hand.map_or(1.0, sign), 1),
            y_mm: 0.0,
            sd_x_mm: sd(variance),
            sd_y_mm: sd((k.learning.cross_axis_relative_sd * mean).powi(2)),
        },
    })
}

/// The step of a choice.
pub(super) fn of_choice(choice: &Candidate, bow: &BowState, k: &Knowledge) -> Step {
    let change = choice.action;
    let setup = &bow.setup;
    let from = present(setup, change);
    let decimals = if change == Action::DrawWeight { 2 } else { 3 };
    let amount = rounded(choice.step.amount, decimals);
    let mut step = Step {
        amount: Some(amount),
        unit: k.lever(change).map(|l| l.unit.clone()),
        setting: change.setting().map(str::to_owned),
        from,
        to: from.map(|from| rounded(from + amount, 4)),
        bolt_quarter_turns: choice.step.quarter_turns,
        expect: expect(choice, bow, k),
        reversible: reversible(change),
        ..blank(change)
    };
    step.detail = Instruction::Amount {
        change,
        amount,
        from: step.from,
        to: step.to,
        quarter_turns: step.bolt_quarter_turns,
        spines: choice.spines,
    };
    if let Some(missed) = choice.missed {
        let distance_m = nearer(bow, k);
        step.distance_m = Some(distance_m);
        step.detail = Instruction::ThenNearer {
            step: Box::new(step.detail),
            distance_m,
        };
        let (cause, hand) = (ShootCause::Missed(missed), bow.hand);
        step.why = Reasons(vec![Reason::Shoot { cause, hand }]);
    } else {
        let p_side = state_of(choice.axis, bow).map(|state| state.offset.p_side());
        let kept = choice.past_zero.map_or(1.0, |p| 1.0 - p);
        step.probability_right = p_side.map(|p_side| rounded(p_side.min(kept), 3));
        step.why = why(choice, bow);
    }
    step.cautions.extend(cautions::afterwards(&step, bow, k));
    step.cautions.extend(cautions::look_up(&choice.look_up));
    step.cautions
        .extend(cautions::of_step(&step, arrow_weight_known(setup)));
    step
}

/// The step of a choice that is made together with `next`.
pub(super) fn together(
    choice: &Candidate,
    next: &Candidate,
    bow: &BowState,
    k: &Knowledge,
) -> Step {
    let mut step = of_choice(choice, bow, k);
    let Some(state) = state_of(choice.axis, bow).filter(|_| choice.axis == next.axis) else {
        return step;
    };
    step.why = Reasons(vec![
        seen(state, bow),
        Reason::Together {
            takes_back: choice.shift_mm * next.shift_mm < 0.0,
            both_mm: choice.shift_mm + next.shift_mm,
            axis: choice.axis,
            hand: bow.hand,
        },
        Reason::Otherwise(choice.action),
    ]);
    step
}

/// Whether the weight of the arrow is known well enough to be held against the draw weight.
fn arrow_weight_known(setup: &Setup) -> bool {
    super::sensitivities::arrow_grains(setup).is_some() && setup.draw_weight_lb.is_some()
}

fn state_of(axis: Axis, bow: &BowState) -> Option<&AxisState> {
    match axis {
        Axis::Vertical => Some(&bow.vertical),
        Axis::Horizontal => bow.horizontal.as_ref(),
    }
}

/// What was seen, what it means, why this helps, and what it means if it doesn't come.
fn why(choice: &Candidate, bow: &BowState) -> Reasons {
    let seen = state_of(choice.axis, bow).map(|state| seen(state, bow));
    let mut reasons: Vec<Reason> = seen.into_iter().collect();
    reasons.extend(choice.spines.map(|_| Reason::WrongSpine));
    reasons.extend(choice.tweak.map(Reason::ShownSooner));
    reasons.push(Reason::Effect {
        change: choice.action,
        more: choice.step.amount > 0.0,
    });
    reasons.extend(choice.past_zero.map(Reason::PastZero));
    reasons.push(Reason::Otherwise(choice.action));
    Reasons(reasons)
}

fn seen(state: &AxisState, bow: &BowState) -> Reason {
    Reason::Offset(bow.offset_estimate(state))
}

/// Where the reading that stands above a step doesn't say the same as what the step is made on: why.
pub(super) fn beside_reading(axis: Axis, bow: &BowState) -> Vec<Reason> {
    let Some(state) = state_of(axis, bow) else {
        return Vec::new();
    };
    let parts = [undecided(state, bow), differs(state, bow)];
    parts.into_iter().flatten().collect()
}

/// The reading hasn't decided this axis, yet a change is worth it.
fn undecided(state: &AxisState, bow: &BowState) -> Option<Reason> {
    use crate::reading::{HorizontalCall, VerticalCall};
    let open = match state.axis {
        Axis::Horizontal => bow.reading.horizontal.call == HorizontalCall::Undecided,
        Axis::Vertical => bow.reading.vertical.call == VerticalCall::Undecided,
    };
    // a small step near the middle says why it is worth it itself
    let out = state.p_inside < 0.5;
    (open && out).then(|| Reason::ReadingUndecided(state.offset.p_side().min(0.99)))
}

/// Where the offset estimated from everything has the other sign than that of this set-up's own ends: what causes the difference.
fn differs(state: &AxisState, bow: &BowState) -> Option<Reason> {
    let [offset_mm, _] = bow.offset_read(state.axis)?;
    if offset_mm * state.offset.mean >= 0.0 {
        return None;
    }
    let sign = match state.axis {
        Axis::Vertical => 1.0,
        Axis::Horizontal => bow.hand.map_or(1.0, sign),
    };
    let mut earlier = state.interventions.iter().rev().skip(1);
    let because = if earlier.any(|t| t.observed.is_some()) {
        DifferenceCause::EarlierEnds
    } else if bow.full_distance {
        DifferenceCause::Prior
    } else {
        DifferenceCause::Distance
    };
    Some(Reason::ReadingDiffers {
        axis: state.axis,
        offset_mm: sign * offset_mm,
        because,
    })
}

/// The step where the set-up isn't known: which lever, which way, and what to find out.
pub(super) fn of_unknown(change: Action, axis: Axis, bow: &BowState, k: &Knowledge) -> Step {
    let mut step = Step {
        unit: k.lever(change).map(|l| l.unit.clone()),
        setting: change.setting().map(str::to_owned),
        reversible: reversible(change),
        ..blank(change)
    };
    let Some(state) = state_of(axis, bow) else {
        return step;
    };
    let up = state.direction(change).is_some_and(|d| d > 0.0);
    step.detail = Instruction::Direction { change, more: up };
    step.why = Reasons(vec![
        seen(state, bow),
        Reason::Effect { change, more: up },
        Reason::FirstStep(change),
        Reason::ShouldCome {
            axis,
            shift: -state.offset.mean,
            hand: bow.hand,
        },
        Reason::Otherwise(change),
    ]);
    step.cautions
        .extend(cautions::look_up(&[LookUp::ToSize(change)]));
    // which way it goes decides the cautions
    let directed = Step {
        amount: Some(if up { 1.0 } else { -1.0 }),
        ..step.clone()
    };
    step.cautions.extend(cautions::of_step(&directed, false));
    step
}

/// The step where the spine is wrong and none can be named.
pub(super) fn of_wrong_spine(spines: Option<[f64; 2]>, bow: &BowState, k: &Knowledge) -> Step {
    let change = Action::ShaftSpine;
    let mut step = of_unknown(change, Axis::Horizontal, bow, k);
    step.cautions.retain(|n| n.code != "setup-incomplete");
    if let Some([low, high]) = spines {
        step.from = present(&bow.setup, change);
        step.detail = Instruction::OtherSpines([low, high]);
    } else {
        step.cautions
            .extend(cautions::look_up(&[LookUp::ToSize(change)]));
    }
    step.why.0.insert(0, Reason::WrongSpine);
    step
}

/// More shots, nothing changed.
pub(super) fn shoot_more(bow: &BowState) -> Step {
    let forecast = bow.reading.more_shots.as_ref();
    let pairs = forecast.and_then(|m| m.pairs).unwrap_or(USUAL_PAIRS).max(1);
    let why = forecast.map_or(Reason::NotDecided, |m| Reason::MoreShots {
        outlook: m.why.clone(),
        decide: m.pairs.is_some(),
    });
    let mut cautions = bow.reading.cautions.iter();
    let mut step = Step {
        amount: Some(f64::from(pairs)),
        unit: Some("pairs".to_owned()),
        pairs: Some(pairs),
        detail: Instruction::ShootMore {
            pairs,
            distance_m: bow.distance_m,
            look_first: cautions.any(|c| c.code == "unconfirmed"),
        },
        why: Reasons(vec![why]),
        ..blank(Action::ShootMore)
    };
    step.cautions = cautions::of_step(&step, true);
    step
}

/// Where to go nearer to, m.
fn nearer(bow: &BowState, k: &Knowledge) -> f64 {
    let rules = &k.step_rules;
    if bow.distance_m > rules.nearer_m + 2.0 {
        rules.nearer_m
    } else {
        rules.nearest_m
    }
}

/// More shots, nothing changed, for a reason of its own.
pub(super) fn shoot(cause: ShootCause, bow: &BowState, k: &Knowledge) -> Step {
    let distance_m = match cause {
        ShootCause::Missed(_) => nearer(bow, k),
        ShootCause::TooFar | ShootCause::From30 => 30.0,
        _ => bow.distance_m,
    };
    let (pairs, hand) = (k.step_rules.pairs, bow.hand);
    let mut step = Step {
        amount: Some(f64::from(pairs)),
        unit: Some("pairs".to_owned()),
        pairs: Some(pairs),
        distance_m: Some(distance_m),
        detail: Instruction::Shoot {
            pairs,
            distance_m,
            cause,
            hand,
        },
        why: Reasons(vec![Reason::Shoot { cause, hand }]),
        ..blank(Action::ShootMore)
    };
    step.cautions = cautions::of_step(&step, true);
    step
}

/// Something to look at before anything is changed.
pub(super) fn check(checks: &[Check], cause: CheckCause, bow: &BowState) -> Step {
    let hand = bow.hand;
    Step {
        checks: checks.to_vec(),
        detail: Instruction::Check {
            checks: checks.to_vec(),
            cause,
        },
        why: Reasons(vec![Reason::Check { cause, hand }]),
        ..blank(Action::Check)
    }
}

/// One lever of the newest change, back to where it was.
pub(super) fn put_back(
    change: Action,
    cause: PutBackCause,
    bow: &BowState,
    k: &Knowledge,
) -> Option<Step> {
    let (now, before) = (&bow.setup, &bow.newest_change.as_ref()?.before);
    let from = present(now, change);
    let turned = now.bolt_turns_out.zip(before.bolt_turns_out);
    let quarter_turns = turned
        .filter(|_| change == Action::DrawWeight)
        .map(|(now, before)| round_i64((now - before) * 4.0));
    let by_bolts = quarter_turns.map(|q| q as f64 * lb_per_quarter_turn(now, k));
    let to = present(before, change).or(from.zip(by_bolts).map(|(from, by)| from + by));
    let amount = from.zip(to).map(|(from, to)| to - from).or(by_bolts);
    let best = bow.findings.best.clone().filter(|best| !best.is_now);
    let hand = bow.hand;
    let mut why = vec![Reason::PutBack { cause, hand }];
    why.extend(best.map(Reason::Best));
    Some(Step {
        kind: StepKind::PutBack,
        amount: amount.map(|a| rounded(a, 3)),
        unit: k.lever(change).map(|l| l.unit.clone()),
        setting: change.setting().map(str::to_owned),
        from,
        to: to.map(|to| rounded(to, 4)),
        bolt_quarter_turns: quarter_turns,
        detail: Instruction::PutBack {
            change,
            span: [from, to],
            quarter_turns,
        },
        expect: amount.and_then(|a| back_again(change, a, quarter_turns, bow, k)),
        why: Reasons(why),
        ..blank(change)
    })
}

/// The shift to expect of a change that is put back.
fn back_again(
    change: Action,
    amount: f64,
    quarter_turns: Option<i64>,
    bow: &BowState,
    k: &Knowledge,
) -> Option<Expect> {
    let state = bow.axes().find(|state| state.slope(change).is_some())?;
    let step = Adjustment {
        amount,
        quarter_turns,
    };
    let back = candidate(
        state,
        change,
        step,
        state.learned_slope(change)?,
        Vec::new(),
        k,
    );
    expect(&back, bow, k)
}

/// Neutral where the archer tunes for.
pub(super) fn goal_reached(bow: &BowState) -> Step {
    let distance_m = bow.distance_m;
    let pairs = VERIFY_PAIRS;
    Step {
        distance_m: Some(distance_m),
        when: Some(VerifyWhen::AnotherDay),
        amount: Some(f64::from(pairs)),
        unit: Some("pairs".to_owned()),
        pairs: Some(pairs),
        detail: Instruction::GoalReached { pairs, distance_m },
        why: Reasons(vec![Reason::WithinTolerance(Some(VerifyWhen::AnotherDay))]),
        ..blank(Action::Verify)
    }
}

/// A step of a bow that is in tune.
pub(super) fn done(step: Step, bow: &BowState) -> Step {
    let p_inside: f64 = bow.axes().map(|state| state.p_inside).product();
    Step {
        kind: StepKind::Done,
        probability_right: Some(rounded(p_inside, 3)),
        ..step
    }
}

/// Nothing changed, looked at again.
pub(super) fn verify(bow: &BowState, when: VerifyWhen) -> Step {
    let distance_m = match when {
        VerifyWhen::Now => 30.0,
        VerifyWhen::AnotherDay => bow.distance_m,
    };
    let mut step = Step {
        amount: Some(f64::from(VERIFY_PAIRS)),
        unit: Some("pairs".to_owned()),
        pairs: Some(VERIFY_PAIRS),
        distance_m: Some(distance_m),
        when: Some(when),
        detail: Instruction::Verify {
            when,
            pairs: VERIFY_PAIRS,
            distance_m: bow.distance_m,
        },
        why: Reasons(vec![Reason::WithinTolerance(Some(when))]),
        ..blank(Action::Verify)
    };
    step.cautions = cautions::of_step(&step, true);
    step
}

/// Nothing more to do: in tune on more than one day.
pub(super) fn nothing_in_tune() -> Step {
    Step {
        detail: Instruction::InTune,
        why: Reasons(vec![Reason::WithinTolerance(None)]),
        ..blank(Action::None)
    }
}

/// Nothing left within the limits.
pub(super) fn nothing_left(axes: &[Axis], bow: &BowState) -> Step {
    let offsets_remaining = axes
        .iter()
        .filter_map(|&axis| state_of(axis, bow))
        .map(|state| seen(state, bow));
    Step {
        detail: Instruction::NothingLeft,
        why: Reasons(offsets_remaining.collect()),
        ..blank(Action::None)
    }
}

//! From what was chosen to the steps of the advice.

use super::about::{Detail, DifferenceCause, LookUp, Reason, Reasons};
use super::choice::Choice;
use super::knowledge::{Axis, Knowledge};
use super::moves::{present, setting_of};
use super::situation::{AxisState, Situation};
use super::trials::sign;
use super::{Change, Expect, Step, VerifyWhen, cautions};
use crate::math::rounded;
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
    let l = factor.ln();
    let [power, sd] = a.growth_power;
    let spread = sd * sd * l * l;
    let first = (power * l + spread / 2.0).exp();
    let second = (2.0 * power * l + 2.0 * spread).exp();
    (
        mean * first,
        variance * second + mean * mean * (second - first * first),
    )
}

/// An empty step of this change.
fn blank(change: Change) -> Step {
    Step {
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
        detail: String::new().into(),
        expect: None,
        reversible: true,
        why: Reasons::default(),
        cautions: Vec::new(),
    }
}

/// Whether a change can be taken back.
fn reversible(change: Change) -> bool {
    change != Change::ShaftLength
}

/// The shift to expect at the distance shot.
fn expect(choice: &Choice, situation: &Situation, k: &Knowledge) -> Option<Expect> {
    let assumptions = Assumptions::embedded().ok()?;
    let at = |mean, variance| from_30m(mean, variance, situation.distance_m, &assumptions);
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
            x_mm: rounded(mean * situation.hand.map_or(1.0, sign), 1),
            y_mm: 0.0,
            sd_x_mm: sd(variance),
            sd_y_mm: sd((k.learning.cross_share * mean).powi(2)),
        },
    })
}

/// The step of a choice.
pub(super) fn of_choice(choice: &Choice, situation: &Situation, k: &Knowledge) -> Step {
    let change = choice.change;
    let setup = &situation.setup;
    let from = present(setup, change);
    let decimals = if change == Change::DrawWeight { 2 } else { 3 };
    let amount = rounded(choice.step.amount, decimals);
    let mut step = Step {
        amount: Some(amount),
        unit: k.lever(change).map(|l| l.unit.clone()),
        setting: setting_of(change).map(str::to_owned),
        from,
        to: from.map(|from| rounded(from + amount, 4)),
        bolt_quarter_turns: choice.step.quarter_turns,
        expect: expect(choice, situation, k),
        reversible: reversible(change),
        ..blank(change)
    };
    step.detail = Detail::Amount {
        change,
        amount,
        from: step.from,
        to: step.to,
        quarter_turns: step.bolt_quarter_turns,
        spines: choice.spines,
    };
    step.why = why(choice, situation);
    step.cautions.extend(cautions::look_up(&choice.look_up));
    step.cautions
        .extend(cautions::of_step(&step, arrow_weight_known(setup)));
    step
}

/// The step of a choice that is made together with `next`.
pub(super) fn together(
    choice: &Choice,
    next: &Choice,
    situation: &Situation,
    k: &Knowledge,
) -> Step {
    let mut step = of_choice(choice, situation, k);
    let Some(state) = state_of(choice.axis, situation).filter(|_| choice.axis == next.axis) else {
        return step;
    };
    step.why = Reasons(vec![
        seen(state, situation),
        Reason::Together {
            takes_back: choice.shift_mm * next.shift_mm < 0.0,
            both_mm: choice.shift_mm + next.shift_mm,
            axis: choice.axis,
            hand: situation.hand,
        },
        Reason::Otherwise(choice.change),
    ]);
    step
}

/// Whether the weight of the arrow is told well enough to be held against the draw weight.
fn arrow_weight_known(setup: &Setup) -> bool {
    super::exchange::arrow_grains(setup).is_some() && setup.draw_weight_lb.is_some()
}

fn state_of(axis: Axis, situation: &Situation) -> Option<&AxisState> {
    match axis {
        Axis::Vertical => Some(&situation.v),
        Axis::Horizontal => situation.u.as_ref(),
    }
}

/// What was seen, what it means, why this helps, and what it means if it doesn't come.
fn why(choice: &Choice, situation: &Situation) -> Reasons {
    let seen = state_of(choice.axis, situation).map(|state| seen(state, situation));
    let mut reasons: Vec<Reason> = seen.into_iter().collect();
    reasons.extend(choice.spines.map(|_| Reason::WrongSpine));
    reasons.extend(choice.tweak.map(Reason::ShownSooner));
    reasons.push(Reason::Effect {
        change: choice.change,
        more: choice.step.amount > 0.0,
    });
    reasons.extend(choice.past_zero.map(Reason::PastZero));
    reasons.push(Reason::Otherwise(choice.change));
    Reasons(reasons)
}

fn seen(state: &AxisState, situation: &Situation) -> Reason {
    Reason::Offset(situation.seen(state))
}

/// Where the reading that stands above a step doesn't say the same as what the step is made on: why.
pub(super) fn beside_reading(axis: Axis, situation: &Situation) -> Vec<Reason> {
    let Some(state) = state_of(axis, situation) else {
        return Vec::new();
    };
    let parts = [undecided(state, situation), differs(state, situation)];
    parts.into_iter().flatten().collect()
}

/// The reading hasn't decided this axis, yet a change is worth it.
fn undecided(state: &AxisState, situation: &Situation) -> Option<Reason> {
    use crate::reading::{HorizontalCall, VerticalCall};
    let open = match state.axis {
        Axis::Horizontal => situation.reading.horizontal.call == HorizontalCall::Undecided,
        Axis::Vertical => situation.reading.vertical.call == VerticalCall::Undecided,
    };
    // a small step near the middle says why it is worth it itself
    let out = state.inside < 0.5;
    (open && out).then(|| Reason::ReadingUndecided(state.offset.side().min(0.99)))
}

/// A smaller difference between the offset of the reading and that of the step isn't worth a word, mm.
const DIFFERENCE_SAID_MM: f64 = 3.0;

/// The offset here is not that of the reading: from what else it comes.
fn differs(state: &AxisState, situation: &Situation) -> Option<Reason> {
    let read = situation.reading.offset?;
    let assumptions = Assumptions::embedded().ok()?;
    let (offset_mm, sign) = match state.axis {
        Axis::Vertical => (read.y_mm, 1.0),
        Axis::Horizontal => (read.x_mm, situation.hand.map_or(1.0, sign)),
    };
    let here = from_30m(state.offset.mean, 0.0, situation.distance_m, &assumptions).0;
    let short = !assumptions.is_full_distance(situation.distance_m);
    if (here - sign * offset_mm).abs() < DIFFERENCE_SAID_MM && !short {
        return None;
    }
    let mut earlier = state.trials.iter().rev().skip(1);
    let because = if short {
        DifferenceCause::Distance
    } else if earlier.any(|t| t.observed.is_some()) {
        DifferenceCause::EarlierEnds
    } else {
        DifferenceCause::Prior
    };
    Some(Reason::ReadingDiffers {
        axis: state.axis,
        offset_mm,
        because,
    })
}

/// The step where the set-up isn't told: which lever, which way, and what to find out.
pub(super) fn of_unknown(change: Change, axis: Axis, situation: &Situation, k: &Knowledge) -> Step {
    let mut step = Step {
        unit: k.lever(change).map(|l| l.unit.clone()),
        setting: setting_of(change).map(str::to_owned),
        reversible: reversible(change),
        ..blank(change)
    };
    let Some(state) = state_of(axis, situation) else {
        return step;
    };
    let up = state.direction(change).is_some_and(|d| d > 0.0);
    step.detail = Detail::Direction { change, more: up };
    step.why = Reasons(vec![
        seen(state, situation),
        Reason::Effect { change, more: up },
        Reason::FirstStep(change),
        Reason::ShouldCome {
            axis,
            shift: -state.offset.mean,
            hand: situation.hand,
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
pub(super) fn of_wrong_spine(
    spines: Option<[f64; 2]>,
    situation: &Situation,
    k: &Knowledge,
) -> Step {
    let change = Change::ShaftSpine;
    let mut step = of_unknown(change, Axis::Horizontal, situation, k);
    step.cautions.retain(|n| n.code != "setup-incomplete");
    if let Some([low, high]) = spines {
        step.from = present(&situation.setup, change);
        step.detail = Detail::OtherSpines([low, high]);
    } else {
        step.cautions
            .extend(cautions::look_up(&[LookUp::ToSize(change)]));
    }
    step.why.0.insert(0, Reason::WrongSpine);
    step
}

/// More shots, nothing changed.
pub(super) fn shoot_more(situation: &Situation) -> Step {
    let forecast = situation.reading.more_shots.as_ref();
    let pairs = forecast.and_then(|m| m.pairs).unwrap_or(USUAL_PAIRS).max(1);
    let why = forecast.map_or(Reason::NotDecided, |m| Reason::MoreShots {
        outlook: m.why.clone(),
        decide: m.pairs.is_some(),
    });
    let mut cautions = situation.reading.cautions.iter();
    let mut step = Step {
        amount: Some(f64::from(pairs)),
        unit: Some("pairs".to_owned()),
        pairs: Some(pairs),
        detail: Detail::ShootMore {
            pairs,
            distance_m: situation.distance_m,
            look_first: cautions.any(|c| c.code == "unconfirmed"),
        },
        why: Reasons(vec![why]),
        ..blank(Change::ShootMore)
    };
    step.cautions = cautions::of_step(&step, true);
    step
}

/// Nothing changed, looked at again.
pub(super) fn verify(situation: &Situation, when: VerifyWhen) -> Step {
    let distance_m = match when {
        VerifyWhen::Now => 30.0,
        VerifyWhen::AnotherDay => situation.distance_m,
    };
    let mut step = Step {
        amount: Some(f64::from(VERIFY_PAIRS)),
        unit: Some("pairs".to_owned()),
        pairs: Some(VERIFY_PAIRS),
        distance_m: Some(distance_m),
        when: Some(when),
        detail: Detail::Verify {
            when,
            pairs: VERIFY_PAIRS,
            distance_m: situation.distance_m,
        },
        why: Reasons(vec![Reason::WithinTolerance(Some(when))]),
        ..blank(Change::Verify)
    };
    step.cautions = cautions::of_step(&step, true);
    step
}

/// Nothing more to do: in tune on more than one day.
pub(super) fn nothing_in_tune() -> Step {
    Step {
        detail: Detail::InTune,
        why: Reasons(vec![Reason::WithinTolerance(None)]),
        ..blank(Change::None)
    }
}

/// Nothing left within the limits.
pub(super) fn nothing_left(axes: &[Axis], situation: &Situation) -> Step {
    let left = axes
        .iter()
        .filter_map(|&axis| state_of(axis, situation))
        .map(|state| seen(state, situation));
    Step {
        detail: Detail::NothingLeft,
        why: Reasons(left.collect()),
        ..blank(Change::None)
    }
}

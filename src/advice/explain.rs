//! The chain from reading to step, with the numbers used and where each comes from: `text::explain` makes the sentences.

use super::about::{CheckCause, OffsetEstimate, PutBackCause, ShootCause};
use super::bow_state::{AxisState, BowState};
use super::candidate::Candidate;
use super::choose::Decision;
use super::interventions::ReadingCache;
use super::knowledge::{Axis, Knowledge, knowledge};
use super::options::AdviceOptions;
use super::sensitivities::{missing, sensitivities};
use super::slopes::lb_per_quarter_turn;
use super::{Action, policy, steps};
use crate::geometry::MM_PER_INCH;
use crate::reading::{Assumptions, Reading};
use crate::record::{Hand, History};

/// One item of the explanation. Offsets are those of the bare shafts at 30 m, mm.
#[derive(Clone, Debug, PartialEq)]
pub enum ExplanationItem {
    /// What was read.
    Reading(Box<Reading>),
    /// No record can be used.
    NoRecord,
    /// Shot from so near, m.
    ShortDistance(f64),
    /// The tolerance at 30 m.
    Tolerance {
        /// mm.
        mm: f64,
        /// The archer's own.
        own: bool,
    },
    /// The state of an axis.
    Now {
        /// Where the bare shafts land.
        seen: OffsetEstimate,
        /// Probability of lying inside the tolerance.
        p_inside: f64,
        /// Probability of the side.
        p_side: f64,
        /// Set-ups that it was learned from, this one among them.
        setups: usize,
    },
    /// No exchange rates: settings that are missing; none: the shaft would buckle.
    NoRates(Vec<&'static str>),
    /// Exchange rates by physics.
    Rates {
        /// Swings of the arrow while the string drives it.
        index: f64,
        /// Pounds that do as much as 1/4 in of length, 10 gr at the point, 10 gr at the nock, 50 of spine.
        pounds: [Option<f64>; 4],
    },
    /// Frequency of the bare shaft in flight, Hz.
    InFlight(f64),
    /// What the fletched arrows' other nock end is worth, mm towards weak.
    RearEnds(f64),
    /// What a lever does.
    Slope {
        /// The lever.
        change: Action,
        /// Its unit.
        unit: String,
        /// Beforehand: mm a unit, and the factor that is one sd.
        prior: [f64; 2],
        /// Where that comes from.
        source: String,
        /// The same as learned on this bow, where it has taught anything.
        learned: Option<[f64; 2]>,
    },
    /// Pounds of a quarter turn of both bolts.
    Bolts {
        /// lb.
        lb: f64,
        /// From the set-up.
        own: bool,
    },
    /// In tune.
    InTune {
        /// Probability of both axes lying inside the tolerance.
        p_inside: f64,
        /// Only all ends together show it, not this set-up's own.
        by_earlier_ends: bool,
    },
    /// Neutral at a distance that can't show more.
    NeutralHere,
    /// No axis is out with enough certainty.
    NoChange {
        /// An axis is adjusted only below this probability of lying inside the tolerance.
        p_inside: f64,
        /// Least probability of the offset's side with which an axis is adjusted.
        p_side: f64,
        /// Ends that were looked ahead to.
        horizon_ends: usize,
    },
    /// More shots come first, with the hand that draws.
    ShootFirst(ShootCause, Option<Hand>),
    /// Something is looked at first, with the hand that draws.
    CheckFirst(CheckCause, Option<Hand>),
    /// The newest change is undone, with the hand that draws.
    PutBack(PutBackCause, Option<Hand>),
    /// Nothing is left within the limits.
    NothingLeft,
    /// The set-up isn't known, so neither is the size.
    SizeUnknown,
    /// The spine is wrong.
    WrongSpine,
    /// A lever that comes before the chosen one, and why it isn't that.
    Not(Action, LeverObstacle),
    /// The change chosen.
    Chosen(Box<StepSize>),
    /// One of the other axis that is made with it.
    WithOtherAxis(Box<StepSize>),
    /// One of the same axis that is made with it.
    WithSameAxis(Box<StepSize>),
}

/// Why a lever isn't adjusted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum LeverObstacle {
    /// The archer keeps it.
    Kept,
    /// It can't be undone, and a gate of such a step is not met.
    Gates,
    /// Its last adjustment in that direction contradicted.
    Contradicted,
    /// Longer shafts are new ones.
    LongerIsNew,
    /// No shortest safe length is known, or it is reached.
    SafeLength,
    /// None is owned, obtainable or known.
    NoneAtHand,
    /// At its limit.
    Limit,
    /// What a cut asks for; most risk of going past zero.
    Cut(f64),
    /// In tune isn't shown sooner with it.
    NotSooner,
    /// Its overshoot can't be taken back, or it isn't shown at 30 m.
    Overshoot,
    /// The point comes first.
    PointFirst,
    /// Its smallest step is too much.
    TooMuch,
}

/// How far a change goes, and why so far.
#[derive(Clone, Debug, PartialEq)]
pub struct StepSize {
    /// The change.
    pub change: Action,
    /// By how much, in its unit.
    pub amount: f64,
    /// Its unit.
    pub unit: String,
    /// How far there is to go.
    pub to_go_mm: f64,
    /// What a unit brings on average.
    pub each_mm: f64,
    /// What this brings.
    pub shift_mm: f64,
    /// The standard deviation that is stated of it.
    pub sd_mm: f64,
    /// The same at the distance shot, m, where that isn't 30 m.
    pub here_mm: Option<(f64, f64)>,
    /// What is left afterwards; negative: on the other side.
    pub remaining_mm: f64,
    /// It is adjusted against the change it is made with.
    pub other_way: bool,
    /// Probability of going past zero.
    pub past_zero: Option<f64>,
    /// Ends to go until in tune is shown: as things are, and after it.
    pub sooner: Option<[f64; 2]>,
}

/// The explanation of an advice, from the reading to the step; each number is marked physics, assumption, common practice or learned.
#[must_use]
pub fn explain(history: &History, options: &AdviceOptions) -> Vec<ExplanationItem> {
    let k = knowledge();
    let bow = match BowState::of(history, k, &mut ReadingCache::default()) {
        Ok(bow) => bow,
        Err(Some(reading)) => return vec![ExplanationItem::Reading(reading)],
        Err(None) => return vec![ExplanationItem::NoRecord],
    };
    let setup = &bow.setup;
    let mut chain = vec![ExplanationItem::Reading(Box::new(bow.reading.clone()))];
    if !bow.full_distance {
        chain.push(ExplanationItem::ShortDistance(bow.distance_m));
    }
    chain.push(ExplanationItem::Tolerance {
        mm: bow.tolerance_mm,
        own: setup.tolerance_30m_mm.is_some(),
    });
    chain.extend(bow.axes().map(|state| {
        ExplanationItem::Now {
            seen: bow.offset_estimate(state),
            p_inside: state.p_inside,
            p_side: state.offset.p_side(),
            setups: state
                .interventions
                .iter()
                .filter(|t| t.observed.is_some())
                .count(),
        }
    }));
    chain.extend(physics(&bow));
    for state in bow.axes() {
        chain.extend(
            state
                .slopes
                .iter()
                .filter_map(|s| slope(state, s.action, k)),
        );
    }
    if !bow.is_setup_unknown {
        chain.push(ExplanationItem::Bolts {
            lb: lb_per_quarter_turn(setup, k),
            own: setup.bolt_lb_per_turn.is_some(),
        });
    }
    chain.extend(decision(&policy::decide(&bow, options, k), &bow, k));
    chain
}

fn physics(bow: &BowState) -> Vec<ExplanationItem> {
    let Some(rates) = sensitivities(&bow.setup) else {
        let lacking = missing(&bow.setup).iter().map(|m| m.1).collect();
        return vec![ExplanationItem::NoRates(lacking)];
    };
    let pounds = |change, n: f64| rates.in_pounds(change).map(|lb| lb.abs() * n);
    let mut chain = vec![ExplanationItem::Rates {
        index: rates.index,
        pounds: [
            pounds(Action::ShaftLength, MM_PER_INCH / 4.0),
            pounds(Action::PointWeight, 10.0),
            pounds(Action::RearWeight, 10.0),
            pounds(Action::ShaftSpine, 50.0),
        ],
    }];
    chain.extend(rates.free_free_hz.map(ExplanationItem::InFlight));
    let difference = rates.fletched_less_bare.filter(|d| d.abs() > 0.002);
    let per_log = knowledge().scale.mm_per_unit_log_index;
    chain.extend(difference.map(|ln_q| ExplanationItem::RearEnds(per_log * ln_q)));
    chain
}

fn slope(state: &AxisState, change: Action, k: &Knowledge) -> Option<ExplanationItem> {
    let (prior, beta) = (state.slope(change)?, state.learned_slope(change)?);
    let log_sd = prior.log_sd(k.scale.log_sd);
    let sd = beta.ln_variance.sqrt();
    let moved = sd < 0.97 * log_sd || (beta.median / prior.median_mm).ln().abs() > 0.02;
    Some(ExplanationItem::Slope {
        change,
        unit: prior.unit.clone(),
        prior: [prior.median_mm, log_sd.exp()],
        source: prior.mark.clone(),
        learned: moved.then(|| [beta.median, sd.exp()]),
    })
}

fn decision(decision: &Decision, bow: &BowState, k: &Knowledge) -> Vec<ExplanationItem> {
    match decision {
        Decision::Done { .. } => {
            vec![ExplanationItem::InTune {
                p_inside: bow.axes().map(|s| s.p_inside).product(),
                by_earlier_ends: bow.shows_in_tune_by_earlier_ends(k),
            }]
        }
        Decision::VerifyAtFullDistance | Decision::GoalReached => {
            vec![ExplanationItem::NeutralHere]
        }
        Decision::Shoot { cause } => vec![ExplanationItem::ShootFirst(*cause, bow.hand)],
        Decision::Check { cause, .. } => vec![ExplanationItem::CheckFirst(*cause, bow.hand)],
        Decision::PutBack { cause, .. } => vec![ExplanationItem::PutBack(*cause, bow.hand)],
        Decision::ShootMore => vec![ExplanationItem::NoChange {
            p_inside: k.policy.adjust_below_p_inside,
            p_side: k.policy.adjust_from_p_side,
            horizon_ends: k.policy.horizon_ends,
        }],
        Decision::AtLimits { axes } => {
            let out = bow.axes().filter(|s| axes.contains(&s.axis));
            let skipped = out.flat_map(|state| skipped(state, bow, None, k));
            skipped.chain([ExplanationItem::NothingLeft]).collect()
        }
        Decision::Unknown { .. } => vec![ExplanationItem::SizeUnknown],
        Decision::WrongSpine { .. } => vec![ExplanationItem::WrongSpine],
        Decision::Adjust { next, also, .. } => {
            let mut chain = Vec::new();
            let state_of = |choice: &Candidate| bow.axes().find(|s| s.axis == choice.axis);
            if let Some(state) = state_of(next) {
                if next.spines.is_none() {
                    chain.extend(skipped(state, bow, Some(next), k));
                }
                chain.push(ExplanationItem::Chosen(Box::new(size(
                    next, None, state, bow,
                ))));
            }
            for choice in also {
                let same_axis = choice.axis == next.axis;
                chain.extend(state_of(choice).map(|state| {
                    if same_axis {
                        let size = size(choice, Some(next), state, bow);
                        ExplanationItem::WithSameAxis(Box::new(size))
                    } else {
                        ExplanationItem::WithOtherAxis(Box::new(size(choice, None, state, bow)))
                    }
                }));
            }
            chain
        }
    }
}

/// Levers that come before the chosen one in the trade's order, and why each isn't it.
fn skipped(
    state: &AxisState,
    bow: &BowState,
    chosen: Option<&Candidate>,
    k: &Knowledge,
) -> Vec<ExplanationItem> {
    let order: &[Action] = match state.axis {
        Axis::Vertical if state.offset.mean.abs() < k.policy.rest_up_to_mm => {
            &[Action::RestHeight, Action::NockingPoint]
        }
        Axis::Vertical => &[Action::NockingPoint, Action::RestHeight],
        Axis::Horizontal => &[
            Action::DrawWeight,
            Action::PointWeight,
            Action::RearWeight,
            Action::ShaftLength,
            Action::ShaftSpine,
            Action::Plunger,
        ],
    };
    let tweak = chosen.is_some_and(|c| c.tweak.is_some());
    order
        .iter()
        .take_while(|&&change| Some(change) != chosen.map(|c| c.action))
        .map(|&change| ExplanationItem::Not(change, obstacle(state, bow, change, tweak, k)))
        .collect()
}

fn obstacle(
    state: &AxisState,
    bow: &BowState,
    change: Action,
    tweak: bool,
    k: &Knowledge,
) -> LeverObstacle {
    let mut kept = bow.setup.keep.iter().flatten();
    if kept.any(|keep| keep == change.name()) {
        return LeverObstacle::Kept;
    }
    let direction = state.direction(change).unwrap_or(0.0);
    if bow.blocked(state, change, direction) {
        return LeverObstacle::Contradicted;
    }
    if bow.towards_zero(state, change, k).steps.is_empty() {
        return match change {
            Action::ShaftLength if direction > 0.0 => LeverObstacle::LongerIsNew,
            Action::ShaftLength => LeverObstacle::SafeLength,
            Action::ShaftSpine | Action::PointWeight | Action::RearWeight => {
                LeverObstacle::NoneAtHand
            }
            _ => LeverObstacle::Limit,
        };
    }
    match change {
        Action::ShaftLength if !policy::unmet(bow, k).is_empty() => LeverObstacle::Gates,
        Action::ShaftLength => LeverObstacle::Cut(k.policy.cut_past_zero),
        _ if tweak => LeverObstacle::NotSooner,
        Action::ShaftSpine => LeverObstacle::Overshoot,
        Action::Plunger => LeverObstacle::PointFirst,
        _ => LeverObstacle::TooMuch,
    }
}

/// How far a change goes, alone or together with another of its axis.
fn size(
    choice: &Candidate,
    with: Option<&Candidate>,
    state: &AxisState,
    bow: &BowState,
) -> StepSize {
    let assumptions = Assumptions::embedded().ok().filter(|_| !bow.full_distance);
    let here = assumptions.map(|a| {
        let (mean, _) = steps::from_30m(
            choice.shift_mm,
            choice.predicted_variance_mm2,
            bow.distance_m,
            &a,
        );
        (mean.abs(), bow.distance_m)
    });
    let shift = with.map_or(0.0, |with| with.shift_mm) + choice.shift_mm;
    StepSize {
        change: choice.action,
        amount: choice.step.amount,
        unit: state
            .slope(choice.action)
            .map_or_else(String::new, |s| s.unit.clone()),
        to_go_mm: state.offset.mean.abs(),
        each_mm: state.learned_slope(choice.action).map_or(0.0, |b| b.mean()),
        shift_mm: choice.shift_mm.abs(),
        sd_mm: choice.predicted_variance_mm2.sqrt(),
        here_mm: here,
        remaining_mm: (state.offset.mean + shift) * state.offset.mean.signum(),
        other_way: with.is_some_and(|with| choice.shift_mm * with.shift_mm < 0.0),
        past_zero: choice.past_zero,
        sooner: choice.tweak,
    }
}

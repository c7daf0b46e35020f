//! A history of records → the advice.

use super::about::{Caution, CautionKind};
use super::bow_state::{AxisState, BowState};
use super::choose::Decision;
use super::interventions::ReadingCache;
use super::knowledge::{Axis, Knowledge, knowledge};
use super::options::AdviceOptions;
use super::policy::decide;
use super::{Action, Advice, Learned, SCHEMA, Step, StepKind, VerifyWhen, cautions, policy, steps};
use crate::math::rounded;
use crate::reading::{Reading, read};
use crate::record::History;

/// One reading of the newest set-up and the ranked next changes for it.
#[must_use]
pub fn advise(history: &History, options: &AdviceOptions) -> Advice {
    advise_with(history, options, knowledge(), &mut ReadingCache::default())
}

/// [`advise`] with what was read before.
#[must_use]
pub fn advise_again(
    history: &History,
    options: &AdviceOptions,
    readings: &mut ReadingCache,
) -> Advice {
    advise_with(history, options, knowledge(), readings)
}

/// [`advise`] from other knowledge than what is built in, and with the readings made before, which give the same answer sooner.
#[must_use]
pub fn advise_with(
    history: &History,
    options: &AdviceOptions,
    knowledge: &Knowledge,
    readings: &mut ReadingCache,
) -> Advice {
    let k = knowledge;
    let bow = match BowState::of(history, k, readings) {
        Ok(bow) => bow,
        Err(reading) => return impossible(history, reading.map(|r| *r)),
    };
    let decision = decide(&bow, options, k);
    if decision == Decision::ShootMore && hand_is_missing(&bow, k) {
        return Advice {
            failure: Some(Caution::new("no-hand", CautionKind::NoHand)),
            ..assembled(history, &bow, Parts::default(), k)
        };
    }
    let parts = parts(&decision, &bow, k);
    assembled(history, &bow, parts, k)
}

/// The steps of an advice.
#[derive(Default)]
struct Parts {
    next: Option<Step>,
    also: Vec<Step>,
    others: Vec<Step>,
    done: bool,
    notes: Vec<Caution>,
}

fn parts(decision: &Decision, bow: &BowState, k: &Knowledge) -> Parts {
    let only = |next| Parts {
        next: Some(next),
        ..Parts::default()
    };
    match decision {
        Decision::Done { again } => Parts {
            next: Some(if *again {
                steps::verify(bow, VerifyWhen::AnotherDay)
            } else {
                steps::nothing_in_tune()
            })
            .map(|step| steps::done(step, bow)),
            done: true,
            ..Parts::default()
        },
        Decision::VerifyAtFullDistance => only(steps::verify(bow, VerifyWhen::Now)),
        Decision::GoalReached => only(steps::goal_reached(bow)),
        Decision::ShootMore => only(steps::shoot_more(bow)),
        Decision::Shoot { cause } => only(steps::shoot(*cause, bow, k)),
        Decision::Check { checks, cause } => only(steps::check(checks, *cause, bow)),
        Decision::PutBack { levers, cause } => put_back(levers, *cause, bow, k),
        Decision::AtLimits { axes } => Parts {
            notes: vec![cautions::at_limits(axes, bow)],
            ..only(steps::nothing_left(axes, bow))
        },
        Decision::WrongSpine { spines } => only(steps::of_wrong_spine(*spines, bow, k)),
        Decision::Unknown {
            action,
            axis,
            others,
        } => {
            let step = |action: &Action| steps::of_unknown(*action, *axis, bow, k);
            Parts {
                next: Some(beside_reading(step(action), *axis, bow)),
                others: others.iter().map(step).collect(),
                ..Parts::default()
            }
        }
        Decision::Adjust { next, also, others } => {
            let step = |choice| steps::of_choice(choice, bow, k);
            Parts {
                next: Some(beside_reading(step(next), next.axis, bow)),
                also: also
                    .iter()
                    .map(|choice| steps::together(choice, next, bow, k))
                    .collect(),
                others: others.iter().map(step).collect(),
                ..Parts::default()
            }
        }
    }
}

/// The newest change undone, lever by lever.
fn put_back(
    levers: &[Action],
    cause: super::about::PutBackCause,
    bow: &BowState,
    k: &Knowledge,
) -> Parts {
    let mut undone = levers
        .iter()
        .filter_map(|&change| steps::put_back(change, cause, bow, k));
    Parts {
        next: undone.next(),
        also: undone.collect(),
        ..Parts::default()
    }
}

/// The next step, with a word where the reading above it says something else.
fn beside_reading(mut step: Step, axis: Axis, bow: &BowState) -> Step {
    step.why.0.extend(steps::beside_reading(axis, bow));
    step
}

fn assembled(history: &History, bow: &BowState, parts: Parts, k: &Knowledge) -> Advice {
    let mut advice = Advice {
        schema: SCHEMA.to_owned(),
        reading: bow.reading_by_all_ends(k),
        next: parts.next,
        also: parts.also,
        others: parts.others,
        learned: learned(bow, k),
        done: parts.done,
        best: bow.findings.best.clone(),
        cautions: of_history(history),
        failure: None,
    };
    let gates = if advice.done {
        Vec::new()
    } else {
        policy::unmet(bow, k)
    };
    if let Some(next) = &mut advice.next {
        next.gates.clone_from(&gates);
    }
    let steps = advice.also.iter_mut().chain(&mut advice.others);
    for step in steps.filter(|s| s.kind == StepKind::Irreversible) {
        step.gates.clone_from(&gates);
    }
    advice.cautions.extend(contradiction_notes(bow));
    advice.cautions.extend(cautions::of_setup(bow, k));
    if bow.is_setup_unknown && !parts.done {
        advice.cautions.push(unknown_setup(k));
    }
    advice.cautions.extend(parts.notes);
    if parts.done {
        advice.cautions.extend(cautions::by_earlier_ends(bow, k));
        advice.cautions.extend(cautions::after_tune(bow));
    }
    advice.cautions.push(cautions::general());
    advice
}

/// Contradictions of the newest change, and those for which a lever is left alone now.
fn contradiction_notes(bow: &BowState) -> Vec<Caution> {
    bow.axes()
        .flat_map(|state| {
            let newest = state.interventions.len().saturating_sub(1);
            state
                .contradictions
                .iter()
                .filter(move |c| {
                    c.run == newest
                        || c.lever
                            .is_some_and(|(lever, way)| bow.blocked(state, lever, way))
                })
                .map(|c| cautions::contradiction(c, bow))
        })
        .collect()
}

fn unknown_setup(k: &Knowledge) -> Caution {
    let about = CautionKind::UnknownSetup {
        draw_weight_lb: k.typical_setup.draw_weight_lb,
        shaft_spine: k.typical_setup.shaft_spine,
    };
    Caution::new("setup-incomplete", about)
}

fn of_history(history: &History) -> Vec<Caution> {
    history.remarks.iter().map(|n| n.clone().among()).collect()
}

/// What a unit of each lever does on this bow: as learned, or as a bow like it usually answers. Empty where nothing can be
/// advised on.
#[must_use]
pub fn levers(history: &History) -> Vec<Learned> {
    let k = knowledge();
    let bow = BowState::of(history, k, &mut ReadingCache::default());
    bow.map_or_else(|_| Vec::new(), |bow| all_levers(&bow, k))
}

/// What this bow's history has taught, lever by lever.
fn learned(bow: &BowState, k: &Knowledge) -> Vec<Learned> {
    let mut learned = all_levers(bow, k);
    learned.retain(|l| l.from_changes > 0);
    learned
}

fn all_levers(bow: &BowState, k: &Knowledge) -> Vec<Learned> {
    let mut learned: Vec<Learned> = bow
        .axes()
        .flat_map(|state| {
            state
                .slopes
                .iter()
                .filter_map(|s| of_lever(state, s.action))
        })
        .collect();
    let index = |change: Action| k.levers.iter().position(|l| l.action == change);
    learned.sort_by_key(|l| index(l.change));
    learned
}

fn of_lever(state: &AxisState, change: Action) -> Option<Learned> {
    let changes = state.times_tried(change);
    let (slope, beta) = (state.slope(change)?, state.learned_slope(change)?);
    Some(Learned {
        change,
        unit: slope.unit.clone(),
        mm_per_unit: rounded(beta.median, 2),
        sd: rounded(beta.variance().sqrt(), 2),
        from_changes: u32::try_from(changes).unwrap_or(u32::MAX),
        prior_mm_per_unit: rounded(slope.median_mm, 2),
    })
}

/// Whether only the hand is missing for an answer.
fn hand_is_missing(bow: &BowState, k: &Knowledge) -> bool {
    bow.hand.is_none() && bow.vertical.is_observed && bow.vertical.p_inside >= k.policy.in_tune
}

/// An advice that says why there is none.
fn impossible(history: &History, reading: Option<Reading>) -> Advice {
    let no_distance = reading.is_some();
    let reading = reading.unwrap_or_else(|| read(&[]));
    let failure = match &reading.failure {
        _ if no_distance => Caution::new("no-distance", CautionKind::NoDistance),
        Some(failure) => failure.clone().among(),
        None => Caution::new("no-records", CautionKind::NoRecords),
    };
    Advice {
        schema: SCHEMA.to_owned(),
        reading,
        next: None,
        also: Vec::new(),
        others: Vec::new(),
        learned: Vec::new(),
        done: false,
        best: None,
        cautions: of_history(history),
        failure: Some(failure),
    }
}

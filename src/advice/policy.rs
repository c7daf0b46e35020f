//! The one place that decides which kind of step is permitted.
//!
//! `choose` gives the step that the offset calls for. This module adds what has to be done before any change, and the gates of a step that
//! can't be undone.

use super::Action;
use super::about::{CheckCause, PutBackCause, ShootCause};
use super::adjustments::adjustments;
use super::bow_state::{AxisState, BowState};
use super::candidate::{Candidate, candidate, nearest};
use super::choose::{self, Decision};
use super::contradictions::Contradiction;
use super::findings::MissedBare;
use super::interventions::{action_of, sign};
use super::kind::{Check, Gate, GateCode, GateValue, StepKind};
use super::knowledge::{Axis, Knowledge};
use super::options::AdviceOptions;
use crate::record::{Lever, compare};

/// Decides what comes next.
pub(super) fn decide(bow: &BowState, options: &AdviceOptions, k: &Knowledge) -> Decision {
    if let Some(lever) = changed_since(bow, options) {
        let cause = ShootCause::Changed(lever);
        return Decision::Shoot { cause };
    }
    if let Some(first) = before_any_change(bow, k) {
        return first;
    }
    let wanted = choose::decide(bow, options.both, k);
    permitted(wanted, bow, k)
}

/// The first lever that was noted as changed after the newest end.
fn changed_since(bow: &BowState, options: &AdviceOptions) -> Option<Lever> {
    let noted = options.noted_since.as_ref()?;
    let changes = compare(&bow.setup, &noted.or(&bow.setup)).changes;
    changes.first().map(|change| change.lever)
}

/// What has to be done before the bow is changed, or called in tune.
fn before_any_change(bow: &BowState, k: &Knowledge) -> Option<Decision> {
    let (findings, rules) = (&bow.findings, &k.step_rules);
    if findings.unconfirmed > 0 && !findings.is_checked("tags") {
        return Some(check(
            &[Check::Tags],
            CheckCause::Tags(findings.unconfirmed),
        ));
    }
    let swapped = findings.swapped;
    if swapped.newest > 0 && swapped.share(rules) > 0.0 && !findings.tags_checked {
        return Some(check(
            &[Check::Tags],
            CheckCause::SwappedTags(swapped.shots),
        ));
    }
    if let Some(missed) = findings.missed {
        return Some(after_misses(bow, missed, k));
    }
    if findings.too_far {
        return Some(shoot(ShootCause::TooFar));
    }
    if let Some(ratio) = findings.scatter_ratio.filter(|r| *r >= rules.worse_ratio)
        && !findings.is_return
    {
        return Some(groups_worse(bow, ratio));
    }
    if findings.fletched.min(findings.bare) < rules.pairs {
        let (fletched, bare) = (findings.fletched, findings.bare);
        return Some(shoot(ShootCause::FewShots { fletched, bare }));
    }
    let usual = rules.group_times * findings.earlier_sd_mm.unwrap_or(0.0);
    if let Some(sd) = findings
        .group_sd_mm
        .filter(|sd| *sd > rules.group_sd_mm.max(usual))
        && findings.ends < rules.repeat_ends
    {
        return Some(shoot(ShootCause::NoGroup(sd)));
    }
    if bow.shows_in_tune(k) {
        return false_tune(bow, k);
    }
    contradicted(bow, k)
        .or_else(|| mass(bow, k))
        .or_else(|| lean(bow))
}

fn shoot(cause: ShootCause) -> Decision {
    Decision::Shoot { cause }
}

fn check(checks: &[Check], cause: CheckCause) -> Decision {
    Decision::Check {
        checks: checks.to_vec(),
        cause,
    }
}

/// In tune, but something makes that doubtful.
fn false_tune(bow: &BowState, k: &Knowledge) -> Option<Decision> {
    let checks = bow.unmade_checks(&[Check::Contact, Check::CentreShot]);
    if let Some(degrees) = bow.findings.crooked_deg.filter(|_| !checks.is_empty()) {
        return Some(check(&checks, CheckCause::Crooked(degrees)));
    }
    mass(bow, k)
}

/// The bare shafts missed: nearer, and where most went one way, a first step that way.
fn after_misses(bow: &BowState, missed: MissedBare, k: &Knowledge) -> Decision {
    let step = (missed.count >= 2)
        .then(|| first_step(bow, missed, k))
        .flatten();
    match step {
        Some(next) => Decision::Adjust {
            next: Box::new(next),
            also: Vec::new(),
            others: Vec::new(),
        },
        None => shoot(ShootCause::Missed(missed)),
    }
}

/// The usual first step against the side on which the bare shafts went.
fn first_step(bow: &BowState, missed: MissedBare, k: &Knowledge) -> Option<Candidate> {
    let [x, y] = missed.side.map(f64::from);
    let levers: [(Action, f64); 2];
    let (state, side) = if y.abs() > 0.0 {
        let nocking = (Action::NockingPoint, k.increments.nocking_point_mm * 2.0);
        levers = [nocking, (Action::RestHeight, k.increments.rest_height_mm)];
        (&bow.vertical, y)
    } else if x.abs() > 0.0 {
        // half a turn of both bolts; the next point
        let pounds = super::slopes::lb_per_quarter_turn(&bow.setup, k) * 2.0;
        levers = [(Action::DrawWeight, pounds), (Action::PointWeight, 10.0)];
        (bow.horizontal.as_ref()?, x * sign(bow.hand?))
    } else {
        return None;
    };
    levers.iter().find_map(|&(action, size)| {
        let (slope, beta) = (state.slope(action)?, state.learned_slope(action)?);
        let found = adjustments(&bow.setup, action, -side * slope.sign, k);
        let step = nearest(&found.steps, size)?;
        let chosen = candidate(state, action, step, beta, found.look_up, k);
        Some(Candidate {
            missed: Some(missed),
            ..chosen
        })
    })
}

/// Groups much wider than before the change.
fn groups_worse(bow: &BowState, ratio: f64) -> Decision {
    let levers = put_back_levers(bow, |_| true);
    if levers.is_empty() {
        let checks = [Check::Contact, Check::Form];
        return check(&checks, CheckCause::Worse(ratio));
    }
    Decision::PutBack {
        levers,
        cause: PutBackCause::Worse(ratio),
    }
}

/// Levers of the newest change that can be put back, of the axes asked for; empty where one of them can't.
fn put_back_levers(bow: &BowState, wanted: impl Fn(Action) -> bool) -> Vec<Action> {
    let Some(newest) = &bow.newest_change else {
        return Vec::new();
    };
    let changes = newest.changes.iter().filter_map(|c| action_of(c.lever));
    let levers: Vec<Action> = changes.filter(|c| wanted(*c)).collect();
    if levers.contains(&Action::ShaftLength) {
        return Vec::new();
    }
    levers
}

/// The newest change did what it should not have.
fn contradicted(bow: &BowState, k: &Knowledge) -> Option<Decision> {
    let found: Vec<(&AxisState, &Contradiction)> = bow
        .axes()
        .flat_map(|state| state.newest_contradictions().map(move |c| (state, c)))
        .collect();
    let wrong_way = found.iter().find(|(_, c)| c.wrong_way);
    if let Some((state, c)) = wrong_way.filter(|_| !bow.findings.is_return) {
        let own = |action: Action| k.lever(action).is_some_and(|l| l.axis == state.axis);
        let levers = put_back_levers(bow, own);
        if levers.is_empty() {
            let checks = bow.unmade_checks(c.checks());
            let cause = CheckCause::Unexpected(**c);
            return (!checks.is_empty()).then(|| check(&checks, cause));
        }
        return Some(Decision::PutBack {
            levers,
            cause: PutBackCause::WrongWay(**c),
        });
    }
    let is_open = |c: &Contradiction| !bow.unmade_checks(c.checks()).is_empty();
    let (_, c) = found
        .iter()
        .find(|(_, c)| (c.did_nothing || c.wrong_axis) && is_open(c))?;
    let checks = bow.unmade_checks(c.checks());
    let cause = if c.did_nothing {
        CheckCause::DidNothing(**c)
    } else {
        CheckCause::Unexpected(**c)
    };
    Some(check(&checks, cause))
}

/// Size of the horizontal offset at 30 m, mm; 0 where it can't be read.
fn horizontal_offset_mm(bow: &BowState) -> f64 {
    let state = bow.horizontal.as_ref();
    state.map_or(0.0, |state| state.offset.mean.abs())
}

/// Difference of the nock ends' masses, bare less fletched, gr, and the horizontal signed offset at 30 m that it alone makes, mm.
pub(super) fn mass_effect(bow: &BowState, k: &Knowledge) -> Option<(f64, f64)> {
    let grains = bow.findings.mass_gr?;
    // a bare shaft lighter at the nock acts weak
    let each = k.lever(Action::RearWeight)?.median_mm;
    Some((grains, -grains * each))
}

/// Bare and fletched shafts of unequal mass, unless the offset is far more than that makes.
fn mass(bow: &BowState, k: &Knowledge) -> Option<Decision> {
    let rules = &k.step_rules;
    let (grains, effect_mm) = mass_effect(bow, k)?;
    let offset_mm = horizontal_offset_mm(bow);
    let small = grains.abs() <= rules.mass_gr || bow.findings.is_checked("mass");
    if small || offset_mm >= rules.mass_times * effect_mm.abs() {
        return None;
    }
    let cause = CheckCause::Mass { grains, effect_mm };
    Some(check(&[Check::Mass], cause))
}

/// The shafts lean against what the offset says.
fn lean(bow: &BowState) -> Option<Decision> {
    let checks = lean_checks(bow);
    (!checks.is_empty()).then(|| check(&checks, CheckCause::Lean))
}

/// What is still to be looked at because the shafts lean against what the offset says.
fn lean_checks(bow: &BowState) -> Vec<Check> {
    if bow.findings.lean_contradicts {
        bow.unmade_checks(&[Check::Contact, Check::CentreShot])
    } else {
        Vec::new()
    }
}

/// The step wanted, if the findings permit its kind; else one that they permit.
fn permitted(wanted: Decision, bow: &BowState, k: &Knowledge) -> Decision {
    let (findings, rules) = (&bow.findings, &k.step_rules);
    let irreversible = |c: &Candidate| StepKind::of(c.action) == StepKind::Irreversible;
    match wanted {
        Decision::Adjust {
            next,
            also,
            mut others,
        } => {
            let unmet = unmet(bow, k);
            let (mut next, mut also) = (next, also);
            // where the newest change did nothing, all that can be undone comes before a cut, even after a look at it
            let mut newest = bow.axes().flat_map(AxisState::newest_contradictions);
            let did_nothing = newest.any(|c| c.did_nothing);
            if (irreversible(&next) || also.iter().any(irreversible))
                && (did_nothing || !unmet.is_empty())
            {
                match undoable(&mut others, bow, k) {
                    Some(instead) => {
                        others.insert(0, std::mem::replace(&mut *next, instead));
                        also.clear();
                    }
                    None if unmet.is_empty() => {}
                    None => return instead_of(&unmet, bow, k),
                }
            }
            // from elsewhere, or after that, nothing that can't be undone is even named
            let elsewhere = unmet.iter().any(|g| g.code == GateCode::Distance);
            others.retain(|c| !((elsewhere || did_nothing) && irreversible(c)));
            let offset = bow.axes().find(|state| state.axis == next.axis);
            let near = |state: &AxisState| state.offset.mean.abs() < rules.small_offset_mm;
            let small = offset.is_some_and(near);
            if small && findings.ends < rules.small_step_ends && next.missed.is_none() {
                return shoot(ShootCause::SmallStep);
            }
            Decision::Adjust { next, also, others }
        }
        Decision::WrongSpine { spines } => {
            let unmet = unmet(bow, k);
            if unmet.is_empty() {
                return Decision::WrongSpine { spines };
            }
            let ordinary = choose::ordinary(bow, false, k);
            let changes = matches!(ordinary, Decision::Unknown { .. });
            if changes {
                return ordinary;
            }
            instead_of(&unmet, bow, k)
        }
        other => other,
    }
}

/// The first way that can be undone: of those named, or of those that come where the shafts stay.
fn undoable(others: &mut Vec<Candidate>, bow: &BowState, k: &Knowledge) -> Option<Candidate> {
    let irreversible = |c: &Candidate| StepKind::of(c.action) == StepKind::Irreversible;
    if let Some(at) = others.iter().position(|c| !irreversible(c)) {
        return Some(others.remove(at));
    }
    match choose::ordinary(bow, false, k) {
        Decision::Adjust { next, others, .. } => {
            let mut all = std::iter::once(*next).chain(others);
            all.find(|c| !irreversible(c))
        }
        _ => None,
    }
}

/// What to do where only a step is left that can't be undone, and some of its gates aren't met.
fn instead_of(unmet: &[Gate], bow: &BowState, k: &Knowledge) -> Decision {
    let lacks = |code: GateCode| unmet.iter().any(|g| g.code == code);
    if lacks(GateCode::Contradiction) {
        let found = bow.axes().flat_map(AxisState::newest_contradictions);
        let mut checks: Vec<Check> = found.flat_map(|c| bow.unmade_checks(c.checks())).collect();
        checks.sort_unstable();
        checks.dedup();
        return check(&checks, CheckCause::BeforeIrreversible);
    }
    if lacks(GateCode::Lean) {
        return check(&lean_checks(bow), CheckCause::Lean);
    }
    if lacks(GateCode::Mass) {
        return check(&[Check::Mass], CheckCause::UnknownMass);
    }
    // so far out bare shafts would miss from 30 m
    let far = |state: &AxisState| state.offset.mean.abs() > k.step_rules.spine_above_mm;
    if lacks(GateCode::Distance) && !bow.horizontal.as_ref().is_some_and(far) {
        return shoot(ShootCause::From30);
    }
    if unmet.iter().all(|g| g.code == GateCode::Growing) {
        let axes = vec![Axis::Horizontal];
        return Decision::AtLimits { axes };
    }
    shoot(ShootCause::BeforeIrreversible)
}

/// The gates of a cut or new shafts that aren't met.
pub(super) fn unmet(bow: &BowState, k: &Knowledge) -> Vec<Gate> {
    let (findings, rules) = (&bow.findings, &k.step_rules);
    let cut = &findings.for_cut;
    let mut gates = Vec::new();
    let mut gate = |missing: bool, code, needed, have| {
        if missing {
            gates.push(Gate { code, needed, have });
        }
    };
    if let Some(metres) = cut.elsewhere_m {
        let needed = GateValue::MetresBetween(rules.distance_m);
        gate(true, GateCode::Distance, needed, GateValue::Metres(metres));
    }
    let few = cut.fletched.min(cut.bare) < rules.pairs || cut.ends < rules.ends;
    let (shots, ends) = (rules.pairs, rules.ends);
    let have = GateValue::Shots {
        fletched: cut.fletched,
        bare: cut.bare,
        ends: cut.ends,
    };
    gate(
        few,
        GateCode::Pairs,
        GateValue::OfEach { shots, ends },
        have,
    );
    let have = cut
        .p_side
        .map_or(GateValue::NotKnown, GateValue::Probability);
    let needed = GateValue::ProbabilityAtLeast(k.policy.cut_from_p_side);
    gate(!cut.decided, GateCode::Decided, needed, have);
    let have = GateValue::Unconfirmed(findings.unconfirmed);
    gate(
        findings.unconfirmed > 0,
        GateCode::Confirmed,
        GateValue::Absent,
        have,
    );
    let wide = findings.group_sd_mm.filter(|sd| *sd > rules.group_sd_mm);
    let have = GateValue::ScatterMm(wide.unwrap_or(0.0));
    let needed = GateValue::ScatterMm(rules.group_sd_mm);
    gate(wide.is_some(), GateCode::Groups, needed, have);
    let (missing, have) = mass_gate(bow, k);
    gate(
        missing,
        GateCode::Mass,
        GateValue::GrainsAtMost(rules.mass_gr),
        have,
    );
    let contradiction = bow.axes().any(|state| bow.is_contradicted(state));
    gate(
        contradiction,
        GateCode::Contradiction,
        GateValue::Absent,
        GateValue::Open,
    );
    gate(
        !lean_checks(bow).is_empty(),
        GateCode::Lean,
        GateValue::Absent,
        GateValue::Open,
    );
    let growing = bow.setup.growing == Some(true);
    gate(
        growing,
        GateCode::Growing,
        GateValue::Wish,
        GateValue::Absent,
    );
    gates
}

/// Whether the masses of bare and fletched shafts forbid a step that can't be undone.
fn mass_gate(bow: &BowState, k: &Knowledge) -> (bool, GateValue) {
    let rules = &k.step_rules;
    let offset_mm = horizontal_offset_mm(bow);
    let (have, effect) = match mass_effect(bow, k) {
        Some((grains, _)) if grains.abs() <= rules.mass_gr => {
            return (false, GateValue::Grains(grains));
        }
        Some((grains, effect)) => (GateValue::Grains(grains), effect.abs()),
        None => (GateValue::NotKnown, rules.unknown_mass_mm),
    };
    let missing = !bow.findings.is_checked("mass") && offset_mm < rules.mass_times * effect;
    (missing, have)
}

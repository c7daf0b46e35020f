//! The bow's state after its whole history: everything that the choice of the next step looks at.

use super::about::OffsetEstimate;
use super::adjustments::{Adjustment, Adjustments, adjustments, after, present};
use super::contradictions::{Contradiction, contradictions, is_blocked};
use super::ends_to_in_tune::AxisForecast;
use super::findings::Findings;
use super::interventions::{
    ReadingCache, RunObservation, interventions, sign, within_tuning_distance,
};
use super::knowledge::{Axis, Knowledge};
use super::learn::{LearnedSlope, LeverPosterior, LoggedAdjustment, Observation, RunOnAxis, learn};
use super::newest_run::{NewestChange, newest_change, newest_reading};
use super::slopes::{Slope, is_unknown, slopes};
use super::swapped_tags::SwappedTags;
use super::{Action, Check};
use crate::math::{Normal, rounded};
use crate::reading::{Assumptions, HorizontalCall, REFERENCE_DISTANCE_M, Reading, VerticalCall};
use crate::record::{Hand, History, Setup, When, compare};
use std::collections::BTreeSet;
use std::sync::Arc;

/// Least difference between the settings of two runs that counts as an adjustment, in the setting's unit: increments are larger, and archers
/// round what they write down.
const KNOWN_SETTING_TOLERANCE: f64 = 0.1;

/// One axis of the present set-up after the whole history.
#[derive(Clone, Debug)]
pub(super) struct AxisState {
    pub(super) axis: Axis,
    pub(super) interventions: Vec<RunOnAxis>,
    pub(super) slopes: Vec<Slope>,
    pub(super) posterior: LeverPosterior,
    pub(super) contradictions: Vec<Contradiction>,
    /// Signed offset now at 30 m, mm, with the arrows' own differences.
    pub(super) offset: Normal,
    /// Probability that it lies inside the tolerance.
    pub(super) p_inside: f64,
    /// The newest set-up's own ends show this axis.
    pub(super) is_observed: bool,
    /// What looking ahead needs; `None` where the newest ends show nothing of this axis.
    pub(super) forecast: Option<AxisForecast>,
}

impl AxisState {
    /// The prior of a lever of this axis.
    pub(super) fn slope(&self, action: Action) -> Option<&Slope> {
        self.slopes.iter().find(|s| s.action == action)
    }

    /// Changes of a lever that had readings before and after them.
    pub(super) fn times_tried(&self, action: Action) -> usize {
        self.interventions
            .iter()
            .enumerate()
            .filter(|(r, t)| {
                t.observed.is_some()
                    && t.adjusted
                        .iter()
                        .any(|logged| logged.action == action && logged.amount.abs() > 0.0)
                    && self.interventions[..*r]
                        .iter()
                        .any(|t| t.observed.is_some())
            })
            .count()
    }

    /// What this bow's history says of a lever of this axis.
    pub(super) fn learned_slope(&self, action: Action) -> Option<LearnedSlope> {
        self.posterior.learned_slope(action)
    }

    /// The contradictions of the newest change on this axis.
    pub(super) fn newest_contradictions(&self) -> impl Iterator<Item = &Contradiction> {
        let newest = self.interventions.len().saturating_sub(1);
        self.contradictions.iter().filter(move |c| c.run == newest)
    }

    /// The offset after a step, by the whole history: where the step leads back to earlier settings, mostly the offset observed there.
    pub(super) fn offset_by_history_after(
        &self,
        action: Action,
        step: &Adjustment,
        k: &Knowledge,
    ) -> Normal {
        let mut interventions = self.interventions.clone();
        interventions.push(RunOnAxis {
            adjusted: vec![LoggedAdjustment {
                action,
                amount: step.amount,
                new_shafts: action == Action::ShaftSpine,
                has_backlash: false,
            }],
            ..RunOnAxis::default()
        });
        let posterior = learn(&interventions, &self.slopes, k.scale.log_sd, &k.learning);
        Normal {
            mean: posterior.offset_mm,
            sd: posterior.variance_mm2().sqrt(),
        }
    }

    /// Sign of the lever's amount that brings the offset towards zero.
    pub(super) fn direction(&self, action: Action) -> Option<f64> {
        Some(-self.offset.mean.signum() * self.slope(action)?.sign)
    }
}

/// The bow's state: both axes of the newest set-up, and what is known of how it came about.
#[derive(Clone, Debug)]
pub(super) struct BowState {
    pub(super) setup: Setup,
    /// Nothing is known of the set-up.
    pub(super) is_setup_unknown: bool,
    pub(super) hand: Option<Hand>,
    /// Distance of the newest end, m.
    pub(super) distance_m: f64,
    /// The newest set-up was shot from the full distance or more (`full_distance_m` of `calibration/reading.json`: 27 m).
    pub(super) full_distance: bool,
    /// Tolerance at 30 m, mm.
    pub(super) tolerance_mm: f64,
    /// Ends with the newest set-up, and the days they were shot on.
    pub(super) ends: usize,
    pub(super) days: usize,
    /// Ends with the newest set-up at any time: those of earlier runs with the same settings count as its own.
    pub(super) own_ends: usize,
    /// Ends of every run.
    pub(super) ends_of_runs: Vec<usize>,
    /// The set-up of every run.
    pub(super) setups: Vec<Setup>,
    /// Both axes shown neutral by the newest set-up's own ends at the full distance or more.
    pub(super) in_tune: bool,
    pub(super) wrong_spine: bool,
    /// `None` without a hand.
    pub(super) horizontal: Option<AxisState>,
    pub(super) vertical: AxisState,
    pub(super) reading: Reading,
    pub(super) findings: Findings,
    /// The newest change, lever by lever, with the set-ups before and after it.
    pub(super) newest_change: Option<NewestChange>,
}

impl BowState {
    /// From a history.
    ///
    /// # Errors
    /// Where nothing can be advised on: the reading, if there is one, that lacks a distance.
    pub(super) fn of(
        history: &History,
        k: &Knowledge,
        readings: &mut ReadingCache,
    ) -> Result<Self, Option<Box<Reading>>> {
        let run = history.newest().ok_or(None)?;
        let assumptions = Assumptions::embedded().map_err(|_| None)?;
        let observations = readings.of(history);
        let newest = observations.last().ok_or(None)?;
        let reading = newest_reading(run, newest).ok_or(None)?;
        let (Some(distance_m), Some(tolerance)) = (reading.distance_m, reading.tolerance_mm) else {
            return Err(Some(Box::new(reading)));
        };
        let tolerance_mm = tolerance * assumptions.reference_distance_m / distance_m;
        let at_full = |r: &Reading| {
            r.distance_m
                .is_some_and(|d| assumptions.is_full_distance(d))
        };
        let group_readings = || {
            newest
                .groups
                .iter()
                .map(|g| &g.reading)
                .filter(|r| within_tuning_distance(r))
        };
        let horizontal_slopes = slopes(&run.setup, Axis::Horizontal, k);
        // with tags that are wrong now and then, groups lie farther apart than they look
        let share = SwappedTags::of(&observations, &k.step_rules).share(&k.step_rules);
        let apparent_tolerance_mm = tolerance_mm * (1.0 - 2.0 * share);
        let state = |axis| {
            state(
                history,
                &observations,
                axis,
                &run.setup,
                &horizontal_slopes,
                apparent_tolerance_mm,
                k,
            )
        };
        let days: BTreeSet<_> = run
            .ends
            .iter()
            .filter_map(|record| When::of(&record.end).map(|w| w.day))
            .collect();
        Ok(Self {
            setup: run.setup.clone(),
            is_setup_unknown: is_unknown(&run.setup),
            hand: reading.hand,
            distance_m,
            full_distance: group_readings().any(|r| at_full(r) && r.offset.is_some()),
            tolerance_mm,
            ends: run.ends.len(),
            days: days.len(),
            own_ends: own_runs(history)
                .map(|run| observations.get(run).map_or(0, |r| r.ends))
                .sum(),
            ends_of_runs: observations.iter().map(|r| r.ends).collect(),
            setups: history.runs.iter().map(|r| r.setup.clone()).collect(),
            in_tune: group_readings().any(|r| r.in_tune),
            wrong_spine: group_readings()
                .any(|r| r.cautions.iter().any(|c| c.code == "wrong-spine")),
            horizontal: reading.hand.map(|hand| {
                not_less_than_seen(
                    state(Axis::Horizontal),
                    &reading,
                    hand,
                    tolerance_mm,
                    &assumptions,
                )
            }),
            vertical: state(Axis::Vertical),
            findings: Findings::of(history, &observations, k),
            newest_change: newest_change(history),
            reading,
        })
    }

    /// The adjustments of a lever that bring its axis nearer to zero; empty if it contradicted what was expected of it.
    pub(super) fn towards_zero(
        &self,
        state: &AxisState,
        action: Action,
        k: &Knowledge,
    ) -> Adjustments {
        let Some(direction) = state.direction(action) else {
            return Adjustments::default();
        };
        if self.blocked(state, action, direction) {
            return Adjustments::default();
        }
        adjustments(&self.setup, action, direction, k)
    }

    /// Whether a lever contradicted what was expected of it in this direction.
    pub(super) fn blocked(&self, state: &AxisState, action: Action, direction: f64) -> bool {
        is_blocked(
            action,
            direction,
            &state.contradictions,
            &state.interventions,
            &self.ends_of_runs,
        )
    }

    /// Whether a lever did next to nothing in this direction, was checked since, and something else was changed after it: it may still be adjusted
    /// where no other lever is left.
    pub(super) fn does_little(&self, state: &AxisState, action: Action, direction: f64) -> bool {
        let same = |c: &&Contradiction| {
            c.lever
                .is_some_and(|(l, d)| l == action && d * direction > 0.0)
        };
        let newest = self.setups.len().saturating_sub(1);
        let mut found = state.contradictions.iter().filter(same).peekable();
        found.peek().is_some()
            && found.all(|c| c.did_nothing && c.run < newest && c.seen_mm * c.expected_mm > 0.0)
    }

    /// Whether both axes are shown within the tolerance.
    pub(super) fn shows_in_tune(&self, k: &Knowledge) -> bool {
        let by_own_ends = self.in_tune && self.p_inside() >= self.in_tune_probability(k);
        by_own_ends || self.shows_in_tune_by_earlier_ends(k)
    }

    /// Whether all ends together, with the changes between them, show both axes within the tolerance where the newest set-up's own ends don't.
    pub(super) fn shows_in_tune_by_earlier_ends(&self, k: &Knowledge) -> bool {
        let p = &k.policy;
        let is_seen = self.full_distance && self.axes().all(|state| state.is_observed);
        !self.in_tune
            && is_seen
            && self.own_ends >= p.in_tune_by_all_ends as usize
            && self.p_inside() >= p.in_tune_by_all
            && self.p_inside_by_own_ends() >= p.in_tune_by_all_own
    }

    /// Probability that both axes lie within the tolerance, by all ends; 0 where left and right can't be read.
    pub(super) fn p_inside(&self) -> f64 {
        let horizontal = self.horizontal.as_ref();
        horizontal.map_or(0.0, |state| state.p_inside) * self.vertical.p_inside
    }

    /// The same by the newest set-up's own ends, those of earlier runs with the same settings among them.
    pub(super) fn p_inside_by_own_ends(&self) -> f64 {
        if self.own_ends > self.ends {
            let own = |state: &AxisState| {
                let own = state.forecast?;
                let sd = (own.end_mm2 / self.own_ends as f64 + own.arrow_variance_mm2).sqrt();
                let mean = own.own_mm;
                Some(Normal { mean, sd }.within(self.tolerance_mm))
            };
            let both = self
                .horizontal
                .as_ref()
                .and_then(own)
                .zip(own(&self.vertical));
            return both.map_or(0.0, |(x, y)| x * y);
        }
        let both = self
            .reading
            .horizontal
            .p_neutral
            .zip(self.reading.vertical.p_neutral);
        both.map_or(0.0, |(x, y)| x * y)
    }

    /// The runs with the settings that a step leads to.
    pub(super) fn earlier_runs_after(&self, action: Action, step: &Adjustment) -> Vec<usize> {
        let Some(then) = after(&self.setup, action, step) else {
            return Vec::new();
        };
        let same = |old: &Setup| {
            let found = compare(old, &then);
            found.is_same() && found.incomplete.is_empty()
        };
        let runs = self.setups.iter().enumerate();
        runs.filter(|(_, old)| same(old))
            .map(|(run, _)| run)
            .collect()
    }

    /// The reading, with the calls of all ends where only these show the bow in tune.
    pub(super) fn reading_by_all_ends(&self, k: &Knowledge) -> Reading {
        let mut reading = self.reading.clone();
        let by_all = self.shows_in_tune_by_earlier_ends(k);
        let Some(state) = self.horizontal.as_ref().filter(|_| by_all) else {
            return reading;
        };
        let (x, y) = (&mut reading.horizontal, &mut reading.vertical);
        (x.call, y.call) = (HorizontalCall::Neutral, VerticalCall::Neutral);
        let sides = [&mut x.p_weak, &mut x.p_stiff];
        set_p_inside(&mut x.p_neutral, sides, state.p_inside);
        let sides = [&mut y.p_nock_high, &mut y.p_nock_low];
        set_p_inside(&mut y.p_neutral, sides, self.vertical.p_inside);
        reading.in_tune = true;
        reading.more_shots = None;
        reading
    }

    /// Probability of lying inside on both axes from which the bow is said to be in tune.
    pub(super) fn in_tune_probability(&self, k: &Knowledge) -> f64 {
        if self.findings.is_doubtful {
            k.policy.in_tune_doubtful
        } else {
            k.policy.in_tune
        }
    }

    /// Whether a step leads back to settings that, by the whole history, leave this axis outside the tolerance.
    pub(super) fn is_known_out(
        &self,
        state: &AxisState,
        action: Action,
        step: &Adjustment,
        k: &Knowledge,
    ) -> bool {
        if present(&self.setup, action).is_none() {
            return false;
        }
        let after = |setting: Action| {
            let by = if setting == action { step.amount } else { 0.0 };
            present(&self.setup, setting).map(|now| now + by)
        };
        let same = |old: &Setup| {
            state.slopes.iter().all(|slope| {
                let (then, now) = (present(old, slope.action), after(slope.action));
                match (then, now) {
                    (Some(then), Some(now)) => (then - now).abs() < KNOWN_SETTING_TOLERANCE,
                    (then, now) => then.is_none() && now.is_none(),
                }
            })
        };
        let was_shot = self
            .setups
            .iter()
            .zip(&state.interventions)
            .any(|(old, read)| read.observed.is_some() && same(old));
        was_shot
            && state
                .offset_by_history_after(action, step, k)
                .within(self.tolerance_mm)
                < k.policy.known_out_below_p_inside
    }

    /// Whether the newest change contradicted on this axis, and its checks are still to be made: then no step that can't be undone.
    pub(super) fn is_contradicted(&self, state: &AxisState) -> bool {
        let mut found = state.newest_contradictions();
        found.any(|c| !self.unmade_checks(c.checks()).is_empty())
    }

    /// The checks of a list that were not made since the newest change.
    pub(super) fn unmade_checks(&self, checks: &[Check]) -> Vec<Check> {
        let made = |check: &Check| self.findings.is_checked(check.code());
        checks.iter().copied().filter(|c| !made(c)).collect()
    }

    /// Where the bare shafts land on an axis: the reading's own offset, so that every text names the same one; but the estimate by all ends, at
    /// 30 m, where that has the other sign.
    pub(super) fn offset_estimate(&self, state: &AxisState) -> OffsetEstimate {
        let own = self.offset_read(state.axis).zip(self.reading.tolerance_mm);
        let own = own.filter(|([mm, _], _)| mm * state.offset.mean >= 0.0);
        let (distance_m, [offset_mm, sd_mm], tolerance_mm) = match own {
            Some((offset, tolerance)) => (self.distance_m, offset, tolerance),
            None => (
                REFERENCE_DISTANCE_M,
                [state.offset.mean, state.offset.sd],
                self.tolerance_mm,
            ),
        };
        OffsetEstimate {
            axis: state.axis,
            distance_m,
            offset_mm,
            sd_mm,
            tolerance_mm,
            hand: self.hand,
        }
    }

    /// The reading's signed offset at the distance shot and its standard deviation, mm.
    pub(super) fn offset_read(&self, axis: Axis) -> Option<[f64; 2]> {
        let o = self.reading.offset?;
        Some(match axis {
            Axis::Vertical => [o.y_mm, o.sd_y_mm],
            Axis::Horizontal => [self.hand.map_or(1.0, sign) * o.x_mm, o.sd_x_mm],
        })
    }

    /// The distance that the archer tunes for, m, where it is shorter than the one that shows it all.
    pub(super) fn goal_m(&self) -> Option<f64> {
        let goal = self.setup.goal.as_deref()?;
        let metres = metres_in(goal)?;
        let assumptions = Assumptions::embedded().ok()?;
        (!assumptions.is_full_distance(metres)).then_some(metres)
    }

    /// Both axes, vertical first, as far as they can be read.
    pub(super) fn axes(&self) -> impl Iterator<Item = &AxisState> {
        std::iter::once(&self.vertical).chain(&self.horizontal)
    }
}

/// Another probability of lying inside the tolerance; those of the sides stay in proportion.
fn set_p_inside(p_inside: &mut Option<f64>, sides: [&mut Option<f64>; 2], p: f64) {
    let before = 1.0 - p_inside.unwrap_or(0.0);
    let factor = if before > 0.0 {
        (1.0 - p) / before
    } else {
        0.0
    };
    *p_inside = Some(rounded(p, 4));
    for side in sides {
        *side = side.map(|s| rounded(s * factor, 4));
    }
}

/// The horizontal, where a short distance shows more than tuning takes up: no less than what is seen there.
///
/// The prior of offsets at 30 m outweighs an offset projected there from a short distance, since how it grows is only loosely known. But two
/// feet at 18 m won't be a hand's breadth at 30 m.
fn not_less_than_seen(
    mut state: AxisState,
    reading: &Reading,
    hand: Hand,
    tolerance_mm: f64,
    assumptions: &Assumptions,
) -> AxisState {
    let shows = reading.cautions.iter().any(|c| c.code == "wrong-spine");
    let called = match reading.horizontal.call {
        HorizontalCall::Weak => 1.0,
        HorizontalCall::Stiff => -1.0,
        HorizontalCall::Neutral | HorizontalCall::Undecided => 0.0,
    };
    let seen = reading.offset.map_or(0.0, |o| sign(hand) * o.x_mm);
    let same = seen * called > 0.0 && state.offset.mean * called > 0.0;
    let short = reading
        .distance_m
        .is_some_and(|d| !assumptions.is_full_distance(d));
    if short && shows && same && seen.abs() > state.offset.mean.abs() {
        state.offset.mean = seen;
        state.p_inside = state.offset.within(tolerance_mm);
    }
    state
}

/// The distance that a text names: the first number followed by `m`, `yd` or nothing.
fn metres_in(text: &str) -> Option<f64> {
    let number = |c: char| c.is_ascii_digit() || c == '.';
    let start = text.find(|c: char| c.is_ascii_digit())?;
    let rest = &text[start..];
    let end = rest.find(|c| !number(c)).unwrap_or(rest.len());
    let value: f64 = rest[..end].parse().ok()?;
    let unit = rest[end..].trim_start().to_lowercase();
    let metres = if unit.starts_with('y') {
        value * 0.9144
    } else {
        value
    };
    (5.0..=120.0).contains(&metres).then_some(metres)
}

/// The newest run, and earlier ones whose settings are known to be the same.
fn own_runs(history: &History) -> impl Iterator<Item = usize> {
    let newest = history.runs.len().saturating_sub(1);
    let setup = history.newest().map(|run| &run.setup);
    let same = move |run: usize| {
        setup.is_some_and(|now| {
            let found = compare(&history.runs[run].setup, now);
            found.is_same() && found.incomplete.is_empty() && *now != Setup::default()
        })
    };
    (0..=newest).filter(move |&run| run == newest || same(run))
}

fn state(
    history: &History,
    observations: &[Arc<RunObservation>],
    axis: Axis,
    setup: &Setup,
    horizontal: &[Slope],
    tolerance_mm: f64,
    k: &Knowledge,
) -> AxisState {
    let slopes = slopes(setup, axis, k);
    let mut interventions = interventions(history, observations, axis, horizontal, k);
    let contradictions = contradictions(&mut interventions, &slopes, axis, k);
    let posterior = learn(&interventions, &slopes, k.scale.log_sd, &k.learning);
    let arrows = observations.last().map_or(0.0, |r| match axis {
        Axis::Horizontal => r.arrow_variance_mm2[0],
        Axis::Vertical => r.arrow_variance_mm2[1],
    });
    let offset = Normal {
        mean: posterior.offset_mm,
        sd: (posterior.variance_mm2() + arrows).sqrt(),
    };
    let observed_runs: Vec<usize> = own_runs(history)
        .filter(|&run| interventions[run].observed.is_some())
        .collect();
    let observed = observed_runs
        .iter()
        .filter_map(|&run| interventions[run].observed)
        .reduce(Observation::and);
    let is_observed = interventions.last().is_some_and(|t| t.observed.is_some());
    let ends: usize = observed_runs
        .iter()
        .filter_map(|&run| observations.get(run))
        .map(|r| r.ends)
        .sum();
    let forecast = observed
        .zip(observations.last())
        .filter(|_| is_observed)
        .map(|(observed, read)| AxisForecast {
            offset,
            own_mm: observed.mean_mm,
            end_mm2: observed.variance_mm2 * ends as f64,
            arrow_variance_mm2: read.same_arrows_mm2,
        });
    AxisState {
        axis,
        contradictions,
        is_observed,
        interventions,
        slopes,
        posterior,
        p_inside: offset.within(tolerance_mm),
        offset,
        forecast,
    }
}

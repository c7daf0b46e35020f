//! From a history of records to what learning needs: each run's offset at 30 m, and what was changed between runs.

use super::Action;
use super::knowledge::{Axis, Knowledge};
use super::learn::{LoggedAdjustment, Observation, RunOnAxis};
use super::slopes::{Slope, lb_per_quarter_turn};
use crate::reading::{Analysis, Assumptions, Reading, analyse};
use crate::record::{End, Hand, History, Lever, LeverChange, Run};
use std::sync::Arc;

/// What one run of ends of one set-up shows.
#[derive(Clone, Debug)]
pub(super) struct RunObservation {
    /// The ends of each distance, read apart.
    pub(super) groups: Vec<Analysis>,
    /// Signed offset: positive acts weak, whichever hand draws; `None` without a hand, a distance or enough shots.
    pub(super) horizontal: Option<Observation>,
    /// Positive is bare high.
    pub(super) vertical: Option<Observation>,
    /// Variance of the arrows' own differences at 30 m, horizontal and vertical, mm².
    pub(super) arrow_variance_mm2: [f64; 2],
    /// The part of that variance that more ends with the same arrows don't take away, mm² at 30 m.
    pub(super) same_arrows_mm2: f64,
    /// Ends in the run.
    pub(super) ends: usize,
}

/// +1 for a right-hander, −1 for a left-hander: signed offset = sign · x.
pub(super) fn sign(hand: Hand) -> f64 {
    match hand {
        Hand::Right => 1.0,
        Hand::Left => -1.0,
    }
}

/// A cache of the readings of a history's runs, for a caller that asks again after every end: reading is most of the work. It changes no
/// answer.
#[derive(Clone, Debug, Default)]
pub struct ReadingCache {
    runs: Vec<(Arc<[End]>, Arc<RunObservation>)>,
}

impl ReadingCache {
    /// Every run of a history, read; runs of an earlier history that this one lacks are dropped.
    pub(super) fn of(&mut self, history: &History) -> Vec<Arc<RunObservation>> {
        let before = std::mem::take(&mut self.runs);
        self.runs = history
            .runs
            .iter()
            .map(|run| {
                let same = |ends: &[End]| ends.iter().eq(run.ends.iter().map(|f| &f.end));
                let known = before.iter().find(|(ends, _)| same(ends)).cloned();
                known.unwrap_or_else(|| {
                    let ends = run.ends.iter().map(|f| f.end.clone()).collect();
                    (ends, Arc::new(observe_run(run)))
                })
            })
            .collect();
        self.runs
            .iter()
            .map(|(_, observed)| observed.clone())
            .collect()
    }

    /// What each run of a history says, its distances apart, in the order of [`Run::by_distance`].
    pub(crate) fn of_runs(&mut self, history: &History) -> Vec<Vec<Reading>> {
        let groups =
            |run: &Arc<RunObservation>| run.groups.iter().map(|g| g.reading.clone()).collect();
        self.of(history).iter().map(groups).collect()
    }
}

/// Whether tuning can be read from where these ends were shot.
pub(super) fn within_tuning_distance(reading: &Reading) -> bool {
    let Ok(assumptions) = Assumptions::embedded() else {
        return true;
    };
    reading
        .distance_m
        .is_none_or(|d| d <= assumptions.long_distance_m)
}

fn observe_run(run: &Run) -> RunObservation {
    let groups: Vec<Analysis> = run
        .by_distance()
        .iter()
        .map(|group| {
            let ends: Vec<&End> = group.iter().map(|filed| &filed.end).collect();
            analyse(&ends)
        })
        .collect();
    let mut observed = RunObservation {
        horizontal: None,
        vertical: None,
        arrow_variance_mm2: [0.0; 2],
        same_arrows_mm2: same_arrows_variance(&groups, run.ends.len()),
        ends: run.ends.len(),
        groups: Vec::new(),
    };
    let mut weight = 0.0;
    for group in groups.iter().filter(|g| within_tuning_distance(&g.reading)) {
        let Some(found) = at_30m(group) else {
            continue;
        };
        // the arrows' own differences are the same at every distance: averaged as the offsets are
        let own = 1.0 / found.vertical.variance_mm2;
        for (sum, new) in observed
            .arrow_variance_mm2
            .iter_mut()
            .zip(found.arrow_variance_mm2)
        {
            *sum = (*sum * weight + new * own) / (weight + own);
        }
        weight += own;
        let vertical = observed.vertical;
        observed.vertical = Some(vertical.map_or(found.vertical, |y| y.and(found.vertical)));
        if let Some(new) = found.horizontal {
            observed.horizontal = Some(observed.horizontal.map_or(new, |x| x.and(new)));
        }
    }
    observed.groups = groups;
    observed
}

/// Variance that the arrows' own differences leave however often the same ones are shot: as many of each kind as an end has.
fn same_arrows_variance(groups: &[Analysis], ends: usize) -> f64 {
    let Ok(assumptions) = Assumptions::embedded() else {
        return 0.0;
    };
    let shots = |count: &dyn Fn(&Analysis) -> u32| groups.iter().map(count).sum::<u32>();
    [shots(&|g| g.reading.fletched), shots(&|g| g.reading.bare)]
        .into_iter()
        .map(|n| assumptions.arrow_own_sd_mm.powi(2) * ends as f64 / f64::from(n.max(1)))
        .sum()
}

/// The observations of both axes, projected to 30 m.
struct AxesAt30m {
    horizontal: Option<Observation>,
    vertical: Observation,
    arrow_variance_mm2: [f64; 2],
}

/// A reading at one distance, projected to 30 m, without its prior.
fn at_30m(group: &Analysis) -> Option<AxesAt30m> {
    let assumptions = Assumptions::embedded().ok()?;
    let posterior = group.posterior.as_ref()?;
    let distance = group.reading.distance_m?;
    let mut arrow_variance_mm2 = [0.0; 2];
    let mut observed = [None; 2];
    for (i, axis) in posterior.axes.iter().enumerate() {
        // the prior of the offset holds at the distance shot, so it is taken out there
        let own = Observation::without_prior(
            axis.under_widest_prior.mean_mm,
            axis.under_widest_prior.variance_mm2 + axis.roll_variance_mm2,
            axis.widest_prior_sd_mm,
        );
        observed[i] = own.and_then(|own| {
            let (mean_mm, variance_mm2) =
                assumptions.at_30m(own.mean_mm, own.variance_mm2, distance);
            let whole = assumptions
                .at_30m(
                    own.mean_mm,
                    own.variance_mm2 + axis.arrow_variance_mm2,
                    distance,
                )
                .1;
            arrow_variance_mm2[i] = whole - variance_mm2;
            variance_mm2.is_finite().then_some(Observation {
                mean_mm,
                variance_mm2,
            })
        });
    }
    let horizontal = observed[0]
        .zip(group.reading.hand)
        .map(|(x, hand)| Observation {
            mean_mm: x.mean_mm * sign(hand),
            ..x
        });
    Some(AxesAt30m {
        horizontal,
        vertical: observed[1]?,
        arrow_variance_mm2,
    })
}

/// The action of an advice that adjusts a lever; `None` for brace height and draw length.
pub(super) fn action_of(lever: Lever) -> Option<Action> {
    Some(match lever {
        Lever::DrawWeight => Action::DrawWeight,
        Lever::ShaftSpine => Action::ShaftSpine,
        Lever::ShaftLength => Action::ShaftLength,
        Lever::PointWeight => Action::PointWeight,
        Lever::RearWeight => Action::RearWeight,
        Lever::Plunger => Action::Plunger,
        Lever::NockingPoint => Action::NockingPoint,
        Lever::RestHeight => Action::RestHeight,
        Lever::BraceHeight | Lever::DrawLength => return None,
    })
}

/// How far the archer adjusted a lever, in its unit; `None` where the set-ups don't say.
fn amount(logged: &LeverChange, run: &Run, k: &Knowledge) -> Option<f64> {
    let of = |setting: &str| logged.amount(setting);
    match logged.lever {
        Lever::DrawWeight => {
            let turned =
                of("bolt_turns_out").map(|out| -4.0 * out * lb_per_quarter_turn(&run.setup, k));
            match (turned, of("draw_weight_lb")) {
                // a scale that says the opposite of the bolts was read at another draw length
                (Some(turned), Some(lb)) if turned * lb > 0.0 => Some(lb),
                (Some(turned), _) => Some(turned),
                (None, lb) => lb,
            }
        }
        Lever::ShaftSpine => {
            let known =
                run.setup.shaft_spine.is_some() && !run.changed.incomplete.contains(&"shaft_spine");
            of("shaft_spine").or(known.then_some(0.0))
        }
        // what the bare shafts carry counts; the fletched hardly answer
        Lever::RearWeight => of("bare_rear_gr").or_else(|| of("rear_gr")),
        lever => lever.settings().iter().find_map(|s| of(s)),
    }
}

/// The interventions of one axis, oldest first. For the vertical, `horizontal` are the slopes whose expected effects spill over.
pub(super) fn interventions(
    history: &History,
    observations: &[Arc<RunObservation>],
    axis: Axis,
    horizontal: &[Slope],
    k: &Knowledge,
) -> Vec<RunOnAxis> {
    let mut last_plunger = 0.0f64;
    history
        .runs
        .iter()
        .zip(observations)
        .map(|(run, observed)| {
            let mut intervention = RunOnAxis {
                observed: match axis {
                    Axis::Horizontal => observed.horizontal,
                    Axis::Vertical => observed.vertical,
                },
                ..RunOnAxis::default()
            };
            for logged in &run.changed.changes {
                add(
                    &mut intervention,
                    logged,
                    run,
                    axis,
                    horizontal,
                    &mut last_plunger,
                    k,
                );
            }
            intervention
        })
        .collect()
}

fn add(
    intervention: &mut RunOnAxis,
    logged: &LeverChange,
    run: &Run,
    axis: Axis,
    horizontal: &[Slope],
    last_plunger: &mut f64,
    k: &Knowledge,
) {
    let a = &k.learning;
    let own_axis = |action: Action| k.lever(action).map(|l| l.axis);
    let known = action_of(logged.lever).zip(amount(logged, run, k));
    let Some((action, amount)) = known else {
        // its effect is unknown: earlier runs then say little about now
        let sd = match axis {
            Axis::Horizontal => a.offset_sd_mm,
            Axis::Vertical => a.new_shafts_sd_mm,
        };
        intervention.extra_mm2 += sd * sd;
        return;
    };
    if own_axis(action) == Some(axis) {
        let has_backlash = action == Action::Plunger && amount * *last_plunger < 0.0;
        intervention.adjusted.push(LoggedAdjustment {
            action,
            amount,
            new_shafts: action == Action::ShaftSpine
                || (action == Action::ShaftLength && amount > 0.0),
            has_backlash,
        });
    } else if axis == Axis::Vertical {
        let slope = horizontal.iter().find(|s| s.action == action);
        let effect = slope.map_or(0.0, |s| s.median_mm * amount);
        intervention.extra_mm2 += (a.cross_axis_relative_sd * effect).powi(2);
    }
    if action == Action::Plunger {
        *last_plunger = amount;
    }
}

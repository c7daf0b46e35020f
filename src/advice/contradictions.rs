//! Contradictions: adjustments whose effect lies outside what their lever can do.

use super::knowledge::{Axis, Knowledge};
use super::learn::{RunOnAxis, learn, predicted};
use super::slopes::Slope;
use super::{Action, Check};
use crate::math::normal_cdf;

/// An adjustment, or none, whose result contradicts what was to be expected of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Contradiction {
    /// The run after the change.
    pub run: usize,
    /// The axis.
    pub axis: Axis,
    /// The one lever adjusted on this axis and the direction of its amount; `None` if it was several, or none.
    pub lever: Option<(Action, f64)>,
    /// No lever of this axis was adjusted, but its offset shifted: the wrong axis answered.
    pub wrong_axis: bool,
    /// The offset shifted against what was to be expected.
    pub wrong_way: bool,
    /// A lever was adjusted and the offset stayed where it was.
    pub did_nothing: bool,
    /// Shift of the signed offset expected, mm at 30 m.
    pub expected_mm: f64,
    /// Shift seen.
    pub seen_mm: f64,
}

impl Contradiction {
    /// What to look at before the next step.
    pub(super) const fn checks(&self) -> &'static [Check] {
        match (self.did_nothing, self.wrong_axis, self.lever) {
            (true, _, Some((Action::DrawWeight, _))) => {
                &[Check::Scale, Check::BoltStop, Check::Contact]
            }
            (true, _, Some((Action::Plunger, _))) => &[Check::Plunger, Check::Contact],
            (true, ..) | (_, true, _) => &[Check::Contact, Check::BraceHeight, Check::Form],
            _ => &[Check::Contact, Check::Form],
        }
    }
}

/// Every contradiction of an axis, oldest first. A change that went the wrong way, or one of the other axis, teaches
/// nothing about slopes: the intervention is widened so that what was before it says little of the present.
pub(super) fn contradictions(
    interventions: &mut [RunOnAxis],
    slopes: &[Slope],
    axis: Axis,
    k: &Knowledge,
) -> Vec<Contradiction> {
    let mut found = Vec::new();
    for run in 1..interventions.len() {
        if interventions[..run].iter().all(|t| t.observed.is_none()) {
            continue;
        }
        let Some(new) = contradiction(interventions, run, slopes, axis, k) else {
            continue;
        };
        if new.wrong_way || new.wrong_axis {
            interventions[run].extra_mm2 += k.learning.offset_sd_mm * k.learning.offset_sd_mm;
        }
        found.push(new);
    }
    found
}

fn contradiction(
    interventions: &[RunOnAxis],
    run: usize,
    slopes: &[Slope],
    axis: Axis,
    k: &Knowledge,
) -> Option<Contradiction> {
    let intervention = &interventions[run];
    let seen = intervention.observed?;
    let a = &k.learning;
    let before = learn(&interventions[..run], slopes, k.scale.log_sd, a);
    let expected = predicted(intervention, slopes, &before, a);
    let shift = seen.mean_mm - before.offset_mm;
    // without levers of this axis the setting up again still counts
    let floor = expected
        .floor_mm2
        .max(a.repeat_setup_sd_mm * a.repeat_setup_sd_mm);
    let miss = (shift - expected.shift_mm)
        / (seen.variance_mm2 + expected.variance_mm2.max(before.variance_mm2() + floor)).sqrt();
    let against = -expected.shift_mm.signum() * shift
        / (seen.variance_mm2 + before.variance_mm2() + floor).sqrt();
    let adjusted: Vec<_> = intervention
        .adjusted
        .iter()
        .filter(|logged| logged.amount.abs() > 0.0)
        .collect();
    let wrong_way = !adjusted.is_empty()
        && expected.shift_mm.abs() > 0.0
        && normal_cdf(against) >= a.contradiction_probability;
    let did_nothing = !wrong_way && !adjusted.is_empty() && {
        let (rules, least) = (&k.step_rules, expected.shift_mm.abs());
        let sd = (seen.variance_mm2 + before.variance_mm2() + floor).sqrt();
        let along = expected.shift_mm.signum() * shift;
        least >= rules.nothing_least_mm
            && normal_cdf((rules.nothing_share * least - along) / sd) >= rules.nothing_probability
    };
    let found = wrong_way || did_nothing || miss.abs() > a.contradiction_sd;
    found.then(|| Contradiction {
        run,
        axis,
        lever: match adjusted.as_slice() {
            [one] => Some((one.action, one.amount.signum())),
            _ => None,
        },
        wrong_axis: adjusted.is_empty(),
        wrong_way,
        did_nothing,
        expected_mm: expected.shift_mm,
        seen_mm: shift,
    })
}

/// Whether a lever is not to be proposed in a direction: its last move that way contradicted, and that either stands
/// alone as the newest result or has been looked at with a further end, or has happened twice.
pub(super) fn is_blocked(
    action: Action,
    direction: f64,
    found: &[Contradiction],
    interventions: &[RunOnAxis],
    ends: &[usize],
) -> bool {
    let last = interventions.iter().rposition(|t| {
        t.observed.is_some()
            && t.adjusted
                .iter()
                .any(|logged| logged.action == action && logged.amount * direction > 0.0)
    });
    let same: Vec<&Contradiction> = found
        .iter()
        .filter(|c| {
            c.lever
                .is_some_and(|(l, d)| l == action && d * direction > 0.0)
        })
        .collect();
    let Some(latest) = same.last().filter(|c| Some(c.run) == last) else {
        return false;
    };
    latest.run + 1 == interventions.len()
        || same.len() > 1
        || ends.get(latest.run).is_some_and(|n| *n > 1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advice::knowledge::knowledge;
    use crate::advice::learn::{LoggedAdjustment, Observation};
    use crate::advice::slopes::slopes;
    use crate::record::Setup;

    fn run(mean: f64, moved: Option<(Action, f64)>) -> RunOnAxis {
        RunOnAxis {
            observed: Some(Observation {
                mean_mm: mean,
                variance_mm2: 15.0 * 15.0,
            }),
            adjusted: moved
                .map(|(action, amount)| LoggedAdjustment {
                    action,
                    amount,
                    new_shafts: false,
                    has_backlash: false,
                })
                .into_iter()
                .collect(),
            extra_mm2: 0.0,
        }
    }

    fn found(interventions: &[RunOnAxis]) -> Vec<Contradiction> {
        let setup = Setup {
            draw_weight_lb: Some(36.0),
            ..Setup::default()
        };
        let slopes = slopes(&setup, Axis::Horizontal, knowledge());
        contradictions(
            &mut interventions.to_vec(),
            &slopes,
            Axis::Horizontal,
            knowledge(),
        )
    }

    #[test]
    fn the_wrong_way_is_noticed_and_blocks_the_lever() {
        let interventions = [
            run(200.0, None),
            run(280.0, Some((Action::DrawWeight, -1.0))),
        ];
        let found = found(&interventions);
        assert_eq!(found.len(), 1);
        assert!(found[0].wrong_way && !found[0].wrong_axis);
        assert!(is_blocked(
            Action::DrawWeight,
            -1.0,
            &found,
            &interventions,
            &[1, 1]
        ));
        assert!(!is_blocked(
            Action::DrawWeight,
            1.0,
            &found,
            &interventions,
            &[1, 1]
        ));
        // another change and end later it may be tried again, unless a further end had confirmed it
        let later = [
            interventions[0].clone(),
            interventions[1].clone(),
            run(270.0, Some((Action::Plunger, 1.0))),
        ];
        assert!(!is_blocked(
            Action::DrawWeight,
            -1.0,
            &found,
            &later,
            &[1, 1, 1]
        ));
        assert!(is_blocked(
            Action::DrawWeight,
            -1.0,
            &found,
            &later,
            &[1, 2, 1]
        ));
    }

    #[test]
    fn what_was_to_be_expected_is_no_contradiction() {
        assert!(
            found(&[
                run(200.0, None),
                run(90.0, Some((Action::DrawWeight, -1.0)))
            ])
            .is_empty()
        );
        // half or twice the shift is within what the priors allow
        assert!(
            found(&[
                run(200.0, None),
                run(150.0, Some((Action::DrawWeight, -1.0)))
            ])
            .is_empty()
        );
        assert!(found(&[run(200.0, None), run(0.0, Some((Action::DrawWeight, -1.0)))]).is_empty());
    }

    #[test]
    fn an_axis_that_moves_without_a_change_is_noticed() {
        let found = found(&[run(0.0, None), run(120.0, None)]);
        assert!(found[0].wrong_axis && found[0].lever.is_none());
    }
}

//! Cautions: what to take care of with a step, and what to keep in mind with the advice as a whole.

use super::about::{Caution, CautionKind, LookUp};
use super::bow_state::BowState;
use super::contradictions::Contradiction;
use super::knowledge::{Axis, Knowledge};
use super::sensitivities::arrow_grains;
use super::{Action, Step, VerifyWhen};
use crate::math::rounded;

/// Acceleration of free fall, m/s².
const GRAVITY: f64 = 9.81;

/// The line that goes with every advice.
pub(crate) fn general() -> Caution {
    Caution::new("who-decides", CautionKind::WhoDecides)
}

/// A bare shaft can miss: where the newest set-up or its tune is new, or the distance is long.
pub(crate) fn bare_shafts() -> Caution {
    Caution::new("bare-shafts-stray", CautionKind::BareShaftsStray)
}

/// Cautions of one step: those that it needs and no others.
pub(super) fn of_step(step: &Step, weight_known: bool) -> Vec<Caution> {
    let more = step.amount.is_some_and(|a| a > 0.0);
    let mut notes = Vec::new();
    match step.change {
        Action::DrawWeight => {
            notes.push(Caution::new("limb-bolts", CautionKind::LimbBolts));
            if more {
                notes.push(Caution::new(
                    "draw-weight-form",
                    CautionKind::DrawWeightForm,
                ));
            }
        }
        Action::ShaftLength => {
            notes.push(Caution::new("safe-length", CautionKind::SafeLength));
            notes.push(Caution::new("cutting-carbon", CautionKind::CuttingCarbon));
        }
        Action::ShaftSpine => {
            notes.push(Caution::new("new-shafts", CautionKind::NewShafts));
            notes.push(bare_shafts());
        }
        // back to the place where they were in tune needs no warning of strays
        Action::Verify if step.when == Some(VerifyWhen::AnotherDay) => {}
        Action::ShootMore | Action::Verify => notes.push(bare_shafts()),
        Action::PointWeight
        | Action::RearWeight
        | Action::Plunger
        | Action::NockingPoint
        | Action::RestHeight
        | Action::Check
        | Action::None => {}
    }
    let lighter = match step.change {
        Action::DrawWeight => more,
        Action::PointWeight | Action::RearWeight | Action::ShaftLength => !more,
        Action::ShaftSpine => true,
        _ => false,
    };
    if lighter && !weight_known {
        notes.push(Caution::new("arrow-weight", CautionKind::ArrowWeight));
    }
    notes
}

/// What has to be looked up before a step is taken.
pub(super) fn look_up(what: &[LookUp]) -> Option<Caution> {
    (!what.is_empty()).then(|| Caution::new("setup-incomplete", CautionKind::LookUp(what.to_vec())))
}

/// Contradictions that concern the present: of the newest change, or of a lever that is therefore left alone.
pub(super) fn contradiction(found: &Contradiction, bow: &BowState) -> Caution {
    let about = CautionKind::Contradiction {
        found: *found,
        hand: bow.hand,
    };
    Caution::new("contradiction", about)
}

/// What has to be set again after a change.
pub(super) fn afterwards(step: &Step, bow: &BowState, k: &Knowledge) -> Option<Caution> {
    match step.change {
        Action::DrawWeight => {
            let share = step.amount.zip(step.from).map(|(by, from)| by / from);
            // the arrow's energy goes with the draw weight, its drop against it
            let drop_mm =
                1000.0 * GRAVITY * bow.distance_m.powi(2) / (2.0 * k.sight.arrow_m_s.powi(2));
            let about = CautionKind::AfterDrawWeight {
                higher_mm: share.map(|share| share * drop_mm),
                distance_m: bow.distance_m,
            };
            Some(Caution::new("after-draw-weight", about))
        }
        Action::ShaftLength => Some(Caution::new("after-cut", CautionKind::AfterCut)),
        Action::RestHeight => Some(Caution::new("after-rest-step", CautionKind::AfterRest)),
        _ => None,
    }
}

/// Where it is the ends before that show the bow in tune.
pub(super) fn by_earlier_ends(bow: &BowState, k: &Knowledge) -> Option<Caution> {
    bow.shows_in_tune_by_earlier_ends(k).then(|| {
        let about = CautionKind::ByEarlierEnds {
            ends: bow.ends,
            own: rounded(bow.p_inside_by_own_ends(), 3),
            all: rounded(bow.p_inside(), 3),
        };
        Caution::new("by-earlier-ends", about)
    })
}

/// What comes once the bow is in tune.
pub(super) fn after_tune(bow: &BowState) -> Vec<Caution> {
    let mut notes = vec![Caution::new("after-tune", CautionKind::AfterTune)];
    notes.extend(sight(bow));
    notes
}

/// Where the fletched group sits against the gold, where that is clear.
fn sight(bow: &BowState) -> Option<Caution> {
    let [x_mm, y_mm] = bow.findings.fletched_middle_mm?;
    let about = CautionKind::SightOff {
        x_mm,
        y_mm,
        distance_m: bow.distance_m,
    };
    Some(Caution::new("sight", about))
}

/// What stands out of the set-up, of the shafts' lean, and of a change of several things.
pub(super) fn of_setup(bow: &BowState, k: &Knowledge) -> Vec<Caution> {
    let (setup, findings) = (&bow.setup, &bow.findings);
    let mut notes = Vec::new();
    if !findings.confounded_levers.is_empty() {
        let about = CautionKind::Several(findings.confounded_levers.clone());
        notes.push(Caution::new("several-changes", about));
    }
    if let Some(degrees) = findings.crooked_deg {
        notes.push(Caution::new("crooked-bare", CautionKind::Crooked(degrees)));
    }
    let grains = arrow_grains(setup).filter(|_| setup.rear_gr.is_some());
    let light = grains.zip(setup.draw_weight_lb).map(|(gr, lb)| gr / lb);
    if let Some(per_lb) = light.filter(|r| *r < k.safety.least_gr_per_lb) {
        notes.push(Caution::new("light-arrow", CautionKind::LightArrow(per_lb)));
    }
    let limit = setup.limits.as_ref().and_then(|l| l.get("shaft_length_mm"));
    let safe = limit.and_then(|l| l.min).zip(setup.shaft_length_mm);
    if let Some((min, now)) = safe.filter(|(min, now)| now + 1e-6 < *min) {
        notes.push(Caution::new(
            "short-shafts",
            CautionKind::ShortShafts([now, min]),
        ));
    }
    let [low, high] = k.step_rules.nocking_point_mm;
    if let Some(now) = setup.nocking_point_mm.filter(|n| !(low..=high).contains(n)) {
        let about = CautionKind::NockingPointOut([now, low, high]);
        notes.push(Caution::new("nocking-point-out", about));
    }
    if let Some(metres) = bow.goal_m() {
        notes.push(Caution::new("goal", CautionKind::Goal(metres)));
    }
    notes
}

/// Nothing left within the limits on these axes.
pub(super) fn at_limits(axes: &[Axis], bow: &BowState) -> Caution {
    let setup = &bow.setup;
    let limit = setup.limits.as_ref().and_then(|l| l.get("shaft_length_mm"));
    let no_min = limit.and_then(|l| l.min).is_none();
    let about = CautionKind::AtLimits {
        axes: axes.to_vec(),
        weak: bow
            .horizontal
            .as_ref()
            .is_some_and(|state| state.offset.mean > 0.0),
        no_safe_length: no_min || setup.shaft_length_mm.is_none(),
        growing: setup.growing == Some(true),
    };
    Caution::new("at-limits", about)
}

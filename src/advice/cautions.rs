//! Cautions: what to take care of with a step, and what to keep in mind with the advice as a whole.

use super::about::{About, Caution, LookUp};
use super::contradictions::Contradiction;
use super::knowledge::Axis;
use super::situation::Situation;
use super::{Change, Step, VerifyWhen};

/// The line that goes with every advice.
pub(crate) fn general() -> Caution {
    Caution::new("who-decides", About::WhoDecides)
}

/// A bare shaft can miss: where the newest set-up or its tune is new, or the distance is long.
pub(crate) fn bare_shafts() -> Caution {
    Caution::new("bare-shafts-stray", About::BareShaftsStray)
}

/// Cautions of one step: those that it needs and no others.
pub(super) fn of_step(step: &Step, weight_known: bool) -> Vec<Caution> {
    let more = step.amount.is_some_and(|a| a > 0.0);
    let mut notes = Vec::new();
    match step.change {
        Change::DrawWeight => {
            notes.push(Caution::new("limb-bolts", About::LimbBolts));
            if more {
                notes.push(Caution::new("draw-weight-form", About::DrawWeightForm));
            }
        }
        Change::ShaftLength => {
            notes.push(Caution::new("safe-length", About::SafeLength));
            notes.push(Caution::new("cutting-carbon", About::CuttingCarbon));
        }
        Change::ShaftSpine => {
            notes.push(Caution::new("new-shafts", About::NewShafts));
            notes.push(bare_shafts());
        }
        // back to the place where they were in tune needs no warning of strays
        Change::Verify if step.when == Some(VerifyWhen::AnotherDay) => {}
        Change::ShootMore | Change::Verify => notes.push(bare_shafts()),
        Change::PointWeight
        | Change::RearWeight
        | Change::Plunger
        | Change::NockingPoint
        | Change::RestHeight
        | Change::None => {}
    }
    let lighter = match step.change {
        Change::DrawWeight => more,
        Change::PointWeight | Change::RearWeight | Change::ShaftLength => !more,
        Change::ShaftSpine => true,
        _ => false,
    };
    if lighter && !weight_known {
        notes.push(Caution::new("arrow-weight", About::ArrowWeight));
    }
    notes
}

/// What has to be looked up before a step is taken.
pub(super) fn look_up(what: &[LookUp]) -> Option<Caution> {
    (!what.is_empty()).then(|| Caution::new("setup-incomplete", About::LookUp(what.to_vec())))
}

/// Contradictions that concern the present: of the newest change, or of a lever that is therefore left alone.
pub(super) fn contradiction(found: &Contradiction, situation: &Situation) -> Caution {
    let about = About::Contradiction {
        found: *found,
        hand: situation.hand,
    };
    Caution::new("contradiction", about)
}

/// Nothing left within the limits on these axes.
pub(super) fn at_limits(axes: &[Axis], situation: &Situation) -> Caution {
    let setup = &situation.setup;
    let limit = setup.limits.as_ref().and_then(|l| l.get("shaft_length_mm"));
    let no_min = limit.and_then(|l| l.min).is_none();
    let about = About::AtLimits {
        axes: axes.to_vec(),
        weak: situation.u.as_ref().is_some_and(|u| u.offset.mean > 0.0),
        no_safe_length: no_min || setup.shaft_length_mm.is_none(),
    };
    Caution::new("at-limits", about)
}

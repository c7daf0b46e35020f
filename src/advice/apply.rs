//! A step that was made → what it changes in the set-up of the ends that follow.

use super::{Action, Advice, Step};
use crate::record::Setup;

/// Quarter turns in a turn of a bolt.
const QUARTERS_PER_TURN: f64 = 4.0;
/// Largest difference between the present value by the advice and by the set-up, in the setting's unit: the error of rounding in documents.
const APPLY_TOLERANCE: f64 = 0.001;

/// The settings that this step changes, at their new values: what the next end's set-up has to say. `None` where nothing
/// changes, or where the present value isn't known, so that the new one can't be either.
#[must_use]
pub fn settings_after(now: &Setup, step: &Step) -> Option<Setup> {
    let mut new = Setup::default();
    match step.change {
        Action::DrawWeight => {
            // a quarter turn in is a quarter turn less out
            new.bolt_turns_out =
                now.bolt_turns_out
                    .zip(step.bolt_quarter_turns)
                    .map(|(out, quarters)| {
                        out - f64::from(i32::try_from(quarters).unwrap_or(0)) / QUARTERS_PER_TURN
                    });
            new.draw_weight_lb = step.to;
        }
        Action::ShaftLength => new.shaft_length_mm = step.to,
        Action::PointWeight => new.point_gr = step.to,
        Action::RearWeight => {
            new.rear_gr = step.to;
            // both kinds of shaft alike
            new.bare_rear_gr = now.bare_rear_gr.zip(step.amount).map(|(g, by)| g + by);
        }
        Action::Plunger => new.plunger_clicks = step.to,
        Action::NockingPoint => new.nocking_point_mm = step.to,
        Action::RestHeight => new.rest_height_mm = step.to,
        Action::ShaftSpine => new.shaft_spine = step.to,
        Action::ShootMore | Action::Verify | Action::Check | Action::None => {}
    }
    (new != Setup::default()).then_some(new)
}

/// Why an advice can't be carried into the set-up of the next end.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ApplyError {
    /// It changes nothing.
    #[error("this advice changes nothing, so there is nothing to note")]
    NothingToChange,
    /// It names the change but not how far, or the present value isn't known.
    #[error("the value of `{setting}` after the change isn't known: tell it with the change")]
    Unknown {
        /// The setting.
        setting: String,
    },
    /// It was given for another set-up.
    #[error(
        "the advice changes `{setting}` from {advice}, but the set-up says {setup}: ask for advice on this set-up, or correct it"
    )]
    OtherSetup {
        /// The setting.
        setting: String,
        /// Its value in the advice.
        advice: f64,
        /// Its value in the set-up.
        setup: f64,
    },
}

/// What the next end's set-up has to say once `next`, and what belongs to it, were made on the set-up `now`.
///
/// # Errors
/// When nothing is to be changed, when a value can't be known, or when the advice was given for another set-up.
pub fn setup_after(now: &Setup, advice: &Advice) -> Result<Setup, ApplyError> {
    let mut new = None;
    let steps = advice.next.iter().chain(&advice.also);
    for step in steps.filter(|step| step.change.adjusts_a_lever()) {
        let setting = step.setting.clone().unwrap_or_default();
        if let (Some(advice), Some(setup)) = (step.from, now.number(&setting))
            && (advice - setup).abs() > APPLY_TOLERANCE
        {
            return Err(ApplyError::OtherSetup {
                setting,
                advice,
                setup,
            });
        }
        let Some(step_made) = settings_after(now, step) else {
            return Err(ApplyError::Unknown { setting });
        };
        new = Some(step_made.or(&new.unwrap_or_default()));
    }
    new.ok_or(ApplyError::NothingToChange)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn step(value: serde_json::Value) -> Step {
        let mut all = json!({"amount": null, "unit": null, "from": null, "to": null, "detail": "", "expect": null,
            "reversible": true, "why": "", "cautions": []});
        for (name, v) in value.as_object().expect("object") {
            all[name] = v.clone();
        }
        serde_json::from_value(all).expect("step")
    }

    fn setup(value: serde_json::Value) -> Setup {
        serde_json::from_value(value).expect("set-up")
    }

    /// The arithmetic of the set-up table: bolts out = old − quarter turns / 4.
    #[test]
    fn each_change_moves_its_own_setting() {
        let now = setup(
            json!({"bolt_turns_out": 1.0, "draw_weight_lb": 36.0, "bare_rear_gr": 11, "rear_gr": 21}),
        );
        let settings_after = |v| settings_after(&now, &step(v));
        assert_eq!(
            settings_after(
                json!({"change": "draw-weight", "amount": -1.5, "from": 36.0, "to": 34.5, "bolt_quarter_turns": -6})
            ),
            Some(setup(
                json!({"bolt_turns_out": 2.5, "draw_weight_lb": 34.5})
            ))
        );
        assert_eq!(
            settings_after(
                json!({"change": "rear-weight", "amount": 4.0, "from": 21.0, "to": 25.0})
            ),
            Some(setup(json!({"rear_gr": 25.0, "bare_rear_gr": 15.0})))
        );
        assert_eq!(
            settings_after(
                json!({"change": "nocking-point", "amount": 1.0, "from": 6.0, "to": 7.0})
            ),
            Some(setup(json!({"nocking_point_mm": 7.0})))
        );
        assert_eq!(
            settings_after(json!({"change": "plunger", "amount": 1.0})),
            None
        );
        assert_eq!(
            settings_after(json!({"change": "shoot-more", "amount": 3.0})),
            None
        );
    }
}

//! Set-ups with some settings changed, and whether a step keeps within their limits.

use bossmark::advice::{Action, Step};
use serde_json::Value;

/// A set-up with these settings instead of its own.
pub(crate) fn with(mut setup: Value, changes: Value) -> Value {
    for (key, value) in changes.as_object().unwrap() {
        setup[key] = value.clone();
    }
    setup
}

/// A step obeys every limit of the set-up.
pub(crate) fn obeys(step: &Step, setup: &Value) {
    let limits = &setup["limits"];
    let Some(setting) = step.setting.as_deref() else {
        return;
    };
    let Some(to) = step.to else { return };
    let limit = &limits[setting];
    for (key, sign) in [("min", 1.0), ("max", -1.0)] {
        if let Some(bound) = limit[key].as_f64() {
            assert!(
                sign * (to - bound) > -1e-3,
                "{setting} {to} against {key} {bound}"
            );
        }
    }
    if let (Some(owned), true) = (limit["owned"].as_array(), limit["obtainable"].is_null()) {
        assert!(
            owned
                .iter()
                .any(|v| (v.as_f64().unwrap() - to).abs() < 1e-6)
        );
    }
    if let Some(q) = step.bolt_quarter_turns {
        let turns = setup["bolt_turns_out"].as_f64().unwrap() - q as f64 / 4.0;
        assert!(turns >= limits["bolt_turns_out"]["min"].as_f64().unwrap() - 1e-9);
        assert!(turns <= limits["bolt_turns_out"]["max"].as_f64().unwrap() + 1e-9);
        assert!(q as f64 * step.amount.unwrap() > 0.0);
    }
    if step.change == Action::ShaftLength {
        assert!(step.amount.unwrap() < 0.0);
        assert!(to >= limit["min"].as_f64().unwrap() - 1e-6);
    }
}

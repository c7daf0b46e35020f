//! A session file as text for people, and what else would help the advice.

use crate::advice;
use crate::cli::args::SETTING_FLAGS;
use crate::record::{NamedArrow, SessionFile, Setup};
use crate::text::plain;
use std::fmt::Write as _;

/// The session file as text, and what else would help the advice.
pub(super) fn text(file: &SessionFile) -> String {
    let mut out = String::new();
    let session = &file.session;
    let mut line = |name: &str, value: Option<String>| {
        if let Some(value) = value {
            let _ = writeln!(out, "{name:<24} {value}");
        }
    };
    line("face", file.face.clone());
    line("archer", session.archer.clone());
    line(
        "hand",
        session.hand.map(|h| format!("{h:?}").to_lowercase()),
    );
    line("distance_m", session.distance_m.map(|d| d.to_string()));
    line("date", session.date.clone());
    line("fletched", file.fletched.map(|n| n.to_string()));
    line("bare", file.bare.map(|n| n.to_string()));
    let setup = file.setup_now();
    let value = serde_json::to_value(&setup).unwrap_or_default();
    for (name, value) in value.as_object().into_iter().flatten() {
        if name != "limits" && name != "arrows" {
            line(name, Some(value_text(value)));
        }
    }
    for arrow in setup.arrows.iter().flatten() {
        line(&format!("arrow {}", arrow.arrow), Some(arrow_look(arrow)));
    }
    for (setting, limit) in setup.limits.iter().flatten() {
        let value = serde_json::to_value(limit).unwrap_or_default();
        let parts: Vec<String> = value
            .as_object()
            .into_iter()
            .flatten()
            .map(|(name, value)| format!("{name} {}", value_text(value)))
            .collect();
        line(&format!("limit of {setting}"), Some(parts.join(", ")));
    }
    let ends = file.ends.iter().flatten();
    let changes = ends.filter(|e| e.session.setup.is_some()).count();
    if changes > 0 {
        let _ = writeln!(
            out,
            "(as after {changes} {} told in `ends`)",
            if changes == 1 { "change" } else { "changes" }
        );
    }
    let missing = missing_facts(file, &setup);
    if !missing.is_empty() {
        let missing = format!("{}.", missing.join("; "));
        out.push_str(&plain::wrapped("Would help the advice: ", &missing));
    }
    out
}

/// The look of an arrow in words.
fn arrow_look(arrow: &NamedArrow) -> String {
    let kind = arrow.kind.map(|k| format!("{k:?}").to_lowercase());
    let nock = arrow.nock.as_ref().map(|c| format!("nock {c}"));
    let vanes = arrow.vanes.as_ref().filter(|v| !v.is_empty());
    let vanes = vanes.map(|v| format!("vanes {}", v.join(" and ")));
    let parts: Vec<String> = [kind, nock, vanes].into_iter().flatten().collect();
    if parts.is_empty() {
        return "look not given".to_owned();
    }
    parts.join(", ")
}

fn value_text(value: &serde_json::Value) -> String {
    match value {
        serde_json::Value::String(text) => text.clone(),
        serde_json::Value::Array(all) => all.iter().map(value_text).collect::<Vec<_>>().join(", "),
        serde_json::Value::Number(n) if n.as_f64().is_some_and(|n| n.fract() == 0.0) => {
            format!("{:.0}", n.as_f64().unwrap_or_default())
        }
        other => other.to_string(),
    }
}

/// What isn't known and would change the advice.
fn missing_facts(file: &SessionFile, setup: &Setup) -> Vec<String> {
    let limit = |name: &str| setup.limits.as_ref().and_then(|l| l.get(name));
    let for_physics: Vec<&str> = advice::missing(setup).iter().map(|m| m.0).collect();
    let mut facts = Vec::new();
    let mut add_if = |missing: bool, fact: &str| {
        if missing {
            facts.push(fact.to_owned());
        }
    };
    add_if(
        file.session.hand.is_none(),
        "the hand (--hand): left and right mean nothing without it",
    );
    add_if(
        file.session.distance_m.is_none(),
        "the distance (--distance): nothing is called without it",
    );
    for (setting, flag) in SETTING_FLAGS {
        let moved = [
            "draw_weight_lb",
            "bolt_turns_out",
            "shaft_spine",
            "shaft_length_mm",
            "point_gr",
            "plunger_clicks",
            "nocking_point_mm",
            "rest_height_mm",
        ];
        add_if(
            moved.contains(setting) && setup.setting(setting).is_none(),
            &format!("{setting} ({flag})"),
        );
        // the same as `advise --why` asks for
        add_if(
            !moved.contains(setting) && for_physics.contains(setting),
            &format!("{setting} ({flag}), for exchange rates by physics"),
        );
    }
    add_if(
        limit("shaft_length_mm").and_then(|l| l.min).is_none(),
        "the shortest safe length (--limit shaft_length_mm=711..), without which no cut is advised",
    );
    add_if(
        limit("bolt_turns_out").and_then(|l| l.max).is_none(),
        "how far out the maker lets the bolts be turned (--limit bolt_turns_out=0..4)",
    );
    add_if(
        limit("point_gr").is_none_or(|l| l.owned.is_none() && l.obtainable.is_none()),
        "the points that you own (--limit point_gr=owned:90,100,110)",
    );
    facts
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::keys;
    use std::collections::BTreeSet;

    #[test]
    fn every_setting_has_a_flag() {
        let flags: Vec<&str> = SETTING_FLAGS.iter().map(|(s, _)| *s).collect();
        let flags: BTreeSet<&str> = flags.into_iter().collect();
        assert_eq!(flags, keys::SETTINGS.iter().copied().collect());
    }
}

//! Checks of a session: names, units, limits.

use super::keys::{LIMIT, SETTINGS, likely, nearest, unknown_fields_in_session};
use super::{ArrowKind, Lever, Limit, NamedArrow, Session, Setup, When};
use crate::colours;
use serde::Deserialize;
use std::collections::BTreeMap;

/// What is wrong with a session. Each message is one sentence: what is wrong, and what to do.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SessionFault {
    /// An unknown name that resembles a known one.
    #[error("`{path}` is not known: did you mean `{likely}`?")]
    Misspelt {
        /// Where it stands.
        path: String,
        /// The likely name.
        likely: String,
    },
    /// A number that is impossible in its unit.
    #[error("`{path}` is {value}, which can't be {unit}: {hint}")]
    Unit {
        /// Where it stands.
        path: String,
        /// The number, as written.
        value: String,
        /// The unit of the field.
        unit: String,
        /// The unit that was probably meant, as a hint for the reader.
        hint: String,
    },
    /// A limit that no value can meet, or a step that isn't positive.
    #[error("the limit of `{setting}` contradicts itself ({why}): correct it in `limits`")]
    Limit {
        /// The setting.
        setting: String,
        /// What is wrong with it.
        why: String,
    },
    /// A colour with an unknown name.
    #[error(
        "`{path}` is {colour:?}, which is no colour that is known (several of the vanes are joined by `+`, or a list in the file). Known, the likeliest first: {known}"
    )]
    Colour {
        /// Where it stands.
        path: String,
        /// As written.
        colour: String,
        /// All names, the likely ones first.
        known: String,
    },
    /// An arrow whose description is impossible.
    #[error("`{path}` {why}")]
    Arrow {
        /// Where it stands.
        path: String,
        /// What is wrong, and what to do.
        why: String,
    },
    /// Something that isn't a date.
    #[error("the date {date:?} can't be read: write it as 2026-05-03 or 2026-05-03T10:12:00+02:00")]
    Date {
        /// As written.
        date: String,
    },
}

#[derive(Deserialize)]
struct Ranges {
    ranges: BTreeMap<String, Range>,
}

#[derive(Clone, Copy, Deserialize)]
struct Range {
    min: f64,
    max: f64,
}

impl Range {
    fn holds(self, value: f64) -> bool {
        (self.min..=self.max).contains(&value)
    }
}

fn ranges() -> BTreeMap<String, Range> {
    // the file is built in, and a test reads it: it always parses
    serde_json::from_str::<Ranges>(include_str!("../../calibration/setting-ranges.json"))
        .map(|r| r.ranges)
        .unwrap_or_default()
}

/// Smallest and largest value that a number of a session can have, in the unit of its name: `None` for a number without limits.
#[must_use]
pub fn range_of(name: &str) -> Option<std::ops::RangeInclusive<f64>> {
    ranges().get(name).map(|range| range.min..=range.max)
}

/// Checks a session for misspelt names, numbers in another unit, contradictory limits and an invalid date. `path` is the JSON path
/// of the session in its file. Returns all faults, in a fixed order.
#[must_use]
pub fn check_session(session: &Session, path: &str) -> Vec<SessionFault> {
    let mut faults: Vec<SessionFault> = unknown_fields_in_session(session, path)
        .into_iter()
        .filter_map(|s| {
            Some(SessionFault::Misspelt {
                path: s.path,
                likely: s.likely?.to_owned(),
            })
        })
        .collect();
    let ranges = ranges();
    faults.extend(check_unit(&ranges, path, "distance_m", session.distance_m));
    if let Some(date) = &session.date
        && When::parse(date).is_none()
    {
        faults.push(SessionFault::Date { date: date.clone() });
    }
    if let Some(setup) = &session.setup {
        faults.extend(check_setup(&ranges, setup, &format!("{path}.setup")));
    }
    faults
}

fn check_setup(ranges: &BTreeMap<String, Range>, setup: &Setup, path: &str) -> Vec<SessionFault> {
    let others = [
        ("bolt_lb_per_turn", setup.bolt_lb_per_turn),
        ("plunger_clicks_per_turn", setup.plunger_clicks_per_turn),
        ("tolerance_30m_mm", setup.tolerance_30m_mm),
    ];
    let mut faults: Vec<SessionFault> = SETTINGS
        .iter()
        .map(|s| (*s, setup.number(s)))
        .chain(others)
        .filter_map(|(name, value)| check_unit(ranges, path, name, value))
        .collect();
    for name in setup.keep.iter().flatten() {
        let known: Vec<&'static str> = Lever::ALL.iter().map(|l| l.name()).collect();
        if !known.contains(&name.as_str()) {
            faults.push(SessionFault::Misspelt {
                path: format!("{path}.keep: {name}"),
                likely: likely(name, &known).map_or_else(|| known.join(", "), str::to_owned),
            });
        }
    }
    for (setting, limit) in setup.limits.iter().flatten() {
        faults.extend(check_limit(ranges, setting, limit, path));
    }
    let arrows = setup.arrows.as_deref().unwrap_or_default();
    for k in 0..arrows.len() {
        faults.extend(check_arrow(arrows, k, &format!("{path}.arrows[{k}]")));
    }
    faults
}

/// Largest number of arrows in a set-up, and of colours of one arrow's vanes.
const MAX_ARROWS: usize = 48;
const MAX_VANES: usize = 6;

fn check_arrow(arrows: &[NamedArrow], k: usize, path: &str) -> Vec<SessionFault> {
    let Some(arrow) = arrows.get(k) else {
        return Vec::new();
    };
    let mark = arrow.arrow.trim();
    let vanes = arrow.vanes.as_deref().unwrap_or_default();
    let wrong = |why: &str| SessionFault::Arrow {
        path: path.to_owned(),
        why: why.to_owned(),
    };
    let mut faults = Vec::new();
    if k == MAX_ARROWS {
        faults.push(wrong(
            "is one too many: name the arrows of one quiver, 48 at most",
        ));
    }
    if mark.is_empty() {
        faults.push(wrong(
            "has no mark: write its own number or letter into `arrow`",
        ));
    } else if arrows.iter().take(k).any(|a| a.arrow.trim() == mark) {
        faults.push(wrong(&format!(
            "has the mark {mark:?} of an arrow before it: give each arrow one line"
        )));
    }
    if arrow.kind == Some(ArrowKind::Bare) && !vanes.is_empty() {
        faults.push(wrong(
            "is bare and has `vanes`: leave them out, or make it fletched",
        ));
    }
    if vanes.len() > MAX_VANES {
        faults.push(wrong("has more than six `vanes`: name each colour once"));
    }
    let colours = arrow.nock.iter().map(|c| ("nock".to_owned(), c));
    let vanes = (0..)
        .zip(vanes)
        .map(|(v, c): (usize, _)| (format!("vanes[{v}]"), c));
    for (name, colour) in colours.chain(vanes) {
        if colours::named(colour).is_none() {
            let mut known = colours::names();
            let likely = nearest(colour, &known, 3);
            known.retain(|n| !likely.contains(n));
            faults.push(SessionFault::Colour {
                path: format!("{path}.{name}"),
                colour: colour.clone(),
                known: [likely, known].concat().join(", "),
            });
        }
    }
    faults
}

fn check_unit(
    ranges: &BTreeMap<String, Range>,
    path: &str,
    name: &str,
    value: Option<f64>,
) -> Option<SessionFault> {
    let (value, range) = (value?, *ranges.get(name)?);
    if range.holds(value) {
        return None;
    }
    let unit = unit_of(name);
    // units that people use by mistake, and how many of the field's own unit each is
    let slip = match unit {
        "mm" => [("inches", 25.4), ("centimetres", 10.0)].as_slice(),
        "lb" => [("kilograms", 2.204_622_6), ("newtons", 0.224_808_9)].as_slice(),
        "gr" => [("grams", 15.432_358)].as_slice(),
        "m" => [("yards", 0.9144), ("centimetres", 0.01)].as_slice(),
        _ => [].as_slice(),
    };
    let meant = slip.iter().find(|(_, k)| range.holds(value * k));
    let hint = meant.map_or_else(
        || format!("give a number from {} to {}", range.min, range.max),
        |(other, k)| {
            format!(
                "if it was meant in {other}, write {}",
                crate::math::rounded(value * k, 1)
            )
        },
    );
    Some(SessionFault::Unit {
        path: format!("{path}.{name}"),
        value: value.to_string(),
        unit: unit.to_owned(),
        hint,
    })
}

fn unit_of(name: &str) -> &'static str {
    match name {
        "bolt_turns_out" => "turns",
        "shaft_spine" => "a spine in 1/1000 in",
        "shaft_gr_per_in" => "grains per inch",
        "bolt_lb_per_turn" => "lb per turn",
        "plunger_clicks_per_turn" => "clicks per turn",
        _ => match name.rsplit('_').next() {
            Some("mm") => "mm",
            Some("lb") => "lb",
            Some("gr") => "gr",
            Some("m") => "m",
            Some("clicks") => "clicks",
            _ => "that",
        },
    }
}

fn check_limit(
    ranges: &BTreeMap<String, Range>,
    setting: &str,
    limit: &Limit,
    path: &str,
) -> Vec<SessionFault> {
    let contradiction = |why: String| SessionFault::Limit {
        setting: setting.to_owned(),
        why,
    };
    let mut faults = Vec::new();
    if let (Some(min), Some(max)) = (limit.min, limit.max)
        && min > max
    {
        faults.push(contradiction(format!("min {min} is above max {max}")));
    }
    if let Some(step) = limit.step
        && (step.is_nan() || step <= 0.0)
    {
        faults.push(contradiction(format!("a step of {step} leads nowhere")));
    }
    for value in limit.owned.iter().chain(&limit.obtainable).flatten() {
        if limit.min.is_some_and(|m| *value < m) || limit.max.is_some_and(|m| *value > m) {
            faults.push(contradiction(format!(
                "{value} is listed but outside min and max"
            )));
        }
    }
    for (name, value) in [
        ("min", limit.min),
        ("max", limit.max),
        ("usual", limit.usual),
    ] {
        debug_assert!(LIMIT.contains(&name));
        if let Some(fault) = check_unit(ranges, path, setting, value) {
            let SessionFault::Unit {
                value, unit, hint, ..
            } = fault
            else {
                continue;
            };
            faults.push(SessionFault::Unit {
                path: format!("{path}.limits.{setting}.{name}"),
                value,
                unit,
                hint,
            });
        }
    }
    faults
}

/// A sentence for each setting that is outside its own limits. That is no fault: limits restrict changes, not the present value.
#[must_use]
pub fn outside_limits(setup: &Setup) -> Vec<String> {
    setup
        .limits
        .iter()
        .flatten()
        .filter_map(|(setting, limit)| {
            let value = setup.number(setting)?;
            let out = limit.min.is_some_and(|m| value < m) || limit.max.is_some_and(|m| value > m);
            out.then(|| {
                format!("`{setting}` is {value} now, outside its own limits: check which of them is right")
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn faults(session: serde_json::Value) -> Vec<String> {
        let session: Session = serde_json::from_value(session).expect("session");
        check_session(&session, "session")
            .iter()
            .map(ToString::to_string)
            .collect()
    }

    #[test]
    fn ranges_cover_every_number() {
        let ranges = ranges();
        for name in SETTINGS.iter().filter(|s| **s != "shafts") {
            assert!(ranges.contains_key(*name), "{name}");
        }
        assert!(ranges.values().all(|r| r.min < r.max));
    }

    #[test]
    fn a_usual_session_has_no_fault() {
        let session = json!({"hand": "right", "distance_m": 18, "date": "2026-05-03", "weather": "dry",
            "setup": {"draw_weight_lb": 36, "shaft_length_mm": 737, "keep": ["plunger"], "limits": {"point_gr": {"owned": [80, 90]}}}});
        assert_eq!(faults(session), [""; 0]);
    }

    #[test]
    fn slips_of_unit_are_named_with_the_number_meant() {
        assert!(
            faults(json!({"setup": {"shaft_length_mm": 29}}))[0].contains("inches, write 736.6")
        );
        assert!(faults(json!({"setup": {"draw_weight_lb": 160}}))[0].contains("newtons, write 36"));
        assert!(faults(json!({"setup": {"point_gr": 6.5}}))[0].contains("grams, write 100.3"));
        assert!(faults(json!({"distance_m": 3000}))[0].contains("centimetres, write 30"));
        assert!(faults(json!({"setup": {"shaft_spine": 6}}))[0].contains("from 120 to 3000"));
        assert!(
            faults(json!({"setup": {"limits": {"shaft_length_mm": {"min": 28}}}}))[0]
                .contains("limits.shaft_length_mm.min")
        );
    }

    #[test]
    fn contradictions_and_misspellings_are_named() {
        let limits = |l| faults(json!({"setup": {"limits": l}})).join("\n");
        assert!(
            limits(json!({"point_gr": {"min": 100, "max": 80}}))
                .contains("min 100 is above max 80")
        );
        assert!(limits(json!({"point_gr": {"step": 0}})).contains("leads nowhere"));
        assert!(
            limits(json!({"point_gr": {"max": 90, "owned": [100]}}))
                .contains("outside min and max")
        );
        assert!(limits(json!({"points_gr": {"max": 90}})).contains("did you mean `point_gr`"));
        assert!(limits(json!({"point_gr": {"maxi": 90}})).contains("did you mean `max`"));
        assert!(faults(json!({"distance": 30}))[0].contains("did you mean `distance_m`"));
        assert!(
            faults(json!({"setup": {"keep": ["plungr"]}}))[0].contains("did you mean `plunger`")
        );
        assert!(faults(json!({"date": "3 May"}))[0].contains("3 May"));
    }

    #[test]
    fn arrows_that_cannot_be_are_named() {
        let arrows = |a| faults(json!({"setup": {"arrows": a}})).join("\n");
        let fine = json!([{"arrow": "7", "kind": "fletched", "nock": "green", "vanes": ["red", "white"]},
            {"arrow": "8"}, {"arrow": "B", "kind": "bare", "nock": "Light-Blue"}]);
        assert_eq!(arrows(fine), "");
        let wrong = arrows(json!([{"arrow": "7", "nock": "greeen"}]));
        assert!(
            wrong.contains("arrows[0].nock` is \"greeen\"")
                && wrong.contains("likeliest first: green, ")
        );
        assert!(colours::names().iter().all(|n| wrong.contains(n)));
        assert!(arrows(json!([{"arrow": "7", "vanes": ["red", "reddd"]}])).contains("vanes[1]"));
        assert!(
            arrows(json!([{"arrow": "7"}, {"arrow": " 7"}]))
                .contains("arrows[1]` has the mark \"7\"")
        );
        assert!(arrows(json!([{"arrow": ""}])).contains("has no mark"));
        assert!(
            arrows(json!([{"arrow": "1", "kind": "bare", "vanes": ["red"]}])).contains("is bare")
        );
        assert!(arrows(json!([{"arrow": "1", "nok": "red"}])).contains("did you mean `nock`"));
    }

    #[test]
    fn standing_outside_own_limits_is_reported() {
        let setup: Setup =
            serde_json::from_value(json!({"point_gr": 120, "limits": {"point_gr": {"max": 110}}}))
                .expect("set-up");
        assert_eq!(outside_limits(&setup).len(), 1);
    }
}

//! The settings of a bow in words: what is set, and what was changed.

use super::Locale;
use super::numbers::number;
use super::terms::setting;
use crate::math::{round_i64, rounded};
use crate::record::{Setting, SettingChange, Setup};

/// Decimals of a setting.
const DECIMALS: usize = 3;
/// The numbers of a set-up, in the order in which a bow is set.
const FIELDS: [&str; 14] = [
    "draw_weight_lb",
    "bolt_turns_out",
    "nocking_point_mm",
    "rest_height_mm",
    "plunger_clicks",
    "brace_height_mm",
    "draw_length_mm",
    "shaft_spine",
    "shaft_length_mm",
    "point_gr",
    "shaft_gr_per_in",
    "shaft_diameter_mm",
    "rear_gr",
    "bare_rear_gr",
];

/// The known settings of a set-up as (name, value with unit), in the order in which a bow is set.
pub(crate) fn settings(setup: &Setup, locale: Locale) -> Vec<(&'static str, String)> {
    let shafts = setup.shafts.clone().map(|shafts| ("shafts", shafts));
    let numbers = FIELDS.iter().filter_map(|field| {
        let value = setup.number(field)?;
        Some((setting(field).0, with_unit(field, value, locale)))
    });
    shafts.into_iter().chain(numbers).collect()
}

/// A setting's number as it is written, without its unit, and the unit.
fn parts(field: &str, value: f64, locale: Locale) -> (String, &str) {
    match setting(field).1 {
        "mm" => (locale.length_without_unit(value, DECIMALS), locale.unit()),
        unit => (number(value, DECIMALS), unit),
    }
}

fn with_unit(field: &str, value: f64, locale: Locale) -> String {
    let (value, unit) = parts(field, value, locale);
    // one turn, one click; the other units have no plural
    let unit = match (unit, value.as_str()) {
        ("turns out", "1") => "turn out",
        ("clicks", "1" | "-1") => "click",
        (unit, _) => unit,
    };
    format!("{value} {unit}").trim_end().to_owned()
}

/// "+3.175 mm".
pub(super) fn signed(field: &str, value: f64, locale: Locale) -> String {
    let (text, unit) = parts(field, value, locale);
    let plus = if value > 0.0 && text != "0" { "+" } else { "" };
    format!("{plus}{text} {unit}")
}

/// "9 to 8 mm".
pub(super) fn span(field: &str, [from, to]: [f64; 2], locale: Locale) -> String {
    let (to, unit) = parts(field, to, locale);
    let from = parts(field, from, locale).0;
    format!("{from} to {to} {unit}").trim_end().to_owned()
}

/// A change that was made, in words: the setting, its value before and after.
#[must_use]
pub fn change(change: &SettingChange, locale: Locale) -> String {
    match (&change.from, &change.to) {
        (Setting::Number(from), Setting::Number(to)) => {
            number_changed(change.setting, [*from, *to], locale)
        }
        (from, to) => format!("{}: {} to {}", change.setting, label(from), label(to)),
    }
}

fn label(setting: &Setting) -> String {
    match setting {
        Setting::Number(n) => number(*n, DECIMALS),
        Setting::Text(t) => format!("\u{201c}{t}\u{201d}"),
    }
}

fn number_changed(field: &str, [from, to]: [f64; 2], locale: Locale) -> String {
    let name = setting(field).0;
    let span = span(field, [from, to], locale);
    let (by, unit) = parts(field, (to - from).abs(), locale);
    let pick = |more: &'static str, less: &'static str| if to > from { more } else { less };
    match field {
        "bolt_turns_out" => format!(
            "both limb bolts {} {} ({span})",
            turns((to - from).abs()),
            pick("out", "in")
        ),
        "nocking_point_mm" | "rest_height_mm" => {
            format!("{name} {by} {unit} {} ({span})", pick("higher", "lower"))
        }
        "plunger_clicks" => {
            let span = span.trim_end_matches(" clicks");
            format!("plunger {by} {unit} {} ({span})", pick("stiffer", "softer"))
        }
        "shaft_length_mm" => {
            format!("shafts {by} {unit} {} ({span})", pick("longer", "shorter"))
        }
        _ => format!("{name} {span}"),
    }
}

/// Turns of a bolt that was turned, as people say them.
fn turns(v: f64) -> String {
    let quarters = round_i64(4.0 * v);
    if (4.0 * v - rounded(4.0 * v, 0)).abs() > 0.01 {
        return format!("{} turns", number(v, DECIMALS));
    }
    match quarters {
        1 => "a quarter turn".to_owned(),
        2 => "half a turn".to_owned(),
        3 => "three quarter turns".to_owned(),
        4 => "one turn".to_owned(),
        _ => format!("{} turns", number(v, 2)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::text::LengthUnit;

    #[test]
    fn changes_are_said_as_they_are_made() {
        let mm = |field, from, to| number_changed(field, [from, to], Locale::default());
        assert_eq!(
            mm("bolt_turns_out", 1.0, 1.5),
            "both limb bolts half a turn out (1 to 1.5 turns out)"
        );
        assert_eq!(
            mm("nocking_point_mm", 9.0, 8.0),
            "nocking point 1 mm lower (9 to 8 mm)"
        );
        assert_eq!(mm("point_gr", 100.0, 90.0), "point 100 to 90 gr");
        assert_eq!(
            mm("plunger_clicks", 0.0, -3.0),
            "plunger 3 clicks softer (0 to -3)"
        );
        let inches = Locale {
            lengths: LengthUnit::Inches,
            ..Locale::default()
        };
        assert_eq!(
            number_changed("nocking_point_mm", [25.4, 50.8], inches),
            "nocking point 1 in higher (1 to 2 in)"
        );
    }
}

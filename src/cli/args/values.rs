//! What is typed → values: numbers with units, dates.

use crate::record::When;
use crate::record::check::range_of;

/// Metres in a yard (exact, international yard of 1959).
const M_PER_YARD: f64 = 0.9144;

pub(in crate::cli) fn distance(text: &str) -> Result<f64, String> {
    let lower = text.trim().to_lowercase();
    let (number, metres) = if let Some(n) = lower.strip_suffix("yd") {
        (n, M_PER_YARD)
    } else {
        (lower.strip_suffix('m').unwrap_or(&lower), 1.0)
    };
    let metres = number
        .trim()
        .parse::<f64>()
        .map_err(|_| "give a number of metres, like 30, or yards, like 30yd".to_owned())?
        * metres;
    match range_of("distance_m") {
        Some(range) if !range.contains(&metres) => Err(format!(
            "give a distance between {} and {} m",
            range.start(),
            range.end()
        )),
        _ => Ok(crate::math::rounded(metres, 3)),
    }
}

/// A plain number.
pub(in crate::cli) fn number(text: &str) -> Result<f64, String> {
    measured(text, &[("", 1.0)], "a number")
}

/// Millimetres; inches by their unit.
pub(in crate::cli) fn length(text: &str) -> Result<f64, String> {
    let inch = crate::geometry::MM_PER_INCH;
    let units = [
        ("mm", 1.0),
        ("in", inch),
        ("\"", inch),
        ("cm", 10.0),
        ("", 1.0),
    ];
    measured(text, &units, "millimetres, like 737, or inches, like 29in")
}

/// Pounds-force; kilograms by their unit.
pub(in crate::cli) fn pounds(text: &str) -> Result<f64, String> {
    // 1 lb = 0.45359237 kg (exact)
    let units = [
        ("lb", 1.0),
        ("kg", 1.0 / 0.453_592_37),
        ("#", 1.0),
        ("", 1.0),
    ];
    measured(text, &units, "pounds, like 36, or kilograms, like 16kg")
}

/// Grains; grams by their unit.
pub(in crate::cli) fn grains(text: &str) -> Result<f64, String> {
    // 1 gr = 64.79891 mg (exact)
    let units = [("gr", 1.0), ("g", 1.0 / 0.064_798_91), ("", 1.0)];
    measured(text, &units, "grains, like 100, or grams, like 6.5g")
}

/// A list of numbers, with commas between.
pub(in crate::cli) fn numbers(text: &str) -> Result<Vec<f64>, String> {
    text.split(',').map(number).collect()
}

/// A number with one of these units, the empty one last.
pub(in crate::cli) fn measured(
    text: &str,
    units: &[(&str, f64)],
    wanted: &str,
) -> Result<f64, String> {
    let lower = text.trim().to_lowercase();
    let unit = units.iter().find(|(unit, _)| lower.ends_with(unit));
    unit.and_then(|(unit, size)| {
        let number = lower.strip_suffix(unit)?.trim().parse::<f64>().ok()?;
        // plain numbers as they were written
        let value = if (size - 1.0).abs() < 1e-12 {
            number
        } else {
            crate::math::rounded(number * size, 3)
        };
        value.is_finite().then_some(value)
    })
    .ok_or_else(|| format!("give {wanted}"))
}

/// No group is wider, mm: beyond this it is a slip.
const MAX_WIDTH_MM: f64 = 1000.0;

pub(in crate::cli) fn millimetres(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(mm) if mm > 0.0 && mm <= MAX_WIDTH_MM => Ok(mm),
        _ => Err(format!("give millimetres between 0 and {MAX_WIDTH_MM}")),
    }
}

pub(in crate::cli) fn pair(text: &str) -> Result<[f64; 2], String> {
    let number = |t: &str| t.trim().parse::<f64>().ok().filter(|v| v.is_finite());
    text.split_once(',')
        .and_then(|(x, y)| Some([number(x)?, number(y)?]))
        .ok_or_else(|| "give millimetres to the right and up, like 90,-20".to_owned())
}

/// A share as people say it: 50 to 99 percent.
pub(in crate::cli) fn percent(text: &str) -> Result<f64, String> {
    match text.trim().trim_end_matches('%').trim().parse::<f64>() {
        Ok(percent) if (50.0..=99.0).contains(&percent) => Ok(percent / 100.0),
        _ => Err("give a percentage from 50 to 99, like 80".to_owned()),
    }
}

pub(in crate::cli) fn date(text: &str) -> Result<String, String> {
    if When::parse(text).is_some() {
        Ok(text.to_owned())
    } else {
        Err("write it as 2026-05-03 or 2026-05-03T10:12:00+02:00".to_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_and_weights_take_their_usual_units() {
        assert_eq!(length("29in"), Ok(736.6));
        assert_eq!(length("737"), Ok(737.0));
        assert_eq!(length("-0.5"), Ok(-0.5));
        assert_eq!(pounds("16 kg"), Ok(35.274));
        assert_eq!(grains("6.5g"), Ok(100.31));
        assert_eq!(grains("100gr"), Ok(100.0));
        for bad in ["", "long", "3ft", "nan", "inf"] {
            assert!(length(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn distances_are_metres_or_yards() {
        assert_eq!(distance("30"), Ok(30.0));
        assert_eq!(distance("18m"), Ok(18.0));
        assert_eq!(distance("30yd"), Ok(27.432));
        for bad in ["", "far", "-3", "0", "1", "3000", "nan"] {
            assert!(distance(bad).is_err(), "{bad}");
        }
    }
}

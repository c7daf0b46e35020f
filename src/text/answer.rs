//! The answer in one line, for where there is room for no more.

use super::Locale;
use super::numbers::{capital, number, percent, within_certainty};
use super::terms::FaceSide;
use crate::advice::Axis;
use crate::reading::{HorizontalCall, Reading, VerticalCall};

/// "Weak, 97 % sure · height undecided": what is called first, then what isn't.
#[must_use]
pub fn answer(reading: &Reading) -> String {
    // why is too long for one line
    if reading.failure.is_some() || reading.offset.is_none() {
        return "Nothing to read yet".to_owned();
    }
    if reading.in_tune {
        return "In tune".to_owned();
    }
    let sure = |words: &str, p: Option<f64>| match p {
        Some(p) => format!(
            "{words}, {}",
            within_certainty(p, ["over", "under"], percent)
        ),
        None => words.to_owned(),
    };
    let h = &reading.horizontal;
    let across = match h.call {
        HorizontalCall::Weak => sure("weak", h.p_weak),
        HorizontalCall::Stiff => sure("stiff", h.p_stiff),
        HorizontalCall::Neutral => sure("left\u{2013}right in tune", h.p_neutral),
        HorizontalCall::Undecided => "left\u{2013}right undecided".to_owned(),
    };
    let side = matches!(h.call, HorizontalCall::Weak | HorizontalCall::Stiff);
    let v = &reading.vertical;
    let (height, height_called) = match v.call {
        VerticalCall::NockHigh => (sure("nock high", v.p_nock_high), true),
        VerticalCall::NockLow => (sure("nock low", v.p_nock_low), true),
        VerticalCall::Neutral => (sure("height in tune", v.p_neutral), false),
        VerticalCall::Undecided => ("height undecided".to_owned(), false),
    };
    let parts = if height_called && !side {
        [height, across]
    } else {
        [across, height]
    };
    // one "sure" says what all the percentages are
    let mut line = parts.join(" \u{b7} ");
    if let Some(at) = line.find(" %") {
        line.insert_str(at + 2, " sure");
    }
    capital(&line)
}

/// "The bare shafts land 103 mm to the right (likely 75 to 131) and 80 mm lower (likely 56 to 104) than the fletched ones at
/// 30 m." The ranges are one standard deviation to either side. `None` without an offset.
pub(crate) fn landing(reading: &Reading, locale: Locale) -> Option<String> {
    let offset = reading.offset.as_ref()?;
    let part = |axis: Axis, mm: f64, sd: f64| {
        let size = mm.abs();
        (size >= 0.5).then(|| {
            format!(
                "{} {} (likely {})",
                locale.length(size, 0),
                FaceSide::of(axis, mm).moved(),
                locale.range(size - sd, size + sd)
            )
        })
    };
    let parts: Vec<String> = [
        part(Axis::Horizontal, offset.x_mm, offset.sd_x_mm),
        part(Axis::Vertical, offset.y_mm, offset.sd_y_mm),
    ]
    .into_iter()
    .flatten()
    .collect();
    let at = reading.distance_m;
    let at = at.map_or_else(String::new, |m| format!(" at {} m", number(m, 1)));
    Some(if parts.is_empty() {
        format!("The bare shafts land where the fletched ones do{at}.")
    } else {
        format!(
            "Against the fletched ones the bare shafts land {}{at}.",
            parts.join(" and ")
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn reading(horizontal: &serde_json::Value, vertical: &serde_json::Value) -> Reading {
        let mut r = serde_json::to_value(crate::reading::read(&[])).expect("JSON");
        r["failure"] = json!(null);
        r["offset"] = json!({"x_mm": 80.0, "y_mm": 1.0, "sd_x_mm": 20.0, "sd_y_mm": 20.0, "cov_mm2": [[400.0, 0.0], [0.0, 400.0]]});
        r["horizontal"] = horizontal.clone();
        r["vertical"] = vertical.clone();
        serde_json::from_value(r).expect("a reading")
    }

    #[test]
    fn what_is_called_comes_first() {
        let open = json!({"call": "undecided", "p_high": 0.1, "p_low": 0.3, "p_neutral": 0.6});
        let weak = json!({"call": "weak", "p_weak": 0.97, "p_stiff": 0.0, "p_neutral": 0.03});
        assert_eq!(
            answer(&reading(&weak, &open)),
            "Weak, 97 % sure · height undecided"
        );
        let neutral = json!({"call": "neutral", "p_weak": 0.0, "p_stiff": 0.05, "p_neutral": 0.95});
        let high = json!({"call": "nock-high", "p_high": 0.89, "p_low": 0.0, "p_neutral": 0.11});
        assert_eq!(
            answer(&reading(&neutral, &high)),
            "Nock high, 89 % sure · left–right in tune, 95 %"
        );
    }

    #[test]
    fn nothing_is_wholly_certain() {
        let weak = json!({"call": "weak", "p_weak": 1.0, "p_stiff": 0.0, "p_neutral": 0.0});
        let open = json!({"call": "undecided", "p_high": 0.1, "p_low": 0.3, "p_neutral": 0.6});
        let words = answer(&reading(&weak, &open));
        assert!(words.starts_with("Weak, over 99 % sure"), "{words}");
    }
}

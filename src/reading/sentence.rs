//! The reading in one or two plain sentences.

use super::{HorizontalCall, Offset, Reading, VerticalCall};

/// Which way, how far, how sure, and what it means: one sentence on what was seen, one on what it says.
#[must_use]
pub fn sentence(reading: &Reading) -> String {
    if let Some(failure) = &reading.failure {
        return failure.text.clone();
    }
    let Some(offset) = &reading.offset else {
        return "There is nothing to read yet.".to_owned();
    };
    format!("{} {}", seen(offset, reading.distance_m), meaning(reading))
}

/// "On average the bare shafts hit 61 mm right of and 18 mm below the fletched ones at 30 m (± 11, ± 9)."
fn seen(offset: &Offset, distance_m: Option<f64>) -> String {
    let (x, y) = (offset.x_mm.round(), offset.y_mm.round());
    let right = if x > 0.0 { "right" } else { "left" };
    let above = if y > 0.0 { "above" } else { "below" };
    let level = |value: f64| value.abs() < 0.5;
    let place = match (level(x), level(y)) {
        (false, false) => format!(
            "{:.0} mm {right} of and {:.0} mm {above} the fletched ones",
            x.abs(),
            y.abs()
        ),
        (false, true) => format!(
            "{:.0} mm {right} of the fletched ones, at their height",
            x.abs()
        ),
        (true, false) => format!("{:.0} mm straight {above} the fletched ones", y.abs()),
        (true, true) => "where the fletched ones hit".to_owned(),
    };
    let distance = distance_m.map_or(String::new(), |distance| format!(" at {distance} m"));
    format!(
        "On average the bare shafts hit {place}{distance} (± {:.0}, ± {:.0}).",
        offset.sd_x_mm, offset.sd_y_mm
    )
}

fn meaning(reading: &Reading) -> String {
    let Some(tolerance) = reading.tolerance_mm else {
        return "Tell the distance to know what that means.".to_owned();
    };
    if reading.in_tune {
        return format!(
            "That is in tune: both left–right and height are within your tolerance of {tolerance:.0} mm."
        );
    }
    let both_neutral = reading.horizontal.call == HorizontalCall::Neutral
        && reading.vertical.call == VerticalCall::Neutral;
    if both_neutral {
        // in tune needs 30 m and both axes together
        return if reading
            .cautions
            .iter()
            .any(|note| note.code == "short-distance")
            || reading.more_shots.is_none()
        {
            format!(
                "Left–right and height are each within your tolerance of {tolerance:.0} mm, as far as this distance can show."
            )
        } else {
            format!(
                "Left–right and height are each within your tolerance of {tolerance:.0} mm, but it isn't yet sure of both \
                 together."
            )
        };
    }
    let (across, upright) = (horizontal(reading, tolerance), vertical(reading, tolerance));
    format!("{across}; {upright}.")
}

fn horizontal(reading: &Reading, tolerance: f64) -> String {
    let h = &reading.horizontal;
    let (Some(weak), Some(stiff), Some(neutral)) = (h.p_weak, h.p_stiff, h.p_neutral) else {
        return "Tell the drawing hand to know what left and right mean".to_owned();
    };
    match h.call {
        HorizontalCall::Weak => format!(
            "That {} weak ({} beyond the tolerance of {tolerance:.0} mm)",
            Grade::of(weak).reads(),
            percent(weak)
        ),
        HorizontalCall::Stiff => format!(
            "That {} stiff ({} beyond the tolerance of {tolerance:.0} mm)",
            Grade::of(stiff).reads(),
            percent(stiff)
        ),
        HorizontalCall::Neutral => format!(
            "Left and right are within your tolerance of {tolerance:.0} mm ({})",
            percent(neutral)
        ),
        HorizontalCall::Undecided => format!(
            "Left and right aren't decided yet: {}",
            leaning([
                (weak, "weak"),
                (stiff, "stiff"),
                (neutral, "within tolerance")
            ])
        ),
    }
}

fn vertical(reading: &Reading, tolerance: f64) -> String {
    let v = &reading.vertical;
    let (Some(high), Some(low), Some(neutral)) = (v.p_high, v.p_low, v.p_neutral) else {
        return "the height isn't read".to_owned();
    };
    match v.call {
        VerticalCall::NockLow => format!(
            "the nocking point {} too low ({} beyond {tolerance:.0} mm)",
            Grade::of(low).reads(),
            percent(low)
        ),
        VerticalCall::NockHigh => format!(
            "the nocking point {} too high ({} beyond {tolerance:.0} mm)",
            Grade::of(high).reads(),
            percent(high)
        ),
        VerticalCall::Neutral => {
            format!("the height is within your tolerance ({})", percent(neutral))
        }
        VerticalCall::Undecided => format!(
            "the height isn't decided yet: {}",
            leaning([
                (low, "nocking point too low"),
                (high, "nocking point too high"),
                (neutral, "within tolerance"),
            ])
        ),
    }
}

/// How firmly a side is said. A side is called by its odds against the other side; that it lies beyond the tolerance can then
/// still be little more likely than not.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Grade {
    /// As good as sure.
    Firm,
    /// Three times in four or more.
    Probable,
    /// Likelier than not.
    Possible,
}

impl Grade {
    /// By the probability of lying beyond the tolerance on that side.
    pub(crate) fn of(probability: f64) -> Self {
        match probability {
            p if p >= 0.9 => Self::Firm,
            p if p >= 0.75 => Self::Probable,
            _ => Self::Possible,
        }
    }

    const fn reads(self) -> &'static str {
        match self {
            Self::Firm => "reads",
            Self::Probable => "probably reads",
            Self::Possible => "perhaps reads",
        }
    }
}

/// "leans to weak (64 %), within tolerance 36 %".
fn leaning(mut outcomes: [(f64, &str); 3]) -> String {
    outcomes.sort_by(|a, b| b.0.total_cmp(&a.0));
    format!(
        "it leans to {} ({}), against {} {}",
        outcomes[0].1,
        percent(outcomes[0].0),
        outcomes[1].1,
        percent(outcomes[1].0)
    )
}

/// Never "0 %" or "100 %": nothing is that sure.
fn percent(probability: f64) -> String {
    let value = 100.0 * probability;
    if value > 99.0 {
        "over 99 %".to_owned()
    } else if value < 1.0 {
        "under 1 %".to_owned()
    } else {
        format!("{value:.0} %")
    }
}

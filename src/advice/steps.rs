//! From what was chosen to the steps of the advice.

use super::choose::Choice;
use super::knowledge::{Axis, Knowledge};
use super::moves::{present, setting_of};
use super::situation::{AxisState, Situation};
use super::trials::sign;
use super::{Change, Expect, Step, VerifyWhen, cautions, words};
use crate::math::rounded;
use crate::reading::Assumptions;
use crate::record::{Hand, Setup};

/// Pairs asked for where the reading makes no forecast: an end of three and three.
const USUAL_PAIRS: u32 = 3;
/// Pairs to verify with: two ends of three and three.
const VERIFY_PAIRS: u32 = 6;

/// Mean and variance at a distance of a shift known at 30 m (the inverse of the reading's projection to 30 m).
pub(super) fn from_30m(mean: f64, variance: f64, distance_m: f64, a: &Assumptions) -> (f64, f64) {
    let factor = distance_m / a.reference_distance_m;
    if a.is_full_distance(distance_m) {
        return (mean * factor, variance * factor * factor);
    }
    let l = factor.ln();
    let [power, sd] = a.growth_power;
    let spread = sd * sd * l * l;
    let first = (power * l + spread / 2.0).exp();
    let second = (2.0 * power * l + 2.0 * spread).exp();
    (
        mean * first,
        variance * second + mean * mean * (second - first * first),
    )
}

/// An empty step of this change.
fn blank(change: Change) -> Step {
    Step {
        change,
        amount: None,
        unit: None,
        setting: None,
        from: None,
        to: None,
        bolt_quarter_turns: None,
        pairs: None,
        distance_m: None,
        when: None,
        detail: String::new(),
        expect: None,
        reversible: true,
        why: String::new(),
        cautions: Vec::new(),
    }
}

/// Whether a change can be taken back.
fn reversible(change: Change) -> bool {
    change != Change::ShaftLength
}

/// The shift to expect at the distance shot.
fn expect(choice: &Choice, situation: &Situation, k: &Knowledge) -> Option<Expect> {
    let assumptions = Assumptions::embedded().ok()?;
    let at = |mean, variance| from_30m(mean, variance, situation.distance_m, &assumptions);
    let (mean, variance) = at(choice.shift_mm, choice.told_mm2);
    let sd = |v: f64| Some(rounded(v.sqrt(), 1));
    Some(match choice.axis {
        Axis::Vertical => Expect {
            x_mm: 0.0,
            y_mm: rounded(mean, 1),
            sd_x_mm: None,
            sd_y_mm: sd(variance),
        },
        Axis::Horizontal => Expect {
            x_mm: rounded(mean * situation.hand.map_or(1.0, sign), 1),
            y_mm: 0.0,
            sd_x_mm: sd(variance),
            sd_y_mm: sd((k.learning.cross_share * mean).powi(2)),
        },
    })
}

/// The step of a choice.
pub(super) fn of_choice(choice: &Choice, situation: &Situation, k: &Knowledge) -> Step {
    let change = choice.change;
    let setup = &situation.setup;
    let from = present(setup, change);
    let decimals = if change == Change::DrawWeight { 2 } else { 3 };
    let amount = rounded(choice.step.amount, decimals);
    let mut step = Step {
        amount: Some(amount),
        unit: k.lever(change).map(|l| l.unit.clone()),
        setting: setting_of(change).map(str::to_owned),
        from,
        to: from.map(|from| rounded(from + amount, 4)),
        bolt_quarter_turns: choice.step.quarter_turns,
        expect: expect(choice, situation, k),
        reversible: reversible(change),
        ..blank(change)
    };
    step.detail = words::detail(&step, choice.spines);
    step.why = why(choice, situation);
    step.cautions.extend(cautions::look_up(&choice.look_up));
    step.cautions
        .extend(cautions::of_step(&step, arrow_weight_known(setup)));
    step
}

/// The step of a choice that is made together with `next`.
pub(super) fn together(
    choice: &Choice,
    next: &Choice,
    situation: &Situation,
    k: &Knowledge,
) -> Step {
    let mut step = of_choice(choice, situation, k);
    let Some(state) = state_of(choice.axis, situation).filter(|_| choice.axis == next.axis) else {
        return step;
    };
    let both = choice.shift_mm + next.shift_mm;
    let towards = match words::side(choice.axis, both, situation.hand) {
        "high" => "up",
        "low" => "down",
        "right" => "to the right",
        _ => "to the left",
    };
    let reason = if choice.shift_mm * next.shift_mm < 0.0 {
        "which alone would probably go past the middle: this takes part of it back"
    } else {
        "since neither goes far enough alone"
    };
    step.why = format!(
        "{} Made together with the other change, {reason}. Both together should bring the bare shafts about {:.0} mm {towards} at \
         30 m. {}",
        seen(state, situation),
        both.abs(),
        words::otherwise(choice.change)
    );
    step
}

/// Whether the weight of the arrow is told well enough to be held against the draw weight.
fn arrow_weight_known(setup: &Setup) -> bool {
    super::exchange::arrow_grains(setup).is_some() && setup.draw_weight_lb.is_some()
}

fn state_of(axis: Axis, situation: &Situation) -> Option<&AxisState> {
    match axis {
        Axis::Vertical => Some(&situation.v),
        Axis::Horizontal => situation.u.as_ref(),
    }
}

/// What was seen, what it means, why this helps, and what it means if it doesn't come.
fn why(choice: &Choice, situation: &Situation) -> String {
    let mut parts = Vec::new();
    if let Some(state) = state_of(choice.axis, situation) {
        parts.push(seen(state, situation));
    }
    if choice.spines.is_some() {
        parts.push(WRONG_SPINE.to_owned());
    }
    if let Some([now, then]) = choice.tweak {
        parts.push(format!(
            "That is near the middle, but showing it in tune from here would take about {} more; with this small step, which \
             can be taken back, about {}.",
            words::ends(now),
            words::ends(then)
        ));
    }
    parts.push(words::reason(choice.change, choice.step.amount > 0.0).to_owned());
    if let Some(p) = choice.past_zero {
        parts.push(format!(
            "The chance that this goes past the middle is {:.0} %.",
            100.0 * p
        ));
    }
    parts.push(words::otherwise(choice.change).to_owned());
    parts.join(" ")
}

fn seen(state: &AxisState, situation: &Situation) -> String {
    format!(
        "The bare shafts land {}: {}.",
        words::offset(state, situation.hand),
        words::meaning(state, situation.tolerance_mm)
    )
}

/// Where the reading that stands above a step doesn't say the same as what the step is made on: why.
pub(super) fn beside_reading(axis: Axis, situation: &Situation) -> Option<String> {
    let state = state_of(axis, situation)?;
    let parts = [undecided(state, situation), reckoned(state, situation)];
    let said: Vec<String> = parts.into_iter().flatten().collect();
    (!said.is_empty()).then(|| said.join(" "))
}

/// The reading hasn't decided this axis, yet a change is worth it.
fn undecided(state: &AxisState, situation: &Situation) -> Option<String> {
    use crate::reading::{HorizontalCall, VerticalCall};
    let open = match state.axis {
        Axis::Horizontal => situation.reading.horizontal.call == HorizontalCall::Undecided,
        Axis::Vertical => situation.reading.vertical.call == VerticalCall::Undecided,
    };
    // a small step near the middle says why it is worth it itself
    let out = state.inside < 0.5;
    (open && out).then(|| {
        format!(
            "The reading hasn't decided this yet; but that the bare shafts lie to this side is {:.0} % likely, which is enough to \
             change something rather than shoot more as it is.",
            100.0 * state.offset.side().min(0.99)
        )
    })
}

/// A smaller difference between the offset of the reading and that of the step isn't worth a word, mm.
const DIFFERENCE_SAID_MM: f64 = 3.0;

/// The offset here is not that of the reading: from what else it is reckoned.
fn reckoned(state: &AxisState, situation: &Situation) -> Option<String> {
    let read = situation.reading.offset?;
    let assumptions = Assumptions::embedded().ok()?;
    let (mm, way) = match state.axis {
        Axis::Vertical => (read.y_mm, words::side(Axis::Vertical, read.y_mm, None)),
        Axis::Horizontal => (
            read.x_mm,
            words::side(Axis::Horizontal, read.x_mm, Some(Hand::Right)),
        ),
    };
    let sign = match state.axis {
        Axis::Vertical => 1.0,
        Axis::Horizontal => situation.hand.map_or(1.0, sign),
    };
    let here = from_30m(state.offset.mean, 0.0, situation.distance_m, &assumptions).0;
    let short = !assumptions.is_full_distance(situation.distance_m);
    if (here - sign * mm).abs() < DIFFERENCE_SAID_MM && !short {
        return None;
    }
    let earlier = state
        .trials
        .iter()
        .rev()
        .skip(1)
        .any(|t| t.observed.is_some());
    let because = if short {
        "that is at the distance shot, this what it probably is at 30 m"
    } else if earlier {
        "that is from this set-up's ends alone, this from the ends before the changes too"
    } else {
        "that also weighs how far bows usually are out, this goes by this bow's shots alone"
    };
    Some(format!(
        "(The reading says {:.0} mm {way}: {because}.)",
        mm.abs()
    ))
}

/// Said where the shafts are the wrong ones.
const WRONG_SPINE: &str = "So far out that no other change would do: change the shafts before anything else, after checking \
                           that the spine printed on them is what the set-up says.";

/// The step where the set-up isn't told: which lever, which way, and what to find out.
pub(super) fn of_unknown(change: Change, axis: Axis, situation: &Situation, k: &Knowledge) -> Step {
    let mut step = Step {
        unit: k.lever(change).map(|l| l.unit.clone()),
        setting: setting_of(change).map(str::to_owned),
        reversible: reversible(change),
        ..blank(change)
    };
    let Some(state) = state_of(axis, situation) else {
        return step;
    };
    let up = state.direction(change).is_some_and(|d| d > 0.0);
    step.detail = words::detail_unknown(change, up);
    step.why = format!(
        "{} {} {} The bare shafts should come {}. {}",
        seen(state, situation),
        words::reason(change, up),
        words::usual_first_step(change),
        match words::side(axis, -state.offset.mean, situation.hand) {
            "high" => "up",
            "low" => "down",
            "right" => "to the right",
            _ => "to the left",
        },
        words::otherwise(change)
    );
    step.cautions
        .extend(cautions::look_up(&[words::find_out(change)]));
    // which way it goes decides the cautions
    let directed = Step {
        amount: Some(if up { 1.0 } else { -1.0 }),
        ..step.clone()
    };
    step.cautions.extend(cautions::of_step(&directed, false));
    step
}

/// The step where the spine is wrong and none can be named.
pub(super) fn of_wrong_spine(
    spines: Option<[f64; 2]>,
    situation: &Situation,
    k: &Knowledge,
) -> Step {
    let change = Change::ShaftSpine;
    let mut step = of_unknown(change, Axis::Horizontal, situation, k);
    step.cautions.retain(|n| n.code != "setup-incomplete");
    if let Some([low, high]) = spines {
        step.from = present(&situation.setup, change);
        step.detail = format!(
            "Other shafts: spine {} to {} is worth trying; none of those owned or obtainable goes that way",
            words::number((low / 5.0).round() * 5.0, 0),
            words::number((high / 5.0).round() * 5.0, 0)
        );
    } else {
        step.cautions
            .extend(cautions::look_up(&[words::find_out(change)]));
    }
    step.why = format!("{WRONG_SPINE} {}", step.why);
    step
}

/// A phrase as a sentence: capital letter and full stop.
fn sentence_of(phrase: &str) -> String {
    let mut letters = phrase.trim().trim_end_matches('.').chars();
    letters.next().map_or_else(String::new, |first| {
        format!("{}{}.", first.to_uppercase(), letters.as_str())
    })
}

/// More shots, nothing changed.
pub(super) fn shoot_more(situation: &Situation) -> Step {
    let forecast = situation.reading.more_shots.as_ref();
    let pairs = forecast.and_then(|m| m.pairs).unwrap_or(USUAL_PAIRS).max(1);
    let why = forecast.map_or_else(
        || {
            "The shots so far don't decide which way the bow is out, or that it is in tune."
                .to_owned()
        },
        |m| {
            let why = sentence_of(&m.why);
            if m.pairs.is_some() {
                why
            } else {
                format!("{why} More ends still show what the scatter really is, and with it what can be told.")
            }
        },
    );
    let mut detail = shoot_more_words(pairs, &words::number(situation.distance_m, 1));
    if situation
        .reading
        .cautions
        .iter()
        .any(|c| c.code == "unconfirmed")
    {
        detail = format!(
            "First look at the entries that are in doubt and were left out. Then: {detail}"
        );
    }
    let mut step = Step {
        amount: Some(f64::from(pairs)),
        unit: Some("pairs".to_owned()),
        pairs: Some(pairs),
        detail,
        why,
        ..blank(Change::ShootMore)
    };
    step.cautions = cautions::of_step(&step, true);
    step
}

/// So many pairs are shot at a stretch (two ends of three); beyond that the archer looks again in between.
const PAIRS_AT_A_STRETCH: u32 = 6;

fn shoot_more_words(pairs: u32, distance_m: &str) -> String {
    if pairs > PAIRS_AT_A_STRETCH {
        return format!(
            "Change nothing yet; shoot the next end from {distance_m} m, bare and fletched in turn, and ask again. It may take several \
             ends: about {pairs} more shots of each kind, as it looks now"
        );
    }
    format!(
        "Change nothing; shoot {} more bare {} and as many fletched arrows from {distance_m} m, one of each in turn",
        words::count(i64::from(pairs)),
        if pairs == 1 { "shaft" } else { "shafts" },
    )
}

/// Nothing changed, looked at again.
pub(super) fn verify(situation: &Situation, when: VerifyWhen) -> Step {
    let (distance_m, detail, why) = match when {
        VerifyWhen::Now => (
            30.0,
            format!(
                "In tune as far as {} m can show: shoot {} of each kind at 30 m",
                words::number(situation.distance_m, 1),
                words::count(i64::from(VERIFY_PAIRS))
            ),
            "Left–right and height are both within the tolerance, but a bow can look in tune at a short distance and not be \
             at 30 m.",
        ),
        VerifyWhen::AnotherDay => (
            situation.distance_m,
            format!(
                "In tune. Change nothing, and shoot {} of each kind again on another day",
                words::count(i64::from(VERIFY_PAIRS))
            ),
            "Left–right and height are both within the tolerance. Form differs from day to day; if another day shows the same, \
             leave the bow alone.",
        ),
    };
    let mut step = Step {
        amount: Some(f64::from(VERIFY_PAIRS)),
        unit: Some("pairs".to_owned()),
        pairs: Some(VERIFY_PAIRS),
        distance_m: Some(distance_m),
        when: Some(when),
        detail,
        why: why.to_owned(),
        ..blank(Change::Verify)
    };
    step.cautions = cautions::of_step(&step, true);
    step
}

/// Nothing more to do: in tune on more than one day.
pub(super) fn nothing_in_tune() -> Step {
    Step {
        detail: "In tune, on more than one day: leave the bow alone".to_owned(),
        why: "Left–right and height are both within the tolerance. Look again when shafts, string or form have changed."
            .to_owned(),
        ..blank(Change::None)
    }
}

/// Nothing left within the limits.
pub(super) fn nothing_left(axes: &[Axis], situation: &Situation) -> Step {
    let left: Vec<String> = axes
        .iter()
        .filter_map(|&axis| state_of(axis, situation))
        .map(|state| seen(state, situation))
        .collect();
    Step {
        detail: "Nothing that may be changed on this set-up brings the bare shafts nearer"
            .to_owned(),
        why: left.join(" "),
        ..blank(Change::None)
    }
}

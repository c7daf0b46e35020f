//! The chain from reading to step, with the numbers used and where each comes from.

use super::advise::{AdviceOptions, axis_name};
use super::choose::{Choice, Decision, decide};
use super::exchange::{exchange, missing};
use super::knowledge::{Axis, Knowledge, knowledge};
use super::moves::Moves;
use super::situation::{AxisState, Situation};
use super::trials::Readings;
use super::{Change, cautions, words};
use crate::geometry::MM_PER_INCH;
use crate::reading::{Assumptions, sentence};
use crate::record::History;

/// Why the advice is what it is, one line a thought; each number is marked physics, assumption, common practice or learned.
#[must_use]
pub fn explain(history: &History, options: &AdviceOptions) -> Vec<String> {
    let k = knowledge();
    let situation = match Situation::of(history, k, &mut Readings::default()) {
        Ok(situation) => situation,
        Err(Some(reading)) => return vec![sentence(&reading)],
        Err(None) => return vec!["No record can be used.".to_owned()],
    };
    let mut lines = vec![sentence(&situation.reading)];
    lines.extend(distance(&situation));
    lines.push(format!(
        "Tolerance at 30 m: {:.0} mm on each axis ({}).",
        situation.tolerance_mm,
        if situation.setup.tolerance_30m_mm.is_some() {
            "the archer's own"
        } else {
            "assumption, on common practice"
        }
    ));
    for state in situation.axes() {
        lines.push(posterior(state, &situation));
    }
    lines.extend(physics(&situation));
    for state in situation.axes() {
        lines.extend(state.slopes.iter().map(|s| slope(state, s.change, k)));
    }
    if !situation.unknown {
        lines.push(format!("Bolts: {}.", words::bolts_rate(&situation, k)));
    }
    lines.extend(decision(
        &decide(&situation, options.both, k),
        &situation,
        k,
    ));
    lines
}

fn distance(situation: &Situation) -> Option<String> {
    (!situation.full_distance).then(|| {
        format!(
            "Shot at {} m only: carried to 30 m with offset growing as distance to the power 1.1 ± 1.0 (physics, loosely known), \
             so it may name a side, but neither \"in tune\" nor a cut.",
            words::number(situation.distance_m, 1)
        )
    })
}

fn posterior(state: &AxisState, situation: &Situation) -> String {
    let runs = state.trials.iter().filter(|t| t.observed.is_some()).count();
    format!(
        "Now, {}: the bare shafts land {}; probability of lying inside the tolerance {:.0} %, of this side {:.0} % (from {}).",
        axis_name(state.axis),
        words::offset(state, situation.hand),
        100.0 * state.inside,
        100.0 * state.offset.side(),
        if runs > 1 {
            format!(
                "this set-up and {} before it: learned",
                words::count(runs as i64 - 1)
            )
        } else {
            "this set-up alone".to_owned()
        },
    )
}

fn physics(situation: &Situation) -> Vec<String> {
    let Some(rates) = exchange(&situation.setup) else {
        let lacking: Vec<&str> = missing(&situation.setup).iter().map(|m| m.1).collect();
        let why = if lacking.is_empty() {
            "by the settings told the shaft would buckle at full draw or has no stroke".to_owned()
        } else {
            format!("the set-up doesn't tell {}", lacking.join(", "))
        };
        return vec![format!(
            "Exchange rates by physics: not worked out, since {why}. The priors stand instead."
        )];
    };
    let pounds = |change, n: f64| {
        rates
            .in_pounds(change)
            .map_or_else(String::new, |lb| words::number(lb.abs() * n, 2))
    };
    let mut lines = vec![format!(
        "Physics: the arrow swings {:.3} times while the string drives it. For this set-up 1/4 in of length does as much as {} lb, \
         10 gr at the point as {} lb, 10 gr at the nock as {} lb the other way, 50 of spine as {} lb (point and nock only to a \
         factor of three and two).",
        rates.index,
        pounds(Change::ShaftLength, MM_PER_INCH / 4.0),
        pounds(Change::PointWeight, 10.0),
        pounds(Change::RearWeight, 10.0),
        pounds(Change::ShaftSpine, 50.0),
    )];
    if let Some(hz) = rates.free_free_hz {
        lines.push(format!(
            "Physics: in flight the bare shaft swings at {hz:.0} Hz (free–free with its end masses); this decides nothing."
        ));
    }
    if let Some(ln_q) = rates.fletched_less_bare.filter(|d| d.abs() > 0.002) {
        let mm = knowledge().scale.mm_per_unit_log_index * ln_q;
        lines.push(format!(
            "Physics: the fletched arrows' nock end differs in weight from the bare shafts'; that alone is worth about {:.0} mm \
             to the {} side of the bare shafts. Tape on the bare shafts takes it away.",
            mm.abs(),
            if mm > 0.0 { "weak" } else { "stiff" }
        ));
    }
    lines
}

fn slope(state: &AxisState, change: Change, k: &Knowledge) -> String {
    let (Some(prior), Some(beta)) = (state.slope(change), state.beta(change)) else {
        return String::new();
    };
    let log_sd = prior.log_sd(k.scale.log_sd);
    let sd = beta.ln_variance.sqrt();
    let moved = sd < 0.97 * log_sd || (beta.median / prior.median_mm).ln().abs() > 0.02;
    let learned = if moved {
        format!(
            "; learned on this bow: {} mm, a factor of {:.2} either way",
            words::number(beta.median, 1),
            sd.exp()
        )
    } else {
        String::new()
    };
    format!(
        "One {} of {}: {} mm at 30 m, a factor of {:.2} either way ({}){learned}.",
        match prior.unit.as_str() {
            "clicks" => "click",
            "spine" => "unit of spine",
            unit => unit,
        },
        cautions::plain(change),
        words::number(prior.median_mm, 1),
        log_sd.exp(),
        if prior.mark == "physics" {
            "physics, on a scale of common practice"
        } else {
            prior.mark.as_str()
        }
    )
}

fn decision(decision: &Decision, situation: &Situation, k: &Knowledge) -> Vec<String> {
    let p = &k.policy;
    match decision {
        Decision::Done { .. } => vec![format!(
            "Both axes lie inside the tolerance with {:.0} % together, shown by this set-up's own ends at 30 m or more: in tune.",
            100.0 * situation.axes().map(|s| s.inside).product::<f64>()
        )],
        Decision::VerifyAtFullDistance => {
            vec!["Both axes are neutral, but at a distance that can't show more.".to_owned()]
        }
        Decision::ShootMore => vec![format!(
            "No axis is out with enough certainty for a change (inside the tolerance below {:.0} % and one side above {:.0} %), \
             in tune isn't shown, and no small change would show it clearly sooner (looking {} ends ahead): shoot more.",
            100.0 * p.wants_inside,
            100.0 * p.wants_side,
            p.horizon_ends
        )],
        Decision::AtLimits { axes } => {
            let mut lines = vec![];
            for state in situation.axes().filter(|s| axes.contains(&s.axis)) {
                lines.extend(skipped(state, situation, None, k));
            }
            lines.push("Nothing is left within the limits.".to_owned());
            lines
        }
        Decision::Unknown { .. } => {
            vec!["No set-up is told: the change is named, its size is not.".to_owned()]
        }
        Decision::WrongSpine { .. } => {
            vec!["Beyond 600 mm: the spine is wrong (common practice).".to_owned()]
        }
        Decision::Change { next, also, .. } => {
            let mut lines = Vec::new();
            if let Some(state) = situation.axes().find(|s| s.axis == next.axis) {
                if next.spines.is_none() {
                    lines.extend(skipped(state, situation, Some(next), k));
                }
                lines.push(size(next, state, situation));
            }
            for choice in also {
                let Some(state) = situation.axes().find(|s| s.axis == choice.axis) else {
                    continue;
                };
                lines.push(if choice.axis == next.axis {
                    format!(
                        "Together with it: {} by {} {}, which brings {:.0} mm {} (sd {:.0}); both leave about {:.0} mm.",
                        cautions::plain(choice.change),
                        words::number(choice.step.amount, 2),
                        state.slope(choice.change).map_or("", |s| s.unit.as_str()),
                        choice.shift_mm.abs(),
                        if choice.shift_mm * next.shift_mm < 0.0 { "the other way" } else { "more" },
                        choice.told_mm2.sqrt(),
                        (state.offset.mean + next.shift_mm + choice.shift_mm) * state.offset.mean.signum()
                    )
                } else {
                    format!("Together with it. {}", size(choice, state, situation))
                });
            }
            lines
        }
    }
}

/// Levers that come before the chosen one in the trade's order, and why each isn't it.
fn skipped(
    state: &AxisState,
    situation: &Situation,
    chosen: Option<&Choice>,
    k: &Knowledge,
) -> Vec<String> {
    let order: &[Change] = match state.axis {
        Axis::Vertical if state.offset.mean.abs() < k.policy.rest_up_to_mm => {
            &[Change::RestHeight, Change::NockingPoint]
        }
        Axis::Vertical => &[Change::NockingPoint, Change::RestHeight],
        Axis::Horizontal => &[
            Change::DrawWeight,
            Change::ShaftLength,
            Change::PointWeight,
            Change::Plunger,
            Change::RearWeight,
            Change::ShaftSpine,
        ],
    };
    order
        .iter()
        .take_while(|&&change| Some(change) != chosen.map(|c| c.change))
        .map(|&change| {
            format!(
                "Not {}: {}.",
                cautions::plain(change),
                obstacle(
                    state,
                    situation,
                    change,
                    chosen.is_some_and(|c| c.tweak.is_some()),
                    k
                )
            )
        })
        .collect()
}

fn obstacle(
    state: &AxisState,
    situation: &Situation,
    change: Change,
    tweak: bool,
    k: &Knowledge,
) -> String {
    let kept = situation.setup.keep.iter().flatten();
    if kept.into_iter().any(|keep| keep == words::name(change)) {
        return "the archer keeps it as it is".to_owned();
    }
    let direction = state.direction(change).unwrap_or(0.0);
    if situation.blocked(state, change, direction) {
        return "its last move that way contradicted what was to be expected".to_owned();
    }
    let Moves { steps, .. } = situation.towards_zero(state, change, k);
    if steps.is_empty() {
        return match change {
            Change::ShaftLength if direction > 0.0 => "longer shafts would have to be new ones",
            Change::ShaftLength => "no shortest safe length is told, or it is reached",
            Change::ShaftSpine | Change::PointWeight | Change::RearWeight => {
                "none that goes this way is owned, obtainable or known"
            }
            _ => "it is at its limit",
        }
        .to_owned();
    }
    match change {
        Change::ShaftLength => {
            return format!(
                "a cut is only for a clearly weak arrow, shown at 30 m or more, with at most {:.0} % risk of going past the middle",
                100.0 * k.policy.cut_past_zero
            );
        }
        _ if tweak => "it would not show the bow in tune clearly sooner",
        Change::ShaftSpine => {
            "its overshoot could not be taken back with what is left, or it isn't shown at 30 m"
        }
        Change::Plunger => "the point comes first above 60 mm",
        _ => "its smallest step is too much for what is left",
    }
    .to_owned()
}

/// How far a change goes, and why so far.
fn size(choice: &Choice, state: &AxisState, situation: &Situation) -> String {
    let beta = state.beta(choice.change);
    let each = beta.map_or(0.0, |b| b.mean());
    let sign = state.offset.mean.signum();
    let assumptions = Assumptions::embedded().ok();
    let here = assumptions.map(|a| {
        super::steps::from_30m(choice.shift_mm, choice.told_mm2, situation.distance_m, &a)
    });
    format!(
        "Chosen: {} by {} {}. {:.0} mm to go; one unit brings {} mm on average, so this brings {:.0} mm at 30 m (sd {:.0}){}, \
         and leaves about {:.0} mm{}.",
        cautions::plain(choice.change),
        words::number(choice.step.amount, 2),
        state.slope(choice.change).map_or("", |s| s.unit.as_str()),
        state.offset.mean.abs(),
        words::number(each, 1),
        choice.shift_mm.abs(),
        choice.told_mm2.sqrt(),
        here.filter(|_| !situation.full_distance)
            .map_or_else(String::new, |(mean, _)| format!(
                ", {:.0} mm at {} m",
                mean.abs(),
                words::number(situation.distance_m, 1)
            )),
        (state.offset.mean + choice.shift_mm) * sign,
        choice.past_zero.map_or_else(String::new, |p| format!(
            "; risk of going past the middle {:.0} %",
            100.0 * p
        ))
    ) + &choice.tweak.map_or_else(String::new, |[now, then]| {
        format!(
            " To show it in tune would take about {} more as it is, and about {} after this (looking ahead over offsets as likely \
             as they are now).",
            words::ends(now),
            words::ends(then)
        )
    })
}

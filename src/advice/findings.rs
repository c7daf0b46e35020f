//! Facts about the newest set-up's ends, and the changes before them, that decide which kind of step is permitted.

use super::interventions::{RunObservation, within_tuning_distance};
use super::knowledge::{Knowledge, StepRules};
use super::swapped_tags::SwappedTags;
use crate::math::{median, rounded};
use crate::reading::{Analysis, Assumptions, EntryExclusion, HorizontalCall, Reading, Shot};
use crate::record::{ArrowKind, Comparison, History, Lever, Missed, Run, Setup, compare};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// Facts that decide which kind of step is permitted; the limits on them are [`StepRules`].
#[derive(Clone, Debug, Default)]
pub(super) struct Findings {
    /// Shots that count, of ends that count for tuning.
    pub(super) fletched: u32,
    pub(super) bare: u32,
    /// Ends that hold both kinds.
    pub(super) ends: usize,
    /// Entries that nobody has confirmed.
    pub(super) unconfirmed: usize,
    /// Shots that landed with the other kind.
    pub(super) swapped: SwappedTags,
    /// The tags were checked at any time.
    pub(super) tags_checked: bool,
    /// Codes of the checks made since the newest change, with nothing found.
    checked: BTreeSet<String>,
    /// Whether the masses of these shafts were checked at any time.
    mass_checked: bool,
    /// All ends were shot from farther than tuning can be read from.
    pub(super) too_far: bool,
    /// What was shot from where a cut can be decided.
    pub(super) for_cut: CutFindings,
    /// Bare shafts that missed the boss, where too few landed on it.
    pub(super) missed: Option<MissedBare>,
    /// Scatter per axis of the wider group in the end with the tightest groups, mm at 30 m.
    pub(super) group_sd_mm: Option<f64>,
    /// The same in the middle of the ends with earlier set-ups, where there are enough of them.
    pub(super) earlier_sd_mm: Option<f64>,
    /// Something makes an offset near zero less certain than the shots say: few bare shafts an end, many bad shots or wrong
    /// tags among them, groups that have grown.
    pub(super) is_doubtful: bool,
    /// Scatter now over that before the newest change.
    pub(super) scatter_ratio: Option<f64>,
    /// Spines of all shafts shot on this bow.
    pub(super) spines: Vec<f64>,
    /// Levers of one axis that were adjusted together before the newest ends, so that their effects can't be separated.
    pub(super) confounded_levers: Vec<Lever>,
    /// The set-up is that of an earlier run again.
    pub(super) is_return: bool,
    /// Bare rear weight minus fletched, gr.
    pub(super) mass_gr: Option<f64>,
    /// Lean of the bare shafts against the fletched, degrees, where it stands out.
    pub(super) crooked_deg: Option<f64>,
    /// The lean speaks against the call.
    pub(super) lean_contradicts: bool,
    /// Middle of the fletched group on the face, mm, where it is clearly off.
    pub(super) fletched_middle_mm: Option<[f64; 2]>,
    /// The set-up nearest to tune so far.
    pub(super) best: Option<BestSetup>,
}

/// What was shot from where a cut can be decided, and from where else.
#[derive(Clone, Debug, Default)]
pub(super) struct CutFindings {
    pub(super) fletched: u32,
    pub(super) bare: u32,
    pub(super) ends: usize,
    /// Left and right are decided there.
    pub(super) decided: bool,
    /// Probability of the likelier side.
    pub(super) p_side: Option<f64>,
    /// A distance out of range, where all are.
    pub(super) elsewhere_m: Option<f64>,
}

impl CutFindings {
    fn of(groups: &[&Analysis], rules: &StepRules) -> Self {
        let [least, most] = rules.distance_m;
        let in_range = |r: &Reading| r.distance_m.is_some_and(|d| (least..=most).contains(&d));
        let mut all = Self::default();
        for group in groups {
            let r = &group.reading;
            if !in_range(r) {
                all.elsewhere_m = r.distance_m;
                continue;
            }
            all.fletched += r.fletched;
            all.bare += r.bare;
            all.ends += ends_of_both(group);
            all.decided |= matches!(
                r.horizontal.call,
                HorizontalCall::Weak | HorizontalCall::Stiff
            );
            let sides = [r.horizontal.p_weak, r.horizontal.p_stiff, all.p_side];
            all.p_side = sides.into_iter().flatten().reduce(f64::max);
        }
        if all.ends > 0 {
            all.elsewhere_m = None;
        }
        all
    }
}

/// Bare shafts that missed the boss.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MissedBare {
    /// How many.
    pub count: usize,
    /// Which way, right and up positive; 0 where it wasn't noted, or they went both ways.
    pub side: [i8; 2],
}

/// The set-up nearest to tune so far.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BestSetup {
    /// Its number among the set-ups of this bow, from 1.
    pub number: usize,
    /// Its ends, as the archer numbers them (else 0), first and last.
    pub ends: [u64; 2],
    /// Its day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub day: Option<String>,
    /// Offset at 30 m, mm.
    pub x_mm: f64,
    /// Offset at 30 m, mm.
    pub y_mm: f64,
    /// It is the present one.
    pub is_now: bool,
}

impl Findings {
    /// From the runs and what they read.
    pub(super) fn of(
        history: &History,
        observations: &[Arc<RunObservation>],
        k: &Knowledge,
    ) -> Self {
        let (Some(run), Some(observed)) = (history.runs.last(), observations.last()) else {
            return Self::default();
        };
        let rules = &k.step_rules;
        let groups: Vec<&Analysis> = observed
            .groups
            .iter()
            .filter(|g| within_tuning_distance(&g.reading))
            .collect();
        let sum = |count: fn(&Reading) -> u32| groups.iter().map(|g| count(&g.reading)).sum();
        let setup = &run.setup;
        let before = observations
            .len()
            .checked_sub(2)
            .and_then(|at| observations.get(at));
        let reading = groups.iter().map(|g| &g.reading);
        let crooked = reading.clone().find_map(|r| crooked(r, rules));
        let lean_contradicts = reading
            .clone()
            .any(|r| r.cautions.iter().any(|c| c.code == "lean"));
        let earlier = history.runs.iter().rev().skip(1);
        Self {
            fletched: sum(|r| r.fletched),
            bare: sum(|r| r.bare),
            ends: groups.iter().map(|g| ends_of_both(g)).sum(),
            unconfirmed: observed.groups.iter().map(unconfirmed).sum(),
            swapped: SwappedTags::of(observations, rules),
            tags_checked: history
                .runs
                .iter()
                .flat_map(|r| &r.ends)
                .any(|record| checks(&record.end).iter().any(|c| c == "tags")),
            checked: run
                .ends
                .iter()
                .flat_map(|record| checks(&record.end))
                .collect(),
            mass_checked: mass_checked(history),
            too_far: groups.is_empty() && !observed.groups.is_empty(),
            for_cut: CutFindings::of(&groups, rules),
            missed: missed_bare(run, rules),
            group_sd_mm: group_sds(&groups).into_iter().reduce(f64::min),
            earlier_sd_mm: earlier_sd(observations, rules),
            is_doubtful: is_doubtful(&groups, observations, rules),
            scatter_ratio: before.and_then(|before| ratio(before, observed, rules)),
            spines: history
                .runs
                .iter()
                .filter_map(|r| r.setup.shaft_spine)
                .collect(),
            confounded_levers: confounded_levers(&run.changed, k),
            is_return: earlier
                .skip(1)
                .any(|old| !is_empty(setup) && compare(&old.setup, setup).is_same()),
            mass_gr: setup
                .rear_gr
                .zip(setup.bare_rear_gr)
                .map(|(fletched, bare)| bare - fletched),
            crooked_deg: crooked,
            lean_contradicts,
            fletched_middle_mm: groups.last().and_then(|g| off_middle(g)),
            best: best(history, observations),
        }
    }

    /// Whether this was looked at since the newest change.
    pub(super) fn is_checked(&self, code: &str) -> bool {
        self.checked.contains(code) || (code == "mass" && self.mass_checked)
    }
}

fn is_empty(setup: &Setup) -> bool {
    *setup == Setup::default()
}

fn checks(end: &crate::record::End) -> Vec<String> {
    end.session.checked.clone().unwrap_or_default()
}

/// Whether the masses were checked since the newest change of shafts.
fn mass_checked(history: &History) -> bool {
    for run in history.runs.iter().rev() {
        let checked =
            |record: &crate::record::RecordFile| checks(&record.end).iter().any(|c| c == "mass");
        if run.ends.iter().any(checked) {
            return true;
        }
        let other = |c: &crate::record::LeverChange| {
            matches!(c.lever, Lever::ShaftSpine | Lever::RearWeight)
        };
        if run.changed.changes.iter().any(other) {
            return false;
        }
    }
    false
}

/// Ends with shots of both kinds.
fn ends_of_both(group: &Analysis) -> usize {
    let of = |kind| -> BTreeSet<usize> {
        let shots = group.shots.iter().filter(|s| s.kind == kind);
        shots.map(|s| s.end).collect()
    };
    of(ArrowKind::Bare)
        .intersection(&of(ArrowKind::Fletched))
        .count()
}

fn unconfirmed(group: &Analysis) -> usize {
    let left_out = group.gathered.left_out.iter();
    let open = |reason| {
        matches!(
            reason,
            EntryExclusion::Unconfirmed | EntryExclusion::UnknownKind
        )
    };
    group.gathered.unchecked + left_out.filter(|entry| open(entry.reason)).count()
}

/// Lean of the bare shafts that stands out while they land close.
fn crooked(reading: &Reading, rules: &StepRules) -> Option<f64> {
    let (lean, offset, tolerance) = (reading.lean?, reading.offset?, reading.tolerance_mm?);
    let degrees = lean.right_deg.hypot(lean.up_deg);
    let close = offset.x_mm.abs() <= tolerance && offset.y_mm.abs() <= tolerance;
    let sure = degrees >= rules.crooked_deg.max(2.0 * lean.sd_deg);
    (close && sure).then(|| rounded(degrees, 1))
}

/// Which way a missed shot went, by its `direction`, else by the words of its note.
fn side_of(missed: &Missed) -> [i8; 2] {
    let words = missed.direction.as_ref().or(missed.note.as_ref());
    let text = words.map(|w| w.to_lowercase()).unwrap_or_default();
    let mut side = [0, 0];
    for word in text.split(|c: char| !c.is_alphabetic()) {
        match word {
            "left" => side[0] = -1,
            "right" => side[0] = 1,
            "low" | "below" | "under" | "beneath" | "down" | "short" => side[1] = -1,
            "high" | "above" | "over" | "up" => side[1] = 1,
            _ => {}
        }
    }
    side
}

/// The bare shafts that missed, where they are most of those shot with this set-up.
fn missed_bare(run: &Run, rules: &StepRules) -> Option<MissedBare> {
    let bare = |kind| kind == ArrowKind::Bare;
    let landed = |record: &crate::record::RecordFile| {
        record.end.entries.iter().filter(|e| bare(e.kind)).count()
    };
    let landed: usize = run.ends.iter().map(landed).sum();
    let missed: Vec<&Missed> = run
        .ends
        .iter()
        .flat_map(|record| record.end.missed.iter().filter(|m| bare(m.kind)))
        .collect();
    let few = landed < rules.pairs as usize && missed.len() > landed;
    few.then(|| {
        let axis = |a: usize| {
            let sides: Vec<i8> = missed.iter().map(|m| side_of(m)[a]).collect();
            let (minus, plus) = (sides.contains(&-1), sides.contains(&1));
            match (minus, plus) {
                (true, false) => -1,
                (false, true) => 1,
                _ => 0,
            }
        };
        MissedBare {
            count: missed.len(),
            side: [axis(0), axis(1)],
        }
    })
}

/// Scatter per axis of the wider of the two groups in each end, mm at 30 m.
fn group_sds(groups: &[&Analysis]) -> Vec<f64> {
    let ends = groups.iter().flat_map(|group| {
        let scale = group.reading.distance_m.map_or(1.0, |d| d / 30.0);
        let mut ends: BTreeMap<usize, Vec<&Shot>> = BTreeMap::new();
        for shot in &group.shots {
            ends.entry(shot.end).or_default().push(shot);
        }
        ends.into_values().filter_map(move |shots| {
            let of = |kind| sd(shots.iter().copied().filter(|s| s.kind == kind));
            let widest = [of(ArrowKind::Bare), of(ArrowKind::Fletched)];
            widest
                .into_iter()
                .flatten()
                .reduce(f64::max)
                .map(|sd| sd / scale)
        })
    });
    ends.collect()
}

/// The median of that over the ends with earlier set-ups.
fn earlier_sd(observations: &[Arc<RunObservation>], rules: &StepRules) -> Option<f64> {
    let (_, earlier) = observations.split_last()?;
    let groups: Vec<&Analysis> = earlier
        .iter()
        .flat_map(|observed| {
            observed
                .groups
                .iter()
                .filter(|g| within_tuning_distance(&g.reading))
        })
        .collect();
    let mut sds = group_sds(&groups);
    (sds.len() >= rules.group_earlier_ends).then(|| median(&mut sds))
}

/// Whether an offset near zero is less certain than the shots say.
fn is_doubtful(
    groups: &[&Analysis],
    observations: &[Arc<RunObservation>],
    rules: &StepRules,
) -> bool {
    let readings = || groups.iter().map(|g| &g.reading);
    let ends: usize = groups.iter().map(|g| ends_of_both(g)).sum();
    let bare: u32 = readings().map(|r| r.bare).sum();
    let few = (bare as usize) < ends * rules.pairs as usize;
    let bad = readings().any(|r| {
        let shots = f64::from(r.fletched + r.bare);
        r.outliers.len() as f64 > rules.bad_share * shots
    });
    let wider = earlier_sd(observations, rules).is_some_and(|earlier| {
        let mut sds = group_sds(groups);
        !sds.is_empty() && median(&mut sds) > rules.wider_times * earlier
    });
    let swapped = SwappedTags::of(observations, rules).share(rules) > 0.0;
    few || bad || wider || swapped
}

/// Middle of the fletched shots about the middle of their spots, mm, where it is off by twice its error and by 20 mm or more.
fn off_middle(group: &Analysis) -> Option<[f64; 2]> {
    let fletched = || group.shots.iter().filter(|s| s.kind == ArrowKind::Fletched);
    let n = fletched().count() as f64;
    let mean = |a: usize| fletched().map(|s| s.place_mm[a]).sum::<f64>() / n;
    let middle = [mean(0), mean(1)];
    let error = sd(fletched())? / n.sqrt();
    let off = middle[0].hypot(middle[1]);
    (n >= 3.0 && off > 2.0 * error && off >= 20.0).then(|| middle.map(|v| rounded(v, 0)))
}

/// Standard deviation per axis about the middle, mm; `None` with fewer than two shots.
fn sd<'a>(shots: impl Iterator<Item = &'a Shot>) -> Option<f64> {
    let places: Vec<[f64; 2]> = shots.map(|s| s.place_mm).collect();
    let n = places.len() as f64;
    if places.len() < 2 {
        return None;
    }
    let mean = |a: usize| places.iter().map(|p| p[a]).sum::<f64>() / n;
    let middle = [mean(0), mean(1)];
    let squares = |p: &[f64; 2]| (p[0] - middle[0]).powi(2) + (p[1] - middle[1]).powi(2);
    let sum: f64 = places.iter().map(squares).sum();
    Some((sum / (2.0 * (n - 1.0))).sqrt())
}

/// Scatter after over scatter before, each with three shots of a kind at least, where it stands out from chance.
fn ratio(before: &RunObservation, after: &RunObservation, rules: &StepRules) -> Option<f64> {
    // scatter at 1 m, and the variance of its logarithm
    let scatter = |observed: &RunObservation| {
        let readings = observed.groups.iter().map(|g| &g.reading);
        let mut known =
            readings.filter(|r| within_tuning_distance(r) && r.fletched >= 3 && r.bare >= 3);
        known.find_map(|r| {
            let s = r.scatter?;
            let all = [s.fletched_sd_mm, s.bare_sd_mm].concat();
            let mean = all.iter().map(|v| v * v).sum::<f64>() / 4.0;
            let freedom = 2.0 * f64::from(r.fletched + r.bare - 2);
            Some((mean.sqrt() / r.distance_m?, 0.5 / freedom))
        })
    };
    let ((then, then_error), (now, now_error)) = (scatter(before)?, scatter(after)?);
    let ratio = now / then;
    let clear = ratio.ln() > rules.worse_sds * (then_error + now_error).sqrt();
    clear.then_some(ratio)
}

/// Levers that were adjusted together with another one of the same axis, so that their effects can't be separated.
fn confounded_levers(changed: &Comparison, k: &Knowledge) -> Vec<Lever> {
    let axis = |lever: Lever| {
        super::interventions::action_of(lever).and_then(|change| k.lever(change).map(|l| l.axis))
    };
    let levers: Vec<Lever> = changed.changes.iter().map(|c| c.lever).collect();
    let shares = |lever: &Lever| {
        let own = axis(*lever);
        let mut others = levers.iter().filter(|other| *other != lever);
        others.any(|other| own.is_none() || axis(*other).is_none() || axis(*other) == own)
    };
    levers.iter().copied().filter(shares).collect()
}

/// The set-up with the least expected square of the offset, of those with three shots of each kind.
fn best(history: &History, observations: &[Arc<RunObservation>]) -> Option<BestSetup> {
    let assumptions = Assumptions::embedded().ok()?;
    let mut found: Option<(f64, BestSetup)> = None;
    for (at, (run, observed)) in history.runs.iter().zip(observations).enumerate() {
        let mut readings = observed.groups.iter().map(|g| &g.reading);
        let Some((reading, offset, distance)) = readings.find_map(|r| {
            let enough = within_tuning_distance(r) && r.fletched >= 3 && r.bare >= 3;
            Some((r, r.offset?, r.distance_m?)).filter(|_| enough)
        }) else {
            continue;
        };
        let at_30 = |mean, sd: f64| assumptions.at_30m(mean, sd * sd, distance);
        let (x, vx) = at_30(offset.x_mm, offset.sd_x_mm);
        let (y, vy) = at_30(offset.y_mm, offset.sd_y_mm);
        let square = x * x + y * y + vx + vy;
        if found.as_ref().is_some_and(|(least, _)| *least <= square) || reading.failure.is_some() {
            continue;
        }
        found = Some((square, named(run, at, [x, y], at + 1 == observations.len())));
    }
    found.map(|(_, best)| best)
}

fn named(run: &Run, at: usize, [x, y]: [f64; 2], is_now: bool) -> BestSetup {
    let number = |record: Option<&crate::record::RecordFile>| {
        record
            .and_then(|record| record.end.session.end)
            .unwrap_or(0)
    };
    let day = run
        .ends
        .last()
        .and_then(|record| crate::record::When::of(&record.end));
    BestSetup {
        number: at + 1,
        ends: [number(run.ends.first()), number(run.ends.last())],
        day: day.map(|when| when.day.to_string()),
        x_mm: rounded(x, 0),
        y_mm: rounded(y, 0),
        is_now,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_direction_is_read_from_its_field_or_the_note() {
        let missed = |direction: Option<&str>, note: Option<&str>| Missed {
            direction: direction.map(str::to_owned),
            note: note.map(str::to_owned),
            ..Missed::default()
        };
        assert_eq!(side_of(&missed(Some("low-left"), None)), [-1, -1]);
        assert_eq!(side_of(&missed(None, Some("over the boss, Right"))), [1, 1]);
        assert_eq!(side_of(&missed(None, Some("in the grass"))), [0, 0]);
    }
}

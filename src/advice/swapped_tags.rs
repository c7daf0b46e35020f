//! Shots that landed with the other kind: a bare shaft among the fletched ones, or the reverse.
//!
//! Where the two groups lie well apart, a shot that stands clear of its own kind and within the other one is more probably a wrong
//! tag than a bad loose, which goes anywhere. What is seen there says how often tags are wrong where the groups lie
//! together and nobody can see it: with a share q of wrong tags groups look nearer by a factor of 1 − 2q than they are. Numbered
//! arrows tell it anywhere: one that is bare in one end and fletched in another, with nothing changed between them, has a wrong tag in one of them.

use super::interventions::{RunObservation, within_tuning_distance};
use super::knowledge::StepRules;
use crate::reading::{Analysis, Shot};
use crate::record::ArrowKind;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// What was seen of wrong tags.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct SwappedTags {
    /// Shots that landed with the other kind.
    pub(super) shots: usize,
    /// All shots in groups that lie well apart.
    separated_shots: usize,
    /// Those of the newest set-up.
    pub(super) newest: usize,
    /// Shots of numbered arrows with another kind than the arrow mostly has.
    numbered_mismatches: usize,
    /// All shots of numbered arrows.
    numbered_shots: usize,
}

impl SwappedTags {
    /// Of all runs.
    pub(super) fn of(observations: &[Arc<RunObservation>], rules: &StepRules) -> Self {
        let mut all = Self::default();
        for observed in observations {
            all.newest = 0;
            for group in observed
                .groups
                .iter()
                .filter(|g| within_tuning_distance(&g.reading))
            {
                let (shots, of) = in_group(group, rules);
                all.shots += shots;
                all.newest += shots;
                all.separated_shots += of;
            }
        }
        (all.numbered_mismatches, all.numbered_shots) = of_both_kinds(observations);
        all
    }

    /// The share of wrong tags, where there are too many for chance.
    pub(super) fn share(self, rules: &StepRules) -> f64 {
        let shares = [
            (self.shots, self.separated_shots),
            (self.numbered_mismatches, self.numbered_shots),
        ]
        .map(|(shots, of)| {
            let share = shots as f64 / of.max(1) as f64;
            if shots >= rules.swapped_least && share >= rules.swapped_share {
                share.min(rules.swapped_most)
            } else {
                0.0
            }
        });
        shares[0].max(shares[1])
    }
}

/// Shots of numbered arrows with another kind than the arrow mostly has with the same set-up, of how many: between set-ups an arrow
/// may have lost its vanes. Where a bare and a fletched arrow have the same number, numbers tell nothing.
fn of_both_kinds(observations: &[Arc<RunObservation>]) -> (usize, usize) {
    let (mut odd, mut all) = (0, 0);
    for observed in observations {
        let mut arrows: BTreeMap<&str, [usize; 2]> = BTreeMap::new();
        let mut shared: BTreeSet<&str> = BTreeSet::new();
        for group in &observed.groups {
            let mut in_end: BTreeSet<(usize, &str)> = BTreeSet::new();
            for shot in &group.gathered.shots {
                let Some(mark) = shot.arrow.as_deref() else {
                    continue;
                };
                if !in_end.insert((shot.end, mark)) {
                    shared.insert(mark);
                }
                arrows.entry(mark).or_default()[usize::from(shot.kind == ArrowKind::Bare)] += 1;
            }
        }
        // one shot alone contradicts nothing
        arrows.retain(|mark, kinds| !shared.contains(mark) && kinds[0] + kinds[1] > 1);
        for [fletched, bare] in arrows.into_values() {
            odd += fletched.min(bare);
            all += fletched + bare;
        }
    }
    (odd, all)
}

/// Shots with the other kind, of how many; none where the groups lie too near each other.
fn in_group(group: &Analysis, rules: &StepRules) -> (usize, usize) {
    let Some(posterior) = &group.posterior else {
        return (0, 0);
    };
    let offset = [0, 1].map(|axis: usize| posterior.axes[axis].mean_mm);
    let sd = posterior.bare_sd_mm.map(|sd| sd.max(1.0));
    let apart = |from: [f64; 2]| (from[0] / sd[0]).hypot(from[1] / sd[1]);
    if apart(offset) < rules.swapped_apart_sds {
        return (0, 0);
    }
    let good = |at: usize| 1.0 - posterior.outliers.get(at).copied().unwrap_or(0.0);
    // where a shot would be if it were fletched
    let as_fletched = |shot: &Shot| {
        let bare = f64::from(u8::from(shot.kind == ArrowKind::Bare));
        [0, 1].map(|axis: usize| shot.place_mm[axis] - bare * offset[axis])
    };
    let shots = || group.shots.iter().enumerate();
    let with_other = |at: usize, shot: &Shot| {
        let others = shots().filter(|(other, s)| *other != at && s.end == shot.end);
        let mut sums = [0.0; 3];
        for (other, one) in others {
            let ([x, y], weight) = (as_fletched(one), good(other));
            sums[0] += weight * x;
            sums[1] += weight * y;
            sums[2] += weight;
        }
        if sums[2] < 1.0 {
            return false;
        }
        let middle = [sums[0] / sums[2], sums[1] / sums[2]];
        let from = |position: [f64; 2]| apart([position[0] - middle[0], position[1] - middle[1]]);
        let own = from(as_fletched(shot));
        let side = if shot.kind == ArrowKind::Bare {
            1.0
        } else {
            -1.0
        };
        let back = as_fletched(shot);
        let other = from([0, 1].map(|axis: usize| back[axis] + side * offset[axis]));
        let within = rules.swapped_within_sds;
        other <= within && own >= rules.swapped_apart_sds - within && own > other
    };
    let swapped = shots().filter(|(at, shot)| with_other(*at, shot)).count();
    (swapped, group.shots.len())
}

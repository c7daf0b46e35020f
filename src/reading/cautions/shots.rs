//! Cautions on single shots and arrows, and on how the end was shot.

use super::{CautionInput, setup};
use crate::reading::about::{Caution, CautionKind, NamedOutlier, OddArrow};
use crate::reading::arrows::ArrowAssessment;
use crate::reading::{Outlier, Shot};
use crate::record::ArrowKind;
use std::collections::BTreeMap;

pub(super) fn outliers(input: &CautionInput<'_>) -> Vec<Caution> {
    let named = |outliers: &[Outlier]| -> Vec<NamedOutlier> {
        let named = outliers.iter().map(|outlier| NamedOutlier {
            shot: input.entry_name(outlier.end.saturating_sub(1) as usize, outlier.id),
            p_outlier: outlier.p_outlier,
        });
        named.collect()
    };
    let mut notes = Vec::new();
    if !input.outliers.is_empty() {
        notes.push(Caution::new(
            "flier",
            CautionKind::Outliers(named(input.outliers)),
        ));
    }
    if !input.possible_outliers.is_empty() {
        let possible = CautionKind::PossibleOutliers(named(input.possible_outliers));
        notes.push(Caution::new("possible-flier", possible));
    }
    notes
}

pub(super) fn odd_arrows(input: &CautionInput<'_>) -> Option<Caution> {
    let odd: Vec<&ArrowAssessment> = input
        .arrows
        .iter()
        .filter(|arrow| arrow.p_odd > input.assumptions.odd_arrow_named)
        .collect();
    let arrows = odd.iter().filter(|arrow| !arrow.ambiguous);
    let arrows = arrows.map(|arrow| OddArrow {
        kind: arrow.kind,
        mark: arrow.mark.clone(),
        distance_mm: arrow.offset_mm[0].hypot(arrow.offset_mm[1]),
        left_out: arrow.left_out,
    });
    let of_two = |kind: &ArrowKind| odd.iter().any(|a| a.ambiguous && a.kind == *kind);
    let kinds = [ArrowKind::Fletched, ArrowKind::Bare].into_iter();
    let about = CautionKind::OddArrows {
        arrows: arrows.collect(),
        of_two: kinds.filter(of_two).collect(),
    };
    (!odd.is_empty()).then(|| Caution::new("odd-arrow", about))
}

/// The same mark twice in one end and kind: the marks can't tell arrows apart.
pub(super) fn mixed_arrows(input: &CautionInput<'_>) -> Option<Caution> {
    let named = |shot: &Shot| Some((shot.end, shot.kind, shot.arrow.clone()?));
    let mut counts: BTreeMap<_, usize> = BTreeMap::new();
    for name in input.shots.iter().filter_map(named) {
        *counts.entry(name).or_default() += 1;
    }
    let is_twice = |shot: &&Shot| named(shot).is_some_and(|name| counts[&name] > 1);
    let twice = input.shots.iter().find(is_twice);
    twice.map(|shot| {
        let about = CautionKind::MixedArrows {
            mark: shot.arrow.clone().unwrap_or_default(),
            end: input.end_name(shot.end),
        };
        Caution::new("mixed-arrows", about)
    })
}

/// Where the order is known: one kind wholly before the other, so that tiring or a turning wind looks like tune.
pub(super) fn not_alternate(input: &CautionInput<'_>) -> Option<Caution> {
    let shots: BTreeMap<(usize, u64), ArrowKind> = input
        .shots
        .iter()
        .rev() // of several of one number the first counts
        .map(|shot| ((shot.end, shot.id), shot.kind))
        .collect();
    let ends: Vec<String> = input
        .ends
        .iter()
        .enumerate()
        .filter(|(place, end)| {
            let Some(order) = &end.session.shot_order else {
                return false;
            };
            let kinds: Vec<ArrowKind> = order
                .iter()
                .filter_map(|id| shots.get(&(*place, *id)).copied())
                .collect();
            let changes = kinds.windows(2).filter(|pair| pair[0] != pair[1]).count();
            let bare = kinds
                .iter()
                .filter(|&&kind| kind == ArrowKind::Bare)
                .count();
            changes == 1 && bare >= 2 && kinds.len() - bare >= 2
        })
        .map(|(place, _)| input.end_name(place))
        .collect();
    (!ends.is_empty()).then(|| Caution::new("not-alternate", CautionKind::NotAlternate(ends)))
}

pub(super) fn different_mass(input: &CautionInput<'_>) -> Option<Caution> {
    let setup = setup(input.ends)?;
    let (fletched, bare) = (setup.rear_gr?, setup.bare_rear_gr?);
    let difference = bare - fletched;
    (difference.abs() > input.assumptions.mass_difference_gr)
        .then(|| Caution::new("different-mass", CautionKind::DifferentMass(difference)))
}

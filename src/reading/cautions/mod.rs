//! What to keep in mind with a reading: a stable code and what was seen.

mod offset;
mod shots;

use super::about::{Caution, CautionKind, CountDiffers, EntryName};
use super::arrows::ArrowAssessment;
use super::calls::Calls;
use super::conditions::own_tolerance_of;
use super::{Assumptions, EntryExclusion, GatheredShots, LeanReading, Outlier, Posterior, Shot};
use crate::record::{ArrowKind, End, Hand, Setup};
use std::collections::{BTreeMap, BTreeSet};

/// Everything that cautions look at.
pub(super) struct CautionInput<'a> {
    pub(super) ends: &'a [&'a End],
    pub(super) gathered: &'a GatheredShots,
    /// The shots that were used.
    pub(super) shots: &'a [Shot],
    pub(super) posterior: Option<&'a Posterior>,
    pub(super) calls: &'a Calls,
    pub(super) distance_m: Option<f64>,
    pub(super) hand: Option<Hand>,
    pub(super) arrows: &'a [ArrowAssessment],
    pub(super) outliers: &'a [Outlier],
    pub(super) possible_outliers: &'a [Outlier],
    pub(super) lean: Option<LeanReading>,
    /// More shooting with groups this wide decides nothing.
    pub(super) too_wide: bool,
    /// Each end has a number of its own.
    pub(super) numbers_differ: bool,
    pub(super) assumptions: &'a Assumptions,
}

impl CautionInput<'_> {
    fn entry_name(&self, end: usize, id: u64) -> EntryName {
        let entries = self.ends.get(end).map(|e| e.entries.as_slice());
        let entry = entries.into_iter().flatten().find(|e| e.id == id);
        EntryName {
            id,
            end: self.end_name(end),
            kind: entry.map_or(ArrowKind::Unknown, |e| e.kind),
            arrow: entry.and_then(|e| e.arrow.clone()),
        }
    }

    /// What an archer calls the end at this place among those read: the number it was given where all have one of their
    /// own, else its place, from 1.
    fn end_name(&self, place: usize) -> String {
        let own = self.ends.get(place).and_then(|end| end.session.end);
        let number = own.filter(|_| self.numbers_differ);
        number.map_or_else(|| (place + 1).to_string(), |n| n.to_string())
    }
}

/// Whether each end has a number of its own.
pub(super) fn numbers_differ(ends: &[&End]) -> bool {
    let numbers: Option<BTreeSet<u64>> = ends.iter().map(|e| e.session.end).collect();
    numbers.is_some_and(|numbers| numbers.len() == ends.len())
}

/// All cautions, what stands in the way of a reading first.
pub(super) fn all(input: &CautionInput<'_>) -> Vec<Caution> {
    let mut notes = Vec::new();
    notes.extend(missing_facts(input));
    notes.extend(few_shots(input));
    notes.extend(unconfirmed(input));
    notes.extend(missed(input));
    notes.extend(count_differs(input));
    notes.extend(spots(input));
    notes.extend(distance(input));
    notes.extend(own_tolerance(input));
    if let Some(posterior) = input.posterior {
        notes.extend(offset::either_side(input));
        notes.extend(offset::wrong_spine(input, posterior));
        notes.extend(offset::wide_scatter(input, posterior));
        notes.extend(offset::roll(input, posterior));
        notes.extend(offset::contradicting_lean(input, posterior));
    }
    notes.extend(shots::outliers(input));
    notes.extend(shots::odd_arrows(input));
    notes.extend(shots::mixed_arrows(input));
    notes.extend(shots::not_alternate(input));
    notes.extend(shots::different_mass(input));
    notes
}

/// The newest set-up of the ends, if given.
fn setup<'a>(ends: &[&'a End]) -> Option<&'a Setup> {
    ends.iter().rev().find_map(|end| end.session.setup.as_ref())
}

fn missing_facts(input: &CautionInput<'_>) -> Vec<Caution> {
    let mut notes = Vec::new();
    if input.distance_m.is_none() {
        notes.push(Caution::new("no-distance", CautionKind::NoDistance));
    }
    if input.hand.is_none() {
        notes.push(Caution::new("no-hand", CautionKind::NoHand));
    }
    notes
}

fn few_shots(input: &CautionInput<'_>) -> Option<Caution> {
    let count = |kind| input.shots.iter().filter(|shot| shot.kind == kind).count();
    let (fletched, bare) = (count(ArrowKind::Fletched), count(ArrowKind::Bare));
    let least = input.assumptions.few_shots;
    let about = CautionKind::FewShots {
        fletched,
        bare,
        least,
    };
    (fletched.min(bare) < least).then(|| Caution::new("few-shots", about))
}

/// Ends of which other numbers of shots were given than there are, those that missed the boss counted in.
fn count_differs(input: &CautionInput<'_>) -> Option<Caution> {
    let mut differing = Vec::new();
    let mut on_boss: BTreeMap<(usize, ArrowKind), usize> = BTreeMap::new();
    for shot in &input.gathered.shots {
        *on_boss.entry((shot.end, shot.kind)).or_default() += 1;
    }
    for (place, end) in input.ends.iter().enumerate() {
        // of a shot that missed nobody may know the kind: that explains a difference
        if end.missed.iter().any(|m| m.kind == ArrowKind::Unknown) {
            continue;
        }
        let there = |kind| {
            let on_boss = on_boss.get(&(place, kind)).copied().unwrap_or(0);
            on_boss + end.missed.iter().filter(|m| m.kind == kind).count()
        };
        let differs = |given: Option<u32>, kind| {
            given
                .and_then(|n| usize::try_from(n).ok())
                .filter(|&n| n != there(kind))
        };
        for (count, kind) in [
            (end.session.fletched, ArrowKind::Fletched),
            (end.session.bare, ArrowKind::Bare),
        ] {
            if let Some(given) = differs(count, kind) {
                differing.push(CountDiffers {
                    end: input.end_name(place),
                    kind,
                    given,
                    counted: there(kind),
                });
            }
        }
    }
    (!differing.is_empty())
        .then(|| Caution::new("count-differs", CautionKind::CountDiffers(differing)))
}

fn unconfirmed(input: &CautionInput<'_>) -> Vec<Caution> {
    let mut notes = Vec::new();
    let named = |wanted: &[EntryExclusion]| -> Vec<EntryName> {
        let left_out = input.gathered.left_out.iter();
        left_out
            .filter(|entry| wanted.contains(&entry.reason))
            .map(|entry| input.entry_name(entry.end, entry.id))
            .collect()
    };
    let unsure = named(&[EntryExclusion::Unconfirmed, EntryExclusion::UnknownKind]);
    if !unsure.is_empty() {
        notes.push(Caution::new(
            "unconfirmed",
            CautionKind::Unconfirmed(unsure),
        ));
    }
    let nowhere = named(&[EntryExclusion::NoPlace]);
    if !nowhere.is_empty() {
        notes.push(Caution::new("no-place", CautionKind::NoPlace(nowhere)));
    }
    let unchecked = input.gathered.unchecked;
    if unchecked > 0 {
        notes.push(Caution::new(
            "not-checked",
            CautionKind::NotChecked(unchecked),
        ));
    }
    notes
}

fn missed(input: &CautionInput<'_>) -> Option<Caution> {
    let missed = input.gathered.missed;
    (missed.fletched + missed.bare + missed.unknown > 0)
        .then(|| Caution::new("missed-shots", CautionKind::Missed(missed)))
}

fn spots(input: &CautionInput<'_>) -> Vec<Caution> {
    let mut notes = Vec::new();
    let between = &input.gathered.between_spots;
    if !between.is_empty() {
        let named = between.iter().map(|(end, id)| input.entry_name(*end, *id));
        notes.push(Caution::new(
            "between-spots",
            CautionKind::BetweenSpots(named.collect()),
        ));
    }
    let mut left_out = input.gathered.left_out.iter();
    if left_out.any(|entry| entry.reason == EntryExclusion::NoSpot) {
        notes.push(Caution::new("no-spots", CautionKind::NoSpots));
    }
    notes
}

fn distance(input: &CautionInput<'_>) -> Option<Caution> {
    let distance = input.distance_m?;
    if distance < input.assumptions.short_distance_m {
        let about = CautionKind::ShortDistance(distance);
        return Some(Caution::new("short-distance", about));
    }
    (distance > input.assumptions.long_distance_m)
        .then(|| Caution::new("long-distance", CautionKind::LongDistance(distance)))
}

fn own_tolerance(input: &CautionInput<'_>) -> Option<Caution> {
    let given_mm = own_tolerance_of(input.ends)?;
    let used_mm = input.assumptions.tolerance_for(Some(given_mm));
    let about = CautionKind::ToleranceRange {
        given_mm,
        used_mm,
        range_mm: input.assumptions.tolerance_range_mm,
    };
    ((given_mm - used_mm).abs() > 1e-9 || given_mm.is_nan())
        .then(|| Caution::new("tolerance-range", about))
}

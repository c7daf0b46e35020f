//! What to keep in mind with a reading: a stable code, what was seen, and what to do about it.

mod offset;
mod shots;

use super::arrows::Judged;
use super::calls::Calls;
use super::{Assumptions, Flier, Gathered, LeanReading, Posterior, Reason, Shot};
use crate::record::{End, EntryKind, Hand, Note, Setup};

/// Everything that cautions look at.
pub(super) struct Seen<'a> {
    pub(super) ends: &'a [&'a End],
    pub(super) gathered: &'a Gathered,
    /// The shots that were used.
    pub(super) shots: &'a [Shot],
    pub(super) posterior: Option<&'a Posterior>,
    pub(super) calls: &'a Calls,
    pub(super) distance_m: Option<f64>,
    pub(super) hand: Option<Hand>,
    pub(super) arrows: &'a [Judged],
    pub(super) fliers: &'a [Flier],
    pub(super) possible_fliers: &'a [Flier],
    pub(super) lean: Option<LeanReading>,
    /// More shooting with groups this wide decides nothing.
    pub(super) too_wide: bool,
    pub(super) assumptions: &'a Assumptions,
}

impl Seen<'_> {
    /// What an archer calls the end at this place among those read: the number it was given where all have one of their
    /// own, else its place, from 1.
    fn end_name(&self, place: usize) -> String {
        let mut numbers: Vec<u64> = self.ends.iter().filter_map(|e| e.session.end).collect();
        let own = numbers.get(place).copied();
        numbers.sort_unstable();
        numbers.dedup();
        let number = own.filter(|_| numbers.len() == self.ends.len());
        number.map_or_else(|| (place + 1).to_string(), |n| n.to_string())
    }
}

/// All cautions, what stands in the way of a reading first.
pub(super) fn all(seen: &Seen<'_>) -> Vec<Note> {
    let mut notes = Vec::new();
    notes.extend(untold(seen));
    notes.extend(few_shots(seen));
    notes.extend(unconfirmed(seen));
    notes.extend(missed(seen));
    notes.extend(told_otherwise(seen));
    notes.extend(spots(seen));
    notes.extend(distance(seen));
    notes.extend(own_tolerance(seen));
    if let Some(posterior) = seen.posterior {
        notes.extend(offset::either_side(seen));
        notes.extend(offset::wrong_spine(seen, posterior));
        notes.extend(offset::wide_scatter(seen, posterior));
        notes.extend(offset::roll(seen, posterior));
        notes.extend(offset::contradicting_lean(seen, posterior));
    }
    notes.extend(shots::fliers(seen));
    notes.extend(shots::odd_arrows(seen));
    notes.extend(shots::mixed_arrows(seen));
    notes.extend(shots::not_alternate(seen));
    notes.extend(shots::different_mass(seen));
    notes
}

/// The newest set-up of the ends, if told.
fn setup<'a>(ends: &[&'a End]) -> Option<&'a Setup> {
    ends.iter().rev().find_map(|end| end.session.setup.as_ref())
}

/// The archer's own tolerance at 30 m, mm: that of the newest end alone.
pub(super) fn own_tolerance_of(ends: &[&End]) -> Option<f64> {
    ends.last()?.session.setup.as_ref()?.tolerance_30m_mm
}

fn plural(count: usize, one: &str) -> String {
    format!("{count} {one}{}", if count == 1 { "" } else { "s" })
}

fn untold(seen: &Seen<'_>) -> Vec<Note> {
    let mut notes = Vec::new();
    if seen.distance_m.is_none() {
        notes.push(Note::new(
            "no-distance",
            "The distance isn't told, so nothing is called. Add distance_m to the session (or --distance).",
        ));
    }
    if seen.hand.is_none() {
        notes.push(Note::new(
            "no-hand",
            "The drawing hand isn't told, so left and right can't be read as weak or stiff. Add hand to the session (or \
             --hand).",
        ));
    }
    notes
}

fn few_shots(seen: &Seen<'_>) -> Option<Note> {
    let count = |kind| seen.shots.iter().filter(|shot| shot.kind == kind).count();
    let (fletched, bare) = (count(EntryKind::Fletched), count(EntryKind::Bare));
    let few = seen.assumptions.few_shots;
    (fletched.min(bare) < few).then(|| {
        Note::new(
            "few-shots",
            format!(
                "Only {} and {} count. Shoot at least {few} of each kind, better twice that: with fewer, one bad loose looks \
                 like a tune.",
                plural(fletched, "fletched shot"),
                plural(bare, "bare shot"),
            ),
        )
    })
}

/// Ends of which other numbers of shots were told than there are, those that missed the boss counted in.
fn told_otherwise(seen: &Seen<'_>) -> Option<Note> {
    let mut differing = Vec::new();
    for (place, end) in seen.ends.iter().enumerate() {
        // of a shot that missed nobody may know the kind: that explains a difference
        if end.missed.iter().any(|m| m.kind == EntryKind::Unknown) {
            continue;
        }
        let there = |kind| {
            let on_boss = seen
                .gathered
                .shots
                .iter()
                .filter(|s| s.end == place && s.kind == kind);
            on_boss.count() + end.missed.iter().filter(|m| m.kind == kind).count()
        };
        let differs = |told: Option<u32>, kind| {
            told.and_then(|n| usize::try_from(n).ok())
                .filter(|&n| n != there(kind))
        };
        for (told, kind, name) in [
            (end.session.fletched, EntryKind::Fletched, "fletched"),
            (end.session.bare, EntryKind::Bare, "bare"),
        ] {
            if let Some(n) = differs(told, kind) {
                differing.push(format!(
                    "end {}: {n} {name} told, {} counted",
                    seen.end_name(place),
                    there(kind)
                ));
            }
        }
    }
    (!differing.is_empty()).then(|| {
        Note::new(
            "count-differs",
            format!(
                "Not as many shots as were told ({}). A shot that is missing, or one too many, can turn a reading: look at \
                 these ends with `bossmark confirm` before you rely on it, and note shots that missed the boss.",
                differing.join("; ")
            ),
        )
    })
}

fn unconfirmed(seen: &Seen<'_>) -> Vec<Note> {
    let mut notes = Vec::new();
    let named = |wanted: &[Reason]| -> Vec<String> {
        seen.gathered
            .left_out
            .iter()
            .filter(|entry| wanted.contains(&entry.reason))
            .map(|entry| format!("entry {} of end {}", entry.id, seen.end_name(entry.end)))
            .collect()
    };
    let unsure = named(&[Reason::Unconfirmed, Reason::UnknownKind]);
    if !unsure.is_empty() {
        notes.push(Note::new(
            "unconfirmed",
            format!(
                "Left out because nobody has confirmed what they are: {}. Check them with `bossmark confirm`.",
                unsure.join(", ")
            ),
        ));
    }
    let nowhere = named(&[Reason::NoPlace]);
    if !nowhere.is_empty() {
        notes.push(Note::new(
            "no-place",
            format!(
                "Left out because they lie nowhere on a boss: {}. Correct their x_mm and y_mm.",
                nowhere.join(", ")
            ),
        ));
    }
    if seen.gathered.unchecked > 0 {
        notes.push(Note::new(
            "not-checked",
            format!(
                "{} as the program found them and nobody has looked at them yet. One glance with `bossmark confirm` makes \
                 the reading surer.",
                match seen.gathered.unchecked {
                    1 => "1 shot is".to_owned(),
                    count => format!("{count} shots are"),
                }
            ),
        ));
    }
    notes
}

fn missed(seen: &Seen<'_>) -> Option<Note> {
    let missed = seen.gathered.missed;
    let parts: Vec<String> = [
        (missed.fletched, "fletched shot"),
        (missed.bare, "bare shot"),
        (missed.unknown, "shot of unknown kind"),
    ]
    .into_iter()
    .filter(|&(count, _)| count > 0)
    .map(|(count, name)| match (count, name) {
        (count, "shot of unknown kind") if count > 1 => format!("{count} shots of unknown kind"),
        _ => plural(count, name),
    })
    .collect();
    (!parts.is_empty()).then(|| {
        Note::new(
            "missed-shots",
            format!(
                "{} missed the boss; where is not known, so the true offset is probably larger than read, towards where they went. \
                 Go closer or use a larger boss, and shoot the end again.",
                parts.join(" and ")
            ),
        )
    })
}

fn spots(seen: &Seen<'_>) -> Vec<Note> {
    let mut notes = Vec::new();
    if !seen.gathered.between_spots.is_empty() {
        let named: Vec<String> = seen
            .gathered
            .between_spots
            .iter()
            .map(|(end, id)| format!("entry {id} of end {}", seen.end_name(*end)))
            .collect();
        notes.push(Note::new(
            "between-spots",
            format!(
                "Between two spots, so the spot aimed at is a guess: {}. Tell it with spot in the record, or shoot bare \
                 shafts at a face with one centre.",
                named.join(", ")
            ),
        ));
    }
    if seen
        .gathered
        .left_out
        .iter()
        .any(|entry| entry.reason == Reason::NoSpot)
    {
        notes.push(Note::new(
            "no-spots",
            "Shots at several spots are left out because the record doesn't tell where the spots are. Measure the photo \
             again with the right face.",
        ));
    }
    notes
}

fn distance(seen: &Seen<'_>) -> Option<Note> {
    let distance = seen.distance_m?;
    let assumptions = seen.assumptions;
    if distance < assumptions.short_distance_m {
        return Some(Note::new(
            "short-distance",
            format!(
                "At {distance} m a bow can look in tune when it isn't, and a difference can still change its size. Take it \
                 as a first step and shoot again at 30 m before anything is cut."
            ),
        ));
    }
    (distance > assumptions.long_distance_m).then(|| {
        Note::new(
            "long-distance",
            format!("At {distance} m wind and form weigh more than the tune. Shoot the bare shafts at 30 m."),
        )
    })
}

fn own_tolerance(seen: &Seen<'_>) -> Option<Note> {
    let own = own_tolerance_of(seen.ends)?;
    let used = seen.assumptions.tolerance_for(Some(own));
    ((own - used).abs() > 1e-9 || own.is_nan()).then(|| {
        Note::new(
            "tolerance-range",
            format!(
                "A tolerance of {own} mm at 30 m is out of reach or no tune; {used} mm was used. Give one from {} to {} mm.",
                seen.assumptions.tolerance_range_mm[0], seen.assumptions.tolerance_range_mm[1]
            ),
        )
    })
}

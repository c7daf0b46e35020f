//! Cautions on single shots and arrows, and on how the end was shot.

use super::{Seen, setup};
use crate::reading::Flier;
use crate::reading::arrows::Judged;
use crate::record::{EntryKind, Note};

pub(super) fn fliers(seen: &Seen<'_>) -> Vec<Note> {
    let list = |fliers: &[Flier]| {
        fliers
            .iter()
            .map(|flier| {
                format!(
                    "shot {} of end {} ({:.0} %)",
                    flier.id,
                    seen.end_name(flier.end.saturating_sub(1) as usize),
                    100.0 * flier.p_flier
                )
            })
            .collect::<Vec<String>>()
            .join(", ")
    };
    let mut notes = Vec::new();
    if !seen.fliers.is_empty() {
        notes.push(Note::new(
            "flier",
            format!(
                "Probably a bad loose: {}. Such a shot stays in the reading but counts for little; don't take it out, shoot on.",
                list(seen.fliers)
            ),
        ));
    }
    if !seen.possible_fliers.is_empty() {
        notes.push(Note::new(
            "possible-flier",
            format!(
                "Perhaps a bad loose: {}. Another end will tell.",
                list(seen.possible_fliers)
            ),
        ));
    }
    notes
}

pub(super) fn odd_arrows(seen: &Seen<'_>) -> Option<Note> {
    let odd: Vec<&Judged> = seen
        .arrows
        .iter()
        .filter(|arrow| arrow.p_odd > seen.assumptions.odd_arrow_named)
        .collect();
    if odd.is_empty() {
        return None;
    }
    let mut sentences = Vec::new();
    for arrow in odd.iter().filter(|arrow| !arrow.ambiguous) {
        sentences.push(format!(
            "{} {} keeps landing {:.0} mm from the others of its kind{}.",
            kind_name(arrow.kind),
            arrow.mark,
            arrow.offset_mm[0].hypot(arrow.offset_mm[1]),
            if arrow.left_out {
                " and is left out of the reading"
            } else {
                ""
            }
        ));
    }
    for kind in [EntryKind::Fletched, EntryKind::Bare] {
        if odd
            .iter()
            .any(|arrow| arrow.ambiguous && arrow.kind == kind)
        {
            sentences.push(format!(
                "The two {} arrows keep landing apart; with two it can't be told which is odd, so shoot a third.",
                match kind {
                    EntryKind::Bare => "bare",
                    _ => "fletched",
                }
            ));
        }
    }
    Some(Note::new(
        "odd-arrow",
        format!(
            "{} Inspect it, spin it, turn or change its nock; if it stays odd, leave it at home.",
            sentences.join(" ")
        ),
    ))
}

fn kind_name(kind: EntryKind) -> &'static str {
    match kind {
        EntryKind::Bare => "Bare arrow",
        EntryKind::Fletched | EntryKind::Unknown => "Fletched arrow",
    }
}

/// The same mark twice in one end and kind: the marks can't tell arrows apart.
pub(super) fn mixed_arrows(seen: &Seen<'_>) -> Option<Note> {
    let shots = seen.shots;
    let twice = shots.iter().enumerate().find(|(at, shot)| {
        shot.arrow.is_some()
            && shots[at + 1..].iter().any(|other| {
                other.end == shot.end && other.kind == shot.kind && other.arrow == shot.arrow
            })
    });
    twice.map(|(_, shot)| {
        Note::new(
            "mixed-arrows",
            format!(
                "The mark {} stands on two arrows of end {}. Correct the marks: mixed-up arrows hide odd ones.",
                shot.arrow.as_deref().unwrap_or_default(),
                seen.end_name(shot.end)
            ),
        )
    })
}

/// Where the order is known: one kind wholly before the other, so that tiring or a turning wind looks like tune.
pub(super) fn not_alternate(seen: &Seen<'_>) -> Option<Note> {
    let ends: Vec<String> = seen
        .ends
        .iter()
        .enumerate()
        .filter(|(place, end)| {
            let Some(order) = &end.session.shot_order else {
                return false;
            };
            let kinds: Vec<EntryKind> = order
                .iter()
                .filter_map(|id| {
                    seen.shots
                        .iter()
                        .find(|shot| shot.end == *place && shot.id == *id)
                        .map(|shot| shot.kind)
                })
                .collect();
            let changes = kinds.windows(2).filter(|pair| pair[0] != pair[1]).count();
            let bare = kinds
                .iter()
                .filter(|&&kind| kind == EntryKind::Bare)
                .count();
            changes == 1 && bare >= 2 && kinds.len() - bare >= 2
        })
        .map(|(place, _)| seen.end_name(place))
        .collect();
    (!ends.is_empty()).then(|| {
        Note::new(
            "not-alternate",
            format!(
                "In end {} all shots of one kind came before the other, so tiring or a turning wind can look like tune. \
                 Shoot fletched and bare in turn.",
                ends.join(", ")
            ),
        )
    })
}

pub(super) fn different_mass(seen: &Seen<'_>) -> Option<Note> {
    let setup = setup(seen.ends)?;
    let (fletched, bare) = (setup.rear_gr?, setup.bare_rear_gr?);
    let difference = bare - fletched;
    (difference.abs() > seen.assumptions.mass_difference_gr).then(|| {
        Note::new(
            "different-mass",
            format!(
                "The bare shafts' rear end is {:.1} gr {} than the fletched ones', which alone makes them act {}. Wrap tape of \
                 the vanes' weight round the bare shafts.",
                difference.abs(),
                if difference < 0.0 { "lighter" } else { "heavier" },
                if difference < 0.0 { "weaker" } else { "stiffer" },
            ),
        )
    })
}

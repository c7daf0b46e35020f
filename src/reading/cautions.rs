//! What to keep in mind with a reading: a stable code, what was seen, and what to do about it.

use super::arrows::Judged;
use super::calls::{AxisCall, Calls};
use super::{Assumptions, Flier, Gathered, LeanReading, MoreShots, Posterior, Reason, Shot};
use crate::record::{End, EntryKind, Hand, Note, Setup};

/// A lean contradicts only when it is this many of its own sd.
const LEAN_SURE: f64 = 2.0;

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
    pub(super) more: Option<&'a MoreShots>,
    pub(super) assumptions: &'a Assumptions,
}

/// All cautions, what stands in the way of a reading first.
pub(super) fn all(seen: &Seen<'_>) -> Vec<Note> {
    let mut notes = Vec::new();
    notes.extend(untold(seen));
    notes.extend(few_shots(seen));
    notes.extend(unconfirmed(seen));
    notes.extend(missed(seen));
    notes.extend(spots(seen));
    notes.extend(distance(seen));
    notes.extend(own_tolerance(seen));
    if let Some(posterior) = seen.posterior {
        notes.extend(either_side(seen));
        notes.extend(wrong_spine(seen, posterior));
        notes.extend(wide_scatter(seen, posterior));
        notes.extend(roll(seen, posterior));
        notes.extend(contradicting_lean(seen, posterior));
    }
    notes.extend(fliers(seen));
    notes.extend(odd_arrows(seen));
    notes.extend(mixed_arrows(seen));
    notes.extend(not_alternate(seen));
    notes.extend(different_mass(seen));
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

fn unconfirmed(seen: &Seen<'_>) -> Vec<Note> {
    let mut notes = Vec::new();
    let named = |wanted: &[Reason]| -> Vec<String> {
        seen.gathered
            .left_out
            .iter()
            .filter(|entry| wanted.contains(&entry.reason))
            .map(|entry| format!("entry {} of end {}", entry.id, entry.end + 1))
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
                "{} missed and can't be counted, so the true offset is probably larger than read, towards where they went. \
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
            .map(|(end, id)| format!("entry {id} of end {}", end + 1))
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

fn either_side(seen: &Seen<'_>) -> Option<Note> {
    let where_ = match seen.calls.either_side {
        [false, false] => return None,
        [true, false] => "left and right",
        [false, true] => "above and below",
        [true, true] => "left and right, above and below",
    };
    Some(Note::new(
        "either-side",
        format!(
            "Only two shots of one kind, and they lie {where_} of the other group: nothing is called there. Shoot at least \
             three of each kind."
        ),
    ))
}

fn wrong_spine(seen: &Seen<'_>, posterior: &Posterior) -> Option<Note> {
    let distance = seen.distance_m?;
    let assumptions = seen.assumptions;
    let limit = assumptions.wrong_spine_mm * (distance / assumptions.reference_distance_m).max(1.0);
    let offset = posterior.axes[0].mean_mm.abs();
    (offset > limit).then(|| {
        Note::new(
            "wrong-spine",
            format!(
                "{offset:.0} mm to the side at {distance} m is more than tuning takes up: the shafts are probably of the wrong \
                 spine. Try other shafts before anything else, and go closer until they all hit the boss."
            ),
        )
    })
}

fn wide_scatter(seen: &Seen<'_>, posterior: &Posterior) -> Option<Note> {
    let more = seen.more?;
    if more.pairs.is_some() || more.why.contains("too close") {
        return None;
    }
    Some(Note::new(
        "wide-scatter",
        format!(
            "The groups are wider than the difference that is left (fletched shots {:.0} by {:.0} mm standard deviation). More \
             shots tonight won't settle it: shoot closer groups another day, or with rested arms.",
            posterior.fletched_sd_mm[0], posterior.fletched_sd_mm[1]
        ),
    ))
}

fn roll(seen: &Seen<'_>, posterior: &Posterior) -> Option<Note> {
    posterior
        .axes
        .iter()
        .any(|axis| axis.roll_mm2 > seen.assumptions.roll_share * axis.whole_variance_mm2())
        .then(|| {
            Note::new(
                "roll",
                "How upright the photo is isn't known well enough, and a turned photo mixes left-right with high-low. Tap two \
                 points of a level or upright line with `bossmark confirm`, or photograph the whole paper with its edges.",
            )
        })
}

/// A weak shaft (bare right, right-handed) stands nock left, and bare shafts that hit high stand nock low: the lean
/// points the other way than the offset. [practice]
fn contradicting_lean(seen: &Seen<'_>, posterior: &Posterior) -> Option<Note> {
    let lean = seen.lean?;
    let leans = [lean.right_deg, lean.up_deg];
    let contradicts = (0..2).any(|axis: usize| {
        let called = matches!(
            seen.calls.axes[axis],
            AxisCall::Positive | AxisCall::Negative
        );
        called
            && leans[axis].abs()
                > (LEAN_SURE * lean.sd_deg).max(seen.assumptions.lean_contradiction_deg)
            && leans[axis].signum() * posterior.axes[axis].mean_mm > 0.0
    });
    contradicts.then(|| {
        Note::new(
            "lean",
            "The bare shafts stand in the boss the other way round than where they hit suggests. Look for contact at the rest \
             or the arm, and shoot one bare shaft from a few paces to see how it stands before changing much.",
        )
    })
}

fn fliers(seen: &Seen<'_>) -> Vec<Note> {
    let list = |fliers: &[Flier]| {
        fliers
            .iter()
            .map(|flier| {
                format!(
                    "shot {} of end {} ({:.0} %)",
                    flier.id,
                    flier.end,
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
                "One of these may be a bad loose: {}. Another end will tell.",
                list(seen.possible_fliers)
            ),
        ));
    }
    notes
}

fn odd_arrows(seen: &Seen<'_>) -> Option<Note> {
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
fn mixed_arrows(seen: &Seen<'_>) -> Option<Note> {
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
                shot.end + 1
            ),
        )
    })
}

/// Where the order is known: one kind wholly before the other, so that tiring or a turning wind looks like tune.
fn not_alternate(seen: &Seen<'_>) -> Option<Note> {
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
        .map(|(place, _)| (place + 1).to_string())
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

fn different_mass(seen: &Seen<'_>) -> Option<Note> {
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

//! Sentences of what comes before a change: more shots, a check, a change put back; and of the gates of a cut.

use super::advice_cautions::lever_of;
use super::numbers::{capital, count, number, percent, turns};
use super::terms::{FaceSide, along, lever_in_sentence, setting};
use super::{Locale, Sentence};
use crate::advice::{
    Action, BestSetup, Check, CheckCause, Contradiction, GateCode, GateValue, Knowledge,
    MissedBare, PutBackCause, ShootCause,
};
use crate::record::Hand;

impl Sentence for GateValue {
    fn text(&self, _: Locale) -> String {
        match self {
            Self::Shots {
                fletched,
                bare,
                ends,
            } => format!("{fletched} fletched and {bare} bare in {}", of_ends(*ends)),
            Self::OfEach { shots, ends } => format!("{shots} of each in {}", of_ends(*ends)),
            Self::Metres(m) => format!("{} m", number(*m, 1)),
            Self::MetresBetween([least, most]) => {
                format!("{} to {} m", number(*least, 0), number(*most, 0))
            }
            Self::ScatterMm(mm) => format!("{} mm of scatter at 30 m", number(*mm, 0)),
            Self::Grains(gr) => format!("{} gr apart", number(gr.abs(), 1)),
            Self::GrainsAtMost(gr) => format!("within {} gr", number(*gr, 1)),
            Self::Unconfirmed(n) => format!("{n} not confirmed"),
            Self::Probability(p) => percent(*p),
            Self::ProbabilityAtLeast(p) => format!("decided, {}", percent(*p)),
            Self::NotKnown => "not known".to_owned(),
            Self::Absent => "none".to_owned(),
            Self::Open => "one open".to_owned(),
            Self::Wish => "asked for (growing: false)".to_owned(),
            Self::Written(text) => text.clone(),
        }
    }
}

fn of_ends(n: usize) -> String {
    format!("{n} {}", if n == 1 { "end" } else { "ends" })
}

/// What a gate is about, as a short noun.
pub(super) fn gate(code: GateCode) -> String {
    let noun = match code {
        GateCode::Decided => "a clear call",
        GateCode::Pairs => "more shots",
        GateCode::Distance => return shots_from(),
        GateCode::Confirmed => "confirmed entries",
        GateCode::Groups => "tighter groups",
        GateCode::Mass => "bare and fletched shafts weighed",
        GateCode::Contradiction => "the contradiction cleared",
        GateCode::Lean => "the lean cleared",
        GateCode::Growing => "the archer's wish (still growing)",
    };
    noun.to_owned()
}

/// "shots from 25 to 35 m".
fn shots_from() -> String {
    let distances = GateValue::MetresBetween(Knowledge::embedded().stated().distance_m);
    format!("shots from {}", distances.text(Locale::default()))
}

/// What to look at, as an order.
pub(super) const fn look_at(check: Check, locale: Locale) -> &'static str {
    match check {
        Check::Scale => "put the bow on a scale to see whether the draw weight changed",
        Check::BoltStop => "see whether a limb bolt stands at its stop",
        Check::Contact => "look for contact at rest, plate or arm (powder on the vanes and shaft)",
        Check::Tags => locale.either(
            "confirm which shafts are bare and which fletched (`bossmark confirm`)",
            "confirm which shafts are bare and which fletched",
        ),
        Check::Mass => {
            "weigh a bare and a fletched shaft, and tape the lighter kind until they match"
        }
        Check::BraceHeight => "measure the brace height",
        Check::CentreShot => "check the centre shot and the nocking point with a bow square",
        Check::Plunger => "see that the plunger moves freely, and where it stands",
        Check::Form => "have someone watch the loose",
    }
}

/// The headline of a check: "Check first: …".
pub(super) fn check(checks: &[Check], cause: CheckCause, locale: Locale) -> String {
    let orders: Vec<&str> = checks.iter().map(|c| look_at(*c, locale)).collect();
    let end = match cause {
        CheckCause::Crooked(_) => "; then shoot an end from another distance, such as 18 m",
        CheckCause::Tags(_) | CheckCause::SwappedTags(_) => "; then ask again",
        _ => "; then shoot another end",
    };
    format!("Change nothing. {}{end}", capital(&orders.join("; ")))
}

/// The headline of shots that come first.
pub(super) fn shoot(
    pairs: u32,
    distance_m: f64,
    cause: ShootCause,
    hand: Option<Hand>,
    locale: Locale,
) -> String {
    let n = count(i64::from(pairs));
    let from = distance(distance_m, locale);
    match cause {
        ShootCause::Missed(missed) => format!(
            "Change nothing yet. Come nearer, to {from}, and shoot {n} bare and {n} fletched there{}",
            first_step(missed, hand)
        ),
        ShootCause::TooFar | ShootCause::From30 => {
            format!("Change nothing. Come to {from} and shoot {n} bare and {n} fletched")
        }
        ShootCause::NoGroup(_) => {
            format!(
                "Change nothing. Shoot the end again from {from}: {n} bare and {n} fletched, one of each in turn"
            )
        }
        ShootCause::Changed(_) => format!(
            "Shoot an end with the change that you made: {n} bare and {n} fletched from {from}, one of each in turn"
        ),
        _ => format!(
            "Change nothing. Shoot {n} more bare and {n} more fletched from {from}, one of each in turn"
        ),
    }
}

/// Which way the first change will probably go.
fn first_step(missed: MissedBare, hand: Option<Hand>) -> String {
    let [x, y] = missed.side;
    let weak = match hand {
        Some(Hand::Right) => x > 0,
        Some(Hand::Left) => x < 0,
        None => return String::new(),
    };
    match (x, y) {
        (_, y) if y > 0 => {
            "; if they land high there too, the nocking point goes up a little".to_owned()
        }
        (_, y) if y < 0 => {
            "; if they land low there too, the nocking point goes down a little".to_owned()
        }
        (0, _) => String::new(),
        _ if weak => "; if they land that way there too, the arrow is weak".to_owned(),
        _ => "; if they land that way there too, the arrow is stiff".to_owned(),
    }
}

fn distance(m: f64, _: Locale) -> String {
    format!("{} m", number(m, 1))
}

/// "low left".
fn went(side: [i8; 2]) -> String {
    let upright = match side[1] {
        1 => "high",
        -1 => "low",
        _ => "",
    };
    let across = match side[0] {
        1 => "right",
        -1 => "left",
        _ => "",
    };
    format!("{upright} {across}").trim().to_owned()
}

/// Why shots come first.
pub(super) fn why_shoot(cause: ShootCause, locale: Locale) -> String {
    match cause {
        ShootCause::FewShots { fletched, bare } => format!(
            "{} bare and {} fletched are too few: one bad loose would decide. {} of each are the least to act on.",
            capital(&count(i64::from(bare))),
            count(i64::from(fletched)),
            capital(&count(Knowledge::embedded().stated().pairs)),
        ),
        ShootCause::NoGroup(sd) => format!(
            "The shots of one kind lie so far apart (about {} of scatter) that they form no group; their middle says nothing.",
            locale.length(sd, 0)
        ),
        ShootCause::TooFar => {
            "Beyond 35 m wind and form count for more than the tune, so nothing is changed because of those shots, nor called in tune."
                .to_owned()
        }
        ShootCause::From30 => {
            format!("What is left to change can't be undone: that takes {}.", shots_from())
        }
        ShootCause::Missed(MissedBare { count: n, side }) => {
            let shafts = if n == 1 { "The bare shaft" } else { "The bare shafts" };
            match went(side).as_str() {
                "" => format!(
                    "{shafts} missed, and nobody noted where. Nearer they land on the boss, and more shots from here would not."
                ),
                side => format!("{shafts} missed {side}. That is evidence: nearer they land on the boss and show how much it is."),
            }
        }
        ShootCause::SmallStep => {
            "What is left is small, and a single end doesn't show so little: shoot a second end with this set-up.".to_owned()
        }
        ShootCause::Changed(lever) => format!(
            "After the last end a change was noted ({}). What it did shows in the next end, so nothing else is changed before it.",
            lever_of(lever)
        ),
        ShootCause::BeforeIrreversible => {
            let stated = Knowledge::embedded().stated();
            format!(
                "What is left to change can't be undone: a cut, or new shafts. That takes at least {} ends with {} of each.",
                count(stated.ends),
                count(stated.pairs)
            )
        }
    }
}

/// Why something is looked at first.
pub(super) fn why_check(cause: CheckCause, hand: Option<Hand>, locale: Locale) -> String {
    match cause {
        CheckCause::Tags(n) => format!(
            "{} nobody has confirmed yet. One bare shaft taken for a fletched one turns the answer round.",
            if n == 1 {
                "There is one entry that".to_owned()
            } else {
                format!("There are {} entries that", count(i64::try_from(n).unwrap_or(i64::MAX)))
            }
        ),
        CheckCause::SwappedTags(n) => format!(
            "{} with the other kind: a bare shaft among the fletched ones, or the reverse. If tags are mixed up the groups look nearer \
             to each other than they are.",
            if n == 1 {
                "One shot landed".to_owned()
            } else {
                format!("{} shots landed", capital(&count(i64::try_from(n).unwrap_or(i64::MAX))))
            }
        ),
        CheckCause::Mass { grains, effect_mm } => mass(grains, effect_mm, hand, locale),
        CheckCause::UnknownMass => {
            format!(
                "A cut would come next, and it would be wrong if the bare shafts were lighter at the nock: vanes alone make about \
                 {} mm at 30 m. Note rear_gr and bare_rear_gr in the set-up.",
                number(Knowledge::embedded().stated().unknown_mass_mm, 0)
            )
        }
        CheckCause::DidNothing(found) => format!(
            "{} should have moved the bare shafts about {} at 30 m, and did next to nothing. More of the same would do no more, and \
             a cut would be a guess.",
            what_changed(&found),
            locale.length(found.expected_mm.abs(), 0),
        ),
        CheckCause::Unexpected(found) => unexpected(&found, hand, locale),
        CheckCause::Lean => {
            "The bare shafts stand in the boss the other way than they land: one of the two is misleading, usually by contact \
             or an uneven boss."
                .to_owned()
        }
        CheckCause::Crooked(degrees) => format!(
            "They land together, but the bare shafts stand {} degrees crooked: this may be a false tune, where they happen to \
             cross at this distance.",
            number(degrees, 1)
        ),
        CheckCause::Worse(ratio) => format!(
            "The groups are {} times wider than before the change, and it can't be put back.",
            number(ratio, 1)
        ),
        CheckCause::BeforeIrreversible => {
            "What is left to change can't be undone, and the last change did not do what it should have.".to_owned()
        }
    }
}

fn mass(grains: f64, effect_mm: f64, hand: Option<Hand>, locale: Locale) -> String {
    let (bare, other) = if grains < 0.0 {
        ("lighter", "bare shafts")
    } else {
        ("heavier", "fletched ones")
    };
    let side = FaceSide::of_signed_offset(crate::advice::Axis::Horizontal, effect_mm, hand).name();
    format!(
        "The bare shafts are {} gr {bare} at the nock. That alone makes about {} {side} at 30 m. Equalise first: tape on the \
         {other}; until then the bow stays as it is.",
        number(grains.abs(), 0),
        locale.length(effect_mm.abs(), 0),
    )
}

fn what_changed(found: &Contradiction) -> String {
    found.lever.map_or_else(
        || "The last changes".to_owned(),
        |(change, _)| capital(&format!("the change of {}", lever_in_sentence(change))),
    )
}

fn unexpected(found: &Contradiction, hand: Option<Hand>, locale: Locale) -> String {
    let moved = |value: f64| {
        let side = FaceSide::of_signed_offset(found.axis, value, hand).towards();
        format!("{} {side}", locale.length(value.abs(), 0))
    };
    if found.wrong_axis {
        return format!(
            "The last change should not have moved the bare shafts {}, yet they moved {}.",
            along(found.axis),
            moved(found.seen_mm)
        );
    }
    format!(
        "{} should have moved the bare shafts {}, and they moved {}.",
        what_changed(found),
        moved(found.expected_mm),
        moved(found.seen_mm)
    )
}

/// Why the newest change is put back.
pub(super) fn why_put_back(cause: PutBackCause, hand: Option<Hand>, locale: Locale) -> String {
    match cause {
        PutBackCause::WrongWay(found) => format!(
            "It went the wrong way. {} Put it back and shoot again: if the bare shafts come back, look for contact, the loose \
             or a mistake in the notes.",
            unexpected(&found, hand, locale)
        ),
        PutBackCause::Worse(ratio) => format!(
            "The groups are {} times wider than before the change: it made the bow worse to shoot, whatever the bare shafts do.",
            number(ratio, 1)
        ),
    }
}

/// The headline of a change that is put back.
pub(super) fn put_back(
    change: Action,
    [from, to]: [Option<f64>; 2],
    quarter_turns: Option<i64>,
    locale: Locale,
) -> String {
    if change == Action::DrawWeight {
        return quarter_turns.map_or_else(
            || "Put the draw weight back to where it was, and shoot again".to_owned(),
            |quarters| {
                let way = if quarters < 0 { "out" } else { "in" };
                format!(
                    "Put it back: both limb bolts {way} again by {}, and shoot again",
                    turns(quarters)
                )
            },
        );
    }
    let unit = setting(change.setting().unwrap_or_default()).1;
    let value = |v: f64| match unit {
        "mm" => locale.length(v, 2),
        "" => number(v, 0),
        unit => format!("{} {unit}", number(v, 2)),
    };
    let what = lever_in_sentence(change);
    match (from, to) {
        (Some(from), Some(to)) => format!(
            "Put {what} back: from {} to {}, and shoot again",
            value(from),
            value(to)
        ),
        _ => format!("Put {what} back to where it was, and shoot again"),
    }
}

/// "The best so far is set-up 1 (end 2 of 2026-05-03): …".
pub(super) fn best(best: &BestSetup, locale: Locale) -> String {
    let [first, last] = best.ends;
    let ends = match (first, last) {
        (0, 0) => "its ends".to_owned(),
        (a, b) if a == b => format!("end {a}"),
        (a, b) => format!("ends {a} to {b}"),
    };
    let day = best
        .day
        .as_ref()
        .map_or_else(String::new, |d| format!(" of {d}"));
    format!(
        "The best set-up so far is number {} ({ends}{day}): bare shafts {} away at 30 m.",
        best.number,
        locale.length(best.x_mm.hypot(best.y_mm), 0)
    )
}

//! Sentences of a reading's cautions and failures, and of remarks on the records as a whole.

use super::numbers::{percent, several};
use super::terms::{kind_name, letter};
use super::{Locale, Sentence};
use crate::reading::{CautionKind, CountDiffers, EntryName, MissedShots, NamedOutlier, OddArrow};
use crate::record::{ArrowKind, Bow, Hand, HistoryRemarkKind};

impl Sentence for CautionKind {
    fn text(&self, locale: Locale) -> String {
        match self {
            Self::NoDistance => format!(
                "The distance isn't known, so nothing is called. {}",
                locale.either("Add distance_m to the session (or --distance).", "Say how far it was.")
            ),
            Self::NoHand => format!(
                "The drawing hand isn't known, so left and right can't be read as weak or stiff. {}",
                locale.either("Add hand to the session (or --hand).", "Say which hand draws the string.")
            ),
            Self::NoReading { fletched, bare, least } => no_reading([*fletched, *bare], *least),
            Self::Assumptions(error) => error.clone(),
            Self::Unconfirmed(entries) => format!(
                "Left out because nobody has confirmed what they are: {}. Check them{}.",
                named(entries),
                with_confirm(locale)
            ),
            Self::NoPlace(entries) => format!(
                "Left out because they lie nowhere on a boss: {}. Correct their x_mm and y_mm.",
                named(entries)
            ),
            Self::BetweenSpots(entries) => format!(
                "Between two spots, so the spot aimed at is a guess: {}. Tell it with spot in the record, or shoot bare \
                 shafts at a face with one centre.",
                named(entries)
            ),
            Self::NoSpots => {
                "Shots at several spots are left out because the record doesn't tell where the spots are. Measure the photo \
                 again with the right face."
                    .to_owned()
            }
            Self::ShortDistance(distance) => format!(
                "At {distance} m a bow can look in tune when it isn't, and a difference can still change its size. Take it \
                 as a first step and shoot again at 30 m before anything is cut."
            ),
            Self::LongDistance(distance) => format!(
                "At {distance} m wind and form weigh more than the tune. Shoot the bare shafts at 30 m."
            ),
            Self::ToleranceRange { given_mm, used_mm, range_mm: [least, most] } => format!(
                "A tolerance of {} at 30 m is out of reach or no tune; {} was used. Give one from {} to {}.",
                exact(*given_mm, locale),
                exact(*used_mm, locale),
                locale.length_without_unit(*least, EXACT),
                exact(*most, locale)
            ),
            Self::WrongSpine { offset_mm, distance_m } => format!(
                "{} to the side at {distance_m} m is more than tuning takes up: the shafts are probably of the wrong \
                 spine. Try other shafts before anything else, and go closer until they all hit the boss.",
                locale.length(*offset_mm, 0)
            ),
            Self::WideScatter([x, y]) => format!(
                "The groups are wider than the difference that is left (fletched shots {} by {} standard deviation). More \
                 shots tonight won't settle it: shoot closer groups another day, or with rested arms.",
                locale.length_without_unit(*x, 0),
                locale.length(*y, 0)
            ),
            Self::Roll => format!(
                "How upright the photo is isn't known well enough, and a turned photo mixes left-right with high-low. Tap two \
                 points of a level or upright line{}, or photograph the whole paper with its edges.",
                locale.either(" with `bossmark confirm`", " on the photo")
            ),
            Self::Lean => {
                "The bare shafts stand in the boss the other way round than where they hit suggests. Look for contact at the rest \
                 or the arm, and shoot one bare shaft from a few paces to see how it stands before changing much."
                    .to_owned()
            }
            Self::MixedSetups(runs) => format!(
                "These records hold {runs} runs of different set-ups or bows. Each is read apart, never averaged; {} \
                 says what the changes between them did.",
                locale.either("`bossmark advise`", "the advice")
            ),
            Self::SeveralDistances(distances) => several_distances(distances, locale),
            Self::History(about) => about.text(locale),
            Self::Written(text) => text.clone(),
            Self::FewShots { fletched, bare, least } => format!(
                "Only {} and {} count. Shoot at least {least} of each kind, better twice that: with fewer, one bad loose looks \
                 like a tune.",
                several(*fletched, "fletched shot"),
                several(*bare, "bare shot"),
            ),
            Self::CountDiffers(ends) => format!(
                "Not as many shots as were given ({}). A shot that is missing, or one too many, can turn a reading: look at \
                 these ends{} before you rely on it, and note shots that missed the boss.",
                list(ends, "; ", |CountDiffers { end, kind, given, counted }| format!(
                    "end {end}: {given} {} given, {counted} counted",
                    kind_name(*kind)
                )),
                with_confirm(locale)
            ),
            Self::NotChecked(shots) => format!(
                "{} as the program found them and nobody has looked at them yet. A look at them{} makes the reading surer.",
                match shots {
                    1 => "1 shot is".to_owned(),
                    count => format!("{count} shots are"),
                },
                with_confirm(locale)
            ),
            Self::Missed(missed) => missed_shots(missed),
            Self::EitherSide(axes) => format!(
                "Only two shots of one kind, and they lie {} of the other group: nothing is called there. Shoot at least \
                 three of each kind.",
                match axes {
                    [_, false] => "left and right",
                    [false, true] => "above and below",
                    [true, true] => "left and right, above and below",
                }
            ),
            Self::Outliers(outliers) => format!(
                "Probably a bad loose: {}. Such a shot stays in the reading but counts for little; don't take it out, shoot on.",
                list(outliers, "; ", outlier)
            ),
            Self::PossibleOutliers(outliers) => format!(
                "Perhaps a bad loose: {}. Another end will tell.",
                list(outliers, "; ", outlier)
            ),
            Self::OddArrows { arrows, of_two } => odd_arrows(arrows, of_two, locale),
            Self::MixedArrows { mark, end } => format!(
                "The mark {mark} stands on two arrows of end {end}. Correct the marks: mixed-up arrows hide odd ones."
            ),
            Self::NotAlternate(ends) => format!(
                "In end {} all shots of one kind came before the other, so tiring or a turning wind can look like tune. \
                 Shoot fletched and bare in turn.",
                ends.join(", ")
            ),
            Self::DifferentMass(gr) => format!(
                "The bare shafts' rear end is {:.1} gr {} than the fletched ones', which alone makes them act {}. Wrap tape \
                 round the {} until both weigh the same.",
                gr.abs(),
                if *gr < 0.0 { "lighter" } else { "heavier" },
                if *gr < 0.0 { "weaker" } else { "stiffer" },
                if *gr < 0.0 { "bare shafts" } else { "fletched ones" },
            ),
        }
    }
}

impl Sentence for HistoryRemarkKind {
    fn text(&self, _: Locale) -> String {
        match self {
            Self::OtherBow {
                bow,
                records,
                others,
            } => format!(
                "This is about {}; {records} {} of {} left out: give those alone to hear about them, or set archer, hand and bow \
                 alike where it is the same bow.",
                bow_name(bow),
                if *records == 1 { "record" } else { "records" },
                list(others, " and ", bow_name),
            ),
            Self::SameEnd { left_out, counts } => format!(
                "{} and {counts} show the same end: only the latter counts. If they are different ends, number them differently.",
                left_out.join(", "),
            ),
            Self::Incomplete {
                settings,
                within_setup,
            } => format!(
                "Known {}: {}. Write every setting into the session file, and each change at the end it was made.",
                if *within_setup {
                    "in some records of this set-up only, so taken as unchanged"
                } else {
                    "for some set-ups of this bow only, so not counted as changed"
                },
                settings.join(", ")
            ),
            Self::Written(text) => text.clone(),
        }
    }
}

/// "club riser (Mara, right-handed)".
fn bow_name(bow: &Bow) -> String {
    let hand = match bow.hand {
        Some(Hand::Right) => "right-handed",
        Some(Hand::Left) => "left-handed",
        None => "hand not known",
    };
    format!(
        "{} ({}, {hand})",
        bow.bow.as_deref().unwrap_or("a bow without a name"),
        bow.archer.as_deref().unwrap_or("archer not known"),
    )
}

/// Decimals of a length that a person has given.
const EXACT: usize = 12;

fn exact(mm: f64, locale: Locale) -> String {
    locale.length(mm, EXACT)
}

fn list<T>(items: &[T], between: &str, text: impl Fn(&T) -> String) -> String {
    let texts: Vec<String> = items.iter().map(text).collect();
    texts.join(between)
}

fn named(entries: &[EntryName]) -> String {
    list(entries, "; ", shot_name)
}

/// A shot by its arrow's mark, else by its mark on the photo: "bare B3, end 1".
fn shot_name(shot: &EntryName) -> String {
    let mark = match &shot.arrow {
        Some(arrow) => arrow.clone(),
        None => format!("{}{}", letter(shot.kind), shot.id),
    };
    match shot.kind {
        ArrowKind::Unknown => format!("{mark}, end {}", shot.end),
        kind => format!("{} {mark}, end {}", kind_name(kind), shot.end),
    }
}

fn outlier(named: &NamedOutlier) -> String {
    format!("{} ({})", shot_name(&named.shot), percent(named.p_outlier))
}

fn no_reading(shots: [u32; 2], few: usize) -> String {
    match shots {
        [0, 0] => format!(
            "No shot counts, so there is nothing to read; shoot at least {few} fletched and {few} bare shafts and confirm \
             the entries."
        ),
        [_, 0] => format!(
            "No bare shot counts, so there is nothing to compare with; shoot at least {few} bare shafts in the same end, or \
             confirm which entries are bare."
        ),
        [0, _] => format!(
            "No fletched shot counts, so there is nothing to compare with; shoot at least {few} fletched arrows in the same \
             end, or confirm which entries are fletched."
        ),
        _ => format!(
            "No end holds both fletched and bare shots, so they can't be compared; shoot at least {few} of each kind in the \
             same end."
        ),
    }
}

/// The command that shows entries to a person, after "check them".
const fn with_confirm(locale: Locale) -> &'static str {
    locale.either(" with `bossmark confirm`", "")
}

fn several_distances(distances: &[Option<f64>], locale: Locale) -> String {
    let named = list(distances, ", ", |distance| match distance {
        Some(distance) => format!("{distance} m"),
        None => "a distance not known".to_owned(),
    });
    format!(
        "These ends were shot from several distances ({named}). Each distance is read apart, never averaged; {} \
         weighs them together. Shoot the ends that shall count together from one distance, best 30 m.",
        locale.either("`bossmark advise`", "the advice")
    )
}

fn missed_shots(missed: &MissedShots) -> String {
    let unknown = match missed.unknown {
        1 => "1 shot of unknown kind".to_owned(),
        n => format!("{n} shots of unknown kind"),
    };
    let parts = [
        (missed.fletched, several(missed.fletched, "fletched shot")),
        (missed.bare, several(missed.bare, "bare shot")),
        (missed.unknown, unknown),
    ];
    let parts: Vec<String> = parts.into_iter().filter(|p| p.0 > 0).map(|p| p.1).collect();
    format!(
        "{} missed the boss. How far off is not known, so the true offset is probably larger than read, towards where they went. \
         Go closer or use a larger boss, and shoot the end again.",
        parts.join(" and ")
    )
}

fn odd_arrows(arrows: &[OddArrow], of_two: &[ArrowKind], locale: Locale) -> String {
    let mut sentences: Vec<String> = Vec::new();
    for arrow in arrows {
        sentences.push(format!(
            "{} arrow {} keeps landing {} from the others of its kind{}.",
            match arrow.kind {
                ArrowKind::Bare => "Bare",
                ArrowKind::Fletched | ArrowKind::Unknown => "Fletched",
            },
            arrow.mark,
            locale.length(arrow.distance_mm, 0),
            if arrow.left_out {
                " and is left out of the reading"
            } else {
                ""
            }
        ));
    }
    for kind in of_two {
        sentences.push(format!(
            "The two {} arrows keep landing apart; with two nobody can say which is the odd one, so shoot a third.",
            kind_name(*kind)
        ));
    }
    format!(
        "{} Inspect it, spin it, turn or change its nock; if it stays odd, leave it at home.",
        sentences.join(" ")
    )
}

//! The plan in words.

use super::numbers::{count, percent};
use super::{Locale, Sentence, layout};
use crate::plan::{CautionKind, Plan, Precision, ScatterFrom, ToNote};
use crate::record::Hand;

impl Sentence for ToNote {
    fn text(&self, _: Locale) -> String {
        let text = match self {
            Self::Shooting => {
                "which hand draws, the distance, the face's size, the date and the number of the end"
            }
            Self::Missed => "shots that missed the boss, bare or fletched, and where they went",
            Self::DrawWeight => {
                "draw weight on the fingers (with a scale) and how many turns the limb bolts are out, with the maker's limits"
            }
            Self::Shafts => {
                "shafts: spine, length from nock groove to front end, point weight, and what the nock end weighs on both kinds"
            }
            Self::Limits => {
                "the shortest safe shaft length at your full draw, points owned, spines to be had: the limits"
            }
            Self::Heights => {
                "plunger clicks from its usual place, height of nocking point and rest, brace height"
            }
            Self::Arrows => "the mark on each arrow and the order shot",
            Self::Written(text) => text,
        };
        text.to_owned()
    }
}

impl Sentence for CautionKind {
    fn text(&self, locale: Locale) -> String {
        match self {
            Self::StartShort(distance_m) => format!(
                "No distance given: start at {distance_m} m and go back to 30 m once the bare shafts land on the boss beside the \
                 fletched."
            ),
            Self::ShortDistance => {
                "From here a side can be named, but \"in tune\" only shows at 30 m: a bow can look in tune at a short distance and \
                 not be."
                    .to_owned()
            }
            Self::LongDistance => {
                "Beyond 35 m wind and form count for more than the tune: shoot at 30 m.".to_owned()
            }
            Self::Advice(about) => about.text(locale),
            Self::Written(text) => text.clone(),
        }
    }
}

/// A length of the plan in whole units, halves to the even one.
fn whole(mm: f64, locale: Locale) -> String {
    locale.length(mm.round_ties_even(), 0)
}

/// How many shots, for which certainty.
fn needed(plan: &Plan, locale: Locale) -> String {
    let needed = &plan.needed;
    let sure = percent(needed.certainty);
    let apart = needed.tells_apart_mm.map_or_else(String::new, |mm| {
        format!(
            " {} name the side of an offset from about {} on as surely.",
            if needed.pairs.is_some() {
                "As many"
            } else {
                "The ends planned"
            },
            whole(mm, locale)
        )
    });
    match needed.pairs {
        Some(pairs) => format!(
            "{pairs} of each kind find an offset of {}, and show a bow that is in tune to be so, with {sure} each.{apart}",
            whole(needed.far_mm, locale)
        ),
        None => format!(
            "With groups this wide no number of shots that people make shows a bow to be in tune with {sure}; a side can still be \
             found. Closer groups first, or a wider tolerance.{apart}"
        ),
    }
}

/// What the sides mean for this archer.
fn sides(hand: Hand) -> String {
    let (weak, stiff) = match hand {
        Hand::Right => ("right", "left"),
        Hand::Left => ("left", "right"),
    };
    format!(
        "For you bare shafts to the {weak} mean weak, to the {stiff} stiff; high means the nocking point is too low, low that it \
         is too high."
    )
}

/// As many ends as an advice wants before it acts, and as many as the certainty takes.
fn how_many_ends(plan: &Plan) -> String {
    let first = format!(
        "Shoot {} ends before you change anything,",
        count(i64::from(plan.ends))
    );
    match plan.needed.ends.filter(|sure| *sure > plan.ends) {
        Some(sure) => format!("{first} {} to be sure,", count(i64::from(sure))),
        None => first,
    }
}

/// The plan as text in 80 columns.
#[must_use]
pub fn plan(plan: &Plan, locale: Locale) -> String {
    let scatter = whole(plan.scatter.sd_mm, locale);
    let tolerance = whole(plan.tolerance_mm, locale);
    let mut lines = vec![
        format!(
            "{} from {} m: {} fletched and {} bare in each, one of each in turn ({}), all at the same aiming point.",
            how_many_ends(plan),
            plan.distance_m,
            plan.fletched,
            plan.bare,
            plan.order.join(", ")
        ),
        "Photograph the whole face before you pull, from two or three metres and one or two steps to the side, the phone not tilted; keep \
         the same arrows throughout."
            .to_owned(),
        needed(plan, locale),
        match plan.scatter.from {
            ScatterFrom::Stated => format!(
                "With your scatter of {scatter} (sd on each axis) and a tolerance of {tolerance}:"
            ),
            ScatterFrom::Assumed => format!(
                "Your scatter isn't known yet; averaged over archers (the middle one has {scatter}, sd on each axis), with a \
                 tolerance of {tolerance}:"
            ),
        },
    ];
    lines.extend(precision_table(plan, locale));
    lines.extend(plan.hand.map(sides));
    lines.push(
        "Before the first change, once on this bow (`bossmark setup --ticked` keeps the ticks):"
            .to_owned(),
    );
    lines.extend(crate::plan::CHECKLIST.map(|code| format!("  [ ] {code}: {}", tick(code))));
    let record: Vec<String> = plan.record.iter().map(|r| r.text(locale)).collect();
    lines.push(format!("Note beside the shots: {}.", record.join("; ")));
    lines.extend(plan.cautions.iter().map(|note| note.text(locale)));
    let mut out = String::new();
    for line in lines {
        // tables and the list to tick keep their columns
        if line.starts_with("  ") {
            out.push_str(&line);
            out.push('\n');
        } else {
            layout::paragraph(&mut out, 0, &line);
        }
    }
    out
}

/// How well each number of shots knows the offset, and how often a true one is called.
fn precision_table(plan: &Plan, locale: Locale) -> Vec<String> {
    let Some(first) = plan.precision.first() else {
        return Vec::new();
    };
    let offsets = first
        .chances
        .iter()
        .map(|c| format!("{:>12}", whole(c.offset_mm, locale)));
    let head = format!("  of each   known to{}", offsets.collect::<String>());
    let row = |p: &Precision| {
        let cell = |p_side: f64, p_neutral: f64| {
            let called = format!("{:.0}/{:.0} %", 100.0 * p_side, 100.0 * p_neutral);
            format!("{called:>12}")
        };
        let cells = p.chances.iter().map(|c| cell(c.p_side, c.p_neutral));
        let known = format!("\u{b1} {}", whole(p.sd_mm, locale));
        format!("  {:>7} {known:>10}{}", p.pairs, cells.collect::<String>())
    };
    let mut lines = vec![head];
    lines.extend(plan.precision.iter().map(row));
    lines.push(
        "  (chance that a true offset of that size is called to its side / in tolerance)"
            .to_owned(),
    );
    lines
}

/// What a tick of the checklist asks for.
fn tick(code: &str) -> &'static str {
    match code {
        "centre-shot" => "the arrow stands in the middle of the bow, or just outside",
        "clearance" => "powder on vanes and shaft shows no touch of rest or arm",
        "brace-height" => "measured, within the maker's range, and noted",
        _ => "the nock holds on the string and comes off with a tap",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::PlanOptions;

    fn text(options: PlanOptions) -> String {
        let options = PlanOptions {
            distance_m: Some(30.0),
            ..options
        };
        plan(&crate::plan::plan(&options), Locale::default())
    }

    /// Groups as wide as the boss: nothing that people shoot shows "in tune", and the plan says so.
    #[test]
    fn too_wide_a_group_is_said() {
        let wide = text(PlanOptions {
            scatter_sd_mm: Some(150.0),
            ..PlanOptions::default()
        });
        assert!(wide.contains("no number of shots"), "{wide}");
    }

    #[test]
    fn the_sides_are_those_of_the_hand() {
        let left = text(PlanOptions {
            hand: Some(Hand::Left),
            ..PlanOptions::default()
        });
        assert!(left.contains("30 m") && left.contains("bare shafts to the left mean weak"));
    }
}

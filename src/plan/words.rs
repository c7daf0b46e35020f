//! The plan for a person.

use super::{Plan, ScatterFrom};
use crate::record::Hand;

/// What to note beside the shots, in the order of worth.
pub(super) fn record() -> Vec<String> {
    [
        "which hand draws, the distance, the face's size, the date and the number of the end",
        "shots that missed the boss, bare or fletched, and where they went",
        "draw weight on the fingers (with a scale) and how many turns the limb bolts are out, with the maker's limits",
        "shafts: spine, length from nock groove to front end, point weight, and what the nock end weighs on both kinds",
        "the shortest safe shaft length at your full draw, points owned, spines to be had: the limits",
        "plunger clicks from its usual place, height of nocking point and rest, brace height",
        "the mark on each arrow and the order shot",
    ]
    .map(str::to_owned)
    .to_vec()
}

/// How many shots, for which certainty.
fn needed(plan: &Plan) -> String {
    let needed = &plan.needed;
    let sure = format!("{:.0} %", 100.0 * needed.certainty);
    let apart = needed.tells_apart_mm.map_or_else(String::new, |mm| {
        format!(" The ends planned name the side of an offset from about {mm:.0} mm on as surely.")
    });
    match needed.pairs {
        Some(pairs) => format!(
            "{pairs} of each kind find an offset of {:.0} mm, and show a bow that is in tune to be so, with {sure} each.{apart}",
            needed.far_mm
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

/// The plan as text, one paragraph a line.
#[must_use]
pub fn text(plan: &Plan) -> String {
    let mut lines = vec![
        format!(
            "Shoot {} ends from {} m before you change anything: {} fletched and {} bare in each, one of each in turn ({}), all \
             at the same aiming point.",
            plan.ends,
            plan.distance_m,
            plan.fletched,
            plan.bare,
            plan.order.join(", ")
        ),
        "Photograph the whole face before you pull, from two or three metres and one or two steps to the side, the phone not tilted; keep \
         the same arrows throughout."
            .to_owned(),
        needed(plan),
        match plan.scatter.from {
            ScatterFrom::Told => format!(
                "With your scatter of {:.0} mm (sd on each axis) and a tolerance of {:.0} mm:",
                plan.scatter.sd_mm, plan.tolerance_mm
            ),
            ScatterFrom::Assumed => format!(
                "Your scatter isn't known yet; averaged over archers (the middle one has {:.0} mm, sd on each axis), with a \
                 tolerance of {:.0} mm:",
                plan.scatter.sd_mm, plan.tolerance_mm
            ),
        },
    ];
    for precision in &plan.precision {
        let chances: Vec<String> = precision
            .chances
            .iter()
            .map(|c| {
                format!(
                    "{:.0} mm: side {:.0} %, in tolerance {:.0} %",
                    c.offset_mm,
                    100.0 * c.p_side,
                    100.0 * c.p_neutral
                )
            })
            .collect();
        lines.push(format!(
            "  {:>2} of each: offset known to ± {:.0} mm; chance that it is called, for a true offset of {}",
            precision.pairs,
            precision.sd_mm,
            chances.join("; ")
        ));
    }
    lines.extend(plan.hand.map(sides));
    lines.push(format!(
        "Note beside the shots: {}.",
        plan.record.join("; ")
    ));
    lines.extend(plan.cautions.iter().map(|note| note.text.clone()));
    lines.join("\n")
}

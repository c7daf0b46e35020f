//! Why bows didn't end rightly in tune, and what the ends were spent on.

use crate::play::{Outcome, Played};
use std::collections::BTreeMap;

/// How a bow that isn't rightly in tune ended.
fn ended(played: &Played) -> Option<&'static str> {
    Some(match (played.outcome, played.within(1.0)) {
        (Outcome::DeclaredInTune, true) => return None,
        (Outcome::DeclaredInTune, false) => "falsely in tune",
        (Outcome::AtLimits, true) => "at limits, in tune",
        (Outcome::AtLimits, false) => "at limits",
        (Outcome::OutOfEnds, true) => "out of ends, in tune",
        (Outcome::OutOfEnds, false) => "out of ends",
    })
}

/// What would have brought it in tune from where it ended.
fn way(played: &Played) -> &'static str {
    if played.within(1.0) {
        return "is in tune";
    }
    let out = [0, 1].map(|axis| played.offset[axis].abs() > crate::bows::TOLERANCE);
    let all = |can: &dyn Fn(usize) -> bool| [0, 1].iter().all(|&axis| !out[axis] || can(axis));
    if all(&|axis| {
        let alone = &played.reach[axis].alone;
        alone
            .iter()
            .any(|c| c.name() != "shaft-length" && c.name() != "shaft-spine")
    }) {
        "one undoable lever"
    } else if all(&|axis| played.reach[axis].undoable) {
        "undoable levers together"
    } else if all(&|axis| !played.reach[axis].alone.is_empty()) {
        "a cut or spine alone"
    } else if all(&|axis| played.reach[axis].all) {
        "all levers together"
    } else {
        "none"
    }
}

/// The table: endings by what would have helped, ends by what they were spent on.
pub(crate) fn print(all: &[Played]) {
    let share = |n: usize| 100.0 * n as f64 / all.len() as f64;
    let mut endings: BTreeMap<(&str, &str), Vec<&Played>> = BTreeMap::new();
    for played in all {
        if let Some(ended) = ended(played) {
            endings
                .entry((ended, way(played)))
                .or_default()
                .push(played);
        }
    }
    println!(
        "  not rightly in tune, % of bows, by what would have helped: scatter and largest offset, medians"
    );
    for ((ended, way), bows) in &endings {
        let middle = |value: &dyn Fn(&Played) -> f64| {
            let mut values: Vec<f64> = bows.iter().map(|p| value(p)).collect();
            values.sort_by(f64::total_cmp);
            values[values.len() / 2]
        };
        let offset = middle(&|p| p.offset.iter().fold(0.0, |most: f64, d| most.max(d.abs())));
        println!(
            "    {ended:<22} {way:<26} {:5.1}  {:4.0} {offset:5.0}",
            share(bows.len()),
            middle(&|p| p.sigma)
        );
    }
    let mut waits: BTreeMap<&str, usize> = BTreeMap::new();
    let mut inside = 0;
    for played in all {
        for (key, n) in &played.waits {
            *waits.entry(key).or_default() += n;
        }
        inside += played.waits_in_tune;
    }
    let per_bow = |n: usize| n as f64 / all.len() as f64;
    println!(
        "  ends a bow after which nothing was changed ({:.2} of them with a bow in tune)",
        per_bow(inside)
    );
    let mut waits: Vec<_> = waits.into_iter().collect();
    waits.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
    for (key, n) in waits {
        println!("    {key:<49} {:5.2}", per_bow(n));
    }
}

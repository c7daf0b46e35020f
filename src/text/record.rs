//! A record in words: its day, what it counts, its number.

use super::numbers::{count, several};
use crate::record::history::is_confirmed;
use crate::record::{ArrowKind, End, Entry, ShotCount, entries_to_check};

/// The day of an end as its record has it, `YYYY-MM-DD`.
pub(crate) fn day(end: &End) -> Option<&str> {
    let photo = end.photo.as_ref();
    let date = end
        .session
        .date
        .as_deref()
        .or(photo.and_then(|p| p.taken.as_deref()))
        .or(photo.and_then(|p| p.taken_local.as_deref()))?;
    date.get(..10)
}

/// "3 fletched, 3 bare, 1 of unknown kind": those that count, unsure ones left out.
pub(crate) fn counts(end: &End) -> String {
    let count = |kind| {
        let counted = |e: &&Entry| e.kind == kind && e.counts();
        end.entries.iter().filter(counted).count()
    };
    let mut out = format!(
        "{} fletched, {} bare",
        count(ArrowKind::Fletched),
        count(ArrowKind::Bare)
    );
    let unknown = count(ArrowKind::Unknown);
    if unknown > 0 {
        out.push_str(&format!(", {unknown} of unknown kind"));
    }
    if !end.missed.is_empty() {
        out.push_str(&format!(", {} missed the boss", end.missed.len()));
    }
    out
}

/// "ends 1 to 3": the numbers of ends where the records have them, else how many.
pub(crate) fn end_numbers(ends: &[&End]) -> String {
    let numbers: Option<Vec<u64>> = ends.iter().map(|e| e.session.end).collect();
    match numbers.as_deref() {
        Some([one]) => format!("end {one}"),
        Some([first, last]) => format!("ends {first} and {last}"),
        Some([first, .., last]) => format!("ends {first} to {last}"),
        _ => several(ends.len(), "end"),
    }
}

/// "5 of 6": the shots that a record accounts for, and those shot.
pub(crate) fn count_of(count: &ShotCount) -> String {
    format!("{} of {}", count.found, count.shot)
}

/// "one fletched missing", "one bare too many": how the shots accounted for differ from those shot; `None` where they don't.
pub(crate) fn count_difference(shots: &ShotCount) -> Option<String> {
    if shots.agrees() {
        return None;
    }
    let kinds = [
        (shots.fletched_short, "fletched"),
        (shots.bare_short, "bare"),
    ];
    let listed = |of: &dyn Fn(i64) -> bool, tail: &str| {
        let parts: Vec<String> = kinds
            .iter()
            .filter(|(n, _)| of(*n))
            .map(|(n, kind)| format!("{} {kind}", count(n.abs())))
            .collect();
        (!parts.is_empty()).then(|| format!("{} {tail}", parts.join(" and ")))
    };
    let unknown = (shots.unknown > 0).then(|| format!("{} of unknown kind", count(shots.unknown)));
    // those of unknown kind may be the missing ones
    let missing = if shots.fletched_short + shots.bare_short == shots.unknown && shots.unknown > 0 {
        None
    } else {
        listed(&|n| n > 0, "missing")
    };
    let parts = [missing, listed(&|n| n < 0, "too many"), unknown];
    Some(parts.into_iter().flatten().collect::<Vec<_>>().join(", "))
}

/// How an end stands, the same words everywhere: "5 of 6: one fletched missing, 2 unsure, not confirmed".
pub(crate) fn standing(end: &End) -> String {
    let mut parts = Vec::new();
    match ShotCount::of(end) {
        Some(count) => {
            let difference = count_difference(&count);
            let difference = difference.map_or_else(String::new, |d| format!(": {d}"));
            parts.push(format!("{}{difference}", count_of(&count)));
        }
        None => parts.push(counts(end)),
    }
    let unsure = entries_to_check(end).len();
    if unsure > 0 {
        parts.push(format!("{unsure} unsure"));
    }
    parts.push(
        if is_confirmed(end) {
            "confirmed"
        } else {
            "not confirmed"
        }
        .to_owned(),
    );
    parts.join(", ")
}

/// How several ends stand: "3 ends, 1 to check".
pub(crate) fn standing_of_ends<'a>(ends: impl Iterator<Item = &'a End>) -> String {
    let (mut all, mut open) = (0, 0);
    for end in ends {
        all += 1;
        open += usize::from(!is_confirmed(end));
    }
    match open {
        0 => format!("{}, confirmed", several(all, "end")),
        n => format!("{}, {n} to check", several(all, "end")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shots(fletched_short: i64, bare_short: i64, unknown: i64) -> ShotCount {
        ShotCount {
            shot: 6,
            found: 6 - fletched_short - bare_short,
            fletched_short,
            bare_short,
            unknown,
        }
    }

    #[test]
    fn differences_name_their_kind() {
        for (given, words) in [
            (shots(0, 0, 0), None),
            (shots(1, 0, 0), Some("one fletched missing")),
            (shots(1, 2, 0), Some("one fletched and two bare missing")),
            (shots(0, -1, 0), Some("one bare too many")),
            (
                shots(1, -1, 0),
                Some("one fletched missing, one bare too many"),
            ),
            (shots(1, 0, 1), Some("one of unknown kind")),
        ] {
            assert_eq!(count_difference(&given).as_deref(), words);
        }
        assert_eq!(count_of(&shots(1, 0, 0)), "5 of 6");
    }
}

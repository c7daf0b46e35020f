//! A record in words: its day, what it counts, its number.

use super::numbers::several;
use crate::record::{ArrowKind, End, Entry};

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
        let counted = |e: &&Entry| e.kind == kind && !e.is_unsure();
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

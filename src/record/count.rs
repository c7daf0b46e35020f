//! The shafts that a record accounts for, against those that were shot.

use super::{ArrowKind, End, Entry, EntryState};

/// How many shots a record accounts for, where both numbers of shots are known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ShotCount {
    /// Shots shot, of both kinds.
    pub shot: i64,
    /// Shots accounted for: entries of 50 % or more, and shots noted as missed.
    pub found: i64,
    /// Fletched shots not accounted for; below zero where there are too many.
    pub fletched_short: i64,
    /// Bare shots not accounted for; below zero where there are too many.
    pub bare_short: i64,
    /// Entries of unknown kind, which may be any of those not accounted for.
    pub unknown: i64,
}

impl ShotCount {
    /// The count of an end; `None` where the number of shots of a kind is not known.
    #[must_use]
    pub fn of(end: &End) -> Option<Self> {
        let fletched = i64::from(end.session.fletched?);
        let bare = i64::from(end.session.bare?);
        let of_kind = |kind: ArrowKind| {
            let entries = end.entries.iter();
            let found = entries.filter(|e| e.kind == kind && e.counts()).count();
            let missed = end.missed.iter().filter(|m| m.kind == kind).count();
            i64::try_from(found + missed).unwrap_or(i64::MAX)
        };
        let counts = [ArrowKind::Fletched, ArrowKind::Bare, ArrowKind::Unknown].map(of_kind);
        Some(Self {
            shot: fletched + bare,
            found: counts.iter().sum(),
            fletched_short: fletched - counts[0],
            bare_short: bare - counts[1],
            unknown: counts[2],
        })
    }

    /// Whether every shot is accounted for, each under its kind.
    #[must_use]
    pub const fn agrees(&self) -> bool {
        self.fletched_short == 0 && self.bare_short == 0 && self.unknown == 0
    }
}

/// Proposals below this confidence are checked one by one. Above it at least nine of ten are right, as `confidence` is defined.
const MIN_CERTAIN_CONFIDENCE: f64 = 0.9;

/// The proposed entries that a person should check one by one, the most doubtful first: those below 90 %, and those of unknown
/// kind.
#[must_use]
pub fn entries_to_check(end: &End) -> Vec<&Entry> {
    let confidence = |e: &Entry| match e.kind {
        ArrowKind::Unknown => e.confidence.unwrap_or(0.0).min(0.5),
        _ => e.confidence.unwrap_or(1.0),
    };
    let mut list: Vec<&Entry> = end
        .entries
        .iter()
        .filter(|e| e.state == EntryState::Proposed && confidence(e) < MIN_CERTAIN_CONFIDENCE)
        .collect();
    list.sort_by(|a, b| {
        confidence(a)
            .total_cmp(&confidence(b))
            .then(a.id.cmp(&b.id))
    });
    list
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn end(kinds: &[(&str, f64)], missed: &[&str]) -> End {
        let entries: Vec<_> = (1..)
            .zip(kinds)
            .map(|(id, (kind, c))| json!({"id": id, "x_mm": 0, "y_mm": 0, "kind": kind, "confidence": c}))
            .collect();
        let missed: Vec<_> = missed.iter().map(|k| json!({"kind": k})).collect();
        serde_json::from_value(
            json!({"schema": "bossmark/end/1", "entries": entries, "missed": missed,
            "session": {"fletched": 3, "bare": 2}}),
        )
        .expect("record")
    }

    #[test]
    fn missed_shots_count_and_unsure_entries_don_t() {
        let count = |e: &End| ShotCount::of(e).expect("numbers");
        let five = [
            ("fletched", 0.9),
            ("fletched", 0.9),
            ("bare", 0.9),
            ("bare", 0.95),
            ("fletched", 0.3),
        ];
        let short = count(&end(&five, &[]));
        assert_eq!(
            (
                short.found,
                short.shot,
                short.fletched_short,
                short.bare_short
            ),
            (4, 5, 1, 0)
        );
        assert!(!short.agrees());
        assert!(count(&end(&five, &["fletched"])).agrees());
        let over = count(&end(&[("bare", 0.9); 3], &[]));
        assert_eq!((over.fletched_short, over.bare_short), (3, -1));
    }

    #[test]
    fn without_both_numbers_there_is_no_count() {
        let mut one = end(&[("bare", 0.9)], &[]);
        one.session.bare = None;
        assert_eq!(ShotCount::of(&one), None);
    }
}

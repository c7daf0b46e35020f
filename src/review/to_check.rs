//! Which entries a person should check first.

use crate::record::{ArrowKind, End, Entry, EntryState};

/// Proposals below this confidence are checked one by one. Above it at least nine of ten are right, as `confidence` is defined.
const MIN_CERTAIN_CONFIDENCE: f64 = 0.9;

/// Ids of the proposed entries that a person should check, the most doubtful first.
#[must_use]
pub fn entries_to_check(end: &End) -> Vec<u64> {
    let doubt = |e: &Entry| match e.kind {
        ArrowKind::Unknown => e.confidence.unwrap_or(0.0).min(0.5),
        _ => e.confidence.unwrap_or(1.0),
    };
    let mut list: Vec<(f64, u64)> = end
        .entries
        .iter()
        .filter(|e| e.state == EntryState::Proposed)
        .map(|e| (doubt(e), e.id))
        .filter(|(c, _)| *c < MIN_CERTAIN_CONFIDENCE)
        .collect();
    list.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    list.into_iter().map(|(_, id)| id).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn the_most_doubtful_comes_first_and_confirmed_ones_not_at_all() {
        let end: End = serde_json::from_value(json!({"schema": "bossmark/end/1", "entries": [
            {"id": 1, "x_mm": 0, "y_mm": 0, "kind": "bare", "confidence": 0.95},
            {"id": 2, "x_mm": 0, "y_mm": 0, "kind": "bare", "confidence": 0.7},
            {"id": 3, "x_mm": 0, "y_mm": 0, "kind": "unknown", "confidence": 0.97},
            {"id": 4, "x_mm": 0, "y_mm": 0, "kind": "bare", "confidence": 0.2, "state": "confirmed"},
            {"id": 5, "x_mm": 0, "y_mm": 0, "kind": "fletched", "confidence": 0.3},
            {"id": 6, "x_mm": 0, "y_mm": 0, "kind": "fletched"}]}))
        .expect("record");
        assert_eq!(entries_to_check(&end), [5, 3, 2]);
    }
}

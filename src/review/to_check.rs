//! Which entries a person should check first.

use crate::record::{End, entries_to_check};

/// Ids of the proposed entries that a person should check, the most doubtful first.
#[must_use]
pub fn ids_to_check(end: &End) -> Vec<u64> {
    entries_to_check(end).iter().map(|e| e.id).collect()
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
        assert_eq!(ids_to_check(&end), [5, 3, 2]);
    }
}

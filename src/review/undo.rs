//! Taking edits back: an earlier state as a new revision.

use super::apply::{LAST_ID_KEY, last_id};
use crate::record::End;

/// The record as `earlier` had it, as the revision that follows `now`. Ids used since are not used again.
#[must_use]
pub fn restore(now: &End, earlier: &End) -> End {
    let mut end = earlier.clone();
    end.revision = now.revision + 1;
    let used = last_id(now).max(last_id(earlier));
    let highest = end.entries.iter().map(|e| e.id).max().unwrap_or(0);
    if used > highest {
        end.extra.insert(LAST_ID_KEY.to_owned(), used.into());
    } else {
        end.extra.remove(LAST_ID_KEY);
    }
    end
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::review::{Edit, apply};
    use serde_json::json;

    #[test]
    fn going_back_and_forth_counts_on_and_uses_no_id_twice() {
        let first: End = serde_json::from_value(json!({"schema": "bossmark/end/1", "entries": [
            {"id": 1, "x_mm": 1, "y_mm": 2, "kind": "bare", "confidence": 0.5}]}))
        .expect("record");
        let add = |end: &End| {
            let edits: Vec<Edit> = serde_json::from_value(
                json!([{"do": "add", "kind": "bare", "x_mm": 5, "y_mm": 6}]),
            )
            .expect("edits");
            apply(end, &edits).expect("applied")
        };
        let second = add(&first);
        let back = restore(&second, &first);
        assert_eq!((back.revision, &back.entries), (2, &first.entries));
        let other = add(&back);
        assert_eq!(other.entries[1].id, 3, "2 was used before");
        let forth = restore(&back, &second);
        assert_eq!((forth.revision, &forth.entries), (3, &second.entries));
        assert!(!forth.extra.contains_key(LAST_ID_KEY));
    }
}

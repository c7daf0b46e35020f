//! The order of records.

use super::RecordFile;
use crate::record::When;
use std::cmp::Ordering;
use std::collections::BTreeSet;

/// Sorts records; the result doesn't depend on their order before.
#[must_use]
pub fn sorted(mut records: Vec<RecordFile>) -> Vec<RecordFile> {
    let order = Order::of(records.iter());
    order.sort(&mut records, |filed| filed);
    records
}

/// The order of a set of records. If a day has times without a zone, all its times are compared as written, else as instants: one
/// rule per day keeps the order consistent.
pub(super) struct Order {
    /// The days that have times without a zone.
    zoneless: BTreeSet<jiff::civil::Date>,
}

impl Order {
    pub(super) fn of<'a>(records: impl Iterator<Item = &'a RecordFile>) -> Self {
        let zoneless = records
            .filter_map(|f| When::of(&f.end))
            .filter(|w| w.time.is_some() && w.instant.is_none())
            .map(|w| w.day)
            .collect();
        Self { zoneless }
    }

    /// Sorts values that each hold a record. Every date is parsed once.
    pub(super) fn sort<T>(&self, all: &mut Vec<T>, filed: impl Fn(&T) -> &RecordFile) {
        let mut dated: Vec<(Option<When>, T)> = std::mem::take(all)
            .into_iter()
            .map(|value| (When::of(&filed(&value).end), value))
            .collect();
        dated.sort_by(|(t, a), (u, b)| {
            let (a, b) = (filed(a), filed(b));
            self.moments(t.as_ref(), u.as_ref())
                .then_with(|| a.end.session.end.cmp(&b.end.session.end))
                .then_with(|| base_name(&a.file).cmp(base_name(&b.file)))
                .then_with(|| a.line.cmp(&b.line))
                .then_with(|| a.file.as_bytes().cmp(b.file.as_bytes()))
        });
        all.extend(dated.into_iter().map(|(_, value)| value));
    }

    fn moments(&self, a: Option<&When>, b: Option<&When>) -> Ordering {
        match (a, b) {
            (Some(a), Some(b)) => a.day.cmp(&b.day).then_with(|| {
                if self.zoneless.contains(&a.day) {
                    a.time.cmp(&b.time)
                } else {
                    a.instant.cmp(&b.instant)
                }
            }),
            _ => a.is_some().cmp(&b.is_some()),
        }
    }
}

/// The last component of a path, as bytes.
fn base_name(file: &str) -> &[u8] {
    file.rsplit(['/', '\\']).next().unwrap_or(file).as_bytes()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::history::test_records::{filed, files, with_photo};
    use serde_json::json;

    #[test]
    fn order_is_day_then_instant_then_end_then_name() {
        let mut records = vec![
            filed("z-undated", json!({})),
            filed("date-alone", json!({"date": "2026-05-03", "end": 9})),
            // later as an instant, although its clock shows less
            filed("late", json!({"date": "2026-05-03T09:00:00-05:00"})),
            filed("early", json!({"date": "2026-05-03T10:00:00+02:00"})),
            filed("b", json!({"date": "2026-05-04", "end": 2})),
            filed("dir2/a", json!({"date": "2026-05-04", "end": 2})),
            filed("first", json!({"date": "2026-05-04", "end": 1})),
            filed("unnumbered", json!({"date": "2026-05-04"})),
        ];
        let wanted = [
            "z-undated",
            "date-alone",
            "early",
            "late",
            "unnumbered",
            "first",
            "dir2/a",
            "b",
        ];
        assert_eq!(files(&sorted(records.clone())), wanted);
        records.reverse();
        assert_eq!(files(&sorted(records)), wanted);
    }

    #[test]
    fn a_day_with_zoneless_times_goes_by_the_clock_as_written() {
        let records = vec![
            with_photo(
                filed("c", json!({})),
                "3",
                Some("2026-05-03T12:00:00+02:00"),
                None,
            ),
            with_photo(
                filed("b", json!({})),
                "2",
                None,
                Some("2026-05-03T11:00:00"),
            ),
            with_photo(
                filed("a", json!({})),
                "1",
                Some("2026-05-03T10:00:00-05:00"),
                None,
            ),
        ];
        assert_eq!(files(&sorted(records)), ["a", "b", "c"]);
    }
}

//! Records that stand for the same end: of them one counts.

use super::bow::Bow;
use super::order::Order;
use super::{ExcludedRecord, RecordExclusion, RecordFile};
use crate::photo::fingerprint;
use crate::record::{End, EntryState, When, canonical};
use std::collections::{BTreeMap, BTreeSet};

/// A record that counts, and the files of other photos of the same end, which don't.
pub(super) struct CountedRecord {
    pub(super) filed: RecordFile,
    pub(super) same_end: Vec<String>,
}

pub(super) struct CountedRecords {
    pub(super) records: Vec<CountedRecord>,
    pub(super) left_out: Vec<ExcludedRecord>,
}

/// Leaves out failed records, records given twice, and second photos of one end. Expects sorted records.
pub(super) fn count_once(records: Vec<RecordFile>) -> CountedRecords {
    let mut kept: Vec<CountedRecord> = Vec::new();
    let mut left_out = Vec::new();
    // by what records of the same end share, so that not every record is compared with every other
    let mut by_trait: BTreeMap<SharedTrait, BTreeSet<usize>> = BTreeMap::new();
    for filed in records {
        if filed.end.failure.is_some() && filed.end.entries.is_empty() {
            left_out.push(ExcludedRecord {
                filed,
                reason: RecordExclusion::Failed,
            });
            continue;
        }
        let traits = SharedTrait::of(&filed.end);
        let candidates: BTreeSet<usize> = traits
            .iter()
            .flat_map(|t| by_trait.get(t).into_iter().flatten().copied())
            .collect();
        let counterpart = candidates.into_iter().find_map(|index| {
            let k = kept.get(index)?;
            same_end(&k.filed.end, &filed.end).map(|reason| (index, reason))
        });
        let index = counterpart.map_or(kept.len(), |(index, _)| index);
        for shared in traits {
            by_trait.entry(shared).or_default().insert(index);
        }
        let Some((other, reason)) =
            counterpart.and_then(|(index, reason)| Some((kept.get_mut(index)?, reason)))
        else {
            kept.push(CountedRecord {
                filed,
                same_end: Vec::new(),
            });
            continue;
        };
        // the confirmed one counts, then the newer: later photo, more revisions, later in the order
        let filed = if precedence(&filed.end)
            .cmp(&precedence(&other.filed.end))
            .is_ge()
        {
            std::mem::replace(&mut other.filed, filed)
        } else {
            filed
        };
        if reason == RecordExclusion::SameEnd {
            other.same_end.push(filed.file.clone());
        }
        left_out.push(ExcludedRecord { filed, reason });
    }
    // a record that replaced an earlier one may belong further back in the order
    let order = Order::of(kept.iter().map(|k| &k.filed));
    order.sort(&mut kept, |k| &k.filed);
    CountedRecords {
        records: kept,
        left_out,
    }
}

/// What two records of the same end share: at least one of these.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum SharedTrait {
    /// The photo.
    Photo(String),
    /// Day and number of the end, and the bow.
    Day(jiff::civil::Date, u64, String),
    /// The fingerprint of the document, for records without a photo.
    Document(String),
}

impl SharedTrait {
    fn of(end: &End) -> Vec<Self> {
        let mut traits = Vec::new();
        match &end.photo {
            Some(photo) if !photo.sha256.is_empty() => {
                traits.push(Self::Photo(photo.sha256.clone()));
            }
            _ => {
                // equal records have equal lines; one that can't be written equals none
                let line = canonical::to_line(end).unwrap_or_default();
                traits.push(Self::Document(fingerprint(&line)));
            }
        }
        if let (Some(number), Some(when)) = (end.session.end, When::of(end)) {
            traits.push(Self::Day(when.day, number, format!("{:?}", Bow::of(end))));
        }
        traits
    }
}

/// Why only one of two records counts; `None` if they are of different ends.
fn same_end(a: &End, b: &End) -> Option<RecordExclusion> {
    let same_photo = match (&a.photo, &b.photo) {
        (Some(p), Some(q)) => !p.sha256.is_empty() && p.sha256 == q.sha256,
        _ => false,
    };
    // filed for two archers it is an end of each
    let other_archer = match (&a.session.archer, &b.session.archer) {
        (Some(one), Some(other)) => one != other,
        _ => false,
    };
    if (same_photo && !other_archer) || a == b {
        return Some(RecordExclusion::SameRecord);
    }
    // without a day and a number it can't be known to be the same end
    let day = |e: &End| When::of(e).map(|w| w.day);
    let same = a.session.end.is_some()
        && a.session.end == b.session.end
        && day(a).is_some()
        && day(a) == day(b)
        && Bow::of(a) == Bow::of(b);
    same.then_some(RecordExclusion::SameEnd)
}

/// Of records of the same end the one with the higher value counts.
fn precedence(end: &End) -> impl Ord + use<> {
    let photo = When::of_photo(end).map(|w| (w.day, w.time));
    (is_confirmed(end), photo, end.revision)
}

/// Whether a person has confirmed this record: every entry is confirmed, or the record was edited and has no entries.
#[must_use]
pub fn is_confirmed(end: &End) -> bool {
    end.entries.iter().all(|e| e.state == EntryState::Confirmed)
        && (!end.entries.is_empty() || end.revision > 0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::History;
    use crate::record::history::test_records::{entry, filed, files, with_photo};
    use serde_json::json;

    #[test]
    fn the_same_end_counts_once() {
        let one = with_photo(
            filed("a.json", json!({"date": "2026-05-03", "end": 1})),
            "aa",
            None,
            None,
        );
        let mut copy = one.clone();
        copy.file = "copy.json".into();
        let History {
            runs,
            left_out,
            remarks,
        } = History::new(vec![one.clone(), copy]);
        assert_eq!(runs[0].ends.len(), 1);
        assert_eq!(left_out[0].reason, RecordExclusion::SameRecord);
        assert!(
            remarks.is_empty() && runs[0].remarks.is_empty(),
            "given twice is no caution"
        );

        let other = with_photo(
            filed("b.json", json!({"date": "2026-05-03", "end": 1})),
            "bb",
            None,
            None,
        );
        let mut confirmed = one;
        confirmed.end.entries = vec![entry(EntryState::Confirmed)];
        let history = History::new(vec![other, confirmed]);
        assert_eq!(
            files(&history.runs[0].ends),
            ["a.json"],
            "the confirmed one counts"
        );
        assert_eq!(history.left_out[0].reason, RecordExclusion::SameEnd);
        assert_eq!(history.runs[0].remarks[0].code, "same-end");
    }

    #[test]
    fn a_photo_that_two_archers_filed_is_an_end_of_each() {
        let of = |file: &str, archer: &str| {
            let session = json!({"date": "2026-05-03", "end": 1, "archer": archer});
            with_photo(filed(file, session), "aa", None, None)
        };
        let (histories, left_out) = History::of_each_bow(vec![of("a", "A"), of("b", "B")]);
        assert_eq!((histories.len(), left_out.len()), (2, 0));
    }

    #[test]
    fn of_two_unconfirmed_photos_of_one_end_the_newer_counts() {
        let session = json!({"date": "2026-05-03", "end": 1});
        let old = with_photo(
            filed("z", session.clone()),
            "1",
            Some("2026-05-03T10:00:00Z"),
            None,
        );
        let new = with_photo(filed("a", session), "2", Some("2026-05-03T10:05:00Z"), None);
        let history = History::new(vec![old, new]);
        assert_eq!(files(&history.runs[0].ends), ["a"]);
    }

    #[test]
    fn without_number_or_day_two_records_are_two_ends() {
        let history = History::new(vec![
            filed("a", json!({"end": 1, "note": "x"})),
            filed("b", json!({"end": 1})),
            filed("c", json!({"date": "2026-05-03"})),
            filed("d", json!({"date": "2026-05-03", "note": "x"})),
        ]);
        assert_eq!(history.runs[0].ends.len(), 4);
    }
}

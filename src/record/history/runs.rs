//! Cuts the records of each bow into runs.

use super::bow::Bow;
use super::duplicates::{CountedRecord, CountedRecords, count_once};
use super::order::sorted;
use super::{ExcludedRecord, HistoryRemark, HistoryRemarkKind, RecordFile, Run};
use crate::record::{Comparison, Remark, Setup, compare};
use std::collections::BTreeSet;

/// A run, with its bow and the indices of its first and last end among all records in order.
pub(super) struct BowRun {
    pub(super) bow: Bow,
    first: usize,
    pub(super) last: usize,
    pub(super) run: Run,
}

/// Orders records, leaves out those that don't count, and cuts every bow's records into runs. Runs are ordered by their first end.
pub(super) fn cut_into_runs(records: Vec<RecordFile>) -> (Vec<BowRun>, Vec<ExcludedRecord>) {
    let CountedRecords { records, left_out } = count_once(sorted(records));
    let mut bows: Vec<(Bow, Vec<(usize, CountedRecord)>)> = Vec::new();
    for (index, record) in records.into_iter().enumerate() {
        let bow = Bow::of(&record.filed.end);
        match bows.iter_mut().find(|(b, _)| *b == bow) {
            Some((_, list)) => list.push((index, record)),
            None => bows.push((bow, vec![(index, record)])),
        }
    }
    let mut runs: Vec<BowRun> = bows
        .into_iter()
        .flat_map(|(bow, list)| runs_of_one_bow(&bow, list))
        .collect();
    runs.sort_by_key(|r| r.first);
    (runs, left_out)
}

/// Cuts one bow's records, each with its index among all, into runs, oldest first.
fn runs_of_one_bow(bow: &Bow, list: Vec<(usize, CountedRecord)>) -> Vec<BowRun> {
    // from the newest record back: a record joins the run unless its set-up is known to differ
    let mut runs: Vec<BowRun> = Vec::new();
    for (index, record) in list.into_iter().rev() {
        let setup = record.filed.end.session.setup.clone().unwrap_or_default();
        if let Some(newer) = runs.last_mut() {
            let comparison = compare(&setup, &newer.run.setup);
            if comparison.is_same() {
                newer.first = index;
                newer.run.incomplete.extend(comparison.incomplete);
                newer.run.setup = fill(&newer.run.setup, &setup);
                add_end(&mut newer.run, record);
                continue;
            }
            newer.run.changed = comparison;
        }
        let mut run = Run {
            ends: Vec::new(),
            setup,
            changed: Comparison::default(),
            incomplete: BTreeSet::new(),
            remarks: Vec::new(),
        };
        add_end(&mut run, record);
        runs.push(BowRun {
            bow: bow.clone(),
            first: index,
            last: index,
            run,
        });
    }
    runs.reverse();
    for i in 1..runs.len() {
        // the older run's gaps are filled by now: compared again, a change shows all its settings
        let full = compare(&runs[i - 1].run.setup, &runs[i].run.setup);
        if !full.is_same() {
            runs[i].run.changed = full;
        }
    }
    for BowRun { run, .. } in &mut runs {
        run.ends.reverse();
        if !run.incomplete.is_empty() {
            run.remarks.push(setup_incomplete(&run.incomplete, true));
        }
    }
    runs
}

fn add_end(run: &mut Run, record: CountedRecord) {
    if !record.same_end.is_empty() {
        let about = HistoryRemarkKind::SameEnd {
            left_out: record.same_end,
            counts: record.filed.file.clone(),
        };
        run.remarks.push(Remark::new("same-end", about));
    }
    run.ends.push(record.filed);
}

/// Some settings are known for a part of the records only.
pub(super) fn setup_incomplete(
    settings: &BTreeSet<&'static str>,
    within_setup: bool,
) -> HistoryRemark {
    let about = HistoryRemarkKind::Incomplete {
        settings: settings.iter().copied().collect(),
        within_setup,
    };
    Remark::new("setup-incomplete", about)
}

/// The newer set-up with its gaps filled from the older one. Limits, `keep` and tolerance are the newer one's alone.
fn fill(newer: &Setup, older: &Setup) -> Setup {
    Setup {
        tolerance_30m_mm: newer.tolerance_30m_mm,
        keep: newer.keep.clone(),
        limits: newer.limits.clone(),
        extra: newer.extra.clone(),
        ..newer.or(older)
    }
}

#[cfg(test)]
mod tests {
    use crate::record::History;
    use crate::record::history::test_records::{files, night};
    use serde_json::json;

    #[test]
    fn runs_are_consecutive_and_going_back_starts_a_new_one() {
        let (a, b) = (json!({"plunger_clicks": 0}), json!({"plunger_clicks": 2}));
        let history = History::new(vec![night(4, &a), night(1, &a), night(3, &b), night(2, &a)]);
        let ends: Vec<Vec<&str>> = history.runs.iter().map(|r| files(&r.ends)).collect();
        assert_eq!(
            ends,
            [vec!["1.json", "2.json"], vec!["3.json"], vec!["4.json"]]
        );
        assert!(history.runs[0].changed.is_same());
        let change = |i: usize| {
            history.runs[i]
                .changed
                .changes
                .first()
                .and_then(|c| c.amount("plunger_clicks"))
        };
        assert_eq!((change(1), change(2)), (Some(2.0), Some(-2.0)));
    }

    #[test]
    fn an_unknown_setting_bridges_no_known_difference() {
        // 1 and 3 differ, 2 says nothing: 2 goes with the newer one, 1 stays apart
        let history = History::new(vec![
            night(1, &json!({"point_gr": 90, "plunger_clicks": 1})),
            night(2, &json!({"plunger_clicks": 1})),
            night(3, &json!({"point_gr": 100})),
        ]);
        let ends: Vec<Vec<&str>> = history.runs.iter().map(|r| files(&r.ends)).collect();
        assert_eq!(ends, [vec!["1.json"], vec!["2.json", "3.json"]]);
        let newest = history.newest().expect("run");
        assert_eq!(newest.setup.plunger_clicks, Some(1.0), "gaps are filled");
        assert_eq!(newest.remarks.len(), 1);
        assert_eq!(newest.remarks[0].code, "setup-incomplete");
        let about = &newest.remarks[0].values;
        assert!(
            matches!(about, crate::record::HistoryRemarkKind::Incomplete { settings, .. } if settings == &["plunger_clicks", "point_gr"]),
            "{about:?}"
        );
    }

    #[test]
    fn limits_of_the_newest_record_hold() {
        let history = History::new(vec![
            night(
                1,
                &json!({"limits": {"point_gr": {"max": 90}}, "keep": ["plunger"]}),
            ),
            night(2, &json!({"keep": []})),
        ]);
        let newest = history.newest().expect("run");
        assert_eq!(newest.setup.keep.as_deref(), Some([].as_slice()));
        assert_eq!(newest.setup.limits, None);
    }
}

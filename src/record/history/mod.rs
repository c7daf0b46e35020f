//! The order of records, and runs of ends with one set-up.
//!
//! Order: the day as written, then the instant (a date alone is the day's start; no date at all comes before all dates), then
//! the number of the end, then the file name's bytes, then the line. The order in which records are given means nothing.
//! A record given twice counts once; of two photos of one end one counts, and a note says so.
//!
//! A *run* is a stretch of consecutive records of one bow whose set-ups aren't known to differ. Going back to old settings
//! starts a new run.

mod bow;
mod duplicates;
mod order;
mod remark;
mod runs;

pub use bow::Bow;
pub use duplicates::is_confirmed;
pub use order::sorted;
pub use remark::{HistoryRemark, HistoryRemarkKind};

use super::{Comparison, End, Remark, Setup};
use runs::{BowRun, cut_into_runs, setup_incomplete};
use std::collections::BTreeSet;

/// A record and the file that holds it.
#[derive(Clone, Debug, PartialEq)]
pub struct RecordFile {
    /// The file's name for people (`-` for a stream).
    pub file: String,
    /// Line within the file, from 1.
    pub line: usize,
    /// The record.
    pub end: End,
}

/// Why a record isn't part of a history.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RecordExclusion {
    /// The same end was given before: equal photo, or equal document.
    SameRecord,
    /// Another photo of the same end counts instead.
    SameEnd,
    /// The record says that its photo could not be measured, and holds no entries.
    Failed,
    /// Another bow (or archer, or hand) than the newest record's.
    OtherBow,
}

/// A record that isn't part of a history.
#[derive(Clone, Debug, PartialEq)]
pub struct ExcludedRecord {
    /// The record.
    pub filed: RecordFile,
    /// Why it doesn't count.
    pub reason: RecordExclusion,
}

/// Consecutive ends of one bow with one set-up, oldest first.
#[derive(Clone, Debug, PartialEq)]
pub struct Run {
    /// The ends, oldest first; never empty.
    pub ends: Vec<RecordFile>,
    /// The set-up: the newest record's of the run, with gaps filled from the ones before it. Limits, `keep` and tolerance
    /// are the newest's alone.
    pub setup: Setup,
    /// What differs from the run before it of this bow; empty for the first.
    pub changed: Comparison,
    /// Settings that some of its records give and others don't, by name.
    pub incomplete: BTreeSet<&'static str>,
    /// Remarks on this run alone (`same-end`, `setup-incomplete` within the run); they are also cautions of its reading.
    pub remarks: Vec<HistoryRemark>,
}

impl Run {
    /// The ends grouped by distance to the millimetre, since each distance is read by itself. Ends without a distance are a group of
    /// their own. Groups are in the order of their first end.
    #[must_use]
    pub fn by_distance(&self) -> Vec<Vec<&RecordFile>> {
        let mut groups: Vec<(Option<i64>, Vec<&RecordFile>)> = Vec::new();
        for filed in &self.ends {
            let key = filed
                .end
                .session
                .distance_m
                .map(|d| crate::math::round_i64(d * 1000.0));
            match groups.iter_mut().find(|(k, _)| *k == key) {
                Some((_, group)) => group.push(filed),
                None => groups.push((key, vec![filed])),
            }
        }
        groups.into_iter().map(|(_, group)| group).collect()
    }
}

/// The runs of the newest record's bow, and the records that were left out.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct History {
    /// Runs of this bow, oldest first; the last holds the newest record. Empty if no record can be used.
    pub runs: Vec<Run>,
    /// Records that don't count, in their order, and why.
    pub left_out: Vec<ExcludedRecord>,
    /// Remarks on the history as a whole (`other-bow`, `setup-incomplete` between runs). Those on one run are in [`Run::remarks`] alone.
    pub remarks: Vec<HistoryRemark>,
}

impl History {
    /// Builds the history of the newest record's bow from records in any order.
    #[must_use]
    pub fn new(records: Vec<RecordFile>) -> Self {
        let (runs, mut left_out) = cut_into_runs(records);
        let newest = runs.iter().max_by_key(|c| c.last).map(|c| c.bow.clone());
        let Some(bow) = newest else {
            return Self {
                left_out,
                ..Self::default()
            };
        };
        let (own, others): (Vec<BowRun>, Vec<BowRun>) =
            runs.into_iter().partition(|c| c.bow == bow);
        let runs: Vec<Run> = own.into_iter().map(|c| c.run).collect();
        let mut remarks = Vec::new();
        if !others.is_empty() {
            remarks.push(other_bow(&bow, &others));
        }
        remarks.extend(incomplete_between(&runs));
        left_out.extend(
            others
                .into_iter()
                .flat_map(|c| c.run.ends)
                .map(|filed| ExcludedRecord {
                    filed,
                    reason: RecordExclusion::OtherBow,
                }),
        );
        Self {
            runs,
            left_out,
            remarks,
        }
    }

    /// The history of each bow of some records, the bow shot last first, and the records that don't count.
    #[must_use]
    pub fn of_each_bow(records: Vec<RecordFile>) -> (Vec<Self>, Vec<ExcludedRecord>) {
        let (runs, left_out) = cut_into_runs(records);
        let mut bows: Vec<(Bow, usize, Vec<Run>)> = Vec::new();
        for one in runs {
            match bows.iter_mut().find(|(bow, ..)| *bow == one.bow) {
                Some((_, last, runs)) => {
                    *last = one.last.max(*last);
                    runs.push(one.run);
                }
                None => bows.push((one.bow, one.last, vec![one.run])),
            }
        }
        bows.sort_by_key(|(_, last, _)| std::cmp::Reverse(*last));
        let histories = bows.into_iter().map(|(_, _, runs)| Self {
            remarks: incomplete_between(&runs).into_iter().collect(),
            runs,
            left_out: Vec::new(),
        });
        (histories.collect(), left_out)
    }

    /// The newest set-up's run.
    #[must_use]
    pub fn newest(&self) -> Option<&Run> {
        self.runs.last()
    }
}

/// The runs of all bows, oldest first by their first end.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Runs {
    /// The runs.
    pub runs: Vec<Run>,
    /// Records that don't count, in their order, and why.
    pub left_out: Vec<ExcludedRecord>,
}

impl Runs {
    /// Orders records, leaves out duplicates, and cuts every bow's records into runs.
    #[must_use]
    pub fn new(records: Vec<RecordFile>) -> Self {
        let (runs, left_out) = cut_into_runs(records);
        Self {
            runs: runs.into_iter().map(|c| c.run).collect(),
            left_out,
        }
    }
}

fn other_bow(bow: &Bow, others: &[BowRun]) -> HistoryRemark {
    let mut names: Vec<Bow> = Vec::new();
    for other in others {
        if !names.contains(&other.bow) {
            names.push(other.bow.clone());
        }
    }
    let about = HistoryRemarkKind::OtherBow {
        bow: bow.clone(),
        records: others.iter().map(|c| c.run.ends.len()).sum(),
        others: names,
    };
    Remark::new("other-bow", about)
}

/// The note on settings that are known on one side of a change of set-up only.
fn incomplete_between(runs: &[Run]) -> Option<HistoryRemark> {
    let settings: BTreeSet<&'static str> = runs
        .iter()
        .flat_map(|r| r.changed.incomplete.iter().copied())
        .collect();
    (!settings.is_empty()).then(|| setup_incomplete(&settings, false))
}

#[cfg(test)]
mod test_records {
    //! Records for the tests of this folder.
    use super::*;
    use crate::record::{Entry, EntryState, Session};
    use serde_json::json;

    pub(super) fn filed(file: &str, session: serde_json::Value) -> RecordFile {
        RecordFile {
            file: file.to_owned(),
            line: 1,
            end: End {
                session: serde_json::from_value::<Session>(session).expect("session"),
                ..End::default()
            },
        }
    }

    pub(super) fn with_photo(
        mut filed: RecordFile,
        sha: &str,
        taken: Option<&str>,
        local: Option<&str>,
    ) -> RecordFile {
        filed.end.photo = Some(crate::record::PhotoRecord {
            file: filed.file.clone(),
            sha256: sha.to_owned(),
            taken: taken.map(str::to_owned),
            taken_local: local.map(str::to_owned),
            ..Default::default()
        });
        filed
    }

    pub(super) fn files<'a>(ends: impl IntoIterator<Item = &'a RecordFile>) -> Vec<&'a str> {
        ends.into_iter().map(|f| f.file.as_str()).collect()
    }

    pub(super) fn entry(state: EntryState) -> Entry {
        serde_json::from_value::<Entry>(json!({"id": 1, "x_mm": 0.0, "y_mm": 0.0, "kind": "bare"}))
            .map(|e| Entry { state, ..e })
            .expect("entry")
    }

    pub(super) fn night(end: u64, setup: &serde_json::Value) -> RecordFile {
        filed(
            &format!("{end}.json"),
            json!({"date": "2026-05-03", "end": end, "setup": setup}),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::test_records::{filed, files};
    use super::*;
    use crate::record::Failure;
    use serde_json::json;

    #[test]
    fn other_bows_and_failures_are_left_out() {
        let mut failed = filed("failed", json!({"date": "2026-05-09"}));
        failed.end.failure = Some(Failure::default());
        let history = History::new(vec![
            filed("other", json!({"date": "2026-05-01", "archer": "B"})),
            filed("mine", json!({"date": "2026-05-02", "archer": "A"})),
            failed,
        ]);
        assert_eq!(files(&history.runs[0].ends), ["mine"]);
        let reasons: Vec<RecordExclusion> = history.left_out.iter().map(|l| l.reason).collect();
        assert_eq!(
            reasons,
            [RecordExclusion::Failed, RecordExclusion::OtherBow]
        );
        assert_eq!(history.remarks[0].code, "other-bow");
        assert_eq!(History::new(Vec::new()), History::default());
    }

    #[test]
    fn runs_of_all_bows_come_oldest_first_and_distances_apart() {
        let runs = Runs::new(vec![
            filed(
                "1",
                json!({"date": "2026-05-01", "archer": "B", "distance_m": 18}),
            ),
            filed(
                "2",
                json!({"date": "2026-05-02", "archer": "A", "distance_m": 18}),
            ),
            filed(
                "3",
                json!({"date": "2026-05-03", "archer": "B", "distance_m": 30}),
            ),
            filed(
                "4",
                json!({"date": "2026-05-04", "archer": "B", "distance_m": 18.0}),
            ),
        ])
        .runs;
        let ends: Vec<Vec<&str>> = runs.iter().map(|r| files(&r.ends)).collect();
        assert_eq!(ends, [vec!["1", "3", "4"], vec!["2"]]);
        let apart: Vec<Vec<&str>> = runs[0].by_distance().into_iter().map(files).collect();
        assert_eq!(apart, [vec!["1", "4"], vec!["3"]]);
    }
}

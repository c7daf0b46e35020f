//! Records → readings, advice and reports, run by run: where history, reading and advice meet.

mod bow_report;
mod face_style;
mod report_records;

pub use bow_report::{BowReport, Effect, EndReport, Problem, ReportInput, RunReport, TrendPoint};
pub use face_style::{FaceLook, Ink, Zone};
pub use report_records::ReportRecords;

use crate::advice::{Advice, AdviceOptions, Expect, ReadingCache, advise_again};
use crate::reading::{Caution, CautionKind, Reading, read};
use crate::record::{
    End, ExcludedRecord, History, RecordFile, Run, Runs, Session, SettingChange, Setup, compare,
};
use rayon::prelude::*;
use std::collections::BTreeMap;

/// The reading of some ends of one set-up at one distance.
#[derive(Clone, Debug, PartialEq)]
pub struct DistanceReading {
    /// Files of the records, oldest first.
    pub files: Vec<String>,
    /// The reading.
    pub reading: Reading,
}

/// A reading for each distance of each run, oldest first. The second value holds the records that don't count.
#[must_use]
pub fn readings(records: Vec<RecordFile>) -> (Vec<DistanceReading>, Vec<ExcludedRecord>) {
    let Runs { runs, left_out } = Runs::new(records);
    let mut all: Vec<DistanceReading> = runs.iter().flat_map(readings_of).collect();
    if runs.len() > 1 {
        let note = Caution::new("mixed-setups", CautionKind::MixedSetups(runs.len()));
        all.iter_mut()
            .for_each(|one| add_cautions(&mut one.reading, std::slice::from_ref(&note)));
    }
    (all, left_out)
}

/// The readings of one run, one for each distance. Notes on the run as a whole are cautions of the first.
#[must_use]
pub fn readings_of(run: &Run) -> Vec<DistanceReading> {
    let groups = run.by_distance();
    let read = groups
        .iter()
        .map(|group| read(&group.iter().map(|f| &f.end).collect::<Vec<_>>()))
        .collect();
    with_cautions(run, groups, read)
}

/// The readings of a run's distances, with the cautions that concern the whole run.
fn with_cautions(
    run: &Run,
    groups: Vec<Vec<&RecordFile>>,
    read: Vec<Reading>,
) -> Vec<DistanceReading> {
    let mut all: Vec<DistanceReading> = groups
        .into_iter()
        .zip(read)
        .map(|(group, reading)| DistanceReading {
            files: group.iter().map(|f| f.file.clone()).collect(),
            reading,
        })
        .collect();
    if all.len() > 1 {
        let distances = all.iter().map(|one| one.reading.distance_m).collect();
        let about = CautionKind::SeveralDistances(distances);
        let note = Caution::new("several-distances", about);
        all.iter_mut()
            .for_each(|one| add_cautions(&mut one.reading, std::slice::from_ref(&note)));
    }
    if let Some(first) = all.first_mut() {
        let notes: Vec<Caution> = run.remarks.iter().map(|n| n.clone().among()).collect();
        add_cautions(&mut first.reading, &notes);
    }
    all
}

/// An end in its history: the reading that includes it, and the records before it.
#[derive(Clone, Debug, PartialEq)]
pub struct EndInHistory {
    /// Files of the ends that are read together, oldest first, the end asked for among them.
    pub files: Vec<String>,
    /// Those ends.
    pub ends: Vec<End>,
    /// Their reading.
    pub reading: Reading,
    /// The history of this bow up to them.
    pub history: History,
    /// Whether this bow shot nothing later; only then does the advice apply to the next end.
    pub newest: bool,
}

/// The end in this file and line: the reading of its set-up and distance, and the history up to it. `None` if the
/// end doesn't count (failed, or given twice).
#[must_use]
pub fn end_in_history(
    records: Vec<RecordFile>,
    (file, line): (&str, usize),
) -> Option<EndInHistory> {
    let is_own = |f: &RecordFile| f.line == line && f.file == file;
    let Runs { runs, .. } = Runs::new(records);
    let at = runs.iter().position(|r| r.ends.iter().any(is_own))?;
    let bow = runs.get(at)?.ends.first()?.end.clone();
    let own: Vec<&Run> = runs
        .iter()
        .filter(|r| r.ends.first().is_some_and(|e| e.end.same_bow(&bow)))
        .collect();
    let index = own.iter().position(|r| r.ends.iter().any(is_own))?;
    let run = own.get(index)?;
    let (group, part) = run
        .by_distance()
        .into_iter()
        .zip(readings_of(run))
        .find(|(group, _)| group.iter().any(|f| is_own(f)))?;
    let until: Vec<Run> = own.iter().take(index + 1).map(|r| (*r).clone()).collect();
    let ends = until.iter().flat_map(|r| r.ends.iter().cloned()).collect();
    let history = History {
        remarks: History::new(ends).remarks,
        runs: until,
        left_out: Vec::new(),
    };
    Some(EndInHistory {
        files: part.files,
        ends: group.into_iter().map(|f| f.end.clone()).collect(),
        reading: part.reading,
        history,
        newest: index + 1 == own.len(),
    })
}

/// Adds cautions whose codes the reading doesn't have yet.
fn add_cautions(reading: &mut Reading, notes: &[Caution]) {
    for note in notes {
        if !reading.cautions.iter().any(|c| c.code == note.code) {
            reading.cautions.push(note.clone());
        }
    }
}

/// Settings that were noted after an end, with their values now, by the name of the end's record file.
pub type NotedSettings = BTreeMap<String, Setup>;

/// The report of each bow, the bow shot last first, for the records that `included` picks. The others are their history: they
/// count in readings, advice and trend. A bow without an included record has no report. Marked photos are left for the caller to
/// fill in. `noted` counts for each bow's newest end. The second value holds the records that don't count.
#[must_use]
pub fn bow_reports(
    records: Vec<RecordFile>,
    options: &AdviceOptions,
    noted: &NotedSettings,
    included: &(dyn Fn(&RecordFile) -> bool + Sync),
) -> (Vec<BowReport>, Vec<ExcludedRecord>) {
    let (histories, left_out) = History::of_each_bow(records);
    let bows = histories
        .iter()
        .filter_map(|history| {
            let newest = history.newest()?.ends.last()?;
            let now = AdviceOptions {
                noted_since: noted.get(&newest.file).cloned(),
                ..options.clone()
            };
            bow_report(history, options, &now, included)
        })
        .collect();
    (bows, left_out)
}

/// The report of one bow: `options` are those of the advice after each of its runs, `now` those of the advice after all of them.
fn bow_report(
    history: &History,
    options: &AdviceOptions,
    now: &AdviceOptions,
    included: &(dyn Fn(&RecordFile) -> bool + Sync),
) -> Option<BowReport> {
    let newest = history.newest()?.ends.last()?;
    // every run is read once, however often it is needed below
    let mut readings = ReadingCache::default();
    let read = readings.of_runs(history);
    let parts_of = |i: usize| -> Vec<DistanceReading> {
        let run_and_readings = history.runs.get(i).zip(read.get(i));
        run_and_readings.map_or_else(Vec::new, |(run, read)| {
            with_cautions(run, run.by_distance(), read.clone())
        })
    };
    let mut then = History::default();
    let mut runs: Vec<RunReport> = Vec::new();
    for (i, run) in history.runs.iter().enumerate() {
        // the history at that time: this run and those before it
        then.runs.push(run.clone());
        if !run.ends.iter().any(included) {
            continue;
        }
        let advice = advise_again(&then, options, &mut readings.clone());
        let before = match (runs.last(), i.checked_sub(1)) {
            (Some(before), _) => Some((before.reading.clone(), before.advice.clone())),
            (None, Some(before)) => {
                let advice = advice_at(history, before, options, &mut readings.clone());
                parts_of(before).pop().map(|part| (part.reading, advice))
            }
            (None, None) => None,
        };
        for (nth, (group, part)) in run.by_distance().into_iter().zip(parts_of(i)).enumerate() {
            let changes = if nth == 0 {
                run.changed.settings()
            } else {
                Vec::new()
            };
            let effect =
                before
                    .as_ref()
                    .filter(|_| !changes.is_empty())
                    .and_then(|(reading, advice)| {
                        Effect::between(reading, advice, &changes, &part.reading)
                    });
            runs.push(RunReport {
                number: i + 1,
                setup: group
                    .first()
                    .and_then(|f| f.end.session.setup.as_ref())
                    .map(|_| run.setup.clone()),
                face: group
                    .iter()
                    .find_map(|f| f.end.face.as_ref())
                    .map(FaceLook::of_record),
                changes,
                ends: group.into_iter().map(|f| end_report(f, included)).collect(),
                reading: part.reading,
                advice: advice.clone(),
                effect,
            });
        }
    }
    if runs.is_empty() {
        return None;
    }
    Some(BowReport {
        label: label(&newest.end.session),
        advice_now: advise_again(history, now, &mut readings),
        runs,
        trend: trend_of(history, &read),
    })
}

/// The advice after the run with this index.
fn advice_at(
    history: &History,
    at: usize,
    options: &AdviceOptions,
    readings: &mut ReadingCache,
) -> Advice {
    let then = History {
        runs: history.runs.iter().take(at + 1).cloned().collect(),
        ..History::default()
    };
    advise_again(&then, options, readings)
}

/// The reading of each set-up, day by day and distance by distance, oldest first.
#[must_use]
pub fn trend(history: &History) -> Vec<TrendPoint> {
    trend_of(history, &[])
}

/// The same, with the readings that are known already: that of a run and distance shot on a single day is the day's.
fn trend_of(history: &History, read_before: &[Vec<Reading>]) -> Vec<TrendPoint> {
    let mut parts = Vec::new();
    for (number, run) in (1_usize..).zip(&history.runs) {
        let mut first = true;
        let known = read_before.get(number - 1);
        for (at, group) in run.by_distance().into_iter().enumerate() {
            let mut remaining: &[&RecordFile] = &group;
            while let Some(day) = remaining
                .first()
                .map(|f| crate::record::When::of(&f.end).map(|w| w.day))
            {
                let same = remaining
                    .iter()
                    .take_while(|f| crate::record::When::of(&f.end).map(|w| w.day) == day)
                    .count();
                let (ends, rest) = remaining.split_at(same);
                let changes = if first {
                    run.changed.settings()
                } else {
                    Vec::new()
                };
                let whole = ends.len() == group.len();
                let known = known.filter(|_| whole).and_then(|known| known.get(at));
                parts.push((number, day, changes, ends.to_vec(), known));
                (first, remaining) = (false, rest);
            }
        }
    }
    parts
        .into_par_iter()
        .map(|(number, day, changes, ends, known)| TrendPoint {
            number,
            day: day.map(|d| d.to_string()),
            changes,
            reading: known
                .cloned()
                .unwrap_or_else(|| read(&ends.iter().map(|f| &f.end).collect::<Vec<_>>())),
        })
        .collect()
}

/// Two set-ups of a bow side by side.
#[derive(Clone, Debug, PartialEq)]
pub struct SetupComparison {
    /// The difference from the first to the second.
    pub changes: Vec<SettingChange>,
    /// Their readings at a distance at which both were shot.
    pub readings: [Reading; 2],
    /// The change of the offset from the first to the second; `None` without two offsets.
    pub offset_change: Option<Expect>,
}

/// Compares two runs at a distance at which both were shot (the first such of run `a`). `None` if there is none.
#[must_use]
pub fn compare_runs(a: &Run, b: &Run) -> Option<SetupComparison> {
    let (first, second) = (readings_of(a), readings_of(b));
    let [a_reading, b_reading] = first.iter().find_map(|x| {
        let same = |y: &&DistanceReading| match (x.reading.distance_m, y.reading.distance_m) {
            (Some(x), Some(y)) => (x - y).abs() < SAME_DISTANCE_TOLERANCE_M,
            (x, y) => x == y,
        };
        second
            .iter()
            .find(same)
            .map(|y| [x.reading.clone(), y.reading.clone()])
    })?;
    let offset_change = match (a_reading.offset, b_reading.offset) {
        (Some(a), Some(b)) => Some(Expect {
            x_mm: b.x_mm - a.x_mm,
            y_mm: b.y_mm - a.y_mm,
            sd_x_mm: Some(a.sd_x_mm.hypot(b.sd_x_mm)),
            sd_y_mm: Some(a.sd_y_mm.hypot(b.sd_y_mm)),
        }),
        _ => None,
    };
    Some(SetupComparison {
        changes: compare(&a.setup, &b.setup).settings(),
        readings: [a_reading, b_reading],
        offset_change,
    })
}

/// Distances that differ by less count as the same, m.
const SAME_DISTANCE_TOLERANCE_M: f64 = 0.5;

fn end_report(filed: &RecordFile, included: &(dyn Fn(&RecordFile) -> bool + Sync)) -> EndReport {
    EndReport {
        file: filed.file.clone(),
        earlier: !included(filed),
        end: filed.end.clone(),
        marked_jpeg: None,
    }
}

/// Archer and bow of a history, in words.
#[must_use]
pub fn label_of(history: &History) -> String {
    let newest = history.newest().and_then(|r| r.ends.last());
    newest.map_or_else(String::new, |filed| label(&filed.end.session))
}

/// Archer and bow in words.
fn label(session: &Session) -> String {
    let bow = session.setup.as_ref().and_then(|s| s.bow.as_deref());
    match (session.archer.as_deref(), bow) {
        (Some(archer), Some(bow)) => format!("{archer}, {bow}"),
        (Some(one), None) | (None, Some(one)) => one.to_owned(),
        (None, None) => "One bow".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::Session;
    use serde_json::json;

    fn filed(file: &str, session: serde_json::Value, x: f64) -> RecordFile {
        let entries: Vec<serde_json::Value> = (0..6)
            .map(|i| {
                let bare = i % 2 == 1;
                json!({"id": i + 1, "x_mm": f64::from(i) * 5.0 + if bare { x } else { 0.0 }, "y_mm": f64::from(i) * 7.0,
                       "kind": if bare { "bare" } else { "fletched" }, "state": "confirmed"})
            })
            .collect();
        RecordFile {
            file: file.to_owned(),
            line: 1,
            end: End {
                session: serde_json::from_value::<Session>(session).expect("session"),
                entries: serde_json::from_value(json!(entries)).expect("entries"),
                ..End::default()
            },
        }
    }

    #[test]
    fn each_run_and_distance_has_its_reading_and_notes_come_once() {
        let session = |end: u64, distance: f64, clicks: f64| json!({"hand": "right", "distance_m": distance, "date": "2026-05-03", "end": end, "setup": {"plunger_clicks": clicks}});
        let mut twin = session(1, 18.0, 0.0);
        twin["note"] = json!("second photo");
        let (read, left_out) = readings(vec![
            filed("3", session(3, 30.0, 1.0), 60.0),
            filed("1", session(1, 18.0, 0.0), 60.0),
            filed("1b", twin, 60.0),
            filed("2", session(2, 30.0, 0.0), 60.0),
        ]);
        let files: Vec<Vec<String>> = read.iter().map(|r| r.files.clone()).collect();
        assert_eq!(files, [vec!["1b"], vec!["2"], vec!["3"]]);
        assert_eq!(left_out.len(), 1);
        let same_end = |r: &DistanceReading| {
            r.reading
                .cautions
                .iter()
                .filter(|c| c.code == "same-end")
                .count()
        };
        assert_eq!(read.iter().map(same_end).collect::<Vec<_>>(), [1, 0, 0]);
        assert!(read.iter().all(|r| r.reading.offset.is_some()));
    }

    #[test]
    fn an_end_stands_in_its_run_and_its_own_bow_s_history() {
        let session = |archer: &str, end: u64, clicks: f64| {
            json!({"archer": archer, "hand": "right", "distance_m": 30, "date": "2026-05-03", "end": end,
                   "setup": {"plunger_clicks": clicks}})
        };
        let all = || {
            vec![
                filed("1", session("A", 1, 0.0), 120.0),
                filed("2", session("A", 2, 0.0), 120.0),
                filed("3", session("B", 3, 0.0), 0.0),
                filed("4", session("A", 4, 2.0), 60.0),
            ]
        };
        let first = end_in_history(all(), ("2", 1)).expect("counts");
        assert_eq!(first.files, ["1", "2"]);
        assert_eq!((first.history.runs.len(), first.newest), (1, false));
        assert_eq!(first.reading.ends, 2);
        let last = end_in_history(all(), ("4", 1)).expect("counts");
        assert_eq!(
            (last.files.len(), last.history.runs.len(), last.newest),
            (1, 2, true)
        );
        assert_eq!(last.history.runs, History::new(all()).runs);
        assert_eq!(end_in_history(all(), ("5", 1)), None);
    }

    /// A report reads each run once; the results equal those of reading each set-up, day and distance by itself.
    #[test]
    fn a_bow_report_has_the_readings_of_each_run_by_itself() {
        let session = |end: u64, day: u64, clicks: f64, distance: f64| {
            json!({"archer": "A", "hand": "right", "distance_m": distance, "date": format!("2026-05-0{day}"), "end": end,
                   "setup": {"bow": "b", "plunger_clicks": clicks}})
        };
        let records = || {
            vec![
                filed("1", session(1, 3, 0.0, 30.0), 120.0),
                filed("2", session(2, 3, 0.0, 18.0), 90.0),
                filed("3", session(3, 4, 2.0, 30.0), 70.0),
                filed("4", session(4, 5, 2.0, 30.0), 50.0),
                filed("5", session(5, 5, 3.0, 30.0), 20.0),
            ]
        };
        let options = AdviceOptions::default();
        let history = History::new(records());
        let (bows, _) = bow_reports(records(), &options, &NotedSettings::new(), &|_| true);
        let report = bows.first().expect("a bow");
        let alone: Vec<Reading> = history
            .runs
            .iter()
            .flat_map(readings_of)
            .map(|part| part.reading)
            .collect();
        let in_report: Vec<Reading> = report.runs.iter().map(|run| run.reading.clone()).collect();
        assert_eq!((in_report.len(), in_report), (4, alone));
        assert_eq!(report.trend, trend(&history));
        for run in &report.runs {
            let then = History {
                runs: history.runs[..run.number].to_vec(),
                ..History::default()
            };
            assert_eq!(run.advice, crate::advice::advise(&then, &options));
        }
        assert_eq!(report.advice_now, crate::advice::advise(&history, &options));
    }

    /// A change that was noted after a bow's newest end counts for that bow, and for what is advised now.
    #[test]
    fn a_noted_change_is_shot_before_another_is_advised() {
        let session = |archer: &str, end: u64| {
            json!({"archer": archer, "hand": "right", "distance_m": 30, "date": "2026-05-03", "end": end,
                   "setup": {"bow": "b", "plunger_clicks": 0.0}})
        };
        let records = vec![
            filed("1", session("A", 1), 120.0),
            filed("2", session("B", 2), 120.0),
        ];
        let mut shown = super::ReportRecords::new(records, Vec::new(), Vec::new(), BTreeMap::new())
            .with_noted_settings(NotedSettings::from([(
                "1".to_owned(),
                serde_json::from_value(json!({"plunger_clicks": 2.0})).expect("a set-up"),
            )]));
        // the records are named anew
        assert_eq!(shown.remove_names(), ["A", "B"]);
        let bows = shown.bow_reports(&AdviceOptions::default());
        let shoots: Vec<bool> = bows
            .iter()
            .map(|bow| {
                let next = bow.advice_now.next.as_ref().expect("a step");
                next.change == crate::advice::Action::ShootMore
            })
            .collect();
        let labels: Vec<&str> = bows.iter().map(|b| b.label.as_str()).collect();
        assert_eq!(
            (labels, shoots),
            (vec!["Archer 2", "Archer 1"], vec![false, true])
        );
    }

    #[test]
    fn each_bow_has_its_report_and_each_change_its_effect() {
        let session = |archer: &str, end: u64, clicks: f64| {
            json!({"archer": archer, "hand": "right", "distance_m": 30, "date": "2026-05-03", "end": end,
                   "setup": {"bow": "b", "plunger_clicks": clicks}})
        };
        let (bows, left_out) = bow_reports(
            vec![
                filed("1", session("A", 1, 0.0), 120.0),
                filed("2", session("A", 2, 2.0), 60.0),
                filed("3", session("B", 3, 0.0), 60.0),
            ],
            &AdviceOptions::default(),
            &NotedSettings::new(),
            &|_| true,
        );
        assert!(left_out.is_empty());
        assert_eq!(
            bows.iter().map(|b| b.label.as_str()).collect::<Vec<_>>(),
            ["B, b", "A, b"]
        );
        let runs = &bows[1].runs;
        assert_eq!(runs.len(), 2);
        assert!(runs[0].changes.is_empty() && runs[0].effect.is_none());
        assert_eq!(runs[1].changes[0].to.number(), Some(2.0));
        let effect = runs[1].effect.as_ref().expect("two offsets");
        assert!((effect.seen.x_mm + 60.0).abs() < 10.0, "{effect:?}");
        assert!(
            bows.iter()
                .all(|b| !b.advice_now.cautions.iter().any(|c| c.code == "other-bow"))
        );
    }
}

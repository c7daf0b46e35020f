//! Records → what is to be told of them, run by run: the joint of history, reading, advice and report.

use crate::reading::{Reading, read};
use crate::record::{Filed, LeftOut, Note, Run, Runs};

/// The reading of some ends of one set-up at one distance.
#[derive(Clone, Debug, PartialEq)]
pub struct RunReading {
    /// Files of the records, oldest first.
    pub files: Vec<String>,
    /// The reading.
    pub reading: Reading,
}

/// A reading for each run of one set-up, oldest first; ends at different distances are read apart. The second value holds
/// the records that don't count.
#[must_use]
pub fn readings(records: Vec<Filed>) -> (Vec<RunReading>, Vec<LeftOut>) {
    let Runs { runs, left_out } = Runs::new(records);
    (runs.iter().flat_map(readings_of).collect(), left_out)
}

/// The readings of one run, one for each distance. What concerns the run as a whole is told with the first.
#[must_use]
pub fn readings_of(run: &Run) -> Vec<RunReading> {
    let mut all: Vec<RunReading> = run
        .by_distance()
        .into_iter()
        .map(|group| RunReading {
            files: group.iter().map(|f| f.file.clone()).collect(),
            reading: read(&group.iter().map(|f| &f.end).collect::<Vec<_>>()),
        })
        .collect();
    if let Some(first) = all.first_mut() {
        add_cautions(&mut first.reading, &run.notes);
    }
    all
}

/// Adds what isn't told yet.
fn add_cautions(reading: &mut Reading, notes: &[Note]) {
    for note in notes {
        if !reading.cautions.iter().any(|c| c.code == note.code) {
            reading.cautions.push(note.clone());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{End, Session};
    use serde_json::json;

    fn filed(file: &str, session: serde_json::Value, x: f64) -> Filed {
        let entries: Vec<serde_json::Value> = (0..6)
            .map(|i| {
                let bare = i % 2 == 1;
                json!({"id": i + 1, "x_mm": f64::from(i) * 5.0 + if bare { x } else { 0.0 }, "y_mm": f64::from(i) * 7.0,
                       "kind": if bare { "bare" } else { "fletched" }, "state": "confirmed"})
            })
            .collect();
        Filed {
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
    fn each_run_and_distance_has_its_reading_and_notes_are_told_once() {
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
        let same_end = |r: &RunReading| {
            r.reading
                .cautions
                .iter()
                .filter(|c| c.code == "same-end")
                .count()
        };
        assert_eq!(read.iter().map(same_end).collect::<Vec<_>>(), [1, 0, 0]);
        assert!(read.iter().all(|r| r.reading.offset.is_some()));
    }
}

//! The newest run of a history: its reading, and the change before it.

use super::interventions::{RunObservation, within_tuning_distance};
use crate::reading::Reading;
use crate::record::{History, LeverChange, RecordFile, Run, Setup};

/// The newest change of the set-up.
#[derive(Clone, Debug)]
pub(super) struct NewestChange {
    pub(super) changes: Vec<LeverChange>,
    pub(super) before: Setup,
}

/// The reading of the newest end's distance, with the notes of its run.
pub(super) fn newest_reading(run: &Run, observed: &RunObservation) -> Option<Reading> {
    // the newest end from where tuning can be read, else the newest
    let groups = run.by_distance();
    let counts = |at: usize| {
        observed
            .groups
            .get(at)
            .is_some_and(|g| within_tuning_distance(&g.reading))
    };
    let group_index = |record: &RecordFile| {
        let holds = |g: &Vec<&RecordFile>| g.iter().any(|own| std::ptr::eq(*own, record));
        groups.iter().position(holds)
    };
    let mut newest_first = run.ends.iter().rev().filter_map(group_index);
    let newest = newest_first.clone().next()?;
    let at = newest_first.find(|&at| counts(at)).unwrap_or(newest);
    let mut reading = observed.groups.get(at)?.reading.clone();
    let notes = run.remarks.iter().map(|note| note.clone().among());
    reading.cautions.extend(notes);
    Some(reading)
}

/// What was changed before the newest run.
pub(super) fn newest_change(history: &History) -> Option<NewestChange> {
    let [.., before, run] = history.runs.as_slice() else {
        return None;
    };
    Some(NewestChange {
        changes: run.changed.changes.clone(),
        before: before.setup.clone(),
    })
}

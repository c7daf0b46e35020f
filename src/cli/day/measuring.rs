//! Measures the photos that have no record yet, or takes the record that is there.

use super::outcome::{DayOutcome, print_line};
use super::outputs;
use super::photos::DayPhoto;
use crate::cli::args::Day;
use crate::cli::context::differences;
use crate::cli::input;
use crate::cli::parallel::map_in_order;
use crate::cli::photo_task::{PhotoTask, unreadable_record};
use crate::cli::progress::Progress;
use crate::cli::status::{CliError, Status};
use crate::cli::terminal::Terminal;
use crate::photo::{self, Photo};
use crate::record::{End, RecordFile};
use crate::report::marked;
use crate::store;
use crate::timeline::{FaceLook, Problem};

/// Measures the photos that have no record yet. Each record is saved as soon as it is made.
pub(super) fn measure_photos(
    args: &Day,
    photos: &[DayPhoto],
    terminal: &mut Terminal,
    outcome: &mut DayOutcome,
) {
    let progress = Progress::new(photos.len());
    let max_bytes = outputs::shows_photos(args).then(|| outputs::bytes_per_photo(photos.len()));
    map_in_order(
        photos,
        |item| {
            if item.duplicate_of.is_some() {
                progress.done(0);
                return Ok(None);
            }
            let result = measure_or_keep(item, args.again, max_bytes, &progress);
            progress.done(result.as_ref().map_or(0, |r| r.end.entries.len()));
            result.map(Some)
        },
        |item, result| progress.suspended(|| add_result(args, item, result, terminal, outcome)),
    );
    progress.finish();
}

/// Reports the result for a photo and adds it to the outcome; `None`: another photo has the same content.
fn add_result(
    args: &Day,
    item: &DayPhoto,
    result: Result<Option<PhotoResult>, CliError>,
    terminal: &mut Terminal,
    outcome: &mut DayOutcome,
) {
    match result {
        Ok(Some(result)) => add_record(args, item, result, terminal, outcome),
        Ok(None) => {
            outcome.duplicates += 1;
            terminal.message(&format!(
                "{}: the same photo as {}, it counts once",
                item.photo.display(),
                item.duplicate_of.as_deref().unwrap_or_default()
            ));
        }
        Err(error) => {
            let error = error.about(&item.photo);
            if args.json {
                print_line(&unreadable_record(&error), terminal);
            }
            outcome.add_problem(&error, &item.name, terminal);
        }
    }
}

fn add_record(
    args: &Day,
    item: &DayPhoto,
    result: PhotoResult,
    terminal: &mut Terminal,
    outcome: &mut DayOutcome,
) {
    for message in result.messages {
        terminal.message(&format!("{}: {message}", item.photo.display()));
    }
    if args.json {
        print_line(&result.end, terminal);
    }
    if let Some(error) = result.error {
        outcome.add_problem(&error.about(&item.photo), &item.name, terminal);
    }
    if let Some(failure) = &result.end.failure {
        terminal.raise(Status::NotPossible);
        outcome.problems.push(Problem {
            file: item.name.clone(),
            text: failure.text.clone(),
        });
        if result.end.entries.is_empty() {
            return;
        }
    }
    if let Some(marked) = result.marked {
        outcome.marked.insert(item.name.clone(), marked);
    }
    match result.source {
        Source::Measured => outcome.measured += 1,
        Source::Kept => outcome.kept += 1,
    }
    outcome.records.push(RecordFile {
        file: item.name.clone(),
        line: 1,
        end: result.end,
    });
}

fn measure_or_keep(
    item: &DayPhoto,
    measure_again: bool,
    max_bytes: Option<usize>,
    progress: &Progress,
) -> Result<PhotoResult, CliError> {
    let bytes = input::bytes(&item.photo)?;
    let there = store::record_at(&item.record.path)
        .map_err(|e| CliError::from(e).about(&item.record.path))?;
    if let Some(end) = there
        && (!measure_again || store::has_manual_changes(&end))
        && let Some(result) = existing_record(item, end, &bytes, max_bytes)
    {
        return Ok(result);
    }
    let task = PhotoTask {
        path: item.photo.clone(),
        face: item.face.clone()?,
        session: item.session.clone(),
        options: item.options.clone(),
    };
    let measurement = task.run(&bytes, progress)?;
    let (end, error) = match store::save_proposal(&item.record.path, &measurement.end) {
        Ok(end) => (end, None),
        Err(error) => (
            measurement.end,
            Some(CliError::from(error).about(&item.record.path)),
        ),
    };
    Ok(PhotoResult {
        marked: draw_marked(item, &measurement.photo, &end, max_bytes),
        end,
        source: Source::Measured,
        messages: Vec::new(),
        error,
    })
}

/// The result for a photo whose record stays: a person's, or a proposal for this photo and face. `None`: the photo is measured.
fn existing_record(
    item: &DayPhoto,
    mut end: End,
    bytes: &[u8],
    max_bytes: Option<usize>,
) -> Option<PhotoResult> {
    let touched = store::has_manual_changes(&end);
    // one that names no photo by its content is taken for this one's, but nothing is drawn at its places
    let same_photo = end
        .photo
        .as_ref()
        .is_some_and(|p| p.sha256 == photo::fingerprint(bytes));
    let same_face = match (&item.face, &end.face) {
        (Ok(face), Some(there)) => face.name == there.name,
        _ => true,
    };
    if !touched && (!same_photo || end.failure.is_some()) {
        return None;
    }
    let mut messages = Vec::new();
    if !same_face && !touched {
        messages.push(format!(
            "it was measured as another face than the one named now ({}), and stays: --again measures it anew",
            end.face.as_ref().map_or("", |f| f.name.as_str())
        ));
    }
    let own = end.session.or(&item.session);
    for (field, recorded, said) in differences(&end.session, &item.session) {
        messages.push(format!(
            "its record has {field} {recorded}, the session file or the flags say {said}: the record counts (`bossmark confirm` changes it)"
        ));
    }
    end.session = own;
    let (mut marked, mut failure) = (None, None);
    if max_bytes.is_some() && same_photo {
        match photo::open(bytes) {
            Ok(photo) => marked = draw_marked(item, &photo, &end, max_bytes),
            Err(error) => failure = Some(CliError::from(error)),
        }
    }
    Some(PhotoResult {
        end,
        source: Source::Kept,
        marked,
        messages,
        error: failure,
    })
}

fn draw_marked(
    item: &DayPhoto,
    photo: &Photo,
    end: &End,
    max_bytes: Option<usize>,
) -> Option<Vec<u8>> {
    let known = item.face.as_ref().ok().map(FaceLook::from);
    let look = known
        .or_else(|| end.face.as_ref().map(FaceLook::of_record))
        .unwrap_or_else(|| FaceLook::plain(0.0));
    marked::for_report(&photo.pixels, end, &look, max_bytes?).ok()
}

/// The record of a photo, and what there is to say about it.
struct PhotoResult {
    end: End,
    /// Where the record comes from.
    source: Source,
    /// JPEG of the marked photo, where a report shows it.
    marked: Option<Vec<u8>>,
    messages: Vec<String>,
    error: Option<CliError>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Source {
    Measured,
    Kept,
}

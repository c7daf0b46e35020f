//! `bossmark confirm` without its page: accepts all entries, or applies a list of edits.

use super::jobs::{RecordJob, jobs};
use crate::cli::args::Confirm;
use crate::cli::context::Context;
use crate::cli::input;
use crate::cli::photo_task::PhotoTask;
use crate::cli::progress::Progress;
use crate::cli::status::{CliError, Status};
use crate::cli::terminal::Terminal;
use crate::record::{End, EntryState, ParsedRecord, canonical, records_with_text};
use crate::review::{Edit, Edits, ReviewError, apply};
use crate::store;
use crate::text::plain;
use std::path::Path;

/// Confirms the records that the command names.
pub(super) fn run(args: &Confirm, terminal: &mut Terminal) -> Result<(), CliError> {
    let edits = match &args.edits {
        Some(path) => {
            Some(Edits::parse(&input::bytes(path)?).map_err(|e| CliError::from(e).about(path))?)
        }
        None => None,
    };
    let mut context =
        Context::new(&args.session, args.face.as_deref())?.with_lens(args.lens.as_deref())?;
    let jobs = jobs(args, &mut |text| terminal.message(text))?;
    if edits.is_some() && jobs.len() != 1 {
        return Err(CliError::usage(format!(
            "--edits changes one record, and {} are given: name the one that the edits are for",
            jobs.len()
        )));
    }
    for job in &jobs {
        let result = confirm_one(args, job, edits.as_ref(), &mut context, terminal);
        for message in context.messages() {
            terminal.message(&message);
        }
        if let Err(error) = result {
            terminal.error(&error.about(job.photo.as_ref().unwrap_or(&job.from)));
        }
    }
    Ok(())
}

fn confirm_one(
    args: &Confirm,
    job: &RecordJob,
    edits: Option<&Edits>,
    context: &mut Context,
    terminal: &mut Terminal,
) -> Result<(), CliError> {
    if let Some(folder) = args.out.as_ref().filter(|_| job.photo.is_some()) {
        store::make_folder(folder).map_err(|e| CliError::from(e).about(folder))?;
    }
    let flags = context.flags().clone();
    let mut change_all = |records: &[(&[u8], ParsedRecord)]| {
        if edits.is_some() && records.len() != 1 {
            return Err(CliError::usage(format!(
                "--edits changes one record, and the file holds {}: put the one that the edits are for into a file of its own",
                records.len()
            )));
        }
        let mut changed = Vec::new();
        for (text, record) in records {
            let mut end = record.end.clone();
            end.session = end.session.or(&flags);
            let new = change(&end, text, edits, job, terminal)?;
            changed.push(if new == end {
                record.end.clone()
            } else {
                canonical::rounded_record(&new)?
            });
        }
        Ok(changed)
    };
    let to_stdout = job.to == Path::new("-");
    let changed = if job.from == job.to && !to_stdout && (job.photo.is_none() || job.from.exists())
    {
        store::change_records(&job.to, change_all).map_err(|e: CliError| e.about(&job.to))?
    } else if let Some(photo) = &job.photo {
        confirm_photo(photo, edits, job, context, terminal)?
    } else {
        let bytes = input::bytes(&job.from)?;
        let records = records_with_text(&bytes)?;
        let changed = change_all(&records)?;
        if !to_stdout {
            store::save_copy(&job.to, &records, &changed)
                .map_err(|e| CliError::from(e).about(&job.to))?;
        }
        changed
    };
    show(args, to_stdout, &changed, terminal)
}

/// Measures a photo without a record, and makes one of what was found and changed.
fn confirm_photo(
    photo: &Path,
    edits: Option<&Edits>,
    job: &RecordJob,
    context: &mut Context,
    terminal: &mut Terminal,
) -> Result<Vec<End>, CliError> {
    if edits.is_some_and(|e| e.name_entries() && !e.name_a_record()) {
        return Err(CliError::usage(ReviewError::NoRecord));
    }
    let task = PhotoTask::new(photo, context)?;
    let progress = Progress::new(1);
    let measured = task.run(&input::bytes(photo)?, &progress);
    progress.finish();
    let mut end = measured?.end;
    end.session = end.session.or(context.flags());
    let new = canonical::rounded_record(&change(&end, b"", edits, job, terminal)?)?;
    let saved = if new.revision == 0 {
        store::save_proposal(&job.to, &new).map(|_| ())
    } else {
        store::save_copy(&job.to, &[], std::slice::from_ref(&new))
    };
    saved.map_err(|e| CliError::from(e).about(&job.to))?;
    Ok(vec![new])
}

fn change(
    end: &End,
    text: &[u8],
    edits: Option<&Edits>,
    job: &RecordJob,
    terminal: &mut Terminal,
) -> Result<End, CliError> {
    if let Some(edits) = edits {
        return Ok(edits.apply(end, text)?);
    }
    if let Some(failure) = &end.failure {
        terminal.error(
            &CliError::not_possible(&failure.text).about(job.photo.as_ref().unwrap_or(&job.from)),
        );
        return Ok(end.clone());
    }
    if crate::record::history::is_confirmed(end) {
        return Ok(end.clone());
    }
    let doubtful: Vec<String> = end
        .entries
        .iter()
        .filter(|e| e.state == EntryState::Proposed && e.confidence.is_some_and(|c| c < 0.5))
        .map(|e| e.id.to_string())
        .collect();
    if !doubtful.is_empty() {
        terminal.message(&format!(
            "{}: accepted with the rest although in doubt: entry {}. Is there no shaft? Take it out with --edits",
            job.photo.as_ref().unwrap_or(&job.from).display(),
            doubtful.join(", ")
        ));
    }
    Ok(apply(end, &[Edit::Accept])?)
}

fn show(
    args: &Confirm,
    to_stdout: bool,
    records: &[End],
    terminal: &mut Terminal,
) -> Result<(), CliError> {
    for end in records {
        if to_stdout || args.json {
            terminal.answer(&canonical::to_line(end)?);
        } else if end.failure.is_none() {
            terminal.text(&plain::end(end));
        }
        if end.failure.is_some() {
            terminal.raise(Status::NotPossible);
        }
    }
    Ok(())
}

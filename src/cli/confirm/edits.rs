//! `bossmark confirm` without its page: accepts all entries, or applies a list of edits.

use super::jobs::{RecordJob, jobs};
use crate::cli::args::Confirm;
use crate::cli::context::Context;
use crate::cli::input;
use crate::cli::photo_task::PhotoTask;
use crate::cli::progress::Progress;
use crate::cli::status::{CliError, Status};
use crate::cli::terminal::Terminal;
use crate::record::{End, EntryState, canonical, parse_records};
use crate::review::{Edit, Edits, apply};
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
    let jobs = jobs(args)?;
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
    let records = load(job, context)?;
    if edits.is_some() && records.len() != 1 {
        return Err(CliError::usage(format!(
            "--edits changes one record, and the file holds {}: put the one that the edits are for into a file of its own",
            records.len()
        )));
    }
    let mut changed = Vec::new();
    for mut end in records {
        end.session = end.session.or(context.flags());
        changed.push(change(&end, edits, job, terminal)?);
    }
    save(args, job, &changed, terminal)
}

fn load(job: &RecordJob, context: &mut Context) -> Result<Vec<End>, CliError> {
    if let Some(photo) = &job.photo {
        if let Some(end) =
            store::record_at(&job.from).map_err(|e| CliError::from(e).about(&job.from))?
        {
            return Ok(vec![end]);
        }
        let task = PhotoTask::new(photo, context)?;
        let progress = Progress::new(1);
        let measured = task.run(&input::bytes(photo)?, &progress);
        progress.finish();
        return Ok(vec![measured?.end]);
    }
    let parsed = parse_records(&input::bytes(&job.from)?)?;
    Ok(parsed.into_iter().map(|r| r.end).collect())
}

fn change(
    end: &End,
    edits: Option<&Edits>,
    job: &RecordJob,
    terminal: &mut Terminal,
) -> Result<End, CliError> {
    if let Some(edits) = edits {
        return Ok(edits.apply(end)?);
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

fn save(
    args: &Confirm,
    job: &RecordJob,
    records: &[End],
    terminal: &mut Terminal,
) -> Result<(), CliError> {
    let to_stdout = job.to == Path::new("-");
    if !to_stdout {
        if let Some(folder) = args.out.as_ref().filter(|_| job.photo.is_some()) {
            store::make_folder(folder).map_err(|e| CliError::from(e).about(folder))?;
        }
        write(&job.to, records).map_err(|e| e.about(&job.to))?;
    }
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

fn write(path: &Path, records: &[End]) -> Result<(), CliError> {
    match records {
        [one] => {
            let there = store::record_at(path)?;
            if there.as_ref() == Some(one) {
                return Ok(()); // it was confirmed before
            }
            if one.revision == 0 {
                return Ok(store::save_proposal(path, one)?);
            }
            Ok(store::save_revision(path, one)?)
        }
        several => {
            let mut lines = Vec::new();
            for end in several {
                lines.extend(canonical::to_line(end)?);
            }
            Ok(store::save_revisions(path, several, &lines)?)
        }
    }
}

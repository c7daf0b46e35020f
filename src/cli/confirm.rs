//! `bossmark confirm`: a person's word on the entries, on the page or without it.

use super::args::Confirm;
use super::context::Context;
use super::input;
use super::measure::Task;
use super::progress::Progress;
use super::status::{CliError, Status};
use super::terminal::Terminal;
use crate::record::{End, EntryState, canonical, parse_records};
use crate::report::text;
use crate::review::{Edit, Edits, apply};
use crate::{photo, store};
use std::path::{Path, PathBuf};

/// Where a record comes from and goes to.
pub(super) struct Job {
    /// The photo to measure where there is no record yet.
    pub(super) photo: Option<PathBuf>,
    /// The record's file; `-` for the streams.
    pub(super) from: PathBuf,
    /// Where the changed record goes.
    pub(super) to: PathBuf,
}

/// Runs the command.
pub(super) fn run(args: &Confirm, terminal: &mut Terminal) -> Result<(), CliError> {
    if !args.accept && args.edits.is_none() {
        return super::page::run(args, terminal);
    }
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
        let done = one(args, job, edits.as_ref(), &mut context, terminal);
        for message in context.messages() {
            terminal.tell(&message);
        }
        if let Err(error) = done {
            terminal.error(&error.about(job.photo.as_ref().unwrap_or(&job.from)));
        }
    }
    Ok(())
}

/// What is to be confirmed.
///
/// # Errors
/// When a folder can't be read.
pub(super) fn jobs(args: &Confirm) -> Result<Vec<Job>, CliError> {
    let mut jobs = Vec::new();
    for input in &args.inputs {
        if input.is_dir() {
            let mut photos = store::photos(input).map_err(|e| CliError::from(e).about(input))?;
            photos.retain(|photo| !is_drawn_on(photo));
            let records = store::records(input).map_err(|e| CliError::from(e).about(input))?;
            jobs.extend(folder_jobs(args, &photos, records));
        } else if store::is_photo_name(input) {
            jobs.extend(folder_jobs(args, std::slice::from_ref(input), Vec::new()));
        } else {
            jobs.push(Job {
                photo: None,
                from: input.clone(),
                to: args.out.clone().unwrap_or_else(|| input.clone()),
            });
        }
    }
    Ok(jobs)
}

/// Photos with their records, and records without a photo.
fn folder_jobs(args: &Confirm, photos: &[PathBuf], records: Vec<PathBuf>) -> Vec<Job> {
    let places = store::record_paths(photos, args.out.as_deref());
    let mut alone: Vec<PathBuf> = records
        .into_iter()
        .filter(|r| !places.contains(r))
        .collect();
    let mut of_photos = Vec::new();
    for (photo, place) in photos.iter().zip(places) {
        let renamed = if place.exists() || args.out.is_some() {
            None
        } else {
            record_of(photo, &alone)
        };
        let place = renamed.map_or(place, |k| alone.remove(k));
        of_photos.push(Job {
            photo: Some(photo.clone()),
            from: place.clone(),
            to: place,
        });
    }
    let without_photo = alone.into_iter().map(|from| Job {
        photo: None,
        to: from.clone(),
        from,
    });
    without_photo.chain(of_photos).collect()
}

/// Which of some records was made of this very photo, whatever either is called.
fn record_of(photo: &Path, records: &[PathBuf]) -> Option<usize> {
    if records.is_empty() {
        return None;
    }
    let print = photo::fingerprint(&store::read(photo).ok()?);
    records.iter().position(|record| {
        let end = store::record_at(record).ok().flatten();
        end.and_then(|end| end.photo)
            .is_some_and(|p| p.sha256 == print)
    })
}

/// Whether a picture is none of a camera's but one that this program made of a photo.
fn is_drawn_on(photo: &Path) -> bool {
    store::read(photo).is_ok_and(|bytes| photo::is_drawn_on(&bytes))
}

fn one(
    args: &Confirm,
    job: &Job,
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

fn load(job: &Job, context: &mut Context) -> Result<Vec<End>, CliError> {
    if let Some(photo) = &job.photo {
        if let Some(end) =
            store::record_at(&job.from).map_err(|e| CliError::from(e).about(&job.from))?
        {
            return Ok(vec![end]);
        }
        let task = Task::new(photo, context)?;
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
    job: &Job,
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
        terminal.tell(&format!(
            "{}: accepted with the rest although in doubt: entry {}. Is there no shaft? Take it out with --edits",
            job.photo.as_ref().unwrap_or(&job.from).display(),
            doubtful.join(", ")
        ));
    }
    Ok(apply(end, &[Edit::Accept])?)
}

fn save(
    args: &Confirm,
    job: &Job,
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
            terminal.text(&text::end(end));
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
                return Ok(()); // confirmed before: nothing to write
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

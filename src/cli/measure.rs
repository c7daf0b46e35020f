//! `bossmark measure`: photos → end records with proposed entries.

use super::args::{Measure, TableArg};
use super::context::Context;
use super::input;
use super::outputs;
use super::parallel::map_in_order;
use super::photo_task::{PhotoTask, StageTimes, unreadable_record};
use super::progress::Progress;
use super::stage_pictures;
use super::status::{CliError, Status};
use super::terminal::{Answers, Terminal};
use crate::manual_points::{Points, template_csv, template_json};
use crate::measure::{self, Stage};
use crate::record::End;
use crate::report::marked::Format;
use crate::store::{self, OutputKind};
use crate::text::plain;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Runs the command.
pub(super) fn run(args: &Measure, terminal: &mut Terminal) -> Result<(), CliError> {
    check(args)?;
    if args.points_template.is_none() {
        let read = [&args.lens, &args.points, &args.session.session].map(|p| p.clone());
        let read: Vec<PathBuf> = read.into_iter().flatten().collect();
        outputs::check(
            &[
                (args.output.out.as_ref(), OutputKind::Records),
                (args.marked.as_ref(), OutputKind::Picture),
            ],
            &[&args.photos, &read],
        )?;
    }
    let mut context =
        Context::new(&args.session, args.face.as_deref())?.with_lens(args.lens.as_deref())?;
    if let Some(format) = args.points_template {
        return template(args, format, &mut context, terminal);
    }
    let mut tasks = Vec::new();
    let mut answers = Answers::new(&args.output);
    for photo in &args.photos {
        match task(args, photo, &mut context) {
            Ok(task) => tasks.push(task),
            Err(error) if args.photos.len() == 1 => return Err(error.about(photo)),
            Err(error) => terminal.error(&error.about(photo)),
        }
        for message in context.messages() {
            terminal.message(&message);
        }
    }
    let progress = Progress::new(tasks.len());
    let mut any_measured = false;
    map_in_order(
        &tasks,
        |task| {
            let (measurement, times) = task.run_timed(&progress)?;
            let drawn = stage_pictures::draw(args, task, &measurement);
            progress.done(measurement.end.entries.len());
            Ok((measurement.end, times, drawn))
        },
        |task, result: Result<(End, StageTimes, Result<(), CliError>), CliError>| {
            progress.suspended(|| {
                let written = match result {
                    Ok((end, times, drawn)) => {
                        let end = match &args.output.out {
                            Some(path) => store::with_ids_at(path, &end),
                            None => end,
                        };
                        any_measured |= end.failure.is_none();
                        if args.times {
                            terminal.message(&times_line(&task.path, &times));
                            if let Some(line) = evidence_line(&end) {
                                terminal.message(&line);
                            }
                        }
                        give_record(task, &end, terminal, &mut answers).and(drawn)
                    }
                    Err(error) => unreadable(&error, terminal, &mut answers),
                };
                if let Err(error) = written {
                    terminal.error(&error.about(&task.path));
                }
            });
        },
    );
    progress.finish();
    if any_measured && !answers.as_documents() {
        terminal.message(
            "Nothing is saved: `--out FILE` keeps the record for reading and advice, `bossmark day FOLDER` those of a folder",
        );
    }
    answers.finish(true)
}

fn task(args: &Measure, photo: &Path, context: &mut Context) -> Result<PhotoTask, CliError> {
    let mut task = match args.size {
        None => PhotoTask::new(photo, context)?,
        Some(size_mm) => sized_task(args, photo, size_mm, context)?,
    };
    task.options.pick = args.at.or(args.which);
    task.options.up = args.up;
    if let Some(path) = &args.points {
        let points = Points::parse(&input::bytes(path)?, &task.face);
        task.options.points = Some(points.map_err(|e| CliError::from(e).about(path))?);
    }
    Ok(task)
}

/// The task for a photo where only the size of the face is given: the pattern is read from the photo.
fn sized_task(
    args: &Measure,
    path: &Path,
    size_mm: f64,
    context: &mut Context,
) -> Result<PhotoTask, CliError> {
    if path == Path::new("-") {
        return Err(CliError::usage(
            "a photo from stdin is read once: name its face with --face instead of --size",
        ));
    }
    let mut options = context.options(path)?;
    options.pick = args.at;
    let photo = crate::photo::open(&input::bytes(path)?)?;
    let face = measure::face_of_size(&photo, size_mm, &options)
        .map_err(|failure| CliError::not_possible(failure.text))?;
    Ok(PhotoTask {
        path: path.to_owned(),
        face: face.clone(),
        session: context.session(path)?,
        options,
    })
}

/// Prints a points file to fill in.
fn template(
    args: &Measure,
    format: TableArg,
    context: &mut Context,
    terminal: &mut Terminal,
) -> Result<(), CliError> {
    let face = context.face(Path::new("photo"))?;
    let text = match format {
        TableArg::Json => template_json(&face),
        TableArg::Csv => template_csv(&face),
    };
    match args.output.out.as_deref().filter(|p| *p != Path::new("-")) {
        Some(path) => {
            store::save_output(path, text.as_bytes()).map_err(|e| CliError::from(e).about(path))
        }
        None => {
            terminal.answer(text.as_bytes());
            Ok(())
        }
    }
}

fn check(args: &Measure) -> Result<(), CliError> {
    if args.points.is_some() && args.photos.len() > 1 {
        return Err(CliError::usage(
            "--points belongs to one photo: give one photo with its points",
        ));
    }
    if args.up.is_some() && args.photos.len() > 1 {
        return Err(CliError::usage(
            "--up belongs to one photo: give one photo with the two points in it",
        ));
    }
    if let Some(marked) = &args.marked {
        if args.photos.len() > 1 {
            return Err(CliError::usage(
                "--marked draws one photo: give one, or see the report of `bossmark day FOLDER --report FILE`",
            ));
        }
        if Format::of_name(&store::name_of(marked)).is_none() {
            return Err(CliError::usage(
                "--marked writes .jpg or .png: end the file name in one of them",
            )
            .about(marked));
        }
    }
    if let Some(out) = &args.output.out
        && out.is_dir()
    {
        return Err(CliError::from(store::StoreError::Folder).about(out));
    }
    Ok(())
}

fn give_record(
    task: &PhotoTask,
    end: &End,
    terminal: &mut Terminal,
    answers: &mut Answers,
) -> Result<(), CliError> {
    answers.give(terminal, end, || plain::end(end))?;
    if let Some(failure) = &end.failure {
        terminal.raise(Status::NotPossible);
        if answers.as_documents() {
            terminal.message(&format!("{}: {}", task.path.display(), failure.text));
        }
    }
    Ok(())
}

/// Reports a photo that can't be decoded; among JSON documents it still has its line.
fn unreadable(
    error: &CliError,
    terminal: &mut Terminal,
    answers: &mut Answers,
) -> Result<(), CliError> {
    terminal.error(error);
    if !answers.as_documents() {
        return Ok(());
    }
    answers.give(terminal, &unreadable_record(error), String::new)
}
fn times_line(path: &Path, times: &StageTimes) -> String {
    let mut before = Duration::ZERO;
    let parts: Vec<String> = times
        .iter()
        .map(|(stage, at)| {
            let name = match stage {
                Stage::Photo => "decoding",
                Stage::Camera => "camera",
                Stage::Shafts => "shafts",
            };
            let took = at.saturating_sub(before);
            before = *at;
            format!("{name} {:.2} s", took.as_secs_f64())
        })
        .collect();
    format!("{}: {}", path.display(), parts.join(", "))
}

/// The evidence for the face; the thresholds of acceptance are set from such figures.
fn evidence_line(end: &End) -> Option<String> {
    let evidence = end.camera.as_ref()?.evidence?;
    Some(format!(
        "evidence for the face: {:.1} nats, {:.1} more than asked for",
        evidence.nats,
        evidence.nats - evidence.least_nats
    ))
}

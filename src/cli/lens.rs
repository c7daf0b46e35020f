//! `bossmark lens`: the printable sheet, and a lens profile from photos of it.

use super::args::{Lens, LensAction, LensFit, LensSheet, PaperArg};
use super::input;
use super::outputs;
use super::parallel::map_in_order;
use super::progress::Progress;
use super::status::{CliError, Status};
use super::terminal::{Answers, Terminal};
use crate::lens::sheet::{self, Paper};
use crate::lens::{self, BoardDetection, LensOptions, LensProfile};
use crate::record::canonical;
use crate::store::{self, OutputKind};
use crate::text::{Locale, Sentence};
use crate::{photo, text};
use serde_json::json;
use std::path::{Path, PathBuf};

/// Runs the command.
pub(super) fn run(args: &Lens, terminal: &mut Terminal) -> Result<(), CliError> {
    match &args.action {
        Some(LensAction::Sheet(args)) => print_sheet(args, terminal),
        Some(LensAction::Fit(args)) => fit(args, terminal),
        None => fit(&args.fit, terminal),
    }
}

fn print_sheet(args: &LensSheet, terminal: &mut Terminal) -> Result<(), CliError> {
    let paper = match args.paper {
        PaperArg::A4 => Paper::A4,
        PaperArg::Letter => Paper::Letter,
    };
    let svg = sheet::svg(paper);
    if let Some(path) = args.out.as_deref().filter(|p| *p != Path::new("-")) {
        store::save_output(path, svg.as_bytes()).map_err(|e| CliError::from(e).about(path))?;
        terminal.show(&format!(
            "{}: print it at 100 % on {}; how to take the photos is written on it.",
            path.display(),
            paper.name()
        ));
    }
    if args.json {
        let document = json!({
            "schema": "bossmark/sheet/1",
            "paper": paper.name(),
            "paper_mm": paper.size_mm(),
            "squares": sheet::SQUARES,
            "square_mm": sheet::SQUARE_MM,
            "inner_corners": sheet::INNER,
            "control_mm": sheet::CONTROL_MM,
            "svg": svg,
        });
        terminal.answer(&canonical::line(&document)?);
    } else if args.out.as_deref().is_none_or(|p| p == Path::new("-")) {
        terminal.answer(svg.as_bytes());
    }
    Ok(())
}

fn fit(args: &LensFit, terminal: &mut Terminal) -> Result<(), CliError> {
    let out = args.output.out.as_ref();
    outputs::check(
        &[(out, OutputKind::of_schema(lens::SCHEMA))],
        &[&args.photos],
    )?;
    let detections = find_boards(&args.photos, terminal);
    let options = LensOptions {
        board: args.corners,
        name: args.name.clone(),
    };
    let profile = lens::fit(&detections, &options);
    if let Some(failure) = &profile.failure {
        let why = failure.text(Locale::default());
        return refused(args, &profile, &why, terminal);
    }
    let mut answers = Answers::new(&args.output);
    answers.give(terminal, &profile, || text::lens(&profile))?;
    answers.finish(false)
}

/// Reports in full why the photos don't suffice. No file is written, so that an earlier profile isn't lost.
fn refused(
    args: &LensFit,
    profile: &LensProfile,
    why: &str,
    terminal: &mut Terminal,
) -> Result<(), CliError> {
    terminal.raise(Status::NotPossible);
    let to_stdout = args
        .output
        .out
        .as_deref()
        .is_none_or(|p| p == Path::new("-"));
    if (args.output.json || args.output.out.is_some()) && to_stdout {
        terminal.answer(&canonical::line(profile)?);
        terminal.message(why);
    } else {
        terminal.show(&text::lens(profile));
        if !to_stdout {
            terminal.message("no profile was written");
        }
    }
    Ok(())
}

fn find_boards(photos: &[PathBuf], terminal: &mut Terminal) -> Vec<BoardDetection> {
    let progress = Progress::new(photos.len());
    let mut detections = Vec::new();
    map_in_order(
        photos,
        |path| {
            let photo =
                photo::open(&input::bytes(path)?).map_err(|e| CliError::from(e).about(path))?;
            Ok(lens::detect_board(&photo, &store::name_of(path)))
        },
        |_, result: Result<BoardDetection, CliError>| {
            progress.done(0);
            match result {
                Ok(detection) => detections.push(detection),
                Err(error) => terminal.error(&error),
            }
        },
    );
    progress.finish();
    detections
}

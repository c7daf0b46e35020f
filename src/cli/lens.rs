//! `bossmark lens`: the printable sheet, and a lens profile from photos of it.

use super::args::{Lens, LensAction, LensFit, LensSheet, PaperArg};
use super::input;
use super::measure::in_order;
use super::progress::Progress;
use super::screen::{Answers, Screen};
use super::status::{Status, Trouble};
use crate::lens::sheet::{self, Paper};
use crate::lens::{self, LensOptions, LensProfile, Look};
use crate::photo;
use crate::record::canonical;
use crate::store;
use crate::text;
use serde_json::json;
use std::path::{Path, PathBuf};

/// Runs the command.
pub(super) fn run(args: &Lens, screen: &mut Screen) -> Result<(), Trouble> {
    match &args.action {
        Some(LensAction::Sheet(args)) => print_sheet(args, screen),
        Some(LensAction::Fit(args)) => fit(args, screen),
        None => fit(&args.fit, screen),
    }
}

fn print_sheet(args: &LensSheet, screen: &mut Screen) -> Result<(), Trouble> {
    let paper = match args.paper {
        PaperArg::A4 => Paper::A4,
        PaperArg::Letter => Paper::Letter,
    };
    let svg = sheet::svg(paper);
    if let Some(path) = args.out.as_deref().filter(|p| *p != Path::new("-")) {
        store::save_document(path, svg.as_bytes()).map_err(|e| Trouble::from(e).about(path))?;
        screen.show(&format!(
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
        screen.answer(&canonical::line(&document)?);
    } else if args.out.as_deref().is_none_or(|p| p == Path::new("-")) {
        screen.answer(svg.as_bytes());
    }
    Ok(())
}

fn fit(args: &LensFit, screen: &mut Screen) -> Result<(), Trouble> {
    let looks = looks(&args.photos, screen);
    let options = LensOptions {
        board: args.corners,
        name: args.name.clone(),
    };
    let profile = lens::fit(&looks, &options);
    if let Some(failure) = &profile.failure {
        return refused(args, &profile, &failure.text, screen);
    }
    let mut answers = Answers::new(&args.output);
    answers.give(screen, &profile, || text::lens(&profile))?;
    answers.finish(false)
}

/// Photos that don't suffice: told in full, but no file is written, so that an earlier profile isn't lost.
fn refused(
    args: &LensFit,
    profile: &LensProfile,
    why: &str,
    screen: &mut Screen,
) -> Result<(), Trouble> {
    screen.raise(Status::NotPossible);
    let to_stdout = args
        .output
        .out
        .as_deref()
        .is_none_or(|p| p == Path::new("-"));
    if (args.output.json || args.output.out.is_some()) && to_stdout {
        screen.answer(&canonical::line(profile)?);
        screen.tell(why);
    } else {
        screen.show(&text::lens(profile));
        if !to_stdout {
            screen.tell("no profile was written");
        }
    }
    Ok(())
}

fn looks(photos: &[PathBuf], screen: &mut Screen) -> Vec<Look> {
    let progress = Progress::new(photos.len());
    let mut looks = Vec::new();
    in_order(
        photos,
        |path| {
            let photo =
                photo::open(&input::bytes(path)?).map_err(|e| Trouble::from(e).about(path))?;
            Ok(lens::look(&photo, &store::name_of(path)))
        },
        |_, result: Result<Look, Trouble>| {
            progress.done(0);
            match result {
                Ok(look) => looks.push(look),
                Err(trouble) => screen.trouble(&trouble),
            }
        },
    );
    progress.finish();
    looks
}

/// The lens profiles that a path names: a file, or those of a folder (`NAME.lens.json`), by name.
///
/// # Errors
/// When there is none, or one can't be read.
pub(super) fn profiles_at(path: &Path) -> Result<Vec<LensProfile>, Trouble> {
    if !path.is_dir() {
        return Ok(vec![profile(path)?]);
    }
    let files = store::lens_profiles(path).map_err(|e| Trouble::from(e).about(path))?;
    if files.is_empty() {
        return Err(Trouble::usage(
            "this folder holds no lens profile (NAME.lens.json): make one with `bossmark lens fit PHOTO… --out NAME.lens.json`",
        )
        .about(path));
    }
    files.iter().map(|f| profile(f)).collect()
}

/// One profile.
///
/// # Errors
/// When it can't be read or holds no lens.
pub(super) fn profile(path: &Path) -> Result<LensProfile, Trouble> {
    let bytes = store::read(path).map_err(|e| Trouble::from(e).about(path))?;
    LensProfile::parse(&bytes).map_err(|e| Trouble::file(e).about(path))
}

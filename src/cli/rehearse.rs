//! `bossmark rehearse`: practice photos, their truth, and what was shot.

use super::args::Rehearse;
use super::context::{self, SESSION_FILE};
use super::status::CliError;
use super::terminal::Terminal;
use crate::face::spec::{self, FaceSpec};
use crate::record::{ArrowKind, NamedArrow, Session, SessionFile, Setup, canonical};
use crate::rehearse::{self, Options, Practice, RehearseError, Truth};
use crate::store;
use std::fmt::Write as _;
use std::path::Path;

/// Runs the command.
pub(super) fn run(args: &Rehearse, terminal: &mut Terminal) -> Result<(), CliError> {
    let face = context::face_named(&args.face, Path::new(""))?;
    store::make_folder(&args.out).map_err(|e| CliError::from(e).about(&args.out))?;
    let arrows = if args.arrows {
        rehearse::arrows(args.seed, args.fletched as usize, args.bare as usize).map_err(error)?
    } else {
        Vec::new()
    };
    if args.with_session {
        session(args, &arrows, &args.out.join(SESSION_FILE))?;
    }
    for seed in args.seed..args.seed.saturating_add(u64::from(args.count)) {
        let name = format!("practice-{seed:04}");
        let photo = format!("{name}.jpg");
        let made =
            rehearse::rehearse(&options(args, &face, &arrows, seed), &photo).map_err(error)?;
        write(&args.out, &name, &made)?;
        if args.json {
            terminal.answer(&canonical::line(&made.truth)?);
        } else {
            terminal.text(&line(&args.out.join(&photo), &made.truth));
        }
    }
    Ok(())
}

fn options<'a>(
    args: &Rehearse,
    face: &'a FaceSpec,
    arrows: &'a [NamedArrow],
    seed: u64,
) -> Options<'a> {
    Options {
        fletched: args.fletched as usize,
        bare: args.bare as usize,
        offset_mm: args.offset,
        scatter_mm: args.scatter,
        camera_mm: args.camera.map(|m| 1000.0 * m),
        tilt_rad: args.tilt.map(f64::to_radians),
        light: args.light.map(Into::into),
        noise: args.noise,
        wear: args.wear,
        size: args.size,
        arrows,
        ..Options::new(face, seed)
    }
}

fn error(error: RehearseError) -> CliError {
    match error {
        RehearseError::Range { .. } | RehearseError::NoRoom { .. } => CliError::usage(error),
        _ => CliError::file(error),
    }
}

fn write(folder: &Path, name: &str, made: &Practice) -> Result<(), CliError> {
    let truth = canonical::pretty(&made.truth)?;
    let files = [(".jpg", &made.jpeg), (".truth.json", &truth)]
        .map(|(ending, bytes)| (folder.join(format!("{name}{ending}")), bytes));
    for (path, bytes) in &files {
        if path.exists() && store::read(path).ok().as_ref() != Some(*bytes) {
            return Err(CliError::usage(
                "another photo is called that, which is left alone: choose another folder (--out), or other numbers (--seed)",
            )
            .about(path));
        }
    }
    for (path, bytes) in &files {
        store::save_output(path, bytes).map_err(|e| CliError::from(e).about(path))?;
    }
    Ok(())
}

/// Writes the session file, unless there is one: it may be somebody's own.
fn session(args: &Rehearse, arrows: &[NamedArrow], path: &Path) -> Result<(), CliError> {
    if path.exists() {
        return Err(CliError::usage(
            "there is a session file, which is left alone: choose another folder, or leave out --with-session",
        )
        .about(path));
    }
    let document = SessionFile {
        schema: crate::record::session_file::SCHEMA.to_owned(),
        face: Some(face_from_anywhere(&args.face)),
        lens: None,
        fletched: Some(args.fletched),
        bare: Some(args.bare),
        session: Session {
            hand: args.hand.map(Into::into),
            distance_m: args.distance,
            setup: (!arrows.is_empty()).then(|| Setup {
                arrows: Some(arrows.to_vec()),
                ..Setup::default()
            }),
            ..Session::default()
        },
        ends: None,
        extra: Default::default(),
    };
    store::save_output(path, &canonical::pretty(&document)?)
        .map_err(|e| CliError::from(e).about(path))
}

/// A face's name as it is; the path of a face file so that it holds from the session file's folder too.
fn face_from_anywhere(face: &str) -> String {
    if spec::by_name(face).is_some() {
        return face.to_owned();
    }
    std::path::absolute(face).map_or_else(|_| face.to_owned(), |p| p.display().to_string())
}

fn line(path: &Path, truth: &Truth) -> String {
    let of = |kind: ArrowKind| truth.shafts.iter().filter(|s| s.kind == kind).count();
    let mut text = format!(
        "{}: {}; {} fletched, {} bare",
        path.display(),
        truth.words,
        of(ArrowKind::Fletched),
        of(ArrowKind::Bare)
    );
    if let Some([x, y]) = truth.bare_minus_fletched_mm {
        let _ = write!(
            text,
            "; bare minus fletched {x:+.0} mm right, {y:+.0} mm up"
        );
    }
    text
}

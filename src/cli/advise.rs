//! `bossmark advise`: the history of the newest record's bow → the next change.

use super::args::Advise;
use super::context::{Context, SESSION_FILE, folder_of};
use super::input;
use super::outputs;
use super::read::report_left_out;
use super::status::{CliError, Status};
use super::terminal::{Answers, Terminal};
use crate::advice::{self, AdviceOptions, advise, explain};
use crate::record::{History, RecordFile, Setup};
use crate::store::OutputKind;
use crate::text::{Locale, Sentence, brief, plain};
use std::collections::BTreeSet;
use std::path::Path;

/// Runs the command.
pub(super) fn run(args: &Advise, terminal: &mut Terminal) -> Result<(), CliError> {
    outputs::check(
        &[(
            args.output.out.as_ref(),
            OutputKind::of_schema(advice::SCHEMA),
        )],
        &[&args.records],
    )?;
    let mut context = Context::new(&args.session, None)?;
    let mut records = input::records(terminal, &args.records, context.flags());
    fill_from_session_files(&mut records, &mut context, terminal)?;
    if let Some(path) = &args.tape {
        match input::tape(path, args.local.units.in_mm(), context.flags()) {
            Ok(ends) => records.extend(ends),
            Err(error) => terminal.error(&error),
        }
    }
    if records.is_empty() {
        // what is wrong with each input has been reported
        return Ok(());
    }
    let history = History::new(records);
    history
        .left_out
        .iter()
        .for_each(|l| report_left_out(terminal, l));
    let options = AdviceOptions {
        both: args.both,
        noted_since: noted_since(&history, &mut context)?,
    };
    let advice = advise(&history, &options);
    let locale = Locale::from(args.local);
    let mut answers = Answers::new(&args.output);
    answers.give(terminal, &advice, || {
        let mut words = brief(&advice, locale);
        if args.why {
            words = plain::advice(&advice, locale);
            words.push_str(&plain::reasons(&explain(&history, &options), locale));
        }
        words
    })?;
    if let Some(failure) = &advice.failure {
        terminal.raise(Status::NotPossible);
        if answers.as_documents() {
            terminal.message(&failure.text(locale));
        }
    }
    answers.finish(false)
}

/// The settings that the session file beside the newest record notes after every end that it names.
///
/// # Errors
/// When the session file can't be read or is wrong.
pub(super) fn noted_since(
    history: &History,
    context: &mut Context,
) -> Result<Option<Setup>, CliError> {
    let newest = history.newest().and_then(|run| run.ends.last());
    let path = newest.map(|record| Path::new(&record.file));
    path.filter(|path| path.is_file())
        .map_or(Ok(None), |path| context.changed_after_last_photo(path))
}

/// Fills what records leave open from the session file beside them, and says so: the bow may have been described after the photos
/// were measured.
fn fill_from_session_files(
    records: &mut [RecordFile],
    context: &mut Context,
    terminal: &mut Terminal,
) -> Result<(), CliError> {
    let mut filled = BTreeSet::new();
    for filed in records {
        let path = Path::new(&filed.file);
        let Some(photo) = filed.end.photo.as_ref().filter(|_| path.is_file()) else {
            continue;
        };
        let photo = path.with_file_name(&photo.file);
        let whole = filed.end.session.or(&context.session(&photo)?);
        if whole != filed.end.session {
            filed.end.session = whole;
            filled.insert(folder_of(path).join(SESSION_FILE));
        }
    }
    for file in filled {
        terminal.message(&format!(
            "{}: fills what the records beside it leave open",
            file.display()
        ));
    }
    Ok(())
}

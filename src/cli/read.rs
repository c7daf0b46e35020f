//! `bossmark read`: one reading for each run of one set-up at one distance, oldest first.

use super::args::Read;
use super::context::Context;
use super::input;
use super::status::{CliError, Status};
use super::terminal::{Answers, Terminal};
use crate::record::{LeftOut, LeftOutReason, tape};
use crate::text::{Locale, Sentence, plain};
use crate::timeline::readings;

/// Runs the command.
pub(super) fn run(args: &Read, terminal: &mut Terminal) -> Result<(), CliError> {
    let context = Context::new(&args.session, None)?;
    if args.tape_template {
        terminal.text(tape::TEMPLATE);
        return Ok(());
    }
    let mut records = input::records(terminal, &args.records, context.flags());
    if let Some(path) = &args.tape {
        match input::tape(path, args.units.in_mm(), context.flags()) {
            Ok(ends) => records.extend(ends),
            Err(error) => terminal.error(&error),
        }
    }
    if records.is_empty() {
        // what is wrong with each input has been reported
        return Ok(());
    }
    let (read, left_out) = readings(records);
    left_out.iter().for_each(|l| report_left_out(terminal, l));
    if read.is_empty() {
        return Err(CliError::not_possible(
            "none of these records holds a measured end: measure photos that show the whole face",
        ));
    }
    let several = read.len() > 1;
    let locale = Locale::from(args.units);
    let mut answers = Answers::new(&args.output);
    for part in &read {
        answers.give(terminal, &part.reading, || {
            let head = if several {
                format!("{}\n", part.files.join(", "))
            } else {
                String::new()
            };
            format!("{head}{}", plain::reading(&part.reading, locale))
        })?;
        if let Some(failure) = &part.reading.failure {
            terminal.raise(Status::NotPossible);
            if answers.as_documents() {
                terminal.message(&failure.text(locale));
            }
        }
    }
    answers.finish(false)
}

/// Tells of a record that doesn't count, where nothing else does.
pub(super) fn report_left_out(terminal: &mut Terminal, left_out: &LeftOut) {
    let file = &left_out.filed.file;
    match left_out.reason {
        LeftOutReason::SameRecord => terminal.message(&format!(
            "{file}: the same end is given twice, it counts once"
        )),
        LeftOutReason::Failed => terminal.message(&format!(
            "{file}: left out, its photo could not be measured"
        )),
        // these stand among the cautions
        LeftOutReason::SameEnd | LeftOutReason::OtherBow => {}
    }
}

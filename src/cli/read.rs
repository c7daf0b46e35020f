//! `bossmark read`: one reading for each run of one set-up at one distance, oldest first.

use super::args::{Output, Read};
use super::context::Context;
use super::input;
use super::outputs;
use super::status::{CliError, Status};
use super::terminal::{Answers, Terminal};
use crate::reading;
use crate::record::{ExcludedRecord, RecordExclusion, RecordFile, SCHEMA, canonical, tape};
use crate::store::{self, OutputKind};
use crate::text::{Locale, Sentence, plain};
use crate::timeline::readings;
use std::path::Path;

/// Runs the command.
pub(super) fn run(args: &Read, terminal: &mut Terminal) -> Result<(), CliError> {
    outputs::check(
        &[(
            args.output.out.as_ref(),
            OutputKind::of_schema(if args.tape.is_some() {
                SCHEMA
            } else {
                reading::SCHEMA
            }),
        )],
        &[&args.records, args.tape.as_slice()],
    )?;
    let context = Context::new(&args.session, None)?;
    if args.tape_template {
        terminal.text(tape::TEMPLATE);
        return Ok(());
    }
    let mut records = input::records(terminal, &args.records, context.flags());
    if let Some(path) = &args.tape {
        match input::tape(path, args.units.in_mm(), context.flags()) {
            Ok(ends) => {
                if let Some(out) = args.output.out.as_ref() {
                    write_records(out, &ends)?;
                    terminal.message(&format!("{}: written", out.display()));
                }
                records.extend(ends);
            }
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
    // with a table the file holds its records
    let output = Output {
        out: args.output.out.clone().filter(|_| args.tape.is_none()),
        ..args.output.clone()
    };
    let mut answers = Answers::new(&output);
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

/// Writes the records of a table, one a line.
fn write_records(out: &Path, ends: &[RecordFile]) -> Result<(), CliError> {
    let mut lines = Vec::new();
    for filed in ends {
        lines.extend(canonical::line(&filed.end)?);
    }
    store::save_proposals(out, &lines).map_err(|e| CliError::from(e).about(out))
}

/// Says of a record that it doesn't count, where nothing else does.
pub(super) fn report_left_out(terminal: &mut Terminal, left_out: &ExcludedRecord) {
    let file = &left_out.filed.file;
    match left_out.reason {
        RecordExclusion::SameRecord => terminal.message(&format!(
            "{file}: the same end is given twice, it counts once"
        )),
        RecordExclusion::Failed => terminal.message(&format!(
            "{file}: left out, its photo could not be measured"
        )),
        // these stand among the cautions
        RecordExclusion::SameEnd | RecordExclusion::OtherBow => {}
    }
}

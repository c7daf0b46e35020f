//! `bossmark advise`: the history of the newest record's bow → the next change.

use super::args::Advise;
use super::context::Context;
use super::input;
use super::read::report_left_out;
use super::status::{CliError, Status};
use super::terminal::{Answers, Terminal};
use crate::advice::{AdviceOptions, advise, explain};
use crate::record::History;
use crate::text::{Locale, Sentence, plain};

/// Runs the command.
pub(super) fn run(args: &Advise, terminal: &mut Terminal) -> Result<(), CliError> {
    let context = Context::new(&args.session, None)?;
    let records = input::records(terminal, &args.records, context.flags());
    if records.is_empty() {
        // what is wrong with each input has been reported
        return Ok(());
    }
    let history = History::new(records);
    history
        .left_out
        .iter()
        .for_each(|l| report_left_out(terminal, l));
    let options = AdviceOptions { both: args.both };
    let advice = advise(&history, &options);
    let locale = Locale::from(args.local);
    let mut answers = Answers::new(&args.output);
    answers.give(terminal, &advice, || {
        let mut words = plain::advice(&advice, locale);
        if args.why {
            words.push_str("\nHow that comes about\n");
            for line in explain(&history, &options) {
                words.push_str(&format!("  - {}\n", line.text(locale)));
            }
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

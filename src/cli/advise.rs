//! `bossmark advise`: the history of the newest record's bow → the next change.

use super::args::Advise;
use super::context::Context;
use super::input;
use super::read::tell;
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
        // what was wrong with each input has been told
        return Ok(());
    }
    let history = History::new(records);
    history.left_out.iter().for_each(|l| tell(terminal, l));
    let options = AdviceOptions { both: args.both };
    let advice = advise(&history, &options);
    let locale = Locale::from(args.local);
    let mut answers = Answers::new(&args.output);
    answers.give(terminal, &advice, || {
        let mut said = plain::advice(&advice, locale);
        if args.why {
            said.push_str("\nHow that comes about\n");
            for thought in explain(&history, &options) {
                said.push_str(&format!("  - {}\n", thought.text(locale)));
            }
        }
        said
    })?;
    if let Some(failure) = &advice.failure {
        terminal.raise(Status::NotPossible);
        if answers.as_documents() {
            terminal.tell(&failure.text(locale));
        }
    }
    answers.finish(false)
}

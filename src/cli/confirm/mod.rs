//! `bossmark confirm`: a person checks the entries, on the page or without it.

mod edits;
mod jobs;
mod page;

use super::args::Confirm;
use super::status::CliError;
use super::terminal::Terminal;

/// Runs the command.
pub(super) fn run(args: &Confirm, terminal: &mut Terminal) -> Result<(), CliError> {
    if args.accept || args.edits.is_some() {
        edits::run(args, terminal)
    } else {
        page::run(args, terminal)
    }
}

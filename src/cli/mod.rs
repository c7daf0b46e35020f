//! The command line: what was typed → the stages of the pipeline → stdout, stderr and an exit status.
//!
//! This, [`crate::server`] and [`crate::store`] alone touch files, streams, sockets and the environment.

mod advise;
pub mod args;
mod card;
mod confirm;
mod context;
mod day;
mod faces;
mod history;
mod input;
mod lens;
mod lens_profiles;
mod manual;
mod measure;
mod outputs;
mod parallel;
mod photo_task;
mod plan;
mod progress;
mod read;
mod rehearse;
mod setup;
mod stage_pictures;
mod status;
mod terminal;

pub use status::{CliError, Status};

use args::{Cli, Command};
use clap::{CommandFactory, Parser};
use std::ffi::OsString;
use terminal::Terminal;

/// Runs the program on its arguments (the first is its own name) and returns its exit status.
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> Status {
    let arguments: Vec<OsString> = arguments.into_iter().collect();
    let mut terminal = Terminal::default();
    if arguments.len() < 2 {
        terminal.text(&short_help());
        return Status::Done;
    }
    let cli = match Cli::try_parse_from(arguments) {
        Ok(cli) => cli,
        Err(error) => {
            // help and version go to stdout with 0, faults to stderr with 2: clap knows which is which
            if error.use_stderr() {
                terminal.show(&error.render().to_string());
                return Status::WrongUse;
            }
            return match error.print() {
                Err(e) if e.kind() != std::io::ErrorKind::BrokenPipe => Status::File,
                _ => Status::Done,
            };
        }
    };
    let result = match &cli.command {
        Command::Measure(args) => measure::run(args, &mut terminal),
        Command::Confirm(args) => confirm::run(args, &mut terminal),
        Command::Read(args) => read::run(args, &mut terminal),
        Command::Advise(args) => advise::run(args, &mut terminal),
        Command::Day(args) => day::run(args, &mut terminal),
        Command::Setup(args) => setup::run(args, &mut terminal),
        Command::History(args) => history::run(args, &mut terminal),
        Command::Completions(args) => {
            manual::completions(args, &mut terminal);
            Ok(())
        }
        Command::Man(args) => manual::run(args, &mut terminal),
        Command::Plan(args) => plan::run(args, &mut terminal),
        Command::Rehearse(args) => rehearse::run(args, &mut terminal),
        Command::Lens(args) => lens::run(args, &mut terminal),
        Command::Card(args) => card::run(args, &mut terminal),
        Command::Faces(args) => faces::run(args, &mut terminal),
    };
    if let Err(error) = result {
        terminal.error(&error);
    }
    terminal.status()
}

fn short_help() -> String {
    let about = Cli::command()
        .get_about()
        .map(ToString::to_string)
        .unwrap_or_default();
    format!(
        "bossmark: {about}\n\n{}\n\n`bossmark --help` lists all commands, `bossmark COMMAND --help` its flags.",
        args::EXAMPLES
    )
}

//! `bossmark completions` and `bossmark man`: made from the one definition of the command line.

use super::args::{Cli, Completions, Man};
use super::status::CliError;
use super::terminal::Terminal;
use crate::store;
use clap::{Command, CommandFactory};
use clap_mangen::Man as Page;

/// Prints a completion script.
pub(super) fn completions(args: &Completions, terminal: &mut Terminal) {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "bossmark", &mut script);
    terminal.answer(&script);
}

/// Prints the manual's main page, or writes all its pages into a folder.
pub(super) fn run(args: &Man, terminal: &mut Terminal) -> Result<(), CliError> {
    let mut whole = Cli::command();
    whole.build();
    let Some(folder) = &args.out else {
        terminal.answer(&page(whole, "bossmark")?);
        return Ok(());
    };
    store::make_folder(folder).map_err(|e| CliError::from(e).about(folder))?;
    let mut written = vec![("bossmark".to_owned(), whole.clone())];
    let commands = whole.get_subcommands();
    written.extend(commands.map(|c| (format!("bossmark-{}", c.get_name()), c.clone())));
    for (name, command) in written {
        let path = folder.join(format!("{name}.1"));
        let bytes = page(command, &name)?;
        store::save_output(&path, &bytes).map_err(|e| CliError::from(e).about(&path))?;
    }
    terminal.text(&format!(
        "The manual is in {}: `man bossmark`.",
        folder.display()
    ));
    Ok(())
}

fn page(command: Command, name: &str) -> Result<Vec<u8>, CliError> {
    let examples = command.get_before_help().map(ToString::to_string);
    let mut bytes = Vec::new();
    Page::new(command)
        .title(name)
        .source(concat!("bossmark ", env!("CARGO_PKG_VERSION")))
        .manual("bossmark")
        .render(&mut bytes)
        .map_err(|e| CliError::file(format!("the manual can't be made ({e})")))?;
    // what stands before everything else on the screen has no section of its own in the page
    if let Some(examples) = examples {
        bytes.extend_from_slice(b".SH EXAMPLES\n.nf\n");
        for line in examples.lines().skip(1) {
            let line = line.trim().replace('\\', "\\\\").replace('-', "\\-");
            bytes.extend_from_slice(format!("{line}\n").as_bytes());
        }
        bytes.extend_from_slice(b".fi\n");
    }
    Ok(bytes)
}

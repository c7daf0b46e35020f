//! The command line as it is typed: every flag, one file a command.

mod advise;
mod card;
mod common;
mod confirm;
mod day;
mod faces;
mod history;
mod lens;
mod manual;
mod measure;
mod plan;
mod read;
mod rehearse;
mod setup;
mod values;

pub use advise::Advise;
pub use card::Card;
pub(super) use common::hand;
pub use common::{DatesArg, HandArg, LocalArgs, Output, SessionArgs, UnitsArg};
pub use confirm::Confirm;
pub use day::Day;
pub use faces::Faces;
pub use history::History;
pub use lens::{Lens, LensAction, LensFit, LensSheet, PaperArg};
pub use manual::{Completions, Man};
pub use measure::{Measure, TableArg};
pub use plan::Plan;
pub use read::Read;
pub use rehearse::{LightArg, Rehearse};
pub use setup::{SETTING_FLAGS, Settings, Setup};
pub(super) use values::{distance, grains, length, number, numbers, pounds};

use clap::{Parser, Subcommand};

/// What is shown first in every help of the whole.
pub const EXAMPLES: &str = "\
Examples:
  bossmark day evening/ --report evening.html        a folder's photos, and a report
  bossmark measure IMG_0101.jpg --face wa-80 --json  one photo, as a record";

const AFTER: &str = "\
Exit status: 0 done; 1 read, but the job can't be done on it; 2 wrong use; 3 a
file could not be read, decoded or written; 130 stopped with Ctrl-C. With
several inputs: the highest. `-` stands for stdin or stdout where a record goes.
NO_COLOR is honoured.";

const LENS_TEMPLATE: &str = "{about}\n\n{before-help}{usage-heading}\n  bossmark lens sheet [--paper a4|letter] [--out FILE]\n  bossmark lens [fit] [OPTIONS] <PHOTO>...\n\n{all-args}";

const TEMPLATE: &str = "{about}\n\n{before-help}{usage-heading} {usage}\n\n{all-args}{after-help}";

/// Bare-shaft tuning from a phone photo of the boss.
#[derive(Debug, Parser)]
#[command(name = "bossmark", version, about, before_help = EXAMPLES, after_help = AFTER, help_template = TEMPLATE,
    disable_help_subcommand = true, max_term_width = 80)]
pub struct Cli {
    /// The command.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Photo → end record with proposed entries.
    #[command(before_help = "\
Examples:
  bossmark measure IMG_0101.jpg --face wa-80
  bossmark measure IMG_0101.jpg --face wa-80 --fletched 3 --bare 3 \\
    --marked look.jpg --json > end.json
  bossmark measure IMG_0101.jpg --face wa-80 --points marked.json", help_template = TEMPLATE)]
    Measure(Measure),
    /// A page in the browser on which a person checks the entries and sees what they mean.
    #[command(before_help = "\
Examples:
  bossmark confirm evening/
  bossmark confirm IMG_0101.jpg --face wa-80 --share
  bossmark confirm IMG_0101.end.json --accept
  bossmark confirm IMG_0101.end.json --edits edits.json", help_template = TEMPLATE)]
    Confirm(Confirm),
    /// Records of one set-up → what the two groups say.
    #[command(before_help = "\
Examples:
  bossmark read IMG_0101.end.json IMG_0102.end.json
  bossmark read evening/ --json
  bossmark read --tape-template > end.csv
  bossmark read --tape end.csv --hand right --distance 30", help_template = TEMPLATE)]
    Read(Read),
    /// History of records → the next change on this bow.
    #[command(before_help = "\
Examples:
  bossmark advise evening/
  bossmark advise *.end.json --both --why", help_template = TEMPLATE)]
    Advise(Advise),
    /// A folder of photos → records, what needs a person, and a report.
    #[command(before_help = "\
Examples:
  bossmark day evening/ --report evening.html
  bossmark day evening/ --report evening.html --history season/
  bossmark day student/ --face wa-60 --hand left --distance 18 \\
    --report student.html
  bossmark day club-night/ --reports reports/", help_template = TEMPLATE)]
    Day(Day),
    /// A session file: made from flags or by asking, checked, or carried on to the next end after a change.
    #[command(before_help = "\
Examples:
  bossmark setup --hand right --distance 30 --draw-weight 36 --bolts-out 1 \\
    --spine 600 --length 29in --point 100
  bossmark setup --limit bolt_turns_out=0..4 --limit shaft_length_mm=711.. \\
    --limit point_gr=owned:90,100,110
  bossmark setup evening/        checks evening/session.json, shows what it says
  bossmark advise evening/ --json > next.json
  bossmark setup evening/ --apply next.json         the change advised was made
  bossmark setup evening/ --changed --plunger 2     a change of your own", help_template = TEMPLATE)]
    Setup(Box<Setup>),
    /// Records of weeks and months: each set-up, the trend over the dates, two set-ups compared, everything as a table.
    #[command(before_help = "\
Examples:
  bossmark history season/
  bossmark history season/ --compare 1,3
  bossmark history season/ --csv season.csv --svg trend.svg", help_template = TEMPLATE)]
    History(History),
    /// The log card of a bow: its set-up, what each lever does, and its history, on one page.
    #[command(before_help = "\
Examples:
  bossmark card season/
  bossmark card season/ --units in", help_template = TEMPLATE)]
    Card(Card),
    /// What to shoot: distance, number of shafts, order, and what precision that gives.
    #[command(before_help = "\
Examples:
  bossmark plan --distance 30
  bossmark plan --for-student
  bossmark plan evening/ --json", help_template = TEMPLATE)]
    Plan(Plan),
    /// Practice photos with known truth: try before you trust. They are drawn, not real.
    #[command(before_help = "\
Examples:
  bossmark rehearse --face wa-80 --out practice/
  bossmark rehearse --face wa-60 --fletched 3 --bare 3 --offset 90,0 \\
    --scatter 30 --count 4 --with-session --hand right --distance 30 \\
    --out practice/", help_template = TEMPLATE)]
    Rehearse(Rehearse),
    /// A lens profile from photos of a printed sheet, and the sheet itself.
    #[command(before_help = "\
Examples:
  bossmark lens sheet --paper a4 --out sheet.svg
  bossmark lens fit IMG_02*.jpg --out phone.lens.json
  bossmark measure IMG_0101.jpg --face wa-80 --lens phone.lens.json", help_template = LENS_TEMPLATE)]
    Lens(Lens),
    /// A script that completes commands and flags in your shell.
    #[command(before_help = "\
Examples:
  bossmark completions bash > bossmark.bash
  bossmark completions zsh > ~/.zfunc/_bossmark", help_template = TEMPLATE)]
    Completions(Completions),
    /// The manual: one page for the whole and one for each command.
    #[command(before_help = "\
Examples:
  bossmark man | man -l -
  bossmark man --out ~/.local/share/man/man1", help_template = TEMPLATE)]
    Man(Man),
    /// The target faces that are known, with their sources.
    #[command(before_help = "\
Examples:
  bossmark faces
  bossmark faces --json", help_template = TEMPLATE)]
    Faces(Faces),
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_definition_is_consistent() {
        Cli::command().debug_assert();
    }
}

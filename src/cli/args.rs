//! The command line as it is typed: one place for every flag.

use crate::measure::{Pick, Place};
use crate::record::{EntryKind, Hand, Limit, NamedArrow, Session, When};
use crate::rehearse::LightKind;
use clap::{Args, Parser, Subcommand, ValueEnum};
use std::net::Ipv4Addr;
use std::path::PathBuf;

/// What is shown first in every help of the whole.
pub const EXAMPLES: &str = "\
Examples:
  bossmark day evening/ --report evening.html        every photo of a folder, and a report to look at
  bossmark measure IMG_0101.jpg --face wa-80 --json  one photo, as a record for machines";

const AFTER: &str = "\
Exit status: 0 done; 1 read, but the job can't be done on it; 2 wrong use; 3 a file could not be read, decoded or written;
130 stopped with Ctrl-C. With several inputs: the highest. `-` stands for stdin or stdout where a record goes.
NO_COLOR is honoured.";

const LENS_TEMPLATE: &str = "{about}\n\n{before-help}{usage-heading}\n  bossmark lens sheet [--paper a4|letter] [--out FILE]\n  bossmark lens [fit] [OPTIONS] <PHOTO>...\n\n{all-args}";
const TEMPLATE: &str = "{about}\n\n{before-help}{usage-heading} {usage}\n\n{all-args}{after-help}";

/// Bare-shaft tuning from a phone photo of the boss.
#[derive(Debug, Parser)]
#[command(name = "bossmark", version, about, before_help = EXAMPLES, after_help = AFTER, help_template = TEMPLATE,
    disable_help_subcommand = true, max_term_width = 100)]
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
  bossmark measure IMG_0101.jpg --face wa-80 --fletched 3 --bare 3 --marked look.jpg --json > end.json
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
  bossmark day student/ --face wa-60 --hand left --distance 18 --report student.html
  bossmark day club-night/ --reports reports/", help_template = TEMPLATE)]
    Day(Day),
    /// A session file: made from flags or by asking, checked, or carried on to the next end after a change.
    #[command(before_help = "\
Examples:
  bossmark setup --hand right --distance 30 --draw-weight 36 --bolts-out 1 --spine 600 --length 29in --point 100
  bossmark setup --limit bolt_turns_out=0..4 --limit shaft_length_mm=711.. --limit point_gr=owned:90,100,110
  bossmark setup evening/                              checks evening/session.json and shows what it says
  bossmark advise evening/ --json > next.json && bossmark setup evening/ --apply next.json
  bossmark setup evening/ --changed --plunger 2        a change of your own, from the next end on", help_template = TEMPLATE)]
    Setup(Box<Setup>),
    /// Records of weeks and months: each set-up, the trend over the dates, two set-ups compared, everything as a table.
    #[command(before_help = "\
Examples:
  bossmark history season/
  bossmark history season/ --compare 1,3
  bossmark history season/ --csv season.csv --svg trend.svg", help_template = TEMPLATE)]
    History(History),
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
  bossmark rehearse --face wa-60 --fletched 3 --bare 3 --offset 90,0 --scatter 30 --count 4 --with-session --hand right --distance 30 --out practice/", help_template = TEMPLATE)]
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
  bossmark completions bash > ~/.local/share/bash-completion/completions/bossmark
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

/// Where the answer goes.
#[derive(Args, Clone, Debug, Default)]
pub struct Output {
    /// Print the answer as JSON (several: one a line), and nothing else, on stdout
    #[arg(long)]
    pub json: bool,
    /// Write the answer to this file instead, as JSON
    #[arg(short, long, value_name = "FILE")]
    pub out: Option<PathBuf>,
}

/// What the photo can't show: as flags, or in a session file.
#[derive(Args, Clone, Debug, Default)]
#[command(next_help_heading = "What was shot (flags win over the session file)")]
pub struct SessionArgs {
    /// Session file [default: session.json beside the photo]
    #[arg(long, value_name = "FILE")]
    pub session: Option<PathBuf>,
    /// The hand that draws the string
    #[arg(long, value_name = "right|left")]
    pub hand: Option<HandArg>,
    /// Shooting distance, in metres (`30`, `30m`) or yards (`30yd`)
    #[arg(long, value_name = "METRES", value_parser = distance)]
    pub distance: Option<f64>,
    /// Set-up file: the fields of `session.setup`, for all that is named
    #[arg(long, value_name = "FILE")]
    pub setup: Option<PathBuf>,
    /// The archer: any label
    #[arg(long, value_name = "NAME")]
    pub archer: Option<String>,
    /// The bow: any label
    #[arg(long, value_name = "NAME")]
    pub bow: Option<String>,
    /// When it was shot: 2026-05-03, or 2026-05-03T10:12:00+02:00
    #[arg(long, value_name = "DATE", value_parser = date)]
    pub date: Option<String>,
    /// Number of the end
    #[arg(long, value_name = "N")]
    pub end: Option<u64>,
    /// How many fletched shafts were shot
    #[arg(long, value_name = "N")]
    pub fletched: Option<u32>,
    /// How many bare shafts were shot
    #[arg(long, value_name = "N")]
    pub bare: Option<u32>,
}

impl SessionArgs {
    /// The flags as a session.
    #[must_use]
    pub fn to_session(&self) -> Session {
        let setup = self.bow.clone().map(|bow| crate::record::Setup {
            bow: Some(bow),
            ..Default::default()
        });
        Session {
            archer: self.archer.clone(),
            hand: self.hand.map(Into::into),
            distance_m: self.distance,
            date: self.date.clone(),
            end: self.end,
            fletched: self.fletched,
            bare: self.bare,
            setup,
            ..Session::default()
        }
    }
}

/// `bossmark measure`.
#[derive(Args, Debug)]
pub struct Measure {
    /// Photos (JPEG or PNG)
    #[arg(required_unless_present = "points_template", value_name = "PHOTO")]
    pub photos: Vec<PathBuf>,
    /// Target face: a name from `bossmark faces`, or a face file
    #[arg(long, value_name = "FACE")]
    pub face: Option<String>,
    /// Instead of --face, the size of the face (80cm): its pattern is read from the photo
    #[arg(long, value_name = "SIZE", value_parser = size_mm, conflicts_with_all = ["face", "points", "points_template"])]
    pub size: Option<f64>,
    /// Of several faces take the one nearest to this point of the upright photo: pixels (1200,900), or shares of its
    /// width and height (0.3,0.5)
    #[arg(long, value_name = "X,Y", value_parser = at, allow_hyphen_values = true, conflicts_with = "which")]
    pub at: Option<Pick>,
    /// Of several faces take this one, as the record counts them
    #[arg(long, value_name = "N", value_parser = which)]
    pub which: Option<Pick>,
    /// Which way is up on the face: two points of the upright photo that stand above each other, the lower first (an edge of
    /// the paper, a plumb line); pixels, or shares of its width and height, as for --at
    #[arg(long, value_name = "X1,Y1,X2,Y2", value_parser = up, allow_hyphen_values = true, conflicts_with = "points")]
    pub up: Option<Up>,
    /// Lens profile, or a folder of them [default: the session file's, else NAME.lens.json beside the photo]
    #[arg(long, value_name = "FILE|DIR")]
    pub lens: Option<PathBuf>,
    /// Fit the camera to points of the face that you marked in the photo, instead of the rings (JSON or CSV)
    #[arg(long, value_name = "FILE", conflicts_with_all = ["at", "which"])]
    pub points: Option<PathBuf>,
    /// Print a points file to fill in for this face
    #[arg(long, value_name = "json|csv", num_args = 0..=1, default_missing_value = "json",
        conflicts_with_all = ["photos", "points", "at", "which", "up", "lens"])]
    pub points_template: Option<TableArg>,
    /// Output.
    #[command(flatten)]
    pub output: Output,
    /// Write the photo with rings, entries and tags drawn on it (.jpg or .png)
    #[arg(long, value_name = "FILE")]
    pub marked: Option<PathBuf>,
    /// Write an image after each stage into this folder
    #[arg(long, value_name = "DIR")]
    pub debug_dir: Option<PathBuf>,
    /// Say on stderr how long each stage took
    #[arg(long)]
    pub times: bool,
    /// Session.
    #[command(flatten)]
    pub session: SessionArgs,
}

/// `bossmark confirm`.
#[derive(Args, Debug)]
pub struct Confirm {
    /// Photos, records or folders
    #[arg(required = true, value_name = "PHOTO|RECORD|FOLDER")]
    pub inputs: Vec<PathBuf>,
    /// No page: take all entries as they stand
    #[arg(long, conflicts_with = "edits")]
    pub accept: bool,
    /// No page: apply a list of edits (bossmark/edits/1) to the one record
    #[arg(long, value_name = "FILE")]
    pub edits: Option<PathBuf>,
    /// Target face, for a photo that has no record yet
    #[arg(long, value_name = "FACE")]
    pub face: Option<String>,
    /// Lens profile, or a folder of them, for a photo that has no record yet
    #[arg(long, value_name = "FILE|DIR")]
    pub lens: Option<PathBuf>,
    /// Folder of the photos' records [default: beside the photo]; for a record: the file to write instead
    #[arg(short, long, value_name = "DIR|FILE")]
    pub out: Option<PathBuf>,
    /// Without the page: print the records as JSON on stdout as well
    #[arg(long)]
    pub json: bool,
    /// The page's port [default: 4117, or one of the next]
    #[arg(short, long, value_name = "PORT", conflicts_with_all = ["accept", "edits"])]
    pub port: Option<u16>,
    /// Let a phone on the same network in, by a link with a code; ADDRESS: this machine's own
    #[arg(long, value_name = "ADDRESS", num_args = 0..=1, require_equals = true, conflicts_with_all = ["accept", "edits"])]
    pub share: Option<Option<Ipv4Addr>>,
    /// Don't open the browser
    #[arg(long, conflicts_with_all = ["accept", "edits"])]
    pub no_open: bool,
    /// Serve the page's files from this folder instead of those built in
    #[arg(long, value_name = "DIR", hide = true)]
    pub page_files: Option<PathBuf>,
    /// Session.
    #[command(flatten)]
    pub session: SessionArgs,
}

/// `bossmark read`.
#[derive(Args, Debug)]
pub struct Read {
    /// Records, or folders of them; `-` for stdin
    #[arg(required_unless_present_any = ["tape", "tape_template"], value_name = "RECORD")]
    pub records: Vec<PathBuf>,
    /// Places measured by hand: a table (CSV) of x, y, kind, end, arrow; `-` for stdin
    #[arg(long, value_name = "FILE")]
    pub tape: Option<PathBuf>,
    /// Print such a table to fill in
    #[arg(long, conflicts_with_all = ["tape", "records"])]
    pub tape_template: bool,
    /// Unit of lengths in the text, and of a table's columns that name none; documents stay in mm
    #[arg(long, value_name = "mm|in", default_value = "mm")]
    pub units: UnitsArg,
    /// Output.
    #[command(flatten)]
    pub output: Output,
    /// Session: fills what the records leave open.
    #[command(flatten)]
    pub session: SessionArgs,
}

/// `bossmark advise`.
#[derive(Args, Debug)]
pub struct Advise {
    /// Records, or folders of them; `-` for stdin
    #[arg(required = true, value_name = "RECORD")]
    pub records: Vec<PathBuf>,
    /// Allow a change on each axis at once
    #[arg(long)]
    pub both: bool,
    /// Show the chain from reading to step with its numbers
    #[arg(long, conflicts_with = "json")]
    pub why: bool,
    /// How the text is written.
    #[command(flatten)]
    pub local: LocalArgs,
    /// Output.
    #[command(flatten)]
    pub output: Output,
    /// Session: fills what the records leave open.
    #[command(flatten)]
    pub session: SessionArgs,
}

/// `bossmark day`.
#[derive(Args, Debug)]
pub struct Day {
    /// Folders of photos, each with session.json if there is one; a folder of such folders stands for them (one an archer)
    #[arg(required = true, value_name = "FOLDER")]
    pub folders: Vec<PathBuf>,
    /// Write the report here: one HTML file to look at, print and keep
    #[arg(long, value_name = "FILE")]
    pub report: Option<PathBuf>,
    /// Write a report for each archer into this folder
    #[arg(long, value_name = "DIR")]
    pub reports: Option<PathBuf>,
    /// Show archers' names, labels of bows, file names and notes in reports and tables; otherwise they are left out
    #[arg(long)]
    pub names: bool,
    /// Folder of earlier records, with those below it: the same bow's count for advice, and reports show the trend
    #[arg(long, value_name = "DIR")]
    pub history: Option<PathBuf>,
    /// Target face: a name from `bossmark faces`, or a face file [default: the session file's]
    #[arg(long, value_name = "FACE")]
    pub face: Option<String>,
    /// Lens profile, or a folder of them [default: the session file's, else NAME.lens.json in the folder]
    #[arg(long, value_name = "FILE|DIR")]
    pub lens: Option<PathBuf>,
    /// Folder of the records [default: beside the photos]
    #[arg(short, long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Measure photos again that are done already; what a person has worked on stays
    #[arg(long)]
    pub again: bool,
    /// Take one share of N of the photos, by their content: run 1/N to N/N anywhere, then once without it
    #[arg(long, value_name = "K/N", value_parser = shard, conflicts_with_all = ["report", "reports", "svg", "png", "csv", "history"])]
    pub shard: Option<(u64, u64)>,
    /// Photos measured at the same time [default: as many as there are processors]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub threads: Option<u16>,
    /// Print the record of each end as JSON, one a line, and nothing else, on stdout
    #[arg(long)]
    pub json: bool,
    /// Allow a change on each axis at once
    #[arg(long)]
    pub both: bool,
    /// Write each set-up's face plot, and how the offset moved, into this folder as SVG
    #[arg(long, value_name = "DIR")]
    pub svg: Option<PathBuf>,
    /// The same as PNG
    #[arg(long, value_name = "DIR")]
    pub png: Option<PathBuf>,
    /// Write all entries as a table for a spreadsheet
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,
    /// How texts and reports are written.
    #[command(flatten)]
    pub local: LocalArgs,
    /// Session.
    #[command(flatten)]
    pub session: SessionArgs,
}

/// Declares the flags of the settings, each once: the field of the set-up, the flag, its value's parser and help.
macro_rules! settings {
    ($($field:ident $flag:literal $value:literal $parser:ident $help:literal;)*) => {
        /// The settings of the set-up that have a limit or a lever, as flags.
        #[derive(Args, Clone, Debug, Default, PartialEq)]
        #[command(next_help_heading = "Bow and arrows")]
        pub struct Settings {
            $(
                #[doc = $help]
                #[arg(long = $flag, value_name = $value, value_parser = $parser, allow_hyphen_values = true)]
                pub $field: Option<f64>,
            )*
        }

        impl Settings {
            fn fill(&self, setup: &mut crate::record::Setup) {
                $(setup.$field = self.$field;)*
            }
        }

        /// The flag of each setting.
        pub const SETTING_FLAGS: &[(&str, &str)] = &[("shafts", "--shafts"), $((stringify!($field), concat!("--", $flag)),)*];
    };
}

settings! {
    draw_weight_lb "draw-weight" "LB" pounds "Weight on the fingers at full draw: 36, 36lb or 16kg";
    bolt_turns_out "bolts-out" "TURNS" number "Turns of each limb bolt out from fully in";
    shaft_spine "spine" "N" number "Static spine of the shafts, larger = weaker";
    shaft_gr_per_in "gr-per-in" "GR" number "Weight of the bare tube, grains per inch";
    shaft_diameter_mm "diameter" "MM" length "Outer diameter of the shafts";
    shaft_length_mm "length" "MM" length "Nock groove to the tube's front end: 737, 737mm or 29in";
    point_gr "point" "GR" grains "Point with insert and pin weights: 100, 100gr or 6.5g";
    rear_gr "rear" "GR" grains "Nock, pin, wrap and vanes of a fletched arrow";
    bare_rear_gr "bare-rear" "GR" grains "Nock, pin, wrap and tape of a bare shaft";
    plunger_clicks "plunger" "CLICKS" number "Plunger: clicks from your mark, + = stiffer";
    nocking_point_mm "nocking-point" "MM" length "Underside of the nock above square, + = higher";
    rest_height_mm "rest-height" "MM" length "Rest, from your mark, + = higher";
    brace_height_mm "brace-height" "MM" length "String to the grip's deepest point, at rest";
    draw_length_mm "draw-length" "MM" length "The same at full draw, nothing added";
}

/// `bossmark setup`.
#[derive(Args, Debug)]
pub struct Setup {
    /// The session file, or its folder [default: session.json here]
    #[arg(value_name = "FILE|FOLDER")]
    pub file: Option<PathBuf>,
    /// Note the change of this advice (bossmark/advice/1) as made: it holds from the next end on; `-` for stdin
    #[arg(long, value_name = "ADVICE")]
    pub apply: Option<PathBuf>,
    /// The settings given were changed just now: they hold from the next end on
    #[arg(long)]
    pub changed: bool,
    /// A remark on the change
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
    /// Target face: a name from `bossmark faces`, or a face file
    #[arg(long, value_name = "FACE")]
    pub face: Option<String>,
    /// Print the JSON Schema of session files
    #[arg(long, exclusive = true)]
    pub schema: bool,
    /// Output.
    #[command(flatten)]
    pub output: Output,
    /// Settings.
    #[command(flatten)]
    pub settings: Settings,
    /// The shafts: any label
    #[arg(long, value_name = "NAME", help_heading = "Bow and arrows")]
    pub shafts: Option<String>,
    /// An arrow by its own mark, and the colours that tell it: 7:fletched,nock=green,vanes=red+white (the index vane's first)
    #[arg(long, value_name = "MARK:LOOK", value_parser = arrow, help_heading = "Bow and arrows")]
    pub arrow: Vec<NamedArrow>,
    /// What a turn of both limb bolts changes
    #[arg(long, value_name = "LB", value_parser = pounds, help_heading = "Bow and arrows")]
    pub lb_per_turn: Option<f64>,
    /// Clicks in one turn of the plunger
    #[arg(long, value_name = "N", value_parser = number, help_heading = "Bow and arrows")]
    pub clicks_per_turn: Option<f64>,
    /// Your own tolerance at 30 m on each axis, mm
    #[arg(long, value_name = "MM", value_parser = length, help_heading = "What may be changed")]
    pub tolerance: Option<f64>,
    /// Changes that you won't make, like plunger,rear-weight
    #[arg(
        long,
        value_name = "CHANGES",
        value_delimiter = ',',
        help_heading = "What may be changed"
    )]
    pub keep: Vec<String>,
    /// What a setting may become: NAME=MIN..MAX, NAME=owned:90,100 or NAME=min:0;max:4;step:0.25;usual:0;obtainable:500,550
    #[arg(long, value_name = "NAME=LIMIT", value_parser = limit, help_heading = "What may be changed")]
    pub limit: Vec<(String, Limit)>,
    /// Session.
    #[command(flatten)]
    pub session: SessionArgs,
}

/// How lengths and dates are written for people: told, never guessed from the machine.
#[derive(Args, Clone, Copy, Debug, Default)]
pub struct LocalArgs {
    /// Unit of lengths in texts and reports; documents and tables stay in mm
    #[arg(long, value_name = "mm|in", default_value = "mm")]
    pub units: UnitsArg,
    /// Dates in texts and reports: 2026-05-03, 3 May 2026 or May 3, 2026
    #[arg(long, value_name = "iso|dmy|mdy", default_value = "iso")]
    pub dates: DatesArg,
}

impl LocalArgs {
    /// A finished text, written so.
    #[must_use]
    pub fn text(self, text: String) -> String {
        self.units.text(match self.dates {
            DatesArg::Iso => text,
            order => crate::report::in_dates(&text, order.into()),
        })
    }

    /// A finished page or drawing, written so: only what stands between its tags.
    #[must_use]
    pub fn page(self, page: String) -> String {
        if self.units == UnitsArg::Mm && self.dates == DatesArg::Iso {
            return page;
        }
        crate::report::between_tags(&page, |text| self.text(text.to_owned()))
    }
}

/// Order of a date on the command line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum DatesArg {
    /// Year, month, day, as in ISO 8601.
    #[default]
    Iso,
    /// Day, month, year.
    Dmy,
    /// Month, day, year.
    Mdy,
}

impl From<DatesArg> for crate::report::DateOrder {
    fn from(order: DatesArg) -> Self {
        match order {
            DatesArg::Iso => Self::YearFirst,
            DatesArg::Dmy => Self::DayFirst,
            DatesArg::Mdy => Self::MonthFirst,
        }
    }
}

/// `bossmark history`.
#[derive(Args, Debug)]
pub struct History {
    /// Records, or folders of them with those below; `-` for stdin
    #[arg(required = true, value_name = "RECORD")]
    pub records: Vec<PathBuf>,
    /// Compare two set-ups, as the list counts them
    #[arg(long, value_name = "A,B", value_parser = two_setups)]
    pub compare: Option<[usize; 2]>,
    /// All bows, not only that of the newest record
    #[arg(long, conflicts_with = "compare")]
    pub all: bool,
    /// Write every entry of every record as a table for a spreadsheet
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,
    /// Draw the trend of offset and group size
    #[arg(long, value_name = "FILE")]
    pub svg: Option<PathBuf>,
    /// How the text is written.
    #[command(flatten)]
    pub local: LocalArgs,
    /// Output.
    #[command(flatten)]
    pub output: Output,
    /// Session: fills what the records leave open.
    #[command(flatten)]
    pub session: SessionArgs,
}

impl Setup {
    /// The set-up that these flags tell, without limits and the bow's name.
    #[must_use]
    pub fn setup(&self) -> crate::record::Setup {
        let mut setup = crate::record::Setup {
            shafts: self.shafts.clone(),
            bolt_lb_per_turn: self.lb_per_turn,
            plunger_clicks_per_turn: self.clicks_per_turn,
            tolerance_30m_mm: self.tolerance,
            keep: (!self.keep.is_empty()).then(|| self.keep.clone()),
            ..crate::record::Setup::default()
        };
        self.settings.fill(&mut setup);
        setup
    }

    /// Whether no flag tells anything.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.setup() == crate::record::Setup::default()
            && self.session.to_session() == Session::default()
            && self.limit.is_empty()
            && self.arrow.is_empty()
            && self.face.is_none()
    }
}

/// `bossmark plan`.
#[derive(Args, Debug)]
pub struct Plan {
    /// Earlier records, or folders of them: how the archer scatters, and from where
    #[arg(value_name = "RECORD")]
    pub records: Vec<PathBuf>,
    /// The archer's scatter at that distance: standard deviation on each axis, mm
    #[arg(long, value_name = "MM", value_parser = millimetres)]
    pub scatter: Option<f64>,
    /// How large a group of fletched arrows usually is at that distance: between the farthest two, mm
    #[arg(long, value_name = "MM", value_parser = millimetres, conflicts_with = "scatter")]
    pub group: Option<f64>,
    /// How many arrows such a group has
    #[arg(long, value_name = "N", default_value_t = 6, value_parser = clap::value_parser!(u32).range(2..=36))]
    pub group_arrows: u32,
    /// How sure a call should be to come, in percent
    #[arg(long, value_name = "PERCENT", value_parser = percent)]
    pub certainty: Option<f64>,
    /// The archer's own tolerance at 30 m, mm
    #[arg(long, value_name = "MM", value_parser = millimetres)]
    pub tolerance: Option<f64>,
    /// Print a short note to send to a student instead: what to shoot, how to take the photo, and what to tell
    #[arg(long, conflicts_with_all = ["json", "out"])]
    pub for_student: bool,
    /// For that note: the target face, a name from `bossmark faces`
    #[arg(long, value_name = "FACE", requires = "for_student")]
    pub face: Option<String>,
    /// Unit of lengths in the text; documents stay in mm
    #[arg(long, value_name = "mm|in", default_value = "mm")]
    pub units: UnitsArg,
    /// Output.
    #[command(flatten)]
    pub output: Output,
    /// Session.
    #[command(flatten)]
    pub session: SessionArgs,
}

/// `bossmark rehearse`.
#[derive(Args, Debug)]
pub struct Rehearse {
    /// Target face: a name from `bossmark faces`, or a face file
    #[arg(long, value_name = "FACE", default_value = "wa-80")]
    pub face: String,
    /// Folder for the photos (practice-SEED.jpg) and their truth (practice-SEED.truth.json)
    #[arg(short, long, value_name = "DIR", default_value = ".")]
    pub out: PathBuf,
    /// How many photos, with seeds one after the other
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=10_000))]
    pub count: u32,
    /// What all that isn't told is drawn from: the same seed gives the same photo
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Print each photo's truth as JSON, one a line, and nothing else, on stdout
    #[arg(long)]
    pub json: bool,
    /// Fletched shafts
    #[arg(
        long,
        value_name = "N",
        default_value_t = 3,
        help_heading = "What was shot"
    )]
    pub fletched: u32,
    /// Bare shafts
    #[arg(
        long,
        value_name = "N",
        default_value_t = 3,
        help_heading = "What was shot"
    )]
    pub bare: u32,
    /// Where the bare shafts go relative to the fletched ones, mm right and up: `90,-20`
    #[arg(long, value_name = "X,Y", value_parser = pair, allow_hyphen_values = true, help_heading = "What was shot")]
    pub offset: Option<[f64; 2]>,
    /// Standard deviation of the shots on each axis, mm
    #[arg(long, value_name = "MM", value_parser = millimetres, help_heading = "What was shot")]
    pub scatter: Option<f64>,
    /// Mark each arrow (1, 2, … with vanes, A, B, … without) and give it a nock and vanes of colours drawn from the first seed;
    /// the session file tells them
    #[arg(long, help_heading = "What was shot")]
    pub arrows: bool,
    /// Also write a session.json that says what was shot
    #[arg(long, help_heading = "What was shot")]
    pub with_session: bool,
    /// For the session file: the hand that draws the string
    #[arg(long, value_name = "right|left", help_heading = "What was shot")]
    pub hand: Option<HandArg>,
    /// For the session file: shooting distance, in metres (`30`, `30m`) or yards (`30yd`)
    #[arg(long, value_name = "METRES", value_parser = distance, help_heading = "What was shot")]
    pub distance: Option<f64>,
    /// Distance of the camera from the face, in metres
    #[arg(long, value_name = "METRES", help_heading = "How it is photographed")]
    pub camera: Option<f64>,
    /// Angle between the view and the face's normal, in degrees
    #[arg(long, value_name = "DEGREES", help_heading = "How it is photographed")]
    pub tilt: Option<f64>,
    /// The light
    #[arg(long, value_enum, help_heading = "How it is photographed")]
    pub light: Option<LightArg>,
    /// Noise as a multiple of that in good light; 0 for none
    #[arg(long, value_name = "TIMES", help_heading = "How it is photographed")]
    pub noise: Option<f64>,
    /// Old holes and wear of the face, from 0 (fresh) to 1
    #[arg(long, value_name = "SHARE", help_heading = "How it is photographed")]
    pub wear: Option<f64>,
    /// Size of the picture in pixels, like 4032x3024
    #[arg(long, value_name = "WxH", value_parser = size, help_heading = "How it is photographed")]
    pub size: Option<(u32, u32)>,
}

/// A light on the command line.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum LightArg {
    /// Sun over the shoulder.
    Sun,
    /// Low sun, long shadows.
    LowSun,
    /// Even cloud.
    Overcast,
    /// Lamps of a hall.
    Hall,
    /// Sun, and a person's shadow on the face.
    Person,
}

impl From<LightArg> for LightKind {
    fn from(light: LightArg) -> Self {
        match light {
            LightArg::Sun => Self::Sun,
            LightArg::LowSun => Self::LowSun,
            LightArg::Overcast => Self::Overcast,
            LightArg::Hall => Self::Hall,
            LightArg::Person => Self::Person,
        }
    }
}

/// `bossmark lens`: without an action, photos are fitted.
#[derive(Args, Debug)]
#[command(
    args_conflicts_with_subcommands = true,
    subcommand_negates_reqs = true,
    arg_required_else_help = true
)]
pub struct Lens {
    /// What to do.
    #[command(subcommand)]
    pub action: Option<LensAction>,
    /// Photos to fit.
    #[command(flatten)]
    pub fit: LensFit,
}

/// What `bossmark lens` does.
#[derive(Debug, Subcommand)]
pub enum LensAction {
    /// The sheet to print, as SVG
    Sheet(LensSheet),
    /// Photos of the sheet, or of any chessboard → lens profile
    Fit(LensFit),
}

/// `bossmark lens sheet`.
#[derive(Args, Debug)]
pub struct LensSheet {
    /// Paper to print on
    #[arg(long, value_name = "a4|letter", default_value = "a4")]
    pub paper: PaperArg,
    /// Write the SVG to this file [default: stdout]
    #[arg(short, long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Print the sheet's measures and the SVG as JSON
    #[arg(long)]
    pub json: bool,
}

/// `bossmark lens fit`.
#[derive(Args, Debug)]
pub struct LensFit {
    /// Photos (JPEG or PNG) of the sheet, or of any flat chessboard
    #[arg(required = true, value_name = "PHOTO")]
    pub photos: Vec<PathBuf>,
    /// Inner corners of the board, like 9x6 [default: as the photos show it]
    #[arg(long, value_name = "NxM", value_parser = corners)]
    pub corners: Option<[u32; 2]>,
    /// What the profile is called [default: what the photos say of the camera]
    #[arg(long, value_name = "NAME")]
    pub name: Option<String>,
    /// Output.
    #[command(flatten)]
    pub output: Output,
}

/// Paper on the command line.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum PaperArg {
    /// 297 × 210 mm.
    A4,
    /// 11 × 8.5 in.
    Letter,
}

/// `bossmark faces`.
#[derive(Args, Debug)]
pub struct Faces {
    /// Output.
    #[command(flatten)]
    pub output: Output,
}

/// `bossmark completions`.
#[derive(Args, Debug)]
pub struct Completions {
    /// The shell
    #[arg(value_enum)]
    pub shell: clap_complete::Shell,
}

/// `bossmark man`.
#[derive(Args, Debug)]
pub struct Man {
    /// Write all pages into this folder [default: the main page, on stdout]
    #[arg(short, long, value_name = "DIR")]
    pub out: Option<PathBuf>,
}

/// A unit of lengths on the command line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum UnitsArg {
    /// Millimetres.
    #[default]
    Mm,
    /// Inches.
    In,
}

impl UnitsArg {
    /// The unit's length, mm.
    #[must_use]
    pub const fn in_mm(self) -> f64 {
        match self {
            Self::Mm => 1.0,
            Self::In => crate::geometry::MM_PER_INCH,
        }
    }

    /// A finished text in this unit.
    #[must_use]
    pub fn text(self, text: String) -> String {
        match self {
            Self::Mm => text,
            Self::In => crate::report::in_inches(&text),
        }
    }
}

/// A hand on the command line.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum HandArg {
    /// Right-handed: the bow in the left hand.
    Right,
    /// Left-handed.
    Left,
}

impl From<HandArg> for Hand {
    fn from(hand: HandArg) -> Self {
        match hand {
            HandArg::Right => Self::Right,
            HandArg::Left => Self::Left,
        }
    }
}

/// Metres in a yard (exact, international yard of 1959).
const M_PER_YARD: f64 = 0.9144;
/// No archer tunes from further away, m: beyond this it is a slip.
const FARTHEST_M: f64 = 120.0;

pub(super) fn distance(text: &str) -> Result<f64, String> {
    let plain = text.trim().to_lowercase();
    let (number, metres) = if let Some(n) = plain.strip_suffix("yd") {
        (n, M_PER_YARD)
    } else {
        (plain.strip_suffix('m').unwrap_or(&plain), 1.0)
    };
    let metres = number
        .trim()
        .parse::<f64>()
        .map_err(|_| "give a number of metres, like 30, or yards, like 30yd".to_owned())?
        * metres;
    if metres.is_finite() && metres > 0.0 && metres <= FARTHEST_M {
        Ok(crate::math::rounded(metres, 3))
    } else {
        Err(format!("give a distance between 0 and {FARTHEST_M} m"))
    }
}

/// A plain number.
pub(super) fn number(text: &str) -> Result<f64, String> {
    measured(text, &[("", 1.0)], "a number")
}

/// Millimetres; inches by their unit.
pub(super) fn length(text: &str) -> Result<f64, String> {
    let inch = crate::geometry::MM_PER_INCH;
    let units = [
        ("mm", 1.0),
        ("in", inch),
        ("\"", inch),
        ("cm", 10.0),
        ("", 1.0),
    ];
    measured(text, &units, "millimetres, like 737, or inches, like 29in")
}

/// Pounds-force; kilograms by their unit.
pub(super) fn pounds(text: &str) -> Result<f64, String> {
    // 1 lb = 0.45359237 kg (exact)
    let units = [
        ("lb", 1.0),
        ("kg", 1.0 / 0.453_592_37),
        ("#", 1.0),
        ("", 1.0),
    ];
    measured(text, &units, "pounds, like 36, or kilograms, like 16kg")
}

/// Grains; grams by their unit.
pub(super) fn grains(text: &str) -> Result<f64, String> {
    // 1 gr = 64.79891 mg (exact)
    let units = [("gr", 1.0), ("g", 1.0 / 0.064_798_91), ("", 1.0)];
    measured(text, &units, "grains, like 100, or grams, like 6.5g")
}

/// A list of numbers, with commas between.
pub(super) fn numbers(text: &str) -> Result<Vec<f64>, String> {
    text.split(',').map(number).collect()
}

/// A hand by its name.
pub(super) fn hand(text: &str) -> Result<Hand, String> {
    HandArg::from_str(text, true)
        .map(Into::into)
        .map_err(|_| "say right or left".to_owned())
}

/// A number with one of these units, the empty one last.
fn measured(text: &str, units: &[(&str, f64)], wanted: &str) -> Result<f64, String> {
    let plain = text.trim().to_lowercase();
    let unit = units.iter().find(|(unit, _)| plain.ends_with(unit));
    unit.and_then(|(unit, size)| {
        let number = plain.strip_suffix(unit)?.trim().parse::<f64>().ok()?;
        // plain numbers as they were written
        let value = if (size - 1.0).abs() < 1e-12 {
            number
        } else {
            crate::math::rounded(number * size, 3)
        };
        value.is_finite().then_some(value)
    })
    .ok_or_else(|| format!("give {wanted}"))
}

/// `NAME=MIN..MAX`, or parts with their names between semicolons.
fn limit(text: &str) -> Result<(String, Limit), String> {
    let wanted = "write NAME=MIN..MAX, like bolt_turns_out=0..4 or shaft_length_mm=711.., or NAME=owned:90,100";
    let (setting, told) = text.split_once('=').ok_or(wanted)?;
    let mut limit = Limit::default();
    let bound = |t: &str| -> Result<Option<f64>, String> {
        if t.trim().is_empty() {
            Ok(None)
        } else {
            number(t).map(Some)
        }
    };
    for part in told.split(';').map(str::trim).filter(|p| !p.is_empty()) {
        if let Some((min, max)) = part.split_once("..") {
            (limit.min, limit.max) = (bound(min)?, bound(max)?);
            continue;
        }
        let (name, value) = part.split_once(':').ok_or(wanted)?;
        match name.trim() {
            "min" => limit.min = bound(value)?,
            "max" => limit.max = bound(value)?,
            "step" => limit.step = bound(value)?,
            "usual" => limit.usual = bound(value)?,
            "owned" => limit.owned = Some(numbers(value)?),
            "obtainable" => limit.obtainable = Some(numbers(value)?),
            other => {
                let known = crate::record::keys::nearest(other, crate::record::keys::LIMIT, 3);
                return Err(format!(
                    "`{other}` is no part of a limit: did you mean {}?",
                    known.join(", ")
                ));
            }
        }
    }
    if limit == Limit::default() {
        return Err(wanted.to_owned());
    }
    Ok((setting.trim().to_owned(), limit))
}

fn arrow(text: &str) -> Result<NamedArrow, String> {
    let wanted = "write MARK:LOOK, like 7:fletched,nock=green,vanes=red+white or B:bare,nock=white";
    // the mark may hold colons, the look doesn't
    let (mark, look) = text.rsplit_once(':').unwrap_or((text, ""));
    if mark.contains([',', '=']) {
        return Err(format!("the arrow's mark ends with a colon: {wanted}"));
    }
    let mut arrow = NamedArrow {
        arrow: mark.trim().to_owned(),
        ..NamedArrow::default()
    };
    for part in look.split(',').map(str::trim).filter(|p| !p.is_empty()) {
        match part.split_once('=') {
            None if part == "fletched" => arrow.kind = Some(EntryKind::Fletched),
            None if part == "bare" => arrow.kind = Some(EntryKind::Bare),
            Some(("nock", colour)) => arrow.nock = Some(colour.trim().to_owned()),
            Some(("vanes", colours)) => {
                arrow.vanes = Some(colours.split('+').map(|c| c.trim().to_owned()).collect());
            }
            _ => return Err(format!("`{part}` says nothing of an arrow: {wanted}")),
        }
    }
    Ok(arrow)
}

/// No group is wider, mm: beyond this it is a slip.
const WIDEST_MM: f64 = 1000.0;

fn millimetres(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(mm) if mm > 0.0 && mm <= WIDEST_MM => Ok(mm),
        _ => Err(format!("give millimetres between 0 and {WIDEST_MM}")),
    }
}

fn pair(text: &str) -> Result<[f64; 2], String> {
    let number = |t: &str| t.trim().parse::<f64>().ok().filter(|v| v.is_finite());
    text.split_once(',')
        .and_then(|(x, y)| Some([number(x)?, number(y)?]))
        .ok_or_else(|| "give millimetres to the right and up, like 90,-20".to_owned())
}

fn size(text: &str) -> Result<(u32, u32), String> {
    text.split_once(['x', 'X', '×'])
        .and_then(|(w, h)| Some((w.trim().parse().ok()?, h.trim().parse().ok()?)))
        .ok_or_else(|| "give width and height in pixels, like 4032x3024".to_owned())
}

/// Formats of a points file.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum TableArg {
    /// JSON.
    Json,
    /// A table, for a spreadsheet.
    Csv,
}

/// `X,Y`: where the face stands that is meant.
fn at(text: &str) -> Result<Pick, String> {
    match places(text).as_deref() {
        Some([place]) => Ok(Pick::At(*place)),
        _ => Err(
            "give pixels, like 1200,900, or shares of width and height, like 0.3,0.5".to_owned(),
        ),
    }
}

/// The two points of `--up`.
type Up = [Place; 2];

fn up(text: &str) -> Result<Up, String> {
    match places(text).as_deref() {
        Some([low, high]) => Ok([*low, *high]),
        _ => Err(
            "give two points, the lower first, in pixels, like 820,2900,790,340, or in shares of width and height, like 0.2,0.9,0.2,0.1".to_owned(),
        ),
    }
}

/// Places in a photo, x and y of each in turn: shares where every number is one, else pixels.
fn places(text: &str) -> Option<Vec<Place>> {
    let numbers: Vec<f64> = text
        .split(',')
        .map(|n| n.trim().parse::<f64>().ok().filter(|v| v.is_finite()))
        .collect::<Option<_>>()?;
    let (pairs, rest) = numbers.as_chunks::<2>();
    let shares = numbers.iter().all(|n| (0.0..=1.0).contains(n));
    let place = |p: &[f64; 2]| {
        if shares {
            Place::Share(*p)
        } else {
            Place::Pixel(*p)
        }
    };
    rest.is_empty().then(|| pairs.iter().map(place).collect())
}

/// `K/N`: the Kth of N shares.
fn shard(text: &str) -> Result<(u64, u64), String> {
    let numbers = text
        .split_once('/')
        .and_then(|(k, n)| Some((k.trim().parse().ok()?, n.trim().parse().ok()?)));
    match numbers {
        Some((k, n)) if (1..=n).contains(&k) => Ok((k, n)),
        _ => Err("give a share and how many there are, from 1/4 to 4/4".to_owned()),
    }
}

/// Two different numbers of set-ups.
fn two_setups(text: &str) -> Result<[usize; 2], String> {
    let numbers = text
        .split_once(',')
        .and_then(|(a, b)| Some((a.trim().parse().ok()?, b.trim().parse().ok()?)));
    match numbers {
        Some((a, b)) if a > 0 && b > 0 && a != b => Ok([a, b]),
        _ => Err("give the numbers of two set-ups, like 1,3".to_owned()),
    }
}

/// A face's diameter, mm: `80cm`, `800mm`, or centimetres without a unit.
fn size_mm(text: &str) -> Result<f64, String> {
    let text = text.trim().to_lowercase();
    let (number, mm) = match (text.strip_suffix("mm"), text.strip_suffix("cm")) {
        (Some(number), _) => (number, 1.0),
        (_, Some(number)) => (number, 10.0),
        _ => (text.as_str(), 10.0),
    };
    match number.trim().parse::<f64>() {
        Ok(n) if (50.0..=5000.0).contains(&(n * mm)) => Ok(n * mm),
        _ => Err("give the diameter of the face, like 80cm".to_owned()),
    }
}

fn which(text: &str) -> Result<Pick, String> {
    match text.trim().parse::<usize>() {
        Ok(n) if n > 0 => Ok(Pick::Number(n)),
        _ => Err("give the number of a face, from 1".to_owned()),
    }
}

fn corners(text: &str) -> Result<[u32; 2], String> {
    let numbers: Vec<u32> = text
        .split(['x', 'X', '×'])
        .filter_map(|n| n.trim().parse().ok())
        .filter(|n| (3..=100).contains(n))
        .collect();
    match numbers.as_slice() {
        [a, b] => Ok([*a, *b]),
        _ => Err(
            "give the inner corners across and down, like 9x6 for a board of 10 by 7 squares"
                .to_owned(),
        ),
    }
}

/// A share as people say it: 50 to 99 percent.
fn percent(text: &str) -> Result<f64, String> {
    match text.trim().trim_end_matches('%').trim().parse::<f64>() {
        Ok(percent) if (50.0..=99.0).contains(&percent) => Ok(percent / 100.0),
        _ => Err("give a percentage from 50 to 99, like 80".to_owned()),
    }
}

fn date(text: &str) -> Result<String, String> {
    if When::parse(text).is_some() {
        Ok(text.to_owned())
    } else {
        Err("write it as 2026-05-03 or 2026-05-03T10:12:00+02:00".to_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_definition_is_consistent() {
        Cli::command().debug_assert();
    }

    #[test]
    fn shares_and_pairs_of_setups_are_counted_from_one() {
        assert_eq!(shard("2/4"), Ok((2, 4)));
        assert_eq!(two_setups("1, 3"), Ok([1, 3]));
        for bad in ["0/4", "5/4", "2", "a/b", "1/0"] {
            assert!(shard(bad).is_err(), "{bad}");
        }
        for bad in ["1,1", "0,1", "3"] {
            assert!(two_setups(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn places_are_pixels_or_shares() {
        assert_eq!(at("1200,900"), Ok(Pick::At(Place::Pixel([1200.0, 900.0]))));
        assert_eq!(at("0.3, 0.5"), Ok(Pick::At(Place::Share([0.3, 0.5]))));
        assert_eq!(which("2"), Ok(Pick::Number(2)));
        assert!(at("1200").is_err() && at("a,b").is_err() && which("0").is_err());
        let [low, high] = up("820,2900,790,340").unwrap();
        assert_eq!(low, Place::Pixel([820.0, 2900.0]));
        assert_eq!(high, Place::Pixel([790.0, 340.0]));
        // shares only where all four are
        let [low, _] = up("0.2,0.9,0.2,0.1").unwrap();
        assert_eq!(low, Place::Share([0.2, 0.9]));
        let [low, _] = up("0.2,0.9,0.2,1.1").unwrap();
        assert_eq!(low, Place::Pixel([0.2, 0.9]));
        assert!(up("1,2,3").is_err() && up("1,2").is_err() && up("1,2,3,4,5,6").is_err());
    }

    #[test]
    fn lengths_and_weights_take_their_usual_units() {
        assert_eq!(length("29in"), Ok(736.6));
        assert_eq!(length("737"), Ok(737.0));
        assert_eq!(length("-0.5"), Ok(-0.5));
        assert_eq!(pounds("16 kg"), Ok(35.274));
        assert_eq!(grains("6.5g"), Ok(100.31));
        assert_eq!(grains("100gr"), Ok(100.0));
        for bad in ["", "long", "3ft", "nan", "inf"] {
            assert!(length(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn limits_are_ranges_lists_or_parts() {
        let told = |text: &str| limit(text).expect("limit");
        let (name, range) = told("bolt_turns_out=0..4");
        assert_eq!(
            (name.as_str(), range.min, range.max),
            ("bolt_turns_out", Some(0.0), Some(4.0))
        );
        assert_eq!(told("shaft_length_mm=711..").1.max, None);
        let both = told("shaft_spine=owned:600;obtainable:500,550").1;
        assert_eq!(
            (both.owned, both.obtainable),
            (Some(vec![600.0]), Some(vec![500.0, 550.0]))
        );
        assert_eq!(
            told("plunger_clicks=-8..8;usual:0;step:1").1.step,
            Some(1.0)
        );
        for bad in ["bolts", "a=", "a=4", "a=owend:3", "a=x..y"] {
            assert!(limit(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn distances_are_metres_or_yards() {
        assert_eq!(distance("30"), Ok(30.0));
        assert_eq!(distance("18m"), Ok(18.0));
        assert_eq!(distance("30yd"), Ok(27.432));
        for bad in ["", "far", "-3", "0", "3000", "nan"] {
            assert!(distance(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn lens_fits_photos_with_and_without_the_word() {
        let parsed = |words: &[&str]| match Cli::try_parse_from(words) {
            Ok(Cli {
                command: Command::Lens(l),
            }) => Some((l.action.is_some(), l.fit.photos.len(), l.fit.corners)),
            _ => None,
        };
        assert_eq!(
            parsed(&["bossmark", "lens", "a.jpg", "b.jpg", "--corners", "9x6"]),
            Some((false, 2, Some([9, 6])))
        );
        assert_eq!(
            parsed(&["bossmark", "lens", "fit", "a.jpg"]),
            Some((true, 0, None))
        );
        assert_eq!(
            parsed(&["bossmark", "lens", "sheet"]),
            Some((true, 0, None))
        );
        assert_eq!(parsed(&["bossmark", "lens"]), None);
        assert_eq!(
            parsed(&["bossmark", "lens", "a.jpg", "--corners", "9"]),
            None
        );
    }

    #[test]
    fn flags_become_a_session() {
        let cli = Cli::try_parse_from([
            "bossmark",
            "measure",
            "a.jpg",
            "--hand",
            "left",
            "--distance",
            "18",
            "--bow",
            "b",
            "--date",
            "2026-05-03",
        ]);
        let Ok(Cli {
            command: Command::Measure(m),
        }) = cli
        else {
            panic!("{cli:?}");
        };
        let session = m.session.to_session();
        assert_eq!(
            (session.hand, session.distance_m),
            (Some(Hand::Left), Some(18.0))
        );
        assert_eq!(session.setup.and_then(|s| s.bow).as_deref(), Some("b"));
        assert!(Cli::try_parse_from(["bossmark", "measure", "a.jpg", "--date", "May"]).is_err());
    }
}

//! Flags that several commands share.

use super::values::{date, distance};
use crate::record::{Hand, Session};
use crate::text::{DateOrder, LengthUnit, Locale};
use clap::{Args, ValueEnum};
use std::path::PathBuf;

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

/// How lengths and dates are written for people: by flags, never guessed from the machine.
#[derive(Args, Clone, Copy, Debug, Default)]
pub struct LocalArgs {
    /// Unit of lengths in texts and reports; documents and tables stay in mm
    #[arg(long, value_name = "mm|in", default_value = "mm")]
    pub units: UnitsArg,
    /// Dates in texts and reports: 2026-05-03, 3 May 2026 or May 3, 2026
    #[arg(long, value_name = "iso|dmy|mdy", default_value = "iso")]
    pub dates: DatesArg,
}

impl From<LocalArgs> for Locale {
    fn from(args: LocalArgs) -> Self {
        Self {
            dates: args.dates.into(),
            ..args.units.into()
        }
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

impl From<DatesArg> for DateOrder {
    fn from(order: DatesArg) -> Self {
        match order {
            DatesArg::Iso => Self::YearFirst,
            DatesArg::Dmy => Self::DayFirst,
            DatesArg::Mdy => Self::MonthFirst,
        }
    }
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
}

impl From<UnitsArg> for Locale {
    fn from(unit: UnitsArg) -> Self {
        let lengths = match unit {
            UnitsArg::Mm => LengthUnit::Millimetres,
            UnitsArg::In => LengthUnit::Inches,
        };
        Self {
            lengths,
            ..Self::default()
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

/// A hand by its name.
pub(in crate::cli) fn hand(text: &str) -> Result<Hand, String> {
    HandArg::from_str(text, true)
        .map(Into::into)
        .map_err(|_| "say right or left".to_owned())
}

#[cfg(test)]
mod tests {
    use super::super::{Cli, Command};
    use super::*;
    use clap::Parser as _;

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

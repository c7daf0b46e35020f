//! How lengths and dates are written, and whether commands are named: what suits a reader.

use super::numbers::number;
use crate::geometry::MM_PER_INCH;
use crate::math::rounded;
use jiff::civil::Date;

/// Unit of the lengths in a text.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LengthUnit {
    /// Millimetres.
    #[default]
    Millimetres,
    /// Inches.
    Inches,
}

/// Order of a date's parts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum DateOrder {
    /// 2026-05-03.
    #[default]
    YearFirst,
    /// 3 May 2026.
    DayFirst,
    /// May 3, 2026.
    MonthFirst,
}

/// Whether a text names commands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Commands {
    /// For those who type them.
    #[default]
    Named,
    /// For those who read a page or a report.
    Omitted,
}

/// Unit of lengths, order of dates, and whether commands are named in texts for people. The default is that of the documents:
/// millimetres, the year first, commands named.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Locale {
    /// Unit of lengths.
    pub lengths: LengthUnit,
    /// Order of dates.
    pub dates: DateOrder,
    /// Whether commands are named.
    pub commands: Commands,
}

/// Names of the months: a number alone would be read as a day by half of the readers.
const MONTHS: [&str; 12] = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
];
/// Inches from here on have one decimal, smaller ones two.
const ONE_DECIMAL_IN: f64 = 1.0;

impl Locale {
    /// The same for a reader who types no commands.
    #[must_use]
    pub const fn without_commands(self) -> Self {
        Self {
            commands: Commands::Omitted,
            ..self
        }
    }

    /// One text for those who type commands, another one for all others.
    pub(crate) const fn either<'a>(self, named: &'a str, omitted: &'a str) -> &'a str {
        match self.commands {
            Commands::Named => named,
            Commands::Omitted => omitted,
        }
    }

    /// The unit's sign.
    #[must_use]
    pub const fn unit(self) -> &'static str {
        match self.lengths {
            LengthUnit::Millimetres => "mm",
            LengthUnit::Inches => "in",
        }
    }

    /// A length given in millimetres, with its unit: "61 mm", "2.4 in". `decimals` are those of the millimetres, at most.
    #[must_use]
    pub fn length(self, mm: f64, decimals: usize) -> String {
        format!("{} {}", self.length_without_unit(mm, decimals), self.unit())
    }

    /// The same without the unit, for several lengths that share one. Inches are those of the rounded millimetres, so that
    /// a text says the same in both units.
    #[must_use]
    pub fn length_without_unit(self, mm: f64, decimals: usize) -> String {
        let in_mm = number(mm, decimals);
        match (self.lengths, in_mm.parse::<f64>()) {
            (LengthUnit::Inches, Ok(mm)) => {
                let inches = mm / MM_PER_INCH;
                let small = inches.abs() < ONE_DECIMAL_IN;
                format!("{}", rounded(inches, if small { 2 } else { 1 }))
            }
            _ => in_mm,
        }
    }

    /// A length of a table, without its unit: tenths of a millimetre, or hundredths of an inch.
    pub(crate) fn in_table(self, mm: f64) -> String {
        match self.lengths {
            LengthUnit::Millimetres => format!("{mm:.1}"),
            LengthUnit::Inches => format!("{:.2}", mm / MM_PER_INCH),
        }
    }

    /// "60 to 108", or "up to 40, or 5 the other way".
    pub(crate) fn range(self, low: f64, high: f64) -> String {
        let whole = |mm: f64| self.length_without_unit(mm.round_ties_even(), 0);
        let (least, most) = (whole(low.abs()), whole(high));
        if low < 0.0 {
            format!("up to {most}, or {least} the other way")
        } else {
            format!("{least} to {most}")
        }
    }

    /// A day written `2026-05-03`, in the order of this locale; anything else as it stands.
    #[must_use]
    pub fn date(self, day: &str) -> String {
        self.in_order(day).unwrap_or_else(|| day.to_owned())
    }

    fn in_order(self, day: &str) -> Option<String> {
        let date: Date = day.parse().ok()?;
        let month = usize::try_from(date.month()).ok()?.checked_sub(1)?;
        let month = MONTHS.get(month)?;
        match self.dates {
            DateOrder::YearFirst => None,
            DateOrder::DayFirst => Some(format!("{} {month} {}", date.day(), date.year())),
            DateOrder::MonthFirst => Some(format!("{month} {}, {}", date.day(), date.year())),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const INCHES: Locale = Locale {
        lengths: LengthUnit::Inches,
        dates: DateOrder::DayFirst,
        commands: Commands::Named,
    };

    /// By hand: 61/25.4 = 2.4016, 18/25.4 = 0.7087, 25.4/25.4 = 1.
    #[test]
    fn lengths_in_both_units() {
        assert_eq!(Locale::default().length(61.3, 0), "61 mm");
        assert_eq!(Locale::default().length(711.0, 1), "711 mm");
        assert_eq!(INCHES.length(61.3, 0), "2.4 in");
        assert_eq!(INCHES.length(18.0, 0), "0.71 in");
        assert_eq!(INCHES.length(25.4, 1), "1 in");
        assert_eq!(INCHES.length_without_unit(-11.0, 0), "-0.43");
        assert_eq!(INCHES.length_without_unit(f64::NAN, 0), "?");
        assert_eq!(INCHES.in_table(-61.0), "-2.40");
        assert_eq!(Locale::default().in_table(-61.04), "-61.0");
    }

    #[test]
    fn dates_in_three_orders() {
        let month_first = Locale {
            dates: DateOrder::MonthFirst,
            ..INCHES
        };
        assert_eq!(Locale::default().date("2026-05-03"), "2026-05-03");
        assert_eq!(INCHES.date("2026-12-24"), "24 December 2026");
        assert_eq!(month_first.date("2026-05-03"), "May 3, 2026");
        for other in ["2026-13-01", "no date", ""] {
            assert_eq!(INCHES.date(other), other);
        }
    }
}

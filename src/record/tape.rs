//! A table of positions measured by hand → end records with confirmed entries.
//!
//! One row a shot: x to the right of the centre, y up, the kind of shaft, the end's number, the arrow's mark. Separated by
//! commas (RFC 4180), or by semicolons with a decimal comma as some spreadsheets write it.

use super::{ArrowKind, End, Entry, EntrySource, EntryState, Missed, SCHEMA};
use crate::math::rounded;
use std::collections::BTreeMap;
use thiserror::Error;

/// An empty table, for a person to fill in.
pub const TEMPLATE: &str = "\
# One row a shot. x: to the right of the face's centre, y: up (left and down negative), as you see the face.
# kind: fletched or bare. end and arrow (its mark) may be left empty; a shot that missed the boss: leave x and y empty.
x_mm,y_mm,kind,end,arrow
-12,8,fletched,1,1
35,-4,bare,1,4
5,-3,fletched,1,2
";

/// Records hold a thousandth of a millimetre.
const DECIMALS: i32 = 3;
/// Names of the columns that a header may have, without the unit.
const COLUMNS: &str = "x, y, kind, end, arrow";

/// Why a table can't be used.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
pub enum TapeError {
    /// No header or no rows.
    #[error("the table holds no shots: `bossmark read --tape-template` prints one to fill in")]
    Empty,
    /// The columns are wrong.
    #[error(
        "line {line}: the head must name the columns {COLUMNS} (x_mm and y_mm, or x_in and y_in); {what}"
    )]
    Head {
        /// Line, from 1.
        line: usize,
        /// What is wrong.
        what: String,
    },
    /// A row.
    #[error("line {line}: {what}")]
    Row {
        /// Line, from 1.
        line: usize,
        /// What is wrong, and what to write.
        what: String,
    },
}

/// The ends of a table in the order of their numbers, each with the line of its first shot. `unit_mm` is the length that
/// columns `x` and `y` are in; columns that name their unit keep it.
///
/// # Errors
/// Names the first line that can't be read.
pub fn parse(text: &str, unit_mm: f64) -> Result<Vec<(usize, End)>, TapeError> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut lines = text
        .lines()
        .zip(1..)
        .map(|(line, number)| (number, line.trim()))
        .filter(|(_, line)| !line.is_empty() && !line.starts_with('#'));
    let (number, head) = lines.next().ok_or(TapeError::Empty)?;
    let table = Table::of(number, head, unit_mm)?;
    let mut ends: BTreeMap<Option<u64>, (usize, End)> = BTreeMap::new();
    for (line, row) in lines {
        let shot = table.row(line, row)?;
        let (_, end) = ends
            .entry(shot.end)
            .or_insert_with(|| (line, blank(shot.end)));
        match shot.place_mm {
            Some([x_mm, y_mm]) => {
                let id = end.entries.len() as u64 + 1;
                end.entries.push(entry(id, shot, x_mm, y_mm));
            }
            None => end.missed.push(Missed {
                kind: shot.kind,
                ..Missed::default()
            }),
        }
    }
    if ends.is_empty() {
        return Err(TapeError::Empty);
    }
    Ok(ends.into_values().collect())
}

fn blank(number: Option<u64>) -> End {
    let mut end = End {
        schema: SCHEMA.to_owned(),
        ..End::default()
    };
    end.session.end = number;
    end
}

fn entry(id: u64, shot: Row, x_mm: f64, y_mm: f64) -> Entry {
    Entry {
        id,
        x_mm,
        y_mm,
        kind: shot.kind,
        arrow: shot.arrow,
        state: EntryState::Confirmed,
        source: EntrySource::Tape,
        ..Entry::default()
    }
}

/// Index of each column.
struct Table {
    separator: char,
    x: usize,
    y: usize,
    kind: usize,
    end: Option<usize>,
    arrow: Option<usize>,
    unit_mm: f64,
}

struct Row {
    place_mm: Option<[f64; 2]>,
    kind: ArrowKind,
    end: Option<u64>,
    arrow: Option<String>,
}

impl Table {
    fn of(line: usize, head: &str, unit_mm: f64) -> Result<Self, TapeError> {
        let separator = if head.contains(';') { ';' } else { ',' };
        let names: Vec<String> = fields(head, separator)
            .iter()
            .map(|name| name.to_lowercase())
            .collect();
        let wrong = |what: String| TapeError::Head { line, what };
        let mut unit = unit_mm;
        let mut places = BTreeMap::new();
        for (at, name) in names.iter().enumerate() {
            let column = match name.rsplit_once('_') {
                Some((axis @ ("x" | "y"), "mm")) => {
                    unit = 1.0;
                    axis
                }
                Some((axis @ ("x" | "y"), "in")) => {
                    unit = crate::geometry::MM_PER_INCH;
                    axis
                }
                _ => name.as_str(),
            };
            if !matches!(column, "x" | "y" | "kind" | "end" | "arrow") {
                return Err(wrong(format!("{name:?} is none of them")));
            }
            if places.insert(column.to_owned(), at).is_some() {
                return Err(wrong(format!("{name:?} stands there twice")));
            }
        }
        if names.iter().any(|n| n.ends_with("_mm")) && names.iter().any(|n| n.ends_with("_in")) {
            return Err(wrong("x and y have different units".to_owned()));
        }
        let needed = |name: &str| {
            let place = places.get(name).copied();
            place.ok_or_else(|| wrong(format!("{name} is missing")))
        };
        Ok(Self {
            separator,
            x: needed("x")?,
            y: needed("y")?,
            kind: needed("kind")?,
            end: places.get("end").copied(),
            arrow: places.get("arrow").copied(),
            unit_mm: unit,
        })
    }

    fn row(&self, line: usize, row: &str) -> Result<Row, TapeError> {
        let wrong = |what: String| TapeError::Row { line, what };
        let cells = fields(row, self.separator);
        let cell = |at: Option<usize>| -> &str {
            at.and_then(|at| cells.get(at)).map_or("", String::as_str)
        };
        let number = |at: usize, name: &str| -> Result<f64, TapeError> {
            let mut text = cell(Some(at)).to_owned();
            if self.separator == ';' {
                text = text.replace(',', ".");
            }
            match text.parse::<f64>() {
                Ok(value) if value.is_finite() => Ok(rounded(value * self.unit_mm, DECIMALS)),
                _ => Err(wrong(format!(
                    "{name} is {text:?}: write a number, left and down negative"
                ))),
            }
        };
        let place_mm = match (cell(Some(self.x)), cell(Some(self.y))) {
            ("", "") => None,
            _ => Some([number(self.x, "x")?, number(self.y, "y")?]),
        };
        let kind = match cell(Some(self.kind)).to_lowercase().as_str() {
            "fletched" | "f" => ArrowKind::Fletched,
            "bare" | "b" => ArrowKind::Bare,
            other => {
                return Err(wrong(format!(
                    "the kind is {other:?}: write fletched or bare"
                )));
            }
        };
        let end = match cell(self.end) {
            "" => None,
            text => Some(
                text.parse::<u64>()
                    .map_err(|_| wrong(format!("the end is {text:?}: write its number, like 1")))?,
            ),
        };
        let arrow = Some(cell(self.arrow).to_owned()).filter(|mark| !mark.is_empty());
        Ok(Row {
            place_mm,
            kind,
            end,
            arrow,
        })
    }
}

/// The cells of a line; a quoted one may hold the separator, and a doubled quote for a quote.
fn fields(line: &str, separator: char) -> Vec<String> {
    let mut cells = vec![String::new()];
    let mut quoted = false;
    let mut characters = line.chars().peekable();
    while let Some(character) = characters.next() {
        let doubled = quoted && character == '"' && characters.next_if_eq(&'"').is_some();
        if character == '"' && !doubled {
            quoted = !quoted;
        } else if character == separator && !quoted {
            cells.push(String::new());
        } else if let Some(cell) = cells.last_mut() {
            cell.push(character);
        }
    }
    cells.iter().map(|cell| cell.trim().to_owned()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_template_is_a_table() {
        let ends = parse(TEMPLATE, 1.0).unwrap();
        assert_eq!(ends.len(), 1);
        let (line, end) = &ends[0];
        assert_eq!((*line, end.session.end), (4, Some(1)));
        let kinds: Vec<ArrowKind> = end.entries.iter().map(|e| e.kind).collect();
        assert_eq!(
            kinds,
            [ArrowKind::Fletched, ArrowKind::Bare, ArrowKind::Fletched]
        );
        assert_eq!(end.entries[1].arrow.as_deref(), Some("4"));
        assert!((end.entries[1].x_mm - 35.0).abs() < 1e-12);
    }

    #[test]
    fn inches_semicolons_and_missed_shots() {
        let text = "Kind;x_in;y_in;arrow\r\nb;1,5;-2;\"a;\"\"1\"\"\"\r\nF;0;0;\r\nbare;;;7\r\n";
        let ends = parse(text, 1.0).unwrap();
        let end = &ends[0].1;
        assert!((end.entries[0].x_mm - 38.1).abs() < 1e-9);
        assert!((end.entries[0].y_mm + 50.8).abs() < 1e-9);
        assert_eq!(end.entries[0].arrow.as_deref(), Some("a;\"1\""));
        assert_eq!(end.entries[1].arrow, None);
        assert_eq!(end.missed.len(), 1);
        assert_eq!(end.missed[0].kind, ArrowKind::Bare);
        // a header without a unit takes the caller's
        let ends = parse("x,y,kind\n1,2,f\n", 25.4).unwrap();
        assert!((ends[0].1.entries[0].y_mm - 50.8).abs() < 1e-9);
    }

    #[test]
    fn what_is_wrong_is_said_with_its_line() {
        for (text, part) in [
            ("", "no shots"),
            ("x,y,kind\n", "no shots"),
            ("x,kind\n1,f\n", "y is missing"),
            ("x,y,kind,colour\n", "\"colour\""),
            ("x,x,y,kind\n", "twice"),
            ("x_mm,y_in,kind\n", "different units"),
            ("x,y,kind\n1,2,f\n1,,f\n", "line 3: y"),
            ("x,y,kind\n1,nan,f\n", "line 2: y"),
            ("x,y,kind\n1,2,feather\n", "fletched or bare"),
            ("x,y,kind,end\n1,2,f,first\n", "its number"),
        ] {
            let error = parse(text, 1.0).unwrap_err().to_string();
            assert!(error.contains(part), "{text:?}: {error}");
        }
    }
}

//! Every entry as a row of a table for spreadsheets.
//!
//! RFC 4180: CRLF, a header, doubled quotes. Numbers have a dot and no unit (it stands in the header). A text that a
//! spreadsheet would take for a formula gets an apostrophe before it.

use crate::record::{ArrowKind, End, Entry, EntrySource, EntryState, Hand, Setting, Setup, keys};
use std::fmt::Display;

/// The columns before those of the settings, in their order.
const HEADER: [&str; 33] = [
    "record",
    "photo",
    "sha256",
    "taken",
    "archer",
    "hand",
    "bow",
    "date",
    "end",
    "distance_m",
    "face",
    "face_diameter_mm",
    "note",
    "entry",
    "kind",
    "arrow",
    "x_mm",
    "y_mm",
    "sd_x_mm",
    "sd_y_mm",
    "confidence",
    "kind_probability",
    "state",
    "source",
    "spot",
    "lean_right_deg",
    "lean_up_deg",
    "lean_sd_deg",
    "upright_sd_deg",
    "shots_fletched",
    "shots_bare",
    "arrow_proposed",
    "arrow_proposed_p",
];

/// Characters at the start of a text that make a spreadsheet compute it.
const FORMULA: [char; 6] = ['=', '+', '-', '@', '\t', '\r'];

fn columns() -> impl Iterator<Item = &'static str> {
    HEADER.into_iter().chain(keys::SETTINGS)
}

/// The table of all entries of some ends; an end without entries has a row of its own. Each end comes with its file.
#[must_use]
pub fn entries<'a>(ends: impl IntoIterator<Item = (&'a str, &'a End)>) -> String {
    let mut out = String::new();
    line(&mut out, columns().map(str::to_owned));
    for (file, end) in ends {
        let about = about(file, end);
        let setup = setup(end.session.setup.as_ref());
        if end.entries.is_empty() {
            line(&mut out, row(&about, end, None, &setup));
        }
        for entry in &end.entries {
            line(&mut out, row(&about, end, Some(entry), &setup));
        }
    }
    out
}

fn about(file: &str, end: &End) -> Vec<String> {
    let session = &end.session;
    let photo = end.photo.as_ref();
    let taken = photo.and_then(|p| p.taken.as_deref().or(p.taken_local.as_deref()));
    let bow = session.setup.as_ref().and_then(|s| s.bow.as_deref());
    vec![
        text(Some(file)),
        text(photo.map(|p| p.file.as_str())),
        text(photo.map(|p| p.sha256.as_str())),
        text(taken),
        text(session.archer.as_deref()),
        match session.hand {
            Some(Hand::Right) => "right".to_owned(),
            Some(Hand::Left) => "left".to_owned(),
            None => String::new(),
        },
        text(bow),
        text(session.date.as_deref()),
        given(session.end),
        number(session.distance_m),
        text(end.face.as_ref().map(|f| f.name.as_str())),
        number(end.face.as_ref().map(|f| f.diameter_mm)),
        text(session.note.as_deref()),
    ]
}

fn row(about: &[String], end: &End, entry: Option<&Entry>, setup: &[String]) -> Vec<String> {
    let mut cells = about.to_vec();
    let sd = |axis: usize| {
        let v = entry
            .and_then(|e| e.cov_mm2)?
            .get(axis)?
            .get(axis)
            .copied()?;
        (v >= 0.0).then(|| crate::math::rounded(v.sqrt(), 3))
    };
    let lean = entry.and_then(|e| e.lean.as_ref());
    let proposed = entry.and_then(|e| e.arrow_proposed.as_ref());
    cells.extend([
        given(entry.map(|e| e.id)),
        entry.map_or_else(String::new, |e| kind(e.kind).to_owned()),
        text(entry.and_then(|e| e.arrow.as_deref())),
        number(entry.map(|e| e.x_mm)),
        number(entry.map(|e| e.y_mm)),
        number(sd(0)),
        number(sd(1)),
        number(entry.and_then(|e| e.confidence)),
        number(entry.and_then(|e| e.kind_probability)),
        entry.map_or_else(String::new, |e| state(e.state).to_owned()),
        entry.map_or_else(String::new, |e| source(e.source).to_owned()),
        given(entry.and_then(|e| e.spot)),
        number(lean.map(|l| l.right_deg)),
        number(lean.map(|l| l.up_deg)),
        number(lean.map(|l| l.sd_deg)),
        number(end.camera.as_ref().map(|c| c.upright.sd_deg)),
        given(end.session.fletched),
        given(end.session.bare),
        text(proposed.map(|a| a.arrow.as_str())),
        number(proposed.map(|a| a.p)),
    ]);
    cells.extend_from_slice(setup);
    cells
}

fn setup(setup: Option<&Setup>) -> Vec<String> {
    let cell = |field| match setup.and_then(|s| s.setting(field)) {
        Some(Setting::Number(value)) => number(Some(value)),
        Some(Setting::Text(label)) => text(Some(&label)),
        None => String::new(),
    };
    keys::SETTINGS.map(cell).to_vec()
}

const fn kind(kind: ArrowKind) -> &'static str {
    match kind {
        ArrowKind::Fletched => "fletched",
        ArrowKind::Bare => "bare",
        ArrowKind::Unknown => "unknown",
    }
}

const fn state(state: EntryState) -> &'static str {
    match state {
        EntryState::Proposed => "proposed",
        EntryState::Confirmed => "confirmed",
    }
}

const fn source(source: EntrySource) -> &'static str {
    match source {
        EntrySource::Found => "found",
        EntrySource::Moved => "moved",
        EntrySource::Added => "added",
        EntrySource::Tape => "tape",
    }
}

fn number(value: Option<f64>) -> String {
    value
        .filter(|v| v.is_finite())
        .map_or_else(String::new, |v| format!("{}", v + 0.0))
}

fn given(value: Option<impl Display>) -> String {
    value.map_or_else(String::new, |v| v.to_string())
}

/// Text from anywhere: never a formula, control characters as spaces.
fn text(value: Option<&str>) -> String {
    let Some(value) = value else {
        return String::new();
    };
    let safe: String = value
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    if value.starts_with(FORMULA) {
        format!("'{safe}")
    } else {
        safe
    }
}

fn line(out: &mut String, cells: impl IntoIterator<Item = String>) {
    for (i, cell) in cells.into_iter().enumerate() {
        if i > 0 {
            out.push(',');
        }
        if cell.contains([',', '"', '\n', '\r']) {
            out.push('"');
            out.push_str(&cell.replace('"', "\"\""));
            out.push('"');
        } else {
            out.push_str(&cell);
        }
    }
    out.push_str("\r\n");
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn end(session: serde_json::Value) -> End {
        End {
            session: serde_json::from_value(session).expect("session"),
            entries: serde_json::from_value(json!([
                {"id": 1, "x_mm": -12.5, "y_mm": -0.0, "cov_mm2": [[4.0, 0.0], [0.0, 9.0]], "kind": "bare", "state": "confirmed",
                 "source": "tape", "arrow": "+7", "arrow_proposed": {"arrow": "+8", "p": 0.75}}
            ]))
            .expect("entries"),
            ..End::default()
        }
    }

    /// A reader of RFC 4180 of our own, for the round trip.
    fn read(table: &str) -> Vec<Vec<String>> {
        let mut rows = vec![vec![String::new()]];
        let mut quoted = false;
        let mut chars = table.chars().peekable();
        while let Some(c) = chars.next() {
            let row = rows.last_mut().expect("row");
            let cell = row.last_mut().expect("cell");
            match c {
                '"' if quoted && chars.peek() == Some(&'"') => {
                    cell.push('"');
                    chars.next();
                }
                '"' => quoted = !quoted,
                ',' if !quoted => row.push(String::new()),
                '\r' if !quoted => {
                    assert_eq!(chars.next(), Some('\n'), "lines end in CRLF");
                    rows.push(vec![String::new()]);
                }
                c => cell.push(c),
            }
        }
        assert_eq!(
            rows.pop(),
            Some(vec![String::new()]),
            "the last line ends too"
        );
        rows
    }

    #[test]
    fn rows_are_as_long_as_the_header_and_come_back_as_written() {
        let session = json!({"archer": "=HYPERLINK(\"x\")", "hand": "left", "distance_m": 18.0, "end": 2,
            "note": "two, \"three\"\nfour", "setup": {"bow": "-club", "plunger_clicks": -2}});
        let table = entries([("a,b.end.json", &end(session)), ("empty", &End::default())]);
        let rows = read(&table);
        assert_eq!(rows.len(), 3);
        assert!(
            rows.iter().all(|r| r.len() == columns().count()),
            "{rows:?}"
        );
        let cell = |name: &str| {
            let at = columns().position(|h| h == name).expect("column");
            rows[1][at].as_str()
        };
        assert_eq!(cell("record"), "a,b.end.json");
        assert_eq!(cell("archer"), "'=HYPERLINK(\"x\")");
        assert_eq!(cell("bow"), "'-club");
        assert_eq!(cell("arrow"), "'+7");
        assert_eq!(cell("arrow_proposed"), "'+8");
        assert_eq!(cell("arrow_proposed_p"), "0.75");
        assert_eq!(cell("note"), "two, \"three\" four");
        assert_eq!((cell("x_mm"), cell("y_mm")), ("-12.5", "0"));
        assert_eq!((cell("sd_x_mm"), cell("sd_y_mm")), ("2", "3"));
        assert_eq!(cell("plunger_clicks"), "-2", "a number is no formula");
    }
}

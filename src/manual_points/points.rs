//! The points file, `bossmark/points/1`: JSON, or the same as a table (CSV).

use super::places;
use crate::face::spec::FaceSpec;
use crate::geometry::FacePoint;
use crate::record::keys::likely;
use crate::record::{RecordError, document};
use serde_json::{Map, Value, json};
use std::fmt::Write;

/// Schema name of the points file.
pub const SCHEMA: &str = "bossmark/points/1";

/// Points of a face that a person marked in a photo.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Points {
    /// The points that have a place in the picture.
    pub marks: Vec<Mark>,
    /// Standard deviation of a mark, px; `None`: the usual one.
    pub sd_px: Option<f64>,
    /// Standard deviation of the direction in which a place of a ring was taken, degrees; `None`: the usual one.
    pub direction_sd_deg: Option<f64>,
}

/// One point.
#[derive(Clone, Debug, PartialEq)]
pub struct Mark {
    /// Number in the file, from 1.
    pub number: usize,
    /// Name of its place, where it has one.
    pub at: Option<String>,
    /// Where in the upright photo, px: the centre of the top-left pixel is (0, 0).
    pub px: [f64; 2],
    /// Where on the face, mm.
    pub mm: FacePoint,
    /// Centre of the ring that it lies on, if it is known by name: then its direction is less sure than its radius.
    pub ring_centre: Option<FacePoint>,
    /// Its own standard deviation, px.
    pub sd_px: Option<f64>,
}

impl Mark {
    /// How messages call it.
    #[must_use]
    pub fn name(&self) -> String {
        match &self.at {
            Some(at) => format!("point {} ({at})", self.number),
            None => format!("point {} ({}, {} mm)", self.number, self.mm.x, self.mm.y),
        }
    }
}

/// What is wrong with a points file.
#[derive(Debug, thiserror::Error)]
pub enum PointsError {
    /// No JSON, or another document.
    #[error(transparent)]
    Document(#[from] RecordError),
    /// Not text.
    #[error("the points are neither JSON nor a table: `--points-template` prints one to fill in")]
    NotText,
    /// A table without the columns that are needed.
    #[error(
        "the table's first line must name its columns: x_px, y_px and at, or x_mm and y_mm (`--points-template csv` prints one)"
    )]
    Columns,
    /// One point can't be understood.
    #[error("point {number}: {what}")]
    Point {
        /// Which, from 1.
        number: usize,
        /// What is wrong.
        what: String,
    },
    /// A name that isn't known.
    #[error("`{name}` is not known in a points file{}", likely.map_or_else(String::new, |l| format!(": did you mean `{l}`?")))]
    Name {
        /// The name.
        name: String,
        /// The likely one.
        likely: Option<&'static str>,
    },
    /// A number that can't be.
    #[error("`{0}` must be a number above 0")]
    Number(&'static str),
}

impl PointsError {
    /// Whether the user wrote something wrong (exit status 2), as against a file that can't be decoded (3).
    #[must_use]
    pub const fn is_wrong_use(&self) -> bool {
        !matches!(self, Self::Document(_) | Self::NotText)
    }
}

const FILE: &[&str] = &[
    "schema",
    "photo",
    "face",
    "sd_px",
    "direction_sd_deg",
    "points",
];
const POINT: &[&str] = &["at", "mm", "px", "sd_px"];

impl Points {
    /// Reads points on the face `spec`, JSON or a table. Points without a place in the picture are left out.
    ///
    /// # Errors
    /// [`PointsError`].
    pub fn parse(bytes: &[u8], spec: &FaceSpec) -> Result<Self, PointsError> {
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        let first = bytes.iter().find(|b| !b.is_ascii_whitespace());
        if first == Some(&b'{') {
            Self::from_json(bytes, spec)
        } else {
            let text = std::str::from_utf8(bytes).map_err(|_| PointsError::NotText)?;
            Self::from_table(text, spec)
        }
    }

    fn from_json(bytes: &[u8], spec: &FaceSpec) -> Result<Self, PointsError> {
        let value = document(bytes, SCHEMA)?;
        let empty = Map::new();
        let file = value.as_object().unwrap_or(&empty);
        known_names(file, FILE)?;
        let mut out = Self {
            sd_px: positive(file, "sd_px")?,
            direction_sd_deg: positive(file, "direction_sd_deg")?,
            ..Self::default()
        };
        let points = file.get("points").and_then(Value::as_array);
        for (number, point) in (1..).zip(points.into_iter().flatten()) {
            let wrong = |what: &str| PointsError::Point {
                number,
                what: what.to_owned(),
            };
            let point = point
                .as_object()
                .ok_or_else(|| wrong("it must be an object with `px` and `at` or `mm`"))?;
            known_names(point, POINT)?;
            let pair = |name: &str| match point.get(name) {
                None | Some(Value::Null) => Ok(None),
                Some(v) => two(v).map(Some).ok_or_else(|| {
                    wrong(&format!("`{name}` must be two numbers, like [812, 640]"))
                }),
            };
            let at = match point.get("at") {
                None | Some(Value::Null) => None,
                Some(v) => Some(v.as_str().ok_or_else(|| wrong("`at` must be text"))?),
            };
            let Some(px) = pair("px")? else { continue };
            out.marks.push(mark(
                number,
                px,
                at,
                pair("mm")?,
                positive(point, "sd_px")?,
                spec,
            )?);
        }
        Ok(out)
    }

    fn from_table(text: &str, spec: &FaceSpec) -> Result<Self, PointsError> {
        let mut lines = text.lines().filter(|l| !l.trim().is_empty());
        let head = fields(lines.next().unwrap_or_default());
        let separator_free: Vec<String> = head.iter().map(|h| h.trim().to_lowercase()).collect();
        let column = |name: &str| separator_free.iter().position(|h| h == name);
        let (Some(x), Some(y)) = (column("x_px"), column("y_px")) else {
            return Err(PointsError::Columns);
        };
        let (at, sd) = (column("at"), column("sd_px"));
        let mm = column("x_mm").zip(column("y_mm"));
        if at.is_none() && mm.is_none() {
            return Err(PointsError::Columns);
        }
        let mut out = Self::default();
        for (number, line) in (1..).zip(lines) {
            let cells = fields(line);
            let text = |i: usize| cells.get(i).map(|c| c.trim()).filter(|c| !c.is_empty());
            let cell = |i: usize| -> Result<Option<f64>, PointsError> {
                let wrong = |t: &str| PointsError::Point {
                    number,
                    what: format!("{t:?} is no number (write decimals with a point)"),
                };
                text(i)
                    .map(|t| {
                        t.parse::<f64>()
                            .ok()
                            .filter(|v| v.is_finite())
                            .ok_or_else(|| wrong(t))
                    })
                    .transpose()
            };
            let (Some(px), Some(py)) = (cell(x)?, cell(y)?) else {
                continue;
            };
            let place = match mm {
                Some((mx, my)) => cell(mx)?.zip(cell(my)?).map(|(a, b)| [a, b]),
                None => None,
            };
            let sd = match sd {
                Some(i) => cell(i)?.filter(|s| *s > 0.0),
                None => None,
            };
            let at = at.and_then(text);
            out.marks.push(mark(number, [px, py], at, place, sd, spec)?);
        }
        Ok(out)
    }
}

fn mark(
    number: usize,
    px: [f64; 2],
    at: Option<&str>,
    mm: Option<[f64; 2]>,
    sd_px: Option<f64>,
    spec: &FaceSpec,
) -> Result<Mark, PointsError> {
    let wrong = |what: String| PointsError::Point { number, what };
    let place = match (at, mm) {
        (_, Some([x, y])) => places::Place {
            mm: FacePoint::new(x, y),
            ring_centre: None,
        },
        (Some(at), None) => places::place(at, spec).map_err(wrong)?,
        (None, None) => {
            return Err(wrong(
                "it says where it is in the picture, but not on the face: add `at` or `mm`"
                    .to_owned(),
            ));
        }
    };
    Ok(Mark {
        number,
        at: at.map(str::to_owned),
        px,
        mm: place.mm,
        ring_centre: place.ring_centre,
        sd_px,
    })
}

fn known_names(
    object: &Map<String, Value>,
    known: &'static [&'static str],
) -> Result<(), PointsError> {
    match object.keys().find(|k| !known.contains(&k.as_str())) {
        None => Ok(()),
        Some(name) => Err(PointsError::Name {
            name: name.clone(),
            likely: likely(name, known),
        }),
    }
}

fn positive(object: &Map<String, Value>, name: &'static str) -> Result<Option<f64>, PointsError> {
    match object.get(name) {
        None | Some(Value::Null) => Ok(None),
        Some(v) => v
            .as_f64()
            .filter(|v| v.is_finite() && *v > 0.0)
            .map(Some)
            .ok_or(PointsError::Number(name)),
    }
}

fn two(value: &Value) -> Option<[f64; 2]> {
    match value.as_array()?.as_slice() {
        [a, b] => Some([a.as_f64()?, b.as_f64()?]),
        _ => None,
    }
}

/// The cells of a line of a table: commas or semicolons between them, quotes around those that hold some (RFC 4180).
fn fields(line: &str) -> Vec<String> {
    let outside: String = line.split('"').step_by(2).collect();
    let separator = if outside.contains(';') { ';' } else { ',' };
    let mut out = vec![String::new()];
    let mut quoted = false;
    let mut letters = line.chars().peekable();
    while let Some(c) = letters.next() {
        let cell = out.len() - 1;
        match c {
            '"' if quoted && letters.peek() == Some(&'"') => {
                letters.next();
                out[cell].push('"');
            }
            '"' => quoted = !quoted,
            c if c == separator && !quoted => out.push(String::new()),
            c => out[cell].push(c),
        }
    }
    out
}

/// A points file to fill in: the places of the face that are easy to find, without their place in the picture.
#[must_use]
pub fn template_json(spec: &FaceSpec) -> String {
    let points: Vec<String> = places::easy(spec)
        .into_iter()
        .map(|at| format!("  {}", json!({"at": at, "px": null})))
        .chain(["  {\"mm\":[100,-50],\"px\":null}".to_owned()])
        .collect();
    format!(
        "{{\"schema\": \"{SCHEMA}\", \"face\": \"{}\", \"sd_px\": 3, \"points\": [\n{}\n]}}\n",
        spec.name,
        points.join(",\n")
    )
}

/// The same as a table.
#[must_use]
pub fn template_csv(spec: &FaceSpec) -> String {
    let mut out = "at,x_mm,y_mm,x_px,y_px\r\n".to_owned();
    for at in places::easy(spec) {
        let _ = write!(out, "\"{at}\",,,,\r\n");
    }
    out.push_str(",100,-50,,\r\n");
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::face::spec::by_name;

    fn parse(text: &str) -> Result<Points, PointsError> {
        Points::parse(text.as_bytes(), by_name("wa-80").unwrap())
    }

    #[test]
    fn json_and_table_say_the_same() {
        let json = parse(
            r#"{"schema": "bossmark/points/1", "points": [
                {"at": "red outer edge, up", "px": [812.5, 640]},
                {"mm": [100, -50], "px": [900, 700], "sd_px": 1},
                {"at": "centre", "px": null}]}"#,
        )
        .unwrap();
        let table = parse(
            "at,x_mm,y_mm,x_px,y_px,sd_px\r\n\"red outer edge, up\",,,812.5,640,\r\n,100,-50,900,700,1\r\ncentre,,,,,\r\n",
        )
        .unwrap();
        assert_eq!(json, table);
        assert_eq!(json.marks.len(), 2);
        assert_eq!(json.marks[0].mm, FacePoint::new(0.0, 160.0));
        assert!(json.marks[0].ring_centre.is_some() && json.marks[1].ring_centre.is_none());
        let semicolons = parse("at;x_px;y_px\nred outer edge, up;812.5;640\n").unwrap();
        assert_eq!(semicolons.marks, json.marks[..1]);
    }

    #[test]
    fn templates_parse_and_have_no_marks_yet() {
        for spec in crate::face::spec::known() {
            for text in [template_json(spec), template_csv(spec)] {
                assert_eq!(Points::parse(text.as_bytes(), spec).unwrap().marks, []);
            }
        }
    }

    #[test]
    fn what_is_wrong_is_reported() {
        let head = r#"{"schema": "bossmark/points/1", "#;
        for (text, word, wrong_use) in [
            (
                format!("{head}\"point\": []}}"),
                "did you mean `points`",
                true,
            ),
            (
                format!("{head}\"points\": [{{\"px\": [1, 2]}}]}}"),
                "point 1: it says where",
                true,
            ),
            (
                format!("{head}\"points\": [{{\"px\": [1], \"at\": \"centre\"}}]}}"),
                "two numbers",
                true,
            ),
            (
                format!("{head}\"points\": [{{\"px\": [1, 2], \"at\": \"rim\"}}]}}"),
                "no place on wa-80",
                true,
            ),
            (
                format!("{head}\"sd_px\": -1, \"points\": []}}"),
                "above 0",
                true,
            ),
            ("a,b\n1,2\n".to_owned(), "must name its columns", true),
            ("at,x_px,y_px\ncentre,1,two\n".to_owned(), "no number", true),
            (
                r#"{"schema": "bossmark/points/4"}"#.to_owned(),
                "update",
                false,
            ),
            ("{".to_owned(), "JSON", false),
        ] {
            let error = parse(&text).unwrap_err();
            assert!(error.to_string().contains(word), "{text}: {error}");
            assert_eq!(error.is_wrong_use(), wrong_use, "{error}");
        }
    }
}

//! Target faces as data: zones, lines, spots and where each figure comes from.
//!
//! The files stand under `calibration/faces/` and are built in; a file of the archer's own goes through the same parser.

use crate::geometry::FacePoint;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::sync::LazyLock;
use thiserror::Error;

/// The `schema` of a face file.
pub const SCHEMA: &str = "bossmark/face/1";

/// Largest diameter that a face file may state, mm: a guard against metres or centimetres given as millimetres the wrong way round.
const LARGEST_MM: f64 = 5000.0;
/// Smallest nominal diameter, mm.
const SMALLEST_MM: f64 = 50.0;

const FILES: [&str; 24] = [
    include_str!("../../calibration/faces/wa-122.json"),
    include_str!("../../calibration/faces/wa-80.json"),
    include_str!("../../calibration/faces/wa-60.json"),
    include_str!("../../calibration/faces/wa-40.json"),
    include_str!("../../calibration/faces/wa-80-6zone.json"),
    include_str!("../../calibration/faces/wa-80-5zone.json"),
    include_str!("../../calibration/faces/wa-122-8zone-trimmed.json"),
    include_str!("../../calibration/faces/wa-122-6zone-trimmed.json"),
    include_str!("../../calibration/faces/wa-80-8zone-trimmed.json"),
    include_str!("../../calibration/faces/wa-80-6zone-trimmed.json"),
    include_str!("../../calibration/faces/wa-40-3spot.json"),
    include_str!("../../calibration/faces/wa-40-3spot-triangle.json"),
    include_str!("../../calibration/faces/wa-60-3spot.json"),
    include_str!("../../calibration/faces/wa-60-3spot-triangle.json"),
    include_str!("../../calibration/faces/field-80.json"),
    include_str!("../../calibration/faces/field-60.json"),
    include_str!("../../calibration/faces/field-40.json"),
    include_str!("../../calibration/faces/field-20.json"),
    include_str!("../../calibration/faces/national-indoor-40.json"),
    include_str!("../../calibration/faces/national-indoor-40-5spot.json"),
    include_str!("../../calibration/faces/national-field-65.json"),
    include_str!("../../calibration/faces/national-field-50.json"),
    include_str!("../../calibration/faces/national-field-35.json"),
    include_str!("../../calibration/faces/national-field-20.json"),
];

static KNOWN: LazyLock<Vec<FaceSpec>> = LazyLock::new(|| {
    FILES
        .iter()
        .filter_map(|text| FaceSpec::parse(text).ok())
        .collect()
});

/// The faces that are built in, in the order in which they are listed.
#[must_use]
pub fn known() -> &'static [FaceSpec] {
    &KNOWN
}

/// One built-in face of each pattern, in the order in which they are listed.
pub fn patterns() -> impl Iterator<Item = &'static FaceSpec> {
    let first = |i: usize| {
        let pattern = &KNOWN[i].pattern;
        KNOWN[..i].iter().all(|before| before.pattern != *pattern)
    };
    (0..KNOWN.len())
        .filter(move |i| first(*i))
        .map(|i| &KNOWN[i])
}

/// The built-in faces of a pattern.
pub fn of_pattern(pattern: &str) -> impl Iterator<Item = &'static FaceSpec> {
    KNOWN
        .iter()
        .filter(move |f| f.pattern.as_deref() == Some(pattern))
}

/// The built-in face of that name, if there is one.
#[must_use]
pub fn by_name(name: &str) -> Option<&'static FaceSpec> {
    known().iter().find(|face| face.name == name)
}

/// Why a face file cannot be used. Each message says what to change.
#[derive(Debug, Error)]
pub enum SpecError {
    /// Not JSON of the right shape: unknown key, unknown colour, missing field.
    #[error(
        "the face file cannot be read: {0}; the files listed by `bossmark faces` show the format"
    )]
    Json(#[from] serde_json::Error),
    /// Another schema.
    #[error("the face file says schema `{0}`; this program reads `{SCHEMA}`")]
    Schema(String),
    /// A length that is not a sensible positive number.
    #[error("{what} is {value} mm; give a number between {least} and {most}")]
    Length {
        /// Which field.
        what: String,
        /// The value found.
        value: f64,
        /// Smallest value that makes sense.
        least: f64,
        /// Largest value that makes sense.
        most: f64,
    },
    /// Zones not listed from the inside outwards.
    #[error(
        "zone {number} of the face file is {diameter_mm} mm wide, no wider than the zone before it; list zones from the middle outwards"
    )]
    Order {
        /// Number of the zone in the file, from 1.
        number: usize,
        /// Its diameter, mm.
        diameter_mm: f64,
    },
    /// A score that rises outwards.
    #[error(
        "zone {number} of the face file scores more than the zone inside it; scores fall from the middle outwards"
    )]
    Score {
        /// Number of the zone in the file, from 1.
        number: usize,
    },
    /// Too little on the face to find it in a photo.
    #[error(
        "the face file has {zones} zones and {edges} changes of colour (to the paper included, unless `trimmed`); at least 3 zones and 2 changes are needed to find a face in a photo"
    )]
    TooPlain {
        /// Number of zones.
        zones: usize,
        /// Number of boundaries between different colours.
        edges: usize,
    },
    /// Spots missing, too many or overlapping.
    #[error("spots of the face file: {0}")]
    Spots(String),
    /// No name, or one that would not do as a word on the command line.
    #[error("the face's name `{0}` must be made of letters, digits, `-`, `_` and `.`")]
    Name(String),
}

/// The printed colours of a face.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq, PartialOrd, Ord)]
#[serde(rename_all = "lowercase")]
pub enum Colour {
    /// Yellow ("gold").
    Yellow,
    /// Red.
    Red,
    /// Light blue.
    Blue,
    /// Black.
    Black,
    /// White, the bare paper too.
    White,
}

impl Colour {
    /// All of them.
    pub const ALL: [Self; 5] = [
        Self::Yellow,
        Self::Red,
        Self::Blue,
        Self::Black,
        Self::White,
    ];

    /// Its name, as face files have it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Yellow => "yellow",
            Self::Red => "red",
            Self::Blue => "blue",
            Self::Black => "black",
            Self::White => "white",
        }
    }
}

/// On which side of a zone's nominal radius its bounding line is printed.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "lowercase")]
pub enum LineSide {
    /// Inside the higher zone: the nominal radius is the line's outer edge (World Archery).
    Inside,
    /// Half on either side.
    Centred,
    /// Outside: the nominal radius is the line's inner edge.
    Outside,
}

/// The printed lines between zones.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct Lines {
    /// Widest that a line may be, mm.
    pub width_mm: f64,
    /// Where lines are printed.
    pub side: LineSide,
    /// Where the visible edge lies relative to the nominal radius, mm (outwards positive), as measured on photos of this face.
    /// For people: the fit goes by `calibration/print.json`.
    pub offset_mm: f64,
    /// Standard deviation of that, mm.
    pub offset_sd_mm: f64,
}

/// A scoring zone: everything inside its diameter that is not in a zone further in.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct Zone {
    /// Its score.
    pub score: u8,
    /// True for the inner ten ("X"), which scores as the zone around it.
    #[serde(default)]
    pub inner: bool,
    /// Outer diameter, mm.
    pub diameter_mm: f64,
    /// Printed colour.
    pub colour: Colour,
    /// Colour of its bounding line.
    pub line: Colour,
    /// Permitted deviation of the diameter, ± mm.
    pub tolerance_mm: f64,
}

impl Zone {
    /// Outer radius, mm.
    #[must_use]
    pub fn radius_mm(&self) -> f64 {
        self.diameter_mm / 2.0
    }
}

/// A circle on the face at which something changes: a colour, or a printed line within one colour.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Boundary {
    /// Nominal radius, mm.
    pub radius_mm: f64,
    /// Colour just inside.
    pub inside: Colour,
    /// Colour just outside.
    pub outside: Colour,
    /// Colour of the line that bounds the inner zone.
    pub line: Colour,
    /// Permitted deviation of the diameter, ± mm.
    pub tolerance_mm: f64,
}

impl Boundary {
    /// True where only a printed line marks the boundary.
    #[must_use]
    pub fn is_line(&self) -> bool {
        self.inside == self.outside
    }
}

/// A target face: what is printed, how large, and where that is known from.
#[derive(Clone, Debug, PartialEq)]
pub struct FaceSpec {
    /// Name for the command line, for example `wa-80`.
    pub name: String,
    /// The face in words.
    pub words: String,
    /// What is printed, whatever the size: faces of one pattern are scaled copies of each other. `None` in files that don't say.
    pub pattern: Option<String>,
    /// Nominal diameter, mm (a reduced face keeps that of the full one).
    pub diameter_mm: f64,
    /// Centres of the spots, mm, from the top: one for a single face. Origin: their mean.
    pub spots_mm: Vec<FacePoint>,
    /// Zones of each spot from the middle outwards.
    pub zones: Vec<Zone>,
    /// Colour of the paper around the print.
    pub paper: Colour,
    /// True where the sheet is cut along the outermost zone: around it is the boss, of any colour, and the cut is no printed edge.
    pub trimmed: bool,
    /// The printed lines.
    pub line: Lines,
    /// For each group of figures, its rulebook clause or other source, or "from memory".
    pub sources: BTreeMap<String, String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Document {
    schema: String,
    name: String,
    words: String,
    #[serde(default)]
    pattern: Option<String>,
    diameter_mm: f64,
    spots_mm: Vec<[f64; 2]>,
    zones: Vec<Zone>,
    paper: Colour,
    #[serde(default)]
    trimmed: bool,
    line: Lines,
    #[serde(default)]
    sources: BTreeMap<String, String>,
}

impl FaceSpec {
    /// Reads and checks a face file (JSON, schema `bossmark/face/1`).
    ///
    /// # Errors
    /// [`SpecError`] when the text is not such a file or describes no face that can be found in a photo.
    pub fn parse(text: &str) -> Result<Self, SpecError> {
        let d: Document = serde_json::from_str(text.trim_start_matches('\u{feff}'))?;
        if d.schema != SCHEMA {
            return Err(SpecError::Schema(d.schema));
        }
        if d.name.is_empty()
            || !d
                .name
                .chars()
                .all(|c| c.is_ascii_alphanumeric() || "-_.".contains(c))
        {
            return Err(SpecError::Name(d.name));
        }
        length("diameter_mm", d.diameter_mm, SMALLEST_MM, LARGEST_MM)?;
        check_zones(&d)?;
        let spots_mm = centred_spots(&d.spots_mm)?;
        let face = Self {
            name: d.name,
            words: d.words,
            pattern: d.pattern,
            diameter_mm: d.diameter_mm,
            spots_mm,
            zones: d.zones,
            paper: d.paper,
            trimmed: d.trimmed,
            line: d.line,
            sources: d.sources,
        };
        face.check_spots()?;
        let edges = face.boundaries().iter().filter(|b| !b.is_line()).count();
        if face.zones.len() < 3 || edges < 2 {
            return Err(SpecError::TooPlain {
                zones: face.zones.len(),
                edges,
            });
        }
        Ok(face)
    }

    /// The same print enlarged by `factor`.
    #[must_use]
    pub fn enlarged(&self, factor: f64) -> Self {
        let mut face = self.clone();
        face.diameter_mm *= factor;
        for spot in &mut face.spots_mm {
            *spot = FacePoint::new(factor * spot.x, factor * spot.y);
        }
        for zone in &mut face.zones {
            zone.diameter_mm *= factor;
        }
        face
    }

    /// Radius of the outermost zone of a spot, mm.
    #[must_use]
    pub fn outer_radius_mm(&self) -> f64 {
        self.zones.last().map_or(0.0, Zone::radius_mm)
    }

    /// Distance from the origin to the outermost printed point, mm.
    #[must_use]
    pub fn reach_mm(&self) -> f64 {
        let centre = FacePoint::default();
        self.spots_mm
            .iter()
            .map(|s| s.distance(centre))
            .fold(0.0, f64::max)
            + self.outer_radius_mm()
    }

    /// The printed boundaries of a spot from the middle outwards, by which it can be measured: the outermost against the paper, or,
    /// where the sheet is cut there, the last one inside the cut.
    #[must_use]
    pub fn boundaries(&self) -> Vec<Boundary> {
        let mut all = self.outlines();
        if self.trimmed {
            all.pop();
        }
        all
    }

    /// The outlines of all zones of a spot from the middle outwards, a cut edge among them.
    #[must_use]
    pub fn outlines(&self) -> Vec<Boundary> {
        let outside = self
            .zones
            .iter()
            .skip(1)
            .map(|z| z.colour)
            .chain([self.paper]);
        self.zones
            .iter()
            .zip(outside)
            .map(|(z, outside)| Boundary {
                radius_mm: z.radius_mm(),
                inside: z.colour,
                outside,
                line: z.line,
                tolerance_mm: z.tolerance_mm,
            })
            .collect()
    }

    /// Index (from 0) of the spot nearest to a point.
    #[must_use]
    pub fn nearest_spot(&self, p: FacePoint) -> usize {
        let distance = |i: &usize| {
            self.spots_mm
                .get(*i)
                .map_or(f64::INFINITY, |s| s.distance(p))
        };
        (0..self.spots_mm.len())
            .min_by(|a, b| distance(a).total_cmp(&distance(b)))
            .unwrap_or(0)
    }

    fn check_spots(&self) -> Result<(), SpecError> {
        for (i, a) in self.spots_mm.iter().enumerate() {
            if self
                .spots_mm
                .iter()
                .skip(i + 1)
                .any(|b| a.distance(*b) < 2.0 * self.outer_radius_mm())
            {
                return Err(SpecError::Spots(format!(
                    "spot {} overlaps a later one; check `spots_mm`",
                    i + 1
                )));
            }
        }
        Ok(())
    }
}

fn length(what: &str, value: f64, least: f64, most: f64) -> Result<(), SpecError> {
    if value >= least && value <= most {
        return Ok(());
    }
    Err(SpecError::Length {
        what: what.to_owned(),
        value,
        least,
        most,
    })
}

fn check_zones(d: &Document) -> Result<(), SpecError> {
    let mut before: Option<&Zone> = None;
    for (i, zone) in d.zones.iter().enumerate() {
        let number = i + 1;
        length(
            &format!("diameter_mm of zone {number}"),
            zone.diameter_mm,
            1.0,
            d.diameter_mm,
        )?;
        length(
            &format!("tolerance_mm of zone {number}"),
            zone.tolerance_mm,
            0.0,
            0.1 * d.diameter_mm,
        )?;
        if let Some(inner) = before {
            if zone.diameter_mm <= inner.diameter_mm {
                return Err(SpecError::Order {
                    number,
                    diameter_mm: zone.diameter_mm,
                });
            }
            if zone.score > inner.score {
                return Err(SpecError::Score { number });
            }
        }
        before = Some(zone);
    }
    length("width_mm of line", d.line.width_mm, 0.0, 20.0)?;
    length("offset_mm of line", d.line.offset_mm, -20.0, 20.0)?;
    length("offset_sd_mm of line", d.line.offset_sd_mm, 0.0, 20.0)
}

/// The spots with their mean moved to the origin exactly (files hold rounded figures).
fn centred_spots(spots: &[[f64; 2]]) -> Result<Vec<FacePoint>, SpecError> {
    if spots.is_empty() || spots.len() > 12 {
        return Err(SpecError::Spots(format!(
            "{} given; 1 to 12 make a face",
            spots.len()
        )));
    }
    if spots
        .iter()
        .flatten()
        .any(|v| !v.is_finite() || v.abs() > LARGEST_MM)
    {
        return Err(SpecError::Spots(format!(
            "a centre is not within {LARGEST_MM} mm"
        )));
    }
    let n = spots.iter().map(|_| 1.0).sum::<f64>();
    let mean = FacePoint::new(
        spots.iter().map(|s| s[0]).sum::<f64>() / n,
        spots.iter().map(|s| s[1]).sum::<f64>() / n,
    );
    if mean.distance(FacePoint::default()) > 0.01 {
        return Err(SpecError::Spots(format!(
            "their mean is ({:.3}, {:.3}) mm; the origin of a face is the mean of its spots",
            mean.x, mean.y
        )));
    }
    Ok(spots
        .iter()
        .map(|s| FacePoint::new(s[0] - mean.x, s[1] - mean.y))
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text() -> String {
        FILES[1].to_owned()
    }

    #[test]
    fn all_built_in_files_parse_and_have_their_own_name() {
        for file in FILES {
            FaceSpec::parse(file).unwrap();
        }
        assert_eq!(known().len(), FILES.len());
        for (i, face) in known().iter().enumerate() {
            assert_eq!(known().iter().position(|f| f.name == face.name), Some(i));
            assert!(face.sources.len() >= 4, "{} lacks sources", face.name);
        }
        assert!(by_name("wa-122").is_some() && by_name("wa-123").is_none());
    }

    #[test]
    fn unknown_colour_and_key_are_named() {
        let e = FaceSpec::parse(&text().replace("\"blue\"", "\"green\""))
            .unwrap_err()
            .to_string();
        assert!(e.contains("green") && e.contains("blue"), "{e}");
        let e = FaceSpec::parse(&text().replace("\"words\"", "\"word\""))
            .unwrap_err()
            .to_string();
        assert!(e.contains("`word`"), "{e}");
    }

    #[test]
    fn zones_must_grow_and_scores_fall() {
        let e =
            FaceSpec::parse(&text().replace("\"diameter_mm\": 480.0", "\"diameter_mm\": 300.0"))
                .unwrap_err();
        assert!(matches!(e, SpecError::Order { number: 7, .. }), "{e}");
        let e = FaceSpec::parse(&text().replace("\"score\":  5", "\"score\":  9")).unwrap_err();
        assert!(matches!(e, SpecError::Score { number: 7 }), "{e}");
    }

    #[test]
    fn sizes_spots_and_schema_are_checked() {
        let bad = |from: &str, to: &str| FaceSpec::parse(&text().replace(from, to)).unwrap_err();
        assert!(matches!(
            bad("\"diameter_mm\": 800.0,\n", "\"diameter_mm\": 80.0,\n"),
            SpecError::Length { .. }
        ));
        assert!(matches!(
            bad("[[0.0, 0.0]]", "[[0.0, 9.0]]"),
            SpecError::Spots(_)
        ));
        assert!(matches!(bad("[[0.0, 0.0]]", "[]"), SpecError::Spots(_)));
        assert!(matches!(
            bad("[[0.0, 0.0]]", "[[0.0, 50.0], [0.0, -50.0]]"),
            SpecError::Spots(_)
        ));
        assert!(matches!(bad("face/1", "face/2"), SpecError::Schema(_)));
        assert!(matches!(
            bad("\"wa-80\"", "\"my face\""),
            SpecError::Name(_)
        ));
        assert!(FaceSpec::parse("").is_err());
    }

    #[test]
    fn boundaries_know_lines_from_steps() {
        let face = by_name("wa-40-3spot").unwrap();
        let b = face.boundaries();
        assert_eq!(b.len(), 6);
        assert_eq!(
            b.iter().map(Boundary::is_line).collect::<Vec<_>>(),
            [true, true, false, true, false, false]
        );
        assert!((face.reach_mm() - 320.0).abs() < 1e-9);
        assert_eq!(face.nearest_spot(FacePoint::new(3.0, -150.0)), 2);
    }

    #[test]
    fn a_cut_edge_is_no_printed_boundary() {
        let (whole, cut) = (
            by_name("wa-80-6zone").unwrap(),
            by_name("wa-80-6zone-trimmed").unwrap(),
        );
        assert_eq!(whole.zones, cut.zones);
        assert_eq!(whole.boundaries()[..6], cut.boundaries()[..]);
        assert_eq!(whole.outlines(), cut.outlines());
        assert!((cut.outer_radius_mm() - 240.0).abs() < 1e-9);
        // yellow to white is left; the cut doesn't count
        let few = FILES[1]
            .replace(
                "\"paper\": \"white\"",
                "\"paper\": \"white\", \"trimmed\": true",
            )
            .replace("\"red\"", "\"yellow\"")
            .replace("\"blue\"", "\"yellow\"")
            .replace("\"colour\": \"black\"", "\"colour\": \"white\"");
        assert!(matches!(
            FaceSpec::parse(&few),
            Err(SpecError::TooPlain { edges: 1, .. })
        ));
    }
}

//! Target faces as data: zones, lines, spots and where each figure comes from.
//!
//! The files stand under `calibration/faces/` and are built in; a file of the archer's own goes through the same parser.

mod built_in;
mod error;
mod print;

pub use built_in::{by_name, known, of_pattern, patterns};
pub use error::SpecError;
pub use print::{Boundary, Colour, LineSide, Lines, Zone};

use crate::geometry::FacePoint;
use serde::Deserialize;
use std::collections::BTreeMap;

/// The `schema` of a face file.
pub const SCHEMA: &str = "bossmark/face/1";

/// Largest diameter that a face file may state, mm: a guard against metres or centimetres given as millimetres the wrong way round.
const MAX_MM: f64 = 5000.0;
/// Smallest nominal diameter, mm.
const MIN_MM: f64 = 50.0;

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
        length("diameter_mm", d.diameter_mm, MIN_MM, MAX_MM)?;
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
        .any(|v| !v.is_finite() || v.abs() > MAX_MM)
    {
        return Err(SpecError::Spots(format!(
            "a centre is not within {MAX_MM} mm"
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
    use super::built_in::FILES;
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

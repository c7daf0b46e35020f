//! What is printed on a face: zones, their colours, lines and boundaries.

use serde::Deserialize;

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
    /// For readers of the data: the fit takes its offsets from `calibration/print-model.json`.
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

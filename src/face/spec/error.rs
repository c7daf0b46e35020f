//! Why a face file cannot be used.

use super::SCHEMA;
use thiserror::Error;

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

//! The entries of a record: one for each shaft, and the shots that left none.

use super::{ArrowKind, Extra};
use serde::{Deserialize, Serialize};

/// One shaft's entry.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Number within the record, from 1, never used again.
    pub id: u64,
    /// Where the shaft's axis crosses the face plane, mm to the right of the centre.
    pub x_mm: f64,
    /// The same, mm up.
    pub y_mm: f64,
    /// Covariance of (x, y), mm². The error of the photo's roll is not in it: that is common to all entries.
    #[serde(default)]
    pub cov_mm2: Option<[[f64; 2]; 2]>,
    /// That point in the picture, px; `None` without a photo.
    #[serde(default)]
    pub px: Option<[f64; 2]>,
    /// Fletched or bare.
    pub kind: ArrowKind,
    /// Probability of the kind, given that it is a shaft.
    #[serde(default)]
    pub kind_probability: Option<f64>,
    /// Probability that the entry is right: a shaft within 10 mm, of the kind given.
    #[serde(default)]
    pub confidence: Option<f64>,
    /// The arrow's own mark.
    #[serde(default)]
    pub arrow: Option<String>,
    /// The arrow that its colours suggest, until a person says which it is; absent if undecided.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub arrow_proposed: Option<ArrowProposal>,
    /// Proposed by the program or confirmed by a person.
    #[serde(default)]
    pub state: EntryState,
    /// How it came into the record.
    #[serde(default)]
    pub source: EntrySource,
    /// The shaft's lean; `None` if it can't be seen.
    #[serde(default)]
    pub lean: Option<Lean>,
    /// Which centre of a face with several spots, from 1.
    #[serde(default)]
    pub spot: Option<u32>,
    /// Thickness of the shaft, mm.
    #[serde(default)]
    pub thickness_mm: Option<f64>,
    /// Entry and nock in the picture, px.
    #[serde(default)]
    pub segment_px: Option<[[f64; 2]; 2]>,
    /// Where the program had the entry before a person moved it, mm.
    #[serde(default)]
    pub found_mm: Option<[f64; 2]>,
    /// Fields that this version doesn't know.
    #[serde(flatten)]
    pub extra: Extra,
}

/// The arrow that an entry probably is.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ArrowProposal {
    /// The arrow's own mark, as the set-up gives it.
    pub arrow: String,
    /// Probability that it is this arrow.
    pub p: f64,
}

/// Whether a person has checked an entry.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum EntryState {
    /// By the program.
    #[default]
    Proposed,
    /// By a person.
    Confirmed,
}

/// How an entry came into the record.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum EntrySource {
    /// Found in the photo.
    #[default]
    Found,
    /// Found, then moved by a person.
    Moved,
    /// Added by a person.
    Added,
    /// Measured with a tape.
    Tape,
}

/// A shaft's lean: the direction towards the nock relative to the face's normal.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Lean {
    /// To the right, degrees.
    pub right_deg: f64,
    /// Up, degrees.
    pub up_deg: f64,
    /// Standard deviation of each, degrees.
    pub sd_deg: f64,
}

/// A proposal counts as a shot from this confidence on; the reading's calibration has the same figure.
pub const MIN_COUNTED_CONFIDENCE: f64 = 0.5;

impl Entry {
    /// Whether it counts as a shot: all but proposals of little or no stated confidence.
    #[must_use]
    pub fn counts(&self) -> bool {
        self.state != EntryState::Proposed
            || self.confidence.is_some_and(|c| c >= MIN_COUNTED_CONFIDENCE)
    }
}

/// A shot that left no entry.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Missed {
    /// Its kind.
    pub kind: ArrowKind,
    /// Where it went, in words.
    #[serde(default)]
    pub note: Option<String>,
    /// Which way it went, such as `left` or `low-left`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub direction: Option<String>,
    /// Fields that this version doesn't know.
    #[serde(flatten)]
    pub extra: Extra,
}

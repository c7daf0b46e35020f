//! What a reading has to say beside its numbers: codes with their values; `text::reading` makes the sentences.

use super::MissedShots;
use crate::record::{ArrowKind, HistoryRemarkKind, Remark, written};
use serde::Deserialize;

/// A caution, or the reason why nothing could be read.
pub type Caution = Remark<CautionKind>;

/// What a caution or a failure names. Lengths in millimetres at the distance shot, distances in metres, ends as the archer
/// calls them.
#[derive(Clone, Debug, PartialEq)]
pub enum CautionKind {
    /// No distance is given.
    NoDistance,
    /// No drawing hand is given.
    NoHand,
    /// So few shots of each kind count; at least `least` should.
    FewShots {
        /// Fletched shots that count.
        fletched: usize,
        /// Bare shots that count.
        bare: usize,
        /// Shots of each kind that there should be.
        least: usize,
    },
    /// Too few shots for any reading.
    NoReading {
        /// Fletched shots that count.
        fletched: u32,
        /// Bare shots that count.
        bare: u32,
        /// Shots of each kind that there should be.
        least: usize,
    },
    /// The calibration file can't be read.
    Assumptions(String),
    /// Ends that hold other numbers of shots than were given.
    CountDiffers(Vec<CountDiffers>),
    /// Entries left out: nobody has confirmed what they are.
    Unconfirmed(Vec<EntryName>),
    /// Entries left out: their coordinates are no place on a boss.
    NoPlace(Vec<EntryName>),
    /// Number of shots that count though no person has confirmed them.
    NotChecked(usize),
    /// Shots that missed the boss.
    Missed(MissedShots),
    /// Entries between two spots.
    BetweenSpots(Vec<EntryName>),
    /// Shots at several spots whose places the record doesn't hold.
    NoSpots,
    /// Shot from so near.
    ShortDistance(f64),
    /// Shot from so far.
    LongDistance(f64),
    /// A tolerance that is no tune: given, used and allowed, mm at 30 m.
    ToleranceRange {
        /// Given.
        given_mm: f64,
        /// Used instead.
        used_mm: f64,
        /// Least and most.
        range_mm: [f64; 2],
    },
    /// Two shots on either side of the other group, on which of the axes [x, y].
    EitherSide([bool; 2]),
    /// Farther to the side than tuning takes up.
    WrongSpine {
        /// How far.
        offset_mm: f64,
        /// From where.
        distance_m: f64,
    },
    /// Groups (fletched sd, [x, y]) so wide that more shots would hardly decide anything.
    WideScatter([f64; 2]),
    /// The roll of the photo isn't known well enough.
    Roll,
    /// The lean of the shafts contradicts the offset.
    Lean,
    /// Shots that are probably bad ones.
    Outliers(Vec<NamedOutlier>),
    /// Shots that may be bad ones.
    PossibleOutliers(Vec<NamedOutlier>),
    /// Arrows that keep landing apart, and kinds of which one of two does.
    OddArrows {
        /// The arrows.
        arrows: Vec<OddArrow>,
        /// Kinds with two arrows that land apart.
        of_two: Vec<ArrowKind>,
    },
    /// One mark on two arrows of an end.
    MixedArrows {
        /// The mark.
        mark: String,
        /// The end.
        end: String,
    },
    /// Ends in which one kind was shot wholly before the other.
    NotAlternate(Vec<String>),
    /// Weight of the rear end, bare minus fletched, gr.
    DifferentMass(f64),
    /// Records of so many set-ups or bows were given together.
    MixedSetups(usize),
    /// The distances that one set-up's ends were shot from.
    SeveralDistances(Vec<Option<f64>>),
    /// Something about the records as a whole.
    History(HistoryRemarkKind),
    /// A sentence as it stood in a document.
    Written(String),
}

/// An entry, by its id and its end.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EntryName {
    /// Its end, as the archer calls it.
    pub end: String,
    /// The entry's id.
    pub id: u64,
    /// Its kind.
    pub kind: ArrowKind,
    /// The arrow's own mark.
    pub arrow: Option<String>,
}

/// An end that holds another number of shots of a kind than was given.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CountDiffers {
    /// The end.
    pub end: String,
    /// The kind.
    pub kind: ArrowKind,
    /// The number given.
    pub given: usize,
    /// The number there, missed shots counted in.
    pub counted: usize,
}

/// A shot that may be a bad one.
#[derive(Clone, Debug, PartialEq)]
pub struct NamedOutlier {
    /// The shot.
    pub shot: EntryName,
    /// Probability that it is a bad one.
    pub p_outlier: f64,
}

/// An arrow that keeps landing apart from the others of its kind.
#[derive(Clone, Debug, PartialEq)]
pub struct OddArrow {
    /// Its kind.
    pub kind: ArrowKind,
    /// Its mark.
    pub mark: String,
    /// How far it lands from the others, mm.
    pub distance_mm: f64,
    /// It takes no part in the reading.
    pub left_out: bool,
}

written!(CautionKind, MoreShotsReason);

impl From<HistoryRemarkKind> for CautionKind {
    fn from(about: HistoryRemarkKind) -> Self {
        Self::History(about)
    }
}

/// Why more shots would, or would not, decide what these don't.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(from = "String")]
pub enum MoreShotsReason {
    /// With so many more the open axes would be decided; what two more ends would do.
    Pairs {
        /// Axes that are open, 0 = left and right, 1 = height.
        open: Vec<usize>,
        /// What more ends like these would bring.
        ahead: TwoMoreEnds,
    },
    /// The groups are too wide.
    TooWide {
        /// The axis.
        axis: usize,
        /// Scatter of the fletched shots, sd, mm.
        scatter_mm: f64,
        /// The scatter that would do, mm.
        enough_mm: f64,
    },
    /// The offset on this axis lies too near the limit; what two more ends would do.
    Close {
        /// The axis.
        axis: usize,
        /// What more ends like these would bring.
        ahead: TwoMoreEnds,
    },
    /// Each axis is inside, both together aren't shown yet; whether more shots would show it.
    BothInside {
        /// So many more shots would.
        in_reach: bool,
    },
    /// A sentence as it stood in a document.
    Written(String),
}

/// What two more ends like these would bring.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TwoMoreEnds {
    /// Shots of each kind in them.
    pub pairs: f64,
    /// For each open axis: which, the probability that it will be decided, and whether beyond the tolerance more probably
    /// than within.
    pub axes: Vec<(usize, f64, bool)>,
}

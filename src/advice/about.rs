//! What an advice has to say beside its numbers: codes with their values; `text::advice` makes the sentences.

use super::contradictions::Contradiction;
use super::{Action, Axis, BestSetup, Check, MissedBare, VerifyWhen};
use crate::reading::{self, MoreShotsReason};
use crate::record::{Hand, HistoryRemarkKind, Lever, Remark, written};
use serde::Deserialize;

/// A caution, or the reason why nothing can be advised.
pub type Caution = Remark<CautionKind>;

/// What a caution or a failure names.
#[derive(Clone, Debug, PartialEq)]
pub enum CautionKind {
    /// Who decides, and what is looked at before every session.
    WhoDecides,
    /// A bare shaft can miss the boss.
    BareShaftsStray,
    /// How limb bolts are turned.
    LimbBolts,
    /// No more draw weight than is held with good form.
    DrawWeightForm,
    /// What has to be safe before a cut.
    SafeLength,
    /// How carbon is cut.
    CuttingCarbon,
    /// What to mind with new shafts.
    NewShafts,
    /// The arrow's least weight for the draw weight.
    ArrowWeight,
    /// What has to be looked up before the change.
    LookUp(Vec<LookUp>),
    /// A change that didn't do what was to be expected.
    Contradiction {
        /// What was expected and seen.
        found: Contradiction,
        /// The hand that draws.
        hand: Option<Hand>,
    },
    /// What to set again after a change of draw weight.
    AfterDrawWeight {
        /// How much higher the arrows land, mm at the distance shot.
        higher_mm: Option<f64>,
        /// That distance, m.
        distance_m: f64,
    },
    /// What to set again after a cut.
    AfterCut,
    /// What to set again after a step of the rest.
    AfterRest,
    /// In tune by all ends, though those with the present set-up leave it open.
    ByEarlierEnds {
        /// Ends with the present set-up.
        ends: usize,
        /// Probability of being in tune by these alone.
        own: f64,
        /// The same by all ends, with the changes between them.
        all: f64,
    },
    /// What comes once the bow is in tune.
    AfterTune,
    /// Where the fletched group sits against the middle of the face, mm.
    SightOff {
        /// To the right.
        x_mm: f64,
        /// Up.
        y_mm: f64,
        /// From where, m.
        distance_m: f64,
    },
    /// Several levers of one axis were adjusted at once.
    Several(Vec<Lever>),
    /// Bare shafts that stand crooked while they land close, degrees.
    Crooked(f64),
    /// The arrow is lighter than it should be for the bow, gr per lb.
    LightArrow(f64),
    /// The shafts are shorter than the archer's own safe length, mm.
    ShortShafts([f64; 2]),
    /// A nocking point outside the usual, mm, and the usual.
    NockingPointOut([f64; 3]),
    /// What the bow is tuned for, and what can be tuned there, m.
    Goal(f64),
    /// No set-up is given: a middle bow is taken.
    UnknownSetup {
        /// Its draw weight.
        draw_weight_lb: f64,
        /// The spine of its shafts.
        shaft_spine: f64,
    },
    /// Nothing is left within the limits.
    AtLimits {
        /// On these axes.
        axes: Vec<Axis>,
        /// The arrow acts weak, not stiff.
        weak: bool,
        /// The shafts' length, or the shortest safe one, isn't known.
        no_safe_length: bool,
        /// The archer is growing: cuts are left out unless they are asked for.
        growing: bool,
    },
    /// Height is in tune, left and right can't be read without the hand.
    NoHand,
    /// Nothing is called without the distance.
    NoDistance,
    /// No record can be used.
    NoRecords,
    /// Something about the reading.
    Reading(reading::CautionKind),
    /// Something about the records as a whole.
    History(HistoryRemarkKind),
    /// A sentence as it stood in a document.
    Written(String),
}

impl From<reading::CautionKind> for CautionKind {
    fn from(about: reading::CautionKind) -> Self {
        Self::Reading(about)
    }
}

impl From<HistoryRemarkKind> for CautionKind {
    fn from(about: HistoryRemarkKind) -> Self {
        Self::History(about)
    }
}

/// What the set-up doesn't hold and a change needs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LookUp {
    /// How far the limb bolts are out, and how far they may be.
    BoltTravel,
    /// Which points are at hand.
    Points,
    /// Where the plunger stands.
    Plunger,
    /// Where nocking point or rest stands.
    Height,
    /// Which spines can be had.
    Spines,
    /// All that a change needs to be sized.
    ToSize(Action),
}

/// What to do.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(from = "String")]
pub enum Instruction {
    /// A change of known size.
    Amount {
        /// The change.
        change: Action,
        /// By how much, in its unit, signed.
        amount: f64,
        /// The setting now.
        from: Option<f64>,
        /// The setting afterwards.
        to: Option<f64>,
        /// Quarter turns of each limb bolt, + = in.
        quarter_turns: Option<i64>,
        /// Spines worth trying, lowest first.
        spines: Option<[f64; 2]>,
    },
    /// A change of which only the direction is known.
    Direction {
        /// The change.
        change: Action,
        /// Its amount would be positive.
        more: bool,
    },
    /// Shafts between these spines, of which none is at hand.
    OtherSpines([f64; 2]),
    /// Nothing changed, more shots.
    ShootMore {
        /// Of each kind.
        pairs: u32,
        /// From where.
        distance_m: f64,
        /// After a look at the entries left out.
        look_first: bool,
    },
    /// Nothing changed, looked at again.
    Verify {
        /// When.
        when: VerifyWhen,
        /// Shots of each kind.
        pairs: u32,
        /// Distance shot from so far, m.
        distance_m: f64,
    },
    /// Nothing changed, more shots, for a reason.
    Shoot {
        /// Of each kind.
        pairs: u32,
        /// From where, m.
        distance_m: f64,
        /// Why.
        cause: ShootCause,
        /// The hand that draws.
        hand: Option<Hand>,
    },
    /// Something to look at.
    Check {
        /// What.
        checks: Vec<Check>,
        /// Why.
        cause: CheckCause,
    },
    /// The newest change is undone.
    PutBack {
        /// What.
        change: Action,
        /// From and to.
        span: [Option<f64>; 2],
        /// Quarter turns of each limb bolt, + = in.
        quarter_turns: Option<i64>,
    },
    /// A change, and then the next end from nearer.
    ThenNearer {
        /// The change.
        step: Box<Instruction>,
        /// From where, m.
        distance_m: f64,
    },
    /// Neutral at the distance that the archer tunes for.
    GoalReached {
        /// Shots of each kind.
        pairs: u32,
        /// That distance, m.
        distance_m: f64,
    },
    /// Nothing to do: in tune.
    InTune,
    /// Nothing that may be changed helps.
    NothingLeft,
    /// A sentence as it stood in a document.
    Written(String),
}

/// The reasons for a step, in order.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(from = "String")]
pub struct Reasons(pub Vec<Reason>);

/// One reason for a step. Offsets are the signed ones of the bare shafts, mm.
#[derive(Clone, Debug, PartialEq)]
pub enum Reason {
    /// Where the bare shafts land.
    Offset(OffsetEstimate),
    /// So far out that only other shafts will do.
    WrongSpine,
    /// In tune is shown sooner with this small step: ends to go as things are, and after it.
    ShownSooner([f64; 2]),
    /// What the change does to the arrow.
    Effect {
        /// The change.
        change: Action,
        /// Its amount is positive.
        more: bool,
    },
    /// Probability of going past zero.
    PastZero(f64),
    /// What it means if the shift to expect doesn't come.
    Otherwise(Action),
    /// Made together with another change of the same axis.
    Together {
        /// It takes part of the other back.
        takes_back: bool,
        /// Shift of both, mm.
        both_mm: f64,
        /// Of this axis.
        axis: Axis,
        /// The hand that draws.
        hand: Option<Hand>,
    },
    /// The reading hasn't decided this axis; probability of the side.
    ReadingUndecided(f64),
    /// The reading gives another offset, mm (x or y) at the distance shot.
    ReadingDiffers {
        /// Of this axis.
        axis: Axis,
        /// The reading's offset.
        offset_mm: f64,
        /// Why it differs.
        because: DifferenceCause,
    },
    /// How far to go at first where the set-up isn't known.
    FirstStep(Action),
    /// Which way the bare shafts should come.
    ShouldCome {
        /// Along this axis.
        axis: Axis,
        /// Positive or negative.
        shift: f64,
        /// The hand that draws.
        hand: Option<Hand>,
    },
    /// What more shots would bring.
    MoreShots {
        /// The reading's outlook.
        outlook: MoreShotsReason,
        /// They would decide.
        decide: bool,
    },
    /// The shots don't decide.
    NotDecided,
    /// Why shots come first.
    Shoot {
        /// Why.
        cause: ShootCause,
        /// The hand that draws.
        hand: Option<Hand>,
    },
    /// Why something is looked at first.
    Check {
        /// Why.
        cause: CheckCause,
        /// The hand that draws.
        hand: Option<Hand>,
    },
    /// Why the newest change is undone.
    PutBack {
        /// Why.
        cause: PutBackCause,
        /// The hand that draws.
        hand: Option<Hand>,
    },
    /// The set-up nearest to tune so far.
    Best(BestSetup),
    /// Both axes are within the tolerance; what is still to be shown.
    WithinTolerance(Option<VerifyWhen>),
    /// A sentence as it stood in a document.
    Written(String),
}

/// Where the bare shafts land on an axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OffsetEstimate {
    /// The axis.
    pub axis: Axis,
    /// Where that is seen from, m.
    pub distance_m: f64,
    /// Signed offset there, mm.
    pub offset_mm: f64,
    /// Its standard deviation.
    pub sd_mm: f64,
    /// The tolerance there, mm.
    pub tolerance_mm: f64,
    /// The hand that draws.
    pub hand: Option<Hand>,
}

/// Why more shots come before a change.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ShootCause {
    /// So few shots that anything can be chance.
    FewShots {
        /// Fletched.
        fletched: u32,
        /// Bare.
        bare: u32,
    },
    /// The shots of a kind form no group; scatter per axis at 30 m, mm.
    NoGroup(f64),
    /// All were shot from beyond where tuning can be read.
    TooFar,
    /// A step that can't be undone needs shots from 30 m.
    From30,
    /// The bare shafts missed the boss.
    Missed(MissedBare),
    /// What is wanted is so small that one end doesn't decide it.
    SmallStep,
    /// What is left can't be undone, and more shots are needed for it.
    BeforeIrreversible,
    /// This lever was changed after the newest end.
    Changed(Lever),
}

/// Why something is looked at before anything is changed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum CheckCause {
    /// Entries that nobody has confirmed.
    Tags(usize),
    /// So many shots landed with the other kind.
    SwappedTags(usize),
    /// Bare shafts of another mass, gr, and the horizontal signed offset at 30 m that this alone makes, mm.
    Mass {
        /// Bare minus fletched.
        grains: f64,
        /// What it makes.
        effect_mm: f64,
    },
    /// The masses aren't known, and a cut would rest on them.
    UnknownMass,
    /// The newest change moved nothing.
    DidNothing(Contradiction),
    /// The newest change did something else than it should have.
    Unexpected(Contradiction),
    /// The shafts lean against what the offset says.
    Lean,
    /// In tune, but the bare shafts stand crooked, degrees.
    Crooked(f64),
    /// Groups so many times wider than before, and the change can't be put back.
    Worse(f64),
    /// What is left can't be undone, and something contradicts.
    BeforeIrreversible,
}

/// Why the newest change is put back.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum PutBackCause {
    /// It went the wrong way.
    WrongWay(Contradiction),
    /// Groups are so many times wider than before.
    Worse(f64),
}

/// Why the offset of a step isn't that of the reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DifferenceCause {
    /// The reading's is at the distance shot.
    Distance,
    /// The step's comes from the ends before the changes too.
    EarlierEnds,
    /// The reading's also takes account of how far bows usually are out.
    Prior,
}

written!(CautionKind, Instruction, Reason);

impl From<String> for Reasons {
    fn from(text: String) -> Self {
        Self(vec![text.into()])
    }
}

impl From<&str> for Reasons {
    fn from(text: &str) -> Self {
        text.to_owned().into()
    }
}

//! The loop as an archer plays it: shoot an end, ask, do what is said, shoot again. Nothing passes between the bow and the
//! advice but records and the change proposed.

use crate::bows::{Bow, EIGHTH, Reach, TOLERANCE, Turn};
use bossmark::advice::{
    Action, AdviceOptions, Knowledge, ReadingCache, Step, StepKind, advise_with,
};
use bossmark::reading::Reading;
use bossmark::record::{History, RecordFile};
use std::collections::BTreeMap;

/// Ends a bow gets before the archer gives up.
pub(crate) const MAX_ENDS: usize = 40;

/// How a bow's evening ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Outcome {
    /// Said to be in tune.
    DeclaredInTune,
    /// Nothing left that may be changed.
    AtLimits,
    /// All ends shot.
    OutOfEnds,
}

/// What became of one bow.
#[derive(Clone, Debug)]
pub(crate) struct Played {
    pub(crate) outcome: Outcome,
    pub(crate) ends: usize,
    /// The true offset at the end.
    pub(crate) offset: [f64; 2],
    /// Mean scatter of the fletched shots, mm.
    pub(crate) sigma: f64,
    /// Changes made, and what each did.
    pub(crate) changes: Vec<Made>,
    pub(crate) contradictions: usize,
    /// Steps that can't be undone, made before their gates.
    pub(crate) ungated: usize,
    /// Every end in a line: what was advised after it, and the true offset.
    pub(crate) log: Vec<String>,
    /// Ends after which nothing was changed, by what was asked for instead.
    pub(crate) waits: BTreeMap<String, usize>,
    /// Ends of those with both axes truly inside the tolerance.
    pub(crate) waits_in_tune: usize,
    /// What could still have brought each axis to within the tolerance when it ended.
    pub(crate) reach: [Reach; 2],
}

impl Played {
    /// Before the first end: as if it never came to an end.
    pub(crate) fn new(bow: &Bow) -> Self {
        Self {
            outcome: Outcome::OutOfEnds,
            ends: MAX_ENDS,
            offset: [0.0; 2],
            sigma: bow.sigma(),
            changes: Vec::new(),
            contradictions: 0,
            ungated: 0,
            log: Vec::new(),
            waits: BTreeMap::new(),
            waits_in_tune: 0,
            reach: Default::default(),
        }
    }

    /// Both axes truly inside so many tolerances when it ended.
    pub(crate) fn within(&self, factor: f64) -> bool {
        self.offset.iter().all(|d| d.abs() <= factor * TOLERANCE)
    }

    /// Counts an end after which nothing is changed.
    fn wait(&mut self, next: &Step, bow: &Bow) {
        let text = format!("{:?}", next.detail);
        // the detail's name, and its cause's where it has one
        let name =
            |text: &str| -> String { text.chars().take_while(|c| c.is_alphabetic()).collect() };
        let mut key = name(&text);
        if let Some((_, cause)) = text.split_once("cause: ") {
            key = format!("{key} {}", name(cause));
        }
        *self.waits.entry(key).or_default() += 1;
        let inside = bow.offset().iter().all(|d| d.abs() <= TOLERANCE);
        self.waits_in_tune += usize::from(inside);
    }

    /// The evening in a line: how it ended, and each change with the true offset of its axis before and after.
    pub(crate) fn story(&self) -> String {
        let [u, v] = self.offset;
        let mut story = format!(
            "{:?} after {} ends at {u:.0} {v:.0}, scatter {:.0}",
            self.outcome, self.ends, self.sigma
        );
        for axis in [0, 1] {
            if self.offset[axis].abs() > TOLERANCE {
                let Reach {
                    alone,
                    undoable,
                    all,
                } = &self.reach[axis];
                story.push_str(&format!(
                    ", could {alone:?}, together {undoable}, with shafts {all}"
                ));
            }
        }
        story.push(':');
        for made in &self.changes {
            story.push_str(&format!(
                " {}) {}{:?} {:+} ({:.0} > {:.0}{})",
                made.end,
                ["", "height: "][made.axis],
                made.turn.change,
                made.turn.amount,
                made.before,
                made.after,
                made.expected
                    .map_or_else(String::new, |[shift, sd]| format!(
                        ", expected {shift:+.0} ± {sd:.0}"
                    ))
            ));
        }
        story
    }
}

/// A change that was made.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Made {
    pub(crate) turn: Turn,
    /// The axis that it was for: 0 horizontal, 1 vertical.
    pub(crate) axis: usize,
    /// True offset of that axis before and after.
    pub(crate) before: f64,
    pub(crate) after: f64,
    /// The end after which it was made.
    pub(crate) end: usize,
    /// Shift expected of it and its sd, if it was declared.
    pub(crate) expected: Option<[f64; 2]>,
}

impl Made {
    /// It moved an axis that was out of tune further out.
    pub(crate) fn wrong_way(&self) -> bool {
        self.before.abs() > TOLERANCE && self.before * (self.after - self.before) > 0.0
    }

    /// Eighths of an inch cut.
    pub(crate) fn cut(&self) -> f64 {
        if self.turn.change == Action::ShaftLength {
            -self.turn.amount / EIGHTH
        } else {
            0.0
        }
    }

    /// A cut that went past zero by more than the tolerance.
    pub(crate) fn overshoots(&self) -> bool {
        self.cut() > 0.0 && self.before * self.after < 0.0 && self.after.abs() > TOLERANCE
    }

    /// How many sd the true shift lies from the one expected.
    pub(crate) fn miss(&self) -> Option<f64> {
        let [shift, sd] = self.expected?;
        Some((self.after - self.before - shift).abs() / sd)
    }
}

/// Plays a bow by the advice until it is said to be in tune.
pub(crate) fn play(mut bow: Bow, options: &AdviceOptions, knowledge: &Knowledge) -> Played {
    let mut records = Vec::new();
    let mut readings = ReadingCache::default();
    let mut played = Played::new(&bow);
    for number in 1..=MAX_ENDS {
        records.push(RecordFile {
            file: format!("{number}.json"),
            line: 1,
            end: bow.shoot(number),
        });
        let history = History::new(records.clone());
        let advice = advise_with(&history, options, knowledge, &mut readings);
        let contradicts = advice.cautions.iter().any(|n| n.code == "contradiction");
        played.contradictions += usize::from(contradicts);
        let next = advice.next.expect("an advice");
        played.log.push(line(number, &advice.reading, &next, &bow));
        if advice.done {
            played.outcome = Outcome::DeclaredInTune;
        } else if next.kind == StepKind::Check && next.change == Action::Check {
            played.wait(&next, &bow);
            bow.checked
                .extend(next.checks.iter().map(|c| c.code().to_owned()));
            continue;
        } else if matches!(next.kind, StepKind::Shoot) {
            played.wait(&next, &bow);
            continue;
        } else if Bow::turn(&next).is_none() {
            // nothing left, or other shafts needed that can't be had
            played.outcome = Outcome::AtLimits;
        }
        if played.outcome != Outcome::OutOfEnds {
            played.ends = number;
            break;
        }
        played.ungated +=
            usize::from(next.kind == StepKind::Irreversible && !next.gates.is_empty());
        for step in std::iter::once(&next).chain(&advice.also) {
            played.changes.extend(change(&mut bow, step, number));
        }
    }
    played.offset = bow.offset();
    played.reach = [0, 1].map(|axis| bow.reach(axis));
    played
}

/// What was read and advised after an end, with the true offset then.
fn line(number: usize, reading: &Reading, next: &Step, bow: &Bow) -> String {
    let [u, v] = bow.offset();
    let text = format!("{:?}", next.detail);
    let short: String = text.chars().take(150).collect();
    let read = reading.offset.map_or_else(String::new, |o| {
        let x = if bow.archer.left { -o.x_mm } else { o.x_mm };
        format!(
            "{x:.0} ± {:.0}, {:.0} ± {:.0}",
            o.sd_x_mm, o.y_mm, o.sd_y_mm
        )
    });
    let inside = reading.horizontal.p_neutral.zip(reading.vertical.p_neutral);
    let inside = inside.map_or(0.0, |(u, v)| u * v);
    format!(
        "{number:4} {:?} at {u:.0} {v:.0}, read {read}, inside {inside:.2}: {short}",
        next.kind
    )
}

fn change(bow: &mut Bow, step: &Step, end: usize) -> Option<Made> {
    let turn = Bow::turn(step)?;
    let expect = step.expect?;
    let axis = usize::from(is_vertical(step.change));
    let expected = if axis == 1 {
        [expect.y_mm, expect.sd_y_mm?]
    } else {
        let mirror = if bow.archer.left { -1.0 } else { 1.0 };
        [mirror * expect.x_mm, expect.sd_x_mm?]
    };
    let before = bow.offset()[axis];
    bow.make(turn);
    Some(Made {
        turn,
        axis,
        end,
        before,
        after: bow.offset()[axis],
        expected: Some(expected),
    })
}

/// Whether a change is one of the height.
pub(crate) fn is_vertical(change: Action) -> bool {
    matches!(change, Action::RestHeight | Action::NockingPoint)
}

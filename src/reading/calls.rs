//! The calls: each axis alone, from the masses of its posterior beyond and inside the tolerance.

use super::posterior::AxisPosterior;
use super::{Assumptions, Horizontal, HorizontalCall, Posterior, Shot, Vertical, VerticalCall};
use crate::math::{round_i64, rounded};
use crate::record::{ArrowKind, Hand};

/// Probabilities are written to this many decimals.
const DECIMALS: i32 = 4;

/// What one axis shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum AxisCall {
    /// d > 0 and probably beyond the tolerance.
    Positive,
    /// d < 0 and probably beyond the tolerance.
    Negative,
    /// Inside the tolerance.
    Neutral,
    /// Not decided.
    Undecided,
}

impl AxisCall {
    /// The call from the posterior alone, of so many shots of each kind.
    pub(super) fn of(
        axis: &AxisPosterior,
        shots: f64,
        tolerance: f64,
        assumptions: &Assumptions,
    ) -> Self {
        let inside = axis.within(tolerance);
        if inside >= assumptions.neutral_from(shots) {
            return Self::Neutral;
        }
        if 1.0 - inside <= assumptions.side_outside_probability {
            return Self::Undecided;
        }
        let odds = assumptions.side_odds;
        if axis.above(tolerance) >= odds * axis.below(0.0) {
            Self::Positive
        } else if axis.below(-tolerance) >= odds * axis.above(0.0) {
            Self::Negative
        } else {
            Self::Undecided
        }
    }
}

/// The calls of both axes, [x, y], and on which of them two shots of a kind lie on either side of the other group.
pub(super) struct Calls {
    pub(super) axes: [AxisCall; 2],
    pub(super) either_side: [bool; 2],
}

impl Calls {
    pub(super) fn of(
        posterior: &Posterior,
        shots: &[Shot],
        tolerance: f64,
        assumptions: &Assumptions,
    ) -> Self {
        let fewest = posterior.fletched.min(posterior.bare);
        let few = fewest < assumptions.least_shots;
        let either_side = [0, 1].map(|axis| lies_either_side(shots, axis));
        let axes = [0, 1].map(|axis: usize| {
            if few || either_side[axis] {
                AxisCall::Undecided
            } else {
                AxisCall::of(&posterior.axes[axis], fewest as f64, tolerance, assumptions)
            }
        });
        Self { axes, either_side }
    }

    /// Nothing called, for want of a distance.
    pub(super) fn none() -> Self {
        Self {
            axes: [AxisCall::Undecided; 2],
            either_side: [false; 2],
        }
    }
}

/// A kind has just two shots, and one lies before all, the other behind all shots of the other kind in its end.
fn lies_either_side(shots: &[Shot], axis: usize) -> bool {
    [ArrowKind::Fletched, ArrowKind::Bare]
        .into_iter()
        .any(|kind| {
            let pair: Vec<&Shot> = shots.iter().filter(|shot| shot.kind == kind).collect();
            let [a, b] = pair.as_slice() else {
                return false;
            };
            let sides = [a, b].map(|shot| side_of_others(shots, shot, axis));
            matches!(sides, [-1, 1] | [1, -1])
        })
}

/// −1 before all shots of the other kind in the shot's end, 1 behind them all, else 0.
fn side_of_others(shots: &[Shot], shot: &Shot, axis: usize) -> i8 {
    let place = shot.place_mm[axis];
    let mut others = shots
        .iter()
        .filter(|other| other.end == shot.end && other.kind != shot.kind)
        .map(|other| other.place_mm[axis])
        .peekable();
    if others.peek().is_none() {
        return 0;
    }
    let (mut before, mut behind) = (true, true);
    for other in others {
        before &= place < other;
        behind &= place > other;
    }
    i8::from(behind) - i8::from(before)
}

/// The horizontal call in the archer's terms; without a hand undecided.
pub(super) fn horizontal(
    call: AxisCall,
    axis: &AxisPosterior,
    tolerance: f64,
    hand: Option<Hand>,
) -> Horizontal {
    let Some(hand) = hand else {
        return Horizontal {
            call: HorizontalCall::Undecided,
            p_weak: None,
            p_stiff: None,
            p_neutral: None,
        };
    };
    let [below, inside, above] = masses(axis, tolerance);
    // bare shafts to the right mean weak for a right-hander and stiff for a left-hander
    let (p_weak, p_stiff) = match hand {
        Hand::Right => (above, below),
        Hand::Left => (below, above),
    };
    let call = match (call, hand) {
        (AxisCall::Neutral, _) => HorizontalCall::Neutral,
        (AxisCall::Undecided, _) => HorizontalCall::Undecided,
        (AxisCall::Positive, Hand::Right) | (AxisCall::Negative, Hand::Left) => {
            HorizontalCall::Weak
        }
        (AxisCall::Negative, Hand::Right) | (AxisCall::Positive, Hand::Left) => {
            HorizontalCall::Stiff
        }
    };
    Horizontal {
        call,
        p_weak: Some(p_weak),
        p_stiff: Some(p_stiff),
        p_neutral: Some(inside),
    }
}

/// The vertical call: bare shafts high means that the nocking point is too low, whatever the hand.
pub(super) fn vertical(call: AxisCall, axis: &AxisPosterior, tolerance: f64) -> Vertical {
    let [below, inside, above] = masses(axis, tolerance);
    Vertical {
        call: match call {
            AxisCall::Neutral => VerticalCall::Neutral,
            AxisCall::Undecided => VerticalCall::Undecided,
            AxisCall::Positive => VerticalCall::NockLow,
            AxisCall::Negative => VerticalCall::NockHigh,
        },
        p_nock_high: Some(below),
        p_nock_low: Some(above),
        p_neutral: Some(inside),
    }
}

/// P(d < −τ), P(|d| ≤ τ), P(d > τ) as written: rounded so that they add to one.
fn masses(axis: &AxisPosterior, tolerance: f64) -> [f64; 3] {
    let exact = [
        axis.below(-tolerance),
        axis.within(tolerance),
        axis.above(tolerance),
    ];
    let unit = 10f64.powi(DECIMALS);
    let mut parts = exact.map(|p| round_i64(p * unit));
    let missing = round_i64(unit) - parts.iter().sum::<i64>();
    if let Some(largest) = parts.iter_mut().max() {
        *largest += missing;
    }
    parts.map(|part| rounded(part as f64 / unit, DECIMALS))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shot(end: usize, kind: ArrowKind, x: f64) -> Shot {
        Shot {
            end,
            id: 0,
            kind,
            place_mm: [x, 0.0],
            variance_mm2: [1.0, 1.0],
            arrow: None,
        }
    }

    #[test]
    fn two_bare_shots_on_either_side() {
        use ArrowKind::{Bare, Fletched};
        let group = [
            shot(0, Fletched, -10.0),
            shot(0, Fletched, 0.0),
            shot(0, Fletched, 12.0),
        ];
        let with = |bare: [f64; 2]| {
            let mut shots = group.to_vec();
            shots.extend(bare.map(|x| shot(0, Bare, x)));
            shots
        };
        assert!(lies_either_side(&with([-60.0, 55.0]), 0));
        assert!(!lies_either_side(&with([-5.0, 55.0]), 0));
        assert!(!lies_either_side(&with([40.0, 55.0]), 0));
        let mut three = with([-60.0, 55.0]);
        three.push(shot(0, Bare, 50.0));
        assert!(!lies_either_side(&three, 0));
    }
}

//! The rule of thumb, played on the same bows: plain means of the last end, both axes at once.

use crate::bows::{Bow, EIGHTH, TOLERANCE, Turn};
use crate::play::{MAX_ENDS, Made, Outcome, Played, is_vertical};
use bossmark::advice::Action;
use bossmark::record::{ArrowKind, End};

/// Plays a bow by the rule of thumb: in tune when so many ends in a row have their means inside the tolerance.
pub(crate) fn play(mut bow: Bow, in_a_row: usize) -> Played {
    let mut played = Played::new(&bow);
    let mut inside = 0;
    for number in 1..=MAX_ENDS {
        let seen = means(&bow.shoot(number), bow.archer.left);
        if seen.iter().all(|d| d.abs() <= TOLERANCE) {
            inside += 1;
            if inside == in_a_row {
                played.outcome = Outcome::DeclaredInTune;
                played.ends = number;
                break;
            }
            continue;
        }
        inside = 0;
        let wanted = [sideways(&bow, seen[0]), upright(&bow, seen[1])];
        for turn in wanted.into_iter().flatten() {
            let axis = usize::from(is_vertical(turn.change));
            let before = bow.offset()[axis];
            bow.make(turn);
            played.changes.push(Made {
                turn,
                axis,
                end: number,
                before,
                after: bow.offset()[axis],
                expected: None,
            });
        }
    }
    played.offset = bow.offset();
    played
}

/// Bare minus fletched of an end's plain means: (u, v).
fn means(end: &End, left: bool) -> [f64; 2] {
    let mean = |kind: ArrowKind| -> [f64; 2] {
        let all: Vec<_> = end.entries.iter().filter(|e| e.kind == kind).collect();
        let n = all.len() as f64;
        [
            all.iter().map(|e| e.x_mm).sum::<f64>() / n,
            all.iter().map(|e| e.y_mm).sum::<f64>() / n,
        ]
    };
    let (bare, fletched) = (mean(ArrowKind::Bare), mean(ArrowKind::Fletched));
    let mirror = if left { -1.0 } else { 1.0 };
    [mirror * (bare[0] - fletched[0]), bare[1] - fletched[1]]
}

/// A change by `amount`, or as far as the limit lets it go in whole steps; nothing at the limit.
fn within(bow: &Bow, change: Action, amount: f64, step: f64) -> Option<Turn> {
    let [low, high] = bow.range(change);
    let now = bow.now(change);
    // a bolt turned in by a quarter stands a quarter less out
    let each = if change == Action::DrawWeight {
        -0.25
    } else {
        1.0
    };
    let room = if amount * each > 0.0 {
        high - now
    } else {
        now - low
    };
    let most = (room / (step * each.abs()) + 1e-6).floor() * step;
    let amount = amount.signum() * amount.abs().min(most);
    (amount.abs() > 1e-9).then_some(Turn { change, amount })
}

fn sideways(bow: &Bow, u: f64) -> Option<Turn> {
    let (size, sign) = (u.abs(), u.signum());
    if size <= TOLERANCE {
        return None;
    }
    let shafts = || within(bow, Action::ShaftSpine, -50.0 * sign, 50.0);
    let bolts = || {
        let quarters = if size > 250.0 { 4.0 } else { 2.0 };
        within(bow, Action::DrawWeight, -quarters * sign, 1.0)
    };
    let cut = || {
        let weak = (sign > 0.0).then_some(-2.0 * EIGHTH)?;
        within(bow, Action::ShaftLength, weak, EIGHTH)
    };
    let point = || within(bow, Action::PointWeight, -10.0 * sign, 10.0);
    let plunger = || {
        let clicks = (3.0 * size / 25.4).round().max(1.0);
        within(bow, Action::Plunger, clicks * sign, 1.0)
    };
    let first = if size > 610.0 {
        shafts()
    } else if size > 100.0 {
        bolts()
    } else {
        None
    };
    first
        .or_else(|| if u > 75.0 { cut() } else { None })
        .or_else(|| if size > 100.0 { point() } else { None })
        .or_else(plunger)
        // what is left when those are used up
        .or_else(bolts)
        .or_else(cut)
        .or_else(point)
        .or_else(shafts)
}

fn upright(bow: &Bow, v: f64) -> Option<Turn> {
    if v.abs() <= TOLERANCE {
        return None;
    }
    let rest = || within(bow, Action::RestHeight, -0.5 * v.signum(), 0.5);
    let nock = || {
        let far = if v.abs() > 250.0 { 3.0 } else { 1.0 };
        within(bow, Action::NockingPoint, far * v.signum(), 0.5)
    };
    if v.abs() < 150.0 {
        rest().or_else(nock)
    } else {
        nock().or_else(rest)
    }
}

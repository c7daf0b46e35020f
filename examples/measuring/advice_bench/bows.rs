//! Hidden bows: what every change really does to the offset, and what the archer may change. 30 m, mm; nothing of a bow is
//! told but its records. They are wider than what the advice assumes: heavy-tailed slopes, bent response, cross-talk, play,
//! odd arrows.

use crate::population::{Archer, Random};
use bossmark::advice::{Action, Step};
use bossmark::record::{ArrowKind, End};
use serde_json::{Value, json};

/// Tolerance, mm at 30 m.
pub(crate) const TOLERANCE: f64 = 50.0;
/// An eighth of an inch, mm.
pub(crate) const EIGHTH: f64 = 3.175;

/// Which bows are drawn.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Draw {
    /// Mean scatter of the archers, mm: log-uniform between these.
    pub(crate) sigma: [f64; 2],
    /// Shots of each kind in an end.
    pub(crate) shots: usize,
    /// All hidden slopes are multiplied by this.
    pub(crate) slopes: f64,
    /// What goes wrong.
    pub(crate) trouble: Trouble,
}

/// What goes wrong on a bow, or with its archer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Trouble {
    /// Nothing.
    None,
    /// The limb bolts do nothing.
    Bolts,
    /// The groups double after the second end.
    Groups,
    /// Two bare shafts only.
    TwoBare,
    /// Every other end is shot from 18 m.
    Near,
    /// One shaft in ten carries the other kind's tag.
    Tags,
}

impl Default for Draw {
    fn default() -> Self {
        Self {
            sigma: [15.0, 80.0],
            shots: 3,
            slopes: 1.0,
            trouble: Trouble::None,
        }
    }
}

/// What one unit of a change does: on its own axis, and on the height beside it.
#[derive(Clone, Copy)]
struct Lever {
    change: Action,
    main: f64,
    cross: f64,
}

/// How the hidden linear state shows as an offset.
enum Response {
    Bent(f64),
    Stretched(f64),
    Straight,
}

impl Response {
    /// The hidden state that shows as this offset.
    fn state_of(&self, offset: f64) -> f64 {
        match self {
            Self::Bent(a) => a * (offset / a).sinh(),
            Self::Stretched(a) => a * (offset / a).asinh(),
            Self::Straight => offset,
        }
    }
}

/// What could still bring an axis to within the tolerance.
#[derive(Clone, Debug, Default)]
pub(crate) struct Reach {
    /// Levers that can alone.
    pub(crate) alone: Vec<Action>,
    /// Those that can be undone can together.
    pub(crate) undoable: bool,
    /// All together can.
    pub(crate) all: bool,
}

/// One change of a hidden bow, in the units of the levers: quarter turns for the bolts.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Turn {
    pub(crate) change: Action,
    pub(crate) amount: f64,
}

impl Random {
    /// A whole number from `low` to `high`, both included.
    fn whole(&mut self, low: i64, high: i64) -> i64 {
        low + (self.next() % (high - low + 1) as u64) as i64
    }

    /// Student's t with four degrees of freedom.
    fn t4(&mut self) -> f64 {
        let chi: f64 = (0..4).map(|_| self.normal().powi(2)).sum();
        self.normal() / (chi / 4.0).sqrt()
    }
}

/// A hidden bow.
pub(crate) struct Bow {
    pub(crate) archer: Archer,
    trouble: Trouble,
    /// Power with which the offset grows with the distance.
    growth: f64,
    /// What the archer has looked at since the last change.
    pub(crate) checked: Vec<String>,
    /// Draws of this bow's shots and changes.
    random: Random,
    state: f64,
    vertical: f64,
    response: Response,
    levers: Vec<Lever>,
    play: f64,
    last_click: f64,
    /// The set-up as the records tell it, with its limits.
    pub(crate) setup: Value,
}

impl Bow {
    /// The bow of this seed and number.
    pub(crate) fn new(seed: u64, at: usize, draw: Draw) -> Self {
        let mut r = Random::for_session(seed, 0, at);
        let (lb, spine, length_in, point) = [
            (24.0, 900.0, 28.5, 80.0),
            (36.0, 600.0, 29.0, 100.0),
            (46.0, 450.0, 30.0, 110.0),
        ][(r.next() % 3) as usize];
        let lb = (lb * (0.08 * r.normal()).exp() * 10.0f64).round() / 10.0;
        let left = r.chance(0.2);
        let mut levers = levers(&mut r, spine, draw.slopes);
        if draw.trouble == Trouble::Bolts {
            let bolts = levers.iter_mut().filter(|l| l.change == Action::DrawWeight);
            bolts.for_each(|l| (l.main, l.cross) = (0.0, 0.0));
        }
        let size = if r.chance(0.08) {
            r.uniform(600.0, 900.0)
        } else {
            r.uniform(0.0, 500.0)
        };
        let state = if r.chance(0.6) { size } else { -size };
        let bend = r.uniform(250.0, 1500.0);
        let kind = r.unit();
        let response = if kind < 0.45 {
            Response::Bent(bend)
        } else if kind < 0.7 {
            Response::Stretched(bend.max(500.0))
        } else {
            Response::Straight
        };
        let vertical = if r.chance(0.7) {
            120.0 * r.normal()
        } else {
            r.uniform(-400.0, 400.0)
        };
        let setup = setup(&mut r, lb, spine, length_in * 25.4, point);
        let [low, high] = draw.sigma;
        let sigma = low * (high / low).powf(r.unit());
        let archer = Archer {
            scatter: Archer::scatter(&mut r, sigma),
            bare_ratio: r.uniform(1.0, 1.5),
            outlier_rate: r.uniform(0.05, 0.15),
            own: Archer::arrows(&mut r, draw.shots, 0.15).0,
            measuring: r.uniform(1.0, 5.0),
            left,
        };
        Self {
            archer,
            state,
            vertical,
            response,
            levers,
            play: if r.chance(0.6) {
                r.uniform(0.0, 1.5)
            } else {
                0.0
            },
            last_click: 0.0,
            trouble: draw.trouble,
            growth: r.uniform(1.0, 1.6),
            checked: Vec::new(),
            setup,
            random: r,
        }
    }

    /// The true offset: u (positive acts weak), v (positive is bare high).
    pub(crate) fn offset(&self) -> [f64; 2] {
        let u = match self.response {
            Response::Bent(a) => a * (self.state / a).asinh(),
            Response::Stretched(a) => a * (self.state / a).clamp(-1.5, 1.5).sinh(),
            Response::Straight => self.state,
        };
        [u, self.vertical]
    }

    /// Mean scatter of the fletched shots, mm.
    pub(crate) fn sigma(&self) -> f64 {
        let [x, y] = self.archer.scatter;
        (x * y).sqrt()
    }

    /// One end, as its record.
    pub(crate) fn shoot(&mut self, number: usize) -> End {
        if self.trouble == Trouble::Groups && number == 3 {
            self.archer.scatter = self.archer.scatter.map(|s| 2.0 * s);
        }
        let near = self.trouble == Trouble::Near && number.is_multiple_of(2);
        let part = if near { 0.6f64 } else { 1.0 };
        let grown = part.powf(self.growth - 1.0);
        let offset = self.offset().map(|d| d * grown);
        let (mut end, _) = self.archer.shoot(&mut self.random, offset);
        self.troubled(&mut end, part);
        end.session.archer = Some("A".to_owned());
        end.session.date = Some("2026-05-03".to_owned());
        end.session.end = u64::try_from(number).ok();
        end.session.checked = (!self.checked.is_empty()).then(|| self.checked.clone());
        end.session.setup = serde_json::from_value(self.setup.clone()).ok();
        end
    }

    /// What goes wrong with the shots of an end, and with the distance.
    fn troubled(&mut self, end: &mut End, part: f64) {
        end.session.distance_m = Some(30.0 * part);
        for entry in &mut end.entries {
            entry.x_mm *= part;
            entry.y_mm *= part;
        }
        if self.trouble == Trouble::TwoBare {
            let third = end.entries.iter().rposition(|e| e.kind == ArrowKind::Bare);
            third.map(|at| end.entries.remove(at));
        }
        if self.trouble == Trouble::Tags {
            for entry in &mut end.entries {
                if self.random.chance(0.1) {
                    entry.kind = match entry.kind {
                        ArrowKind::Bare => ArrowKind::Fletched,
                        _ => ArrowKind::Bare,
                    };
                }
            }
        }
    }

    /// What a step of the advice asks for, as a change of this bow; `None` if it changes nothing or doesn't say how far.
    pub(crate) fn turn(step: &Step) -> Option<Turn> {
        step.to?;
        Some(Turn {
            change: step.change,
            amount: step.bolt_quarter_turns.map(|q| q as f64).or(step.amount)?,
        })
    }

    /// Makes a change. A step beyond a limit is a fault of whoever asked for it.
    pub(crate) fn make(&mut self, turn: Turn) {
        self.checked.clear();
        let setting = setting(turn.change);
        let each = if turn.change == Action::DrawWeight {
            -0.25
        } else {
            1.0
        };
        let to = self.now(turn.change) + each * turn.amount;
        let [low, high] = self.range(turn.change);
        assert!(
            to >= low - 1e-6 && to <= high + 1e-6,
            "{setting} {to} not in {low} to {high}"
        );
        self.setup[setting] = json!(to);
        if turn.change == Action::DrawWeight {
            let lb = self.setup["draw_weight_lb"].as_f64().expect("a number");
            self.setup["draw_weight_lb"] = json!(lb * (1.0 + 0.007 * turn.amount));
        }
        let mut n = turn.amount;
        if turn.change == Action::Plunger {
            if n * self.last_click < 0.0 {
                n -= n.signum() * self.play.min(n.abs());
            }
            self.last_click = turn.amount;
        }
        if turn.change == Action::ShaftSpine {
            self.state += 60.0 * self.random.normal();
        }
        let found = self.levers.iter().find(|l| l.change == turn.change);
        let lever = *found.expect("a lever of the bow");
        match turn.change {
            Action::RestHeight | Action::NockingPoint => self.vertical += n * lever.main,
            _ => {
                self.state += n * lever.main;
                self.vertical += n * lever.cross;
            }
        }
    }

    /// Lowest and highest value of a change's setting.
    pub(crate) fn range(&self, change: Action) -> [f64; 2] {
        let limit = &self.setup["limits"][setting(change)];
        let list = limit["owned"].as_array().or(limit["obtainable"].as_array());
        let all = |from: &Value| -> Option<f64> { from.as_f64() };
        let ends = list.and_then(|l| Some([all(l.first()?)?, all(l.last()?)?]));
        ends.unwrap_or([
            limit["min"].as_f64().unwrap_or(f64::NEG_INFINITY),
            limit["max"].as_f64().unwrap_or(f64::INFINITY),
        ])
    }

    /// Values that a change can still take, as amounts in its own unit (quarter turns for the bolts), nothing included.
    fn amounts(&self, change: Action) -> Vec<f64> {
        let (now, [low, high]) = (self.now(change), self.range(change));
        let each = match change {
            Action::DrawWeight => 0.25,
            Action::ShaftLength => EIGHTH,
            Action::PointWeight => 10.0,
            Action::ShaftSpine => 50.0,
            Action::Plunger => 1.0,
            _ => 0.5,
        };
        let unit = if change == Action::DrawWeight {
            -4.0
        } else {
            1.0
        };
        // a shaft once cut stays short
        let high = if change == Action::ShaftLength {
            now
        } else {
            high
        };
        (-64..=64i32)
            .map(|n| f64::from(n) * each)
            .filter(|by| (low - 1e-6..=high + 1e-6).contains(&(now + by)))
            .map(|by| by * unit)
            .collect()
    }

    /// What could still bring an axis (0 horizontal, 1 vertical) to within the tolerance: levers that can alone, whether those
    /// that can be undone could together, and whether all could. The other axis' side effects left out.
    pub(crate) fn reach(&self, axis: usize) -> Reach {
        let of_axis = |l: &&Lever| {
            usize::from(matches!(
                l.change,
                Action::RestHeight | Action::NockingPoint
            )) == axis
        };
        let (from, [low, high]) = if axis == 1 {
            (self.vertical, [-TOLERANCE, TOLERANCE])
        } else {
            let limit = self.response.state_of(TOLERANCE);
            (self.state, [-limit, limit])
        };
        let inside = |shift: &f64| (low..=high).contains(&(from + shift));
        let shifts =
            |l: &Lever| -> Vec<f64> { self.amounts(l.change).iter().map(|n| n * l.main).collect() };
        let sums = |levers: Vec<&Lever>| -> bool {
            let mut sums = vec![0.0];
            for lever in levers {
                let own = shifts(lever);
                sums = sums
                    .iter()
                    .flat_map(|sum| own.iter().map(move |by| sum + by))
                    .collect();
                sums.sort_by(f64::total_cmp);
                sums.dedup_by(|a, b| (*a - *b).abs() < 1.0);
            }
            sums.iter().any(inside)
        };
        let levers = || self.levers.iter().filter(of_axis);
        let lasting = |l: &&Lever| matches!(l.change, Action::ShaftLength | Action::ShaftSpine);
        Reach {
            alone: levers()
                .filter(|l| shifts(l).iter().any(inside))
                .map(|l| l.change)
                .collect(),
            undoable: sums(levers().filter(|l| !lasting(l)).collect()),
            all: sums(levers().collect()),
        }
    }

    /// Value of a change's setting now.
    pub(crate) fn now(&self, change: Action) -> f64 {
        self.setup[setting(change)].as_f64().expect("a number")
    }
}

/// The setting that this bow counts a change in.
fn setting(change: Action) -> &'static str {
    match change {
        Action::DrawWeight => "bolt_turns_out",
        Action::ShaftLength => "shaft_length_mm",
        Action::PointWeight => "point_gr",
        Action::ShaftSpine => "shaft_spine",
        Action::Plunger => "plunger_clicks",
        Action::RestHeight => "rest_height_mm",
        Action::NockingPoint => "nocking_point_mm",
        _ => panic!("no change of this bow: {change:?}"),
    }
}

fn levers(r: &mut Random, spine: f64, factor: f64) -> Vec<Lever> {
    let common = 0.75 * r.normal();
    let mut slope = |median: f64, sd: f64, share: f64, [low, high]: [f64; 2]| {
        (median * (share * common + sd * r.t4()).exp()).clamp(low, high)
    };
    // per quarter turn, eighth of an inch, ten grains, fifty of spine, click, half a millimetre, millimetre
    let quarter = slope(24.0, 0.5, 1.0, [3.0, 150.0]);
    let eighth = slope(37.0, 0.4, 1.0, [4.0, 250.0]);
    let ten = slope(40.0, 0.7, 1.0, [3.0, 250.0]);
    let fifty = slope(175_000.0 / spine, 0.4, 1.0, [30.0, 900.0]);
    let click = slope(8.5, 0.55, 0.5, [1.0, 50.0]);
    let rest = slope(35.0, 0.9, 0.0, [4.0, 150.0]);
    let nock = slope(70.0, 0.9, 0.0, [8.0, 400.0]);
    let mut lever = |change, main: f64, horizontal: bool| Lever {
        change,
        main: factor * main,
        cross: if horizontal {
            0.12 * r.normal() * factor * main
        } else {
            0.0
        },
    };
    vec![
        lever(Action::DrawWeight, quarter, true),
        lever(Action::ShaftLength, eighth / EIGHTH, true),
        lever(Action::PointWeight, ten / 10.0, true),
        lever(Action::ShaftSpine, fifty / 50.0, true),
        lever(Action::Plunger, -click, true),
        lever(Action::RestHeight, rest / 0.5, false),
        lever(Action::NockingPoint, -nock, false),
    ]
}

fn setup(r: &mut Random, lb: f64, spine: f64, length: f64, point: f64) -> Value {
    let out = 3.0;
    let less = if r.chance(0.2) { 0 } else { r.whole(0, 12) } as f64 / 4.0;
    let more = r.whole(0, 8) as f64 / 4.0;
    let steps = |now: f64, each: f64, low: i64, high: i64| -> Vec<f64> {
        (-low..=high).map(|n| now + each * n as f64).collect()
    };
    json!({
        "bow": "hidden", "draw_weight_lb": lb, "bolt_turns_out": out, "shaft_spine": spine, "shaft_length_mm": length,
        "point_gr": point, "plunger_clicks": 0, "rest_height_mm": 0.0, "nocking_point_mm": 10.0,
        "limits": {
            "bolt_turns_out": {"min": out - more, "max": out + less, "step": 0.25},
            "shaft_length_mm": {"min": length - EIGHTH * r.whole(0, 8) as f64, "max": length},
            "point_gr": {"owned": steps(point, 10.0, r.whole(0, 3), r.whole(0, 5))},
            "plunger_clicks": {"min": -10, "max": 10, "usual": 0},
            "shaft_spine": {"obtainable": steps(spine, 50.0, 3, 3)},
            "rest_height_mm": {"min": -2, "max": 2, "step": 0.5},
            "nocking_point_mm": {"min": 2, "max": 18, "step": 0.5}
        }
    })
}

//! Records made up for tests: ends with a known offset, without any photo.

use bossmark::record::{End, History, RecordFile};
use serde_json::{Value, json};

/// A club archer's set-up with room on every lever.
pub(crate) fn club_setup() -> Value {
    json!({
        "bow": "club bow", "draw_weight_lb": 36.0, "bolt_turns_out": 1.0, "bolt_lb_per_turn": 1.0,
        "shaft_spine": 600, "shaft_gr_per_in": 6.6, "shaft_length_mm": 736.6, "point_gr": 100,
        "brace_height_mm": 215.9, "draw_length_mm": 698.5,
        "plunger_clicks": 0, "plunger_clicks_per_turn": 20, "nocking_point_mm": 6.0, "rest_height_mm": 0.0,
        "limits": {
            "bolt_turns_out": {"min": 0, "max": 4, "step": 0.25}, "shaft_length_mm": {"min": 711.2},
            "point_gr": {"owned": [80, 90, 100, 110]}, "plunger_clicks": {"min": -10, "max": 10, "usual": 0},
            "nocking_point_mm": {"min": 2, "max": 12}, "rest_height_mm": {"min": -2, "max": 2}
        }
    })
}

/// One end to be recorded: three fletched and three bare shafts in a fixed pattern.
#[derive(Clone, Debug)]
pub(crate) struct Shoot {
    end: u64,
    day: u32,
    setup: Value,
    hand: Option<String>,
    distance_m: Option<f64>,
    offset: (f64, f64),
    scatter: f64,
    mirrored: bool,
    bare: bool,
    missed: u32,
}

impl Shoot {
    /// The `end`th end, right-handed at 30 m, in tune.
    pub(crate) fn new(end: u64, setup: Value) -> Self {
        Self {
            end,
            day: 3,
            setup,
            hand: Some("right".to_owned()),
            distance_m: Some(30.0),
            offset: (0.0, 0.0),
            scatter: 1.0,
            mirrored: false,
            bare: true,
            missed: 0,
        }
    }

    /// Bare minus fletched, mm.
    pub(crate) fn offset(mut self, x: f64, y: f64) -> Self {
        self.offset = (x, y);
        self
    }

    /// Which hand draws.
    pub(crate) fn hand(mut self, hand: &str) -> Self {
        self.hand = Some(hand.to_owned());
        self
    }

    /// Nobody told the hand.
    pub(crate) fn no_hand(mut self) -> Self {
        self.hand = None;
        self
    }

    /// Distance, m.
    pub(crate) fn distance(mut self, m: f64) -> Self {
        self.distance_m = Some(m);
        self
    }

    /// Nobody told the distance.
    pub(crate) fn no_distance(mut self) -> Self {
        self.distance_m = None;
        self
    }

    /// Factor on a scatter of some 25 mm.
    pub(crate) fn scatter(mut self, factor: f64) -> Self {
        self.scatter = factor;
        self
    }

    /// Day of the month.
    pub(crate) fn day(mut self, day: u32) -> Self {
        self.day = day;
        self
    }

    /// The pattern mirrored left to right.
    pub(crate) fn mirrored(mut self, mirrored: bool) -> Self {
        self.mirrored = mirrored;
        self
    }

    /// Only the fletched arrows.
    pub(crate) fn without_bare(mut self) -> Self {
        self.bare = false;
        self
    }

    /// So many bare shafts missed the boss; the others are on it.
    pub(crate) fn missed(mut self, n: u32) -> Self {
        self.missed = n;
        self
    }

    /// The record.
    pub(crate) fn record(&self) -> End {
        // two patterns of mean zero that change from end to end, so that ends aren't copies
        let fletched = [[-28.0, 12.0], [21.0, 18.0], [7.0, -30.0]];
        let bare = [[25.0, 20.0], [-30.0, 9.0], [5.0, -29.0]];
        let turn = |p: [f64; 2], n: u64| match n % 4 {
            0 => [p[0], p[1]],
            1 => [-p[1], p[0]],
            2 => [-p[0], -p[1]],
            _ => [p[1], -p[0]],
        };
        let sign = if self.mirrored { -1.0 } else { 1.0 };
        let mut entries = Vec::new();
        let mut add = |kind: &str, p: [f64; 2], at: (f64, f64)| {
            let [x, y] = turn(p, self.end);
            entries.push(json!({
                "id": entries.len() + 1, "kind": kind, "state": "confirmed", "source": "tape",
                "x_mm": sign * self.scatter * x + at.0, "y_mm": self.scatter * y + at.1, "cov_mm2": [[4.0, 0.0], [0.0, 4.0]]
            }));
        };
        for p in fletched {
            add("fletched", p, (0.0, 0.0));
        }
        for p in bare.iter().skip(self.missed as usize).filter(|_| self.bare) {
            add("bare", *p, self.offset);
        }
        let mut session = json!({
            "archer": "A", "date": format!("2026-05-{:02}", self.day), "end": self.end, "setup": self.setup
        });
        if let Some(hand) = &self.hand {
            session["hand"] = json!(hand);
        }
        if let Some(distance) = self.distance_m {
            session["distance_m"] = json!(distance);
        }
        serde_json::from_value(json!({
            "schema": "bossmark/end/1", "photo": null, "face": {"name": "wa-80", "diameter_mm": 800.0}, "camera": null,
            "entries": entries, "session": session, "missed": vec![json!({"kind": "bare"}); self.missed as usize]
        }))
        .unwrap()
    }
}

/// The history of these ends.
pub(crate) fn history(ends: &[Shoot]) -> History {
    History::new(
        ends.iter()
            .map(|shoot| RecordFile {
                file: format!("{}-{}.end.json", shoot.day, shoot.end),
                line: 1,
                end: shoot.record(),
            })
            .collect(),
    )
}

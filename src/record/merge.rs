//! Merging the sessions and set-ups that several sources give for one end, field by field.

use super::{Session, Setup};

impl Setup {
    /// Each field of this set-up, or that of `other` where this one has none.
    #[must_use]
    pub fn or(&self, other: &Self) -> Self {
        let mut extra = other.extra.clone();
        extra.extend(self.extra.clone());
        Self {
            bow: self.bow.clone().or_else(|| other.bow.clone()),
            draw_weight_lb: self.draw_weight_lb.or(other.draw_weight_lb),
            bolt_turns_out: self.bolt_turns_out.or(other.bolt_turns_out),
            bolt_lb_per_turn: self.bolt_lb_per_turn.or(other.bolt_lb_per_turn),
            shafts: self.shafts.clone().or_else(|| other.shafts.clone()),
            shaft_spine: self.shaft_spine.or(other.shaft_spine),
            shaft_gr_per_in: self.shaft_gr_per_in.or(other.shaft_gr_per_in),
            shaft_diameter_mm: self.shaft_diameter_mm.or(other.shaft_diameter_mm),
            shaft_length_mm: self.shaft_length_mm.or(other.shaft_length_mm),
            point_gr: self.point_gr.or(other.point_gr),
            rear_gr: self.rear_gr.or(other.rear_gr),
            bare_rear_gr: self.bare_rear_gr.or(other.bare_rear_gr),
            plunger_clicks: self.plunger_clicks.or(other.plunger_clicks),
            plunger_clicks_per_turn: self
                .plunger_clicks_per_turn
                .or(other.plunger_clicks_per_turn),
            nocking_point_mm: self.nocking_point_mm.or(other.nocking_point_mm),
            rest_height_mm: self.rest_height_mm.or(other.rest_height_mm),
            brace_height_mm: self.brace_height_mm.or(other.brace_height_mm),
            draw_length_mm: self.draw_length_mm.or(other.draw_length_mm),
            tolerance_30m_mm: self.tolerance_30m_mm.or(other.tolerance_30m_mm),
            keep: self.keep.clone().or_else(|| other.keep.clone()),
            limits: self.limits.clone().or_else(|| other.limits.clone()),
            arrows: self.arrows.clone().or_else(|| other.arrows.clone()),
            growing: self.growing.or(other.growing),
            goal: self.goal.clone().or_else(|| other.goal.clone()),
            checklist: self.checklist.clone().or_else(|| other.checklist.clone()),
            extra,
        }
    }
}

impl Session {
    /// Each field of this session, or that of `other` where this one has none. The set-ups are merged likewise.
    #[must_use]
    pub fn or(&self, other: &Self) -> Self {
        let mut extra = other.extra.clone();
        extra.extend(self.extra.clone());
        Self {
            checked: self.checked.clone().or_else(|| other.checked.clone()),
            archer: self.archer.clone().or_else(|| other.archer.clone()),
            hand: self.hand.or(other.hand),
            distance_m: self.distance_m.or(other.distance_m),
            date: self.date.clone().or_else(|| other.date.clone()),
            end: self.end.or(other.end),
            shot_order: self.shot_order.clone().or_else(|| other.shot_order.clone()),
            fletched: self.fletched.or(other.fletched),
            bare: self.bare.or(other.bare),
            note: self.note.clone().or_else(|| other.note.clone()),
            setup: match (&self.setup, &other.setup) {
                (Some(own), Some(other)) => Some(own.or(other)),
                (own, other) => own.clone().or_else(|| other.clone()),
            },
            extra,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn what_is_said_first_wins_and_gaps_are_filled() {
        let session = |v| serde_json::from_value::<Session>(v).expect("session");
        let own = session(json!({"hand": "left", "setup": {"point_gr": 90}, "colour": "red"}));
        let other = session(
            json!({"hand": "right", "end": 3, "setup": {"point_gr": 100, "bow": "b"}, "colour": "blue", "x": 1}),
        );
        let joined = session(
            json!({"hand": "left", "end": 3, "setup": {"point_gr": 90, "bow": "b"}, "colour": "red", "x": 1}),
        );
        assert_eq!(own.or(&other), joined);
        assert_eq!(Session::default().or(&own), own);
        assert_eq!(own.or(&Session::default()), own);
    }
}

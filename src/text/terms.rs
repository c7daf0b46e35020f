//! Names of things: sides of the face, axes, levers, settings, kinds of shaft.

use crate::advice::{Action, Axis};
use crate::record::{ArrowKind, Hand, Lever, SettingChange};

/// A side of the face, as the archer sees it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum FaceSide {
    Left,
    Right,
    Low,
    High,
}

impl FaceSide {
    /// On which side a value of this axis (x or y) lies.
    pub(crate) fn of(axis: Axis, value: f64) -> Self {
        match (axis, value < 0.0) {
            (Axis::Horizontal, true) => Self::Left,
            (Axis::Horizontal, false) => Self::Right,
            (Axis::Vertical, true) => Self::Low,
            (Axis::Vertical, false) => Self::High,
        }
    }

    /// On which side a signed offset lies: positive is the weak side (right for a right-hander), or high.
    pub(super) fn of_signed_offset(axis: Axis, value: f64, hand: Option<Hand>) -> Self {
        let mirrored = axis == Axis::Horizontal && hand == Some(Hand::Left);
        Self::of(axis, if mirrored { -value } else { value })
    }

    /// "left", "high".
    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::Left => "left",
            Self::Right => "right",
            Self::Low => "low",
            Self::High => "high",
        }
    }

    /// The way there: "to the left", "up".
    pub(super) const fn towards(self) -> &'static str {
        match self {
            Self::Left => "to the left",
            Self::Right => "to the right",
            Self::Low => "down",
            Self::High => "up",
        }
    }

    /// Moved there: "to the left", "higher".
    pub(super) const fn moved(self) -> &'static str {
        match self {
            Self::Low => "lower",
            Self::High => "higher",
            across => across.towards(),
        }
    }

    /// Lying there against others: "to the left", "above the height".
    pub(super) const fn beside(self) -> &'static str {
        match self {
            Self::Low => "below the height",
            Self::High => "above the height",
            across => across.towards(),
        }
    }
}

/// An axis in words.
pub(super) const fn axis_name(axis: Axis) -> &'static str {
    match axis {
        Axis::Vertical => "height",
        Axis::Horizontal => "left–right",
    }
}

/// How shots move along an axis, whichever way.
pub(super) const fn along(axis: Axis) -> &'static str {
    match axis {
        Axis::Vertical => "up or down",
        Axis::Horizontal => "sideways",
    }
}

/// What bare shafts at the lower and the upper end of an axis mean.
pub(crate) const fn ends_of_axis(axis: Axis, hand: Option<Hand>) -> (&'static str, &'static str) {
    match (axis, hand) {
        (Axis::Horizontal, Some(Hand::Right)) => ("bare left: stiff", "bare right: weak"),
        (Axis::Horizontal, Some(Hand::Left)) => ("bare left: weak", "bare right: stiff"),
        (Axis::Horizontal, None) => ("bare left", "bare right"),
        (Axis::Vertical, _) => (
            "bare low: nocking point high",
            "bare high: nocking point low",
        ),
    }
}

/// What a change is called: in a list, and in a sentence.
const fn lever(change: Action) -> (&'static str, &'static str) {
    match change {
        Action::DrawWeight => ("draw weight", "draw weight"),
        Action::ShaftLength => ("shaft length", "shaft length"),
        Action::PointWeight => ("point weight", "point weight"),
        Action::RearWeight => ("rear weight", "rear weight"),
        Action::Plunger => ("plunger", "the plunger"),
        Action::NockingPoint => ("nocking point", "the nocking point"),
        Action::RestHeight => ("rest height", "the rest's height"),
        Action::ShaftSpine => ("spine", "the shafts"),
        Action::ShootMore => ("more shots", "nothing"),
        Action::Verify => ("another end", "nothing"),
        Action::Check => ("a check", "nothing"),
        Action::None => ("nothing", "nothing"),
    }
}

/// The change as people call it.
pub(crate) const fn lever_name(change: Action) -> &'static str {
    lever(change).0
}

/// The levers of these changes, each once: "nocking point", "draw weight, plunger".
pub(crate) fn changed_levers(changes: &[SettingChange]) -> String {
    let changed = |lever: &&Lever| {
        let mut fields = changes.iter().map(|change| change.setting);
        fields.any(|field| lever.settings().contains(&field))
    };
    let names: Vec<String> = Lever::ALL
        .iter()
        .filter(changed)
        .map(|lever| lever.name().replace('-', " "))
        .collect();
    names.join(", ")
}

/// The same in a sentence, with its article.
pub(super) const fn lever_in_sentence(change: Action) -> &'static str {
    lever(change).1
}

/// The name of a set-up field and its unit, as people say it.
pub(super) fn setting(field: &str) -> (&str, &str) {
    match field {
        "draw_weight_lb" => ("draw weight", "lb"),
        "bolt_turns_out" => ("limb bolts", "turns out"),
        "shafts" => ("shafts", ""),
        "shaft_spine" => ("spine", ""),
        "shaft_gr_per_in" => ("tube weight", "gr/in"),
        "shaft_diameter_mm" => ("tube diameter", "mm"),
        "shaft_length_mm" => ("shaft length", "mm"),
        "point_gr" => ("point", "gr"),
        "rear_gr" => ("rear, fletched", "gr"),
        "bare_rear_gr" => ("rear, bare", "gr"),
        "plunger_clicks" => ("plunger", "clicks"),
        "nocking_point_mm" => ("nocking point", "mm"),
        "rest_height_mm" => ("rest height", "mm"),
        "brace_height_mm" => ("brace height", "mm"),
        "draw_length_mm" => ("draw length", "mm"),
        other => (other, ""),
    }
}

/// The letter that marks a kind.
pub(crate) const fn letter(kind: ArrowKind) -> &'static str {
    match kind {
        ArrowKind::Fletched => "F",
        ArrowKind::Bare => "B",
        ArrowKind::Unknown => "?",
    }
}

/// The name of a kind.
pub(crate) const fn kind_name(kind: ArrowKind) -> &'static str {
    match kind {
        ArrowKind::Fletched => "fletched",
        ArrowKind::Bare => "bare",
        ArrowKind::Unknown => "not known",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn left_handers_see_weak_on_the_left() {
        let weak = |hand| FaceSide::of_signed_offset(Axis::Horizontal, 1.0, Some(hand));
        assert_eq!(weak(Hand::Right), FaceSide::Right);
        assert_eq!(weak(Hand::Left), FaceSide::Left);
        let high = FaceSide::of_signed_offset(Axis::Vertical, 1.0, Some(Hand::Left));
        assert_eq!(high, FaceSide::High);
    }
}

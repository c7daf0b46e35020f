//! What an advice can say to do.

use serde::{Deserialize, Serialize};

/// What an advice says to do: adjust one lever, or something instead. JSON and the documents' fields call it `change`.
///
/// The words beside it: a [`Lever`](crate::record::Lever) is what can be adjusted, an adjustment by how much an action adjusts its lever,
/// a [`LeverChange`](crate::record::LeverChange) what the archer did adjust, by two set-ups in the records.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Action {
    /// Limb bolts; unit lb.
    DrawWeight,
    /// Cut the shafts (or longer new ones); unit mm.
    ShaftLength,
    /// Unit gr.
    PointWeight,
    /// Unit gr, both kinds of shaft alike.
    RearWeight,
    /// Unit clicks.
    Plunger,
    /// Unit mm.
    NockingPoint,
    /// Unit mm.
    RestHeight,
    /// New shafts; unit spine.
    ShaftSpine,
    /// Nothing changed: shoot more pairs.
    ShootMore,
    /// Nothing changed: check again.
    Verify,
    /// Nothing changed: look at something that contradicts.
    Check,
    /// Nothing.
    None,
}

impl Action {
    /// The set-up's field that it changes; `None` where it adjusts no lever.
    pub(crate) const fn setting(self) -> Option<&'static str> {
        Some(match self {
            Self::DrawWeight => "draw_weight_lb",
            Self::ShaftLength => "shaft_length_mm",
            Self::PointWeight => "point_gr",
            Self::RearWeight => "rear_gr",
            Self::Plunger => "plunger_clicks",
            Self::NockingPoint => "nocking_point_mm",
            Self::RestHeight => "rest_height_mm",
            Self::ShaftSpine => "shaft_spine",
            Self::ShootMore | Self::Verify | Self::Check | Self::None => return None,
        })
    }

    /// Whether it adjusts a lever of bow or arrows.
    #[must_use]
    pub const fn adjusts_a_lever(self) -> bool {
        !matches!(
            self,
            Self::ShootMore | Self::Verify | Self::Check | Self::None
        )
    }

    /// Its name in JSON and in a set-up's `keep`.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::DrawWeight => "draw-weight",
            Self::ShaftLength => "shaft-length",
            Self::PointWeight => "point-weight",
            Self::RearWeight => "rear-weight",
            Self::Plunger => "plunger",
            Self::NockingPoint => "nocking-point",
            Self::RestHeight => "rest-height",
            Self::ShaftSpine => "shaft-spine",
            Self::ShootMore => "shoot-more",
            Self::Verify => "verify",
            Self::Check => "check",
            Self::None => "none",
        }
    }
}

/// When to verify.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum VerifyWhen {
    /// Now.
    Now,
    /// On another day.
    AnotherDay,
}

//! What an advice can say to do.

use serde::{Deserialize, Serialize};

/// What can be changed, or done instead of a change.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Change {
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

impl Change {
    /// Whether it changes anything on bow or arrows.
    #[must_use]
    pub const fn moves_a_setting(self) -> bool {
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

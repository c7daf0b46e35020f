//! The difference between two set-ups, lever by lever.

use super::Setup;

/// Numbers that differ by more than this are different settings.
const SAME_TOLERANCE: f64 = 0.001;

/// What an archer can turn, cut or replace. Settings that belong together are one lever.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Lever {
    /// Limb bolts: `bolt_turns_out`, `draw_weight_lb`.
    DrawWeight,
    /// Other shafts: `shafts`, `shaft_spine`, `shaft_gr_per_in`, `shaft_diameter_mm`.
    ShaftSpine,
    /// `shaft_length_mm`.
    ShaftLength,
    /// `point_gr`.
    PointWeight,
    /// `rear_gr`, `bare_rear_gr`.
    RearWeight,
    /// `plunger_clicks`.
    Plunger,
    /// `nocking_point_mm`.
    NockingPoint,
    /// `rest_height_mm`.
    RestHeight,
    /// `brace_height_mm`: no advice adjusts it, but it counts as a difference.
    BraceHeight,
    /// `draw_length_mm`: likewise.
    DrawLength,
}

impl Lever {
    /// Every lever, in a fixed order.
    pub const ALL: [Self; 10] = [
        Self::DrawWeight,
        Self::ShaftSpine,
        Self::ShaftLength,
        Self::PointWeight,
        Self::RearWeight,
        Self::Plunger,
        Self::NockingPoint,
        Self::RestHeight,
        Self::BraceHeight,
        Self::DrawLength,
    ];

    /// Its name in `change` of an advice and in `keep` of a set-up. No advice changes the last two levers.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::DrawWeight => "draw-weight",
            Self::ShaftSpine => "shaft-spine",
            Self::ShaftLength => "shaft-length",
            Self::PointWeight => "point-weight",
            Self::RearWeight => "rear-weight",
            Self::Plunger => "plunger",
            Self::NockingPoint => "nocking-point",
            Self::RestHeight => "rest-height",
            Self::BraceHeight => "brace-height",
            Self::DrawLength => "draw-length",
        }
    }

    /// Fields of the set-up that belong to this lever.
    #[must_use]
    pub const fn settings(self) -> &'static [&'static str] {
        match self {
            Self::DrawWeight => &["bolt_turns_out", "draw_weight_lb"],
            Self::ShaftSpine => &[
                "shafts",
                "shaft_spine",
                "shaft_gr_per_in",
                "shaft_diameter_mm",
            ],
            Self::ShaftLength => &["shaft_length_mm"],
            Self::PointWeight => &["point_gr"],
            Self::RearWeight => &["rear_gr", "bare_rear_gr"],
            Self::Plunger => &["plunger_clicks"],
            Self::NockingPoint => &["nocking_point_mm"],
            Self::RestHeight => &["rest_height_mm"],
            Self::BraceHeight => &["brace_height_mm"],
            Self::DrawLength => &["draw_length_mm"],
        }
    }
}

/// The value of one setting.
#[derive(Clone, Debug, PartialEq)]
pub enum Setting {
    /// In the unit of the field's name.
    Number(f64),
    /// A label.
    Text(String),
}

impl Setting {
    /// The number, if it is one.
    #[must_use]
    pub const fn number(&self) -> Option<f64> {
        match self {
            Self::Number(n) => Some(*n),
            Self::Text(_) => None,
        }
    }

    /// Whether two values are different settings: numbers by more than 0.001.
    #[must_use]
    pub fn differs(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Number(a), Self::Number(b)) => (a - b).abs() > SAME_TOLERANCE,
            _ => self != other,
        }
    }
}

impl Setup {
    /// The value of the setting named `field` (a name from [`Lever::settings`]); `None` if unknown or no setting.
    #[must_use]
    pub fn setting(&self, field: &str) -> Option<Setting> {
        if field == "shafts" {
            return self.shafts.clone().map(Setting::Text);
        }
        self.number(field).map(Setting::Number)
    }

    /// The number in the setting named `field`; `None` if unknown, text or no setting.
    #[must_use]
    pub fn number(&self, field: &str) -> Option<f64> {
        match field {
            "draw_weight_lb" => self.draw_weight_lb,
            "bolt_turns_out" => self.bolt_turns_out,
            "shaft_spine" => self.shaft_spine,
            "shaft_gr_per_in" => self.shaft_gr_per_in,
            "shaft_diameter_mm" => self.shaft_diameter_mm,
            "shaft_length_mm" => self.shaft_length_mm,
            "point_gr" => self.point_gr,
            "rear_gr" => self.rear_gr,
            "bare_rear_gr" => self.bare_rear_gr,
            "plunger_clicks" => self.plunger_clicks,
            "nocking_point_mm" => self.nocking_point_mm,
            "rest_height_mm" => self.rest_height_mm,
            "brace_height_mm" => self.brace_height_mm,
            "draw_length_mm" => self.draw_length_mm,
            _ => None,
        }
    }
}

/// One setting before and after.
#[derive(Clone, Debug, PartialEq)]
pub struct SettingChange {
    /// The set-up's field.
    pub setting: &'static str,
    /// Before.
    pub from: Setting,
    /// After.
    pub to: Setting,
}

impl SettingChange {
    /// After minus before, in the field's unit; `None` for a label.
    #[must_use]
    pub fn amount(&self) -> Option<f64> {
        Some(self.to.number()? - self.from.number()?)
    }
}

/// What the archer changed on one lever: its settings that differ between two set-ups.
#[derive(Clone, Debug, PartialEq)]
pub struct LeverChange {
    /// The lever.
    pub lever: Lever,
    /// Its settings that differ, in the order of [`Lever::settings`]; never empty. Where both set-ups give the limb bolts, the bolts
    /// decide whether the draw weight was changed, and the pounds say by how much.
    pub settings: Vec<SettingChange>,
}

impl LeverChange {
    /// After minus before of one of the settings; `None` if it is the same, is missing in a set-up, or is a label.
    #[must_use]
    pub fn amount(&self, setting: &str) -> Option<f64> {
        self.settings
            .iter()
            .find(|s| s.setting == setting)
            .and_then(SettingChange::amount)
    }
}

/// The difference between two set-ups.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Comparison {
    /// Levers that differ, in the order of [`Lever::ALL`].
    pub changes: Vec<LeverChange>,
    /// Settings that only one of the set-ups gives. They count as unchanged.
    pub incomplete: Vec<&'static str>,
}

impl Comparison {
    /// Whether no setting is known to differ.
    #[must_use]
    pub fn is_same(&self) -> bool {
        self.changes.is_empty()
    }

    /// Every setting that differs, lever by lever.
    #[must_use]
    pub fn settings(&self) -> Vec<SettingChange> {
        let levers = self.changes.iter();
        levers.flat_map(|lever| lever.settings.clone()).collect()
    }
}

/// Compares two set-ups, the earlier one first. A setting that both give with other values is different. One that only one of them
/// gives is incomplete. One that neither gives is the same. Labels, limits and unknown fields aren't compared.
#[must_use]
pub fn compare(from: &Setup, to: &Setup) -> Comparison {
    let mut result = Comparison::default();
    for lever in Lever::ALL {
        let bolts_decide = lever == Lever::DrawWeight
            && from.bolt_turns_out.is_some()
            && to.bolt_turns_out.is_some();
        let mut settings = Vec::new();
        for setting in lever.settings() {
            match (from.setting(setting), to.setting(setting)) {
                (Some(from), Some(to)) if from.differs(&to) => {
                    settings.push(SettingChange { setting, from, to });
                }
                (Some(_), Some(_)) | (None, None) => {}
                // where the bolts decide, missing pounds leave nothing open
                _ if bolts_decide => {}
                _ => result.incomplete.push(setting),
            }
        }
        if bolts_decide
            && settings
                .first()
                .is_none_or(|s| s.setting != "bolt_turns_out")
        {
            settings.clear();
        }
        if !settings.is_empty() {
            result.changes.push(LeverChange { lever, settings });
        }
    }
    result
}

#[cfg(test)]
mod tests {
    use super::*;

    fn base() -> Setup {
        Setup {
            draw_weight_lb: Some(36.0),
            bolt_turns_out: Some(1.0),
            shafts: Some("blue".into()),
            shaft_spine: Some(600.0),
            point_gr: Some(100.0),
            ..Setup::default()
        }
    }

    #[test]
    fn equal_setups_have_no_difference() {
        assert_eq!(compare(&base(), &base()), Comparison::default());
        assert_eq!(
            compare(&Setup::default(), &Setup::default()),
            Comparison::default()
        );
    }

    #[test]
    fn bolts_alone_decide_the_draw_weight() {
        let scale_drift = Setup {
            draw_weight_lb: Some(36.4),
            ..base()
        };
        assert!(compare(&base(), &scale_drift).is_same());
        let turned = Setup {
            draw_weight_lb: Some(35.4),
            bolt_turns_out: Some(1.5),
            ..base()
        };
        let change = compare(&base(), &turned);
        let only = change.changes.first().expect("one lever");
        assert_eq!(only.lever, Lever::DrawWeight);
        assert!(
            only.amount("bolt_turns_out")
                .is_some_and(|a| (a - 0.5).abs() < 1e-9)
        );
        assert!(
            only.amount("draw_weight_lb")
                .is_some_and(|a| (a + 0.6).abs() < 1e-9)
        );
        // the bolts are in one record only, so the pounds decide
        let pounds = Setup {
            draw_weight_lb: Some(35.4),
            bolt_turns_out: None,
            ..base()
        };
        let change = compare(&base(), &pounds);
        assert!(
            change
                .changes
                .first()
                .is_some_and(|c| c.amount("draw_weight_lb").is_some())
        );
        assert_eq!(change.incomplete, ["bolt_turns_out"]);
    }

    #[test]
    fn settings_of_one_lever_are_one_change() {
        let other_shafts = Setup {
            shafts: Some("red".into()),
            shaft_spine: Some(550.0),
            ..base()
        };
        let change = compare(&base(), &other_shafts);
        let only = change.changes.first().expect("one lever");
        assert_eq!(only.lever, Lever::ShaftSpine);
        assert_eq!(only.settings.len(), 2);
        assert_eq!(only.amount("shafts"), None);
        assert_eq!(only.amount("shaft_spine"), Some(-50.0));
    }

    #[test]
    fn known_in_one_is_incomplete_and_no_change() {
        let less = Setup {
            point_gr: None,
            ..base()
        };
        let change = compare(&base(), &less);
        assert!(change.is_same());
        assert_eq!(change.incomplete, ["point_gr"]);
        assert_eq!(compare(&less, &base()).incomplete, ["point_gr"]);
        let hair = Setup {
            point_gr: Some(100.0005),
            ..base()
        };
        assert!(compare(&base(), &hair).is_same());
    }

    #[test]
    fn every_setting_of_every_lever_can_be_looked_up() {
        let all: Setup = serde_json::from_value(serde_json::json!({
            "draw_weight_lb": 1, "bolt_turns_out": 1, "shafts": "x", "shaft_spine": 1, "shaft_gr_per_in": 1,
            "shaft_diameter_mm": 1, "shaft_length_mm": 1, "point_gr": 1, "rear_gr": 1, "bare_rear_gr": 1,
            "plunger_clicks": 1, "nocking_point_mm": 1, "rest_height_mm": 1, "brace_height_mm": 1, "draw_length_mm": 1
        }))
        .expect("set-up");
        for lever in Lever::ALL {
            for setting in lever.settings() {
                assert!(all.setting(setting).is_some(), "{setting}");
            }
        }
        assert!(all.extra.is_empty());
        assert_eq!(Setup::default().or(&all), all);
        assert_eq!(all.or(&base()).shaft_spine, Some(1.0));
    }
}

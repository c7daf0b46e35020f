//! The prior of the slopes, before this bow has a history.

use super::Action;
use super::knowledge::{Axis, Divisor, Knowledge};
use crate::record::Setup;

/// Prior of one lever's slope on this set-up: mm of offset at 30 m per unit is log-normal.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Slope {
    pub(super) action: Action,
    pub(super) unit: String,
    /// Sign of the signed offset's shift by a positive amount: +1 or −1.
    pub(super) sign: f64,
    /// Median, mm per unit.
    pub(super) median_mm: f64,
    /// Log-sd of its own part, without what it shares with the other levers of its axis.
    pub(super) own_log_sd: f64,
    /// How much of the common log-sd of the scale it carries.
    pub(super) common_loading: f64,
    /// Where the number comes from: physics, common practice or assumption.
    pub(super) mark: String,
}

impl Slope {
    /// Log-sd of the prior, own and shared together.
    pub(super) fn log_sd(&self, common: f64) -> f64 {
        self.own_log_sd.hypot(self.common_loading * common)
    }
}

/// Whether nothing is known of bow and arrows that a change could start from.
pub(super) fn is_unknown(setup: &Setup) -> bool {
    [
        setup.draw_weight_lb,
        setup.bolt_turns_out,
        setup.shaft_spine,
        setup.shaft_length_mm,
        setup.point_gr,
        setup.rear_gr,
        setup.bare_rear_gr,
        setup.plunger_clicks,
        setup.nocking_point_mm,
        setup.rest_height_mm,
    ]
    .iter()
    .all(Option::is_none)
}

/// Draw weight of a set-up, or the middle set-up's.
pub(super) fn draw_weight(setup: &Setup, k: &Knowledge) -> f64 {
    positive(setup.draw_weight_lb).unwrap_or(k.typical_setup.draw_weight_lb)
}

/// A number that can be one of a bow.
fn positive(value: Option<f64>) -> Option<f64> {
    value.filter(|v| v.is_finite() && *v > 0.0)
}

/// Pounds that a quarter turn of both bolts brings: the archer's own figure or the usual share.
pub(super) fn lb_per_quarter_turn(setup: &Setup, k: &Knowledge) -> f64 {
    positive(setup.bolt_lb_per_turn).map_or_else(
        || k.bolts.share_per_quarter_turn * draw_weight(setup, k),
        |turn| turn / 4.0,
    )
}

/// The priors of all levers of an axis on this set-up, in the order of the calibration.
pub(super) fn slopes(setup: &Setup, axis: Axis, k: &Knowledge) -> Vec<Slope> {
    let unknown = is_unknown(setup);
    // turned by the bolts, without a figure for what a turn brings, the pounds are a guess too
    let by_bolts = setup.bolt_lb_per_turn.is_none()
        && (setup.bolt_turns_out.is_some() || setup.draw_weight_lb.is_none());
    k.levers
        .iter()
        .filter(|lever| lever.axis == axis)
        .map(|lever| {
            let divisor = match lever.divided_by {
                None => 1.0,
                Some(Divisor::DrawWeightLb) => draw_weight(setup, k),
                Some(Divisor::ShaftSpine) => {
                    positive(setup.shaft_spine).unwrap_or(k.typical_setup.shaft_spine)
                }
            };
            let mut slope = Slope {
                action: lever.action,
                unit: lever.unit.clone(),
                sign: lever.sign,
                median_mm: lever.median_mm / divisor,
                own_log_sd: lever.own_log_sd,
                common_loading: lever.common_loading,
                mark: lever.mark.clone(),
            };
            if lever.action == Action::DrawWeight && by_bolts {
                slope.own_log_sd = k.bolts.own_log_sd;
            }
            if unknown {
                let whole = slope.log_sd(k.scale.log_sd) + k.typical_setup.extra_log_sd;
                let shared = slope.common_loading * k.scale.log_sd;
                slope.own_log_sd = (whole * whole - shared * shared).sqrt();
            }
            slope
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advice::knowledge::knowledge;

    fn of(setup: &Setup, action: Action) -> Slope {
        slopes(setup, Axis::Horizontal, knowledge())
            .into_iter()
            .find(|s| s.action == action)
            .unwrap()
    }

    #[test]
    fn without_a_setup_the_middle_one_stands_and_is_trusted_less() {
        let unknown = of(&Setup::default(), Action::ShaftLength);
        let known = of(
            &Setup {
                draw_weight_lb: Some(36.0),
                ..Setup::default()
            },
            Action::ShaftLength,
        );
        assert!((unknown.log_sd(0.6) - known.log_sd(0.6) - 0.3).abs() < 1e-12);
        assert!((of(&Setup::default(), Action::DrawWeight).median_mm - 97.2).abs() < 0.1);
    }

    #[test]
    fn a_quarter_turn_is_about_24_mm_whatever_the_bow() {
        for lb in [24.0, 36.0, 46.0] {
            let setup = Setup {
                draw_weight_lb: Some(lb),
                bolt_turns_out: Some(1.0),
                ..Setup::default()
            };
            let mm =
                of(&setup, Action::DrawWeight).median_mm * lb_per_quarter_turn(&setup, knowledge());
            assert!((mm - 24.5).abs() < 1e-9);
            assert!((of(&setup, Action::DrawWeight).own_log_sd - 0.45).abs() < 1e-12);
        }
    }
}

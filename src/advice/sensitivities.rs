//! The arrow and bow of a set-up as a beam, and the exchange rates between the settings on it.

use super::Action;
use super::knowledge::knowledge;
use super::physics::{Beam, Drive, KG_PER_GRAIN, M_PER_INCH, N_PER_LBF, stiffness_of_spine};
use crate::geometry::MM_PER_INCH;
use crate::record::Setup;

/// Kilograms in a gram.
const KG_PER_G: f64 = 1e-3;

/// A bare shaft of a set-up on its bow, and what a unit of each setting does to the index q (larger = acts stiffer).
#[derive(Clone, Debug, PartialEq)]
pub struct Sensitivities {
    /// The index.
    pub index: f64,
    /// First frequency in flight, both ends free with their masses, Hz.
    pub free_free_hz: Option<f64>,
    /// d ln q per unit of a change, with the unit's name; central difference of the full unit.
    pub rates: Vec<(Action, &'static str, f64)>,
    /// What the fletched arrows' heavier nock end does to ln q against the bare shafts', where both weights are known.
    pub fletched_less_bare: Option<f64>,
}

impl Sensitivities {
    /// d ln q per unit of this change.
    #[must_use]
    pub fn rate(&self, action: Action) -> Option<f64> {
        self.rates.iter().find(|r| r.0 == action).map(|r| r.2)
    }

    /// How many pounds do what one unit of this change does (positive: with the same sign).
    #[must_use]
    pub fn in_pounds(&self, action: Action) -> Option<f64> {
        Some(self.rate(action)? / self.rate(Action::DrawWeight)?)
    }
}

/// The settings that the exchange rates need, with their names in a sentence.
const NEEDED_SETTINGS: [(&str, &str); 7] = [
    ("draw_weight_lb", "draw weight"),
    ("shaft_spine", "spine"),
    ("shaft_length_mm", "length"),
    ("shaft_gr_per_in", "tube weight"),
    ("point_gr", "point"),
    ("brace_height_mm", "brace height"),
    ("draw_length_mm", "draw length"),
];

/// Settings that the exchange rates need and the set-up lacks, with their names in a sentence.
#[must_use]
pub fn missing(setup: &Setup) -> Vec<(&'static str, &'static str)> {
    NEEDED_SETTINGS
        .into_iter()
        .filter(|(setting, _)| setup.number(setting).is_none())
        .collect()
}

/// The settings that the beam needs, complete.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Numbers {
    draw_lb: f64,
    spine: f64,
    length_mm: f64,
    gr_per_in: f64,
    point_gr: f64,
    rear_kg: f64,
    stroke_mm: f64,
    /// Stays as it is while another setting is varied.
    virtual_kg: f64,
}

impl Numbers {
    fn of(setup: &Setup) -> Option<Self> {
        let k = knowledge();
        let draw_lb = setup.draw_weight_lb?;
        Some(Self {
            draw_lb,
            spine: setup.shaft_spine?,
            length_mm: setup.shaft_length_mm?,
            gr_per_in: setup.shaft_gr_per_in?,
            point_gr: setup.point_gr?,
            rear_kg: setup
                .bare_rear_gr
                .map_or(k.bare_nock_g.value * KG_PER_G, |gr| gr * KG_PER_GRAIN),
            stroke_mm: setup.draw_length_mm? - setup.brace_height_mm?,
            virtual_kg: k.physics.virtual_mass_g.at(draw_lb) * KG_PER_G,
        })
    }

    fn index(&self) -> Option<f64> {
        self.beam()?.dynamic_spine_index(&Drive {
            draw_n: self.draw_lb * N_PER_LBF,
            stroke_m: self.stroke_mm / 1000.0,
            virtual_kg: self.virtual_kg,
            thrust_share: knowledge().physics.thrust_share.value,
        })
    }

    fn beam(&self) -> Option<Beam> {
        Some(Beam {
            length_m: self.length_mm / 1000.0,
            mass_per_m: self.gr_per_in * KG_PER_GRAIN / M_PER_INCH,
            ei: stiffness_of_spine(self.spine)?,
            point_kg: self.point_gr * KG_PER_GRAIN,
            rear_kg: self.rear_kg,
        })
    }

    /// d ln q by a central difference of ±`step` by `vary`, per `step`.
    fn rate(&self, step: f64, vary: impl Fn(&mut Self, f64)) -> Option<f64> {
        let at = |by: f64| {
            let mut varied = *self;
            vary(&mut varied, by);
            varied.index().map(f64::ln)
        };
        Some((at(step)? - at(-step)?) / 2.0)
    }
}

/// The index of a set-up's bare shafts and the exchange rates around it; `None` unless draw weight, spine, length, tube
/// weight, point, brace height and draw length are all known (and make an arrow that stands the push).
#[must_use]
pub fn sensitivities(setup: &Setup) -> Option<Sensitivities> {
    let numbers = Numbers::of(setup)?;
    let index = numbers.index()?;
    let rates = vec![
        (
            Action::DrawWeight,
            "lb",
            numbers.rate(1.0, |n, by| n.draw_lb += by)?,
        ),
        (
            Action::ShaftLength,
            "mm",
            numbers.rate(1.0, |n, by| n.length_mm += by)?,
        ),
        (
            Action::PointWeight,
            "gr",
            numbers.rate(1.0, |n, by| n.point_gr += by)?,
        ),
        (
            Action::RearWeight,
            "gr",
            numbers.rate(1.0, |n, by| n.rear_kg += by * KG_PER_GRAIN)?,
        ),
        (
            Action::ShaftSpine,
            "spine",
            numbers.rate(50.0, |n, by| n.spine += by)? / 50.0,
        ),
    ];
    let fletched_less_bare = setup.rear_gr.and_then(|gr| {
        let fletched = Numbers {
            rear_kg: gr * KG_PER_GRAIN,
            ..numbers
        };
        Some(fletched.index()?.ln() - index.ln())
    });
    Some(Sensitivities {
        index,
        free_free_hz: numbers.beam().and_then(|b| b.free_free_hz()),
        rates,
        fletched_less_bare,
    })
}

/// Weight of a fletched arrow, grains, as far as known: without an unknown rear weight, so never too much.
pub(super) fn arrow_grains(setup: &Setup) -> Option<f64> {
    let tube = setup.shaft_gr_per_in? * setup.shaft_length_mm? / MM_PER_INCH;
    Some(tube + setup.point_gr? + setup.rear_gr.or(setup.bare_rear_gr).unwrap_or(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    /// Told all that is said to be needed, the rates are worked out; lacking any one of it they aren't, and that one is named.
    #[test]
    fn what_is_needed_is_named() {
        let whole = json!({"draw_weight_lb": 36, "shaft_spine": 600, "shaft_length_mm": 736.6, "shaft_gr_per_in": 6.6,
            "point_gr": 100, "brace_height_mm": 216, "draw_length_mm": 698});
        let of = |value: &serde_json::Value| -> Setup {
            serde_json::from_value(value.clone()).expect("a set-up")
        };
        assert!(sensitivities(&of(&whole)).is_some() && missing(&of(&whole)).is_empty());
        for (setting, _) in NEEDED_SETTINGS {
            let mut less = whole.clone();
            less[setting] = serde_json::Value::Null;
            assert_eq!(sensitivities(&of(&less)), None, "{setting}");
            assert_eq!(missing(&of(&less))[0].0, setting);
        }
    }
}

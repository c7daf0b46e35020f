//! What to shoot: from which distance, how many of which, in which order, and how precise that will be.

mod document;
mod precision;

pub use document::{
    CallProbability, Caution, CautionKind, Needed, Plan, PlannedScatter, Precision, SCHEMA,
    ScatterFrom, ToNote,
};

use crate::advice;
use crate::math::rounded;
use crate::reading::{Assumptions, plausible_distance};
use crate::record::Hand;
use serde::Deserialize;
use std::sync::LazyLock;

/// What is known before anything is shot.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PlanOptions {
    /// Distance, m; `None`: the tune is unknown, so a short one is proposed.
    pub distance_m: Option<f64>,
    /// The archer's scatter with fletched arrows at that distance, sd per axis, mm (a reading gives it); `None`: unknown.
    pub scatter_sd_mm: Option<f64>,
    /// The archer's own tolerance at 30 m, mm.
    pub tolerance_30m_mm: Option<f64>,
    /// With which probability a call should come, 0.5 to below 1; `None`: the usual one.
    pub certainty: Option<f64>,
    /// The hand that draws.
    pub hand: Option<Hand>,
}

/// The scatter (sd per axis, mm) of an archer whose groups of so many arrows usually are this large between the farthest two, mm.
#[must_use]
pub fn scatter_of_group(extreme_spread_mm: f64, arrows: u32) -> Option<f64> {
    let assumptions = Assumptions::embedded().ok()?;
    let [factor, _] = assumptions.extreme_spread_of(usize::try_from(arrows).ok()?);
    Some(extreme_spread_mm / factor).filter(|sd| sd.is_finite() && *sd > 0.0)
}

/// What a plan is made from, as in `calibration/plan.json`.
#[derive(Clone, Debug, Deserialize)]
struct Data {
    fletched: u32,
    bare: u32,
    unknown_tune_distance_m: f64,
    pairs: Vec<u32>,
    offsets_30m_mm: Vec<f64>,
    certainty: f64,
    far_tolerances: f64,
}

fn data() -> Option<&'static Data> {
    static PARSED: LazyLock<Option<Data>> =
        LazyLock::new(|| serde_json::from_str(include_str!("../../calibration/plan.json")).ok());
    PARSED.as_ref()
}

/// What is seen to once on a bow before its first change: codes of `setup --ticked` and `setup.checklist`.
pub const CHECKLIST: [&str; 4] = ["centre-shot", "clearance", "brace-height", "nock-fit"];

/// A plan for the next shooting.
#[must_use]
pub fn plan(options: &PlanOptions) -> Plan {
    let (Some(data), Ok(assumptions)) = (data(), Assumptions::embedded()) else {
        return Plan::default();
    };
    let stated = plausible_distance(options.distance_m);
    let distance_m = stated.unwrap_or(data.unknown_tune_distance_m);
    let distance_ratio = distance_m / assumptions.reference_distance_m;
    let tolerance = assumptions.tolerance_for(options.tolerance_30m_mm) * distance_ratio;
    let scatter = options
        .scatter_sd_mm
        .filter(|sd| sd.is_finite() && *sd > 0.0);
    let spreads = scatter.map_or_else(
        || precision::prior_scatters(distance_ratio, &assumptions),
        |sd| vec![(sd, 1.0)],
    );
    let offsets: Vec<f64> = data
        .offsets_30m_mm
        .iter()
        .map(|o| o * distance_ratio)
        .collect();
    let full = assumptions.is_full_distance(distance_m);
    let certainty = options
        .certainty
        .filter(|c| (0.5..1.0).contains(c))
        .unwrap_or(data.certainty);
    let forecast = precision::PrecisionForecast {
        arrows: data.bare,
        spreads: &spreads,
        tolerance,
        distance_ratio,
        assumptions: &assumptions,
    };
    let pairs = forecast.pairs_needed(certainty, data.far_tolerances * tolerance);
    let least = u32::try_from(advice::Knowledge::embedded().min_ends_before_irreversible_step())
        .unwrap_or(1);
    let in_ends = |pairs: u32| least.max(pairs.div_ceil(data.bare.max(1)));
    let planned = pairs.unwrap_or(least * data.bare);
    Plan {
        schema: SCHEMA.to_owned(),
        distance_m,
        fletched: data.fletched,
        bare: data.bare,
        ends: least,
        needed: Needed {
            certainty,
            pairs,
            ends: pairs.map(in_ends),
            far_mm: rounded(data.far_tolerances * tolerance, 1),
            tells_apart_mm: forecast
                .told_apart(planned, certainty)
                .map(|offset| rounded(offset, 0)),
        },
        hand: options.hand,
        order: (0..data.fletched.max(data.bare))
            .flat_map(|i| {
                [
                    (i < data.fletched).then(|| "fletched".to_owned()),
                    (i < data.bare).then(|| "bare".to_owned()),
                ]
            })
            .flatten()
            .collect(),
        scatter: PlannedScatter {
            sd_mm: rounded(
                scatter.unwrap_or(assumptions.scatter_median_mm * distance_ratio),
                1,
            ),
            from: if scatter.is_some() {
                ScatterFrom::Stated
            } else {
                ScatterFrom::Assumed
            },
        },
        tolerance_mm: rounded(tolerance, 1),
        precision: data
            .pairs
            .iter()
            .map(|&pairs| forecast.of_pairs(pairs, &offsets))
            .collect(),
        shows_in_tune: full,
        record: ToNote::ALL.to_vec(),
        cautions: cautions(stated.is_none(), full, distance_m, &assumptions),
    }
}

fn cautions(unknown: bool, full: bool, distance_m: f64, assumptions: &Assumptions) -> Vec<Caution> {
    let mut notes = vec![advice::bare_shafts().among()];
    if unknown {
        notes.push(Caution::new(
            "start-short",
            CautionKind::StartShort(distance_m),
        ));
    }
    if !full {
        notes.push(Caution::new("short-distance", CautionKind::ShortDistance));
    }
    if distance_m > assumptions.long_distance_m {
        notes.push(Caution::new("long-distance", CautionKind::LongDistance));
    }
    notes.push(advice::general().among());
    notes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_unknown_tune_starts_at_18_m_and_alternates() {
        let plan = plan(&PlanOptions::default());
        assert!((plan.distance_m - 18.0).abs() < 1e-12 && !plan.shows_in_tune);
        assert_eq!(plan.order.len(), 6);
        assert_eq!(&plan.order[..2], ["fletched", "bare"]);
        let codes: Vec<&str> = plan.cautions.iter().map(|n| n.code.as_str()).collect();
        assert_eq!(
            codes,
            [
                "bare-shafts-stray",
                "start-short",
                "short-distance",
                "who-decides"
            ]
        );
        assert_eq!(plan.scatter.from, ScatterFrom::Assumed);
        for odd in [f64::NAN, -5.0, 1e9] {
            let odd = PlanOptions {
                distance_m: Some(odd),
                scatter_sd_mm: Some(odd),
                ..PlanOptions::default()
            };
            assert!(
                super::plan(&odd)
                    .precision
                    .iter()
                    .all(|p| p.sd_mm.is_finite())
            );
        }
    }

    /// Six arrows 82 mm apart: 3.275 sd per axis (table of extreme spreads).
    #[test]
    fn a_group_tells_the_scatter() {
        let sd = scatter_of_group(82.0, 6).expect("a group");
        assert!((sd - 82.0 / 3.275).abs() < 1e-9);
        assert_eq!(scatter_of_group(f64::NAN, 6), None);
    }

    /// Groups as wide as the boss: nothing that people shoot shows "in tune", and the plan says so.
    #[test]
    fn too_wide_a_group_is_said() {
        let plan = plan(&PlanOptions {
            distance_m: Some(30.0),
            scatter_sd_mm: Some(150.0),
            ..PlanOptions::default()
        });
        assert_eq!(plan.needed.pairs, None);
    }

    #[test]
    fn thirty_metres_and_a_known_scatter() {
        let plan = plan(&PlanOptions {
            distance_m: Some(30.0),
            scatter_sd_mm: Some(25.0),
            ..PlanOptions::default()
        });
        assert!(plan.shows_in_tune);
        let [first, .., last] = plan.precision.as_slice() else {
            panic!("several numbers of pairs")
        };
        assert!(first.sd_mm > last.sd_mm);
        let side = |p: &Precision, i: usize| p.chances[i].p_side;
        assert!(side(first, 3) < side(last, 3) && side(last, 3) > 0.95);
        assert!(last.chances[0].p_neutral > first.chances[0].p_neutral);
        // both must come, so more is needed than for either; a wish for more certainty asks for more shots
        let pairs = plan.needed.pairs.expect("such groups can");
        assert!(pairs > 3 && plan.ends * plan.bare >= pairs, "{plan:?}");
        let surer = super::plan(&PlanOptions {
            distance_m: Some(30.0),
            scatter_sd_mm: Some(25.0),
            certainty: Some(0.9),
            hand: Some(Hand::Left),
            ..PlanOptions::default()
        });
        assert!(surer.needed.pairs.is_none_or(|more| more > pairs));
        let json = serde_json::to_string(&plan).expect("json");
        let back: Plan = serde_json::from_str(&json).expect("plan");
        assert_eq!(serde_json::to_string(&back).expect("json"), json);
    }
}

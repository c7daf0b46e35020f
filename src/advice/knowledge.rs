//! What the advice takes as given: the priors, steps and limits of `calibration/advice.json`, each with its source there.

use super::Action;
use serde::Deserialize;
use std::sync::LazyLock;

/// Text of the calibration file, part of the program.
const TEXT: &str = include_str!("../../calibration/advice.json");

/// What the advice takes as given; marks and sources stay in the file.
#[derive(Clone, Debug, Deserialize)]
pub struct Knowledge {
    pub(super) physics: PhysicsData,
    pub(super) typical_setup: TypicalSetup,
    pub(super) bare_nock_g: Sourced,
    pub(super) scale: Scale,
    pub(super) levers: Vec<LeverPrior>,
    pub(super) bolts: Bolts,
    pub(super) prediction_sd: PredictionSd,
    pub(super) learning: Learning,
    pub(super) increments: Increments,
    pub(super) bounds_when_unknown: Bounds,
    pub(super) plunger: PlungerData,
    pub(super) safety: Safety,
    pub(super) sight: Sight,
    pub(super) step_rules: StepRules,
    pub(super) policy: Policy,
}

/// Factors on the standard deviation of a shift, as stated to the archer.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct PredictionSd {
    /// For a lever that wasn't adjusted on this bow before.
    pub(super) untried: f64,
    /// For one that was.
    pub(super) tried: f64,
}

/// One number with its source.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct Sourced {
    pub(super) value: f64,
}

#[derive(Clone, Debug, Deserialize)]
pub(super) struct PhysicsData {
    pub(super) thrust_share: Sourced,
    pub(super) virtual_mass_g: VirtualMass,
}

#[derive(Clone, Debug, Deserialize)]
pub(super) struct VirtualMass {
    draw_lb: Vec<f64>,
    grams: Vec<f64>,
}

impl VirtualMass {
    /// Grams at this draw weight, lb: straight lines between the file's points, level beyond them.
    pub(super) fn at(&self, lb: f64) -> f64 {
        let points: Vec<(f64, f64)> = self
            .draw_lb
            .iter()
            .copied()
            .zip(self.grams.iter().copied())
            .collect();
        let (Some(first), Some(last)) = (points.first(), points.last()) else {
            return 0.0;
        };
        if lb <= first.0 {
            return first.1;
        }
        points
            .windows(2)
            .find(|pair| lb <= pair[1].0)
            .map_or(last.1, |pair| {
                let part = (lb - pair[0].0) / (pair[1].0 - pair[0].0);
                pair[0].1 + part * (pair[1].1 - pair[0].1)
            })
    }
}

/// The set-up that stands in for an unknown one: a club archer's.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct TypicalSetup {
    pub(super) draw_weight_lb: f64,
    pub(super) shaft_spine: f64,
    /// Added to the log-sd of every slope then.
    pub(super) extra_log_sd: f64,
}

/// What the slopes of one axis have in common.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct Scale {
    /// Offset at 30 m per unit of the natural logarithm of the beam's index, mm.
    pub(super) mm_per_unit_log_index: f64,
    /// Log-sd of the part common to all levers, for a loading of 1.
    pub(super) log_sd: f64,
}

/// An axis of the face.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Axis {
    /// Low and high.
    Vertical,
    /// Left and right.
    Horizontal,
}

/// The prior of one lever: mm of offset at 30 m per unit is log-normal.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct LeverPrior {
    pub(super) action: Action,
    pub(super) unit: String,
    pub(super) axis: Axis,
    /// Sign of the signed offset's shift by a positive amount: +1 or −1.
    pub(super) sign: f64,
    pub(super) median_mm: f64,
    #[serde(default)]
    pub(super) divided_by: Option<Divisor>,
    pub(super) own_log_sd: f64,
    /// Loading of ln β on the part that is common to all levers of the axis.
    pub(super) common_loading: f64,
    pub(super) mark: String,
}

/// What the median of a lever is divided by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Divisor {
    DrawWeightLb,
    ShaftSpine,
}

/// Limb bolts, where the archer doesn't say what they do.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct Bolts {
    /// Change of the draw weight by a quarter turn of both, share of it.
    pub(super) share_per_quarter_turn: f64,
    pub(super) own_log_sd: f64,
}

/// Priors and noise of the changes in a bow's history. Lengths in mm at 30 m.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct Learning {
    /// Prior standard deviation of the offset.
    pub(super) offset_sd_mm: f64,
    /// Standard deviation of a shift about what its slope says, share of the shift.
    pub(super) shift_relative_sd: f64,
    /// Standard deviation that setting up again adds to any change.
    pub(super) repeat_setup_sd_mm: f64,
    /// Standard deviation that another set of shafts adds.
    pub(super) new_shafts_sd_mm: f64,
    /// Standard deviation of the vertical shift by a horizontal lever, share of its horizontal shift.
    pub(super) cross_axis_relative_sd: f64,
    /// Least deviation from the expected shift that is a contradiction, standard deviations.
    pub(super) contradiction_sd: f64,
    /// Least probability of a shift against the expected direction that is a contradiction.
    pub(super) contradiction_probability: f64,
}

/// Smallest increments of each lever, where the archer gives none.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct Increments {
    pub(super) quarter_turns: f64,
    pub(super) shaft_length_mm: f64,
    pub(super) finest_cut_mm: f64,
    pub(super) plunger_clicks: f64,
    pub(super) nocking_point_mm: f64,
    pub(super) rest_height_mm: f64,
    pub(super) stock_points_gr: Vec<f64>,
    pub(super) spine_grid: f64,
}

/// The most that one advice asks for where the archer gives no limit.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct Bounds {
    pub(super) quarter_turns: f64,
    pub(super) nocking_point_mm: f64,
    pub(super) rest_height_mm: f64,
}

#[derive(Clone, Debug, Deserialize)]
pub(super) struct PlungerData {
    pub(super) clicks_per_turn: f64,
    pub(super) usual: f64,
    pub(super) turns_either_side: f64,
}

#[derive(Clone, Debug, Deserialize)]
pub(super) struct Safety {
    pub(super) least_gr_per_lb: f64,
}

/// What sight marks depend on.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct Sight {
    /// Speed of an arrow, m/s.
    pub(super) arrow_m_s: f64,
}

/// What each kind of step needs of the findings. Lengths in mm at 30 m.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct StepRules {
    /// Least number of shots of each kind before any change.
    pub(super) pairs: u32,
    /// Least number of ends before a cut or new shafts.
    pub(super) ends: usize,
    /// Distances from which a cut can be decided, m.
    pub(super) distance_m: [f64; 2],
    /// Distance to go to when bare shafts miss, m.
    pub(super) nearer_m: f64,
    /// Distance to go to when they miss from there, m.
    pub(super) nearest_m: f64,
    /// Largest difference of mass between bare and fletched shafts that is ignored, gr.
    pub(super) mass_gr: f64,
    /// Offset from which a larger difference is ignored too, as a multiple of the offset that the difference makes.
    pub(super) mass_times: f64,
    /// Offset that unknown masses may make.
    pub(super) unknown_mass_mm: f64,
    /// Largest scatter per axis of a group.
    pub(super) group_sd_mm: f64,
    /// Number of ends from which a wider one is accepted.
    pub(super) repeat_ends: usize,
    /// Largest scatter of a group as a multiple of that in the archer's ends with earlier set-ups.
    pub(super) group_times: f64,
    /// Least number of such ends for that.
    pub(super) group_earlier_ends: usize,
    /// Scatter, as a multiple of the earlier one, from which an offset near zero is doubtful.
    pub(super) wider_times: f64,
    /// Share of outliers from which it is doubtful, too.
    pub(super) bad_share: f64,
    /// Least distance of the groups for a wrong tag to be seen, in the groups' sds.
    pub(super) swapped_apart_sds: f64,
    /// Largest distance of a shot with a wrong tag from the other group, in the groups' sds.
    pub(super) swapped_within_sds: f64,
    /// Least number of such shots that make tags doubtful.
    pub(super) swapped_least: usize,
    /// Least share of such shots that makes tags doubtful.
    pub(super) swapped_share: f64,
    /// Largest share of wrong tags that is assumed.
    pub(super) swapped_most: f64,
    /// Least ratio of the scatter after a change to that before with which the groups are worse.
    pub(super) worse_ratio: f64,
    /// Standard deviations by which the ratio's logarithm has to stand out.
    pub(super) worse_sds: f64,
    /// A change did nothing if its shift is less than this share of the one expected.
    pub(super) nothing_share: f64,
    /// Least probability of that.
    pub(super) nothing_probability: f64,
    /// Least shift expected from which that is asked.
    pub(super) nothing_least_mm: f64,
    /// Lean that stands out, degrees.
    pub(super) crooked_deg: f64,
    /// Offset below which a step is small.
    pub(super) small_offset_mm: f64,
    /// Least number of ends before a small step.
    pub(super) small_step_ends: usize,
    /// Largest offset at which the plunger is turned.
    pub(super) plunger_within_mm: f64,
    /// Most clicks of it at a time.
    pub(super) plunger_clicks: f64,
    /// Offset beyond which another spine is offered.
    pub(super) spine_above_mm: f64,
    /// Largest offset after it, as a ratio to the present one.
    pub(super) spine_remaining_share: f64,
    /// The same where it overshoots and the other settings can take that back.
    pub(super) spine_overshoot_max_ratio: f64,
    /// Share of the adjustment range of these settings that taking the overshoot back may use.
    pub(super) usable_range_share: f64,
    /// Usual heights of the nocking point above square.
    pub(super) nocking_point_mm: [f64; 2],
}

/// When a bow is in tune, and what each kind of adjustment needs of the offset.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct Policy {
    /// Least probability, both axes together, of lying inside the tolerance for the bow to be in tune.
    pub(super) in_tune: f64,
    /// The same where something makes an offset near zero doubtful.
    pub(super) in_tune_doubtful: f64,
    /// The same by all ends, where the newest set-up's own don't show it.
    pub(super) in_tune_by_all: f64,
    /// Least number of the newest set-up's own ends for that.
    pub(super) in_tune_by_all_ends: u32,
    /// Least probability by these alone for that.
    pub(super) in_tune_by_all_own: f64,
    /// An axis is adjusted only below this probability of lying inside the tolerance.
    pub(super) adjust_below_p_inside: f64,
    /// Least probability of the offset's side with which an axis is adjusted.
    pub(super) adjust_from_p_side: f64,
    /// The slope that a step is sized by is median · exp(this · variance of ln β): 0.5 is the mean.
    pub(super) sizing_log_variance_factor: f64,
    /// Least probability of lying inside the tolerance with which the bow is set back to earlier settings.
    pub(super) known_out_below_p_inside: f64,
    /// Least number of ends before a tweak.
    pub(super) tweak_ends: u32,
    /// Least probability of the offset's side for a tweak.
    pub(super) tweak_from_p_side: f64,
    /// Least number of ends that a tweak saves.
    pub(super) tweak_saves_ends: f64,
    /// Most ends that are looked ahead to.
    pub(super) horizon_ends: usize,
    /// Vertical offset up to which the rest comes before the nocking point, mm.
    pub(super) rest_up_to_mm: f64,
    /// Two levers at once: largest expected square of the offset after them, share of the present one's.
    pub(super) pair_gain: f64,
    /// Largest step of the nocking point in such a pair, mm.
    pub(super) pair_nocking_point_mm: f64,
    /// Largest step of the rest in such a pair, mm.
    pub(super) pair_rest_mm: f64,
    /// Offset above which shafts are cut, mm.
    pub(super) cut_above_mm: f64,
    /// Least probability of acting weak with which shafts are cut.
    pub(super) cut_from_p_side: f64,
    /// Largest probability that a cut goes past zero.
    pub(super) cut_past_zero: f64,
    /// Largest probability that a cut goes past the tolerance.
    pub(super) cut_past_tolerance: f64,
    /// Longest portion of a cut, in steps.
    pub(super) cut_portion_steps: usize,
    /// Least probability of the side with which the spine is said to be wrong.
    pub(super) wrong_spine_from_p_side: f64,
    /// The limits are said to be reached only below this probability of lying inside.
    pub(super) at_limits_below_p_inside: f64,
    /// The same where no number of shots would decide.
    pub(super) at_limits_below_p_inside_undecidable: f64,
    /// Least number of ends before that.
    pub(super) at_limits_ends: u32,
}

/// Figures that sentences state. Lengths in mm at 30 m.
#[derive(Clone, Copy, Debug)]
pub(crate) struct StatedFigures {
    /// Shots of each kind before a cut or new shafts.
    pub(crate) pairs: i64,
    /// Ends before one.
    pub(crate) ends: i64,
    /// Distances from which a cut can be decided, m.
    pub(crate) distance_m: [f64; 2],
    /// Offset that unknown masses may make.
    pub(crate) unknown_mass_mm: f64,
    /// Offset within which the plunger is turned.
    pub(crate) plunger_within_mm: f64,
    /// Change of the draw weight by a quarter turn of both bolts, share of it.
    pub(crate) bolts_share: f64,
}

/// The knowledge of this build.
pub(super) fn knowledge() -> &'static Knowledge {
    static PARSED: LazyLock<Knowledge> = LazyLock::new(|| {
        #[expect(
            clippy::expect_used,
            reason = "part of the program; a test parses it, so a build that passes its tests can't fail here"
        )]
        serde_json::from_str(TEXT).expect("calibration/advice.json holds the advice's calibration")
    });
    &PARSED
}

impl Knowledge {
    /// What is built in.
    #[must_use]
    pub fn embedded() -> &'static Self {
        knowledge()
    }

    /// Reads the format of `calibration/advice.json`.
    ///
    /// # Errors
    /// If the JSON is not of that format.
    pub fn from_json(text: &str) -> Result<Self, serde_json::Error> {
        serde_json::from_str(text)
    }

    /// The figures that sentences state.
    pub(crate) fn stated(&self) -> StatedFigures {
        let rules = &self.step_rules;
        StatedFigures {
            pairs: i64::from(rules.pairs),
            ends: i64::try_from(rules.ends).unwrap_or(i64::MAX),
            distance_m: rules.distance_m,
            unknown_mass_mm: rules.unknown_mass_mm,
            plunger_within_mm: rules.plunger_within_mm,
            bolts_share: self.bolts.share_per_quarter_turn,
        }
    }

    /// Least number of ends before a cut or new shafts; `plan` asks for as many.
    #[must_use]
    pub const fn min_ends_before_irreversible_step(&self) -> usize {
        self.step_rules.ends
    }

    /// The prior of this lever.
    pub(super) fn lever(&self, action: Action) -> Option<&LeverPrior> {
        self.levers.iter().find(|l| l.action == action)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_file_parses_and_is_complete() {
        let k = knowledge();
        assert_eq!(k.levers.len(), 8);
        for lever in &k.levers {
            assert!(lever.median_mm > 0.0 && lever.own_log_sd > 0.0);
            assert!((lever.sign.abs() - 1.0).abs() < 1e-12);
            assert!(!lever.mark.is_empty() && !lever.unit.is_empty());
        }
        assert!((k.physics.virtual_mass_g.at(30.0) - 6.5).abs() < 1e-12);
        assert!((k.physics.virtual_mass_g.at(60.0) - 8.0).abs() < 1e-12);
    }
}

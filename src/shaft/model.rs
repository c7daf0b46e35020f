//! The few fitted numbers that turn net scores into probabilities and errors: `calibration/shaft-net/model.json`.

use super::peaks::logistic;
use super::weights::WeightsError;
use serde::Deserialize;

/// What the joint choice makes of one candidate.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Features {
    /// Log-odds of "a shaft enters here" on the map.
    pub(crate) map_entry_log_odds: f64,
    /// How well the nock's place fits those of the photo's other candidates: log likelihood ratio against all lengths being equally likely.
    pub(crate) agreement: f64,
    /// Log-odds of "shaft" along its axis on the map.
    pub(crate) map_axis_log_odds: f64,
    /// Length from entry to nock, mm.
    pub(crate) length_mm: f64,
    /// Its standard deviation, mm.
    pub(crate) length_sd_mm: f64,
    /// Log-odds of being a shaft by the strip.
    pub(crate) strip_shaft_log_odds: f64,
    /// How near a likelier candidate is: 1 at the same place, 0 far away.
    pub(crate) likelier_neighbour: f64,
    /// Log-odds of fletched by the strip.
    pub(crate) strip_fletched_log_odds: f64,
    /// The same by the real set ([`super::NetSets`]), where the rendered set gave the rest and the real one was asked besides.
    pub(crate) fletched_by_real_set: Option<f64>,
    /// Weight of the real set's log-odds of fletched, 0–1; the rendered set's have the remainder.
    pub(crate) real_set_weight: f64,
    /// Log-odds of fletched by the map.
    pub(crate) map_fletched_log_odds: f64,
    /// Share of the tail's strip that is in the picture.
    pub(crate) tail_seen: f64,
}

/// Fitted on photos that neither net has seen; the file says which.
#[derive(Clone, Debug, Deserialize)]
pub(crate) struct Model {
    /// Log-odds of being a shaft: a constant and a factor for each number of the [`Features`].
    pub(crate) shaft: ShaftOdds,
    /// Log-odds of fletched.
    pub(crate) kind: KindOdds,
    /// When the real set is asked about vanes besides; only in the rendered set's file.
    pub(crate) real_set: Option<RealSetOdds>,
    /// Standard deviation of the entry along and across the shaft's axis.
    pub(crate) entry_sd_mm: EntrySd,
    /// What shafts stand out of the boss by, before any is seen.
    pub(crate) usual_length_mm: UsualLength,
    /// How thick shafts are, before any is seen.
    pub(crate) usual_thickness_mm: UsualThickness,
    /// What is left of the odds of a candidate where nothing else in the photo is a shaft.
    pub(crate) isolated_odds_factor: f64,
    /// To be added to the distance of a shaft's edges to give its thickness, mm.
    pub(crate) width_bias_mm: f64,
}

/// Largest log-odds of fletched or bare that the real set gives, but for rare cases.
const REAL_SET_LARGEST_LOG_ODDS: f64 = 12.0;
/// Log-odds of fletched or bare beyond which a kind is settled.
const SETTLED_LOG_ODDS: f64 = 3.0;

#[derive(Clone, Copy, Debug, Deserialize)]
pub(crate) struct ShaftOdds {
    constant: f64,
    /// Scores below this say no more than this.
    least_score: f64,
    score: f64,
    agreement: f64,
    mask: f64,
    shaft: f64,
    likelier_neighbour: f64,
}

/// Normal, mm; a single nock that is seen outweighs it.
#[derive(Clone, Copy, Debug, Deserialize)]
pub(crate) struct UsualLength {
    pub(crate) mean: f64,
    pub(crate) sd: f64,
}

/// Log-normal.
#[derive(Clone, Copy, Debug, Deserialize)]
pub(crate) struct UsualThickness {
    pub(crate) median: f64,
    /// Standard deviation of the natural logarithm.
    pub(crate) ln_sd: f64,
}

#[derive(Clone, Copy, Debug, Deserialize)]
pub(crate) struct KindOdds {
    constant: f64,
    strip: f64,
    map: f64,
    /// Kinds less probable than this stay open.
    least: f64,
}

/// Log-odds that a photo looks like those that the real set was fitted on, by the rendered set's mean detection score
/// ([`super::first_stage::FirstStage::mean_detection_score`]).
#[derive(Clone, Copy, Debug, Deserialize)]
pub(crate) struct RealSetOdds {
    constant: f64,
    /// Change of the log-odds per unit of the mean detection score.
    slope: f64,
}

impl RealSetOdds {
    /// Weight of the real set's log-odds of fletched, 0–1.
    pub(crate) fn weight(&self, mean_detection_score: f64) -> f64 {
        logistic(self.constant + self.slope * mean_detection_score)
    }
}

/// Each grows by the factor `1 + sd_increase_if_unsure · (1 − probability of a shaft)`, mm; the picture's resolution adds
/// `resolution_sd_px`.
#[derive(Clone, Copy, Debug, Deserialize)]
pub(crate) struct EntrySd {
    along: f64,
    across: f64,
    /// Across, where both edges of the shaft are clear.
    across_by_edges: f64,
    sd_increase_if_unsure: f64,
    resolution_sd_px: f64,
}

impl Model {
    /// From the text of the file.
    pub(crate) fn parse(text: &str) -> Result<Self, WeightsError> {
        serde_json::from_str(text).map_err(|_| WeightsError::Malformed)
    }

    /// Probability that a candidate is the entry of a shaft.
    pub(crate) fn shaft(&self, v: &Features) -> f64 {
        let m = &self.shaft;
        logistic(
            m.constant
                + m.score * v.map_entry_log_odds.max(m.least_score)
                + m.agreement * v.agreement
                + m.mask * v.map_axis_log_odds
                + m.shaft * v.strip_shaft_log_odds
                + m.likelier_neighbour * v.likelier_neighbour,
        )
    }

    /// Probability that a shaft is fletched.
    pub(crate) fn fletched(&self, v: &Features) -> f64 {
        let m = &self.kind;
        let own =
            m.constant + m.strip * v.strip_fletched_log_odds + m.map * v.map_fletched_log_odds;
        let by_real_set = v.fletched_by_real_set.unwrap_or(own);
        logistic(own + v.real_set_weight * (by_real_set - own))
    }

    /// The kind, if no answer of the real set with this `weight` could change it: 1 for fletched, -1 for bare, 0 if one could.
    /// `fletched` and `map_fletched_log_odds`: the rendered set's log-odds of fletched by the strip and by the map.
    pub(crate) fn kind_settled_without_real_set(
        &self,
        fletched: f32,
        map_fletched_log_odds: f64,
        weight: f64,
    ) -> i8 {
        let m = &self.kind;
        let own = m.constant + m.strip * f64::from(fletched) + m.map * map_fletched_log_odds;
        // at worst the real set says the opposite, with the largest log-odds that it gives
        let at_worst = own.abs() - weight * (own.abs() + REAL_SET_LARGEST_LOG_ODDS);
        match own > 0.0 {
            _ if at_worst.is_nan() || at_worst < SETTLED_LOG_ODDS => 0,
            true => 1,
            false => -1,
        }
    }

    /// Whether fletched or bare is sure enough to be said.
    pub(crate) fn says_kind(&self, fletched: f64) -> bool {
        fletched.max(1.0 - fletched) >= self.kind.least
    }

    /// Standard deviations of the entry along and across the shaft's axis on the face, mm.
    pub(crate) fn entry_sd_mm(
        &self,
        shaft_probability: f64,
        mm_per_px: f64,
        edges_seen: bool,
    ) -> (f64, f64) {
        let m = &self.entry_sd_mm;
        let factor = 1.0 + m.sd_increase_if_unsure * (1.0 - shaft_probability);
        let coarse = m.resolution_sd_px * mm_per_px;
        let across = if edges_seen {
            m.across_by_edges
        } else {
            m.across
        };
        (
            (m.along * factor).hypot(coarse),
            (across * factor).hypot(coarse),
        )
    }
}

//! What the reading assumes about archers, shafts and rules, as data with the reason for each figure.

use serde::{Deserialize, Deserializer};
use thiserror::Error;

const EMBEDDED: &str = include_str!("../../calibration/reading.json");

/// The figures behind a reading. Lengths hold at the reference distance and scale with the distance unless said.
/// Where each comes from stands beside it in `calibration/reading.json`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct Assumptions {
    /// Distance that lengths refer to, m.
    #[serde(deserialize_with = "sourced")]
    pub reference_distance_m: f64,
    /// Prior of the offset on each axis, [x, y]: a mixture of normals about zero, [sd in mm, probability].
    #[serde(deserialize_with = "sourced")]
    pub offset_prior: [Vec<[f64; 2]>; 2],
    /// Prior standard deviation of an end's centre about the point aimed at, mm; 0: a flat prior.
    #[serde(deserialize_with = "sourced")]
    pub centre_sd_mm: f64,
    /// Prior probability that a shot is an outlier (ε).
    #[serde(deserialize_with = "sourced")]
    pub outlier_probability: f64,
    /// Prior sample size of the outlier rate: α + β of its beta prior, in shots.
    #[serde(deserialize_with = "sourced")]
    pub outlier_prior_shots: f64,
    /// How many times wider outliers scatter (κ).
    #[serde(deserialize_with = "sourced")]
    pub outlier_widening: f64,
    /// [bare scatter / fletched scatter (ρ), probability].
    #[serde(deserialize_with = "sourced")]
    pub bare_scatter: Vec<[f64; 2]>,
    /// Median of the log-normal prior of the scatter (sd per axis, fletched), mm.
    #[serde(deserialize_with = "sourced")]
    pub scatter_median_mm: f64,
    /// Its sd in the logarithm, of the geometric mean of both axes.
    #[serde(deserialize_with = "sourced")]
    pub scatter_log_sd: f64,
    /// Sd of ln(σ_y/σ_x).
    #[serde(deserialize_with = "sourced")]
    pub scatter_axis_log_sd: f64,
    /// The values of the scatter that are summed over.
    #[serde(deserialize_with = "sourced")]
    pub scatter_grid: ScatterGrid,
    /// Sd of the arrows' own constant differences on each axis, mm.
    #[serde(deserialize_with = "sourced")]
    pub arrow_own_sd_mm: f64,
    /// Sd on each axis of an entry without a covariance, mm; not scaled.
    #[serde(deserialize_with = "sourced")]
    pub entry_sd_mm: f64,
    /// Tolerance on each axis, mm.
    #[serde(deserialize_with = "sourced")]
    pub tolerance_30m_mm: f64,
    /// Least and largest tolerance an archer may ask for, mm.
    #[serde(deserialize_with = "sourced")]
    pub tolerance_range_mm: [f64; 2],
    /// The tolerance of a fine tune, mm.
    #[serde(deserialize_with = "sourced")]
    pub fine_tolerance_30m_mm: f64,
    /// Neutral from a probability of lying inside the tolerance: [shots of the kind with fewer, probability], see
    /// [`Assumptions::neutral_from`].
    #[serde(deserialize_with = "sourced")]
    pub neutral_probability: Vec<[f64; 2]>,
    /// A side is called only if the probability of lying outside the tolerance is above this.
    #[serde(deserialize_with = "sourced")]
    pub side_outside_probability: f64,
    /// A side is called only if lying beyond the tolerance on it is at least this many times as likely as lying on the other side of zero.
    #[serde(deserialize_with = "sourced")]
    pub side_odds: f64,
    /// In tune from this probability of both axes lying inside.
    #[serde(deserialize_with = "sourced")]
    pub in_tune_probability: f64,
    /// A shot is named an outlier above this probability.
    #[serde(deserialize_with = "sourced")]
    pub outlier_named: f64,
    /// A shot may be an outlier above this probability.
    #[serde(deserialize_with = "sourced")]
    pub outlier_possible: f64,
    /// Least confidence of an unconfirmed entry that is used.
    #[serde(deserialize_with = "sourced")]
    pub least_confidence: f64,
    /// Fewer shots of a kind are cautioned.
    #[serde(deserialize_with = "sourced")]
    pub few_shots: usize,
    /// Fewer shots of a kind and nothing is called.
    #[serde(deserialize_with = "sourced")]
    pub least_shots: usize,
    /// [shots, mean, sd]: extreme spread of a round normal group in sd per axis.
    #[serde(deserialize_with = "sourced")]
    pub extreme_spread: Vec<[f64; 3]>,
    /// Most further pairs that are worth a forecast.
    #[serde(deserialize_with = "sourced")]
    pub more_pairs_most: u32,
    /// Sum of the normal quantiles of certainty and power for that forecast.
    #[serde(deserialize_with = "sourced")]
    pub more_pairs_z: f64,
    /// Bare/fletched scatter for that forecast.
    #[serde(deserialize_with = "sourced")]
    pub more_pairs_bare_ratio: f64,
    /// From this distance on a reading counts as one at the reference distance, m.
    #[serde(deserialize_with = "sourced")]
    pub full_distance_m: f64,
    /// Below this distance a reading is provisional, m.
    #[serde(deserialize_with = "sourced")]
    pub short_distance_m: f64,
    /// Beyond this distance wind and form dominate, m.
    #[serde(deserialize_with = "sourced")]
    pub long_distance_m: f64,
    /// The power with which an offset grows with the distance is least + |N(0, sd²)|: [least, sd] of that.
    #[serde(deserialize_with = "sourced")]
    pub growth_power: [f64; 2],
    /// A horizontal offset beyond this means the wrong spine, mm; scaled only beyond the reference distance.
    #[serde(deserialize_with = "sourced")]
    pub wrong_spine_mm: f64,
    /// Share of the offset's variance from the photos' roll that is cautioned.
    #[serde(deserialize_with = "sourced")]
    pub roll_share: f64,
    /// Prior probability that an arrow is odd.
    #[serde(deserialize_with = "sourced")]
    pub odd_arrow_prior: f64,
    /// Sd of an odd arrow's own offset on each axis, mm.
    #[serde(deserialize_with = "sourced")]
    pub odd_arrow_sd_mm: f64,
    /// Arrows of a kind, and ends of each, from which on they are sorted.
    #[serde(deserialize_with = "sourced")]
    pub sorted_arrows: usize,
    /// Ends of each.
    #[serde(deserialize_with = "sourced")]
    pub sorted_ends: usize,
    /// Least number of ends that an arrow must have been shot in to be assessed.
    #[serde(deserialize_with = "sourced")]
    pub odd_arrow_ends: usize,
    /// An arrow is named odd above this probability.
    #[serde(deserialize_with = "sourced")]
    pub odd_arrow_named: f64,
    /// An odd arrow is left out above this probability.
    #[serde(deserialize_with = "sourced")]
    pub odd_arrow_left_out: f64,
    /// Difference of lean that may contradict the offset, degrees.
    #[serde(deserialize_with = "sourced")]
    pub lean_contradiction_deg: f64,
    /// Difference of the rear weights of bare and fletched shafts that is cautioned, gr.
    #[serde(deserialize_with = "sourced")]
    pub mass_difference_gr: f64,
}

/// Evenly spaced values of ln σ, as factors of the prior's middle.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
pub struct ScatterGrid {
    /// Smallest factor.
    pub lowest: f64,
    /// Largest factor.
    pub highest: f64,
    /// How many values.
    pub steps: usize,
}

/// Why assumptions can't be used.
#[derive(Debug, Error)]
pub enum AssumptionsError {
    /// Not the JSON expected.
    #[error(
        "the assumptions of the reading can't be read: {0}; give every figure as {{\"value\", \"mark\", \"why\"}}"
    )]
    Json(#[from] serde_json::Error),
    /// A figure out of range.
    #[error("the assumptions of the reading don't hold together: {0}")]
    Range(&'static str),
}

impl Assumptions {
    /// The assumptions that come with the program.
    ///
    /// # Errors
    /// Never with the file as built (a test holds it to that).
    pub fn embedded() -> Result<Self, AssumptionsError> {
        Self::from_json(EMBEDDED)
    }

    /// Reads and checks assumptions in the format of `calibration/reading.json`.
    ///
    /// # Errors
    /// If the JSON is not of that format, a figure lacks its mark or reason, or is out of range.
    pub fn from_json(text: &str) -> Result<Self, AssumptionsError> {
        let assumptions: Self = serde_json::from_str(text)?;
        assumptions.check()?;
        Ok(assumptions)
    }

    /// Checks the ranges that the mathematics relies on.
    ///
    /// # Errors
    /// Names the first figure out of range.
    pub fn check(&self) -> Result<(), AssumptionsError> {
        let positive = |value: f64| value.is_finite() && value > 0.0;
        let share = |value: f64| (0.0..=1.0).contains(&value);
        let grid = self.scatter_grid;
        let rules: [(bool, &'static str); 12] = [
            (
                [
                    self.reference_distance_m,
                    self.outlier_prior_shots,
                    self.scatter_median_mm,
                    self.scatter_log_sd,
                    self.scatter_axis_log_sd,
                    self.tolerance_30m_mm,
                    self.more_pairs_z,
                    self.more_pairs_bare_ratio,
                    self.full_distance_m,
                    self.wrong_spine_mm,
                    self.odd_arrow_sd_mm,
                ]
                .into_iter()
                .all(positive),
                "distances, scatters and tolerances must be positive",
            ),
            (
                self.arrow_own_sd_mm >= 0.0 && self.entry_sd_mm >= 0.0,
                "arrow_own_sd_mm and entry_sd_mm must not be negative",
            ),
            (
                (0.0..1.0).contains(&self.outlier_probability),
                "outlier_probability must be at least 0 and less than 1",
            ),
            (
                self.outlier_widening >= 1.0,
                "outlier_widening must be at least 1",
            ),
            (
                !self.bare_scatter.is_empty()
                    && self
                        .bare_scatter
                        .iter()
                        .all(|&[ratio, weight]| positive(ratio) && positive(weight)),
                "bare_scatter needs positive ratios and weights",
            ),
            (
                self.offset_prior.iter().all(|parts| {
                    !parts.is_empty()
                        && parts
                            .iter()
                            .all(|&[sd, weight]| positive(sd) && positive(weight))
                }),
                "offset_prior needs positive sd and weights",
            ),
            (
                positive(grid.lowest)
                    && grid.highest >= grid.lowest
                    && (1..=200).contains(&grid.steps),
                "scatter_grid must run upward in 1 to 200 steps",
            ),
            (
                self.neutral_probability
                    .iter()
                    .map(|row| row[1])
                    .chain([
                        self.side_outside_probability,
                        self.in_tune_probability,
                        self.outlier_named,
                        self.outlier_possible,
                        self.least_confidence,
                        self.odd_arrow_prior,
                        self.odd_arrow_named,
                        self.odd_arrow_left_out,
                    ])
                    .all(share),
                "probabilities must lie between 0 and 1",
            ),
            (
                self.extreme_spread.len() > 1
                    && self.extreme_spread.iter().flatten().all(|v| positive(*v))
                    && self
                        .extreme_spread
                        .windows(2)
                        .all(|two| two[0][0] < two[1][0]),
                "extreme_spread needs two rows at least, by growing number of shots",
            ),
            (
                self.side_odds.is_finite() && self.side_odds >= 1.0,
                "side_odds must be one at least",
            ),
            (
                !self.neutral_probability.is_empty()
                    && self
                        .neutral_probability
                        .windows(2)
                        .all(|two| two[0][0] < two[1][0]),
                "neutral_probability needs rows, by growing number of shots",
            ),
            (
                positive(self.tolerance_range_mm[0])
                    && self.tolerance_range_mm[1] >= self.tolerance_range_mm[0],
                "tolerance_range_mm must run upward",
            ),
        ];
        match rules.into_iter().find(|(holds, _)| !holds) {
            Some((_, what)) => Err(AssumptionsError::Range(what)),
            None => Ok(()),
        }
    }

    /// Probability of lying inside the tolerance from which an axis is called neutral, after so many shots of each kind (of the
    /// kind with fewer).
    #[must_use]
    pub fn neutral_from(&self, shots: f64) -> f64 {
        by_shots(&self.neutral_probability, shots)
    }

    /// The values of σ that are summed over, as lengths at the reference distance, mm.
    #[must_use]
    pub fn scatter_values_mm(&self) -> Vec<f64> {
        let grid = self.scatter_grid;
        let (low, high) = (grid.lowest.ln(), grid.highest.ln());
        let last = grid.steps.saturating_sub(1).max(1);
        (0..grid.steps)
            .map(|j| self.scatter_median_mm * (low + (high - low) * j as f64 / last as f64).exp())
            .collect()
    }

    /// The widest sd of the offset's prior on either axis, mm.
    #[must_use]
    pub fn widest_offset_sd_mm(&self) -> f64 {
        self.offset_prior
            .iter()
            .flatten()
            .map(|part| part[0])
            .fold(0.0, f64::max)
    }

    /// The tolerance at 30 m, mm, from the archer's own wish if there is one, kept inside the range allowed.
    #[must_use]
    pub fn tolerance_for(&self, own: Option<f64>) -> f64 {
        match own {
            Some(own) if own.is_finite() => {
                own.clamp(self.tolerance_range_mm[0], self.tolerance_range_mm[1])
            }
            _ => self.tolerance_30m_mm,
        }
    }
}

/// The figure for a number of shots: straight lines between the rows, level beyond them.
fn by_shots(rows: &[[f64; 2]], shots: f64) -> f64 {
    let after = rows.iter().position(|row| row[0] >= shots);
    match after {
        None => rows.last().map_or(f64::INFINITY, |row| row[1]),
        Some(0) => rows[0][1],
        Some(at) => {
            let ([a, low], [b, high]) = (rows[at - 1], rows[at]);
            low + (high - low) * (shots - a) / (b - a)
        }
    }
}

/// A figure as the file gives it: never without where it comes from.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Sourced<T> {
    value: T,
    mark: Mark,
    why: String,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Mark {
    Physics,
    Practice,
    Assumption,
    Choice,
}

fn sourced<'de, D, T>(deserializer: D) -> Result<T, D::Error>
where
    D: Deserializer<'de>,
    T: Deserialize<'de>,
{
    let sourced = Sourced::<T>::deserialize(deserializer)?;
    let (Mark::Physics | Mark::Practice | Mark::Assumption | Mark::Choice) = sourced.mark;
    if sourced.why.trim().is_empty() {
        return Err(serde::de::Error::custom("a figure without its reason"));
    }
    Ok(sourced.value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_embedded_file_holds_together() {
        let assumptions = Assumptions::embedded().unwrap();
        assert_eq!(assumptions.scatter_values_mm().len(), 20);
        let total: f64 = assumptions.bare_scatter.iter().map(|pair| pair[1]).sum();
        assert!((total - 1.0).abs() < 1e-12, "weights add to {total}");
    }

    #[test]
    fn a_figure_without_reason_is_refused() {
        let text = EMBEDDED.replacen("about one bad loose in a dozen", " ", 1);
        assert!(Assumptions::from_json(&text).is_err());
        let text = EMBEDDED.replacen("\"value\": 0.08", "\"value\": 1.5", 1);
        let error = Assumptions::from_json(&text).unwrap_err().to_string();
        assert!(error.contains("outlier_probability"), "{error}");
        for rows in ["[]", "[[6, 0.9], [3, 0.94]]"] {
            let text = EMBEDDED.replacen("[[3, 0.94], [6, 0.915], [12, 0.90]]", rows, 1);
            let error = Assumptions::from_json(&text).unwrap_err().to_string();
            assert!(error.contains("neutral_probability"), "{error}");
        }
    }

    #[test]
    fn own_tolerance_is_kept_in_range() {
        let assumptions = Assumptions::embedded().unwrap();
        for (own, expected) in [
            (None, 50.0),
            (Some(30.0), 30.0),
            (Some(5.0), 20.0),
            (Some(500.0), 100.0),
            (Some(f64::NAN), 50.0),
        ] {
            let got = assumptions.tolerance_for(own);
            assert!((got - expected).abs() < 1e-12, "{own:?}: {got}");
        }
    }
}

//! Ends of one set-up → the reading.

use super::about::{Caution, CautionKind};
use super::arrows::{ArrowAssessment, OddArrowReading, posterior_with_arrows};
use super::calls::{self, AxisCall, Calls};
use super::cautions::{self, CautionInput};
use super::conditions::own_tolerance_of;
use super::sorting;
use super::{
    ArrowReading, Assumptions, Conditions, GatheredShots, Horizontal, HorizontalCall, Offset,
    Outlier, Posterior, Reading, SCHEMA, Scatter, Shot, Vertical, VerticalCall, distance, gather,
    groups, lean, more_shots,
};
use crate::math::rounded;
use crate::record::{ArrowKind, End, Hand};

/// Lengths of a reading are written to a hundredth of a millimetre.
const LENGTH_DECIMALS: i32 = 2;
/// Probabilities are written to this many decimals.
const PROBABILITY_DECIMALS: i32 = 4;

/// A reading with what it was made from.
#[derive(Clone, Debug, PartialEq)]
pub struct Analysis {
    /// The document.
    pub reading: Reading,
    /// The offset, unrounded; `None` if no reading could be made.
    pub posterior: Option<Posterior>,
    /// The shots that were used, their `end` the place among the ends given.
    pub shots: Vec<Shot>,
    /// All that the ends hold, before odd arrows were left out.
    pub gathered: GatheredShots,
}

/// Reads ends of one bow, set-up and distance, given in the order shot.
///
/// A reading that can't be made carries a `failure` and nulls. Hand and distance are those of the newest end that gives
/// them, the archer's own tolerance that of the newest end.
#[must_use]
pub fn read(ends: &[&End]) -> Reading {
    analyse(ends).reading
}

/// [`read`] with the posterior and the shots behind it.
#[must_use]
pub fn analyse(ends: &[&End]) -> Analysis {
    match Assumptions::embedded() {
        Ok(assumptions) => analyse_with(ends, &assumptions),
        Err(error) => Analysis {
            reading: Reading {
                failure: Some(Caution::new(
                    "assumptions",
                    CautionKind::Assumptions(error.to_string()),
                )),
                ..blank(ends, None, None)
            },
            posterior: None,
            shots: Vec::new(),
            gathered: GatheredShots::default(),
        },
    }
}

/// [`analyse`] under other assumptions.
#[must_use]
pub fn analyse_with(ends: &[&End], assumptions: &Assumptions) -> Analysis {
    let hand = ends.iter().rev().find_map(|end| end.session.hand);
    let distance_m =
        distance::plausible_distance(ends.iter().rev().find_map(|end| end.session.distance_m));
    let gathered = gather(ends, assumptions);
    let conditions = Conditions {
        roll_sd_rad: gathered.roll_sd_rad,
        ..Conditions::at(distance_m, assumptions)
    };
    let OddArrowReading {
        posterior,
        shots,
        assessed: arrows,
    } = posterior_with_arrows(&gathered.shots, conditions, assumptions);
    let reading = ReadingBuilder {
        ends,
        hand,
        distance_m,
        gathered: &gathered,
        shots: &shots,
        arrows: &arrows,
        posterior: posterior.as_ref(),
        assumptions,
    }
    .make();
    Analysis {
        reading,
        posterior,
        shots,
        gathered,
    }
}

/// A reading that says nothing yet.
fn blank(ends: &[&End], hand: Option<Hand>, distance_m: Option<f64>) -> Reading {
    Reading {
        schema: SCHEMA.to_owned(),
        hand,
        distance_m,
        ends: count(ends.len()),
        fletched: 0,
        bare: 0,
        offset: None,
        plain_mm: None,
        horizontal: Horizontal {
            call: HorizontalCall::Undecided,
            p_weak: None,
            p_stiff: None,
            p_neutral: None,
        },
        vertical: Vertical {
            call: VerticalCall::Undecided,
            p_nock_high: None,
            p_nock_low: None,
            p_neutral: None,
        },
        tolerance_mm: None,
        in_tune: false,
        scatter: None,
        groups: None,
        outliers: Vec::new(),
        arrows: Vec::new(),
        sorted: Vec::new(),
        more_shots: None,
        lean: None,
        cautions: Vec::new(),
        failure: None,
    }
}

/// What goes into the document.
struct ReadingBuilder<'a> {
    ends: &'a [&'a End],
    hand: Option<Hand>,
    distance_m: Option<f64>,
    gathered: &'a GatheredShots,
    shots: &'a [Shot],
    arrows: &'a [ArrowAssessment],
    posterior: Option<&'a Posterior>,
    assumptions: &'a Assumptions,
}

impl ReadingBuilder<'_> {
    fn make(&self) -> Reading {
        let tolerance_mm = self.tolerance();
        let mut reading = blank(self.ends, self.hand, self.distance_m);
        reading.fletched = self.count_of(ArrowKind::Fletched);
        reading.bare = self.count_of(ArrowKind::Bare);
        reading.tolerance_mm = tolerance_mm.map(length);
        reading.arrows = self.arrow_readings();
        let distance_ratio = Conditions::at(self.distance_m, self.assumptions).distance_ratio;
        reading.sorted = sorting::sorted(&self.gathered.shots, distance_ratio, self.assumptions);
        reading.lean = lean::difference(self.ends, self.shots);
        let mut calls = Calls::none();
        let mut possible = Vec::new();
        let mut too_wide = false;
        if let Some(posterior) = self.posterior {
            reading.offset = Some(offset(posterior));
            reading.plain_mm = groups::mean_difference(self.shots).map(|d| d.map(length));
            reading.scatter = Some(Scatter {
                fletched_sd_mm: posterior.fletched_sd_mm.map(length),
                bare_sd_mm: posterior.bare_sd_mm.map(length),
            });
            reading.groups = Some(groups::sizes(self.shots, self.assumptions));
            (reading.outliers, possible) = self.outliers(posterior);
            if let Some(tolerance) = tolerance_mm {
                calls = Calls::of(posterior, self.shots, tolerance, self.assumptions);
                too_wide = self.call(&mut reading, posterior, &calls, tolerance) == Some(true);
            }
        } else {
            reading.failure = Some(self.too_few(&reading));
        }
        reading.cautions = cautions::all(&CautionInput {
            ends: self.ends,
            gathered: self.gathered,
            shots: self.shots,
            posterior: self.posterior,
            calls: &calls,
            distance_m: self.distance_m,
            hand: self.hand,
            arrows: self.arrows,
            outliers: &reading.outliers,
            possible_outliers: &possible,
            lean: reading.lean,
            too_wide,
            numbers_differ: cautions::numbers_differ(self.ends),
            assumptions: self.assumptions,
        });
        reading
    }

    /// Tolerance at the distance shot, mm.
    fn tolerance(&self) -> Option<f64> {
        let distance = self.distance_m?;
        let own = own_tolerance_of(self.ends);
        let at_reference = self.assumptions.tolerance_for(own);
        Some(at_reference * distance / self.assumptions.reference_distance_m)
    }

    fn count_of(&self, kind: ArrowKind) -> u32 {
        count(self.shots.iter().filter(|shot| shot.kind == kind).count())
    }

    /// Writes the calls and the forecast; `Some(true)` if more shooting is of no use with groups this wide.
    fn call(
        &self,
        reading: &mut Reading,
        posterior: &Posterior,
        calls: &Calls,
        tolerance: f64,
    ) -> Option<bool> {
        let [x, y] = &posterior.axes;
        reading.horizontal = calls::horizontal(calls.axes[0], x, tolerance, self.hand);
        reading.vertical = calls::vertical(calls.axes[1], y, tolerance);
        let both = x.within(tolerance) * y.within(tolerance);
        let full = self
            .distance_m
            .is_some_and(|distance| self.assumptions.is_full_distance(distance));
        let shown = calls.axes == [AxisCall::Neutral; 2]
            && self.hand.is_some()
            && both >= self.assumptions.in_tune_probability;
        reading.in_tune = shown && full;
        let forecast = more_shots::forecast(
            posterior,
            reading.ends,
            calls.axes,
            tolerance,
            shown,
            self.assumptions,
        )?;
        reading.more_shots = Some(forecast.more);
        Some(forecast.too_wide)
    }

    /// Shots named as outliers, and those that may be.
    fn outliers(&self, posterior: &Posterior) -> (Vec<Outlier>, Vec<Outlier>) {
        let above = |least: f64, most: f64| -> Vec<Outlier> {
            self.shots
                .iter()
                .zip(&posterior.outliers)
                .filter(|&(_, &p)| p > least && p <= most)
                .map(|(shot, &p)| Outlier {
                    end: count(shot.end + 1),
                    id: shot.id,
                    p_outlier: rounded(p, PROBABILITY_DECIMALS),
                })
                .collect()
        };
        let named = self.assumptions.outlier_named;
        (
            above(named, f64::INFINITY),
            above(self.assumptions.outlier_possible, named),
        )
    }

    fn arrow_readings(&self) -> Vec<ArrowReading> {
        self.arrows
            .iter()
            .filter(|arrow| !arrow.ambiguous && arrow.p_odd > self.assumptions.odd_arrow_named)
            .map(|arrow| ArrowReading {
                arrow: arrow.mark.clone(),
                offset_mm: arrow.offset_mm.map(length),
                p_odd: rounded(arrow.p_odd, PROBABILITY_DECIMALS),
            })
            .collect()
    }

    fn too_few(&self, reading: &Reading) -> Caution {
        let about = CautionKind::NoReading {
            fletched: reading.fletched,
            bare: reading.bare,
            least: self.assumptions.few_shots,
        };
        Caution::new("few-shots", about)
    }
}

fn offset(posterior: &Posterior) -> Offset {
    let [x, y] = &posterior.axes;
    let cov = length(posterior.covariance_mm2);
    Offset {
        x_mm: length(x.mean_mm),
        y_mm: length(y.mean_mm),
        sd_x_mm: length(x.sd_mm()),
        sd_y_mm: length(y.sd_mm()),
        cov_mm2: [
            [length(x.whole_variance_mm2()), cov],
            [cov, length(y.whole_variance_mm2())],
        ],
    }
}

fn length(value: f64) -> f64 {
    rounded(value, LENGTH_DECIMALS)
}

fn count(value: usize) -> u32 {
    u32::try_from(value).unwrap_or(u32::MAX)
}

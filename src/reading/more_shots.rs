//! How many more shots would probably decide what these don't.

use super::about::{MoreShotsReason, TwoMoreEnds};
use super::calls::AxisCall;
use super::posterior::AxisPosterior;
use super::{Assumptions, MoreShots, Posterior, Thresholds};
use crate::math::normal_cdf;

/// Share of the tolerance below which an offset is planned as one that will turn out neutral.
const PLANNED_NEUTRAL_SHARE: f64 = 0.5;
/// Of an offset between half and the whole tolerance, what keeps its sign apart from zero.
const SIGN_SHARE: f64 = 0.6;

/// What one axis needs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum PairsNeeded {
    /// So many more pairs.
    Pairs(u32),
    /// The groups are too wide for any number of shots that people make; with this scatter (mm) they would do.
    Scatter(f64),
    /// The offset lies so near the tolerance that more shots won't decide it.
    Close,
}

/// Pairs that probably decide an axis: with m more pairs the variance becomes 1/(1/V + m/(σ²(1 + ρ²))), and the gap to
/// what must be excluded has to be z sd of it (one-sided 95 %, power 80 %).
pub(super) fn for_axis(
    axis: &AxisPosterior,
    scatter_mm: f64,
    tolerance: f64,
    assumptions: &Assumptions,
) -> PairsNeeded {
    let mean = axis.mean_mm.abs();
    let gap = if mean > tolerance {
        mean
    } else {
        let sign = if mean > PLANNED_NEUTRAL_SHARE * tolerance {
            SIGN_SHARE * mean
        } else {
            0.0
        };
        (tolerance - mean).max(sign)
    };
    let needed = (assumptions.more_pairs_z / gap).powi(2) - 1.0 / axis.whole_variance_mm2();
    let per_pair = pair_precision(scatter_mm, assumptions);
    let most = assumptions.more_pairs_most;
    if let Some(pairs) = (1..=most).find(|&m| f64::from(m) * per_pair >= needed) {
        return PairsNeeded::Pairs(pairs);
    }
    if mean <= PLANNED_NEUTRAL_SHARE * tolerance {
        // the scatter with which a dozen pairs would reach it
        let pairs = f64::from(most) / 5.0;
        return PairsNeeded::Scatter(scatter_mm * (pairs * per_pair / needed).sqrt());
    }
    PairsNeeded::Close
}

/// Precision of the offset that one more pair adds, 1/mm².
fn pair_precision(scatter_mm: f64, assumptions: &Assumptions) -> f64 {
    1.0 / (scatter_mm * scatter_mm * (1.0 + assumptions.more_pairs_bare_ratio.powi(2)))
}

/// Pairs after which both axes together would probably be shown to lie inside, if they stay where they are.
fn for_both(posterior: &Posterior, tolerance: f64, assumptions: &Assumptions) -> Option<u32> {
    (1..=assumptions.more_pairs_most).find(|&pairs| {
        let product: f64 = [0, 1]
            .map(|axis: usize| {
                let now = &posterior.axes[axis];
                let more =
                    f64::from(pairs) * pair_precision(posterior.fletched_sd_mm[axis], assumptions);
                let sd = (1.0 / (1.0 / now.whole_variance_mm2() + more)).sqrt();
                let beyond = |gap: f64| normal_cdf(-gap / sd);
                1.0 - beyond(tolerance - now.mean_mm) - beyond(tolerance + now.mean_mm)
            })
            .iter()
            .product();
        product >= assumptions.in_tune_probability
    })
}

/// What more shooting would bring.
pub(super) struct MoreShotsForecast {
    pub(super) more: MoreShots,
    /// The groups are too wide for any number of shots that people make.
    pub(super) too_wide: bool,
}

/// Number of ends that are looked ahead to.
const ENDS_AHEAD: u32 = 2;

/// Probability that an axis will have been decided after so many more pairs than were shot, and which way more probably: looking ahead from
/// what is known, the mean then is normal about the mean now with the variance that the shots will take away.
fn decided_after(
    axis: &AxisPosterior,
    [shot, pairs]: [f64; 2],
    scatter_mm: f64,
    tolerance: f64,
    assumptions: &Assumptions,
) -> (f64, bool) {
    let now = axis.variance_mm2.max(f64::MIN_POSITIVE);
    let then = 1.0 / (1.0 / now + pairs * pair_precision(scatter_mm, assumptions));
    let call = Thresholds::of(
        (then + axis.arrow_variance_mm2).sqrt(),
        shot + pairs,
        tolerance,
        assumptions,
    );
    let moves = (now - then).max(f64::MIN_POSITIVE).sqrt();
    let p = call.call_probabilities(axis.mean_mm, moves);
    let side = p.positive + p.negative;
    ((side + p.neutral).min(1.0), side >= p.neutral)
}

/// What two more ends like these would bring.
fn ahead(
    posterior: &Posterior,
    open: &[usize],
    ends: u32,
    tolerance: f64,
    assumptions: &Assumptions,
) -> TwoMoreEnds {
    let fewest = posterior.fletched.min(posterior.bare) as f64;
    let pairs = (f64::from(ENDS_AHEAD) * fewest / f64::from(ends.max(1)))
        .round()
        .max(1.0);
    let axes = open.iter().map(|&axis| {
        let (chance, side) = decided_after(
            &posterior.axes[axis],
            [fewest, pairs],
            posterior.fletched_sd_mm[axis],
            tolerance,
            assumptions,
        );
        (axis, chance, side)
    });
    TwoMoreEnds {
        pairs,
        axes: axes.collect(),
    }
}

/// The forecast for both axes from so many ends; `None` when nothing is left to decide.
pub(super) fn forecast(
    posterior: &Posterior,
    ends: u32,
    calls: [AxisCall; 2],
    tolerance: f64,
    in_tune: bool,
    assumptions: &Assumptions,
) -> Option<MoreShotsForecast> {
    let open: Vec<usize> = (0..2)
        .filter(|&axis| calls[axis] == AxisCall::Undecided)
        .collect();
    if !open.is_empty() {
        let ahead = ahead(posterior, &open, ends, tolerance, assumptions);
        return Some(for_open(posterior, open, ahead, tolerance, assumptions));
    }
    if in_tune || calls != [AxisCall::Neutral; 2] {
        return None;
    }
    let pairs = for_both(posterior, tolerance, assumptions);
    Some(MoreShotsForecast {
        more: MoreShots {
            pairs,
            why: MoreShotsReason::BothInside {
                in_reach: pairs.is_some(),
            },
        },
        too_wide: pairs.is_none(),
    })
}

/// What the undecided axes need: the larger number of pairs, or the first reason why none helps.
fn for_open(
    posterior: &Posterior,
    open: Vec<usize>,
    ahead: TwoMoreEnds,
    tolerance: f64,
    assumptions: &Assumptions,
) -> MoreShotsForecast {
    let none = |why: MoreShotsReason, too_wide: bool| MoreShotsForecast {
        more: MoreShots { pairs: None, why },
        too_wide,
    };
    let fewest = posterior.fletched.min(posterior.bare);
    let lacking = assumptions.few_shots.saturating_sub(fewest).max(1);
    let mut pairs = u32::try_from(lacking).unwrap_or(u32::MAX);
    for &axis in &open {
        let scatter_mm = posterior.fletched_sd_mm[axis];
        match for_axis(&posterior.axes[axis], scatter_mm, tolerance, assumptions) {
            PairsNeeded::Pairs(more) => pairs = pairs.max(more),
            PairsNeeded::Scatter(enough_mm) => {
                let why = MoreShotsReason::TooWide {
                    axis,
                    scatter_mm,
                    enough_mm,
                };
                return none(why, true);
            }
            PairsNeeded::Close => return none(MoreShotsReason::Close { axis, ahead }, false),
        }
    }
    MoreShotsForecast {
        more: MoreShots {
            pairs: Some(pairs),
            why: MoreShotsReason::Pairs { open, ahead },
        },
        too_wide: false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::{Conditions, Shot, posterior};
    use crate::record::ArrowKind;

    /// Three of each kind in one end, `away` apart on both axes, as wide as `wide`.
    fn groups(away: f64, wide: f64) -> Posterior {
        let assumptions = Assumptions::embedded().unwrap();
        let pattern = [(-1.0, 0.6), (0.3, -1.1), (0.7, 0.5)];
        let shots: Vec<Shot> = [(ArrowKind::Fletched, 0.0), (ArrowKind::Bare, away)]
            .into_iter()
            .flat_map(|(kind, away)| pattern.map(|(x, y)| (kind, x * wide + away, y * wide + away)))
            .map(|(kind, x, y)| Shot {
                end: 0,
                id: 0,
                kind,
                place_mm: [x, y],
                variance_mm2: [4.0, 4.0],
                arrow: None,
            })
            .collect();
        posterior(
            &shots,
            Conditions::at(Some(30.0), &assumptions),
            &assumptions,
        )
        .unwrap()
    }

    #[test]
    fn wider_groups_need_more_shots() {
        let assumptions = Assumptions::embedded().unwrap();
        let open = [AxisCall::Undecided; 2];
        let need = |posterior: &Posterior| {
            let forecast = forecast(posterior, 1, open, 50.0, false, &assumptions).unwrap();
            (forecast.more.pairs, forecast.too_wide)
        };
        let (close, wide, wider) = (
            need(&groups(10.0, 20.0)),
            need(&groups(10.0, 60.0)),
            need(&groups(10.0, 150.0)),
        );
        assert!(close.0.unwrap() < wide.0.unwrap(), "{close:?} {wide:?}");
        assert_eq!(wider, (None, true));
    }

    /// The promise: with so many more pairs the variance is small enough for one-sided 95 % and power 80 %.
    #[test]
    fn pairs_reach_the_precision_they_promise() {
        let assumptions = Assumptions::embedded().unwrap();
        let posterior = groups(90.0, 60.0);
        let axis = &posterior.axes[0];
        let sd = posterior.fletched_sd_mm[0];
        let PairsNeeded::Pairs(pairs) = for_axis(axis, sd, 50.0, &assumptions) else {
            panic!("pairs expected");
        };
        let precision = |pairs: f64| {
            (1.0 / axis.whole_variance_mm2() + pairs / (sd * sd * (1.0 + 1.25 * 1.25))).sqrt()
        };
        assert!(axis.mean_mm * precision(f64::from(pairs)) >= 2.4865);
        assert!(pairs == 1 || axis.mean_mm * precision(f64::from(pairs) - 1.0) < 2.4865);
    }

    /// Looking ahead: more pairs decide more surely, and with so many that nothing is left unknown the chance is that of lying
    /// clearly on one side of the tolerance.
    #[test]
    fn the_outlook_grows_with_the_pairs() {
        let assumptions = Assumptions::embedded().unwrap();
        let posterior = groups(60.0, 40.0);
        let axis = &posterior.axes[0];
        let chance = |pairs| {
            decided_after(
                axis,
                [3.0, pairs],
                posterior.fletched_sd_mm[0],
                50.0,
                &assumptions,
            )
            .0
        };
        assert!(chance(6.0) < chance(24.0) && chance(24.0) < chance(1e4));
        assert!(chance(1e6) > 0.9, "{}", chance(1e6));
        let forecast = forecast(
            &posterior,
            1,
            [AxisCall::Undecided, AxisCall::Undecided],
            50.0,
            false,
            &assumptions,
        )
        .unwrap();
        let MoreShotsReason::Pairs { ahead, .. } = forecast.more.why else {
            panic!("{:?}", forecast.more.why)
        };
        assert!(
            (ahead.pairs - 6.0).abs() < 1e-9,
            "two ends of three: {ahead:?}"
        );
    }

    #[test]
    fn nothing_left_to_decide() {
        let assumptions = Assumptions::embedded().unwrap();
        let posterior = groups(10.0, 20.0);
        for (calls, in_tune) in [
            ([AxisCall::Neutral; 2], true),
            ([AxisCall::Positive, AxisCall::Neutral], false),
        ] {
            assert!(forecast(&posterior, 1, calls, 50.0, in_tune, &assumptions).is_none());
        }
        assert!(
            forecast(
                &posterior,
                1,
                [AxisCall::Neutral; 2],
                50.0,
                false,
                &assumptions
            )
            .is_some()
        );
    }
}

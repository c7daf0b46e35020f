//! How many more shots would probably decide what these don't.

use super::calls::AxisCall;
use super::posterior::AxisPosterior;
use super::{Assumptions, MoreShots, Posterior};
use statrs::function::erf::erfc;

/// Below this share of the tolerance an offset is planned as one that will turn out neutral.
const NEAR_ZERO: f64 = 0.5;
/// Of an offset between half and the whole tolerance, what keeps its sign apart from zero.
const SIGN_SHARE: f64 = 0.6;

/// What one axis needs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Need {
    /// So many more pairs.
    Pairs(u32),
    /// The groups are too wide for any number of shots that people make; with this scatter (mm) they would do.
    Scatter(f64),
    /// The offset lies so near the tolerance that shooting won't tell.
    Close,
}

/// Pairs that probably decide an axis: with m more pairs the variance becomes 1/(1/V + m/(σ²(1 + ρ²))), and the gap to
/// what must be excluded has to be z sd of it (one-sided 95 %, power 80 %).
pub(super) fn for_axis(
    axis: &AxisPosterior,
    scatter_mm: f64,
    tolerance: f64,
    assumptions: &Assumptions,
) -> Need {
    let mean = axis.mean_mm.abs();
    let gap = if mean > tolerance {
        mean
    } else {
        let sign = if mean > NEAR_ZERO * tolerance {
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
        return Need::Pairs(pairs);
    }
    if mean <= NEAR_ZERO * tolerance {
        // the scatter with which a dozen pairs would reach it
        let pairs = f64::from(most) / 5.0;
        return Need::Scatter(scatter_mm * (pairs * per_pair / needed).sqrt());
    }
    Need::Close
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
                let beyond = |gap: f64| 0.5 * erfc(gap / sd * std::f64::consts::FRAC_1_SQRT_2);
                1.0 - beyond(tolerance - now.mean_mm) - beyond(tolerance + now.mean_mm)
            })
            .iter()
            .product();
        product >= assumptions.in_tune_probability
    })
}

/// The forecast for both axes; `None` when nothing is left to decide.
pub(super) fn forecast(
    posterior: &Posterior,
    calls: [AxisCall; 2],
    tolerance: f64,
    in_tune: bool,
    assumptions: &Assumptions,
) -> Option<MoreShots> {
    let names = ["left and right", "the height"];
    let open: Vec<usize> = (0..2)
        .filter(|&axis| calls[axis] == AxisCall::Undecided)
        .collect();
    let short = assumptions
        .few_shots
        .saturating_sub(posterior.fletched.min(posterior.bare));
    let least = u32::try_from(short).unwrap_or(u32::MAX).max(1);
    if open.is_empty() {
        if in_tune || calls != [AxisCall::Neutral; 2] {
            return None;
        }
        let pairs = for_both(posterior, tolerance, assumptions);
        return Some(MoreShots {
            pairs,
            why: match pairs {
                Some(_) => "each axis is inside the tolerance; so many more of each kind would probably show it for both \
                            together"
                    .to_owned(),
                None => "each axis is inside the tolerance, but the groups are too wide to show it for both together"
                    .to_owned(),
            },
        });
    }
    let mut pairs = least;
    for &axis in &open {
        let needs = for_axis(
            &posterior.axes[axis],
            posterior.fletched_sd_mm[axis],
            tolerance,
            assumptions,
        );
        match needs {
            Need::Pairs(more) => pairs = pairs.max(more),
            Need::Scatter(scatter) => {
                return Some(MoreShots {
                    pairs: None,
                    why: format!(
                        "{} can't be decided by shooting more with groups this wide: two fletched shots in three now lie \
                         within {:.0} mm of the middle, within about {scatter:.0} mm would do",
                        names[axis], posterior.fletched_sd_mm[axis]
                    ),
                });
            }
            Need::Close => {
                return Some(MoreShots {
                    pairs: None,
                    why: format!(
                        "{} lies too close to the limit of the tolerance to be decided by shooting",
                        names[axis]
                    ),
                });
            }
        }
    }
    let what = match open.as_slice() {
        [axis] => names[*axis].to_owned(),
        _ => format!("{} and {}", names[0], names[1]),
    };
    Some(MoreShots {
        pairs: Some(pairs),
        why: format!("so many more shots of each kind would probably decide {what}"),
    })
}

//! What this bow's own history says about the offset now and about each lever's slope on one axis.
//!
//! The unknowns are θ = (offset now, ln β of each lever), normal before any shot: the offset N(0, 300²), ln β about the
//! prior medians with a part common to the levers. Every run of ends observes the offset of its own set-up, which is the
//! offset now less the shifts of the changes since then. A change shifts the offset as its slope says, plus noise of its own. That noise belongs
//! to the settings, not to the order of the changes: each run's parent is the earlier run with the nearest settings, so settings that the archer
//! went back to have the offset that they had, and ends from before a step too far still count. The runs make a tree, and two runs share the
//! noise of the path that they share to the present: their covariance is full, and nothing is used twice.
//! Gauss–Newton on θ; its covariance is the inverse normal matrix.

use super::Action;
use super::knowledge::Learning;
use super::slopes::Slope;
use nalgebra::{DMatrix, DVector};

/// Most Gauss–Newton iterations.
const ITERATIONS: usize = 25;
/// Largest step of a ln β: β may change by a factor of 1.65 at once.
const LN_STEP: f64 = 0.5;
/// Amounts that add up to less than this lead back to where a lever was.
const SAME_AMOUNT: f64 = 1e-6;
/// Steps shorter than this (mm, and in ln β) are the end.
const CONVERGENCE_TOLERANCE: f64 = 1e-9;

/// What one run of ends says of an axis at 30 m, the prior of the offset taken out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Observation {
    pub(super) mean_mm: f64,
    pub(super) variance_mm2: f64,
}

impl Observation {
    /// From a posterior (mean, variance) under the prior N(0, `prior_sd`²); `None` where the shots observed nothing.
    pub(super) fn without_prior(mean: f64, variance: f64, prior_sd: f64) -> Option<Self> {
        let prior = prior_sd * prior_sd;
        let sound = mean.is_finite() && variance.is_finite() && variance > 0.0 && variance < prior;
        sound.then(|| {
            let own = 1.0 / (1.0 / variance - 1.0 / prior);
            Self {
                mean_mm: own * mean / variance,
                variance_mm2: own,
            }
        })
    }

    /// Two independent ones of the same quantity.
    pub(super) fn and(self, other: Self) -> Self {
        let (a, b) = (1.0 / self.variance_mm2, 1.0 / other.variance_mm2);
        Self {
            mean_mm: (a * self.mean_mm + b * other.mean_mm) / (a + b),
            variance_mm2: 1.0 / (a + b),
        }
    }
}

/// One lever as the archer adjusted it between two runs, by the records.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct LoggedAdjustment {
    pub(super) action: Action,
    /// Units of the lever, signed.
    pub(super) amount: f64,
    /// Another set of shafts came with it.
    pub(super) new_shafts: bool,
    /// The plunger was turned against its last direction, so that backlash adds to the noise.
    pub(super) has_backlash: bool,
}

/// One run on one axis: what it showed, and what had been changed just before it.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct RunOnAxis {
    pub(super) observed: Option<Observation>,
    pub(super) adjusted: Vec<LoggedAdjustment>,
    /// Variance that the change brought on this axis beside what its own levers do, mm²: effects of the other axis'
    /// levers, and changes whose effect nobody knows.
    pub(super) extra_mm2: f64,
}

/// Offset now and slopes of one axis after the history.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct LeverPosterior {
    /// Offset now, mm at 30 m.
    pub(super) offset_mm: f64,
    /// ln of each lever's slope, in the order of the slopes given.
    ln_beta: Vec<f64>,
    /// Covariance of (offset, ln β…).
    covariance: DMatrix<f64>,
    actions: Vec<Action>,
}

impl LeverPosterior {
    /// Variance of the offset now, mm², without the arrows' own differences.
    pub(super) fn variance_mm2(&self) -> f64 {
        self.covariance[(0, 0)]
    }

    /// The slope of a lever.
    pub(super) fn learned_slope(&self, action: Action) -> Option<LearnedSlope> {
        let i = self.actions.iter().position(|c| *c == action)?;
        Some(LearnedSlope {
            median: self.ln_beta[i].exp(),
            ln_variance: self.covariance[(i + 1, i + 1)],
            cov_offset: self.covariance[(0, i + 1)],
        })
    }
}

/// A lever's slope: log-normal, mm per unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct LearnedSlope {
    pub(super) median: f64,
    /// Variance of ln β.
    pub(super) ln_variance: f64,
    /// Covariance of ln β with the offset now, mm.
    pub(super) cov_offset: f64,
}

impl LearnedSlope {
    /// Mean of β.
    pub(super) fn mean(&self) -> f64 {
        self.median * (self.ln_variance / 2.0).exp()
    }

    /// Variance of β.
    pub(super) fn variance(&self) -> f64 {
        let e = self.ln_variance.exp();
        self.median * self.median * e * (e - 1.0)
    }
}

/// Variance of the offset's shift by one change, about what these slopes say, mm².
fn shift_variance(
    intervention: &RunOnAxis,
    slopes: &[Slope],
    ln_beta: &[f64],
    a: &Learning,
) -> f64 {
    let mut variance = intervention.extra_mm2;
    for (logged, beta) in on_axis(intervention, slopes, ln_beta) {
        variance += (a.shift_relative_sd * logged.amount * beta).powi(2)
            + a.repeat_setup_sd_mm * a.repeat_setup_sd_mm;
        if logged.new_shafts {
            variance += a.new_shafts_sd_mm * a.new_shafts_sd_mm;
        }
        if logged.has_backlash {
            variance += beta * beta;
        }
    }
    variance
}

fn on_axis<'a>(
    intervention: &'a RunOnAxis,
    slopes: &'a [Slope],
    ln_beta: &'a [f64],
) -> impl Iterator<Item = (&'a LoggedAdjustment, f64)> {
    intervention.adjusted.iter().filter_map(|logged| {
        let i = slopes.iter().position(|s| s.action == logged.action)?;
        Some((logged, ln_beta[i].exp()))
    })
}

/// What a change was to bring, given the posterior before it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Prediction {
    /// Shift of the offset, mm.
    pub(super) shift_mm: f64,
    /// Variance of the offset after it, mm²: of the offset before, of the slopes, and of what changes do beside them.
    pub(super) variance_mm2: f64,
    /// That of a change whose slopes are known exactly and do just what they say, mm²: setting up again, other shafts.
    pub(super) floor_mm2: f64,
}

/// Offset to expect after a change, given the posterior before it.
pub(super) fn predicted(
    intervention: &RunOnAxis,
    slopes: &[Slope],
    posterior: &LeverPosterior,
    a: &Learning,
) -> Prediction {
    let mut shift_mm = 0.0;
    let exact = vec![f64::NEG_INFINITY; slopes.len()];
    // the gradient in θ carries both the offset's and the slopes' uncertainty
    let mut gradient = DVector::<f64>::zeros(slopes.len() + 1);
    gradient[0] = 1.0;
    for logged in &intervention.adjusted {
        let Some(i) = slopes.iter().position(|s| s.action == logged.action) else {
            continue;
        };
        let (e, v) = (
            slopes[i].sign * logged.amount,
            posterior.covariance[(i + 1, i + 1)],
        );
        let mean = posterior.ln_beta[i].exp() * (v / 2.0).exp();
        shift_mm += e * mean;
        // log-normal rather than linear: its tail is long
        gradient[i + 1] += e * mean * (v.exp_m1() / v.max(1e-12)).sqrt();
    }
    let known = (gradient.transpose() * &posterior.covariance * &gradient)[(0, 0)];
    Prediction {
        shift_mm,
        variance_mm2: known + shift_variance(intervention, slopes, &posterior.ln_beta, a),
        floor_mm2: shift_variance(intervention, slopes, &exact, a),
    }
}

/// Learns from the interventions, oldest first; the last is the present set-up.
pub(super) fn learn(
    interventions: &[RunOnAxis],
    slopes: &[Slope],
    common_log_sd: f64,
    a: &Learning,
) -> LeverPosterior {
    let levers = slopes.len();
    let prior_mean = prior_mean(slopes);
    let prior = prior_covariance(slopes, common_log_sd, a);
    let fallback = LeverPosterior {
        offset_mm: 0.0,
        ln_beta: prior_mean.iter().skip(1).copied().collect(),
        covariance: prior.clone(),
        actions: slopes.iter().map(|s| s.action).collect(),
    };
    let observed: Vec<(usize, Observation)> = interventions
        .iter()
        .enumerate()
        .filter_map(|(r, t)| Some((r, t.observed?)))
        .collect();
    let Some(prior_weight) = prior.clone().cholesky().map(|c| c.inverse()) else {
        return fallback;
    };
    if observed.is_empty() {
        return fallback;
    }
    let mut theta = prior_mean.clone();
    let mut normal = prior_weight.clone();
    for _ in 0..ITERATIONS {
        let ln_beta: Vec<f64> = theta.iter().skip(1).copied().collect();
        let (predicted, jacobian) = predictions(interventions, &observed, slopes, &theta);
        let noise = noise(interventions, &observed, slopes, &ln_beta, a);
        let Some(weight) = noise.cholesky().map(|c| c.inverse()) else {
            return fallback;
        };
        let residual =
            DVector::from_iterator(observed.len(), observed.iter().map(|(_, o)| o.mean_mm))
                - predicted;
        normal = jacobian.transpose() * &weight * &jacobian + &prior_weight;
        let slope =
            jacobian.transpose() * &weight * residual - &prior_weight * (&theta - &prior_mean);
        let Some(mut step) = normal.clone().cholesky().map(|c| c.solve(&slope)) else {
            return fallback;
        };
        for i in 1..=levers {
            step[i] = step[i].clamp(-LN_STEP, LN_STEP);
        }
        theta += &step;
        if step.amax() < CONVERGENCE_TOLERANCE {
            break;
        }
    }
    let covariance = match normal.cholesky() {
        Some(c) => c.inverse(),
        None => return fallback,
    };
    if theta.iter().any(|t| !t.is_finite()) {
        return fallback;
    }
    LeverPosterior {
        offset_mm: theta[0],
        ln_beta: theta.iter().skip(1).copied().collect(),
        covariance,
        actions: fallback.actions,
    }
}

fn prior_mean(slopes: &[Slope]) -> DVector<f64> {
    DVector::from_iterator(
        slopes.len() + 1,
        std::iter::once(0.0).chain(slopes.iter().map(|s| s.median_mm.ln())),
    )
}

fn prior_covariance(slopes: &[Slope], common: f64, a: &Learning) -> DMatrix<f64> {
    DMatrix::from_fn(slopes.len() + 1, slopes.len() + 1, |i, j| {
        if i == 0 || j == 0 {
            return if i == j {
                a.offset_sd_mm * a.offset_sd_mm
            } else {
                0.0
            };
        }
        let (p, q) = (&slopes[i - 1], &slopes[j - 1]);
        let shared = common * common * p.common_loading * q.common_loading;
        if i == j {
            p.own_log_sd * p.own_log_sd + shared
        } else {
            shared
        }
    })
}

/// Offsets that θ predicts for the runs that observed something, and their derivatives: offset now less all shifts since.
fn predictions(
    interventions: &[RunOnAxis],
    observed: &[(usize, Observation)],
    slopes: &[Slope],
    theta: &DVector<f64>,
) -> (DVector<f64>, DMatrix<f64>) {
    let mut jacobian = DMatrix::zeros(observed.len(), slopes.len() + 1);
    for (row, (r, _)) in observed.iter().enumerate() {
        jacobian[(row, 0)] = 1.0;
        for logged in interventions[r + 1..].iter().flat_map(|t| &t.adjusted) {
            if let Some(i) = slopes.iter().position(|s| s.action == logged.action) {
                jacobian[(row, i + 1)] -= slopes[i].sign * logged.amount * theta[i + 1].exp();
            }
        }
    }
    // each shift is linear in its β, so that it equals its own derivative with respect to ln β
    let predicted = DVector::from_fn(observed.len(), |row, _| {
        theta[0] + (1..=slopes.len()).map(|i| jacobian[(row, i)]).sum::<f64>()
    });
    (predicted, jacobian)
}

/// Covariance of the runs' offsets about the predictions: each run's own, and what settings that differ from the present ones
/// do beside their slopes.
fn noise(
    interventions: &[RunOnAxis],
    observed: &[(usize, Observation)],
    slopes: &[Slope],
    ln_beta: &[f64],
    a: &Learning,
) -> DMatrix<f64> {
    let tree = SettingsTree::of(interventions, slopes, ln_beta, a);
    let now = interventions.len().saturating_sub(1);
    DMatrix::from_fn(observed.len(), observed.len(), |i, j| {
        let (one, other) = (observed[i].0, observed[j].0);
        let common = tree.between(one, now) + tree.between(other, now) - tree.between(one, other);
        let own = if i == j {
            observed[i].1.variance_mm2
        } else {
            0.0
        };
        own + 0.5 * common
    })
}

/// Each run with the earlier one that its settings are the least away from.
struct SettingsTree {
    /// By run: index of that earlier run.
    parents: Vec<usize>,
    /// Variance from the first run, mm².
    depths: Vec<f64>,
}

impl SettingsTree {
    fn of(interventions: &[RunOnAxis], slopes: &[Slope], ln_beta: &[f64], a: &Learning) -> Self {
        let mut tree = Self {
            parents: vec![0],
            depths: vec![0.0],
        };
        for run in 1..interventions.len() {
            let path = |from: usize| &interventions[from + 1..=run];
            let nearest = (0..run)
                .rev()
                .map(|from| (from, path_variance(path(from), slopes, ln_beta, a)))
                .min_by(|a, b| a.1.total_cmp(&b.1));
            let (parent, variance) = nearest.unwrap_or((0, 0.0));
            tree.parents.push(parent);
            tree.depths.push(tree.depths[parent] + variance);
        }
        tree
    }

    /// Variance between two runs, mm².
    fn between(&self, one: usize, other: usize) -> f64 {
        let (mut a, mut b) = (one, other);
        // a parent comes before its children
        while a != b {
            if a > b {
                a = self.parents[a];
            } else {
                b = self.parents[b];
            }
        }
        self.depths[one] + self.depths[other] - 2.0 * self.depths[a]
    }
}

/// Variance of what settings do beside their slopes, after these changes one after the other.
fn path_variance(path: &[RunOnAxis], slopes: &[Slope], ln_beta: &[f64], a: &Learning) -> f64 {
    if let [one] = path {
        return shift_variance(one, slopes, ln_beta, a);
    }
    let mut variance: f64 = path.iter().map(|t| t.extra_mm2).sum();
    for (slope, ln_beta) in slopes.iter().zip(ln_beta) {
        let adjustments = || {
            let all = path.iter().flat_map(|t| &t.adjusted);
            all.filter(|logged| logged.action == slope.action)
        };
        if adjustments().next().is_none() {
            continue;
        }
        let amount: f64 = adjustments().map(|logged| logged.amount).sum();
        variance += (a.shift_relative_sd * amount * ln_beta.exp()).powi(2)
            + a.repeat_setup_sd_mm * a.repeat_setup_sd_mm;
        // settings that differ by nothing mean the same shafts, where each change of shafts states an amount
        let amounts_known =
            adjustments().all(|logged| !logged.new_shafts || logged.amount.abs() > 0.0);
        if adjustments().any(|logged| logged.new_shafts)
            && !(amounts_known && amount.abs() < SAME_AMOUNT)
        {
            variance += a.new_shafts_sd_mm * a.new_shafts_sd_mm;
        }
        if adjustments().any(|logged| logged.has_backlash) {
            variance += (2.0 * ln_beta).exp();
        }
    }
    variance
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advice::knowledge::{Axis, knowledge};
    use crate::advice::slopes::slopes;
    use crate::record::Setup;

    fn horizontal() -> Vec<Slope> {
        let setup = Setup {
            draw_weight_lb: Some(36.0),
            bolt_lb_per_turn: Some(1.0),
            shaft_spine: Some(600.0),
            ..Setup::default()
        };
        slopes(&setup, Axis::Horizontal, knowledge())
    }

    fn learn_from(interventions: &[RunOnAxis]) -> LeverPosterior {
        learn(
            interventions,
            &horizontal(),
            knowledge().scale.log_sd,
            &knowledge().learning,
        )
    }

    fn run(mean: f64, sd: f64, moved: &[(Action, f64)]) -> RunOnAxis {
        RunOnAxis {
            observed: Some(Observation {
                mean_mm: mean,
                variance_mm2: sd * sd,
            }),
            adjusted: moved
                .iter()
                .map(|&(action, amount)| LoggedAdjustment {
                    action,
                    amount,
                    new_shafts: false,
                    has_backlash: false,
                })
                .collect(),
            extra_mm2: 0.0,
        }
    }

    #[test]
    fn one_run_gives_back_its_reading() {
        // posterior 80 ± 30 under the prior: taken out and put in again
        let observed = Observation::without_prior(80.0, 900.0, 300.0).unwrap();
        let posterior = learn_from(&[run(observed.mean_mm, observed.variance_mm2.sqrt(), &[])]);
        assert!((posterior.offset_mm - 80.0).abs() < 1e-6);
        assert!((posterior.variance_mm2() - 900.0).abs() < 1e-6);
        assert_eq!(Observation::without_prior(80.0, 90_000.0, 300.0), None);
        let prior = knowledge().lever(Action::Plunger).unwrap();
        let beta = posterior.learned_slope(Action::Plunger).unwrap();
        assert!((beta.median - prior.median_mm).abs() < 1e-6);
    }

    #[test]
    fn a_measured_change_teaches_its_lever_and_a_little_the_others() {
        // two pounds less moved the offset by 300 mm: half as much again as the prior's 97 a pound
        let posterior = learn_from(&[
            run(350.0, 12.0, &[]),
            run(50.0, 12.0, &[(Action::DrawWeight, -2.0)]),
        ]);
        let beta = posterior.learned_slope(Action::DrawWeight).unwrap();
        assert!(
            beta.median > 115.0 && beta.median < 150.0,
            "{}",
            beta.median
        );
        let point = posterior.learned_slope(Action::PointWeight).unwrap();
        assert!(point.median > 6.0, "{}", point.median);
        assert!(point.ln_variance < 0.72);
        assert!((posterior.offset_mm - 50.0).abs() < 5.0);
    }

    #[test]
    fn an_old_run_sharpens_the_present_offset_only_as_far_as_the_change_is_known() {
        let alone = learn_from(&[run(50.0, 40.0, &[])]);
        let both = learn_from(&[
            run(60.0, 10.0, &[]),
            run(50.0, 40.0, &[(Action::Plunger, 1.0)]),
        ]);
        assert!(both.variance_mm2() < alone.variance_mm2());
        let large = learn_from(&[
            run(600.0, 10.0, &[]),
            run(50.0, 40.0, &[(Action::DrawWeight, -5.0)]),
        ]);
        assert!(large.variance_mm2() > 0.8 * alone.variance_mm2());
    }

    #[test]
    fn several_changes_at_once_and_unknown_runs_are_handled() {
        let mut silent = run(0.0, 1.0, &[(Action::Plunger, 2.0)]);
        silent.observed = None;
        let posterior = learn_from(&[
            run(200.0, 20.0, &[]),
            silent,
            run(
                60.0,
                20.0,
                &[(Action::DrawWeight, -1.0), (Action::PointWeight, -10.0)],
            ),
        ]);
        assert!(posterior.offset_mm.is_finite() && posterior.variance_mm2() < 400.0);
        assert!(learn_from(&[]).variance_mm2() > 89_999.0);
    }

    #[test]
    fn predictions_carry_the_slopes_uncertainty() {
        let posterior = learn_from(&[run(200.0, 20.0, &[])]);
        let next = run(0.0, 1.0, &[(Action::DrawWeight, -1.0)]);
        let p = predicted(&next, &horizontal(), &posterior, &knowledge().learning);
        // prior: median 97.2, log-sd √(0.35² + 0.6²)
        let s2: f64 = 0.35 * 0.35 + 0.36;
        let mean = 3500.0 / 36.0 * (s2 / 2.0).exp();
        assert!((p.shift_mm + mean).abs() < 1e-6);
        let own = posterior.variance_mm2();
        let want = own + mean * mean * s2.exp_m1() + (0.3 * 3500.0 / 36.0f64).powi(2) + 64.0;
        assert!((p.variance_mm2 / want - 1.0).abs() < 1e-9);
        assert!((p.floor_mm2 - 64.0).abs() < 1e-9);
    }
}

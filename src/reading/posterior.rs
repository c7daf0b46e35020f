//! The offset of the bare shafts given the shots: a mixture of normals on each axis, summed over which shots are outliers,
//! how wide the archer scatters, and how much wider the bare shafts do.

use super::marginal_likelihood::{MarginalLikelihood, sort_order};
use super::mixture::{Mixture, MixtureComponent};
use super::sets::{self, OutlierSet};
use super::{Assumptions, Conditions, Shot};
use crate::math::normal_cdf;
use crate::record::ArrowKind;
use std::collections::{BTreeMap, BTreeSet};

/// Halvings of the interval in which a quantile is sought: to 10⁻¹² of its width.
const BISECTION_ITERATIONS: usize = 60;

/// What the shots say about the offset d = bare − fletched.
#[derive(Clone, Debug, PartialEq)]
pub struct Posterior {
    /// [x to the right, y up].
    pub axes: [AxisPosterior; 2],
    /// Covariance of d_x and d_y, mm².
    pub covariance_mm2: f64,
    /// Probability of being an outlier, for each shot in the order given.
    pub outliers: Vec<f64>,
    /// Scatter of the fletched shots on each axis (geometric mean of the sd), mm.
    pub fletched_sd_mm: [f64; 2],
    /// The same of the bare shots.
    pub bare_sd_mm: [f64; 2],
    /// Fletched shots.
    pub fletched: usize,
    /// Bare shots.
    pub bare: usize,
}

/// A mean with its variance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeanAndVariance {
    /// Mean, mm.
    pub mean_mm: f64,
    /// Variance, mm².
    pub variance_mm2: f64,
}

/// One axis of the offset.
#[derive(Clone, Debug, PartialEq)]
pub struct AxisPosterior {
    /// Mean, mm.
    pub mean_mm: f64,
    /// Variance from scatter, measuring and roll, without the arrows' own differences, mm².
    pub variance_mm2: f64,
    /// What the arrows' own differences add: the same arrows shot again don't average it out, mm².
    pub arrow_variance_mm2: f64,
    /// The part of `variance_mm2` that comes from the photos' roll, mm².
    pub roll_variance_mm2: f64,
    /// Under the widest part of the offset's prior alone, roll included: for callers that combine it with a prior of their own.
    pub under_widest_prior: MeanAndVariance,
    /// The sd of that widest part, mm.
    pub widest_prior_sd_mm: f64,
    /// The normals of the mixture, everything included in their variances.
    components: Vec<MixtureComponent>,
}

/// The posterior with some of the shots left out, and how probable it is that only the others count.
pub(super) struct LeaveOutPosterior<'a> {
    pub(super) probability: f64,
    pub(super) posterior: &'a Posterior,
    /// The shots that it is of, in the same order as all.
    pub(super) shots: &'a [Shot],
    /// P(outlier) of the others, in that order too.
    pub(super) others_outliers: &'a [f64],
}

impl Posterior {
    /// This, of `shots`, with what others say from fewer of them mixed in.
    pub(super) fn mixed_with(&self, shots: &[Shot], others: &[LeaveOutPosterior<'_>]) -> Self {
        let kept = 1.0 - others.iter().map(|other| other.probability).sum::<f64>();
        let all = || {
            std::iter::once((kept, self)).chain(
                others
                    .iter()
                    .map(|other| (other.probability, other.posterior)),
            )
        };
        let mean =
            |value: &dyn Fn(&Self) -> f64| -> f64 { all().map(|(p, one)| p * value(one)).sum() };
        let means = [0, 1].map(|axis: usize| mean(&|one| one.axes[axis].mean_mm));
        let axes = [0, 1]
            .map(|axis: usize| AxisPosterior::mixed(all().map(|(p, one)| (p, &one.axes[axis]))));
        let mut outliers = self.outliers.clone();
        outliers.iter_mut().for_each(|outlier| *outlier *= kept);
        for other in others {
            let mut places = other.shots.iter().zip(&other.posterior.outliers).peekable();
            let mut missing = other.others_outliers.iter();
            for (shot, outlier) in shots.iter().zip(&mut outliers) {
                let own = places.next_if(|(own, _)| *own == shot).map(|(_, p)| p);
                *outlier += other.probability * own.or_else(|| missing.next()).unwrap_or(&0.0);
            }
        }
        let ln_mean = |value: &dyn Fn(&Self) -> f64| mean(&|one| value(one).ln()).exp();
        Self {
            covariance_mm2: mean(&|one| {
                one.covariance_mm2 + one.axes[0].mean_mm * one.axes[1].mean_mm
            }) - means[0] * means[1],
            axes,
            outliers,
            fletched_sd_mm: [0, 1].map(|axis: usize| ln_mean(&|one| one.fletched_sd_mm[axis])),
            bare_sd_mm: [0, 1].map(|axis: usize| ln_mean(&|one| one.bare_sd_mm[axis])),
            fletched: self.fletched,
            bare: self.bare,
        }
    }
}

impl AxisPosterior {
    fn mixed<'a>(parts: impl Iterator<Item = (f64, &'a Self)>) -> Self {
        let parts: Vec<(f64, &Self)> = parts.filter(|(p, _)| *p > 0.0).collect();
        let mean = |value: &dyn Fn(&Self) -> f64| -> f64 {
            parts.iter().map(|(p, one)| p * value(one)).sum()
        };
        let mixed = |first: &dyn Fn(&Self) -> f64, second: &dyn Fn(&Self) -> f64| {
            let mean_mm = mean(first);
            MeanAndVariance {
                mean_mm,
                variance_mm2: mean(&|one| second(one) + (first(one) - mean_mm).powi(2)),
            }
        };
        let MeanAndVariance {
            mean_mm,
            variance_mm2,
        } = mixed(&|one| one.mean_mm, &|one| one.variance_mm2);
        Self {
            mean_mm,
            variance_mm2,
            arrow_variance_mm2: mean(&|one| one.arrow_variance_mm2),
            roll_variance_mm2: mean(&|one| one.roll_variance_mm2),
            under_widest_prior: mixed(&|one| one.under_widest_prior.mean_mm, &|one| {
                one.under_widest_prior.variance_mm2
            }),
            widest_prior_sd_mm: parts.first().map_or(0.0, |(_, one)| one.widest_prior_sd_mm),
            components: parts
                .iter()
                .flat_map(|(p, one)| {
                    one.components
                        .iter()
                        .map(move |component| MixtureComponent {
                            weight: p * component.weight,
                            ..*component
                        })
                })
                .collect(),
        }
    }

    /// Whole variance, the arrows' own differences included, mm².
    #[must_use]
    pub fn whole_variance_mm2(&self) -> f64 {
        self.variance_mm2 + self.arrow_variance_mm2
    }

    /// Whole standard deviation, mm.
    #[must_use]
    pub fn sd_mm(&self) -> f64 {
        self.whole_variance_mm2().sqrt()
    }

    /// P(d < `limit`).
    #[must_use]
    pub fn below(&self, limit: f64) -> f64 {
        self.sum(|component| normal_cdf((limit - component.mean) / component.sd()))
    }

    /// P(d > `limit`).
    #[must_use]
    pub fn above(&self, limit: f64) -> f64 {
        self.sum(|component| normal_cdf((component.mean - limit) / component.sd()))
    }

    /// P(|d| ≤ `tolerance`).
    #[must_use]
    pub fn within(&self, tolerance: f64) -> f64 {
        (1.0 - self.below(-tolerance) - self.above(tolerance)).max(0.0)
    }

    /// The value that d lies below with this probability (strictly between 0 and 1), mm.
    #[must_use]
    pub fn quantile(&self, probability: f64) -> f64 {
        let reach = |sign: f64| {
            self.components
                .iter()
                .map(|c| sign * (c.mean + sign * 9.0 * c.sd()))
                .fold(f64::NEG_INFINITY, f64::max)
                * sign
        };
        let (mut low, mut high) = (reach(-1.0), reach(1.0));
        for _ in 0..BISECTION_ITERATIONS {
            let middle = 0.5 * (low + high);
            if self.below(middle) < probability {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    }

    fn sum(&self, value: impl Fn(&MixtureComponent) -> f64) -> f64 {
        self.components
            .iter()
            .map(|component| component.weight * value(component))
            .sum()
    }
}

/// The posterior of the offset, or `None` if no end holds shots of both kinds.
///
/// Up to six shots every set of outliers counts, up to twelve every set of at most a third (⌈n/3⌉); beyond, the sets
/// near the two likeliest. Shots of unknown kind are not looked at.
#[must_use]
pub fn posterior(
    shots: &[Shot],
    conditions: Conditions,
    assumptions: &Assumptions,
) -> Option<Posterior> {
    sum_up(shots, conditions, assumptions, None)
}

/// The same over exactly these sets of outliers, given as places in `shots`; for checking one choice of sets against another.
#[must_use]
pub fn posterior_over(
    shots: &[Shot],
    conditions: Conditions,
    assumptions: &Assumptions,
    sets: &[Vec<usize>],
) -> Option<Posterior> {
    sum_up(shots, conditions, assumptions, Some(sets))
}

/// ln of the weight of each of these sets of outliers (places in `shots`), up to one constant; `None` as for [`posterior`].
#[must_use]
pub fn ln_weights(
    shots: &[Shot],
    conditions: Conditions,
    assumptions: &Assumptions,
    sets: &[Vec<usize>],
) -> Option<Vec<f64>> {
    let prepared = SortedShots::new(shots, conditions)?;
    let sorted = prepared.sorted(shots);
    let mut marginal_likelihood =
        MarginalLikelihood::new(&sorted, conditions.distance_ratio, assumptions);
    Some(
        prepared
            .translated(sets)
            .iter()
            .map(|set| marginal_likelihood.ln_weight(set, f64::NEG_INFINITY))
            .collect(),
    )
}

fn sum_up(
    shots: &[Shot],
    conditions: Conditions,
    assumptions: &Assumptions,
    sets: Option<&[Vec<usize>]>,
) -> Option<Posterior> {
    let prepared = SortedShots::new(shots, conditions)?;
    let sorted = prepared.sorted(shots);
    let mut marginal_likelihood =
        MarginalLikelihood::new(&sorted, conditions.distance_ratio, assumptions);
    let sets = match sets {
        Some(sets) => prepared.translated(sets),
        None => sets::sets_for(
            &mut marginal_likelihood,
            &sorted,
            conditions.distance_ratio,
            assumptions,
        ),
    };
    let mixture = Mixture::over(&mut marginal_likelihood, &sets)?;
    Some(finish(
        mixture,
        &prepared,
        shots,
        &sets,
        conditions,
        assumptions,
    ))
}

fn finish(
    mixture: Mixture,
    prepared: &SortedShots,
    shots: &[Shot],
    sets: &[OutlierSet],
    conditions: Conditions,
    assumptions: &Assumptions,
) -> Posterior {
    let mut outliers = vec![0.0; shots.len()];
    for (set, weight) in sets.iter().zip(&mixture.set_weights) {
        for &place in set {
            outliers[prepared.order[place]] += weight;
        }
    }
    let count = |kind| shots.iter().filter(|shot| shot.kind == kind).count();
    let arrow_variance_mm2 = arrows_variance(shots, conditions.distance_ratio, assumptions);
    let roll = conditions.roll_sd_rad.powi(2);
    let [x, y] = mixture.axes;
    let (scatter, means) = ([x.scatter, y.scatter], [x.mean, y.mean]);
    let axes = [(x, means[1]), (y, means[0])].map(|(axis, other)| {
        let roll_variance_mm2 = roll * other * other;
        AxisPosterior {
            mean_mm: axis.mean,
            variance_mm2: axis.variance + roll_variance_mm2,
            arrow_variance_mm2,
            roll_variance_mm2,
            under_widest_prior: MeanAndVariance {
                mean_mm: axis.wide_mean,
                variance_mm2: axis.wide_variance + roll_variance_mm2,
            },
            widest_prior_sd_mm: axis.widest_sd,
            components: axis
                .components
                .iter()
                .map(|component| MixtureComponent {
                    weight: component.weight,
                    mean: component.mean,
                    variance: component.variance + roll_variance_mm2 + arrow_variance_mm2,
                })
                .collect(),
        }
    });
    Posterior {
        axes,
        // turning the photo moves d by (−d_y, d_x): the two axes move against each other
        covariance_mm2: mixture.cross - (1.0 + roll) * means[0] * means[1],
        outliers: outliers.into_iter().map(|p: f64| p.min(1.0)).collect(),
        fletched_sd_mm: [scatter[0][0], scatter[1][0]],
        bare_sd_mm: [scatter[0][1], scatter[1][1]],
        fletched: count(ArrowKind::Fletched),
        bare: count(ArrowKind::Bare),
    }
}

/// Shots in sorted order; at least one end holds both kinds.
struct SortedShots {
    /// Place in the caller's list of each sorted shot.
    order: Vec<usize>,
}

impl SortedShots {
    fn new(shots: &[Shot], conditions: Conditions) -> Option<Self> {
        if !(conditions.distance_ratio.is_finite() && conditions.distance_ratio > 0.0) {
            return None;
        }
        let order: Vec<usize> = sort_order(shots)
            .into_iter()
            .filter(|&at| shots[at].kind != ArrowKind::Unknown)
            .collect();
        let ends = |kind: ArrowKind| -> BTreeSet<usize> {
            shots
                .iter()
                .filter(|shot| shot.kind == kind)
                .map(|shot| shot.end)
                .collect()
        };
        let bare = ends(ArrowKind::Bare);
        ends(ArrowKind::Fletched)
            .iter()
            .any(|end| bare.contains(end))
            .then_some(Self { order })
    }

    fn sorted<'a>(&self, shots: &'a [Shot]) -> Vec<&'a Shot> {
        self.order.iter().map(|&at| &shots[at]).collect()
    }

    fn translated(&self, sets: &[Vec<usize>]) -> Vec<OutlierSet> {
        sets.iter()
            .map(|set| {
                let mut places: OutlierSet = self
                    .order
                    .iter()
                    .enumerate()
                    .filter(|(_, at)| set.contains(at))
                    .map(|(place, _)| place)
                    .collect();
                places.sort_unstable();
                places
            })
            .collect()
    }
}

/// Arrows differ, and the same ones shot again differ again the same way: a² (1/arrows − 1/shots) for each kind. What they
/// differ in one end is part of the scatter seen there; taken as scatter it would average out over the ends, and doesn't.
fn arrows_variance(shots: &[Shot], distance_ratio: f64, assumptions: &Assumptions) -> f64 {
    let own = assumptions.arrow_own_sd_mm * distance_ratio;
    let share = |kind| match arrows_of(shots, kind) {
        0 => 0.0,
        arrows => {
            let all = shots.iter().filter(|shot| shot.kind == kind).count();
            1.0 / arrows as f64 - 1.0 / all.max(arrows) as f64
        }
    };
    own * own * (share(ArrowKind::Bare) + share(ArrowKind::Fletched))
}

/// How many arrows of a kind were shot: by their marks if all have one, else the most in one end.
fn arrows_of(shots: &[Shot], kind: ArrowKind) -> usize {
    let of_kind: Vec<&Shot> = shots.iter().filter(|shot| shot.kind == kind).collect();
    let marks: Option<BTreeSet<&str>> = of_kind.iter().map(|shot| shot.arrow.as_deref()).collect();
    if let Some(marks) = marks {
        return marks.len();
    }
    let mut ends: BTreeMap<usize, usize> = BTreeMap::new();
    for shot in of_kind {
        *ends.entry(shot.end).or_default() += 1;
    }
    ends.into_values().max().unwrap_or(0)
}

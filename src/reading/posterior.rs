//! The offset of the bare shafts given the shots: a mixture of normals on each axis, summed over which shots are fliers,
//! how wide the archer scatters, and how much wider the bare shafts do.

use super::sets::{self, FlierSet};
use super::weigher::{Weigher, ln_sum, sort_order};
use super::{Assumptions, Shot};
use crate::record::EntryKind;
use statrs::function::erf::erfc;
use std::collections::BTreeSet;

/// What is lighter than e to this, relative to the heaviest set, is dropped (10⁻¹⁰; there are some thousand blocks).
const LN_NEGLIGIBLE: f64 = -23.0;
/// Halvings of the interval in which a quantile is sought: to 10⁻¹² of its width.
const QUANTILE_STEPS: usize = 60;

/// What goes with the shots into the sums.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Conditions {
    /// Distance over the reference distance: lengths of the assumptions are multiplied by it.
    pub scale: f64,
    /// Standard deviation of the roll that the photos together leave in the offset, rad.
    pub roll_sd_rad: f64,
}

impl Conditions {
    /// At this distance in metres (`None`, or no distance anyone shoots: as at the reference distance), no roll.
    #[must_use]
    pub fn at(distance_m: Option<f64>, assumptions: &Assumptions) -> Self {
        Self {
            scale: super::distance::usable(distance_m)
                .map_or(1.0, |distance| distance / assumptions.reference_distance_m),
            roll_sd_rad: 0.0,
        }
    }
}

/// What the shots say about the offset d = bare − fletched.
#[derive(Clone, Debug, PartialEq)]
pub struct Posterior {
    /// [x to the right, y up].
    pub axes: [AxisPosterior; 2],
    /// Covariance of d_x and d_y, mm².
    pub covariance_mm2: f64,
    /// Probability of being a flier, for each shot in the order given.
    pub fliers: Vec<f64>,
    /// Scatter of the fletched shots on each axis (geometric mean of the sd), mm.
    pub fletched_sd_mm: [f64; 2],
    /// The same of the bare shots.
    pub bare_sd_mm: [f64; 2],
    /// Fletched shots.
    pub fletched: usize,
    /// Bare shots.
    pub bare: usize,
}

/// One axis of the offset.
#[derive(Clone, Debug, PartialEq)]
pub struct AxisPosterior {
    /// Mean, mm.
    pub mean_mm: f64,
    /// Variance from scatter, measuring and roll, without the arrows' own differences, mm².
    pub variance_mm2: f64,
    /// What the arrows' own differences add: the same arrows shot again don't average it out, mm².
    pub arrows_mm2: f64,
    /// The part of `variance_mm2` that comes from the photos' roll, mm².
    pub roll_mm2: f64,
    components: Vec<Component>,
}

/// A normal of the mixture, everything included in its sd.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Component {
    weight: f64,
    mean: f64,
    sd: f64,
}

impl AxisPosterior {
    /// Whole variance, the arrows' own differences included, mm².
    #[must_use]
    pub fn whole_variance_mm2(&self) -> f64 {
        self.variance_mm2 + self.arrows_mm2
    }

    /// Whole standard deviation, mm.
    #[must_use]
    pub fn sd_mm(&self) -> f64 {
        self.whole_variance_mm2().sqrt()
    }

    /// P(d < `limit`).
    #[must_use]
    pub fn below(&self, limit: f64) -> f64 {
        self.sum(|component| normal_cdf((limit - component.mean) / component.sd))
    }

    /// P(d > `limit`).
    #[must_use]
    pub fn above(&self, limit: f64) -> f64 {
        self.sum(|component| normal_cdf((component.mean - limit) / component.sd))
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
                .map(|c| sign * (c.mean + sign * 9.0 * c.sd))
                .fold(f64::NEG_INFINITY, f64::max)
                * sign
        };
        let (mut low, mut high) = (reach(-1.0), reach(1.0));
        for _ in 0..QUANTILE_STEPS {
            let middle = 0.5 * (low + high);
            if self.below(middle) < probability {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    }

    fn sum(&self, value: impl Fn(&Component) -> f64) -> f64 {
        self.components
            .iter()
            .map(|component| component.weight * value(component))
            .sum()
    }
}

/// The posterior of the offset, or `None` if no end holds shots of both kinds.
///
/// Up to six shots every set of fliers counts, up to twelve every set of at most a third (⌈n/3⌉); beyond, the sets
/// near the two likeliest. Shots of unknown kind are not looked at.
#[must_use]
pub fn posterior(
    shots: &[Shot],
    conditions: Conditions,
    assumptions: &Assumptions,
) -> Option<Posterior> {
    sum_up(shots, conditions, assumptions, None)
}

/// The same over exactly these sets of fliers, given as places in `shots`; for checking one choice of sets against another.
#[must_use]
pub fn posterior_over(
    shots: &[Shot],
    conditions: Conditions,
    assumptions: &Assumptions,
    sets: &[Vec<usize>],
) -> Option<Posterior> {
    sum_up(shots, conditions, assumptions, Some(sets))
}

/// ln of the weight of each of these sets of fliers (places in `shots`), up to one constant; `None` as for [`posterior`].
#[must_use]
pub fn ln_weights(
    shots: &[Shot],
    conditions: Conditions,
    assumptions: &Assumptions,
    sets: &[Vec<usize>],
) -> Option<Vec<f64>> {
    let prepared = Prepared::new(shots, conditions)?;
    let sorted = prepared.sorted(shots);
    let mut weigher = Weigher::new(&sorted, conditions.scale, assumptions);
    Some(
        prepared
            .translated(sets)
            .iter()
            .map(|set| weigher.weigh(set, f64::NEG_INFINITY))
            .collect(),
    )
}

fn sum_up(
    shots: &[Shot],
    conditions: Conditions,
    assumptions: &Assumptions,
    sets: Option<&[Vec<usize>]>,
) -> Option<Posterior> {
    let prepared = Prepared::new(shots, conditions)?;
    let sorted = prepared.sorted(shots);
    let mut weigher = Weigher::new(&sorted, conditions.scale, assumptions);
    let sets = match sets {
        Some(sets) => prepared.translated(sets),
        None => sets::sets_for(&mut weigher, &sorted, conditions.scale, assumptions),
    };
    let mixture = Mixture::over(&mut weigher, &sets)?;
    Some(mixture.finish(&prepared, shots, &weigher, &sets, conditions, assumptions))
}

/// The shots' sorted order, known to hold both kinds in one end.
struct Prepared {
    /// Place in the caller's list of each sorted shot.
    order: Vec<usize>,
}

impl Prepared {
    fn new(shots: &[Shot], conditions: Conditions) -> Option<Self> {
        if !(conditions.scale.is_finite() && conditions.scale > 0.0) {
            return None;
        }
        let order: Vec<usize> = sort_order(shots)
            .into_iter()
            .filter(|&at| shots[at].kind != EntryKind::Unknown)
            .collect();
        let ends = |kind: EntryKind| -> BTreeSet<usize> {
            shots
                .iter()
                .filter(|shot| shot.kind == kind)
                .map(|shot| shot.end)
                .collect()
        };
        let bare = ends(EntryKind::Bare);
        ends(EntryKind::Fletched)
            .iter()
            .any(|end| bare.contains(end))
            .then_some(Self { order })
    }

    fn sorted<'a>(&self, shots: &'a [Shot]) -> Vec<&'a Shot> {
        self.order.iter().map(|&at| &shots[at]).collect()
    }

    fn translated(&self, sets: &[Vec<usize>]) -> Vec<FlierSet> {
        sets.iter()
            .map(|set| {
                let mut places: FlierSet = self
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

/// A component before weights are made to add to one.
struct Raw {
    ln_weight: f64,
    mean: f64,
    variance: f64,
    ratio: usize,
    scatter: usize,
}

/// Sums over sets, ratios and scatters.
struct Mixture {
    raw: [Vec<Raw>; 2],
    /// ln weight of each set.
    ln_sets: Vec<f64>,
    /// E[d_x d_y].
    cross: f64,
}

impl Mixture {
    fn over(weigher: &mut Weigher, sets: &[FlierSet]) -> Option<Self> {
        let mut raw = [Vec::new(), Vec::new()];
        let mut ln_sets = Vec::with_capacity(sets.len());
        let mut crosses = Vec::with_capacity(sets.len());
        let mut heaviest = f64::NEG_INFINITY;
        let width = weigher.scatters.len();
        for set in sets {
            let ln_weight = weigher.weigh(set, heaviest + LN_NEGLIGIBLE);
            ln_sets.push(ln_weight);
            heaviest = heaviest.max(ln_weight);
            for (ratio, block) in weigher.blocks.iter().enumerate() {
                let ln_total = block.ln_unit + block.total.ln();
                if ln_total.is_nan() || ln_total < heaviest + LN_NEGLIGIBLE {
                    continue;
                }
                crosses.push((block.ln_unit, block.cross));
                let least = (heaviest + LN_NEGLIGIBLE - block.ln_unit).exp();
                for (axis, raw) in raw.iter_mut().enumerate() {
                    for (scatter, &weight) in block.marginal[axis].iter().enumerate() {
                        if weight > least {
                            let lane = weigher.lanes[axis][ratio * width + scatter];
                            raw.push(Raw {
                                ln_weight: block.ln_unit + weight.ln(),
                                mean: lane.mean,
                                variance: lane.variance,
                                ratio,
                                scatter,
                            });
                        }
                    }
                }
            }
        }
        let ln_all = ln_sum(&ln_sets);
        if !ln_all.is_finite() {
            return None;
        }
        let cross = crosses
            .into_iter()
            .map(|(ln_unit, cross)| (ln_unit - ln_all).exp() * cross)
            .sum();
        Some(Self {
            raw,
            ln_sets,
            cross,
        })
    }

    fn finish(
        self,
        prepared: &Prepared,
        shots: &[Shot],
        weigher: &Weigher,
        sets: &[FlierSet],
        conditions: Conditions,
        assumptions: &Assumptions,
    ) -> Posterior {
        let ln_all = ln_sum(&self.ln_sets);
        let mut fliers = vec![0.0; shots.len()];
        for (set, ln_weight) in sets.iter().zip(&self.ln_sets) {
            for &place in set {
                fliers[prepared.order[place]] += (ln_weight - ln_all).exp();
            }
        }
        let count = |kind| shots.iter().filter(|shot| shot.kind == kind).count();
        let arrows_mm2 = arrows_variance(shots, conditions.scale, assumptions);
        let mut scatter = [[0.0; 2]; 2];
        let mut moments = [[0.0; 2]; 2];
        for axis in 0..2 {
            moments[axis] = moments_of(&self.raw[axis], ln_all);
            scatter[axis] = scatter_of(&self.raw[axis], ln_all, weigher);
        }
        let roll = conditions.roll_sd_rad.powi(2);
        let means = [moments[0][0], moments[1][0]];
        let axes = [0, 1].map(|axis: usize| {
            let roll_mm2 = roll * means[1 - axis] * means[1 - axis];
            AxisPosterior {
                mean_mm: means[axis],
                variance_mm2: moments[axis][1] + roll_mm2,
                arrows_mm2,
                roll_mm2,
                components: components(&self.raw[axis], ln_all, roll_mm2 + arrows_mm2),
            }
        });
        Posterior {
            axes,
            // turning the photo moves d by (−d_y, d_x): the two axes move against each other
            covariance_mm2: self.cross - means[0] * means[1] - roll * means[0] * means[1],
            fliers: fliers.into_iter().map(|p: f64| p.min(1.0)).collect(),
            fletched_sd_mm: [scatter[0][0], scatter[1][0]],
            bare_sd_mm: [scatter[0][1], scatter[1][1]],
            fletched: count(EntryKind::Fletched),
            bare: count(EntryKind::Bare),
        }
    }
}

/// Mean and variance of the mixture.
fn moments_of(raw: &[Raw], ln_all: f64) -> [f64; 2] {
    let weight = |raw: &Raw| (raw.ln_weight - ln_all).exp();
    let total: f64 = raw.iter().map(weight).sum();
    let mean = raw.iter().map(|c| weight(c) * c.mean).sum::<f64>() / total;
    let variance = raw
        .iter()
        .map(|c| weight(c) * (c.variance + (c.mean - mean).powi(2)))
        .sum::<f64>()
        / total;
    [mean, variance]
}

/// Geometric means of the fletched and the bare scatter.
fn scatter_of(raw: &[Raw], ln_all: f64, weigher: &Weigher) -> [f64; 2] {
    let (mut total, mut fletched, mut ratio) = (0.0, 0.0, 0.0);
    for component in raw {
        let weight = (component.ln_weight - ln_all).exp();
        total += weight;
        fletched += weight * weigher.scatters[component.scatter].ln();
        ratio += weight * weigher.ratios[component.ratio].ln();
    }
    [(fletched / total).exp(), ((fletched + ratio) / total).exp()]
}

fn components(raw: &[Raw], ln_all: f64, widening: f64) -> Vec<Component> {
    let total: f64 = raw.iter().map(|c| (c.ln_weight - ln_all).exp()).sum();
    raw.iter()
        .map(|c| Component {
            weight: (c.ln_weight - ln_all).exp() / total,
            mean: c.mean,
            sd: (c.variance + widening).sqrt(),
        })
        .collect()
}

/// Arrows differ, and the same ones shot again differ again the same way: a² (1/arrows bare + 1/arrows fletched).
fn arrows_variance(shots: &[Shot], scale: f64, assumptions: &Assumptions) -> f64 {
    let own = assumptions.arrow_own_sd_mm * scale;
    let share = |kind| match arrows_of(shots, kind) {
        0 => 0.0,
        arrows => 1.0 / arrows as f64,
    };
    own * own * (share(EntryKind::Bare) + share(EntryKind::Fletched))
}

/// How many arrows of a kind were shot: by their marks if all have one, else the most in one end.
fn arrows_of(shots: &[Shot], kind: EntryKind) -> usize {
    let of_kind: Vec<&Shot> = shots.iter().filter(|shot| shot.kind == kind).collect();
    let marks: Option<BTreeSet<&str>> = of_kind.iter().map(|shot| shot.arrow.as_deref()).collect();
    if let Some(marks) = marks {
        return marks.len();
    }
    let ends: BTreeSet<usize> = of_kind.iter().map(|shot| shot.end).collect();
    ends.into_iter()
        .map(|end| of_kind.iter().filter(|shot| shot.end == end).count())
        .max()
        .unwrap_or(0)
}

/// Φ(z), the standard normal distribution function.
fn normal_cdf(z: f64) -> f64 {
    0.5 * erfc(-z * std::f64::consts::FRAC_1_SQRT_2)
}

//! The likelihood of one set of outliers on one axis, given the scatters; offset and centres are integrated out.
//!
//! The model: shot i of kind k in end e, z_i ~ N(m_e + \[bare\] d, v_i) with v_i = c_i² σ² + r_i and
//! c_i = (ρ if bare)·(κ if an outlier); the centre m_e of each end has a flat prior (here; it may be given a precision), d ~ N(0, 1/P₀). With weights
//! w = 1/v, and per end and kind W = Σw, z̄ = Σwz/W, Q = Σw(z − z̄)²; per end P = W_F W_B/(W_F + W_B), δ = z̄_B − z̄_F;
//! A = ΣP, B = ΣPδ, C = ΣPδ²:
//!
//! ln L = ½ [Σ ln w − ΣQ − Σ ln(W_F + W_B) + ln P₀ − ln(P₀ + A) − C + B²/(P₀ + A)],  d ~ N(B/(P₀ + A), 1/(P₀ + A)),
//!
//! up to the constant −½ (n − number of ends) ln 2π. (Integrating a normal linear model, e.g. Gelman et al.,
//! *Bayesian Data Analysis*, §14.8.) A *grid point* is one pair of ρ and σ;
//! all points of the grid are computed side by side.

use std::borrow::Cow;

/// Grid points whose bound lies more than this many nats below the best one's count as nothing (e⁻²⁵ is some 10⁻¹¹).
const LN_NEGLIGIBLE_POINT: f64 = 25.0;

/// Shots of one axis, ready for the likelihoods of many sets of outliers. The terms of an end or a shot are computed when they are first asked
/// for: of many shots few may be outliers.
pub(super) struct AxisData {
    /// Scatter of a fletched and of a bare shot in each point.
    scatters: Vec<[f64; 2]>,
    /// How many times as wide outliers scatter.
    widening: f64,
    /// Prior of d.
    prior: OffsetPrior,
    /// Prior of each end's centre, as the sums of a shot.
    centres: Vec<Sums>,
    /// By end; places about the end's origin.
    shots: Vec<AxisShot>,
    /// Place of the first shot of each end, and their number.
    starts: Vec<usize>,
    /// The reference set of outliers, by shot: other sets are computed as differences from it.
    reference_set: Vec<bool>,
    /// Per point over all ends with that set.
    total: Vec<Total>,
    /// Per end with that set.
    ends: Vec<Option<EndSums>>,
    /// Per shot and point: what changes when the shot becomes an outlier, or one of that set none.
    changes: Vec<Option<Vec<Sums>>>,
    scratch: Vec<Total>,
    scratch_groups: Vec<Sums>,
}

/// One end in every point.
struct EndSums {
    /// The fletched shots, then the bare ones.
    groups: Vec<Sums>,
    terms: Vec<EndTerms>,
}

/// Sums over the shots of one end and kind.
#[derive(Clone, Copy, Default)]
struct Sums {
    /// Σ w.
    w: f64,
    /// Σ w z.
    wz: f64,
    /// Σ w z².
    wzz: f64,
    /// Σ ln w.
    ln_w: f64,
}

impl Sums {
    fn of(z: f64, variance: f64) -> Self {
        let w = 1.0 / variance;
        Self {
            w,
            wz: w * z,
            wzz: w * z * z,
            ln_w: -variance.ln(),
        }
    }

    fn add(&mut self, other: &Self) {
        self.w += other.w;
        self.wz += other.wz;
        self.wzz += other.wzz;
        self.ln_w += other.ln_w;
    }

    fn minus(&self, other: &Self) -> Self {
        Self {
            w: self.w - other.w,
            wz: self.wz - other.wz,
            wzz: self.wzz - other.wzz,
            ln_w: self.ln_w - other.ln_w,
        }
    }
}

/// What one end adds to the log likelihood.
#[derive(Clone, Copy, Default)]
struct EndTerms {
    /// Σ ln w − Q.
    fit: f64,
    /// W_F + W_B, whose logarithm goes off the fit; 0 without shots.
    weight_sum: f64,
    a: f64,
    b: f64,
    c: f64,
}

impl EndTerms {
    /// `centre` is the prior of the end's centre, as a shot of neither kind.
    fn of(fletched: &Sums, bare: &Sums, centre: &Sums) -> Self {
        if fletched.w + bare.w <= 0.0 {
            return Self::default();
        }
        // what doesn't depend on d: the fletched shots and the centre's prior
        let without_d = Sums {
            w: fletched.w + centre.w,
            wz: fletched.wz + centre.wz,
            wzz: fletched.wzz + centre.wzz,
            ln_w: fletched.ln_w + centre.ln_w,
        };
        let weight_sum = without_d.w + bare.w;
        let squares = |sums: &Sums| {
            if sums.w > 0.0 {
                (sums.wzz - sums.wz * sums.wz / sums.w).max(0.0)
            } else {
                0.0
            }
        };
        let fit = without_d.ln_w + bare.ln_w - squares(&without_d) - squares(bare);
        if without_d.w <= 0.0 || bare.w <= 0.0 {
            return Self {
                fit,
                weight_sum,
                ..Self::default()
            };
        }
        let p = without_d.w * bare.w / weight_sum;
        let delta = bare.wz / bare.w - without_d.wz / without_d.w;
        Self {
            fit,
            weight_sum,
            a: p,
            b: p * delta,
            c: p * delta * delta,
        }
    }
}

/// Sums of the ends' terms.
#[derive(Clone, Copy, Default)]
struct Total {
    /// Σ (Σ ln w − Q) over the ends, less Σ ln(W_F + W_B) of the reference set.
    fit: f64,
    /// Product over changed ends of (W_F + W_B) now over before: one logarithm for all of them.
    weight_ratio: f64,
    a: f64,
    b: f64,
    c: f64,
}

impl Total {
    fn add(&mut self, terms: &EndTerms) {
        self.fit += terms.fit;
        self.a += terms.a;
        self.b += terms.b;
        self.c += terms.c;
    }

    fn replace(&mut self, before: &EndTerms, now: &EndTerms) {
        self.fit += now.fit - before.fit;
        self.weight_ratio *= now.weight_sum / before.weight_sum;
        self.a += now.a - before.a;
        self.b += now.b - before.b;
        self.c += now.c - before.c;
    }
}

/// One shot on one axis.
#[derive(Clone, Copy, Debug)]
pub(super) struct AxisShot {
    /// Place of its end, from 0.
    pub(super) end: usize,
    /// Bare or fletched.
    pub(super) bare: bool,
    /// Place on the axis, mm.
    pub(super) z: f64,
    /// Variance of measuring, mm².
    pub(super) variance: f64,
}

/// Log likelihood and posterior of d in one grid point.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct GridPoint {
    /// ln L.
    pub(super) ln_likelihood: f64,
    /// Mean of d, mm.
    pub(super) mean: f64,
    /// A: precision of d from the shots alone, 1/mm².
    pub(super) a: f64,
    /// B: that times what the shots alone say of d, 1/mm.
    pub(super) b: f64,
}

/// The prior of d: a mixture of normals about zero.
#[derive(Clone, Debug)]
pub(super) struct OffsetPrior {
    /// (precision, ln of weight × √precision), the widest last.
    parts: Vec<(f64, f64)>,
}

impl OffsetPrior {
    /// From [sd, weight], lengths multiplied by `distance_ratio`.
    pub(super) fn new(parts: &[[f64; 2]], distance_ratio: f64) -> Self {
        let total: f64 = parts.iter().map(|part| part[1]).sum();
        let mut parts: Vec<(f64, f64)> = parts
            .iter()
            .map(|&[sd, weight]| {
                let precision = 1.0 / (sd * distance_ratio).powi(2);
                (precision, (weight / total).ln() + 0.5 * precision.ln())
            })
            .collect();
        parts.sort_by(|a, b| b.0.total_cmp(&a.0));
        Self { parts }
    }

    /// Precision of the widest part, 1/mm².
    pub(super) fn widest(&self) -> f64 {
        self.parts.last().map_or(0.0, |part| part.0)
    }

    pub(super) const fn len(&self) -> usize {
        self.parts.len()
    }

    /// ln of the factor that the prior gives to a grid point with A and B: Σ_k π_k √(P_k/(P_k + A)) exp ½B²/(P_k + A), and the mean of d.
    fn ln_factor_and_mean(&self, a: f64, b: f64) -> (f64, f64) {
        if let [(precision, ln_weight)] = self.parts.as_slice() {
            let whole = precision + a;
            let mean = b / whole;
            return (ln_weight - 0.5 * whole.ln() + 0.5 * b * mean, mean);
        }
        // the widest part has the smallest precision and so the largest exponent
        let largest = self
            .parts
            .last()
            .map_or(0.0, |(precision, _)| 0.5 * b * b / (precision + a));
        let (mut sum, mut moment) = (0.0, 0.0);
        for (precision, ln_weight) in &self.parts {
            let whole = precision + a;
            let mean = b / whole;
            let weight = (ln_weight + 0.5 * b * mean - largest).exp() / whole.sqrt();
            sum += weight;
            moment += weight * mean;
        }
        (sum.ln() + largest, moment / sum)
    }

    /// The normals that a point's posterior of d is made of: (share of the point, mean, variance), the widest prior last.
    pub(super) fn parts_of<'a>(
        &'a self,
        point: &'a GridPoint,
    ) -> impl Iterator<Item = (f64, f64, f64)> + 'a {
        let (ln_all, _) = self.ln_factor_and_mean(point.a, point.b);
        self.parts.iter().map(move |(precision, ln_weight)| {
            let whole = precision + point.a;
            let mean = point.b / whole;
            let ln_share = ln_weight - 0.5 * whole.ln() + 0.5 * point.b * mean - ln_all;
            (ln_share.exp(), mean, 1.0 / whole)
        })
    }
}

impl AxisData {
    /// Prepares shots for the grid (ρ, σ), ratio by ratio; `widening` is κ, `prior` the prior of d,
    /// `centre_precision` the prior precision of each end's centre (0: flat).
    pub(super) fn new(
        shots: &[AxisShot],
        ratios: &[f64],
        scatters: &[f64],
        widening: f64,
        prior: OffsetPrior,
        centre_precision: f64,
    ) -> Self {
        let scatters: Vec<[f64; 2]> = ratios
            .iter()
            .flat_map(|ratio| {
                scatters
                    .iter()
                    .map(move |&scatter| [scatter, scatter * ratio])
            })
            .collect();
        let grid = scatters.len();
        let ends = shots.iter().map(|shot| shot.end + 1).max().unwrap_or(0);
        let origins = origins(shots, ends);
        let centre = |origin: &f64| {
            if centre_precision > 0.0 {
                Sums::of(-origin, 1.0 / centre_precision)
            } else {
                Sums::default()
            }
        };
        let mut data = Self {
            scatters,
            widening,
            prior,
            centres: origins.iter().map(centre).collect(),
            shots: shots
                .iter()
                .map(|shot| AxisShot {
                    z: shot.z - origins[shot.end],
                    ..*shot
                })
                .collect(),
            starts: (0..=ends)
                .map(|end| shots.partition_point(|shot| shot.end < end))
                .collect(),
            reference_set: vec![false; shots.len()],
            total: Vec::new(),
            ends: Vec::new(),
            changes: Vec::new(),
            scratch: vec![Total::default(); grid],
            scratch_groups: vec![Sums::default(); 2 * grid],
        };
        data.set_reference(&[]);
        data
    }

    /// Computes sets of outliers as differences from this one from now on: the cost of a set grows with the shots in which it differs.
    pub(super) fn set_reference(&mut self, outliers: &[usize]) {
        self.reference_set.fill(false);
        outliers
            .iter()
            .for_each(|&shot| self.reference_set[shot] = true);
        let ends = self.centres.len();
        let none = Total {
            weight_ratio: 1.0,
            ..Total::default()
        };
        let mut total = vec![none; self.scatters.len()];
        for end in 0..ends {
            for (sum, term) in total.iter_mut().zip(&self.end_sums(end).terms) {
                sum.add(term);
                if term.weight_sum > 0.0 {
                    sum.fit -= term.weight_sum.ln();
                }
            }
        }
        self.total = total;
        self.ends = (0..ends).map(|_| None).collect();
        self.changes = vec![None; self.shots.len()];
    }

    /// A shot in every point, as an outlier or not.
    fn sums_of(&self, shot: usize, outlier: bool) -> impl Iterator<Item = Sums> + '_ {
        let AxisShot {
            bare, z, variance, ..
        } = self.shots[shot];
        let widening = if outlier { self.widening } else { 1.0 };
        self.scatters.iter().map(move |scatters| {
            let sd = scatters[usize::from(bare)] * widening;
            Sums::of(z, sd * sd + variance)
        })
    }

    /// An end with the reference set's outliers.
    fn end_sums(&self, end: usize) -> EndSums {
        let grid = self.scatters.len();
        let mut groups = vec![Sums::default(); 2 * grid];
        for shot in self.starts[end]..self.starts[end + 1] {
            let start = usize::from(self.shots[shot].bare) * grid;
            let own = self.sums_of(shot, self.reference_set[shot]);
            for (sums, own) in groups[start..start + grid].iter_mut().zip(own) {
                sums.add(&own);
            }
        }
        let (fletched, bare) = groups.split_at(grid);
        let terms = fletched.iter().zip(bare);
        let terms = terms
            .map(|(fletched, bare)| EndTerms::of(fletched, bare, &self.centres[end]))
            .collect();
        EndSums { groups, terms }
    }

    /// The shots that a set takes otherwise than the first one does, ascending.
    fn flips<'a>(&self, outliers: &'a [usize]) -> Cow<'a, [usize]> {
        if !self.reference_set.contains(&true) {
            return Cow::Borrowed(outliers);
        }
        let mut other = self.reference_set.clone();
        outliers.iter().for_each(|&shot| other[shot] = !other[shot]);
        let flips = other.iter().enumerate().filter(|(_, flips)| **flips);
        Cow::Owned(flips.map(|(shot, _)| shot).collect())
    }

    /// Works out what these shots and their ends need.
    fn prepare(&mut self, flips: &[usize]) {
        for &shot in flips {
            let end = self.shots[shot].end;
            if self.ends[end].is_none() {
                self.ends[end] = Some(self.end_sums(end));
            }
            if self.changes[shot].is_none() {
                let before = self.reference_set[shot];
                let now = self.sums_of(shot, !before);
                let change = now.zip(self.sums_of(shot, before));
                self.changes[shot] = Some(change.map(|(now, was)| now.minus(&was)).collect());
            }
        }
    }

    /// An upper bound of the log likelihood in every point, with these shots (indices, ascending) as outliers.
    pub(super) fn bound(&mut self, outliers: &[usize], grid: &mut [GridPoint]) {
        let flips = self.flips(outliers);
        self.prepare(&flips);
        self.scratch.copy_from_slice(&self.total);
        // shots are sorted by end, so those of one end stand together
        let mut rest = &flips[..];
        while let Some(&first) = rest.first() {
            let end = self.shots[first].end;
            let own = rest.iter().take_while(|&&shot| self.shots[shot].end == end);
            let (same, remaining) = rest.split_at(own.count());
            self.replace_end(same);
            rest = remaining;
        }
        // what a point comes to at most: no part of the prior of d fits better than the widest, and all only take away
        let widest = self.prior.widest();
        for (out, sums) in grid.iter_mut().zip(&self.scratch) {
            out.a = sums.a;
            out.b = sums.b;
            let fit = sums.fit - sums.weight_ratio.ln() - sums.c;
            out.ln_likelihood = 0.5 * (fit + sums.b * sums.b / (widest + sums.a));
        }
    }

    /// The sums with these shots of one end taken otherwise.
    fn replace_end(&mut self, flips: &[usize]) {
        let width = self.scatters.len();
        let end = self.shots[flips[0]].end;
        let Some(known) = &self.ends[end] else {
            return;
        };
        self.scratch_groups.copy_from_slice(&known.groups);
        for &shot in flips {
            let start = usize::from(self.shots[shot].bare) * width;
            let change = self.changes[shot].iter().flatten();
            for (sums, change) in self.scratch_groups[start..start + width]
                .iter_mut()
                .zip(change)
            {
                sums.add(change);
            }
        }
        let (fletched, bare) = self.scratch_groups.split_at(width);
        for (point, sums) in self.scratch.iter_mut().enumerate() {
            let now = EndTerms::of(&fletched[point], &bare[point], &self.centres[end]);
            sums.replace(&known.terms[point], &now);
        }
    }

    /// Turns the upper bounds that [`bound`](Self::bound) gave into exact log likelihoods; points that can't matter beside the best of them
    /// count as nothing.
    pub(super) fn finish(&self, grid: &mut [GridPoint]) {
        let widest = self.prior.widest();
        let most = grid
            .iter()
            .map(|point| point.ln_likelihood)
            .fold(f64::NEG_INFINITY, f64::max);
        for point in grid {
            if point.ln_likelihood < most - LN_NEGLIGIBLE_POINT {
                point.ln_likelihood = f64::NEG_INFINITY;
                point.mean = 0.0;
                continue;
            }
            let (ln_prior, mean) = self.prior.ln_factor_and_mean(point.a, point.b);
            point.mean = mean;
            point.ln_likelihood += ln_prior - 0.5 * point.b * point.b / (widest + point.a);
        }
    }
}

/// A place near each end's shots, so that squares don't cancel: the mean of its shots.
fn origins(shots: &[AxisShot], ends: usize) -> Vec<f64> {
    let mut sums = vec![(0.0, 0.0); ends];
    for shot in shots {
        sums[shot.end].0 += shot.z;
        sums[shot.end].1 += 1.0;
    }
    sums.into_iter()
        .map(|(sum, count): (f64, f64)| if count > 0.0 { sum / count } else { 0.0 })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Five points of one group, σ 10, an outlier ten times as wide with probability 0.1, flat prior on the centre: the
    /// log likelihood is −35.848947 (confirmed by an integral on a 0.1 mm grid) and the first four are outliers with these
    /// probabilities. Computed with numpy and scipy, stored with the project's reference values.
    #[test]
    fn one_group_with_one_far_shot() {
        let points = [
            (0.0, 0.0),
            (8.0, -5.0),
            (-6.0, 9.0),
            (3.0, 4.0),
            (70.0, -40.0),
        ];
        let axis = |pick: fn(&(f64, f64)) -> f64| {
            let shots: Vec<AxisShot> = points
                .iter()
                .map(|point| AxisShot {
                    end: 0,
                    bare: true,
                    z: pick(point),
                    variance: 0.0,
                })
                .collect();
            AxisData::new(
                &shots,
                &[1.0],
                &[10.0],
                10.0,
                OffsetPrior::new(&[[300.0, 1.0]], 1.0),
                0.0,
            )
        };
        let (mut x, mut y) = (axis(|p| p.0), axis(|p| p.1));
        let (mut sum, mut outlier, mut centre) = (0.0, [0.0; 5], [0.0; 2]);
        for mask in 0u32..32 {
            let outliers: Vec<usize> = (0..5).filter(|i| mask >> i & 1 == 1).collect();
            let (mut lx, mut ly) = ([GridPoint::default()], [GridPoint::default()]);
            for (axis, grid) in [(&mut x, &mut lx), (&mut y, &mut ly)] {
                axis.bound(&outliers, grid);
                axis.finish(grid);
            }
            let k = i32::try_from(outliers.len()).unwrap();
            // two axes, four free shots each
            let constant = -4.0 * (2.0 * std::f64::consts::PI).ln();
            let weight = 0.1f64.powi(k)
                * 0.9f64.powi(5 - k)
                * (lx[0].ln_likelihood + ly[0].ln_likelihood + constant).exp();
            sum += weight;
            outliers.iter().for_each(|&shot| outlier[shot] += weight);
            let variance = |i: &usize| if outliers.contains(i) { 1e-4 } else { 1e-2 };
            let all: f64 = (0..5).map(|i| variance(&i)).sum();
            for (i, point) in points.iter().enumerate() {
                centre[0] += weight * variance(&i) / all * point.0;
                centre[1] += weight * variance(&i) / all * point.1;
            }
        }
        assert!((sum.ln() + 35.848947).abs() < 1e-6, "{}", sum.ln());
        let expected = [0.001531, 0.002673, 0.002944, 0.001544, 1.000000];
        for (got, expected) in outlier.iter().zip(expected) {
            assert!(
                (got / sum - expected).abs() < 1e-6,
                "{} {expected}",
                got / sum
            );
        }
        assert!((centre[0] / sum - 1.422763).abs() < 1e-6);
        assert!((centre[1] / sum - 1.894330).abs() < 1e-6);
    }
}

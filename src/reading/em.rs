//! A quick estimate of which shots are outliers: expectation–maximisation of the reading's model at one scatter per axis.
//! (Dempster, Laird & Rubin 1977.) It only says where the exact sums begin their search.

use super::{Assumptions, Shot};
use crate::record::ArrowKind;

/// Iterations of the EM: it starts close and only has to sort good from bad.
const ITERATIONS: usize = 30;
/// Bare over fletched scatter, the middle of its prior.
const START_BARE_RATIO: f64 = 1.2;
/// Median |difference| of two draws from N(0, σ²) is this times σ: 0.67449 √2.
pub(super) const MEDIAN_PAIR_DIFFERENCE: f64 = 0.953_873;

struct State {
    centres: Vec<f64>,
    offset: f64,
    scatter: f64,
}

/// P(outlier) of every shot.
pub(super) fn outlier_probabilities(
    sorted: &[&Shot],
    distance_ratio: f64,
    assumptions: &Assumptions,
) -> Vec<f64> {
    let ends = sorted.iter().map(|shot| shot.end + 1).max().unwrap_or(0);
    let least = assumptions.scatter_median_mm * distance_ratio * assumptions.scatter_grid.lowest;
    let mut axes = [0, 1].map(|axis| start(sorted, axis, ends, least));
    let kappa = assumptions.outlier_widening;
    let mut probability = vec![0.0; sorted.len()];
    for _ in 0..ITERATIONS {
        for (probability, shot) in probability.iter_mut().zip(sorted) {
            let mut ln_odds =
                assumptions.outlier_probability.ln() - (-assumptions.outlier_probability).ln_1p();
            for (axis, state) in axes.iter().enumerate() {
                let residual = shot.place_mm[axis] - state.expected(shot);
                let variance = state.variance(shot, 1.0) + shot.variance_mm2[axis];
                let wide = state.variance(shot, kappa) + shot.variance_mm2[axis];
                ln_odds += 0.5 * (variance.ln() - wide.ln())
                    + 0.5 * residual * residual * (1.0 / variance - 1.0 / wide);
            }
            *probability = 1.0 / (1.0 + (-ln_odds).exp());
        }
        for (axis, state) in axes.iter_mut().enumerate() {
            state.maximise(sorted, axis, &probability, kappa, least);
        }
    }
    probability
}

impl State {
    fn expected(&self, shot: &Shot) -> f64 {
        let offset = if shot.kind == ArrowKind::Bare {
            self.offset
        } else {
            0.0
        };
        self.centres[shot.end] + offset
    }

    /// Variance of the shot itself, without the error of measuring.
    fn variance(&self, shot: &Shot, widening: f64) -> f64 {
        let ratio = if shot.kind == ArrowKind::Bare {
            START_BARE_RATIO
        } else {
            1.0
        };
        (self.scatter * ratio * widening).powi(2)
    }

    fn maximise(
        &mut self,
        sorted: &[&Shot],
        axis: usize,
        probability: &[f64],
        kappa: f64,
        least: f64,
    ) {
        // weighted least squares for the centres and the offset: the offset from each end's difference of means
        let mut groups = vec![[(0.0, 0.0); 2]; self.centres.len()];
        for (shot, p) in sorted.iter().zip(probability) {
            let error = shot.variance_mm2[axis];
            let weight = (1.0 - p) / (self.variance(shot, 1.0) + error)
                + p / (self.variance(shot, kappa) + error);
            let group = &mut groups[shot.end][usize::from(shot.kind == ArrowKind::Bare)];
            group.0 += weight;
            group.1 += weight * shot.place_mm[axis];
        }
        let (mut a, mut b) = (0.0, 0.0);
        for [fletched, bare] in &groups {
            if fletched.0 > 0.0 && bare.0 > 0.0 {
                let pair = fletched.0 * bare.0 / (fletched.0 + bare.0);
                a += pair;
                b += pair * (bare.1 / bare.0 - fletched.1 / fletched.0);
            }
        }
        if a > 0.0 {
            self.offset = b / a;
        }
        for (centre, [fletched, bare]) in self.centres.iter_mut().zip(&groups) {
            let weight = fletched.0 + bare.0;
            if weight > 0.0 {
                *centre = (fletched.1 + bare.1 - bare.0 * self.offset) / weight;
            }
        }
        // the scatter from the shots' own deviations, the error of measuring taken out by its expectation
        let mut sum = 0.0;
        for (shot, p) in sorted.iter().zip(probability) {
            let residual = shot.place_mm[axis] - self.expected(shot);
            let error = shot.variance_mm2[axis];
            for (p, widening) in [(1.0 - p, 1.0), (*p, kappa)] {
                let own = self.variance(shot, widening);
                let share = own / (own + error);
                let squared = (share * residual).powi(2) + share * error;
                sum += p * squared * self.scatter * self.scatter / own;
            }
        }
        if !sorted.is_empty() {
            self.scatter = (sum / sorted.len() as f64).sqrt().max(least);
        }
    }
}

/// Medians of the groups, and the scatter from the median absolute pair difference within end and kind.
fn start(sorted: &[&Shot], axis: usize, ends: usize, least: f64) -> State {
    let mut groups = vec![[Vec::new(), Vec::new()]; ends];
    for shot in sorted {
        groups[shot.end][usize::from(shot.kind == ArrowKind::Bare)].push(shot.place_mm[axis]);
    }
    let mut pairs = Vec::new();
    let mut offsets = Vec::new();
    let mut centres = vec![0.0; ends];
    for ([fletched, bare], centre) in groups.iter().zip(&mut centres) {
        for group in [fletched, bare] {
            for (at, a) in group.iter().enumerate() {
                pairs.extend(group[at + 1..].iter().map(|b| (a - b).abs()));
            }
        }
        let (fletched, bare) = (median(fletched), median(bare));
        if let (Some(fletched), Some(bare)) = (fletched, bare) {
            offsets.push(bare - fletched);
        }
        *centre = fletched.or(bare).unwrap_or(0.0);
    }
    let offset = median(&offsets).unwrap_or(0.0);
    for ([fletched, bare], centre) in groups.iter().zip(&mut centres) {
        if fletched.is_empty() && !bare.is_empty() {
            *centre -= offset;
        }
    }
    State {
        centres,
        offset,
        scatter: (median(&pairs).unwrap_or(0.0) / MEDIAN_PAIR_DIFFERENCE).max(least),
    }
}

/// The median; `None` when empty.
pub(super) fn median(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| crate::math::median(&mut values.to_vec()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shot(end: usize, kind: ArrowKind, x: f64, y: f64) -> Shot {
        Shot {
            end,
            id: 0,
            kind,
            place_mm: [x, y],
            variance_mm2: [4.0, 4.0],
            arrow: None,
        }
    }

    #[test]
    fn one_far_shot_stands_out() {
        let mut shots = Vec::new();
        for i in 0..7 {
            let step = f64::from(i) - 3.0;
            shots.push(shot(0, ArrowKind::Fletched, 9.0 * step, -7.0 * step));
            shots.push(shot(0, ArrowKind::Bare, 80.0 - 8.0 * step, 6.0 * step));
        }
        shots[5].place_mm[0] += 250.0;
        let sorted: Vec<&Shot> = shots.iter().collect();
        let assumptions = Assumptions::embedded().unwrap();
        let probability = outlier_probabilities(&sorted, 1.0, &assumptions);
        for (i, p) in probability.iter().enumerate() {
            assert_eq!(i == 5, *p > 0.5, "shot {i}: {p}");
        }
    }

    #[test]
    fn medians() {
        assert_eq!(median(&[]), None);
        assert_eq!(median(&[3.0]), Some(3.0));
        assert_eq!(median(&[4.0, 1.0, 3.0, 2.0]), Some(2.5));
    }
}

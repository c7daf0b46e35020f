//! Which arrow each shaft is: the likeliest of all joint assignments, as exact probabilities.
//!
//! Each shaft is one arrow at most, each arrow one shaft at most, and a shaft may be none of them. Arrows that are given to look
//! alike are one class with a number, so that the exact sum over all assignments runs over how many of each class are used; of
//! the arrows of one class each is as likely.

use crate::math::count;

/// Most states of the exact sum: 16 arrows that all look different.
const MAX_STATES: usize = 1 << 16;
/// Iterations of the approximation beyond that.
const ITERATIONS: usize = 60;
/// The likelihood ratio of a pair is held within this factor either way, so that no sum overflows.
const MAX_RATIO: f64 = 1e12;

/// Probability of every pair of shaft and class; the rest to 1 is that the shaft is none of the arrows.
///
/// `likelihood_ratios[i][c]`: of the colours of shaft `i`, if it is an arrow of class `c`, against none of the arrows. `sizes[c]`:
/// number of arrows of the class. `p_unlisted[i]`: prior probability that shaft `i` is none of them. A priori all assignments with the same number
/// of unlisted shafts are equally likely.
pub(crate) fn posterior(
    likelihood_ratios: &[Vec<f64>],
    sizes: &[usize],
    p_unlisted: &[f64],
) -> Vec<Vec<f64>> {
    let odds: Vec<Vec<f64>> = likelihood_ratios
        .iter()
        .zip(p_unlisted)
        .map(|(row, s)| {
            let s = s.clamp(1e-6, 1.0);
            let own = |l: &f64| {
                let l = if l.is_nan() { 1.0 } else { *l };
                (1.0 - s) / s * l.clamp(1.0 / MAX_RATIO, MAX_RATIO)
            };
            row.iter().map(own).collect()
        })
        .collect();
    let states = sizes
        .iter()
        .try_fold(1usize, |n, size| n.checked_mul(size + 1));
    match states.filter(|n| *n <= MAX_STATES) {
        Some(states) => exact(&odds, sizes, states),
        None => approximate(&odds, sizes),
    }
}

/// Forward and backward sums over how many arrows of each class the shafts before, and after, use.
fn exact(odds: &[Vec<f64>], sizes: &[usize], states: usize) -> Vec<Vec<f64>> {
    let classes = sizes.len();
    let mut strides = vec![1usize; classes];
    for c in 1..classes {
        strides[c] = strides[c - 1] * (sizes[c - 1] + 1);
    }
    // in every state, what is left of each class, and one over what is left of all
    let mut left: Vec<u8> = Vec::with_capacity(states * classes);
    let mut per_free: Vec<f64> = Vec::with_capacity(states);
    let mut now: Vec<usize> = sizes.to_vec();
    for _ in 0..states {
        left.extend(now.iter().map(|n| u8::try_from(*n).unwrap_or(u8::MAX)));
        per_free.push(1.0 / count(now.iter().sum::<usize>().max(1)));
        for (n, size) in now.iter_mut().zip(sizes) {
            if *n > 0 {
                *n -= 1;
                break;
            }
            *n = *size;
        }
    }
    // among assignments of as many shafts each is as likely: one of the arrows that no shaft has taken yet, none of a class that
    // is used up
    let step = |from: &[f64], row: &[f64]| {
        let mut to = from.to_vec();
        for state in (0..states).filter(|s| from[*s] > 0.0) {
            let each = from[state] * per_free[state];
            let own = &left[state * classes..(state + 1) * classes];
            for ((left, odds), stride) in own.iter().zip(row).zip(&strides) {
                if *left > 0 {
                    to[state + stride] += each * odds * f64::from(*left);
                }
            }
        }
        scaled(to)
    };
    let mut start = vec![0.0; states];
    start[0] = 1.0;
    let mut before = vec![start];
    for row in odds {
        let last = before.last().map_or(&[][..], Vec::as_slice);
        before.push(step(last, row));
    }
    let mut after = vec![1.0; states];
    let mut result = vec![Vec::new(); odds.len()];
    for (i, row) in odds.iter().enumerate().rev() {
        let from = &before[i];
        let mut pairs = vec![0.0; classes];
        let mut none = 0.0;
        let mut earlier = after.clone();
        for state in (0..states).filter(|s| from[*s] > 0.0) {
            none += from[state] * after[state];
            let own = &left[state * classes..(state + 1) * classes];
            let mut sum = 0.0;
            for (c, (left, odds)) in own.iter().zip(row).enumerate() {
                if *left > 0 {
                    let way = odds * f64::from(*left) * after[state + strides[c]];
                    pairs[c] += from[state] * per_free[state] * way;
                    sum += way;
                }
            }
            earlier[state] += sum * per_free[state];
        }
        let sum = none + pairs.iter().sum::<f64>();
        result[i] = pairs.iter().map(|p| p / sum).collect();
        after = scaled(earlier);
    }
    result
}

/// The same weights with their sum 1.
fn scaled(mut weights: Vec<f64>) -> Vec<f64> {
    let sum: f64 = weights.iter().sum();
    weights.iter_mut().for_each(|w| *w /= sum);
    weights
}

/// Belief propagation for matchings (as analysed by Bayati, Gamarnik, Katz, Nair and Tetali 2007; from memory), for more
/// arrows than can be summed over: shafts and arrows exchange messages that say how free they are for each other. Slightly overconfident where
/// many arrows compete for one shaft; exact where the likely pairs form no cycle.
fn approximate(odds: &[Vec<f64>], sizes: &[usize]) -> Vec<Vec<f64>> {
    let classes = sizes.len();
    let all: usize = sizes.iter().sum();
    // the prior of the exact sum gives a shaft 1/n of the odds per arrow while n are free; here n in their geometric mean over
    // the shafts
    let shafts = odds.len().min(all);
    let log_free: f64 = (0..shafts).map(|k| count(all - k).ln()).sum();
    let per_arrow = (-log_free / count(shafts.max(1))).exp();
    let weight = |i: usize, c: usize| odds[i][c] * per_arrow;
    // messages: how free shaft i is for an arrow of class c, and how free such an arrow is for shaft i
    let mut shaft_free = vec![vec![1.0; classes]; odds.len()];
    let mut arrow_free = shaft_free.clone();
    for _ in 0..ITERATIONS {
        for c in 0..classes {
            // the arrows of a class are alike, so that they exchange the same messages
            let claims: f64 = (0..odds.len())
                .map(|i| weight(i, c) * shaft_free[i][c])
                .sum();
            for i in 0..odds.len() {
                let by_other_shafts = claims - weight(i, c) * shaft_free[i][c];
                arrow_free[i][c] = 1.0 / (1.0 + by_other_shafts.max(0.0));
            }
        }
        for (i, shaft_free) in shaft_free.iter_mut().enumerate() {
            let claim = |c: usize| weight(i, c) * arrow_free[i][c];
            let sum: f64 = (0..classes).map(|c| count(sizes[c]) * claim(c)).sum();
            for (c, free) in shaft_free.iter_mut().enumerate() {
                let new = 1.0 / (1.0 + (sum - claim(c)).max(0.0));
                // damped by half, so that the messages don't oscillate
                *free = 0.5 * (*free + new);
            }
        }
    }
    (0..odds.len())
        .map(|i| {
            let claims = |c: usize| count(sizes[c]) * weight(i, c) * arrow_free[i][c];
            let sum: f64 = (0..classes).map(claims).sum();
            (0..classes).map(|c| claims(c) / (1.0 + sum)).collect()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::math::SplitMix;

    fn unit(draw: &mut SplitMix) -> f64 {
        count(draw.below(1_000_000)) / 1e6
    }

    /// Every assignment by itself: the outside check. `arrows[j]` is arrow j's class.
    fn by_all_assignments(
        likelihood_ratios: &[Vec<f64>],
        arrows: &[usize],
        classes: usize,
        p_unlisted: &[f64],
    ) -> Vec<Vec<f64>> {
        struct Sum<'a> {
            likelihood_ratios: &'a [Vec<f64>],
            arrows: &'a [usize],
            p_unlisted: &'a [f64],
            total: f64,
            pairs: Vec<Vec<f64>>,
        }
        fn go(sum: &mut Sum, taken: &mut Vec<Option<usize>>, weight: f64) {
            let i = taken.len();
            if i == sum.likelihood_ratios.len() {
                // as many assignments of k shafts to n arrows as n (n − 1) …, each as likely
                let k = taken.iter().flatten().count();
                let ways: f64 = (0..k).map(|k| count(sum.arrows.len() - k)).product();
                sum.total += weight / ways;
                for (i, arrow) in taken.iter().enumerate() {
                    if let Some(j) = arrow {
                        sum.pairs[i][sum.arrows[*j]] += weight / ways;
                    }
                }
                return;
            }
            taken.push(None);
            go(sum, taken, weight * sum.p_unlisted[i]);
            taken.pop();
            for j in 0..sum.arrows.len() {
                if !taken.contains(&Some(j)) {
                    taken.push(Some(j));
                    let w = weight
                        * (1.0 - sum.p_unlisted[i])
                        * sum.likelihood_ratios[i][sum.arrows[j]];
                    go(sum, taken, w);
                    taken.pop();
                }
            }
        }
        let mut sum = Sum {
            likelihood_ratios,
            arrows,
            p_unlisted,
            total: 0.0,
            pairs: vec![vec![0.0; classes]; likelihood_ratios.len()],
        };
        go(&mut sum, &mut Vec::new(), 1.0);
        let total = sum.total;
        let row = |row: Vec<f64>| row.into_iter().map(|p| p / total).collect();
        sum.pairs.into_iter().map(row).collect()
    }

    struct Case {
        likelihood_ratios: Vec<Vec<f64>>,
        arrows: Vec<usize>,
        sizes: Vec<usize>,
        p_unlisted: Vec<f64>,
    }

    fn case(draw: &mut SplitMix) -> Case {
        let classes = 1 + draw.below(4);
        let sizes: Vec<usize> = (0..classes).map(|_| 1 + draw.below(2)).collect();
        let arrows = (0..classes).flat_map(|c| vec![c; sizes[c]]).collect();
        let shafts = draw.below(6);
        let mut row = || {
            (0..classes)
                .map(|_| (12.0 * unit(draw) - 6.0).exp())
                .collect()
        };
        let likelihood_ratios = (0..shafts).map(|_| row()).collect();
        Case {
            likelihood_ratios,
            arrows,
            sizes,
            p_unlisted: (0..shafts).map(|_| 0.02 + 0.9 * unit(draw)).collect(),
        }
    }

    #[test]
    fn the_sum_is_that_over_all_assignments() {
        let mut draw = SplitMix::new(5);
        for _ in 0..300 {
            let c = case(&mut draw);
            let ours = posterior(&c.likelihood_ratios, &c.sizes, &c.p_unlisted);
            let all = by_all_assignments(
                &c.likelihood_ratios,
                &c.arrows,
                c.sizes.len(),
                &c.p_unlisted,
            );
            for (a, b) in ours.iter().flatten().zip(all.iter().flatten()) {
                assert!((a - b).abs() < 1e-9, "{ours:?} against {all:?}");
            }
        }
    }

    #[test]
    fn probabilities_add_up_and_the_order_of_shafts_changes_nothing() {
        let mut draw = SplitMix::new(6);
        for _ in 0..200 {
            let mut c = case(&mut draw);
            let ours = posterior(&c.likelihood_ratios, &c.sizes, &c.p_unlisted);
            for row in &ours {
                assert!(row.iter().all(|p| (0.0..=1.0).contains(p)));
                assert!(row.iter().sum::<f64>() <= 1.0 + 1e-9);
            }
            for class in 0..c.sizes.len() {
                let shafts: f64 = ours.iter().map(|row| row[class]).sum();
                assert!(shafts <= count(c.sizes[class]) + 1e-9);
            }
            c.likelihood_ratios.reverse();
            c.p_unlisted.reverse();
            let mut turned = posterior(&c.likelihood_ratios, &c.sizes, &c.p_unlisted);
            turned.reverse();
            for (a, b) in ours.iter().flatten().zip(turned.iter().flatten()) {
                assert!((a - b).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn sixteen_different_arrows_are_summed_and_more_are_nearly_so() {
        let mut draw = SplitMix::new(7);
        let mut row = |n: usize, own: usize| -> Vec<f64> {
            let mut row: Vec<f64> = (0..n)
                .map(|_| (2.0 * unit(&mut draw) - 2.0).exp())
                .collect();
            row[own] *= 150.0;
            row
        };
        let likelihood_ratios: Vec<Vec<f64>> = (0..12).map(|i| row(16, i)).collect();
        let odds = posterior(&likelihood_ratios, &[1; 16], &[0.05; 12]);
        assert!((0..12).all(|i| odds[i][i] > 0.5));
        let near = approximate(
            &likelihood_ratios
                .iter()
                .map(|r| r.iter().map(|l| 19.0 * l).collect())
                .collect::<Vec<_>>(),
            &[1; 16],
        );
        for (a, b) in odds.iter().flatten().zip(near.iter().flatten()) {
            assert!((a - b).abs() < 0.08, "{a} against {b}");
        }
        let likelihood_ratios: Vec<Vec<f64>> = (0..24).map(|i| row(24, i)).collect();
        let many = posterior(&likelihood_ratios, &[1; 24], &[0.05; 24]);
        assert!((0..24).all(|i| many[i][i] > 0.5));
    }

    #[test]
    fn evidence_that_is_no_number_or_endless_makes_no_nonsense() {
        for wild in [f64::NAN, f64::INFINITY, 0.0, -1.0, 1e300] {
            let p = posterior(&[vec![wild, 1.0], vec![1.0, wild]], &[1, 1], &[0.1, 0.1]);
            assert!(
                p.iter().flatten().all(|p| (0.0..=1.0).contains(p)),
                "{wild}"
            );
        }
        assert_eq!(posterior(&[], &[3], &[]), Vec::<Vec<f64>>::new());
        assert_eq!(posterior(&[vec![]], &[], &[0.1]), vec![Vec::<f64>::new()]);
    }
}

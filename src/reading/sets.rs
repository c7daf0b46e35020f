//! Which sets of outliers are summed over: all that matter up to a dozen shots, the neighbourhood of the likeliest beyond.

use super::marginal_likelihood::MarginalLikelihood;
use super::{Assumptions, Shot, em};
use std::collections::BTreeSet;

/// Most shots of which all subsets are summed over.
const MAX_SHOTS_ALL_SUBSETS: usize = 6;
/// Most shots of which all sets of at most a third outliers are summed over.
const MAX_SHOTS_ALL_THIRDS: usize = 12;
/// Of more shots, the most that may differ from a mode: those whose probability of being an outlier is nearest to a half.
const MAX_FLIPPED_SHOTS: usize = 24;
/// Most flips of the first mode, the likeliest, that are combined in every way.
const MAX_COMBINED_FLIPS: usize = 8;

/// Sets of more outliers than this are computed from the likeliest set instead of from none.
const MAX_OUTLIERS_FROM_NONE: usize = 40;

/// While climbing, a ratio of scatters whose ln of the weight lies further than this below the best set's can't matter to the comparison.
const LN_RATIO_IGNORED: f64 = 30.0;

/// Indices of the outliers among the sorted shots, ascending.
pub(super) type OutlierSet = Vec<usize>;

/// The sets to sum over for shots in sorted order.
pub(super) fn sets_for(
    marginal_likelihood: &mut MarginalLikelihood,
    sorted: &[&Shot],
    distance_ratio: f64,
    assumptions: &Assumptions,
) -> Vec<OutlierSet> {
    let n = sorted.len();
    if n <= MAX_SHOTS_ALL_SUBSETS {
        all_up_to(n, n)
    } else if n <= MAX_SHOTS_ALL_THIRDS {
        all_up_to(n, n.div_ceil(3))
    } else {
        near_the_modes(marginal_likelihood, sorted, distance_ratio, assumptions)
    }
}

/// All sets of at most `most` of `n` shots, by size and then in lexical order.
pub(super) fn all_up_to(n: usize, most: usize) -> Vec<OutlierSet> {
    let mut sets = vec![OutlierSet::new()];
    let mut from = 0;
    for _ in 0..most.min(n) {
        let to = sets.len();
        for at in from..to {
            let first = sets[at].last().map_or(0, |&last| last + 1);
            for next in first..n {
                let mut set = sets[at].clone();
                set.push(next);
                sets.push(set);
            }
        }
        from = to;
    }
    sets
}

/// Beyond a dozen shots: the two modes that greedy flips find, from the probabilities of a quick EM and from no outlier at
/// all, their single and double flips, and every combination of the first mode's likeliest flips.
fn near_the_modes(
    marginal_likelihood: &mut MarginalLikelihood,
    sorted: &[&Shot],
    distance_ratio: f64,
    assumptions: &Assumptions,
) -> Vec<OutlierSet> {
    let probability = em::outlier_probabilities(sorted, distance_ratio, assumptions);
    let mut doubtful: Vec<usize> = (0..sorted.len()).collect();
    doubtful.sort_by(|&a, &b| {
        let doubt = |i: usize| (probability[i] - 0.5).abs();
        doubt(a).total_cmp(&doubt(b)).then(a.cmp(&b))
    });
    doubtful.truncate(MAX_FLIPPED_SHOTS);
    let likely: Vec<bool> = probability.iter().map(|&p| p > 0.5).collect();
    let mut without_doubtful = likely.clone();
    doubtful
        .iter()
        .for_each(|&shot| without_doubtful[shot] = false);

    if likely.iter().filter(|likely| **likely).count() > MAX_OUTLIERS_FROM_NONE {
        marginal_likelihood.set_reference(&members(&likely));
    }
    let first = hill_climb(marginal_likelihood, likely, &doubtful);
    let second = hill_climb(marginal_likelihood, without_doubtful, &doubtful);
    let mut sets = BTreeSet::new();
    for mode in [&first, &second] {
        sets.insert(members(mode));
        for (at, &a) in doubtful.iter().enumerate() {
            sets.insert(members(&flipped(mode, &[a])));
            for &b in &doubtful[at + 1..] {
                sets.insert(members(&flipped(mode, &[a, b])));
            }
        }
    }
    let mut likeliest_flips: Vec<(f64, usize)> = doubtful
        .iter()
        .map(|&shot| {
            (
                marginal_likelihood
                    .ln_weight(&members(&flipped(&first, &[shot])), f64::NEG_INFINITY),
                shot,
            )
        })
        .collect();
    likeliest_flips.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    likeliest_flips.truncate(MAX_COMBINED_FLIPS);
    for pattern in 0u32..1 << likeliest_flips.len() {
        let flips: Vec<usize> = likeliest_flips
            .iter()
            .enumerate()
            .filter(|(bit, _)| pattern >> bit & 1 == 1)
            .map(|(_, &(_, shot))| shot)
            .collect();
        sets.insert(members(&flipped(&first, &flips)));
    }
    sets.into_iter().collect()
}

/// Flips the one shot that raises the weight most until none does.
fn hill_climb(
    marginal_likelihood: &mut MarginalLikelihood,
    mut state: Vec<bool>,
    doubtful: &[usize],
) -> Vec<bool> {
    let mut best = marginal_likelihood.ln_weight(&members(&state), f64::NEG_INFINITY);
    // each flip raises the weight, so no state comes twice; the bound only guards against rounding
    for _ in 0..4 * doubtful.len() {
        let mut step = None;
        for &shot in doubtful {
            let weight = marginal_likelihood
                .ln_weight(&members(&flipped(&state, &[shot])), best - LN_RATIO_IGNORED);
            if weight > best {
                best = weight;
                step = Some(shot);
            }
        }
        match step {
            Some(shot) => state[shot] = !state[shot],
            None => break,
        }
    }
    state
}

fn flipped(state: &[bool], shots: &[usize]) -> Vec<bool> {
    let mut state = state.to_vec();
    shots.iter().for_each(|&shot| state[shot] = !state[shot]);
    state
}

fn members(state: &[bool]) -> OutlierSet {
    state
        .iter()
        .enumerate()
        .filter(|(_, outlier)| **outlier)
        .map(|(shot, _)| shot)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_of_sets() {
        assert_eq!(all_up_to(6, 6).len(), 64);
        // 1 + 12 + 66 + 220 + 495
        assert_eq!(all_up_to(12, 4).len(), 794);
        let sets = all_up_to(5, 3);
        let distinct: BTreeSet<&OutlierSet> = sets.iter().collect();
        assert_eq!(distinct.len(), sets.len());
        assert!(sets.iter().all(|set| set.is_sorted()));
    }
}

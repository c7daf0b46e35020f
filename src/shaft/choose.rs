//! The joint choice: what the candidates of one photo say together.
//!
//! Arrows of one archer stand out by much the same length, so that each candidate's nock says where the other candidates' nocks must be. A
//! shaft has one entry and one nock: of candidates that share a nock only the best stands.

use super::model::{Features, UsualLength};
use super::peaks::Peak;
use super::strip::{PLACES, StripOutput, place_mm};
use crate::geometry::FacePoint;
use nalgebra::{Vector2, Vector3};

/// Scatters of the lengths that the shafts of one photo stand out by, with the error of reading the nock, mm: what a firm boss and one
/// arrow like the other give, and what a soft one does. The photo itself says which it is.
const LENGTH_SDS_MM: [f64; 3] = [12.0, 24.0, 48.0];
/// Share of candidates whose length has nothing to do with the common one (another archer's arrow, a bad reading).
const UNRELATED_LENGTH_SHARE: f64 = 0.1;
/// Standard deviation of a nock's place as a strip shows it, mm.
const NOCK_LOCATION_SD_MM: f64 = 6.0;
/// Lengths that shafts may stand out by, mm.
const LENGTHS_MM: (f64, f64) = (150.0, 800.0);

/// A candidate with what the strip net says of it.
#[derive(Clone, Debug)]
pub(crate) struct ScoredCandidate {
    /// Number of the peak among all of the map.
    pub(crate) number: usize,
    pub(crate) peak: Peak,
    pub(crate) axis: Vector3<f64>,
    pub(crate) output: StripOutput,
}

/// Places this near to where the picture ends may owe their score to the end: the net reads some three places together.
const BORDER_PLACES: usize = 2;
/// Factor on the probability of the places before those, where the nock seems to lie at the end of the picture.
const BEFORE_BORDER_WEIGHT: f64 = 1e-3;

/// The first place of a strip that the picture doesn't show, counted from the entry; `PLACES` where it shows all.
fn end_of_picture(output: &StripOutput) -> usize {
    let entry = output.seen.iter().position(|s| *s >= 0.5).unwrap_or(PLACES);
    (entry..PLACES)
        .find(|&k| output.seen[k] < 0.5)
        .unwrap_or(PLACES)
}

/// Probability of the nock's place by the strip alone: the softmax of its log-odds. A shaft that runs out of the picture
/// has its nock anywhere beyond.
fn nock_probability(output: &StripOutput) -> Vec<f64> {
    let nock = nock_in_picture(output);
    let end = end_of_picture(output).saturating_sub(BORDER_PLACES);
    let best = (0..PLACES).max_by(|&a, &b| nock[a].total_cmp(&nock[b]).then(b.cmp(&a)));
    if end + BORDER_PLACES >= PLACES || best.is_none_or(|k| k < end) {
        return nock;
    }
    let beyond = 1.0 / (PLACES - end) as f64;
    (0..PLACES)
        .map(|k| {
            if k < end {
                nock[k] * BEFORE_BORDER_WEIGHT
            } else {
                beyond
            }
        })
        .collect()
}

fn nock_in_picture(output: &StripOutput) -> Vec<f64> {
    let most = output.nock.iter().fold(f32::NEG_INFINITY, |m, &v| m.max(v));
    let e: Vec<f64> = output
        .nock
        .iter()
        .map(|&v| f64::from(v - most).exp())
        .collect();
    let sum: f64 = e.iter().sum();
    e.iter().map(|v| v / sum).collect()
}

/// Prior of the nock's place when the shafts' common length is `common` with scatter `sd`, mm.
fn length_prior(common: f64, sd: f64) -> Vec<f64> {
    let w: Vec<f64> = (0..PLACES)
        .map(|k| (-0.5 * ((place_mm(k) - common) / sd).powi(2)).exp())
        .collect();
    let sum: f64 = w.iter().sum::<f64>().max(1e-9);
    w.iter()
        .map(|v| (1.0 - UNRELATED_LENGTH_SHARE) * v / sum + UNRELATED_LENGTH_SHARE / PLACES as f64)
        .collect()
}

/// How many lengths are tried, from the least to the largest: one every 4 mm.
const LENGTHS_TRIED: u16 = 164;

/// The posterior of the length that the shafts of one photo have in common, and of the scatter about it, on a grid.
pub(crate) struct CommonLength {
    /// Per grid point: log posterior, up to a constant, by what is usual and by all candidates.
    log_posterior: Vec<f64>,
    /// Per candidate and grid point: its log likelihood, weighted by its map score.
    log_likelihoods: Vec<Vec<f64>>,
    /// Per grid point: the prior of a nock's place.
    nock_priors: Vec<Vec<f64>>,
}

impl CommonLength {
    /// Lengths and scatters, mm.
    fn grid() -> impl Iterator<Item = (f64, f64)> {
        let step = (LENGTHS_MM.1 - LENGTHS_MM.0) / f64::from(LENGTHS_TRIED - 1);
        (0..LENGTHS_TRIED)
            .map(move |k| LENGTHS_MM.0 + step * f64::from(k))
            .flat_map(|length| LENGTH_SDS_MM.map(|sd| (length, sd)))
    }

    /// `usual`: what is known of the length before any shaft is seen.
    pub(crate) fn new(candidates: &[ScoredCandidate], usual: UsualLength) -> Self {
        let nock_priors: Vec<Vec<f64>> = Self::grid()
            .map(|(length, sd)| length_prior(length, sd))
            .collect();
        let log_likelihood = |c: &ScoredCandidate| -> Vec<f64> {
            let nock = nock_probability(&c.output);
            let fit = |prior: &Vec<f64>| nock.iter().zip(prior).map(|(a, b)| a * b).sum::<f64>();
            nock_priors
                .iter()
                .map(|prior| c.peak.score * fit(prior).ln())
                .collect()
        };
        let log_likelihoods: Vec<Vec<f64>> = candidates.iter().map(log_likelihood).collect();
        let mut log_posterior: Vec<f64> = Self::grid()
            .map(|(length, _)| -0.5 * ((length - usual.mean) / usual.sd).powi(2))
            .collect();
        for own in &log_likelihoods {
            let both = log_posterior.iter_mut().zip(own);
            both.for_each(|(sum, own)| *sum += own);
        }
        Self {
            log_posterior,
            log_likelihoods,
            nock_priors,
        }
    }

    /// The most probable common length, mm.
    pub(crate) fn common_mm(&self) -> f64 {
        let best = Self::grid().zip(&self.log_posterior).fold(
            (0.0, f64::NEG_INFINITY),
            |best, ((length, _), &score)| {
                if score > best.1 {
                    (length, score)
                } else {
                    best
                }
            },
        );
        best.0
    }

    /// Where the nock of candidate `k` should be by all candidates but itself (leave one out): probability by place.
    pub(crate) fn nock_prior_without(&self, k: usize) -> Vec<f64> {
        let own = self.log_likelihoods.get(k);
        let log: Vec<f64> = self
            .log_posterior
            .iter()
            .enumerate()
            .map(|(i, sum)| sum - own.map_or(0.0, |own| own[i]))
            .collect();
        let most = log.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let weights: Vec<f64> = log.iter().map(|v| (v - most).exp()).collect();
        let sum: f64 = weights.iter().sum();
        let mut places = vec![0.0; PLACES];
        for (weight, prior) in weights.iter().zip(&self.nock_priors) {
            for (p, v) in places.iter_mut().zip(prior) {
                *p += weight / sum * v;
            }
        }
        places
    }
}

/// Mean and standard deviation of what shafts stand out by where the face's size was named rightly, mm: 26 to 31 inches less what is in the
/// boss.
pub(super) const RIGHT_SIZE_LENGTH_MM: (f64, f64) = (560.0, 80.0);
/// Where no nock is within the strip the net puts it into the last places.
const NO_NOCK_PLACES: usize = 4;

/// How well one usual length explains where the candidates' nocks are: the largest log posterior over the grid of lengths.
pub(crate) fn usual_length_fit(candidates: &[ScoredCandidate]) -> f64 {
    let last = PLACES - NO_NOCK_PLACES;
    let nocks: Vec<(f64, Vec<f64>)> = candidates
        .iter()
        .map(|c| {
            let nock = nock_probability(&c.output);
            let beyond = nock[last..].iter().sum::<f64>() / PLACES as f64;
            let within = (0..PLACES).map(|k| beyond + if k < last { nock[k] } else { 0.0 });
            (c.peak.score, within.collect())
        })
        .collect();
    CommonLength::grid()
        .map(|(length, sd)| {
            let prior = length_prior(length, sd);
            let fit = |nock: &[f64]| nock.iter().zip(&prior).map(|(a, b)| a * b).sum::<f64>();
            let usual = (length - RIGHT_SIZE_LENGTH_MM.0) / RIGHT_SIZE_LENGTH_MM.1;
            nocks
                .iter()
                .map(|(score, nock)| score * fit(nock).max(1e-9).ln())
                .sum::<f64>()
                - 0.5 * usual * usual
        })
        .fold(f64::NEG_INFINITY, f64::max)
}

/// The features of one candidate, given the prior of its nock's place.
pub(crate) fn features_of(candidate: &ScoredCandidate, prior: &[f64]) -> Features {
    let nock = nock_probability(&candidate.output);
    let joint: Vec<f64> = nock.iter().zip(prior).map(|(a, b)| a * b).collect();
    let sum: f64 = joint.iter().sum::<f64>().max(1e-30);
    let mean = |f: &dyn Fn(usize) -> f64| {
        joint.iter().enumerate().map(|(k, w)| w * f(k)).sum::<f64>() / sum
    };
    let real_set = candidate.output.vanes_by_real_set.as_ref();
    let p = candidate.peak.score.clamp(1e-6, 1.0 - 1e-6);
    let length = mean(&|k| place_mm(k));
    Features {
        map_entry_log_odds: (p / (1.0 - p)).ln(),
        agreement: (sum * PLACES as f64).ln(),
        map_axis_log_odds: candidate.peak.axis_log_odds,
        length_mm: length,
        length_sd_mm: (mean(&|k| (place_mm(k) - length).powi(2))
            + NOCK_LOCATION_SD_MM * NOCK_LOCATION_SD_MM)
            .sqrt(),
        strip_shaft_log_odds: candidate.output.shaft,
        likelier_neighbour: 0.0,
        strip_fletched_log_odds: mean(&|k| f64::from(candidate.output.fletched[k])),
        fletched_by_real_set: real_set
            .map(|r| mean(&|k| r.fletched.get(k).map_or(0.0, |f| f64::from(*f)))),
        real_set_weight: real_set.map_or(0.0, |r| r.weight),
        map_fletched_log_odds: candidate.peak.fletched_log_odds,
        tail_seen: mean(&|k| {
            // the last 100 mm: six places
            let tail = &candidate.output.seen[k.saturating_sub(6)..=k];
            f64::from(tail.iter().sum::<f32>()) / tail.len() as f64
        }),
    }
}

/// Lowers the probabilities of candidates that stand alone: an end has several shafts, and most are easily seen.
/// `isolated_odds_factor`: what is left of the odds of a candidate where nothing else in the photo is a shaft.
pub(crate) fn penalise_isolated(probability: &mut [f64], isolated_odds_factor: f64) {
    let none: f64 = probability.iter().map(|p| 1.0 - p).product();
    for p in probability {
        // that no other candidate is a shaft
        let lone = none / (1.0 - *p).max(1e-9);
        let odds = *p / (1.0 - *p).max(1e-9) * (1.0 - lone.min(1.0) * (1.0 - isolated_odds_factor));
        *p = odds / (1.0 + odds);
    }
}

/// Over how far a likelier candidate makes another one doubtful, mm: the map net's second peaks at a shaft lie within a few shaft
/// widths (practice photos: 4 to 12 mm serve as well).
const DUPLICATE_MM: f64 = 6.0;

/// Writes into the features of each candidate how near a likelier one is.
pub(crate) fn set_likelier_neighbours(
    candidates: &[ScoredCandidate],
    features: &mut [Features],
    probability: &[f64],
) {
    for (k, features) in features.iter_mut().enumerate() {
        let here = candidates[k].peak.point;
        features.likelier_neighbour = (0..candidates.len())
            .filter(|&o| probability[o] > probability[k])
            .map(|o| (-candidates[o].peak.point.distance(here) / DUPLICATE_MM).exp())
            .fold(0.0, f64::max);
    }
}

/// Entries nearer than this are one shaft: the thinnest shafts side by side are 4.5 mm apart, centre to centre.
const SAME_ENTRY_MM: f64 = 4.0;
/// A candidate this near to another's axis, across it, and with a nock this near to the other's, is the same shaft.
const SAME_AXIS_MM: f64 = 5.0;
const SAME_NOCK_MM: f64 = 24.0;
/// What is left of the odds of a candidate that a better one explains.
const EXPLAINED_ODDS_FACTOR: f64 = 0.05;

/// Lowers the probabilities of candidates that better ones explain: no two entries for one shaft.
/// `foot` and `distance_mm` are where the camera stands over the face.
pub(crate) fn suppress_duplicates(
    candidates: &[ScoredCandidate],
    features: &[Features],
    probability: &mut [f64],
    foot: FacePoint,
    distance_mm: f64,
) {
    let mut order: Vec<usize> = (0..candidates.len()).collect();
    order.sort_by(|&a, &b| probability[b].total_cmp(&probability[a]).then(a.cmp(&b)));
    let mut better: Vec<usize> = Vec::new();
    for k in order {
        let explained = better.iter().any(|&b| {
            same_shaft(
                (&candidates[b], &features[b]),
                (&candidates[k], &features[k]),
                foot,
                distance_mm,
            )
        });
        if explained {
            let odds = probability[k] / (1.0 - probability[k]).max(1e-9) * EXPLAINED_ODDS_FACTOR;
            probability[k] = odds / (1.0 + odds);
        } else {
            better.push(k);
        }
    }
}

/// Where a shaft's point at distance `along` from its entry shows on the face map, mm.
pub(crate) fn project_to_face_plane(
    c: &ScoredCandidate,
    along: f64,
    foot: FacePoint,
    distance_mm: f64,
) -> FacePoint {
    let p = c.peak.point.at_height(0.0) + c.axis * along;
    let stretch = distance_mm / (distance_mm - p.z).max(1.0);
    FacePoint::new(
        foot.x + (p.x - foot.x) * stretch,
        foot.y + (p.y - foot.y) * stretch,
    )
}

fn same_shaft(
    a: (&ScoredCandidate, &Features),
    b: (&ScoredCandidate, &Features),
    foot: FacePoint,
    distance_mm: f64,
) -> bool {
    if a.0.peak.point.distance(b.0.peak.point) < SAME_ENTRY_MM {
        return true;
    }
    // b's entry beside a's axis, and b's nock, by its strip alone, where a's nock shows
    let start = Vector2::new(a.0.peak.point.x, a.0.peak.point.y);
    let vector = |p: FacePoint| Vector2::new(p.x, p.y);
    let end = vector(project_to_face_plane(a.0, a.1.length_mm, foot, distance_mm));
    let Some(along) = (end - start).try_normalize(1.0) else {
        return false;
    };
    let entry = Vector2::new(b.0.peak.point.x, b.0.peak.point.y) - start;
    let (forward, sideways) = (entry.dot(&along), entry.perp(&along).abs());
    let nock = vector(project_to_face_plane(
        b.0,
        b.0.output.most_likely_nock_mm(),
        foot,
        distance_mm,
    )) - end;
    // a second shaft in line shows its nock as far on as its entry, stretched by the perspective; the same shaft shows the same
    let stretch = distance_mm / (distance_mm - a.1.length_mm).max(1.0);
    let limit = SAME_NOCK_MM.min(0.5 * forward * stretch);
    let on_axis = forward > 0.0 && forward < (end - start).norm() && sideways < SAME_AXIS_MM;
    on_axis && nock.norm() < limit
}

/// Largest number of shafts of one kind for which the given numbers count.
const MAX_OF_A_KIND: usize = 24;
/// Log-prior penalty for each shaft more or fewer than stated: a soft constraint, nats.
const COUNT_MISMATCH_PENALTY_NATS: f64 = 1.2;

/// Probabilities (a fletched shaft, a bare shaft) of every candidate, given how many of each kind were shot. The given numbers
/// weigh each possible total by exp(−penalty · difference); forward and backward sums over the candidates give each one's share.
pub(crate) fn condition_on_counts(kinds: &[(f64, f64)], given: (usize, usize)) -> Vec<(f64, f64)> {
    const N: usize = MAX_OF_A_KIND + 1;
    let zero = || vec![0.0; N * N];
    let step = |from: &[f64], (fletched, bare): (f64, f64)| {
        let mut to = zero();
        for f in 0..N {
            for b in 0..N {
                let mut v = from[f * N + b] * (1.0 - fletched - bare).max(0.0);
                v += if f > 0 {
                    from[(f - 1) * N + b] * fletched
                } else {
                    0.0
                };
                v += if b > 0 {
                    from[f * N + b - 1] * bare
                } else {
                    0.0
                };
                to[f * N + b] = v;
            }
        }
        to
    };
    // value[k]: expected weight when k's and later candidates are still open, by what was counted before
    let gap = |n: usize, given: usize| n.abs_diff(given.min(MAX_OF_A_KIND)) as f64;
    let mut value = vec![zero()];
    for f in 0..N {
        for b in 0..N {
            value[0][f * N + b] =
                (-COUNT_MISMATCH_PENALTY_NATS * (gap(f, given.0) + gap(b, given.1))).exp();
        }
    }
    for &(fletched, bare) in kinds.iter().rev() {
        let next = &value[value.len() - 1];
        let mut now = zero();
        for f in 0..N {
            for b in 0..N {
                let more = |df: usize, db: usize| {
                    if f + df < N && b + db < N {
                        next[(f + df) * N + b + db]
                    } else {
                        0.0
                    }
                };
                now[f * N + b] = (1.0 - fletched - bare).max(0.0) * more(0, 0)
                    + fletched * more(1, 0)
                    + bare * more(0, 1);
            }
        }
        value.push(now);
    }
    value.reverse();
    let mut before = zero();
    before[0] = 1.0;
    let mut out = Vec::with_capacity(kinds.len());
    for (k, &(fletched, bare)) in kinds.iter().enumerate() {
        let after = &value[k + 1];
        let (mut none, mut as_fletched, mut as_bare) = (0.0, 0.0, 0.0);
        for f in 0..N {
            for b in 0..N {
                let w = before[f * N + b];
                none += w * after[f * N + b];
                as_fletched += if f + 1 < N {
                    w * after[(f + 1) * N + b]
                } else {
                    0.0
                };
                as_bare += if b + 1 < N {
                    w * after[f * N + b + 1]
                } else {
                    0.0
                };
            }
        }
        let (none, as_fletched, as_bare) = (
            none * (1.0 - fletched - bare).max(0.0),
            as_fletched * fletched,
            as_bare * bare,
        );
        let sum = none + as_fletched + as_bare;
        out.push(if sum > 0.0 {
            (as_fletched / sum, as_bare / sum)
        } else {
            (fletched, bare)
        });
        before = step(&before, (fletched, bare));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    const USUAL: UsualLength = UsualLength {
        mean: 570.0,
        sd: 120.0,
    };

    /// A strip whose nock shows at `nock` (none: nowhere), in a picture that ends before place `end`.
    fn strip_with(nock: usize, end: usize) -> ScoredCandidate {
        let at = |k: usize, v: f32| if k == nock { v } else { 0.0 };
        ScoredCandidate {
            number: 0,
            peak: Peak {
                point: FacePoint::new(0.0, 0.0),
                score: 0.9,
                slope: 0.0,
                axis_log_odds: 2.0,
                fletched_log_odds: 0.0,
                direction: Vector2::zeros(),
            },
            axis: Vector3::z(),
            output: StripOutput {
                nock: (0..PLACES).map(|k| at(k, 8.0)).collect(),
                fletched: vec![2.0; PLACES],
                vanes_by_real_set: None,
                seen: (0..PLACES).map(|k| f32::from(u8::from(k < end))).collect(),
                shaft: 3.0,
            },
        }
    }

    #[test]
    fn a_shaft_that_leaves_the_picture_says_nothing_of_its_length() {
        let whole = strip_with(38, PLACES);
        let cut = strip_with(29, 30);
        let lengths = CommonLength::new(&[whole.clone(), cut.clone(), cut.clone()], USUAL);
        let common = lengths.common_mm();
        assert!((common - place_mm(38)).abs() < 12.0, "{common}");
        assert!(features_of(&whole, &lengths.nock_prior_without(0)).tail_seen > 0.99);
        assert!(features_of(&cut, &lengths.nock_prior_without(1)).tail_seen < 0.1);
        // a nock well inside the picture counts, however near the end of it is
        let inside = strip_with(26, 30);
        assert!(
            features_of(&inside, &length_prior(place_mm(26), LENGTH_SDS_MM[0])).tail_seen > 0.9
        );
    }

    #[test]
    fn a_candidate_does_not_agree_with_itself() {
        let agreement = |candidates: &[ScoredCandidate]| {
            let lengths = CommonLength::new(candidates, USUAL);
            features_of(&candidates[0], &lengths.nock_prior_without(0)).agreement
        };
        let (c, other) = (strip_with(40, PLACES), strip_with(20, PLACES));
        let alone = agreement(std::slice::from_ref(&c));
        assert!(agreement(&[c.clone(), c.clone(), c.clone()]) > alone + 0.5);
        assert!(agreement(&[c, other.clone(), other]) < alone - 0.5);
    }

    #[test]
    fn other_shafts_make_the_difference_between_a_shaft_and_a_rod() {
        let mut alone = [0.5, 0.0];
        penalise_isolated(&mut alone, 0.25);
        assert!((alone[0] - 0.2).abs() < 1e-12 && alone[1] == 0.0);
        let mut joined = [0.5, 1.0 - 1e-12];
        penalise_isolated(&mut joined, 0.25);
        assert!((joined[0] - 0.5).abs() < 1e-6 && joined[1] > 0.99);
    }

    #[test]
    fn the_likelier_of_two_makes_the_other_doubtful() {
        let at = |x: f64| {
            let mut c = strip_with(38, PLACES);
            c.peak.point = FacePoint::new(x, 0.0);
            c
        };
        let candidates = [at(0.0), at(DUPLICATE_MM), at(1000.0)];
        let mut features = [Features::default(); 3];
        set_likelier_neighbours(&candidates, &mut features, &[0.4, 0.9, 0.8]);
        assert!((features[0].likelier_neighbour - (-1f64).exp()).abs() < 1e-12);
        assert!(features[1].likelier_neighbour == 0.0 && features[2].likelier_neighbour < 1e-9);
    }

    #[test]
    fn given_counts_inform_but_do_not_force() {
        let kinds = [(0.9, 0.05), (0.45, 0.45), (0.3, 0.3), (0.02, 0.9)];
        let with = condition_on_counts(&kinds, (2, 1));
        assert!(
            with[1].0 > 0.6 && with[1].0 > with[1].1 * 1.5,
            "the doubtful one leans to the kind that is missing: {:?}",
            with[1]
        );
        assert!(
            with[2].0 + with[2].1 < 0.6,
            "one too many is doubted: {:?}",
            with[2]
        );
        let against = condition_on_counts(&kinds, (0, 0));
        assert!(against[0].0 > 0.5, "a plain shaft stays: {:?}", against[0]);
        let sum = |v: &[(f64, f64)]| {
            v.iter()
                .all(|(a, b)| a + b <= 1.0 + 1e-12 && *a >= 0.0 && *b >= 0.0)
        };
        assert!(sum(&with) && sum(&against));
    }

    #[test]
    fn given_counts_by_brute_force() {
        let kinds = [(0.7, 0.2), (0.1, 0.3), (0.4, 0.4)];
        let given = (1, 1);
        let got = condition_on_counts(&kinds, given);
        let (mut total, mut share) = (0.0, [[0.0; 2]; 3]);
        for code in 0..27usize {
            let digits = [code % 3, code / 3 % 3, code / 9];
            let mut w = 1.0;
            for (d, k) in digits.iter().zip(&kinds) {
                w *= [1.0 - k.0 - k.1, k.0, k.1][*d];
            }
            let n = |kind: usize| digits.iter().filter(|d| **d == kind).count();
            w *= (-COUNT_MISMATCH_PENALTY_NATS
                * (n(1).abs_diff(given.0) + n(2).abs_diff(given.1)) as f64)
                .exp();
            total += w;
            for (k, d) in digits.iter().enumerate() {
                if *d > 0 {
                    share[k][d - 1] += w;
                }
            }
        }
        for (g, s) in got.iter().zip(share) {
            assert!(
                (g.0 - s[0] / total).abs() < 1e-12 && (g.1 - s[1] / total).abs() < 1e-12,
                "{g:?} {s:?}"
            );
        }
    }
}

//! Arrows with an offset of their own: numbered ones, shot in several ends, that keep landing apart from their kind.

use super::em::{MEDIAN_PAIR_DIFFERENCE, median};
use super::{Assumptions, Shot};
use crate::record::EntryKind;
use std::collections::{BTreeMap, BTreeSet};

/// Variance of the median of n normal values is about π/(2n) of one value's variance.
const MEDIAN_VARIANCE: f64 = std::f64::consts::FRAC_PI_2;
/// With fewer arrows of a kind it can't be told which of them is the odd one.
const LEAST_ARROWS: usize = 3;

/// What is known about one numbered arrow.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Judged {
    pub(super) kind: EntryKind,
    pub(super) mark: String,
    /// Its own offset from the other arrows of its kind, mm.
    pub(super) offset_mm: [f64; 2],
    /// Probability that it is odd.
    pub(super) p_odd: f64,
    /// It takes no part in the reading.
    pub(super) left_out: bool,
    /// With two arrows of a kind, either could be the odd one.
    pub(super) ambiguous: bool,
}

/// Judges every arrow that was shot in enough ends, fletched first, by mark.
pub(super) fn judge(shots: &[Shot], scale: f64, assumptions: &Assumptions) -> Vec<Judged> {
    let mut judged = Vec::new();
    let least = assumptions.odd_arrow_least_sd_mm * scale;
    let scatter = [0, 1].map(|axis| scatter(shots, axis).max(least));
    for kind in [EntryKind::Fletched, EntryKind::Bare] {
        let of_kind: Vec<&Shot> = shots.iter().filter(|shot| shot.kind == kind).collect();
        let mut ends: BTreeMap<&str, BTreeSet<usize>> = BTreeMap::new();
        for shot in &of_kind {
            if let Some(mark) = shot.arrow.as_deref() {
                ends.entry(mark).or_default().insert(shot.end);
            }
        }
        let arrows = ends.len();
        let from = judged.len();
        for (mark, _) in ends
            .iter()
            .filter(|(_, ends)| ends.len() >= assumptions.odd_arrow_ends)
        {
            if let Some((offset_mm, p_odd)) = judge_one(&of_kind, mark, scatter, assumptions) {
                judged.push(Judged {
                    kind,
                    mark: (*mark).to_owned(),
                    offset_mm,
                    p_odd,
                    left_out: false,
                    ambiguous: arrows < LEAST_ARROWS,
                });
            }
        }
        if arrows >= LEAST_ARROWS {
            leave_out_one(&mut judged[from..], assumptions);
        }
    }
    judged
}

fn leave_out_one(judged: &mut [Judged], assumptions: &Assumptions) {
    let mut worst: Option<&mut Judged> = None;
    for arrow in judged {
        if worst.as_ref().is_none_or(|worst| arrow.p_odd > worst.p_odd) {
            worst = Some(arrow);
        }
    }
    if let Some(worst) = worst.filter(|worst| worst.p_odd > assumptions.odd_arrow_left_out) {
        worst.left_out = true;
    }
}

/// The shots without those of arrows left out.
pub(super) fn without_odd(shots: &[Shot], judged: &[Judged]) -> Vec<Shot> {
    shots
        .iter()
        .filter(|shot| {
            !judged.iter().any(|arrow| {
                arrow.left_out
                    && arrow.kind == shot.kind
                    && shot.arrow.as_deref() == Some(arrow.mark.as_str())
            })
        })
        .cloned()
        .collect()
}

/// An arrow's own offset and the probability that it is odd: the normal Bayes factor of an own offset against none on
/// both axes, with the prior.
fn judge_one(
    of_kind: &[&Shot],
    mark: &str,
    scatter: [f64; 2],
    assumptions: &Assumptions,
) -> Option<([f64; 2], f64)> {
    let mut ln_factor = 0.0;
    let mut offset = [0.0; 2];
    for axis in 0..2 {
        let sigma = scatter[axis];
        let differences = differences(of_kind, mark, axis);
        let values: Vec<f64> = differences.iter().map(|&(value, _)| value).collect();
        let middle = median(&values)?;
        let reach = assumptions.odd_arrow_clip * sigma;
        let (mut weight, mut sum) = (0.0, 0.0);
        for &(value, others) in &differences {
            let variance = sigma * sigma * (1.0 + MEDIAN_VARIANCE / others as f64);
            weight += 1.0 / variance;
            sum += value.clamp(middle - reach, middle + reach) / variance;
        }
        let mean = sum / weight;
        let own = (assumptions.odd_arrow_widening * sigma).powi(2) * weight;
        ln_factor += -0.5 * own.ln_1p() + 0.5 * mean * mean * weight * own / (1.0 + own);
        offset[axis] = mean;
    }
    let prior = assumptions.odd_arrow_prior;
    let ln_odds = prior.ln() - (-prior).ln_1p() + ln_factor;
    Some((offset, 1.0 / (1.0 + (-ln_odds).exp())))
}

/// Each shot of the arrow minus the median of the other arrows of its kind in the same end, and how many those are.
fn differences(of_kind: &[&Shot], mark: &str, axis: usize) -> Vec<(f64, usize)> {
    of_kind
        .iter()
        .filter(|shot| shot.arrow.as_deref() == Some(mark))
        .filter_map(|shot| {
            let others: Vec<f64> = of_kind
                .iter()
                .filter(|other| other.end == shot.end && other.arrow.as_deref() != Some(mark))
                .map(|other| other.place_mm[axis])
                .collect();
            median(&others).map(|middle| (shot.place_mm[axis] - middle, others.len()))
        })
        .collect()
}

/// Scatter on an axis from the differences of pairs within end and kind: centres and offset don't matter, and with both
/// kinds together most pairs don't hold the odd arrow, even with three of a kind.
fn scatter(shots: &[Shot], axis: usize) -> f64 {
    let mut pairs = Vec::new();
    for (at, a) in shots.iter().enumerate() {
        for b in &shots[at + 1..] {
            if a.end == b.end && a.kind == b.kind {
                pairs.push((a.place_mm[axis] - b.place_mm[axis]).abs());
            }
        }
    }
    median(&pairs).unwrap_or(0.0) / MEDIAN_PAIR_DIFFERENCE
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Four ends of three fletched and `bare` bare arrows; the last bare one lands `away` to the right of the others.
    fn ends(bare: u64, away: f64) -> Vec<Shot> {
        let wobble = [11.0, -17.0, 5.0, -3.0, 19.0, -9.0, 14.0];
        let mut shots = Vec::new();
        for end in 0..4usize {
            for arrow in 0..3 + bare {
                let at = (3 * end + 5 * usize::try_from(arrow).unwrap()) % wobble.len();
                let odd = if arrow == 2 + bare { away } else { 0.0 };
                shots.push(Shot {
                    end,
                    id: arrow + 1,
                    kind: if arrow < 3 {
                        EntryKind::Fletched
                    } else {
                        EntryKind::Bare
                    },
                    place_mm: [wobble[at] + odd, wobble[(at + 3) % wobble.len()]],
                    variance_mm2: [4.0, 4.0],
                    arrow: Some(format!("{}", arrow + 1)),
                });
            }
        }
        shots
    }

    #[test]
    fn an_odd_arrow_is_found_and_left_out() {
        let assumptions = Assumptions::embedded().unwrap();
        let shots = ends(3, 150.0);
        let judged = judge(&shots, 1.0, &assumptions);
        assert_eq!(judged.len(), 6);
        for arrow in &judged {
            assert_eq!(arrow.left_out, arrow.mark == "6", "{arrow:?}");
        }
        assert!((judged[5].offset_mm[0] - 150.0).abs() < 30.0, "{judged:?}");
        assert_eq!(without_odd(&shots, &judged).len(), 20);
    }

    #[test]
    fn ordinary_arrows_stay() {
        let assumptions = Assumptions::embedded().unwrap();
        let judged = judge(&ends(3, 0.0), 1.0, &assumptions);
        assert!(judged.iter().all(|arrow| arrow.p_odd < 0.2), "{judged:?}");
    }

    #[test]
    fn of_two_arrows_neither_is_left_out() {
        let assumptions = Assumptions::embedded().unwrap();
        let judged = judge(&ends(2, 200.0), 1.0, &assumptions);
        let bare: Vec<&Judged> = judged
            .iter()
            .filter(|a| a.kind == EntryKind::Bare)
            .collect();
        assert_eq!(bare.len(), 2);
        assert!(
            bare.iter()
                .all(|a| a.ambiguous && !a.left_out && a.p_odd > 0.5)
        );
    }
}

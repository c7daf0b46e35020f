//! Arrows with an offset of their own: numbered ones, shot in several ends, that keep landing apart from their kind.
//!
//! Whether an arrow is odd is assessed from the reading without its shots: that says where they should lie and how widely they scatter. Two
//! hypotheses for their residuals are compared: a common offset as wide as any arrow's, or one as wide as an odd arrow's; in both, some may be
//! outliers. Where that doesn't decide it, the reading is a mixture of that with all arrows and those without each suspect. Of two arrows
//! of a kind both are suspects: the data can't show which of them is odd.

use super::em::median;
use super::marginal_likelihood::ln_sum;
use super::odd_arrow_test::{OddArrowTest, Residual, common_offset};
use super::posterior::LeaveOutPosterior;
use super::{Assumptions, Conditions, Posterior, Shot, posterior};
use crate::record::ArrowKind;
use std::collections::{BTreeMap, BTreeSet};

/// With fewer arrows of a kind it can't be known which of them is the odd one.
const MIN_ARROWS: usize = 3;
/// Least probability of being odd, by a first approximation, with which an arrow is assessed exactly.
const SUSPECT_PROBABILITY: f64 = 0.01;
/// Most arrows assessed exactly: the likeliest come first, and an arrow that isn't odd shows large residuals only because another one is.
const MAX_SUSPECTS: usize = 2;

/// What is known about one numbered arrow.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct ArrowAssessment {
    pub(super) kind: ArrowKind,
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

/// The reading, averaged over which arrow is odd.
pub(super) struct OddArrowReading {
    pub(super) posterior: Option<Posterior>,
    /// The shots that take part.
    pub(super) shots: Vec<Shot>,
    /// Every arrow that was shot in enough ends, fletched first, by mark.
    pub(super) assessed: Vec<ArrowAssessment>,
}

/// The posterior of the offset with odd arrows taken account of: one of each kind at most is left out.
pub(super) fn posterior_with_arrows(
    shots: &[Shot],
    conditions: Conditions,
    assumptions: &Assumptions,
) -> OddArrowReading {
    let mut out = OddArrowReading {
        posterior: posterior(shots, conditions, assumptions),
        shots: shots.to_vec(),
        assessed: Vec::new(),
    };
    for _ in [ArrowKind::Fletched, ArrowKind::Bare] {
        let Some(base) = &out.posterior else {
            break;
        };
        let arrows = arrows_of(&out.shots, assumptions.odd_arrow_ends);
        let taken: Vec<ArrowKind> = out.left_out().map(|arrow| arrow.kind).collect();
        let ends = by_end(&out.shots);
        let mut assessed: Vec<ArrowAssessment> = arrows
            .iter()
            .filter_map(|arrow| {
                let own = out.shots.iter().filter(|shot| arrow.is_of(shot));
                screen(
                    own,
                    &ends,
                    arrow,
                    base,
                    conditions.distance_ratio,
                    assumptions,
                )
            })
            .collect();
        let mut hypotheses = Vec::new();
        for at in suspects(&assessed, &taken) {
            let (rest, own): (Vec<Shot>, Vec<Shot>) = out
                .shots
                .iter()
                .cloned()
                .partition(|shot| !arrows[at].is_of(shot));
            let Some(without) = posterior(&rest, conditions, assumptions) else {
                continue;
            };
            let Some(test) = assess(
                &rest,
                &own,
                &without,
                conditions.distance_ratio,
                assumptions,
            ) else {
                continue;
            };
            assessed[at].offset_mm = test.offset_mm;
            let prior = assumptions.odd_arrow_prior;
            hypotheses.push(OddArrowHypothesis {
                at,
                ln_odds: test.ln_factor + prior.ln() - (-prior).ln_1p(),
                probability: 0.0,
                outliers: test.outliers,
                without,
                rest,
            });
        }
        set_probabilities(&mut hypotheses, &mut assessed);
        let sure = hypotheses.iter().position(|s| {
            !assessed[s.at].ambiguous && s.probability > assumptions.odd_arrow_left_out
        });
        let kept: Vec<ArrowAssessment> = out.left_out().cloned().collect();
        if let Some(sure) = sure {
            let hypothesis = hypotheses.swap_remove(sure);
            assessed[hypothesis.at].left_out = true;
            out.posterior = Some(hypothesis.without);
            out.shots = hypothesis.rest;
        } else {
            let posteriors: Vec<LeaveOutPosterior<'_>> = hypotheses
                .iter()
                .map(|hypothesis| LeaveOutPosterior {
                    probability: hypothesis.probability,
                    posterior: &hypothesis.without,
                    shots: &hypothesis.rest,
                    others_outliers: &hypothesis.outliers,
                })
                .collect();
            out.posterior = Some(base.mixed_with(&out.shots, &posteriors));
        }
        out.assessed = kept;
        out.assessed.extend(assessed);
        if sure.is_none() {
            break;
        }
    }
    out.assessed
        .sort_by(|a, b| a.kind.cmp(&b.kind).then_with(|| a.mark.cmp(&b.mark)));
    out
}

/// Sets the probability of each hypothesis, and of each arrow that it is odd; of two of a kind, that one of them is.
fn set_probabilities(hypotheses: &mut [OddArrowHypothesis], assessed: &mut [ArrowAssessment]) {
    for kind in [ArrowKind::Fletched, ArrowKind::Bare] {
        let mut pair: Vec<&mut OddArrowHypothesis> = hypotheses
            .iter_mut()
            .filter(|h| assessed[h.at].ambiguous && assessed[h.at].kind == kind)
            .collect();
        // each is assessed against the other alone, so the odds of both are the same; the approximation's are not quite
        if let [one, other] = pair.as_mut_slice() {
            let ln_mean = ln_sum(&[one.ln_odds, other.ln_odds]) - std::f64::consts::LN_2;
            (one.ln_odds, other.ln_odds) = (ln_mean, ln_mean);
        }
    }
    let mut ln_odds: Vec<f64> = hypotheses.iter().map(|h| h.ln_odds).collect();
    ln_odds.push(0.0);
    let ln_all = ln_sum(&ln_odds);
    for h in &mut *hypotheses {
        h.probability = (h.ln_odds - ln_all).exp();
    }
    for h in &*hypotheses {
        let (ambiguous, kind) = (assessed[h.at].ambiguous, assessed[h.at].kind);
        let same = |other: &&OddArrowHypothesis| {
            other.at == h.at || ambiguous && assessed[other.at].kind == kind
        };
        assessed[h.at].p_odd = hypotheses.iter().filter(same).map(|h| h.probability).sum();
    }
}

/// Places of the arrows to assess exactly, the likeliest first, of kinds of which none is left out yet; of a kind with two arrows, both.
fn suspects(assessed: &[ArrowAssessment], taken: &[ArrowKind]) -> Vec<usize> {
    let is_suspect =
        |arrow: &ArrowAssessment| arrow.p_odd > SUSPECT_PROBABILITY && !taken.contains(&arrow.kind);
    let mut order: Vec<usize> = (0..assessed.len())
        .filter(|&at| !assessed[at].ambiguous && is_suspect(&assessed[at]))
        .collect();
    order.sort_by(|&a, &b| {
        assessed[b]
            .p_odd
            .total_cmp(&assessed[a].p_odd)
            .then(a.cmp(&b))
    });
    order.truncate(MAX_SUSPECTS);
    for kind in [ArrowKind::Fletched, ArrowKind::Bare] {
        let of_two: Vec<usize> = (0..assessed.len())
            .filter(|&at| assessed[at].ambiguous && assessed[at].kind == kind)
            .collect();
        if of_two.len() == 2 && of_two.iter().any(|&at| is_suspect(&assessed[at])) {
            order.extend(of_two);
        }
    }
    order
}

/// An arrow that was assessed exactly.
struct OddArrowHypothesis {
    /// Its place among those assessed.
    at: usize,
    ln_odds: f64,
    /// That this arrow and no other is odd.
    probability: f64,
    /// P(outlier) of its shots, were it odd.
    outliers: Vec<f64>,
    /// The reading of the other shots,
    without: Posterior,
    /// and these.
    rest: Vec<Shot>,
}

impl OddArrowReading {
    fn left_out(&self) -> impl Iterator<Item = &ArrowAssessment> {
        self.assessed.iter().filter(|arrow| arrow.left_out)
    }
}

/// A numbered arrow.
pub(super) struct NumberedArrow {
    pub(super) kind: ArrowKind,
    pub(super) mark: String,
    ambiguous: bool,
}

impl NumberedArrow {
    pub(super) fn is_of(&self, shot: &Shot) -> bool {
        shot.kind == self.kind && shot.arrow.as_deref() == Some(self.mark.as_str())
    }
}

/// The numbered arrows that were shot in so many ends.
pub(super) fn arrows_of(shots: &[Shot], least_ends: usize) -> Vec<NumberedArrow> {
    let mut arrows = Vec::new();
    for kind in [ArrowKind::Fletched, ArrowKind::Bare] {
        let mut ends: BTreeMap<&str, BTreeSet<usize>> = BTreeMap::new();
        for shot in shots.iter().filter(|shot| shot.kind == kind) {
            if let Some(mark) = shot.arrow.as_deref() {
                ends.entry(mark).or_default().insert(shot.end);
            }
        }
        let ambiguous = ends.len() < MIN_ARROWS;
        arrows.extend(
            ends.iter()
                .filter(|(_, ends)| ends.len() >= least_ends)
                .map(|(mark, _)| NumberedArrow {
                    kind,
                    mark: (*mark).to_owned(),
                    ambiguous,
                }),
        );
    }
    arrows
}

/// The shots of each end.
pub(super) fn by_end(shots: &[Shot]) -> BTreeMap<usize, Vec<&Shot>> {
    let mut ends: BTreeMap<usize, Vec<&Shot>> = BTreeMap::new();
    for shot in shots {
        ends.entry(shot.end).or_default().push(shot);
    }
    ends
}

/// A first look: the arrow's shots against the median of the others of its kind in the same end, with the scatter that all
/// shots together show. `None` if it was never shot beside another of its kind.
fn screen<'a>(
    own: impl Iterator<Item = &'a Shot>,
    ends: &BTreeMap<usize, Vec<&Shot>>,
    arrow: &NumberedArrow,
    base: &Posterior,
    distance_ratio: f64,
    assumptions: &Assumptions,
) -> Option<ArrowAssessment> {
    let residuals = beside_others(own, ends, arrow, scatter_of(base, arrow.kind));
    let test = common_offset(&residuals, 0.0, distance_ratio, assumptions)?;
    Some(ArrowAssessment {
        kind: arrow.kind,
        mark: arrow.mark.clone(),
        offset_mm: test.offset_mm,
        p_odd: test.p_odd(assumptions),
        left_out: false,
        ambiguous: arrow.ambiguous,
    })
}

/// Where the arrow's shots lie from the median of the others of its kind in the same end, with this scatter; only of ends in
/// which there is another.
pub(super) fn beside_others<'a>(
    own: impl Iterator<Item = &'a Shot>,
    ends: &BTreeMap<usize, Vec<&Shot>>,
    arrow: &NumberedArrow,
    scatter: [f64; 2],
) -> Vec<Residual> {
    let mut residuals = Vec::new();
    for shot in own {
        let of_end = ends.get(&shot.end).into_iter().flatten().copied();
        let others: Vec<&Shot> = of_end
            .filter(|o| o.kind == shot.kind && !arrow.is_of(o))
            .collect();
        let mut residual = Residual::default();
        for (axis, scatter) in scatter.iter().enumerate() {
            let places: Vec<f64> = others.iter().map(|other| other.place_mm[axis]).collect();
            let Some(middle) = median(&places) else {
                break;
            };
            residual.value[axis] = shot.place_mm[axis] - middle;
            residual.scatter[axis] = scatter.powi(2);
            residual.error[axis] = shot.variance_mm2[axis]
                + residual.scatter[axis] * MEDIAN_VARIANCE / places.len() as f64;
        }
        if !others.is_empty() {
            residuals.push(residual);
        }
    }
    residuals
}

/// Variance of the median of n normal values is about π/(2n) of one value's variance.
pub(super) const MEDIAN_VARIANCE: f64 = std::f64::consts::FRAC_PI_2;

fn scatter_of(posterior: &Posterior, kind: ArrowKind) -> [f64; 2] {
    match kind {
        ArrowKind::Bare => posterior.bare_sd_mm,
        ArrowKind::Fletched | ArrowKind::Unknown => posterior.fletched_sd_mm,
    }
}

/// The arrow assessed from the reading of the other shots alone.
fn assess(
    rest: &[Shot],
    own: &[Shot],
    without: &Posterior,
    distance_ratio: f64,
    assumptions: &Assumptions,
) -> Option<OddArrowTest> {
    let mut ends: BTreeMap<usize, Vec<(&Shot, f64)>> = BTreeMap::new();
    for (other, outlier) in rest.iter().zip(&without.outliers) {
        ends.entry(other.end).or_default().push((other, *outlier));
    }
    let residuals: Vec<Residual> = own
        .iter()
        .map(|shot| {
            let beside = ends.get(&shot.end).map_or(&[][..], Vec::as_slice);
            let mut residual = Residual::default();
            for axis in 0..2 {
                // the end's centre from the shots beside it, bad ones counting for little
                let shift = |kind| match kind {
                    ArrowKind::Bare => without.axes[axis].mean_mm,
                    ArrowKind::Fletched | ArrowKind::Unknown => 0.0,
                };
                let (mut weight, mut sum) = (0.0, 0.0);
                for (other, outlier) in beside {
                    let scatter = scatter_of(without, other.kind)[axis];
                    let w = (1.0 - outlier) / (scatter * scatter + other.variance_mm2[axis]);
                    weight += w;
                    sum += w * (other.place_mm[axis] - shift(other.kind));
                }
                let centre_sd = assumptions.centre_sd_mm * distance_ratio;
                let weight = weight.max(1.0 / (centre_sd * centre_sd).max(1.0));
                residual.value[axis] = shot.place_mm[axis] - shift(shot.kind) - sum / weight;
                residual.scatter[axis] = scatter_of(without, shot.kind)[axis].powi(2);
                residual.error[axis] = shot.variance_mm2[axis] + 1.0 / weight;
            }
            residual
        })
        .collect();
    // two axes of every shot but the centres' and the offset's
    let free = (2.0 * rest.len() as f64 - 4.0).max(2.0);
    common_offset(&residuals, (0.5 / free).sqrt(), distance_ratio, assumptions)
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
                        ArrowKind::Fletched
                    } else {
                        ArrowKind::Bare
                    },
                    place_mm: [wobble[at] + odd, wobble[(at + 3) % wobble.len()]],
                    variance_mm2: [4.0, 4.0],
                    arrow: Some(format!("{}", arrow + 1)),
                });
            }
        }
        shots
    }

    fn assess(shots: &[Shot]) -> OddArrowReading {
        let assumptions = Assumptions::embedded().unwrap();
        posterior_with_arrows(
            shots,
            Conditions::at(Some(30.0), &assumptions),
            &assumptions,
        )
    }

    #[test]
    fn an_odd_arrow_is_found_and_left_out() {
        let out = assess(&ends(3, 150.0));
        assert_eq!(out.assessed.len(), 6);
        for arrow in &out.assessed {
            assert_eq!(arrow.left_out, arrow.mark == "6", "{arrow:?}");
        }
        let own = out.assessed[5].offset_mm;
        assert!((own[0] - 150.0).abs() < 30.0, "{own:?}");
        assert_eq!(out.shots.len(), 20);
        assert_eq!(out.posterior.unwrap().outliers.len(), 20);
    }

    #[test]
    fn ordinary_arrows_stay() {
        let out = assess(&ends(3, 0.0));
        assert!(
            out.assessed.iter().all(|arrow| arrow.p_odd < 0.2),
            "{:?}",
            out.assessed
        );
        assert_eq!(out.shots.len(), 24);
    }

    /// An arrow of hundreds of ends: which of its shots were outliers is asked of those farthest out alone.
    #[test]
    fn an_odd_arrow_of_many_ends_is_found() {
        let few = ends(3, 40.0);
        let shots: Vec<Shot> = (0..100)
            .flat_map(|round| {
                few.iter().cloned().map(move |shot| Shot {
                    end: shot.end + 4 * round,
                    ..shot
                })
            })
            .collect();
        let out = assess(&shots);
        for arrow in &out.assessed {
            assert_eq!(arrow.left_out, arrow.mark == "6", "{arrow:?}");
        }
        let own = out.assessed[5].offset_mm;
        assert!((own[0] - 40.0).abs() < 10.0, "{own:?}");
    }

    /// One wild shot in two ends is a bad loose, not an odd arrow; the same arrow as far off in both is odd.
    #[test]
    fn one_bad_loose_makes_no_odd_arrow() {
        let all = ends(3, 0.0);
        let thrown = |ends: &[usize]| {
            let mut two: Vec<Shot> = all.iter().filter(|shot| shot.end < 2).cloned().collect();
            for shot in &mut two {
                if shot.arrow.as_deref() == Some("6") && ends.contains(&shot.end) {
                    shot.place_mm[0] += 140.0;
                }
            }
            assess(&two)
        };
        let once = thrown(&[1]);
        assert!(
            once.assessed.iter().all(|arrow| arrow.p_odd < 0.1),
            "{:?}",
            once.assessed
        );
        let shot = once.shots.iter().position(|s| s.end == 1 && s.id == 6);
        assert!(once.posterior.unwrap().outliers[shot.unwrap()] > 0.8);
        let twice = thrown(&[0, 1]);
        assert!(
            twice
                .assessed
                .iter()
                .any(|a| a.mark == "6" && a.p_odd > 0.8),
            "{:?}",
            twice.assessed
        );
    }

    #[test]
    fn of_two_arrows_neither_is_left_out() {
        let out = assess(&ends(2, 200.0));
        let bare: Vec<&ArrowAssessment> = out
            .assessed
            .iter()
            .filter(|a| a.kind == ArrowKind::Bare)
            .collect();
        assert_eq!(bare.len(), 2);
        assert!(
            bare.iter()
                .all(|a| a.ambiguous && !a.left_out && a.p_odd > 0.5)
        );
    }

    /// Of two arrows whose means differ by 200 mm either may be odd: the posterior's mean lies between them, and its sd spans both.
    #[test]
    fn of_two_arrows_apart_the_reading_spans_both() {
        let near = assess(&ends(2, 0.0)).posterior.unwrap();
        let apart = assess(&ends(2, 200.0)).posterior.unwrap();
        let sd = |posterior: &Posterior| posterior.axes[0].sd_mm();
        assert!(sd(&near) < 30.0, "{}", sd(&near));
        assert!((80.0..130.0).contains(&sd(&apart)), "{}", sd(&apart));
        let moved = apart.axes[0].mean_mm - near.axes[0].mean_mm;
        assert!((moved - 100.0).abs() < 30.0, "{moved}");
    }

    /// Between "surely odd" and "surely not" the reading lies between that with and that without the arrow.
    #[test]
    fn a_doubtful_arrow_counts_in_part() {
        let assumptions = Assumptions::embedded().unwrap();
        let conditions = Conditions::at(Some(30.0), &assumptions);
        for away in [30.0, 40.0, 50.0, 60.0, 70.0] {
            let shots = ends(3, away);
            let out = assess(&shots);
            let p = out.assessed[5].p_odd;
            if out.assessed[5].left_out {
                continue;
            }
            let rest: Vec<Shot> = shots
                .iter()
                .filter(|s| s.arrow.as_deref() != Some("6"))
                .cloned()
                .collect();
            let mean = |shots: &[Shot]| {
                posterior(shots, conditions, &assumptions).unwrap().axes[0].mean_mm
            };
            let (with, without) = (mean(&shots), mean(&rest));
            let got = out.posterior.unwrap().axes[0].mean_mm;
            let others: f64 = out.assessed[..5].iter().map(|a| a.p_odd).sum();
            let expected = p * without + (1.0 - p) * with;
            assert!(
                (got - expected).abs() < 2.0 + 40.0 * others,
                "{away}: {got} {expected}"
            );
        }
    }
}

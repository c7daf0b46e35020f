//! The joint choice: what the candidates of one photo say together.
//!
//! Arrows of one archer stand out by much the same length, so that each candidate's nock tells where the others' must be. A
//! shaft has one entry and one nock: of candidates that share a nock only the best stands.

use super::peaks::{Peak, logistic};
use super::strip::{Look, PLACES, place_mm};
use nalgebra::Vector3;

/// Scatter of the lengths that the shafts of one photo stand out by, with the error of reading the nock, mm.
const LENGTH_SD_MM: f64 = 18.0;
/// Weight of lengths that have nothing to do with the others' (another archer's arrow, a bad reading).
const ODD_LENGTH: f64 = 0.1;
/// Lengths that shafts may stand out by, mm.
const LENGTHS_MM: (f64, f64) = (150.0, 800.0);

/// A candidate with its second look.
#[derive(Clone, Debug)]
pub(crate) struct Candidate {
    pub(crate) peak: Peak,
    pub(crate) axis: Vector3<f64>,
    pub(crate) look: Look,
}

/// What the joint choice makes of one candidate.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Verdict {
    /// Entry score, log-odds.
    pub(crate) score: f64,
    /// How well the nock's place fits the others': log of the likelihood against any length being as likely.
    pub(crate) agreement: f64,
    /// Log-odds of "shaft" along its course on the map.
    pub(crate) mask: f64,
    /// Length from entry to nock, mm.
    pub(crate) length_mm: f64,
    /// Log-odds of fletched by the strip.
    pub(crate) fletched: f64,
    /// Share of the tail's strip that is in the picture.
    pub(crate) tail_seen: f64,
}

/// Softmax of the nock's log-odds.
fn nock_probability(look: &Look) -> Vec<f64> {
    let most = look.nock.iter().fold(f32::NEG_INFINITY, |m, &v| m.max(v));
    let e: Vec<f64> = look.nock.iter().map(|&v| f64::from(v - most).exp()).collect();
    let sum: f64 = e.iter().sum();
    e.iter().map(|v| v / sum).collect()
}

/// Prior of the nock's place when the others' length is `common`.
fn length_prior(common: f64) -> Vec<f64> {
    let w: Vec<f64> = (0..PLACES).map(|k| (-0.5 * ((place_mm(k) - common) / LENGTH_SD_MM).powi(2)).exp()).collect();
    let sum: f64 = w.iter().sum::<f64>().max(1e-9);
    w.iter().map(|v| (1.0 - ODD_LENGTH) * v / sum + ODD_LENGTH / PLACES as f64).collect()
}

/// The length that most candidates agree on, mm.
pub(crate) fn common_length(candidates: &[Candidate]) -> Option<f64> {
    let nocks: Vec<(f64, Vec<f64>)> = candidates.iter().map(|c| (f64::from(c.peak.score), nock_probability(&c.look))).collect();
    if nocks.is_empty() {
        return None;
    }
    let score = |common: f64| -> f64 {
        let prior = length_prior(common);
        nocks.iter().map(|(weight, nock)| weight * nock.iter().zip(&prior).map(|(a, b)| a * b).sum::<f64>().ln()).sum()
    };
    let mut best = (f64::NEG_INFINITY, LENGTHS_MM.0);
    let mut length = LENGTHS_MM.0;
    while length <= LENGTHS_MM.1 {
        let s = score(length);
        if s > best.0 {
            best = (s, length);
        }
        length += 4.0;
    }
    Some(best.1)
}

/// What one candidate is worth, given the common length.
pub(crate) fn verdict(candidate: &Candidate, common: f64) -> Verdict {
    let nock = nock_probability(&candidate.look);
    let prior = length_prior(common);
    let joint: Vec<f64> = nock.iter().zip(&prior).map(|(a, b)| a * b).collect();
    let sum: f64 = joint.iter().sum::<f64>().max(1e-30);
    let mean = |f: &dyn Fn(usize) -> f64| joint.iter().enumerate().map(|(k, w)| w * f(k)).sum::<f64>() / sum;
    let p = f64::from(candidate.peak.score).clamp(1e-6, 1.0 - 1e-6);
    Verdict {
        score: (p / (1.0 - p)).ln(),
        agreement: (sum * PLACES as f64).ln(),
        mask: f64::from(candidate.peak.mask),
        length_mm: mean(&|k| place_mm(k)),
        fletched: mean(&|k| f64::from(candidate.look.fletched[k])),
        tail_seen: mean(&|k| {
            // the last 100 mm: six places
            let tail = &candidate.look.seen[k.saturating_sub(6)..=k];
            f64::from(tail.iter().sum::<f32>()) / tail.len() as f64
        }),
    }
}

/// Probability of being a shaft, before the joint choice.
pub(crate) fn shaft_probability(v: &Verdict) -> f64 {
    logistic(-1.0 + v.score + 0.5 * v.agreement + 0.2 * v.mask)
}

//! How large the groups are, and how well that is known.
//!
//! All shots count here, bad ones too, each about the middle of its kind in its end: this is what the eye sees on the boss.
//! The scatter that the reading works with leaves bad shots aside.

use super::{Assumptions, Group, Groups, Shot};
use crate::math::rounded;
use crate::record::ArrowKind;
use std::collections::BTreeMap;
use std::f64::consts::PI;

/// Lengths are written to a tenth of a millimetre.
const DECIMALS: i32 = 1;

/// Sizes of both groups; `None` for a kind that never has two shots in an end.
pub(super) fn sizes(shots: &[Shot], assumptions: &Assumptions) -> Groups {
    Groups {
        fletched: of_kind(shots, ArrowKind::Fletched, assumptions),
        bare: of_kind(shots, ArrowKind::Bare, assumptions),
    }
}

/// Mean of the bare shots less that of the fletched ones in their end, [x, y] mm; ends are weighted as
/// differences of means. `None` where no end holds both kinds.
pub(super) fn mean_difference(shots: &[Shot]) -> Option<[f64; 2]> {
    let mut ends: BTreeMap<usize, [Vec<[f64; 2]>; 2]> = BTreeMap::new();
    for shot in shots {
        let kind = match shot.kind {
            ArrowKind::Fletched => 0,
            ArrowKind::Bare => 1,
            ArrowKind::Unknown => continue,
        };
        ends.entry(shot.end).or_default()[kind].push(shot.place_mm);
    }
    let (mut weight, mut sum) = (0.0, [0.0; 2]);
    for [fletched, bare] in ends.values() {
        if fletched.is_empty() || bare.is_empty() {
            continue;
        }
        let (f, b) = (fletched.len() as f64, bare.len() as f64);
        let own = f * b / (f + b);
        for (axis, sum) in sum.iter_mut().enumerate() {
            let mean = |of: &[[f64; 2]], n: f64| of.iter().map(|at| at[axis]).sum::<f64>() / n;
            *sum += own * (mean(bare, b) - mean(fletched, f));
        }
        weight += own;
    }
    (weight > 0.0).then(|| sum.map(|s| s / weight))
}

fn of_kind(shots: &[Shot], kind: ArrowKind, assumptions: &Assumptions) -> Option<Group> {
    let mut ends: BTreeMap<usize, Vec<[f64; 2]>> = BTreeMap::new();
    for shot in shots.iter().filter(|shot| shot.kind == kind) {
        ends.entry(shot.end).or_default().push(shot.place_mm);
    }
    ends.retain(|_, places| places.len() > 1);
    let mut sums = Sums::default();
    for places in ends.values() {
        sums.add(places);
    }
    // deviations that are free, on each axis
    let free = sums.shots - sums.ends;
    if free < 1.0 {
        return None;
    }
    let variance = sums.squares.map(|squares| squares / free);
    let sd = variance.map(f64::sqrt);
    // of a normal sample: s / sqrt(2 (n - 1))
    let sd_error = sd.map(|sd| sd / (2.0 * free).sqrt());
    // Rayleigh: the sd of a distance from the centre is sqrt(4/pi - 1) of its mean
    let mean_radius = sums.radii / sums.shots;
    let mean_radius_error = mean_radius * (4.0 / PI - 1.0).sqrt() / free.sqrt();
    let round = (0.5 * (variance[0] + variance[1])).sqrt();
    let typical: Vec<[f64; 2]> = ends
        .values()
        .map(|places| assumptions.extreme_spread_of(places.len()))
        .collect();
    let expected = typical.iter().map(|one| one[0]).sum::<f64>() / sums.ends * round;
    let spread = typical
        .iter()
        .map(|one| one[1] * one[1])
        .sum::<f64>()
        .sqrt()
        / sums.ends
        * round;
    let length = |value: f64| rounded(value, DECIMALS);
    Some(Group {
        sd_mm: sd.map(length),
        sd_error_mm: sd_error.map(length),
        mean_radius_mm: length(mean_radius),
        mean_radius_error_mm: length(mean_radius_error),
        extreme_spread_mm: length(sums.spreads / sums.ends),
        extreme_spread_expected_mm: length(expected),
        extreme_spread_expected_sd_mm: length(spread),
    })
}

/// Sums over the ends.
#[derive(Default)]
struct Sums {
    ends: f64,
    shots: f64,
    squares: [f64; 2],
    radii: f64,
    spreads: f64,
}

impl Sums {
    fn add(&mut self, places: &[[f64; 2]]) {
        let n = places.len() as f64;
        let centre = [0, 1].map(|axis: usize| places.iter().map(|p| p[axis]).sum::<f64>() / n);
        self.ends += 1.0;
        self.shots += n;
        let mut widest: f64 = 0.0;
        for (at, place) in places.iter().enumerate() {
            let away = [place[0] - centre[0], place[1] - centre[1]];
            self.squares[0] += away[0] * away[0];
            self.squares[1] += away[1] * away[1];
            self.radii += away[0].hypot(away[1]);
            for other in &places[at + 1..] {
                widest = widest.max((place[0] - other[0]).hypot(place[1] - other[1]));
            }
        }
        self.spreads += widest;
    }
}

impl Assumptions {
    /// Mean and sd of the extreme spread (the largest distance between two shots) of `n` shots of a round normal group, in sd
    /// per axis: from the table, between its rows along ln n, beyond its last row along its last two.
    #[must_use]
    pub fn extreme_spread_of(&self, n: usize) -> [f64; 2] {
        let table = &self.extreme_spread;
        let n = (n.max(2)) as f64;
        let at = table
            .iter()
            .position(|row| row[0] >= n)
            .unwrap_or(table.len() - 1)
            .max(1);
        let (Some(low), Some(high)) = (table.get(at - 1), table.get(at)) else {
            return [0.0; 2];
        };
        let part = (n / low[0]).ln() / (high[0] / low[0]).ln();
        [1, 2].map(|column: usize| low[column] + part * (high[column] - low[column]))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Each end has its own middle, so that only differences within an end count: (11 − 1) and (25 − 5) with weights
    /// 2·1/3 and 2·2/4.
    #[test]
    fn plain_means_are_compared_within_an_end() {
        let of = |end, kind, places: &[(f64, f64)]| {
            let mut all = shots(end, places);
            all.iter_mut().for_each(|shot| shot.kind = kind);
            all
        };
        use ArrowKind::{Bare, Fletched};
        let all = [
            of(0, Fletched, &[(0.0, 0.0), (2.0, 4.0)]),
            of(0, Bare, &[(11.0, 2.0)]),
            of(1, Fletched, &[(4.0, 1.0), (6.0, 1.0)]),
            of(1, Bare, &[(24.0, 1.0), (26.0, 1.0)]),
            of(2, Bare, &[(900.0, 900.0)]),
        ]
        .concat();
        let [x, y] = mean_difference(&all).unwrap();
        assert!((x - (10.0 * 2.0 / 3.0 + 20.0) / (5.0 / 3.0)).abs() < 1e-9 && y.abs() < 1e-9);
        assert_eq!(mean_difference(&shots(0, &[(0.0, 0.0)])), None);
    }

    fn shots(end: usize, places: &[(f64, f64)]) -> Vec<Shot> {
        places
            .iter()
            .zip(1..)
            .map(|(&(x, y), id)| Shot {
                end,
                id,
                kind: ArrowKind::Fletched,
                place_mm: [x, y],
                variance_mm2: [1.0, 1.0],
                arrow: None,
            })
            .collect()
    }

    /// A square of side 60: sd 34.6 on each axis, mean radius 42.4, extreme spread 84.9. By hand.
    #[test]
    fn a_square() {
        let assumptions = Assumptions::embedded().unwrap();
        let square = shots(0, &[(0.0, 0.0), (60.0, 0.0), (60.0, 60.0), (0.0, 60.0)]);
        let group = sizes(&square, &assumptions).fletched.unwrap();
        assert!(group.sd_mm.iter().all(|sd| (sd - 34.6).abs() < 1e-9));
        // 34.64/sqrt(6)
        assert!(group.sd_error_mm.iter().all(|sd| (sd - 14.1).abs() < 1e-9));
        assert!((group.mean_radius_mm - 42.4).abs() < 1e-9);
        assert!((group.extreme_spread_mm - 84.9).abs() < 1e-9);
        // four shots: 2.794 sd (table)
        assert!((group.extreme_spread_expected_mm - 96.8).abs() < 0.11);
        assert_eq!(sizes(&square, &assumptions).bare, None);
    }

    /// Two ends far apart are as large as each.
    #[test]
    fn ends_are_taken_about_their_own_middles() {
        let assumptions = Assumptions::embedded().unwrap();
        let mut both = shots(0, &[(0.0, 0.0), (30.0, 40.0)]);
        both.extend(shots(1, &[(500.0, 0.0), (530.0, 40.0)]));
        let group = sizes(&both, &assumptions).fletched.unwrap();
        assert!((group.extreme_spread_mm - 50.0).abs() < 1e-9);
        assert!((group.mean_radius_mm - 25.0).abs() < 1e-9);
    }
}

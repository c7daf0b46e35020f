//! A set of numbered arrows sorted: by where each lands over ends beside the others of its kind. The other kind isn't needed.

use super::arrows::{MEDIAN_VARIANCE, NumberedArrow, arrows_of, beside_others, by_end};
use super::odd_arrow_test::{Residual, common_offset};
use super::{ArrowPlace, Assumptions, Shot};
use crate::math::{SD_FROM_MAD, median, rounded};
use crate::record::ArrowKind;

/// Decimals of millimetres, and of probabilities.
const DECIMALS: (i32, i32) = (1, 3);
/// No archer's shots scatter less on an axis, mm.
const MIN_SCATTER_MM: f64 = 1.0;

/// The arrows of each kind of which enough were shot in enough ends, those nearest to the middle of their kind first.
/// `distance_ratio` is the distance over the one that the assumptions are made for.
pub(super) fn sorted(
    shots: &[Shot],
    distance_ratio: f64,
    assumptions: &Assumptions,
) -> Vec<ArrowPlace> {
    let mut all = arrows_of(shots, assumptions.sorted_ends);
    [ArrowKind::Fletched, ArrowKind::Bare]
        .into_iter()
        .flat_map(|kind| {
            let arrows: Vec<NumberedArrow> = all.extract_if(.., |a| a.kind == kind).collect();
            if arrows.len() < assumptions.sorted_arrows {
                return Vec::new();
            }
            of_kind(shots, &arrows, distance_ratio, assumptions)
        })
        .collect()
}

fn of_kind(
    shots: &[Shot],
    arrows: &[NumberedArrow],
    distance_ratio: f64,
    assumptions: &Assumptions,
) -> Vec<ArrowPlace> {
    let ends = by_end(shots);
    let (scatter, free) = scatter_within(shots, arrows);
    let ln_sd = (0.5 / free).sqrt();
    let mut places: Vec<ArrowPlace> = arrows
        .iter()
        .filter_map(|arrow| {
            let own = shots.iter().filter(|shot| arrow.is_of(shot));
            let residuals = beside_others(own, &ends, arrow, scatter);
            let test = common_offset(&residuals, ln_sd, distance_ratio, assumptions)?;
            Some(ArrowPlace {
                arrow: arrow.mark.clone(),
                kind: arrow.kind,
                shots: u32::try_from(residuals.len()).unwrap_or(u32::MAX),
                offset_mm: test.offset_mm.map(|mm| rounded(mm, DECIMALS.0)),
                sd_mm: rounded(error(&residuals), DECIMALS.0),
                p_odd: rounded(test.p_odd(assumptions), DECIMALS.1),
            })
        })
        .collect();
    let far = |place: &ArrowPlace| place.offset_mm[0].hypot(place.offset_mm[1]);
    places.sort_by(|a, b| {
        far(a)
            .total_cmp(&far(b))
            .then_with(|| a.arrow.cmp(&b.arrow))
    });
    places
}

/// Standard deviation of an arrow's place, both axes alike, mm.
fn error(residuals: &[Residual]) -> f64 {
    let n = residuals.len() as f64;
    let variances = residuals
        .iter()
        .flat_map(|r| [0, 1].map(|a: usize| r.scatter[a] + r.error[a]));
    (variances.sum::<f64>() / (2.0 * n) / n).sqrt()
}

/// Scatter of an arrow about its own place on each axis, mm, robust against bad shots and odd arrows, and how many values it
/// rests on.
fn scatter_within(shots: &[Shot], arrows: &[NumberedArrow]) -> ([f64; 2], f64) {
    let mut away: [Vec<f64>; 2] = [Vec::new(), Vec::new()];
    let mut free = 0.0;
    let beside = arrows.len().saturating_sub(1).max(1) as f64;
    let ends = by_end(shots);
    for arrow in arrows {
        let own = shots.iter().filter(|shot| arrow.is_of(shot));
        let residuals = beside_others(own, &ends, arrow, [0.0; 2]);
        let n = residuals.len() as f64;
        if n < 2.0 {
            continue;
        }
        // about the arrow's own median; the factor makes up for what subtracting it takes from their scatter
        let wider = (n / (n - 1.0) / (1.0 + MEDIAN_VARIANCE / beside)).sqrt();
        for (axis, away) in away.iter_mut().enumerate() {
            let mut values: Vec<f64> = residuals.iter().map(|r| r.value[axis]).collect();
            let middle = median(&mut values);
            away.extend(
                residuals
                    .iter()
                    .map(|r| wider * (r.value[axis] - middle).abs()),
            );
        }
        free += n - 1.0;
    }
    let scatter = away.map(|mut values| {
        if values.is_empty() {
            return MIN_SCATTER_MM;
        }
        (SD_FROM_MAD * median(&mut values)).max(MIN_SCATTER_MM)
    });
    (scatter, (2.0 * free).max(2.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A dozen fletched arrows in these ends, scattering by some 20 mm; arrow 7 lands `away` to the right.
    fn dozen(ends: usize, away: f64) -> Vec<Shot> {
        let wobble = [
            11.0, -27.0, 5.0, -13.0, 29.0, -19.0, 24.0, -2.0, 17.0, -31.0, 8.0,
        ];
        let shots = (0..ends).flat_map(|end| {
            (0..12_usize).map(move |arrow| {
                let at = (7 * end + 5 * arrow + end * arrow) % wobble.len();
                let own = if arrow == 6 { away } else { 0.0 };
                Shot {
                    end,
                    id: 1 + u64::try_from(arrow).unwrap(),
                    kind: ArrowKind::Fletched,
                    place_mm: [wobble[at] + own, wobble[(at + 4) % wobble.len()]],
                    variance_mm2: [4.0, 4.0],
                    arrow: Some(format!("{}", arrow + 1)),
                }
            })
        });
        shots.collect()
    }

    fn sort(shots: &[Shot]) -> Vec<ArrowPlace> {
        sorted(shots, 1.0, &Assumptions::embedded().unwrap())
    }

    #[test]
    fn the_odd_arrow_comes_last_and_is_named() {
        let places = sort(&dozen(5, 120.0));
        assert_eq!(places.len(), 12);
        let last = places.last().unwrap();
        assert_eq!((last.arrow.as_str(), last.shots), ("7", 5));
        assert!(last.p_odd > 0.95, "{last:?}");
        assert!(
            (last.offset_mm[0] - 120.0).abs() < 3.0 * last.sd_mm,
            "{last:?}"
        );
        assert!(places[..11].iter().all(|p| p.p_odd < 0.5), "{places:?}");
    }

    #[test]
    fn alike_arrows_are_not_named() {
        assert!(sort(&dozen(5, 0.0)).iter().all(|p| p.p_odd < 0.5));
    }

    #[test]
    fn one_bad_loose_makes_no_odd_arrow() {
        let mut shots = dozen(5, 0.0);
        shots[6].place_mm[0] += 250.0;
        let places = sort(&shots);
        let seven = places.iter().find(|p| p.arrow == "7").unwrap();
        assert!(seven.p_odd < 0.5, "{seven:?}");
    }

    #[test]
    fn the_order_of_the_shots_changes_nothing() {
        let mut shots = dozen(4, 60.0);
        let before = sort(&shots);
        shots.reverse();
        assert_eq!(sort(&shots), before);
    }

    #[test]
    fn few_arrows_or_ends_are_not_sorted() {
        assert!(sort(&dozen(2, 120.0)).is_empty());
        let five: Vec<Shot> = dozen(5, 0.0).into_iter().filter(|s| s.id <= 5).collect();
        assert!(sort(&five).is_empty());
    }
}

//! Which of the points don't fit the others.

use super::ManualFitError;
use super::solve::{CameraSolution, Correspondence, NoCamera, solve};
use crate::face::LensPrior;

/// The fit to the points that agree, and the points that were left out.
#[derive(Clone, Debug)]
pub(super) struct TestedFit {
    pub(super) solved: CameraSolution,
    /// Points left out, and how far each is off, px.
    pub(super) left_out: Vec<(usize, f64)>,
    /// The two left out would fit in each other's place.
    pub(super) interchanged: bool,
}

/// Residuals up to this many stated deviations are a person's who marks less well than assumed; then the covariance grows.
const MAX_SCALE: f64 = 3.0;
/// A single point beyond this many (grown) deviations isn't the place it is taken for: 1 in 3000 for two coordinates.
const MAX_OF_ONE: f64 = 4.0;
/// Points are left out only where the others then agree better by this factor.
const CLEAR_RATIO: f64 = 3.0;
/// Fewest points that must remain: one more than fix the camera, so that they check one another.
const MIN_POINTS_LEFT: usize = 5;

fn is_sound(s: &CameraSolution) -> bool {
    let limit = MAX_OF_ONE * s.scale.max(1.0);
    s.scale <= MAX_SCALE && s.normalised_residual.iter().all(|m| *m <= limit)
}

fn without(known: &[Correspondence], leave: &[usize]) -> Vec<usize> {
    (0..known.len()).filter(|i| !leave.contains(i)).collect()
}

fn solve_without(
    known: &[Correspondence],
    leave: &[usize],
    prior: &LensPrior,
) -> Result<CameraSolution, NoCamera> {
    let points: Vec<&Correspondence> = without(known, leave).iter().map(|i| &known[*i]).collect();
    solve(&points, prior)
}

/// The camera of the points that agree.
pub(super) fn sound(
    known: &[Correspondence],
    prior: &LensPrior,
) -> Result<TestedFit, ManualFitError> {
    let all = solve_without(known, &[], prior);
    match all {
        Ok(solved) if is_sound(&solved) => {
            return Ok(TestedFit {
                solved,
                left_out: Vec::new(),
                interchanged: false,
            });
        }
        Err(NoCamera::InALine) => return Err(ManualFitError::InALine),
        _ => {}
    }
    let scale = all.as_ref().map_or(f64::INFINITY, |s| s.scale);
    if let Some(tested) = without_some(known, prior, scale) {
        return Ok(tested);
    }
    if let Some((i, j)) = interchanged(known, prior, scale) {
        return Err(ManualFitError::Interchanged {
            first: known[i].name.clone(),
            second: known[j].name.clone(),
        });
    }
    match all {
        Err(NoCamera::Mirrored) => Err(ManualFitError::Mirrored),
        Err(NoCamera::InALine) => Err(ManualFitError::InALine),
        Err(NoCamera::Contradiction) => Err(ManualFitError::Contradiction),
        Ok(solved) => {
            let worst = (0..known.len())
                .max_by(|i, j| {
                    solved.normalised_residual[*i].total_cmp(&solved.normalised_residual[*j])
                })
                .unwrap_or(0);
            Err(ManualFitError::DoNotFit {
                worst: known[worst].name.clone(),
                residual_px: solved.residual_px[worst],
            })
        }
    }
}

/// The best fit without one point, else without two.
fn without_some(known: &[Correspondence], prior: &LensPrior, scale: f64) -> Option<TestedFit> {
    let ones = (0..known.len()).map(|i| vec![i]).collect::<Vec<_>>();
    let twos = (0..known.len())
        .flat_map(|i| (0..i).map(move |j| vec![j, i]))
        .collect::<Vec<_>>();
    for sets in [ones, twos] {
        let best = sets
            .into_iter()
            .filter(|leave| known.len() - leave.len() >= MIN_POINTS_LEFT)
            .filter_map(|leave| Some((solve_without(known, &leave, prior).ok()?, leave)))
            .filter(|(s, _)| is_sound(s) && CLEAR_RATIO * s.scale.max(1.0 / CLEAR_RATIO) <= scale)
            .min_by(|a, b| a.0.scale.total_cmp(&b.0.scale));
        if let Some((solved, leave)) = best {
            let miss = |i: &usize| {
                let at = solved.camera.image_from_face(known[*i].mm);
                (*i, at.map_or(f64::INFINITY, |p| p.distance(known[*i].px)))
            };
            let left_out = leave.iter().map(miss).collect();
            let interchanged =
                matches!(leave.as_slice(), [a, b] if changed_fits(known, &solved, *a, *b));
            return Some(TestedFit {
                solved,
                left_out,
                interchanged,
            });
        }
    }
    None
}

/// Whether two points fit a camera in each other's place.
fn changed_fits(known: &[Correspondence], solved: &CameraSolution, a: usize, b: usize) -> bool {
    let off = |place: usize, mark: usize| {
        solved
            .camera
            .image_from_face(known[place].mm)
            .map_or(f64::INFINITY, |p| p.distance(known[mark].px))
    };
    let straight = off(a, a).min(off(b, b));
    off(a, b).max(off(b, a)) * CLEAR_RATIO < straight
}

/// The two points that make all fit when they change places, if only one pair does.
fn interchanged(known: &[Correspondence], prior: &LensPrior, scale: f64) -> Option<(usize, usize)> {
    let mut tried: Vec<(f64, (usize, usize))> = Vec::new();
    for i in 0..known.len() {
        for j in 0..i {
            let mut changed = known.to_vec();
            let px = changed[i].px;
            changed[i].px = changed[j].px;
            changed[j].px = px;
            if let Ok(s) = solve_without(&changed, &[], prior)
                && is_sound(&s)
            {
                tried.push((s.scale, (j, i)));
            }
        }
    }
    tried.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (best, pair) = *tried.first()?;
    let clear = tried
        .get(1)
        .is_none_or(|second| second.0 > CLEAR_RATIO * best.max(0.3));
    (clear && CLEAR_RATIO * best.max(0.3) <= scale).then_some(pair)
}

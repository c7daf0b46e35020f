//! How the bare shafts stand in the boss compared with the fletched ones of the same end.

use super::{LeanReading, Shot};
use crate::math::rounded;
use crate::record::{ArrowKind, End, Lean};

/// Degrees are written to this many decimals.
const DECIMALS: i32 = 2;

/// Mean lean of bare minus fletched over the ends, each weighted by its precision; the boss's own lean and the camera's
/// error are common to an end and cancel. `None` without a lean of each kind in one end.
pub(super) fn difference(ends: &[&End], shots: &[Shot]) -> Option<LeanReading> {
    let (mut weight, mut right, mut up) = (0.0, 0.0, 0.0);
    let mut of_end: Vec<Vec<&Shot>> = vec![Vec::new(); ends.len()];
    for shot in shots {
        if let Some(own) = of_end.get_mut(shot.end) {
            own.push(shot);
        }
    }
    for (end, own) in ends.iter().zip(&of_end) {
        let group = |kind: ArrowKind| -> Option<(f64, f64, f64)> {
            let leans: Vec<Lean> = own
                .iter()
                .filter(|shot| shot.kind == kind)
                .filter_map(|shot| end.entries.iter().find(|entry| entry.id == shot.id)?.lean)
                .filter(|lean| {
                    lean.right_deg.is_finite()
                        && lean.up_deg.is_finite()
                        && lean.sd_deg.is_finite()
                        && lean.sd_deg > 0.0
                })
                .collect();
            mean(&leans)
        };
        if let (Some(fletched), Some(bare)) = (group(ArrowKind::Fletched), group(ArrowKind::Bare)) {
            let precision = 1.0 / (fletched.2 + bare.2);
            weight += precision;
            right += precision * (bare.0 - fletched.0);
            up += precision * (bare.1 - fletched.1);
        }
    }
    (weight > 0.0).then(|| LeanReading {
        right_deg: rounded(right / weight, DECIMALS),
        up_deg: rounded(up / weight, DECIMALS),
        sd_deg: rounded((1.0 / weight).sqrt(), DECIMALS),
    })
}

/// Mean right, mean up, and the variance of each: from the error of measuring or from how much the shafts differ,
/// whichever is larger.
fn mean(leans: &[Lean]) -> Option<(f64, f64, f64)> {
    if leans.is_empty() {
        return None;
    }
    let n = leans.len() as f64;
    let right = leans.iter().map(|lean| lean.right_deg).sum::<f64>() / n;
    let up = leans.iter().map(|lean| lean.up_deg).sum::<f64>() / n;
    let stated = leans.iter().map(|lean| lean.sd_deg.powi(2)).sum::<f64>() / n;
    let seen = leans
        .iter()
        .map(|lean| (lean.right_deg - right).powi(2) + (lean.up_deg - up).powi(2))
        .sum::<f64>()
        / (2.0 * (n - 1.0)).max(1.0);
    Some((right, up, stated.max(seen) / n))
}

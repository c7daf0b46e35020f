//! Looking ahead: how many more ends it takes until the bow is shown in tune, if nothing is changed, and after a change.
//!
//! A bow is shown to be in tune by the ends of one set-up, alone or together with earlier ones, so a change makes some of the ends shot so far
//! worthless. A small change is worth that when the offset lies so near the edge of the tolerance that showing the present set-up to be in tune
//! would take more ends than showing a better one. The expected number of ends is an average over offsets distributed as the posterior, each
//! further end taken to lie at its offset; an offset that can't be shown to be in tune within a horizon counts as the horizon.

use crate::math::Normal;

/// Offsets that are looked at on each axis, in standard deviations from the mean: midpoints of nine equally probable parts of a normal.
const OFFSET_SDS: [f64; 9] = [
    -1.593, -0.967, -0.589, -0.282, 0.0, 0.282, 0.589, 0.967, 1.593,
];

/// What is needed to look ahead on one axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct AxisForecast {
    /// The offset, after the whole history.
    pub(super) offset: Normal,
    /// The offset by this set-up's own ends alone, mm.
    pub(super) own_mm: f64,
    /// Variance that one end leaves, mm².
    pub(super) end_mm2: f64,
    /// Variance by the arrows' own differences, which more ends don't reduce, mm².
    pub(super) arrow_variance_mm2: f64,
}

/// What has to be shown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Goal {
    pub(super) tolerance_mm: f64,
    /// Probability of lying inside it, both axes together.
    pub(super) probability: f64,
    /// Most ends that are looked ahead to.
    pub(super) horizon: usize,
    /// The same by all ends.
    pub(super) by_all: AllEndsCriterion,
}

/// When all ends show a set-up in tune that its own leave open.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct AllEndsCriterion {
    /// Least probability by all ends.
    pub(super) probability: f64,
    /// Least probability by its own ends.
    pub(super) own: f64,
    /// Least number of its own ends.
    pub(super) ends: usize,
}

impl AxisForecast {
    /// Probability of lying inside the tolerance by this set-up's own ends, after `own_ends` of them and `further_ends` that lie at `offset_mm`.
    fn p_inside_after(
        &self,
        offset_mm: f64,
        own_ends: usize,
        further_ends: usize,
        tolerance_mm: f64,
    ) -> f64 {
        let (n, k) = (own_ends as f64, further_ends as f64);
        let all = n + k;
        let mean = (n * self.own_mm + k * offset_mm) / all;
        let variance = self.end_mm2 / all + self.arrow_variance_mm2 * (1.0 - 1.0 / all);
        Normal {
            mean,
            sd: variance.max(1e-6).sqrt(),
        }
        .within(tolerance_mm)
    }

    /// The same by all ends.
    fn p_inside_by_all_after(&self, offset_mm: f64, further_ends: usize, tolerance_mm: f64) -> f64 {
        let before = 1.0 / (self.offset.sd.powi(2) - self.arrow_variance_mm2).max(1.0);
        let new = further_ends as f64 / self.end_mm2.max(1e-6);
        Normal {
            mean: (before * self.offset.mean + new * offset_mm) / (before + new),
            sd: (1.0 / (before + new) + self.arrow_variance_mm2).sqrt(),
        }
        .within(tolerance_mm)
    }

    /// The same axis with the offset elsewhere.
    pub(super) fn at(self, offset: Normal) -> Self {
        Self { offset, ..self }
    }
}

/// Expected number of further ends until the bow is shown to be in tune, after `ends` with this set-up.
pub(super) fn ends_to_in_tune(axes: [&AxisForecast; 2], ends: usize, goal: Goal) -> f64 {
    let most = goal.horizon.max(1);
    // the probabilities on each axis for each offset and number of further ends: by its own ends, by all
    let table = axes.map(|axis| {
        OFFSET_SDS.map(|z| {
            let offset_mm = axis.offset.mean + z * axis.offset.sd;
            (1..=most)
                .map(|more| {
                    [
                        axis.p_inside_after(offset_mm, ends, more, goal.tolerance_mm),
                        axis.p_inside_by_all_after(offset_mm, more, goal.tolerance_mm),
                    ]
                })
                .collect::<Vec<[f64; 2]>>()
        })
    });
    let by_all = goal.by_all;
    let is_shown = |more: usize, own: f64, all: f64| {
        let enough = ends + more >= by_all.ends && own >= by_all.own;
        own >= goal.probability || enough && all >= by_all.probability
    };
    let mut sum = 0.0;
    for a in &table[0] {
        for b in &table[1] {
            let shown = (0..most).position(|k| {
                let [own, all] = [0, 1].map(|by: usize| a[k][by] * b[k][by]);
                is_shown(k + 1, own, all)
            });
            sum += shown.map_or(most, |k| k + 1) as f64;
        }
    }
    sum / (OFFSET_SDS.len() * OFFSET_SDS.len()) as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOAL: Goal = Goal {
        tolerance_mm: 50.0,
        probability: 0.9,
        horizon: 12,
        by_all: AllEndsCriterion {
            probability: 2.0,
            own: 0.0,
            ends: 0,
        },
    };

    fn axis(mean: f64, sd: f64) -> AxisForecast {
        AxisForecast {
            offset: Normal { mean, sd },
            own_mm: mean,
            end_mm2: 30.0 * 30.0,
            arrow_variance_mm2: 0.0,
        }
    }

    #[test]
    fn the_middle_is_shown_sooner_than_the_edge() {
        let middle = ends_to_in_tune([&axis(0.0, 5.0), &axis(0.0, 5.0)], 1, GOAL);
        let edge = ends_to_in_tune([&axis(40.0, 5.0), &axis(0.0, 5.0)], 1, GOAL);
        let out = ends_to_in_tune([&axis(90.0, 5.0), &axis(0.0, 5.0)], 1, GOAL);
        assert!(middle < edge && edge < out, "{middle} {edge} {out}");
        assert!((out - 12.0).abs() < 1e-9);
    }

    /// Two axes at their middle, one end's sd 30 mm: P(|d| ≤ 50) twice is 0.9 from sd = 50/1.949 = 25.65 down, so from
    /// (30/25.65)² = 1.37 ends: two.
    #[test]
    fn as_many_ends_as_the_normal_asks_for() {
        let sure = axis(0.0, 1e-3);
        assert!((ends_to_in_tune([&sure, &sure], 0, GOAL) - 2.0).abs() < 1e-9);
        assert!((ends_to_in_tune([&sure, &sure], 1, GOAL) - 1.0).abs() < 1e-9);
    }

    #[test]
    fn what_was_shot_counts_only_without_a_change() {
        let near = axis(10.0, 8.0);
        let now = ends_to_in_tune([&near, &near], 4, GOAL);
        let moved = near.at(Normal { mean: 0.0, sd: 9.0 });
        let then = ends_to_in_tune([&moved, &near], 0, GOAL);
        assert!(now < then);
        let edge = axis(44.0, 8.0);
        let moved = edge.at(Normal {
            mean: 4.0,
            sd: 15.0,
        });
        assert!(
            ends_to_in_tune([&moved, &near], 0, GOAL) + 1.0
                < ends_to_in_tune([&edge, &near], 4, GOAL)
        );
    }

    /// What is known of the offset beforehand counts where all ends may show it: the same change is shown sooner.
    #[test]
    fn all_ends_show_it_sooner_than_its_own() {
        let wide = AxisForecast {
            end_mm2: 60.0 * 60.0,
            ..axis(0.0, 12.0)
        };
        let alone = ends_to_in_tune([&wide, &wide], 0, GOAL);
        let by_all = AllEndsCriterion {
            probability: 0.9,
            own: 0.5,
            ends: 3,
        };
        let together = ends_to_in_tune([&wide, &wide], 0, Goal { by_all, ..GOAL });
        assert!(together + 1.0 < alone, "{together} {alone}");
        assert!(together >= 3.0);
    }
}

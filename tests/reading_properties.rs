//! What must hold for any shots.

mod reading_support;

use bossmark::reading::{
    Assumptions, Conditions, HorizontalCall, Posterior, Shot, VerticalCall, posterior, read,
};
use bossmark::record::{ArrowKind, End, Hand};
use proptest::prelude::*;
use reading_support::{Random, entry, session};

/// Posterior under the program's own assumptions.
fn posterior_at(shots: &[Shot], distance_m: f64) -> Posterior {
    let assumptions = Assumptions::embedded().unwrap_or_else(|error| panic!("{error}"));
    posterior_under(shots, distance_m, &assumptions)
}

fn posterior_under(shots: &[Shot], distance_m: f64, assumptions: &Assumptions) -> Posterior {
    let conditions = Conditions::at(Some(distance_m), assumptions);
    posterior(shots, conditions, assumptions).unwrap_or_else(|| panic!("both kinds are there"))
}

/// A session of some ends, shots and scatter, all from one seed.
fn shots() -> impl Strategy<Value = Vec<Shot>> {
    (
        any::<u64>(),
        1usize..4,
        2usize..6,
        10.0..80.0f64,
        -250.0..250.0f64,
        -250.0..250.0f64,
    )
        .prop_map(|(seed, ends, n, sigma, x, y)| session(&mut Random(seed), ends, n, sigma, [x, y]))
}

/// The same shots as records.
fn ends(shots: &[Shot], hand: Hand) -> Vec<End> {
    let count = shots.iter().map(|shot| shot.end + 1).max().unwrap_or(0);
    (0..count)
        .map(|place| {
            let mut end = End {
                entries: shots
                    .iter()
                    .filter(|shot| shot.end == place)
                    .map(|shot| entry(shot.id, shot.kind, shot.place_mm[0], shot.place_mm[1]))
                    .collect(),
                ..End::default()
            };
            end.session.hand = Some(hand);
            end.session.distance_m = Some(30.0);
            end
        })
        .collect()
}

fn close(a: f64, b: f64, scale: f64) -> bool {
    (a - b).abs() <= 1e-6 * scale
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    /// A left-hander's mirrored shots read like the right-hander's.
    #[test]
    fn mirrored_shots_mirror_the_reading(shots in shots()) {
        let right = ends(&shots, Hand::Right);
        let mut left = ends(&shots, Hand::Left);
        left.iter_mut().flat_map(|end| &mut end.entries).for_each(|entry| entry.x_mm = -entry.x_mm);
        let right = read(&right.iter().collect::<Vec<_>>());
        let left = read(&left.iter().collect::<Vec<_>>());
        prop_assert_eq!(right.horizontal.call, left.horizontal.call);
        prop_assert_eq!(right.vertical.call, left.vertical.call);
        prop_assert_eq!(right.in_tune, left.in_tune);
        let (a, b) = (right.offset.unwrap(), left.offset.unwrap());
        prop_assert!((a.x_mm + b.x_mm).abs() < 0.011 && (a.y_mm - b.y_mm).abs() < 0.011);
        for (p, q) in [
            (right.horizontal.p_weak, left.horizontal.p_weak),
            (right.horizontal.p_stiff, left.horizontal.p_stiff),
            (right.vertical.p_nock_low, left.vertical.p_nock_low),
        ] {
            prop_assert!((p.unwrap() - q.unwrap()).abs() < 1.1e-4);
        }
    }

    /// Exchanging the axes exchanges the results; turning face and up together by a quarter is that and a mirror.
    #[test]
    fn a_quarter_turn_turns_the_result(shots in shots()) {
        let turned: Vec<Shot> = shots.iter().cloned().map(|mut shot| {
            shot.place_mm = [-shot.place_mm[1], shot.place_mm[0]];
            shot.variance_mm2.swap(0, 1);
            shot
        }).collect();
        // what is thought of offsets beforehand turns with the face
        let assumptions = Assumptions::embedded().unwrap();
        let mut other = assumptions.clone();
        other.offset_prior.swap(0, 1);
        let (a, b) = (
            posterior_under(&shots, 30.0, &assumptions),
            posterior_under(&turned, 30.0, &other),
        );
        let sd = a.axes[0].sd_mm();
        prop_assert!(close(b.axes[1].mean_mm, a.axes[0].mean_mm, sd));
        prop_assert!(close(b.axes[0].mean_mm, -a.axes[1].mean_mm, sd));
        prop_assert!(close(b.axes[1].sd_mm(), sd, sd));
        prop_assert!(close(b.covariance_mm2, -a.covariance_mm2, sd * sd));
        for (p, q) in a.outliers.iter().zip(&b.outliers) {
            prop_assert!(close(*p, *q, 1.0));
        }
    }

    /// All lengths together scaled with the distance: nothing but the lengths changes.
    #[test]
    fn lengths_scale_with_the_distance(shots in shots(), factor in 0.2..3.0f64) {
        let scaled: Vec<Shot> = shots.iter().cloned().map(|mut shot| {
            shot.place_mm = shot.place_mm.map(|v| v * factor);
            shot.variance_mm2 = shot.variance_mm2.map(|v| v * factor * factor);
            shot
        }).collect();
        let (a, b) = (posterior_at(&shots, 30.0), posterior_at(&scaled, 30.0 * factor));
        for axis in 0..2 {
            let (a, b) = (&a.axes[axis], &b.axes[axis]);
            prop_assert!(close(b.mean_mm, a.mean_mm * factor, a.sd_mm() * factor));
            prop_assert!(close(b.sd_mm(), a.sd_mm() * factor, a.sd_mm() * factor));
            prop_assert!(close(b.within(50.0 * factor), a.within(50.0), 1.0));
        }
    }

    /// The order in which records list their entries changes nothing, not a byte.
    #[test]
    fn order_of_entries_is_irrelevant(shots in shots(), seed in any::<u64>()) {
        let ordered = ends(&shots, Hand::Right);
        let mut shuffled = ordered.clone();
        let mut random = Random(seed);
        for end in &mut shuffled {
            for at in (1..end.entries.len()).rev() {
                end.entries.swap(at, usize::try_from(random.next() % (at as u64 + 1)).unwrap());
            }
        }
        let a = read(&ordered.iter().collect::<Vec<_>>());
        let b = read(&shuffled.iter().collect::<Vec<_>>());
        prop_assert_eq!(serde_json::to_string(&a).unwrap(), serde_json::to_string(&b).unwrap());
    }

    /// One wild shot more may unsettle a call but never turns it to the other side.
    #[test]
    fn a_far_shot_never_turns_a_call(
        shots in shots(),
        far in 1000.0..3000.0f64,
        angle in 0.0..std::f64::consts::TAU,
        bare in any::<bool>(),
    ) {
        let records = ends(&shots, Hand::Right);
        let before = read(&records.iter().collect::<Vec<_>>());
        let mut wild = records.clone();
        let kind = if bare { ArrowKind::Bare } else { ArrowKind::Fletched };
        wild[0].entries.push(entry(999, kind, far * angle.cos(), far * angle.sin()));
        let after = read(&wild.iter().collect::<Vec<_>>());
        let sideways = (before.horizontal.call, after.horizontal.call);
        prop_assert!(!matches!(
            sideways,
            (HorizontalCall::Weak, HorizontalCall::Stiff) | (HorizontalCall::Stiff, HorizontalCall::Weak)
        ));
        let upright = (before.vertical.call, after.vertical.call);
        prop_assert!(!matches!(
            upright,
            (VerticalCall::NockLow, VerticalCall::NockHigh) | (VerticalCall::NockHigh, VerticalCall::NockLow)
        ));
    }

    /// A wider tolerance never makes neutral less likely.
    #[test]
    fn neutral_grows_with_the_tolerance(shots in shots()) {
        let posterior = posterior_at(&shots, 30.0);
        for axis in &posterior.axes {
            let inside: Vec<f64> = (0..60).map(|step| axis.within(5.0 * f64::from(step))).collect();
            prop_assert!(inside.windows(2).all(|pair| pair[0] <= pair[1]), "{inside:?}");
            let q = axis.quantile(0.3);
            prop_assert!((axis.below(q) - 0.3).abs() < 1e-9);
        }
    }

    /// Probabilities are probabilities, sd are finite, and the covariance is one.
    #[test]
    fn results_are_in_range(shots in shots()) {
        let posterior = posterior_at(&shots, 30.0);
        prop_assert!(posterior.outliers.iter().all(|p| (0.0..=1.0).contains(p)));
        let [x, y] = &posterior.axes;
        prop_assert!(x.sd_mm() > 0.0 && y.sd_mm() > 0.0 && x.sd_mm() < 400.0);
        prop_assert!(posterior.covariance_mm2.abs() < x.sd_mm() * y.sd_mm());
        prop_assert!(posterior.bare_sd_mm[0] >= posterior.fletched_sd_mm[0]);
    }
}

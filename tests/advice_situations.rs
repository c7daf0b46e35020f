//! Typical situations, from records to words: the whole advice of each stands in `tests/snapshots`.

#![allow(clippy::unwrap_used, reason = "a test may fail on the spot")]

mod common;
#[path = "advice_situations/setups.rs"]
mod setups;
#[path = "advice_situations/words.rs"]
mod words;

use bossmark::advice::{
    Action, Advice, AdviceOptions, GateCode, StepKind, VerifyWhen, advise, explain,
};
use bossmark::record::History;
use common::{Shoot, club_setup, history};
use proptest::prelude::*;
use serde_json::json;
use setups::{obeys, with};
use words::{advice_for, next, said, text};

fn snapshot(name: &str, history: &History) {
    insta::assert_snapshot!(name, text(history, &AdviceOptions::default()));
}

#[test]
fn weak() {
    let h = history(&[
        Shoot::new(1, club_setup()).offset(140.0, 5.0),
        Shoot::new(2, club_setup()).offset(150.0, -5.0),
    ]);
    let advice = advice_for(&h);
    let step = next(&advice);
    assert_eq!(step.change, Action::DrawWeight);
    assert!(step.bolt_quarter_turns.unwrap() < 0 && step.amount.unwrap() < 0.0);
    assert!(step.expect.unwrap().x_mm < -60.0);
    assert!((step.to.unwrap() - step.from.unwrap() - step.amount.unwrap()).abs() < 1e-9);
    snapshot("weak", &h);
    let mut json = serde_json::to_value(&advice).unwrap();
    json["reading"] = json!("(as in the reading's own tests)");
    insta::assert_json_snapshot!("weak_json", json);
}

#[test]
fn stiff() {
    let h = history(&[
        Shoot::new(1, club_setup()).offset(-140.0, 0.0),
        Shoot::new(2, club_setup()).offset(-150.0, 0.0),
    ]);
    let advice = advice_for(&h);
    assert_eq!(next(&advice).change, Action::DrawWeight);
    assert!(next(&advice).bolt_quarter_turns.unwrap() > 0);
    assert!(
        advice
            .others
            .iter()
            .all(|s| s.change != Action::ShaftLength)
    );
    snapshot("stiff", &h);
}

#[test]
fn bare_high() {
    let h = history(&[
        Shoot::new(1, club_setup()).offset(0.0, 110.0),
        Shoot::new(2, club_setup()).offset(5.0, 120.0),
    ]);
    let advice = advice_for(&h);
    let step = next(&advice);
    assert_eq!(step.change, Action::RestHeight);
    assert!(step.amount.unwrap() < 0.0 && step.expect.unwrap().y_mm < 0.0);
    snapshot("bare_high", &h);
}

#[test]
fn bare_low() {
    let h = history(&[
        Shoot::new(1, club_setup()).offset(0.0, -240.0),
        Shoot::new(2, club_setup()).offset(5.0, -250.0),
    ]);
    let advice = advice_for(&h);
    let step = next(&advice);
    assert_eq!(step.change, Action::NockingPoint);
    assert!(step.amount.unwrap() < 0.0 && step.expect.unwrap().y_mm > 0.0);
    snapshot("bare_low", &h);
}

#[test]
fn combined_goes_vertical_first_and_both_on_request() {
    let h = history(&[
        Shoot::new(1, club_setup()).offset(150.0, 130.0),
        Shoot::new(2, club_setup()).offset(140.0, 120.0),
    ]);
    let advice = advice_for(&h);
    assert_eq!(next(&advice).change, Action::RestHeight);
    assert!(advice.also.is_empty());
    assert!(advice.others.iter().any(|s| s.change == Action::DrawWeight));
    let options = AdviceOptions {
        both: true,
        ..AdviceOptions::default()
    };
    let both = advise(&h, &options);
    assert_eq!(both.also.len(), 1);
    assert_eq!(both.also[0].change, Action::DrawWeight);
    insta::assert_snapshot!("combined_both", text(&h, &options));
}

#[test]
fn a_change_is_shot_before_another_is_made() {
    let h = history(&[
        Shoot::new(1, club_setup()).offset(140.0, 5.0),
        Shoot::new(2, club_setup()).offset(150.0, -5.0),
    ]);
    let now = |setup| AdviceOptions {
        noted_since: serde_json::from_value(setup).unwrap(),
        ..AdviceOptions::default()
    };
    assert_eq!(advise(&h, &now(club_setup())), advice_for(&h));
    let softer = with(club_setup(), json!({"plunger_clicks": -2}));
    let options = now(softer);
    let changed = advise(&h, &options);
    let step = next(&changed);
    assert_eq!(
        (step.change, step.kind),
        (Action::ShootMore, StepKind::Shoot)
    );
    assert!(changed.also.is_empty() && changed.others.is_empty());
    insta::assert_snapshot!("change_not_shot", text(&h, &options));
}

#[test]
fn left_hander() {
    let shoot = |n, x| Shoot::new(n, club_setup()).hand("left").offset(x, 4.0);
    let h = history(&[shoot(1, -140.0), shoot(2, -150.0)]);
    let advice = advice_for(&h);
    assert!(
        next(&advice).bolt_quarter_turns.unwrap() < 0,
        "left of a left-hander is weak"
    );
    assert!(next(&advice).expect.unwrap().x_mm > 0.0);
    snapshot("left_hander", &h);
}

#[test]
fn at_the_limit() {
    let setup = with(
        club_setup(),
        json!({
            "keep": ["plunger", "rear-weight"],
            "limits": {"bolt_turns_out": {"min": 0, "max": 1, "step": 0.25}, "shaft_length_mm": {"min": 736.6},
                       "point_gr": {"owned": [100]}, "shaft_spine": {"owned": [600]}}
        }),
    );
    let h = history(&[
        Shoot::new(1, setup.clone()).offset(150.0, 0.0),
        Shoot::new(2, setup).offset(140.0, 0.0),
    ]);
    let advice = advice_for(&h);
    assert_eq!(next(&advice).change, Action::None);
    assert!(!advice.done);
    assert!(advice.cautions.iter().any(|n| n.code == "at-limits"));
    snapshot("at_the_limit", &h);
}

#[test]
fn wrong_spine() {
    let setup = with(
        club_setup(),
        json!({"limits": {"shaft_spine": {"owned": [600], "obtainable": [500, 550, 650]}}}),
    );
    let h = history(&[
        Shoot::new(1, setup.clone()).offset(690.0, 0.0),
        Shoot::new(2, setup).offset(700.0, 10.0),
    ]);
    let advice = advice_for(&h);
    let step = next(&advice);
    assert_eq!(step.change, Action::ShaftSpine);
    assert!(step.to.unwrap() < 600.0);
    assert!(
        advice
            .reading
            .cautions
            .iter()
            .any(|n| n.code == "wrong-spine")
    );
    snapshot("wrong_spine", &h);
}

/// Two feet off at 18 m already: a change that can be undone, not more shots, and no new shafts from there.
#[test]
fn far_out_at_18_m() {
    for (hand, side) in [("right", 1.0), ("left", -1.0)] {
        for (setup, to) in [(club_setup(), true), (json!({}), false)] {
            let h = history(&[Shoot::new(1, setup)
                .offset(690.0 * side, 0.0)
                .distance(18.0)
                .hand(hand)]);
            let step = next(&advice_for(&h)).clone();
            assert_eq!(step.kind, StepKind::Reversible, "{step:?}");
            assert_eq!(step.change, Action::DrawWeight, "{step:?}");
            assert_eq!(step.to.is_some_and(|to| to < 36.0), to, "{step:?}");
            assert!(step.gates.iter().any(|g| g.code == GateCode::Distance));
        }
    }
}

#[test]
fn undecided() {
    let h = history(&[Shoot::new(1, club_setup()).offset(45.0, 10.0).scatter(2.5)]);
    let advice = advice_for(&h);
    assert_eq!(next(&advice).change, Action::ShootMore);
    assert!(next(&advice).pairs.unwrap() >= 1);
    snapshot("undecided", &h);
}

#[test]
fn in_tune_at_18_m() {
    let shoot = |n| {
        Shoot::new(n, club_setup())
            .distance(18.0)
            .offset(3.0, -4.0)
            .scatter(0.4)
    };
    let h = history(&[shoot(1), shoot(2), shoot(3), shoot(4)]);
    let advice = advice_for(&h);
    let step = next(&advice);
    assert_eq!(
        (step.change, step.when),
        (Action::Verify, Some(VerifyWhen::Now))
    );
    assert_eq!(step.distance_m, Some(30.0));
    assert!(!advice.done);
    snapshot("in_tune_at_18_m", &h);
}

#[test]
fn in_tune_at_30_m_and_on_another_day() {
    let shoot = |n| Shoot::new(n, club_setup()).offset(3.0, -4.0).scatter(0.6);
    let mut ends = vec![shoot(1), shoot(2), shoot(3), shoot(4)];
    let h = history(&ends);
    let advice = advice_for(&h);
    assert!(advice.done);
    assert_eq!(
        (next(&advice).change, next(&advice).when),
        (Action::Verify, Some(VerifyWhen::AnotherDay))
    );
    snapshot("in_tune_at_30_m", &h);
    ends.push(shoot(1).day(9));
    let later = advice_for(&history(&ends));
    assert!(later.done);
    assert_eq!(next(&later).change, Action::None);
}

#[test]
fn thirty_yards_count_as_30_m() {
    let shoot = |n| {
        Shoot::new(n, club_setup())
            .distance(27.432)
            .offset(3.0, -4.0)
            .scatter(0.6)
    };
    assert!(advice_for(&history(&[shoot(1), shoot(2), shoot(3), shoot(4)])).done);
}

#[test]
fn a_contradicting_history() {
    let out = |turns: f64, lb: f64| {
        with(
            club_setup(),
            json!({"bolt_turns_out": turns, "draw_weight_lb": lb}),
        )
    };
    let h = history(&[
        Shoot::new(1, out(1.0, 36.0)).offset(140.0, 0.0),
        Shoot::new(2, out(1.0, 36.0)).offset(150.0, 0.0),
        Shoot::new(3, out(2.0, 35.0)).offset(260.0, 0.0),
        Shoot::new(4, out(2.0, 35.0)).offset(250.0, 0.0),
    ]);
    let advice = advice_for(&h);
    assert!(advice.cautions.iter().any(|n| n.code == "contradiction"));
    let step = next(&advice);
    assert_eq!(step.kind, StepKind::PutBack, "the wrong way is undone");
    assert_eq!(
        (step.change, step.bolt_quarter_turns, step.to),
        (Action::DrawWeight, Some(4), Some(36.0))
    );
    snapshot("contradicting_history", &h);
}

/// A nocking point moved and the height stayed as it was, but the bare shafts went right: the wrong axis answered.
#[test]
fn a_change_that_moved_the_wrong_axis_is_noticed() {
    let nock = |mm: f64| with(club_setup(), json!({"nocking_point_mm": mm}));
    let h = history(&[
        Shoot::new(1, nock(6.0)).offset(5.0, 100.0).scatter(0.6),
        Shoot::new(2, nock(6.0)).offset(0.0, 95.0).scatter(0.6),
        Shoot::new(3, nock(7.0)).offset(130.0, 20.0).scatter(0.6),
        Shoot::new(4, nock(7.0)).offset(135.0, 25.0).scatter(0.6),
    ]);
    let advice = advice_for(&h);
    let found: Vec<_> = advice
        .cautions
        .iter()
        .filter(|n| n.code == "contradiction")
        .collect();
    assert_eq!(found.len(), 1);
    assert!(said(found[0]).contains("should not have moved the bare shafts sideways"));
    assert!(said(found[0]).contains("to the right"));
    assert!(next(&advice).reversible);
    snapshot("wrong_axis", &h);
}

/// Four ends that leave the bow near the edge of the tolerance: a click or two shows it in tune sooner than more ends.
#[test]
fn near_the_edge_a_small_step_is_worth_more_than_more_ends() {
    let shoot = |n| Shoot::new(n, club_setup()).offset(38.0, 3.0).scatter(0.9);
    let h = history(&[shoot(1), shoot(2), shoot(3), shoot(4)]);
    let advice = advice_for(&h);
    let step = next(&advice);
    assert!(step.reversible && step.amount.is_some());
    assert!(step.expect.unwrap().x_mm < 0.0, "towards the middle");
    assert!(said(&step.why).contains("to show it in tune from here"));
    snapshot("near_the_edge", &h);
    // well inside, nothing is turned
    let inside = |n| Shoot::new(n, club_setup()).offset(8.0, 3.0);
    assert_eq!(
        next(&advice_for(&history(&[inside(1)]))).change,
        Action::ShootMore
    );
}

#[test]
fn missed_bare_shafts_are_told_and_the_rest_still_helps() {
    let shoot = |n| Shoot::new(n, club_setup()).offset(150.0, 0.0).missed(1);
    let h = history(&[shoot(1), shoot(2)]);
    let advice = advice_for(&h);
    assert_eq!(next(&advice).change, Action::DrawWeight);
    assert!(next(&advice).bolt_quarter_turns.unwrap() < 0);
    assert!(
        advice
            .reading
            .cautions
            .iter()
            .any(|n| n.code == "missed-shots")
    );
    // all missed: nearer, not blind turning
    let none = history(&[Shoot::new(1, club_setup()).missed(3)]);
    assert_eq!(next(&advice_for(&none)).change, Action::ShootMore);
}

/// Weak, the bolts at their lightest, half an inch too much alone, and this bow has taught both levers: a cut made good by
/// more draw weight.
#[test]
fn a_cut_that_is_too_long_alone_goes_with_more_draw_weight() {
    let setup = |turns: f64, lb: f64, length: f64| {
        with(
            club_setup(),
            json!({
                "bolt_turns_out": turns, "draw_weight_lb": lb, "shaft_length_mm": length,
                "keep": ["point-weight", "plunger", "rear-weight", "shaft-spine"], "rear_gr": 20, "bare_rear_gr": 20,
                "limits": {"bolt_turns_out": {"min": 0, "max": 2, "step": 0.25},
                           "shaft_length_mm": {"min": 705, "step": 12.7}}
            }),
        )
    };
    let runs = [
        (setup(1.0, 36.0, 749.3), 390.0),
        (setup(2.0, 35.0, 749.3), 290.0),
        (setup(2.0, 35.0, 736.6), 140.0),
    ];
    let ends: Vec<Shoot> = (1..)
        .zip(runs.iter().flat_map(|run| [run; 3]))
        .map(|(n, (setup, x))| Shoot::new(n, setup.clone()).offset(*x, 0.0).scatter(0.4))
        .collect();
    let h = history(&ends);
    let advice = advice_for(&h);
    assert_eq!(next(&advice).change, Action::ShaftLength);
    assert!(next(&advice).amount.unwrap() < 0.0);
    assert_eq!(advice.also.len(), 1);
    assert_eq!(advice.also[0].change, Action::DrawWeight);
    assert!(advice.also[0].bolt_quarter_turns.unwrap() > 0);
    obeys(next(&advice), &runs[2].0);
    obeys(&advice.also[0], &runs[2].0);
    snapshot("cut_with_more_weight", &h);
}

#[test]
fn a_history_teaches_the_slope() {
    let out = |turns: f64, lb: f64| {
        with(
            club_setup(),
            json!({"bolt_turns_out": turns, "draw_weight_lb": lb}),
        )
    };
    let h = history(&[
        Shoot::new(1, out(1.0, 36.0))
            .offset(300.0, 0.0)
            .scatter(0.5),
        Shoot::new(2, out(1.0, 36.0))
            .offset(300.0, 0.0)
            .scatter(0.5),
        Shoot::new(3, out(1.5, 35.5))
            .offset(200.0, 0.0)
            .scatter(0.5),
        Shoot::new(4, out(1.5, 35.5))
            .offset(200.0, 0.0)
            .scatter(0.5),
    ]);
    let advice = advice_for(&h);
    let learned = &advice.learned[0];
    assert_eq!(
        (learned.change, learned.from_changes),
        (Action::DrawWeight, 1)
    );
    assert!(learned.mm_per_unit > 1.2 * learned.prior_mm_per_unit);
    // 200 mm at some 170 mm a pound: one to one and a quarter turns
    assert!((-6..=-3).contains(&next(&advice).bolt_quarter_turns.unwrap()));
    snapshot("learned", &h);
}

#[test]
fn nothing_told_of_the_bow() {
    let h = history(&[
        Shoot::new(1, json!({})).offset(150.0, 0.0),
        Shoot::new(2, json!({})).offset(140.0, 0.0),
    ]);
    let advice = advice_for(&h);
    let step = next(&advice);
    assert_eq!(step.change, Action::DrawWeight);
    assert_eq!((step.from, step.to, step.amount), (None, None, None));
    assert!(advice.cautions.iter().any(|n| n.code == "setup-incomplete"));
    // no size in what is to be done, where the size isn't known; what people begin with stands apart
    for step in std::iter::once(step).chain(&advice.others) {
        let sized = [
            "half",
            "a few",
            "one ",
            "millimetre",
            "click",
            "turn or less",
        ];
        assert!(
            sized.iter().all(|word| !said(&step.detail).contains(word)),
            "{:?}",
            step.detail
        );
        assert!(
            !said(&step.detail).chars().any(|c| c.is_ascii_digit()),
            "{:?}",
            step.detail
        );
        assert!(
            said(&step.why).contains("usual first step"),
            "{:?}",
            step.why
        );
    }
    snapshot("nothing_told", &h);
}

/// One set-up has one offset: the step names the reading's own, from where it was shot.
#[test]
fn the_step_names_the_offset_of_the_reading() {
    for (distance, offset, scatter) in [(30.0, 95.0, 2.0), (18.0, 150.0, 1.0)] {
        let shot = Shoot::new(1, club_setup()).offset(offset, 0.0);
        let advice = advice_for(&history(&[shot.distance(distance).scatter(scatter)]));
        let read = advice.reading.offset.unwrap().x_mm;
        let why = said(&next(&advice).why);
        let place = format!("{read:.0} mm to the right of the fletched ones at {distance} m");
        assert!(why.contains(&place), "{place}: {why}");
        assert!(!why.contains("The reading says"), "{why}");
    }
}

#[test]
fn at_18_m_only_a_side_is_a_reversible_step_and_never_a_cut() {
    let setup = with(club_setup(), json!({"keep": ["draw-weight"]}));
    let shoot = |n| {
        Shoot::new(n, setup.clone())
            .distance(18.0)
            .offset(150.0, 0.0)
            .scatter(0.5)
    };
    let h = history(&[shoot(1), shoot(2)]);
    let advice = advice_for(&h);
    assert!(
        advice
            .next
            .iter()
            .chain(&advice.others)
            .all(|s| s.reversible)
    );
    assert_eq!(next(&advice).change, Action::PointWeight);
    assert!(!advice.done);
    snapshot("short_distance", &h);
}

/// Points and nock ends can be put back, so that they come before a cut.
#[test]
fn with_all_that_can_be_undone_kept_a_weak_arrow_is_cut_in_a_portion() {
    let reversible = json!({"keep": ["draw-weight"], "rear_gr": 20, "bare_rear_gr": 20});
    let first = |n| {
        Shoot::new(n, with(club_setup(), reversible.clone()))
            .offset(240.0, 0.0)
            .scatter(0.6)
    };
    let before_a_cut = advice_for(&history(&[first(1), first(2), first(3)]));
    assert_eq!(next(&before_a_cut).change, Action::PointWeight);
    let setup = with(
        club_setup(),
        json!({"keep": ["draw-weight", "point-weight", "rear-weight"], "rear_gr": 20, "bare_rear_gr": 20}),
    );
    let shoot = |n| Shoot::new(n, setup.clone()).offset(240.0, 0.0).scatter(0.6);
    let h = history(&[shoot(1), shoot(2), shoot(3)]);
    let advice = advice_for(&h);
    let step = next(&advice);
    assert_eq!(step.change, Action::ShaftLength);
    assert!(!step.reversible && step.amount.unwrap() < 0.0);
    assert!(step.cautions.iter().any(|n| n.code == "safe-length"));
    assert!(step.cautions.iter().any(|n| n.code == "cutting-carbon"));
    snapshot("cut", &h);
}

#[test]
fn without_hand_or_distance_it_says_what_is_missing() {
    let shoot = |n: u64| Shoot::new(n, club_setup()).offset(3.0, 0.0).scatter(0.4);
    let no_hand = history(&[1, 2, 3, 4].map(|n| shoot(n).no_hand()));
    let advice = advice_for(&no_hand);
    assert_eq!(advice.failure.as_ref().unwrap().code, "no-hand");
    assert!(advice.next.is_none());
    let high = history(&[1, 2].map(|n| shoot(n).no_hand().offset(0.0, 200.0)));
    assert_eq!(next(&advice_for(&high)).change, Action::NockingPoint);
    let no_distance = history(&[1, 2].map(|n| shoot(n).no_distance()));
    assert_eq!(
        advice_for(&no_distance).failure.unwrap().code,
        "no-distance"
    );
    assert!(advice_for(&History::default()).failure.is_some());
    assert!(advice_for(&History::default()).next.is_none());
    assert!(!explain(&History::default(), &AdviceOptions::default()).is_empty());
}

#[test]
fn with_no_bare_shot_more_are_asked_for() {
    let h = history(&[Shoot::new(1, club_setup()).without_bare()]);
    let advice = advice_for(&h);
    assert_eq!(next(&advice).change, Action::ShootMore);
    assert!(advice.failure.is_none() && advice.reading.failure.is_some());
}

#[test]
fn the_document_reads_back() {
    let h = history(&[Shoot::new(1, club_setup()).offset(150.0, 100.0)]);
    let advice = advice_for(&h);
    let json = serde_json::to_string(&advice).unwrap();
    let back: Advice = serde_json::from_str(&json).unwrap();
    assert_eq!(serde_json::to_string(&back).unwrap(), json);
    assert_eq!(json, serde_json::to_string(&advice_for(&h)).unwrap());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn no_step_beyond_a_limit_and_hands_mirror(
        x in -700.0..700.0f64, y in -400.0..400.0f64, scatter in 0.3..2.0f64, ends in 1..4u64,
        room in 0.0..3.0f64, length in 0.0..30.0f64, clicks in -10i32..10, both in any::<bool>(),
        distance in prop_oneof![Just(18.0), Just(30.0), Just(50.0)],
    ) {
        let setup = with(club_setup(), json!({
            "plunger_clicks": clicks,
            "limits": {
                "bolt_turns_out": {"min": (1.0 - room).max(0.0), "max": 1.0 + room, "step": 0.25},
                "draw_weight_lb": {"min": 35.0, "max": 37.5},
                "shaft_length_mm": {"min": 736.6 - length},
                "point_gr": {"owned": [90, 100, 120]},
                "shaft_spine": {"owned": [600], "obtainable": [500, 550, 650]},
                "plunger_clicks": {"min": -10, "max": 10, "usual": 0},
                "nocking_point_mm": {"min": 4, "max": 9}, "rest_height_mm": {"min": -1, "max": 1}
            }
        }));
        let shoot = |hand: &str, x: f64| -> Advice {
            let ends: Vec<Shoot> = (1..=ends)
                .map(|n| Shoot::new(n, setup.clone()).hand(hand).distance(distance).offset(x, y).scatter(scatter).mirrored(hand == "left"))
                .collect();
            advise(&history(&ends), &AdviceOptions { both, ..AdviceOptions::default() })
        };
        let right = shoot("right", x);
        let left = shoot("left", -x);
        for step in right.next.iter().chain(&right.also).chain(&right.others) {
            obeys(step, &setup);
            prop_assert!(step.expect.is_none_or(|e| e.x_mm.is_finite() && e.y_mm.is_finite()));
            if distance < 27.0 {
                prop_assert!(step.change != Action::ShaftLength);
            }
        }
        prop_assert!(right.also.len() <= 2);
        let (a, b) = (right.next.as_ref().unwrap(), left.next.as_ref().unwrap());
        prop_assert_eq!(a.change, b.change);
        prop_assert_eq!(a.amount, b.amount);
        if let (Some(a), Some(b)) = (a.expect, b.expect) {
            prop_assert!((a.x_mm + b.x_mm).abs() < 1e-6 && (a.y_mm - b.y_mm).abs() < 1e-6);
        }
    }
}

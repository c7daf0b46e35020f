//! Records → readings: calls, hands, cautions, what is left out, and what can't be read.

mod reading_support;

use bossmark::reading::{
    Assumptions, HorizontalCall, Reading, VerticalCall, analyse, analyse_with, read,
};
use bossmark::record::{ArrowKind, End, EntryState, Hand, Lean, Missed, Setup};
use bossmark::text::{self, Locale, Sentence};
use reading_support::{camera, end};

const GROUP: [(f64, f64); 3] = [(-12.0, 8.0), (5.0, -3.0), (9.0, 14.0)];

fn group_at(x: f64, y: f64) -> Vec<(f64, f64)> {
    GROUP
        .iter()
        .map(|place| (place.0 + x, y - place.1))
        .collect()
}

fn has(reading: &Reading, code: &str) -> bool {
    reading.cautions.iter().any(|note| note.code == code)
}

fn sentence(reading: &Reading) -> String {
    text::sentence(reading, Locale::default())
}

/// Every reading must survive its own JSON, and its probabilities add to one.
fn check(reading: &Reading) {
    let json = serde_json::to_string(reading).expect("a reading is JSON");
    let back: Reading = serde_json::from_str(&json).expect("and back");
    let again = serde_json::to_string(&back).expect("JSON again");
    assert_eq!(again, json);
    let h = &reading.horizontal;
    if let (Some(a), Some(b), Some(c)) = (h.p_weak, h.p_stiff, h.p_neutral) {
        assert!((a + b + c - 1.0).abs() < 1e-9, "{h:?}");
    }
    for note in &reading.cautions {
        assert!(
            note.text(Locale::default()).len() > 30,
            "{note:?} has no remedy"
        );
    }
    assert!(!sentence(reading).is_empty());
}

#[test]
fn bare_right_reads_weak_for_a_right_hander_and_stiff_for_a_left_hander() {
    let mut one = end(&GROUP, &group_at(150.0, 20.0));
    let reading = read(&[&one]);
    check(&reading);
    assert_eq!(reading.horizontal.call, HorizontalCall::Weak);
    assert!(reading.horizontal.p_weak > Some(0.9), "{reading:?}");
    let text = sentence(&reading);
    assert!(
        text.contains("right of") && text.contains("reads weak"),
        "{text}"
    );
    one.session.hand = Some(Hand::Left);
    let left = read(&[&one]);
    check(&left);
    assert_eq!(left.horizontal.call, HorizontalCall::Stiff);
    assert_eq!(left.horizontal.p_stiff, reading.horizontal.p_weak);
    // the vertical and the offset itself don't know the hand
    assert_eq!(left.vertical, reading.vertical);
    assert_eq!(left.offset, reading.offset);
}

#[test]
fn bare_high_means_the_nocking_point_is_low() {
    let high = read(&[&end(&GROUP, &group_at(0.0, 160.0))]);
    assert_eq!(high.vertical.call, VerticalCall::NockLow);
    assert!(high.vertical.p_nock_low > Some(0.9));
    let low = read(&[&end(&GROUP, &group_at(0.0, -160.0))]);
    assert_eq!(low.vertical.call, VerticalCall::NockHigh);
    assert!(low.vertical.p_nock_high > Some(0.9));
}

/// Four ends of close groups on one another: in tune at 30 m, not so at 18 m.
#[test]
fn in_tune_is_shown_at_full_distance_only() {
    let one = end(&GROUP, &group_at(3.0, -2.0));
    let ends = [one.clone(), one.clone(), one.clone(), one];
    let reading = read(&ends.iter().collect::<Vec<_>>());
    check(&reading);
    assert!(reading.in_tune, "{reading:#?}");
    assert!(reading.more_shots.is_none());
    assert!(sentence(&reading).contains("in tune"));
    let short: Vec<End> = ends
        .iter()
        .cloned()
        .map(|mut end| {
            end.session.distance_m = Some(18.0);
            end
        })
        .collect();
    let reading = read(&short.iter().collect::<Vec<_>>());
    check(&reading);
    assert!(!reading.in_tune);
    assert_eq!(reading.horizontal.call, HorizontalCall::Neutral);
    assert!((reading.tolerance_mm.unwrap() - 30.0).abs() < 1e-9);
    assert!(has(&reading, "short-distance"));
    assert!(sentence(&reading).contains("as far as this distance can show"));
}

#[test]
fn one_small_end_is_undecided_and_says_how_many_more() {
    let reading = read(&[&end(&GROUP, &group_at(46.0, 5.0))]);
    check(&reading);
    assert_eq!(reading.horizontal.call, HorizontalCall::Undecided);
    assert!(reading.more_shots.is_some());
    assert!(
        sentence(&reading).contains("maybe"),
        "{}",
        sentence(&reading)
    );
}

#[test]
fn without_hand_or_distance() {
    let mut one = end(&GROUP, &group_at(150.0, 200.0));
    one.session.hand = None;
    let reading = read(&[&one]);
    check(&reading);
    assert_eq!(reading.horizontal.call, HorizontalCall::Undecided);
    assert!(reading.horizontal.p_weak.is_none() && reading.horizontal.p_neutral.is_none());
    assert_eq!(reading.vertical.call, VerticalCall::NockLow);
    assert!(has(&reading, "no-hand"));
    one.session.hand = Some(Hand::Right);
    for distance in [None, Some(0.0), Some(-3.0), Some(f64::NAN)] {
        one.session.distance_m = distance;
        let reading = read(&[&one]);
        assert_eq!(reading.horizontal.call, HorizontalCall::Undecided);
        assert_eq!(reading.vertical.call, VerticalCall::Undecided);
        assert!(reading.vertical.p_nock_low.is_none() && reading.tolerance_mm.is_none());
        assert!(has(&reading, "no-distance"));
        assert!(reading.offset.is_some());
        check(&reading);
    }
}

#[test]
fn too_few_shots_is_a_whole_document_with_a_failure() {
    for ends in [
        vec![],
        vec![end(&GROUP, &[])],
        vec![end(&[], &GROUP)],
        vec![end(&GROUP, &[]), end(&[], &GROUP)],
    ] {
        let reading = read(&ends.iter().collect::<Vec<_>>());
        check(&reading);
        assert_eq!(reading.failure.as_ref().unwrap().code, "few-shots");
        assert!(reading.offset.is_none() && reading.scatter.is_none());
        assert!(reading.horizontal.p_weak.is_none());
        let few = reading.fletched.min(reading.bare) < 3;
        assert_eq!(has(&reading, "few-shots"), few);
    }
    // one bare shot: an offset, but nothing called
    let reading = read(&[&end(&GROUP, &[(300.0, 0.0)])]);
    check(&reading);
    assert!(reading.failure.is_none() && reading.offset.is_some());
    assert_eq!(reading.horizontal.call, HorizontalCall::Undecided);
    assert!(has(&reading, "few-shots"));
}

#[test]
fn two_bare_shots_on_either_side_call_nothing() {
    let reading = read(&[&end(&GROUP, &[(-90.0, 200.0), (95.0, 215.0)])]);
    check(&reading);
    assert!(has(&reading, "either-side"));
    assert_eq!(reading.horizontal.call, HorizontalCall::Undecided);
    assert_eq!(reading.vertical.call, VerticalCall::NockLow);
}

#[test]
fn what_is_left_out_is_named() {
    let mut one = end(&GROUP, &group_at(150.0, 0.0));
    one.entries[1].state = EntryState::Proposed;
    one.entries[1].confidence = Some(0.3);
    one.entries[4].kind = ArrowKind::Unknown;
    one.missed.push(Missed {
        kind: ArrowKind::Bare,
        ..Missed::default()
    });
    let reading = read(&[&one]);
    check(&reading);
    assert_eq!((reading.fletched, reading.bare), (2, 2));
    let text = |code: &str| {
        let note = reading.cautions.iter().find(|note| note.code == code);
        note.unwrap_or_else(|| panic!("no {code}"))
            .text(Locale::default())
    };
    assert!(text("unconfirmed").contains("fletched F2, end 1"));
    assert!(text("unconfirmed").contains("?5, end 1"));
    assert!(text("missed-shots").contains("1 bare shot"));
}

#[test]
fn a_far_shot_is_named_and_counts_for_little() {
    let mut bare = group_at(40.0, 0.0);
    bare.push((420.0, -300.0));
    let far = read(&[&end(&GROUP, &bare)]);
    check(&far);
    assert_eq!(far.outliers.len(), 1, "{far:?}");
    assert_eq!((far.outliers[0].end, far.outliers[0].id), (1, 7));
    assert!(has(&far, "flier"));
    let near = read(&[&end(&GROUP, &bare[..3])]);
    let shift = (far.offset.unwrap().x_mm - near.offset.unwrap().x_mm).abs();
    assert!(shift < 15.0, "the far shot moved the offset by {shift} mm");
}

#[test]
fn distances_and_spine() {
    let mut one = end(&GROUP, &group_at(700.0, 0.0));
    for (distance, wrong) in [(18.0, true), (30.0, true), (40.0, false)] {
        one.session.distance_m = Some(distance);
        let reading = read(&[&one]);
        check(&reading);
        assert_eq!(has(&reading, "wrong-spine"), wrong, "at {distance} m");
        assert_eq!(has(&reading, "long-distance"), distance > 35.0);
    }
}

#[test]
fn a_photo_of_unknown_roll_widens_the_other_axis() {
    let mut one = end(&GROUP, &group_at(0.0, 400.0));
    let plain = read(&[&one]).offset.unwrap();
    one.camera = Some(camera(6.0));
    let reading = read(&[&one]);
    check(&reading);
    let rolled = reading.offset.unwrap();
    // 6° of the height's 400 mm: about 42 mm sideways, and nothing upwards
    let added = (rolled.cov_mm2[0][0] - plain.cov_mm2[0][0]).sqrt();
    assert!(
        (added - 6f64.to_radians() * plain.y_mm).abs() < 0.5,
        "{added}"
    );
    assert!((rolled.cov_mm2[1][1] - plain.cov_mm2[1][1]).abs() < 1.0);
    assert!(has(&reading, "roll"));
    // two photos average their turns out
    let pooled = analyse(&[&one, &one]).gathered.roll_sd_rad.to_degrees();
    assert!((pooled - 6.0 / 2f64.sqrt()).abs() < 1e-9, "{pooled}");
}

#[test]
fn numbered_arrows_over_four_ends() {
    let wobble = [11.0, -17.0, 5.0, -3.0, 19.0, -9.0, 14.0];
    let ends: Vec<End> = (0..4usize)
        .map(|k| {
            let place = |arrow: usize| {
                let at = (3 * k + 5 * arrow) % wobble.len();
                (wobble[at], wobble[(at + 3) % wobble.len()])
            };
            let fletched: Vec<(f64, f64)> = (0..3).map(place).collect();
            let mut bare: Vec<(f64, f64)> = (3..7).map(place).collect();
            bare[2].0 += 170.0;
            let mut end = end(&fletched, &bare);
            for entry in &mut end.entries {
                entry.arrow = Some(format!("{}", entry.id));
            }
            end
        })
        .collect();
    let reading = read(&ends.iter().collect::<Vec<_>>());
    check(&reading);
    assert_eq!(reading.arrows.len(), 1, "{reading:#?}");
    assert_eq!(reading.arrows[0].arrow, "6");
    assert!(reading.arrows[0].p_odd > 0.95);
    assert_eq!(reading.bare, 12, "the odd arrow is left out");
    assert!(has(&reading, "odd-arrow"));
    assert!(reading.offset.unwrap().x_mm.abs() < 20.0);
}

#[test]
fn order_lean_mass_and_tolerance() {
    let mut one = end(&GROUP, &group_at(200.0, 0.0));
    one.session.shot_order = Some(vec![1, 2, 3, 4, 5, 6]);
    one.session.setup = Some(Setup {
        rear_gr: Some(17.0),
        bare_rear_gr: Some(8.0),
        tolerance_30m_mm: Some(5.0),
        ..Setup::default()
    });
    for entry in &mut one.entries {
        let bare = entry.kind == ArrowKind::Bare;
        entry.lean = Some(Lean {
            right_deg: if bare { 5.0 } else { 0.5 },
            up_deg: 0.0,
            sd_deg: 0.6,
        });
    }
    let reading = read(&[&one]);
    check(&reading);
    for code in ["not-alternate", "lean", "different-mass", "tolerance-range"] {
        assert!(has(&reading, code), "no {code}: {:#?}", reading.cautions);
    }
    assert!((reading.lean.unwrap().right_deg - 4.5).abs() < 1e-9);
    assert!((reading.tolerance_mm.unwrap() - 20.0).abs() < 1e-9);
    one.session.shot_order = Some(vec![1, 4, 2, 5, 3, 6]);
    assert!(!has(&read(&[&one]), "not-alternate"));
}

#[test]
fn hostile_numbers_never_panic() {
    let wild = [f64::NAN, f64::INFINITY, -1e300, 1e300, 0.0, 9999.0, 1e-300];
    for &a in &wild {
        for &b in &wild {
            let mut one = end(&[(a, b), (0.0, a), (b, b)], &[(b, a), (a, a), (1.0, 2.0)]);
            one.entries[0].cov_mm2 = Some([[a, b], [b, a]]);
            one.entries[5].cov_mm2 = None;
            one.entries[5].confidence = Some(a);
            one.session.distance_m = Some(if b.abs() < 1.0 { 1.0 } else { b });
            one.camera = Some(camera(a));
            one.session.setup = Some(Setup {
                tolerance_30m_mm: Some(b),
                ..Setup::default()
            });
            let reading = read(&[&one, &one]);
            assert!(serde_json::to_string(&reading).is_ok());
            let _ = sentence(&reading);
            if let Some(offset) = reading.offset {
                assert!(
                    offset.x_mm.is_finite() && offset.sd_x_mm.is_finite(),
                    "{a} {b}"
                );
            }
        }
    }
}

#[test]
fn the_archers_tolerance_and_other_assumptions() {
    let one = end(&GROUP, &group_at(35.0, 0.0));
    let mut assumptions = Assumptions::embedded().unwrap();
    let usual = analyse_with(&[&one], &assumptions).reading;
    assumptions.tolerance_30m_mm = assumptions.fine_tolerance_30m_mm;
    let fine = analyse_with(&[&one], &assumptions).reading;
    assert!((fine.tolerance_mm.unwrap() - 30.0).abs() < 1e-9);
    assert!(fine.horizontal.p_neutral < usual.horizontal.p_neutral);
}

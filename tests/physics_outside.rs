//! The beam model against published and closed-form values; the source stands beside each check.

#![allow(clippy::unwrap_used, reason = "a test may fail on the spot")]

use bossmark::advice::physics::{
    Beam, N_PER_LBF, NockEnd, SPINE_LOAD_N, SPINE_SPAN_M, bending_stiffness, stiffness_of_spine,
};
use bossmark::advice::{Action, Sensitivities, sensitivities};
use bossmark::record::Setup;
use std::f64::consts::PI;

fn close(got: f64, want: f64, relative: f64) {
    assert!(
        (got / want - 1.0).abs() <= relative,
        "got {got}, want {want}, off by {:e}",
        got / want - 1.0
    );
}

/// A beam of 1 m, 1 kg/m, EI = 1 N·m²: ω² = β⁴.
fn unit_beam(point: f64, rear: f64) -> Beam {
    Beam {
        length_m: 1.0,
        mass_per_m: 1.0,
        ei: 1.0,
        point_kg: point,
        rear_kg: rear,
    }
}

/// βL of the first bending with both ends free.
fn free_beta(point: f64, rear: f64) -> f64 {
    unit_beam(point, rear)
        .squared_frequencies(NockEnd::Free, |_| 0.0)
        .unwrap()[2]
        .powf(0.25)
}

/// ASTM F2031: 28 in span, 1.94 lb at the middle; EI = F L³/(48 δ), the simply supported beam of any text on strength of
/// materials. The old rating (26 in, 2 lb) of the same shaft is 0.825419 of the deflection, by the same formula.
#[test]
fn stiffness_from_the_spine_test() {
    close(SPINE_SPAN_M, 0.7112, 1e-12);
    close(SPINE_LOAD_N, 8.629_55, 1e-6);
    for (spine, ei) in [
        (400.0, 6.3654),
        (500.0, 5.0924),
        (600.0, 4.2436),
        (700.0, 3.6374),
        (800.0, 3.1827),
        (1000.0, 2.5462),
    ] {
        close(stiffness_of_spine(spine).unwrap(), ei, 2e-5);
        close(stiffness_of_spine(spine).unwrap(), 2546.176 / spine, 1e-6);
    }
    let ei = stiffness_of_spine(500.0).unwrap();
    // old rating: the deflection that the same EI gives under 2 lb over 26 in
    let old = 2.0 * N_PER_LBF * (26.0f64 * 0.0254).powi(3) / (48.0 * ei) / 0.0254;
    close(old, 0.4127, 1e-4);
    close(
        bending_stiffness(2.0 * N_PER_LBF, 0.6604, old * 0.0254).unwrap(),
        ei,
        1e-9,
    );
    assert_eq!(bending_stiffness(1.0, 1.0, 0.0), None);
}

/// Thomson, Theory of Vibration with Applications, appendix D: free–free beam, β₁L = 4.7300 (cos β cosh β = 1).
#[test]
fn free_free_eigenvalue() {
    close(free_beta(0.0, 0.0), 4.730_040_744_863, 1e-6);
    let squared = unit_beam(0.0, 0.0)
        .squared_frequencies(NockEnd::Free, |_| 0.0)
        .unwrap();
    for (got, beta) in [
        (squared[3], 7.853_204_624_096),
        (squared[4], 10.995_607_838_002),
    ] {
        // error of 24 cubic elements: (βh)⁴/720 of ω², a quarter of that of β
        let elements = (beta / 24.0f64).powi(4) / 2880.0;
        close(got.powf(0.25), beta, 1.05 * elements);
    }
}

/// Exact Euler–Bernoulli solution with a point mass at an end (EI w‴ = ±M ω² w, w″ = 0), roots of the frequency equation
/// to six decimals; the heavy end tends to pinned–free 3.926602 and pinned–pinned π (Thomson, appendix D).
#[test]
fn free_free_with_end_masses() {
    for (mass, beta) in [
        (0.05, 4.546_241),
        (0.10, 4.430_268),
        (0.20, 4.292_920),
        (0.30, 4.214_438),
        (0.50, 4.128_137),
        (1.00, 4.041_832),
    ] {
        close(free_beta(mass, 0.0), beta, 1e-6);
        close(free_beta(0.0, mass), beta, 1e-6);
    }
    close(free_beta(0.5, 0.1), 3.865_928, 1e-6);
    close(free_beta(1.0, 1.0), 3.398_799, 1e-6);
    close(free_beta(1e6, 0.0), 3.926_602, 1e-6);
    close(free_beta(1e6, 1e6), PI, 1e-6);
}

/// Pinned–free beam: β₁L = 3.926602 (Thomson, appendix D), by holding the nock instead of loading it.
#[test]
fn nock_held_without_masses_is_pinned_free() {
    let squared = unit_beam(0.0, 0.0)
        .squared_frequencies(NockEnd::Held, |_| 0.0)
        .unwrap();
    assert!(squared[0].abs() < 1e-6 * squared[1]);
    close(squared[1].powf(0.25), 3.926_602_312, 1e-6);
}

/// Euler's column: a pinned–pinned beam under the end load F swings at ω² = ω₀² (1 − F/(π²EI/L²)) (Timoshenko and Gere,
/// Theory of Elastic Stability, vibration of bars with axial force; from memory). A point 10⁴ times as heavy as the
/// tube is as good as a pin.
#[test]
fn end_load_softens_as_eulers_column() {
    let beam = unit_beam(1e4, 0.0);
    let pinned = |load: f64| beam.squared_frequencies(NockEnd::Held, |_| load).unwrap()[1];
    close(pinned(0.0).powf(0.25), PI, 1e-4);
    for share in [0.1, 0.45, 0.8, 0.95] {
        let ratio = pinned(share * PI * PI) / pinned(0.0);
        assert!(
            (ratio - (1.0 - share)).abs() < 1e-6 * 30.0,
            "{share}: {ratio}"
        );
    }
    // past the load the column buckles: no swinging any more
    assert!(pinned(1.001 * PI * PI) < 0.0);
}

/// A worked example: spine 500, 0.72 m, tube 11.0 g; bare tube 125.41 Hz, with a 7.1 g point 93.86 Hz, and with 1.0 g at
/// the nock 82.93 Hz (exact frequency equation).
#[test]
fn frequency_of_an_arrow_in_flight() {
    let mut beam = Beam {
        length_m: 0.72,
        mass_per_m: 0.011 / 0.72,
        ei: stiffness_of_spine(500.0).unwrap(),
        point_kg: 0.0,
        rear_kg: 0.0,
    };
    close(beam.free_free_hz().unwrap(), 125.41, 1e-4);
    beam.point_kg = 0.0071;
    close(beam.free_free_hz().unwrap(), 93.86, 1e-4);
    beam.rear_kg = 0.001;
    close(beam.free_free_hz().unwrap(), 82.93, 1e-4);
}

fn setup(
    lb: f64,
    spine: f64,
    length_in: f64,
    gr_per_in: f64,
    point: f64,
    draw_in: f64,
    brace_in: f64,
) -> Setup {
    Setup {
        draw_weight_lb: Some(lb),
        shaft_spine: Some(spine),
        shaft_length_mm: Some(length_in * 25.4),
        shaft_gr_per_in: Some(gr_per_in),
        point_gr: Some(point),
        draw_length_mm: Some(draw_in * 25.4),
        brace_height_mm: Some(brace_in * 25.4),
        ..Setup::default()
    }
}

fn reference_setups() -> [Sensitivities; 3] {
    [
        setup(24.0, 900.0, 28.5, 5.4, 80.0, 26.5, 8.25),
        setup(36.0, 600.0, 29.0, 6.6, 100.0, 27.5, 8.5),
        setup(46.0, 450.0, 30.0, 7.4, 110.0, 29.0, 8.75),
    ]
    .map(|s| sensitivities(&s).unwrap())
}

/// Values of an independent implementation of the same model: q, then d ln q for +1 lb, +1 mm, +1 gr point, +1 g nock, +50
/// spine, then ¼ in, 10 gr and 50 spine in pounds.
#[test]
fn index_and_exchange_rates_of_three_setups() {
    let want = [
        (
            0.503,
            [-0.0464, -0.003_84, -0.001_53, 0.0621, -0.0619],
            [0.53, 0.33, 1.33],
        ),
        (
            0.481,
            [-0.0327, -0.003_92, -0.001_33, 0.0538, -0.0983],
            [0.76, 0.41, 3.00],
        ),
        (
            0.474,
            [-0.0262, -0.003_84, -0.001_31, 0.0486, -0.1342],
            [0.93, 0.50, 5.12],
        ),
    ];
    let grains_per_gram = 1.0 / 0.064_798_91;
    for (got, (q, rates, pounds)) in reference_setups().iter().zip(want) {
        close(got.index, q, 1.2e-3);
        let rate = |c: Action| got.rate(c).unwrap();
        let seen = [
            rate(Action::DrawWeight),
            rate(Action::ShaftLength),
            rate(Action::PointWeight),
            rate(Action::RearWeight) * grains_per_gram,
            rate(Action::ShaftSpine) * 50.0,
        ];
        println!("{q}: {} {seen:?}", got.index);
        for (got, want) in seen.iter().zip(rates) {
            close(*got, want, 0.01);
        }
        let lb = |c: Action, n: f64| got.in_pounds(c).unwrap() * n;
        close(lb(Action::ShaftLength, 6.35), pounds[0], 0.012);
        close(lb(Action::PointWeight, 10.0), pounds[1], 0.015);
        close(lb(Action::ShaftSpine, 50.0), pounds[2], 0.012);
    }
}

/// The senses that coaching books give (World Archery Coach's Manual level 2, standard bow, p. 10; length and draw weight:
/// common practice): more weight, a longer shaft, a heavier point and a larger spine number act weaker, a heavier rear
/// stiffer. They must come out of the model, not be put in.
#[test]
fn the_trades_senses_come_out_of_the_model() {
    for got in reference_setups() {
        for weaker in [
            Action::DrawWeight,
            Action::ShaftLength,
            Action::PointWeight,
            Action::ShaftSpine,
        ] {
            assert!(got.rate(weaker).unwrap() < 0.0, "{weaker:?}");
        }
        assert!(got.rate(Action::RearWeight).unwrap() > 0.0);
        assert!(got.free_free_hz.unwrap() > 40.0);
    }
}

/// The closed forms of the priors (3500/F, 11.7 mm per mm, 3500/spine) are 3000 mm times the model's d ln q.
#[test]
fn closed_forms_of_the_priors_follow_the_model() {
    for (got, (lb, spine)) in
        reference_setups()
            .iter()
            .zip([(24.0, 900.0), (36.0, 600.0), (46.0, 450.0)])
    {
        let mm = |c: Action| -3000.0 * got.rate(c).unwrap();
        close(3500.0 / lb, mm(Action::DrawWeight), 0.06);
        close(11.7, mm(Action::ShaftLength), 0.06);
        close(3500.0 / spine, mm(Action::ShaftSpine), 0.06);
    }
}

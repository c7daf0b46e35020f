//! Whole sessions with known truth: how often the calls are right and the intervals hold it. Simulated, never real shots.
//!
//! The population is wider than the reading's own assumptions: scatters from 15 to 80 mm, another outlier law, odd arrows.
//! The quick test counts a few hundred sessions; `cargo test --release --test reading_coverage -- --ignored --nocapture`
//! prints the table of many.

mod reading_support;

use bossmark::reading::{Analysis, Assumptions, HorizontalCall, VerticalCall, analyse_with};
use bossmark::record::{ArrowKind, End, Hand};
use reading_support::{Random, entry};
use std::f64::consts::{PI, TAU};

/// A session's records with the truth and which shots were outliers (end, id).
struct Session {
    ends: Vec<End>,
    truth: [f64; 2],
    outliers: Vec<(u32, u64)>,
    shots: usize,
}

/// A session of so many ends of `n` shots of each kind.
fn draw(random: &mut Random, ends: usize, n: usize) -> Session {
    let sigma = 15.0 * (80.0f64 / 15.0).powf(random.unit());
    let shape = (0.25 * random.normal()).exp().sqrt();
    let scatter = [sigma * shape, sigma / shape];
    let ratio = random.uniform(1.0, 1.5);
    let reach = if random.unit() < 0.4 { 120.0 } else { 600.0 };
    let length = random.uniform(0.0, reach);
    let side = if random.unit() < 0.5 { 0.0 } else { PI };
    let direction = side + 0.6 * random.normal();
    let truth = [length * direction.cos(), length * direction.sin()];
    let outlier_rate = random.uniform(0.0, 0.15);
    let arrow_sd = random.uniform(0.0, 15.0);
    let mut own: Vec<[f64; 2]> = (0..2 * n)
        .map(|_| [arrow_sd * random.normal(), arrow_sd * random.normal()])
        .collect();
    if random.unit() < 0.12 {
        let odd = usize::try_from(random.next() % (2 * n as u64)).unwrap_or(0);
        let (far, way) = (random.uniform(60.0, 200.0), random.uniform(0.0, TAU));
        own[odd][0] += far * way.cos();
        own[odd][1] += far * way.sin();
    }
    let measuring = random.uniform(1.0, 5.0);
    let left = random.unit() < 0.5;
    let mut session = Session {
        ends: Vec::new(),
        truth: [if left { -truth[0] } else { truth[0] }, truth[1]],
        outliers: Vec::new(),
        shots: 0,
    };
    for place in 0..ends {
        let centre = [60.0 * random.normal(), 60.0 * random.normal()];
        let mut end = End::default();
        end.session.hand = Some(if left { Hand::Left } else { Hand::Right });
        end.session.distance_m = Some(30.0);
        for (arrow, own) in own.iter().enumerate() {
            let bare = arrow >= n;
            let id = arrow as u64 + 1;
            let mut at = [0.0; 2];
            let outlier = random.unit() < outlier_rate;
            let (throw, way) = (random.uniform(4.0, 6.0), random.uniform(0.0, TAU));
            for axis in 0..2 {
                let wide = scatter[axis] * if bare { ratio } else { 1.0 };
                at[axis] =
                    centre[axis] + own[axis] + wide * random.normal() + measuring * random.normal();
                if bare {
                    at[axis] += truth[axis];
                }
                if outlier {
                    at[axis] +=
                        throw * scatter[axis] * if axis == 0 { way.cos() } else { way.sin() };
                }
            }
            if outlier {
                session
                    .outliers
                    .push((u32::try_from(place + 1).unwrap_or(0), id));
            }
            let kind = if bare {
                ArrowKind::Bare
            } else {
                ArrowKind::Fletched
            };
            let mut made = entry(id, kind, if left { -at[0] } else { at[0] }, at[1]);
            made.arrow = Some(id.to_string());
            let variance = measuring * measuring;
            made.cov_mm2 = Some([[variance, 0.0], [0.0, variance]]);
            end.entries.push(made);
            session.shots += 1;
        }
        session.ends.push(end);
    }
    session
}

#[derive(Default, Debug)]
struct Counts {
    sides: f64,
    sides_right: f64,
    far: f64,
    far_decided: f64,
    neutral: f64,
    neutral_right: f64,
    near: f64,
    near_neutral: f64,
    near_side: f64,
    axes: f64,
    in_68: f64,
    in_95: f64,
    squares: f64,
    plain_squares: f64,
    outliers: f64,
    outliers_named: f64,
    good: f64,
    good_named: f64,
}

/// The sign called on each axis: 1, −1, 0 for neutral; `None` undecided.
fn called(analysis: &Analysis) -> [Option<i8>; 2] {
    let reading = &analysis.reading;
    let right_handed = reading.hand == Some(Hand::Right);
    let x = match reading.horizontal.call {
        HorizontalCall::Weak => Some(if right_handed { 1 } else { -1 }),
        HorizontalCall::Stiff => Some(if right_handed { -1 } else { 1 }),
        HorizontalCall::Neutral => Some(0),
        HorizontalCall::Undecided => None,
    };
    let y = match reading.vertical.call {
        VerticalCall::NockLow => Some(1),
        VerticalCall::NockHigh => Some(-1),
        VerticalCall::Neutral => Some(0),
        VerticalCall::Undecided => None,
    };
    [x, y]
}

/// Mean of the bare shots minus mean of the fletched ones, averaged over the ends.
fn plain_difference(ends: &[End]) -> [f64; 2] {
    let mean = |end: &End, kind: ArrowKind| -> [f64; 2] {
        let group: Vec<[f64; 2]> = end
            .entries
            .iter()
            .filter(|entry| entry.kind == kind)
            .map(|entry| [entry.x_mm, entry.y_mm])
            .collect();
        [0, 1].map(|axis: usize| group.iter().map(|p| p[axis]).sum::<f64>() / group.len() as f64)
    };
    [0, 1].map(|axis: usize| {
        let differences = ends
            .iter()
            .map(|end| mean(end, ArrowKind::Bare)[axis] - mean(end, ArrowKind::Fletched)[axis]);
        differences.sum::<f64>() / ends.len() as f64
    })
}

impl Counts {
    fn add(&mut self, session: &Session, analysis: &Analysis, tolerance: f64) {
        let calls = called(analysis);
        let Some(posterior) = &analysis.posterior else {
            return;
        };
        let plain = plain_difference(&session.ends);
        for at in 0..2 {
            let (truth, call, axis) = (session.truth[at], calls[at], &posterior.axes[at]);
            let one = |yes: bool| f64::from(u8::from(yes));
            let side = matches!(call, Some(-1 | 1));
            self.sides += one(side);
            self.sides_right += one(side && f64::from(call.unwrap_or(0)) * truth > 0.0);
            self.far += one(truth.abs() > 60.0);
            self.far_decided += one(truth.abs() > 60.0 && side);
            self.neutral += one(call == Some(0));
            self.neutral_right += one(call == Some(0) && truth.abs() <= tolerance);
            self.near += one(truth.abs() < 25.0);
            self.near_neutral += one(truth.abs() < 25.0 && call == Some(0));
            self.near_side += one(truth.abs() < 25.0 && side);
            self.axes += 1.0;
            let below = axis.below(truth);
            self.in_68 += one((0.16..=0.84).contains(&below));
            self.in_95 += one((0.025..=0.975).contains(&below));
            self.squares += (axis.mean_mm - truth).powi(2);
            self.plain_squares += (plain[at] - truth).powi(2);
        }
        let named = |shot: &(u32, u64)| {
            let outliers = &analysis.reading.outliers;
            outliers
                .iter()
                .any(|outlier| (outlier.end, outlier.id) == *shot)
        };
        let caught = session.outliers.iter().filter(|shot| named(shot)).count();
        self.outliers += session.outliers.len() as f64;
        self.outliers_named += caught as f64;
        self.good += (session.shots - session.outliers.len()) as f64;
        self.good_named += (analysis.reading.outliers.len() - caught) as f64;
    }
}

fn count(
    seed: u64,
    sessions: usize,
    ends: usize,
    shots: &[usize],
    assumptions: &Assumptions,
) -> Counts {
    let mut random = Random(seed);
    let mut counts = Counts::default();
    for at in 0..sessions {
        let session = draw(&mut random, ends, shots[at % shots.len()]);
        let analysis = analyse_with(&session.ends.iter().collect::<Vec<_>>(), assumptions);
        counts.add(&session, &analysis, assumptions.tolerance_30m_mm);
    }
    counts
}

/// Counts of a few sessions inside wide limits: three standard errors about what long runs showed.
#[test]
fn calls_and_intervals_hold_the_truth() {
    let assumptions = Assumptions::embedded().unwrap();
    for (ends, sessions, seed) in [(1, 240, 41), (4, 60, 42)] {
        let c = count(seed, sessions, ends, &[3, 4, 6], &assumptions);
        let share = |part: f64, whole: f64| part / whole.max(1.0);
        let allowance = |p: f64, n: f64| 3.0 * (p * (1.0 - p) / n.max(1.0)).sqrt();
        println!("{ends} ends: {c:?}");
        assert!(share(c.sides_right, c.sides) > 0.98 - allowance(0.98, c.sides));
        assert!(share(c.neutral_right, c.neutral) > 0.97 - allowance(0.97, c.neutral));
        assert!((share(c.in_95, c.axes) - 0.95).abs() < 0.01 + allowance(0.95, c.axes));
        assert!((share(c.in_68, c.axes) - 0.68).abs() < 0.02 + allowance(0.68, c.axes));
        assert!(share(c.far_decided, c.far) > 0.87 - allowance(0.87, c.far));
        assert!(share(c.good_named, c.good) < 0.012 + allowance(0.012, c.good));
    }
}

/// The long run. Not part of the quick tests: some minutes. `BOSSMARK_SESSIONS` sets how many sessions a row has.
#[test]
#[ignore = "minutes; prints a table"]
fn table() {
    let mut assumptions = Assumptions::embedded().unwrap();
    let sessions = std::env::var("BOSSMARK_SESSIONS").map_or(600, |text| text.parse().unwrap());
    for (tolerance, seed) in [(50.0, 2026), (30.0, 2027)] {
        assumptions.tolerance_30m_mm = tolerance;
        for ends in [1, 2, 4] {
            for shots in [3, 4, 6] {
                let seed = seed * 100 + 10 * ends as u64 + shots as u64;
                let c = count(seed, sessions / ends, ends, &[shots], &assumptions);
                let percent = |part: f64, whole: f64| 100.0 * part / whole.max(1.0);
                println!(
                    "tolerance {tolerance}, {ends} x {shots}: side right {:.1}, far decided {:.1}, neutral right {:.1}, near \
                     neutral {:.1}, near called a side {:.1}, 68/95: {:.1}/{:.1}, rmse {:.1} (plain means {:.1}), outliers {:.1} \
                     false {:.2}",
                    percent(c.sides_right, c.sides),
                    percent(c.far_decided, c.far),
                    percent(c.neutral_right, c.neutral),
                    percent(c.near_neutral, c.near),
                    percent(c.near_side, c.near),
                    percent(c.in_68, c.axes),
                    percent(c.in_95, c.axes),
                    (c.squares / c.axes).sqrt(),
                    (c.plain_squares / c.axes).sqrt(),
                    percent(c.outliers_named, c.outliers),
                    percent(c.good_named, c.good),
                );
            }
        }
    }
}

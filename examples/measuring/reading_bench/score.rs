//! Counting calls, intervals and errors, and printing them against what they have to reach.

use super::population::Session;
use super::welch::Difference;
use bossmark::reading::{Analysis, Assumptions, HorizontalCall, VerticalCall};
use bossmark::record::Hand;

/// A truth this far from zero should get its side called, mm.
const FAR_MM: f64 = 60.0;
/// A truth this near to zero should be called neutral, and never a side, mm.
const NEAR_MM: f64 = 25.0;

/// One axis as called.
#[derive(Clone, Copy)]
struct Called {
    truth: f64,
    tolerance: f64,
    /// 1, −1, 0 for neutral; `None` undecided.
    call: Option<i8>,
    fine_neutral: bool,
    below_truth: f64,
    error: f64,
}

/// One session as called, by the reading and by plain means.
pub(crate) struct SessionScore {
    reading: [Called; 2],
    welch: [Called; 2],
    outliers: usize,
    outliers_named: usize,
    good: usize,
    good_named: usize,
    odd: bool,
    sigma: f64,
}

impl SessionScore {
    pub(crate) fn of(
        session: &Session,
        analysis: &Analysis,
        plain: &[Difference; 2],
        assumptions: &Assumptions,
    ) -> Self {
        let posterior = analysis.posterior.as_ref().expect("both kinds are there");
        let calls = calls(analysis);
        let tolerance = assumptions.tolerance_30m_mm;
        let fine = assumptions.fine_tolerance_30m_mm;
        let fewest = posterior.fletched.min(posterior.bare) as f64;
        let shown = assumptions.neutral_from(fewest);
        let reading = [0, 1].map(|at: usize| {
            let (truth, axis) = (session.truth[at], &posterior.axes[at]);
            Called {
                truth,
                tolerance,
                call: calls[at],
                fine_neutral: axis.within(fine) >= shown,
                below_truth: axis.below(truth),
                error: axis.mean_mm - truth,
            }
        });
        let welch = [0, 1].map(|at: usize| {
            let (truth, difference) = (session.truth[at], &plain[at]);
            let within = |limit: f64| difference.below(limit) - difference.below(-limit);
            Called {
                truth,
                tolerance,
                call: by_rule(difference, fewest, tolerance, assumptions),
                fine_neutral: within(fine) >= shown,
                below_truth: difference.below(truth),
                error: difference.mean - truth,
            }
        });
        let named = &analysis.reading.outliers;
        let caught = named
            .iter()
            .filter(|f| session.outliers.contains(&(f.end, f.id)))
            .count();
        let shots: usize = session.ends.iter().map(|end| end.entries.len()).sum();
        Self {
            reading,
            welch,
            outliers: session.outliers.len(),
            outliers_named: caught,
            good: shots - session.outliers.len(),
            good_named: named.len() - caught,
            odd: session.odd.is_some(),
            sigma: session.sigma,
        }
    }
}

/// The rule of the calls, on what plain means say.
fn by_rule(
    difference: &Difference,
    shots: f64,
    tolerance: f64,
    assumptions: &Assumptions,
) -> Option<i8> {
    let below = |limit: f64| difference.below(limit);
    let inside = below(tolerance) - below(-tolerance);
    let odds = assumptions.side_odds;
    if inside >= assumptions.neutral_from(shots) {
        Some(0)
    } else if 1.0 - inside <= assumptions.side_outside_probability {
        None
    } else if 1.0 - below(tolerance) >= odds * below(0.0) {
        Some(1)
    } else if below(-tolerance) >= odds * (1.0 - below(0.0)) {
        Some(-1)
    } else {
        None
    }
}

/// The calls of a reading as signs of the offset.
fn calls(analysis: &Analysis) -> [Option<i8>; 2] {
    let reading = &analysis.reading;
    let weak = if reading.hand == Some(Hand::Right) {
        1
    } else {
        -1
    };
    let x = match reading.horizontal.call {
        HorizontalCall::Weak => Some(weak),
        HorizontalCall::Stiff => Some(-weak),
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

/// A share with the number it is of.
#[derive(Clone, Copy, Default)]
struct Share {
    part: f64,
    whole: f64,
}

impl Share {
    fn count(&mut self, of_these: bool, yes: bool) {
        self.whole += f64::from(u8::from(of_these));
        self.part += f64::from(u8::from(of_these && yes));
    }

    fn percent(self) -> f64 {
        100.0 * self.part / self.whole.max(1.0)
    }

    /// Standard error in percent.
    fn error(self) -> f64 {
        let p = self.part / self.whole.max(1.0);
        100.0 * (p * (1.0 - p) / self.whole.max(1.0)).sqrt()
    }
}

/// Figures of one method over some sessions.
#[derive(Clone, Copy, Default)]
struct Figures {
    side_right: Share,
    decided: Share,
    neutral_right: Share,
    near_neutral: Share,
    near_neutral_fine: Share,
    near_side: Share,
    in_68: Share,
    in_95: Share,
    squares: f64,
    fourth: f64,
}

impl Figures {
    fn add(&mut self, axis: &Called) {
        let (truth, size) = (axis.truth, axis.truth.abs());
        let side = matches!(axis.call, Some(-1 | 1));
        let neutral = axis.call == Some(0);
        let right = f64::from(axis.call.unwrap_or(0)) * truth > 0.0;
        self.side_right.count(side, right);
        self.decided.count(size > FAR_MM, side);
        self.neutral_right.count(neutral, size <= axis.tolerance);
        self.near_neutral.count(size < NEAR_MM, neutral);
        self.near_neutral_fine
            .count(size < NEAR_MM, axis.fine_neutral);
        self.near_side.count(size < NEAR_MM, side);
        let p = axis.below_truth;
        self.in_68.count(true, (0.16..=0.84).contains(&p));
        self.in_95.count(true, (0.025..=0.975).contains(&p));
        self.squares += axis.error.powi(2);
        self.fourth += axis.error.powi(4);
    }

    fn rmse(&self) -> f64 {
        (self.squares / self.in_95.whole.max(1.0)).sqrt()
    }

    /// Standard error of the rmse, from how the squares scatter.
    fn rmse_error(&self) -> f64 {
        let n = self.in_95.whole.max(1.0);
        let mean = self.squares / n;
        let variance = (self.fourth / n - mean * mean).max(0.0) / n;
        variance.sqrt() / (2.0 * mean.sqrt())
    }
}

/// Reading and plain means over the sessions of one number of ends.
#[derive(Clone, Default)]
struct Row {
    reading: Figures,
    welch: Figures,
    outliers: Share,
    false_outliers: Share,
}

impl Row {
    fn add(&mut self, scores: &SessionScore) {
        scores
            .reading
            .iter()
            .for_each(|axis| self.reading.add(axis));
        scores.welch.iter().for_each(|axis| self.welch.add(axis));
        self.outliers.part += scores.outliers_named as f64;
        self.outliers.whole += scores.outliers as f64;
        self.false_outliers.part += scores.good_named as f64;
        self.false_outliers.whole += scores.good as f64;
    }
}

/// All of one number of ends.
pub(crate) struct Table {
    all: Row,
    by_shots: Vec<(usize, Row)>,
    by_kind: Vec<(&'static str, Row)>,
    sessions: usize,
    seconds: f64,
}

impl Table {
    pub(crate) fn of(scores: &[(usize, SessionScore)], seconds: f64) -> Self {
        let mut table = Self {
            all: Row::default(),
            by_shots: super::SHOTS.iter().map(|&n| (n, Row::default())).collect(),
            by_kind: [
                "no odd arrow",
                "odd arrow",
                "scatter 15-25",
                "25-40",
                "40-60",
                "above 60",
            ]
            .map(|name| (name, Row::default()))
            .to_vec(),
            sessions: scores.len(),
            seconds,
        };
        for (n, one) in scores {
            table.all.add(one);
            if let Some((_, row)) = table.by_shots.iter_mut().find(|(shots, _)| shots == n) {
                row.add(one);
            }
            let scatter = match one.sigma {
                s if s < 25.0 => 2,
                s if s < 40.0 => 3,
                s if s < 60.0 => 4,
                _ => 5,
            };
            table.by_kind[usize::from(one.odd)].1.add(one);
            table.by_kind[scatter].1.add(one);
        }
        table
    }
}

/// What a figure has to reach, for one, two and four ends.
struct Bar {
    name: &'static str,
    least: [f64; 3],
    most: [f64; 3],
    /// Value and standard error.
    figure: fn(&Row) -> (f64, f64),
}

const NO_LEAST: [f64; 3] = [0.0; 3];
const NO_MOST: [f64; 3] = [f64::INFINITY; 3];

fn bars() -> Vec<Bar> {
    fn of(share: Share) -> (f64, f64) {
        (share.percent(), share.error())
    }
    let bar = |name, least, most, figure| Bar {
        name,
        least,
        most,
        figure,
    };
    vec![
        bar("side calls right %", [98.5, 99.4, 99.6], NO_MOST, |r| {
            of(r.reading.side_right)
        }),
        bar("|d| > 60 decided %", [88.5, 93.5, 96.0], NO_MOST, |r| {
            of(r.reading.decided)
        }),
        bar("neutral calls right %", [97.5; 3], NO_MOST, |r| {
            of(r.reading.neutral_right)
        }),
        bar(
            "|d| < 25 called neutral %",
            [24.0, 49.0, 68.0],
            NO_MOST,
            |r| of(r.reading.near_neutral),
        ),
        bar(
            "the same at tolerance 30 %",
            [3.5, 13.0, 30.0],
            NO_MOST,
            |r| of(r.reading.near_neutral_fine),
        ),
        bar("truth inside 68 %", [66.0, 66.0, 65.0], [71.0; 3], |r| {
            of(r.reading.in_68)
        }),
        bar("truth inside 95 %", [94.0; 3], [97.0; 3], |r| {
            of(r.reading.in_95)
        }),
        bar("rmse mm", NO_LEAST, [41.5, 29.3, 22.0], |r| {
            (r.reading.rmse(), r.reading.rmse_error())
        }),
        bar(
            "|d| < 25 called a side %",
            NO_LEAST,
            [10.0, 6.5, 6.5],
            |r| of(r.reading.near_side),
        ),
        bar("outliers named %", [41.0, 0.0, 58.0], NO_MOST, |r| {
            of(r.outliers)
        }),
        bar("good shots named outliers %", NO_LEAST, [1.2; 3], |r| {
            of(r.false_outliers)
        }),
    ]
}

/// Prints everything of one set of seeds.
pub(crate) fn print(tables: &[(usize, Table)]) {
    for bar in bars() {
        print!("{:<28}", bar.name);
        for (ends, table) in tables {
            let column = match ends {
                1 => 0,
                2 => 1,
                _ => 2,
            };
            let (value, error) = (bar.figure)(&table.all);
            let (least, most) = (bar.least[column], bar.most[column]);
            let short = (least - value).max(value - most);
            let mark = if short <= 0.0 {
                "ok"
            } else if short <= error {
                "within 1 se"
            } else {
                "SHORT"
            };
            let wanted = match (least > 0.0, most.is_finite()) {
                (true, true) => format!("{least}-{most}"),
                (true, false) => format!(">= {least}"),
                (false, true) => format!("<= {most}"),
                (false, false) => String::new(),
            };
            print!("  {value:6.2} +/-{error:4.2} {wanted:>8} {mark:<11}");
        }
        println!();
    }
    println!();
    let plain = |row: &Row| line(&row.welch);
    for (ends, table) in tables {
        println!(
            "{ends} end(s), {} sessions, {:.0} s",
            table.sessions, table.seconds
        );
        println!("{HEAD}");
        println!("{:<16}{}", "all", line(&table.all.reading));
        println!("{:<16}{}", "  Welch", plain(&table.all));
        for (n, row) in &table.by_shots {
            println!("{:<16}{}", format!("{ends} x {n}"), line(&row.reading));
            println!("{:<16}{}", "  Welch", plain(row));
        }
        for (name, row) in &table.by_kind {
            println!("{name:<16}{}", line(&row.reading));
        }
    }
}

const HEAD: &str = "                  side right   decided  neutral right  near neutral (fine)  near side  68/95        rmse";

fn line(f: &Figures) -> String {
    format!(
        "{:12.1}{:10.1}{:15.1}{:14.1} ({:4.1}){:11.1}  {:4.1}/{:4.1}{:10.1}",
        f.side_right.percent(),
        f.decided.percent(),
        f.neutral_right.percent(),
        f.near_neutral.percent(),
        f.near_neutral_fine.percent(),
        f.near_side.percent(),
        f.in_68.percent(),
        f.in_95.percent(),
        f.rmse()
    )
}

//! What the same ends give without the reading: plain means and Welch's t.

use super::population::Session;
use bossmark::record::ArrowKind;
use statrs::distribution::{ContinuousCDF, StudentsT};

/// Difference of the means on one axis with its standard error and degrees of freedom.
pub(crate) struct Difference {
    pub(crate) mean: f64,
    error: f64,
    df: f64,
}

impl Difference {
    /// P(d < limit), d − mean distributed as t times the standard error.
    pub(crate) fn below(&self, limit: f64) -> f64 {
        StudentsT::new(0.0, 1.0, self.df)
            .expect("degrees of freedom")
            .cdf((limit - self.mean) / self.error)
    }
}

/// Bare minus fletched on both axes; over several ends each kind's variance is pooled about its means in each end.
pub(crate) fn compare(session: &Session) -> [Difference; 2] {
    [0, 1].map(|axis: usize| {
        let [fletched, bare] =
            [ArrowKind::Fletched, ArrowKind::Bare].map(|kind| pooled(session, kind, axis));
        let (a, b) = (
            fletched.variance / fletched.count,
            bare.variance / bare.count,
        );
        Difference {
            mean: bare.mean - fletched.mean,
            error: (a + b).sqrt(),
            df: (a + b).powi(2) / (a * a / fletched.free + b * b / bare.free),
        }
    })
}

struct Group {
    mean: f64,
    variance: f64,
    count: f64,
    free: f64,
}

fn pooled(session: &Session, kind: ArrowKind, axis: usize) -> Group {
    let (mut means, mut squares, mut count) = (0.0, 0.0, 0.0);
    for end in &session.ends {
        let places: Vec<f64> = end
            .entries
            .iter()
            .filter(|entry| entry.kind == kind)
            .map(|entry| [entry.x_mm, entry.y_mm][axis])
            .collect();
        let n = places.len() as f64;
        let mean = places.iter().sum::<f64>() / n;
        means += mean;
        squares += places
            .iter()
            .map(|place| (place - mean).powi(2))
            .sum::<f64>();
        count += n;
    }
    let ends = session.ends.len() as f64;
    Group {
        mean: means / ends,
        variance: squares / (count - ends),
        count,
        free: count - ends,
    }
}

//! The figures of many bows.

use crate::play::{Outcome, Played};

/// What a policy did on all bows of a draw.
pub(crate) struct Figures {
    bows: f64,
    declared: f64,
    /// Ends of those rightly declared, ascending.
    ends: Vec<usize>,
    falsely_declared: f64,
    far_false: f64,
    at_limits: f64,
    changes: f64,
    wrong_way: f64,
    cut: f64,
    overshoots: f64,
    contradictions: f64,
    ungated: f64,
    inside: Option<[f64; 2]>,
}

impl Figures {
    pub(crate) fn of(all: &[Played]) -> Self {
        let count =
            |which: &dyn Fn(&Played) -> bool| all.iter().filter(|p| which(p)).count() as f64;
        let declared = |p: &Played| p.outcome == Outcome::DeclaredInTune;
        let made = || all.iter().flat_map(|p| &p.changes);
        let mut ends: Vec<usize> = all
            .iter()
            .filter(|p| declared(p) && p.within(1.0))
            .map(|p| p.ends)
            .collect();
        ends.sort_unstable();
        let misses: Vec<f64> = made().filter_map(|m| m.miss()).collect();
        let inside =
            |sd: f64| misses.iter().filter(|m| **m <= sd).count() as f64 / misses.len() as f64;
        Self {
            bows: all.len() as f64,
            declared: count(&declared),
            ends,
            falsely_declared: count(&|p| declared(p) && !p.within(1.0)),
            far_false: count(&|p| declared(p) && !p.within(1.5)),
            at_limits: count(&|p| p.outcome == Outcome::AtLimits),
            changes: made().count() as f64,
            wrong_way: made().filter(|m| m.wrong_way()).count() as f64,
            cut: made().map(|m| m.cut()).sum(),
            overshoots: made().filter(|m| m.overshoots()).count() as f64,
            ungated: all.iter().map(|p| p.ungated as f64).sum(),
            contradictions: all.iter().map(|p| p.contradictions as f64).sum(),
            inside: (!misses.is_empty()).then(|| [inside(1.0), inside(2.0)]),
        }
    }

    /// Share of the bows in tune and said so, %.
    pub(crate) fn in_tune(&self) -> f64 {
        100.0 * self.ends.len() as f64 / self.bows
    }

    /// Share of those declared that were declared falsely, %.
    pub(crate) fn false_share(&self) -> f64 {
        100.0 * self.falsely_declared / self.declared.max(1.0)
    }

    /// Share of the changes that went the wrong way, %.
    pub(crate) fn wrong_share(&self) -> f64 {
        100.0 * self.wrong_way / self.changes.max(1.0)
    }

    /// One line of the table.
    pub(crate) fn line(&self, name: &str) -> String {
        let quantile = |q: f64| {
            let at = (q * self.ends.len() as f64) as usize;
            self.ends
                .get(at.min(self.ends.len().saturating_sub(1)))
                .copied()
                .unwrap_or(0)
        };
        let by = |most: usize| {
            100.0 * self.ends.iter().filter(|e| **e <= most).count() as f64 / self.bows
        };
        let inside = self.inside.map_or_else(
            || " -  -".to_owned(),
            |[one, two]| format!("{:.0} {:.0}", 100.0 * one, 100.0 * two),
        );
        format!(
            "{name:<34} {:5.1} {:5.1} {:5.1} | {:5.1} {:5.1} | {:3} {:3} | {:5.2} {:6.3} | {:5.1} | {inside} | {:4.1} {:4.1} {:4.2} {:3}",
            self.in_tune(),
            by(20),
            by(10),
            self.false_share(),
            100.0 * self.far_false / self.declared.max(1.0),
            quantile(0.5),
            quantile(0.9),
            self.cut / self.bows,
            self.overshoots / self.bows,
            self.wrong_share(),
            self.changes / self.bows,
            100.0 * self.at_limits / self.bows,
            self.contradictions / self.bows,
            self.ungated,
        )
    }
}

/// What the columns are.
pub(crate) const HEAD: &str = concat!(
    "                                    true  <=20  <=10 | false   far | end 90% |   cut   past ",
    "| wrong | 1sd 2sd | changes limits contradicted ungated"
);

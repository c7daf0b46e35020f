//! An evening's bows, their runs of one set-up, and the ends of each run: what a report shows.

use super::FaceLook;
use crate::advice::{Advice, Expect};
use crate::reading::Reading;
use crate::record::{End, SettingChange, Setup};

/// The contents of a report.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ReportInput {
    /// Title of the page; empty: made from the records.
    pub title: String,
    /// The bows, each with its own report.
    pub bows: Vec<BowReport>,
    /// Files that could not be used, and why.
    pub problems: Vec<Problem>,
    /// Whether details are printed too; on the screen they are folded.
    pub full: bool,
}

/// A file that could not be used.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// The file's name.
    pub file: String,
    /// One sentence: what is wrong, and what to do.
    pub text: String,
}

/// One archer's bow.
#[derive(Clone, Debug, PartialEq)]
pub struct BowReport {
    /// Archer and bow, in words.
    pub label: String,
    /// The advice that stands now, with the newest run's reading.
    pub advice_now: Advice,
    /// The runs of one set-up that the report shows, oldest first.
    pub runs: Vec<RunReport>,
    /// The reading of each set-up of this bow on each day, oldest first.
    pub trend: Vec<TrendPoint>,
}

/// The reading of one set-up at one distance on one day.
#[derive(Clone, Debug, PartialEq)]
pub struct TrendPoint {
    /// Number of the set-up among this bow's, from 1.
    pub number: usize,
    /// The day as the records write it, `YYYY-MM-DD`; `None` where they don't say.
    pub day: Option<String>,
    /// What was changed against the set-up before; empty except at a set-up's first point.
    pub changes: Vec<SettingChange>,
    /// The reading of that day's ends alone.
    pub reading: Reading,
}

/// Ends shot one after the other with the same set-up.
#[derive(Clone, Debug, PartialEq)]
pub struct RunReport {
    /// Its number among this bow's set-ups, from 1.
    pub number: usize,
    /// The set-up, as far as known.
    pub setup: Option<Setup>,
    /// What the face looks like; `None`: drawn plain from the records.
    pub face: Option<FaceLook>,
    /// What was changed against the run before; empty for the first.
    pub changes: Vec<SettingChange>,
    /// The ends, oldest first.
    pub ends: Vec<EndReport>,
    /// The reading of this run's ends.
    pub reading: Reading,
    /// The advice as it stood after this run, from it and the runs before.
    pub advice: Advice,
    /// What the change that began this run did to the offset; `None` for the first run.
    pub effect: Option<Effect>,
}

/// One end with its marked photo.
#[derive(Clone, Debug, PartialEq)]
pub struct EndReport {
    /// Name of the photo or record.
    pub file: String,
    /// True for an end of an earlier day, which counts but isn't shown.
    pub earlier: bool,
    /// The record.
    pub end: End,
    /// The photo with its marks as a JPEG; `None` for an end measured with a tape.
    pub marked_jpeg: Option<Vec<u8>>,
}

/// The effect of a change: the shift of the offset between two runs, mm at the distance shot, not mirrored by hand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Effect {
    /// The expected shift; `None` where no advice predicts it.
    pub expected: Option<Expect>,
    /// The measured shift, with the standard deviation of the difference.
    pub seen: Expect,
}

impl Effect {
    /// The effect of `changes` between two readings. The expected shift comes from the advice before them: its next step (and those
    /// to be done together with it), scaled to the change that was made. `None` without two offsets,
    /// or where the distance changed too.
    #[must_use]
    pub fn between(
        before: &Reading,
        advised: &Advice,
        changes: &[SettingChange],
        after: &Reading,
    ) -> Option<Self> {
        let (a, b) = (before.offset?, after.offset?);
        if !same_distance(before.distance_m, after.distance_m) {
            return None;
        }
        Some(Self {
            expected: expected(advised, changes),
            seen: Expect {
                x_mm: b.x_mm - a.x_mm,
                y_mm: b.y_mm - a.y_mm,
                sd_x_mm: Some(a.sd_x_mm.hypot(b.sd_x_mm)),
                sd_y_mm: Some(a.sd_y_mm.hypot(b.sd_y_mm)),
            },
        })
    }
}

fn same_distance(a: Option<f64>, b: Option<f64>) -> bool {
    match (a, b) {
        (Some(a), Some(b)) => (a - b).abs() < 0.5,
        (None, None) => true,
        _ => false,
    }
}

/// Sum of the shifts expected from the advised steps, each scaled by the part of it that was made. `None` where a change was made
/// that the advice doesn't mention: then the sum is unknown.
fn expected(advised: &Advice, changes: &[SettingChange]) -> Option<Expect> {
    let steps = || {
        advised
            .next
            .iter()
            .chain(&advised.also)
            .chain(&advised.others)
    };
    let mut sum = [0.0; 4];
    let mut any = false;
    for change in changes {
        // the draw weight goes with the bolts: the advice names one of the two, the archer may have noted both
        if change.setting == "draw_weight_lb"
            && changes.iter().any(|c| c.setting == "bolt_turns_out")
        {
            continue;
        }
        let step = steps().find(|s| moves(s.setting.as_deref(), s.bolt_quarter_turns, change))?;
        let made = change.amount()?;
        let planned = match step.bolt_quarter_turns {
            Some(quarters) if change.setting == "bolt_turns_out" => -quarter_turns(quarters) / 4.0,
            _ => step.amount?,
        };
        let share = made / planned;
        let e = step.expect?;
        if !share.is_finite() {
            return None;
        }
        sum[0] += share * e.x_mm;
        sum[1] += share * e.y_mm;
        sum[2] += (share * e.sd_x_mm.unwrap_or(0.0)).powi(2);
        sum[3] += (share * e.sd_y_mm.unwrap_or(0.0)).powi(2);
        any = true;
    }
    any.then(|| Expect {
        x_mm: sum[0],
        y_mm: sum[1],
        sd_x_mm: Some(sum[2].sqrt()),
        sd_y_mm: Some(sum[3].sqrt()),
    })
}

fn moves(setting: Option<&str>, quarters: Option<i64>, change: &SettingChange) -> bool {
    setting == Some(change.setting) || (quarters.is_some() && change.setting == "bolt_turns_out")
}

/// Quarter turns as a number (a bolt has a few dozen at most).
fn quarter_turns(quarters: i64) -> f64 {
    f64::from(i32::try_from(quarters).unwrap_or(0))
}

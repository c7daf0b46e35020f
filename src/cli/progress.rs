//! A progress bar on stderr, for people.

use super::terminal::harmless;
use crate::measure::Stage;
use indicatif::{HumanDuration, ProgressBar, ProgressDrawTarget, ProgressState, ProgressStyle};
use std::fmt::Write;
use std::io::IsTerminal;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

/// Template of the bar: photos done, entries found, bar, time left, current work.
const TEMPLATE: &str = "{pos}/{len} photos, {prefix:12} {bar:24} {left:9}  {wide_msg}";

/// Progress over some photos: photos done, entries found, time left. Silent unless stderr is a terminal.
#[derive(Debug)]
pub(super) struct Progress {
    bar: ProgressBar,
    entries: AtomicUsize,
}

impl Progress {
    /// Progress over this many photos.
    #[must_use]
    pub(super) fn new(photos: usize) -> Self {
        let terminal = std::io::stderr().is_terminal()
            && std::env::var_os("TERM").is_none_or(|term| term != "dumb");
        let target = if terminal && photos > 0 {
            ProgressDrawTarget::stderr()
        } else {
            ProgressDrawTarget::hidden()
        };
        let bar = ProgressBar::with_draw_target(u64::try_from(photos).ok(), target);
        if let Ok(style) = ProgressStyle::with_template(TEMPLATE) {
            bar.set_style(style.with_key("left", remaining_time));
        }
        bar.set_prefix("0 entries");
        bar.enable_steady_tick(Duration::from_millis(100));
        Self {
            bar,
            entries: AtomicUsize::new(0),
        }
    }

    /// A stage of one photo has ended.
    pub(super) fn stage(&self, photo: &str, stage: Stage) {
        let doing = match stage {
            Stage::Photo => "looking for the face",
            Stage::Camera => "looking for shafts",
            Stage::Shafts => "done",
        };
        let photo = harmless(photo, false);
        self.bar.set_message(format!("{photo}: {doing}"));
    }

    /// One photo has ended, with this many entries.
    pub(super) fn done(&self, entries: usize) {
        let all = self.entries.fetch_add(entries, Ordering::Relaxed) + entries;
        self.bar.set_prefix(format!("{all} entries"));
        self.bar.inc(1);
    }

    /// Calls `write`, which may write to the streams, while the bar is hidden.
    pub(super) fn suspended<R>(&self, write: impl FnOnce() -> R) -> R {
        self.bar.suspend(write)
    }

    /// All photos have ended; the bar is removed.
    pub(super) fn finish(&self) {
        self.bar.finish_and_clear();
    }
}

/// The remaining time, from the first finished photo on.
fn remaining_time(state: &ProgressState, out: &mut dyn Write) {
    if state.pos() > 0 {
        // writing into a line of text doesn't fail
        let _ = write!(out, "{:#} left", HumanDuration(state.eta()));
    }
}

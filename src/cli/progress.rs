//! A progress bar on stderr, where a person watches.

use crate::road::Stage;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::IsTerminal;
use std::time::Duration;

/// Progress over some photos. Silent unless stderr is a terminal.
#[derive(Debug)]
pub(super) struct Progress {
    bar: ProgressBar,
}

impl Progress {
    /// Progress over this many photos.
    #[must_use]
    pub(super) fn new(photos: usize) -> Self {
        let target = if std::io::stderr().is_terminal() && photos > 0 {
            ProgressDrawTarget::stderr()
        } else {
            ProgressDrawTarget::hidden()
        };
        let bar = ProgressBar::with_draw_target(u64::try_from(photos).ok(), target);
        if let Ok(style) = ProgressStyle::with_template("{pos}/{len} photos {wide_bar} {msg}") {
            bar.set_style(style);
        }
        bar.enable_steady_tick(Duration::from_millis(100));
        Self { bar }
    }

    /// A stage of one photo has ended.
    pub(super) fn stage(&self, photo: &str, stage: Stage) {
        let doing = match stage {
            Stage::Photo => "looking for the face",
            Stage::Camera => "looking for shafts",
            Stage::Shafts => "done",
        };
        self.bar.set_message(format!("{photo}: {doing}"));
    }

    /// One photo has ended.
    pub(super) fn done(&self) {
        self.bar.inc(1);
    }

    /// All have; the bar goes away.
    pub(super) fn finish(&self) {
        self.bar.finish_and_clear();
    }
}

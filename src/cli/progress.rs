//! The progress bar: on standard error, only on a terminal, only when the work is long.

use std::sync::OnceLock;
use std::time::Duration;

use indicatif::{HumanDuration, ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::pipeline::Watch;

/// Nothing is shown for work that is done within this time: a bar that flashes by tells nobody anything.
const QUIET_FOR: Duration = Duration::from_millis(1500);

/// Bytes of takes done against bytes of all takes.
#[derive(Default)]
pub(super) struct Progress {
    hidden: bool,
    bar: OnceLock<ProgressBar>,
}

impl Progress {
    pub(super) fn new(hidden: bool) -> Progress {
        Progress {
            hidden,
            bar: OnceLock::new(),
        }
    }

    pub(super) fn end(&self) {
        if let Some(bar) = self.bar.get() {
            bar.finish_and_clear();
        }
    }
}

impl Watch for Progress {
    fn begin(&self, takes: usize, bytes: u64) {
        let bar = ProgressBar::with_draw_target(Some(bytes), ProgressDrawTarget::hidden());
        let template = format!("{{bar:30}} {{percent}} % of {takes} takes, about {{left}} left");
        if let Ok(style) = ProgressStyle::with_template(&template) {
            bar.set_style(style.progress_chars("=> ").with_key(
                "left",
                |state: &indicatif::ProgressState, w: &mut dyn std::fmt::Write| {
                    let _ = write!(w, "{}", HumanDuration(state.eta()));
                },
            ));
        }
        let _ = self.bar.set(bar);
    }

    fn done(&self, bytes: u64) {
        let Some(bar) = self.bar.get() else { return };
        // indicatif keeps silent by itself when standard error is no terminal.
        if !self.hidden && bar.is_hidden() && bar.elapsed() > QUIET_FOR {
            bar.set_draw_target(ProgressDrawTarget::stderr());
        }
        bar.inc(bytes);
    }
}

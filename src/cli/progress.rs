//! Bars on the terminal, one for each file at work.

use std::time::Duration;

use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::output;

/// How often bars are drawn anew.
const TICK: Duration = Duration::from_millis(250);

/// All bars of a run; draws nothing where nobody watches.
#[derive(Debug)]
pub struct Progress {
    bars: MultiProgress,
    /// Below the bars of the files: how many of them are done.
    whole: Option<ProgressBar>,
}

impl Progress {
    /// For one file; bars are drawn if `wanted` and the error output is a terminal.
    pub fn new(wanted: bool) -> Self {
        Self::of(wanted, 1)
    }

    /// The same for some files; where there are several, a bar of its own counts them.
    pub fn of(wanted: bool, files: usize) -> Self {
        let target =
            if wanted && output::is_watched() { ProgressDrawTarget::stderr() } else { ProgressDrawTarget::hidden() };
        let bars = MultiProgress::with_draw_target(target);
        let whole = (files > 1).then(|| {
            let bar = bars.add(ProgressBar::new(files as u64));
            if let Ok(style) = ProgressStyle::with_template("{pos} of {len} files done  {elapsed} so far") {
                bar.set_style(style);
            }
            tick(&bar);
            bar
        });
        Self { bars, whole }
    }

    /// One more file is done.
    pub fn done(&self) {
        if let Some(whole) = &self.whole {
            whole.inc(1);
        }
    }

    /// A bar for a file of `len` bytes; it goes away when dropped.
    pub fn start(&self, name: String, len: u64) -> Running {
        let bar = ProgressBar::new(len);
        let bar = match &self.whole {
            Some(whole) => self.bars.insert_before(whole, bar),
            None => self.bars.add(bar),
        };
        if let Ok(style) =
            ProgressStyle::with_template("{wide_msg} [{bar:24}] {percent:>3} %  {bytes_per_sec:>12}  {eta:>4} left")
        {
            bar.set_style(style.progress_chars("=> "));
        }
        bar.set_message(name);
        // Short files are done before a bar could be read.
        tick(&bar);
        Running(bar)
    }

    /// Runs `print` with the bars out of the way.
    pub fn aside<T>(&self, print: impl FnOnce() -> T) -> T {
        self.bars.suspend(print)
    }
}

/// Draws `bar` anew from time to time, by a thread of its own; a bar that nobody sees needs none.
fn tick(bar: &ProgressBar) {
    if !bar.is_hidden() {
        bar.enable_steady_tick(TICK);
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        if let Some(whole) = &self.whole {
            whole.finish_and_clear();
        }
    }
}

/// The bar of one file.
#[derive(Debug)]
pub struct Running(ProgressBar);

impl Running {
    /// Moves the bar to `done` bytes.
    pub fn at(&self, done: u64) {
        self.0.set_position(done);
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        self.0.finish_and_clear();
    }
}

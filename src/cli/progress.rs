//! Bars on the terminal, one for each file at work.

use std::time::Duration;

use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::output;

/// All bars of a run; draws nothing where nobody watches.
#[derive(Debug)]
pub struct Progress(MultiProgress);

impl Progress {
    /// Bars are drawn if `wanted` and the error output is a terminal.
    pub fn new(wanted: bool) -> Self {
        let target =
            if wanted && output::is_watched() { ProgressDrawTarget::stderr() } else { ProgressDrawTarget::hidden() };
        Self(MultiProgress::with_draw_target(target))
    }

    /// A bar for a file of `len` bytes; it goes away when dropped.
    pub fn start(&self, name: String, len: u64) -> Running {
        let bar = self.0.add(ProgressBar::new(len));
        if let Ok(style) =
            ProgressStyle::with_template("{wide_msg} [{bar:24}] {percent:>3} %  {bytes_per_sec:>12}  {eta:>4} left")
        {
            bar.set_style(style.progress_chars("=> "));
        }
        bar.set_message(name);
        // Short files are done before a bar could be read.
        bar.enable_steady_tick(Duration::from_millis(250));
        Running(bar)
    }

    /// Runs `print` with the bars out of the way.
    pub fn aside<T>(&self, print: impl FnOnce() -> T) -> T {
        self.0.suspend(print)
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

//! What the screw is told, added up.

use crate::units::Bounded;

/// Account of the screw.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ScrewAccount {
    /// Pushed along beads, mm³, net.
    pub beads_mm3: f64,
    /// Beads, or pieces of them, that push nothing or turn back: they only move.
    pub hollow: u64,
    /// Pushed by turns of the screw that stay as the file has them, mm³, net.
    pub kept_mm3: f64,
    /// Pushed at rest before runs of beads, mm³.
    pub charged_mm3: f64,
    /// Turned back at rest behind them, mm³.
    pub relieved_mm3: f64,
    /// Turns at rest, forward and back.
    pub charges: u64,
    /// Turns back at rest.
    pub reliefs: u64,
    /// The file's own reversals and refills that were taken out.
    pub replaced: u64,
    /// Let out while travelling and waiting, as the model has it, mm³. A controller makes up for what a reversal that stays
    /// draws back.
    pub drooled_mm3: f64,
    /// Longest time without a bead, s.
    pub longest_idle_s: f64,
    /// Lines of turns at rest.
    pub turn_lines: u64,
    /// Between screw and nozzle now, mm³.
    pub stored_mm3: f64,
    /// Pushed out at the park position, mm³.
    pub purged_mm3: f64,
    /// Most that was pushed at one time, mm³, net, but for purges: no new granules go in for what was turned back.
    pub fed_mm3: f64,
}

impl ScrewAccount {
    /// A bead, or a piece of one, pushes `volume`.
    #[inline]
    pub fn lay(&mut self, volume: f64) {
        self.hollow += u64::from(volume <= 0.0);
        self.beads_mm3 += volume;
        self.feed();
    }

    /// A turn that stays as the file has it pushes `volume`.
    #[inline]
    pub fn keep(&mut self, volume: f64) {
        self.kept_mm3 += volume;
        self.feed();
    }

    /// A turn at rest before a run pushes `volume`.
    #[inline]
    pub fn charge(&mut self, volume: f64) {
        self.charged_mm3 += volume;
        self.charges += 1;
        self.feed();
    }

    #[inline]
    fn feed(&mut self) {
        self.fed_mm3 = self.fed_mm3.at_least(self.pushed_mm3());
    }

    /// All that was pushed so far, net, mm³.
    #[inline]
    pub fn pushed_mm3(&self) -> f64 {
        self.beads_mm3 + self.kept_mm3 + (self.charged_mm3 - self.relieved_mm3)
    }
}

//! The plan of moves that wait, followed back from their end: each hill of speeds up to its peak.

use crate::units::Bounded;

/// Marks a chord that is followed by another of the same arc.
pub(super) const GOES_ON: u32 = u32::MAX;

/// A move that waits for what comes behind it. Speeds are squared, mm²/s².
#[derive(Clone, Copy, Debug)]
pub(super) struct Waiting {
    /// Most at its start, for all that came before.
    pub(super) start: f64,
    /// Most anywhere.
    pub(super) cruise: f64,
    /// Change over its length: 2 a L.
    pub(super) ramp: f64,
    /// Most at its start in the calm plan.
    pub(super) calm_start: f64,
    /// Change over its length in the calm plan.
    pub(super) calm_ramp: f64,
    /// Length, mm.
    pub(super) length: f64,
    /// Acceleration, mm/s².
    pub(super) accel: f64,
    /// As in [`super::Timing::by_length`], of the corner at its start.
    pub(super) by_length: f32,
    /// Steps without motion behind it, or [`GOES_ON`].
    pub(super) behind: u32,
}

impl Waiting {
    /// The machine at rest behind the last move.
    pub(super) const REST: Self = Self {
        start: 0.0,
        cruise: 0.0,
        ramp: 0.0,
        calm_start: 0.0,
        calm_ramp: 0.0,
        length: 0.0,
        accel: 0.0,
        by_length: f32::INFINITY,
        behind: 0,
    };
}

/// The plan behind a move, followed back to its end. Squared speeds, mm²/s².
#[derive(Clone, Copy, Debug)]
pub(super) struct Behind {
    pub(super) start: f64,
    pub(super) calm: f64,
    /// Peak of the calm plan's next hill.
    pub(super) peak: f64,
}

impl Behind {
    /// The machine at rest.
    pub(super) const REST: Self = Self { start: 0.0, calm: 0.0, peak: 0.0 };
}

/// The plan at the start of a move. Squared speeds, mm²/s².
#[derive(Clone, Copy, Debug)]
pub(super) struct Here {
    pub(super) start: f64,
    pub(super) calm: f64,
    /// Fastest start from which the calm plan can brake to what is behind.
    pub(super) calm_reach: f64,
    pub(super) calm_ramp: f64,
}

impl Waiting {
    #[inline]
    pub(super) fn plan(&self, behind: Behind) -> Here {
        let calm_reach = behind.calm + self.calm_ramp;
        Here {
            start: self.start.at_most(behind.start + self.ramp),
            calm: self.calm_start.at_most(calm_reach),
            calm_reach,
            calm_ramp: self.calm_ramp,
        }
    }
}

impl Here {
    /// The calm plan need not brake all along the move.
    #[inline]
    pub(super) fn rises(&self) -> bool {
        self.calm < self.calm_reach
    }

    /// It need not speed up all along the move either.
    #[inline]
    pub(super) fn turns(&self, behind: Behind) -> bool {
        self.calm + self.calm_ramp > behind.calm
    }

    /// Its highest point inside the move, where nothing else bounds that.
    #[inline]
    pub(super) fn peak(&self) -> f64 {
        0.5 * (self.calm + self.calm_reach)
    }
}

/// Plans the falling side of a hill: no move of it speeds up, and none is above the peak.
pub(super) fn descend(run: &mut [Waiting], peak: f64) {
    let mut most = peak;
    for step in run {
        most = most.at_most(step.start);
        step.cruise = step.cruise.at_most(most);
        step.start = most;
    }
}

//! Grams at full hours.

use serde::Serialize;

use super::Stamp;

/// Most marks that are kept; of more, every second one goes.
pub const MOST_MARKS: usize = 48;
/// Seconds of an hour.
pub(super) const HOUR_S: f64 = 3600.0;

/// What was fed at a full hour.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct HourMark {
    /// Hours since the start of the print.
    pub hour: u64,
    /// Fed since the start, g.
    pub used_g: f64,
}

/// Keeps the grams at multiples of `step` hours; the step doubles when there are too many.
#[derive(Clone, Debug)]
pub(super) struct Hours {
    step: u64,
    marks: Vec<HourMark>,
    /// When the next mark is due, s.
    due_s: f64,
}

impl Default for Hours {
    fn default() -> Self {
        Self { step: 1, marks: Vec::new(), due_s: HOUR_S }
    }
}

impl Hours {
    /// The print goes on evenly between two moments.
    #[inline]
    pub fn advance(&mut self, from: Stamp, to: Stamp) {
        if self.is_due(to) {
            self.mark(from, to);
        }
    }

    /// Whether a mark is due by then.
    #[inline]
    pub fn is_due(&self, to: Stamp) -> bool {
        self.due_s <= to.time_s
    }

    fn mark(&mut self, from: Stamp, to: Stamp) {
        let span = to.time_s - from.time_s;
        while self.due_s <= to.time_s && span > 0.0 {
            let hour = self.next();
            let share = ((self.due_s - from.time_s) / span).clamp(0.0, 1.0);
            let used_g = from.used_g + share * (to.used_g - from.used_g);
            self.marks.push(HourMark { hour, used_g });
            if self.marks.len() > MOST_MARKS {
                self.step *= 2;
                let step = self.step;
                self.marks.retain(|mark| mark.hour % step == 0);
            }
            // Hours beyond what can be told apart in seconds are beyond any print as well.
            self.due_s = if self.next() < 1 << 40 { self.next() as f64 * HOUR_S } else { f64::INFINITY };
        }
    }

    /// The hour of the next mark.
    fn next(&self) -> u64 {
        self.marks.last().map_or(0, |mark| mark.hour).saturating_add(self.step)
    }

    /// The marks, in order.
    pub fn finish(self) -> Vec<HourMark> {
        self.marks
    }
}

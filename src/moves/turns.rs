//! What turns of the screw along an output curve give, once it is known how long they take.

use super::resolve::{Rules, new_melt};
use super::{Kind, Move};
use crate::profile::Output;

/// Reads turns of the screw as the volumes that they push at the speed the controller makes of them.
///
/// The resolver knows the speed that is asked for alone. On short ways the screw turns slower, and a turn gives more or
/// less than at that speed.
#[derive(Clone, Debug)]
pub struct Turns {
    output: Output,
    e_leads: bool,
    drawn_back: f64,
    /// Volume that has left the nozzle so far, mm³.
    pub laid: f64,
}

impl Turns {
    /// Of a file whose E counts turns along a curve.
    pub fn of(rules: &Rules) -> Option<Self> {
        let output = rules.turns_give.clone()?;
        Some(Self { output, e_leads: rules.e_leads, drawn_back: 0.0, laid: 0.0 })
    }

    /// What turns push that take `time` s, mm³. `None`: they take no time.
    pub fn volume(&self, turns: f64, time: f64) -> Option<f64> {
        (time > 0.0).then(|| turns * self.output.per_turn_at_mm3(60.0 * turns.abs() / time))
    }

    /// Puts the volumes of the next moves right. `times`: how long they take, s. Turns at rest keep the volume of the
    /// speed asked for, which they reach at once.
    pub fn restate(&mut self, steps: &mut [Move], times: impl Iterator<Item = f64>) {
        for (step, time) in steps.iter_mut().zip(times) {
            if !step.has(Move::SCREW) || step.e == 0.0 || step.kind == Kind::SetE {
                continue;
            }
            if step.length > 0.0
                && let Some(volume) = self.volume(step.e, time)
            {
                step.volume = volume;
            }
            (step.melt, self.drawn_back) = new_melt(step.kind, step.volume, self.drawn_back, self.e_leads);
            self.laid += step.melt;
        }
    }
}

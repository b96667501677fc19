//! Whether the fan does what the profile's cooling counts on.
//!
//! What is laid with the fan on is told from the volume at each switch, so that moves cost nothing.

use super::words::{Command, Words};
use crate::findings::{Code, Findings, Place};

/// Heat transfer of still air, at most, W/(m²·K): the upper end of free convection in gases, Incropera and DeWitt,
/// Fundamentals of Heat and Mass Transfer, table 1.1.
const STILL_AIR_W_M2_K: f64 = 25.0;
/// Share of the volume laid without the fan from which it counts as off.
const MOSTLY: f64 = 0.95;
/// Share of the volume laid with the fan from which it counts as on.
const HALF: f64 = 0.5;
/// The first layers are often laid without a fan; a print of as few layers says nothing.
const FIRST_LAYERS: u32 = 5;

/// Follows the part fan.
#[derive(Clone, Debug)]
pub struct Fan {
    /// What the profile says the air takes, W/(m²·K), where layers get time to cool.
    counts_on: Option<f64>,
    share: f64,
    since_mm3: f64,
    on_mm3: f64,
    /// The file switches it.
    is_switched: bool,
    /// Another fan runs, or something else may switch this one.
    is_unknown: bool,
}

impl Fan {
    /// A fan at rest. `counts_on`: what the profile says the air takes, W/(m²·K), where layers get time to cool.
    pub fn new(counts_on: Option<f64>) -> Self {
        Self { counts_on, share: 0.0, since_mm3: 0.0, on_mm3: 0.0, is_switched: false, is_unknown: false }
    }

    /// Follows an M command; `laid_mm3`: volume laid so far.
    pub fn m_command(&mut self, command: Command, words: &Words, laid_mm3: f64) {
        let share = match command.tenths {
            1060 => words.get(b'S').map_or(1.0, |s| if s > 1.0 { s / 255.0 } else { s }),
            1070 => 0.0,
            _ => return,
        };
        if words.get(b'P').is_some_and(|p| p != 0.0) {
            self.is_unknown |= share > 0.0;
            return;
        }
        self.is_switched = true;
        self.close(laid_mm3);
        self.share = share;
    }

    /// A named command that may switch a fan.
    pub fn named(&mut self) {
        self.is_unknown = true;
    }

    fn close(&mut self, laid_mm3: f64) {
        if self.share > 0.0 {
            self.on_mm3 += laid_mm3 - self.since_mm3;
        }
        self.since_mm3 = laid_mm3;
    }

    /// Says what does not fit, at the end of a file of `layers` layers.
    pub fn finish(&mut self, laid_mm3: f64, layers: u32, findings: &mut Findings) {
        self.close(laid_mm3);
        let Some(air) = self.counts_on.filter(|_| self.is_switched && !self.is_unknown) else { return };
        if layers <= FIRST_LAYERS || laid_mm3 <= 0.0 {
            return;
        }
        let on = self.on_mm3 / laid_mm3;
        let place = |detail: String| Place::of_file(detail);
        let still = air <= STILL_AIR_W_M2_K;
        if !still && on < 1.0 - MOSTLY {
            let off = 100.0 * (1.0 - on);
            findings
                .add(Code::FanOff, || place(format!("off for {off:.0} % of the volume; {air} W/(m² K) counted on")));
        } else if still && on >= HALF {
            let on = 100.0 * on;
            findings.add(Code::FanOn, || place(format!("on for {on:.0} % of the volume; {air} W/(m² K) counted on")));
        }
    }
}

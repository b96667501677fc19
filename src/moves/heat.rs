//! Whether the melt is warm when the screw turns, and the nozzle within the range of the feedstock.
//!
//! What a macro sets and waits for is not known: behind one nothing is said.

use super::Kind;
use super::controller::Found;
use super::words::{Command, Words};
use crate::findings::Code;

/// A nozzle set higher than it was waited for by more than this may still be too cold, °C: common practice, no source.
const HEAD_START_C: f64 = 20.0;
/// Dwells from this length on count as a wait for heat, s.
const LONG_DWELL_S: f64 = 30.0;

/// Follows the heater of the nozzle.
#[derive(Clone, Debug)]
pub struct Heat {
    /// The next turn of the screw has to be looked at.
    pub pending: bool,
    /// Lowest and highest nozzle temperature of the feedstock, °C.
    range_c: [f64; 2],
    /// What is set, °C; `None` before the first.
    set_c: Option<f64>,
    /// Highest temperature that was waited for, °C.
    waited_c: Option<f64>,
    /// The tool's temperature was given by `G10`; the tool change waits for it.
    by_tool: bool,
    /// Something else may have set the temperature last.
    is_unknown: bool,
    /// The screw has turned.
    has_turned: bool,
    /// Temperatures out of the range that were told.
    told_c: Vec<f64>,
}

impl Heat {
    /// A cold machine. `range_c`: lowest and highest nozzle temperature of the feedstock, °C.
    pub fn new(range_c: [f64; 2]) -> Self {
        Self {
            pending: true,
            range_c,
            set_c: None,
            waited_c: None,
            by_tool: false,
            is_unknown: false,
            has_turned: false,
            told_c: Vec::new(),
        }
    }

    /// Follows an M command. `tool`: the active one.
    pub fn m_command(&mut self, command: Command, words: &Words, tool: u32) {
        let is_own = words.get(b'T').is_none_or(|t| t == f64::from(tool));
        match command.tenths {
            1040 | 1090 if is_own => {
                if let Some(c) = words.get(b'S').or_else(|| words.get(b'R')) {
                    self.set(c);
                }
                if command.tenths == 1090 {
                    self.waited();
                }
            }
            // Waits for heaters, for a tool, or for the user, who may see to the heat.
            0 | 10 | 60 | 250 | 1160 | 2260 | 6000 | 6010 => self.waited(),
            _ => {}
        }
    }

    /// Follows a G command. `dwell_s`: what a `G4` waits.
    pub fn g_command(&mut self, command: Command, words: &Words, tool: u32, dwell_s: f64) {
        match (command.tenths, words.get(b'P'), words.get(b'S')) {
            (100, Some(p), Some(c)) if p == f64::from(tool) => {
                self.set(c);
                self.by_tool = true;
            }
            (40, ..) if dwell_s >= LONG_DWELL_S => self.waited(),
            _ => {}
        }
    }

    /// A tool was taken up.
    pub fn tool(&mut self) {
        if self.by_tool {
            self.waited();
        }
    }

    /// A macro ran: it may have set and waited for anything.
    pub fn macro_ran(&mut self) {
        self.is_unknown = true;
        self.has_turned = true;
    }

    fn set(&mut self, c: f64) {
        self.set_c = Some(c);
        self.is_unknown = false;
        self.pending = true;
    }

    fn waited(&mut self) {
        if let Some(c) = self.set_c.filter(|c| *c > 0.0) {
            self.waited_c = Some(self.waited_c.map_or(c, |waited| waited.max(c)));
        }
    }

    /// Looks at a move that turns the screw.
    pub fn turn(&mut self, kind: Kind, found: &mut Vec<Found>) {
        self.pending = kind != Kind::Bead;
        if self.is_unknown {
            self.pending = false;
            return;
        }
        let [least, most] = self.range_c;
        let set = self.set_c.filter(|c| *c > 0.0);
        if !std::mem::replace(&mut self.has_turned, true) {
            match (set, self.waited_c) {
                (None, None) => found.push(Found::new(Code::NoHeat, "no nozzle temperature before the first turn")),
                (Some(set), None) => {
                    found.push(Found::new(Code::HeatNotWaited, format!("set to {set} °C, not waited for")));
                }
                (Some(set), Some(waited)) if waited < least && set > waited + HEAD_START_C => {
                    found.push(Found::new(Code::HeatNotWaited, format!("set to {set} °C, waited for {waited} °C")));
                }
                _ => {}
            }
        }
        // Without any setting at all, that was told.
        let Some(c) = self.set_c.filter(|c| kind == Kind::Bead && !(least..=most).contains(c)) else { return };
        if (c > 0.0 || self.waited_c.is_some()) && !self.told_c.contains(&c) && self.told_c.len() < MOST_TOLD {
            self.told_c.push(c);
            let set = if c > 0.0 { format!("set to {c} °C") } else { "heater off".to_owned() };
            found.push(Found::new(Code::NozzleTemperature, format!("{set}, {least} to {most} °C for the feedstock")));
        }
    }
}

/// Temperatures that are told apart; a file that steps through hundreds needs no more.
const MOST_TOLD: usize = 64;

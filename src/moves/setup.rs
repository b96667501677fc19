//! Whether a file sets up what its beads rely on: units of length, and a part fan that the feedstock bears.

use super::Kind;
use super::controller::Found;
use super::words::{Command, Words};
use crate::findings::Code;
use crate::profile::{Preset, Profile};

/// No bead is laid lower than this above the bed, mm; in inches it would be half a millimetre.
const LEAST_FIRST_Z_MM: f64 = 0.02;
/// Shares of the fan closer than this are the same: files count it in 255 steps.
const FAN_STEP: f64 = 0.005;

/// Whether a file says in which unit it counts. Most say nothing and mean millimetres, which is no matter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Units {
    /// It has not, and has not moved either.
    Open,
    /// It has moved in whatever unit was in force; its first bead is yet to come.
    Moved,
    /// It has, or has been told of.
    Settled,
    /// Its beads have begun; a later word would be too late.
    Late,
}

/// What the file has set up so far.
#[derive(Clone, Debug)]
pub struct Setup {
    max_fan: Option<f64>,
    /// Part fan, 0..=1, until it is judged.
    new_fan: Option<f64>,
    fan_in_shares: bool,
    units: Units,
}

impl Setup {
    /// At the start of a file.
    pub fn new(profile: &Profile) -> Self {
        let controller = &profile.controller;
        let lists = [&controller.refused_commands, &controller.skipped_commands, &controller.optional_commands];
        let knows_inches = !lists.iter().any(|list| list.value.iter().any(|name| name == "G20"));
        Self {
            max_fan: profile.feedstock.max_fan_share.value,
            new_fan: None,
            fan_in_shares: controller.preset.value == Preset::Network,
            units: if knows_inches { Units::Open } else { Units::Settled },
        }
    }

    /// Whether the next moves have to be looked at.
    pub fn is_pending(&self) -> bool {
        self.new_fan.is_some() || matches!(self.units, Units::Open | Units::Moved)
    }

    /// Takes an M command.
    pub fn m_command(&mut self, command: Command, words: &Words) {
        let of_full = match command.tenths {
            1060 => words.get(b'S').map_or(1.0, |s| if self.fan_in_shares && s <= 1.0 { s } else { s / 255.0 }),
            1070 => 0.0,
            _ => return,
        };
        if self.max_fan.is_some() && words.get(b'P').is_none_or(|p| p == 0.0) {
            self.new_fan = Some(of_full);
        }
    }

    /// Takes a G command.
    pub fn g_command(&mut self, command: Command, found: &mut Vec<Found>) {
        if !matches!(command.tenths, 200 | 210) {
            return;
        }
        let before = std::mem::replace(&mut self.units, Units::Settled);
        // Millimetres that are stated late are what was meant before, too.
        if command.tenths == 200 && matches!(before, Units::Moved | Units::Late) {
            found.push(Found::new(Code::UnitsNotSet, "G20 comes only here"));
        }
    }

    /// Looks at a move while something is pending. `z`: its height; `turns`: a screw turns during it.
    pub fn step(&mut self, kind: Kind, length: f64, z: f64, turns: bool, found: &mut Vec<Found>) {
        if length > 0.0 && self.units == Units::Open {
            self.units = Units::Moved;
        }
        if kind != Kind::Bead {
            return;
        }
        if self.units == Units::Moved {
            self.units = Units::Late;
            if z > 0.0 && z < LEAST_FIRST_Z_MM {
                self.units = Units::Settled;
                let inches = z * 25.4;
                let detail = format!("the first bead lies at Z {z}: in inches that would be {inches:.2} mm");
                found.push(Found::new(Code::UnitsNotSet, detail));
            }
        }
        if turns
            && let (Some(fan), Some(most)) = (self.new_fan.take(), self.max_fan)
            && fan > most + FAN_STEP
        {
            let percent = |share: f64| (share * 100.0).round();
            found.push(Found::new(Code::FanTooStrong, format!("{} %, at most {} %", percent(fan), percent(most))));
        }
    }
}

//! Places that the controller keeps and goes back to, and coordinates with an origin of their own.
//!
//! Where the file itself says what they are, they are followed. Where only the controller knows, an axis counts as
//! nowhere until a line sends it to a stated place: no piece of a bead is written from a place that is a guess.

use super::{At, Resolver};
use crate::error::{Error, ErrorKind, Result};
use crate::findings::Code;
use crate::moves::state::State;
use crate::moves::words::{Command, Words};
use crate::profile::LimitWords;

/// Coordinate systems: `G54` to `G59`, and `G59.1` to `G59.3`.
const SYSTEMS: usize = 9;
/// Most places that any controller keeps.
const MOST_PLACES: f64 = 256.0;
/// Places that a network board itself sets, at pauses and at changes of tool (from memory).
const SET_BY_BOARD: [u32; 2] = [1, 2];

/// What the file has said of places and origins.
#[derive(Clone, Debug)]
pub(super) struct Places {
    kept: Vec<(u32, State)>,
    /// The system in force.
    system: usize,
    /// Origins of all systems, mm of the machine; `None` where the file does not say. The first is where a file begins.
    origins: [[Option<f64>; 3]; SYSTEMS],
}

impl Default for Places {
    fn default() -> Self {
        let mut origins = [[None; 3]; SYSTEMS];
        origins[0] = [Some(0.0); 3];
        Self { kept: Vec::new(), system: 0, origins }
    }
}

impl Places {
    /// Origin of an axis in the system in force, mm.
    fn origin(&self, axis: usize) -> Option<f64> {
        self.origins[self.system][axis]
    }

    fn kept(&self, place: Option<u32>) -> Option<&State> {
        let place = place?;
        self.kept.iter().find(|(number, _)| *number == place).map(|(_, state)| state)
    }
}

/// Where a line leads that is passed through as it is.
#[derive(Clone, Copy, Debug)]
pub(super) struct Leads {
    /// The place, mm.
    pub to: [f64; 3],
    /// Axes of which that is a guess.
    pub lost: [bool; 3],
}

/// The number of a place.
fn number_of(value: f64) -> Option<u32> {
    (value.fract() == 0.0 && (0.0..MOST_PLACES).contains(&value)).then_some(value as u32)
}

/// Whether axes are named: X, Y and Z.
fn named(words: &Words) -> [bool; 3] {
    [b'X', b'Y', b'Z'].map(|letter| words.mentions(letter))
}

impl Resolver {
    /// Whether `G60` keeps a place.
    pub(super) fn keeps_places(&self) -> bool {
        self.rules.limit_words != LimitWords::Named
    }

    /// Whether `G61` goes back to one.
    pub(super) fn goes_back(&self) -> bool {
        self.rules.limit_words == LimitWords::PerSecond
    }

    /// Whether an R on a straight line names a place that its words count from.
    pub(super) fn counts_from_places(&self, words: &Words) -> bool {
        self.rules.limit_words == LimitWords::PerMinute && words.mentions(b'R')
    }

    /// `G60`: the place where the head stands is kept; on boards, Q goes back to one and D forgets.
    pub(super) fn keep_place(&mut self, words: &Words, at: At<'_>) -> Result<()> {
        if self.goes_back() && words.mentions(b'Q') {
            return self.go_back(words, b'Q', at);
        }
        if words.mentions(b'D') {
            self.places.kept.clear();
            return Ok(());
        }
        let Some(place) = number_of(words.get(b'S').unwrap_or(0.0)) else { return Ok(()) };
        self.places.kept.retain(|(number, _)| *number != place);
        self.places.kept.push((place, self.state.clone()));
        Ok(())
    }

    /// `G61`: back to a place that was kept, along the axes that are named, or all. `letter`: before its number.
    pub(super) fn go_back(&mut self, words: &Words, letter: u8, at: At<'_>) -> Result<()> {
        if words.mentions(self.rules.axis) {
            let what = "this line turns the extruder back to a count that was kept, which is not followed".to_owned();
            let help = "take the E out of it, and set the count with G92".to_owned();
            return Err(Error::new(ErrorKind::Unsupported { what, help }).at(at.all_words()));
        }
        let named = named(words);
        let named = if named == [false; 3] { [true; 3] } else { named };
        let kept = self.places.kept(number_of(words.get(letter).unwrap_or(0.0))).cloned();
        let mut leads = Leads { to: self.state.position, lost: [false; 3] };
        for (axis, word) in [b'X', b'Y', b'Z'].into_iter().enumerate().filter(|(axis, _)| named[*axis]) {
            // A number behind the letter leads beside the place (from memory): how, builds differ.
            let kept = kept.as_ref().filter(|_| words.get(word).is_none());
            self.lead_to_kept(kept, axis, 0.0, &mut leads);
        }
        self.pass_through(words, Some(leads), false, at)
    }

    /// A straight line whose words count from a place that was kept.
    pub(super) fn beside_kept(&mut self, words: &Words, machine: bool, at: At<'_>) -> Result<()> {
        let place = words.get(b'R').and_then(number_of).filter(|place| !SET_BY_BOARD.contains(place));
        let is_sure = self.state.absolute && !machine;
        let kept = self.places.kept(place.filter(|_| is_sure)).cloned();
        let (known, stated) = (self.state.known, self.state.stated);
        let mut leads = Leads { to: self.state.position, lost: [false; 3] };
        for (axis, letter) in [b'X', b'Y', b'Z'].into_iter().enumerate() {
            if let Some(beside) = words.get(letter) {
                self.lead_to_kept(kept.as_ref(), axis, beside * self.state.unit_mm, &mut leads);
            }
        }
        self.pass_through(words, Some(leads), true, at).inspect_err(|_| {
            (self.state.known, self.state.stated) = (known, stated);
        })
    }

    /// An axis is sent to a kept place, or beside it by so many mm.
    fn lead_to_kept(&mut self, kept: Option<&State>, axis: usize, beside: f64, leads: &mut Leads) {
        // Whether a place moves with the count of an axis, builds differ.
        match kept.filter(|kept| kept.offset[axis] == self.state.offset[axis] && kept.known[axis]) {
            Some(kept) => {
                leads.to[axis] = kept.position[axis] + beside;
                self.state.known[axis] = true;
                self.state.stated[axis] = kept.stated[axis];
            }
            None => leads.lost[axis] = true,
        }
    }

    /// Nobody knows any more where an axis stands.
    pub(super) fn lose(&mut self, axis: usize) {
        (self.state.known[axis], self.state.stated[axis]) = (false, false);
    }

    /// `G54` to `G59.3`: places count in another system from here on.
    pub(super) fn select_system(&mut self, tenths: u32, at: At<'_>) {
        let system = match tenths {
            540 | 550 | 560 | 570 | 580 | 590 => (tenths as usize - 540) / 10,
            591..=593 => tenths as usize - 591 + 6,
            _ => return,
        };
        let follows = |tenths| self.watch.follows(Command { letter: b'G', tenths });
        // What skips the second of them knows none.
        if system == self.places.system || !follows(tenths) || !follows(550) {
            return;
        }
        let to = self.places.origins[system];
        self.shift_origin(to, at);
        self.places.system = system;
    }

    /// `G10` with places of axes: sets the origin of a system (`L2`), or so that the head stands at a place in it (`L20`); else
    /// an offset of a tool, which only the controller knows all of.
    pub(super) fn set_origin(&mut self, words: &Words, at: At<'_>) {
        let named = named(words);
        if self.rules.limit_words != LimitWords::PerMinute || named == [false; 3] {
            return;
        }
        let system = match words.get(b'P') {
            None => Some(self.places.system),
            Some(number) => number_of(number).and_then(|number| (number as usize).checked_sub(1)),
        };
        let (is_origin, is_here) = (words.get(b'L') == Some(2.0), words.get(b'L') == Some(20.0));
        let system = system.filter(|system| (is_origin || is_here) && *system < SYSTEMS);
        let mut origins = self.places.origins[system.unwrap_or(self.places.system)];
        for (axis, letter) in [b'X', b'Y', b'Z'].into_iter().enumerate().filter(|(axis, _)| named[*axis]) {
            let value = words.get(letter).map(|value| value * self.state.unit_mm);
            let State { position, offset, known, offset_known, .. } = &self.state;
            // What `G92` has added holds in all systems.
            let here = self.places.origin(axis).filter(|_| known[axis] && offset_known[axis]);
            let here = here.map(|origin| position[axis] - offset[axis] + origin);
            origins[axis] = match value {
                Some(value) if system.is_some() && is_origin => Some(value),
                Some(value) if system.is_some() => here.map(|here| here - value),
                _ => None,
            };
        }
        if system.is_none_or(|system| system == self.places.system) {
            self.shift_origin(origins, at);
        }
        if let Some(system) = system {
            self.places.origins[system] = origins;
        }
    }

    /// Places count from other origins.
    fn shift_origin(&mut self, to: [Option<f64>; 3], at: At<'_>) {
        let mut lost = String::new();
        for (axis, to) in to.into_iter().enumerate() {
            match (self.places.origin(axis), to) {
                (Some(from), Some(to)) => self.state.offset[axis] += to - from,
                _ => {
                    self.lose(axis);
                    self.state.offset_known[axis] = false;
                    lost.extend([' ', char::from(b"XYZ"[axis])]);
                }
            }
        }
        if !lost.is_empty() {
            let text = String::from_utf8_lossy(at.text()).trim().to_owned();
            self.found(Code::PlaceUnknown, at, || format!("{text}, origin of{lost}"));
        }
        self.anchor();
    }

    /// What `G92` has added to an axis is gone.
    pub(super) fn forget_offset(&mut self, axis: usize) {
        let origin = self.places.origin(axis);
        self.state.offset[axis] = origin.unwrap_or(0.0);
        self.state.offset_known[axis] = origin.is_some();
    }
}

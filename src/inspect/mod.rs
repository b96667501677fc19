//! What of the moves of a file does not fit the machine and its screw, whatever the passes make of it.
//!
//! - [`reach`]: places outside of what the machine reaches.
//! - [`stops`]: starts, stops, idle times, drool.
//! - [`beads`]: beads against the nozzle, in an audit.
//!
//! Each takes a few comparisons a move and a few numbers of memory.

pub mod beads;
pub mod reach;
pub mod stops;

use crate::findings::{Findings, Place};
use crate::moves::arc::ArcPath;
use crate::moves::track::Track;
use crate::moves::{Move, Side};
use crate::profile::Profile;

use reach::Room;
pub use stops::StopFigures;
use stops::Stops;

/// A move as it is executed in the file.
#[derive(Clone, Copy, Debug)]
pub struct Seen<'a> {
    /// The move.
    pub step: &'a Move,
    /// Its path, where it is an arc.
    pub arc: Option<&'a ArcPath>,
    /// Its line, counted from 1.
    pub line: u64,
    /// Time it takes, s.
    pub seconds: f64,
    /// Time from the start of the print, s.
    pub elapsed_s: f64,
}

impl Seen<'_> {
    /// The place of the move, with a few words.
    pub fn place(&self, detail: String) -> Place {
        Place {
            line: self.line,
            layer: u64::from(self.step.layer),
            z_mm: self.step.z,
            time_s: Some(self.elapsed_s),
            detail,
        }
    }
}

/// Looks at every move of a file.
#[derive(Clone, Debug)]
pub struct Inspection {
    room: Option<Room>,
    stops: Stops,
    findings: Findings,
}

impl Inspection {
    /// At the start of a file. `screw_mm3_s`: most that the screw pushes, mm³/s; `e_leads`: E leads the flow, as this program
    /// writes it.
    pub fn new(profile: &Profile, screw_mm3_s: f64, e_leads: bool) -> Self {
        let stops = Stops::new(profile, screw_mm3_s, e_leads);
        Self { room: Room::new(profile), stops, findings: Findings::default() }
    }

    /// Looks at the moves of a block.
    pub fn block<'a>(&'a mut self, side: &'a Side) -> Looking<'a> {
        let track = self.room.is_some().then(|| Track::of(side));
        Looking { of: self, track }
    }

    /// Adds what was found; `total_mm3`: what the print lays; `is_mended`: an output makes good for the stops.
    pub fn finish(self, total_mm3: f64, is_mended: bool, findings: &mut Findings) -> StopFigures {
        findings.merge(self.findings);
        self.stops.finish(total_mm3, is_mended, findings)
    }
}

/// Looks at the moves of one block, in order.
#[derive(Debug)]
pub struct Looking<'a> {
    of: &'a mut Inspection,
    track: Option<Track<'a>>,
}

impl Looking<'_> {
    /// Looks at the next moves.
    #[inline]
    pub fn at_all<'b>(&mut self, moves: impl Iterator<Item = Seen<'b>> + Clone) {
        let Inspection { room, stops, findings } = &mut *self.of;
        if let (Some(room), Some(track)) = (room, &mut self.track) {
            moves.clone().for_each(|seen| room.at(&seen, track, findings));
        }
        stops.at_all(moves);
    }
}

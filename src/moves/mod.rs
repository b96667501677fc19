//! Meaning: from lines to a stream of moves.
//!
//! The resolver reads the words of a line against the modal state, checks the whole line, then commits. What
//! comes out is in mm, mm/s and mm³, whatever units and modes the file uses. One line gives at most one
//! [`Move`]; lines that neither move, wait nor set a feed give none.

pub mod arc;
pub mod controller;
pub mod fan;
pub mod heat;
pub mod known;
pub mod layers;
pub mod limits;
pub mod named;
pub mod notes;
pub mod resolve;
#[cfg(test)]
pub(crate) mod sample;
pub mod settings;
pub mod setup;
pub mod split;
pub mod state;
pub mod track;
pub mod turns;
pub mod words;

use arc::ArcPath;
use limits::MotionLimits;
use track::Anchor;

/// A refill may differ by this share from the reversal it ends: distances between absolute words are rounded.
const ROUNDED: f64 = 1e-4;

/// What a move does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Kind {
    /// Extrudes along a path.
    Bead,
    /// Moves without extrusion.
    Travel,
    /// Turns the extruder forward without motion.
    EIn,
    /// Turns the extruder back without motion.
    EOut,
    /// Turns the extruder along a path that lays nothing: back, or forward again while the head comes straight down.
    MovingTurn,
    /// Turns the extruder back by what the controller is set to, with no volume in the file (`G10` alone).
    SetEOut,
    /// Turns it forward again (`G11`).
    SetEIn,
    /// Waits.
    Dwell,
    /// Lets the machine come to a full stop: waiting for temperature or for the end of all motion.
    Stop,
    /// Stops the machine, which may then move by itself, nobody knows how long: waits for somebody, changes the material or the
    /// tool. The feed of the file must be in force before it, as before a [`Kind::FeedUser`].
    Pause,
    /// Homes axes or probes the bed, at feeds of its own.
    Home,
    /// Ends the program: what stands behind it may never be read. The feed of the file is put back before it.
    End,
    /// Sets the count of the extruder axis (`G92 E`) to [`Move::e_count`].
    SetE,
    /// The controller keeps the count of the extruder axis, or puts it back; which is the next of [`Side::counts`].
    KeptE,
    /// Sets limits of motion; the new ones are the next of [`Side::limits`].
    Limits,
    /// Sets the feed and nothing else.
    Feed,
    /// A command that may use the feed in force and is not followed further (a spline, a macro):
    /// the feed of the file must be in force before it.
    FeedUser,
}

/// What a bead is for, as far as the comments of the file say.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Default)]
#[repr(u8)]
pub enum Role {
    /// The file does not say.
    #[default]
    Unknown,
    /// Outermost perimeter.
    OuterPerimeter,
    /// Any other perimeter.
    InnerPerimeter,
    /// Perimeter in the air.
    Overhang,
    /// Sparse infill.
    Infill,
    /// Solid layer inside the part.
    SolidLayer,
    /// Solid layer that is seen from above.
    TopSurface,
    /// Solid layer that is seen from below.
    BottomSurface,
    /// Beads across a gap.
    Bridge,
    /// Narrow filling between perimeters.
    GapFill,
    /// Support.
    Support,
    /// The part of the support that touches the part.
    SupportInterface,
    /// Loops around the part, brim or raft.
    Skirt,
    /// A tower for priming and wiping.
    Tower,
    /// Anything else named in the file.
    Other,
}

impl Role {
    /// All roles, in the order of their numbers.
    pub const ALL: [Self; 15] = [
        Self::Unknown,
        Self::OuterPerimeter,
        Self::InnerPerimeter,
        Self::Overhang,
        Self::Infill,
        Self::SolidLayer,
        Self::TopSurface,
        Self::BottomSurface,
        Self::Bridge,
        Self::GapFill,
        Self::Support,
        Self::SupportInterface,
        Self::Skirt,
        Self::Tower,
        Self::Other,
    ];

    /// Whether it is one of the loops that bound a layer and are seen.
    pub const fn is_perimeter(self) -> bool {
        matches!(self, Self::OuterPerimeter | Self::InnerPerimeter | Self::Overhang)
    }

    /// The role in words.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Unknown => "not stated",
            Self::OuterPerimeter => "outer perimeter",
            Self::InnerPerimeter => "inner perimeter",
            Self::Overhang => "overhang",
            Self::Infill => "infill",
            Self::SolidLayer => "solid layer",
            Self::TopSurface => "top layer",
            Self::BottomSurface => "bottom layer",
            Self::Bridge => "bridge",
            Self::GapFill => "narrow filling",
            Self::Support => "support",
            Self::SupportInterface => "support contact",
            Self::Skirt => "skirt",
            Self::Tower => "priming tower",
            Self::Other => "other",
        }
    }
}

/// What becomes of a count of the extruder axis that the controller keeps in one of a few places.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum KeptCount {
    /// It is kept there.
    Keep(u8),
    /// The count is again what is kept there.
    PutBack(u8),
}

/// What a few moves of a block need beyond [`Move`], in the order of these moves.
#[derive(Clone, Debug, Default)]
pub struct Side {
    /// One for each move with [`Move::ARC`].
    pub arcs: Vec<ArcPath>,
    /// One for each [`Kind::Limits`].
    pub limits: Vec<MotionLimits>,
    /// One for each [`Kind::KeptE`].
    pub counts: Vec<KeptCount>,
    /// Where the machine stands before the first move of the block, and wherever else its position is set.
    pub anchors: Vec<Anchor>,
    /// Where comments state the height of the beads to come: index of the move before which it holds, and mm.
    pub heights: Vec<(usize, f64)>,
}

impl Side {
    /// Makes ready for the next block; the memory is kept.
    pub fn clear(&mut self) {
        self.arcs.clear();
        self.limits.clear();
        self.counts.clear();
        self.anchors.clear();
        self.heights.clear();
    }
}

/// One step of the machine, resolved from one line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Move {
    /// What it does.
    pub kind: Kind,
    /// What the bead is for.
    pub role: Role,
    /// Properties, see the constants.
    pub flags: u16,
    /// Decimals with which the F in force is spelled in the file.
    pub feed_decimals: u8,
    /// Index of its line in the block.
    pub line: u32,
    /// Offset in the block of the F word, or of the place where one goes in when `feed_len` is 0.
    pub feed_at: u32,
    /// Length of the F word in bytes; 0 when the line has none.
    pub feed_len: u16,
    /// Offset in the block of the E word; meaningless when `e_len` is 0.
    pub e_at: u32,
    /// Length of the E word in bytes; 0 when the line has none.
    pub e_len: u16,
    /// Decimals with which the E word is spelled.
    pub e_decimals: u8,
    /// Layer, counted from 1; 0 before the first bead.
    pub layer: u32,
    /// Where the extruder stands behind the line as the file counts it, E units.
    pub e_count: f64,
    /// Factor on E in force (`M221`).
    pub flow_factor: f64,
    /// Its end minus its start along X, Y and Z, mm.
    pub delta: [f64; 3],
    /// Path length, mm; along the arc for arcs; 0 without motion.
    pub length: f64,
    /// Travel of the extruder, units of E as scaled by the flow factor; signed.
    pub e: f64,
    /// Volume pushed, mm³; signed.
    pub volume: f64,
    /// Part of `volume` that is new melt: refills after a reversal do not count, mm³, never negative.
    pub melt: f64,
    /// F in force, mm per minute (E units per minute without motion), before the speed factor.
    pub feed_mm_min: f64,
    /// Factor on speeds in force (`M220`).
    pub speed_factor: f64,
    /// Commanded speed along the path, mm/s (E units per second without motion).
    pub speed: f64,
    /// Time of a wait, s; 0 for what moves.
    pub wait_s: f64,
    /// Height at its end, mm.
    pub z: f64,
}

impl Move {
    /// The path is an arc.
    pub const ARC: u16 = 1;
    /// The active tool is a screw; moves of other tools are left alone.
    pub const SCREW: u16 = 2;
    /// The line carries a checksum.
    pub const CHECKSUM: u16 = 4;
    /// The line is written as several.
    pub const SPLIT: u16 = 8;
    /// An F word cannot be added to the line: it goes on a line before.
    pub const FEED_BEFORE: u16 = 32;
    /// The line counts in inches.
    pub const INCH: u16 = 16;
    /// E counts distances here.
    pub const E_RELATIVE: u16 = 64;
    /// Positions on the line are distances.
    pub const RELATIVE: u16 = 1024;
    /// The line says what a unit of E is (`M200`).
    pub const E_UNIT: u16 = 2048;
    /// The line becomes a comment.
    pub const TAKE_OUT: u16 = 4096;
    /// The line sets units or modes itself, names other commands, holds a letter twice, or repeats the motion of an arc
    /// without naming it: lines put before it would count otherwise than it does, or change what it means.
    pub const BOUND: u16 = 8192;
    /// For one reason or the other, the line stays one line, and nothing is put before it.
    pub const FIXED: u16 = Self::NUMBERED | Self::CHECKSUM | Self::BOUND;
    /// A line that cannot be written as several: a spline, an arc of which an end is missing or off its circle, or whose centre
    /// is a position, or one that starts where no line has stated.
    pub const WHOLE: u16 = 512;
    /// The line repeats the motion `G0` without naming it; the last line that named it only turns E.
    pub const REPEATS_0: u16 = 16384;
    /// The same of `G1`.
    pub const REPEATS_1: u16 = 32768;
    /// The line starts with a line number.
    pub const NUMBERED: u16 = 128;
    /// The line is nearly as long as the controller reads: a new F must not be longer than the one it replaces.
    pub const TIGHT: u16 = 256;

    /// Whether it is a bead of the screw.
    #[inline]
    pub const fn is_screw_bead(&self) -> bool {
        matches!(self.kind, Kind::Bead) && self.has(Self::SCREW)
    }

    /// Whether the screw lays something with it.
    pub fn lays(&self) -> bool {
        self.is_screw_bead() && self.volume > 0.0
    }

    /// Whether it is of the screw, on a line that may be changed.
    pub const fn is_free(&self) -> bool {
        self.flags & (Self::SCREW | Self::FIXED) == Self::SCREW
    }

    /// Whether it is a reversal of the file's own, or its refill, without motion and without new melt, on a line that may be
    /// taken out.
    pub fn is_turn_alone(&self) -> bool {
        self.is_free()
            && match self.kind {
                Kind::EOut | Kind::SetEOut | Kind::SetEIn => true,
                Kind::EIn => self.melt <= ROUNDED * self.volume,
                _ => false,
            }
    }

    /// Whether it is a command that may move by itself, or the end of the program, before which lines may stand: all that the
    /// file has in force is put back before it.
    #[inline]
    pub fn runs_commands(&self) -> bool {
        matches!(self.kind, Kind::FeedUser | Kind::Pause | Kind::Home | Kind::End)
            && self.e == 0.0
            && self.flags & Self::FIXED == 0
    }

    /// Whether it is a macro or a pause before which no line may stand: it runs with what is in force.
    #[inline]
    pub fn is_fixed_command(&self) -> bool {
        matches!(self.kind, Kind::FeedUser | Kind::Pause) && self.e == 0.0 && self.flags & Self::FIXED != 0
    }

    /// Whether a flag is set.
    pub const fn has(&self, flag: u16) -> bool {
        self.flags & flag != 0
    }

    /// Millimetres for one unit of length on the line.
    pub fn unit_mm(&self) -> f64 {
        if self.has(Self::INCH) { 25.4 } else { 1.0 }
    }

    /// Distance the feed refers to: path length, or the extruder's own travel without motion.
    pub fn distance(&self) -> f64 {
        if self.length > 0.0 { self.length } else { self.e.abs() }
    }

    /// Area of the bead, mm²: extruded volume over path length. `None` where nothing is laid.
    pub fn bead_area(&self) -> Option<f64> {
        (self.kind == Kind::Bead).then(|| self.volume / self.length)
    }

    /// Volume flow at a given speed, mm³/s; 0 for moves that push nothing.
    pub fn flow_at(&self, speed: f64) -> f64 {
        let distance = self.distance();
        if distance > 0.0 { self.volume.abs() / distance * speed } else { 0.0 }
    }
}

//! What the lines so far have set: positions, units, modes, factors.

use super::arc::Plane;
use super::limits::MotionLimits;

/// Motion mode: what a line with axis words and no command does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Motion {
    /// `G0`.
    Rapid,
    /// `G1`.
    Linear,
    /// `G2` (clockwise) or `G3`.
    Arc {
        /// `G2`.
        clockwise: bool,
    },
}

/// The modal state. Lengths are mm whatever the units of the file.
#[derive(Clone, Debug, PartialEq)]
pub struct State {
    /// Position of the machine, mm.
    pub position: [f64; 3],
    /// What `G92` added: machine position minus the position as the file counts it, mm.
    pub offset: [f64; 3],
    /// Axes whose position is known: homed, or moved to a stated place.
    pub known: [bool; 3],
    /// Axes that a line has sent to a stated place, or whose count it has set: where homing leaves them, only the machine knows.
    pub stated: [bool; 3],
    /// Axes whose `offset` is known: what `G92` sets before that is not.
    pub offset_known: [bool; 3],
    /// Extruder as the file counts it, units of E.
    pub e: f64,
    /// mm for one unit of length in the file: 1, or 25.4 after `G20`.
    pub unit_mm: f64,
    /// Positions are absolute (`G90`).
    pub absolute: bool,
    /// E is absolute (`M82`); counts only while positions are absolute.
    pub e_absolute: bool,
    /// Centres of arcs are absolute (`G90.1`).
    pub absolute_centres: bool,
    /// Plane of arcs.
    pub plane: Plane,
    /// Motion mode; `None` before the first motion and after `G80`.
    pub motion: Option<Motion>,
    /// The last line that named it only turns E.
    pub named_by_e: bool,
    /// F in force, mm per minute, before the speed factor.
    pub feed_mm_min: f64,
    /// Decimals with which that F is spelled.
    pub feed_decimals: u8,
    /// Factor on speeds (`M220`).
    pub speed_factor: f64,
    /// Factor put aside by `M220 B`.
    pub kept_speed_factor: f64,
    /// Speed in force, mm/s: feed and factor together.
    pub speed_mm_s: f64,
    /// Factor on E (`M221`).
    pub flow_factor: f64,
    /// E is a volume, mm³ (`M200 D` above zero).
    pub volumetric: bool,
    /// Active tool.
    pub tool: u32,
    /// Limits of motion that the file has set.
    pub limits: MotionLimits,
}

impl State {
    /// The state in which a controller starts a file. `feed_mm_s`: feed in force before the first F word.
    pub fn new(feed_mm_s: f64) -> Self {
        Self {
            position: [0.0; 3],
            offset: [0.0; 3],
            known: [false; 3],
            stated: [false; 3],
            offset_known: [true; 3],
            e: 0.0,
            unit_mm: 1.0,
            absolute: true,
            e_absolute: true,
            absolute_centres: false,
            plane: Plane::Xy,
            motion: None,
            named_by_e: false,
            feed_mm_min: feed_mm_s * 60.0,
            feed_decimals: 1,
            speed_factor: 1.0,
            kept_speed_factor: 1.0,
            speed_mm_s: feed_mm_s,
            flow_factor: 1.0,
            volumetric: false,
            tool: 0,
            limits: MotionLimits::default(),
        }
    }

    /// Sets the feed in force.
    pub fn set_feed(&mut self, mm_min: f64, decimals: u8) {
        self.feed_mm_min = mm_min;
        self.feed_decimals = decimals;
        self.speed_mm_s = mm_min / 60.0 * self.speed_factor;
    }

    /// Sets the factor on speeds.
    pub fn set_speed_factor(&mut self, factor: f64) {
        self.speed_factor = factor;
        self.speed_mm_s = self.feed_mm_min / 60.0 * factor;
    }

    /// Where a line with these axis words ends, mm. `machine`: `G53` is on the line.
    pub fn target(&self, words: [Option<f64>; 3], machine: bool) -> [f64; 3] {
        let base = if machine { [0.0; 3] } else { self.base() };
        std::array::from_fn(|axis| words[axis].map_or(self.position[axis], |value| value * self.unit_mm + base[axis]))
    }

    /// Where axis words count from, mm: here, or where the file has its origin.
    #[inline]
    pub fn base(&self) -> [f64; 3] {
        if self.absolute { self.offset } else { self.position }
    }

    /// Whether an E word is a distance from here rather than a position.
    pub fn e_is_relative(&self) -> bool {
        !(self.absolute && self.e_absolute)
    }
}

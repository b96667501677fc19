//! What the soft part bears, layer by layer: how quickly the bed may move it, and how long it has to cool.
//!
//! A [`SoftPlanner`] takes the layers of a survey, lays them on a stand of columns, and asks the physics of the growing
//! part. What comes out, a [`SoftPlan`], is small for each layer and is what the passes need; beside it stand the figures
//! of bands of layers for the reader.
//!
//! Limits are those of the islands that are being printed: what was finished may sway. Loops around the part and
//! priming towers do not count. The stiffness is the low side of the band where it rests on hardness alone.

mod bands;
pub mod corners;
mod planner;
mod terms;

pub use bands::{Band, Bands};
pub use planner::SoftPlanner;
pub use terms::{BY_AXIS, Terms, lowers_corners, takes};

/// Limits of one layer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LayerLimits {
    /// Highest acceleration along X and Y, mm/s²; infinite where nothing sways.
    pub accel_mm_s2: [f32; 2],
    /// Largest jump of speed along X and Y, mm/s; infinite where nothing sways.
    pub step_mm_s: [f32; 2],
    /// Highest speed of beads for the drag of the nozzle, mm/s; infinite where it is not to be bounded.
    pub drag_mm_s: f32,
    /// Share of their speed to which perimeters are slowed so that the layer cools, above 0 to 1.
    pub perimeter_share: f32,
    /// The same for all other beads.
    pub bead_share: f32,
    /// Least time from the first bead of the layer to that of the next, s.
    pub least_s: f32,
}

impl LayerLimits {
    /// No limits.
    pub const FREE: Self = Self {
        accel_mm_s2: [f32::INFINITY; 2],
        step_mm_s: [f32::INFINITY; 2],
        drag_mm_s: f32::INFINITY,
        perimeter_share: 1.0,
        bead_share: 1.0,
        least_s: 0.0,
    };
}

/// Limits of all layers of a file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SoftPlan {
    /// By the number of the layer, from 1.
    layers: Vec<LayerLimits>,
    /// Least bead speed and flow to which beads are slowed for cooling, mm/s and mm³/s.
    pub least_mm_s: f64,
    /// The same as a flow, mm³/s.
    pub least_mm3_s: f64,
    /// Beads of the whole file.
    pub beads: u64,
    /// Figures by bands of layers.
    pub bands: Bands,
    /// Low side, middle and high side of the modulus of the warm stuff, MPa.
    pub modulus_mpa: [f64; 3],
    /// The machine moves the part along X and Y, where that is judged.
    pub moves: [bool; 2],
    /// X and Y beside all that is laid and on the bed, where there is such a place, mm of the machine.
    pub beside_mm: Option<[f64; 2]>,
    /// What is to be told.
    pub warnings: Vec<Warning>,
}

impl SoftPlan {
    /// A plan with these limits, from the first layer up.
    pub fn of_layers(layers: Vec<LayerLimits>, least_mm_s: f64, least_mm3_s: f64) -> Self {
        Self { layers, least_mm_s, least_mm3_s, beads: u64::MAX, ..Self::default() }
    }

    /// Limits of a layer, as moves number them.
    pub fn of(&self, layer: u32) -> &LayerLimits {
        layer.checked_sub(1).and_then(|index| self.layers.get(index as usize)).unwrap_or(&LayerLimits::FREE)
    }

    /// Whether any layer bounds an acceleration.
    pub fn sways(&self) -> bool {
        self.layers.iter().any(|layer| layer.accel_mm_s2.iter().any(|accel| accel.is_finite()))
    }

    /// Whether any layer is to take a least time.
    pub fn cools(&self) -> bool {
        self.layers.iter().any(|layer| layer.least_s > 0.0)
    }
}

/// Why a part cannot be printed well, with the place where that begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Warning {
    /// Number of the layer.
    pub layer: u32,
    /// Its height, mm.
    pub z_mm: f64,
    /// What is wrong.
    pub what: Trouble,
}

/// What is wrong with a part.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Trouble {
    /// It would need a lower acceleration than the least that is set.
    TooSoft {
        /// Acceleration it would bear where it is worst, mm/s².
        accel_mm_s2: f64,
        /// Least that is set, mm/s².
        least_mm_s2: f64,
    },
    /// It does not carry its own weight.
    TooHeavy {
        /// How many times its own weight it carries where it is worst.
        factor: f64,
    },
    /// The nozzle drags it further than it may sway.
    Dragged {
        /// By how much where it is worst, mm.
        by_mm: f64,
        /// How far it may go, mm.
        allowed_mm: f64,
        /// Speed at which it would be within that, mm/s.
        speed_mm_s: f64,
    },
    /// The controller's jumps of speed at corners shake it further than it may sway.
    Jolted {
        /// Largest jump it bears, mm/s.
        most_mm_s: f64,
        /// Jump the controller may still make, mm/s.
        step_mm_s: f64,
        /// Its rule is lowered, and cannot be set lower.
        is_lowered: bool,
    },
}

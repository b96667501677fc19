//! What stands where: islands, layer by layer, from the beads as they are laid.
//!
//! A [`Surveyor`] takes moves with their timings and gives a [`LayerRecord`] for each finished layer. Which beads belong
//! together, and what stands on what, is told on a raster ([`raster`], [`footprint`]); area, centroid and second moments
//! come from the beads themselves, each a rectangle as long as the bead and as wide as its area over the layer height.
//! Two footprints are alive: that of this layer and that of what stands below.
//!
//! What other tools than the screw lay is not surveyed: the file does not say how much it is. Positions are those of the
//! machine, the bed is at height 0.

mod drawn;
pub mod footprint;
mod joined;
mod pace;
pub mod raster;
mod section;
mod standing;
mod surveyor;
mod window;

pub use pace::{BeadSpeeds, Pace};
pub use surveyor::Surveyor;

/// How many records later something can still be built on an island, at other heights than the layers in between.
pub const RECORDS_BELOW: u32 = 8;

/// Something below that an island stands on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Footing {
    /// [`LayerRecord::index`] of its layer.
    pub record: u32,
    /// Its place in the islands of that layer.
    pub island: u32,
    /// Area that both cover, mm², in whole cells; 0 where the island is only near, and nothing is right below.
    pub overlap_mm2: f64,
}

/// Beads of one layer that touch each other.
///
/// Beads closer than a quarter of their width touch, and up to nine tenths of it they may: the raster cannot tell them apart.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Island {
    /// Height of its beads, mm: that of the layer, but where it stands on something lower than the layer before and its
    /// beads are then as wide as those of that.
    pub height_mm: f64,
    /// Area of its beads, mm²: their volume over their height. The width of a bead is counted up to six bores.
    pub area_mm2: f64,
    /// Centroid of this area, mm.
    pub centroid_mm: [f64; 2],
    /// Second moment for bending along Y, mm⁴: sum of dA times the square of the distance in Y from the centroid.
    pub ixx_mm4: f64,
    /// Second moment for bending along X, mm⁴: sum of dA times the square of the distance in X from the centroid.
    pub iyy_mm4: f64,
    /// Mixed moment, mm⁴: sum of dA times both distances.
    pub ixy_mm4: f64,
    /// Least X and Y of its beads, mm.
    pub low_mm: [f64; 2],
    /// Largest X and Y of its beads, mm.
    pub high_mm: [f64; 2],
    /// Volume of its beads, mm³.
    pub volume_mm3: f64,
    /// Length of its beads, mm, seen from above.
    pub bead_length_mm: f64,
    /// Mean width of its beads by length, mm.
    pub bead_width_mm: f64,
    /// Least width of its beads, mm; beads shorter than they are wide do not count, unless there are no others.
    pub bead_width_least_mm: f64,
    /// Part of the volume that is support, mm³.
    pub support_mm3: f64,
    /// Part of the volume that is loops around the part, brim or raft, mm³.
    pub skirt_mm3: f64,
    /// Part of the volume that is a tower for priming, mm³.
    pub tower_mm3: f64,
    /// It stands on the bed.
    pub on_bed: bool,
    /// What it stands on; the nearest island below, with no overlap, where nothing is right below; empty where nothing
    /// is near either, and on the bed.
    pub stands_on: Vec<Footing>,
}

/// A finished layer.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LayerRecord {
    /// Place of this record among all, counted from 0.
    pub index: u32,
    /// Number of the layer as findings and moves count it ([`crate::moves::Move::layer`]); 0 for beads before the first
    /// layer. Several records have the same number where the file marks its layers and a spiral climbs on without marks.
    pub number: u32,
    /// Object of the plate it belongs to, counted from 1: a new one begins where the height falls back.
    pub object: u32,
    /// Number of the layer in its object, counted from 1: 1 stands on the bed.
    pub storey: u32,
    /// Height of its highest bead, mm.
    pub z_mm: f64,
    /// Height of the layer itself, mm, as its first bead has it.
    pub height_mm: f64,
    /// Its beads.
    pub beads: u32,
    /// Volume of its beads, mm³.
    pub volume_mm3: f64,
    /// Time from its first bead to the first bead of the next layer, s; to the end of the file for the last.
    pub time_s: f64,
    /// Of this, turns of the screw alone that draw back and refill, s: a rewrite may take them out.
    pub turns_s: f64,
    /// Of its perimeters, where the file names them.
    pub perimeter_pace: Pace,
    /// Of its other beads.
    pub bead_pace: Pace,
    /// Of its moves that lay nothing.
    pub travel_pace: Pace,
    /// Length of its beads, mm.
    pub bead_length_mm: f64,
    /// Length of its perimeters, mm, where the file names them.
    pub perimeter_length_mm: f64,
    /// Least highest speed of a bead, mm/s: the speed it reaches, not those at its ends.
    pub slowest_mm_s: f64,
    /// Largest highest speed of a bead, mm/s.
    pub fastest_mm_s: f64,
    /// Volume of beads too far out to be drawn, mm³; in no island.
    pub outside_mm3: f64,
    /// Volume of islands beyond the four thousand largest, mm³; in no island.
    pub scattered_mm3: f64,
    /// What stands in it.
    pub islands: Vec<Island>,
    /// Islands of earlier layers, by record and place, that it covers by half at most and that others may still stand on.
    pub open: Vec<(u32, u32)>,
}

/// Sums over a file.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SurveyAccount {
    /// Records given.
    pub records: u32,
    /// Layers as the file counts them, and so as the account of a rewrite has them.
    pub layers: u32,
    /// Objects that were laid one after the other.
    pub objects: u32,
    /// Volume of beads, mm³.
    pub bead_volume_mm3: f64,
    /// Volume of new melt pushed without a path, mm³.
    pub loose_volume_mm3: f64,
    /// Volume of beads too far out to be drawn, mm³.
    pub outside_mm3: f64,
    /// Volume of islands beyond the four thousand largest of their layers, mm³.
    pub scattered_mm3: f64,
    /// Time before the first bead, s.
    pub before_s: f64,
    /// Time of all moves, s.
    pub time_s: f64,
    /// Side of a cell at the end, mm.
    pub cell_mm: f64,
}

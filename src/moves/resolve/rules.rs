//! What the resolver takes from the profile and from the file's own settings.

use crate::moves::settings::FileSettings;
use crate::profile::{DwellWords, EUnit, Excess, Profile};
use crate::units::{Area, Length};

/// What the resolver takes from the profile and the file's settings.
#[derive(Clone, Debug)]
pub struct Rules {
    /// Feed in force before the first F word, mm/s.
    pub initial_feed_mm_s: f64,
    /// Volume of one unit of E, mm³; `None` when nothing tells.
    pub e_volume_mm3: Option<f64>,
    /// Letter of the extruder axis.
    pub axis: u8,
    /// Tools that are a screw.
    pub tools: Vec<u32>,
    /// Words of `G4`.
    pub dwell: DwellWords,
    /// Most E in a line without motion.
    pub max_e_only: Option<f64>,
    /// Most E in any line.
    pub max_e_per_line: Option<f64>,
    /// What to do with more.
    pub excess_e: Excess,
    /// Largest bead area, mm².
    pub max_bead_area_mm2: Option<f64>,
    /// `G90` also makes E absolute.
    pub g90_sets_e: bool,
    /// Pass lines through that cannot be read.
    pub lenient: bool,
}

impl Rules {
    /// Gathers the rules; the strand diameter comes from the profile, else from the file.
    pub fn new(profile: &Profile, settings: &FileSettings, lenient: bool) -> Self {
        let screw = &profile.screw;
        let tool = screw.tools.value.first().copied().unwrap_or(0);
        let controller = &profile.controller;
        let nozzle = profile.nozzle.diameter_mm.value;
        let strand = |mm: f64| Area::of_circle(Length::from_mm(mm)).as_mm2();
        Self {
            initial_feed_mm_s: controller.initial_feed_mm_s.value,
            e_volume_mm3: match screw.e_unit.value {
                EUnit::Mm3 => Some(1.0),
                EUnit::ScrewTurns => Some(screw.output.value.per_turn_mm3()),
                EUnit::VirtualFilament => {
                    screw.virtual_diameter_mm.value.or_else(|| settings.strand_diameter_mm(tool)).map(strand)
                }
            },
            axis: screw.axis.value.to_ascii_uppercase(),
            tools: screw.tools.value.clone(),
            dwell: controller.dwell.value,
            max_e_only: controller.max_e_only_mm.value,
            max_e_per_line: controller.max_e_per_line_mm.value,
            excess_e: controller.excess_e.value,
            max_bead_area_mm2: controller.max_bead_area_per_nozzle_sq.value.map(|factor| factor * nozzle * nozzle),
            g90_sets_e: controller.g90_sets_e.value,
            lenient,
        }
    }
}

//! What the resolver takes from the profile and from the file's own settings.

use crate::moves::controller::Watch;
use crate::moves::fan::Fan;
use crate::moves::heat::Heat;
use crate::moves::settings::{FileSettings, Lead};
use crate::moves::setup::Setup;
use crate::profile::{
    DwellWords, EUnit, Excess, ExcessEffect, LagCompensation, LimitWords, Output, OutputUnit, Preset, Profile,
};
use crate::units::{Area, Length};

/// What a controller that plans on a host waits at `M84` and `M18`, s. Measured on whole files.
const HOST_MOTORS_OFF_S: f64 = 0.2;

/// Strips for priming often lie just beside the bed, mm. Common practice, no source.
pub(super) const BESIDE_MM: f64 = 5.0;

/// Which lines that switch on the controller's own compensation of melt lag become comments.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LagTakenOut {
    /// None.
    Nothing,
    /// Those that the controller follows, and they are reported.
    Followed,
    /// All, in every spelling.
    Everything,
}

/// What the resolver takes from the profile and the file's settings.
#[derive(Clone, Debug)]
pub struct Rules {
    /// Feed in force before the first F word, mm/s.
    pub initial_feed_mm_s: f64,
    /// Volume of one unit of E, mm³; `None` when nothing tells.
    pub e_volume_mm3: Option<f64>,
    /// The same as the file was sliced: an output of this program may count in another unit.
    pub sliced_e_volume_mm3: Option<f64>,
    /// Where a unit of E is a turn along a curve: what a turn gives at each speed. `e_volume_mm3` is that of the fastest.
    pub turns_give: Option<Output>,
    /// Letter of the extruder axis.
    pub axis: u8,
    /// Tools that are a screw.
    pub tools: Vec<u32>,
    /// Words of `G4`.
    pub dwell: DwellWords,
    /// Commands that set limits of motion.
    pub limit_words: LimitWords,
    /// Time that switching the motors off takes, s.
    pub motors_off_s: f64,
    /// Most E in a line without motion.
    pub max_e_only: Option<f64>,
    /// Most E in any line.
    pub max_e_per_line: Option<f64>,
    /// The same two for tools that are no screw, whose E keeps its unit in the output.
    pub max_e_of_others: [Option<f64>; 2],
    /// What to do with more.
    pub excess_e: Excess,
    /// What becomes of more.
    pub excess_e_is: ExcessEffect,
    /// Largest bead area, mm².
    pub max_bead_area_mm2: Option<f64>,
    /// Volume of a line up to which any bead area is let through, mm³.
    pub small_bead_mm3: f64,
    /// `G90` also makes E absolute.
    pub g90_sets_e: bool,
    /// `M221` also scales E in lines without motion.
    pub flow_factor_at_rest: bool,
    /// Largest factor that `M221` sets.
    pub max_flow_factor: f64,
    /// Lines that switch on the controller's own compensation of melt lag and become comments.
    pub lag_taken_out: LagTakenOut,
    /// The output counts E in a unit of its own, so that lines that say what it is (`M200`) are taken out.
    pub has_own_e_unit: bool,
    /// Reversals stay as the file has them.
    pub keeps_turns: bool,
    /// E leads the flow, as this program writes it: beads first refill what was turned back before them.
    pub e_leads: bool,
    /// Bed with what the head may go beyond it, least X and Y, largest X and Y, mm; without end where it is not known.
    pub reach_mm: [f64; 4],
    /// Follows the heater.
    pub heat: Heat,
    /// Follows the fan.
    pub fan: Fan,
    /// Pass lines through that cannot be read.
    pub lenient: bool,
    /// What else the controller refuses, skips or reads differently.
    pub watch: Watch,
}

/// What a unit of E pushes in a file as it was sliced, mm³; `None` when nothing tells. `strand_mm`: diameter that the file states.
pub fn sliced_e_volume_mm3(profile: &Profile, strand_mm: Option<f64>) -> Option<f64> {
    let screw = &profile.screw;
    match screw.e_unit.value {
        EUnit::Mm3 => Some(1.0),
        EUnit::ScrewTurns => Some(screw.output.value.per_turn_mm3()),
        EUnit::VirtualFilament => {
            let diameter = screw.virtual_diameter_mm.value.or(strand_mm);
            diameter.map(|mm| Area::of_circle(Length::from_mm(mm)).as_mm2())
        }
    }
}

/// What a unit of E pushes in what this program writes, mm³; where it is a turn along a curve, at the fastest point. `None` when
/// nothing tells.
pub fn output_e_volume_mm3(profile: &Profile) -> Option<f64> {
    let screw = &profile.screw;
    match screw.output_e_unit.value {
        OutputUnit::AsInFile => sliced_e_volume_mm3(profile, None),
        OutputUnit::Mm3 => Some(1.0),
        OutputUnit::VirtualFilament => Some(Area::of_circle(Length::from_mm(screw.output_diameter_mm.value)).as_mm2()),
        OutputUnit::ScrewTurns => Some(screw.output.value.per_turn_mm3()),
    }
}

impl Rules {
    /// Gathers the rules; the strand diameter comes from the profile, else from the file.
    pub fn new(profile: &Profile, settings: &FileSettings, lenient: bool) -> Self {
        let screw = &profile.screw;
        let tool = screw.tool();
        let controller = &profile.controller;
        let nozzle = profile.nozzle.diameter_mm.value;
        let sliced_e_volume_mm3 = sliced_e_volume_mm3(profile, settings.strand_diameter_mm(tool));
        let counts_turns = settings.counts_turns;
        let along_curve = counts_turns && matches!(screw.output.value, Output::Curve(_));
        let unstated = if counts_turns { Some(screw.output.value.per_turn_mm3()) } else { sliced_e_volume_mm3 };
        let counts_on_lag = screw.lag_compensated_by.value == LagCompensation::Controller;
        let max_bead_area_mm2 = controller.max_bead_area_per_nozzle_sq.value.map(|factor| factor * nozzle * nozzle);
        Self {
            initial_feed_mm_s: controller.initial_feed_mm_s.value,
            e_volume_mm3: settings.stated_e_mm3.or(unstated),
            turns_give: along_curve.then(|| screw.output.value.clone()),
            sliced_e_volume_mm3,
            axis: screw.axis.value.to_ascii_uppercase(),
            tools: screw.tools.value.clone(),
            dwell: controller.dwell.value,
            limit_words: controller.limit_words.value,
            motors_off_s: match controller.preset.value {
                Preset::Host | Preset::Custom => HOST_MOTORS_OFF_S,
                Preset::Board | Preset::Network => 0.0,
            },
            max_e_only: controller.max_e_only_mm.value,
            max_e_per_line: controller.max_e_per_line_mm.value,
            max_e_of_others: [controller.max_e_only_mm.value, controller.max_e_per_line_mm.value],
            excess_e: controller.excess_e.value,
            excess_e_is: controller.excess_e_is.value,
            max_bead_area_mm2,
            small_bead_mm3: max_bead_area_mm2.map_or(0.0, |area| area * nozzle),
            g90_sets_e: controller.g90_sets_e.value,
            flow_factor_at_rest: controller.flow_factor_at_rest.value,
            max_flow_factor: controller.max_flow_percent.value.map_or(f64::INFINITY, |percent| percent / 100.0),
            lag_taken_out: LagTakenOut::Nothing,
            has_own_e_unit: false,
            keeps_turns: true,
            e_leads: settings.lead != Lead::None,
            reach_mm: profile.machine.bed_mm.value.map_or(
                [f64::NEG_INFINITY, f64::NEG_INFINITY, f64::INFINITY, f64::INFINITY],
                |[x, y, far_x, far_y]| [x - BESIDE_MM, y - BESIDE_MM, far_x + BESIDE_MM, far_y + BESIDE_MM],
            ),
            heat: Heat::new([
                profile.feedstock.nozzle_temperature_min_c.value,
                profile.feedstock.nozzle_temperature_max_c.value,
            ]),
            fan: Fan::new(profile.part.solid_temperature_c.value.map(|_| profile.part.air_w_m2_k.value)),
            lenient,
            watch: Watch::new(controller, Setup::new(profile), counts_on_lag),
        }
    }
}

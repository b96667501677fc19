//! What is taken from the profile.

use super::corners;
use crate::physics::column::{Solid, shear_factor_of_rectangle};
use crate::physics::cooling::{Layer, Place, Temperatures, Thermal};
use crate::physics::stiffness::{Hardness, estimate, log_linear, log_linear_d};
use crate::physics::viscosity::PowerLaw;
use crate::profile::{self, Corner, CornerWords, PartMoves, Preset, Profile, StiffnessRelation};
use crate::units::{Density, Modulus};

/// Elastomers hardly change their volume.
const POISSON: f64 = 0.5;
/// A face without a stated diameter is so many bores wide (common practice, no source).
const FACE_PER_BORE: f64 = 2.0;

/// The part, the machine and the air as a [`super::SoftPlanner`] needs them.
#[derive(Clone, Debug)]
pub struct Terms {
    /// The stuff, at the low side of its stiffness, warm.
    pub solid: Solid,
    /// Stiffness of the middle and of the high side of the band over the low one.
    pub band: [f64; 2],
    /// Whether the part moves along X and Y.
    pub moves: [bool; 2],
    /// Allowed deflection, share of the bead width.
    pub share: f64,
    /// Dynamic deflection over the static one.
    pub factor: f64,
    /// Least acceleration that is set, mm/s².
    pub least_mm_s2: f64,
    /// Acceleration of the machine, mm/s².
    pub accel_mm_s2: f64,
    /// The controller's corner rule is lowered where the part needs it.
    pub lowers_corners: bool,
    corner: Corner,
    /// Accelerations along X and Y are set for each axis.
    by_axis: bool,
    is_board: bool,
    /// Shear factor of a section.
    pub shear_factor: f64,
    /// The melt; `None` where its law is none.
    pub melt: Option<PowerLaw>,
    /// Diameter of the nozzle's face, mm.
    pub face_mm: f64,
    /// Whether the drag bounds speeds.
    pub clamp_drag: bool,
    /// Least speed and flow for cooling, mm/s and mm³/s.
    pub least_mm_s: f64,
    /// The same as a flow, mm³/s.
    pub least_mm3_s: f64,
    /// Turns of the screw alone are taken out, and their time with them; what comes in their place is not counted on.
    pub drops_turns: bool,
    /// Bed, least X and Y and largest X and Y, mm.
    pub bed_mm: Option<[f64; 4]>,
    cooling: Option<Cooling>,
}

/// How a layer cools.
#[derive(Clone, Copy, Debug)]
struct Cooling {
    thermal: Thermal,
    at: Temperatures,
    film: f64,
    until: f64,
}

impl Terms {
    /// Of a profile; `sways`: limits of motion are wanted, `cools`: least times of layers. `None` for a stuff that no
    /// relation gives a stiffness for.
    pub fn of(profile: &Profile, sways: bool, cools: bool) -> Option<Self> {
        let (feedstock, part, machine) = (&profile.feedstock, &profile.part, &profile.machine);
        let density = Density::from_g_cm3(feedstock.density_g_cm3.value);
        let [low, middle, high] = moduli(profile)?.map(|modulus| modulus * feedstock.warm_stiffness_share.value);
        let bore = profile.nozzle.diameter_mm.value;
        let moves = match machine.part_moves.value {
            PartMoves::Y => [false, true],
            PartMoves::Xy => [true, true],
            PartMoves::None => [false, false],
        };
        let accel = machine.max_accel_mm_s2.value;
        let thermal =
            Thermal::new(feedstock.conductivity_w_m_k.value, feedstock.heat_capacity_j_kg_k.value, density).ok();
        let (laid, air) = (profile.laid_c(), part.air_temperature_c.value);
        let cooling = match profile.cooling() {
            profile::Cooling::Until(until) if cools => thermal.map(|thermal| {
                let at = Temperatures { laid, below: air, air };
                Cooling { thermal, at, film: part.air_w_m2_k.value, until }
            }),
            _ => None,
        };
        Some(Self {
            solid: Solid::new(Modulus::from_mpa(low), POISSON, density).ok()?,
            band: [middle / low, high / low],
            moves: if sways { moves } else { [false, false] },
            share: part.sway_share.value,
            factor: part.sway_factor.value,
            least_mm_s2: part.least_accel_mm_s2.value,
            accel_mm_s2: accel,
            lowers_corners: lowers_corners(profile),
            corner: machine.corner.value,
            by_axis: takes(profile, BY_AXIS),
            is_board: matches!(profile.controller.preset.value, Preset::Board | Preset::Network),
            shear_factor: shear_factor_of_rectangle(POISSON),
            melt: PowerLaw::new(feedstock.melt_consistency_pa_s_n.value, feedstock.melt_index_n.value).ok(),
            face_mm: profile.nozzle.face_mm.value.unwrap_or(FACE_PER_BORE * bore),
            clamp_drag: sways && part.clamp_drag.value,
            least_mm_s: part.least_speed_mm_s.value,
            least_mm3_s: part.least_flow_mm3_s.value,
            drops_turns: false,
            bed_mm: machine.bed_mm.value,
            cooling,
        })
    }

    /// The same where turns of the screw alone are taken out, if they are.
    #[must_use]
    pub fn without_turns(self, drops_turns: bool) -> Self {
        Self { drops_turns, ..self }
    }

    /// Largest jump of speed along an axis, 0 for X and 1 for Y, that the corner rule allows as low as it can be set, mm/s.
    /// `bears`: acceleration that the part bears along it, mm/s².
    pub fn jump(&self, axis: usize, bears: f64) -> f64 {
        let accel = if self.by_axis { bears.min(self.accel_mm_s2) } else { self.accel_mm_s2 };
        corners::jump(self.corner, self.lowers_corners, axis, accel, self.is_board)
    }

    /// Whether a place to wait at is looked for beside all that is laid, which only the whole file tells.
    pub fn looks_beside(&self) -> bool {
        self.cooling.is_some() && self.bed_mm.is_some()
    }

    /// Least time of a layer of this height, s; 0 where none is asked for.
    ///
    /// The back of the layer passes no heat: the slowest way to cool, and so the safe side.
    pub fn least_time_s(&self, height_mm: f64) -> f64 {
        let Some(Cooling { thermal, at, film, until }) = &self.cooling else { return 0.0 };
        let layer = Layer::new(thermal, height_mm, 0.0, *film);
        layer.and_then(|layer| layer.time_s(*at, Place::Mean, *until)).unwrap_or(0.0)
    }
}

/// Low side, middle and high side of the modulus of the cold stuff, MPa.
fn moduli(profile: &Profile) -> Option<[f64; 3]> {
    let feedstock = &profile.feedstock;
    if let Some(measured) = feedstock.modulus_mpa.value {
        return Some([measured; 3]);
    }
    let hardness = match (feedstock.shore_oo.value, feedstock.shore_d.value) {
        (Some(shore_oo), _) => Hardness::ShoreOo(shore_oo),
        (None, Some(shore_d)) => Hardness::ShoreD(shore_d),
        (None, None) => Hardness::ShoreA(feedstock.shore_a.value.min(HARDEST_SHORE_A)),
    };
    let found = estimate(hardness).ok()?;
    let regression = match (feedstock.stiffness_relation.value, hardness) {
        (StiffnessRelation::LogLinear, Hardness::ShoreA(shore_a)) => log_linear(shore_a).ok(),
        (StiffnessRelation::LogLinear, Hardness::ShoreD(shore_d)) => log_linear_d(shore_d).ok(),
        _ => None,
    };
    let middle = regression.unwrap_or(found.modulus_mpa);
    let (low, middle, high) = (found.low_mpa.as_mpa(), middle.as_mpa(), found.high_mpa.as_mpa());
    Some([low.min(middle), middle, high.max(middle)])
}

/// Gent's relation has no value at 100; grades above this one are stiff enough for any bed.
const HARDEST_SHORE_A: f64 = 98.0;

/// Command by which a controller is told accelerations by axis.
pub const BY_AXIS: &str = "M201";
/// Command by which a controller is told the acceleration along the path.
pub const ACCEL: &str = "M204";
/// Command by which boards are told their corner rule.
const CORNER: &str = "M205";

/// Whether the controller takes a command.
pub fn takes(profile: &Profile, command: &str) -> bool {
    let controller = &profile.controller;
    let lacks = |list: &[String]| list.iter().any(|other| other == command);
    !lacks(&controller.refused_commands.value) && !lacks(&controller.skipped_commands.value)
}

/// Whether there is a word for the controller's corner rule, and it is to be written.
pub fn lowers_corners(profile: &Profile) -> bool {
    match (profile.controller.corner_words.value, profile.machine.corner.value) {
        (CornerWords::Named, Corner::RightAngleSpeed(_)) => profile.controller.named_commands.value,
        (CornerWords::ByRule, Corner::Deviation(_) | Corner::AxisStep(_)) => takes(profile, CORNER),
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Low side, middle and high side of what the profile says.
    fn of(more: &str) -> [f64; 3] {
        moduli(&Profile::load(&format!("[feedstock]\n{more}"), "own").expect("a sound profile")).expect("a stiffness")
    }

    /// Figures of the tables in `physics/stiffness.rs`, MPa.
    #[test]
    fn each_scale_has_its_relation() {
        let near = |got: f64, known: f64| assert!((got / known - 1.0).abs() < 1e-3, "{got} {known}");
        near(of("shore_a = 60")[1], 3.6051);
        near(of("shore_a = 60\nstiffness_relation = \"log-linear\"")[1], 5.8844);
        near(of("shore_d = 60")[1], 117.28);
        near(of("shore_d = 60\nstiffness_relation = \"log-linear\"")[1], 88.04);
        // A silicone of 30 on the scale of gels.
        near(of("shore_oo = 30")[1], 0.0455);
        assert_eq!(of("shore_oo = 30\nmodulus_mpa = 0.05"), [0.05; 3]);
        for [low, middle, high] in [of("shore_a = 30"), of("shore_d = 60"), of("shore_oo = 30")] {
            assert!(low <= middle && middle <= high && low < high);
        }
    }
}

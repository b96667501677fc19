//! Ranges of single values, pairs that contradict each other, and combinations worth a word of caution.
//!
//! Limits are wide: they catch slips of unit and sign, not unusual machines.

use std::ops::Range;

use super::cooling::Cooling;
use super::fault::decimal;
use super::fault::{Complaint, Refusal};
use super::{AccelWords, EUnit, LagCommands, LagCompensation, Output, Preset, Profile, pause};

/// Accepts every value.
pub(super) fn any<T>(_: &T) -> Result<(), Complaint> {
    Ok(())
}

/// Judges the value behind an option; "none" is always fine.
pub(super) fn if_some<T>(value: &Option<T>, check: impl Fn(&T) -> Result<(), Complaint>) -> Result<(), Complaint> {
    value.as_ref().map_or(Ok(()), check)
}

/// `0 < value <= most`.
pub(super) fn above_zero(value: f64, most: f64, unit: &str, help: &str) -> Result<(), Complaint> {
    let what = if value <= 0.0 {
        "must be above zero".to_owned()
    } else if value <= most {
        return Ok(());
    } else {
        format!("must be {} at most", with_unit(most, unit))
    };
    Err(Complaint::new(what, with_unit(value, unit)).help(help))
}

/// `least <= value <= most`.
pub(super) fn within(value: f64, least: f64, most: f64, unit: &str, help: &str) -> Result<(), Complaint> {
    if (least..=most).contains(&value) {
        return Ok(());
    }
    let what = format!("must lie between {} and {}", decimal(least), with_unit(most, unit));
    Err(Complaint::new(what, with_unit(value, unit)).help(help))
}

/// `0 < value <= most` for every axis.
pub(super) fn each_above_zero(values: &[f64; 4], most: f64, unit: &str, help: &str) -> Result<(), Complaint> {
    values.iter().try_for_each(|value| above_zero(*value, most, unit, help))
}

/// Room has an extent along each axis.
pub(super) fn reach([least_x, least_y, least_z, most_x, most_y, most_z]: &[f64; 6]) -> Result<(), Complaint> {
    let pairs = [(least_x, most_x), (least_y, most_y), (least_z, most_z)];
    if pairs.iter().all(|(least, most)| least.abs() <= 1e4 && most.abs() <= 1e4 && least < most) {
        return Ok(());
    }
    Err(Complaint::new("must be [least x, y and z, largest x, y and z] within 10 m", "this is no such room")
        .help("for 220 by 220 by 250 mm whose corner is zero: [0, 0, 0, 220, 220, 250]"))
}

/// A whole number, `least <= value <= most`.
pub(super) fn whole(value: f64, least: f64, most: f64, help: &str) -> Result<(), Complaint> {
    if value.fract() != 0.0 {
        return Err(Complaint::new("must be a whole number", decimal(value)).help(help));
    }
    within(value, least, most, "", help)
}

/// Tool numbers: at least one, each once.
pub(super) fn tools(tools: &[u32]) -> Result<(), Complaint> {
    if tools.is_empty() {
        return Err(Complaint::new("must name at least one tool", "no tool")
            .help("files that never change tools use tool 0: tools = [0]"));
    }
    let mut sorted = tools.to_vec();
    sorted.sort_unstable();
    match sorted.windows(2).find(|pair| pair.first() == pair.last()) {
        Some(pair) => Err(Complaint::new("must name each tool once", format!("twice {}", pair.first().unwrap_or(&0)))),
        None => Ok(()),
    }
}

/// A name that is shown to people: not blank, one line.
pub(super) fn name(name: &str) -> Result<(), Complaint> {
    if name.trim().is_empty() {
        return Err(Complaint::new("must not be blank", "blank").help("any name will do, it is only shown"));
    }
    if name.chars().any(char::is_control) {
        return Err(Complaint::new("must be a single line of plain text", "line break or control character"));
    }
    Ok(())
}

/// Output curve: at least one point, all above zero, rising in both.
pub(super) fn curve(points: &[([f64; 2], Range<usize>)], whole: Range<usize>) -> Result<(), Refusal> {
    const HELP: &str = "weigh the output at several screw speeds and list them from slow to fast: \
                        [[rev/min, mm³/s], ...]; leave out points where the screw slipped or starved";
    if points.is_empty() {
        return Err(Complaint::new("must have at least one point", "no point").help(HELP).at(whole));
    }
    let mut before = [0.0, 0.0];
    for (index, (point @ [speed, flow], span)) in points.iter().enumerate() {
        let [speed_before, flow_before] = before;
        let (what, label) = if index == 0 && (*speed <= 0.0 || *flow <= 0.0) {
            (
                "must have screw speeds and flows above zero",
                format!("{} rev/min, {} mm³/s", decimal(*speed), decimal(*flow)),
            )
        } else if *speed <= speed_before {
            ("must rise in screw speed", format!("{} after {} rev/min", decimal(*speed), decimal(speed_before)))
        } else if *flow <= flow_before {
            ("must rise in flow", format!("{} after {} mm³/s", decimal(*flow), decimal(flow_before)))
        } else {
            before = *point;
            continue;
        };
        return Err(Complaint::new(what, label).help(HELP).at(span.clone()));
    }
    Ok(())
}

/// Two values that cannot both be right.
pub(super) struct Contradiction {
    /// Full names of the two keys; the fault is shown at the one that was set last.
    pub keys: [&'static str; 2],
    /// What is wrong.
    pub complaint: Complaint,
}

/// Every pair that contradicts itself.
pub(super) fn contradictions(profile: &Profile) -> Vec<Contradiction> {
    let mut found = Vec::new();
    let feedstock = &profile.feedstock;
    let (least, most) = (feedstock.nozzle_temperature_min_c.value, feedstock.nozzle_temperature_max_c.value);
    if least > most {
        found.push(Contradiction {
            keys: ["feedstock.nozzle_temperature_min_c", "feedstock.nozzle_temperature_max_c"],
            complaint: Complaint::new(
                "feedstock.nozzle_temperature_min_c must not be above feedstock.nozzle_temperature_max_c",
                format!("lowest {} °C, highest {} °C", decimal(least), decimal(most)),
            )
            .help("set both ends of the range from the data sheet of the feedstock"),
        });
    }
    if let Some(drying) = feedstock.drying_temperature_c.value.filter(|drying| *drying >= least) {
        found.push(Contradiction {
            keys: ["feedstock.drying_temperature_c", "feedstock.nozzle_temperature_min_c"],
            complaint: Complaint::new(
                "feedstock.drying_temperature_c must be below feedstock.nozzle_temperature_min_c",
                format!("drying at {} °C, printing from {} °C", decimal(drying), decimal(least)),
            )
            .help("granules that dry near the melting range stick together; see the data sheet of the feedstock"),
        });
    }
    let (usable, margin) = (profile.hopper.usable_g.value, profile.hopper.margin_g.value);
    if let Some(usable) = usable.filter(|usable| usable - margin < LEAST_CUP_G) {
        found.push(Contradiction {
            keys: ["hopper.usable_g", "hopper.margin_g"],
            complaint: Complaint::new(
                "hopper.margin_g must leave at least 1 g of hopper.usable_g",
                format!("{} g usable, {} g to be left", decimal(usable), decimal(margin)),
            )
            .help("the margin is a part of the usable content that stays in the hopper at a refill; lower it"),
        });
    }
    let controller = &profile.controller;
    if controller.accel_words.value == AccelWords::Beads && !controller.lone_accel_words.value {
        found.push(Contradiction {
            keys: ["controller.accel_words", "controller.lone_accel_words"],
            complaint: Complaint::new(
                "controller.accel_words = \"beads\" needs controller.lone_accel_words",
                "M204 P alone is written, and passed over",
            )
            .help("set controller.accel_words = \"all-moves\", or lone_accel_words = true if the controller takes P alone"),
        });
    }
    let (hopper, machine) = (&profile.hopper, &profile.machine);
    if let Some((key, complaint)) = hopper.pause_command.value.as_deref().and_then(|text| pause::idle(text, controller))
    {
        found.push(Contradiction {
            keys: ["hopper.pause_command", key],
            complaint: complaint.named("hopper.pause_command"),
        });
    }
    let (oo, d) = (feedstock.shore_oo.value, feedstock.shore_d.value);
    if let (Some(oo), Some(d)) = (oo, d) {
        found.push(Contradiction {
            keys: ["feedstock.shore_oo", "feedstock.shore_d"],
            complaint: Complaint::new(
                "feedstock.shore_oo and feedstock.shore_d must not both be set",
                format!("{} Shore OO and {} Shore D", decimal(oo), decimal(d)),
            )
            .help("no stuff can be told on both scales: give the one it was measured on"),
        });
    }
    let solid = feedstock.density_g_cm3.value;
    if let Some(bulk) = hopper.bulk_density_g_cm3.value.filter(|bulk| *bulk > solid) {
        found.push(Contradiction {
            keys: ["hopper.bulk_density_g_cm3", "feedstock.density_g_cm3"],
            complaint: Complaint::new(
                "hopper.bulk_density_g_cm3 must not be above feedstock.density_g_cm3",
                format!("{} g/cm³ as poured, {} g/cm³ as a solid", decimal(bulk), decimal(solid)),
            )
            .help("granules leave air between them: weigh a level litre of them"),
        });
    }
    if machine.park_x_mm.value.is_some() != machine.park_y_mm.value.is_some() {
        found.push(Contradiction {
            keys: ["machine.park_x_mm", "machine.park_y_mm"],
            complaint: Complaint::new(
                "machine.park_x_mm and machine.park_y_mm must both be set, or neither",
                "the other one is missing",
            )
            .help("a park position has both coordinates; without one the pause command parks the head"),
        });
    }
    if let (Some([x, y]), Some([least_x, least_y, _, most_x, most_y, _])) = (machine.park(), machine.reach_mm.value)
        && !((least_x..=most_x).contains(&x) && (least_y..=most_y).contains(&y))
    {
        // At the coordinate that is out of reach, or at the first where both are.
        let along_y = (least_x..=most_x).contains(&x);
        found.push(Contradiction {
            keys: [if along_y { "machine.park_y_mm" } else { "machine.park_x_mm" }, "machine.reach_mm"],
            complaint: Complaint::new(
                "machine.park_x_mm and machine.park_y_mm must lie within machine.reach_mm",
                format!(
                    "X {} Y {}, in reach X {} to {}, Y {} to {} mm",
                    decimal(x),
                    decimal(y),
                    decimal(least_x),
                    decimal(most_x),
                    decimal(least_y),
                    decimal(most_y)
                ),
            )
            .help("the head would run against its end there: choose a place that it reaches, or correct the reach"),
        });
    }
    let (bore, face) = (profile.nozzle.diameter_mm.value, profile.nozzle.face_mm.value);
    if let Some(face) = face.filter(|face| *face < bore) {
        found.push(Contradiction {
            keys: ["nozzle.face_mm", "nozzle.diameter_mm"],
            complaint: Complaint::new(
                "nozzle.face_mm must not be below nozzle.diameter_mm",
                format!("{} mm across the face, {} mm of bore in it", decimal(face), decimal(bore)),
            )
            .help("the face is the flat ring around the bore: measure across all of it, the bore included"),
        });
    }
    let purge_g = hopper.purge_mm3.value * feedstock.density_g_cm3.value * 1e-3;
    if let Some(usable) = usable.filter(|usable| {
        machine.park().is_some() && usable - margin >= LEAST_CUP_G && usable - margin - purge_g < LEAST_CUP_G
    }) {
        found.push(Contradiction {
            keys: ["hopper.usable_g", "hopper.purge_mm3"],
            complaint: Complaint::new(
                "hopper.purge_mm3 must leave at least 1 g of what hopper.usable_g gives above hopper.margin_g",
                format!("{} g between refills, {} g purged at each", short(usable - margin), short(purge_g)),
            )
            .help("the purge is taken out of the hopper that was just filled; purge less"),
        });
    }
    found
}

/// What was computed, without the digits that no scale shows.
fn short(grams: f64) -> String {
    decimal((grams * 1e3).round() / 1e3)
}

/// Least that may lie between a full hopper and a refill, g: the list of refills grows with their number.
const LEAST_CUP_G: f64 = 1.0;

/// Something the user should know about a profile that can be used all the same.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Caution {
    /// Full name of the key it is about.
    pub key: &'static str,
    /// What there is to know, one sentence in lower case.
    pub what: String,
    /// What to do about it.
    pub help: String,
}

impl Profile {
    /// Combinations of values that are allowed but may not be what was meant.
    pub fn cautions(&self) -> Vec<Caution> {
        let mut found = Vec::new();
        let mut add = |key, what: String, help: &str| found.push(Caution { key, what, help: help.to_owned() });
        if self.controller.preset.value == Preset::Custom {
            add(
                "controller.preset",
                "preset \"custom\" starts from the rules of \"host\"".to_owned(),
                "look at every key of [controller] in `profile show` and set the ones that differ",
            );
        }
        let screw = &self.screw;
        if let (Some(peak), Some(sustained)) = (screw.peak_flow_mm3_s.value, screw.sustained_flow_mm3_s.value)
            && sustained > peak
        {
            add(
                "screw.sustained_flow_mm3_s",
                format!(
                    "the sustained flow ({} mm³/s) is above the peak flow ({} mm³/s) and is limited to it",
                    decimal(sustained),
                    decimal(peak)
                ),
                "lower screw.sustained_flow_mm3_s or raise screw.peak_flow_mm3_s",
            );
        }
        match (screw.e_unit.value, &screw.output.value, screw.virtual_diameter_mm.value) {
            (EUnit::ScrewTurns, Output::Curve(_), _) => add(
                "screw.e_unit",
                "E counts turns of the screw, but with an output curve a turn has no fixed volume".to_owned(),
                "give screw.specific_output_mm3_rev instead of the curve, or slice with another unit of E",
            ),
            (EUnit::ScrewTurns | EUnit::Mm3, _, Some(_)) => add(
                "screw.virtual_diameter_mm",
                "the virtual diameter is not used, as E does not count millimetres of a strand".to_owned(),
                "remove screw.virtual_diameter_mm or set screw.e_unit = \"virtual-filament-mm\"",
            ),
            _ => {}
        }
        let controller = &self.controller;
        if let (Some(alone), Some(any)) = (controller.max_e_only_mm.value, controller.max_e_per_line_mm.value)
            && alone > any
        {
            add(
                "controller.max_e_only_mm",
                format!(
                    "the limit of E-only lines ({}) is above the limit of all lines ({}), which counts",
                    decimal(alone),
                    decimal(any)
                ),
                "lower controller.max_e_only_mm or set it to \"none\"",
            );
        }
        if controller.lag_commands.value == LagCommands::TakeOut
            && screw.lag_compensated_by.value == LagCompensation::Controller
        {
            add(
                "controller.lag_commands",
                "the controller is to make up for the lag, but the commands that switch that on are taken out"
                    .to_owned(),
                "switch it on in the controller's configuration, or set controller.lag_commands = \"keep\"",
            );
        }
        for (key, set) in [
            ("screw.max_ramp_error", screw.max_ramp_error.value.is_some()),
            ("screw.max_flow_step_mm3_s", screw.max_flow_step_mm3_s.value.is_some()),
        ] {
            if set && screw.lag_compensated_by.value != LagCompensation::None {
                add(
                    key,
                    format!("{key} is not used, as the lag is made up for"),
                    "set screw.lag_compensated_by = \"none\", or remove the key",
                );
            }
        }
        let (hopper, machine) = (&self.hopper, &self.machine);
        if hopper.purge_mm3.value > 0.0 && machine.park().is_none() {
            add(
                "hopper.purge_mm3",
                "nothing is purged at refills, as there is no park position".to_owned(),
                "set machine.park_x_mm and machine.park_y_mm to a place beside the part",
            );
        }
        let out_of_reach = match self.cooling() {
            Cooling::NotWanted | Cooling::Until(_) => None,
            Cooling::NeverReached(_) => Some("beads never become as cold as that in this air (part.air_temperature_c)"),
            Cooling::NeverLeft(_) => {
                Some("beads are laid no warmer than that (feedstock.nozzle_temperature_min_c, _max_c)")
            }
        };
        if let Some(why) = out_of_reach {
            add(
                "part.solid_temperature_c",
                format!("{why}, so that no layer is given time to cool"),
                "set a temperature well above that of the air and below that of the melt, or \"none\" if layers need no time",
            );
        }
        let feedstock = &self.feedstock;
        if feedstock.drying_temperature_c.value.is_some() != feedstock.drying_time_h.value.is_some() {
            add(
                "feedstock.drying_time_h",
                "drying needs a temperature and a time, but only one of them is set".to_owned(),
                "set feedstock.drying_temperature_c and feedstock.drying_time_h, or both to \"none\"",
            );
        }
        found
    }
}

/// A number with its unit, which may be empty.
fn with_unit(value: f64, unit: &str) -> String {
    format!("{} {unit}", decimal(value)).trim_end().to_owned()
}

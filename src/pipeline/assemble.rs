//! Puts the passes together from a profile.

use std::f64::consts::FRAC_PI_4;

use super::Passes;
use super::drive::{Drive, How, Setup};
use super::judge::{self, Judge, Quickest};
use super::limiter::{self, Limiter};
use crate::demand::capacity::Capacity;
use crate::line::number::power_of_ten;
use crate::motion::Planner;
use crate::motion::rules::{EVolumes, Model, MotionRules};
use crate::moves::resolve::{LagTakenOut, Rules};
use crate::passes::e_count::{DECIMALS, ECount, Unit};
use crate::passes::lag::accel::Accels;
use crate::passes::lag::flow_step::FlowSteps;
use crate::passes::lag::gaps::Gaps;
use crate::passes::lag::ramp::{Bounds, Ramp};
use crate::passes::lag::spring::Melt;
use crate::passes::soft::{Least, Soft};
use crate::passes::sustained::Sustained;
use crate::profile::{AccelWords, Corner, LagCommands, LagCompensation, Output, OutputUnit, Profile};
use crate::soft::{ACCEL, BY_AXIS, Terms, lowers_corners, takes};
use crate::units::{Area, Length};

/// Shortest piece of a bead as a share of the bore, and at least this long, mm: below, some controllers join pieces.
const SHORTEST_SHARE: f64 = 0.1;
const SHORTEST_MM: f64 = 0.1;

/// A piece whose ends are both off by half a thousandth along X and Y is shorter by this at most, mm.
const SHORTER_MM: f64 = 1e-3 * std::f64::consts::SQRT_2;

/// What the rounding of E words may add to a line, twice their last decimal in inches: split lines stay as far below a limit.
const ROUNDED_E: f64 = 2.0 * 25.4e-5;

/// Along a path, the flow of the screw may change from full speed back to full speed forward.
const WIDEST_STEP: f64 = 2.0;

/// Share of the volume for a unit of E, below the one at which seams do not brake, from which on turns at rest are the better
/// way. Measured with the replay on 26 real files for a nozzle of 0.4 mm, where seams do not brake from a strand of 2.6 mm on:
/// on 1.5, 1.75, 2.1 and 2.6 mm (a share of 0.33, 0.45, 0.64 and 1) 29, 23, 16 and 8 % of the path are more than 10 % off, on
/// 10 mm 5 %, with turns at rest 30 %; of the time of the file the print takes 1.55, 1.51, 1.47 and 1.44 times as much, on
/// 10 mm 1.42, with turns at rest 1.28 times.
const LEAST_SEAM_SHARE: f64 = 0.5;

/// Dead time of the melt, s, from which on turns at rest are the better way. Measured with the replay on a real file of long
/// and short beads at a lag of 0.3 s: without any dead time 1 % of the path is more than 10 % off, at 0.05 s 35 %, at 0.1 s
/// 45 %; with turns at rest 19, 21 and 21 %.
pub const MOST_DEAD_TIME_S: f64 = 0.025;

/// How the lag is made up for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Choice {
    /// How it is done.
    pub how: How,
    /// Least diameter of the output's strand, mm, at which the controller would let E follow the flow along the path, or
    /// would not brake for it; `None` where it does, or nobody asked for it.
    pub wanted_diameter_mm: Option<f64>,
    /// The numbers on the lines of the file leave no way to do it.
    pub is_hindered: bool,
    /// The melt answers too late for E to lead it along the path.
    pub is_late: bool,
}

/// How the lag is made up for, with the passes that run. `file_volume`: of a unit of E in the input, mm³; `is_numbered`: its
/// lines bear no others between them, and none becomes several.
///
/// Where the controller would brake at every change of flow, the turns at rest are the better way.
pub fn choice(
    profile: &Profile,
    passes: Passes,
    capacity: &Capacity,
    file_volume: Option<f64>,
    is_numbered: bool,
) -> Choice {
    let chosen = |how| Choice { how, wanted_diameter_mm: None, is_hindered: false, is_late: false };
    if profile.screw.melt_lag_s.value <= 0.0 || !passes.starts {
        return chosen(How::Not);
    }
    match profile.screw.lag_compensated_by.value {
        LagCompensation::File | LagCompensation::None if is_numbered => {
            Choice { is_hindered: true, ..chosen(How::Not) }
        }
        LagCompensation::Controller => chosen(How::ByController),
        LagCompensation::File if passes.ramps && profile.screw.dead_time_s.value > MOST_DEAD_TIME_S => {
            Choice { is_late: true, ..chosen(How::AtRest) }
        }
        LagCompensation::File if passes.ramps => {
            let jump = WIDEST_STEP * capacity.screw_mm3_s;
            let (e_step, at_seams) = (e_step(profile), seam_volume(profile, jump));
            let for_e_step = jump / e_step;
            let strand = |volume: f64| Some((volume / FRAC_PI_4).sqrt());
            match executed_volume(unit(profile, passes), file_volume) {
                Some(volume) if volume < for_e_step => {
                    Choice { wanted_diameter_mm: strand(for_e_step.max(at_seams)), ..chosen(How::AtRest) }
                }
                Some(volume) if volume < at_seams => {
                    let how = if volume < LEAST_SEAM_SHARE * at_seams { How::AtRest } else { How::AlongPath };
                    Choice { wanted_diameter_mm: strand(at_seams), ..chosen(how) }
                }
                Some(_) => chosen(How::AlongPath),
                // Of a unit that only the lines tell (`M200`) the steps may be too large.
                None if e_step < f64::INFINITY => chosen(How::AtRest),
                None => chosen(How::AlongPath),
            }
        }
        LagCompensation::File | LagCompensation::None => chosen(How::AtRest),
    }
}

/// Which lines that switch on the controller's own compensation of lag become comments.
pub fn lag_taken_out(profile: &Profile, how: How) -> LagTakenOut {
    match profile.controller.lag_commands.value {
        LagCommands::TakeOut => LagTakenOut::Everything,
        // Beside E that leads they add up; in place of what the controller is set to, another lag is made up for.
        LagCommands::AsNeeded if matches!(how, How::AlongPath | How::ByController) => LagTakenOut::Followed,
        LagCommands::AsNeeded | LagCommands::Keep => LagTakenOut::Nothing,
    }
}

/// Largest jump of E that the controller takes without braking, units per second.
fn e_step(profile: &Profile) -> f64 {
    let rules = MotionRules::of(profile);
    match rules.corner {
        Corner::AxisStep([_, _, _, e]) => rules.e_step.min(e),
        _ => rules.e_step,
    }
}

/// Least volume for a unit of E, mm³, so that a controller to which a change of E per mm is a corner does not brake for a
/// `jump` of the flow, mm³/s; 0 for others.
///
/// Where speeding up begins or ends, at acceleration a and lag t, the flow of a bead of area A jumps by j = A t a. The corner
/// lets v phi be at most the root of 8 a d, where v phi is j in units of E per second: v² = a d c/(1 - c) with c = cos(phi/2),
/// and phi is the change of E per mm. So a unit has to hold √(j A t / (8 d)). The area is that of the bore.
fn seam_volume(profile: &Profile, jump: f64) -> f64 {
    match MotionRules::of(profile) {
        MotionRules { model: Model::Board, corner: Corner::Deviation(deviation), .. } => {
            let area = FRAC_PI_4 * profile.nozzle.diameter_mm.value.powi(2);
            (jump * area * profile.screw.melt_lag_s.value / (8.0 * deviation)).sqrt()
        }
        _ => 0.0,
    }
}

/// The melt and the screw of a profile.
pub fn melt(profile: &Profile, capacity: &Capacity) -> Melt {
    let screw = &profile.screw;
    let turn = match &screw.output.value {
        Output::Constant(mm3_rev) => *mm3_rev,
        Output::Curve(points) => {
            points.first().map_or(0.0, |[rpm, flow]| if *rpm > 0.0 { flow * 60.0 / rpm } else { 0.0 })
        }
    };
    Melt {
        lag_s: screw.melt_lag_s.value,
        screw_mm3_s: capacity.screw_mm3_s,
        max_reverse_mm3: screw.max_reverse_turns.value * turn,
        window_s: capacity.window_s,
    }
}

/// What one unit of E is in the output.
pub fn unit(profile: &Profile, passes: Passes) -> Unit {
    let screw = &profile.screw;
    if !passes.scale {
        return Unit::AsInFile;
    }
    match screw.output_e_unit.value {
        OutputUnit::AsInFile => Unit::AsInFile,
        OutputUnit::Mm3 => Unit::PerVolume(1.0),
        OutputUnit::VirtualFilament => {
            let strand = Area::of_circle(Length::from_mm(screw.output_diameter_mm.value));
            Unit::PerVolume(1.0 / strand.as_mm2())
        }
        OutputUnit::ScrewTurns => Unit::Turns(screw.output.value.clone()),
    }
}

/// Volume of a unit of E in the output, mm³, as far as it is one figure; `file`: in the input.
pub fn output_volume(unit: &Unit, file: Option<f64>) -> Option<f64> {
    match unit {
        Unit::AsInFile => file,
        Unit::PerVolume(units) => Some(1.0 / units),
        Unit::Turns(Output::Constant(mm3_rev)) => Some(*mm3_rev),
        Unit::Turns(Output::Curve(_)) => None,
    }
}

/// What units of E push in the file and in its output; `read_by`: how the file is read.
pub fn output_volumes(profile: &Profile, passes: Passes, read_by: &Rules) -> EVolumes {
    EVolumes { executed: executed_volume(unit(profile, passes), read_by.e_volume_mm3), ..EVolumes::of(read_by) }
}

/// The same as [`output_volume`], with turns along a curve as at its fastest point.
fn executed_volume(unit: Unit, file: Option<f64>) -> Option<f64> {
    match unit {
        Unit::Turns(output) => Some(output.per_turn_mm3()),
        unit => output_volume(&unit, file),
    }
}

/// Bounds for the soft part, in the form that the controller takes them.
pub fn soft(profile: &Profile, terms: &Terms) -> Soft {
    let rules = MotionRules::of(profile);
    let by_axis = takes(profile, BY_AXIS).then_some(&rules);
    let least = Least { mm_s: terms.least_mm_s, mm3_s: terms.least_mm3_s };
    Soft::new(least, by_axis, lowers_corners(profile).then_some(&rules))
}

/// What the speeds of moves, and how they are executed, are decided by.
#[derive(Clone, Copy, Debug)]
pub struct Grounds<'a> {
    /// The profile.
    pub profile: &'a Profile,
    /// Passes that run.
    pub passes: Passes,
    /// What the screw gives.
    pub capacity: &'a Capacity,
    /// How the lag is made up for.
    pub how: How,
    /// By which the part is judged, if it is.
    pub terms: Option<&'a Terms>,
    /// By which the output is executed.
    pub rules: &'a MotionRules,
}

/// The passes that decide how fast moves may be.
pub fn judge(grounds: Grounds<'_>) -> Judge {
    let Grounds { profile, passes, capacity, how, terms, rules } = grounds;
    let drops_turns = how != How::Not;
    let count = ECount::new(unit(profile, passes));
    let may_quicken = drops_turns || count.is_another_unit();
    Judge::new(judge::By {
        capacity: passes.capacity.then(|| {
            let fastest = capacity.peak_mm3_s.max(capacity.screw_mm3_s);
            (capacity.clone(), Sustained::new(capacity.sustained_mm3_s, capacity.window_s, fastest))
        }),
        soft: terms.map(|terms| soft(profile, terms)),
        drops_turns,
        quickest: (passes.capacity && may_quicken).then(|| Quickest::new(Planner::telling(rules), count)),
    })
}

/// The passes that decide how moves are executed.
pub fn limiter(grounds: Grounds<'_>) -> Limiter {
    let Grounds { profile, passes, capacity, how, terms, rules } = grounds;
    let melt = melt(profile, capacity);
    let screw = &profile.screw;
    let lags = passes.ramps && melt.lag_s > 0.0;
    let by_nobody = lags && screw.lag_compensated_by.value == LagCompensation::None;
    let ramp_error = screw.max_ramp_error.value.filter(|_| by_nobody);
    let eases = lags && matches!(how, How::AlongPath | How::ByController) || ramp_error.is_some();
    let flow_step = screw.max_flow_step_mm3_s.value.filter(|_| by_nobody);
    let gaps = (how != How::Not).then(|| Gaps::new(how == How::AtRest, profile.screw.min_travel_mm.value, &melt));
    let soft = terms.map(|terms| soft(profile, terms));
    let by_move = soft.as_ref().is_some_and(Soft::is_by_move);
    let sways = by_move && terms.is_some_and(|terms| terms.moves.contains(&true));
    let accel_words = profile.controller.accel_words.value;
    let takes_accels = takes(profile, ACCEL);
    let passes = limiter::Passes {
        eases,
        accels: (takes_accels && (eases || by_move)).then(|| Accels::new(accel_words, rules).sparing(sways)),
        travels: (takes_accels && sways && accel_words == AccelWords::Beads).then(|| Accels::of_travels(rules)),
        ramp_error,
        soft,
        flow_steps: flow_step.map(FlowSteps::new),
        gaps,
        count: ECount::new(unit(profile, passes)),
        melt,
        bore_mm: profile.nozzle.diameter_mm.value,
    };
    Limiter::new(passes, how == How::AtRest, Planner::new(rules))
}

/// What tells the screw. `volumes`: as [`output_volumes`] gives them.
pub fn drive(profile: &Profile, passes: Passes, capacity: &Capacity, how: How, volumes: EVolumes) -> Drive {
    let (controller, nozzle) = (&profile.controller, profile.nozzle.diameter_mm.value);
    let rules = MotionRules::with_e(profile, volumes);
    let melt = melt(profile, capacity);
    let unit = unit(profile, passes);
    let count = 1.0 / power_of_ten(DECIMALS);
    // A whole step, whatever is rounded.
    let step = 1.0 / rules.steps_per_mm[3] + count;
    let beads_differ = controller.accel_words.value == AccelWords::Beads;
    let least_mm3 = volumes.executed.filter(|_| beads_differ).map_or(0.0, |volume| step * volume);
    let max_area_mm2 = controller.max_bead_area_per_nozzle_sq.value.map(|factor| factor * nozzle * nozzle);
    let bounds = Bounds {
        bore_mm: nozzle,
        shortest_mm: (SHORTEST_SHARE * nozzle).max(SHORTEST_MM),
        max_area_mm2: max_area_mm2.unwrap_or(f64::INFINITY),
        least_mm3,
        rounding_mm3: max_area_mm2.map_or(0.0, |area| area * SHORTER_MM)
            + volumes.executed.map_or(0.0, |volume| count * volume),
    };
    Drive::new(Setup {
        how,
        melt,
        ramp: Ramp::new(melt, bounds),
        count: ECount::new(unit).for_file(volumes.executed),
        max_e_per_line: controller.max_e_per_line_mm.value.map_or(f64::INFINITY, |most| most - ROUNDED_E),
        max_e_only: controller.max_e_only_mm.value.map_or(f64::INFINITY, |most| most - ROUNDED_E),
        rules,
        letter: profile.screw.axis.value.to_ascii_uppercase(),
        flow_factor_at_rest: controller.flow_factor_at_rest.value,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 15 mm³ a turn at 120 turns a minute are 30 mm³/s, forward and back 60. At 1 unit of E a second a unit has to push
    /// 60 mm³, a strand of √(240/π) = 8.740 mm. Where seams are corners, a bore of 1 mm, 0.7854 mm², at a lag of 0.4 s and a
    /// deviation of 0.013 mm takes √(60 · 0.7854 · 0.4 / 0.104) = 13.463 mm³, 4.140 mm; half of it is 2.928 mm. A bore of
    /// 0.4 mm takes 5.385 mm³, 2.618 mm.
    #[test]
    fn strands_at_which_a_controller_takes_what_a_screw_asks() {
        let chosen = |preset: &str, diameter: &str, bore: &str| {
            let set = [
                format!("nozzle.diameter_mm={bore}"),
                format!("controller.preset={preset}"),
                format!("screw.output_diameter_mm={diameter}"),
                "screw.specific_output_mm3_rev=15".to_owned(),
                "screw.max_speed_rpm=120".to_owned(),
            ];
            let set: Vec<_> = set.iter().map(|text| text.parse().expect("an assignment")).collect();
            let profile = Profile::embedded_with(&set).expect("a sound profile");
            let Choice { how, wanted_diameter_mm, .. } =
                choice(&profile, Passes::ALL, &Capacity::of(&profile), None, false);
            (how, wanted_diameter_mm.map(|diameter| (diameter * 1e3).round() / 1e3))
        };
        assert_eq!(chosen("host", "8.7", "1"), (How::AtRest, Some(8.74)));
        assert_eq!(chosen("host", "8.8", "1"), (How::AlongPath, None));
        assert_eq!(chosen("board", "2.92", "1"), (How::AtRest, Some(4.14)));
        assert_eq!(chosen("board", "2.93", "1"), (How::AlongPath, Some(4.14)));
        assert_eq!(chosen("board", "4.15", "1"), (How::AlongPath, None));
        assert_eq!(chosen("board", "2.1", "0.4"), (How::AlongPath, Some(2.618)));
    }

    /// Turns along a curve count as at its fastest point, and a unit that only the file's `M200` tells may be too fine.
    #[test]
    fn units_without_one_volume_are_not_taken_for_coarse_ones() {
        let how = |set: &[&str]| {
            let set: Vec<_> = set.iter().map(|text| text.parse().expect("an assignment")).collect();
            let profile = Profile::embedded_with(&set).expect("a sound profile");
            choice(&profile, Passes::ALL, &Capacity::of(&profile), None, false).how
        };
        let turns = "screw.output_e_unit=screw-turns";
        assert_eq!(how(&[turns, "screw.specific_output_mm3_rev=15"]), How::AtRest);
        assert_eq!(how(&[turns, "screw.output_curve=[[20,5],[120,30]]"]), How::AtRest);
        assert_eq!(how(&[turns, "screw.output_curve=[[20,5],[120,30]]", "controller.preset=board"]), How::AlongPath);
        assert_eq!(how(&["screw.output_e_unit=as-in-file"]), How::AtRest);
    }
}

//! Profiles and runs for the tests that check whole files.

#![allow(dead_code, reason = "each test file uses a part of it")]

use std::f64::consts::FRAC_PI_4;
use std::io::Cursor;
use std::path::Path;

use meltwright::error::Result;
use meltwright::pipeline::{self, Options, Passes};
use meltwright::profile::{Corner, DwellWords, EUnit, Excess, Output, OutputUnit, Preset, Profile};
use meltwright::source;
use meltwright::summary::Summary;

use crate::reader::Rules;

/// A profile in which every value that matters to a result is set here.
pub fn profile() -> Profile {
    let mut p = Profile::embedded();
    let controller = &mut p.controller;
    controller.initial_feed_mm_s.value = 25.0;
    controller.dwell.value = DwellWords::POnly;
    controller.max_e_only_mm.value = None;
    controller.max_e_per_line_mm.value = None;
    controller.max_bead_area_per_nozzle_sq.value = None;
    controller.excess_e.value = Excess::Split;
    controller.g90_sets_e.value = false;
    let screw = &mut p.screw;
    // 15 mm³ a turn at 240 turns a minute: 60 mm³/s.
    screw.output.value = Output::Constant(15.0);
    screw.max_speed_rpm.value = 240.0;
    screw.melting_limit_mm3_s.value = None;
    screw.derate.value = 1.0;
    screw.e_unit.value = EUnit::VirtualFilament;
    screw.virtual_diameter_mm.value = Some(1.75);
    screw.tools.value = (0..10).collect();
    screw.axis.value = b'E';
    with_capacity(p, 10.0, 10.0, 60.0)
}

/// The embedded profile with values set over it, as on the command line.
pub fn embedded<'a>(set: impl IntoIterator<Item = &'a str>) -> Profile {
    let set: Vec<_> = set.into_iter().map(|text| text.parse().expect("an assignment")).collect();
    Profile::embedded_with(&set).expect("a sound profile")
}

/// A machine without inertia: what is commanded is executed, so that figures can be worked out by hand from feeds. Hand
/// cases with inertia are in `tests/planner.rs`.
pub fn without_inertia(mut profile: Profile) -> Profile {
    let machine = &mut profile.machine;
    machine.max_speed_mm_s.value = 1e9;
    machine.max_accel_mm_s2.value = 1e13;
    machine.corner.value = Corner::RightAngleSpeed(1e9);
    machine.axis_speed_mm_s.value = None;
    machine.axis_accel_mm_s2.value = None;
    let controller = &mut profile.controller;
    controller.min_cruise_share.value = 0.0;
    controller.e_step_mm_s.value = None;
    controller.e_only_speed_mm_s.value = None;
    controller.e_only_accel_mm_s2.value = None;
    profile
}

/// With these capacities, mm³/s, and this window, s.
pub fn with_capacity(mut profile: Profile, peak: f64, sustained: f64, window: f64) -> Profile {
    profile.screw.peak_flow_mm3_s.value = Some(peak);
    profile.screw.sustained_flow_mm3_s.value = Some(sustained);
    profile.screw.sustained_window_s.value = window;
    profile
}

/// The flow at the highest screw speed, mm³/s.
pub fn screw_flow(profile: &Profile) -> f64 {
    let rpm = profile.screw.max_speed_rpm.value;
    match &profile.screw.output.value {
        Output::Constant(per_turn) => per_turn * rpm / 60.0,
        Output::Curve(_) => panic!("the tests use a constant output"),
    }
}

/// Volume of a unit of E in the output of all passes, mm³.
pub fn output_volume(profile: &Profile) -> f64 {
    let screw = &profile.screw;
    match screw.output_e_unit.value {
        OutputUnit::AsInFile => rules(profile).volume_per_e,
        OutputUnit::Mm3 => 1.0,
        OutputUnit::VirtualFilament => FRAC_PI_4 * screw.output_diameter_mm.value.powi(2),
        OutputUnit::ScrewTurns => match &screw.output.value {
            Output::Constant(per_turn) => *per_turn,
            Output::Curve(_) => panic!("the tests use a constant output"),
        },
    }
}

/// The reader's rules for a profile.
pub fn rules(profile: &Profile) -> Rules {
    let diameter = profile.screw.virtual_diameter_mm.value.unwrap_or(1.75);
    Rules {
        volume_per_e: match profile.screw.e_unit.value {
            EUnit::VirtualFilament => FRAC_PI_4 * diameter * diameter,
            EUnit::Mm3 => 1.0,
            EUnit::ScrewTurns => panic!("the tests count E in length or volume"),
        },
        axis: profile.screw.axis.value,
        initial_feed: profile.controller.initial_feed_mm_s.value,
        dwell_s_wins: profile.controller.dwell.value == DwellWords::SWins,
        // Measured on a controller that plans on a host.
        motors_off_s: match profile.controller.preset.value {
            Preset::Host | Preset::Custom => 0.2,
            Preset::Board | Preset::Network => 0.0,
        },
        g90_sets_e: profile.controller.g90_sets_e.value,
        flow_percent: (
            profile.controller.flow_factor_at_rest.value,
            profile.controller.max_flow_percent.value.unwrap_or(f64::INFINITY),
        ),
        keeps_places: profile.controller.preset.value == Preset::Board,
    }
}

/// Rewrites bytes to bytes, after the look at their start that opening a file takes.
pub fn rewrite(input: &[u8], profile: &Profile, options: &Options) -> Result<(Vec<u8>, Summary)> {
    source::sniff(&input[..input.len().min(source::HEAD)])?;
    let mut output = Vec::new();
    let summary = pipeline::rewrite(&mut Cursor::new(input), &mut output, profile, options, &mut |_| {})?;
    Ok((output, summary))
}

/// Options with the capacity pass alone.
pub fn capacity_alone() -> Options {
    Options { passes: Passes { capacity: true, ..Passes::NONE }, ..Options::default() }
}

/// Options without any pass.
pub fn no_pass() -> Options {
    Options { passes: Passes::NONE, ..Options::default() }
}

/// A file under `fixtures`.
pub fn fixture(name: &str) -> Vec<u8> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures").join(name);
    std::fs::read(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// Names of the files in a folder under `fixtures`, sorted, with the folder.
pub fn fixtures_in(folder: &str) -> Vec<String> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures").join(folder);
    let mut names: Vec<String> = std::fs::read_dir(&path)
        .unwrap_or_else(|e| panic!("{}: {e}", path.display()))
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
        .map(|name| format!("{folder}/{name}"))
        .collect();
    names.sort();
    assert!(!names.is_empty(), "{} is empty", path.display());
    names
}

/// The name of a file without its folder.
pub fn name_of(path: &Path) -> String {
    path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned())
}

//! What the controller has to be set to, so that files judged or rewritten with a profile come out as computed.

use serde::Serialize;

use super::drive::How;
use super::{Passes, assemble};
use crate::demand::capacity::Capacity;
use crate::motion::rules::EVolumes;
use crate::moves::named::{LAG, LEAST_CRUISE_SHARE, PATH_ACCEL, PATH_SPEED, RIGHT_ANGLE_SPEED};
use crate::moves::resolve::sliced_e_volume_mm3;
use crate::passes::e_count::Unit;
use crate::profile::{Corner, LagCompensation, Origin, OutputUnit, Preset, Profile, Provenance};

/// One setting of the controller.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Expectation {
    /// What is set, in a few words.
    pub setting: &'static str,
    /// To what, with its unit.
    pub value: String,
    /// Key of the profile it comes from, if it does.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub key: Option<&'static str>,
    /// Whether that was measured, or read on the machine, or is only assumed.
    pub provenance: Provenance,
    /// A command that sets it until the controller is switched off; not there where none is known that is the same on all
    /// controllers of this behaviour.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub command: Option<String>,
}

/// Every setting that the result depends on. `passes`: those a file is rewritten with; none for a file as sliced.
pub fn expectations(profile: &Profile, passes: Passes) -> Vec<Expectation> {
    let mut list = List { profile, all: Vec::new() };
    motion(&mut list);
    extruder(&mut list, passes);
    limits(&mut list);
    list.all
}

struct List<'a> {
    profile: &'a Profile,
    all: Vec<Expectation>,
}

impl List<'_> {
    fn add(&mut self, setting: &'static str, value: impl Into<String>, key: &'static str, command: Option<String>) {
        let provenance = self.profile.entry(key).map_or(Provenance::Assumed, |entry| entry.provenance);
        // What the controller does not know is of no use to it.
        let controller = &self.profile.controller;
        let known = |command: &String| {
            let word = command.split(' ').next().unwrap_or_default();
            let lists = [&controller.refused_commands, &controller.skipped_commands];
            !lists.iter().any(|list| list.value.iter().any(|name| name == word))
        };
        let command = command.filter(known);
        self.all.push(Expectation { setting, value: value.into(), key: Some(key), provenance, command });
    }

    /// Whether somebody set a value, rather than that it is known of such controllers.
    fn is_own(&self, key: &str) -> bool {
        self.profile.entry(key).is_some_and(|entry| !matches!(entry.origin, Origin::Preset | Origin::Default))
    }

    fn preset(&self) -> Preset {
        self.profile.controller.preset.value
    }
}

/// `X100 Y100 Z5 E50`, each times `factor`.
fn by_axis(values: [f64; 4], factor: f64) -> String {
    // What the product of two decimal numbers has behind the sixth place is not theirs.
    let rounded = |value: f64| (value * factor * 1e6).round() / 1e6;
    let words: Vec<String> =
        ["X", "Y", "Z", "E"].iter().zip(values).map(|(l, v)| format!("{l}{}", rounded(v))).collect();
    words.join(" ")
}

/// Speeds, accelerations, corners.
fn motion(list: &mut List<'_>) {
    let machine = &list.profile.machine;
    let (speed, accel) = (machine.max_speed_mm_s.value, machine.max_accel_mm_s2.value);
    let (host, network) = (matches!(list.preset(), Preset::Host), matches!(list.preset(), Preset::Network));
    let board = matches!(list.preset(), Preset::Board);
    list.add(
        "highest speed along the path, at least what the file asks",
        format!("{speed} mm/s"),
        "machine.max_speed_mm_s",
        host.then(|| format!("{PATH_SPEED}{speed}")),
    );
    let command = match list.preset() {
        Preset::Host => Some(format!("{PATH_ACCEL}{accel}")),
        Preset::Board | Preset::Network => Some(format!("M204 P{accel} T{accel}")),
        Preset::Custom => None,
    };
    list.add("highest acceleration along the path", format!("{accel} mm/s²"), "machine.max_accel_mm_s2", command);
    let (value, command) = match machine.corner.value {
        Corner::RightAngleSpeed(speed) => {
            (format!("{speed} mm/s at a right angle"), host.then(|| format!("{RIGHT_ANGLE_SPEED}{speed}")))
        }
        Corner::Deviation(mm) => (format!("deviation of {mm} mm"), board.then(|| format!("M205 J{mm}"))),
        Corner::AxisStep(steps) => {
            let command = match list.preset() {
                Preset::Board => Some(format!("M205 {}", by_axis(steps, 1.0))),
                Preset::Network => Some(format!("M566 {}", by_axis(steps, 60.0))),
                Preset::Host | Preset::Custom => None,
            };
            (format!("jump of speed by axis, mm/s: {}", by_axis(steps, 1.0)), command)
        }
    };
    list.add("speed at corners", value, "machine.corner", command);
    if let Some(speeds) = machine.axis_speed_mm_s.value {
        // One of them counts in mm per minute.
        let command = (board || network).then(|| format!("M203 {}", by_axis(speeds, if network { 60.0 } else { 1.0 })));
        list.add("highest speed by axis, mm/s", by_axis(speeds, 1.0), "machine.axis_speed_mm_s", command);
    }
    if let Some(accels) = machine.axis_accel_mm_s2.value {
        let command = (board || network).then(|| format!("M201 {}", by_axis(accels, 1.0)));
        list.add("highest acceleration by axis, mm/s²", by_axis(accels, 1.0), "machine.axis_accel_mm_s2", command);
    }
    let share = list.profile.controller.min_cruise_share.value;
    // A host has one of its own unless it is told none.
    if host || share > 0.0 {
        let command = host.then(|| format!("{LEAST_CRUISE_SHARE}{share}"));
        list.add("least share of a move at even speed", format!("{share}"), "controller.min_cruise_share", command);
    }
    for (setting, word) in [("factor on all speeds", "M220"), ("factor on all extrusion", "M221")] {
        let command = Some(format!("{word} S100"));
        let value = "100 %".to_owned();
        list.all.push(Expectation { setting, value, key: None, provenance: Provenance::Measured, command });
    }
}

/// Outputs of a turn that are told as one: up to so many times each other.
const SAME: f64 = 1.005;

/// What E means, and who makes up for the lag.
fn extruder(list: &mut List<'_>, passes: Passes) {
    let screw = &list.profile.screw;
    let unit = assemble::unit(list.profile, passes);
    let of_file = sliced_e_volume_mm3(list.profile, None);
    let volume = assemble::output_volume(&unit, of_file);
    let [fewest, most] = screw.output.value.per_turn_range_mm3().map(|mm3_rev| mm3_rev.max(1e-9));
    let key = match (&unit, screw.output_e_unit.value) {
        (Unit::AsInFile, _) => "screw.e_unit",
        (_, OutputUnit::VirtualFilament) => "screw.output_diameter_mm",
        _ => "screw.output_e_unit",
    };
    let meaning = match volume {
        Some(volume) if most > fewest * SAME => {
            let [least, most] = [volume / most, volume / fewest];
            format!("pushes {volume:.3} mm³, {least:.4} to {most:.4} turns of the screw, depending on its speed")
        }
        Some(volume) => format!("pushes {volume:.3} mm³, {:.4} turns of the screw", volume / most),
        _ if matches!(unit, Unit::Turns(_)) => "is one turn of the screw".to_owned(),
        _ => "is what the slicing profile says".to_owned(),
    };
    list.add("one unit of E", meaning, key, None);
    if !matches!(unit, Unit::AsInFile) && screw.output_e_unit.value == OutputUnit::VirtualFilament {
        let strand = format!("{} mm", screw.output_diameter_mm.value);
        list.add("diameter of the strand that E counts", strand, key, None);
    }
    let volumes = EVolumes { sliced: of_file, executed: volume };
    if !matches!(unit, Unit::AsInFile) && volumes.differ() {
        let value = format!("{:.4} times those for E as in the sliced file", volumes.ratio());
        list.add("motor steps for one unit of E", value, key, None);
    }
    turns_alone(list);
    let lag = screw.melt_lag_s.value;
    let how = assemble::choice(list.profile, passes, &Capacity::of(list.profile), of_file, false).how;
    let (value, on) = match (screw.lag_compensated_by.value, how) {
        (LagCompensation::Controller, _) => (format!("on, {lag} s"), lag),
        (_, How::AlongPath) => ("off: the file does it".to_owned(), 0.0),
        _ => ("off".to_owned(), 0.0),
    };
    let command = match list.preset() {
        Preset::Host => Some(format!("{LAG}{on}")),
        Preset::Board => Some(format!("M900 K{on}")),
        Preset::Network => Some(format!("M572 D0 S{on}")),
        Preset::Custom => None,
    };
    list.add("compensation of melt lag by the controller", value, "screw.lag_compensated_by", command);
}

/// Limits of E by itself.
fn turns_alone(list: &mut List<'_>) {
    let controller = &list.profile.controller;
    if let Some(step) = controller.e_step_mm_s.value {
        let value = format!("{step} units/s");
        list.add("jump of the speed of E without braking, at least", value, "controller.e_step_mm_s", None);
    }
    if let Some(speed) = controller.e_only_speed_mm_s.value {
        let value = format!("{speed} units/s");
        list.add("highest speed of E without motion", value, "controller.e_only_speed_mm_s", None);
    }
    if let Some(accel) = controller.e_only_accel_mm_s2.value {
        let command = matches!(list.preset(), Preset::Board).then(|| format!("M204 R{accel}"));
        let value = format!("{accel} units/s²");
        list.add("acceleration of E without motion", value, "controller.e_only_accel_mm_s2", command);
    }
}

/// What the controller would refuse. A limit that the profile takes away has to be taken away there too.
fn limits(list: &mut List<'_>) {
    let controller = &list.profile.controller;
    let bore = list.profile.nozzle.diameter_mm.value;
    let units = |most: Option<f64>| most.map(|most| format!("{most} units"));
    let area = controller.max_bead_area_per_nozzle_sq.value;
    let least = controller.min_extrude_temperature_c.value;
    for (setting, value, key, command) in [
        (
            "most E in a line without motion, at least",
            units(controller.max_e_only_mm.value),
            "controller.max_e_only_mm",
            None,
        ),
        (
            "most E in any line, at least",
            units(controller.max_e_per_line_mm.value),
            "controller.max_e_per_line_mm",
            None,
        ),
        (
            "largest bead area, at least",
            area.map(|area| format!("{:.2} mm², {area} times the bore of {bore} mm squared", area * bore * bore)),
            "controller.max_bead_area_per_nozzle_sq",
            None,
        ),
        (
            "least temperature for extrusion, at most",
            least.map(|least| format!("{least} °C")),
            "controller.min_extrude_temperature_c",
            matches!(list.preset(), Preset::Board).then(|| format!("M302 S{}", least.unwrap_or(0.0))),
        ),
    ] {
        match value {
            Some(value) => list.add(setting, value, key, command),
            None if list.is_own(key) => list.add(setting, "no limit", key, command),
            None => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sheet(set: &[&str], passes: Passes) -> Vec<Expectation> {
        let set: Vec<_> = set.iter().map(|text| text.parse().expect("an assignment")).collect();
        expectations(&Profile::embedded_with(&set).expect("a profile"), passes)
    }

    fn value<'a>(sheet: &'a [Expectation], key: &str) -> &'a Expectation {
        sheet.iter().rfind(|one| one.key == Some(key)).expect("a setting")
    }

    /// A strand of 10 mm has 78.540 mm², one of 1.75 mm 2.40528 mm²: 32.6531 times; 78.540 / 15 turns.
    #[test]
    fn unit_of_e_by_hand() {
        let sheet = sheet(&["screw.virtual_diameter_mm=1.75"], Passes::ALL);
        let e: Vec<_> = sheet.iter().filter(|one| one.key == Some("screw.output_diameter_mm")).collect();
        assert_eq!(e[0].value, "pushes 78.540 mm³, 5.2360 turns of the screw");
        assert_eq!(e[1].value, "10 mm");
        assert_eq!(e[2].value, "32.6531 times those for E as in the sliced file");
        let as_sliced = super::tests::sheet(&["screw.virtual_diameter_mm=1.75"], Passes::NONE);
        assert_eq!(value(&as_sliced, "screw.e_unit").value, "pushes 2.405 mm³, 0.1604 turns of the screw");
    }

    /// What somebody takes away is told; what such controllers have none of is not.
    #[test]
    fn limits_that_are_taken_away_are_told() {
        let board = ["controller.preset=board", "controller.min_extrude_temperature_c=none"];
        let board = sheet(&[&board[..], &["controller.max_e_only_mm=none"]].concat(), Passes::ALL);
        let cold = value(&board, "controller.min_extrude_temperature_c");
        assert_eq!((&*cold.value, cold.command.as_deref()), ("no limit", Some("M302 S0")));
        assert_eq!(value(&board, "controller.max_e_only_mm").value, "no limit");
        assert!(board.iter().all(|one| one.key != Some("controller.max_bead_area_per_nozzle_sq")));
        let host = sheet(&["controller.min_cruise_share=0"], Passes::ALL);
        let share = value(&host, "controller.min_cruise_share");
        assert_eq!((&*share.value, share.command.clone()), ("0", Some(format!("{LEAST_CRUISE_SHARE}0"))));
        assert_eq!(value(&host, "controller.e_step_mm_s").value, "1 units/s");
    }

    /// E leads with ramps and starts only, and where the controller lets it.
    #[test]
    fn who_makes_up_for_the_lag() {
        let lag = |set: &[&str], passes| value(&sheet(set, passes), "screw.lag_compensated_by").value.clone();
        assert_eq!(lag(&[], Passes::ALL), "off: the file does it");
        assert_eq!(lag(&[], Passes { starts: false, ..Passes::ALL }), "off");
        assert_eq!(lag(&[], Passes { ramps: false, ..Passes::ALL }), "off");
        assert_eq!(lag(&["screw.output_diameter_mm=1.75"], Passes::ALL), "off");
        assert_eq!(lag(&["screw.lag_compensated_by=controller"], Passes::NONE), "on, 0.4 s");
    }

    #[test]
    fn commands_are_those_of_the_controller() {
        let command = |preset: &str, key: &str, more: &[&str]| {
            let preset = format!("controller.preset={preset}");
            value(&sheet(&[&[preset.as_str()], more].concat(), Passes::ALL), key).command.clone()
        };
        let lag = "screw.lag_compensated_by";
        let by_controller = ["screw.lag_compensated_by=controller", "screw.melt_lag_s=0.3"];
        assert_eq!(command("host", lag, &[]).as_deref(), Some(&*format!("{LAG}0")));
        assert_eq!(command("board", lag, &by_controller).as_deref(), Some("M900 K0.3"));
        assert_eq!(command("network", lag, &by_controller).as_deref(), Some("M572 D0 S0.3"));
        assert_eq!(command("board", "machine.corner", &[]).as_deref(), Some("M205 J0.013"));
        // 10, 10, 0.3 and 5 mm/s a minute.
        assert_eq!(command("network", "machine.corner", &[]).as_deref(), Some("M566 X600 Y600 Z18 E300"));
        assert_eq!(command("board", "machine.axis_speed_mm_s", &[]).as_deref(), Some("M203 X300 Y300 Z20 E120"));
        assert_eq!(
            command("network", "machine.axis_speed_mm_s", &[]).as_deref(),
            Some("M203 X18000 Y18000 Z1200 E7200")
        );
        // A command that the controller skips is none.
        let skips = ["controller.skipped_commands=[\"M205\"]"];
        assert_eq!(command("board", "machine.corner", &skips), None);
    }
}

//! Where a profile and a file, or the values of a profile, do not go together: what is told, and what is not.

#[path = "support/reader.rs"]
mod reader;
#[path = "support/runs.rs"]
mod runs;
#[path = "support/stack.rs"]
mod stack;
#[path = "support/strand.rs"]
mod strand;

use std::io::Cursor;

use meltwright::pipeline::{self, Options, Passes};
use meltwright::profile::{PartMoves, Profile};
use meltwright::summary::Summary;
use stack::Stack;
use strand::{has, profile, rewrite};

fn audit(input: &str, profile: &Profile, passes: Passes) -> Summary {
    let options = Options { again: true, passes, ..Options::default() };
    pipeline::audit(&mut Cursor::new(input), profile, &options, &mut |_| {}).expect("an audit")
}

fn detail(summary: &Summary, code: &str) -> Option<String> {
    let finding = summary.findings.iter().find(|finding| finding.code == code)?;
    finding.places.first().map(|place| place.detail.clone())
}

const BEADS: &str = "M83\nG28\nG1 Z0.8 F600\nG1 X50 Y50 F9000\nG1 X80 E2 F600\nG0 X20 Y20 F9000\nG1 X50 E2 F600\n";

#[test]
fn a_file_of_another_strand_is_told() {
    let told = |strand: &str, own: &str| {
        let input = format!("; filament_diameter = {strand}\n{BEADS}");
        detail(&audit(&input, &profile(&[own]), Passes::ALL), "diameter-differs")
    };
    let differs = told("2.85", "screw.virtual_diameter_mm=1.75");
    assert_eq!(differs.as_deref(), Some("2.85 mm in the file, 1.75 mm in the profile"));
    for own in ["screw.virtual_diameter_mm=2.85", "screw.virtual_diameter_mm=none", "screw.e_unit=mm3"] {
        assert_eq!(told("2.85", own), None, "{own}");
    }
    // An output counts by a strand of its own, and says so.
    let (output, _) = rewrite(&format!("; filament_diameter = 1.75\n{BEADS}"), &["screw.lag_compensated_by=none"]);
    assert_eq!(detail(&audit(&output, &profile(&[]), Passes::ALL), "diameter-differs"), None);
}

#[test]
fn cooling_to_what_is_never_reached_is_told() {
    let told = |solid: &str, passes| detail(&audit(BEADS, &profile(&[solid]), passes), "cooling-off");
    let cold = told("part.solid_temperature_c=10", Passes::ALL);
    assert_eq!(cold.as_deref(), Some("to 10 °C, in air of 25 °C, laid at 210 °C"));
    assert!(told("part.solid_temperature_c=210", Passes::ALL).is_some());
    assert_eq!(told("part.solid_temperature_c=110", Passes::ALL), None);
    assert_eq!(told("part.solid_temperature_c=none", Passes::ALL), None);
    assert_eq!(told("part.solid_temperature_c=10", Passes { layer_time: false, ..Passes::ALL }), None);
}

/// E along the path cannot lead by a dead time: at rest, of four lines two turn the screw around the way between two beads.
#[test]
fn a_melt_that_answers_late_gets_turns_at_rest() {
    for (dead_time, is_late) in [("0", false), ("0.02", false), ("0.03", true), ("0.3", true)] {
        let (output, summary) = rewrite(BEADS, &[&format!("screw.dead_time_s={dead_time}"), "controller.preset=host"]);
        assert_eq!(has(&summary, "dead-time"), is_late, "{dead_time}");
        assert_eq!(output.lines().any(|line| line.starts_with("G1 E")), is_late, "{dead_time}: {output}");
    }
}

#[test]
fn a_lift_that_goes_with_reversals_is_told() {
    let told = |settings: &str| {
        let input = format!("{settings}\n{BEADS}");
        detail(&audit(&input, &profile(&["controller.preset=board"]), Passes::ALL), "reversal-lifts")
    };
    assert_eq!(told("M207 S2 F2400 Z0.6").as_deref(), Some("M207 S2 F2400 Z0.6"));
    assert_eq!([told("M207 S2 F2400 Z0"), told("M207 S2 F2400")], [None, None]);
}

/// A tube of 40 mm with walls of 1 mm and of 4 mm, one filled to a quarter, and a block.
#[test]
fn a_shell_is_told_to_be_one() {
    let told = |lay: &dyn Fn(&mut Stack)| {
        let mut stack = Stack::new(1.0, 1.0);
        for _ in 0..20 {
            lay(stack.up());
        }
        let mut p = stack::profile(0.5, 1.0);
        p.machine.part_moves.value = PartMoves::Y;
        detail(&audit(&stack.text, &p, stack::SOFT), "part-thin-walled")
    };
    let ring = |stack: &mut Stack, walls: u32| {
        for wall in 0..walls {
            let inset = f64::from(wall);
            stack.ring([50.0 + inset, 50.0 + inset], 39.0 - 2.0 * inset);
        }
    };
    let shell = told(&|stack| ring(stack, 1));
    assert_eq!(shell.as_deref(), Some("from layer 11, z 11.0 mm, up"));
    assert_eq!(told(&|stack| ring(stack, 4)), None);
    assert_eq!(told(&|stack| _ = stack.block([50.0, 50.0], [40.0, 4.0])), None, "a wall by itself bends as a whole");
    let filled = |stack: &mut Stack| {
        ring(stack, 1);
        for row in 0..9 {
            stack.block([50.5, 54.0 + 4.0 * f64::from(row)], [38.0, 1.0]);
        }
    };
    assert_eq!(told(&filled), None);
}

/// The time without a bead is that of the output, purges and turns at rest included.
#[test]
fn purges_are_times_without_a_bead() {
    let mut input = String::from("M83\nG28\nG1 Z0.8 F600\nG1 X50 Y50 F9000\n");
    for _ in 0..240 {
        input += "G1 X80 E8 F600\nG0 X50 F9000\n";
    }
    let settings = [
        "screw.lag_compensated_by=none",
        "controller.preset=host",
        "hopper.usable_g=2",
        "hopper.margin_g=0.05",
        "hopper.pause_command=REFILL",
        "hopper.purge_mm3=200",
        "machine.park_x_mm=5",
        "machine.park_y_mm=5",
    ];
    let (output, summary) = rewrite(&input, &settings);
    let found = audit(&output, &profile(&settings), Passes::ALL);
    let (told, found) = (summary.screw.longest_idle_s, found.stops.longest_idle_s);
    assert!(found > 8.0 && (told / found - 1.0).abs() < 0.02, "{told} s told, {found} s found");
}

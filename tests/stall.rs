//! What the controller's planner makes of E is found in an audit; its own lag compensation is taken out on request.

#[path = "support/runs.rs"]
mod runs;

#[path = "support/reader.rs"]
mod reader;

use std::io::Cursor;

use meltwright::pipeline::{self, Options, Passes};
use meltwright::profile::Profile;
use meltwright::summary::{Finding, Summary};

const PRESETS: [&str; 3] = ["host", "board", "network"];

/// Codes of what the planner makes of E.
const PLANNED: [&str; 3] = ["e-step-stall", "e-limit", "step-rate"];

fn profile(preset: &str, more: &[&str]) -> Profile {
    let preset = format!("controller.preset={preset}");
    runs::embedded([preset.as_str(), "screw.virtual_diameter_mm=1.75"].into_iter().chain(more.iter().copied()))
}

fn audit(input: &[u8], profile: &Profile) -> Summary {
    let options = Options { again: true, lenient: true, ..Options::default() };
    pipeline::audit(&mut Cursor::new(input), profile, &options, &mut |_| {}).expect("an audit")
}

fn finding<'a>(findings: &'a [Finding], code: &str) -> Option<&'a Finding> {
    findings.iter().find(|finding| finding.code == code)
}

/// Line and detail of each place of a finding, the weightiest first.
fn places(findings: &[Finding], code: &str) -> Vec<(u64, String)> {
    let places = finding(findings, code).map_or(&[][..], |finding| &finding.places);
    places.iter().map(|place| (place.line, place.detail.clone())).collect()
}

fn lines(findings: &[Finding], code: &str) -> Vec<u64> {
    let mut lines: Vec<u64> = places(findings, code).into_iter().map(|place| place.0).collect();
    lines.sort_unstable();
    lines
}

fn motion(name: &str) -> Vec<u8> {
    runs::fixture(&format!("gcode/motion/{name}.gcode"))
}

/// Lines behind five of preparation, for short cases.
fn behind_a_start(lines: &str) -> Vec<u8> {
    format!("G90\nM83\nM109 S200\nG28\nG1 X10 Y10 Z0.4 F6000\n{lines}").into_bytes()
}

/// A file, and by preset (host, board, network) the lines where each of [`PLANNED`] is found.
type Row = (&'static str, [[&'static [u64]; 3]; 3]);

#[test]
fn found_where_the_controller_brakes_and_nowhere_else() {
    let rows: [Row; 4] = [
        // From 0 over 0.33 to 0.5 units of E a mm; the last stays as it is, behind a right angle.
        ("e-step-stall", [[&[6, 7], &[], &[]], [&[], &[], &[]], [&[], &[], &[]]]),
        // 1.6 units of E a mm: 120/1.6 = 75 mm/s instead of 100 on the boards; a host knows no such limit, and starts
        // at 1/1.6 mm/s. Network: 5/1.6 = 3.1 mm/s, where 45 degrees allow 10/0.707 = 14.1.
        ("e-limit", [[&[6], &[], &[]], [&[], &[6, 7], &[]], [&[6], &[6, 7], &[]]]),
        ("lag-spellings", [[&[], &[], &[]], [&[], &[], &[]], [&[], &[], &[]]]),
        ("reversals", [[&[], &[], &[]], [&[], &[], &[]], [&[], &[], &[]]]),
    ];
    for (name, by_preset) in rows {
        for (preset, expected) in PRESETS.into_iter().zip(by_preset) {
            let findings = audit(&motion(name), &profile(preset, &[])).findings;
            assert_eq!(PLANNED.map(|code| lines(&findings, code)), expected.map(<[u64]>::to_vec), "{name}, {preset}");
            let counted = PLANNED.map(|code| finding(&findings, code).map_or(0, |finding| finding.count));
            assert_eq!(counted, expected.map(|lines| lines.len() as u64), "{name}, {preset}");
        }
    }
}

/// The rule of the planner: v <= step/change of E per mm. By hand 1/0.17 = 5.88 and 1/0.33 = 3.03 mm/s.
#[test]
fn a_stall_says_what_it_costs_where() {
    let found = places(&audit(&motion("e-step-stall"), &profile("host", &[])).findings, "e-step-stall");
    // Straight on, 40 mm/s are lost down to 5.9: twice (40 - 5.88)²/(2 · 3000 · 40) = 9.7 ms. At 45 degrees, 11.2 down
    // to 3.0: twice (11.2 - 3.03)²/(2 · 3000 · 11.2) = 2.0 ms.
    let expected = [
        (7, "from 40 to 5.9 mm/s: E per mm goes 0.33 to 0.50".to_owned()),
        (6, "from 100 to 3.0 mm/s: E per mm goes 0.00 to 0.33".to_owned()),
    ];
    assert_eq!(found, expected);
    // A controller that takes 3 units/s: 17.6 and 9.1 mm/s, more than a third of 40 and of 11.2.
    let findings = audit(&motion("e-step-stall"), &profile("host", &["controller.e_step_mm_s=3"])).findings;
    assert_eq!(places(&findings, "e-step-stall"), []);
    let findings = audit(&motion("e-step-stall"), &profile("host", &["controller.e_step_mm_s=none"])).findings;
    assert_eq!(places(&findings, "e-step-stall"), []);
}

/// The rule under which E may jump by 5 units/s, as by-axis rules have it: 5/0.6 = 8.3 mm/s straight on.
#[test]
fn an_axis_rule_stalls_as_well() {
    let input = behind_a_start("G1 X60 E10 F3600\nG1 X110 E40\nG1 X111 E-1\nG1 X160 E30\n");
    let findings = audit(&input, &profile("network", &[])).findings;
    let found = places(&findings, "e-step-stall");
    assert!(found.contains(&(7, "from 60 to 8.3 mm/s: E per mm goes 0.20 to 0.80".to_owned())), "{found:?}");
    // Turning back, E stops in between: 5/1 instead of 5/1.8 mm/s, and 5/1 before 0.61.
    assert!(found.iter().any(|place| place.0 == 8 && place.1.contains("to 5.0 mm/s")), "{found:?}");
}

/// Where a rewrite counts E in another unit, it tells itself what stalls that makes or leaves, as an audit of its output does.
#[test]
fn a_rewrite_tells_the_stalls_of_its_output() {
    let turning = behind_a_start("G1 X60 E10 F3600\nG1 X110 E40\nG1 X111 E-1\nG1 X160 E30\n");
    let inputs = [motion("e-step-stall"), motion("e-limit"), turning];
    let ways = [
        ["screw.melt_lag_s=0", "screw.output_e_unit=as-in-file"],
        ["screw.melt_lag_s=0", "screw.output_diameter_mm=3"],
        ["screw.melt_lag_s=0", "screw.output_diameter_mm=30"],
        ["screw.lag_compensated_by=controller", "screw.output_diameter_mm=1.75"],
        ["screw.lag_compensated_by=none", "screw.output_diameter_mm=1.75"],
    ];
    let mut told = [0; 5];
    for (input, preset) in inputs.iter().flat_map(|input| PRESETS.map(|preset| (input, preset))) {
        for (way, told) in ways.iter().zip(&mut told) {
            let still = ["machine.part_moves=none", "part.solid_temperature_c=none"];
            let profile = profile(preset, &[&way[..], &still].concat());
            let (output, summary) = runs::rewrite(input, &profile, &Options::default()).expect("a rewrite");
            let details = |findings: &[Finding]| -> Vec<String> {
                places(findings, "e-step-stall").into_iter().map(|(_, detail)| detail).collect()
            };
            let found = details(&audit(&output, &profile).findings);
            let is_told = way[1] != "screw.output_e_unit=as-in-file";
            assert_eq!(details(&summary.findings), if is_told { found.clone() } else { vec![] }, "{preset}, {way:?}");
            *told += found.len();
        }
    }
    let [as_in_file, thin, wide, ..] = told;
    assert!(as_in_file > 2 && thin > 0 && wide == 0, "{told:?}");
}

/// A stop, a wait and a turn without motion are no junctions.
#[test]
fn stops_are_no_stalls() {
    let input = behind_a_start("G4 P10\nG1 X60 E16.5 F2400\nM400\nG1 X110 E30\nG1 E-1 F600\nG1 X160 E16.5 F2400\n");
    assert_eq!(lines(&audit(&input, &profile("host", &[])).findings, "e-step-stall"), [0_u64; 0]);
}

/// Limits of E hold a whole move back on a board: 120/1.6 = 75 mm/s, and 500/1.6 = 312.5 mm/s².
#[test]
fn a_limit_of_e_says_what_it_leaves() {
    let findings = audit(&motion("e-limit"), &profile("board", &[])).findings;
    let first = |findings: &[Finding]| places(findings, "e-limit").into_iter().find(|place| place.0 == 6);
    assert_eq!(first(&findings), Some((6, "75 instead of 100 mm/s: at most 120 units of E/s".to_owned())));
    let slow = ["machine.axis_accel_mm_s2=[3000, 3000, 200, 500]", "machine.axis_speed_mm_s=[300, 300, 20, 500]"];
    let findings = audit(&motion("e-limit"), &profile("board", &slow)).findings;
    assert_eq!(first(&findings), Some((6, "312 instead of 3,000 mm/s²: at most 500 units of E/s²".to_owned())));
    let free = ["machine.axis_accel_mm_s2=none", "machine.axis_speed_mm_s=none"];
    assert_eq!(first(&audit(&motion("e-limit"), &profile("board", &free)).findings), None);
    // The file itself may raise it.
    let mut raised = b"M203 E500\n".to_vec();
    raised.extend(motion("e-limit"));
    assert_eq!(finding(&audit(&raised, &profile("board", &[])).findings, "e-limit"), None);
}

/// 80 steps a mm of X at 100 mm/s: 8000 a second; with crossed belts, both axes add up along a diagonal.
#[test]
fn steps_that_come_too_fast_are_named() {
    let input = behind_a_start("G1 X60 E2 F6000\nG1 Y60 E2 F3000\nG1 X10 Y10 E2 F3000\nG1 E3 F1200\nG1 X60 E2\n");
    let found = |more: &[&str]| places(&audit(&input, &profile("host", more)).findings, "step-rate");
    assert_eq!(found(&[]), []);
    let limit = "controller.max_step_rate_hz=7000";
    // E of line 9: 3 units, 20 of them a second, 500 steps each.
    let expected = [
        (9, "E: 10,000 steps a second, at most 7,000".to_owned()),
        (6, "X: 8,000 steps a second, at most 7,000".to_owned()),
    ];
    assert_eq!(found(&[limit]), expected);
    // Line 5 at 100 mm/s goes 10, 10 and 0.4 mm: (10 + 10)/14.148 · 8000.
    let belts = found(&[limit, "machine.kinematics=crossed-belts"]);
    let diagonal = belts.iter().find(|place| place.0 == 5).expect("the diagonal");
    assert_eq!(diagonal.1, "Y: 11,309 steps a second, at most 7,000");
    assert_eq!(belts.len(), 3);
    let delta = found(&[limit, "machine.kinematics=delta"]);
    assert_eq!(delta, expected[..1]);
}

/// What a rewrite writes stalls nowhere more often than its input.
#[test]
fn a_rewrite_adds_no_stalls() {
    let folders = ["gcode/controller", "gcode/motion", "gcode/ok", "demo"];
    let mut rewritten = 0;
    let mut worse = Vec::new();
    for name in folders.iter().flat_map(|folder| runs::fixtures_in(folder)) {
        // There, the E of a tool that is no screw keeps its unit beside that of the screw.
        if name.ends_with("ok/tools.gcode") {
            continue;
        }
        for preset in PRESETS {
            let profile = profile(preset, &[]);
            let input = runs::fixture(&name);
            let options = Options { lenient: true, ..Options::default() };
            let Ok((output, _)) = runs::rewrite(&input, &profile, &options) else { continue };
            let (before, after) = (audit(&input, &profile).findings, audit(&output, &profile).findings);
            for code in PLANNED {
                let count = |findings: &[Finding]| finding(findings, code).map_or(0, |finding| finding.count);
                if count(&after) > count(&before) {
                    worse.push(format!(
                        "{name}, {preset}: {code} {} after {}, {:?}",
                        count(&after),
                        count(&before),
                        places(&after, code)
                    ));
                }
            }
            rewritten += 1;
        }
    }
    assert!(rewritten > 100);
    assert_eq!(worse, [""; 0]);
}

/// Lines of a file without its line ends.
fn text_lines(bytes: &[u8]) -> Vec<String> {
    String::from_utf8_lossy(bytes).lines().map(str::to_owned).collect()
}

#[test]
fn lag_commands_are_made_comments_on_request() {
    let input = motion("lag-spellings");
    let given = text_lines(&input);
    let commented = given[5..11].iter().map(|line| format!("; taken out: {line}")).collect::<Vec<_>>();
    for preset in PRESETS {
        let profile = profile(preset, &["controller.lag_commands=take-out"]);
        let (output, summary) = runs::rewrite(&input, &profile, &Options::default()).expect("a rewrite");
        let written = text_lines(&output);
        let taken: Vec<_> = written.iter().filter(|line| line.contains("taken out")).cloned().collect();
        assert_eq!(taken, commented, "{preset}");
        // That of another tool, those that switch it off, that say nothing and that are counted stay as they are.
        for line in &given[11..17] {
            assert!(written.contains(line), "{preset}: {line}");
        }
        assert_eq!(summary.changes.lag_commands_taken_out, 6, "{preset}");
        let left: &[u64] = if preset == "host" { &[12] } else { &[17] };
        assert_eq!(lines(&summary.findings, "lag-feature"), left, "{preset}");
        // The output has one line more, the marker.
        let after = lines(&audit(&output, &profile).findings, "lag-feature");
        assert_eq!(after, left.iter().map(|line| line + 1).collect::<Vec<_>>(), "{preset}");
    }
}

/// Only one of both may make up for the lag, and by the lag of the profile. Where nobody does, the file is left as it is.
#[test]
fn lag_commands_go_where_e_leads_the_flow() {
    let input = motion("lag-spellings");
    for preset in PRESETS {
        for by in ["file", "none", "controller"] {
            let profile = profile(preset, &[&format!("screw.lag_compensated_by={by}")]);
            let (output, summary) = runs::rewrite(&input, &profile, &Options::default()).expect("a rewrite");
            let (taken, told): (u64, &[u64]) = match (by, preset) {
                // What the controller does not know stays, and a line that is counted.
                ("file", "host") => (1, &[11, 12]),
                ("file", "board") => (4, &[6, 7, 8, 9, 17]),
                ("file", _) => (5, &[6, 7, 8, 9, 10, 17]),
                // Where the controller is counted on, what switches it off goes as well.
                ("controller", "host") => (2, &[11, 12, 15]),
                ("controller", "board") => (5, &[6, 7, 8, 9, 13, 17]),
                ("controller", _) => (7, &[6, 7, 8, 9, 10, 13, 14, 17]),
                (_, "host") => (0, &[11, 12]),
                (_, "board") => (0, &[6, 7, 8, 9, 17]),
                _ => (0, &[6, 7, 8, 9, 10, 17]),
            };
            assert_eq!(summary.changes.lag_commands_taken_out, taken, "{preset}, {by}");
            assert_eq!(lines(&summary.findings, "lag-feature"), told, "{preset}, {by}");
            let written = text_lines(&output).iter().filter(|line| line.starts_with("; taken out: ")).count();
            assert_eq!(written as u64, taken, "{preset}, {by}");
        }
    }
}

#[test]
fn lag_commands_stay_where_that_is_asked_for() {
    let input = motion("lag-spellings");
    let by_preset: [&[u64]; 3] = [&[11, 12], &[6, 7, 8, 9, 17], &[6, 7, 8, 9, 10, 17]];
    for (preset, expected) in PRESETS.into_iter().zip(by_preset) {
        let profile = profile(preset, &["controller.lag_commands=keep"]);
        let (output, summary) = runs::rewrite(&input, &profile, &Options::default()).expect("a rewrite");
        let written = text_lines(&output);
        text_lines(&input)[5..17].iter().for_each(|line| assert!(written.contains(line), "{preset}: {line}"));
        assert_eq!(summary.changes.lag_commands_taken_out, 0);
        assert_eq!(lines(&summary.findings, "lag-feature"), expected, "{preset}");
        let help = &finding(&summary.findings, "lag-feature").expect("the finding").help;
        assert!(help.contains("controller.lag_commands"), "{help}");
        // An audit names what a rewrite would take out.
        let asked = self::profile(preset, &["controller.lag_commands=take-out"]);
        assert_eq!(lines(&audit(&input, &asked).findings, "lag-feature"), expected, "{preset}");
    }
}

/// A line that is taken out is told of in the same words as one that stays.
#[test]
fn lag_commands_are_told_in_one_way() {
    let input = motion("lag-spellings");
    for preset in PRESETS {
        let details = |findings: &[Finding]| -> Vec<(u64, String)> {
            let places = &finding(findings, "lag-feature").expect("the finding").places;
            places.iter().map(|place| (place.line, place.detail.clone())).collect()
        };
        // E has to lead the flow for lines to be taken out.
        let profile = profile(preset, &["screw.output_diameter_mm=10"]);
        let written = runs::rewrite(&input, &profile, &Options::default()).expect("a rewrite").1;
        assert!(written.changes.lag_commands_taken_out > 0, "{preset}");
        assert_eq!(details(&written.findings), details(&audit(&input, &profile).findings), "{preset}");
    }
}

/// On a board, the lag it compensates itself bounds the acceleration of beads; the output is free of it.
#[test]
fn without_the_lag_command_the_controller_plans_without_lag() {
    let input = behind_a_start("M900 K0.4\nG1 X60 E10 F3600\nG1 X10 E10\nM900 K0\nG1 X60 E10\n");
    let profile = profile("board", &["controller.lag_commands=take-out", "screw.peak_flow_mm3_s=1000"]);
    let passes = Passes { capacity: true, ..Passes::NONE };
    let (output, summary) = runs::rewrite(&input, &profile, &Options { passes, ..Options::default() }).expect("it");
    let (before, after) = (audit(&input, &profile).before.time_s, audit(&output, &profile).before.time_s);
    assert!(before > after + 0.1, "{before} {after}");
    assert_eq!((summary.before.time_s, summary.after.time_s), (before, after));
    let text = String::from_utf8(output).expect("text");
    assert!(text.contains("\n; taken out: M900 K0.4\nG1 X60 E10 F3600\n") && text.contains("\nM900 K0\n"), "{text}");
}

#[test]
fn blocks_change_nothing() {
    for name in ["lag-spellings", "reversals", "e-step-stall", "e-limit"] {
        for preset in PRESETS {
            let profile = profile(preset, &["controller.lag_commands=take-out"]);
            let in_blocks = |block_size| {
                let options = Options { block_size, ..Options::default() };
                let input = motion(name);
                let audited = pipeline::audit(&mut Cursor::new(&input), &profile, &options, &mut |_| {});
                let (output, _) = runs::rewrite(&input, &profile, &options).expect("a rewrite");
                (output, audited.expect("an audit").findings)
            };
            assert!(in_blocks(1) == in_blocks(64 * 1024), "{name}, {preset}");
        }
    }
}

/// A byte order mark stays in front, and a line end of two bytes is kept.
#[test]
fn taking_out_keeps_marks_and_line_ends() {
    let profile = profile("board", &["controller.lag_commands=take-out"]);
    let passes = Passes { capacity: true, ..Passes::NONE };
    let input = b"\xef\xbb\xbfM900 K0.4\r\nM83\r\nM109 S200\r\nG1 X10 E0.1 F600\r\n";
    let (output, _) = runs::rewrite(input, &profile, &Options { passes, ..Options::default() }).expect("a rewrite");
    let text = String::from_utf8(output).expect("text");
    assert!(text.starts_with("\u{feff}; rewritten by meltwright"), "{text}");
    let (_, rest) = text.split_once("\r\n").expect("the marker's line");
    assert_eq!(rest, "; taken out: M900 K0.4\r\nM83\r\nM109 S200\r\nG1 X10 E0.1 F600\r\n");
}

/// Reversals and refills that the controller does by itself go where the lag is made up for, and stay where not.
#[test]
fn reversals_by_the_controller_go_with_the_lag() {
    let input = motion("reversals");
    let given = text_lines(&input);
    let is_bare = |line: &&String| ["G10", "G11"].contains(&line.as_str());
    let kept = |line: &str| ["G4", "M221", "G10 P"].iter().any(|start| line.starts_with(start));
    for preset in PRESETS {
        for by in ["file", "none"] {
            let profile = profile(preset, &[&format!("screw.lag_compensated_by={by}")]);
            let (output, summary) = runs::rewrite(&input, &profile, &Options::default()).expect("a rewrite");
            let written = text_lines(&output);
            assert_eq!(written.iter().filter(is_bare).count(), 0, "{preset}, {by}");
            assert_eq!((summary.screw.replaced, summary.changes.lines_removed), (4, 4), "{preset}, {by}");
            let left = |lines: &[String]| lines.iter().filter(|line| kept(line)).cloned().collect::<Vec<_>>();
            assert_eq!(left(&written), left(&given), "{preset}, {by}");
            assert_eq!(left(&written).len(), 4);
        }
        let passes = Passes { capacity: true, ..Passes::NONE };
        let options = Options { passes, ..Options::default() };
        let (output, summary) = runs::rewrite(&input, &profile(preset, &[]), &options).expect("a rewrite");
        let written = text_lines(&output);
        assert_eq!(written.iter().filter(is_bare).count(), 4, "{preset}");
        assert_eq!((summary.screw.replaced, summary.changes.lines_removed), (0, 0), "{preset}");
    }
}

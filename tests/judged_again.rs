//! What this program wrote, judged as a file: the same grams, hours and starts as its account tells, and no complaint about
//! E that leads the flow.

#[path = "support/corpus.rs"]
mod corpus;
#[path = "support/reader.rs"]
mod reader;
#[path = "support/runs.rs"]
mod runs;

use std::io::Cursor;

use meltwright::demand::capacity::Capacity;
use meltwright::pipeline::{self, Options, Passes};
use meltwright::profile::Profile;
use meltwright::summary::Summary;
use meltwright::summary::course::Series;

fn profile(more: &[&str]) -> Profile {
    runs::embedded(["screw.virtual_diameter_mm=1.75"].into_iter().chain(more.iter().copied()))
}

/// The account of a rewrite, and of an audit of what it wrote; `None` where it is refused.
fn accounts(input: &[u8], profile: &Profile) -> Option<(Summary, Summary)> {
    let lenient = Options { lenient: true, hash: false, ..Options::default() };
    let (output, written) = runs::rewrite(input, profile, &lenient).ok()?;
    let again = Options { again: true, ..lenient };
    let judged = pipeline::audit(&mut Cursor::new(&output), profile, &again, &mut |_| {}).expect("an audit");
    Some((written, judged))
}

fn codes(summary: &Summary) -> Vec<&str> {
    summary.findings.iter().map(|finding| finding.code).collect()
}

/// Found of the file a rewrite was made from, or of nothing.
const NOT_OF_AN_OUTPUT: [&str; 7] =
    ["peak-demand", "sustained-demand", "screw-speed", "drool", "bead-width", "low-flow", "part-sags"];

#[test]
fn an_output_is_judged_as_its_account_tells() {
    let input =
        std::fs::read(concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/demo/casting_pads.gcode")).expect("a demo");
    for (preset, way) in [("host", "file"), ("host", "none"), ("board", "file")] {
        let profile = profile(&[&format!("controller.preset={preset}"), &format!("screw.lag_compensated_by={way}")]);
        let (written, judged) = accounts(&input, &profile).expect("a rewrite");
        let told = codes(&judged);
        // Beads that are charged at rest are judged as those of any other file.
        let leads = way == "file";
        assert_eq!(told.contains(&"rewritten"), leads, "{way}: {told:?}");
        let asks_less = NOT_OF_AN_OUTPUT.iter().take(if leads { usize::MAX } else { 4 });
        assert!(asks_less.into_iter().all(|code| !told.contains(code)), "{way}: {told:?}");
        let (said, found) = (&written.after, &judged.before);
        for (what, said, found, most) in [
            ("mm³", said.volume_mm3, found.volume_mm3, 0.05),
            ("g", said.mass_g, found.mass_g, 0.05),
            ("s", said.time_s, found.time_s, 0.02),
            ("sustained", said.sustained_demand_mm3_s, found.sustained_demand_mm3_s, 0.05),
        ] {
            assert!((found / said - 1.0).abs() < most, "{way}: {found} {what} instead of {said}");
        }
        // What turns back along a path is no bead, and what pushes less than the last decimal of E a travel.
        for (what, said, found) in [
            ("moves", said.moves, found.moves),
            ("beads", said.beads, found.beads),
            ("travels", said.travels, found.travels),
            ("others", said.other_moves, found.other_moves),
        ] {
            assert!(said.abs_diff(found) <= 5, "{preset} {way}: {found} {what} instead of {said}");
        }
        assert!(written.stops.runs > 10, "{way}");
        assert!(judged.stops.runs.abs_diff(written.stops.runs) <= written.stops.runs / 20, "{way}: {:?}", judged.stops);
        assert_eq!(judged.part.is_none(), leads, "{way}");
    }
}

/// What states another unit counts in it, and nothing else does, whatever unit the profile wants of outputs.
#[test]
fn an_output_counts_in_the_unit_it_was_written_in() {
    let input = "G28\nM109 S205\nG90\nM83\nG1 Z0.6 F600\nG0 X10 Y10 F6000\nG1 X60 Y10 E20 F1200\nG1 X50 Y60 E20\n";
    let curve = "screw.output_curve=[[20,5],[120,30]]";
    for unit in ["screw-turns", "mm3"] {
        for (scale, curve) in [(false, None), (false, Some(curve)), (true, None), (true, Some(curve))] {
            let unit = format!("screw.output_e_unit={unit}");
            let profile = profile(&[&["controller.preset=host", &unit], curve.as_slice()].concat());
            let passes = Passes { capacity: true, scale, ..Passes::NONE };
            let options = Options { passes, hash: false, again: true, ..Options::default() };
            let (output, written) = runs::rewrite(input.as_bytes(), &profile, &options).expect("a rewrite");
            let judged = pipeline::audit(&mut Cursor::new(&output), &profile, &options, &mut |_| {}).expect("an audit");
            let (said, found) = (written.after.volume_mm3, judged.before.volume_mm3);
            assert!((found / said - 1.0).abs() < 1e-3, "{unit}, {scale}, {curve:?}: {found} instead of {said}");
        }
    }
}

/// Half a unit is turned back and never refilled: the beads behind it lay what they say, in the file as in its output.
#[test]
fn where_nothing_makes_up_for_the_lag_the_volume_stays() {
    let input = "G28\nM83\nG1 Z0.3 F3000\nG1 X20 E1 F1200\nG1 E-0.5\nG1 X80 E2\nG1 X20 E2\n";
    for unit in ["as-in-file", "virtual-filament-mm", "mm3"] {
        let unit = format!("screw.output_e_unit={unit}");
        let profile = profile(&["controller.preset=host", &unit]);
        let passes = Passes { capacity: true, scale: true, ..Passes::NONE };
        let options = Options { passes, hash: false, again: true, ..Options::default() };
        let (output, written) = runs::rewrite(input.as_bytes(), &profile, &options).expect("a rewrite");
        let judged = pipeline::audit(&mut Cursor::new(&output), &profile, &options, &mut |_| {}).expect("an audit");
        // 5 mm of a strand of 1.75 mm.
        let wanted = 5.0 * 1.75_f64.powi(2) * std::f64::consts::FRAC_PI_4;
        for told in [written.before.volume_mm3, written.after.volume_mm3, judged.before.volume_mm3] {
            assert!((told / wanted - 1.0).abs() < 1e-3, "{unit}: {told} mm³ of {wanted}");
        }
        assert!((written.after.mass_g / written.before.mass_g - 1.0).abs() < 1e-9, "{unit}");
    }
}

/// Of a slow refill by more than was turned back, only the rest stays, and only its time is told.
#[test]
fn what_is_left_of_a_refill_takes_its_own_time() {
    let row = |k: u32| format!("G1 X{} Y{k} E2 F1200\nG1 E-1 F300\nG0 Y{k}.5 F6000\nG1 E1.25 F300\n", 40 * (k % 2));
    let input = format!("G28\nM83\nG1 Z0.3 F1800\n{}", (0..100).map(row).collect::<String>());
    for preset in ["controller.preset=host", "controller.preset=board", "controller.preset=network"] {
        for way in ["screw.lag_compensated_by=none", "screw.lag_compensated_by=file"] {
            let profile = profile(&[preset, way, "part.solid_temperature_c=none"]);
            let (written, judged) = accounts(input.as_bytes(), &profile).expect("a rewrite");
            let [said, found] = [written.after.time_s, judged.before.time_s];
            assert!((found / said - 1.0).abs() < 0.01, "{preset}, {way}: {found} s instead of {said} s");
        }
    }
}

/// An audit and a replay plan the same machine, also where the controller makes up for the lag and brakes for it.
#[test]
fn an_audit_tells_the_time_of_a_replay() {
    let demo = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/demo/casting_pads.gcode");
    let input = std::fs::read(demo).expect("a demo");
    let mut times = Vec::new();
    for preset in ["host", "board", "network", "custom"] {
        for way in ["file", "none", "controller"] {
            let set = [&*format!("controller.preset={preset}"), &*format!("screw.lag_compensated_by={way}")];
            let (profile, options) = (profile(&set), Options { hash: false, ..Options::default() });
            let mut source = Cursor::new(&input);
            let judged = pipeline::audit(&mut source, &profile, &options, &mut |_| {}).expect("an audit");
            let replay = pipeline::replay(&mut source, None, &profile, &options, &mut |_| {}).expect("a replay");
            let [told, executed] = [judged.before.time_s, replay.replay.after.time_s];
            assert!((executed / told - 1.0).abs() < 1e-9, "{set:?}: {told} s, executed in {executed} s");
            times.push(told);
        }
    }
    let [by_file, by_nobody, by_controller] = [3, 4, 5].map(|board| times[board]);
    assert!(by_file == by_nobody && by_controller > 1.2 * by_file, "{times:?}");
}

/// Whoever tells what an output asks at most tells the same, and why its capacity is another one than that of the file before:
/// 12 mm³ of 60 s are 0.2 mm³/s.
#[test]
fn an_output_asks_the_same_wherever_it_is_told() {
    let input =
        std::fs::read(concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/demo/casting_pads.gcode")).expect("a demo");
    let profile = profile(&["controller.preset=host"]);
    let options = Options { hash: false, course: true, again: true, ..Options::default() };
    let output = runs::rewrite(&input, &profile, &options).expect("a rewrite").0;
    let judged = pipeline::audit(&mut Cursor::new(&output), &profile, &options, &mut |_| {}).expect("an audit");
    let highest = |series: &Series| series.bins().iter().map(|bin| bin.peak_mm3_s).fold(0.0, f64::max);
    let asked = judged.before.peak_demand_mm3_s;
    assert!((29.0..=30.0 + 1e-6).contains(&asked), "{asked}");
    assert_eq!(highest(&judged.course.as_ref().expect("a course").before), asked);
    assert_eq!(highest(&judged.outline.as_ref().expect("an outline").demand), asked);
    let told = judged.findings.iter().find(|finding| finding.code == "rewritten").expect("the finding");
    assert_eq!(
        told.places[0].detail,
        "30.0 mm³/s at once, 18.2 mm³/s on average: 18.0 mm³/s kept up, and 12.0 mm³ stored before the nozzle over 60 s"
    );
}

/// E of a position is in inches too where the file goes over to them.
#[test]
fn a_file_that_goes_over_to_inches_and_back() {
    let mut input = String::from("G28\nM82\nG92 E0\nG1 Z0.3 F1200\n");
    for (unit, mm) in [("G21", 1.0), ("G20", 25.4), ("G21", 1.0)] {
        input += &format!("{unit}\nG1 F{}\n", 1200.0 / mm);
        for k in 1..=20 {
            let e = 3.0 * f64::from(20 + k) - if mm > 1.0 { 0.0 } else { 60.0 };
            input += &format!("G1 X{:.4} Y{:.4} E{:.5}\n", 60.0 * f64::from(k % 2) / mm, f64::from(k) / mm, e / mm);
        }
        input += if mm > 1.0 { "G21\nG92 E0\n" } else { "" };
    }
    for way in ["file", "none"] {
        for unit in ["as-in-file", "screw-turns"] {
            let (way_set, unit_set) =
                (format!("screw.lag_compensated_by={way}"), format!("screw.output_e_unit={unit}"));
            let profile = profile(&["controller.preset=host", &way_set, &unit_set, "part.solid_temperature_c=none"]);
            let (written, judged) = accounts(input.as_bytes(), &profile).expect("a rewrite");
            let (said, found) = (written.after.volume_mm3, judged.before.volume_mm3);
            assert!(said > 300.0 && (found / said - 1.0).abs() < 0.03, "{way}, {unit}: {found} instead of {said}");
        }
    }
}

/// A strand of 1.75 mm of 0.5 mm, 1.202641 mm³, are 0.0153125 of a strand of 10 mm; the curve is passed through, but its E
/// counts in the unit of the output, and what follows counts from it. What is no curve keeps its words.
#[test]
fn curves_that_are_not_followed_lay_what_they_laid() {
    let e_of = |line: &str| -> f64 {
        let word = line.split(' ').find_map(|word| word.strip_prefix('E'));
        word.expect("an E word").parse().expect("a number")
    };
    for (mode, e) in [("M82", ["1", "1.5", "2.5"]), ("M83", ["1", "0.5", "1"])] {
        for command in ["G5", "G5.1", "G777"] {
            let input = format!(
                "G28\n{mode}\nG92 E0\nG1 Z0.3 F3000\nG1 X10 Y10\nG1 X30 E{} F600\n{command} X40 Y20 I5 J0 E{}\nG1 X60 E{}\n",
                e[0], e[1], e[2]
            );
            let profile = profile(&["controller.preset=host", "part.solid_temperature_c=none"]);
            let options = Options { hash: false, ..Options::default() };
            let output = runs::rewrite(input.as_bytes(), &profile, &options).expect("a rewrite").0;
            let output = String::from_utf8(output).expect("plain text");
            let lines: Vec<&str> = output.lines().collect();
            let at = lines.iter().position(|line| line.starts_with(command)).expect("the curve");
            let before = if mode == "M82" { e_of(lines[at - 1]) } else { 0.0 };
            let (found, next) = (e_of(lines[at]), e_of(lines[at + 1]));
            if command == "G777" {
                assert_eq!(found, e_of(&format!("E{}", e[1])), "{mode}: {output}");
                continue;
            }
            assert!((found - before - 0.015_312_5).abs() < 2e-5, "{mode}, {command}: {output}");
            assert!((next - if mode == "M82" { found } else { 0.0 }).abs() < 0.05, "{mode}, {command}: {output}");
        }
    }
}

/// Words that hold for beads hold for those of another tool, which nothing has to bound.
#[test]
fn beads_of_another_tool_get_their_acceleration_back() {
    let zigzag = |count: u32, mm: f64, e: f64| -> String {
        (1..=count).map(|k| format!("G1 X{} Y{} E{e}\n", mm * f64::from(k % 2), 0.4 * f64::from(k))).collect()
    };
    let input = format!("G28\nM83\nG1 Z0.3 F3600\n{}T1\n{}T0\n", zigzag(40, 20.0, 2.0), zigzag(500, 3.0, 0.1));
    for (preset, word) in [("host", "M204 S3000"), ("board", "M204 P3000")] {
        let profile = profile(&[&format!("controller.preset={preset}"), "part.solid_temperature_c=none"]);
        let options = Options { hash: false, ..Options::default() };
        let output = runs::rewrite(input.as_bytes(), &profile, &options).expect("a rewrite").0;
        let output = String::from_utf8(output).expect("plain text");
        let (own, other) = output.split_once("T1\n").expect("the other tool");
        // The word stands before the change, which may move as well, and nothing is lowered for the other tool.
        let words: Vec<&str> = own.lines().filter(|line| line.starts_with("M204")).collect();
        assert!(words.len() > 1 && words.last() == Some(&word), "{preset}: {words:?}");
        assert!(!other.contains("M204"), "{preset}: {other}");
        let (written, judged) = accounts(input.as_bytes(), &profile).expect("a rewrite");
        let time = judged.before.time_s / written.after.time_s;
        assert!((time - 1.0).abs() < 0.01, "{preset}: {time} of the time");
    }
}

/// A reversal along a path whose E is taken out is a travel: 5 mm beside 100 and two lifts.
#[test]
fn reversals_that_become_travels_count_among_them() {
    let input = "G28\nM83\nG0 X10 Y10 Z1 F9000\nG1 X50 Y10 E5 F1200\nG1 X45 Y10 E-1 F3000\nG0 X45 Y50 F9000\nG1 E1\n\
                 G1 X85 Y50 E5 F1200\n";
    for way in ["file", "none", "controller"] {
        let way_set = format!("screw.lag_compensated_by={way}");
        let set = ["controller.preset=host", &way_set, "part.solid_temperature_c=none"];
        let (written, judged) = accounts(input.as_bytes(), &profile(&set)).expect("a rewrite");
        let [before, after, again] = [&written.before, &written.after, &judged.before];
        assert_eq!((after.travels, after.travel_path_mm), (again.travels, again.travel_path_mm), "{way}");
        assert!((after.travel_path_mm - before.travel_path_mm - 5.0).abs() < 1e-9, "{way}");
    }
}

/// Accelerations of beads and of travels that a text leaves in force, and the highest that a bead of it has, mm/s².
fn accels_in_force(text: &str) -> ([f64; 2], f64) {
    let (mut force, mut highest) = ([3000.0; 2], 0.0_f64);
    for line in text.lines() {
        if let Some(words) = line.strip_prefix("M204 ") {
            for word in words.split(' ') {
                let value: f64 = word[1..].parse().expect("a number");
                match &word[..1] {
                    "P" => force[0] = value,
                    "T" => force[1] = value,
                    _ => force = [value; 2],
                }
            }
        } else if line.starts_with("G1 X") && line.contains(" E") {
            highest = highest.max(force[0]);
        }
    }
    (force, highest)
}

/// Where one word holds for all moves, and the file has one value for beads and another for travels, both stay in force.
#[test]
fn one_word_for_all_moves_raises_no_bead() {
    let bead = |k: u32| {
        let [y, e] = [10 + 10 * k, if k.is_multiple_of(2) { 60 } else { 2 }];
        format!("G0 X10 Y{y} F9000\nG1 X50 Y{y} E0.{e} F3000\nG1 X20 Y{y} E{e} F3000\n")
    };
    let input = format!("G28\nM83\nM204 P300 T2000\nG1 Z1 F600\n{}", (0..12).map(bead).collect::<String>());
    for preset in ["board", "network"] {
        for way in ["controller", "file", "none"] {
            let set = [
                &*format!("controller.preset={preset}"),
                &*format!("screw.lag_compensated_by={way}"),
                "controller.accel_words=all-moves",
                "part.solid_temperature_c=none",
            ];
            let options = Options { hash: false, ..Options::default() };
            let (output, written) = runs::rewrite(input.as_bytes(), &profile(&set), &options).expect("a rewrite");
            let output = String::from_utf8(output).expect("plain text");
            let (left, highest) = accels_in_force(&output);
            assert_eq!((left, highest), ([300.0, 2000.0], 300.0), "{set:?}\n{output}");
            assert!(way == "none" || written.changes.accelerations_written > 2, "{set:?}");
        }
    }
}

/// A word of the file for beads alone, or for travels alone, replaces what is in force for these and no others: long travels
/// get back what the file has for them, and no account is of other values than the output's.
#[test]
fn one_word_for_all_moves_stays_in_force_for_those_that_the_file_does_not_name() {
    let beads = |k: u32| format!("G1 X50 Y{k} E60 F3000\nG1 X20 Y{k} E30\n");
    let ways = "G0 X200 Y100 F9000\nG0 X10 Y10\n";
    for (own, left) in [("M204 P2500", [2500.0, 2000.0]), ("M204 T1500", [2000.0, 1500.0])] {
        for way in ["controller", "file"] {
            let set = [
                "controller.preset=board",
                &*format!("screw.lag_compensated_by={way}"),
                "controller.accel_words=all-moves",
                "part.solid_temperature_c=none",
            ];
            let rounds: String = (10..16).map(|k| format!("{}{own}\n{ways}", beads(k))).collect();
            let input = format!("G28\nM83\nM204 S2000\nG1 Z1 F600\n{rounds}{}{own}\n", beads(16));
            let options = Options { hash: false, ..Options::default() };
            let (output, _) = runs::rewrite(input.as_bytes(), &profile(&set), &options).expect("a rewrite");
            let output = String::from_utf8(output).expect("plain text");
            let mut lines = String::new();
            for line in output.lines() {
                lines.extend([line, "\n"]);
                if line.starts_with("G0 X200") {
                    let travels = accels_in_force(&lines).0[1];
                    let wanted = if own == "M204 P2500" || lines.matches(own).count() == 0 { 2000.0 } else { 1500.0 };
                    assert_eq!(travels, wanted, "{own}, {way}\n{lines}");
                }
            }
            assert!(output.lines().any(|line| line.starts_with("M204 S") && line != "M204 S2000"), "{output}");
            assert_eq!(accels_in_force(&output).0, left, "{own}, {way}\n{output}");
            let (written, judged) = accounts(input.as_bytes(), &profile(&set)).expect("a rewrite");
            let time = judged.before.time_s / written.after.time_s;
            assert!((time - 1.0).abs() < 0.01, "{own}, {way}: {time} of the time");
        }
    }
}

/// An audit advises what helps against drool; a rewrite that does it does not.
#[test]
fn what_a_rewrite_makes_good_for_is_no_advice_of_its_own() {
    let run = |k: u32| format!("G1 X{} E2 F1200\nG0 X{} Y{k} F3000\n", 20, 120 * (k % 2));
    let input = format!("G28\nM83\nG1 Z0.3 F3000\n{}", (1..=20).map(run).collect::<String>());
    let profile = profile(&["controller.preset=host", "part.solid_temperature_c=none"]);
    let options = Options { hash: false, ..Options::default() };
    let audited = pipeline::audit(&mut Cursor::new(&input), &profile, &options, &mut |_| {}).expect("an audit");
    assert!(codes(&audited).contains(&"drool"), "{:?}", codes(&audited));
    let written = |options: &Options| runs::rewrite(input.as_bytes(), &profile, options).expect("a rewrite").1;
    assert!(!codes(&written(&options)).contains(&"drool"));
    let capacity = pipeline::Passes { capacity: true, ..pipeline::Passes::NONE };
    assert!(codes(&written(&Options { passes: capacity, ..options.clone() })).contains(&"drool"));
}

/// Where the controller is left the lag, its output has no reversals, and needs none; a lag that it is hardly made for is told.
#[test]
fn a_lag_that_is_left_to_the_controller() {
    let run = |k: u32| format!("G1 X{} E2 F1200\nG0 X{} Y{k} F3000\n", 20, 120 * (k % 2));
    let input = format!("G28\nM83\nG1 Z0.3 F3000\n{}", (1..=20).map(run).collect::<String>());
    for (lag, is_long) in [("0.4", true), ("0.2", false)] {
        let lag = format!("screw.melt_lag_s={lag}");
        let set =
            ["controller.preset=host", "screw.lag_compensated_by=controller", &lag, "part.solid_temperature_c=none"];
        let (written, judged) = accounts(input.as_bytes(), &profile(&set)).expect("a rewrite");
        for summary in [&written, &judged] {
            assert_eq!(codes(summary).contains(&"long-controller-lag"), is_long, "{lag}: {:?}", codes(summary));
            assert!(!codes(summary).contains(&"drool"), "{lag}: {:?}", codes(summary));
        }
    }
    let by_file = accounts(input.as_bytes(), &profile(&["controller.preset=host"])).expect("a rewrite").0;
    assert!(!codes(&by_file).contains(&"long-controller-lag"));
}

/// 15 mm³ a turn at 120 turns a minute are 30 mm³/s, which leave 12 mm³ between screw and nozzle at a lag of 0.4 s: 0.2 mm³/s
/// of a minute, and a hundredth is 0.12 mm³.
#[test]
fn capacity_of_an_output_by_hand() {
    let set = ["screw.specific_output_mm3_rev=15", "screw.max_speed_rpm=120", "screw.melt_lag_s=0.4"];
    let more = ["screw.sustained_flow_mm3_s=18", "screw.sustained_window_s=60"];
    let profile = profile(&[&set[..], &more].concat());
    let (own, of_output) = (Capacity::of(&profile), Capacity::of_output(&profile, 0.001));
    assert!(own.peak_mm3_s < 30.0 && own.leeway_mm3 == 0.0);
    assert!((of_output.peak_mm3_s - 30.0).abs() < 1e-12 && (of_output.screw_mm3_s - 30.0).abs() < 1e-12);
    assert!((of_output.sustained_mm3_s - 18.2).abs() < 1e-12);
    assert!((of_output.leeway_mm3 - 0.121).abs() < 1e-12);
}

/// As measured, rounded up: files hold the volume that is told; times are up to 1 % longer, of a small screw up to 3 %, since
/// some pieces of a bead are shorter than corners need. Of a million pieces a handful ask more than the screw turns, where a
/// corner is passed faster than planned.
#[test]
fn real_files_judged_again() {
    let Some(files) = corpus::files() else { return };
    let small: &[&str] = &["screw.peak_flow_mm3_s=6", "screw.sustained_flow_mm3_s=4"];
    let rows = [
        ("host", &[][..], 0.99..1.01, 0),
        ("board", &[], 0.98..1.02, 10),
        ("host", small, 0.99..1.02, 20),
        ("board", small, 0.97..1.03, 20),
    ];
    for (preset, more, times, most_above) in rows {
        let profile = profile(&[&[format!("controller.preset={preset}").as_str()], more].concat());
        let off = [1e-4, 1e-3];
        let (mut volumes, mut in_all, mut above) = (Vec::new(), 0, 0);
        for path in &files {
            let name = runs::name_of(path);
            let input = std::fs::read(path).unwrap_or_else(|error| panic!("{name}: {error}"));
            let Some((written, judged)) = accounts(&input, &profile) else { continue };
            in_all += 1;
            let told = codes(&judged);
            assert!(!told.contains(&"sustained-demand"), "{preset} {more:?}, {name}: {told:?}");
            if let Some(most) = judged.findings.iter().find(|finding| finding.code == "peak-demand") {
                // The worst place is that of the figure.
                let told = format!("{:.1} mm³/s", judged.before.peak_demand_mm3_s);
                assert!(most.places[0].detail.starts_with(&told), "{name}: {told}, {:?}", most.places[0]);
                above += most.count;
            }
            let time = judged.before.time_s / written.after.time_s;
            assert!(
                written.after.time_s <= 0.0 || times.contains(&time),
                "{preset} {more:?}, {name}: {time} of the time"
            );
            if written.after.volume_mm3 > 0.0 {
                volumes.push((judged.before.volume_mm3 / written.after.volume_mm3 - 1.0).abs());
            }
        }
        volumes.sort_by(f64::total_cmp);
        let (median, most) = (volumes[volumes.len() / 2], volumes[volumes.len() - 1]);
        let holds = in_all > 20 && median < off[0] && most < off[1];
        assert!(holds, "{preset} {more:?}: {in_all} files, {median} and {most}");
        assert!(above <= most_above, "{preset} {more:?}: {above} pieces ask too much");
    }
}

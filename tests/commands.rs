//! What commands between moves set and do, and what a rewrite makes of it.

#[path = "support/reader.rs"]
mod reader;
#[path = "support/runs.rs"]
mod runs;
#[path = "support/stack.rs"]
mod stack;
#[path = "support/strand.rs"]
mod strand;

use std::io::Cursor;

use meltwright::moves::named::RIGHT_ANGLE_SPEED;
use meltwright::pipeline::{self, Options, Passes};
use meltwright::profile::{LagCompensation, PartMoves, Profile};
use meltwright::summary::Summary;
use stack::Stack;
use strand::{has, profile, rewrite, word};

const HEAD: &str = "M83\nG28\nG1 Z0.8 F600\nG1 X50 Y50 F9000\n";

fn audit(input: &str, profile: &Profile) -> Summary {
    let again = Options { again: true, ..Options::default() };
    pipeline::audit(&mut Cursor::new(input), profile, &again, &mut |_| {}).expect("an audit")
}

/// A list gives one number for each drive; what stands behind it counts all the same.
#[test]
fn words_behind_a_list_count() {
    let network = profile(&["controller.preset=network"]);
    let time = |settings: &str| {
        let moves = "G1 X80 E2 F6000\nG1 X50 E2\n".repeat(20);
        audit(&format!("{HEAD}{settings}\n{moves}"), &network).before.time_s
    };
    let slow = time("M201 X100 Y100");
    assert!(slow > 1.5 * time("M400"), "the setting counts: {slow}");
    for list in ["M201 E250:250 X100 Y100", "M201 X100 E250:250:250 Y100", "M201 X100:90 Y100"] {
        assert!((time(list) - slow).abs() < 1e-9, "{list}");
    }
    let lag = audit(&format!("{HEAD}M572 D0:1 S0.06\nG1 X80 E2 F600\n"), &network);
    assert!(has(&lag, "lag-feature"), "a lag set for several drives is seen");
    // In a motion a list would part the melt between drives.
    let options = Options::default();
    let input = format!("{HEAD}G1 X80 E2:0 F600\n");
    assert!(pipeline::audit(&mut Cursor::new(input), &network, &options, &mut |_| {}).is_err());
}

/// Boards on a network name the tool of a factor by its drive (from memory).
#[test]
fn a_factor_of_another_drive_leaves_the_screw_alone() {
    let bead = |factor: &str| {
        let input = format!("{HEAD}{factor}\nG1 X80 E20 F1800\n");
        let (output, _) = rewrite(&input, &["controller.preset=network", "screw.lag_compensated_by=none"]);
        output.lines().find(|line| line.starts_with("G1 X80")).expect("the bead").to_owned()
    };
    assert_eq!(bead("M221 D1 S50"), bead("M117 go"));
    assert_ne!(bead("M221 D0 S50"), bead("M117 go"));
}

/// A longer reversal for a change of tool goes with its refill, and where none goes the unit cannot change.
#[test]
fn reversals_by_the_controller_go_in_pairs() {
    let input = format!(
        "{HEAD}G1 X80 E2 F600\nG10 S1\nG0 X20 Y20 F9000\nG11 S1\nG1 X50 E2 F600\nG10\nG0 X20\nG11\nG1 X50 E2 F600\n"
    );
    let (output, summary) = rewrite(&input, &["controller.preset=board", "screw.lag_compensated_by=none"]);
    assert!(!output.contains("\nG10") && !output.contains("\nG11"), "{output}");
    assert_eq!(summary.screw.replaced, 4);
    // There the S is a temperature of the tool.
    let (output, _) = rewrite(&input, &["controller.preset=network", "screw.lag_compensated_by=none"]);
    assert!(output.contains("\nG10 S1\n"), "{output}");
    let board = profile(&["controller.preset=board"]);
    let options = Options { passes: Passes { scale: true, ..Passes::NONE }, ..Options::default() };
    let refused = runs::rewrite(input.as_bytes(), &board, &options).map(|_| ()).map_err(|error| error.to_string());
    assert!(refused.as_ref().is_err_and(|error| error.contains("set in the unit of the file")), "{refused:?}");
}

/// What a macro, a pause or another tool's change does runs under the accelerations and the corner rule of the file, and
/// what is laid behind it under those that the part bears.
#[test]
fn accelerations_are_put_back_before_what_moves_by_itself() {
    for (preset, commands) in [
        ("host", ["PAUSE", "M600", "PRINT_END"]),
        ("host", ["G28 X", "G29", "M30"]),
        ("board", ["M0 Look", "M600", "G12"]),
    ] {
        let mut tower = Stack::new(1.0, 2.0);
        tower.line("M204 P2000 T2000");
        for layer in 0..30 {
            tower.up().block([50.0, 50.0], [4.0, 4.0]);
            if layer > 20 {
                tower.line(commands[layer % 3]);
            }
            tower.block([54.0, 50.0], [4.0, 4.0]);
        }
        let mut p = stack::profile(0.3, 2.0);
        p.controller = profile(&[&format!("controller.preset={preset}")]).controller;
        p.machine.part_moves.value = PartMoves::Y;
        let options = Options { passes: stack::SOFT, ..Options::default() };
        let (output, summary) = runs::rewrite(tower.text.as_bytes(), &p, &options).expect("a rewrite");
        let by_line =
            runs::rewrite(tower.text.as_bytes(), &p, &Options { block_size: 100, ..options }).expect("a rewrite").0;
        assert!(by_line == output, "{preset}: another output of small blocks");
        let output = String::from_utf8(output).expect("plain text");
        let (mut accel, mut slow, mut looked) = (2000.0, 0, 0);
        for line in output.lines() {
            for letter in ['S', 'T'] {
                if line.starts_with("M204") && line.contains(&format!(" {letter}")) {
                    accel = word(line, letter);
                }
            }
            if line.starts_with("M201") {
                accel = word(line, 'Y');
            }
            if commands.contains(&line) {
                assert!(accel >= 2000.0, "{preset}, {line} at {accel}");
                looked += 1;
            }
            slow += u32::from(line.starts_with("G1 X") && accel < 2000.0);
        }
        assert!(looked == 9 && slow > 5, "{preset}: {looked} {slow}");
        // The account is that of the output.
        let told = summary.after.time_s;
        let found = audit(&output, &p).before.time_s;
        assert!((told / found - 1.0).abs() < 1e-6, "{preset}: {told} {found}");
    }
}

/// Turns of the screw alone have an acceleration of their own: that of beads does not slow them.
#[test]
fn turns_alone_are_not_slowed_for_the_part() {
    let mut tower = Stack::new(1.0, 2.0);
    for _ in 0..30 {
        tower.up().line("G1 E-20 F12000").block([50.0, 50.0], [4.0, 4.0]);
    }
    for preset in ["host", "board", "network"] {
        let mut p = stack::profile(0.3, 2.0);
        p.controller = profile(&[&format!("controller.preset={preset}")]).controller;
        let options = Options { passes: stack::SOFT, ..Options::default() };
        let (output, summary) = runs::rewrite(tower.text.as_bytes(), &p, &options).expect("a rewrite");
        let found = audit(&String::from_utf8(output).expect("plain text"), &p).before.time_s;
        assert!((summary.after.time_s / found - 1.0).abs() < 1e-6, "{preset}: {} {found}", summary.after.time_s);
    }
}

/// Where homing leaves the head, only the machine knows: a bead from there is written as one line, and so are no other ones.
#[test]
fn a_bead_from_where_homing_left_the_head_stays_whole() {
    let bead = "G1 X60 E9 F1000\nG1 X100 E6\nG0 X20 F9000\n";
    let input = format!("M83\nG28\nG1 Z0.8 F600\nG1 Y-3 F3000\n{bead}{bead}G28 X\n{bead}G92 X5\n{bead}");
    let (output, _) = rewrite(&input, &["controller.preset=host"]);
    let mut pieces: Vec<u32> = Vec::new();
    let mut count = 0;
    for line in output.lines().filter(|line| line.starts_with("G1 X") || line.starts_with("G0 X")) {
        count += 1;
        if line.starts_with("G1 X60 ") || line.starts_with("G0") {
            pieces.push(std::mem::take(&mut count));
        }
    }
    // Of each round: the bead to X60, and what comes behind it.
    let first: Vec<u32> = pieces.iter().copied().step_by(2).collect();
    assert_eq!([first[0], first[2]], [1, 1], "{output}");
    assert!(first[1] > 1 && first[3] > 1, "{output}");
    assert!(pieces.iter().skip(1).step_by(2).all(|count| *count > 2), "{pieces:?}\n{output}");
}

/// X and Y of the pieces of the last bead of an output, `None` where a line does not name one.
fn pieces_behind(output: &str, line: &str) -> Vec<[Option<f64>; 2]> {
    let behind = output.lines().skip_while(|other| *other != line).skip(1);
    let beads = behind.filter(|line| line.starts_with("G1 ") && line.contains(" E") && line.contains(['X', 'Y']));
    beads.map(|line| ['X', 'Y'].map(|axis| line.contains(axis).then(|| word(line, axis)))).collect()
}

/// A bead to X110 that starts at `from`, behind lines that lead there: its pieces lie between both ends, and nothing is told but
/// that those lines pass through. `None`: nobody knows where it starts, so it stays whole, and that is told.
fn check_start(preset: &str, lines: &str, from: Option<f64>) {
    let last = lines.trim_end().lines().last().expect("a line").to_owned();
    let input = format!(
        "{HEAD}G1 X80 Y30 E9 F1200\nG1 Y50 E9\n{lines}G1 X110 E9 F1200\nG1 X140 E9\nG1 X170 Y60 E9\nG1 X140 Y90 E9\n"
    );
    let (output, summary) = rewrite(&input, &[&format!("controller.preset={preset}"), "screw.lag_compensated_by=file"]);
    let pieces = pieces_behind(&output, &last);
    let case = format!("{preset}, {lines:?}\n{output}");
    let to_end: Vec<f64> = pieces.iter().map_while(|[x, y]| x.filter(|x| *x <= 110.0 && y.is_none())).collect();
    let told = summary.findings.iter().find(|finding| finding.code == "place-unknown");
    match from {
        Some(from) => {
            let ends = [&[from], &*to_end].concat();
            assert!(to_end.len() > 1 && ends.is_sorted_by(|a, b| a < b), "{case}");
            assert!(told.is_none(), "{case}");
        }
        None => {
            assert_eq!(to_end, [110.0], "{case}");
            let line = input.lines().position(|line| line == last).expect("the line") + 1;
            let at = told.unwrap_or_else(|| panic!("{case}")).places[0].line as usize;
            // What switches systems is told there, and a motion behind it is none.
            assert!(at == line || last.starts_with("G0") && at + 1 == line, "{at} {case}");
        }
    }
    // Behind it all is as stated: the last bead is in pieces, each on its way.
    let ends: Vec<[f64; 2]> = pieces.iter().filter_map(|[x, y]| Some([(*x)?, (*y)?])).collect();
    let last = ends.split(|end| *end == [170.0, 60.0]).next_back().expect("the last bead");
    assert!(last.len() > 1 && last.iter().all(|[x, y]| (x + y - 230.0).abs() < 0.01), "{case}");
}

/// Boards keep places and go back to them; on other controllers these lines do nothing to where the head stands.
#[test]
fn beads_behind_a_kept_place_start_there() {
    let away = "G0 X20 Y20 F9000\n";
    for (preset, lines, from) in [
        ("board", format!("G60 S2\n{away}G61 S2\n"), Some(80.0)),
        ("board", format!("G60\n{away}G61 X F6000\n"), Some(80.0)),
        ("board", format!("G60\n{away}G61 X Y Z\n"), Some(80.0)),
        ("board", format!("G60 S1\nG0 X60\nG60 S1\n{away}G60 Q1\n"), Some(60.0)),
        // Never kept, forgotten, beside it, or kept while X counted otherwise.
        ("board", format!("G60 S2\n{away}G61 S3\n"), None),
        ("board", format!("G60 S2\n{away}G60 D\nG61 S2\n"), None),
        ("board", format!("G60\n{away}G61 X5\n"), None),
        ("board", format!("G60\n{away}G92 X30\nG61\n"), None),
        // Only X goes back.
        ("host", format!("G60\n{away}G61\n"), Some(20.0)),
        ("network", format!("G60\n{away}G61\n"), Some(20.0)),
    ] {
        check_start(preset, &lines, from);
    }
    let input = format!("{HEAD}G60\n{away}G61 E\n");
    let refused = runs::rewrite(input.as_bytes(), &profile(&["controller.preset=board"]), &Options::default());
    let error = refused.map(|_| ()).expect_err("E that is not followed").to_string();
    assert!(error.contains("a count that was kept"), "{error}");
}

/// On a network board the words of a line with R count from a kept place; elsewhere R is no word of a straight line.
#[test]
fn beads_behind_a_line_that_counts_from_a_kept_place_start_where_it_ends() {
    let away = "G0 X20 Y20 F9000\n";
    for (preset, lines, from) in [
        ("network", format!("G60 S3\n{away}G1 R3 X0 Y0 F6000\n"), Some(80.0)),
        ("network", format!("G60 S3\n{away}G0 R3 X-5.5\n"), Some(74.5)),
        // Not kept by the file, or set by the board as well.
        ("network", format!("G60 S3\n{away}G1 R4 X0 Y0\n"), None),
        ("network", format!("G60 S1\n{away}G1 R1 X0 Y0\n"), None),
        ("board", format!("G60 S3\n{away}G1 R3 X0 Y0 F6000\n"), Some(0.0)),
    ] {
        check_start(preset, &lines, from);
    }
}

/// Where the file sets the origins of its coordinates they are followed. By hand: X80 of the first is X-20 where X counts
/// from 100 of the machine.
#[test]
fn beads_in_other_coordinates_start_where_the_head_stands() {
    for (preset, lines, from) in [
        ("network", "G10 L2 P2 X100 Y0 Z0\nG55\n", Some(-20.0)),
        ("network", "G10 L2 P2 X100 Y0 Z0\nG55\nG10 L2 P2 X50\n", Some(30.0)),
        ("network", "G10 L2 P9 X100 Y0 Z0\nG59.3\nG54\n", Some(80.0)),
        ("network", "G10 L2 P1 X7\n", Some(73.0)),
        ("network", "G10 L20 P1 X3\n", Some(3.0)),
        ("network", "G92 X30\nG10 L20 P2 X5 Y0 Z0\nG55\n", Some(5.0)),
        // X80 is X-20 there, and called X-7: 13 more, in all systems.
        ("network", "G10 L2 P2 X100 Y0 Z0\nG55\nG92 X-7\nG54\n", Some(93.0)),
        ("network", "G54\n", Some(80.0)),
        ("network", "G10 P0 S200 R150\n", Some(80.0)),
        // Origins, and offsets of tools, that the file does not set, or not all of.
        ("network", "G55\n", None),
        ("network", "G10 L2 P2 Y0\nG55\n", None),
        ("network", "G10 P0 X5\n", None),
        // What is skipped, or is a reversal there, moves no origin.
        ("board", "G55\n", Some(80.0)),
        ("board", "G56\n", Some(80.0)),
        ("host", "G55\n", Some(80.0)),
    ] {
        check_start(preset, lines, from);
    }
}

/// On a host, turns at rest before beads of a low acceleration take their time, and it is told.
#[test]
fn turns_at_rest_are_told_as_they_are_executed() {
    let mut tower = Stack::new(1.0, 2.0);
    for _ in 0..40 {
        tower.up().block([50.0, 50.0], [4.0, 4.0]).line("G0 X80 Y80 F6000");
    }
    let mut p = stack::profile(0.1, 2.0);
    p.controller = profile(&["controller.preset=host"]).controller;
    p.screw.lag_compensated_by.value = LagCompensation::None;
    let passes = Passes { softness: true, starts: true, ..Passes::NONE };
    let options = Options { passes, ..Options::default() };
    let (output, summary) = runs::rewrite(tower.text.as_bytes(), &p, &options).expect("a rewrite");
    let output = String::from_utf8(output).expect("plain text");
    assert!(output.contains("M204 S") && summary.screw.charges > 30, "{:?}", summary.screw);
    let found = audit(&output, &p).before.time_s;
    assert!((summary.after.time_s / found - 1.0).abs() < 2e-3, "{} {found}", summary.after.time_s);
}

/// 20 mm³/s at a lag of 0.4 s store 8 mm³. The screw that leaves turns back before the change; one that is no screw is left
/// alone, and the next bead of a screw begins charged.
#[test]
fn the_screw_turns_back_before_another_tool_comes() {
    let beads = "G1 X80 E20 F1200\nG1 X50 E20\n";
    for (change, back, preset) in [
        ("T1", "T0", "host"),
        ("ACTIVATE_EXTRUDER EXTRUDER=extruder1", "activate_extruder extruder=extruder", "host"),
        ("T1", "T0", "board"),
        ("M6 T1", "T0", "network"),
    ] {
        for (lag, tools) in [("none", "[0]"), ("none", "[0,1]"), ("file", "[0]"), ("file", "[0,1]")] {
            let input =
                format!("{HEAD}{beads}{change}\nG0 X20 Y20 F9000\n{beads}{back}\nG0 X30 Y30 F9000\n{beads}M84\n");
            let (output, _) = rewrite(
                &input,
                &[
                    &format!("controller.preset={preset}"),
                    &format!("screw.lag_compensated_by={lag}"),
                    &format!("screw.tools={tools}"),
                    "screw.output_diameter_mm=10",
                ],
            );
            let lines: Vec<&str> = output.lines().collect();
            // E of the lines between a change and the nearest way, on either side.
            let turned = |at: usize, behind: bool| -> f64 {
                let ends = |line: &&&str| !line.starts_with("G0");
                let e = |line: &&str| if line.starts_with("G1") && line.contains(" E") { word(line, 'E') } else { 0.0 };
                match behind {
                    false => lines[..at].iter().rev().take(4).map(e).filter(|e| *e < 0.0).sum(),
                    true => lines[at + 1..].iter().take_while(ends).map(e).sum(),
                }
            };
            let at = |tool: &str| lines.iter().position(|line| *line == tool).unwrap_or_else(|| panic!("{output}"));
            let case = format!("{change} {preset} {lag} {tools}");
            assert!(turned(at(change), false) < -0.01, "{case}:\n{output}");
            assert_eq!(turned(at(change), true), 0.0, "nothing of the tool that comes, {case}:\n{output}");
            assert_eq!(turned(at(back), false) < -0.01, tools == "[0,1]", "{case}:\n{output}");
            assert_eq!(turned(at(back), true), 0.0, "{case}:\n{output}");
        }
    }
}

/// Accelerations of beads and travels, and along X and Y, the corner rule and the feed.
#[derive(Clone, Debug, Default, PartialEq)]
struct Set {
    accels: [f64; 4],
    corner: [f64; 2],
    feed: f64,
}

impl Set {
    fn follow(&mut self, line: &str) {
        let said = |letter: char| line.contains(&format!(" {letter}")).then(|| word(line, letter));
        let Self { accels: [beads, travels, x, y], corner: [one, other], feed } = self;
        let put = |slot: &mut f64, value: Option<f64>| *slot = value.unwrap_or(*slot);
        match line.split(' ').next().unwrap_or_default() {
            "M204" => {
                put(beads, said('P').or(said('S')));
                put(travels, said('T').or(said('S')));
            }
            "M201" => {
                put(x, said('X'));
                put(y, said('Y'));
            }
            "M205" => {
                put(one, said('X').or(said('J')));
                put(other, said('Y'));
            }
            "G0" | "G1" => put(feed, said('F')),
            _ => put(one, line.strip_prefix(RIGHT_ANGLE_SPEED).map(|speed| speed.parse().expect("a speed"))),
        }
    }
}

/// What stands behind the end of a program may never be read: what was lowered is put back before it, once, and nothing is
/// written behind it. So it is where the end is not the last line, and whatever is read at a time.
#[test]
fn the_end_of_a_program_finds_what_the_file_has_in_force() {
    let of_host = format!("M204 S2000\n{RIGHT_ANGLE_SPEED}4");
    let cases = [
        ("host", "all-moves", of_host.as_str()),
        ("board", "beads", "M204 P2000 T2500\nM201 X1800 Y1900\nM205 J0.02"),
        ("board", "all-moves", "M204 P2000 T2500\nM201 X1800 Y1900\nM205 J0.02"),
        ("network", "beads", "M204 P2000 T2500\nM201 X1800 Y1900\nM205 X8 Y9"),
    ];
    for ((preset, words, settings), end) in cases.into_iter().flat_map(|case| [(case, "M2"), (case, "M30")]) {
        for way in ["none", "controller", "file"] {
            let mut tower = Stack::new(1.0, 2.0);
            tower.line(settings);
            for _ in 0..30 {
                tower.line("G1 F6000").up().line("G1 F1800").block([50.0, 50.0], [4.0, 4.0]);
            }
            tower.line(end).line("; nothing more").line("M117 done");
            // Of 60 mm³/s that the beads ask, the screw has ten to spare for ramps.
            let mut p = runs::with_capacity(stack::profile(0.3, 2.0), 70.0, 70.0, 60.0);
            let more = profile(&[
                &format!("controller.preset={preset}"),
                &format!("controller.accel_words={words}"),
                &format!("screw.lag_compensated_by={way}"),
                "screw.melt_lag_s=0.4",
            ]);
            (p.controller, p.machine.corner) = (more.controller, more.machine.corner);
            p.machine.axis_accel_mm_s2 = more.machine.axis_accel_mm_s2;
            (p.screw.lag_compensated_by, p.screw.melt_lag_s) = (more.screw.lag_compensated_by, more.screw.melt_lag_s);
            p.screw.output_diameter_mm.value = 10.0;
            let run = |block_size| {
                let options = Options { passes: Passes::ALL, block_size, ..Options::default() };
                let (output, summary) = runs::rewrite(tower.text.as_bytes(), &p, &options).expect("a rewrite");
                (String::from_utf8(output).expect("plain text"), summary)
            };
            let (output, summary) = run(Options::default().block_size);
            let name = format!("{preset}, {words}, {end}, {way}");
            assert!(run(100).0 == output, "{name}: another output of small blocks");
            let (before, behind) = output.split_once(&format!("\n{end}\n")).expect("the end");
            assert_eq!(behind, "; nothing more\nM117 done\n", "{name}");
            let (mut own, mut now, mut lowest) = (Set::default(), Set::default(), [f64::INFINITY; 4]);
            tower.text.lines().take_while(|line| *line != end).for_each(|line| own.follow(line));
            for line in before.lines() {
                now.follow(line);
                if line.starts_with("G1 X") {
                    lowest = std::array::from_fn(|which| lowest[which].min(now.accels[which]));
                }
            }
            assert_eq!(now, own, "{name}");
            // Beads were lowered for the melt, and Y for the part.
            assert!(way == "none" || lowest[0] < own.accels[0], "{name}: {lowest:?}");
            assert!(preset == "host" || lowest[3] < own.accels[3], "{name}: {lowest:?}");
            let written = before.lines().filter(|line| line.starts_with("M204") || line.starts_with("M201")).count();
            let of_file = settings.matches("M20").count() - settings.matches("M205").count();
            assert_eq!(summary.changes.accelerations_written as usize, written - of_file, "{name}");
            // Each is named once behind the last bead.
            let last = before.rfind(" E").expect("a bead");
            for word in ["M204 P", "M204 S", "M204 T", "M201", "M205", "SET_VELOCITY_LIMIT"] {
                assert!(before[last..].matches(word).count() <= 1, "{name}: {}", &before[last..]);
            }
        }
    }
}

/// The pauses for refills that are written run under what the file has in force where they stand, and what comes behind runs
/// as without them, whatever the controller, wherever the head waits, and however the lag is made up for.
#[test]
fn refills_run_under_what_the_file_has_in_force() {
    let of_host = format!("M204 S2000\n{RIGHT_ANGLE_SPEED}4");
    let presets = [
        ("host", of_host.as_str()),
        ("board", "M204 P2000 T2500\nM201 X1800 Y1900\nM205 J0.02"),
        ("network", "M204 P2000 T2500\nM201 X1800 Y1900\nM205 X8 Y9"),
    ];
    let ways = ["none", "controller", "file"].map(|way| format!("screw.lag_compensated_by={way}"));
    for (preset, settings) in presets {
        for (way, park) in ways.iter().flat_map(|way| [(way.as_str(), false), (way.as_str(), true)]) {
            let mut tower = Stack::new(1.0, 2.0);
            tower.line(settings);
            for _ in 0..30 {
                tower.line("G1 F6000").up().line("G1 F1800").block([50.0, 50.0], [4.0, 4.0]);
            }
            let mut p = stack::profile(0.3, 2.0);
            let more = profile(&[&format!("controller.preset={preset}"), way, "screw.melt_lag_s=0.4"]);
            (p.controller, p.machine.corner) = (more.controller, more.machine.corner);
            (p.machine.axis_accel_mm_s2, p.machine.axis_speed_mm_s) =
                (more.machine.axis_accel_mm_s2, more.machine.axis_speed_mm_s);
            p.screw.lag_compensated_by = more.screw.lag_compensated_by;
            p.screw.melt_lag_s = more.screw.melt_lag_s;
            p.screw.output_diameter_mm.value = 10.0;
            // 30 layers of 16 mm³.
            (p.hopper.usable_g.value, p.hopper.margin_g.value) = (Some(0.1), 0.01);
            p.feedstock.density_g_cm3.value = 1.0;
            p.hopper.purge_mm3.value = 5.0;
            if park {
                (p.machine.park_x_mm.value, p.machine.park_y_mm.value) = (Some(20.0), Some(20.0));
            }
            let options = Options { passes: Passes::ALL, ..Options::default() };
            let run = |command: Option<&str>| {
                let mut p = p.clone();
                p.hopper.pause_command.value = command.map(str::to_owned);
                let (output, summary) = runs::rewrite(tower.text.as_bytes(), &p, &options).expect("a rewrite");
                (String::from_utf8(output).expect("plain text"), summary)
            };
            let name = format!("{preset}, {way}, {park}");
            let (output, summary) = run(Some("REFILL"));
            let places = summary.hopper.as_ref().expect("a plan").refills.iter().map(|refill| refill.line as usize);
            let own: Vec<Set> = places
                .map(|line| {
                    let mut own = Set::default();
                    tower.text.lines().take(line - 1).for_each(|line| own.follow(line));
                    own
                })
                .collect();
            let at = |output: &str, wanted: &dyn Fn(&str) -> bool| -> Vec<Set> {
                let mut now = Set::default();
                let each = output.lines().filter_map(|line| {
                    now.follow(line);
                    wanted(line).then(|| now.clone())
                });
                each.collect()
            };
            let found = at(&output, &|line| line == "REFILL");
            assert!(found.len() >= 5 && found == own, "{name}: {found:?}\n{own:?}");
            let beads = |output: &str| at(output, &|line| line.starts_with("G1 X") && line.contains(" E"));
            let (with, without) = (beads(&output), beads(&run(None).0));
            assert!(without.iter().any(|set| set.accels[3] < 1000.0), "{name}: nothing is lowered");
            // What the file makes up for itself is charged anew behind a pause, in other pieces.
            if way.ends_with("controller") {
                assert!(with == without, "{name}");
                // The account is that of the output.
                let found = audit(&output, &p).before.time_s;
                let off = (summary.after.time_s / found - 1.0).abs();
                assert!(off < if park { 1e-2 } else { 2e-3 }, "{name}: {} {found}", summary.after.time_s);
            }
        }
    }
}

/// The lines with numbers and checksums, the exclusive or of their bytes.
fn numbered(lines: &str) -> String {
    let number = |(number, line): (usize, &str)| {
        let text = format!("N{number} {line}");
        let sum = text.bytes().fold(0, |sum, byte| sum ^ byte);
        format!("{text}*{sum}\n")
    };
    lines.lines().enumerate().map(number).collect()
}

/// Nothing goes before a line with a number, so a macro there runs under the feed of a slowed bead, which is told; no
/// acceleration is lowered there at all.
#[test]
fn commands_with_numbers_that_run_slowly_are_told() {
    let input = format!("{HEAD}G1 X80 E20 F6000\nM600\nG1 X50 E1 F600\nM600\n");
    let settings = ["controller.preset=board", "screw.lag_compensated_by=none"];
    let (output, summary) = rewrite(&input, &settings);
    let feed_before = |output: &str, count: usize| {
        let at = output.match_indices("M600").nth(count).expect("a pause").0;
        let line = output[..at].lines().rev().find(|line| line.contains(" F")).expect("a feed");
        word(line, 'F')
    };
    assert!(feed_before(&output, 0) == 6000.0 && !has(&summary, "command-slowed"), "{output}");
    let (output, summary) = rewrite(&numbered(&input), &settings);
    let lowered = feed_before(&output, 0);
    assert!(lowered < 6000.0 && !output.contains("M204"), "{output}");
    let told = summary.findings.iter().find(|finding| finding.code == "command-slowed").expect("a note");
    // The second one runs at the feed of the file.
    let place = &told.places[0];
    let detail = format!("at a feed of {lowered:.1} instead of 6,000.0 mm/min");
    assert_eq!((told.count, place.line, place.detail.as_str()), (1, 6, detail.as_str()));
    // An audit changes nothing.
    assert!(!has(&audit(&numbered(&input), &profile(&settings)), "command-slowed"));
}

/// Where lines are numbered and the controller makes up for the lag, the file's reversals stay: what is laid is what the file
/// lays, with and without refills, for the screw and for the hopper, and nothing drools backwards.
#[test]
fn reversals_that_stay_are_no_melt_that_is_missing() {
    for refill in ["G1 E0.5 F1800", "M117 none"] {
        let mut input = HEAD.to_owned();
        for _ in 0..20 {
            input += &format!("G1 X80 E2 F600\nG1 E-0.5 F1800\nG0 X20 Y20 F9000\nG0 X50\n{refill}\n");
        }
        for way in ["controller", "none"] {
            let way = format!("screw.lag_compensated_by={way}");
            let settings = ["controller.preset=board", &way, "hopper.usable_g=60"];
            let (output, summary) = rewrite(&numbered(&input), &settings);
            let found = audit(&output, &profile(&settings)).before.volume_mm3;
            let (before, after) = (summary.before.volume_mm3, summary.after.volume_mm3);
            assert!((before - 40.0 * strand::STRAND).abs() < 1e-6, "{before}");
            assert!((after / before - 1.0).abs() < 1e-9 && (found / before - 1.0).abs() < 1e-4, "{after} {found}");
            let hopper_g = summary.hopper.expect("a plan").total_g;
            assert!((hopper_g / summary.after.mass_g - 1.0).abs() < 1e-9, "{hopper_g} {}", summary.after.mass_g);
            assert!(summary.screw.drooled_mm3 >= 0.0, "{:?}", summary.screw);
        }
    }
}

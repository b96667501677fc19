//! The count of E in an output: where the controller keeps it and puts it back, and where lines are numbered.

#[path = "support/reader.rs"]
mod reader;
#[path = "support/runs.rs"]
mod runs;
#[path = "support/strand.rs"]
mod strand;

use std::io::Cursor;

use meltwright::pipeline::{self, Options};

use strand::{STRAND, has, profile, rewrite, word};

/// Each motion of an output as the controller takes it that keeps one state: where it ends, and what E turns.
fn followed(text: &str) -> Vec<([f64; 2], f64)> {
    let (mut at, mut e, mut modes) = ([0.0_f64; 2], 0.0, [true, true]);
    let mut kept = (modes, e);
    let mut out = Vec::new();
    for line in text.lines() {
        match line.split(' ').next().unwrap_or_default() {
            "G90" => modes[0] = true,
            "G91" => modes[0] = false,
            "M82" => modes[1] = true,
            "M83" => modes[1] = false,
            "G92" => e = word(line, 'E'),
            "SAVE_GCODE_STATE" | "M120" => kept = (modes, e),
            "RESTORE_GCODE_STATE" => (modes, e) = kept,
            "M121" => modes = kept.0,
            "G0" | "G1" => {
                let value =
                    |letter: char| line.split(' ').find_map(|word| word.strip_prefix(letter)?.parse::<f64>().ok());
                for (at, letter) in at.iter_mut().zip(['X', 'Y']) {
                    *at = value(letter).map_or(*at, |v| if modes[0] { v } else { *at + v });
                }
                let before = e;
                e = value('E').map_or(e, |v| if modes[0] && modes[1] { v } else { e + v });
                let turned = e - before;
                out.push((at, turned));
            }
            _ => {}
        }
    }
    out
}

/// A state of the machine that is kept and put back takes positions, E and feed back to how they counted.
#[test]
fn states_that_are_kept_and_put_back_are_followed() {
    let head = "G28\nG90\nM83\nG1 Z0.5 F600\nG1 X10 Y10 F6000\nG1 X60 E2 F600\n";
    let tail = "G1 X10 Y10 F6000\nG1 X60 Y12 E2 F600\nG1 X10 Y14 E2\n";
    for (preset, keep, back) in [
        ("host", "SAVE_GCODE_STATE NAME=lift", "RESTORE_GCODE_STATE NAME=lift"),
        ("host", "save_gcode_state", "RESTORE_GCODE_STATE MOVE=0"),
        ("network", "M120", "M121"),
    ] {
        let lift = format!("{keep}\nG91\nG1 Z1 F300\nG1 Z-1\n{back}\n");
        let input = format!("{head}{lift}{tail}");
        let (output, summary) = rewrite(&input, &[&format!("controller.preset={preset}")]);
        assert_eq!((summary.before.beads, summary.before.volume_mm3.round()), (3, (6.0 * STRAND).round()), "{preset}");
        let moves = followed(&output);
        assert!(output.contains(keep) && output.contains(back), "{output}");
        for ([x, y], _) in &moves {
            assert!(
                (10.0..=60.0).contains(x) && (10.0..=14.0).contains(y) || moves[0].0 == [*x, *y],
                "{x} {y}: {output}"
            );
        }
        assert_eq!(moves.last().map(|step| step.0), Some([10.0, 14.0]), "{output}");
        // The feed that is put back is the file's.
        let kept = output.lines().position(|line| line.starts_with(keep)).expect("a keeping");
        let feeds =
            output.lines().take(kept).filter_map(|line| line.split(' ').rev().find_map(|word| word.strip_prefix('F')));
        assert_eq!(feeds.last(), Some("600"), "{output}");
    }
}

/// The count of E goes back with the state, as the file has it and as the output has it, whatever was turned between.
#[test]
fn a_count_of_e_that_is_put_back_loses_nothing() {
    for between in
        ["", "M83\nG1 E-1\n", "M83\nG1 E-1\nG1 E1\n", "G1 X90 F6000\n", "G1 X90 F6000\nSAVE_GCODE_STATE NAME=b\n"]
    {
        let input = format!(
            "G28\nG90\nM82\nG1 Z0.5 F600\nG1 X60 E2 F600\nSAVE_GCODE_STATE NAME=a\n{between}RESTORE_GCODE_STATE NAME=a\n\
             G1 X50 Y30 F6000\nG1 X10 E4 F600\nG1 X50 E6\n"
        );
        for [way, unit] in [["none", "as-in-file"], ["none", "mm3"], ["file", "as-in-file"], ["file", "mm3"]] {
            let what = format!("{between:?}, {way}, {unit}");
            let way = format!("screw.lag_compensated_by={way}");
            let settings = [&way[..], &format!("screw.output_e_unit={unit}"), "controller.preset=host"];
            let (output, summary) = rewrite(&input, &settings);
            assert_eq!(summary.before.beads, 3, "{what}");
            let per_unit = if unit == "as-in-file" { STRAND } else { 1.0 };
            let other = |line: &&str| !line.contains("NAME=b");
            let lines: Vec<&str> = output.lines().filter(other).collect();
            let turned: f64 = followed(&lines.join("\n")).iter().map(|step| step.1 * per_unit).sum();
            // The file's own turns at rest give way to those of the output.
            let wanted = 6.0 * STRAND + summary.screw.drooled_mm3 + summary.screw.stored_at_end_mm3;
            assert!((turned - wanted).abs() < 0.01, "{what}: {turned} mm³ of {wanted}\n{output}");
            // What was written can be read again.
            let options = Options { again: true, ..Options::default() };
            pipeline::audit(&mut Cursor::new(&output), &profile(&settings), &options, &mut |_| {})
                .unwrap_or_else(|error| panic!("{what}: {error}\n{output}"));
        }
    }
}

/// What each of two tools turns in all, where they share the one count of E, units.
fn turned_by_tool(text: &str) -> [f64; 2] {
    let (mut tool, mut e, mut turned) = (0, 0.0, [0.0; 2]);
    for line in
        text.lines().map(|line| line.split_once(' ').filter(|(n, _)| n.starts_with('N')).map_or(line, |(_, l)| l))
    {
        match line {
            "T0" => tool = 0,
            "T1" => tool = 1,
            _ if line.starts_with("G92") => e = word(line, 'E'),
            _ if line.starts_with('G') && line.contains(" E") => {
                let to = word(line, 'E');
                turned[tool] += to - e;
                e = to;
            }
            _ => {}
        }
    }
    turned
}

/// Another tool sets the one count of E that there is; and its own E stays as it is.
#[test]
fn another_tool_that_sets_the_count_is_followed() {
    let print = "M82\nG28\nG1 Z1 F600\nG92 E0\nG1 X10 Y10 F6000\nG1 X50 Y10 E20 F300\nG92 E0\nT1\nG92 E0\n\
                 G1 X10 Y10 E5 F300\nG92 E0\nT0\nG1 X10 Y30 F6000\nG1 X20 Y30 E5 F300\nG1 X50 Y30 E20\n";
    // Without its own before the change.
    let short = print.replacen("E20 F300\nG92 E0\nT1", "E20 F300\nT1", 1);
    for input in [print, &short] {
        let numbered: String = input.lines().zip(1..).map(|(line, n)| format!("N{n} {line}\n")).collect();
        for (input, is_numbered) in [(input, false), (&*numbered, true)] {
            for way in ["file", "none", "controller"] {
                for unit in ["as-in-file", "mm3", "virtual-filament-mm"] {
                    let what = format!("{way}, {unit}, numbered {is_numbered}");
                    let settings = [
                        &*format!("screw.lag_compensated_by={way}"),
                        &*format!("screw.output_e_unit={unit}"),
                        "controller.preset=host",
                    ];
                    let (output, summary) = rewrite(input, &settings);
                    let [of_screw, of_other] = turned_by_tool(&output);
                    assert!((of_other - 5.0).abs() < 1e-9, "{what}: {of_other}\n{output}");
                    let per_unit = match unit {
                        "as-in-file" => STRAND,
                        "mm3" => 1.0,
                        _ => 25.0 * std::f64::consts::PI,
                    };
                    let wanted = 40.0 * STRAND + summary.screw.drooled_mm3 + summary.screw.stored_at_end_mm3;
                    let spared = if is_numbered || way == "controller" { 40.0 * STRAND } else { wanted };
                    let turned = of_screw * per_unit;
                    assert!((turned - spared).abs() < 0.5, "{what}: {turned} mm³ of {spared}\n{output}");
                }
            }
        }
    }
}

/// Nothing makes up for the lag where lines are numbered, as is told; and no line with too much E becomes several.
#[test]
fn numbered_lines_say_what_stays_undone() {
    let plain = "G28\nM83\nG1 X10 Y10 Z0.3 F3000\nG1 E80 F120\nG1 E-1 F1800\nG1 E1\nG1 X60 Y10 E2 F600\n";
    let numbered: String = plain.lines().zip(1..).map(|(line, n)| format!("N{n} {line}\n")).collect();
    for preset in ["host", "board", "network"] {
        let settings = [
            &format!("controller.preset={preset}")[..],
            "controller.max_e_only_mm=50",
            "controller.excess_e=split",
            "screw.output_e_unit=as-in-file",
        ];
        let (output, summary) = rewrite(&numbered, &settings);
        assert_eq!(summary.screw.lag_compensation, "none", "{preset}");
        assert!(has(&summary, "lag-numbered") && has(&summary, "excess-e"), "{preset}: {:?}", summary.findings);
        assert_eq!(output.lines().count(), numbered.lines().count() + 1, "{preset}: {output}");
        let (output, summary) = rewrite(plain, &settings);
        assert!(!has(&summary, "lag-numbered") && !has(&summary, "excess-e"), "{preset}: {:?}", summary.findings);
        assert_ne!(summary.screw.lag_compensation, "none", "{preset}");
        assert!(!output.contains("E80"), "{preset}: {output}");
    }
}

/// Where the count of the output has left that of the file, a numbered line gets its own word in place of a line before it.
#[test]
fn no_count_is_set_between_numbered_lines() {
    let other_tool =
        "G28\nG90\nM82\nG1 Z0.6 F600\nG1 X10 Y10 E10 F1200\nT1\nG1 X20 Y10 E12 F1200\nT0\nG1 X30 Y10 E14 F1200\n";
    let numbered: String = other_tool.lines().zip(1..).map(|(line, n)| format!("N{n} {line}\n")).collect();
    let behind = "G28\nG90\nM82\nG1 Z0.6 F600\nG1 X75 Y70 E60 F3600\nG1 E58 F1800\nN1 G0 X50 Y100 F9000\nN2 G1 X100 Y100 E202 F4800\n\
                  N3 G1 X100 Y20 E302\nG1 X20 Y20 E402\n";
    let at_rest = ["screw.lag_compensated_by=none", "screw.output_e_unit=as-in-file"];
    for (input, settings, turned) in
        [(numbered.as_str(), &[][..], None), (behind, &at_rest, Some([144.0, 100.0, 100.0]))]
    {
        let (output, _) = rewrite(input, &[&["controller.preset=host"], settings].concat());
        let mut lines = output.lines().skip_while(|line| !line.starts_with('N'));
        let last = lines.clone().filter(|line| line.starts_with('N')).count();
        assert!(lines.by_ref().take(last).all(|line| line.starts_with('N')), "{output}");
        let plain: String = output
            .lines()
            .map(|line| {
                line.split_once(' ').filter(|_| line.starts_with('N')).map_or(line, |of| of.1).to_owned() + "\n"
            })
            .collect();
        let e: Vec<f64> = followed(&plain).iter().map(|step| step.1).filter(|e| *e > 1.0).collect();
        if let Some(turned) = turned {
            let got = &e[e.len() - 3..];
            assert!(got.iter().zip(turned).all(|(got, want)| (got - want).abs() < 1e-4), "{got:?}\n{output}");
        } else {
            // The other tool turns its 2 mm, in its own unit.
            assert!(e.iter().any(|e| (e - 2.0).abs() < 1e-4), "{e:?}\n{output}");
        }
    }
}

/// Before any line has told the unit, a purge is in that of the file: 50 mm³ are 20.7876 mm of a strand of 1.75 mm, at 18 mm³/s
/// 449 mm a minute.
#[test]
fn a_purge_before_the_first_bead_counts_like_the_file() {
    let input = "M83\nG28\nG1 Z1 F600\nG0 X10 Y10 F6000\nG1 X50 Y10 E600 F600\nG1 X50 Y50 E5 F600\n";
    let settings = [
        "screw.lag_compensated_by=controller",
        "screw.output_e_unit=as-in-file",
        "screw.sustained_flow_mm3_s=18",
        "hopper.usable_g=1.3",
        "hopper.margin_g=0.1",
        "hopper.pause_command=REFILL",
        "hopper.purge_mm3=50",
        "machine.park_x_mm=5",
        "machine.park_y_mm=5",
    ];
    let (output, summary) = rewrite(input, &settings);
    let (before, behind) = output.split_once("REFILL\n").expect("a pause");
    assert!(!before.contains(" E"), "it stands before the first bead: {output}");
    let purge = behind.lines().next().expect("a purge");
    assert!((word(purge, 'E') * STRAND - 50.0).abs() < 1e-3, "{purge}");
    assert!((word(purge, 'F') * STRAND / 60.0 - 18.0).abs() < 0.05, "{purge}");
    assert!(summary.hopper.is_some_and(|plan| plan.pauses_parked > 0));
}

/// What a line may hold is asked of the output: 210 mm of a strand of 1.75 mm are 6.4 mm of one of 10 mm, and 505 mm³.
#[test]
fn limits_of_e_are_those_of_the_words_that_are_written() {
    let arc = "G28\nM83\nG1 Z1 F600\nG1 X100 Y100 F6000\nG3 X140 Y100 I20 J0 E210 F300\n";
    let line = "N1 M83\nN2 G28\nN3 G1 Z1 F600\nN4 G1 X10 Y10 F6000\nN5 G1 X200 Y10 E210 F300\n";
    for (input, unit, is_told) in [
        (arc, "virtual-filament-mm", false),
        (line, "virtual-filament-mm", false),
        // Along the path a piece holds more than the 200 there may be, and is parted again; a numbered line is not.
        (arc, "mm3", false),
        (line, "mm3", true),
        (line, "as-in-file", true),
    ] {
        let unit_set = format!("screw.output_e_unit={unit}");
        let settings = ["controller.preset=board", "controller.max_e_per_line_mm=200", &unit_set];
        let (output, summary) = rewrite(input, &settings);
        assert_eq!(has(&summary, "excess-e"), is_told, "{unit}: {:?}\n{output}", summary.findings);
        let moves = output.lines().filter(|line| !line.starts_with(';') && line.contains(" E"));
        let most = moves.map(|line| word(line, 'E')).fold(0.0, f64::max);
        assert_eq!(most > 200.0, is_told, "{unit}: {output}");
    }
}

/// The pauses that are told are those that are written, however little there is between the stop and the need for it.
#[test]
fn refills_are_told_where_they_are_written() {
    let mut seed = 7_u64;
    let mut random = |below: u64| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 33) % below
    };
    let mut pauses = 0;
    for round in 0..40 {
        let mut input = "G28\nM83\nG1 Z1 F600\n".to_owned();
        for _ in 0..100 {
            let [x, y, e] = [random(180), random(180), 5 + random(36)];
            input += &match random(3) {
                0 => format!("G0 X{x} Y{y} F9000\n"),
                1 => format!("G1 X{x} Y{y} E{e} F{}\n", 900 + 100 * random(20)),
                _ => format!("G1 X{x} Y{y} E{e}\nG1 E-1 F2400\nG1 E1\n"),
            };
        }
        let settings = [
            ["screw.lag_compensated_by=none", "screw.lag_compensated_by=file"][round % 2],
            &format!("hopper.usable_g=1.{}", 10 + random(90)),
            "hopper.margin_g=0.05",
            "hopper.pause_command=REFILL",
            "hopper.purge_mm3=10",
            "machine.park_x_mm=5",
            "machine.park_y_mm=5",
        ];
        let (output, summary) = rewrite(&input, &settings);
        let written = output.lines().filter(|line| *line == "REFILL").count();
        let plan = summary.hopper.as_ref().expect("a plan");
        let told = (plan.refills.len(), plan.pauses_written as usize, plan.purged_mm3 as usize);
        assert_eq!(told, (written, written, 10 * written), "{round}: {settings:?}\n{output}");
        assert!(!has(&summary, "pause-left-out"), "{round}");
        pauses += written;
    }
    assert!(pauses > 80, "{pauses}");
}

/// A reversal that is taken out exceeds nothing, however long it is.
#[test]
fn a_long_reversal_that_goes_exceeds_no_limit() {
    let input =
        "M83\nG28\nG1 Z1 F600\nG1 X10 Y10 F6000\nG1 X50 E5 F600\nG1 E-60 F1800\nG0 X90\nG1 E60\nG1 X50 E5 F600\n";
    let settings = ["controller.max_e_only_mm=50", "controller.excess_e=report", "screw.output_e_unit=as-in-file"];
    let settings = settings.into_iter().chain(["screw.lag_compensated_by=none"]).collect::<Vec<_>>();
    assert!(!has(&rewrite(input, &settings).1, "excess-e"));
    let audit = pipeline::audit(&mut Cursor::new(input), &profile(&settings), &Options::default(), &mut |_| {});
    assert!(has(&audit.expect("an audit"), "excess-e"), "the file has it");
}

/// A reversal on the way up and its refill on the way down lay nothing: both go, and what is pushed is what is wanted.
#[test]
fn a_refill_on_the_way_down_is_no_bead() {
    let lift = "G1 E-3 Z5 F600\nG0 X20 Y20 F9000\nG1 E3 Z0.8 F600\n";
    let input = |down: &str| {
        format!(
            "M83\nG28\nG1 Z0.8 F600\nG0 X50 Y50 F9000\nG1 X80 E8 F1800\n{}G1 X50 E8 F1800\n",
            lift.replace("E3", down)
        )
    };
    for by in ["file", "none", "controller"] {
        let (output, summary) =
            rewrite(&input("E3"), &[&format!("screw.lag_compensated_by={by}"), "controller.preset=host"]);
        assert!(output.lines().all(|line| !(line.contains('Z') && line.contains('E'))), "{by}: {output}");
        assert_eq!((summary.screw.replaced, summary.before.beads), (2, 2), "{by}");
        assert!((summary.before.volume_mm3 - 16.0 * STRAND).abs() < 1e-6, "{by}: {}", summary.before.volume_mm3);
    }
    // More than was turned back is laid on the way.
    let (output, summary) = rewrite(&input("E8"), &["screw.lag_compensated_by=none", "controller.preset=host"]);
    assert_eq!(summary.before.beads, 3, "{output}");
}

/// Nobody knows how long the head stands at a pause, a heating, a macro or while another tool works: the screw turns back
/// before, and is charged behind.
#[test]
fn the_pressure_goes_before_a_halt_of_unknown_length() {
    for halt in ["M25", "M226", "M109 S180", "M600", "M0 Fill the hopper", "PAUSE", "SWAP_BIN", "T1\nT0"] {
        let input = format!(
            "M83\nG28\nM109 S200\nG1 Z1 F600\nG1 X10 Y10 F6000\nG1 X50 Y10 E15 F1200\nG1 E-1 F1800\n{halt}\nG1 E1 F1800\n\
             G1 X50 Y50 E15 F1200\n"
        );
        let (output, summary) = rewrite(&input, &["screw.lag_compensated_by=none", "controller.preset=host"]);
        let (before, behind) = output.split_once(&format!("{halt}\n")).expect("the halt");
        let turn = |line: Option<&str>| line.filter(|line| line.starts_with("G1 E")).map(|line| word(line, 'E'));
        let back = before.lines().rev().find_map(|line| turn(Some(line)));
        let forward = turn(behind.lines().next());
        assert!(back.is_some_and(|e| e < -0.01) && forward.is_some_and(|e| e > 0.01), "{halt}: {output}");
        assert_eq!(summary.screw.replaced, 2, "{halt}");
    }
    // A pause without a reversal of the file's own is one as well; what a macro does then, nobody can know.
    for (halt, turns) in [("M600", 2), ("M1", 2), ("PAUSE", 2), ("SWAP_BIN", 0)] {
        let input =
            format!("M83\nG28\nG1 Z1 F600\nG1 X10 Y10 F6000\nG1 X50 Y10 E15 F1200\n{halt}\nG1 X50 Y50 E15 F1200\n");
        let (output, _) = rewrite(&input, &["screw.lag_compensated_by=none", "controller.preset=host"]);
        let around: Vec<&str> = output.lines().skip_while(|line| !line.contains("X50 Y10")).collect();
        let found =
            around.iter().take_while(|line| !line.contains("Y50")).filter(|line| line.starts_with("G1 E")).count();
        assert_eq!(found, turns, "{halt}: {output}");
    }
}

/// A purge of just what a line may hold is parted, so that no sum of figures lies above the limit.
#[test]
fn a_purge_stays_within_the_limit_of_a_line() {
    let input = "G28\nM82\nG1 Z1 F600\nG1 X10 Y10 F6000\nG1 X90 E176.69993 F600\nG1 X10 E337.13662\nG1 X90 E497.1\nG1 X10 E657.3\n";
    let settings = [
        "screw.output_e_unit=mm3",
        "hopper.usable_g=1.5",
        "hopper.margin_g=0.1",
        "hopper.pause_command=REFILL",
        "hopper.purge_mm3=50",
        "machine.park_x_mm=5",
        "machine.park_y_mm=6",
        "controller.preset=host",
        "controller.max_e_only_mm=50",
        "controller.max_bead_area_per_nozzle_sq=none",
    ];
    let (output, _) = rewrite(input, &settings);
    let purge: Vec<&str> = output.lines().skip_while(|line| *line != "REFILL").skip(1).take(2).collect();
    assert!(purge.iter().all(|line| line.starts_with("G1 E")), "{purge:?}");
    let options = Options { again: true, ..Options::default() };
    let again =
        pipeline::audit(&mut Cursor::new(&output), &profile(&settings), &options, &mut |_| {}).expect("an audit");
    assert!(!has(&again, "excess-e"), "{:?}", again.findings);
}

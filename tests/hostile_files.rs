//! Whole files that nobody means, given to the built program: it ends in time, in little memory, with an exit code.
//!
//! A build without optimisation gets smaller files; `.ci/run` names the release build in `MELTWRIGHT_OTHER_BUILD`, which
//! gets the full ones.

mod support;
#[path = "support/watched.rs"]
mod watched;

use std::ffi::OsString;
use std::fmt::Write as _;
use std::fs::File;
use std::io::{BufWriter, Write as _};
use std::time::Duration;

use support::Bench;
use watched::{Watched, watched};

/// Sizes are divided by this in a build that is not optimised.
fn less() -> usize {
    if cfg!(debug_assertions) && other_build().is_none() { 20 } else { 1 }
}

fn other_build() -> Option<OsString> {
    std::env::var_os("MELTWRIGHT_OTHER_BUILD")
}

/// Longest time a run may take, on a busy machine.
const MOST_TIME: Duration = Duration::from_secs(120);
/// Most memory for a file of many short lines, KiB: as for any other, see `tests/memory.rs`.
const MOST_KIB: u64 = 64 * 1024;

fn run(bench: &Bench, arguments: &[&str]) -> Watched {
    let program = other_build().unwrap_or_else(|| env!("CARGO_BIN_EXE_meltwright").into());
    watched(&mut bench.command(program, arguments), MOST_TIME)
}

fn write(bench: &Bench, name: &str, make: impl FnOnce(&mut BufWriter<File>) -> std::io::Result<()>) {
    let mut file = BufWriter::new(File::create(bench.path(name)).expect("a file in the temporary folder"));
    make(&mut file).and_then(|()| file.flush()).expect("the disk has room");
}

/// Rewrites and audits a file, with a report; both have to succeed within bounds.
#[track_caller]
fn bounded(bench: &Bench, name: &str, most_kib: u64) {
    const SET: [&str; 2] = ["--set", "screw.virtual_diameter_mm=1.75"];
    let arguments: [&[&str]; 4] = [
        &["rewrite", "--quiet", name, "-o", "out.gcode"],
        &["rewrite", "--quiet", name, "-o", "out.gcode", "--set", "screw.lag_compensated_by=file"],
        &["audit", name],
        &["audit", name, "--html", "report.html"],
    ];
    for arguments in arguments {
        let ran = run(bench, &[arguments, &SET].concat());
        let said = String::from_utf8_lossy(&ran.output.stderr).into_owned();
        println!("{arguments:?}: {:?}, {} KiB", ran.time, ran.peak_kib);
        // An audit that finds an error says so by 3.
        let code = ran.output.status.code();
        assert!(code == Some(0) || code == Some(3) && arguments[0] == "audit", "{arguments:?}: {code:?} {said}");
        // A report keeps what it draws.
        let most = if arguments.contains(&"--html") { most_kib + 32 * 1024 } else { most_kib };
        assert!(ran.peak_kib < most, "{arguments:?}: {} KiB, at most {most}", ran.peak_kib);
    }
}

#[test]
fn ten_million_moves_at_one_point() {
    let bench = Bench::new();
    write(&bench, "in.gcode", |file| {
        file.write_all(b"G90\nM83\nG28\nG1 X10 Y10 E1 F600\n")?;
        (0..10_000_000 / less()).try_for_each(|_| file.write_all(b"G1 X10 Y10\n"))
    });
    bounded(&bench, "in.gcode", MOST_KIB);
}

#[test]
fn a_million_tool_changes() {
    let bench = Bench::new();
    write(&bench, "in.gcode", |file| {
        file.write_all(b"G90\nM83\nG28\nG1 F3000\n")?;
        (0..1_000_000 / less()).try_for_each(|k| write!(file, "T{}\nG1 X{} E0.5\n", k % 7919, k % 200))
    });
    bounded(&bench, "in.gcode", MOST_KIB);
}

#[test]
fn four_hundred_thousand_layers_of_one_move() {
    let bench = Bench::new();
    write(&bench, "in.gcode", |file| {
        file.write_all(b"G90\nM83\nG28\nG1 X0 Y0 F3000\n")?;
        (0..400_000 / less()).try_for_each(|k| {
            let z = k as f64 * 0.01;
            write!(file, ";LAYER_CHANGE\nG1 Z{z:.2}\nG1 X{} E0.5\n", if k % 2 == 0 { 40 } else { 0 })
        })
    });
    bounded(&bench, "in.gcode", MOST_KIB);
}

#[test]
fn layers_below_the_bed_and_falling() {
    let bench = Bench::new();
    write(&bench, "in.gcode", |file| {
        file.write_all(b"G90\nM83\nG28\nG1 X0 Y0 F3000\n")?;
        (0..200_000 / less()).try_for_each(|k| {
            let z = -0.01 * k as f64;
            write!(file, ";LAYER_CHANGE\nG1 Z{z:.2}\nG1 X{} Y{} E0.5\n", k % 2 * 40, k % 3)
        })
    });
    bounded(&bench, "in.gcode", MOST_KIB);
}

/// Each layer at a place of its own, so that none hides another, and at heights between which nothing is begun anew.
#[test]
fn layers_up_and_down_all_over_the_bed() {
    for falls in [false, true] {
        let bench = Bench::new();
        write(&bench, "in.gcode", |file| {
            file.write_all(b"G90\nM83\nG28\nG1 X0 Y0 F3000\n")?;
            (0..80_000 / less()).try_for_each(|k| {
                let z = if falls { -0.1 * k as f64 } else { 0.4 - 0.2 * (k % 2) as f64 };
                let (x, y) = (k * 37 % 400 * 2, k / 400 * 2 % 800);
                writeln!(file, ";LAYER_CHANGE\nG1 Z{z:.2}\nG0 X{x} Y{y}\nG1 X{x}.2 Y{y}.9 E0.05")
            })
        });
        bounded(&bench, "in.gcode", MOST_KIB);
    }
}

/// Text between two beads that are planned together.
#[test]
fn millions_of_lines_without_a_move() {
    for (line, count) in
        [("\n", 20_000_000), (";\n", 10_000_000), ("M117 0123456789\n", 1_000_000), ("M105\n", 2_000_000)]
    {
        let bench = Bench::new();
        write(&bench, "in.gcode", |file| {
            file.write_all(b"G90\nM83\nG28\nG1 X10 Y10 Z0.3 E1 F600\n")?;
            (0..count / less()).try_for_each(|_| file.write_all(line.as_bytes()))?;
            file.write_all(b"G1 X20 E1\n")
        });
        bounded(&bench, "in.gcode", MOST_KIB + 16 * 1024);
    }
}

/// Arcs of more turns than anybody counts, and of more kilometres.
#[test]
fn arcs_without_an_end() {
    let bench = Bench::new();
    write(&bench, "in.gcode", |file| {
        file.write_all(b"G90\nM83\nG28\nG1 Z0.3 F3000\n")?;
        (0..500 / less()).try_for_each(|k| {
            let x = k % 2;
            write!(
                file,
                "G2 X1{x} Y0 I5 J0 P4000000000 E900\nG2 X{x} Y0 I5 J0 P10000 E900\nG3 X{x} Y0 I4000000 J0 E900\n"
            )
        })
    });
    bounded(&bench, "in.gcode", MOST_KIB);
}

#[test]
fn one_layer_that_covers_a_square_kilometre() {
    let bench = Bench::new();
    write(&bench, "in.gcode", |file| {
        file.write_all(b"G90\nM83\nG28\nG1 Z0.3 F3000\n")?;
        (0..2_000).try_for_each(|k| writeln!(file, "G1 X{} Y{} E900", k % 2 * 1_000_000, k * 500))
    });
    bounded(&bench, "in.gcode", 2 * MOST_KIB);
}

#[test]
fn lines_of_many_megabytes() {
    // A line is in memory as a whole, in a few blocks at a time.
    let most = 256 * 1024;
    let long = 15 << 20;
    for (name, line) in [
        ("comment", format!(";{}\n", "x".repeat(long))),
        ("parentheses", format!("{}\n", "(".repeat(long))),
        ("closed", format!("{}{}\n", "(".repeat(long / 2), ")".repeat(long / 2))),
        ("text", format!("M117 {}\n", "x".repeat(long))),
        ("arguments", format!("SET_TEXT {}\n", "A=1 ".repeat(long / 4))),
    ] {
        let bench = Bench::new();
        let file = format!("{name}.gcode");
        let moves = "G1 X10 E0.5\nG1 X0 E0.5\n".repeat(10);
        bench.file(&file, format!("G90\nM83\nG28\nG1 X0 Y0 Z0.3 F3000\n{moves}{line}{moves}"));
        bounded(&bench, &file, most);
    }
    // What is wrong stands far to the right.
    for gap in [70_000, long] {
        let bench = Bench::new();
        bench.file("in.gcode", format!("G28\nM83\n{}G1 X1{}Y1.2.3 E1\n", " ".repeat(gap / 2), " (a)".repeat(gap / 8)));
        let ran = run(&bench, &["rewrite", "in.gcode", "-o", "out.gcode"]);
        let said = String::from_utf8_lossy(&ran.output.stderr).into_owned();
        assert_eq!(ran.output.status.code(), Some(1), "{}", &said[..said.len().min(2000)]);
        assert!(
            said.len() < 2000 && said.contains("Y1.2.3"),
            "{} bytes said: {}",
            said.len(),
            &said[..said.len().min(2000)]
        );
        assert!(ran.peak_kib < most && ran.time < MOST_TIME / 4, "{:?}, {} KiB", ran.time, ran.peak_kib);
    }
    // No line is as long as this one.
    let bench = Bench::new();
    bench.file("in.gcode", format!("G28\n;{}\n", "x".repeat(40 << 20)));
    let ran = run(&bench, &["rewrite", "in.gcode", "-o", "out.gcode"]);
    assert_eq!(ran.output.status.code(), Some(1));
    assert!(ran.peak_kib < most, "{} KiB", ran.peak_kib);
    assert!(String::from_utf8_lossy(&ran.output.stderr).contains("longer than 16 MiB"));
    assert_eq!(bench.names(), ["in.gcode"]);
}

/// Profiles made to take time or memory.
#[test]
fn profiles_that_are_bombs() {
    const LONG: usize = 250_000;
    let mut many = String::new();
    for k in 0..20_000 {
        writeln!(many, "k{k} = 1").expect("written");
    }
    let mut twice = String::from("[screw]\n");
    twice.push_str(&"derate = 0.5\n".repeat(LONG / 13));
    let bombs: Vec<(&str, String)> = vec![
        ("lists", format!("a = {}", "[".repeat(LONG))),
        ("closed lists", format!("a = {}{}", "[".repeat(LONG / 2), "]".repeat(LONG / 2))),
        ("tables", format!("a = {}", "{a=".repeat(LONG / 3))),
        ("dots", format!("a{} = 1", ".a".repeat(LONG / 2))),
        ("header", format!("[a{}]\n", ".a".repeat(LONG / 2))),
        ("headers", "[screw]\n".repeat(LONG / 8)),
        ("lists of tables", "[[a]]\n".repeat(LONG / 6)),
        ("keys", many),
        ("twice", twice),
        ("long list", format!("[screw]\noutput_curve = [{}]", "[1, 2], ".repeat(LONG / 8))),
        ("long text", format!("[feedstock]\nname = \"{}\"", "x".repeat(LONG))),
        ("open text", format!("[feedstock]\nname = \"\"\"{}", "\\".repeat(LONG))),
        ("escapes", format!("[feedstock]\nname = \"{}\"", "\\u00e4".repeat(LONG / 6))),
        ("long number", format!("[screw]\nderate = 0.{}", "9".repeat(LONG))),
        ("large number", format!("[screw]\nderate = {}", "9".repeat(LONG))),
        ("exponent", "[screw]\nderate = 1e999999999\n".to_owned()),
        ("too long", format!("# {}\n", "x".repeat(40 << 20))),
    ];
    for (name, text) in bombs {
        let bench = Bench::new();
        bench.file("calm.gcode", support::CALM);
        bench.file("bomb.toml", text);
        let ran =
            run(&bench, &["audit", "calm.gcode", "--profile", "bomb.toml", "--set", "screw.virtual_diameter_mm=1.75"]);
        let said = String::from_utf8_lossy(&ran.output.stderr).into_owned();
        println!("{name}: {:?}, {} KiB, {} bytes said", ran.time, ran.peak_kib, said.len());
        let code = ran.output.status.code();
        assert!(
            code == Some(2) || code == Some(0) && said.is_empty(),
            "{name}: {code:?} {}",
            &said[..said.len().min(500)]
        );
        assert!(ran.peak_kib < 2 * MOST_KIB, "{name}: {} KiB", ran.peak_kib);
        assert!(said.len() < 64 * 1024, "{name}: {} bytes said", said.len());
    }
}

/// Sheets made to take time or memory.
#[test]
fn sheets_that_are_bombs() {
    const LONG: usize = 1_000_000;
    let head = "date,2026-11-20\ntemperature_c,210\nnozzle_mm,1\nfeed_mode,gravity\n";
    let columns = "kind,rpm,seconds,mass_g\n";
    let rows = |row: &str| format!("{head}{columns}{}", row.repeat(LONG / row.len()));
    let mut speeds = format!("{head}{columns}");
    for k in 0..30_000_u32 {
        writeln!(speeds, "run,{}.{:04},60,11.{}", 20 + k % 100, k, k % 10).expect("written");
    }
    let bombs: Vec<(&str, String)> = vec![
        ("commas", ",".repeat(LONG)),
        ("rows of commas", ",\n".repeat(LONG / 2)),
        ("quotes", "\"".repeat(LONG)),
        ("lines", "\n".repeat(LONG)),
        ("columns", format!("kind,rpm,seconds,mass_g{}\n", ",note".repeat(LONG / 5))),
        ("one weighing again and again", rows("run,60,60,11.5\n")),
        ("drools", rows("drool,60,60,0.2\n")),
        ("strays", rows("run,60,60,11.5\nrun,61,60,300\n")),
        ("a speed in every row", speeds),
        ("settings", "date,2026-11-20\n".repeat(LONG / 16)),
        ("notes", format!("{head}kind,rpm,seconds,mass_g,note\nrun,60,60,11.5,{}\n", "x".repeat(LONG))),
        ("number", format!("{head}{columns}run,60,60,1{}\n", "0".repeat(LONG))),
        ("too long", format!("{head}# {}\n", "x".repeat(40 << 20))),
    ];
    for (name, text) in bombs {
        let bench = Bench::new();
        bench.file("sheet.csv", text);
        let ran = run(&bench, &["weigh", "fit", "sheet.csv", "-o", "section.toml"]);
        let said = ran.output.stderr.len() + ran.output.stdout.len();
        println!("{name}: {:?}, {} KiB, {said} bytes said, {}", ran.time, ran.peak_kib, ran.output.status);
        assert!(matches!(ran.output.status.code(), Some(0 | 1)), "{name}: {}", ran.output.status);
        assert!(ran.peak_kib < 4 * MOST_KIB, "{name}: {} KiB", ran.peak_kib);
        assert!(said < 64 * 1024, "{name}: {said} bytes said");
    }
}

/// Devices that never end, in place of files.
#[cfg(unix)]
#[test]
fn devices_that_never_end() {
    for device in ["/dev/zero", "/dev/urandom"] {
        if !std::path::Path::new(device).exists() {
            eprintln!("SKIPPED: there is no {device}");
            continue;
        }
        let bench = Bench::new();
        bench.file("calm.gcode", support::CALM);
        for (arguments, code) in [
            (&["rewrite", device, "-o", "out.gcode"][..], 1),
            (&["audit", device], 1),
            (&["audit", "calm.gcode", "--profile", device], 2),
            (&["weigh", "fit", device], 1),
        ] {
            let ran = run(&bench, arguments);
            assert_eq!(ran.output.status.code(), Some(code), "{arguments:?}");
            assert!(ran.peak_kib < 2 * MOST_KIB && ran.time < MOST_TIME / 4, "{arguments:?}: {ran:?}");
        }
        assert_eq!(bench.names(), ["calm.gcode"]);
    }
}

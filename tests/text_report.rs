//! Reports in plain text: they fit their columns and keep calm on real files.

#[path = "support/corpus.rs"]
mod corpus;
mod support;

use support::{Bench, CALM, PADS};

const E: [&str; 2] = ["--set", "screw.virtual_diameter_mm=1.75"];

/// Most columns of a report.
const WIDTH: usize = 100;

/// Name and bytes of every real file.
fn real() -> impl Iterator<Item = (String, Vec<u8>)> {
    corpus::files().into_iter().flatten().map(|path| {
        let name = path.file_name().expect("a name").to_string_lossy().into_owned();
        (name, std::fs::read(&path).expect("a readable file"))
    })
}

fn too_wide(text: &str) -> Vec<&str> {
    text.lines().filter(|line| line.chars().count() > WIDTH).collect()
}

#[test]
fn all_real_files_fit_a_hundred_columns() {
    let bench = Bench::new();
    let mut wide = Vec::new();
    for (name, bytes) in real() {
        // The path itself may be long; the name in the folder of the test is not.
        bench.file("real.gcode", bytes);
        for command in [&["audit", "real.gcode", "-v", "--lenient"][..], &["rewrite", "real.gcode", "--dry-run", "-v"]]
        {
            let ran = bench.run(&[command, &E].concat());
            wide.extend(too_wide(&ran.stdout).into_iter().map(|line| format!("{name}, {}: {line}", command[0])));
        }
    }
    assert!(wide.is_empty(), "{wide:#?}");
}

/// Beads along arcs are as wide as the file says. Its outer loops are an arc, and a straight line that closes it: by the
/// figures of both 0.295 mm², from a bore of 0.4 mm, 1.5 mm wide at layers of 0.2 mm. The mean of the layer is 1.04 mm.
#[test]
fn wide_beads_along_arcs_are_true_of_the_file() {
    let Some(bytes) = corpus::named("abs-e-arcs-01.gcode") else { return };
    let loop_lines = "G1 X97.323 Y99.304 F6600.000\nG1 F54.835\nG3 X97.205 Y99.010 I-2.147 J0.691 E67.50212\n\
        G1 X97.303 Y99.247 E67.53363\n";
    let text = String::from_utf8_lossy(&bytes).replace('\r', "");
    assert!(text.contains(loop_lines) && text.contains("X97.807 Y99.177 E65.80095\n"));
    let strand_mm2 = std::f64::consts::FRAC_PI_4 * 1.75 * 1.75;
    let straight_mm2 = strand_mm2 * (67.53363 - 67.50212) / f64::hypot(97.303 - 97.205, 99.247 - 99.010);
    // Counter-clockwise from the start to just before it: all but the angle between both ends.
    let (start, end) = ((2.147_f64, -0.691_f64), (97.205 - 95.176, 99.010 - 99.995));
    let gap = start.1.atan2(start.0) - f64::atan2(end.1, end.0);
    let arc_mm2 = strand_mm2 * (67.50212 - 65.80095) / ((std::f64::consts::TAU - gap) * start.0.hypot(start.1));
    assert!((straight_mm2 - 0.295).abs() < 0.002 && (arc_mm2 - 0.295).abs() < 0.002, "{straight_mm2} {arc_mm2}");
    let bench = Bench::new();
    bench.file("real.gcode", &bytes);
    let ran = bench.run(&[&["audit", "real.gcode", "--lenient", "--json", "-"], &E[..]].concat());
    let found: serde_json::Value = serde_json::from_str(&ran.stdout).expect("JSON");
    let findings = found["findings"].as_array().expect("a list");
    let wide = findings.iter().find(|finding| finding["code"] == "bead-width").expect("a finding");
    assert_eq!(
        wide["places"][0]["detail"],
        "1.04 mm wide on average, 0.28 to 0.80 mm for the 0.4 mm nozzle of the file"
    );
}

/// What this looks for is a fault of few files: in real ones, sliced for other machines, it is told where it is so.
#[test]
fn real_files_are_not_found_fault_with_for_nothing() {
    const LOOKED_FOR: [&str; 6] =
        ["out-of-reach", "fan-too-strong", "first-layer-near", "open-time", "units-not-set", "unknown-command"];
    // A command of one maker's machines.
    const TRUE: [(&str, &str); 1] = [("multi-filament-rel-e-arcs-01.gcode", "unknown-command")];
    let bench = Bench::new();
    let mut told = Vec::new();
    for (name, bytes) in real() {
        bench.file("real.gcode", bytes);
        for preset in ["host", "board", "network"] {
            let preset = format!("controller.preset={preset}");
            let sensible =
                ["--set", &preset, "--set", "feedstock.open_time_h=24", "--set", "feedstock.max_fan_share=1"];
            let audit = ["audit", "real.gcode", "--lenient", "--json", "-"];
            let ran = bench.run(&[&audit[..], &E, &sensible].concat());
            let found: serde_json::Value = serde_json::from_str(&ran.stdout).expect("JSON");
            for finding in found["findings"].as_array().into_iter().flatten() {
                let code = finding["code"].as_str().expect("a code");
                if LOOKED_FOR.contains(&code) && !TRUE.contains(&(name.as_str(), code)) {
                    told.push(format!("{name}, {preset}: {}", finding["places"]));
                }
            }
        }
    }
    assert!(told.is_empty(), "{told:#?}");
}

#[test]
fn demand_and_layer_times_are_drawn() {
    let bench = Bench::new();
    bench.file("pads.gcode", PADS);
    let audit = |more: &[&str]| bench.run(&[&["audit", "pads.gcode"], &E[..], more].concat()).stdout;
    let text = audit(&[]);
    assert!(text.contains("demand over time  ") && text.contains('█') && text.contains(" mm³/s"), "{text}");
    let plain = audit(&["--plain"]);
    assert!(plain.is_ascii() && plain.contains("demand over time  ") && plain.contains('#'), "{plain}");
    assert_eq!(text.lines().count(), plain.lines().count());
    // One layer has no course.
    bench.file("calm.gcode", CALM);
    let calm = bench.run(&[&["audit", "calm.gcode"], &E[..]].concat()).stdout;
    assert!(!calm.contains("layer times"), "{calm}");
}

/// Where the locale has no other characters, words keep to ASCII wherever they go; data is as it is.
#[test]
fn words_keep_to_ascii_where_the_locale_does() {
    let bench = Bench::new();
    bench.file("hot.toml", "[feedstock]\nnozzle_temperature_min_c = 190.0\nnozzle_temperature_max_c = 150.0\n");
    // In the one locale all is ASCII, in the other something is not.
    let both = |arguments: &[&str], code: i32| {
        let shown = |locale: &str| {
            bench.file("pads.gcode", PADS);
            let mut command = bench.command(env!("CARGO_BIN_EXE_meltwright"), arguments);
            let ran = command.env("LC_ALL", locale).output().expect("the program runs");
            assert_eq!(ran.status.code(), Some(code), "{arguments:?}");
            let report = std::fs::read(bench.path("report.txt")).unwrap_or_default();
            String::from_utf8([ran.stdout, ran.stderr, report].concat()).expect("text")
        };
        let (plain, full) = (shown("C"), shown("C.UTF-8"));
        assert!(plain.is_ascii() && !full.is_ascii(), "{arguments:?}\n{plain}\n{full}");
        assert!(plain.lines().count() == full.lines().count(), "{arguments:?}");
    };
    let to = |arguments: &[&'static str]| [arguments, &E].concat();
    both(&["weigh", "plan", "-o", "new.gcode", "--temperature", "300"], 2);
    both(&["audit", "pads.gcode", "--profile", "hot.toml"], 2);
    both(&["profile", "check", "hot.toml"], 2);
    both(&["weigh", "plan", "--help"], 0);
    both(&to(&["rewrite", "pads.gcode"]), 0);
    both(&to(&["rewrite", "pads.gcode", "-o", "out.gcode"]), 0);
    both(&to(&["hook", "-v", "pads.gcode"]), 0);
    both(&to(&["hook", "--report", "report.txt", "pads.gcode"]), 0);
    std::fs::remove_file(bench.path("report.txt")).expect("removed");
    both(&["hook", "--profile", "hot.toml", "pads.gcode"], 2);
    // As well where it was asked for.
    let asked = bench.run(&["audit", "pads.gcode", "--plain", "--profile", "hot.toml"]).code(2);
    assert!(asked.stderr.is_ascii() && asked.stderr.contains("lowest 190 C"), "{}", asked.stderr);
    let own = ["profile", "show", "--set", "feedstock.name=\"30°\""];
    let shown = bench.command(env!("CARGO_BIN_EXE_meltwright"), &own).env("LC_ALL", "C").output().expect("it runs");
    assert!(String::from_utf8_lossy(&shown.stdout).contains("\"30°\""), "a profile is data");
}

//! What a file may do wrong whatever the controller: heat, homing, bed, fan, beads against the nozzle, rests. Figures by hand.

#[path = "support/reader.rs"]
mod reader;
#[path = "support/runs.rs"]
mod runs;

use std::io::Cursor;

use meltwright::pipeline::{self, Options};
use meltwright::profile::Profile;
use meltwright::summary::Finding;

/// Codes that are looked at here.
const CODES: &[&str] = &[
    "no-heat",
    "heat-not-waited",
    "nozzle-temperature",
    "home-missing",
    "outside-bed",
    "first-layer-overfilled",
    "bead-width",
    "bead-height",
    "fan-off",
    "fan-on",
    "low-flow",
    "long-rest",
    "out-of-reach",
    "first-layer-near",
    "fan-too-strong",
    "units-not-set",
    "unknown-command",
];

/// E in mm³, a bore of 1 mm with a face of 2 mm, a bed of 200 by 200 mm, still air where the name says so.
fn profile(more: &[&str]) -> Profile {
    let fixed = [
        "controller.preset=board",
        "screw.e_unit=mm3",
        "nozzle.diameter_mm=1",
        "machine.bed_mm=[0, 0, 200, 200]",
        "feedstock.nozzle_temperature_min_c=190",
        "feedstock.nozzle_temperature_max_c=230",
        "part.solid_temperature_c=110",
        "part.least_flow_mm3_s=0.5",
    ];
    runs::embedded(fixed.iter().chain(more).copied())
}

fn audit(input: &[u8], profile: &Profile) -> Vec<Finding> {
    let options = Options { lenient: true, again: true, ..Options::default() };
    let summary = pipeline::audit(&mut Cursor::new(input), profile, &options, &mut |_| {}).expect("an audit");
    summary.findings.into_iter().filter(|finding| CODES.contains(&finding.code)).collect()
}

/// 220 by 220 by 250 mm.
const REACH: &str = "machine.reach_mm=[0, 0, 0, 220, 220, 250]";

/// Code, line and detail of every place.
type Expected = &'static [(&'static str, u64, &'static str)];

/// The rim of the gap, pi 1 0.2, is smaller than the bore, pi/4.
const NEAR: &str = "0.20 mm above the bed, at least 0.25 mm for the 1 mm nozzle of the profile";

const ROWS: &[(&str, &[&str], Expected)] = &[
    ("clean", &["part.air_w_m2_k=10"], &[]),
    ("no-heat", &[], &[("no-heat", 5, "no nozzle temperature before the first turn")]),
    ("heat-by-macro", &["controller.preset=host"], &[]),
    // What a board skips heats and homes nothing.
    (
        "heat-by-macro",
        &[],
        &[("no-heat", 5, "no nozzle temperature before the first turn"), ("home-missing", 6, "first bead")],
    ),
    ("heat-not-waited", &[], &[("heat-not-waited", 6, "set to 210 °C, not waited for")]),
    ("heat-raised", &[], &[("heat-not-waited", 7, "set to 210 °C, waited for 160 °C")]),
    // 180 °C is told once, 240 °C is gone before a bead comes, and the end code only draws back.
    ("temperatures", &[], &[("nozzle-temperature", 10, "set to 180 °C, 190 to 230 °C for the feedstock")]),
    ("temperatures", &["feedstock.nozzle_temperature_min_c=175"], &[]),
    ("home-missing", &[], &[("home-missing", 6, "first bead")]),
    // 4 mm beside the bed is a strip for priming; ways without a bead may go anywhere.
    (
        "outside-bed",
        &[],
        &[
            ("outside-bed", 8, "Y -30.0 mm: 30.0 mm beyond the bed"),
            ("outside-bed", 7, "X 212.5 mm: 12.5 mm beyond the bed"),
        ],
    ),
    ("outside-bed", &["machine.bed_mm=none"], &[]),
    // 0.8 mm² in a gap of 0.2 mm: (0.8 - 0.0314)/0.2 + 0.2 = 4.04 mm.
    (
        "first-layer",
        &[],
        &[
            ("first-layer-near", 6, NEAR),
            (
                "first-layer-overfilled",
                6,
                "4.04 mm wide at 0.20 mm above the bed, 100 % of it above 3.00 mm, 1.5 faces of the 1 mm nozzle of the profile",
            ),
        ],
    ),
    // One and a half faces of 3 mm are 4.5 mm.
    ("first-layer", &["nozzle.face_mm=3"], &[("first-layer-near", 6, NEAR)]),
    // The rim of the gap, pi 0.8 0.2, is as large as the bore, pi/4 0.8².
    ("first-layer", &["nozzle.diameter_mm=0.8", "nozzle.face_mm=3"], &[]),
    // The step to 2.5 mm is a fifth of the path; what is laid at 2 mm after it lies on nobody knows what.
    ("lower-again", &[], &[]),
    // 0.2 mm² at 0.5 mm: (0.2 - 0.1963)/0.5 + 0.5 = 0.51 mm, below 0.7 of the bore.
    (
        "bead-width",
        &[],
        &[
            ("bead-width", 8, "0.51 mm wide on average, 0.70 to 2.00 mm for the 1 mm nozzle of the profile"),
            ("bead-width", 10, "0.51 mm wide on average, 0.70 to 2.00 mm for the 1 mm nozzle of the profile"),
        ],
    ),
    (
        "bead-width",
        &["nozzle.diameter_mm=0.6"],
        &[
            ("bead-height", 8, "0.50 mm high, at most 0.48 mm for the 0.6 mm nozzle of the profile"),
            ("bead-height", 10, "0.50 mm high, at most 0.48 mm for the 0.6 mm nozzle of the profile"),
        ],
    ),
    (
        "bead-height",
        &[],
        &[
            ("bead-height", 8, "0.90 mm high, at most 0.80 mm for the 1 mm nozzle of the profile"),
            ("bead-height", 10, "0.90 mm high, at most 0.80 mm for the 1 mm nozzle of the profile"),
        ],
    ),
    // 5 s at 10 mm³/s, then 3 s at 0.4 mm³/s; without inertia 3 of 8 s.
    ("low-flow", &[], &[("low-flow", 7, "37 % of the time below 0.5 mm³/s, first here")]),
    ("low-flow", &["part.least_flow_mm3_s=0.3"], &[]),
    // What follows the last bead is no rest.
    ("long-rest", &[], &[("long-rest", 8, "3 min 20 s without a bead before it")]),
    // 20 of 21 layers without it: 95.2 %.
    ("fan-off", &["part.air_w_m2_k=60"], &[("fan-off", 0, "off for 95 % of the volume; 60 W/(m² K) counted on")]),
    ("fan-off", &["part.air_w_m2_k=10"], &[]),
    ("fan-off", &["part.solid_temperature_c=none"], &[]),
    // 6 of 7 layers with it.
    ("fan-on", &["part.air_w_m2_k=10"], &[("fan-on", 0, "on for 86 % of the volume; 10 W/(m² K) counted on")]),
    ("fan-on", &["part.air_w_m2_k=60"], &[]),
    (
        "out-of-reach",
        &[REACH],
        &[
            ("out-of-reach", 9, "X -6.00 Y 10.00 Z 260.00 of the machine; Z ends at 250"),
            ("out-of-reach", 8, "X -6.00 Y 10.00 Z 0.50 of the machine; X begins at 0"),
        ],
    ),
    ("out-of-reach", &[], &[]),
    // A half circle of 50 mm around X 190.
    ("arc-outside", &[], &[("outside-bed", 7, "X 240.0 mm: 40.0 mm beyond the bed")]),
    (
        "arc-outside",
        &[REACH],
        &[
            ("out-of-reach", 7, "an arc to X 240.00 of the machine; X ends at 220"),
            ("outside-bed", 7, "X 240.0 mm: 40.0 mm beyond the bed"),
        ],
    ),
    ("arc-outside", &["machine.bed_mm=[0, 0, 236, 200]", "machine.reach_mm=[0, 0, 0, 240, 220, 250]"], &[]),
    // 128 of 255 is a half, 64 a quarter.
    ("fan-strong", &["feedstock.max_fan_share=0.3"], &[("fan-too-strong", 8, "50 %, at most 30 %")]),
    ("fan-strong", &["feedstock.max_fan_share=0.51"], &[]),
    ("fan-strong", &[], &[]),
    ("units-late", &["controller.preset=network"], &[("units-not-set", 7, "G20 comes only here")]),
    // 0.016 inches are 0.41 mm.
    (
        "units-inch",
        &["controller.preset=network"],
        &[("units-not-set", 7, "the first bead lies at Z 0.016: in inches that would be 0.41 mm")],
    ),
    // A board that does not know inches counts in millimetres.
    ("units-inch", &[], &[]),
    ("clean", &["controller.preset=network", "part.air_w_m2_k=10"], &[]),
    ("unknown-command", &[], &[("unknown-command", 6, "M8888")]),
    ("unknown-command", &["controller.own_commands=[\"M8888\"]"], &[]),
];

#[test]
fn each_is_found_where_it_applies_and_nowhere_else() {
    for (name, more, expected) in ROWS {
        let mut profile = profile(more);
        if *name == "low-flow" || *name == "long-rest" {
            profile = runs::without_inertia(profile);
        }
        let findings = audit(&runs::fixture(&format!("gcode/findings/{name}.gcode")), &profile);
        let places = findings.iter().flat_map(|finding| finding.places.iter().map(|place| (finding.code, place)));
        let found: Vec<_> = places.map(|(code, place)| (code, place.line, place.detail.as_str())).collect();
        assert_eq!(found, *expected, "{name} {more:?}");
        assert!(findings.iter().all(|finding| finding.count as usize == finding.places.len()), "{name}");
    }
}

/// At 600 mm/min from a standing start, without inertia: 5 s for each bead of 50 mm, 200 s of waiting between.
#[test]
fn places_have_their_time() {
    let profile = runs::without_inertia(profile(&[]));
    let findings = audit(&runs::fixture("gcode/findings/long-rest.gcode"), &profile);
    let place = &findings.iter().find(|finding| finding.code == "long-rest").expect("a rest").places[0];
    let rest_s = place.time_s.expect("a time");
    assert!((205.0..207.0).contains(&rest_s), "{rest_s}");
    // Found while reading, long before the time is known.
    let findings = audit(&runs::fixture("gcode/findings/temperatures.gcode"), &profile);
    let place = &findings[0].places[0];
    assert_eq!((place.line, place.time_s.is_some()), (10, true));
    // Blocks change nothing.
    for block_size in [1, 40, 333] {
        let options = Options { lenient: true, again: true, block_size, ..Options::default() };
        let input = runs::fixture("gcode/findings/temperatures.gcode");
        let summary = pipeline::audit(&mut Cursor::new(input), &profile, &options, &mut |_| {}).expect("an audit");
        let found = summary.findings.iter().find(|finding| finding.code == "nozzle-temperature").expect("a finding");
        assert_eq!(found.places[0], *place);
    }
}

#[test]
fn what_is_allowed_is_counted_and_not_shown() {
    let input = runs::fixture("gcode/findings/no-heat.gcode");
    let allow = r#"audit.allow=["no-heat", "layer-time"]"#;
    let options = Options { lenient: true, again: true, ..Options::default() };
    let summary =
        pipeline::audit(&mut Cursor::new(input), &profile(&[allow]), &options, &mut |_| {}).expect("an audit");
    assert!(summary.findings.iter().all(|finding| finding.code != "no-heat"));
    let allowed: Vec<_> = summary.allowed.iter().map(|one| (one.code, one.count)).collect();
    assert_eq!(allowed, [("no-heat", 1)]);
}

#[test]
fn every_code_has_a_row() {
    for code in CODES {
        assert!(ROWS.iter().flat_map(|row| row.2).any(|place| place.0 == *code), "{code}");
    }
}

/// A face that the profile names counts with a bore that only the file names; without any bore nothing is judged. One and a
/// half faces of 3 mm are 4.5 mm, of twice the bore 3 mm: the beads of the first layer are 4.04 mm wide.
#[test]
fn a_face_counts_with_the_bore_of_the_file() {
    let overfilled = |head: &str, set: &[&str]| {
        let text = [head.as_bytes(), &runs::fixture("gcode/findings/first-layer.gcode")].concat();
        let fixed = ["controller.preset=board", "screw.e_unit=mm3"];
        let profile = runs::embedded(fixed.into_iter().chain(set.iter().copied()));
        audit(&text, &profile).iter().any(|finding| finding.code == "first-layer-overfilled")
    };
    let states = "; nozzle_diameter = 1.0\n";
    assert!(overfilled(states, &[]) && !overfilled(states, &["nozzle.face_mm=3"]));
    assert!(!overfilled("", &[]) && overfilled("", &["nozzle.diameter_mm=1"]));
}

/// What a screw lays on what another tool has laid is as high as it is above that: 0.5 mm on layers of 0.5 mm.
#[test]
fn beads_on_those_of_another_tool_are_as_high_as_they_are_above_them() {
    let layer = |z: f64| format!("G1 Z{z}\nG1 X10 Y10 F6000\nG1 X60 E25 F1200\nG1 Y60 E25\n");
    let below: String = [0.5, 1.0, 1.5].into_iter().map(layer).collect();
    let above: String = [2.0, 2.5].into_iter().map(layer).collect();
    let file = |tool: u32| format!("M104 S200\nM109 S200\nG21\nG28\nM83\nT{tool}\n{below}T0\n{above}");
    let profile = profile(&["nozzle.face_mm=2"]);
    for tool in [0, 1] {
        let found = audit(file(tool).as_bytes(), &profile);
        assert!(found.iter().all(|finding| finding.code != "bead-height"), "tool {tool}: {found:?}");
    }
}

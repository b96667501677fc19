//! What an audit tells is that of the file as it is executed: the same whether it foretells what a rewrite would make of it or
//! not, and a demand is reported where, and only where, the figures are above what the screw gives.

#[path = "support/corpus.rs"]
mod corpus;
#[path = "support/reader.rs"]
mod reader;
#[path = "support/runs.rs"]
mod runs;

use std::io::Cursor;

use meltwright::passes::Reason;
use meltwright::pipeline::{self, Options};
use meltwright::profile::Profile;
use meltwright::summary::{Changes, Figures, Share, Summary};

fn profile(more: &[&str]) -> Profile {
    let set = [
        "screw.virtual_diameter_mm=1.75",
        "hopper.usable_g=5",
        "hopper.margin_g=1",
        "machine.park_x_mm=5",
        "machine.park_y_mm=5",
    ];
    runs::embedded(set.iter().chain(more).copied())
}

/// An audit that foretells, and one that does not; `None` where the file is refused.
fn audits(input: &[u8], profile: &Profile) -> Option<[Summary; 2]> {
    let audit = |foretell| {
        let options = Options { foretell, lenient: true, again: true, course: true, ..Options::default() };
        pipeline::audit(&mut Cursor::new(input), profile, &options, &mut |_| {})
    };
    match (audit(true), audit(false)) {
        (Ok(full), Ok(plain)) => Some([full, plain]),
        (Err(full), Err(plain)) => {
            assert_eq!(full.to_string(), plain.to_string());
            None
        }
        (full, plain) => panic!("one is refused: {:?} {:?}", full.err(), plain.err()),
    }
}

/// All that an audit tells of the file itself, as text.
fn told(summary: &Summary) -> String {
    let Summary { before, stops, part, hopper, assumed, findings, allowed, provenance, outline, .. } = summary;
    let part = part.as_ref().map(|part| format!("{part:?}"));
    format!(
        "{before:?}\n{stops:?}\n{part:?}\n{hopper:?}\n{assumed:?}\n{findings:#?}\n{allowed:?}\n{provenance:?}\n{outline:?}"
    )
}

/// Shares as they are before a rewrite.
fn now(shares: &[Share]) -> Vec<(String, u64, [f64; 3])> {
    let now = |share: &Share| {
        let figures = [share.volume_mm3, share.time_before_s, share.peak_before_mm3_s];
        (share.name.clone(), share.beads, figures)
    };
    shares.iter().map(now).collect()
}

fn check(name: &str, input: &[u8], profile: &Profile) {
    let Some([full, plain]) = audits(input, profile) else { return };
    assert_eq!(told(&plain), told(&full), "{name}");
    assert_eq!(now(&plain.changes.roles), now(&full.changes.roles), "{name}");
    assert_eq!(now(&plain.changes.layer_bands), now(&full.changes.layer_bands), "{name}");
    // It says that nothing changes.
    assert_eq!(plain.after, plain.before, "{name}");
    let Changes { moves_slowed, by_reason, largest, .. } = &plain.changes;
    assert!(*moves_slowed == 0 && by_reason.is_empty() && largest.is_empty(), "{name}");
    assert!(plain.changes.roles.iter().all(|share| share.slowed == 0 && share.time_after_s == share.time_before_s));
}

const PRESETS: [&[&str]; 3] = [
    &["controller.preset=host"],
    &["controller.preset=board"],
    &["controller.preset=custom", "screw.lag_compensated_by=none", "screw.max_flow_step_mm3_s=2"],
];

#[test]
fn made_files() {
    let folders = ["ok", "findings", "controller"];
    let names = folders.iter().flat_map(|folder| runs::fixtures_in(&format!("gcode/{folder}")));
    let names: Vec<String> = names.collect();
    assert!(names.len() > 60, "{} files", names.len());
    for name in &names {
        for preset in PRESETS {
            check(&format!("{name} {preset:?}"), &runs::fixture(name), &profile(preset));
        }
    }
    // One that asks more than the screw can give.
    let demo = runs::fixture("demo/casting_pads.gcode");
    let few = profile(&["screw.peak_flow_mm3_s=2", "screw.sustained_flow_mm3_s=1.5", "screw.sustained_window_s=60"]);
    let [full, plain] = audits(&demo, &few).expect("two audits");
    assert!(full.changes.moves_slowed > 100 && full.after.time_s > 1.2 * full.before.time_s);
    assert!(plain.findings.iter().any(|finding| finding.code == "sustained-demand" && finding.count > 100));
    check("demo", &demo, &few);
}

#[test]
fn real_files() {
    let Some(files) = corpus::files() else { return };
    for path in files {
        let name = runs::name_of(&path);
        let input = std::fs::read(path).expect("a file");
        for preset in &PRESETS[..2] {
            check(&format!("{name} {preset:?}"), &input, &profile(preset));
        }
    }
}

fn count(summary: &Summary, code: &str) -> u64 {
    summary.findings.iter().find(|finding| finding.code == code).map_or(0, |finding| finding.count)
}

/// Beads of 1 mm there and back at 150 mm/s ask 75 mm³/s as they are written. From a corner at 5 mm/s they reach at most
/// the root of 5² + 3000 · 1, 55 mm/s, and ask 27.5 mm³/s.
fn there_and_back() -> String {
    let bead = |k: u32| format!("G1 X{} Y{:.2} E{:.5} F9000\n", 50 + k % 2, 50.0 + 0.01 * f64::from(k), 0.5 / 2.405);
    format!("G28\nM83\nM109 S200\nG1 X50 Y50 Z0.3 F3000\n{}", (0..400).map(bead).collect::<String>())
}

#[test]
fn what_is_not_reached_is_not_asked() {
    let input = there_and_back();
    for preset in ["controller.preset=host", "controller.preset=custom"] {
        let set = ["screw.peak_flow_mm3_s=30", "screw.sustained_flow_mm3_s=29", "screw.sustained_window_s=60", preset];
        let profile = profile(&set);
        for summary in audits(input.as_bytes(), &profile).expect("two audits") {
            assert!((15.0..27.5).contains(&summary.before.peak_demand_mm3_s), "{}", summary.before.peak_demand_mm3_s);
            assert_eq!((count(&summary, "peak-demand"), count(&summary, "sustained-demand")), (0, 0), "{preset}");
        }
    }
}

/// At the feeds that the peak allows, they would be above the average; as the output is executed they are not, and nothing is
/// slowed for it.
#[test]
fn what_is_not_reached_on_average_is_not_slowed() {
    for way in ["screw.lag_compensated_by=file", "screw.lag_compensated_by=none"] {
        let set = ["screw.peak_flow_mm3_s=30", "screw.sustained_flow_mm3_s=28", "screw.sustained_window_s=2"];
        let profile = profile(&[&set[..], &["controller.preset=host", way]].concat());
        let summary = runs::rewrite(there_and_back().as_bytes(), &profile, &Options::default()).expect("a rewrite").1;
        let slowed = summary.changes.by_reason;
        assert!(!slowed.iter().any(|part| part.reason == Reason::SustainedCapacity), "{way}: {slowed:?}");
        assert!(summary.after.sustained_demand_mm3_s < 28.0);
    }
}

/// Walls of 10 mm at 80 mm/s, each 0.6 mm², ask 48 mm³/s where the screw gives 25. A layer of four takes well below a second:
/// that it also has to cool hides nothing.
#[test]
fn other_limits_hide_no_demand() {
    let layer = |k: u32| {
        let walls = [(60, 50), (60, 60), (50, 60), (50, 50)];
        let walls = walls.map(|(x, y)| format!("G1 X{x} Y{y} E{:.5} F4800\n", 10.0 * 0.6 / 2.405));
        format!("G1 Z{:.1} F3000\n{}", 0.4 * f64::from(k), walls.concat())
    };
    let input = format!("G28\nM83\nM109 S200\nG1 X50 Y50 F3000\n{}", (1..30).map(layer).collect::<String>());
    for preset in PRESETS {
        let profile = profile(&[preset, &["screw.peak_flow_mm3_s=25"]].concat());
        for summary in audits(input.as_bytes(), &profile).expect("two audits") {
            assert!(count(&summary, "layer-time") > 20, "{preset:?}");
            // All but, on some controllers, the last, which ends in a stop.
            assert!((115..=116).contains(&count(&summary, "peak-demand")), "{preset:?}");
        }
    }
}

/// A tower of 2 by 2 mm that sways, on lines with numbers, which bear no words between them; behind its last bead nothing has
/// to be borne any more.
#[test]
fn numbered_lines_of_a_tower() {
    let wall = |k: u32| {
        let (x, y) = [(52, 50), (52, 52), (50, 52), (50, 50)][k as usize % 4];
        format!("G1 X{x} Y{y} Z{:.1} E0.2 F1200", 0.4 * f64::from(k / 4 + 1))
    };
    let lines = ["G28", "M83", "G1 X50 Y50 F3000"].map(str::to_owned).into_iter().chain((0..400).map(wall));
    let lines = lines.chain(["G0 X150 Y150 F9000", "G0 X10 Y10"].map(str::to_owned));
    let input: String = lines.enumerate().map(|(number, line)| format!("N{number} {line}\n")).collect();
    let profile = profile(&["controller.preset=host"]);
    let [full, _] = audits(input.as_bytes(), &profile).expect("two audits");
    assert!(count(&full, "part-numbered") > 100, "{:?}", full.findings);
    check("tower", input.as_bytes(), &profile);
}

/// The average is told to some parts in ten thousand.
#[test]
fn demands_are_reported_where_the_figures_are_above() {
    let Some(files) = corpus::files() else { return };
    let mut seen = [0; 4];
    for path in files {
        let name = runs::name_of(&path);
        let input = std::fs::read(&path).expect("a file");
        for preset in &PRESETS[..2] {
            let audit = |more: &[&str]| {
                let options = Options { foretell: false, lenient: true, again: true, ..Options::default() };
                let profile = profile(&[preset, more].concat());
                pipeline::audit(&mut Cursor::new(&input), &profile, &options, &mut |_| {}).ok()
            };
            let Some(asks) = audit(&[]).map(|summary| summary.before) else { continue };
            let (peak, sustained) = (asks.peak_demand_mm3_s, asks.sustained_demand_mm3_s);
            for share in [0.7, 0.99, 1.01] {
                let (peak, sustained) = (share * peak, (share * sustained).min(share * peak));
                if sustained < 0.1 {
                    continue;
                }
                let set = [
                    format!("screw.peak_flow_mm3_s={peak}"),
                    format!("screw.sustained_flow_mm3_s={sustained}"),
                    "screw.sustained_window_s=60".to_owned(),
                ];
                let set: Vec<&str> = set.iter().map(String::as_str).collect();
                let Some(summary) = audit(&set) else { panic!("{name} {preset:?} {set:?}") };
                let given = &summary.provenance;
                let is_above = [
                    asks.peak_demand_mm3_s > given.peak_capacity_mm3_s,
                    asks.sustained_demand_mm3_s > given.sustained_capacity_mm3_s,
                ];
                let is_told = ["peak-demand", "sustained-demand"].map(|code| count(&summary, code) > 0);
                assert_eq!(is_told, is_above, "{name} {preset:?} {set:?}");
                for (kind, told) in is_told.into_iter().enumerate() {
                    seen[2 * kind + usize::from(told)] += 1;
                }
            }
        }
    }
    assert!(seen.iter().all(|times| *times > 20), "{seen:?}");
}

/// A bead of a micrometre takes the last decimal of E, which in a wide strand is far more than it lays. The output asks no
/// more than its file for that.
#[test]
fn the_last_decimal_of_e_is_no_demand() {
    let row = |k: u32| {
        let y = f64::from(k) * 0.4;
        format!("G0 X1 Y{y:.1}\nG1 X20 E0.41237\nG1 X20.001 E0.00003\nG1 X80 E1.23719\n")
    };
    let input = format!("G28\nM83\nG1 Z0.3 F3000\n{}", (0..400).map(row).collect::<String>());
    let profile = profile(&["screw.lag_compensated_by=none", "part.solid_temperature_c=none"]);
    let (output, summary) = runs::rewrite(input.as_bytes(), &profile, &Options::default()).expect("an output");
    assert_eq!(summary.changes.by_reason.len(), 0, "{:?}", summary.changes.by_reason);
    let [again, _] = audits(&output, &profile).expect("audits");
    let [asked, told] = [summary.before.peak_demand_mm3_s, again.before.peak_demand_mm3_s];
    assert_eq!(count(&again, "peak-demand"), 0, "{asked} mm³/s, told as {told}");
    check("output", &output, &profile);
}

/// Of each kind of move there is one that counts nowhere else: a bead, a travel, a turn at rest, one along a way, and a bead of
/// another tool. All moves are among them, before and after, and all that a rewrite adds or spares is told.
#[test]
fn moves_and_times_add_up() {
    let kinds =
        "G28\nM83\nG1 Z0.3 F3000\nG1 X20 E1 F900\nG1 X30 E-0.5\nG1 E0.5 F600\nG0 X50 F6000\nT1\nG1 X60 E1 F900\n";
    let profile = profile(&["part.solid_temperature_c=none"]);
    let [full, _] = audits(kinds.as_bytes(), &profile).expect("an audit");
    let Figures { moves, beads, travels, e_only, other_moves, .. } = full.before;
    assert_eq!([beads, e_only, other_moves, moves - travels], [1, 1, 2, 4]);
    let demo = std::fs::read(concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/demo/casting_pads.gcode")).expect("a demo");
    for way in ["file", "none", "controller"] {
        let profile = self::profile(&[&format!("screw.lag_compensated_by={way}")]);
        let written = runs::rewrite(&demo, &profile, &Options::default()).expect("a rewrite").1;
        for figures in [&written.before, &written.after] {
            let Figures { moves, beads, travels, e_only, other_moves, .. } = figures;
            assert_eq!(*moves, beads + travels + e_only + other_moves, "{way}: {figures:?}");
        }
        assert_eq!(written.before.other_moves, 744, "{way}");
        let by_reason: f64 = written.changes.by_reason.iter().map(|reason| reason.time_added_s).sum();
        let longer = written.after.time_s - written.before.time_s;
        let told = by_reason + written.changes.other_time_s;
        assert!((told - longer).abs() < 1e-6 * longer, "{way}: {told} of {longer} s");
    }
}

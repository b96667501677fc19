//! The promises of the capacity pass, checked on whole files with a reader that shares nothing with the library but
//! the planner's times. `tests/lag.rs` does the same for all passes.

#[path = "support/check.rs"]
mod check;
#[path = "support/corpus.rs"]
mod corpus;
#[path = "../fixtures/demo/generate.rs"]
#[allow(dead_code, reason = "its main belongs to the example")]
mod generate_demo;
#[path = "support/planned.rs"]
mod planned;
#[path = "support/reader.rs"]
mod reader;
#[path = "support/runs.rs"]
mod runs;

use meltwright::error::ErrorKind;
use meltwright::pipeline::Options;
use meltwright::profile::{EUnit, Profile};

/// What a rewrite with a low capacity makes of a file.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Expect {
    /// Moves are slowed.
    Slowed,
    /// The same, and E counts cubic millimetres.
    SlowedVolumetric,
    /// There is no E, so there is nothing to slow.
    NothingToSlow,
    /// Refused: a motion line is not a plain one. The number is that of the first such line.
    Refused(u64),
}

/// Every file that may be found beside the repository, with what is to be expected.
const CORPUS: &[(&str, Expect)] = &[
    ("abs-e-arcs-01.gcode", Expect::Slowed),
    // Holds `F{speed_travel}`, a feed the slicing program did not fill in: it concerns no position.
    ("abs-e-g5-plus-signs-01.gcode", Expect::Slowed),
    ("abs-e-layer-index-role-comments-01.gcode", Expect::Slowed),
    ("abs-e-plain-01.gcode", Expect::Slowed),
    ("abs-e-remaining-time-comments-01.gcode", Expect::Slowed),
    ("abs-rel-switching-e-thumb-01.gcode", Expect::Slowed),
    ("cnc-inch-modal-linenumbers-oword-01.nc", Expect::NothingToSlow),
    ("cnc-no-spaces-nbsp-01.gcode", Expect::NothingToSlow),
    // `G53 G0 Z[#<_ini[...]>]`: coordinates computed by the controller.
    ("cnc-oword-named-params-01.ngc", Expect::Refused(113)),
    ("continuous-path-rel-e-01.gcode", Expect::Slowed),
    ("crlf-abs-e-m200-01.gcode", Expect::Slowed),
    ("crlf-arcs-named-commands-01.gcode", Expect::Slowed),
    ("crlf-hex-blocks-tabs-01.gcode", Expect::Slowed),
    ("dual-extruder-m108-paren-01.gcode", Expect::Slowed),
    ("dual-tool-m101-m103-z-every-move-01.gcode", Expect::Slowed),
    ("firmware-retract-dwell-many-decimals-01.gcode", Expect::Slowed),
    ("header-only-thumbnail-qoi-01.gcode", Expect::NothingToSlow),
    ("multi-filament-rel-e-arcs-01.gcode", Expect::Slowed),
    ("no-comments-e-reset-z-every-move-01.gcode", Expect::Slowed),
    ("no-e-axis-rpm-extruder-paren-01.gcode", Expect::NothingToSlow),
    ("paren-comments-m101-m103-crlf-01.gcode", Expect::Slowed),
    ("paren-comments-odd-forms-01.gcode", Expect::Slowed),
    ("rel-e-arcs-m486-thumb-01.gcode", Expect::Slowed),
    ("rel-e-arcs-named-commands-thumb-01.gcode", Expect::Slowed),
    ("rel-e-arcs-object-macros-01.gcode", Expect::Slowed),
    ("rel-e-config-footer-01.gcode", Expect::Slowed),
    ("rel-e-feature-and-bead-comments-01.gcode", Expect::Slowed),
    ("rel-e-named-commands-01.gcode", Expect::Slowed),
    ("rel-e-tool-temps-by-g10-01.gcode", Expect::Slowed),
    ("spiral-rel-e-01.gcode", Expect::Slowed),
    ("utf8-object-names-rel-e-01.gcode", Expect::Slowed),
    ("volumetric-e-g10-g11-01.gcode", Expect::SlowedVolumetric),
];

/// All promises for one file; an empty list when they hold.
fn prove(input: &[u8], profile: &Profile, expect: Expect) -> Vec<String> {
    let options = runs::capacity_alone();
    match runs::rewrite(input, profile, &runs::no_pass()) {
        Ok((same, _)) if same == input => {}
        Ok(_) => return vec!["without passes: the bytes differ".to_owned()],
        Err(error) => return vec![format!("without passes: {error}")],
    }
    let (output, summary) = match (runs::rewrite(input, profile, &options), expect) {
        (Ok(_), Expect::Refused(_)) => return vec!["read, but a refusal was expected".to_owned()],
        (Ok(done), _) => done,
        (Err(error), Expect::Refused(line)) if error.excerpt().map(|e| e.line) == Some(line) => {
            let kind = matches!(error.kind(), ErrorKind::Malformed { .. } | ErrorKind::Unsupported { .. });
            return if kind { Vec::new() } else { vec![format!("refused for another reason: {error}")] };
        }
        (Err(error), _) => return vec![format!("refused: {error}")],
    };
    let mut complaints = check::capacity(input, &output, profile, &summary).into_lines();
    let slowed = summary.changes.moves_slowed;
    if (slowed > 0) != (expect != Expect::NothingToSlow) {
        complaints.push(format!("{slowed} moves slowed, expected {expect:?}"));
    }
    match runs::rewrite(&output, profile, &options) {
        Err(error) if matches!(error.kind(), ErrorKind::AlreadyRewritten) => {}
        Err(error) => complaints.push(format!("second run: {error}")),
        // A file in which there was nothing to change need not be marked.
        Ok((again, _)) if output == input && again == output => {}
        Ok(_) => complaints.push("second run: not refused".to_owned()),
    }
    match runs::rewrite(&output, profile, &Options { again: true, ..options.clone() }) {
        Ok((again, _)) if again == output => {}
        Ok(_) => complaints.push("second run, let through: the bytes differ".to_owned()),
        Err(error) => complaints.push(format!("second run, let through: {error}")),
    }
    complaints
}

fn assert_proven(complaints: &[String]) {
    assert!(complaints.is_empty(), "{} complaints:\n{}", complaints.len(), complaints.join("\n"));
}

fn low(peak: f64) -> Profile {
    runs::with_capacity(runs::profile(), peak, 3.0, 20.0)
}

#[test]
fn running_the_generator_again_gives_the_committed_demo() {
    let committed = runs::fixture("demo/casting_pads.gcode");
    assert!(generate_demo::demo().into_bytes() == committed, "run `cargo run --example generate_demo`");
}

#[test]
fn the_demo_keeps_every_promise() {
    let demo = runs::fixture("demo/casting_pads.gcode");
    for (peak, sustained, window) in [(4.0, 3.0, 20.0), (8.0, 3.0, 20.0), (25.0, 18.0, 60.0)] {
        let mut profile = runs::with_capacity(runs::profile(), peak, sustained, window);
        // The file itself says how thick the strand is.
        profile.screw.virtual_diameter_mm.value = None;
        assert_proven(&prove(&demo, &profile, Expect::Slowed));
    }
}

#[test]
fn the_demo_asks_too_much_in_places_and_not_everywhere() {
    let profile = runs::profile();
    let demo = runs::fixture("demo/casting_pads.gcode");
    let reading = reader::read(&demo, &runs::rules(&profile));
    let above: f64 = reading.beads().filter(|m| m.flow() > 25.0).map(reader::Move::time).sum();
    let all: f64 = reading.beads().map(reader::Move::time).sum();
    assert!((0.3..0.9).contains(&(above / all)), "{above} of {all} s");
    // Bead of 1.4 x 0.6 mm with rounded ends: 0.8 * 0.6 + pi / 4 * 0.36 = 0.762743 mm2; at 42 mm/s 32.035 mm3/s.
    assert!(reading.beads().any(|m| (m.flow() - 32.035).abs() < 0.01));
    let executed = check::executed(&reading, &planned::plan(&demo, &profile));
    let average = executed.highest_average(60.0);
    assert!(average > 18.0, "{average} mm3/s");
}

#[test]
fn every_fixture_keeps_every_promise() {
    let mut complaints = Vec::new();
    for name in runs::fixtures_in("gcode/ok") {
        let input = runs::fixture(&name);
        for peak in [4.0, 8.0] {
            let profile = low(peak);
            let reading = reader::read(&input, &runs::rules(&profile));
            let fastest = runs::screw_flow(&profile);
            let planned = planned::plan(&input, &profile);
            let too_fast = |m: &reader::Move| {
                m.is_bead() && planned.flow(m) > peak || m.is_e_only() && planned.flow(m).abs() > fastest
            };
            let average = check::executed(&reading, &planned).highest_average(20.0);
            let expect = if reading.moves.iter().any(too_fast) || average > 3.0 {
                Expect::Slowed
            } else {
                Expect::NothingToSlow
            };
            complaints.extend(prove(&input, &profile, expect).into_iter().map(|c| format!("{name}, peak {peak}: {c}")));
        }
    }
    assert_proven(&complaints);
}

#[test]
fn every_real_file_keeps_every_promise() {
    let Some(files) = corpus::files() else { return };
    let mut complaints = Vec::new();
    for path in files {
        let name = runs::name_of(&path);
        let Some(&(_, expect)) = CORPUS.iter().find(|entry| entry.0 == name) else {
            complaints.push(format!("{name}: not in the table of expectations"));
            continue;
        };
        let input = std::fs::read(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        for peak in [4.0, 8.0] {
            let mut profile = low(peak);
            if expect == Expect::SlowedVolumetric {
                profile.screw.e_unit.value = EUnit::Mm3;
            }
            complaints.extend(prove(&input, &profile, expect).into_iter().map(|c| format!("{name}, peak {peak}: {c}")));
        }
    }
    assert_proven(&complaints);
}

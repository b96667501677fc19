//! What controllers refuse, skip or read differently is found, at its line, for the presets it concerns and no other.

#[path = "support/corpus.rs"]
mod corpus;
#[path = "support/reader.rs"]
mod reader;
#[path = "support/runs.rs"]
mod runs;

use std::io::Cursor;

use meltwright::pipeline::{self, Options};
use meltwright::profile::Profile;
use meltwright::summary::Finding;

/// Codes of the rules of controllers.
const RULES: &[&str] = &[
    "excess-e",
    "bead-area",
    "exponent",
    "line-too-long",
    "command-refused",
    "command-spelling",
    "several-commands",
    "modal-line",
    "parentheses",
    "setting-refused",
    "arc-form",
    "feed-refused",
    "feed-ignored",
    "placeholder",
    "volumetric-skipped",
    "motors-off",
    "cold-extrusion",
    "large-e",
    "lag-feature",
    "dwell-form",
    "acceleration-ignored",
    "foreign-bytes",
    "command-skipped",
    "named-command-skipped",
    "command-optional",
    "not-homed",
    "no-final-line-end",
];

const PRESETS: [&str; 3] = ["host", "board", "network"];

/// A code with every line it is found at.
type Expected = &'static [(&'static str, &'static [u64])];

/// What is found in a file of `fixtures/gcode/controller` by preset: host, board, network. In each file the lines
/// that count follow five of preparation.
const ROWS: &[(&str, [Expected; 3])] = &[
    ("clean", [&[], &[], &[]]),
    ("excess-turn", [&[("excess-e", &[6, 7])], &[], &[]]),
    ("excess-line", [&[], &[("excess-e", &[6])], &[]]),
    // 60 units without motion, and 210 along a bead.
    ("excess-of-other-tool", [&[("excess-e", &[7])], &[("excess-e", &[8])], &[]]),
    // 20 x 2.405 / 10 = 4.81 mm², above 4 x 1²; the short bead has 12 mm² but 1.2 mm³, below 1 x 4 mm³.
    ("thick-bead", [&[("bead-area", &[6])], &[], &[]]),
    ("line-of-100", [&[], &[("line-too-long", &[6])], &[]]),
    ("line-of-260", [&[], &[("line-too-long", &[6])], &[("line-too-long", &[6])]]),
    ("long-comment", [&[], &[], &[]]),
    ("long-text", [&[], &[], &[]]),
    ("exponent", [&[("exponent", &[6])], &[("exponent", &[6])], &[]]),
    ("inches", [&[("command-refused", &[7])], &[("command-optional", &[7])], &[]]),
    ("accel-alone", [&[("acceleration-ignored", &[6, 7])], &[], &[]]),
    ("accel-zero", [&[("setting-refused", &[6, 7, 8])], &[("setting-refused", &[6, 7, 8])], &[]]),
    ("skipped", [&[("command-skipped", &[6, 7, 8, 9, 10])], &[], &[]]),
    ("named", [&[], &[("named-command-skipped", &[6, 7])], &[("named-command-skipped", &[6, 7])]]),
    ("leading-zeros", [&[("command-spelling", &[6, 7])], &[], &[]]),
    ("lower-case", [&[], &[("command-spelling", &[6])], &[]]),
    ("modal", [&[("modal-line", &[7])], &[("modal-line", &[7])], &[]]),
    ("arc-radius", [&[("arc-form", &[6]), ("command-optional", &[6])], &[("command-optional", &[6])], &[]]),
    ("arc-relative", [&[("arc-form", &[7]), ("command-optional", &[7])], &[("command-optional", &[7])], &[]]),
    ("arc-centre", [&[("command-optional", &[6])], &[("command-optional", &[6])], &[]]),
    ("several-commands", [&[("several-commands", &[6])], &[("several-commands", &[6])], &[]]),
    ("parentheses", [&[("parentheses", &[7])], &[], &[]]),
    ("volume", [&[("volumetric-skipped", &[6]), ("command-skipped", &[7])], &[], &[]]),
    (
        "feed-zero",
        [
            &[("feed-refused", &[6, 7])],
            &[("feed-ignored", &[6]), ("placeholder", &[7])],
            &[("feed-ignored", &[6]), ("placeholder", &[7])],
        ],
    ),
    ("dwell-seconds", [&[("dwell-form", &[6])], &[], &[]]),
    // The turn without motion is not refused; the next is told once, and homing ends it.
    ("motors-off", [&[("motors-off", &[8])], &[], &[]]),
    ("not-homed", [&[("not-homed", &[4])], &[], &[]]),
    // Once for each temperature.
    ("cold", [&[("cold-extrusion", &[6, 9])], &[("cold-extrusion", &[6, 9])], &[]]),
    ("cools-at-the-end", [&[], &[], &[]]),
    ("lower-limit", [&[("command-skipped", &[6]), ("cold-extrusion", &[9])], &[], &[]]),
    ("large-e", [&[], &[("large-e", &[9])], &[]]),
    ("no-final-line-end", [&[("no-final-line-end", &[6])], &[], &[]]),
    ("not-text", [&[("foreign-bytes", &[6])], &[], &[]]),
    ("nul", [&[("foreign-bytes", &[6])], &[], &[]]),
    (
        "lag",
        [
            &[("command-skipped", &[6, 8]), ("lag-feature", &[10]), ("setting-refused", &[10])],
            &[("lag-feature", &[7]), ("command-skipped", &[8]), ("named-command-skipped", &[9, 10])],
            &[("lag-feature", &[7, 8]), ("named-command-skipped", &[9, 10])],
        ],
    ),
    ("optional", [&[("command-optional", &[6, 7, 8])], &[("command-optional", &[6, 7, 8])], &[]]),
];

fn profile(preset: &str, more: &[&str]) -> Profile {
    let preset = format!("controller.preset={preset}");
    runs::embedded([preset.as_str(), "screw.virtual_diameter_mm=1.75"].into_iter().chain(more.iter().copied()))
}

/// The findings of an audit; a file of an earlier run is read, too.
fn audit(input: &[u8], profile: &Profile) -> Vec<Finding> {
    let options = Options { again: true, lenient: true, ..Options::default() };
    let summary = pipeline::audit(&mut Cursor::new(input), profile, &options, &mut |_| {}).expect("an audit");
    summary.findings
}

/// Codes of rules with all their lines, in the order of the codes.
fn rules_broken(findings: &[Finding]) -> Vec<(&'static str, Vec<u64>)> {
    let rules = findings.iter().filter(|finding| RULES.contains(&finding.code));
    let mut found: Vec<_> = rules
        .map(|finding| {
            let mut lines: Vec<u64> = finding.places.iter().map(|place| place.line).collect();
            lines.sort_unstable();
            // Of commands on a list each is shown once.
            let all = !["command-skipped", "command-optional"].contains(&finding.code);
            assert!(
                finding.count >= lines.len() as u64 && !(all && finding.count > lines.len() as u64),
                "{}",
                finding.code
            );
            (finding.code, lines)
        })
        .collect();
    found.sort_unstable();
    found
}

#[test]
fn each_rule_is_found_where_it_applies_and_nowhere_else() {
    let mut names: Vec<String> = runs::fixtures_in("gcode/controller");
    for (name, expected) in ROWS {
        let file = format!("gcode/controller/{name}.gcode");
        let input = runs::fixture(&file);
        names.retain(|other| *other != file);
        for (preset, expected) in PRESETS.into_iter().zip(expected) {
            let mut expected: Vec<_> = expected.iter().map(|(code, lines)| (*code, lines.to_vec())).collect();
            expected.sort_unstable();
            assert_eq!(rules_broken(&audit(&input, &profile(preset, &[]))), expected, "{name}, {preset}");
        }
    }
    assert!(names.is_empty(), "without a row: {names:?}");
}

#[test]
fn every_rule_has_a_fixture_that_shows_it() {
    for rule in RULES {
        let shown = ROWS.iter().flat_map(|row| row.1).flatten().any(|(code, _)| code == rule);
        assert!(shown, "{rule}");
    }
}

/// A rule that is switched off by its key is not found, whatever the preset.
#[test]
fn each_rule_can_be_switched_off() {
    for (name, preset, key) in [
        ("excess-turn", "host", "controller.max_e_only_mm=none"),
        ("excess-line", "board", "controller.max_e_per_line_mm=none"),
        ("thick-bead", "host", "controller.max_bead_area_per_nozzle_sq=none"),
        ("line-of-100", "board", "controller.max_line_characters=none"),
        ("exponent", "board", "controller.exponent=number"),
        ("inches", "host", "controller.refused_commands=[]"),
        ("accel-alone", "host", "controller.lone_accel_words=true"),
        ("accel-zero", "board", "controller.zero_settings=true"),
        ("skipped", "host", "controller.skipped_commands=[\"M204\"]"),
        ("named", "board", "controller.named_commands=true"),
        ("leading-zeros", "host", "controller.leading_zeros=true"),
        ("lower-case", "board", "controller.lower_case=true"),
        ("modal", "host", "controller.modal_lines=true"),
        ("arc-radius", "board", "controller.optional_commands=[]"),
        ("several-commands", "host", "controller.several_commands=true"),
        ("parentheses", "host", "controller.parentheses=true"),
        ("dwell-seconds", "host", "controller.dwell=s-wins"),
        ("motors-off", "host", "controller.motors_off_unhomes=false"),
        ("not-homed", "host", "controller.needs_homing=false"),
        ("cold", "board", "controller.min_extrude_temperature_c=140"),
        ("large-e", "board", "controller.max_absolute_e=none"),
        ("no-final-line-end", "host", "controller.needs_final_line_end=false"),
        ("nul", "host", "controller.needs_utf8=false"),
    ] {
        let input = runs::fixture(&format!("gcode/controller/{name}.gcode"));
        assert_ne!(rules_broken(&audit(&input, &profile(preset, &[]))), [], "{name}, {preset}");
        // The board limits turns without motion on their own, too.
        let more = [key, "controller.max_e_only_mm=none"];
        let more = if name == "excess-line" { &more[..] } else { &more[..1] };
        assert_eq!(rules_broken(&audit(&input, &profile(preset, more))), [], "{name}, {preset}, {key}");
    }
    let arcs = runs::fixture("gcode/controller/arc-radius.gcode");
    let found = audit(&arcs, &profile("host", &["controller.arcs=any"]));
    assert_eq!(rules_broken(&found), [("command-optional", vec![6])]);
    let feeds = runs::fixture("gcode/controller/feed-zero.gcode");
    let found = audit(&feeds, &profile("host", &["controller.zero_feed=true"]));
    assert_eq!(rules_broken(&found), [("feed-ignored", vec![6]), ("placeholder", vec![7])]);
    let lag = runs::fixture("gcode/controller/lag.gcode");
    let found = audit(&lag, &profile("host", &["controller.max_lag_smoothing_s=0.3"]));
    assert!(!rules_broken(&found).iter().any(|(code, _)| *code == "setting-refused"));
}

#[test]
fn listed_commands_are_shown_once_and_all_counted() {
    let findings = audit(&runs::fixture("gcode/controller/skipped.gcode"), &profile("host", &[]));
    let skipped = findings.iter().find(|finding| finding.code == "command-skipped").expect("the finding");
    let shown: Vec<&str> = skipped.places.iter().map(|place| place.detail.as_str()).collect();
    assert_eq!((skipped.count, shown), (6, vec!["M201", "M203", "M205", "M900", "M0"]));
}

#[test]
fn places_say_what_the_controller_makes_of_it() {
    let detail = |name: &str, preset: &str, code: &str| {
        let findings = audit(&runs::fixture(&format!("gcode/controller/{name}.gcode")), &profile(preset, &[]));
        let finding = findings.into_iter().find(|finding| finding.code == code).expect("the finding");
        finding.places.into_iter().next().expect("a place").detail
    };
    assert_eq!(detail("exponent", "host", "exponent"), "E1e-5, read as E-5");
    assert_eq!(detail("exponent", "board", "exponent"), "E1e-5, read as E1");
    let refused = "60.0 units of E, at most 50 in one line: the controller refuses the line";
    assert_eq!(detail("excess-turn", "host", "excess-e"), refused);
    let dropped = "250.0 units of E, at most 200 in one line: the head moves, the E is dropped";
    assert_eq!(detail("excess-line", "board", "excess-e"), dropped);
    assert_eq!(detail("line-of-100", "board", "line-too-long"), "100 characters, at most 95");
    assert_eq!(detail("large-e", "board", "large-e"), "E 65540, at most 65536");
    assert_eq!(detail("several-commands", "host", "several-commands"), "G90 G1");
    assert_eq!(detail("cold", "host", "cold-extrusion"), "set to 150 °C, at least 170 °C");
}

/// Lines a real open planner of the kind of `host` rejected first, with its reason; measured on whole files, see
/// `controller-times.tsv` beside the files.
#[test]
fn the_first_line_a_real_controller_rejected_is_found() {
    let Some(files) = corpus::files() else { return };
    for (file, line, code) in [
        // "Unable to parse move 'G1 Z15.0 F{speed_travel}'".
        ("abs-e-g5-plus-signs-01.gcode", 22, "feed-refused"),
        // "Machine does not support G20 (inches)".
        ("cnc-inch-modal-linenumbers-oword-01.nc", 7, "command-refused"),
        // "Error on 'M73 P0 (enable build progress)': unable to parse".
        ("dual-extruder-m108-paren-01.gcode", 2, "parentheses"),
        ("no-e-axis-rpm-extruder-paren-01.gcode", 8, "parentheses"),
        ("paren-comments-m101-m103-crlf-01.gcode", 7, "parentheses"),
        ("paren-comments-odd-forms-01.gcode", 33, "parentheses"),
        // "Must home axis first", after M84 E.
        ("rel-e-arcs-m486-thumb-01.gcode", 258, "motors-off"),
    ] {
        let path = files.iter().find(|path| runs::name_of(path) == file).expect("the file");
        let findings = audit(&std::fs::read(path).expect("a readable file"), &profile("host", &[]));
        let found = findings.iter().find(|finding| finding.code == code);
        let places = found.map_or(&[][..], |finding| &finding.places);
        assert!(places.iter().any(|place| place.line == line), "{file}: {places:?}");
    }
}

/// Kinds and counts of broken rules in the output that its input did not break as often.
fn added(input: &[u8], preset: &str) -> Vec<String> {
    let profile = profile(preset, &["screw.peak_flow_mm3_s=4", "screw.sustained_flow_mm3_s=3"]);
    let options = Options { lenient: true, ..Options::default() };
    let (output, summary) = runs::rewrite(input, &profile, &options).expect("a rewrite");
    assert!(summary.changes.lines_added > 0);
    let count = |findings: &[Finding], code: &str| findings.iter().find(|f| f.code == code).map_or(0, |f| f.count);
    let (before, after) = (audit(input, &profile), audit(&output, &profile));
    // A line that is written as several breaks a rule as often, if it breaks any.
    let several = summary.changes.lines_split > 0;
    let more = RULES
        .iter()
        .filter(|code| count(&after, code) > count(&before, code) && !(several && count(&before, code) > 0));
    let split = count(&after, "excess-e");
    let kept = (split > 0).then(|| format!("{split} lines with too much E are left"));
    more.map(|code| format!("{code}: {} after {}", count(&after, code), count(&before, code))).chain(kept).collect()
}

#[test]
fn a_rewrite_breaks_no_rule_that_its_input_keeps() {
    let folders = ["gcode/controller", "gcode/ok", "demo"];
    let fixtures = folders.iter().flat_map(|folder| runs::fixtures_in(folder));
    let mut rewritten = 0;
    for name in fixtures.filter(|name| name.ends_with(".gcode")) {
        // Arcs and lines of other tools with too much E are for the slicing program to split.
        if name.ends_with("long-arc.gcode") || name.ends_with("excess-of-other-tool.gcode") {
            continue;
        }
        for preset in PRESETS {
            assert_eq!(added(&runs::fixture(&name), preset), [""; 0], "{name}, {preset}");
            rewritten += 1;
        }
    }
    assert!(rewritten > 100);
}

/// Lines that just fit must still fit when they get a feed, whichever way they get it.
#[test]
fn feeds_do_not_make_lines_too_long() {
    for length in 80..=95 {
        // A thick bead without a feed of its own, one with, and a thin one that needs the old feed back.
        let line = |x: &str, rest: &str| {
            let zeros = "0".repeat(length - format!("G1 X{x}.{rest}").len());
            format!("G1 X{x}.{zeros}{rest}\n")
        };
        let text = format!(
            "G90\nM83\nM109 S200\nG28\nG1 X10 Y10 Z0.4 F6000\n{}{}{}{}",
            // As many characters as E takes in the output.
            line("20", " E2.000000"),
            line("30", " E2.000000 F4000"),
            line("40", " E0.001000"),
            line("50", " E3.000000")
        );
        assert!(text.lines().skip(5).all(|line| line.len() == length));
        assert_eq!(added(text.as_bytes(), "board"), [""; 0], "{length}");
        let slow = profile("board", &["screw.peak_flow_mm3_s=4"]);
        let (output, summary) = runs::rewrite(text.as_bytes(), &slow, &Options::default()).expect("a rewrite");
        assert_eq!(summary.changes.moves_slowed, 3);
        let output = String::from_utf8(output).expect("text");
        // Comments do not count.
        assert!(output.lines().all(|line| line.starts_with(';') || line.len() <= 95), "{output}");
    }
}

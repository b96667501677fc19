//! The promises of all passes together, on every fixture and every real file, checked with a reader that shares nothing
//! with the library but the planner's times.

#[path = "support/check.rs"]
mod check;
#[path = "support/corpus.rs"]
mod corpus;
#[path = "support/planned.rs"]
mod planned;
#[path = "support/reader.rs"]
mod reader;
#[path = "support/runs.rs"]
mod runs;
#[path = "support/screw.rs"]
mod screw;

use std::io::Cursor;
use std::path::PathBuf;

use meltwright::error::ErrorKind;
use meltwright::pipeline::{Options, Original, ReplayAccount, replay};
use meltwright::profile::Profile;
use meltwright::summary::Summary;
use proptest::prelude::*;
use rayon::prelude::*;

/// Ways to make up for the lag: name, controller, by what, unit of E in the output.
const WAYS: [(&str, &str, &str, &str); 5] = [
    ("host, by the file", "host", "file", "virtual-filament-mm"),
    ("board, by the file", "board", "file", "virtual-filament-mm"),
    ("host, at rest", "host", "none", "as-in-file"),
    ("board, at rest", "board", "none", "as-in-file"),
    ("host, at rest, other unit", "host", "none", "virtual-filament-mm"),
];

/// More of them, on fixtures only.
const MORE_WAYS: [(&str, &str, &str, &str); 6] = [
    ("network, by the file", "network", "file", "virtual-filament-mm"),
    ("network, at rest", "network", "none", "mm3"),
    ("host, by the controller", "host", "controller", "virtual-filament-mm"),
    ("host, by the file, strand too thin", "host", "file", "as-in-file"),
    ("board, by the file, unit of the file", "board", "file", "as-in-file"),
    ("board, by the file, turns", "board", "file", "screw-turns"),
];

/// The part stands still and cools by itself: what the soft part asks for has tests of its own.
fn profile((_, preset, by, unit): (&str, &str, &str, &str), more: &str) -> Profile {
    let text = format!(
        "[machine]\npart_moves = \"none\"\n[part]\nsolid_temperature_c = \"none\"\n\
         [controller]\npreset = \"{preset}\"\n[screw]\nlag_compensated_by = \"{by}\"\noutput_e_unit = \"{unit}\"\n{more}"
    );
    Profile::load(&text, "way.toml").unwrap_or_else(|error| panic!("{error}"))
}

/// Every tool is the screw, so that as much as may be is written anew.
const ALL_TOOLS: &str = "tools = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9]\n";

/// What differs for a file of the collection.
fn for_file(name: &str, tools: &str) -> String {
    let unit = if name.starts_with("volumetric") { "e_unit = \"mm3\"\n" } else { "" };
    format!("{tools}{unit}")
}

/// A rewrite; where the file does not say how thick the strand is, it is 1.75 mm. `None`: refused as it should be.
fn rewritten(input: &[u8], profile: &Profile, options: &Options) -> Option<(Vec<u8>, Summary, Profile)> {
    let mut profile = profile.clone();
    let done = match runs::rewrite(input, &profile, options) {
        Err(error) if matches!(error.kind(), ErrorKind::NoDiameter) => {
            profile.screw.virtual_diameter_mm.value = Some(1.75);
            runs::rewrite(input, &profile, options)
        }
        done => done,
    };
    match done {
        Ok((output, summary)) => Some((output, summary, profile)),
        Err(error) if matches!(error.kind(), ErrorKind::Unsupported { .. } | ErrorKind::UnitStays { .. }) => None,
        Err(error) => panic!("{error}"),
    }
}

/// Strand of a file for the reader: what the summary says was used.
fn strand(summary: &Summary) -> Option<f64> {
    summary.provenance.e_unit.strip_prefix("1 mm of a strand of ")?.split(' ').next()?.parse().ok()
}

/// All promises for one file.
fn prove(input: &[u8], way: &Profile) -> Vec<String> {
    let Some((output, summary, mut profile)) = rewritten(input, way, &Options::default()) else { return Vec::new() };
    let used = profile.clone();
    if let Some(diameter) = strand(&summary) {
        profile.screw.virtual_diameter_mm.value = Some(diameter);
    }
    let mut complaints = screw::all_passes(input, &output, &profile, &summary).into_lines();
    match runs::rewrite(&output, &used, &Options::default()) {
        Err(error) if matches!(error.kind(), ErrorKind::AlreadyRewritten) => {}
        Err(error) => complaints.push(format!("second run: {error}")),
        Ok(_) => complaints.push("second run: not refused".to_owned()),
    }
    match runs::rewrite(&output, &used, &Options { again: true, ..Options::default() }) {
        Ok((again, _)) if again == output => {}
        Ok(_) => complaints.push("second run, let through: the bytes differ".to_owned()),
        Err(error) => complaints.push(format!("second run, let through: {error}")),
    }
    complaints
}

fn assert_proven(complaints: &[String]) {
    assert!(complaints.is_empty(), "{} complaints:\n{}", complaints.len(), complaints.join("\n"));
}

/// Files of the collection in which there is something to push, with their names.
fn real_files() -> Option<Vec<(String, Vec<u8>)>> {
    let read = |path: PathBuf| {
        let bytes = std::fs::read(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        (runs::name_of(&path), bytes)
    };
    Some(corpus::files()?.into_iter().map(read).collect())
}

#[test]
fn every_fixture_keeps_every_promise() {
    let units = ["e_unit = \"mm3\"\n", "virtual_diameter_mm = 1.75\n"];
    // Held to little, so that much is slowed; and not held at all.
    let limits = ["peak_flow_mm3_s = 8.0\nsustained_flow_mm3_s = 3.0\nsustained_window_s = 20.0\n", ""];
    let mut complaints = Vec::new();
    let mut names = runs::fixtures_in("gcode/ok");
    names.extend(runs::fixtures_in("gcode/controller"));
    // What a number with an exponent means is up to the controller; the reader has one meaning only.
    names.retain(|name| !name.ends_with("exponent.gcode"));
    names.push("demo/casting_pads.gcode".to_owned());
    for way in WAYS.into_iter().chain(MORE_WAYS) {
        for (unit, limit) in units.into_iter().flat_map(|u| limits.map(|l| (u, l))) {
            let profile = profile(way, &format!("{ALL_TOOLS}{unit}{limit}"));
            let found = names.par_iter().flat_map_iter(|name| {
                let place =
                    format!("{name}, {}, {}{}: ", way.0, unit.trim_end(), if limit.is_empty() { "" } else { ", held" });
                prove(&runs::fixture(name), &profile).into_iter().map(move |c| place.clone() + &c)
            });
            complaints.extend(found.collect::<Vec<_>>());
        }
    }
    assert_proven(&complaints);
}

/// Small files for what few real ones have.
const ODD: [(&str, &str); 5] = [
    // Lines that are counted cannot be taken out: what is turned back has to come forward again.
    (
        "counted reversals",
        "N1 G90\nN2 M83\nN3 G1 X10 Y10 F6000\nN4 G1 X60 Y10 E40 F1200\nN5 G1 E-2 F900\nN6 G1 X10 Y20 F6000\n\
         N7 G1 E2 F900\nN8 G1 X60 E40 F1200\nN9 G1 E-2 F900\n",
    ),
    (
        "counted reversals, absolute",
        "N1 G90\nN2 M82\nN3 G1 X10 Y10 F6000\nN4 G1 X60 Y10 E40 F1200\nN5 G1 E38 F900\nN6 G1 X10 Y20 F6000\n\
         N7 G1 E40 F900\nN8 G1 X60 E80 F1200\nN9 G1 E78 F900\n",
    ),
    (
        "inches",
        "G20\nG90\nM83\nG1 X1 Y1 F200\nG1 X2.37 Y1.91 E0.1 F30\nG2 X3.37 Y1.91 I0.5 J0 E0.1\nG91\n\
         G1 X-0.77 Y0.31 E0.05\nG1 E-0.04 F30\nG1 X-1 F200\nG1 E0.04 F30\nG1 X-0.71 Y-0.37 E0.05\n",
    ),
    (
        "arcs by radius and in other planes",
        "G90\nM83\nG1 X10 Y10 Z1 F6000\nG2 X30 Y10 R12.5 E8 F1800\nG3 X10 Y10 Z2 R-11 E9 ; over the top\n\
         G18\nG2 X20 Z3 I5 K0.5 E4\nG19\nG3 Y20 Z3 J5 K0 E3\nG17\nG91\nG2 X0 Y0 I4 J3 E7\nG3 X6 Y-2 I3 J-1 E3\n",
    ),
    (
        "counts that are set, factors and a purge",
        "G90\nM82\nG92 E100\nG1 E150 F300\nG1 X10 Y10 F6000\nG1 X60 Y10 E160 F2400\nG1 X60 Y12 E159.4\nM221 S90\n\
         G1 X10 Y12 E169\nG92 E0\nM83\nG1 E-1 F2100\nG0 X100\nG1 E1.5\nM82\nG1 X120 E5 F1800\nM220 S70\nG1 X150 Y40 E9\n\
         T1\nG1 X160 E12\nT0\nG92 E3\nG1 X10 Y11.5 E20\n",
    ),
];

#[test]
fn odd_files_keep_every_promise() {
    let mut complaints = Vec::new();
    for (name, text) in ODD {
        for way in WAYS.into_iter().chain(MORE_WAYS) {
            for tools in [ALL_TOOLS, ""] {
                let profile = profile(way, &format!("{tools}e_unit = \"mm3\"\n"));
                let found = prove(text.as_bytes(), &profile);
                complaints.extend(found.into_iter().map(|c| format!("{name}, {}: {c}", way.0)));
            }
        }
    }
    assert_proven(&complaints);
}

/// A sane line of a random file.
fn line() -> impl Strategy<Value = String> {
    let place = || (0..2000_u32, 0..2000_u32).prop_map(|(x, y)| (f64::from(x) / 10.0, f64::from(y) / 10.0));
    let feed = || prop::option::of(300..9000_u32).prop_map(|f| f.map_or_else(String::new, |f| format!(" F{f}")));
    prop_oneof![
        // Beads come in runs of short and long ones; E is a distance.
        10 => (prop::collection::vec((place(), 0.001..4.0_f64, feed()), 1..12)).prop_map(|beads| {
            let bead = |((x, y), e, feed): ((f64, f64), f64, String)| format!("G1 X{x} Y{y} E{e:.4}{feed}\n");
            beads.into_iter().map(bead).collect()
        }),
        2 => (1..40_u32, 0.01..1.5_f64).prop_map(|(n, e)| {
            (0..n).map(|k| format!("G1 X{:.3} Y{:.3} E{e:.5}\n", 50.0 + f64::from(k) * 0.31, 60.0)).collect()
        }),
        3 => (place(), feed()).prop_map(|((x, y), feed)| format!("G0 X{x} Y{y}{feed}\n")),
        3 => (0.1..3.0_f64, place()).prop_map(|(e, (x, y))| {
            format!("G1 E-{e:.3} F2100\nG0 X{x} Y{y} F6000\nG1 E{e:.3} F2100\nG1 F2400\n")
        }),
        1 => (1.0..20.0_f64, 0.1..3.0_f64).prop_map(|(r, e)| format!("G2 X90 Y90 F1800\nG3 X90 Y90 I{r:.3} J0 E{e:.3}\n")),
        1 => (1.0..60.0_f64).prop_map(|e| format!("G1 E{e:.2} F180 ; purge\n")),
        1 => (1..40_u32).prop_map(|h| format!("G1 Z{:.2} F600\n;LAYER_CHANGE\n", f64::from(h) * 0.2)),
        // No value that the passes would write: they round to two digits.
        1 => (20..900_u32).prop_map(|a| format!("M204 S{a}1\n")),
        1 => prop::sample::select(["G92 E0\n", "G4 P300\n", "M221 S93\n", "M220 S110\n", "; note\n", "M106 S80\n"].as_slice())
            .prop_map(str::to_owned),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn random_files_keep_every_promise(lines in prop::collection::vec(line(), 1..60), thick in any::<bool>()) {
        // Full circles have to start where they end.
        let body = lines.concat().replace("G2 X90 Y90", "G0 X90 Y90");
        let text = format!("G90\nM83\nG1 X5 Y5 Z0.3 F3000\n{body}");
        let unit = if thick { "e_unit = \"mm3\"\n" } else { "virtual_diameter_mm = 1.75\n" };
        for way in WAYS.into_iter().chain(MORE_WAYS) {
            let complaints = prove(text.as_bytes(), &profile(way, unit));
            prop_assert!(complaints.is_empty(), "{}:\n{}", way.0, complaints.join("\n"));
        }
    }
}

#[test]
fn every_real_file_keeps_every_promise() {
    let Some(files) = real_files() else { return };
    let mut complaints = Vec::new();
    let all = WAYS.map(|way| (way, ALL_TOOLS));
    // As it is by default, other tools are left alone.
    for (way, tools) in all.into_iter().chain([(WAYS[0], ""), (WAYS[2], ""), (WAYS[4], "")]) {
        let found = files.par_iter().flat_map_iter(|(name, input)| {
            let place = format!("{name}, {}, {}: ", way.0, if tools.is_empty() { "first tool" } else { "all tools" });
            prove(input, &profile(way, &for_file(name, tools))).into_iter().map(move |c| place.clone() + &c)
        });
        complaints.extend(found.collect::<Vec<_>>());
    }
    assert_proven(&complaints);
}

/// A real file on the virtual machine: as it came, with all passes, with the capacity pass alone.
struct Executed {
    name: String,
    account: ReplayAccount,
    time: f64,
    time_of_capacity: f64,
}

fn execute(name: &str, input: &[u8], way: (&str, &str, &str, &str)) -> Option<Executed> {
    let (output, summary, profile) = rewritten(input, &profile(way, &for_file(name, "")), &Options::default())?;
    if summary.before.bead_volume_mm3 <= 0.0 {
        return None;
    }
    let (_, of_capacity, _) = rewritten(input, &profile, &runs::capacity_alone())?;
    let original = Original { input: &mut Cursor::new(input), path: None };
    let account = replay(&mut Cursor::new(&output), Some(original), &profile, &Options::default(), &mut |_| {});
    Some(Executed {
        name: name.to_owned(),
        account: account.unwrap_or_else(|error| panic!("{name}, {}: {error}", way.0)),
        time: summary.after.time_s,
        time_of_capacity: of_capacity.after.time_s,
    })
}

fn median(mut values: Vec<f64>) -> f64 {
    assert!(values.len() > 10, "only {} files", values.len());
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// What the passes are for: the volume is right, hardly any path is outside 10 %, and it costs little time.
#[test]
fn flow_follows_on_real_files() {
    let Some(files) = real_files() else { return };
    let way = WAYS[0];
    let done: Vec<Executed> = files.par_iter().filter_map(|(name, input)| execute(name, input, way)).collect();
    let (mut off, mut better, mut longer, mut refused) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for Executed { name, account, time, time_of_capacity } in &done {
        let (after, before) = (&account.replay.after, account.replay.before.as_ref().expect("the original is run too"));
        let (was, is) = (before.path_outside_10_pct, after.path_outside_10_pct);
        println!(
            "{name:48} laid/wanted {:7.4}  outside 10 % {was:7.3} -> {is:7.3} %  refused {:6.3} %  time x {:.3}",
            after.laid_over_wanted,
            100.0 * after.refused_mm3 / after.wanted_mm3,
            time / time_of_capacity
        );
        off.push((after.laid_over_wanted - 1.0).abs());
        if was > 0.5 {
            better.push(was / is.max(1e-6));
        }
        longer.push(time / time_of_capacity);
        refused.push((after.refused_mm3 + after.refused_back_mm3) / after.wanted_mm3);
    }
    let (off, better, longer, refused) = (median(off), median(better), median(longer), median(refused));
    println!("median: laid off by {:.2} %, path outside falls {better:.1} times, time x {longer:.3}", 100.0 * off);
    println!("median: {:.3} % beyond the screw", 100.0 * refused);
    assert!(off <= 0.01, "laid volume is off by {:.2} % in the median", 100.0 * off);
    assert!(refused <= 0.001, "{:.2} % in the median is beyond the screw", 100.0 * refused);
    assert!(better >= 10.0, "path outside 10 % falls only {better:.1} times in the median");
    assert!(longer <= 1.10, "print time grows by {:.1} % in the median", 100.0 * (longer - 1.0));
}

/// Turns at rest go where the file had reversals of its own.
#[test]
fn turns_at_rest_take_few_lines() {
    let Some(files) = real_files() else { return };
    let more = |(name, input): &(String, Vec<u8>)| {
        let (_, summary, _) = rewritten(input, &profile(WAYS[2], &for_file(name, "")), &Options::default())?;
        let changes = &summary.changes;
        let lines = summary.provenance.input_lines as f64;
        let after = lines + changes.lines_added as f64 - changes.lines_removed as f64;
        println!("{name:48} lines x {:.3}", after / lines);
        (summary.before.bead_volume_mm3 > 0.0).then_some(after / lines)
    };
    let more = median(files.par_iter().filter_map(more).collect());
    println!("median: lines x {more:.3}");
    assert!(more <= 1.15, "{:.1} % more lines in the median", 100.0 * (more - 1.0));
}

//! One input, one result: whatever the number of threads, the size of blocks, and how the program was built.
//!
//! `tests/streaming.rs` compares blocks and threads on fixtures; here are made files with more passes and rules, the
//! built program, and a second build of it, whose path is taken from `MELTWRIGHT_OTHER_BUILD` (`.ci/run` names the release
//! build, so that it is held against one without optimisation).

#[path = "support/corpus.rs"]
mod corpus;
#[path = "../benches/data/mod.rs"]
mod data;
mod support;

use std::io::Cursor;
use std::path::{Path, PathBuf};

use meltwright::pipeline::{self, Options, Original};
use meltwright::profile::{Assignment, Profile};
use support::Bench;

/// Settings that make different parts of the program work, besides the strand of the file.
const SETTINGS: [&[&str]; 6] = [
    &[],
    &["screw.peak_flow_mm3_s=2.2", "screw.sustained_flow_mm3_s=2", "screw.lag_compensated_by=file"],
    &["controller.preset=board", "screw.lag_compensated_by=none", "screw.output_e_unit=screw-turns"],
    &["controller.preset=network", "feedstock.shore_a=10", "part.solid_temperature_c=60"],
    &["controller.preset=custom", "feedstock.shore_a=30", "machine.part_moves=xy", "controller.excess_e=split"],
    &["hopper.usable_g=20", "hopper.margin_g=2", "hopper.pause_command=M600", "screw.sustained_window_s=5"],
];

fn profile(settings: &[&str]) -> Profile {
    let all = ["screw.virtual_diameter_mm=1.75"].iter().chain(settings);
    let set: Vec<Assignment> = all.map(|text| text.parse().expect("an assignment")).collect();
    Profile::embedded_with(&set).unwrap_or_else(|error| panic!("{settings:?}: {error:?}"))
}

/// Everything a rewrite, an audit and a replay say of a text, in words.
fn said(text: &[u8], profile: &Profile, block_size: usize) -> [String; 3] {
    let options = Options { block_size, course: true, ..Options::default() };
    let mut output = Vec::new();
    let rewritten = pipeline::rewrite(&mut Cursor::new(text), &mut output, profile, &options, &mut |_| {})
        .map(|summary| format!("{summary:?}\n{}", String::from_utf8_lossy(&output)))
        .unwrap_or_else(|error| error.to_string());
    let audited = pipeline::audit(&mut Cursor::new(text), profile, &options, &mut |_| {})
        .map_or_else(|error| error.to_string(), |summary| format!("{summary:?}"));
    let mut original = Cursor::new(text);
    let beside = Original { input: &mut original, path: None };
    let replayed = pipeline::replay(&mut Cursor::new(output), Some(beside), profile, &options, &mut |_| {})
        .map_or_else(|error| error.to_string(), |account| format!("{:?}", account.replay));
    [rewritten, audited, replayed]
}

#[test]
fn blocks_and_threads_have_no_say() {
    let pools = [1, 2, 3, 8]
        .map(|threads| rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads start"));
    for (name, make) in data::KINDS {
        let text = make(30_000);
        for settings in SETTINGS {
            let profile = profile(settings);
            let first = said(&text, &profile, 1 << 20);
            assert!(first.iter().all(|text| text.len() > 100), "{name}, {settings:?}: {first:?}");
            for block_size in [97, 1000, 4096] {
                assert!(said(&text, &profile, block_size) == first, "{name}, {settings:?}: blocks of {block_size}");
            }
            for pool in &pools {
                let threads = pool.current_num_threads();
                let other = pool.install(|| said(&text, &profile, 2000));
                assert!(other == first, "{name}, {settings:?}: {threads} threads");
            }
        }
    }
}

/// Output, account as JSON and messages of a run of a program.
fn ran(program: &Path, bench: &Bench, file: &Path, settings: &[&str], threads: &str, out: &str) -> [Vec<u8>; 4] {
    let json = format!("{out}.json");
    let set = ["screw.virtual_diameter_mm=1.75"].iter().chain(settings).flat_map(|text| ["--set", *text]);
    let output = bench
        .command(program, &["rewrite", "--threads", threads, "--lenient", "--json", &json, "-o", out])
        .arg(file)
        .args(set)
        .output()
        .expect("the program runs");
    let take = |name: &str| {
        let path = bench.path(name);
        let bytes = std::fs::read(&path).unwrap_or_default();
        let _ = std::fs::remove_file(path);
        bytes
    };
    let code = format!("{:?}\n", output.status.code()).into_bytes();
    [take(out), take(&json), [code, output.stdout].concat(), output.stderr]
}

#[track_caller]
fn alike(found: &[Vec<u8>; 4], expected: &[Vec<u8>; 4], what: &str) {
    for (index, part) in ["output", "JSON", "account", "messages"].iter().enumerate() {
        assert!(found[index] == expected[index], "{what}: another {part}");
    }
}

/// Real files and made ones.
fn files(bench: &Bench) -> Vec<PathBuf> {
    let mut files = corpus::files().unwrap_or_default();
    for (name, make) in data::KINDS {
        files.push(bench.file(&format!("{name}.gcode"), make(200_000)));
    }
    files
}

#[test]
fn threads_and_builds_have_no_say_in_what_the_program_writes() {
    let bench = Bench::new();
    let program = Path::new(env!("CARGO_BIN_EXE_meltwright"));
    let other = std::env::var_os("MELTWRIGHT_OTHER_BUILD").map(PathBuf::from);
    if other.is_none() {
        eprintln!("SKIPPED: MELTWRIGHT_OTHER_BUILD names no second build to compare with");
    }
    let mut compared = 0;
    for (index, file) in files(&bench).iter().enumerate() {
        // Each file with two of the settings, so that each setting meets many files.
        for settings in [SETTINGS[index % SETTINGS.len()], SETTINGS[(index + 1 + index / 6) % SETTINGS.len()]] {
            let what = format!("{}, {settings:?}", file.display());
            let first = ran(program, &bench, file, settings, "1", "out.gcode");
            // Where the account holds names of files, they are the same; nothing in it is a time of day.
            for threads in ["2", "5"] {
                let again = ran(program, &bench, file, settings, threads, "out.gcode");
                alike(&again, &first, &format!("{what}, {threads} threads"));
            }
            if let Some(other) = &other {
                alike(&ran(other, &bench, file, settings, "2", "out.gcode"), &first, &format!("{what}, other build"));
            }
            compared += usize::from(!first[0].is_empty());
        }
    }
    assert!(compared > 8, "{compared} outputs compared");
}

//! The result depends neither on how much is read at a time nor on the number of threads.

#[path = "support/corpus.rs"]
mod corpus;
#[path = "support/reader.rs"]
mod reader;
#[path = "support/runs.rs"]
mod runs;

use meltwright::pipeline::Options;
use meltwright::profile::{LagCompensation, OutputUnit, Profile};

const SIZES: &[usize] = &[1, 7, 64, 4096, 256 * 1024];

fn low() -> Profile {
    let mut profile = runs::with_capacity(runs::profile(), 8.0, 3.0, 20.0);
    profile.controller.max_e_only_mm.value = Some(50.0);
    profile.controller.max_e_per_line_mm.value = Some(200.0);
    profile
}

/// All passes: along the path, and at rest in the unit of the file and in another.
fn ways() -> [Profile; 3] {
    [
        (LagCompensation::File, OutputUnit::VirtualFilament),
        (LagCompensation::None, OutputUnit::AsInFile),
        (LagCompensation::None, OutputUnit::ScrewTurns),
    ]
    .map(|(by, unit)| {
        let mut profile = low();
        profile.screw.lag_compensated_by.value = by;
        profile.screw.output_e_unit.value = unit;
        profile
    })
}

fn assert_same_for_all(name: &str, input: &[u8], sizes: &[usize]) {
    for profile in ways() {
        assert_same(name, input, sizes, &profile);
    }
}

fn assert_same(name: &str, input: &[u8], sizes: &[usize], profile: &Profile) {
    let (bytes, summary) = runs::rewrite(input, profile, &Options::default()).unwrap_or_else(|e| panic!("{name}: {e}"));
    for &block_size in sizes {
        let options = Options { block_size, ..Options::default() };
        let (other, its_summary) =
            runs::rewrite(input, profile, &options).unwrap_or_else(|e| panic!("{name}, blocks of {block_size}: {e}"));
        assert!(other == bytes, "{name}: other bytes with blocks of {block_size}");
        assert_eq!(its_summary, summary, "{name}: another summary with blocks of {block_size}");
    }
    for threads in 1..=4 {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads start");
        // Small blocks, so that there is something to share out.
        let options = Options { block_size: 4096, ..Options::default() };
        let (other, its_summary) = pool
            .install(|| runs::rewrite(input, profile, &options))
            .unwrap_or_else(|e| panic!("{name}, {threads} threads: {e}"));
        assert!(other == bytes, "{name}: other bytes with {threads} threads");
        assert_eq!(its_summary, summary, "{name}: another summary with {threads} threads");
    }
}

#[test]
fn fixtures_come_out_the_same_in_any_blocks_and_threads() {
    for name in ["gcode/ok", "gcode/controller"].into_iter().flat_map(runs::fixtures_in) {
        assert_same_for_all(&name, &runs::fixture(&name), SIZES);
    }
}

/// A layer that comes near what may wait: whether it is kept or looked through beforehand goes by how far reading was ahead.
#[test]
fn layers_near_what_may_wait_come_out_whole() {
    let profile = runs::embedded(["screw.e_unit=mm3"]);
    let pool = rayon::ThreadPoolBuilder::new().num_threads(3).build().expect("threads start");
    for moves in (13_600..17_400).step_by(200) {
        let mut input = String::from("G28\nM83\nG1 F1800\n");
        for (layer, moves) in (1..=4).map(|layer| (layer, if layer == 1 { moves } else { 1500 })) {
            input += &format!(";LAYER_CHANGE\nG1 Z{}\nG0 X50 Y50\n", 0.5 * f64::from(layer));
            for k in 0..moves {
                input += &format!(
                    "G1 X{:.3} Y{:.3} E0.02\n",
                    50.0 + 0.25 * f64::from(k % 400),
                    50.0 + 0.8 * f64::from(k / 400)
                );
            }
        }
        input += "; the end\n";
        let options = Options { hash: false, ..Options::default() };
        let (bytes, summary) = runs::rewrite(input.as_bytes(), &profile, &options).expect("a rewrite");
        assert!(bytes.ends_with(b"; the end\n") || bytes.windows(10).any(|part| part == b"; the end\n"), "{moves}");
        for _ in 0..2 {
            let (other, its_summary) =
                pool.install(|| runs::rewrite(input.as_bytes(), &profile, &options)).expect("a rewrite");
            assert!(other == bytes, "{moves} moves: {} and {} bytes", other.len(), bytes.len());
            assert_eq!(its_summary, summary, "{moves} moves");
        }
    }
}

#[test]
fn refusals_are_the_same_in_any_blocks() {
    for name in runs::fixtures_in("gcode/bad") {
        let input = runs::fixture(&name);
        let mut profile = low();
        profile.screw.virtual_diameter_mm.value = None;
        let refusal = |block_size| {
            let options = Options { block_size, ..Options::default() };
            let error = runs::rewrite(&input, &profile, &options).map(|_| ()).expect_err(&name);
            (error.to_string(), error.excerpt().cloned())
        };
        let first = refusal(SIZES[0]);
        for &size in &SIZES[1..] {
            assert_eq!(refusal(size), first, "{name}: another refusal with blocks of {size}");
        }
    }
}

#[test]
fn the_demo_comes_out_the_same_in_any_blocks_and_threads() {
    assert_same_for_all("demo", &runs::fixture("demo/casting_pads.gcode"), &SIZES[2..]);
}

#[test]
fn real_files_come_out_the_same_in_any_blocks_and_threads() {
    let Some(files) = corpus::files() else { return };
    let wanted = ["abs-e-arcs-01.gcode", "crlf-abs-e-m200-01.gcode", "spiral-rel-e-01.gcode"];
    let mut seen = 0;
    for path in files {
        let name = runs::name_of(&path);
        if wanted.contains(&name.as_str()) {
            seen += 1;
            let input = std::fs::read(&path).unwrap_or_else(|e| panic!("{name}: {e}"));
            assert_same_for_all(&name, &input, &SIZES[2..]);
        }
    }
    assert_eq!(seen, wanted.len(), "files are missing from the collection");
}

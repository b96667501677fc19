//! Memory does not grow with the file: the program's peak is read from the system while it runs.
//!
//! The sizes are chosen so that the test also ends in time when the program is built without optimisation, where it
//! works on some tens of MB/s. The smaller is already many times what is in flight at once, so that all buffers have
//! grown as far as they ever will.

#[path = "../benches/data/mod.rs"]
mod data;
#[cfg(target_os = "linux")]
#[path = "support/watched.rs"]
mod watched;

/// Size of the smaller file, MB.
#[cfg(target_os = "linux")]
const SMALL_MB: usize = 24;
/// Size of the larger file, MB.
#[cfg(target_os = "linux")]
const LARGE_MB: usize = 96;
/// Most memory the program may take, KiB.
#[cfg(target_os = "linux")]
const MOST_KIB: u64 = 64 * 1024;
/// What a peak may differ from run to run, KiB.
#[cfg(target_os = "linux")]
const LEEWAY_KIB: u64 = 8 * 1024;

#[cfg(target_os = "linux")]
#[test]
fn peak_memory_does_not_grow_with_the_file() {
    // Short moves wait longest for the sustained pass; in the spiral with its high flow, each of them is slowed.
    // The lag is made up for along the path, where lines are written as several, and at rest.
    for (name, share, by) in [("tiny_segments", 1.0, "file"), ("spiral", 0.2, "file"), ("tiny_segments", 1.0, "none")] {
        let (small, large) = (peak_kib(name, SMALL_MB, share, by), peak_kib(name, LARGE_MB, share, by));
        println!("{name}, by {by}: {small} KiB for {SMALL_MB} MB, {large} KiB for {LARGE_MB} MB");
        assert!(large < MOST_KIB, "{name}: {large} KiB for {LARGE_MB} MB");
        let expected = small + small / 4 + LEEWAY_KIB;
        assert!(large <= expected, "{name}: {large} KiB for {LARGE_MB} MB, {small} KiB for {SMALL_MB} MB");
    }
}

/// Highest resident memory of a rewrite, KiB; `share`: factor on the capacity by which half the moves are slowed.
#[cfg(target_os = "linux")]
fn peak_kib(name: &str, megabytes: usize, share: f64, by: &str) -> u64 {
    use std::fs::{self, File};
    use std::io::BufWriter;
    use std::process::{Command, Stdio};
    use std::time::Duration;

    let folder = tempfile::tempdir().expect("a temporary folder");
    let (input, output) = (folder.path().join("in.gcode"), folder.path().join("out.gcode"));
    let mut file = BufWriter::new(File::create(&input).expect("a file in the temporary folder"));
    data::write_long(&mut file, name, megabytes * 1_000_000).expect("the disk has room");
    let (peak, sustained) = data::half_slowed(name);
    let mut command = Command::new(env!("CARGO_BIN_EXE_meltwright"));
    command
        .args(["rewrite", "--quiet", "--set", "screw.virtual_diameter_mm=1.75"])
        .args(["--set", &format!("screw.peak_flow_mm3_s={}", peak * share)])
        .args(["--set", &format!("screw.lag_compensated_by={by}")])
        .args(["--set", &format!("screw.sustained_flow_mm3_s={}", sustained * share)])
        .arg("-o")
        .args([&output, &input])
        .current_dir(folder.path())
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    let ran = watched::watched(&mut command, Duration::from_secs(600));
    assert!(ran.output.status.success(), "{name}: {}", ran.output.status);
    let (before, after) = (fs::metadata(&input).map(|m| m.len()), fs::metadata(&output).map(|m| m.len()));
    let (before, after) = (before.expect("the input is there"), after.expect("the output is there"));
    assert!(after > before, "{name}: words were added, so {after} bytes out are more than {before} in");
    assert!(ran.peak_kib > 0, "the system tells no peak");
    ran.peak_kib
}

#[cfg(not(target_os = "linux"))]
#[test]
fn peak_memory_does_not_grow_with_the_file() {
    eprintln!("SKIPPED: the peak memory of another program can be read under Linux only");
}

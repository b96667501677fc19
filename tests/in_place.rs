//! Files replaced in place, by hand and as a hook; several files at a time.

mod support;

use support::{BROKEN, Bench, CALM, PADS, names, read};

/// Says how much volume one unit of E is.
const E: [&str; 2] = ["--set", "screw.virtual_diameter_mm=1.75"];

fn with_e<'a>(arguments: &[&'a str]) -> Vec<&'a str> {
    [arguments, &E].concat()
}

#[test]
fn a_hook_is_silent_and_rewrites_in_place() {
    let bench = Bench::new();
    let path = bench.file(".4711 dösen.gcode.pp", PADS);
    let ran = bench.run(&["hook", E[0], E[1], path.to_str().unwrap()]).code(0);
    assert!(ran.stdout.is_empty() && ran.stderr.is_empty(), "{}", ran.stderr);
    assert_ne!(read(&path), PADS);
    assert_eq!(bench.names(), [".4711 dösen.gcode.pp"]);
}

#[test]
fn a_hook_speaks_when_asked_but_not_of_the_name() {
    let bench = Bench::new();
    bench.file("tmp4711", PADS);
    let arguments = ["hook", "-v", "--report", "report.txt", E[0], E[1], "tmp4711"];
    let ran = bench.run(&arguments).code(0);
    assert!(ran.stdout.is_empty());
    assert!(ran.stderr.contains("peak demand") && !ran.stderr.contains("tmp4711"));
    let report = read(&bench.path("report.txt"));
    assert!(report.contains("peak demand") && !report.contains("tmp4711"));
    // The file is rewritten by then: a report that cannot be written is no failure.
    bench.file("tmp4712", PADS);
    let arguments = ["hook", "--report", "no/folder.txt", E[0], E[1], "tmp4712"];
    let ran = bench.run(&arguments).code(0);
    assert!(ran.stderr.starts_with("warning: "), "{}", ran.stderr);
    assert_ne!(read(&bench.path("tmp4712")), PADS);
}

#[test]
fn a_hook_keeps_the_original_and_never_loses_it() {
    let bench = Bench::new();
    let path = bench.file("my pads.gcode", PADS);
    std::fs::create_dir(bench.path("kept")).unwrap();
    let arguments = ["hook", "--keep", "kept", E[0], E[1], "my pads.gcode"];
    bench.run(&arguments).code(0);
    let kept = bench.path("kept/my pads.gcode");
    assert_eq!(read(&kept), PADS);
    assert_ne!(read(&path), PADS);
    // What was rewritten before is refused, or let through: neither takes the original's place.
    bench.run(&arguments).code(1);
    bench.run(&[&arguments[..], &["--again"]].concat()).code(0);
    assert_eq!(read(&kept), PADS);
    assert_eq!(std::fs::read_dir(bench.path("kept")).unwrap().count(), 1, "nothing is left behind");
    // Without the copy nothing is rewritten.
    bench.file("other", PADS);
    let ran = bench.run(&["hook", "--keep", "no/folder/x", E[0], E[1], "other"]).code(1);
    assert!(ran.stderr.starts_with("meltwright: "), "{}", ran.stderr);
    assert_eq!(read(&bench.path("other")), PADS);
    bench.run(&["hook", "--keep", "other", E[0], E[1], "other"]).code(2);
    assert_eq!(read(&bench.path("other")), PADS);
}

#[test]
fn a_hook_prints_the_line_to_enter() {
    let bench = Bench::new();
    let ran = bench.run(&["hook", "--install-help", "--profile", "my shop.toml"]).code(0);
    let line = ran.stdout.lines().find(|line| line.contains(" hook ")).expect("a line to enter");
    assert!(line.trim_start().contains("meltwright") && line.contains("my shop.toml"), "{line}");
    assert!(cfg!(windows) || line.trim_end().ends_with("my shop.toml'"), "{line}");
}

#[test]
fn a_failing_hook_says_why_in_one_plain_line() {
    let bench = Bench::new();
    bench.file("binary", b"GCDE\x01\0\0\0");
    bench.file("calm", CALM);
    bench.file("shop.toml", "[nozzle]\ndiameter_mm = -3\n");
    let cases: &[(&[&str], i32)] = &[
        (&["hook", "binary"], 1),
        (&["hook", "gone"], 1),
        (&["hook", "--profile", "shop.toml", "calm"], 2),
        (&["hook", "--profile", "none.toml", "calm"], 2),
        (&["hook", "--set", "nozzle.bore=3", "calm"], 2),
        (&["hook", "--polish", "calm"], 2),
        (&["hook"], 2),
    ];
    let mut first_lines = Vec::new();
    for (arguments, code) in cases {
        let ran = bench.run(arguments).code(*code);
        assert!(ran.stdout.is_empty(), "{arguments:?}");
        let first = ran.stderr.lines().next().unwrap_or_default().to_owned();
        assert!(first.starts_with("meltwright: "), "{arguments:?}: {first}");
        assert!(first.is_ascii() && first.len() <= 200, "{first}");
        first_lines.push(first);
    }
    insta::assert_snapshot!("hook_first_lines", first_lines.join("\n"));
    assert_eq!(read(&bench.path("calm")), CALM);
    assert_eq!(bench.names(), ["binary", "calm", "shop.toml"]);
}

#[test]
fn a_hook_names_the_line_it_stumbled_over() {
    let bench = Bench::new();
    bench.file("broken", BROKEN);
    let ran = bench.run(&["hook", E[0], E[1], "broken"]).code(1);
    assert!(ran.stdout.is_empty());
    assert!(ran.stderr.starts_with("meltwright: line 3: "), "{}", ran.stderr);
    assert_eq!(read(&bench.path("broken")), BROKEN);
    assert_eq!(bench.names(), ["broken"]);
}

#[test]
fn a_second_run_is_refused_or_let_through() {
    let bench = Bench::new();
    let path = bench.file("pads.gcode", PADS);
    bench.run(&with_e(&["rewrite", "--in-place", "pads.gcode"])).code(0);
    let once = read(&path);
    let ran = bench.run(&with_e(&["rewrite", "--in-place", "pads.gcode"])).code(1);
    assert!(ran.stderr.contains("--again"));
    assert_eq!(read(&path), once);
    bench.run(&with_e(&["rewrite", "--in-place", "--again", "pads.gcode"])).code(0);
    assert_eq!(read(&path), once);
}

#[test]
fn a_failure_leaves_the_file_and_stops_no_other() {
    let bench = Bench::new();
    bench.file("a.gcode", PADS);
    bench.file("b.gcode", BROKEN);
    bench.file("c.gcode", PADS);
    let arguments = ["rewrite", "--in-place", "a.gcode", "b.gcode", "none.gcode", "c.gcode"];
    let ran = bench.run(&with_e(&arguments)).code(1);
    assert_eq!(read(&bench.path("b.gcode")), BROKEN);
    assert_ne!(read(&bench.path("a.gcode")), PADS);
    assert_eq!(read(&bench.path("c.gcode")), read(&bench.path("a.gcode")));
    let (a, c) = (ran.stdout.find("a.gcode\n"), ran.stdout.find("c.gcode\n"));
    assert!(a.is_some() && a < c, "{}", ran.stdout);
    assert!(ran.stdout.ends_with("\n2 of 4 files done, 2 failed\n"));
    assert_eq!(bench.names(), ["a.gcode", "b.gcode", "c.gcode"]);
}

#[test]
fn several_files_into_a_folder() {
    let bench = Bench::new();
    let ready = bench.folder("ready");
    let inner = bench.folder("inner");
    bench.file("a.gcode", PADS);
    std::fs::write(inner.join("b ü.gcode"), CALM).unwrap();
    bench.run(&with_e(&["rewrite", "a.gcode", "inner/b ü.gcode", "-o", "ready"])).code(0);
    assert_eq!(names(&ready), ["a.gcode", "b ü.gcode"]);
    assert_eq!(read(&bench.path("a.gcode")), PADS);
    std::fs::write(inner.join("a.gcode"), CALM).unwrap();
    let ran = bench.run(&with_e(&["rewrite", "a.gcode", "inner/a.gcode", "-o", "ready"])).code(2);
    assert!(ran.stderr.contains("two of the files are called a.gcode"));
}

#[test]
fn each_folder_may_have_its_own_profile() {
    let bench = Bench::new();
    for (folder, speed) in [("slow", "30.0"), ("fast", "60.0")] {
        let folder = bench.folder(folder);
        std::fs::write(folder.join("a.gcode"), PADS).unwrap();
        let profile = format!("[screw]\nmax_speed_rpm = {speed}\nvirtual_diameter_mm = 1.75\n");
        std::fs::write(folder.join("meltwright.toml"), profile).unwrap();
    }
    bench.run(&["rewrite", "--in-place", "slow/a.gcode", "fast/a.gcode"]).code(0);
    let (slow, fast) = (bench.path("slow/a.gcode"), bench.path("fast/a.gcode"));
    assert_ne!(read(&slow), read(&fast));
}

#[test]
fn an_output_that_cannot_be_written_changes_nothing() {
    let bench = Bench::new();
    bench.file("a.gcode", PADS);
    let ran = bench.run(&with_e(&["rewrite", "a.gcode", "-o", "no/folder.gcode"])).code(1);
    assert!(ran.stderr.contains("temporary file beside the target"), "{}", ran.stderr);
    assert_eq!(bench.names(), ["a.gcode"]);
}

#[cfg(unix)]
#[test]
fn permissions_and_links_are_kept() {
    use std::fs::{Permissions, metadata, set_permissions, symlink_metadata};
    use std::os::unix::fs::{PermissionsExt, symlink};
    let bench = Bench::new();
    let inner = bench.folder("inner");
    let path = inner.join("pads.gcode");
    std::fs::write(&path, PADS).unwrap();
    set_permissions(&path, Permissions::from_mode(0o640)).unwrap();
    symlink("inner/pads.gcode", bench.path("link.gcode")).unwrap();
    bench.run(&with_e(&["rewrite", "--in-place", "link.gcode"])).code(0);
    assert_ne!(read(&path), PADS);
    assert_eq!(metadata(&path).unwrap().permissions().mode() & 0o7777, 0o640);
    assert!(symlink_metadata(bench.path("link.gcode")).unwrap().is_symlink());
    assert_eq!(names(&inner), ["pads.gcode"]);
}

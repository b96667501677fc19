//! The program from outside: exit codes, streams, messages.

mod support;

use insta::assert_snapshot;
use support::{BROKEN, Bench, CALM, PADS, read};

/// Says how much volume one unit of E is.
const E: [&str; 2] = ["--set", "screw.virtual_diameter_mm=1.75"];

fn with_e<'a>(arguments: &[&'a str]) -> Vec<&'a str> {
    [arguments, &E].concat()
}

#[test]
fn help_and_version() {
    let bench = Bench::new();
    let help = bench.run(&["--help"]).code(0);
    assert!(help.stderr.is_empty());
    assert!(help.stdout.contains("pads.gcode"));
    let version = bench.run(&["--version"]).code(0);
    assert_eq!(version.stdout, format!("meltwright {}\n", env!("CARGO_PKG_VERSION")));
}

/// Under a terminal made by `script`, where that is at hand; what decides is tested beside it in any case.
#[cfg(target_os = "linux")]
#[test]
fn a_terminal_gets_no_gcode_unasked() {
    let bench = Bench::new();
    bench.file("a.gcode", CALM);
    let shown = |arguments: &str| {
        let program = env!("CARGO_BIN_EXE_meltwright");
        let line = format!("'{program}' rewrite a.gcode --set screw.virtual_diameter_mm=1.75 {arguments}");
        let ran = bench.command("script", &["-qec", &line, "/dev/null"]).output().ok()?;
        let said = String::from_utf8_lossy(&ran.stdout).split_whitespace().collect::<Vec<_>>().join(" ");
        Some((ran.status.code(), said))
    };
    let Some((code, said)) = shown("") else {
        println!("SKIPPED: no `script` here");
        return;
    };
    assert_eq!(code, Some(2), "{said}");
    for part in ["would go to this terminal", "-o", "--in-place", "--dry-run"] {
        assert!(said.contains(part), "{part}\n{said}");
    }
    assert!(!said.contains("G1 "), "{said}");
    let (code, said) = shown("-o -").expect("as before");
    assert!(code == Some(0) && said.contains("G1 "), "{code:?}\n{said}");
    let (code, said) = shown("--dry-run").expect("as before");
    assert!(code == Some(0) && !said.contains("G1 "), "{code:?}\n{said}");
}

#[test]
fn wrong_command_lines_exit_2() {
    let bench = Bench::new();
    bench.file("a.gcode", CALM);
    bench.file("b.gcode", CALM);
    bench.file("file", "");
    bench.folder("ready");
    let cases: &[&[&str]] = &[
        &[],
        &["rewrite"],
        &["polish", "a.gcode"],
        &["rewrite", "a.gcode", "--passes", "none,capacity"],
        &["rewrite", "a.gcode", "--passes", "sand"],
        &["rewrite", "a.gcode", "--threads", "0"],
        &["rewrite", "a.gcode", "-o", "x", "--in-place"],
        &["rewrite", "a.gcode", "-q", "-v"],
        &["rewrite", "a.gcode", "--set", "screw"],
        &["rewrite", "a.gcode", "b.gcode"],
        &["rewrite", "a.gcode", "b.gcode", "-o", "file"],
        &["rewrite", "a.gcode", "b.gcode", "-o", "-"],
        &["rewrite", "a.gcode", "a.gcode", "-o", "ready"],
        &["rewrite", "a.gcode", "./a.gcode", "--in-place"],
        &["rewrite", "ready", "--in-place"],
        &["rewrite", "."],
        &["rewrite", ".", "-o", "file"],
        &["rewrite", ".", "-o", "./"],
        &["rewrite", "a.gcode", "-o", "a.gcode"],
        &["rewrite", "a.gcode", "-o", "./ready/../a.gcode"],
        &["rewrite", "a.gcode", "-o", "."],
        &["rewrite", "-", "--in-place"],
        &["rewrite", "-", "-o", "ready"],
        &["rewrite", "a.gcode", "--json", "-"],
        &["rewrite", "a.gcode", "--profile", "none.toml"],
        &["audit", "a.gcode", "--set", "screw.pich=4"],
        &["profile", "check", "none.toml"],
        &["replay"],
        &["replay", "a.gcode", "b.gcode"],
        &["replay", "a.gcode", "--against"],
        &["replay", "-", "--against", "-"],
        &["replay", "a.gcode", "--set", "screw.lag_compensated_by=magic"],
        &["replay", "a.gcode", "--set", "screw.dead_time_s=-1"],
    ];
    for case in cases {
        let ran = bench.run(case);
        assert_eq!(ran.code, Some(2), "{case:?}\n{}", ran.stderr);
        assert!(ran.stdout.is_empty() && !ran.stderr.is_empty(), "{case:?}");
    }
    assert_eq!(read(&bench.path("a.gcode")), CALM);
    assert_eq!(bench.names(), ["a.gcode", "b.gcode", "file", "ready"]);
}

#[test]
fn usage_errors_name_the_cure() {
    let bench = Bench::new();
    bench.file("a.gcode", CALM);
    bench.file("b.gcode", CALM);
    let same = bench.run(&["rewrite", "a.gcode", "-o", "a.gcode"]);
    assert_snapshot!("usage_same_file", same.shown());
    let several = bench.run(&["rewrite", "a.gcode", "b.gcode"]);
    assert_snapshot!("usage_several_files", several.shown());
    let both = bench.run(&["rewrite", "a.gcode", "--json", "-"]);
    assert_snapshot!("usage_both_to_stdout", both.shown());
}

#[cfg(unix)]
#[test]
fn links_to_the_input_are_the_input() {
    let bench = Bench::new();
    let input = bench.file("a.gcode", CALM);
    std::os::unix::fs::symlink(&input, bench.path("link.gcode")).unwrap();
    std::fs::hard_link(&input, bench.path("hard.gcode")).unwrap();
    for name in ["link.gcode", "hard.gcode"] {
        let ran = bench.run(&["rewrite", "a.gcode", "-o", name]).code(2);
        assert!(ran.stderr.contains("--in-place"));
    }
    assert_eq!(read(&input), CALM);
}

#[test]
fn files_that_are_not_gcode_exit_1() {
    let bench = Bench::new();
    let kinds: &[(&str, &[u8])] = &[
        ("empty.gcode", b""),
        ("binary.gcode", b"GCDE\x01\0\0\0"),
        ("project.gcode", b"PK\x03\x04"),
        ("packed.gcode", b"\x1f\x8b\x08\0"),
        ("packed-too.gcode", b"\xfd7zXZ\0"),
        ("packed-also.gcode", b"\x28\xb5\x2f\xfd"),
        ("archive.gcode", b"7z\xbc\xaf\x27\x1c"),
        ("sheet.gcode", b"%PDF-1.7"),
        ("picture.gcode", b"\x89PNG\r\n\x1a\n"),
        ("photo.gcode", b"\xff\xd8\xff\xe0"),
        ("unix.gcode", b"\x7fELF\x02"),
        ("windows.gcode", b"MZ\x90\0"),
        ("model.gcode", b"solid pad\nfacet normal 0 0 1\n"),
        ("wide.gcode", b"\xff\xfeG\x001\0"),
        ("one-line.gcode", b"G28\rG1 X1\r"),
        ("noise.gcode", b"\x01\x02\x03\x04"),
    ];
    for (name, content) in kinds {
        bench.file(name, content);
        for command in ["rewrite", "audit", "replay"] {
            let ran = bench.run(&with_e(&[command, name])).code(1);
            assert!(ran.stdout.is_empty(), "{name}");
            for part in ["error: ", name, "help: "] {
                assert!(ran.stderr.contains(part), "{name}: {}", ran.stderr);
            }
        }
        let ran = bench.run(&with_e(&["rewrite", "--in-place", "--passes", "none", name]));
        assert_eq!(ran.code, Some(1), "{name}");
        assert_eq!(std::fs::read(bench.path(name)).unwrap(), *content);
    }
    assert_eq!(bench.names().len(), kinds.len());
    assert_snapshot!("refused_binary_gcode", bench.run(&["rewrite", "binary.gcode"]).shown());
    assert_snapshot!("refused_empty", bench.run_with(&["audit", "-"], "").shown());
}

#[test]
fn missing_files_exit_1() {
    let bench = Bench::new();
    let ran = bench.run(&["audit", "none.gcode"]).code(1);
    assert_snapshot!("missing_file", ran.shown());
    bench.folder("folder");
    bench.run(&["replay", "folder"]).code(1);
}

#[test]
fn a_profile_is_printed_written_and_checked() {
    let bench = Bench::new();
    let printed = bench.run(&["profile", "new"]).code(0);
    let written = bench.run(&["profile", "new", "shop.toml"]).code(0);
    assert!(written.stdout.contains("profile check shop.toml"));
    assert_eq!(read(&bench.path("shop.toml")), printed.stdout);
    assert!(printed.stderr.is_empty());

    bench.file("shop.toml", "[nozzle]\ndiameter_mm = 3.0\n");
    let again = bench.run(&["profile", "new", "shop.toml"]).code(2);
    assert_snapshot!("profile_exists", again.shown());
    assert_eq!(read(&bench.path("shop.toml")), "[nozzle]\ndiameter_mm = 3.0\n");

    let good = bench.run(&["profile", "check", "shop.toml"]).code(0);
    assert!(good.stdout.starts_with("shop.toml: no faults; "), "{}", good.stdout);
}

#[test]
fn all_faults_of_a_profile_are_shown() {
    let bench = Bench::new();
    let text = "[nozzle]\ndiametre_mm = 3.0\n[screw]\nmax_speed_rpm = -4\n";
    bench.file("shop.toml", text);
    let ran = bench.run(&["profile", "check", "shop.toml"]).code(2);
    assert_snapshot!("profile_faults", ran.shown());
    bench.file("a.gcode", CALM);
    let ran = bench.run(&["audit", "a.gcode", "--profile", "shop.toml"]).code(2);
    assert!(ran.stderr.contains("2 faults in the profile"));
    let ran = bench.run(&["audit", "a.gcode", "--set", "screw.max_speed_rpm=-4"]).code(2);
    assert_snapshot!("profile_fault_of_set", ran.shown());
}

#[test]
fn the_profile_in_force_is_shown() {
    let bench = Bench::new();
    let ran = bench.run(&["profile", "show", "--set", "nozzle.diameter_mm=3"]).code(0);
    let mut lines = ran.stdout.lines();
    assert_eq!(lines.next(), Some("# Profile: embedded defaults (no profile found), 1 value from the command line"));
    let nozzle = ran.stdout.lines().find(|l| l.starts_with("diameter_mm = 3"));
    assert!(nozzle.is_some_and(|line| line.contains("command line")));
    // What is shown can be saved and used.
    bench.file("shop.toml", &ran.stdout);
    bench.run(&["profile", "check", "shop.toml"]).code(0);
    let again = bench.run(&["profile", "show", "--profile", "shop.toml"]).code(0);
    // Where no file is named, the current folder takes the place of the file's.
    bench.file("meltwright.toml", "[nozzle]\ndiameter_mm = 2.5\n");
    let here = bench.run(&["profile", "show"]).code(0).stdout;
    assert!(here.contains("meltwright.toml (in the current folder)") && here.contains("2.5"), "{here}");
    bench.file("meltwright.toml", "[nozzle]\ndiameter_mm = -1\n");
    assert!(bench.run(&["controller"]).code(2).stderr.contains("diameter_mm"));
    assert!(bench.run(&["rewrite", "-"]).code(2).stderr.contains("diameter_mm"));
    std::fs::remove_file(bench.path("meltwright.toml")).expect("to be removed");
    assert!(again.stdout.starts_with("# Profile: shop.toml (named on the command line)\n"));
}

#[test]
fn no_passes_give_the_input_on_stdout() {
    let bench = Bench::new();
    let odd = b"; \xb0C d\xfcse\r\nG90\r\nM83\r\n\r\nG1 X1 E.1 F600".to_vec();
    bench.file("a.gcode", &odd);
    let ran = bench.run(&with_e(&["rewrite", "a.gcode", "--passes", "none"])).code(0);
    assert_eq!(ran.bytes, odd);
    assert!(ran.stderr.contains("No pass ran"));
    let arguments = with_e(&["rewrite", "-", "--passes", "none", "-q"]);
    let ran = bench.run_with(&arguments, odd.clone()).code(0);
    assert_eq!(ran.bytes, odd);
    let arguments = with_e(&["rewrite", "-", "-o", "b c.gcode", "--passes", "none"]);
    let ran = bench.run_with(&arguments, odd.clone()).code(0);
    assert!(ran.stdout.starts_with("standard input\n"));
    assert_eq!(std::fs::read(bench.path("b c.gcode")).unwrap(), odd);
}

#[test]
fn the_account_goes_where_the_gcode_does_not() {
    let bench = Bench::new();
    bench.file("pads.gcode", PADS);
    let to_stdout = bench.run(&with_e(&["rewrite", "pads.gcode"])).code(0);
    assert!(to_stdout.stdout.contains("G1 X60 Y10"));
    assert!(to_stdout.stderr.contains("peak demand"));
    let to_file = bench.run(&with_e(&["rewrite", "pads.gcode", "-o", "out.gcode"])).code(0);
    assert_eq!(read(&bench.path("out.gcode")), to_stdout.stdout);
    assert_eq!(to_file.stdout, to_stdout.stderr);
    assert!(to_file.stderr.is_empty());
    let dash = bench.run(&with_e(&["rewrite", "pads.gcode", "-o", "-", "-q"])).code(0);
    assert_eq!(dash.stdout, to_stdout.stdout);
    assert_eq!(dash.stderr.lines().count(), 4, "{}", dash.stderr);
    assert_eq!(bench.names(), ["out.gcode", "pads.gcode"]);
}

#[test]
fn a_dry_run_writes_nothing() {
    let bench = Bench::new();
    bench.file("pads.gcode", PADS);
    let ran = bench.run(&with_e(&["rewrite", "pads.gcode", "--dry-run", "--in-place"])).code(0);
    assert!(ran.stdout.contains("would be slowed"), "{}", ran.stdout);
    assert!(!ran.stdout.contains("G1 "));
    assert_eq!(read(&bench.path("pads.gcode")), PADS);
}

#[test]
fn json_of_one_file_and_of_several() {
    let bench = Bench::new();
    bench.file("a.gcode", PADS);
    bench.file("b.gcode", BROKEN);
    let ran = bench.run(&with_e(&["rewrite", "a.gcode", "--dry-run", "--json", "-"])).code(0);
    let one: serde_json::Value = serde_json::from_str(&ran.stdout).unwrap();
    assert_eq!(one["file"], "a.gcode");
    assert_eq!(one["provenance"]["tool"], "meltwright");
    assert!(one["changes"]["moves_slowed"].as_u64() > Some(0));
    assert!(ran.stderr.contains("peak demand"));

    let arguments = with_e(&["rewrite", "b.gcode", "a.gcode", "--in-place", "--json", "all.jsonl"]);
    bench.run(&arguments).code(1);
    let lines = read(&bench.path("all.jsonl"));
    let values: Vec<serde_json::Value> = lines.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(values.len(), 2);
    assert!(values[0]["error"].is_string());
    assert!(values[1]["after"]["time_s"].as_f64() > values[1]["before"]["time_s"].as_f64());

    let ran = bench.run(&with_e(&["audit", "-", "--json", "-"]));
    assert_eq!(ran.code, Some(1), "nothing on standard input");
    bench.file("c.gcode", CALM);
    let ran = bench.run(&with_e(&["audit", "c.gcode", "--json", "-"])).code(0);
    let audit: serde_json::Value = serde_json::from_str(&ran.stdout).unwrap();
    assert!(audit["before"]["volume_mm3"].as_f64() > Some(4.0));
    assert!(audit.get("after").is_none());
}

#[test]
fn audits_change_nothing_and_exit_3_on_errors() {
    let bench = Bench::new();
    bench.file("a.gcode", CALM);
    let ran = bench.run(&with_e(&["audit", "a.gcode"])).code(0);
    assert!(ran.stdout.contains("peak demand") && ran.stderr.is_empty());
    // More E in a line without motion than the controller takes.
    bench.file("b.gcode", "G90\nM83\nG1 E600 F300\nG1 X10 E.1 F600\n");
    let limit = ["--set", "controller.max_e_only_mm=50", "--set", "controller.excess_e=report"];
    let arguments = [&with_e(&["audit", "b.gcode", "a.gcode"])[..], &limit].concat();
    let ran = bench.run(&arguments).code(3);
    assert!(ran.stdout.contains("  error: ") && ran.stdout.contains("line 3"), "{}", ran.stdout);
    assert_eq!(bench.names(), ["a.gcode", "b.gcode"]);
    assert_eq!(read(&bench.path("a.gcode")), CALM);
}

#[test]
fn warnings_are_errors_where_they_are_denied() {
    let bench = Bench::new();
    // Nothing was heated: a warning, and no error.
    bench.file("cold.gcode", "G28\nG90\nM83\nG1 Z0.5 F600\nG1 X10 E.1 F600\n");
    let code = |deny: &[&str]| bench.run(&[&with_e(&["audit", "cold.gcode"])[..], deny].concat());
    assert!(code(&[]).code(0).stdout.contains("  warning: "));
    code(&["--deny", "warnings"]).code(3);
    code(&["--deny", "notes"]).code(3);
    code(&["--deny", "errors"]).code(2);
    let results = ["--jsonl", "-", "--deny", "warnings"];
    code(&results).code(3);
    code(&results[..2]).code(0);
}

#[test]
fn broken_lines_exit_1_and_can_be_let_through() {
    let bench = Bench::new();
    bench.file("a.gcode", BROKEN);
    let ran = bench.run(&with_e(&["rewrite", "a.gcode", "-o", "b.gcode"])).code(1);
    assert!(ran.stderr.contains("a.gcode:3:"), "{}", ran.stderr);
    assert!(ran.stderr.contains("3 | G1 X10 Y4.5.6 E1 F600"));
    assert_eq!(bench.names(), ["a.gcode"]);
    // Not where its E would be taken in another unit.
    let lenient = with_e(&["rewrite", "a.gcode", "-o", "b.gcode", "--lenient"]);
    bench.run(&lenient).code(1);
    bench.run(&[&lenient[..], &["--set", "screw.output_e_unit=as-in-file"]].concat()).code(0);
}

#[test]
fn the_result_does_not_depend_on_threads() {
    let bench = Bench::new();
    bench.file("pads.gcode", PADS.repeat(400));
    let one = bench.run(&with_e(&["rewrite", "pads.gcode", "--threads", "1"])).code(0);
    let four = bench.run(&with_e(&["rewrite", "pads.gcode", "--threads", "4"])).code(0);
    assert_eq!(one.bytes, four.bytes);
    assert_eq!(one.stderr, four.stderr);
}

#[cfg(unix)]
#[test]
fn a_reader_that_goes_away_is_no_failure() {
    use std::process::{Command, Stdio};
    let bench = Bench::new();
    let path = bench.file("pads.gcode", PADS.repeat(4_000));
    let mut child = Command::new(env!("CARGO_BIN_EXE_meltwright"))
        .arg("rewrite")
        .arg(path)
        .args(E)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let help = Command::new(env!("CARGO_BIN_EXE_meltwright"))
        .args(["profile", "new"])
        .stdout(Stdio::from(std::fs::File::options().write(true).open("/dev/null").unwrap()))
        .status()
        .unwrap();
    assert!(help.success());
}

/// The outline of a pad with a travel and a refill, and the same with a bead split and another path.
const PAD: &str =
    "M83\nG1 X10 Y10 F6000\nG1 X60 Y10 E40 F600\nG1 E-2 F900\nG1 X10 Y20 F6000\nG1 E2 F900\nG1 X60 E40 F600\n";

#[test]
fn a_file_is_replayed_alone_and_against_its_original() {
    let bench = Bench::new();
    let cubic = ["--set", "screw.e_unit=mm3", "--set", "nozzle.diameter_mm=2"];
    bench.file("pad.gcode", PAD);
    bench.run(&[&["rewrite", "pad.gcode", "-o", "out.gcode", "-q"], &cubic[..]].concat()).code(0);

    let alone = bench.run(&[&["replay", "pad.gcode"], &cubic[..]].concat()).code(0);
    assert!(alone.stdout.starts_with("pad.gcode\nWhat is laid ") && alone.stderr.is_empty(), "{}", alone.stdout);
    assert!(!alone.stdout.contains("before"));
    let both = bench.run(&[&["replay", "out.gcode", "--against", "pad.gcode"], &cubic[..]].concat()).code(0);
    assert_snapshot!("replay_against", both.shown());
    assert!(both.stdout.lines().all(|line| line.chars().count() <= 100));

    let arguments = [&["replay", "out.gcode", "--against", "pad.gcode", "--json", "-"], &cubic[..]].concat();
    let ran = bench.run(&arguments).code(0);
    assert_eq!(ran.stderr, both.stdout);
    let json: serde_json::Value = serde_json::from_str(&ran.stdout).unwrap();
    assert_eq!((&json["file"], &json["against"]), (&"out.gcode".into(), &"pad.gcode".into()));
    // The file turns the screw back once, the rewrite wherever a run of beads ends.
    for (when, reversals) in [("before", 1), ("after", 2)] {
        let figures = &json["replay"][when];
        for key in ["path_outside_5_pct", "path_outside_10_pct", "rms_error_pct", "time_s"] {
            assert!(figures[key].as_f64() > Some(0.0), "{when} {key}: {figures}");
        }
        assert_eq!(figures["bead_path_mm"], 100.0);
        assert_eq!(figures["reversals"], reversals, "{when}");
    }
    // A pipe, and figures in a file.
    let arguments = [&["replay", "-", "--json", "pad.json"], &cubic[..]].concat();
    let piped = bench.run_with(&arguments, PAD).code(0);
    assert_eq!(piped.stdout, alone.stdout.replace("pad.gcode", "standard input"));
    let json: serde_json::Value = serde_json::from_str(&read(&bench.path("pad.json"))).unwrap();
    assert!(json["replay"]["before"].is_null() && json["against"].is_null());
}

#[test]
fn files_that_cannot_be_replayed_name_themselves() {
    let bench = Bench::new();
    bench.file("pad.gcode", PAD);
    bench.file("other.gcode", PAD.replace("X60 Y10", "X61 Y10"));
    bench.file("broken.gcode", BROKEN);
    bench.file("prose.gcode", "once upon a time\nthere was a screw\n");
    let cubic = ["--set", "screw.e_unit=mm3"];
    let ran = bench.run(&[&["replay", "other.gcode", "--against", "pad.gcode"], &cubic[..]].concat()).code(1);
    assert_snapshot!("replay_paths_differ", ran.shown());
    let ran = bench.run(&[&["replay", "pad.gcode", "--against", "broken.gcode"], &cubic[..]].concat()).code(1);
    assert!(ran.stderr.contains("broken.gcode:3:") && ran.stdout.is_empty(), "{}", ran.stderr);
    for arguments in [["pad.gcode", "prose.gcode"], ["prose.gcode", "pad.gcode"], ["pad.gcode", "missing.gcode"]] {
        let ran = bench.run(&[&["replay", arguments[0], "--against", arguments[1]], &cubic[..]].concat()).code(1);
        let odd = arguments.iter().find(|name| **name != "pad.gcode").unwrap();
        assert!(ran.stderr.contains(odd) && ran.stdout.is_empty(), "{}", ran.stderr);
    }
    // No volume for E, and a broken line gone over.
    let ran = bench.run(&["replay", "pad.gcode"]).code(1);
    assert!(ran.stderr.contains("screw.virtual_diameter_mm"), "{}", ran.stderr);
    bench.run(&[&["replay", "broken.gcode"], &cubic[..]].concat()).code(1);
    let ran = bench.run(&[&["replay", "broken.gcode", "--lenient"], &cubic[..]].concat()).code(0);
    assert!(ran.stdout.contains("Nothing is to be laid"), "{}", ran.stdout);
}

#[test]
fn shells_and_man_are_served() {
    let bench = Bench::new();
    let ran = bench.run(&["completions", "bash"]).code(0);
    assert!(ran.stdout.contains("--report-beside") && ran.stderr.is_empty());
    let ran = bench.run(&["manual", "share/man1"]).code(0);
    let folder = bench.path("share/man1");
    let pages = support::names(&folder);
    assert_eq!(ran.stdout, format!("{} pages written to share/man1\n", pages.len()));
    for page in ["meltwright.1", "meltwright-rewrite.1", "meltwright-weigh-fit.1"] {
        assert!(pages.iter().any(|name| name == page), "{pages:?}");
        assert!(read(&folder.join(page)).contains(".SH NAME\nmeltwright"), "{page}");
    }
}

/// The two blocks of README.md about the demo are what the commands print; lines may be left out.
#[test]
fn the_readme_shows_what_the_demo_prints() {
    let readme = include_str!("../README.md");
    let bench = Bench::new();
    bench.file("pads.gcode", include_str!("../fixtures/demo/casting_pads.gcode"));
    let summary = bench.run(&["rewrite", "pads.gcode", "-o", "out.gcode"]).code(0).stdout;
    let audit = bench.run(&["audit", "pads.gcode"]).code(3).stdout;
    for (first, printed) in [("15,", &summary), ("What the part bears", &audit)] {
        let start = readme.find(&format!("```text\n{first}")).unwrap_or_else(|| panic!("no block {first}"));
        let block: Vec<&str> = readme[start..].lines().skip(1).take_while(|line| *line != "```").collect();
        assert!(block.len() > 5, "{first}");
        for line in block {
            assert!(printed.lines().any(|other| other == line), "README shows {line:?}, printed is:\n{printed}");
        }
    }
}

/// The commands of the tutorial, typed one after the other; the profile is what it says at that place.
#[test]
fn the_tutorial_can_be_followed() {
    let bench = Bench::new();
    bench.file("pads.gcode", include_str!("../fixtures/demo/casting_pads.gcode"));
    let (mut typed, mut profiles) = (0, 0);
    for block in include_str!("../src/guide/tutorial.md").split("\n```").skip(1).step_by(2) {
        let (kind, text) = block.split_once('\n').expect("a block of lines");
        match kind {
            "toml" => {
                bench.file("shop.toml", text);
                profiles += 1;
            }
            "sh" => {
                for line in text.lines() {
                    let mut words = line.split_whitespace();
                    match words.next() {
                        Some("mkdir") => drop(bench.folder(words.next().expect("a name"))),
                        Some("meltwright") => {
                            let arguments: Vec<&str> = words.collect();
                            if arguments[..2] == ["weigh", "fit"] {
                                // What a day at the machine would fill in.
                                bench.file("bench/weigh.csv", include_str!("../fixtures/weigh/pads.csv"));
                            }
                            let ran = bench.run(&arguments);
                            // An audit of the demo finds errors, which is what it is for.
                            let expected = if arguments[0] == "audit" { 3 } else { 0 };
                            assert_eq!(ran.code, Some(expected), "{line}\n{}{}", ran.stdout, ran.stderr);
                            typed += 1;
                        }
                        other => panic!("{other:?} in {line}"),
                    }
                }
            }
            other => panic!("a block of {other}"),
        }
    }
    assert_eq!((typed, profiles), (13, 2));
    let weighed = read(&bench.path("lot-117.toml"));
    assert!(weighed.contains("output_curve") && weighed.contains("melt_lag_s"), "{weighed}");
    for name in ["bench/weigh.gcode", "pads.html", "pads-screw.gcode"] {
        assert!(bench.path(name).is_file(), "{name}");
    }
}

/// A copy whose figures cannot be told: the finding is one of the list, can be allowed, and no empty table stands above it.
#[test]
fn what_cannot_be_judged_is_copied_all_the_same() {
    let bench = Bench::new();
    bench.file("nod.gcode", PADS);
    let copy =
        |more: &[&str]| bench.run(&[&["rewrite", "nod.gcode", "-o", "out.gcode", "--passes", "none"], more].concat());
    let ran = copy(&[]).code(0);
    assert!(ran.stdout.contains("[not-judged]") && !ran.stdout.contains("capacity"), "{}", ran.stdout);
    assert_eq!(read(&bench.path("out.gcode")), read(&bench.path("nod.gcode")));
    copy(&["--html", "nod.html"]).code(0);
    let page = read(&bench.path("nod.html"));
    assert!(page.contains("Nothing is known of the output.") && !page.contains("Peak capacity"), "{page}");
    bench.run(&["why", "not-judged"]).code(0);
    let allowed = copy(&["--set", r#"audit.allow=["not-judged"]"#]).code(0).stdout;
    assert!(!allowed.contains("[not-judged]") && allowed.contains("not-judged (1)"), "{allowed}");
    // Nobody typed --lenient for that.
    bench.file("broken.gcode", BROKEN);
    let ran = bench.run(&with_e(&["rewrite", "broken.gcode", "-o", "out.gcode", "--passes", "none"])).code(0);
    let words = ran.stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("[unreadable-line]") && !words.contains("again without"), "{words}");
}

#[test]
fn findings_are_explained_and_allowed() {
    let bench = Bench::new();
    bench.file("pads.gcode", PADS);
    let list = bench.run(&["why"]).code(0);
    assert!(list.stdout.contains("sustained-demand") && list.stdout.lines().all(|line| line.chars().count() < 100));
    let one = bench.run(&["why", "peak-demand"]).code(0);
    for part in ["peak-demand (error)", "what: ", "why: ", "help: "] {
        assert!(one.stdout.contains(part), "{}", one.stdout);
    }
    let none = bench.run(&["why", "peak-demnad"]).code(2);
    assert!(none.stderr.contains("did you mean peak-demand?"), "{}", none.stderr);
    let audit = |more: &[&str]| bench.run(&with_e(&[&["audit", "pads.gcode"], more].concat()));
    assert!(audit(&[]).code(3).stdout.contains("more than the screw can give at once"));
    let allowed = audit(&["--set", r#"audit.allow=["peak-demand", "sustained-demand"]"#]).code(0);
    assert!(allowed.stdout.contains("Allowed by audit.allow and not shown: peak-demand (1)"), "{}", allowed.stdout);
    assert!(!allowed.stdout.contains("more than the screw can give at once"));
    let wrong = audit(&["--set", r#"audit.allow=["peak-demnad"]"#]).code(2);
    assert!(wrong.stderr.contains("peak-demand"), "{}", wrong.stderr);
}

//! Queues: folders of files audited into a file of results that grows.

mod support;

use std::fs;
#[cfg(unix)]
use std::path::Path;

use serde_json::Value;
use support::{BROKEN, Bench, CALM, PADS, read};

/// Says how much volume one unit of E is.
const E: [&str; 2] = ["--set", "screw.virtual_diameter_mm=1.75"];

/// A bench with a tree of files: two that are good, one that is broken, one that asks too much.
fn queue() -> Bench {
    let bench = Bench::new();
    fs::create_dir_all(bench.path("in/below ø")).unwrap();
    for (name, text) in [("z.gcode", CALM), ("below ø/calm.GCODE", CALM), ("below ø/broken.gcode", BROKEN)] {
        bench.file(&format!("in/{name}"), text);
    }
    // More E in one line than the controller takes.
    bench.file("in/much.g", "G90\nM83\nG28\nG1 E600 F300\nG1 X10 E.1 F600\n");
    bench.file("in/notes.txt", "no G-code");
    bench.file("in/.hidden.gcode", BROKEN);
    bench
}

const LIMITS: [&str; 4] = ["--set", "controller.max_e_only_mm=50", "--set", "controller.excess_e=report"];

fn arguments<'a>(more: &[&'a str]) -> Vec<&'a str> {
    [&["audit", "in"], more, &E, &LIMITS].concat()
}

fn lines(text: &str) -> Vec<Value> {
    text.lines().map(|line| serde_json::from_str(line).unwrap_or_else(|e| panic!("{e}: {line}"))).collect()
}

fn files(lines: &[Value]) -> Vec<String> {
    lines.iter().map(|line| line["file"].as_str().unwrap().replace('\\', "/")).collect()
}

const ORDER: [&str; 4] = ["in/below ø/broken.gcode", "in/below ø/calm.GCODE", "in/much.g", "in/z.gcode"];

#[test]
fn a_line_for_each_file_sorted_by_path_whatever_fails() {
    let bench = queue();
    let ran = bench.run(&arguments(&["--jsonl", "results.jsonl"])).code(1);
    assert_eq!(ran.stdout, "4 files: 2 good, 1 with errors found, 1 failed\nResults in results.jsonl\n");
    assert!(ran.stderr.contains("broken.gcode:3:") && !ran.stderr.contains("files done"), "{}", ran.stderr);
    let text = read(&bench.path("results.jsonl"));
    let found = lines(&text);
    assert_eq!(files(&found), ORDER);
    assert!(found[0]["error"].as_str().unwrap().contains("line 3"));
    assert_eq!(found[1]["findings"].as_array().unwrap().iter().filter(|f| f["level"] == "error").count(), 0);
    assert!(found[2]["findings"].as_array().unwrap().iter().any(|f| f["level"] == "error"));
    assert_eq!(found[1]["provenance"]["input_sha256"], found[3]["provenance"]["input_sha256"], "the same bytes");
    // The same bytes on standard output, for any number of threads.
    for threads in ["1", "2", "7"] {
        let ran = bench.run(&arguments(&["--jsonl", "-", "--threads", threads])).code(1);
        assert_eq!(ran.stdout, text, "{threads} threads");
        assert!(ran.stderr.contains("4 files: 2 good"));
    }
}

#[test]
fn a_second_run_only_looks_at_what_is_new() {
    let bench = queue();
    let results = bench.path("results.jsonl");
    let run = |code| bench.run(&arguments(&["--jsonl", "results.jsonl"])).code(code);
    run(1);
    let first = read(&results);
    // What failed is tried again; everything else is known, and its errors still count.
    let ran = run(1);
    assert!(ran.stdout.contains("; 3 of them known from an earlier run"), "{}", ran.stdout);
    let second = read(&results);
    assert!(second.starts_with(&first));
    assert_eq!(files(&lines(&second)[4..]), [ORDER[0]]);
    // Other bytes and a mended file are looked at, in their order.
    let other = format!("; other bytes\n{CALM}");
    bench.file("in/below ø/broken.gcode", &other);
    bench.file("in/z.gcode", &other);
    run(3);
    let third = read(&results);
    assert_eq!(files(&lines(&third)[5..]), [ORDER[0], ORDER[3]]);
    let ran = run(3);
    assert!(ran.stdout.contains("4 files: 3 good, 1 with errors found, 0 failed; 4 of them known"), "{}", ran.stdout);
    assert_eq!(read(&results), third);
    // Another profile, or less strictness, judges anew.
    let ran = bench.run(&arguments(&["--jsonl", "results.jsonl", "--set", "screw.max_speed_rpm=99"])).code(3);
    assert!(!ran.stdout.contains("known"), "{}", ran.stdout);
    bench.run(&arguments(&["--jsonl", "results.jsonl", "--lenient"])).code(3);
    assert_eq!(lines(&read(&results)).len(), 7 + 4 + 4);
}

#[test]
fn an_interrupted_run_goes_on_where_it_stopped() {
    let bench = queue();
    let results = bench.path("results.jsonl");
    bench.run(&arguments(&["--jsonl", "results.jsonl"])).code(1);
    let whole = fs::read(&results).unwrap();
    let ends: Vec<usize> = whole.iter().enumerate().filter(|(_, byte)| **byte == b'\n').map(|(at, _)| at + 1).collect();
    // Wherever the file was cut, the lines of a second run make it whole; only the failed file has a line more.
    for cut in [0, 1, 5, 40, ends[0] - 1, ends[0], ends[1] - 1, ends[1] + 9, ends[2] + 300, whole.len() - 1] {
        fs::write(&results, &whole[..cut]).unwrap();
        bench.run(&arguments(&["--jsonl", "results.jsonl"])).code(1);
        let text = fs::read(&results).unwrap();
        let kept = ends.iter().rev().find(|end| **end <= cut).copied().unwrap_or(0);
        assert_eq!(text[..kept], whole[..kept], "cut at {cut}");
        let mut names = files(&lines(std::str::from_utf8(&text).unwrap()));
        assert_eq!(names.iter().filter(|name| *name == ORDER[0]).count(), if kept == 0 { 1 } else { 2 });
        names.sort();
        names.dedup();
        assert_eq!(names, ORDER, "cut at {cut}");
    }
}

#[cfg(unix)]
#[test]
fn a_run_that_is_killed_loses_no_whole_line() {
    use std::process::Stdio;
    use std::time::{Duration, Instant};
    let bench = Bench::new();
    bench.folder("in");
    let long = format!("G90\nM83\nG28\n{}", "G1 X10 Y10 E.1 F600\nG1 X50 Y10 E.5\n".repeat(20_000));
    for index in 0..12 {
        bench.file(&format!("in/{index:02}.gcode"), &long);
    }
    let results = bench.path("results.jsonl");
    let mut child = bench
        .command(env!("CARGO_BIN_EXE_meltwright"), &["audit", "in", "--jsonl", "results.jsonl", "--threads", "1"])
        .args(E)
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let start = Instant::now();
    while fs::metadata(&results).map_or(0, |found| found.len()) == 0 && start.elapsed() < Duration::from_secs(60) {
        std::thread::sleep(Duration::from_millis(2));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    let before = fs::read(&results).unwrap();
    assert!(!before.is_empty());
    bench.run(&[&["audit", "in", "--jsonl", "results.jsonl"], &E[..]].concat()).code(0);
    let text = read(&results);
    let kept = before.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
    assert_eq!(text.as_bytes()[..kept], before[..kept]);
    let expected: Vec<String> = (0..12).map(|index| format!("in/{index:02}.gcode")).collect();
    assert_eq!(files(&lines(&text)), expected);
}

#[test]
fn nothing_but_results_is_added_to() {
    let bench = queue();
    for (name, text) in [("pads.gcode", PADS), ("shop.toml", "[nozzle]\n"), ("one", "x")] {
        let path = bench.file(name, text);
        let ran = bench.run(&arguments(&["--jsonl", name])).code(2);
        assert!(ran.stderr.contains("left as it is") && ran.stdout.is_empty(), "{}", ran.stderr);
        assert_eq!(read(&path), text);
    }
    let ran = bench.run(&arguments(&["--jsonl", "no/results.jsonl"])).code(1);
    assert!(ran.stderr.contains("cannot open the results"), "{}", ran.stderr);
    bench.run(&arguments(&["--jsonl", "in"])).code(1);
    bench.run(&arguments(&["--jsonl", "a", "--json", "b"])).code(2);
}

#[test]
fn folders_and_files_stand_side_by_side() {
    let bench = queue();
    bench.file("own.gcode", CALM);
    let arguments = [&["audit", "own.gcode", "in/z.gcode", "in", "--jsonl", "-"], &E[..], &LIMITS].concat();
    let ran = bench.run(&arguments).code(1);
    let expected = ["own.gcode", "in/z.gcode", ORDER[0], ORDER[1], ORDER[2]];
    assert_eq!(files(&lines(&ran.stdout)), expected);
    // A folder is taken without results as well.
    let ran = bench.run(&[&["audit", "in", "-q"], &E[..], &LIMITS].concat()).code(1);
    assert!(ran.stdout.ends_with("3 of 4 files done, 1 failed\n"), "{}", ran.stdout);
    bench.folder("empty");
    let ran = bench.run(&["audit", "empty"]).code(2);
    assert!(ran.stderr.contains("no G-code file") && ran.stderr.contains(".gcode"), "{}", ran.stderr);
    // A queue may be empty.
    let ran = bench.run(&["audit", "empty", "--jsonl", "none.jsonl"]).code(0);
    assert!(ran.stdout.starts_with("0 files: 0 good"), "{}", ran.stdout);
    assert_eq!(read(&bench.path("none.jsonl")), "");
    bench.run(&["audit", "gone", "--jsonl", "-"]).code(1);
}

/// A folder below that cannot be read is told as one, is counted as no file, and stops nothing.
#[cfg(target_os = "linux")]
#[test]
fn a_folder_that_cannot_be_read_is_no_file() {
    let bench = queue();
    bench.shut("in/z");
    let ran = bench.run(&[&["audit", "in", "-q", "--html", "pages/"], &E[..], &LIMITS].concat()).code(1);
    assert!(ran.stderr.contains("error: cannot look into the folder: "), "{}", ran.stderr);
    assert!(ran.stdout.ends_with("3 of 4 files done, 1 failed; 1 folder could not be read\n"), "{}", ran.stdout);
    let ran = bench.run(&arguments(&["--jsonl", "results.jsonl"])).code(1);
    let told = "4 files: 2 good, 1 with errors found, 1 failed; 1 folder could not be read\nResults in results.jsonl\n";
    assert_eq!(ran.stdout, told);
    assert_eq!(lines(&read(&bench.path("results.jsonl"))).len(), 5);
}

#[test]
fn results_of_several_machines_are_put_together_by_joining_them() {
    let bench = queue();
    for (name, file) in [("one.jsonl", "in/much.g"), ("two.jsonl", "in/z.gcode")] {
        bench.run(&[&["audit", file, "--jsonl", name], &E[..], &LIMITS].concat());
    }
    let joined = read(&bench.path("one.jsonl")) + &read(&bench.path("two.jsonl"));
    bench.file("all.jsonl", joined);
    let ran = bench.run(&arguments(&["--jsonl", "all.jsonl"])).code(1);
    assert!(ran.stdout.contains("2 of them known"), "{}", ran.stdout);
}

/// The lines of README.md for many machines, as a shell runs them.
#[cfg(unix)]
#[test]
fn the_lines_for_many_machines_share_a_queue_out() {
    use std::process::Command;
    let readme = include_str!("../README.md");
    let block = readme.split("```sh\n").find(|block| block.contains("xargs -0")).expect("the lines for a batch queue");
    let lines = block.split("```").next().unwrap();
    let (job, join) = lines.split_once("# Once all").expect("a job, and what joins the results");
    let bench = Bench::new();
    bench.folder("queue");
    let names = ["a.gcode", "b c.gcode", "d ø.gcode", "e.gcode", "it's.gcode"];
    for name in names {
        bench.file(&format!("queue/{name}"), CALM);
    }
    bench.file("shop.toml", "[screw]\nvirtual_diameter_mm = 1.75\n");
    let program = Path::new(env!("CARGO_BIN_EXE_meltwright"));
    let run = |text: &str, index: &str| {
        let path = format!("{}:{}", program.parent().unwrap().display(), std::env::var("PATH").unwrap());
        let mut ran = Command::new("sh");
        ran.args(["-c", text]).current_dir(bench.path("")).env("PATH", path).env_remove("MELTWRIGHT_PROFILE");
        assert!(ran.env("INDEX", index).env("COUNT", "3").status().unwrap().success());
    };
    for index in ["0", "1", "2"] {
        run(job, index);
    }
    run(&format!("# {join}"), "");
    let mut found = files(&lines_of(&bench.path("results.jsonl")));
    found.sort();
    assert_eq!(found, names.map(|name| format!("queue/{name}")));
    let ran = bench.run(&["audit", "queue", "--profile", "shop.toml", "--jsonl", "results.jsonl"]).code(0);
    assert!(ran.stdout.contains("5 of them known"), "{}", ran.stdout);
}

#[cfg(unix)]
fn lines_of(path: &Path) -> Vec<Value> {
    lines(&read(path))
}

/// What was audited before without a report has none: it is audited again, once.
#[test]
fn a_report_that_is_missing_is_written() {
    let bench = queue();
    bench.run(&arguments(&["--jsonl", "results.jsonl"])).code(1);
    let with_reports = arguments(&["--jsonl", "results.jsonl", "--html", "reports/"]);
    bench.run(&with_reports).code(1);
    for name in ["z.html", "below ø/calm.html", "much.html"] {
        assert!(bench.path("reports").join(name).is_file(), "{name}");
    }
    let found = lines(&read(&bench.path("results.jsonl"))).len();
    bench.run(&with_reports).code(1);
    // The broken file is told of each time.
    assert_eq!(lines(&read(&bench.path("results.jsonl"))).len(), found + 1);
}

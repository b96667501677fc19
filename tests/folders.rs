//! Whole folders rewritten, in place and into other folders.

mod support;

use std::fs;

use support::{BROKEN, Bench, CALM, PADS, names, read};

/// Says how much volume one unit of E is.
const E: [&str; 2] = ["--set", "screw.virtual_diameter_mm=1.75"];

fn with_e<'a>(arguments: &[&'a str]) -> Vec<&'a str> {
    [arguments, &E].concat()
}

/// A bench with a tree of files, and what is no sliced file among them.
fn tree() -> Bench {
    let bench = Bench::new();
    fs::create_dir_all(bench.path("in/sub ø/deep")).expect("folders");
    for name in ["pads.gcode", "sub ø/pads.GCODE", "sub ø/deep/pads.g", "notes.txt", ".hidden.gcode"] {
        bench.file(&format!("in/{name}"), PADS);
    }
    bench
}

const SLICED: [&str; 3] = ["pads.gcode", "sub ø/deep/pads.g", "sub ø/pads.GCODE"];

/// What a rewrite makes of one of the files.
fn rewritten(bench: &Bench) -> String {
    bench.run(&with_e(&["rewrite", "in/pads.gcode"])).code(0).stdout
}

#[test]
fn a_folder_is_rewritten_in_place() {
    let bench = tree();
    let expected = rewritten(&bench);
    let ran = bench.run(&with_e(&["rewrite", "in", "--dry-run"])).code(0);
    assert!(ran.stdout.ends_with("\n3 of 3 files done, 0 failed\n"), "{}", ran.stdout);
    assert!(SLICED.iter().all(|name| read(&bench.path("in").join(name)) == PADS));
    bench.run(&with_e(&["rewrite", "in", "in/pads.gcode", "--in-place"])).code(0);
    for name in SLICED {
        assert_eq!(read(&bench.path("in").join(name)), expected, "{name}");
    }
    for name in ["notes.txt", ".hidden.gcode"] {
        assert_eq!(read(&bench.path("in").join(name)), PADS, "{name}");
    }
    // What was rewritten before is told, and stops nothing.
    bench.file("in/new.gcode", PADS);
    bench.file("in/broken.gcode", BROKEN);
    let ran = bench.run(&with_e(&["rewrite", "in", "--in-place"])).code(1);
    assert_eq!(ran.stderr.matches("already rewritten").count(), 3, "{}", ran.stderr);
    assert!(ran.stdout.ends_with("\n1 of 5 files done, 4 failed\n"), "{}", ran.stdout);
    assert_eq!(
        (read(&bench.path("in/new.gcode")), read(&bench.path("in/broken.gcode"))),
        (expected, BROKEN.to_owned())
    );
}

#[test]
fn results_keep_their_path_below_the_folder() {
    let bench = tree();
    let expected = rewritten(&bench);
    fs::create_dir_all(bench.path("in/bad/worse")).expect("folders");
    bench.file("in/bad/worse/broken.gcode", BROKEN);
    bench.file("own.gcode", PADS);
    for (folder, out) in [("in", "out/"), ("./in/", "new/out/")] {
        let ran = bench.run(&with_e(&["rewrite", "own.gcode", folder, "-o", out])).code(1);
        assert!(ran.stdout.ends_with("\n4 of 5 files done, 1 failed\n"), "{}", ran.stdout);
        for name in SLICED.iter().chain(&["own.gcode"]) {
            assert_eq!(read(&bench.path(out).join(name)), expected, "{name}");
        }
        // No folder is left without a result.
        assert_eq!(names(&bench.path(out)), ["own.gcode", "pads.gcode", "sub ø"]);
    }
    assert!(SLICED.iter().all(|name| read(&bench.path("in").join(name)) == PADS));
    // A folder below one that was named comes once.
    let once = bench.run(&with_e(&["rewrite", "in/sub ø/deep", "in/sub ø", "-o", "flat/"])).code(0);
    assert!(once.stdout.ends_with("\n2 of 2 files done, 0 failed\n"), "{}", once.stdout);
    assert_eq!(names(&bench.path("flat")), ["pads.GCODE", "pads.g"]);
    // One file is a folder's all the same, and goes nowhere but into one.
    for place in [&[][..], &["-o", "x.gcode"], &["-o", "-"]] {
        let ran = bench.run(&with_e(&[&["rewrite", "in/sub ø/deep"], place].concat())).code(2);
        assert!(ran.stderr.contains("the files of a folder cannot go to one place") && ran.stdout.is_empty());
    }
}

#[test]
fn reports_keep_their_path_below_the_folder() {
    let bench = tree();
    bench.file("own.gcode", PADS);
    fs::create_dir_all(bench.path("in/bad")).expect("folders");
    bench.file("in/bad/broken.gcode", BROKEN);
    for command in [&["audit", "in", "own.gcode"][..], &["rewrite", "in/", "own.gcode", "-o", "all/"]] {
        bench.run(&with_e(&[command, &["--html", "all/"]].concat())).code(1);
        for (page, of) in [
            ("pads.html", "pads.gcode"),
            ("sub ø/pads.html", "pads.GCODE"),
            ("sub ø/deep/pads.html", "pads.g"),
            ("own.html", "own.gcode"),
        ] {
            let text = read(&bench.path("all").join(page));
            assert!(text.contains(of), "{page}");
        }
        // No folder is left without a report.
        assert!(!bench.path("all/bad").exists());
    }
    // Two of one name are refused before anything is written.
    bench.file("in/sub ø/pads.nc", PADS);
    let ran = bench.run(&with_e(&["audit", "in", "--html", "new/"])).code(2);
    assert!(
        ran.stderr.replace('\\', "/").contains("two of the reports would be called sub ø/pads.html"),
        "{}",
        ran.stderr
    );
    assert!(!bench.path("new").exists());
}

/// Results below the folder that was named are no input of the next run.
#[test]
fn results_are_not_taken_for_input() {
    let bench = tree();
    for _ in 0..2 {
        let ran = bench.run(&with_e(&["rewrite", "in", "-o", "in/sub ø/../ready/"])).code(0);
        assert!(ran.stdout.ends_with("\n3 of 3 files done, 0 failed\n"), "{}", ran.stdout);
    }
    assert_eq!(names(&bench.path("in/ready")), ["pads.gcode", "sub ø"]);
    let ran = bench.run(&with_e(&["rewrite", "in", "-o", "in/ready/", "--dry-run"])).code(0);
    assert!(ran.stdout.contains("3 of 3 files done"), "{}", ran.stdout);
    // Where nothing else is there, that is told.
    bench.folder("only");
    fs::rename(bench.path("in/ready"), bench.path("only/ready")).expect("renamed");
    let ran = bench.run(&with_e(&["rewrite", "only", "-o", "only/ready/"])).code(2);
    assert!(ran.stderr.contains("not counting only/ready/"), "{}", ran.stderr);
}

#[test]
fn no_result_goes_over_a_file_that_is_read() {
    let bench = tree();
    for (arguments, said) in [
        (&["in", "-o", "in/"][..], ".gcode would be written over itself"),
        (&["in/sub ø", "in/pads.gcode", "-o", "./in"], "over itself"),
        (&["in", "in2", "-o", "out/"], "two of the files are called sub ø/pads.GCODE"),
        (&["in/in", "own.gcode", "-o", "."], "own.gcode would be written over itself"),
        // The file below goes where the one above is read.
        (&["in3", "-o", "."], "the result of in3/in3/pads.gcode would be written over in3/pads.gcode"),
        (&["in", "-o", "taken/"], "sub ø is a file and no folder"),
    ] {
        for folder in ["in2/sub ø", "in/in", "in3/in3", "taken"] {
            fs::create_dir_all(bench.path(folder)).expect("folders");
        }
        for name in ["in2/sub ø/pads.GCODE", "in/in/calm.gcode", "in3/in3/pads.gcode", "in3/pads.gcode", "own.gcode"] {
            bench.file(name, CALM);
        }
        bench.file("taken/sub ø", "");
        let ran = bench.run(&with_e(&[&["rewrite"], arguments].concat())).code(2);
        let told = ran.stderr.replace('\\', "/").split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(told.contains(said), "{arguments:?}: {told}");
        assert!(SLICED.iter().all(|name| read(&bench.path("in").join(name)) == PADS), "{arguments:?}");
        assert!(!bench.path("out").exists() && names(&bench.path("taken")) == ["sub ø"], "{arguments:?}");
    }
}

/// A folder below that cannot be read is told, and stops nothing.
#[cfg(target_os = "linux")]
#[test]
fn a_folder_that_cannot_be_read_stops_no_other() {
    let bench = tree();
    bench.shut("in/shut");
    for place in [&["-o", "out/"][..], &["--in-place"]] {
        let ran = bench.run(&with_e(&[&["rewrite", "in"], place].concat())).code(1);
        assert!(ran.stderr.contains("error: cannot look into the folder: "), "{}", ran.stderr);
        let tail = "\n3 of 3 files done, 0 failed; 1 folder could not be read\n";
        assert!(ran.stdout.ends_with(tail), "{}", ran.stdout);
    }
    assert_eq!(names(&bench.path("out")), ["pads.gcode", "sub ø"]);
}

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
    // A file of that name made anew takes nobody's place either.
    let anew = format!("; made anew\n{PADS}");
    bench.file("my pads.gcode", &anew);
    bench.run(&arguments).code(0);
    assert_eq!((read(&kept), read(&bench.path("kept/my pads-2.gcode"))), (PADS.to_owned(), anew));
    // Without the copy nothing is rewritten.
    bench.file("other", PADS);
    for keep in ["other", "other/folder"] {
        let ran = bench.run(&["hook", "--keep", keep, E[0], E[1], "other"]);
        assert!(ran.stderr.starts_with("meltwright: "), "{}", ran.stderr);
        assert_eq!(read(&bench.path("other")), PADS);
    }
}

#[test]
fn a_folder_that_is_not_there_is_made_and_never_taken_for_a_file() {
    let bench = Bench::new();
    for name in ["one.gcode", "two.gcode"] {
        bench.file(name, format!("; {name}\n{PADS}"));
        bench.run(&["hook", "--keep", "kept/here", "--report", "told/", E[0], E[1], name]).code(0);
        assert_eq!(read(&bench.path("kept/here").join(name)), format!("; {name}\n{PADS}"));
        assert!(read(&bench.path("told").join(format!("{name}.txt"))).contains("peak demand"));
    }
    // What passes unchanged leaves the report of its rewrite as it is, and makes one where there is none.
    let report = read(&bench.path("told/one.gcode.txt"));
    let again = ["hook", "--again", "--report", "told/", E[0], E[1], "one.gcode"];
    bench.run(&again).code(0);
    assert_eq!(read(&bench.path("told/one.gcode.txt")), report);
    bench.run(&[&again[..3], &["told/new.txt"], &again[4..]].concat()).code(0);
    assert!(bench.path("told/new.txt").is_file());
    // A folder that was made for nothing is gone again.
    bench.file("bad.gcode", "G1 X1 E\n");
    bench.run(&["hook", "--keep", "new", E[0], E[1], "bad.gcode"]).code(1);
    assert!(!bench.path("new").exists());
    bench.file("one.gcode", PADS);
    bench.file("two.gcode", PADS);
    bench.run(&with_e(&["rewrite", "one.gcode", "two.gcode", "-o", "ready/", "--html", "pages/"])).code(0);
    assert!(bench.path("ready/two.gcode").is_file() && bench.path("pages/one.html").is_file());
}

/// Folders for results come with the first of them.
#[test]
fn no_folder_is_left_without_a_result() {
    let bench = Bench::new();
    bench.file("pads.gcode", PADS);
    bench.file("bad.gcode", "G1 X1 E\n");
    for (arguments, code) in [
        (&["rewrite", "pads.gcode", "-o", "new/", "--set", "screw.foo=1"][..], 2),
        (&["rewrite", "gone.gcode", "-o", "new/"], 1),
        (&["rewrite", "bad.gcode", "-o", "new/deep/", "--html", "new/told/"], 1),
        (&["audit", "bad.gcode", "--html", "new/"], 1),
        (&["rewrite", "bad.gcode", "-o", "pads.gcode/"], 2),
        (&["hook", "--report", "new/", "bad.gcode"], 1),
    ] {
        bench.run(&with_e(arguments)).code(code);
        assert_eq!(bench.names(), ["bad.gcode", "pads.gcode"], "{arguments:?}");
    }
    // One result is enough to keep it, and what is there stays, empty or not.
    bench.folder("old");
    bench.run(&with_e(&["rewrite", "bad.gcode", "pads.gcode", "-o", "new/deep/"])).code(1);
    bench.run(&with_e(&["rewrite", "bad.gcode", "-o", "old/"])).code(1);
    assert!(bench.path("new/deep/pads.gcode").is_file() && bench.path("old").is_dir());
}

#[test]
fn a_hook_prints_the_line_to_enter() {
    let bench = Bench::new();
    for (wrong, said) in
        [(&["--profile", "my shop.toml"], "my shop.toml"), (&["--set", "nozzle.bore=3"], "nozzle.bore")]
    {
        let ran = bench.run(&[&["hook", "--install-help"], &wrong[..]].concat()).code(2);
        assert!(ran.stdout.is_empty() && ran.stderr.contains(said), "{}{}", ran.stdout, ran.stderr);
    }
    bench.file("my shop.toml", "[nozzle]\ndiameter_mm = 0.8\n");
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
    assert!(ran.stderr.starts_with("meltwright: broken: line 3: "), "{}", ran.stderr);
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
fn a_pipe_is_not_waited_for_where_a_file_is_to_be_replaced() {
    let bench = Bench::new();
    assert!(std::process::Command::new("mkfifo").arg(bench.path("pipe")).status().unwrap().success());
    for arguments in [&["hook", E[0], E[1], "pipe"][..], &["rewrite", "--in-place", E[0], E[1], "pipe"]] {
        let ran = bench.run(arguments).code(2);
        assert!(ran.stderr.contains("pipe is not a regular file"), "{}", ran.stderr);
    }
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

#[test]
fn a_report_goes_beside_the_file_or_into_a_folder_but_never_over_a_file() {
    let bench = Bench::new();
    bench.file("pads ø.1.gcode", PADS);
    bench.run(&["hook", "--report-beside", E[0], E[1], "pads ø.1.gcode"]).code(0);
    assert_eq!(bench.names(), ["pads ø.1.gcode", "pads ø.1.gcode.report.txt"]);
    let beside = read(&bench.path("pads ø.1.gcode.report.txt"));
    assert!(beside.contains("peak demand"));

    bench.file("pads ø.1.gcode", PADS);
    let reports = bench.folder("reports");
    bench.run(&["hook", "--report", "reports", E[0], E[1], "pads ø.1.gcode"]).code(0);
    assert_eq!(read(&reports.join("pads ø.1.gcode.txt")), beside);

    for arguments in
        [&["--report", "other"][..], &["--report", "./other"], &["--keep", "kept", "--report", "kept/other"]]
    {
        bench.file("other", PADS);
        let ran = bench.run(&[&["hook"], arguments, &E, &["other"]].concat()).code(2);
        assert!(ran.stderr.starts_with("meltwright: the report would be written over "), "{}", ran.stderr);
        assert_eq!(read(&bench.path("other")), PADS);
    }
    bench.run(&["hook", "--report", "x", "--report-beside", E[0], E[1], "other"]).code(2);
    // The file is rewritten all the same.
    let ran = bench.run(&["hook", "--report", "none/x.txt", E[0], E[1], "other"]).code(0);
    let told = ran.stderr.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(told.contains("could not be written to none/x.txt: ") && told.ends_with("for --report"), "{told}");
    assert_ne!(read(&bench.path("other")), PADS);
    assert_eq!(bench.names(), ["other", "pads ø.1.gcode", "pads ø.1.gcode.report.txt", "reports"]);
}

#[test]
fn the_line_to_enter_holds_all_that_was_given_and_runs() {
    let bench = Bench::new();
    bench.folder("my originals");
    let options = ["--keep", "my originals", "--report-beside", "--again", "--passes", "capacity", E[0], E[1]];
    let ran = bench.run(&[&["hook", "--install-help"], &options[..]].concat()).code(0);
    let line = ran.stdout.lines().find(|line| line.contains(" hook ")).expect("a line to enter").trim();
    for part in ["--report-beside", "--again", "--passes capacity", "--set screw.virtual_diameter_mm=1.75"] {
        assert!(line.contains(part), "{part}: {line}");
    }
    // The shell of the system reads the line back as it was meant.
    #[cfg(unix)]
    {
        bench.file("it's ø.gcode", PADS);
        let line = line.replace("[folder]", &bench.path("").display().to_string());
        let status = std::process::Command::new("sh")
            .args(["-c", &format!("{line} \"it's ø.gcode\"")])
            .current_dir(bench.path(""))
            .env_remove("MELTWRIGHT_PROFILE")
            .env("XDG_CONFIG_HOME", bench.path("none"))
            .status()
            .unwrap();
        assert!(status.success());
        assert_eq!(read(&bench.path("my originals/it's ø.gcode")), PADS);
        assert!(read(&bench.path("it's ø.gcode")).contains("rewritten by meltwright"));
        assert_eq!(bench.names(), ["it's ø.gcode", "it's ø.gcode.report.txt", "my originals"]);
    }
}

#[test]
fn odd_names_are_rewritten_like_any_other() {
    let bench = Bench::new();
    let plain = bench.file("pads.gcode", PADS);
    bench.run(&with_e(&["hook", "pads.gcode"])).code(0);
    let expected = read(&plain);
    let names =
        ["my pads.gcode", " lead and trail ", "dösen ø 型.gcode", "emoji 🧱", "it's \"x\" & $y;%z%", "-dash", "a.b.c"];
    for name in names {
        if cfg!(windows) && (name.contains('"') || name.ends_with(' ')) {
            continue;
        }
        let path = bench.file(name, PADS);
        bench.run(&with_e(&["hook", path.to_str().unwrap()])).code(0);
        assert_eq!(read(&path), expected, "{name}");
        bench.file(name, PADS);
        bench.run(&["hook", E[0], E[1], "--", name]).code(0);
        assert_eq!(read(&path), expected, "{name}");
        std::fs::remove_file(&path).unwrap();
    }
    assert_eq!(bench.names(), ["pads.gcode"], "nothing is left behind");
}

#[cfg(unix)]
#[test]
fn a_name_that_is_no_text_is_rewritten() {
    use std::ffi::OsStr;
    use std::os::unix::ffi::OsStrExt;
    let bench = Bench::new();
    let path = bench.path("").join(OsStr::from_bytes(b"pads \xff.gcode"));
    // Some systems have no such names.
    if std::fs::write(&path, PADS).is_err() {
        return;
    }
    let status = bench
        .command(env!("CARGO_BIN_EXE_meltwright"), &["hook", "--keep", "kept", E[0], E[1]])
        .arg(&path)
        .status()
        .unwrap();
    assert!(status.success());
    assert_ne!(read(&path), PADS);
    let kept: Vec<_> = std::fs::read_dir(bench.path("kept")).unwrap().map(|entry| entry.unwrap().path()).collect();
    assert_eq!(kept.iter().map(|path| read(path)).collect::<Vec<_>>(), [PADS]);
}

#[test]
fn a_write_protected_file_is_left_and_said() {
    let bench = Bench::new();
    let path = bench.file("pads.gcode", PADS);
    let protect = |on| {
        let mut permissions = std::fs::metadata(&path).unwrap().permissions();
        permissions.set_readonly(on);
        std::fs::set_permissions(&path, permissions).unwrap();
    };
    protect(true);
    for arguments in [&["hook", "pads.gcode"][..], &["rewrite", "--in-place", "pads.gcode"]] {
        let ran = bench.run(&with_e(arguments)).code(1);
        assert!(ran.stderr.contains("write-protected") && ran.stderr.contains("permissions"), "{}", ran.stderr);
    }
    bench.file("other.gcode", PADS);
    bench.run(&with_e(&["rewrite", "other.gcode", "-o", "pads.gcode"])).code(1);
    assert_eq!(read(&path), PADS);
    assert_eq!(bench.names(), ["other.gcode", "pads.gcode"]);
    // Reading it is no matter.
    bench.run(&with_e(&["rewrite", "pads.gcode", "-o", "new.gcode"])).code(0);
    protect(false);
}

/// Whether a folder's protection holds for whoever runs the tests; it does not for the administrator.
#[cfg(unix)]
#[test]
fn a_write_protected_folder_is_left_and_said() {
    use std::fs::{Permissions, set_permissions};
    use std::os::unix::fs::PermissionsExt;
    let bench = Bench::new();
    let folder = bench.folder("folder");
    let path = folder.join("pads.gcode");
    std::fs::write(&path, PADS).unwrap();
    set_permissions(&folder, Permissions::from_mode(0o555)).unwrap();
    if std::fs::write(folder.join("probe"), "").is_ok() {
        println!("SKIPPED: whoever runs the tests may write into any folder");
        return;
    }
    let ran = bench.run(&with_e(&["hook", "folder/pads.gcode"])).code(1);
    set_permissions(&folder, Permissions::from_mode(0o755)).unwrap();
    assert!(ran.stderr.starts_with("meltwright: cannot make a temporary file beside the target"), "{}", ran.stderr);
    assert!(ran.stderr.contains("check the permissions of the file and of its folder"), "{}", ran.stderr);
    assert_eq!(read(&path), PADS);
    assert_eq!(names(&folder), ["pads.gcode"]);
}

/// An account that cannot be written undoes nothing, and says so.
#[test]
fn an_account_that_cannot_be_written_is_no_reason_to_do_it_again() {
    let bench = Bench::new();
    for (name, to) in [("a.gcode", ["--json", "no/account.json"]), ("b.gcode", ["--html", "no/report.html"])] {
        bench.file(name, PADS);
        let ran = bench.run(&with_e(&["rewrite", "--in-place", name, to[0], to[1]])).code(1);
        assert!(ran.stderr.contains("rewritten as asked, but the account"), "{}", ran.stderr);
        assert!(!ran.stderr.contains("nothing was changed"), "{}", ran.stderr);
        assert_ne!(read(&bench.path(name)), PADS);
    }
}

/// The profile in force is written over by nothing.
#[test]
fn a_profile_is_never_written_over() {
    let bench = Bench::new();
    let own = "[screw]\nmax_speed_rpm = 90\n";
    bench.file("own.toml", own);
    bench.file("pads.gcode", PADS);
    let arguments: [&[&str]; 5] = [
        &["rewrite", "pads.gcode", "-o", "own.toml"],
        &["rewrite", "pads.gcode", "-o", "out.gcode", "--json", "own.toml"],
        &["rewrite", "pads.gcode", "-o", "out.gcode", "--html", "own.toml"],
        &["audit", "pads.gcode", "--json", "own.toml"],
        &["hook", "--report", "own.toml", "pads.gcode"],
    ];
    for arguments in arguments {
        let with = [arguments, &["--profile", "own.toml", E[0], E[1]]].concat();
        let with = if arguments[0] == "hook" { [&with[..3], &with[4..], &with[3..4]].concat() } else { with };
        bench.run(&with).code(2);
        assert_eq!((read(&bench.path("own.toml")), read(&bench.path("pads.gcode"))), (own.to_owned(), PADS.to_owned()));
    }
}

//! What goes wrong around a rewrite: real processes that are killed, that find no room, that may not write, that meet each
//! other. Whatever happens, the file is the original or the whole result.
//!
//! Some cases need a system administrator's rights; where they are missing, a line that starts with `SKIPPED` says what
//! was not tried.

#![cfg(unix)]

#[path = "../benches/data/mod.rs"]
mod data;
mod support;

use std::fs::{self, File, Permissions};
use std::io::Write;
use std::os::unix::fs::{MetadataExt, PermissionsExt, chown, symlink};
use std::os::unix::process::{CommandExt, ExitStatusExt};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output};
use std::thread::sleep;
use std::time::{Duration, Instant, SystemTime};

use support::{Bench, names};

/// Says how much volume one unit of E is, and asks less of the screw than the made files do.
const SET: [&str; 4] = ["--set", "screw.virtual_diameter_mm=1.75", "--set", "screw.peak_flow_mm3_s=2"];
/// A user without rights.
const NOBODY: u32 = 65534;
/// Longest that anything here may take; what waits for longer hangs.
const MOST_TIME: Duration = Duration::from_secs(60);

fn program(bench: &Bench, arguments: &[&str]) -> Command {
    bench.command(env!("CARGO_BIN_EXE_meltwright"), arguments)
}

fn hook(bench: &Bench, name: &str) -> Command {
    program(bench, &["hook", SET[0], SET[1], SET[2], SET[3], name])
}

/// A made file of about so many bytes.
fn made(bytes: usize) -> Vec<u8> {
    data::tiny_segments(bytes)
}

/// What a rewrite makes of a file when nothing goes wrong.
fn rewritten(bench: &Bench, text: &[u8]) -> Vec<u8> {
    let path = bench.file("undisturbed.gcode", text);
    let ran = hook(bench, "undisturbed.gcode").output().expect("the program runs");
    assert!(ran.status.success(), "{}", said(&ran));
    let whole = fs::read(&path).expect("the result");
    fs::remove_file(path).expect("removed");
    assert_ne!(whole, text);
    whole
}

fn said(ran: &Output) -> String {
    format!("{}: {}{}", ran.status, String::from_utf8_lossy(&ran.stdout), String::from_utf8_lossy(&ran.stderr))
}

fn temporary(folder: &Path) -> Vec<PathBuf> {
    let found = names(folder).into_iter().filter(|name| name.starts_with(".meltwright-"));
    found.map(|name| folder.join(name)).collect()
}

fn skipped(what: &str) {
    eprintln!("SKIPPED: {what}");
}

fn is_root() -> bool {
    fs::metadata("/proc/self").is_ok_and(|own| own.uid() == 0)
}

fn signal(child: &Child, name: &str) {
    let sent = Command::new("sh").args(["-c", "kill -$0 $1", name, &child.id().to_string()]).status();
    assert!(sent.is_ok_and(|status| status.success()), "signal {name}");
}

/// Waits for the end, at most [`MOST_TIME`].
fn ended(mut child: Child) -> Output {
    let start = Instant::now();
    while child.try_wait().expect("a child").is_none() {
        assert!(start.elapsed() < MOST_TIME, "it hangs");
        sleep(Duration::from_millis(2));
    }
    child.wait_with_output().expect("a child")
}

#[test]
fn killed_at_any_moment_the_file_is_whole() {
    const KILLS: u32 = 250;
    let bench = Bench::new();
    let original = made(60_000);
    let whole = rewritten(&bench, &original);
    let path = bench.file("pads.gcode", &original);
    let mut usual = MOST_TIME;
    for _ in 0..5 {
        let start = Instant::now();
        assert!(hook(&bench, "pads.gcode").status().expect("the program runs").success());
        usual = usual.min(start.elapsed());
        fs::write(&path, &original).expect("written");
    }
    let (mut tries, mut killed, mut before, mut after) = (0_u32, 0, 0, 0);
    while killed < KILLS {
        assert!(tries < 8 * KILLS, "only {killed} of {tries} runs could be killed");
        let mut child = hook(&bench, "pads.gcode").spawn().expect("the program starts");
        // From the first moment to a little after the usual end, in an order that leaves no gap.
        sleep(usual.mul_f64(1.1 * (f64::from(tries) * 0.618_034).fract()));
        child.kill().expect("killed");
        let is_killed = child.wait().expect("a child").signal() == Some(9);
        tries += 1;
        killed += u32::from(is_killed);
        let found = fs::read(&path).expect("the file is there");
        if found == original {
            before += u32::from(is_killed);
        } else {
            assert!(found == whole, "{} bytes that are neither the original nor the result", found.len());
            after += u32::from(is_killed);
            fs::write(&path, &original).expect("written");
        }
    }
    let left = temporary(&bench.path("")).len();
    println!("{killed} of {tries} runs killed: {before} originals, {after} results, {left} temporary files left");
    assert!(before > 0 && left <= killed as usize);

    // Old ones are no run's any more: the next run in the folder takes them away.
    for path in temporary(&bench.path("")) {
        let hours_ago = SystemTime::now() - Duration::from_secs(2 * 3600);
        File::options().write(true).open(path).and_then(|file| file.set_modified(hours_ago)).expect("a time is set");
    }
    let ran = hook(&bench, "pads.gcode").output().expect("the program runs");
    assert!(ran.status.success(), "{}", said(&ran));
    assert!(fs::read(&path).expect("the file is there") == whole);
    assert_eq!(bench.names(), ["pads.gcode"]);
}

/// Stops a rewrite when it has begun, does something to the file, and lets it go on.
fn disturbed(bench: &Bench, disturb: impl Fn(&Path)) -> Output {
    let mut bytes = 500_000;
    loop {
        let path = bench.file("pads.gcode", made(bytes));
        let mut child = hook(bench, "pads.gcode").spawn().expect("the program starts");
        while temporary(&bench.path("")).is_empty() && child.try_wait().expect("a child").is_none() {
            sleep(Duration::from_micros(200));
        }
        signal(&child, "STOP");
        let begun = temporary(&bench.path(""));
        if let [_] = begun.as_slice() {
            disturb(&path);
            signal(&child, "CONT");
            return ended(child);
        }
        // It was done before it could be stopped.
        signal(&child, "CONT");
        ended(child);
        bytes *= 2;
        assert!(bytes < 100_000_000, "no run could be stopped");
    }
}

#[test]
fn what_another_program_writes_meanwhile_stays() {
    type Disturb = (&'static str, fn(&Path));
    let cases: [Disturb; 4] = [
        ("grown", |path| {
            File::options().append(true).open(path).and_then(|mut file| file.write_all(b"G1 X5\n")).expect("grown");
        }),
        ("cut short", |path| {
            File::options().write(true).open(path).and_then(|file| file.set_len(1000)).expect("cut");
        }),
        ("emptied and written again", |path| fs::write(path, "G28\nG1 X1 F600\n").expect("written")),
        ("replaced", |path| {
            fs::write(path.with_extension("new"), "G28\nG1 X2 F600\n").expect("written");
            fs::rename(path.with_extension("new"), path).expect("renamed");
        }),
    ];
    for (name, disturb) in cases {
        let bench = Bench::new();
        let mine = std::cell::RefCell::new(Vec::new());
        let ran = disturbed(&bench, |path| {
            disturb(path);
            *mine.borrow_mut() = fs::read(path).expect("the file is there");
        });
        assert_eq!(ran.status.code(), Some(1), "{name}: {}", said(&ran));
        let error = String::from_utf8_lossy(&ran.stderr).into_owned();
        assert!(error.contains("changed by another program"), "{name}: {error}");
        assert!(fs::read(bench.path("pads.gcode")).expect("the file is there") == *mine.borrow(), "{name}");
        assert_eq!(bench.names(), ["pads.gcode"], "{name}");
    }
    // Nobody wants it any more.
    let bench = Bench::new();
    let ran = disturbed(&bench, |path| fs::remove_file(path).expect("removed"));
    assert_eq!(ran.status.code(), Some(1), "{}", said(&ran));
    assert!(bench.names().is_empty(), "{:?}", bench.names());
}

#[test]
fn hooks_on_one_file_at_once_leave_one_whole_result() {
    let bench = Bench::new();
    let original = made(100_000);
    let peaks = ["screw.peak_flow_mm3_s=2", "screw.peak_flow_mm3_s=1.2", "screw.peak_flow_mm3_s=0.7"];
    let one = |peak: &str, keep: bool| {
        let mut arguments = vec!["hook", SET[0], SET[1], "--set", peak];
        if keep {
            arguments.extend(["--keep", "kept"]);
        }
        arguments.push("pads.gcode");
        program(&bench, &arguments)
    };
    let wholes = peaks.map(|peak| {
        let path = bench.file("pads.gcode", &original);
        assert!(one(peak, false).status().expect("the program runs").success());
        fs::read(path).expect("the result")
    });
    let mut refused = 0;
    for round in 0..40 {
        let path = bench.file("pads.gcode", &original);
        let started: Vec<Child> =
            peaks.iter().map(|peak| one(peak, round % 2 == 0).spawn().expect("the program starts")).collect();
        let codes: Vec<_> = started.into_iter().map(|child| ended(child).status.code()).collect();
        assert!(codes.iter().all(|code| matches!(code, Some(0 | 1))) && codes.contains(&Some(0)), "{codes:?}");
        refused += codes.iter().filter(|code| **code == Some(1)).count();
        let found = fs::read(path).expect("the file is there");
        assert!(wholes.contains(&found), "round {round}: {} bytes that no run wrote", found.len());
        if round % 2 == 0 {
            let folder = bench.path("kept");
            let kept = names(&folder);
            assert!(!kept.is_empty(), "round {round}");
            assert!(kept.iter().all(|name| fs::read(folder.join(name)).expect("kept") == original), "round {round}");
            fs::remove_dir_all(folder).expect("removed");
        }
        assert_eq!(bench.names(), ["pads.gcode"], "round {round}");
    }
    println!("{refused} of 120 hooks refused a file that another one had rewritten");
}

/// A file system of its own; gone when dropped.
struct Mount(PathBuf);

impl Mount {
    /// `None`, said aloud, where the system does not let us.
    fn new(at: PathBuf, what: &str, arguments: &[&str]) -> Option<Self> {
        let mounted = Command::new("mount").args(arguments).arg(&at).output();
        if mounted.is_ok_and(|ran| ran.status.success()) {
            return Some(Self(at));
        }
        skipped(&format!("{what}: this user may not mount"));
        None
    }
}

impl Drop for Mount {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(&self.0).status();
    }
}

#[test]
fn a_full_disk_leaves_the_original() {
    let bench = Bench::new();
    let original = made(700_000);
    let folder = bench.folder("small disk");
    let Some(_mount) = Mount::new(folder.clone(), "a full disk", &["-t", "tmpfs", "-o", "size=1m", "none"]) else {
        return;
    };
    fs::write(folder.join("pads.gcode"), &original).expect("it has room for one");
    let ran = hook(&bench, "small disk/pads.gcode").output().expect("the program runs");
    assert_eq!(ran.status.code(), Some(1), "{}", said(&ran));
    assert!(String::from_utf8_lossy(&ran.stderr).contains("space"), "{}", said(&ran));
    assert!(fs::read(folder.join("pads.gcode")).expect("the file is there") == original);
    assert_eq!(names(&folder), ["pads.gcode"]);
    // No room for the copy that is kept, or for what comes by a pipe: nothing is rewritten.
    bench.file("pads.gcode", &original);
    let arguments = ["hook", SET[0], SET[1], "--keep", "small disk", "pads.gcode"];
    let ran = program(&bench, &arguments).output().expect("the program runs");
    assert_eq!(ran.status.code(), Some(1), "{}", said(&ran));
    assert!(fs::read(bench.path("pads.gcode")).expect("the file is there") == original);
    let mut command = program(&bench, &["rewrite", SET[0], SET[1], "-", "-o", "out.gcode"]);
    let input = File::open(bench.path("pads.gcode")).expect("the file is there");
    let ran = command.stdin(input).env("TMPDIR", &folder).output().expect("the program runs");
    assert_eq!(ran.status.code(), Some(1), "{}", said(&ran));
    assert_eq!(names(&folder), ["pads.gcode"]);
    assert_eq!(bench.names(), ["pads.gcode", "small disk"]);
}

#[test]
fn a_file_that_may_not_grow_leaves_the_original() {
    let bench = Bench::new();
    let original = made(300_000);
    let path = bench.file("pads.gcode", &original);
    // 100 kB at most; without the signal, writing fails as it does on a full disk.
    let line = "trap '' XFSZ; ulimit -f 200; exec \"$0\" \"$@\"";
    let arguments = [SET[0], SET[1], "pads.gcode"];
    let mut command = Command::new("sh");
    command.args(["-c", line, env!("CARGO_BIN_EXE_meltwright"), "hook"]).args(arguments).current_dir(bench.path(""));
    let ran = command.output().expect("the program runs");
    assert_eq!(ran.status.code(), Some(1), "{}", said(&ran));
    assert!(fs::read(&path).expect("the file is there") == original);
    assert_eq!(bench.names(), ["pads.gcode"]);
}

#[test]
fn outputs_that_take_nothing() {
    if !Path::new("/dev/full").exists() {
        return skipped("this system has no /dev/full");
    }
    let bench = Bench::new();
    let original = made(300_000);
    let path = bench.file("pads.gcode", &original);
    let ran = program(&bench, &["rewrite", SET[0], SET[1], "pads.gcode", "-o", "/dev/full"]).output();
    let ran = ran.expect("the program runs");
    assert_eq!(ran.status.code(), Some(1), "{}", said(&ran));
    let full = || File::options().write(true).open("/dev/full").expect("a device");
    let mut command = program(&bench, &["rewrite", SET[0], SET[1], "pads.gcode", "-o", "-"]);
    let ran = command.stdout(full()).output().expect("the program runs");
    assert_eq!(ran.status.code(), Some(1), "{}", said(&ran));
    assert!(!ran.stderr.is_empty());
    // The account of an audit is all there is of it.
    let ran = program(&bench, &["audit", SET[0], SET[1], "pads.gcode"]).stdout(full()).output();
    let ran = ran.expect("the program runs");
    assert_eq!(ran.status.code(), Some(1), "{}", said(&ran));
    // Messages that nobody can read stop nothing.
    let mut command = program(&bench, &["hook", "-v", SET[0], SET[1], "pads.gcode"]);
    let ran = command.stderr(full()).output().expect("the program runs");
    assert_eq!(ran.status.code(), Some(0), "{}", said(&ran));
    assert!(fs::read(path).expect("the file is there") != original);
}

#[test]
fn folders_that_may_not_be_written_to() {
    let bench = Bench::new();
    let original = made(20_000);
    let folder = bench.folder("shut");
    let path = folder.join("pads.gcode");
    fs::write(&path, &original).expect("written");
    fs::set_permissions(bench.path(""), Permissions::from_mode(0o755)).expect("permissions");
    fs::set_permissions(&folder, Permissions::from_mode(0o555)).expect("permissions");
    // Where another user cannot reach the program, a copy is run.
    let copy = bench.path("program");
    fs::copy(env!("CARGO_BIN_EXE_meltwright"), &copy).expect("copied");
    let mut command = Command::new(&copy);
    command.args(["hook", SET[0], SET[1], "shut/pads.gcode"]).current_dir(bench.path(""));
    command.env("HOME", bench.path("no home")).env_remove("XDG_CONFIG_HOME");
    if is_root() {
        command.uid(NOBODY).gid(NOBODY);
    }
    let ran = command.output().expect("the program runs");
    assert_eq!(ran.status.code(), Some(1), "{}", said(&ran));
    let error = String::from_utf8_lossy(&ran.stderr).into_owned();
    assert!(error.contains("temporary file beside") && error.contains("permissions"), "{error}");
    assert!(fs::read(&path).expect("the file is there") == original);
    assert_eq!(names(&folder), ["pads.gcode"]);
    fs::set_permissions(&folder, Permissions::from_mode(0o755)).expect("permissions");

    // The same where the whole disk is read-only.
    let shown = folder.to_string_lossy().into_owned();
    let Some(_bound) = Mount::new(folder.clone(), "a read-only disk", &["--bind", &shown]) else { return };
    let shut = Command::new("mount").args(["-o", "remount,ro,bind"]).arg(&folder).status();
    assert!(shut.is_ok_and(|status| status.success()), "what was mounted can be shut");
    let ran = hook(&bench, "shut/pads.gcode").output().expect("the program runs");
    assert_eq!(ran.status.code(), Some(1), "{}", said(&ran));
    assert!(fs::read(&path).expect("the file is there") == original);
}

#[test]
fn a_name_that_cannot_be_replaced_keeps_its_file() {
    let bench = Bench::new();
    let original = made(20_000);
    let path = bench.file("pads.gcode", &original);
    let elsewhere = bench.file("elsewhere.gcode", &original);
    let shown = elsewhere.to_string_lossy().into_owned();
    let Some(mount) = Mount::new(path.clone(), "a file mounted on a file", &["--bind", &shown]) else { return };
    let ran = hook(&bench, "pads.gcode").output().expect("the program runs");
    assert_eq!(ran.status.code(), Some(1), "{}", said(&ran));
    assert!(String::from_utf8_lossy(&ran.stderr).contains("replace the file"), "{}", said(&ran));
    assert!(fs::read(&path).expect("the file is there") == original);
    drop(mount);
    assert!(fs::read(&path).expect("the file is there") == original);
    assert_eq!(bench.names(), ["elsewhere.gcode", "pads.gcode"]);
}

#[test]
fn files_on_another_device() {
    let bench = Bench::new();
    let shared = Path::new("/dev/shm");
    let device = |path: &Path| fs::metadata(path).map(|found| found.dev()).ok();
    if device(shared).is_none() || device(shared) == device(&bench.path("")) {
        return skipped("there is no second file system at /dev/shm");
    }
    let Ok(other) = tempfile::tempdir_in(shared) else { return skipped("/dev/shm cannot be written to") };
    let original = made(20_000);
    let whole = rewritten(&bench, &original);
    // An output over there.
    bench.file("pads.gcode", &original);
    let to = other.path().join("out.gcode");
    let arguments = ["rewrite", SET[0], SET[1], SET[2], SET[3], "pads.gcode", "-o", to.to_str().expect("plain")];
    let ran = program(&bench, &arguments).output().expect("the program runs");
    assert!(ran.status.success(), "{}", said(&ran));
    assert!(fs::read(&to).expect("the output") == whole);
    // A link from here to there: the link stays, what it means is rewritten where it is.
    let target = other.path().join("pads.gcode");
    fs::write(&target, &original).expect("written");
    symlink(&target, bench.path("link.gcode")).expect("a link");
    let ran = hook(&bench, "link.gcode").output().expect("the program runs");
    assert!(ran.status.success(), "{}", said(&ran));
    assert!(fs::symlink_metadata(bench.path("link.gcode")).expect("the link").is_symlink());
    assert!(fs::read(&target).expect("the target") == whole);
    assert_eq!(names(other.path()), ["out.gcode", "pads.gcode"]);
    assert_eq!(bench.names(), ["link.gcode", "pads.gcode"]);
}

#[test]
fn further_names_of_a_file_keep_the_original() {
    let bench = Bench::new();
    let original = made(20_000);
    let path = bench.file("pads.gcode", &original);
    fs::hard_link(&path, bench.path("second name.gcode")).expect("a hard link");
    let ran = hook(&bench, "pads.gcode").output().expect("the program runs");
    assert!(ran.status.success(), "{}", said(&ran));
    assert!(fs::read(&path).expect("the file is there") != original);
    assert!(fs::read(bench.path("second name.gcode")).expect("the second name") == original);
    assert_eq!(fs::metadata(&path).expect("the file is there").nlink(), 1);
}

#[test]
fn permissions_owner_and_times() {
    let bench = Bench::new();
    let original = made(20_000);
    for mode in [0o600, 0o640, 0o664, 0o755, 0o4755, 0o2750] {
        let path = bench.file("pads.gcode", &original);
        if is_root() {
            chown(&path, Some(12_345), Some(54_321)).expect("an owner");
        }
        fs::set_permissions(&path, Permissions::from_mode(mode)).expect("permissions");
        let hours_ago = SystemTime::now() - Duration::from_secs(5 * 3600);
        File::open(&path).and_then(|file| file.set_modified(hours_ago)).expect("a time");
        let ran = hook(&bench, "pads.gcode").output().expect("the program runs");
        assert!(ran.status.success(), "{mode:o}: {}", said(&ran));
        let found = fs::metadata(&path).expect("the file is there");
        assert_eq!(found.mode() & 0o7777, mode, "{:o} became {:o}", mode, found.mode());
        if is_root() {
            assert_eq!((found.uid(), found.gid()), (12_345, 54_321));
        }
        // It is a new text: programs that look at times have to see that.
        assert!(found.modified().expect("a time") > hours_ago + Duration::from_secs(3600));
        fs::remove_file(path).expect("removed");
    }
    if !is_root() {
        skipped("owners: only an administrator may give files away");
    }
}

/// A file that is not ours but in a folder that we may write to becomes ours, since it cannot be given away. It lends
/// nobody our rights.
#[test]
fn files_of_others_in_a_folder_of_ones_own() {
    if !is_root() {
        return skipped("files of other users: only an administrator can make them");
    }
    let bench = Bench::new();
    fs::set_permissions(bench.path(""), Permissions::from_mode(0o777)).expect("permissions");
    let path = bench.file("pads.gcode", made(20_000));
    fs::set_permissions(&path, Permissions::from_mode(0o4755)).expect("permissions");
    let copy = bench.path("program");
    fs::copy(env!("CARGO_BIN_EXE_meltwright"), &copy).expect("copied");
    let mut command = Command::new(&copy);
    command.args(["hook", SET[0], SET[1], "pads.gcode"]).current_dir(bench.path(""));
    command.env("HOME", bench.path("no home")).env_remove("XDG_CONFIG_HOME").uid(NOBODY).gid(NOBODY);
    let ran = command.output().expect("the program runs");
    assert!(ran.status.success(), "{}", said(&ran));
    let found = fs::metadata(&path).expect("the file is there");
    assert_eq!((found.uid(), found.gid(), found.mode() & 0o7777), (NOBODY, NOBODY, 0o755));
}

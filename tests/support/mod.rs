//! What the tests of the command line share.
#![allow(dead_code)] // each test program uses a part of it

use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Stdio;

use assert_cmd::Command;
use tempfile::TempDir;

/// One small casting pad: two beads a default screw can follow, one it cannot.
pub const PADS: &str = "\
;LAYER_CHANGE
G90
M83
G28
G1 Z0.8 F600
G1 X10 Y10 F6000
G1 X60 Y10 E40 F600
G1 X60 Y60 E40 F6000
G1 X10 Y60 E40 F600
";

/// The same without anything a default screw cannot follow.
pub const CALM: &str = "\
G90
M83
G28
G1 Z0.8 F600
G1 X10 Y10 F6000
G1 X60 Y10 E2 F600
";

/// A motion line that cannot be read.
pub const BROKEN: &str = "G90\nM83\nG1 X10 Y4.5.6 E1 F600\n";

/// A folder of its own, and the program run in it with nothing of the user's settings.
pub struct Bench {
    folder: TempDir,
}

impl Bench {
    /// An empty folder.
    pub fn new() -> Self {
        let folder = tempfile::Builder::new().prefix("bench ø ").tempdir().expect("a temporary folder");
        Self { folder }
    }

    /// Path of `name` in it.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Writes a file and returns its path.
    pub fn file(&self, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path(name);
        fs::write(&path, content).expect("a file in the temporary folder");
        path
    }

    /// Makes a folder in it.
    pub fn folder(&self, name: &str) -> PathBuf {
        let path = self.path(name);
        fs::create_dir(&path).expect("a folder in the temporary folder");
        path
    }

    /// Makes a folder in which one cannot be read, whoever asks: its path is longer than the system takes.
    #[cfg(target_os = "linux")]
    pub fn shut(&self, name: &str) {
        let deep = vec!["x".repeat(200); 12].join("/");
        for half in [name, "other half"] {
            fs::create_dir_all(self.path(half).join(&deep)).expect("a deep folder");
        }
        fs::rename(self.path("other half"), self.path(name).join(&deep).join("y")).expect("a deeper one");
    }

    /// Names of all files in it, sorted.
    pub fn names(&self) -> Vec<String> {
        names(self.folder.path())
    }

    /// A build of the program, to be run in the folder by hand; what it says is caught.
    pub fn command(&self, program: impl AsRef<OsStr>, arguments: &[&str]) -> std::process::Command {
        let mut command = std::process::Command::new(program);
        command
            .current_dir(self.folder.path())
            .env_remove("MELTWRIGHT_PROFILE")
            .env("XDG_CONFIG_HOME", self.path("no settings"))
            .env("HOME", self.path("no home"))
            .args(arguments)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        command
    }

    /// Runs the program in the folder.
    pub fn run(&self, arguments: &[&str]) -> Ran {
        self.run_with(arguments, "")
    }

    /// The same with `stdin`.
    pub fn run_with(&self, arguments: &[&str], stdin: impl Into<Vec<u8>>) -> Ran {
        let mut command = Command::new(env!("CARGO_BIN_EXE_meltwright"));
        command
            .current_dir(self.folder.path())
            .env_remove("MELTWRIGHT_PROFILE")
            .env("XDG_CONFIG_HOME", self.folder.path().join("no settings"))
            .env("HOME", self.folder.path().join("no home"))
            .env("LC_ALL", "C.UTF-8")
            .env("APPDATA", self.folder.path().join("no settings"))
            .args(arguments)
            .write_stdin(stdin);
        let output = command.output().expect("the program runs");
        let redact = |bytes: &[u8]| {
            let folder = self.folder.path().display().to_string();
            String::from_utf8_lossy(bytes).replace(&folder, "[folder]")
        };
        Ran {
            code: output.status.code(),
            stdout: redact(&output.stdout),
            stderr: redact(&output.stderr),
            bytes: output.stdout,
        }
    }
}

/// What a run gave.
pub struct Ran {
    /// Exit code.
    pub code: Option<i32>,
    /// Standard output as text, with the folder blacked out.
    pub stdout: String,
    /// Error output likewise.
    pub stderr: String,
    /// Standard output as it came.
    pub bytes: Vec<u8>,
}

impl Ran {
    /// Checks the exit code, and returns itself.
    #[track_caller]
    pub fn code(self, expected: i32) -> Self {
        assert_eq!(self.code, Some(expected), "stdout:\n{}\nstderr:\n{}", self.stdout, self.stderr);
        self
    }

    /// Exit code and both streams, for snapshots.
    pub fn shown(&self) -> String {
        format!("exit {:?}\n--- stdout\n{}--- stderr\n{}", self.code, self.stdout, self.stderr)
    }
}

/// Names in a folder, sorted.
pub fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .expect("a folder")
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

/// Content of a file.
#[track_caller]
pub fn read(path: &Path) -> String {
    fs::read_to_string(path).expect("a text file")
}

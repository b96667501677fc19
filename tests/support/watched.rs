//! A program of ours, watched while it runs.

#![allow(dead_code, reason = "each test file uses a part of it")]

use std::path::Path;
use std::process::{Command, Output};
use std::time::{Duration, Instant};

/// What a run took.
#[derive(Debug)]
pub struct Watched {
    /// What it said, and how it ended.
    pub output: Output,
    /// Highest resident memory, KiB; 0 where the system does not tell.
    pub peak_kib: u64,
    /// How long it took.
    pub time: Duration,
}

/// Runs a program to its end, or kills it after `most`. What it says must fit into a pipe, 64 KiB.
pub fn watched(command: &mut Command, most: Duration) -> Watched {
    let start = Instant::now();
    let mut child = command.spawn().expect("the program starts");
    let status = format!("/proc/{}/status", child.id());
    // Until the system has put the program in the place of the one that started it, the figures are those of the latter. The
    // name, of which it keeps fifteen bytes, is changed last.
    let name = Path::new(command.get_program()).file_name().map(|name| name.to_string_lossy().into_owned());
    let name: String = name.unwrap_or_default().chars().take(15).collect();
    // The highest value so far stands there while the program runs, so the last look before its end tells nearly all.
    let mut peak_kib = 0;
    while child.try_wait().expect("the program is a child of this one").is_none() {
        let text = std::fs::read_to_string(&status).unwrap_or_default();
        let is_ours = text.lines().next().and_then(|line| line.strip_prefix("Name:")).is_some_and(|n| n.trim() == name);
        let line = text.lines().filter(|_| is_ours).find_map(|line| line.strip_prefix("VmHWM:"));
        let value: Option<u64> = line.and_then(|rest| rest.trim().trim_end_matches(" kB").parse().ok());
        peak_kib = peak_kib.max(value.unwrap_or(0));
        if start.elapsed() > most {
            child.kill().expect("it can be killed");
            panic!("not done after {most:?}, {peak_kib} KiB: {command:?}");
        }
        std::thread::sleep(Duration::from_millis(3));
    }
    let time = start.elapsed();
    Watched { output: child.wait_with_output().expect("the program is a child of this one"), peak_kib, time }
}

//! The whole of a rewrite, from bytes in memory to a sink.
//!
//! `cargo bench --bench end_to_end -- --write FILE MB [KIND]` writes a made file for the yardsticks instead, and prints
//! the peak and the sustained capacity, mm³/s, by which about half its moves are slowed.

use std::fs::File;
use std::io::{BufWriter, Cursor, Write, sink};
use std::process::ExitCode;
use std::time::Duration;

use criterion::{Criterion, SamplingMode, Throughput};
use meltwright::pipeline::{Options, Passes, rewrite};
use meltwright::profile::Profile;
use meltwright::summary::Summary;

mod data;

/// Bytes of each input.
const BYTES: usize = 32_000_000;

fn run(input: &[u8], profile: &Profile, options: &Options) -> Summary {
    rewrite(&mut Cursor::new(input), &mut sink(), profile, options, &mut |_| {}).expect("sound input")
}

fn bench(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("end_to_end");
    // Long runs, few of them.
    group.sampling_mode(SamplingMode::Flat);
    for (name, make) in data::KINDS {
        let input = make(BYTES);
        group.throughput(Throughput::Bytes(input.len() as u64));
        let profile = data::profile(data::half_slowed(name));
        let judged = run(&input, &profile, &Options::default());
        let share = judged.changes.moves_slowed as f64 / judged.before.moves as f64;
        eprintln!("{name}: {} moves, {:.0} % slowed", judged.before.moves, share * 100.0);
        assert!((0.35..0.65).contains(&share), "{name}: about half the moves are to be slowed");
        group.bench_function(name, |bencher| bencher.iter(|| run(&input, &profile, &Options::default())));
        if name == "tiny_segments" {
            let high = data::profile((1e5, 1e5));
            assert_eq!(run(&input, &high, &Options::default()).changes.moves_slowed, 0);
            group.bench_function("tiny_segments_none_slowed", |bencher| {
                bencher.iter(|| run(&input, &high, &Options::default()));
            });
            let none = Options { passes: Passes::NONE, ..Options::default() };
            group.bench_function("tiny_segments_passes_none", |bencher| {
                bencher.iter(|| run(&input, &profile, &none));
            });
            let single = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("a thread starts");
            group.bench_function("tiny_segments_one_thread", |bencher| {
                bencher.iter(|| single.install(|| run(&input, &profile, &Options::default())));
            });
        }
    }
    group.finish();
}

/// Writes a made file; the capacities, mm³/s, that suit it.
fn write_file(arguments: &[String]) -> Result<(f64, f64), String> {
    let usage = "usage: --write FILE MB [KIND]";
    let [path, megabytes, rest @ ..] = arguments else { return Err(usage.to_owned()) };
    let megabytes: usize = megabytes.parse().map_err(|_| usage.to_owned())?;
    let kind = rest.iter().find(|word| !word.starts_with("--")).map_or("tiny_segments", String::as_str);
    let write = || {
        let mut file = BufWriter::new(File::create(path)?);
        data::write_long(&mut file, kind, megabytes * 1_000_000)?;
        file.flush()
    };
    write().map_err(|error: std::io::Error| format!("{path}: {error}"))?;
    Ok(data::half_slowed(kind))
}

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let Some(at) = arguments.iter().position(|word| word == "--write") {
        return match write_file(&arguments[at + 1..]) {
            Ok((peak, sustained)) => {
                println!("{peak} {sustained}");
                ExitCode::SUCCESS
            }
            Err(message) => {
                eprintln!("{message}");
                ExitCode::FAILURE
            }
        };
    }
    let mut criterion = Criterion::default()
        .sample_size(10)
        .warm_up_time(Duration::from_millis(300))
        .measurement_time(Duration::from_secs(2))
        .configure_from_args();
    bench(&mut criterion);
    criterion.final_summary();
    ExitCode::SUCCESS
}

//! The survey: the surveyor alone in beads a second, a survey of its own, and rewrites with and without the part.

use std::fmt::Write as _;
use std::hint::black_box;
use std::io::{Cursor, sink};
use std::time::Duration;

use criterion::{Criterion, SamplingMode, Throughput, criterion_group, criterion_main};
use meltwright::line::Block;
use meltwright::motion::rules::MotionRules;
use meltwright::motion::{Beside, Ordered, Plan, Planner, Timing};
use meltwright::moves::resolve::{Resolver, Rules};
use meltwright::moves::settings::FileSettings;
use meltwright::moves::{Kind, Move, Side};
use meltwright::pipeline::survey::survey;
use meltwright::pipeline::{Options, rewrite};
use meltwright::survey::Surveyor;

mod data;

/// Bytes of input behind the moves.
const BYTES: usize = 1 << 20;
/// Bytes of input of a whole pass.
const LONG: usize = 16_000_000;

/// Many layers of five beads, 60 mm apart at most.
fn small_layers(bytes: usize) -> Vec<u8> {
    let mut out = String::from("G90\nM83\nG1 F1800\n");
    let mut layer = 0;
    while out.len() < bytes {
        layer += 1;
        writeln!(out, "G1 X0 Y0 Z{:.2}", f64::from(layer) * 0.2).expect("written");
        for (x, y) in [(60, 0), (60, 60), (0, 60), (0, 0), (30, 30)] {
            writeln!(out, "G1 X{x} Y{y} E2").expect("written");
        }
    }
    out.into_bytes()
}

/// Layers with perimeters and infill of a plate with four parts of 30 mm.
fn plate(bytes: usize) -> Vec<u8> {
    let mut out = String::from("G90\nM83\nG1 F1800\n");
    let mut layer = 0;
    while out.len() < bytes {
        layer += 1;
        writeln!(out, "G1 Z{:.2}", f64::from(layer) * 0.3).expect("written");
        for part in 0..4 {
            let (x, y) = (f64::from(part % 2) * 60.0, f64::from(part / 2) * 60.0);
            writeln!(out, "G1 X{:.3} Y{y:.3}", x + 15.0).expect("written");
            for point in 1..=120 {
                let angle = f64::from(point) / 120.0 * std::f64::consts::TAU;
                let (px, py) = (x + 15.0 * angle.cos(), y + 15.0 * angle.sin());
                writeln!(out, "G1 X{px:.3} Y{py:.3} E0.05").expect("written");
            }
            for line in 0..12 {
                let across = f64::from(line) * 1.6 - 9.0;
                let end = if line % 2 == 0 { 9.0 } else { -9.0 };
                writeln!(out, "G1 X{:.3} Y{:.3} E1.1", x + end, y + across).expect("written");
                writeln!(out, "G1 X{:.3} Y{:.3} E0.1", x + end, y + across + 1.6).expect("written");
            }
        }
    }
    out.into_bytes()
}

struct Made {
    moves: Vec<Move>,
    side: Side,
    timings: Vec<Timing>,
}

fn made(text: Vec<u8>) -> Made {
    let settings = FileSettings::default();
    let profile = data::profile((1e5, 1e5));
    let mut block = Block { bytes: text, first_line: 1, ..Block::default() };
    block.lex();
    let mut resolver = Resolver::new(Rules::new(&profile, &settings, false), &settings, false);
    let mut moves = Vec::new();
    resolver.resolve(&block, &mut moves).expect("sound input");
    let side = resolver.side;
    let (mut arcs, mut limits) = (side.arcs.iter(), side.limits.iter());
    let (mut planner, mut timings) = (Planner::new(&MotionRules::of(&profile)), Vec::new());
    for step in &moves {
        let arc = if step.has(Move::ARC) { arcs.next() } else { None };
        let limits = if step.kind == Kind::Limits { limits.next() } else { None };
        planner.push(step, Beside { arc, limits }, Ordered::by_file(step));
    }
    planner.finish();
    planner.hand_over(&mut timings);
    assert_eq!(timings.len(), moves.len());
    Made { moves, side, timings }
}

fn kinds(bytes: usize) -> Vec<(&'static str, Vec<u8>)> {
    let own = [("small_layers", small_layers(bytes)), ("plate", plate(bytes))];
    data::KINDS.iter().map(|(name, make)| (*name, make(bytes))).chain(own).collect()
}

fn surveyor(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("surveyor");
    for (name, text) in kinds(BYTES) {
        let made = made(text);
        let beads = made.moves.iter().filter(|step| step.kind == Kind::Bead).count();
        group.throughput(Throughput::Elements(beads as u64));
        group.bench_function(name, |bencher| {
            bencher.iter(|| {
                let (mut surveyor, mut layers) = (Surveyor::new(1.0), Vec::new());
                surveyor.take(black_box(&made.moves), &made.timings, &made.side, &mut layers);
                (surveyor.finish(&mut layers), layers)
            });
        });
    }
    group.finish();
}

fn pass(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("survey_pass");
    group.sampling_mode(SamplingMode::Flat);
    for name in ["tiny_segments", "tiny_layers", "plate"] {
        let input = data::kind(name, LONG).unwrap_or_else(|| plate(LONG));
        let profile = data::profile(data::half_slowed("tiny_segments"));
        let options = Options::default();
        let mut without = options.clone();
        (without.passes.softness, without.passes.layer_time) = (false, false);
        group.throughput(Throughput::Bytes(input.len() as u64));
        group.bench_function(format!("{name}/survey"), |bencher| {
            bencher.iter(|| {
                survey(&mut Cursor::new(&input), &profile, &options, &mut |_| {}, &mut |layer| {
                    black_box(layer);
                })
                .expect("sound input")
            });
        });
        for (what, options) in [("rewrite", &options), ("rewrite_without_the_part", &without)] {
            group.bench_function(format!("{name}/{what}"), |bencher| {
                bencher.iter(|| {
                    rewrite(&mut Cursor::new(&input), &mut sink(), &profile, options, &mut |_| {}).expect("sound input")
                });
            });
        }
    }
    group.finish();
}

criterion_group! {
    name = benches;
    config = Criterion::default()
        .sample_size(10)
        .warm_up_time(Duration::from_millis(500))
        .measurement_time(Duration::from_secs(2));
    targets = surveyor, pass
}
criterion_main!(benches);

//! From moves to what the controller executes, in moves a second, for both planners.

use std::hint::black_box;
use std::time::Duration;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use meltwright::line::Block;
use meltwright::motion::rules::MotionRules;
use meltwright::motion::{Beside, Ordered, Plan, Planner, Timing};
use meltwright::moves::resolve::{Resolver, Rules};
use meltwright::moves::settings::FileSettings;
use meltwright::moves::{Kind, Move, Side};
use meltwright::profile::Profile;

mod data;

/// Bytes of input behind the moves.
const BYTES: usize = 2 << 20;
/// Moves between two times that timings are fetched, as blocks do.
const FETCH_EACH: usize = 2048;

fn moves_of(text: Vec<u8>) -> (Vec<Move>, Side) {
    let settings = FileSettings::default();
    let rules = Rules::new(&data::profile((1e5, 1e5)), &settings, false);
    let mut block = Block { bytes: text, first_line: 1, ..Block::default() };
    block.lex();
    let mut moves = Vec::new();
    let mut resolver = Resolver::new(rules, &settings, false);
    resolver.resolve(&block, &mut moves).expect("sound input");
    (moves, resolver.side)
}

/// Plans all moves; their time, s.
fn plan(rules: &MotionRules, moves: &[Move], side: &Side, timings: &mut Vec<Timing>) -> f64 {
    let mut planner = Planner::new(rules);
    let (mut arcs, mut limits) = (side.arcs.iter(), side.limits.iter());
    let mut time = 0.0;
    for part in moves.chunks(FETCH_EACH) {
        for step in part {
            let beside = Beside {
                arc: if step.has(Move::ARC) { arcs.next() } else { None },
                limits: if step.kind == Kind::Limits { limits.next() } else { None },
            };
            planner.push(step, beside, Ordered::by_file(step));
        }
        timings.clear();
        planner.hand_over(timings);
        time += timings.iter().map(|timing| timing.time).sum::<f64>();
    }
    planner.finish();
    timings.clear();
    planner.hand_over(timings);
    time + timings.iter().map(|timing| timing.time).sum::<f64>()
}

fn bench(criterion: &mut Criterion) {
    let inputs = data::KINDS.map(|(name, make)| (name, moves_of(make(BYTES))));
    for preset in ["host", "board", "network"] {
        let text = format!("[controller]\npreset = \"{preset}\"\n");
        let rules = MotionRules::of(&Profile::load(&text, "bench.toml").expect("a sound profile"));
        let mut group = criterion.benchmark_group(format!("planner_{preset}"));
        for (name, (moves, side)) in &inputs {
            let mut timings = Vec::new();
            assert!(plan(&rules, moves, side, &mut timings) > 1.0, "{name}: the machine moves");
            group.throughput(Throughput::Elements(moves.len() as u64));
            group.bench_function(*name, |bencher| {
                bencher.iter(|| plan(&rules, black_box(moves), side, &mut timings));
            });
        }
        group.finish();
    }
}

criterion_group! {
    name = benches;
    config = Criterion::default().warm_up_time(Duration::from_millis(500)).measurement_time(Duration::from_secs(2));
    targets = bench
}
criterion_main!(benches);

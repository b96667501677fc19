//! The virtual machine: planner, melt and judge, in moves a second.

use std::hint::black_box;
use std::time::Duration;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use meltwright::line::Block;
use meltwright::motion::rules::MotionRules;
use meltwright::motion::{Beside, Ordered, Plan, Planner, Timing};
use meltwright::moves::resolve::{Resolver, Rules};
use meltwright::moves::settings::FileSettings;
use meltwright::moves::{Kind, Move, Side};
use meltwright::replay::align::Span;
use meltwright::replay::machine::Machine;
use meltwright::replay::{Conditions, ReplayFigures};

mod data;

/// Bytes of input behind the moves.
const BYTES: usize = 1 << 20;
/// Moves between two looks at what is settled, about as many as a block holds.
const TOGETHER: usize = 2000;

/// Gives timings made before: what is left is the replay without its planner.
struct Known<'a> {
    timings: &'a [Timing],
    pushed: usize,
}

impl Plan for Known<'_> {
    fn push(&mut self, _: &Move, _: Beside<'_>, _: Ordered) {
        self.pushed += 1;
    }

    fn finish(&mut self) {}

    fn hand_over(&mut self, out: &mut Vec<Timing>) {
        let (ready, left) = self.timings.split_at(std::mem::take(&mut self.pushed));
        out.extend_from_slice(ready);
        self.timings = left;
    }
}

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

/// Gives each move, with what stands beside it, to `take`.
fn each(moves: &[Move], side: &Side, mut take: impl FnMut(usize, &Move, Beside<'_>)) {
    let (mut arcs, mut limits) = (side.arcs.iter(), side.limits.iter());
    for (index, step) in moves.iter().enumerate() {
        let arc = if step.has(Move::ARC) { arcs.next() } else { None };
        let limits = if step.kind == Kind::Limits { limits.next() } else { None };
        take(index, step, Beside { arc, limits });
    }
}

fn replay<P: Plan>(moves: &[Move], side: &Side, planner: P, conditions: &Conditions) -> ReplayFigures {
    let mut machine = Machine::new(planner, conditions);
    each(moves, side, |index, step, beside| {
        machine.take(step, beside, Span::of(step));
        if index % TOGETHER == TOGETHER - 1 {
            machine.run();
        }
    });
    machine.finish()
}

fn bench(criterion: &mut Criterion) {
    let profile = data::profile((30.0, 30.0));
    let (rules, conditions) = (MotionRules::of(&profile), Conditions::of(&profile));
    let inputs = data::KINDS.map(|(name, make)| (name, moves_of(make(BYTES))));
    for (group, planned) in [("replay", true), ("replay_without_planner", false)] {
        let mut group = criterion.benchmark_group(group);
        for (name, (moves, side)) in &inputs {
            let (mut planner, mut timings) = (Planner::new(&rules), Vec::new());
            each(moves, side, |_, step, beside| planner.push(step, beside, Ordered::by_file(step)));
            planner.finish();
            planner.hand_over(&mut timings);
            assert_eq!(timings.len(), moves.len(), "{name}");
            group.throughput(Throughput::Elements(moves.len() as u64));
            group.bench_function(*name, |bencher| {
                bencher.iter(|| {
                    let moves = black_box(moves);
                    if planned {
                        replay(moves, side, Planner::new(&rules), &conditions)
                    } else {
                        replay(moves, side, Known { timings: &timings, pushed: 0 }, &conditions)
                    }
                });
            });
        }
        group.finish();
    }
}

criterion_group! {
    name = benches;
    config = Criterion::default()
        .sample_size(10)
        .warm_up_time(Duration::from_millis(500))
        .measurement_time(Duration::from_secs(2));
    targets = bench
}
criterion_main!(benches);

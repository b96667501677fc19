//! From moves to the feeds that are written: peak, sustained and feed, in moves a second.

use std::hint::black_box;
use std::time::Duration;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use meltwright::demand::capacity::Capacity;
use meltwright::line::Block;
use meltwright::moves::Move;
use meltwright::moves::resolve::{Resolver, Rules};
use meltwright::moves::settings::FileSettings;
use meltwright::passes::feed::{FeedEdit, Feeds};
use meltwright::passes::peak;
use meltwright::passes::sustained::Sustained;

mod data;

/// Bytes of input behind the moves: enough that the sustained pass fills its window many times.
const BYTES: usize = 4 << 20;

fn moves_of(text: Vec<u8>) -> Vec<Move> {
    let settings = FileSettings::default();
    let rules = Rules::new(&data::profile((1e5, 1e5)), &settings, false);
    let mut block = Block { bytes: text, first_line: 1, ..Block::default() };
    block.lex();
    let mut moves = Vec::new();
    Resolver::new(rules, &settings, false).resolve(&block, &mut moves).expect("sound input");
    moves
}

/// Runs the passes; how many feeds they change.
fn limit(moves: &[Move], capacity: &Capacity) -> usize {
    let top = capacity.peak_mm3_s.max(capacity.screw_mm3_s);
    let mut sustained = Sustained::new(capacity.sustained_mm3_s, capacity.window_s, top);
    let mut feeds = Feeds::new(25.0);
    for step in moves {
        let time = step.distance() / step.speed;
        let verdict = peak::judge(step, step.speed, capacity);
        sustained.push(step, verdict, verdict.least_time(step, time), u64::from(step.feed_at));
    }
    sustained.finish();
    let mut settled = Vec::with_capacity(moves.len());
    sustained.hand_over(&mut settled);
    let edits = moves.iter().zip(&settled).map(|(step, verdict)| feeds.next(step, verdict, 1.0).0);
    edits.filter(|edit| *edit != FeedEdit::Keep).count()
}

fn bench(criterion: &mut Criterion) {
    let inputs = data::KINDS.map(|(name, make)| (name, moves_of(make(BYTES))));
    for (group, half) in [("passes_half_slowed", true), ("passes_none_slowed", false)] {
        let mut group = criterion.benchmark_group(group);
        for (name, moves) in &inputs {
            let capacity = Capacity::of(&data::profile(if half { data::half_slowed(name) } else { (1e5, 1e5) }));
            assert_eq!(limit(moves, &capacity) > 0, half, "{name}: feeds are changed only where moves are slowed");
            group.throughput(Throughput::Elements(moves.len() as u64));
            group.bench_function(*name, |bencher| bencher.iter(|| limit(black_box(moves), &capacity)));
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

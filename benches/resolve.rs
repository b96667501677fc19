//! From lexed blocks to moves: bytes and moves in a second.

use std::hint::black_box;
use std::time::Duration;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use meltwright::line::Block;
use meltwright::moves::resolve::{Resolver, Rules};
use meltwright::moves::settings::FileSettings;

mod data;

/// Bytes of a block, as the tool reads them.
const BLOCK: usize = 256 * 1024;

fn bench(criterion: &mut Criterion) {
    let settings = FileSettings::default();
    let rules = Rules::new(&data::profile((1e5, 1e5)), &settings, false);
    let inputs = data::KINDS.map(|(name, make)| {
        let mut block = Block { bytes: make(BLOCK), first_line: 1, ..Block::default() };
        block.lex();
        let mut moves = Vec::new();
        Resolver::new(rules.clone(), &settings, false).resolve(&block, &mut moves).expect("sound input");
        (name, block, moves.len())
    });
    for by_move in [false, true] {
        let mut group = criterion.benchmark_group(if by_move { "resolve_moves" } else { "resolve_bytes" });
        for (name, block, count) in &inputs {
            group.throughput(if by_move {
                Throughput::Elements(*count as u64)
            } else {
                Throughput::Bytes(block.bytes.len() as u64)
            });
            let mut moves = Vec::new();
            group.bench_function(*name, |bencher| {
                bencher.iter(|| {
                    moves.clear();
                    let mut resolver = Resolver::new(rules.clone(), &settings, false);
                    resolver.resolve(black_box(block), &mut moves).map(|()| moves.len())
                });
            });
        }
        group.finish();
    }
}

criterion_group! {
    name = benches;
    config = Criterion::default()
        .sample_size(20)
        .warm_up_time(Duration::from_millis(500))
        .measurement_time(Duration::from_secs(2));
    targets = bench
}
criterion_main!(benches);

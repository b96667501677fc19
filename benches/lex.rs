//! How fast lines and words are found, in blocks of the size the tool reads.

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use meltwright::line::lex;
use meltwright::line::{Line, Word};
use std::hint::black_box;

mod data;

/// Bytes of a block.
const BLOCK: usize = 256 * 1024;

fn bench(criterion: &mut Criterion) {
    let inputs = data::KINDS.map(|(name, make)| (name, make(BLOCK)));
    for (group, find) in [("lex", lex::lex as Find), ("lex_by_grammar", lex::lex_by_grammar)] {
        let mut group = criterion.benchmark_group(group);
        for (name, text) in &inputs {
            let (mut lines, mut words) = (Vec::new(), Vec::new());
            group.throughput(Throughput::Bytes(text.len() as u64));
            group.bench_function(*name, |bencher| {
                bencher.iter(|| {
                    lines.clear();
                    words.clear();
                    find(black_box(text), &mut lines, &mut words);
                    (lines.len(), words.len())
                });
            });
        }
        group.finish();
    }
}

type Find = fn(&[u8], &mut Vec<Line>, &mut Vec<Word>);

criterion_group! {
    name = benches;
    config = Criterion::default().sample_size(20);
    targets = bench
}
criterion_main!(benches);

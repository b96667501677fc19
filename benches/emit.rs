//! From edits to text, and the number writer against the standard formatter.

use std::hint::black_box;
use std::io::Write;
use std::time::Duration;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use meltwright::line::edit::{Edit, Put, apply};
use meltwright::line::number::write_fixed;
use meltwright::line::{Block, LineKind};

mod data;

/// Bytes of a block, as the tool reads them.
const BLOCK: usize = 256 * 1024;
/// How many numbers are written.
const NUMBERS: u64 = 4096;

/// An F word at the end of every second line with words.
fn edits(block: &Block) -> Vec<Edit> {
    let code = block.lines.iter().filter(|line| line.kind == LineKind::Code).step_by(2);
    code.enumerate()
        .map(|(index, line)| {
            let value = 900.0 + (index % 977) as f64 * 1.3;
            Edit { at: line.code_end, remove: 0, put: Put::Word { space: true, letter: b'F', value, decimals: 1 } }
        })
        .collect()
}

fn apply_edits(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("apply");
    for (name, make) in data::KINDS {
        let mut block = Block { bytes: make(BLOCK), ..Block::default() };
        block.lex();
        let edits = edits(&block);
        let mut out = Vec::new();
        group.throughput(Throughput::Bytes(block.bytes.len() as u64));
        group.bench_function(name, |bencher| {
            bencher.iter(|| {
                out.clear();
                apply(black_box(&block.bytes), b"", &edits, &mut out);
                out.len()
            });
        });
    }
    group.finish();
}

fn numbers(criterion: &mut Criterion) {
    for (group, decimals, scale) in [("number_e", 5_u8, 0.000_137), ("number_f", 1, 0.73)] {
        let mut group = criterion.benchmark_group(group);
        let values: Vec<f64> = (1..=NUMBERS).map(|n| n as f64 * scale).collect();
        let mut out = Vec::new();
        group.throughput(Throughput::Elements(NUMBERS));
        group.bench_function("write_fixed", |bencher| {
            bencher.iter(|| {
                out.clear();
                black_box(&values).iter().for_each(|value| write_fixed(&mut out, *value, decimals));
                out.len()
            });
        });
        group.bench_function("format", |bencher| {
            bencher.iter(|| {
                out.clear();
                let width = usize::from(decimals);
                black_box(&values)
                    .iter()
                    .for_each(|value| out.extend_from_slice(format!("{value:.width$}").as_bytes()));
                out.len()
            });
        });
        group.bench_function("write_macro", |bencher| {
            bencher.iter(|| {
                out.clear();
                let width = usize::from(decimals);
                black_box(&values).iter().try_for_each(|value| write!(out, "{value:.width$}")).map(|()| out.len())
            });
        });
        group.finish();
    }
}

criterion_group! {
    name = benches;
    config = Criterion::default()
        .sample_size(20)
        .warm_up_time(Duration::from_millis(500))
        .measurement_time(Duration::from_secs(2));
    targets = apply_edits, numbers
}
criterion_main!(benches);

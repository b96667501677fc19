//! How parts that join and fork carry their own weight, through a whole audit.

#[path = "support/reader.rs"]
mod reader;
#[path = "support/runs.rs"]
mod runs;
#[path = "support/stack.rs"]
mod stack;

use std::io::Cursor;

use meltwright::pipeline::{self, Options};
use meltwright::profile::PartMoves;
use stack::{SOFT, Stack, profile};

/// How many times its weight a part carries, at its worst.
fn carries(text: &str) -> f64 {
    let mut profile = profile(5.0, 1.0);
    profile.machine.part_moves.value = PartMoves::None;
    let options = Options { passes: SOFT, ..Options::default() };
    let summary = pipeline::audit(&mut Cursor::new(text), &profile, &options, &mut |_| {}).expect("an audit");
    let bands = &summary.part.as_ref().expect("the part was looked at").bands;
    bands.list().iter().filter_map(|band| band.weight_factor).fold(f64::INFINITY, f64::min)
}

/// Four legs under a plate carry a quarter of it each; and a trunk carries all of its four branches, as it carries a block of
/// their mass.
#[test]
fn legs_share_their_load_and_branches_add_up() {
    let legs = [[50.0, 50.0], [62.0, 50.0], [50.0, 62.0], [62.0, 62.0]];
    let (mut table, mut leg) = (Stack::new(0.5, 1.0), Stack::new(0.5, 1.0));
    for _ in 0..40 {
        table.up();
        for at in legs {
            table.block(at, [4.0, 4.0]);
        }
        leg.up().block([54.0, 54.0], [4.0, 4.0]);
    }
    for _ in 0..8 {
        table.up().block([50.0, 50.0], [16.0, 16.0]);
        leg.up().block([52.0, 52.0], [8.0, 8.0]);
    }
    let [table, leg] = [table, leg].map(|stack| carries(&stack.text));
    assert!((table / leg - 1.0).abs() < 0.1, "{table} {leg}");
    let (mut tree, mut block) = (Stack::new(0.5, 1.0), Stack::new(0.5, 1.0));
    for stack in [&mut tree, &mut block] {
        for _ in 0..30 {
            stack.up().block([56.0, 56.0], [4.0, 4.0]);
        }
        for _ in 0..4 {
            stack.up().block([50.0, 50.0], [16.0, 16.0]);
        }
    }
    for _ in 0..20 {
        tree.up();
        for at in legs {
            tree.block(at, [4.0, 4.0]);
        }
        block.up().block([54.0, 54.0], [8.0, 8.0]);
    }
    let [tree, block] = [tree, block].map(|stack| carries(&stack.text));
    assert!((tree / block - 1.0).abs() < 0.2, "{tree} {block}");
}

/// A pin beside a hundred blocks is judged as one that stands alone, and so are a hundred pins.
#[test]
fn many_islands_are_judged_as_few() {
    let places = (0..10).flat_map(|row| (0..10).map(move |column| [8.0 * f64::from(column), 8.0 * f64::from(row)]));
    let places: Vec<[f64; 2]> = places.collect();
    let [mut alone, mut beside, mut many] = [0; 3].map(|_| Stack::new(0.5, 1.0));
    for _ in 0..40 {
        alone.up().block([100.0, 100.0], [2.0, 2.0]);
        beside.up().block([100.0, 100.0], [2.0, 2.0]);
        many.up();
        for at in &places {
            beside.block(*at, [4.0, 4.0]);
            many.block(*at, [2.0, 2.0]);
        }
    }
    let [alone, beside, many] = [alone, beside, many].map(|stack| carries(&stack.text));
    assert!((beside / alone - 1.0).abs() < 1e-6 && (many / alone - 1.0).abs() < 1e-6, "{alone} {beside} {many}");
}

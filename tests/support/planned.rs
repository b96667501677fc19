//! How a file is executed, by the crate's planner.
//!
//! The reader shares nothing with the library; only for times it leans on the planner. That one is held to the times
//! of real controllers by `tests/planner_corpus.rs` and to hand-worked cases by `tests/planner.rs`.

#![allow(dead_code, reason = "each test file uses a part of it")]

use std::collections::HashMap;
use std::io::Cursor;

use meltwright::line::Block;
use meltwright::motion::rules::{EVolumes, MotionRules};
use meltwright::motion::{Beside, Ordered, Plan, Planner, Timing};
use meltwright::moves::resolve::{Resolver, Rules};
use meltwright::moves::{Kind, Move};
use meltwright::pipeline::prescan::prescan;
use meltwright::profile::Profile;

use crate::reader::{self, Reading};

/// A file as it is executed.
pub struct Planned {
    /// Timing of the moves of each line.
    by_line: HashMap<usize, Timing>,
    /// Waits by line, in order: (line, s).
    waits: Vec<(usize, f64)>,
    /// Time of all of it, s.
    pub total: f64,
}

/// Executes a whole file.
pub fn plan(bytes: &[u8], profile: &Profile) -> Planned {
    let settings = prescan(&mut Cursor::new(bytes)).expect("a text file").settings;
    let rules = Rules::new(profile, &settings, true);
    let mut planner = Planner::new(&MotionRules::with_e(profile, EVolumes::of(&rules)));
    let mut resolver = Resolver::new(rules, &settings, true);
    let mut block = Block { bytes: bytes.to_vec(), first_line: 1, ..Block::default() };
    block.lex();
    let mut moves: Vec<Move> = Vec::new();
    resolver.resolve(&block, &mut moves).expect("a readable file");
    let (mut arcs, mut limits) = (resolver.side.arcs.iter(), resolver.side.limits.iter());
    for step in &moves {
        let beside = Beside {
            arc: if step.has(Move::ARC) { arcs.next() } else { None },
            limits: if step.kind == Kind::Limits { limits.next() } else { None },
        };
        planner.push(step, beside, Ordered::by_file(step));
    }
    planner.finish();
    let mut timings = Vec::new();
    planner.hand_over(&mut timings);
    assert_eq!(timings.len(), moves.len(), "one timing for each move");
    let mut planned = Planned { by_line: HashMap::new(), waits: Vec::new(), total: 0.0 };
    for (step, timing) in moves.iter().zip(timings) {
        let line = step.line as usize + 1;
        planned.total += timing.time;
        if step.length > 0.0 || step.e != 0.0 {
            planned.by_line.insert(line, timing);
        } else if timing.time > 0.0 {
            planned.waits.push((line, timing.time));
        }
    }
    planned
}

impl Planned {
    /// How a move of the reader is executed.
    pub fn of(&self, m: &reader::Move) -> Timing {
        let found = self.by_line.get(&m.line).copied();
        found.unwrap_or_else(|| panic!("line {}: the library sees no move here", m.line))
    }

    /// Highest flow of a move, mm³/s; negative where the screw turns back.
    pub fn flow(&self, m: &reader::Move) -> f64 {
        let distance = if m.length > 0.0 { m.length } else { m.e.abs() };
        m.volume / distance * self.of(m).top
    }

    /// Waits before each move of the reader: (index, s).
    pub fn waits(&self, reading: &Reading) -> Vec<(usize, f64)> {
        let index = |line: usize| reading.moves.partition_point(|m| m.line < line);
        self.waits.iter().map(|&(line, time)| (index(line), time)).collect()
    }
}

//! Total times of real files against those of two open controllers' own planners.
//!
//! The times are in `controller-times.tsv` beside the corpus; they were measured by running the unmodified planner
//! code of the controllers on the whole files.

#[path = "support/corpus.rs"]
mod corpus;

use std::collections::BTreeMap;
use std::path::Path;

use meltwright::line::Block;
use meltwright::motion::rules::MotionRules;
use meltwright::motion::{Beside, Plan, Planner};
use meltwright::moves::resolve::{Resolver, Rules};
use meltwright::moves::settings::FileSettings;
use meltwright::moves::{Kind, Move};
use meltwright::profile::Profile;

/// The settings of the table, as profiles.
const SETTINGS: [(&str, &str); 4] = [
    (
        "open",
        "[machine]\nmax_speed_mm_s = 300.0\nmax_accel_mm_s2 = 3000.0\n\
         corner = { rule = \"right-angle-speed\", mm_s = 5.0 }\n\
         axis_accel_mm_s2 = [1e7, 1e7, 3000, 1e7]\n[controller]\npreset = \"host\"\nmin_cruise_share = 0.5\ne_step_mm_s = 1.0\n\
         e_only_speed_mm_s = 120.0\ne_only_accel_mm_s2 = 3000.0\n",
    ),
    (
        "strict",
        "[machine]\nmax_speed_mm_s = 300.0\nmax_accel_mm_s2 = 3000.0\n\
         corner = { rule = \"right-angle-speed\", mm_s = 5.0 }\n\
         axis_accel_mm_s2 = [1e7, 1e7, 3000, 1e7]\n[controller]\npreset = \"host\"\nmin_cruise_share = 0.5\ne_step_mm_s = 1.0\n\
         e_only_speed_mm_s = 319.2972\ne_only_accel_mm_s2 = 3192.972\n",
    ),
    (
        "jd",
        "[machine]\nmax_speed_mm_s = 1000.0\nmax_accel_mm_s2 = 3000.0\nsteps_per_mm = [80, 80, 400, 500]\n\
         axis_speed_mm_s = [300, 300, 20, 120]\naxis_accel_mm_s2 = [3000, 3000, 200, 10000]\n\
         corner = { rule = \"deviation\", mm = 0.013 }\n\
         [controller]\npreset = \"board\"\nlook_ahead_moves = 15\n",
    ),
    (
        "jerk",
        "[machine]\nmax_speed_mm_s = 1000.0\nmax_accel_mm_s2 = 3000.0\nsteps_per_mm = [80, 80, 400, 500]\n\
         axis_speed_mm_s = [300, 300, 20, 120]\naxis_accel_mm_s2 = [3000, 3000, 200, 10000]\n\
         corner = { rule = \"axis-step\", mm_s = [10, 10, 0.3, 5] }\n\
         [controller]\npreset = \"board\"\nlook_ahead_moves = 15\n",
    ),
];

/// A row of the table.
struct Row {
    total_s: f64,
    dwell_s: f64,
    moves: u64,
}

/// The rows by file and setting. `None` without the table.
fn table() -> Option<BTreeMap<(String, String), Row>> {
    let folder = corpus::files()?.first()?.parent()?.parent()?.to_owned();
    let path = folder.join("controller-times.tsv");
    let text = match std::fs::read_to_string(&path) {
        Ok(text) => text,
        Err(error) => {
            let text = format!("{} not found: {error}", path.display());
            assert!(std::env::var_os("MELTWRIGHT_REQUIRE_CORPUS").is_none(), "{text}");
            eprintln!("SKIPPED: {text}");
            return None;
        }
    };
    let mut lines = text.lines();
    let names: Vec<&str> = lines.next()?.split('\t').collect();
    let at = |name: &str| names.iter().position(|found| *found == name).expect("a column of this name");
    let (file, profile, total, dwell, moves) = (at("file"), at("profile"), at("total_s"), at("dwell_s"), at("moves"));
    let row = |line: &str| {
        let cells: Vec<&str> = line.split('\t').collect();
        let number = |column: usize| cells[column].parse::<f64>().expect("a number");
        let row = Row { total_s: number(total), dwell_s: number(dwell), moves: number(moves) as u64 };
        ((cells[file].to_owned(), cells[profile].to_owned()), row)
    };
    Some(lines.map(row).collect())
}

/// What we make of a file.
#[derive(Default)]
struct Ours {
    total_s: f64,
    dwell_s: f64,
    moves: u64,
}

fn run(path: &Path, profile: &Profile) -> Ours {
    let mut profile = profile.clone();
    profile.screw.tools.value = (0..10).collect();
    let bytes = std::fs::read(path).expect("a readable file");
    let mut settings = FileSettings::default();
    settings.read(&bytes);
    if settings.strand_diameters_mm.is_empty() {
        settings.strand_diameters_mm = vec![1.75];
    }
    let mut resolver = Resolver::new(Rules::new(&profile, &settings, true), &settings, true);
    let mut planner = Planner::new(&MotionRules::of(&profile));
    let mut block = Block { bytes, first_line: 1, ..Block::default() };
    block.lex();
    let mut moves: Vec<Move> = Vec::new();
    resolver.resolve(&block, &mut moves).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let mut ours = Ours::default();
    let (mut arcs, mut limits) = (resolver.side.arcs.iter(), resolver.side.limits.iter());
    for step in &moves {
        let beside = Beside {
            arc: if step.has(Move::ARC) { arcs.next() } else { None },
            limits: if step.kind == Kind::Limits { limits.next() } else { None },
        };
        planner.push(step, beside, step.speed, f64::INFINITY);
        ours.moves +=
            if step.has(Move::ARC) { step.length.floor().max(1.0) as u64 } else { u64::from(step.distance() > 0.0) };
    }
    planner.finish();
    let mut timings = Vec::new();
    planner.hand_over(&mut timings);
    assert_eq!(timings.len(), moves.len(), "one timing for each move");
    for (step, timing) in moves.iter().zip(&timings) {
        ours.total_s += timing.time;
        ours.dwell_s += if matches!(step.kind, Kind::Dwell | Kind::Stop) { timing.time } else { 0.0 };
    }
    ours
}

#[test]
fn totals_agree() {
    let (Some(files), Some(table)) = (corpus::files(), table()) else { return };
    for (name, text) in SETTINGS {
        let profile = Profile::load(text, "settings.toml").expect("a sound profile");
        for path in &files {
            let file = path.file_name().and_then(|name| name.to_str()).expect("a plain name").to_owned();
            let Some(theirs) = table.get(&(file.clone(), name.to_owned())) else { continue };
            if let Ok(only) = std::env::var("ONLY")
                && !file.contains(&only)
                && !name.contains(&only)
            {
                continue;
            }
            let ours = run(path, &profile);
            let error = ours.total_s / theirs.total_s - 1.0;
            eprintln!(
                "{file:48} {name:7} {:12.3} {:12.3} {:9.1e}  dwell {:.3} {:.3} moves {} {}",
                ours.total_s, theirs.total_s, error, ours.dwell_s, theirs.dwell_s, ours.moves, theirs.moves
            );
        }
    }
}

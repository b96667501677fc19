//! Real files as parts of Shore 10A on a moving bed, with every pass.

#[path = "support/corpus.rs"]
mod corpus;
#[path = "support/planned.rs"]
mod planned;
#[path = "support/reader.rs"]
mod reader;
#[path = "support/runs.rs"]
mod runs;

use std::io::Cursor;
use std::time::Instant;

use meltwright::passes::Reason;
use meltwright::pipeline::survey::survey;
use meltwright::pipeline::{Options, Passes};
use meltwright::profile::PartMoves;

#[test]
fn real_files_of_a_soft_stuff() {
    let Some(files) = corpus::files() else { return };
    let (mut bounded, mut in_all) = (0, 0);
    for path in files {
        let name = runs::name_of(&path);
        let input = std::fs::read(&path).unwrap_or_else(|error| panic!("{name}: {error}"));
        let mut p = runs::with_capacity(runs::profile(), 60.0, 60.0, 60.0);
        p.feedstock.shore_a.value = 10.0;
        p.machine.part_moves.value = PartMoves::Xy;
        p.nozzle.diameter_mm.value = 0.4;
        (p.machine.park_x_mm.value, p.machine.park_y_mm.value) = (Some(-5.0), Some(-5.0));
        let options = Options { passes: Passes { scale: false, ..Passes::ALL }, hash: false, ..Options::default() };
        let start = Instant::now();
        let surveyed = survey(&mut Cursor::new(&input), &p, &options, &mut |_| {}, &mut |_| {});
        let survey_s = start.elapsed().as_secs_f64();
        let start = Instant::now();
        let (output, summary) = match runs::rewrite(&input, &p, &options) {
            Ok(done) => done,
            Err(error) => {
                // What a rewrite refuses, a rewrite without a survey refuses in the same words.
                let plain = Options { passes: Passes { capacity: true, ..Passes::NONE }, ..options.clone() };
                let other = runs::rewrite(&input, &p, &plain).err().map(|other| other.to_string());
                assert_eq!(other, Some(error.to_string()), "{name}");
                continue;
            }
        };
        let rewrite_s = start.elapsed().as_secs_f64();
        assert!(surveyed.is_ok(), "{name}");
        in_all += 1;
        let part = summary.part.as_ref().unwrap_or_else(|| panic!("{name}: no part"));
        let bands = part.bands.list();
        eprintln!(
            "{name}: {} bands, {} waits, survey {:.0} % of {rewrite_s:.2} s",
            bands.len(),
            part.waits,
            100.0 * survey_s / rewrite_s
        );
        assert!(summary.after.time_s >= summary.before.time_s * 0.5 && summary.after.time_s.is_finite(), "{name}");
        for band in bands {
            let figures = [band.accel_x_mm_s2, band.accel_y_mm_s2, band.sway_mm, band.frequency_hz, band.weight_factor];
            assert!(figures.iter().flatten().all(|value| value.is_finite() && *value > 0.0), "{name}: {band:?}");
            assert!(band.first_layer <= band.last_layer && band.time_before_s >= 0.0, "{name}: {band:?}");
        }
        bounded += usize::from(bands.iter().any(|band| band.accel_y_mm_s2.is_some_and(|accel| accel < 3000.0)));
        let text = String::from_utf8_lossy(&output);
        let counted = |line: &str| text.lines().filter(|other| *other == line).count() as u64;
        assert_eq!(counted("; to the park position"), part.waits, "{name}");
        assert_eq!(counted("; back at the print"), part.waits, "{name}");
        // The output is a file whose layers have their time, but for the last digits of feeds and short waits.
        if part.waits > 0 {
            let planned = planned::plan(&output, &p).total;
            // The account plans beads before they are cut in pieces.
            let ratio = planned / summary.after.time_s;
            assert!((ratio - 1.0).abs() < 0.05, "{name}: {planned} s instead of {} s", summary.after.time_s);
        }
    }
    assert!(in_all >= 20 && bounded >= in_all / 3, "{bounded} of {in_all} are bounded");
}

/// What a part as stiff as rock does not ask for, no move is slowed for.
#[test]
fn nothing_is_slowed_for_a_part_of_rock() {
    let Some(files) = corpus::files() else { return };
    let (mut in_all, mut eased) = (0, 0);
    for path in files {
        let name = runs::name_of(&path);
        let input = std::fs::read(&path).unwrap_or_else(|error| panic!("{name}: {error}"));
        let set = ["screw.virtual_diameter_mm=1.75", "part.solid_temperature_c=none", "feedstock.modulus_mpa=100000"];
        let p = runs::embedded(set.into_iter().chain(["machine.part_moves=xy"]));
        let options = Options { hash: false, ..Options::default() };
        let Ok((_, summary)) = runs::rewrite(&input, &p, &options) else { continue };
        let moves = |why: Reason| {
            summary.changes.by_reason.iter().find(|entry| entry.reason == why).map_or(0, |entry| entry.moves)
        };
        assert_eq!(moves(Reason::Sway), 0, "{name}");
        in_all += 1;
        eased += u32::from(moves(Reason::MeltLag) > 0);
    }
    assert!(in_all >= 20 && eased >= in_all / 2, "{eased} of {in_all} are eased for the melt");
}

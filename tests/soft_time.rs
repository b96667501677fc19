//! Layers that have to cool, and parts that cannot stand: what is slowed, where the head waits, what is told.

#[path = "support/planned.rs"]
mod planned;
#[path = "support/reader.rs"]
mod reader;
#[path = "support/runs.rs"]
mod runs;
#[path = "support/stack.rs"]
mod stack;

use std::io::Cursor;

use meltwright::passes::Reason;
use meltwright::pipeline::{self, Options, Passes};
use meltwright::profile::{CornerWords, LagCompensation, PartMoves, Profile};
use meltwright::summary::Summary;
use stack::{SOFT, Stack, column, profile};

const AWAY: &str = "; to the park position";
const BACK: &str = "; back at the print";
/// Least time of a layer of 0.5 mm that cools on top alone from 210 to 110 C in air of 25 C, s: rho c h / film
/// ln(185 / 85), with Bi = 60 * 0.0005 / 0.2 = 0.15 longer by 1 + Bi / 3 for the way through the layer.
const LEAST_S: f64 = 1120.0 * 1700.0 * 0.0005 / 60.0 * 0.777_6 * 1.05;
/// Shorter waits are left out, s.
const LEFT_OUT_S: f64 = 0.03 * LEAST_S;

/// A bed that stands still; layers cool to 110 C; the head waits at 0, 0 where it is to.
fn cooling(parks: bool) -> Profile {
    let mut p = profile(5.0, 1.0);
    p.machine.part_moves.value = PartMoves::None;
    p.part.solid_temperature_c.value = Some(110.0);
    if parks {
        (p.machine.park_x_mm.value, p.machine.park_y_mm.value) = (Some(0.0), Some(0.0));
    }
    p
}

fn run(text: &str, profile: &Profile, options: &Options) -> (String, Summary) {
    let (bytes, summary) = runs::rewrite(text.as_bytes(), profile, options).unwrap_or_else(|error| panic!("{error}"));
    (String::from_utf8(bytes).expect("plain text"), summary)
}

fn rewrite(text: &str, profile: &Profile, passes: Passes) -> (String, Summary) {
    run(text, profile, &Options { passes, ..Options::default() })
}

fn audit(text: &str, profile: &Profile) -> Summary {
    let options = Options { passes: SOFT, again: true, ..Options::default() };
    pipeline::audit(&mut Cursor::new(text), profile, &options, &mut |_| {}).unwrap_or_else(|error| panic!("{error}"))
}

/// Time from the first bead of each layer to that of the next, s, by a reader of its own and the planner.
fn layer_times(text: &str, profile: &Profile) -> Vec<f64> {
    let read = reader::read(text.as_bytes(), &runs::rules(profile));
    let plan = planned::plan(text.as_bytes(), profile);
    let mut waits = plan.waits(&read).into_iter().peekable();
    let (mut times, mut height): (Vec<f64>, f64) = (Vec::new(), 0.0);
    for (index, m) in read.moves.iter().enumerate() {
        while let Some((_, wait)) = waits.next_if(|(at, _)| *at <= index) {
            times.last_mut().into_iter().for_each(|time| *time += wait);
        }
        if m.is_bead() && m.to[2] != height {
            height = m.to[2];
            times.push(0.0);
        }
        times.last_mut().into_iter().for_each(|time| *time += plan.of(m).time);
    }
    times
}

/// Lines of the ways to the wait and back, taken out.
fn without_ways(text: &str) -> String {
    let mut away = false;
    let mut kept = String::new();
    for line in text.lines() {
        away |= line == AWAY;
        if !away {
            kept.push_str(line);
            kept.push('\n');
        }
        away &= line != BACK;
    }
    assert!(!away, "each way leads back");
    kept
}

fn codes(summary: &Summary) -> Vec<&'static str> {
    summary.findings.iter().map(|finding| finding.code).collect()
}

#[track_caller]
fn detail<'a>(summary: &'a Summary, code: &str) -> &'a str {
    let found = summary.findings.iter().find(|finding| finding.code == code);
    let found = found.unwrap_or_else(|| panic!("no {code} among {:?}", codes(summary)));
    &found.places[0].detail
}

/// The number before a text.
#[track_caller]
fn number_before(text: &str, word: &str) -> f64 {
    let (before, _) = text.split_once(word).unwrap_or_else(|| panic!("no {word:?} in {text:?}"));
    let number = before.trim_end().rsplit(' ').next().unwrap_or_default();
    number.parse().unwrap_or_else(|_| panic!("{number:?} before {word:?} in {text:?} is no number"))
}

/// Perimeters of 9 mm and fill inside, ten layers at 20 mm/s: `fill` lines of 8 mm.
fn filled(fill: u32) -> String {
    let mut stack = Stack::new(0.5, 1.0);
    for _ in 0..10 {
        stack.up().line("; outer perimeter").ring([50.0, 50.0], 9.0).line("; infill");
        for _ in 0..fill {
            stack.block([51.0, 51.0], [8.0, 1.0]);
        }
    }
    stack.text
}

/// Least and most feed of the beads along the ring and of the others, mm/s.
fn feeds(text: &str, profile: &Profile) -> [[f64; 2]; 2] {
    let mut found = [[f64::INFINITY, 0.0_f64]; 2];
    for m in reader::read(text.as_bytes(), &runs::rules(profile)).beads().filter(|m| m.from[2] < 4.9) {
        let [least, most] = &mut found[usize::from(m.length < 8.5)];
        (*least, *most) = (least.min(m.feed), most.max(m.feed));
    }
    found
}

#[test]
fn layers_get_their_time_by_slower_beads_perimeters_last() {
    let p = cooling(true);
    for (fill, floor) in [(9, false), (3, true)] {
        let text = filled(fill);
        let before = layer_times(&text, &p);
        assert!(before.iter().all(|time| *time < 0.9 * LEAST_S), "{before:?}");
        let (output, summary) = rewrite(&text, &p, SOFT);
        let part = summary.part.as_ref().expect("the part was looked at");
        let least = part.bands.list()[0].least_time_s;
        assert!((least / LEAST_S - 1.0).abs() < 0.02, "{least} {LEAST_S}");
        let after = layer_times(&output, &p);
        assert!(after[..9].iter().all(|time| *time >= least - LEFT_OUT_S - 1e-3), "{after:?} {least}");
        assert!(after[..9].iter().all(|time| *time < 1.2 * least), "not slowed more than needed: {after:?}");
        for (band, time) in part.bands.list().iter().zip(&after).take(9) {
            assert!((band.time_after_s.expect("written") - time).abs() < 0.02, "{band:?} {time}");
        }
        let [rings, fills] = feeds(&output, &p);
        if floor {
            assert!(fills[0] >= 5.0 - 0.01 && fills[1] <= 5.0 + 0.01, "fill at the least speed: {fills:?}");
            assert!(rings[0] >= 5.0 && rings[1] < 20.0, "perimeters take the rest: {rings:?}");
        } else {
            assert!(fills[0] >= 5.0 && fills[1] < 20.0, "{fills:?}");
            assert_eq!(rings, [20.0, 20.0], "perimeters as they were");
        }
        assert!(audit(&text, &p).findings.iter().any(|finding| finding.code == "layer-time"));
        let again = audit(&output, &p);
        assert!(!codes(&again).contains(&"layer-time"), "{:?}", codes(&again));
    }
}

/// What the screw cannot give takes its time anyway. 96 mm of 0.5 mm² at 100 mm/s are held to 8 mm³/s, 6 s; the rest of the
/// time is made by slower beads. 96 mm of 1 mm² take 12 s, and with 20 mm of 0.25 mm² at 10 mm/s no more is needed.
#[test]
fn beads_that_the_screw_holds_are_slowed_for_what_is_missing() {
    let p = runs::with_capacity(cooling(true), 8.0, 8.0, 60.0);
    let passes = Passes { capacity: true, ..SOFT };
    let file = |bead: f64, thin: bool| {
        let mut stack = Stack::new(0.5, bead);
        for _ in 0..4 {
            stack.up().line("G1 F6000").ring([50.0, 50.0], 24.0).line("G1 F600");
            if thin {
                stack.line("G0 X90 Y50\nG1 X110 Y50 E5");
            }
        }
        stack.text
    };
    let (output, _) = rewrite(&file(1.0, false), &p, passes);
    let after = layer_times(&output, &p);
    assert!(after[..3].iter().all(|time| (time / LEAST_S - 1.0).abs() < 0.03), "{after:?} for {LEAST_S}");
    assert!(!output.contains(AWAY), "nobody has to wait");

    let text = file(2.0, true);
    let (output, summary) = rewrite(&text, &p, passes);
    let times =
        [layer_times(&output, &p), layer_times(&rewrite(&text, &p, Passes { capacity: true, ..Passes::NONE }).0, &p)];
    assert!(times[0][0] > LEAST_S && (times[0][0] / times[1][0] - 1.0).abs() < 1e-3, "{times:?}");
    assert!(summary.changes.by_reason.iter().all(|of| of.reason != Reason::LayerTime || of.moves == 0));

    // A screw that gives all of it: the thin bead goes at 5 mm/s, as slow as it may, and the others make up the rest.
    let p = runs::with_capacity(p, 1e4, 1e4, 60.0);
    let (output, _) = rewrite(&text, &p, passes);
    let after = layer_times(&output, &p);
    assert!((after[0] / LEAST_S - 1.0).abs() < 0.03 && !output.contains(AWAY), "{after:?} for {LEAST_S}");
}

#[test]
fn no_bead_flows_less_than_an_even_bead_does() {
    let mut p = cooling(true);
    // 0.5 mm² of bead: 4 mm³/s are 8 mm/s, more than the 5 mm/s of the least speed.
    p.part.least_flow_mm3_s.value = 4.0;
    let [rings, fills] = feeds(&rewrite(&filled(3), &p, SOFT).0, &p);
    for [least, most] in [rings, fills] {
        assert!(least >= 8.0 - 0.01 && most <= 8.0 + 0.1, "{least} {most}");
    }
}

/// Ten layers of 4 x 4 mm: 3.2 s at the least speed.
fn tiny(towers: u32) -> String {
    let mut stack = Stack::new(0.5, 1.0);
    for _ in 0..10 {
        stack.up();
        for tower in 0..towers {
            stack.block([50.0 + 20.0 * f64::from(tower), 50.0], [4.0, 4.0]);
        }
    }
    stack.text
}

/// Where one part stands finished, the way to the wait and back goes over it.
#[test]
fn ways_go_over_what_stands_finished() {
    let mut stack = Stack::new(0.5, 1.0);
    for _ in 0..20 {
        stack.up().block([50.0, 50.0], [4.0, 3.0]);
    }
    stack.down_to_bed();
    for _ in 0..4 {
        stack.up().block([50.0, 90.0], [4.0, 3.0]);
    }
    let (output, _) = rewrite(&stack.text, &cooling(true), SOFT);
    let lifts: Vec<f64> = output
        .lines()
        .zip(output.lines().skip(1))
        .filter(|(line, _)| *line == AWAY)
        .map(|(_, lift)| lift[4..].split(' ').next().and_then(|z| z.parse().ok()).expect("a height"))
        .collect();
    // 10 mm stand; 5 mm above the first part while the second is laid, as above each layer before.
    assert_eq!(lifts.len(), 22, "{lifts:?}");
    let second = &lifts[lifts.len() - 3..];
    assert!(second.iter().all(|z| (z - 15.0).abs() < 1e-9), "{lifts:?}");
    assert!((lifts[0] - 6.0).abs() < 1e-9, "{lifts:?}");
}

/// The way to the wait is no quicker than the part bears, whatever was set for the moves beside it; and what was set is put back.
#[test]
fn ways_keep_to_what_the_part_bears() {
    // Layers begin where the one before has ended, so that nothing is set between the lift and the wait.
    let mut stack = Stack::new(0.5, 1.0);
    stack.line("G0 X50 Y50");
    for _ in 0..40 {
        stack.up().line("G1 X56 E3 F300\nG1 Y52 E1\nG1 X50 E3\nG1 Y50 E1\nG1 F9000");
    }
    let text = stack.text;
    let mut p = cooling(true);
    p.machine.part_moves.value = PartMoves::Y;
    p.feedstock.modulus_mpa.value = Some(0.05);
    let (output, summary) = rewrite(&text, &p, SOFT);
    let (mut force, mut own, mut away, mut held) = (p.machine.max_accel_mm_s2.value, 0.0, false, 0);
    for line in output.lines() {
        if let Some(value) = line.strip_prefix("M204 S") {
            force = value.parse().expect("a number");
        } else if line == AWAY {
            (away, own) = (true, force);
        } else if line == BACK {
            assert_eq!(force, own, "it is put back\n{output}");
            away = false;
        } else if away && line.starts_with("G1 X0 Y0 ") && force < own {
            held += 1;
            assert!(force < 2000.0, "{force}");
        }
    }
    assert!(held > 10, "{held} {}", &output[output.len() - 1500..]);
    let words = output.lines().filter(|line| line.starts_with("M204")).count() as u64;
    assert_eq!(summary.changes.accelerations_written, words);
}

/// Ways of 2 mm are too short to turn back for, but where the part bears so little that the head takes its time over them.
#[test]
fn the_screw_turns_back_for_short_ways_that_take_long() {
    let mut stack = Stack::new(0.5, 1.0);
    for _ in 0..40 {
        stack.up().line("G0 X50 Y50\nG1 X54 E2\nG0 Y52\nG1 X50 E2\nG0 Y50");
    }
    let reliefs = |modulus_mpa: f64| {
        let mut p = profile(modulus_mpa, 1.0);
        p.screw.lag_compensated_by.value = LagCompensation::None;
        p.screw.min_travel_mm.value = 5.0;
        let (_, summary) = rewrite(&stack.text, &p, Passes { starts: true, ..SOFT });
        summary.screw.reliefs
    };
    // The ways to the next layer are long by themselves; low layers bear more than high ones.
    let [stiff, soft] = [500.0, 0.05].map(reliefs);
    assert!(soft > stiff + 10, "{stiff} {soft}");
}

/// Half a second of slow reversals and refills a bead, which a rewrite takes out: their time is not counted on.
#[test]
fn turns_that_are_taken_out_cool_nothing() {
    let turns = "G1 E-4 F960\nG1 E4\nG1 F1200\n";
    let mut text = String::new();
    for line in filled(9).lines() {
        text += if line.starts_with("G0 X") { turns } else { "" };
        text += &format!("{line}\n");
    }
    let text = text.replacen(turns, "", 1);
    let mut p = cooling(false);
    p.screw.lag_compensated_by.value = LagCompensation::None;
    let before = layer_times(&text, &p);
    let part = |summary: &Summary| summary.part.as_ref().expect("the part was looked at").bands.list()[0].least_time_s;
    let (output, summary) = rewrite(&text, &p, Passes { starts: true, ..SOFT });
    let least = part(&summary);
    assert!(before[..9].iter().all(|time| *time > least), "{before:?} {least}");
    assert!(!output.contains("G1 E-4 F960"), "{output}");
    let after = layer_times(&output, &p);
    assert!(after[..9].iter().all(|time| *time >= least - LEFT_OUT_S - 1e-3), "{after:?} {least}");
    assert!(!codes(&summary).contains(&"layer-hurried"), "{:?}", summary.findings);
}

#[test]
fn what_is_missing_is_a_wait_off_the_part() {
    let text = tiny(1);
    let mut beside = cooling(false);
    beside.machine.bed_mm.value = Some([0.0, 0.0, 200.0, 120.0]);
    for (p, place) in [(cooling(true), "X0 Y0"), (beside, "X69 Y52")] {
        let (output, summary) = rewrite(&text, &p, SOFT);
        let ways = output.lines().filter(|line| *line == AWAY).count();
        assert_eq!(ways, 9, "none behind the last layer\n{output}");
        assert_eq!(output.lines().filter(|line| line.starts_with("G4 P")).count(), 9);
        assert_eq!(output.lines().filter(|line| line.starts_with(&format!("G1 {place} F"))).count(), 9, "{output}");
        let part = summary.part.as_ref().expect("the part was looked at");
        let least = part.bands.list()[0].least_time_s;
        let after = layer_times(&output, &p);
        assert!(after[..9].iter().all(|time| (time - least).abs() < 0.1), "{after:?} {least}");
        assert_eq!(part.waits, 9);
        let missing: f64 = 9.0 * least - layer_times(&without_ways(&output), &p)[..9].iter().sum::<f64>();
        assert!((part.waited_s / missing - 1.0).abs() < 0.02, "{} {missing}", part.waited_s);
        assert!(!codes(&summary).contains(&"layer-hurried"));
        // But for the ways, path and E of every move are those of the file.
        let read = |text: &str| reader::read(text.as_bytes(), &runs::rules(&p));
        let (before, kept) = (read(&text), read(&without_ways(&output)));
        assert_eq!(before.moves.len(), kept.moves.len());
        for (a, b) in before.moves.iter().zip(&kept.moves) {
            assert!(a.from == b.from && a.to == b.to && a.e == b.e && b.feed <= a.feed, "{a:?} {b:?}");
        }
        let all = read(&output);
        assert!(
            (all.moves.iter().map(|m| m.e).sum::<f64>() - before.moves.iter().map(|m| m.e).sum::<f64>()).abs() < 1e-9
        );
        // Every detour comes back to where it left.
        let away: Vec<_> = all.moves.iter().filter(|m| m.is_travel() && m.to[..2] != m.from[..2]).collect();
        assert!(away.len() >= 18);
        // With turns of the screw around it: the pressure is taken away first, and the way is dry.
        let p = runs::with_capacity(p, 60.0, 60.0, 60.0);
        let (with_turns, _) = rewrite(&text, &p, Passes { scale: false, ..Passes::ALL });
        let lines: Vec<&str> = with_turns.lines().collect();
        let first = lines.iter().position(|line| *line == AWAY).expect("a wait");
        let back = lines.iter().position(|line| *line == BACK).expect("a way back");
        assert!(lines[..first].iter().rev().take(6).any(|line| line.starts_with("G1 E-")), "{:?}", &lines[..first + 1]);
        assert!(lines[first..back].iter().all(|line| !line.contains('E')));
        let times = layer_times(&with_turns, &p);
        assert!(times[..9].iter().all(|time| *time >= least - LEFT_OUT_S - 0.01), "{times:?}");
    }
}

/// A park position that takes longer to reach than the layer needs is left for a place beside the part, if there is one.
#[test]
fn a_park_position_too_far_off_costs_no_time() {
    let mut p = cooling(true);
    p.machine.park_speed_mm_s.value = Some(10.0);
    let waits = |p: &Profile| {
        let (output, summary) = rewrite(&tiny(1), p, SOFT);
        let least = summary.part.expect("the part was looked at").bands.list()[0].least_time_s;
        (output, layer_times(&rewrite(&tiny(1), p, SOFT).0, p)[0] - least)
    };
    // 73 mm at 10 mm/s, there and back.
    let (far, late_s) = waits(&p);
    assert!(far.contains("G1 X0 Y0 F600") && !far.contains("G4 P") && late_s > 3.0, "{late_s}\n{far}");
    p.machine.bed_mm.value = Some([0.0, 0.0, 200.0, 120.0]);
    let (near, late_s) = waits(&p);
    assert!(near.contains("G1 X69 Y52 F600") && near.contains("G4 P") && late_s.abs() < 0.1, "{late_s}\n{near}");
    // Where there is time for it, the position of the profile is taken.
    p.machine.park_speed_mm_s.value = Some(40.0);
    let (parked, late_s) = waits(&p);
    assert!(
        parked.contains("G1 X0 Y0 F2400") && !parked.contains("X69 Y52") && late_s.abs() < 0.1,
        "{late_s}\n{parked}"
    );
}

/// Ramps at the accelerations that the part bears take their time too: beads are slowed by what is then still missing.
#[test]
fn layers_that_sway_are_not_slowed_twice() {
    let mut p = cooling(true);
    p.machine.part_moves.value = PartMoves::Xy;
    p.feedstock.modulus_mpa.value = Some(0.000_03);
    p.part.least_accel_mm_s2.value = 60.0;
    p.controller.corner_words.value = CornerWords::None;
    let text = filled(9);
    let (output, summary) = rewrite(&text, &p, SOFT);
    let least = summary.part.as_ref().expect("the part was looked at").bands.list()[0].least_time_s;
    let (alone, _) = rewrite(&text, &p, Passes { layer_time: false, ..SOFT });
    let (before, bounded, after) = (layer_times(&text, &p), layer_times(&alone, &p), layer_times(&output, &p));
    assert!(bounded[8] > least && bounded[5] > 1.2 * before[5] && bounded[5] < least, "{bounded:?} {least}");
    for (after, bounded) in after.iter().zip(&bounded).take(9) {
        assert!(*after >= least - LEFT_OUT_S - 1e-3, "{after} {least}");
        assert!(*after < f64::max(1.03 * least, 1.01 * bounded), "{after}, {bounded} without cooling, {least} needed");
    }
    assert!(!output.contains(AWAY), "beads are slowed, nobody waits");
}

/// The positions and E of absolute files go on behind a wait.
#[test]
fn absolute_files_go_on_behind_a_wait() {
    let mut e = 0.0;
    let absolute = |line: &str| match line.split_once(" E") {
        Some((words, more)) => {
            e += more.parse::<f64>().expect("a number");
            format!("{words} E{e:.6}\n")
        }
        None => format!("{line}\n"),
    };
    let text: String = tiny(1).replace("M83", "M82").lines().map(absolute).collect();
    let p = cooling(true);
    for passes in [SOFT, Passes { scale: false, ..Passes::ALL }] {
        let (output, _) = rewrite(&text, &p, passes);
        let read = |text: &str| reader::read(text.as_bytes(), &runs::rules(&p));
        let (before, after) = (read(&text), read(&output));
        assert!((before.bead_volume() / after.bead_volume() - 1.0).abs() < 1e-5 || passes.starts);
        let ends = |reading: &reader::Reading| reading.beads().map(|m| m.to).collect::<Vec<_>>();
        if !passes.ramps {
            assert_eq!(ends(&before), ends(&after));
        }
        assert_eq!(output.lines().filter(|line| *line == BACK).count(), 9);
    }
}

#[test]
fn without_a_place_to_wait_the_hurry_is_told() {
    let (output, summary) = rewrite(&tiny(1), &cooling(false), SOFT);
    assert!(codes(&summary).contains(&"layer-hurried"), "{:?}", codes(&summary));
    assert!(!output.contains("G4") && !output.contains(AWAY));
    let finding = summary.findings.iter().find(|finding| finding.code == "layer-hurried").expect("told");
    assert_eq!(finding.count, 9);
}

#[test]
fn parts_beside_each_other_share_the_time() {
    let mut p = cooling(false);
    // Near: a way there and back takes no longer than what is missing.
    (p.machine.park_x_mm.value, p.machine.park_y_mm.value) = (Some(45.0), Some(45.0));
    p.machine.park_lift_mm.value = 1.0;
    let waited = |towers: u32| {
        let (output, summary) = rewrite(&tiny(towers), &p, SOFT);
        let part = summary.part.expect("the part was looked at");
        (part.waited_s, layer_times(&output, &p)[0], part.bands.list()[0].least_time_s)
    };
    let (one, two, six) = (waited(1), waited(2), waited(6));
    assert!(two.0 < 0.6 * one.0 && six.0 == 0.0, "{one:?} {two:?} {six:?}");
    for (_, time, least) in [one, two] {
        assert!(time > least - LEFT_OUT_S && time < 1.1 * least, "the same for all on the plate: {time} {least}");
    }
    assert!(six.1 > six.2, "what takes its time is left alone");
}

#[test]
fn blocks_and_threads_change_nothing() {
    let mut p = cooling(true);
    p.machine.part_moves.value = PartMoves::Xy;
    p.feedstock.modulus_mpa.value = Some(0.001);
    let text = tiny(2).repeat(2);
    let with = |block_size: usize, threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
        pool.install(|| run(&text, &p, &Options { block_size, ..Options::default() }).0)
    };
    let expected = with(64 * 1024, 2);
    assert!(expected.contains(AWAY), "it waits\n{expected}");
    assert!(expected.contains("M204"), "it is bounded\n{expected}");
    for (block_size, threads) in [(64, 1), (997, 2), (4096, 3)] {
        assert!(with(block_size, threads) == expected, "blocks of {block_size} on {threads} threads");
    }
}

/// A thread of 4 x 4 mm and 0.1 MPa buckles at (7.8373 E I / (rho g A))^(1/3): (7.8373 * 0.1 * 16 / 12 / 1.0984e-5)^(1/3)
/// = 45.7 mm; with a margin of 1.5 at 39.9 mm.
#[test]
fn a_tall_thread_sags_above_the_height_of_greenhill() {
    let p = profile(0.1, 4.0);
    for (layers, code, known) in [(50, "part-sags", 45.66), (29, "part-nearly-sags", 39.89)] {
        let summary = audit(&column(layers, 1.5, 4.0, [4.0, 4.0]).text, &p);
        let from = number_before(detail(&summary, code).split_once("z ").expect("a height").1, " mm");
        assert!(from > known && from < 1.06 * known + 1.5, "{code} from {from}, by hand {known}");
        assert_eq!(codes(&summary).iter().filter(|code| code.ends_with("sags")).count(), 1, "told once");
    }
    assert!(!codes(&audit(&column(24, 1.5, 4.0, [4.0, 4.0]).text, &p)).contains(&"part-nearly-sags"));
}

/// What the account names as remedies lifts the column to the floor.
#[test]
fn below_the_floor_the_remedies_hold() {
    let mut p = profile(0.12, 4.0);
    p.part.least_accel_mm_s2.value = 60.0;
    let bears = |layers: u32, height: f64, side: f64, p: &Profile| {
        // Beads of the same width: what is allowed goes with it.
        let bead = side / (side / 4.0).round();
        let summary = audit(&column(layers, height, bead, [side, side]).text, p);
        let part = summary.part.as_ref().expect("the part was looked at");
        let least = part.bands.list().last().and_then(|band| band.accel_y_mm_s2).expect("it sways");
        (least * 4.0 / bead, summary)
    };
    let (worst, summary) = bears(24, 4.0, 8.0, &p);
    assert!(worst < 40.0, "{worst}");
    let told = detail(&summary, "part-sways");
    let (wide, high) = (number_before(told, " times as wide"), number_before(told, " % of the height"));
    let stiff = number_before(told, " times as stiff");
    assert!(wide > 1.2 && high < 95.0 && stiff > 1.4, "{told}");
    let floor = |lifted: f64| assert!((lifted / 60.0 - 1.0).abs() < 0.15, "{lifted} instead of 60: {told}");
    floor(bears(24, 4.0, 8.0 * wide, &p).0);
    floor(bears(24, 4.0 * high / 100.0, 8.0, &p).0);
    p.feedstock.modulus_mpa.value = Some(0.12 * stiff);
    floor(bears(24, 4.0, 8.0, &p).0);
    // What is written is the floor.
    let (output, _) = rewrite(&column(24, 4.0, 4.0, [8.0, 8.0]).text, &profile_with_floor(), SOFT);
    let least =
        output.lines().filter_map(|line| line.strip_prefix("M204 S")).map(|s| s.parse::<f64>().expect("a number"));
    assert_eq!(least.fold(f64::INFINITY, f64::min), 60.0);
}

fn profile_with_floor() -> Profile {
    let mut p = profile(0.12, 4.0);
    p.part.least_accel_mm_s2.value = 60.0;
    p
}

#[test]
fn drag_is_told_and_clamped_to_the_speed_it_names() {
    let mut p = profile(15.0, 4.0);
    p.machine.part_moves.value = PartMoves::None;
    let text = column(20, 4.0, 4.0, [8.0, 8.0]).text;
    let summary = audit(&text, &p);
    let told = detail(&summary, "part-dragged");
    let speed = number_before(told.split_once("at most").expect("a speed").1, " mm/s");
    // A bead of 4 mm under half of a face of 8 mm: 16 mm²; K (v / h)^n A on a cantilever of 80 mm, h³ / (3 E I) and shear.
    let second = 8.0_f64.powi(4) / 12.0;
    let give = 80.0_f64.powi(3) / (3.0 * 15.0 * second) + 80.0 / (15.0 / 17.5 * 5.0 * 64.0);
    let known = 4.0 * (0.8 / (give * 1000.0 * 1e-6 * 16.0)).powi(2);
    assert!((speed / known - 1.0).abs() < 0.05, "{speed} {known}: {told}");
    p.part.clamp_drag.value = true;
    let (output, after) = rewrite(&text, &p, SOFT);
    assert!(!codes(&after).contains(&"part-dragged"));
    let read = reader::read(output.as_bytes(), &runs::rules(&p));
    let top: Vec<f64> = read.beads().filter(|m| m.to[2] > 79.0).map(|m| m.feed).collect();
    assert!(!top.is_empty() && top.iter().all(|feed| (feed / known - 1.0).abs() < 0.01), "{top:?} {known}");
    assert!(read.beads().filter(|m| m.to[2] < 5.0).all(|m| m.feed == 20.0), "the foot bears it");
}

/// A tenth as stiff, the same column bears a hundredth of that speed (drag goes with its square root), which is less than the
/// least.
#[test]
fn drag_slows_no_bead_below_the_least_speed() {
    let mut p = profile(1.5, 4.0);
    p.machine.part_moves.value = PartMoves::None;
    let text = column(20, 4.0, 4.0, [8.0, 8.0]).text;
    let told_by = |p: &Profile| detail(&audit(&text, p), "part-dragged").to_owned();
    let told = told_by(&p);
    assert!(told.contains("5.0 mm/s, the least speed, is too much"), "{told}");
    let stiff = number_before(&told, " times as stiff");
    p.part.clamp_drag.value = true;
    let (output, after) = rewrite(&text, &p, SOFT);
    let clamped = detail(&after, "part-dragged");
    let by = |told: &str| number_before(told, " mm, 0.80 mm allowed");
    assert!((by(clamped) / by(&told) - 0.5).abs() < 0.01, "by the root of 5 / 20: {clamped} {told}");
    assert!((by(clamped) / 0.8 - stiff).abs() < 0.11, "{clamped}");
    let read = reader::read(output.as_bytes(), &runs::rules(&p));
    let slowest = read.beads().map(|m| m.feed).fold(f64::INFINITY, f64::min);
    assert!((slowest - 5.0).abs() < 1e-3, "{slowest}");
    // As stiff as it says, it is enough.
    p.feedstock.modulus_mpa.value = Some(1.5 * stiff);
    assert!(!codes(&rewrite(&text, &p, SOFT).1).contains(&"part-dragged"));
}

#[test]
fn corners_that_jolt_are_told() {
    let mut p = profile(0.05, 4.0);
    p.controller.corner_words.value = CornerWords::None;
    let text = column(20, 4.0, 4.0, [8.0, 8.0]).text;
    let told = audit(&text, &p);
    let told = detail(&told, "part-jolted");
    // d / (s omega): 0.8 mm over the deflection by hand and 2 pi times the frequency.
    let per_accel = stack::prism(80.0, 64.0, 8.0_f64.powi(4) / 12.0, 0.05, 1.12);
    let second = 8.0_f64.powi(4) / 12.0;
    let omega = 3.516 / 80.0_f64.powi(2) * (0.05 * second / (1.12e-9 * 64.0)).sqrt();
    let known = 0.8 / (per_accel * omega);
    let most = number_before(told.split_once("at most").expect("a speed").1, " mm/s");
    assert!((most / known - 1.0).abs() < 0.05, "{most} {known}: {told}");
}

//! The soft part in whole files: limits against figures by hand, and what is written against a reader of its own.

#[path = "support/reader.rs"]
mod reader;
#[path = "support/runs.rs"]
mod runs;
#[path = "support/stack.rs"]
mod stack;

use std::f64::consts::PI;
use std::io::Cursor;

use meltwright::pipeline::{self, Options, Passes};
use meltwright::profile::{PartMoves, Profile};
use meltwright::soft::Band;
use meltwright::summary::Summary;
use stack::{SOFT, Stack, column, prism, profile};

/// MPa.
const MODULUS: f64 = 0.5;
/// Height of a layer and width of a bead, mm; bore 4 mm.
const HEIGHT: f64 = 4.0;
const BEAD: f64 = 4.0;

fn own() -> Profile {
    profile(MODULUS, BEAD)
}

fn soft() -> Options {
    Options { passes: SOFT, ..Options::default() }
}

fn audit(text: &str, profile: &Profile) -> Summary {
    pipeline::audit(&mut Cursor::new(text), profile, &soft(), &mut |_| {}).unwrap_or_else(|error| panic!("{error}"))
}

fn rewrite(text: &str, profile: &Profile, passes: Passes) -> (String, Summary) {
    let options = Options { passes, ..Options::default() };
    let (bytes, summary) = runs::rewrite(text.as_bytes(), profile, &options).unwrap_or_else(|error| panic!("{error}"));
    (String::from_utf8(bytes).expect("plain text"), summary)
}

/// Bands of one layer each: at most twenty layers.
fn bands(summary: &Summary) -> &[Band] {
    let bands = summary.part.as_ref().expect("the part was looked at").bands.list();
    assert!(bands.iter().all(|band| band.first_layer == band.last_layer), "few layers, one band each");
    bands
}

/// What each layer bears along Y, mm/s².
fn along_y(summary: &Summary) -> Vec<f64> {
    bands(summary).iter().map(|band| band.accel_y_mm_s2.unwrap_or(f64::INFINITY)).collect()
}

/// The highest acceleration at this deflection per acceleration: 0.2 of a bead, half of it for the dynamic factor 2.
fn limit(per_accel: f64) -> f64 {
    0.2 * BEAD / (2.0 * per_accel)
}

#[track_caller]
fn near(got: f64, want: f64, share: f64) {
    assert!((got / want - 1.0).abs() <= share, "{got}, expected {want} within {} %", 100.0 * share);
}

/// A square of 8 mm, 20 layers: 80 mm high. Beads beside each other make the section of a prism.
#[test]
fn a_column_bears_what_the_prism_bears() {
    let side = 8.0;
    let summary = audit(&column(20, HEIGHT, BEAD, [side, side]).text, &own());
    let bears = along_y(&summary);
    for (layer, bears) in (1..).zip(&bears) {
        let per_accel = prism(f64::from(layer) * HEIGHT, side * side, side.powi(4) / 12.0, MODULUS, 1.12);
        near(*bears, limit(per_accel), 1e-3);
    }
    // Once the column is slender: h⁻⁴, but for shear, which is 1.4 % of all at 80 mm and 5.5 % at 40.
    near(bears[9] / bears[19], 16.0, 0.05);
    // Clamped at the foot, EI = 0.5 * 8⁴ / 12: 3.516 / (2 pi 80²) sqrt(EI / m) = 4.27 Hz by bending alone.
    let frequency = bands(&summary)[19].frequency_hz.expect("it swings");
    let second = side.powi(4) / 12.0;
    let known = 3.516 / (2.0 * PI * 80.0_f64.powi(2)) * (MODULUS * second / (1.12e-9 * side * side)).sqrt();
    near(frequency, known, 0.03);
    // Twice as wide bears four times as much, at 80 mm: 3.9 with the shear of both.
    let wide = along_y(&audit(&column(20, HEIGHT, BEAD, [16.0, 16.0]).text, &own()));
    let by_hand = |side: f64| limit(prism(80.0, side * side, side.powi(4) / 12.0, MODULUS, 1.12));
    near(wide[19], by_hand(16.0), 1e-3);
    near(wide[19] / bears[19], 4.0, 0.05);
    // A slab is weak across and strong along.
    let mut both = own();
    both.machine.part_moves.value = PartMoves::Xy;
    let slab = audit(&column(20, HEIGHT, BEAD, [24.0, 8.0]).text, &both);
    let top = &bands(&slab)[19];
    near(top.accel_y_mm_s2.expect("Y moves"), by_hand(8.0), 1e-3);
    near(
        top.accel_x_mm_s2.expect("X moves"),
        limit(prism(80.0, 192.0, 8.0 * 24.0_f64.powi(3) / 12.0, MODULUS, 1.12)),
        1e-3,
    );
}

#[test]
fn only_axes_that_move_the_part_are_bounded() {
    let text = column(20, HEIGHT, BEAD, [8.0, 8.0]).text;
    let mut p = own();
    p.machine.part_moves.value = PartMoves::Xy;
    for band in bands(&audit(&text, &p)) {
        near(band.accel_x_mm_s2.expect("X moves"), band.accel_y_mm_s2.expect("Y moves"), 1e-9);
    }
    p.machine.part_moves.value = PartMoves::Y;
    assert!(bands(&audit(&text, &p)).iter().all(|band| band.accel_x_mm_s2.is_none() && band.accel_y_mm_s2.is_some()));
    let on_a_moving_bed = rewrite(&text, &p, Passes::ALL).0;
    p.machine.part_moves.value = PartMoves::None;
    let none = audit(&text, &p);
    assert!(bands(&none).iter().all(|band| band.accel_x_mm_s2.is_none() && band.accel_y_mm_s2.is_none()));
    let fixed = rewrite(&text, &p, Passes::ALL).0;
    assert_eq!(fixed, rewrite(&text, &p, Passes { softness: false, ..Passes::ALL }).0);
    assert_ne!(fixed.lines().count(), on_a_moving_bed.lines().count());
}

/// Two towers of 8 mm, 60 mm apart along Y, sway as one does. One section of the whole layer, 2 (I + A 34²), or a box
/// around both would be hundreds of times as stiff.
#[test]
fn towers_far_apart_are_thin_towers() {
    let one = along_y(&audit(&column(20, HEIGHT, BEAD, [8.0, 8.0]).text, &own()));
    let mut two = Stack::new(HEIGHT, BEAD);
    for _ in 0..20 {
        two.up().block([50.0, 50.0], [8.0, 8.0]).block([50.0, 118.0], [8.0, 8.0]);
    }
    let summary = audit(&two.text, &own());
    assert_eq!(bands(&summary)[19].islands, 2);
    let (area, own_moment) = (64.0, 8.0_f64.powi(4) / 12.0);
    let of_layer = limit(prism(80.0, 2.0 * area, 2.0 * (own_moment + area * 34.0_f64.powi(2)), MODULUS, 1.12));
    let of_box = limit(prism(80.0, 8.0 * 76.0, 8.0 * 76.0_f64.powi(3) / 12.0, MODULUS, 1.12));
    let got = along_y(&summary)[19];
    let told = format!("{got}; one tower {}, section of the layer {of_layer}, box {of_box}", one[19]);
    assert!((got / one[19] - 1.0).abs() < 0.01, "{told}");
    assert!(got < 0.05 * of_layer && got < 0.05 * of_box, "{told}");
}

#[test]
fn leaning_branching_and_merging_parts_stay_bounded() {
    let straight = along_y(&audit(&column(20, HEIGHT, BEAD, [8.0, 8.0]).text, &own()));
    // Leaning along Y by a quarter of the bead a layer.
    let mut leaning = Stack::new(HEIGHT, BEAD);
    for layer in 0..20 {
        leaning.up().block([50.0, 50.0 + f64::from(layer)], [8.0, 8.0]);
    }
    for (leans, straight) in along_y(&audit(&leaning.text, &own())).into_iter().zip(&straight) {
        near(leans, *straight, 0.01);
    }
    // A trunk of ten layers, then two arms that part along Y.
    let mut branching = Stack::new(HEIGHT, BEAD);
    for layer in 0..20 {
        branching.up();
        match f64::from(layer) - 9.0 {
            out if out > 0.0 => {
                branching.block([50.0, 54.0 + 2.0 * out], [8.0, 4.0]).block([50.0, 50.0 - 2.0 * out], [8.0, 4.0])
            }
            _ => branching.block([50.0, 50.0], [8.0, 8.0]),
        };
    }
    let summary = audit(&branching.text, &own());
    assert_eq!(bands(&summary)[19].islands, 2);
    let bears = along_y(&summary);
    assert!(bears.windows(2).all(|pair| pair[1] < pair[0]), "{bears:?}");
    // An arm half as deep is softer than the straight column, and the trunk below it is not to be forgotten: arms that
    // stood on the bed would be ten layers high.
    let arm = limit(prism(40.0, 32.0, 8.0 * 64.0 / 12.0, MODULUS, 1.12));
    assert!(bears[19] < straight[19] && bears[19] < 0.5 * arm, "{} {} {arm}", bears[19], straight[19]);
    // Two legs that lean to each other along Y and are one from layer 15 up.
    let mut arch = Stack::new(HEIGHT, BEAD);
    for layer in 0..20 {
        let off = 28.0 - 2.0 * f64::from(layer);
        arch.up();
        if off > 0.0 {
            arch.block([50.0, 50.0 - off], [8.0, 8.0]).block([50.0, 50.0 + off], [8.0, 8.0]);
        } else {
            arch.block([50.0, 50.0], [8.0, 8.0]);
        }
    }
    let summary = audit(&arch.text, &own());
    let islands: Vec<u32> = bands(&summary).iter().map(|band| band.islands).collect();
    let joined = islands.iter().position(|count| *count == 1).expect("they meet");
    let bears = along_y(&summary);
    assert!((1..19).contains(&joined) && bears.iter().all(|bears| bears.is_finite()), "{islands:?} {bears:?}");
    // Tied tips of two legs bear more than one leg, but not without bound: less than a solid wall between them would.
    let wall = prism(HEIGHT * (joined as f64 + 1.0), 64.0 * 8.0, 8.0 * 64.0_f64.powi(3) / 12.0, MODULUS, 1.12);
    assert!(bears[joined] < 12.0 * bears[joined - 1] && bears[joined] < limit(wall), "{bears:?}");
    assert!(bears[19] < bears[joined], "{bears:?}");
}

#[test]
fn harder_is_never_slower_and_wider_never_weaker() {
    let text = column(12, HEIGHT, BEAD, [8.0, 8.0]).text;
    let mut p = own();
    p.feedstock.modulus_mpa.value = None;
    p.part.least_accel_mm_s2.value = 10.0;
    let (mut last, mut times) = (vec![0.0; 12], Vec::new());
    for shore in [5.0, 10.0, 20.0, 30.0, 45.0, 60.0, 75.0, 90.0, 95.0] {
        p.feedstock.shore_a.value = shore;
        let bears = along_y(&audit(&text, &p));
        assert!(bears.iter().zip(&last).all(|(now, before)| now > before), "{shore}A: {bears:?} after {last:?}");
        last = bears;
        times.push(rewrite(&text, &p, SOFT).1.after.time_s);
    }
    assert!(times.windows(2).all(|pair| pair[1] <= pair[0] * (1.0 + 1e-9)), "{times:?}");
    assert!(times[0] > 1.01 * times[8], "it costs something: {times:?}");
    let mut last = 0.0;
    for side in [4.0, 8.0, 12.0, 16.0, 24.0, 32.0] {
        let bears = along_y(&audit(&column(12, HEIGHT, BEAD, [side, side]).text, &own()))[11];
        assert!(bears > last, "{side} mm: {bears} after {last}");
        last = bears;
    }
}

/// A wall of 40 mm by 4 mm that lies askew runs off sideways too, when it is moved along Y: by 1/I across itself for the share
/// of the force that goes there, and next to nothing along itself.
#[test]
fn a_wall_askew_is_held_by_all_of_its_way() {
    for degrees in [0.0_f64, 30.0, 60.0, 80.0] {
        let (sin, cos) = degrees.to_radians().sin_cos();
        let mut stack = Stack::new(2.0, 1.0);
        for _ in 0..15 {
            stack.up();
            for bead in 0..4 {
                let across = f64::from(bead) - 1.5;
                let at = |along: f64| [60.0 + along * cos - across * sin, 60.0 + along * sin + across * cos];
                let ([x, y], [to_x, to_y]) = (at(-20.0), at(20.0));
                stack.line(&format!("G0 X{x:.4} Y{y:.4}\nG1 X{to_x:.4} Y{to_y:.4} E80"));
            }
        }
        let mut p = own();
        p.nozzle.diameter_mm.value = 1.0;
        let bears = along_y(&audit(&stack.text, &p))[14];
        let (weak, stiff) = (40.0 * 4.0_f64.powi(3) / 12.0, 4.0 * 40.0_f64.powi(3) / 12.0);
        let section = 1.0 / (cos / weak).hypot(sin / stiff);
        let per_accel = prism(30.0, 160.0, section, MODULUS, 1.12);
        let known = 0.2 * 1.0 / (p.part.sway_factor.value * per_accel);
        assert!((bears / known - 1.0).abs() < 0.15, "{degrees}: {bears} mm/s² instead of {known}");
    }
}

/// Acceleration along Y in force for each move of a text, and its layer: M204 S, P and T, M201 X and Y, read by words.
fn obeys(text: &str, profile: &Profile, bears: &[f64]) -> usize {
    let read = reader::read(text.as_bytes(), &runs::rules(profile));
    let mut moves = read.moves.iter().peekable();
    let (mut print, mut travel) = (profile.machine.max_accel_mm_s2.value, profile.machine.max_accel_mm_s2.value);
    let mut y_most = profile.machine.axis_accel_mm_s2.value.map_or(f64::INFINITY, |axes| axes[1]);
    let (mut layer, mut last_z, mut lines) = (0_usize, 0.0, 0);
    for (number, line) in (1..).zip(text.lines()) {
        let value = |letter: char| -> Option<f64> {
            line.split_whitespace()
                .find_map(|word| word.strip_prefix(letter))
                .map(|digits| digits.parse().expect("a number"))
        };
        if line.starts_with("M204") || line.starts_with("M201") {
            lines += 1;
        }
        if line.starts_with("M204") {
            print = value('S').or(value('P')).unwrap_or(print);
            travel = value('S').or(value('T')).unwrap_or(travel);
        } else if line.starts_with("M201") {
            y_most = value('Y').unwrap_or(y_most);
        }
        while let Some(m) = moves.next_if(|m| m.line == number) {
            if m.is_bead() && m.to[2] != last_z {
                (layer, last_z) = (layer + 1, m.to[2]);
            }
            let Some(most) = layer.checked_sub(1).and_then(|index| bears.get(index)) else { continue };
            if m.length > 0.0 {
                let share = (m.to[1] - m.from[1]).abs() / m.length;
                let along = if m.is_bead() { print } else { travel };
                let got = (along * share).min(y_most);
                assert!(
                    got * share.signum() <= most * (1.0 + 1e-9) || share == 0.0,
                    "line {number}: {got} above {most}"
                );
            }
        }
    }
    lines
}

#[test]
fn every_move_of_the_output_obeys() {
    // Slanting travels and beads, arcs of short pieces, and straight fill, ten layers.
    let mut stack = Stack::new(HEIGHT, BEAD);
    for _ in 0..12 {
        stack.up().block([50.0, 50.0], [8.0, 8.0]).ring([50.0, 50.0], 8.0).line("G0 X20 Y20").line("G0 X54 Y54");
        for step in 1..=48 {
            let (sin, cos) = (f64::from(step) / 48.0 * 2.0 * PI).sin_cos();
            stack.line(&format!("G1 X{:.4} Y{:.4} E2", 50.0 + 4.0 * cos, 54.0 + 4.0 * sin));
        }
    }
    for (preset, by_axis) in [("host", false), ("board", true), ("network", true), ("board", false)] {
        let text = format!("[controller]\npreset = \"{preset}\"\n");
        let mut preset = Profile::load(&text, "own").expect("a sound profile");
        if !by_axis {
            // Without M201, beads and travels have a word each.
            preset.controller.skipped_commands.value.push("M201".to_owned());
            preset.machine.axis_accel_mm_s2.value = None;
        }
        let mut p = profile(0.1, BEAD);
        (p.controller, p.machine.corner) = (preset.controller.clone(), preset.machine.corner);
        p.machine.axis_accel_mm_s2 = preset.machine.axis_accel_mm_s2;
        p.machine.axis_speed_mm_s = preset.machine.axis_speed_mm_s;
        for passes in [SOFT, Passes { scale: false, ..Passes::ALL }] {
            let (output, summary) = rewrite(&stack.text, &p, passes);
            let bears = along_y(&summary);
            assert!(bears[11] < 500.0, "{bears:?}");
            let lines = obeys(&output, &p, &bears);
            let moves = summary.before.moves as usize;
            assert!(lines > 0 && lines < moves / 4, "{lines} lines for {moves} moves");
            // The file itself would break what the part bears.
            assert!(std::panic::catch_unwind(|| obeys(&stack.text, &p, &bears)).is_err());
        }
        let off = rewrite(&stack.text, &p, Passes { capacity: true, ..Passes::NONE }).0;
        assert!(!off.contains("M204") && !off.contains("M201"));
    }
}

/// M204 of the file does not lift what was set by axis, M201 of the file does.
#[test]
fn axis_words_of_the_file_are_followed() {
    let preset = Profile::load("[controller]\npreset = \"board\"\n", "own").expect("a sound profile");
    let mut p = own();
    (p.controller, p.machine.corner) = (preset.controller.clone(), preset.machine.corner);
    let mut stack = Stack::new(HEIGHT, BEAD);
    for layer in 0..12 {
        stack.up();
        for part in 0..4 {
            if layer % 3 == 2 {
                stack.line("M204 P2500 T2800");
            }
            if layer % 4 == 3 && part == 1 {
                stack.line("M201 X3000 Y3000");
            }
            stack.block([50.0, 50.0 + 2.0 * f64::from(part)], [8.0, 2.0]);
        }
    }
    for axes in [preset.machine.axis_accel_mm_s2.value, None] {
        p.machine.axis_accel_mm_s2.value = axes;
        let (output, summary) = rewrite(&stack.text, &p, SOFT);
        obeys(&output, &p, &along_y(&summary));
        let written = summary.changes.accelerations_written;
        assert!((5..=16).contains(&written), "{written} for 12 layers, three of which the file sets anew\n{output}");
        // Behind the last bead the machine's own is in force again, also where the axes had no limit of their own.
        assert!(output.trim_end().ends_with("M201 Y3000"), "{axes:?}\n{output}");
    }
}

/// Lines with numbers bear no others between them.
#[test]
fn numbered_lines_stay_as_they_are() {
    let text = column(12, HEIGHT, BEAD, [8.0, 8.0]).text;
    let numbered = |line: (usize, &str)| {
        if line.1.starts_with(';') { line.1.to_owned() } else { format!("N{} {}", line.0, line.1) }
    };
    let text: String = text.lines().enumerate().map(|line| numbered(line) + "\n").collect();
    for preset in ["host", "board"] {
        let preset = Profile::load(&format!("[controller]\npreset = \"{preset}\"\n"), "own").expect("a sound profile");
        let mut p = own();
        p.controller = preset.controller;
        p.part.solid_temperature_c.value = Some(110.0);
        (p.machine.park_x_mm.value, p.machine.park_y_mm.value) = (Some(0.0), Some(0.0));
        let (output, summary) = rewrite(&text, &p, SOFT);
        assert_eq!(output.lines().count(), text.lines().count() + 1, "the marker alone\n{output}");
        let told = |summary: &Summary| summary.findings.iter().find(|f| f.code == "part-numbered").cloned();
        let finding = told(&summary).expect("it is told");
        assert!(finding.help.contains("line numbers") && !finding.places.is_empty(), "{finding:?}");
        assert!(summary.findings.iter().all(|f| f.code != "layer-hurried"), "one remedy, not two");
        assert!(told(&audit(&text, &p)).is_some());
        // Where the part bears it and nothing has to cool there is nothing to tell.
        p.machine.part_moves.value = PartMoves::None;
        p.part.solid_temperature_c.value = None;
        assert!(told(&rewrite(&text, &p, SOFT).1).is_none());
    }
}

#[test]
fn the_next_object_is_free_again() {
    let mut stack = Stack::new(HEIGHT, BEAD);
    for x in [50.0, 90.0] {
        for _ in 0..10 {
            stack.up().block([x, 50.0], [8.0, 8.0]);
        }
        stack.down_to_bed();
    }
    let bears = along_y(&audit(&stack.text, &own()));
    assert_eq!(bears.len(), 20);
    for (first, second) in bears.iter().zip(&bears[10..]) {
        near(*second, *first, 1e-6);
    }
    let mut p = own();
    p.part.solid_temperature_c.value = Some(110.0);
    let summary = audit(&stack.text, &p);
    let least: Vec<f64> = bands(&summary).iter().map(|band| band.least_time_s).collect();
    assert!(least[8] > 0.0 && least[9] == 0.0 && least[10] > 0.0 && least[19] == 0.0, "{least:?}");
}

/// A spiral of one bead: a tube of 20 mm and 2 mm of wall, I = pi r³ t, A = 2 pi r t, 60 mm high.
#[test]
fn a_spiral_is_bounded_as_a_tube() {
    let (radius, wall, rise, turns) = (10.0, 2.0, 3.0, 20_u32);
    let mut text = format!("G90\nM83\nG28\nG1 F1200\nG0 X{} Y50\nG1 Z{rise}\n", 50.0 + radius);
    let piece = 2.0 * PI * radius / 48.0;
    let volume = piece * wall * rise;
    let point = |step: u32| {
        let (sin, cos) = (f64::from(step) / 48.0 * 2.0 * PI).sin_cos();
        (50.0 + radius * cos, 50.0 + radius * sin)
    };
    for step in 1..=turns * 48 {
        let (x, y) = point(step);
        // The first turn lies flat on the bed.
        let z = rise + rise * f64::from(step.saturating_sub(48)) / 48.0;
        text.push_str(&format!("G1 X{x:.4} Y{y:.4} Z{z:.4} E{volume:.5}\n"));
    }
    let mut p = profile(MODULUS, 2.0);
    p.screw.peak_flow_mm3_s.value = Some(1e4);
    let summary = audit(&text, &p);
    // The last layer is what the last piece begins. The first has the level turn and the first climb, which count as two:
    // the column under the layer before the last is as high as that reaches.
    let top = &bands(&summary)[18];
    let (area, second) = (2.0 * PI * radius * wall, PI * radius.powi(3) * wall);
    let known = 0.2 * wall / (2.0 * prism(60.0, area, second, MODULUS, 1.12));
    near(top.accel_y_mm_s2.expect("it is bounded"), known, 0.03);
    let (output, _) = rewrite(&text, &p, SOFT);
    assert!(output.contains("M204 S"), "a bound is written");
}

//! Pauses with a way to the park position, decompression, purge and charge, read by a reader of its own.

#[path = "support/corpus.rs"]
mod corpus;
#[path = "support/reader.rs"]
mod reader;
#[path = "support/runs.rs"]
mod runs;
mod support;

use std::io::Cursor;

use meltwright::pipeline::{self, Options};
use meltwright::profile::{EUnit, LagCompensation, Profile};
use meltwright::summary::Summary;
use serde_json::Value;
use support::Bench;

const AWAY: &str = "; to the park position";
const BACK: &str = "; back at the print";
const PURGE_MM3: f64 = 70.0;

/// Capacity 30 and 20 mm³/s; E of the input counts mm³; at most 50 units of E in place. `more`: lines for `[screw]`;
/// `hopper`: for `[hopper]` and, behind its name, `[machine]`. Layers wait for
/// nothing.
fn profile(more: &str, hopper: &str) -> Profile {
    let (hopper, machine) = hopper.split_once("[machine]\n").unwrap_or((hopper, ""));
    let text = format!(
        "[machine]\nmax_speed_mm_s = 150\n{machine}\n[controller]\nmax_e_only_mm = 50\n[screw]\ne_unit = \"mm3\"\n\
         peak_flow_mm3_s = 30\nsustained_flow_mm3_s = 20\n{more}\n[feedstock]\ndensity_g_cm3 = 5\n\
         [part]\nsolid_temperature_c = \"none\"\n\
         [hopper]\nusable_g = 1.9\nmargin_g = 0.45\npause_command = \"REFILL\"\n{hopper}"
    );
    Profile::load(&text, "park.toml").unwrap_or_else(|error| panic!("{error}"))
}

const PARK: &str = "purge_mm3 = 70\n[machine]\npark_x_mm = -10\npark_y_mm = 5\n";
const NO_LAG: &str = "melt_lag_s = 0\noutput_e_unit = \"as-in-file\"";
const AT_REST: &str = "melt_lag_s = 0.4\nlag_compensated_by = \"none\"\noutput_e_unit = \"as-in-file\"";
const OTHER_UNIT: &str = "melt_lag_s = 0.4\nlag_compensated_by = \"none\"\noutput_e_unit = \"virtual-filament-mm\"";
const BY_CONTROLLER: &str = "melt_lag_s = 0.4\nlag_compensated_by = \"controller\"\noutput_e_unit = \"as-in-file\"";
const ALONG_PATH: &str = "melt_lag_s = 0.4\nlag_compensated_by = \"file\"\noutput_e_unit = \"virtual-filament-mm\"";
const WAYS: [&str; 5] = [NO_LAG, AT_REST, OTHER_UNIT, BY_CONTROLLER, ALONG_PATH];

fn rewrite(input: &str, profile: &Profile) -> (String, Summary) {
    let (bytes, summary) =
        runs::rewrite(input.as_bytes(), profile, &Options::default()).unwrap_or_else(|error| panic!("{error}"));
    (String::from_utf8(bytes).expect("plain text"), summary)
}

/// The lines of the first way to the park position, comments included.
fn first_way(text: &str) -> Vec<&str> {
    let lines: Vec<&str> = text.lines().collect();
    let at = lines.iter().position(|line| *line == AWAY).unwrap_or_else(|| panic!("no way\n{text}"));
    let end = lines.iter().position(|line| *line == BACK).expect("a way back");
    lines[at..=end + 1].to_vec()
}

/// Beads of 20 mm³, 0.1 g each: 14 of 24 may go before the hopper is refilled.
fn pad(start: &str, bead: impl Fn(i32) -> String) -> String {
    format!("{start}\n; infill\n{}", (1..=24).map(bead).collect::<String>())
}

fn absolute(start: &str) -> String {
    pad(&format!("{start}\nM82\nG1 X0 Y3 Z1 F3000\nG1 F600"), |n| format!("G1 X{} E{}\n", n % 2 * 40, n * 20))
}

/// The file counts from another corner behind the pause, but not yet on the way.
/// The way there runs with the acceleration that was lowered for the bead before: 105 mm at 21 mm/s² take 4.5 s and more.
#[test]
fn ways_take_as_long_as_the_acceleration_in_force_asks() {
    let text = "G28\nM109 S205\nG90\nM83\nM204 S1000\nG1 Z0.6 F600\nG0 X10 Y10 F6000\nG1 X110 Y10 E60 F1200\n\
                G1 X110 Y110 E60\nG1 X10 Y110 E60\nG1 X10 Y20 E55\nG1 X100 Y20 E55\nG1 X100 Y100 E50\nG1 X20 Y100 E50\nM204 S1000\n";
    let set = [
        "screw.virtual_diameter_mm=1.75",
        "screw.lag_compensated_by=controller",
        "hopper.usable_g=1.2",
        "hopper.margin_g=0.1",
        "feedstock.density_g_cm3=2",
        "hopper.pause_command=PAUSE",
        "machine.park_x_mm=5",
        "machine.park_y_mm=5",
        "controller.preset=host",
    ];
    let profile = runs::embedded(set);
    let options = Options { hash: false, again: true, ..Options::default() };
    let (output, written) = runs::rewrite(text.as_bytes(), &profile, &options).expect("a rewrite");
    let output = String::from_utf8(output).expect("plain text");
    let before: Vec<&str> = output.lines().take_while(|line| *line != "; to the park position").collect();
    let set = before.iter().rev().find_map(|line| line.strip_prefix("M204 S")).expect("an acceleration");
    assert!(set.parse::<f64>().is_ok_and(|accel| accel < 100.0), "{output}");
    let judged = pipeline::audit(&mut Cursor::new(&output), &profile, &options, &mut |_| {}).expect("an audit");
    let (said, found) = (written.after.time_s, judged.before.time_s);
    assert!((found / said - 1.0).abs() < 0.03, "{found} s instead of {said}");
}

#[test]
fn a_way_before_a_line_that_sets_the_position() {
    let beads = |from: f64| -> String {
        (1..=14).map(|n| format!("G1 X{} E{}\n", from + f64::from(n % 2) * 40.0, n * 20)).collect()
    };
    let input = format!(
        "G28\nM82\n;LAYER_CHANGE\nG1 X0 Y3 Z1 F3000\nG1 F600\n{}G92 X100 Y50 E0\n;LAYER_CHANGE\nG1 Z2\n{}",
        beads(0.0),
        beads(100.0)
    );
    let way = rewrite(&input, &profile(NO_LAG, PARK)).0;
    let way = first_way(&way);
    assert_eq!((way[2], way[8], way[9]), ("G1 X-10 Y5 F3000", "G1 X0 Y3 F3000", "G1 Z1 F600"), "{way:?}");
    assert_eq!(way.last(), Some(&"G92 X100 Y50 E0"));
}

#[test]
fn the_way_in_absolute_positions_by_hand() {
    // The last travel went at 50 mm/s. Lift at 10 mm/s. The command runs at the feed of the file. 70 mm³ at 20 mm³/s in two lines of at most 50.
    let want = [
        AWAY,
        "G1 Z6 F600",
        "G1 X-10 Y5 F3000",
        "G1 F600",
        "REFILL",
        "G1 E315 F1200",
        "G1 E350",
        "G92 E280",
        "G1 X0 Y3 F3000",
        "G1 Z1 F600",
        BACK,
        "G1 X40 E300 F600",
    ];
    let (text, summary) = rewrite(&absolute("G28\nG90"), &profile(NO_LAG, PARK));
    assert_eq!(first_way(&text), want, "{text}");
    let plan = summary.hopper.expect("a plan");
    assert_eq!((plan.pauses_written, plan.pauses_parked, plan.purged_mm3), (1, 1, PURGE_MM3));
    // 480 mm³ of print and 70 of purge at 5 g/cm³.
    assert!((plan.total_g - 2.75).abs() < 1e-9 && (plan.refills[0].purge_g - 0.35).abs() < 1e-9, "{plan:?}");
    // Judged again, the purge stands in the file already.
    let options = Options { again: true, ..Options::default() };
    let mut source = std::io::Cursor::new(text.as_bytes());
    let again =
        meltwright::pipeline::audit(&mut source, &profile(NO_LAG, PARK), &options, &mut |_| {}).expect("an audit");
    let total_g = again.hopper.expect("a plan").total_g;
    assert!((total_g - 2.75).abs() < 1e-9, "{total_g}");
    assert!((summary.after.volume_mm3 - summary.before.volume_mm3 - PURGE_MM3).abs() < 1e-9);
    // There and back sqrt(10² + 2²) mm, and 5 mm up and down.
    let way = 2.0 * (104.0_f64.sqrt() + 5.0);
    assert!((summary.after.travel_path_mm - summary.before.travel_path_mm - way).abs() < 1e-6);
    assert_eq!(summary.after.travels - summary.before.travels, 4);
    // Without the position the command stands alone, as ever.
    let (text, _) = rewrite(&absolute("G28\nG90"), &profile(NO_LAG, "purge_mm3 = 70\n"));
    assert!(text.contains("G1 X0 E280\nREFILL\nG1 X40 E300 F600\n") && !text.contains(AWAY), "{text}");
}

#[test]
fn the_way_in_distances_by_hand() {
    // From X 0, Y 3 to X -10, Y 5: the same figures back. M220 halves what F says; a key above the machine's 150 mm/s.
    let text = pad("G28\nG90\nG1 X0 Y3 Z1 F600\nG91\nM220 S50", |n| format!("G1 X{} E20\n", (n % 2 * 2 - 1) * 40));
    let more = format!("{PARK}park_lift_mm = 2.5\npark_speed_mm_s = 400\n");
    let (out, _) = rewrite(&text, &profile(NO_LAG, &more));
    let want = [
        AWAY,
        "G1 Z2.5 F1200",
        "G1 X-10 Y2 F18000",
        "G1 F600",
        "REFILL",
        "G1 E35 F2400",
        "G1 E35",
        "G1 X10 Y-2 F18000",
        "G1 Z-2.5 F1200",
        BACK,
        "G1 X40 E20 F600",
    ];
    assert_eq!(first_way(&out), want, "{out}");
}

#[test]
fn the_way_in_inches_and_with_an_offset_by_hand() {
    // G92 X5 at X 0: the file counts 5 more than the machine, so that -10 is -5. 70 mm³ of E go as units of 25.4.
    let text = pad("G28\nG90\nM83\nG1 X0 Y3 Z1 F3000\nG1 F600\nG92 X5\nG20", |n| {
        format!("G1 X{:.5} E{:.6}\n", f64::from(n % 2 * 40 + 5) / 25.4, 20.0 / 25.4)
    });
    let (out, _) = rewrite(&text, &profile(NO_LAG, PARK));
    let way = first_way(&out);
    // 6 mm, -5 mm, 5 mm; 50 mm/s are 118.11 in/min, 10 mm/s 23.62; 35 mm³ 1.37795; X 5 mm as written in the file.
    let want = [
        AWAY,
        "G1 Z0.23622 F23.6",
        "G1 X-0.19685 Y0.19685 F118.1",
        "G1 F23.622",
        "REFILL",
        "G1 E1.37795 F47.2",
        "G1 E1.37795",
        "G1 X0.19685 Y0.1181102 F118.1",
        "G1 Z0.0393701 F23.6",
        BACK,
        // 600 mm/min.
        "G1 X1.77165 E0.787402 F23.622",
    ];
    assert_eq!(way, want, "{out}");
}

#[test]
fn the_melt_is_relieved_purged_relieved_and_charged() {
    let pads = pad("G28\nG90\nM83\nG1 X0 Y3 Z1 F600", |n| format!("G1 X{} E20\n", n % 2 * 40));
    let (out, _) = rewrite(&pads, &profile(AT_REST, PARK));
    let out_lines: Vec<&str> = out.lines().collect();
    let at = out_lines.iter().position(|line| *line == AWAY).expect("a way");
    let e = |line: &str| -> f64 {
        line.split(' ').find_map(|word| word.strip_prefix('E')).map_or(0.0, |number| number.parse().expect("a number"))
    };
    assert!(out_lines[at - 1].starts_with("G1 E-"), "relieved before the way: {out}");
    let way = first_way(&out);
    let turns: Vec<f64> =
        way[..way.len() - 1].iter().filter(|line| line.starts_with("G1 E")).map(|line| e(line)).collect();
    let [first, second, back] = turns[..] else { panic!("{turns:?}\n{out}") };
    assert!((first + second - PURGE_MM3).abs() < 2e-5 && first.max(second) <= 50.0, "{turns:?}");
    // At 20 mm³/s for 3.5 s the store is 8 (1 - e^-8.75) = 7.9987 mm³, less what is left in the nozzle meanwhile; back
    // at 30 mm³/s: 12 ln(1 + 7.9987 / 12) = 6.1289.
    assert!((back + 6.1289).abs() < 0.05, "{turns:?}");
    // The bead behind is charged again before it begins.
    let behind = out_lines.iter().position(|line| *line == BACK).expect("the way back") + 1;
    assert!(out_lines[behind].starts_with("G1 E") && e(out_lines[behind]) > 0.0, "{}", out_lines[behind]);
    assert!(out_lines[behind + 1].starts_with("G1 X40 E") && out_lines[behind + 1].contains(" F600"), "{out}");
}

/// A line that sets its own unit counts otherwise than one before it would: nothing is turned there.
#[test]
fn nothing_is_turned_before_a_line_that_sets_its_own_unit() {
    let text = pad("G28\nG90\nM83\nG1 X0 Y3 Z1 F600", |n| {
        format!("G20 G1 X{:.5} E{:.5}\nG21 G1 Y3\n", f64::from(n % 2 * 40) / 25.4, 20.0 / 25.4)
    });
    for more in [AT_REST, ALONG_PATH] {
        let (out, _) = rewrite(&text, &profile(more, ""));
        let lines: Vec<&str> = out.lines().collect();
        let at = lines.iter().position(|line| *line == "REFILL").expect("a pause");
        let around = [lines[at - 1], lines[at + 1]];
        assert!(around[0].starts_with("G21 G1 Y3") && around[1].starts_with("G20 G1 X"), "{around:?}\n{out}");
    }
}

/// Prints in every way of counting: layers of infill with a travel between, after homing.
fn forms() -> Vec<(&'static str, String)> {
    let layers = |unit: f64, places: bool, e_relative: bool| {
        let (mut text, mut e, mut last) = (String::new(), 0.0, [0.0; 3]);
        for layer in 1..=8 {
            text.push_str(";LAYER_CHANGE\n; infill\n");
            for n in 0..6 {
                let to = [f64::from(n % 2) * 30.125, f64::from(n) * 1.2345, 0.5 * f64::from(layer)];
                let by: Vec<f64> = (0..3).map(|axis| to[axis] - last[axis]).collect();
                let xyz = if places { to.to_vec() } else { by };
                let words: Vec<String> = xyz.iter().map(|value| format!("{:.5}", value / unit)).collect();
                if n == 0 {
                    text.push_str(&format!("G1 X{} Y{} Z{} F{}\n", words[0], words[1], words[2], 4800.0 / unit));
                } else {
                    e += 9.0 / unit;
                    let e = if e_relative { 9.0 / unit } else { e };
                    text.push_str(&format!("G1 X{} Y{} E{e:.5} F{}\n", words[0], words[1], 900.0 / unit));
                }
                last = to;
            }
            if !e_relative {
                text.push_str("G92 E0\n");
                e = 0.0;
            }
        }
        text
    };
    vec![
        ("absolute", format!("G28\nG90\nM82\n{}", layers(1.0, true, false))),
        ("E in distances", format!("G28\nG90\nM83\n{}", layers(1.0, true, true))),
        ("distances", format!("G28\nG91\n{}", layers(1.0, false, true))),
        ("inches", format!("G28\nG90\nM82\nG20\n{}", layers(25.4, true, false))),
        ("offset", format!("G28\nG90\nM82\nG1 X3 Y4 Z0.2 F900\nG92 X10 Y20 Z0.2\n{}", layers(1.0, true, false))),
    ]
}

/// Everything that must hold between an output with pauses alone and one with ways to the park position.
fn assert_sound(name: &str, input: &str, park: [f64; 2], own: &Profile) -> u64 {
    let mut plain = own.clone();
    (plain.machine.park_x_mm.value, plain.machine.park_y_mm.value) = (None, None);
    let (plain, _) = rewrite(input, &plain);
    let (parked, summary) = rewrite(input, own);
    let rules = reader::Rules { volume_per_e: runs::output_volume(own), ..runs::rules(own) };
    let (plain, read) = (reader::read(plain.as_bytes(), &rules), reader::read(parked.as_bytes(), &rules));
    let lines: Vec<&str> = parked.lines().collect();
    let of = |mark| lines.iter().enumerate().filter(move |(_, line)| **line == mark).map(|(index, _)| index + 1);
    let ways: Vec<(usize, usize)> = of(AWAY).zip(of(BACK)).collect();
    let plan = summary.hopper.as_ref().expect("a plan");
    assert_eq!((plan.pauses_parked, plan.pauses_written), (ways.len() as u64, plan.refills.len() as u64), "{name}");
    assert!((plan.purged_mm3 - own.hopper.purge_mm3.value * ways.len() as f64).abs() < 1e-9, "{name}");
    let is_away = |line: usize| ways.iter().any(|(from, to)| (*from..*to).contains(&line));
    // What is left of it is the print as it was: path, and where beads keep their E, the volume of each.
    let path = |moves: &[reader::Move], all: bool| {
        let kept = moves.iter().filter(|m| m.length > 0.0 && (all || !is_away(m.line)));
        kept.map(|m| (m.to, m.volume, m.feed)).collect::<Vec<_>>()
    };
    if own.screw.melt_lag_s.value == 0.0 || own.screw.lag_compensated_by.value != LagCompensation::File {
        let (before, after) = (path(&plain.moves, true), path(&read.moves, false));
        assert_eq!(before.len(), after.len(), "{name}");
        for (old, new) in before.iter().zip(&after) {
            let off = (0..3).map(|axis| (old.0[axis] - new.0[axis]).abs()).fold(0.0, f64::max);
            assert!(
                off < 1e-5 && (old.1 - new.1).abs() < 1e-3 && (old.2 - new.2).abs() < 1e-9,
                "{name}: {old:?} {new:?}"
            );
        }
    }
    let capacity = own.screw.sustained_flow_mm3_s.value.expect("stated");
    let most = own.controller.max_e_only_mm.value.expect("stated");
    for (from, to) in &ways {
        let first = read.moves.iter().position(|m| m.line > *from).expect("moves");
        let trip: Vec<_> = read.moves[first..].iter().take_while(|m| m.line < *to).collect();
        let start = read.moves[..first].last().map_or([0.0; 3], |m| m.to);
        let end = trip.last().expect("a way").to;
        let off = (0..3).map(|axis| (start[axis] - end[axis]).abs()).fold(0.0, f64::max);
        assert!(off < 3e-6, "{name}, line {to}: back at {end:?} instead of {start:?}");
        let (turns, ways): (Vec<&reader::Move>, Vec<&reader::Move>) = trip.into_iter().partition(|m| m.length == 0.0);
        let [up, there, back, down] = ways[..] else { panic!("{name}: {} moves", ways.len()) };
        assert!((up.to[2] - start[2] - 5.0).abs() < 1e-3 && up.to[..2] == start[..2], "{name}: {:?}", up.to);
        assert!((there.to[0] - park[0]).abs() < 2e-3 && (there.to[1] - park[1]).abs() < 2e-3, "{name}: {:?}", there.to);
        assert!(there.to[2] == up.to[2] && back.to[2] == up.to[2] && down.to[..2] == back.to[..2], "{name}");
        assert!(ways.iter().all(|m| m.e == 0.0 && m.feed <= 150.0 + 1e-9), "{name}");
        let purged: f64 = turns.iter().map(|m| m.volume.max(0.0)).sum();
        // The fifth decimal of an inch of a strand of 10 mm is 0.02 mm³.
        let quantum = if name.starts_with("inches") { 0.02 } else { 5e-3 };
        assert!((purged - own.hopper.purge_mm3.value).abs() < quantum, "{name}: {purged} mm³");
        for turn in &turns {
            assert!(turn.line > there.line && turn.line < back.line, "{name}: turned at the park position");
            assert!(turn.flow() <= capacity * (1.0 + 1e-6), "{name}: {} mm³/s", turn.flow());
            assert!(turn.e.abs() <= most + 1e-4, "{name}: E {}", turn.e);
        }
    }
    let pushed = |read: &reader::Reading| read.moves.iter().map(|m| m.volume).sum::<f64>();
    let total = pushed(&read);
    if own.screw.melt_lag_s.value == 0.0 {
        let said = pushed(&plain) + plan.purged_mm3;
        assert!((total - said).abs() < 0.01, "{name}: E pushes {total} mm³, without ways {said}");
    } else if !reader::read(input.as_bytes(), &rules).moves.iter().any(reader::Move::is_e_only) {
        let screw = &summary.screw;
        let said = screw.beads_mm3 + screw.charged_mm3 - screw.relieved_mm3 + plan.purged_mm3;
        // The fifth decimal of an inch of a strand of 10 mm is 0.02 mm³, of which each new count of E may leave half.
        let rounding = if name.starts_with("inches") { 0.04 } else { 0.01 };
        assert!((total - said).abs() < rounding, "{name}: E pushes {total} mm³, the account says {said}");
    }
    ways.len() as u64
}

#[test]
fn every_form_comes_back_to_where_it_was() {
    for more in WAYS {
        for (name, text) in forms() {
            let own = profile(more, PARK);
            let park = if name == "offset" { [-3.0, 21.0] } else { [-10.0, 5.0] };
            let parked = assert_sound(&format!("{name}, {more}"), &text, park, &own);
            assert!(parked >= 1, "{name}, {more}");
        }
    }
}

#[test]
fn real_files_come_back_to_where_they_were() {
    let Some(files) = corpus::files() else { return };
    let wanted = ["abs-e-plain-01.gcode", "rel-e-feature-and-bead-comments-01.gcode"];
    let mut seen = 0;
    for path in files.iter().filter(|path| wanted.contains(&runs::name_of(path).as_str())) {
        seen += 1;
        let text = std::fs::read_to_string(path).expect("plain text");
        let mut own = profile(NO_LAG, &format!("{PARK}park_speed_mm_s = 120\n"));
        own.screw.e_unit.value = EUnit::VirtualFilament;
        own.screw.virtual_diameter_mm.value = Some(1.75);
        own.hopper.usable_g.value = Some(20.0);
        own.screw.lag_compensated_by.value = LagCompensation::None;
        for lag_s in [0.0, 0.4] {
            own.screw.melt_lag_s.value = lag_s;
            let parked = assert_sound(&runs::name_of(path), &text, [-10.0, 5.0], &own);
            assert!(parked >= 1, "{}", path.display());
        }
    }
    assert_eq!(seen, wanted.len(), "files are missing from the collection");
}

#[test]
fn the_output_depends_on_neither_blocks_nor_threads() {
    for more in WAYS {
        for (name, text) in forms() {
            let own = profile(more, PARK);
            let (bytes, summary) = runs::rewrite(text.as_bytes(), &own, &Options::default()).expect("a rewrite");
            for block_size in [1, 7, 64, 1000] {
                for threads in [1, 3] {
                    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads start");
                    let options = Options { block_size, ..Options::default() };
                    let run = || runs::rewrite(text.as_bytes(), &own, &options).expect("a rewrite");
                    let (other, its_summary) = pool.install(run);
                    assert!(other == bytes, "{name}, {more}: other bytes with blocks of {block_size}");
                    assert_eq!(its_summary, summary, "{name}, {more}: another summary with blocks of {block_size}");
                }
            }
        }
    }
}

#[test]
fn where_the_head_cannot_be_parked_the_pause_stays_and_a_note_says_so() {
    let reasons = [
        // Only distances, and never homed.
        (pad("G91\nG1 X5 Y5 Z1 F600", |n| format!("G1 X{} E20\n", (n % 2 * 2 - 1) * 40)), "not every axis was homed"),
        // The mode changes on every line of a bead.
        (
            pad("G28\nG90\nM83\nG1 X0 Y3 Z1 F600", |n| format!("G91 G1 X{} E20\nG90 G1 Y3\n", (n % 2 * 2 - 1) * 40)),
            "sets units or modes itself",
        ),
    ];
    for (text, reason) in reasons {
        let (out, summary) = rewrite(&text, &profile(NO_LAG, PARK));
        assert!(!out.contains(AWAY) && out.lines().filter(|line| *line == "REFILL").count() == 1, "{out}");
        let found = summary.findings.iter().find(|finding| finding.code == "pause-not-parked").expect("a note");
        assert!(found.count == 1 && found.places[0].detail.contains(reason), "{found:?}");
        let plan = summary.hopper.expect("a plan");
        assert_eq!((plan.pauses_written, plan.pauses_parked, plan.purged_mm3), (1, 0, 0.0));
        assert!((plan.total_g - 2.4).abs() < 1e-9, "what is not purged is not counted: {}", plan.total_g);
    }
    // Every axis sent to a stated place is as good as homed.
    let (out, _) = rewrite(&absolute("G90"), &profile(NO_LAG, PARK));
    assert!(out.contains(AWAY));
}

#[test]
fn a_replay_knows_the_way() {
    let bench = Bench::new();
    let forms = forms();
    bench.file("own.gcode", &forms[0].1);
    for way in ["none", "file"] {
        let set = [
            "screw.e_unit=mm3".to_owned(),
            "screw.melt_lag_s=0.4".to_owned(),
            format!("screw.lag_compensated_by={way}"),
            "feedstock.density_g_cm3=5".to_owned(),
            "hopper.usable_g=1.7".to_owned(),
            "hopper.margin_g=0.4".to_owned(),
            "hopper.pause_command=REFILL".to_owned(),
            "machine.park_x_mm=-10".to_owned(),
            "machine.park_y_mm=5".to_owned(),
            "hopper.purge_mm3=40".to_owned(),
        ];
        let set: Vec<&str> = set.iter().flat_map(|set| ["--set", set.as_str()]).collect();
        let typed =
            [&["rewrite", "own.gcode", "-o", "out.gcode", "--replay", "--json", "account.json"][..], &set].concat();
        let ran = bench.run(&typed).code(0);
        assert!(ran.stdout.contains("nothing may stand there"), "{}", ran.stdout);
        let account: Value = serde_json::from_str(&support::read(&bench.path("account.json"))).expect("an account");
        let parked = account["hopper"]["pauses_parked"].as_u64().expect("a number");
        assert!(parked >= 1 && account["hopper"]["purged_mm3"].as_f64() == Some(40.0 * parked as f64), "{account}");
    }
}

#[test]
fn bad_park_positions_are_named() {
    let bench = Bench::new();
    bench.file("pad.gcode", absolute("G28\nG90"));
    for (set, said) in [
        (&["machine.park_x_mm=5"][..], "must both be set, or neither"),
        (&["machine.park_y_mm=5"], "must both be set, or neither"),
        (&["machine.park_x_mm=99999", "machine.park_y_mm=5"], "must lie between -10000 and 10000 mm"),
        (&["hopper.purge_mm3=-1"], "must lie between 0 and 100000 mm³"),
        (&["machine.park_lift_mm=-1"], "must lie between 0 and 1000 mm"),
        (&["machine.park_speed_mm_s=0"], "must be above zero"),
        (
            &["machine.park_x_mm=5", "machine.park_y_mm=5", "hopper.usable_g=60", "hopper.purge_mm3=10000"],
            "hopper.purge_mm3 must leave at least 1 g",
        ),
    ] {
        let typed: Vec<&str> = set.iter().flat_map(|set| ["--set", *set]).collect();
        let ran = bench.run(&[&["audit", "pad.gcode"][..], &typed].concat()).code(2);
        assert!(ran.stderr.contains(said), "{set:?}: {}", ran.stderr);
    }
    let caution = |text: &str| Profile::load(text, "own.toml").expect("a sound profile").cautions();
    assert!(caution("[hopper]\npurge_mm3 = 20\n").iter().any(|found| found.key == "hopper.purge_mm3"));
}

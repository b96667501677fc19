//! Corner rules of a soft part: the jumps of speed that the planner of the output makes, against what a prism bears by
//! hand.

#[path = "support/planned.rs"]
mod planned;
#[path = "support/reader.rs"]
mod reader;
#[path = "support/runs.rs"]
mod runs;
#[path = "support/stack.rs"]
mod stack;

use meltwright::pipeline::{Options, Passes};
use meltwright::profile::{Corner, CornerWords, Profile};
use meltwright::summary::Summary;
use stack::{SOFT, Stack, prism, profile};

/// Height of a layer and width of a bead, mm.
const HEIGHT: f64 = 4.0;
const BEAD: f64 = 4.0;
/// Side of the column, mm, and its stuff, MPa.
const SIDE: f64 = 8.0;
const MODULUS: f64 = 0.05;
const LAYERS: u32 = 20;

/// Beads along X and travels along Y, so that every corner is a right one; behind them the head goes home.
fn column() -> String {
    let mut stack = Stack::new(HEIGHT, BEAD);
    for _ in 0..LAYERS {
        stack.up().block([50.0, 50.0], [SIDE, SIDE]).line("G0 X70 Y70").line("G0 X50 Y90").line("G0 X30 Y70");
    }
    stack.line("G0 X0 Y0").line("G0 X0 Y100");
    stack.text
}

/// A profile of a controller with this rule, whose corners are fast.
fn own(preset: &str, corner: Corner) -> Profile {
    let preset = Profile::load(&format!("[controller]\npreset = \"{preset}\"\n"), "own").expect("a sound profile");
    let mut p = profile(MODULUS, BEAD);
    p.controller = preset.controller;
    p.machine.axis_accel_mm_s2 = preset.machine.axis_accel_mm_s2;
    p.machine.axis_speed_mm_s = preset.machine.axis_speed_mm_s;
    p.machine.corner.value = corner;
    p
}

fn rewrite(text: &str, p: &Profile, passes: Passes) -> (String, Summary) {
    let options = Options { passes, ..Options::default() };
    let (bytes, summary) = runs::rewrite(text.as_bytes(), p, &options).unwrap_or_else(|error| panic!("{error}"));
    (String::from_utf8(bytes).expect("plain text"), summary)
}

/// Jump of speed along Y that a column of so many layers bears, mm/s: d / (s omega), 0.2 of a bead over the deflection of a
/// prism under a unit acceleration and its first frequency by bending, 3.516 / h² sqrt(EI / m).
fn bears(layer: u32) -> f64 {
    let (height, second) = (f64::from(layer) * HEIGHT, SIDE.powi(4) / 12.0);
    let per_accel = prism(height, SIDE * SIDE, second, MODULUS, 1.12);
    let omega = 3.516 / height.powi(2) * (MODULUS * second / (1.12e-9 * SIDE * SIDE)).sqrt();
    0.2 * BEAD / (per_accel * omega)
}

/// Largest jump of speed along Y in each layer, as the planner executes the text, up to the last bead; mm/s.
fn jumps(text: &str, p: &Profile) -> Vec<f64> {
    let read = reader::read(text.as_bytes(), &runs::rules(p));
    let planned = planned::plan(text.as_bytes(), p);
    let last = read.moves.iter().rposition(reader::Move::is_bead).expect("beads");
    let (mut most, mut layer, mut last_z) = (vec![0.0_f64; LAYERS as usize], 0, 0.0);
    for pair in read.moves[..=last].windows(2) {
        let [before, now] = pair else { unreachable!() };
        if now.is_bead() && now.to[2] != last_z {
            (layer, last_z) = (layer + 1, now.to[2]);
        }
        let along = |m: &reader::Move| if m.length > 0.0 { (m.to[1] - m.from[1]) / m.length } else { 0.0 };
        let jump = along(now) * planned.of(now).entry - along(before) * planned.of(before).exit;
        // The way up to a layer belongs to it.
        let place = (layer + usize::from(now.from[2] > last_z)).saturating_sub(1).min(most.len() - 1);
        most[place] = most[place].max(jump.abs());
    }
    most
}

fn rules(text: &str) -> Vec<(usize, &str)> {
    let is_rule = |line: &&str| line.starts_with("M205") || line.contains("SQUARE_CORNER_VELOCITY");
    (1..).zip(text.lines()).filter(|(_, line)| is_rule(line)).collect()
}

fn value(line: &str) -> f64 {
    line.trim_start_matches(|c: char| !c.is_ascii_digit() || line.starts_with("M205") && c == '2')
        .rsplit(['=', 'J', 'X', 'Y', ' '])
        .next()
        .and_then(|digits| digits.parse().ok())
        .unwrap_or_else(|| panic!("{line}"))
}

/// Each controller with a word, its rule, and what is there in the end.
const CASES: [(&str, Corner, &str); 4] = [
    ("host", Corner::RightAngleSpeed(30.0), "SET_VELOCITY_LIMIT SQUARE_CORNER_VELOCITY=30"),
    ("board", Corner::Deviation(0.3), "M205 J0.3"),
    ("board", Corner::AxisStep([12.0, 15.0, 0.3, 5.0]), "M205 Y15"),
    ("network", Corner::AxisStep([12.0, 15.0, 0.3, 5.0]), "M205 Y15"),
];

#[test]
fn the_planner_of_the_output_jumps_no_further_than_the_part_bears() {
    let text = column();
    for (preset, corner, own_rule) in CASES {
        let p = own(preset, corner);
        let (output, summary) = rewrite(&text, &p, SOFT);
        let (before, after) = (jumps(&text, &p), jumps(&output, &p));
        let too_far = |jump: f64, layer: u32| jump > 1.06 * bears(layer);
        assert!(too_far(before[19], 20) && too_far(before[15], 16), "{preset}: the file itself shakes it: {before:?}");
        for (layer, jump) in (1..).zip(&after) {
            assert!(!too_far(*jump, layer), "{preset} {corner:?}, layer {layer}: {jump} of {}", bears(layer));
        }
        assert!((after[1] / before[1] - 1.0).abs() < 0.2, "the foot keeps its corners: {} {}", after[1], before[1]);
        // What was written is what the account counts on.
        let planned = planned::plan(output.as_bytes(), &p).total;
        assert!((planned / summary.after.time_s - 1.0).abs() < 1e-9, "{preset}: {planned} {}", summary.after.time_s);
        assert!(summary.after.time_s > summary.before.time_s);
        let written = rules(&output);
        assert_eq!(written.len() as u64, summary.changes.corner_rules_written, "{written:?}");
        assert!((2..=LAYERS as usize).contains(&written.len()), "{written:?}");
        // It is put back behind the last bead, and nothing else is named than what moves the part.
        let (line, last) = written[written.len() - 1];
        let read = reader::read(output.as_bytes(), &runs::rules(&p));
        let last_bead = read.beads().map(|m| m.line).max().expect("beads");
        assert!(last == own_rule && line > last_bead, "{preset}: {written:?}");
        assert!(written.iter().all(|(_, line)| !line.contains('X') || !line.starts_with("M205")), "{written:?}");
        let told: Vec<&str> = summary.findings.iter().map(|finding| finding.code).collect();
        assert!(!told.contains(&"part-jolted"), "{preset}: {told:?}");
    }
}

#[test]
fn a_lower_rule_of_the_file_stays_and_a_higher_one_is_lowered_again() {
    for (preset, corner, low, high) in [
        (
            "host",
            Corner::RightAngleSpeed(30.0),
            "SET_VELOCITY_LIMIT SQUARE_CORNER_VELOCITY=0.5",
            "SET_VELOCITY_LIMIT SQUARE_CORNER_VELOCITY=25",
        ),
        ("board", Corner::Deviation(0.3), "M205 J0.01", "M205 J0.25"),
        ("network", Corner::AxisStep([12.0, 15.0, 0.3, 5.0]), "M205 X0.5 Y0.5", "M205 X10 Y10"),
    ] {
        let p = own(preset, corner);
        let text = column().replacen("G1 F1200", &format!("{low}\nG1 F1200"), 1);
        let (output, summary) = rewrite(&text, &p, SOFT);
        assert_eq!(rules(&output).len(), 1, "{preset}: {:?}", rules(&output));
        assert_eq!(summary.changes.corner_rules_written, 0);
        // From the upper third on the file sets a rule of its own.
        let z = ";LAYER_CHANGE\nG1 Z58.000";
        assert!(column().contains(z));
        let text = column().replacen(z, &format!("{high}\n{z}"), 1);
        let (output, summary) = rewrite(&text, &p, SOFT);
        let own = rules(&output);
        let at = own.iter().position(|(_, line)| *line == high).expect("the file's own line");
        assert!(at > 0 && own[at + 1].0 <= own[at].0 + 2, "{preset}: {own:?}");
        assert!(value(own[at + 1].1) < value(high), "{preset}: {own:?}");
        assert_eq!(value(own[own.len() - 1].1), value(high), "put back to what the file set: {own:?}");
        let planned = planned::plan(output.as_bytes(), &p).total;
        assert!((planned / summary.after.time_s - 1.0).abs() < 1e-9, "{preset}: {planned} {}", summary.after.time_s);
        for (layer, jump) in (1..).zip(jumps(&output, &p)) {
            assert!(jump <= 1.06 * bears(layer), "{preset}, layer {layer}: {jump} of {}", bears(layer));
        }
    }
}

#[test]
fn without_a_word_it_is_told() {
    let text = column();
    let mut mute = own("host", Corner::RightAngleSpeed(30.0));
    mute.controller.corner_words.value = CornerWords::None;
    let mut foreign = own("host", Corner::Deviation(0.3));
    foreign.controller.corner_words.value = CornerWords::Named;
    let mut deaf = own("board", Corner::Deviation(0.3));
    deaf.controller.skipped_commands.value.push("M205".to_owned());
    for p in [mute, foreign, deaf] {
        let (output, summary) = rewrite(&text, &p, SOFT);
        assert_eq!(rules(&output), []);
        let told = summary.findings.iter().find(|finding| finding.code == "part-jolted").expect("it is told");
        assert!(told.help.contains("corner_words"), "{}", told.help);
    }
    // A board takes no deviation below 0.01 mm: lowered that far, and told.
    let mut soft = own("board", Corner::Deviation(0.3));
    soft.feedstock.modulus_mpa.value = Some(0.002);
    soft.machine.axis_accel_mm_s2.value = None;
    soft.controller.skipped_commands.value.push("M201".to_owned());
    let (output, summary) = rewrite(&text, &soft, SOFT);
    let lowest = rules(&output).iter().map(|(_, line)| value(line)).fold(f64::INFINITY, f64::min);
    assert!((lowest - 0.01).abs() < 1e-12, "{:?}", rules(&output));
    assert!(summary.findings.iter().any(|finding| finding.code == "part-jolted"));
}

/// Harder stuff never takes longer, a fixed bed takes nothing.
#[test]
fn harder_is_never_slower_at_corners() {
    let text = column();
    for (preset, corner, _) in CASES {
        let mut p = own(preset, corner);
        let mut last = f64::INFINITY;
        for modulus in [0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 3.0, 10.0, 100.0] {
            p.feedstock.modulus_mpa.value = Some(modulus);
            let time = rewrite(&text, &p, SOFT).1.after.time_s;
            assert!(time <= last * (1.0 + 1e-9), "{preset}: {modulus} MPa: {time} s after {last} s");
            last = time;
        }
        p.feedstock.modulus_mpa.value = Some(0.02);
        p.machine.part_moves.value = meltwright::profile::PartMoves::None;
        assert_eq!(rules(&rewrite(&text, &p, SOFT).0), []);
    }
}

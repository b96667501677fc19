//! How well E along the path lays what is wanted, wherever the vertices of a file lie and however slow it is.

#[path = "support/runs.rs"]
mod runs;

#[path = "support/reader.rs"]
mod reader;

use std::io::Cursor;

use meltwright::pipeline::{self, Options, Original};
use meltwright::summary::ReplayFigures;

/// A unit of E of a strand of 1.75 mm, mm³.
const STRAND: f64 = std::f64::consts::FRAC_PI_4 * 1.75 * 1.75;

/// What becomes of a file on the virtual machine, before and after.
fn laid(input: &str, set: &[&str]) -> [ReplayFigures; 2] {
    let fixed = ["screw.virtual_diameter_mm=1.75", "part.solid_temperature_c=none", "machine.part_moves=none"];
    let profile = runs::embedded(fixed.into_iter().chain(set.iter().copied()));
    let (output, _) = runs::rewrite(input.as_bytes(), &profile, &Options::default()).expect("a rewrite");
    let options = Options { again: true, ..Options::default() };
    let original = Original { input: &mut Cursor::new(input), path: None };
    let account = pipeline::replay(&mut Cursor::new(&output), Some(original), &profile, &options, &mut |_| {});
    let replay = account.expect("a replay").replay;
    [replay.before.expect("the original"), replay.after]
}

/// Lines of 80 mm back and forth, each 0.24 mm² thick.
fn lines(count: u32, feed: u32, accel: u32) -> String {
    let line = |k: u32| {
        let (x, e) = (20 + 80 * (k % 2), 80.0 * 0.24 / STRAND);
        format!("G1 X{x} Y{y} F6000\nG1 X{to} E{e:.5} F{feed}\n", y = 20 + 2 * k, to = 120 - x)
    };
    format!("G28\nG90\nM83\nM204 S{accel}\nG1 Z0.4 F600\n{}", (0..count).map(line).collect::<String>())
}

/// The last bead of a run is as thick as any: only its end is thinner, where the relief takes the pressure away.
#[test]
fn slow_lines_are_laid_whole() {
    for (bore, lag, feed, accel) in [(0.6, 0.4, 480, 500), (1.0, 0.05, 900, 1500), (0.4, 0.4, 600, 3000)] {
        for preset in ["host", "board", "network"] {
            let set = [
                format!("nozzle.diameter_mm={bore}"),
                format!("screw.melt_lag_s={lag}"),
                format!("controller.preset={preset}"),
            ];
            let [_, after] = laid(&lines(6, feed, accel), &set.each_ref().map(String::as_str));
            let (share, outside) = (after.laid_over_wanted, after.path_outside_10_pct);
            assert!((share - 1.0).abs() < 0.02, "{preset}, {bore} mm, {lag} s: {share}");
            assert!(outside < 10.0, "{preset}, {bore} mm, {lag} s: {outside} %");
        }
    }
}

/// A square with sides of 30 mm, each of `count` moves that go straight on.
fn square(count: u32) -> String {
    let mut text = String::from("G28\nG90\nM83\nG1 Z0.4 F600\nG1 X20 Y20 F6000\n");
    let e = 30.0 / f64::from(count) * 0.2 / STRAND;
    for _ in 0..6 {
        for ([x, y], [to_x, to_y]) in
            [([20, 20], [50, 20]), ([50, 20], [50, 50]), ([50, 50], [20, 50]), ([20, 50], [20, 20])]
        {
            for k in 1..=count {
                let share = f64::from(k) / f64::from(count);
                let at = |from: i32, to: i32| f64::from(from) + share * f64::from(to - from);
                text.push_str(&format!("G1 X{:.3} Y{:.3} E{e:.5} F2400\n", at(x, to_x), at(y, to_y)));
            }
        }
    }
    text
}

/// What is laid does not hang on where the slicing program puts its vertices.
#[test]
fn vertices_on_a_straight_line_make_no_difference() {
    for preset in ["host", "board"] {
        let preset = format!("controller.preset={preset}");
        for count in [1, 3, 5, 10, 20] {
            let [before, after] = laid(&square(count), &[&preset]);
            let outside = after.path_outside_10_pct;
            assert!(
                outside < 5.0 && before.path_outside_10_pct > 3.0 * outside,
                "{preset}, {count} moves a side: {outside} %"
            );
        }
    }
}

/// A short bead at a corner is bounded by the screw and leaves the store short. The long bead behind it makes that good at
/// once, instead of a tenth too little over a quarter of its length.
#[test]
fn a_store_left_short_is_made_good_at_once() {
    let mut text = String::from("G28\nG90\nM83\nG1 Z0.4 F600\nG1 X20 Y20 F6000\n");
    for k in 0..30 {
        let (from, to, y) = (20 + 40 * (k % 2), 60 - 40 * (k % 2), 20.0 + 0.5 * f64::from(k));
        let way = if to > from { 1.0 } else { -1.0 };
        let e = |length: f64| length * 0.3 / STRAND;
        text.push_str(&format!("G1 X{:.3} E{:.5} F1500\n", f64::from(from) + way * 0.2, e(0.2)));
        text.push_str(&format!("G1 X{to} E{:.5}\nG1 Y{:.3} E{:.5}\n", e(39.8), y + 0.5, e(0.5)));
    }
    let [_, after] =
        laid(&text, &["screw.peak_flow_mm3_s=12", "screw.max_speed_rpm=60", "screw.sustained_flow_mm3_s=none"]);
    assert!(after.path_outside_10_pct < 6.0 && (after.laid_over_wanted - 1.0).abs() < 0.02, "{after:?}");
}

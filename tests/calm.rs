//! Where nobody makes up for the lag: slow ramps and slow junctions, as they are written and what they bring.

#[path = "support/runs.rs"]
mod runs;

#[path = "support/reader.rs"]
mod reader;

use std::io::Cursor;

use meltwright::pipeline::{self, Options, Original};
use meltwright::profile::Profile;
use meltwright::summary::{ReplayFigures, Summary};

fn profile(preset: &str, more: &[&str]) -> Profile {
    let preset = format!("controller.preset={preset}");
    let fixed = [
        preset.as_str(),
        "screw.virtual_diameter_mm=1.75",
        "screw.lag_compensated_by=none",
        "screw.melt_lag_s=0.4",
        "screw.peak_flow_mm3_s=20",
        "screw.sustained_flow_mm3_s=none",
    ];
    let assignments: Vec<_> =
        fixed.into_iter().chain(more.iter().copied()).map(|text| text.parse().expect("an assignment")).collect();
    Profile::embedded_with(&assignments).expect("a sound profile")
}

/// Loops of four sides of 60 mm at 30 mm/s; each side is 0.12 mm² thick, then 0.36, then 0.12 again: 20 mm each.
fn loops() -> Vec<u8> {
    let mut text = "G90\nM83\nM109 S200\nG28\nG1 X10 Y10 Z0.4 F6000\nG1 F1800\n".to_owned();
    let (mut at, mut turn) = ([10.0, 10.0], [1.0, 0.0]);
    for _ in 0..20 {
        for thick in [0.12, 0.36, 0.12] {
            at = [at[0] + 20.0 * turn[0], at[1] + 20.0 * turn[1]];
            let e = 20.0 * thick / (std::f64::consts::FRAC_PI_4 * 1.75 * 1.75);
            text.push_str(&format!("G1 X{} Y{} E{e:.5}\n", at[0], at[1]));
        }
        turn = [-turn[1], turn[0]];
    }
    text.into_bytes()
}

fn rewritten(input: &[u8], profile: &Profile) -> (Vec<u8>, Summary, ReplayFigures) {
    let (output, summary) = runs::rewrite(input, profile, &Options::default()).expect("a rewrite");
    let options = Options { again: true, ..Options::default() };
    let original = Original { input: &mut Cursor::new(input), path: None };
    let replay =
        pipeline::replay(&mut Cursor::new(&output), Some(original), profile, &options, &mut |_| {}).expect("a replay");
    (output, summary, replay.replay.after)
}

#[test]
fn what_each_brings() {
    let input = loops();
    let of = |preset: &str, more: &[&str]| {
        let (output, summary, figures) = rewritten(&input, &profile(preset, more));
        println!(
            "{preset} {more:?}: 10 % {:.4}, 25 % {:.4}, rms {:.2}, {:.1} s, {} bytes",
            figures.path_outside_10_pct, figures.path_outside_25_pct, figures.rms_pct, summary.after.time_s, output.len()
        );
        (summary.after.time_s, figures)
    };
    for preset in ["host", "board", "network"] {
        of(preset, &[]);
        of(preset, &["screw.max_ramp_error=0.5"]);
        of(preset, &["screw.max_ramp_error=0.2"]);
        of(preset, &["screw.max_flow_step_mm3_s=2"]);
        of(preset, &["screw.max_flow_step_mm3_s=1"]);
        of(preset, &["screw.max_ramp_error=0.2", "screw.max_flow_step_mm3_s=1"]);
    }
    panic!();
}

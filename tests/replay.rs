//! The replay against figures by hand, and on whole files.

#[path = "support/corpus.rs"]
mod corpus;

use std::io::Cursor;

use meltwright::error::{ErrorKind, Result};
use meltwright::line::Block;
use meltwright::motion::{Beside, Ordered, Plan, Timing};
use meltwright::moves::Move;
use meltwright::moves::limits::MotionLimits;
use meltwright::moves::resolve::{Resolver, Rules};
use meltwright::moves::settings::FileSettings;
use meltwright::pipeline::{self, Options, Original, ReplayAccount};
use meltwright::profile::Profile;
use meltwright::replay::align::{Follower, Span, course};
use meltwright::replay::machine::Machine;
use meltwright::replay::{Conditions, ReplayFigures};

/// A planner by hand: every move at its own speed throughout, or from rest to rest.
struct ByHand {
    accel: Option<f64>,
    settled: Vec<Timing>,
}

impl Plan for ByHand {
    fn push(&mut self, step: &Move, _: Beside<'_>, ordered: Ordered) {
        let distance = step.distance();
        let speed = ordered.speed;
        self.settled.push(match self.accel {
            _ if distance == 0.0 => Timing { time: step.wait_s, ..Timing::default() },
            None => Timing {
                entry: speed,
                top: speed,
                exit: speed,
                accel: 1000.0,
                time: distance / speed,
                by_length: [f32::INFINITY; 2],
            },
            Some(accel) => {
                let top = speed.min((accel * distance).sqrt());
                Timing { top, accel, time: distance / top + top / accel, ..Timing::default() }
            }
        });
    }

    fn finish(&mut self) {}

    fn hand_over(&mut self, out: &mut Vec<Timing>) {
        out.append(&mut self.settled);
    }
}

/// E in mm³, lag 0.4 s, a screw of 30 mm³/s, a bore of 1 mm.
const CONDITIONS: Conditions =
    Conditions { lag_s: 0.4, dead_time_s: 0.0, screw_mm3_s: 30.0, bore_mm: 1.0, compensation_s: 0.0 };

/// One bead of 100 mm with 50 mm³ at 10 mm/s: 0.5 mm² and 5 mm³/s for 10 s.
const BEAD: &str = "G1 X100 E50 F600\n";

fn moves(text: &str) -> Vec<Move> {
    let mut profile = Profile::embedded();
    profile.screw.e_unit.value = meltwright::profile::EUnit::Mm3;
    let settings = FileSettings::default();
    let mut block = Block { bytes: format!("M83\n{text}").into_bytes(), first_line: 1, ..Block::default() };
    block.lex();
    let mut moves = Vec::new();
    Resolver::new(Rules::new(&profile, &settings, false), &settings, true).resolve(&block, &mut moves).unwrap();
    moves
}

/// Executes a text with a planner by hand; `accel`: from rest to rest, else at even speeds.
fn execute(text: &str, conditions: Conditions, accel: Option<f64>) -> ReplayFigures {
    let mut machine = Machine::new(ByHand { accel, settled: Vec::new() }, &conditions);
    for step in moves(text) {
        machine.take(&step, Beside::default(), Span::of(&step));
        machine.run();
    }
    balanced(machine.finish())
}

/// The same with what an original wants.
fn execute_against(text: &str, original: &str, conditions: Conditions) -> Result<ReplayFigures> {
    let mut machine = Machine::new(ByHand { accel: None, settled: Vec::new() }, &conditions);
    let original = moves(original);
    let mut courses = original.iter().filter_map(|step| course(step, u64::from(step.line) + 1));
    let mut follower = Follower::default();
    for step in moves(text) {
        let wanted = if step.length > 0.0 { follower.follow(&step, || Ok(courses.next()))? } else { Span::of(&step) };
        machine.take(&step, Beside::default(), wanted);
    }
    follower.finish(|| Ok(courses.next()))?;
    machine.run();
    Ok(balanced(machine.finish()))
}

/// What the screw gave is somewhere.
#[track_caller]
fn balanced(figures: ReplayFigures) -> ReplayFigures {
    let f = &figures;
    let out = f.laid_on_path_mm3 + f.at_starts_mm3 + f.at_stops_mm3 + f.drool_mm3 + f.elsewhere_mm3;
    near(f.commanded_mm3 - f.refused_mm3 + f.refused_back_mm3, out + f.stored_at_end_mm3, 1e-9 * (1.0 + f.wanted_mm3));
    near(f.laid_on_path_mm3 - f.wanted_mm3, f.surplus_mm3 - f.missing_mm3, 1e-9 * (1.0 + f.wanted_mm3));
    figures
}

#[track_caller]
fn near(got: f64, expected: f64, tolerance: f64) {
    assert!((got - expected).abs() <= tolerance, "{got}, expected {expected}");
}

#[test]
fn a_long_bead_from_rest_misses_what_the_melt_stores() {
    let f = execute(BEAD, CONDITIONS, None);
    // Stored: tau q = 2 mm³, but for e^-25; all of it lacks on the path.
    near(f.missing_mm3, 2.0, 1e-9);
    near(f.stored_at_end_mm3, 2.0, 1e-9);
    near(f.laid_mm3, 48.0, 1e-9);
    near(f.laid_over_wanted, 0.96, 1e-9);
    // Stretch i takes 0.1 s and lacks (0.4/0.1) (1 - e^-1/4) e^-i/4 = 0.88480 e^-i/4 of what is wanted:
    // above 5 % for i <= 11, above 10 % for i <= 8, above 25 % for i <= 5.
    near(f.path_outside_5_pct, 12.0, 1e-9);
    near(f.path_outside_10_pct, 9.0, 1e-9);
    near(f.path_outside_25_pct, 6.0, 1e-9);
    // Root of 0.8848^2 / (1 - e^-1/2) / 100.
    let first = 4.0 * (1.0 - (-0.25_f64).exp());
    near(f.rms_error_pct, 100.0 * (first * first / (1.0 - (-0.5_f64).exp()) / 100.0).sqrt(), 1e-8);
    assert_eq!((f.bead_path_mm, f.wanted_mm3, f.surplus_mm3), (100.0, 50.0, 0.0));
    near(f.time_s, 10.0, 1e-12);
    assert_eq!((f.reversals, f.saturated_s), (0, 0.0));
}

#[test]
fn a_perfect_charge_leaves_no_error() {
    // 0.1 s at r = q / (1 - e^-1/4) stores tau q; the rest of r 0.1 s comes out while standing.
    let r = 5.0 / (1.0 - (-0.25_f64).exp());
    let charge = format!("G1 E{} F{}\n", r * 0.1, r * 60.0);
    let f = execute(&format!("G1 X0.1 F6000\n{charge}G1 X100.1 E50 F600\nG1 X200.1 F6000\n"), CONDITIONS, None);
    for share in [f.path_outside_5_pct, f.path_outside_10_pct, f.path_outside_25_pct] {
        assert_eq!(share, 0.0);
    }
    near(f.rms_error_pct, 0.0, 1e-9);
    near(f.at_starts_mm3, r * 0.1 - 2.0, 1e-12);
    // The travel takes 1 s: of the 2 mm³ in store 2 (1 - e^-2.5) drool out.
    near(f.drool_mm3, 2.0 * (1.0 - (-2.5_f64).exp()), 1e-9);
    near(f.highest_screw_flow_mm3_s, r, 1e-12);
}

#[test]
fn without_a_lag_all_is_as_wanted() {
    let text = "G1 X100 E50 F600\nG1 E-3 F600\nG1 X0.5 Y7 F6000\nG1 E3 F600\nG1 Y40 E9 F1200\nG4 P500\nG1 Y40.3 E.1\n";
    let f = execute(text, Conditions { lag_s: 0.0, ..CONDITIONS }, Some(800.0));
    assert_eq!((f.path_outside_5_pct, f.reversals), (0.0, 1));
    near(f.laid_mm3, 59.1, 1e-9);
    near(f.laid_on_path_mm3, 59.1, 1e-9);
    for nothing in [f.missing_mm3, f.surplus_mm3, f.at_stops_mm3, f.drool_mm3, f.stored_at_end_mm3] {
        near(nothing, 0.0, 1e-9);
    }
}

#[test]
fn a_screw_that_is_too_slow() {
    // 50 mm³/s of 30: 60 % is laid, for all of 2 s, and all of the path is outside.
    let f = execute("G1 X100 E100 F3000\n", Conditions { lag_s: 0.0, ..CONDITIONS }, None);
    near(f.laid_over_wanted, 0.6, 1e-12);
    assert_eq!(f.path_outside_25_pct, 100.0);
    near(f.saturated_s, 2.0, 1e-12);
    near(f.refused_mm3, 40.0, 1e-9);
    near(f.highest_screw_flow_mm3_s, 50.0, 1e-12);
}

#[test]
fn waits_leave_blobs() {
    // After a long bead the 2 mm³ in store come out over 0.2 s of waiting, 2 (1 - e^-1/2), and then on a travel of 1 s.
    let f = execute(&format!("{BEAD}G4 P200\nG1 X0 F6000\n"), CONDITIONS, None);
    near(f.at_stops_mm3, 2.0 * (1.0 - (-0.5_f64).exp()), 1e-9);
    near(f.drool_mm3, 2.0 * (-0.5_f64).exp() * (1.0 - (-2.5_f64).exp()), 1e-9);
    near(f.laid_mm3, 48.0 + f.at_stops_mm3, 1e-9);
}

#[test]
fn dead_time_lacks_at_the_start() {
    // Flow begins 0.5 s late, 5 mm later: 2.5 mm³.
    let f = execute(BEAD, Conditions { lag_s: 0.0, dead_time_s: 0.5, ..CONDITIONS }, None);
    near(f.missing_mm3, 2.5, 1e-9);
    near(f.path_outside_25_pct, 5.0, 1e-9);
    near(f.stored_at_end_mm3, 2.5, 1e-9);
}

#[test]
fn a_controller_that_compensates() {
    let controller = Conditions { compensation_s: 0.4, ..CONDITIONS };
    // From rest to rest at 20 mm/s²: flow changes by 10 mm³/s², so the screw is 4 mm³/s ahead and nothing lacks.
    let f = execute(BEAD, controller, Some(20.0));
    near(f.rms_error_pct, 0.0, 1e-9);
    near(f.laid_mm3, 50.0, 1e-9);
    near(f.highest_screw_flow_mm3_s, 9.0, 1e-9);
    near(f.stored_at_end_mm3, 0.0, 1e-9);
    assert_eq!(f.reversals, 1, "braking asks for 4 mm³/s less than the flow, below zero at the end");
    // Twice the acceleration asks for more than a screw of 9 mm³/s has, forward for a while, backward never.
    let f = execute(BEAD, Conditions { screw_mm3_s: 9.0, ..controller }, Some(40.0));
    assert!(f.refused_mm3 > 0.0 && f.saturated_s > 0.0 && f.rms_error_pct > 0.1, "{f:?}");
    // At once to full speed: the 2 mm³ are pushed in 40 ms, 50 mm³/s more, and drawn back behind the bead.
    let f = execute(&format!("{BEAD}G1 X0 F6000\n"), Conditions { screw_mm3_s: 100.0, ..controller }, None);
    near(f.highest_screw_flow_mm3_s, 55.0, 1e-9);
    near(f.commanded_mm3, 50.0, 1e-9);
    assert_eq!(f.reversals, 1);
    // Only while the store fills is there too little: less than 40 ms of 5 mm³/s.
    assert!(f.missing_mm3 > 0.05 && f.missing_mm3 < 0.2, "{f:?}");
}

/// Flow jumps by 20 and back by 20 mm³/s while the 40 ms of the jumps before still last: nothing of the volume gets lost.
#[test]
fn jumps_that_follow_each_other_owe_their_sum() {
    let controller = Conditions { compensation_s: 0.4, screw_mm3_s: 1e4, ..CONDITIONS };
    let f = execute("M83\nG1 X1 E0.1 F6000\nG1 X2 E0.3\nG1 X3 E0.1\nG1 X30 F6000\n", controller, None);
    near(f.commanded_mm3, 0.5, 1e-9);
}

#[test]
fn a_compensation_set_by_the_file() {
    // On before the bead, off behind it: 2 mm³ are pushed ahead at once, and taken back at once.
    let steps = moves(&format!("M204 S500\n{BEAD}M204 S600\nG1 X0 F6000\n"));
    let mut machine = Machine::new(ByHand { accel: None, settled: Vec::new() }, &CONDITIONS);
    for (index, step) in steps.iter().enumerate() {
        let set = |e_lag_s| MotionLimits { e_lag_s: Some(e_lag_s), ..MotionLimits::default() };
        let limits = match index {
            0 => Some(set(0.4)),
            2 => Some(set(0.0)),
            _ => None,
        };
        machine.take(step, Beside { limits: limits.as_ref(), arc: None }, Span::of(step));
    }
    let f = balanced(machine.finish());
    near(f.commanded_mm3, 50.0, 1e-9);
    assert_eq!(f.reversals, 1);
    // In 40 ms 2 mm³ more ask for 55 mm³/s of 30: 25 mm³/s for 40 ms are lost.
    near(f.highest_screw_flow_mm3_s, 55.0, 1e-9);
    near(f.saturated_s, 0.08, 1e-9);
}

#[test]
fn other_tools_leave_the_screw_alone() {
    let f = execute("T1\nG1 X100 E50 F600\nG1 E5\nT0\nG1 X0 E50 F600\n", CONDITIONS, None);
    assert_eq!((f.bead_path_mm, f.wanted_mm3), (100.0, 50.0));
    near(f.commanded_mm3, 50.0, 1e-12);
}

#[test]
fn split_moves_are_laid_against_the_original() {
    let original = format!("G1 X0.5 F6000\n{BEAD}G1 X0 F6000\n");
    let whole = execute(&original, CONDITIONS, None);
    let split = "G1 X0.5 F6000\nG1 E0 F600\nG1 X30.001 E14.824623\nM204 S500\nG1 X90.0004 E30.150452\nG1 X99.9993 E5.024573\nG1 X100 E0.000352\nG1 X0 F6000\n";
    let f = execute_against(split, &original, CONDITIONS).unwrap();
    near(f.wanted_mm3, whole.wanted_mm3, 0.01);
    // The last 0.0007 mm are taken for the travel behind.
    near(f.bead_path_mm, whole.bead_path_mm, 1e-3);
    near(f.missing_mm3, whole.missing_mm3, 0.01);
    near(f.path_outside_10_pct, whole.path_outside_10_pct, 0.01);
    // The last 40 mm laid from what is stored: they are still bead path.
    let early = "G1 X0.5 F6000\nG1 X60 E29.9\nG1 X100\nG1 X0 F6000\n";
    let f = execute_against(early, &original, CONDITIONS).unwrap();
    near(f.bead_path_mm, 99.5, 1e-9);
    near(f.wanted_mm3, 50.0, 1e-9);
    assert!(f.path_outside_25_pct > 35.0, "{f:?}");
}

#[test]
fn paths_that_differ_are_refused() {
    let original = "G1 X10 F600\nG1 X20 E5\nG1 X20 Y10 E5\n";
    let cases = [
        ("G1 X10\nG1 X21 E5\n", "this move is 11.000 mm long, where line 3 of the original is 10.000 mm long"),
        (
            "G1 X10\nG1 X15 E5\nG1 X22 E5\n",
            "this move is 7.000 mm long, where line 3 of the original has 5.000 of 10.000 mm left",
        ),
        ("G1 X10\nG1 X10 Y10 E5\n", "this move ends 14.142 mm from where line 3 of the original ends"),
        ("G1 X10\nG1 X20 E5\nG1 X20 Y5 E5\n", "the file ends where the original goes on with its line 4"),
        ("G1 X10\nG1 X20 E5\n", "the file ends where the original goes on with its line 4"),
        ("G1 X10\nG1 X20 E5\nG1 Y10\nG1 X5\n", "the original ends before this line: no path is left in it"),
    ];
    for (text, what) in cases {
        let error = execute_against(text, original, CONDITIONS).unwrap_err();
        assert!(matches!(error.kind(), ErrorKind::PathsDiffer { .. }));
        assert_eq!(error.to_string(), what, "{text}");
        assert!(error.kind().help().is_some());
    }
}

#[test]
fn tiny_moves_do_not_lead_astray() {
    // A rest of 0.0015 mm left by rounding is taken for the next move, and a longer one makes up for it.
    let original = "G1 X5 E1 F600\nG1 X5.001 E.001\nG1 X5.002 E.001\nG1 X8 E1\nG1 X8 Y5 E2\n";
    let f = execute_against(
        "G1 X4.9985 E1\nG1 X5 E.001\nG1 X5.001 E.001\nG1 X5.002 E.001\nG1 X8 E1\nG1 Y5 E2\n",
        original,
        CONDITIONS,
    );
    near(f.unwrap().bead_path_mm, 13.0, 1e-9);
}

/// Gives the timings it is told.
struct Told(Vec<Timing>, usize);

impl Plan for Told {
    fn push(&mut self, _: &Move, _: Beside<'_>, _: Ordered) {
        self.1 += 1;
    }

    fn finish(&mut self) {}

    fn hand_over(&mut self, out: &mut Vec<Timing>) {
        out.extend(self.0.drain(..std::mem::take(&mut self.1)));
    }
}

#[test]
fn moves_a_controller_joins_are_laid_with_the_next() {
    // 0.05 mm of bead joined to 0.95 mm of it, then 0.05 mm of bead joined to a travel, at 10 mm/s throughout.
    let steps = moves("G1 X0.05 E.05 F600\nG1 X1 E.95\nG1 X1.05 E.05\nG1 X11\n");
    let even = |time| Timing { entry: 10.0, top: 10.0, exit: 10.0, accel: 1000.0, time, by_length: [f32::INFINITY; 2] };
    let timings = vec![Timing::default(), even(0.1), Timing::default(), even(1.0)];
    let mut machine = Machine::new(Told(timings, 0), &Conditions { lag_s: 0.0, ..CONDITIONS });
    for step in &steps {
        machine.take(step, Beside::default(), Span::of(step));
    }
    machine.run();
    let f = balanced(machine.finish());
    near(f.time_s, 1.1, 1e-12);
    near(f.wanted_mm3, 1.05, 1e-12);
    // The first stretch is as wanted; the last 0.05 mm³ come out on the travel.
    near(f.laid_on_path_mm3, 1.0, 1e-12);
    near(f.drool_mm3, 0.05, 1e-12);
    near(f.path_outside_5_pct, 100.0 * 0.05 / 1.05, 1e-9);
    near(f.highest_screw_flow_mm3_s, 10.0, 1e-9);
}

fn replay(input: &[u8], original: Option<&[u8]>, profile: &Profile, block_size: usize) -> Result<ReplayAccount> {
    let options = Options { block_size, ..Options::default() };
    let mut original = original.map(Cursor::new);
    let beside = original.as_mut().map(|input| Original { input, path: None });
    pipeline::replay(&mut Cursor::new(input), beside, profile, &options, &mut |_| {})
}

fn volumetric() -> Profile {
    Profile::embedded_with(&["screw.e_unit=mm3".parse().unwrap()]).unwrap()
}

#[test]
fn the_result_does_not_depend_on_blocks() {
    let text = b"M83\nG1 X10 Y10 F6000\nG1 X40 E9 F900\nG1 E-2 F1800\nG0 X10 Y12 F6000\nG1 E2 F1800\nG2 X30 Y12 I10 J0 E5 F900\nG4 P100\nG1 Y40 E9\n";
    let whole = replay(text, None, &volumetric(), 1 << 16).unwrap();
    assert!(whole.replay.after.path_outside_10_pct > 0.0 && whole.replay.before.is_none());
    assert_eq!(replay(text, None, &volumetric(), 1).unwrap(), whole);
    // Against itself a file is what it is alone.
    let both = replay(text, Some(text), &volumetric(), 7).unwrap();
    assert_eq!(both.replay.before, Some(whole.replay.after.clone()));
    assert_eq!(both.replay.after, whole.replay.after);
}

#[test]
fn arcs_take_the_time_of_their_chords() {
    // Half a circle of 10 mm: whatever the ramps, with no lag all of it is as wanted.
    let mut profile = volumetric();
    profile.screw.melt_lag_s.value = 0.0;
    let f = replay(b"M83\nG1 X0 Y0 F6000\nG2 X20 Y0 I10 J0 E10 F600\n", None, &profile, 1 << 16).unwrap().replay.after;
    near(f.bead_path_mm, 10.0 * std::f64::consts::PI, 1e-9);
    near(f.laid_mm3, 10.0, 1e-9);
    near(f.rms_error_pct, 0.0, 1e-9);
}

#[test]
fn rewritten_real_files_follow_their_originals() {
    let Some(files) = corpus::files() else { return };
    for preset in ["host", "board"] {
        follow_originals(&files, preset);
    }
}

fn follow_originals(files: &[std::path::PathBuf], preset: &str) {
    let mut profile = Profile::embedded_with(&[format!("controller.preset={preset}").parse().unwrap()]).unwrap();
    let mut replayed = 0;
    for path in files {
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let input = std::fs::read(path).unwrap();
        profile.screw.e_unit.value = if name.starts_with("volumetric") {
            meltwright::profile::EUnit::Mm3
        } else {
            meltwright::profile::EUnit::VirtualFilament
        };
        profile.screw.virtual_diameter_mm.value = Some(1.75);
        let mut output = Vec::new();
        let rewritten =
            pipeline::rewrite(&mut Cursor::new(&input), &mut output, &profile, &Options::default(), &mut |_| {});
        if rewritten.is_err() {
            assert!(replay(&input, None, &profile, 1 << 16).is_err(), "{name}");
            continue;
        }
        let account =
            replay(&output, Some(&input), &profile, 1 << 16).unwrap_or_else(|error| panic!("{name}: {error}"));
        let before = balanced(account.replay.before.unwrap());
        let after = balanced(account.replay.after);
        // Ends of pieces are written in thousandths of a millimetre.
        near(before.wanted_mm3, after.wanted_mm3, 3e-6 * before.wanted_mm3);
        near(before.bead_path_mm, after.bead_path_mm, 3e-6 * before.bead_path_mm);
        println!(
            "{name:50} ±10 %: {:5.1} {:5.1}  laid {:.3} {:.3}  {:6.0} s {:6.0} s",
            before.path_outside_10_pct,
            after.path_outside_10_pct,
            before.laid_over_wanted,
            after.laid_over_wanted,
            before.time_s,
            after.time_s
        );
        replayed += 1;
    }
    assert!(replayed > 0);
}

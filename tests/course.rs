//! The course of a print: what a report draws, against figures by hand and a second reader of its beads.

use std::fmt::Write as _;
use std::io::Cursor;

use meltwright::pipeline::{Options, audit, rewrite};
use meltwright::profile::Profile;
use meltwright::summary::course::{CLASSES, Course, Sample};

/// The course of a print in which E counts mm³ and the screw gives `peak` mm³/s.
fn course(gcode: &str, peak: f64) -> Course {
    let set = ["screw.e_unit=mm3".to_owned(), format!("screw.peak_flow_mm3_s={peak}")];
    let set: Vec<_> = set.iter().map(|text| text.parse().expect("an assignment")).collect();
    let profile = Profile::embedded_with(&set).expect("a sound profile");
    let options = Options { course: true, ..Options::default() };
    let summary = audit(&mut Cursor::new(gcode), &profile, &options, &mut |_| {}).expect("a sound print");
    *summary.course.expect("a course")
}

/// Runs of a sample: code and points in mm.
fn runs(sample: &Sample) -> Vec<(u64, Vec<[f64; 2]>)> {
    let mut bytes = sample.data.iter();
    let mut next = || -> Option<u64> {
        let (mut value, mut shift) = (0, 0);
        loop {
            let byte = *bytes.next()?;
            value |= u64::from(byte & 0x7f) << shift;
            shift += 7;
            if byte & 0x80 == 0 {
                return Some(value);
            }
        }
    };
    let (mut runs, mut at) = (Vec::new(), [0_i64; 2]);
    while let Some(code) = next() {
        let mut points = Vec::new();
        for _ in 0..next().expect("a number of points") {
            for axis in &mut at {
                let folded = next().expect("a distance");
                *axis += if folded % 2 == 1 { -(folded.div_ceil(2) as i64) } else { (folded / 2) as i64 };
            }
            points.push(at.map(|axis| axis as f64 / 100.0));
        }
        runs.push((code, points));
    }
    runs
}

const HEAD: &str = "M83\nG28\nG1 Z0.5 F600\nG1 X10 Y10 F6000\n;LAYER_CHANGE\n";

#[test]
fn it_is_kept_only_where_it_is_asked_for() {
    let mut gcode = Cursor::new(format!("{HEAD}G1 X30 E20 F600\n"));
    let profile = Profile::embedded_with(&["screw.e_unit=mm3".parse().expect("an assignment")]).expect("a profile");
    let summary = audit(&mut gcode, &profile, &Options::default(), &mut |_| {}).expect("a sound print");
    assert_eq!(summary.course, None);
}

#[test]
fn beads_come_back_as_they_were_laid() {
    // Two sides of a square at 10 mm/s and 1 mm² ask 10 mm³/s of 11; after a jump 2.5 mm with 2 mm² ask 20.
    let gcode = format!("{HEAD}G1 X30 E20 F600\nG1 Y30 E20\nG1 X0 Y0 F6000\nG1 X0.01 Y-2.5 E5 F600\nG1 X50 F6000\n");
    let course = course(&gcode, 11.0);
    let [sample] = course.samples.list() else { panic!("one layer") };
    let runs = runs(sample);
    let places: Vec<_> = runs.iter().map(|(_, points)| points.clone()).collect();
    let expected = [vec![[10.0, 10.0]], vec![[30.0, 10.0], [30.0, 30.0]], vec![[0.0, 0.0]], vec![[0.01, -2.5]]];
    assert_eq!(places, expected);
    // 91 % and 182 % of the capacity are classes 9 and 12; both are held below 100 % in the output.
    let before = |code: u64| (code - 1) / CLASSES as u64;
    assert_eq!((runs[0].0, runs[2].0, before(runs[1].0), before(runs[3].0)), (0, 0, 9, 12));
    assert!((runs[3].0 - 1) % (CLASSES as u64) < 10);
    assert_eq!((sample.layer, sample.beads, sample.box_mm), (1, 3, [0.0, -2.5, 30.0, 30.0]));
    assert!((sample.above_before_mm - 2.5).abs() < 1e-3 && sample.above_after_mm == 0.0);
    assert!((sample.length_mm - 42.5).abs() < 1e-3 && (sample.z_mm - 0.5).abs() < 1e-9);
    let ground = course.grounds.of(1).expect("what stands in the layer");
    assert_eq!((ground.islands, ground.height_mm), (2, 0.5));
    // 40 mm of 1 mm² and 2.5 mm of 2 mm² at 0.5 mm: widths of 2 and 4 mm.
    assert!((ground.bead_width_mm - (40.0 * 2.0 + 2.5 * 4.0) / 42.5).abs() < 0.01, "{}", ground.bead_width_mm);
}

#[test]
fn joined_beads_stay_within_their_slack() {
    // A circle of 20 mm in 720 chords, and one that is an arc.
    let start = format!("{HEAD}G1 X20 Y0 F6000\nG1 F600\n");
    let mut chords = start.clone();
    for angle in (1..=720).map(|k| f64::from(k).to_radians() / 2.0) {
        writeln!(chords, "G1 X{:.3} Y{:.3} E0.15", 20.0 * angle.cos(), 20.0 * angle.sin()).expect("text");
    }
    let arc = format!("{start}G3 X20 Y0 I-20 J0 E110\n");
    for (gcode, beads) in [(chords, 720), (arc, 1)] {
        let course = course(&gcode, 20.0);
        let sample = &course.samples.list()[0];
        let mut at = [20.0, 0.0];
        let (mut kept, mut length) = (0, 0.0);
        for (code, points) in runs(sample) {
            for to in points {
                if code > 0 {
                    let middle = ((at[0] + to[0]) / 2.0_f64).hypot((at[1] + to[1]) / 2.0);
                    assert!((20.0 - middle).abs() < 0.06, "{at:?} {to:?}");
                    length += (to[0] - at[0]).hypot(to[1] - at[1]);
                    kept += 1;
                }
                at = to;
            }
        }
        assert!(sample.beads == beads && kept < 250, "{kept}");
        assert!((length - 40.0 * std::f64::consts::PI).abs() < 0.3, "{length}");
    }
}

#[test]
fn layers_are_thinned_evenly_and_the_worst_stays() {
    let mut gcode = "M83\nG28\nG1 F1200\n".to_owned();
    for layer in 1..=300_u32 {
        writeln!(gcode, ";LAYER_CHANGE\nG1 Z{:.1} F600\nG1 F1200", f64::from(layer) * 0.5).expect("text");
        for bead in 0..2000_u32 {
            // Back and forth: nothing can be joined.
            let e = if layer == 38 && bead == 7 { 120.0 } else { 40.0 };
            writeln!(gcode, "G1 X{} Y{:.1} E{e}", bead % 2 * 50, f64::from(bead) * 0.1).expect("text");
        }
    }
    let course = course(&gcode, 20.0);
    let samples = &course.samples;
    let kept: Vec<u32> = samples.list().iter().map(|sample| sample.layer).collect();
    assert_eq!(samples.worst_layer(), 38);
    assert!(samples.every().is_power_of_two() && samples.every() > 1);
    assert!(kept.contains(&1) && kept.contains(&38), "{kept:?}");
    assert!(kept.iter().all(|layer| *layer == 38 || (layer - 1) % samples.every() == 0), "{kept:?}");
    assert!(kept.windows(2).all(|pair| pair[0] < pair[1]) && kept.len() >= 300 / samples.every() as usize);
    let bytes: usize = samples.list().iter().map(|sample| sample.data.len()).sum();
    assert!((300_000..840_000).contains(&bytes), "{bytes}");
    assert_eq!(course.layers.spans().len(), 300);
}

#[test]
fn times_and_volumes_are_those_of_the_account() {
    let gcode = include_str!("../fixtures/demo/casting_pads.gcode");
    let profile = Profile::embedded();
    let options = Options { course: true, ..Options::default() };
    let summary = audit(&mut Cursor::new(gcode), &profile, &options, &mut |_| {}).expect("a sound print");
    let course = summary.course.as_ref().expect("a course");
    let close = |a: f64, b: f64| (a - b).abs() < 1e-6 * b.abs().max(1.0);
    assert!(close(course.before.end_s(), summary.before.time_s), "{} s", course.before.end_s());
    assert!(close(course.after.end_s(), summary.after.time_s), "{} s", course.after.end_s());
    for series in [&course.before, &course.after] {
        let melt: f64 = series.bins().iter().map(|bin| bin.melt_mm3).sum();
        assert!(close(melt, summary.before.volume_mm3), "{melt} mm³");
    }
    let highest = |bins: &[meltwright::summary::course::Bin]| bins.iter().map(|bin| bin.peak_mm3_s).fold(0.0, f64::max);
    assert!(close(highest(course.before.bins()), summary.before.peak_demand_mm3_s));
    assert!(close(highest(course.after.bins()), summary.after.peak_demand_mm3_s));
    // The mean over bins is at most the mean over the best minute, and near it.
    let mean = course.before.average(60.0).into_iter().fold(0.0, f64::max);
    let sustained = summary.before.sustained_demand_mm3_s;
    assert!(mean <= sustained * 1.15 && mean >= sustained * 0.8, "{mean}, {sustained}");
    let spans = course.layers.spans();
    assert_eq!((spans.len() as u64, spans.first().map(|span| span.first)), (summary.before.layers, Some(1)));
}

/// The hopper gives what the screw pushes, which is not what the file asks for: its line ends where the plan ends.
#[test]
fn what_is_fed_is_what_the_plan_of_the_hopper_counts() {
    let gcode = include_str!("../fixtures/demo/casting_pads.gcode");
    let set = ["hopper.usable_g=60", "hopper.margin_g=10", "feedstock.density_g_cm3=1"];
    let set: Vec<_> = set.iter().map(|text| text.parse().expect("an assignment")).collect();
    let profile = Profile::embedded_with(&set).expect("a sound profile");
    let options = Options { course: true, ..Options::default() };
    let summary = rewrite(&mut Cursor::new(gcode), &mut Vec::new(), &profile, &options, &mut |_| {}).expect("a print");
    let (course, plan) = (summary.course.expect("a course"), summary.hopper.expect("a plan"));
    let last = |series: &meltwright::summary::course::Series| series.melt_so_far().last().expect("melt") * 1e-3;
    assert!((last(&course.fed) - plan.total_g).abs() < 1e-6, "{} of {} g", last(&course.fed), plan.total_g);
    assert!((last(&course.after) - plan.total_g).abs() > 0.1, "{} of {} g", last(&course.after), plan.total_g);
    // On the way as well, to what a bin takes.
    let fed: Vec<f64> = course.fed.melt_so_far().collect();
    let most = course.fed.bins().iter().map(|bin| bin.melt_mm3 * 1e-3).fold(0.0, f64::max);
    for refill in &plan.refills {
        let bin = (refill.time_s / course.fed.width_s()) as usize;
        assert!((fed[bin] * 1e-3 - refill.used_g).abs() <= most, "{} and {} g", fed[bin] * 1e-3, refill.used_g);
    }
}

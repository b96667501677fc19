//! What the reader should know about a fit.

use super::conditions::Conditions;
use super::fit::{Caution, Fit};
use super::section::is_told;
use super::sheet::Sheet;
use super::{LEAST_MASS_G, counted, counts_turns};
use crate::moves::resolve::output_e_volume_mm3;
use crate::profile::{Profile, Provenance};

/// Largest step of the scale as a share of the smallest mass.
const LARGEST_STEP: f64 = 0.005;
/// Scatter of repeats above which the screw does not run evenly. Common practice, no source.
const UNEVEN: f64 = 0.05;
/// Least mass of a drool in steps of the scale.
const DROOL_STEPS: f64 = 10.0;
/// Melt lags after which nothing worth weighing is left: exp(-5) is 0.7 %.
const LAGS: f64 = 5.0;
/// Times that a turn may give more or less than a profile says that was measured: worn screws and other lots stay far
/// below.
const MOST_TIMES_MEASURED: f64 = 3.0;
/// The same of a profile that was guessed: the screws of printers differ so much by size alone.
const MOST_TIMES_ASSUMED: f64 = 20.0;
/// Speeds below this number show no bend, or not its form.
const FEW_SPEEDS: usize = 3;

/// All there is to say, most important first.
pub(super) fn all(fit: &Fit, sheet: &Sheet, profile: &Profile) -> Vec<Caution> {
    let mut found = Vec::new();
    let caution = |what: String, help: &str, serious| Caution { what, help: help.to_owned(), serious };
    let mut add = |what: String, help: &str| found.push(caution(what, help, true));
    size(fit, profile, &mut add);
    trust(fit, &mut add);
    let mut add = |what: String, help: &str| found.push(caution(what, help, false));
    conditions(fit, profile, &mut add);
    weighings(fit, sheet, &mut add);
    speeds(fit, profile, &mut add);
    drool(fit, sheet, &mut add);
    if fit.unfilled > 0 {
        add(
            format!("{} of the sheet no mass and were passed over", counted(fit.unfilled, "row has", "rows have")),
            "fill them in and fit again, if they were run",
        );
    }
    if fit.density_provenance == Provenance::Assumed {
        add(
            format!("all flows rest on a density of {} g/cm³, which is assumed", fit.density_g_cm3),
            "take it from the data sheet of the lot and mark it as measured; grams on the scale and grams in the summary agree \
             as long as the profile has the same density",
        );
    }
    steps(fit, profile, &mut add);
    found
}

/// Share by which two figures of one thing may differ unsaid.
const SAME_SHARE: f64 = 0.005;

/// What has to follow from the weighings elsewhere: the density, and the turns that the controller makes of a unit of E.
fn steps(fit: &Fit, profile: &Profile, add: &mut impl FnMut(String, &str)) {
    let differ = |one: f64, other: f64| (one / other - 1.0).abs() > SAME_SHARE;
    let (weighed, set) = (fit.density_g_cm3, profile.feedstock.density_g_cm3.value);
    if differ(weighed, set) {
        add(
            format!("the flows were made of grams at {weighed} g/cm³ of the sheet, and the profile has {set} g/cm³"),
            "set feedstock.density_g_cm3 to what the sheet says, or correct the sheet; else grams are told wrong by the difference",
        );
    }
    let Some(unit) = output_e_volume_mm3(profile).filter(|_| !counts_turns(&profile.screw)) else { return };
    let held = fit.speeds.iter().filter(|row| row.curve.rpm <= fit.curve.range_rpm[1]).map(|row| row.per_turn_mm3_rev);
    let (least, most) = held.fold((f64::INFINITY, 0.0_f64), |(least, most), one| (least.min(one), most.max(one)));
    let before = profile.screw.output.value.per_turn_mm3();
    if least <= 0.0 || most <= 0.0 || !(differ(least, before) || differ(most, before)) {
        return;
    }
    let turns = if differ(most, least) {
        format!("{:.4} to {:.4} turns by these weighings, depending on the speed", unit / most, unit / least)
    } else {
        format!("{:.4} turns by these weighings", unit / most)
    };
    let help = if differ(most, least) {
        "set its steps for the speeds you print at, or let E count turns, which follow the curve (screw.output_e_unit = \
         \"screw-turns\")"
    } else {
        "set its steps, or the turn of the drive, by that"
    };
    add(
        format!(
            "the controller has to make other turns of E: one unit of {unit:.3} mm³ is {turns}, and {:.4} by the profile in force",
            unit / before
        ),
        help,
    );
}

fn conditions(fit: &Fit, profile: &Profile, add: &mut impl FnMut(String, &str)) {
    let differences = fit.conditions.differences(profile);
    if !differences.is_empty() {
        add(
            format!("the sheet and the profile in force do not belong together: {}", differences.join("; ")),
            "use the result only in a profile with the same nozzle, lot and temperature",
        );
    }
    if let Some(before) = Conditions::of_profile(profile) {
        let differences = fit.conditions.differences_from(&before);
        if !differences.is_empty() {
            add(
                format!(
                    "the output in the profile was measured otherwise ({}): {}",
                    before.date,
                    differences.join("; ")
                ),
                "keep a profile for each way of feeding, nozzle and lot; the curve of one says nothing about the other",
            );
        }
    }
    if fit.conditions.lot.is_none() {
        add(
            "the sheet names no lot".to_owned(),
            "lots of one grade differ; write the lot into the sheet, so that it can be seen later whether the curve still holds",
        );
    }
}

/// A turn that gives so many times more or less than the profile says is a slip in the sheet rather than news of the screw.
fn size(fit: &Fit, profile: &Profile, add: &mut impl FnMut(String, &str)) {
    let output = &profile.screw.output;
    let most = if output.provenance == Provenance::Measured { MOST_TIMES_MEASURED } else { MOST_TIMES_ASSUMED };
    let by_profile = output.value.per_turn_mm3();
    let times = fit.specific_output.mm3_rev / by_profile;
    let (times, which, help) = if times < 1.0 {
        (
            1.0 / times,
            "less",
            "look at the units of the sheet: mass_g in grams, not kilograms; seconds that the screw turned, pauses not \
             counted; rpm of the screw, not of the motor before its gear",
        )
    } else {
        (
            times,
            "more",
            "look at the units of the sheet: mass_g in grams, not milligrams, and without the cup (tare_g); seconds, not \
             minutes; rpm in turns a minute, not a second",
        )
    };
    if times > most {
        add(
            format!(
                "one turn gives {times:.0} times {which} than the profile says ({:.3} mm³ for {by_profile:.3})",
                fit.specific_output.mm3_rev
            ),
            help,
        );
    }
}

/// Whether the weighings tell anything at all.
fn trust(fit: &Fit, add: &mut impl FnMut(String, &str)) {
    if !fit.curve.fits {
        add(
            "no curve fits these weighings; the one below is the simplest, its bands are too narrow, and it counts as assumed"
                .to_owned(),
            "see why under the reasons, and weigh again before printing by it",
        );
    }
    if fit.curve.fits && !is_told(&fit.curve) {
        add(
            "the weighings lie so far apart that the output may be anything; it counts as assumed".to_owned(),
            "look for a mass with a slip of the point, and weigh again before printing by it",
        );
    }
}

fn weighings(fit: &Fit, sheet: &Sheet, add: &mut impl FnMut(String, &str)) {
    for run in fit.runs.iter().filter(|run| run.stray) {
        add(
            format!(
                "line {} of the sheet lies {:+.1} % off the curve, further than chance explains among {} weighings",
                run.line,
                run.deviation_share * 100.0,
                fit.runs.len()
            ),
            "if something went wrong in that run, put # before the row and fit again; never leave it out for its value alone",
        );
    }
    if let Some(drift) = fit.drift.filter(|drift| drift.is_real()) {
        add(
            format!("the output changed by {:+.1} % from the first to the last run", drift.share * 100.0),
            "the barrel had not settled: soak and purge longer before the first run, and weigh again",
        );
    }
    if let Some(scatter) = fit.repeatability_share.filter(|scatter| *scatter > UNEVEN) {
        add(
            format!("repeats of one speed scatter by {:.1} %", scatter * 100.0),
            "more than 5 % means that the screw surges or feeds unevenly: look for bridging in the hopper and for wet granules",
        );
    }
    let smallest = fit.runs.iter().map(|run| run.mass_g).fold(f64::INFINITY, f64::min);
    let light = fit.runs.iter().filter(|run| run.mass_g < LEAST_MASS_G).count();
    if light > 0 {
        add(
            format!(
                "{} below {LEAST_MASS_G} g, the smallest {} g",
                counted(light, "weighing is", "weighings are"),
                (smallest * 1e3).round() / 1e3
            ),
            "run the screw longer at these speeds (--seconds)",
        );
    }
    if fit.scale_resolution_g.is_none() {
        add(
            format!(
                "the sheet does not say how fine the scale is: {} g is taken, as the masses are written",
                sheet.written_step_g
            ),
            "fill in scale_resolution_g, so that its own error is counted",
        );
    }
    let step = sheet.step_g();
    if step > LARGEST_STEP * smallest {
        add(
            format!("one step of the scale ({step} g) is {:.1} % of the smallest mass", 100.0 * step / smallest),
            "weigh more at once or on a finer scale; half a per cent is fine enough",
        );
    }
    let first = fit.runs.first().map_or(0.0, |run| run.mass_g);
    if fit.runs.len() > 2 && fit.runs.iter().all(|run| run.mass_g == first) {
        add(
            "all weighings are equal".to_owned(),
            "check that each row holds its own mass; equal ones say nothing about the error",
        );
    }
}

fn speeds(fit: &Fit, profile: &Profile, add: &mut impl FnMut(String, &str)) {
    let fastest = fit.curve.range_rpm[1];
    let allowed = profile.screw.max_speed_rpm.value;
    if !fit.curve.starved_rpm.is_empty() {
        let speeds: Vec<String> = fit.curve.starved_rpm.iter().map(f64::to_string).collect();
        add(
            format!(
                "the flow no longer rises at {} rev/min: the screw starves, slips or melts no more there",
                speeds.join(", ")
            ),
            &format!("set screw.max_speed_rpm to {fastest}; the curve ends there"),
        );
    } else if fastest < allowed * (1.0 - 1e-9) {
        add(
            format!(
                "the fastest run was at {fastest} rev/min, but the profile allows {allowed}: nothing is known in between"
            ),
            "weigh up to the highest speed, or lower screw.max_speed_rpm to what was weighed",
        );
    }
    if fastest > allowed * (1.0 + 1e-9) {
        add(
            format!("the fastest run was at {fastest} rev/min, above screw.max_speed_rpm ({allowed})"),
            "check the speeds in the sheet, or the highest speed in the profile",
        );
    }
    let speeds = fit.speeds.len();
    if speeds < FEW_SPEEDS {
        add(
            format!("{} weighed: too few to see how the output bends", counted(speeds, "speed was", "speeds were")),
            "weigh at five speeds up to the highest, three times each",
        );
    }
    if fit.repeatability_share.is_none() {
        add("no speed was weighed twice".to_owned(), "repeat each speed, so that scatter can be told from a bend");
    }
}

fn drool(fit: &Fit, sheet: &Sheet, add: &mut impl FnMut(String, &str)) {
    let Some(lag) = &fit.melt_lag else {
        add(
            "no drool was weighed, so the melt lag is not known".to_owned(),
            "collect what comes out after stops, in a row of the kind drool",
        );
        return;
    };
    if !lag.fits_profile() {
        add(
            format!("the drool gives a melt lag of {:.0} s, more than a profile takes; it was left out", lag.seconds),
            "check mass and stops of the drool: only what comes out after the screw has stopped counts",
        );
        return;
    }
    if !lag.is_told() {
        // With one collection the scale alone tells how far off it is, with two Student's factor is 12.7, with three 4.3.
        let help = match lag.collections {
            1 => "collect more stops together (--stops), and write their number into stops",
            2 => "collect the drool of as many stops a third time: two tell little of their own scatter",
            _ => "cut at the moment the screw stops, and see whether the masses and stops of these rows are right",
        };
        add(
            format!(
                "the melt lag of {:.2} s is known to ± {:.2} s only, more than half of it; it counts as assumed",
                lag.seconds, lag.plus_minus_s
            ),
            help,
        );
    }
    let step = sheet.step_g();
    let small = sheet.drools.iter().filter(|drool| drool.mass_g < DROOL_STEPS * step).count();
    if small > 0 {
        add(
            format!("{} less than {DROOL_STEPS} steps of the scale", counted(small, "drool weighs", "drools weigh")),
            "collect more stops together (--stops) and write their number into stops",
        );
    }
    if sheet.drools.iter().any(|drool| drool.seconds < LAGS * lag.seconds) {
        add(
            format!(
                "a drool was collected for less than five melt lags ({:.1} s): some of it may have come later",
                LAGS * lag.seconds
            ),
            "collect it longer",
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Whether a sheet of these rows, with a scale of so many g and a density of 1 g/cm³, is told what has these words.
    fn is_said(step_g: f64, rows: &[&str], words: &str) -> bool {
        let text = format!(
            "date,2026-11-20\nlot,A\ntemperature_c,210\nnozzle_mm,1\nfeed_mode,gravity\ndensity_g_cm3,1\n\
             scale_resolution_g,{step_g}\nkind,rpm,seconds,mass_g\n{}\n",
            rows.join("\n")
        );
        let sheet = Sheet::read(text.as_bytes()).expect("a sheet");
        let fit = Fit::new(&sheet, &Profile::embedded()).expect("a fit");
        fit.cautions.iter().any(|caution| caution.what.contains(words))
    }

    #[test]
    fn light_weighings_and_coarse_scales_are_told() {
        let weighed = |step_g, mass_g: &str, words| {
            is_said(step_g, &["run,60,600,30", &format!("run,60,600,{mass_g}"), "run,60,600,30"], words)
        };
        assert_eq!(["9.9", "10.1"].map(|mass_g| weighed(0.001, mass_g, "below 10 g")), [true, false]);
        // Half a per cent: 0.1 g of 20.
        assert_eq!(["19.9", "20.1"].map(|mass_g| weighed(0.1, mass_g, "one step of the scale")), [true, false]);
        let equal = |rows: &[&str]| is_said(0.001, rows, "all weighings are equal");
        assert_eq!([equal(&["run,60,600,12"; 2]), equal(&["run,60,600,12"; 3])], [false, true]);
    }

    /// Two weighings 3.5 % above and below their mean scatter by 3.5 √2 = 4.95 %; 3.6 % are 5.09 %.
    #[test]
    fn repeats_that_scatter_by_a_twentieth_are_told() {
        let scatter = |low: &str, high: &str| {
            is_said(
                0.001,
                &[&format!("run,60,600,{low}"), &format!("run,60,600,{high}")],
                "repeats of one speed scatter",
            )
        };
        assert_eq!([scatter("19.3", "20.7"), scatter("19.28", "20.72")], [false, true]);
    }

    #[test]
    fn speeds_that_were_not_weighed_are_told() {
        // The profile allows 120 rev/min.
        let fastest = |rpm: &str, words| is_said(0.001, &["run,60,600,12", &format!("run,{rpm},300,12")], words);
        assert_eq!(["119", "120"].map(|rpm| fastest(rpm, "nothing is known in between")), [true, false]);
        assert_eq!(["120", "121"].map(|rpm| fastest(rpm, "above screw.max_speed_rpm")), [false, true]);
        let rows = ["run,40,900,12", "run,80,450,12", "run,120,300,12"];
        assert_eq!([2, 3].map(|speeds| is_said(0.001, &rows[..speeds], "too few to see")), [true, false]);
    }

    /// 12 g in 600 s are 20 mm³/s, and a drool of 0.04 g a lag of 2 s.
    #[test]
    fn drools_that_tell_little_are_told() {
        let drool = |step_g, seconds: &str, words| {
            is_said(step_g, &["run,60,600,12", "run,60,600,12", &format!("drool,60,{seconds},0.04")], words)
        };
        assert_eq!(["9.9", "10.1"].map(|seconds| drool(0.001, seconds, "less than five melt lags")), [true, false]);
        assert_eq!([0.005, 0.003].map(|step_g| drool(step_g, "15", "less than 10 steps")), [true, false]);
    }

    /// The profile's 15 mm³ a turn are 0.9 g a minute at 60 rev/min: 0.04 g are 22 times less, 20 g 22 times more.
    #[test]
    fn a_turn_out_of_all_proportion_is_told() {
        let said = |mass: &str, words: &str| {
            is_said(0.000_001, &[&format!("run,60,60,{mass}"), &format!("run,60,60,{mass}")], words)
        };
        assert!(
            said("0.04", "23 times less than the profile says") && said("20", "22 times more than the profile says")
        );
        for mass in ["0.05", "0.9", "17"] {
            assert!(!said(mass, "than the profile says ("), "{mass}");
        }
    }

    /// A slip of the point: 5.6, 56 and 5.7 g at one speed.
    #[test]
    fn weighings_that_tell_nothing_are_not_called_measured() {
        let section = |rows: &str| {
            let text = format!(
                "date,2026-11-20\nlot,A\ntemperature_c,210\nnozzle_mm,1\nfeed_mode,gravity\ndensity_g_cm3,1\n\
                 kind,rpm,seconds,mass_g\n{rows}"
            );
            let fit = Fit::new(&Sheet::read(text.as_bytes()).expect("a sheet"), &Profile::embedded()).expect("a fit");
            (fit.profile_section, fit.cautions.iter().any(|caution| caution.what.contains("may be anything")))
        };
        let (hopeless, told) = section("run,60,20,5.6\nrun,60,20,56\nrun,60,20,5.7\n");
        assert!(hopeless.contains("\"assumed\"") && !hopeless.contains("easured") && told, "{hopeless}");
        let (sound, told) = section("run,60,20,5.6\nrun,60,20,5.65\nrun,60,20,5.7\n");
        assert!(sound.contains("\"measured\"") && !told, "{sound}");
        assert!(sound.contains("3 weighings, 60 rpm, +- "), "{sound}");
    }

    /// Where the sheet does not say it, masses with one decimal were weighed in steps of 0.1 g, 0.6 % of 16 g.
    #[test]
    fn the_step_that_is_written_counts_where_none_is_stated() {
        let said = |rows: &str, words: &str| {
            let text = format!(
                "date,2026-11-20\nlot,A\ntemperature_c,210\nnozzle_mm,1\nfeed_mode,gravity\ndensity_g_cm3,1\n\
                 kind,rpm,seconds,mass_g\n{rows}\n"
            );
            let fit = Fit::new(&Sheet::read(text.as_bytes()).expect("a sheet"), &Profile::embedded()).expect("a fit");
            fit.cautions.iter().any(|caution| caution.what.contains(words))
        };
        let drool = |mass: &str| said(&format!("run,60,600,12.00\nrun,60,600,12.00\ndrool,60,15,{mass}"), "10 steps");
        assert_eq!(["0.01", "0.11"].map(drool), [true, false]);
        let run = |mass: &str| said(&format!("run,60,600,{mass}\nrun,60,600,{mass}"), "one step of the scale");
        assert_eq!(["16.1", "22.1", "16.10"].map(run), [true, false, false]);
    }

    /// 1.12 g/cm³ of the sheet are 0.44 and 0.62 % below, 0.45 and 0.63 % above these of the profile.
    #[test]
    fn a_density_that_differs_from_the_profile_is_told() {
        for (density, differs) in [("1.125", false), ("1.127", true), ("1.115", false), ("1.113", true)] {
            let set = format!("feedstock.density_g_cm3={density}").parse().expect("an assignment");
            let before = Profile::embedded_with(&[set]).expect("a sound profile");
            let text = "date,2026-11-20\nlot,A\ntemperature_c,210\nnozzle_mm,1\nfeed_mode,gravity\ndensity_g_cm3,1.12\n\
                        kind,rpm,seconds,mass_g\nrun,60,600,12\nrun,60,600,12\n";
            let fit = Fit::new(&Sheet::read(text.as_bytes()).expect("a sheet"), &before).expect("a fit");
            let told = fit.cautions.iter().any(|caution| caution.what.contains("the flows were made of grams"));
            assert_eq!(told, differs, "{density}");
        }
    }
}

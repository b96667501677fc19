//! Purge tests and weighings in words.

use meltwright::profile::Provenance;
use meltwright::weigh::{AIM_DROOL_G, CAUTIONS, Fit, LEAST_MASS_G, Model, Pause, Plan, PlannedRun};
use schemars::JsonSchema;
use serde::Serialize;

use super::layout::{Align, Table, paragraph};
use super::number::{count, counted, decimal, percent, time};
use super::plot;
use crate::cli::plan::Detail;

/// Most stops that a plan may be asked for.
const MOST_STOPS: f64 = 100.0;
/// A test longer than this is much to stand beside, s.
const LONG_S: f64 = 3.0 * 3600.0;

/// A plan with the files it names.
#[derive(Serialize, JsonSchema)]
pub struct NamedPlan<'a> {
    gcode: &'a str,
    sheet: &'a str,
    #[serde(flatten)]
    plan: &'a Plan,
}

/// A fit with the sheet it comes from.
#[derive(Serialize, JsonSchema)]
pub struct NamedFit<'a> {
    file: &'a str,
    #[serde(flatten)]
    fit: &'a Fit,
}

/// A plan with its files, for JSON.
pub fn named_plan<'a>(plan: &'a Plan, [gcode, sheet]: &'a [String; 2]) -> NamedPlan<'a> {
    NamedPlan { gcode, sheet, plan }
}

/// A fit with its sheet, for JSON.
pub fn named_fit<'a>(fit: &'a Fit, file: &'a str) -> NamedFit<'a> {
    NamedFit { file, fit }
}

/// What a plan does, cautions first.
pub fn plan(plan: &Plan, [gcode, sheet]: &[String; 2]) -> String {
    let mut text = "Before you start\n".to_owned();
    for caution in CAUTIONS {
        text.push_str(&paragraph("  - ", caution));
    }
    text.push_str(&format!("\nThe test, at {} °C\n", plan.temperature_c));
    let mut table = Table::new([Align::Left, Align::Right, Align::Right, Align::Right, Align::Right, Align::Right]);
    table.row(["", "rev/min", "runs", "each", "turns", "expected"]);
    table.row(["soak", "", "", &time(plan.soak_s), "", ""]);
    let settle = &plan.settle;
    table.row([
        "purge",
        &decimal(settle.rpm, 1),
        "",
        &in_bursts(settle),
        &decimal(settle.turns, 1),
        &format!("{} g", decimal(settle.expected_g, 1)),
    ]);
    let mut speeds: Vec<_> = plan.runs.iter().collect();
    speeds.sort_by(|a, b| a.rpm.total_cmp(&b.rpm));
    for same in speeds.chunk_by(|a, b| a.rpm == b.rpm) {
        let Some(run) = same.first() else { continue };
        table.row([
            "weigh",
            &decimal(run.rpm, 1),
            &same.len().to_string(),
            &in_bursts(run),
            &decimal(run.turns, 1),
            &format!("{} g", decimal(run.expected_g, 1)),
        ]);
    }
    let drool = &plan.drool;
    table.row([
        "drool",
        &decimal(drool.rpm, 1),
        &counted(u64::from(drool.stops), "stop"),
        &time(drool.seconds),
        "",
        &format!("{} g", decimal(drool.expected_g, 2)),
    ]);
    text.push_str(&table.text());
    let wait = match &plan.pause {
        Pause::Dwell(seconds) => format!("a pause of {} after each run", time(*seconds)),
        Pause::Command(command) => format!("`{command}` after each run, until you go on"),
    };
    text.push_str(&paragraph(
        "  ",
        &format!(
            "With {wait}, about {} in all, heating not counted, and {} g of feedstock.",
            time(plan.total_s),
            decimal(plan.total_g, 0)
        ),
    ));
    text.push_str("\nHow to weigh\n");
    let steps = [
        "Let each strand drool until just before the next run, then cut and weigh it: what comes late at the end makes \
         up for what came late at the start.",
        "For the drool, cut at once when the screw stops and weigh only what comes afterwards.",
        "Fill in date, lot, the step of the scale and every mass. Put # before a row that went wrong.",
    ];
    for step in steps {
        text.push_str(&paragraph("  - ", step));
    }
    for note in notes(plan) {
        text.push_str(&paragraph("  note: ", &note));
    }
    text.push_str(&format!("\nWrote {gcode} and {sheet}. When it is filled in: meltwright weigh fit {sheet}\n"));
    text
}

/// How long the screw turns.
fn in_bursts(run: &PlannedRun) -> String {
    let whole = time(run.seconds);
    if run.bursts > 1 { format!("{whole} in {} bursts", run.bursts) } else { whole }
}

/// What to know about this plan.
fn notes(plan: &Plan) -> Vec<String> {
    let mut notes = Vec::new();
    if let Some(volume) = plan.turn_mm3 {
        let assumed = if plan.turn_provenance == Provenance::Assumed { ", which is assumed" } else { "" };
        let taken = format!(
            "one unit of E is taken to push {} mm³, {} turns of the screw",
            decimal(plan.e_mm3, 3),
            decimal(plan.e_mm3 / volume, 4)
        );
        notes.push(match plan.turn_by_profile_mm3 {
            None => format!("{taken}: set the controller as `meltwright controller` says."),
            Some(by_profile) => format!(
                "{taken}, as --turn-mm3 says that the controller makes now. By the profile it has to make {}, and so says \
                 `meltwright controller`: leave it as it is for the test, and set it by the weighings for the files that \
                 `rewrite` writes.",
                decimal(plan.e_mm3 / by_profile, 4)
            ),
        });
        notes.push(format!(
            "the file asks for turns by volume and takes one turn as {} mm³ of E{assumed}. Mark the coupling and count the \
             turns of one run; if they differ, write the test again with --turn-mm3.",
            decimal(volume, 2)
        ));
    } else {
        notes.push("one unit of E is taken as one turn of the screw.".to_owned());
    }
    if plan.runs.iter().chain([&plan.settle]).any(|run| run.bursts > 1) {
        notes.push(format!(
            "speeds at which the screw gives all that the profile says it can sustain ({} mm³/s), or more, are run in bursts with \
             rests of {}, so that the barrel recovers; all bursts of a run go into one cup.",
            decimal(plan.sustained_mm3_s, 1),
            time(plan.rest_s)
        ));
    }
    if plan.most_lines > 1 {
        notes.push(format!(
            "the controller's limit of E cuts a run, or a burst of it, into up to {} lines, and some controllers let the screw \
             slow down between them. Turns and mass stay right; if you see it pause, raise the limit for the test in the controller and in the \
             profile.",
            count(plan.most_lines)
        ));
    }
    let light = plan.runs.iter().filter(|run| run.expected_g < LEAST_MASS_G).count() as u64;
    if light > 0 {
        notes.push(format!(
            "{} to give less than {LEAST_MASS_G} g; longer runs (--seconds) make scale and cut count less.",
            counted_verb(light)
        ));
    }
    if plan.total_s > LONG_S {
        notes.push(format!(
            "the screw takes {} for weighings of 10 g and more; fewer speeds (--speeds) or runs at each \
             (--repeats 2) make it shorter.",
            time(plan.total_s)
        ));
    }
    let drool = &plan.drool;
    if drool.expected_g < AIM_DROOL_G {
        let needed = (AIM_DROOL_G / drool.expected_g * f64::from(drool.stops)).ceil();
        let do_what = if needed <= MOST_STOPS {
            format!("collect {needed} stops together (--stops {needed}), or weigh on a finer one")
        } else {
            "weigh on a finer one; what is not seen there is no lag to make up for".to_owned()
        };
        notes.push(format!(
            "the drool is expected to weigh {} g, less than ten steps of a scale of 0.01 g: {do_what}.",
            decimal(drool.expected_g, 3)
        ));
    }
    notes
}

fn counted_verb(runs: u64) -> String {
    format!("{} expected", if runs == 1 { "1 run is".to_owned() } else { format!("{} runs are", count(runs)) })
}

/// What the weighings say.
pub fn fit(fit: &Fit, name: &str, profile: &str, detail: Detail, show_section: bool) -> String {
    let mut text = paragraph("", &headline(fit));
    if detail == Detail::Headline {
        for caution in fit.cautions.iter().filter(|caution| caution.serious) {
            text.push_str(&paragraph("", &format!("Warning: {}; {}.", caution.what, caution.help)));
        }
        return text;
    }
    text.push_str(&paragraph("  ", &format!("Sheet: {name}. Profile: {profile}.")));
    text.push_str("\nWhy this curve\n");
    for reason in &fit.reasons {
        text.push_str(&paragraph("  ", reason));
    }
    text.push_str("\nSpeed by speed (mm³/s; bands 95 %)\n");
    text.push_str(&speeds(fit));
    if detail == Detail::All {
        text.push_str("\nWeighing by weighing\n");
        text.push_str(&runs(fit));
    }
    text.push_str("\nHow good the weighings are\n");
    text.push_str(&quality(fit));
    text.push('\n');
    text.push_str(&plot::text(fit));
    if !fit.cautions.is_empty() {
        text.push_str("\nMind this\n");
        for caution in &fit.cautions {
            text.push_str(&paragraph("  - ", &format!("{}. {}.", sentence(&caution.what), sentence(&caution.help))));
        }
    }
    if show_section {
        text.push_str(&format!("\nFor your profile\n\n{}", fit.profile_section));
    }
    text
}

/// With a capital at the start.
fn sentence(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn headline(fit: &Fit) -> String {
    let [slow, fast] = fit.curve.range_rpm.map(|rpm| decimal(rpm, 0));
    let end = |row: Option<&meltwright::weigh::SpeedRow>| {
        row.map_or_else(String::new, |row| {
            format!("{} mm³ at {} rev/min", decimal(row.per_turn_mm3_rev, 2), decimal(row.curve.rpm, 0))
        })
    };
    let held = || fit.speeds.iter().filter(|row| row.curve.rpm <= fit.curve.range_rpm[1]);
    match fit.model {
        Model::Proportional { .. } => {
            let output = &fit.specific_output;
            let range = if slow == fast { format!("at {fast}") } else { format!("the same from {slow} to {fast}") };
            format!(
                "One turn of the screw gives {} ± {} mm³, {range} rev/min.",
                decimal(output.mm3_rev, 2),
                decimal(output.confidence_mm3_rev, 2)
            )
        }
        Model::Drooping { .. } => {
            format!("The output of a turn droops: {}, {}.", end(held().next()), end(held().next_back()))
        }
        Model::Points => format!(
            "The output follows a curve of its own: {} with a turn, {}.",
            end(held().next()),
            end(held().next_back())
        ),
    }
}

fn speeds(fit: &Fit) -> String {
    let mut table = Table::new(vec![Align::Right; 7]);
    table.row(["rev/min", "weighings", "measured", "curve", "± mean", "± next", "mm³/rev"]);
    for row in &fit.speeds {
        let starved = row.curve.rpm > fit.curve.range_rpm[1];
        let by_curve = |value: f64| if starved { "-".to_owned() } else { decimal(value, 2) };
        table.row([
            decimal(row.curve.rpm, 1),
            count(row.weighings as u64),
            decimal(row.measured_mm3_s, 2),
            by_curve(row.curve.flow_mm3_s),
            by_curve(row.curve.confidence_mm3_s),
            by_curve(row.curve.prediction_mm3_s),
            by_curve(row.per_turn_mm3_rev),
        ]);
    }
    table.text()
}

fn runs(fit: &Fit) -> String {
    let mut columns = vec![Align::Right; 7];
    columns.push(Align::Left);
    let mut table = Table::new(columns);
    table.row(["line", "rev/min", "s", "g", "mm³/s", "off", "studentised", ""]);
    for run in &fit.runs {
        table.row([
            run.line.to_string(),
            decimal(run.rpm, 1),
            decimal(run.seconds, 1),
            decimal(run.mass_g, 3),
            decimal(run.flow_mm3_s, 3),
            format!("{:+.1} %", run.deviation_share * 100.0),
            run.studentised.map_or_else(|| "-".to_owned(), |t| format!("{t:+.1}")),
            if run.stray { "stray".to_owned() } else { String::new() },
        ]);
    }
    table.text()
}

fn quality(fit: &Fit) -> String {
    let share = |share: f64| format!("{} %", decimal(share * 100.0, 2));
    let mut table = Table::new([Align::Left, Align::Right, Align::Left]);
    let mut row = |what: &str, value: String, about: &str| table.row([what.to_owned(), value, about.to_owned()]);
    row("scatter about the curve", share(fit.residual_share), "standard deviation of one weighing");
    match fit.repeatability_share {
        Some(scatter) => row("scatter of repeats", share(scatter), "standard deviation at one speed"),
        None => row("scatter of repeats", "-".to_owned(), "no speed was weighed twice"),
    }
    match &fit.drift {
        Some(drift) => {
            let about = if drift.is_real() {
                "from first to last run, beyond chance"
            } else {
                "from first to last run, within chance"
            };
            row("drift", format!("{:+.2} %", drift.share * 100.0), about);
        }
        None => row("drift", "-".to_owned(), "too few weighings"),
    }
    let stray = fit.runs.iter().filter(|run| run.stray).count() as u64;
    row("stray weighings", count(stray), &format!("of {}, at {} chance", count(fit.runs.len() as u64), percent(0.05)));
    if let Some(lag) = &fit.melt_lag {
        let band = format!(" ± {}", decimal(lag.plus_minus_s, 2));
        row(
            "melt lag",
            format!("{}{band} s", decimal(lag.seconds, 2)),
            &format!(
                "drool of {} in {}",
                counted(lag.stops as u64, "stop"),
                counted(lag.collections as u64, "weighing")
            ),
        );
    }
    table.text()
}

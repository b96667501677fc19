//! A weighing against a prediction, in words.

use meltwright::hopper::reconcile::{PLAUSIBLE, Reconciliation, Verdict};
use meltwright::pipeline::predict::Prediction;
use meltwright::weigh::LEAST_MASS_G;
use schemars::JsonSchema;
use serde::Serialize;

use super::layout::{Align, Table, paragraph};
use super::number::{decimal, percent, volume};
use super::parts::{mind, other_profile};

/// What is told of a weighing.
#[derive(Serialize, JsonSchema)]
pub struct Account {
    /// The file.
    pub file: String,
    /// What it asks for.
    pub prediction: Prediction,
    /// Density the mass was predicted with, g/cm³.
    pub density_g_cm3: f64,
    /// Whether that was measured.
    pub density_measured: bool,
    /// The comparison.
    #[serde(flatten)]
    pub found: Reconciliation,
    /// The corrected output as a line for the profile, where there is something to correct.
    pub profile_line: Option<String>,
    /// Where the profile was found.
    pub profile: String,
}

/// The report.
pub fn text(account: &Account) -> String {
    let Account { found, prediction, .. } = account;
    let mut text = format!("{}\n{}\n", account.file, paragraph("", &headline(found)).trim_end());
    let mut table = Table::new([Align::Left, Align::Right, Align::Left, Align::Left]);
    let grams = |value: f64| decimal(value, decimals(found.resolution_g));
    let basis = format!("{} at {} g/cm³", volume(prediction.volume_mm3), decimal(account.density_g_cm3, 3));
    table.row(["predicted", &format!("{} g", decimal(found.predicted_g, 1)), "", &basis]);
    let band = format!("± {} g", decimal(found.weighed_plus_minus_g, 1 + decimals(found.resolution_g)));
    let scale = format!("the scale alone, in steps of {} g", found.resolution_g);
    table.row(["weighed", &format!("{} g", grams(found.weighed_g)), &band, &scale]);
    let band = format!("± {}", decimal(found.factor_plus_minus, 4));
    table.row(["factor", &decimal(found.factor, 4), &band, "weighed over predicted"]);
    text.push_str(&format!("\n{}", table.text()));
    let by_other = prediction.turns_of_other_profile;
    if prediction.other_profile {
        text.push('\n');
        text.push_str(&paragraph("note: ", &other_profile()));
    }
    match found.verdict {
        Verdict::Agrees => {}
        Verdict::Differs if by_other => text.push_str(&by_other_profile()),
        Verdict::Differs => text.push_str(&change(account)),
        Verdict::Implausible => text.push_str(&causes(found, by_other)),
    }
    if found.weighed_g < LEAST_MASS_G {
        text.push_str(&paragraph(
            "  note: ",
            &format!("less than {LEAST_MASS_G} g: threads, skirt and cut count for much; weigh a larger print."),
        ));
    }
    text.push_str(&mind(
        "The file counts everything it lays: weigh part, support, skirt and purge together, cold and dry, from one lot.",
    ));
    text
}

/// Decimals of a scale with such steps.
fn decimals(step: f64) -> usize {
    let is_whole = |places: &i32| {
        let steps = step * 10_f64.powi(*places);
        (steps - steps.round()).abs() < 1e-6 * steps
    };
    (0..6).find(is_whole).unwrap_or(6) as usize
}

fn headline(found: &Reconciliation) -> String {
    let off = decimal((found.factor - 1.0).abs() * 100.0, 1);
    let which = if found.factor < 1.0 { "less" } else { "more" };
    match found.verdict {
        Verdict::Agrees => {
            "The print weighs what was predicted, as far as this scale can tell: change nothing.".to_owned()
        }
        Verdict::Differs => format!("The print weighs {off} % {which} than predicted."),
        Verdict::Implausible => {
            format!("Warning: the print weighs {off} % {which} than predicted; do not correct the output by that.")
        }
    }
}

fn change(account: &Account) -> String {
    let Account { found, prediction, .. } = account;
    let mut text = "\nWhat to change\n".to_owned();
    let from = if account.profile_line.as_ref().is_some_and(|line| line.starts_with("output_curve")) {
        "each flow of the output curve"
    } else {
        "the specific output"
    };
    text.push_str(&paragraph(
        "  - ",
        &format!("In the profile: {from} times {}, in the section [screw]:", decimal(found.factor, 4)),
    ));
    if let Some(line) = &account.profile_line {
        text.push_str(&format!("      {line}\n"));
    }
    if prediction.counts_turns {
        text.push_str(&paragraph("  - ", "E of this file counts turns: write it again with the new profile."));
    } else {
        text.push_str(&paragraph(
            "  - ",
            &format!(
                "E of this file counts volume, and the controller makes turns of it: multiply its steps for a unit of E by \
                 {} (or divide the travel of a turn by that). If these steps were not computed from the output in the \
                 profile, change only them.",
                decimal(1.0 / found.factor, 4)
            ),
        ));
    }
    if !account.density_measured {
        text.push_str(&paragraph(
            "  note: ",
            "feedstock.density_g_cm3 is not measured: a density that is 3 % too high looks like 3 % too little output.",
        ));
    }
    text
}

/// What comes first where turns were counted by another profile.
const TURNS_BY_OTHER: &str = "another profile: E of this file counts turns, or a unit that this profile has not, and how \
    many was told by the output in the profile it was rewritten with";

/// Without a correction: it would be made of two profiles.
fn by_other_profile() -> String {
    let mut text = "\nNothing can be corrected by that. Look for\n".to_owned();
    text.push_str(&paragraph("  - ", TURNS_BY_OTHER));
    text.push_str(&paragraph("  ", "Reconcile again with the profile it was rewritten with: --profile, --set."));
    text
}

fn causes(found: &Reconciliation, by_other: bool) -> String {
    let mut text = format!("\nMore than {} apart is no matter of calibration. Look for\n", percent(PLAUSIBLE));
    if by_other {
        text.push_str(&paragraph("  - ", TURNS_BY_OTHER));
    }
    // Whatever the screw does, no factor of a thousand.
    for (times, unit) in [(1e3, "kilograms"), (1e-3, "milligrams")] {
        if (0.5..2.0).contains(&(found.factor * times)) {
            let words =
                format!("the unit of --weighed: it is read in grams, and in {unit} it would be near the prediction");
            text.push_str(&paragraph("  - ", &words));
        }
    }
    let (less, more): (&[&str], &[&str]) = (
        &[
            "granules that bridged, or a hopper that ran empty for a while",
            "steps the drive lost, or a screw that slipped",
            "air or moisture: foamy strands are large and light",
            "a part of the print that is not on the scale",
        ],
        &[
            "a tare that was not taken off, or another print on the scale",
            "another feedstock than the profile's, or granules with a filler",
        ],
    );
    let of_e = [
        "a unit of E in the controller or in the profile (screw.e_unit) that is not the file's",
        "a strand diameter in the profile (screw.virtual_diameter_mm) that is not the file's",
    ];
    for cause in if found.factor < 1.0 { less } else { more }.iter().chain(&of_e) {
        text.push_str(&paragraph("  - ", cause));
    }
    text.push_str(&paragraph("  - ", "a wrong density in the profile, or another file than the printed one"));
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::render::layout::WIDTH;

    fn shown(predicted: f64, weighed: f64, resolution: f64, counts_turns: bool) -> String {
        of_profile(predicted, weighed, resolution, counts_turns, false)
    }

    fn of_profile(predicted: f64, weighed: f64, resolution: f64, counts_turns: bool, other_profile: bool) -> String {
        let account = Account {
            file: "pads.gcode".to_owned(),
            prediction: Prediction {
                volume_mm3: predicted / 1.12e-3,
                mass_g: predicted,
                rewritten: true,
                other_profile,
                turns_of_other_profile: other_profile && counts_turns,
                counts_turns,
            },
            density_g_cm3: 1.12,
            density_measured: counts_turns,
            found: Reconciliation::of(predicted, weighed, resolution).unwrap(),
            profile_line: Some("specific_output_mm3_rev = { value = 14.25, provenance = \"assumed\" }".to_owned()),
            profile: String::new(),
        };
        let text = text(&account);
        assert!(text.lines().all(|line| line.chars().count() <= WIDTH), "{text}");
        text
    }

    #[test]
    fn reports() {
        let texts = [
            shown(200.0, 200.04, 0.1, false),
            shown(200.0, 190.0, 0.1, false),
            shown(200.0, 204.0, 1.0, true),
            shown(200.0, 120.0, 1.0, false),
            shown(5.0, 7.0, 0.01, false),
            shown(200.0, 0.2, 0.1, false),
            of_profile(200.0, 190.0, 0.1, false, true),
            of_profile(200.0, 190.0, 0.1, true, true),
            of_profile(200.0, 120.0, 0.1, true, true),
        ];
        insta::assert_snapshot!("reconcile", texts.join("----\n"));
    }
}

//! A change-over in words.

use meltwright::feedstock::changeover::{Barrel, Fit, Masses, Placement, Point, PurgeStep};
use meltwright::units::{Density, Mass, SpecificOutput, Volume, rounded};
use schemars::JsonSchema;
use serde::Serialize;

use super::layout::{Align, Table, paragraph};
use super::number::{count, counted, decimal, percent, time};
use super::parts::{FOOD, mind, other_profile};

/// What is told of a change-over.
#[derive(Serialize, JsonSchema)]
pub struct Account {
    /// Melt in barrel and nozzle, hot.
    pub melt_mm3: Volume,
    /// Density of the new feedstock as melt.
    pub melt_density_g_cm3: Density,
    /// Melt as it is laid, tanks and what lies before.
    #[serde(flatten)]
    pub barrel: Barrel,
    /// Density of the feedstock in the barrel; what leaves of it, in the purge and in the print, weighs so much.
    pub density_before_g_cm3: Density,
    /// Density of the new feedstock; what leaves of it weighs so much.
    pub density_g_cm3: Density,
    /// Where that density comes from.
    pub density_from: String,
    /// Whether one of the two is made to be eaten.
    pub food: bool,
    /// Output turns are computed with: at the sustained capacity.
    pub specific_output_mm3_rev: SpecificOutput,
    /// Flow times are computed with.
    pub sustained_capacity_mm3_s: f64,
    /// The purge.
    pub purge: Vec<PurgeStep>,
    /// The change in a print, if one was given.
    pub placement: Option<Placement>,
    /// What all of that weighs.
    pub masses: Option<Masses>,
    /// The file was rewritten with another profile than this one: what a turn gives, density and strand may be others.
    pub other_profile: bool,
}

/// The report.
pub fn text(account: &Account) -> String {
    let barrel = &account.barrel;
    let mut text = format!(
        "{} of melt, {} as laid, stirred like {}",
        cm3(account.melt_mm3),
        cm3(barrel.melt_as_laid_mm3),
        counted(u64::from(barrel.tanks), "tank")
    );
    if barrel.solids_mm3 > Volume::ZERO {
        text.push_str(&format!(", behind {} of granules", cm3(barrel.solids_mm3)));
    }
    text.push_str("\n\nPurge until so much of what comes out is new\n");
    let right = Align::Right;
    let mut table = Table::new([right; 6]);
    table.row(["new", "melt volumes", "cm³", "g", "turns", "time"]);
    for step in &account.purge {
        table.row([
            percent(step.share),
            decimal(step.turnovers, 2),
            decimal(step.volume_mm3.as_mm3() * 1e-3, 1),
            decimal(step.mass_g.as_g(), 1),
            decimal(step.turns, 0),
            time(step.time_s),
        ]);
    }
    text.push_str(&table.text());
    let before = match account.density_before_g_cm3 == account.density_g_cm3 {
        true => String::new(),
        false => format!("{} g/cm³ before and ", decimal(account.density_before_g_cm3.as_g_cm3(), 3)),
    };
    let basis = format!(
        "Volumes and grams as laid, with {before}{} g/cm³ ({}) and {} as melt; turns with {} mm³/rev, time at the sustained \
         capacity of {} mm³/s. The number of \
         tanks is a guess until a purge was watched, and dead corners are not counted: real purges take more. Look at \
         the strand, not only at the scale.",
        decimal(account.density_g_cm3.as_g_cm3(), 3),
        account.density_from,
        decimal(account.melt_density_g_cm3.as_g_cm3(), 3),
        decimal(account.specific_output_mm3_rev.as_mm3_rev(), 1),
        decimal(account.sustained_capacity_mm3_s, 1)
    );
    text.push_str(&paragraph("  ", &basis));
    if let (Some(placement), Some(masses)) = (&account.placement, &account.masses) {
        text.push_str(&in_print(placement, masses));
        if account.density_before_g_cm3 != account.density_g_cm3 {
            text.push_str(&paragraph(
                "  ",
                "Grams of the old feedstock and of the new as they leave, each with its own density; up to the change all is old.",
            ));
        }
    }
    if account.other_profile {
        text.push_str(&paragraph("  note: ", &other_profile()));
    }
    let food = if account.food { format!("{FOOD}; no purge makes it so. ") } else { String::new() };
    text.push_str(&mind(&format!(
        "{food}Purged melt burns: let it fall as thin flat strands, quench it in water, ventilate. Keep hands out of hopper and \
         feed opening while the screw can turn. Never go from or to PVC or POM in one machine: purging does not make \
         that safe."
    )));
    text
}

fn in_print(placed: &Placement, masses: &Masses) -> String {
    let grams = |mass: Mass| format!("{} g", decimal(mass.as_g(), 1));
    let place = |point: Option<Point>| match point {
        Some(Point { layer: 0, .. }) => "before layer 1".to_owned(),
        Some(Point { layer, into_layer, .. }) => format!("layer {}, {} into it", count(layer), percent(into_layer)),
        None => "outside the print".to_owned(),
    };
    let mut table = Table::new([Align::Left, Align::Left, Align::Right, Align::Left]);
    let mut row = |label: &str, point: Option<Point>, laid: Option<Mass>, note: String| {
        table.row([label.to_owned(), place(point), laid.map_or_else(String::new, grams), note]);
    };
    let before = match placed.layers_before {
        Some(layers) => format!("{} and {} before", grams(masses.lead_g), counted(layers, "layer")),
        None => format!("{} before", grams(masses.lead_g)),
    };
    row("change the hopper", placed.change, masses.change_g, before);
    row("first trace, 5 %", placed.begins, masses.begins_g, String::new());
    let over = placed.transition_layers.map_or_else(String::new, |layers| format!(", {}", counted(layers, "layer")));
    let transition = format!("{} of transition{over}", grams(masses.transition_g));
    row("nearly all, 95 %", placed.ends, masses.ends_g, transition);
    let verdict = match placed.fit {
        Fit::Fits => "It fits the print.".to_owned(),
        Fit::TooEarly { missing_mm3, .. } => {
            let mut words = format!(
                "It does not fit: the hopper would have to be changed before the print. Change it, purge {}, then start; \
                 or take a later layer.",
                grams(masses.purge_g)
            );
            if missing_mm3 > Volume::ZERO {
                words.push_str(&format!(
                    " The print also ends {} before the transition is over: purge so much more, or the part never \
                     reaches the recipe.",
                    grams(masses.missing_g)
                ));
            }
            words
        }
        Fit::TooLate { .. } => format!(
            "It does not fit: the print ends {} before the transition is over. Take an earlier layer, or let a purge \
             beside the part take the rest.",
            grams(masses.missing_g)
        ),
    };
    format!(
        "\n{} of the new recipe where layer {} of {} begins ({} laid in all)\n{}{}",
        of_a_hundred(placed.share),
        count(placed.layer),
        count(placed.layers),
        grams(masses.total_g),
        table.text(),
        paragraph("  ", &verdict)
    )
}

/// A share as it was asked for, which need not be a whole number of hundredths; without the digits of its way through binary.
fn of_a_hundred(share: f64) -> String {
    format!("{} %", rounded(100.0 * share, 8))
}

fn cm3(volume: Volume) -> String {
    format!("{} cm³", decimal(volume.as_mm3() * 1e-3, 1))
}

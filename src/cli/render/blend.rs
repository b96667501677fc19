//! A blend in words.

use meltwright::feedstock::blend::{Blend, OutputBasis, Weighing};
use meltwright::feedstock::component::{Component, Dryness};
use meltwright::feedstock::section::HARDEST_TOLD_A;
use meltwright::units::Mass;

use super::feedstock::{drying, significant, window};
use super::layout::{Align, Table, paragraph};
use super::number::decimal;
use super::parts::{FOOD, mind};

/// What to mind with plastics.
const PLASTICS: &str = "Granules of different size or weight part again when shaken: mix small portions, and weigh the \
    output of the blend itself before a long print. Drying ovens burn and gas out: do not dry food and plastics in one. \
    Vent the fumes. Never PVC; POM only apart from everything else.";
/// What is weighed in for.
#[derive(Clone, Copy, Debug)]
pub enum Order {
    /// A part, and what is purged before it.
    Part {
        /// The part.
        part: Mass,
        /// The purge.
        purge: Mass,
    },
    /// A kilogram, for want of a part.
    Kilogram,
}

impl Order {
    /// What is needed in all.
    pub fn total(self) -> Mass {
        match self {
            Self::Part { part, purge } => part + purge,
            Self::Kilogram => Mass::from_g(1000.0),
        }
    }
}

/// The report. `section`: the text for the profile, or why there is none.
pub fn text(blend: &Blend, order: Order, weighings: &[Weighing], section: Result<&str, String>) -> String {
    let mut text = format!("{}\nComputed from the components, not measured.\n\n", blend.name());
    let mut table = Table::new([Align::Left, Align::Right, Align::Right, Align::Right, Align::Left]);
    table.row(["", "by mass", "by volume", "g/cm³", "nozzle °C"]);
    for part in &blend.parts {
        let share = |share: f64| format!("{} %", decimal(share * 100.0, 1));
        table.row([
            part.component.name.clone(),
            share(part.mass_fraction),
            share(part.volume_fraction),
            decimal(part.component.density_g_cm3.as_g_cm3(), 3),
            part.component.nozzle_c.map_or_else(|| "not known".to_owned(), window),
        ]);
    }
    text.push_str(&table.text());
    text.push_str("\nThe blend\n");
    text.push_str(&figures(blend).text());
    text.push_str(&recipe(order, weighings));
    if !blend.cautions.is_empty() {
        text.push_str("\nCautions\n");
    }
    for caution in &blend.cautions {
        text.push_str(&paragraph("  - ", &caution.to_string()));
    }
    match section {
        Ok(section) => {
            let indented: String = section.lines().map(|line| format!("  {line}\n")).collect();
            text.push_str(&format!("\nFor the profile\n{indented}"));
        }
        Err(why) => text.push_str(&format!("\nFor the profile\n{}", paragraph("  ", &why))),
    }
    let food = blend.parts.iter().any(|part| part.component.food);
    let words = match food {
        true => format!("{FOOD}, and weigh the output of the mixture itself before a long print."),
        false => PLASTICS.to_owned(),
    };
    text.push_str(&mind(&words));
    text
}

fn figures(blend: &Blend) -> Table {
    let mut table = Table::new([Align::Left, Align::Left, Align::Left]);
    let mut row = |label: &str, value: String, why: &str| table.row([label.to_owned(), value, why.to_owned()]);
    row("density", format!("{} g/cm³", decimal(blend.density_g_cm3.as_g_cm3(), 3)), "volumes add up");
    if let Some(s) = &blend.stiffness {
        let mpa = |low, high| format!("{} to {} MPa", significant(low), significant(high));
        let narrow = s.hashin_shtrikman_mpa;
        row("stiffness", mpa(narrow.low.as_mpa(), narrow.high.as_mpa()), "Hashin-Shtrikman bounds");
        let wide = s.reuss_voigt_mpa;
        row("", mpa(wide.low.as_mpa(), wide.high.as_mpa()), "Reuss and Voigt bounds");
        let scatter = s.with_scatter_mpa;
        row("", mpa(scatter.low.as_mpa(), scatter.high.as_mpa()), "with the scatter at a given hardness");
        row("hardness", hardness(s.shore_a.low, s.shore_a.high), "from the first band, by Gent; not an average");
    }
    if let Some(band) = blend.viscosity_pa_s {
        let (low, high) = (decimal(band.low.as_pa_s(), 0), decimal(band.high.as_pa_s(), 0));
        let value = if low == high { format!("{low} Pa·s") } else { format!("{low} to {high} Pa·s") };
        row("viscosity", value, "log and cube-root rule, at 100 1/s");
    }
    let band = blend.output.band_mm3_rev;
    let why = match (blend.output.basis, blend.output.separates) {
        (OutputBasis::Components, false) => "between the weighed components",
        (OutputBasis::Components, true) => "50 to 200 % of the weighed components, as they separate",
        (OutputBasis::Profile, false) => "the profile's output within a quarter, a guess",
        (OutputBasis::Profile, true) => "50 to 200 % of the profile's output, as they separate",
    };
    let (low, high) = (decimal(band.low.as_mm3_rev(), 1), decimal(band.high.as_mm3_rev(), 1));
    row("output", format!("{low} to {high} mm³/rev"), why);
    let knows_all = |known: fn(&Component) -> bool| blend.parts.iter().all(|part| known(&part.component));
    if let Some(common) = blend.nozzle_c {
        let suits = knows_all(|component| component.nozzle_c.is_some());
        let why = if suits { "suits all components" } else { "suits the components whose range is known" };
        row("nozzle", format!("{} °C", window(common)), why);
    }
    match blend.dryness {
        Dryness::Needed(needed) => {
            let suits = knows_all(|component| component.dryness != Dryness::Unknown);
            let known = if suits { "" } else { ", of the components known" };
            row("drying", drying(needed), &format!("lowest temperature, longest time{known}"));
        }
        Dryness::NotNeeded => row("drying", "none".to_owned(), ""),
        Dryness::Unknown => row("drying", "not known".to_owned(), ""),
    }
    table
}

/// A band of hardness; Shore A begins and ends where it says nothing any more.
fn hardness(low: f64, high: f64) -> String {
    let spoken = |value: f64| match value {
        _ if value > HARDEST_TOLD_A => format!("above {HARDEST_TOLD_A}A"),
        _ if value < 0.0 => "below 0A".to_owned(),
        _ => format!("{}A", decimal(value, 1)),
    };
    let (low, high) = (spoken(low), spoken(high));
    if low == high { low } else { format!("{low} to {high}") }
}

fn recipe(order: Order, weighings: &[Weighing]) -> String {
    let title = match order {
        Order::Part { part, purge } => {
            format!("Weigh in, for a part of {} g and {} g of purge", grams(part), grams(purge))
        }
        Order::Kilogram => "Weigh in for a kilogram (--part-grams or --part-volume for a part)".to_owned(),
    };
    let mut table = Table::new([Align::Left, Align::Right, Align::Right]);
    for weighing in weighings {
        let poured = weighing.poured_mm3.map_or_else(String::new, |v| format!("{} l", decimal(v.as_mm3() * 1e-6, 2)));
        table.row([weighing.name.clone(), format!("{} g", grams(weighing.mass_g)), poured]);
    }
    table.row(["together".to_owned(), format!("{} g", grams(order.total())), String::new()]);
    format!("\n{title}\n{}", table.text())
}

fn grams(mass: Mass) -> String {
    decimal(mass.as_g(), 1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use insta::assert_snapshot;
    use meltwright::feedstock::blend::Basis;
    use meltwright::feedstock::library::Library;
    use meltwright::units::SpecificOutput;

    fn report(entries: &[&str], order: Order) -> String {
        let library = Library::embedded();
        let components = entries.iter().map(|text| Component::parse(text, &library).unwrap()).collect();
        let blend = Blend::new(components, Basis::Mass, SpecificOutput::from_mm3_rev(15.0), &library).unwrap();
        let section = blend.section();
        let words = section.as_deref().map_err(ToString::to_string);
        let text = text(&blend, order, &blend.weighings(order.total()), words);
        assert!(text.lines().filter(|line| !line.contains(" = ")).all(|line| line.chars().count() <= 98), "{text}");
        text
    }

    #[test]
    fn one_family() {
        let order = Order::Part { part: Mass::from_g(240.0), purge: Mass::from_g(30.0) };
        assert_snapshot!("blend_one_family", report(&["70:tpe-30a", "30:tpe-60a"], order));
    }

    #[test]
    fn families_that_separate_and_share_no_temperature() {
        assert_snapshot!("blend_separating", report(&["80:petg", "20:tpe-5a"], Order::Kilogram));
    }

    #[test]
    fn what_is_not_known_suits_nothing() {
        let text = report(&["50:own,name=lot7,shore-a=10,density=0.9", "50:tpu-85a"], Order::Kilogram);
        assert!(text.contains("suits the components whose range is known"), "{text}");
        assert!(text.contains("longest time, of the components known"), "{text}");
    }

    #[test]
    fn hardness_ends_where_the_scale_does() {
        assert_eq!(hardness(24.6, 68.4), "24.6A to 68.4A");
        assert_eq!(hardness(90.0, 99.0), "90.0A to above 95A");
        assert_eq!(hardness(98.0, 99.9), "above 95A");
        assert_eq!(hardness(-3.0, 2.0), "below 0A to 2.0A");
        assert_eq!(hardness(-30.0, -2.0), "below 0A");
    }
}

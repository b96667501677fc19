//! What a print takes from the hopper, in words.

use meltwright::summary::{HopperPlan, PlaceKind};

use super::layout::{Align, Table, paragraph};
use super::number::{as_set, count, counted, decimal, places, time};
use super::parts::placed;
use crate::cli::plan::Detail;

/// Refills that are listed one by one, unless everything is asked for.
const LISTED: usize = 10;

/// Grams, litres and refills; one line where the hopper is not known. `of_input`: a rewrite has other lines.
pub fn section(plan: &HopperPlan, detail: Detail, of_input: bool) -> String {
    let guess = if plan.bulk_density_assumed { ", a guess" } else { "" };
    let poured = format!(
        "{} g of granules, {} as poured ({} g/cm³{guess})",
        decimal(plan.total_g, 1),
        litres(plan.total_l),
        decimal(plan.bulk_density_g_cm3, 2)
    );
    let cost = plan.cost.map_or_else(String::new, |cost| format!(", at a cost of {}", decimal(cost, 2)));
    let (Some(usable), Some(margin)) = (plan.usable_g, plan.margin_g) else {
        return format!("\n{}", paragraph("", &format!("{poured}{cost}; hopper.usable_g plans refills.")));
    };
    let title = placed("Hopper", of_input && !plan.refills.is_empty());
    let mut text = format!("\n{title}\n{}", paragraph("  ", &format!("The print takes {poured}{cost}.")));
    text.push_str(&refills(plan, usable, margin, detail));
    if detail == Detail::All && !plan.hourly.is_empty() {
        text.push_str(&hours(plan));
    }
    text
}

fn litres(litres: f64) -> String {
    format!("{} l", decimal(litres, if litres < 0.1 { 3 } else { 2 }))
}

/// What is left at the end, g, as finely as the hopper is known.
pub fn left(plan: &HopperPlan) -> String {
    let fine = [plan.usable_g, plan.margin_g].into_iter().flatten().map(places).max();
    decimal(plan.left_at_end_g.unwrap_or_default(), fine.unwrap_or(0))
}

fn refills(plan: &HopperPlan, usable: f64, margin: f64, detail: Detail) -> String {
    let full = format!("Full it gives {} g", as_set(usable));
    let left = left(plan);
    if plan.refills.is_empty() {
        return paragraph("  ", &format!("{full}: no refill is needed, {left} g are left at the end."));
    }
    let words = format!(
        "{full}: {}, each before less than {} g are left; {left} g are left at the end.",
        counted(plan.refills.len() as u64, "refill"),
        as_set(margin)
    );
    let mut table = Table::new([
        Align::Right,
        Align::Right,
        Align::Right,
        Align::Right,
        Align::Right,
        Align::Right,
        Align::Right,
        Align::Left,
    ]);
    table.row(["at", "layer", "z mm", "line", "used so far", "refill", "", "where"]);
    let most = if detail == Detail::All { usize::MAX } else { LISTED };
    for refill in plan.refills.iter().take(most) {
        table.row([
            time(refill.time_s),
            count(refill.layer),
            decimal(refill.z_mm, 2),
            refill.line.to_string(),
            format!("{} g", decimal(refill.used_g, 1)),
            format!("{} g", decimal(refill.refill_g, 1)),
            litres(refill.refill_l),
            place(refill.place).to_owned(),
        ]);
    }
    let pauses = pauses(plan).map_or_else(String::new, |words| paragraph("  ", &words));
    let rest = plan.refills.len().saturating_sub(most);
    let more = if rest > 0 { format!("    and {} more\n", count(rest as u64)) } else { String::new() };
    format!("{}{}{more}{pauses}", paragraph("  ", &words), table.text())
}

/// What pauses were written, and what to mind where the head moves for them.
pub fn pauses(plan: &HopperPlan) -> Option<String> {
    if plan.pauses_written == 0 {
        return None;
    }
    let mut words = format!("{} written into the output.", counted(plan.pauses_written, "pause"));
    if plan.pauses_parked > 0 {
        let which = match plan.pauses_parked {
            all if all == plan.pauses_written => "For each".to_owned(),
            some => format!("For {} of them", count(some)),
        };
        words.push_str(&format!(
            " {which} the hot head moves to the park position and back: nothing may stand there or on the way, and \
             there must be free space below."
        ));
    }
    if plan.purged_mm3 > 0.0 {
        words.push_str(&format!(" There it purges {} mm³ in all.", decimal(plan.purged_mm3, 0)));
    }
    Some(words)
}

const fn place(kind: PlaceKind) -> &'static str {
    match kind {
        PlaceKind::LayerChange => "layer change",
        PlaceKind::Hidden => "hidden bead",
        PlaceKind::Visible => "bead that may be seen",
    }
}

fn hours(plan: &HopperPlan) -> String {
    let mut table = Table::new([Align::Right, Align::Right]);
    for mark in &plan.hourly {
        table.row([format!("after {} h", count(mark.hour)), format!("{} g", decimal(mark.used_g, 1))]);
    }
    format!("  Expected use\n{}", table.text())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::render::layout::WIDTH;
    use crate::cli::render::sample;

    fn shown(plan: &HopperPlan, detail: Detail) -> String {
        let text = section(plan, detail, false);
        assert!(text.lines().all(|line| line.chars().count() <= WIDTH && line == line.trim_end()), "{text}");
        text
    }

    #[test]
    fn refills_and_hours() {
        let plan = sample::refilled().hopper.unwrap();
        insta::assert_snapshot!("hopper_normal", shown(&plan, Detail::Normal));
        let all = shown(&plan, Detail::All);
        assert!(!all.contains(" more\n") && all.contains("after 2 h  85.2 g\n"), "{all}");
    }

    /// Small hoppers are set in parts of a gram.
    #[test]
    fn figures_are_shown_as_they_are_set() {
        for (usable, margin) in [(3.0, 0.5), (2.4, 0.4), (7.5, 0.25), (1250.0, 12.5)] {
            let plan = HopperPlan {
                usable_g: Some(usable),
                margin_g: Some(margin),
                left_at_end_g: Some(margin),
                ..sample::refilled().hopper.unwrap()
            };
            let text = shown(&plan, Detail::Normal);
            let full = if usable > 1000.0 { "1,250".to_owned() } else { usable.to_string() };
            let told = format!("Full it gives {full} g: 12 refills, each before less than {margin} g are left; ");
            assert!(text.contains(&told), "{text}");
        }
    }

    #[test]
    fn parked_pauses_come_with_a_caution() {
        let plan = HopperPlan {
            pauses_written: 12,
            pauses_parked: 11,
            purged_mm3: 6600.0,
            ..sample::refilled().hopper.unwrap()
        };
        let text = shown(&plan, Detail::Normal);
        let flat: String = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(
            flat.ends_with(
                "12 pauses written into the output. For 11 of them the hot head moves to the park position and back: \
                 nothing may stand there or on the way, and there must be free space below. There it purges 6,600 mm³ \
                 in all."
            ),
            "{text}"
        );
        let all = shown(&HopperPlan { pauses_parked: 12, ..plan }, Detail::Normal);
        let flat: String = all.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.contains("12 pauses written into the output. For each the hot head moves"), "{all}");
    }

    #[test]
    fn one_line_without_a_cup() {
        let plan = HopperPlan { usable_g: None, refills: Vec::new(), cost: None, ..sample::refilled().hopper.unwrap() };
        assert_eq!(
            shown(&plan, Detail::Normal),
            "\n91.0 g of granules, 0.14 l as poured (0.63 g/cm³, a guess); hopper.usable_g plans refills.\n"
        );
        let plan = HopperPlan { usable_g: Some(800.0), bulk_density_assumed: false, total_l: 0.0123, ..plan };
        assert_eq!(
            shown(&plan, Detail::Normal),
            "\nHopper\n  The print takes 91.0 g of granules, 0.012 l as poured (0.63 g/cm³).\n  \
             Full it gives 800 g: no refill is needed, 2.2 g are left at the end.\n"
        );
    }
}

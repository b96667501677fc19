//! The account of an audit: what a file asks, against what there is.

use meltwright::summary::{Level, Summary};

use super::layout::{Align, Table, paragraph};
use super::number::{count, counted, decimal, flow, percent, time, volume};
use super::{hopper, part, parts, spark};
use crate::cli::plan::Detail;

/// What a file asks of the screw, in as much detail as wanted.
pub fn text(name: &str, summary: &Summary, detail: Detail) -> String {
    let mut text = format!("{name}\n{}", paragraph("", &headline(summary)));
    if detail == Detail::Headline {
        return text;
    }
    text.push_str(&main_table(summary));
    text.push_str(&summary.outline.as_ref().map_or_else(String::new, |outline| spark::rows(outline)));
    text.push_str(&summary.hopper.as_ref().map_or_else(String::new, |plan| hopper::section(plan, detail)));
    text.push_str(&summary.part.as_ref().map_or_else(String::new, part::table));
    let changes = &summary.changes;
    if detail == Detail::All {
        text.push_str(&parts::reasons("What a rewrite would slow down", &changes.by_reason));
        text.push_str(&parts::shares("By role, now and then", &changes.roles));
        text.push_str(&parts::shares("By layers, now and then", &changes.layer_bands));
        text.push_str(&parts::histogram(&changes.histogram));
        text.push_str(&parts::largest("Changes of a rewrite that cost most time", &changes.largest));
    }
    text.push_str(&parts::findings(&summary.findings, usize::MAX, detail == Detail::All));
    text.push_str(&parts::allowed(&summary.allowed));
    text.push_str(&parts::assumed(&summary.assumed));
    text.push_str(&parts::cautions());
    text
}

/// One sentence: how many findings of which level, and how far the demand goes.
fn headline(summary: &Summary) -> String {
    let number = |level| summary.findings.iter().filter(|f| f.level == level).count() as u64;
    let levels = [(number(Level::Error), "error"), (number(Level::Warning), "warning"), (number(Level::Note), "note")];
    let found: Vec<String> = levels.into_iter().filter(|(n, _)| *n > 0).map(|(n, level)| counted(n, level)).collect();
    let found = if found.is_empty() { "Nothing to remark".to_owned() } else { found.join(", ") };
    format!("{found}; {}", asks(summary))
}

/// How far the demand goes.
pub fn asks(summary: &Summary) -> String {
    let (asked, given) = (summary.before.peak_demand_mm3_s, summary.provenance.peak_capacity_mm3_s);
    let relation = if asked > given { "more than" } else { "within" };
    format!("the file asks up to {}, {relation} the {} the screw can give.", flow(asked), flow(given))
}

fn main_table(summary: &Summary) -> String {
    let (figures, record) = (&summary.before, &summary.provenance);
    let mut table = Table::new([Align::Left, Align::Right, Align::Right, Align::Right, Align::Left]);
    table.row(["", "asked", "capacity", "share", ""]);
    let against = |what: &str, asked: f64, given: f64, over: String| {
        [what.to_owned(), flow(asked), flow(given), percent(asked / given), over]
    };
    table.row(against("peak demand", figures.peak_demand_mm3_s, record.peak_capacity_mm3_s, String::new()));
    table.row(against(
        "sustained demand",
        figures.sustained_demand_mm3_s,
        record.sustained_capacity_mm3_s,
        format!("over {}", time(record.sustained_window_s)),
    ));
    let rows = [
        ("time", time(figures.time_s)),
        ("volume", volume(figures.volume_mm3)),
        ("mass", format!("{} g", decimal(figures.mass_g, 1))),
        ("layers", count(figures.layers)),
        ("moves", count(figures.moves)),
        ("beads", count(figures.beads)),
        ("starts", count(summary.stops.runs)),
    ];
    for (what, value) in rows {
        table.row([what, &value]);
    }
    if summary.stops.longest_idle_s >= 0.05 {
        let line = format!("before line {}", summary.stops.longest_idle_line);
        table.row(["longest time without a bead", &time(summary.stops.longest_idle_s), "", "", &line]);
    }
    format!("\n{}", table.text())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::render::{layout::WIDTH, sample};

    fn shown(summary: &Summary, detail: Detail) -> String {
        let text = text("pads.gcode", summary, detail);
        assert!(text.lines().all(|line| line.chars().count() <= WIDTH));
        text
    }

    #[test]
    fn headline_only() {
        insta::assert_snapshot!(shown(&sample::pads(), Detail::Headline));
    }

    #[test]
    fn normal() {
        insta::assert_snapshot!(shown(&sample::pads(), Detail::Normal));
    }

    #[test]
    fn everything() {
        insta::assert_snapshot!(shown(&sample::pads(), Detail::All));
    }

    #[test]
    fn nothing_to_remark() {
        insta::assert_snapshot!(shown(&sample::calm(), Detail::Normal));
    }
}

//! The account of an audit: what a file asks, against what there is.

use meltwright::summary::{Level, Summary};

use super::demand::{Demand, relation};
use super::layout::{Align, Table, paragraph};
use super::number::{count, counted, flow, percent, time};
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
    text.push_str(&summary.hopper.as_ref().map_or_else(String::new, |plan| hopper::section(plan, detail, false)));
    text.push_str(&summary.part.as_ref().map_or_else(String::new, part::table));
    let changes = &summary.changes;
    if detail == Detail::All {
        text.push_str(&parts::reasons("What a rewrite would slow down", changes));
        let foretold = !summary.provenance.input_is_output;
        let now = foretold.then_some("now");
        text.push_str(&parts::shares("By role", now, &changes.roles));
        text.push_str(&parts::shares("By layers", now, &changes.layer_bands));
        text.push_str(&parts::histogram(&changes.histogram, foretold));
        text.push_str(&parts::largest("Changes of a rewrite that cost most time", &changes.largest));
    }
    text.push_str(&parts::findings(&summary.findings, usize::MAX, detail == Detail::All, false));
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
    let (asked, given) = (&summary.before, &summary.provenance);
    match Demand::of(summary) {
        Demand::Beads => {
            let (asked, given) = (asked.peak_demand_mm3_s, given.peak_capacity_mm3_s);
            let relation = relation(asked, given);
            format!("the file asks up to {}, {relation} the {} the screw can give.", flow(asked), flow(given))
        }
        Demand::AtRest => {
            let (asked, given) = (asked.sustained_demand_mm3_s, given.sustained_capacity_mm3_s);
            let relation = relation(asked, given);
            format!(
                "the screw turns at rest only, for {} on average, {relation} the {} it can keep up.",
                flow(asked),
                flow(given)
            )
        }
        Demand::None => "the file holds no bead of the screw.".to_owned(),
        Demand::Unknown => "what the file asks of the screw is not known.".to_owned(),
    }
}

fn main_table(summary: &Summary) -> String {
    let (figures, record) = (&summary.before, &summary.provenance);
    let mut table = Table::new([Align::Left, Align::Right, Align::Right, Align::Right, Align::Left]);
    table.row(["", "asked", "capacity", "share", ""]);
    let against = |what: &str, asked: Option<f64>, given: f64, over: String| {
        let known = |words: &dyn Fn(f64) -> String| asked.map_or_else(|| "-".to_owned(), words);
        [what.to_owned(), known(&flow), flow(given), known(&|asked| percent(asked / given)), over]
    };
    let demand = Demand::of(summary);
    let [peak, sustained] = demand.known(figures);
    table.row(against("peak demand", peak, record.peak_capacity_mm3_s, String::new()));
    table.row(against(
        "sustained demand",
        sustained,
        record.sustained_capacity_mm3_s,
        format!("over {}", time(record.sustained_window_s)),
    ));
    let [volume, mass] = demand.laid(figures);
    let rows = [
        ("time", time(figures.time_s)),
        ("volume", volume),
        ("mass", mass),
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
    use meltwright::summary::Allowed;

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

    /// Without a bead no demand is within a capacity.
    #[test]
    fn what_is_not_asked_is_not_compared() {
        let mut summary = sample::calm();
        summary.before.beads = 0;
        let told = shown(&summary, Detail::Normal);
        assert!(told.contains("the screw turns at rest only, for 17.4 mm³/s on average, more than the"), "{told}");
        assert!(told.contains("  peak demand                -  21.0 mm³/s      -\n"), "{told}");
        assert!(told.contains("  sustained demand  17.4 mm³/s  16.0 mm³/s  109 %  over 1 min\n"), "{told}");
        summary.before.sustained_demand_mm3_s = 0.0;
        let told = shown(&summary, Detail::Normal);
        assert!(told.contains("Nothing to remark; the file holds no bead of the screw.\n"), "{told}");
        assert!(told.contains("  sustained demand           -  16.0 mm³/s      -  over 1 min\n"), "{told}");
        summary.allowed = vec![Allowed { code: "switched-extruder", level: Level::Error, count: 1 }];
        assert!(shown(&summary, Detail::Normal).contains("; what the file asks of the screw is not known.\n"));
    }

    #[test]
    fn nothing_to_remark() {
        insta::assert_snapshot!(shown(&sample::calm(), Detail::Normal));
    }
}

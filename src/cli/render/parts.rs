//! Sections that several reports share.

use meltwright::findings::Code;
use meltwright::summary::{Allowed, AssumedValue, Bin, Changes, Finding, LargestChange, Reason, Share, Summary};

use super::layout::{Align, Table, bar, paragraph};
use super::number::{added, count, counted, decimal, percent, time, volume};
use super::why::level;

/// Cells of one bar of the histogram.
const BAR: usize = 24;

/// Lines by which a rewrite tells places: those of its output would move with each pass.
pub const INPUT_LINES: &str = "lines of the file as it came";

/// Whether any place of a finding is a line.
pub fn has_lines(finding: &Finding) -> bool {
    finding.places.iter().any(|place| place.line > 0)
}

/// Whether a finding was made, shown or allowed.
pub fn tells(summary: &Summary, code: Code) -> bool {
    let Summary { findings, allowed, .. } = summary;
    let mut told = findings.iter().map(|one| one.code).chain(allowed.iter().map(|one| one.code));
    told.any(|told| told == code.name())
}

/// Whether the file is an output whose E leads the flow: that tells neither how wide beads are nor what the part bears.
pub fn e_leads(summary: &Summary) -> bool {
    tells(summary, Code::Rewritten)
}

/// Words for a reason.
pub fn reason(reason: Reason) -> &'static str {
    match reason {
        Reason::PeakCapacity => "a single move above the peak capacity",
        Reason::SustainedCapacity => "the average above the sustained capacity",
        Reason::ScrewSpeed => "reversals and refills faster than the screw",
        Reason::MeltLag => "changes of speed quicker than the melt",
        Reason::Sway => "changes of speed quicker than the part bears",
        Reason::NozzleDrag => "the nozzle would drag the part too far",
        Reason::LayerTime => "the layer has to cool",
    }
}

/// What moves are slowed for.
pub fn purpose(reason: Reason) -> &'static str {
    match reason {
        Reason::PeakCapacity => "to stay within the peak capacity",
        Reason::SustainedCapacity => "to stay within the sustained capacity",
        Reason::ScrewSpeed => "to let the screw keep up at stops",
        Reason::MeltLag => "to let the melt keep up",
        Reason::Sway => "to keep the part from swaying",
        Reason::NozzleDrag => "to drag the part less",
        Reason::LayerTime => "to let layers cool",
    }
}

fn short_reason(reason: Reason) -> &'static str {
    match reason {
        Reason::PeakCapacity => "peak",
        Reason::SustainedCapacity => "average",
        Reason::ScrewSpeed => "screw speed",
        Reason::MeltLag => "melt lag",
        Reason::Sway => "sway",
        Reason::NozzleDrag => "drag",
        Reason::LayerTime => "cooling",
    }
}

/// Time that is added or spared, and by what where no reason stands for it; `None` where it is next to nothing.
pub fn other_time(changes: &Changes) -> Option<(&'static str, String)> {
    let seconds = changes.other_time_s;
    let what = if seconds < 0.0 { "spared by stops taken out" } else { "stops, and moves beside slowed ones" };
    (seconds.abs() >= 0.05).then(|| (what, added(seconds)))
}

/// Why moves were slowed.
pub fn reasons(title: &str, changes: &Changes) -> String {
    if changes.by_reason.is_empty() {
        return String::new();
    }
    let mut table = Table::new([Align::Left, Align::Right, Align::Right]);
    for r in &changes.by_reason {
        table.row([reason(r.reason).to_owned(), counted(r.moves, "move"), added(r.time_added_s)]);
    }
    if let Some((what, added)) = other_time(changes) {
        table.row([what.to_owned(), String::new(), added]);
    }
    format!("\n{title}\n{}", table.text())
}

/// What is shown of a part of the file: its name, beads, slowed, volume, time, then, peak demand in mm³/s, then; without
/// what changes where `changes` is false.
pub fn of_share<T>(all: [T; 8], changes: bool) -> Vec<T> {
    let of_changes = |column: usize| matches!(column, 2 | 5 | 7);
    all.into_iter().enumerate().filter(|(column, _)| changes || !of_changes(*column)).map(|(_, cell)| cell).collect()
}

/// Cells of a part of the file.
pub fn share_cells(share: &Share, changes: bool) -> Vec<String> {
    let all = [
        share.name.clone(),
        count(share.beads),
        count(share.slowed),
        volume(share.volume_mm3),
        time(share.time_before_s),
        time(share.time_after_s),
        decimal(share.peak_before_mm3_s, 1),
        decimal(share.peak_after_mm3_s, 1),
    ];
    of_share(all, changes)
}

/// Figures of parts of the file; `then`: what they are called behind it where they change.
pub fn shares(title: &str, then: Option<&str>, shares: &[Share]) -> String {
    if shares.is_empty() {
        return String::new();
    }
    let changes = then.is_some();
    let heads = of_share(["", "beads", "slowed", "volume", "time", "then", "peak mm³/s", "then"], changes);
    let mut columns = vec![Align::Right; heads.len()];
    columns[0] = Align::Left;
    let mut table = Table::new(columns);
    table.row(heads);
    shares.iter().for_each(|share| table.row(share_cells(share, changes)));
    let then = then.map_or_else(String::new, |then| format!(", {then} and then"));
    format!("\n{title}{then}\n{}", table.text())
}

/// How long beads ask how much, as bars. `changes`: before and after, which are the same where nothing changes.
pub fn histogram(bins: &[Bin], changes: bool) -> String {
    let times = bins.iter().flat_map(|b| [b.time_before_s, b.time_after_s]);
    let longest = times.filter(|t| t.is_finite()).fold(0.0, f64::max);
    if longest <= 0.0 {
        return String::new();
    }
    let mut table = Table::new([Align::Right, Align::Left, Align::Right, Align::Left, Align::Right]);
    if changes {
        table.row(["", "before", "", "after", ""]);
    }
    for bin in bins {
        let range = match bin.to {
            Some(to) => format!("{}-{}", decimal(bin.from * 100.0, 0), percent(to)),
            None => format!("above {}", percent(bin.from)),
        };
        let cells = |seconds: f64| [bar(seconds / longest, BAR), time(seconds)];
        let [bar_before, before] = cells(bin.time_before_s);
        match changes {
            true => {
                let [bar_after, after] = cells(bin.time_after_s);
                table.row([range, bar_before, before, bar_after, after]);
            }
            false => table.row([range, bar_before, before]),
        }
    }
    format!("\nBead time by demand, in % of the peak capacity\n{}", table.text())
}

/// The changes that cost most time.
pub fn largest(title: &str, changes: &[LargestChange]) -> String {
    if changes.is_empty() {
        return String::new();
    }
    let mut columns = vec![Align::Right; 8];
    columns[3] = Align::Left;
    columns[6] = Align::Right;
    columns[7] = Align::Left;
    let mut table = Table::new(columns);
    table.row(["line", "layer", "z mm", "role", "mm/s", "mm³/s", "time", "limit"]);
    for c in changes {
        let change = |from, to| format!("{} to {}", decimal(from, 1), decimal(to, 1));
        table.row([
            c.line.to_string(),
            count(c.layer),
            decimal(c.z_mm, 2),
            c.role.to_owned(),
            change(c.speed_before_mm_s, c.speed_after_mm_s),
            change(c.demand_before_mm3_s, c.demand_after_mm3_s),
            added(c.time_added_s),
            short_reason(c.reason).to_owned(),
        ]);
    }
    format!("\n{title}\n{}", table.text())
}

/// A title above places in a file; those of a rewrite are told by the lines of its input.
pub fn placed(title: &str, are_of_input: bool) -> String {
    if are_of_input { format!("{title}, by {INPUT_LINES}") } else { title.to_owned() }
}

/// Findings with at most `places` places each; `why`: also why each matters. `of_input`: a rewrite has other lines.
pub fn findings(findings: &[Finding], places: usize, why: bool, of_input: bool) -> String {
    if findings.is_empty() {
        return String::new();
    }
    let has_lines = findings.iter().any(has_lines);
    let mut text = format!("\n{}\n", placed("Findings", of_input && has_lines));
    for finding in findings {
        let level = level(finding.level);
        let places = || finding.places.iter().take(places);
        let order = if finding.worst_first && places().count() > 1 { ", worst first" } else { "" };
        let times = if finding.count > 1 { format!(" ({} times{order})", count(finding.count)) } else { String::new() };
        let what = format!("{}{times} [{}]", finding.what, finding.code);
        text.push_str(&paragraph(&format!("  {level}: "), &what));
        let timed = places().any(|place| place.time_s.is_some());
        let mut table = Table::new([Align::Left; 5]);
        for place in places() {
            if place.line == 0 {
                // The file as a whole.
                table.row([format!("    {}", place.detail)]);
                continue;
            }
            let mut cells = vec![
                format!("    line {}", place.line),
                format!("layer {}", count(place.layer)),
                format!("z {} mm", decimal(place.z_mm, 2)),
            ];
            if timed {
                cells.push(place.time_s.map_or_else(String::new, |at| format!("at {}", time(at))));
            }
            cells.push(place.detail.clone());
            table.row(cells);
        }
        text.push_str(&table.text());
        let shown = places().count() as u64;
        if shown > 0 && finding.count > shown {
            text.push_str(&format!("      and {} more\n", count(finding.count - shown)));
        }
        if why && !finding.why.is_empty() {
            text.push_str(&paragraph("      why: ", &finding.why));
        }
        if !finding.help.is_empty() {
            text.push_str(&paragraph("      help: ", &finding.help));
        }
    }
    text
}

/// Findings that are only counted.
pub fn allowed(allowed: &[Allowed]) -> String {
    if allowed.is_empty() {
        return String::new();
    }
    let each: Vec<String> = allowed.iter().map(|one| format!("{} ({})", one.code, count(one.count))).collect();
    format!("\n{}", paragraph("Allowed by audit.allow and not shown: ", &each.join(", ")))
}

/// Assumed values and how to be rid of them.
pub fn assumed(values: &[AssumedValue]) -> String {
    if values.is_empty() {
        return String::new();
    }
    let mut table = Table::new([Align::Left, Align::Left, Align::Left]);
    for v in values {
        table.row([v.key.as_str(), v.value.as_str(), v.origin.as_str()]);
    }
    let hint = "Measure them and mark them in your profile, e.g. \
        { value = 21.0, provenance = \"measured\" }; `meltwright profile new` prints a profile that \
        explains each value.";
    format!("\nAssumed values this depends on\n{}{}", table.text(), paragraph("  ", hint))
}

/// What to mind, in brief, with the words that put it behind the machine's own rules.
pub fn mind(words: &str) -> String {
    let before = "The manual of the machine, the data sheet of the feedstock, local codes and licensed practice come \
        before anything said here.";
    format!("\nMind\n{}", paragraph("  ", &format!("{words} {before}")))
}

/// What is said of a file that was rewritten with another profile than it is judged with.
pub fn other_profile() -> String {
    let code = Code::OtherProfile;
    format!("{}: {}; {}.", code.what(), code.why(), code.help())
}

/// What stands before all else where something is made to be eaten.
pub const FOOD: &str = "A machine that carried plastic is not fit for food. Wash what touches food, mind allergens";

/// What to mind at the machine, in words.
pub const CAUTIONS: &str = "Barrel and nozzle are hot; keep hands and sleeves away from the feed opening while the screw \
        can turn. Vent the fumes: no PVC, and no feedstock above its stated temperature. Dry the feedstock \
        first. Do not leave a first print alone. The manual of the machine, the data sheet of the \
        feedstock and local rules come before anything said here.";

/// What to mind at the machine.
pub fn cautions() -> String {
    format!("\nBefore printing\n{}", paragraph("  ", CAUTIONS))
}

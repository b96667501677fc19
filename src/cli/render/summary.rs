//! The account of a rewrite.

use meltwright::findings::Code;
use meltwright::summary::{E_AS_IN_FILE, Figures, Reason, Summary};

use super::demand::Demand;
use super::layout::{Align, Table, paragraph};
use super::number::{count, counted, decimal, flow, time, volume};
use super::{hopper, part, parts, replay};
use crate::cli::plan::Detail;

/// Whether the file was rewritten or only looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tense {
    /// It was.
    Was,
    /// It would be.
    Would,
}

/// Places shown of each finding where not everything is asked for.
const FEW_PLACES: usize = 3;
/// A print that takes less than this many times as long needs no reason.
const NOTICEABLY_LONGER: f64 = 1.01;

/// What was done to a file, in as much detail as wanted.
pub fn text(name: Option<&str>, summary: &Summary, detail: Detail, tense: Tense) -> String {
    let mut text = String::new();
    if let Some(name) = name {
        text.push_str(&format!("{name}\n"));
    }
    headline(summary, tense).lines().for_each(|line| text.push_str(&paragraph("", line)));
    if detail == Detail::Headline {
        return text;
    }
    let all = detail == Detail::All;
    let changes = &summary.changes;
    // Of a copy that could not be judged there is no figure.
    if !parts::tells(summary, Code::NotJudged) {
        text.push_str(&main_table(summary));
    }
    let title = match tense {
        Tense::Was => "Why moves were slowed",
        Tense::Would => "Why moves would be slowed",
    };
    text.push_str(&parts::reasons(title, changes));
    text.push_str(&screw(summary, tense));
    if let Some(figures) = &summary.part {
        text.push_str(&part::brief(figures));
        if all {
            text.push_str(&part::table(figures));
        }
    }
    if let Some(replay) = &summary.replay {
        text.push_str("\nWhat is laid, on the virtual machine\n");
        text.push_str(&replay::brief(replay));
    }
    text.push_str(&taken_out(changes.lag_commands_taken_out));
    if all {
        text.push_str(&parts::shares("By role", Some("before"), &changes.roles));
        text.push_str(&parts::shares("By layers", Some("before"), &changes.layer_bands));
        text.push_str(&parts::histogram(&changes.histogram, true));
        text.push_str(&parts::largest(&parts::placed("Changes that cost most time", true), &changes.largest));
    }
    text.push_str(&summary.hopper.as_ref().map_or_else(String::new, |plan| hopper::section(plan, detail, true)));
    let places = if all { usize::MAX } else { FEW_PLACES };
    text.push_str(&parts::findings(&summary.findings, places, all, true));
    text.push_str(&parts::allowed(&summary.allowed));
    text.push_str(&parts::assumed(&summary.assumed));
    if all {
        text.push_str(&record(summary));
        text.push_str(&parts::cautions());
    }
    text
}

/// Commands that were made comments; empty where there are none.
fn taken_out(commands: u64) -> String {
    match commands {
        0 => String::new(),
        n => format!(
            "\n{}",
            paragraph("", &format!("Taken out: {} for the controller's own lag compensation.", counted(n, "command")))
        ),
    }
}

fn turned(n: u64) -> String {
    if n == 1 { "1 reversal or refill".to_owned() } else { format!("{} reversals and refills", count(n)) }
}

/// Whether the file asks no more than the screw can give as it came.
fn is_within(summary: &Summary) -> bool {
    let (asked, can) = (&summary.before, &summary.provenance);
    asked.peak_demand_mm3_s <= can.peak_capacity_mm3_s && asked.sustained_demand_mm3_s <= can.sustained_capacity_mm3_s
}

/// What was changed, what it costs and what most of that is for.
pub fn headline(summary: &Summary, tense: Tense) -> String {
    let changes = &summary.changes;
    if summary.provenance.passes.is_empty() {
        return match tense {
            Tense::Was => "No pass ran; the output is the input, byte for byte.".to_owned(),
            Tense::Would => "No pass would run; the output would be the input.".to_owned(),
        };
    }
    let (takes, nothing) = match tense {
        Tense::Was => ("takes", "nothing was changed"),
        Tense::Would => ("would take", "nothing would be changed"),
    };
    let were = |n| match (tense, n) {
        (Tense::Was, 1) => "was",
        (Tense::Was, _) => "were",
        (Tense::Would, _) => "would be",
    };
    let moves_for = |reasons: &[Reason]| -> u64 {
        changes.by_reason.iter().filter(|r| reasons.contains(&r.reason)).map(|r| r.moves).sum()
    };
    let beads = changes.beads_slowed;
    let turns = changes.moves_slowed.saturating_sub(beads);
    let eased = moves_for(&[Reason::MeltLag, Reason::Sway]);
    let asked = Demand::of(summary);
    let screw = &summary.screw;
    let lag = match screw.lag_compensation {
        "along-path" => "E follows the flow along each bead, ahead of the lag of the melt",
        // Lines with numbers: nothing could be written.
        "at-rest" if screw.replaced + screw.charges + screw.reliefs == 0 => "",
        "at-rest" if screw.replaced == 0 && tense == Tense::Would => {
            "The screw would turn at rest between runs of beads, as the melt asks for"
        }
        "at-rest" if screw.replaced == 0 => "The screw turns at rest between runs of beads, as the melt asks for",
        "at-rest" if tense == Tense::Would => {
            "Fixed reversals would give way to turns of the screw that the melt asks for"
        }
        "at-rest" => "Fixed reversals gave way to turns of the screw that the melt asks for",
        "by-controller" => "The controller makes up for the lag of the melt",
        _ => "",
    };
    let slowed = match (beads, turns) {
        (0, 0) if asked == Demand::Unknown => "What the file asks of the screw is not known.".to_owned(),
        (0, 0) => {
            let counts_anew = summary.screw.e_unit != E_AS_IN_FILE;
            let rest = match (changes.lines_split, eased) {
                _ if !lag.is_empty() => String::new(),
                (0, 0) if counts_anew => format!("; E {} counted in another unit", were(1)),
                (0, 0) => format!("; {nothing}"),
                (n, 0) => format!("; {} with much E {} written as several", counted(n, "line"), were(n)),
                (_, n) => format!("; changes of speed {} made slower at {}", were(2), counted(n, "move")),
            };
            match asked {
                Demand::None => format!("The file holds no bead of the screw{rest}."),
                _ if !is_within(summary) && !summary.provenance.passes.contains(&"capacity") => format!(
                    "Beads still ask more than the screw can give, since the pass for its capacity {}{rest}.",
                    match tense {
                        Tense::Was => "did not run",
                        Tense::Would => "would not run",
                    }
                ),
                _ => format!("No move asks more than the screw can give{rest}."),
            }
        }
        (0, turns) => format!("{} asked more than the screw can give and {} slowed.", turned(turns), were(turns)),
        (beads, turns) => {
            let also = match turns {
                0 => String::new(),
                n => format!(", {} as well", turned(n)),
            };
            let by_screw = moves_for(&[Reason::PeakCapacity, Reason::SustainedCapacity]) > 0;
            let by_part = moves_for(&[Reason::NozzleDrag, Reason::LayerTime]) > 0;
            let asked = match (by_screw, by_part) {
                (true, true) => "asked more than screw or part can take",
                (false, true) => "went faster than the part bears or cools",
                // Stops that a rewrite takes out keep some beads from their feeds.
                (_, false) if is_within(summary) => "could ask more than the screw can give at their feeds",
                (_, false) => "asked more than the screw can give",
            };
            format!(
                "{} of {} {asked} and {} slowed{also}.",
                count(beads),
                counted(summary.before.beads, "bead"),
                were(beads)
            )
        }
    };
    if lag.is_empty() && beads + turns + eased == 0 {
        return slowed;
    }
    let lag = match asked {
        Demand::Beads if !lag.is_empty() => format!("\n{lag}."),
        _ => String::new(),
    };
    let (before, after) = (time(summary.before.time_s), time(summary.after.time_s));
    if before == after {
        format!("{slowed}{lag}\nThe print {takes} {after}, as before.")
    } else {
        let mostly = mostly(summary).map_or_else(String::new, |what| format!(", mostly {what}"));
        format!("{slowed}{lag}\nThe print {takes} {after} instead of {before}{mostly}.")
    }
}

/// What the print mostly takes longer for, where one reason takes at least half of that time.
fn mostly(summary: &Summary) -> Option<&'static str> {
    let most = summary.changes.by_reason.iter().max_by(|a, b| a.time_added_s.total_cmp(&b.time_added_s))?;
    let (before, after) = (summary.before.time_s, summary.after.time_s);
    let is_most = after > before * NOTICEABLY_LONGER && most.time_added_s >= 0.5 * (after - before);
    is_most.then(|| parts::purpose(most.reason))
}

fn main_table(summary: &Summary) -> String {
    let (before, after, record) = (&summary.before, &summary.after, &summary.provenance);
    let mut table = Table::new([Align::Left, Align::Right, Align::Right, Align::Right, Align::Left]);
    table.row(["", "before", "after", "capacity", ""]);
    let plain = |f: &dyn Fn(&Figures) -> String, what: &str| {
        [what.to_owned(), f(before), f(after), String::new(), String::new()]
    };
    table.row(plain(&|f| time(f.time_s), "time"));
    let demand = Demand::of(summary);
    let [[peak, sustained], [peak_then, sustained_then]] = [before, after].map(|figures| demand.words(figures));
    table.row(["peak demand".to_owned(), peak, peak_then, flow(record.peak_capacity_mm3_s), String::new()]);
    table.row([
        "sustained demand".to_owned(),
        sustained,
        sustained_then,
        flow(record.sustained_capacity_mm3_s),
        format!("over {}", time(record.sustained_window_s)),
    ]);
    let [[volume, mass], [volume_then, mass_then]] = [before, after].map(|figures| demand.laid(figures));
    table.row(["volume".to_owned(), volume, volume_then, String::new(), String::new()]);
    table.row(["mass".to_owned(), mass, mass_then, String::new(), String::new()]);
    table.row(plain(&|f| count(f.layers), "layers"));
    table.row(plain(&|f| count(f.moves), "moves"));
    table.row(plain(&|f| count(f.beads), "beads"));
    format!("\n{}", table.text())
}

/// What the screw is told.
fn screw(summary: &Summary, tense: Tense) -> String {
    let (screw, changes, record) = (&summary.screw, &summary.changes, &summary.provenance);
    let how = match screw.lag_compensation {
        "along-path" => "by E along the path of each bead",
        "at-rest" => "by turns at rest between runs of beads",
        "by-controller" => "by the controller",
        _ => return String::new(),
    };
    let mut table = Table::new([Align::Left, Align::Left]);
    table.row(["melt lag is made up for", how]);
    table.row(["one unit of E", &screw.e_unit]);
    if screw.replaced > 0 {
        table.row(["reversals of the file taken out", &counted(screw.replaced, "line")]);
    }
    if screw.charges + screw.reliefs > 0 {
        let turns = format!(
            "{} forward ({}), {} back ({})",
            count(screw.charges),
            volume(screw.charged_mm3),
            count(screw.reliefs),
            volume(screw.relieved_mm3)
        );
        table.row(["turns at rest", &turns]);
    }
    table.row(["drool on travels, by the model", &volume(screw.drooled_mm3)]);
    table.row(["longest time without a bead", &time(screw.longest_idle_s)]);
    let (input, added) = (record.input_lines, changes.lines_added);
    let output = (input + added).saturating_sub(changes.lines_removed);
    if input > 0 {
        let growth = 100.0 * (output as f64 / input as f64 - 1.0);
        table.row(["lines", &format!("{} from {}, {} %", count(output), count(input), signed(growth))]);
    }
    let title = match tense {
        Tense::Was => "The screw",
        Tense::Would => "The screw would be told",
    };
    format!("\n{title}\n{}", table.text())
}

fn signed(percent: f64) -> String {
    let text = decimal(percent.abs(), 0);
    if text == "0" { text } else { format!("{} {text}", if percent < 0.0 { "-" } else { "+" }) }
}

/// Where the result comes from.
fn record(summary: &Summary) -> String {
    let (changes, record) = (&summary.changes, &summary.provenance);
    let mut table = Table::new([Align::Left, Align::Left]);
    table.row(["profile", &record.profile]);
    table.row(["fingerprint", &record.profile_fingerprint]);
    table.row(["unit of E", &record.e_unit]);
    table.row(["passes", &record.passes.join(", ")]);
    table.row([
        "input",
        &format!(
            "{}, {}, SHA-256 {}",
            counted(record.input_bytes, "byte"),
            counted(record.input_lines, "line"),
            record.input_sha256
        ),
    ]);
    table.row([
        "output",
        &format!(
            "{}, {} added, {} taken out, {} split",
            counted(record.output_bytes, "byte"),
            counted(changes.lines_added, "line"),
            counted(changes.lines_removed, "line"),
            counted(changes.lines_split, "line")
        ),
    ]);
    table.row([
        "words",
        &format!(
            "{} written, {}{}",
            counted(changes.feeds_written, "feed"),
            counted(changes.accelerations_written, "acceleration"),
            match changes.corner_rules_written {
                0 => String::new(),
                count => format!(", {}", counted(count, "corner rule")),
            }
        ),
    ]);
    format!("\nWhere this comes from\n{}", table.text())
}

#[cfg(test)]
mod tests {
    use meltwright::summary::{Allowed, Level, ReasonCount};

    use super::*;
    use crate::cli::render::{layout::WIDTH, sample};

    fn shown(summary: &Summary, detail: Detail, tense: Tense) -> String {
        let text = text(Some("pads.gcode"), summary, detail, tense);
        for line in text.lines() {
            assert!(line.chars().count() <= WIDTH, "too wide: {line}");
            assert_eq!(line, line.trim_end());
        }
        text
    }

    #[test]
    fn headline_only() {
        insta::assert_snapshot!(shown(&sample::pads(), Detail::Headline, Tense::Was));
    }

    #[test]
    fn normal() {
        insta::assert_snapshot!(shown(&sample::pads(), Detail::Normal, Tense::Was));
    }

    #[test]
    fn everything() {
        insta::assert_snapshot!(shown(&sample::pads(), Detail::All, Tense::Was));
    }

    #[test]
    fn dry_run() {
        insta::assert_snapshot!(shown(&sample::pads(), Detail::Normal, Tense::Would));
    }

    #[test]
    fn nothing_changed() {
        insta::assert_snapshot!(shown(&sample::calm(), Detail::Normal, Tense::Was));
    }

    #[test]
    fn commands_taken_out_are_told() {
        let mut summary = sample::calm();
        summary.changes.lag_commands_taken_out = 2;
        let told = shown(&summary, Detail::Normal, Tense::Was);
        assert!(told.contains("\nTaken out: 2 commands for the controller's own lag compensation.\n"), "{told}");
        summary.changes.lag_commands_taken_out = 0;
        assert!(!shown(&summary, Detail::Normal, Tense::Was).contains("Taken out"));
    }

    #[test]
    fn headlines() {
        let mut summary = sample::calm();
        summary.changes.lines_split = 1;
        let mut lines = vec![headline(&summary, Tense::Was)];
        summary.changes.lines_split = 0;
        summary.changes.by_reason = vec![ReasonCount { reason: Reason::Sway, moves: 104, time_added_s: 100.0 }];
        summary.after.time_s += 120.0;
        lines.push(headline(&summary, Tense::Was));
        summary.after.time_s -= 120.0;
        summary.changes = sample::pads().changes;
        (summary.changes.moves_slowed, summary.changes.beads_slowed) = (1, 0);
        summary.changes.by_reason.retain(|r| r.reason == Reason::ScrewSpeed);
        summary.changes.by_reason.iter_mut().for_each(|r| r.moves = 1);
        lines.push(headline(&summary, Tense::Would));
        (summary.changes.moves_slowed, summary.changes.beads_slowed) = (2, 1);
        summary.after.time_s += 1.0;
        lines.push(headline(&summary, Tense::Was));
        summary.after.time_s += 600.0;
        lines.push(headline(&summary, Tense::Was));
        (summary.before.peak_demand_mm3_s, summary.before.sustained_demand_mm3_s) = (1.0, 1.0);
        lines.push(headline(&summary, Tense::Was));
        summary.provenance.passes.clear();
        lines.push(headline(&summary, Tense::Was));
        lines.push(headline(&summary, Tense::Would));
        insta::assert_snapshot!(lines.join("\n"));
    }

    #[test]
    fn only_reversals_that_were_there_give_way() {
        let mut summary = sample::pads();
        let told =
            |summary: &Summary, tense| headline(summary, tense).lines().any(|line| line.contains("Fixed reversals"));
        assert!(told(&summary, Tense::Was) && told(&summary, Tense::Would));
        summary.screw.replaced = 0;
        for (tense, turn) in [(Tense::Was, "The screw turns at rest"), (Tense::Would, "The screw would turn at rest")] {
            assert!(
                !told(&summary, tense) && headline(&summary, tense).contains(turn),
                "{}",
                headline(&summary, tense)
            );
        }
        (summary.screw.charges, summary.screw.reliefs) = (0, 0);
        let plain = headline(&summary, Tense::Was);
        assert!(!plain.contains("at rest") && !plain.contains("Fixed reversals"), "{plain}");
    }

    #[test]
    fn a_file_without_beads_is_not_praised() {
        let mut summary = sample::calm();
        (summary.before.beads, summary.before.sustained_demand_mm3_s) = (0, 0.0);
        let told = shown(&summary, Detail::Normal, Tense::Was);
        assert!(told.contains("The file holds no bead of the screw; nothing was changed.\n"), "{told}");
        assert!(told.contains("  peak demand                -           -  21.0 mm³/s\n"), "{told}");
        summary.screw.lag_compensation = "along-path";
        assert!(!shown(&summary, Detail::Headline, Tense::Would).contains("E follows"));
        summary.allowed = vec![Allowed { code: "switched-extruder", level: Level::Error, count: 1 }];
        let told = headline(&summary, Tense::Was);
        assert!(told.starts_with("What the file asks of the screw is not known."), "{told}");
        let told = shown(&summary, Detail::Normal, Tense::Was);
        assert!(told.contains("  mass                       -           -\n"), "{told}");
    }

    #[test]
    fn what_still_asks_too_much_is_not_praised() {
        let mut summary = sample::calm();
        (summary.before.peak_demand_mm3_s, summary.provenance.passes) = (1e3, vec!["scale"]);
        summary.screw.e_unit = "1 mm³".to_owned();
        let told = headline(&summary, Tense::Was);
        let still = "Beads still ask more than the screw can give, since the pass for its capacity did not run";
        assert!(told.starts_with(&format!("{still}; E was counted in another unit.")), "{told}");
    }

    #[test]
    fn without_a_name() {
        let text = text(None, &sample::calm(), Detail::Headline, Tense::Was);
        assert_eq!(text, "No move asks more than the screw can give; nothing was changed.\n");
    }
}

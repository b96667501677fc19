//! The account of a replay.

use meltwright::pipeline::ReplayAccount;
use meltwright::replay::{Conditions, Replay, ReplayFigures};

use super::layout::{Align, Table, paragraph};
use super::number::{count, decimal, flow, time, volume};
use super::parts;

/// What was laid and what was wanted, before and after.
pub fn text(name: &str, against: Option<&str>, account: &ReplayAccount, profile: &str) -> String {
    let mut text = match against {
        Some(against) => format!("{name}\nagainst {against}\n"),
        None => format!("{name}\n"),
    };
    let (before, after) = (account.replay.before.as_ref(), &account.replay.after);
    text.push_str(&paragraph("", &headline(before, after)));
    account.notes.iter().for_each(|note| text.push_str(&paragraph("", note)));
    text.push('\n');
    text.push_str(&table(before, after));
    text.push('\n');
    text.push_str(&paragraph("", &machine(&account.conditions, profile)));
    text.push_str(&parts::assumed(&account.assumed));
    text
}

fn headline(before: Option<&ReplayFigures>, after: &ReplayFigures) -> String {
    if after.bead_path_mm <= 0.0 {
        return "Nothing is to be laid in this file.".to_owned();
    }
    let share = decimal(after.path_outside_10_pct, 1);
    let was = before.map_or_else(String::new, |f| format!(" (before: {} %)", decimal(f.path_outside_10_pct, 1)));
    format!("What is laid is more than 10 % off along {share} % of the bead path{was}.")
}

/// The table of figures; one column where there is nothing to compare with.
pub fn table(before: Option<&ReplayFigures>, after: &ReplayFigures) -> String {
    let mut columns = vec![Align::Right; 3];
    columns[0] = Align::Left;
    let mut table = Table::new(columns);
    if before.is_some() {
        table.row(["", "before", "after"]);
    }
    type Cell<'a> = &'a dyn Fn(&ReplayFigures) -> String;
    let rows: [(&str, Cell<'_>); 22] = [
        ("bead path", &|f| format!("{} mm", decimal(f.bead_path_mm, 0))),
        ("  more than 5 % off", &|f| of_beads(f, f.path_outside_5_pct)),
        ("  more than 10 % off", &|f| of_beads(f, f.path_outside_10_pct)),
        ("  more than 25 % off", &|f| of_beads(f, f.path_outside_25_pct)),
        ("RMS error", &|f| of_beads(f, f.rms_error_pct)),
        ("wanted", &|f| volume(f.wanted_mm3)),
        ("  missing along beads", &|f| volume(f.missing_mm3)),
        ("  too much along beads", &|f| volume(f.surplus_mm3)),
        ("  laid standing at starts", &|f| volume(f.at_starts_mm3)),
        ("  laid standing at stops", &|f| volume(f.at_stops_mm3)),
        ("laid on the part", &|f| volume(f.laid_mm3)),
        ("  of what is wanted", &|f| of_beads(f, 100.0 * f.laid_over_wanted)),
        ("drool on travels", &|f| volume(f.drool_mm3)),
        ("let out elsewhere", &|f| volume(f.elsewhere_mm3)),
        ("commanded", &|f| volume(f.commanded_mm3)),
        ("  beyond the screw", &|f| volume(f.refused_mm3)),
        ("  back beyond the screw", &|f| volume(f.refused_back_mm3)),
        ("  stored at the end", &|f| volume(f.stored_at_end_mm3)),
        ("highest flow asked", &|f| flow(f.highest_screw_flow_mm3_s)),
        ("time beyond the screw", &|f| time(f.saturated_s)),
        ("reversals of the screw", &|f| count(f.reversals)),
        ("time", &|f| time(f.time_s)),
    ];
    for (what, cell) in rows {
        let mut row = vec![what.to_owned()];
        row.extend(before.map(cell));
        row.push(cell(after));
        table.row(row);
    }
    table.text()
}

/// The figures that tell most, for the account of a rewrite.
pub fn brief(replay: &Replay) -> String {
    let mut table = Table::new([Align::Left, Align::Right, Align::Right]);
    table.row(["", "before", "after"]);
    brief_rows(replay).into_iter().for_each(|row| table.row(row));
    table.text()
}

/// The same, each with what it is, before and after.
pub fn brief_rows(replay: &Replay) -> [[String; 3]; 5] {
    type Cell<'a> = &'a dyn Fn(&ReplayFigures) -> String;
    let rows: [(&str, Cell<'_>); 5] = [
        ("bead path more than 10 % off", &|f| of_beads(f, f.path_outside_10_pct)),
        ("bead path more than 25 % off", &|f| of_beads(f, f.path_outside_25_pct)),
        ("laid on the part, of what is wanted", &|f| of_beads(f, 100.0 * f.laid_over_wanted)),
        ("laid standing, at starts and stops", &|f| volume(f.at_starts_mm3 + f.at_stops_mm3)),
        ("drool on travels", &|f| volume(f.drool_mm3)),
    ];
    rows.map(|(what, cell)| {
        [what.to_owned(), replay.before.as_ref().map_or_else(String::new, cell), cell(&replay.after)]
    })
}

/// A share of the beads, in percent, where there are any.
fn of_beads(figures: &ReplayFigures, percent: f64) -> String {
    if figures.bead_path_mm > 0.0 { format!("{} %", decimal(percent, 1)) } else { "-".to_owned() }
}

/// What the figures were computed with.
fn machine(conditions: &Conditions, profile: &str) -> String {
    let Conditions { lag_s, dead_time_s, screw_mm3_s, bore_mm, compensation_s } = *conditions;
    let dead =
        if dead_time_s > 0.0 { format!(" after {} s of dead time", decimal(dead_time_s, 2)) } else { String::new() };
    let helped = if compensation_s > 0.0 {
        format!("; the controller compensates with {} s", decimal(compensation_s, 2))
    } else {
        String::new()
    };
    format!(
        "Computed for a melt that lags {} s{dead} and a screw that gives up to {}{helped}; judged over stretches of {} \
         mm, the bore of the nozzle. Profile: {profile}.",
        decimal(lag_s, 2),
        flow(screw_mm3_s),
        decimal(bore_mm, 2)
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::render::layout::WIDTH;

    fn figures(outside: f64) -> ReplayFigures {
        ReplayFigures {
            bead_path_mm: 1_234_567.0,
            path_outside_10_pct: outside,
            wanted_mm3: 200.0,
            laid_mm3: 190.0,
            laid_over_wanted: 0.95,
            time_s: 360_000.0,
            ..ReplayFigures::default()
        }
    }

    fn account(before: Option<ReplayFigures>) -> ReplayAccount {
        ReplayAccount {
            replay: Replay { before, after: figures(6.5) },
            conditions: Conditions {
                lag_s: 0.4,
                dead_time_s: 0.05,
                screw_mm3_s: 30.0,
                bore_mm: 1.0,
                compensation_s: 0.4,
            },
            assumed: Vec::new(),
            notes: Vec::new(),
        }
    }

    #[test]
    fn before_and_after() {
        let text = text("out.gcode", Some("in.gcode"), &account(Some(figures(50.0))), "embedded defaults");
        assert!(
            text.starts_with("out.gcode\nagainst in.gcode\nWhat is laid is more than 10 % off along 6.5 %"),
            "{text}"
        );
        assert!(text.contains("(before: 50.0 %)"));
        for row in ["  bead path                  1,234,567 mm  1,234,567 mm\n", "95.0 %        95.0 %\n"] {
            assert!(text.contains(row), "{row}{text}");
        }
        assert!(text.contains("lags 0.40 s after 0.05 s of dead time"));
        assert!(text.lines().all(|line| line.chars().count() <= WIDTH));
    }

    #[test]
    fn alone() {
        let text = text("out.gcode", None, &account(None), "embedded defaults");
        assert!(!text.contains("before") && !text.contains("(before"), "{text}");
        assert!(text.contains("  bead path                  1,234,567 mm\n"), "{text}");
    }

    #[test]
    fn where_nothing_is_to_be_laid_there_is_no_share_of_it() {
        let nothing = || ReplayFigures { drool_mm3: 2.0, ..ReplayFigures::default() };
        let replay = Replay { before: Some(nothing()), after: nothing() };
        let brief = brief_rows(&replay).map(|[_, before, after]| [before, after]);
        assert_eq!(brief, ["-", "-", "-", "0.0 mm³", "2.0 mm³"].map(|cell| [cell; 2]));
        let table = table(None, &nothing());
        assert!(table.lines().any(|row| row.contains("more than 10 % off") && row.ends_with(" -")), "{table}");
        assert!(!table.lines().any(|row| row.ends_with('%')), "{table}");
    }
}

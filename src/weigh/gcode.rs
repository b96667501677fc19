//! The purge test as G-code.
//!
//! Rules that every controller bears: upper case, one command a line, at most 80 characters, plain decimals, comments
//! on lines of their own in ASCII without parentheses, `G4` with P in milliseconds only, relative E set after the only
//! word that may end it (`G90`).

use super::plan::{CAUTIONS, EWords, LONGEST_LINE, Pause, Plan, PlannedRun, STEPS};
use crate::moves::resolve::{MARKER_E, TEST_MARKER};

impl Plan {
    /// The G-code of the test: ASCII, upper case, one command a line, at most 80 characters.
    pub fn gcode(&self) -> String {
        text(self)
    }
}

fn text(plan: &Plan) -> String {
    let mut file = File { text: String::new(), e: plan.e };
    let marker = String::from_utf8_lossy(TEST_MARKER);
    file.line(&format!("{marker} {}{MARKER_E}{} mm3", env!("CARGO_PKG_VERSION"), plan.e_mm3));
    file.comment("Weighs what the screw gives");
    file.comment("CAUTION");
    for caution in CAUTIONS {
        file.comment(caution);
    }
    if let Some(volume) = plan.turn_mm3 {
        let taken = format!(
            "One unit of E is taken to push {} mm3, {} turns of the screw",
            decimal(plan.e_mm3, 3),
            decimal(plan.e_mm3 / volume, 4)
        );
        file.comment(&match plan.turn_by_profile_mm3 {
            None => format!("{taken}, as the controller has to be set for all files this program writes."),
            Some(by_profile) => format!(
                "{taken}, as the controller is said to be set now. By the profile it has to make {} turns of it for all \
                 other files this program writes.",
                decimal(plan.e_mm3 / by_profile, 4)
            ),
        });
        file.comment(&format!(
            "One turn of the screw is taken as {} mm3 of E. Mark the coupling and count the turns of one run; if they \
             are not those named below, write the file again with the volume that one turn really counts for.",
            decimal(volume, 4)
        ));
    } else {
        file.comment("One unit of E is taken as one turn of the screw.");
    }
    if plan.e.tool != 0 {
        file.line(&format!("T{}", plan.e.tool));
    }
    file.line("G21");
    if plan.e.axis == 'E' {
        file.line("G90");
        file.line("M83");
    } else {
        // M83 is about E only; there is no X, Y or Z in this file that G91 could reach.
        file.line("G91");
    }
    file.comment(&format!("Heat to {} C and wait", decimal(plan.temperature_c, 1)));
    file.line(&format!("M109 S{}", decimal(plan.temperature_c, 1)));
    if plan.soak_s > 0.0 {
        file.comment(&format!("Soak at temperature for {} s", decimal(plan.soak_s, 1)));
        file.dwell(plan.soak_s);
    }
    if plan.settle.seconds > 0.0 {
        let settle = &plan.settle;
        file.comment(&format!(
            "Purge to settle: {} rpm for {} s, {} turns; throw this strand away",
            decimal(settle.rpm, 3),
            decimal(settle.seconds, 1),
            decimal(settle.turns, 2)
        ));
        file.run(settle, plan.rest_s);
    }
    file.comment("Cut off what hangs from the nozzle, put the cup below it");
    file.pause(&plan.pause, plan.rest_s);
    for run in &plan.runs {
        file.comment(&format!(
            "Run {} of {}: {} rpm for {} s, {} turns, about {} g",
            run.run,
            plan.runs.len(),
            decimal(run.rpm, 3),
            decimal(run.seconds, 1),
            decimal(run.turns, 2),
            decimal(run.expected_g, 2)
        ));
        file.run(run, plan.rest_s);
        file.comment("Let it drool until just before the next run, cut, weigh, put the cup back");
        file.pause(&plan.pause, plan.rest_s);
    }
    let drool = &plan.drool;
    for stop in 1..=drool.stops {
        file.comment(&format!(
            "Drool {} of {}: {} rpm for {} s, then the screw stops",
            stop,
            drool.stops,
            decimal(drool.rpm, 3),
            decimal(drool.seconds_before, 1)
        ));
        file.turn(drool.rpm, drool.rpm * drool.seconds_before / 60.0);
        file.comment("CUT NOW, throw the strand away, and collect only what comes from here on");
        file.dwell(drool.seconds);
        file.comment("Cut again and keep the drool; weigh the drools of all stops together");
        file.pause(&plan.pause, plan.rest_s);
    }
    file.comment("Heater off; barrel and nozzle stay hot for long");
    file.line("M104 S0");
    if plan.e.axis != 'E' {
        file.line("G90");
    }
    file.text
}

struct File {
    text: String,
    e: EWords,
}

impl File {
    fn line(&mut self, line: &str) {
        self.text.push_str(line);
        self.text.push('\n');
    }

    /// A comment, broken to lines of their own.
    fn comment(&mut self, words: &str) {
        let mut line = ";".to_owned();
        for word in words.split_whitespace() {
            if line.len() + 1 + word.len() > LONGEST_LINE {
                self.line(&line);
                line = "; ".to_owned();
            }
            line.push(' ');
            line.push_str(word);
        }
        self.line(&line);
    }

    fn dwell(&mut self, seconds: f64) {
        self.line(&format!("G4 P{}", (seconds * 1000.0).round().max(1.0) as u64));
    }

    /// Gives the operator time, and the barrel at least `rest_s`.
    fn pause(&mut self, pause: &Pause, rest_s: f64) {
        match pause {
            Pause::Dwell(seconds) => self.dwell(*seconds),
            Pause::Command(command) => {
                if rest_s > 0.0 {
                    self.dwell(rest_s);
                }
                self.line(command);
            }
        }
    }

    /// A run in its bursts, with rests between.
    fn run(&mut self, run: &PlannedRun, rest_s: f64) {
        for burst in 1..=run.bursts {
            self.turn(run.rpm, run.turns / f64::from(run.bursts));
            if burst < run.bursts {
                self.comment(&format!("Burst {burst} of {}: rest, leave the cup", run.bursts));
                self.dwell(rest_s);
            }
        }
    }

    /// Turns the screw, in as many lines as the controller's limit asks; their E adds up exactly.
    fn turn(&mut self, rpm: f64, turns: f64) {
        let total = self.e.steps(turns);
        let pieces = self.e.pieces(turns);
        let up_to = |piece: u64| u128::from(total) * u128::from(piece) / u128::from(pieces);
        for piece in 0..pieces {
            let part = (up_to(piece + 1) - up_to(piece)) as f64 / STEPS;
            let feed = if piece == 0 { format!(" F{}", decimal(self.e.per_turn * rpm, 3)) } else { String::new() };
            let line = format!("G1 {}{}{feed}", self.e.axis, decimal(part, 5));
            self.line(&line);
        }
    }
}

/// A plain decimal without needless zeros.
fn decimal(value: f64, places: usize) -> String {
    let text = format!("{value:.places$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::Profile;
    use crate::weigh::PlanOptions;

    fn plan(set: &[&str], options: &PlanOptions) -> Plan {
        let set: Vec<_> = set.iter().map(|text| text.parse().expect("key=value")).collect();
        Plan::new(&Profile::embedded_with(&set).expect("a sound profile"), options).expect("a plan")
    }

    /// E and F words of motion lines.
    fn extrusions(text: &str, axis: char) -> Vec<(f64, Option<f64>)> {
        let lines = text.lines().filter_map(|line| line.strip_prefix("G1 "));
        let number = |word: &str| word.get(1..).expect("a letter").parse().expect("a number");
        lines
            .map(|line| {
                let mut words = line.split(' ');
                let e = words.next().expect("an E word");
                assert!(e.starts_with(axis));
                (number(e), words.next().map(number))
            })
            .collect()
    }

    #[test]
    fn lines_keep_to_the_rules() {
        for unit in ["virtual-filament-mm", "screw-turns", "mm3", "as-in-file"] {
            for preset in ["host", "board", "network", "custom"] {
                let set = [
                    format!("screw.output_e_unit={unit}"),
                    format!("controller.preset={preset}"),
                    "screw.virtual_diameter_mm=1.75".to_owned(),
                ];
                let set: Vec<&str> = set.iter().map(String::as_str).collect();
                let plan = plan(&set, &PlanOptions::default());
                let text = plan.gcode();
                for line in text.lines() {
                    assert!(line.is_ascii() && line.len() <= LONGEST_LINE && !line.contains(['(', ')']), "{line}");
                    assert!(line.starts_with(';') || !line.bytes().any(|byte| byte.is_ascii_lowercase()), "{line}");
                    assert!(line.starts_with(';') || !line.contains(';'), "{line}");
                }
                let found = extrusions(&text, 'E');
                assert!(found.iter().all(|(e, _)| plan.e.most.is_none_or(|most| *e <= most) && *e > 0.0));
            }
        }
    }

    #[test]
    fn turns_by_hand() {
        // 60 rev/min for 30 s: 30 turns. In mm³ at 15 mm³/rev 450, at F 900, in nine lines of at most 50.
        let options = PlanOptions {
            speeds_rpm: vec![60.0],
            repeats: 1,
            seconds: Some(30.0),
            settle_s: 0.0,
            ..PlanOptions::default()
        };
        let found = extrusions(&plan(&["screw.output_e_unit=mm3"], &options).gcode(), 'E');
        let run: Vec<_> = found.iter().take(9).collect();
        assert_eq!(run.iter().map(|(e, _)| e).sum::<f64>(), 450.0);
        assert_eq!((run[0].1, run[1].1), (Some(900.0), None));
        // In turns: 30 at F 60.
        let found = extrusions(&plan(&["screw.output_e_unit=screw-turns", "screw.axis=A"], &options).gcode(), 'A');
        assert_eq!(found[0], (30.0, Some(60.0)));
        // In millimetres of a strand of 1.75 mm, 2.405281875 mm²: 450 / 2.405281875 = 187.08826 in four lines.
        let set = ["screw.output_e_unit=as-in-file", "screw.virtual_diameter_mm=1.75"];
        let found = extrusions(&plan(&set, &options).gcode(), 'E');
        let sum: f64 = found.iter().take(4).map(|(e, _)| e).sum();
        assert!((sum - 187.088_26).abs() < 1e-9, "{sum}");
        assert_eq!(found[0].1, Some(374.177));
        // On a strand of 10 mm, whatever the file was sliced for: 450 / 78.539816 = 5.72958 in one line, at 15 / 78.54 * 60.
        let plan = plan(&["screw.virtual_diameter_mm=1.75"], &options);
        assert_eq!(extrusions(&plan.gcode(), 'E')[0], (5.72958, Some(11.459)));
        assert!((plan.e_mm3 - 78.539_816_34).abs() < 1e-8);
        let words = plan.gcode().replace("\n; ", " ").replace("  ", " ");
        assert!(words.contains("push 78.54 mm3, 5.236 turns of the screw, as the controller has to be set"), "{words}");
    }

    /// 78.54 mm³ at 10 mm³ a turn are 7.854 turns; the profile says 15 mm³, 5.236 turns.
    #[test]
    fn another_turn_than_that_of_the_profile_is_told() {
        let options = PlanOptions { turn_mm3: Some(10.0), ..PlanOptions::default() };
        let words = plan(&[], &options).gcode().replace("\n; ", " ").replace("  ", " ");
        assert!(words.contains("7.854 turns of the screw, as the controller is said to be set now"), "{words}");
        assert!(words.contains("By the profile it has to make 5.236 turns"), "{words}");
        let same = PlanOptions { turn_mm3: Some(15.0), ..PlanOptions::default() };
        assert_eq!(plan(&[], &same).turn_by_profile_mm3, None);
    }

    #[test]
    fn pauses_as_asked() {
        let mut options = PlanOptions { pause: Pause::Dwell(20.5), stops: Some(1), ..PlanOptions::default() };
        let set = ["screw.output_e_unit=mm3", "screw.peak_flow_mm3_s=40", "screw.sustained_flow_mm3_s=none"];
        let text = plan(&set, &options).gcode();
        // One before the runs, one after each of 15, one after the drool.
        assert_eq!(text.matches("G4 P20500\n").count(), 17);
        options.pause = Pause::Command("PAUSE".to_owned());
        assert_eq!(plan(&set, &options).gcode().matches("\nPAUSE\n").count(), 17);
    }

    #[test]
    fn flows_that_cannot_be_sustained_run_in_bursts() {
        // 120 rev/min give 30 mm³/s, 18 are sustained over 60 s: 0.95 * 60 * 18 / 30 = 34.2 s at most in one go.
        let options = PlanOptions {
            speeds_rpm: vec![60.0, 120.0],
            repeats: 1,
            seconds: Some(100.0),
            settle_s: 0.0,
            ..PlanOptions::default()
        };
        let plan = plan(&["screw.output_e_unit=screw-turns", "controller.max_e_only_mm=none"], &options);
        let bursts: Vec<u32> = plan.runs.iter().map(|run| run.bursts).collect();
        assert_eq!(bursts, [1, 3]);
        // Three of 33.3 s; the drool's 20 s are shorter, so the rests are 60 - 20 s.
        assert_eq!(plan.rest_s, 40.0);
        let text = plan.gcode();
        assert_eq!(text.matches("leave the cup\nG4 P40000\nG1 E66.66667").count(), 2);
    }

    /// As above, in bursts of 33.3 s with 40 s of rest: the barrel gets them between runs as well, whatever the operator needs.
    #[test]
    fn pauses_are_no_shorter_than_rests() {
        let options = |pause| PlanOptions {
            speeds_rpm: vec![60.0, 120.0],
            repeats: 1,
            seconds: Some(100.0),
            soak_s: 0.0,
            settle_s: 0.0,
            pause,
            stops: Some(1),
            ..PlanOptions::default()
        };
        let text = |pause| plan(&["screw.output_e_unit=screw-turns"], &options(pause)).gcode();
        let lines = |text: String, starts: &[&str]| -> Vec<String> {
            text.lines().filter(|line| starts.iter().any(|start| line.starts_with(start))).map(str::to_owned).collect()
        };
        let (rest, drool) = ("G4 P40000", "G4 P15000");
        // Before the runs, after the first, twice within the second, after it, and after the drool.
        assert_eq!(lines(text(Pause::Dwell(30.0)), &["G4"]), [rest, rest, rest, rest, rest, drool, rest]);
        let found = lines(text(Pause::Command("PAUSE".to_owned())), &["G4", "PAUSE"]);
        assert_eq!(found, [rest, "PAUSE", rest, "PAUSE", rest, rest, rest, "PAUSE", drool, rest, "PAUSE"]);
    }

    #[test]
    fn decimals_are_plain() {
        for (value, text) in [(50.0, "50"), (0.5, "0.5"), (1e-5, "0.00001"), (1e6, "1000000"), (374.1769, "374.177")] {
            assert_eq!(decimal(value, if value < 1e-3 { 5 } else { 3 }), text);
        }
    }
}

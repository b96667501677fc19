//! Starts and stops of the screw in the file as it came: how many, how long, and what drools out meanwhile.
//!
//! The melt is a spring: a flow Q leaves the volume tau Q between screw and nozzle when the screw stops, and what is left
//! of it after a time t is the share exp(-t/tau). What the file turns the screw back is taken off first.
//!
//! Where E leads the flow, as this program writes it, the volume is followed all along, and what is turned back along a
//! path belongs to the run.

use serde::Serialize;

use super::Seen;
use crate::findings::number::{counted, time};
use crate::findings::{Code, Findings, Place};
use crate::moves::{Kind, Move};
use crate::profile::Profile;

/// Share of the volume from which drool is told. Common practice, no source.
const TOLD_DROOL: f64 = 0.03;
/// Time at rest from which it is told of, s: a soft melt has drooled out long before. Common practice, no source.
const LONG_REST_S: f64 = 180.0;

/// Starts and stops of the screw, as the file came.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct StopFigures {
    /// Runs of beads without a stop between them: as many starts, and as many stops.
    pub runs: u64,
    /// Turns back of the screw.
    pub decompressions: u64,
    /// Longest time without a bead within the print, s.
    pub longest_idle_s: f64,
    /// Line with which beads go on behind it, counted from 1; 0 where there is none.
    pub longest_idle_line: u64,
    /// What the model of the melt lets out between beads, mm³.
    pub drool_mm3: f64,
}

/// Follows the screw.
#[derive(Clone, Debug)]
pub struct Stops {
    lag_s: f64,
    /// Most that the screw pushes, mm³/s: no more flow is stored.
    screw_mm3_s: f64,
    figures: StopFigures,
    begun: bool,
    /// Time since the last bead, s; 0 while beads go on.
    idle_s: f64,
    in_run: bool,
    /// Behind the longest time without a bead.
    behind: Place,
    /// Between screw and nozzle when the last run ended, mm³; where E leads the flow, now.
    stored_mm3: f64,
    e_leads: bool,
    /// Volume and time of the last bead of the run, mm³ and s.
    last: (f64, f64),
}

impl Stops {
    /// At the start of a file. `screw_mm3_s`: most that the screw pushes, mm³/s; `e_leads`: E leads the flow, as this program
    /// writes it.
    pub fn new(profile: &Profile, screw_mm3_s: f64, e_leads: bool) -> Self {
        Self {
            lag_s: profile.screw.melt_lag_s.value,
            screw_mm3_s,
            figures: StopFigures::default(),
            begun: false,
            idle_s: 0.0,
            in_run: false,
            behind: Place::of_file(""),
            stored_mm3: 0.0,
            e_leads,
            last: (0.0, 0.0),
        }
    }

    /// Time in which this screw does nothing.
    fn wait(&mut self, seen: &Seen<'_>) {
        self.end_run();
        self.idle_s += seen.seconds;
        self.let_out(seen.seconds);
    }

    /// Looks at a move of the screw where E leads the flow.
    fn follow(&mut self, seen: &Seen<'_>) {
        let step = seen.step;
        match step.kind {
            Kind::Bead if self.in_run => {}
            Kind::Bead => self.start(seen),
            Kind::MovingTurn if self.in_run => {}
            Kind::Feed | Kind::FeedUser | Kind::Limits | Kind::SetE | Kind::KeptE if seen.seconds == 0.0 => return,
            kind => {
                let turns_back = kind == Kind::SetEOut || step.volume < 0.0;
                self.figures.decompressions += u64::from(turns_back);
                self.in_run = false;
                self.idle_s += seen.seconds;
                if step.volume == 0.0 {
                    self.let_out(seen.seconds);
                    return;
                }
            }
        }
        // A melt without lag stores nothing.
        if self.lag_s <= 0.0 {
            return;
        }
        // A flow Q for a time t leaves tau Q (1 - exp(-t/tau)) of itself.
        let x = seen.seconds / self.lag_s;
        let share = if x > 0.0 { -(-x).exp_m1() / x } else { 1.0 };
        self.stored_mm3 = self.stored_mm3 * (-x).exp() + step.volume * share;
    }

    /// Looks at moves in a row.
    #[inline]
    pub fn at_all<'a>(&mut self, moves: impl Iterator<Item = Seen<'a>>) {
        let mut last = self.last;
        for seen in moves {
            // All that a bead within a run may be is its last one.
            if seen.step.is_screw_bead() && self.in_run && !self.e_leads {
                last = (seen.step.volume, seen.seconds);
                continue;
            }
            self.last = last;
            self.at(&seen);
            last = self.last;
        }
        self.last = last;
    }

    /// Looks at a move.
    fn at(&mut self, seen: &Seen<'_>) {
        let step = seen.step;
        if !step.has(Move::SCREW) {
            self.wait(seen);
            return;
        }
        if self.e_leads {
            self.follow(seen);
            return;
        }
        match step.kind {
            Kind::Bead => {
                if !self.in_run {
                    self.start(seen);
                }
                self.last = (step.volume, seen.seconds);
            }
            // They take no time and stop nothing by themselves.
            Kind::Feed | Kind::FeedUser | Kind::Limits | Kind::SetE | Kind::KeptE if seen.seconds == 0.0 => {}
            Kind::EOut | Kind::MovingTurn if step.volume < 0.0 => {
                self.figures.decompressions += 1;
                self.end_run();
                self.stored_mm3 = (self.stored_mm3 - step.volume.abs()).max(0.0);
                self.wait(seen);
            }
            Kind::SetEOut => {
                self.figures.decompressions += 1;
                self.end_run();
                self.stored_mm3 = 0.0;
                self.wait(seen);
            }
            _ => self.wait(seen),
        }
    }

    fn start(&mut self, seen: &Seen<'_>) {
        self.in_run = true;
        self.figures.runs += 1;
        let idle_s = std::mem::take(&mut self.idle_s);
        if std::mem::replace(&mut self.begun, true) && idle_s > self.figures.longest_idle_s {
            (self.figures.longest_idle_s, self.figures.longest_idle_line) = (idle_s, seen.line);
            self.behind = seen.place(String::new());
        }
    }

    /// Behind the last bead of a run: what its flow has stored is there.
    fn end_run(&mut self) {
        if std::mem::replace(&mut self.in_run, false) && !self.e_leads {
            let (volume, seconds) = self.last;
            self.stored_mm3 = if seconds > 0.0 { self.lag_s * (volume / seconds).min(self.screw_mm3_s) } else { 0.0 };
        }
    }

    fn let_out(&mut self, seconds: f64) {
        // Nothing to speak of, and nothing before the print begins.
        if self.stored_mm3 < 1e-6 {
            return;
        }
        let left = if self.lag_s > 0.0 { self.stored_mm3 * (-seconds / self.lag_s).exp() } else { 0.0 };
        self.figures.drool_mm3 += self.stored_mm3 - left;
        self.stored_mm3 = left;
    }

    /// Adds what matters in the whole; `total_mm3`: what the print lays; `is_mended`: an output makes good for the stops.
    pub fn finish(self, total_mm3: f64, is_mended: bool, findings: &mut Findings) -> StopFigures {
        let figures = self.figures;
        if figures.longest_idle_s > LONG_REST_S {
            let detail = format!("{} without a bead before it", time(figures.longest_idle_s));
            findings.add(Code::LongRest, || Place { detail, ..self.behind });
        }
        if !is_mended && total_mm3 > 0.0 && figures.drool_mm3 > TOLD_DROOL * total_mm3 {
            let percent = 100.0 * figures.drool_mm3 / total_mm3;
            let lag_s = self.lag_s;
            findings.add(Code::Drool, || {
                let amount = match figures.drool_mm3 {
                    mm3 if mm3 < 1000.0 => format!("about {mm3:.1} mm³"),
                    mm3 => format!("about {:.1} cm³", mm3 * 1e-3),
                };
                let stops = counted(figures.runs, "stop");
                Place::of_file(format!("{amount}, {percent:.0} % of the print, in {stops}; melt lag {lag_s} s"))
            });
        }
        figures
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moves::sample;

    fn step(kind: Kind, volume: f64) -> Move {
        Move {
            kind,
            e: volume,
            volume,
            melt: 0.0,
            feed_mm_min: 0.0,
            speed: 0.0,
            wait_s: 0.0,
            z: 0.3,
            ..sample::bead(0.0, volume)
        }
    }

    fn run(moves: &[(Kind, f64, f64)]) -> (StopFigures, Vec<String>) {
        followed(moves, false)
    }

    fn followed(moves: &[(Kind, f64, f64)], e_leads: bool) -> (StopFigures, Vec<String>) {
        with_lag(0.4, moves, e_leads)
    }

    /// More than any bead below asks.
    const SCREW_MM3_S: f64 = 30.0;

    fn with_lag(lag_s: f64, moves: &[(Kind, f64, f64)], e_leads: bool) -> (StopFigures, Vec<String>) {
        let lag = format!("screw.melt_lag_s={lag_s}").parse().expect("an assignment");
        let mut stops = Stops::new(&Profile::embedded_with(&[lag]).expect("a profile"), SCREW_MM3_S, e_leads);
        let (mut elapsed_s, mut total) = (0.0, 0.0);
        for (index, (kind, volume, seconds)) in moves.iter().enumerate() {
            let step = step(*kind, *volume);
            let seen = Seen { step: &step, arc: None, line: index as u64 + 1, seconds: *seconds, elapsed_s };
            stops.at_all(std::iter::once(seen));
            elapsed_s += seconds;
            total += if *kind == Kind::Bead { *volume } else { 0.0 };
        }
        let mut findings = Findings::default();
        let figures = stops.finish(total, false, &mut findings);
        let told = findings.into_list().into_iter().flat_map(|finding| finding.places);
        (figures, told.map(|place| place.detail).collect())
    }

    /// A bead that asks 100 mm³/s of a screw that pushes 30 leaves what 30 leave: 12 mm³, all of which a long wait lets out.
    #[test]
    fn no_more_drools_than_the_screw_pushes() {
        let drool = |volume: f64| {
            let moves = [(Kind::Bead, volume, 1.0), (Kind::Dwell, 0.0, 100.0), (Kind::Bead, volume, 1.0)];
            followed(&moves, false).0.drool_mm3
        };
        assert!((drool(30.0) - 12.0).abs() < 1e-9 && (drool(100.0) - 12.0).abs() < 1e-9, "{}", drool(100.0));
    }

    /// 10 mm³/s leave 4 mm³ between screw and nozzle; a wait of one lag lets 1 - 1/e of it out.
    #[test]
    fn drool_by_hand() {
        let beads = (Kind::Bead, 50.0, 5.0);
        let (figures, told) = run(&[beads, (Kind::Travel, 0.0, 0.4), beads, beads, (Kind::Travel, 0.0, 100.0)]);
        let expected = 4.0 * (1.0 - (-1.0_f64).exp()) + 4.0;
        assert!((figures.drool_mm3 - expected).abs() < 1e-9, "{figures:?}");
        assert_eq!((figures.runs, figures.decompressions), (2, 0));
        assert!((figures.longest_idle_s - 0.4).abs() < 1e-12 && figures.longest_idle_line == 3);
        assert_eq!(told, ["about 6.5 mm³, 4 % of the print, in 2 stops; melt lag 0.4 s"]);
    }

    /// Each stop of 0.4 s lets out 4 (1 - 1/e) = 2.528 mm³.
    #[test]
    fn many_stops_and_long_waits_are_told_for_people() {
        let stop = [(Kind::Bead, 50.0, 5.0), (Kind::Travel, 0.0, 0.4)];
        let mut moves = stop.repeat(1200);
        moves.extend([(Kind::Dwell, 0.0, 7500.0), (Kind::Bead, 50.0, 5.0)]);
        let told = run(&moves).1;
        assert_eq!(told[0], "2 h 5 min without a bead before it");
        assert_eq!(told[1], "about 3.0 cm³, 5 % of the print, in 1,201 stops; melt lag 0.4 s");
    }

    /// A charge along the path, an even bead, and a relief along the path: 4 mm³ are there when 4 (1 - 1/e) are turned back in
    /// no time, and 4/e are left to drool. All of it is one run.
    #[test]
    fn where_e_leads_the_flow_what_is_stored_is_followed() {
        let (charge, bead) = ((Kind::Bead, 4.0, 0.0), (Kind::Bead, 50.0, 5.0));
        let relief = (Kind::MovingTurn, -4.0 * (1.0 - (-1.0_f64).exp()), 0.0);
        let (figures, _) = followed(&[charge, bead, relief, bead, relief, (Kind::Travel, 0.0, 100.0)], true);
        assert_eq!((figures.runs, figures.decompressions), (1, 0));
        let kept = (-12.5_f64).exp();
        let stored = ((4.0 - 4.0 * (1.0 - (-1.0_f64).exp())) - 4.0) * kept + 4.0 - 4.0 * (1.0 - (-1.0_f64).exp());
        assert!((figures.drool_mm3 - stored).abs() < 1e-9, "{figures:?} {stored}");
        let (figures, _) = followed(&[bead, (Kind::EOut, -4.0, 0.0), (Kind::Travel, 0.0, 60.0), bead], true);
        assert_eq!((figures.runs, figures.decompressions), (2, 1));
        assert!(figures.drool_mm3 < 1e-4, "{figures:?}");
        let (figures, _) = with_lag(0.0, &[charge, bead, (Kind::Travel, 0.0, 1.0)], true);
        assert_eq!((figures.runs, figures.drool_mm3), (1, 0.0), "without a lag nothing is stored, even in no time");
    }

    /// What is turned back does not drool, and what holds the beads together is no stop.
    #[test]
    fn decompression_holds_back() {
        let bead = (Kind::Bead, 50.0, 5.0);
        let (figures, told) =
            run(&[bead, (Kind::Feed, 0.0, 0.0), bead, (Kind::EOut, -3.0, 0.0), (Kind::Travel, 0.0, 60.0)]);
        assert!((figures.drool_mm3 - 1.0).abs() < 1e-9, "{figures:?}");
        assert_eq!((figures.runs, figures.decompressions, figures.longest_idle_s), (1, 1, 0.0));
        assert!(told.is_empty(), "1 of 100 mm³: {told:?}");
    }
}

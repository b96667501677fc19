//! A purge test: which speeds, how long, what to expect.

use std::ops::RangeInclusive;

use serde::Serialize;

use super::conditions::FeedMode;
use super::counts_turns;
use super::sheet::{SHEET_COLUMNS, SHEET_SETTINGS, is_lot};
use crate::demand::capacity::Capacity;
use crate::error::{Error, Result};
use crate::moves::resolve::output_e_volume_mm3;
use crate::physics::screw::output_from_curve;
use crate::profile::{Controller, Output, Profile, Provenance, Stated, check_pause_command};
use crate::units::{Density, RotationSpeed, SpecificOutput, Volume, VolumeFlow};

/// What to mind during the test; plain ASCII without parentheses, since it stands in the G-code as well.
pub const CAUTIONS: [&str; 7] = [
    "Barrel, nozzle and strand are hot and burn: wear heat-proof gloves and eye protection.",
    "The screw turns by itself: there are nip points at the feed opening and at the screw. Keep fingers, tools and \
     sleeves away, and never push granules in by hand.",
    "Hot melt may spurt or crackle: keep your face away from the nozzle.",
    "Ventilate: melt gives off fumes, and overheated TPU isocyanates. Stay within the temperatures of the data sheet. \
     Never run PVC, and keep POM apart from everything else.",
    "Stay beside the machine during the whole test, with its switch in reach.",
    "The file turns the screw but does not move the head: first raise the nozzle well above the bed and put a cup of \
     metal below it.",
    "The manual of the machine, local codes and licensed practice come before anything said here.",
];

/// Runs that a test may have at each speed.
const REPEATS: RangeInclusive<u32> = 1..=20;
/// Stops whose drool may be collected together.
const STOPS: RangeInclusive<u32> = 1..=100;

/// Longest line of G-code, characters: the shortest line buffer of common controllers holds 96.
pub(super) const LONGEST_LINE: usize = 80;
/// E is written in steps of this many to the unit: five decimals, the most that all controllers read.
pub(super) const STEPS: f64 = 1e5;
/// Speeds of a test if none are named: even shares of the highest.
const SPEEDS: u32 = 5;
/// Mass a run aims at if no time is named, g: the ten that a weighing needs, and a fifth more.
const AIM_G: f64 = 12.0;
/// Times of a run if none is named, s: a small screw that turns slowly takes half an hour for its ten grams; who stands
/// beside it waits no longer for one figure.
const SECONDS: RangeInclusive<f64> = 30.0..=1800.0;
/// How long the screw turns at least before a stop whose drool is collected, s.
const BEFORE_STOP_S: f64 = 20.0;
/// Least time to collect a drool, s.
const COLLECT_S: f64 = 15.0;
/// Mass of a drool that a plan aims at if no number of stops is named, g: ten steps of a scale of 0.01 g.
pub const AIM_DROOL_G: f64 = 0.1;
/// Most stops of such a plan: each takes a minute or more.
const USUAL_STOPS: u32 = 20;
/// Melt lags after which as good as all is stored, or nothing worth weighing is left.
const LAGS: f64 = 6.0;
/// Share by which two volumes of a turn may differ and count as one: less than is written.
const SAME_TURN: f64 = 1e-5;
/// Most lines of E a test may have.
const MOST_LINES: u64 = 100_000;
/// Share of the sustained capacity that bursts use, so that rounding does not lift them above it.
const SAFE: f64 = 0.95;
/// Share of the sustained capacity up to which the screw may run on: E and F words are rounded.
const NEARLY: f64 = 0.99;

/// How the operator gets time to collect a strand.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Pause {
    /// The machine waits, s.
    Dwell(f64),
    /// A command of the user's controller that waits for the operator.
    Command(String),
}

/// What a test may be asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct PlanOptions {
    /// Screw speeds, rev/min; empty: five even steps up to the highest of the profile.
    pub speeds_rpm: Vec<f64>,
    /// Runs at each speed, 1 ..= 20. Default 3.
    pub repeats: u32,
    /// Time of a run, s, 5 ..= 3600; `None`: as long as it takes for 12 g, but 30 to 1800 s.
    pub seconds: Option<f64>,
    /// Nozzle temperature, °C, within the range of the feedstock; `None`: the middle of the range.
    pub temperature_c: Option<f64>,
    /// Wait at temperature before the first turn, s, 0 ..= 7200. Default 300.
    pub soak_s: f64,
    /// Purge before the first run, s, 0 ..= 3600. Default 60.
    pub settle_s: f64,
    /// Pause after each run. Default 45 s.
    pub pause: Pause,
    /// Stops whose drool is collected together, 1 ..= 100; `None`: as many as it takes for 0.1 g, but 20 at most.
    pub stops: Option<u32>,
    /// Volume that one turn counts for in the E of the controller, mm³; `None`: the specific output of the profile.
    pub turn_mm3: Option<f64>,
    /// How granules get into the screw. Default by gravity.
    pub feed_mode: FeedMode,
}

impl Default for PlanOptions {
    fn default() -> Self {
        Self {
            speeds_rpm: Vec::new(),
            repeats: 3,
            seconds: None,
            temperature_c: None,
            soak_s: 300.0,
            settle_s: 60.0,
            pause: Pause::Dwell(45.0),
            stops: None,
            turn_mm3: None,
            feed_mode: FeedMode::Gravity,
        }
    }
}

/// One run of the screw.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct PlannedRun {
    /// Number in the order of running, from 1; 0 for the purge before.
    pub run: u32,
    /// Screw speed, rev/min.
    pub rpm: f64,
    /// Time, s.
    pub seconds: f64,
    /// Bursts of equal length the time is shared among; more than 1 at flows that the screw cannot sustain.
    pub bursts: u32,
    /// Turns of the screw.
    pub turns: f64,
    /// Mass to expect by the profile, g.
    pub expected_g: f64,
}

/// The stops whose drool is collected.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct PlannedDrool {
    /// Number in the order of running.
    pub run: u32,
    /// Screw speed before each stop, rev/min.
    pub rpm: f64,
    /// Time the screw turns before each stop, s.
    pub seconds_before: f64,
    /// Time to collect after each stop, s.
    pub seconds: f64,
    /// Number of stops.
    pub stops: u32,
    /// Mass to expect of all stops by the profile's melt lag, g.
    pub expected_g: f64,
}

/// How E words are made.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub(super) struct EWords {
    /// Letter of the axis.
    pub axis: char,
    /// E of one turn.
    pub per_turn: f64,
    /// Most E in one line.
    pub most: Option<f64>,
    /// Tool to choose first.
    pub tool: u32,
}

impl EWords {
    /// E of so many turns, in steps; the cast saturates.
    pub(super) fn steps(&self, turns: f64) -> u64 {
        (turns * self.per_turn * STEPS).round() as u64
    }

    /// Lines that an E of so many turns is cut into.
    pub(super) fn pieces(&self, turns: f64) -> u64 {
        let most = self.most.map_or(u64::MAX, |most| ((most * STEPS).floor() as u64).max(1));
        self.steps(turns).div_ceil(most).max(1)
    }
}

/// A test, ready to be written out.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Plan {
    /// Nozzle temperature, °C.
    pub temperature_c: f64,
    /// Wait at temperature, s.
    pub soak_s: f64,
    /// Purge before the first run.
    pub settle: PlannedRun,
    /// Runs in their order: up through the speeds, down again, and so on, so that a drift does not look like speed.
    pub runs: Vec<PlannedRun>,
    /// The drool collection at the end.
    pub drool: PlannedDrool,
    /// Pause after each run.
    pub pause: Pause,
    /// Its length, s; `None` where a command waits.
    pub pause_s: Option<f64>,
    /// Least time without a turning screw between bursts and runs, s; 0 if nothing runs in bursts.
    pub rest_s: f64,
    /// What the screw sustains by the profile, mm³/s; at this or more it turns in bursts.
    pub sustained_mm3_s: f64,
    /// Volume that one unit of E is taken to push, mm³; where E counts turns along a curve, that of a turn at its fastest point.
    pub e_mm3: f64,
    /// Volume that one turn counts for in E, mm³; `None` if E counts turns.
    pub turn_mm3: Option<f64>,
    /// Volume that one turn puts out by the profile, mm³, where the test takes another; by it the controller is to be set.
    pub turn_by_profile_mm3: Option<f64>,
    /// Whether that volume is measured.
    pub turn_provenance: Provenance,
    /// Lines of G-code that the longest run is cut into.
    pub most_lines: u64,
    /// Feedstock the test uses by the profile, g.
    pub total_g: f64,
    /// Time of the test without heating and without commands that wait for the operator, s.
    pub total_s: f64,
    #[serde(skip)]
    pub(super) e: EWords,
    #[serde(skip)]
    settings: [String; 7],
}

impl Plan {
    /// Plans a test for the machine of `profile`.
    ///
    /// # Errors
    /// [`crate::error::ErrorKind::Usage`] for a speed above the profile's highest, a temperature outside of the feedstock's range, an
    /// option out of its range, a pause that the controller does not carry out, or E on a strand whose diameter is not known.
    pub fn new(profile: &Profile, options: &PlanOptions) -> Result<Self> {
        check(options, &profile.controller)?;
        let screw = &profile.screw;
        let speeds = speeds(options, screw.max_speed_rpm.value)?;
        // As the file asks for it.
        let temperature_c = (temperature(options, profile)? * 10.0).round() / 10.0;
        let flow = |rpm: f64| {
            let speed = RotationSpeed::from_rpm(rpm);
            match &screw.output.value {
                Output::Constant(volume) => SpecificOutput::from_mm3_rev(*volume) * speed,
                Output::Curve(points) => output_from_curve(points, speed),
            }
        };
        let density = Density::from_g_cm3(profile.feedstock.density_g_cm3.value);
        let grams = |flow: VolumeFlow, seconds: f64| (Volume::from_mm3(flow.as_mm3_s() * seconds) * density).as_g();
        // Longest burst: its volume, spread over the window, is what the screw sustains.
        let capacity = Capacity::of(profile);
        let burst = |rpm: f64| {
            let flow = flow(rpm).as_mm3_s();
            let sustained = flow <= NEARLY * capacity.sustained_mm3_s;
            if sustained { f64::INFINITY } else { SAFE * capacity.window_s * capacity.sustained_mm3_s / flow }
        };
        let planned = |run: u32, rpm: f64, seconds: f64| PlannedRun {
            run,
            rpm,
            seconds,
            // At most an hour in bursts of parts of a second; the cast saturates.
            bursts: (seconds / burst(rpm)).ceil().max(1.0) as u32,
            turns: rpm * seconds / 60.0,
            expected_g: grams(flow(rpm), seconds),
        };
        let seconds = |rpm: f64| {
            let needed = (AIM_G / grams(flow(rpm), 1.0) / 10.0).ceil() * 10.0;
            options.seconds.unwrap_or_else(|| needed.clamp(*SECONDS.start(), *SECONDS.end()))
        };
        let mut runs = Vec::new();
        for round in 0..options.repeats {
            let mut order = speeds.clone();
            if round % 2 == 1 {
                order.reverse();
            }
            for rpm in order {
                runs.push(planned(runs.len() as u32 + 1, rpm, seconds(rpm)));
            }
        }
        let middle = speeds.get(speeds.len() / 2).copied().unwrap_or(1.0);
        let slowest = speeds.first().copied().unwrap_or(1.0);
        let lag = screw.melt_lag_s.value;
        // What drools is what is stored: the screw turns until that has grown to all it can, the fastest that it can turn so
        // long.
        let all_lags_s = (LAGS * lag).ceil();
        let drool_rpm = speeds.iter().rev().copied().find(|rpm| burst(*rpm) >= all_lags_s).unwrap_or(slowest);
        let seconds_before = all_lags_s.max(BEFORE_STOP_S).min(burst(drool_rpm));
        let stored_s = if lag > 0.0 { lag * -(-seconds_before / lag).exp_m1() } else { 0.0 };
        let a_stop_g = grams(flow(drool_rpm), stored_s);
        // Without a lag nothing drools, and one stop shows that as well as many; the cast saturates.
        let needed = if a_stop_g > 0.0 { (AIM_DROOL_G / a_stop_g).ceil() as u32 } else { 1 };
        let stops = options.stops.unwrap_or_else(|| needed.clamp(1, USUAL_STOPS));
        let drool = PlannedDrool {
            run: runs.len() as u32 + 1,
            rpm: drool_rpm,
            seconds_before,
            seconds: all_lags_s.max(COLLECT_S),
            stops,
            expected_g: a_stop_g * f64::from(stops),
        };
        let settle = planned(0, middle, options.settle_s);
        let Meaning { words: e, e_mm3, turn_mm3: turn } = meaning(profile, options)?;
        if e.per_turn * slowest < 1.0 {
            return Err(Error::usage(
                format!("at {slowest} rev/min E would grow by less than 1 unit a minute, which no F word should ask"),
                "leave out the slowest speeds (--speeds), or, where E of the output counts a strand, count a thinner one \
                 (screw.output_diameter_mm)",
            ));
        }
        let all = || runs.iter().chain(std::iter::once(&settle)).filter(|run| run.seconds > 0.0);
        let shortest = all().map(|run| run.seconds / f64::from(run.bursts)).fold(drool.seconds_before, f64::min);
        let in_bursts = all().any(|run| run.bursts > 1) || burst(drool_rpm).is_finite();
        let rest_s = if in_bursts { (capacity.window_s - shortest).max(0.0).ceil() } else { 0.0 };
        // No pause is shorter than a rest.
        let (pause, pause_s) = match &options.pause {
            Pause::Dwell(seconds) => (Pause::Dwell(seconds.max(rest_s)), seconds.max(rest_s)),
            command @ Pause::Command(_) => (command.clone(), rest_s),
        };
        let with_rests = |run: &PlannedRun| run.seconds + f64::from(run.bursts - 1) * rest_s + pause_s;
        let stop_s = drool.seconds_before + drool.seconds + pause_s;
        let total_s = options.soak_s
            + with_rests(&settle)
            + runs.iter().map(with_rests).sum::<f64>()
            + f64::from(drool.stops) * stop_s;
        let before_stops = grams(flow(drool_rpm), seconds_before) * f64::from(drool.stops);
        let total_g = settle.expected_g + runs.iter().map(|run| run.expected_g).sum::<f64>() + before_stops;
        let lines_of_burst = |run: &PlannedRun| e.pieces(run.turns / f64::from(run.bursts));
        let lines = |run: &PlannedRun| lines_of_burst(run).saturating_mul(u64::from(run.bursts));
        let most_lines = runs.iter().map(lines_of_burst).max().unwrap_or(1);
        if runs.iter().chain(std::iter::once(&settle)).map(lines).fold(0, u64::saturating_add) > MOST_LINES {
            return Err(Error::usage(
                format!("the limits of the profile would cut the test into more than {MOST_LINES} lines"),
                "look at controller.max_e_only_mm and screw.sustained_flow_mm3_s, or plan fewer and shorter runs",
            ));
        }
        let lot = profile.feedstock.lot.value.clone().unwrap_or_default();
        if !is_lot(&lot) {
            return Err(Error::usage(
                format!("a sheet cannot hold the lot {lot:?}: its letters are needed by the notes of a profile"),
                "write feedstock.lot without semicolons and equals signs",
            ));
        }
        Ok(Self {
            temperature_c,
            soak_s: options.soak_s,
            settle,
            runs,
            drool,
            pause_s: match &pause {
                Pause::Dwell(seconds) => Some(*seconds),
                Pause::Command(_) => None,
            },
            pause,
            rest_s,
            sustained_mm3_s: capacity.sustained_mm3_s,
            e_mm3,
            turn_mm3: turn.as_ref().map(|turn| turn.value),
            turn_by_profile_mm3: turn
                .as_ref()
                .map(|turn| (turn.value, screw.output.value.per_turn_mm3()))
                .filter(|(taken, by_profile)| (taken / by_profile - 1.0).abs() > SAME_TURN)
                .map(|(_, by_profile)| by_profile),
            turn_provenance: turn.map_or(Provenance::Measured, |turn| turn.provenance),
            most_lines,
            total_g,
            total_s,
            e,
            settings: [
                String::new(),
                lot,
                temperature_c.to_string(),
                profile.nozzle.diameter_mm.value.to_string(),
                options.feed_mode.to_string(),
                profile.feedstock.density_g_cm3.value.to_string(),
                String::new(),
            ],
        })
    }

    /// The sheet to fill in, CSV with commas; it reads back with [`super::Sheet::read`] once it is filled in.
    pub fn sheet(&self) -> String {
        let mut text =
            "# Purge test of meltwright. Fill in the date and every mass; then run: meltwright weigh fit\n".to_owned();
        for ((name, _, about), value) in SHEET_SETTINGS.iter().zip(&self.settings) {
            text.push_str(&format!("{name},{},{}\n", quoted(value), quoted(about)));
        }
        let names: Vec<&str> = SHEET_COLUMNS.iter().map(|column| column.0).collect();
        text.push_str(&format!("\n{}\n", names.join(",")));
        for run in &self.runs {
            text.push_str(&format!("run,{},{},{},,,,\n", run.run, run.rpm, run.seconds));
        }
        let drool = &self.drool;
        text.push_str(&format!("drool,{},{},{},{},,,\n", drool.run, drool.rpm, drool.seconds, drool.stops));
        text
    }
}

/// A cell of a sheet with commas between.
fn quoted(cell: &str) -> String {
    if cell.contains([',', '"']) { format!("\"{}\"", cell.replace('"', "\"\"")) } else { cell.to_owned() }
}

fn check(options: &PlanOptions, controller: &Controller) -> Result<()> {
    let within = |name: &str, value: f64, least: f64, most: f64, unit: &str| {
        if (least..=most).contains(&value) {
            return Ok(());
        }
        Err(Error::usage(
            format!("{name} must lie between {least} and {most}{unit}, not {value}"),
            "choose a value in between",
        ))
    };
    let stops = options.stops.map(|stops| ("the stops of a drool", stops, STOPS));
    for (name, value, range) in [("the runs at each speed", options.repeats, REPEATS)].into_iter().chain(stops) {
        within(name, f64::from(value), f64::from(*range.start()), f64::from(*range.end()), "")?;
    }
    within("the wait at temperature", options.soak_s, 0.0, 7200.0, " s")?;
    within("the purge before the first run", options.settle_s, 0.0, 3600.0, " s")?;
    if let Some(seconds) = options.seconds {
        within("the time of a run", seconds, 5.0, 3600.0, " s")?;
    }
    if let Some(volume) = options.turn_mm3 {
        within("the volume that one turn counts for", volume, 0.01, 1e5, " mm³")?;
    }
    match &options.pause {
        Pause::Dwell(seconds) => within("the pause after a run", *seconds, 1.0, 3600.0, " s"),
        Pause::Command(command) => check_pause_command(command, controller),
    }
}

/// The speeds from slow to fast, each once.
fn speeds(options: &PlanOptions, highest: f64) -> Result<Vec<f64>> {
    let mut speeds = options.speeds_rpm.clone();
    if speeds.is_empty() {
        let even = |step: u32| highest * f64::from(step) / f64::from(SPEEDS);
        // Down to tenths, so that the last one is not above the highest.
        return Ok((1..=SPEEDS)
            .map(|step| if step == SPEEDS { highest } else { (even(step) * 10.0).round() / 10.0 })
            .collect());
    }
    for rpm in &speeds {
        if !rpm.is_finite() || *rpm <= 0.0 {
            return Err(Error::usage(
                format!("a screw speed of {rpm} rev/min gives nothing to weigh"),
                "name speeds above zero",
            ));
        }
        if *rpm > highest {
            return Err(Error::usage(
                format!("{rpm} rev/min is above the highest speed of the screw, {highest} rev/min"),
                "leave the speed out; or, if the drive holds it, raise screw.max_speed_rpm in the profile",
            ));
        }
    }
    if speeds.len() > 20 {
        return Err(Error::usage("more than 20 speeds".to_owned(), "five speeds, three times each, tell more"));
    }
    speeds.sort_by(f64::total_cmp);
    speeds.dedup();
    Ok(speeds)
}

fn temperature(options: &PlanOptions, profile: &Profile) -> Result<f64> {
    let feedstock = &profile.feedstock;
    let (least, most) = (feedstock.nozzle_temperature_min_c.value, feedstock.nozzle_temperature_max_c.value);
    let Some(wanted) = options.temperature_c else {
        return Ok(f64::midpoint(least, most).round().clamp(least, most));
    };
    if (least..=most).contains(&wanted) {
        return Ok(wanted);
    }
    Err(Error::usage(
        format!("{wanted} °C is outside of the feedstock's range, {least} to {most} °C"),
        "give a temperature within the range; or, if the data sheet of the feedstock allows it, correct the range in the profile",
    ))
}

/// What E of the test means: that of the files this program writes, for which the controller is set.
struct Meaning {
    words: EWords,
    /// Volume of one unit, mm³.
    e_mm3: f64,
    /// Volume that one turn counts for, mm³; `None` where E counts turns.
    turn_mm3: Option<Stated<f64>>,
}

fn meaning(profile: &Profile, options: &PlanOptions) -> Result<Meaning> {
    let screw = &profile.screw;
    let controller = &profile.controller;
    let most = match (controller.max_e_only_mm.value, controller.max_e_per_line_mm.value) {
        (Some(alone), Some(any)) => Some(alone.min(any)),
        (one, other) => one.or(other),
    };
    let words = |per_turn| EWords {
        axis: char::from(screw.axis.value.to_ascii_uppercase()),
        per_turn,
        most,
        tool: screw.tool(),
    };
    let output = &screw.output;
    if counts_turns(screw) {
        return Ok(Meaning { words: words(1.0), e_mm3: output.value.per_turn_mm3(), turn_mm3: None });
    }
    let e_mm3 = output_e_volume_mm3(profile).ok_or_else(|| {
        Error::usage(
            "E counts millimetres of a virtual strand, but the profile does not give its diameter".to_owned(),
            "set screw.virtual_diameter_mm in the profile to the filament diameter the slicing profile was given, \
             or pass --set screw.virtual_diameter_mm=1.75",
        )
    })?;
    let (value, provenance) = match options.turn_mm3 {
        Some(volume) => (volume, Provenance::Measured),
        None => (output.value.per_turn_mm3(), output.provenance),
    };
    let turn_mm3 = Some(Stated { value, provenance, origin: output.origin });
    Ok(Meaning { words: words(value / e_mm3), e_mm3, turn_mm3 })
}

#[cfg(test)]
mod tests;

//! Where the output stands still for a refill: the pause command, and the way to the park position and back.

use std::collections::VecDeque;

use super::Passes;
use super::drive::{Drive, LinesBefore};
use super::in_force::InForce;
use crate::demand::capacity::Capacity;
use crate::hopper::HopperPlan;
use crate::line::number::write_fixed;
use crate::motion::trapezoid::from_rest;
use crate::moves::track::Track;
use crate::moves::{Kind, Move};
use crate::passes::feed::{FeedWord, Feeds};
use crate::passes::lag::accel;
use crate::profile::Profile;
use crate::soft::{ACCEL, takes};
use crate::units::Bounded;

/// Comment before the way to the park position: from here to [`BACK`] the head is not where the print has it.
pub const AWAY: &[u8] = b"; to the park position";
/// Comment behind the way back.
pub const BACK: &[u8] = b"; back at the print";
/// Command that waits.
const WAIT: &str = "G4";
/// Highest speed of lift and descent, mm/s, as far as no limit of Z is lower: spindles bear it. Common practice, no
/// source.
const LIFT_MM_S: f64 = 10.0;
/// Speed of the way where neither profile nor file has named one, mm/s. Common practice, no source.
const CALM_MM_S: f64 = 50.0;
/// Decimals of the way there, in mm and in inches.
const DECIMALS: [u8; 2] = [3, 5];
/// Most decimals of the place the head comes back to.
const MOST_DECIMALS: u8 = 7;

/// The pauses of an output.
#[derive(Clone, Debug)]
pub struct Pauses {
    command: String,
    /// Lines of the input before which it goes, in order.
    lines: VecDeque<u64>,
    park: Option<Park>,
    /// Where the head is while a layer cools, if the park position is none or too far.
    beside: Option<Park>,
    /// The controller takes no command that waits.
    refuses_waits: bool,
    /// Highest bead so far, of any tool, mm of the machine: the ways go over it.
    highest_mm: f64,
    /// The controller takes accelerations.
    takes_accels: bool,
    /// Limits of motion in the output.
    pub in_force: InForce,
    /// How many were written.
    pub written: u64,
    /// For how many of them the head goes to the park position.
    pub parked: u64,
    /// Moves of the ways there and back.
    pub ways: u64,
    /// Their path, mm.
    pub way_mm: f64,
}

/// Why the head goes to the park position.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Stop {
    /// The hopper is refilled there, for as long as that takes.
    ForRefill,
    /// A layer cools: the way there and back and the wait take at least so long, s.
    ToCool(f64),
}

impl Pauses {
    /// The head has a place beside the part to wait at, mm of the machine: where there is no park position, or where the
    /// way to that would take longer than the wait.
    pub fn wait_beside(&mut self, profile: &Profile, place: Option<[f64; 2]>) {
        self.beside = place.map(|place| Park::at(place, profile));
    }

    /// The profile's command, at no place yet.
    pub fn of(profile: &Profile) -> Self {
        Self {
            command: profile.hopper.pause_command.value.clone().unwrap_or_default(),
            lines: VecDeque::new(),
            park: Park::of(profile),
            beside: None,
            refuses_waits: !takes(profile, WAIT),
            highest_mm: 0.0,
            takes_accels: takes(profile, ACCEL),
            in_force: InForce::new(profile),
            written: 0,
            parked: 0,
            ways: 0,
            way_mm: 0.0,
        }
    }

    /// They go to the refills of a plan.
    pub fn stand_at(&mut self, plan: Option<&HopperPlan>) {
        self.lines = plan.iter().flat_map(|plan| &plan.refills).map(|refill| refill.line).collect();
    }

    /// Whether a rewrite with these passes writes any.
    pub fn are_wanted(profile: &Profile, passes: Passes) -> bool {
        passes.starts && profile.hopper.pause_command.value.is_some() && profile.hopper.usable_g.value.is_some()
    }

    /// Whether there is a park position, for refills.
    pub fn parks(&self) -> bool {
        self.park.is_some()
    }

    /// Whether the head has anywhere to go.
    pub fn goes(&self) -> bool {
        self.park.is_some() || self.beside.is_some()
    }

    /// What is pushed out at the park position behind a refill, mm³.
    pub fn purge_mm3(&self) -> f64 {
        self.park.as_ref().map_or(0.0, |park| park.purge_mm3)
    }

    /// Nothing is pushed out behind a refill.
    pub fn purge_no_more(&mut self) {
        if let Some(park) = &mut self.park {
            park.purge_mm3 = 0.0;
        }
    }

    /// Whether some are still to come.
    pub fn are_left(&self) -> bool {
        !self.lines.is_empty()
    }

    /// Whether one goes before the move on `line`. Lines that are numbered bear no others between them.
    #[inline]
    pub fn is_due(&mut self, step: &Move, line: u64) -> bool {
        !self.lines.is_empty() && self.falls_on(step, line)
    }

    fn falls_on(&mut self, step: &Move, line: u64) -> bool {
        while self.lines.front().is_some_and(|next| *next < line) {
            self.lines.pop_front();
        }
        let is_due = self.lines.front() == Some(&line) && !step.has(Move::NUMBERED);
        if is_due {
            self.lines.pop_front();
            self.written += 1;
        }
        is_due
    }

    /// Why the head cannot be parked before a move; `None` where it can.
    pub fn obstacle(&self, step: &Move, track: &Track<'_>) -> Option<&'static str> {
        if !track.is_known() {
            Some("not every axis was homed or sent to a stated place before")
        } else if step.has(Move::BOUND) {
            Some("the line sets units or modes itself, holds a letter twice, or repeats an arc")
        } else if !step.has(Move::SCREW) {
            Some("another tool is active")
        } else if step.has(Move::NUMBERED) {
            Some("the lines are numbered")
        } else {
            None
        }
    }

    /// Why the head cannot wait while a layer cools, wherever it goes.
    pub fn cannot_wait(&self) -> Option<&'static str> {
        self.refuses_waits.then_some("the controller takes no G4")
    }

    /// Writes the command alone. It runs under the limits of the file, and under the feed `own` of that, as far as a line
    /// before that of the move can tell it.
    pub fn stay(&mut self, own: FeedWord, step: &Move, feeds: &mut Feeds, lines: &mut LinesBefore<'_>) {
        self.in_force.put_back(lines);
        if let Some(feed) = feeds.put_back(own, step) {
            lines.text.extend_from_slice(b"G1 F");
            write_fixed(lines.text, feed.value, feed.decimals);
            lines.end();
        }
        lines.text.extend_from_slice(self.command.as_bytes());
        lines.end();
        self.in_force.set_again(lines);
    }

    /// Writes the way to the park position, the command, the purge and the way back before a move without an
    /// [obstacle](Self::obstacle). `own`: feed of the file before it; `bears`: gives the acceleration that the part bears along
    /// a way, mm/s². Returns the time it takes but for the waiting, s.
    #[allow(clippy::too_many_arguments, reason = "a stop with what is known of it, and where its lines go")]
    pub fn park(
        &mut self,
        step: &Move,
        track: &Track<'_>,
        drive: &mut Drive,
        feeds: &mut Feeds,
        lines: &mut LinesBefore<'_>,
        (stop, own): (Stop, FeedWord),
        bears: impl Fn([f64; 2]) -> f64,
    ) -> f64 {
        let Some((park, mut trip)) = self.place(stop, step, track) else { return 0.0 };
        let lift_mm = trip.lift_mm;
        let lifts = lift_mm > 0.0;
        // What was set for the move before, or for the next, may be more than the part bears along this way.
        let bears = bears(trip.way);
        let is_held = self.takes_accels && bears < trip.accel(&self.in_force);
        let before = self.in_force.now();
        if is_held {
            trip.bears = accel::rounded(bears);
        }
        let (speed, lift_speed) = (park.speed(step, &self.in_force), park.lift_speed(&self.in_force));
        lines.text.extend_from_slice(AWAY);
        lines.end();
        if lifts {
            trip.write(&[(b'Z', trip.up)], lift_speed, step, feeds, lines);
        }
        let way_s = park.way_s(&trip, step, &self.in_force);
        if is_held {
            self.in_force.set_accel(trip.bears, true, lines);
        }
        let [x, y] = trip.there;
        trip.write(&[(b'X', x), (b'Y', y)], speed, step, feeds, lines);
        drive.wait(way_s);
        let mut time = 2.0 * way_s;
        match stop {
            Stop::ForRefill => {
                self.stay(own, step, feeds, lines);
                if park.purge_mm3 > 0.0 {
                    time += drive.purge(park.purge_mm3, park.purge_mm3_s, step, feeds, lines);
                }
            }
            Stop::ToCool(least_s) => {
                let wait_ms = (1000.0 * (least_s - time)).ceil();
                if wait_ms > 0.0 {
                    lines.text.extend_from_slice(WAIT.as_bytes());
                    lines.text.extend_from_slice(b" P");
                    write_fixed(lines.text, wait_ms, 0);
                    lines.end();
                    drive.wait(1e-3 * wait_ms);
                    time += 1e-3 * wait_ms;
                }
            }
        }
        let [x, y] = trip.back;
        trip.write(&[(b'X', x), (b'Y', y)], speed, step, feeds, lines);
        self.in_force.take_up(before, lines);
        if lifts {
            trip.write(&[(b'Z', trip.down)], lift_speed, step, feeds, lines);
        }
        drive.wait(way_s);
        lines.text.extend_from_slice(BACK);
        lines.end();
        self.parked += u64::from(stop == Stop::ForRefill);
        self.ways += if lifts { 4 } else { 2 };
        self.way_mm += 2.0 * (trip.way_mm + lift_mm);
        time
    }

    /// Where the head goes, and the way there. While a layer cools that is the park position, unless the way there and back
    /// takes longer than the layer needs and the place beside the part is nearer.
    fn place(&self, stop: Stop, step: &Move, track: &Track<'_>) -> Option<(Park, Trip)> {
        let way = |park| (park, Trip::new(&park, step, track, self.highest_mm));
        let ways_s = |(park, trip): &(Park, Trip)| 2.0 * park.way_s(trip, step, &self.in_force);
        match (stop, self.park.map(way), self.beside.map(way)) {
            (Stop::ToCool(least_s), Some(park), Some(beside)) => {
                let is_far = ways_s(&park) > least_s && ways_s(&beside) < ways_s(&park);
                Some(if is_far { beside } else { park })
            }
            (Stop::ForRefill, park, _) => park,
            (Stop::ToCool(_), park, beside) => park.or(beside),
        }
    }

    /// The output has gone past a move, to a place `at`, mm of the machine.
    pub fn pass(&mut self, step: &Move, at: [f64; 3]) {
        if step.kind == Kind::Bead {
            self.highest_mm = self.highest_mm.at_least(at[2]);
        }
        let [x, y, _] = step.delta;
        if step.kind == Kind::Travel && (x != 0.0 || y != 0.0) {
            self.park.iter_mut().chain(&mut self.beside).for_each(|park| park.travel_mm_s = step.speed);
        }
    }
}

/// The park position and how to get there.
#[derive(Clone, Copy, Debug)]
struct Park {
    /// X and Y of the machine, mm.
    place: [f64; 2],
    lift_mm: f64,
    speed_mm_s: Option<f64>,
    purge_mm3: f64,
    purge_mm3_s: f64,
    /// Speed of the file's last travel.
    travel_mm_s: f64,
}

impl Park {
    /// `None`: the profile has no position.
    fn of(profile: &Profile) -> Option<Self> {
        Some(Self::at(profile.machine.park()?, profile))
    }

    fn at(place: [f64; 2], profile: &Profile) -> Self {
        let (hopper, machine) = (&profile.hopper, &profile.machine);
        let capacity = Capacity::of(profile);
        Self {
            place,
            lift_mm: machine.park_lift_mm.value,
            speed_mm_s: machine.park_speed_mm_s.value,
            purge_mm3: hopper.purge_mm3.value,
            // As much as the screw can give for as long as it takes.
            purge_mm3_s: capacity.sustained_mm3_s.min(capacity.peak_mm3_s).min(capacity.screw_mm3_s),
            travel_mm_s: CALM_MM_S,
        }
    }

    /// Time of the way there, s.
    fn way_s(&self, trip: &Trip, step: &Move, now: &InForce) -> f64 {
        let [x, y, z] = now.axis_accels();
        let accel = now.travel_accel();
        let lift_accel = accel.min(z);
        let accel = accel.min(x).min(y).min(trip.bears);
        let lift_s = from_rest(trip.lift_mm, self.lift_speed(now), lift_accel, f64::INFINITY);
        from_rest(trip.way_mm, self.speed(step, now), accel, f64::INFINITY) + lift_s
    }

    /// Of the way, mm/s: never above what profile or file allows.
    fn speed(&self, step: &Move, now: &InForce) -> f64 {
        let wanted = self.speed_mm_s.unwrap_or(self.travel_mm_s);
        let wanted = if wanted > 0.0 { wanted } else { step.speed.max(1.0) };
        let [x, y, ..] = now.of_file().axis_speed;
        wanted.min(now.path_speed()).min(x).min(y)
    }

    /// Of lift and descent, mm/s.
    fn lift_speed(&self, now: &InForce) -> f64 {
        let [_, _, z, _] = now.of_file().axis_speed;
        self.speed_mm_s.unwrap_or(LIFT_MM_S).min(LIFT_MM_S).min(now.path_speed()).min(z)
    }
}

/// The words of one way there and back, in the units and the mode of the line it goes before.
#[derive(Clone, Copy, Debug)]
struct Trip {
    up: Word,
    there: [Word; 2],
    back: [Word; 2],
    down: Word,
    /// Path in the plane, mm.
    way_mm: f64,
    /// The same along X and Y, mm.
    way: [f64; 2],
    /// Of the head before it, mm.
    lift_mm: f64,
    /// Acceleration that is set for it, mm/s²; infinite for none.
    bears: f64,
}

/// A value and its decimals.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Word(f64, u8);

impl Trip {
    /// `highest_mm`: of all beads so far; the head goes as high above them as above the last.
    fn new(park: &Park, step: &Move, track: &Track<'_>, highest_mm: f64) -> Self {
        let (here, in_file) = (track.position(), track.in_file());
        let unit = step.unit_mm();
        let decimals = DECIMALS[usize::from(step.has(Move::INCH))];
        let way = [0, 1].map(|axis| clean(park.place[axis] - here[axis]));
        let way_mm = way[0].hypot(way[1]);
        let (lift_mm, bears) = (park.lift_mm + (highest_mm - here[2]).at_least(0.0), f64::INFINITY);
        let rounded = |mm: f64| Word(rounded(clean(mm / unit), decimals), decimals);
        if step.has(Move::RELATIVE) {
            // The same figures with the other sign lead back to the very place.
            let (up, there) = (rounded(lift_mm), way.map(rounded));
            let reverse = |Word(value, decimals): Word| Word(0.0 - value, decimals);
            return Self { up, there, back: there.map(reverse), down: reverse(up), way_mm, way, lift_mm, bears };
        }
        let exact = |axis: usize| exact(in_file[axis] / unit, decimals);
        Self {
            up: rounded(in_file[2] + lift_mm),
            there: [0, 1].map(|axis| rounded(in_file[axis] + way[axis])),
            back: [exact(0), exact(1)],
            down: exact(2),
            way_mm,
            way,
            lift_mm,
            bears,
        }
    }

    /// Acceleration in force along the way, mm/s²: that of moves without extrusion, and of each axis by its share.
    fn accel(&self, now: &InForce) -> f64 {
        let [x, y, _] = now.axis_accels();
        let [along_x, along_y] = self.way.map(|mm| self.way_mm / mm.abs());
        now.travel_accel().at_most(x * along_x).at_most(y * along_y)
    }

    fn write(&self, words: &[(u8, Word)], speed: f64, step: &Move, feeds: &mut Feeds, lines: &mut LinesBefore<'_>) {
        lines.text.extend_from_slice(b"G1");
        for (letter, Word(value, decimals)) in words {
            lines.text.extend_from_slice(&[b' ', *letter]);
            write_fixed(lines.text, *value, *decimals);
        }
        let feed = feeds.turn(speed, step);
        lines.text.extend_from_slice(b" F");
        write_fixed(lines.text, feed.value, feed.decimals);
        lines.end();
    }
}

/// Without what sums of the way so far leave in the last bits, so that no digit depends on where a block began.
fn clean(value: f64) -> f64 {
    rounded(value, 9)
}

fn rounded(value: f64, decimals: u8) -> f64 {
    let scale = 10.0_f64.powi(i32::from(decimals));
    let quanta = (value * scale).round();
    // Zero has no sign.
    if quanta == 0.0 { 0.0 } else { quanta / scale }
}

/// With as many decimals as the value has, and at least `least`.
fn exact(value: f64, least: u8) -> Word {
    let value = clean(value);
    let fits = |decimals: &u8| (rounded(value, *decimals) - value).abs() < 1e-8;
    let decimals = (least..MOST_DECIMALS).find(fits).unwrap_or(MOST_DECIMALS);
    Word(rounded(value, decimals), decimals)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moves::Side;
    use crate::moves::limits::MotionLimits;
    use crate::moves::track::Anchor;

    #[test]
    fn the_place_to_come_back_to_keeps_its_decimals() {
        assert_eq!(exact(12.5, 3), Word(12.5, 3));
        assert_eq!(exact(12.123_45, 3), Word(12.123_45, 5));
        // What adding up left over is no decimal.
        assert_eq!(exact(0.1 + 0.2, 3), Word(0.3, 3));
        assert_eq!(exact(1.0 / 3.0, 3), Word(0.333_333_3, 7));
        assert_eq!(exact(-1e-12, 3), Word(0.0, 3));
    }

    fn profile(more: &str) -> Profile {
        let text = format!(
            "[machine]\nmax_speed_mm_s = 150\nmax_accel_mm_s2 = 1000\npark_x_mm = 1\npark_y_mm = 1\npark_lift_mm = 5\n{more}"
        );
        Profile::load(&text, "park.toml").expect("a sound profile")
    }

    fn travel(delta: [f64; 3], speed: f64) -> Move {
        Move { kind: Kind::Travel, delta, speed, ..crate::moves::sample::bead(10.0, 0.0) }
    }

    /// Speeds of the way and of the lift, mm/s, behind some moves.
    fn speeds(more: &str, limits: Option<MotionLimits>, moves: &[Move]) -> (f64, f64) {
        let mut pauses = Pauses::of(&profile(more));
        for step in moves {
            pauses.pass(step, [0.0; 3]);
            limits.iter().for_each(|limits| pauses.in_force.follow(limits));
        }
        let (park, now) = (pauses.park.expect("a park position"), pauses.in_force);
        (park.speed(&travel([1.0, 0.0, 0.0], 90.0), &now), park.lift_speed(&now))
    }

    const AXES: &str = "axis_speed_mm_s = [100, 80, 8, 50]\naxis_accel_mm_s2 = [800, 500, 100, 5000]\n";

    #[test]
    fn the_way_is_as_fast_as_the_last_travel_and_within_every_limit() {
        let along = |speed| travel([10.0, 0.0, 0.0], speed);
        let across = |speed| travel([0.0, 10.0, 0.0], speed);
        assert_eq!(speeds("", None, &[]), (50.0, 10.0));
        assert_eq!(speeds("", None, &[along(120.0), across(70.0)]), (70.0, 10.0));
        // Neither a lift nor a bead is a travel, and one without a speed says nothing.
        let bead = Move { kind: Kind::Bead, ..along(30.0) };
        assert_eq!(speeds("", None, &[along(70.0), travel([0.0, 0.0, 1.0], 9.0), bead]), (70.0, 10.0));
        assert_eq!(speeds("", None, &[along(0.0)]), (90.0, 10.0));
        // The machine's, by path and by axis.
        assert_eq!(speeds("", None, &[along(200.0)]), (150.0, 10.0));
        assert_eq!(speeds(AXES, None, &[along(200.0)]), (80.0, 8.0));
        assert_eq!(speeds("axis_speed_mm_s = [60, 80, 8, 50]", None, &[along(200.0)]), (60.0, 8.0));
        // The file's, which lower it and never raise it.
        let path = |speed| Some(MotionLimits { path_speed: Some(speed), ..MotionLimits::default() });
        assert_eq!(speeds("", path(6.0), &[along(120.0)]), (6.0, 6.0));
        assert_eq!(speeds("", path(500.0), &[along(200.0)]), (150.0, 10.0));
        // The profile's own word; spindles lift no faster than 10 mm/s.
        assert_eq!(speeds("park_speed_mm_s = 40", None, &[along(120.0)]), (40.0, 10.0));
        assert_eq!(speeds("park_speed_mm_s = 4", None, &[along(120.0)]), (4.0, 4.0));
    }

    /// From rest to rest a way takes d / v + v / a. 50 mm in the plane at 50 mm/s and 500 mm/s², the slower axis: 1 + 0.1 s; a lift
    /// of 5 mm at 8 mm/s and 100 mm/s²: 0.625 + 0.08 s.
    #[test]
    fn the_time_of_the_way_by_hand() {
        let word = Word(0.0, 3);
        let trip = Trip {
            up: word,
            there: [word; 2],
            back: [word; 2],
            down: word,
            way_mm: 50.0,
            way: [30.0, 40.0],
            lift_mm: 5.0,
            bears: f64::INFINITY,
        };
        let way_s = |more: &str| {
            let Pauses { park, in_force, .. } = Pauses::of(&profile(more));
            park.map(|park| park.way_s(&trip, &travel([1.0, 0.0, 0.0], 90.0), &in_force))
        };
        let near = |got: Option<f64>, s: f64| assert!(got.is_some_and(|got| (got - s).abs() < 1e-9), "{got:?} {s}");
        near(way_s(AXES), 1.805);
        let swapped = AXES.replace("[800, 500,", "[500, 800,");
        near(way_s(&swapped), 1.805);
        // 1000 mm/s² for all, 10 mm/s for the lift: 1.05 + 0.51 s.
        near(way_s(""), 1.56);
    }

    /// 1000 mm/s² and 50 mm/s: 100 mm to the park position take 2.05 s, 50 mm to the place beside the part 1.05 s, and a
    /// lift 0.51 s. There and back 5.12 and 3.12 s.
    #[test]
    fn a_layer_cools_beside_the_part_only_if_that_is_nearer_and_the_park_position_too_far() {
        let anchor = Anchor { index: 0, position: [101.0, 1.0, 0.3], offset: [0.0; 3], known: true };
        let side = Side { anchors: vec![anchor], ..Side::default() };
        let goes = |pauses: &Pauses, stop| {
            let way = pauses.place(stop, &travel([1.0, 0.0, 0.0], 90.0), &Track::of(&side));
            way.map(|(park, trip)| (park.place, trip.way_mm))
        };
        let profile = profile("");
        let mut pauses = Pauses::of(&profile);
        let park = Some(([1.0, 1.0], 100.0));
        assert_eq!(goes(&pauses, Stop::ToCool(5.1)), park);
        pauses.wait_beside(&profile, Some([51.0, 1.0]));
        assert_eq!(goes(&pauses, Stop::ToCool(5.13)), park);
        assert_eq!(goes(&pauses, Stop::ToCool(5.11)), Some(([51.0, 1.0], 50.0)));
        assert_eq!(goes(&pauses, Stop::ForRefill), park);
        pauses.wait_beside(&profile, Some([301.0, 1.0]));
        assert_eq!(goes(&pauses, Stop::ToCool(5.11)), park);
        pauses.park = None;
        assert_eq!(goes(&pauses, Stop::ToCool(0.1)), Some(([301.0, 1.0], 200.0)));
        assert_eq!(goes(&pauses, Stop::ForRefill), None);
    }
}

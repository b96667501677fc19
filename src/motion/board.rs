//! A controller that plans in whole motor steps, over a short queue of moves.
//!
//! Every move is rounded to motor steps first; one with too few of them is not run but joined to the next. Limits of
//! speed and acceleration hold for each axis, the extruder included, and slow the move as a whole. The newest move of
//! the queue must be able to stop, so pieces that are short against the braking distance cost speed. Measured on
//! whole files and by single moves; the facts are those of the planner of a `board` controller.

use std::collections::VecDeque;

use super::bend::{Bend, Bow, Bows};
use super::corner::HalfTurn;
use super::rules::{Held, LEAST_ACCEL, LEAST_SPEED, MotionRules};
use super::{Beside, MOST_ASIDES, Ordered, Replan, Timing, Told, arcs, trapezoid};
use crate::moves::{Kind, Move};
use crate::profile::Corner;
use crate::units::Bounded;

/// Moves that may wait where the look-ahead has no limit; past it, the oldest is settled as the queue stands.
pub const MOST_WAITING: usize = 1 << 14;
/// Moves with fewer steps on every axis are joined to the next.
const LEAST_STEPS: f64 = 6.0;
/// Ramps start and end at this rate at least, steps a second.
const LEAST_RATE: f64 = 120.0;
/// While the queue fills behind a stop, shorter moves are stretched, s.
const STRETCHED_BELOW_S: f64 = 0.02;
/// Moves in the queue while moves are stretched.
const STRETCHED_WHILE: std::ops::RangeInclusive<u32> = 2..=7;
/// Shorter pieces may be parts of an arc, mm.
const ARC_PIECE_MM: f64 = 1.0;
/// Cosine of the turn up to which they are: 45 degrees.
const ARC_PIECE_COSINE: f64 = std::f64::consts::FRAC_1_SQRT_2;
/// Junctions by axis this close to the speeds of a start and a stop are taken as such.
const NEARLY: f64 = 0.99;
/// Added before rounding to the nearest whole, rates are rounded up, but for a ten-thousandth of a step.
const TO_NEXT: f64 = 0.4999;
/// Rates of cruise below are rounded down instead, steps a second. Seen on a whole file at 1 to 2 mm/s, which comes
/// out 0.7 % too fast otherwise; files from 240 steps a second on show rounding up. The cause is not known.
const SLOW_RATE: f64 = 180.0;
/// The controller's own lag compensation is off where a mm of path takes more units of E.
const LAG_E_PER_MM: f64 = 3.0;
/// c/(1 - c) at a right angle, see [`HalfTurn::factors`]: 1 + sqrt 2.
const RIGHT_ANGLE_FACTOR: f64 = 1.0 + std::f64::consts::SQRT_2;
/// Marks a chord that is followed by another of the same arc.
const GOES_ON: u32 = u32::MAX;

/// A move in the queue. Speeds are squared, mm²/s².
#[derive(Clone, Copy, Debug)]
struct Waiting {
    /// Most at its start, for the corner and both speeds.
    most: f64,
    /// Fastest start from which the queue can still stop.
    entry: f64,
    /// Most anywhere, mm/s, not squared.
    cruise: f64,
    /// Change over its length: 2 a L.
    ramp: f64,
    /// Length, mm.
    length: f64,
    /// Acceleration, mm/s².
    accel: f64,
    /// Steps of the axis with most of them for a mm of path.
    rate: f64,
    /// Steps without motion behind it, or [`GOES_ON`].
    behind: u32,
}

/// What the next corner needs of the move before it.
#[derive(Clone, Copy, Debug)]
struct Before {
    /// Direction in X, Y, Z and E together, of length 1.
    direction: [f64; 4],
    /// Speeds of the axes while cruising, mm/s.
    speeds: [f64; 4],
    /// Change of E for a mm of path; 0 without motion.
    e_per_mm: f64,
    /// Speed while cruising, mm/s.
    cruise: f64,
    /// Speed to which it may start and from which it may stop at once, mm/s.
    jump: f64,
}

/// See the module.
#[derive(Clone, Debug)]
pub struct Board<T = Timing> {
    /// At the start of the file.
    base: MotionRules,
    /// As the file sets them.
    file: MotionRules,
    /// In force.
    rules: MotionRules,
    /// What the output sets over it.
    held: Held,
    /// Where the file is, mm from where it started, and units of E.
    at: [f64; 4],
    /// mm for one motor step of each axis.
    mm_per_step: [f64; 4],
    /// Where the motors are, steps.
    steps: [f64; 4],
    queue: VecDeque<Waiting>,
    /// The last of the queue; `None` behind a full stop.
    before: Option<Before>,
    /// Moves since the last full stop.
    since_stop: u32,
    /// Speed at which the first of the queue starts, mm/s.
    start: f64,
    /// How many of the queue no later move can change.
    sure: usize,
    /// Longest queue.
    most: usize,
    /// Steps without motion behind all that wait.
    asides: usize,
    /// What there is of an arc whose last chord is not settled.
    arc: Option<Timing>,
    settled: Vec<T>,
}

impl Board {
    /// A machine at rest.
    pub fn new(rules: &MotionRules) -> Self {
        Self::telling(rules)
    }
}

impl<T: Told> Board<T> {
    /// A machine at rest.
    pub fn telling(rules: &MotionRules) -> Self {
        Self {
            base: *rules,
            file: *rules,
            rules: *rules,
            held: Held::default(),
            at: [0.0; 4],
            mm_per_step: rules.steps_per_mm.map(|steps| 1.0 / steps),
            steps: [0.0; 4],
            queue: VecDeque::new(),
            before: None,
            since_stop: 0,
            start: 0.0,
            sure: 0,
            // Of the moves looked ahead at, one is being run and another has just been, so that is not filled again.
            most: rules.look_ahead.map_or(MOST_WAITING, |moves| moves.saturating_sub(1).clamp(2, MOST_WAITING)),
            asides: 0,
            arc: None,
            settled: Vec::new(),
        }
    }

    /// Moves that wait: pushed and not settled.
    pub fn waiting(&self) -> usize {
        self.queue.len()
    }

    /// A step that takes no time and stops nothing.
    fn aside(&mut self) {
        match self.queue.back_mut() {
            Some(last) if self.asides < MOST_ASIDES => {
                last.behind += 1;
                self.asides += 1;
            }
            _ => {
                self.stop();
                self.settled.push(T::default());
            }
        }
    }

    /// Settles all that waits: the machine comes to rest behind it.
    fn stop(&mut self) {
        self.sure = self.queue.len();
        self.settle();
        self.before = None;
        self.since_stop = 0;
    }

    /// The last chord of an arc was joined to what follows: the arc ends with the chord before it.
    fn end_arc(&mut self) {
        match self.queue.back_mut() {
            Some(last) if last.behind == GOES_ON => last.behind = 0,
            _ => self.aside(),
        }
    }

    /// A straight move, or a chord of an arc. `radius`: of the arc that turns into this chord, mm.
    fn line(&mut self, delta: [f64; 4], speed: f64, accel: f64, radius: Option<f64>, behind: u32) {
        let rules = &self.rules;
        let mut path = [0.0; 4];
        let (mut most_steps, mut most_xyz) = (0.0_f64, 0.0_f64);
        let mut target = self.steps;
        for axis in 0..4 {
            self.at[axis] += delta[axis];
            target[axis] = nearest_whole(self.at[axis] * rules.steps_per_mm[axis]);
            let steps = (target[axis] - self.steps[axis]).abs();
            most_steps = most_steps.at_least(steps);
            if axis < 3 {
                most_xyz = most_xyz.at_least(steps);
            }
            path[axis] = (target[axis] - self.steps[axis]) * self.mm_per_step[axis];
        }
        if most_steps < LEAST_STEPS {
            if behind != GOES_ON {
                self.end_arc();
            }
            return;
        }
        self.steps = target;
        let moves = most_xyz >= LEAST_STEPS;
        let length =
            if moves { (path[0] * path[0] + path[1] * path[1] + path[2] * path[2]).sqrt() } else { path[3].abs() };
        let length = length.at_least(1e-9);
        let per_mm = 1.0 / length;
        let direction = path.map(|axis| axis * per_mm);
        let base = match (moves, path[3] != 0.0) {
            (false, _) => rules.e_only_accel,
            (true, true) => rules.print_accel,
            (true, false) => rules.travel_accel,
        };
        let mut cruise = speed.at_most(rules.path_speed);
        if self.before.is_some() && STRETCHED_WHILE.contains(&self.since_stop) {
            let time = length / cruise;
            if time < STRETCHED_BELOW_S {
                let longer = 2.0 * (STRETCHED_BELOW_S - time) / f64::from(self.since_stop);
                cruise = length / (time + longer);
            }
        }
        let mut own = base.at_most(accel);
        if !moves {
            cruise = cruise.at_most(rules.e_only_speed);
        }
        (cruise, own) = rules.within_axes(&direction, cruise, own);
        if rules.e_lag_s > 0.0 && moves && direction[3] > 0.0 && direction[3] <= LAG_E_PER_MM {
            own = own.at_most(e_step(rules) / (rules.e_lag_s * direction[3]));
        }
        let (cruise, own) = (cruise.at_least(LEAST_SPEED), own.at_least(LEAST_ACCEL));
        let now = Before {
            direction: if path[3] == 0.0 || !moves { direction } else { unit(direction) },
            speeds: direction.map(|axis| axis * cruise),
            e_per_mm: if moves { direction[3] } else { 0.0 },
            cruise,
            jump: jump(rules, &direction, cruise),
        };
        let most = match &self.before {
            Some(before) => corner(rules, before, &now, own, length, radius),
            None => now.jump,
        };
        let (ramp, most) = (2.0 * own * length, most.at_most(cruise));
        if self.before.is_none() {
            self.start = most;
        }
        let stop = now.jump * now.jump;
        self.before = Some(now);
        self.since_stop = self.since_stop.saturating_add(1);
        let most = most * most;
        let waiting = Waiting {
            most,
            entry: most.at_most(stop + ramp),
            cruise,
            ramp,
            length,
            accel: own,
            rate: most_steps * per_mm,
            behind,
        };
        self.queue.push_back(waiting);
        self.plan();
    }

    /// Takes the newest move into the plan, and settles what no later one can change.
    fn plan(&mut self) {
        let newest = self.queue.len() - 1;
        let Some(mut next) = self.queue.back().map(|last| last.entry) else { return };
        if self.queue.back().is_some_and(|last| last.entry >= last.most) {
            self.sure = newest;
        }
        // Back to the first move whose start does not change.
        for index in (0..newest).rev() {
            let Some(step) = self.queue.get_mut(index) else { break };
            let entry = step.most.at_most(next + step.ramp);
            if entry == step.entry {
                break;
            }
            step.entry = entry;
            next = entry;
            if entry >= step.most {
                self.sure = self.sure.max(index);
            }
        }
        if self.queue.len() >= self.most {
            self.sure = self.sure.max(1);
        }
        self.settle();
    }

    /// Turns the moves at the front whose plan stands into timings.
    fn settle(&mut self) {
        while self.sure > 0
            && let Some(step) = self.queue.pop_front()
        {
            self.sure -= 1;
            let reach = self.start * self.start + step.ramp;
            let exit = match (self.queue.front(), &self.before) {
                (Some(next), _) => next.entry.at_most(reach),
                (None, Some(last)) => (last.jump * last.jump).at_most(reach),
                (None, None) => 0.0,
            };
            let exact_exit = exit.sqrt();
            let (rate, per_rate) = (step.cruise * step.rate, 1.0 / step.rate);
            let round = if rate < SLOW_RATE { -TO_NEXT } else { TO_NEXT };
            let top = nearest_whole(rate + round).at_least(1.0) * per_rate;
            let whole = |speed: f64| nearest_whole(speed * step.rate + TO_NEXT).at_least(LEAST_RATE) * per_rate;
            let (entry_speed, exit_speed) = (whole(self.start).at_most(top), whole(exact_exit).at_most(top));
            let peak = trapezoid::peak_sq(entry_speed * entry_speed, exit_speed * exit_speed, step.ramp);
            let top = if peak < top * top { peak.sqrt().at_least(entry_speed).at_least(exit_speed) } else { top };
            let time = trapezoid::time(step.length, entry_speed, top, exit_speed, step.accel);
            self.start = exact_exit;
            let (accel, by_length) = (step.accel, [f32::INFINITY; 2]);
            self.hand_out(Timing { entry: entry_speed, top, exit: exit_speed, accel, time, by_length }, step.behind);
        }
    }

    fn hand_out(&mut self, timing: Timing, behind: u32) {
        let timing = if behind == GOES_ON || self.arc.is_some() { arcs::join(self.arc.take(), timing) } else { timing };
        if behind == GOES_ON {
            self.arc = Some(timing);
            return;
        }
        self.settled.push(T::of(timing));
        if behind > 0 {
            self.settled.extend(std::iter::repeat_n(T::default(), behind as usize));
            self.asides -= behind as usize;
        }
    }
}

impl<T: Told> Replan for Board<T> {
    type Told = T;

    /// E is a part of the corners here, and paths are rounded to steps with it.
    fn bends<'a>(&mut self, _: impl Iterator<Item = (&'a Move, Beside<'a>)>, _: &mut [Bend], _: &mut Vec<Bow>) {}

    fn push_bent(&mut self, step: &Move, beside: Beside<'_>, _: &Bend, _: &mut Bows<'_>, ordered: Ordered) {
        let Ordered { kind, e, speed, accel } = ordered;
        let [x, y, z] = step.delta;
        match kind {
            Kind::Bead | Kind::Travel | Kind::MovingTurn => match beside.arc {
                Some(arc) => {
                    let chords = arcs::pieces_by_angle(step.length, arc.arc.sweep);
                    let mut from = arc.from;
                    for k in 1..=chords {
                        let to = arc.point(f64::from(k) / f64::from(chords));
                        let delta = [to[0] - from[0], to[1] - from[1], to[2] - from[2], e / f64::from(chords)];
                        let behind = if k < chords { GOES_ON } else { 0 };
                        let radius = (k > 1).then_some(arc.arc.radius);
                        self.line(delta, speed, accel, radius, behind);
                        from = to;
                    }
                }
                None => self.line([x, y, z, e], speed, accel, None, 0),
            },
            Kind::EIn | Kind::EOut => self.line([0.0, 0.0, 0.0, e], speed, accel, None, 0),
            Kind::Dwell | Kind::Stop | Kind::Pause | Kind::Home | Kind::End => {
                self.stop();
                self.settled.push(T::of(Timing { time: step.wait_s, ..Timing::default() }));
            }
            Kind::Limits => {
                let lag_s = self.rules.e_lag_s;
                if let Some(limits) = beside.limits {
                    self.file = self.base.with(limits);
                    self.held.follow(limits, &self.file);
                    self.rules = self.held.over(self.file);
                }
                if self.rules.e_lag_s != lag_s {
                    self.stop();
                }
                self.aside();
            }
            Kind::SetE | Kind::KeptE | Kind::SetEOut | Kind::SetEIn | Kind::Feed | Kind::FeedUser => self.aside(),
        }
    }

    fn hold(&mut self, held: Held) {
        self.held = held;
        self.rules = held.over(self.file);
    }

    fn end(&mut self) {
        self.stop();
    }

    fn settled(&mut self) -> &mut Vec<T> {
        &mut self.settled
    }
}

/// The whole number nearest to `value`, for magnitudes below 2^51: adding 1.5 * 2^52 leaves no place for a fraction.
/// The library's own rounding is a call on many machines.
fn nearest_whole(value: f64) -> f64 {
    const SHIFT: f64 = 6_755_399_441_055_744.0;
    (value + SHIFT) - SHIFT
}

fn unit(v: [f64; 4]) -> [f64; 4] {
    let norm = (v[0] * v[0] + v[1] * v[1] + v[2] * v[2] + v[3] * v[3]).sqrt();
    if norm > 0.0 {
        let scale = 1.0 / norm;
        v.map(|axis| axis * scale)
    } else {
        v
    }
}

/// Speed to which a move may start and from which it may stop at once, mm/s.
fn jump(rules: &MotionRules, direction: &[f64; 4], cruise: f64) -> f64 {
    let Corner::AxisStep(steps) = rules.corner else { return 0.0 };
    let mut speed = cruise;
    for (step, axis) in steps.iter().zip(direction) {
        if axis.abs() * speed > *step {
            speed = step / axis.abs();
        }
    }
    speed
}

/// Change of the extruder's speed that the controller's own lag compensation may ask for at once, E units a second:
/// the step of its axis, or the speed at which the extruder alone might turn a right angle.
fn e_step(rules: &MotionRules) -> f64 {
    match rules.corner {
        Corner::AxisStep([_, _, _, step]) => step,
        Corner::RightAngleSpeed(speed) => speed,
        Corner::Deviation(deviation) => (rules.axis_accel[3] * deviation * RIGHT_ANGLE_FACTOR).sqrt(),
    }
}

/// Speed through the corner between two moves, mm/s; at most that of both.
fn corner(rules: &MotionRules, before: &Before, now: &Before, accel: f64, length: f64, radius: Option<f64>) -> f64 {
    let slower = before.cruise.at_most(now.cruise);
    let change = (now.e_per_mm - before.e_per_mm).abs();
    let slower = if change * slower > rules.e_step { rules.e_step / change } else { slower };
    let Some(deviation) = rules.deviation(accel) else {
        let Corner::AxisStep(steps) = rules.corner else { return slower };
        return by_axis(&steps, before, now).at_most(slower);
    };
    let (a, b) = (&before.direction, &now.direction);
    let half = HalfTurn::of_cosine(a[0] * b[0] + a[1] * b[1] + a[2] * b[2] + a[3] * b[3]);
    if half.sin == 0.0 {
        return slower;
    }
    // The change of direction has the length 2 sin(phi/2).
    let (mut along, per_length) = (accel, 0.5 / half.sin);
    for axis in 0..4 {
        let share = (b[axis] - a[axis]).abs() * per_length;
        if along * share > rules.axis_accel[axis] {
            along = rules.axis_accel[axis] / share;
        }
    }
    if let Some(radius) = radius {
        return (along * radius).sqrt().at_most(slower);
    }
    let mut square = along * deviation * half.factors()[0];
    if length < ARC_PIECE_MM && 2.0 * half.cos * half.cos - 1.0 > ARC_PIECE_COSINE {
        square = square.at_most(length * along / turn(half.sin));
    }
    if square < slower * slower { square.sqrt() } else { slower }
}

/// The turn, rad, from the sine of its half: twice the series of the arc sine, to 1e-5 of it up to 45 degrees.
fn turn(sin: f64) -> f64 {
    let sq = sin * sin;
    2.0 * sin * (1.0 + sq * (1.0 / 6.0 + sq * (3.0 / 40.0 + sq * (15.0 / 336.0 + sq * (105.0 / 3456.0)))))
}

/// Speed at which no axis changes its speed by more than its step, mm/s.
fn by_axis(steps: &[f64; 4], before: &Before, now: &Before) -> f64 {
    // The corner is taken at the slower speed of both; only the move before is scaled to it.
    let (slower, scale) =
        if now.cruise < before.cruise { (now.cruise, now.cruise / before.cruise) } else { (before.cruise, 1.0) };
    let mut factor = 1.0;
    for ((step, a), b) in steps.iter().zip(before.speeds).zip(now.speeds) {
        let (out, into) = (a * scale * factor, b * factor);
        // An axis that turns back stops in between.
        let change = if out * into < 0.0 { out.abs().at_least(into.abs()) } else { (into - out).abs() };
        if change > *step {
            factor *= step / change;
        }
    }
    let speed = slower * factor;
    // Where both moves may start and stop faster than that at once, they do.
    if before.jump > speed * NEARLY && now.jump > speed * NEARLY { now.jump } else { speed }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::Profile;

    fn rules(look_ahead: Option<usize>) -> MotionRules {
        let profile = Profile::load("[controller]\npreset = \"board\"\n", "board.toml").expect("a sound profile");
        MotionRules { look_ahead, travel_accel: 1000.0, ..MotionRules::of(&profile) }
    }

    #[test]
    fn without_a_limit_it_looks_ahead_as_far_as_there_are_moves() {
        let mut board = Board::new(&rules(None));
        for _ in 0..1000 {
            board.line([1.0, 0.0, 0.0, 0.0], 200.0, f64::INFINITY, None, 0);
        }
        // Up to 200 in 20 mm, and down again from 20 mm before the end; what lies between is settled at once.
        assert!(board.waiting() < 30, "{}", board.waiting());
        board.end();
        let top = board.settled.iter().filter(|timing| timing.top > 199.9).count();
        assert!((958..=964).contains(&top), "{top}");
    }

    /// The plan of a queue worked out anew for each move.
    #[test]
    fn the_plan_of_the_queue_is_that_of_a_fresh_look_at_it() {
        let rules = rules(Some(15));
        let mut board = Board::new(&rules);
        let pieces: Vec<f64> = (0..400).map(|k| 0.1 + f64::from(k * 37 % 29) * 0.05).collect();
        for piece in &pieces {
            board.line([*piece, 0.0, 0.0, 0.0], 200.0, f64::INFINITY, None, 0);
            // From a stop behind the newest back to the front.
            let mut entry = 0.0;
            for step in board.queue.iter().rev() {
                entry = step.most.min(entry + step.ramp);
                assert!((step.entry - entry).abs() < 1e-9 * entry.max(1.0), "{step:?} {entry}");
            }
            assert!(board.waiting() <= 14);
        }
    }

    #[test]
    fn whole_numbers_and_turns() {
        for (value, whole) in [(0.4, 0.0), (0.6, 1.0), (-1.7, -2.0), (123_456_789.3, 123_456_789.0)] {
            assert_eq!(nearest_whole(value), whole);
        }
        for degrees in [0.1_f64, 5.0, 20.0, 45.0] {
            let exact = degrees.to_radians();
            assert!((turn((0.5 * exact).sin()) / exact - 1.0).abs() < 1e-5, "{degrees}");
        }
    }
}

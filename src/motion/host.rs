//! A controller that plans in real numbers, as far ahead as there are moves.
//!
//! Squared speeds add up along a path, so all plans are chains of sums and minima. There are two of them: the *real*
//! one, which keeps to the acceleration, and a *calm* one, which keeps to a share of it. Where the calm one rises and
//! falls again, its peak bounds the speed of every move of that hill; so short moves cruise for a while instead of
//! speeding up to brake at once. Measured on whole files and by single moves; the facts are those of the planner of a
//! `host` controller.

use super::corner::{HalfTurn, squared_speed};
use super::rules::{Held, LEAST_ACCEL, LEAST_SPEED, MotionRules};
use super::{Beside, MOST_ASIDES, Ordered, Plan, Timing, arcs, trapezoid};
use crate::moves::{Kind, Move};
use crate::profile::Corner;
use crate::units::Bounded;

/// Moves that wait before it is first tried which of them are settled.
const FIRST_LOOK: usize = 64;
/// Moves that may wait. At this number a stop is planned behind the last. It takes a ramp over more than ten
/// thousand moves to get there.
pub const MOST_WAITING: usize = 1 << 14;
/// Shorter paths are none, mm: what is left of rounding.
const LEAST_PATH: f64 = 1e-9;
/// Marks a chord that is followed by another of the same arc.
const GOES_ON: u32 = u32::MAX;

/// A move that waits for what comes behind it. Speeds are squared, mm²/s².
#[derive(Clone, Copy, Debug)]
struct Waiting {
    /// Most at its start, for all that came before.
    start: f64,
    /// Most anywhere.
    cruise: f64,
    /// Change over its length: 2 a L.
    ramp: f64,
    /// Most at its start in the calm plan.
    calm_start: f64,
    /// Change over its length in the calm plan.
    calm_ramp: f64,
    /// Length, mm.
    length: f64,
    /// Acceleration, mm/s².
    accel: f64,
    /// As in [`Timing::by_length`], of the corner at its start.
    by_length: f32,
    /// Steps without motion behind it, or [`GOES_ON`].
    behind: u32,
}

/// What a corner needs of the moves on both sides.
#[derive(Clone, Copy, Debug, Default)]
struct Corners {
    /// Change of X, Y, Z and E over its path, each for a mm of it.
    direction: [f64; 4],
    /// Acceleration times the deviation allowed at corners, mm²/s².
    deviation: f64,
    /// Half of acceleration times length, mm²/s².
    midpoint: f64,
}

/// The move before the next, and how fast that can begin. Speeds are squared, mm²/s².
#[derive(Clone, Copy, Debug, Default)]
struct Before {
    corners: Corners,
    /// Most anywhere on it, 0 at rest, like what follows.
    cruise: f64,
    /// Most at its end, for all that came before it.
    reach: f64,
    /// Most at its end in the calm plan.
    calm_reach: f64,
}

/// See the module.
#[derive(Clone, Debug)]
pub struct Host {
    /// At the start of the file.
    base: MotionRules,
    /// As the file sets them.
    file: MotionRules,
    /// In force.
    rules: MotionRules,
    /// What the output sets over it.
    held: Held,
    /// Up to this speed and acceleration no axis bounds a path.
    free: (f64, f64),
    /// An acceleration and the deviation allowed at it: most moves have the same as the one before.
    deviation: (f64, f64),
    /// The run of moves since the last full stop, without those already settled.
    waiting: Vec<Waiting>,
    /// The last of the run.
    before: Before,
    /// Speed at which the first of them starts, mm/s.
    entry: f64,
    /// How many may wait before it is looked which are settled.
    look_at: usize,
    /// Steps without motion behind all that wait.
    asides: usize,
    /// What there is of an arc whose last chord is not settled.
    arc: Option<Timing>,
    settled: Vec<Timing>,
}

impl Host {
    /// A machine at rest.
    pub fn new(rules: &MotionRules) -> Self {
        Self {
            base: *rules,
            file: *rules,
            rules: *rules,
            held: Held::default(),
            free: rules.slowest_axis(),
            deviation: (f64::NAN, 0.0),
            waiting: Vec::new(),
            entry: 0.0,
            before: Before::default(),
            look_at: FIRST_LOOK,
            asides: 0,
            arc: None,
            settled: Vec::new(),
        }
    }

    /// Here the output sets limits over those of the file.
    pub fn hold(&mut self, held: Held) {
        self.held = held;
        self.rules = held.over(self.file);
        self.free = self.rules.slowest_axis();
        self.deviation.0 = f64::NAN;
    }

    /// Moves that wait: pushed and not settled.
    pub fn waiting(&self) -> usize {
        self.waiting.len()
    }

    /// A step that takes no time and stops nothing.
    fn aside(&mut self) {
        match self.waiting.last_mut() {
            Some(last) if self.asides < MOST_ASIDES => {
                last.behind += 1;
                self.asides += 1;
            }
            _ => {
                self.stop();
                self.settled.push(Timing::default());
            }
        }
    }

    /// The machine comes to rest; then something else takes `time`.
    fn rest(&mut self, time: f64) {
        self.stop();
        self.settled.push(Timing { time, ..Timing::default() });
    }

    /// Settles all that waits: the machine comes to rest behind it.
    fn stop(&mut self) {
        self.settle(self.waiting.len(), Behind::REST);
        self.entry = 0.0;
        self.before = Before::default();
        self.look_at = FIRST_LOOK;
    }

    /// The extruder alone: from rest to rest.
    fn e_only(&mut self, length: f64, speed: f64, accel: f64) {
        self.stop();
        let set = self.rules.print_accel.at_most(accel).at_least(LEAST_ACCEL);
        let own = self.rules.e_only_accel.at_most(accel).at_least(LEAST_ACCEL);
        let top = speed.at_most(self.rules.e_only_speed).at_least(LEAST_SPEED);
        let calm = (set * (1.0 - self.rules.min_cruise_share)).at_most(own);
        let top = (top * top).at_most(calm * length).sqrt();
        self.settled.push(Timing {
            top,
            accel: own,
            time: trapezoid::time(length, 0.0, top, 0.0, own),
            ..Timing::default()
        });
    }

    /// A straight move, or a chord of an arc. `delta` along X, Y, Z, `e` over all of it.
    fn line(&mut self, delta: [f64; 3], length: f64, e: f64, speed: f64, accel: f64, behind: u32) {
        let per_mm = 1.0 / length;
        let direction = [delta[0] * per_mm, delta[1] * per_mm, delta[2] * per_mm, e * per_mm];
        let rules = &self.rules;
        let set = if e == 0.0 { rules.travel_accel } else { rules.print_accel }.at_most(accel).at_least(LEAST_ACCEL);
        let mut own = set;
        let mut top = speed.at_most(rules.path_speed);
        // Limits of the extruder hold only where it turns back or nothing moves along X and Y.
        if e < 0.0 || e > 0.0 && delta[0] == 0.0 && delta[1] == 0.0 {
            let by_e = 1.0 / direction[3].abs();
            top = top.at_most(rules.e_only_speed * by_e);
            own = own.at_most(rules.e_only_accel * by_e);
        }
        if top > self.free.0 || own > self.free.1 {
            let [x, y, z, _] = direction;
            (top, own) = rules.within_axes(&[x, y, z], top, own);
        }
        if set != self.deviation.0 {
            self.deviation = (set, rules.deviation(set).unwrap_or(0.0));
        }
        let top = top.at_least(LEAST_SPEED);
        let (cruise, twice) = (top * top, 2.0 * length);
        let ramp = twice * own;
        let calm_ramp = (twice * set * (1.0 - rules.min_cruise_share)).at_most(ramp);
        let corners = Corners { direction, deviation: own * self.deviation.1, midpoint: 0.25 * ramp };
        let before = &self.before;
        let most = cruise.at_most(before.cruise).at_most(before.reach);
        let (start, by_length) = corner(rules, &before.corners, &corners, most);
        let calm_start = start.at_most(before.calm_reach);
        self.before = Before { corners, cruise, reach: start + ramp, calm_reach: calm_start + calm_ramp };
        self.waiting.push(Waiting {
            start,
            cruise,
            ramp,
            calm_start,
            calm_ramp,
            length,
            accel: own,
            by_length,
            behind,
        });
        if self.waiting.len() >= self.look_at {
            self.look();
        }
    }

    /// Settles what no later move can change.
    fn look(&mut self) {
        let found = self.first_open();
        if let Some((open, behind)) = found {
            self.settle(open, behind);
        }
        if self.waiting.len() >= MOST_WAITING {
            self.stop();
        }
        self.look_at = FIRST_LOOK.max(2 * self.waiting.len()).min(MOST_WAITING);
    }

    /// The first move that has to wait, and what the moves before it need to know of the plan behind them.
    ///
    /// The plan is followed back from a stop behind the last move. Any other end would be faster; from where a chain
    /// is held down by the moves before it, the end makes no difference. From there on the first peak of the calm
    /// plan parts what is settled from what is not.
    fn first_open(&self) -> Option<(usize, Behind)> {
        let mut behind = Behind::REST;
        let (mut sure, mut calm_sure, mut after_fall) = (false, false, false);
        for (index, step) in self.waiting.iter().enumerate().rev() {
            let exact = sure && calm_sure;
            let here = step.plan(behind);
            sure |= here.start >= step.start;
            calm_sure |= here.calm >= step.calm_start;
            if exact {
                let rises = here.rises();
                if rises && (after_fall || here.turns(behind)) {
                    return Some((index, Behind { start: here.start, calm: here.calm, peak: here.peak(step) }));
                }
                after_fall = !rises;
            }
            behind = Behind { start: here.start, calm: here.calm, peak: behind.peak };
        }
        None
    }

    /// Settles the first `count` moves.
    fn settle(&mut self, count: usize, mut behind: Behind) {
        let end = behind.start;
        let Some(run) = self.waiting.get_mut(..count).filter(|run| !run.is_empty()) else { return };
        // From the end of the run: `start` and `cruise` become those of the plan. Moves on the falling side of a
        // hill wait for its peak; they are the ones from `index + 1` up to `fall`.
        let mut fall = 0;
        let mut falling = false;
        for index in (0..run.len()).rev() {
            let Some(step) = run.get_mut(index) else { break };
            let here = step.plan(behind);
            let reach = behind.start + step.ramp;
            if here.rises() {
                if falling || here.turns(behind) {
                    behind.peak = here.peak(step);
                }
                step.cruise = step.cruise.at_most(behind.peak).at_most(0.5 * (here.start + reach));
                step.start = here.start.at_most(step.cruise);
                if falling {
                    descend(run.get_mut(index + 1..=fall).unwrap_or_default(), behind.peak);
                    falling = false;
                }
            } else {
                if !falling {
                    (falling, fall) = (true, index);
                }
                step.start = here.start;
            }
            behind = Behind { start: here.start, calm: here.calm, peak: behind.peak };
        }
        if falling {
            descend(run.get_mut(..=fall).unwrap_or_default(), f64::INFINITY);
        }
        self.hand_out(count, end);
    }

    /// Turns the first `count` moves, whose plan stands, into timings. `end`: squared speed at the start of the next.
    fn hand_out(&mut self, count: usize, end: f64) {
        let mut run = self.waiting.get(..count).unwrap_or_default().iter();
        let end_by_length = self.waiting.get(count).map_or(f32::INFINITY, |next| next.by_length);
        let mut entry = self.entry;
        let (mut accel, mut half) = (f64::NAN, 0.0);
        self.settled.reserve(count);
        let mut here = run.next();
        while let Some(step) = here {
            here = run.next();
            let next = here.map_or(end, |next| next.start).at_most(step.cruise);
            let (top, exit) = (step.cruise.sqrt(), next.sqrt());
            // Most moves have the acceleration of the one before.
            if step.accel != accel {
                (accel, half) = (step.accel, 0.5 / step.accel);
            }
            let time = trapezoid::time_by(step.length, entry, top, exit, half);
            let by_length = [step.by_length, here.map_or(end_by_length, |next| next.by_length)];
            let timing = Timing { entry, top, exit, accel: step.accel, time, by_length };
            entry = exit;
            if step.behind == 0 && self.arc.is_none() {
                self.settled.push(timing);
                continue;
            }
            let sum = arcs::join(self.arc.take(), timing);
            if step.behind == GOES_ON {
                self.arc = Some(sum);
            } else {
                self.settled.push(sum);
                self.settled.extend(std::iter::repeat_n(Timing::default(), step.behind as usize));
                self.asides -= step.behind as usize;
            }
        }
        self.entry = entry;
        self.waiting.drain(..count);
    }
}

impl Plan for Host {
    fn push(&mut self, step: &Move, beside: Beside<'_>, ordered: Ordered) {
        let Ordered { kind, e, speed, accel } = ordered;
        match kind {
            Kind::Bead | Kind::Travel | Kind::MovingEOut => match beside.arc {
                Some(arc) => {
                    let chords = arcs::pieces_by_length(step.length);
                    let mut from = arc.from;
                    for k in 1..=chords {
                        let to = arc.point(f64::from(k) / f64::from(chords));
                        let delta = [to[0] - from[0], to[1] - from[1], to[2] - from[2]];
                        let length = (delta[0] * delta[0] + delta[1] * delta[1] + delta[2] * delta[2]).sqrt();
                        let behind = if k < chords { GOES_ON } else { 0 };
                        self.line(delta, length.at_least(LEAST_PATH), e / f64::from(chords), speed, accel, behind);
                        from = to;
                    }
                }
                None if step.length >= LEAST_PATH => self.line(step.delta, step.length, e, speed, accel, 0),
                None if e != 0.0 => self.e_only(e.abs(), speed, accel),
                None => self.aside(),
            },
            Kind::EIn | Kind::EOut => self.e_only(e.abs(), speed, accel),
            Kind::Dwell | Kind::Stop => self.rest(step.time),
            Kind::Limits => {
                let lagged = self.rules.e_lag_s > 0.0;
                if let Some(limits) = beside.limits {
                    self.file = self.base.with(limits);
                    self.held.follow(limits, &self.file);
                    self.rules = self.held.over(self.file);
                    self.free = self.rules.slowest_axis();
                    self.deviation.0 = f64::NAN;
                }
                // Its own lag compensation is switched on and off at rest only.
                if (self.rules.e_lag_s > 0.0) != lagged {
                    self.stop();
                }
                self.aside();
            }
            Kind::SetE | Kind::SetEOut | Kind::SetEIn | Kind::Feed | Kind::FeedUser => self.aside(),
        }
    }

    fn finish(&mut self) {
        self.stop();
    }

    fn hand_over(&mut self, out: &mut Vec<Timing>) {
        if out.is_empty() {
            std::mem::swap(out, &mut self.settled);
        } else {
            out.append(&mut self.settled);
        }
    }
}

/// The plan behind a move, followed back to its end. Squared speeds, mm²/s².
#[derive(Clone, Copy, Debug)]
struct Behind {
    start: f64,
    calm: f64,
    /// Peak of the calm plan's next hill.
    peak: f64,
}

impl Behind {
    /// The machine at rest.
    const REST: Self = Self { start: 0.0, calm: 0.0, peak: 0.0 };
}

/// The plan at the start of a move. Squared speeds, mm²/s².
#[derive(Clone, Copy, Debug)]
struct Here {
    start: f64,
    calm: f64,
    /// Fastest start from which the calm plan can brake to what is behind.
    calm_reach: f64,
    calm_ramp: f64,
}

impl Waiting {
    #[inline]
    fn plan(&self, behind: Behind) -> Here {
        let calm_reach = behind.calm + self.calm_ramp;
        Here {
            start: self.start.at_most(behind.start + self.ramp),
            calm: self.calm_start.at_most(calm_reach),
            calm_reach,
            calm_ramp: self.calm_ramp,
        }
    }
}

impl Here {
    /// The calm plan need not brake all along the move.
    #[inline]
    fn rises(&self) -> bool {
        self.calm < self.calm_reach
    }

    /// It need not speed up all along the move either.
    #[inline]
    fn turns(&self, behind: Behind) -> bool {
        self.calm + self.calm_ramp > behind.calm
    }

    /// Its highest point inside the move.
    #[inline]
    fn peak(&self, step: &Waiting) -> f64 {
        step.cruise.at_most(0.5 * (self.calm + self.calm_reach))
    }
}

/// Plans the falling side of a hill: no move of it speeds up, and none is above the peak.
fn descend(run: &mut [Waiting], peak: f64) {
    let mut most = peak;
    for step in run {
        most = most.at_most(step.start);
        step.cruise = step.cruise.at_most(most);
        step.start = most;
    }
}

/// Squared speed through the corner between two moves, mm²/s², at most `most`, and by what their lengths bound it, as in
/// [`Timing::by_length`].
fn corner(rules: &MotionRules, before: &Corners, now: &Corners, most: f64) -> (f64, f32) {
    let (a, b) = (&before.direction, &now.direction);
    let mut least = most;
    let change = (b[3] - a[3]).abs();
    // v <= step/change, squared; a jump of 0 bounds nothing.
    if change > 0.0 && rules.e_step < f64::INFINITY {
        let speed = rules.e_step / change;
        least = least.at_most(speed * speed);
    }
    if let Corner::AxisStep(steps) = rules.corner {
        for (axis, step) in steps.iter().enumerate() {
            let change = (b[axis] - a[axis]).abs();
            if change > 0.0 {
                least = least.at_most((step / change) * (step / change));
            }
        }
        return (least, f32::INFINITY);
    }
    let half = HalfTurn::of_cosine(a[0] * b[0] + a[1] * b[1] + a[2] * b[2]);
    let (deviation, midpoint) = (before.deviation.at_most(now.deviation), before.midpoint.at_most(now.midpoint));
    (squared_speed(half, deviation, midpoint, least), half.midpoint_factor() as f32)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::Profile;

    /// Moves of all sizes from a small generator of random numbers; long stretches without a stop.
    fn run(host: &mut Host, count: u32, seed: u64, each: impl Fn(&mut Host)) {
        let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
        let mut random = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (state >> 40) as f64 / (1 << 24) as f64
        };
        for _ in 0..count {
            let (length, speed) = (10_f64.powf(2.0 * random() - 1.5), 10_f64.powf(1.0 + 1.5 * random()));
            let turn = if random() < 0.9 { 0.2 * (random() - 0.5) } else { 6.0 * random() };
            let e = if random() < 0.8 { 0.05 * length } else { 0.0 };
            host.line([length * turn.cos(), length * turn.sin(), 0.0], length, e, speed, f64::INFINITY, 0);
            each(host);
        }
    }

    /// Cut so that the pieces at a right angle have the lengths that hold its speed, moves are executed as they were; at a
    /// quarter of these it is taken at half of the speed.
    #[test]
    fn lengths_that_hold_the_speed_of_a_corner() {
        let rules = MotionRules { print_accel: 40.0, travel_accel: 40.0, ..MotionRules::of(&Profile::embedded()) };
        let corner = |moves: &[[f64; 2]]| {
            let mut host = Host::new(&rules);
            for &[x, y] in moves {
                host.line([x, y, 0.0], x + y, 0.05, 20.0, f64::INFINITY, 0);
            }
            host.finish();
            host.settled[moves.len() / 2 - 1]
        };
        let whole = corner(&[[8.0, 0.0], [0.0, 8.0]]);
        assert!((whole.by_length[1] - 1.0).abs() < 1e-6 && whole.exit > 1.0, "{whole:?}");
        let held = whole.held_by()[1];
        let cut = |end: f64| corner(&[[8.0 - end, 0.0], [end, 0.0], [0.0, end], [0.0, 8.0 - end]]).exit;
        assert!((cut(held) / whole.exit - 1.0).abs() < 1e-6, "{held} mm: {} of {}", cut(held), whole.exit);
        assert!((cut(0.25 * held) / whole.exit - 0.5).abs() < 1e-6, "{}", cut(0.25 * held));
    }

    #[test]
    fn settling_early_changes_nothing() {
        for (seed, accel) in [(1, 500.0), (2, 3000.0), (3, 100.0), (4, 8000.0)] {
            let rules =
                MotionRules { print_accel: accel, travel_accel: accel, ..MotionRules::of(&Profile::embedded()) };
            let (mut at_once, mut early) = (Host::new(&rules), Host::new(&rules));
            run(&mut at_once, 3000, seed, |host| host.look_at = usize::MAX);
            assert_eq!(at_once.waiting(), 3000);
            let most = std::cell::Cell::new(0);
            run(&mut early, 3000, seed, |host| {
                host.look();
                host.look_at = usize::MAX;
                most.set(most.get().max(host.waiting()));
            });
            assert!(most.get() < 600, "{} wait", most.get());
            at_once.finish();
            early.finish();
            for (index, (a, b)) in at_once.settled.iter().zip(&early.settled).enumerate() {
                assert_eq!(a, b, "move {index}, seed {seed}");
            }
            assert_eq!(at_once.settled.len(), early.settled.len());
        }
    }

    /// One ramp over everything: 3 mm/s² reaches 500 mm/s after 41.7 m.
    #[test]
    fn memory_is_bounded_where_nothing_is_settled() {
        let rules = MotionRules { travel_accel: 3.0, path_speed: 500.0, ..MotionRules::of(&Profile::embedded()) };
        let mut host = Host::new(&rules);
        for _ in 0..200_000 {
            host.line([0.2, 0.0, 0.0], 0.2, 0.0, 500.0, f64::INFINITY, 0);
            assert!(host.waiting() <= MOST_WAITING);
        }
        host.finish();
        assert_eq!(host.settled.len(), 200_000);
        let mut before = 0.0;
        for timing in &host.settled {
            assert!((timing.entry - before).abs() < 1e-6 && timing.time.is_finite());
            before = timing.exit;
        }
        assert_eq!(before, 0.0);
    }
}

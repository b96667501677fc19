//! A controller that plans in real numbers, as far ahead as there are moves.
//!
//! Squared speeds add up along a path, so all plans are chains of sums and minima. There are two of them: the *real*
//! one, which keeps to the acceleration, and a *calm* one, which keeps to a share of it. Where the calm one rises and
//! falls again, its peak bounds the speed of every move of that hill; so short moves cruise for a while instead of
//! speeding up to brake at once. Measured on whole files and by single moves; the facts are those of the planner of a
//! `host` controller.

use super::bend::{Bend, Bends, Bow, Bows, LEAST_PATH};
use super::corner::squared_speed;
use super::hill::{Behind, GOES_ON, Waiting, descend};
use super::rules::{Held, LEAST_ACCEL, LEAST_SPEED, MotionRules};
use super::{Beside, MOST_ASIDES, Ordered, Replan, Timing, Told, arcs, trapezoid};
use crate::moves::{Kind, Move};
use crate::profile::Corner;
use crate::units::Bounded;

/// Moves that wait before it is first tried which of them are settled.
const FIRST_LOOK: usize = 64;
/// Moves that may wait. At this number a stop is planned behind the last. It takes a ramp over more than ten
/// thousand moves to get there.
pub const MOST_WAITING: usize = 1 << 14;
/// Squared jumps of E below those allowed by this share are seen to bound nothing without a division.
const WELL_BELOW: f64 = 1.0 - 1e-9;

/// The move before the next, and how fast that can begin. Speeds are squared, mm²/s².
#[derive(Clone, Copy, Debug, Default)]
struct Before {
    /// Change of E for a mm of its path.
    e_per_mm: f64,
    /// Acceleration times the deviation allowed at corners, mm²/s².
    deviation: f64,
    /// Half of acceleration times length, mm²/s².
    midpoint: f64,
    /// Most anywhere on it, 0 at rest, like what follows.
    cruise: f64,
    /// Most at its end, for all that came before it.
    reach: f64,
    /// Most at its end in the calm plan.
    calm_reach: f64,
}

/// What the rules in force make of the acceleration that a move is given: most moves have the same as the one before.
#[derive(Clone, Copy, Debug)]
struct Given {
    /// As it is given, mm/s²; no number where the rules have changed since.
    given: f64,
    /// Acceleration along a path that nothing else bounds, mm/s².
    accel: f64,
    /// Deviation allowed at corners, mm.
    deviation: f64,
}

/// What follows from the rules in force, for all moves.
#[derive(Clone, Copy, Debug)]
struct Bounds {
    /// Up to this speed and acceleration no axis bounds a path along X and Y.
    free: (f64, f64),
    /// Share of the acceleration that the calm plan keeps to.
    calm_share: f64,
    /// Squared jump of the extruder's speed that bounds corners.
    e_step: f64,
    /// Corners are bounded axis by axis.
    is_by_axis: bool,
}

impl Bounds {
    fn of(rules: &MotionRules) -> Self {
        Self {
            free: rules.slowest_in_plane(),
            calm_share: 1.0 - rules.min_cruise_share,
            e_step: rules.e_step * rules.e_step * WELL_BELOW,
            is_by_axis: matches!(rules.corner, Corner::AxisStep(_)),
        }
    }
}

/// See the module.
#[derive(Clone, Debug)]
pub struct Host<T = Timing> {
    /// At the start of the file.
    base: MotionRules,
    /// As the file sets them.
    file: MotionRules,
    /// In force.
    rules: MotionRules,
    /// What the output sets over it.
    held: Held,
    bounds: Bounds,
    given: Given,
    bends: Bends,
    /// Change of X, Y and Z for a mm of the last path; only where corners are bounded axis by axis.
    direction: [f64; 3],
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
    settled: Vec<T>,
}

impl Host {
    /// A machine at rest.
    pub fn new(rules: &MotionRules) -> Self {
        Self::telling(rules)
    }
}

impl<T: Told> Host<T> {
    /// A machine at rest.
    pub fn telling(rules: &MotionRules) -> Self {
        Self {
            base: *rules,
            file: *rules,
            rules: *rules,
            held: Held::default(),
            bounds: Bounds::of(rules),
            given: Given { given: f64::NAN, accel: 0.0, deviation: 0.0 },
            bends: Bends::default(),
            direction: [0.0; 3],
            waiting: Vec::new(),
            entry: 0.0,
            before: Before::default(),
            look_at: FIRST_LOOK,
            asides: 0,
            arc: None,
            settled: Vec::new(),
        }
    }

    /// The rules that are in force from here on.
    fn set(&mut self, rules: MotionRules) {
        self.rules = rules;
        self.bounds = Bounds::of(&rules);
        self.given.given = f64::NAN;
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
                self.settled.push(T::default());
            }
        }
    }

    /// The machine comes to rest; then something else takes `time`.
    fn rest(&mut self, time: f64) {
        self.stop();
        self.settled.push(T::of(Timing { time, ..Timing::default() }));
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
        // What is in force for paths bounds its calm part alone.
        let own = self.rules.e_only_accel.at_least(LEAST_ACCEL);
        let top = speed.at_most(self.rules.e_only_speed).at_least(LEAST_SPEED);
        let calm = (set * (1.0 - self.rules.min_cruise_share)).at_most(own);
        let top = (top * top).at_most(calm * length).sqrt();
        let time = trapezoid::time(length, 0.0, top, 0.0, own);
        self.settled.push(T::of(Timing { top, accel: own, time, ..Timing::default() }));
    }

    /// A straight move, or a chord of an arc. `delta` along X, Y, Z, `e` over all of it.
    #[inline(always)]
    fn line(&mut self, path: Path<'_>, e: f64, speed: f64, accel: f64, behind: u32) {
        let Path { length, bend, .. } = path;
        let given = if e == 0.0 { self.rules.travel_accel } else { self.rules.print_accel }.at_most(accel);
        if given != self.given.given {
            self.take_given(given);
        }
        let Given { accel: set, deviation, .. } = self.given;
        let (mut top, mut own) = (speed.at_most(self.rules.path_speed), set);
        let Bounds { free, calm_share, e_step, is_by_axis } = self.bounds;
        if e < 0.0 || path.delta[2] != 0.0 || top > free.0 || own > free.1 {
            (top, own) = self.bounded(path, e, top, own);
        }
        let top = top.at_least(LEAST_SPEED);
        let (cruise, twice) = (top * top, 2.0 * length);
        let ramp = twice * own;
        let calm_ramp = (twice * set * calm_share).at_most(ramp);
        let before = &self.before;
        let (deviation, midpoint, e_per_mm) = (own * deviation, 0.25 * ramp, e * bend.per_mm);
        let mut most = cruise.at_most(before.cruise).at_most(before.reach);
        let change = e_per_mm - before.e_per_mm;
        if change * change * most >= e_step {
            most = most.at_most(by_step(self.rules.e_step, change));
        }
        let (start, by_length) = if is_by_axis {
            (self.by_axis(path, change, most), f32::INFINITY)
        } else {
            let (deviation, midpoint) = (before.deviation.at_most(deviation), before.midpoint.at_most(midpoint));
            let factors = [bend.by_deviation, bend.by_length];
            (squared_speed(factors, deviation, midpoint, most), bend.by_length as f32)
        };
        let calm_start = start.at_most(self.before.calm_reach);
        let (reach, calm_reach) = (start + ramp, calm_start + calm_ramp);
        self.before = Before { e_per_mm, deviation, midpoint, cruise, reach, calm_reach };
        // Made in its place: copied there, the processor would wait for its parts.
        let waiting = || Waiting { start, cruise, ramp, calm_start, calm_ramp, length, accel: own, by_length, behind };
        let before = self.waiting.len();
        if before + 1 >= self.look_at || before == self.waiting.capacity() {
            self.push_and_look(waiting());
        } else {
            self.waiting.push(waiting());
        }
    }

    /// Takes a move behind which it is looked what can be settled, or for which there is no room.
    #[cold]
    #[inline(never)]
    fn push_and_look(&mut self, waiting: Waiting) {
        self.waiting.push(waiting);
        if self.waiting.len() >= self.look_at {
            self.look();
        }
    }

    /// Moves are given another acceleration than the one before.
    #[cold]
    #[inline(never)]
    fn take_given(&mut self, given: f64) {
        let accel = given.at_least(LEAST_ACCEL);
        self.given = Given { given, accel, deviation: self.rules.deviation(accel).unwrap_or(0.0) };
    }

    /// Speed and acceleration along a path, lowered to what the extruder and the axes bear.
    #[cold]
    #[inline(never)]
    fn bounded(&self, path: Path<'_>, e: f64, mut top: f64, mut own: f64) -> (f64, f64) {
        let (Path { delta, bend, .. }, rules) = (path, &self.rules);
        // Limits of the extruder hold only where it turns back or nothing moves along X and Y.
        if e < 0.0 || e > 0.0 && bend.is_upright {
            let by_e = 1.0 / (e * bend.per_mm).abs();
            top = top.at_most(rules.e_only_speed * by_e);
            own = own.at_most(rules.e_only_accel * by_e);
        }
        let free = rules.slowest_axis();
        if top > free.0 || own > free.1 {
            return rules.within_axes(&delta.map(|axis| axis * bend.per_mm), top, own);
        }
        (top, own)
    }

    /// Squared speed through a corner at which no axis changes its speed by more than its step, mm²/s², at most `most`.
    /// `change`: of E for a mm of path.
    #[cold]
    #[inline(never)]
    fn by_axis(&mut self, path: Path<'_>, change: f64, most: f64) -> f64 {
        let [x, y, z] = path.delta.map(|axis| axis * path.bend.per_mm);
        let before = std::mem::replace(&mut self.direction, [x, y, z]);
        let Corner::AxisStep(steps) = self.rules.corner else { return most };
        let changes = [x - before[0], y - before[1], z - before[2], change];
        steps.iter().zip(changes).fold(most, |least, (&step, change)| least.at_most(by_step(step, change)))
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
                    let peak = step.cruise.at_most(here.peak());
                    return Some((index, Behind { start: here.start, calm: here.calm, peak }));
                }
                after_fall = !rises;
            }
            behind = Behind { start: here.start, calm: here.calm, peak: behind.peak };
        }
        None
    }

    /// Settles the first `count` moves.
    fn settle(&mut self, count: usize, behind: Behind) {
        let end = behind.start;
        let Some(run) = self.waiting.get_mut(..count).filter(|run| !run.is_empty()) else { return };
        // From the end of the run: `start` and `cruise` become those of the plan. Moves on the falling side of a
        // hill wait for its peak; they are the ones from `index + 1` up to `fall`.
        let mut behind = Behind { ..behind };
        let mut fall = 0;
        let mut falling = false;
        for index in (0..run.len()).rev() {
            let Some(step) = run.get_mut(index) else { break };
            let here = step.plan(behind);
            let reach = behind.start + step.ramp;
            if here.rises() {
                // Without branches but one that is easily guessed.
                let turns = falling | here.turns(behind);
                let most = step.cruise.at_most(if turns { here.peak() } else { behind.peak });
                if turns {
                    behind.peak = most;
                }
                step.cruise = most.at_most(0.5 * (here.start + reach));
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
        let is_last = self.waiting.len() == count;
        if is_last {
            self.waiting.push(Waiting::REST);
        }
        let Some(next) = self.waiting.get_mut(count) else { return };
        let start = std::mem::replace(&mut next.start, end);
        let (mut entry, mut arc) = (self.entry, self.arc.take());
        let mut in_arc = u32::from(arc.is_some());
        self.settled.reserve(count);
        for pair in self.waiting.get(..=count).unwrap_or_default().windows(2) {
            let [step, next] = pair else { break };
            let [top, exit] = [step.cruise, next.start.at_most(step.cruise)].map(f64::sqrt);
            let time = trapezoid::time(step.length, entry, top, exit, step.accel);
            let by_length = [step.by_length, next.by_length];
            let timing = Timing { entry, top, exit, accel: step.accel, time, by_length };
            entry = exit;
            if step.behind | in_arc == 0 {
                self.settled.push(T::of(timing));
                continue;
            }
            let sum = arcs::join(arc.take(), timing);
            if step.behind == GOES_ON {
                (arc, in_arc) = (Some(sum), 1);
                continue;
            }
            in_arc = 0;
            self.settled.push(T::of(sum));
            self.settled.extend(std::iter::repeat_n(T::default(), step.behind as usize));
            self.asides -= step.behind as usize;
        }
        (self.entry, self.arc) = (entry, arc);
        if let Some(next) = self.waiting.get_mut(count) {
            next.start = start;
        }
        self.waiting.drain(..if is_last { count + 1 } else { count });
    }
}

impl<T: Told> Replan for Host<T> {
    type Told = T;

    fn bends<'a>(
        &mut self,
        moves: impl Iterator<Item = (&'a Move, Beside<'a>)>,
        bends: &mut [Bend],
        bows: &mut Vec<Bow>,
    ) {
        self.bends.pass(moves, bends, bows);
    }

    #[inline(always)]
    fn push_bent(&mut self, step: &Move, beside: Beside<'_>, bend: &Bend, bows: &mut Bows<'_>, ordered: Ordered) {
        let Ordered { kind, e, speed, accel } = ordered;
        let moves = matches!(kind, Kind::Bead | Kind::Travel | Kind::MovingTurn);
        if moves && step.length >= LEAST_PATH && beside.arc.is_none() {
            self.line(Path { delta: &step.delta, length: step.length, bend }, e, speed, accel, 0);
        } else {
            self.push_rare(step, beside, bend, bows, ordered);
        }
    }

    fn hold(&mut self, held: Held) {
        self.held = held;
        self.set(held.over(self.file));
    }

    fn end(&mut self) {
        self.stop();
    }

    fn settled(&mut self) -> &mut Vec<T> {
        &mut self.settled
    }
}

/// A straight move, or a chord of an arc.
#[derive(Clone, Copy)]
struct Path<'a> {
    /// Its end minus its start along X, Y and Z, mm.
    delta: &'a [f64; 3],
    /// Its length, mm.
    length: f64,
    bend: &'a Bend,
}

impl<T: Told> Host<T> {
    /// Takes a move that is no straight path.
    #[inline(never)]
    fn push_rare(&mut self, step: &Move, beside: Beside<'_>, bend: &Bend, bows: &mut Bows<'_>, ordered: Ordered) {
        let Ordered { kind, e, speed, accel } = ordered;
        let bow = beside.arc.and_then(|_| bows.next());
        match kind {
            Kind::Bead | Kind::Travel | Kind::MovingTurn => match bow {
                Some(bow) => {
                    let of_each = e / f64::from(bow.chords.count);
                    bow.pass(bend, |chord, bend, goes_on| {
                        let behind = if goes_on { GOES_ON } else { 0 };
                        let path = Path { delta: &chord.delta, length: chord.length, bend };
                        self.line(path, of_each, speed, accel, behind);
                    });
                }
                None if e != 0.0 => self.e_only(e.abs(), speed, accel),
                None => self.aside(),
            },
            Kind::EIn | Kind::EOut => self.e_only(e.abs(), speed, accel),
            Kind::Dwell | Kind::Stop | Kind::Pause | Kind::Home | Kind::End => self.rest(step.wait_s),
            Kind::Limits => {
                let lagged = self.rules.e_lag_s > 0.0;
                if let Some(limits) = beside.limits {
                    self.file = self.base.with(limits);
                    self.held.follow(limits, &self.file);
                    self.set(self.held.over(self.file));
                }
                // Its own lag compensation is switched on and off at rest only.
                if (self.rules.e_lag_s > 0.0) != lagged {
                    self.stop();
                }
                self.aside();
            }
            Kind::SetE | Kind::KeptE | Kind::SetEOut | Kind::SetEIn | Kind::Feed | Kind::FeedUser => self.aside(),
        }
    }
}

/// Squared speed at which something that changes by `change` for a mm of path jumps by `step`, mm²/s²; infinite where it
/// does not change.
fn by_step(step: f64, change: f64) -> f64 {
    let speed = step / change.abs();
    if change == 0.0 { f64::INFINITY } else { speed * speed }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moves::sample;
    use crate::profile::Profile;

    fn line(host: &mut Host, delta: [f64; 3], length: f64, e: f64, speed: f64) {
        let (step, mut bends) = (Move { delta, ..sample::bead(length, 1.0) }, [Bend::default()]);
        host.bends(std::iter::once((&step, Beside::default())), &mut bends, &mut Vec::new());
        host.line(Path { delta: &delta, length, bend: &bends[0] }, e, speed, f64::INFINITY, 0);
    }

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
            line(host, [length * turn.cos(), length * turn.sin(), 0.0], length, e, speed);
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
                line(&mut host, [x, y, 0.0], x + y, 0.05, 20.0);
            }
            host.end();
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
            at_once.end();
            early.end();
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
            line(&mut host, [0.2, 0.0, 0.0], 0.2, 0.0, 500.0);
            assert!(host.waiting() <= MOST_WAITING);
        }
        host.end();
        assert_eq!(host.settled.len(), 200_000);
        let mut before = 0.0;
        for timing in &host.settled {
            assert!((timing.entry - before).abs() < 1e-6 && timing.time.is_finite());
            before = timing.exit;
        }
        assert_eq!(before, 0.0);
    }
}

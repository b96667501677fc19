//! Where the controller slows the path for its extruder, and where it steps too fast: looked at for audits, and stalls alone
//! for outputs.
//!
//! It reads what the planners made of the moves and takes no part in planning.

use super::corner::HalfTurn;
use super::rules::{Model, MotionRules};
use super::{Beside, Timing};
use crate::moves::arc::ArcPath;
use crate::moves::{Kind, Move};
use crate::profile::{Corner, Kinematics, Profile};
use crate::units::Bounded;

/// A junction is a stall where it is taken at less than this share of what the corner and both moves would allow.
const STALLED_BELOW: f64 = 1.0 / 3.0;
/// The rule binds where this share of what it allows is reached; speeds of boards are rounded to whole steps.
const BINDS_FROM: f64 = 0.9;
/// A limit of E is told where it costs more than this share of the time of a move.
const COSTS: f64 = 0.01;
/// Chords by which the directions along an arc are found.
const CHORDS: u32 = 16;

/// A junction that the controller brakes at because E per mm changes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EStep {
    /// Speed of the move before, mm/s.
    pub from: f64,
    /// Speed through the junction, mm/s.
    pub to: f64,
    /// E per mm of path before it and behind it, units of E per mm.
    pub e_per_mm: [f64; 2],
    /// Time it costs, s.
    pub lost_s: f64,
}

/// A move with extrusion that a limit of the extruder axis slows as a whole.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ELimit {
    /// The limit is that of the acceleration; otherwise that of the speed.
    pub of_accel: bool,
    /// What the limit leaves along the path, mm/s or mm/s².
    pub to: f64,
    /// What the path would have without it, mm/s or mm/s².
    pub from: f64,
    /// The limit, units of E per second, or per second squared.
    pub limit: f64,
    /// Time it costs, s.
    pub lost_s: f64,
}

/// Motor steps faster than the controller gives them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StepRate {
    /// Letter of the axis.
    pub axis: char,
    /// Steps a second.
    pub rate_hz: f64,
    /// Most steps a second.
    pub most_hz: f64,
}

/// What is to be said of a move.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Seen {
    /// Of the junction at its start.
    pub e_step: Option<EStep>,
    /// Of its speed or acceleration.
    pub e_limit: Option<ELimit>,
    /// Of the motors.
    pub step_rate: Option<StepRate>,
}

/// What a junction needs of the move before it.
#[derive(Clone, Copy, Debug)]
struct Before {
    /// Direction at its end, of length 1.
    direction: [f64; 3],
    /// E for a mm of path.
    e_per_mm: f64,
    /// Highest speed it reaches, mm/s.
    top: f64,
    /// Its acceleration, mm/s².
    accel: f64,
    /// Acceleration times the deviation allowed at corners, mm²/s².
    deviation: f64,
    /// Half of acceleration times length, mm²/s².
    midpoint: f64,
}

/// A move along a path, as the planner has it.
#[derive(Clone, Copy, Debug)]
struct Passed<'a> {
    step: &'a Move,
    /// Travel of the extruder, units of E.
    e: f64,
    /// Acceleration that is set over the file's, mm/s²; infinite where none is.
    bound: f64,
    timing: &'a Timing,
    arc: Option<&'a ArcPath>,
}

impl Passed<'_> {
    /// Directions at its start and at its end, of length 1, and the most that each axis goes for a mm of it.
    fn directions(&self) -> [[f64; 3]; 3] {
        let per_mm = 1.0 / self.step.length;
        let Some(arc) = self.arc else { return [self.step.delta.map(|axis| axis * per_mm); 3] };
        let chord = |k: u32| {
            let at = |k: u32| arc.point(f64::from(k) / f64::from(CHORDS));
            let (from, to, scale) = (at(k), at(k + 1), f64::from(CHORDS) * per_mm);
            [(to[0] - from[0]) * scale, (to[1] - from[1]) * scale, (to[2] - from[2]) * scale]
        };
        let mut most = [0.0_f64; 3];
        for k in 0..CHORDS {
            most.iter_mut().zip(chord(k)).for_each(|(most, axis)| *most = most.max(axis.abs()));
        }
        [chord(0), chord(CHORDS - 1), most]
    }
}

/// Follows the moves with what the planner made of them.
#[derive(Clone, Debug)]
pub struct Braking {
    /// At the start of the file.
    base: MotionRules,
    /// In force.
    rules: MotionRules,
    kinematics: Kinematics,
    max_step_rate_hz: Option<f64>,
    stalls_alone: bool,
    /// `None` behind a full stop.
    before: Option<Before>,
}

impl Braking {
    /// At the start of a file that is planned by these rules.
    pub fn new(profile: &Profile, rules: MotionRules) -> Self {
        Self {
            base: rules,
            rules,
            kinematics: profile.machine.kinematics.value,
            max_step_rate_hz: profile.controller.max_step_rate_hz.value,
            stalls_alone: false,
            before: None,
        }
    }

    /// Looks at junctions where E per mm changes and at nothing else.
    #[must_use]
    pub fn at_stalls_alone(self) -> Self {
        Self { stalls_alone: true, max_step_rate_hz: None, ..self }
    }

    /// Looks at the next moves; what there is to say of one is told with its index. `timings`: what the planner made of them;
    /// `ordered`: travel of the extruder with one of them, units of E, and the acceleration that is set over the file's, mm/s².
    pub fn look_all<'a>(
        &mut self,
        steps: &'a [Move],
        ordered: impl Fn(usize, &Move) -> [f64; 2],
        besides: impl Iterator<Item = Beside<'a>>,
        timings: &'a [Timing],
        mut tell: impl FnMut(usize, &Seen),
    ) {
        let looks_at_each = !self.stalls_alone && (self.rules.model == Model::Board || self.max_step_rate_hz.is_some());
        // What a junction needs of the move before it is worked out where it is asked for.
        let mut last = None;
        let passed = |(index, arc): (usize, Option<&'a ArcPath>)| {
            let (step, timing) = steps.get(index).zip(timings.get(index))?;
            let [e, bound] = ordered(index, step);
            Some(Passed { step, e, bound, timing, arc })
        };
        let mut last_top = self.before.map_or(0.0, |before| before.top);
        for (index, ((step, timing), beside)) in steps.iter().zip(timings).zip(besides).enumerate() {
            let goes = matches!(step.kind, Kind::Bead | Kind::Travel | Kind::MovingTurn);
            if goes && step.length > 0.0 && timing.time > 0.0 {
                let stalls = timing.entry < STALLED_BELOW * last_top.at_most(timing.top);
                last_top = timing.top;
                if stalls || looks_at_each {
                    self.settle(last.take().and_then(passed));
                    let Some(now) = passed((index, beside.arc)) else { return };
                    let seen = self.path(&now);
                    if seen != Seen::default() {
                        tell(index, &seen);
                    }
                } else {
                    last = Some((index, beside.arc));
                }
                continue;
            }
            match step.kind {
                Kind::Limits => {
                    self.settle(last.take().and_then(passed));
                    if let Some(limits) = beside.limits {
                        self.rules = self.base.with(limits);
                    }
                }
                Kind::Dwell | Kind::Stop | Kind::Pause | Kind::Home | Kind::End => {
                    (last, last_top, self.before) = (None, 0.0, None)
                }
                Kind::SetE | Kind::KeptE | Kind::SetEOut | Kind::SetEIn | Kind::Feed | Kind::FeedUser => {}
                // What a board joins to the next move takes no time of its own.
                _ if timing.time <= 0.0 => {}
                _ => {
                    (last, last_top, self.before) = (None, 0.0, None);
                    if let Some(rate) = self.step_rate([0.0; 3], 1.0, timing.top) {
                        tell(index, &Seen { step_rate: Some(rate), ..Seen::default() });
                    }
                }
            }
        }
        self.settle(last.and_then(passed));
    }

    /// Keeps what the next junction needs of a move.
    fn settle(&mut self, passed: Option<Passed<'_>>) {
        if let Some(passed) = passed {
            let [_, last, _] = passed.directions();
            self.before = Some(self.left(&passed, last));
        }
    }

    /// What the next junction needs of a move that ends in this direction.
    fn left(&self, passed: &Passed<'_>, direction: [f64; 3]) -> Before {
        let Passed { step, e, bound, timing, .. } = *passed;
        let set = if e == 0.0 { self.rules.travel_accel } else { self.rules.print_accel }.at_most(bound);
        Before {
            direction,
            e_per_mm: e * (1.0 / step.length),
            top: timing.top,
            accel: timing.accel,
            deviation: timing.accel * self.rules.deviation(set).unwrap_or(0.0),
            midpoint: 0.5 * timing.accel * step.length,
        }
    }

    /// A move with path.
    fn path(&mut self, passed: &Passed<'_>) -> Seen {
        let timing = passed.timing;
        let [first, last, most] = passed.directions();
        let now = self.left(passed, last);
        let e_step = self.before.replace(now).and_then(|before| self.e_step(&before, &now, first, timing.entry));
        if self.stalls_alone {
            return Seen { e_step, ..Seen::default() };
        }
        Seen { e_step, e_limit: self.e_limit(passed), step_rate: self.step_rate(most, now.e_per_mm, timing.top) }
    }

    /// The junction between two moves. `direction`: at the start of the second; `entry`: speed through it, mm/s.
    fn e_step(&self, before: &Before, now: &Before, direction: [f64; 3], entry: f64) -> Option<EStep> {
        let own = self.e_cap(before.e_per_mm, now.e_per_mm);
        let reached = before.top.min(now.top);
        if !own.is_finite() || entry < BINDS_FROM * own || entry >= STALLED_BELOW * reached {
            return None;
        }
        let corner = self.corner(before, now, direction);
        if entry >= STALLED_BELOW * corner {
            return None;
        }
        // A ramp from v to w and a = const. takes (v - w)²/(2 a v) longer than the same way at v.
        let lost = |top: f64, accel: f64| {
            let speed = top.min(corner);
            (speed - entry) * (speed - entry) / (2.0 * accel * speed)
        };
        Some(EStep {
            from: before.top,
            to: entry,
            e_per_mm: [before.e_per_mm, now.e_per_mm],
            lost_s: lost(before.top, before.accel) + lost(now.top, now.accel),
        })
    }

    /// Highest speed at which the jump of E is allowed, mm/s; infinite where E asks for nothing.
    fn e_cap(&self, before: f64, now: f64) -> f64 {
        let change = (now - before).abs();
        let mut cap = if change > 0.0 { self.rules.e_step / change } else { f64::INFINITY };
        if let Corner::AxisStep([_, _, _, e]) = self.rules.corner {
            // On a board, an extruder that turns back stops in between.
            let turns = self.rules.model == Model::Board && before * now < 0.0;
            let change = if turns { before.abs().max(now.abs()) } else { change };
            if change > 0.0 {
                cap = cap.min(e / change);
            }
        }
        cap
    }

    /// Highest speed that the corner of the path alone allows, mm/s; infinite straight on.
    fn corner(&self, before: &Before, now: &Before, direction: [f64; 3]) -> f64 {
        let a = before.direction;
        if let Corner::AxisStep([x, y, z, _]) = self.rules.corner {
            let changes = a.iter().zip(direction).zip([x, y, z]);
            return changes.fold(f64::INFINITY, |least, ((a, b), step)| {
                let change = (b - a).abs();
                if change > 0.0 { least.min(step / change) } else { least }
            });
        }
        let half = HalfTurn::of_cosine(a[0] * direction[0] + a[1] * direction[1] + a[2] * direction[2]);
        if half.sin <= 0.0 || half.cos >= 1.0 {
            return f64::INFINITY;
        }
        let [by_deviation, by_length] = half.factors();
        let square = by_deviation * before.deviation.min(now.deviation);
        // Only a host limits pieces that are short against their turn in this way.
        let square = match self.rules.model {
            Model::Host => square.min(by_length * before.midpoint.min(now.midpoint)),
            Model::Board => square,
        };
        square.sqrt()
    }

    /// A bead that the extruder axis slows; only boards hold it to its limits along a path.
    fn e_limit(&self, &Passed { step, e, timing, .. }: &Passed<'_>) -> Option<ELimit> {
        if self.rules.model != Model::Board || step.kind != Kind::Bead {
            return None;
        }
        let per_mm = 1.0 / step.length;
        let straight = step.delta.map(|axis| axis * per_mm);
        let e_per_mm = (e / step.length).abs();
        let [.., most_speed] = self.rules.axis_speed;
        let [.., most_accel] = self.rules.axis_accel;
        let asked = step.speed.min(self.rules.path_speed);
        let (speed, accel) = self.rules.within_axes(&straight, asked, self.rules.print_accel);
        let (speed_left, accel_left) = (most_speed / e_per_mm, most_accel / e_per_mm);
        let by_speed = if speed_left < speed && timing.top >= BINDS_FROM * speed_left {
            step.length / speed_left - step.length / speed
        } else {
            0.0
        };
        let by_accel = if accel_left < accel && timing.accel >= BINDS_FROM * accel_left {
            let ramps = [timing.entry, timing.exit].map(|end| (timing.top - end) * (timing.top - end));
            (ramps[0] + ramps[1]) / (2.0 * timing.top) * (1.0 / accel_left - 1.0 / accel)
        } else {
            0.0
        };
        let of_accel = by_accel > by_speed;
        let (to, from, limit) =
            if of_accel { (accel_left, accel, most_accel) } else { (speed_left, speed, most_speed) };
        let lost_s = by_speed.max(by_accel);
        (lost_s > COSTS * timing.time).then_some(ELimit { of_accel, to, from, limit, lost_s })
    }

    /// The fastest motor, if it is too fast. `shares`: of a mm of path for each axis; `e`: units of E for it.
    ///
    /// The carriages of a delta go faster or slower than the path; of its motors only the extruder's is judged.
    fn step_rate(&self, shares: [f64; 3], e: f64, speed: f64) -> Option<StepRate> {
        let most_hz = self.max_step_rate_hz?;
        let [x, y, z] = shares.map(f64::abs);
        let shares = match self.kinematics {
            Kinematics::Cartesian => [x, y, z],
            // Each of both motors turns for the sum or the difference of X and Y.
            Kinematics::CrossedBelts => [x + y, x + y, z],
            Kinematics::Delta => [0.0; 3],
        };
        let all = shares.into_iter().chain([e.abs()]).zip(self.rules.steps_per_mm).zip("XYZE".chars());
        let rates = all.map(|((share, steps), axis)| StepRate { axis, rate_hz: share * steps * speed, most_hz });
        rates.max_by(|a, b| a.rate_hz.total_cmp(&b.rate_hz)).filter(|fastest| fastest.rate_hz > most_hz)
    }
}

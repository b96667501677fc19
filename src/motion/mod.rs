//! What the controller makes of moves: entry, top and exit speed, acceleration and time of each.
//!
//! Feed words are only ceilings. Corners, accelerations, limits of the extruder axis and how far the controller looks
//! ahead decide what is executed.

mod arcs;
pub mod bend;
pub mod board;
pub mod braking;
pub mod corner;
mod hill;
pub mod host;
pub mod rules;
pub mod trapezoid;

use crate::moves::arc::ArcPath;
use crate::moves::limits::MotionLimits;
use crate::moves::{Kind, Move};
use bend::{Bend, Bow, Bows};
use rules::{Held, Model, MotionRules};

/// Most lines without motion among the moves that wait. A controller that has to read so many has long run dry: the
/// machine rests there.
const MOST_ASIDES: usize = 4096;

/// How a move is executed: speeding up, cruising, braking, each perhaps of no length.
///
/// Without motion, speeds are those of the extruder axis, E units per second. A wait has a time and no speeds.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Timing {
    /// Speed at its start, mm/s.
    pub entry: f64,
    /// Highest speed it reaches, mm/s.
    pub top: f64,
    /// Speed at its end, mm/s.
    pub exit: f64,
    /// Acceleration and braking, mm/s².
    pub accel: f64,
    /// Time it takes, s.
    pub time: f64,
    /// Factors on half of acceleration times length by which the controller bounds the squared speeds at the corners at its
    /// start and its end, see [`corner::HalfTurn::factors`]; infinite where lengths bound nothing.
    pub by_length: [f32; 2],
}

impl Timing {
    /// Of what takes no time.
    pub const NONE: Self = Self { entry: 0.0, top: 0.0, exit: 0.0, accel: 0.0, time: 0.0, by_length: [0.0; 2] };

    /// Lengths that a move takes at its start and at its end so that the corners there are taken at these speeds, mm.
    ///
    /// 0 at rest.
    pub fn held_by(&self) -> [f64; 2] {
        let [at_start, at_end] = self.by_length.map(f64::from);
        let length = |speed: f64, factor| if speed > 0.0 { 2.0 * speed * speed / (self.accel * factor) } else { 0.0 };
        [length(self.entry, at_start), length(self.exit, at_end)]
    }
}

/// What a planner tells of each move; nothing of one that takes no time.
pub trait Told: Copy + Default {
    /// That of a move executed so.
    fn of(timing: Timing) -> Self;
}

impl Told for Timing {
    #[inline]
    fn of(timing: Timing) -> Self {
        timing
    }
}

/// Its time alone, s.
impl Told for f64 {
    #[inline]
    fn of(timing: Timing) -> Self {
        timing.time
    }
}

/// What the planner needs of a move beyond itself.
#[derive(Clone, Copy, Debug, Default)]
pub struct Beside<'a> {
    /// The path, for a move with [`Move::ARC`].
    pub arc: Option<&'a ArcPath>,
    /// The new limits, for [`crate::moves::Kind::Limits`].
    pub limits: Option<&'a MotionLimits>,
}

/// How a move is to be executed, as far as it may differ from the file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ordered {
    /// What it does.
    pub kind: Kind,
    /// Travel of the extruder, units of E; signed.
    pub e: f64,
    /// Highest speed allowed, mm/s (E units per second without motion); at most the commanded one.
    pub speed: f64,
    /// Highest acceleration allowed, mm/s²; infinite where nothing but the file bounds it.
    pub accel: f64,
}

impl Ordered {
    /// As the file has it.
    pub fn by_file(step: &Move) -> Self {
        Self { kind: step.kind, e: step.e, speed: step.speed, accel: f64::INFINITY }
    }
}

/// Takes one move after the other and gives, in the same order, how each is executed.
pub trait Plan {
    /// Takes the next move, to be executed as `ordered`.
    fn push(&mut self, step: &Move, beside: Beside<'_>, ordered: Ordered);
    /// No more moves will come: all are settled.
    fn finish(&mut self);
    /// Adds the timings that no later move can change, in order, one for each move pushed.
    fn hand_over(&mut self, out: &mut Vec<Timing>);
}

/// A planner for one of several plans of the same moves: what depends on their paths alone is worked out once.
pub trait Replan {
    /// What it tells of each move.
    type Told: Copy;
    /// Goes past the next moves, as many as there are `bends`, puts those there and adds the arcs among them to `bows`. Only the
    /// first plan asks for bends, and for those of all moves.
    fn bends<'a>(
        &mut self,
        moves: impl Iterator<Item = (&'a Move, Beside<'a>)>,
        bends: &mut [Bend],
        bows: &mut Vec<Bow>,
    );
    /// Takes the next move, to be executed as `ordered`. Whether it has a path, and which, is the same in all plans. `bows`: of
    /// the arcs from here on.
    fn push_bent(&mut self, step: &Move, beside: Beside<'_>, bend: &Bend, bows: &mut Bows<'_>, ordered: Ordered);
    /// Here the output sets limits over those of the file, until the file sets them itself.
    fn hold(&mut self, held: Held);
    /// No more moves will come: all are settled.
    fn end(&mut self);
    /// What no later move can change and was not given yet, in order, one for each move pushed.
    fn settled(&mut self) -> &mut Vec<Self::Told>;

    /// Adds what no later move can change, in order, one for each move pushed.
    fn give(&mut self, out: &mut Vec<Self::Told>) {
        if out.is_empty() {
            std::mem::swap(out, self.settled());
        } else {
            out.append(self.settled());
        }
    }

    /// Gives what it tells of the first `count` moves that it has not given, in the place of what is in `out`, where no later
    /// move can change it. Only what is known of moves behind them is copied, so that it is best asked for early.
    fn give_first(&mut self, count: usize, out: &mut Vec<Self::Told>) -> bool {
        let settled = self.settled();
        let Some(behind) = settled.get(count..) else { return false };
        out.clear();
        out.extend_from_slice(behind);
        settled.truncate(count);
        std::mem::swap(settled, out);
        true
    }
}

impl<P: Replan<Told = Timing>> Plan for P {
    fn push(&mut self, step: &Move, beside: Beside<'_>, ordered: Ordered) {
        let (mut bend, mut bows) = ([Bend::default()], Vec::new());
        self.bends(std::iter::once((step, beside)), &mut bend, &mut bows);
        self.push_bent(step, beside, &bend[0], &mut bows.iter(), ordered);
    }

    fn finish(&mut self) {
        self.end();
    }

    fn hand_over(&mut self, out: &mut Vec<Timing>) {
        self.give(out);
    }
}

/// The planner of the controller that a profile names.
#[derive(Clone, Debug)]
pub enum Planner<T = Timing> {
    /// Of a controller that plans on a computer beside the machine.
    Host(host::Host<T>),
    /// Of a controller that plans in the machine's own board.
    Board(board::Board<T>),
}

impl Planner {
    /// A machine at rest.
    pub fn new(rules: &MotionRules) -> Self {
        Self::telling(rules)
    }
}

impl<T: Told> Planner<T> {
    /// A machine at rest; of each move it tells what is asked for.
    pub fn telling(rules: &MotionRules) -> Self {
        match rules.model {
            Model::Host => Self::Host(host::Host::telling(rules)),
            Model::Board => Self::Board(board::Board::telling(rules)),
        }
    }
}

impl<T: Told> Replan for Planner<T> {
    type Told = T;

    fn bends<'a>(
        &mut self,
        moves: impl Iterator<Item = (&'a Move, Beside<'a>)>,
        bends: &mut [Bend],
        bows: &mut Vec<Bow>,
    ) {
        match self {
            Self::Host(host) => host.bends(moves, bends, bows),
            Self::Board(board) => board.bends(moves, bends, bows),
        }
    }

    fn push_bent(&mut self, step: &Move, beside: Beside<'_>, bend: &Bend, bows: &mut Bows<'_>, ordered: Ordered) {
        match self {
            Self::Host(host) => host.push_bent(step, beside, bend, bows, ordered),
            Self::Board(board) => board.push_bent(step, beside, bend, bows, ordered),
        }
    }

    fn hold(&mut self, held: Held) {
        match self {
            Self::Host(host) => host.hold(held),
            Self::Board(board) => board.hold(held),
        }
    }

    fn end(&mut self) {
        match self {
            Self::Host(host) => host.end(),
            Self::Board(board) => board.end(),
        }
    }

    fn settled(&mut self) -> &mut Vec<T> {
        match self {
            Self::Host(host) => host.settled(),
            Self::Board(board) => board.settled(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moves::sample;
    use crate::profile::Profile;

    /// Lines that do nothing wait behind the last move, but not for ever.
    #[test]
    fn memory_is_bounded_where_nothing_moves() {
        for preset in ["host", "board"] {
            let text = format!("[controller]\npreset = \"{preset}\"\n");
            let mut planner = Planner::new(&MotionRules::of(&Profile::load(&text, "own").expect("a profile")));
            let bead = sample::bead(5.0, 0.5);
            let nothing = Move { kind: Kind::Feed, ..bead };
            let steps = std::iter::once(bead).chain(std::iter::repeat_n(nothing, 2 * MOST_ASIDES));
            let (mut pushed, mut settled) = (0, Vec::new());
            for step in steps.cycle().take(3 * (2 * MOST_ASIDES + 1)) {
                planner.push(&step, Beside::default(), Ordered::by_file(&step));
                planner.hand_over(&mut settled);
                pushed += 1;
                assert!(pushed - settled.len() <= MOST_ASIDES + 1, "{preset}");
            }
            planner.finish();
            planner.hand_over(&mut settled);
            assert_eq!(settled.len(), pushed, "{preset}");
        }
    }
}

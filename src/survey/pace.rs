//! How long moves take, and how long at other accelerations.

use crate::motion::Timing;
use crate::units::Bounded as _;

/// Moves are told apart by the acceleration from which on they reach their speed no more, in steps of two between these
/// powers of two, mm/s².
const LEAST: f64 = 4.0;
const MOST: f64 = 4096.0;
const STEPS: usize = 11;
/// Beads are told apart by how many times the speed to which they may be slowed theirs is, in steps of two. More than the last
/// of them tells nothing: no layer is slowed so far.
const SPARES: usize = 7;
const MOST_SPARE: f64 = 64.0;
/// Halvings by which a share is found, and what is next to nothing of a time.
const HALVINGS: u32 = 40;
const CLOSE: f64 = 1e-9;

/// Moves on their way, summed.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Pace {
    /// At their highest speeds all along, s.
    pub cruise_s: f64,
    /// What ramps take beyond that, s.
    pub ramps_s: f64,
    /// What they take as the file has them, s.
    pub file_s: f64,
    /// By axis, X and Y.
    axes: [[Alike; STEPS]; 2],
    spares: [Spare; SPARES],
}

/// Between which speeds a move is.
#[derive(Clone, Copy, Debug)]
pub(super) struct Speeds {
    /// How many times what it is held to its highest speed is, at least 1.
    pub over: f64,
    /// How many times the speed below which it is not slowed that is, at least 1.
    pub spare: f64,
}

impl Speeds {
    /// Of a move that is neither held nor slowed.
    pub const KEPT: Self = Self { over: 1.0, spare: 1.0 };
}

/// Between which speeds beads are.
#[derive(Clone, Copy, Debug)]
pub struct BeadSpeeds {
    /// One over the most flow that a bead may ask, s/mm³, over the least speed, s/mm, and over the least flow, s/mm³.
    per_most: f64,
    per_speed: f64,
    per_flow: f64,
}

impl BeadSpeeds {
    /// Of beads that are neither held nor slowed.
    pub const KEPT: Self = Self { per_most: 0.0, per_speed: 0.0, per_flow: 0.0 };

    /// Of beads that the screw holds to a flow, mm³/s, infinite where it does not, and that are slowed down to a speed, mm/s, or
    /// a flow, mm³/s, whichever is reached first.
    pub fn new(most_mm3_s: f64, [least_mm_s, least_mm3_s]: [f64; 2]) -> Self {
        Self { per_most: 1.0 / most_mm3_s, per_speed: 1.0 / least_mm_s, per_flow: 1.0 / least_mm3_s }
    }

    /// Of a bead that reaches `top` mm/s and lays `area` mm².
    #[inline(always)]
    pub(super) fn of(&self, top: f64, area: f64) -> Speeds {
        let flow = area * top;
        let over = 1.0.at_least(flow * self.per_most);
        Speeds { over, spare: 1.0.at_least((top * self.per_speed).at_most(flow * self.per_flow) / over) }
    }
}

/// Moves that may be slowed by about as much.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Spare {
    cruise_s: f64,
    /// The same as slow as they may be.
    slowest_s: f64,
}

/// Moves that reach their speed down to about the same acceleration.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Alike {
    cruise_s: f64,
    /// Changes of speed along the axis, mm/s: ramps take this over its acceleration.
    change_mm_s: f64,
}

/// The same at accelerations that bound X and Y.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Bounded {
    /// At their highest speeds all along, s.
    pub cruise_s: f64,
    /// What ramps would take beyond that if every move reached its speed, s.
    pub ramps_s: f64,
    /// What all of it takes, s.
    pub time_s: f64,
    spares: [Spare; SPARES],
}

impl Pace {
    /// Adds a move over a length, mm. `along`: what of it runs along X and Y, mm; for an arc, which somewhere runs along each,
    /// all of it.
    #[inline]
    pub(super) fn add(&mut self, length: f64, along: [f64; 2], timing: &Timing, speeds: Speeds) {
        let Speeds { over, spare } = speeds;
        self.file_s += timing.time;
        if length <= 0.0 {
            self.cruise_s += timing.time;
            self.spares[0].cruise_s += timing.time;
            self.spares[0].slowest_s += timing.time;
            return;
        }
        // Whether a move has ramps, and how steep, nobody can guess: all of it is least and largest figures.
        let cruise_s = (length / timing.top).at_most(timing.time);
        // A cruise takes so many times as long, a ramp at the same acceleration is over so much sooner.
        let (top, ramps_s) = (timing.top / over, (timing.time - cruise_s) / over);
        let cruise_s = cruise_s * over;
        self.cruise_s += cruise_s;
        self.ramps_s += ramps_s;
        let spare = spare.at_most(MOST_SPARE);
        if let Some(alike) = self.spares.get_mut(doublings(spare, 1.0)) {
            alike.cruise_s += cruise_s;
            alike.slowest_s += cruise_s * spare;
        }
        // Moves without ramps count in no step.
        let counted_s = cruise_s.at_most(ramps_s * f64::MAX);
        let per_length = 1.0 / length;
        let (change, per_cruise) = (ramps_s * timing.accel.at_most(f64::MAX), top * per_length);
        for (axis, delta) in self.axes.iter_mut().zip(along) {
            let change_mm_s = change * delta.abs() * per_length;
            let accel = (change_mm_s * per_cruise).at_least(LEAST).at_most(MOST);
            if let Some(alike) = axis.get_mut(doublings(accel, LEAST)) {
                alike.cruise_s += counted_s;
                alike.change_mm_s += change_mm_s;
            }
        }
    }

    /// Both.
    #[must_use]
    pub fn and(mut self, other: &Self) -> Self {
        self.cruise_s += other.cruise_s;
        self.ramps_s += other.ramps_s;
        self.file_s += other.file_s;
        for (own, other) in self.axes.iter_mut().flatten().zip(other.axes.iter().flatten()) {
            own.cruise_s += other.cruise_s;
            own.change_mm_s += other.change_mm_s;
        }
        for (own, other) in self.spares.iter_mut().zip(&other.spares) {
            own.cruise_s += other.cruise_s;
            own.slowest_s += other.slowest_s;
        }
        self
    }

    /// What they take at the speeds they are held to, s.
    pub fn time_s(&self) -> f64 {
        self.cruise_s + self.ramps_s
    }

    /// The same where accelerations along X and Y are bounded, mm/s²; infinite where they are not. Never less than
    /// without.
    ///
    /// With c the time at its speed v and x = v / a that of its ramps, a move from rest to rest takes c + x, or 2 sqrt(c x)
    /// once x > c: then it brakes before it has reached its speed. Moves of one step count as one; what runs along the
    /// other axis is left out, so the figure is rather too low.
    pub fn bounded(&self, accel_mm_s2: [f64; 2]) -> Bounded {
        let Self { cruise_s, ramps_s, spares, .. } = *self;
        let mut found = Bounded { cruise_s, ramps_s, time_s: cruise_s + ramps_s, spares };
        for (axis, accel) in self.axes.iter().zip(accel_mm_s2) {
            let (mut linear_s, mut ramps_s) = (0.0, 0.0);
            for &Alike { cruise_s, change_mm_s } in axis {
                let x = change_mm_s / accel;
                linear_s += x;
                ramps_s += if x > cruise_s { 2.0 * (cruise_s * x).sqrt() - cruise_s } else { x };
            }
            found.ramps_s = found.ramps_s.max(linear_s);
            found.time_s = found.time_s.max(self.cruise_s + ramps_s);
        }
        found
    }
}

impl Bounded {
    /// Share of their speed at which the moves take this time: a cruise takes 1 / share of its time, but no more than as slow as
    /// it may be, a ramp at the same acceleration the share. 1 where they take it anyway; the least there is where they never do.
    pub fn share(&self, time_s: f64) -> f64 {
        let Self { cruise_s, ramps_s, .. } = *self;
        if cruise_s <= 0.0 || time_s <= self.time_s {
            return 1.0;
        }
        let root = (time_s * time_s - 4.0 * cruise_s * ramps_s).max(0.0).sqrt();
        let share = (2.0 * cruise_s / (time_s + root)).clamp(1.0 / MOST_SPARE, 1.0);
        if self.cruise_at(share) >= cruise_s / share * (1.0 - CLOSE) {
            return share;
        }
        // Some are as slow as they may be before: the others have to go slower than that.
        let (mut low, mut high) = (1.0 / MOST_SPARE, share);
        for _ in 0..HALVINGS {
            let middle = 0.5 * (low + high);
            *(if self.cruise_at(middle) + ramps_s * middle >= time_s { &mut low } else { &mut high }) = middle;
        }
        low
    }

    /// What they take at a share of their highest speeds, without ramps, s.
    fn cruise_at(&self, share: f64) -> f64 {
        self.spares.iter().map(|alike| (alike.cruise_s / share).min(alike.slowest_s)).sum()
    }

    /// What a share of their speed costs, s.
    pub fn costs(&self, share: f64) -> f64 {
        (self.cruise_at(share) + self.ramps_s * share - self.time_s).max(0.0)
    }
}

/// How many times a figure doubles another, a power of two, that it is no less than: that is in its exponent.
#[inline(always)]
fn doublings(figure: f64, power: f64) -> usize {
    (figure.to_bits() >> 52).wrapping_sub(power.to_bits() >> 52) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    const FREE: Speeds = Speeds { over: 1.0, spare: f64::INFINITY };

    /// From rest to rest over a length, along Y by this share.
    fn moved(length: f64, speed: f64, accel: f64, along_y: f64) -> ([f64; 2], Timing) {
        let top = speed.min((accel * length).sqrt());
        let time = length / top + top / accel;
        let along = [length * (1.0 - along_y * along_y).sqrt(), length * along_y];
        (along, Timing { top, accel, time, ..Timing::default() })
    }

    fn pace(moves: &[(f64, f64, f64)], accel: f64) -> Pace {
        let mut pace = Pace::default();
        for &(length, speed, along_y) in moves {
            let (along, timing) = moved(length, speed, accel, along_y);
            pace.add(length, along, &timing, FREE);
        }
        pace
    }

    #[test]
    fn bounded_moves_take_what_the_same_moves_take_at_that_acceleration() {
        let moves = [(8.0, 20.0, 1.0), (80.0, 20.0, 1.0), (3.0, 40.0, 1.0), (0.5, 60.0, 1.0), (150.0, 100.0, 1.0)];
        let before = pace(&moves, 3000.0);
        for accel in [2000.0, 500.0, 100.0, 30.0, 10.0] {
            let known: f64 = moves.iter().map(|&(l, v, _)| moved(l, v, accel, 1.0).1.time).sum();
            let found = before.bounded([f64::INFINITY, accel]).time_s;
            assert!((found / known - 1.0).abs() < 0.03, "{accel}: {found} {known}");
            // Along X nothing moves.
            assert_eq!(before.bounded([accel, f64::INFINITY]).time_s, before.time_s());
        }
        let free = before.bounded([f64::INFINITY; 2]);
        assert_eq!((free.time_s, free.ramps_s), (before.time_s(), before.ramps_s));
        // Slanted by 30 degrees to X, half of the acceleration runs along Y.
        let slanted = pace(&[(20.0, 30.0, 0.5)], 3000.0).bounded([f64::INFINITY, 100.0]).time_s;
        let known = moved(20.0, 30.0, 200.0, 0.5).1.time;
        assert!((slanted / known - 1.0).abs() < 1e-9, "{slanted} {known}");
    }

    /// Moves held to a third and a quarter of their speed are those that have it: 3 + 0.025 s and 4 + 0.1 s at 300 mm/s².
    #[test]
    fn moves_that_are_held_count_as_slower_ones() {
        let mut held = Pace::default();
        let mut times = 0.0;
        for (length, speed, share, own) in
            [(22.5, 22.5, 3.0, 3.025), (400.0, 120.0, 1.0, 400.0 / 120.0 + 0.4), (120.0, 120.0, 4.0, 4.1)]
        {
            let (along, timing) = moved(length, speed, 300.0, 1.0);
            held.add(length, along, &timing, Speeds { over: share, ..FREE });
            times += timing.time;
            let mut one = Pace::default();
            one.add(length, along, &timing, Speeds { over: share, ..FREE });
            assert!((one.time_s() - own).abs() < 1e-9, "{}", one.time_s());
        }
        assert!((held.file_s - times).abs() < 1e-9);
        let slower = pace(&[(22.5, 7.5, 1.0), (400.0, 120.0, 1.0), (120.0, 30.0, 1.0)], 300.0);
        for accel in [f64::INFINITY, 200.0, 20.0] {
            let [a, b] = [&held, &slower].map(|pace| pace.bounded([accel; 2]).time_s);
            assert!((a / b - 1.0).abs() < 1e-9, "{accel}: {a} {b}");
        }
    }

    /// The share it finds makes the same moves take the time.
    #[test]
    fn shares_of_speed_take_the_time() {
        let moves = [(8.0, 20.0, 1.0), (30.0, 20.0, 1.0)];
        for (accel, time) in [(3000.0, 4.0), (60.0, 4.0), (20.0, 6.0)] {
            let now = pace(&moves, 3000.0).bounded([f64::INFINITY, accel]);
            let share = now.share(time);
            let taken: f64 = moves.iter().map(|&(l, v, _)| moved(l, v * share, accel, 1.0).1.time).sum();
            assert!((taken / time - 1.0).abs() < 0.02, "{accel}: {taken} instead of {time} at {share}");
            assert!((now.time_s + now.costs(share) - time).abs() < 1e-9);
        }
        let now = pace(&moves, 3000.0).bounded([f64::INFINITY, 5.0]);
        assert_eq!((now.share(3.0), now.share(1e6)), (1.0, 1.0 / 64.0));
        assert_eq!(Pace::default().bounded([1.0; 2]).share(5.0), 1.0);
    }

    /// 100 mm at 100 mm/s that may go at 5 and 20 mm at 10 mm/s that may go at 5 take 1 and 2 s. For 14 s the second takes its
    /// 4 s and the first 10; all of it takes 24 s at most.
    #[test]
    fn what_is_as_slow_as_it_may_be_leaves_more_to_others() {
        let mut pace = Pace::default();
        for (length, top, spare) in [(100.0, 100.0, 20.0), (20.0, 10.0, 2.0)] {
            let timing = Timing { top, accel: 1e9, time: length / top, ..Timing::default() };
            pace.add(length, [length, 0.0], &timing, Speeds { over: 1.0, spare });
        }
        let now = pace.bounded([f64::INFINITY; 2]);
        for (time, share) in [(3.0, 1.0), (4.5, 3.0 / 4.5), (6.0, 0.5), (14.0, 0.1), (24.0, 0.05)] {
            assert!((now.share(time) / share - 1.0).abs() < 1e-6, "{time}: {}", now.share(time));
            assert!((now.time_s + now.costs(now.share(time)) - time).abs() < 1e-6, "{time}");
        }
        assert!((now.costs(now.share(100.0)) - 21.0).abs() < 1e-9);
    }
}

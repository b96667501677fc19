//! How long moves take, and how long at other accelerations.

use crate::motion::Timing;
use crate::units::Bounded as _;

/// Moves are told apart by the acceleration from which on they reach their speed no more, in steps of two between these
/// powers of two, mm/s².
const LEAST: f64 = 4.0;
const MOST: f64 = 4096.0;
const STEPS: usize = 11;

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
}

impl Pace {
    /// Adds a move over a length, mm, with a highest speed that is so many times, at least 1, what it is held to. `along`: what of
    /// it runs along X and Y, mm; for an arc, which somewhere runs along each, all of it.
    #[inline]
    pub fn add(&mut self, length: f64, along: [f64; 2], timing: &Timing, times: f64) {
        self.file_s += timing.time;
        if length <= 0.0 {
            self.cruise_s += timing.time;
            return;
        }
        // Whether a move has ramps, and how steep, nobody can guess: all of it is least and largest figures.
        let cruise_s = (length / timing.top).at_most(timing.time);
        // A cruise takes so many times as long, a ramp at the same acceleration is over so much sooner.
        let (top, ramps_s) = (timing.top / times, (timing.time - cruise_s) / times);
        let cruise_s = cruise_s * times;
        self.cruise_s += cruise_s;
        self.ramps_s += ramps_s;
        // Moves without ramps count in no step.
        let counted_s = cruise_s.at_most(ramps_s * f64::MAX);
        let per_length = 1.0 / length;
        let (change, per_cruise) = (ramps_s * timing.accel.at_most(f64::MAX), top * per_length);
        for (axis, delta) in self.axes.iter_mut().zip(along) {
            let change_mm_s = change * delta.abs() * per_length;
            // The power of two is in the exponent of the figure.
            let accel = (change_mm_s * per_cruise).at_least(LEAST).at_most(MOST);
            let place = (accel.to_bits() >> 52).wrapping_sub(LEAST.to_bits() >> 52) as usize;
            if let Some(alike) = axis.get_mut(place) {
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
        let mut found = Bounded { cruise_s: self.cruise_s, ramps_s: self.ramps_s, time_s: self.time_s() };
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
    /// Share of their speed at which the moves take this time: a cruise takes 1 / share of its time, a ramp at the same
    /// acceleration the share. 1 where they take it anyway; at least `lowest`.
    pub fn share(&self, time_s: f64, lowest: f64) -> f64 {
        let Self { cruise_s, ramps_s, .. } = *self;
        if cruise_s <= 0.0 || time_s <= self.time_s {
            return 1.0;
        }
        let root = (time_s * time_s - 4.0 * cruise_s * ramps_s).max(0.0).sqrt();
        (2.0 * cruise_s / (time_s + root)).clamp(lowest, 1.0)
    }

    /// What a share of their speed costs, s.
    pub fn costs(&self, share: f64) -> f64 {
        (self.cruise_s / share + self.ramps_s * share - self.time_s).max(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
            pace.add(length, along, &timing, 1.0);
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
            held.add(length, along, &timing, share);
            times += timing.time;
            let mut one = Pace::default();
            one.add(length, along, &timing, share);
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
            let share = now.share(time, 0.01);
            let taken: f64 = moves.iter().map(|&(l, v, _)| moved(l, v * share, accel, 1.0).1.time).sum();
            assert!((taken / time - 1.0).abs() < 0.02, "{accel}: {taken} instead of {time} at {share}");
            assert!((now.time_s + now.costs(share) - time).abs() < 1e-9);
        }
        let now = pace(&moves, 3000.0).bounded([f64::INFINITY, 5.0]);
        assert_eq!((now.share(3.0, 0.01), now.share(1e6, 0.2)), (1.0, 0.2));
        assert_eq!(Pace::default().bounded([1.0; 2]).share(5.0, 0.1), 1.0);
    }
}

//! The melt between screw and nozzle: a spring that is filled by the screw and empties through the nozzle.

use std::collections::VecDeque;

use crate::units::{Volume, VolumeFlow};

/// Pieces of command that wait for the dead time to pass. Beyond it the two newest are joined to their mean flow.
const MOST_DELAYED: usize = 1 << 16;

/// Below this share of the time constant the exponential is summed as a series.
const SERIES_BELOW: f64 = 0.5;

/// A stretch of time in which the commanded flow is linear.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Piece {
    time: f64,
    from: f64,
    to: f64,
}

impl Piece {
    /// The flow `time` after its start.
    fn at(self, time: f64) -> f64 {
        if time >= self.time { self.to } else { self.from + (self.to - self.from) * (time / self.time) }
    }

    fn volume(self) -> f64 {
        0.5 * (self.from + self.to) * self.time
    }

    /// Its first `time` and the rest.
    fn split(self, time: f64) -> (Self, Self) {
        let between = self.at(time);
        let rest = Self { time: self.time - time, from: between, to: self.to };
        (Self { time, from: self.from, to: between }, rest)
    }

    /// Gives its parts to `then`, cut where the flow crosses `bound`.
    fn cut_at(self, bound: f64, mut then: impl FnMut(Self)) {
        if (self.from < bound && self.to > bound) || (self.from > bound && self.to < bound) {
            let (mut before, mut after) = self.split(self.time * ((bound - self.from) / (self.to - self.from)));
            (before.to, after.from) = (bound, bound);
            then(before);
            then(after);
        } else {
            then(self);
        }
    }
}

/// Melt stored under pressure between screw and nozzle, a first-order lag with dead time and saturation.
///
/// Q = S / τ,   dS/dt = Qc(t - θ) - Q,   |Qc| <= Q_max
///
/// | symbol | meaning                                     | unit  | range           |
/// |--------|---------------------------------------------|-------|-----------------|
/// | S      | stored volume                               | mm³   | any, see below  |
/// | Q      | flow out of the nozzle                      | mm³/s | >= 0            |
/// | Qc     | flow the screw is commanded to give         | mm³/s | any             |
/// | Q_max  | flow of the screw at its highest speed      | mm³/s | > 0             |
/// | τ      | time constant, the lag of the melt          | s     | >= 0            |
/// | θ      | dead time between the screw and what it does| s     | >= 0            |
///
/// The command is linear in time over each piece handed in, as flow is while a head speeds up evenly; pieces follow
/// each other without a gap. What is commanded beyond ±Q_max is lost, as a drive loses what it cannot turn. With
/// τ = 0 the outflow is the command.
///
/// Below S = 0 there is no pressure, and nothing comes out: the reversed screw draws melt back and air follows. What
/// was drawn back is negative S; it has no lower bound here and has to be refilled before flow begins again.
///
/// # Assumes
/// A melt of constant compliance, no drool by gravity or by swelling beyond S/τ, and a full channel.
///
/// # Accuracy
/// Exact but for rounding: S and the volume let out are written with φ₁(x) = (1 - e⁻ˣ)/x, φ₂ = (1 - φ₁)/x and
/// φ₃ = (1/2 - φ₂)/x at x = t/τ, so that nothing cancels for pieces much shorter than τ:
///
/// S(t) = S e⁻ˣ + c t φ₁ + k t² φ₂,   V(t) = x (S φ₁ + c t φ₂ + k t² φ₃)   for Qc = c + k t
///
/// Tests: steps, ramps and decays in closed form to 1e-12, small-step integration of random pieces to 1e-6.
///
/// # Source
/// Variation of constants for a linear first-order equation; any text on differential equations. That the melt in
/// front of a screw behaves so is an assumption of this program, with τ from the user's weighing.
#[derive(Clone, Debug)]
pub struct Melt {
    lag: f64,
    capacity: f64,
    stored: f64,
    dead_time: f64,
    delayed: VecDeque<Piece>,
    asked: f64,
    refused: f64,
    refused_back: f64,
    saturated: f64,
    highest: f64,
    /// The last argument of [`phi`] and what it gave.
    last: (f64, [f64; 3]),
}

/// What was asked of the screw so far, before its bounds.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Asked {
    /// Forward less backward.
    pub net: Volume,
    /// What was asked faster than the screw turns, and not pushed; 0 or above.
    pub refused: Volume,
    /// What was asked back faster than it turns, and not drawn back; 0 or above. What it gave is `net` - `refused` +
    /// `refused_back`.
    pub refused_back: Volume,
    /// Highest flow, forward or backward.
    pub highest: VolumeFlow,
    /// Time during which more was asked than the screw can turn, s.
    pub saturated_s: f64,
}

impl Melt {
    /// A melt without pressure. `lag_s`: τ, `dead_time_s`: θ, both >= 0; `capacity`: Q_max, may be infinite.
    pub fn new(lag_s: f64, dead_time_s: f64, capacity: VolumeFlow) -> Self {
        let dead_time = dead_time_s.max(0.0);
        let mut delayed = VecDeque::new();
        if dead_time > 0.0 {
            delayed.push_back(Piece { time: dead_time, from: 0.0, to: 0.0 });
        }
        Self {
            lag: lag_s.max(0.0),
            capacity: capacity.as_mm3_s().max(0.0),
            stored: 0.0,
            dead_time,
            delayed,
            asked: 0.0,
            refused: 0.0,
            refused_back: 0.0,
            saturated: 0.0,
            highest: 0.0,
            last: (0.0, phi(0.0)),
        }
    }

    /// S, with what the screw has given and the dead time still holds back.
    pub fn stored(&self) -> Volume {
        Volume::from_mm3(self.stored + self.delayed.iter().map(|piece| piece.volume()).sum::<f64>())
    }

    /// Q at this moment, where the melt lags; without a lag it follows the command.
    pub fn outflow(&self) -> VolumeFlow {
        VolumeFlow::from_mm3_s(if self.lag > 0.0 { self.stored.max(0.0) / self.lag } else { 0.0 })
    }

    /// What was asked so far.
    pub fn asked(&self) -> Asked {
        Asked {
            net: Volume::from_mm3(self.asked),
            refused: Volume::from_mm3(self.refused),
            refused_back: Volume::from_mm3(self.refused_back),
            highest: VolumeFlow::from_mm3_s(self.highest),
            saturated_s: self.saturated,
        }
    }

    /// Lets `time_s` pass while the commanded flow goes evenly from `from` to `to`; returns what leaves the nozzle.
    ///
    /// No time, or a time that is no number, does nothing.
    pub fn run(&mut self, time_s: f64, from: VolumeFlow, to: VolumeFlow) -> Volume {
        let asked = Piece { time: time_s, from: from.as_mm3_s(), to: to.as_mm3_s() };
        if !(asked.time > 0.0 && asked.time.is_finite()) {
            return Volume::ZERO;
        }
        self.asked += asked.volume();
        self.highest = self.highest.max(asked.from.abs()).max(asked.to.abs());
        if asked.from.abs() <= self.capacity && asked.to.abs() <= self.capacity {
            return Volume::from_mm3(self.given(asked));
        }
        let mut out = 0.0;
        let most = self.capacity;
        asked.cut_at(-most, |part| {
            part.cut_at(most, |part| {
                let given = Piece { from: part.from.clamp(-most, most), to: part.to.clamp(-most, most), ..part };
                if given != part {
                    self.saturated += part.time;
                    // A part lies on one side of what the screw turns.
                    let beyond = part.volume() - given.volume();
                    self.refused += beyond.max(0.0);
                    self.refused_back += (-beyond).max(0.0);
                }
                out += self.given(given);
            });
        });
        Volume::from_mm3(out)
    }

    /// The screw turns as told: what comes out meanwhile is the answer to what it did a dead time ago.
    fn given(&mut self, piece: Piece) -> f64 {
        if self.dead_time == 0.0 {
            return self.spring(piece);
        }
        self.delay(piece);
        let (mut left, mut out) = (piece.time, 0.0);
        while left > 0.0 {
            // Rounding may leave the line a hair short; the next piece makes up for it.
            let Some(front) = self.delayed.front_mut() else { break };
            let due = if front.time > left {
                let (due, rest) = front.split(left);
                *front = rest;
                left = 0.0;
                due
            } else {
                let due = *front;
                left -= due.time;
                self.delayed.pop_front();
                due
            };
            out += self.spring(due);
        }
        out
    }

    /// Puts a piece at the end of the delay line.
    fn delay(&mut self, piece: Piece) {
        let is_full = self.delayed.len() >= MOST_DELAYED;
        if let Some(last) = self.delayed.back_mut() {
            let is_same = last.from == last.to && last.to == piece.from && piece.from == piece.to;
            if is_same || is_full {
                let time = last.time + piece.time;
                let mean = if is_same { piece.from } else { (last.volume() + piece.volume()) / time };
                *last = Piece { time, from: mean, to: mean };
                return;
            }
        }
        self.delayed.push_back(piece);
    }

    /// Spring and nozzle under a command; returns what comes out.
    fn spring(&mut self, piece: Piece) -> f64 {
        if piece.time <= 0.0 {
            return 0.0;
        }
        if self.stored >= 0.0 && piece.from >= 0.0 && piece.to >= 0.0 {
            return self.under_pressure(piece);
        }
        let mut out = 0.0;
        piece.cut_at(0.0, |part| out += self.one_direction(part));
        out
    }

    /// The same for a command that does not change its sign.
    fn one_direction(&mut self, piece: Piece) -> f64 {
        let slope = (piece.to - piece.from) / piece.time;
        if piece.from > 0.0 || piece.to > 0.0 {
            if self.stored >= 0.0 {
                return self.under_pressure(piece);
            }
            // Forward, into a nozzle that was drawn empty.
            let missing = -self.stored;
            if piece.volume() <= missing {
                self.stored += piece.volume();
                return 0.0;
            }
            let root = (piece.from * piece.from + 2.0 * slope * missing).max(0.0).sqrt();
            let filled = (2.0 * missing / (piece.from + root)).min(piece.time);
            self.stored = 0.0;
            return self.under_pressure(piece.split(filled).1);
        }
        // Backward or standing: pressure only falls, so that it is lost once at most.
        if self.stored > 0.0 {
            if self.lag == 0.0 {
                self.stored = 0.0;
            } else if self.stored_after(piece.time, piece.from, slope) >= 0.0 {
                return self.under_pressure(piece);
            } else {
                let (under, without) = piece.split(self.time_to_no_pressure(piece, slope));
                let out = self.under_pressure(under);
                self.stored = without.volume();
                return out;
            }
        }
        self.stored += piece.volume();
        0.0
    }

    /// The linear equation, for S >= 0 throughout.
    fn under_pressure(&mut self, piece: Piece) -> f64 {
        let Piece { time, from, to } = piece;
        if time <= 0.0 {
            return 0.0;
        }
        if self.lag == 0.0 {
            return piece.volume();
        }
        let share = time / self.lag;
        // Long beads are cut into pieces of one length.
        if self.last.0 != share {
            self.last = (share, phi(share));
        }
        let [phi1, phi2, phi3] = self.last.1;
        let fed = from * time;
        // k t², without a division.
        let ramp = (to - from) * time;
        let out = share * (self.stored * phi1 + fed * phi2 + ramp * phi3);
        self.stored = (self.stored * (1.0 - share * phi1) + fed * phi1 + ramp * phi2).max(0.0);
        out
    }

    fn stored_after(&self, time: f64, from: f64, slope: f64) -> f64 {
        let share = time / self.lag;
        let [phi1, phi2, _] = phi(share);
        self.stored * (1.0 - share * phi1) + from * time * phi1 + slope * time * time * phi2
    }

    /// When S reaches zero in a piece at whose end it would be below: Newton's steps, kept in a shrinking bracket.
    fn time_to_no_pressure(&self, piece: Piece, slope: f64) -> f64 {
        let (mut low, mut high) = (0.0, piece.time);
        let mut time = 0.5 * high;
        for _ in 0..64 {
            let stored = self.stored_after(time, piece.from, slope);
            if stored > 0.0 {
                low = time;
            } else {
                high = time;
            }
            let falls = piece.from + slope * time - stored / self.lag;
            let newton = time - stored / falls;
            let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
            if (next - time).abs() <= 1e-15 * piece.time {
                break;
            }
            time = next;
        }
        time
    }
}

/// φ₁, φ₂ and φ₃ of x >= 0, see [`Melt`].
fn phi(x: f64) -> [f64; 3] {
    /// 1/3! to 1/16!.
    const INVERSE: [f64; 14] = [
        1.0 / 6.0,
        1.0 / 24.0,
        1.0 / 120.0,
        1.0 / 720.0,
        1.0 / 5_040.0,
        1.0 / 40_320.0,
        1.0 / 362_880.0,
        1.0 / 3_628_800.0,
        1.0 / 39_916_800.0,
        1.0 / 479_001_600.0,
        1.0 / 6_227_020_800.0,
        1.0 / 87_178_291_200.0,
        1.0 / 1_307_674_368_000.0,
        1.0 / 20_922_789_888_000.0,
    ];
    /// The first `2 * PAIRS` terms; even and odd ones side by side, since each sum has to wait for the one before.
    fn series<const PAIRS: usize>(x: f64) -> f64 {
        let square = x * x;
        let (mut even, mut odd) = (0.0, 0.0);
        for pair in INVERSE.as_chunks::<2>().0.iter().take(PAIRS).rev() {
            even = even * square + pair[0];
            odd = odd * square + pair[1];
        }
        even - x * odd
    }
    if x < SERIES_BELOW {
        // Short pieces need few terms.
        let phi3 = if x < 0.1 { series::<4>(x) } else { series::<7>(x) };
        let phi2 = 0.5 - x * phi3;
        return [1.0 - x * phi2, phi2, phi3];
    }
    let phi1 = -(-x).exp_m1() / x;
    let phi2 = (1.0 - phi1) / x;
    [phi1, phi2, (0.5 - phi2) / x]
}

#[cfg(test)]
mod tests;

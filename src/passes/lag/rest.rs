//! Compensation at rest: how far the screw turns back when a run of beads ends, and forward before the next.
//!
//! Before a run the screw pushes what the store lacks of S = τ Q. While it turns at its highest flow R, part of that leaves
//! the nozzle at once, and as much is missing from the bead that follows: what is laid is what is wanted. Behind a run it
//! turns back until nothing is stored, from S0 in t = τ ln(1 + S0 / (R τ)).

use std::collections::VecDeque;

use super::gaps::Marks;
use super::spring::{Melt, Spring};
use crate::moves::Move;
use crate::units::Bounded;

/// The flow to come is taken over this time, s.
const AHEAD_S: f64 = 0.25;
/// And over at most this many moves, so that few wait however short they are.
const MOST_AHEAD: usize = 1 << 12;
/// Surplus laid at starts and stops is taken off the next charge, by at most this share of it.
const MAKE_GOOD_SHARE: f64 = 0.05;
/// A charge below this share of the whole is not worth a line.
const WORTH: f64 = 0.03;
/// The highest share of what the screw could hold up for ever that a charge aims at.
const MOST_STORED: f64 = 0.95;

/// A turn of the screw at rest.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Turn {
    /// Volume pushed, mm³; negative backward.
    pub volume: f64,
    /// Time it takes at the screw's highest flow, s.
    pub time: f64,
}

/// Takes the pressure away; `None` where there is next to none.
pub fn relieve(spring: &mut Spring, melt: &Melt) -> Option<Turn> {
    let stored = spring.stored.at_least(0.0);
    let rate = melt.screw_mm3_s;
    let time = melt.lag_s * (stored / (rate * melt.lag_s)).ln_1p();
    let time = time.at_most(melt.max_reverse_mm3 / rate);
    if time <= 1e-4 {
        return None;
    }
    spring.surplus += spring.rest(time, -rate * time, melt);
    Some(Turn { volume: -rate * time, time })
}

/// Builds up the pressure for a flow, mm³/s; `None` where it is there already.
pub fn charge(spring: &mut Spring, flow: f64, melt: &Melt) -> Option<Turn> {
    let (rate, lag) = (melt.screw_mm3_s, melt.lag_s);
    let full = (lag * flow).at_most(MOST_STORED * rate * lag);
    let good = (-spring.surplus).clamp(-MAKE_GOOD_SHARE * full, MAKE_GOOD_SHARE * full);
    let wanted = full + good;
    let start = spring.stored;
    // What lies below the wanted store when the bead begins will be missing from it.
    if wanted - start <= WORTH * full {
        return None;
    }
    // So much of it leaves the nozzle meanwhile as is missing from the bead's begin then.
    let volume = wanted - start;
    let time = volume / rate;
    spring.surplus += spring.rest(time, volume, melt);
    Some(Turn { volume, time })
}

/// Finds the mean flow of what comes next, for each bead that is to be charged.
#[derive(Clone, Debug, Default)]
pub struct Ahead {
    flows: VecDeque<f64>,
    /// Index of the bead that is looked ahead from, time and volume so far.
    open: Option<(usize, f64, f64)>,
}

impl Ahead {
    /// Takes the next move with the time it takes, s.
    pub fn push(&mut self, step: &Move, marks: Marks, time: f64) {
        let is_bead = step.is_screw_bead();
        let waits = !is_bead && time > 0.0;
        if waits || marks.has(Marks::CHARGE) {
            self.close();
        }
        if is_bead {
            if marks.has(Marks::CHARGE) {
                self.open = Some((self.flows.len(), 0.0, 0.0));
            }
            if let Some((_, seconds, volume)) = &mut self.open {
                *seconds += time;
                *volume += step.volume;
            }
        }
        self.flows.push_back(0.0);
        if self.open.is_some_and(|(at, seconds, _)| seconds >= AHEAD_S || self.flows.len() - at >= MOST_AHEAD) {
            self.close();
        }
    }

    fn close(&mut self) {
        if let Some((at, seconds, volume)) = self.open.take()
            && let Some(flow) = self.flows.get_mut(at)
        {
            *flow = if seconds > 0.0 { volume / seconds } else { 0.0 };
        }
    }

    /// No more moves will come.
    pub fn finish(&mut self) {
        self.close();
    }

    /// Adds the flows that are settled, in the order of the moves; 0 for moves that are not charged.
    pub fn hand_over(&mut self, out: &mut Vec<f64>) {
        let settled = self.open.map_or(self.flows.len(), |(at, ..)| at);
        out.extend(self.flows.drain(..settled));
        if let Some((at, ..)) = &mut self.open {
            *at = 0;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moves::Kind;
    use crate::moves::sample;

    const MELT: Melt = Melt { lag_s: 0.4, screw_mm3_s: 30.0, max_reverse_mm3: 7.5, window_s: 60.0 };

    #[test]
    fn charge_and_relief_by_hand() {
        // For 5 mm3/s S = 2 mm3, pushed in 1/15 s: 12 (1 - e^-(1/6)) = 1.842219 are there then, 0.157781 have left.
        let mut spring = Spring::default();
        let turn = charge(&mut spring, 5.0, &MELT).unwrap();
        assert!((turn.volume - 2.0).abs() < 1e-12 && (spring.stored - 1.842_219).abs() < 1e-6, "{turn:?} {spring:?}");
        assert!((spring.surplus - 0.157_781).abs() < 1e-6);
        let there = &mut Spring { stored: 1.95, surplus: 0.0 };
        assert_eq!(charge(there, 5.0, &MELT), None, "it is there");
        // Back: t = 0.4 ln(1 + 1.842219 / 12) = 0.0571267 s, 1.713800 mm3; 0.128420 leave.
        let turn = relieve(&mut spring, &MELT).unwrap();
        assert!((turn.volume + 1.713_800).abs() < 1e-6 && spring.stored.abs() < 1e-9, "{turn:?} {spring:?}");
        assert_eq!(relieve(&mut spring, &MELT), None);
        // The next charge takes 5 % of 2 mm3 back.
        let turn = charge(&mut spring, 5.0, &MELT).unwrap();
        assert!((turn.volume - 1.9).abs() < 1e-9, "{turn:?}");
    }

    #[test]
    fn relief_is_bounded_by_the_turns_allowed() {
        let mut spring = Spring { stored: 10.0, surplus: 0.0 };
        let turn = relieve(&mut spring, &Melt { max_reverse_mm3: 3.0, ..MELT }).unwrap();
        // 0.1 s back: 10 e^-0.25 - 12 (1 - e^-0.25) = 5.133617.
        assert!((turn.volume + 3.0).abs() < 1e-9 && (spring.stored - 5.133_617).abs() < 1e-6, "{spring:?}");
    }

    #[test]
    fn moves_without_time_do_not_wait_for_ever() {
        let mut ahead = Ahead::default();
        let bead = sample::bead(10.0, 1.0);
        let limits = Move { kind: Kind::Limits, ..bead };
        let mut out = Vec::new();
        ahead.push(&bead, Marks::CHARGE, 0.1);
        for _ in 0..MOST_AHEAD {
            ahead.push(&limits, Marks::NONE, 0.0);
            ahead.hand_over(&mut out);
        }
        assert!(out.len() > MOST_AHEAD / 2 && (out[0] - 10.0).abs() < 1e-9, "{} settled", out.len());
    }

    #[test]
    fn the_flow_ahead_is_a_mean_over_a_quarter_second_or_the_run() {
        let mut ahead = Ahead::default();
        let bead = sample::bead(10.0, 1.0);
        let travel = Move { kind: Kind::Travel, ..bead };
        let mut out = Vec::new();
        for (step, marks, time) in [
            (bead, Marks::CHARGE, 0.1),
            (bead, Marks::NONE, 0.2),
            (bead, Marks::NONE, 9.0),
            (travel, Marks::NONE, 0.3),
            (bead, Marks::CHARGE, 0.1),
            (travel, Marks::NONE, 0.3),
        ] {
            ahead.push(&step, marks, time);
            ahead.hand_over(&mut out);
        }
        ahead.finish();
        ahead.hand_over(&mut out);
        let want = [2.0 / 0.3, 0.0, 0.0, 0.0, 10.0, 0.0];
        assert!(out.len() == 6 && out.iter().zip(want).all(|(a, b)| (a - b).abs() < 1e-9), "{out:?}");
    }
}

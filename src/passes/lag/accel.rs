//! How fast the head may speed up so that the screw can follow, and the words that say so.

use super::spring::Melt;
use crate::motion::rules::MotionRules;
use crate::moves::limits::MotionLimits;
use crate::moves::{Kind, Move};
use crate::passes::{ROUNDING, Reason};
use crate::profile::AccelWords;
use crate::units::Bounded;

/// Share of the screw's spare flow that a ramp may ask. The rest covers that E is even over a piece while the speed is
/// not: at its fast end a piece asks up to 1.45 of its mean.
const SHARE: f64 = 0.7;
/// The same from next to rest up to half of the top speed, which is the first piece there: at its fast end it asks twice
/// its mean. Next to rest is what lies below a quarter of the top speed. Measured with the replay on 25 real files at a lag
/// of 0.4 s without it, at 0.5 and at 0.58: 5.0, 4.1 and 4.5 % of the path (mean) are more than a tenth off on a host, 5.7, 5.0
/// and 5.4 on a board, and prints take 7.6, 11.4 and 9.0 % (median) longer than by the capacity alone, 9.1, 13.1 and 9.4 on a
/// board. A tenth is what they may.
const FIRST_SHARE: f64 = 0.58;
const NEXT_TO_REST: f64 = 0.25;
const FIRST_UP_TO: f64 = 0.5;
/// A higher acceleration is written only where it is this much higher than the one in force.
const HYSTERESIS: f64 = 1.5;
/// A travel gets its own acceleration back where that saves this much time, s.
const WORTH_S: f64 = 0.02;

/// A ramp whose volume astray is below this share of a stretch as long as the bore is left alone.
pub const BRIEF: f64 = 0.04;
/// Longest ramp, times the melt's lag. Measured with the replay on 26 real files at a lag of 0.4 s: of a small screw (6 mm³/s)
/// 26, 13, 11 and 9 % of the path were more than a tenth off at 0.75, 1.5, 2 and 3 times the lag, for 38.6, 41.6, 42.3 and 43.1 h
/// of print; of one of 30 mm³/s 7.1, 6.2, 6.1 and 6.2 %.
const LONGEST: f64 = 2.0;

/// Highest acceleration of a bead that the screw can follow, mm/s².
///
/// a <= k (Q_screw - Q) / (τ A), Q = A v at the bead's top speed. A ramp takes at most 2 τ, since beyond that time
/// buys little: so a >= v / (2 τ), and what the screw cannot give then is missing from the ramp.
///
/// Two ramps with a stop between them lay A v²/a too much if the flow stays as it is. Where that is next to nothing
/// within a stretch as long as the bore, a nozzle blurs it, and the acceleration is left alone. `own`: acceleration
/// of the file, mm/s².
///
/// From next to rest the first piece asks more of its end, at half of the top speed: a <= k' (Q_screw - Q/2) / (τ A), at the
/// top speed that the other bound lets it reach.
///
/// A bead that is too short to reach its speed at that acceleration does not ask the flow of it: with v0 and v1 at its
/// ends, it reaches v, v² = (v0² + v1²)/2 + a(v) L, a quadratic equation for either of the two.
///
/// Infinite for what is no bead of the screw, and where that is above the file's own.
#[inline]
pub fn limit(step: &Move, top: f64, ends: [f64; 2], own: f64, bore_mm: f64, melt: &Melt) -> f64 {
    if !step.is_screw_bead() || melt.lag_s <= 0.0 {
        return f64::INFINITY;
    }
    let is_brief = top * top <= BRIEF * own * bore_mm;
    // What the screw can follow at the file's own acceleration is seen without a division.
    let spare = melt.screw_mm3_s * step.length - step.volume * top;
    let first = melt.screw_mm3_s * step.length - step.volume * (FIRST_UP_TO * top);
    if (SHARE * spare).at_most(FIRST_SHARE * first) > own * melt.lag_s * step.volume * ROUNDING {
        return f64::INFINITY;
    }
    // a(v) = k (v_screw - v) / τ, with the speed at which the bead asks all that the screw gives.
    let (by_screw, per_lag) = (melt.screw_mm3_s * step.length / step.volume, 1.0 / melt.lag_s);
    let [start, end] = ends;
    let (share, per_longest) = (SHARE * per_lag, per_lag / LONGEST);
    let (half, squares) = (0.5 * share * step.length, 0.5 * (start * start + end * end));
    let half_longest = 0.5 * step.length * per_longest;
    let under = [half * half + 2.0 * half * by_screw + squares, half_longest * half_longest + squares];
    let [by_spare, by_time] = under.map(f64::sqrt);
    let top = top.at_most((by_spare - half).at_least(half_longest + by_time));
    let of_first = FIRST_SHARE * per_lag * (by_screw - FIRST_UP_TO * top);
    // Without branches: from bead to bead nobody can guess which are brief, or begin next to rest.
    let by_first = if start < NEXT_TO_REST * top { of_first } else { f64::INFINITY };
    let followed = (share * (by_screw - top).at_least(0.0)).at_most(by_first).at_least(top * per_longest);
    if is_brief { f64::INFINITY } else { followed }
}

/// Highest acceleration of a bead at which flow, which nobody makes lead, is astray by at most a share, mm/s².
///
/// On a ramp flow lags by τ dQ/dt = τ A a, so that it is astray by τ a/v of the flow A v at top speed v: a <= e v/τ.
/// Ramps whose volume is next to nothing are left alone, as in [`limit`]. `error`: the share e, above 0.
///
/// Infinite for what is no bead of the screw.
pub fn within_error(step: &Move, top: f64, own: f64, bore_mm: f64, melt: &Melt, error: f64) -> f64 {
    let is_bead = step.is_screw_bead();
    if !is_bead || melt.lag_s <= 0.0 || top * top <= BRIEF * own * bore_mm {
        return f64::INFINITY;
    }
    error * top / melt.lag_s
}

/// What a move's acceleration is to be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ruling {
    /// Highest acceleration in force for it, mm/s²; infinite where the file's own holds.
    pub bound: f64,
    /// Value to be written before it, mm/s².
    pub word: Option<u32>,
    /// What bounds it.
    pub reason: Reason,
}

impl Ruling {
    /// The file's own acceleration holds.
    pub const NONE: Self = Self { bound: f64::INFINITY, word: None, reason: Reason::MeltLag };
}

/// Follows the acceleration in force in the output.
#[derive(Clone, Debug)]
pub struct Accels {
    form: AccelWords,
    base: MotionRules,
    /// Acceleration the file has in force for beads and for other moves.
    file: [f64; 2],
    /// What is in force for beads and for other moves by a word of the output, where that differs from what the file has.
    written: [Option<f64>; 2],
    /// What bounded that.
    reason: Reason,
    /// Beads too are raised only where it saves time: their limits go with direction, and so from bead to bead.
    is_sparing: bool,
    /// Under [`AccelWords::Beads`]: the word for moves without extrusion is followed, not that for beads.
    is_of_travels: bool,
}

impl Accels {
    /// At the start of a file.
    pub fn new(form: AccelWords, rules: &MotionRules) -> Self {
        Self {
            form,
            base: *rules,
            file: [rules.print_accel, rules.travel_accel],
            written: [None; 2],
            reason: Reason::MeltLag,
            is_sparing: false,
            is_of_travels: false,
        }
    }

    /// Beads too are raised only where it saves time.
    #[must_use]
    pub fn sparing(self, is_sparing: bool) -> Self {
        Self { is_sparing, ..self }
    }

    /// Those of moves without extrusion, on a controller that has a word of its own for them.
    pub fn of_travels(rules: &MotionRules) -> Self {
        Self { is_of_travels: true, ..Self::new(AccelWords::Beads, rules).sparing(true) }
    }

    /// Acceleration the file has in force for a bead.
    pub fn own(&self) -> f64 {
        self.file[0]
    }

    /// The file sets limits of motion.
    pub fn follow(&mut self, limits: &MotionLimits) {
        let now = self.base.with(limits);
        self.file = [now.print_accel, now.travel_accel];
        for (written, sets) in self.written.iter_mut().zip(limits.sets_accel) {
            *written = written.filter(|_| !sets);
        }
    }

    /// All that the file has in force is so again, by words that somebody else writes.
    pub fn are_put_back(&mut self) {
        self.written = [None; 2];
    }

    /// Decides for the next move; `kind`: what it is in the output, `limit`: as [`limit`] gives it, and what it is for;
    /// `speed`: at most reached, mm/s.
    ///
    /// Words hold for the beads of other tools too, which so get back what the file has.
    pub fn next(&mut self, step: &Move, kind: Kind, (limit, reason): (f64, Reason), speed: f64) -> Ruling {
        let is_bead = kind == Kind::Bead;
        if step.length <= 0.0 {
            return self.without_path();
        }
        // The word for beads holds for all that turns E on the way.
        let of_beads = self.form == AccelWords::Beads && !self.is_of_travels;
        let which = usize::from(!is_bead && !of_beads);
        let (own, written) = (self.file[which], self.written[which]);
        let free = Ruling { bound: written.unwrap_or(f64::INFINITY), word: None, reason: self.reason };
        let turns_back = kind == Kind::MovingTurn;
        if of_beads && !is_bead && !turns_back {
            return Ruling::NONE;
        }
        // Numbered lines bear no others between them.
        if step.has(Move::NUMBERED) || (of_beads && turns_back && !self.is_sparing) {
            return free;
        }
        // Most beads: what is in force is a little lower. It was rounded too, so that rounding would not tell more.
        if is_bead && written.is_some_and(|now| limit >= now && limit <= now * HYSTERESIS) {
            return free;
        }
        let wanted = if limit < own { rounded(limit) } else { own };
        let word = match written {
            None if wanted < own => Some(wanted),
            None => None,
            Some(now) if wanted < now => Some(wanted),
            Some(now) if is_bead && wanted <= now * HYSTERESIS => None,
            Some(_) if is_bead && !self.is_sparing => Some(wanted),
            Some(now) => {
                let reached = speed.at_most((step.length * now).sqrt());
                (reached * (1.0 / now - 1.0 / wanted) > WORTH_S).then_some(wanted)
            }
        };
        match word {
            None => free,
            Some(value) => {
                self.write(value, which);
                self.reason = reason;
                // The file's own bounds nothing.
                Ruling { bound: self.written[which].unwrap_or(f64::INFINITY), word: Some(value as u32), reason }
            }
        }
    }

    /// The word for beads or for other moves is set to `value`; one word for all moves replaces what is in force for both.
    fn write(&mut self, value: f64, which: usize) {
        for (index, (written, own)) in self.written.iter_mut().zip(self.file).enumerate() {
            if self.form == AccelWords::AllMoves || index == which {
                *written = (value != own).then_some(value);
            }
        }
    }

    /// Decides for a line without a path. Turns of the screw have an acceleration of their own, but where one word holds for all
    /// they are bounded by it in part.
    fn without_path(&self) -> Ruling {
        let bound = self.written[0].filter(|_| self.form == AccelWords::AllMoves);
        Ruling { bound: bound.unwrap_or(f64::INFINITY), word: None, reason: self.reason }
    }
}

/// A limit that is set in the output: lowered at once, raised again only where it may be a good deal higher.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lowered {
    /// What the file has in force; never raised.
    pub own: f64,
    /// What is in force.
    pub set: f64,
    /// What may be in force.
    pub bears: f64,
}

impl Lowered {
    /// Limits by layer are raised again only where they may be this much higher.
    const HYSTERESIS: f64 = 1.25;

    /// What is to be set now. `rounded` rounds down.
    pub fn next(self, rounded: impl Fn(f64) -> f64) -> Option<f64> {
        let Self { own, set, bears } = self;
        let wanted = if bears < own { rounded(bears) } else { own };
        (wanted < set || wanted > set * Self::HYSTERESIS || wanted == own && set < own).then_some(wanted)
    }
}

/// Rounded down to two digits, at least 1.
pub fn rounded(value: f64) -> f64 {
    let mut unit = 1.0;
    while value >= 100.0 * unit {
        unit *= 10.0;
    }
    (f64::from((value / unit) as u32) * unit).at_least(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limit_by_hand() {
        let melt = Melt { lag_s: 0.4, screw_mm3_s: 30.0, max_reverse_mm3: 5.0, window_s: 60.0 };
        let mut step = crate::moves::sample::bead(10.0, 1.0);
        // A 0.1 mm2 at 50 mm/s: 5 mm3/s; 0.7 * 25 / (0.4 * 0.1) = 437.5.
        assert!((limit(&step, 50.0, [50.0; 2], 3000.0, 0.1, &melt) - 437.5).abs() < 1e-9);
        // At 29 mm3/s the spare is 1: 0.7 / 0.04 = 17.5, but a ramp may not take longer than 0.8 s: 290 / 0.8.
        assert!((limit(&step, 290.0, [290.0; 2], 3000.0, 0.1, &melt) - 362.5).abs() < 1e-9);
        step.kind = Kind::Travel;
        assert_eq!(limit(&step, 50.0, [50.0; 2], 3000.0, 0.1, &melt), f64::INFINITY);
    }

    /// From rest to rest 10 mm of 0.1 mm² reach v with v² = 10 a(v), a(v) = 0.7 (300 - v)/0.4: v² + 17.5 v = 5250, v = 64.2333,
    /// a = 412.592, and their first piece bears 0.58 (300 - v/2)/0.4 = 388.431. A ramp of 0.3 s would bring it to 10/0.3 = 33.3.
    #[test]
    fn a_short_bead_asks_what_it_reaches() {
        let melt = Melt { lag_s: 0.4, screw_mm3_s: 30.0, max_reverse_mm3: 5.0, window_s: 60.0 };
        let step = crate::moves::sample::bead(10.0, 1.0);
        let accel = limit(&step, 290.0, [0.0; 2], 3000.0, 0.1, &melt);
        assert!((accel - 388.431).abs() < 1e-3, "{accel}");
        // From 20 mm/s on it reaches more: v² + 17.5 v = 5250 + 200.
        let moving = limit(&step, 290.0, [20.0, 0.0], 3000.0, 0.1, &melt);
        let reached = 300.0 - moving * 0.4 / 0.7;
        assert!((reached * reached + 17.5 * reached - 5450.0).abs() < 1e-6, "{reached}");
        // 40 mm at 3 mm² ask all of the screw at 10 mm/s: nothing is spare, and a ramp to 10 mm/s takes 0.8 s.
        let thick = crate::moves::sample::bead(40.0, 120.0);
        assert!((limit(&thick, 10.0, [0.0; 2], 3000.0, 0.001, &melt) - 10.0 / 0.8).abs() < 1e-9);
    }

    /// 0.2 of 50 mm/s in 0.4 s: 25 mm/s².
    #[test]
    fn error_by_hand() {
        let melt = Melt { lag_s: 0.4, screw_mm3_s: 30.0, max_reverse_mm3: 5.0, window_s: 60.0 };
        let mut step = crate::moves::sample::bead(10.0, 1.0);
        assert!((within_error(&step, 50.0, 3000.0, 1.0, &melt, 0.2) - 25.0).abs() < 1e-12);
        // 10²/3000 = 0.033 mm of both ramps are less than 0.04 of a bore of 1 mm.
        assert_eq!(within_error(&step, 10.0, 3000.0, 1.0, &melt, 0.2), f64::INFINITY);
        let none = Melt { lag_s: 0.0, ..melt };
        assert_eq!(within_error(&step, 50.0, 3000.0, 1.0, &none, 0.2), f64::INFINITY);
        step.kind = Kind::Travel;
        assert_eq!(within_error(&step, 50.0, 3000.0, 1.0, &melt, 0.2), f64::INFINITY);
    }

    #[test]
    fn values_are_rounded_down() {
        for (value, want) in [(437.5, 430.0), (99.9, 99.0), (0.3, 1.0), (12_345.0, 12_000.0), (100.0, 100.0)] {
            assert_eq!(rounded(value), want);
        }
    }

    #[test]
    fn words_only_on_change_and_travels_get_theirs_back() {
        let rules = MotionRules::of(&crate::profile::Profile::embedded());
        let mut accels = Accels::new(AccelWords::AllMoves, &rules);
        let bead = crate::moves::sample::bead(10.0, 1.0);
        let mut travel = bead;
        travel.kind = Kind::Travel;
        assert_eq!(
            accels.next(&bead, Kind::Bead, (437.5, Reason::MeltLag), 50.0),
            Ruling { bound: 430.0, word: Some(430), reason: Reason::MeltLag }
        );
        assert_eq!(
            accels.next(&bead, Kind::Bead, (600.0, Reason::MeltLag), 50.0),
            Ruling { bound: 430.0, word: None, reason: Reason::MeltLag }
        );
        assert_eq!(
            accels.next(&bead, Kind::Bead, (668.0, Reason::MeltLag), 50.0),
            Ruling { bound: 660.0, word: Some(660), reason: Reason::MeltLag }
        );
        // A short slow travel is not worth a line; 50 mm at 150 mm/s is: 150 / 660 - 150 / 3000 = 0.18 s.
        travel.length = 1.0;
        assert_eq!(accels.next(&travel, Kind::Travel, (f64::INFINITY, Reason::MeltLag), 5.0).word, None);
        travel.length = 50.0;
        assert_eq!(
            accels.next(&travel, Kind::Travel, (f64::INFINITY, Reason::MeltLag), 150.0),
            Ruling { bound: f64::INFINITY, word: Some(3000), reason: Reason::MeltLag }
        );
        assert_eq!(
            accels.next(&bead, Kind::Bead, (f64::INFINITY, Reason::MeltLag), 50.0),
            Ruling { bound: f64::INFINITY, word: None, reason: Reason::MeltLag }
        );
    }

    /// A word of the file for beads, or for travels, leaves the one word for all moves in force for the others.
    #[test]
    fn a_word_for_some_moves_leaves_that_for_the_others() {
        let rules = MotionRules::of(&crate::profile::Profile::embedded());
        let bead = crate::moves::sample::bead(10.0, 1.0);
        let way = Move { kind: Kind::Travel, ..crate::moves::sample::bead(50.0, 0.0) };
        let (bears, free) = ((437.5, Reason::Sway), (f64::INFINITY, Reason::Sway));
        let sets = |named: [bool; 2]| MotionLimits {
            sets_accel: named,
            print_accel: named[0].then_some(2500.0),
            travel_accel: named[1].then_some(1500.0),
            ..MotionLimits::default()
        };
        let ruled = |limits: &MotionLimits| {
            let mut accels = Accels::new(AccelWords::AllMoves, &rules).sparing(true);
            assert_eq!(accels.next(&bead, Kind::Bead, bears, 50.0).word, Some(430));
            accels.follow(limits);
            accels
        };
        // Travels are still held by the word, and get their own back; the part is to bear no bead at 2500.
        let mut of_beads = ruled(&sets([true, false]));
        assert_eq!(of_beads.clone().next(&way, Kind::Travel, bears, 150.0).bound, 430.0);
        assert_eq!(of_beads.clone().next(&way, Kind::Travel, free, 150.0).word, Some(3000));
        assert_eq!(of_beads.next(&bead, Kind::Bead, bears, 50.0).word, Some(430));
        // Beads are still held; a travel at the file's 1500 has to be lowered again.
        let mut of_travels = ruled(&sets([false, true]));
        let held = of_travels.clone().next(&bead, Kind::Bead, bears, 50.0);
        assert_eq!((held.bound, held.word), (430.0, None));
        assert_eq!(
            of_travels.clone().next(&way, Kind::Travel, free, 150.0),
            Ruling { reason: Reason::Sway, ..Ruling::NONE }
        );
        assert_eq!(of_travels.next(&way, Kind::Travel, bears, 150.0).word, Some(430));
    }
}

//! The gaps between runs of beads: where the file turns the screw back and forward by lengths of its own, and where
//! that is done by what the melt asks for instead.

use super::spring::Melt;
use crate::moves::{Kind, Move};

/// What becomes of a move in a gap; bits that can stand together.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Marks(u8);

impl Marks {
    /// The line goes: a reversal or a refill of the file's own.
    pub const DROP: Self = Self(1);
    /// The E of the line goes, its path stays: a reversal along a path.
    pub const STRIP: Self = Self(2);
    /// The screw turns back before this move.
    pub const RELIEVE: Self = Self(4);
    /// The screw refills the pressure before this move.
    pub const CHARGE: Self = Self(8);
    /// The last bead of a run.
    pub const LAST: Self = Self(16);
    /// A bead that asks all that the screw keeps up on average.
    pub const FULL: Self = Self(32);
    /// Of a refill only the part stays that is new melt.
    pub const NEW_MELT: Self = Self(64);
    /// Nothing.
    pub const NONE: Self = Self(0);

    /// Whether all bits of `other` are set.
    pub const fn has(self, other: Self) -> bool {
        self.0 & other.0 == other.0
    }

    /// Whether a bit of either is set.
    pub const fn any(self, one: Self, other: Self) -> bool {
        self.0 & (one.0 | other.0) != 0
    }

    /// Sets all bits of `other`.
    pub fn add(&mut self, other: Self) {
        self.0 |= other.0;
    }
}

/// Share of the melt's lag after which so much has drooled out that it is put back.
const REFILL_AFTER: f64 = 0.1;
/// Share of the lag after which the screw turns back, however short the way.
const RELIEVE_AFTER: f64 = 0.5;
/// A gap is decided on when this many moves wait for its end.
const MOST_WAITING: usize = 1 << 13;

/// What is taken out of a move, whatever stands around it.
#[inline]
pub fn taken_out(step: &Move) -> Marks {
    match step.kind {
        // Nearly all moves.
        Kind::Bead | Kind::Travel => Marks::NONE,
        _ if step.is_turn_alone() => Marks::DROP,
        _ if !step.is_free() => Marks::NONE,
        Kind::MovingTurn => Marks::STRIP,
        Kind::EIn if step.melt < step.volume => Marks::NEW_MELT,
        _ => Marks::NONE,
    }
}

/// Finds the gaps in the stream of moves.
#[derive(Clone, Debug)]
pub struct Gaps {
    /// The screw is turned back and refilled at rest; otherwise the pieces of the beads do it.
    at_rest: bool,
    min_travel_mm: f64,
    lag_s: f64,
    marks: Vec<Marks>,
    settled: usize,
    /// Index of the first move of the open gap, its path and its time.
    open: Option<(usize, f64, f64)>,
    /// The print has begun: there is something to relieve.
    pressed: bool,
    /// The next bead has to be charged.
    owed: bool,
    /// Index of the bead behind which no motion has come yet.
    bead: Option<usize>,
    /// Index of the reversal of the file's own behind the last bead, if it is taken out.
    reversal: Option<usize>,
}

impl Gaps {
    /// `at_rest`: relieve and charge at rest; `min_travel_mm`: shorter ways need no reversal.
    pub fn new(at_rest: bool, min_travel_mm: f64, melt: &Melt) -> Self {
        Self {
            at_rest,
            min_travel_mm,
            lag_s: melt.lag_s,
            marks: Vec::new(),
            settled: 0,
            open: None,
            pressed: false,
            owed: true,
            bead: None,
            reversal: None,
        }
    }

    /// Takes the next move; `time`: gives about how long it takes, s.
    #[inline]
    pub fn push(&mut self, step: &Move, time: impl FnOnce() -> f64) {
        // Nearly all moves of a print: a bead behind a bead.
        if !self.at_rest && step.is_screw_bead() {
            self.bead = Some(self.marks.len());
            self.reversal = None;
            self.settled = self.marks.len();
            self.marks.push(Marks::NONE);
            return;
        }
        self.push_any(step, time);
    }

    fn push_any(&mut self, step: &Move, time: impl FnOnce() -> f64) {
        let (own, free) = (step.has(Move::SCREW), step.is_free());
        let mut mark = taken_out(step);
        let stands = self.stands(step, mark);
        let waits = stands || matches!(step.kind, Kind::Travel | Kind::Bead | Kind::MovingTurn | Kind::Dwell);
        if !self.at_rest {
            if waits
                && let Some(bead) = self.bead.take()
                && let Some(mark) = self.marks.get_mut(bead)
            {
                mark.add(Marks::LAST);
            }
            self.marks.push(mark);
            self.settled = self.bead.unwrap_or(self.marks.len());
            if self.marks.len() - self.settled > MOST_WAITING {
                (self.bead, self.settled) = (None, self.marks.len());
            }
            return;
        }
        if step.kind == Kind::Bead && own {
            if let Some((first, path, idle)) = self.open.take() {
                let long = path >= self.min_travel_mm || idle >= RELIEVE_AFTER * self.lag_s;
                // Nothing can be put before a fixed line to charge again what was relieved: what the file does stays.
                if long && self.pressed {
                    if free { self.relieve(first) } else { self.leave(first) }
                }
                self.owed |= long || idle >= REFILL_AFTER * self.lag_s;
            }
            if free && std::mem::take(&mut self.owed) {
                mark.add(Marks::CHARGE);
            }
            (self.pressed, self.reversal) = (true, None);
            self.marks.push(mark);
            self.settled = self.marks.len();
            return;
        }
        let at = self.marks.len();
        self.marks.push(mark);
        let time = || if stands { time().max(self.lag_s) } else { time() };
        match &mut self.open {
            Some((_, path, idle)) if waits => {
                *path += step.length;
                *idle += time();
            }
            None if waits => self.open = Some((self.reversal.unwrap_or(at), step.length, time())),
            _ => {}
        }
        match self.open {
            None => {
                self.settled = self.reversal.unwrap_or(self.marks.len());
                if self.marks.len() - self.settled > MOST_WAITING {
                    (self.reversal, self.settled) = (None, self.marks.len());
                }
            }
            Some((first, ..)) if self.marks.len() - self.settled > MOST_WAITING => {
                if self.pressed {
                    self.relieve(first);
                }
                (self.owed, self.pressed, self.open, self.reversal) = (true, false, None, None);
                self.settled = self.marks.len();
            }
            Some(_) => {}
        }
    }

    /// Whether a move waits nobody knows how long: a pause, a heating, and whatever a command does before which the file
    /// turned the screw back, where that is taken out.
    fn stands(&mut self, step: &Move, mark: Marks) -> bool {
        match step.kind {
            Kind::Stop | Kind::Pause | Kind::Home | Kind::End => true,
            Kind::FeedUser => self.reversal.is_some() && step.e == 0.0,
            Kind::EOut | Kind::SetEOut if mark.has(Marks::DROP) => {
                self.reversal.get_or_insert(self.marks.len());
                false
            }
            Kind::EIn | Kind::SetEIn if mark.has(Marks::DROP) && self.open.is_none() => {
                self.reversal = None;
                false
            }
            _ => false,
        }
    }

    fn relieve(&mut self, first: usize) {
        if let Some(mark) = self.marks.get_mut(first) {
            mark.add(Marks::RELIEVE);
        }
    }

    /// What the file does itself in a gap stays as it is.
    fn leave(&mut self, first: usize) {
        self.marks.get_mut(first..).unwrap_or_default().fill(Marks::NONE);
    }

    /// No more moves will come.
    pub fn finish(&mut self) {
        let first = self.open.take().map(|(first, ..)| first).or(self.reversal.take());
        if let Some(first) = first.filter(|_| self.at_rest && self.pressed) {
            self.relieve(first);
        }
        if let Some(mark) = self.bead.take().and_then(|bead| self.marks.get_mut(bead)) {
            mark.add(Marks::LAST);
        }
        self.settled = self.marks.len();
    }

    /// Adds the marks that are settled, in the order of the moves.
    pub fn hand_over(&mut self, out: &mut Vec<Marks>) {
        out.extend(self.marks.drain(..self.settled));
        if let Some((first, ..)) = &mut self.open {
            *first -= self.settled;
        }
        if let Some(bead) = &mut self.bead {
            *bead -= self.settled;
        }
        // Along the path it only tells that there was one.
        if let Some(reversal) = &mut self.reversal {
            *reversal = reversal.saturating_sub(self.settled);
        }
        self.settled = 0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moves::sample;

    fn marks(at_rest: bool, moves: &[(Kind, f64, f64)]) -> Vec<Marks> {
        let melt = Melt { lag_s: 0.4, screw_mm3_s: 30.0, max_reverse_mm3: 5.0, window_s: 60.0 };
        let mut gaps = Gaps::new(at_rest, 5.0, &melt);
        let mut out = Vec::new();
        for &(kind, length, time) in moves {
            let bead = sample::bead(10.0, 1.0);
            let e = if kind == Kind::FeedUser { 0.0 } else { bead.e };
            gaps.push(&Move { kind, length, melt: 0.0, e, ..bead }, || time);
            gaps.hand_over(&mut out);
        }
        gaps.finish();
        gaps.hand_over(&mut out);
        out
    }

    #[test]
    fn fixed_reversals_go_and_gaps_are_relieved_and_charged() {
        let bead = (Kind::Bead, 10.0, 0.2);
        let moves = [
            bead,
            (Kind::EOut, 0.0, 0.1),
            (Kind::Travel, 30.0, 0.2),
            (Kind::EIn, 0.0, 0.1),
            bead,
            (Kind::Travel, 1.0, 0.01),
            bead,
            (Kind::Travel, 2.0, 0.05),
            bead,
            (Kind::MovingTurn, 2.0, 0.05),
            (Kind::Travel, 50.0, 0.4),
        ];
        let (c, r, d) = (Marks::CHARGE, Marks::RELIEVE, Marks::DROP);
        let stripped = Marks(Marks::STRIP.0 | Marks::RELIEVE.0);
        // What goes where the file turned back is done there.
        let instead = Marks(d.0 | r.0);
        let none = Marks::NONE;
        assert_eq!(marks(true, &moves), [c, instead, none, d, c, none, none, none, c, stripped, none]);
        // Along the path nothing is done at rest; the last bead of each run takes the pressure away.
        let last = Marks::LAST;
        assert_eq!(marks(false, &moves), [last, d, none, d, last, none, last, none, last, Marks::STRIP, none]);
    }

    #[test]
    fn an_endless_gap_does_not_wait_for_ever() {
        let mut moves = vec![(Kind::Bead, 10.0, 0.2)];
        moves.extend(vec![(Kind::Travel, 0.1, 0.001); 2 * MOST_WAITING + 10]);
        moves.push((Kind::Bead, 10.0, 0.2));
        let out = marks(true, &moves);
        assert!(out[1].has(Marks::RELIEVE) && out.last().unwrap().has(Marks::CHARGE));
        assert_eq!(out.iter().filter(|m| m.has(Marks::RELIEVE)).count(), 1);
    }

    /// At a lag of 0.4 s the screw turns back for ways of 5 mm and for 0.2 s without a bead, whatever the way, and the melt is
    /// put back from 0.04 s on.
    #[test]
    fn what_counts_as_idle_by_hand() {
        let none = Marks::NONE;
        let bead = (Kind::Bead, 10.0, 0.2);
        // The mark of the first move between two beads, and that of the second bead.
        let between = |moves: &[(Kind, f64, f64)]| {
            let out = marks(true, &[&[bead], moves, &[bead]].concat());
            (out[1], out[out.len() - 1])
        };
        let travel = |length, time| (Kind::Travel, length, time);
        let (relieved, charged) = (Marks::RELIEVE, Marks::CHARGE);
        assert_eq!(between(&[travel(1.0, 0.039)]), (none, none));
        assert_eq!(between(&[travel(1.0, 0.041)]), (none, charged));
        assert_eq!(between(&[travel(1.0, 0.199)]), (none, charged));
        assert_eq!(between(&[travel(1.0, 0.201)]), (relieved, charged));
        assert_eq!(between(&[travel(4.9, 0.01)]), (none, none));
        assert_eq!(between(&[travel(5.0, 0.01)]), (relieved, charged));
        // Ways and times add up; the head that waits is idle as well.
        assert_eq!(between(&[travel(2.5, 0.01), travel(2.5, 0.01)]), (relieved, charged));
        assert_eq!(between(&[travel(1.0, 0.101), travel(1.0, 0.1)]), (relieved, charged));
        for kind in [Kind::Dwell, Kind::Stop, Kind::Pause, Kind::Home, Kind::End] {
            assert_eq!(between(&[(kind, 0.0, 0.201)]), (relieved, charged), "{kind:?}");
        }
        // So does the way of a bead that another tool lays.
        let melt = Melt { lag_s: 0.4, screw_mm3_s: 30.0, max_reverse_mm3: 5.0, window_s: 60.0 };
        let mut gaps = Gaps::new(true, 5.0, &melt);
        for flags in [Move::SCREW, 0, Move::SCREW] {
            gaps.push(&Move { flags, ..sample::bead(6.0, 1.0) }, || 0.1);
        }
        let mut out = Vec::new();
        gaps.hand_over(&mut out);
        assert_eq!(out, [charged, relieved, charged]);
        // What takes no time on the way there opens no gap.
        assert_eq!(between(&[(Kind::Feed, 0.0, 0.3)]), (none, none));
        // Before the first bead there is nothing to relieve.
        assert_eq!(marks(true, &[travel(50.0, 1.0), bead]), [none, charged]);
    }

    /// Beads by another tool, and all that waits, end what the pieces of a run do.
    #[test]
    fn a_run_ends_where_anything_waits() {
        let bead = (Kind::Bead, 10.0, 0.2);
        for kind in [Kind::Travel, Kind::Dwell, Kind::Stop, Kind::Pause, Kind::Home, Kind::End, Kind::MovingTurn] {
            assert!(marks(false, &[bead, (kind, 1.0, 0.1), bead])[0].has(Marks::LAST), "{kind:?}");
        }
        assert_eq!(
            marks(false, &[bead, (Kind::Feed, 0.0, 0.0), bead, bead]),
            [Marks::NONE, Marks::NONE, Marks::NONE, Marks::LAST]
        );
        let melt = Melt { lag_s: 0.4, screw_mm3_s: 30.0, max_reverse_mm3: 5.0, window_s: 60.0 };
        let mut gaps = Gaps::new(false, 5.0, &melt);
        gaps.push(&sample::bead(10.0, 1.0), || 0.2);
        gaps.push(&Move { flags: 0, ..sample::bead(10.0, 1.0) }, || 0.2);
        let mut out = Vec::new();
        gaps.hand_over(&mut out);
        assert_eq!(out, [Marks::LAST, Marks::NONE]);
    }

    /// A command may take any time; where the file turns back before it, and that is taken out, something takes its place.
    #[test]
    fn a_reversal_before_a_command_is_not_lost() {
        let (bead, command) = ((Kind::Bead, 10.0, 0.2), (Kind::FeedUser, 0.0, 0.0));
        let (out, back) = ((Kind::EOut, 0.0, 0.1), (Kind::EIn, 0.0, 0.1));
        let (c, d, none) = (Marks::CHARGE, Marks::DROP, Marks::NONE);
        let instead = Marks(d.0 | Marks::RELIEVE.0);
        assert_eq!(marks(true, &[bead, out, command, back, bead]), [c, instead, none, d, c]);
        assert_eq!(marks(false, &[bead, out, command, back, bead])[0], Marks::LAST);
        // Of a command alone, and of one behind the refill, the file expects nothing.
        assert_eq!(marks(true, &[bead, command, bead]), [c, none, none]);
        assert_eq!(marks(true, &[bead, out, back, command, bead]), [c, d, d, none, none]);
        assert_eq!(marks(false, &[bead, command, bead])[0], none);
        assert_eq!(marks(false, &[bead, out, bead, command, bead])[2], none);
        // Nor is it lost at the end of the file.
        assert_eq!(marks(true, &[bead, out]), [c, instead]);
    }

    /// Lines that cannot be changed stay as they are: neither refills nor reversals are taken out of them, and they are not
    /// charged.
    #[test]
    fn fixed_lines_are_left_alone() {
        let fixed = |kind, melt| Move { kind, melt, flags: Move::SCREW | Move::FIXED, ..sample::bead(10.0, 1.0) };
        let free = |kind, melt| Move { kind, melt, ..sample::bead(10.0, 1.0) };
        for (kind, mark) in [(Kind::EOut, Marks::DROP), (Kind::EIn, Marks::DROP), (Kind::MovingTurn, Marks::STRIP)] {
            assert_eq!((taken_out(&fixed(kind, 0.0)), taken_out(&free(kind, 0.0))), (Marks::NONE, mark), "{kind:?}");
        }
        // A ten-thousandth of new melt is rounding; more is melt that somebody wants.
        assert_eq!(
            [0.9e-4, 1.1e-4, 1.0].map(|melt| taken_out(&free(Kind::EIn, melt))),
            [Marks::DROP, Marks::NEW_MELT, Marks::NONE]
        );
        let melt = Melt { lag_s: 0.4, screw_mm3_s: 30.0, max_reverse_mm3: 5.0, window_s: 60.0 };
        let mut gaps = Gaps::new(true, 5.0, &melt);
        for step in [free(Kind::Bead, 1.0), free(Kind::Travel, 0.0), fixed(Kind::Bead, 1.0), free(Kind::Bead, 1.0)] {
            gaps.push(&step, || 0.3);
        }
        let mut out = Vec::new();
        gaps.hand_over(&mut out);
        // No relief that the fixed bead could not charge again; the next free one gets what drooled out.
        assert_eq!(out, [Marks::CHARGE, Marks::NONE, Marks::NONE, Marks::CHARGE]);
        // The file's own reversal stays before it, and goes where the next bead is free.
        for (last, back) in [(fixed(Kind::Bead, 1.0), Marks::NONE), (free(Kind::Bead, 1.0), Marks::DROP)] {
            out.clear();
            let mut gaps = Gaps::new(true, 5.0, &melt);
            let turns = [free(Kind::EOut, 0.0), free(Kind::Travel, 0.0), free(Kind::EIn, 0.0)];
            for step in [free(Kind::Bead, 1.0), turns[0], turns[1], turns[2], last] {
                gaps.push(&step, || 0.3);
            }
            gaps.hand_over(&mut out);
            assert_eq!((out[1].has(Marks::DROP), out[3]), (back == Marks::DROP, back), "{out:?}");
        }
    }
}

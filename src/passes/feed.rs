//! From allowed speeds to F words.
//!
//! F is modal: a slowed move gets its own F, and whatever comes next and was not slowed gets the file's own back, to
//! the digit. Lines whose feed need not change are left as they are, and feeds that hardly differ are made one: where E is
//! rounded, beads of the same width ask a little more and a little less, and each would get an F of its own.

use super::Verdict;
use crate::moves::{Kind, Move};

/// Least decimals with which a feed of the file is written again; zeros at the end are not.
const FEED_DECIMALS: u8 = 3;
/// A slowed move keeps the feed of the one before where that is lower by at most this share.
const EVENED_SHARE: f64 = 0.005;
/// Seconds for one unit of a speed per minute.
const PER_SECOND: f64 = 1.0 / 60.0;

/// An F word to be written.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FeedWord {
    /// Units of the file per minute.
    pub value: f64,
    /// Decimals to write.
    pub decimals: u8,
}

impl FeedWord {
    /// The feed of the file behind a move, in mm per minute.
    pub fn of_file(step: &Move) -> Self {
        // Spelled in other units, it may need more decimals than it had.
        Self { value: step.feed_mm_min, decimals: step.feed_decimals.max(FEED_DECIMALS) }
    }

    /// The feed in force before the first F word, `initial_mm_s`, in mm per minute.
    pub fn initial(initial_mm_s: f64) -> Self {
        Self { value: initial_mm_s * 60.0, decimals: FEED_DECIMALS }
    }
}

/// What happens to the line of a move.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FeedEdit {
    /// The line stays as it is.
    Keep,
    /// Its F word is replaced.
    Replace(FeedWord),
    /// An F word is added.
    Insert(FeedWord),
    /// A line with the F word goes before it.
    LineBefore(FeedWord),
}

/// Makes feeds one that hardly differ.
#[derive(Clone, Debug)]
pub struct Evened {
    /// Speed of the move before without the speed factor, mm/s; no number behind anything but a path.
    before: f64,
}

impl Default for Evened {
    fn default() -> Self {
        Self { before: f64::NAN }
    }
}

impl Evened {
    /// Lowers the speed of the next move to that of the one before, if it is slowed and the two hardly differ.
    #[inline]
    pub fn next(&mut self, step: &Move, verdict: &mut Verdict) {
        if step.length <= 0.0 {
            // A step that does nothing stands for text alone.
            if step.kind != Kind::Feed || step.feed_len > 0 {
                self.before = f64::NAN;
            }
            return;
        }
        let kept = self.before * step.speed_factor;
        if verdict.reason.is_some() && kept <= verdict.speed && kept >= verdict.speed * (1.0 - EVENED_SHARE) {
            verdict.speed = kept;
            return;
        }
        self.before = verdict.speed / step.speed_factor;
    }
}

/// Follows the feed that is in force in the output.
#[derive(Clone, Debug)]
pub struct Feeds {
    /// mm per minute, before the speed factor.
    in_force: f64,
    /// The last speed that an F word was worked out for: neighbours mostly have the same.
    last: Slowed,
}

/// A speed and the F word for it.
#[derive(Clone, Debug)]
struct Slowed {
    /// Speed, mm/s, factor on it, and what else of a move tells how it is written.
    by: (f64, f64, u16),
    word: FeedWord,
    /// What the word gives, mm per minute, before the speed factor.
    feed: f64,
}

impl Slowed {
    /// Flags of a move that tell how its feed is written.
    const FLAGS: u16 = Move::INCH | Move::TIGHT;

    /// At no speed.
    const NONE: Self = Self { by: (f64::NAN, 1.0, 0), word: FeedWord { value: 0.0, decimals: 0 }, feed: 0.0 };

    #[inline(always)]
    fn by(speed: f64, step: &Move) -> (f64, f64, u16) {
        (speed, step.speed_factor, step.flags & Self::FLAGS)
    }

    /// At `speed` on the line of a move.
    fn to(&mut self, speed: f64, step: &Move) -> &Self {
        let by = Self::by(speed, step);
        if by != self.by {
            let mut word = lowered(speed * 60.0 / (step.speed_factor * step.unit_mm()));
            if step.has(Move::TIGHT) {
                word = whole(word);
            }
            *self = Self { by, word, feed: word.value * step.unit_mm() };
        }
        self
    }
}

impl Feeds {
    /// `initial_mm_s`: the feed in force before the first F word.
    pub fn new(initial_mm_s: f64) -> Self {
        Self { in_force: initial_mm_s * 60.0, last: Slowed::NONE }
    }

    /// The feed of a line that is put before that of `step`: `speed` mm/s, or units of E per second without motion.
    pub fn turn(&mut self, speed: f64, step: &Move) -> FeedWord {
        let word = lowered(speed * 60.0 / (step.speed_factor * step.unit_mm()));
        self.in_force = word.value * step.unit_mm();
        word
    }

    /// The word that puts the feed of the file back before a command that goes before `step`, if another one is in force.
    /// `own`: that feed, in mm per minute. Before a line that sets units or modes itself none goes.
    pub fn put_back(&mut self, own: FeedWord, step: &Move) -> Option<FeedWord> {
        if own.value == self.in_force || step.has(Move::BOUND) {
            return None;
        }
        self.in_force = own.value;
        Some(FeedWord { value: own.value / step.unit_mm(), ..own })
    }

    /// The feed in force where a command on its line runs under a lower one than the file has, mm per minute: nothing goes
    /// before a line that is numbered, or names other commands.
    pub fn lowered_for(&self, step: &Move) -> Option<f64> {
        let is_open = step.feed_len == 0 && self.in_force < step.feed_mm_min;
        (step.is_fixed_command() && is_open).then_some(self.in_force)
    }

    /// Something else ran that may have changed the feed: the next move gets its own.
    pub fn forget(&mut self) {
        self.in_force = f64::NAN;
    }

    /// The speed of the next move, mm/s, if its line stays as it is because the feed in force is the one it is to have.
    /// Most are such. Otherwise nothing is done, and [`next`](Self::next) tells what is.
    #[inline(always)]
    pub fn stays(&self, step: &Move, verdict: &Verdict) -> Option<f64> {
        let is_slowed = verdict.reason.is_some();
        let feed = if is_slowed { self.last.feed } else { step.feed_mm_min };
        if feed != self.in_force || step.feed_len > 0 || !moves(step) {
            return None;
        }
        if !is_slowed {
            return Some(step.speed);
        }
        let is_same = self.last.by == Slowed::by(verdict.speed, step) && feed < step.feed_mm_min;
        is_same.then_some(feed * (step.speed_factor * PER_SECOND))
    }

    /// What is done to the line of the next move, and the speed it then runs at, mm/s. `e_scale`: E of the output for
    /// one of the input, which feeds without motion count.
    // A part of its callers: they would read what it gives back wider than it was written.
    #[inline(always)]
    pub fn next(&mut self, step: &Move, verdict: &Verdict, e_scale: f64) -> (FeedEdit, f64) {
        if e_scale != 1.0 {
            return self.another_unit(step, verdict, e_scale);
        }
        if !moves(step) {
            return (self.without_motion(step), 0.0);
        }
        let own = step.feed_len > 0;
        // A feed below the least that can be written stays as it is.
        if verdict.reason.is_some() {
            let Slowed { word, feed, .. } = *self.last.to(verdict.speed, step);
            if feed < step.feed_mm_min {
                let speed = feed * (step.speed_factor * PER_SECOND);
                return (if own { self.replaced(word, feed) } else { self.added(word, feed, step) }, speed);
            }
        }
        // An unchanged line needs no word.
        if own || step.feed_mm_min == self.in_force {
            self.in_force = step.feed_mm_min;
            return (FeedEdit::Keep, step.speed);
        }
        (self.added(original(step), step.feed_mm_min, step), step.speed)
    }

    /// Another word goes where the line has one; `feed`: what it gives, mm per minute.
    #[inline]
    fn replaced(&mut self, word: FeedWord, feed: f64) -> FeedEdit {
        self.in_force = feed;
        FeedEdit::Replace(word)
    }

    /// A word is in force on a line without one; `feed`: what it gives, mm per minute.
    #[inline]
    fn added(&mut self, word: FeedWord, feed: f64, step: &Move) -> FeedEdit {
        if feed == self.in_force {
            return FeedEdit::Keep;
        }
        self.in_force = feed;
        if step.has(Move::FEED_BEFORE) { FeedEdit::LineBefore(word) } else { FeedEdit::Insert(word) }
    }

    /// What is done to a line that moves nothing.
    fn without_motion(&mut self, step: &Move) -> FeedEdit {
        let own = step.feed_len > 0;
        match step.kind {
            Kind::FeedUser | Kind::Pause | Kind::End if !own && step.has(Move::BOUND) => self.forget(),
            // Nothing goes before a line with a number: it runs with what is in force.
            Kind::FeedUser | Kind::Pause | Kind::End if !own && step.has(Move::FIXED) => {}
            Kind::FeedUser | Kind::Pause | Kind::End if !own && self.in_force != step.feed_mm_min => {
                self.in_force = step.feed_mm_min;
                return FeedEdit::LineBefore(original(step));
            }
            Kind::Feed if !own => {}
            Kind::Feed | Kind::FeedUser | Kind::Pause | Kind::End => self.in_force = step.feed_mm_min,
            _ => {}
        }
        FeedEdit::Keep
    }

    /// A move without motion whose E counts in another unit than the file's.
    fn another_unit(&mut self, step: &Move, verdict: &Verdict, e_scale: f64) -> (FeedEdit, f64) {
        let word = lowered(verdict.speed.min(step.speed) * e_scale * 60.0 / (step.speed_factor * step.unit_mm()));
        let feed = word.value * step.unit_mm();
        let edit = match (step.feed_len > 0, feed == self.in_force) {
            (true, _) => FeedEdit::Replace(word),
            (false, true) => FeedEdit::Keep,
            (false, false) if step.has(Move::FEED_BEFORE) => FeedEdit::LineBefore(word),
            (false, false) => FeedEdit::Insert(word),
        };
        self.in_force = feed;
        (edit, feed * (step.speed_factor * PER_SECOND) / e_scale)
    }
}

/// Whether the feed in force tells how fast a move is.
#[inline(always)]
fn moves(step: &Move) -> bool {
    matches!(step.kind, Kind::Bead | Kind::Travel | Kind::EIn | Kind::EOut | Kind::MovingTurn)
}

/// The feed of the file in force at a move.
fn original(step: &Move) -> FeedWord {
    FeedWord { value: step.feed_mm_min / step.unit_mm(), ..FeedWord::of_file(step) }
}

/// The largest F that can be written and is not above `value` (units per minute).
///
/// One decimal, as feeds are usually written; three below 1, where a tenth would be a coarse step. The least is
/// 0.001, since a feed of zero stops some controllers.
fn lowered(value: f64) -> FeedWord {
    let (decimals, scale, quantum) = if value >= 1.0 { (1, 10.0, 0.1) } else { (3, 1000.0, 0.001) };
    // What is a whole number of quanta but for rounding stays that number.
    let quanta = ((value * scale * (1.0 + 1e-12)) as i64).max(1) as f64;
    FeedWord { value: quanta * quantum, decimals }
}

/// Without decimals, where there is no room for them; a feed below 1 stays.
fn whole(word: FeedWord) -> FeedWord {
    if word.value >= 1.0 { FeedWord { value: word.value.floor(), decimals: 0 } } else { word }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moves::sample;
    use crate::passes::Reason;

    /// Speeds of moves one after the other, at this factor on speeds, slowed or not.
    fn evened(factor: f64, moves: &[(f64, bool)]) -> Vec<f64> {
        let mut evened = Evened::default();
        let next = |&(speed, is_slowed): &(f64, bool)| {
            let step = Move { speed_factor: factor, ..sample::bead(10.0, 1.0) };
            let mut verdict = Verdict { speed, reason: is_slowed.then_some(Reason::PeakCapacity) };
            evened.next(&step, &mut verdict);
            verdict.speed
        };
        moves.iter().map(next).collect()
    }

    #[test]
    fn slowed_moves_keep_a_speed_that_is_hardly_lower() {
        let slowed = [(30.0, true), (30.1, true), (30.16, true), (29.9, true), (30.0, true)];
        assert_eq!(evened(1.0, &slowed), [30.0, 30.0, 30.16, 29.9, 29.9], "half a percent of 30.16 is 0.151");
        assert_eq!(evened(1.0, &[(30.0, true), (30.1, false), (30.2, true)]), [30.0, 30.1, 30.1]);
        assert_eq!(evened(0.5, &[(15.0, false), (15.05, true)]), [15.0, 15.0], "the same feed");
    }

    #[test]
    fn what_has_no_path_ends_a_feed() {
        let mut evened = Evened::default();
        let bead = sample::bead(10.0, 1.0);
        let slowed = |speed: f64| Verdict { speed, reason: Some(Reason::PeakCapacity) };
        let (mut first, mut turn, mut next) = (slowed(30.0), slowed(5.0), slowed(30.1));
        evened.next(&bead, &mut first);
        evened.next(&Move { kind: Kind::EIn, length: 0.0, ..bead }, &mut turn);
        evened.next(&bead, &mut next);
        assert_eq!((turn.speed, next.speed), (5.0, 30.1));
    }

    #[test]
    fn lines_that_stay_are_told_at_once() {
        let mut feeds = Feeds::new(0.0);
        let bead = sample::bead(10.0, 1.0);
        let slowed = |speed: f64| Verdict { speed, reason: Some(Reason::PeakCapacity) };
        let at = |feed: f64| Move { feed_mm_min: feed, speed: feed / 60.0, ..bead };
        assert_eq!(feeds.stays(&at(3000.0), &slowed(30.0)), None, "another feed is in force");
        feeds.next(&at(3000.0), &slowed(30.0), 1.0);
        assert!(feeds.stays(&at(3000.0), &slowed(30.0)).is_some_and(|speed| (speed - 30.0).abs() < 1e-9));
        assert_eq!(feeds.stays(&at(3000.0), &slowed(20.0)), None, "another speed");
        assert_eq!(feeds.stays(&at(1500.0), &slowed(30.0)), None, "the file is slower than that");
        assert_eq!(feeds.stays(&Move { feed_len: 5, ..at(3000.0) }, &slowed(30.0)), None, "a feed stands there");
        assert_eq!(feeds.stays(&Move { kind: Kind::Dwell, ..at(1800.0) }, &Verdict::unlimited(&bead)), None);
        assert_eq!(feeds.stays(&at(1800.0), &Verdict::unlimited(&bead)), Some(30.0));
    }

    #[test]
    fn lowered_never_rises() {
        for (value, want, decimals) in [(1234.56, 1234.5, 1), (600.0, 600.0, 1), (0.98765, 0.987, 3), (1e-9, 0.001, 3)]
        {
            let word = lowered(value);
            assert!((word.value - want).abs() < 1e-9 && word.decimals == decimals, "{value}: {word:?}");
        }
    }
}

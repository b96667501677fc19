//! From allowed speeds to F words.
//!
//! F is modal: a slowed move gets its own F, and whatever comes next and was not slowed gets the file's own back, to
//! the digit. Lines whose feed need not change are left as they are.

use super::Verdict;
use crate::moves::{Kind, Move};

/// Least decimals with which a feed of the file is written again; zeros at the end are not.
const FEED_DECIMALS: u8 = 3;
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

/// Follows the feed that is in force in the output.
#[derive(Clone, Debug)]
pub struct Feeds {
    /// mm per minute, before the speed factor.
    in_force: f64,
}

impl Feeds {
    /// `initial_mm_s`: the feed in force before the first F word.
    pub fn new(initial_mm_s: f64) -> Self {
        Self { in_force: initial_mm_s * 60.0 }
    }

    /// The feed of a line that is put before that of `step`: `speed` mm/s, or units of E per second without motion.
    pub fn turn(&mut self, speed: f64, step: &Move) -> FeedWord {
        let word = lowered(speed * 60.0 / (step.speed_factor * step.unit_mm()));
        self.in_force = word.value * step.unit_mm();
        word
    }

    /// Something else ran that may have changed the feed: the next move gets its own.
    pub fn forget(&mut self) {
        self.in_force = f64::NAN;
    }

    /// What is done to the line of the next move, and the speed it then runs at, mm/s. `e_scale`: E of the output for
    /// one of the input, which feeds without motion count.
    pub fn next(&mut self, step: &Move, verdict: &Verdict, e_scale: f64) -> (FeedEdit, f64) {
        if e_scale != 1.0 {
            return self.another_unit(step, verdict, e_scale);
        }
        let own = step.feed_len > 0;
        // Spelled in other units, it may need more decimals than it had.
        let decimals = step.feed_decimals.max(FEED_DECIMALS);
        let original = || FeedWord { value: step.feed_mm_min / step.unit_mm(), decimals };
        match step.kind {
            Kind::Dwell | Kind::Stop | Kind::Limits | Kind::SetE | Kind::SetEOut | Kind::SetEIn => {
                return (FeedEdit::Keep, 0.0);
            }
            Kind::Feed if !own => return (FeedEdit::Keep, 0.0),
            Kind::FeedUser if !own && self.in_force != step.feed_mm_min => {
                self.in_force = step.feed_mm_min;
                return (FeedEdit::LineBefore(original()), 0.0);
            }
            Kind::Feed | Kind::FeedUser => {
                self.in_force = step.feed_mm_min;
                return (FeedEdit::Keep, 0.0);
            }
            Kind::Bead | Kind::Travel | Kind::EIn | Kind::EOut | Kind::MovingEOut => {}
        }
        // A feed below the least that can be written stays as it is.
        let slower = verdict.reason.and_then(|_| {
            let mut word = lowered(verdict.speed * 60.0 / (step.speed_factor * step.unit_mm()));
            if step.has(Move::TIGHT) {
                word = whole(word);
            }
            let feed = word.value * step.unit_mm();
            (feed < step.feed_mm_min).then_some((word, feed))
        });
        let (word, wanted, speed) = match slower {
            Some((word, feed)) => (word, feed, feed * (step.speed_factor * PER_SECOND)),
            // An unchanged line needs no word.
            None if own || step.feed_mm_min == self.in_force => {
                self.in_force = step.feed_mm_min;
                return (FeedEdit::Keep, step.speed);
            }
            None => (original(), step.feed_mm_min, step.speed),
        };
        let edit = if own {
            FeedEdit::Replace(word)
        } else if wanted == self.in_force {
            FeedEdit::Keep
        } else if step.has(Move::FEED_BEFORE) {
            FeedEdit::LineBefore(word)
        } else {
            FeedEdit::Insert(word)
        };
        self.in_force = wanted;
        (edit, speed)
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

    #[test]
    fn lowered_never_rises() {
        for (value, want, decimals) in [(1234.56, 1234.5, 1), (600.0, 600.0, 1), (0.98765, 0.987, 3), (1e-9, 0.001, 3)]
        {
            let word = lowered(value);
            assert!((word.value - want).abs() < 1e-9 && word.decimals == decimals, "{value}: {word:?}");
        }
    }
}

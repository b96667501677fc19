//! Lines that switch on the controller's own compensation of melt lag, and are to become comments.

use super::{At, Resolver};
use crate::line::Line;
use crate::moves::limits::MotionLimits;
use crate::moves::words::Words;
use crate::moves::{Kind, Move, named};

/// The lag that an M command sets, s: `M900 K` and `M572 S`, the only command of their line.
fn commanded(words: &Words) -> Option<f64> {
    match words.commands() {
        [only] if only.letter == b'M' && only.tenths == 9000 => words.get(b'K'),
        [only] if only.letter == b'M' && only.tenths == 5720 => words.get(b'S'),
        _ => None,
    }
}

impl Resolver {
    /// Takes out an M command that switches the compensation on; says whether it did. `number`: the command's.
    pub(super) fn takes_out_command(&mut self, words: &Words, number: u32, at: At<'_>) -> bool {
        let rules = self.rules.limit_words;
        self.takes_out(at, commanded(words), |limits| {
            limits.follow(number, rules, |letter| words.get(letter));
        })
    }

    /// The same for a named command; `text`: without its comment.
    pub(super) fn takes_out_named(&mut self, text: &[u8], at: At<'_>) -> bool {
        if !self.rules.takes_out_lag {
            return false;
        }
        let rules = self.rules.limit_words;
        let lag = named::lag_filter(text).and_then(|filter| filter.lag_s);
        self.takes_out(at, lag, |limits| {
            named::follow(text, rules, limits);
        })
    }

    /// `follow`: lets the limits of the file follow the line.
    fn takes_out(&mut self, at: At<'_>, lag: Option<f64>, follow: impl FnOnce(&mut MotionLimits)) -> bool {
        // A sender would ask for a line that is counted.
        let counted = at.line.flags & (Line::CHECKSUM | Line::NUMBERED) != 0;
        if !self.rules.takes_out_lag || counted || lag.is_none_or(|lag| lag <= 0.0) {
            return false;
        }
        // The file as it came has the lag in force from here on; the output does not.
        let kept = self.state.limits.e_lag_in_output_s;
        self.state.limits.next_line();
        follow(&mut self.state.limits);
        self.state.limits.e_lag_in_output_s = kept;
        self.side.limits.push(self.state.limits);
        let blank = self.blank(Kind::Limits, at);
        self.moves.push(Move { feed_at: at.line.start, flags: blank.flags | Move::TAKE_OUT, ..blank });
        true
    }
}

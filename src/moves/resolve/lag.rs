//! Lines that switch on the controller's own compensation of melt lag, and are to become comments.

use super::rules::LagTakenOut;
use super::{At, Resolver};
use crate::findings::Code;
use crate::line::Line;
use crate::moves::limits::MotionLimits;
use crate::moves::words::{Command, Words};
use crate::moves::{Kind, Move, named};

/// An M command that sets the lag, the only one of its line, and what it sets, s: `M900 K` and `M572 S`.
fn commanded(words: &Words) -> Option<(Command, f64)> {
    let [only] = words.commands() else { return None };
    let letter = match (only.letter, only.tenths) {
        (b'M', 9000) => b'K',
        (b'M', 5720) => b'S',
        _ => return None,
    };
    Some((*only, words.get(letter)?))
}

impl Resolver {
    /// Takes out an M command that switches the compensation on; says whether it did.
    pub(super) fn takes_out_command(&mut self, words: &Words, at: At<'_>) -> bool {
        let Some((command, lag)) = commanded(words) else { return false };
        let rules = self.rules.limit_words;
        self.takes_out(at, lag, self.watch.follows(command), |limits| {
            limits.follow(command.tenths / 10, rules, |letter| words.get(letter));
        })
    }

    /// The same for a named command; `text`: without its comment.
    pub(super) fn takes_out_named(&mut self, text: &[u8], at: At<'_>) -> bool {
        let Some(lag) = named::lag_filter(text).and_then(|filter| filter.lag_s) else { return false };
        let rules = self.rules.limit_words;
        self.takes_out(at, lag, self.watch.follows_names(), |limits| {
            named::follow(text, rules, limits);
        })
    }

    /// `is_followed`: the controller acts on it; `follow`: lets the limits of the file follow the line.
    fn takes_out(&mut self, at: At<'_>, lag_s: f64, is_followed: bool, follow: impl FnOnce(&mut MotionLimits)) -> bool {
        // A sender would ask for a line that is counted.
        let counted = at.line.flags & (Line::CHECKSUM | Line::NUMBERED) != 0;
        if counted || lag_s <= 0.0 {
            return false;
        }
        match self.rules.lag_taken_out {
            LagTakenOut::Followed if is_followed => {
                let text = at.block.bytes.get(at.line.start as usize..at.line.comment as usize).unwrap_or_default();
                self.found(Code::LagFeature, at, || String::from_utf8_lossy(text).trim().to_owned());
            }
            LagTakenOut::Followed | LagTakenOut::Nothing => return false,
            LagTakenOut::Everything => {}
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

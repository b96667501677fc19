//! Lines that set the controller's own compensation of melt lag, and are to become comments: those that switch it on, and
//! where it is counted on those that switch it off as well.

use super::rules::LagTakenOut;
use super::{At, Resolver};
use crate::findings::Code;
use crate::line::Line;
use crate::moves::controller::{lag_command, lag_name};
use crate::moves::limits::MotionLimits;
use crate::moves::words::{Command, Words};
use crate::moves::{Kind, Move, named};

/// An M command that sets the lag, the only one of its line, with the letter and what it sets, s: `M900 K` and `M572 S`.
fn commanded(words: &Words) -> Option<(Command, char, f64)> {
    let [only] = words.commands() else { return None };
    let letter = match (only.letter, only.tenths) {
        (b'M', 9000) => 'K',
        (b'M', 5720) => 'S',
        _ => return None,
    };
    Some((*only, letter, words.get(letter as u8)?))
}

impl Resolver {
    /// Whether what is set holds for the screw: of the tool that it names, or of the active one.
    fn is_of_screw(&self, tool: Option<u32>) -> bool {
        tool.map_or(self.is_screw, |tool| self.rules.tools.contains(&tool))
    }

    /// Takes out an M command that sets the compensation; says whether it did.
    pub(super) fn takes_out_command(&mut self, words: &Words, at: At<'_>) -> bool {
        let Some((command, letter, lag)) = commanded(words) else { return false };
        let tool = words.get(if letter == 'K' { b'T' } else { b'D' }).map(|tool| tool as u32);
        if !self.is_of_screw(tool) {
            return false;
        }
        let rules = self.rules.limit_words;
        let told = self.watch.follows(command).then(|| lag_command(command, letter, lag));
        self.takes_out(at, lag, told, |limits| {
            limits.follow(command.tenths / 10, rules, |letter| words.get(letter));
        })
    }

    /// The same for a named command; `text`: without its comment.
    pub(super) fn takes_out_named(&mut self, text: &[u8], at: At<'_>) -> bool {
        let Some(filter) = named::lag_filter(text).filter(|filter| self.is_of_screw(filter.tool)) else { return false };
        let Some(lag) = filter.lag_s else { return false };
        let rules = self.rules.limit_words;
        let told = self.watch.follows_names().then(|| lag_name(lag, text));
        self.takes_out(at, lag, told, |limits| {
            named::follow(text, rules, limits);
        })
    }

    /// `told`: what is told of it, where the controller acts on it; `follow`: lets the limits of the file follow the line.
    fn takes_out(
        &mut self,
        at: At<'_>,
        lag_s: f64,
        told: Option<String>,
        follow: impl FnOnce(&mut MotionLimits),
    ) -> bool {
        // A sender would ask for a line that is counted.
        let counted = at.line.flags & (Line::CHECKSUM | Line::NUMBERED) != 0;
        if counted || lag_s <= 0.0 && !self.watch.counts_on_lag {
            return false;
        }
        match (self.rules.lag_taken_out, told) {
            (LagTakenOut::Followed, Some(told)) => self.found(Code::LagFeature, at, || told),
            (LagTakenOut::Followed | LagTakenOut::Nothing, _) => return false,
            (LagTakenOut::Everything, _) => {}
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

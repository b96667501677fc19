//! What becomes of the E of a line: another number, or several lines with a part each.

use super::{Drive, How, LinesBefore};
use crate::motion::Timing;
use crate::moves::Move;
use crate::passes::e_count::ECount;
use crate::passes::lag::gaps::Marks;
use crate::passes::lag::ramp::Piece;
use crate::passes::lag::spring::Weights;
use crate::pipeline::compose::EPiece;
use crate::pipeline::edits::ELine;
use crate::units::Bounded;

impl Drive {
    /// [`bead`](Self::bead) for one of few.
    #[inline(never)]
    pub(super) fn bead_apart(&mut self, step: &Move, marks: Marks, timing: &Timing, pieces: &mut Vec<EPiece>) -> ELine {
        self.bead(step, marks, timing, pieces)
    }

    /// What becomes of the E of a bead, where that of every bead is written anew.
    #[inline(always)]
    pub fn bead(&mut self, step: &Move, marks: Marks, timing: &Timing, pieces: &mut Vec<EPiece>) -> ELine {
        self.count.see(step);
        if self.how != How::AlongPath || step.flags & (Move::FIXED | Move::FEED_BEFORE) != 0 {
            self.lay_evenly(step, timing);
            return self.anew(step, step.volume, timing.time, pieces);
        }
        let area = step.volume / step.length;
        let units = self.count.units_by(|| mean_flow(step.volume, timing.time));
        let Some(volume) = self.ramp.whole(step, marks, timing, area, &mut self.spring) else {
            return self.in_pieces(step, marks, timing, area, units, pieces);
        };
        self.account.lay(volume);
        let most = self.most_e(step, volume * units);
        if (volume * units).abs() > most {
            return self.several(step, volume, units, most, pieces);
        }
        ELine::Word(self.count.word(volume, units, step))
    }

    /// A line whose E is more than one line may have.
    #[cold]
    fn several(&mut self, step: &Move, volume: f64, units: f64, most: f64, pieces: &mut Vec<EPiece>) -> ELine {
        let first = pieces.len();
        divide(&mut self.count, step, Piece { end: 1.0, volume }, 0.0, units, most, pieces);
        ELine::Pieces((pieces.len() - first) as u32)
    }

    /// A bead pushes what the file asks, whatever its speed does.
    #[inline(never)]
    pub(super) fn lay_evenly(&mut self, step: &Move, timing: &Timing) {
        self.account.lay(step.volume);
        if timing.time > 0.0 {
            let area = step.volume / step.length;
            let mean = step.length / timing.time;
            let lag = self.melt.lag_s;
            if self.how == How::ByController {
                self.spring.stored = lag * area * timing.exit;
            } else {
                self.spring.lay(Weights::new(timing.time, mean, mean, lag), area, step.volume, step.volume);
            }
        }
    }

    /// The same for a bead whose flow changes along its path.
    #[inline(never)]
    fn in_pieces(
        &mut self,
        step: &Move,
        marks: Marks,
        timing: &Timing,
        area: f64,
        units: f64,
        pieces: &mut Vec<EPiece>,
    ) -> ELine {
        let first = pieces.len();
        let mut begun = 0.0;
        // What stays whole has one piece, of about its volume.
        let most = self.most_e(step, step.volume * units);
        let (count, account) = (&mut self.count, &mut self.account);
        self.ramp.pieces(step, marks, timing, area, &mut self.spring, |piece| {
            account.lay(piece.volume);
            divide(count, step, piece, begun, units, most, pieces);
            begun = piece.end;
        });
        match pieces.get(first..) {
            Some([only]) => {
                let word = only.e;
                pieces.truncate(first);
                ELine::Word(word)
            }
            Some(list) => ELine::Pieces(list.len() as u32),
            None => ELine::Keep,
        }
    }

    /// A line whose E pushes `volume` as a whole.
    pub(super) fn whole(
        &mut self,
        step: &Move,
        volume: f64,
        time: f64,
        lines: &mut LinesBefore<'_>,
        pieces: &mut Vec<EPiece>,
    ) -> ELine {
        let differs = (volume - step.volume).abs() > 1e-9 * step.volume.abs();
        let kept = !self.rewrites() && !differs;
        if kept && (!step.has(Move::FIXED) || self.start_of(step).is_none()) {
            return self.keep(step, lines);
        }
        self.anew(step, volume, time, pieces)
    }

    /// A line with another E, which pushes `volume`.
    #[inline(never)]
    fn anew(&mut self, step: &Move, volume: f64, time: f64, pieces: &mut Vec<EPiece>) -> ELine {
        let units = self.count.units_by(|| mean_flow(volume, time));
        let most = self.most_e(step, volume * units);
        if (volume * units).abs() > most {
            return self.several(step, volume, units, most, pieces);
        }
        ELine::Word(self.count.word(volume, units, step))
    }

    /// Most E of the lines of a move that asks for `e`, units of the output. What stays one line has all of it, which is
    /// told.
    #[inline]
    fn most_e(&mut self, step: &Move, e: f64) -> f64 {
        let most = self.most_e[usize::from(step.length <= 0.0)];
        if step.flags & (Move::FIXED | Move::WHOLE) == 0 {
            return most;
        }
        if e.abs() > most && self.count.is_another_unit() {
            self.excess = Some([e, most]);
        }
        f64::INFINITY
    }
}

/// Adds a piece of a line that begins at share `begun`, in as many even parts as keep E within `most`.
#[inline(always)]
fn divide(count: &mut ECount, step: &Move, piece: Piece, begun: f64, units: f64, most: f64, pieces: &mut Vec<EPiece>) {
    let parts = parts((piece.volume * units).abs(), most);
    if parts == 1 {
        let e = count.word(piece.volume, units, step);
        pieces.push(EPiece { end: begun + (piece.end - begun), e });
        return;
    }
    for k in 1..=parts {
        let share = f64::from(k) / f64::from(parts);
        let word = count.word(piece.volume / f64::from(parts), units, step);
        pieces.push(EPiece { end: begun + (piece.end - begun) * share, e: word });
    }
}

/// Flow of `volume` mm³ in `time` s, mm³/s; none where they take no time.
fn mean_flow(volume: f64, time: f64) -> f64 {
    if time > 0.0 { volume / time } else { 0.0 }
}

/// Lines that so much E takes; one for what is no number, as next to nothing times next to nothing may be.
pub(super) fn parts(units: f64, most: f64) -> u16 {
    if units > most { (units / most).ceil().at_most(f64::from(u16::MAX)) as u16 } else { 1 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_takes_at_least_one_part() {
        for (units, most, lines) in [(0.0, 50.0, 1), (50.0, 50.0, 1), (50.1, 50.0, 2), (1e300, 50.0, u16::MAX)] {
            assert_eq!(parts(units, most), lines, "{units}");
        }
        assert_eq!(parts(f64::NAN, 50.0), 1);
    }
}

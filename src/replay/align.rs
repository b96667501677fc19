//! What the original wants along the path of a rewritten file.
//!
//! A rewritten file goes the same path, with moves split and, between them, E-only moves, feeds and waits of its own.
//! Both files are walked in parallel: moves with path are taken from the original until they cover the move of the file,
//! and each piece of the file wants the bead area of the original's move it lies on. Moves without path are not aligned.

use crate::error::{Error, ErrorKind, Result};
use crate::moves::{Kind, Move};

/// What the rounding of coordinates may add to or take from the length of a piece, mm: 0.001 mm at both ends.
const ROUNDING_MM: f64 = 2e-3;

/// A part of a move's path with what is wanted on it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Span {
    /// Its length, mm.
    pub length: f64,
    /// Bead area wanted, mm²; 0 where nothing is to be laid.
    pub area: f64,
}

impl Span {
    /// What a move by itself wants along its path; only beads of the screw count.
    pub fn of(step: &Move) -> Self {
        let area = if step.has(Move::SCREW) { step.bead_area() } else { None };
        Self { length: step.length, area: area.unwrap_or(0.0) }
    }
}

/// A move with path of the original.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Course {
    /// What it wants.
    pub span: Span,
    /// End less start, mm.
    pub delta: [f64; 3],
    /// Number of its line, counted from 1.
    pub line: u64,
}

/// A move of the original that the file has not gone to its end.
#[derive(Clone, Copy, Debug)]
struct Open {
    course: Course,
    left: f64,
    delta: [f64; 3],
    /// Moves of the file on it so far.
    pieces: u32,
}

impl Open {
    fn tolerance(&self) -> f64 {
        ROUNDING_MM * f64::from(self.pieces + 1)
    }
}

/// Walks the original beside the file.
#[derive(Clone, Debug, Default)]
pub struct Follower {
    open: Option<Open>,
}

impl Follower {
    /// What the original wants along `step`, a move of the file with path. `next` gives the original's next move
    /// with path; `None` at its end.
    ///
    /// # Errors
    /// [`ErrorKind::PathsDiffer`] where the file leaves the original's path; what `next` returns.
    pub fn follow(&mut self, step: &Move, next: impl FnOnce() -> Result<Option<Course>>) -> Result<Span> {
        let mut open = match self.open.take() {
            Some(open) => open,
            None => match next()? {
                Some(course) => Open { course, left: course.span.length, delta: course.delta, pieces: 0 },
                None => {
                    return Err(differ("the original ends before this line: no path is left in it".to_owned()));
                }
            },
        };
        open.pieces = open.pieces.saturating_add(1);
        let tolerance = open.tolerance();
        open.left -= step.length;
        for (left, gone) in open.delta.iter_mut().zip(step.delta) {
            *left -= gone;
        }
        let area = open.course.span.area;
        if open.left > tolerance {
            self.open = Some(open);
        } else if open.left < -tolerance || open.delta.iter().any(|left| left.abs() > tolerance) {
            return Err(differ(beyond(step, &open)));
        }
        Ok(Span { length: step.length, area })
    }

    /// The file has ended.
    ///
    /// # Errors
    /// [`ErrorKind::PathsDiffer`] if the original goes on.
    pub fn finish(&self, next: impl FnOnce() -> Result<Option<Course>>) -> Result<()> {
        let left = self
            .open
            .map_or_else(|| next().map(|next| next.map(|course| course.line)), |open| Ok(Some(open.course.line)))?;
        match left {
            Some(line) => Err(differ(format!("the file ends where the original goes on with its line {line}"))),
            None => Ok(()),
        }
    }
}

/// Says how a move leaves the path of the original.
fn beyond(step: &Move, open: &Open) -> String {
    let Course { span, line, .. } = open.course;
    let before = open.left + step.length;
    if open.left < -open.tolerance() {
        let left = if open.pieces == 1 {
            format!("is {:.3} mm long", span.length)
        } else {
            format!("has {:.3} of {:.3} mm left", before.max(0.0), span.length)
        };
        return format!("this move is {:.3} mm long, where line {line} of the original {left}", step.length);
    }
    let off = open.delta.iter().map(|left| left * left).sum::<f64>().sqrt();
    format!("this move ends {off:.3} mm from where line {line} of the original ends")
}

fn differ(what: String) -> Error {
    Error::new(ErrorKind::PathsDiffer { what })
}

/// The move of the original, as far as it is followed; `None` for moves without path.
pub fn course(step: &Move, line: u64) -> Option<Course> {
    let has_path = step.length > 0.0 && !matches!(step.kind, Kind::Limits | Kind::Feed | Kind::FeedUser);
    has_path.then(|| Course { span: Span::of(step), delta: step.delta, line })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moves::sample;

    /// Whether a file of these moves, by their length and their ends in X and Y, fits a move of 10 mm along X, to its end.
    fn fits(moves: &[(f64, [f64; 2])]) -> bool {
        let step = sample::bead(10.0, 1.0);
        let mut follower = Follower::default();
        let mut from = [0.0; 2];
        let mut original = Some(course(&step, 7).expect("a path"));
        for (length, to) in moves {
            let delta = [to[0] - from[0], to[1] - from[1], 0.0];
            let step = Move { length: *length, delta, ..sample::bead(1.0, 0.1) };
            if follower.follow(&step, || Ok(original.take())).is_err() {
                return false;
            }
            from = *to;
        }
        follower.finish(|| Ok(original.take())).is_ok()
    }

    /// 0.002 mm at its start and as much at its end: one move is off by 0.004 at most.
    #[test]
    fn a_move_may_be_off_by_what_is_rounded_at_both_ends() {
        for (off, is_same) in [(0.0, true), (0.0039, true), (0.0041, false), (-0.0039, true), (-0.0041, false)] {
            assert_eq!(fits(&[(10.0 + off, [10.0, 0.0])]), is_same, "length {off}");
            assert_eq!(fits(&[(10.0, [10.0 + off, 0.0])]), is_same, "along {off}");
            assert_eq!(fits(&[(10.0, [10.0, off])]), is_same, "beside {off}");
        }
    }

    /// Each piece is rounded where it ends: three of them have four ends, 0.008 mm.
    #[test]
    fn each_piece_adds_what_is_rounded_at_its_end() {
        for (off, is_same) in [(0.0079, true), (0.0081, false), (-0.0079, true), (-0.0081, false)] {
            let third = (10.0 + off) / 3.0;
            let ends = [1.0, 2.0, 3.0].map(|piece| (third, [piece * third, 0.0]));
            assert_eq!(fits(&ends), is_same, "{off}");
        }
        // A file that ends within the move has not gone all of it.
        assert!(!fits(&[(5.0, [5.0, 0.0])]));
    }
}

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

//! Where the machine stands: moves hold distances, anchors hold positions.

use super::{Move, Side};

/// A position that does not follow from the moves before it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Anchor {
    /// Index in the block of the move before which it holds.
    pub index: usize,
    /// Position of the machine, mm.
    pub position: [f64; 3],
    /// Position of the machine minus the position as the file counts it (`G92`), mm.
    pub offset: [f64; 3],
    /// Whether all of it is known: each axis was homed, or moved to a stated place.
    pub known: bool,
}

/// Positions are given in multiples of 1 / 10⁷ mm, finer than any file states them. Sums of distances differ from the
/// position itself in their last bits, by how far back the block began; what is decided by positions must not.
const PARTS_PER_MM: f64 = 1e7;

/// Follows the position through the moves of a block, in mm of the machine.
///
/// Where a block begins has no say in the positions.
///
/// ```
/// use meltwright::moves::{Side, track::{Anchor, Track}};
/// let anchor = Anchor { index: 0, position: [1.0, 2.0, 0.3], offset: [0.0; 3], known: true };
/// let side = Side { anchors: vec![anchor], ..Side::default() };
/// assert_eq!(Track::of(&side).position(), [1.0, 2.0, 0.3]);
/// ```
#[derive(Clone, Debug)]
pub struct Track<'a> {
    anchors: &'a [Anchor],
    index: usize,
    /// Sum of the distances so far, mm.
    sum: [f64; 3],
    /// The same in whole parts.
    position: [f64; 3],
    offset: [f64; 3],
    known: bool,
}

impl<'a> Track<'a> {
    /// At the start of a block.
    pub fn of(side: &'a Side) -> Self {
        let nowhere = [0.0; 3];
        let mut track =
            Self { anchors: &side.anchors, index: 0, sum: nowhere, position: nowhere, offset: nowhere, known: false };
        track.look();
        track
    }

    /// Where the machine stands before the next move, mm.
    pub fn position(&self) -> [f64; 3] {
        self.position
    }

    /// The same as the file counts it, mm.
    pub fn in_file(&self) -> [f64; 3] {
        std::array::from_fn(|axis| rounded(self.sum[axis] - self.offset[axis]))
    }

    /// Whether these positions are more than an assumption: each axis was homed, or moved to a stated place.
    pub fn is_known(&self) -> bool {
        self.known
    }

    /// Takes the next move; gives where it starts and where it ends, mm.
    pub fn next(&mut self, step: &Move) -> ([f64; 3], [f64; 3]) {
        let from = self.position;
        let [x, y, z] = self.sum;
        let [dx, dy, dz] = step.delta;
        self.sum = [x + dx, y + dy, z + dz];
        let to = self.sum.map(rounded);
        self.position = to;
        self.index += 1;
        self.look();
        (from, to)
    }

    /// How many moves are to come before the next anchor.
    pub fn until_anchor(&self) -> usize {
        self.anchors.first().map_or(usize::MAX, |anchor| anchor.index.saturating_sub(self.index + 1))
    }

    /// Takes a move that stays at its height, with no anchor behind it; gives where it ends, mm.
    #[inline]
    pub fn level(&mut self, step: &Move) -> [f64; 2] {
        let [x, y] = [self.sum[0] + step.delta[0], self.sum[1] + step.delta[1]];
        let to = [rounded(x), rounded(y)];
        (self.sum[0], self.sum[1]) = (x, y);
        (self.position[0], self.position[1]) = (to[0], to[1]);
        self.index += 1;
        to
    }

    fn look(&mut self) {
        while let Some((anchor, rest)) = self.anchors.split_first().filter(|(anchor, _)| anchor.index <= self.index) {
            (self.sum, self.offset, self.known) = (anchor.position, anchor.offset, anchor.known);
            self.position = self.sum.map(rounded);
            self.anchors = rest;
        }
    }
}

/// To whole parts, zero without a sign. The lowest bit of a sum with this is worth one; positions are far below it.
fn rounded(position: f64) -> f64 {
    const WHOLE: f64 = 1.5 * (1_u64 << 52) as f64;
    (position * PARTS_PER_MM + WHOLE - WHOLE) / PARTS_PER_MM
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::line::Block;
    use crate::moves::resolve::{Resolver, Rules};
    use crate::moves::settings::FileSettings;
    use crate::profile::Profile;

    /// Positions, of the machine and in the file, behind each move of a text.
    fn followed(text: &str) -> Vec<([f64; 3], [f64; 3])> {
        let settings = FileSettings::default();
        let rules = Rules::new(&Profile::embedded(), &settings, false);
        let mut resolver = Resolver::new(rules, &settings, false);
        let mut block = Block { bytes: text.into(), first_line: 1, ..Block::default() };
        block.lex();
        let mut moves = Vec::new();
        resolver.resolve(&block, &mut moves).expect("plain lines");
        let mut track = Track::of(&resolver.side);
        moves.iter().map(|step| (track.next(step).1, track.in_file())).collect()
    }

    #[test]
    fn offsets_and_homing_are_followed() {
        let text = "G28\nG1 X10 Y5 Z1 F600\nG92 X0\nG1 X3\nG1 Y7\nG28 X\nG1 X2\n";
        let rows = followed(text);
        let at = |index: usize| rows[index];
        assert_eq!(at(1), ([10.0, 5.0, 1.0], [0.0, 5.0, 1.0]), "what G92 sets holds from the next move on");
        assert_eq!(at(2), ([13.0, 5.0, 1.0], [3.0, 5.0, 1.0]));
        assert_eq!(at(3), ([13.0, 7.0, 1.0], [3.0, 7.0, 1.0]));
        assert_eq!(at(4).1, [0.0, 7.0, 1.0], "X was homed");
        assert_eq!(at(5), ([2.0, 7.0, 1.0], [2.0, 7.0, 1.0]));
        // Setting E is a step of its own, before which nothing counts otherwise yet.
        let rows = followed("G28\nG1 X10 F600\nG92 X0 E0\nG1 X3\n");
        assert_eq!(rows[1..].iter().map(|row| row.1[0]).collect::<Vec<_>>(), [10.0, 0.0, 3.0]);
    }

    #[test]
    fn where_a_block_begins_has_no_say() {
        // 128.542 - 384.597 is not -256.055 to the last bit.
        let lines = ["G0 Z128.542\n", "G0 Z-256.055\n", "G0 X0.1 Z0.3\n", "G0 X0.7\n"];
        let whole: Vec<_> = followed(&lines.concat()).iter().map(|row| row.0).collect();
        for (index, position) in whole.iter().enumerate() {
            let settings = FileSettings::default();
            let mut resolver = Resolver::new(Rules::new(&Profile::embedded(), &settings, false), &settings, false);
            for line in &lines[..=index] {
                let mut block = Block { bytes: (*line).into(), first_line: 1, ..Block::default() };
                block.lex();
                resolver.resolve(&block, &mut Vec::new()).expect("plain lines");
            }
            let at_next = Block { bytes: b"G0\n".to_vec(), first_line: 1, ..Block::default() };
            resolver.resolve(&at_next, &mut Vec::new()).expect("a plain line");
            assert_eq!(Track::of(&resolver.side).position(), *position, "{index}");
        }
        assert_eq!(whole[1], [0.0, 0.0, -256.055]);
    }

    #[test]
    fn a_position_is_known_once_every_axis_was_homed_or_sent_somewhere() {
        let known = |text: &str| {
            let settings = FileSettings::default();
            let mut resolver = Resolver::new(Rules::new(&Profile::embedded(), &settings, false), &settings, false);
            let mut block = Block { bytes: text.into(), first_line: 1, ..Block::default() };
            block.lex();
            let mut moves = Vec::new();
            resolver.resolve(&block, &mut moves).expect("plain lines");
            let mut track = Track::of(&resolver.side);
            let after = |step| {
                track.next(step);
                track.is_known()
            };
            moves.iter().map(after).collect::<Vec<_>>()
        };
        assert_eq!(known("G1 X1 F600\nG1 Y1\nG1 Z1\nG1 X2\n"), [false, false, true, true]);
        assert_eq!(known("G28\nG91\nG1 X1\n"), [true, true]);
        assert_eq!(known("G28 X Y\nG91\nG1 Z1\nG90\nG1 Z1\n"), [false, false, true], "a distance tells nothing");
        // An axis that is only named to stand somewhere may stand anywhere.
        assert_eq!(known("G92 X0\nG1 X1 Y1 Z1\nG28 X\nG1 X1\n"), [false, true, true]);
        assert_eq!(known("G92 X0\nG53 G1 X1 Y1 Z1\nG1 X2\n"), [false, false], "what X0 is stays unknown");
    }
}

//! Rules of the controller on E and bead area: what exceeds them is split or reported.

use super::{At, Resolver};
use crate::findings::Code;
use crate::moves::split::{Span, Split};
use crate::moves::state::Motion;
use crate::moves::words::{Command, Words};
use crate::moves::{Kind, Move};
use crate::profile::{Excess, ExcessEffect};

impl Resolver {
    /// Rules of the controller on E and bead area, for the last move, which is `laid`: splits or reports.
    #[inline(always)]
    pub(super) fn check_controller_limits(
        &mut self,
        laid: &Laid,
        units: f64,
        mode: Motion,
        before: &Before,
        at: At<'_>,
    ) {
        let Laid { kind, along, length, volume, .. } = *laid;
        if let Some(most) = self.rules.max_bead_area_mm2
            && kind == Kind::Bead
            && volume > self.rules.small_bead_mm3
            && along
            && volume / length > most
        {
            let area = volume / length;
            self.found(Code::BeadArea, at, || format!("{area:.2} mm², at most {most:.2} mm²"));
        }
        if let Some(most) = exceeded([self.rules.max_e_only, self.rules.max_e_per_line], laid) {
            self.too_much_e(most, units, mode, before, at);
        }
    }

    /// The same for a line of a tool that is no screw: it stays as it is, in the unit of the file.
    #[cold]
    pub(super) fn check_other_tool(&mut self, laid: &Laid, at: At<'_>) {
        if let Some(most) = exceeded(self.rules.max_e_of_others, laid) {
            let (e, tool, effect) = (laid.e, self.state.tool, self.effect(laid.length > 0.0));
            self.found(Code::ExcessE, at, || {
                format!("{e:.1} units of E of tool {tool}, at most {most} in one line: {effect}")
            });
        }
    }

    /// What becomes of a line with too much E. `moves`: it has a path.
    fn effect(&self, moves: bool) -> &'static str {
        match self.rules.excess_e_is {
            ExcessEffect::Refused => "the controller refuses the line",
            ExcessEffect::Dropped if moves => "the head moves, the E is dropped",
            ExcessEffect::Dropped => "the E is dropped",
        }
    }

    /// The last move asks for more E than `most` in one line.
    #[cold]
    fn too_much_e(&mut self, most: f64, units: f64, mode: Motion, before: &Before, at: At<'_>) {
        let mut words = Words::default();
        words.fill(at.words());
        let keeps_turns = self.rules.keeps_turns;
        let Some(step) = self.moves.last_mut() else { return };
        // What is taken out of the output exceeds nothing there.
        let goes = step.is_turn_alone() || step.kind == Kind::MovingTurn && step.is_free();
        if goes && !keeps_turns {
            return;
        }
        // Pieces repeat the motion alone, in the modes before the line.
        let alone = matches!(words.commands(), [] | [Command { letter: b'G', tenths: 0 | 10 }]);
        let straight = matches!(mode, Motion::Rapid | Motion::Linear) && alone;
        let pieces = (step.e.abs() / most).ceil();
        // E alone is parted wherever the head is.
        let stays = step.has(Move::FIXED) || step.has(Move::WHOLE) && step.length > 0.0;
        if self.rules.excess_e == Excess::Report || !straight || stays || pieces > 1e4 {
            let (e, moves) = (step.e, step.length > 0.0);
            let effect = self.effect(moves);
            self.found(Code::ExcessE, at, || format!("{e:.1} units of E, at most {most} in one line: {effect}"));
            return;
        }
        let found = at.words();
        let decimals = |letter: u8, least: u8| {
            let word = words.place(letter).and_then(|place| found.get(place));
            word.map_or(least, |word| word.decimals.clamp(least, 12))
        };
        let mut spans = Vec::with_capacity(4);
        let mut add = |letter: u8, from: f64, to: f64, relative: bool, least: u8| {
            let place = words.place(letter).and_then(|place| u8::try_from(place).ok());
            if let (Some(place), Some(_)) = (place, words.get(letter)) {
                spans.push(Span { letter, from, to, relative, decimals: decimals(letter, least), place });
            }
        };
        for (axis, letter) in b"XYZ".iter().enumerate() {
            let unit = self.state.unit_mm;
            let (from, to) = if self.state.absolute {
                let offset = self.state.offset[axis];
                ((before.position[axis] - offset) / unit, words.get(*letter).unwrap_or(0.0))
            } else {
                (0.0, words.get(*letter).unwrap_or(0.0))
            };
            add(*letter, from, to, !self.state.absolute, 3);
        }
        let relative = self.state.e_is_relative();
        let e_from = if relative { 0.0 } else { before.e };
        let unit = self.state.unit_mm;
        add(self.rules.axis, e_from / unit, (e_from + units) / unit, relative, 5);
        step.flags |= Move::SPLIT;
        let split = Split { pieces: pieces as u32, rapid: mode == Motion::Rapid, spans };
        self.splits.push((at.index as u32, split));
    }
}

/// The limit that the E of a move exceeds, of those of lines without motion and of all lines.
#[inline(always)]
fn exceeded([only, any]: [Option<f64>; 2], &Laid { along, e, .. }: &Laid) -> Option<f64> {
    let most = match (only.filter(|_| !along || e < 0.0), any) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (a, b) => a.or(b),
    };
    most.filter(|most| e.abs() > *most)
}

/// What the rules of the controller look at in a move, handed over as it is worked out: a move that was just stored is
/// slow to read back.
pub(super) struct Laid {
    pub(super) kind: Kind,
    /// It goes along X or Y: lifts and wipes count as turns without motion where those are limited.
    pub(super) along: bool,
    /// mm.
    pub(super) length: f64,
    /// Units of E.
    pub(super) e: f64,
    /// mm³.
    pub(super) volume: f64,
}

/// Where a line started.
pub(super) struct Before {
    pub(super) position: [f64; 3],
    pub(super) e: f64,
}

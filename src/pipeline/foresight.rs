//! What has to be known of the part before its moves are decided on: blocks wait until the layers of their moves are laid.
//!
//! The limits of a layer follow from it and from what it stands on, so a block goes on as soon as the next layer is begun.
//! Where a layer is too large to be kept, or only the whole file tells, the rest of the file is surveyed beforehand, in a
//! pass of its own; nothing else is known then, it is known earlier.

use std::collections::VecDeque;
use std::io::{Read, Seek, SeekFrom};

use super::edits::Outgoing;
use super::intake::Intake;
use super::survey::{self, Surveyed};
use crate::error::{Error, Result};
use crate::moves::Move;
use crate::soft::{SoftPlan, SoftPlanner, Terms};
use crate::source::block::BlockReader;
use crate::summary::course::{Ground, Grounds};
use crate::survey::{Island, LayerRecord, Surveyor};

/// Most that may wait, bytes of moves and text.
const MOST_WAITING: usize = 4 << 20;

/// Holds moves back until what is to be known of the part is known.
#[derive(Debug)]
pub struct Foresight {
    planner: Option<SoftPlanner>,
    /// What the planner found, behind the last layer.
    plan: Option<SoftPlan>,
    /// What stands in some layers, where a report is wanted.
    grounds: Option<Grounds>,
    waiting: VecDeque<Outgoing>,
    bytes_waiting: usize,
    /// Highest number of a layer so far.
    newest: u32,
}

impl Foresight {
    /// Knows nothing yet. `terms`: by which the part is judged, if it is; `draws`: a report is wanted.
    pub fn new(terms: Option<&Terms>, draws: bool) -> Self {
        Self {
            planner: terms.cloned().map(SoftPlanner::new),
            plan: None,
            grounds: draws.then(Grounds::default),
            waiting: VecDeque::new(),
            bytes_waiting: 0,
            newest: 0,
        }
    }

    /// Whether anybody asks for a survey.
    pub fn asks(&self) -> bool {
        self.planner.is_some() || self.grounds.is_some()
    }

    /// Takes what was surveyed, with the blocks of the moves; those whose limits are known are added to `ready`.
    pub fn take_all(&mut self, survey: &mut Surveyed, planned: &mut Vec<Outgoing>, ready: &mut Vec<Outgoing>) {
        survey.layers.drain(..).for_each(|layer| self.lay(&layer));
        if let (Some(planner), Some((number, object))) = (&mut self.planner, survey.at.take()) {
            planner.begin(number, object);
        }
        for block in planned.drain(..) {
            self.bytes_waiting += bytes(&block);
            self.newest = block.moves.last().map_or(self.newest, |step| step.layer);
            self.waiting.push_back(block);
        }
        self.release(ready);
    }

    /// A layer is too large to be kept: the file has to be [looked through](Self::look_through).
    pub fn is_full(&self) -> bool {
        self.bytes_waiting > MOST_WAITING && self.planner.is_some()
    }

    /// Has a `surveyor` go through the rest of the file, from byte `from` on, where `intake` has come to; `input` is left
    /// there.
    ///
    /// # Errors
    /// As [`super::rewrite`], but for writing.
    pub fn look_through<R: Read + Seek + Send>(
        &mut self,
        mut surveyor: Surveyor,
        mut intake: Intake,
        input: &mut R,
        from: u64,
        block_size: usize,
    ) -> Result<()> {
        let seek = |input: &mut R| {
            input.seek(SeekFrom::Start(from)).map(|_| ()).map_err(|error| Error::io("read the file", error))
        };
        seek(input)?;
        let mut reader = BlockReader::new(&mut *input, block_size);
        survey::rest(&mut reader, &mut intake, &mut surveyor, &mut |_| {}, &mut |layer| self.lay(&layer))?;
        self.end(surveyor, &mut Surveyed::default());
        seek(input)
    }

    /// No more beads will come than the `surveyor` has seen. `survey`: of the last of them.
    pub fn end(&mut self, surveyor: Surveyor, survey: &mut Surveyed) {
        surveyor.finish(&mut survey.layers);
        survey.layers.drain(..).for_each(|layer| self.lay(&layer));
        self.plan = self.planner.take().map(SoftPlanner::finish);
    }

    /// What is known of the part, behind the last layer.
    pub fn plan(&self) -> Option<&SoftPlan> {
        self.plan.as_ref()
    }

    /// What is known of the part, and what stands in some layers.
    pub fn into_known(self) -> (Option<SoftPlan>, Option<Grounds>) {
        (self.plan, self.grounds)
    }

    /// Takes the next layer.
    fn lay(&mut self, layer: &LayerRecord) {
        if let Some(planner) = &mut self.planner {
            planner.take(layer);
        }
        if let Some(grounds) = &mut self.grounds {
            grounds.add(ground(layer));
        }
    }

    /// Lets the blocks go whose layers are known.
    fn release(&mut self, ready: &mut Vec<Outgoing>) {
        while let Some(mut block) = self.waiting.pop_front() {
            if !self.put(&mut block) {
                self.waiting.push_front(block);
                return;
            }
            self.bytes_waiting -= bytes(&block);
            ready.push(block);
        }
    }

    /// Gives a block the limits of its layers; whether all of them are known.
    fn put(&mut self, block: &mut Outgoing) -> bool {
        let (Some(first), Some(last)) = (block.moves.first(), block.moves.last()) else { return true };
        let (first, last) = (first.layer, last.layer);
        match (&mut self.planner, &self.plan) {
            (Some(planner), _) => {
                let at = planner.layer();
                // What lies before the first layer has no limits, nor has a layer that went by without a bead.
                let is_known = last == 0 || last < at || (first > at || at == 0) && last < self.newest;
                if is_known {
                    block.known.copy(planner.limits(), first, last);
                    planner.forget_before(last);
                }
                is_known
            }
            (None, Some(plan)) => {
                block.known.copy(&plan.limits, first, last);
                true
            }
            (None, None) => true,
        }
    }
}

/// What a block takes while it waits.
fn bytes(block: &Outgoing) -> usize {
    // A move is planned, and its line has words.
    2 * size_of::<Move>() * block.moves.len() + block.text.bytes.len()
}

/// What a report shows of a layer.
fn ground(layer: &LayerRecord) -> Ground {
    let length: f64 = layer.islands.iter().map(|island| island.bead_length_mm).sum();
    let width: f64 = layer.islands.iter().map(|island| island.bead_length_mm * island.bead_width_mm).sum();
    let corners = |island: &Island| [island.low_mm[0], island.low_mm[1], island.high_mm[0], island.high_mm[1]];
    Ground {
        layer: layer.number,
        height_mm: layer.height_mm,
        bead_width_mm: if length > 0.0 { width / length } else { 0.0 },
        islands: layer.islands.len(),
        boxes_mm: layer.islands.iter().map(corners).collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pipeline::{Options, rewrite};
    use crate::profile::Profile;
    use crate::summary::Summary;
    use std::fmt::Write;
    use std::io::Cursor;

    /// A column of 40 layers of 0.5 mm, each zigzag beads of 8 mm; `moves`: of 0.02 mm that layer `large` has besides.
    fn column(large: usize, moves: usize) -> String {
        let mut text = "G28\nM83\nG1 F600\n".to_owned();
        for layer in 1..=40 {
            write!(text, ";LAYER_CHANGE\nG1 Z{} F600\nG0 X100 Y100\n", 0.5 * f64::from(layer)).unwrap();
            for line in 0..24 {
                writeln!(
                    text,
                    "G1 X{} E0.8\nG0 Y{}",
                    if line % 2 == 0 { 108 } else { 100 },
                    100.0 + 0.25 * f64::from(line)
                )
                .unwrap();
            }
            for index in (0..moves).filter(|_| layer as usize == large) {
                writeln!(text, "G1 X{:.3} E0.002", 100.0 + 0.02 * (index % 300) as f64).unwrap();
            }
        }
        text.push_str("G0 Y200\n");
        text
    }

    fn run(text: &str, looks: bool) -> (String, Summary) {
        let mut profile = Profile::embedded_with(&[
            "screw.e_unit=mm3".parse().unwrap(),
            "feedstock.shore_a=5".parse().unwrap(),
            "machine.part_moves=y".parse().unwrap(),
        ])
        .unwrap();
        profile.machine.bed_mm.value = looks.then_some([0.0, 0.0, 220.0, 220.0]);
        let mut output = Vec::new();
        let options = Options { hash: false, ..Options::default() };
        let summary = rewrite(&mut Cursor::new(text), &mut output, &profile, &options, &mut |_| {}).unwrap();
        (String::from_utf8(output).unwrap(), summary)
    }

    /// What is known as layers come is what is known of the whole file: with the bed stated, that is looked through.
    #[test]
    fn what_is_known_early_is_what_is_known_late() {
        let many = MOST_WAITING / (2 * size_of::<Move>()) + 4000;
        for (large, moves) in [(0, 0), (1, many), (23, many), (40, many)] {
            let text = column(large, moves);
            let ((along, figures), (looked_through, same)) = (run(&text, false), run(&text, true));
            let behind_the_marker = |text: &str| text.lines().skip(2).map(str::to_owned).collect::<Vec<_>>();
            let words: std::collections::BTreeSet<_> = along.lines().filter(|line| line.starts_with("M204")).collect();
            assert!(words.len() > 10, "layers differ: {words:?}");
            assert!(behind_the_marker(&along) == behind_the_marker(&looked_through), "layer {large}");
            assert_eq!(figures.part, same.part, "layer {large}");
            assert_eq!(figures.part.unwrap().waits, 0, "the head is not sent anywhere");
        }
    }

    #[test]
    fn a_layer_that_is_too_large_is_not_kept() {
        let terms = Terms::of(&Profile::embedded(), true, true).unwrap();
        let (mut foresight, mut surveyor) = (Foresight::new(Some(&terms), false), Surveyor::new(0.8));
        let (mut ready, mut blocks) = (Vec::new(), 0);
        while !foresight.is_full() {
            let step = Move { layer: 1, ..crate::moves::sample::bead(1.0, 1.0) };
            let before = vec![crate::motion::Timing::default(); 1000];
            let block = Outgoing { moves: vec![step; 1000], before, ..Outgoing::default() };
            let mut survey = Surveyed::default();
            survey.take(&mut surveyor, &block);
            foresight.take_all(&mut survey, &mut vec![block], &mut ready);
            blocks += 1;
        }
        assert!(ready.is_empty());
        assert_eq!(blocks, MOST_WAITING / (2000 * size_of::<Move>()) + 1);
        foresight.end(surveyor, &mut Surveyed::default());
        foresight.take_all(&mut Surveyed::default(), &mut Vec::new(), &mut ready);
        assert_eq!(ready.len(), blocks);
        assert!(!foresight.is_full() && foresight.plan().is_some());
    }

    /// Blocks of one move come, each in the next of these layers; the layers of those that may go on.
    fn given(layers: &[u32], lays: impl Fn(u32) -> bool) -> Vec<u32> {
        let terms = Terms::of(&Profile::embedded(), true, true).unwrap();
        let (mut foresight, mut surveyor) = (Foresight::new(Some(&terms), false), Surveyor::new(0.8));
        let mut ready = Vec::new();
        for &layer in layers {
            let mut step = Move { layer, z: f64::from(layer), ..crate::moves::sample::bead(20.0, 1.0) };
            step.kind = if lays(layer) { step.kind } else { crate::moves::Kind::Travel };
            let before = vec![crate::motion::Timing::default()];
            let mut block = Outgoing { moves: vec![step], before, ..Outgoing::default() };
            let position = [0.0, 0.0, f64::from(layer)];
            block.side.anchors.push(crate::moves::track::Anchor { index: 0, position, offset: [0.0; 3], known: true });
            let mut survey = Surveyed::default();
            survey.take(&mut surveyor, &block);
            foresight.take_all(&mut survey, &mut vec![block], &mut ready);
        }
        ready.iter().map(|block| block.moves[0].layer).collect()
    }

    #[test]
    fn a_layer_is_known_once_the_next_is_begun() {
        assert_eq!(given(&[0, 1, 1, 2], |_| true), [0, 1, 1]);
        assert_eq!(given(&[0, 1, 2], |layer| layer != 2), [0], "layer 2 may still get beads, and layer 1 too");
        assert_eq!(given(&[1, 2, 3], |layer| layer == 1), [0; 0], "layer 1 is open");
        assert_eq!(given(&[1, 2, 3, 4], |_| false), [1, 2, 3], "another tool lays these");
        assert_eq!(given(&[1, 2, 3, 4], |layer| layer == 3), [1, 2], "and the screw the third");
    }
}

//! What has to be known of the part before its moves are decided on: blocks wait until the layers of their moves are laid.
//!
//! The limits of a layer follow from it and from what it stands on, so a block goes on as soon as the next layer is begun.
//! Where a layer is too large to be kept, or only the whole file tells, the rest of the file is surveyed beforehand, in a
//! pass of its own; nothing else is known then, it is known earlier.

use std::collections::VecDeque;
use std::io::{Read, Seek, SeekFrom};

use super::edits::Outgoing;
use super::intake::Intake;
use super::survey;
use crate::error::{Error, Result};
use crate::moves::Move;
use crate::soft::{SoftPlan, SoftPlanner, Terms};
use crate::source::block::BlockReader;
use crate::summary::course::{Ground, Grounds};
use crate::survey::{Island, LayerRecord, Surveyor};

/// Most that may wait, bytes of moves and text.
const MOST_WAITING: usize = 4 << 20;

/// Surveys the moves as they pass, and holds them back for as long as it takes.
#[derive(Clone, Debug)]
pub struct Foresight {
    /// Follows the beads; `None` where nobody asks, or once the file was looked through.
    surveyor: Option<Surveyor>,
    outlook: Outlook,
    records: Vec<LayerRecord>,
    waiting: VecDeque<Outgoing>,
    bytes_waiting: usize,
}

/// What is made of the layers.
#[derive(Clone, Debug)]
struct Outlook {
    planner: Option<SoftPlanner>,
    /// What the planner found, behind the last layer.
    plan: Option<SoftPlan>,
    /// What stands in some layers, where a report is wanted.
    grounds: Option<Grounds>,
}

impl Foresight {
    /// An empty bed. `terms`: by which the part is judged, if it is; `draws`: a report is wanted; `bore_mm`: of the nozzle.
    pub fn new(terms: Option<&Terms>, draws: bool, bore_mm: f64) -> Self {
        Self {
            surveyor: (terms.is_some() || draws).then(|| Surveyor::new(bore_mm)),
            outlook: Outlook {
                planner: terms.cloned().map(SoftPlanner::new),
                plan: None,
                grounds: draws.then(Grounds::default),
            },
            records: Vec::new(),
            waiting: VecDeque::new(),
            bytes_waiting: 0,
        }
    }

    /// Takes blocks that are planned as they came; those whose limits are known are added to `ready`.
    pub fn take_all(&mut self, planned: &mut Vec<Outgoing>, ready: &mut Vec<Outgoing>) {
        for block in planned.drain(..) {
            if let Some(surveyor) = &mut self.surveyor {
                surveyor.take(&block.moves, &block.before, &block.side, &mut self.records);
                self.records.drain(..).for_each(|record| self.outlook.take(&record));
                if let (Some(planner), Some((number, object))) = (&mut self.outlook.planner, surveyor.at()) {
                    planner.begin(number, object);
                }
            }
            self.bytes_waiting += bytes(&block);
            self.waiting.push_back(block);
        }
        self.release(ready);
    }

    /// A layer is too large to be kept: the file has to be [looked through](Self::look_through).
    pub fn is_full(&self) -> bool {
        self.bytes_waiting > MOST_WAITING && self.surveyor.is_some()
    }

    /// Surveys the rest of the file, from byte `from` on, where `intake` has come to; `input` is left there.
    ///
    /// # Errors
    /// As [`super::rewrite`], but for writing.
    pub fn look_through<R: Read + Seek + Send>(
        &mut self,
        input: &mut R,
        from: u64,
        block_size: usize,
        mut intake: Intake,
    ) -> Result<()> {
        let Some(mut surveyor) = self.surveyor.take() else { return Ok(()) };
        let seek = |input: &mut R| {
            input.seek(SeekFrom::Start(from)).map(|_| ()).map_err(|error| Error::io("read the file", error))
        };
        seek(input)?;
        let mut reader = BlockReader::new(&mut *input, block_size);
        let outlook = &mut self.outlook;
        survey::rest(&mut reader, &mut intake, &mut surveyor, &mut |_| {}, &mut |layer| outlook.take(&layer))?;
        self.finish_survey(surveyor);
        seek(input)
    }

    /// No more blocks will come: all that wait are added to `ready`.
    pub fn finish(&mut self, ready: &mut Vec<Outgoing>) {
        if let Some(surveyor) = self.surveyor.take() {
            self.finish_survey(surveyor);
        }
        self.release(ready);
    }

    /// What is known of the part, behind the last layer.
    pub fn plan(&self) -> Option<&SoftPlan> {
        self.outlook.plan.as_ref()
    }

    /// What is known of the part, and what stands in some layers.
    pub fn into_outlook(self) -> (Option<SoftPlan>, Option<Grounds>) {
        (self.outlook.plan, self.outlook.grounds)
    }

    fn finish_survey(&mut self, surveyor: Surveyor) {
        surveyor.finish(&mut self.records);
        self.records.drain(..).for_each(|record| self.outlook.take(&record));
        self.outlook.plan = self.outlook.planner.take().map(SoftPlanner::finish);
    }

    /// Lets the blocks go whose layers are finished.
    fn release(&mut self, ready: &mut Vec<Outgoing>) {
        while let Some(mut block) = self.waiting.pop_front() {
            if !self.outlook.put(&mut block) {
                self.waiting.push_front(block);
                return;
            }
            self.bytes_waiting -= bytes(&block);
            ready.push(block);
        }
    }
}

impl Outlook {
    /// Takes the next layer.
    fn take(&mut self, record: &LayerRecord) {
        if let Some(planner) = &mut self.planner {
            planner.take(record);
        }
        if let Some(grounds) = &mut self.grounds {
            grounds.add(ground(record));
        }
    }

    /// Gives a block the limits of its layers; whether all of them are known.
    fn put(&mut self, block: &mut Outgoing) -> bool {
        let (Some(first), Some(last)) = (block.moves.first(), block.moves.last()) else { return true };
        match (&mut self.planner, &self.plan) {
            // What lies before the first layer has no limits.
            (Some(planner), _) if last.layer == 0 || last.layer < planner.layer() => {
                block.known.copy(planner.limits(), first.layer, last.layer);
                planner.forget_before(last.layer);
                true
            }
            (Some(_), _) => false,
            (None, Some(plan)) => {
                block.known.copy(&plan.limits, first.layer, last.layer);
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
        let mut foresight = Foresight::new(Some(&terms), false, 0.8);
        let (mut ready, mut blocks) = (Vec::new(), 0);
        while !foresight.is_full() {
            let step = Move { layer: 1, ..crate::moves::sample::bead(1.0, 1.0) };
            let before = vec![crate::motion::Timing::default(); 1000];
            foresight
                .take_all(&mut vec![Outgoing { moves: vec![step; 1000], before, ..Outgoing::default() }], &mut ready);
            blocks += 1;
        }
        assert!(ready.is_empty());
        assert_eq!(blocks, MOST_WAITING / (2000 * size_of::<Move>()) + 1);
        foresight.finish(&mut ready);
        assert_eq!(ready.len(), blocks);
        assert!(!foresight.is_full() && foresight.plan().is_some());
    }
}

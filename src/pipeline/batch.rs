//! What goes round: a block at a time, from the reader to the writer.

use std::io::Read;
use std::sync::{Mutex, PoisonError};

use sha2::{Digest, Sha256};

use super::compose::compose;
use super::edits::Outgoing;
use super::foresight::Foresight;
use super::intake::Intake;
use super::judge::Judge;
use super::limiter::Limiter;
use super::ring::Next;
use super::survey::Surveyed;
use crate::error::Result;
use crate::line::Block;
use crate::source::block::BlockReader;
use crate::survey::Surveyor;

/// Batches that go round: enough that nobody waits for an empty one, and few enough for the memory.
const BATCHES: usize = 8;

/// A block on its way, and what it makes the stages settle.
#[derive(Default)]
pub struct Batch {
    block: Block,
    /// Bytes read up to the end of the batch.
    pub bytes: u64,
    /// Blocks that the last station has settled; their number is not that of the blocks read.
    pub moves: Vec<Outgoing>,
    /// What a surveyor made of them.
    pub surveyed: Surveyed,
    texts: Vec<Vec<u8>>,
}

impl Batch {
    /// Those that go round.
    pub fn all() -> Vec<Self> {
        (0..BATCHES).map(|_| Self::default()).collect()
    }

    /// Reads the next block. `bytes`: read so far.
    ///
    /// # Errors
    /// When reading fails.
    pub fn fill<R: Read>(
        &mut self,
        reader: &mut BlockReader<R>,
        hash: Option<&mut Sha256>,
        bytes: &mut u64,
    ) -> Result<Next> {
        if !reader.next(&mut self.block.bytes)? {
            return Ok(Next::End);
        }
        if let Some(hash) = hash {
            hash.update(&self.block.bytes);
        }
        *bytes += self.block.bytes.len() as u64;
        self.bytes = *bytes;
        Ok(Next::On)
    }

    /// Finds the lines and words.
    pub fn lex(&mut self) {
        self.block.lex();
    }

    /// Resolves and plans.
    ///
    /// # Errors
    /// As [`Intake::take`].
    pub fn resolve(&mut self, intake: &mut Intake, spare: &Spare) -> Result<()> {
        intake.take(&mut self.block, spare.take(), &mut self.moves)
    }

    /// Shows the moves to a surveyor.
    pub fn survey(&mut self, surveyor: &mut Surveyor) {
        self.moves.iter().for_each(|block| self.surveyed.take(surveyor, block));
    }

    /// Holds back the blocks of which too little is known.
    pub fn hold(&mut self, foresight: &mut Foresight) {
        let mut surveyed = std::mem::take(&mut self.surveyed);
        self.pass(|planned, known| foresight.take_all(&mut surveyed, planned, known));
    }

    /// Decides how fast the moves are and how they are executed; where nothing decides, as they came.
    pub fn limit(&mut self, limits: Option<&mut (Judge, Limiter)>) {
        match limits {
            Some((judge, limiter)) => {
                self.pass(|known, judged| judge.take_all(known, judged));
                self.pass(|judged, limited| limiter.take_all(judged, limited));
            }
            None => self.moves.iter_mut().for_each(Outgoing::as_it_came),
        }
    }

    /// The same for the last batch, with all that still waits.
    pub fn limit_last(&mut self, mut limits: Option<&mut (Judge, Limiter)>) {
        self.limit(limits.as_deref_mut());
        if let Some((judge, limiter)) = limits {
            let mut judged = Vec::new();
            judge.finish(&mut judged);
            limiter.take_all(&mut judged, &mut self.moves);
            limiter.finish(&mut self.moves);
        }
    }

    /// Replaces the blocks by those that a stage has settled; `stage` empties the first list into the second.
    pub fn pass(&mut self, stage: impl FnOnce(&mut Vec<Outgoing>, &mut Vec<Outgoing>)) {
        let mut settled = Vec::with_capacity(self.moves.len());
        stage(&mut self.moves, &mut settled);
        self.moves = settled;
    }

    /// Formats the blocks.
    pub fn compose(&mut self, e_letter: u8) {
        self.texts.resize_with(self.texts.len().max(self.moves.len()), Default::default);
        for (Outgoing { text, .. }, buffer) in self.moves.iter().zip(&mut self.texts) {
            buffer.clear();
            if !text.is_unchanged() {
                compose(text, e_letter, buffer);
            }
        }
    }

    /// What was composed, piece by piece.
    pub fn texts(&self) -> impl Iterator<Item = &[u8]> {
        let pieces = self.moves.iter().zip(&self.texts);
        pieces.map(|(Outgoing { text, .. }, buffer)| if text.is_unchanged() { &*text.bytes } else { buffer })
    }
}

/// Blocks that have gone out, for their memory.
#[derive(Default)]
pub struct Spare(Mutex<Vec<Outgoing>>);

impl Spare {
    /// Takes some back.
    pub fn give(&self, blocks: &mut Vec<Outgoing>) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).append(blocks);
    }

    fn take(&self) -> Outgoing {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).pop().unwrap_or_default()
    }
}

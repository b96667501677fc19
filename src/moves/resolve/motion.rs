//! Motion lines: checked as a whole, then committed.

use super::excess::Before;
use super::{At, MAX_COORDINATE_MM, Resolver};
use crate::error::{Error, ErrorKind, Result};
use crate::findings::Code;
use crate::line::{Line, Word};
use crate::moves::arc::{Arc, ArcPath, Centre};
use crate::moves::state::Motion;
use crate::moves::words::Words;
use crate::moves::{Kind, Move};
use crate::units::Bounded;

/// Words that a motion line acts on.
const MOTION_LETTERS: &[u8] = b"XYZIJKRFE";
/// An end further than this from its circle is reported, mm.
const ARC_END_MM: f64 = 0.05;
/// Feeds that are believed, units per minute.
const PLAUSIBLE_FEED: std::ops::RangeInclusive<f64> = 1e-6..=1e9;

impl Resolver {
    /// Where an absolute E word counts from.
    ///
    /// After a tool change without `G92`, some dialects go on with the common count and some with the tool's own; the
    /// nearer of the two is meant.
    fn e_start(&self, word: f64) -> f64 {
        match self.own_e {
            Some(own) if (word - own).abs() < (word - self.state.e).abs() => own,
            _ => self.state.e,
        }
    }

    /// A line with motion words in a motion mode.
    pub(super) fn motion(&mut self, words: &Words, machine: bool, at: At<'_>) -> Result<()> {
        let axis_e = self.rules.axis;
        let room_for_feed = self.check_words(words, at)?;
        let feed = self.read_feed(words, at);
        let Some(mode) = self.state.motion else {
            // Axis words without a motion mode do nothing; a feed alone is remembered.
            if let Some(word) = feed {
                self.commit_feed_alone(&word);
            }
            return Ok(());
        };
        let axes = [words.get(b'X'), words.get(b'Y'), words.get(b'Z')];
        let from = self.state.position;
        let to = self.state.target(axes, machine);
        if !to.iter().all(|v| v.abs() <= MAX_COORDINATE_MM) {
            return Err(at.malformed("this position is further than a kilometre away"));
        }
        let delta = [to[0] - from[0], to[1] - from[1], to[2] - from[2]];
        let (path, arc) = match mode {
            Motion::Arc { clockwise } if axes.iter().any(Option::is_some) || words.has_any(b"IJKR") => {
                let arc = self.arc(words, from, to, clockwise, at)?;
                let relative = !self.state.absolute;
                if let Some(odd) = self.watch.odd_in_arc(words, relative) {
                    self.found(Code::ArcForm, at, || odd.to_owned());
                }
                (arc.arc.length(delta[arc.plane.axes().2]), Some(arc))
            }
            _ => ((delta[0] * delta[0] + delta[1] * delta[1] + delta[2] * delta[2]).sqrt(), None),
        };
        let e_word = words.get(axis_e);
        let relative = self.state.e_is_relative();
        let e_from = e_word.filter(|_| !relative).map_or(self.state.e, |e| self.e_start(e * self.state.unit_mm));
        let units = e_word.map_or(0.0, |e| e * self.state.unit_mm - if relative { 0.0 } else { e_from });
        if units.is_nan() || units.abs() > MAX_COORDINATE_MM {
            return Err(at.malformed("this line turns the extruder by more than a kilometre"));
        }
        let e = units * self.state.flow_factor;
        let unit_volume = if self.state.volumetric { Some(1.0) } else { self.rules.e_volume_mm3 };
        let volume = if e == 0.0 {
            0.0
        } else {
            e * unit_volume.ok_or_else(|| Error::new(ErrorKind::NoDiameter).at(at.all_words()))?
        };
        let kind = match (path > 0.0, e > 0.0, e < 0.0) {
            (true, true, _) => Kind::Bead,
            (true, _, true) => Kind::MovingEOut,
            (true, ..) => Kind::Travel,
            (false, true, _) => Kind::EIn,
            (false, _, true) => Kind::EOut,
            (false, ..) => Kind::Feed,
        };

        // The line is sound: commit.
        if let Some(word) = &feed {
            self.set_feed(word);
        }
        // E counts on whatever the mode, so that a later absolute word finds it where it is.
        if let Some(e) = e_word {
            self.state.e = if relative { e_from + units } else { e * self.state.unit_mm };
            self.own_e = None;
        }
        self.state.position = to;
        if kind == Kind::Bead {
            self.layers.bead(from[2], to[2]);
        }
        let mut step = self.blank(kind);
        step.delta = delta;
        step.length = path;
        step.e = e;
        step.volume = volume;
        if self.is_screw {
            step.melt = self.new_melt(kind, volume);
            self.laid += step.melt;
        } else if e != 0.0 {
            let tool = self.state.tool;
            self.found(Code::ToolNotScrew, at, || format!("tool {tool}"));
        }
        if let Some(arc) = arc {
            let (first, second, _) = arc.plane.axes();
            let ends = axes[first].is_some() && axes[second].is_some();
            let parts = ends && !self.state.absolute_centres && words.get(b'P').is_none();
            step.flags |= if parts { Move::ARC } else { Move::ARC | Move::WHOLE };
            self.side.arcs.push(arc);
        }
        if let Some(word) = words.place(axis_e).and_then(|place| at.words().get(place)) {
            (step.e_at, step.e_len, step.e_decimals) = (word.start, word.len, word.decimals);
        }
        let roomy = at.line.code_end - at.line.start <= self.watch.roomy_line;
        (step.feed_at, step.feed_len) = match feed {
            Some(word) => {
                step.flags |= if roomy { 0 } else { Move::TIGHT };
                (word.start, word.len)
            }
            None if room_for_feed && roomy => (at.line.code_end, 0),
            None => {
                step.flags |= Move::FEED_BEFORE;
                (at.line.start, 0)
            }
        };
        step.time = if step.speed > 0.0 { step.distance() / step.speed } else { 0.0 };
        if words.twice_among(MOTION_LETTERS) {
            self.found(Code::DuplicateWord, at, || "a letter stands twice".to_owned());
        }
        if self.is_screw && e != 0.0 {
            let before = Before { position: from, e: e_from };
            self.check_controller_limits(&mut step, units, mode, words, &before, at);
        }
        if self.watch.pending != 0 || (self.state.e.abs() > self.watch.largest_e && !relative) {
            self.look_at_move(&step, at);
        }
        self.moves.push(step);
        if self.state.known != [true; 3] {
            self.learn(axes, machine);
        }
        Ok(())
    }

    /// What the controller may refuse, or execute otherwise than the file says.
    #[cold]
    fn look_at_move(&mut self, step: &Move, at: At<'_>) {
        let turns = self.is_screw && step.e != 0.0;
        let (e, relative) = (self.state.e.abs(), self.state.e_is_relative());
        self.watched(at, |watch, found| {
            watch.step(step.kind, step.length, turns, found);
            if !relative && e > watch.largest_e {
                watch.large_e(e, found);
            }
        });
    }

    /// The part of `volume` that is new melt. A bead is laid in full and ends what was drawn back before it.
    fn new_melt(&mut self, kind: Kind, volume: f64) -> f64 {
        match kind {
            Kind::Bead => {
                self.drawn_back = 0.0;
                volume
            }
            Kind::EIn => {
                let refill = volume.at_most(self.drawn_back);
                self.drawn_back -= refill;
                volume - refill
            }
            _ => {
                self.drawn_back -= volume.at_most(0.0);
                0.0
            }
        }
    }

    fn commit_feed_alone(&mut self, word: &Word) {
        self.set_feed(word);
        let step = Move { feed_at: word.start, feed_len: word.len, ..self.blank(Kind::Feed) };
        self.moves.push(step);
    }

    /// Refuses words that a motion line acts on and that are no numbers. Returns whether an F word can be added.
    fn check_words(&mut self, words: &Words, at: At<'_>) -> Result<bool> {
        if at.line.has(Line::JUNK) {
            let text = at.text();
            let rest = |from: usize| text.get(from..).unwrap_or_default();
            let behind_words = (at.line.code_end - at.line.start) as usize;
            let gap = rest(behind_words).iter().take_while(|b| b.is_ascii_whitespace()).count();
            // What hangs on a word spoils the whole word.
            let spoilt = at.words().last().filter(|_| gap == 0).map(|word| (word.start - at.line.start) as usize);
            let start = spoilt.unwrap_or(behind_words + gap);
            let len = rest(start).iter().take_while(|b| !b.is_ascii_whitespace() && **b != b';').count();
            let junk = rest(start).get(..len).unwrap_or_default();
            // A feed the slicing program forgot to fill in concerns no position: controllers go on without it.
            if junk.starts_with(b"F{") {
                let code = if self.watch.refuses_feed(0.0) { Code::FeedRefused } else { Code::Placeholder };
                self.found(code, at, || String::from_utf8_lossy(junk).into_owned());
                return Ok(false);
            }
            let place = at.excerpt(start, start + len, "not a number");
            if junk.iter().any(|b| matches!(b, b'[' | b'#' | b'<')) {
                return Err(Error::new(ErrorKind::Unsupported {
                    what: "this line computes a value while it runs; only plain numbers can be followed".to_owned(),
                    help: "export plain G-code without parameters and expressions, or run with --lenient to pass such lines through".to_owned(),
                })
                .at(place));
            }
            return Err(Error::new(ErrorKind::Malformed {
                what: format!("`{}` cannot be read on a motion line", String::from_utf8_lossy(junk)),
            })
            .at(place));
        }
        if let Some(letter) = words.bare_among(MOTION_LETTERS) {
            let word = at.words().iter().find(|w| w.letter == letter && !w.has_number());
            let start = word.map_or(0, |w| (w.start - at.line.start) as usize);
            return Err(Error::new(ErrorKind::Malformed { what: format!("{} has no number", letter as char) })
                .at(at.excerpt(start, start + 1, "a number is missing here")));
        }
        Ok(true)
    }

    fn arc(&mut self, words: &Words, from: [f64; 3], to: [f64; 3], clockwise: bool, at: At<'_>) -> Result<ArcPath> {
        let (first, second, _) = self.state.plane.axes();
        const OFFSETS: [u8; 3] = *b"IJK";
        let unit = self.state.unit_mm;
        let centre = if words.has_any(b"IJK") {
            let offset = |axis: usize| {
                let value = words.get(OFFSETS[axis]).map(|v| v * unit);
                if self.state.absolute_centres {
                    value.map_or(0.0, |v| v + self.state.offset[axis] - from[axis])
                } else {
                    value.unwrap_or(0.0)
                }
            };
            Centre::Offset(offset(first), offset(second))
        } else if let Some(r) = words.get(b'R') {
            Centre::Radius(r * unit)
        } else {
            return Err(at.malformed("this arc has neither a centre (I, J, K) nor a radius (R)"));
        };
        let turns = words.get(b'P').filter(|p| (1.0..1e6).contains(p)).map_or(1, |p| p as u32);
        let arc = Arc::resolve([from[first], from[second]], [to[first], to[second]], centre, clockwise, turns)
            .map_err(|error| at.malformed(&error.to_string()))?;
        if arc.end_error > ARC_END_MM {
            self.found(Code::ArcEnd, at, || format!("{:.2} mm off", arc.end_error));
        }
        Ok(ArcPath { plane: self.state.plane, arc, from, to })
    }

    /// The F word of the line, if it can be used.
    pub(super) fn read_feed(&mut self, words: &Words, at: At<'_>) -> Option<Word> {
        let word = *at.words().get(words.place(b'F')?)?;
        if PLAUSIBLE_FEED.contains(&word.value) {
            return Some(word);
        }
        let code = if self.watch.refuses_feed(word.value) { Code::FeedRefused } else { Code::FeedIgnored };
        self.found(code, at, || format!("F{}", word.value));
        None
    }

    pub(super) fn set_feed(&mut self, word: &Word) {
        self.state.set_feed(word.value * self.state.unit_mm, word.decimals);
    }
}

//! What must hold between a file and its form after all passes, checked with the independent reader.

#![allow(dead_code, reason = "each test file uses a part of it")]

use std::ops::Range;

use meltwright::profile::{LagCompensation, OutputUnit, Preset, Profile};
use meltwright::summary::{E_AS_IN_FILE, Summary};

use crate::check::{Complaints, distance, near, off_path};
use crate::planned;
use crate::reader::{self, Move, Reading};
use crate::runs;

/// Quantum of E words.
const E_QUANTUM: f64 = 1e-5;
/// How far a place written in three decimals may be from the path, mm: half a quantum on each of two axes, and the
/// same again where an arc starts from such a place.
const OFF_PATH_MM: f64 = 1.5e-3;
/// Places nearer to each other are one, mm.
const SAME_MM: f64 = 2e-3;

/// Distances between absolute words are rounded: a refill differs by at most this share from its reversal.
const ROUNDED: f64 = 1e-4;
/// Boards plan arcs as chords and ways in whole steps: what a time may be shorter than path over speed.
const MOTION: f64 = 5e-3;

/// Share of what the screw is to push that may be asked faster than it turns, beside 2 mm³.
const BEYOND_SCREW: f64 = 0.003;

/// A file before and after.
struct Pair<'a> {
    input: &'a [u8],
    output: &'a [u8],
    profile: &'a Profile,
    summary: &'a Summary,
    before: Course,
    after: Course,
}

/// The moves with path, and the turns in place before each of them and behind the last.
struct Course {
    reading: Reading,
    path: Vec<usize>,
    turns: Vec<Range<usize>>,
}

impl Course {
    fn new(reading: Reading) -> Self {
        let path: Vec<usize> = (0..reading.moves.len()).filter(|&i| reading.moves[i].length > 0.0).collect();
        let starts = std::iter::once(0).chain(path.iter().map(|i| i + 1));
        let turns = starts.zip(path.iter().copied().chain([reading.moves.len()])).map(|(a, b)| a..b).collect();
        Self { reading, path, turns }
    }

    /// A move with path.
    fn at(&self, index: usize) -> &Move {
        &self.reading.moves[self.path[index]]
    }

    /// The turns in place before move `from` with path up to move `to`.
    fn turns(&self, from: usize, to: usize) -> impl Iterator<Item = &Move> {
        self.turns[from..=to].iter().flat_map(|range| &self.reading.moves[range.clone()])
    }
}

/// Everything that must hold after all passes.
pub fn all_passes(input: &[u8], output: &[u8], profile: &Profile, summary: &Summary) -> Complaints {
    let rules = runs::rules(profile);
    let in_output = reader::Rules { volume_per_e: runs::output_volume(profile), ..rules };
    let before = Course::new(reader::read(input, &rules));
    let after = Course::new(reader::read(output, &in_output));
    let pair = Pair { input, output, profile, summary, before, after };
    let mut c = Complaints::default();
    pair.other_lines(&mut c);
    pair.counts(&mut c);
    pair.volume(&mut c);
    pair.e_limits(&mut c);
    if let Some(pieces) = pair.pieces(&mut c) {
        pair.path(&pieces, &mut c);
        pair.feeds(&pieces, &mut c);
        pair.areas(&pieces, &mut c);
        pair.flows(&pieces, &mut c);
    }
    c
}

impl Pair<'_> {
    fn is_screw(&self, m: &Move) -> bool {
        self.profile.screw.tools.value.contains(&m.tool)
    }

    /// For each move of the input with path, those of the output that it was written as.
    fn pieces(&self, c: &mut Complaints) -> Option<Vec<Range<usize>>> {
        let mut next = 0;
        let mut out = Vec::with_capacity(self.before.path.len());
        for m in (0..self.before.path.len()).map(|i| self.before.at(i)) {
            let (first, mut length) = (next, 0.0);
            loop {
                let slack = SAME_MM * (next + 1 - first) as f64 + 1e-6 * m.length;
                if next >= self.after.path.len() || length > m.length + slack {
                    c.add("path", || {
                        format!("line {}: its end {:?} is not reached after {length} of {} mm", m.line, m.to, m.length)
                    });
                    return None;
                }
                let piece = self.after.at(next);
                length += piece.length;
                next += 1;
                if distance(piece.to, m.to) < SAME_MM && (length - m.length).abs() <= slack {
                    break;
                }
            }
            out.push(first..next);
        }
        let left = self.after.path.len() - next;
        c.check("path", left == 0, || format!("{left} moves too many at the end"));
        Some(out)
    }

    /// Pieces lie on the path, in order, and what stands behind the words of a line stays.
    fn path(&self, pieces: &[Range<usize>], c: &mut Complaints) {
        let (old, new) = (split(self.input), split(self.output));
        for (index, range) in pieces.iter().enumerate() {
            let m = self.before.at(index);
            let place = |part: &Move| format!("line {} (output line {}): ", m.line, part.line);
            for part in range.clone().map(|i| self.after.at(i)) {
                c.check("path", part.is_arc == m.is_arc && part.tool == m.tool, || {
                    place(part) + "another kind of path"
                });
                if range.len() == 1 {
                    c.check("path", near(part.length, m.length, 1e-9) && distance(part.to, m.to) < 1e-9, || {
                        place(part) + &format!("{} mm became {} mm", m.length, part.length)
                    });
                    continue;
                }
                let off = off_path(m, part.to);
                c.check("path", off <= OFF_PATH_MM, || place(part) + &format!("ends {off} mm off the path"));
                if let (Some(arc), Some(own)) = (&part.arc, &m.arc) {
                    let shift = (0..2).map(|i| (arc.centre[i] - own.centre[i]).abs()).fold(0.0, f64::max);
                    c.check("path", shift <= OFF_PATH_MM && arc.sweep * own.sweep > 0.0, || {
                        place(part) + &format!("centre {shift} mm off, or the other way round")
                    });
                }
            }
            let last = self.after.at(range.end - 1);
            let (was, is) = (comment(old[m.line - 1]), comment(new[last.line - 1]));
            c.check("bytes", was == is, || place(last) + "another comment behind it");
        }
    }

    /// No feed rises; travels and other tools keep theirs. In place a feed counts E.
    fn feeds(&self, pieces: &[Range<usize>], c: &mut Complaints) {
        let fastest = runs::screw_flow(self.profile);
        let at_rest = self.summary.screw.lag_compensation == "at-rest";
        for (index, range) in pieces.iter().enumerate() {
            let m = self.before.at(index);
            for part in range.clone().map(|i| self.after.at(i)) {
                let place =
                    || format!("line {} (output line {}): feed {} became {}", m.line, part.line, m.feed, part.feed);
                c.check("feed", part.feed <= m.feed * (1.0 + 1e-9), place);
                if m.is_travel() || !self.is_screw(m) {
                    c.check("feed", near(part.feed, m.feed, 1e-12) && near(part.e, m.e, 1e-9), place);
                }
            }
        }
        for index in 0..=pieces.len() {
            let (from, to) = match (index.checked_sub(1).map(|i| pieces[i].end), pieces.get(index)) {
                (before, Some(range)) => (before.unwrap_or(0), range.start),
                (before, None) => (before.unwrap_or(0), self.after.path.len()),
            };
            let own = self.before.turns(index, index).filter(|m| self.is_screw(m)).map(|m| m.flow().abs());
            let own = own.fold(if at_rest { fastest } else { 0.0 }, f64::max);
            for m in self.after.turns(from, to).filter(|m| self.is_screw(m)) {
                c.check("feed", m.flow().abs() <= own * (1.0 + 1e-6), || {
                    format!("output line {}: {} mm3/s in place, at most {own} before", m.line, m.flow())
                });
            }
        }
    }

    /// No bead thicker than the controller takes.
    fn areas(&self, pieces: &[Range<usize>], c: &mut Complaints) {
        let nozzle = self.profile.nozzle.diameter_mm.value;
        let Some(factor) = self.profile.controller.max_bead_area_per_nozzle_sq.value else { return };
        let most = factor * nozzle * nozzle;
        for (index, range) in pieces.iter().enumerate() {
            let m = self.before.at(index);
            if m.volume / m.length > most || !self.is_screw(m) {
                continue;
            }
            for part in range.clone().map(|i| self.after.at(i)).filter(|part| part.e > 0.0) {
                let area = part.volume / part.length;
                let quantum = E_QUANTUM * part.volume / part.e / part.length;
                c.check("area", area <= most + quantum + 2.0 * most * SAME_MM / part.length, || {
                    format!("line {} (output line {}): a bead of {area} mm2", m.line, part.line)
                });
            }
        }
    }

    /// As executed, what is to be laid stays below peak and moving average, and hardly any piece asks more
    /// than the screw turns.
    fn flows(&self, pieces: &[Range<usize>], c: &mut Complaints) {
        let plan = planned::plan(self.output, self.profile);
        let peak = self.profile.screw.peak_flow_mm3_s.value.unwrap_or(f64::INFINITY);
        let fastest = runs::screw_flow(self.profile);
        let (mut pushed, mut refused, mut worst) = (0.0, 0.0, (0.0, 0));
        // What the melt stores on the way comes out later: demand is what is to be laid.
        let mut wanted = self.after.reading.clone();
        wanted.moves.iter_mut().for_each(|m| m.volume = 0.0);
        for (index, range) in pieces.iter().enumerate() {
            let m = self.before.at(index);
            if !m.is_bead() || !self.is_screw(m) {
                continue;
            }
            for index in range.clone() {
                let part = self.after.at(index);
                // Boards plan in whole steps, which makes a short piece seem a little faster than its feed.
                let top = plan.of(part).top.min(part.feed);
                let area = m.volume / m.length;
                let place = || format!("line {} (output line {})", m.line, part.line);
                c.check("peak", area * top <= peak * (1.0 + 1e-6), || format!("{}: {} mm3/s", place(), area * top));
                let flow = part.volume.abs() / part.length * top;
                pushed += part.volume.abs();
                let beyond = 1.0 - fastest * (1.0 + SAME_MM / part.length) / flow;
                if beyond > 0.0 {
                    refused += beyond * part.volume.abs();
                    worst = if beyond > worst.0 { (beyond, part.line) } else { worst };
                }
                let moved = &mut wanted.moves[self.after.path[index]];
                (moved.volume, moved.e) = (area * part.length, 1.0);
            }
        }
        // Pieces are made for the speeds of whole beads; within brief ramps a few run faster than their mean.
        c.check("screw", refused <= BEYOND_SCREW * pushed + 2.0, || {
            format!("{refused} of {pushed} mm3 are asked faster than {fastest} mm3/s, worst in output line {}", worst.1)
        });
        if let Some(sustained) = self.profile.screw.sustained_flow_mm3_s.value {
            let average =
                crate::check::executed(&wanted, &plan).highest_average(self.profile.screw.sustained_window_s.value);
            c.check("sustained", average <= sustained * (1.0 + MOTION), || {
                format!("the moving average reaches {average} mm3/s")
            });
        }
    }

    /// No line asks more E than the controller takes; arcs and numbered lines cannot be divided.
    fn e_limits(&self, c: &mut Complaints) {
        let controller = &self.profile.controller;
        let lines = split(self.output);
        for m in self.after.reading.moves.iter().filter(|m| self.is_screw(m) && !m.is_arc) {
            let line = lines[m.line - 1].trim_ascii_start();
            if line.first().is_some_and(|b| b.eq_ignore_ascii_case(&b'N')) {
                continue;
            }
            let most = controller.max_e_per_line_mm.value.unwrap_or(f64::INFINITY);
            let still = controller.max_e_only_mm.value.filter(|_| m.is_e_only()).unwrap_or(f64::INFINITY);
            c.check("E", m.e.abs() <= most.min(still) + E_QUANTUM, || format!("output line {}: E {}", m.line, m.e));
        }
    }

    /// What all E words together push is what the account says: beads, charges less reliefs, and the file's own
    /// melt in place.
    fn volume(&self, c: &mut Complaints) {
        let lines = split(self.input);
        let (mut own, mut drawn) = (0.0, 0.0_f64);
        for m in self.before.reading.moves.iter() {
            let volume = if self.is_screw(m) { m.volume } else { 0.0 };
            let is_numbered = lines[m.line - 1].trim_ascii_start().starts_with(b"N");
            if is_numbered && !m.is_bead() {
                // Counted lines stay.
                own += volume;
            } else if m.is_bead() {
                drawn = if self.is_screw(m) { 0.0 } else { drawn };
            } else {
                // What differs from the reversal before it by rounding alone is no new melt.
                let new = (volume - drawn).max(0.0);
                own += if m.is_e_only() && new > ROUNDED * volume { new } else { 0.0 };
                drawn = (drawn - volume).max(0.0);
            }
        }
        let screw = &self.summary.screw;
        // Where nothing is made up for, no account is kept: what the file pushes is pushed.
        let is_kept = screw.lag_compensation == "none" && screw.e_unit == E_AS_IN_FILE;
        if is_kept {
            let of_file =
                |moves: &[reader::Move]| moves.iter().filter(|m| self.is_screw(m)).map(|m| m.volume).sum::<f64>();
            let [before, after] = [&self.before, &self.after].map(|side| of_file(&side.reading.moves));
            c.check("volume", (after - before).abs() <= 1e-9, || format!("{after} mm3 are pushed, not {before}"));
            return;
        }
        let wanted = screw.beads_mm3 + screw.charged_mm3 - screw.relieved_mm3 + own;
        let of_screw = || self.after.reading.moves.iter().filter(|m| self.is_screw(m));
        let pushed: f64 = of_screw().map(|m| m.volume).sum();
        let all: f64 = of_screw().map(|m| m.volume.abs()).sum();
        // The count is exact to half a quantum from one reset to the next, and among words of the file's own for each turn
        // between them; a quantum counts in the file's units.
        let text = String::from_utf8_lossy(self.output);
        // So does each curve: its E is among what is counted, and no move here.
        let apart = |line: &&str| line.contains("G92") || line.starts_with('T') || line.starts_with("G5 ");
        let resets = text.lines().filter(apart).count();
        let turns = if self.profile.screw.output_e_unit.value == OutputUnit::AsInFile {
            self.after.reading.moves.iter().filter(|m| m.is_e_only()).count()
        } else {
            0
        };
        let factor = of_screw().map(|m| m.quantum).fold(1.0, f64::max);
        let quantum = E_QUANTUM * factor * of_screw().map(|m| m.volume / m.e).fold(0.0, f64::max);
        let slack = quantum * (1 + resets + turns) as f64 + 1e-9 * all;
        c.check("volume", (pushed - wanted).abs() <= slack, || {
            format!("all E together push {pushed} mm3, the account has {wanted} mm3 (own {own}), {resets} resets")
        });
    }

    /// Lines that move nothing stay in their order; only known lines are added, and accelerations are sound.
    fn other_lines(&self, c: &mut Complaints) {
        let old = split(self.input);
        let is_motion = |reading: &Reading, line: usize| reading.motion.binary_search(&line).is_ok();
        // Reversals by the controller go, and with another unit of E what the file says of its own.
        let another = self.profile.screw.output_e_unit.value != OutputUnit::AsInFile;
        let tells_unit = |line: &[u8]| another && reader::code_of(line).trim_ascii().starts_with(b"M200");
        let rest = |line: &[u8]| !matches!(reader::code_of(line).trim_ascii(), b"G10" | b"G11") && !tells_unit(line);
        let told = split(self.output).into_iter().position(tells_unit);
        c.check("volume", told.is_none(), || {
            format!("output line {}: M200 in another unit of E", told.unwrap_or(0) + 1)
        });
        let mut kept = (1..=old.len()).filter(|&l| !is_motion(&self.before.reading, l) && rest(old[l - 1])).peekable();
        let mut own = [self.profile.machine.max_accel_mm_s2.value; 2];
        let is_host = matches!(self.profile.controller.preset.value, Preset::Host | Preset::Custom);
        // Only one of both makes up for the lag.
        let leads = self.profile.screw.lag_compensated_by.value != LagCompensation::None;
        let (mut added, mut taken_out) = (0, 0);
        for (index, line) in split(self.output).into_iter().enumerate() {
            if is_motion(&self.after.reading, index + 1) || !rest(line) {
                continue;
            }
            let unmarked = line.strip_prefix(b"\xef\xbb\xbf".as_slice()).unwrap_or(line);
            if unmarked.starts_with(b"; rewritten by meltwright") {
                continue;
            }
            let same = |l: &usize| {
                let old = old[l - 1].strip_prefix(b"\xef\xbb\xbf".as_slice()).unwrap_or(old[l - 1]);
                unmarked == old || another && old.starts_with(b"G5 ") && but_e(unmarked) == but_e(old)
            };
            if kept.next_if(same).is_some() {
                follow_accel(line, is_host, &mut own);
                continue;
            }
            let commented = |l: &usize| {
                unmarked.strip_prefix(b"; taken out: ").is_some_and(|was| was == old[l - 1] && switches_lag_on(was))
            };
            if leads && kept.next_if(commented).is_some() {
                taken_out += 1;
                continue;
            }
            let text = String::from_utf8_lossy(line).trim_end().to_owned();
            let place = || format!("output line {}: {text:?} was added", index + 1);
            let words: Vec<&str> = text.split(' ').collect();
            match words[..] {
                ["G92", e] => c.check("bytes", e.get(1..).is_some_and(|n| n.parse::<f64>().is_ok()), place),
                ["M204", word] => {
                    added += 1;
                    let (letter, value) = (word.get(..1), word.get(1..).and_then(|n| n.parse::<u32>().ok()));
                    let most = if letter == Some("P") { own[0] } else { own[0].max(own[1]) };
                    let sound = value.is_some_and(|v| v > 0 && f64::from(v) <= most * (1.0 + 1e-9));
                    c.check("acceleration", sound, || place() + &format!(" where the file has {own:?} in force"));
                }
                _ => c.add("bytes", || {
                    place() + &format!(" before input line {}", kept.peek().copied().unwrap_or(old.len()))
                }),
            }
        }
        let left = kept.next();
        c.check("bytes", left.is_none(), || format!("input line {left:?} and what follows is missing"));
        let ends = |text: &[u8]| text.ends_with(b"\n");
        c.check("bytes", ends(self.output) || !ends(self.input), || "the last line lost its end".to_owned());
        for (what, found, counted) in [
            ("accelerations written", added, self.summary.changes.accelerations_written),
            ("commands taken out", taken_out, self.summary.changes.lag_commands_taken_out),
        ] {
            c.check("figures", found == counted, || format!("{found} {what}, {counted} in the account"));
        }
    }

    /// The account's counts against the reader's.
    fn counts(&self, c: &mut Complaints) {
        let (changes, after) = (&self.summary.changes, &self.summary.after);
        let lines = |text: &[u8]| split(text).len() as i64;
        let net = lines(self.output) - lines(self.input);
        let told = changes.lines_added as i64 - changes.lines_removed as i64;
        c.check("figures", net == told, || format!("{net} more lines, {told} in the account"));
        let turns = self.after.reading.moves.iter().filter(|m| m.is_e_only() && self.is_screw(m)).count() as u64;
        // A turn of less than a quantum is none to the reader.
        let idle = self.after.reading.idle_turns as u64;
        for (name, ours, theirs) in
            [("e_only", after.e_only, turns), ("moves", after.moves, self.after.reading.moves.len() as u64)]
        {
            c.check("figures", (theirs..=theirs + idle).contains(&ours), || {
                format!("after: {name} {ours}, by the reader {theirs}")
            });
        }
    }
}

/// Lines without their ends. What is put back behind the last line of a file that leaves it open ends it.
fn split(text: &[u8]) -> Vec<&[u8]> {
    text.strip_suffix(b"\n").unwrap_or(text).split(|&b| b == b'\n').collect()
}

fn comment(line: &[u8]) -> &[u8] {
    line.iter().position(|&b| b == b';').map_or(b"", |at| &line[at..])
}

/// Accelerations a line of the file sets, for beads and for travels; whichever the controller takes, none above is.
fn follow_accel(line: &[u8], is_host: bool, own: &mut [f64; 2]) {
    let code = String::from_utf8_lossy(&reader::code_of(line)).to_uppercase();
    let number = |text: &str| {
        let end = text.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(text.len());
        text[..end].parse::<f64>().ok().filter(|n| *n > 0.0)
    };
    if let Some(rest) = code.trim().strip_prefix("M204") {
        let value = |letter: char| {
            let word = rest.split_whitespace().find(|word| word.starts_with(letter));
            word.and_then(|word| number(word.get(1..)?))
        };
        match (value('S'), value('P'), value('T')) {
            (Some(all), ..) => *own = [all; 2],
            // A host takes the smaller of both for all moves, and neither alone.
            (_, Some(p), Some(t)) if is_host => *own = [p.min(t); 2],
            (_, p, t) if !is_host => *own = [p.unwrap_or(own[0]), t.unwrap_or(own[1])],
            _ => {}
        }
    } else if is_host
        && code.starts_with("SET_VELOCITY_LIMIT")
        && let Some((_, rest)) = code.split_once(" ACCEL=")
        && let Some(value) = number(rest)
    {
        *own = [value; 2];
    }
}

/// A line without its E word: that of a curve counts in the unit of the output.
fn but_e(line: &[u8]) -> Vec<&[u8]> {
    line.split(|&b| b == b' ').filter(|word| !word.starts_with(b"E")).collect()
}

/// Whether a line may switch on the controller's own compensation of lag.
fn switches_lag_on(line: &[u8]) -> bool {
    let text = String::from_utf8_lossy(line).to_ascii_uppercase();
    let is_named = text.starts_with("SET_") && text.contains("_ADVANCE ") && text.contains("ADVANCE=");
    is_named || ["M900", "M572"].iter().any(|name| text.contains(name))
}

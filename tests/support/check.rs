//! What must hold between a file and its rewritten form, checked with the independent reader.

#![allow(dead_code, reason = "each test file uses a part of it")]

use std::ops::Range;

use meltwright::profile::Profile;
use meltwright::summary::{Figures, Summary};

use crate::planned::{self, Planned};
use crate::reader::{self, Move, Reading, Timeline};
use crate::runs;

/// Most complaints of one kind that are listed.
const LISTED: usize = 3;

/// What a feed rounded down to its last digit may change in a time.
const FEED_DIGIT: f64 = 2e-3;

/// Complaints, the first few of each kind.
#[derive(Default)]
pub struct Complaints {
    list: Vec<String>,
    counts: Vec<(&'static str, usize)>,
}

impl Complaints {
    /// Notes a complaint.
    pub fn add(&mut self, kind: &'static str, text: impl FnOnce() -> String) {
        let index = self.counts.iter().position(|c| c.0 == kind).unwrap_or_else(|| {
            self.counts.push((kind, 0));
            self.counts.len() - 1
        });
        self.counts[index].1 += 1;
        if self.counts[index].1 <= LISTED {
            self.list.push(format!("{kind}: {}", text()));
        }
    }

    /// Notes a complaint where something does not hold.
    pub fn check(&mut self, kind: &'static str, holds: bool, text: impl FnOnce() -> String) {
        if !holds {
            self.add(kind, text);
        }
    }

    /// All of them as text, with how many there are of each kind.
    pub fn into_lines(mut self) -> Vec<String> {
        for (kind, count) in &self.counts {
            if *count > LISTED {
                self.list.push(format!("{kind}: {count} in all"));
            }
        }
        self.list
    }
}

/// Whether two numbers agree to a relative tolerance.
pub fn near(a: f64, b: f64, relative: f64) -> bool {
    (a - b).abs() <= relative * a.abs().max(b.abs()) + 1e-9
}

/// Everything that must hold after the capacity pass.
pub fn capacity(input: &[u8], output: &[u8], profile: &Profile, summary: &Summary) -> Complaints {
    let rules = runs::rules(profile);
    let (before, after) = (reader::read(input, &rules), reader::read(output, &rules));
    let (plan_before, plan_after) = (planned::plan(input, profile), planned::plan(output, profile));
    let mut c = Complaints::default();
    lines(input, output, &before, profile, &mut c);
    if let Some(pieces) = pieces(&before, &after, &mut c) {
        moves(&before, &after, &pieces, profile, &mut c);
        untouched((&before, &plan_before), &after, &pieces, profile, &mut c);
    }
    limits(&after, &plan_after, profile, &mut c);
    figures("before", &summary.before, (&before, &plan_before), 1e-6, profile, &mut c);
    figures("after", &summary.after, (&after, &plan_after), FEED_DIGIT, profile, &mut c);
    c
}

/// For each input move the output moves it was written as.
pub fn pieces(before: &Reading, after: &Reading, c: &mut Complaints) -> Option<Vec<Range<usize>>> {
    let mut next = 0;
    let mut out = Vec::with_capacity(before.moves.len());
    for m in &before.moves {
        let first = next;
        let mut e = 0.0;
        loop {
            let Some(piece) = after.moves.get(next).filter(|_| next - first < 10_000) else {
                c.add("path", || format!("line {}: the end {:?}, E {} is not reached", m.line, m.to, m.e));
                return None;
            };
            next += 1;
            e += piece.e;
            if distance(piece.to, m.to) < 2e-3 && (e - m.e).abs() < 1e-3 {
                break;
            }
        }
        out.push(first..next);
    }
    c.check("path", next == after.moves.len(), || format!("{} moves too many at the end", after.moves.len() - next));
    Some(out)
}

/// Between two points, mm.
pub fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    (0..3).map(|i| (a[i] - b[i]).powi(2)).sum::<f64>().sqrt()
}

/// Path, volume and speed of each move against its pieces.
fn moves(before: &Reading, after: &Reading, pieces: &[Range<usize>], profile: &Profile, c: &mut Complaints) {
    for (m, range) in before.moves.iter().zip(pieces) {
        let parts = &after.moves[range.clone()];
        let place = || format!("line {}: ", m.line);
        let e: f64 = parts.iter().map(|p| p.e).sum();
        let length: f64 = parts.iter().map(|p| p.length).sum();
        let volume: f64 = parts.iter().map(|p| p.volume).sum();
        if let [only] = parts {
            c.check("volume", near(m.e, only.e, 1e-9) && near(m.volume, only.volume, 1e-9), || {
                place() + &format!("E {} became {}", m.e, only.e)
            });
            c.check(
                "path",
                near(m.length, only.length, 1e-9) && m.is_arc == only.is_arc && m.tool == only.tool,
                || place() + &format!("length {} became {}", m.length, only.length),
            );
        } else {
            let quantum = 1e-5 * parts.len() as f64;
            c.check("volume", (e - m.e).abs() <= quantum, || place() + &format!("E {} became {e} in pieces", m.e));
            c.check("volume", near(m.volume, volume, 1e-5), || {
                place() + &format!("volume {} became {volume}", m.volume)
            });
            c.check("path", (length - m.length).abs() <= 2e-3 * parts.len() as f64, || {
                place() + &format!("length {} became {length} in pieces", m.length)
            });
            for part in parts {
                let off = off_path(m, part.to);
                c.check("path", off <= 1.5e-3, || place() + &format!("a piece ends {off} mm off the path"));
            }
        }
        for part in parts {
            c.check("feed", part.feed <= m.feed * (1.0 + 1e-9), || {
                place() + &format!("feed {} was raised to {}", m.feed, part.feed)
            });
            let ours = profile.screw.tools.value.contains(&m.tool);
            if m.is_travel() || !ours {
                c.check("feed", near(part.feed, m.feed, 1e-12), || {
                    place() + &format!("feed {} of a travel or another tool became {}", m.feed, part.feed)
                });
            }
        }
    }
}

/// How far a point is from the path of a move, mm.
pub fn off_path(m: &Move, point: [f64; 3]) -> f64 {
    if let Some(arc) = &m.arc {
        let [p, q, r] = arc.axes;
        let radial = (point[p] - arc.centre[0]).hypot(point[q] - arc.centre[1]) - arc.radius;
        // Along a helix the third axis goes with the angle.
        let angle = |at: [f64; 3]| (at[q] - arc.centre[1]).atan2(at[p] - arc.centre[0]);
        let turned = (angle(point) - angle(m.from)) * arc.sweep.signum();
        let mut share = turned.rem_euclid(std::f64::consts::TAU) / arc.sweep.abs();
        if distance(point, m.to) < 2e-3 {
            share = 1.0;
        }
        let across = point[r] - (m.from[r] + share * (m.to[r] - m.from[r]));
        // The arc as written may itself end off its own circle.
        let own = (m.to[p] - arc.centre[0]).hypot(m.to[q] - arc.centre[1]) - arc.radius;
        return (radial.abs() - own.abs()).max(0.0).hypot(across);
    }
    let along: [f64; 3] = std::array::from_fn(|i| m.to[i] - m.from[i]);
    let length2: f64 = along.iter().map(|v| v * v).sum();
    if length2 == 0.0 {
        return distance(point, m.to);
    }
    let share = (0..3).map(|i| (point[i] - m.from[i]) * along[i]).sum::<f64>() / length2;
    let share = share.clamp(0.0, 1.0);
    distance(point, std::array::from_fn(|i| m.from[i] + share * along[i]))
}

/// Peak, screw and moving average of the result as it is executed: a feed above the capacity that is never reached may
/// stay.
fn limits(after: &Reading, planned: &Planned, profile: &Profile, c: &mut Complaints) {
    let screw = &profile.screw;
    let peak = screw.peak_flow_mm3_s.value.unwrap_or(f64::INFINITY);
    let fastest = runs::screw_flow(profile);
    for m in after.moves.iter().filter(|m| screw.tools.value.contains(&m.tool)) {
        let flow = planned.flow(m);
        if m.is_bead() {
            c.check("peak", flow <= peak * (1.0 + 1e-6), || format!("output line {}: {flow} mm3/s", m.line));
        } else if m.is_e_only() {
            c.check("screw", flow.abs() <= fastest * (1.0 + 1e-6), || {
                format!("output line {}: {flow} mm3/s without motion", m.line)
            });
        }
    }
    if let Some(sustained) = screw.sustained_flow_mm3_s.value {
        let average = executed(after, planned).highest_average(screw.sustained_window_s.value);
        c.check("sustained", average <= sustained * (1.0 + 1e-3), || {
            format!("the moving average reaches {average} mm3/s")
        });
    }
}

/// Volume against time as it is executed.
pub fn executed(reading: &Reading, planned: &Planned) -> Timeline {
    Timeline::new(reading, &planned.waits(reading), |_, m| planned.of(m).time)
}

/// Beads below every limit keep their feed.
fn untouched(
    (before, planned): (&Reading, &Planned),
    after: &Reading,
    pieces: &[Range<usize>],
    profile: &Profile,
    c: &mut Complaints,
) {
    let screw = &profile.screw;
    let peak = screw.peak_flow_mm3_s.value.unwrap_or(f64::INFINITY);
    let fastest = runs::screw_flow(profile);
    // The time a move takes at least once it is held to the capacity for single moves.
    let clamped = |_: usize, m: &Move| {
        let time = planned.of(m).time;
        match () {
            () if m.is_bead() && planned.flow(m) > peak => time.max(m.volume / peak),
            () if m.is_e_only() && planned.flow(m).abs() > fastest => time.max(m.volume.abs() / fastest),
            () => time,
        }
    };
    let timeline = Timeline::new(before, &planned.waits(before), clamped);
    let sustained = screw.sustained_flow_mm3_s.value.unwrap_or(f64::INFINITY);
    let broken = timeline.above(sustained * (1.0 - 1e-6), screw.sustained_window_s.value);
    for (index, m) in before.moves.iter().enumerate().filter(|(_, m)| m.is_bead()) {
        let (start, end) = (timeline.times[index], timeline.times[index] + clamped(index, m));
        let next = broken.partition_point(|b| b.1 <= start);
        let in_broken = broken.get(next).is_some_and(|b| b.0 < end);
        let flow = planned.flow(m);
        if flow < peak * (1.0 - 1e-9) && !in_broken {
            let kept = after.moves[pieces[index].clone()].iter().all(|p| near(p.feed, m.feed, 1e-9));
            c.check("kept", kept, || {
                let now = after.moves[pieces[index].start].feed;
                format!("line {}: a bead of {flow} mm3/s within all limits went from {} to {now} mm/s", m.line, m.feed)
            });
        }
    }
}

/// The reported figures against the reader's.
fn figures(
    when: &'static str,
    figures: &Figures,
    (reading, planned): (&Reading, &Planned),
    tolerance: f64,
    profile: &Profile,
    c: &mut Complaints,
) {
    let count = |test: fn(&Move) -> bool| reading.moves.iter().filter(|m| test(m)).count() as u64;
    let length = |test: fn(&Move) -> bool| reading.moves.iter().filter(|m| test(m)).map(|m| m.length).sum::<f64>();
    for (name, ours, theirs) in [
        ("moves", figures.moves, reading.moves.len() as u64),
        ("beads", figures.beads, count(Move::is_bead)),
        ("travels", figures.travels, count(Move::is_travel)),
        ("e_only", figures.e_only, count(Move::is_e_only)),
    ] {
        c.check("figures", ours == theirs, || format!("{when}: {name} {ours}, by the reader {theirs}"));
    }
    let sustained = executed(reading, planned).highest_average(profile.screw.sustained_window_s.value);
    let peak = reading.beads().map(|m| planned.flow(m)).fold(0.0, f64::max);
    for (name, ours, theirs, tolerance) in [
        ("time_s", figures.time_s, planned.total, tolerance),
        ("bead_volume_mm3", figures.bead_volume_mm3, reading.bead_volume(), 1e-6),
        ("bead_path_mm", figures.bead_path_mm, length(Move::is_bead), 1e-6),
        ("travel_path_mm", figures.travel_path_mm, length(Move::is_travel), 1e-6),
        ("peak_demand_mm3_s", figures.peak_demand_mm3_s, peak, tolerance),
        ("sustained_demand_mm3_s", figures.sustained_demand_mm3_s, sustained, tolerance.max(1e-3)),
    ] {
        c.check("figures", near(ours, theirs, tolerance), || format!("{when}: {name} {ours}, by the reader {theirs}"));
    }
}

/// Each output line is an input line, one with another F (and checksum), or an added one.
fn lines(input: &[u8], output: &[u8], before: &Reading, profile: &Profile, c: &mut Complaints) {
    let controller = &profile.controller;
    let excess = |line: usize| {
        before.moves.iter().any(|m| {
            m.line == line
                && (controller.max_e_per_line_mm.value.is_some_and(|most| m.e.abs() > most)
                    || m.is_e_only() && controller.max_e_only_mm.value.is_some_and(|most| m.e.abs() > most))
        })
    };
    let old: Vec<&[u8]> = input.split(|&b| b == b'\n').collect();
    let mut at = 0;
    for (index, new) in output.split(|&b| b == b'\n').enumerate() {
        if at < old.len() && (new == old[at] || same_but_feed(old[at], new)) {
            at += 1;
            continue;
        }
        if is_added(new) {
            continue;
        }
        // The pieces of a split line stand for it; the last is followed by the next input line.
        let splits = at < old.len() && excess(at + 1);
        if splits && old.get(at + 1).is_some_and(|next| new == *next || same_but_feed(next, new)) {
            at += 2;
            continue;
        }
        if splits && is_motion(new) {
            continue;
        }
        let text = String::from_utf8_lossy(new).into_owned();
        c.add("bytes", || format!("output line {}: {text:?} is no form of input line {}", index + 1, at + 1));
        if c.list.len() > 20 {
            return;
        }
        at += 1;
    }
    c.check("bytes", at >= old.len(), || format!("the lines from {} on are missing", at + 1));
}

/// A comment of this program or a line that only sets the feed.
fn is_added(line: &[u8]) -> bool {
    let line = line.strip_prefix(b"\xef\xbb\xbf".as_slice()).unwrap_or(line);
    let text = String::from_utf8_lossy(line.trim_ascii());
    if text.starts_with(';') {
        return text.contains("meltwright");
    }
    let words: Vec<&str> = text.split(' ').collect();
    matches!(words[..], ["G0" | "G1" | "G2" | "G3", feed] if feed.strip_prefix('F').is_some_and(|n| n.parse::<f64>().is_ok()))
}

fn is_motion(line: &[u8]) -> bool {
    let code = reader::code_of(line);
    let text = code.trim_ascii();
    matches!(text, [b'G' | b'g', b'0'..=b'3', rest @ ..] if !rest.first().is_some_and(u8::is_ascii_digit))
        || text.first() == Some(&b'N')
}

/// Whether two lines are the same but for the F word and the checksum.
pub fn same_but_feed(old: &[u8], new: &[u8]) -> bool {
    match (without_feed(old), without_feed(new)) {
        (Some(old), Some(new)) => old == new,
        _ => false,
    }
}

/// A motion line without its F word, the space before it, and the checksum; the comment stays.
fn without_feed(line: &[u8]) -> Option<Vec<u8>> {
    let code_end = line.iter().position(|b| matches!(b, b';' | b'(')).unwrap_or(line.len());
    let (code, comment) = line.split_at(code_end);
    let mut out = Vec::new();
    let mut i = 0;
    let mut feeds = 0;
    while i < code.len() {
        match code[i] {
            b'F' | b'f' => {
                while out.last().is_some_and(|b| matches!(b, b' ' | b'\t')) {
                    out.pop();
                }
                i += 1;
                while i < code.len() && matches!(code[i], b'0'..=b'9' | b'.' | b'+' | b'-') {
                    i += 1;
                }
                feeds += 1;
            }
            b'*' => {
                i += 1;
                while i < code.len() && code[i].is_ascii_digit() {
                    i += 1;
                }
            }
            byte => {
                out.push(byte);
                i += 1;
            }
        }
    }
    if feeds > 1 {
        return None;
    }
    out.extend_from_slice(comment);
    Some(out)
}

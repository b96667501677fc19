//! Made input for the benches: the same bytes on every run, whole lines, at least as long as asked for.
#![allow(dead_code, reason = "each bench uses a part of it")]

use std::f64::consts::TAU;
use std::io::{self, Write};

use meltwright::profile::Profile;

/// Makes at least so many bytes.
type Make = fn(usize) -> Vec<u8>;

/// The kinds of input, by name.
pub const KINDS: [(&str, Make); 7] = [
    ("tiny_segments", tiny_segments),
    ("tiny_layers", tiny_layers),
    ("absolute_e", absolute_e),
    ("crlf", crlf),
    ("spiral", spiral),
    ("comment_heavy", comment_heavy),
    ("arcs", arcs),
];

/// The made input of this name, at least so many bytes.
pub fn kind(name: &str, bytes: usize) -> Option<Vec<u8>> {
    KINDS.iter().find(|kind| kind.0 == name).map(|kind| kind.1(bytes))
}

/// Writes about so many bytes in pieces of 32 MB; every piece starts with its own modes.
pub fn write_long(out: &mut impl Write, name: &str, bytes: usize) -> io::Result<()> {
    const PIECE: usize = 32_000_000;
    let unknown = || io::Error::new(io::ErrorKind::InvalidInput, format!("there is no made input `{name}`"));
    let piece = kind(name, bytes.min(PIECE)).ok_or_else(unknown)?;
    let mut left = bytes;
    while left > 0 {
        let part = &piece[..piece.len().min(left)];
        // Whole lines to the end.
        let whole = part.iter().rposition(|&b| b == b'\n').map_or(part.len(), |end| end + 1);
        out.write_all(&part[..whole])?;
        left = left.saturating_sub(part.len());
    }
    out.flush()
}

/// Peak and sustained capacity, mm³/s, by which about half the moves of a kind are slowed.
pub fn half_slowed(name: &str) -> (f64, f64) {
    match name {
        "absolute_e" => (3.2, 3.0),
        "crlf" => (2.05, 1.9),
        "spiral" => (2.2, 2.15),
        "comment_heavy" => (2.4, 2.2),
        "arcs" => (1.7, 1.6),
        _ => (2.45, 2.2),
    }
}

/// The embedded profile with E in mm of a 1.75 mm strand, these capacities, mm³/s, and a window of a minute.
pub fn profile((peak, sustained): (f64, f64)) -> Profile {
    let mut profile = Profile::embedded();
    profile.controller.initial_feed_mm_s.value = 25.0;
    profile.screw.virtual_diameter_mm.value = Some(1.75);
    profile.screw.peak_flow_mm3_s.value = Some(peak);
    profile.screw.sustained_flow_mm3_s.value = Some(sustained);
    profile.screw.sustained_window_s.value = 60.0;
    profile
}

/// A small generator of numbers in 0..1 (SplitMix64: Steele, Lea, Flood, OOPSLA 2014).
struct Chance(u64);

impl Chance {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut bits = self.0;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (bits ^ (bits >> 31)) as f64 / 2f64.powi(64)
    }
}

/// Moves in a row that lay the same width: about as many as a slicing program writes between two changes of role.
const RUN: usize = 24;

/// Where the head is and how much came out, in mm.
struct Walk {
    chance: Chance,
    /// Factor on the width of the bead.
    width: f64,
    steps: usize,
    angle: f64,
    x: f64,
    y: f64,
    e: f64,
}

impl Walk {
    fn new(seed: u64) -> Self {
        Self { chance: Chance(seed), width: 1.0, steps: 0, angle: 0.0, x: 100.0, y: 100.0, e: 0.0 }
    }

    /// Goes on by up to `longest` mm within the bed; the E of the piece.
    fn step(&mut self, longest: f64) -> f64 {
        if self.steps.is_multiple_of(RUN) {
            self.width = 0.5 + self.chance.next();
        }
        self.steps += 1;
        self.angle += (self.chance.next() - 0.5) * 0.8;
        let length = 0.05 + self.chance.next() * longest;
        let to = (self.x + length * self.angle.cos(), self.y + length * self.angle.sin());
        if !(5.0..=295.0).contains(&to.0) || !(5.0..=295.0).contains(&to.1) {
            // At the edge of the bed: back the way it came.
            self.angle += TAU / 2.0;
        }
        self.x += length * self.angle.cos();
        self.y += length * self.angle.sin();
        let e = length * 0.0333 * self.width;
        self.e += e;
        e
    }
}

fn fill(bytes: usize, start: &str, mut line: impl FnMut(usize, &mut Vec<u8>)) -> Vec<u8> {
    let mut out = Vec::with_capacity(bytes + 256);
    out.extend_from_slice(start.as_bytes());
    let mut index = 0;
    while out.len() < bytes {
        line(index, &mut out);
        index += 1;
    }
    out
}

macro_rules! put {
    ($out:expr, $($part:tt)*) => { writeln!($out, $($part)*).expect("written") };
}

/// Short segments with relative E.
pub fn tiny_segments(bytes: usize) -> Vec<u8> {
    let mut walk = Walk::new(1);
    fill(bytes, "G90\nM83\nG1 F1800\n", |_, out| {
        let e = walk.step(1.0);
        put!(out, "G1 X{:.3} Y{:.3} E{e:.5}", walk.x, walk.y);
    })
}

/// As [`tiny_segments`], in layers of 4000 lines.
pub fn tiny_layers(bytes: usize) -> Vec<u8> {
    let mut walk = Walk::new(1);
    fill(bytes, "G90\nM83\nG1 F1800\n", |index, out| {
        if index % 4000 == 0 {
            put!(out, "G1 Z{:.2}", 0.5 * (index / 4000 + 1) as f64);
        }
        let e = walk.step(1.0);
        put!(out, "G1 X{:.3} Y{:.3} E{e:.5}", walk.x, walk.y);
    })
}

/// Segments with absolute E, reset every 2000 lines, and a speed now and then.
pub fn absolute_e(bytes: usize) -> Vec<u8> {
    let mut walk = Walk::new(2);
    fill(bytes, "G90\nM82\nG92 E0\n", |index, out| {
        walk.step(4.0);
        match index % 2000 {
            0 => {
                walk.e = 0.0;
                put!(out, "G92 E0");
            }
            n if n % 20 == 1 => put!(out, "G1 F{} X{:.3} Y{:.3} E{:.5}", 1200 + n, walk.x, walk.y, walk.e),
            _ => put!(out, "G1 X{:.3} Y{:.3} E{:.5}", walk.x, walk.y, walk.e),
        }
    })
}

/// As [`tiny_segments`] with CR LF.
pub fn crlf(bytes: usize) -> Vec<u8> {
    let mut walk = Walk::new(3);
    fill(bytes, "G90\r\nM83\r\n", |_, out| {
        let e = walk.step(1.0);
        put!(out, "G1 X{:.3} Y{:.3} E{e:.5}\r", walk.x, walk.y);
    })
}

/// One rising spiral; numbers below one without the leading zero.
pub fn spiral(bytes: usize) -> Vec<u8> {
    fill(bytes, "G90\nM83\nG1 F1800\n", |index, out| {
        let angle = index as f64 / 180.0 * TAU;
        let (x, y) = (150.0 + 40.0 * angle.cos(), 150.0 + 40.0 * angle.sin());
        // Thinner on every other run.
        let e = 4650 - index / RUN % 2 * 1000 + index % 7;
        put!(out, "G1 X{x:.3} Y{y:.3} Z{:.3} E.{e:05}", 0.2 + index as f64 * 0.0005);
    })
}

/// A comment behind or before nearly every move, travel, retraction and commands that are no moves.
pub fn comment_heavy(bytes: usize) -> Vec<u8> {
    let mut walk = Walk::new(5);
    fill(bytes, "; made input\nG90\nM83\n", |index, out| {
        let e = walk.step(3.0);
        match index % 12 {
            0 => put!(out, ";TYPE:WALL-OUTER\n;WIDTH:0.{}", 40 + index % 9),
            1 => put!(out, "M204 S{}", 800 + index % 3 * 100),
            2 => put!(
                out,
                "G1 E-.8 F2100 ; retract\nG0 X{:.3} Y{:.3} F9000 ; travel\nG1 E.8 F2100 ; back",
                walk.x,
                walk.y
            ),
            3 => put!(out, "; printing object part_{} id:{} copy 0", index % 5, index % 5),
            _ => put!(out, "G1 X{:.3} Y{:.3} E{e:.5} ; perimeter", walk.x, walk.y),
        }
    })
}

/// Arcs by centre and lines, relative E.
pub fn arcs(bytes: usize) -> Vec<u8> {
    let mut walk = Walk::new(6);
    fill(bytes, "G90\nM83\nG1 F1800\n", |index, out| {
        let (x, y) = (walk.x, walk.y);
        let e = walk.step(6.0);
        // Centre on the bisector of the chord, so that start and end have the same radius.
        let (dx, dy) = (walk.x - x, walk.y - y);
        let side = 0.5 + walk.chance.next();
        match index % 3 {
            0 => put!(out, "G1 X{:.3} Y{:.3} E{e:.5}", walk.x, walk.y),
            turn => put!(
                out,
                "G{} X{:.3} Y{:.3} I{:.3} J{:.3} E{e:.5}",
                turn + 1,
                walk.x,
                walk.y,
                dx / 2.0 - dy * side,
                dy / 2.0 + dx * side
            ),
        }
    })
}

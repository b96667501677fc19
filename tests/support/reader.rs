//! A second, simple reader of G-code, to check results with.
//!
//! It shares nothing with the library: own words, own modal state, plain `f64`, one line after the other. Speed
//! does not matter here, being easy to check by eye does.

#![allow(dead_code, reason = "each test file uses a part of it")]

use std::collections::BTreeMap;
use std::f64::consts::TAU;

/// Shortest length and smallest E change that count as something, mm.
const NOTHING: f64 = 1e-9;

/// One movement of the head, of the screw, or of both.
#[derive(Clone, Debug, PartialEq)]
pub struct Move {
    /// Line, counted from 1.
    pub line: usize,
    /// Start and end, mm.
    pub from: [f64; 3],
    pub to: [f64; 3],
    /// Change of E with the flow factor applied, units of E.
    pub e: f64,
    /// Path length, along the arc where it is one, mm.
    pub length: f64,
    /// Speed along the path (of E where there is no path), mm/s.
    pub feed: f64,
    /// Tool in force.
    pub tool: u32,
    /// Whether it is an arc.
    pub is_arc: bool,
    /// Centre of the arc in its plane, and the axes of the plane.
    pub arc: Option<Arc>,
    /// Change of E as volume, mm³.
    pub volume: f64,
    /// Change of E, as `e` has it, for a unit on the line.
    pub quantum: f64,
    /// Whether a homing or positions unknown to the reader came between this move and the one before.
    pub after_home: bool,
}

/// Geometry of an arc.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Arc {
    /// First and second axis of the plane and the axis across it.
    pub axes: [usize; 3],
    /// Centre on the first and second axis, mm.
    pub centre: [f64; 2],
    /// Radius at the start, mm.
    pub radius: f64,
    /// Angle passed, positive counter-clockwise, rad.
    pub sweep: f64,
}

impl Move {
    /// Lays material along a path.
    pub fn is_bead(&self) -> bool {
        self.length > 0.0 && self.e > 0.0
    }

    /// Moves without any change of E.
    pub fn is_travel(&self) -> bool {
        self.length > 0.0 && self.e == 0.0
    }

    /// Turns the screw in place.
    pub fn is_e_only(&self) -> bool {
        self.length == 0.0
    }

    /// Time at the commanded speed, s.
    pub fn time(&self) -> f64 {
        if self.length > 0.0 { self.length / self.feed } else { self.e.abs() / self.feed }
    }

    /// Volume per time, mm³/s; negative when the screw turns back.
    pub fn flow(&self) -> f64 {
        self.volume / self.time()
    }
}

/// How the controller at hand takes a few words.
#[derive(Clone, Copy, Debug)]
pub struct Rules {
    /// Volume of one unit of E, mm³; `M200` in the file wins.
    pub volume_per_e: f64,
    /// Letter of the extruder axis.
    pub axis: u8,
    /// Feed before the first F, mm/s.
    pub initial_feed: f64,
    /// `G4 S` counts, and wins over `P`.
    pub dwell_s_wins: bool,
    /// What `M84` and `M18` wait, s.
    pub motors_off_s: f64,
    /// `G90` makes E absolute again after `M83`.
    pub g90_sets_e: bool,
    /// `M221` scales E without motion too, and up to this, %.
    pub flow_percent: (bool, f64),
    /// `G60` keeps the place, and `G61` goes back to it.
    pub keeps_places: bool,
}

/// What was read.
#[derive(Clone, Debug, Default)]
pub struct Reading {
    /// All moves, in order.
    pub moves: Vec<Move>,
    /// Dwell before each move index, s: (index into `moves`, seconds).
    pub dwells: Vec<(usize, f64)>,
    /// Bare `G10` and `G11`.
    pub pull_backs: usize,
    /// Motion lines the reader could not follow.
    pub unread: Vec<usize>,
    /// Motion lines with E that neither move nor turn anything.
    pub idle_turns: usize,
    /// All motion lines, whether they move anything or not.
    pub motion: Vec<usize>,
}

impl Reading {
    /// Moves that lay material.
    pub fn beads(&self) -> impl Iterator<Item = &Move> {
        self.moves.iter().filter(|m| m.is_bead())
    }

    /// Volume of the beads, mm³.
    pub fn bead_volume(&self) -> f64 {
        self.beads().map(|m| m.volume).sum()
    }
}

/// A letter and its number.
type Word = (u8, Option<f64>);

struct State {
    at: [f64; 3],
    e: f64,
    motion: Option<u32>,
    plane: [usize; 3],
    inches: bool,
    relative: bool,
    e_relative: bool,
    feed: f64,
    feed_percent: f64,
    flow_percent: Vec<(u32, f64)>,
    strand_volume: Option<f64>,
    tool: u32,
    /// Where other tools left off with E.
    left_off: BTreeMap<u32, f64>,
    /// Where the tool just taken up left off itself, until its first E or `G92 E`.
    own_e: Option<f64>,
    homed: bool,
    kept: [f64; 3],
}

/// Reads a whole file.
pub fn read(bytes: &[u8], rules: &Rules) -> Reading {
    let mut state = State {
        at: [0.0; 3],
        e: 0.0,
        motion: None,
        plane: [0, 1, 2],
        inches: false,
        relative: false,
        e_relative: false,
        feed: rules.initial_feed,
        feed_percent: 100.0,
        flow_percent: Vec::new(),
        strand_volume: None,
        tool: 0,
        left_off: BTreeMap::new(),
        own_e: None,
        homed: false,
        kept: [0.0; 3],
    };
    let mut out = Reading::default();
    for (index, raw) in bytes.split(|&b| b == b'\n').enumerate() {
        if let Some(words) = words_of(raw) {
            run(&words, index + 1, &mut state, rules, &mut out);
        }
    }
    out
}

/// The part of a line that is code: without mark of order, line number, checksum and comments.
pub fn code_of(raw: &[u8]) -> Vec<u8> {
    let mut line = raw.strip_prefix(b"\xef\xbb\xbf".as_slice()).unwrap_or(raw);
    let mut code = Vec::new();
    let mut depth = 0;
    while let [byte, rest @ ..] = line {
        match byte {
            b';' if depth == 0 => break,
            b'(' => depth += 1,
            b')' if depth > 0 => depth -= 1,
            b'\r' => {}
            _ if depth > 0 => {}
            _ => code.push(*byte),
        }
        line = rest;
    }
    code
}

/// The words of a line; `None` for lines that are not made of words or whose words mean nothing here.
fn words_of(raw: &[u8]) -> Option<Vec<Word>> {
    let code = code_of(raw);
    let text = code.trim_ascii();
    let mut rest = text;
    // A line number, and with it a checksum, comes off first.
    if matches!(rest.first(), Some(b'N' | b'n')) && rest.get(1).is_some_and(u8::is_ascii_digit) {
        let digits = rest[1..].iter().take_while(|b| b.is_ascii_digit()).count();
        rest = rest[1 + digits..].trim_ascii_start();
        if let Some(star) = rest.iter().rposition(|&b| b == b'*') {
            rest = rest[..star].trim_ascii_end();
        }
    }
    let mut words = Vec::new();
    while !rest.is_empty() {
        let letter = rest[0].to_ascii_uppercase();
        if !letter.is_ascii_uppercase() {
            // What stands behind the words of a readable command does not matter.
            break;
        }
        rest = rest[1..].trim_ascii_start();
        let length = number_length(rest);
        let number = std::str::from_utf8(&rest[..length]).ok().and_then(|t| t.parse::<f64>().ok());
        rest = rest[length..].trim_ascii_start();
        // A first letter without a number starts a named command or prose.
        if words.is_empty() && number.is_none() {
            return None;
        }
        words.push((letter, number));
        // The arguments of these are text, or mean nothing for motion.
        if words.len() == 1 && letter == b'M' && !MEANT_M.contains(&number.unwrap_or(-1.0)) {
            return None;
        }
    }
    (!words.is_empty()).then_some(words)
}

/// M commands that change what a move means, or take time.
const MEANT_M: [f64; 10] = [6.0, 18.0, 84.0, 82.0, 83.0, 108.0, 135.0, 200.0, 220.0, 221.0];

/// Length of a plain decimal number at the start, 0 when there is none.
fn number_length(text: &[u8]) -> usize {
    let sign = usize::from(matches!(text.first(), Some(b'+' | b'-')));
    let body = text[sign..].iter().take_while(|b| b.is_ascii_digit() || **b == b'.').count();
    if text[sign..sign + body].iter().any(u8::is_ascii_digit) { sign + body } else { 0 }
}

fn value(words: &[Word], letter: u8) -> Option<f64> {
    words.iter().rev().find(|w| w.0 == letter).and_then(|w| w.1)
}

fn run(words: &[Word], line: usize, state: &mut State, rules: &Rules, out: &mut Reading) {
    // A tool is named by `T`, in older files by `M6`, `M108` or `M135` with `T`.
    let names_tool = words[0].0 == b'M' && [6.0, 108.0, 135.0].map(Some).contains(&words[0].1);
    if words[0].0 == b'T' || names_tool {
        // Numbers from 100 on are used for other things than tools.
        if let Some(tool) = value(words, b'T').filter(|t| (0.0..100.0).contains(t)) {
            let tool = tool as u32;
            if tool != state.tool {
                state.left_off.insert(state.tool, state.e);
                state.own_e = Some(state.left_off.get(&tool).copied().unwrap_or(0.0));
            }
            state.tool = tool;
        }
        return;
    }
    let mut motion = None;
    // A line that starts with a parameter goes on with the motion before.
    let mut moves =
        matches!(words[0].0, b'X' | b'Y' | b'Z' | b'I' | b'J' | b'K' | b'R' | b'F') || words[0].0 == rules.axis;
    for &(letter, number) in words {
        let code = number.map(|n| (n * 10.0).round() as i64);
        match (letter, code) {
            (b'G', Some(code @ (0 | 10 | 20 | 30))) => {
                motion = Some((code / 10) as u32);
                moves = true;
            }
            (b'G', Some(40)) => return dwell(words, rules, out),
            (b'G', Some(100 | 110)) => {
                if words.len() == 1 {
                    out.pull_backs += 1;
                }
                return;
            }
            (b'G', Some(170)) => state.plane = [0, 1, 2],
            (b'G', Some(180)) => state.plane = [2, 0, 1],
            (b'G', Some(190)) => state.plane = [1, 2, 0],
            (b'G', Some(200)) => state.inches = true,
            (b'G', Some(210)) => state.inches = false,
            (b'G', Some(280)) => {
                let named: Vec<usize> = (0..3).filter(|a| words.iter().any(|w| w.0 == b'X' + *a as u8)).collect();
                for axis in if named.is_empty() { vec![0, 1, 2] } else { named } {
                    state.at[axis] = 0.0;
                }
                state.homed = true;
                return;
            }
            (b'G', Some(900)) => {
                state.relative = false;
                if rules.g90_sets_e {
                    state.e_relative = false;
                }
            }
            (b'G', Some(910)) => state.relative = true,
            (b'G', Some(920)) => return set_position(words, state, rules),
            (b'M', Some(180 | 840)) => out.dwells.push((out.moves.len(), rules.motors_off_s)),
            (b'M', Some(820)) => state.e_relative = false,
            (b'M', Some(830)) => state.e_relative = true,
            (b'M', Some(2000)) => {
                if let Some(diameter) = value(words, b'D') {
                    state.strand_volume = (diameter > 0.0).then_some(1.0);
                }
                return;
            }
            (b'M', Some(2200)) => {
                if let Some(percent) = value(words, b'S') {
                    state.feed_percent = percent;
                }
                return;
            }
            (b'M', Some(2210)) => {
                if let Some(percent) = value(words, b'S') {
                    let tool = value(words, b'T').map_or(state.tool, |t| t as u32);
                    state.flow_percent.retain(|entry| entry.0 != tool);
                    state.flow_percent.push((tool, percent.min(rules.flow_percent.1)));
                }
                return;
            }
            // Motions the reader does not know end the one in force.
            (b'G', Some(50 | 51 | 380..=389 | 730..=899)) => {
                state.motion = None;
                state.at = target(words, state);
                return;
            }
            (b'G', Some(600)) if rules.keeps_places => state.kept = state.at,
            (b'G', Some(610)) if rules.keeps_places => return state.at = state.kept,
            // Settings: axis words beside them go on with the motion before (NISTIR 6556, modal groups).
            (b'G', Some(400..=439 | 490 | 530..=599 | 610 | 640 | 940)) => moves = true,
            // Any other G command alone on its line takes the words for itself.
            (b'G', _) if words.iter().filter(|w| w.0 == b'G').count() == 1 => return,
            _ => {}
        }
    }
    if motion.is_some() {
        state.motion = motion;
    }
    moves |= words
        .iter()
        .all(|w| w.0 != b'G' || matches!(w.1, Some(n) if (17.0..=21.0).contains(&n) || n == 90.0 || n == 91.0))
        && words[0].0 == b'G';
    if moves {
        go(words, line, motion.or(state.motion), state, rules, out);
    }
}

fn dwell(words: &[Word], rules: &Rules, out: &mut Reading) {
    let milliseconds = value(words, b'P').map(|p| p / 1000.0);
    let seconds = value(words, b'S').filter(|_| rules.dwell_s_wins);
    if let Some(time) = seconds.or(milliseconds) {
        out.dwells.push((out.moves.len(), time));
    }
}

fn set_position(words: &[Word], state: &mut State, rules: &Rules) {
    let unit = if state.inches { 25.4 } else { 1.0 };
    let bare = words.len() == 1;
    for axis in 0..3 {
        if let Some(to) = value(words, b'X' + axis as u8).or(bare.then_some(0.0)) {
            state.at[axis] = to * unit;
        }
    }
    if let Some(to) = value(words, rules.axis).or(bare.then_some(0.0)) {
        state.e = to * unit;
        state.own_e = None;
    }
}

/// Where the X, Y and Z words lead.
fn target(words: &[Word], state: &State) -> [f64; 3] {
    let unit = if state.inches { 25.4 } else { 1.0 };
    std::array::from_fn(|axis| match value(words, b'X' + axis as u8) {
        Some(to) => to * unit + if state.relative { state.at[axis] } else { 0.0 },
        None => state.at[axis],
    })
}

fn go(words: &[Word], line: usize, motion: Option<u32>, state: &mut State, rules: &Rules, out: &mut Reading) {
    out.motion.push(line);
    let unit = if state.inches { 25.4 } else { 1.0 };
    // Nothing moves at no feed: the one before stays.
    if let Some(feed) = value(words, b'F').filter(|feed| *feed > 0.0) {
        state.feed = feed * unit / 60.0;
    }
    let to = target(words, state);
    let mut e = 0.0;
    if let Some(target) = value(words, rules.axis) {
        let relative = state.relative || state.e_relative;
        // After a tool change some files go on with the common count of E, some with the tool's own: the nearer one.
        if let Some(own) = state.own_e.filter(|_| !relative) {
            if (target * unit - own).abs() < (target * unit - state.e).abs() {
                state.e = own;
            }
            state.own_e = None;
        }
        e = target * unit - if relative { 0.0 } else { state.e };
        state.e += e;
        if !relative {
            state.e = target * unit;
        }
    }
    let from = state.at;
    let Some(motion) = motion else {
        if to != from || e != 0.0 {
            out.unread.push(line);
        }
        return;
    };
    let arc = if motion >= 2 {
        match arc_of(words, from, to, motion == 2, state.plane, unit) {
            Some(arc) => Some(arc),
            None => {
                out.unread.push(line);
                return;
            }
        }
    } else {
        None
    };
    let mut length = match &arc {
        Some(arc) => (arc.radius * arc.sweep).hypot(to[arc.axes[2]] - from[arc.axes[2]]),
        None => (0..3).map(|a| (to[a] - from[a]).powi(2)).sum::<f64>().sqrt(),
    };
    if length < NOTHING {
        length = 0.0;
    }
    if e.abs() < NOTHING {
        e = 0.0;
    }
    state.at = to;
    if length == 0.0 && e == 0.0 {
        out.idle_turns += usize::from(value(words, rules.axis).is_some());
        return;
    }
    let scaled = length > 0.0 || rules.flow_percent.0;
    let percent =
        state.flow_percent.iter().find(|entry| scaled && entry.0 == state.tool).map_or(100.0, |entry| entry.1);
    let e = e * percent / 100.0;
    out.moves.push(Move {
        line,
        from,
        to,
        e,
        length,
        feed: state.feed * state.feed_percent / 100.0,
        tool: state.tool,
        is_arc: arc.is_some(),
        arc,
        quantum: unit * percent / 100.0,
        volume: e * state.strand_volume.unwrap_or(rules.volume_per_e),
        after_home: std::mem::take(&mut state.homed),
    });
}

/// Geometry of `G2` and `G3` after NISTIR 6556: centre form, or radius form with a negative R for the larger arc.
fn arc_of(words: &[Word], from: [f64; 3], to: [f64; 3], clockwise: bool, axes: [usize; 3], unit: f64) -> Option<Arc> {
    let [p, q, _] = axes;
    let (start, end) = ([from[p], from[q]], [to[p], to[q]]);
    let centre = if let Some(radius) = value(words, b'R') {
        let radius = radius * unit;
        let (dx, dy) = (end[0] - start[0], end[1] - start[1]);
        let chord = dx.hypot(dy);
        let across = radius * radius - chord * chord / 4.0;
        if chord < NOTHING || across < -1e-3 * radius.abs() {
            return None;
        }
        // The centre lies to the left of the chord for a small counter-clockwise arc.
        let side = if (radius > 0.0) != clockwise { 1.0 } else { -1.0 };
        let offset = side * across.max(0.0).sqrt() / chord;
        [start[0] + dx / 2.0 - dy * offset, start[1] + dy / 2.0 + dx * offset]
    } else {
        let offset = |axis: usize| value(words, b'I' + axis as u8);
        if offset(p).is_none() && offset(q).is_none() {
            return None;
        }
        [start[0] + offset(p).unwrap_or(0.0) * unit, start[1] + offset(q).unwrap_or(0.0) * unit]
    };
    let radius = (start[0] - centre[0]).hypot(start[1] - centre[1]);
    if radius < NOTHING {
        return None;
    }
    let angle = |point: [f64; 2]| (point[1] - centre[1]).atan2(point[0] - centre[0]);
    let full = (start[0] - end[0]).hypot(start[1] - end[1]) < NOTHING;
    let mut sweep = if full { 0.0 } else { angle(end) - angle(start) };
    if clockwise {
        while sweep >= -1e-12 {
            sweep -= TAU;
        }
    } else {
        while sweep <= 1e-12 {
            sweep += TAU;
        }
    }
    Some(Arc { axes, centre, radius, sweep })
}

/// Volume pressed out of the nozzle against time: a bead counts in full, E in place as far as it is no refill of what
/// was pulled back since the last bead.
pub struct Timeline {
    /// Time at the start of each move, and at the end of the last, s.
    pub times: Vec<f64>,
    /// Corners of the volume so far: (s, mm³).
    corners: Vec<(f64, f64)>,
}

impl Timeline {
    /// With `waits` before moves, (index, s), and `time` giving the time of each move, s.
    pub fn new(reading: &Reading, waits: &[(usize, f64)], time: impl Fn(usize, &Move) -> f64) -> Self {
        let mut waits = waits.iter().peekable();
        let (mut now, mut volume) = (0.0, 0.0);
        let mut times = Vec::with_capacity(reading.moves.len() + 1);
        let mut corners = vec![(0.0, 0.0)];
        // All tools are the one screw here.
        let mut pulled_back = 0.0_f64;
        for (index, m) in reading.moves.iter().enumerate() {
            while let Some((_, pause)) = waits.next_if(|wait| wait.0 <= index) {
                now += pause;
            }
            times.push(now);
            corners.push((now, volume));
            now += time(index, m);
            if m.is_bead() {
                volume += m.volume;
                pulled_back = 0.0;
            } else {
                volume += (m.volume - pulled_back).max(0.0);
                pulled_back = (pulled_back - m.volume).max(0.0);
            }
            corners.push((now, volume));
        }
        times.push(now);
        Self { times, corners }
    }

    /// Volume laid up to a time, mm³.
    pub fn volume_at(&self, time: f64) -> f64 {
        let after = self.corners.partition_point(|c| c.0 <= time);
        match (after.checked_sub(1).map(|i| self.corners[i]), self.corners.get(after)) {
            (None, _) => 0.0,
            (Some(last), None) => last.1,
            (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (time - a.0) / (b.0 - a.0),
        }
    }

    /// Highest volume pressed out within any stretch of `window` seconds, over that time, mm³/s.
    pub fn highest_average(&self, window: f64) -> f64 {
        self.starts(window).into_iter().map(|t| self.volume_in(t, window) / window).fold(0.0, f64::max)
    }

    /// Volume laid in the window that starts at `time`, mm³.
    pub fn volume_in(&self, time: f64, window: f64) -> f64 {
        self.volume_at(time + window) - self.volume_at(time)
    }

    /// Times at which a window begins or ends at a corner: between them the volume in it changes evenly.
    pub fn starts(&self, window: f64) -> Vec<f64> {
        let mut starts: Vec<f64> = self.corners.iter().flat_map(|c| [c.0, c.0 - window]).collect();
        starts.sort_by(f64::total_cmp);
        starts.dedup();
        starts
    }

    /// Stretches of time (from, to) covered by windows whose average is above `limit`, joined.
    pub fn above(&self, limit: f64, window: f64) -> Vec<(f64, f64)> {
        let starts = self.starts(window);
        let excess: Vec<f64> = starts.iter().map(|&t| self.volume_in(t, window) / window - limit).collect();
        let mut out: Vec<(f64, f64)> = Vec::new();
        for i in 1..starts.len() {
            let (a, b) = (excess[i - 1], excess[i]);
            if a <= 0.0 && b <= 0.0 {
                continue;
            }
            let cross = starts[i - 1] + (starts[i] - starts[i - 1]) * a / (a - b);
            let from = if a > 0.0 { starts[i - 1] } else { cross };
            let to = if b > 0.0 { starts[i] } else { cross } + window;
            match out.last_mut() {
                Some(last) if last.1 >= from => last.1 = last.1.max(to),
                _ => out.push((from, to)),
            }
        }
        out
    }
}

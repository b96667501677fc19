//! Runs: in nearly all of a file one bead follows another, in the plane and the modes of the one before, or behind travels,
//! feeds and turns of the extruder alone. What no line of such a run changes is asked once, before the first of them; any other
//! line ends the run.

use super::checks::PLAUSIBLE_FEED;
use super::motion::{LEAST_E, LEAST_PATH_MM, kind_of, new_melt};
use super::{At, MAX_COORDINATE_MM, Resolver};
use crate::line::{Block, LineKind, Word};
use crate::moves::notes::{self, Note};
use crate::moves::state::Motion;
use crate::moves::{Kind, Move, Role};
use crate::units::Bounded;

/// A bead just below a limit of the controller is looked at like any other, part of the limit.
const CLOSE: f64 = 1.0 - 1e-9;
/// So is a path hardly longer than none; squared, mm².
const LEAST_SQUARED: f64 = LEAST_PATH_MM * LEAST_PATH_MM / CLOSE;

/// What holds for all lines of a run.
#[derive(Clone, Debug)]
pub(super) struct Run {
    /// A bead of it.
    blank: Move,
    /// Factor on E without motion.
    factor_at_rest: f64,
    /// Where X and Y count from, mm.
    base: [f64; 2],
    /// Least X and Y, largest X and Y that are looked at no further, mm.
    within: [f64; 4],
    /// Volume of a unit of E, mm³.
    unit_volume: f64,
    /// Most that E turns on a bead, units of E.
    most_e: f64,
    /// The same on any other line.
    most_turn: f64,
    /// Most that E counts up to, units of E.
    most_count: f64,
    /// Square of the largest area of a bead, mm⁴.
    most_squared: f64,
    /// Longest line that is looked at no further, bytes.
    longest: u32,
    /// The letter of the extruder.
    axis: u8,
    /// E counts distances.
    e_is_relative: bool,
    /// E leads the flow.
    e_leads: bool,
}

/// The words of a line of a run: `G0` or `G1`, then X or Y or both, or neither, then perhaps E, then perhaps F.
struct Read<'a> {
    motion: Motion,
    /// Values of X and Y, as far as they are there.
    place: [Option<f64>; 2],
    e: Option<&'a Word>,
    feed: Option<&'a Word>,
}

impl<'a> Read<'a> {
    /// Reads them, if they are such. `axis`: the letter of the extruder.
    #[inline(always)]
    fn new(words: &'a [Word], axis: u8) -> Option<Self> {
        let ends_in = |words: &'a [Word], letter| match words {
            [others @ .., last] if last.letter == letter && last.has_number() => (others, Some(last)),
            _ => (words, None),
        };
        let (words, feed) = ends_in(words, b'F');
        let (words, e) = ends_in(words, axis);
        let (command, place) = match words {
            [command, x, y] if x.letter == b'X' && y.letter == b'Y' && x.has_number() && y.has_number() => {
                (command, [Some(x.value), Some(y.value)])
            }
            [command, x] if x.letter == b'X' && x.has_number() => (command, [Some(x.value), None]),
            [command, y] if y.letter == b'Y' && y.has_number() => (command, [None, Some(y.value)]),
            [command] => (command, [None, None]),
            _ => return None,
        };
        let motion = match command {
            Word { letter: b'G', len: 2, value: 1.0, .. } => Motion::Linear,
            Word { letter: b'G', len: 2, value: 0.0, .. } => Motion::Rapid,
            _ => return None,
        };
        Some(Self { motion, place, e, feed })
    }
}

/// The role that a comment behind a move gives it, if it names one; `None` of one that has to be looked at otherwise.
fn role_behind(comment: &[u8]) -> Option<Option<Role>> {
    comment.starts_with(b";").then(|| match notes::read(comment, false) {
        Some(Note::RoleOfLine(role)) => Some(role),
        _ => None,
    })
}

impl Resolver {
    /// What holds for a run that begins with this line, if one may.
    fn begin_run(&self, at: At<'_>) -> Option<Run> {
        let (state, rules) = (&self.state, &self.rules);
        if at.line.kind != LineKind::Code || at.line.flags != 0 {
            return None;
        }
        let is_open = self.reads_plain
            && state.absolute
            && state.known[0]
            && state.known[1]
            && state.stated[0]
            && state.stated[1]
            && state.speed_mm_s > 0.0
            && self.is_screw
            && self.own_e.is_none()
            && rules.turns_give.is_none()
            && self.watch.pending == 0
            && !self.heat.pending
            && self.layers.stays_at(state.position[2])
            // A count that is too large is told at any move.
            && (state.e_is_relative() || state.e.abs() <= self.watch.largest_e)
            // The feed at the start of a file is stated as a speed: an F word that says the same may give another last bit.
            && state.speed_mm_s == state.feed_mm_min / 60.0 * state.speed_factor;
        let unit_volume = self.unit_volume().filter(|_| is_open)?;
        Read::new(at.words(), rules.axis)?;
        let [least_x, least_y, most_x, most_y] = rules.reach_mm;
        let far = MAX_COORDINATE_MM;
        let most_e = rules.max_e_per_line.unwrap_or(far);
        Some(Run {
            blank: self.blank(Kind::Bead, at),
            factor_at_rest: self.flow_factor(false),
            base: [state.offset[0], state.offset[1]],
            within: [least_x.at_least(-far), least_y.at_least(-far), most_x.at_most(far), most_y.at_most(far)],
            unit_volume,
            most_e,
            most_turn: most_e.at_most(rules.max_e_only.unwrap_or(far)),
            most_count: if state.e_is_relative() { f64::INFINITY } else { self.watch.largest_e },
            most_squared: rules.max_bead_area_mm2.map_or(f64::INFINITY, |area| area * area * CLOSE),
            longest: self.watch.roomy_line.min(self.watch.longest_line),
            axis: rules.axis,
            e_is_relative: state.e_is_relative(),
            e_leads: rules.e_leads,
        })
    }

    /// Resolves the lines of a block from the one with index `first` on, as far as they are a run, and says how many they are.
    pub(super) fn run(&mut self, block: &Block, first: usize) -> usize {
        let lines = block.lines.get(first..).unwrap_or_default();
        let begun = lines.first().and_then(|line| self.begin_run(At { block, line, index: first }));
        let Some(mut run) = begun else { return 0 };
        let state = &mut self.state;
        let unit = state.unit_mm;
        let [mut from_x, mut from_y, _] = state.position;
        let (mut count, mut laid, mut drawn_back) = (state.e, self.laid, self.drawn_back);
        let [least_x, least_y, most_x, most_y] = run.within;
        // The last comment behind a move, and the role that it gives.
        let mut told: (&[u8], Role) = (&[], run.blank.role);
        let before = self.moves.len();
        for (index, line) in (first..).zip(lines) {
            if line.kind != LineKind::Code || line.flags != 0 || line.code_end - line.start > run.longest {
                break;
            }
            let Some(Read { motion, place: [x, y], e: word, feed }) = Read::new(block.words_of(line), run.axis) else {
                break;
            };
            let mut role = run.blank.role;
            if line.comment < line.end {
                let comment = block.bytes.get(line.comment as usize..line.end as usize).unwrap_or_default();
                if comment != told.0 {
                    let Some(of_line) = role_behind(comment) else { break };
                    told = (comment, of_line.unwrap_or(role));
                }
                role = told.1;
            }
            let to_x = x.map_or(from_x, |x| x * unit + run.base[0]);
            let to_y = y.map_or(from_y, |y| y * unit + run.base[1]);
            let is_within = to_x >= least_x && to_x <= most_x && to_y >= least_y && to_y <= most_y;
            let (along_x, along_y) = (to_x - from_x, to_y - from_y);
            let squared = along_x * along_x + along_y * along_y;
            let moves = x.is_some() || y.is_some();
            let factor = if moves { run.blank.flow_factor } else { run.factor_at_rest };
            let (kind, counted, [e, volume, melt, left_back], is_sound) = if let Some(word) = word {
                let turned = word.value * unit;
                let (units, counted) =
                    if run.e_is_relative { (turned, count + turned) } else { (turned - count, turned) };
                let e = units * factor;
                let volume = e * run.unit_volume;
                let is_plausible = units.abs() <= MAX_COORDINATE_MM && counted.abs() <= run.most_count;
                let kind = kind_of(moves, e);
                let (melt, left_back) = new_melt(kind, volume, drawn_back, run.e_leads);
                let is_sound = if kind == Kind::Bead {
                    (LEAST_E..=run.most_e).contains(&e) && volume * volume <= run.most_squared * squared
                } else {
                    (LEAST_E..=run.most_turn).contains(&e.abs())
                };
                (kind, counted, [e, volume, melt, left_back], is_plausible && is_sound)
            } else if moves {
                (Kind::Travel, count, [0.0, 0.0, 0.0, drawn_back], true)
            } else {
                (Kind::Feed, count, [0.0, 0.0, 0.0, drawn_back], feed.is_some())
            };
            if !(is_within && is_sound && (squared >= LEAST_SQUARED || !moves)) {
                break;
            }
            if let Some(feed) = feed
                && (feed.value * unit != run.blank.feed_mm_min || feed.decimals != run.blank.feed_decimals)
            {
                if !PLAUSIBLE_FEED.contains(&feed.value) {
                    break;
                }
                state.set_feed(feed.value * unit, feed.decimals);
                run.blank.feed_mm_min = state.feed_mm_min;
                run.blank.feed_decimals = state.feed_decimals;
                run.blank.speed = state.speed_mm_s;
            }
            (from_x, from_y, count, drawn_back) = (to_x, to_y, counted, left_back);
            laid += melt;
            state.motion = Some(motion);
            self.moves.push(Move {
                kind,
                role,
                line: index as u32,
                feed_at: feed.map_or(line.code_end, |word| word.start),
                feed_len: feed.map_or(0, |word| word.len),
                e_at: word.map_or(0, |word| word.start),
                e_len: word.map_or(0, |word| word.len),
                e_decimals: word.map_or(0, |word| word.decimals),
                e_count: counted,
                flow_factor: factor,
                delta: [along_x, along_y, 0.0],
                e,
                volume,
                melt,
                ..run.blank
            });
        }
        // Behind the others, roots and divisions of many moves are worked out side by side.
        for step in self.moves.get_mut(before..).unwrap_or_default() {
            let [along_x, along_y, _] = step.delta;
            step.length = (along_x * along_x + along_y * along_y).sqrt();
        }
        if let Some(last) = self.moves.get(before..).unwrap_or_default().last() {
            state.named_by_e = matches!(last.kind, Kind::EIn | Kind::EOut);
        }
        (state.position[0], state.position[1], state.e) = (from_x, from_y, count);
        (self.laid, self.drawn_back) = (laid, drawn_back);
        self.moves.len() - before
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moves::resolve::Rules;
    use crate::moves::settings::FileSettings;
    use crate::moves::words::Words;
    use crate::profile::{Output, Profile};
    use proptest::collection::vec;
    use proptest::prelude::*;
    use proptest::sample::select;

    const PRESETS: &[&str] = &["host", "board", "network", "custom"];
    /// Lines between the beads, or odd beads; several are parted by `|`.
    const OTHERS: &[&str] = &[
        "G1 X1",
        "G1 Y5 E3 ; seam",
        "G1 X5 Y6 E1 ; perimeter",
        "; infill",
        ";LAYER_CHANGE",
        "G1 X9 Y9 E1 F600",
        "G0 X3 Y4",
        "G1 E-2",
        "G1 X4 Y2 E-1",
        "G1 Z0.6",
        "G1 X5 Y5 Z0.9 E1",
        "G92 E0",
        "G92 E65534",
        "G92 X10",
        "M82",
        "M83",
        "G90",
        "G91",
        "G20",
        "G21",
        "M221 S50",
        "M220 S50",
        "M220 S0",
        "M200 D1.75",
        "T1",
        "T0",
        "G28",
        "M104 S0",
        "M104 S200",
        "M84",
        "G1 X1 Y1 E900",
        "G1 X1 Y1 E1500000",
        "G1 X400 Y1 E1",
        "G1 X3 Y3 E",
        "G1 X Y3 E1",
        "G1 X1 Y2 E1e3",
        "G2 X5 Y5 I2 J2 E1",
        "X4 Y4 E1",
        "N4 G1 X1 Y2 E1",
        "G1 X2 Y7 E4 (a)",
        "G1 Y2 X4 E1",
        "g1 X2 Y3 E2",
        "G01 X2 Y3 E2",
        "G0 X6 Y3 E2",
        "G1 Z4 Y2 E1",
        "G1 X2 Y5 F900",
        "G1 X2000000 Y1 E1",
        "G1 X7 Y1 E0",
        "M18",
        "G10",
        "G11",
        "G1 X7 Y1 E1|G1 X7.0000002 Y1 E2|G1 X7 Y1 E3",
        "G92 E65534|G1 X1 Y1 E65535|G1 X2 Y2 E65535.5|G1 X3 Y3 E65537",
        "M221 S50|G1 X3 Y3 E1|G1 X4 Y4 E1500000",
        "G1 X1.0000000000000000000000000000000000000000000000000 Y2.000000000000000000000000000000000000000000000000 E1",
    ];

    fn block(text: &str) -> Block {
        let mut block = Block { bytes: text.into(), first_line: 1, ..Block::default() };
        block.lex();
        block
    }

    fn moves_of(rules: &Rules, settings: &FileSettings, text: &str, reads_plain: bool) -> String {
        let mut resolver = Resolver { reads_plain, ..Resolver::new(rules.clone(), settings, false) };
        let mut moves = Vec::new();
        let done = resolver.resolve(&block(text), &mut moves);
        (resolver.reads_plain, resolver.words) = (true, Words::default());
        format!("{done:?}\n{moves:?}\n{resolver:?}")
    }

    /// What stands behind the places and E of a bead.
    const ENDS: &[&str] = &[
        "",
        "",
        " F1200",
        " F1200",
        " F1200.0",
        " F900",
        " F0",
        " ; perimeter",
        " ; perimeter",
        " ; move",
        " F1200 ; infill",
        " (a)",
        " F F",
    ];

    /// A bead in a file, or now and then a travel, a feed or a turn: steps of X and Y in tenths, E in hundredths, and what
    /// stands behind.
    fn line((x, y, e, end): (u32, u32, u32, &str), total: &mut u32, is_absolute: bool) -> String {
        match e % 16 {
            0 => return format!("G0 X{x} Y{y}{end}"),
            1 => return format!("G1 X{x}{end}"),
            2 => return format!("G1{end}"),
            3 | 4 => {
                let way = if e % 16 == 3 { String::new() } else { format!(" X{x}") };
                let (e, back) = (e / 8, x % 2 == 0);
                *total = if back { total.saturating_sub(e) } else { *total + e };
                let sign = if back { "-" } else { "" };
                return if is_absolute {
                    format!("G1{way} E{}{end}", f64::from(*total) / 100.0)
                } else {
                    format!("G1{way} E{sign}{}{end}", f64::from(e) / 100.0)
                };
            }
            _ => *total += e,
        }
        let e = if is_absolute { *total } else { e };
        let (x, y, e) = (f64::from(x) / 10.0, f64::from(y) / 10.0, f64::from(e) / 100.0);
        match (x as u32 % 5, y as u32 % 5) {
            (0, _) => format!("G1 Y{y} E{e}{end}"),
            (_, 0) => format!("G1 X{x} E{e}{end}"),
            _ => format!("G1 X{x} Y{y} E{e}{end}"),
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(4096))]

        /// The sorted words are the judge.
        #[test]
        fn beads_of_a_run_are_read_like_any_other(
            preset in select(PRESETS),
            lenient: bool,
            is_absolute: bool,
            [bed, homes, e_leads, along_curve] in any::<[bool; 4]>(),
            lines in vec((vec((0u32..3000, 0u32..3000, 0u32..400, select(ENDS)), 0..6), select(OTHERS)), 1..8),
        ) {
            let bed = if bed { "\n[machine]\nbed_mm = [0, 0, 220, 220]\n" } else { "" };
            let profile = Profile::load(&format!("[controller]\npreset = \"{preset}\"\n{bed}"), "a.toml").expect("a profile");
            let settings = FileSettings::default();
            let mut rules = Rules::new(&profile, &settings, lenient);
            rules.e_volume_mm3 = Some(2.4);
            rules.e_leads = e_leads;
            rules.turns_give = along_curve.then(|| Output::Curve(vec![[20.0, 8.0], [60.0, 15.0]]));
            let mut text = String::from(if homes { "G28\n" } else { "" });
            text.push_str(if is_absolute { "M82\n" } else { "M83\n" });
            text.push_str("M109 S200\nG1 Z0.3 F1200\n");
            let mut total = 0;
            for (beads, other) in lines {
                for step in beads {
                    text.push_str(&line(step, &mut total, is_absolute));
                    text.push('\n');
                }
                text.extend(other.split('|').flat_map(|line| [line, "\n"]));
            }
            prop_assert_eq!(moves_of(&rules, &settings, &text, true), moves_of(&rules, &settings, &text, false), "{}", text);
        }
    }

    #[test]
    fn ordinary_beads_are_a_run() {
        for preset in PRESETS {
            let profile =
                Profile::load(&format!("[controller]\npreset = \"{preset}\"\n"), "a.toml").expect("a profile");
            let settings = FileSettings::default();
            let mut rules = Rules::new(&profile, &settings, false);
            rules.e_volume_mm3 = Some(2.4);
            for end in
                ["", " F900", " ; perimeter", "\nG1 X5 F9000\nG1 F1200", "\nG0 X5", "\nG1 E-2\nG1 X5 E-.5\nG1 E2.5 F9"]
            {
                let mut resolver = Resolver::new(rules.clone(), &settings, false);
                let start = block("G28\nM83\nM109 S200\nG1 Z0.3 F1200\nG1 X5 Y5 E0.1\n");
                resolver.resolve(&start, &mut Vec::new()).expect("sound lines");
                let beads = ["X10 Y10", "X12 Y10.5", "X14 Y10"].map(|place| format!("G1 {place} E0.1{end}\n"));
                let beads = block(&beads.concat());
                assert_eq!(resolver.run(&beads, 0), beads.lines.len(), "{preset}{end}");
            }
        }
    }

    /// A turn of the screw at one place, with X and Y on its line, leaves open what only a bead settles; a letter E alone is no
    /// E0; and without a feed nothing takes any time.
    #[test]
    fn what_ends_a_run_is_not_passed_over() {
        let settings = FileSettings::default();
        let text = "[controller]\npreset = \"board\"\n[feedstock]\nmax_fan_share = 0.3\n";
        let profile = Profile::load(text, "a.toml").expect("a profile");
        let mut rules = Rules::new(&profile, &settings, true);
        (rules.e_volume_mm3, rules.initial_feed_mm_s) = (Some(2.4), 0.0);
        for (lines, told) in [
            // Too hot, and too much air: told of the first bead, not of the turn before it.
            ("M83\nG1 Z0.3 F1200\nG1 X5 Y5 E1\nM104 S400\nG1 X5 Y5 E1\nG1 X9 Y5 E1", "set to 400 °C"),
            ("M83\nG1 Z0.3 F1200\nG1 X5 Y5 E1\nM106 S255\nG1 X5 Y5 E1\nG1 X9 Y5 E1", "100 %, at most 30 %"),
            // Nor does the turn begin the layer of the bead behind it.
            ("M83\nG1 Z0.3 F1200\nG1 X5 Y5 E1\nG1 Z0.6\nG1 X5 Y5 E1\nG1 X9 Y5 E1", "layer: 2"),
            // From -4 to 0 would be a bead.
            ("M82\nG92 E-5\nG1 Z0.3 F1200\nG1 X5 Y5 E-4\nG1 X9 Y5 E", "E has no number"),
            ("M83\nG1 Z0.3\nG1 X5 Y5 E1\nG1 X9 Y5 E1", "length: 0.0"),
            // A count that grew too large by distances is told where it counts, at a travel too.
            ("M83\nG1 Z0.3 F1200\nG92 E65534\nG1 X1 Y1 E2.29\nM82\nG0 X2 Y0\nG1 X1", "largest_e: inf"),
        ] {
            let text = format!("G28\nM109 S200\n{lines}\n");
            let [in_runs, one_by_one] =
                [true, false].map(|reads_plain| moves_of(&rules, &settings, &text, reads_plain));
            assert!(one_by_one.contains(told), "{lines}\n{one_by_one}");
            assert!(in_runs == one_by_one, "{lines}");
        }
    }
}

//! Whole rewrites of any bytes: figures are numbers, the capacity pass changes nothing but feeds, what all passes write
//! can be read again and goes through the same places, and blocks and threads have no say.

use std::io::Cursor;
use std::sync::OnceLock;
use std::time::{Duration, Instant};

use meltwright::error::{ErrorKind, Result};
use meltwright::pipeline::{self, Options, Passes};
use meltwright::profile::{DwellWords, EUnit, Excess, LagCompensation, OutputUnit, PartMoves, Profile};
use meltwright::summary::Summary;
use rayon::{ThreadPool, ThreadPoolBuilder};

use super::moves::{Resolved, resolved};

/// Longest time a run may take, in a slow build on a busy machine; what hangs or grows with the square of the input
/// takes far longer.
const MOST_TIME: Duration = Duration::from_secs(20);

/// A little less than one, for sums that are rounded differently.
pub const ALMOST: f64 = 1.0 - 1e-9;

/// Capacities, mm³/s, and a window, s, over the embedded profile.
pub fn profile(peak: f64, sustained: f64, window: f64) -> Profile {
    let mut profile = Profile::embedded();
    profile.controller.max_e_only_mm.value = None;
    profile.controller.max_e_per_line_mm.value = None;
    profile.screw.virtual_diameter_mm.value = Some(1.75);
    profile.screw.peak_flow_mm3_s.value = Some(peak);
    profile.screw.sustained_flow_mm3_s.value = Some(sustained);
    profile.screw.sustained_window_s.value = window;
    profile
}

/// A profile in which every rule is the other way, and long lines are split.
pub fn other_profile() -> Profile {
    let mut profile = profile(5.0, 2.0, 20.0);
    profile.controller.max_e_only_mm.value = Some(50.0);
    profile.controller.max_e_per_line_mm.value = Some(100.0);
    profile.controller.max_bead_area_per_nozzle_sq.value = Some(4.0);
    profile.controller.excess_e.value = Excess::Split;
    profile.controller.dwell.value = DwellWords::SWins;
    profile.controller.g90_sets_e.value = true;
    profile.screw.e_unit.value = EUnit::Mm3;
    profile.screw.tools.value = vec![0, 1];
    profile
}

/// A very soft part that has to cool, and a hopper that is soon empty: waits, pauses, ways to a park position.
pub fn with_stops(mut profile: Profile) -> Profile {
    profile.feedstock.shore_a.value = 5.0;
    profile.part.solid_temperature_c.value = Some(60.0);
    profile.machine.part_moves.value = PartMoves::Xy;
    profile.machine.park_x_mm.value = Some(-20.0);
    profile.machine.park_y_mm.value = Some(5.0);
    profile.machine.park_lift_mm.value = 2.0;
    profile.hopper.usable_g.value = Some(1.0);
    profile.hopper.margin_g.value = 0.1;
    profile.hopper.pause_command.value = Some("M600".to_owned());
    profile.hopper.purge_mm3.value = 50.0;
    profile
}

/// The capacity pass alone.
pub fn alone() -> Options {
    Options { passes: Passes { capacity: true, ..Passes::NONE }, ..Options::default() }
}

/// Both ways to make up for the lag, in other units.
pub fn ways(profile: &Profile) -> [Profile; 3] {
    let way = |by, unit| {
        let mut profile = profile.clone();
        profile.screw.lag_compensated_by.value = by;
        profile.screw.output_e_unit.value = unit;
        profile
    };
    [
        way(LagCompensation::File, OutputUnit::VirtualFilament),
        way(LagCompensation::None, OutputUnit::AsInFile),
        way(LagCompensation::None, OutputUnit::ScrewTurns),
    ]
}

/// Lines that are comments and nothing else, this program's own left out.
fn comments(text: &[u8]) -> Vec<&[u8]> {
    let text = text.strip_prefix(b"\xef\xbb\xbf".as_slice()).unwrap_or(text);
    let lines = text.split(|b| *b == b'\n').filter(|line| line.starts_with(b";"));
    let own = [b"; rewritten by meltwright".as_slice(), AWAY, BACK, TAKEN_OUT];
    let is_own = |line: &[u8]| own.iter().any(|start| line.starts_with(start));
    lines.filter(|line| !is_own(line)).collect()
}

/// Comments around a way to the park position.
const AWAY: &[u8] = b"; to the park position";
const BACK: &[u8] = b"; back at the print";
/// Before a command that was made a comment.
const TAKEN_OUT: &[u8] = b"; taken out: ";

/// Whether each line of an output is one of a way to the park position and back.
fn detours(text: &[u8]) -> Vec<bool> {
    let mut is_away = false;
    let mut follow = |line: &[u8]| {
        is_away |= line.starts_with(AWAY);
        let here = is_away;
        is_away &= !line.starts_with(BACK);
        here
    };
    text.split(|byte| *byte == b'\n').map(&mut follow).collect()
}

/// What does not hold of a rewrite with all passes, whichever way.
pub fn wrong_with_all(input: &[u8], output: &[u8], summary: &Summary, profile: &Profile) -> Vec<String> {
    // Moves may get faster where reversals go; the screw may have turned back in sum; a hopper is short where one bead
    // takes more than it holds.
    const SIGNED: [&str; 6] = ["left_", "time_added_s", "beads_mm3", "drooled_mm3", "stored_at_end_mm3", "volume_mm3"];
    let mut wrong = no_figures(summary);
    wrong.retain(|text| text.contains("finite") || !SIGNED.iter().any(|key| text.contains(key)));
    if comments(input) != comments(output) {
        wrong.push("a comment is gone or new".to_owned());
    }
    let taken_out = |text: &[u8]| text.split(|byte| *byte == b'\n').filter(|line| line.starts_with(TAKEN_OUT)).count();
    let counted = summary.changes.lag_commands_taken_out;
    if taken_out(output) as u64 != taken_out(input) as u64 + counted {
        wrong.push(format!("{counted} commands taken out in the account, {} in the output", taken_out(output)));
    }
    let again = Options { again: true, lenient: true, ..Options::default() };
    // Whether bytes look like text depends on how many of them are odd.
    if let Err(error) = pipeline::audit(&mut Cursor::new(output), profile, &again, &mut |_| {})
        && !matches!(error.kind(), ErrorKind::NotGcode { .. })
    {
        wrong.push(format!("the output cannot be read: {error}"));
    }
    wrong
}

pub fn run(input: &[u8], profile: &Profile, options: &Options) -> Result<(Vec<u8>, Summary)> {
    let mut output = Vec::new();
    let start = Instant::now();
    let summary = pipeline::rewrite(&mut Cursor::new(input), &mut output, profile, options, &mut |_| {});
    assert!(start.elapsed() < MOST_TIME, "{:?} for {} bytes", start.elapsed(), input.len());
    summary.map(|summary| (output, summary))
}

/// Pools of one and of three threads.
fn pools() -> &'static [ThreadPool] {
    static POOLS: OnceLock<Vec<ThreadPool>> = OnceLock::new();
    POOLS.get_or_init(|| {
        [1, 3].map(|n| ThreadPoolBuilder::new().num_threads(n).build().expect("threads start")).into_iter().collect()
    })
}

/// Paths of the numbers in an account that are no figures: not finite (null in JSON), or below zero.
pub fn no_figures(summary: &Summary) -> Vec<String> {
    fn look(path: &str, value: &serde_json::Value, found: &mut Vec<String>) {
        use serde_json::Value;
        match value {
            // The last bin of a histogram has no upper edge.
            Value::Null if !path.ends_with(".to") => found.push(format!("{path} is not finite")),
            // Heights may lie below the bed, and stops that are taken out spare time.
            Value::Number(number)
                if ![".z_mm", ".other_time_s"].iter().any(|end| path.ends_with(end))
                    && number.as_f64().is_none_or(|n| n < 0.0) =>
            {
                found.push(format!("{path} = {number}"));
            }
            Value::Array(items) => items.iter().for_each(|item| look(&format!("{path}[]"), item, found)),
            Value::Object(items) => items.iter().for_each(|(key, item)| look(&format!("{path}.{key}"), item, found)),
            _ => {}
        }
    }
    let mut found = Vec::new();
    look("", &serde_json::to_value(summary).expect("the account serialises"), &mut found);
    found
}

/// A line without its F words and without the digits of its checksum.
fn bare(line: &[u8]) -> Vec<u8> {
    let digits =
        |at: usize, of: &[u8]| line.get(at..).unwrap_or_default().iter().take_while(|b| of.contains(b)).count();
    let (mut out, mut at) = (Vec::new(), 0);
    while let Some(&byte) = line.get(at) {
        at += 1;
        match byte {
            b'F' | b'f' => {
                while out.last().is_some_and(|b| matches!(b, b' ' | b'\t')) {
                    out.pop();
                }
                let space = digits(at, b" \t\r\xc2\xa0");
                let number = digits(at + space, b"+-.0123456789");
                at += if number > 0 { space + number } else { 0 };
                // A number may have an exponent; the E of a word behind it is left alone with it, on both sides.
                while number > 0
                    && line.get(at).is_some_and(|b| matches!(b, b'E' | b'e'))
                    && digits(at + 1, b"+-.0123456789") > 0
                {
                    at += 1 + digits(at + 1, b"+-.0123456789");
                }
            }
            b'*' => {
                out.push(byte);
                at += digits(at, b"0123456789");
            }
            _ => out.push(byte),
        }
    }
    out
}

/// Why the output is not the input with feeds changed and lines added; `None` if it is.
pub fn more_than_feeds(input: &[u8], output: &[u8]) -> Option<String> {
    let lines = |text| <[u8]>::split_inclusive(text, |b: &u8| *b == b'\n').map(<[u8]>::to_vec);
    let mut written = lines(output).peekable();
    // An added line ends an arc: the next line that repeats it names it again.
    let mut has_added = false;
    for (index, line) in lines(input).enumerate() {
        let wanted = bare(&line);
        loop {
            let Some(mut found) = written.next() else {
                return Some(format!("line {} is missing: {:?}", index + 1, String::from_utf8_lossy(&line)));
            };
            let named = [b"G2 ", b"G3 "].into_iter().find_map(|name| found.strip_prefix(name));
            if bare(&found) == wanted || has_added && named.is_some_and(|rest| bare(rest) == wanted) {
                break;
            }
            // A byte order mark stays before the marker, which is a line of its own.
            if found.starts_with(b"\xef\xbb\xbf; rewritten by meltwright")
                && let Some(next) = written.peek_mut()
            {
                next.splice(0..0, *b"\xef\xbb\xbf");
                continue;
            }
            let added = found.starts_with(b"; rewritten by meltwright") || bare(&found).starts_with(b"G1");
            if !added || found.len() > 200 {
                found.truncate(200);
                let (found, line) = (String::from_utf8_lossy(&found).into_owned(), String::from_utf8_lossy(&line));
                return Some(format!("line {} became {found:?}: {line:?}", index + 1));
            }
            has_added |= found.starts_with(b"G1");
            // Nothing stands on an added line but a feed.
            if found.starts_with(b"G1") && !matches!(bare(&found).as_slice(), b"G1\n" | b"G1\r\n") {
                return Some(format!("{:?} was added at line {}", String::from_utf8_lossy(&found), index + 1));
            }
        }
    }
    written.next().map(|rest| format!("{:?} was added at the end", String::from_utf8_lossy(&rest)))
}

/// A setting under which a rewrite is looked at.
#[derive(Clone, Copy, Debug)]
pub struct Case {
    /// With [`other_profile`].
    pub other: bool,
    /// Lines that cannot be read are passed through.
    pub lenient: bool,
    /// Number in [`ways`] of the way in which all passes run; `None`: the capacity pass alone.
    pub way: Option<usize>,
    /// [`with_stops`].
    pub stops: bool,
}

impl Case {
    /// Those that differ most: stops in half of them.
    pub fn all() -> impl Iterator<Item = Self> {
        (0..32).map(Self::of).filter(|case| !case.stops || case.way.is_some() && case.lenient)
    }

    /// The one of this number; numbers beyond the last begin anew.
    pub fn of(number: u8) -> Self {
        let way = [None, Some(0), Some(1), Some(2)][usize::from(number >> 2 & 3)];
        Self { other: number & 1 != 0, lenient: number & 2 != 0, way, stops: number & 16 != 0 }
    }
}

impl Case {
    fn base(self) -> Profile {
        let base = if self.other { other_profile() } else { profile(3.0, 1.0, 5.0) };
        if self.stops { with_stops(base) } else { base }
    }
}

/// Everything that holds for any input that is looked at and not rewritten.
pub fn judged(input: &[u8], case: Case) {
    let profile = case.base();
    let look = |block_size| {
        let options = Options { block_size, lenient: case.lenient, course: true, ..Options::default() };
        let start = Instant::now();
        let mut records = String::new();
        let take = &mut |record| records += &format!("{record:?}\n");
        let surveyed = pipeline::survey::survey(&mut Cursor::new(input), &profile, &options, &mut |_| {}, take);
        let surveyed = surveyed.map(|account| format!("{account:?}")).map_err(|error| error.to_string());
        if surveyed.is_err() {
            // How far it got depends on the blocks.
            records.clear();
        }
        let audited = pipeline::audit(&mut Cursor::new(input), &profile, &options, &mut |_| {});
        if let Ok(summary) = &audited {
            let wrong: Vec<String> = no_figures(summary).into_iter().filter(|text| text.contains("finite")).collect();
            assert!(wrong.is_empty(), "{case:?}: {wrong:?}");
        }
        // What is found does not depend on whether it is told what a rewrite would make of the file.
        let plain = Options { foretell: false, ..options.clone() };
        let plain = pipeline::audit(&mut Cursor::new(input), &profile, &plain, &mut |_| {});
        let found = |audited: &Result<Summary>| match audited {
            Ok(Summary { before, stops, part, hopper, findings, outline, .. }) => {
                format!("{before:?}\n{stops:?}\n{part:?}\n{hopper:?}\n{findings:?}\n{outline:?}")
            }
            Err(error) => error.to_string(),
        };
        let (told, plain) = (Ok(found(&audited)), Ok(found(&plain)));
        assert!(told == plain, "{case:?}: {}", difference(&plain, &told));
        let audited = audited.map(|summary| format!("{summary:?}")).map_err(|error| error.to_string());
        let replayed = pipeline::replay(&mut Cursor::new(input), None, &profile, &options, &mut |_| {});
        let replayed = replayed.map(|account| format!("{:?}", account.replay)).map_err(|error| error.to_string());
        assert!(start.elapsed() < MOST_TIME, "{:?} for {} bytes", start.elapsed(), input.len());
        [surveyed, Ok(records), audited, replayed]
    };
    let first = look(256 * 1024);
    // Of the others, details may quote the file.
    for text in first[..2].iter().flatten() {
        assert!(!text.contains("NaN"), "{case:?}: {text}");
    }
    for block_size in [1, 13] {
        for (again, first) in look(block_size).iter().zip(&first) {
            assert!(again == first, "{case:?}, blocks of {block_size}: {}", difference(again, first));
        }
    }
}

/// The first place at which two texts differ, with what stands around it.
fn difference(one: &std::result::Result<String, String>, other: &std::result::Result<String, String>) -> String {
    let [one, other] = [one, other].map(|text| format!("{text:?}"));
    let at = one.bytes().zip(other.bytes()).take_while(|(one, other)| one == other).count();
    let around = |text: &str| {
        String::from_utf8_lossy(&text.as_bytes()[at.saturating_sub(120).min(text.len())..text.len().min(at + 80)])
            .into_owned()
    };
    format!("{} instead of {}", around(&one), around(&other))
}

/// What of a result has to be the same in every run.
fn said(result: &Result<(Vec<u8>, Summary)>) -> std::result::Result<(String, String), String> {
    match result {
        Ok((bytes, summary)) => Ok((String::from_utf8_lossy(bytes).into_owned(), format!("{summary:?}"))),
        Err(error) => Err(format!("{error} {:?}", error.excerpt())),
    }
}

/// Without passes the output is the input.
pub fn copied(input: &[u8]) {
    let none = Options { passes: Passes::NONE, ..Options::default() };
    let copied = run(input, &profile(3.0, 1.0, 5.0), &none);
    assert!(copied.as_ref().is_ok_and(|(bytes, _)| bytes == input), "without passes: {copied:?}");
}

/// Everything that holds for any input in one case.
pub fn rewritten(input: &[u8], case: Case) {
    let base = case.base();
    let (profile, passes) = match case.way {
        None => (base, alone().passes),
        Some(way) => (ways(&base)[way].clone(), Passes::ALL),
    };
    let options = |block_size| Options { block_size, lenient: case.lenient, passes, ..Options::default() };
    let first = run(input, &profile, &options(256 * 1024));
    for block_size in [1, 13, 4096] {
        assert_eq!(said(&run(input, &profile, &options(block_size))), said(&first), "{case:?}, blocks of {block_size}");
    }
    for pool in pools() {
        let again = said(&pool.install(|| run(input, &profile, &options(13))));
        assert_eq!(again, said(&first), "{case:?}, {} threads", pool.current_num_threads());
    }
    let Ok((output, summary)) = first else { return };
    if case.way.is_some() {
        let wrong = wrong_with_all(input, &output, &summary, &profile);
        assert!(wrong.is_empty(), "{case:?}: {wrong:?}");
    } else {
        slowed(input, &output, &summary, case);
    }
    let missed = missed(input, &output, &profile);
    assert!(missed.is_none(), "{case:?}: {}", missed.unwrap_or_default());
    again(&output, &profile, &options(4096));
}

/// What holds of the capacity pass alone.
fn slowed(input: &[u8], output: &[u8], summary: &Summary, case: Case) {
    let mut wrong = no_figures(summary);
    // A hopper is short where one bead takes more than it holds.
    wrong.retain(|text| text.contains("finite") || !text.contains(".left_"));
    assert!(wrong.is_empty(), "{case:?}: {wrong:?}");
    let (before, after) = (&summary.before, &summary.after);
    assert!(after.time_s >= before.time_s * ALMOST, "{case:?}: {} s became {}", before.time_s, after.time_s);
    let (before, after) = (before.peak_demand_mm3_s, after.peak_demand_mm3_s);
    assert!(before >= after * ALMOST, "{case:?}: {before} mm3/s became {after}");
    // The other profile has lines split.
    if !case.other {
        let more = more_than_feeds(input, output);
        assert!(more.is_none(), "{case:?}: {}", more.unwrap_or_default());
    }
}

/// A second run is refused, or lets the file through as it is.
fn again(output: &[u8], profile: &Profile, options: &Options) {
    if !output.split(|byte| *byte == b'\n').any(|line| line.starts_with(b"; rewritten by meltwright")) {
        return;
    }
    match run(output, profile, options) {
        Err(error) => assert!(is_refusal(error.kind()), "second run: {error}"),
        Ok(_) => panic!("a second run was not refused"),
    }
    match run(output, profile, &Options { again: true, ..options.clone() }) {
        Err(error) => assert!(is_refusal(error.kind()), "second run, let through: {error}"),
        Ok((bytes, _)) => assert!(bytes == output, "second run, let through: the bytes differ"),
    }
}

/// Whether bytes look like text depends on how many of them are odd.
fn is_refusal(kind: &ErrorKind) -> bool {
    matches!(kind, ErrorKind::AlreadyRewritten | ErrorKind::NotGcode { .. })
}

/// The first place the input goes to that the output does not go to, in the same order and as far along the path.
fn missed(input: &[u8], output: &[u8], profile: &Profile) -> Option<String> {
    let wanted = resolved(input, profile, false, usize::MAX);
    // Where a line that cannot be read is passed through, nobody knows where it leads.
    if wanted.refusal.is_some() {
        return None;
    }
    let wanted = places(&wanted);
    let away = detours(output);
    if detours(input).contains(&true) {
        return None;
    }
    let is_away = |line: u64| away.get(line as usize - 1) == Some(&true);
    let found = places(&resolved(output, profile, true, usize::MAX));
    let mut found = found.into_iter().filter(|place| !is_away(place.0));
    let (mut last, mut due) = (None, 0.0);
    for (line, to, length) in wanted {
        // Positions have three decimals at least; sums of distances are rounded once more.
        let leeway = |value: f64| 2e-3 + value.abs() * 1e-9;
        let near = |at: &[f64; 3]| (0..3).all(|axis| (at[axis] - to[axis]).abs() <= leeway(to[axis]));
        due += length;
        if last.as_ref().is_some_and(near) {
            continue;
        }
        let (mut gone, mut pieces) = (0.0, 0.0);
        last = found
            .by_ref()
            .map(|(_, at, length)| {
                (gone, pieces) = (gone + length, pieces + 1.0);
                at
            })
            .find(near);
        if last.is_none() {
            return Some(format!("line {line}: {to:?} is not reached"));
        }
        if (gone - due).abs() > 4e-3 * pieces + due * 1e-3 {
            return Some(format!("line {line}: {gone} mm to {to:?} instead of {due} mm"));
        }
        due = 0.0;
    }
    None
}

/// Lines that move, where they end, and how long their path is, mm.
fn places(resolved: &Resolved) -> Vec<(u64, [f64; 3], f64)> {
    resolved.steps.iter().filter(|step| step.1.1[0] > 0.0).map(|step| (step.0, step.1.2, step.1.1[0])).collect()
}

/// Everything that holds for any input in every case.
pub fn any_bytes(input: &[u8]) {
    copied(input);
    Case::all().for_each(|case| rewritten(input, case));
    [0, 19].map(Case::of).into_iter().for_each(|case| judged(input, case));
}

/// A plain file under a profile that nobody means: rewritten with figures that are numbers, or refused.
pub fn plain_with(profile: &Profile) {
    const PLAIN: &[u8] =
        b"G28\nM83\n;LAYER_CHANGE\nG1 X5 Y5 Z0.3 F3000\nG1 X25 E1\nG1 Y25 E1\nG1 E-1 F1800\nG0 X5\nG1 E1\n\
        ;LAYER_CHANGE\nG1 Z0.6\nG1 Y5 E0.9 F1200\nG2 X25 Y5 I10 J0 E1\nG4 P200\nG1 X5 E8\n";
    let Ok((output, summary)) = run(PLAIN, profile, &Options::default()) else { return };
    let wrong: Vec<String> = no_figures(&summary).into_iter().filter(|text| text.contains("finite")).collect();
    assert!(wrong.is_empty(), "{wrong:?}");
    let missed = missed(PLAIN, &output, profile);
    assert!(missed.is_none(), "{}", missed.unwrap_or_default());
}

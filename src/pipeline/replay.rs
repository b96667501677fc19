//! Executes a file on the virtual machine, alone or beside the file it was made from.

use std::io::{Read, Seek};
use std::ops::Range;
use std::path::Path;

use serde::Serialize;

use super::Options;
use super::account::{assumed_among, other_profile};
use super::intake::{is_command, no_commands};
use super::pauses::{AWAY, BACK};
use super::planning::Besides;
use super::prescan::prescan;
use crate::demand::capacity::Capacity;
use crate::error::{Error, ErrorKind, Excerpt, Result};
use crate::line::{Block, LineKind};
use crate::motion::Planner;
use crate::motion::rules::{EVolumes, MotionRules};
use crate::moves::Move;
use crate::moves::resolve::{Resolver, Rules};
use crate::moves::settings::{FileSettings, Lead};
use crate::moves::turns::Turns;
use crate::profile::{EUnit, Profile};
use crate::replay::align::{Course, Follower, Span, course};
use crate::replay::machine::Machine;
use crate::replay::{Conditions, Replay, ReplayFigures};
use crate::source::block::BlockReader;
use crate::summary::AssumedValue;

/// What can be read from its start, again and again.
pub trait Rereadable: Read + Seek {}

impl<T: Read + Seek> Rereadable for T {}

/// The file another one was made from.
pub struct Original<'a> {
    /// Its text.
    pub input: &'a mut dyn Rereadable,
    /// Its name in messages.
    pub path: Option<&'a Path>,
}

/// The account of a replay.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct ReplayAccount {
    /// The figures.
    pub replay: Replay,
    /// What the machine was made of.
    pub conditions: Conditions,
    /// Values without a measurement that the figures rest on.
    pub assumed: Vec<AssumedValue>,
    /// What has to be known of the figures, in sentences: what the file was written with, and what it is judged by.
    pub notes: Vec<String>,
}

/// Executes `input` on the virtual machine of `profile`, and compares what is laid with what was wanted: by the file
/// itself, or by the original it was made from, which is then executed as well.
///
/// Both files are read from their start; files that were rewritten before are taken like any other. `progress` is
/// called with the bytes of `input` worked on so far. Of `options` only `lenient` and `block_size` count.
///
/// # Errors
/// When a file is not G-code, holds a motion line that cannot be read (unless `lenient`) or gives no volume for E; when
/// the two do not go the same path; when reading fails.
pub fn replay(
    input: &mut dyn Rereadable,
    original: Option<Original<'_>>,
    profile: &Profile,
    options: &Options,
    progress: &mut (dyn FnMut(u64) + Send),
) -> Result<ReplayAccount> {
    let notes = notes(&prescan(&mut &mut *input)?.settings, original.is_some(), profile);
    let replay = match original {
        None => Replay { before: None, after: execute(input, None, profile, options, progress)? },
        Some(Original { input: original, path }) => {
            let before =
                execute(original, None, profile, options, &mut |_| {}).map_err(|error| in_file(error, path))?;
            let beside = Original { input: original, path };
            Replay { before: Some(before), after: execute(input, Some(beside), profile, options, progress)? }
        }
    };
    Ok(ReplayAccount {
        replay,
        conditions: Conditions::of(profile),
        assumed: assumed_among(profile, &keys(profile)),
        notes,
    })
}

/// What has to be known of the figures of an output.
fn notes(settings: &FileSettings, has_original: bool, profile: &Profile) -> Vec<String> {
    let leads = settings.lead == Lead::AlongPath && !has_original;
    let of_lead = leads.then(|| {
        "E of this file leads the flow, so that it does not say what is wanted: give the file it was made from \
         (--against), or what leads counts as off."
            .to_owned()
    });
    let of_profile = other_profile(profile, settings).map(|[before, now]| {
        format!(
            "The file was rewritten with profile {before}, this is {now}: lag, capacity and units of E may be others \
             than it was made for."
        )
    });
    of_lead.into_iter().chain(of_profile).collect()
}

/// Keys the figures rest on.
fn keys(profile: &Profile) -> Vec<&'static str> {
    let capacity = Capacity::of(profile);
    let of_the_screw = ["screw.peak_flow_mm3_s", "screw.specific_output_mm3_rev", "screw.output_curve"];
    let is_used = |key: &&str| of_the_screw.contains(key) || *key == "screw.max_speed_rpm";
    let mut keys: Vec<&'static str> = capacity.depends_on.into_iter().filter(is_used).collect();
    keys.extend(["screw.melt_lag_s", "screw.dead_time_s", "nozzle.diameter_mm"]);
    keys.extend(["machine.max_speed_mm_s", "machine.max_accel_mm_s2", "machine.corner"]);
    if profile.screw.e_unit.value == EUnit::VirtualFilament && profile.screw.virtual_diameter_mm.value.is_some() {
        keys.push("screw.virtual_diameter_mm");
    }
    keys
}

/// Runs one file.
fn execute(
    input: &mut dyn Rereadable,
    original: Option<Original<'_>>,
    profile: &Profile,
    options: &Options,
    progress: &mut (dyn FnMut(u64) + Send),
) -> Result<ReplayFigures> {
    let conditions = Conditions::of(profile);
    let mut file = Walk::new(input, profile, options)?;
    let rules = MotionRules::with_e(profile, file.e_volumes);
    let mut machine = Machine::new(Planner::new(&rules), &conditions).reads_turns(file.turns.take());
    let mut beside = match original {
        Some(original) => Some(Alongside::new(original, profile, options)?),
        None => None,
    };
    while file.fill()? {
        let mut besides = Besides::of(&file.resolver.side);
        for step in &file.moves {
            let wanted = match &mut beside {
                // At the park position and on the way there, nothing is wanted.
                Some(_) if file.is_away(step) => Span { length: step.length, area: 0.0 },
                Some(beside) if step.length > 0.0 => beside.wanted(step).map_err(|error| file.at(step, error))?,
                _ => Span::of(step),
            };
            machine.take(step, besides.next(step), wanted);
        }
        machine.run();
        progress(file.bytes);
    }
    file.finish()?;
    if let Some(mut beside) = beside {
        beside.finish()?;
    }
    Ok(machine.finish())
}

/// The original, walked beside the file.
struct Alongside<'a> {
    walk: Walk<'a>,
    follower: Follower,
    path: Option<&'a Path>,
}

impl<'a> Alongside<'a> {
    fn new(original: Original<'a>, profile: &Profile, options: &Options) -> Result<Self> {
        let Original { input, path } = original;
        let walk = Walk::new(input, profile, options).map_err(|error| in_file(error, path))?;
        Ok(Self { walk, follower: Follower::default(), path })
    }

    /// What the original wants along a move of the file.
    fn wanted(&mut self, step: &Move) -> Result<Span> {
        let (walk, path) = (&mut self.walk, self.path);
        self.follower.follow(step, || walk.next_course().map_err(|error| in_file(error, path)))
    }

    fn finish(&mut self) -> Result<()> {
        let (walk, path) = (&mut self.walk, self.path);
        self.follower.finish(|| walk.next_course().map_err(|error| in_file(error, path)))
    }
}

fn in_file(error: Error, path: Option<&Path>) -> Error {
    match path {
        Some(path) => error.in_file(path),
        None => error,
    }
}

/// Goes through a file block by block.
struct Walk<'a> {
    reader: BlockReader<&'a mut dyn Rereadable>,
    resolver: Resolver,
    /// What its units of E push.
    e_volumes: EVolumes,
    /// How its turns of the screw are read, where E counts such.
    turns: Option<Turns>,
    block: Block,
    /// Moves of the block.
    moves: Vec<Move>,
    /// How many of them were given as courses.
    given: usize,
    lines: u64,
    bytes: u64,
    has_commands: bool,
    /// Lines of the block between the comments around ways to the park position.
    ways: Vec<Range<usize>>,
    /// The block ends on such a way.
    away: bool,
}

impl<'a> Walk<'a> {
    fn new(mut input: &'a mut dyn Rereadable, profile: &Profile, options: &Options) -> Result<Self> {
        let scan = prescan(&mut input)?;
        let rules = Rules::new(profile, &scan.settings, options.lenient);
        Ok(Self {
            reader: BlockReader::new(input, scan.block_size(options.block_size)),
            e_volumes: EVolumes::of(&rules),
            turns: Turns::of(&rules),
            resolver: Resolver::new(rules, &scan.settings, true),
            block: Block::default(),
            moves: Vec::new(),
            given: 0,
            lines: 0,
            bytes: 0,
            has_commands: false,
            ways: Vec::new(),
            away: false,
        })
    }

    /// Looks for ways to the park position in the block.
    fn look_for_ways(&mut self) {
        self.ways.clear();
        let mut start = self.away.then_some(0);
        let comments = self.block.lines.iter().enumerate().filter(|(_, line)| line.kind == LineKind::Comment);
        for (index, line) in comments {
            let text = self.block.text_of(line);
            if text.starts_with(AWAY) {
                start.get_or_insert(index);
            } else if text.starts_with(BACK)
                && let Some(start) = start.take()
            {
                self.ways.push(start..index);
            }
        }
        self.away = start.is_some();
        self.ways.extend(start.map(|start| start..usize::MAX));
    }

    /// Whether a move of the block belongs to a way to the park position.
    fn is_away(&self, step: &Move) -> bool {
        self.ways.iter().any(|way| way.contains(&(step.line as usize)))
    }

    /// Goes on to the next block; `false` at the end.
    fn fill(&mut self) -> Result<bool> {
        let block = &mut self.block;
        self.moves.clear();
        self.given = 0;
        if !self.reader.next(&mut block.bytes)? {
            return Ok(false);
        }
        block.first_line = self.lines + 1;
        block.lex();
        self.has_commands = self.has_commands || block.lines.iter().any(|line| is_command(block, line));
        self.lines += block.lines.len() as u64;
        self.bytes += block.bytes.len() as u64;
        self.resolver.resolve(block, &mut self.moves)?;
        self.look_for_ways();
        Ok(true)
    }

    /// The next move with path.
    fn next_course(&mut self) -> Result<Option<Course>> {
        loop {
            for (index, step) in self.moves.iter().enumerate().skip(self.given) {
                if let Some(course) = course(step, self.block.first_line + u64::from(step.line)) {
                    self.given = index + 1;
                    return Ok(Some(course));
                }
            }
            if !self.fill()? {
                self.finish()?;
                return Ok(None);
            }
        }
    }

    /// Names the line of a move where the two paths part.
    fn at(&self, step: &Move, error: Error) -> Error {
        let Some(line) = self.block.lines.get(step.line as usize) else { return error };
        if !matches!(error.kind(), ErrorKind::PathsDiffer { .. }) {
            return error;
        }
        let number = self.block.first_line + u64::from(step.line);
        let words = line.code_end.saturating_sub(line.start) as usize;
        error.at(Excerpt::new(number, self.block.text_of(line), 0, words, ""))
    }

    fn finish(&self) -> Result<()> {
        if self.has_commands { Ok(()) } else { Err(no_commands()) }
    }
}

//! Moves of any lines.

use meltwright::line::Block;
use meltwright::moves::resolve::{Resolver, Rules};
use meltwright::moves::settings::FileSettings;
use meltwright::moves::track::Track;
use meltwright::moves::{Kind, Move};
use meltwright::profile::Profile;

/// A move without its places in the block, and where it ends.
type Step = (Kind, [f64; 4], [f64; 3], u32);

/// What the resolver made of a text: steps by number of line, or the refusal.
#[derive(Debug, PartialEq)]
pub struct Resolved {
    /// Line, what is done there, and whether its end is known.
    pub steps: Vec<(u64, Step, bool)>,
    /// Why the rest was not read.
    pub refusal: Option<String>,
    /// What was found on the way.
    found: String,
}

/// Resolves a text in blocks of so many lines.
pub fn resolved(text: &[u8], profile: &Profile, lenient: bool, lines: usize) -> Resolved {
    let mut settings = FileSettings::default();
    settings.read(text);
    let mut resolver = Resolver::new(Rules::new(profile, &settings, lenient), &settings, true);
    let all: Vec<&[u8]> = text.split_inclusive(|byte| *byte == b'\n').collect();
    let (mut steps, mut refusal, mut first_line) = (Vec::new(), None, 1);
    for part in all.chunks(lines.max(1)) {
        let mut block = Block { bytes: part.concat(), first_line, ..Block::default() };
        block.lex();
        let mut moves = Vec::new();
        if let Err(error) = resolver.resolve(&block, &mut moves) {
            refusal = Some(format!("{error} {:?}", error.excerpt()));
            break;
        }
        let mut track = Track::of(&resolver.side);
        for step in &moves {
            check(step, &block);
            let (_, to) = track.next(step);
            let figures = [step.length, step.e, step.volume, step.speed];
            steps.push((first_line + u64::from(step.line), (step.kind, figures, to, step.layer), track.is_known()));
        }
        first_line += block.lines.len() as u64;
    }
    Resolved { steps, refusal, found: format!("{:?}", resolver.findings) }
}

/// What holds of each move.
fn check(step: &Move, block: &Block) {
    let line = block.lines.get(step.line as usize).expect("a line of the block");
    let text = || String::from_utf8_lossy(block.text_of(line));
    for value in step.delta.iter().chain([&step.length, &step.e, &step.volume, &step.melt, &step.feed_mm_min]).chain([
        &step.speed,
        &step.wait_s,
        &step.z,
        &step.e_count,
        &step.flow_factor,
        &step.speed_factor,
    ]) {
        assert!(value.is_finite(), "{value} in {step:?} of {:?}", text());
    }
    assert!(
        step.length >= 0.0 && step.melt >= 0.0 && step.wait_s >= 0.0 && step.speed >= 0.0,
        "{step:?} of {:?}",
        text()
    );
    for (at, len) in [(step.feed_at, step.feed_len), (step.e_at, step.e_len)] {
        if len > 0 {
            assert!(at >= line.start && at + u32::from(len) <= line.end, "{step:?} of {:?}", text());
        }
    }
    if step.kind == Kind::Bead {
        assert!(step.length > 0.0 && step.volume > 0.0, "{step:?} of {:?}", text());
    }
}

/// The same steps; far off, positions agree to what their numbers can tell.
fn alike(one: &Resolved, other: &Resolved) {
    assert_eq!((one.steps.len(), &one.found), (other.steps.len(), &other.found), "lines one by one");
    let mut farthest = 0.0_f64;
    for (a, b) in one.steps.iter().zip(&other.steps) {
        farthest = a.1.2.iter().fold(farthest, |most, value| most.max(value.abs()));
        let near = (0..3).all(|axis| (a.1.2[axis] - b.1.2[axis]).abs() <= farthest * 1e-13);
        let same = (a.0, a.1.0, a.1.1, a.1.3, a.2) == (b.0, b.1.0, b.1.1, b.1.3, b.2);
        assert!(same && near, "lines one by one: {a:?} became {b:?}");
    }
}

/// Blocks of any number of lines give the same moves; a lenient reading goes on where a strict one stops.
pub fn any_lines(text: &[u8], profile: &Profile) {
    let whole = [false, true].map(|lenient| {
        let whole = resolved(text, profile, lenient, usize::MAX);
        let first_part = resolved(text, profile, lenient, 1);
        // A refusal takes the moves of its block with it.
        if whole.refusal.is_none() {
            alike(&whole, &first_part);
        }
        assert_eq!(whole.refusal, first_part.refusal, "lines one by one");
        first_part
    });
    let [strict, lenient] = whole;
    let shared = strict.steps.len();
    assert!(lenient.steps.get(..shared).is_some_and(|steps| steps == strict.steps), "lenient before the refusal");
}

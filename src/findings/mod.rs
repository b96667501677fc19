//! What the reader should know or act on: typed, counted, deduplicated, each with a remedy.

mod codes;
pub mod number;

use serde::Serialize;

pub use codes::Code;

/// How serious a finding is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Level {
    /// The print will fail or the file will not run as written.
    Error,
    /// The print may suffer.
    Warning,
    /// Worth knowing.
    Note,
}

/// Something the reader should know or act on.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Finding {
    /// How serious it is.
    pub level: Level,
    /// Stable short name, `kebab-case`.
    pub code: &'static str,
    /// What was found, one sentence.
    pub what: String,
    /// Why it matters, one sentence.
    pub why: String,
    /// What to do about it, one sentence.
    pub help: String,
    /// How often it occurs.
    pub count: u64,
    /// Where: at most ten places, worst or first.
    pub places: Vec<Place>,
    /// Whether the places come worst first; otherwise as they do in the file.
    pub worst_first: bool,
}

/// A place in the input.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Place {
    /// Line, counted from 1; 0 for the file as a whole.
    pub line: u64,
    /// Layer, counted from 1; 0 before the first bead.
    pub layer: u64,
    /// Height, mm.
    pub z_mm: f64,
    /// Time from the start of the print, s: of the output, or of the file where it is only judged. Not there where it is
    /// not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub time_s: Option<f64>,
    /// What stands there, in a few words with units (`38.2 mm³/s, infill`).
    pub detail: String,
}

impl Place {
    /// The file as a whole, in a few words.
    pub fn of_file(detail: impl Into<String>) -> Self {
        Self { line: 0, layer: 0, z_mm: 0.0, time_s: None, detail: detail.into() }
    }
}

/// Findings that the profile allows: they are counted and not shown.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Allowed {
    /// Stable short name, `kebab-case`.
    pub code: &'static str,
    /// How serious they would be.
    pub level: Level,
    /// How often they occur.
    pub count: u64,
}

/// Most places kept for one finding.
pub const MAX_PLACES: usize = 10;

/// Collects findings while a file streams by; memory does not grow with their number.
#[derive(Clone, Debug)]
pub struct Findings {
    entries: Vec<Entry>,
}

#[derive(Clone, Debug, Default)]
struct Entry {
    count: u64,
    /// Places with their weight; the heaviest are kept, the earlier of equals.
    places: Vec<(f64, Place)>,
    /// Not all weigh the same, whether they are kept or not.
    differ: bool,
}

impl Entry {
    /// Whether a place of this weight is to be kept, if it does not.
    fn weigh(&mut self, weight: f64) -> bool {
        let Some((first, last)) = self.places.first().zip(self.places.last()) else { return true };
        self.differ |= weight != first.0;
        self.places.len() < MAX_PLACES || weight > last.0
    }
}

impl Default for Findings {
    fn default() -> Self {
        Self { entries: vec![Entry::default(); Code::ALL.len()] }
    }
}

impl Findings {
    /// Counts a finding; the first places are kept.
    pub fn add(&mut self, code: Code, place: impl FnOnce() -> Place) {
        self.add_weighted(code, 0.0, place);
    }

    /// Counts a finding; the places with the largest weight are kept, the earlier of equals.
    pub fn add_weighted(&mut self, code: Code, weight: f64, place: impl FnOnce() -> Place) {
        let Some(entry) = self.entries.get_mut(code.index()) else { return };
        entry.count += 1;
        if entry.weigh(weight) {
            let at = entry.places.partition_point(|kept| kept.0 >= weight);
            entry.places.insert(at, (weight, place()));
            entry.places.truncate(MAX_PLACES);
        }
    }

    /// Counts a finding about the file as a whole that needs no further words.
    pub fn add_for_file(&mut self, code: Code) {
        self.add_count(code, 1);
    }

    /// Counts findings that need no further place.
    pub fn add_count(&mut self, code: Code, count: u64) {
        if let Some(entry) = self.entries.get_mut(code.index()) {
            entry.count += count;
        }
    }

    /// Takes back what was found of a kind.
    pub fn remove(&mut self, code: Code) {
        if let Some(entry) = self.entries.get_mut(code.index()) {
            *entry = Entry::default();
        }
    }

    /// Adds the findings of another collector.
    pub fn merge(&mut self, other: Self) {
        for (entry, more) in self.entries.iter_mut().zip(other.entries) {
            entry.count += more.count;
            entry.differ |= more.differ;
            for (weight, place) in more.places {
                entry.weigh(weight);
                let at = entry.places.partition_point(|kept| kept.0 >= weight);
                entry.places.insert(at, (weight, place));
            }
            entry.places.truncate(MAX_PLACES);
        }
    }

    /// Gives places without a time the one of their line, where `time_of` knows it.
    pub fn set_times(&mut self, time_of: impl Fn(u64) -> Option<f64>) {
        for (_, place) in self.entries.iter_mut().flat_map(|entry| &mut entry.places) {
            place.time_s = place.time_s.or_else(|| time_of(place.line).filter(|_| place.line > 0));
        }
    }

    /// Takes out what is `allowed` by name; what there was of it, most serious first.
    pub fn allow(&mut self, allowed: &[String]) -> Vec<Allowed> {
        let mut taken = Vec::new();
        for (code, entry) in Code::ALL.iter().zip(&mut self.entries) {
            if entry.count > 0 && allowed.iter().any(|name| name == code.name()) {
                let count = std::mem::take(entry).count;
                taken.push(Allowed { code: code.name(), level: code.level(), count });
            }
        }
        taken.sort_by_key(|one| one.level);
        taken
    }

    /// The findings, most serious first.
    pub fn into_list(self) -> Vec<Finding> {
        let mut list: Vec<Finding> = Code::ALL
            .iter()
            .zip(self.entries)
            .filter(|(_, entry)| entry.count > 0)
            .map(|(code, entry)| Finding {
                level: code.level(),
                code: code.name(),
                what: code.what().to_owned(),
                why: code.why().to_owned(),
                help: code.help().to_owned(),
                count: entry.count,
                worst_first: entry.differ,
                places: entry.places.into_iter().map(|(_, place)| place).collect(),
            })
            .collect();
        list.sort_by_key(|finding| finding.level);
        list
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(line: u64) -> Place {
        Place { line, layer: 0, z_mm: 0.0, time_s: None, detail: String::new() }
    }

    #[test]
    fn keeps_the_heaviest_places_and_counts_all() {
        let mut findings = Findings::default();
        for line in 1..=100 {
            findings.add_weighted(Code::PeakDemand, (line % 50) as f64, || place(line));
        }
        // Ten equals are kept of many lighter ones.
        for line in 1..=100 {
            findings.add_weighted(Code::SustainedDemand, f64::from(u8::from(line > 50)), || place(line));
        }
        findings.add(Code::Exponent, || place(7));
        findings.add(Code::Exponent, || place(8));
        let list = findings.into_list();
        assert_eq!((list[0].code, list[0].count), ("peak-demand", 100));
        let lines: Vec<u64> = list[0].places.iter().map(|p| p.line).collect();
        assert_eq!(lines, [49, 99, 48, 98, 47, 97, 46, 96, 45, 95]);
        assert_eq!((list[1].code, list[1].places[0].line, list[1].places[9].line), ("sustained-demand", 51, 60));
        assert_eq!((list[2].code, list[2].places[0].line), ("exponent", 7));
        assert_eq!([0, 1, 2].map(|at: usize| list[at].worst_first), [true, true, false]);
    }

    #[test]
    fn every_code_says_what_why_and_what_to_do() {
        for code in Code::ALL {
            let (_, [name, sentences @ ..]) = code.parts();
            assert!(name.bytes().all(|byte| byte.is_ascii_lowercase() || byte == b'-'), "{name}");
            for sentence in sentences {
                assert!(
                    sentence.len() > 20 && !sentence.ends_with('.') && !sentence.contains("  "),
                    "{name}: {sentence}"
                );
            }
        }
    }

    /// What is to be typed stands between backticks, where a page does not break it at its dashes.
    #[test]
    fn options_are_marked_as_typed() {
        for code in Code::ALL {
            for sentence in [code.what(), code.why(), code.help()] {
                let mut told = sentence.split('`').step_by(2);
                assert!(told.all(|words| !words.contains(" --")) && !sentence.starts_with("--"), "{sentence}");
            }
        }
    }

    #[test]
    fn codes_are_listed_by_number() {
        for (index, code) in Code::ALL.iter().enumerate() {
            assert_eq!(code.index(), index);
        }
    }

    #[test]
    fn collectors_are_joined_as_if_they_were_one() {
        let of = |places: &[(f64, u64)]| {
            let mut findings = Findings::default();
            for (weight, line) in places {
                findings.add_weighted(Code::PeakDemand, *weight, || place(*line));
            }
            findings
        };
        let joined = |one: &[(f64, u64)], other: &[(f64, u64)]| {
            let mut all = of(one);
            all.merge(of(other));
            let found = all.into_list().remove(0);
            (found.count, found.worst_first, found.places.iter().map(|place| place.line).collect::<Vec<_>>())
        };
        // The heaviest first, and of equals those of the first collector.
        assert_eq!(joined(&[(3.0, 1), (1.0, 2)], &[(3.0, 10), (2.0, 11)]), (4, true, vec![1, 10, 11, 2]));
        assert_eq!(joined(&[(1.0, 1)], &[(2.0, 2)]), (2, true, vec![2, 1]));
        assert_eq!(joined(&[(1.0, 1)], &[(1.0, 2)]), (2, false, vec![1, 2]));
        // A lighter one was not kept, yet those that were are the worst.
        let many: Vec<(f64, u64)> = (1..=10).map(|line| (1.0, line)).chain([(0.5, 11)]).collect();
        assert_eq!(joined(&[], &many), (11, true, (1..=10).collect()));
    }

    #[test]
    fn the_file_as_a_whole_has_no_time() {
        let mut findings = Findings::default();
        findings.add(Code::Exponent, || Place::of_file("all of it"));
        findings.add(Code::Exponent, || place(5));
        findings.set_times(|_| Some(2.0));
        let times: Vec<Option<f64>> = findings.into_list()[0].places.iter().map(|place| place.time_s).collect();
        assert_eq!(times, [None, Some(2.0)]);
    }

    /// Errors come before warnings, however the codes are listed.
    #[test]
    fn the_most_serious_comes_first() {
        let mut findings = Findings::default();
        findings.add_for_file(Code::ScrewSpeed);
        findings.add_count(Code::ExcessE, 3);
        let levels: Vec<Level> = findings.clone().into_list().iter().map(|finding| finding.level).collect();
        assert_eq!(levels, [Level::Error, Level::Warning]);
        let allowed = findings.allow(&["screw-speed".to_owned(), "excess-e".to_owned()]);
        let told: Vec<(&str, u64)> = allowed.iter().map(|one| (one.code, one.count)).collect();
        assert_eq!((told, findings.into_list().len()), (vec![("excess-e", 3), ("screw-speed", 1)], 0));
    }
}

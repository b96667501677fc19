//! A file of results that grows by a line of JSON for each audited file, and outlives interruptions.

use std::collections::HashMap;
use std::fs::{File, OpenOptions};
use std::io::{BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};

use meltwright::error::{Error, ErrorKind, Result};
use meltwright::pipeline::digest;
use meltwright::summary::Level;
use serde::Deserialize;

use super::args::Strictness;
use super::plan::Job;

/// What each line begins with.
const START: &[u8] = b"{\"file\":";
/// No line is longer, bytes; what is longer cannot be read.
const LONGEST: u64 = 16 << 20;

/// The place for more results.
#[derive(Debug)]
pub struct Results {
    path: PathBuf,
    file: File,
}

/// What earlier runs found, by the names of the files.
#[derive(Debug, Default)]
pub struct Known(HashMap<String, Judgement>);

/// What an earlier run found, and about what.
#[derive(Debug, PartialEq)]
struct Judgement {
    sha256: String,
    fingerprint: String,
    version: String,
    lenient: bool,
    again: bool,
    worst: Option<Level>,
}

/// The parts of a line that matter here.
#[derive(Deserialize)]
struct Line {
    file: String,
    #[serde(default)]
    lenient: bool,
    #[serde(default)]
    again: bool,
    provenance: Option<Provenance>,
    #[serde(default)]
    findings: Vec<Finding>,
}

#[derive(Deserialize)]
struct Provenance {
    version: String,
    profile_fingerprint: String,
    input_sha256: String,
}

#[derive(Deserialize)]
struct Finding {
    level: String,
}

/// Levels by the names they have in results, weightiest first.
const LEVELS: [(&str, Level); 3] = [("error", Level::Error), ("warning", Level::Warning), ("note", Level::Note)];

impl Results {
    /// Opens a file of results or begins one, with what stands in it. A last line that an interruption cut short is
    /// taken off.
    ///
    /// # Errors
    /// When it cannot be read or written, or is something else; it is as it was then.
    pub fn open(path: &Path) -> Result<(Self, Known)> {
        let failed = |doing| move |error| Error::io(doing, error).in_file(path);
        let file = OpenOptions::new().read(true).append(true).create(true).open(path);
        let mut file = file.map_err(failed("open the results"))?;
        let (known, whole) = read(&mut file).map_err(failed("read the results"))?.ok_or_else(|| {
            Error::new(ErrorKind::Usage {
                what: format!("{} holds something else than results and was left as it is", path.display()),
                help: "name a new file for the results, or one of an earlier run with --jsonl".to_owned(),
            })
        })?;
        // A file opened to be appended to cannot be shortened everywhere.
        if file.metadata().map_err(failed("look at the results"))?.len() > whole {
            let shortened = OpenOptions::new().write(true).open(path).and_then(|file| file.set_len(whole));
            shortened.map_err(failed("take the torn last line off the results"))?;
        }
        Ok((Self { path: path.to_owned(), file }, known))
    }

    /// Adds a line.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn append(&mut self, line: &str) -> Result<()> {
        // One call, so that programs that share the file do not tear each other's lines.
        self.file.write_all(line.as_bytes()).map_err(|error| Error::io("add to the results", error).in_file(&self.path))
    }
}

impl Known {
    /// The weightiest level of what was found in the file of a job, if it was judged: the same bytes, by the same profile,
    /// version and strictness.
    pub fn of(&self, job: &Job, strictness: &Strictness) -> Option<Option<Level>> {
        let known = self.0.get(&job.source.name())?;
        let asked = (strictness.lenient, strictness.again);
        if (known.lenient, known.again) != asked
            || known.version != env!("CARGO_PKG_VERSION")
            || known.fingerprint != job.profile.profile.fingerprint()
        {
            return None;
        }
        // What cannot be read will be told where it is read for good.
        let mut file = File::open(job.source.path()?).ok()?;
        let same = digest(&mut file).is_ok_and(|sha256| sha256 == known.sha256);
        same.then_some(known.worst)
    }

    /// The last line about a file counts; one with an error says nothing that may be relied on.
    fn take(&mut self, line: Line) {
        let Some(from) = line.provenance.filter(|from| !from.input_sha256.is_empty()) else {
            self.0.remove(&line.file);
            return;
        };
        let worst = LEVELS.into_iter().find(|(name, _)| line.findings.iter().any(|finding| finding.level == *name));
        let judged = Judgement {
            sha256: from.input_sha256,
            fingerprint: from.profile_fingerprint,
            version: from.version,
            lenient: line.lenient,
            again: line.again,
            worst: worst.map(|(_, level)| level),
        };
        self.0.insert(line.file, judged);
    }
}

/// What the lines of results say, and how many bytes of whole lines there are; `None`: these are no results. Lines that
/// cannot be read are passed over.
fn read(input: impl Read) -> std::io::Result<Option<(Known, u64)>> {
    let mut input = BufReader::new(input);
    let (mut known, mut whole, mut line) = (Known::default(), 0, Vec::new());
    loop {
        let mut len = input.by_ref().take(START.len() as u64).read_until(b'\n', &mut line)? as u64;
        if len == 0 {
            break;
        }
        // Looked at before the rest is read: another file may be one endless line.
        if whole == 0 && !line.starts_with(START) && (line.ends_with(b"\n") || !START.starts_with(&line)) {
            return Ok(None);
        }
        if !line.ends_with(b"\n") {
            len += input.by_ref().take(LONGEST).read_until(b'\n', &mut line)? as u64;
        }
        let mut is_whole = line.ends_with(b"\n");
        if is_whole {
            if let Ok(line) = serde_json::from_slice::<Line>(&line) {
                known.take(line);
            }
        } else if len > LONGEST {
            (is_whole, len) = skip(&mut input, len)?;
        }
        if is_whole {
            whole += len;
        }
        line.clear();
    }
    Ok(Some((known, whole)))
}

/// Reads up to the end of a line of which `len` bytes were read; whether there was one, and its length.
fn skip(input: &mut impl BufRead, mut len: u64) -> std::io::Result<(bool, u64)> {
    loop {
        let part = input.fill_buf()?;
        let end = part.iter().position(|byte| *byte == b'\n');
        let used = end.map_or(part.len(), |end| end + 1);
        input.consume(used);
        len += used as u64;
        if end.is_some() || used == 0 {
            return Ok((end.is_some(), len));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(file: &str, sha256: &str, level: &str) -> String {
        format!(
            "{{\"file\":\"{file}\",\"lenient\":true,\"again\":false,\"findings\":[{{\"level\":\"{level}\",\"code\":\"x\"}}],\
             \"provenance\":{{\"version\":\"1\",\"profile_fingerprint\":\"f\",\"input_sha256\":\"{sha256}\"}}}}\n"
        )
    }

    #[test]
    fn the_last_whole_line_of_a_file_counts() {
        let failed = "{\"file\":\"c\",\"error\":\"gone\"}\n";
        let torn = "{\"file\":\"d\",\"findings\":[";
        let whole = [line("a", "1", "error"), line("b", "2", "note"), line("c", "3", "note"), failed.into()].concat();
        let text = [&whole, &line("a", "4", "warning"), "\0\0\n", torn].concat();
        let (known, len) = read(text.as_bytes()).unwrap().unwrap();
        assert_eq!(len as usize, text.len() - torn.len());
        let mut names: Vec<(&str, &str, Option<Level>)> =
            known.0.iter().map(|(name, known)| (name.as_str(), known.sha256.as_str(), known.worst)).collect();
        names.sort_unstable();
        assert_eq!(names, [("a", "4", Some(Level::Warning)), ("b", "2", Some(Level::Note))]);
        assert!(known.0["a"].lenient && !known.0["a"].again);
        let (known, _) = read(whole.as_bytes()).unwrap().unwrap();
        assert_eq!(known.0["a"].worst, Some(Level::Error));
    }

    #[test]
    fn endless_lines_are_not_kept() {
        // Read no further than it takes to see that it is something else.
        assert!(read(std::io::repeat(b'x')).unwrap().is_none());
        let long = "{\"file\":\"".to_owned() + &"x".repeat(LONGEST as usize + 10);
        let text = [&line("a", "1", "error"), &long, "\n", &line("b", "2", "note")].concat();
        let (known, whole) = read(text.as_bytes()).unwrap().unwrap();
        assert_eq!((known.0.len(), whole as usize), (2, text.len()));
        let (known, whole) = read((line("a", "1", "error") + &long).as_bytes()).unwrap().unwrap();
        assert_eq!((known.0.len(), whole as usize), (1, line("a", "1", "error").len()));
    }

    #[test]
    fn what_is_no_file_of_results_is_told_apart() {
        for other in ["G28\n", "G28", "[]\n", "{\"profile\":1}\n", "\n", "\0\0\0"] {
            assert!(read(other.as_bytes()).unwrap().is_none(), "{other:?}");
        }
        for torn in ["", "{", "{\"file\":", "{\"file\":\"pads.gc"] {
            let (known, whole) = read(torn.as_bytes()).unwrap().expect("the beginning of results");
            assert!(known.0.is_empty() && whole == 0, "{torn:?}");
        }
    }
}

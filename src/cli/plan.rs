//! What the command line means once the files, the profile and the system are known.

use std::collections::{HashMap, HashSet};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use meltwright::error::{Error, Result};
use meltwright::pipeline::{Options, Passes};
use meltwright::profile::{Env, Found, Profile, find};
use meltwright::source::Input;

use super::apart::{self, Identity, Written, behind_links, is_dash, is_same_file, written_over};
use super::args::{AuditArgs, HookArgs, Loudness, ProfileChoice, RewriteArgs, Strictness};
use super::folders::{Wanted, is_folder, none_in, sliced_in, unread};
use super::output::{self, Stream};
use super::targets::{self, place_below};

/// Where a file comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Source {
    /// Standard input.
    Stdin,
    /// A path.
    File(PathBuf),
    /// A folder below one that was named, which cannot be read, and why not.
    Unread(PathBuf, io::ErrorKind),
}

impl Source {
    /// What was typed: `-` is standard input.
    pub fn typed(path: &Path) -> Self {
        if is_dash(path) { Self::Stdin } else { Self::File(path.to_owned()) }
    }

    /// Its path, if it has one.
    pub fn path(&self) -> Option<&Path> {
        match self {
            Self::Stdin => None,
            Self::File(path) | Self::Unread(path, _) => Some(path),
        }
    }

    /// Opens it.
    ///
    /// # Errors
    /// As [`Input::open`] and [`Input::spooled`]; always for a folder that cannot be read.
    pub fn open(&self) -> Result<Input> {
        match self {
            Self::Stdin => Input::spooled(&mut io::stdin().lock()),
            Self::File(path) => Input::open(path),
            Self::Unread(folder, why) => Err(unread(folder, (*why).into())),
        }
    }

    /// Name for people.
    pub fn name(&self) -> String {
        match self {
            Self::Stdin => "standard input".to_owned(),
            Self::File(path) | Self::Unread(path, _) => path.display().to_string(),
        }
    }

    /// Whether it is a folder that cannot be read, and so counts as no file.
    pub fn is_unread(&self) -> bool {
        matches!(self, Self::Unread(..))
    }
}

/// A source, and the folder that was named for it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Given {
    /// The source.
    pub source: Source,
    /// `None`: it was named itself.
    pub folder: Option<PathBuf>,
}

impl Given {
    /// Its name for results in a folder: its path below the folder that was named, or that of the file alone.
    pub fn name(&self) -> Option<&Path> {
        let path = self.source.path()?;
        match &self.folder {
            Some(folder) => path.strip_prefix(folder).ok(),
            None => path.file_name().map(Path::new),
        }
    }
}

/// Where the result goes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Sink {
    /// Nothing is rewritten: the file is only judged.
    Audit,
    /// The result is made and thrown away.
    Nowhere,
    /// Standard output.
    Stdout,
    /// A file, which may exist and may be the source.
    File(PathBuf),
}

/// A profile and where it was found.
#[derive(Clone, Debug)]
pub struct Chosen {
    /// The values.
    pub profile: Profile,
    /// Where they come from, in words.
    pub origin: String,
    /// The file they stand in; `None` for the embedded defaults.
    pub path: Option<PathBuf>,
}

/// One file to work on.
#[derive(Clone, Debug)]
pub struct Job {
    /// Where it comes from.
    pub source: Source,
    /// Where the result goes.
    pub sink: Sink,
    /// With which profile.
    pub profile: Arc<Chosen>,
    /// Both files are executed on the virtual machine afterwards.
    pub replay: bool,
    /// Where the report goes, if one is wanted.
    pub html: Option<PathBuf>,
    /// Folders to be made before its result is written.
    pub folders: Arc<Wanted>,
}

impl Job {
    /// Files that nothing else may be written over: its G-code, read and written, and its profile.
    fn files(&self) -> impl Iterator<Item = &Path> {
        self.source.path().into_iter().chain(self.target()).chain(self.profile.path.as_deref())
    }

    /// The file that the result goes to, if it goes to one.
    pub fn target(&self) -> Option<&Path> {
        if let Sink::File(path) = &self.sink { Some(path) } else { None }
    }
}

/// How much is said.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Detail {
    /// The headline.
    Headline,
    /// What most people want to know.
    Normal,
    /// Everything.
    All,
}

/// Where JSON goes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Json {
    /// Standard output.
    Stdout,
    /// A file.
    File(PathBuf),
}

/// All that `rewrite` and `audit` need.
#[derive(Debug)]
pub struct Plan {
    /// Files, in the order they are reported.
    pub jobs: Vec<Job>,
    /// How they are worked on.
    pub options: Options,
    /// Threads; `None`: one for each core.
    pub threads: Option<u16>,
    /// How much is said.
    pub detail: Detail,
    /// Where the text goes.
    pub text: Stream,
    /// Where the JSON goes, if wanted.
    pub json: Option<Json>,
    /// Whether bars may be drawn.
    pub bars: bool,
}

impl Plan {
    /// How many of the jobs are about files, and not about folders that cannot be read.
    pub fn files(&self) -> usize {
        self.jobs.iter().filter(|job| !job.source.is_unread()).count()
    }

    /// What `meltwright rewrite` was asked to do.
    ///
    /// # Errors
    /// [`meltwright::error::ErrorKind::Usage`] where files and options do not fit; the profile's own errors.
    pub fn rewrite(args: &RewriteArgs) -> Result<Self> {
        let given = given(&args.files, args.output.as_deref(), false)?;
        let mut wanted = Wanted::default();
        let sinks = if args.dry_run {
            vec![Sink::Nowhere; given.len()]
        } else if args.in_place {
            targets::in_place(&given)?
        } else {
            targets::elsewhere(&given, args.output.as_deref(), &mut wanted)?
        };
        let gcode_out = sinks.contains(&Sink::Stdout);
        if gcode_out && floods(args.output.as_deref(), output::is_shown()) {
            return Err(Error::usage(
                "all of the G-code would go to this terminal",
                "write it to a file with -o, replace the file with --in-place, or see what would change with --dry-run; \
                 -o - shows the G-code here all the same",
            ));
        }
        let json = args.json.as_deref().map(json);
        if gcode_out && json == Some(Json::Stdout) {
            return Err(Error::usage(
                "G-code and JSON cannot both go to standard output",
                "write the G-code to a file with -o, or the JSON with --json PATH",
            ));
        }
        let names = names(&given);
        let mut jobs = jobs(given, sinks, &args.profile, args.replay)?;
        reports(&mut jobs, &names, args.html.as_deref(), wanted)?;
        json_apart(json.as_ref(), &jobs)?;
        let hash = names_input(&args.loudness, json.as_ref()) || args.html.is_some();
        Ok(Self {
            jobs,
            options: Options { course: args.html.is_some(), ..options(args.chosen.passes, &args.strictness, hash) },
            threads: args.workers.threads,
            detail: detail(&args.loudness),
            text: text(gcode_out, json.as_ref()),
            json,
            bars: !args.loudness.quiet,
        })
    }

    /// What `meltwright audit` was asked to do.
    ///
    /// # Errors
    /// As [`Plan::rewrite`].
    pub fn audit(args: &AuditArgs) -> Result<Self> {
        let given = given(&args.files, None, args.jsonl.is_some())?;
        let sinks = vec![Sink::Audit; given.len()];
        let json = args.json.as_deref().or(args.jsonl.as_deref()).map(json);
        let names = names(&given);
        let mut jobs = jobs(given, sinks, &args.profile, false)?;
        reports(&mut jobs, &names, args.html.as_deref(), Wanted::default())?;
        json_apart(json.as_ref(), &jobs)?;
        let course = args.html.is_some();
        // Who names the input in full is told all else in full, too.
        let foretell = names_input(&args.loudness, json.as_ref()) || course;
        Ok(Self {
            jobs,
            options: Options { course, foretell, ..options(Passes::ALL, &args.strictness, foretell) },
            threads: args.workers.threads,
            detail: detail(&args.loudness),
            text: text(false, json.as_ref()),
            json,
            bars: !args.loudness.quiet,
        })
    }
}

/// The one job of `meltwright hook`.
///
/// # Errors
/// As [`Plan::rewrite`].
pub fn hook(args: &HookArgs) -> Result<(Job, Options)> {
    let file = args.file.clone().unwrap_or_default();
    targets::check_replaceable(&file, "have the slicing program call the hook with the path of the sliced file")?;
    let source = Source::File(file.clone());
    let sink = Sink::File(file);
    let profile = Arc::new(choose(&args.profile, source.path())?);
    let job = Job { source, sink, profile, replay: false, html: None, folders: Arc::default() };
    Ok((job, options(args.chosen.passes, &args.strictness, args.report.is_some() || args.report_beside)))
}

/// Finds and reads the profile that applies to `gcode`.
///
/// # Errors
/// [`meltwright::error::ErrorKind::Usage`] if a named profile is missing, [`ErrorKind::Profile`] with all its faults.
pub fn choose(choice: &ProfileChoice, gcode: Option<&Path>) -> Result<Chosen> {
    let found = find(choice.profile.as_deref(), gcode, &Env::from_process())?;
    load(&found, choice)
}

fn load(found: &Found, choice: &ProfileChoice) -> Result<Chosen> {
    let profile = found.load(&choice.assignments)?;
    let mut origin = found.to_string();
    match choice.assignments.len() {
        0 => {}
        1 => origin.push_str(", 1 value from the command line"),
        n => origin.push_str(&format!(", {n} values from the command line")),
    }
    Ok(Chosen { profile, origin, path: found.path().map(Path::to_owned) })
}

fn jobs(given: Vec<Given>, sinks: Vec<Sink>, choice: &ProfileChoice, replay: bool) -> Result<Vec<Job>> {
    let env = Env::from_process();
    // Files in one folder share a profile; it is read once.
    let mut known: Vec<(Found, Arc<Chosen>)> = Vec::new();
    let mut jobs = Vec::with_capacity(given.len());
    for (Given { source, .. }, sink) in given.into_iter().zip(sinks) {
        let found = find(choice.profile.as_deref(), source.path(), &env)?;
        let profile = match known.iter().find(|(other, _)| *other == found) {
            Some((_, profile)) => Arc::clone(profile),
            None => {
                let profile = Arc::new(load(&found, choice)?);
                known.push((found, Arc::clone(&profile)));
                profile
            }
        };
        let job = Job { source, sink, profile, replay, html: None, folders: Arc::default() };
        if let (Some(target), Some(profile)) = (job.target(), &job.profile.path)
            && is_same_file(target, profile)
        {
            return Err(written_over(profile, "G-code", "-o pads-screw.gcode"));
        }
        jobs.push(job);
    }
    Ok(jobs)
}

/// Names of the files for results in a folder; of standard input there is none.
fn names(given: &[Given]) -> Vec<Option<PathBuf>> {
    given.iter().map(|given| given.name().map(Path::to_owned)).collect()
}

/// Says where the report of each job goes, to a file, or into a folder by the name of its G-code for results there, and which
/// folders are `wanted` for all.
fn reports(jobs: &mut [Job], names: &[Option<PathBuf>], html: Option<&Path>, mut wanted: Wanted) -> Result<()> {
    let into = html.filter(|html| is_folder(html));
    into.map_or(Ok(()), |html| wanted.add(html))?;
    if html.is_some_and(is_dash) {
        return Err(Error::usage(
            "a report cannot go to standard output",
            "name a file, for example --html report.html",
        ));
    }
    if jobs.len() > 1 && html.is_some() && into.is_none() {
        return Err(Error::usage(
            "reports of several files cannot go to one file",
            "pass --html with a folder, such as reports/",
        ));
    }
    let mut taken_names = HashSet::new();
    for (job, name) in jobs.iter_mut().zip(names).filter(|(job, _)| !job.source.is_unread()) {
        let Some(folder) = into else {
            job.html = html.map(Path::to_owned);
            continue;
        };
        let name = name.as_deref().unwrap_or(Path::new("report"));
        // Not `with_extension`: a name may hold further dots.
        let mut page = name.file_stem().unwrap_or_default().to_owned();
        page.push(".html");
        let name = name.with_file_name(page);
        job.html = Some(place_below(folder, &name, &mut wanted)?);
        if let Some(twice) = taken_names.replace(name) {
            return Err(Error::usage(
                format!("two of the reports would be called {}", twice.display()),
                "audit the files one after the other into different folders",
            ));
        }
    }
    let wanted = Arc::new(wanted);
    jobs.iter_mut().for_each(|job| job.folders = Arc::clone(&wanted));
    // Of thousands of files each is looked up once.
    let taken: HashMap<Identity, &Path> =
        jobs.iter().flat_map(Job::files).map(|path| (Identity::of(path), path)).collect();
    let mut reports = jobs.iter().filter_map(|job| job.html.as_deref());
    match reports.find_map(|path| taken.get(&Identity::of(path))) {
        Some(file) => Err(written_over(file, "report", "--html report.html")),
        None => Ok(()),
    }
}

/// Whether JSON goes to a file of its own.
fn json_apart(json: Option<&Json>, jobs: &[Job]) -> Result<()> {
    let Some(Json::File(json)) = json else { return Ok(()) };
    let reports = jobs.iter().filter_map(|job| job.html.as_deref());
    apart::check([Written::json(Some(json))], jobs.iter().flat_map(Job::files).chain(reports))
}

/// What was named, each once.
fn named(files: &[PathBuf]) -> Result<Vec<Source>> {
    let sources: Vec<Source> = files.iter().map(|path| Source::typed(path)).collect();
    let mut seen = HashSet::new();
    for source in &sources {
        let identity = source.path().map(behind_links);
        if !seen.insert(identity) {
            return Err(Error::usage(format!("{} is given twice", source.name()), "name each file once"));
        }
    }
    Ok(sources)
}

/// Puts the sliced files of folders in their place; a file that was named as well comes once. Of what is in `results`, the
/// folder where results go, nothing is taken. A queue may be empty.
fn given(files: &[PathBuf], results: Option<&Path>, is_queue: bool) -> Result<Vec<Given>> {
    let sources = named(files)?;
    let mut all = Vec::with_capacity(sources.len());
    let mut seen: HashSet<PathBuf> = sources.iter().filter_map(Source::path).map(behind_links).collect();
    for source in sources {
        match source.path() {
            Some(folder) if folder.is_dir() => {
                let found = sliced_in(folder, results)?;
                if found.is_empty() && !is_queue {
                    return Err(none_in(folder, results));
                }
                let is_new = |found: &Source| found.path().is_none_or(|path| seen.insert(behind_links(path)));
                let of_folder = |source| Given { source, folder: Some(folder.to_owned()) };
                all.extend(found.into_iter().filter(is_new).map(of_folder));
            }
            _ => all.push(Given { source, folder: None }),
        }
    }
    Ok(all)
}

/// Where JSON goes.
pub fn json(path: &Path) -> Json {
    if is_dash(path) { Json::Stdout } else { Json::File(path.to_owned()) }
}

/// Text stays out of the way of anything a program may read.
pub fn text(gcode_out: bool, json: Option<&Json>) -> Stream {
    if gcode_out || json == Some(&Json::Stdout) { Stream::Err } else { Stream::Out }
}

/// Whether the locale names another character set than UTF-8.
pub fn locale_is_plain() -> bool {
    let named = ["LC_ALL", "LC_CTYPE", "LANG"].into_iter().filter_map(std::env::var_os).find(|value| !value.is_empty());
    named.is_some_and(|locale| !is_utf8(&locale.to_string_lossy()))
}

/// Whether a locale such as `de_DE.UTF-8`, or `UTF-8` alone, names that character set.
fn is_utf8(locale: &str) -> bool {
    let set = locale.split('@').next().and_then(|name| name.rsplit('.').next()).unwrap_or_default();
    set.eq_ignore_ascii_case("utf-8") || set.eq_ignore_ascii_case("utf8")
}

/// Whether G-code would go to a terminal, and nobody said so.
fn floods(named: Option<&Path>, is_shown: bool) -> bool {
    is_shown && named.is_none()
}

/// How much was asked for.
pub fn detail(loudness: &Loudness) -> Detail {
    match loudness {
        Loudness { quiet: true, .. } => Detail::Headline,
        Loudness { verbose: true, .. } => Detail::All,
        _ => Detail::Normal,
    }
}

/// Whether the account will name the input by its hash.
fn names_input(loudness: &Loudness, json: Option<&Json>) -> bool {
    json.is_some() || detail(loudness) == Detail::All
}

fn options(passes: Passes, strictness: &Strictness, hash: bool) -> Options {
    Options { passes, lenient: strictness.lenient, again: strictness.again, hash, ..Options::default() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_terminal_is_flooded_on_request_alone() {
        assert!(floods(None, true) && !floods(None, false));
        assert!(!floods(Some(Path::new("-")), true) && !floods(Some(Path::new("-")), false));
    }

    #[test]
    fn locales() {
        for (locale, utf8) in [
            ("de_DE.UTF-8", true),
            ("C.utf8", true),
            ("UTF-8", true),
            ("de_DE.UTF-8@euro", true),
            ("C", false),
            ("POSIX", false),
            ("de_DE@euro", false),
            ("de_DE.ISO-8859-1", false),
        ] {
            assert_eq!(is_utf8(locale), utf8, "{locale}");
        }
    }
}

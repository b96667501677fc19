//! `meltwright hook`: called by a slicing program with the path of a temporary file.
//!
//! Nothing on standard output; nothing at all on success unless asked; an exit code other than 0 only when the
//! file was left as it was. The name of the file is a passing one, shown only where something is wrong.

use std::ffi::OsString;
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use meltwright::error::{Error, Result};
use meltwright::pipeline::Passes;
use meltwright::profile::Assignment;
use meltwright::summary::Summary;

use super::write_text;
use crate::cli::apart::{self, Written};
use crate::cli::args::HookArgs;
use crate::cli::folders;
use crate::cli::plan::{self, Detail};
use crate::cli::progress::Progress;
use crate::cli::render::summary::{self, Tense};
use crate::cli::{Exit, output, work};

/// Rewrites one file in place.
pub fn run(args: &HookArgs) -> Exit {
    if args.install_help {
        return install_help(args);
    }
    let rewritten = plan::hook(args).and_then(|(job, options)| {
        let mut kept = kept(args)?;
        let report = report(args, kept.as_ref().map(|kept| kept.path.as_path()), job.profile.path.as_deref())?;
        let summary = work::one(&job, &options, &Progress::new(args.verbose))?;
        if let Some(kept) = &mut kept {
            // What went through unchanged is no original.
            kept.is_original = !summary.provenance.passes.is_empty();
        }
        Ok((summary, report))
    });
    match rewritten {
        Ok((summary, report)) => {
            tell(args, &summary, report.as_deref());
            Exit::Done
        }
        Err(error) => {
            output::hook_error(&error);
            Exit::from(&error)
        }
    }
}

/// A copy of the file as it came, gone again unless the file was rewritten.
struct Kept {
    path: PathBuf,
    is_original: bool,
    /// The folder was made for it.
    in_new: Option<PathBuf>,
}

impl Drop for Kept {
    fn drop(&mut self) {
        if !self.is_original {
            let _ = fs::remove_file(&self.path);
            // Another hook may keep its file there by now: a folder that is not empty stays.
            let _ = self.in_new.as_ref().map(fs::remove_dir);
        }
    }
}

/// Keeps a copy of the file, where that was asked for, under a name that no other file has. Without it nothing is rewritten.
fn kept(args: &HookArgs) -> Result<Option<Kept>> {
    let (Some(folder), Some(file)) = (&args.keep, &args.file) else { return Ok(None) };
    let failed = |path: &Path| {
        let path = path.to_owned();
        move |error| Error::io("keep a copy of the file", error).in_file(&path)
    };
    let mut original = File::open(file).map_err(|error| Error::io("open the file", error).in_file(file))?;
    let in_new = (!folder.exists()).then(|| folder.clone());
    folders::make_named_folder(folder, "name a folder for --keep: each file is kept there under its own name")?;
    for number in 1_u32.. {
        let path = folder.join(numbered(file, number));
        let mut copy = match File::create_new(&path) {
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => continue,
            opened => opened.map_err(failed(&path))?,
        };
        let kept = Kept { path, is_original: false, in_new };
        let copied = io::copy(&mut original, &mut copy);
        // Some systems remove no open file.
        drop(copy);
        copied.map_err(failed(&kept.path))?;
        return Ok(Some(kept));
    }
    Ok(None)
}

/// The name of a file; from the second on with its number before the ending: `pads-2.gcode`.
fn numbered(file: &Path, number: u32) -> OsString {
    let name = file.file_name().unwrap_or_default();
    if number == 1 {
        return name.to_owned();
    }
    let mut numbered = Path::new(name).file_stem().unwrap_or_default().to_owned();
    numbered.push(format!("-{number}"));
    if let Some(ending) = Path::new(name).extension() {
        numbered.push(".");
        numbered.push(ending);
    }
    numbered
}

/// Where the report goes, if one is wanted: never over the file, its kept original or the profile.
fn report(args: &HookArgs, kept: Option<&Path>, profile: Option<&Path>) -> Result<Option<PathBuf>> {
    let Some(file) = &args.file else { return Ok(None) };
    let to = match &args.report {
        Some(path) if folders::is_folder(path) => {
            path.join(with_ending(Path::new(file.file_name().unwrap_or_default()), ".txt"))
        }
        Some(path) => path.clone(),
        None if args.report_beside => with_ending(file, ".report.txt"),
        None => return Ok(None),
    };
    let read = [Some(file.as_path()), kept, profile].into_iter().flatten();
    apart::check([Written::new("report", Some(&to), "--report report.txt")], read)?;
    Ok(Some(to))
}

/// Not `with_extension`: a name may hold further dots.
fn with_ending(path: &Path, ending: &str) -> PathBuf {
    let mut path = path.to_owned();
    path.as_mut_os_string().push(ending);
    path
}

/// Prints the line to be entered in the slicing program.
fn install_help(args: &HookArgs) -> Exit {
    let program = std::env::current_exe().unwrap_or_else(|_| PathBuf::from("meltwright"));
    let text = format!(
        "Enter this line as the post-processing command of the slicing program:\n\n    {} {}\n\n\
         The slicing program adds the path of the file. All options given here stand in the line.\n\
         Try it on a copy of a sliced file first: the line with the path of the copy behind it.\n",
        quoted(&program.to_string_lossy(), cfg!(windows)),
        line(args)
    );
    // A line by which every file would fail is of no help.
    match plan::choose(&args.profile, None).and_then(|_| output::to_stdout(&text)) {
        Ok(()) => Exit::Done,
        Err(error) => {
            output::hook_error(&error);
            Exit::from(&error)
        }
    }
}

/// What follows the program in the line to be entered.
fn line(args: &HookArgs) -> String {
    let quoted = |word: &str| quoted(word, cfg!(windows));
    let mut words = vec!["hook".to_owned()];
    for (name, path) in [("--profile", &args.profile.profile), ("--keep", &args.keep), ("--report", &args.report)] {
        if let Some(path) = path {
            // The slicing program runs it in a folder of its own.
            let path = std::path::absolute(path).unwrap_or_else(|_| path.clone());
            words.extend([name.to_owned(), quoted(&path.to_string_lossy())]);
        }
    }
    for Assignment { key, value_text } in &args.profile.assignments {
        words.extend(["--set".to_owned(), quoted(&format!("{key}={value_text}"))]);
    }
    if args.chosen.passes != Passes::ALL {
        let names = if args.chosen.passes.is_none() { "none".to_owned() } else { args.chosen.passes.names().join(",") };
        words.extend(["--passes".to_owned(), names]);
    }
    let flags = [
        ("--report-beside", args.report_beside),
        ("--lenient", args.strictness.lenient),
        ("--again", args.strictness.again),
        ("--verbose", args.verbose),
    ];
    words.extend(flags.into_iter().filter(|(_, on)| *on).map(|(name, _)| name.to_owned()));
    words.join(" ")
}

/// A word as the shell of the system reads it back: quotes only where they are needed.
fn quoted(word: &str, windows: bool) -> String {
    let plain = |c: char| c.is_alphanumeric() || "/._-+=:,@%".contains(c) || windows && c == '\\';
    if !word.is_empty() && word.chars().all(plain) {
        return word.to_owned();
    }
    if !windows {
        return format!("'{}'", word.replace('\'', "'\\''"));
    }
    // Backslashes at the end are doubled, so that none takes the closing quote for its own.
    let at_end = word.len() - word.trim_end_matches('\\').len();
    format!("\"{}{}\"", word.replace('"', "\\\""), "\\".repeat(at_end))
}

/// The file is rewritten by now, so that nothing here may fail the run.
fn tell(args: &HookArgs, found: &Summary, report: Option<&Path>) {
    // The report of the run that rewrote it stays.
    let is_unchanged = found.provenance.passes.is_empty();
    if let Some(path) = report.filter(|path| !(is_unchanged && path.exists())) {
        let text = summary::text(None, found, Detail::All, Tense::Was);
        // Only now: nothing is left behind where nothing was rewritten.
        let folder = args.report.as_deref().filter(|report| folders::is_folder(report));
        if let Err(error) =
            folder.map_or(Ok(()), folders::make_folder).and_then(|()| write_text(path, &output::worded(&text)))
        {
            output::warning(&format!(
                "the file was rewritten, but its report could not be written to {}: {error}; \
                 make that folder, or name another path for --report",
                path.display()
            ));
        }
    }
    if args.verbose {
        output::to_stderr(&summary::text(None, found, Detail::Normal, Tense::Was));
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::{numbered, quoted};

    #[test]
    fn names_of_kept_files() {
        for (file, second) in [("a/pads.gcode", "pads-2.gcode"), (".4711.gcode.pp", ".4711.gcode-2.pp"), ("x", "x-2")] {
            assert_eq!(numbered(Path::new(file), 2), second);
        }
        assert_eq!(numbered(Path::new("a/pads.gcode"), 1), "pads.gcode");
    }

    #[test]
    fn words_are_quoted_where_a_shell_would_split_them() {
        assert_eq!(quoted("/usr/bin/meltwright", false), "/usr/bin/meltwright");
        assert_eq!(quoted("/home/jo/my tools/x", false), "'/home/jo/my tools/x'");
        assert_eq!(quoted("/home/o'neil/x", false), "'/home/o'\\''neil/x'");
        assert_eq!(quoted("/home/jö/profil.toml", false), "/home/jö/profil.toml");
        assert_eq!(quoted(r"C:\Program Files\x.exe", true), "\"C:\\Program Files\\x.exe\"");
        assert_eq!(quoted(r"C:\x.exe", true), r"C:\x.exe");
        assert_eq!(quoted(r"D:\my originals\", true), r#""D:\my originals\\""#);
        assert_eq!(quoted(r#"feedstock.name="lot 4""#, true), r#""feedstock.name=\"lot 4\"""#);
    }
}

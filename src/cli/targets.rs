//! Where the results of a rewrite go.

use std::collections::{HashMap, HashSet};
use std::path::{Path, PathBuf};

use meltwright::error::{Error, Result};

use super::apart::{Identity, is_dash, is_same_file};
use super::folders::{Wanted, is_folder};
use super::plan::{Given, Sink, Source};

/// Each file is replaced.
///
/// # Errors
/// [`meltwright::error::ErrorKind::Usage`] for what cannot be replaced.
pub fn in_place(given: &[Given]) -> Result<Vec<Sink>> {
    let sink = |given: &Given| match &given.source {
        Source::Stdin => Err(Error::usage(
            "standard input cannot be rewritten in place",
            "name the file, or write to a new one with -o",
        )),
        Source::Unread(..) => Ok(Sink::Nowhere),
        Source::File(path) => {
            check_replaceable(path, "name the G-code files themselves, or the folder they are in")?;
            Ok(Sink::File(path.clone()))
        }
    };
    given.iter().map(sink).collect()
}

/// A folder or a pipe cannot be replaced by what is made of it; reading a pipe would wait for its writer, too.
///
/// # Errors
/// [`meltwright::error::ErrorKind::Usage`] with `help` when it is one.
pub fn check_replaceable(path: &Path, help: &str) -> Result<()> {
    if path.exists() && !path.is_file() {
        return Err(Error::usage(
            format!("{} is not a regular file and cannot be rewritten in place", path.display()),
            help,
        ));
    }
    Ok(())
}

/// The results go to `output`, a file, a folder or a stream; folders that are not there are `wanted`.
///
/// # Errors
/// [`meltwright::error::ErrorKind::Usage`] when they cannot all go there, or would go over what is read.
pub fn elsewhere(given: &[Given], output: Option<&Path>, wanted: &mut Wanted) -> Result<Vec<Sink>> {
    // Of a folder as well that holds one file today.
    let of_folder = given.iter().any(|given| given.folder.is_some());
    let is_one = given.len() == 1 && !of_folder;
    let several = || {
        let what = if of_folder { "the files of a folder" } else { "several files" };
        let help = "pass --in-place, or -o with a folder, such as ready/";
        Err(Error::usage(format!("{what} cannot go to one place"), help))
    };
    let sinks = match output {
        Some(output) if is_folder(output) => {
            wanted.add(output)?;
            into_folder(given, output, wanted)?
        }
        _ if !is_one => return several(),
        Some(output) if !is_dash(output) => vec![Sink::File(output.to_owned())],
        _ => vec![Sink::Stdout],
    };
    check_over_nothing_read(given, &sinks)?;
    Ok(sinks)
}

/// Each under the name of its file; what a folder stands for keeps its path below that.
fn into_folder(given: &[Given], output: &Path, wanted: &mut Wanted) -> Result<Vec<Sink>> {
    let mut names = HashSet::new();
    let mut sinks = Vec::with_capacity(given.len());
    for given in given {
        if given.source.is_unread() {
            sinks.push(Sink::Nowhere);
            continue;
        }
        let Some(name) = given.name() else {
            return Err(Error::usage(
                format!("{} has no file name to use in a folder", given.source.name()),
                "pass -o with the file to write",
            ));
        };
        if !names.insert(name) {
            return Err(Error::usage(
                format!("two of the files are called {}", name.display()),
                "rewrite them one after the other into different folders",
            ));
        }
        sinks.push(Sink::File(place_below(output, name, wanted)?));
    }
    Ok(sinks)
}

/// The place of a `name`, which may be that of a file in a folder, below another folder; those that are not there are
/// `wanted`.
///
/// # Errors
/// [`meltwright::error::ErrorKind::Usage`] when a file is in the way.
pub fn place_below(folder: &Path, name: &Path, wanted: &mut Wanted) -> Result<PathBuf> {
    // Outermost first: of a file in the way, the one nearest to the folder that was named is told.
    let around: Vec<&Path> = name.ancestors().skip(1).filter(|path| !path.as_os_str().is_empty()).collect();
    around.iter().rev().try_for_each(|path| wanted.add_below(folder.join(path)))?;
    Ok(folder.join(name))
}

/// No result may go over its own file or over another one that is read.
fn check_over_nothing_read(given: &[Given], sinks: &[Sink]) -> Result<()> {
    // Of thousands of files each is looked up once.
    let read: HashMap<Identity, &Path> =
        given.iter().filter_map(|given| given.source.path()).map(|path| (Identity::of(path), path)).collect();
    for (given, sink) in given.iter().zip(sinks) {
        let Sink::File(to) = sink else { continue };
        let Some(over) = read.get(&Identity::of(to)) else { continue };
        let of_itself = given.source.path().is_some_and(|from| is_same_file(from, to));
        let (what, help) = if of_itself {
            let what = format!("{} would be written over itself", given.source.name());
            (what, "pass --in-place to replace the file, or name another one")
        } else {
            let what = format!("the result of {} would be written over {}", given.source.name(), over.display());
            (what, "name another folder with -o")
        };
        return Err(Error::usage(what, help));
    }
    Ok(())
}

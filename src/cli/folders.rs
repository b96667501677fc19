//! Folders named where files are expected, and those that are made for results.

use std::cmp::Reverse;
use std::collections::HashSet;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use meltwright::error::{Error, ErrorKind, Result};

use super::apart::behind_links;
use super::plan::Source;

/// Endings of names that sliced files have, in lower case.
const ENDINGS: [&str; 5] = ["gcode", "gco", "g", "nc", "ngc"];

/// Folders for results that are not there yet: made once there is something to put into them, and gone again where nothing
/// came.
#[derive(Debug, Default)]
pub struct Wanted {
    /// Made with the first result of all.
    named: Vec<PathBuf>,
    /// Made with the first result in them.
    below: HashSet<PathBuf>,
    /// What may be made: they themselves and the folders around them.
    missing: HashSet<PathBuf>,
}

impl Wanted {
    /// Takes note of a folder that was named.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when a file has its name.
    pub fn add(&mut self, folder: &Path) -> Result<()> {
        // Without the separator at its end, with which a file cannot be asked for.
        let bare: PathBuf = folder.components().collect();
        let help = "name a folder that is there or is to be made, or leave out what stands behind the name of the file";
        if self.is_missing(&bare, help)? {
            self.named.push(bare);
        }
        Ok(())
    }

    /// Takes note of a folder below a named one.
    ///
    /// # Errors
    /// As [`Wanted::add`].
    pub fn add_below(&mut self, folder: PathBuf) -> Result<()> {
        if !self.below.contains(&folder) && self.is_missing(&folder, "name another folder, or move the file away")? {
            self.below.insert(folder);
        }
        Ok(())
    }

    /// Whether a folder is to be made, which is noted.
    fn is_missing(&mut self, folder: &Path, help: &str) -> Result<bool> {
        if folder.is_file() {
            return Err(Error::usage(format!("{} is a file and no folder", folder.display()), help));
        }
        if folder.is_dir() {
            return Ok(false);
        }
        let around = folder.ancestors().take_while(|path| !path.as_os_str().is_empty() && !path.exists());
        self.missing.extend(around.map(Path::to_owned));
        Ok(true)
    }

    /// Makes those that are not there: all that were named, and the one below them that `target`, a result, goes into.
    ///
    /// # Errors
    /// When that cannot be done.
    pub fn make(&self, target: Option<&Path>) -> Result<()> {
        self.named.iter().try_for_each(|path| make_folder(path))?;
        let around = target.and_then(Path::parent).filter(|folder| self.below.contains(*folder));
        around.map_or(Ok(()), make_folder)
    }
}

impl Drop for Wanted {
    fn drop(&mut self) {
        let mut innermost_first: Vec<&PathBuf> = self.missing.iter().collect();
        innermost_first.sort_by_key(|path| Reverse(path.components().count()));
        for path in innermost_first {
            // One that is not empty stays.
            let _ = fs::remove_dir(path);
        }
    }
}

/// Whether a path is that of a folder: there is one, or it ends as only folders do.
pub fn is_folder(path: &Path) -> bool {
    let last = path.as_os_str().as_encoded_bytes().last();
    path.is_dir() || last.is_some_and(|byte| std::path::is_separator(char::from(*byte)))
}

/// Makes a folder with those around it, unless it is there.
///
/// # Errors
/// When that cannot be done.
pub fn make_folder(path: &Path) -> Result<()> {
    fs::create_dir_all(path).map_err(|error| Error::io("make the folder", error).in_file(path))
}

/// The same where the option asks for a folder and nothing else.
///
/// # Errors
/// When a file has its name, with `help`, or it cannot be made.
pub fn make_named_folder(path: &Path, help: &str) -> Result<()> {
    if path.is_file() {
        return Err(Error::new(ErrorKind::Usage {
            what: format!("{} is a file", path.display()),
            help: help.to_owned(),
        }));
    }
    make_folder(path)
}

/// All sliced files in and below a folder, sorted by path.
///
/// Names that begin with a dot are passed over: they are what systems and programs put beside files; so is what is no
/// file. Links to folders are not followed, so that there is an end; `results`, a folder below, is passed over.
/// A folder below that cannot be read stands for itself, so that it is told, and stops nothing else.
///
/// # Errors
/// When the folder itself cannot be read.
pub fn sliced_in(folder: &Path, results: Option<&Path>) -> Result<Vec<Source>> {
    let mut found = Vec::new();
    let results = results.and_then(|path| path.canonicalize().ok());
    walk(folder, results.as_deref(), &mut found).map_err(|error| unread(folder, error))?;
    found.sort_by(|one, other| one.path().cmp(&other.path()));
    Ok(found)
}

/// A folder cannot be read.
pub fn unread(folder: &Path, error: io::Error) -> Error {
    Error::io("look into the folder", error).in_file(folder)
}

/// No sliced file is in or below a folder that somebody named for what is in it, `results` aside.
pub fn none_in(folder: &Path, results: Option<&Path>) -> Error {
    let lies_below = |results: &Path| {
        let (results, folder) = (behind_links(results), behind_links(folder));
        results != folder && results.starts_with(folder)
    };
    let aside = results.filter(|results| results.is_dir() && lies_below(results));
    let aside =
        aside.map_or(String::new(), |results| format!(", not counting {}, where the results go", results.display()));
    Error::new(ErrorKind::Usage {
        what: format!("no G-code file is in or below {}{aside}", folder.display()),
        help: format!("name the files themselves; in folders only names that end in .{} count", ENDINGS.join(", .")),
    })
}

fn walk(folder: &Path, results: Option<&Path>, found: &mut Vec<Source>) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let path = entry.path();
        if entry.file_name().as_encoded_bytes().starts_with(b".") {
            continue;
        }
        if entry.file_type()?.is_dir() {
            if results.is_some_and(|results| path.canonicalize().is_ok_and(|path| path == results)) {
                continue;
            }
            if let Err(error) = walk(&path, results, found) {
                found.push(Source::Unread(path, error.kind()));
            }
        } else if is_sliced(&path) {
            found.push(Source::File(path));
        }
    }
    Ok(())
}

fn is_sliced(path: &Path) -> bool {
    let ending = path.extension().map(|ending| ending.to_ascii_lowercase());
    // Reading a pipe would wait for ever. A link that leads nowhere is told like a file that cannot be read.
    ending.is_some_and(|ending| ENDINGS.iter().any(|known| ending == *known))
        && fs::metadata(path).map_or(true, |found| found.is_file())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_of_a_tree_in_their_order() {
        let root = std::env::temp_dir().join(format!("meltwright-folders-{}", std::process::id()));
        let names = ["b.GCODE", "a/z.g", "a/notes.txt", ".hidden.gcode", ".trash/old.gcode", "a b/ø.nc", "gcode"];
        for name in names {
            let path = root.join(name);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, "G28\n").unwrap();
        }
        fs::create_dir_all(root.join("folder.gcode")).unwrap();
        #[cfg(unix)]
        let _socket = std::os::unix::net::UnixListener::bind(root.join("socket.gcode")).unwrap();
        let found = sliced_in(&root, None).unwrap();
        let others = sliced_in(&root, Some(&root.join("folder.gcode/../a"))).unwrap();
        let none = sliced_in(&root.join("folder.gcode"), None).unwrap();
        fs::remove_dir_all(&root).unwrap();
        let expected = ["a/z.g", "a b/ø.nc", "b.GCODE"].map(|name| Source::File(root.join(name)));
        assert_eq!(found, expected);
        assert_eq!(others, expected[1..]);
        assert!(none.is_empty(), "{none:?}");
        assert!(matches!(sliced_in(&root, None).unwrap_err().kind(), ErrorKind::Io { .. }));
    }
}

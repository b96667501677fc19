//! Folders named where files are expected, and those that are made for results.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use meltwright::error::{Error, ErrorKind, Result};

use super::plan::Source;

/// Endings of names that sliced files have, in lower case.
const ENDINGS: [&str; 5] = ["gcode", "gco", "g", "nc", "ngc"];

/// Folders that were named for results and are not there yet: made once there is something to put into them, and gone again
/// where nothing came.
#[derive(Debug, Default)]
pub struct Wanted {
    named: Vec<PathBuf>,
    /// What is made with them: they themselves and the folders around them, innermost first.
    missing: Vec<PathBuf>,
}

impl Wanted {
    /// Takes note of a folder.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when a file has its name.
    pub fn add(&mut self, folder: &Path) -> Result<()> {
        // Without the separator at its end, with which a file cannot be asked for.
        let bare: PathBuf = folder.components().collect();
        if bare.is_file() {
            let help =
                "name a folder that is there or is to be made, or leave out what stands behind the name of the file";
            return Err(Error::usage(format!("{} is a file and no folder", bare.display()), help));
        }
        if !folder.is_dir() {
            let around = folder.ancestors().take_while(|path| !path.as_os_str().is_empty() && !path.exists());
            self.missing.extend(around.map(Path::to_owned));
            self.named.push(folder.to_owned());
        }
        Ok(())
    }

    /// Makes those that are not there.
    ///
    /// # Errors
    /// When that cannot be done.
    pub fn make(&self) -> Result<()> {
        self.named.iter().try_for_each(|path| make_folder(path))
    }
}

impl Drop for Wanted {
    fn drop(&mut self) {
        for path in &self.missing {
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
/// file. Links to folders are not followed, so that there is an end. A folder below that cannot be read stands for itself,
/// so that it is told, and stops nothing else.
///
/// # Errors
/// When the folder itself cannot be read.
pub fn sliced_in(folder: &Path) -> Result<Vec<Source>> {
    let mut found = Vec::new();
    walk(folder, &mut found).map_err(|error| unread(folder, error))?;
    found.sort_by(|one, other| one.path().cmp(&other.path()));
    Ok(found)
}

/// A folder cannot be read.
pub fn unread(folder: &Path, error: io::Error) -> Error {
    Error::io("look into the folder", error).in_file(folder)
}

/// No sliced file is in or below a folder that somebody named to see what is in it.
pub fn none_in(folder: &Path) -> Error {
    Error::new(ErrorKind::Usage {
        what: format!("no G-code file is in or below {}", folder.display()),
        help: format!("name the files themselves; in folders only names that end in .{} count", ENDINGS.join(", .")),
    })
}

fn walk(folder: &Path, found: &mut Vec<Source>) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let path = entry.path();
        if entry.file_name().as_encoded_bytes().starts_with(b".") {
            continue;
        }
        if entry.file_type()?.is_dir() {
            if let Err(error) = walk(&path, found) {
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
        let found = sliced_in(&root).unwrap();
        let none = sliced_in(&root.join("folder.gcode")).unwrap();
        fs::remove_dir_all(&root).unwrap();
        let expected = ["a/z.g", "a b/ø.nc", "b.GCODE"].map(|name| Source::File(root.join(name)));
        assert_eq!(found, expected);
        assert!(none.is_empty(), "{none:?}");
        assert!(matches!(sliced_in(&root).unwrap_err().kind(), ErrorKind::Io { .. }));
    }
}

//! Folders named where files are expected.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use meltwright::error::{Error, ErrorKind, Result};

/// Endings of names that sliced files have, in lower case.
const ENDINGS: [&str; 5] = ["gcode", "gco", "g", "nc", "ngc"];

/// All sliced files in and below a folder, sorted by path.
///
/// Names that begin with a dot are passed over: they are what systems and programs put beside files; so is what is no
/// file. Links to folders are not followed, so that there is an end. A folder below that cannot be read stands for itself,
/// so that it is told like a file that cannot be read.
///
/// # Errors
/// When the folder itself cannot be read.
pub fn sliced_in(folder: &Path) -> Result<Vec<PathBuf>> {
    let mut files = Vec::new();
    walk(folder, &mut files).map_err(|error| Error::io("look into the folder", error).in_file(folder))?;
    files.sort();
    Ok(files)
}

/// No sliced file is in or below a folder that somebody named to see what is in it.
pub fn none_in(folder: &Path) -> Error {
    Error::new(ErrorKind::Usage {
        what: format!("no G-code file is in or below {}", folder.display()),
        help: format!("name the files themselves; in folders only names that end in .{} count", ENDINGS.join(", .")),
    })
}

fn walk(folder: &Path, files: &mut Vec<PathBuf>) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let path = entry.path();
        if entry.file_name().as_encoded_bytes().starts_with(b".") {
            continue;
        }
        if entry.file_type()?.is_dir() {
            if walk(&path, files).is_err() {
                files.push(path);
            }
        } else if is_sliced(&path) {
            files.push(path);
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
        let expected: Vec<PathBuf> = ["a/z.g", "a b/ø.nc", "b.GCODE"].iter().map(|name| root.join(name)).collect();
        assert_eq!(found, expected);
        assert!(none.is_empty(), "{none:?}");
        assert!(matches!(sliced_in(&root).unwrap_err().kind(), ErrorKind::Io { .. }));
    }
}

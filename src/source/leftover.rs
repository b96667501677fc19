//! Temporary files of runs that were killed before they could remove them.

use std::fs;
use std::path::Path;
use std::time::{Duration, SystemTime};

/// Start and end of the name of every temporary file; between them stand [`RANDOM`] letters and digits.
pub const PREFIX: &str = ".meltwright-";
pub const SUFFIX: &str = ".tmp";
/// Letters and digits that tell temporary files apart.
pub const RANDOM: usize = 8;

/// A temporary file is written to all the time; one that was not for so long belongs to no run any more.
const LEFT_AFTER: Duration = Duration::from_secs(3600);

/// Removes what killed runs have left in a folder. What cannot be removed stays; it harms nobody but takes room.
pub fn remove(folder: &Path) {
    let Ok(entries) = fs::read_dir(folder) else { return };
    for entry in entries.flatten() {
        if !entry.file_name().to_str().is_some_and(is_ours) {
            continue;
        }
        // Of the entry itself: a link is not followed.
        let is_left = entry.metadata().is_ok_and(|found| {
            let age = found.modified().ok().and_then(|modified| SystemTime::now().duration_since(modified).ok());
            found.is_file() && age.is_some_and(|age| age >= LEFT_AFTER)
        });
        if is_left {
            let _ = fs::remove_file(entry.path());
        }
    }
}

fn is_ours(name: &str) -> bool {
    name.strip_prefix(PREFIX)
        .and_then(|rest| rest.strip_suffix(SUFFIX))
        .is_some_and(|middle| middle.len() == RANDOM && middle.bytes().all(|byte| byte.is_ascii_alphanumeric()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs::{File, create_dir, write};

    #[test]
    fn old_temporary_files_go_and_nothing_else() {
        let folder = tempfile::tempdir().unwrap();
        let old = SystemTime::now() - LEFT_AFTER - Duration::from_secs(60);
        let make = |name: &str, modified: SystemTime| {
            let path = folder.path().join(name);
            write(&path, "half").unwrap();
            File::options().write(true).open(&path).unwrap().set_modified(modified).unwrap();
        };
        let gone = ".meltwright-Ab3dEf9h.tmp";
        let stay = [
            ".meltwright-notes.tmp",
            ".meltwright-Ab3dEf9h.tmp.gcode",
            ".meltwright-Ab3dEf-h.tmp",
            "meltwright-Ab3dEf9h.tmp",
            "pads.gcode",
        ];
        make(gone, old);
        stay.iter().for_each(|name| make(name, old));
        make(".meltwright-00000000.tmp", SystemTime::now());
        create_dir(folder.path().join(".meltwright-11111111.tmp")).unwrap();
        remove(folder.path());
        assert!(!folder.path().join(gone).exists());
        assert!(stay.iter().all(|name| folder.path().join(name).exists()));
        assert!(folder.path().join(".meltwright-00000000.tmp").exists(), "a run may still be writing to it");
        assert!(folder.path().join(".meltwright-11111111.tmp").exists(), "a folder is none of ours");
    }
}

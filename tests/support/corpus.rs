//! Where the collection of real files is: `MELTWRIGHT_CORPUS`, or `../shared/corpus/files` beside the crate.

use std::path::{Path, PathBuf};

/// The files, sorted by name. Without the folder: `None` and a loud line on the error output, or a
/// failure where `MELTWRIGHT_REQUIRE_CORPUS` is set.
pub fn files() -> Option<Vec<PathBuf>> {
    let folder = std::env::var_os("MELTWRIGHT_CORPUS")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/corpus/files"), PathBuf::from);
    let mut files: Vec<PathBuf> = match std::fs::read_dir(&folder) {
        Ok(entries) => entries.map(|entry| entry.expect("a readable folder").path()).collect(),
        Err(error) => {
            let text = format!("corpus folder {} not found: {error}", folder.display());
            assert!(std::env::var_os("MELTWRIGHT_REQUIRE_CORPUS").is_none(), "{text}");
            eprintln!("SKIPPED: {text}");
            return None;
        }
    };
    files.sort();
    assert!(!files.is_empty(), "corpus folder {} is empty", folder.display());
    Some(files)
}

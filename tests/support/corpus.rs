//! Where the collection of real files is: `MELTWRIGHT_CORPUS`, or `../shared/corpus/files` beside the crate.

use std::path::{Path, PathBuf};

/// The bytes of one of them; without it as loud as [`files`].
#[allow(dead_code, reason = "most tests take all of them")]
pub fn named(name: &str) -> Option<Vec<u8>> {
    let found = files()?.into_iter().find(|path| path.file_name().is_some_and(|found| found == name));
    if found.is_none() {
        let text = format!("{name} is not in the corpus folder");
        assert!(std::env::var_os("MELTWRIGHT_REQUIRE_CORPUS").is_none(), "{text}");
        eprintln!("SKIPPED: {text}");
    }
    found.map(|path| std::fs::read(path).expect("a readable file"))
}

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

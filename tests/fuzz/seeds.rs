//! Writes the first inputs of the fuzz targets: made files, cut short, and what the tests have as fixtures.
//!
//! `seeds FOLDER` makes one folder for each target in `FOLDER`. The same files come out on every run.

#[path = "../../benches/data/mod.rs"]
mod data;

use std::fs::{create_dir_all, read, read_dir, write};
use std::io;
use std::path::{Path, PathBuf};

/// Bytes of a made file, whole lines: a fuzzer mutates short inputs best.
const MADE_BYTES: usize = 1200;
/// Fixtures longer than this are left out.
const MOST_BYTES: usize = 8000;

fn main() -> io::Result<()> {
    let Some(to) = std::env::args_os().nth(1).map(PathBuf::from) else {
        return Err(io::Error::new(io::ErrorKind::InvalidInput, "name the folder for the inputs"));
    };
    let fixtures = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fixtures");
    let mut gcode = Vec::new();
    for (name, make) in data::KINDS {
        gcode.push((name.to_owned(), make(MADE_BYTES)));
    }
    for folder in ["gcode/ok", "gcode/bad", "gcode/controller", "gcode/motion"] {
        gcode.extend(files(&fixtures.join(folder))?);
    }
    for (name, text) in &gcode {
        save(&to, "lex", name, text)?;
        save(&to, "resolve", name, text)?;
        // One in every way of rewriting.
        for case in (0..64).filter(|case| [0, 1].contains(&(case >> 5)) && case % 3 != 1) {
            save(&to, "rewrite", &format!("{case}-{name}"), &[&[case], text.as_slice()].concat())?;
        }
    }
    for folder in ["profiles/ok", "profiles/bad"] {
        for (name, text) in files(&fixtures.join(folder))? {
            save(&to, "profile", &name, &text)?;
        }
    }
    for (name, text) in files(&fixtures.join("weigh"))? {
        save(&to, "sheet", &name, &text)?;
        let text = String::from_utf8_lossy(&text);
        let plain: String = text.lines().filter(|line| !line.starts_with('#')).map(|line| format!("{line}\n")).collect();
        save(&to, "sheet", &format!("points-{name}"), plain.replace(',', ";").replace('.', ",").as_bytes())?;
        // A few rows are enough for a curve.
        let few: String = plain.lines().take(14).map(|line| format!("{line}\n")).collect();
        save(&to, "sheet", &format!("few-{name}"), few.as_bytes())?;
    }
    Ok(())
}

/// Names and contents of the short files in a folder, in order.
fn files(folder: &Path) -> io::Result<Vec<(String, Vec<u8>)>> {
    let mut found = Vec::new();
    for entry in read_dir(folder)? {
        let path = entry?.path();
        let text = read(&path)?;
        if text.len() <= MOST_BYTES {
            found.push((path.file_name().unwrap_or_default().to_string_lossy().into_owned(), text));
        }
    }
    found.sort();
    Ok(found)
}

fn save(to: &Path, target: &str, name: &str, text: &[u8]) -> io::Result<()> {
    let folder = to.join(target);
    create_dir_all(&folder)?;
    write(folder.join(name), text)
}

//! The shape of the source tree: who may import whom, where each crate is at home, how long a file may be.
//!
//! The tables here are the rules; `DEVELOPERS.md` shows the arrows as a picture. Each check looks at a tree of files
//! given as text, so that it can be shown to fail on a made-up one.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// Modules of the library in the order of the data, lowest first, with those they import. An arrow may only lead
/// upwards in this table, so there can be no cycle.
const ARROWS: &[(&str, &[&str])] = &[
    ("units", &[]),
    ("error", &[]),
    ("findings", &[]),
    ("guide", &[]),
    ("hopper", &[]),
    ("line", &[]),
    ("source", &["error"]),
    ("profile", &["error", "findings"]),
    ("physics", &["units"]),
    ("feedstock", &["error", "physics", "profile", "units"]),
    ("moves", &["error", "findings", "line", "profile", "units"]),
    ("inspect", &["findings", "moves", "profile"]),
    ("motion", &["moves", "profile", "units"]),
    ("survey", &["motion", "moves", "units"]),
    ("demand", &["physics", "profile", "units"]),
    ("soft", &["physics", "profile", "survey", "units"]),
    ("weigh", &["demand", "error", "moves", "physics", "profile", "units"]),
    ("passes", &["demand", "motion", "moves", "profile", "soft", "units"]),
    ("replay", &["demand", "error", "motion", "moves", "physics", "profile", "units"]),
    ("summary", &["demand", "findings", "hopper", "inspect", "motion", "moves", "passes", "replay", "soft", "units"]),
    (
        "pipeline",
        &[
            "demand", "error", "findings", "hopper", "inspect", "line", "motion", "moves", "passes", "profile",
            "replay", "soft", "source", "summary", "survey", "units", "weigh",
        ],
    ),
    (
        "cli",
        &[
            "demand",
            "error",
            "feedstock",
            "findings",
            "hopper",
            "physics",
            "pipeline",
            "profile",
            "replay",
            "source",
            "summary",
            "units",
            "weigh",
        ],
    ),
];

/// Where each crate is at home: paths in `src` by their start. `None`: anywhere.
const HOMES: &[(&str, Option<&[&str]>)] = &[
    ("annotate_snippets", Some(&["cli/"])),
    ("clap", Some(&["cli/"])),
    ("clap_complete", Some(&["cli/"])),
    ("clap_mangen", Some(&["cli/"])),
    ("indicatif", Some(&["cli/"])),
    ("plotters", Some(&["cli/"])),
    ("schemars", None),
    ("serde_json", Some(&["cli/"])),
    ("terminal_size", Some(&["cli/output.rs"])),
    ("csv", Some(&["weigh/"])),
    ("nom", Some(&["line/"])),
    ("rayon", Some(&["pipeline/", "cli/work.rs"])),
    ("sha2", Some(&["pipeline/"])),
    ("serde_spanned", Some(&["profile/"])),
    ("toml", Some(&["profile/", "feedstock/"])),
    ("tempfile", Some(&["source/"])),
    ("memchr", None),
    ("serde", None),
    ("thiserror", None),
];

/// The files that may reach the file system.
const FILE_ACCESS: &[&str] = &["source/", "cli/", "profile/find.rs"];

/// Most lines of one file.
const MOST_LINES: usize = 600;

/// Name and text of each file.
type Tree = BTreeMap<String, String>;

/// The `.rs` files under a folder of the crate, by their path from there with `/` between the parts.
fn tree(folder: &str) -> Tree {
    fn walk(folder: &Path, into: &mut Vec<PathBuf>) {
        for entry in std::fs::read_dir(folder).expect("a readable folder") {
            let path = entry.expect("a readable entry").path();
            if path.is_dir() {
                walk(&path, into);
            } else if path.extension().is_some_and(|ending| ending == "rs") {
                into.push(path);
            }
        }
    }
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
    let mut paths = Vec::new();
    walk(&root, &mut paths);
    let name = |path: &Path| {
        let parts = path.strip_prefix(&root).expect("a path below the root").iter();
        parts.map(|part| part.to_str().expect("plain names")).collect::<Vec<_>>().join("/")
    };
    paths.iter().map(|path| (name(path), std::fs::read_to_string(path).expect("UTF-8 text"))).collect()
}

/// A tree made up of one file.
fn one(name: &str, text: &str) -> Tree {
    Tree::from([(name.to_owned(), text.to_owned())])
}

/// The lines of code, counted from 1, without comments of their own line.
fn code(text: &str) -> impl Iterator<Item = (usize, &str)> {
    text.lines().enumerate().map(|(index, line)| (index + 1, line.trim())).filter(|(_, line)| !line.starts_with("//"))
}

fn is_name(byte: u8) -> bool {
    byte.is_ascii_alphanumeric() || byte == b'_'
}

/// What follows each `word` that is not the end of a longer name or path.
fn after<'a>(line: &'a str, word: &'a str) -> impl Iterator<Item = &'a str> {
    line.match_indices(word).filter_map(move |(at, _)| {
        let free = at == 0 || !matches!(line.as_bytes()[at - 1], byte if is_name(byte) || byte == b':');
        free.then(|| &line[at + word.len()..])
    })
}

/// First names of what follows `crate::`: one name, or those of a group in braces.
fn first_names(rest: &str) -> Vec<&str> {
    let head = |text: &str| text.bytes().position(|byte| !is_name(byte)).unwrap_or(text.len());
    let Some(group) = rest.strip_prefix('{') else { return vec![&rest[..head(rest)]] };
    let (mut depth, mut names, mut start) = (0, Vec::new(), true);
    for (at, byte) in group.bytes().enumerate() {
        match byte {
            b'{' => depth += 1,
            b'}' => depth -= 1,
            b',' if depth == 0 => start = true,
            byte if start && is_name(byte) => {
                names.push(&group[at..at + head(&group[at..])]);
                start = false;
            }
            _ => {}
        }
    }
    names
}

/// The module at the top of the tree that a file belongs to; `None` for the roots of the two crates.
fn module(file: &str) -> Option<&str> {
    match file {
        "lib.rs" | "main.rs" => None,
        _ => file.split('/').next().map(|top| top.trim_end_matches(".rs")),
    }
}

/// Modules imported by each module, with a place for each; and what cannot be followed.
fn imports(tree: &Tree) -> (BTreeMap<(&str, &str), String>, Vec<String>) {
    let (mut found, mut faults) = (BTreeMap::new(), Vec::new());
    for (file, text) in tree {
        let Some(from) = module(file) else { continue };
        let is_top = !file.contains('/') || *file == format!("{from}/mod.rs");
        let mut in_tests = false;
        // A statement may go over several lines: a `use` is read up to its semicolon.
        let lines: Vec<(usize, &str)> = code(text).collect();
        for (index, (number, line)) in lines.iter().enumerate() {
            in_tests |= line.starts_with("#[cfg(test)]");
            let mut names: Vec<&str> = after(line, "crate::").flat_map(first_names).collect();
            if from == "cli" {
                names.extend(after(line, "meltwright::").flat_map(first_names));
            }
            for to in names {
                if to != from {
                    found.entry((from, to)).or_insert_with(|| format!("src/{file}:{number}"));
                }
            }
            if line.ends_with("crate::{") || line.ends_with("meltwright::{") {
                let next = lines.get(index + 1).map_or("", |next| next.1);
                faults.push(format!("src/{file}:{number}: write one `use` for each module instead of `{line} {next}`"));
            }
            let climbs = line.contains("super::super::") || is_top && !in_tests && after(line, "super::").count() > 0;
            if climbs {
                faults.push(format!("src/{file}:{number}: write this path from `crate::`: {line}"));
            }
        }
    }
    (found, faults)
}

/// What is wrong with the imports of a tree.
fn wrong_arrows(tree: &Tree, allowed: &[(&str, &[&str])]) -> Vec<String> {
    let (found, mut faults) = imports(tree);
    for ((from, to), place) in &found {
        match allowed.iter().find(|row| row.0 == *from) {
            None => faults.push(format!("{place}: module `{from}` is not in the table of arrows")),
            Some(row) if row.1.contains(to) => {}
            Some(_) => faults.push(format!("{place}: `{from}` must not import `{to}`")),
        }
    }
    faults
}

/// Uses of crates outside their homes.
fn strangers(tree: &Tree, homes: &[(&str, Option<&[&str]>)]) -> Vec<String> {
    let mut faults = Vec::new();
    for (file, text) in tree {
        for (name, home) in homes {
            let Some(home) = home else { continue };
            if home.iter().any(|start| file.starts_with(start)) {
                continue;
            }
            let path = format!("{name}::");
            for (number, line) in code(text).filter(|(_, line)| after(line, &path).count() > 0) {
                faults.push(format!("src/{file}:{number}: `{name}` is at home in {home:?}: {line}"));
            }
        }
    }
    faults
}

fn file_access(tree: &Tree) -> Vec<String> {
    let outside = tree.iter().filter(|(file, _)| !FILE_ACCESS.iter().any(|start| file.starts_with(start)));
    outside
        .flat_map(|(file, text)| code(text).map(move |found| (file, found)))
        .filter(|(_, (_, line))| {
            line.contains("std::fs") || ["fs::", "File::"].iter().any(|path| after(line, path).count() > 0)
        })
        .map(|(file, (number, line))| format!("src/{file}:{number}: files are opened in {FILE_ACCESS:?} only: {line}"))
        .collect()
}

fn unsafe_code(tree: &Tree) -> Vec<String> {
    let is_unsafe = |line: &str| after(line, "unsafe").any(|rest| !rest.bytes().next().is_some_and(is_name));
    tree.iter()
        .flat_map(|(file, text)| code(text).map(move |found| (file, found)))
        .filter(|(_, (_, line))| is_unsafe(line))
        .map(|(file, (number, line))| format!("{file}:{number}: {line}"))
        .collect()
}

fn too_long(tree: &Tree) -> Vec<String> {
    let long = tree.iter().map(|(file, text)| (file, text.lines().count())).filter(|(_, lines)| *lines > MOST_LINES);
    long.map(|(file, lines)| format!("{file}: {lines} lines, at most {MOST_LINES}; split it by meaning")).collect()
}

/// Files that no module above them names: nothing of them is compiled.
fn left_behind(tree: &Tree) -> Vec<String> {
    let folder = |path: &str| path.rsplit_once('/').map_or(String::new(), |(folder, _)| folder.to_owned());
    let is_named = |file: &str| {
        let path = file.strip_suffix("/mod.rs").or(file.strip_suffix(".rs")).unwrap_or(file);
        let line = format!("mod {};", path.rsplit('/').next().unwrap_or(path));
        let above = match folder(path) {
            root if root.is_empty() => ["lib.rs".to_owned(), "main.rs".to_owned()],
            above => [format!("{above}/mod.rs"), format!("{above}.rs")],
        };
        let texts = above.iter().filter_map(|name| tree.get(name));
        texts.flat_map(|text| text.lines()).any(|text| text.trim_start().ends_with(&line) && !text.contains("//"))
    };
    let files = tree.keys().filter(|file| !matches!(file.as_str(), "lib.rs" | "main.rs"));
    files.filter(|file| !is_named(file)).cloned().collect()
}

fn assert_none(faults: &[String]) {
    assert!(faults.is_empty(), "{} faults:\n{}", faults.len(), faults.join("\n"));
}

#[test]
fn the_table_of_arrows_has_no_cycle() {
    for (index, (from, to)) in ARROWS.iter().enumerate() {
        for name in *to {
            let at = ARROWS.iter().position(|row| row.0 == *name).unwrap_or_else(|| panic!("no module `{name}`"));
            assert!(at < index, "`{from}` imports `{name}`, which stands below it");
        }
    }
}

#[test]
fn every_import_follows_an_arrow_and_every_arrow_is_used() {
    let tree = tree("src");
    let modules: BTreeSet<&str> = tree.keys().filter_map(|file| module(file)).collect();
    assert_eq!(modules, ARROWS.iter().map(|row| row.0).collect(), "each module stands once in the table");
    assert_none(&wrong_arrows(&tree, ARROWS));
    let (found, _) = imports(&tree);
    for (from, to) in ARROWS.iter().flat_map(|row| row.1.iter().map(|to| (row.0, *to))) {
        assert!(found.contains_key(&(from, to)), "`{from}` no longer imports `{to}`: take the arrow out of the table");
    }
}

#[test]
fn wrong_imports_are_seen_however_they_are_written() {
    let cases = [
        ("line/lex.rs", "use crate::moves::Move;"),
        ("physics/screw.rs", "use crate::{units::Length, profile::Profile};"),
        ("units.rs", "    let value = crate::error::Error::new(kind);"),
        ("units.rs", "use super::error::Error;"),
        ("line/mod.rs", "use super::error::Error;"),
        ("line/edit.rs", "use super::super::error::Error;"),
        ("demand/average.rs", "use crate::{"),
        ("cli/plan.rs", "use meltwright::moves::Move;"),
        ("other.rs", "use crate::units::Length;"),
    ];
    for (file, line) in cases {
        assert_eq!(wrong_arrows(&one(file, line), ARROWS).len(), 1, "{file}: {line}");
    }
    let sound = [
        ("moves/mod.rs", "use crate::line::Block;"),
        ("moves/arc.rs", "// use crate::pipeline::run;"),
        ("physics/screw.rs", "use crate::units::{Length, VolumeFlow};"),
        ("units.rs", "#[cfg(test)]\nmod tests {\n    use super::*;\n}"),
        ("cli/render/mod.rs", "use super::plan::Plan;"),
        ("cli/plan.rs", "use crate::cli::args::Args;"),
    ];
    for (file, line) in sound {
        assert_none(&wrong_arrows(&one(file, line), ARROWS));
    }
}

#[test]
fn every_dependency_stays_at_home() {
    let manifest = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("Cargo.toml")).expect("manifest");
    let manifest: toml::Table = manifest.parse().expect("a sound manifest");
    let dependencies = manifest["dependencies"].as_table().expect("a table of dependencies");
    let named: BTreeSet<String> = dependencies.keys().map(|name| name.replace('-', "_")).collect();
    assert_eq!(named, HOMES.iter().map(|row| row.0.to_owned()).collect(), "each dependency has a home");
    assert_none(&strangers(&tree("src"), HOMES));
    for (file, line) in [("moves/notes.rs", "use nom::Parser;"), ("cli/plan.rs", "    rayon::join(a, b);")] {
        assert_eq!(strangers(&one(file, line), HOMES).len(), 1, "{file}: {line}");
    }
}

#[test]
fn files_are_opened_in_few_places() {
    assert_none(&file_access(&tree("src")));
    for line in ["use std::fs;", "    let text = fs::read(path)?;", "use std::{fs::File, io};", "let f = File::open(p)"]
    {
        assert_eq!(file_access(&one("passes/peak.rs", line)).len(), 1, "{line}");
    }
}

#[test]
fn nothing_is_unsafe_and_no_file_is_too_long() {
    for folder in ["src", "tests", "benches", "fixtures"] {
        let tree = tree(folder);
        assert_none(&too_long(&tree));
        // This file spells the word in its own rules.
        let others: Tree = tree.into_iter().filter(|(file, _)| file != "architecture.rs").collect();
        assert_none(&unsafe_code(&others));
    }
    assert_eq!(too_long(&one("a.rs", &"\n".repeat(MOST_LINES + 1))).len(), 1);
    assert_eq!(unsafe_code(&one("a.rs", "#![forbid(unsafe_code)]\nunsafe { read() }")).len(), 1);
}

#[test]
fn every_file_belongs_to_a_module() {
    assert_none(&left_behind(&tree("src")));
    let mut odd = tree("src");
    odd.insert("motion/host/cuts.rs".to_owned(), String::new());
    odd.insert("motion/stray.rs".to_owned(), String::new());
    assert_eq!(left_behind(&odd), ["motion/host/cuts.rs", "motion/stray.rs"]);
}

/// The registry of crates takes five words of at most 20 letters, and refuses a crate with others when it is published.
#[test]
fn the_words_that_find_the_crate_are_taken() {
    let manifest = include_str!("../Cargo.toml");
    let list = manifest.lines().find_map(|line| line.strip_prefix("keywords = [")).expect("keywords");
    let words: Vec<&str> = list.split('"').skip(1).step_by(2).collect();
    let is_taken = |word: &str| {
        word.len() <= 20
            && word.starts_with(|c: char| c.is_ascii_alphanumeric())
            && word.chars().all(|c| c.is_ascii_alphanumeric() || "-_+".contains(c))
    };
    assert!((1..=5).contains(&words.len()) && words.iter().all(|word| is_taken(word)), "{words:?}");
    assert!(!is_taken("additive-manufacturing") && !is_taken("") && !is_taken("3d printing"));
}

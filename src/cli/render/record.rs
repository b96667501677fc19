//! The record of a print: what it was made from and with.

use meltwright::profile::{Profile, text_literal};
use meltwright::summary::{Level, Summary};
use schemars::JsonSchema;
use serde::Serialize;

/// What a print was made from and with.
#[derive(Debug, Serialize, JsonSchema)]
pub struct Record<'a> {
    /// The program that made the record.
    tool: Tool<'a>,
    /// The file as it was sliced.
    sliced: FileRecord<'a>,
    /// What was made of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    rewritten: Option<FileRecord<'a>>,
    /// The profile in force.
    profile: ProfileRecord<'a>,
    /// Keys of values that the result depends on and that were not measured.
    assumed: Vec<&'a str>,
}

#[derive(Debug, Serialize, JsonSchema)]
struct Tool<'a> {
    name: &'a str,
    version: &'a str,
}

#[derive(Debug, Serialize, JsonSchema)]
struct FileRecord<'a> {
    file: &'a str,
    sha256: &'a str,
    bytes: u64,
    lines: u64,
    /// Fingerprint of the profile that a rewritten file was written with.
    #[serde(skip_serializing_if = "Option::is_none")]
    written_with: Option<&'a str>,
    e_unit: &'a str,
    time_s: f64,
    mass_g: f64,
    volume_mm3: f64,
    layers: u64,
    beads: u64,
    peak_demand_mm3_s: f64,
    sustained_demand_mm3_s: f64,
    /// What the peak of this file is judged by: E of a rewritten one may ask for the highest speed of the screw.
    peak_capacity_mm3_s: f64,
    /// The same of the sustained demand.
    sustained_capacity_mm3_s: f64,
    /// What was found in the file. Where E of a rewritten one leads the flow, it tells neither widths of beads nor what the
    /// part bears.
    #[serde(flatten)]
    found: Found<'a>,
}

/// What was found in a file.
#[derive(Debug, Serialize, JsonSchema)]
struct Found<'a> {
    errors: u64,
    warnings: u64,
    notes: u64,
    findings: Vec<Count<'a>>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    allowed: Vec<Count<'a>>,
}

/// How often something was found.
#[derive(Debug, Serialize, JsonSchema)]
struct Count<'a> {
    code: &'a str,
    count: u64,
}

#[derive(Debug, Serialize, JsonSchema)]
struct ProfileRecord<'a> {
    found: &'a str,
    fingerprint: &'a str,
    peak_capacity_mm3_s: f64,
    sustained_capacity_mm3_s: f64,
    values: Vec<Value>,
}

/// One value of the profile in force.
#[derive(Debug, Serialize, JsonSchema)]
pub struct Value {
    /// `section.key`.
    key: &'static str,
    /// The value, as TOML.
    value: String,
    /// `measured` or `assumed`.
    provenance: String,
    /// Where it was set.
    origin: String,
    /// Note written beside it.
    #[serde(skip_serializing_if = "Option::is_none")]
    note: Option<String>,
}

/// The profile in force, value by value.
pub fn values(profile: &Profile) -> Vec<Value> {
    let entries = profile.entries().into_iter();
    let value = entries.map(|entry| Value {
        key: entry.key,
        value: entry.value,
        provenance: entry.provenance.to_string(),
        origin: entry.origin.to_string(),
        note: entry.note,
    });
    value.collect()
}

impl<'a> Record<'a> {
    /// Gathers the record of a sliced file and of what was made of it.
    pub fn new(
        name: &'a str,
        sliced: &'a Summary,
        rewritten: Option<&'a (String, Summary)>,
        profile: &Profile,
        origin: &'a str,
    ) -> Self {
        let record = &sliced.provenance;
        let mut assumed: Vec<&str> = sliced.assumed.iter().map(|value| value.key.as_str()).collect();
        let of_output = rewritten.iter().flat_map(|(_, summary)| &summary.assumed);
        for key in of_output.map(|value| value.key.as_str()) {
            if !assumed.contains(&key) {
                assumed.push(key);
            }
        }
        Self {
            tool: Tool { name: record.tool, version: record.version },
            sliced: FileRecord::of(name, sliced),
            rewritten: rewritten.map(|(name, summary)| FileRecord::of(name, summary)),
            profile: ProfileRecord {
                found: origin,
                fingerprint: &record.profile_fingerprint,
                peak_capacity_mm3_s: record.peak_capacity_mm3_s,
                sustained_capacity_mm3_s: record.sustained_capacity_mm3_s,
                values: values(profile),
            },
            assumed,
        }
    }
}

impl<'a> Found<'a> {
    fn of(summary: &'a Summary) -> Self {
        let number = |level| summary.findings.iter().filter(|finding| finding.level == level).count() as u64;
        Self {
            errors: number(Level::Error),
            warnings: number(Level::Warning),
            notes: number(Level::Note),
            findings: summary.findings.iter().map(|f| Count { code: f.code, count: f.count }).collect(),
            allowed: summary.allowed.iter().map(|one| Count { code: one.code, count: one.count }).collect(),
        }
    }
}

impl<'a> FileRecord<'a> {
    fn of(file: &'a str, summary: &'a Summary) -> Self {
        let (figures, record) = (&summary.before, &summary.provenance);
        Self {
            file,
            sha256: &record.input_sha256,
            bytes: record.input_bytes,
            lines: record.input_lines,
            written_with: record.input_written_with.as_deref(),
            e_unit: &record.e_unit,
            time_s: figures.time_s,
            mass_g: figures.mass_g,
            volume_mm3: figures.volume_mm3,
            layers: figures.layers,
            beads: figures.beads,
            peak_demand_mm3_s: figures.peak_demand_mm3_s,
            sustained_demand_mm3_s: figures.sustained_demand_mm3_s,
            peak_capacity_mm3_s: record.peak_capacity_mm3_s,
            sustained_capacity_mm3_s: record.sustained_capacity_mm3_s,
            found: Found::of(summary),
        }
    }

    fn toml(&self, section: &str, text: &mut String) {
        let mut line = |key: &str, value: String| text.push_str(&format!("{key} = {value}\n"));
        line("file", text_literal(self.file));
        line("sha256", text_literal(self.sha256));
        line("bytes", self.bytes.to_string());
        line("lines", self.lines.to_string());
        if let Some(fingerprint) = self.written_with {
            line("written_with", text_literal(fingerprint));
        }
        line("e_unit", text_literal(self.e_unit));
        let figures = [
            ("time_s", self.time_s),
            ("mass_g", self.mass_g),
            ("volume_mm3", self.volume_mm3),
            ("peak_demand_mm3_s", self.peak_demand_mm3_s),
            ("sustained_demand_mm3_s", self.sustained_demand_mm3_s),
            ("peak_capacity_mm3_s", self.peak_capacity_mm3_s),
            ("sustained_capacity_mm3_s", self.sustained_capacity_mm3_s),
        ];
        figures.into_iter().for_each(|(key, value)| line(key, format!("{value:?}")));
        let counts = [("layers", self.layers), ("beads", self.beads)];
        counts.into_iter().for_each(|(key, value)| line(key, value.to_string()));
        let found = &self.found;
        let counts = [("errors", found.errors), ("warnings", found.warnings), ("notes", found.notes)];
        counts.into_iter().for_each(|(key, value)| line(key, value.to_string()));
        for (name, counts) in [("findings", &found.findings), ("allowed", &found.allowed)] {
            if counts.is_empty() {
                continue;
            }
            text.push_str(&format!("\n[{section}.{name}]\n"));
            counts.iter().for_each(|one| text.push_str(&format!("{} = {}\n", one.code, one.count)));
        }
    }
}

/// The record as TOML.
pub fn toml(record: &Record<'_>) -> String {
    let mut text = String::new();
    let Tool { name, version } = record.tool;
    text.push_str(&format!("[tool]\nname = {}\nversion = {}\n", text_literal(name), text_literal(version)));
    text.push_str("\n[sliced]\n");
    record.sliced.toml("sliced", &mut text);
    if let Some(rewritten) = &record.rewritten {
        text.push_str("\n[rewritten]\n");
        rewritten.toml("rewritten", &mut text);
    }
    let profile = &record.profile;
    text.push_str(&format!(
        "\n[profile]\nfound = {}\nfingerprint = {}\npeak_capacity_mm3_s = {:?}\nsustained_capacity_mm3_s = {:?}\n",
        text_literal(profile.found),
        text_literal(profile.fingerprint),
        profile.peak_capacity_mm3_s,
        profile.sustained_capacity_mm3_s
    ));
    let assumed: Vec<String> = record.assumed.iter().map(|key| format!("  {},\n", text_literal(key))).collect();
    text.push_str(&format!(
        "# The result depends on these, which were not measured.\nassumed = [\n{}]\n",
        assumed.concat()
    ));
    let mut section = "";
    for value in &profile.values {
        let (of, key) = value.key.split_once('.').unwrap_or(("", value.key));
        if of != section {
            section = of;
            text.push_str(&format!("\n[profile.values.{section}]\n"));
        }
        let note = value.note.as_deref().map_or_else(String::new, |note| format!(", note = {}", text_literal(note)));
        let Value { value, provenance, origin, .. } = value;
        text.push_str(&format!(
            "{key} = {{ value = {value}, provenance = \"{provenance}\", origin = \"{origin}\"{note} }}\n"
        ));
    }
    text
}

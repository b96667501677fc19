//! What the controller has to be set to, in words.

use meltwright::pipeline::expectations::Expectation;
use meltwright::profile::Provenance;
use schemars::JsonSchema;
use serde::Serialize;

use super::layout::{Align, Table, paragraph};

/// Settings of a controller, and what for.
#[derive(Debug, Serialize, JsonSchema)]
pub struct Sheet {
    /// Behaviour of the controller.
    pub controller: &'static str,
    /// Where the profile was found, in words.
    pub profile: String,
    /// Passes the files are rewritten with.
    pub passes: Vec<&'static str>,
    /// The settings.
    pub settings: Vec<Expectation>,
}

/// The sheet.
pub fn text(sheet: &Sheet) -> String {
    let files = match sheet.passes[..] {
        [] => "files as they were sliced".to_owned(),
        _ => format!("files rewritten with {}", sheet.passes.join(", ")),
    };
    let mut text = paragraph("", &format!("What the controller ({}) has to be set to, for {files}.", sheet.controller));
    text.push_str(&paragraph("", &format!("Profile: {}.", sheet.profile)));
    text.push('\n');
    let mut table = Table::new([Align::Left, Align::Left]);
    for one in &sheet.settings {
        table.row([one.setting, one.value.as_str()]);
    }
    text.push_str(&table.text());
    let commands: Vec<&str> = sheet.settings.iter().filter_map(|one| one.command.as_deref()).collect();
    if !commands.is_empty() {
        text.push_str("\nAs commands, for a start code\n");
        commands.iter().for_each(|command| text.push_str(&format!("  {command}\n")));
    }
    let mut assumed: Vec<&str> =
        sheet.settings.iter().filter(|one| one.provenance == Provenance::Assumed).filter_map(|one| one.key).collect();
    assumed.dedup();
    if !assumed.is_empty() {
        let words = "Compare these with the configuration of the controller before the first print, correct the profile \
            where they differ, and mark what you have read there as measured: ";
        text.push('\n');
        text.push_str(&paragraph("", &format!("{words}{}.", assumed.join(", "))));
    }
    text
}

//! `meltwright completions` and `meltwright manual`: what the shell and `man` need.

use clap::CommandFactory;
use meltwright::error::{Error, ErrorKind, Result};

use super::write_text;
use crate::cli::args::Args;
use crate::cli::shell_args::{CompletionArgs, ManualArgs};
use crate::cli::{Exit, output};

/// Prints completions.
///
/// # Errors
/// When standard output cannot be written.
pub fn completions(args: &CompletionArgs) -> Result<Exit> {
    let mut command = Args::command();
    let name = command.get_name().to_owned();
    let mut text = Vec::new();
    clap_complete::generate(args.shell, &mut command, name, &mut text);
    output::to_stdout(&String::from_utf8_lossy(&text))?;
    Ok(Exit::Done)
}

/// Writes a page for the program and one for each command, and says how many.
///
/// # Errors
/// When the folder is none, or a page cannot be written.
pub fn manual(args: &ManualArgs) -> Result<Exit> {
    if !args.folder.is_dir() {
        return Err(Error::new(ErrorKind::Usage {
            what: format!("{} is no folder", args.folder.display()),
            help: "name an existing folder for the pages, such as one named man1".to_owned(),
        }));
    }
    let mut command = Args::command();
    command.build();
    let pages = pages(&command, None);
    for (name, page) in &pages {
        write_text(&args.folder.join(format!("{name}.1")), page)?;
    }
    output::to_stdout(&format!("{} pages written to {}\n", pages.len(), args.folder.display()))?;
    Ok(Exit::Done)
}

/// Name and text of the page of a command and of all below it.
fn pages(command: &clap::Command, above: Option<&str>) -> Vec<(String, String)> {
    let own = command.get_name();
    let name = above.map_or_else(|| own.to_owned(), |above| format!("{above}-{own}"));
    let page = clap_mangen::Man::new(command.clone()).title(name.to_uppercase());
    let mut text = Vec::new();
    // Writing to memory does not fail.
    let _ = page.render(&mut text);
    let mut all = vec![(name.clone(), String::from_utf8_lossy(&text).into_owned())];
    let below = command.get_subcommands().filter(|command| command.get_name() != "help");
    all.extend(below.flat_map(|command| pages(command, Some(&name))));
    all
}

//! `meltwright completions` and `meltwright manual`: what the shell and `man` need.

use clap::CommandFactory;
use meltwright::error::Result;

use super::write_text;
use crate::cli::args::Args;
use crate::cli::folders;
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
/// When a file has the name of the folder, the folder cannot be made, or a page cannot be written.
pub fn manual(args: &ManualArgs) -> Result<Exit> {
    folders::make_named_folder(&args.folder, "name a folder for the pages, such as man1")?;
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

#[cfg(test)]
mod tests {
    use super::*;
    use clap_complete::Shell;

    /// The words that call each command, and the long options it has.
    fn commands(command: &clap::Command, above: &str) -> Vec<(String, Vec<String>)> {
        let name =
            if above.is_empty() { command.get_name().to_owned() } else { format!("{above}-{}", command.get_name()) };
        let options = command.get_arguments().filter_map(|argument| argument.get_long().map(str::to_owned)).collect();
        let below = command.get_subcommands().filter(|below| below.get_name() != "help");
        let below: Vec<_> = below.flat_map(|below| commands(below, &name)).collect();
        [vec![(name, options)], below].concat()
    }

    fn built() -> clap::Command {
        let mut command = Args::command();
        command.build();
        command
    }

    #[test]
    fn a_page_for_each_command_with_all_its_options() {
        let (pages, commands) = (pages(&built(), None), commands(&built(), ""));
        assert!(commands.len() > 18, "{}", commands.len());
        let names = |name: &(String, _)| name.0.clone();
        assert_eq!(
            pages.iter().map(|page| page.0.clone()).collect::<Vec<_>>(),
            commands.iter().map(names).collect::<Vec<_>>()
        );
        for ((name, page), (_, options)) in pages.iter().zip(&commands) {
            let title = format!(".SH NAME\n{} \\- ", name.replace('-', "\\-"));
            assert!(page.contains(&title), "{title}\n{page}");
            for option in options {
                assert!(page.contains(&format!("\\-\\-{}", option.replace('-', "\\-"))), "{name}: --{option}");
            }
            assert!(page.contains("Examples:"), "{name}");
        }
    }

    /// Calls `look` with every command and the words that call it.
    fn each(command: &mut clap::Command, above: &str, look: &mut impl FnMut(&str, &mut clap::Command)) {
        let name = format!("{above} {}", command.get_name());
        look(&name, command);
        for below in command.get_subcommands_mut().filter(|below| below.get_name() != "help") {
            each(below, &name, look);
        }
    }

    #[test]
    fn every_help_fits_a_terminal_and_has_examples_that_can_be_typed() {
        let mut seen = 0;
        each(&mut built(), "", &mut |name, command| {
            seen += 1;
            let end = command.get_after_help().map(ToString::to_string).unwrap_or_default();
            let typed = end.lines().any(|line| line.starts_with("    ") && line.contains("meltwright "));
            assert!(end.starts_with("Examples:\n") && typed, "{name}: no examples");
            for help in [command.render_help(), command.render_long_help()].map(|help| help.to_string()) {
                for line in help.lines() {
                    assert!(line.chars().count() < 100, "{name}: {line}");
                }
                // A line that is too wide would be broken, and half a command cannot be typed.
                for line in end.lines() {
                    assert!(help.lines().any(|shown| shown == line.trim_end()), "{name}: broken: {line}");
                }
            }
        });
        assert!(seen > 18, "{seen}");
    }

    #[test]
    fn completions_of_every_shell_know_every_command_and_option() {
        for shell in [Shell::Bash, Shell::Zsh, Shell::Fish, Shell::PowerShell, Shell::Elvish] {
            let mut text = Vec::new();
            clap_complete::generate(shell, &mut Args::command(), "meltwright", &mut text);
            let text = String::from_utf8(text).unwrap();
            for (name, options) in commands(&built(), "") {
                let last = name.rsplit('-').next().unwrap_or_default();
                assert!(text.contains(last), "{shell}: {name}");
                for option in options {
                    let typed = if shell == Shell::Fish { format!("-l {option}") } else { format!("--{option}") };
                    assert!(text.contains(&typed), "{shell}: {name} {typed}");
                }
            }
        }
    }
}

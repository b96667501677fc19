//! Arguments of the commands that serve the shell.

use std::path::PathBuf;

use clap::Args as ClapArgs;
use clap_complete::Shell;

const COMPLETION_EXAMPLES: &str = "\
Examples:
  For bash, for all later sessions:
    meltwright completions bash > ~/.local/share/bash-completion/completions/meltwright
  For PowerShell, for this session:
    meltwright completions powershell | Out-String | Invoke-Expression";

const MANUAL_EXAMPLES: &str = "\
Examples:
  Where man looks for the pages of one user:
    meltwright manual ~/.local/share/man/man1
    man meltwright-rewrite";

/// `meltwright completions`
#[derive(Debug, ClapArgs)]
#[command(after_help = COMPLETION_EXAMPLES)]
pub struct CompletionArgs {
    /// Shell to complete for
    #[arg(value_name = "SHELL")]
    pub shell: Shell,
}

/// `meltwright manual`
#[derive(Debug, ClapArgs)]
#[command(after_help = MANUAL_EXAMPLES)]
pub struct ManualArgs {
    /// Folder for the pages, made if need be; pages of an earlier version are replaced
    #[arg(value_name = "FOLDER")]
    pub folder: PathBuf,
}

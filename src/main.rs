//! Command-line tool: parse, run, exit code.

mod cli;

fn main() -> std::process::ExitCode {
    cli::run(std::env::args_os().collect()).into()
}

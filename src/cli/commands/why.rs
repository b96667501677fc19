//! `meltwright why`

use meltwright::error::{Error, ErrorKind, Result};
use meltwright::findings::Code;

use crate::cli::args::WhyArgs;
use crate::cli::output::Stream;
use crate::cli::render::why;
use crate::cli::{Exit, output};

/// Explains findings by their codes.
///
/// # Errors
/// When there is no such code.
pub fn run(args: &WhyArgs) -> Result<Exit> {
    let text = match &args.code {
        None => why::list(),
        Some(name) => match Code::named(name) {
            Some(code) => why::one(code),
            None => return Err(unknown(name)),
        },
    };
    output::to(Stream::Out, &text)?;
    Ok(Exit::Done)
}

fn unknown(name: &str) -> Error {
    let help = match meltwright::profile::nearest(name, Code::ALL.iter().map(|code| code.name())) {
        Some(known) => format!("did you mean {known}? `meltwright why` lists all codes"),
        None => "`meltwright why` lists all codes".to_owned(),
    };
    Error::new(ErrorKind::Usage { what: format!("there is no finding with the code {name}"), help })
}

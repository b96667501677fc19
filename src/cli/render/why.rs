//! What findings mean, without a file at hand.

use meltwright::findings::{Code, Level};

use super::layout::{Align, Table, paragraph};

/// The level in a word.
pub const fn level(level: Level) -> &'static str {
    match level {
        Level::Error => "error",
        Level::Warning => "warning",
        Level::Note => "note",
    }
}

/// All codes by level.
pub fn list() -> String {
    let mut text = String::new();
    let levels = [
        (Level::Error, "Errors: the print will fail, or the file will not run as written"),
        (Level::Warning, "Warnings: the print may suffer"),
        (Level::Note, "Notes: worth knowing"),
    ];
    for (level, title) in levels {
        let mut table = Table::new([Align::Left, Align::Left]);
        for code in Code::ALL.iter().filter(|code| code.level() == level) {
            let what = paragraph(&" ".repeat(CODE + 4), code.what());
            let mut lines = what.lines();
            table.row([format!("{:CODE$}", code.name()), lines.next().unwrap_or_default().trim().to_owned()]);
            lines.for_each(|line| table.row([String::new(), line.trim().to_owned()]));
        }
        text.push_str(&format!("{title}\n{}\n", table.text()));
    }
    text.push_str("`meltwright why CODE` tells why one of them matters and what to do.\n");
    text
}

/// Columns of the longest code.
const CODE: usize = 22;

/// One of them.
pub fn one(code: Code) -> String {
    let mut text = format!("{} ({})\n", code.name(), level(code.level()));
    for (head, words) in [("what", code.what()), ("why", code.why()), ("help", code.help())] {
        text.push_str(&paragraph(&format!("  {head:>4}: "), words));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::render::layout::WIDTH;

    #[test]
    fn every_code_stands_in_the_list_and_fits() {
        let text = list();
        assert!(text.lines().all(|line| line.chars().count() <= WIDTH), "{text}");
        for code in Code::ALL {
            assert!(text.contains(&format!("\n  {} ", code.name())), "{}", code.name());
            assert!(code.name().len() <= CODE, "{}", code.name());
            assert!(one(*code).lines().all(|line| line.chars().count() <= WIDTH));
        }
    }

    #[test]
    fn one_finding() {
        insta::assert_snapshot!(one(Code::NoHeat));
    }
}

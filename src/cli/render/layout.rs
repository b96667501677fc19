//! Columns, paragraphs and bars of plain text.

use std::ops::Range;
use std::sync::OnceLock;

/// Widest line of a report, characters.
pub const WIDTH: usize = 98;
/// Terminals that words are broken for; in narrower ones the tables would not stand anyway.
const NARROW: Range<usize> = 60..WIDTH;

/// Columns that words keep to, where that was asked for.
static COLUMNS: OnceLock<usize> = OnceLock::new();

/// Has words keep to a terminal of so many columns, where it is narrow. What goes elsewhere is never broken differently.
pub fn keep_to(columns: usize) {
    if NARROW.contains(&columns) {
        COLUMNS.get_or_init(|| columns);
    }
}

fn columns() -> usize {
    COLUMNS.get().copied().unwrap_or(WIDTH)
}

/// Where a column's text stands.
#[derive(Clone, Copy, Debug)]
pub enum Align {
    /// Words.
    Left,
    /// Numbers.
    Right,
}

/// Rows of cells, two spaces between columns, each column as wide as its widest cell.
#[derive(Debug)]
pub struct Table {
    columns: Vec<Align>,
    rows: Vec<Vec<String>>,
}

impl Table {
    /// A table with these columns.
    pub fn new(columns: impl Into<Vec<Align>>) -> Self {
        Self { columns: columns.into(), rows: Vec::new() }
    }

    /// Adds a row.
    pub fn row<S: Into<String>>(&mut self, cells: impl IntoIterator<Item = S>) {
        self.rows.push(cells.into_iter().map(Into::into).collect());
    }

    /// The text, every line indented by two. A last cell of words that is too long goes on below itself; a row of one cell
    /// runs across the columns.
    pub fn text(&self) -> String {
        let mut widths = vec![0; self.columns.len()];
        for row in self.rows.iter().filter(|row| row.len() > 1 || self.columns.len() == 1) {
            for (width, cell) in widths.iter_mut().zip(row) {
                *width = (*width).max(cell.chars().count());
            }
        }
        let mut text = String::new();
        for row in &self.rows {
            let mut line = String::new();
            for (place, ((cell, width), align)) in row.iter().zip(&widths).zip(&self.columns).enumerate() {
                line.push_str("  ");
                let at = line.chars().count();
                if place + 1 == row.len() && matches!(align, Align::Left) && at + cell.chars().count() > columns() {
                    let indent = at + cell.chars().take_while(|letter| *letter == ' ').count();
                    let wrapped = paragraph(&" ".repeat(indent), cell);
                    line.push_str(wrapped.get(at..).unwrap_or_default().trim_end());
                    continue;
                }
                match align {
                    Align::Left => line.push_str(&format!("{cell:<width$}")),
                    Align::Right => line.push_str(&format!("{cell:>width$}")),
                }
            }
            text.push_str(line.trim_end());
            text.push('\n');
        }
        text
    }
}

/// `words` broken at spaces to [`WIDTH`] or the terminal, the first line behind `first`, the others behind as many spaces.
pub fn paragraph(first: &str, words: &str) -> String {
    broken(first, words, columns())
}

fn broken(first: &str, words: &str, columns: usize) -> String {
    let indent = first.chars().count();
    let mut text = first.to_owned();
    let mut column = indent;
    for word in words.split_whitespace() {
        let width = word.chars().count();
        if column > indent {
            if column + 1 + width > columns {
                text.push('\n');
                text.push_str(&" ".repeat(indent));
                column = indent;
            } else {
                text.push(' ');
                column += 1;
            }
        }
        text.push_str(word);
        column += width;
    }
    text.push('\n');
    text
}

/// A bar of `share` of `cells` cells, padded to them; anything above zero shows.
pub fn bar(share: f64, cells: usize) -> String {
    const PARTS: [char; 8] = [' ', '▏', '▎', '▍', '▌', '▋', '▊', '▉'];
    let share = if share.is_finite() { share.clamp(0.0, 1.0) } else { 0.0 };
    let mut eighths = (share * cells as f64 * 8.0).round() as usize;
    if share > 0.0 {
        eighths = eighths.max(1);
    }
    let mut text = "█".repeat(eighths / 8);
    if let Some(part) = PARTS.get(eighths % 8).filter(|part| **part != ' ') {
        text.push(*part);
    }
    format!("{text:<cells$}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_line_up() {
        let mut table = Table::new([Align::Left, Align::Right]);
        table.row(["volume", "7 mm³"]);
        table.row(["mass", "1,000 g"]);
        table.row(["ink"]);
        assert_eq!(table.text(), "  volume    7 mm³\n  mass    1,000 g\n  ink\n");
    }

    #[test]
    fn paragraphs_keep_to_the_width() {
        let text = paragraph("  note: ", &"word ".repeat(60));
        assert!(text.lines().count() > 2);
        assert!(text.lines().all(|line| line.chars().count() <= WIDTH));
        assert!(text.lines().skip(1).all(|line| line.starts_with("        word")));
        let text = broken("  note: ", &"word ".repeat(60), 62);
        // Eleven words of four and ten spaces behind eight columns.
        assert!(text.lines().rev().skip(1).all(|line| line.chars().count() == 62), "{text}");
        let long = "x".repeat(200);
        assert_eq!(paragraph("", &long), format!("{long}\n"));
    }

    #[test]
    fn bars() {
        let cases = [(0.0, "    "), (1.0, "████"), (0.5, "██  "), (0.001, "▏   "), (9.0, "████")];
        for (share, text) in cases {
            assert_eq!(bar(share, 4), text);
        }
        assert_eq!(bar(f64::NAN, 2), "  ");
    }
}

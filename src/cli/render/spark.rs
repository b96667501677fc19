//! A row of small bars, and a report in plain ASCII.

use meltwright::summary::course::Outline;

use super::layout::{Align, Table};
use super::number::{count, decimal, time};

/// Bars in a row.
const CELLS: usize = 40;
/// Eight heights.
const BARS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];

/// The highest of the values behind each of at most [`CELLS`] cells, evenly spread.
fn cells(values: &[f64]) -> Vec<f64> {
    let cells = CELLS.min(values.len());
    let highest = |cell: usize| {
        let from = cell * values.len() / cells;
        let to = ((cell + 1) * values.len() / cells).max(from + 1);
        values.get(from..to).unwrap_or_default().iter().copied().fold(0.0, f64::max)
    };
    (0..cells).map(highest).collect()
}

/// Bars from zero to the highest value; what is zero is a gap.
fn bars(values: &[f64]) -> String {
    let values = cells(values);
    let most = values.iter().copied().fold(0.0, f64::max);
    let bar = |value: &f64| {
        let share = if most > 0.0 { value / most } else { 0.0 };
        let height = (share * BARS.len() as f64).ceil() as usize;
        height.checked_sub(1).and_then(|height| BARS.get(height)).copied().unwrap_or(' ')
    };
    values.iter().map(bar).collect()
}

/// Demand over time and times of layers, each as a row of bars with its range.
pub fn rows(outline: &Outline) -> String {
    let mut table = Table::new([Align::Left, Align::Left, Align::Left]);
    let peaks: Vec<f64> = outline.demand.bins().iter().map(|bin| bin.peak_mm3_s).collect();
    let range = |values: &[f64]| {
        let some = || values.iter().copied().filter(|value| *value > 0.0);
        (some().fold(f64::INFINITY, f64::min), some().fold(0.0, f64::max))
    };
    let (least, most) = range(&cells(&peaks));
    if most > 0.0 {
        let said = format!("{} to {} mm³/s", decimal(least, 1), decimal(most, 1));
        table.row(["demand over time".to_owned(), bars(&peaks), said]);
    }
    let spans = outline.layers.spans();
    let times: Vec<f64> = spans.iter().map(|span| span.before_s).collect();
    let (least, most) = range(&times);
    if let (true, Some(last)) = (times.len() > 1, spans.last()) {
        let said = format!("{} to {}, {} layers", time(least), time(most), count(u64::from(last.last)));
        table.row(["layer times".to_owned(), bars(&times), said]);
    }
    let text = table.text();
    if text.is_empty() { text } else { format!("\n{text}") }
}

/// A text with nothing beyond ASCII of its own: for terminals and printers of another character set.
pub fn plain(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '³' => out.push('3'),
            '²' => out.push('2'),
            '·' => out.push('*'),
            '±' => out.push_str("+-"),
            '°' => {}
            '█' => out.push('#'),
            '▇' | '▉' | '▊' => out.push('%'),
            '▆' | '▋' => out.push('*'),
            '▅' | '▌' => out.push('+'),
            '▄' | '▍' => out.push('='),
            '▃' | '▎' => out.push('-'),
            '▂' => out.push(':'),
            '▁' | '▏' => out.push('.'),
            other => out.push(other),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::render::{audit, sample};

    #[test]
    fn bars_by_hand() {
        assert_eq!(bars(&[0.0, 1.0, 4.0, 8.0]), " ▁▄█");
        assert_eq!(bars(&[]), "");
        assert_eq!(bars(&[0.0, 0.0]), "  ");
        // 80 values in 40 cells: the higher of each two.
        let values: Vec<f64> = (0..80).map(|index| if index == 79 { 8.0 } else { 1.0 }).collect();
        assert_eq!(bars(&values), format!("{}█", "▁".repeat(39)));
        // As many values as cells and one more: each is in some cell.
        let one_high = |at: usize| bars(&(0..41).map(|index| if index == at { 8.0 } else { 0.0 }).collect::<Vec<_>>());
        assert!((0..41).all(|at| one_high(at).contains('█') && one_high(at).chars().count() == 40));
    }

    #[test]
    fn plain_reports_are_ascii() {
        for summary in [sample::pads(), sample::calm(), sample::refilled()] {
            let text = audit::text("pads.gcode", &summary, crate::cli::plan::Detail::All);
            let plain = plain(&text);
            assert!(plain.is_ascii(), "{}", plain.chars().filter(|c| !c.is_ascii()).collect::<String>());
            assert_eq!(plain.lines().count(), text.lines().count());
        }
        assert_eq!(plain("▁▂▃▄▅▆▇█"), ".:-=+*%#");
    }
}

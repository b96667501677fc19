//! Curve and weighings as a picture: for terminals and as SVG.

use std::ops::Range;

use meltwright::error::{Error, ErrorKind, Result};
use meltwright::weigh::Fit;
use plotters::prelude::*;

use super::number::decimal;
use super::plot_lines::escaped;

/// Cells of the plot in a terminal, without the axes.
const COLUMNS: usize = 64;
const ROWS: usize = 16;
/// Figures above the origin; they share the rows evenly.
const LABELS: usize = 3;
/// Size of the picture, pixels.
const SIZE: (u32, u32) = (1260, 780);
/// Pieces the curve is drawn in.
const PIECES: u32 = 120;
/// Room above the largest value, as a share.
const HEADROOM: f64 = 1.05;

const CURVE: RGBColor = RGBColor(0x1b, 0x5e, 0x8c);
const BAND: RGBColor = RGBColor(0x8f, 0xb8, 0xd6);
const WEIGHED: RGBColor = RGBColor(0xb0, 0x3a, 0x1e);

/// Ends of what is shown: rev/min and mm³/s.
fn ends(fit: &Fit) -> (f64, f64) {
    let fastest = fit.runs.iter().map(|run| run.rpm).fold(fit.curve.range_rpm[1], f64::max);
    let [_, end] = fit.curve.range_rpm;
    let at = fit.curve.at(end);
    let top = fit
        .runs
        .iter()
        .map(|run| run.flow_mm3_s)
        .fold(at.flow_mm3_s + at.prediction_mm3_s.min(at.flow_mm3_s), f64::max);
    (fastest, top)
}

/// Flow over screw speed in plain characters, with axes and units.
pub fn text(fit: &Fit) -> String {
    let (right, top) = ends(fit);
    let top = round(top / LABELS as f64) * LABELS as f64;
    let mut cells = vec![vec![' '; COLUMNS]; ROWS];
    let row = |flow: f64| {
        let share = (flow / top).clamp(0.0, 1.0);
        ROWS - 1 - (share * (ROWS - 1) as f64).round() as usize
    };
    let column = |rpm: f64| ((rpm / right).clamp(0.0, 1.0) * (COLUMNS - 1) as f64).round() as usize;
    for at in 0..=column(fit.curve.range_rpm[1]) {
        let rpm = right * at as f64 / (COLUMNS - 1) as f64;
        let estimate = fit.curve.at(rpm.min(fit.curve.range_rpm[1]));
        let (low, high) =
            (estimate.flow_mm3_s - estimate.prediction_mm3_s, estimate.flow_mm3_s + estimate.prediction_mm3_s);
        for (flow, mark) in [(low, ':'), (high, ':'), (estimate.flow_mm3_s, '*')] {
            set(&mut cells, row(flow), at, |_| mark);
        }
    }
    for run in &fit.runs {
        set(&mut cells, row(run.flow_mm3_s), column(run.rpm), |old| if matches!(old, 'o' | '@') { '@' } else { 'o' });
    }
    let mut text = "  mm³/s\n".to_owned();
    for (index, line) in cells.iter().enumerate() {
        let height = ROWS - 1 - index;
        let label = if height.is_multiple_of((ROWS - 1) / LABELS) {
            plain(top * height as f64 / (ROWS - 1) as f64)
        } else {
            String::new()
        };
        let line: String = line.iter().collect();
        text.push_str(format!("  {label:>8} |{line}").trim_end());
        text.push('\n');
    }
    text.push_str(&format!("  {:>8} +{}\n", "", "-".repeat(COLUMNS)));
    let half = COLUMNS / 2;
    let line = format!("  {:>8}  {:<half$}{:<half$}{} rev/min\n", "", "0", plain(right / 2.0), plain(right));
    text.push_str(&line);
    text.push_str("            o weighing   @ several   * curve   : where 95 % of single weighings lie\n");
    text
}

/// The next larger of the numbers that are easy to read: 1, 1.5, 2, 2.5, 3, 4, 5, 6, 8 and ten times as much.
fn round(value: f64) -> f64 {
    if !value.is_finite() || value <= 0.0 {
        return 1.0;
    }
    let power = 10.0_f64.powf(value.log10().floor());
    let easy = [1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0];
    easy.into_iter().map(|step| step * power).find(|step| *step >= value * (1.0 - 1e-9)).unwrap_or(10.0 * power)
}

/// A figure beside an axis, without needless zeros.
fn plain(value: f64) -> String {
    let text = decimal(value, if value < 10.0 { 3 } else { 1 });
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

fn set(cells: &mut [Vec<char>], row: usize, column: usize, mark: impl FnOnce(char) -> char) {
    if let Some(cell) = cells.get_mut(row).and_then(|row| row.get_mut(column)) {
        *cell = mark(*cell);
    }
}

/// Flow over screw speed as SVG, with axes, units, legend and both bands.
///
/// # Errors
/// None in practice: the picture is drawn into memory.
pub fn svg(fit: &Fit) -> Result<String> {
    let mut picture = String::new();
    draw(fit, &mut picture).map_err(|reason| {
        Error::new(ErrorKind::Unsupported {
            what: format!("the plot cannot be drawn: {reason}"),
            help: "leave out --plot; the plot in the terminal shows the same".to_owned(),
        })
    })?;
    Ok(named(&picture, &title(fit)))
}

/// The picture as it scales with its page, with a name for those who do not see it.
fn named(picture: &str, title: &str) -> String {
    let [width, height] = [SIZE.0, SIZE.1];
    let fixed = format!("<svg width=\"{width}\" height=\"{height}\" ");
    let inside = picture.strip_prefix(&fixed).unwrap_or(picture);
    let Some((attributes, drawn)) = inside.split_once('>') else { return picture.to_owned() };
    format!("<svg role=\"img\" {attributes}>\n<title>{}</title>{drawn}", escaped(title))
}

/// What was weighed, and how.
fn title(fit: &Fit) -> String {
    format!(
        "What the screw gives: {}, {} °C, nozzle {} mm, {} feed, {}",
        fit.conditions.lot.as_ref().map_or_else(|| "lot not named".to_owned(), |lot| format!("lot {lot}")),
        fit.conditions.temperature_c,
        fit.conditions.nozzle_mm,
        fit.conditions.feed_mode,
        fit.conditions.date
    )
}

fn draw(fit: &Fit, picture: &mut String) -> std::result::Result<(), String> {
    let words = |error: &dyn std::fmt::Display| error.to_string();
    let root = SVGBackend::with_string(picture, SIZE).into_drawing_area();
    root.fill(&WHITE).map_err(|e| words(&e))?;
    let (right, top) = ends(fit);
    let (right, top) = (right * HEADROOM, top * HEADROOM);
    let mut chart = ChartBuilder::on(&root)
        .margin(24)
        .caption(title(fit), ("sans-serif", 26))
        .x_label_area_size(68)
        .y_label_area_size(90)
        .build_cartesian_2d(axis(right), axis(top))
        .map_err(|e| words(&e))?;
    chart
        .configure_mesh()
        .x_desc("screw speed, rev/min")
        .y_desc("flow, mm³/s")
        .axis_desc_style(("sans-serif", 23))
        .label_style(("sans-serif", 20))
        .max_light_lines(1)
        .x_label_formatter(&|value| plain(*value))
        .y_label_formatter(&|value| plain(*value))
        .draw()
        .map_err(|e| words(&e))?;
    let end = fit.curve.range_rpm[1];
    let estimates: Vec<_> =
        (0..=PIECES).map(|piece| fit.curve.at(end * f64::from(piece) / f64::from(PIECES))).collect();
    let bands = [("95 % of single weighings", 0.30, true), ("mean, 95 % sure", 0.65, false)];
    for (label, strength, single) in bands {
        let half = |e: &meltwright::weigh::Estimate| if single { e.prediction_mm3_s } else { e.confidence_mm3_s };
        let upper = estimates.iter().map(|e| (e.rpm, (e.flow_mm3_s + half(e)).min(top)));
        let lower = estimates.iter().rev().map(|e| (e.rpm, (e.flow_mm3_s - half(e)).max(0.0)));
        let style = BAND.mix(strength).filled();
        chart
            .draw_series(std::iter::once(Polygon::new(upper.chain(lower).collect::<Vec<_>>(), style)))
            .map_err(|e| words(&e))?
            .label(label)
            .legend(move |(x, y)| Rectangle::new([(x, y - 7), (x + 28, y + 7)], style));
    }
    chart
        .draw_series(LineSeries::new(estimates.iter().map(|e| (e.rpm, e.flow_mm3_s)), CURVE.stroke_width(3)))
        .map_err(|e| words(&e))?
        .label("curve")
        .legend(|(x, y)| PathElement::new([(x, y), (x + 28, y)], CURVE.stroke_width(3)));
    chart
        .draw_series(fit.runs.iter().map(|run| Circle::new((run.rpm, run.flow_mm3_s), 6, WEIGHED.filled())))
        .map_err(|e| words(&e))?
        .label("weighing")
        .legend(|(x, y)| Circle::new((x + 14, y), 6, WEIGHED.filled()));
    chart
        .configure_series_labels()
        .position(SeriesLabelPosition::UpperLeft)
        .legend_area_size(40)
        .label_font(("sans-serif", 21))
        .background_style(WHITE.mix(0.85))
        .border_style(BLACK.mix(0.3))
        .draw()
        .map_err(|e| words(&e))?;
    root.present().map_err(|e| words(&e))
}

fn axis(end: f64) -> Range<f64> {
    0.0..end
}

#[cfg(test)]
mod tests {
    use super::*;
    use meltwright::profile::Profile;
    use meltwright::weigh::Sheet;

    fn pads() -> Fit {
        let sheet = include_bytes!("../../../fixtures/weigh/pads.csv");
        Fit::new(&Sheet::read(sheet).expect("a sound sheet"), &Profile::embedded()).expect("a fit")
    }

    #[test]
    fn easy_numbers() {
        let cases = [(12.4, 15.0), (1.0, 1.0), (0.81, 1.0), (0.031, 0.04), (9.0, 10.0), (0.0, 1.0), (f64::NAN, 1.0)];
        for (value, known) in cases {
            assert!((round(value) - known).abs() < 1e-12, "{value}: {}", round(value));
        }
        assert_eq!([plain(0.0), plain(2.5), plain(1500.0)], ["0", "2.5", "1,500"]);
    }

    #[test]
    fn in_a_terminal() {
        insta::assert_snapshot!(text(&pads()));
    }

    #[test]
    fn the_picture_holds_everything() {
        let fit = pads();
        let picture = svg(&fit).expect("a picture");
        assert!(picture.starts_with("<svg role=\"img\" viewBox=\"0 0 1260 780\" xmlns="), "{}", &picture[..200]);
        assert!(picture.contains("\n<title>What the screw gives: lot 2024-117, "), "{}", &picture[..400]);
        assert!(picture.starts_with("<svg ") && picture.trim_end().ends_with("</svg>"));
        for words in
            ["screw speed, rev/min", "flow, mm³/s", "weighing", "curve", "95 % of single weighings", "lot 2024-117"]
        {
            assert!(picture.contains(words), "{words}");
        }
        // One for each weighing, one in the legend; two bands.
        assert_eq!(picture.matches("<circle").count(), fit.runs.len() + 1);
        assert_eq!(picture.matches("<polygon").count(), 2);
        assert!(!picture.contains("NaN") && !picture.contains("inf"));
    }
}

//! Curve and weighings as a picture: for terminals and as SVG.

use std::ops::Range;

use meltwright::error::{Error, ErrorKind, Result};
use meltwright::weigh::Fit;
use plotters::prelude::*;

use super::number::decimal;

/// Cells of the plot in a terminal, without the axes.
const COLUMNS: usize = 64;
const ROWS: usize = 16;
/// Size of the picture, pixels.
const SIZE: (u32, u32) = (840, 520);
/// Pieces the curve is drawn in.
const PIECES: u32 = 120;
/// Room above the largest value, as a share.
const HEADROOM: f64 = 1.05;

const CURVE: RGBColor = RGBColor(0x1b, 0x5e, 0x8c);
const BAND: RGBColor = RGBColor(0x8f, 0xb8, 0xd6);
const WEIGHED: RGBColor = RGBColor(0xb0, 0x3a, 0x1e);

/// Ends of the axes: rev/min and mm³/s.
fn ends(fit: &Fit) -> (f64, f64) {
    let fastest = fit.runs.iter().map(|run| run.rpm).fold(fit.curve.range_rpm[1], f64::max);
    let [_, end] = fit.curve.range_rpm;
    let at = fit.curve.at(end);
    let top = fit
        .runs
        .iter()
        .map(|run| run.flow_mm3_s)
        .fold(at.flow_mm3_s + at.prediction_mm3_s.min(at.flow_mm3_s), f64::max);
    (fastest * HEADROOM, top * HEADROOM)
}

/// Flow over screw speed in plain characters, with axes and units.
pub fn text(fit: &Fit) -> String {
    let (right, top) = ends(fit);
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
        // A figure on every fifth row, counted from the axis.
        let label = if (ROWS - 1 - index).is_multiple_of(5) {
            decimal(top * (ROWS - 1 - index) as f64 / (ROWS - 1) as f64, if top < 10.0 { 2 } else { 1 })
        } else {
            String::new()
        };
        let line: String = line.iter().collect();
        text.push_str(format!("  {label:>8} |{line}").trim_end());
        text.push('\n');
    }
    text.push_str(&format!("  {:>8} +{}\n", "", "-".repeat(COLUMNS)));
    let figure = |share: f64| decimal(right * share, if right < 20.0 { 1 } else { 0 });
    let half = COLUMNS / 2;
    text.push_str(&format!("  {:>8}  {:<half$}{:<half$}{} rev/min\n", "", "0", figure(0.5), figure(1.0)));
    text.push_str("            o weighing   @ several   * curve   : where 95 % of single weighings lie\n");
    text
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
    Ok(picture)
}

fn draw(fit: &Fit, picture: &mut String) -> std::result::Result<(), String> {
    let words = |error: &dyn std::fmt::Display| error.to_string();
    let root = SVGBackend::with_string(picture, SIZE).into_drawing_area();
    root.fill(&WHITE).map_err(|e| words(&e))?;
    let (right, top) = ends(fit);
    let title = format!(
        "What the screw gives: {}, {} °C, nozzle {} mm, {} feed, {}",
        fit.conditions.lot.as_ref().map_or_else(|| "lot not named".to_owned(), |lot| format!("lot {lot}")),
        fit.conditions.temperature_c,
        fit.conditions.nozzle_mm,
        fit.conditions.feed_mode,
        fit.conditions.date
    );
    let mut chart = ChartBuilder::on(&root)
        .margin(16)
        .caption(title, ("sans-serif", 17))
        .x_label_area_size(46)
        .y_label_area_size(60)
        .build_cartesian_2d(axis(right), axis(top))
        .map_err(|e| words(&e))?;
    chart
        .configure_mesh()
        .x_desc("screw speed, rev/min")
        .y_desc("flow, mm³/s")
        .axis_desc_style(("sans-serif", 15))
        .label_style(("sans-serif", 13))
        .light_line_style(WHITE)
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
            .legend(move |(x, y)| Rectangle::new([(x, y - 5), (x + 18, y + 5)], style));
    }
    chart
        .draw_series(LineSeries::new(estimates.iter().map(|e| (e.rpm, e.flow_mm3_s)), CURVE.stroke_width(2)))
        .map_err(|e| words(&e))?
        .label("curve")
        .legend(|(x, y)| PathElement::new([(x, y), (x + 18, y)], CURVE.stroke_width(2)));
    chart
        .draw_series(fit.runs.iter().map(|run| Circle::new((run.rpm, run.flow_mm3_s), 4, WEIGHED.filled())))
        .map_err(|e| words(&e))?
        .label("weighing")
        .legend(|(x, y)| Circle::new((x + 9, y), 4, WEIGHED.filled()));
    chart
        .configure_series_labels()
        .position(SeriesLabelPosition::UpperLeft)
        .label_font(("sans-serif", 14))
        .background_style(WHITE.mix(0.85))
        .border_style(BLACK.mix(0.3))
        .draw()
        .map_err(|e| words(&e))?;
    root.present().map_err(|e| words(&e))
}

fn axis(end: f64) -> Range<f64> {
    0.0..end
}

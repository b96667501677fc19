//! What the part bears, layer by layer.

use meltwright::summary::{Band, PartFigures};

use super::layout::{Align, Table, paragraph};
use super::number::{counted, decimal, time};

/// A few lines: where the part bears least, and what its layers wait.
pub fn brief(part: &PartFigures) -> String {
    let mut table = Table::new([Align::Left, Align::Left]);
    if let Some(band) = part.softest() {
        let axes = [("X", band.accel_x_mm_s2), ("Y", band.accel_y_mm_s2)];
        let bears: Vec<String> =
            axes.iter().filter_map(|(axis, accel)| Some(format!("{} along {axis}", acceleration((*accel)?)))).collect();
        let at = format!("{} at z {} mm", bears.join(", "), decimal(band.z_mm, 1));
        table.row(["softest place bears", &at]);
    }
    let least = part.bands.list().iter().map(|band| band.least_time_s).fold(0.0, f64::max);
    if least > 0.0 {
        table.row(["layers need, to cool", &format!("up to {}", time(least))]);
    }
    if part.waits > 0 {
        let waits = format!("{}, {} in all", counted(part.waits, "wait"), time(part.waited_s));
        table.row(["away from the part for that", &waits]);
    }
    let text = table.text();
    if text.is_empty() { text } else { format!("\nThe soft part\n{text}") }
}

/// The table by bands of layers.
pub fn table(part: &PartFigures) -> String {
    let bands = part.bands.list();
    if bands.is_empty() {
        return String::new();
    }
    // A file that is only judged has no other times than its own.
    let is_written = bands.iter().any(|band| band.time_after_s.is_some());
    let shown = if is_written { 11 } else { 10 };
    let mut columns = vec![Align::Right; shown];
    columns[0] = Align::Left;
    let mut table = Table::new(columns);
    let heads = ["layers", "z", "bears X", "Y", "sway", "swings", "drag", "weight", "layer", "needs", "then"];
    table.row(heads.into_iter().take(shown));
    let units = ["", "mm", "mm/s²", "mm/s²", "mm", "Hz", "mm", "carried", "s", "s", "s"];
    table.row(units.into_iter().take(shown));
    for band in bands {
        table.row(cells(band).into_iter().take(shown));
    }
    let [low, middle, high] = part.modulus_band_mpa.map(|mpa| decimal(mpa, 2));
    let title = format!(
        "What the part bears, worst of each band of layers (with {low} MPa, the low end of what its hardness tells, \
         {low} to {high} MPa and most likely {middle} MPa)"
    );
    format!("\n{}{}", paragraph("", &title), table.text())
}

/// Cells of a band: layers, height, accelerations along X and Y, sway, frequency, drag, weight carried, shortest layer, what it
/// needs, and what it takes then.
pub fn cells(band: &Band) -> [String; 11] {
    let known = |value: Option<f64>, words: &dyn Fn(f64) -> String| value.map_or_else(|| "-".to_owned(), words);
    let figure = |value, decimals| known(value, &|value| large(value, decimals));
    let layers = match band.first_layer == band.last_layer {
        true => band.first_layer.to_string(),
        false => format!("{}-{}", band.first_layer, band.last_layer),
    };
    [
        layers,
        decimal(band.z_mm, 1),
        known(band.accel_x_mm_s2, &round),
        known(band.accel_y_mm_s2, &round),
        figure(band.sway_mm, 2),
        figure(band.frequency_hz, 1),
        figure(band.drag_mm, 2),
        known(band.weight_factor, &|factor| format!("{} x", large(factor, 1))),
        decimal(band.time_before_s, 1),
        decimal(band.least_time_s, 1),
        known(band.time_after_s, &|time_s| decimal(time_s, 1)),
    ]
}

/// An acceleration in words.
fn acceleration(mm_s2: f64) -> String {
    let figure = round(mm_s2);
    if figure == ANY { "any acceleration".to_owned() } else { format!("{figure} mm/s²") }
}

/// What stands for more than any machine reaches.
const ANY: &str = "any";

fn round(value: f64) -> String {
    if value >= 100_000.0 { ANY.to_owned() } else { decimal(value, if value < 10.0 { 1 } else { 0 }) }
}

fn large(value: f64, decimals: usize) -> String {
    // Far beyond what bends like a beam.
    if value >= 100.0 { "> 99".to_owned() } else { decimal(value, decimals) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_beyond_any_machine_is_told_as_words() {
        let mut band = Band { first_layer: 3, last_layer: 5, z_mm: 1.25, ..Band::default() };
        (band.accel_x_mm_s2, band.accel_y_mm_s2) = (Some(100_000.0), Some(8.04));
        (band.frequency_hz, band.weight_factor, band.time_before_s) = (Some(768.0), Some(99.94), 12.34);
        let told = ["3-5", "1.2", "any", "8.0", "-", "> 99", "-", "99.9 x", "12.3", "0.0", "-"];
        assert_eq!(cells(&band), told);
        (band.last_layer, band.accel_y_mm_s2, band.time_after_s) = (3, Some(99_999.4), Some(14.0));
        assert_eq!(cells(&band)[0], "3");
        assert_eq!((cells(&band)[3].as_str(), cells(&band)[10].as_str()), ("99,999", "14.0"));
    }
}

//! The scale of colours for demand: even steps for the eye, and darker or lighter with each of them.
//!
//! The steps are even in OKLab, a space in which distances are about as large as they look: B. Ottosson, *A perceptual
//! color space for image processing*, 2020; encoding of sRGB by IEC 61966-2-1 (figures of both from memory, held by the
//! values published for white and the primaries). Lightness carries the order, so that the scale also reads without
//! colours, on paper and by eyes that miss some of them; one turn of the hue, from green-blue over violet to red, carries
//! it once more. Hue and lightness are our own choice.

use std::f64::consts::TAU;

/// Lightness at both ends, on a light page.
const LIGHT_PAGE: [f64; 2] = [0.88, 0.30];
/// The same on a dark one.
const DARK_PAGE: [f64; 2] = [0.43, 0.95];
/// Hue at both ends, turns: green-blue to red, over violet.
const HUE: [f64; 2] = [0.54, 1.05];
/// Chroma, where the screen can show it.
const CHROMA: f64 = 0.12;

/// So many colours from least to most, as `#rrggbb`, for a light or a dark page.
pub fn scale(colours: usize, dark: bool) -> Vec<String> {
    let steps = colours.saturating_sub(1).max(1) as f64;
    let [least, most] = if dark { DARK_PAGE } else { LIGHT_PAGE };
    let at = |index: usize| {
        let share = index as f64 / steps;
        let hue = TAU * (HUE[0] + (HUE[1] - HUE[0]) * share);
        shown(least + (most - least) * share, hue)
    };
    (0..colours).map(|index| hexadecimal(at(index))).collect()
}

/// The colour of this lightness and hue with the chroma above, or as much of it as a screen can show.
fn shown(lightness: f64, hue: f64) -> [f64; 3] {
    let with = |chroma: f64| linear([lightness, chroma * hue.cos(), chroma * hue.sin()]);
    let fits = |colour: [f64; 3]| colour.iter().all(|part| (-1e-4..=1.0 + 1e-4).contains(part));
    let (mut low, mut high) = (0.0, CHROMA);
    if fits(with(high)) {
        return with(high);
    }
    for _ in 0..20 {
        let middle = (low + high) / 2.0;
        if fits(with(middle)) { low = middle } else { high = middle }
    }
    with(low)
}

/// OKLab to linear red, green and blue.
fn linear([lightness, a, b]: [f64; 3]) -> [f64; 3] {
    let long = (lightness + 0.396_337_777_4 * a + 0.215_803_757_3 * b).powi(3);
    let middle = (lightness - 0.105_561_345_8 * a - 0.063_854_172_8 * b).powi(3);
    let short = (lightness - 0.089_484_177_5 * a - 1.291_485_548_0 * b).powi(3);
    [
        4.076_741_662_1 * long - 3.307_711_591_3 * middle + 0.230_969_929_2 * short,
        -1.268_438_004_6 * long + 2.609_757_401_1 * middle - 0.341_319_396_5 * short,
        -0.004_196_086_3 * long - 0.703_418_614_7 * middle + 1.707_614_701_0 * short,
    ]
}

fn hexadecimal(colour: [f64; 3]) -> String {
    let [red, green, blue] = colour.map(|part| {
        let part = part.clamp(0.0, 1.0);
        let encoded = if part <= 0.003_130_8 { 12.92 * part } else { 1.055 * part.powf(1.0 / 2.4) - 0.055 };
        (encoded * 255.0).round() as u8
    });
    format!("#{red:02x}{green:02x}{blue:02x}")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `#rrggbb` back to OKLab, by the matrices of the other direction (same source).
    fn oklab(colour: &str) -> [f64; 3] {
        let part = |at: usize| {
            let encoded = f64::from(u8::from_str_radix(&colour[at..at + 2], 16).unwrap()) / 255.0;
            if encoded <= 0.04045 { encoded / 12.92 } else { ((encoded + 0.055) / 1.055).powf(2.4) }
        };
        let (r, g, b) = (part(1), part(3), part(5));
        let long = (0.412_221_470_8 * r + 0.536_332_536_3 * g + 0.051_445_992_9 * b).cbrt();
        let middle = (0.211_903_498_2 * r + 0.680_699_545_1 * g + 0.107_396_956_6 * b).cbrt();
        let short = (0.088_302_461_9 * r + 0.281_718_837_6 * g + 0.629_978_700_5 * b).cbrt();
        [
            0.210_454_255_3 * long + 0.793_617_785_0 * middle - 0.004_072_046_8 * short,
            1.977_998_495_1 * long - 2.428_592_205_0 * middle + 0.450_593_709_9 * short,
            0.025_904_037_1 * long + 0.782_771_766_2 * middle - 0.808_675_766_0 * short,
        ]
    }

    #[test]
    fn white_and_the_primaries_are_as_published() {
        let cases = [
            ([1.0, 0.0, 0.0], "#ffffff"),
            ([0.0, 0.0, 0.0], "#000000"),
            ([0.627_96, 0.224_86, 0.125_85], "#ff0000"),
            ([0.866_44, -0.233_89, 0.179_50], "#00ff00"),
            ([0.452_01, -0.032_46, -0.311_53], "#0000ff"),
        ];
        for (lab, known) in cases {
            assert_eq!(hexadecimal(linear(lab)), known);
        }
    }

    #[test]
    fn steps_are_even_and_ordered_by_lightness() {
        for dark in [false, true] {
            let colours: Vec<[f64; 3]> = scale(14, dark).iter().map(|colour| oklab(colour)).collect();
            let steps: Vec<f64> = colours
                .windows(2)
                .map(|pair| (0..3).map(|axis| (pair[1][axis] - pair[0][axis]).powi(2)).sum::<f64>().sqrt())
                .collect();
            let mean = steps.iter().sum::<f64>() / steps.len() as f64;
            assert!(steps.iter().all(|step| (step / mean - 1.0).abs() < 0.25), "{dark}: {steps:?}");
            let lighter = |pair: &[[f64; 3]]| pair[1][0] - pair[0][0];
            assert!(colours.windows(2).all(|pair| (lighter(pair) > 0.03) == dark && lighter(pair).abs() > 0.03));
        }
    }
}

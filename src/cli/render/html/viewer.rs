//! The layer viewer: beads of some layers, coloured by demand, with their islands.

use meltwright::summary::course::{CLASS_EDGES, CLASSES, Sample};

use super::colour;
use super::figures::Sources;
use super::markup::Html;
use crate::cli::render::number::{count, counted, decimal, percent};

/// Draws the layers; reads `layer-info` and `layer-data` of the page.
const SCRIPT: &str = include_str!("viewer.js");

/// Colours of the classes as variables of the page.
pub fn colours() -> String {
    let variables = |dark| -> String {
        let scale = colour::scale(CLASSES, dark);
        scale.iter().enumerate().map(|(class, colour)| format!("--c{class}:{colour};")).collect()
    };
    let light = variables(false);
    let swatches: String = (0..CLASSES).map(|class| format!(".c{class}{{background:var(--c{class})}}")).collect();
    format!(":root{{{light}}}@media screen and (prefers-color-scheme:dark){{:root{{{}}}}}{swatches}", variables(true))
}

/// The viewer with its data; nothing where no bead is known.
pub fn section(sources: &Sources<'_>) -> Html {
    let samples = &sources.course.samples;
    let list = samples.list();
    let (Some(first), Some(last)) = (list.first(), list.last()) else { return Html::new() };
    let differs = sources.differs() && sources.course.flows_before != sources.course.flows_after;
    let shown = match samples.every() {
        1 if list.len() as u64 == sources.summary.before.layers => "All layers are shown.".to_owned(),
        // Layers of nothing but travels, or of another tool.
        1 => format!(
            "Shown are the {} of {} that hold beads of the screw.",
            count(list.len() as u64),
            counted(sources.summary.before.layers, "layer")
        ),
        every => format!(
            "To keep this report small, {} of {} are shown: the first, every {every}th after it, and the one with the \
             highest demand ({}).",
            counted(list.len() as u64, "layer"),
            count(sources.summary.before.layers),
            samples.worst_layer()
        ),
    };
    let words = format!(
        "{shown} Choose a layer with the slider, by mouse or arrow keys, or by its number. Colour and lightness tell \
         the demand; beads above the capacity have an edge, thin lines run around islands."
    );
    let mut inside = Html::words("p", &words);
    // Taken away by the script. A `noscript` would not show where only a policy holds the script back.
    let idle = "The layers are drawn by a script within this file, which does not run here.";
    inside.add(Html::element("p", &[("id", "layer-idle")], Html::text(idle)));
    inside.add(controls(first, last, list.len(), differs, sources.output));
    let picture = [
        ("id", "layer-picture"),
        ("width", "960"),
        ("height", "640"),
        ("role", "img"),
        ("aria-label", "Beads of the layer that is chosen, seen from above"),
        ("aria-describedby", "layer-told"),
        ("hidden", ""),
    ];
    inside.add(Html::element("canvas", &picture, Html::new()));
    inside.add(Html::element("p", &[("id", "layer-told"), ("aria-live", "polite")], Html::new()));
    inside.add(legend());
    // Both are only read by the script, and hold nothing but figures and the letters of base64.
    inside.add(Html::element("script", &[("type", "application/json"), ("id", "layer-info")], info(sources)));
    let bytes: Vec<u8> = list.iter().flat_map(|sample| &sample.data).copied().collect();
    inside.add(Html::element("script", &[("type", "text/plain"), ("id", "layer-data")], Html::text(&base64(&bytes))));
    inside.add(Html::element("script", &[], Html::fixed(SCRIPT)));
    inside
}

fn controls(first: &Sample, last: &Sample, layers: usize, differs: bool, output: &str) -> Html {
    let (low, high, most) = (first.layer.to_string(), last.layer.to_string(), layers.saturating_sub(1).to_string());
    let field = |words: &str, input: Html| {
        let mut inside = Html::words("span", words);
        inside.add(input);
        Html::element("label", &[], inside)
    };
    let slider = [("type", "range"), ("id", "layer-slider"), ("min", "0"), ("max", &most), ("value", "0")];
    let number =
        [("type", "number"), ("id", "layer-number"), ("min", low.as_str()), ("max", &high), ("value", low.as_str())];
    let mut inside = field("Layer", Html::void("input", &slider));
    inside.add(field("number", Html::void("input", &number)));
    if differs {
        let mut choices = Html::element("option", &[("value", "0")], Html::text("of the file as it came"));
        choices.add(Html::element("option", &[("value", "1")], Html::text(output)));
        inside.add(field("Demand", Html::element("select", &[("id", "layer-side")], choices)));
    }
    inside.add(field(
        "Fill the picture with this layer",
        Html::void("input", &[("type", "checkbox"), ("id", "layer-fit")]),
    ));
    // Shown by the script: without it there is nothing to choose.
    Html::element("div", &[("id", "layer-choice"), ("hidden", "")], inside)
}

/// Swatches with the shares they stand for.
fn legend() -> Html {
    let edges = || CLASS_EDGES.iter().map(|edge| percent(*edge));
    let starts = std::iter::once("0 %".to_owned()).chain(edges());
    let mut items = Html::new();
    for (class, (from, to)) in starts.zip(edges().map(Some).chain([None])).enumerate() {
        let words = to.map_or_else(|| format!("above {from}"), |to| format!("{} to {to}", from.trim_end_matches(" %")));
        let above = CLASS_EDGES.get(class).is_none_or(|edge| *edge > 1.0);
        let look = format!("swatch c{class}{}", if above { " above" } else { "" });
        let mut item = Html::element("span", &[("class", &look), ("aria-hidden", "true")], Html::new());
        item.add(Html::text(&words));
        items.add(Html::element("li", &[], item));
    }
    let mut inside = Html::words("p", "Demand of a bead, share of the peak capacity:");
    inside.add(Html::element("ul", &[("class", "legend scale")], items));
    inside
}

/// Figures of the layers as JSON.
fn info(sources: &Sources<'_>) -> Html {
    let mut at = 0;
    let nozzle_mm = sources.profile.nozzle.diameter_mm.value;
    let layers = sources.course.samples.list().iter().map(|sample| {
        let ground = sources.course.grounds.of(sample.layer);
        let near = sources.course.grounds.near(sample.layer);
        let width = near.map(|ground| ground.bead_width_mm).filter(|width| *width > 0.0).unwrap_or(nozzle_mm);
        let size = sample.data.len();
        let boxes = ground.map_or(&[][..], |ground| &ground.boxes_mm);
        let boxes: Vec<String> = boxes.iter().map(corners).collect();
        let entry = format!(
            "{{\"n\":{},\"z\":{},\"w\":{},\"beads\":{},\"mm\":{},\"above\":[{},{}],\"top\":[{},{}],\"cut\":{},\
             \"box\":{},\"at\":{at},\"size\":{size},\"isles\":{},\"boxes\":[{}]}}",
            sample.layer,
            figure(sample.z_mm),
            figure(width),
            sample.beads,
            figure(sample.length_mm),
            figure(sample.above_before_mm),
            figure(sample.above_after_mm),
            figure(sample.highest_before),
            figure(sample.highest_after),
            sample.is_cut,
            corners(&sample.box_mm),
            ground.map_or_else(|| "null".to_owned(), |ground| ground.islands.to_string()),
            boxes.join(",")
        );
        at += size;
        entry
    });
    let layers: Vec<String> = layers.collect();
    Html::plain(&format!(
        "{{\"classes\":{CLASSES},\"worst\":{},\"layers\":[{}]}}",
        sources.course.samples.worst_layer(),
        layers.join(",")
    ))
}

fn corners(edges: &[f64; 4]) -> String {
    let edges: Vec<String> = edges.iter().map(|edge| figure(*edge)).collect();
    format!("[{}]", edges.join(","))
}

/// A figure to 0.01; what JSON does not know is 0.
fn figure(value: f64) -> String {
    if !value.is_finite() {
        return "0".to_owned();
    }
    let text = decimal(value, 2).replace(',', "");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Bytes in the letters of RFC 4648, section 4.
fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for chunk in bytes.chunks(3) {
        let part = |at: usize| u32::from(chunk.get(at).copied().unwrap_or(0));
        let bits = part(0) << 16 | part(1) << 8 | part(2);
        for place in 0..4 {
            let letter = LETTERS.get((bits >> (18 - 6 * place) & 63) as usize).copied().unwrap_or(b'A');
            text.push(if place <= chunk.len() { char::from(letter) } else { '=' });
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_as_in_the_standard() {
        // RFC 4648, section 10.
        let cases =
            [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foob", "Zm9vYg=="), ("fooba", "Zm9vYmE=")];
        for (bytes, text) in cases {
            assert_eq!(base64(bytes.as_bytes()), text);
        }
        assert_eq!(base64(&[0xff, 0xfe, 0xfb]), "//77");
    }

    #[test]
    fn figures_of_json() {
        let cases = [(0.0, "0"), (-1.5, "-1.5"), (1234.567, "1234.57"), (100.0, "100"), (f64::NAN, "0"), (-0.001, "0")];
        for (value, text) in cases {
            assert_eq!(figure(value), text);
        }
    }

    #[test]
    fn the_legend_names_every_class() {
        let legend = legend().into_string();
        assert_eq!(legend.matches("class=\"swatch").count(), CLASSES);
        assert_eq!(legend.matches(" above\"").count(), 4);
        for words in ["0 to 10 %", "90 to 100 %", "100 to 125 %", "above 200 %"] {
            assert!(legend.contains(words), "{words}: {legend}");
        }
    }

    #[test]
    fn the_script_cannot_end_early() {
        assert!(!SCRIPT.contains("</") && !SCRIPT.contains("<!--"));
    }
}

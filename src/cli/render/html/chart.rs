//! Plots as SVG within the page: text that can be read out and searched, colours of the page, dark and light.

use super::markup::Html;
use crate::cli::render::number::decimal;

/// Size of a plot in its own units; the page scales it.
const SIZE: [f64; 2] = [720.0, 290.0];
/// Room left, above, right and below the field of a plot.
const ROOM: [f64; 4] = [64.0, 26.0, 18.0, 46.0];
/// Labels of levels closer than this are put on both sides, in units of the plot.
const CLOSE: f64 = 20.0;
/// Width of a digit of a label, at most.
const DIGIT: f64 = 8.0;
/// Foot of the numbers of marks below the upper edge of the field.
const NUMBER: f64 = 11.0;
/// From this ratio of largest to least on, an axis is divided by powers.
const WIDE: f64 = 60.0;

/// How an axis is divided.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Scale {
    Even,
    /// Evenly, with whole numbers only.
    Whole,
    Powers,
}

/// An axis with its unit.
#[derive(Clone, Debug)]
pub struct Axis {
    label: String,
    low: f64,
    high: f64,
    scale: Scale,
}

impl Axis {
    /// From nothing to a little more than `high`.
    pub fn from_zero(label: &str, high: f64) -> Self {
        let high = if high.is_finite() && high > 0.0 { high } else { 1.0 };
        Self { label: label.to_owned(), low: 0.0, high, scale: Scale::Even }
    }

    /// From `low` to `high`, evenly.
    pub fn between(label: &str, low: f64, high: f64) -> Self {
        let (low, high) = if low.is_finite() && high > low && high.is_finite() { (low, high) } else { (0.0, 1.0) };
        Self { label: label.to_owned(), low, high, scale: Scale::Even }
    }

    /// The same axis for what is counted.
    pub fn counted(self) -> Self {
        Self { scale: Scale::Whole, ..self }
    }

    /// Around `values`: from zero, or by powers where they differ much.
    pub fn around(label: &str, values: impl Iterator<Item = f64>) -> Self {
        let (mut low, mut high) = (f64::INFINITY, 0.0_f64);
        for value in values.filter(|value| value.is_finite() && *value > 0.0) {
            (low, high) = (low.min(value), high.max(value));
        }
        if high > low * WIDE {
            // Easy figures at both ends: 1, 2 or 5 times a power.
            let power = |value: f64| 10.0_f64.powf(value.log10().floor());
            let easy = |value: f64| [1.0, 2.0, 5.0, 10.0].map(|factor| factor * power(value));
            let low = easy(low).into_iter().rev().find(|easy| *easy <= low).unwrap_or(low);
            let high = easy(high).into_iter().find(|easy| *easy >= high).unwrap_or(high);
            return Self { label: label.to_owned(), low, high, scale: Scale::Powers };
        }
        Self::from_zero(label, high * 1.06)
    }

    /// Where a value stands, 0 to 1 on the axis.
    fn share(&self, value: f64) -> f64 {
        let share = match self.scale {
            Scale::Even | Scale::Whole => (value - self.low) / (self.high - self.low),
            Scale::Powers => (value.max(self.low).log10() - self.low.log10()) / (self.high.log10() - self.low.log10()),
        };
        share.clamp(0.0, 1.0)
    }

    /// Values to be labelled, with their labels.
    fn ticks(&self) -> Vec<(f64, String)> {
        match self.scale {
            Scale::Even | Scale::Whole => {
                let about = (self.high - self.low) / 6.0;
                let step = match self.scale {
                    Scale::Whole => whole_step(about),
                    _ => step(about),
                };
                let first = (self.low / step).ceil() as i64;
                let last = (self.high / step * (1.0 + 1e-9)).floor() as i64;
                (first..=last.min(first + 20)).map(|k| k as f64 * step).map(|at| (at, figure(at, step))).collect()
            }
            Scale::Powers => {
                let (first, last) =
                    ((self.low.log10() + 1e-9).floor() as i32, (self.high.log10() + 1e-9).floor() as i32);
                let factors: &[f64] = if last - first > 2 { &[1.0] } else { &[1.0, 2.0, 5.0] };
                let every = ((last - first) / 8 + 1) as usize;
                let powers = (first..=last).step_by(every).map(|power| 10.0_f64.powi(power));
                let ticks = powers.flat_map(|power| factors.iter().map(move |factor| (factor * power, power)));
                let inside = ticks.filter(|(at, _)| (self.low * 0.999..=self.high * 1.001).contains(at));
                inside.map(|(at, power)| (at, figure(at, power))).collect()
            }
        }
    }
}

/// An easy step of about this size: 1, 2, 2.5 or 5 times a power of ten.
fn step(about: f64) -> f64 {
    if !about.is_finite() || about <= 0.0 {
        return 1.0;
    }
    let power = 10.0_f64.powf(about.log10().floor());
    [1.0, 2.0, 2.5, 5.0]
        .map(|easy| easy * power)
        .into_iter()
        .find(|step| *step >= about * 0.999)
        .unwrap_or(10.0 * power)
}

/// An easy step of about this size from one whole number to another.
fn whole_step(about: f64) -> f64 {
    let easy = step(about.max(1.0));
    if easy == 2.5 { 5.0 } else { easy }
}

/// A figure beside an axis, as fine as the step asks, without needless zeros; by powers of ten where it would be longer
/// than the room beside the axis.
fn figure(value: f64, step: f64) -> String {
    if value != 0.0 && (step < 1e-4 || value.abs() >= 1e7) {
        return by_power(value);
    }
    let decimals = (1.0 - step.log10().floor()).clamp(0.0, 9.0) as usize;
    let text = decimal(value, decimals);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// `2.5 × 10⁻⁶`, without spaces.
fn by_power(value: f64) -> String {
    let text = format!("{value:.2e}");
    let (figures, power) = text.split_once('e').unwrap_or((&text, "0"));
    let raised = |digit: char| match digit {
        '-' => '⁻',
        '1' => '¹',
        '2' => '²',
        '3' => '³',
        _ => digit.to_digit(10).and_then(|digit| char::from_u32(u32::from('⁰') + digit)).unwrap_or(digit),
    };
    format!(
        "{}×10{}",
        figures.trim_end_matches('0').trim_end_matches('.'),
        power.chars().map(raised).collect::<String>()
    )
}

/// A line through points; it breaks where one is no number.
#[derive(Clone, Debug)]
pub struct Line {
    /// What it shows, for the legend.
    pub name: String,
    /// One of the four styles, 1 to 4: each has its colour, its width and its dashes.
    pub style: u8,
    /// Points, in units of the axes.
    pub points: Vec<[f64; 2]>,
}

/// A value that is not to be passed, across the whole plot.
#[derive(Clone, Debug)]
pub struct Level {
    /// What it is, with its figure.
    pub name: String,
    /// Where, in units of the upright axis.
    pub at: f64,
}

/// A stretch of the level axis.
#[derive(Clone, Debug)]
pub struct Zone {
    /// What it is, for the legend.
    pub name: String,
    /// Its ends, in units of the axis.
    pub ends: [f64; 2],
}

/// A plot with everything that belongs to it.
#[derive(Clone, Debug)]
pub struct Chart {
    /// Short name, unique on the page.
    pub id: &'static str,
    /// Heading.
    pub title: String,
    /// What it shows, in a sentence or two with the main figures.
    pub told: String,
    /// The level axis.
    pub x: Axis,
    /// The upright axis.
    pub y: Axis,
    /// Lines, the first at the bottom.
    pub lines: Vec<Line>,
    /// Levels.
    pub levels: Vec<Level>,
    /// Upright marks with numbers from 1: where something happens.
    pub marks: Option<(String, Vec<f64>)>,
    /// A stretch of the level axis.
    pub zone: Option<Zone>,
}

impl Chart {
    fn place(&self, x: f64, y: f64) -> [f64; 2] {
        let [width, height] = [SIZE[0] - ROOM[0] - ROOM[2], SIZE[1] - ROOM[1] - ROOM[3]];
        [ROOM[0] + self.x.share(x) * width, ROOM[1] + (1.0 - self.y.share(y)) * height]
    }

    /// The figure: caption, plot and legend; `more` stands below.
    pub fn figure(&self, more: Html) -> Html {
        let name = |part: &str| format!("plot-{}-{part}", self.id);
        let (title, told) = (name("title"), name("told"));
        let mut drawn = Html::element("title", &[("id", &title)], Html::text(&self.title));
        drawn.add(Html::element("desc", &[("id", &told)], Html::text(&self.told)));
        drawn.add(self.zone.as_ref().map_or_else(Html::new, |zone| self.zone(zone)));
        drawn.add(self.axes());
        drawn.add(self.lines.iter().map(|line| path(&format!("line s{}", line.style), &self.way(line))).collect());
        drawn.add(self.levels());
        drawn.add(self.marks());
        let both = format!("{title} {told}");
        let view = format!("0 0 {} {}", SIZE[0], SIZE[1]);
        let svg = Html::element("svg", &[("viewBox", &view), ("role", "img"), ("aria-labelledby", &both)], drawn);
        let frame = [("class", "wide"), ("role", "region"), ("tabindex", "0"), ("aria-label", self.title.as_str())];
        let mut caption = Html::words("strong", &self.title);
        caption.add(Html::text(". "));
        caption.add(Html::text(&self.told));
        let mut inside = Html::element("figcaption", &[], caption);
        inside.add(Html::element("div", &frame, svg));
        inside.add(self.legend());
        inside.add(more);
        Html::element("figure", &[("id", self.id)], inside)
    }

    /// Grid, labels and units.
    fn axes(&self) -> Html {
        let [left, bottom] = [ROOM[0], SIZE[1] - ROOM[3]];
        let right = SIZE[0] - ROOM[2];
        let mut drawn = Html::new();
        for (at, text) in self.y.ticks() {
            let y = self.place(self.x.low, at)[1];
            drawn.add(path("grid", &format!("M{left} {y:.1}H{right}")));
            drawn.add(label("end", left - 7.0, y + 4.5, "", &text));
        }
        for (at, text) in self.x.ticks() {
            let x = self.place(at, self.y.low)[0];
            drawn.add(path("tick", &format!("M{x:.1} {bottom}v5")));
            // The last may stand at the edge, and must not be cut.
            let most = SIZE[0] - 0.5 * DIGIT * text.chars().count() as f64;
            drawn.add(label("middle", x.min(most), bottom + 20.0, "", &text));
        }
        drawn.add(path("axis", &format!("M{left} {}V{bottom}H{right}", ROOM[1])));
        drawn.add(label("start", 4.0, 14.0, "unit", &self.y.label));
        drawn.add(label("end", right, SIZE[1] - 6.0, "unit", &self.x.label));
        drawn
    }

    fn zone(&self, zone: &Zone) -> Html {
        let [from, to] = zone.ends.map(|end| self.place(end, self.y.low)[0]);
        let [top, bottom] = [ROOM[1], SIZE[1] - ROOM[3]];
        path("zone", &format!("M{from:.1} {top}H{to:.1}V{bottom}H{from:.1}Z"))
    }

    /// The way of a line.
    fn way(&self, line: &Line) -> String {
        let (mut way, mut down) = (String::with_capacity(line.points.len() * 12), false);
        let mut last = [f64::NAN; 2];
        for [x, y] in &line.points {
            if !x.is_finite() || !y.is_finite() {
                down = false;
                continue;
            }
            let [at_x, at_y] = self.place(*x, *y).map(|part| (part * 10.0).round() / 10.0);
            // What lies level or upright takes half the room.
            match down {
                false => way.push_str(&format!("M{at_x} {at_y}")),
                true if [at_x, at_y] == last => {}
                true if at_y == last[1] => way.push_str(&format!("H{at_x}")),
                true if at_x == last[0] => way.push_str(&format!("V{at_y}")),
                true => way.push_str(&format!("L{at_x} {at_y}")),
            }
            (down, last) = (true, [at_x, at_y]);
        }
        way
    }

    /// Whether a line, or another level than `own`, runs where a label at the right or left end would stand.
    fn is_crowded(&self, own: &Level, upright: f64, at_right: bool) -> bool {
        let wide = 0.35 * (SIZE[0] - ROOM[0] - ROOM[2]);
        let [left, right] = [ROOM[0] + wide, SIZE[0] - ROOM[2] - wide];
        let beside = |x: f64| if at_right { x > right } else { x < left };
        let hides = |y: f64| (upright - CLOSE..upright + 4.0).contains(&y);
        let near = |at: [f64; 2]| beside(at[0]) && hides(at[1]);
        if self.levels.iter().any(|other| other.at != own.at && hides(self.place(self.x.low, other.at)[1])) {
            return true;
        }
        let mut pieces = self.lines.iter().flat_map(|line| line.points.windows(2));
        pieces.any(|piece| {
            let [from, to] = [piece[0], piece[1]].map(|[x, y]| self.place(x, y));
            // A long piece may pass the label between its ends.
            (0..=8)
                .map(|step| f64::from(step) / 8.0)
                .any(|share| near([from[0] + (to[0] - from[0]) * share, from[1] + (to[1] - from[1]) * share]))
        })
    }

    fn levels(&self) -> Html {
        let right = SIZE[0] - ROOM[2];
        let mut drawn = Html::new();
        let mut above: Option<f64> = None;
        let mut levels: Vec<&Level> = self.levels.iter().filter(|level| level.at.is_finite()).collect();
        levels.sort_by(|a, b| b.at.total_cmp(&a.at));
        for level in levels {
            let y = self.place(self.x.low, level.at)[1];
            drawn.add(path("level", &format!("M{} {y:.1}H{right}", ROOM[0])));
            let no_room = above.is_some_and(|above| y - above < CLOSE) || y < ROOM[1] + CLOSE;
            let spots = [(false, true), (true, true), (false, false), (true, false)];
            let mut spots = spots.into_iter().filter(|(under, _)| *under || !no_room);
            let upright_of = |under: bool| if under { y + 15.0 } else { y - 7.0 };
            // Where lines run everywhere, the first is as good as any.
            let is_free = |(under, at_right): &(bool, bool)| !self.is_crowded(level, upright_of(*under), *at_right);
            let (under, at_right) = spots.find(is_free).unwrap_or((no_room, true));
            match at_right {
                true => drawn.add(label("end", right - 3.0, upright_of(under), "name", &level.name)),
                false => drawn.add(label("start", ROOM[0] + 6.0, upright_of(under), "name", &level.name)),
            }
            above = Some(if under { y + CLOSE } else { y });
        }
        drawn
    }

    fn marks(&self) -> Html {
        let Some((_, places)) = &self.marks else { return Html::new() };
        let bottom = SIZE[1] - ROOM[3];
        // Numbers need room; where they would overlap only the strokes stay. Above the field stands the unit.
        let mut free = 0.0;
        let mut drawn = Html::new();
        for (index, at) in places.iter().enumerate() {
            let x = self.place(*at, self.y.low)[0];
            drawn.add(path("mark", &format!("M{x:.1} {}V{bottom}", ROOM[1])));
            if x >= free && places.len() > 1 {
                drawn.add(label("start", x + 3.0, ROOM[1] + NUMBER, "name", &(index + 1).to_string()));
                free = x + 22.0;
            }
        }
        drawn
    }

    fn legend(&self) -> Html {
        let sample = |class: &str, way: &str| {
            let attributes = [("viewBox", "0 0 34 12"), ("class", "key"), ("aria-hidden", "true")];
            Html::element("svg", &attributes, path(class, way))
        };
        let item = |class: &str, way: &str, words: &str| {
            let mut inside = sample(class, way);
            inside.add(Html::text(words));
            Html::element("li", &[], inside)
        };
        let mut items = Html::new();
        for line in self.lines.iter().rev() {
            items.add(item(&format!("line s{}", line.style), "M1 6H33", &line.name));
        }
        if !self.levels.is_empty() {
            items.add(item("level", "M1 6H33", "limit, named in the plot"));
        }
        if let Some((words, places)) = self.marks.as_ref().filter(|(_, places)| !places.is_empty()) {
            let words = if places.len() > 1 { format!("{words} (1 to {})", places.len()) } else { words.clone() };
            items.add(item("mark", "M17 0V12", &words));
        }
        if let Some(zone) = &self.zone {
            items.add(item("zone", "M1 1H33V11H1Z", &zone.name));
        }
        Html::element("ul", &[("class", "legend")], items)
    }
}

fn path(class: &str, way: &str) -> Html {
    Html::element("path", &[("class", class), ("d", way)], Html::new())
}

fn label(anchor: &str, x: f64, y: f64, class: &str, words: &str) -> Html {
    let (x, y) = (format!("{x:.1}"), format!("{y:.1}"));
    let attributes = [("x", x.as_str()), ("y", &y), ("text-anchor", anchor), ("class", class)];
    Html::element("text", &attributes, Html::text(words))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(axis: &Axis) -> Vec<String> {
        axis.ticks().into_iter().map(|(_, label)| label).collect()
    }

    #[test]
    fn axes_have_easy_figures() {
        assert_eq!(labels(&Axis::from_zero("s", 30.0)), ["0", "5", "10", "15", "20", "25", "30"]);
        assert_eq!(labels(&Axis::from_zero("s", 0.07)), ["0", "0.02", "0.04", "0.06"]);
        assert_eq!(labels(&Axis::from_zero("g", 13_000.0)), ["0", "2,500", "5,000", "7,500", "10,000", "12,500"]);
        assert_eq!(labels(&Axis::around("Hz", [3.0, 800.0].into_iter())), ["10", "100", "1,000"]);
        assert_eq!(labels(&Axis::around("Hz", [20.0, 20_000.0].into_iter())), ["100", "1,000", "10,000"]);
        assert_eq!(labels(&Axis::around("Hz", [1.2, 99.0].into_iter())), ["1", "2", "5", "10", "20", "50", "100"]);
        assert_eq!(labels(&Axis::from_zero("kg", 4e-4)), ["0", "0.0001", "0.0002", "0.0003", "0.0004"]);
        assert_eq!(
            labels(&Axis::from_zero("kg", 1.3e-5)),
            ["0", "2.5×10⁻⁶", "5×10⁻⁶", "7.5×10⁻⁶", "1×10⁻⁵", "1.25×10⁻⁵"]
        );
        assert_eq!(labels(&Axis::from_zero("mm³", 2.1e7)), ["0", "5,000,000", "1×10⁷", "1.5×10⁷", "2×10⁷"]);
        for odd in [f64::NAN, f64::INFINITY, -1.0, 0.0] {
            assert_eq!(labels(&Axis::from_zero("s", odd)), labels(&Axis::from_zero("s", 1.0)));
        }
        assert!(!labels(&Axis::around("s", std::iter::empty())).is_empty());
        let layers = |last: f64| labels(&Axis::between("layer", 0.5, last + 0.5).counted());
        assert_eq!(layers(1.0), ["1"]);
        assert_eq!(layers(5.0), ["1", "2", "3", "4", "5"]);
        assert_eq!(layers(12.0), ["2", "4", "6", "8", "10", "12"]);
        assert_eq!(layers(14.0), ["5", "10"]);
        assert_eq!(layers(150.0), ["25", "50", "75", "100", "125", "150"]);
    }

    /// The field is 218 high and begins at 26, so that a level at 8 of 10 lies at 69.6, and one at 7.5 at 80.5.
    #[test]
    fn names_of_levels_stand_where_no_line_runs() {
        let named = |points: Vec<[f64; 2]>, at: &[f64]| {
            let chart = Chart {
                id: "test",
                title: "Test".to_owned(),
                told: String::new(),
                x: Axis::from_zero("s", 10.0),
                y: Axis::from_zero("g", 10.0),
                lines: vec![Line { name: "line".to_owned(), style: 1, points }],
                levels: at.iter().map(|at| Level { name: format!("most {at}"), at: *at }).collect(),
                marks: None,
                zone: None,
            };
            chart.levels().into_string()
        };
        let across = |y: f64| vec![[0.0, y], [10.0, y]];
        let [end, start] = ["x=\"699.0\" y=\"{}\" text-anchor=\"end\"", "x=\"70.0\" y=\"{}\" text-anchor=\"start\""];
        let stands = |drawn: &str, side: &str, y: &str| assert!(drawn.contains(&side.replace("{}", y)), "{drawn}");
        stands(&named(across(7.7), &[8.0]), end, "62.6");
        stands(&named(across(8.5), &[8.0]), end, "84.6");
        stands(&named(vec![[5.0, 8.5], [10.0, 8.5], [10.0, 7.5], [5.0, 7.5]], &[8.0]), start, "62.6");
        let both = named(across(8.5), &[8.0, 7.5]);
        stands(&both, end, "62.6");
        stands(&both, end, "95.5");
    }

    #[test]
    fn lines_break_where_there_is_no_figure() {
        let points = vec![[0.0, 0.0], [5.0, 0.0], [5.0, 10.0], [f64::NAN, 1.0], [6.0, 5.0], [10.0, f64::INFINITY]];
        let chart = Chart {
            id: "test",
            title: "Test".to_owned(),
            told: String::new(),
            x: Axis::from_zero("s", 10.0),
            y: Axis::from_zero("g", 10.0),
            lines: vec![Line { name: "line".to_owned(), style: 1, points }],
            levels: vec![Level { name: "most".to_owned(), at: 8.0 }],
            marks: Some(("refill".to_owned(), vec![1.0, 1.1])),
            zone: None,
        };
        assert_eq!(chart.way(&chart.lines[0]), "M64 244H383V26M446.8 135");
        let html = chart.figure(Html::new()).into_string();
        assert!(html.contains("aria-labelledby=\"plot-test-title plot-test-told\"") && html.contains(">most</text>"));
        // The number stands within the field, beside its stroke: above it the unit of the axis would run into it.
        assert!(html.contains("<text x=\"130.8\" y=\"37.0\" text-anchor=\"start\" class=\"name\">1</text>"), "{html}");
        assert_eq!((html.matches("class=\"mark\"").count(), html.matches(">1</text>").count()), (3, 1));
    }
}

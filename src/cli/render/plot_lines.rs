//! Lines in a plane, as text for the terminal and as SVG.

use super::number::decimal;

/// A line through points with a legend.
#[derive(Clone, Debug)]
pub struct Line {
    /// Words of the legend.
    pub label: String,
    /// Character it is drawn with in text.
    pub mark: char,
    /// Points, rising in x.
    pub points: Vec<[f64; 2]>,
}

/// A drawing with axes. Both axes start at zero.
#[derive(Clone, Debug)]
pub struct Figure {
    /// What is shown.
    pub title: String,
    /// Quantity and unit of the axis to the right.
    pub x_label: String,
    /// Quantity and unit of the axis upwards.
    pub y_label: String,
    /// The lines.
    pub lines: Vec<Line>,
    /// One point that stands out, with its legend.
    pub dot: (String, [f64; 2]),
}

/// Columns and rows of the text drawing, without its axes.
const COLUMNS: usize = 64;
const ROWS: usize = 16;
/// Width, height and margins of the SVG, pixels.
const SIZE: [f64; 2] = [720.0, 540.0];
const LEFT: f64 = 80.0;
const BOTTOM: f64 = 60.0;
/// Height of the title, and of each line of the legend below it, pixels.
const TITLE: f64 = 40.0;
const LEGEND: f64 = 20.0;
const RIGHT: f64 = 24.0;
/// Colours and dashes of lines, told apart without colour as well.
const STYLES: [(&str, &str); 4] = [("#1f5fa8", "none"), ("#1f5fa8", "6 4"), ("#b3541e", "none"), ("#555555", "2 4")];

impl Figure {
    /// Ends of both axes: round numbers that hold all points.
    fn ends(&self) -> [f64; 2] {
        [0, 1].map(|axis| {
            let all = self.lines.iter().flat_map(|line| line.points.iter()).chain([&self.dot.1]);
            let most = all.map(|point| point[axis]).filter(|value| value.is_finite()).fold(0.0, f64::max);
            round_up(most)
        })
    }

    /// The drawing in characters, at most 78 wide.
    pub fn text(&self) -> String {
        let [x_end, y_end] = self.ends();
        let mut cells = vec![vec![' '; COLUMNS + 1]; ROWS + 1];
        for line in &self.lines {
            for column in 0..=COLUMNS {
                let x = x_end * column as f64 / COLUMNS as f64;
                if let Some(y) = at(&line.points, x) {
                    set(&mut cells, [x / x_end, y / y_end], line.mark);
                }
            }
        }
        let [x, y] = self.dot.1;
        set(&mut cells, [x / x_end, y / y_end], 'X');
        let mut text = format!("  {}\n", self.y_label);
        for (row, line) in cells.iter().enumerate() {
            let level = y_end * (ROWS - row) as f64 / ROWS as f64;
            let label = if row % 4 == 0 { tick(level, y_end) } else { String::new() };
            let drawn: String = line.iter().collect();
            text.push_str(format!("  {label:>8} |{drawn}").trim_end());
            text.push('\n');
        }
        text.push_str(&format!("  {:>8} +{}\n", "", "-".repeat(COLUMNS + 1)));
        let quarter = |n: usize| tick(x_end * n as f64 / 4.0, x_end);
        let width = COLUMNS / 4;
        let mut scale = format!("  {:>8}  {:<width$}", "", "0");
        for n in 1..4 {
            scale.push_str(&format!("{:<width$}", quarter(n)));
        }
        text.push_str(&format!("{scale}{}\n", quarter(4)));
        text.push_str(&format!("  {:>8}  {}\n", "", self.x_label));
        for line in &self.lines {
            text.push_str(&format!("  {:>8}  {} {}\n", "", line.mark, line.label));
        }
        text.push_str(&format!("  {:>8}  X {}\n", "", self.dot.0));
        text
    }

    /// The drawing as a file of its own.
    pub fn svg(&self) -> String {
        let [x_end, y_end] = self.ends();
        let [width, height] = SIZE;
        // The legend stands above the field, where it hides no line.
        let top = TITLE + LEGEND * (self.lines.len() + 1) as f64 + 8.0;
        let at = |[x, y]: [f64; 2]| {
            let right = LEFT + x / x_end * (width - LEFT - RIGHT);
            let down = height - BOTTOM - y / y_end * (height - top - BOTTOM);
            (right, down)
        };
        let mut svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" role=\"img\" font-family=\"sans-serif\" \
             font-size=\"13\">\n<title>{title}</title>\n<rect width=\"100%\" height=\"100%\" fill=\"white\"/>\n\
             <text x=\"{LEFT}\" y=\"24\" font-size=\"15\">{title}</text>\n",
            title = escaped(&self.title)
        );
        for n in 0..=4 {
            let share = f64::from(n) / 4.0;
            let (x, _) = at([x_end * share, 0.0]);
            let (_, y) = at([0.0, y_end * share]);
            let (right, bottom) = (width - RIGHT, height - BOTTOM);
            svg.push_str(&format!(
                "<path d=\"M{x:.1} {top}V{bottom}M{LEFT} {y:.1}H{right}\" stroke=\"#dddddd\" fill=\"none\"/>\n\
                 <text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>\n\
                 <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>\n",
                bottom + 18.0,
                tick(x_end * share, x_end),
                LEFT - 8.0,
                y + 4.0,
                tick(y_end * share, y_end),
            ));
        }
        svg.push_str(&format!(
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>\n\
             <text x=\"18\" y=\"{y:.1}\" text-anchor=\"middle\" transform=\"rotate(-90 18 {y:.1})\">{}</text>\n",
            0.5 * (LEFT + width - RIGHT),
            height - 14.0,
            escaped(&self.x_label),
            escaped(&self.y_label),
            y = 0.5 * (top + height - BOTTOM),
        ));
        let mut legend = TITLE + 12.0;
        for (line, (colour, dashes)) in self.lines.iter().zip(STYLES.iter().cycle()) {
            let points: Vec<String> = line
                .points
                .iter()
                .filter(|point| point.iter().all(|value| value.is_finite() && *value >= 0.0))
                .map(|point| at(*point))
                .map(|(x, y)| format!("{x:.1},{y:.1}"))
                .collect();
            let stroke = format!("stroke=\"{colour}\" stroke-width=\"2\" stroke-dasharray=\"{dashes}\" fill=\"none\"");
            svg.push_str(&format!("<polyline points=\"{}\" {stroke}/>\n", points.join(" ")));
            svg.push_str(&format!(
                "<path d=\"M{:.1} {:.1}h28\" {stroke}/>\n<text x=\"{:.1}\" y=\"{legend:.1}\">{}</text>\n",
                LEFT,
                legend - 4.0,
                LEFT + 40.0,
                escaped(&line.label)
            ));
            legend += LEGEND;
        }
        let (x, y) = at(self.dot.1);
        svg.push_str(&format!(
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"5\"/>\n<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"5\"/>\n\
             <text x=\"{:.1}\" y=\"{legend:.1}\">{}</text>\n</svg>\n",
            LEFT + 14.0,
            legend - 4.0,
            LEFT + 40.0,
            escaped(&self.dot.0)
        ));
        svg
    }
}

/// Height of a line at `x`, straight between its points; none beside them.
fn at(points: &[[f64; 2]], x: f64) -> Option<f64> {
    points.windows(2).find_map(|pair| match pair {
        [[x0, y0], [x1, y1]] if (*x0..=*x1).contains(&x) => {
            let share = if x1 > x0 { (x - x0) / (x1 - x0) } else { 0.0 };
            Some(y0 + share * (y1 - y0))
        }
        _ => None,
    })
}

/// Puts a mark where `share` of both axes points to; what lies outside is left out.
fn set(cells: &mut [Vec<char>], share: [f64; 2], mark: char) {
    let [x, y] = share;
    if !(0.0..=1.0).contains(&x) || !(0.0..=1.0).contains(&y) {
        return;
    }
    let (column, row) = ((x * COLUMNS as f64).round() as usize, ((1.0 - y) * ROWS as f64).round() as usize);
    if let Some(cell) = cells.get_mut(row).and_then(|line| line.get_mut(column)) {
        *cell = mark;
    }
}

/// The next round number whose quarters are short as well; 1 for nothing.
fn round_up(value: f64) -> f64 {
    if value <= 0.0 || !value.is_finite() {
        return 1.0;
    }
    let power = 10_f64.powf(value.log10().floor());
    let steps = [1.0, 1.2, 1.6, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0].into_iter().map(|step| step * power);
    steps.into_iter().find(|step| *step >= value * 0.999_999).unwrap_or(10.0 * power)
}

/// A number on an axis that ends at `end`.
fn tick(value: f64, end: f64) -> String {
    let decimals = if end >= 40.0 {
        0
    } else if end >= 4.0 {
        1
    } else {
        3
    };
    decimal(value, decimals)
}

pub fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn figure() -> Figure {
        Figure {
            title: "falls & rises <here>".to_owned(),
            x_label: "pressure, MPa".to_owned(),
            y_label: "flow, mm³/s".to_owned(),
            lines: vec![
                Line { label: "falls".to_owned(), mark: '*', points: vec![[0.0, 30.0], [8.0, 0.0]] },
                Line { label: "rises".to_owned(), mark: 'o', points: vec![[0.0, 0.0], [8.0, 30.0]] },
            ],
            dot: ("meets".to_owned(), [4.0, 15.0]),
        }
    }

    #[test]
    fn text_by_hand() {
        let text = figure().text();
        let rows: Vec<&str> = text.lines().skip(1).take(ROWS + 1).collect();
        let cell = |row: usize, column: usize| rows[row].chars().nth(12 + column).unwrap_or(' ');
        assert_eq!((cell(0, 0), cell(ROWS, 64), cell(0, 64), cell(ROWS, 0)), ('*', '*', 'o', 'o'));
        assert_eq!(cell(ROWS / 2, COLUMNS / 2), 'X');
        assert!(rows[0].starts_with("      30.0 |"), "{}", rows[0]);
        assert!(text.lines().all(|line| line.chars().count() <= 80));
    }

    #[test]
    fn svg_is_whole_and_escaped() {
        let svg = figure().svg();
        assert!(svg.starts_with("<svg ") && svg.ends_with("</svg>\n"));
        assert!(svg.contains("falls &amp; rises &lt;here&gt;"));
        assert_eq!(svg.matches("<polyline").count(), 2);
        // The dot stands in the middle of the field: 80 + 616 / 2, 480 - 372 / 2.
        assert!(svg.contains("<circle cx=\"388.0\" cy=\"294.0\""), "{svg}");
        // Lines stay in the field: 80 to 696 and 108 to 480.
        for polyline in svg.lines().filter(|line| line.starts_with("<polyline")) {
            let points = polyline.split('"').nth(1).unwrap();
            for point in points.split(' ') {
                let (x, y) = point.split_once(',').unwrap();
                let (x, y): (f64, f64) = (x.parse().unwrap(), y.parse().unwrap());
                assert!((80.0..=696.0).contains(&x) && (108.0..=480.0).contains(&y), "{point}");
            }
        }
        for word in ["pressure, MPa", "flow, mm³/s", "falls", "rises", "meets"] {
            assert!(svg.contains(word), "{word}");
        }
    }

    #[test]
    fn axes_end_at_round_numbers() {
        for (value, end) in [(0.0, 1.0), (0.93, 1.0), (7.3, 8.0), (100.0, 100.0), (130.0, 160.0), (f64::NAN, 1.0)] {
            assert!((round_up(value) - end).abs() < 1e-9, "{value}");
        }
    }
}

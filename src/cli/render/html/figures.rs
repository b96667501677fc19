//! The plots: what is drawn of the account and of its course.

use meltwright::profile::{Output, Profile};
use meltwright::summary::course::{Course, LayerSpan, Series};
use meltwright::summary::{Band, Figures, PartFigures, Summary};

use super::chart::{Axis, Chart, Level, Line, Zone};
use super::markup::{Column, Grid, Html};
use crate::cli::render::demand::{Demand, relation};
use crate::cli::render::hopper::left;
use crate::cli::render::number::{as_set, counted, decimal, flow, percent, time};
use crate::cli::render::parts::e_leads;

/// Rows of the tables below plots over time.
const ROWS: usize = 12;
/// Accelerations from here on bound nothing, mm/s².
const FREE_MM_S2: f64 = 100_000.0;

/// Room above the highest level, for its name, as a share of what is below.
const HEADROOM: f64 = 1.12;

/// What the plots are made of.
#[derive(Clone, Copy, Debug)]
pub struct Sources<'a> {
    /// The account.
    pub summary: &'a Summary,
    /// Its course.
    pub course: &'a Course,
    /// The profile it was made with.
    pub profile: &'a Profile,
    /// What the output is called: it was written, or a rewrite would make it.
    pub output: &'static str,
    /// Whether the output was written, so that it is what is printed.
    pub is_written: bool,
}

/// Unit of an axis of time, and seconds in it.
fn clock(longest_s: f64) -> (f64, &'static str) {
    match longest_s {
        s if s > 3.0 * 3600.0 => (3600.0, "time since the start, h"),
        s if s > 180.0 => (60.0, "time since the start, min"),
        _ => (1.0, "time since the start, s"),
    }
}

/// Where the largest value is: its index and itself.
fn largest(values: impl Iterator<Item = f64>) -> (usize, f64) {
    values.enumerate().fold((0, 0.0), |best, (index, value)| if value > best.1 { (index, value) } else { best })
}

/// A figure for each bin, as a line in steps.
fn steps(series: &Series, unit_s: f64, values: impl Iterator<Item = f64>) -> Vec<[f64; 2]> {
    let end = series.end_s();
    let edges = |index: usize| [index, index + 1].map(|edge| (edge as f64 * series.width_s()).min(end) / unit_s);
    values.enumerate().flat_map(|(index, value)| edges(index).map(|edge| [edge, value])).collect()
}

impl Sources<'_> {
    /// Whether the output runs otherwise than the file.
    pub fn differs(&self) -> bool {
        self.course.before != self.course.after && !self.summary.provenance.input_is_output
    }

    fn longest_s(&self) -> f64 {
        self.course.before.end_s().max(self.course.after.end_s())
    }

    /// Demand against time, before and after.
    pub fn demand(&self) -> Html {
        let Summary { before, after, .. } = self.summary;
        if Demand::of(self.summary) == Demand::Unknown {
            // A line at nothing would be a figure.
            let takes = time(self.course.before.end_s());
            return Html::words("p", &format!("What is asked of the screw is not known. The print takes {takes}."));
        }
        let mut plots = self.demand_of("demand", "Demand of the file as it came", &self.course.before, before);
        if self.differs() {
            let title = format!("Demand {}", self.output);
            plots.add(self.demand_of("demand-after", &title, &self.course.after, after));
        }
        plots
    }

    /// The plot of a series; the highest values are those of the `figures`, which no step of time blurs.
    fn demand_of(&self, id: &'static str, title: &str, series: &Series, figures: &Figures) -> Html {
        let record = &self.summary.provenance;
        let (unit_s, x) = clock(self.longest_s());
        let peaks = || series.bins().iter().map(|bin| bin.peak_mm3_s);
        let window_s = record.sustained_window_s.max(series.width_s());
        let means = series.average(window_s);
        let all = [&self.course.before, &self.course.after].into_iter().flat_map(|series| series.bins());
        let highest = all.map(|bin| bin.peak_mm3_s).fold(record.peak_capacity_mm3_s, f64::max);
        let (at, (mean_at, drawn)) = (largest(peaks()).0, largest(means.iter().copied()));
        let (peak, mean) = (figures.peak_demand_mm3_s, figures.sustained_demand_mm3_s);
        let when = |index: usize| time(index as f64 * series.width_s());
        let against = |asked: f64, given: f64| format!("{} the capacity of {}", relation(asked, given), flow(given));
        let on_average = || {
            format!(
                "the mean over {} reaches {} (at {}), {}",
                time(record.sustained_window_s),
                flow(mean),
                when(mean_at),
                against(mean, record.sustained_capacity_mm3_s)
            )
        };
        let asked = match Demand::of(self.summary) {
            Demand::Beads => {
                let against = against(peak, record.peak_capacity_mm3_s);
                format!("Single beads ask up to {} (at {}), {against}; {}", flow(peak), when(at), on_average())
            }
            Demand::AtRest => format!("The screw turns at rest only; {}", on_average()),
            Demand::None | Demand::Unknown => "There is no bead of the screw".to_owned(),
        };
        let (end, step) = (time(series.end_s()), time(series.width_s()));
        // The account goes move by move, the line by its steps.
        let coarser = match Demand::of(self.summary) {
            Demand::Beads | Demand::AtRest if flow(drawn) != flow(mean) => {
                format!("; worked out by these steps, the line of the mean reaches {}", flow(drawn))
            }
            _ => String::new(),
        };
        let told = format!("{asked}. The print takes {end}; each step of the line is {step} wide{coarser}.");
        let chart = Chart {
            id,
            title: title.to_owned(),
            told,
            x: Axis::from_zero(x, self.longest_s() / unit_s),
            y: Axis::from_zero("demand, mm³/s", highest * HEADROOM),
            lines: vec![
                Line { name: "highest of any bead".to_owned(), style: 1, points: steps(series, unit_s, peaks()) },
                Line {
                    name: format!("mean over {}", time(window_s)),
                    style: 2,
                    points: steps(series, unit_s, means.iter().copied()),
                },
            ],
            levels: self.capacities(),
            marks: None,
            zone: None,
        };
        chart.figure(table(title, series, &means))
    }

    fn capacities(&self) -> Vec<Level> {
        let record = &self.summary.provenance;
        let (peak, sustained) = (record.peak_capacity_mm3_s, record.sustained_capacity_mm3_s);
        let level = |name: &str, at: f64| Level { name: format!("{name} {}", flow(at)), at };
        match sustained < peak * 0.999 {
            true => vec![level("peak capacity", peak), level("sustained capacity", sustained)],
            false => vec![level("peak and sustained capacity", peak)],
        }
    }

    /// Screw speed against time; nothing for a print without beads.
    pub fn screw(&self) -> Html {
        if Demand::of(self.summary) != Demand::Beads {
            return Html::new();
        }
        let screw = &self.profile.screw;
        let most = screw.max_speed_rpm.value;
        let (unit_s, x) = clock(self.longest_s());
        let speeds = |series: &Series| -> Vec<f64> {
            series.bins().iter().map(|bin| rpm_of(&screw.output.value, bin.peak_mm3_s)).collect()
        };
        let (before, after) = (speeds(&self.course.before), speeds(&self.course.after));
        let line = |name: &str, style: u8, series: &Series, values: &[f64]| Line {
            name: name.to_owned(),
            style,
            points: steps(series, unit_s, values.iter().copied()),
        };
        let mut lines = vec![line("the file as it came", 1, &self.course.before, &before)];
        let fastest = largest(before.iter().copied()).1;
        let mut told = format!("The fastest bead needs {} rev/min", decimal(fastest, 0));
        let mut highest = fastest.max(most);
        if self.differs() {
            lines.push(line(self.output, 2, &self.course.after, &after));
            let then = largest(after.iter().copied()).1;
            told.push_str(&format!(", {} rev/min {}", decimal(then, 0), self.output));
            highest = highest.max(then);
        }
        told.push_str(&format!(", of {} rev/min the screw has. ", decimal(most, 0)));
        told.push_str(match e_leads(self.summary) {
            true => "Speeds are those of the fastest piece of each step, with what makes up for the lag of the melt.",
            false => {
                "Speeds are those of steady flow for the fastest bead of each step; what makes up for the lag of the melt \
                 comes on top for moments."
            }
        });
        let chart = Chart {
            id: "screw-speed",
            title: "Screw speed".to_owned(),
            told,
            x: Axis::from_zero(x, self.longest_s() / unit_s),
            y: Axis::from_zero("screw speed, rev/min", highest * HEADROOM),
            lines,
            levels: vec![Level { name: format!("highest speed {} rev/min", decimal(most, 0)), at: most }],
            marks: None,
            zone: None,
        };
        chart.figure(Html::new())
    }

    /// The output curve with where the print runs on it; nothing for a profile without a curve.
    pub fn curve(&self) -> Html {
        let screw = &self.profile.screw;
        let Output::Curve(points) = &screw.output.value else { return Html::new() };
        let peak = self.summary.provenance.peak_capacity_mm3_s;
        let (flows, series) = match self.is_written {
            true => (&self.course.flows_after, &self.course.after),
            false => (&self.course.flows_before, &self.course.before),
        };
        let ends = flows.quantile(0.05).zip(flows.quantile(0.95));
        // Shares are told to the end of their step, which may lie above the fastest bead.
        let fastest = largest(series.bins().iter().map(|bin| bin.peak_mm3_s)).1;
        let speed = |share: f64| rpm_of(&screw.output.value, (share * peak).min(fastest));
        let ends = ends.map(|(low, high)| [low, high].map(speed));
        let last = points.last().copied().unwrap_or_default();
        let most = screw.max_speed_rpm.value;
        let right = last[0].max(most);
        let mut line = vec![[0.0, 0.0]];
        line.extend(points);
        if last[0] < right {
            line.push([right, last[1]]);
        }
        let run = ends.map_or_else(String::new, |[low, high]| {
            format!(
                " Nine tenths of the bead time {} lie between {} and {} rev/min{}.",
                if self.is_written { "in the output" } else { "of the file" },
                decimal(low, 0),
                decimal(high, 0),
                if high > most { ", which is more than the screw has" } else { "" }
            )
        });
        let chart = Chart {
            id: "output-curve",
            title: "Output of the screw".to_owned(),
            told: format!(
                "{} points, {}; the last gives {} at {} rev/min, and beyond it nothing more is counted on.{run}",
                points.len(),
                screw.output.provenance,
                flow(last[1]),
                decimal(last[0], 0)
            ),
            x: Axis::from_zero("screw speed, rev/min", right * 1.05),
            y: Axis::from_zero("output, mm³/s", last[1].max(peak) * HEADROOM),
            lines: vec![Line { name: "output".to_owned(), style: 2, points: line }],
            levels: self.capacities(),
            marks: Some((format!("highest screw speed, {} rev/min", decimal(most, 0)), vec![most])),
            zone: ends.map(|ends| Zone { name: "where the print runs, nine tenths of its bead time".to_owned(), ends }),
        };
        chart.figure(Html::new())
    }

    /// What the hopper holds against time, or what has been used where the hopper is not known.
    pub fn hopper(&self) -> Html {
        let Some(plan) = &self.summary.hopper else { return Html::new() };
        let series = if self.is_written { &self.course.fed } else { &self.course.before };
        let (unit_s, x) = clock(series.end_s());
        let grams = self.profile.feedstock.density_g_cm3.value * 1e-3;
        let ends = (1..=series.bins().len()).map(|edge| (edge as f64 * series.width_s()).min(series.end_s()));
        let mut used = ends.zip(series.melt_so_far().map(|melt| melt * grams)).peekable();
        let x = Axis::from_zero(x, series.end_s() / unit_s);
        let (Some(usable), Some(margin)) = (plan.usable_g, plan.margin_g) else {
            let mut points = vec![[0.0, 0.0]];
            points.extend(used.map(|(at, grams)| [at / unit_s, grams]));
            let chart = Chart {
                id: "used",
                title: "Feedstock used".to_owned(),
                told: format!(
                    "The print takes {} g. The hopper is not known: hopper.usable_g in the profile plans refills.",
                    decimal(plan.total_g, 1)
                ),
                x,
                y: Axis::from_zero("used, g", plan.total_g * 1.06),
                lines: vec![Line { name: "used so far".to_owned(), style: 2, points }],
                levels: Vec::new(),
                marks: None,
                zone: None,
            };
            return chart.figure(Html::new());
        };
        // From one refill to the next the level falls by what is used.
        let (mut level, mut from, mut points) = (usable, 0.0, vec![[0.0, usable]]);
        for refill in &plan.refills {
            while let Some((at, now)) = used.next_if(|(at, _)| *at < refill.time_s) {
                points.push([at / unit_s, (level - (now - from)).max(0.0)]);
            }
            let purged: f64 =
                plan.refills.iter().take_while(|other| other.time_s < refill.time_s).map(|r| r.purge_g).sum();
            let at = refill.time_s / unit_s;
            points.extend([[at, refill.left_g.max(0.0)], [at, refill.left_g.max(0.0) + refill.refill_g]]);
            level = refill.left_g.max(0.0) + refill.refill_g - refill.purge_g;
            points.push([at, level]);
            from = refill.used_g - purged;
        }
        points.extend(used.map(|(at, now)| [at / unit_s, (level - (now - from)).max(0.0)]));
        let refills = plan.refills.len() as u64;
        let chart = Chart {
            id: "hopper-level",
            title: "Level of the hopper".to_owned(),
            told: format!(
                "Full it gives {} g; the print takes {} g with {}, and {} g are left at the end. Standing still for \
                 refills is not counted in the time.",
                as_set(usable),
                decimal(plan.total_g, 1),
                if refills == 0 { "no refill".to_owned() } else { counted(refills, "refill") },
                left(plan)
            ),
            x,
            y: Axis::from_zero("in the hopper, g", usable * HEADROOM),
            lines: vec![Line { name: "in the hopper".to_owned(), style: 2, points }],
            levels: vec![Level { name: format!("margin {} g", as_set(margin)), at: margin }],
            marks: Some(("refill".to_owned(), plan.refills.iter().map(|refill| refill.time_s / unit_s).collect())),
            zone: None,
        };
        chart.figure(Html::new())
    }

    /// Times of layers against what they need.
    pub fn layer_times(&self) -> Html {
        let layers = &self.course.layers;
        if layers.spans().is_empty() {
            return Html::new();
        }
        let line = |name: &str, style, of: &dyn Fn(&LayerSpan) -> f64| Line {
            name: name.to_owned(),
            style,
            points: layers
                .spans()
                .iter()
                .flat_map(|span| [[f64::from(span.first) - 0.5, of(span)], [f64::from(span.last) + 0.5, of(span)]])
                .collect(),
        };
        let mut lines = vec![line("the file as it came", 1, &|span| span.before_s)];
        if self.differs() {
            lines.push(line(self.output, 2, &|span| span.after_s));
        }
        let bands = self.summary.part.as_ref().map_or(&[][..], |part| part.bands.list());
        let needs = bands.iter().map(|band| band.least_time_s).fold(0.0, f64::max);
        if needs > 0.0 {
            let ends = |first: u32, last: u32| [f64::from(first) - 0.5, f64::from(last) + 0.5];
            let points = bands
                .iter()
                .flat_map(|band| ends(band.first_layer, band.last_layer).map(|edge| [edge, band.least_time_s]));
            lines.push(Line { name: "needed to cool".to_owned(), style: 3, points: points.collect() });
        }
        let least = |of: &dyn Fn(&LayerSpan) -> f64| time(layers.spans().iter().map(of).fold(f64::INFINITY, f64::min));
        let mut shortest = least(&|span| span.before_s);
        if self.differs() {
            shortest.push_str(&format!(", {} {}", least(&|span| span.after_s), self.output));
        }
        let need = match needs > 0.0 {
            true => format!("layers need up to {} to cool", time(needs)),
            false if e_leads(self.summary) => {
                "how long a layer needs to cool is told by an audit of the file this one was made from".to_owned()
            }
            false if self.profile.part.solid_temperature_c.value.is_some() => {
                "none has to cool for the next".to_owned()
            }
            false => "how long a layer needs to cool is not known (part.solid_temperature_c)".to_owned(),
        };
        let joined = match layers.per_span() {
            1 => String::new(),
            n => format!(" Each step shows the shortest of {n} layers."),
        };
        let last = layers.spans().last().map_or(1, |span| span.last);
        let values = lines.iter().flat_map(|line| line.points.iter().map(|point| point[1]));
        let chart = Chart {
            id: "layer-time",
            title: "Layer time".to_owned(),
            told: format!("The shortest layer takes {shortest}; {need}.{joined}"),
            x: Axis::between("layer", 0.5, f64::from(last) + 0.5).counted(),
            y: Axis::around("time of a layer, s", values),
            lines,
            levels: Vec::new(),
            marks: None,
            zone: None,
        };
        chart.figure(Html::new())
    }

    /// What the part bears, against its height.
    pub fn part(&self) -> Html {
        let Some(part) = &self.summary.part else { return Html::new() };
        [self.accelerations(part), self.deflection(part), self.frequency(part)].into_iter().collect()
    }

    /// The axis the bands are drawn against, and where each begins and ends on it: heights, or layers where objects
    /// stand one after the other and heights fall back.
    fn heights(part: &PartFigures) -> (Axis, Vec<[f64; 2]>) {
        let bands = part.bands.list();
        if bands.windows(2).any(|pair| pair[1].z_mm < pair[0].z_mm) {
            let ends = bands.iter().map(|band| [f64::from(band.first_layer) - 1.0, f64::from(band.last_layer)]);
            let last = bands.last().map_or(1.0, |band| f64::from(band.last_layer));
            return (Axis::from_zero("layer", last).counted(), ends.collect());
        }
        let mut below = (0, 0.0);
        let ends = bands.iter().map(|band| {
            let (last, z_mm) = std::mem::replace(&mut below, (band.last_layer, band.z_mm));
            // Layers between two bands hold nothing of the part: the band has its share of the height up to it.
            let own = f64::from(band.last_layer + 1 - band.first_layer) / f64::from(band.last_layer - last);
            [if own < 1.0 { band.z_mm - own * (band.z_mm - z_mm) } else { z_mm }, band.z_mm]
        });
        let ends = ends.collect();
        (Axis::from_zero("height z, mm", bands.last().map_or(1.0, |band| band.z_mm)), ends)
    }

    fn accelerations(&self, part: &PartFigures) -> Html {
        let least = self.profile.part.least_accel_mm_s2.value;
        let bounded = |value: Option<f64>| value.filter(|value| *value < FREE_MM_S2);
        let lines = bands(
            part,
            &[("along X", 1, &|band| bounded(band.accel_x_mm_s2)), ("along Y", 2, &|band| bounded(band.accel_y_mm_s2))],
        );
        let softest = part.softest().map_or_else(String::new, |band| {
            let bears = [band.accel_x_mm_s2, band.accel_y_mm_s2].into_iter().flatten().fold(f64::INFINITY, f64::min);
            let bears = decimal(bears, if bears < 10.0 { 1 } else { 0 });
            format!(" Least: {bears} mm/s², up to z {} mm.", decimal(band.z_mm, 1))
        });
        let told = format!(
            "Highest acceleration at which the part sways by no more than {} of the bead width, on the low side of its \
             modulus ({} MPa).{softest} Where there is no line the part bears any acceleration.",
            percent(self.profile.part.sway_share.value),
            decimal(part.modulus_mpa, 2)
        );
        let level = Level { name: format!("least that is set {} mm/s²", decimal(least, 0)), at: least };
        over_height(
            "acceleration",
            "Acceleration the part bears",
            told,
            "acceleration, mm/s²",
            part,
            lines,
            vec![level],
        )
    }

    fn deflection(&self, part: &PartFigures) -> Html {
        let lines = bands(
            part,
            &[
                ("sway at the acceleration of the machine", 1, &|band| band.sway_mm),
                ("drag of the nozzle at the fastest bead", 2, &|band| band.drag_mm),
            ],
        );
        let told =
            "How far the top of the part is bent while a layer is laid, worst of each band of layers.".to_owned();
        over_height("deflection", "Deflection", told, "deflection, mm", part, lines, Vec::new())
    }

    fn frequency(&self, part: &PartFigures) -> Html {
        let lines = bands(part, &[("lowest frequency", 2, &|band| band.frequency_hz)]);
        let told = "How often a second the part swings by itself: the lower, the longer it goes on after a corner.";
        over_height("frequency", "Frequency", told.to_owned(), "frequency, Hz", part, lines, Vec::new())
    }
}

/// A figure of a band.
type OfBand<'a> = &'a dyn Fn(&Band) -> Option<f64>;

/// Lines in steps, one for each figure of the bands that is known anywhere.
fn bands(part: &PartFigures, figures: &[(&str, u8, OfBand<'_>)]) -> Vec<Line> {
    let (_, ends) = Sources::heights(part);
    // A line breaks where it does not go on from the band below.
    let starts = std::iter::once(None).chain(ends.iter().map(|ends| Some(ends[1])));
    let breaks: Vec<bool> = starts.zip(&ends).map(|(below, ends)| below.is_some_and(|z| z < ends[0])).collect();
    let line = |(name, style, of): &(&str, u8, OfBand<'_>)| Line {
        name: (*name).to_owned(),
        style: *style,
        points: part
            .bands
            .list()
            .iter()
            .zip(&ends)
            .zip(&breaks)
            .flat_map(|((band, ends), breaks)| {
                let gap = breaks.then_some([ends[0], f64::NAN]);
                gap.into_iter().chain(ends.map(|edge| [edge, of(band).unwrap_or(f64::NAN)]))
            })
            .collect(),
    };
    let known = |line: &Line| line.points.iter().any(|point| point[1].is_finite());
    figures.iter().map(line).filter(known).collect()
}

fn over_height(
    id: &'static str,
    title: &str,
    told: String,
    unit: &str,
    part: &PartFigures,
    lines: Vec<Line>,
    levels: Vec<Level>,
) -> Html {
    if lines.is_empty() {
        return Html::new();
    }
    let values = lines.iter().flat_map(|line| line.points.iter().map(|point| point[1]));
    let y = Axis::around(unit, values.chain(levels.iter().map(|level| level.at)));
    let (x, _) = Sources::heights(part);
    let chart = Chart { id, title: title.to_owned(), told, x, y, lines, levels, marks: None, zone: None };
    chart.figure(Html::new())
}

/// Screw speed for a flow, rev/min. Beyond the last point of a curve its last specific output is taken.
fn rpm_of(output: &Output, flow_mm3_s: f64) -> f64 {
    let beyond = |per_turn: f64| if per_turn > 0.0 { flow_mm3_s * 60.0 / per_turn } else { 0.0 };
    let Output::Curve(points) = output else { return beyond(output.per_turn_mm3()) };
    let mut before = [0.0, 0.0];
    for point in points {
        if flow_mm3_s <= point[1] {
            return before[0] + (flow_mm3_s - before[1]) / (point[1] - before[1]) * (point[0] - before[0]);
        }
        before = *point;
    }
    beyond(output.per_turn_mm3())
}

/// The same as a table of a few rows, to be read out.
fn table(title: &str, series: &Series, means: &[f64]) -> Html {
    let each = series.bins().len().div_ceil(ROWS).max(1);
    let heads = [
        ("from", Column::Figures),
        ("to", Column::Figures),
        ("highest of any bead, mm³/s", Column::Figures),
        ("highest mean, mm³/s", Column::Figures),
    ];
    let mut grid = Grid::new(&format!("{title}, in figures"), heads);
    for (index, (bins, means)) in series.bins().chunks(each).zip(means.chunks(each)).enumerate() {
        let edge = |index: usize| time(((index * each) as f64 * series.width_s()).min(series.end_s()));
        grid.row([
            edge(index),
            edge(index + 1),
            decimal(largest(bins.iter().map(|bin| bin.peak_mm3_s)).1, 1),
            decimal(largest(means.iter().copied()).1, 1),
        ]);
    }
    let mut inside = Html::words("summary", "The same in figures");
    inside.add(grid.html());
    Html::element("details", &[], inside)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Layers 1 and 2 hold nothing of the part, nor do 6 and 7.
    #[test]
    fn nothing_is_drawn_where_no_band_is() {
        let mut part = PartFigures::default();
        for (layer, z_mm) in [(3, 3.0), (4, 4.0), (5, 5.0), (8, 8.0)] {
            let frequency_hz = Some(10.0 * f64::from(layer));
            part.bands.add(&Band { first_layer: layer, last_layer: layer, z_mm, frequency_hz, ..Band::default() });
        }
        let (_, ends) = Sources::heights(&part);
        assert_eq!(ends, [[2.0, 3.0], [3.0, 4.0], [4.0, 5.0], [7.0, 8.0]]);
        let lines = bands(&part, &[("frequency", 1, &|band| band.frequency_hz)]);
        let places: Vec<f64> = lines[0].points.iter().map(|point| point[0]).collect();
        assert_eq!(places, [2.0, 3.0, 3.0, 4.0, 4.0, 5.0, 7.0, 7.0, 8.0]);
        assert!(lines[0].points[6][1].is_nan(), "the line breaks");
    }

    #[test]
    fn speeds_of_the_screw_by_hand() {
        let curve = Output::Curve(vec![[20.0, 5.0], [60.0, 13.0]]);
        // Half-way to the first point; half-way between; beyond, 13 mm³/s at 60 rev/min go on: 26 at 120.
        for (flow, rpm) in [(2.5, 10.0), (9.0, 40.0), (13.0, 60.0), (26.0, 120.0), (0.0, 0.0)] {
            assert!((rpm_of(&curve, flow) - rpm).abs() < 1e-9, "{flow}");
        }
        assert!((rpm_of(&Output::Constant(12.0), 10.0) - 50.0).abs() < 1e-9);
    }
}

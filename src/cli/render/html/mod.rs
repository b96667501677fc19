//! A report as one HTML file: no network, no font, no library; a script for the layers alone.
//!
//! Everything in it comes from the summary, its course and the profile, so that the same input gives the same bytes.

mod chart;
mod colour;
mod figures;
mod markup;
mod viewer;

use meltwright::findings::Code;
use meltwright::pipeline::Passes;
use meltwright::pipeline::expectations::expectations;
use meltwright::profile::{Profile, Provenance};
use meltwright::summary::{Finding, Level, PlaceKind, Summary};

use super::demand::Demand;
use super::number::{added, count, counted, decimal, flow, time};
use super::parts::{CAUTIONS, reason};
use super::summary::Tense;
use super::{audit, hopper, part, parts, replay, summary};
use crate::cli::plan::{Job, Sink};
use figures::Sources;
use markup::{Column, Grid, Html};

const STYLE: &str = include_str!("report.css");
/// Nothing is loaded from anywhere, whatever a file name or a comment holds.
const POLICY: &str = include_str!("policy.txt");

/// The report of one file.
pub fn page(job: &Job, summary: &Summary) -> String {
    let tense = match job.sink {
        Sink::Audit => None,
        Sink::Nowhere => Some(Tense::Would),
        Sink::Stdout | Sink::File(_) => Some(Tense::Was),
    };
    let path = job.source.name();
    let file = job.source.path().and_then(std::path::Path::file_name);
    let name = file.map_or_else(|| path.clone(), |file| file.display().to_string());
    let report = Report { name, path, summary, profile: &job.profile.profile, tense };
    report.page()
}

struct Report<'a> {
    /// Name of the file.
    name: String,
    /// The same with its folders, as it was typed.
    path: String,
    summary: &'a Summary,
    profile: &'a Profile,
    /// Whether a rewrite was, or would be made; `None` for an audit.
    tense: Option<Tense>,
}

/// A section with its heading; nothing for nothing.
fn section(id: &str, heading: &str, inside: Html) -> Html {
    if inside.is_empty() {
        return Html::new();
    }
    let title = format!("{id}-title");
    let mut all = Html::element("h2", &[("id", &title)], Html::text(heading));
    all.add(inside);
    Html::element("section", &[("id", id), ("aria-labelledby", &title)], all)
}

const fn level(level: Level) -> (&'static str, &'static str) {
    match level {
        Level::Error => ("error", "Error"),
        Level::Warning => ("warning", "Warning"),
        Level::Note => ("note", "Note"),
    }
}

/// A sentence: what stands between backticks is typed, the rest begins and ends as sentences do.
fn said(words: &str) -> Html {
    let first = words.split_whitespace().next().unwrap_or_default();
    let is_key = first.contains(['.', '_', '`', '=']);
    let mut letters = words.chars();
    let mut text: String = match letters.next() {
        Some(letter) if !is_key => letter.to_uppercase().chain(letters).collect(),
        _ => words.to_owned(),
    };
    if !text.is_empty() && !text.ends_with(['.', '!', '?']) {
        text.push('.');
    }
    let pieces = text.split('`').enumerate();
    pieces.map(|(index, piece)| if index % 2 == 1 { Html::words("code", piece) } else { Html::text(piece) }).collect()
}

impl Report<'_> {
    fn page(&self) -> String {
        let sources = self.summary.course.as_deref().map(|course| Sources {
            summary: self.summary,
            course,
            profile: self.profile,
            output: if self.tense == Some(Tense::Was) { "as rewritten" } else { "as a rewrite would make it" },
            is_written: self.tense.is_some(),
        });
        let draw = |plots: &[&dyn Fn(&Sources<'_>) -> Html]| -> Html {
            sources.iter().flat_map(|sources| plots.iter().map(move |plot| plot(sources))).collect()
        };
        let mut part = draw(&[&|s: &Sources<'_>| s.part(), &|s: &Sources<'_>| s.layer_times()]);
        part.add(self.bands());
        let mut granules = draw(&[&|s: &Sources<'_>| s.hopper()]);
        granules.add(self.pauses());
        granules.add(self.refills());
        let sections = [
            ("findings", "Findings", self.findings()),
            (
                "screw",
                "Screw and melt",
                draw(&[&|s: &Sources<'_>| s.demand(), &|s: &Sources<'_>| s.screw(), &|s: &Sources<'_>| s.curve()]),
            ),
            ("part", "Part and layers", part),
            ("hopper", "Hopper", granules),
            ("layers", "Layer by layer", draw(&[&viewer::section])),
            ("changes", self.changes_heading(), self.changes()),
            ("laid", "What is laid, on the virtual machine", self.laid()),
            ("profile", "What this rests on", self.assumptions()),
            ("mind", "Before printing", Html::words("p", CAUTIONS)),
            ("controller", "What the controller has to be set to", self.controller()),
            ("record", "Record", self.record()),
        ];
        let links = sections.iter().filter(|(_, _, inside)| !inside.is_empty()).map(|(id, heading, _)| {
            let link = Html::element("a", &[("href", &format!("#{id}"))], Html::text(heading));
            Html::element("li", &[], link)
        });
        let links =
            Html::element("nav", &[("aria-label", "Parts of this report")], Html::element("ul", &[], links.collect()));
        let mut body = Html::element("header", &[], [self.head(), links].into_iter().collect());
        let sections = sections.into_iter().map(|(id, heading, inside)| section(id, heading, inside));
        body.add(Html::element("main", &[], sections.collect()));
        let what = if self.tense.is_some() { "Rewrite" } else { "Audit" };
        let title = Html::words("title", &format!("{what} of {} - {}", self.name, env!("CARGO_PKG_NAME")));
        let head = [
            Html::void("meta", &[("charset", "utf-8")]),
            Html::void("meta", &[("http-equiv", "Content-Security-Policy"), ("content", POLICY)]),
            Html::void("meta", &[("name", "viewport"), ("content", "width=device-width, initial-scale=1")]),
            title,
            Html::element("style", &[], Html::plain(&format!("{STYLE}{}", viewer::colours()))),
        ];
        let head = Html::element("head", &[], head.into_iter().collect());
        let page =
            Html::element("html", &[("lang", "en")], [head, Html::element("body", &[], body)].into_iter().collect());
        format!("<!DOCTYPE html>\n{}\n", page.into_string())
    }

    /// File, verdict and main figures.
    fn head(&self) -> Html {
        let (found, record) = (self.summary, &self.summary.provenance);
        let number = |level| found.findings.iter().filter(|finding| finding.level == level).count() as u64;
        let (errors, warnings) = (number(Level::Error), number(Level::Warning));
        let printed = if self.tense.is_some() { "the output" } else { "this file" };
        let is_judged = !parts::tells(found, Code::NotJudged);
        let verdict = match (errors, warnings) {
            _ if !is_judged => format!("Nothing is known of {printed}."),
            (0, 0) => format!("Nothing was found that stands against printing {printed}."),
            (0, n) => format!("Before printing {printed}, look at {}.", counted(n, "warning")),
            (n, 0) => format!("Do not print {printed} as it is: {}.", counted(n, "error")),
            (n, m) => format!("Do not print {printed} as it is: {}, {}.", counted(n, "error"), counted(m, "warning")),
        };
        let headline = self.tense.map_or_else(|| audit::asks(found), |tense| summary::headline(found, tense));
        let what = if self.tense.is_some() { "Rewrite of " } else { "Audit of " };
        let mut title = Html::text(what);
        title.add(Html::words("bdi", &self.name));
        let mut all = Html::element("h1", &[], title);
        all.add(Html::element("p", &[("class", "verdict")], Html::text(&verdict)));
        all.add(Html::element("p", &[], said(&headline)));
        if !found.assumed.is_empty() {
            let words = format!(
                " of the profile that this depends on {} not measured; ",
                if found.assumed.len() == 1 { "is" } else { "are" }
            );
            let mut line = Html::text(&counted(found.assumed.len() as u64, "value"));
            line.add(Html::text(&words));
            line.add(Html::element("a", &[("href", "#profile")], Html::text("they are listed below")));
            line.add(Html::text("."));
            all.add(Html::element("p", &[], line));
        }
        if !is_judged {
            return all;
        }
        let (before, after) = (&found.before, &found.after);
        let then = |before: String, after: String| match self.tense {
            Some(_) if before != after => format!("{before}, then {after}"),
            _ => before,
        };
        let demand = Demand::of(found);
        let [[peak, sustained], [peak_then, sustained_then]] = [before, after].map(|figures| demand.words(figures));
        let [[volume, mass], [volume_then, mass_then]] = [before, after].map(|figures| demand.laid(figures));
        let mut rows = vec![
            ("Time", then(time(before.time_s), time(after.time_s))),
            ("Mass", then(mass, mass_then)),
            ("Volume", then(volume, volume_then)),
            ("Layers", count(before.layers)),
            ("Peak demand", then(peak, peak_then)),
            ("Peak capacity", flow(record.peak_capacity_mm3_s)),
            ("Sustained demand", then(sustained, sustained_then)),
            (
                "Sustained capacity",
                format!("{} over {}", flow(record.sustained_capacity_mm3_s), time(record.sustained_window_s)),
            ),
        ];
        if let Some(plan) = found.hopper.as_ref().filter(|plan| plan.usable_g.is_some()) {
            rows.push(("Refills", count(plan.refills.len() as u64)));
        }
        let rows = rows.into_iter().map(|(name, value)| {
            Html::element("div", &[], [Html::words("dt", name), Html::words("dd", &value)].into_iter().collect())
        });
        all.add(Html::element("dl", &[("class", "main")], rows.collect()));
        all
    }

    fn findings(&self) -> Html {
        let mut all = Html::new();
        if self.tense.is_some() && self.summary.findings.iter().any(parts::has_lines) {
            all.add(Html::words("p", &format!("Places are told by {}.", parts::INPUT_LINES)));
        }
        all.add(self.summary.findings.iter().map(|finding| self.finding(finding)).collect());
        if self.summary.findings.is_empty() {
            all.add(Html::words("p", "There is nothing to remark."));
        }
        let allowed = parts::allowed(&self.summary.allowed);
        if !allowed.is_empty() {
            all.add(Html::element(
                "p",
                &[("class", "allowed")],
                said(&allowed.split_whitespace().collect::<Vec<_>>().join(" ")),
            ));
        }
        all
    }

    fn finding(&self, finding: &Finding) -> Html {
        let (class, name) = level(finding.level);
        let id = format!("finding-{}", finding.code);
        let title = format!("{id}-title");
        let times = if finding.count > 1 { format!(" ({} times)", count(finding.count)) } else { String::new() };
        let mut heading = Html::element("span", &[("class", "level")], Html::text(name));
        heading.add(Html::text(&format!(": {}{times}", finding.what)));
        let mut all = Html::element("h3", &[("id", &title)], heading);
        let row = |name: &str, words: &str| {
            let said = Html::element("dd", &[], said(words));
            Html::element("div", &[], [Html::words("dt", name), said].into_iter().collect())
        };
        let rows = [("Why it matters", &finding.why), ("What to do", &finding.help)];
        let rows = rows.into_iter().filter(|(_, words)| !words.is_empty()).map(|(name, words)| row(name, words));
        let mut rows: Html = rows.collect();
        rows.add(Html::element(
            "div",
            &[],
            [Html::words("dt", "Code"), Html::element("dd", &[], Html::words("code", finding.code))]
                .into_iter()
                .collect(),
        ));
        all.add(Html::element("dl", &[], rows));
        all.add(self.places(finding));
        let class = format!("finding {class}");
        Html::element("article", &[("class", &class), ("id", &id), ("aria-labelledby", &title)], all)
    }

    fn places(&self, finding: &Finding) -> Html {
        let heads = [
            ("line", Column::Figures),
            ("layer", Column::Figures),
            ("z, mm", Column::Figures),
            ("at", Column::Figures),
            ("what", Column::Words),
        ];
        let shown = finding.places.len() as u64;
        let mut grid = Grid::new(&format!("Places of {}", finding.code), heads);
        let course = self.summary.course.as_deref();
        // What is printed: the output where there is one.
        let series = course.map(|course| if self.tense.is_some() { &course.after } else { &course.before });
        for place in &finding.places {
            let some = |known: bool, text: String| if known { text } else { "-".to_owned() };
            let about = || series.and_then(|series| series.time_of_line(place.line)).filter(|_| place.line > 0);
            let at = place.time_s.or_else(about);
            grid.row([
                if place.line > 0 { place.line.to_string() } else { "whole file".to_owned() },
                some(place.layer > 0 || place.line > 0, count(place.layer)),
                some(place.layer > 0 || place.line > 0, decimal(place.z_mm, 2)),
                at.map_or_else(|| "-".to_owned(), time),
                place.detail.clone(),
            ]);
        }
        let Some(first) = finding.places.first() else { return Html::new() };
        let whole = finding.places.iter().all(|place| place.line == 0);
        let summary = match finding.count.saturating_sub(shown) {
            _ if whole && shown == 1 => return Html::element("p", &[], said(&first.detail)),
            0 if finding.worst_first => format!("{}, worst first", counted(shown, "place")),
            0 => counted(shown, "place"),
            more if shown == 1 => {
                let which = if finding.worst_first { "place that counts most" } else { "first place" };
                format!("The {which}, and {} more", count(more))
            }
            more if finding.worst_first => {
                format!("The {} that count most, worst first, and {} more", counted(shown, "place"), count(more))
            }
            more => format!("The first {}, and {} more", counted(shown, "place"), count(more)),
        };
        let mut inside = Html::words("summary", &summary);
        inside.add(grid.html());
        // One place is no more to read than the words that hide it.
        let open: &[(&str, &str)] = if shown == 1 { &[("open", "")] } else { &[] };
        Html::element("details", open, inside)
    }

    /// What the part bears, as figures.
    fn bands(&self) -> Html {
        let Some(part) = &self.summary.part else { return Html::new() };
        let heads = [
            "layers",
            "z, mm",
            "bears along X, mm/s²",
            "along Y, mm/s²",
            "sway, mm",
            "swings, Hz",
            "drag, mm",
            "weight carried",
            "shortest layer, s",
            "needs, s",
            "then, s",
        ];
        // An audit has no other times than those of the file.
        let shown = if self.tense.is_some() { heads.len() } else { heads.len() - 1 };
        let column = |place: usize| if place == 0 { Column::Words } else { Column::Figures };
        let heads = heads.iter().take(shown).enumerate().map(|(place, head)| (*head, column(place)));
        let mut grid = Grid::new("The part in figures, worst of each band of layers", heads);
        for band in part.bands.list() {
            grid.row(part::cells(band).into_iter().take(shown));
        }
        grid.html()
    }

    fn pauses(&self) -> Html {
        let words = self.summary.hopper.as_ref().and_then(hopper::pauses);
        words.map_or_else(Html::new, |words| Html::words("p", &words))
    }

    fn refills(&self) -> Html {
        let Some(plan) = &self.summary.hopper else { return Html::new() };
        let heads = [
            ("refill", Column::Figures),
            ("at", Column::Figures),
            ("layer", Column::Figures),
            ("z, mm", Column::Figures),
            ("line", Column::Figures),
            ("used so far, g", Column::Figures),
            ("left, g", Column::Figures),
            ("fill in, g", Column::Figures),
            ("the same, l", Column::Figures),
            ("where", Column::Words),
        ];
        let mut grid = Grid::new(&parts::placed("Refills", self.tense.is_some()), heads);
        for (index, refill) in plan.refills.iter().enumerate() {
            grid.row([
                (index + 1).to_string(),
                time(refill.time_s),
                count(refill.layer),
                decimal(refill.z_mm, 2),
                refill.line.to_string(),
                decimal(refill.used_g, 1),
                decimal(refill.left_g, 1),
                decimal(refill.refill_g, 1),
                decimal(refill.refill_l, 3),
                match refill.place {
                    PlaceKind::LayerChange => "layer change",
                    PlaceKind::Hidden => "hidden bead",
                    PlaceKind::Visible => "bead that may be seen",
                }
                .to_owned(),
            ]);
        }
        grid.html()
    }

    fn changes_heading(&self) -> &'static str {
        match self.tense {
            Some(Tense::Was) => "What was changed",
            None if self.summary.provenance.input_is_output => "By role and layer",
            _ => "What a rewrite would change",
        }
    }

    fn changes(&self) -> Html {
        let changes = &self.summary.changes;
        let mut reasons = Grid::new(
            "Moves slowed, and why",
            [("reason", Column::Words), ("moves", Column::Figures), ("time added", Column::Figures)],
        );
        for sum in &changes.by_reason {
            reasons.row([reason(sum.reason).to_owned(), count(sum.moves), added(sum.time_added_s)]);
        }
        if let Some((what, added)) = parts::other_time(changes).filter(|_| !changes.by_reason.is_empty()) {
            reasons.row([what.to_owned(), String::new(), added]);
        }
        let heads = [
            ("", Column::Words),
            ("beads", Column::Figures),
            ("slowed", Column::Figures),
            ("volume", Column::Figures),
            ("time", Column::Figures),
            ("then", Column::Figures),
            ("peak demand, mm³/s", Column::Figures),
            ("then, mm³/s", Column::Figures),
        ];
        let changed = self.tense.is_some() || !self.summary.provenance.input_is_output;
        let named = |name: &'static str| {
            let heads = heads.map(|(head, column)| (if head.is_empty() { name } else { head }, column));
            parts::of_share(heads, changed)
        };
        let mut all = reasons.html();
        for (caption, first, shares) in
            [("By role of the bead", "role", &changes.roles), ("By layers", "layers", &changes.layer_bands)]
        {
            let mut grid = Grid::new(caption, named(first));
            shares.iter().for_each(|share| grid.row(parts::share_cells(share, changed)));
            all.add(grid.html());
        }
        all
    }

    /// What is laid before and after, where both were executed.
    fn laid(&self) -> Html {
        let Some(replay) = &self.summary.replay else { return Html::new() };
        let heads = [("", Column::Words), ("before", Column::Figures), ("after", Column::Figures)];
        let mut grid = Grid::new("Volume laid along the path against volume wanted", heads);
        replay::brief_rows(replay).into_iter().for_each(|row| grid.row(row));
        grid.html()
    }

    /// Assumed values first, then all of the profile.
    fn assumptions(&self) -> Html {
        let meaning = |key: &str| Profile::meaning(key).unwrap_or_default().to_owned();
        let heads =
            || [("value", Column::Words), ("is", Column::Words), ("set by", Column::Words), ("meaning", Column::Words)];
        let mut assumed = Grid::new("Assumed values this depends on", heads());
        for value in &self.summary.assumed {
            assumed.marked(vec![
                Html::words("code", &value.key),
                Html::words("code", &value.value),
                Html::text(&value.origin),
                Html::text(&meaning(&value.key)),
            ]);
        }
        let mut all = match self.summary.assumed.is_empty() {
            true => Html::words("p", "Every value this depends on was measured."),
            false => Html::words(
                "p",
                "Measure these and mark them in your profile, for example { value = 21.0, provenance = \"measured\" }.",
            ),
        };
        all.add(assumed.html());
        let mut entries = Grid::new(
            "The profile in force",
            [
                ("value", Column::Words),
                ("is", Column::Words),
                ("known", Column::Words),
                ("set by", Column::Words),
                ("note", Column::Words),
            ],
        );
        let list = self.profile.entries();
        let measured = list.iter().filter(|entry| entry.provenance == Provenance::Measured).count();
        for entry in &list {
            entries.marked(vec![
                Html::words("code", entry.key),
                Html::words("code", &entry.value),
                Html::text(&entry.provenance.to_string()),
                Html::text(&entry.origin.to_string()),
                Html::text(entry.note.as_deref().unwrap_or_default()),
            ]);
        }
        let words = format!("All {} values of the profile, {measured} of them measured", list.len());
        let mut more = Html::words("summary", &words);
        more.add(entries.html());
        all.add(Html::element("details", &[], more));
        all
    }

    /// What the figures hold for: files as they were sliced, or as they were rewritten.
    fn controller(&self) -> Html {
        let mut passes = Passes::NONE;
        if self.tense.is_some() {
            self.summary.provenance.passes.iter().for_each(|name| {
                passes.add(name);
            });
        }
        let heads = [("setting", Column::Words), ("is", Column::Words), ("command", Column::Words)];
        let mut grid = Grid::new("Settings of the controller", heads);
        for one in expectations(self.profile, passes) {
            let command = one.command.as_deref().map_or_else(|| Html::text("-"), |text| Html::words("code", text));
            grid.marked(vec![Html::text(one.setting), Html::text(&one.value), command]);
        }
        let words = "Times, flow and cooling are worked out for these. Commands hold until the controller is switched off \
            or the file sets something else; compare the rest with its configuration.";
        [Html::words("p", words), grid.html()].into_iter().collect()
    }

    /// Where the result comes from.
    fn record(&self) -> Html {
        let record = &self.summary.provenance;
        let mut grid = Grid::new("Where this comes from", [("what", Column::Words), ("is", Column::Words)]);
        let hash = match record.input_sha256.is_empty() {
            true => "-".to_owned(),
            false => record.input_sha256.clone(),
        };
        let mut rows = vec![
            ("file", self.path.clone()),
            ("SHA-256 of the file", hash),
            ("lines", count(record.input_lines)),
            ("bytes", count(record.input_bytes)),
            ("unit of E", record.e_unit.clone()),
            ("profile", record.profile.clone()),
            ("fingerprint of the profile", record.profile_fingerprint.clone()),
            ("passes", record.passes.join(", ")),
            ("made by", format!("{} {}", record.tool, record.version)),
        ];
        if record.output_bytes > 0 {
            rows.insert(4, ("bytes of the output", count(record.output_bytes)));
            rows.insert(5, ("SHA-256 of the output", record.output_sha256.clone()));
        }
        for (name, value) in rows {
            grid.marked(vec![Html::text(name), Html::words("bdi", &value)]);
        }
        grid.html()
    }
}

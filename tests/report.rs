//! The HTML report: what is in it, that it needs nothing from elsewhere, and that nothing of a file gets into its markup.
//!
//! What a browser makes of it is looked at with `tests/browser.sh`.

mod support;

use std::collections::BTreeSet;
use std::fmt::Write as _;

use support::{Bench, CALM, PADS, read};

const DEMO: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/demo/casting_pads.gcode");
const VOID: [&str; 2] = ["meta", "input"];
const RAW: [&str; 2] = ["script", "style"];
/// Everything a report is made of.
const KNOWN: &str = "html head meta title style body header nav main section article h1 h2 h3 p a ul li dl dt dd div span \
                     strong code bdi table caption thead tbody tr th td figure figcaption svg desc path text details \
                     summary label input select option canvas script";

/// A start tag as it stands in the page.
#[derive(Debug)]
struct Tag {
    name: String,
    attributes: Vec<(String, String)>,
}

impl Tag {
    fn get(&self, name: &str) -> Option<&str> {
        self.attributes.iter().find(|(own, _)| own == name).map(|(_, value)| value.as_str())
    }
}

/// All start tags of a page. Panics where tags do not balance, attributes are not quoted or stand twice, or a bare `<`
/// or `&` stands in the text.
#[track_caller]
fn tags(page: &str) -> Vec<Tag> {
    let mut rest = page.strip_prefix("<!DOCTYPE html>\n").expect("a document type");
    let (mut open, mut found) = (Vec::<String>::new(), Vec::new());
    loop {
        let Some(at) = rest.find('<') else {
            assert!(open.is_empty() && rest.trim().is_empty(), "left open: {open:?}, {rest}");
            return found;
        };
        for (and, _) in rest[..at].match_indices('&') {
            let known = ["&amp;", "&lt;", "&gt;", "&quot;", "&#39;"];
            assert!(known.iter().any(|known| rest[and..].starts_with(known)), "{}", &rest[and..at]);
        }
        rest = &rest[at + 1..];
        if let Some(name) = rest.strip_prefix('/') {
            let end = name.find('>').expect("an end");
            assert_eq!(open.pop().as_deref(), Some(&name[..end]), "closed in order");
            rest = &name[end + 1..];
            continue;
        }
        let end = rest.find([' ', '>']).expect("an end of the name");
        let mut tag = Tag { name: rest[..end].to_owned(), attributes: Vec::new() };
        rest = &rest[end..];
        while let Some(more) = rest.strip_prefix(' ') {
            let (name, value) = more.split_once("=\"").expect("a quoted attribute");
            let (value, after) = value.split_once('"').expect("the end of a value");
            assert!(
                name.bytes().all(|b| b.is_ascii_alphabetic() || b == b'-') && !value.contains('<'),
                "{name} {value}"
            );
            assert!(tag.get(name).is_none(), "{name} stands twice in {tag:?}");
            tag.attributes.push((name.to_owned(), value.to_owned()));
            rest = after;
        }
        rest = rest.strip_prefix('>').expect("the end of a tag");
        if RAW.contains(&tag.name.as_str()) {
            let end = format!("</{}>", tag.name);
            let at = rest.find(&end).expect("the end of raw text");
            rest = &rest[at + end.len()..];
        } else if !VOID.contains(&tag.name.as_str()) {
            open.push(tag.name.clone());
        }
        found.push(tag);
    }
}

/// What every report has to be like.
#[track_caller]
fn is_sound(page: &str) -> Vec<Tag> {
    let tags = tags(page);
    let known: BTreeSet<&str> = KNOWN.split_whitespace().collect();
    let mut ids = BTreeSet::new();
    for tag in &tags {
        assert!(known.contains(tag.name.as_str()), "{tag:?}");
        for (name, value) in &tag.attributes {
            assert!(!name.starts_with("on") && name != "src" && name != "style", "{tag:?}");
            assert!(name != "href" || value.starts_with('#'), "{tag:?}");
            assert!(name != "id" || ids.insert(value.clone()), "{value} stands twice");
            let way = |b: u8| b.is_ascii_digit() || b" .-MHVLZv".contains(&b);
            assert!(name != "d" || value.bytes().all(way), "{tag:?}");
        }
    }
    for tag in &tags {
        let named = ["aria-labelledby", "aria-describedby"].iter().filter_map(|name| tag.get(name));
        let linked = tag.get("href").map(|link| link.trim_start_matches('#'));
        for id in named.flat_map(|ids| ids.split(' ')).chain(linked) {
            assert!(ids.contains(id), "nothing is called {id}");
        }
        if tag.name == "th" {
            assert!(matches!(tag.get("scope"), Some("col" | "row")), "{tag:?}");
        }
    }
    let count = |name: &str| tags.iter().filter(|tag| tag.name == name).count();
    assert_eq!(count("table"), count("caption"));
    let plots = tags.iter().filter(|tag| tag.name == "svg" && tag.get("role") == Some("img")).count();
    // The page itself has a title too.
    assert_eq!((plots, plots, plots + 1), (count("figure"), count("desc"), count("title")));
    assert_eq!((count("figcaption"), count("h1"), count("main")), (plots, 1, 1));
    for word in ["http:", "https:", "@import", "url(", "<link", "<iframe", "javascript:", "NaN"] {
        assert!(!page.contains(word), "{word}");
    }
    assert!(page.contains("default-src &#39;none&#39;"));
    tags
}

fn ids(tags: &[Tag]) -> BTreeSet<&str> {
    tags.iter().filter_map(|tag| tag.get("id")).collect()
}

#[test]
fn an_audit_of_the_demo() {
    let bench = Bench::new();
    let ran = bench.run(&["audit", DEMO, "--html", "pads.html", "--json", "pads.json"]).code(3);
    let page = read(&bench.path("pads.html"));
    let tags = is_sound(&page);
    let ids = ids(&tags);
    for id in [
        "findings",
        "screw",
        "demand",
        "demand-after",
        "screw-speed",
        "part",
        "acceleration",
        "deflection",
        "frequency",
        "layer-time",
        "used",
        "layers",
        "layer-picture",
        "layer-slider",
        "changes",
        "profile",
        "record",
    ] {
        assert!(ids.contains(id), "no {id}");
    }
    // A profile without a curve and without a hopper has neither of these plots.
    assert!(!ids.contains("output-curve") && !ids.contains("hopper-level"));
    // The same figures as in the account.
    let account: serde_json::Value = serde_json::from_str(&read(&bench.path("pads.json"))).expect("an account");
    assert!(account.get("course").is_none());
    for finding in account["findings"].as_array().expect("findings") {
        let code = finding["code"].as_str().expect("a code");
        assert!(ids.contains(format!("finding-{code}").as_str()), "no {code}");
        assert!(finding["why"].as_str().is_some_and(|why| why.len() > 20), "{code}");
    }
    let peak = format!("{:.1} mm³/s", account["before"]["peak_demand_mm3_s"].as_f64().expect("a figure"));
    assert!(page.contains(&format!("<dd>{peak}</dd>")) && ran.stdout.contains(&peak));
    let asked = |key: &str| account["before"][key].as_f64().expect("a figure");
    let told = format!("Single beads ask up to {:.1} mm³/s (at ", asked("peak_demand_mm3_s"));
    assert!(page.contains(&told), "{told}");
    let told = format!("the mean over 1 min reaches {:.1} mm³/s (at ", asked("sustained_demand_mm3_s"));
    assert!(page.contains(&told), "{told}");
    // The bed is set up before the first bead, in no layer.
    let first = &account["findings"].as_array().expect("findings").iter().find(|f| f["code"] == "command-skipped");
    let line = &first.expect("a skipped command")["places"][0]["line"];
    let row = format!("class=\"n\">{line}</th><td class=\"n\">0</td>");
    assert!(page.contains(&row) && ran.stdout.contains(&format!("line {line}  layer 0 ")), "{row}");
    assert!(page.contains("Do not print this file as it is: 2 errors"));
    assert!(page.contains(account["provenance"]["input_sha256"].as_str().expect("a hash")));
    assert!(page.len() < 600_000, "{}", page.len());
}

#[test]
fn a_rewrite_shows_before_and_after() {
    let bench = Bench::new();
    let hopper = ["--set", "hopper.usable_g=60", "--set", "hopper.margin_g=10"];
    let curve = ["--set", "screw.output_curve=[[20,6],[60,15],[120,24]]"];
    let arguments = [&["rewrite", DEMO, "-o", "out.gcode", "--html", "out.html"][..], &hopper, &curve].concat();
    bench.run(&arguments).code(0);
    let page = read(&bench.path("out.html"));
    let tags = is_sound(&page);
    let ids = ids(&tags);
    for id in ["demand", "demand-after", "output-curve", "hopper-level", "layers", "layer-side"] {
        assert!(ids.contains(id), "no {id}");
    }
    assert!(page.contains(">as rewritten<") && page.contains("What was changed") && page.contains(", then "));
    let marks = tags.iter().filter(|tag| tag.get("class") == Some("mark")).count();
    // Four refills or more, each with a stroke; one in each legend and one at the highest speed of the screw.
    assert!(marks >= 7, "{marks}");
    let at = page.find("The shortest layer takes ").expect("a caption of layer times");
    let told = page[at..].split(';').next().expect("its begin");
    assert!(told.ends_with(" as rewritten") && told.contains(" s, "), "{told}");
    // Without a rewrite the words say so, and nothing but the report is written.
    let arguments = [&["rewrite", DEMO, "--dry-run", "--html", "dry.html"][..], &hopper, &curve].concat();
    bench.run(&arguments).code(0);
    assert!(read(&bench.path("dry.html")).contains("as a rewrite would make it"));
    assert_eq!(bench.names(), ["dry.html", "out.gcode", "out.html"]);
}

/// Refills at the park position with what they need.
const PARKED: [&str; 16] = [
    "--set",
    "hopper.pause_command=\"REFILL\"",
    "--set",
    "hopper.usable_g=20",
    "--set",
    "hopper.margin_g=2",
    "--set",
    "hopper.purge_mm3=1600",
    "--set",
    "machine.park_x_mm=5",
    "--set",
    "machine.park_y_mm=5",
    "--set",
    "machine.park_lift_mm=5",
    "--set",
    "machine.park_speed_mm_s=80",
];

#[test]
fn parked_pauses_come_with_a_caution() {
    let bench = Bench::new();
    let rewrite = ["rewrite", DEMO, "-o", "out.gcode", "--html", "out.html"];
    let text = bench.run(&[&rewrite[..], &PARKED].concat()).code(0).stdout;
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let from = flat.find("pauses written into the output. For ").expect("a caution");
    let caution = flat[from..].split(" in all.").next().expect("its end");
    let page = read(&bench.path("out.html"));
    is_sound(&page);
    assert!(caution.contains("nothing may stand there or on the way") && page.contains(caution), "{caution}");
}

#[test]
fn reports_depend_on_the_input_alone() {
    let bench = Bench::new();
    for threads in ["1", "4"] {
        let html = format!("{threads}.html");
        bench.run(&["audit", DEMO, "--threads", threads, "--html", &html]).code(3);
    }
    assert!(read(&bench.path("1.html")) == read(&bench.path("4.html")), "the same bytes");
}

#[test]
fn nothing_of_a_file_becomes_markup() {
    let bench = Bench::new();
    let benign = {
        bench.file("plain.gcode", PADS);
        bench.run(&["audit", "plain.gcode", "--html", "plain.html", "--set", "screw.virtual_diameter_mm=1.75"]).code(3);
        let tags = is_sound(&read(&bench.path("plain.html")));
        tags.iter().filter(|tag| tag.name == "script").count()
    };
    assert_eq!(benign, 3, "two of data, one that draws");
    let profile = "[screw]\nvirtual_diameter_mm = { value = 1.75, provenance = \"measured\", note = \
                   \"</td><script>alert(1)</script>\" }\n[feedstock]\nname = \"--><b onclick='alert(2)'>\"\n\
                   lot = \"</style></script>\"\n";
    bench.file("a<b.toml", profile);
    let gcode = format!(
        ";TYPE:</h2><script>alert(3)</script>\n;<!--\n{PADS}<SCRIPT>alert(4)</SCRIPT>\nM9\"><img src=x onerror=alert(5)>\n\
         SET_<b>=\"</script>\"\nG1 X1\u{7} ; \u{202e}\nG28 (</main>)\n"
    );
    let name = "\"><img src=x onerror=alert(6)>&amp;'\u{1b}[1m.gcode";
    bench.file(name, gcode);
    let ran = bench.run(&["audit", name, "--lenient", "--profile", "a<b.toml", "--html", "hostile.html"]);
    assert!(matches!(ran.code, Some(0 | 3)), "{}", ran.stderr);
    let page = read(&bench.path("hostile.html"));
    let tags = is_sound(&page);
    assert_eq!(tags.iter().filter(|tag| tag.name == "script").count(), benign);
    assert!(page.contains("&quot;&gt;&lt;img src=x onerror=alert(6)&gt;&amp;amp;&#39;\u{fffd}[1m.gcode"));
    assert!(page.contains("&lt;/td&gt;&lt;script&gt;alert(1)&lt;/script&gt;"), "the note is shown");
    assert!(!page.contains(['\u{1b}', '\u{7}']));
}

#[test]
fn prints_of_nothing_and_of_odd_numbers() {
    let bench = Bench::new();
    let huge = "M83\nG1 X1e3 F600\nG1 X900000 Y900000 E1 F0.0001\nG4 S999999999\nG1 X0 E99999 F99999999\nG1 E5 F1\n";
    let cases =
        [("none", "G28\n"), ("travel", "G1 X10 F600\nG1 X20\n"), ("calm", CALM), ("huge", huge), ("dwell", "G4 P1\n")];
    for (name, gcode) in cases {
        bench.file(&format!("{name}.gcode"), gcode);
        let html = format!("{name}.html");
        let arguments = ["audit", &format!("{name}.gcode"), "--html", &html, "--set", "screw.virtual_diameter_mm=1.75"];
        let ran = bench.run(&[&arguments[..], &["--set", "hopper.usable_g=300"]].concat());
        assert!(matches!(ran.code, Some(0 | 3)), "{name}: {}", ran.stderr);
        let page = read(&bench.path(&html));
        let tags = is_sound(&page);
        assert!(!page.contains("inf ") && !page.contains(">inf"), "{name}");
        assert_eq!(ids(&tags).contains("layer-picture"), gcode.contains('E'), "{name}");
    }
    // Nothing to judge: no report, and the error says why.
    bench.file("prose.gcode", "; nothing\n");
    bench.run(&["audit", "prose.gcode", "--html", "prose.html"]).code(1);
    assert!(!bench.path("prose.html").exists());
}

#[test]
fn where_reports_go() {
    let bench = Bench::new();
    bench.file("a.v2.gcode", CALM);
    bench.file("b.gcode", CALM);
    bench.folder("reports");
    bench.folder("more");
    bench.file("more/b.gcode", CALM);
    let set = ["--set", "screw.virtual_diameter_mm=1.75"];
    let run = |arguments: &[&str]| bench.run(&[arguments, &set].concat());
    let ran = run(&["audit", "a.v2.gcode", "--html", "-"]).code(2);
    assert!(ran.stderr.contains("name a file, for example --html report.html"), "{}", ran.stderr);
    let ran = run(&["audit", "a.v2.gcode", "--html", "./a.v2.gcode"]).code(2);
    assert!(ran.stderr.contains("the report would be written over"), "{}", ran.stderr);
    run(&["rewrite", "b.gcode", "-o", "out.gcode", "--html", "./out.gcode"]).code(2);
    for json in [
        &["audit", "b.gcode", "--json", "./b.gcode"][..],
        &["audit", "b.gcode", "--jsonl", "b.gcode"],
        &["rewrite", "b.gcode", "-o", "out.gcode", "--json", "./out.gcode"],
        &["audit", "b.gcode", "--html", "b.html", "--json", "b.html"],
        &["replay", "b.gcode", "--json", "b.gcode"],
        &["record", "b.gcode", "--json", "b.gcode"],
        &["reconcile", "b.gcode", "--weighed", "5", "--json", "b.gcode"],
        &["changeover", "--melt-volume", "2", "--file", "b.gcode", "--at-layer", "1", "--json", "./b.gcode"],
    ] {
        let ran = run(json).code(2);
        assert!(ran.stderr.contains("the JSON would be written over "), "{json:?}: {}", ran.stderr);
    }
    assert_eq!(read(&bench.path("b.gcode")), CALM);
    // Nor over the profile, nor over each other.
    const SHOP: &str = "[nozzle]\ndiameter_mm = 1.2\n";
    bench.file("shop.toml", SHOP);
    let screw = ["screw", "--bore", "8", "--depth", "1", "--length", "30"];
    for command in [
        &["reconcile", "b.gcode", "--weighed", "5"][..],
        &["record", "b.gcode"],
        &["replay", "b.gcode"],
        &["controller"],
        &["changeover", "--melt-volume", "2"],
        &["blend", "100:tpe-30a"],
        &["weigh", "plan", "-o", "bench/"],
        &screw,
    ] {
        let ran = run(&[command, &["--profile", "shop.toml", "--json", "./shop.toml"]].concat()).code(2);
        assert!(ran.stderr.contains("the JSON would be written over "), "{command:?}: {}", ran.stderr);
        assert_eq!(read(&bench.path("shop.toml")), SHOP, "{command:?}");
    }
    let over = [&screw[..], &["--profile", "shop.toml", "--plot", "shop.toml"]].concat();
    assert!(run(&over).code(2).stderr.contains("the plot would be written over"));
    let twice = [&screw[..], &["--plot", "same.svg", "--json", "same.svg"]].concat();
    assert!(run(&twice).code(2).stderr.contains("the JSON would be written over same.svg"));
    run(&["blend", "100:tpe-30a", "--write", "x", "--json", "./x"]).code(2);
    std::fs::remove_file(bench.path("shop.toml")).expect("to be removed");
    run(&["audit", "a.v2.gcode", "b.gcode", "--html", "both.html"]).code(2);
    run(&["audit", "b.gcode", "more/b.gcode", "--html", "reports"]).code(2);
    assert_eq!(bench.names(), ["a.v2.gcode", "b.gcode", "more", "reports"]);
    assert_eq!(read(&bench.path("a.v2.gcode")), CALM);
    run(&["audit", "a.v2.gcode", "b.gcode", "--html", "reports"]).code(0);
    assert_eq!(support::names(&bench.path("reports")), ["a.v2.html", "b.html"]);
}

/// A print of so many bytes whose beads cannot be joined: short, and each in a direction of its own.
fn large(bytes: usize) -> String {
    let mut text = "M83\nM200 S1 D1.75\nG28\n".to_owned();
    let (mut layer, mut state) = (0_u32, 1_u32);
    while text.len() < bytes {
        layer += 1;
        let z = f64::from(layer) * 0.5;
        write!(text, ";LAYER_CHANGE\nG1 Z{z} F600\nG1 X50 Y50 F6000\nG1 F1500\n").expect("text");
        for bead in 0..6000_u32 {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let (x, y) = (50.0 + f64::from(bead % 200), 50.0 + f64::from(state >> 24) * 0.3);
            writeln!(text, "G1 X{x:.3} Y{y:.3} E{:.5}", 0.5 + f64::from(bead % 7) * 0.3).expect("text");
        }
    }
    text
}

#[test]
fn reports_of_large_prints_stay_small() {
    let bench = Bench::new();
    let sizes: Vec<usize> = [12_000_000, 24_000_000]
        .into_iter()
        .map(|bytes| {
            bench.file("large.gcode", large(bytes));
            let ran = bench.run(&["audit", "large.gcode", "--quiet", "--html", "large.html"]);
            assert!(matches!(ran.code, Some(0 | 3)), "{}", ran.stderr);
            let page = read(&bench.path("large.html"));
            is_sound(&page);
            assert!(page.contains("To keep this report small, "), "the budget binds");
            page.len()
        })
        .collect();
    println!("{sizes:?}");
    // Beads have a budget, series and lists their number of entries: twice the print, no larger report than that. So a
    // print of any size stays below.
    assert!(sizes.iter().all(|size| *size < 1_500_000), "{sizes:?}");
}

/// Nothing of an output is changed any more, whether its E leads the flow or not.
#[test]
fn an_output_that_is_judged_again_has_no_columns_of_changes() {
    for lag in ["screw.lag_compensated_by=file", "screw.lag_compensated_by=none"] {
        let bench = Bench::new();
        bench.run(&["rewrite", DEMO, "-o", "out.gcode", "--set", lag]).code(0);
        let audit = |file: &str, more: &[&str]| {
            let ran = bench.run(&[&["audit", file, "-v", "--html", "it.html", "--set", lag], more].concat());
            (ran.stdout, read(&bench.path("it.html")))
        };
        let (text, page) = audit(DEMO, &[]);
        assert!(text.contains("By role, now and then\n") && text.contains("beads  slowed  "), "{text}");
        assert!(text.lines().any(|line| line.split_whitespace().eq(["before", "after"])), "{text}");
        assert!(page.contains("What a rewrite would change") && page.contains(">slowed<"));
        let (text, page) = audit("out.gcode", &["--again"]);
        is_sound(&page);
        assert!(text.contains("\nBy role\n") && !text.contains("and then\n"), "{text}");
        assert!(text.contains("\nBead time by demand"), "{text}");
        for gone in ["  slowed  ", "before  ", "  after", "a rewrite would", "hat a rewrite", "of a rewrite"] {
            assert!(!text.contains(gone), "{gone}: {text}");
        }
        assert!(page.contains(">By role and layer<") && page.contains("By role of the bead"));
        for gone in ["a rewrite would", ">slowed<", ">then<", "demand-after"] {
            assert!(!page.contains(gone), "{gone}");
        }
    }
}

/// A rewrite tells places by the lines of its input, and says so; in an audit there are no others.
#[test]
fn lines_of_a_rewrite_are_those_of_the_file_as_it_came() {
    let bench = Bench::new();
    let rewrite = ["rewrite", DEMO, "-o", "out.gcode", "--html", "out.html"];
    let text = bench.run(&[&rewrite[..], &PARKED].concat()).code(0).stdout;
    for told in ["\nHopper, by lines of the file as it came\n", "\nFindings, by lines of the file as it came\n"] {
        assert!(text.contains(told), "{text}");
    }
    let page = read(&bench.path("out.html"));
    for told in ["Places are told by lines of the file as it came.", "Refills, by lines of the file as it came<"] {
        assert!(page.contains(told), "{told}");
    }
    let text = bench.run(&[&["audit", DEMO, "--html", "in.html"][..], &PARKED].concat()).code(3).stdout;
    assert!(text.contains("\nHopper\n") && text.contains("\nFindings\n"), "{text}");
    assert!(!read(&bench.path("in.html")).contains("as it came."));
}

#[test]
fn layers_without_a_bead_are_not_said_to_be_shown() {
    let bench = Bench::new();
    let layer = |z: &str, what: &str| format!(";LAYER_CHANGE\nG1 Z{z} F600\n{what}\n");
    let page = |layers: [&str; 3]| {
        let zs = ["0.8", "1.6", "2.4"];
        let layers: String = zs.iter().zip(layers).map(|(z, what)| layer(z, what)).collect();
        bench.file("in.gcode", format!("G90\nM83\nG28\n{layers}"));
        let set = ["--set", "screw.virtual_diameter_mm=1.75"];
        bench.run(&[&["audit", "in.gcode", "--html", "in.html"], &set[..]].concat());
        read(&bench.path("in.html"))
    };
    let (there, back) = ("G1 X60 E20 F600", "G1 X10 E20 F600");
    assert!(page([there, back, there]).contains("All layers are shown."));
    let some = page([there, "T1\nG1 X10 E20 F600\nT0", there]);
    assert!(some.contains("Shown are the 2 of 3 layers that hold beads of the screw."), "layers without a bead");
    assert!(!some.contains("All layers are shown."));
}

/// Without E words nothing is known of the demand: no line at nothing.
#[test]
fn an_unknown_demand_is_not_drawn() {
    let bench = Bench::new();
    bench.file("in.gcode", "G90\nG28\n;LAYER_CHANGE\nG1 Z0.8 F600\nM101\nG1 X60 F600\nG1 X10\nM103\n");
    bench.run(&["audit", "in.gcode", "--html", "in.html"]).code(3);
    let page = read(&bench.path("in.html"));
    let tags = is_sound(&page);
    assert!(page.contains("<p>What is asked of the screw is not known. The print takes "), "the sentence");
    assert!(!ids(&tags).contains("demand") && !page.contains("The same in figures"));
}

#[test]
fn small_hoppers_are_told_as_they_are_set() {
    let bench = Bench::new();
    let hopper = ["--set", "hopper.usable_g=7.5", "--set", "hopper.margin_g=0.4"];
    bench.run(&[&["audit", DEMO, "--html", "it.html"][..], &hopper].concat()).code(3);
    let page = read(&bench.path("it.html"));
    assert!(page.contains("Full it gives 7.5 g;") && page.contains(">margin 0.4 g<"));
}

/// All beads alike ask 12.55 mm³/s; the step of the distribution that holds them ends above.
#[test]
fn nine_tenths_of_the_beads_are_no_faster_than_the_fastest() {
    let bench = Bench::new();
    let mut gcode = "G90\nM83\nG28\nG1 Z0.8 F600\n;LAYER_CHANGE\n".to_owned();
    for bead in 0..40 {
        writeln!(gcode, "G1 X{} E62.75 F600", 50 * (bead % 2)).expect("text");
    }
    bench.file("in.gcode", gcode);
    let set = ["--set", "screw.e_unit=mm3", "--set", "screw.output_curve=[[20,6],[60,15],[120,24]]"];
    bench.run(&[&["audit", "in.gcode", "--html", "in.html"], &set[..]].concat());
    let page = read(&bench.path("in.html"));
    let figure = |from: &str, to: &str| {
        let (_, rest) = page.split_once(from).expect("a caption");
        rest.split_once(to).expect("its end").0.to_owned()
    };
    let fastest = figure("The fastest bead needs ", " rev/min");
    let run = figure("Nine tenths of the bead time of the file lie between ", " rev/min");
    let (low, high) = run.split_once(" and ").expect("two figures");
    assert_eq!((low, high), (fastest.as_str(), fastest.as_str()));
}

/// The figure of the mean goes move by move, its line by steps of time.
#[test]
fn a_coarser_line_is_told() {
    let bench = Bench::new();
    bench.run(&["audit", DEMO, "--html", "it.html"]).code(3);
    let page = read(&bench.path("it.html"));
    let (_, rest) = page.split_once("the mean over 1 min reaches ").expect("a caption");
    let (mean, rest) = rest.split_once(" mm³/s").expect("a figure");
    let (_, rest) = rest
        .split_once(" wide; worked out by these steps, the line of the mean reaches ")
        .expect("the figure of the line");
    let (drawn, _) = rest.split_once(" mm³/s.").expect("a figure");
    assert_ne!(mean, drawn);
    assert!(page.contains(&format!("<td class=\"n\">{drawn}</td>")), "{drawn} stands in the table");
}
